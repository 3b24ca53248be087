"""Tonight's water: how many millimetres, in how many goes, or none and why.

It weighs what the thatch will drink first, what the roots are short of, how far they may be let down, the rain to
come, the fixtures and the law on taking water, and can lengthen the interval day by day to draw roots down. Depths of
water count from the readings, so they are as good as the limits of the station. Nothing starts water.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.advice.phrases import sentence
from pipeline.forecast.wetness import in_ten
from pipeline.texts import later, say, say_many

# Readily available water of the root zone, share of what lies between drained and dry, by the grass: FAO-56 (Allen et
# al. 1998), Table 22, turf of the cool and of the warm season. The rest is common practice, no source.
READILY_AVAILABLE = {"cool": 0.40, "warm": 0.50}
# The table is for a crop that uses 5 mm a day; each millimetre less lets the roots take 0.04 more of it, within 0.1 and
# 0.8: the same table, footnote 1.
USUAL_DEMAND_MM, SHARE_PER_MM, LEAST_SHARE, MOST_SHARE = 5.0, 0.04, 0.1, 0.8
DEPLETION = {"tender": 0.35, "drawing roots": 0.65}
HARD_DEPLETION = 0.8  # rain is not waited for beyond it: our own choice
RAIN_LIKELY = 0.5  # chance from which rain is waited for: our own choice
RAIN_ENOUGH = 0.5  # of the need, that counts as rain that helps: our own choice
SEED_WETNESS = 0.7  # seedbeds stay between 0.5 and 1.0; below this they are watered lightly: our own choice
SEED_WAITS = 0.5  # a seedbed drier than this does not wait for rain: its lowest wetness
SEED_MOST_MM = 4.0  # a go on seed: our own choice
# Roots are filled up to this wetness: what is given above it is gone below them within a day (the simulator's grounds
# hold 0.8 to 0.9 of a whole fill on the next evening); our own choice, leaving room for rain is common practice.
REFILL_WETNESS = 0.9
WORTHWHILE_MM = 3.0  # less on established turf wets thatch and leaf only: common practice
MOST_MM = 25.0  # in one night: our own choice
EIGHT_IN_TEN = 1.28  # standard deviations on either side of the mean of a normal spread that hold eight in ten
RANGE_MM = 4.0  # a dose that is known to less than this is told as one figure: our own choice
AIR_OVER_LEAF_K = 0.5  # air so little above the frost bound of the leaf: frost is likely; our own choice
# Days before play on a strip of a square: up to the first its last deep water goes on (ten to twelve days ahead by the
# governing body's page on squares, from memory), then little, and from the second on none: common practice, no source.
DEEP_DAYS, DRY_DAYS = 10.0, 5.0
# What the ground takes in one go without running off, by soil: our own choice, from its conductivity when full.
GO_MM = {"sand": 15.0, "sandy_loam": 10.0, "loam": 8.0, "clay_loam": 6.0, "club_clay_loam": 4.0,
         "first_class_clay_loam": 3.0, "organic_topsoil": 8.0, "peat": 8.0}  # fmt: skip
MOST_GOES = 4
# Thatch that sheds is wetted by little goes: more in an hour runs off it: common practice, the figures our own choice.
SHEDS_GO_MM, SHEDS_MOST_GOES = 3.0, 8
# Seconds in which a drop soaks in, and what the ground is called from them on: Dekker & Jungerius 1990.
DROP_REPELS_S = 5.0
REPELLENCY = (
    (3600.0, later("extremely repellent")), (600.0, later("severely repellent")), (60.0, later("strongly repellent")),
    (DROP_REPELS_S, later("slightly repellent")), (0.0, later("not repellent")),
)  # fmt: skip
DROP_WETTED = 0.5  # thatch wetter than this takes water whatever a drop said of it when it was drier: our own choice
# So long before play the last water goes on, for its top to drain: common practice, no source; a loam longer than sand.
DRAINS_H = {"sand": 6.0, "sandy_loam": 12.0, "loam": 18.0, "clay_loam": 24.0, "club_clay_loam": 36.0,
            "first_class_clay_loam": 48.0}  # fmt: skip
USUAL_GO_MM, USUAL_DRAINS_H = GO_MM["loam"], DRAINS_H["loam"]  # of a soil that is not listed
# Volumes of a day above which taking water needs leave, as commonly told (AHDB 2019, Water licensing legislation for
# horticulture, and others). A caution, not the law: local rules decide.
ABSTRACTION_M3 = {
    "England": (20.0, later("needs a licence in England")),
    "Wales": (20.0, later("needs a licence in Wales")),
    "Scotland": (10.0, later("may need leave in Scotland")),
    "Northern Ireland": (10.0, later("may need leave in Northern Ireland")),
}


@dataclass(frozen=True, slots=True)
class WaterLimits:
    """Bounds that tonight's water shares with the alerts, from the settings.

    Attributes
    ----------
    frost_degc : float
        Leaf at or below it: frost. [degC]
    repels_wetness : float
        Thatch drier than this may repel water. [1]
    holds_wetness, roots_dry_wetness : float
        Thatch wetter than the first over roots drier than the second holds water back from them. [1]
    arrival_share : float
        Less of the last water at the roots than this: it stopped in the thatch. [1]
    """

    frost_degc: float
    repels_wetness: float
    holds_wetness: float
    roots_dry_wetness: float
    arrival_share: float


@dataclass(frozen=True, slots=True)
class Turf:
    """What is to be watered.

    Attributes
    ----------
    place : str
        In words, as a line begins: `Green, north rink`.
    soil : str
        Medium of the root zone, as configured.
    thatch_capacity_mm, root_capacity_mm : float
        Water between dry and drained limit; thatch 0 where there is none, roots down to where they are or are wanted.
        [mm]
    limits : WaterLimits
    canopy_mm : float
        Lost on the leaf. [mm] 0.5 to 2, common practice.
    bypass_share : float
        Of the water, what goes past the thatch by holes and cracks. [1]
    area_m2 : float or None
        Watered. [m2]
    grass : str
        "cool" or "warm".
    seed, green : bool
        Seedlings younger than 8 weeks; a fine green: both are let down less.
    country : str
        For the caution on taking water; empty when not given.
    drop_s : float or None
        In which a drop soaked into the last core; None where none was timed lately. [s]
    """

    place: str
    soil: str
    thatch_capacity_mm: float
    root_capacity_mm: float
    limits: WaterLimits
    canopy_mm: float = 1.0
    bypass_share: float = 0.0
    area_m2: float | None = None
    grass: str = "cool"
    seed: bool = False
    green: bool = False
    country: str = ""
    drop_s: float | None = None

    @property
    def go_mm(self) -> float:
        """What the ground takes in one go. [mm]"""
        return GO_MM.get(self.soil, USUAL_GO_MM)


@dataclass(frozen=True, slots=True)
class Evening:
    """What is known this evening; None where it is not.

    Attributes
    ----------
    thatch_wetness, root_wetness : float or None
        Relative. [1] Thatch None where there is none, too.
    demand_tomorrow_mm : float or None
        What the turf will use up to tomorrow evening. [mm]
    rain_mm : sequence of float
        Rain by tomorrow evening, one figure for each way the weather may go, see `WeatherAhead.rain_within`; empty
        where nothing is known of it. [mm]
    lowest_degc : float or None
        Air of the night. [degC]
    days_to_play : float or None
        Until the next fixture on it. [d]
    hours_to_play : float or None
        From tonight's water until play. [h]
    given_mm : float
        Water given that the readings do not show yet. [mm]
    dried_for_play : bool
        The strip is being dried: see `is_dried_for_play`.
    light_only : bool
        It is too late for deep water on the strip: see `is_light_only`.
    restricted : bool
        Watering is forbidden or rationed.
    arrival_share : float or None
        Of the last water, what reached the roots. [1]
    days_since_water : float or None
        [d]
    interval_days : int or None
        When roots are drawn down, days between waterings; None otherwise.
    wilt : bool
        Seen by eye in the last day.
    root_depth_m : float or None
        [m]
    wetness_error : (float, float)
        Standard deviations of thatch and root wetness about what is true. [1]
    """

    thatch_wetness: float | None
    root_wetness: float | None
    demand_tomorrow_mm: float | None = None
    rain_mm: Sequence[float] = ()
    lowest_degc: float | None = None
    days_to_play: float | None = None
    hours_to_play: float | None = None
    given_mm: float = 0.0
    dried_for_play: bool = False
    light_only: bool = False
    restricted: bool = False
    arrival_share: float | None = None
    days_since_water: float | None = None
    interval_days: int | None = None
    wilt: bool = False
    root_depth_m: float | None = None
    wetness_error: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class WaterAdvice:
    """Tonight's water.

    Attributes
    ----------
    mm : float or None
        0 for none; None when nobody can tell. [mm]
    goes : int
        In how many goes, an hour apart.
    drink_mm, root_deficit_mm : float
        What thatch takes first, and what the roots are short of. [mm]
    volume_m3 : float or None
        When the area is known. [m3]
    reason : str
        Why, in words.
    cautions : tuple of str
        Clauses.
    place : str
    steps : tuple of str
        Sentences of the plan: what is to be done besides, the first first.
    range_mm : (float, float) or None
        Within which the right dose lies eight times in ten; None where none is given, or it is known well enough. [mm]
    """

    mm: float | None
    goes: int
    drink_mm: float
    root_deficit_mm: float
    volume_m3: float | None
    reason: str
    cautions: tuple[str, ...]
    place: str
    steps: tuple[str, ...] = ()
    range_mm: tuple[float, float] | None = None

    @property
    def verdict(self) -> str:
        """Return "water 12 mm", "no water" or "cannot tell"."""
        if self.mm is None:
            return say("cannot tell")
        # Translators: a verdict, bold on a page, here and above
        return say("no water") if self.mm <= 0.0 else say("water {mm:.0f} mm", mm=self.mm)

    @property
    def clause(self) -> str:
        """Return what stands behind the verdict: when, in how many goes, and why."""
        if self.mm is None:
            # Translators: behind "cannot tell", which is bold on a page
            return say("whether to water. {reason}", reason=sentence(self.reason))
        if self.mm <= 0.0:
            # Translators: behind "no water", which is bold on a page
            return say("tonight; {reason}.", reason=self.reason)
        way = say_many("in one go", "in {n} goes an hour apart", self.goes)
        # Translators: behind "water 12 mm", which is bold on a page; way is "in one go" or "in 2 goes an hour apart"
        told = later("tonight {way}; {reason}.") if self.volume_m3 is None else later(
            "({volume:.0f} m3) tonight {way}; {reason}."
        )  # fmt: skip
        return say(told, way=way, reason=self.reason, volume=self.volume_m3)

    @property
    def line(self) -> str:
        """Return verdict and clause in a line that begins with the place."""
        # Translators: a verdict, bold on a page, and the clause behind it: "water 12 mm" and "tonight in one go; ..."
        words = say("{verdict} {clause}", verdict=self.verdict, clause=self.clause)
        return self._at_its_place(words)

    @property
    def further(self) -> tuple[str, ...]:
        """Return what is to be known and done besides, in sentences: the cautions, then the steps of the plan."""
        return (*(sentence(caution) for caution in self.cautions), *self.steps)

    @property
    def lines(self) -> tuple[str, ...]:
        """Return the line, and what is said further, each with the place before it."""
        return (self.line, *map(self._at_its_place, self.further))

    def _at_its_place(self, words: str) -> str:
        # Translators: a line that begins with the place it is about
        return say("{place}: {words}", place=self.place, words=words)


def tonight(turf: Turf, evening: Evening) -> WaterAdvice:
    """Return whether to water tonight, and how.

    Parameters
    ----------
    turf : Turf
    evening : Evening

    Returns
    -------
    WaterAdvice
        Nothing of it is done by itself.
    """
    held = _held_back(turf, evening)
    root = evening.root_wetness
    if held:
        return _none(turf, held)
    if root is None or math.isnan(root) or (turf.thatch_capacity_mm > 0.0 and _unknown(evening.thatch_wetness)):
        return _told(turf, None, 0, 0.0, math.nan, say("no good reading; look with a knife"), ())
    if turf.seed:
        return _seedbed(turf, evening)
    drink, deficit, gone = _short_of(turf, evening)
    allowed = _depletion(turf, evening) * turf.root_capacity_mm
    tomorrow = gone + (evening.demand_tomorrow_mm or 0.0)
    if _interval_blocks(turf, evening):
        days = evening.interval_days or 0
        told = say_many(
            "every {n} day to draw the roots down, and no wilt seen",
            "every {n} days to draw the roots down, and no wilt seen", days,
        )  # fmt: skip
        return _none(turf, told, drink, deficit)
    if tomorrow <= allowed and not evening.wilt and evening.given_mm > 0.0:
        told = later("the {mm:.0f} mm given count, though the probes do not show them yet")
        return _none(turf, say(told, mm=evening.given_mm), drink, deficit)
    if tomorrow <= allowed and not evening.wilt:
        return _none(turf, say("the roots have enough until tomorrow night"), drink, deficit, _shedding(turf, evening))
    need = deficit + drink + turf.canopy_mm
    if deficit < WORTHWHILE_MM and not evening.wilt:
        return _none(turf, say("too little is missing to be worth it"), drink, deficit, _shedding(turf, evening))
    chance = rain_helps(evening, need)
    if chance >= RAIN_LIKELY and deficit <= HARD_DEPLETION * turf.root_capacity_mm and not evening.wilt:
        told = later("rain enough to help is likely by tomorrow night ({chance})")
        return _none(turf, say(told, chance=in_ten(chance)), drink, deficit)
    return _give(turf, evening, need, drink, deficit)


def _held_back(turf: Turf, evening: Evening) -> str:
    """Return why no water is given whatever the readings are; empty when it may be."""
    if evening.restricted:
        return say("watering is restricted")
    if evening.dried_for_play:
        return say("it is being dried for play")
    if evening.lowest_degc is not None and evening.lowest_degc <= turf.limits.frost_degc + AIR_OVER_LEAF_K:
        return say("frost is likely tonight")
    if is_too_near(turf, evening.hours_to_play, wilt=evening.wilt):
        return say("play is too near for it to drain")
    return ""


def is_too_near(turf: Turf, hours_to_play: float | None, *, wilt: bool = False) -> bool:
    """Return whether play on the surface comes before a watering has drained. [h] Wilt and seed do not wait for it."""
    drains_h = DRAINS_H.get(turf.soil, USUAL_DRAINS_H)
    return hours_to_play is not None and hours_to_play < drains_h and not wilt and not turf.seed


def _unknown(value: float | None) -> bool:
    return value is None or math.isnan(value)


def _short_of(turf: Turf, evening: Evening) -> tuple[float, float, float]:
    """Return what thatch takes before it lets water by, what the roots lack, and what of theirs is gone. [mm]

    Thatch that sheds takes next to nothing: water goes past it in fingers, or runs off.
    """
    thatch = 1.0 if evening.thatch_wetness is None or turf.thatch_capacity_mm <= 0.0 else evening.thatch_wetness
    root = 1.0 if evening.root_wetness is None else evening.root_wetness
    gone = max(1.0 - root, 0.0) * turf.root_capacity_mm
    drink = 0.0 if repels(turf, evening) else max(1.0 - thatch, 0.0) * turf.thatch_capacity_mm
    given = max(evening.given_mm - turf.canopy_mm, 0.0)
    drink, given = max(drink - given, 0.0), max(given - drink, 0.0)
    gone = max(gone - given, 0.0)
    deficit = max(gone - (1.0 - REFILL_WETNESS) * turf.root_capacity_mm, 0.0)
    if turf.bypass_share > 0.0:
        # by the time the roots have their fill through holes, dry thatch has had no more than the rest of that water
        drink = min(drink, (1.0 - turf.bypass_share) / turf.bypass_share * deficit)
    return drink, deficit, gone


def readily_available(grass: str, demand_mm: float | None) -> float:
    """Return which share of the root zone's water roots take without stress. [1]

    Parameters
    ----------
    grass : str
        "cool" or "warm".
    demand_mm : float or None
        What the turf uses in a day; the table's own 5 mm where it is not known. [mm]
    """
    below = 0.0 if demand_mm is None else USUAL_DEMAND_MM - demand_mm
    return min(max(READILY_AVAILABLE[grass] + SHARE_PER_MM * below, LEAST_SHARE), MOST_SHARE)


def _depletion(turf: Turf, evening: Evening) -> float:
    """Return which share of the root zone's water may be gone. [1]"""
    if turf.seed or turf.green:
        return DEPLETION["tender"]
    if evening.interval_days is not None:
        return DEPLETION["drawing roots"]
    return readily_available(turf.grass, evening.demand_tomorrow_mm)


