"""What holds for all alert rules: any rhythm of looking, any restart, plain words, and the way from raw to the line."""

from __future__ import annotations

import datetime
import importlib
import json
import pkgutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import alerts
from pipeline.advice.phrases import for_how_long
from pipeline.alerts.model import (
    OPENED,
    AlertEvent,
    AlertRule,
    AlertState,
    Change,
    Facts,
    Hold,
    Moment,
    RuleGrain,
    RuleOutcome,
    Span,
    StationWatch,
    UndeclaredRead,
    keep_run,
)
from pipeline.alerts.probes import LEAST_PORES
from pipeline.alerts.runner import (
    RULES,
    facts_of,
    first_states,
    found_in,
    needed,
    readings_from_ms,
    walk_station,
)
from pipeline.alerts.walk import walk
from pipeline.alerts.water import WATER_NOT_ARRIVING, RootsDryBounds
from pipeline.diary.facts import (
    DatedPass,
    DiaryFacts,
)
from pipeline.soil.arrival import SETTLE_H
from pipeline.soil.layers import MEDIA
from pipeline.soil.wetting import Watering
from pipeline.stages import STAGES
from pipeline.stages.recompute import process
from pipeline.stages.stage import series_of
from pipeline.units import Flag
from tests.pipeline.alerts.alert_series import (
    BOUNDS,
    CONTEXT,
    LEAF,
    RAIN,
    SLOT_MS,
    START_MS,
    THATCH,
    H,
    between,
    dry_gauge,
    findings,
    heard,
    moving,
    run,
    slot_of,
    thatch_probe,
    watch_of,
)


