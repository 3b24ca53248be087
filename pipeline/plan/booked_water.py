"""What is made of a booked watering by what would be advised for its evening: as booked, too much, too little, or none.

It is asked what tonight's water is asked, with the wetness that is forecast for its hour if nobody waters before; what
the plan gives before, and other bookings before it, are taken off what is wanted. Where the plan keeps
feet or water off until a later evening it waits, too. It decides nothing of its own, and starts no water.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.advice.report import StationAdvice, SurfaceAdvice
from pipeline.advice.water import WaterAdvice
from pipeline.forecast.waterings import OF_TONIGHT_H
from pipeline.plan.booked import Judgement
from pipeline.plan.contradictions import MUCH, SLACK_MM
from pipeline.plan.deep_water import LOOKED_AHEAD_D, DeepWater, dose_on, evening_ms
from pipeline.plan.seen import Seen
from pipeline.texts import say
from pipeline.units import DAY_MS, HOUR_MS

BEGINS_H, TONIGHT_ENDS_H = OF_TONIGHT_H  # about the hour of an evening's water, in which what is booked is that night's
LITTLE = 0.6  # of what is wanted: less may not get there; our own choice
_WORST_FIRST = ("do_not", "wait", "in_doubt", "cannot_tell", "too_early", "go")


@dataclass(frozen=True)
class PlannedWater:
    """What the plan has planned_water that a booking of water has to heed.

    Attributes
    ----------
    waters : mapping of str to DeepWater
        The next water of each station.
    off_until_ms : int or None
        Until when nobody may go on the surface; None where they may. [ms since 1970, UTC]
    off_why : str
        Why, in words.
    """

    waters: Mapping[str, DeepWater] = field(default_factory=dict)
    off_until_ms: int | None = None
    off_why: str = ""


def judged_watering(
    surface: SurfaceAdvice,
    stations: Sequence[str],
    at_ms: int,
    water_mm: float,
    seen: Seen,
    planned_water: PlannedWater,
    *,
    stands_as: tuple[int, float] | None = None,
) -> Judgement:
    """Return what is made of a watering that is booked for some stations, the worst of them told.

    Parameters
    ----------
    surface : SurfaceAdvice
        As the plan has it.
    stations : sequence of str
        By name; empty for every station of the surface.
    at_ms : int
        Its begin. [ms since 1970, UTC]
    water_mm : float
        [mm]
    seen : Seen
    planned_water : PlannedWater
    stands_as : (int, float) or None
        Begin and amount under which it is booked already, where it is to be changed; None for its own. [ms], [mm]
    """
    here = [one for one in surface.stations if not stations or one.station in stations]
    own = (at_ms, water_mm) if stands_as is None else stands_as
    return worst_of(
        surface, {one.station: _at(surface, one, at_ms, water_mm, seen, planned_water, own) for one in here}
    )


def worst_of(surface: SurfaceAdvice, judged: Mapping[str, Judgement]) -> Judgement:
    """Return the worst of what is made of a watering at some stations, told with its place where they differ."""
    if not judged:
        return Judgement("cannot_tell", say("nothing is advised on its water."))
    station, worst = min(judged.items(), key=lambda each: _WORST_FIRST.index(each[1].verdict))
    if worst.verdict == "go" or all(each == worst for each in judged.values()):
        return worst
    place = next(one.turf.place for one in surface.stations if one.station == station)
    return Judgement(worst.verdict, say("{place}: {told}", place=place, told=worst.clause))


def _at(
    surface: SurfaceAdvice,
    one: StationAdvice,
    at_ms: int,
    water_mm: float,
    seen: Seen,
    planned_water: PlannedWater,
    own: tuple[int, float],
) -> Judgement:
    if not surface.water_to_hand:
        return Judgement("do_not", say("no water is to hand by the settings."))
    if planned_water.off_until_ms is not None and at_ms < planned_water.off_until_ms:
        return Judgement("wait", say("{why}.", why=planned_water.off_why))
    water = planned_water.waters.get(one.station)
    if at_ms >= seen.now_ms + LOOKED_AHEAD_D * DAY_MS:
        return Judgement("too_early", say("its evening lies past the days that are forecast."))
    is_tonight = at_ms < evening_ms(seen, 0) + TONIGHT_ENDS_H * HOUR_MS
    if water is not None and not is_tonight and _is_before_its_evening(water, at_ms):
        why = _why_it_waits(water, planned_water)
        return Judgement("wait", say("none is wanted then: {why}.", why=why))
    dose = one.water if is_tonight else dose_on(surface, one, seen, at_ms)
    if dose is None:
        return Judgement("cannot_tell", say("how wet it is then is not forecast."))
    if dose.mm is None:
        return Judgement("cannot_tell", say("{why}.", why=dose.reason))
    if dose.mm <= 0.0:
        verdict = "do_not" if one.evening.restricted else "wait"
        return Judgement(verdict, say("none is wanted then: {why}.", why=dose.reason))
    # what is booked while the plan keeps feet or water off is told to wait, and does not count
    from_ms = planned_water.off_until_ms or 0
    if water is not None and water.waits_for and water.evening_ms is not None:
        from_ms = max(from_ms, _begins_ms(water.evening_ms))
    before_mm = _booked_mm(one, range(from_ms, at_ms + 1), at_ms, own)
    return _of_dose(dose, water_mm, before_mm, _planned_mm(one, at_ms, own, water))


def _is_before_its_evening(water: DeepWater, at_ms: int) -> bool:
    """Return whether the plan keeps water off a station until an evening that comes later, or cannot be named."""
    if water.evening_ms is None:
        return water.waits_for == "thatch"
    return bool(water.waits_for) and at_ms < _begins_ms(water.evening_ms)


def _begins_ms(evening: int) -> int:
    return evening + BEGINS_H * HOUR_MS


def _why_it_waits(water: DeepWater, planned_water: PlannedWater) -> str:
    if water.waits_for == "thatch":
        return say("the thatch is wet over dry roots and light water would feed it")
    return planned_water.off_why if water.waits_for == "ground" else water.advice.reason


def _booked_mm(one: StationAdvice, within: range, at_ms: int, own: tuple[int, float]) -> float:
    """Return the water booked at a station in some time, beside a booking; of the booking's own hour what stands before
    it. [ms since 1970, UTC], [mm]"""
    booked = sorted(one.booked, key=lambda each: each.start_ms)
    same = next((k for k, each in enumerate(booked) if (each.start_ms, each.water_mm) == own), len(booked))
    return sum(
        each.water_mm
        for k, each in enumerate(booked)
        if k != same and each.start_ms in within and not (k > same and each.start_ms == at_ms == own[0])
    )


def _planned_mm(one: StationAdvice, at_ms: int, own: tuple[int, float], water: DeepWater | None) -> float:
    """Return what the plan gives on an evening before a booking's, beyond what is booked for that night. [mm]"""
    if water is None or water.evening_ms is None or water.dose is None or not water.dose.mm:
        return 0.0
    if at_ms < water.evening_ms + TONIGHT_ENDS_H * HOUR_MS:
        return 0.0
    night = range(_begins_ms(water.evening_ms), water.evening_ms + TONIGHT_ENDS_H * HOUR_MS)
    return max(water.dose.mm - _booked_mm(one, night, at_ms, own), 0.0)