def _interval_blocks(turf: Turf, evening: Evening) -> bool:
    """Return whether the interval that draws roots down still runs; wilt or very dry roots do not wait for it."""
    if evening.interval_days is None or evening.days_since_water is None or evening.wilt or turf.seed:
        return False
    if evening.root_wetness is not None and evening.root_wetness < 1.0 - HARD_DEPLETION:
        return False
    return evening.days_since_water < evening.interval_days


def rain_helps(evening: Evening, need_mm: float) -> float:
    """Return the chance that half of the need [mm] or more falls by tomorrow evening; 0 if not known. [1]"""
    if len(evening.rain_mm) == 0:
        return 0.0
    return sum(rain >= RAIN_ENOUGH * need_mm for rain in evening.rain_mm) / len(evening.rain_mm)


def _seedbed(turf: Turf, evening: Evening) -> WaterAdvice:
    wetness = evening.root_wetness if turf.thatch_capacity_mm <= 0.0 else evening.thatch_wetness
    capacity = max(turf.thatch_capacity_mm, 0.15 * turf.root_capacity_mm)  # seed drinks from the top of it
    drink, deficit, _ = _short_of(turf, evening)
    if wetness is None or wetness >= SEED_WETNESS:
        return _none(turf, say("the seedbed is moist"), drink, deficit)
    mm = min(max((1.0 - wetness) * capacity, 1.0), SEED_MOST_MM, turf.go_mm)
    if evening.given_mm >= mm:
        told = later("the {mm:.0f} mm given count; look again in the morning")
        return _none(turf, say(told, mm=evening.given_mm), drink, deficit)
    chance = rain_helps(evening, mm)
    if chance >= RAIN_LIKELY and wetness >= SEED_WAITS:
        told = later("rain enough for the seedbed is likely by tomorrow night ({chance})")
        return _none(turf, say(told, chance=in_ten(chance)), drink, deficit)
    why = say("little and often for the seed; look again in the morning")
    return _told(turf, mm, 1, drink, deficit, why, _cautions(turf, mm))


