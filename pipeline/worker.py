"""The one line of the story: keep, receipt, stages, keep, rules.

A message is committed to the journal, then receipted, then acknowledged, in that order and never another. What the
readings mean is worked out behind that, when the queue is idle or the work has waited for a few seconds, so that a long
history costs few runs of the stages. Faults of the environment are caught here and nowhere else: counted, logged when
they change, waited out; meanwhile nothing is receipted and nothing is lost. A message that raises anything else until
it is committed is put in quarantine after that one try: the broker would send it again at every start. It knows neither
MQTT nor SQL.
"""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable
from typing import Protocol

from hardware.reading import BadBatch, Batch, Receipt, Span, decode_batch, parse_readings_topic
from pipeline.backoff import Backoff
from pipeline.clock import Clock
from pipeline.config import SiteConfig
from pipeline.errors import PipelineFault
from pipeline.ingest import Arrival
from pipeline.judge import Judge
from pipeline.metrics import Metrics
from pipeline.nodes import MAX_NODES, BadStatus, Nodes
from pipeline.store.journal import Appended, Journal
from pipeline.study import Study

log = logging.getLogger(__name__)

TAKE_S = 0.25  # how long a step waits for a message when there is nothing else to do
TAKE_BUSY_S = 0.02  # and when there is
SETTLE_S = 0.3  # work waits so long for more of it, when the queue is idle
STUDY_MOST_S = 3.0  # and no longer than this when it is not
PERIODS_REST = 9.0  # days and fortnights get at most a tenth of the time while readings come
CATCH_UP_S = 2.0  # without an arrival for so long, what was measured until now is taken to be here
JUDGE_EVERY_MS = 60_000  # silence is looked for this often on the clock
JUDGE_LEAST_S = 1.0  # and no more often than this in real time
RETRY_FIRST_S, RETRY_MOST_S = 0.2, 30.0
WORKED_EVERY_S = 5.0
WORKED_KEY = "worker/worked"


class Source(Protocol):
    """Where messages come from and receipts go."""

    def take(self, timeout_s: float) -> Arrival | None: ...

    def acknowledge(self, arrival: Arrival) -> None: ...

    def publish_receipt(self, site: str, node: str, receipt: Receipt) -> None: ...

    @property
    def waiting(self) -> int: ...


class Trouble:
    """One thing that can go wrong outside: said once, counted, waited out."""

    def __init__(self, part: str, metrics: Metrics, rng: random.Random) -> None:
        self.part, self.reason = part, ""
        self._metrics = metrics
        self._backoff = Backoff(RETRY_FIRST_S, RETRY_MOST_S, rng)

    def begins(self, fault: PipelineFault) -> float:
        """Note a fault; returns how long to wait. [s]"""
        kind = type(fault).__name__
        if kind != self.reason.partition(":")[0]:
            log.error("%s_waits reason=%s: %s", self.part, kind, fault)
        self.reason = f"{kind}: {fault}"
        wait_s = self._backoff.next_s()
        self._metrics.faults.labels(self.part).inc()
        self._metrics.backoff_s.labels(self.part).set(wait_s)
        return wait_s

    def ends(self) -> None:
        """Note that it went well."""
        if self.reason:
            log.warning("%s_well_again after=%s", self.part, self.reason)
            self._metrics.backoff_s.labels(self.part).set(0.0)
        self.reason = ""
        self._backoff.reset()


