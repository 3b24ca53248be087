"""The three alert rules over hand-made series: open, hold, close, keep quiet on missing data, survive any restart."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.probe import load_probe
from pipeline.advice.alerts import (
    RULES,
    AlertBounds,
    AlertEvent,
    AlertState,
    Diary,
    StationWatch,
    evaluate,
    first_states,
    needed_from_ms,
)
from pipeline.advice.watch import for_how_long
from pipeline.flags import Flag
from pipeline.site import AlertsConfig, RootsDryConfig, ThatchHoldingConfig
from pipeline.stages import Dated, StationContext, StationFrame, process

START_MS = 1_714_521_600_000  # 2024-05-01 00:00 UTC
SLOT_MS = 900_000
H = 4  # slots in an hour
RAIN = "square-1/w1/rain"
THATCH = "square-1/t1/moisture"
CHANNELS = {
    f"square-1/{probe}/{name}": load_probe(model).channel(name)
    for probe, model, names in (
        ("t1", "thatch", ("moisture", "temperature")),
        ("p1", "root_zone_profile", ("moisture_065", "moisture_110")),
        ("w1", "weather", ("rain",)),
    )
    for name in names
}
CONTEXT = StationContext("square-1", CHANNELS, cores=(Dated(0, 0.016),), rain_channel=RAIN)
BOUNDS = AlertBounds()


def findings(*, thatch=None, air=None, roots=None) -> pd.DataFrame:
    """Findings a quarter hour apart; each argument is an array of values."""
    named = {"thatch_wetness": thatch, "thatch_air": air, "root_zone_wetness": roots}
    tables = [
        pd.DataFrame({"quantity": q, "start_ms": START_MS + np.arange(len(v)) * SLOT_MS, "value": v})
        for q, v in named.items()
        if v is not None
    ]
    if not tables:
        return pd.DataFrame({"quantity": [], "start_ms": np.array([], dtype="int64"), "value": np.array([])})
    return pd.concat(tables, ignore_index=True)


def heard(channel: str, value: np.ndarray, flag: int | np.ndarray = Flag.GOOD, shift_ms: int = 4000) -> pd.DataFrame:
    """Observations of a channel, one a quarter hour."""
    at = START_MS + np.arange(len(value)) * SLOT_MS + shift_ms
    return pd.DataFrame({"channel": channel, "measured_at_ms": at, "value": value, "flag": flag})


def dry_gauge(slots: int, rain_at: dict[int, float] | None = None) -> pd.DataFrame:
    """A gauge that works; rain in the slots named. [mm]"""
    rain = np.zeros(slots)
    for slot, mm in (rain_at or {}).items():
        rain[slot] = mm
    return heard(RAIN, rain)


def watch_of(found: pd.DataFrame, *observed: pd.DataFrame, context: StationContext = CONTEXT) -> StationWatch:
    seen = pd.concat(observed, ignore_index=True) if observed else heard(RAIN, np.array([]))
    return StationWatch("club", "square", "Square, north end", context, found, seen)


def run(
    rule: str,
    watch: StationWatch,
    slots: int,
    *,
    probe: str = "",
    diary: Diary | None = None,
    bounds: AlertBounds = BOUNDS,
) -> list[AlertEvent]:
    """Events of one rule over the whole record, looked at once: of findings, late enough for every one to stand."""
    key = "/".join(p for p in ("square-1", rule, probe) if p)
    state = first_states(watch.context, START_MS)[key]
    now_ms = START_MS + (slots + (0 if rule == "probe_fault" else 14)) * SLOT_MS
    return RULES[rule](state, watch, diary if diary is not None else Diary(), now_ms, bounds)[1]


def slot_of(at: AlertEvent) -> float:
    return (at.at_ms - START_MS) / SLOT_MS


def holding_series(hours: float = 60.0) -> tuple[np.ndarray, np.ndarray, dict[int, float]]:
    """Rain for an hour, then thatch above its drained limit for `hours` while the root zone falls, then 20 h dry."""
    wet = round(hours * H)
    thatch = np.concatenate([np.full(4, 0.6), np.linspace(1.3, 1.0, wet), np.full(20 * H, 0.7)])
    roots = 0.8 - 0.002 * np.arange(len(thatch))  # 0.19 in a day: a warm one, from 25 mm of easy water
    return thatch, roots, {3: 8.0}


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
    assert run("thatch_holding", watch, len(thatch), diary=Diary(((begin, begin + 1),))) == [], why


def test_short_gap_is_not_counted_but_does_not_start_again():
    """Six hours not seen in the middle put the opening off by as much, and no more."""
    thatch, roots, rain = holding_series()
    thatch[80 : 80 + 6 * H] = np.nan
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch), rain))
    events = run("thatch_holding", watch, len(thatch))
    # from the last finding before the gap to the first after it: six hours and one quarter not counted
    assert slot_of(events[0]) == 4 + 48 * H + 6 * H + 1


def test_thatch_without_air_opens_even_while_it_rains():
    """Air-filled porosity below 0.10 for 48 h opens the alert whatever the rain and the roots."""
    slots = 60 * H
    rain = {k: 3.0 for k in range(0, slots, 20)}
    found = findings(thatch=np.full(slots, 1.4), air=np.full(slots, 0.08), roots=np.full(slots, 1.0))
    events = run("thatch_holding", watch_of(found, dry_gauge(slots, rain)), slots)
    assert [slot_of(e) for e in events] == [48 * H]
    assert "hardly any air" in events[0].text


def test_thatch_holding_is_said_again_every_three_days():
    """Wet for nine days: opened after 2, said again 72 h and 144 h later."""
    thatch, roots, rain = holding_series(9 * 24.0)
    roots = np.maximum(roots, 0.3)
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch), rain))
    events = run("thatch_holding", watch, len(thatch))
    assert [e.kind for e in events] == ["opened", "repeated", "repeated", "closed"]
    assert [slot_of(e) - 4 for e in events[:3]] == [48 * H, 120 * H, 192 * H]
    assert len({e.alert_id for e in events}) == 1 and len({e.id for e in events}) == 4


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
    context = replace(CONTEXT, rain_channel=None)
    watch = watch_of(findings(thatch=thatch, roots=roots), context=context)
    assert [e.kind for e in run("thatch_holding", watch, len(thatch))] == ["opened", "closed"]


def test_rule_switched_off_says_nothing():
    """A site may switch a rule off; its state stays as it was."""
    thatch, roots, rain = holding_series()
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch), rain))
    states = {k: s for k, s in first_states(CONTEXT, START_MS).items() if s.rule == "thatch_holding"}
    bounds = AlertBounds.from_config(AlertsConfig(thatch_holding=ThatchHoldingConfig(enabled=False)))
    assert evaluate(states, watch, Diary(), START_MS + 10**9, bounds) == (states, [])


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


def test_findings_that_may_still_change_are_waited_for():
    """A finding counts three hours after its quarter hour is over: a spike is known by what follows it."""
    watch, key = watch_of(findings(roots=np.full(30 * H, 0.3))), "square-1/roots_dry"
    state = first_states(CONTEXT, START_MS)[key]
    due_ms = START_MS + (24 * H + 1) * SLOT_MS + 3 * H * SLOT_MS
    assert RULES["roots_dry"](state, watch, Diary(), due_ms - 1, BOUNDS)[1] == []
    assert len(RULES["roots_dry"](state, watch, Diary(), due_ms, BOUNDS)[1]) == 1


def test_site_bounds_are_used():
    """A site that wants to hear sooner does."""
    bounds = AlertBounds.from_config(AlertsConfig(roots_dry=RootsDryConfig(on_wetness=0.45, hold_h=6.0)))
    events = run("roots_dry", watch_of(findings(roots=np.full(10 * H, 0.4))), 10 * H, bounds=bounds)
    assert [slot_of(e) for e in events] == [6 * H]


def test_zero_bound_is_a_bound():
    """A bound of zero is not switched off: wetness below zero opens, above does not."""
    bounds = AlertBounds.from_config(AlertsConfig(roots_dry=RootsDryConfig(on_wetness=0.0, hold_h=0.0)))
    assert run("roots_dry", watch_of(findings(roots=np.full(9, 0.1))), 9, bounds=bounds) == []
    assert len(run("roots_dry", watch_of(findings(roots=np.full(9, -0.1))), 9, bounds=bounds)) == 1


# --- probe fault ---------------------------------------------------------------------------------------------------


def moving(slots: int, seed: int = 3) -> np.ndarray:
    return 0.4 + np.random.default_rng(seed).normal(0, 0.003, slots)


def thatch_probe(value: np.ndarray, flag: int | np.ndarray = Flag.GOOD) -> pd.DataFrame:
    """Both channels of the thatch probe, a second apart."""
    temperature = heard("square-1/t1/temperature", np.where(np.isnan(value), np.nan, 12.0), flag, shift_ms=5000)
    return pd.concat([heard(THATCH, value, flag), temperature], ignore_index=True)


def test_probe_silent_for_three_hours_opens_and_two_good_hours_close():
    """Last heard at slot 40, 5 s into it: due 3 h later; heard again at slot 80, good 2 h later (counting by hand)."""
    table = thatch_probe(moving(120))
    at = (table["measured_at_ms"] - START_MS) // SLOT_MS
    watch = watch_of(findings(), table[(at <= 40) | (at >= 80)])
    opened, closed = run("probe_fault", watch, 120, probe="t1")
    assert opened.at_ms == START_MS + 40 * SLOT_MS + 5000 + 3 * 3_600_000
    assert "t1 has said nothing of use for 3 hours" in opened.text
    assert (closed.kind, slot_of(closed)) == ("closed", 80 + 2 * H)


@pytest.mark.parametrize("flag", [Flag.MISSING, Flag.FAIL])
def test_failed_answers_count_as_silence(flag):
    """Three hours of silence on record, or of garble, are silence."""
    flags = np.full(60, Flag.GOOD)
    flags[20:40] = flag
    values = np.where(flags == Flag.GOOD, moving(60), np.nan)
    events = run("probe_fault", watch_of(findings(), thatch_probe(values, flags)), 60, probe="t1")
    assert [e.kind for e in events] == ["opened", "closed"]


def test_suspect_values_are_not_silence():
    """A frozen thatch, suspect for days, is no fault of the probe."""
    watch = watch_of(findings(), thatch_probe(moving(200), Flag.SUSPECT))
    assert run("probe_fault", watch, 200, probe="t1") == []


def test_one_dead_channel_is_named():
    """When one channel of a probe falls out for a day and the rest go on, the line names it."""
    flags = np.where(np.arange(150) < 20, Flag.GOOD, Flag.MISSING)
    temperature = heard("square-1/t1/temperature", np.full(150, 12.0), shift_ms=5000)
    watch = watch_of(findings(), heard(THATCH, moving(150), flags), temperature)
    (opened,) = run("probe_fault", watch, 150, probe="t1")
    assert "on moisture" in opened.text
    assert opened.at_ms == START_MS + 19 * SLOT_MS + 4000 + 24 * 3_600_000


def test_moisture_may_keep_silent_in_frozen_ground():
    """The same silence beside a thermometer at half a degree is no fault."""
    flags = np.where(np.arange(150) < 20, Flag.GOOD, Flag.MISSING)
    temperature = heard("square-1/t1/temperature", np.full(150, 0.5), shift_ms=5000)
    watch = watch_of(findings(), heard(THATCH, moving(150), flags), temperature)
    assert run("probe_fault", watch, 150, probe="t1") == []


@pytest.mark.parametrize(
    ("level", "rain", "hours", "kinds"),
    [
        (0.4, {30: 4.0, 60: 4.0}, 30, ["opened"]),  # stands still through 8 mm
        (0.4, {30: 2.0}, 30, []),  # too little rain to tell
        (0.4, {30: 4.0, 60: 4.0}, 23, []),  # not for long enough
        (0.7, {30: 4.0, 60: 4.0}, 30, []),  # full already: it could not rise
    ],
)
def test_flat_in_the_rain(level, rain, hours, kinds):
    """Flat 24 h in rain is a fault where the layer could have taken it (raw bounds by hand)."""
    slots = hours * H
    watch = watch_of(findings(), thatch_probe(np.full(slots, level)), dry_gauge(slots, rain))
    events = run("probe_fault", watch, slots, probe="t1")
    assert [e.kind for e in events] == kinds
    if kinds:
        assert slot_of(events[0]) == pytest.approx(24 * H, abs=0.01) and "8 mm" in events[0].text


def test_jump_beyond_porosity():
    """From 0.02 to 0.95 within a quarter hour, more than the 0.87 of pores a decayed thatch has, is a fault."""
    value = moving(60)
    value[30], value[31] = 0.02, 0.95
    (opened, closed) = run("probe_fault", watch_of(findings(), thatch_probe(value)), 60, probe="t1")
    assert opened.at_ms == START_MS + 31 * SLOT_MS + 4000 and "jumped" in opened.text
    assert slot_of(closed) == 32 + 2 * H


def test_wetting_in_minutes_is_no_fault():
    """Thatch going from dry to soaked within a quarter hour of rain is what thatch does."""
    value = np.concatenate([np.full(20, 0.15), np.full(40, 0.75)]) + moving(60) - 0.4
    watch = watch_of(findings(), thatch_probe(value), dry_gauge(60, {20: 10.0}))
    assert run("probe_fault", watch, 60, probe="t1") == []


def test_penetrometer_is_not_expected_to_speak():
    """A penetrometer is heard only when it is docked; its silence is no fault."""
    channels = {f"square-1/c1/{c.name}": c for c in load_probe("cone_hard").channels}
    context = StationContext("square-1", channels)
    watch = watch_of(findings(), context=context)
    states = first_states(context, START_MS)
    assert evaluate(states, watch, Diary(), START_MS + 10**10, BOUNDS)[1] == []


# --- all rules: batches, restarts, words ---------------------------------------------------------------------------


def eventful(seed: int) -> tuple[StationWatch, int]:
    """Ten days in which everything happens at random."""
    rng = np.random.default_rng(seed)
    slots = 10 * 24 * H
    level = np.repeat(rng.choice([0.3, 0.7, 1.1, 1.2, 1.2], 6), slots // 6)
    thatch = level + rng.normal(0, 0.01, slots)
    roots = np.repeat(rng.choice([0.2, 0.3, 0.45, 0.7], 8), slots // 8)
    air = np.repeat(rng.choice([0.05, 0.3], 3), slots // 3)
    for series in (thatch, roots):
        for begin in rng.integers(0, slots, 4):
            series[begin : begin + rng.integers(1, 60)] = np.nan
    rain = {int(k): 3.0 for k in rng.integers(0, slots, 4)}
    value = moving(slots, seed)
    value[300:460] = 0.4
    value[700], value[701] = 0.01, 0.95
    flags = np.full(slots, Flag.GOOD)
    for begin in rng.integers(0, slots, 5):
        flags[begin : begin + rng.integers(1, 60)] = rng.choice([Flag.MISSING, Flag.FAIL, Flag.SUSPECT])
    value[np.isin(flags, [Flag.MISSING])] = np.nan
    probe = thatch_probe(value, flags)
    probe = probe[rng.random(len(probe)) > 0.03]
    gap = START_MS + int(rng.integers(0, slots)) * SLOT_MS
    probe = probe[(probe["measured_at_ms"] < gap) | (probe["measured_at_ms"] > gap + 20 * SLOT_MS)]
    rows = [probe, dry_gauge(slots, {**rain, 350: 4.0, 380: 4.0}), heard("square-1/p1/moisture_065", moving(slots, 9))]
    return watch_of(findings(thatch=thatch, air=air, roots=roots), *rows), slots


def one_look(watch: StationWatch, slots: int) -> list[AlertEvent]:
    return evaluate(first_states(CONTEXT, START_MS), watch, Diary(), START_MS + (slots + 40) * SLOT_MS, BOUNDS)[1]


def many_looks(watch: StationWatch, slots: int, at: list[int]) -> list[AlertEvent]:
    """Events when looked at many times, each time after a restart, with what is known by then and somewhat too much."""
    states = first_states(CONTEXT, START_MS)
    events: list[AlertEvent] = []
    for now_ms in [*at, START_MS + (slots + 40) * SLOT_MS]:
        kept = json.loads(json.dumps({k: s.to_json() for k, s in states.items()}))
        states = {k: AlertState.from_json(s) for k, s in kept.items()}
        need = needed_from_ms(states.values()) - 8 * SLOT_MS
        f, o = watch.findings, watch.observations
        part = replace(
            watch,
            findings=f[(f["start_ms"] >= need) & (f["start_ms"] < now_ms)],
            observations=o[(o["measured_at_ms"] >= need) & (o["measured_at_ms"] < now_ms)],
        )
        states, said = evaluate(states, part, Diary(), now_ms, BOUNDS)
        events += said
    return events


def in_order(events: list[AlertEvent]) -> list[AlertEvent]:
    return sorted(events, key=lambda e: (e.at_ms, e.rule, e.probe, e.kind))


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.integers(0, 10 * 24 * H), max_size=8), st.sampled_from([0, 4500, 600_000]))
def test_events_do_not_depend_on_when_one_looks(seed, looks, offset_ms):
    """Any moments of looking, with a restart at each, lead to the same events with the same ids and words.

    An offset of 4.5 s falls between the two channels of one slot.
    """
    watch, slots = eventful(seed)
    once = one_look(watch, slots)
    assert in_order(many_looks(watch, slots, sorted(START_MS + k * SLOT_MS + offset_ms for k in looks))) == in_order(
        once
    )


def test_eventful_record_has_events_of_every_kind():
    """The record the batching test runs over does open, repeat and close alerts of all rules."""
    events = [e for seed in range(6) for e in one_look(*eventful(seed))]
    assert {e.rule for e in events} == set(RULES)
    assert {e.kind for e in events} == {"opened", "repeated", "closed"}


def test_restart_at_every_quarter_hour_changes_nothing():
    """A holding alert survives a restart in the middle of each slot, neither lost nor said twice."""
    watch, _ = eventful(5)
    every = [START_MS + k * SLOT_MS + 4500 for k in range(300)]
    part = replace(
        watch,
        findings=watch.findings[watch.findings["start_ms"] < START_MS + 300 * SLOT_MS],
        observations=watch.observations[watch.observations["measured_at_ms"] < START_MS + 300 * SLOT_MS],
    )
    assert in_order(many_looks(part, 300, every)) == in_order(one_look(part, 300))


def test_alert_ids_differ_between_alerts_and_sites():
    """Two openings, or the same at two sites, are two alerts."""
    roots = np.array(([0.3] * 30 * H + [0.6] * 4 * H) * 2)
    watch = watch_of(findings(roots=roots))
    ids = {e.alert_id for e in run("roots_dry", watch, len(roots))}
    other = {e.alert_id for e in run("roots_dry", replace(watch, site="other"), len(roots))}
    assert len(ids) == 2 and len(ids | other) == 4


def test_lines_are_short_and_plain():
    """Every line begins with the place, is one line under 160 signs, and has no decimals."""
    events = [e for seed in range(6) for e in one_look(*eventful(seed))]
    for said in events:
        assert said.text.startswith("Square, north end: ") and "\n" not in said.text and len(said.text) < 160
        assert not any(
            a.isdigit() and b == "." and c.isdigit()
            for a, b, c in zip(said.text, said.text[1:], said.text[2:], strict=False)
        )


@pytest.mark.parametrize(
    ("hours", "words"), [(1, "1 hour"), (3.2, "3 hours"), (35, "35 hours"), (48, "2 days"), (75, "3 days")]
)
def test_length_of_time_in_words(hours, words):
    """Whole hours to a day and a half, then whole days: 75 h is 3 days (rounding by hand)."""
    assert for_how_long(int(hours * 3_600_000)) == words


def test_holding_from_raw_readings_to_the_line():
    """Raw permittivities of a thatch that stays wet 60 h after rain over drying soil end in one opened alert."""
    slots = 100 * H
    n = np.arange(slots)
    rng = np.random.default_rng(1)
    wet = (n >= 20) & (n < 20 + 60 * H)
    # 25 and 8 are 0.56 and 0.27 m3/m3 by Malicki 1996 at 0.3 g/cm3: wetness 1.4 and 0.3 of a decayed thatch
    raw = {
        THATCH: np.where(wet, 25.0 - 3.0 * (n - 20) / (60 * H), 8.0) + rng.normal(0, 0.05, slots),
        "square-1/t1/temperature": 14 + 3 * np.sin(n / 15.0),
        "square-1/p1/moisture_065": 15.0 - 0.01 * n + rng.normal(0, 0.02, slots),
        "square-1/p1/moisture_110": 15.0 - 0.01 * n + rng.normal(0, 0.02, slots),
        RAIN: np.where(n >= 20, 112.0, 100.0),
    }
    table = pd.concat(
        [
            pd.DataFrame(
                {
                    "channel": i,
                    "measured_at_ms": START_MS + n * SLOT_MS + 3000,
                    "raw": v,
                    "status": "ok",
                    "clock_ok": True,
                    "received_at_ms": START_MS + n * SLOT_MS + 9000,
                }
            )
            for i, v in raw.items()
        ]
    )
    result = process(StationFrame.from_raw(table), CONTEXT)
    watch = watch_of(result.findings, result.observations)
    events = [e for e in one_look(watch, slots) if e.rule == "thatch_holding"]
    assert [e.kind for e in events] == ["opened", "closed"]
    assert slot_of(events[0]) == pytest.approx(20 + 48 * H, abs=1)
