"""The conditions a pass is judged by: their names, who knows them, and the words a groundsman is told.

A table and nothing more. What the conditions are worth at a time is worked out in `pipeline.advice.condition_values`,
which values are good enough stands in treatments.csv, and neither is decided here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, IntEnum
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from pipeline.site.models import Bounds
from pipeline.units import FloatArray

VerdictArray = npt.NDArray[np.int8]

EDGE_SLACK = 1e-9  # sums of binary fractions must not push a value over an edge it lies on


class Verdict(IntEnum):
    """Whether the work may be done. The numbers are names, not an order; see `worse`."""

    OPEN = 0
    WAIT = 1
    CLOSED = 2
    UNKNOWN = 3


_RANK = np.array([0, 1, 3, 2], dtype=np.int8)  # what is not known stands between waiting and closed


def judge(value: float | None, bounds: Bounds) -> Verdict:
    """Verdict on one value.

    Parameters
    ----------
    value : float or None
        In the unit of the condition; None or NaN when not known.
    bounds : Bounds

    Returns
    -------
    Verdict
    """
    return Verdict(int(judge_all(np.array([math.nan if value is None else value]), bounds)[0]))


def judge_all(values: FloatArray, bounds: Bounds) -> VerdictArray:
    """`judge` over an array of any shape; the numbers of `Verdict`."""
    slack = EDGE_SLACK * np.maximum(1.0, np.abs(np.where(np.isfinite(values), values, 0.0)))
    found = np.full(values.shape, Verdict.WAIT, dtype=np.int8)
    found[(values >= bounds.open_lo - slack) & (values <= bounds.open_hi + slack)] = Verdict.OPEN
    found[(values < bounds.closed_lo - slack) | (values > bounds.closed_hi + slack)] = Verdict.CLOSED
    found[np.isnan(values)] = Verdict.UNKNOWN
    return found


def worse(verdicts: VerdictArray) -> npt.NDArray[np.int8]:
    """Rank of verdicts, higher for worse: open, wait, cannot tell, closed."""
    return np.asarray(_RANK[verdicts], dtype=np.int8)


class Known(Enum):
    """Who knows what a condition is worth."""

    MEASURED = "measured"  # probes and weather, now and forecast
    PLANNED = "planned"  # diary, fixtures, growth to come
    SEEN = "seen"  # only a person can see it


class Rule(Enum):
    """When a condition is asked at all."""

    ALWAYS = "always"
    COOL = "cool-season grass"
    WARM = "warm-season grass"
    CLAY = "clay"
    NO_WATER = "no water to hand"
    STRONG_GROWTH = "growth above 0.7"
    RENOVATION = "autumn renovation"


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition.

    Attributes
    ----------
    name, unit : str
        As in the data file; unit in words, empty for a ratio.
    known : Known
    rule : Rule
    low, high : str
        What is said when the value lies below, or above, what is wanted.
    low_opens, high_opens : str
        What would open it then.
    check : str
        What to look for, of what only a person can see, or where no probe can.
    """

    name: str
    unit: str
    known: Known
    low: str
    high: str
    low_opens: str
    high_opens: str
    rule: Rule = Rule.ALWAYS
    check: str = ""


_M, _P, _S = Known.MEASURED, Known.PLANNED, Known.SEEN
_DRY_THATCH = ("thatch too dry", "thatch too wet", "water 24 to 48 hours ahead", "drying days")
_DRY_SOIL = ("soil too dry", "soil too wet", "a deep watering", "drying days")
_FELT = "thatch moist in the hand, neither dry nor soaked (no probe reads it)"
_COLD = ("soil too cold", "soil too warm", "warmer days", "cooler days")
_FROST = ("frost about", "no frost", "a thaw", "")

