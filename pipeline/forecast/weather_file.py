"""Reading of a weather forecast, CSV or JSON, into hourly series, with every fault named.

CSV: a line `# issued = 2030-05-01T06:00Z`, then a header and a row for each step. JSON: an object with `issued` and a
list for each column. Columns: `time` (ISO 8601 with offset; the begin of the step; regular steps of 1, 3, 6, 12 or 24
hours) and `rain_mm` (expected in the step) are needed; `rain_chance` (of any rain in the step, 0 to 1),
`temperature_degc`, `relative_humidity_percent`, `wind_m_s` (at 2 m), `solar_w_m2` (means of the step) and
`reference_et_mm` (of the step) may be there, with an empty field or null where not known. A forecast with one absurd
value is refused whole.
"""

from __future__ import annotations

import csv
import difflib
import io
import itertools
import json
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from pipeline.run.cached_fetch import ContentFault, KeptSource
from pipeline.run.clock import Clock
from pipeline.soil.climate import daylight_share, dewpoint_from_humidity_degc, hourly_demand_mm
from pipeline.soil.radiation import Location
from pipeline.texts import later, say
from pipeline.units import HOUR_MS, FloatArray

FORECAST_STALE_H = 24.0
LEAST_AHEAD_H = 12.0
MAX_FORECAST_STEPS = 1000
MAX_CHARACTERS = 1_000_000
STEPS_H = (1, 3, 6, 12, 24)
ISSUED_LEAD_H = 1.0  # clocks may differ by so much
NEEDED_COLUMNS = ("rain_mm",)
# What a value can be. Rain is for an hour and grows with the step, but not above the day's limit: more has been
# measured on earth (about 300 and 1800), but hardly ever where turf is kept.
FORECAST_LIMITS: Mapping[str, tuple[float, float]] = {
    "rain_mm": (0.0, 120.0),
    "rain_chance": (0.0, 1.0),
    "temperature_degc": (-50.0, 60.0),
    "relative_humidity_percent": (0.0, 100.0),
    "wind_m_s": (0.0, 75.0),
    "solar_w_m2": (0.0, 1400.0),
    "reference_et_mm": (-0.3, 1.8),
}
TOTALS = ("rain_mm", "reference_et_mm")
DAY_TOTAL_LIMITS = {"rain_mm": 400.0, "reference_et_mm": 18.0}
LARGEST_STEP_DEGC = 25.0  # from hour to hour


class ForecastFault(ContentFault):
    """A forecast that cannot be used; each fault as `place: found, expected`."""


@dataclass(frozen=True)
class WeatherForecast:
    """A forecast hour by hour.

    Attributes
    ----------
    issued_ms, first_ms : int
        When it was made, and begin of the first hour. [ms since 1970, UTC]
    series : mapping of str to ndarray, shape (hour,)
        Of the names in `FORECAST_LIMITS` and `dew_point_degc`: totals of the hour and means; NaN where not known.
    """

    issued_ms: int
    first_ms: int
    series: Mapping[str, FloatArray]

    @property
    def hours(self) -> int:
        """Number of hours it covers."""
        return int(self.series["rain_mm"].size)

    def of(self, name: str, start_ms: int, hours: int) -> FloatArray:
        """Return a series on the hours from `start_ms` on, NaN outside. [unit of the series]"""
        out = np.full(hours, np.nan)
        first = (start_ms - self.first_ms) // HOUR_MS
        begin, end = max(first, 0), min(first + hours, self.hours)
        if end > begin:
            out[begin - first : end - first] = self.series[name][begin:end]
        return out


def parse_forecast(text: str, place: Location, *, name: str = "forecast") -> WeatherForecast:
    """Read a weather forecast.

    Parameters
    ----------
    text : str
        CSV or JSON, see the module.
    place : Location
        Of the site. [deg], [deg], [m]
    name : str
        Of the file or address, for the faults.

    Returns
    -------
    WeatherForecast
        Reference evapotranspiration as given, else by FAO-56 from temperature, humidity, wind and sun, else by
        Hargreaves from the day's temperatures, else NaN.

    Raises
    ------
    ForecastFault
        With every fault.
    """
    if len(text) > MAX_CHARACTERS:
        raise ForecastFault([f"{name}: found {len(text)} characters, expected at most {MAX_CHARACTERS}"])
    read = _read_json if text.lstrip().startswith(("{", "[")) else _read_csv
    issued_text, columns, faults = read(text, name)
    if faults:
        raise ForecastFault(faults)
    issued = _moment(issued_text, f"{name}: issued", faults)
    times = [_moment(t, f"{name}: time {i + 1}", faults) for i, t in enumerate(columns.get("time", []))]
    faults += _column_faults(columns, name)
    values = {key: _numbers(columns[key], f"{name}: {key}", faults) for key in FORECAST_LIMITS if key in columns}
    if faults or issued is None:
        raise ForecastFault(faults)
    known = [t for t in times if t is not None]
    step_h = _step_h(known, name, faults)
    if step_h is None:
        raise ForecastFault(faults)
    faults += _absurd(values, step_h, name)
    if faults:
        raise ForecastFault(faults)
    return _hourly(round(issued.timestamp() * 1000), known[0], step_h, values, place)


