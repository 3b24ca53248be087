"""The rules are asked in time, on a record that is complete, and what they say survives."""

from __future__ import annotations

import datetime
import json
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.advice.conditions import Verdict
from pipeline.advice.report import SiteAdvice, StationAdvice, SurfaceAdvice
from pipeline.alerts.model import AlertState, RuleGrain, RuleName
from pipeline.alerts.runner import RULES
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import (
    Intent,
    Play,
)
from pipeline.forecast.wetness import WetnessForecast
from pipeline.notify.channels import _told
from pipeline.stages.stage import STAGE_VERSION
from pipeline.store import FINDING_COLUMNS
from tests.pipeline.alerts.plan_series import Weather, weather
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
    assert line.open_alerts() == []
    for _ in range(5 * 12):  # five hours
        line.clock.wall_ms += 300_000
        line.clock.real_s += 300.0
        line.run(1)
    (opened,) = line.open_alerts()
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
        assert line.open_alerts() == []
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
    assert [a.alert_id for a in again.open_alerts()] == [a.alert_id for a in line.open_alerts()]
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
    assert [a.probe for a in line.open_alerts()] == ["p1"]
    again = [
        reading(r.seq + 16, r.channel, r.measured_at_ms + later_ms, r.raw) for r in small_record(20)
    ]  # five hours; the rule asks for two
    line.send_batch(again)
    line.clock.wall_ms += 5 * HOUR_MS
    line.run_until_quiet()
    assert line.open_alerts() == []


def test_an_open_alert_of_a_rule_switched_off_is_not_shown(make: Callable[..., Line]) -> None:
    """Whoever switches a rule off does not want to see what it said before."""
    line = make(SMALL)
    line.send_batch(small_record(8))
    line.clock.wall_ms = START_MS + 12 * HOUR_MS
    line.run_until_quiet()
    assert line.open_alerts()
    off = make(SMALL + "[alerts.probe_fault]\nenabled = false\n", now_ms=START_MS + 13 * HOUR_MS)
    off.run_until_quiet()
    assert off.open_alerts() == []


def test_rules_wait_while_the_stages_wait(make: Callable[..., Line]) -> None:
    """While readings have come that the stages have not seen, the rules of the station are not asked; and while its
    days wait, those that rest on days are not."""
    line = make(SMALL)
    asked: list[tuple[bool, bool]] = []
    evaluate = line.judge.evaluate

    def spy(station: str, now_ms: int, *, days: bool = True) -> object:
        asked.append((line.study.waits_for(station), days == line.study.periods_wait_for(station)))
        return evaluate(station, now_ms, days=days)

    line.judge.evaluate = spy  # type: ignore[assignment, method-assign]
    line.run_until_quiet()
    asked.clear()
    line.clock.real_s += 5.0  # the rules are due again
    line.send_batch(small_record(8))
    for _ in range(3):
        line.clock.real_s += 0.1  # the stages wait longer than that for more readings
        line.run(1)
        assert line.study.waits_for("s1") and asked == []
    line.run_until_quiet()
    assert asked and not any(stages or days for stages, days in asked)


def test_rules_of_days_wait_for_days(make: Callable[..., Line]) -> None:
    """Asked without days, the rules of that grain stay where they were and the others walk on."""
    line = make(SMALL)
    line.send_batch(small_record(8))
    line.clock.wall_ms = START_MS + 12 * HOUR_MS
    line.run_until_quiet()
    before = dict(line.judge._states["s1"])
    line.judge.evaluate("s1", START_MS + 200 * HOUR_MS, days=False)
    moved = {s.rule for key, s in line.judge._states["s1"].items() if s.evaluated_to_ms != before[key].evaluated_to_ms}
    resting = {rule.name for rule in RULES if rule.grain is RuleGrain.DAY}
    assert moved and resting and not moved & resting
    line.judge.evaluate("s1", START_MS + 400 * HOUR_MS)
    assert line.judge._states["s1"]["s1/water_not_arriving"] != before["s1/water_not_arriving"]


