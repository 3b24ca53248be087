"""Workers bench: of two workers over many sites one is killed, or stopped for a minute, again and again.

    python tests/faults/workers_bench.py --kills 60 --stops 10 --seed 1
    python tests/faults/workers_bench.py --kills 3 --stops 3 --seed 1 --without-lock

Real processes: `underturf work` twice, PostgreSQL, mosquitto; a node a site, here in threads, sends hourly readings of
days past all the time, and sends again whatever has no receipt. Which worker dies is drawn from a printed seed. A kill
(SIGKILL) or a stop (SIGSTOP, and SIGCONT after `--stopped-s`) counts as taken over once every site has moved its
receipt on; then the worker comes back and gets its share again before the next. In the end every reading that was sent
must be stored, none twice, no alert opened twice without a closing between, no session may have written in a site
again after another had, and no take-over may have lasted longer than 30 s. With `--without-lock` workers take no lock:
the control, which must fail. Prints the counts; exits 1 when they are not as they must be.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

import httpx
import psycopg
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.reading import (  # noqa: E402
    Batch,
    Reading,
    Status,
    decode_receipt,
    encode_batch,
    readings_topic,
    receipt_topic,
)
from pipeline.service import load_settings  # noqa: E402
from pipeline.store.journal import Event  # noqa: E402
from pipeline.store.opening import open_stores  # noqa: E402
from pipeline.store.schema import schema_of  # noqa: E402
from tests.api.site import SETTINGS, values  # noqa: E402
from tests.pipeline.hand import HOUR_MS, OUTBOX  # noqa: E402
from tests.ports import unused_port  # noqa: E402
from tests.postgres_server import PostgresServer, find_postgres  # noqa: E402

NODE = "hut"
IN_FLIGHT = 4  # batches without a receipt
AGAIN_S = 2.0  # without a receipt for so long, batches are sent again
MOST_TAKE_OVER_S = 30.0
PATIENCE_S = 120.0
FOREVER_MS = 2**61
BROKER = "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
NOTE_WRITERS = """
SET search_path TO "{schema}";
CREATE TABLE writer (number bigserial PRIMARY KEY, pid integer NOT NULL, since timestamptz NOT NULL);
CREATE FUNCTION note_writer() RETURNS trigger LANGUAGE plpgsql AS
    $$ BEGIN INSERT INTO "{schema}".writer (pid, since)
    SELECT pid, backend_start FROM pg_stat_get_activity(pg_backend_pid()); RETURN NULL; END $$;