def usable_faults(forecast: WeatherForecast, now_ms: int) -> list[str]:
    """Return why a forecast that could be read is of no use now; empty when it is.

    Parameters
    ----------
    forecast : WeatherForecast
    now_ms : int
        [ms since 1970, UTC]
    """
    age_h = (now_ms - forecast.issued_ms) / HOUR_MS
    faults = []
    if age_h > FORECAST_STALE_H:
        told = later("forecast: found it {hours:.0f} hours old, expected at most {most:.0f}")
        faults.append(say(told, hours=age_h, most=FORECAST_STALE_H))
    if age_h < -ISSUED_LEAD_H:
        told = later("forecast: found it issued {hours:.0f} hours from now, expected a time that has been")
        faults.append(say(told, hours=-age_h))
    end_ms = forecast.first_ms + forecast.hours * HOUR_MS
    if forecast.first_ms > now_ms:
        told = later("forecast: found its first step {hours:.0f} hours from now, expected one that has begun")
        faults.append(say(told, hours=(forecast.first_ms - now_ms) / HOUR_MS))
    elif end_ms < now_ms + LEAST_AHEAD_H * HOUR_MS:
        told = later("forecast: found {hours:.0f} hours to come, expected at least {least:.0f}")
        faults.append(say(told, hours=max((end_ms - now_ms) / HOUR_MS, 0.0), least=LEAST_AHEAD_H))
    return faults


def _read_json(text: str, name: str) -> tuple[str, dict[str, list[object]], list[str]]:
    try:
        table = json.loads(text)
    except (ValueError, RecursionError) as err:  # a number of thousands of digits is a ValueError
        return "", {}, [f"{name}: found no JSON ({err}), expected an object with issued, time and rain_mm"]
    if not isinstance(table, dict):
        return "", {}, [f"{name}: found a {type(table).__name__}, expected an object with issued, time and rain_mm"]
    columns = {key: value for key, value in table.items() if isinstance(value, list)}
    faults = [
        f"{name}: {key}: found {value!r:.60}, expected a list"
        for key, value in table.items()
        if key in (*FORECAST_LIMITS, "time") and not isinstance(value, list)
    ]
    return str(table.get("issued", "")), columns, faults


def _read_csv(text: str, name: str) -> tuple[str, dict[str, list[object]], list[str]]:
    issued, rows = "", []
    for line in text.splitlines():
        if line.startswith("#"):
            key, _, value = line[1:].partition("=")
            issued = value.strip() if key.strip() == "issued" else issued
        elif line.strip():
            rows.append(line)
    if not rows:
        return issued, {}, [f"{name}: found no rows, expected a header with time and rain_mm"]
    try:
        head, *body = list(csv.reader(io.StringIO("\n".join(rows)), strict=True))
    except csv.Error as err:
        return issued, {}, [f"{name}: found no CSV ({err}), expected fields with commas between them"]
    faults = [
        f"{name}: row {i + 1}: found {len(row)} fields, expected {len(head)} as in the header"
        for i, row in enumerate(body)
        if len(row) != len(head)
    ]
    if faults:
        return issued, {}, faults
    return issued, {key.strip(): [row[i].strip() for row in body] for i, key in enumerate(head)}, []


def _column_faults(columns: Mapping[str, list[object]], name: str) -> list[str]:
    faults = [
        f"{name}: {key}: found none, expected a column" for key in ("time", *NEEDED_COLUMNS) if key not in columns
    ]
    known = ("time", *FORECAST_LIMITS)
    for key in columns:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            faults.append(f"{name}: {key}: found an unknown column, expected {near[0] if near else ', '.join(known)}")
    lengths = {len(values) for values in columns.values()}
    if len(lengths) > 1:
        faults.append(f"{name}: found columns of {sorted(lengths)} values, expected all of one length")
    if lengths and max(lengths) > MAX_FORECAST_STEPS:
        faults.append(f"{name}: found {max(lengths)} steps, expected at most {MAX_FORECAST_STEPS}")
    return faults


def _moment(value: object, where: str, faults: list[str]) -> datetime | None:
    try:
        found = datetime.fromisoformat(str(value))
        if found.tzinfo is not None and 1990 <= found.year <= 2200:
            return found
    except ValueError:
        pass
    faults.append(f"{where}: found {value!r:.40}, expected a time such as 2030-05-01T06:00Z, with its offset")
    return None


def _numbers(values: Sequence[object], where: str, faults: list[str]) -> FloatArray:
    out = np.full(len(values), np.nan)
    for i, value in enumerate(values):
        if value is None or value == "":
            continue
        try:
            number = math.nan if isinstance(value, bool) else float(value)  # type: ignore[arg-type]
        except (TypeError, ValueError, OverflowError):
            number = math.nan
        if not math.isfinite(number):
            faults.append(f"{where} {i + 1}: found {value!r:.40}, expected a number or nothing")
        out[i] = number
    return out


