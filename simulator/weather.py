"""Weather for the simulated ground: drawn from a climate by a seed or handed over as a record, hourly or finer.

Days come first (rain by a two-state Markov chain with gamma amounts, after Richardson 1981, Water Resour. Res. 17,
182-190; temperature, clearness, dew point and wind about monthly means), then storms and the course of the day. The
same climate, start, length, seed and step give the same bytes. Time is UTC.
"""

from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from simulator.climates import ClimateType
from simulator.reference_et import (
    extraterrestrial_w_m2,
    reference_et_mm_h,
    saturation_vapour_pressure_kpa,
    solar_hour,
    surface_temperature_degc,
)
from simulator.units import DAY_S, HOUR_S, FloatArray

LEAST_RAIN_MM = 0.2  # a wet day has at least this: the usual threshold of a rain day
GREATEST_RATE_MM_H = 90.0  # mean over one storm (ours): heavier ones are drawn out
GAMMA_SHAPE = 0.75  # of daily amounts; 0.6-0.9 is usual (Richardson & Wright 1984, from memory)


@dataclass(frozen=True)
class Weather:
    """What the sky did, step by step; each value is the total or mean of the step that begins at its time."""

    start: datetime  # aware, UTC
    step_s: int
    rain_mm: FloatArray
    temperature_degc: FloatArray
    vapour_pressure_kpa: FloatArray
    wind_m_s: FloatArray
    solar_w_m2: FloatArray
    reference_et_mm: FloatArray
    surface_temperature_degc: FloatArray
    latitude_deg: float
    longitude_deg: float
    elevation_m: float

    @property
    def count(self) -> int:
        """Number of steps."""
        return int(self.rain_mm.size)

    @property
    def relative_humidity_percent(self) -> FloatArray:
        """[%]"""
        return np.minimum(
            100.0 * self.vapour_pressure_kpa / saturation_vapour_pressure_kpa(self.temperature_degc), 100.0
        )


def calendar(start: datetime, count: int, step_s: int) -> tuple[FloatArray, FloatArray]:
    """Return the day of year and UTC hour at the middle of each step."""
    first = datetime(start.year, 1, 1, tzinfo=UTC)
    seconds = (start - first).total_seconds() + step_s * (np.arange(count) + 0.5)
    return np.floor(seconds / DAY_S) % 365.25 + 1.0, seconds / HOUR_S % 24.0


def recorded(
    start: datetime,
    step_s: int,
    *,
    rain_mm: FloatArray,
    temperature_degc: FloatArray,
    vapour_pressure_kpa: FloatArray,
    wind_m_s: FloatArray,
    solar_w_m2: FloatArray,
    latitude_deg: float,
    elevation_m: float,
    longitude_deg: float = 0.0,
) -> Weather:
    """Return weather made of series, with its FAO-56 reference evapotranspiration.

    Parameters
    ----------
    start : datetime
        Aware; begin of the first step.
    step_s : int
        Divides a day. [s]
    rain_mm, temperature_degc, vapour_pressure_kpa, wind_m_s, solar_w_m2 : ndarray, shape (step,)
        No gaps.

    Raises
    ------
    ValueError
        Naming the series that is not finite, or not as long as the rain.
    """
    if DAY_S % step_s != 0:
        raise ValueError(f"step_s: found {step_s}, expected a divisor of {DAY_S}")
    series = {"rain_mm": rain_mm, "temperature_degc": temperature_degc, "vapour_pressure_kpa": vapour_pressure_kpa}
    series |= {"wind_m_s": wind_m_s, "solar_w_m2": solar_w_m2}
    for name, values in series.items():
        if values.shape != rain_mm.shape or not np.isfinite(values).all():
            bad = int((~np.isfinite(values)).sum())
            raise ValueError(f"{name}: found shape {values.shape} with {bad} gaps, expected {rain_mm.shape} and none")
    day, hour = calendar(start, rain_mm.size, step_s)
    length_h = step_s / HOUR_S
    above, _ = extraterrestrial_w_m2(
        day, solar_hour(hour, day, longitude_deg), latitude_deg=latitude_deg, length_h=length_h
    )
    night = _night_clearness(solar_w_m2, (0.75 + 2e-5 * elevation_m) * above)
    demand, net = reference_et_mm_h(
        temperature_degc,
        vapour_pressure_kpa,
        wind_m_s,
        solar_w_m2,
        above,
        elevation_m=elevation_m,
        night_clearness=night,
    )
    surface = surface_temperature_degc(temperature_degc, wind_m_s, net, elevation_m=elevation_m)
    return Weather(
        start, step_s, rain_mm, temperature_degc, vapour_pressure_kpa, wind_m_s, solar_w_m2, demand * length_h, surface,
        latitude_deg, longitude_deg, elevation_m,
    )  # fmt: skip


