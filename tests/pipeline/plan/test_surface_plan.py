"""The plan of a surface: one course in order, dates from the forecast, and what gives way said.

Expected: the rules of the trade (common practice, no source), and algebra of straight lines of wetness.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.advice.report import PassAdvice, StationAdvice, SurfaceAdvice, window_words
from pipeline.advice.water import Evening, Turf, WaterLimits, tonight
from pipeline.alerts.model import RuleName
from pipeline.alerts.runner import OpenAlert
from pipeline.diary.facts import Buried, DatedPass, Override, Play
from pipeline.forecast.wetness import WetnessForecast
from pipeline.plan.contradictions import contradictions
from pipeline.plan.digest import plan_news
from pipeline.plan.lines import Says
from pipeline.plan.seen import Seen
from pipeline.plan.surface_plan import WorkPlan, plan_of
from pipeline.units import DAY_MS, HOUR_MS, TimeSpan
from tests.pipeline.advice.test_water import LONGEST
from tests.pipeline.advice.window_series import GROUND, NOW_MS, good_hours, look, series

LONDON = ZoneInfo("Europe/London")  # NOW_MS is a Wednesday, six in the morning by UTC: seven here
HOURS = 240
TURF = Turf("Green", "loam", 6.0, 40.0, WaterLimits(0.5, 0.15, 0.9, 0.5, 0.2))
SEEN = Seen(NOW_MS, LONDON)
EVENING_MS = NOW_MS + 13 * HOUR_MS  # of today: 20 h in London


def forecast(thatch: float, root: float, *, thatch_a_day: float = -0.1, root_a_day: float = -0.02) -> WetnessForecast:
    """Five courses of the weather, all the same straight lines down from now, and no rain."""
    days = np.arange(HOURS + 1)[:, np.newaxis] / 24.0 + np.zeros((1, 5))
    return WetnessForecast(NOW_MS, thatch + thatch_a_day * days, root + root_a_day * days, np.zeros((HOURS, 5)))


def station(thatch: float = 0.6, root: float = 0.4, turf: Turf = TURF, **more: Any) -> StationAdvice:
    """A station as wet as this, with tonight's water by itself."""
    evening = Evening(thatch, root, **more)
    return StationAdvice("g1", forecast(thatch, root), (), "", tonight(turf, evening), turf, evening)


def passes(*kinds: str, **changed: Any) -> tuple[PassAdvice, ...]:
    """Kinds of pass that are open for days, but for what is changed."""
    found = [look(kind, hours=good_hours(kind, **changed)) for kind in kinds]
    return tuple(PassAdvice(one, window_words(one, LONDON)) for one in found)


def surface(one: StationAdvice, *each: PassAdvice, **more: Any) -> SurfaceAdvice:
    """A green with one station."""
    return SurfaceAdvice("green", "Green", "green", each, (one,), **more)


def alert(rule: str, fact: str, order: str = "", station: str = "g1") -> OpenAlert:
    """An open alert as it would be told by itself."""
    return OpenAlert(rule, RuleName(rule), "green", station, "", NOW_MS, NOW_MS, f"{fact} {order}".rstrip(), fact)


def water_of(plan: WorkPlan) -> str:
    """All that is said of the water of its only station."""
    water = plan.advice.stations[0].water
    return " ".join((water.line, *water.further))


def spans(plan: WorkPlan, says: Says) -> list[TimeSpan]:
    """When it says a thing."""
    return [line.span for line in plan.lines if line.says is says]


def test_wet_thatch_over_dry_roots_is_one_course_in_order() -> None:
    """Thatch at 1.1 falling 0.1 a day drains to 0.9 in two days: Friday morning; water on Friday evening, then look,
    open it up, take a core."""
    plan = plan_of(surface(station(1.1, 0.4), *passes("solid_tining")), SEEN)
    assert [step.partition(".")[0] for step in plan.courses[0].steps] == [
        "No water tonight: the thatch is wet over dry roots and light water would feed it; it should have drained "
        "about Fri 7:00",
        "Then give 24 mm on Friday evening, in 3 goes with rests, with a wetting agent if you use one",
        "The next morning look whether it reached the roots",
        "If less than six tenths did, open it up with solid tining with needle tines to 100 mm in the first window: "
        "Sat 8:00 on",
        "Take a core where thatch meets soil before the next deep pass",
    ]
    assert spans(plan, Says.NO_WATER) == [TimeSpan(NOW_MS, EVENING_MS + 2 * DAY_MS - 4 * HOUR_MS)]
    assert spans(plan, Says.WATER)[0].start_ms == EVENING_MS + 2 * DAY_MS
    assert contradictions(plan.lines) == ()
    water = plan.advice.stations[0].water
    assert water.mm == 0.0 and water.further == plan.courses[0].steps[1:] and len(water.line) <= LONGEST


