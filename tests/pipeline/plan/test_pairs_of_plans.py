"""Every pair of the table of contradictions can hold of real plans: what two of them say, put together, is found.

Expected: the rules of the trade, common practice, no source. Each plan by itself holds no pair.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from pipeline.advice.healing import LastGoodDate
from pipeline.advice.report import PassAdvice, SurfaceAdvice, too_late_once, window_words
from pipeline.diary.facts import DatedPass
from pipeline.plan.contradictions import CONTRADICTIONS, contradictions
from pipeline.plan.lines import Says
from pipeline.plan.surface_plan import WorkPlan, plan_of
from pipeline.soil.wetting import Watering
from pipeline.units import DAY_MS, HOUR_MS, TimeSpan
from tests.pipeline.advice.window_series import GROUND, NOW_MS, good_hours, look, series
from tests.pipeline.plan.test_strips import match, square
from tests.pipeline.plan.test_surface_plan import EVENING_MS, LONDON, SEEN, passes, station, surface

PLAY = datetime.date(2026, 6, 6)
BOOKED = DatedPass("scarifying", "standard", NOW_MS + DAY_MS, NOW_MS + DAY_MS + 4 * HOUR_MS)
WET_ALL_ALONG = {"thatch_wetness": series(1.5)}


def spiking(*, locked: bool) -> PassAdvice:
    """Tines on a green, or shut out of a square in season."""
    season = (TimeSpan(NOW_MS - 30 * DAY_MS, NOW_MS + 90 * DAY_MS),)
    ground = replace(GROUND, kind="square", seasons=season) if locked else GROUND
    found = look("solid_tining", ground=ground)
    return PassAdvice(found, window_words(found, LONDON))


def without_water() -> PassAdvice:
    """A pass that waits for rain, for there is nothing to water with."""
    dry = good_hours("solid_tining", root_zone_wetness=series(0.5), thatch_wetness=series(0.6))
    found = look("solid_tining", hours=dry, ground=replace(GROUND, water_to_hand=False))
    return PassAdvice(found, window_words(found, LONDON))


def healing(**late: bool) -> tuple[PassAdvice, ...]:
    """Passes that have to heal for play, each too late or not, said as a surface says it."""
    found = []
    for kind, is_late in late.items():
        (one,) = passes(kind)
        day = None if is_late else PLAY - datetime.timedelta(days=5)
        last = LastGoodDate(day, day, False)
        found.append(replace(one, last_good=last, needed_on=PLAY, for_play=False, last_good_words=f"do the {kind}"))
    return too_late_once(found)


def with_booked(root: float, mm: float) -> SurfaceAdvice:
    """A green with a watering booked for tonight."""
    return surface(replace(station(root=root), booked=(Watering(EVENING_MS, EVENING_MS + HOUR_MS, mm),)))


PLANS: dict[str, Callable[[], WorkPlan]] = {
    "thirsty": lambda: plan_of(surface(station(root=0.4)), SEEN),
    "drier": lambda: plan_of(surface(station(root=0.55)), SEEN),
    "moist": lambda: plan_of(surface(station(root=0.95)), SEEN),
    "no water": lambda: plan_of(surface(station(root=0.95), without_water(), water_to_hand=False), SEEN),
    "spike": lambda: plan_of(surface(station(1.1, 0.4), spiking(locked=False)), SEEN),
    "spiking locked": lambda: plan_of(surface(station(1.1, 0.4), spiking(locked=True)), SEEN),
    "soaked": lambda: plan_of(surface(station(1.6, 1.2)), replace(SEEN, wettest=1.5)),
    "firm": lambda: plan_of(surface(station(root=0.95)), replace(SEEN, wettest=0.8)),
    "open": lambda: plan_of(surface(station(root=0.95), *passes("scarifying")), SEEN),
    "shut": lambda: plan_of(surface(station(root=0.95), *passes("scarifying", **WET_ALL_ALONG)), SEEN),
    "arrived": lambda: plan_of(surface(station(root=0.95)), replace(SEEN, arrived={"g1": 0.7})),
    "stopped": lambda: plan_of(surface(station(root=0.95)), replace(SEEN, arrived={"g1": 0.1})),
    "booked": lambda: plan_of(surface(station(root=0.95), *passes("scarifying"), booked=(BOOKED,)), SEEN),
    "shallower": lambda: plan_of(surface(station(root=0.95), *healing(scarifying=True, verticutting=False)), SEEN),
    "all late": lambda: plan_of(surface(station(root=0.95), *healing(scarifying=True, verticutting=True)), SEEN),
    "as booked": lambda: plan_of(with_booked(0.4, 31.0), SEEN),
    "in vain": lambda: plan_of(with_booked(0.95, 31.0), SEEN),
    "strip by need": lambda: plan_of(square(match(-9, 4), strip=4), SEEN),
    "strip dried": lambda: plan_of(square(match(3, 4), strip=4), SEEN),
    "strip lightly": lambda: plan_of(square(match(8, 4), strip=4), SEEN),
    "in time": lambda: plan_of(surface(station(root=0.95), *healing(scarifying=False)), SEEN),
}
# By pair: what the one plan says, that plan, and the other, all of which is said.
TOLD = {
    "keep water off / deep water": (Says.WATER, "thirsty", "moist"),
    "two amounts of water": (Says.WATER, "thirsty", "drier"),
    "no water to hand / give water": (Says.LACKS_WATER, "no water", "thirsty"),
    "wait for rain / water to hand": (Says.WAIT_FOR_RAIN, "no water", "moist"),
    "spike first / spiking locked": (Says.SPIKE, "spike", "spiking locked"),
    "better not go on / work or water": (Says.KEEP_OFF, "soaked", "firm"),
    "open / shut": (Says.PASS_OPEN, "open", "shut"),
    "reached the roots / stopped short": (Says.ARRIVED, "arrived", "stopped"),
    "shut / booked without a word": (Says.BOOKED, "booked", "shut"),
    "go as booked / shut, no water": (Says.GO_AHEAD, "as booked", "moist"),
    "water / more of it booked": (Says.GO_AHEAD, "as booked", "drier"),
    "water / every booking of it told to wait": (Says.PUT_OFF, "in vain", "as booked"),
    "too late / go shallower": (Says.SHALLOWER, "shallower", "all late"),
    "do it by / too late": (Says.DO_BY, "in time", "all late"),
    "a strip by its need / dried for play": (Says.BY_NEED, "strip by need", "strip dried"),
    "last water of a strip / none for play": (Says.TOO_NEAR, "strip dried", "strip lightly"),
    "a strip lightly / deep water": (Says.LIGHT_ONLY, "strip lightly", "thirsty"),
}


def test_no_pair_is_left_out() -> None:
    """Each pair of the table is made here, and every tag is said by some plan."""
    assert [one.name for one in CONTRADICTIONS] == list(TOLD)
    said = {line.says for made in PLANS.values() for line in made().lines}
    assert {Says.GO_ON, Says.WAIT_FOR_RAIN, Says.DO_BY, Says.TOO_LATE, Says.SHALLOWER} <= said
    assert set(Says) - said == {Says.SEED_WATER}  # of another test


@pytest.mark.parametrize("name", PLANS)
def test_a_plan_by_itself_holds_no_pair(name: str) -> None:
    """None of the plans that pairs are made of contradicts itself."""
    assert contradictions(PLANS[name]().lines) == ()


@pytest.mark.parametrize("pair", TOLD)
def test_a_pair_is_found_in_what_two_plans_say(pair: str) -> None:
    """One thing of the first beside all of the second is found as the pair."""
    says, one, other = TOLD[pair]
    first = [line for line in PLANS[one]().lines if line.says is says]
    assert first, "the first plan does not say it"
    assert pair in contradictions([*first, *PLANS[other]().lines])


def test_restricted_water_is_none_to_hand() -> None:
    """Where watering is forbidden a pass may wait for rain, and the plan does not contradict itself."""
    plan = plan_of(surface(station(root=0.4, restricted=True), without_water()), SEEN)
    said = {line.says for line in plan.lines}
    assert Says.LACKS_WATER in said and Says.HAS_WATER not in said and Says.WAIT_FOR_RAIN in said
    assert contradictions(plan.lines) == ()
    assert np.isfinite([line.mm for line in plan.lines if line.mm is not None]).all()