def _night_clearness(solar: FloatArray, clear: FloatArray) -> FloatArray:
    """Clearness of the last bright step, carried through the night (FAO-56, p. 75)."""
    bright = clear > 100.0
    index = np.maximum.accumulate(np.where(bright, np.arange(solar.size), -1))
    ratio = np.where(bright, np.clip(solar / np.where(bright, clear, 1.0), 0.3, 1.0), 0.7)
    return np.where(index >= 0, ratio[np.maximum(index, 0)], 0.7)


@dataclass(frozen=True)
class _Days:
    rain_mm: FloatArray
    highest_degc: FloatArray
    lowest_degc: FloatArray
    clearness: FloatArray
    dew_degc: FloatArray
    wind_m_s: FloatArray
    storm_h: FloatArray


def _of_the_season(months: tuple[float, ...], day_of_year: FloatArray) -> FloatArray:
    """Monthly means drawn out to days: straight lines between mid-months, round the year."""
    middle = (np.arange(-1, 13) + 0.5) * 365.25 / 12.0
    mean: FloatArray = np.interp(day_of_year, middle, np.array(months)[np.arange(-1, 13) % 12])
    return mean


def _draw_days(climate: ClimateType, day: FloatArray, rng: np.random.Generator) -> _Days:
    days_in_month = 365.25 / 12.0
    share = np.clip(_of_the_season(climate.wet_days, day) / days_in_month, 0.0, 0.97)
    mean = _of_the_season(climate.rain_mm, day) / np.maximum(share * days_in_month, 1e-6)
    draws, residual, sky = rng.random(day.size), rng.standard_normal((day.size, 2)), rng.standard_normal(day.size)
    wet = np.zeros(day.size, dtype=bool)
    drift = np.zeros((day.size, 2))
    for i in range(day.size):
        before = float(wet[i - 1]) if i else share[i]
        chance = share[i] + climate.persistence * (before - share[i])
        wet[i] = draws[i] < chance
        drift[i] = (0.65 * drift[i - 1] if i else 0.0) + np.sqrt(1.0 - 0.65**2) * residual[i]
    amount = LEAST_RAIN_MM + rng.gamma(GAMMA_SHAPE, np.maximum(mean - LEAST_RAIN_MM, 0.1) / GAMMA_SHAPE)
    # wet days are duller and of smaller range; the shift is shared out so that the monthly mean stays
    dull = np.where(wet, -(1.0 - share), share)
    highest = _of_the_season(climate.highest_degc, day) + 2.0 * dull + climate.temperature_spread_degc * drift[:, 0]
    common = 0.7 * drift[:, 0] + 0.7 * drift[:, 1]
    lowest = _of_the_season(climate.lowest_degc, day) - 1.5 * dull + 0.9 * climate.temperature_spread_degc * common
    lowest = np.minimum(lowest, highest - 1.0)
    clearness = np.where(wet, climate.clearness_wet, climate.clearness_dry) * np.exp(0.18 * sky)
    gap = np.where(wet, 0.0, _of_the_season(climate.dew_gap_degc, day) * np.exp(0.3 * rng.standard_normal(day.size)))
    wind = _of_the_season(climate.wind_m_s, day) * rng.gamma(5.0, 1.0 / 5.0, day.size)
    return _Days(
        np.where(wet, amount, 0.0), highest, lowest, np.clip(clearness, 0.08, 0.76), lowest - gap,
        np.clip(wind, 0.3, 12.0), _of_the_season(climate.storm_h, day),
    )  # fmt: skip