def test_tines_are_named_for_a_window_after_the_water() -> None:
    """A window that ends before the water of Friday evening cannot wait for what came of it."""
    shut = good_hours(rain_mm=series(0.0, h30=30.0), root_zone_wetness=np.where(np.arange(840) > 240 + 24, 2.0, 0.8))
    opened = look("solid_tining", hours=shut)
    assert opened.windows[0].verdict.name == "OPEN"
    plan = plan_of(surface(station(1.1, 0.4), PassAdvice(opened, window_words(opened, LONDON))), SEEN)
    assert "in the first window" not in water_of(plan) and spans(plan, Says.SPIKE) == []


def test_spiking_that_is_locked_gives_way_by_name() -> None:
    """On a square in season no window is named for the tines, and the plan says why."""
    season = (TimeSpan(NOW_MS - 30 * DAY_MS, NOW_MS + 90 * DAY_MS),)
    locked = look("solid_tining", ground=replace(GROUND, kind="square", seasons=season))
    plan = plan_of(surface(station(1.1, 0.4), PassAdvice(locked, "")), SEEN)
    told = "If less than six tenths did, spiking would help, but not now: square in season. Water again in short goes."
    assert told in water_of(plan)
    assert spans(plan, Says.SPIKE) == [] and contradictions(plan.lines) == ()


@pytest.mark.parametrize(("demand", "now"), [(5.0, True), (2.0, False), (None, True)])
def test_roots_that_fail_in_the_heat_are_watered_on_wet_thatch(demand: float | None, now: bool) -> None:
    """Roots at 0.15 with 5 mm used by tomorrow do not wait for the thatch: the lesser evil, said to be one."""
    plan = plan_of(surface(station(1.1, 0.15, demand_tomorrow_mm=demand)), SEEN)
    assert (spans(plan, Says.WATER)[0].start_ms == EVENING_MS) == now
    assert ("lesser evil" in water_of(plan)) == now
    assert contradictions(plan.lines) == ()


def test_water_that_the_plan_parts_is_told_in_its_goes() -> None:
    """Sand takes 11 mm in one go; on wet thatch the plan makes it two; thatch that sheds gets goes of 3 mm."""
    sand = replace(TURF, soil="sand", root_capacity_mm=12.0, thatch_capacity_mm=1.0)
    for thatch, goes in ((1.1, 2), (0.1, 4)):
        (one,) = plan_of(surface(station(thatch, 0.1, sand, demand_tomorrow_mm=5.0)), SEEN).advice.stations
        assert (one.water.mm, one.water.goes) == (11.0, goes)
        assert f"in {goes} goes an hour apart" in one.water.line and "one go" not in one.water.line


def test_thatch_that_never_drains_in_sight_has_no_date() -> None:
    """Without a forecast nobody knows when: feel it, and no evening is named."""
    none = WetnessForecast(NOW_MS, np.zeros((1, 0)), np.zeros((1, 0)), np.zeros((0, 0)), reason="no forecast")
    plan = plan_of(surface(replace(station(1.1, 0.4), forecast=none)), SEEN)
    assert "feel when it has drained" in water_of(plan) and "No evening can be named yet" in water_of(plan)
    assert spans(plan, Says.WATER) == []


def test_the_course_waits_for_play() -> None:
    """Drained by Friday, but played on from Saturday noon: loam wants 18 hours to drain, so it is Saturday evening."""
    play = Play("match", NOW_MS + 3 * DAY_MS + 5 * HOUR_MS, NOW_MS + 3 * DAY_MS + 12 * HOUR_MS)
    plan = plan_of(surface(station(1.1, 0.4), play=(play,)), SEEN)
    assert spans(plan, Says.WATER)[0].start_ms == EVENING_MS + 3 * DAY_MS
    assert "on Saturday evening" in water_of(plan)


def test_ground_that_marks_holds_every_pass_and_dates_its_end() -> None:
    """A top at 1.2 over drained roots: nothing is open till this afternoon, and tonight's water stands."""
    seen = replace(SEEN, wettest=1.2)
    plan = plan_of(surface(station(0.6, 0.4), *passes("topdressing", "light_raking")), seen)
    until_ms = EVENING_MS - 6 * HOUR_MS
    assert plan.off_until_ms == until_ms
    assert all(span.start_ms >= until_ms for span in spans(plan, Says.PASS_OPEN))
    first = plan.advice.passes[0].outlook.windows[0]
    assert (first.verdict.name, first.span.end_ms) == ("WAIT", until_ms)
    assert "must wait, the ground is wetter than drained" in plan.advice.passes[0].line
    assert spans(plan, Says.WATER)[0].start_ms == EVENING_MS
    assert contradictions(plan.lines) == ()