def _give(turf: Turf, evening: Evening, need: float, drink: float, deficit: float) -> WaterAdvice:
    thatch, sheds = evening.thatch_wetness, repels(turf, evening)
    go_mm, most_goes = (min(turf.go_mm, SHEDS_GO_MM), SHEDS_MOST_GOES) if sheds else (turf.go_mm, MOST_GOES)
    most_mm = min(MOST_MM, (1 if evening.light_only else most_goes) * go_mm)  # no go beyond what the ground takes
    mm = float(math.ceil(min(need, most_mm) - 1e-9))
    goes = max(math.ceil(mm / go_mm), 2 if sheds else 1)
    stopped = evening.arrival_share is not None and evening.arrival_share < turf.limits.arrival_share
    said = say("the roots are short of {mm:.0f} mm", mm=deficit)
    if drink >= 1.0:
        said = _and_then(said, say("the thatch drinks {mm:.0f} mm first", mm=drink))
    cautions, within = list(_cautions(turf, mm)), _range(turf, evening, need, most_mm)
    if within is not None:
        told = later("the right amount may be {low:.0f} to {high:.0f} mm, given the errors of probe and limits")
        cautions.insert(0, say(told, low=within[0], high=within[1]))
    if sheds:
        cautions.append(say("dry thatch may shed it: give the first go time to soak"))
    if evening.light_only and round(need) > mm:
        cautions.append(say("the strip is prepared for play: no more than {mm:.0f} mm a night", mm=mm))
    elif round(need) > mm:
        cautions.append(say("{mm:.0f} mm are needed in all: the rest another night", mm=need))
    if stopped and not sheds:  # the same is said of that
        cautions.append(say("the last water stopped in the thatch: give each go time to soak"))
    elif (
        thatch is not None
        and thatch > turf.limits.holds_wetness
        and (evening.root_wetness or 0.0) < turf.limits.roots_dry_wetness
    ):
        cautions.append(say("the thatch is wet over dry roots"))
    if evening.days_to_play is not None and evening.days_to_play < 1.5:
        cautions.append(say("play is near: it may still be soft"))
    return replace(_told(turf, mm, goes, drink, deficit, said, tuple(cautions)), range_mm=within)


