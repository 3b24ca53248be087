"""The whole pipeline as one process: its parts made and wired, started and stopped, and how each of them is.

Broker, ingest, worker, notifier, advisor and the nightly look for damage each have a thread, and a module of their own.
Here is what owners and pages ask of the process: notices, health, advice, alerts, the time.
"""

from __future__ import annotations

import logging
import shutil
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from hardware.machine_clock import BY_SYSTEM, EARLIEST_SET_MS, ClockNote, MachineClock
from hardware.reading import LiveReading, Notice
from pipeline.advice.advisor import Advisor
from pipeline.advice.phrases import for_how_long, listed, moment, sentence, unconfirmed
from pipeline.advice.report import SiteAdvice
from pipeline.advice.treatments import treatments
from pipeline.advice.weeks_ahead import SurfaceWeeks
from pipeline.alerts.runner import BOUNDS_OF_RULES, AlertRunner, OpenAlert
from pipeline.alerts.site import BACKUP_OLD
from pipeline.diary.entry import DiaryEntry
from pipeline.errors import PipelineFault, StoreAway
from pipeline.jobs import JobRunner
from pipeline.mqtt.broker import EmbeddedBroker, find_mosquitto
from pipeline.mqtt.field_checks import FieldChecks, ProbeCheck, has_ticked
from pipeline.mqtt.ingest import Ingest
from pipeline.mqtt.listener import NodeListener
from pipeline.mqtt.node_health import from_note
from pipeline.mqtt.nodes import Nodes, NodeStatus
from pipeline.mqtt.refusals import Refusal
from pipeline.news import TOLD, NewsExchange
from pipeline.notify.heartbeat import Heartbeat
from pipeline.notify.outbox import Notifier, send_at_once
from pipeline.plan.planner import Planner, SitePlan
from pipeline.run.changes import Changes
from pipeline.run.clock import Clock, FollowClock, SystemClock
from pipeline.run.metrics import Metrics
from pipeline.run.part import Part
from pipeline.site.context import Vocabulary
from pipeline.site.settings import SiteConfig, load
from pipeline.stages.recompute import Redone, StationContexts, recompute
from pipeline.stages.runner import RestageQueue
from pipeline.stages.treatments import by_likeness, redo_passes
from pipeline.store.backup import BackupRecord, ask_for_backups, read_record
from pipeline.store.custody import CustodyNotice, custody_notices
from pipeline.store.integrity import IntegrityCheck
from pipeline.store.journal import QuarantineSize
from pipeline.store.opening import SPARE_SESSIONS, Feeder, dsn_of, job_queue, lock_folder, news_session, open_stores
from pipeline.texts import later, say, say_many, use
from pipeline.units import DAY_MS
from pipeline.worker import HEALTH_KEY, Worker

log = logging.getLogger(__name__)

SPARE_SESSIONS_OF_MANY = 1
CHECKS_KEY = "field_checks"
UNREADABLE_NAMED = 20  # blocks that do not read, in health; `underturf verify` names all
DAMAGED = (
    later(
        "The data are damaged. Nothing more is kept, and the nodes keep their readings. Stop the service and restore "
        "the last good backup."
    ),
    # Translators: folder is a place on the disk, where the backup is
    later(
        "The data are damaged. Nothing more is kept, and the nodes keep their readings. Stop the service and restore "
        "the last good backup: {folder}."
    ),
)  # by whether it is known where backups are


def load_settings(
    path: Path | str, environment: Mapping[str, str] | None = None, *, own: str | None = None
) -> SiteConfig:
    """Return the settings in a file, checked with the kinds of pass and the alert rules that this program has.

    See `pipeline.site.settings.load`, which raises `ConfigFault` with every fault of the file; `own` stands in place
    of the file of what the pages may change.
    """
    table = treatments()
    known = Vocabulary(table.facts, table.bounds_from_edges, BOUNDS_OF_RULES)
    return load(path, environment, known=known, own=own)