def _spread_rain(days: _Days, count: int, step_s: int, rng: np.random.Generator) -> FloatArray:
    """Split each wet day into storms whose rate rises and falls; bins get exactly what falls in them."""
    fallen = np.zeros(count)
    edges_h = np.arange(count + 1) * step_s / HOUR_S
    for i in np.flatnonzero(days.rain_mm > 0.0):
        number = 1 + int(rng.poisson(0.6))
        parts = rng.dirichlet(np.full(number, 1.5)) * days.rain_mm[i]
        for part in parts:
            length = float(np.clip(rng.exponential(days.storm_h[i]), 0.25, 12.0))
            length = max(length, part / GREATEST_RATE_MM_H)
            begin = 24.0 * i + (
                rng.normal(15.5, 2.5) if rng.random() < 1.2 / (1.0 + days.storm_h[i]) else rng.uniform(0, 24)
            )
            begin = min(max(begin, 0.0), 24.0 * days.rain_mm.size - length)
            peak = float(rng.uniform(0.2, 0.6))
            first = int(begin * HOUR_S / step_s)
            last = min(int((begin + length) * HOUR_S / step_s) + 1, count)
            x = np.clip((edges_h[first : last + 1] - begin) / length, 0.0, 1.0)
            # share fallen by x of a triangle with its peak at `peak`
            rising = x * x / peak
            total = np.where(x < peak, rising, 1.0 - (1.0 - x) ** 2 / (1.0 - peak))
            fallen[first:last] += part * np.diff(total)
    return fallen


def _course_of_temperature(days: _Days, count: int, step_s: int) -> FloatArray:
    """Cosine from the least at 5 h to the greatest at 14 h solar time and down to the next day's least."""
    hour = (np.arange(count) + 0.5) * step_s / HOUR_S
    length = days.highest_degc.size
    times = np.empty(2 * length + 2)
    values = np.empty(2 * length + 2)
    times[1:-1:2], values[1:-1:2] = 24.0 * np.arange(length) + 5.0, days.lowest_degc
    times[2:-1:2], values[2:-1:2] = 24.0 * np.arange(length) + 14.0, days.highest_degc
    times[0], values[0] = -10.0, days.highest_degc[0]
    times[-1], values[-1] = 24.0 * length + 5.0, days.lowest_degc[-1]
    place = np.clip(np.searchsorted(times, hour, side="right") - 1, 0, times.size - 2)
    share = (hour - times[place]) / (times[place + 1] - times[place])
    return values[place] + (values[place + 1] - values[place]) * 0.5 * (1.0 - np.cos(np.pi * share))