def _step_h(times: Sequence[datetime], name: str, faults: list[str]) -> int | None:
    if len(times) < 2:
        faults.append(f"{name}: time: found {len(times)} steps, expected at least 2")
        return None
    hours = {(b - a) / timedelta(hours=1) for a, b in itertools.pairwise(times)}
    if len(hours) != 1 or next(iter(hours)) not in STEPS_H:
        found = ", ".join(f"{h:g}" for h in sorted(hours)[:4])
        faults.append(f"{name}: time: found steps of {found} hours, expected equal ones of 1, 3, 6, 12 or 24. "
                      "Give times in UTC: clocks are put forward and back.")  # fmt: skip
        return None
    if times[0].timestamp() % 3600:
        faults.append(f"{name}: time: found a first step at {times[0].isoformat()}, expected a whole hour of UTC")
        return None
    return int(next(iter(hours)))


def _absurd(values: Mapping[str, FloatArray], step_h: int, name: str) -> list[str]:
    faults = []
    for key, series in values.items():
        low, high = FORECAST_LIMITS[key]
        if key in TOTALS:
            low, high = low * step_h, min(high * step_h, DAY_TOTAL_LIMITS[key])
        for i in np.flatnonzero((series < low) | (series > high)).tolist():
            faults.append(f"{name}: {key} {i + 1}: found {series[i]:g}, expected {low:g} to {high:g} in {step_h} h")
        if key in NEEDED_COLUMNS and np.isnan(series).any():
            faults.append(f"{name}: {key}: found {int(np.isnan(series).sum())} steps without it, expected none")
        if key in DAY_TOTAL_LIMITS and not np.isnan(series).all():
            per_day = max(24 // step_h, 1)
            sums = np.convolve(np.nan_to_num(series), np.ones(per_day))
            if sums.max() > DAY_TOTAL_LIMITS[key] and not faults:
                faults.append(
                    f"{name}: {key}: found {sums.max():.0f} within a day, expected at most {DAY_TOTAL_LIMITS[key]:g}"
                )
    degrees = values.get("temperature_degc")
    if degrees is not None and step_h == 1 and np.nanmax(np.abs(np.diff(degrees)), initial=0.0) > LARGEST_STEP_DEGC:
        faults.append(f"{name}: temperature_degc: found a leap of more than {LARGEST_STEP_DEGC:g} degC in an hour")
    return faults


def _hourly(
    issued_ms: int, first: datetime, step_h: int, values: Mapping[str, FloatArray], place: Location
) -> WeatherForecast:
    first_ms = round(first.timestamp() * 1000)
    count = values["rain_mm"].size * step_h
    blank = np.full(count, np.nan)
    series = {name: np.repeat(values[name], step_h) if name in values else blank for name in FORECAST_LIMITS}
    series["rain_mm"] = series["rain_mm"] / step_h
    if "temperature_degc" in values and step_h > 1 and values["temperature_degc"].size > 1:
        middles = (np.arange(values["temperature_degc"].size) + 0.5) * step_h
        series["temperature_degc"] = np.interp(np.arange(count) + 0.5, middles, values["temperature_degc"])
    demand = hourly_demand_mm(
        first_ms, series["temperature_degc"], series["relative_humidity_percent"], series["wind_m_s"],
        series["solar_w_m2"], place,
    )  # fmt: skip
    if "reference_et_mm" in values:
        share = daylight_share(first_ms, count, step_h, place)
        given = series["reference_et_mm"] * share
        demand = np.where(np.isfinite(given), given, demand)
    series["reference_et_mm"] = demand
    series["dew_point_degc"] = dewpoint_from_humidity_degc(
        series["temperature_degc"], np.maximum(series["relative_humidity_percent"], 1.0)
    )
    return WeatherForecast(issued_ms, first_ms, series)


FORECAST_NAME = "forecast"


def weather_source(
    location: str,
    folder: Path,
    *,
    place: Location,
    clock: Clock,
    redirect_hosts: Collection[str] = (),
) -> KeptSource[WeatherForecast]:
    """Return the source of a site's forecast.

    Parameters
    ----------
    location : str
        Path or address of a CSV or JSON text, see `forecast_file`.
    folder : Path
        Where the last good one is kept.
    place : Location
        Of the site. [deg], [deg], [m]
    clock : Clock
    redirect_hosts : collection of str
        Hosts beside its own that the address may refer to.
    """

    def reader(data: bytes) -> WeatherForecast:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as err:
            raise ForecastFault(
                [f"{FORECAST_NAME}: found no UTF-8 text (byte {err.start}), expected CSV or JSON"]
            ) from err
        return parse_forecast(text, place, name=FORECAST_NAME)

    return KeptSource(FORECAST_NAME, location, folder, reader=reader, clock=clock, redirect_hosts=redirect_hosts)