def test_the_state_of_a_rule_that_is_gone_is_forgotten(make: Callable[..., Line]) -> None:
    """A later or an earlier version had a rule that this one has not: its alert is not shown, and stops nothing."""
    line = make(SMALL)
    gone = AlertState(RuleName("of_another_version"), "s1", "", START_MS, opened_at_ms=START_MS, said_at_ms=START_MS)
    line.stores.journal.save_alerts({gone.key: gone.to_json()})
    again = make(SMALL)
    assert again.open_alerts() == [] and gone.key not in again.stores.journal.alert_states()


# --- plans, marks and the diary --------------------------------------------------------------------------------------

NO_FORECAST = WetnessForecast(0, np.zeros((1, 0)), np.zeros((1, 0)), np.zeros((0, 0)), reason="none")
TINES = Intent("solid_tining", "12mm", 0.100)  # all year; the thatch probe of `SMALL` lies in the way of 100 mm
FROM = datetime.datetime(2024, 3, 1, tzinfo=datetime.UTC)


def advice(hour: float, *, sky: Weather | None = None, plays: tuple[Play, ...] = (), **more: object) -> SiteAdvice:
    """Advice for the square of `SMALL`, so many hours after the start: closed, if nothing else is said."""
    now_ms = START_MS + round(hour * HOUR_MS)
    one = (weather(begin=FROM, intent=TINES, otherwise=Verdict.WAIT) if sky is None else sky).advice(now_ms)
    return SiteAdvice(now_ms, (SurfaceAdvice("square", "Square", "square", (one,), (), plays, **more),))  # type: ignore[arg-type]


def book(line: Line, day: float, kind: str = "solid_tining", variant: str = "12mm", **body: object) -> DiaryEntry:
    """A pass in the diary, booked for nine in the morning of a day."""
    told = {"pass": kind, "variant": variant, "state": "booked", **body}
    return line.stores.diary.add(DiaryEntry("pass", "square", START_MS + round((day * 24 + 9) * HOUR_MS), told))


def test_alerts_about_plans_are_kept_shown_and_survive_a_restart(make: Callable[..., Line]) -> None:
    """A probe in the way of a booked pass is told once, shown without a station, and closed when the diary has it
    lifted; a restart in between neither loses nor repeats it."""
    line = make(SMALL)
    book(line, 2)
    (told,) = line.judge.plan(advice(8))
    assert (told.rule, told.kind, told.station, told.surface) == ("lift_probes", "opened", "", "square")
    assert (
        told.text
        == "Square: solid tining is booked on Sunday. Lift the north-end thatch probe first: it lies in the way of "
        "the blades."
    )
    (shown,) = line.open_alerts()
    assert (shown.alert_id, shown.surface, shown.station, shown.text) == (told.alert_id, "square", "", told.text)
    again = make(SMALL)
    assert again.open_alerts() == [shown]
    assert again.judge.plan(advice(9)) == []
    again.stores.diary.add(DiaryEntry("lift", "square", START_MS + 10 * HOUR_MS, {"probe": "p1"}, station="s1"))
    (closed,) = again.judge.plan(advice(11))
    assert closed.kind == "closed" and again.open_alerts() == []
    assert [e.id for e in again.stores.journal.unsent("log")] == [told.id, closed.id]
    assert not [key for key in again.stores.journal.alert_states() if "lift_probes" in key]


def test_an_open_alert_names_its_day_as_it_is_seen_from_the_day_it_is_looked_at(make: Callable[..., Line]) -> None:
    """Booked for Sunday 3 March: said on Friday, looked at on Saturday, on Sunday, and by whoever looks too late; in
    the journal it stays as it was said, and nothing sent to machines has a mark in it."""
    line = make(SMALL)
    book(line, 2)
    line.judge.plan(advice(8))
    seen = {}
    for hour in (8, 32, 56, 24 * 9):
        line.clock.wall_ms = START_MS + hour * HOUR_MS
        (shown,) = line.open_alerts()
        seen[hour] = shown.text.partition("booked ")[2].partition(".")[0]
    assert seen == {8: "on Sunday", 32: "tomorrow", 56: "today", 24 * 9: "on Sunday 3 Mar"}
    (event,) = line.stores.journal.unsent("log")
    assert "is booked on Sunday. Lift" in str(event.body["text"]) and "[[" not in json.dumps(_told(event))