def test_water_waits_while_the_ground_does_not_bear() -> None:
    """Roots of 1.25 falling 0.2 a day bear at 1.0 in 30 hours, on Thursday; wilt seen is answered then, not before."""
    one = replace(station(0.6, 0.4), forecast=forecast(0.6, 1.25, root_a_day=-0.2))
    plan = plan_of(surface(one, *passes("topdressing")), replace(SEEN, wettest=1.2))
    assert plan.off_until_ms == NOW_MS + 30 * HOUR_MS
    assert "No water tonight" in plan.courses[0].steps[0]
    assert contradictions(plan.lines) == ()


def test_frost_holds_until_it_has_gone() -> None:
    """Frost on the leaf at seven: nothing before ten, whatever the table has open."""
    plan = plan_of(surface(station(), *passes("topdressing")), replace(SEEN, is_frozen=True))
    assert plan.off_until_ms == NOW_MS + 3 * HOUR_MS
    assert min(span.start_ms for span in spans(plan, Says.PASS_OPEN)) == NOW_MS + 3 * HOUR_MS


@pytest.mark.parametrize(
    ("thatch", "drop_s", "sheds"),
    [(0.1, None, True), (0.2, None, False), (0.3, 90.0, True), (0.3, 4.0, False), (0.6, 90.0, False)],
)
def test_thatch_that_sheds_water_has_its_course(thatch: float, drop_s: float | None, sheds: bool) -> None:
    """Drier than the bound, or repellent by the drop on a core (5 s, Dekker & Jungerius 1990), not wetted since."""
    turf = replace(TURF, drop_s=drop_s)
    plan = plan_of(surface(station(thatch, 0.4, turf=turf), *passes("solid_tining")), SEEN)
    steps = [step for course in plan.courses for step in course.steps]
    assert bool(steps) == sheds and plan.advice.stations[0].water.mm > 0.0
    assert not sheds or plan.advice.stations[0].water.goes >= 2
    if sheds:
        assert "with a wetting agent if you use one" in steps[0] and "solid tining" in steps[2]
        drop = (
            "Put a drop on a core"
            if drop_s is None
            else "A drop took 90 s to soak into the last core: strongly repellent"
        )
        assert steps[3].startswith(drop) and len(spans(plan, Says.SPIKE)) == 1
    assert contradictions(plan.lines) == ()


def test_alerts_say_what_the_water_says() -> None:
    """Thatch that holds and roots that are dry get one order, that of the course, in place of two that fight."""
    alerts = (
        alert("thatch_holding", "Green: thatch has stayed wet for 3 days.", "Keep water off until it drains."),
        alert("roots_dry", "Green: roots have been dry for 2 days.", "Give one deep watering."),
    )
    plan = plan_of(surface(station(1.1, 0.4)), replace(SEEN, alerts=alerts))
    for one in alerts:
        assert plan.texts[one.alert_id].startswith(one.fact)
        assert "Then give 24 mm on Friday evening" in plan.texts[one.alert_id]
        assert "Keep water off" not in plan.texts[one.alert_id] and "deep watering" not in plan.texts[one.alert_id]


def test_dry_roots_before_play_get_the_evening_after_it() -> None:
    """Play tonight's water would not drain for: none tonight, why, and the evening on which it goes on."""
    play = Play("match", NOW_MS + DAY_MS, NOW_MS + DAY_MS + 6 * HOUR_MS)
    one = station(0.6, 0.4, hours_to_play=11.0, days_to_play=1.0)
    dry = alert("roots_dry", "Green: roots have been dry for 2 days.")
    plan = plan_of(surface(one, play=(play,)), replace(SEEN, alerts=(dry,)))
    assert plan.texts["roots_dry"] == (
        "Green: roots have been dry for 2 days. No water tonight: play is too near for it to drain. "
        "Then give 25 mm tomorrow evening."
    )


