"""The rules about water over hand-made series: they open, hold, close, and keep quiet on missing data."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.advice.phrases import spoken
from pipeline.alerts.model import (
    StationWatch,
)
from pipeline.alerts.runner import first_states, walk_station
from pipeline.alerts.water import RootsDryBounds, ThatchHoldingBounds
from pipeline.diary.facts import (
    DiaryFacts,
)
from pipeline.soil.wetting import Watering
from pipeline.units import Flag
from tests.pipeline.alerts.alert_series import (
    BOUNDS,
    CONTEXT,
    SLOT_MS,
    START_MS,
    H,
    dry_gauge,
    findings,
    holding_series,
    look,
    run,
    slot_of,
    watch_of,
)
from tests.pipeline.contexts import changed

# --- thatch holding ------------------------------------------------------------------------------------------------


def test_thatch_wet_for_sixty_hours_over_drying_roots_opens_and_closes():
    """Wet from 1 h on: opened 48 h later, closed when 12 h below the off bound (counting by hand)."""
    thatch, roots, rain = holding_series()
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch), rain))
    opened, closed = run("thatch_holding", watch, len(thatch))
    assert (opened.kind, slot_of(opened)) == ("opened", 4 + 48 * H)
    assert opened.since_ms == START_MS + 4 * SLOT_MS
    # the first dry finding comes at slot 4 + 240; twelve hours must have been seen after it
    assert (closed.kind, slot_of(closed)) == ("closed", 4 + 60 * H + 12 * H)
    assert opened.alert_id == closed.alert_id and opened.id != closed.id


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"hours": 47.5}, "drained half an hour too soon"),
        ({"roots": 0.8}, "roots neither dry nor drying"),
        ({"roots": np.nan}, "roots not known"),
        ({"rain": {3: 8.0, 100: 2.0}}, "rain in between"),
        ({"watered": 100}, "somebody watered"),
        ({"risen": 100}, "the thatch itself rose: water nobody wrote down"),
        ({"gap": (60, 60 + 20 * H)}, "twenty hours of it not seen"),
        ({"gauge_away": (20, 20 + 20 * H)}, "for twenty hours nobody knows whether it rained"),
    ],
    ids=lambda v: v.replace(" ", "-") if isinstance(v, str) else "",
)
def test_thatch_holding_keeps_quiet(change, why):
    """Each of the conditions, when it fails, keeps the rule from opening (table by hand)."""
    thatch, roots, rain = holding_series(change.get("hours", 60.0))
    rain = change.get("rain", rain)
    if "roots" in change:
        roots = np.full(len(thatch), change["roots"])
    if "risen" in change:
        thatch[change["risen"] :] += 0.2 * (thatch[change["risen"] :] > 0.9)
    if "gap" in change:
        thatch[slice(*change["gap"])] = np.nan
    gauge = dry_gauge(len(thatch), rain)
    if "gauge_away" in change:
        gauge.loc[slice(*change["gauge_away"]), ["value", "flag"]] = [np.nan, Flag.MISSING]
    begin = START_MS + change.get("watered", -1000) * SLOT_MS
    watch = watch_of(findings(thatch=thatch, roots=roots), gauge)
    assert run("thatch_holding", watch, len(thatch), diary=DiaryFacts((Watering(begin, begin + 1),))) == [], why


def test_short_gap_is_not_counted_but_does_not_start_again():
    """Six hours not seen in the middle put the opening off by as much, and no more."""
    thatch, roots, rain = holding_series()
    thatch[80 : 80 + 6 * H] = np.nan
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch), rain))
    events = run("thatch_holding", watch, len(thatch))
    # from the last finding before the gap to the first after it: six hours and one quarter not counted
    assert slot_of(events[0]) == 4 + 48 * H + 6 * H + 1


@pytest.mark.parametrize(("last_rain_slot", "opens"), [(40, 40 + 48 * H), (0, 48 * H), (13 * H, None)])
def test_thatch_without_air_opens_two_days_after_the_rain(last_rain_slot, opens):
    """Air below 0.10 for 48 h opens the alert whatever the roots, but within 48 h of rain everybody knows (by hand)."""
    slots = 60 * H
    rain = {k: 3.0 for k in range(0, last_rain_slot + 1, 20)} | {last_rain_slot: 3.0}
    found = findings(thatch=np.full(slots, 1.4), air=np.full(slots, 0.08), roots=np.full(slots, 1.0))
    events = run("thatch_holding", watch_of(found, dry_gauge(slots, rain)), slots)
    assert [slot_of(e) for e in events] == ([] if opens is None else [opens])
    assert all("hardly any air" in e.text for e in events)


def nine_wet_days(roots_at: dict[int, float] | None = None, airless_from: int | None = None, rain=None) -> StationWatch:
    """Wet for nine days after rain, the roots at 0.6 and drying until a slot, the air enough until another."""
    thatch, _, first_rain = holding_series(9 * 24.0)
    roots = np.maximum(0.7 - 0.002 * np.arange(len(thatch)), 0.6)
    for slot, value in (roots_at or {}).items():
        roots[slot:] = value
    air = np.full(len(thatch), 0.3)
    if airless_from is not None:
        air[airless_from : 4 + 9 * 24 * H] = 0.05
    return watch_of(findings(thatch=thatch, roots=roots, air=air), dry_gauge(len(thatch), rain or first_rain))


@pytest.mark.parametrize(
    ("change", "repeats", "words"),
    [
        ({}, [], []),  # nothing new for a week
        ({"roots_at": {4 + 150 * H: 0.45}}, [150 * H], ["now the roots below go short"]),
        (
            {"roots_at": {4 + 60 * H: 0.45}},
            [120 * H],
            ["now the roots below go short"],
        ),  # not before three days are over
        ({"roots_at": {4 + 150 * H: 0.45, 4 + 170 * H: 0.55, 4 + 180 * H: 0.45}}, [150 * H], ["short"]),  # once
        ({"airless_from": 4 + 100 * H}, [148 * H], ["now has hardly any air"]),
        ({"roots_at": {4 + 125 * H: 0.45}, "airless_from": 4 + 150 * H}, [125 * H, 198 * H], ["short", "air"]),
        ({"roots_at": {4 + 150 * H: 0.45}, "rain": {3: 8.0, 4 + 140 * H: 5.0}}, [188 * H], ["short"]),  # two days on
    ],
)
def test_thatch_holding_is_said_again_only_with_news(change, repeats, words):
    """Wet for nine days: opened after 2; said again when it got worse, three days after the last word (by hand)."""
    watch = nine_wet_days(**change)
    events = run("thatch_holding", watch, len(watch.found["thatch_wetness"].value))
    assert [e.kind for e in events] == ["opened", *["repeated"] * len(repeats), "closed"]
    assert [slot_of(e) - 4 for e in events[1:-1]] == repeats
    assert all(word in e.text for word, e in zip(words, events[1:-1], strict=True))
    assert len({e.alert_id for e in events}) == 1 and len({e.id for e in events}) == len(events)


@pytest.mark.parametrize(
    ("rain", "airless_from", "said"),
    [
        ({3: 8.0}, None, "has stayed wet for 9 days without rain"),
        ({3: 8.0} | {4 + 24 * H * day: 0.4 for day in range(4, 8)}, None, "has stayed wet for 9 days without rain"),
        ({3: 8.0, 4 + 24 * H * 6: 5.0}, None, "has stayed wet for 3 days without rain"),
        ({3: 8.0, 4 + 24 * H * 6: 5.0}, 4, "has been waterlogged for 9 days"),  # that goes on in the rain
    ],
)
def test_how_long_thatch_has_held_water_is_counted_when_it_is_read(rain, airless_from, said):
    """Wet from 1 h on, opened two days later, read nine days in; traces are no rain (by hand)."""
    watch = nine_wet_days(airless_from=airless_from, rain=rain)
    if airless_from is not None:
        watch.found["root_zone_wetness"].value[:] = 1.0
    states = {k: s for k, s in first_states(CONTEXT, START_MS).items() if s.rule == "thatch_holding"}
    states, _ = walk_station(states, watch, DiaryFacts(), START_MS + 9 * 24 * H * SLOT_MS, BOUNDS)
    (state,) = states.values()
    assert state.is_open and said in spoken(state.text, START_MS + 9 * 24 * H * SLOT_MS, None)


def test_how_long_roots_have_been_dry_is_counted_when_it_is_read():
    """Opened after a day, read after thirty (by hand)."""
    watch = watch_of(findings(roots=np.full(3 * 24 * H, 0.3)))
    states = {k: s for k, s in first_states(CONTEXT, START_MS).items() if s.rule == "roots_dry"}
    states, (opened,) = walk_station(states, watch, DiaryFacts(), START_MS + 3 * 24 * H * SLOT_MS, BOUNDS)
    (state,) = states.values()
    assert "have been dry for 24 hours" in opened.text
    assert "have been dry for 30 days" in spoken(state.text, START_MS + 30 * 24 * H * SLOT_MS, None)


def test_open_alert_holds_through_missing_data():
    """Findings withheld for days neither close an open alert nor say it again."""
    thatch, roots, rain = holding_series()
    thatch[4 + 50 * H :] = np.nan
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch), rain))
    assert [e.kind for e in run("thatch_holding", watch, len(thatch))] == ["opened"]


def test_between_the_bounds_nothing_changes():
    """Thatch at 0.8, below on and above off, leaves an open alert open (hysteresis)."""
    thatch, roots, rain = holding_series()
    thatch[thatch == 0.7] = 0.8
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch), rain))
    assert [e.kind for e in run("thatch_holding", watch, len(thatch))] == ["opened"]


def test_station_without_a_gauge_can_hold_too():
    """Without any rain channel the thatch's own rises are all that is asked."""
    thatch, roots, _ = holding_series()
    context = changed(CONTEXT, rain_channel=None)
    watch = watch_of(findings(thatch=thatch, roots=roots), context=context)
    assert [e.kind for e in run("thatch_holding", watch, len(thatch))] == ["opened", "closed"]


