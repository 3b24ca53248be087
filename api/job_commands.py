"""Long jobs from the command line: `underturf jobs SITES`, and `recompute` of sites that workers hold.

A job that was asked for is followed until it has ended; whoever stops following has asked for it all the same.
"""

from __future__ import annotations

import datetime
import sys
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from api.data import iso
from api.jobs import ask_recompute, tell_holders
from pipeline.errors import PipelineFault
from pipeline.many_sites import read_site, written_in
from pipeline.run.clock import SystemClock
from pipeline.site.settings import ConfigFault, SiteConfig
from pipeline.store.opening import dsn_of, job_queue

COMMAND = "a command"  # by whom it was asked for
FOLLOW_S = 1.0
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
    """Tell of each tenth of some jobs, by number and site, until all have ended; return what became of those that
    failed, empty for none.

    Raises
    ------
    StoreAway
    """
    queue, told, failed = job_queue(dsn), dict[int, int](), list[str]()
    pause, open_jobs = threading.Event(), dict(asked)
    try:
        while open_jobs:
            for job in queue.jobs(set(open_jobs.values())):
                if job.number not in open_jobs:
                    continue
                tenth = int(10 * job.share)
                if job.has_ended:
                    del open_jobs[job.number]
                    line = f"{job.site}: job {job.number} {job.state}: {job.told or 'see the log of the worker'}"
                    tell(line) if job.state == "done" else failed.append(line)
                elif tenth > told.get(job.number, 0):
                    told[job.number] = tenth
                    tell(f"{job.site}: job {job.number}, {tenth * 10} %")
            pause.wait(FOLLOW_S if open_jobs else 0.0)
    except KeyboardInterrupt:
        tell("not followed any more. The jobs go on: `underturf jobs SITES` says how far they are.")
    return "\n".join(failed)


def job_lines(sites: list[SiteConfig]) -> list[str]:
    """Return the newest jobs of some sites in words, a line each. Raises StoreAway."""
    return [
        f"{job.number}  {job.site}  {job.kind}  {job.state} {100 * job.share:.0f} %  "
        f"{iso(job.arguments['asked_ms'])} by {job.arguments['by']}  {job.told}".rstrip()
        for job in job_queue(dsn_of(sites[0])).jobs([config.site.name for config in sites])
    ]
