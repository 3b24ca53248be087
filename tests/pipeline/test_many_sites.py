"""Workers over many sites of one server: who holds what, what stops one site alone, and how they are asked about it.

Expected values: the share by counting, and the promise that what one lets go the other takes.
"""

from __future__ import annotations

import os
import random
import shutil
import threading
from collections.abc import Collection
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.work import worker_app
from pipeline import many_sites, news, service
from pipeline.errors import StoreAway
from pipeline.many_sites import AGAIN_MOST_S, SiteWorker
from pipeline.news import TOLD, NewsExchange
from pipeline.run.clock import SystemClock
from pipeline.site.settings import ConfigFault
from tests.api.site import SETTINGS
from tests.pipeline.conftest import run_steps, wait_until
from tests.postgres_server import PostgresServer


def write_sites(folder: Path, server: PostgresServer, port: int, number: int, more: str = "") -> list[str]:
    """Write the settings of so many sites, which have names of their own; return these. `{site}` of `more` is one."""
    folder.mkdir()
    (folder / "dsn").write_text(server.dsn)
    (folder / "dsn").chmod(0o600)
    run = os.urandom(4).hex()
    for n in range(number):
        text = SETTINGS.replace('name = "meadow"', f'name = "t{run}-{n}"', 1)
        text += f'\n[broker]\nkind = "external"\nport = {port}\n[store]\nkind = "postgresql"\ndsn_file = "dsn"\n'
        text += more.replace("{site}", f"t{run}-{n}")
        (folder / f"{n}.toml").write_text(text)
    return [f"t{run}-{n}" for n in range(number)]


def held(*workers: SiteWorker) -> list[list[str]]:
    """Which sites each worker holds, in order of their names."""
    return [sorted(worker.pipelines()) for worker in workers]


def held_by_any(*workers: SiteWorker) -> list[str]:
    """Which sites workers hold together; one that two hold stands there twice."""
    return sorted(site for sites in held(*workers) for site in sites)