class Worker:
    """Takes messages from a source, one bounded step after the other.

    Parameters
    ----------
    config : SiteConfig
    source : Source
    journal : Journal
    study : Study
        Where the stages are run.
    judge : Judge
        Where the rules are run.
    nodes : Nodes
    metrics : Metrics
    clock : Clock
    on_change : callable
        Called with one word (`readings`, `findings`, `alerts`, `nodes`) when something of that kind has changed.
    rng : random.Random
        Jitter of the waits.
    """

    def __init__(
        self,
        config: SiteConfig,
        source: Source,
        journal: Journal,
        study: Study,
        judge: Judge,
        nodes: Nodes,
        metrics: Metrics,
        clock: Clock,
        *,
        on_change: Callable[[str], None] = lambda word: None,
        rng: random.Random | None = None,
    ) -> None:
        rng = random.Random() if rng is None else rng
        metrics.limits({"nodes": MAX_NODES, "worker_retry_seconds": RETRY_MOST_S, "study_wait_seconds": STUDY_MOST_S})
        self.keeping = Trouble("keeping", metrics, rng)
        self.studying = Trouble("studying", metrics, rng)
        self.committed_at_ms: int | None = None
        self._stations = tuple(config.stations())
        self._source, self._journal, self._study, self._judge = source, journal, study, judge
        self._nodes, self._metrics, self._clock, self._on_change = nodes, metrics, clock, on_change
        self._begun = False
        self._held: Arrival | None = None
        self._not_before_s = 0.0
        self._studied_s = self._study_cost_s = 0.0
        self._periods_s = self._periods_cost_s = 0.0
        self._arrived_s: dict[str, float] = dict.fromkeys(self._stations, -CATCH_UP_S)
        self._newest_ms: dict[str, int] = {}
        self._judged_s: dict[str, float] = {}
        self._judged_ms: dict[str, int] = {}
        self._unjudged: set[str] = set(self._stations)
        self._worked_s = -WORKED_EVERY_S
        self._worked: dict[str, object] = {}

    @property
    def unjudged(self) -> int:
        """How many stations have readings that the rules have not walked over yet."""
        return len(self._unjudged)

    def _begin(self) -> None:
        """Publish again the receipts of what is on disk, and find what was kept but not yet worked on."""
        for site, node, receipt in self._journal.receipts():
            self._source.publish_receipt(site, node, receipt)
        self._worked = dict(self._journal.alert_states().get(WORKED_KEY, {}))
        self._study.resume(self._worked, self._clock.monotonic())
        self._begun = True

    def step(self, stop: threading.Event) -> None:
        """Keep at most one message, then do at most one piece of the work behind it."""
        idle = not self._keep_next(stop)
        if stop.is_set() or self._clock.monotonic() < self._not_before_s:
            return
        try:
            self._work_on(idle=idle)
        except PipelineFault as fault:
            self._not_before_s = self._clock.monotonic() + self.studying.begins(fault)
        else:
            self.studying.ends()

    def close(self) -> None:
        """Note how far the stages are. What was not kept is unacknowledged and comes again."""
        try:
            self._note_worked()
        except PipelineFault as fault:
            log.warning("worked_not_noted reason=%s", fault)

    # --- keeping -----------------------------------------------------------------------------------------------

    def _keep_next(self, stop: threading.Event) -> bool:
        """Whether there was a message. One that could not be kept is held and tried again before any other."""
        try:
            if not self._begun:
                self._begin()
            if self._held is None:
                self._held = self._source.take(TAKE_BUSY_S if self._study.waiting else TAKE_S)
            if self._held is None:
                return False
            began = self._clock.monotonic()
            self._keep(self._held)
            self._metrics.step_seconds.observe(self._clock.monotonic() - began)
        except PipelineFault as fault:
            self._clock.wait(self.keeping.begins(fault), stop)
            return True
        self._held = None
        self.keeping.ends()
        return True

    def _keep(self, arrival: Arrival) -> None:
        now_ms = self._clock.now_ms()
        if arrival.topic is not None and arrival.topic.endswith("/status"):
            self._keep_status(arrival.topic, arrival, now_ms)
        else:
            self._keep_readings(arrival, now_ms)
        self._source.acknowledge(arrival)

    def _keep_status(self, topic: str, arrival: Arrival, now_ms: int) -> None:
        try:
            self._nodes.hear(topic, arrival.payload, now_ms)
        except Exception as bad:
            self._set_aside(None, arrival, bad, now_ms)
        self._metrics.nodes_up.set(sum(n.state == "up" for n in self._nodes.all()))
        self._on_change("nodes")

    def _keep_readings(self, arrival: Arrival, now_ms: int) -> None:
        span: Span | None = None
        try:
            if arrival.topic is None:
                raise BadBatch("topic: found bytes that are not UTF-8")
            span = parse_readings_topic(arrival.topic)
            batch = decode_batch(arrival.payload, span)
            appended = self._journal.append(batch, now_ms)  # from here on it is on the disk
        except PipelineFault:
            raise
        except Exception as bad:
            received = self._set_aside(span, arrival, bad, now_ms)
        else:
            received = appended.received
            self._note(batch, appended)
        if span is not None:
            self._source.publish_receipt(span.site, span.node, Receipt(span.outbox_id, received))
        self.committed_at_ms = now_ms

    def _set_aside(self, span: Span | None, arrival: Arrival, bad: Exception, now_ms: int) -> int:
        """Put a message in quarantine for what it raised; returns the receipt of its outbox, 0 without a span."""
        foreseen = isinstance(bad, BadBatch | BadStatus)
        topic = "(not UTF-8)" if arrival.topic is None else arrival.topic
        reason = str(bad) if foreseen else f"{type(bad).__name__}: {bad}"
        received = self._journal.receive_poison(span, topic, arrival.payload, reason, now_ms)
        self._metrics.quarantined.inc()
        if foreseen:
            log.warning("payload_quarantined topic=%.120s reason=%s", topic, reason)
        else:
            self._metrics.set_aside.inc()
            log.error("message_set_aside topic=%.120s reason=%s", topic, reason, exc_info=bad)
        return received

    def _note(self, batch: Batch, appended: Appended) -> None:
        """Count what was committed, and mark new readings for the stages."""
        self._metrics.readings.inc(appended.new)
        self._metrics.duplicates.inc(appended.duplicates)
        self._metrics.holes.inc(appended.hole)
        if appended.new:
            now_s = self._clock.monotonic()
            for station, newest_ms in self._study.mark(batch.readings, now_s).items():
                self._arrived_s[station] = now_s
                self._newest_ms[station] = max(newest_ms, self._newest_ms.get(station, newest_ms))
                self._unjudged.add(station)
            self._on_change("readings")

    # --- what the readings mean --------------------------------------------------------------------------------

    def _work_on(self, *, idle: bool) -> None:
        now_s = self._clock.monotonic()
        if self._study.feed():
            return
        if self._study.waiting and self._study_due(now_s, idle=idle):
            station = self._study.step()
            self._on_change("findings")
            if station in self._arrived_s:
                self._judge_one(station, now_s)
            self._studied_s = self._clock.monotonic()
            self._study_cost_s = self._studied_s - now_s
        elif idle and self._study.periods_waiting and self._periods_due(now_s):
            self._periods_one(now_s)
        elif idle and self._stations:
            self._judge_one(min(self._stations, key=lambda s: self._judged_s.get(s, 0.0)), now_s)
        if not self._study.waiting and now_s - self._worked_s > WORKED_EVERY_S:
            self._note_worked()

    def _periods_one(self, now_s: float) -> None:
        station = self._study.step_periods()
        if station is not None:
            self._unjudged.add(station)
            self._on_change("findings")
        self._periods_s = self._clock.monotonic()
        self._periods_cost_s = self._periods_s - now_s

    def _study_due(self, now_s: float, *, idle: bool) -> bool:
        """Whatever a run costs, the stages get at most a third of the time while more readings keep coming."""
        rested = now_s - self._studied_s > 2.0 * self._study_cost_s
        return rested and now_s - self._study.oldest_s > (SETTLE_S if idle else STUDY_MOST_S)

    def _periods_due(self, now_s: float) -> bool:
        """Whether days and fortnights have rested, or nothing has arrived for so long that nobody else needs the time.

        The pages show their findings: after a backlog they must not lag behind it for minutes.
        """
        rested = now_s - self._periods_s > PERIODS_REST * self._periods_cost_s
        return rested or now_s - max(self._arrived_s.values()) >= CATCH_UP_S

    def _judge_one(self, station: str, now_s: float) -> None:
        """Walk the rules of a station on, if that is due and the stages have seen all its readings."""
        if now_s - self._judged_s.get(station, -JUDGE_LEAST_S) < JUDGE_LEAST_S or self._study.waits_for(station):
            return
        self._judged_s[station] = now_s
        until_ms = self._complete_until_ms(station, self._clock.now_ms(), now_s)
        if station not in self._unjudged and until_ms - self._judged_ms.get(station, 0) < JUDGE_EVERY_MS:
            return
        said, more = self._judge.evaluate(station, until_ms, periods=not self._study.periods_wait_for(station))
        self._judged_ms[station] = until_ms
        if more:
            self._judged_s.pop(station)
        else:
            self._unjudged.discard(station)
        if said:
            self._on_change("alerts")

    def _complete_until_ms(self, station: str, now_ms: int, now_s: float) -> int:
        """Until when the record of a station may be taken as complete: rules must not take a backlog for silence."""
        quiet = now_s - self._arrived_s[station] >= CATCH_UP_S and not self._source.waiting
        newest_ms = self._newest_ms.get(station)
        return now_ms if quiet or newest_ms is None else min(now_ms, newest_ms)

    def _note_worked(self) -> None:
        """Note how far the stages have seen everything, so that a kill costs no more than what came after."""
        if self._study.waiting or self._study.periods_waiting:
            return
        worked: dict[str, object] = {f"{o.site}/{o.node}/{o.outbox_id}": o.received for o in self._journal.outboxes()}
        if worked != self._worked:
            self._journal.save_alerts({WORKED_KEY: worked})
            self._worked = worked
        self._worked_s = self._clock.monotonic()
