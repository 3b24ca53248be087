"""What the pipeline counts: every queue, retry and limit, in the text form of Prometheus.

One object per pipeline, with its own registry, so that two of them in one process never add up. It holds numbers only;
it decides nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, Metric, generate_latest
from prometheus_client.registry import Collector

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_PREFIX = "underturf"


def text_of_sites(sites: Mapping[str, Metrics]) -> bytes:
    """Return the metrics of several sites in the Prometheus text form, each sample with the `site` it is of."""
    families: dict[str, Metric] = {}
    for site, metrics in sites.items():
        for one in metrics.registry.collect():
            family = families.setdefault(one.name, Metric(one.name, one.documentation, one.type, one.unit))
            family.samples += [sample._replace(labels={**sample.labels, "site": site}) for sample in one.samples]
    registry = CollectorRegistry()
    registry.register(_Collected(families.values()))
    return generate_latest(registry)


class _Collected(Collector):
    """Families of samples that were taken already."""

    def __init__(self, families: Iterable[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterable[Metric]:
        return self._families


class Metrics:
    """The pipeline's counters and gauges."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._arriving()
        self._keeping()
        self._telling()
        self._serving()
        self.limit = self._gauge("limit", "Named limit, in the unit its name ends in", "name")

    def _arriving(self) -> None:
        self.broker_up = self._gauge("broker_up", "Whether the embedded broker is running, 1 or 0")
        self.broker_restarts = self._counter("broker_restarts", "Times the embedded broker was started again")
        self.connected = self._gauge("ingest_connected", "Whether the broker is connected and subscribed, 1 or 0")
        self.reconnects = self._counter("ingest_reconnects", "Attempts to connect to the broker after the first")
        self.messages = self._counter("ingest_messages", "Messages taken from the broker", "kind")
        self.refused = self._counter("ingest_refused_messages", "Messages left unacknowledged: the queue was full")
        self.callback_faults = self._counter("ingest_callback_faults", "Messages the network callback could not take")
        self.queue = self._gauge("ingest_queue_messages", "Messages waiting for the worker")
        self.receipts = self._counter("receipts_published", "Receipts handed to the broker")
        self.nodes_up = self._gauge("nodes_up", "Nodes whose last status was up")

    def _keeping(self) -> None:
        self.readings = self._counter("readings_kept", "Readings committed for the first time")
        self.duplicates = self._counter("readings_duplicate", "Readings that were already kept")
        self.conflicts = self._counter("readings_conflicting", "Readings that contradict one kept under their number")
        self.early = self._counter("batches_early", "Batches refused because readings before them have not come")
        self.custody = self._gauge("custody_conflicts", "Nodes whose readings contradict each other, or lost an outbox")
        self.holes = self._counter("readings_missing", "Readings that an outbox lost before they were sent")
        self.quarantined = self._counter("payloads_quarantined", "Payloads put in quarantine, with the reason")
        self.set_aside = self._counter(
            "messages_set_aside", "Messages put in quarantine because an error nobody foresaw came of handling them"
        )
        self.unknown_channels = self._gauge("unknown_channels", "Channels heard that the settings do not name")
        self.unknown_refused = self._counter("unknown_channels_refused", "Unknown channels beyond the list's limit")
        self.step_seconds = self._histogram("worker_commit_seconds", "Time from taking a message to its commit [s]")
        self.stage_seconds = self._histogram("stages_seconds", "Time of one run of the stages over one window [s]")
        self.period_seconds = self._histogram(
            "periods_seconds", "Time of working days and fortnights of one station out anew [s]"
        )
        self.advice_seconds = self._histogram("advice_seconds", "Time of working out what is advised for the site [s]")
        self.dirty_windows = self._gauge("dirty_windows", "Stations with readings the stages have not seen")
        self.observations = self._counter("observations_written", "Observations written or written again")
        self.findings = self._counter("findings_written", "Findings written or written again")
        self.damaged = self._gauge("store_damaged", "Whether the database was found damaged, 1 or 0")
        self.unreadable = self._gauge("store_unreadable_blocks", "Blocks of readings or days that do not read")
        self.backup_at = self._gauge("backup_good_timestamp_seconds", "Moment of the last good backup, 0 for none [s]")
        self.faults = self._counter("environment_faults", "Times something outside failed", "part")
        self.backoff_s = self._gauge("worker_backoff_seconds", "Wait before the next attempt [s]", "part")

    def _telling(self) -> None:
        self.events = self._counter("alert_events", "Alert events raised by the rules", "rule", "kind")
        self.alerts_open = self._gauge("alerts_open", "Alerts that are open now")
        self.contradictions = self._counter("plan_contradictions", "Pairs that a plan held of what must not be", "pair")
        self.outbox = self._gauge(
            "notify_outbox_events", "Alert events or messages to be delivered now, at most one page", "way"
        )
        self.delivered = self._counter("notify_delivered", "Alert events or messages delivered", "way")
        self.attempts_failed = self._counter(
            "notify_attempts_failed", "Deliveries that failed, to be tried again", "way"
        )
        self.given_up = self._counter(
            "notify_given_up", "Alert events or messages refused by the receiver for good", "way"
        )

        self.heartbeats = self._counter("heartbeats_sent", "Signs of life that the receiver has taken")

    def _serving(self) -> None:
        self.connections = self._gauge("pages_connections", "Connections to the pages that are open now")
        self.connections_cut = self._counter(
            "pages_connections_cut", "Connections to the pages that were ended for their limits", "reason"
        )
        self.sign_ins = self._counter("sign_ins", "Tries to sign in: right, wrong, or refused unread", "outcome")
        self.streams = self._gauge("pages_live_streams", "Streams of live updates that are open now")
        self.streams_refused = self._counter("pages_live_streams_refused", "Streams of live updates refused")

    def limits(self, limits: Mapping[str, float]) -> None:
        """Show named limits beside the queues and retries they bound."""
        for name, value in limits.items():
            self.limit.labels(name).set(value)

    def text(self) -> bytes:
        """All of it in the Prometheus text form."""
        return generate_latest(self.registry)

    def _counter(self, name: str, words: str, *labels: str) -> Counter:
        return Counter(f"{_PREFIX}_{name}", words, labels, registry=self.registry)

    def _gauge(self, name: str, words: str, *labels: str) -> Gauge:
        return Gauge(f"{_PREFIX}_{name}", words, labels, registry=self.registry)

    def _histogram(self, name: str, words: str) -> Histogram:
        buckets = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0)
        return Histogram(f"{_PREFIX}_{name}", words, buckets=buckets, registry=self.registry)
