"""Long jobs of sites in PostgreSQL, done by the process that holds the site: a recompute, a record taken in.

Whoever asks, on a page or by a command, puts the job into the queue. The process that holds the site takes it: only it
may write. It marks what is to be worked out, a stretch after the other, and the site's own thread works it out between
new readings; so nothing is written but through the session that holds the site, and a site that is let go in the middle
takes no harm. A job that was broken off is begun anew by whoever holds the site next; done twice it leaves the same.
"""

from __future__ import annotations

import datetime
import logging
import tempfile
import threading
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from functools import partial
from typing import IO, TYPE_CHECKING, Any, Protocol

import numpy as np

from pipeline.errors import JobCancelled, JobPutBack, PipelineFault, StoreFault
from pipeline.records.hand_over import drop_handed_over, taken_over
from pipeline.records.record_intake import KEPT_AT_ONCE, CheckedRecord, KeptRecord, keep_record
from pipeline.run.clock import Clock
from pipeline.site.fields import nearest
from pipeline.site.settings import SiteConfig
from pipeline.stages.recompute import StationContexts, in_order, spans_to_redo
from pipeline.stages.runner import RestageQueue
from pipeline.store import Store
from pipeline.store.journal import Journal
from pipeline.store.readings import RECORDED
from pipeline.texts import say
from pipeline.units import DAY_MS

if TYPE_CHECKING:
    from pipeline.store.job_queue import JobQueue, QueuedJob

RECOMPUTE, IMPORT = "recompute", "import"
STRETCH_MS = 366 * DAY_MS  # of a station at a time: new readings of the others wait until one is done, some seconds
JOBS_LOOK_S = 30.0  # at the latest it is looked for jobs of which no news came
NEWS_LOOK_S = 1.0  # between two looks at whether news came
STRETCH_POLL_S = 0.2  # between two looks at how far a stretch is
NOTE_S = 2.0  # between two notes of progress
log = logging.getLogger(__name__)


def recompute_faults(
    config: SiteConfig, station: str | None, first: datetime.date | None, last: datetime.date | None
) -> str:
    """Return what is wrong with a span that is to be worked out anew; empty where nothing is."""
    if station is not None and station not in config.stations():
        return f"station: found {station!r}, expected {nearest(station, config.stations())}"
    if first is not None and last is not None and last < first:
        return f"to: found {last}, expected {first} or later"
    return ""


class JobRefused(PipelineFault):
    """A job that cannot be done as it was asked for; the text is the reason."""


