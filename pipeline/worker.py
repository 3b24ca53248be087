"""The worker: commit, receipt, stages, findings, rules.

Messages are committed to the journal, then receipted, then acknowledged, in that order and never another; those that
wait together are committed together, with one sync and one receipt an outbox. What the readings mean is worked out
behind that, when the queue is idle or the work has waited for a few seconds, so that a long history costs few runs of
the stages. Faults of the environment are caught here and nowhere else: counted, logged when
they change, waited out; meanwhile nothing is receipted and nothing is lost. A message that raises anything else until
it is committed is put in quarantine after that one try: the broker would send it again at every start. It knows neither
MQTT nor SQL.
"""

from __future__ import annotations

import logging
import random
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

from pydantic_core import from_json

from hardware.reading import (
    MAX_BATCH,
    BadBatch,
    Batch,
    BatchSpan,
    LiveReading,
    Receipt,
    decode_batch,
    follows_on,
    joined_batch,
    parse_readings_topic,
)
from pipeline.alerts.runner import AlertRunner
from pipeline.errors import PipelineFault
from pipeline.mqtt.ingest import Arrival
from pipeline.mqtt.node_health import as_note
from pipeline.mqtt.nodes import MAX_NODES, BadStatus, Nodes, NodeStatus
from pipeline.run.backoff import OUTAGE_MOST_S, Outage
from pipeline.run.clock import Clock, FollowClock, SystemClock
from pipeline.run.log import log_fields
from pipeline.run.metrics import Metrics
from pipeline.site.settings import SiteConfig
from pipeline.stages.runner import RestageQueue
from pipeline.store.journal import QUARANTINE_BYTES, QUARANTINE_ENTRIES, Journal, Quarantined
from pipeline.store.readings import MAX_OUTBOXES, MAX_STORED_CHANNELS, Appended
from pipeline.units import DAY_MS, FOREVER_MS, TIME_SLACK_MS

log = logging.getLogger(__name__)

TOGETHER_MESSAGES = 64  # messages that share a commit
TOGETHER_BYTES = 256 * 1024  # and no further one when they have so much payload, a few thousand readings
TAKE_S = 0.25  # how long a step waits for a message when there is nothing else to do
TAKE_BUSY_S = 0.02  # and when there is
TAKE_REST_S = 5.0  # and when all is done and no rule is due: a message, an entry of the diary or the end wakes it
DIARY_LOOK_S = 0.25  # how often it looks for entries that other processes have written, at most
SETTLE_S = 0.3  # work waits until nothing more of it has come for so long
STUDY_MOST_S = 3.0  # and no longer than this
STAGES_REST = 2.0  # the stages get at most a third of the time while readings come
PERIODS_REST = 9.0  # days and fortnights get at most a tenth of the time while readings come
CATCH_UP_S = 2.0  # without an arrival for so long, what was measured until now is taken to be here
JUDGE_EVERY_MS = 60_000  # silence is looked for this often on the clock
JUDGE_LEAST_S = 1.0  # and no more often than this in real time
WORKED_EVERY_S = 5.0
WORKED_KEY = "worker/worked"
HEALTH_KEY = "nodes/health"
LOADS = partial(from_json, allow_inf_nan=False)  # twice as fast as the standard library's
LOGGED_MOST, LOGGED_WITHIN_S = 10, 60.0  # messages set aside that are logged: all are counted


def _foreseen(bad: Exception) -> bool:
    """Whether a message is no batch and no status in a way that the codecs name."""
    return isinstance(bad, BadBatch | BadStatus)


class Source(Protocol):
    """The source of messages, which takes receipts."""

    def take(self, timeout_s: float) -> Arrival | None: ...

    def acknowledge(self, arrival: Arrival) -> None: ...

    def publish_receipt(self, site: str, node: str, receipt: Receipt) -> None: ...

    def interrupt(self) -> None: ...

    @property
    def waiting(self) -> int: ...


