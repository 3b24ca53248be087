"""Pages of many sites beside the workers that run them: who comes to which site, and what each hears of the other.

Expected values: what the worker has and what was sent, by comparison; nothing is written here but what people write.
"""

from __future__ import annotations

import time
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.many_pages import ShownSites
from api.people import new_token
from hardware.reading import LiveReading, decode_notice, encode_live
from pipeline.alerts.model import OPENED, Change
from pipeline.errors import StoreAway
from pipeline.many_sites import SiteWorker
from pipeline.mqtt.field_checks import ProbeCheck
from pipeline.news import NewsExchange
from pipeline.run.clock import SystemClock
from pipeline.service import CHECKS_KEY, Pipeline
from pipeline.site.settings import ConfigFault
from pipeline.store.opening import dsn_of, news_session
from tests.api.site import NOW_MS
from tests.api.test_photos import camera
from tests.faults.workers_bench import Node
from tests.pipeline.conftest import run_steps, wait_until
from tests.pipeline.hand import HOUR_MS
from tests.pipeline.mqtt.test_ingest import plain_client, publish
from tests.pipeline.test_many_sites import write_sites
from tests.postgres_server import PostgresServer


def heard_words(pipeline: Pipeline) -> set[str]:
    """Return a set that gathers every kind of change a pipeline sees."""
    words: set[str] = set()
    pipeline.changes.listen(words.add)
    return words


def open_one(pipeline: Pipeline) -> None:
    """Have an alert of the first station open, as its rules would."""
    runner = pipeline._alerts
    states = runner._states_of("s1", pipeline.context("s1"), NOW_MS)
    key = next(iter(states))
    opened = states[key].said(Change(OPENED, "open"), NOW_MS)
    runner._keep(runner._states, "s1", {**states, key: opened}, {key: opened}, [])
    pipeline._changed("alerts")


