"""What is made of a booked watering by what would be advised for its evening: as booked, too much, too little, or none.

It is asked what tonight's water is asked, with the wetness that is forecast for its hour if nobody waters before; other
bookings before that night is over are taken off what is wanted. It decides nothing of its own, and starts no water.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.advice.report import StationAdvice, SurfaceAdvice
from pipeline.advice.water import WaterAdvice
from pipeline.plan.booked import Judgement
from pipeline.plan.deep_water import LOOKED_AHEAD_D, dose_on, evening_ms
from pipeline.plan.seen import Seen
from pipeline.texts import say
from pipeline.units import DAY_MS, HOUR_MS

TONIGHT_ENDS_H = 14  # after the hour of the evening's water: what is booked till then is tonight's
MUCH, LITTLE = 1.25, 0.6  # of what is wanted: more drains away, less may not get there; our own choice
SLACK_MM = 1.0
_WORST_FIRST = ("do_not", "wait", "in_doubt", "cannot_tell", "too_early", "go")


def judged_watering(
    surface: SurfaceAdvice,
    stations: Sequence[str],
    at_ms: int,
    water_mm: float,
    seen: Seen,
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
    stands_as : (int, float) or None
        Begin and amount under which it is booked already, where it is to be changed; None for its own. [ms], [mm]
    """
    here = [one for one in surface.stations if not stations or one.station in stations]
    if not here:
        return Judgement("cannot_tell", say("nothing is advised on its water."))
    if not surface.water_to_hand:
        return Judgement("do_not", say("no water is to hand by the settings."))
    own = (at_ms, water_mm) if stands_as is None else stands_as
    found = [(one, _at(surface, one, at_ms, water_mm, seen, _other_mm(one, at_ms, own))) for one in here]
    worst, judgement = min(found, key=lambda each: _WORST_FIRST.index(each[1].verdict))
    if len(here) > 1 and judgement.verdict != "go":
        told = say("{place}: {told}", place=worst.turf.place, told=judgement.clause)
        return Judgement(judgement.verdict, told)
    return judgement


def _other_mm(one: StationAdvice, at_ms: int, own: tuple[int, float]) -> float:
    """Return the water that is booked at a station beside this booking, up to the end of its night. [mm]"""
    others = [each for each in one.booked if each.start_ms < at_ms + TONIGHT_ENDS_H * HOUR_MS]
    same = next((each for each in others if (each.start_ms, each.water_mm) == own), None)
    return sum(each.water_mm for each in others if each is not same)


def _at(
    surface: SurfaceAdvice, one: StationAdvice, at_ms: int, water_mm: float, seen: Seen, other_mm: float
) -> Judgement:
    if at_ms >= seen.now_ms + LOOKED_AHEAD_D * DAY_MS:
        return Judgement("too_early", say("its evening lies past the days that are forecast."))
    is_tonight = at_ms < evening_ms(seen, 0) + TONIGHT_ENDS_H * HOUR_MS
    dose = one.water if is_tonight else dose_on(surface, one, seen, at_ms)
    if dose is None:
        return Judgement("cannot_tell", say("how wet it is then is not forecast."))
    if dose.mm is None:
        return Judgement("cannot_tell", say("{why}.", why=dose.reason))
    if dose.mm <= 0.0:
        verdict = "do_not" if one.evening.restricted else "wait"
        return Judgement(verdict, say("none is wanted then: {why}.", why=dose.reason))
    return _of_dose(dose, water_mm, other_mm)


def _of_dose(dose: WaterAdvice, booked_mm: float, other_mm: float) -> Judgement:
    wanted = dose.mm or 0.0
    if other_mm > 0.0:
        wanted = min(wanted, dose.drink_mm + dose.root_deficit_mm - other_mm)
        if wanted <= SLACK_MM:
            return Judgement("wait", say("other bookings give {mm:g} mm by then, and no more is wanted.", mm=other_mm))
    if booked_mm > MUCH * wanted + SLACK_MM:
        return Judgement("in_doubt", say("{mm:.0f} mm are wanted then, and more drains away.", mm=wanted))
    if booked_mm < LITTLE * wanted:
        return Judgement("in_doubt", say("{mm:.0f} mm are wanted then: so little may not reach the roots.", mm=wanted))
    if dose.goes > 1:
        return Judgement("go", say("{mm:.0f} mm are wanted then, in {goes} goes.", mm=wanted, goes=dose.goes))
    return Judgement("go", say("{mm:.0f} mm are wanted then.", mm=wanted))