def test_workers_share_sites_and_take_over_and_a_broken_file_stops_one_site_alone(
    own_postgres: PostgresServer, broker_port: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One holds all three; a second comes, and they have two and one; a file that is spoilt stops that site and says
    so, mended it runs again; the second goes, and the first has all. Each tells of itself."""
    monkeypatch.setattr(many_sites, "SITES_LOOK_S", 0.05)
    sites = write_sites(tmp_path / "sites", own_postgres, broker_port, 3)

    def worker(name: str) -> SiteWorker:
        return SiteWorker(tmp_path / "sites", tmp_path / name, SystemClock(), rng=random.Random(1))

    with ExitStack() as first_runs, ExitStack() as second_runs:
        first = first_runs.enter_context(run_steps(worker("first")))
        wait_until(lambda: held(first) == [sites], "the first holds all")
        wait_until(lambda: all(one.ready for one in first.pipelines().values()), "they are ready")
        assert all(one.take_news() >= TOLD for one in first.pipelines().values())  # what it took over, others read anew
        (third,) = (one for one in first._sites.values() if one.name == sites[2])
        third.again.failures, third.held_since_s = 9, third.held_since_s - AGAIN_MOST_S
        first.pipelines()[sites[2]]._crashed("worker", RuntimeError("of the test"))
        wait_until(
            lambda: third.pipeline is None and third.again.failures == 1, "after a long run it is soon tried again"
        )
        third.not_before_s = 0.0
        second = second_runs.enter_context(run_steps(worker("second")))
        wait_until(lambda: sorted(map(len, held(first, second))) == [1, 2], "they have a share each")
        assert held_by_any(first, second) == sites
        assert (first.health()["workers"], first.health()["share"]) == (2, 2)

        good = (tmp_path / "sites" / "0.toml").read_text()
        (tmp_path / "sites" / "0.toml").write_text(good.replace("clay_loam", "custard"))
        wait_until(lambda: sites[0] not in held_by_any(first, second), "the broken one is stopped")
        wait_until(lambda: len(held_by_any(first, second)) == 2, "the others are held")
        reasons = lambda: TestClient(worker_app(first)).get("/healthz").json()["reasons"]  # noqa: E731
        wait_until(lambda: any("0: stopped: 0.toml: " in one for one in reasons()), "the first tells of it")
        assert first.health()["state"] == "degraded"
        (tmp_path / "sites" / "0.toml").write_text(good)
        wait_until(lambda: held_by_any(first, second) == sites, "it runs again")

        second_runs.close()
        wait_until(lambda: held(first) == [sites], "the first holds all again")
        metrics = TestClient(worker_app(first)).get("/metrics").text
        for site in sites:
            assert f'underturf_ingest_connected{{site="{site}"}} ' in metrics
        assert metrics.count("# TYPE underturf_ingest_connected ") == 1
    assert held(first) == [[]]


def test_a_fault_stands_while_its_file_is_looked_at_again(
    own_postgres: PostgresServer, broker_port: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who asks how the worker fares in that moment does not hear that all is well."""
    write_sites(tmp_path / "sites", own_postgres, broker_port, 2)
    (tmp_path / "sites" / "0.toml").write_text("spoilt")
    worker = SiteWorker(tmp_path / "sites", tmp_path / "own", SystemClock(), rng=random.Random(1))
    (site,) = (one for one in worker._sites.values() if one.config is None)
    told, read, meanwhile = site.fault, many_sites.read_site, list[str]()
    monkeypatch.setattr(many_sites, "read_site", lambda *given: meanwhile.append(site.fault) or read(*given))
    worker._read_folder()
    assert meanwhile == [told] and told == site.fault != ""


def test_a_site_that_nobody_wants_is_taken_beyond_the_share(
    own_postgres: PostgresServer, broker_port: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second worker cannot keep anything of its own, so it holds none: after a while the first has its share too,
    and keeps it."""
    monkeypatch.setattr(many_sites, "SITES_LOOK_S", 0.05)
    monkeypatch.setattr(many_sites, "FREE_S", 0.3)
    sites = write_sites(tmp_path / "sites", own_postgres, broker_port, 2)
    (tmp_path / "second").write_text("a file, no folder")
    with (
        run_steps(SiteWorker(tmp_path / "sites", tmp_path / "second", SystemClock())) as second,
        run_steps(SiteWorker(tmp_path / "sites", tmp_path / "first", SystemClock())) as first,
    ):
        wait_until(lambda: first.health()["share"] == second.health()["share"] == 1, "both are counted")
        wait_until(lambda: held(first) == [sites], "the first holds all")
        before = first.pipelines()
        threading.Event().wait(0.5)  # some looks
        assert first.pipelines() == before and held(second) == [[]]


def test_sites_that_cannot_be_run_side_by_side_are_named(
    postgres: PostgresServer, free_port: int, tmp_path: Path
) -> None:
    """Another broker's kind, another store's and a name that is taken are said, file by file; of no good site at all
    the worker does not start."""
    write_sites(tmp_path / "sites", postgres, free_port, 5)
    folder = tmp_path / "sites"
    good = (folder / "0.toml").read_text()
    (folder / "1.toml").write_text(good)
    (folder / "2.toml").write_text(good.replace('kind = "external"', 'kind = "embedded"', 1))
    (folder / "3.toml").write_text(good.partition("[store]")[0])
    (folder / "4.toml").write_text(f'{(folder / "4.toml").read_text()}[pages]\nsettings = "own"\n')
    worker = SiteWorker(folder, tmp_path / "own", SystemClock())
    worker.close()
    reasons = worker.health()["reasons"]
    assert isinstance(reasons, list) and len(reasons) == 4
    named = ("site.name: found", "broker.kind: found", "store.kind: found", "pages.settings: found")
    for expected, reason in zip(named, reasons, strict=True):
        assert expected in reason
    (folder / "0.toml").unlink()
    worker._read_folder()
    reasons = worker.health()["reasons"]
    assert isinstance(reasons, list) and not any("site.name: found" in one for one in reasons)  # the other has the name
    shutil.rmtree(folder)
    folder.mkdir()
    with pytest.raises(ConfigFault, match=r"found no file NAME\.toml"):
        SiteWorker(folder, tmp_path / "own", SystemClock())


def test_a_site_of_which_a_part_cannot_be_started_is_let_go(
    postgres: PostgresServer, free_port: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another worker may have better luck."""
    monkeypatch.setattr(many_sites, "SITES_LOOK_S", 0.0)

    class NoThread(service.Part):
        def __init__(self, name: str, *rest: Any) -> None:
            if name == "integrity":
                raise RuntimeError("can't start new thread")
            super().__init__(name, *rest)

    monkeypatch.setattr(service, "Part", NoThread)
    sites = write_sites(tmp_path / "sites", postgres, free_port, 1)
    with closing(SiteWorker(tmp_path / "sites", tmp_path / "own", SystemClock())) as worker:
        worker.step(threading.Event())
        assert "can't start new thread" in str(worker.health()["reasons"]) and held(worker) == [[]]
        wait_until(lambda: not worker._session.held(sites), "its lock is free")


class FlakySession:
    """A session of news whose first telling is lost."""

    def __init__(self) -> None:
        self.told: list[tuple[str, set[str]]] = []
        self.tries = 0
        self.waiting = [("a", "diary"), ("b", "diary")]

    def tell(self, site: str, words: Collection[str]) -> None:
        self.tries += 1
        if self.tries == 1:
            raise StoreAway("away")
        self.told.append((site, set(words)))

    def hear(self, timeout_s: float) -> list[tuple[str, str]]:
        came, self.waiting = (self.waiting, []) if self.told else ([], self.waiting)
        return came

    def close(self) -> None:
        pass


class Party:
    """Has one thing to tell, and cannot hear for the first few times."""

    def __init__(self, cannot: int) -> None:
        self.news, self.heard, self._cannot = {"checks"}, list[str](), cannot

    def take_news(self) -> set[str]:
        news, self.news = self.news, set()
        return news

    def hear_news(self, word: str) -> None:
        self._cannot -= 1
        if self._cannot >= 0:
            raise StoreAway("away")
        self.heard.append(word)


def test_news_outlives_a_lost_session_and_a_site_that_cannot_take_it_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be told is told again; a site whose store is away hears later, and the other at once."""
    monkeypatch.setattr(news, "NEWS_AGAIN_S", 0.0)
    parties, session = {"a": Party(1), "b": Party(0)}, FlakySession()
    exchange = NewsExchange(session, lambda: parties, SystemClock())
    for _ in range(2):
        exchange.step(threading.Event())
    assert session.told == [("a", {"checks"}), ("b", {"checks"})]
    assert (parties["a"].heard, parties["b"].heard) == ([], ["diary"])
    exchange.step(threading.Event())
    assert (parties["a"].heard, parties["b"].heard) == (["diary"], ["diary"])
