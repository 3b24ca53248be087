"""What many sites cost on one machine: processor, memory and lag of two workers, PostgreSQL and broker; a backlog.

    python tests/bench/bench_workers.py [--sites 100] [--stations 10] [--minutes 30] [--every-s 900] [--history-h 24]
    python tests/bench/bench_workers.py --scale
    python tests/bench/bench_workers.py --rest

Each site has stations of fifteen channels on one node. First some hours of the past are sent, until all is worked on.
Then the workers are stopped and the readings of the last `--outage-h` hours lie with the nodes, as after an outage;
they are started, and the time until all of them are worked on is the catch-up. Then, for so many minutes of real time,
each node sends a slot every `--every-s`, the sites spread over it, and the pages of all sites are served by a process
of their own, of which one page is asked for each second: processor time of workers, pages, server and broker
together, as a share of the machine's processors, their memory, and how long after it was sent a slot was worked on.
What the database grew by in the outage's hours is told too; vacuum and old days, packed later, make it less.
With `--scale` the last is done with 1, 10 and 100 sites, one after the other, for the cost of a station; with `--rest`
10 and 40 sites are left alone for so many minutes, for what a site costs that nobody sends anything to, and what the
workers cost beside. Both are without pages. Nodes are
threads of the bench, whose own time does not count. Exits 1 when a limit is missed.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import httpx  # noqa: E402
import psycopg  # noqa: E402
from paho.mqtt import client as mqtt  # noqa: E402

from api.people import new_token  # noqa: E402
from hardware.probe import load_probe  # noqa: E402
from hardware.reading import (  # noqa: E402
    Batch,
    Reading,
    Status,
    decode_receipt,
    encode_batch,
    readings_topic,
    receipt_topic,
)
from pipeline.store.people import People  # noqa: E402
from pipeline.store.postgres import PostgresDatabase  # noqa: E402
from pipeline.store.series import SqlStore  # noqa: E402
from tests.bench.store import server_cpu_s  # noqa: E402
from tests.bench.table import measured  # noqa: E402
from tests.pipeline.hand import OUTBOX  # noqa: E402
from tests.ports import held, unused_port  # noqa: E402
from tests.postgres_server import PostgresServer, find_postgres  # noqa: E402

MODEL, NODE, WORKERS = "root_zone_profile", "hut", 2
SLOT_MS, DAY_MS = 900_000, 86_400_000
IN_FLIGHT, AGAIN_S = 4, 30.0
BATCH = 500
SHARE_MOST, LAG_MOST_S, CATCH_UP_MOST_S, FLAT_MOST = 0.7, 120.0, 1200.0, 1.2
REST_MOST = 0.002  # of a processor, a site
REST_SITES = 10, 40
SETTLE_S = 60.0  # before the rest is measured: advice and weeks ahead are worked out meanwhile
PAGE_EVERY_S = 1.0
PATIENCE_S = 7200.0
TICKS = os.sysconf("SC_CLK_TCK")
SITE = """
[site]
name = "{name}"
title = "{name}"
timezone = "Etc/UTC"
[broker]
kind = "external"
port = {port}
[store]
kind = "postgresql"
dsn_file = "dsn"
[pages]
proxy = "127.0.0.1"
allowed_hosts = ["{name}.example.org"]
[[surface]]
name = "square"
title = "Square"
kind = "square"
"""
STATION = """
[[surface.station]]
name = "s{n}"
title = "Station {n}"
soil = "clay_loam"
[[surface.station.probe]]
name = "p{n}"
model = "{model}"
"""
BROKER = "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\n"


@dataclass
class Node:
    """What a site's node has to send, the oldest first, and how far it is receipted."""

    site: str
    channels: list[str]
    seq: int = 0
    received: int = 0
    waiting: list[Batch] = field(default_factory=list)
    sent: int = 0  # by number
    sent_s: float = 0.0

    def take(self, at_ms: int) -> None:
        """Take a slot of every channel."""
        readings = []
        for n, channel in enumerate(self.channels):
            self.seq += 1
            raw = 14.0 + n % 7 + ((at_ms // SLOT_MS) % 96) / 96
            readings.append(
                Reading(self.site, NODE, OUTBOX, self.seq, channel, str(at_ms // 1000), at_ms, raw, Status.OK, 1, True)
            )
        last = self.waiting[-1] if self.waiting and self.waiting[-1].first > self.sent else None
        if last is not None and len(last.readings) + len(readings) <= BATCH:
            self.waiting[-1] = Batch(self.site, NODE, OUTBOX, 1, (*last.readings, *readings))
        else:
            self.waiting.append(Batch(self.site, NODE, OUTBOX, 1, tuple(readings)))

    def due(self, now_s: float) -> list[Batch]:
        """Return what is to be sent now: what follows while there is room in flight, or all in flight again."""
        while self.waiting and self.waiting[0].last <= self.received:
            self.waiting.pop(0)
        flight = self.waiting[:IN_FLIGHT]
        fresh = [one for one in flight if one.first > self.sent]
        again = flight if flight and now_s - self.sent_s > AGAIN_S else []
        if fresh or again:
            self.sent_s, self.sent = now_s, max([self.sent, *(one.last for one in flight)])
        return again or fresh


class Rig:
    """Server, broker, workers and nodes, in a folder."""

    def __init__(self, folder: Path, mosquitto: str, sites: int, stations: int) -> None:
        programs = find_postgres()
        assert programs is not None
        self._folder, self._port = folder, unused_port()
        self.server = PostgresServer(programs, settings=("max_connections=900", "shared_buffers=256MB"))
        self.server.start()
        (folder / "broker.conf").write_text(BROKER.format(port=self._port))
        self._broker = subprocess.Popen([mosquitto, "-c", folder / "broker.conf"], stderr=subprocess.DEVNULL)
        (folder / "sites").mkdir()
        (folder / "sites" / "dsn").write_text(self.server.dsn)
        (folder / "sites" / "dsn").chmod(0o600)
        places = load_probe(MODEL).channels
        self.nodes = {}
        for n in range(sites):
            text = SITE.format(name=f"ground-{n}", port=self._port)
            text += "".join(STATION.format(n=k, model=MODEL) for k in range(stations))
            (folder / "sites" / f"{n}.toml").write_text(text)
            channels = [f"s{k}/p{k}/{place.name}" for k in range(stations) for place in places]
            self.nodes[f"ground-{n}"] = Node(f"ground-{n}", channels)
        self._workers: list[subprocess.Popen[bytes]] = []
        self._ports: list[int] = []
        self._pages: subprocess.Popen[bytes] | None = None
        self._tokens: dict[str, str] = {}
        self._readers: dict[str, tuple[PostgresDatabase, SqlStore]] = {}
        self._lock, self._stop = threading.Lock(), threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="nodes")
        self._client.on_connect = lambda client, *_: client.subscribe(receipt_topic("+", NODE), 1)
        self._client.on_message = self._hear
        self._until(lambda: not self._client.connect("127.0.0.1", self._port))
        self._client.loop_start()
        threading.Thread(target=self._send, daemon=True).start()

    def _hear(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        node = self.nodes[message.topic.split("/")[2]]
        with self._lock:
            node.received = max(node.received, decode_receipt(message.payload).seq)

    def _send(self) -> None:
        while not self._stop.wait(0.05):
            for node in self.nodes.values():
                with self._lock:
                    due = node.due(time.monotonic())
                for batch in due:
                    self._client.publish(readings_topic(batch), encode_batch(batch), qos=1)

    def take(self, node: Node, at_ms: int) -> None:
        """Have a node take a slot."""
        with self._lock:
            node.take(at_ms)

    def start_workers(self) -> None:
        """Start the workers; they take the sites meanwhile."""
        for n in range(WORKERS):
            command = [sys.executable, "-m", "api.command", "work", str(self._folder / "sites")]
            port = unused_port()
            command += ["--own", str(self._folder / f"own-{n}"), "--port", str(port), "--log-level", "warning"]
            self._ports.append(port)
            with (self._folder / f"worker-{n}.log").open("ab") as log:
                self._workers.append(subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log))

    def start_pages(self) -> None:
        """Start the pages of all sites, and wait until each is shown."""
        port = unused_port()
        command = [sys.executable, "-m", "api.command", "pages", str(self._folder / "sites")]
        command += ["--own", str(self._folder / "own-pages"), "--port", str(port), "--log-level", "warning"]
        with (self._folder / "pages.log").open("ab") as log:
            self._pages = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log)
        self._asking = httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60.0)
        for site in self.nodes:
            people = People(self._readers[site][0], site)
            self._tokens[site] = new_token(people, "bench", "diary", 1, round(time.time() * 1000), by="bench")
            self._until(lambda s=site: self.ask_page(s, "/healthz") == 200, 0.5)  # type: ignore[misc]

    def ask_page(self, site: str, path: str = "/") -> int:
        """Ask for a page of a site; return the status, 0 where nobody listens."""
        try:
            headers = {"Host": f"{site}.example.org", "Authorization": f"Bearer {self._tokens[site]}"}
            return self._asking.get(path, headers=headers).status_code
        except httpx.TransportError:
            return 0

    def stop_workers(self) -> None:
        """Stop the workers in good order."""
        for worker in self._workers:
            worker.send_signal(signal.SIGTERM)
        for worker in self._workers:
            worker.wait(120)
        self._workers.clear()
        self._ports.clear()

    def await_held(self) -> float:
        """Wait until the workers hold every site; return how long it took. [s] Nodes send again each 30 s only, so what
        they sent before is worked on later."""
        began_s = time.monotonic()
        self._until(lambda: {site for port in self._ports for site in held(port)} == set(self.nodes), 0.2)
        return time.monotonic() - began_s

    @property
    def has_pages(self) -> bool:
        """Whether pages are served."""
        return self._pages is not None

    def worked_to_ms(self, site: str) -> int:
        """Return the time of the newest observation of the last station of a site; 0 for none."""
        if site not in self._readers:
            with suppress(Exception):  # its tables are being made
                database = PostgresDatabase(self.server.dsn, site, make=False, spare_sessions=1)
                self._readers[site] = (database, SqlStore(database))
        if site not in self._readers:
            return 0
        found = self._readers[site][1].latest([self.nodes[site].channels[-1]])
        return int(found["measured_at_ms"].iloc[0]) if len(found) else 0

    def await_worked(self, until_ms: int) -> float:
        """Wait until every site is receipted and worked on up to a slot; return how long it took. [s]"""
        began_s = time.monotonic()
        for site, node in self.nodes.items():
            self._until(lambda n=node, s=site: n.received >= n.seq and self.worked_to_ms(s) >= until_ms, 0.5)  # type: ignore[misc]
        return time.monotonic() - began_s

    def _until(self, condition: object, pause_s: float = 0.05) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while True:
            with suppress(OSError):
                if condition():  # type: ignore[operator]
                    return
            if any(worker.poll() is not None for worker in self._workers) or time.monotonic() > end_s:
                raise RuntimeError(f"a worker ended, or nothing came in {PATIENCE_S:g} s; see {self._folder}")
            time.sleep(pause_s)

    def cpu_s(self) -> dict[str, float]:
        """Return the processor time so far of workers, pages, server and broker. [s]"""
        return {
            "workers": sum(_cpu_s(worker.pid) for worker in self._workers),
            "pages": 0.0 if self._pages is None else _cpu_s(self._pages.pid),
            "postgres": server_cpu_s(self.server.pid),
            "broker": _cpu_s(self._broker.pid),
        }

    def memory_mb(self) -> dict[str, float]:
        """Return the memory of workers, pages, server and broker, shared pages counted once. [MB]"""
        postgres = self.server.pid
        return {
            "workers": sum(_memory_mb(worker.pid) for worker in self._workers),
            "pages": 0.0 if self._pages is None else _memory_mb(self._pages.pid),
            "postgres": _memory_mb(postgres) + sum(map(_memory_mb, _children(postgres))),
            "broker": _memory_mb(self._broker.pid),
        }

    def disk_mb(self) -> float:
        """Return what the database has on disk. [MB]"""
        with psycopg.connect(self.server.dsn) as session:
            found = session.execute("SELECT pg_database_size(current_database())").fetchone()
        assert found is not None
        return float(found[0]) / 1e6

    def threads(self) -> int:
        """Return how many threads the workers have."""
        return sum(len(list(Path(f"/proc/{worker.pid}/task").iterdir())) for worker in self._workers)

    def sessions(self) -> int:
        """Return how many processes the server has."""
        return len(_children(self.server.pid))

    def close(self) -> None:
        """End every process."""
        self._stop.set()
        self._client.loop_stop()
        for database, _ in self._readers.values():
            database.close()
        for process in [*self._workers, *([] if self._pages is None else [self._pages])]:
            process.kill()
            process.wait()
        self._broker.kill()
        self._broker.wait()
        self.server.remove()


def _cpu_s(pid: int) -> float:
    """Return the processor time of a process; 0 once it is gone. [s]"""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return sum(map(int, fields[11:13])) / TICKS


def _children(pid: int) -> list[int]:
    return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def _memory_mb(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1000


@dataclass
class Steady:
    """What the real time cost: processor time by part [s], over how long [s], lags [s], and slots taken."""

    cpu_s: dict[str, float]
    took_s: float
    lags_s: list[float]
    slots: int

    @property
    def share(self) -> float:
        return sum(self.cpu_s.values()) / self.took_s / (os.cpu_count() or 1)

    @property
    def lag_p95_s(self) -> float:
        return sorted(self.lags_s)[int(len(self.lags_s) * 0.95)] if self.lags_s else float("nan")


def steady(rig: Rig, minutes: float, every_s: float) -> Steady:
    """Have each node send a slot every so often, the sites spread over it."""
    names = list(rig.nodes)
    next_s = {name: time.monotonic() + n * every_s / len(names) for n, name in enumerate(names)}
    before, began_s, slots = rig.cpu_s(), time.monotonic(), 0
    open_slots: list[tuple[str, int, float]] = []
    lags_s: list[float] = []
    asked_s, turn = began_s, 0
    while time.monotonic() - began_s < minutes * 60:
        now_s = time.monotonic()
        for name, due_s in next_s.items():
            if now_s >= due_s:
                at_ms = round(time.time() * 1000)
                rig.take(rig.nodes[name], at_ms)
                next_s[name], slots = due_s + every_s, slots + 1
                open_slots.append((name, at_ms, now_s))
        if rig.has_pages and now_s - asked_s >= PAGE_EVERY_S:
            asked_s, turn = now_s, turn + 1
            if rig.ask_page(names[turn % len(names)]) != 200:
                raise RuntimeError("a page was not shown")
        done = [one for one in open_slots if rig.worked_to_ms(one[0]) >= one[1]]
        lags_s += [time.monotonic() - one[2] for one in done]
        open_slots = [one for one in open_slots if one not in done]
        time.sleep(0.25)
    after, took_s = rig.cpu_s(), time.monotonic() - began_s
    lags_s += [time.monotonic() - one[2] for one in open_slots]  # at least so long
    return Steady({part: after[part] - before[part] for part in after}, took_s, lags_s, slots)


def told(parts: dict[str, float], spec: str) -> str:
    """Return figures by part, in words."""
    return ", ".join(f"{part} {value:{spec}}" for part, value in parts.items())


def history(rig: Rig, first_ms: int, end_ms: int) -> int:
    """Have each node take the slots of a span; return the time of the last."""
    for at_ms in range(first_ms, end_ms, SLOT_MS):
        for node in rig.nodes.values():
            rig.take(node, at_ms)
    return range(first_ms, end_ms, SLOT_MS)[-1]


def rest(given: argparse.Namespace, mosquitto: str) -> bool:
    """Print what sites cost at rest: each of them, and the workers, server and broker beside."""
    shares: dict[int, float] = {}
    for sites in REST_SITES:
        with tempfile.TemporaryDirectory() as name:
            rig = Rig(Path(name), mosquitto, sites, given.stations)
            try:
                now_ms = round(time.time() * 1000) // SLOT_MS * SLOT_MS
                rig.start_workers()
                rig.await_worked(history(rig, now_ms - round(given.history_h * 3_600_000) // SLOT_MS * SLOT_MS, now_ms))
                time.sleep(SETTLE_S)
                before, began_s = rig.cpu_s(), time.monotonic()
                time.sleep(given.minutes * 60)
                after, took_s = rig.cpu_s(), time.monotonic() - began_s
                parts = {part: 100 * (after[part] - before[part]) / took_s for part in after}
                shares[sites] = sum(parts.values()) / 100
                print(f"{sites} sites at rest: {told(parts, '.2f')} % of a processor, over {took_s:.0f} s; "
                      f"{rig.threads()} threads of the workers", flush=True)  # fmt: skip
            finally:
                rig.close()
    few, many = REST_SITES
    each = (shares[many] - shares[few]) / (many - few)
    value = f"{100 * each:.3f} % of a processor ({100 * (shares[few] - few * each):.2f} % beside)"
    return measured("a site at rest", value, each / REST_MOST, 1.0, of=f"{100 * REST_MOST:g} %")


def one_size(given: argparse.Namespace, mosquitto: str, sites: int, *, outage: bool) -> tuple[Steady, bool]:
    """Run all of it with so many sites, and print what was measured."""
    with tempfile.TemporaryDirectory() as name:
        rig = Rig(Path(name), mosquitto, sites, given.stations)
        try:
            now_ms = round(time.time() * 1000) // SLOT_MS * SLOT_MS
            outage_ms = now_ms - round(given.outage_h * 3_600_000) // SLOT_MS * SLOT_MS
            rig.start_workers()
            print(f"{sites} sites held by all after {rig.await_held():.0f} s", flush=True)
            last_ms = history(rig, outage_ms - round(given.history_h * 3_600_000) // SLOT_MS * SLOT_MS, outage_ms)
            took_s, good = rig.await_worked(last_ms), True
            stations = sites * given.stations
            print(f"{stations} stations: {given.history_h:g} h of history worked on in {took_s:.0f} s", flush=True)
            rig.stop_workers()
            disk_mb = rig.disk_mb()
            last_ms = history(rig, outage_ms, now_ms)
            rig.start_workers()
            held_s = rig.await_held()
            print(f"{sites} sites held again by all after {held_s:.0f} s", flush=True)
            took_s = held_s + rig.await_worked(last_ms)
            grown_kb = 1000 * (rig.disk_mb() - disk_mb) / (stations * given.outage_h / 24)
            print(f"database {rig.disk_mb():.0f} MB, {grown_kb:.0f} kB of it a station and day", flush=True)
            if outage:
                value = f"{took_s:.0f} s ({stations} stations, {given.outage_h:g} h)"
                good = measured("catch-up after an outage", value, took_s / CATCH_UP_MOST_S, 1.0, of="20 minutes")
                rig.start_pages()
            found = steady(rig, given.minutes, given.every_s)
            print(f"{stations} stations: {told(found.cpu_s, '.1f')} s of processor in {found.took_s:.0f} s; "
                  f"{told(rig.memory_mb(), '.0f')} MB; {rig.sessions()} processes of the server; "
                  f"{rig.threads()} threads of the workers; "
                  f"lag {sorted(found.lags_s)[len(found.lags_s) // 2]:.1f} s in the middle", flush=True)  # fmt: skip
            return found, good
        finally:
            rig.close()


def main() -> int:
    """0 when every limit is kept."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=100)
    parser.add_argument("--stations", type=int, default=10, help="of each site")
    parser.add_argument("--minutes", type=float, default=30.0, help="of real time")
    parser.add_argument("--every-s", type=float, default=900.0, help="between two slots of a node")
    parser.add_argument("--history-h", type=float, default=24.0, help="before the outage")
    parser.add_argument("--outage-h", type=float, default=24.0)
    parser.add_argument("--scale", action="store_true", help="the cost of a station with 1, 10 and 100 sites")
    parser.add_argument("--rest", action="store_true", help="the cost of a site at rest, with 10 and 40 of them")
    given = parser.parse_args()
    mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if mosquitto is None or find_postgres() is None:
        print("found no mosquitto or no postgres, expected both (Debian: apt-get install mosquitto postgresql)")
        return 1
    if given.rest:
        return int(not rest(given, mosquitto))
    if given.scale:
        costs = {}
        for sites in (1, 10, 100):
            found, _ = one_size(given, mosquitto, sites, outage=False)
            costs[sites] = sum(found.cpu_s.values()) / (found.slots * given.stations)
        value = ", ".join(f"{1000 * cost:.1f} at {n * given.stations}" for n, cost in costs.items())
        value = f"{value} ms of processor"
        return int(
            not measured("a slot of a station, by stations", value, costs[100] / costs[10], FLAT_MOST, of="at 100")
        )
    found, good = one_size(given, mosquitto, given.sites, outage=True)
    stations = given.sites * given.stations
    share, lag = f"{found.share:.2f} of {os.cpu_count()} processors ({stations} stations)", f"{found.lag_p95_s:.1f} s"
    within = [
        good,
        measured("many sites: processor", share, found.share / SHARE_MOST, 1.0, of=f"{SHARE_MOST:g}"),
        measured("many sites: lag p95", f"{lag} (n {found.slots})", found.lag_p95_s / LAG_MOST_S, 1.0, of="120 s"),
    ]
    return int(not all(within))


if __name__ == "__main__":
    sys.exit(main())
