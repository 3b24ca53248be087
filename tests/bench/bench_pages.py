"""What pages and data cost a server with a year behind it, beside a bare route of the same server.

    python tests/bench/bench_pages.py [SEED]

Two stations of six depths of moisture, 12 channels in all, every 15 minutes for a year that ends now: stored through
the journal and worked out by the stages. A process of its own serves it with all its parts. 20 readers, in this
process, each ask 1 s after their last answer, kept alive and taking gzip as a browser does. Of each address two figures
are printed as ratios to a route of the same server that does nothing: processor time a request (what the server uses
without readers is taken off) and the 95th percentile of the time to the last byte. What is asked for again within a
minute is read once; so a year by the hour is asked for in two ways, the second time each time of another span. Then 20
readers page through the raw year, and the memory of the process after all that is held against what it was before. The
bytes of a page are those on the line, beside the most that its design has room for. A large read may be refused with
503 while others run: it is counted apart. Exits 1 when a limit is missed.
"""

from __future__ import annotations

import http.client
import json
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlencode

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.store import cpu_s, store_settings  # noqa: E402
from tests.bench.table import measured  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Iterator

READERS = 20
PAUSE_S = 1.0
HEALTHZ_PAUSE_S = 0.05  # so many that their median is one
RUN_S = 8.0
REST_S = 2.0
BARE = "/bare"
MOISTURE = [f"{s}/{c}" for s in ("s1", "s2")
            for c in ("t1/moisture", *(f"p1/moisture_{d:03d}" for d in (35, 65, 110, 160, 220)))]  # fmt: skip
DAY_MS, HOUR_MS, SLOT_MS = 86_400_000, 3_600_000, 900_000
OUTBOX = ("meadow", "hut", "0123456789abcdef")
# Greatest ratios to the bare route, of processor time a request and of the 95th percentile; None is not limited. Beside
# them what they were before facts were kept and series were written by column.
LIMITS: dict[str, tuple[float, float | None, str, str]] = {
    "today": (6.0, 5.0, "24.3", "55"),
    "work": (10.0, 8.0, "8.7", "10"),
    "station": (10.0, 8.0, "70.9", "193"),
    "month of observations": (25.0, None, "41.2", "136"),
    "year by hour": (40.0, None, "135", "522"),
    "year by hour, each another": (40.0, None, "135", "-"),
}
HEALTHZ_MOST_MS = 3.0
# Most bytes of a page, packed: for the first three they keep a phone on 400 kbit/s from waiting. [kB of 1000 bytes]
BUDGET_KB = {
    "/": 10.0, "/stations/s1": 18.0, "/work": 10.0, "/season/square": 10.0, "/sheet/square": 10.0, "/ground": 8.0,
    "/diary": 8.0,
}  # fmt: skip
MEMORY_MOST = 1.3

SETTINGS = """
[site]
name = "meadow"
title = "Meadow Ground"
latitude_deg = 52.0
longitude_deg = 0.0
[data]
dir = "data"
[broker]
kind = "embedded"
port = {broker_port}
[pages]
port = {port}
[climate]
rain_mm = [62, 46, 46, 46, 50, 50, 48, 56, 56, 70, 66, 62]
wet_days = [14, 11, 12, 11, 11, 10, 9.5, 10, 10, 13, 14, 14]
highest_degc = [8, 8.5, 11, 14, 17, 20, 22.5, 22, 19, 15, 11, 8.5]
lowest_degc = [2.5, 2.5, 3.5, 5, 8, 11, 13, 12.5, 10.5, 8, 5, 3]
[[surface]]
name = "square"
title = "Square"
kind = "square"
"""
CORES = {"2024-02-20": 15}