@dataclass(slots=True)
class _Progress:
    """The progress of a station: when its last reading came, at first when the worker began, and when the rules were
    last run [s, monotonic], how new that reading is and until when the rules have been run [ms since 1970, UTC], and
    whether they have more to see."""

    arrived_s: float
    judged_s: float = -JUDGE_LEAST_S
    newest_ms: int | None = None
    judged_ms: int = 0
    unjudged: bool = True

    def due_ms(self) -> int:
        """Return when the rules are due if nothing comes. [ms since 1970, UTC]"""
        return self.judged_ms + JUDGE_EVERY_MS

    def turn(self, now_ms: int) -> tuple[bool, float]:
        """Return what sorts stations by whose turn it is: one whose rules are due, and long were not looked at."""
        return not self.unjudged and now_ms < self.due_ms(), self.judged_s


@dataclass(slots=True, eq=False)
class _Message:
    """A message with what was read of it: the span its topic names and its batch, or why it cannot be kept."""

    arrival: Arrival
    span: BatchSpan | None = None
    batch: Batch | None = None
    bad: Exception | None = None
    live: LiveReading | None = None
    status: NodeStatus | None = None


class _NotAllNew(Exception):
    """Some readings of joined batches were kept before, or are refused: what was written of them is undone."""


def _following_on(messages: list[_Message]) -> list[list[_Message]]:
    """Return messages in groups: batches of an outbox of which each begins behind the one before, others alone.

    Those of an outbox stay in order, and no group has more readings than a batch may.
    """
    groups: list[list[_Message]] = []
    latest: dict[tuple[str, str, str], list[_Message]] = {}
    for message in messages:
        span = message.span
        outbox = ("", "", "") if span is None else (span.site, span.node, span.outbox_id)
        group = latest.get(outbox, [])
        room = group and group[0].batch and message.batch and message.batch.last - group[0].batch.first < MAX_BATCH
        if room and group[-1].batch and message.batch and follows_on(group[-1].batch, message.batch):
            group.append(message)
        else:
            latest[outbox] = [message]
            groups.append(latest[outbox])
    return groups


class _Pace:
    """Pacing of a kind of work: a rest of a multiple of its cost, so that its share of the time is bounded."""

    def __init__(self, rest: float) -> None:
        self._rest, self._ended_s, self._cost_s = rest, 0.0, 0.0

    def rested(self, now_s: float) -> bool:
        return now_s - self._ended_s > self._rest * self._cost_s

    def ran(self, began_s: float, ended_s: float) -> None:
        self._ended_s, self._cost_s = ended_s, ended_s - began_s


