"""A worker over many sites of one PostgreSQL server: it holds its share of them and runs the pipeline of each.

Any number of equal workers may run, each with the same folder of settings, a file a site. A worker tries the lock of
each site and runs those it gets, up to its share: their number over that of the workers that live, rounded up. One with
more lets some go, so that a worker that comes has something to do. What nobody has held for a while is taken by
anybody. A file that cannot be used stops that site alone, and a part of a site that crashes ends that site here;
another worker, or this one after a while, takes it up. `step` is bounded by what it has to start and stop.
"""

from __future__ import annotations

import logging
import math
import random
import threading
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import PipelineFault, StoreTaken
from pipeline.jobs import JobRunner
from pipeline.news import NewsExchange
from pipeline.run.backoff import Backoff
from pipeline.run.clock import Clock
from pipeline.service import Pipeline, load_settings
from pipeline.site.settings import ConfigFault, SiteConfig
from pipeline.store.opening import dsn_of, job_queue, news_session, worker_session

if TYPE_CHECKING:
    from pipeline.store.postgres import WorkerSession

SITES_LOOK_S = 2.0  # between two looks at who lives and what is free
FREE_S = 10.0  # what nobody has held for so long is taken by a worker that has its share already
AGAIN_FIRST_S, AGAIN_MOST_S = 5.0, 300.0  # after a site could not be started, or crashed
STOPPED_AT_ONCE = 16  # sites whose parts are waited for side by side
log = logging.getLogger(__name__)


@dataclass
class _Site:
    """A site of the folder: its file and when that was written, its settings or why there are none, and how it fares
    here. `free_since_s` is since when nobody holds it, `held_since_s` since when it runs here; `is_extra` whether it
    was taken beyond the share. [s, steady]"""

    file: Path
    written: tuple[int, int]
    config: SiteConfig | None = None
    fault: str = ""
    pipeline: Pipeline | None = None
    is_extra: bool = False
    free_since_s: float | None = None
    held_since_s: float = 0.0
    not_before_s: float = 0.0
    again: Backoff = field(default_factory=lambda: Backoff(AGAIN_FIRST_S, AGAIN_MOST_S, random.Random()))

    @property
    def name(self) -> str:
        """The name of the site; of one without settings its file's."""
        return self.file.stem if self.config is None else self.config.site.name


