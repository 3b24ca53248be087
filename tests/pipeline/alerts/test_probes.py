"""The rule about probes over hand-made series: silence, standing still in rain, jumps, and getting well again."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from hardware.probe import load_probe
from pipeline.advice.phrases import spoken
from pipeline.alerts.model import AlertState
from pipeline.alerts.runner import first_states, walk_station
from pipeline.diary.facts import (
    DiaryFacts,
    Lifted,
)
from pipeline.store.custody import CustodyNotice
from pipeline.units import Flag
from tests.pipeline.alerts.alert_series import (
    BOUNDS,
    CONTEXT,
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
from tests.pipeline.contexts import changed, station_context


def test_probe_silent_for_three_hours_opens_and_two_good_hours_close():
    """Last heard at slot 40, 5 s into it: due 3 h later; heard again at slot 80, good 2 h later (counting by hand)."""
    table = thatch_probe(moving(120))
    at = (table["measured_at_ms"] - START_MS) // SLOT_MS
    watch = watch_of(findings(), table[(at <= 40) | (at >= 80)])
    opened, closed = run("probe_fault", watch, 120, probe="t1")
    assert opened.at_ms == START_MS + 40 * SLOT_MS + 5000 + 3 * 3_600_000
    assert "t1 has said nothing of use for 3 hours" in spoken(opened.text, opened.at_ms, None)
    assert (closed.kind, slot_of(closed)) == ("closed", 80 + 2 * H)


@pytest.mark.parametrize(("lost", "opened"), [((8, 12), 0), ((8, 12, 16), 1)])
def test_reading_due_when_the_time_runs_out_still_counts(lost, opened):
    """Read on every full hour, two lost answers are no fault: the third comes just when three hours are over."""
    table = heard(THATCH, moving(60), shift_ms=0)
    slot = (table["measured_at_ms"] - START_MS) // SLOT_MS
    watch = watch_of(findings(), table[(slot % H == 0) & ~slot.isin(lost)])
    events = run("probe_fault", watch, 60, probe="t1")
    assert sum(e.kind == "opened" for e in events) == opened


@pytest.mark.parametrize("flag", [Flag.MISSING, Flag.FAIL])
def test_failed_answers_count_as_silence(flag):
    """Three hours of silence on record, or of garble, are silence."""
    flags = np.full(60, Flag.GOOD)
    flags[20:40] = flag
    values = np.where(flags == Flag.GOOD, moving(60), np.nan)
    events = run("probe_fault", watch_of(findings(), thatch_probe(values, flags)), 60, probe="t1")
    assert [e.kind for e in events] == ["opened", "closed"]


@pytest.mark.parametrize("heard_while_out", [True, False])
def test_a_probe_that_is_lifted_is_no_fault(heard_while_out):
    """Out of the ground from slot 30 to 70, saying what air says or nothing: no alert then, nor when it is back, and
    one three hours after it falls silent at slot 90."""
    slots = np.arange(120)
    out = (slots >= 30) & (slots < 70)
    values = np.where(out, 0.0, moving(120))
    table = thatch_probe(values, np.where(out, Flag.FAIL, Flag.GOOD))
    at = (table["measured_at_ms"] - START_MS) // SLOT_MS
    table = table[(at < 90) & (heard_while_out | ~at.between(30, 69))]
    watch = watch_of(findings(), table)
    times = [START_MS + slot * SLOT_MS for slot in (30, 70)]
    lifted = replace(watch, context=changed(watch.context, lifted=(Lifted("square-1/t1", *times),)))
    (opened,) = run("probe_fault", lifted, 120, probe="t1")
    assert opened.at_ms >= START_MS + 89 * SLOT_MS + 3 * 3_600_000
    assert run("probe_fault", watch, 80, probe="t1")[0].kind == "opened"


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
    context = station_context("square-1", channels)
    watch = watch_of(findings(), context=context)
    states = first_states(context, START_MS)
    assert walk_station(states, watch, DiaryFacts(), START_MS + 10**10, BOUNDS)[1] == []


def custody(*kinds: str) -> tuple[CustodyNotice, ...]:
    return tuple(CustodyNotice(kind, "hut", f"Node hut: {kind}.", START_MS) for kind in kinds)


def test_a_conflict_of_custody_opens_is_said_again_for_another_and_closes():
    """A row for each look, a quarter hour apart: opened, nothing new, one more kind, an agent of an earlier version
    (which is no conflict), none left; the state goes through JSON at each."""
    states = {k: s for k, s in first_states(CONTEXT, START_MS).items() if s.rule == "node_custody"}
    looks = [
        (),
        custody("replaced"),
        custody("replaced"),
        custody("replaced", "two_nodes"),
        custody("earlier_agent"),
        (),
    ]
    said = []
    for n, notices in enumerate(looks):
        watch = replace(watch_of(findings()), custody=notices)
        for _ in range(2):  # a second look within the quarter hour says nothing
            states = {key: AlertState.from_json(json.loads(json.dumps(s.to_json()))) for key, s in states.items()}
            states, events = walk_station(states, watch, DiaryFacts(), START_MS + (n + 1) * SLOT_MS, BOUNDS)
            said += [(n, e.kind, e.text.partition(": ")[2]) for e in events]
    assert said == [
        (1, "opened", "node hut: replaced."),
        (3, "repeated", "node hut: two_nodes."),
        (4, "closed", "the readings of every node agree again."),
    ]