_TABLE = (
    Condition("firmness", "", _S, "", "the surface marks", "", "a firmer surface", check="no print or wheel mark"),
    Condition("tug", "", _S, "", "turf lifts when tugged", "", "roots that hold", check="turf holds against a tug"),
    Condition("disease", "", _S, "", "disease on the turf", "", "scars that have healed", check="no spreading patches"),
    Condition(
        "disease_in_wet", "", _S, "", "active disease in the wet", "", "a dry spell, or the disease gone",
        check="no smearing disease",
    ),
    Condition(
        "days_since_wilt", "days since wilt", _S, "the turf has wilted lately", "", "time to recover, and water", "",
        check="no wilt lately",
    ),
    Condition("thatch_wetness", "", _M, *_DRY_THATCH, check=_FELT),
    Condition(
        "thatch_wetness_no_water", "", _M, "thatch too dry and no water to put on", "", "rain, or water to hand", "",
        Rule.NO_WATER, _FELT,
    ),
    Condition("root_zone_wetness", "", _M, *_DRY_SOIL),
    Condition("root_zone_wetness_clay", "", _M, "clay too dry, slits would gape", "", "rain", "", Rule.CLAY),
    Condition(
        "root_zone_wetness_no_water", "", _M, "soil too dry and no water to put on", "", "rain, or water to hand", "",
        Rule.NO_WATER,
    ),
    Condition("leaf_wetness", "", _M, "", "leaf wet", "", "a dry leaf"),
    Condition("ground_top_temperature", "degC", _M, "ground frozen or thawing", "", "a thaw", ""),
    Condition("ground_depth_temperature", "degC", _M, "ground thawed at the top only", "", "a thaw right down", ""),
    Condition("surface_temperature", "degC", _M, "frost on the leaf", "", "a thaw", ""),
    Condition("surface_minimum_back", "degC", _M, "frost too short a time ago", "", "nights without frost", ""),
    Condition("soil_temperature_cool", "degC", _M, *_COLD, Rule.COOL),
    Condition("soil_temperature_warm", "degC", _M, *_COLD, Rule.WARM),
    Condition(
        "soil_temperature_change_warm", "K in a week", _M, "", "soil still warming", "", "falling soil temperature",
        Rule.WARM,
    ),
    Condition(
        "seedbed_temperature", "degC", _M, "soil will be too cold for the seed to come up", "", "warmer weeks", "",
        Rule.RENOVATION,
    ),
    Condition("rain_working", "mm", _M, "", "rain while at work", "", "a dry spell"),
    Condition("rain_on_day", "mm", _M, "", "rain on the day", "", "a drier day"),
    Condition("rain_next_day", "mm", _M, "", "rain heavy enough to wash it out", "", "a drier day"),
    Condition("rain_ahead", "mm", _M, "no rain coming", "too much rain coming", "rain, or watering", "drier days"),
    Condition(
        "rain_ahead_no_water", "mm", _M, "no rain coming and no water to put on", "", "rain, or water to hand", "",
        Rule.NO_WATER,
    ),
    Condition("surface_minimum_ahead", "degC", _M, "frost forecast", "", "a forecast without frost", ""),
    Condition("hard_frost_ahead", "degC", _M, "hard frost forecast", "", "a forecast without hard frost", ""),
    Condition("frost_chance", "", _M, "", "frost likely before it has healed", "", "a milder time of year"),
    Condition(
        "days_to_frost_warm", "days to first frost", _P, "too near the first frost", "", "next early summer", "",
        Rule.WARM,
    ),
    Condition("growth_now", "", _P, "growth too slow", "", "warmer weather", ""),
    Condition(
        "growth_to_come", "growth-days", _P, "not enough growth left to heal in time", "",
        "less depth, more seed, or a later date of play", "",
    ),
    Condition("lead_time", "days before play", _P, "too near the next fixture", "", "a longer gap in the fixtures", ""),
    Condition("interval", "days since the last", _P, "too soon after the last", "", "time", ""),
    Condition(
        "interval_strong_growth", "days since the last", _P, "too soon after the last", "", "time", "",
        Rule.STRONG_GROWTH,
    ),
    Condition("times_this_year", "done in a year", _P, "", "done often enough this year", "", "next year"),
)  # fmt: skip

CONDITIONS: Mapping[str, Condition] = MappingProxyType({c.name: c for c in _TABLE})
# In an autumn renovation these warn and do not decide; the seedbed does.
RENOVATION_WARNS = frozenset(
    {"growth_now", "growth_to_come", "surface_minimum_back", "surface_minimum_ahead", "frost_chance"}
)
RENOVATION_LEAVES_OUT = frozenset({"soil_temperature_cool", "soil_temperature_warm"})