def test_only_the_latest_water_speaks_of_arriving() -> None:
    """An alert of water that stopped gives way to later water of which a third arrived."""
    stopped = alert("water_not_arriving", "Green: 8 mm on Monday stopped short of the roots.", "Water long once.")
    told = plan_of(surface(station()), replace(SEEN, alerts=(stopped,), arrived={"g1": 0.1}))
    since = plan_of(surface(station()), replace(SEEN, alerts=(stopped,), arrived={"g1": 0.35}))
    assert "stopped short" in told.texts["water_not_arriving"]
    assert "stopped short" not in since.texts["water_not_arriving"]


def test_a_window_told_open_that_gives_way_says_so() -> None:
    """The alert of an open window does not stand beside "keep off"."""
    opened = alert("window_opening", "Green: window for topdressing is open now and for days to come.", station="")
    opened = replace(opened, subject="topdressing.light.0")
    plan = plan_of(surface(station(), *passes("topdressing")), replace(SEEN, wettest=1.2, alerts=(opened,)))
    said = plan.texts["window_opening"]
    assert "is open now" not in said and "waits, the ground is wetter than drained" in said


@pytest.mark.parametrize("verdict", ["go", "do_not"])
def test_booked_work_is_judged_with_what_to_lift(verdict: str) -> None:
    """A booking of tomorrow morning is judged by its window: open, or shut with its reason."""
    changed: Mapping[str, Any] = {} if verdict == "go" else {"root_zone_wetness": series(2.0)}
    job = DatedPass("scarifying", "standard", NOW_MS + DAY_MS, NOW_MS + DAY_MS + 4 * HOUR_MS)
    ground = replace(GROUND, buried=(Buried("t1", 0.020),))
    found = look(hours=good_hours(**changed), ground=ground)
    plan = plan_of(surface(station(), PassAdvice(found, window_words(found, LONDON)), booked=(job,)), SEEN)
    ((told, judgement, lift),) = plan.booked
    assert (told, judgement.verdict) == (job, verdict)
    assert bool(lift) == (verdict == "go")  # nobody lifts a probe for what must not be made
    assert len(spans(plan, Says.JUDGED)) == 1 and contradictions(plan.lines) == ()
    assert len(spans(plan, Says.GO_AHEAD)) == (verdict == "go")


@pytest.mark.parametrize(
    ("days", "wet", "said"),
    [
        (1, False, "Green: scarifying is booked for Thu 7:00. Go, as far as can be seen."),
        (4, False, ""),
        (4, True, "Green: scarifying is booked for Sun 7:00. Do not: soil too wet."),
    ],
)
def test_the_digest_has_booked_work_judged(days: int, wet: bool, said: str) -> None:
    """Work that can be done is told on its eve; what cannot, as soon as it shows."""
    job = DatedPass("scarifying", "standard", NOW_MS + days * DAY_MS, NOW_MS + days * DAY_MS + 4 * HOUR_MS)
    changed = {"root_zone_wetness": series(2.0)} if wet else {}
    plan = plan_of(surface(station(), *passes("scarifying", **changed), booked=(job,)), SEEN)
    told = [one.text for one in plan_news(plan, NOW_MS, LONDON)]
    assert len(told) == bool(said) and all(one.startswith(said) for one in told)


def test_the_state_of_a_course_is_its_evening() -> None:
    """An hour's change of the forecast is no news; another evening is."""
    keys = [
        [one.key for one in plan_news(plan_of(surface(station(thatch, 0.4)), SEEN), NOW_MS, LONDON)]
        for thatch in (1.1, 1.11, 1.2)
    ]
    assert keys[0] == keys[1] != keys[2] and keys[0][0].startswith("water/g1=thatch")


def test_a_course_in_the_digest_is_a_line_a_step() -> None:
    """The first step is its text, each step behind it a line of its own."""
    plan = plan_of(surface(station(1.1, 0.4)), SEEN)
    (news,) = plan_news(plan, NOW_MS, LONDON)
    assert [news.text, *news.further] == [f"Green: {step}" for step in plan.courses[0].steps]


def test_somebodys_word_stands_against_wet_ground() -> None:
    """A pass opened by a person with a reason is not shut by the plan: the reason stays with it."""
    word = Override("topdressing", "", TimeSpan(NOW_MS, NOW_MS + DAY_MS), "boards are laid", "Ann", NOW_MS)
    opened = look(
        "topdressing", hours=good_hours(root_zone_wetness=series(2.0)), ground=replace(GROUND, overrides=(word,))
    )
    plan = plan_of(surface(station(), PassAdvice(opened, "")), replace(SEEN, wettest=1.2))
    assert plan.advice.passes[0].outlook.windows[0].override == word
    assert plan.advice.passes[0].outlook.windows[0].verdict.name == "OPEN"
    assert contradictions(plan.lines) == ()
