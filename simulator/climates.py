"""Four invented climates by monthly means, labelled by type, for `weather.generate`.

None is a place. The means are ours, chosen to look like their type.
"""

from dataclasses import dataclass

Months = tuple[float, ...]


@dataclass(frozen=True)
class ClimateType:
    """Monthly means and spreads of a climate, January first.

    `rain_mm` falls on `wet_days` days of at least 0.2 mm; `persistence` is the correlation of wet today with wet
    tomorrow; `storm_h` the mean length of one storm; `clearness_dry` and `clearness_wet` are solar over
    extraterrestrial radiation; `dew_gap_degc` is how far the dew point lies under the day's least temperature when
    dry; `temperature_spread_degc` is the standard deviation of a day about its mean and `wind_m_s` the mean at 2 m.
    """

    name: str
    latitude_deg: float
    elevation_m: float
    highest_degc: Months
    lowest_degc: Months
    rain_mm: Months
    wet_days: Months
    storm_h: Months
    dew_gap_degc: Months
    wind_m_s: Months
    clearness_dry: float = 0.58
    clearness_wet: float = 0.32
    temperature_spread_degc: float = 3.0
    persistence: float = 0.3
    longitude_deg: float = 0.0


CLIMATES: dict[str, ClimateType] = {
    climate.name: climate
    for climate in (
        ClimateType(
            "mild maritime", 52.0, 60.0,
            (8.0, 8.5, 11.0, 14.0, 17.0, 20.0, 22.5, 22.0, 19.0, 15.0, 11.0, 8.5),
            (2.5, 2.5, 3.5, 5.0, 8.0, 11.0, 13.0, 12.5, 10.5, 8.0, 5.0, 3.0),
            (62.0, 46.0, 46.0, 46.0, 50.0, 50.0, 48.0, 56.0, 56.0, 70.0, 66.0, 62.0),
            (14.0, 11.0, 12.0, 11.0, 11.0, 10.0, 9.5, 10.0, 10.0, 13.0, 14.0, 14.0),
            (4.5, 4.5, 4.0, 3.5, 2.5, 2.0, 1.7, 1.8, 2.5, 3.5, 4.0, 4.5),
            (0.0, 0.3, 0.8, 1.0, 1.0, 0.8, 0.8, 0.6, 0.3, 0.0, 0.0, 0.0),
            (3.4, 3.3, 3.2, 2.9, 2.7, 2.5, 2.4, 2.4, 2.5, 2.7, 2.9, 3.2),
            clearness_dry=0.54, clearness_wet=0.29, temperature_spread_degc=2.6, persistence=0.35,
        ),
        ClimateType(
            "continental", 45.0, 250.0,
            (-1.0, 1.0, 8.0, 15.0, 21.0, 26.0, 28.5, 27.5, 22.5, 15.0, 7.0, 1.0),
            (-9.0, -8.0, -3.0, 3.0, 9.0, 14.0, 16.5, 15.5, 10.5, 4.5, -1.0, -6.0),
            (30.0, 28.0, 40.0, 52.0, 75.0, 85.0, 76.0, 66.0, 52.0, 46.0, 40.0, 34.0),
            (8.0, 7.0, 8.0, 9.0, 11.0, 11.0, 9.0, 8.5, 7.5, 7.0, 8.0, 8.0),
            (5.0, 5.0, 4.0, 3.0, 2.0, 1.4, 1.1, 1.2, 2.0, 3.0, 4.0, 5.0),
            (1.0, 1.0, 1.2, 1.8, 1.6, 1.2, 1.0, 0.8, 0.8, 1.0, 1.0, 1.0),
            (3.0, 3.0, 3.2, 3.2, 2.8, 2.5, 2.2, 2.1, 2.3, 2.6, 2.9, 2.9),
            clearness_dry=0.60, clearness_wet=0.33, temperature_spread_degc=4.2,
        ),
        ClimateType(
            "semi-arid", 37.0, 400.0,
            (12.0, 14.0, 18.0, 22.0, 27.0, 32.0, 35.0, 34.5, 30.0, 24.0, 17.0, 13.0),
            (1.0, 2.0, 5.0, 8.0, 12.0, 17.0, 20.0, 19.5, 15.0, 10.0, 5.0, 2.0),
            (36.0, 33.0, 36.0, 35.0, 28.0, 12.0, 4.0, 6.0, 20.0, 34.0, 38.0, 38.0),
            (6.0, 5.5, 5.5, 5.0, 4.0, 2.0, 0.8, 1.0, 2.5, 4.0, 5.5, 6.0),
            (3.5, 3.5, 3.0, 2.0, 1.2, 0.8, 0.6, 0.7, 1.0, 2.0, 3.0, 3.5),
            (1.5, 2.0, 3.0, 3.5, 4.0, 5.0, 5.5, 5.0, 4.0, 3.0, 2.0, 1.5),
            (2.4, 2.6, 2.8, 2.9, 2.8, 2.7, 2.6, 2.5, 2.3, 2.2, 2.2, 2.3),
            clearness_dry=0.68, clearness_wet=0.40, temperature_spread_degc=3.0,
        ),
        ClimateType(
            "warm humid", 32.0, 80.0,
            (14.0, 16.0, 20.0, 24.0, 28.5, 32.0, 33.0, 32.5, 30.0, 25.0, 20.0, 15.5),
            (3.0, 4.5, 8.0, 12.0, 17.0, 21.0, 22.5, 22.0, 19.0, 12.5, 7.5, 4.0),
            (110.0, 110.0, 124.0, 100.0, 95.0, 116.0, 140.0, 120.0, 96.0, 76.0, 90.0, 106.0),
            (10.0, 9.0, 10.0, 8.0, 9.0, 11.0, 13.0, 11.0, 8.0, 6.5, 8.0, 10.0),
            (3.5, 3.2, 2.5, 2.0, 1.4, 1.0, 0.8, 0.8, 1.3, 2.0, 2.8, 3.4),
            (1.0, 1.0, 1.0, 1.0, 0.6, 0.4, 0.3, 0.3, 0.5, 0.8, 1.0, 1.0),
            (2.6, 2.7, 2.8, 2.6, 2.2, 1.9, 1.7, 1.6, 1.8, 1.9, 2.2, 2.4),
            clearness_dry=0.60, clearness_wet=0.36, temperature_spread_degc=3.2, persistence=0.25,
        ),
    )
}  # fmt: skip
