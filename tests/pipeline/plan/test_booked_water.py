"""What is made of a booked watering: as much as is wanted, too much, too little, none wanted, forbidden, unknown.

The doses come from `tonight` itself, asked for that evening; what is held here is what is made of them (shares are our
own choice).
"""

import datetime
from dataclasses import replace

import pytest

from pipeline.plan.booked_water import PlannedWater, judged_watering
from pipeline.plan.contradictions import contradictions
from pipeline.plan.deep_water import dose_on
from pipeline.plan.digest import plan_news
from pipeline.plan.surface_plan import plan_of
from pipeline.soil.wetting import Watering
from pipeline.units import DAY_MS, HOUR_MS
from tests.pipeline.plan.test_surface_plan import EVENING_MS, SEEN, station, surface

FRIDAY_MS = EVENING_MS + 2 * DAY_MS
DRY = surface(station(0.3, 0.3))
WANTED_MM = dose_on(DRY, DRY.stations[0], SEEN, FRIDAY_MS).mm


def judged(mm: float, at_ms: int = FRIDAY_MS, on=DRY, stations=()):
    return judged_watering(on, stations, at_ms, mm, SEEN, PlannedWater())


@pytest.mark.parametrize(
    ("share", "verdict", "said"),
    [(1.0, "go", "mm are wanted then"), (0.7, "go", "mm are wanted then"), (0.5, "in_doubt", "may not reach the roots"),
     (1.5, "in_doubt", "more drains away")],
)  # fmt: skip
def test_amount_is_held_against_what_is_wanted_that_evening(share, verdict, said):
    """Dry roots on Friday: as much goes, half is too little, half as much again drains away."""
    found = judged(share * WANTED_MM)
    assert WANTED_MM > 10.0 and (found.verdict, said in found.clause) == (verdict, True)
    assert f"{WANTED_MM:.0f} mm" in found.clause


def test_moist_roots_want_none_and_say_so():
    """At 0.9 of drained none is wanted; under a restriction it must not be."""
    moist = surface(station(0.6, 0.95))
    found = judged(8.0, on=moist, stations=["g1"])
    assert found.verdict == "wait" and found.clause.startswith("none is wanted then: ")
    barred = surface(station(0.3, 0.4, restricted=True))
    assert judged(8.0, on=barred).verdict == "do_not"


def test_tonight_is_judged_by_tonights_water_and_what_lies_past_the_forecast_is_not():
    """The plan's own word for tonight; past nine days it is too early; without water to hand it is not to be."""
    tonight = judged(DRY.stations[0].water.mm, EVENING_MS)
    assert (tonight.verdict, f"{DRY.stations[0].water.mm:.0f} mm" in tonight.clause) == ("go", True)
    assert judged(8.0, EVENING_MS + 9 * DAY_MS).verdict == "too_early"
    assert judged(8.0, on=replace(DRY, water_to_hand=False)).verdict == "do_not"
    assert judged(8.0, stations=["elsewhere"]).verdict == "cannot_tell"


def test_water_that_other_bookings_give_is_not_wanted_again():
    """All of it on Thursday: on Friday no more; half of it: the other half. Changed, a booking does not stand beside
    itself; tonight's water says what is booked for the next evening."""
    thursday_ms = FRIDAY_MS - DAY_MS

    def booked(at_ms: int, mm: float) -> Watering:
        return Watering(at_ms, at_ms + HOUR_MS, mm)

    def on(*waterings: Watering):
        return replace(DRY, stations=(replace(DRY.stations[0], booked=waterings),))

    both = on(booked(thursday_ms, WANTED_MM), booked(FRIDAY_MS, WANTED_MM))
    assert judged(WANTED_MM, thursday_ms, on=both).verdict == "go"
    assert judged(WANTED_MM, on=both).verdict == "in_doubt"  # of one night's most the rest is left
    found = judged(WANTED_MM, on=on(booked(thursday_ms, 40.0), booked(FRIDAY_MS, WANTED_MM)))
    assert (found.verdict, found.clause) == ("wait", "other bookings give 40 mm by then, and no more is wanted.")
    assert judged(WANTED_MM, on=on(booked(FRIDAY_MS + HOUR_MS, 40.0))).verdict == "go"  # that one waits
    half = on(booked(thursday_ms, WANTED_MM / 2))
    assert [judged(mm, on=half).verdict for mm in (WANTED_MM / 2, 2 * WANTED_MM)] == ["go", "in_doubt"]
    anew = judged_watering(
        on(booked(FRIDAY_MS, 25.0)), (), FRIDAY_MS, WANTED_MM, SEEN, PlannedWater(), stands_as=(FRIDAY_MS, 25.0)
    )
    assert anew.verdict == "go"
    (told,) = plan_of(both, SEEN).advice.stations
    assert told.water.mm > 0.0
    assert told.water.further[-1] == f"{WANTED_MM:g} mm is booked for Thu 20:00; both may be too much."
    (told,) = plan_of(on(booked(EVENING_MS, 20.0)), SEEN).advice.stations
    assert "20 mm is booked for today 20:00: count it in." in told.water.further


