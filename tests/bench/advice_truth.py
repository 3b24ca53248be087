"""When a pass could truly be made: the bounds of the treatment table held against simulated ground, hour by hour.

Written apart from the advice: the table's rows are read, nothing else of the advice is asked. Weather to come is known
here, so a frost within three weeks is one that came and growth to come is what grew. Locks, diary (interval, lead time)
and what only eyes see are left out. Bounds of wetness may be widened.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.advice.conditions import Row
from pipeline.soil.layers import MEDIA
from tests.bench.advice_ground import DAY_MS, HOUR_MS, Season, Truth

Array = NDArray[np.float64]
Open = NDArray[np.bool_]

GROWTH_ENDS = 0.1  # 7-day mean growth potential
GROWTH_RESTS_D = 28  # over which it then stays below on the mean
CLAYS = tuple(name for name in MEDIA if "clay" in name)
LEAF_WET_MM = 0.05
NOT_ASKED = frozenset(
    {"firmness", "tug", "disease", "disease_in_wet", "days_since_wilt", "lead_time", "interval", "times_this_year",
     "interval_strong_growth", "frost_chance", "thatch_wetness_no_water", "root_zone_wetness_no_water",
     "rain_ahead_no_water"}
)  # fmt: skip
# Of seed that nobody plays on before winter: only the seedbed decides.
WARNS_OF_SEED = frozenset(
    {"growth_now", "growth_to_come", "surface_minimum_back", "surface_minimum_ahead", "frost_chance"}
)
HEALS_OUT_OF_GROWTH = ("solid_tining", "slitting")


@dataclass(frozen=True)
class Facts:
    """What a season's keeper knows of the place and writes down: grass and soil, and whether no probe of his is set to
    read the thatch, so that he feels it before a pass."""

    grass: str
    clay: bool
    kind: str
    thatch_by_eye: bool = False

    @classmethod
    def of(cls, season: Season) -> Facts:
        """Of a season."""
        grass = "warm" if season.plan.turf.grass.hold_above_best else "cool"
        return cls(grass, str(season.plan.facts["soil"]) in CLAYS, season.scenario.surfaces[0].kind)


def potential(temperature_degc: Array, grass: str) -> Array:
    """Growth of days by their mean temperature, 0 to 1 (Gelernter & Stowell 2005, as the simulator grows its grass)."""
    best, spread = (20.0, 5.5) if grass == "cool" else (31.0, 7.0)
    gap = temperature_degc - best
    if grass == "warm":
        gap = np.minimum(gap, 0.0)
    return np.exp(-0.5 * (gap / spread) ** 2)


@dataclass(frozen=True)
class Windows:
    """Everything a season's truth is asked for, worked out once."""

    truth: Truth
    facts: Facts

    @cached_property
    def daily_degc(self) -> Array:
        """Mean air of whole days from the start to the horizon. [degC]"""
        whole = self.truth.air_degc.size // 24 * 24
        return self.truth.air_degc[:whole].reshape(-1, 24).mean(axis=1)

    @cached_property
    def growth(self) -> Array:
        """Potential of the same days. [1]"""
        return potential(self.daily_degc, self.facts.grass)

    @cached_property
    def growth_mean(self) -> Array:
        """Mean of the 7 days before each hour of the season; NaN in the first week. [1]"""
        return _trailing(np.repeat(self.growth, 24), 168)[: self.truth.hours]

    @cached_property
    def growth_end_day(self) -> NDArray[np.int64]:
        """For each day of the season the number of the day on which growth, once under way, has ended."""
        week = np.convolve(self.growth, np.full(7, 1.0 / 7.0))[6 : self.growth.size]  # of days k to k + 6
        total = np.concatenate([[0.0], np.cumsum(self.growth)])
        day = np.arange(7, self.growth.size)  # from which on growth may have ended
        until = np.minimum(day + GROWTH_RESTS_D, self.growth.size)
        rests = total[until] - total[day] < GROWTH_ENDS * (until - day)
        ends = day[(week[1:] < GROWTH_ENDS) & (week[:-1] >= GROWTH_ENDS) & rests]
        days = self.truth.hours // 24
        never = np.array([self.growth.size - 1])
        ends = np.concatenate([ends, never])
        return ends[np.searchsorted(ends, np.arange(days), side="left")]

    @cached_property
    def growth_to_come(self) -> Array:
        """Growth-days from each hour until growth ends, for a year at most."""
        total = np.concatenate([[0.0], np.cumsum(self.growth)])
        hour = np.arange(self.truth.hours)
        end = np.minimum(self.growth_end_day[hour // 24], hour // 24 + 365)
        return total[end] - np.interp(hour / 24.0, np.arange(total.size), total)

    @cached_property
    def frost_in_days(self) -> Array:
        """Days until the next frost of an autumn (July to December). [d]"""
        month = (np.arange(self.daily_degc.size) * DAY_MS + self.truth.start_ms).astype("datetime64[ms]")
        month = month.astype("datetime64[M]").astype(int) % 12 + 1
        low = self.truth.surface_degc[: self.daily_degc.size * 24].reshape(-1, 24).min(axis=1)
        days = np.append(np.flatnonzero((low < 0.5) & (month >= 7)), 10_000)
        hour = np.arange(self.truth.hours) / 24.0
        return days[np.searchsorted(days, hour)] - hour

    def values(self, condition: str, row: Row) -> Array:
        """What a condition is truly worth in each hour of the season."""
        truth, hours = self.truth, self.truth.hours
        measures: Mapping[str, Callable[[], Array]] = {
            "thatch_wetness": lambda: truth.thatch_wetness,
            "root_zone_wetness": lambda: truth.root_zone_wetness,
            "root_zone_wetness_clay": lambda: truth.root_zone_wetness,
            "leaf_wetness": self._leaf,
            "ground_top_temperature": lambda: truth.top_degc,
            "ground_depth_temperature": lambda: truth.cut_degc,
            "surface_temperature": lambda: truth.surface_degc[:hours],
            "surface_minimum_back": lambda: _lowest(truth.surface_degc, row.window_h, back=True)[:hours],
            "surface_minimum_ahead": lambda: _lowest(truth.surface_degc, row.window_h)[:hours],
            "hard_frost_ahead": lambda: _lowest(truth.surface_degc, row.window_h)[:hours],
            "soil_temperature_cool": lambda: _trailing(truth.soil_degc, row.window_h, now=True),
            "soil_temperature_warm": lambda: _trailing(truth.soil_degc, row.window_h, now=True),
            "seedbed_temperature": lambda: self._seedbed(row.window_h // 24),
            "air_heat_ahead_cool": lambda: _highest(truth.air_degc, row.window_h)[:hours],
            "leaf_heat_ahead_cool": lambda: _highest(truth.surface_degc, row.window_h)[:hours],
            "soil_temperature_change_warm": lambda: self._change(row.window_h),
            "growth_now": lambda: self.growth_mean,
            "growth_to_come": lambda: self.growth_to_come,
            "days_to_frost_warm": lambda: self.frost_in_days,
            **dict.fromkeys(
                ("rain_working", "rain_on_day", "rain_next_day", "rain_ahead"),
                lambda: _ahead(truth.rain_mm, row.window_h)[:hours],
            ),
        }
        return measures[condition]()

    def _leaf(self) -> Array:
        truth, hours = self.truth, self.truth.hours
        dew = truth.surface_degc[:hours] <= truth.dew_degc[:hours]
        return np.where(truth.canopy_mm > LEAF_WET_MM, 2.0, np.where(dew, 1.0, 0.0))

    @cached_property
    def soil_by_day(self) -> Array:
        """Soil at 50 mm of whole days; past the season as far above the air as in its last week. [degC]"""
        days = self.truth.hours // 24
        own = self.truth.soil_degc[: days * 24].reshape(-1, 24).mean(axis=1)
        above = float((own - self.daily_degc[:days])[-7:].mean())
        return np.concatenate([own, self.daily_degc[days:] + above])

    def _seedbed(self, days: int) -> Array:
        lowest = np.lib.stride_tricks.sliding_window_view(self.soil_by_day, days).min(axis=1)
        return np.repeat(lowest, 24)[: self.truth.hours]

    def _change(self, window_h: int) -> Array:
        day = _trailing(self.truth.soil_degc, 24, now=True)
        return day - np.concatenate([np.full(window_h, np.nan), day])[: day.size]

    def asked(self, kind: str, rows: Mapping[str, Row]) -> dict[str, Open]:
        """Which conditions are asked of a pass, and in which hours."""
        found = {}
        for name in rows:
            by_grass = name.endswith(("_cool", "_warm")) and not name.endswith(self.facts.grass)
            by_eye = self.facts.thatch_by_eye and name.startswith("thatch_")
            by_seed = name in WARNS_OF_SEED and "seedbed_temperature" in rows
            if (
                name in NOT_ASKED
                or by_seed
                or by_grass
                or by_eye
                or (name == "root_zone_wetness_clay" and not self.facts.clay)
            ):
                continue
            hours = np.ones(self.truth.hours, dtype=np.bool_)
            if name == "growth_to_come" and kind in HEALS_OUT_OF_GROWTH:
                hours = ~(self.growth_mean < GROWTH_ENDS)
            found[name] = hours
        return found

    def open(self, kind: str, rows: Mapping[str, Row], *, widened: float = 0.0) -> Open:
        """In which hours of the season a pass could truly be made. Shape (hour,)

        Parameters
        ----------
        kind : str
        rows : mapping of condition to Row
        widened : float
            By how much the open range of relative wetness reaches further, either way. [1]
        """
        good = np.ones(self.truth.hours, dtype=np.bool_)
        for name, hours in self.asked(kind, rows).items():
            by = widened if "wetness" in name and name != "leaf_wetness" else 0.0
            good &= ~hours | self.within(name, rows[name], by)
        return good

    def within(self, name: str, row: Row, widened: float = 0.0) -> Open:
        """In which hours one condition lies in its open range."""
        value = self.values(name, row)
        return (value >= row.bounds.open_lo - widened - 1e-9) & (value <= row.bounds.open_hi + widened + 1e-9)


def _ahead(values: Array, hours: int) -> Array:
    """Sum over so many hours from each on."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    return total[hours:] - total[:-hours]


def _trailing(values: Array, hours: int, *, now: bool = False) -> Array:
    """Mean of so many hours before each, or up to and with it; NaN where there are not so many."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    mean = (total[hours:] - total[:-hours]) / hours
    return np.concatenate([np.full(hours - 1 if now else hours, np.nan), mean])[: values.size]


def _lowest(values: Array, hours: int, *, back: bool = False) -> Array:
    """Lowest of so many hours from each on, or up to and with it."""
    pad = np.full(hours - 1, np.nan)
    longer = np.concatenate([pad, values] if back else [values, pad])
    return np.lib.stride_tricks.sliding_window_view(longer, hours).min(axis=1)


def _highest(values: Array, hours: int) -> Array:
    """Highest from a day before each hour to so many from it on."""
    longer = np.concatenate([np.full(24, -np.inf), values, np.full(hours - 1, -np.inf)])
    return np.lib.stride_tricks.sliding_window_view(longer, 24 + hours).max(axis=1)


def last_good_day(windows: Windows, from_day: int, need: float, until_day: int) -> int | None:
    """The last day, counted from the season's start, after which so many growth-days still come before a day; None
    when it is too late on `from_day` already."""
    total = np.concatenate([[0.0], np.cumsum(windows.growth)])
    days = np.arange(from_day, until_day)
    good = days[total[until_day] - total[days + 1] >= need]
    return int(good[-1]) if good.size else None


def last_sowing_day(windows: Windows, from_day: int, days: int, warm_degc: float) -> int | None:
    """The last day, counted from the season's start, up to which the soil of so many days from it on stays so warm that
    seed comes up; None when it is too cold on `from_day` already. [degC]"""
    lowest = np.lib.stride_tricks.sliding_window_view(windows.soil_by_day[from_day:], days).min(axis=1)
    cold = np.flatnonzero(lowest < warm_degc)
    end = int(cold[0]) if cold.size else lowest.size
    return None if end == 0 else from_day + end - 1


def work_hours(truth: Truth, first_h: int = 7, last_h: int = 19) -> Open:
    """Hours of the season in which people work, by the sun's clock of UTC sites. Shape (hour,)"""
    hour = truth.at_ms % DAY_MS // HOUR_MS
    return (hour >= first_h) & (hour < last_h)