def _range(turf: Turf, evening: Evening, need: float, most_mm: float) -> tuple[float, float] | None:
    """Return within which the right dose lies eight times in ten; None where it is known well enough. [mm]"""
    (thatch, root), holds_mm = evening.wetness_error, (turf.thatch_capacity_mm, turf.root_capacity_mm)
    off_mm = EIGHT_IN_TEN * math.hypot(thatch * holds_mm[0], root * holds_mm[1])
    low, high = (round(min(max(mm, WORTHWHILE_MM), most_mm)) for mm in (need - off_mm, need + off_mm))
    return (float(low), float(high)) if high - low >= RANGE_MM else None


def _and_then(said: str, following: str) -> str:
    # Translators: one reason after another: "the roots are short of 8 mm; the thatch drinks 3 mm first"
    return say("{first}; {next}", first=said, next=following)


def _none(
    turf: Turf, reason: str, drink: float = 0.0, deficit: float = math.nan, cautions: tuple[str, ...] = ()
) -> WaterAdvice:
    return _told(turf, 0.0, 0, drink, deficit, reason, cautions)


def repels(turf: Turf, evening: Evening) -> bool:
    """Return whether the thatch is so dry that it may repel water, or a drop on a core said so and it is no wetter now.

    Parameters
    ----------
    turf : Turf
    evening : Evening
    """
    thatch = evening.thatch_wetness
    if turf.thatch_capacity_mm <= 0.0 or thatch is None:
        return False
    by_drop = turf.drop_s is not None and turf.drop_s >= DROP_REPELS_S
    return thatch < (max(DROP_WETTED, turf.limits.repels_wetness) if by_drop else turf.limits.repels_wetness)