def test_windows_need_a_pass_that_is_planned_or_booked(make: Callable[..., Line]) -> None:
    """The same open outlook is news with a booking, or with the pass in the settings, and none without."""
    sky = weather((0, 240), begin=FROM, intent=TINES)
    line = make(SMALL)
    assert line.judge.plan(advice(11, sky=sky)) == []
    book(line, 12)
    assert [e.rule for e in line.judge.plan(advice(12, sky=sky))] == ["window_opening"]
    planned = SMALL + '[[surface.pass]]\nkind = "solid_tining"\nvariant = "12mm"\ndepth_mm = 100\n'
    assert [e.rule for e in make(planned, "b").judge.plan(advice(11, sky=sky))] == ["window_opening"]


def test_a_mark_in_the_diary_closes_an_alert(make: Callable[..., Line]) -> None:
    """Wrong closes it, of a station and of a surface alike, and it is not shown; the entry is kept in the diary."""
    line = make(SMALL)
    book(line, 2)
    line.send_batch(small_record(8))
    line.clock.wall_ms = START_MS + 12 * HOUR_MS
    line.run_until_quiet()
    line.judge.plan(advice(12))
    assert {a.rule for a in line.open_alerts()} == {"probe_fault", "lift_probes"}
    for alert in line.open_alerts():
        body = {"alert": alert.alert_id, "mark": "wrong"}
        line.stores.diary.add(DiaryEntry("mark", "square", START_MS + 13 * HOUR_MS, body))
    line.clock.wall_ms = START_MS + 14 * HOUR_MS
    line.run_until_quiet()
    line.judge.plan(advice(14))
    assert line.open_alerts() == []
    again = make(SMALL)
    again.clock.wall_ms = START_MS + 20 * HOUR_MS
    again.run_until_quiet()
    assert again.open_alerts() == [] and again.judge.plan(advice(20)) == []


def test_what_the_diary_has_booked_and_the_calendar_reaches_the_rules_of_a_station(make: Callable[..., Line]) -> None:
    """A wet top is told the evening before a booked pass, and the evening before play of the calendar."""
    for folder, booked in (("a", True), ("b", False)):
        line = make(SMALL, folder)
        at = START_MS + np.arange(48 * 4) * SLOT_MS
        rows = {"station": "s1", "quantity": "top_layer_wetness", "start_ms": at, "end_ms": at, "value": 1.2}
        nothing = {"low": np.nan, "high": np.nan, "n": 1, "reason": "", "stage_version": STAGE_VERSION}
        line.send_batch(small_record(8))
        line.run_until_quiet()
        line.stores.store.upsert_findings(pd.DataFrame({**rows, **nothing})[list(FINDING_COLUMNS)])
        play = Play("match", START_MS + 34 * HOUR_MS, START_MS + 38 * HOUR_MS)
        if booked:
            book(line, 1)
        else:
            line.judge.plan(advice(1, plays=(play,)))
        line.judge.evaluate("s1", START_MS + 30 * HOUR_MS)
        (alert,) = [a for a in line.open_alerts() if a.rule == "stay_off"]
        assert ("solid tining" if booked else "play") in alert.text and "tomorrow" in alert.text
        assert alert.opened_at_ms == START_MS + round(13.75 * HOUR_MS)  # heard of at 17:00


@pytest.mark.parametrize(("strip", "told"), [(7, True), (4, False), (None, False)])
def test_dry_roots_are_held_back_for_play_on_their_own_strip_alone(
    make: Callable[..., Line], strip: int | None, *, told: bool
) -> None:
    """Play on strip 4 three days off: a station on strip 7 is told by its strip, on 4 or nobody knows where it is
    being dried, as tonight's water has it."""
    line = make(SMALL)
    at = START_MS + np.arange(48 * 4) * SLOT_MS
    rows = {"station": "s1", "quantity": "root_zone_wetness", "start_ms": at, "end_ms": at, "value": 0.2}
    nothing = {"low": np.nan, "high": np.nan, "n": 1, "reason": "", "stage_version": STAGE_VERSION}
    line.send_batch(small_record(8))
    line.run_until_quiet()
    line.stores.store.upsert_findings(pd.DataFrame({**rows, **nothing})[list(FINDING_COLUMNS)])
    play = Play("match", START_MS + 80 * HOUR_MS, START_MS + 84 * HOUR_MS, (4,))
    none: Any = None
    found = advice(1, plays=(play,))
    station = StationAdvice("s1", NO_FORECAST, (), "", none, none, none, strip=strip)
    line.judge.plan(replace(found, surfaces=(replace(found.surfaces[0], stations=(station,)),)))
    line.judge.evaluate("s1", START_MS + 40 * HOUR_MS)
    assert ["Give strip 7 one deep watering" in a.text for a in line.open_alerts() if a.rule == "roots_dry"] == (
        [True] if told else []
    )


