"""Long jobs of a site that is kept in PostgreSQL: asked for here, done by the process that holds the site.

A site that is kept in a file has no queue: there `underturf recompute` and `import` do it, with the service stopped.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Collection
from contextlib import closing
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from api.data import iso, pipeline_of
from pipeline.jobs import IMPORT, RECOMPUTE, JobRefused
from pipeline.records.hand_over import drop_handed_over
from pipeline.service import Pipeline
from pipeline.site.settings import SiteConfig
from pipeline.store.opening import dsn_of, job_queue, news_session
from pipeline.store.sql import SqlDatabase
from pipeline.texts import say
from pipeline.units import whole_days_ms

if TYPE_CHECKING:
    from pipeline.store.job_queue import JobQueue, QueuedJob

router = APIRouter(prefix="/api/v1", tags=["site"])


class JobOut(BaseModel):
    """A long job."""

    number: int = Field(examples=[12])
    kind: str = Field(examples=["recompute"], description="`recompute` or `import`")
    station: str | None = Field(examples=["s1"], description="of that alone; null for all")
    start: str | None = Field(examples=["2026-05-01T00:00:00Z"], description="from then on; null for the first reading")
    end: str | None = Field(examples=[None], description="until before then; null for the last reading")
    file: str | None = Field(examples=[None], description="what an import takes in")
    asked_by: str = Field(examples=["Ann"])
    asked_at: str = Field(examples=["2026-05-04T06:15:00Z"])
    state: str = Field(examples=["runs"], description="`waits`, `runs`, `stops`, `done`, `failed` or `cancelled`")
    done_share: float = Field(examples=[0.4], description="0 to 1")
    told_at: str | None = Field(examples=["2026-05-04T06:16:00Z"], description="when that was noted")
    told: str = Field(examples=[""], description="what came of it, in words")


class JobsOut(BaseModel):
    """The newest 30 long jobs of the site, the newest first; none where it is kept in a file."""

    has_queue: bool = Field(examples=[True], description="whether jobs can be asked for here")
    jobs: list[JobOut]


@router.get("/jobs", summary="Long jobs of the site: how far each is, and what came of it")
def get_jobs(request: Request) -> JobsOut:
    pipeline = pipeline_of(request)
    return JobsOut(has_queue=has_queue(pipeline.config), jobs=[_out(one) for one in jobs_of(pipeline)])


def _out(job: QueuedJob) -> JobOut:
    asked = job.arguments
    return JobOut(
        number=job.number,
        kind=job.kind,
        station=asked.get("station"),
        start=None if asked.get("start_ms") is None else iso(asked["start_ms"]),
        end=None if asked.get("end_ms") is None else iso(asked["end_ms"]),
        file=asked.get("file"),
        asked_by=str(asked.get("by", "")),
        asked_at=iso(asked["asked_ms"]),
        state=job.state,
        done_share=job.share,
        told_at=iso(job.told_ms) if job.told_ms else None,
        told=job.told,
    )


def has_queue(config: SiteConfig) -> bool:
    """Return whether long jobs of a site can be asked for."""
    return config.store.kind == "postgresql"


def jobs_of(pipeline: Pipeline) -> list[QueuedJob]:
    """Return the newest long jobs of a site, the newest first. Raises StoreAway."""
    if not has_queue(pipeline.config):
        return []
    return job_queue(dsn_of(pipeline.config)).jobs([pipeline.config.site.name])


def ask_recompute(
    queue: JobQueue, config: SiteConfig, station: str | None, first: datetime.date | None, last: datetime.date | None,
    *, by: str, now_ms: int,
) -> int:  # fmt: skip
    """Ask for whole days of a site's own time to be worked out anew, by whoever holds it; return the job's number.

    Of the same that waits already, that one's. Whoever holds the site has to be told: see `tell_holders`.
    """
    start_ms, end_ms = whole_days_ms(first, last, config.site.timezone)
    asked = {"station": station, "start_ms": start_ms, "end_ms": end_ms, "by": by, "asked_ms": now_ms}
    return queue.ask(config.site.name, RECOMPUTE, asked, same=f"{station} {start_ms} {end_ms}")


def cancel_job(
    queue: JobQueue, sites: Collection[str], number: int, database: Callable[[str], SqlDatabase], *, by: str,
    now_ms: int,
) -> QueuedJob:  # fmt: skip
    """Cancel a job that waits or runs, and return it as it was: one that runs stops at its next piece, and then says
    so. Whoever holds the site has to be told, see `tell_holders`.

    Parameters
    ----------
    queue : JobQueue
    sites : collection of str
        Of whose jobs it may be.
    number : int
        The job's.
    database : callable
        Gives that of a site, in which a record that waits to be taken in lies.
    by : str
        Who cancels it.
    now_ms : int
        [ms since 1970, UTC]

    Raises
    ------
    JobRefused
        When there is no such job, or it has ended.
    StoreAway
    """
    job = queue.job(number)
    if job is None or job.site not in sites:
        raise JobRefused(f"job {number}: found none of that number, expected one that waits or runs")
    if job.has_ended or not queue.cancel(number, now_ms, say("cancelled by {name}", name=by)):
        raise JobRefused(f"job {number}: found it {job.state}, expected one that waits or runs")
    if job.kind == IMPORT and job.state == "waits":
        drop_handed_over(database(job.site), str(job.arguments["record"]))
    return job


def tell_holders(dsn: str, *sites: str, of: str = "jobs") -> None:
    """Tell whoever holds some sites of what has changed: that a job waits, for which untold they look twice a minute,
    or another topic."""
    with closing(news_session(dsn)) as news:
        for site in sites:
            news.tell(site, [of])