def drop_words(seconds: float) -> str:
    """Return what the time in which a drop soaks in says of the ground, in words. [s]"""
    told = next(words for least, words in REPELLENCY if seconds >= least)
    return say(told)


def _shedding(turf: Turf, evening: Evening) -> tuple[str, ...]:
    """Return the caution on thatch so dry that it may shed the next water; empty when it is not."""
    if not repels(turf, evening):
        return ()
    told = later("the thatch is nearly dry and may shed what comes next: begin with a light go when you do water")
    return (say(told),)


def _told(
    turf: Turf, mm: float | None, goes: int, drink: float, deficit: float, reason: str, cautions: tuple[str, ...]
) -> WaterAdvice:
    volume = None if mm is None or turf.area_m2 is None else mm * turf.area_m2 / 1000.0
    return WaterAdvice(mm, goes, drink, deficit, volume, reason, cautions, turf.place)


def with_step(found: WaterAdvice, step: IntervalStep) -> WaterAdvice:
    """Return tonight's water with the next step of drawing roots down as one more caution."""
    told = step.reason
    if step.interval_days is not None:
        told = say_many(
            "{reason}, every {n} day from now on", "{reason}, every {n} days from now on", step.interval_days,
            reason=step.reason,
        )  # fmt: skip
    return replace(found, cautions=(*found.cautions, told))