def eventful(seed: int) -> tuple[StationWatch, int]:
    """Ten days in which everything happens at random."""
    rng = np.random.default_rng(seed)
    slots = 10 * 24 * H
    level = np.repeat(rng.choice([0.05, 0.3, 0.7, 1.1, 1.2, 1.2], 6), slots // 6)
    thatch = level + rng.normal(0, 0.01, slots)
    roots = np.repeat(rng.choice([0.2, 0.3, 0.45, 0.7], 8), slots // 8)
    air = np.repeat(rng.choice([0.05, 0.3], 3), slots // 3)
    for series in (thatch, roots):
        for begin in rng.integers(0, slots, 4):
            series[begin : begin + rng.integers(1, 60)] = np.nan
    top = np.repeat(rng.choice([0.8, 1.1, 1.2], 2), slots // 2)
    leaf = np.repeat(rng.choice([-1.0, 1.0, 3.0], slots // 24), 24)
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
    found = findings(thatch=thatch, air=air, roots=roots, top=top)
    return watch_of(found, *rows, heard(LEAF, leaf), zone=datetime.UTC), slots


DAY_MS = 96 * SLOT_MS
DIARY = DiaryFacts(
    waterings=(Watering(START_MS + 5 * DAY_MS, START_MS + 5 * DAY_MS + 1),),
    plays=((START_MS + 3 * DAY_MS + 40 * SLOT_MS, START_MS + 3 * DAY_MS + 60 * SLOT_MS),),
    booked=tuple(DatedPass("slitting", "winter", START_MS + d * DAY_MS + 36 * SLOT_MS,
                           START_MS + d * DAY_MS + 60 * SLOT_MS)
                 for d in (2, 5, 6, 9)),
)  # fmt: skip


def one_look(watch: StationWatch, slots: int) -> list[AlertEvent]:
    return walk_station(first_states(CONTEXT, START_MS), watch, DIARY, START_MS + (slots + 40) * SLOT_MS, BOUNDS)[1]


def many_looks(watch: StationWatch, slots: int, at: list[int]) -> list[AlertEvent]:
    """Events when looked at many times, each time after a restart, with what is known by then and somewhat too much."""
    states = first_states(CONTEXT, START_MS)
    events: list[AlertEvent] = []
    for now_ms in [*at, START_MS + (slots + 40) * SLOT_MS]:
        kept = json.loads(json.dumps({k: s.to_json() for k, s in states.items()}))
        states = {k: AlertState.from_json(s) for k, s in kept.items()}
        need = needed(states.values()).from_ms - 8 * SLOT_MS
        states, said = walk_station(states, between(watch, need, now_ms), DIARY, now_ms, BOUNDS)
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
    """The batching test's record opens, repeats and closes alerts of all rules that rest on quarter hours."""
    events = [e for seed in range(16) for e in one_look(*eventful(seed))]
    elsewhere = {"water_running", "backup_old", "node_custody"}  # they have tests of their own
    assert {e.rule for e in events} == {r.name for r in RULES if r.grain is RuleGrain.QUARTER_HOUR} - elsewhere
    assert {e.kind for e in events} == {"opened", "repeated", "closed"}


def test_restart_at_every_quarter_hour_changes_nothing():
    """A holding alert survives a restart in the middle of each slot, neither lost nor said twice."""
    watch, _ = eventful(5)
    every = [START_MS + k * SLOT_MS + 4500 for k in range(300)]
    part = between(watch, 0, START_MS + 300 * SLOT_MS)
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
        assert (
            said.text.startswith(("Square, north end: ", "Square: ")) and "\n" not in said.text and len(said.text) < 160
        )
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
    result = process(series_of(table), CONTEXT)
    watch = watch_of(result.findings, result.observations)
    events = [e for e in one_look(watch, slots) if e.rule == "thatch_holding"]
    assert [e.kind for e in events] == ["opened", "closed"]
    assert slot_of(events[0]) == pytest.approx(20 + 48 * H, abs=1)


# --- what a rule declares --------------------------------------------------------------------------------------------

NAMES = {rule.name for rule in RULES}
READERS = [rule for rule in RULES if rule.reads]


def wettings_and_fortnights() -> StationWatch:
    """A week of wettings that do not arrive, with whatever else a rule of days reads."""
    rows = []
    for day in range(1, 8):
        begin, end = START_MS + day * DAY_MS, START_MS + day * DAY_MS + 8 * SLOT_MS
        values = {"wetting_given": 9.0, "arrival_share": 0.1, "root_depth_90": 0.05, "soil_temperature_050": 12.0}
        rows += [(quantity, begin, end, value, value) for quantity, value in values.items()]
    return watch_of(pd.DataFrame(rows, columns=["quantity", "start_ms", "end_ms", "value", "high"]))


def test_every_rule_has_a_name_of_its_own():
    """States, settings and events know a rule by its name alone."""
    assert len(NAMES) == len(RULES)


def test_every_rule_declared_is_among_the_rules_and_has_a_test():
    """A rule left out of its file's tuple is never walked, and one without a table test is not known to work."""
    modules = [importlib.import_module(f"pipeline.alerts.{m.name}") for m in pkgutil.iter_modules(alerts.__path__)]
    declared = {one.name for m in modules for one in vars(m).values() if isinstance(one, AlertRule)}
    assert declared - NAMES == set(), "not in the tuple of rules at the end of their file"
    tables = (p for p in Path(__file__).parent.glob("test_*.py") if p.stem not in ("test_rules", "test_runner"))
    tests = "".join(path.read_text(encoding="utf-8") for path in tables)
    assert {name for name in NAMES if f'"{name}"' not in tests} == set(), "without a test in tests/pipeline/alerts"


@pytest.mark.parametrize(
    ("rule", "quantity"), [(r, q) for r in READERS for q in (*r.reads, *r.before)], ids=lambda v: getattr(v, "name", v)
)
def test_a_rule_reads_all_it_declares_and_is_handed_nothing_else(rule, quantity):
    """With one quantity left out of its declaration a rule stops at once and names it: it cannot starve in silence."""
    less = replace(
        rule,
        reads=tuple(q for q in rule.reads if q != quantity),
        before={q: h for q, h in rule.before.items() if q != quantity},
    )
    at_ms = START_MS + 5 * DAY_MS
    facts = facts_of(
        less, wettings_and_fortnights(), DiaryFacts(waterings=(Watering(at_ms - 4 * SLOT_MS, at_ms),)), BOUNDS
    )
    state = AlertState(rule.name, "square-1", "", START_MS - 1)
    with pytest.raises(UndeclaredRead, match=f"reads {quantity!r}, declares .*Add it to"):
        if rule.grain is not RuleGrain.DAY:
            rule.look(state, Moment(at_ms, dict.fromkeys(less.reads, 0.2), 0.0, at_ms, False), facts)
        elif quantity == rule.reads[0]:
            facts.found(quantity)  # it comes as the spans that are walked
        else:
            rule.look(state, Span(at_ms, START_MS + DAY_MS, START_MS + DAY_MS + 8 * SLOT_MS, 9.0, 9.0), facts)


def test_stages_draw_every_finding_that_a_rule_reads():
    """A quantity misspelt in a declaration is one that no stage finds."""
    drawn = {q for stage in STAGES for q in stage.findings}
    asked = {q for rule in RULES for q in (*rule.reads, *rule.before)}
    assert asked - drawn == set()


def test_the_runner_reads_what_the_rules_declare():
    """Each finding is read from right behind the oldest state of a rule that declares it, and no earlier."""
    states = [s._replace(evaluated_to_ms=START_MS + k) for k, s in enumerate(first_states(CONTEXT, START_MS).values())]
    asked = {quantity: at_ms for at_ms, names in needed(states).findings.items() for quantity in names}
    by_rule = {state.rule: state.evaluated_to_ms for state in reversed(states)}
    oldest = {q: min(by_rule[r.name] for r in READERS if r.name in by_rule and q in r.reads) + 1 for q in asked}
    assert asked == oldest
    assert set(asked) == {q for rule in READERS if rule.name in by_rule for q in rule.reads}


def test_a_rule_without_findings_asks_for_no_readings():
    """A rule about quarter hours that has found nothing since keeps no channel from being read from where the others
    are; one that has asks for the rain from its own state on."""
    states = {s.rule: s for s in first_states(CONTEXT, START_MS).values()}
    behind = states["stay_off"]._replace(evaluated_to_ms=START_MS - 7 * DAY_MS)
    near = states["probe_fault"]._replace(evaluated_to_ms=START_MS)
    top = found_in(findings(top=np.full(4, 0.5)))
    assert readings_from_ms([behind, near], {}) == START_MS + SLOT_MS
    assert readings_from_ms([behind, near], top) == behind.evaluated_to_ms + SLOT_MS
    assert readings_from_ms([behind], {}) is None


def test_a_rule_of_days_has_its_first_quantity_to_walk():
    """Whoever declares the grain of a day must say whose spans are walked."""
    assert all(rule.reads for rule in RULES if rule.grain is RuleGrain.DAY)


def test_figures_that_a_rule_repeats_agree_with_the_soil():
    """A wetting is judged when its account has been struck, and no layer holds less than a jump that is looked at."""
    assert WATER_NOT_ARRIVING.settle_h == SETTLE_H + 1.0
    assert min(medium.fullest for medium in MEDIA.values()) >= LEAST_PORES


# --- how long a condition has held -----------------------------------------------------------------------------------


def days(*numbers: int) -> list[Span]:
    spans = [(START_MS + n * DAY_MS, START_MS + (n + 1) * DAY_MS) for n in numbers]
    return [Span(end, begin, end, 3.0, 3.0) for begin, end in spans]


@pytest.mark.parametrize(
    ("numbers", "held_days"),
    [
        ((0,), 1),
        ((0, 1, 2), 3),
        ((0, 1, 3), 3),  # a missing day does not count, and does not end the run
        ((0, 1, 5, 6), 4),  # three are missing: no more than three days
        ((0, 1, 6), 1),  # four are: it begins anew
    ],
)
def test_findings_of_a_day_add_up_to_a_hold(numbers, held_days):
    """Each day counts for itself (counted by hand); with quarter hours only time between them did."""
    run_so_far = None
    for day in days(*numbers):
        run_so_far = Hold.carried(run_so_far, day, RuleGrain.DAY)
    assert run_so_far is not None and run_so_far.held_ms == held_days * DAY_MS


def test_a_rule_of_days_holds_over_days():
    """Three cold days in a row open an alert, by day and once the last has settled; two do not."""

    def cold(state: AlertState, day: Span, facts: Facts[RootsDryBounds]) -> RuleOutcome:
        runs = dict(state.runs)
        keep_run(runs, "cold", day, facts.rule.grain, holds=day.value < 6.0)
        run_so_far, state = runs.get("cold"), state._replace(runs=runs)
        due = run_so_far is not None and run_so_far.held_ms >= 3 * DAY_MS and not state.is_open
        return RuleOutcome(state, Change(OPENED, "the soil is cold.") if due else None)

    rule = replace(WATER_NOT_ARRIVING, look=cold, reads=("soil_temperature_050",), before={}, settle_h=2.0)
    # settled at 2:00 on the fourth day, and told at 6:00 of the site's clock; a missing day makes it a day later
    for numbers, told in (((0, 1, 2), [78]), ((0, 1), []), ((0, 1, 3), [102])):
        table = pd.DataFrame(
            [("soil_temperature_050", d.start_ms, d.end_ms, d.value, d.value) for d in days(*numbers)],
            columns=["quantity", "start_ms", "end_ms", "value", "high"],
        )
        facts = facts_of(rule, watch_of(table, zone=datetime.UTC), DiaryFacts(), BOUNDS)
        _, said = walk(AlertState(rule.name, "square-1", "", START_MS - 1), facts, START_MS + 9 * DAY_MS)
        assert [(e.at_ms - START_MS) / 3_600_000 for e in said] == told