class Worker:
    """Takes messages from a source, one bounded step after the other.

    Parameters
    ----------
    config : SiteConfig
    source : Source
    journal : Journal
    stages : RestageQueue
    alerts : AlertRunner
    nodes : Nodes
    metrics : Metrics
    clock : Clock
    feed : callable
        Copies a few readings to a server store, where there is one; returns whether there is more to copy.
    on_change : callable
        Called with one word (`readings`, `findings`, `alerts`, `nodes`) when something of that kind has changed.
    on_live : callable
        Called with each live reading, once what came with it is kept.
    rng : random.Random
        Jitter of the waits.
    """

    def __init__(
        self,
        config: SiteConfig,
        source: Source,
        journal: Journal,
        stages: RestageQueue,
        alerts: AlertRunner,
        nodes: Nodes,
        metrics: Metrics,
        clock: Clock,
        *,
        feed: Callable[[], bool] = lambda: False,
        on_change: Callable[[str], None] = lambda word: None,
        on_live: Callable[[LiveReading], None] = lambda live: None,
        rng: random.Random | None = None,
    ) -> None:
        rng = random.Random() if rng is None else rng
        metrics.limits({"nodes": MAX_NODES, "worker_retry_seconds": OUTAGE_MOST_S, "study_wait_seconds": STUDY_MOST_S})
        metrics.limits({"quarantine_messages": QUARANTINE_ENTRIES, "quarantine_bytes": QUARANTINE_BYTES})
        metrics.limits({"outboxes": MAX_OUTBOXES, "stored_channels": MAX_STORED_CHANNELS})
        self.keeping = Outage("keeping", metrics, rng)
        self.studying = Outage("studying", metrics, rng)
        self.committed_at_ms: int | None = None
        self._config = config
        self._source, self._journal, self._stages, self._alerts = source, journal, stages, alerts
        self._nodes, self._metrics, self._clock = nodes, metrics, clock
        self._feed, self._on_change, self._on_live = feed, on_change, on_live
        self._begun = False
        self._held: list[_Message] = []
        self._unsaid: list[_Message] = []
        self._not_before_s = 0.0
        self._stages_pace, self._periods_pace = _Pace(STAGES_REST), _Pace(PERIODS_REST)
        self._progress = {station: _Progress(clock.monotonic()) for station in config.stations()}
        self._worked_s = -WORKED_EVERY_S
        self._worked: dict[str, object] = {}
        self._kept_turn, self._noted_turn = 1, 0  # the latest time that something was kept, and that in the note
        self._diary_look_s = -DIARY_LOOK_S
        self._fed = True  # a server store, in the last step
        self._merged_day = -1
        self._began_ms, self._last_run = clock.now_ms(), 0
        self._logged_s: deque[float] = deque(maxlen=LOGGED_MOST)

    @property
    def unjudged(self) -> int:
        """Return how many stations have readings that the rules have not been evaluated on yet."""
        return sum(one.unjudged for one in self._progress.values())

    def _begin(self, stop: threading.Event) -> bool:
        """Publish the receipts of what is on disk again, once that is seen to be whole, and resume the stages where
        they stopped; return whether it was done before the end."""
        if not self._journal.database.check(whole=False, go_on=lambda: not stop.is_set()):
            return False
        for site, node, receipt in self._journal.receipts():
            self._source.publish_receipt(site, node, receipt)
        self._began_ms, self._last_run = self._clock.now_ms(), self._journal.last_run()
        if mended := self._alerts.set_clock(self._began_ms):
            log.warning("alerts_from_the_future states=%d now_ms=%d", mended, self._began_ms)
        self._worked = self._journal.note(WORKED_KEY)
        self._stages.resume(self._worked, self._clock.monotonic())
        self._begun = True
        return True

    def step(self, stop: threading.Event) -> None:
        """Keep the messages that wait, within a bound, then do at most one piece of the work behind them."""
        log_fields()
        idle = not self._keep_next(stop)
        if stop.is_set() or self._clock.monotonic() < self._not_before_s:
            return
        try:
            if self._begun and isinstance(self._clock, SystemClock) and (step := self._clock.taken_step()) is not None:
                self._clock_stepped(*step)
            self._work_on(idle=idle)
        except PipelineFault as fault:
            self._not_before_s = self._clock.monotonic() + self.studying.begins(fault)
        else:
            self.studying.ends()

    def wake(self) -> None:
        """End the wait of a step: something is to be looked at, such as what a long job has kept, or it is time to
        stop."""
        self._diary_look_s = -DIARY_LOOK_S
        self._kept_turn += 1
        self._source.interrupt()

    def close(self) -> None:
        """Store how far the stages are. What was not committed is unacknowledged and is sent again."""
        try:
            self._note_worked()
        except PipelineFault as fault:
            log.warning("worked_not_noted reason=%s", fault)

    def catch_up(self, progress: Callable[[str, int, int], None]) -> None:
        """Run the stages over all that was kept and not worked on; see `Pipeline.catch_up`."""
        while self._feed():
            pass
        self._stages.resume(self._journal.note(WORKED_KEY), self._clock.monotonic())
        self._stages.mark_diary(self._clock.monotonic())
        what, whole_d = "", 0
        while self._stages.waiting or self._stages.periods_waiting:  # limits that are learned mark stretches anew
            now, step = (
                ("observations", self._stages.step) if self._stages.waiting else ("findings", self._stages.step_periods)
            )
            if now != what:
                what, whole_d = now, self._stages.left_ms // DAY_MS
            step()
            progress(what, whole_d - self._stages.left_ms // DAY_MS, whole_d)
        self._note_worked()

    # --- keeping -----------------------------------------------------------------------------------------------

    def _keep_next(self, stop: threading.Event) -> bool:
        """Whether there were messages. Those that could not be kept are held and tried again before any other."""
        try:
            if not self._begun and not self._begin(stop):
                return False
            self._say_kept()
            if not self._held:
                self._held = self._take()
            if not self._held:
                return False
            began = self._clock.monotonic()
            self._keep(self._held, self._clock.now_ms())
            self._metrics.step_seconds.observe(self._clock.monotonic() - began)
        except PipelineFault as fault:
            self._clock.wait(self.keeping.begins(fault), stop)
            return True
        self.keeping.ends()
        return True

    def _take(self) -> list[_Message]:
        """Take the oldest message waiting and what waits behind it, within the bounds of one commit."""
        arrival = self._source.take(self._patience_s())
        taken: list[_Message] = []
        size = 0
        while arrival is not None:
            taken.append(self._read(arrival))
            size += len(arrival.payload)
            more = len(taken) < TOGETHER_MESSAGES and size < TOGETHER_BYTES
            arrival = self._source.take(0.0) if more else None
        return taken

    def _patience_s(self) -> float:
        """Return how long a step may wait for a message: the longer, the less there is to do behind it. [s]"""
        if self._stages.waiting or self._stages.periods_waiting:
            return TAKE_BUSY_S
        if not isinstance(self._clock, SystemClock) or self.unjudged or self._fed or self.studying.reason:
            return TAKE_S
        due_ms = min((one.due_ms() for one in self._progress.values()), default=FOREVER_MS)
        due_s = (due_ms - self._clock.now_ms()) / 1000
        return min(max(due_s, TAKE_S), TAKE_REST_S)

    def _read(self, arrival: Arrival) -> _Message:
        """Decode readings; hear a status, of which only the highest number of its outbox is kept."""
        message = _Message(arrival)
        try:
            if arrival.topic is None:
                raise BadBatch("topic: found bytes that are not UTF-8")
            if arrival.topic.endswith("/status"):
                message.status = self._nodes.hear(arrival.topic, arrival.payload, self._clock.now_ms())
            elif arrival.topic.endswith("/live"):
                message.live = self._nodes.hear_live(arrival.payload)
            else:
                message.span = parse_readings_topic(arrival.topic)
                message.batch = decode_batch(arrival.payload, message.span, loads=LOADS)
        except Exception as bad:
            message.bad = bad
        return message

    def _keep(self, messages: list[_Message], now_ms: int) -> None:
        """Commit messages together, then receipt each outbox once and acknowledge them."""
        with self._journal.database.transaction():
            kept = [done for group in _following_on(messages) for done in self._commit_group(group, now_ms)]
            for message, done in kept:
                if message.batch is not None and done.moved:  # a kill from here on: the stages begin again before them
                    self._worked = lower_worked(self._journal, message.batch, self._worked)
            health = self._nodes.health_to_keep()
            if health is not None:
                self._journal.keep_note(HEALTH_KEY, as_note(health))
        # From here on they are on the disk.
        self._held, self._unsaid = [], messages
        self._kept_turn += 1
        self.committed_at_ms = now_ms
        for message, done in kept:
            log_fields(**({} if message.span is None else {"node": message.span.node}))
            if message.bad is not None:
                self._note_set_aside(message.arrival, message.bad)
            elif message.batch is not None:
                self._note(message.batch, done, now_ms)
        self._say_kept()

    def _say_kept(self) -> None:
        """Receipt and acknowledge what is on the disk, then pass live readings on.

        A fault before the acknowledgements leaves all of it to be said on the next try: the broker sends no more than a
        few messages that nobody acknowledges. One in a live reading takes neither the others nor an acknowledgement.
        """
        messages = self._unsaid
        receipts = dict.fromkeys((m.span.site, m.span.node, m.span.outbox_id) for m in messages if m.span is not None)
        for site, node, outbox_id in receipts:
            self._source.publish_receipt(site, node, self._journal.receipt(site, node, outbox_id))
        if any(message.span is None and message.live is None for message in messages):
            self._metrics.nodes_up.set(sum(n.state == "up" for n in self._nodes.all()))
            self._on_change("nodes")
        for message in messages:
            self._source.acknowledge(message.arrival)
        self._unsaid = []
        for live in [message.live for message in messages if message.live is not None]:
            try:
                self._on_live(live)
            except PipelineFault as fault:
                log.warning("live_reading_not_taken probe=%s reason=%s: %s", live.probe, type(fault).__name__, fault)

    def _commit_group(self, group: list[_Message], now_ms: int) -> list[tuple[_Message, Appended]]:
        """Append batches that follow on one another as one, which costs little more than one of them does.

        Each is appended by itself where not all of it is new, or anything unforeseen is raised.
        """
        batches = [message.batch for message in group if message.batch is not None]
        if len(batches) > 1:
            whole = joined_batch(batches)
            try:
                with self._journal.database.transaction():
                    done = self._journal.append(whole, now_ms)
                    if done.new != len(whole.readings):
                        raise _NotAllNew
                return [(replace(group[-1], batch=whole, bad=None), done)]
            except PipelineFault:
                raise
            except Exception as bad:
                log.info("batches_kept_apart number=%d reason=%s", len(batches), type(bad).__name__)
        return [(message, self._commit(message, now_ms)) for message in group]

    def _commit(self, message: _Message, now_ms: int) -> Appended:
        """Append a batch; put what is none, or raises what nobody foresaw, in quarantine after that one try."""
        if message.batch is not None:
            try:
                return self._journal.append(message.batch, now_ms)
            except PipelineFault:
                raise
            except Exception as bad:  # what it changed is undone with its own part of the transaction
                message.bad = bad
        if message.bad is None:
            if message.status is not None and message.status.assigned:
                site, status = self._config.site.name, message.status
                self._journal.note_assigned(site, status.node, status.outbox_id, status.assigned)
            return Appended(0, 0, 0, 0, 0)
        topic = "(not UTF-8)" if message.arrival.topic is None else message.arrival.topic
        reason = str(message.bad) if _foreseen(message.bad) else f"{type(message.bad).__name__}: {message.bad}"
        received = self._journal.receive_poison(message.span, topic, message.arrival.payload, reason, now_ms)
        return Appended(0, 0, 0, 0, received)

    def _note_set_aside(self, arrival: Arrival, bad: Exception) -> None:
        """Count a message that went into quarantine, and log it; of a flood, a few a minute."""
        self._metrics.quarantined.inc()
        now_s = self._clock.monotonic()
        if self._logged_s and now_s - self._logged_s[0] < LOGGED_WITHIN_S and len(self._logged_s) == LOGGED_MOST:
            return
        self._logged_s.append(now_s)
        if _foreseen(bad):
            log.warning("payload_quarantined topic=%.120s reason=%.400s", arrival.topic, bad)
        else:
            self._metrics.set_aside.inc()
            reason = f"{type(bad).__name__}: {bad}"
            log.error("message_set_aside topic=%.120s reason=%s", arrival.topic, reason, exc_info=bad)

    def _note(self, batch: Batch, appended: Appended, now_ms: int) -> None:
        """Count what was committed, and mark new readings for the stages."""
        self._metrics.readings.inc(appended.new)
        self._metrics.duplicates.inc(appended.duplicates)
        self._metrics.holes.inc(appended.hole)
        self._metrics.conflicts.inc(appended.conflicts)
        if appended.conflicts:
            log.warning("readings_contradict node=%s outbox_id=%s first=%d last=%d count=%d", batch.node,
                        batch.outbox_id, batch.first, batch.last, appended.conflicts)  # fmt: skip
        elif appended.refused:
            self._metrics.early.inc()
        if appended.moved:
            self._note_moved(batch, appended)
        if appended.new:
            now_s, unknown = self._clock.monotonic(), len(self._stages.unknown)
            for station, newest_ms in self._stages.mark(batch.columns, now_s).items():
                one = self._progress[station]
                one.arrived_s, one.unjudged = now_s, True
                newest_ms = min(newest_ms, now_ms)
                one.newest_ms = newest_ms if one.newest_ms is None else max(newest_ms, one.newest_ms)
            timed = [reading.measured_at_ms for reading in batch.readings if reading.clock_ok]
            if timed and isinstance(self._clock, SystemClock):
                self._clock.witness(max(timed))
            self._on_change("readings")
            if len(self._stages.unknown) > unknown:  # the node is told of it: its status may not change again
                self._on_change("nodes")

    def _note_moved(self, batch: Batch, appended: Appended) -> None:
        """Mark from where and to where readings have moved that a batch has dated again."""
        for station in self._stages.mark_moved(appended.moved, self._clock.monotonic()):
            if station in self._progress:
                self._progress[station].unjudged = True
        for one in batch.redated:
            log.warning("readings_dated_again node=%s outbox_id=%s first=%d last=%d by_ms=%d", batch.node,
                        batch.outbox_id, one.first, one.last, one.by_ms)  # fmt: skip
        self._on_change("readings")

    def _clock_stepped(self, before_ms: int, now_ms: int) -> None:
        """Date what came while the clock was wrong, look at its flags again, and let no alert be of the future."""
        self._journal.correct_received(self._last_run, now_ms - before_ms)
        first_ms = max(min(self._began_ms, now_ms), min(before_ms, now_ms) - 2 * DAY_MS)  # older runs are merged
        last_ms = max(before_ms, now_ms) + TIME_SLACK_MS
        for station, one in self._progress.items():
            self._stages.mark_span(station, first_ms, last_ms, self._clock.monotonic())
            one.judged_ms = min(one.judged_ms, now_ms)
            one.newest_ms = None if one.newest_ms is None else min(one.newest_ms, now_ms)
        mended = self._alerts.set_clock(now_ms, before_ms=before_ms)
        self._merged_day = -1
        self._began_ms += now_ms - before_ms
        log.warning("clock_step_taken before_ms=%d now_ms=%d alerts_taken_back=%d", before_ms, now_ms, mended)
        self._on_change("alerts")

    # --- what the readings mean --------------------------------------------------------------------------------

    def _work_on(self, *, idle: bool) -> None:
        now_s = self._clock.monotonic()
        log_fields()
        self._fed = self._feed()
        if self._fed:
            return
        if self._begun and now_s - self._diary_look_s >= DIARY_LOOK_S:
            self._diary_look_s = now_s  # before the look: who wakes us meanwhile wants another
            self._stages.mark_diary(now_s)
        if self._stages.waiting and self._stages_due(now_s, idle=idle):
            station = self._stages.step()
            self._on_change("findings")
            if station in self._progress:
                self._run_rules(station, now_s)
            self._stages_pace.ran(now_s, self._clock.monotonic())
        elif idle and self._stages.periods_waiting and self._periods_due(now_s):
            station = self._stages.step_periods()
            if station is not None:
                self._progress[station].unjudged = True
                self._on_change("findings")
            self._periods_pace.ran(now_s, self._clock.monotonic())
        elif idle and self._progress:
            now_ms = self._clock.now_ms()
            self._run_rules(min(self._progress, key=lambda station: self._progress[station].turn(now_ms)), now_s)
        if not self._stages.waiting and now_s - self._worked_s > WORKED_EVERY_S:
            self._note_worked()
            if idle:
                self._merge_old()

    def _merge_old(self) -> None:
        """Merge some runs of readings received before yesterday, until none is left today.

        A run that does not read back stays as it is, and is tried again the next day: saving space may fail, keeping
        readings goes on.
        """
        today = self._clock.now_ms() // DAY_MS
        if self._merged_day == today:
            return
        try:
            more = self._journal.merge_runs((today - 1) * DAY_MS)
        except ValueError as bad:
            log.error("runs_not_merged reason=%s", bad)
            more = False
        if not more:
            self._merged_day = today

    @property
    def _flies(self) -> bool:
        """Whether hours pass in less than a second, the history of a demo: its node is days ahead of what has come."""
        return isinstance(self._clock, FollowClock) and self._clock.in_history

    @property
    def _arrived_s(self) -> float:
        """When the last reading of any station came. [s, monotonic]"""
        return max((one.arrived_s for one in self._progress.values()), default=-STUDY_MOST_S)

    def _stages_due(self, now_s: float, *, idle: bool) -> bool:
        """Return whether the stages are due: rested, and their input has waited for more.

        A run costs days around what is new: while readings stream in, as after an outage, few long ones are made; when
        none come the stages need no rest.
        """
        waited_s, quiet_s = now_s - self._stages.oldest_s, now_s - self._arrived_s
        settled = idle and min(waited_s, quiet_s) > SETTLE_S
        rested = self._stages_pace.rested(now_s) or quiet_s >= CATCH_UP_S
        return rested and (settled or waited_s > STUDY_MOST_S)

    def _periods_due(self, now_s: float) -> bool:
        """Return whether days and fortnights are due: rested, or nothing has arrived for `CATCH_UP_S`.

        Without the second case pages would lag behind a backlog for minutes.
        """
        return self._periods_pace.rested(now_s) or now_s - self._arrived_s >= CATCH_UP_S

    def _run_rules(self, station: str, now_s: float) -> None:
        """Evaluate the rules of a station, if that is due and the stages have processed all its readings."""
        one = self._progress[station]
        if now_s - one.judged_s < JUDGE_LEAST_S or self._stages.waits_for(station):
            return
        if one.newest_ms is None and (self._flies or now_s - one.arrived_s < CATCH_UP_S):
            return  # a node may be about to hand over a backlog
        one.judged_s = now_s
        complete_ms = self._complete_until_ms(one, self._clock.now_ms(), now_s)
        until_ms = min(complete_ms, self._stages.seen_until_ms(station))
        if not one.unjudged and until_ms - one.judged_ms < JUDGE_EVERY_MS:
            return
        told, more = self._alerts.evaluate(station, until_ms, days=not self._stages.periods_wait_for(station))
        one.judged_ms = until_ms
        if more:
            one.judged_s = -JUDGE_LEAST_S
        else:
            one.unjudged = until_ms < complete_ms
        if told:
            self._on_change("alerts")

    def _complete_until_ms(self, one: _Progress, now_ms: int, now_s: float) -> int:
        """Return until when the record of a station is complete: readings of a backlog are no silence. [ms since 1970,
        UTC]"""
        quiet = now_s - one.arrived_s >= CATCH_UP_S and not self._source.waiting and not self._flies
        return now_ms if quiet or one.newest_ms is None else min(now_ms, one.newest_ms)

    def _note_worked(self) -> None:
        """Store how far the stages have processed everything, so that a kill repeats only what came after."""
        if self._stages.waiting or self._stages.periods_waiting:
            return
        self._worked_s, turn = self._clock.monotonic(), self._kept_turn
        if turn == self._noted_turn and self._stages.diary_note == self._worked.get("diary"):
            return
        worked: dict[str, object] = {f"{o.site}/{o.node}/{o.outbox_id}": o.received for o in self._journal.outboxes()}
        worked["diary"] = self._stages.diary_note
        if self._stages.is_held_back or self._stages.waiting or self._stages.periods_waiting:  # of what came meanwhile
            return
        if worked != self._worked:
            self._journal.keep_note(WORKED_KEY, worked)
            self._worked = worked
        self._noted_turn = turn


def lower_worked(journal: Journal, batch: Batch, worked: Mapping[str, object]) -> dict[str, object]:
    """Have the stages begin again, at the next start, with a batch or with what it dates again; return their note.

    `worked` is the note as it is.
    """
    name = f"{batch.site}/{batch.node}/{batch.outbox_id}"
    before = worked.get(name, 0)
    first = min([batch.first, *(one.first for one in batch.redated)])
    lowered = {**worked, name: min(before if isinstance(before, int) else 0, first - 1)}
    journal.keep_note(WORKED_KEY, lowered)
    return lowered


class StillBad(PipelineFault):
    """A quarantined message that cannot be kept on another try either; the text is the reason."""


def retry_quarantined(journal: Journal, entry: Quarantined, now_ms: int) -> Appended:
    """Keep a quarantined batch of readings after all, and take it out of the quarantine.

    The stages see it at the next start of the worker, which begins again at this batch: that note is lowered before the
    batch is kept, so a kill between the steps costs work and no reading. Only under the lock of the data folder.

    Raises
    ------
    StillBad
        When it is no batch of readings, or was too long to be kept whole. Then it stays in quarantine.
    """
    where = f"quarantine {entry.id}"
    if entry.size_bytes != len(entry.payload):
        raise StillBad(
            f"{where}: found the first {len(entry.payload)} of {entry.size_bytes} bytes, expected all of them"
        )
    try:
        span = parse_readings_topic(entry.topic)
        batch = decode_batch(entry.payload, span, loads=LOADS)
        lower_worked(journal, batch, journal.note(WORKED_KEY))
        appended = journal.append(batch, now_ms)
    except PipelineFault:
        raise
    except Exception as bad:
        reason = str(bad) if isinstance(bad, BadBatch) else f"{type(bad).__name__}: {bad}"
        raise StillBad(f"{where}: {reason}. It stays in quarantine.") from bad
    journal.drop_quarantined(entry.id)
    return appended
