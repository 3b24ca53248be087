"""The rule about backups, look by look: opens, holds, closes, is quiet where nothing is known, survives a restart.

Days are counted by hand; the bound of three days is common practice, no source.
"""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from pipeline.alerts.model import AlertEvent, AlertState
from pipeline.alerts.runner import first_states, walk_station
from pipeline.alerts.site import BackupOldBounds
from pipeline.diary.facts import DiaryFacts
from pipeline.store.backup import BackupRecord
from pipeline.units import DAY_MS
from tests.pipeline.alerts.alert_series import CONTEXT, START_MS, findings, watch_of

GOOD = BackupRecord(good_ms=START_MS, folder="/media/stick/home-1", size_bytes=1)
ASKED = BackupRecord(asked_ms=START_MS)
NO_STICK = replace(GOOD, fault="/media/stick: found no such folder")


def said(looks: list[tuple[float, BackupRecord | None]], after_days: float = 3.0) -> list[AlertEvent]:
    """Events when looked at some days after the start, each time after a restart."""
    states = {k: s for k, s in first_states(CONTEXT, START_MS).items() if s.rule == "backup_old"}
    bounds, events = {"backup_old": BackupOldBounds(after_days=after_days)}, []
    for days, record in looks:
        kept = json.loads(json.dumps({k: s.to_json() for k, s in states.items()}))
        states = {k: AlertState.from_json(s) for k, s in kept.items()}
        watch = replace(watch_of(findings()), backup=record)
        states, now = walk_station(states, watch, DiaryFacts(), START_MS + round(days * DAY_MS), bounds)
        events += now
    return events


@pytest.mark.parametrize(
    ("looks", "expected"),
    [
        ([(2.9, GOOD), (3.0, GOOD)], []),
        ([(3.1, GOOD)], ["opened"]),
        ([(3.1, GOOD), (4.0, GOOD), (9.0, NO_STICK)], ["opened"]),
        ([(3.1, GOOD), (4.0, replace(GOOD, good_ms=START_MS + 4 * DAY_MS))], ["opened", "closed"]),
        ([(3.1, GOOD), (4.0, BackupRecord())], ["opened", "closed"]),
        ([(3.1, ASKED)], ["opened"]),
        ([(300.0, BackupRecord()), (301.0, None)], []),
        ([(3.1, None), (4.0, GOOD)], ["opened"]),
        ([(3.1, GOOD), (4.0, None)], ["opened"]),
    ],
    ids=["young", "old", "once", "good again", "no longer asked", "never made", "not asked", "past", "past again"],
)
def test_an_old_backup_opens_and_a_good_one_closes(
    looks: list[tuple[float, BackupRecord | None]], expected: list[str]
) -> None:
    """Three days are the bound; what is not known of the past neither opens nor closes."""
    assert [event.kind for event in said(looks)] == expected


def test_it_says_since_when_and_what_the_last_try_said() -> None:
    """The moment of the last good one is when it began, and the words are those of the last try."""
    (opened,) = said([(5.0, NO_STICK)])
    assert opened.since_ms == START_MS and opened.at_ms == START_MS + 5 * DAY_MS
    assert opened.text == ("Backup: the last good one is 5 days old. The last try: /media/stick: found no such folder.")


def test_the_bound_is_the_site_s_own() -> None:
    """Half a day: opened at the first look after it."""
    assert [e.at_ms - START_MS for e in said([(0.4, GOOD), (0.6, GOOD)], 0.5)] == [
        round(0.6 * DAY_MS) // 900_000 * 900_000
    ]