class JobSite(Protocol):
    """A site that is held by this process, with its parts running."""

    config: SiteConfig
    store: Store
    journal: Journal
    context: StationContexts
    clock: Clock
    crash: str  # how one of its parts has ended, in words; empty for none

    @property
    def stages(self) -> RestageQueue: ...

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until it has ended; return whether it has. [s]"""

    def take_asked(self) -> bool:
        """Return whether news of a job came since the last call."""

    def work_on(self) -> None:
        """Have its own thread look at what was marked."""

    def tell_jobs(self) -> None:
        """Tell whoever shows jobs that one has moved on."""


class JobRunner:
    """Does the jobs of the sites that this process holds, one at a time.

    Parameters
    ----------
    queue : JobQueue
    sites : callable
        Gives the sites held, by name.
    clock : Clock
    """

    def __init__(self, queue: JobQueue, sites: Callable[[], Mapping[str, JobSite]], clock: Clock) -> None:
        self._queue, self._sites, self._clock = queue, sites, clock
        self._next_s = clock.monotonic()
        self._away = ""

    def step(self, stop: threading.Event) -> None:
        """Do the next job, where there is news of one or it is time to look; then wait a moment.

        After each it is looked anew at which sites are held, and which jobs others have left.
        """
        sites, did = self._sites(), False
        asked = [site.take_asked() for site in sites.values()]
        if sites and (any(asked) or self._clock.monotonic() >= self._next_s):
            try:
                self._queue.make()
                did = self._queue.run_next(list(sites), JOBS, partial(self._do, stop))
                self._away = ""
            except StoreFault as fault:
                if not self._away:
                    log.warning("jobs_away reason=%s", fault)
                self._away = str(fault)
            except Exception:  # of the queue, which is no reason to let the sites go
                log.exception("jobs_not_done")
            self._next_s = self._clock.monotonic() + (0.0 if did else JOBS_LOOK_S)
        self._clock.wait(NEWS_LOOK_S, stop)

    def close(self) -> None:
        """Nothing is open between two steps."""

    def _do(self, stop: threading.Event, job: QueuedJob) -> None:
        site = self._sites().get(job.site)
        if site is None:
            raise JobPutBack(f"{job.site}: not held here any more")
        progress = _JobProgress(self._queue, job, site, stop)
        log.info("job_begins number=%d kind=%s site=%s", job.number, job.kind, job.site)
        try:
            told = JOBS[job.kind](site, job.arguments, progress)
        except Exception as bug:
            if site.crash:  # the next to hold it would most likely crash by it too
                progress.end(site.crash, share=0.0)
                raise JobRefused(site.crash) from bug
            if isinstance(bug, StoreFault):  # it waits for another try
                progress.end(f"put back: {bug}", share=0.0)
                if progress.is_cancelled:
                    raise JobCancelled(str(bug)) from bug
                raise
            progress.end(str(bug) if isinstance(bug, PipelineFault) else f"{type(bug).__name__}: {bug}", share=0.0)
            raise
        progress.end(told, share=1.0)
        log.info("job_ends number=%d kind=%s site=%s", job.number, job.kind, job.site)


class _JobProgress:
    """Notes how far a job is, now and then, and breaks it off when its site is let go."""

    def __init__(self, queue: JobQueue, job: QueuedJob, site: JobSite, stop: threading.Event) -> None:
        self._queue, self._job, self._site, self._stop = queue, job, site, stop
        self._noted_s = -NOTE_S
        self.is_cancelled = False  # by somebody, as of the last note

    def __call__(self, done: float, whole: float) -> None:
        """Note it. Raises JobPutBack when the site is let go."""
        if self._stop.is_set() or self._site.wait(0.0):
            raise JobPutBack(f"{self._job.site}: let go in the middle of job {self._job.number}")
        if (now_s := self._site.clock.monotonic()) - self._noted_s >= NOTE_S:
            self._noted_s = now_s
            self._note(done, whole, "")

    def pause(self) -> None:
        """Give the site's own thread time."""
        self._site.clock.wait(STRETCH_POLL_S, self._stop)

    def end(self, told: str, *, share: float) -> None:
        """Note what came of it."""
        self._note(share, 1.0, told)

    def _note(self, done: float, whole: float, told: str) -> None:
        try:
            self.is_cancelled = self._queue.note(self._job.number, done, whole, self._site.clock.now_ms(), told)
        except StoreFault as fault:  # which is no reason to do the job once more
            log.warning("job_not_noted number=%d reason=%s told=%s", self._job.number, fault, told)
        self._site.tell_jobs()


def _recompute(site: JobSite, arguments: Mapping[str, Any], progress: _JobProgress) -> str:
    """Work a span out anew from the raw readings, of one station or of all; return what came of it.

    A stretch that was begun is ended, and what rests on it is worked out, also where the job was cancelled meanwhile.
    """
    stations, wanted = site.config.stations(), arguments.get("station")
    if wrong := recompute_faults(site.config, wanted, None, None):
        raise JobRefused(wrong)
    asked_ms = arguments.get("start_ms"), arguments.get("end_ms")
    pieces = [
        (station, left, min(left + STRETCH_MS, end))
        for station in in_order(site.config, stations if wanted is None else (wanted,))
        for start, end in spans_to_redo(site.store, site.context(station), *asked_ms)
        for left in range(start, end, STRETCH_MS)
    ]
    whole_ms, done_ms = sum(end - start for _, start, end in pieces), 0
    for station, start_ms, end_ms in pieces:
        if progress.is_cancelled:
            break
        site.stages.mark_again(station, start_ms, end_ms, site.clock.monotonic())
        _await(site, [station], progress, done_ms, whole_ms)
        done_ms += end_ms - start_ms
    site.stages.mark_passes()
    _await(site, stations, progress, done_ms, whole_ms)
    if done_ms < whole_ms:
        told = say("{n:.0f} of {whole:.0f} days were worked out anew", n=done_ms / DAY_MS, whole=whole_ms / DAY_MS)
        raise JobCancelled(told)
    return say("{n:.0f} days of {stations} stations", n=whole_ms / DAY_MS, stations=len({one for one, *_ in pieces}))


