"""The page of long jobs: asked for on it, and shown with how far they are; of a site in a file it says the command.

Expected values: what was sent, and midnight of the site's zone, two hours before that of UTC.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.app import create_app
from pipeline.service import Pipeline, load_settings
from pipeline.store.job_queue import JobQueue, QueuedJob
from tests.api.served import TestClient
from tests.api.site import MakeGround
from tests.pipeline.test_many_sites import write_sites
from tests.postgres_server import PostgresServer

OWN = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def pipeline(postgres: PostgresServer, free_port: int, tmp_path: Path) -> Iterator[Pipeline]:
    write_sites(tmp_path / "sites", postgres, free_port, 1)
    pipeline = Pipeline(load_settings(tmp_path / "sites" / "0.toml"))
    yield pipeline
    pipeline.stop()


def test_days_are_asked_for_and_the_page_says_how_far_they_are(pipeline: Pipeline, postgres: PostgresServer) -> None:
    """Twice asked for while it waits it is one job; what came of it stands there in the end."""
    client, queue, site = TestClient(create_app(pipeline)), JobQueue(postgres.dsn), pipeline.config.site.name
    assert "None in the last 30 days" in client.get("/jobs").text
    asked = {"station": "s1", "from": "2024-05-01", "to": "2024-05-02"}
    for _ in range(2):
        assert client.post("/jobs", data=asked, headers=OWN, follow_redirects=False).status_code == 303
    (job,) = client.get("/api/v1/jobs").json()["jobs"]
    assert (job["kind"], job["station"], job["state"]) == ("recompute", "s1", "waits")
    assert job["asked_by"] == "whoever sits at this machine"
    assert (job["start"], job["end"]) == ("2024-04-30T22:00:00Z", "2024-05-02T22:00:00Z")
    shown = list[str]()

    def do(one: QueuedJob) -> None:
        queue.note(one.number, 1.0, 4.0, 1)
        pipeline.tell_jobs()
        shown.append(client.get("/jobs").text)
        queue.note(one.number, 1.0, 1.0, 2, "2 days of 1 stations")

    queue.run_next([site], ["recompute"], do)
    pipeline.tell_jobs()
    assert "Runs, 25 %" in shown[0].replace("\N{NO-BREAK SPACE}", " ") and "Square, north end" in shown[0]
    page = client.get("/jobs").text
    assert "Done" in page and "2 days of 1 stations" in page and "Runs" not in page


def test_a_job_is_cancelled_on_the_page(pipeline: Pipeline, postgres: PostgresServer) -> None:
    """By its button, which one that has ended has no more; that of another site is not there."""
    client, queue, site = TestClient(create_app(pipeline)), JobQueue(postgres.dsn), pipeline.config.site.name
    number = queue.ask(site, "recompute", {"by": "Ann", "asked_ms": 1})
    other = queue.ask("another", "recompute", {"by": "Ann", "asked_ms": 1})
    cancel = f'action="/jobs/{number}/cancel"'
    assert cancel in client.get("/jobs").text
    assert (
        client.post(f"/jobs/{number}/cancel", data={"csrf": ""}, headers=OWN, follow_redirects=False).status_code == 303
    )
    page = client.get("/jobs").text
    assert "Cancelled" in page and "cancelled by whoever sits at this machine" in page and cancel not in page
    for gone, told in ((number, "found it cancelled, expected one that waits or runs"), (other, "found none of that")):
        answer = client.post(f"/jobs/{gone}/cancel", data={"csrf": ""}, headers={**OWN, "Accept": "text/html"})
        assert answer.status_code == 422 and told in answer.text
    still = queue.job(other)
    assert still is not None and still.state == "waits"


def test_the_page_says_how_many_jobs_it_shows(pipeline: Pipeline, postgres: PostgresServer) -> None:
    """The newest thirty, told once there are as many."""
    client, queue, site = TestClient(create_app(pipeline)), JobQueue(postgres.dsn), pipeline.config.site.name
    for n in range(29):
        queue.ask(site, "recompute", {"by": "Ann", "asked_ms": n})
    assert "The newest 30 are shown" not in client.get("/jobs").text
    for n in range(2):
        queue.ask(site, "recompute", {"by": "Ann", "asked_ms": n})
    pipeline.tell_jobs()
    assert "The newest 30 are shown" in client.get("/jobs").text
    assert len(client.get("/api/v1/jobs").json()["jobs"]) == 30


def test_what_cannot_be_asked_for_is_told(pipeline: Pipeline) -> None:
    """Nothing is put into the queue, and what was typed stands in the form."""
    client = TestClient(create_app(pipeline))
    for form, told in (
        ({"station": "moon"}, "Station: found 'moon', expected "),
        ({"from": "1 May"}, "From: found '1 May', expected a day as 2026-05-01"),
        ({"from": "2024-05-02", "to": "2024-05-01"}, "To: found 2024-05-01, expected 2024-05-02 or later"),
    ):
        answer = client.post("/jobs", data=form, headers={**OWN, "Accept": "text/html"})
        assert answer.status_code == 422 and told.replace("'", "&#39;") in answer.text
    assert client.get("/api/v1/jobs").json() == {"has_queue": True, "jobs": []}


def test_a_site_in_a_file_is_told_the_command(make_ground: MakeGround) -> None:
    """There is no queue, no form and no way to it from other pages."""
    client = TestClient(create_app(make_ground().pipeline))
    page = client.get("/jobs").text
    assert "underturf recompute" in page and '<form method="post" action="/jobs"' not in page
    assert client.post("/jobs", data={"station": ""}, headers=OWN).status_code == 422
    assert client.get("/api/v1/jobs").json() == {"has_queue": False, "jobs": []}
    assert 'href="/jobs"' not in client.get("/").text
