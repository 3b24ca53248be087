"""The weather forecast of the site, from a file or an address, the last good one kept.

It reads and keeps; whether a forecast is fresh enough to be used is decided where it is used (`weather_ahead`).
"""

from __future__ import annotations

from pathlib import Path

from pipeline.advice.forecast_file import ForecastFault, WeatherForecast, parse_forecast
from pipeline.clock import Clock
from pipeline.kept_source import KeptSource

NAME = "forecast"


def weather_source(
    location: str, folder: Path, *, latitude_deg: float, longitude_deg: float, elevation_m: float, clock: Clock
) -> KeptSource[WeatherForecast]:
    """The source of a site's forecast.

    Parameters
    ----------
    location : str
        Path or address of a CSV or JSON text, see `forecast_file`.
    folder : Path
        Where the last good one is kept.
    latitude_deg, longitude_deg, elevation_m : float
        Of the site. [deg], [m]
    clock : Clock
    """

    def reader(data: bytes) -> WeatherForecast:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as err:
            raise ForecastFault([f"{NAME}: found no UTF-8 text (byte {err.start}), expected CSV or JSON"]) from err
        return parse_forecast(
            text, latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=elevation_m, name=NAME
        )

    return KeptSource(NAME, location, folder, reader=reader, fault=ForecastFault, clock=clock)
