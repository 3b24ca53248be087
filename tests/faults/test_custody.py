"""Custody end to end: outboxes put back or copied, a server put back, over a real broker and a real pipeline.

What must come out is counted from what the test itself put in: each reading has a value of its own.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from hardware.reading import Sample, Status
from pipeline.mqtt.broker import EmbeddedBroker
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import Metrics
from pipeline.service import Pipeline, load_settings
from pipeline.site.server import BrokerConfig
from probe_agent import publisher as publishing
from probe_agent.clock import ClockNote
from probe_agent.config import load
from probe_agent.outbox import FILE_NAME, open_outbox
from probe_agent.publisher import Publisher
from tests.pipeline.conftest import run_steps, wait_until
from tests.pipeline.hand import SETTINGS, START_MS

SET = ClockNote(True, "boot", 1000, START_MS)
CHANNEL = "s1/p1/moisture_0050"
AGENT = """
[agent]
site = "meadow"
node = "hut"
state_dir = "{folder}"
[broker]
port = {port}
receipt_timeout_s = 3
[outbox]
batch = 40
[[line]]
name = "north"
port = "/dev/none"
protocol = "sdi12"
[[probe]]
name = "p1"
station = "s1"
model = "deep_soil_profile"
line = "north"
address = "0"
"""


class Node:
    """An outbox in a folder and its publisher; what it reads are running numbers from `first` on."""

    def __init__(self, folder: Path, port: int, first: int = 0) -> None:
        folder.mkdir(exist_ok=True)
        (folder.parent / f"{folder.name}.toml").write_text(AGENT.format(folder=folder, port=port))
        config = load(folder.parent / f"{folder.name}.toml")
        self.folder, self.next = folder, first
        self.outbox, _ = open_outbox(folder, site="meadow", node="hut", max_bytes=16 << 20)
        self.publisher = Publisher(config, self.outbox, monotonic=time.monotonic, chance=lambda: 0.0)

    def read(self, n: int) -> list[float]:
        values = [float(i) for i in range(self.next, self.next + n)]
        self.next += n
        at_ms = [START_MS + 1000 * int(v) for v in values]
        samples = [Sample(CHANNEL, str(at // 1000), at, v, Status.OK) for at, v in zip(at_ms, values, strict=True)]
        self.outbox.put(samples, SET)
        return values

    def close(self) -> None:
        self.publisher.stop()
        self.outbox.close()

    def image(self, to: Path) -> None:
        """Copy the card as it is now; the agent must be closed."""
        shutil.copytree(self.folder, to, dirs_exist_ok=True)


class Site:
    """A broker that stays, and a pipeline that can be stopped, put back and started."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.nodes: list[Node] = []
        (folder / "site.toml").write_text(
            SETTINGS + f'\n[broker]\nkind = "external"\nport = {port}\n[data]\ndir = "data"\n'
        )
        self.start()

    def start(self) -> None:
        self.pipeline = Pipeline(load_settings(self.folder / "site.toml"))
        self.pipeline.start()

    def node(self, name: str, first: int = 0) -> Node:
        self.nodes.append(Node(self.folder / name, self.port, first))
        return self.nodes[-1]

    def drive(self, what: str, condition: Callable[[], object], *nodes: Node) -> None:
        def step() -> object:
            for node in nodes:
                node.publisher.step()
            return condition()

        wait_until(step, what, 40.0)

    def values(self) -> list[float]:
        raw = self.pipeline.store.raw([CHANNEL], 0, 2**61)
        return sorted(raw["raw"].tolist())

    def kinds(self) -> list[tuple[str, int]]:
        return [(notice.kind, notice.lost) for notice in self.pipeline.custody()]


@pytest.fixture
def site(tmp_path: Path, free_port: int, need_program: Callable[[str], str]) -> Iterator[Site]:
    program = Path(need_program("mosquitto"))
    broker = EmbeddedBroker(BrokerConfig(port=free_port), Metrics(), SystemClock(), mosquitto=program)
    with run_steps(broker):
        wait_until(lambda: broker.up, "the broker is up")
        made = Site(tmp_path, free_port)
        yield made
        for node in made.nodes:
            node.close()
        made.pipeline.stop()