def test_of_two_bookings_alike_the_other_counts_where_one_is_moved():
    """Two of 25 mm on Thursday night: one of them, moved to Friday, finds the other before it."""
    thursday_ms = FRIDAY_MS - DAY_MS
    alike = (Watering(thursday_ms, thursday_ms + HOUR_MS, 40.0),) * 2
    here = replace(DRY, stations=(replace(DRY.stations[0], booked=alike),))
    moved = judged_watering(here, (), FRIDAY_MS, 40.0, SEEN, PlannedWater(), stands_as=(thursday_ms, 40.0))
    assert (moved.verdict, moved.clause) == ("wait", "other bookings give 40 mm by then, and no more is wanted.")


def with_bookings(one, *waterings: tuple[int, float]):
    """A green with its station as it is, and waterings of two hours booked for it."""
    return surface(replace(one, booked=tuple(Watering(at_ms, at_ms + 2 * HOUR_MS, mm) for at_ms, mm in waterings)))


@pytest.mark.parametrize(
    ("on", "verdicts", "said"),
    [
        # thatch that holds drains by Friday morning: on Thursday none, on Friday evening it goes
        (with_bookings(station(1.1, 0.4), (FRIDAY_MS - DAY_MS, 20.0), (FRIDAY_MS, 25.0)), ["wait", "go"],
         "none is wanted then: the thatch is wet over dry roots"),
        # what the plan gives tonight is not wanted again tomorrow; all but what the thatch drinks and roots use by then
        (with_bookings(station(0.6, 0.5), (EVENING_MS + DAY_MS, 20.0)), ["wait"],
         "mm go on before it by this plan, and no more is wanted."),
        # of two for tonight the first goes, and the other is held against what is left
        (with_bookings(station(0.6, 0.3), (EVENING_MS, 25.0), (EVENING_MS + HOUR_MS, 25.0)), ["go", "in_doubt"],
         "25 mm are wanted then"),
        (with_bookings(station(0.6, 0.5), (EVENING_MS, 22.0), (EVENING_MS, 22.0 + 1e-9)), ["go", "wait"],
         "20 mm are wanted then"),
    ],
)  # fmt: skip
def test_bookings_agree_with_the_plan_s_own_water(on, verdicts, said):
    """Booked water waits while the plan keeps water off, and counts what the plan gives; no pair is held."""
    plan = plan_of(on, SEEN)
    assert [judgement.verdict for _, judgement in plan.waterings] == verdicts
    assert said in plan.waterings[0][1].clause
    assert contradictions(plan.lines) == ()
    first = plan.waterings[0][0]
    alone = judged_watering(plan.advice, (), first.start_ms, first.water_mm, SEEN, PlannedWater())
    assert alone.verdict != "wait" or verdicts[0] == "in_doubt"


def test_booked_water_waits_while_the_ground_does_not_bear():
    """Booked for eleven this morning on ground that marks until this afternoon: not before."""
    plan = plan_of(with_bookings(station(0.6, 0.4), (SEEN.now_ms + 4 * HOUR_MS, 20.0)), replace(SEEN, wettest=1.2))
    ((_, judgement),) = plan.waterings
    assert (judgement.verdict, judgement.clause) == (
        "wait", "the ground is wetter than drained, boots and wheels would mark."
    )  # fmt: skip
    assert contradictions(plan.lines) == ()


def test_plan_tells_a_booked_watering_once_of_all_its_stations():
    """Two stations of one surface with one booking: one line, in the digest of its eve."""
    near = Watering(EVENING_MS + DAY_MS, EVENING_MS + DAY_MS + HOUR_MS, WANTED_MM)
    one, other = (replace(station(0.3, 0.2), station=name, booked=(near,)) for name in ("g1", "g2"))
    plan = plan_of(replace(DRY, stations=(one, other)), SEEN)
    assert [watering for watering, _ in plan.waterings] == [near]
    (news,) = [n for n in plan_news(plan, SEEN.now_ms, datetime.UTC) if n.subject.startswith("booked/green/water/")]
    assert f"Green: water of {WANTED_MM:g} mm is booked for" in news.text and news.state == "in_doubt"
    less = replace(near, water_mm=2.5)
    both = plan_of(replace(DRY, stations=(replace(one, booked=(near,)), replace(other, booked=(less,)))), SEEN)
    told = [n for n in plan_news(both, SEEN.now_ms, datetime.UTC) if n.subject.startswith("booked/green/water/")]
    assert len({n.subject for n in told}) == 2 and any("water of 2.5 mm is booked" in n.text for n in told)
