"""What holds for all alert rules: any rhythm of looking, any restart, plain words, and the way from raw to the line."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.alerts.model import (
    AlertEvent,
    AlertState,
    StationWatch,
    for_how_long,
)
from pipeline.alerts.rules import PERIOD_RULES, RULES, evaluate, first_states, needed_from_ms
from pipeline.diary.facts import (
    DatedPass,
    DiaryFacts,
)
from pipeline.stages.recompute import process
from pipeline.stages.tables import series_of
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
    waterings=((START_MS + 5 * DAY_MS, START_MS + 5 * DAY_MS + 1),),
    plays=((START_MS + 3 * DAY_MS + 40 * SLOT_MS, START_MS + 3 * DAY_MS + 60 * SLOT_MS),),
    booked=tuple(DatedPass("slitting", "winter", START_MS + d * DAY_MS + 36 * SLOT_MS,
                           START_MS + d * DAY_MS + 60 * SLOT_MS)
                 for d in (2, 5, 6, 9)),
)  # fmt: skip


def one_look(watch: StationWatch, slots: int) -> list[AlertEvent]:
    return evaluate(first_states(CONTEXT, START_MS), watch, DIARY, START_MS + (slots + 40) * SLOT_MS, BOUNDS)[1]


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
        states, said = evaluate(states, part, DIARY, now_ms, BOUNDS)
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
    events = [e for seed in range(12) for e in one_look(*eventful(seed))]
    elsewhere = {*PERIOD_RULES, "water_running"}  # these have tests of their own, asked once and many times
    assert {e.rule for e in events} == set(RULES) - elsewhere
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