def test_rule_switched_off_says_nothing():
    """A site may switch a rule off; its state stays as it was."""
    thatch, roots, rain = holding_series()
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch), rain))
    states = {k: s for k, s in first_states(CONTEXT, START_MS).items() if s.rule == "thatch_holding"}
    bounds = {"thatch_holding": ThatchHoldingBounds(enabled=False)}
    assert walk_station(states, watch, DiaryFacts(), START_MS + 10**9, bounds) == (states, [])


# --- roots dry -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("roots", "expected"),
    [
        ([0.3] * (24 * H + 1), [("opened", 24 * H)]),
        ([0.3] * (24 * H), []),  # a quarter hour short
        ([0.35] * (48 * H), []),  # at the bound is not below it
        ([0.3] * (12 * H) + [0.36] + [0.3] * (23 * H), []),  # interrupted
        ([0.3] * (24 * H + 1) + [0.45] * (48 * H), [("opened", 24 * H)]),  # between the bounds
        ([0.3] * (24 * H + 1) + [0.6] * (3 * H), [("opened", 24 * H), ("closed", 24 * H + 1 + 2 * H)]),
        ([0.3] * (24 * H + 1) + [0.6] * H + [0.4] * H + [0.6] * H, [("opened", 24 * H)]),
        ([np.nan] * (60 * H), []),
        ([0.3] * (12 * H) + [np.nan] * (6 * H) + [0.3] * (12 * H + 2), [("opened", 24 * H + 6 * H + 1)]),
        ([0.3] * (12 * H) + [np.nan] * (25 * H) + [0.3] * (20 * H), []),  # too long a gap: begins again
        ([0.3] * (24 * H + 1) + [np.nan] * (60 * H), [("opened", 24 * H)]),
    ],
)
def test_roots_dry_table(roots, expected):
    """Bounds 0.35 and 0.5, 24 h to open and 2 h to close, counted by hand."""
    events = run("roots_dry", watch_of(findings(roots=np.array(roots))), len(roots))
    assert [(e.kind, slot_of(e)) for e in events] == expected