def withheld(found: WaterAdvice, reason: str, steps: tuple[str, ...] = ()) -> WaterAdvice:
    """Return tonight's water as none, for a reason, with what is to be done instead in sentences."""
    return replace(
        found, mm=0.0, goes=0, volume_m3=None, reason=reason, cautions=(), steps=steps, range_mm=None
    )  # fmt: skip


def without_water(found: WaterAdvice) -> WaterAdvice:
    """Return tonight's water where none is to hand."""
    return withheld(found, say("there is no water to hand"), (say("{mm:.0f} mm would help.", mm=found.mm),))


def _cautions(turf: Turf, mm: float) -> tuple[str, ...]:
    caution = abstraction_caution(turf, mm)
    return (caution,) if caution else ()


def abstraction_caution(turf: Turf, mm: float) -> str:
    """Return the caution on taking so much water in a day; empty when there is none.

    Parameters
    ----------
    turf : Turf
        With its area and country.
    mm : float
        [mm]
    """
    limit = ABSTRACTION_M3.get(turf.country)
    if limit is None or turf.area_m2 is None:
        return ""
    volume, law = limit
    if mm * turf.area_m2 / 1000.0 <= volume * (1.0 + 1e-9):
        return ""
    # Translators: law is as "needs a licence in England"
    told = later(
        "more than {volume:.0f} m3 a day of your own source {law} ({most:.0f} mm here); "
        "all watering of the day counts, and local rules decide"
    )
    return say(told, volume=volume, law=say(law), most=1000.0 * volume / turf.area_m2)