def free_port() -> int:
    """A TCP port on loopback that nobody listens on."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def build(folder: Path, port: int, broker_port: int, seed: int, *, days: int = 365) -> tuple[int, list[str]]:
    """Make the settings and the record: readings, observations, findings, and rules walked until a day ago.

    Returns
    -------
    (int, list of str)
        Number of the last reading in its outbox, and the channels.
    """
    from hardware.reading import Batch, Reading, Status
    from pipeline.alerts.runner import first_states
    from pipeline.service import load_settings
    from pipeline.stages.recompute import recompute, station_context
    from pipeline.store.opening import open_stores
    from pipeline.worker import WORKED_KEY
    from tests.bench.bench_recompute import BATCH, SLOTS, station_settings, year

    text = SETTINGS.format(port=port, broker_port=broker_port)
    text += station_settings("s1", "north end", CORES)
    text += station_settings("s2", "south end", CORES, has_weather=False)
    (folder / "site.toml").write_text(text + store_settings(folder))
    config = load_settings(folder / "site.toml")
    values = year(seed)
    values |= {f"s2{name[2:]}": series for name, series in year(seed + 1).items() if "w1" not in name}
    slots = days * DAY_MS // SLOT_MS
    columns = {name: series[SLOTS - slots :].tolist() for name, series in values.items()}
    now_ms = int(time.time() * 1000)
    start_ms = now_ms // SLOT_MS * SLOT_MS - (slots - 1) * SLOT_MS
    stores = open_stores(config)
    seq, waiting = 0, []
    for i in range(slots):
        at_ms = start_ms + i * SLOT_MS
        slot = str(at_ms // 1000)
        for channel, series in columns.items():
            seq, raw = seq + 1, series[i]
            silent = raw != raw
            waiting.append(
                Reading(*OUTBOX, seq, channel, slot, at_ms, None if silent else raw,
                        Status.SILENT if silent else Status.OK, 1, True)
            )  # fmt: skip
            if len(waiting) == BATCH or (i == slots - 1 and channel == list(columns)[-1]):
                stores.journal.append(Batch(*OUTBOX, 1, tuple(waiting)), at_ms)
                waiting = []
    stores.journal.keep_note(WORKED_KEY, {f"{o.site}/{o.node}/{o.outbox_id}": o.received
                                          for o in stores.journal.outboxes()})  # fmt: skip
    for station in config.stations():
        context = station_context(config, station, stores.diary, stores.store)
        recompute(stores.store, context)
        states = first_states(context, now_ms - DAY_MS, of_surface=station == "s1")
        stores.journal.save_alerts({key: state.to_json() for key, state in states.items()}, [])
    stores.close()
    return seq, list(columns)


class FastClock:
    """A clock that runs so many times as fast as the machine's from a moment on [ms since 1970; s, monotonic]."""

    def __init__(self, start_ms: int, began_s: float, rate: float) -> None:
        self._start_ms, self._began_s, self._rate = start_ms, began_s, rate

    def now_ms(self) -> int:
        return self._start_ms + round((time.monotonic() - self._began_s) * 1000 * self._rate)

    def monotonic(self) -> float:
        return time.monotonic()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(seconds)


def serve(folder: Path, start_ms: int, began_s: float, rate: float) -> int:
    """Serve the folder as `underturf serve` does, with the bare route, which tells the processor time used so far."""
    from api.app import create_app
    from api.load import keep_memory_returnable
    from api.serve import PagesServer, listen
    from pipeline.service import Pipeline, load_settings

    config = load_settings(folder / "site.toml")
    keep_memory_returnable()
    with listen(config.pages) as listener:
        pipeline = Pipeline(config, clock=FastClock(start_ms, began_s, rate))
        app = create_app(pipeline)
        app.get(BARE)(lambda: {"cpu_s": cpu_s()})
        server = PagesServer(app)
        pipeline.start()
        server.run(sockets=[listener])
        pipeline.stop()
    return 0


@dataclass
class Server:
    """The serving process, seen from outside."""

    pid: int
    port: int
    idle: float = 0.0  # processor seconds a second without readers

    def connect(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)

    def cpu_s(self) -> float:
        return float(json.loads(ask(self.connect(), BARE)[1])["cpu_s"])

    def has_advised(self) -> bool:
        try:
            return ask(self.connect(), "/api/v1/advice")[0] == 200
        except OSError:  # it does not listen yet
            return False

    def is_at_rest(self) -> bool:
        """Note what it uses without readers over some seconds; whether that is little."""
        before_s = self.cpu_s()
        time.sleep(REST_S)  # the time over which it is counted
        self.idle = (self.cpu_s() - before_s) / REST_S
        return self.idle < 0.05

    def memory_mb(self) -> float:
        status = Path(f"/proc/{self.pid}/status").read_text()
        return int(status.partition("VmRSS:")[2].split()[0]) / 1024