CREATE TRIGGER written AFTER INSERT ON run EXECUTE FUNCTION note_writer();
"""


class Node:
    """A node of a site: an hour of readings a batch, one batch every `pace_s`, again until there is a receipt."""

    def __init__(self, site: str, port: int, first_ms: int, pace_s: float) -> None:
        self.received = self.sent = 0  # by number
        self._site, self._first_ms, self._pace_s = site, first_ms, pace_s
        self._batches: list[Batch] = []
        self._moved, self._enough = threading.Event(), threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"{site}-{NODE}")
        self._client.on_connect = lambda client, *_: client.subscribe(receipt_topic(site, NODE), 1)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _hear(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        self.received = max(self.received, decode_receipt(message.payload).seq)
        self._moved.set()

    def _batch(self) -> Batch:
        hour, first = len(self._batches), self.sent + 1
        at_ms = self._first_ms + hour * HOUR_MS
        return Batch(self._site, NODE, OUTBOX, 1, tuple(
            Reading(self._site, NODE, OUTBOX, first + n, channel, str(at_ms // 1000), at_ms, raw, Status.OK, 1, True)
            for n, (channel, raw) in enumerate(values(hour).items())
        ))  # fmt: skip

    def _run(self) -> None:
        next_s = sent_s = 0.0
        while not self._enough.is_set() or self.received < self.sent:
            now_s = time.monotonic()
            waiting = [one for one in self._batches[-2 * IN_FLIGHT :] if one.last > self.received]
            if not self._enough.is_set() and now_s >= next_s and len(waiting) < IN_FLIGHT:
                batch = self._batch()
                self._batches.append(batch)
                self.sent, next_s = batch.last, now_s + self._pace_s
                self._publish([batch])
                sent_s = now_s
            elif waiting and now_s - sent_s > AGAIN_S:
                self._publish(waiting)
                sent_s = now_s
            self._moved.wait(0.05)
            self._moved.clear()

    def _publish(self, batches: Sequence[Batch]) -> None:
        for one in batches:
            self._client.publish(readings_topic(one), encode_batch(one), qos=1)

    def end(self) -> None:
        """Send nothing new, and wait until all is receipted."""
        self._enough.set()
        self._thread.join(PATIENCE_S)
        self._client.disconnect()
        self._client.loop_stop()
        if self.received < self.sent:
            raise RuntimeError(f"{self._site}: received {self.received} of {self.sent} after {PATIENCE_S:g} s")

    @property
    def rows(self) -> list[tuple[str, int, float | None]]:
        """All that was sent: channel, time and value."""
        return [(one.channel, one.measured_at_ms, one.raw) for batch in self._batches for one in batch.readings]


@dataclass
class Outcome:
    """Counts of one run."""

    seed: int
    sites: int
    kills: int = 0
    stops: int = 0
    take_overs_s: list[float] = field(default_factory=list)
    sent: int = 0
    lost: int = 0
    twice: int = 0
    alerts: int = 0
    doubled: int = 0
    returned: int = 0  # times a session wrote in a site again after another had: two held it at once
    fault: str = ""

    @property
    def is_good(self) -> bool:
        wrong = self.lost + self.twice + self.doubled + self.returned
        return not self.fault and not wrong and self.longest_s <= MOST_TAKE_OVER_S

    @property
    def longest_s(self) -> float:
        return max(self.take_overs_s, default=0.0)

    def text(self) -> str:
        """The report, in lines."""
        middle = sorted(self.take_overs_s)[len(self.take_overs_s) // 2] if self.take_overs_s else 0.0
        return (
            f"seed {self.seed}; {self.sites} sites, 2 workers; SIGKILLs {self.kills}, SIGSTOPs {self.stops}\n"
            f"n = {self.sent} readings sent: lost {self.lost}, stored twice {self.twice}; "
            f"{self.alerts} alerts opened, {self.doubled} of them doubled\n"
            f"{self.returned} times a worker wrote after another had the site\n"
            f"taken over within {self.longest_s:.1f} s at most, {middle:.1f} s in the middle"
            + (f"\nended early: {self.fault}" if self.fault else "")
        )


class Bench:
    """Everything of one run, in a folder."""

    def __init__(self, folder: Path, *, sites: int, seed: int, mosquitto: str, lock: bool, pace_s: float) -> None:
        programs = find_postgres()
        assert programs is not None
        self._folder, self._rng, self.outcome = folder, random.Random(seed), Outcome(seed, sites)
        self._pause, port = threading.Event(), unused_port()
        (folder / "broker.conf").write_text(BROKER.format(port=port))
        self.server = PostgresServer(programs).start()
        self._broker = subprocess.Popen([mosquitto, "-c", folder / "broker.conf"], stderr=subprocess.DEVNULL)
        self._sites = [f"ground-{n}" for n in range(sites)]
        self._write_sites(port)
        self._program = [sys.executable, "-m", "api.command"]
        if not lock:
            self._program = [sys.executable, str(Path(__file__).with_name("worker_without_lock.py"))]
        self._struck: int | None = None  # the worker that was taken away
        self._ports = [unused_port(), unused_port()]
        self._workers: list[subprocess.Popen[bytes]] = [self._launched(n) for n in range(2)]
        first_ms = (round(time.time()) - 100 * 86_400) // 3600 * HOUR_MS
        self._wait(lambda: self._told(0) and self._told(1), "both workers answer")
        self._nodes = [Node(site, port, first_ms, pace_s) for site in self._sites]

    def _write_sites(self, port: int) -> None:
        folder = self._folder / "sites"
        folder.mkdir()
        (folder / "dsn").write_text(self.server.dsn)
        (folder / "dsn").chmod(0o600)
        for site in self._sites:
            text = SETTINGS.replace('name = "meadow"', f'name = "{site}"', 1)
            text += f'\n[broker]\nkind = "external"\nport = {port}\n[store]\nkind = "postgresql"\ndsn_file = "dsn"\n'
            (folder / f"{site}.toml").write_text(text)

    def _launched(self, number: int) -> subprocess.Popen[bytes]:
        own, port = self._folder / f"own-{number}", str(self._ports[number])
        command = [*self._program, "work", str(self._folder / "sites"), "--own", str(own), "--port", port]
        with (self._folder / f"worker-{number}.log").open("ab") as log:
            return subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log)

    def _told(self, number: int) -> dict[str, object]:
        """What a worker tells of itself; empty while it tells nothing."""
        with suppress(httpx.HTTPError):
            told: dict[str, object] = httpx.get(f"http://127.0.0.1:{self._ports[number]}/healthz", timeout=5).json()
            return told
        return {}

    def run(self, *, kills: int, stops: int, stopped_s: float) -> Outcome:
        """Kill and stop workers so often, in any order; then let it come to rest and count."""
        try:
            self._moves_on("readings flow")
            self._note_writers()
            strikes = [True] * kills + [False] * stops
            self._rng.shuffle(strikes)
            for left, is_kill in zip(range(len(strikes) - 1, -1, -1), strikes, strict=True):
                self._strike(self._rng.randrange(2), is_kill=is_kill, stopped_s=stopped_s)
                if left:
                    self._bring_back()
            for node in self._nodes:
                node.end()
            for worker in self._workers:
                worker.terminate()
            for worker in self._workers:
                worker.wait(60)
        except (RuntimeError, subprocess.TimeoutExpired) as fault:
            self.outcome.fault = str(fault)
            self._kill_workers()
        for site, node in zip(self._sites, self._nodes, strict=True):
            self._count(site, node)
        return self.outcome

    def _note_writers(self) -> None:
        """Have the server note, for each run of readings, by which session it was written."""
        with psycopg.connect(self.server.dsn, autocommit=True) as connection:
            for site in self._sites:
                connection.execute(NOTE_WRITERS.format(schema=schema_of(site)).encode())

    def _returned(self, site: str) -> int:
        """Return how many times a session wrote in a site again after another had."""
        with psycopg.connect(self.server.dsn) as connection:
            query = f'SELECT pid, since FROM "{schema_of(site)}".writer ORDER BY number'  # numbers come again
            turns = [session for session, _ in groupby(connection.execute(query.encode()))]
        return len(turns) - len(set(turns))

    def _strike(self, number: int, *, is_kill: bool, stopped_s: float) -> None:
        """Take one worker away, and wait until the other has its sites."""
        self._pause.wait(self._rng.uniform(0, 1))
        self._struck = number
        worker, began_s = self._workers[number], time.monotonic()
        worker.send_signal(signal.SIGKILL if is_kill else signal.SIGSTOP)
        self.outcome.take_overs_s.append(self._moves_on("the sites are taken over"))
        if is_kill:
            worker.wait()
            self.outcome.kills += 1
        else:
            self._pause.wait(max(0.0, stopped_s - (time.monotonic() - began_s)))
            worker.send_signal(signal.SIGCONT)
            self.outcome.stops += 1

    def _bring_back(self) -> None:
        """Start a worker that was killed, and wait until the one that was struck has its share again."""
        number = self._struck
        assert number is not None
        if self._workers[number].poll() is not None:
            self._workers[number] = self._launched(number)
        self._struck = None
        self._wait(lambda: self._told(number).get("held"), "the worker has sites again")
        self._moves_on("all sites move after that")

    def _moves_on(self, what: str) -> float:
        """Wait until every site has moved its receipt on; return how long it took. [s]"""
        began_s, before = time.monotonic(), [node.received for node in self._nodes]
        self._wait(lambda: all(n.received > b for n, b in zip(self._nodes, before, strict=True)), what)
        return time.monotonic() - began_s

    def _wait(self, condition: Callable[[], object], what: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while not condition():
            for number, worker in enumerate(self._workers):
                if number != self._struck and worker.poll() is not None:
                    log = (self._folder / f"worker-{number}.log").read_text(errors="replace")
                    raise RuntimeError(f"worker {number} ended by itself with {worker.returncode}: {log[-2000:]}")
            if time.monotonic() > end:
                raise RuntimeError(f"waited {PATIENCE_S:g} s in vain until {what}")
            self._pause.wait(0.05)

    def _count(self, site: str, node: Node) -> None:
        config = load_settings(self._folder / "sites" / f"{site}.toml")
        stores = open_stores(config)
        raw = stores.store.raw(sorted(config.channels()), 0, FOREVER_MS)
        events = stores.journal.events(0, FOREVER_MS)
        stores.close()
        stored = Counter(zip(raw["channel"].tolist(), raw["measured_at_ms"].tolist(), raw["raw"].tolist(), strict=True))
        self.outcome.sent += len(node.rows)
        self.outcome.lost += len(Counter(node.rows) - stored)
        self.outcome.twice += sum(stored.values()) - len(stored) + len(stored.keys() - set(node.rows))
        opened, doubled = opened_and_doubled(events)
        self.outcome.returned += self._returned(site)
        self.outcome.alerts += opened
        self.outcome.doubled += doubled

    def close(self) -> None:
        """End every process of this run."""
        self._kill_workers()
        self._broker.kill()
        self._broker.wait()
        self.server.remove()

    def _kill_workers(self) -> None:
        for worker in self._workers:
            worker.kill()
            worker.wait()


def opened_and_doubled(events: Sequence[Event]) -> tuple[int, int]:
    """Count alerts that were opened, and those opened again without a closing between.

    An alert is told from others by its place and rule; about a surface several may be open, told by their own id.
    """
    opened = doubled = 0
    is_open: set[tuple[object, ...]] = set()
    for event in events:
        body = event.body
        alert = (body["rule"], body["station"], body["probe"], "" if body["station"] else body["alert_id"])
        if body["kind"] == "opened":
            opened, doubled = opened + 1, doubled + (alert in is_open)
            is_open.add(alert)
        elif body["kind"] == "closed":
            is_open.discard(alert)
    return opened, doubled


def run_bench(
    folder: Path,
    *,
    sites: int,
    kills: int,
    stops: int,
    stopped_s: float,
    seed: int,
    mosquitto: str,
    lock: bool = True,
    pace_s: float = 0.5,
) -> Outcome:
    """One run in a folder, everything ended after it."""
    bench = Bench(folder, sites=sites, seed=seed, mosquitto=mosquitto, lock=lock, pace_s=pace_s)
    try:
        return bench.run(kills=kills, stops=stops, stopped_s=stopped_s)
    finally:
        bench.close()


def main() -> int:
    """0 when nothing was lost or doubled; with --without-lock, when something was."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=4)
    parser.add_argument("--kills", type=int, default=60)
    parser.add_argument("--stops", type=int, default=10)
    parser.add_argument("--stopped-s", type=float, default=60.0, help="how long a stopped worker is")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--without-lock", action="store_true", help="the control: workers take no lock")
    parser.add_argument("--keep", type=Path, help="leave everything in this folder for a look")
    given = parser.parse_args()
    os.environ["PATH"] += ":/usr/sbin:/usr/local/sbin"  # Debian keeps mosquitto there
    mosquitto = shutil.which("mosquitto")
    if mosquitto is None or find_postgres() is None:
        print("found no mosquitto or no postgres, expected both (Debian: apt-get install mosquitto postgresql)")
        return 1
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) if given.keep is None else given.keep
        folder.mkdir(parents=True, exist_ok=True)
        outcome = run_bench(
            folder,
            sites=given.sites,
            kills=given.kills,
            stops=given.stops,
            stopped_s=given.stopped_s,
            seed=given.seed,
            mosquitto=mosquitto,
            lock=not given.without_lock,
        )
    print(outcome.text())
    if given.without_lock:
        print("control, no lock: " + ("IT WENT WELL, it must not" if outcome.is_good else "it fails, as it must"))
        return 1 if outcome.is_good else 0
    return 0 if outcome.is_good else 1


if __name__ == "__main__":
    sys.exit(main())