def is_dried_for_play(surface_kind: str, days_to_play: float | None) -> bool:
    """Return whether a surface is in the days in which it is dried for play and gets no water.

    Parameters
    ----------
    surface_kind : str
        Only a square is dried, for `DRY_DAYS`: common practice, no source.
    days_to_play : float or None
        Until the match on that pitch. [d]
    """
    return surface_kind == "square" and days_to_play is not None and 0.0 <= days_to_play <= DRY_DAYS


def is_light_only(surface_kind: str, days_to_play: float | None) -> bool:
    """Return whether the last deep water before play is past, and it is not dried yet. As `is_dried_for_play`. [d]"""
    return surface_kind == "square" and days_to_play is not None and DRY_DAYS < days_to_play <= DEEP_DAYS


LONGEST_INTERVAL_D = 10  # our own choice
SHALLOW_M = 0.050  # roots that cannot wait for a drier top: our own choice
HELD_CYCLES = 2  # waterings without wilt before the next step: our own choice


@dataclass(frozen=True, slots=True)
class IntervalStep:
    """Days between waterings from now on, None when the roots are not to be drawn down now, and why."""

    interval_days: int | None
    reason: str


def next_interval(
    turf: Turf, evening: Evening, interval_days: int, *, cycles_held: int, roots_wanted_m: float
) -> IntervalStep:
    """Return the next step of drawing roots down, one day at a time.

    Parameters
    ----------
    turf : Turf
    evening : Evening
    interval_days : int
        Now. [d]
    cycles_held : int
        Waterings in a row at this interval without wilt.
    roots_wanted_m : float
        Once roots reach so deep, the interval stays. [m]

    Returns
    -------
    IntervalStep
        One day longer after two waterings without wilt, one shorter on wilt; never on seed, very shallow roots, thatch
        that repels, or a pitch in preparation. Steps are common practice; that water every 4 days to depth beats every
        1 to 2 days for bent roots is Jordan et al. 2003, Crop Sci. (from memory).
    """
    if turf.seed:
        return IntervalStep(None, say("seed needs its top moist"))
    if evening.dried_for_play:
        return IntervalStep(None, say("the pitch is being prepared"))
    if evening.root_depth_m is not None and evening.root_depth_m < SHALLOW_M:
        return IntervalStep(None, say("the roots are too shallow to wait: let them deepen in cool weather first"))
    if repels(turf, evening):
        return IntervalStep(None, say("the thatch repels: wet it through first"))
    if evening.wilt:
        return IntervalStep(max(interval_days - 1, 1), say("wilt was seen: a day shorter"))
    if evening.root_depth_m is not None and evening.root_depth_m >= roots_wanted_m:
        return IntervalStep(interval_days, say("the roots are as deep as wanted"))
    if cycles_held >= HELD_CYCLES and interval_days < LONGEST_INTERVAL_D:
        return IntervalStep(interval_days + 1, say("two waterings without wilt: a day longer"))
    return IntervalStep(interval_days, say("keep it until two waterings have passed without wilt"))
