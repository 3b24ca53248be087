"""Long jobs from the command line: `underturf jobs SITES`, and `recompute` of sites that workers hold.

A job that was asked for is followed until it has ended; whoever stops following has asked for it all the same.
"""

from __future__ import annotations

import datetime
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack, closing
from pathlib import Path

from api.data import iso
from api.jobs import ask_recompute, cancel_job, tell_holders
from pipeline.errors import PipelineFault
from pipeline.many_sites import read_site, written_in
from pipeline.run.clock import SystemClock
from pipeline.site.settings import ConfigFault, SiteConfig
from pipeline.store.opening import dsn_of, held_sites, job_queue, open_stores

COMMAND = "a command"  # by whom it was asked for
FOLLOW_S = 1.0
HELD_LOOK_S = 5.0  # between two looks at who holds the sites
UNHELD_S = 60.0  # a take-over takes less: of a site that nobody has held for so long no job goes on
Tell = Callable[[str], None]


def sites_of(folder: Path, environment: Mapping[str, str]) -> list[SiteConfig]:
    """Return the settings of the sites of a folder, as workers read them; of a file that cannot be used it is told.

    Raises
    ------
    ConfigFault
        When none can be used.
    """
    found, faults = list[SiteConfig](), list[str]()
    for file in written_in(folder):
        try:
            found.append(read_site(file, Path(), environment, found))
        except ConfigFault as fault:
            faults += fault.faults
        except PipelineFault as fault:
            faults.append(f"{file.name}: {fault}")
    if not found:
        raise ConfigFault(faults or [f"{folder}: found no file NAME.toml, expected the settings of each site"])
    for one in faults:
        print(one, file=sys.stderr)
    return found


def recompute_sites(
    sites: list[SiteConfig], station: str | None, first: datetime.date | None, last: datetime.date | None, tell: Tell
) -> int:
    """Ask for days of some sites to be worked out anew by the workers that hold them, and follow; return the exit code.

    Raises
    ------
    StoreAway
    """
    dsn, now_ms = dsn_of(sites[0]), SystemClock().now_ms()
    queue = job_queue(dsn)
    asked = {
        ask_recompute(queue, config, station, first, last, by=COMMAND, now_ms=now_ms): config.site.name
        for config in sites
    }
    tell_holders(dsn, *asked.values())
    for number, site in asked.items():
        tell(f"{site}: job {number}, done by the process that holds the site")
    if failed := follow_jobs(dsn, asked, tell):
        print(failed, file=sys.stderr)
    return int(bool(failed))


def follow_jobs(dsn: str, asked: Mapping[int, str], tell: Tell) -> str:
    """Tell of each tenth of some jobs, by number and site, until all have ended or nobody holds their sites any more;
    return what became of those that are not done, empty for none.

    Raises
    ------
    StoreAway
    """
    queue, told, failed = job_queue(dsn), dict[int, int](), list[str]()
    pause, open_jobs, holders = threading.Event(), dict(asked), _Holders(dsn)
    try:
        while open_jobs:
            unheld = holders.unheld(set(open_jobs.values()))
            for number, site in list(open_jobs.items()):
                job = queue.job(number)
                tenth = 0 if job is None else int(10 * job.share)
                if job is None or job.has_ended:
                    del open_jobs[number]
                    state, text = ("gone", "found it no more in the queue") if job is None else (job.state, job.told)
                    line = f"{site}: job {number} {state}: {text or 'see the log of the worker'}"
                    tell(line) if state == "done" else failed.append(line)
                elif site in unheld:
                    del open_jobs[number]
                    failed.append(
                        f"{site}: job {number} {job.state}: found no process that holds the site for {UNHELD_S:.0f} s, "
                        "expected a worker. The job stays in the queue, and is done by the next that holds it."
                    )
                elif tenth > told.get(number, 0):
                    told[number] = tenth
                    tell(f"{site}: job {number}, {tenth * 10} %")
            pause.wait(FOLLOW_S if open_jobs else 0.0)
    except KeyboardInterrupt:
        tell("not followed any more. The jobs go on: `underturf jobs SITES` says how far they are.")
    return "\n".join(failed)


class _Holders:
    """Since when nobody holds some sites of a server."""

    def __init__(self, dsn: str) -> None:
        self._dsn, self._clock, self._looked_s = dsn, SystemClock(), -HELD_LOOK_S
        self._since_s: dict[str, float] = {}

    def unheld(self, sites: set[str]) -> set[str]:
        """Return those that nobody has held for `UNHELD_S`, as of a look a few seconds ago."""
        now_s = self._clock.monotonic()
        if now_s - self._looked_s >= HELD_LOOK_S:
            self._looked_s = now_s
            free = sites - held_sites(self._dsn, sites)
            self._since_s = {site: self._since_s.get(site, now_s) for site in free}
        return {site for site, since_s in self._since_s.items() if now_s - since_s >= UNHELD_S}


def cancel_one(sites: list[SiteConfig], number: int) -> str:
    """Cancel a job of some sites that waits or runs; return a line of what becomes of it.

    Raises
    ------
    JobRefused, StoreAway
    """
    dsn, configs = dsn_of(sites[0]), {config.site.name: config for config in sites}
    with ExitStack() as opened:
        job = cancel_job(
            job_queue(dsn), set(configs), number,
            lambda site: opened.enter_context(closing(open_stores(configs[site], hold=False))).database,
            by=COMMAND, now_ms=SystemClock().now_ms(),
        )  # fmt: skip
    tell_holders(dsn, job.site)
    return f"{job.site}: job {number} " + ("is cancelled" if job.state == "waits" else "stops at its next piece")


def job_lines(sites: list[SiteConfig]) -> list[str]:
    """Return the newest jobs of some sites in words, a line each. Raises StoreAway."""
    return [
        f"{job.number}  {job.site}  {job.kind}  {job.state} {100 * job.share:.0f} %  "
        f"{iso(job.arguments['asked_ms'])} by {job.arguments['by']}  {job.told}".rstrip()
        for job in job_queue(dsn_of(sites[0])).jobs([config.site.name for config in sites])
    ]