def _import(site: JobSite, arguments: Mapping[str, Any], progress: _JobProgress) -> str:
    """Take a record in that was handed over, and work out what it means; return what came of it.

    Cancelled meanwhile, what was kept stays, in whole pieces, and is worked out.
    """
    database, record, channels = site.journal.database, str(arguments["record"]), list(arguments["channels"])
    with tempfile.TemporaryFile(dir=site.config.data.dir) as spool:
        checked = taken_over(database, record, channels, spool)
        if checked.count != arguments["count"]:
            raise JobRefused(f"found {checked.count} of {arguments['count']} readings handed over: import it again")
        kept, marked = _keep(site, checked, int(arguments["asked_ms"]), progress)
    if kept is None:
        drop_handed_over(database, record)
        raise JobCancelled(say("what was kept of it stays; the same import goes on from there"))
    _await(site, marked, progress, 0.5, 1.0)
    drop_handed_over(database, record)
    return say("{new} readings kept, {before} were there before", new=kept.new, before=kept.before)


def _keep(
    site: JobSite, checked: CheckedRecord, at_ms: int, progress: _JobProgress
) -> tuple[KeptRecord | None, Collection[str]]:
    """Keep a record piece by piece, and mark it for the stages however that ends.

    Returns what was kept, None where the job was cancelled meanwhile, and the stations that are to be worked out.
    """

    def go_on(_: str, done: int, whole: int) -> None:
        progress(done / 2, whole)
        if progress.is_cancelled and done < whole:
            raise JobCancelled("")

    kept, marked = None, set[str]()
    with site.stages.held_back():
        try:
            kept = keep_record(checked, site.journal, site.config.site.name, now_ms=at_ms, progress=go_on)
        except JobCancelled:
            pass
        finally:
            marked = site.stages.mark_moved(_spans(checked.spool, checked.channels), site.clock.monotonic())
    site.work_on()
    return kept, marked


def _spans(spool: IO[bytes], channels: Sequence[str]) -> list[tuple[str, int, int]]:
    """Return each channel of a record that has readings, with its first and last time. [ms since 1970, UTC]"""
    edges: dict[str, tuple[int, int]] = {}
    spool.seek(0)
    while len(rows := np.fromfile(spool, dtype=RECORDED, count=KEPT_AT_ONCE)):
        for place in np.unique(rows["place"]).tolist():
            times = rows["measured_at_ms"][rows["place"] == place]
            first, last = edges.get(channels[place], (int(times.min()), int(times.max())))
            edges[channels[place]] = min(first, int(times.min())), max(last, int(times.max()))
    return [(channel, first, last) for channel, (first, last) in edges.items()]


def _await(site: JobSite, stations: Iterable[str], progress: _JobProgress, done: float, whole: float) -> None:
    """Wait until the site's own thread is through with what was marked of some stations."""
    wanted = list(stations)
    site.work_on()
    while not all(map(site.stages.is_through, wanted)):
        progress(done, whole)
        progress.pause()


JOBS: Mapping[str, Callable[[JobSite, Mapping[str, Any], _JobProgress], str]] = {RECOMPUTE: _recompute, IMPORT: _import}
