"""The pipeline as one thing to start, ask and stop: broker, ingest, worker and notifier, each in its own thread.

It builds the parts from the settings and looks after their threads. A fault of the environment is dealt with inside
the parts; a bug ends its thread, and with it the whole pipeline, so that the service manager starts it anew. One
pipeline alone may work on a data folder.
"""

from __future__ import annotations

import fcntl
import logging
import os
import shutil
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from pipeline.advice.report import SiteAdvice
from pipeline.advisor.advisor import Advisor
from pipeline.broker import EmbeddedBroker, find_mosquitto
from pipeline.clock import Clock, FollowClock, SystemClock
from pipeline.config import SiteConfig, read_secret
from pipeline.errors import PipelineFault, StoreAway
from pipeline.ingest import Ingest
from pipeline.judge import Judge, OpenAlert
from pipeline.metrics import Metrics
from pipeline.nodes import Nodes
from pipeline.notify import Notifier
from pipeline.passes import likest, redo_passes
from pipeline.recompute import Redone, recompute, station_context
from pipeline.stages import LEAD_IN_MS, StationContext
from pipeline.store import Store
from pipeline.store.channels import Channels
from pipeline.store.database import Database
from pipeline.store.diary import Diary
from pipeline.store.feeder import Feeder
from pipeline.store.journal import Journal
from pipeline.store.sqlite import SqliteStore
from pipeline.study import Study
from pipeline.worker import Worker

if TYPE_CHECKING:
    from pipeline.store.influx import InfluxStore

log = logging.getLogger(__name__)

JOIN_S = 20.0
JOURNAL_FILE, LOCK_FILE = "journal.db", "pipeline.lock"


class DataInUse(PipelineFault):
    """Another pipeline works on the data folder."""


class Changes:
    """A counter that goes up with every change, for those who show what is new."""

    def __init__(self) -> None:
        self._count = 0
        self._condition = threading.Condition()
        self._listeners: list[Callable[[str], None]] = []

    @property
    def count(self) -> int:
        """How many changes there were since the start."""
        return self._count

    def listen(self, listener: Callable[[str], None]) -> Callable[[], None]:
        """Call `listener` with the kind of each change (`readings`, `findings`, `alerts`, `nodes`, `advice`, `diary`),
        from the thread that made it: it must return at once and must not raise. Returns how to stop it."""
        with self._condition:
            self._listeners.append(listener)

        def leave() -> None:
            with self._condition:
                if listener in self._listeners:
                    self._listeners.remove(listener)

        return leave

    def wait(self, seen: int, timeout_s: float) -> int:
        """Wait until the count is beyond `seen`, at most so long; returns the count. [s]"""
        with self._condition:
            self._condition.wait_for(lambda: self._count > seen, timeout_s)
            return self._count

    def bump(self, word: str) -> None:
        """Something of this kind has changed."""
        with self._condition:
            self._count += 1
            self._condition.notify_all()
            listeners = tuple(self._listeners)
        for listener in listeners:
            listener(word)


@dataclass(frozen=True)
class Stores:
    """What is kept, opened. Reading is safe beside a running pipeline; writing needs the lock of the folder."""

    database: Database
    journal: Journal
    store: Store
    diary: Diary
    feeder: Feeder | None = None

    def close(self) -> None:
        """Close all of it."""
        self.store.close()
        self.database.close()


def open_stores(config: SiteConfig) -> Stores:
    """Open what the settings name.

    Raises
    ------
    StoreFault
        When it cannot be opened.
    """
    config.data_dir.mkdir(parents=True, exist_ok=True)
    database = Database(config.data_dir / JOURNAL_FILE)
    channels = Channels()
    feeding = config.store.kind == "influx"
    journal = Journal(database, feeding=feeding, channels=channels)
    if not feeding:
        return Stores(database, journal, SqliteStore(database, channels=channels), Diary(database))
    server = _server_store(config)
    return Stores(database, journal, server, Diary(database), Feeder(journal, server))


def _server_store(config: SiteConfig) -> InfluxStore:
    from pipeline.store.influx import InfluxStore  # an extra that only a server store needs

    told = config.store
    token = "" if told.token_file is None else read_secret(told.token_file)
    return InfluxStore(told.url, told.org, told.bucket, token, site=config.site.name)