@pytest.mark.parametrize(
    ("thatch", "roots", "soil", "opens"),
    [(0.2, 0.3, "loam", True), (0.21, 0.3, "loam", False), (np.nan, 0.3, "loam", True), (0.1, 0.3, "sand", False),
     (0.1, 0.19, "sand", True), (0.1, 0.2, "sand", False)],
)  # fmt: skip
def test_roots_are_dry_where_the_grass_goes_short(thatch, roots, soil, opens):
    """Bound 0.35, in sand 0.55 of it, 0.1925; thatch above 0.2 feeds the grass whatever lies below: by the simulated
    column, where roots then took all they were asked for."""
    context = changed(CONTEXT, soil=soil)
    watch = watch_of(findings(roots=np.full(30 * H, roots), thatch=np.full(30 * H, thatch)), context=context)
    assert [slot_of(e) for e in run("roots_dry", watch, 30 * H)] == [24 * H] * opens


def test_findings_that_may_still_change_are_waited_for():
    """A finding counts three hours after its quarter hour is over: a spike is known by what follows it."""
    watch, key = watch_of(findings(roots=np.full(30 * H, 0.3))), "square-1/roots_dry"
    state = first_states(CONTEXT, START_MS)[key]
    due_ms = START_MS + (24 * H + 1) * SLOT_MS + 3 * H * SLOT_MS
    assert look("roots_dry", state, watch, DiaryFacts(), due_ms - 1)[1] == []
    assert len(look("roots_dry", state, watch, DiaryFacts(), due_ms)[1]) == 1


def test_site_bounds_are_used():
    """A site that wants to hear sooner does."""
    bounds = {"roots_dry": RootsDryBounds(on_wetness=0.45, hold_h=6.0)}
    events = run("roots_dry", watch_of(findings(roots=np.full(10 * H, 0.4))), 10 * H, bounds=bounds)
    assert [slot_of(e) for e in events] == [6 * H]


def test_zero_bound_is_a_bound():
    """A bound of zero is not switched off: wetness below zero opens, above does not."""
    bounds = {"roots_dry": RootsDryBounds(on_wetness=0.0, hold_h=0.0)}
    assert run("roots_dry", watch_of(findings(roots=np.full(9, 0.1))), 9, bounds=bounds) == []
    assert len(run("roots_dry", watch_of(findings(roots=np.full(9, -0.1))), 9, bounds=bounds)) == 1
