"""The rules are asked in time, on a record that is complete, and what they say survives."""

from __future__ import annotations

from collections.abc import Callable

from tests.pipeline.hand import (
    HOUR_MS,
    SLOT_MS,
    SMALL,
    START_MS,
    Line,
    batches,
    reading,
    small_record,
)


def test_a_silent_probe_raises_an_alert_while_nothing_arrives(make: Callable[..., Line]) -> None:
    """With no message at all the rules are still asked every minute of the clock, and silence is told once."""
    line = make(SMALL)
    line.send_batch(small_record(8))
    line.clock.wall_ms = START_MS + 8 * SLOT_MS
    line.run_until_quiet()
    assert line.judge.open_alerts() == []
    for _ in range(5 * 12):  # five hours
        line.clock.wall_ms += 300_000
        line.clock.real_s += 300.0
        line.run(1)
    (opened,) = line.judge.open_alerts()
    assert (opened.rule, opened.probe) == ("probe_fault", "p1")
    assert opened.text.startswith("Square, north end: ") and opened.alert_id
    assert len(line.stores.journal.unsent("log")) == 1
    assert "alerts" in line.words


def test_a_backlog_is_not_taken_for_silence_and_silence_is_not_missed(make: Callable[..., Line]) -> None:
    """While history arrives the clock is a week ahead of it and nothing is silent; once it has all arrived, the
    silence since its end is found at the time it began."""
    line = make(SMALL, now_ms=START_MS + 7 * 24 * HOUR_MS)
    for batch in batches(small_record(480), 40):
        line.send_batch(batch)
        line.run(1)
        line.clock.real_s += 1.0
        line.run(2)
        assert line.judge.open_alerts() == []
    line.run_until_quiet()
    (silent,) = [e for e in line.stores.journal.unsent("log") if e.body["rule"] == "probe_fault"]
    last_ms = START_MS + 479 * SLOT_MS
    assert silent.body["kind"] == "opened"
    # three hours is the rule's own limit; a quarter hour is its grain
    assert 3 * HOUR_MS <= silent.at_ms - last_ms <= 3 * HOUR_MS + 2 * SLOT_MS


def test_alerts_survive_a_restart_and_are_not_told_twice(make: Callable[..., Line]) -> None:
    """The state is read back as it was: the open alert is still open and no second event comes of it."""
    line = make(SMALL)
    line.send_batch(small_record(8))
    line.run_until_quiet()
    line.clock.wall_ms = START_MS + 12 * HOUR_MS
    line.run_until_quiet()
    events = [e.id for e in line.stores.journal.unsent("log")]
    assert events
    again = make(SMALL, now_ms=START_MS + 13 * HOUR_MS)
    again.run_until_quiet()
    assert [a.alert_id for a in again.judge.open_alerts()] == [a.alert_id for a in line.judge.open_alerts()]
    assert [e.id for e in again.stores.journal.unsent("log")] == events


def test_a_rule_switched_off_and_a_penetrometer_hold_up_no_other_rule(make: Callable[..., Line]) -> None:
    """The rules walk on past a rule that is off and a probe that is never read by the clock: a probe that speaks
    again after two months is believed again."""
    cone = '[[surface.station.probe]]\nname = "cone"\nmodel = "cone_hard"\n[alerts.roots_dry]\nenabled = false\n'
    line, later_ms = make(SMALL + cone), 60 * 24 * HOUR_MS
    line.send_batch(small_record(8))
    line.run_until_quiet()
    line.clock.wall_ms = START_MS + later_ms
    line.run_until_quiet()
    assert [a.probe for a in line.judge.open_alerts()] == ["p1"]
    again = [
        reading(r.seq + 16, r.channel, r.measured_at_ms + later_ms, r.raw) for r in small_record(20)
    ]  # five hours; the rule asks for two
    line.send_batch(again)
    line.clock.wall_ms += 5 * HOUR_MS
    line.run_until_quiet()
    assert line.judge.open_alerts() == []


def test_an_open_alert_of_a_rule_switched_off_is_not_shown(make: Callable[..., Line]) -> None:
    """Whoever switches a rule off does not want to see what it said before."""
    line = make(SMALL)
    line.send_batch(small_record(8))
    line.clock.wall_ms = START_MS + 12 * HOUR_MS
    line.run_until_quiet()
    assert line.judge.open_alerts()
    off = make(SMALL + "[alerts.probe_fault]\nenabled = false\n", now_ms=START_MS + 13 * HOUR_MS)
    off.run_until_quiet()
    assert off.judge.open_alerts() == []