def _of_dose(dose: WaterAdvice, water_mm: float, booked_mm: float, planned_mm: float) -> Judgement:
    wanted = dose.mm or 0.0
    if booked_mm + planned_mm > 0.0:
        wanted = min(wanted, dose.drink_mm + dose.root_deficit_mm - booked_mm - planned_mm)
        if wanted <= SLACK_MM and planned_mm > 0.0:
            return Judgement("wait", say("{mm:.0f} mm go on before it by this plan, and no more is wanted.",
                                         mm=planned_mm))  # fmt: skip
        if wanted <= SLACK_MM:
            return Judgement("wait", say("other bookings give {mm:g} mm by then, and no more is wanted.", mm=booked_mm))
    if water_mm > MUCH * wanted + SLACK_MM:
        return Judgement("in_doubt", say("{mm:.0f} mm are wanted then, and more drains away.", mm=wanted))
    if water_mm < LITTLE * wanted:
        return Judgement("in_doubt", say("{mm:.0f} mm are wanted then: so little may not reach the roots.", mm=wanted))
    if dose.goes > 1:
        return Judgement("go", say("{mm:.0f} mm are wanted then, in {goes} goes.", mm=wanted, goes=dose.goes))
    return Judgement("go", say("{mm:.0f} mm are wanted then.", mm=wanted))