def test_pages_beside_a_worker_show_what_it_keeps_and_it_hears_what_people_write(
    own_postgres: PostgresServer,
    broker_port: int,
    tmp_path: Path,
) -> None:
    """Two sites, each under its own name and with its own people. Readings and alerts of the worker come to the pages
    by news; an entry and a field check come to the worker; nothing is held by the pages. A site of which a part
    crashes is tried again, while the other is shown."""
    pages = '[pages]\nproxy = "127.0.0.1"\nallowed_hosts = ["{site}.example"]\n'
    sites = write_sites(tmp_path / "sites", own_postgres, broker_port, 2, pages)
    clock = SystemClock()
    with pytest.raises(StoreAway, match="found no such schema"):
        ShownSites(tmp_path / "sites", tmp_path / "pages")
    with ExitStack() as running:
        worker = running.enter_context(run_steps(SiteWorker(tmp_path / "sites", tmp_path / "worker", clock)))
        running.enter_context(run_steps(worker.exchange))
        wait_until(lambda: sorted(worker.pipelines()) == sites, "the worker holds both")
        pages_of = ShownSites(tmp_path / "sites", tmp_path / "pages")
        running.callback(pages_of.close)
        shown = pages_of.pipelines()
        assert sorted(shown) == sites
        session = news_session(dsn_of(shown[sites[0]].config))
        running.enter_context(run_steps(NewsExchange(session, pages_of.pipelines, clock)))
        held, mine = worker.pipelines()[sites[0]], shown[sites[0]]
        to_worker, to_pages = heard_words(held), heard_words(mine)

        token = new_token(mine.people, "a test", "diary", 1, clock.now_ms(), by="a test")
        client = TestClient(pages_of.by_name)  # type: ignore[arg-type]
        ours, others = ({"host": f"{site}.example"} for site in sites)
        known = {"authorization": f"Bearer {token}"}
        assert client.get("/api/v1/now", headers=ours).status_code == 401
        assert client.get("/api/v1/now", headers=others | known).status_code == 401
        assert client.get("/api/v1/now", headers={"host": "127.0.0.1"} | known).status_code == 421
        assert client.get("/api/v1/now", headers=ours | known).status_code == 200

        node = Node(sites[0], broker_port, (round(time.time()) // 3600 - 200) * HOUR_MS, 0.1)
        wait_until(lambda: node.received > 300, "the worker keeps readings")
        node.end()
        wait_until(lambda: {"readings", "findings"} <= to_pages, "the pages hear of it", 60.0)
        open_one(held)
        wait_until(lambda: "alerts" in to_pages, "the pages hear of the alert")
        wait_until(
            lambda: mine._alerts.open_alerts(NOW_MS) == held._alerts.open_alerts(NOW_MS) != [], "they have the same"
        )
        channels = list(mine.config.channels())
        assert mine.store.span(channels) == held.store.span(channels) is not None
        assert client.get("/stations/s1", headers=ours | known).status_code == 200

        said = {"kind": "note", "surface": "square", "at": "2024-03-01T10:00:00Z", "body": {"text": "moss"}}
        assert client.post("/api/v1/diary", json=said, headers=ours | known).status_code == 201
        wait_until(lambda: "diary" in to_worker, "the worker hears of the entry")
        assert [one.body for one in held.diary.entries(("note",), 0, 2**61)] == [{"text": "moss"}]
        picture = mine.photographs.keep(camera())
        with closing(ShownSites(tmp_path / "sites", tmp_path / "other-pages")) as elsewhere:
            other = TestClient(elsewhere.by_name)  # type: ignore[arg-type]
            shown_there = other.get(f"/photos/{picture}", headers=ours | known)
            assert shown_there.content == client.get(f"/photos/{picture}", headers=ours | known).content == camera()
            assert other.get(f"/photos/{picture}", headers=others).status_code == 401
        beside = held.checks.as_note(ProbeCheck("o1/d1", NOW_MS, "Bea"), {})
        held.journal.keep_note(CHECKS_KEY, beside)  # of which the pages have not heard yet
        mine.keep_check(ProbeCheck("s1/p1", NOW_MS, "Ann"))
        assert set(held.journal.note(CHECKS_KEY)) == {"o1/d1", "s1/p1"}
        wait_until(lambda: held.checks.get("s1/p1") is not None, "the worker has the check")
        assert held.checks.get("s1/p1") == mine.checks.get("s1/p1")
        wait_until(lambda: all(one.ready for one in (held, mine)), "they hear the broker")
        with plain_client(broker_port, [f"underturf/1/{sites[0]}/hut/notice"], wait_until) as (hut, heard):
            status = b'{"state": "up", "version": "0.1.0", "backlog": 0, "lines": {}, "stations": ["s1"]}'
            publish(hut, status, topic=f"underturf/1/{sites[0]}/hut/status")
            wait_until(lambda: bool(mine.nodes.all() and heard), "the pages know the node, and the worker told it")
            assert mine.look_at("s1", "p1")
            live = encode_live(LiveReading("s1/p1", NOW_MS, (), ""))
            publish(hut, live, topic=f"underturf/1/{sites[0]}/hut/live")
            wait_until(lambda: len(heard) == 3, "the pages have the probe read, and read on")
            told = [(one.live, one.unknown) for one in (decode_notice(message.payload) for message in heard)]
            assert told == [("", ()), ("s1/p1", None), ("s1/p1", None)]
        assert not mine.starts_again and not held.starts_again and not mine.crash

        shown[sites[1]]._crashed("listener", RuntimeError("of the test"))
        pages_of.look()
        assert client.get("/api/v1/now", headers=others).status_code == 503
        assert pages_of.pipelines() == {sites[0]: mine}
        assert client.get("/api/v1/now", headers=ours | known).status_code == 200
        (crashed,) = (one for one in pages_of._sites if one.pipeline is None)
        assert "of the test" in str(crashed.fault)
        pages_of.look()
        assert crashed.pipeline is None  # not before its time
        crashed.not_before_s = 0.0
        pages_of.look()
        assert client.get("/api/v1/now", headers=others).status_code == 401 and pages_of.pipelines()[sites[0]] is mine


def test_a_site_without_a_name_or_a_web_server_in_front_is_not_shown(
    postgres: PostgresServer, free_port: int, tmp_path: Path
) -> None:
    """Without `proxy` whoever comes through a web server here would pass for the machine itself; two sites of one name
    could not be told apart."""
    write_sites(tmp_path / "sites", postgres, free_port, 1)
    with pytest.raises(ConfigFault, match=r"pages\.proxy: found none"):
        ShownSites(tmp_path / "sites", tmp_path / "pages")
    file = tmp_path / "sites" / "0.toml"
    file.write_text(file.read_text() + '[pages]\nproxy = "127.0.0.1"\n')
    with pytest.raises(ConfigFault, match=r"pages\.allowed_hosts: found none"):
        ShownSites(tmp_path / "sites", tmp_path / "pages")
