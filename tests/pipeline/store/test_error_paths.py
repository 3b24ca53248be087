"""What store and stages do when something goes away under them: handlers that the ordinary ways do not go through."""

from __future__ import annotations

import logging
import threading
from datetime import UTC
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline.errors import StoreAway, StoreFault, StoreFull
from pipeline.stages import runner
from pipeline.store import backup, database, integrity
from pipeline.store.backup import BackupFault
from pipeline.store.database import Database, reading_copy
from pipeline.store.integrity import IntegrityCheck
from pipeline.store.packed import digest_in_run
from tests.pipeline.hand import HOUR_MS, START_MS, HandClock, lines


def test_a_run_that_does_not_read_has_no_digest() -> None:
    """Its last number stands, and vouches for nothing."""
    assert digest_in_run((1, 2, 0, True, b"damage", None), {}, 2) == (2, "")


def test_a_store_that_is_away_is_checked_another_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """At the hour of the check: it is logged, and no damage is told."""
    made, told = Database(tmp_path / "journal.db"), list[str]()

    def away(**_: object) -> bool:
        raise StoreAway("the disk has gone")

    monkeypatch.setattr(made, "check", away)
    clock = HandClock(START_MS + integrity.CHECK_HOUR * HOUR_MS)
    check = IntegrityCheck(made, UTC, clock, tell=lambda words: bool(told.append(words)))
    with caplog.at_level(logging.WARNING):
        check.step(threading.Event())
    assert "store_not_checked reason=the disk has gone" in caplog.text and told == []
    made.close()


def test_a_check_that_has_to_stop_says_that_it_is_not_done(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped in the middle, it has found nothing and is not finished; left alone it is."""
    monkeypatch.setattr(database, "LOOK_OPS", 1)
    made = Database(tmp_path / "journal.db")
    assert made.check(whole=True, go_on=lambda: False) is False
    assert made.check(whole=True, go_on=lambda: True) is True
    made.close()


def test_a_copy_that_is_not_there_is_a_fault_of_the_store(tmp_path: Path) -> None:
    """By itself, and as the database of a backup."""
    with pytest.raises(StoreFault), reading_copy(tmp_path / "gone.db"):
        pass
    (fault,) = backup._database_faults(tmp_path / "gone.db", None)  # type: ignore[arg-type]
    assert "gone.db" in fault


def test_what_the_disk_of_the_backups_says_is_a_fault_of_the_backup(tmp_path: Path) -> None:
    """No room, as Linux's /dev/full says it, is told apart from all else."""
    with pytest.raises(StoreFull, match="found no room"), backup._told(tmp_path), open("/dev/full", "wb", 0) as file:
        file.write(b"x")
    with pytest.raises(BackupFault, match="gone: found a disk that does not take a backup"), backup._told(tmp_path):
        (tmp_path / "gone").read_bytes()


def test_days_and_passes_whose_sums_crash_are_worked_on_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bug goes on to end the service; what was taken off waits again for the next try."""

    def bug(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a bug")

    with lines(tmp_path) as build:
        study = build().study
        monkeypatch.setattr(runner, "redo_periods", bug)
        monkeypatch.setattr(runner, "PASSES", SimpleNamespace(run=bug))
        study._change("s1", START_MS, START_MS + HOUR_MS)
        for _ in range(2):
            with pytest.raises(ZeroDivisionError):
                study.step_periods()
            assert study.periods_waiting
        study._changed.clear()
        study._rewritten = {"s1"}
        for _ in range(2):
            with pytest.raises(ZeroDivisionError):
                study.step_periods()
            assert study._rewritten == {"s1"}