class SiteWorker:
    """Holds sites of a folder and runs their pipelines.

    Parameters
    ----------
    folder : Path
        Of the settings, `NAME.toml` a site. All are kept on one PostgreSQL server and heard through a broker that is
        not embedded; all speak one language, as a process has one.
    own : Path
        This worker's own folder, in which each site has one for what is not in the database: the weather last fetched.
    clock : Clock
        For waits.
    environment : mapping of str to str, optional
        Laid over the settings of each site.
    rng : random.Random, optional
        In which order sites are tried.

    Raises
    ------
    ConfigFault
        When no file of the folder can be used.
    """

    def __init__(
        self,
        folder: Path,
        own: Path,
        clock: Clock,
        *,
        environment: Mapping[str, str] | None = None,
        rng: random.Random | None = None,
    ) -> None:
        self._folder, self._own, self._clock, self._environment = folder, own, clock, environment
        self._rng = random.Random() if rng is None else rng
        self._sites: dict[Path, _Site] = {}
        self._lock = threading.Lock()  # of what `health` reads meanwhile
        self._away = ""
        self._live = self._share = 0
        self._read_folder()
        good = [one.config for one in self._sites.values() if one.config is not None]
        if not good:
            faults = [f"{one.file.name}: {one.fault}" for one in self._sites.values()]
            raise ConfigFault(faults or [f"{folder}: found no file NAME.toml, expected the settings of each site"])
        dsn = dsn_of(good[0])
        self._session: WorkerSession = worker_session(dsn)
        self.exchange = NewsExchange(news_session(dsn), self.pipelines, clock)  # stepped by a thread of its own
        self.jobs = JobRunner(job_queue(dsn), self.pipelines, clock)  # and so are these

    def step(self, stop: threading.Event) -> None:
        """Look once at the folder, at who lives and what is free; start and stop what follows from it; then wait."""
        try:
            self._read_folder()
            self._end_ended()
            self._hear_of_others()
            self._let_go_surplus()
            self._take_free(stop)
            self._note_server("")
        except PipelineFault as fault:
            self._note_server(str(fault))
        self._clock.wait(SITES_LOOK_S, stop)

    def close(self) -> None:
        """Let every site go, and live no more."""
        self._stop(self._running())
        self._session.close()

    def pipelines(self) -> dict[str, Pipeline]:
        """Return the pipelines that run here, by site."""
        with self._lock:
            return {one.name: one.pipeline for one in self._sites.values() if one.pipeline is not None}

    def health(self) -> dict[str, object]:
        """Return how the worker fares, in plain tables; `state` is `ok`, or `degraded` with the `reasons` in words."""
        with self._lock:
            sites = list(self._sites.values())
            held = {one.name: one.pipeline for one in sites if one.pipeline is not None}
            faults = {one.name: one.fault for one in sites if one.fault}
        told = {name: pipeline.reasons() for name, pipeline in held.items()}
        told |= {name: [f"stopped: {fault}"] for name, fault in faults.items()}
        reasons = [f"{name}: {reason}" for name, several in told.items() for reason in several]
        reasons += [f"store: {self._away}"] if self._away else []
        counts = {"workers": self._live, "share": self._share, "sites": len(sites)}
        return {"state": "degraded" if reasons else "ok", "reasons": reasons, **counts, "held": sorted(held)}

    # --- the folder --------------------------------------------------------------------------------------------

    def _read_folder(self) -> None:
        """Read files that are new or were changed; a site whose file is gone or cannot be used is let go."""
        found = written_in(self._folder)
        gone = [file for file, one in self._sites.items() if found.get(file) != one.written]
        self._stop([self._sites[file] for file in gone])
        for file in gone:
            log.info("settings_changed file=%s", file.name)
        with self._lock:
            for file in gone:
                del self._sites[file]
        for file, written in found.items():
            if file not in self._sites:
                site = _Site(file, written)
                self._read(site)
                with self._lock:
                    self._sites[file] = site
            elif self._sites[file].config is None:  # the reason may lie in another file, or in a secret
                self._read(self._sites[file])

    def _read(self, site: _Site) -> None:
        others = [one.config for one in self._sites.values() if one.config is not None]
        found = ""
        try:
            site.config = read_site(site.file, self._own, self._environment, others)
        except (ConfigFault, PipelineFault) as fault:
            found = str(fault)
            if found != site.fault:
                log.error("site_stopped file=%s reason=%s", site.file.name, found.replace("\n", "; "))
        site.fault = found  # in one step: whoever asks how it fares meanwhile hears of no mend that is none

    # --- who holds what ----------------------------------------------------------------------------------------

    def _running(self) -> list[_Site]:
        return [one for one in self._sites.values() if one.pipeline is not None]

    def _hear_of_others(self) -> None:
        """Work the share out anew; once the number of workers has changed, what was extra is so no more."""
        live = self._session.live()
        share = math.ceil(sum(one.config is not None for one in self._sites.values()) / live)
        if (live, share) != (self._live, self._share):
            log.info("workers_live n=%d share=%d held=%d", live, share, len(self._running()))
            for one in self._sites.values():
                one.is_extra = False
        self._live, self._share = live, share

    def _end_ended(self) -> None:
        """Take leave of pipelines that have ended: another worker has the site, or a part has crashed."""
        for one in self._running():
            assert one.pipeline is not None
            if one.pipeline.wait(0.0):
                crash = one.pipeline.crash
                self._stop([one])
                if crash:
                    if self._clock.monotonic() - one.held_since_s > AGAIN_MOST_S:
                        one.again.reset()
                    self._put_off(one, crash)

    def _let_go_surplus(self) -> None:
        counted = [one for one in self._running() if not one.is_extra]
        surplus = counted[self._share :]
        if surplus:
            log.info("sites_let_go n=%d share=%d", len(surplus), self._share)
            self._stop(surplus)

    def _take_free(self, stop: threading.Event) -> None:
        """Start sites that nobody holds: up to the share, and beyond it those that nobody has wanted for a while."""
        wanted = [one for one in self._sites.values() if one.config is not None and one.pipeline is None]
        self._rng.shuffle(wanted)
        held = self._session.held(one.name for one in wanted)
        for one in wanted:
            now_s = self._clock.monotonic()
            if one.name in held:
                one.free_since_s, one.fault = None, ""
            elif now_s >= one.not_before_s and not stop.is_set():
                one.free_since_s = now_s if one.free_since_s is None else one.free_since_s
                has_share = sum(not other.is_extra for other in self._running()) >= self._share
                if not has_share or now_s - one.free_since_s >= FREE_S:
                    self._start(one, is_extra=has_share)
                    self._hear_of_others()  # who starts many is seen to live meanwhile
                    held = self._session.held(other.name for other in wanted)

    def _start(self, site: _Site, *, is_extra: bool) -> None:
        assert site.config is not None
        try:
            pipeline = Pipeline(site.config, among_many=True)
            pipeline.start()
        except StoreTaken:
            return  # another was quicker
        except (PipelineFault, OSError) as fault:
            self._put_off(site, str(fault))
            return
        except Exception as bug:  # of one site, which is no reason to let the others go
            log.exception("site_not_started site=%s", site.name)
            self._put_off(site, f"{type(bug).__name__}: {bug}")
            return
        log.info("site_held site=%s", site.name)
        site.held_since_s = self._clock.monotonic()
        with self._lock:
            site.pipeline, site.is_extra, site.fault, site.free_since_s = pipeline, is_extra, "", None

    def _put_off(self, site: _Site, reason: str) -> None:
        """Leave a site alone for a while, and say why."""
        site.not_before_s = self._clock.monotonic() + site.again.next_s()
        site.fault = reason
        log.error("site_stopped site=%s reason=%s", site.name, reason)

    def _stop(self, sites: Iterable[_Site]) -> None:
        """Stop the pipelines of some sites, side by side, and let the sites go."""
        running = [one for one in sites if one.pipeline is not None]
        if not running:
            return
        with ThreadPoolExecutor(STOPPED_AT_ONCE) as pool:
            list(pool.map(lambda one: one.pipeline.stop(), running))
        with self._lock:
            for one in running:
                one.pipeline = None

    def _note_server(self, away: str) -> None:
        if bool(away) != bool(self._away):
            log.log(logging.ERROR if away else logging.WARNING, "server_%s reason=%s", "away" if away else "back", away)
        self._away = away