def test_frost_is_told_by_one_station_of_a_surface(make: Callable[..., Line]) -> None:
    """Two stations on a square, one word of frost, in the name of the square, once their record has been looked at: a
    station is watched from its first reading on, not from the first advice."""
    second = SMALL[SMALL.index("[[surface.station]]") :].replace('name = "s1"', 'name = "s2"')
    line = make(SMALL + second.replace('title = "north end"', 'title = "south end"'))
    nothing: Any = None
    stations = tuple(StationAdvice(name, NO_FORECAST, (), "", nothing, nothing, nothing) for name in ("s1", "s2"))
    found = advice(18, dawn_leaf_degc=-2.0)
    found = replace(found, surfaces=(replace(found.surfaces[0], stations=stations),))
    assert line.judge.plan(found) == []  # nobody has looked at the record of either
    for station in ("s1", "s2"):
        line.judge.evaluate(station, START_MS + HOUR_MS + 60_000)
    (told,) = line.judge.plan(found)
    assert (told.rule, told.station, told.text[:8]) == ("frost_at_dawn", "s1", "Square: ")
    assert line.judge.plan(found) == []


def test_alerts_of_a_surface_that_is_gone_are_forgotten(make: Callable[..., Line]) -> None:
    """Whoever takes a surface out of the settings is not shown its alerts any more."""
    line = make(SMALL)
    book(line, 2)
    line.judge.plan(advice(8))
    other = make(SMALL.replace('name = "square"', 'name = "pitch"'))
    assert other.open_alerts() == []
    assert not [key for key in other.stores.journal.alert_states() if "lift_probes" in key]


def test_advice_and_readings_may_call_for_the_rules_at_once(make: Callable[..., Line]) -> None:
    """Three threads, 25 times each: no event is lost or made twice, and no state is mixed up."""
    line = make(SMALL)
    book(line, 2)
    line.send_batch(small_record(8))
    line.run_until_quiet()
    failed: list[BaseException] = []

    def often(work: Callable[[int], object]) -> None:
        try:
            for i in range(25):
                work(i)
        except BaseException as bug:
            failed.append(bug)

    jobs = (
        lambda i: line.judge.plan(advice(8 + 2 * i)),
        lambda i: line.judge.evaluate("s1", START_MS + (2 + 2 * i) * HOUR_MS),
        lambda i: line.open_alerts(),
    )
    threads = [threading.Thread(target=often, args=(one,)) for one in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30.0)
    assert not failed and not any(thread.is_alive() for thread in threads)
    events = line.stores.journal.unsent("log")
    kinds = sorted((str(e.body["rule"]), str(e.body["kind"])) for e in events)
    # three days, one day and the morning before; over with its day; the probe silent since the second hour
    assert kinds == sorted(
        [("lift_probes", k) for k in ("opened", "repeated", "repeated")] + [("probe_fault", "opened")]
    )
    assert {a.rule for a in line.open_alerts()} == {"probe_fault", "lift_probes"}


def test_advice_waits_while_the_rules_of_a_station_are_walked(make: Callable[..., Line]) -> None:
    """A walk that has begun is ended before the next begins, or one would overwrite the states of the other."""
    line = make(SMALL)
    inside, release = threading.Event(), threading.Event()
    context_of = line.judge._context_of

    def slow(station: str) -> object:
        inside.set()
        release.wait(20.0)
        return context_of(station)

    line.judge._context_of = slow  # type: ignore[assignment]
    walk = threading.Thread(target=line.judge.evaluate, args=("s1", START_MS + HOUR_MS))
    walk.start()
    assert inside.wait(20.0)
    planned = threading.Thread(target=line.judge.plan, args=(advice(8),))
    planned.start()
    planned.join(0.2)
    assert planned.is_alive()
    release.set()
    walk.join(20.0)
    planned.join(20.0)
    assert not walk.is_alive() and not planned.is_alive()