def generate(climate: ClimateType, start: datetime, days: int, *, seed: int, step_s: int = HOUR_S) -> Weather:
    """Draw weather from a climate.

    Parameters
    ----------
    climate : ClimateType
    start : datetime
        Aware, midnight UTC.
    days : int
        At least 1.
    seed : int
        Same seed, same bytes; the days are the same whatever the step.
    step_s : int
        3600 or 900, or any divisor of an hour. [s]

    Returns
    -------
    Weather

    Raises
    ------
    ValueError
        Where the step does not divide an hour, or the start is not a midnight.
    """
    if step_s <= 0 or HOUR_S % step_s != 0:
        raise ValueError(f"step_s: found {step_s}, expected a divisor of {HOUR_S}")
    if (
        start.tzinfo is None
        or start.utcoffset() != timedelta(0)
        or (start.hour, start.minute, start.second) != (0, 0, 0)
    ):
        raise ValueError(f"start: found {start.isoformat()}, expected a midnight in UTC")
    rng = np.random.default_rng(seed)
    count = days * DAY_S // step_s
    day_of_year, _ = calendar(start, days, DAY_S)
    drawn = _draw_days(climate, day_of_year, rng)
    rain = _spread_rain(drawn, count, step_s, rng)
    day, hour = calendar(start, count, step_s)
    solar_time = solar_hour(hour, day, climate.longitude_deg)
    above, _ = extraterrestrial_w_m2(day, solar_time, latitude_deg=climate.latitude_deg, length_h=step_s / HOUR_S)
    index = np.minimum(np.arange(count) * step_s // DAY_S, days - 1)
    temperature = _course_of_temperature(drawn, count, step_s)
    vapour = np.minimum(
        saturation_vapour_pressure_kpa(drawn.dew_degc[index]), saturation_vapour_pressure_kpa(temperature)
    )
    breeze = 1.0 + 0.45 * np.cos(2.0 * np.pi * (hour - 14.0) / 24.0)
    return recorded(
        start, step_s,
        rain_mm=rain, temperature_degc=temperature, vapour_pressure_kpa=vapour,
        wind_m_s=drawn.wind_m_s[index] * breeze, solar_w_m2=above * drawn.clearness[index],
        latitude_deg=climate.latitude_deg, elevation_m=climate.elevation_m, longitude_deg=climate.longitude_deg,
    )  # fmt: skip


def between(weather: Weather, first_day: float, last_day: float) -> Weather:
    """Return the part of a weather from `first_day` up to `last_day`, counted from its start."""
    span = _steps(weather, first_day, last_day)
    series = {
        field.name: getattr(weather, field.name)[span]
        for field in fields(Weather)
        if isinstance(getattr(weather, field.name), np.ndarray)
    }
    return replace(weather, start=weather.start + timedelta(seconds=span.start * weather.step_s), **series)


def _steps(weather: Weather, first_day: float, last_day: float) -> slice:
    per_day = DAY_S // weather.step_s
    return slice(round(first_day * per_day), round(last_day * per_day))


def without_rain(weather: Weather, first_day: float, last_day: float) -> Weather:
    """Return the same weather with no rain from `first_day` up to `last_day`, counted from its start."""
    rain = weather.rain_mm.copy()
    rain[_steps(weather, first_day, last_day)] = 0.0
    return replace(weather, rain_mm=rain)


def with_storm(weather: Weather, day: float, depth_mm: float, duration_h: float) -> Weather:
    """Return the same weather with an even storm of `depth_mm` over `duration_h` from `day` added."""
    rain = weather.rain_mm.copy()
    span = _steps(weather, day, day + duration_h / 24.0)
    if span.stop <= span.start or span.stop > rain.size:
        raise ValueError(f"storm on day {day}: found {duration_h} h, expected at least one step inside the weather")
    rain[span] += depth_mm / (span.stop - span.start)
    return replace(weather, rain_mm=rain)


def warmer(weather: Weather, first_day: float, last_day: float, by_degc: float) -> Weather:
    """Return the same weather warmer (or colder, below 0) over a span; vapour stays below saturation."""
    temperature, span = weather.temperature_degc.copy(), _steps(weather, first_day, last_day)
    temperature[span] += by_degc
    vapour = np.minimum(weather.vapour_pressure_kpa, saturation_vapour_pressure_kpa(temperature))
    return recorded(
        weather.start, weather.step_s,
        rain_mm=weather.rain_mm, temperature_degc=temperature, vapour_pressure_kpa=vapour,
        wind_m_s=weather.wind_m_s, solar_w_m2=weather.solar_w_m2,
        latitude_deg=weather.latitude_deg, elevation_m=weather.elevation_m, longitude_deg=weather.longitude_deg,
    )  # fmt: skip