def written_in(folder: Path) -> dict[Path, tuple[int, int]]:
    """Return the files of settings in a folder, when each was written and how long it is. [ns since 1970, bytes]"""
    found = {}
    for file in sorted(folder.glob("*.toml")):
        with suppress(OSError):  # gone meanwhile
            is_now = file.stat()
            found[file] = (is_now.st_mtime_ns, is_now.st_size)
    return found


def read_site(file: Path, own: Path, environment: Mapping[str, str] | None, others: Sequence[SiteConfig]) -> SiteConfig:
    """Return the settings of one of many sites, with a data folder in that of this process.

    Parameters
    ----------
    file : Path
    own : Path
        The folder of this process.
    environment : mapping of str to str, optional
        Laid over the settings.
    others : sequence of SiteConfig
        The sites read before, whose server and language are the ones of all.

    Raises
    ------
    ConfigFault
        With every fault, or why this site cannot be beside the others.
    StoreAway
        When a secret cannot be read.
    """
    config, first = load_settings(file, environment), next(iter(others), None)
    wrong = ""
    if config.store.kind != "postgresql":
        wrong = f"store.kind: found {config.store.kind!r}, expected 'postgresql', which other processes reach too"
    elif config.broker.kind != "external":
        wrong = f"broker.kind: found {config.broker.kind!r}, expected 'external': it outlives a worker"
    elif config.pages.settings is not None:
        wrong = (
            f"pages.settings: found {config.pages.settings}, expected none: here settings are changed in their files"
        )
    elif first is not None and dsn_of(first) != dsn_of(config):
        wrong = "store.dsn_file: found another server than that of the other sites, expected the same"
    elif first is not None and first.site.language != config.site.language:
        wrong = f"site.language: found {config.site.language!r}, expected {first.site.language!r} as in the others"
    elif config.site.name in {one.site.name for one in others}:
        wrong = f"site.name: found {config.site.name!r} in another file too, expected a name of its own"
    if wrong:
        raise ConfigFault([f"{file.name}: {wrong}"])
    data = config.data.model_copy(update={"dir": own / config.site.name})
    return config.model_copy(update={"data": data})