def test_an_outbox_put_back_from_an_image_loses_nothing_that_the_card_still_holds(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """500 on the image, 510 received, 7 more told and never sent; then the image is put back and reads 30 more, which
    take the numbers of the 10. All 540 that either card could send are stored, once; the 7 are counted and told, on
    the health page and as an alert."""
    monkeypatch.setattr(publishing, "STATUS_EVERY_S", 0.0)
    node = site.node("card")
    expected = node.read(500)
    site.drive("500 are received", lambda: node.outbox.received == 500, node)
    node.close()
    node.image(tmp_path / "image")
    node = site.node("card", first=500)
    expected += node.read(10)
    site.drive("510 are received", lambda: node.outbox.received == 510, node)
    node.read(7)
    monkeypatch.setattr(node.publisher, "_send", lambda *_: None)
    known = lambda: [(o.received, o.assigned) for o in site.pipeline.journal.outboxes()]  # noqa: E731
    site.drive("its number is known", lambda: known() == [(510, 517)], node)
    node.close()
    shutil.rmtree(tmp_path / "card")
    shutil.copytree(tmp_path / "image", tmp_path / "card")
    node = site.node("card", first=10_000)
    before = node.outbox.outbox_id
    assert (node.outbox.assigned, node.outbox.received) == (500, 500)
    expected += node.read(30)
    site.drive("all is received", lambda: node.outbox.backlog == 0 and node.outbox.follows, node)
    assert node.outbox.follows == before != node.outbox.outbox_id
    assert site.values() == sorted(expected)
    assert site.kinds() == [("replaced", 7)]
    site.drive("an alert is open", lambda: [a for a in site.pipeline.alerts() if a.rule == "node_custody"], node)
    health = site.pipeline.health()
    assert health["state"] == "degraded" and "7 readings that it had told of never came" in json.dumps(
        health["reasons"]
    )
    assert "underturf_custody_conflicts 1.0" in site.pipeline.metrics.text().decode()
    site.pipeline.journal.receive_poison(None, "t", b"x", "r", site.pipeline.clock.now_ms())
    told = " ".join(site.pipeline.notices())
    assert "goes on under a new outbox" in told and "1 message could not be read" in told


def test_two_nodes_of_one_name_are_kept_apart_and_told(site: Site, tmp_path: Path) -> None:
    """A card copied to a second node, and both go on reading: all of both is stored once, under two outboxes, and who
    looks at the pages is told to give one another name."""
    one = site.node("card")
    expected = one.read(200)
    site.drive("200 are received", lambda: one.outbox.received == 200, one)
    one.close()
    one.image(tmp_path / "copy")
    one, two = site.node("card", first=200), site.node("copy", first=10_000)
    for n in range(4):
        expected += one.read(15 + n) + two.read(20 - n)
        both = (one, two) if n % 2 else (two, one)
        site.drive("both are received", lambda: one.outbox.backlog == two.outbox.backlog == 0, *both)
    assert one.outbox.outbox_id != two.outbox.outbox_id
    assert site.values() == sorted(expected)
    assert site.kinds() == [("two_nodes", 0)]
    texts = lambda: [a.text for a in site.pipeline.alerts() if a.rule == "node_custody"]  # noqa: E731
    told = "two nodes call themselves hut"  # not at once: after the first turn the copy looks like an image put back
    site.drive("the alert tells of two nodes", lambda: any(told in text for text in texts()), one, two)
    assert len(texts()) == 1


def test_a_server_put_back_to_yesterday_is_sent_what_it_lost(site: Site, tmp_path: Path) -> None:
    """A backup at 300 of 900 readings, restored with the service stopped: nothing of the 900 is lost, none is twice."""
    node = site.node("card")
    expected = node.read(300)
    site.drive("300 are received", lambda: node.outbox.backlog == 0, node)
    journal = site.folder / "data" / "journal.db"
    with closing(sqlite3.connect(journal)) as live, closing(sqlite3.connect(tmp_path / "backup.db")) as backup:
        live.backup(backup)
    expected += node.read(600)
    site.drive("900 are received", lambda: node.outbox.received == 900, node)
    site.pipeline.stop()
    for path in journal.parent.glob("journal.db*"):
        path.unlink()
    shutil.copy(tmp_path / "backup.db", journal)
    site.start()
    site.drive("all 900 are there again", lambda: len(site.values()) == 900 and node.outbox.backlog == 0, node)
    assert site.values() == expected and site.kinds() == []


def test_a_node_that_compares_no_digests_is_served_as_before_and_named(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What an agent of the version before leaves out is left out here: its readings come, and it is told of."""
    node = site.node("card")
    batch, status = node.outbox.batch, node.publisher._status_of

    def without_digest(*args: object, **more: object) -> object:
        found = batch(*args, **more)  # type: ignore[arg-type]
        return None if found is None else publishing.replace(found, before=None)

    def without_word(state: str, lines: object) -> dict[str, object]:
        told = status(state, lines)  # type: ignore[arg-type]
        return {**told, "checks_digests": False, "assigned": 0}

    monkeypatch.setattr(node.outbox, "batch", without_digest)
    monkeypatch.setattr(node.publisher, "_status_of", without_word)
    expected = node.read(100)
    site.drive("100 are received", lambda: node.outbox.backlog == 0, node)
    assert site.values() == expected
    site.drive("it is named", lambda: site.kinds() == [("earlier_agent", 0)], node)
    (told,) = site.pipeline.health()["reasons"]
    assert "runs an agent of an earlier version" in told


def test_a_file_of_the_outbox_alone_is_enough_of_an_image(site: Site, tmp_path: Path) -> None:
    """The file without its log, as of the last checkpoint, is as old as an image: the same holds."""
    node = site.node("card")
    expected = node.read(50)
    site.drive("50 are received", lambda: node.outbox.backlog == 0, node)
    node.close()
    shutil.copy(tmp_path / "card" / FILE_NAME, tmp_path / "old.db")
    node = site.node("card", first=50)
    expected += node.read(80)
    site.drive("130 are received", lambda: node.outbox.backlog == 0, node)
    node.close()
    for path in (tmp_path / "card").glob(f"{FILE_NAME}*"):
        path.unlink()
    shutil.copy(tmp_path / "old.db", tmp_path / "card" / FILE_NAME)
    node = site.node("card", first=10_000)
    expected += node.read(20)  # fewer than the server has beyond the image
    site.drive("all is received", lambda: node.outbox.backlog == 0 and node.outbox.follows, node)
    assert site.values() == sorted(expected)