def lock_folder(folder: Path) -> IO[bytes]:
    """Take the data folder for this process; it is let go when the file is closed, or the process ends.

    Raises
    ------
    DataInUse
        When another process has it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    file = (folder / LOCK_FILE).open("a+b")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as err:
        file.seek(0)
        owner = file.read(20).decode(errors="replace").strip()
        file.close()
        raise DataInUse(
            f"{folder}: found it in use by process {owner or 'unknown'}, expected it free. Stop the other first."
        ) from err
    file.truncate(0)
    file.write(f"{os.getpid()}\n".encode())
    file.flush()
    return file


class _Part:
    """A thread that steps one part until told to stop."""

    def __init__(self, name: str, part: Any, crashed: Callable[[str, BaseException], None]) -> None:
        self.stop = threading.Event()
        self._part, self._crashed = part, crashed
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def end(self) -> None:
        self.stop.set()
        if hasattr(self._part, "wake"):
            self._part.wake()
        self._thread.join(JOIN_S)
        if self._thread.is_alive():
            log.error("part_does_not_end name=%s", self._thread.name)

    def _run(self) -> None:
        try:
            while not self.stop.is_set():
                self._part.step(self.stop)
        except BaseException as bug:
            self._crashed(self._thread.name, bug)
        finally:
            self._part.close()


class Pipeline:
    """All of it.

    Parameters
    ----------
    config : SiteConfig
    clock : Clock, optional
        In place of the one the settings name.
    mosquitto : Path or None, optional
        The mosquitto of an embedded broker; None for the Python broker. Found on PATH when not given.

    Raises
    ------
    DataInUse
        Another pipeline works on the data folder.
    StoreFault
        What is kept cannot be opened.
    """

    def __init__(
        self, config: SiteConfig, *, clock: Clock | None = None, mosquitto: Path | str | None = "find"
    ) -> None:
        self.config = config
        self._own_clock = clock is None
        self.clock: Clock = clock if clock is not None else _clock(config)
        self.metrics, self.changes, self.nodes = Metrics(), Changes(), Nodes()
        self._lock_file = lock_folder(config.data_dir)
        try:
            self._stores = open_stores(config)
        except BaseException:
            self._lock_file.close()
            raise
        self.journal, self.store, self.diary = self._stores.journal, self._stores.store, self._stores.diary
        self._broker = self._make_broker(mosquitto)
        self._ingest = Ingest(config.broker, config.site.name, self.metrics, self.clock)
        self._feeder = self._stores.feeder
        self._study = Study(config, self.store, self._stores.database, self.metrics, self.context, feed=self._feed)
        self._judge = Judge(config, self.store, self.journal, self.metrics, self.context, self.diary)
        self._notifier = Notifier.from_config(config, self.journal, self.diary, self._ingest, self.metrics, self.clock)
        self._worker = Worker(
            config, self._ingest, self.journal, self._study, self._judge, self.nodes, self.metrics, self.clock,
            on_change=self._changed,
        )  # fmt: skip
        self._advisor = Advisor(
            config, self.store, self.diary, self.metrics, self.clock,
            on_advice=self._advised, on_change=self._changed,
        )  # fmt: skip
        self.changes.listen(self._advisor.hear)
        self._parts: list[_Part] = []
        self._ended = threading.Event()
        self.crash = ""

    def start(self) -> None:
        """Start every part. Returns at once; `health` tells how they fare."""
        if self._broker is not None:
            self._parts.append(_Part("broker", self._broker, self._crashed))
        self._parts.append(_Part("ingest", self._ingest, self._crashed))
        self._parts.append(_Part("notify", self._notifier, self._crashed))
        self._parts.append(_Part("advisor", self._advisor, self._crashed))
        self._parts.append(_Part("worker", self._worker, self._crashed))

    def stop(self) -> None:
        """End every part, the worker first and the broker last, and close what is kept."""
        for part in reversed(self._parts):
            part.end()
        if not self._parts:
            self._ingest.close()
        self._parts.clear()
        self._stores.close()
        if isinstance(self.clock, FollowClock) and self._own_clock:
            self.clock.close()
        self._lock_file.close()
        self._ended.set()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until it was stopped or has crashed; whether it was. [s]"""
        return self._ended.wait(timeout_s)

    def context(self, station: str) -> StationContext:
        """A station as the stages know it, with what the diary says and the channels have shown until now."""
        return station_context(self.config, station, self.diary, self.store)

    def alerts(self) -> list[OpenAlert]:
        """Every alert that is open, the oldest first."""
        return self._judge.open_alerts()

    def advice(self) -> SiteAdvice | None:
        """What was advised last; None until it has been worked out for the first time."""
        return self._advisor.now()

    def redo_from(self, station: str, start_ms: int) -> None:
        """Have a station worked out anew from a time on: the diary has changed what was known of it."""
        heard = self.store.span([i for i in self.context(station).channel_ids])
        if heard is not None:
            self._study.mark_span(station, start_ms, heard[1] + LEAD_IN_MS, self.clock.monotonic())

    def recompute(self, station: str, *, start_ms: int | None = None, end_ms: int | None = None) -> Redone:
        """Work a span of a station out anew from raw, in this thread. Not beside running parts."""
        return recompute(self.store, self.context(station), start_ms=start_ms, end_ms=end_ms)

    def recompute_passes(self, station: str) -> int:
        """Work out anew what passes changed at a station and how its thatch grows, once all stations stand."""
        beside = likest(self.config, station)
        return redo_passes(self.store, self.context(station), lambda: map(self.context, beside))

    def health(self) -> dict[str, object]:
        """How every part fares, in plain tables.

        `state` is `ok`, or `degraded` with the `reasons` in words.
        """
        reasons = [reason for reason in self._reasons() if reason]
        disk = shutil.disk_usage(self.config.data_dir)
        return {
            "state": "degraded" if reasons else "ok",
            "reasons": reasons,
            "broker": {
                "kind": "external" if self._broker is None else self._broker.kind,
                "up": None if self._broker is None else self._broker.up,
            },
            "ingest": {"connected": self._ingest.connected, "waiting_messages": self._ingest.waiting},
            "keeping": {"fault": self._worker.keeping.reason, "committed_at_ms": self._worker.committed_at_ms},
            "studying": {
                "fault": self._worker.studying.reason,
                "stations_waiting": self._study.waiting,
                "periods_waiting": self._study.periods_waiting,
            },
            "judging": {"stations_waiting": self._worker.unjudged},
            "notify": {"away": self._notifier.away},
            "nodes": [{**asdict(node), "lines": dict(node.lines)} for node in self.nodes.all()],
            "unknown_channels": dict(self._study.unknown),
            "disk": {"free_bytes": disk.free, "total_bytes": disk.total},
        }

    def periods_wait_for(self, station: str) -> bool:
        """Whether days, fortnights and wettings of a station are still to be worked out."""
        return self._study.waits_for(station) or self._study.periods_wait_for(station)

    @property
    def ready(self) -> bool:
        """Whether readings can arrive and be kept."""
        return not self.crash and self._ingest.connected and not self._worker.keeping.reason

    def _reasons(self) -> list[str]:
        broker = "" if self._broker is None or self._broker.up else f"broker: {self._broker.away}"
        return [
            self.crash,
            broker,
            "" if self._ingest.connected else f"ingest: {self._ingest.away}",
            self._worker.keeping.reason and f"keeping: {self._worker.keeping.reason}",
            self._worker.studying.reason and f"studying: {self._worker.studying.reason}",
            self._advisor.advising.reason and f"advising: {self._advisor.advising.reason}",
            *(f"notify {way}: {reason}" for way, reason in self._notifier.away.items()),
        ]

    def _feed(self) -> bool:
        """Carry readings on to a server store; the stages wait until it has given all of them back."""
        if self._feeder is None:
            return False
        fed = self._feeder.step(self.clock.now_ms())
        if fed.outstanding and not fed.read_back:
            raise StoreAway(f"server store: found {fed.outstanding} readings not given back yet, expected all of them")
        return bool(fed.read_back or fed.let_go)

    def _advised(self, advice: SiteAdvice) -> None:
        """Run the rules about plans over new advice, in the advisor's thread."""
        if self._judge.plan(advice):
            self._changed("alerts")

    def _changed(self, word: str) -> None:
        if word == "alerts":
            self._notifier.wake()
        self.changes.bump(word)

    def _crashed(self, name: str, bug: BaseException) -> None:
        log.critical("part_crashed name=%s", name, exc_info=bug)
        self.crash = f"{name} crashed: {bug!r}"
        self._ended.set()

    def _make_broker(self, mosquitto: Path | str | None) -> EmbeddedBroker | None:
        if self.config.broker.kind == "external":
            return None
        program = find_mosquitto() if mosquitto == "find" else mosquitto
        assert not isinstance(program, str)
        return EmbeddedBroker(self.config.broker, self.metrics, self.clock, mosquitto=program)


def _clock(config: SiteConfig) -> Clock:
    return SystemClock() if config.clock_follow is None else FollowClock(config.clock_follow)