class Pipeline:
    """The whole pipeline: broker, ingest, worker, notifier and advisor.

    Parameters
    ----------
    config : SiteConfig
    clock : Clock, optional
        In place of the one the settings name.
    mosquitto : Path or None, optional
        The mosquitto of an embedded broker; None for the Python broker. Found on PATH when not given.
    among_many : bool, optional
        Whether this process has other sites open too: then few sessions stay open, and it carries the news for all.
    pages_only : bool, optional
        Whether another process holds the site, and this one shows it: it reads all, writes what people write, and works
        out the advice that it shows. On PostgreSQL alone.

    Raises
    ------
    DataInUse
        Another pipeline works on the data folder.
    StoreFault
        What is kept cannot be opened.
    """

    def __init__(
        self,
        config: SiteConfig,
        *,
        clock: Clock | None = None,
        mosquitto: Path | str | None = "find",
        among_many: bool = False,
        pages_only: bool = False,
    ) -> None:
        use(config.site.language)
        self.config = config
        self._own_clock = clock is None
        self.clock: Clock = clock if clock is not None else _clock(config)
        self.metrics, self.changes = Metrics(), Changes()
        self._among_many, self._pages_only = among_many, pages_only
        self._lock_file = lock_folder(config.data.dir)
        try:
            spare = SPARE_SESSIONS_OF_MANY if among_many else SPARE_SESSIONS
            self._stores = open_stores(config, spare_sessions=spare, hold=not pages_only)
        except BaseException:
            self._lock_file.close()
            raise
        self.journal, self.store, self.diary = self._stores.journal, self._stores.store, self._stores.diary
        self.people, self.photographs = self._stores.people, self._stores.photographs
        self._parts: list[Part] = []
        self._ended = threading.Event()
        self.crash = ""
        self.starts_again = False
        self.outside_notices: tuple[str, ...] = ()  # of what serves it: lines for the head of the pages, and for health
        try:
            self._make_parts(mosquitto)
        except BaseException:  # the site is let go
            self._stores.close()
            self._lock_file.close()
            raise

    def _make_parts(self, mosquitto: Path | str | None) -> None:
        """Make every part of it and wire them; none runs yet."""
        config = self.config
        if isinstance(self.clock, SystemClock):
            self.clock.resume(max((one.heard_at_ms for one in self.journal.outboxes()), default=0))
        if config.backup.dir is not None:
            ask_for_backups(config.data.dir, self.clock.now_ms())
        self.nodes = Nodes(config.site.name, known_health=from_note(self.journal.note(HEALTH_KEY)))
        self.checks = FieldChecks(
            {
                f"{station.name}/{probe.name}": [one.channel for one in probe.channels]
                for station in config.stations().values()
                for probe in station.probes
            },
            self.journal.note(CHECKS_KEY),
        )
        self._keeping_check = threading.Lock()
        self._broker = self._make_broker(mosquitto)
        on_server, pages_only = config.store.kind == "postgresql", self._pages_only
        self._ingest = Ingest(
            config.broker, config.site.name, self.metrics, self.clock,
            guest=pages_only, listens=pages_only, moves=on_server, among_many=self._among_many,
        )  # fmt: skip
        self._listener = NodeListener(
            self._ingest, self.nodes, self.clock, on_change=self._changed, on_live=self._checked
        )  # fmt: skip
        self._news, self._hearing = set[str](), threading.local()
        self._exchange = None if not on_server or self._among_many else NewsExchange(
            news_session(dsn_of(config)), lambda: {config.site.name: self}, self.clock
        )  # fmt: skip
        self._asked = False  # of a long job, by news
        self._jobs = None if not on_server or self._among_many or pages_only else JobRunner(
            job_queue(dsn_of(config)), lambda: {config.site.name: self}, self.clock
        )  # fmt: skip
        self._server = self._stores.server
        self._feeder = None if self._server is None else Feeder(self.journal, self._server)
        self.context = StationContexts(config, self.diary, self.store)
        self._stages = RestageQueue(
            config, self.store, self._stores.database, self.metrics, self.context, now_ms=self.clock.now_ms
        )
        self._alerts = AlertRunner(
            config,
            self.store,
            self.journal,
            self.metrics,
            self.context,
            self.diary,
            backup=self.backup,
            custody=self.custody,
            writes=not pages_only,
        )
        self._notifier = Notifier.from_config(
            config, self.journal, self.diary, self._ingest, self.metrics, self.clock,
            doubts=lambda: self.time_doubts(said=partial(moment, timezone=config.site.timezone)),
            plan=lambda: self.plan(),
        )  # fmt: skip
        self._worker = Worker(
            config, self._ingest, self.journal, self._stages, self._alerts, self.nodes, self.metrics, self.clock,
            feed=self._feed, on_change=self._changed, on_live=self._checked,
        )  # fmt: skip
        self._advisor = Advisor(
            config, self.store, self.diary, self.metrics, self.clock,
            on_advice=self._advised, on_change=self._changed, doubts=self.time_doubts,
            settled=lambda: not (self._stages.waiting or self._stages.periods_waiting),
        )  # fmt: skip
        self._planner = Planner(config, self.store, self.context, self.metrics)
        self._integrity = IntegrityCheck(
            self._stores.database,
            ZoneInfo(config.site.timezone),
            self.clock,
            tell=partial(tell_of_damage, config, self.clock),
        )
        database = self._stores.database
        self.metrics.damaged.set_function(lambda: bool(database.damage))
        self.metrics.unreadable.set_function(lambda: len(database.unreadable))
        self.metrics.backup_at.set_function(lambda: (self.backup().good_ms or 0) / 1000)
        self.changes.listen(self._advisor.hear)
        self.changes.listen(lambda word: self._worker.wake() if word == "diary" else None)
        if on_server:
            self.changes.listen(self._note_news)
        told = config.notify
        self._heartbeat = None if told.heartbeat is None else Heartbeat(
            told.heartbeat, told.heartbeat_min * 60.0, config.site.name, lambda: self.ready, self.metrics, self.clock
        )  # fmt: skip
        database.when_taken(self._taken)

    def start(self) -> None:
        """Start every part and return at once; see `health`. When one cannot be started all are stopped."""
        parts: dict[str, object] = {"broker": self._broker, "ingest": self._ingest, "news": self._exchange}
        if self._pages_only:
            parts |= {"advisor": self._advisor, "listener": self._listener}
        else:
            parts |= {"notify": self._notifier, "heartbeat": self._heartbeat, "advisor": self._advisor}
            parts |= {"integrity": self._integrity, "worker": self._worker, "jobs": self._jobs}
            self._news |= TOLD  # of what another process did before, and could not tell any more
        try:
            for name, part in parts.items():
                if part is not None:
                    self._parts.append(Part(name, part, self._crashed, self.config.site.name))
        except BaseException:  # the site is let go
            self.stop()
            raise

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

    def start_again(self) -> None:
        """Have whatever serves it stop it and start another with the settings as they are then."""
        self.starts_again = True
        self._ended.set()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until it was stopped or has crashed; return whether it was. [s]"""
        return self._ended.wait(timeout_s)

    def take_news(self) -> set[str]:
        """Return kinds of change that came about here since the last call, for other processes with this site."""
        news = {word for word in TOLD if word in self._news}
        self._news -= news
        return news

    def hear_news(self, word: str) -> None:
        """Read anew what another process has changed, and have whoever waits for changes look; see `NewsParty`.

        Raises
        ------
        StoreFault
        """
        if word in ("alerts", "") and self._pages_only:
            self._alerts.read_again()
        if word in ("findings", "") and self._pages_only:
            for station in self.config.stations():
                self.context.has_learned(station)
        if word in ("jobs", ""):
            self._asked = True
        if word in ("checks", ""):
            self.checks.read_again(self.journal.note(CHECKS_KEY))
        self._hearing.now = True
        try:
            self.changes.bump(word or "diary")
        finally:
            self._hearing.now = False

    @property
    def stages(self) -> RestageQueue:
        """Return what the stages have still to see."""
        return self._stages

    def take_asked(self) -> bool:
        """Return whether news of a long job came since the last call."""
        asked, self._asked = self._asked, False
        return asked

    def work_on(self) -> None:
        """Have the worker look at what was marked for the stages; it may rest."""
        self._worker.wake()

    def tell_jobs(self) -> None:
        """Have whoever shows long jobs look: one was asked for, or has moved on."""
        self._changed("jobs")

    def _note_news(self, word: str) -> None:
        """Keep what kind of change came about here; of one that was heard from others they know."""
        if not getattr(self._hearing, "now", False):
            self._news.add(word)

    def custody(self) -> list[CustodyNotice]:
        """Return what is wrong with the custody of the readings of each node."""
        earlier = [n.node for n in self.nodes.all() if n.state == "up" and n.outbox_id and not n.checks_digests]
        try:
            outboxes = self.journal.outboxes()
            notices = custody_notices(outboxes, earlier, self.clock.now_ms(), self.journal.stations_of)
        except PipelineFault:  # of damaged data that is told, and the pages stay
            return []
        self.metrics.custody.set(len({one.node for one in notices if one.is_conflict}))
        return notices

    def plan(self) -> SitePlan:
        """Return the plan of the site: advice, open alerts and the plan of each surface, all of one mind."""
        now_ms = self.clock.now_ms()
        return self._planner.plan(self._advisor.now(), self._alerts.open_alerts(now_ms), now_ms)

    def alerts(self) -> list[OpenAlert]:
        """Return every open alert, the oldest first, with what to do about it by the plan."""
        return list(self.plan().alerts)

    def notices(self) -> list[str]:
        """Return what an owner must know, in words: of the data, of the time, and of names that the settings lack."""
        doubts = map(sentence, self.time_doubts())
        return [*self._history_lines(), *self._data_notices(), *self.outside_notices, *doubts, *self.unnamed()]

    def _data_notices(self) -> list[str]:
        """Damage, what does not read, too old a backup, doubtful outboxes, what was set aside, a doubtful clock."""
        database, record = self._stores.database, self.backup()
        after_days = self.config.alert_bound(BACKUP_OLD.name, "after_days")
        return [
            *([say(DAMAGED[bool(record.folder)], folder=record.folder)] if database.damage else []),
            *unreadable_lines(database.unreadable),
            *record.lines(self.clock.now_ms(), after_days),
            *(notice.text for notice in self.custody()),
            *self._quarantine_lines(),
            *self._clock_lines(),
        ]

    def _quarantine_lines(self) -> list[str]:
        """Messages of the last day that were set aside, in words."""
        size, day_ms = self._quarantined(), self.clock.now_ms() - DAY_MS
        if not size.entries or size.last_ms < day_ms:
            return []
        return [
            say_many(
                "{n} message could not be read, and is set aside. `underturf quarantine` says what and why.",
                "{n} messages could not be read, and are set aside. `underturf quarantine` says what and why.",
                size.entries,
            )
        ]

    def _quarantined(self) -> QuarantineSize:
        try:
            return self.journal.quarantine_size()
        except PipelineFault:  # of damaged data that is told, and the pages stay
            return QuarantineSize(0, 0, 0, 0)

    def _refused(self) -> list[dict[str, object]]:
        try:
            return self._notifier.refused()
        except PipelineFault:  # the journal is away, which is told
            return []

    def _history_lines(self) -> list[str]:
        """How far the history of a demo has come in, in words; nothing once it is worked out."""
        if not isinstance(self.clock, FollowClock):
            return []
        reached = moment(self.clock.now_ms(), self.config.site.timezone)
        if self.clock.in_history:
            told = later("The history is still coming in, and has reached {moment}: the page fills meanwhile.")
            return [say(told, moment=reached)]
        if self._advisor.follows_history:
            return [say("The history is in, and its last part is still being worked out: the page fills meanwhile.")]
        return []

    def _clock_lines(self) -> list[str]:
        """What is in doubt of the server's clock, in words."""
        doubt_ms = self.clock.doubt_ms() if isinstance(self.clock, SystemClock) else 0
        if not doubt_ms:
            return []
        told = later(
            "The server's clock was set ahead by {span}, and no probe agrees with that: "
            "the time before it is gone by. Set the clock right."
        ) if doubt_ms > 0 else later(
            "The server's clock was set back by {span}, and no probe agrees with that: "
            "the time before it is gone by. Set the clock right."
        )  # fmt: skip
        return [say(told, span=for_how_long(abs(doubt_ms)))]

    def refusals(self) -> list[Refusal]:
        """Return whom the broker turned away in the last quarter of an hour, the newest first, where it tells us."""
        return self._ingest.refusals.recent(self.clock.now_ms())

    def unnamed(self) -> list[str]:
        """Return in words what is heard that the settings do not name: channels, and nodes of another site."""
        channels, others = sorted(self._stages.unknown), sorted(self.nodes.strangers())
        # Translators: the end of a list of names: "a, b, c and more"
        named = listed([*channels[:3], *([say("more")] if channels[3:] else [])])
        found = []
        if channels:
            told = later("Not in underturf.toml: {names}. Nothing is worked out from these readings.")
            found.append(say(told, names=named))
        if others:
            told = later("Another site than {site} is named by {nodes}: see to `site` in agent.toml.")
            found.append(say(told, site=self.config.site.name, nodes=listed(others)))
        return found

    def backup(self) -> BackupRecord:
        """Return what is known of the backups."""
        return read_record(self.config.data.dir)

    def advice(self) -> SiteAdvice | None:
        """Return the newest advice as the plan has it; None until it has been computed for the first time."""
        return self.plan().advice

    def weeks_ahead(self) -> Mapping[str, SurfaceWeeks]:
        """Return the weeks ahead by surface, as they were last worked out; those of some may still be to come."""
        return self._advisor.weeks()

    def clock_note(self) -> ClockNote:
        """Return the server's time and whether it is confirmed. That of a demo always is."""
        if isinstance(self.clock, MachineClock):
            return self.clock.note()
        return ClockNote(True, "", 0, self.clock.now_ms(), "the demo")

    def clock_doubt(self, *, whose: str = "") -> str:
        """Return what is in doubt of the server's own time, as a phrase; empty where it is confirmed."""
        note = self.clock_note()
        since_ms = note.now_ms if note.now_ms < EARLIEST_SET_MS else None
        return "" if note.ok else unconfirmed(since_ms, str, whose=whose)

    def time_doubts(
        self, stations: Collection[str] | None = None, *, said: Callable[[int], str] | None = None
    ) -> list[str]:
        """Return of which places the time is not confirmed, as phrases; with none of them, whether the server's is.

        Parameters
        ----------
        stations : collection of str, optional
            Of these alone.
        said : callable, optional
            Puts a moment [ms since 1970, UTC] into words, for what is read later or elsewhere.
        """
        zone, note, doubted = self.config.site.timezone, self.clock_note(), dict[int, list[str]]()
        for surface in self.config.surfaces:
            for station in surface.stations:
                since_ms = self.nodes.unconfirmed_since_ms(station.name)
                if since_ms is not None and (stations is None or station.name in stations):
                    doubted.setdefault(since_ms, []).append(surface.place(station))
        if not doubted:
            return [] if note.ok else [self.clock_doubt(whose="the server")]
        said = partial(moment, timezone=zone, now_ms=note.now_ms) if said is None else said
        return [
            unconfirmed(since_ms or None, said, whose=listed(places)) for since_ms, places in sorted(doubted.items())
        ]

    @property
    def takes_time(self) -> bool:
        """Whether the time may be given: not where a time service or a battery-backed clock keeps it, nor in a demo."""
        return isinstance(self.clock, MachineClock) and self.clock_note().by != BY_SYSTEM

    def take_time(self, now_ms: int, by: str) -> ClockNote:
        """Take the time from somebody, and tell it to the nodes that need it; return what is known of it then.

        Where a time service or a battery-backed clock keeps the system's clock, that one stays. Raises ValueError for
        what is no time of our days.
        """
        if isinstance(self.clock, MachineClock):
            before_ms = self.clock.now_ms()
            note = self.clock.take(now_ms, by)
            log.warning("time_taken by=%s given_ms=%d moved_ms=%d", note.by, now_ms, note.now_ms - before_ms)
            self._changed("nodes")
        return self.clock_note()

    def watch(self, station: str, probe: str) -> bool:
        """Have a probe read again and again for a minute, for somebody who looks at it; see `Nodes.live`.

        Returns whether a node that reads the station is up.
        """
        reading = [node for node in self.nodes.all() if node.state == "up" and station in node.stations]
        self._notify_nodes(reading, live=f"{station}/{probe}")
        return bool(reading)

    def look_at(self, station: str, probe: str) -> bool:
        """Have a probe under its field check read on for as long as somebody looks, and a while longer: a phone in the
        pocket does not ask. Returns whether a node that reads the station is up."""
        self.checks.look(f"{station}/{probe}", self.clock.monotonic())
        return self.watch(station, probe)

    def keep_check(self, check: ProbeCheck, *entries: DiaryEntry) -> None:
        """Take a check in place of the one of its probe, and write what the diary is to have of it: all or nothing."""
        with self._keeping_check:  # one after the other: the note has the checks of every probe
            with self._stores.database.transaction():
                for entry in entries:
                    self.diary.add(entry)
                self.journal.keep_note(CHECKS_KEY, self.checks.as_note(check, self.journal.note(CHECKS_KEY)))
            self.checks.put(check)
        if entries:
            self._changed("diary")
        self._changed("checks")

    def is_out(self, probe: str, at_ms: int) -> bool:
        """Return whether the diary has a probe, `station/probe`, out of its place. [ms since 1970, UTC]"""
        lifted = self.context(probe.partition("/")[0]).facts.lifted
        return any(one.probe == probe and one.out_ms <= at_ms < one.back_ms for one in lifted)

    def put_in_place(self, probe: str, by: str, at_ms: int) -> DiaryEntry:
        """Return the entry by which a probe, `station/probe`, is in its place. [ms since 1970, UTC]"""
        station, _, name = probe.partition("/")
        surface = self.config.surface_of(station).name
        return DiaryEntry("return", surface, at_ms, {"probe": name}, station, None, by, at_ms)

    def _checked(self, live: LiveReading) -> None:
        """Take a live reading to the check of its probe; the last tick writes that the probe is in its place,
        unless the diary has it there already: a second return would disturb readings that are believed."""
        now_ms, found = self.clock.now_ms(), self.checks.take(live, self.clock.now_ms())
        if found is None:
            return
        before, after = found
        is_done = after.step(self.checks.channels(live.probe)) is None
        if has_ticked(before, after) and not self._pages_only:  # else the worker hears it too, and keeps it
            returns = is_done and self.is_out(live.probe, now_ms)
            try:
                self.keep_check(after, *([self.put_in_place(live.probe, after.by, now_ms)] if returns else []))
            except PipelineFault:
                self.checks.put(before)  # the next reading ticks it again
                raise
        if not is_done and self.checks.asks_on(live.probe, self.clock.monotonic()):
            self.watch(*live.probe.split("/"))

    def _notify_nodes(self, nodes: Sequence[NodeStatus], *, live: str = "") -> None:
        """Tell nodes the time where they have none and it is known here, and their channels that nobody named; where
        only pages run nobody knows of these."""
        note, unknown = self.clock_note(), self._stages.unknown
        for node in nodes:
            if node.state == "up":
                theirs = tuple(sorted(c for c in unknown if c.split("/")[0] in node.stations))
                strange = None if self._pages_only else theirs
                needed = note.ok and not node.clock_ok
                self._ingest.notify_node(node.node, Notice(note.now_ms if needed else None, note.by, strange, live))

    def recompute(self, station: str, *, start_ms: int | None = None, end_ms: int | None = None) -> Redone:
        """Recompute a span of a station from raw, in this thread. Not beside running parts."""
        return recompute(self.store, self.context(station), start_ms=start_ms, end_ms=end_ms)

    def recompute_passes(self, station: str) -> int:
        """Recompute the effects of passes and the thatch trend of a station, once all stations are recomputed."""
        beside = by_likeness(self.config, station)
        return redo_passes(self.store, self.context(station), lambda: map(self.context, beside))

    def catch_up(self, progress: Callable[[str, int, int], None] = lambda *_: None) -> None:
        """Run the stages over all that is kept and was not worked on, in this thread. For a pipeline not started.

        Broken off at any moment, it is gone on with by the next that catches up, the service as well.

        Raises
        ------
        StoreAway, StoreFull
        """
        self._worker.catch_up(progress)

    def health(self) -> dict[str, object]:
        """Return the health of every part, in plain tables.

        `state` is `ok`, or `degraded` with the `reasons` in words.
        """
        custody, reasons = self.custody(), self.reasons()
        disk, note = shutil.disk_usage(self.config.data.dir), self.clock_note()
        return {
            "state": "degraded" if reasons else "ok",
            "reasons": reasons,
            "broker": {
                "kind": "external" if self._broker is None else self._broker.kind,
                "up": None if self._broker is None else self._broker.up,
            },
            "ingest": {"connected": self._ingest.connected, "waiting_messages": self._ingest.waiting},
            "store": self._store_health(),
            "keeping": {"fault": self._worker.keeping.reason, "committed_at_ms": self._worker.committed_at_ms},
            "studying": {
                "fault": self._worker.studying.reason,
                "stations_waiting": self._stages.waiting,
                "periods_waiting": self._stages.periods_waiting,
            },
            "backup": asdict(self.backup()),
            "judging": {"stations_waiting": self._worker.unjudged},
            "notify": {"away": self._notifier.away, "refused": self._refused()},
            "custody": [asdict(notice) for notice in custody],
            "quarantine": asdict(self._quarantined()),
            "nodes": [{**asdict(node), "lines": dict(node.lines)} for node in self.nodes.all()],
            "unknown_channels": dict(self._stages.unknown),
            "other_sites": dict(self.nodes.strangers()),
            "clock": {"confirmed": note.ok, "by": note.by},
            "disk": {"free_bytes": disk.free, "total_bytes": disk.total},
        }

    def periods_wait_for(self, station: str) -> bool:
        """Return whether days, fortnights and wettings of a station are still to be computed."""
        return self._stages.waits_for(station) or self._stages.periods_wait_for(station)

    @property
    def ready(self) -> bool:
        """Return whether readings can arrive and be committed."""
        return not self.crash and self._ingest.connected and not self._worker.keeping.reason

    def reasons(self) -> list[str]:
        """Return in words what is not as it should be; nothing where all is well."""
        custody = [f"custody: {notice.text}" for notice in self.custody() if notice.is_conflict]
        return [*(reason for reason in self._part_reasons() if reason), *custody]

    def _part_reasons(self) -> list[str]:
        broker = "" if self._broker is None or self._broker.up else f"broker: {self._broker.away}"
        known = None if self._server is None else self._server.server
        unseen = "" if self._heartbeat is None else self._heartbeat.beating.reason
        damage = self._stores.database.damage
        return [
            self.crash,
            broker,
            *(f"store: {notice}" for notice in (damage, *self._data_notices()) if notice),
            "" if self._ingest.connected else f"ingest: {self._ingest.away}",
            *(f"store: {warning}" for warning in (known.warnings if known is not None else ())),
            self._worker.keeping.reason and f"keeping: {self._worker.keeping.reason}",
            self._worker.studying.reason and f"studying: {self._worker.studying.reason}",
            self._advisor.advising.reason and f"advising: {self._advisor.advising.reason}",
            *(f"notify {way}: {reason}" for way, reason in self._notifier.away.items()),
            unseen and f"heartbeat: {unseen}",
            *(f"pages: {told}" for told in self.outside_notices),
        ]

    def _store_health(self) -> dict[str, object]:
        """How the stores fare; of a server what it said when it was last reached, and how much waits for it."""
        database = self._stores.database
        unreadable = [f"{name}: {held}" for name, held in database.unreadable.items()]
        state = {
            "damage": database.damage,
            "unreadable": unreadable[:UNREADABLE_NAMED],
            "unreadable_blocks": len(unreadable),
            "checked_at_ms": self._integrity.checked_at_ms,
        }
        if self._server is None:
            return {"kind": self.config.store.kind, **state}
        known = self._server.server
        return {
            "kind": "influx",
            **state,
            "version": None if known is None else known.version,
            "writes_to": None if known is None else known.writes_to,
            "waiting_readings": self.journal.waiting_readings(),
        }

    def _feed(self) -> bool:
        """Copy readings to a server store; the stages wait until all of them can be read there."""
        if self._feeder is None:
            return False
        fed = self._feeder.step(self.clock.now_ms())
        if fed.outstanding and not fed.read_back:
            raise StoreAway(f"server store: found {fed.outstanding} readings not given back yet, expected all of them")
        return bool(fed.read_back or fed.let_go or fed.queued_again)

    def _advised(self, advice: SiteAdvice) -> None:
        """Run the rules about plans over new advice, in the advisor's thread."""
        if not self._pages_only and self._alerts.plan(advice):
            self._changed("alerts")

    def _changed(self, word: str) -> None:
        if word == "alerts":
            self._notifier.wake()
        if word == "nodes" and not self._pages_only:  # the worker tells them
            self._notify_nodes(self.nodes.all())
        self.changes.bump(word)

    def _crashed(self, name: str, bug: BaseException) -> None:
        log.critical("part_crashed name=%s", name, exc_info=bug)
        self.crash = f"{name} crashed: {bug!r}"
        self._ended.set()

    def _taken(self) -> None:
        """End: what is known here is older than what another service has written since."""
        self._ingest.replaced = True
        log.critical("site_taken reason=%s", self._stores.database.taken)
        self.start_again()

    def _make_broker(self, mosquitto: Path | str | None) -> EmbeddedBroker | None:
        if self.config.broker.kind == "external":
            return None
        program = find_mosquitto() if mosquitto == "find" else mosquitto
        assert not isinstance(program, str)
        return EmbeddedBroker(self.config.broker, self.metrics, self.clock, mosquitto=program)


def unreadable_lines(unreadable: Mapping[str, str]) -> list[str]:
    """Return in words which blocks do not read: the first, and how many more there are."""
    if not unreadable:
        return []
    held = next(iter(unreadable.values())).partition(": found")[0]
    more = len(unreadable) - 1
    # Translators: blocks of data by what they hold
    told = later("Left out, because they do not read: {held}, and {n} more.") if more else later(
        "Left out, because they do not read: {held}."
    )  # fmt: skip
    return [say(told, held=held, n=more)]


def tell_of_damage(config: SiteConfig, clock: Clock, damage: str) -> bool:
    """Have people and machines told that the data are damaged; return whether all have taken it."""
    use(config.site.language)
    # Translators: the subject of a message
    fared = send_at_once(config, clock, "store_damaged", say("the data are damaged"), damage)
    for way, fault in fared:
        if fault:
            log.error("damage_not_told way=%s reason=%s", way, fault)
    return not any(fault for _, fault in fared)


def _clock(config: SiteConfig) -> Clock:
    if config.clock.follow is not None:
        return FollowClock(config.clock.follow)
    return SystemClock(trust_hardware=config.clock.trust_hardware, kept=config.data.dir)