@dataclass
class Told:
    """What readers got: seconds to the last byte, by answer; bytes on the line."""

    seconds: list[float] = field(default_factory=list)
    refused: int = 0
    size: int = 0

    @property
    def p95_s(self) -> float:
        return statistics.quantiles(self.seconds, n=20)[-1]


def ask(connection: http.client.HTTPConnection, path: str, *, encoding: str = "gzip") -> tuple[int, bytes]:
    """Status and body as they come on the line."""
    connection.request("GET", path, headers={"Accept-Encoding": encoding})
    answer = connection.getresponse()
    return answer.status, answer.read()


def readers(
    server: Server, paths: list[str], count: int = READERS, run_s: float = RUN_S, pause_s: float = PAUSE_S
) -> tuple[Told, float]:
    """Let readers ask for these paths, each `pause_s` after its last answer; what they got, and its CPU time. [s]

    Of many paths each reader has a part of its own, from which it begins.
    """
    told, lock, end_s = Told(), threading.Lock(), time.monotonic() + run_s

    def one(number: int) -> None:
        connection, turn = server.connect(), number * (len(paths) // count)
        time.sleep(random.Random(number).random() * pause_s)  # readers do not begin all at once
        while time.monotonic() < end_s:
            began_s = time.monotonic()
            status, body = ask(connection, paths[turn % len(paths)])
            took_s, turn = time.monotonic() - began_s, turn + 1
            with lock:
                if status == 200:
                    told.seconds.append(took_s)
                    told.size = max(told.size, len(body))
                elif status == 503:
                    told.refused += 1
                else:
                    raise RuntimeError(f"{paths}: found answer {status}, {body[:200]!r}")
            time.sleep(pause_s)  # the pace of a reader

    before_s, began_s = server.cpu_s(), time.monotonic()
    threads = [threading.Thread(target=one, args=(n,)) for n in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    used_s = server.cpu_s() - before_s - server.idle * (time.monotonic() - began_s)
    return told, used_s


@contextmanager
def serving(folder: Path, port: int, clock: tuple[int, float, float] | None = None) -> Iterator[Server]:
    """The server, warm and at rest: it has advised, and nothing waits. `clock` is for `FastClock`."""
    from tests.pipeline.conftest import wait_until  # here, as the serving process has no need of it

    clock = (int(time.time() * 1000), time.monotonic(), 1.0) if clock is None else clock
    process = subprocess.Popen([sys.executable, __file__, "--serve", str(folder), *map(str, clock)])
    server = Server(process.pid, port)
    try:
        wait_until(server.has_advised, "the server has advised", 120.0)
        with suppress(AssertionError):  # a machine on which it never comes to rest: what it uses is taken off
            wait_until(server.is_at_rest, "the server is at rest", 60.0)
        yield server
    finally:
        process.terminate()
        process.wait(20)


def main() -> int:
    """Print a line of each figure; 1 when a limit is missed."""
    if sys.argv[1:2] == ["--serve"]:
        return serve(Path(sys.argv[2]), int(sys.argv[3]), *map(float, sys.argv[4:6]))
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        began_s = time.monotonic()
        build(folder, port, free_port(), seed)
        print(f"seed {seed}: 12 channels of moisture, a year, made in {time.monotonic() - began_s:.0f} s")
        now_ms = int(time.time() * 1000)
        with serving(folder, port) as server:
            within = list(measure(server, now_ms))
    return int(not all(within))


def measure(server: Server, now_ms: int) -> Iterator[bool]:
    """Ask for everything, the bare route first; print a line of each figure and say whether it keeps its limit."""
    addresses = {
        "today": "/", "work": "/work", "station": "/stations/s1",
        "month of observations": _observations("raw", now_ms - 30 * DAY_MS, now_ms, MOISTURE[:1]),
        "year by hour": _observations("hour", now_ms - 365 * DAY_MS, now_ms, MOISTURE[:1]),
    }  # fmt: skip
    for path in addresses.values():
        ask(server.connect(), path)
    asked = {name: [path] for name, path in addresses.items()}
    asked["year by hour, each another"] = [  # more than are asked for: nothing that was read before is asked for again
        _observations("hour", now_ms - 365 * DAY_MS - k * HOUR_MS, now_ms - k * HOUR_MS, [MOISTURE[k % len(MOISTURE)]])
        for k in range(1, 20 * READERS)
    ]
    memory_mb = server.memory_mb()
    bare, used_s = readers(server, [BARE])
    bare_s = used_s / len(bare.seconds)
    # The quicker of two runs: another program on this machine must not make pages look quick.
    bare_p95_s = min(bare.p95_s, readers(server, [BARE])[0].p95_s)
    print(
        f"bare route: {bare_s * 1e3:.2f} ms of CPU, 95 % within {bare_p95_s * 1e3:.1f} ms; at rest "
        f"{server.idle * 100:.1f} % of a core, {memory_mb:.0f} MB"
    )
    health, _ = readers(server, ["/healthz"], 1, 5.0, HEALTHZ_PAUSE_S)
    median_ms = statistics.median(health.seconds) * 1e3
    yield measured(
        "/healthz kept alive, one reader",
        f"{median_ms:.1f} ms (n {len(health.seconds)})",
        median_ms / HEALTHZ_MOST_MS,
        1.0,
        of=f"{HEALTHZ_MOST_MS:g} ms",
        before="0.74",
    )
    for name, paths in asked.items():
        told, used_s = readers(server, paths)
        cpu_most, p95_most, cpu_before, p95_before = LIMITS[name]
        each_s, refused = used_s / len(told.seconds), f", {told.refused} refused" if told.refused else ""
        what = f"{each_s * 1e3:.1f} ms (n {len(told.seconds)}{refused}, {told.size / 1024:.0f} KiB)"
        yield measured(f"{name}, CPU", what, each_s / bare_s, cpu_most, of="bare route", before=cpu_before)
        waited = told.p95_s / bare_p95_s
        yield measured(
            f"{name}, p95", f"{told.p95_s * 1e3:.1f} ms", waited, p95_most, of="bare route", before=p95_before
        )
    for path, most_kb in BUDGET_KB.items():
        packed = len(ask(server.connect(), path)[1]) / 1000
        raw = len(ask(server.connect(), path, encoding="identity")[1]) / 1000
        value = f"{packed:.1f} kB packed, {raw:.1f} kB in all"
        yield measured(f"bytes of {path}", value, packed / most_kb, 1.0, of=f"{most_kb:g} kB")
    after_mb = rested_mb(server)
    yield measured(
        "memory after the pages", f"{after_mb:.0f} MB", after_mb / memory_mb, MEMORY_MOST, of="before", before="1.84"
    )
    pages = [_observations("raw", now_ms - 365 * DAY_MS, now_ms - n * DAY_MS, MOISTURE) for n in range(0, 300, 7)]
    told, _ = readers(server, pages)
    after_mb = rested_mb(server)
    what = f"{after_mb:.0f} MB ({len(told.seconds)} answers, {told.refused} refused)"
    ratio = after_mb / memory_mb
    yield measured("memory after 20 readers of a raw year", what, ratio, MEMORY_MOST, of="before", before="2.10")


def rested_mb(server: Server) -> float:
    """Memory a while after the last answer. [MB]"""
    time.sleep(REST_S)  # freed memory goes back after the last large read has ended
    return server.memory_mb()


def _observations(every: str, start_ms: int, end_ms: int, channels: list[str]) -> str:
    def time_of(at_ms: int) -> str:
        return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at_ms / 1000))

    query = [("channel", c) for c in channels]
    query += [("from", time_of(start_ms)), ("to", time_of(end_ms)), ("every", every), ("limit", "10000")]
    return f"/api/v1/observations?{urlencode(query)}"


if __name__ == "__main__":
    sys.exit(main())
