"""The series on a real InfluxDB server: nothing lost when it is killed, and what it costs beside a file.

    python tests/bench/bench_influx.py [kills|ratios|year|advice|chain ...] [--seed 1]

kills: readings flow into the journal and are fed while `influxd` is killed 20 times at random moments, and stopped
while an hour of them comes (one a second of their own time, sent faster). In the second run its disk is put back to an
older state at every other kill, as a power cut or a restored copy does. Then weeks pass on the clock until the journal
has let all go, and what is on the server is counted: lost and twice must be 0. The control lets go what the server has
answered 204 to, and reads nothing back.
ratios: the same rows written and read by the store and by influxdb-client as it comes.
year: the pages of a year of three stations, on the server and in a file.
advice: the requests of an hour of advice; at most 10.
chain: `underturf demo --once --store influx`: 100 days of three stations by serial line, MQTT, journal, server and
stages. Every reading receipted must be on the server once, and observations and findings those of a file filled with
the same readings.
Without a name all but the chain are run. Prints, and exits 1 when a limit is missed.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import tomli_w  # noqa: E402
from fastapi.testclient import TestClient  # noqa: E402
from influxdb_client.client.influxdb_client import InfluxDBClient  # noqa: E402
from influxdb_client.client.write.dataframe_serializer import DataframeSerializer  # noqa: E402
from influxdb_client.client.write_api import PointSettings  # noqa: E402

from api.app import create_app  # noqa: E402
from hardware.reading import Batch, Reading, Status  # noqa: E402
from pipeline.advice.advisor import AdviceCache, site_advice  # noqa: E402
from pipeline.errors import StoreFault  # noqa: E402
from pipeline.service import Pipeline, load_settings  # noqa: E402
from pipeline.site.server import StoreConfig  # noqa: E402
from pipeline.stages.field_limits import LIMIT_QUANTITIES  # noqa: E402
from pipeline.stages.recompute import in_order  # noqa: E402
from pipeline.store import OBSERVATION_COLUMNS  # noqa: E402
from pipeline.store.database import Database  # noqa: E402
from pipeline.store.influx import InfluxStore  # noqa: E402
from pipeline.store.journal import Journal  # noqa: E402
from pipeline.store.opening import (  # noqa: E402
    STAY_MS,
    Feeder,
    open_stores,
)
from tests.api.site import SETTINGS, Ground, ground_at  # noqa: E402
from tests.api.site import readings as ground_readings  # noqa: E402
from tests.bench.table import measured  # noqa: E402
from tests.influx_server import InfluxServer  # noqa: E402
from tests.pipeline.conftest import wait_until  # noqa: E402
from tests.pipeline.hand import HOUR_MS, OUTBOX, START_MS  # noqa: E402
from tests.pipeline.store.keeping import keep  # noqa: E402

KILLS, BATCH, HOUR_OF_READINGS = 20, 24, 3600
T0_MS = 1_704_067_200_000
END_MS = 2**61
ROUND_TRIPS_MOST = 10
WRITE_LEAST, READ_LEAST = 0.9, 0.5  # of what the client does as it comes
failed: list[str] = []


def verdict(name: str, *, good: bool) -> str:
    if not good:
        failed.append(name)
    return "ok" if good else "MISSED"


@contextmanager
def influxd(folder: Path) -> Iterator[InfluxServer]:
    program = shutil.which("influxd")
    if program is None:
        sys.exit("influxd is not installed (Debian: apt-get install influxdb)")
    server = InfluxServer(program, folder / "influxd").start()
    try:
        yield server
    finally:
        server.kill()


# --- kills ---------------------------------------------------------------------------------------------------------


class TrustingFeeder(Feeder):
    """The control: lets go what the server has answered well to, and never reads anything back."""

    def step(self, now_ms: int) -> None:  # type: ignore[override]
        waiting = self._journal.waiting(limit=50)
        self._store.append_arrivals([(run.readings, run.received_at_ms) for run in waiting])
        self._journal.mark_read_back(waiting, now_ms)
        self._journal.let_go(waiting)


def flow(folder: Path, seed: int, *, rolled_back: bool, control: bool) -> None:
    """Kill the server while readings flow, let seven days pass, and count."""
    rng, pause = random.Random(seed), threading.Event()
    with influxd(folder) as server, closing(Database(folder / "journal.db")) as database:
        journal = Journal(database, feeding=True)
        store = InfluxStore(StoreConfig(kind="influx", url=server.url, bucket="turf"), "club")
        feeder = (TrustingFeeder if control else Feeder)(journal, store)
        shift_ms, faults, sent = 0, 0, 0
        ended = threading.Event()

        def feed() -> None:
            nonlocal faults
            while not ended.is_set():
                try:
                    feeder.step(T0_MS + shift_ms)
                except StoreFault:
                    faults += 1
                    pause.wait(0.05)
                pause.wait(0.002)

        def send(count: int) -> None:
            nonlocal sent
            for first in range(sent + 1, sent + count + 1, BATCH):
                rows = tuple(numbered(seq) for seq in range(first, min(first + BATCH, sent + count + 1)))
                journal.append(Batch("club", "north", OUTBOX, 1, rows), rows[-1].measured_at_ms)
                pause.wait(0.005)
            sent += count

        feeding = threading.Thread(target=feed)
        feeding.start()
        for kill in range(KILLS):
            sending = threading.Thread(target=send, args=(rng.randint(500, 1500),))
            sending.start()
            pause.wait(rng.uniform(0.05, 0.4))
            server.kill()
            if rolled_back and kill % 2:
                server.put_back(folder / "older")
            elif rolled_back:
                server.keep_copy(folder / "older")
            pause.wait(rng.uniform(0.0, 0.3))
            server.start()
            sending.join()
        server.kill()
        send(HOUR_OF_READINGS)
        server.start()
        wait_until(lambda: journal.waiting_readings() == 0, "the feeder has nothing to send", 120.0)
        while database_rows(database):  # what is found lost is written again, and stays another week
            shift_ms += STAY_MS + 1
            pause.wait(0.5)
            wait_until(lambda: journal.waiting_readings() == 0, "the feeder has nothing to send", 120.0)
        ended.set()
        feeding.join()
        lost = len(store.not_held([numbered(seq) for seq in range(1, sent + 1)]))
        twice = len(store.raw([f"s1/p1/c{i}" for i in range(4)], 0, END_MS)) - (sent - lost)
        store.close()
    name = f"{'control' if control else 'kills'}{', disk put back' if rolled_back else ''}"
    good = "printed" if control else verdict(name, good=lost == 0 == twice)
    met = f"{KILLS} kills and an hour without, {faults} faults waited out"
    print(f"{name}: {met}: lost {lost}, twice {twice} of {sent}: {good}", flush=True)


def numbered(seq: int) -> Reading:
    at_ms = T0_MS + seq * 1000
    return Reading(
        "club", "north", OUTBOX, seq, f"s1/p1/c{seq % 4}", str(at_ms // 1000), at_ms, seq / 8, Status.OK, 1, True
    )


def database_rows(database: Database) -> int:
    with database.reading() as connection:
        return int(connection.execute("SELECT count(*) FROM run").fetchone()[0])


def kills(folder: Path, seed: int) -> None:
    for rolled_back in (False, True):
        for control in (False, True):
            flow(folder / f"{rolled_back}-{control}", seed, rolled_back=rolled_back, control=control)


# --- ratios --------------------------------------------------------------------------------------------------------


def ratios(folder: Path, seed: int) -> None:
    """Write and read the same observations by the store and by the client as it comes; the best of three each."""
    rng = np.random.default_rng(seed)
    channels, slots = [f"s1/p1/c{i}" for i in range(6)], 10_000
    columns = (
        np.repeat(channels, slots), np.tile(T0_MS + np.arange(slots) * 900_000, 6), rng.random(6 * slots),
        rng.random(6 * slots), 1, 17, T0_MS,
    )  # fmt: skip
    frame = pd.DataFrame(dict(zip(OBSERVATION_COLUMNS, columns, strict=True)))
    with influxd(folder) as server:
        store = InfluxStore(StoreConfig(kind="influx", url=server.url, bucket="turf"), "club")
        store.meet()
        client = InfluxDBClient(server.url, "", org="-").api_client

        def call(path: str, query: dict[str, object], **content: object) -> object:
            kind = "application/x-www-form-urlencoded" if "post_params" in content else "text/plain"
            return client.call_api(
                path, "POST", query_params=query, header_params={"Content-Type": kind}, _preload_content=False,
                _return_http_data_only=True, **content,
            )  # fmt: skip

        def write_bare() -> None:
            points = frame.drop(columns="measured_at_ms").assign(site="bare", stage_version="17")
            points.index = pd.to_datetime(frame["measured_at_ms"], unit="ms", utc=True)
            for first in range(0, len(points), 5000):
                serializer = DataframeSerializer(
                    points.iloc[first : first + 5000], PointSettings(), data_frame_measurement_name="observation",
                    data_frame_tag_columns=["site", "channel"],
                )  # fmt: skip
                call("/write", {"db": "turf", "precision": "ns"}, body="\n".join(serializer.serialize()))

        def read_bare() -> int:
            text = f"SELECT raw, value, flag, stage_version, received_at_ms FROM observation WHERE site = 'bare' AND \
time >= {T0_MS}ms AND time < {T0_MS + slots * 900_000}ms GROUP BY channel"
            told = json.loads(call("/query", {"db": "turf", "epoch": "ms"}, post_params={"q": text}).data)  # type: ignore[attr-defined]
            series = told["results"][0]["series"]
            whole = [pd.DataFrame(s["values"], columns=s["columns"]).assign(**s["tags"]) for s in series]
            return len(pd.concat(whole))

        for name, ours, bare, least in (
            ("write", lambda: store.upsert_observations(frame), write_bare, WRITE_LEAST),
            ("read", lambda: store.observations(channels, 0, END_MS), read_bare, READ_LEAST),
        ):
            mine, theirs = ([], [])
            for _ in range(3):  # in turns, so that a busy machine weighs on both
                mine.append(timed(ours))
                theirs.append(timed(bare))
            ratio = min(theirs) / min(mine)
            good = verdict(name, good=ratio >= least)
            rate = f"{len(frame) / min(mine):,.0f} rows a second"
            print(f"{name}: {rate}, {ratio:.2f} of the client's rate (at least {least}): {good}")
        store.close()


def timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


# --- a year, and an hour of advice ---------------------------------------------------------------------------------


@contextmanager
def grounds(folder: Path, hours: int) -> Iterator[tuple[Ground, Ground]]:
    """The ground of the interface's tests after so many hours, on a server and in a file."""
    with influxd(folder) as server:
        now_ms, made = START_MS + hours * HOUR_MS, []
        for kind, extra in (
            ("influx", f'[store]\nkind = "influx"\nurl = "{server.url}"\nbucket = "turf"\n'),
            ("sqlite", ""),
        ):
            (folder / kind).mkdir()
            ground = ground_at(folder / kind, f"{SETTINGS}\n{extra}", now_ms)
            heard = ground_readings(hours)
            for first in range(0, len(heard), 500):
                batch = Batch("meadow", "node-1", OUTBOX, 1, tuple(heard[first : first + 500]))
                ground.pipeline.journal.append(batch, now_ms)
            while ground.pipeline._feed():
                pass
            for station in ground.pipeline.config.stations():
                ground.pipeline.recompute(station)
            ground.judge()
            made.append(ground)
        yield made[0], made[1]
        for ground in made:
            ground.pipeline.stop()


def year(folder: Path, seed: int) -> None:
    """The pages after a year, in milliseconds: the middle of nine on the server and in a file."""
    with grounds(folder, 365 * 24) as both:
        for path in ("/", "/stations/s1", "/api/v1/summary.txt"):
            middle = []
            for ground in both:
                client = TestClient(create_app(ground.pipeline), "http://localhost", client=("127.0.0.1", 1))
                assert client.get(path).status_code == 200, path
                times = []
                for _ in range(9):
                    ground.pipeline.changes.bump("findings")  # or the page before would be given again
                    times.append(timed(lambda get=client.get, path=path: get(path)))
                middle.append(1000 * statistics.median(times))
            value = f"{middle[0]:.0f} ms ({middle[1]:.0f} in a file)"
            measured(f"{path} after a year", value, middle[0] / middle[1], None, of="a file")


def advice(folder: Path, seed: int) -> None:
    """The requests an hour of advice makes, after the first."""
    with grounds(folder, 20 * 24) as (ground, _):
        store, cache, counts = ground.pipeline.store, AdviceCache(), []
        assert isinstance(store, InfluxStore)
        asked, call = [0], store._call

        def counted(*content: object, **more: object) -> object:
            asked[0] += 1
            return call(*content, **more)  # type: ignore[arg-type]

        store._call = counted  # type: ignore[method-assign]
        for _ in range(4):
            asked[0] = 0
            site_advice(ground.pipeline.config, store, ground.pipeline.diary, ground.clock.now_ms(), cache=cache)
            counts.append(asked[0])
            ground.clock.wall_ms += HOUR_MS
        most = max(counts[1:])
        asks = f"{most} ({counts[0]} the first hour)"
        name = "requests of an hour's advice, 3 stations"
        verdict("advice", good=measured(name, asks, most / ROUND_TRIPS_MOST, 1.0, of=str(ROUND_TRIPS_MOST)))


# --- the whole chain -----------------------------------------------------------------------------------------------


def chain(folder: Path, seed: int) -> None:
    """The demo over the server, then a file filled with the same readings: the same results."""
    with influxd(folder) as server:
        command = [sys.executable, "-m", "api.command", "demo", "--once", "--store", "influx", "--influx", server.url]
        subprocess.run([*command, "--dir", str(folder / "demo")], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
        settings = tomllib.loads((folder / "demo" / "underturf.toml").read_text())
        del settings["clock"]  # the simulator is gone, and its time with it
        (folder / "demo" / "underturf.toml").write_text(tomli_w.dumps(settings))
        del settings["store"]
        (folder / "demo" / "file.toml").write_text(tomli_w.dumps({**settings, "data": {"dir": "file"}}))
        config = load_settings(folder / "demo" / "underturf.toml")
        with closing(open_stores(config)) as stores:
            channels = list(config.channels())
            raw = stores.store.raw(channels, 0, END_MS)
            owed = sum(outbox.received for outbox in stores.journal.outboxes())
            # What the ground learned of its channels while it ran is what a recompute holds by.
            limits = pd.concat([stores.store.findings(channel, LIMIT_QUANTITIES, 0, END_MS) for channel in channels])
        lost, twice = owed - len(raw.drop_duplicates(["channel", "measured_at_ms"])), len(raw) - owed
        good = verdict("chain", good=lost == 0 == twice)
        print(f"chain: lost {lost}, twice {twice} of {owed} readings receipted: {good}")
        other = load_settings(folder / "demo" / "file.toml")
        with closing(open_stores(other)) as stores:
            for at_ms, rows in raw.groupby("received_at_ms"):
                keep(stores.store, [reading_of(config.site.name, row) for row in rows.itertuples()], int(at_ms))
            stores.store.upsert_findings(limits)
        mine, theirs = (results(Pipeline(one, mosquitto=None)) for one in (config, other))
        for name, one, two in zip(("observations", "findings"), mine, theirs, strict=True):
            same = verdict(name, good=one.equals(two))
            print(f"chain: {len(one)} {name} on the server, {len(two)} in a file, the same to the last bit: {same}")


def reading_of(site: str, row: object) -> Reading:
    raw = row.raw if row.status == Status.OK else None  # type: ignore[attr-defined]
    return Reading(
        site, "file", OUTBOX, row.Index + 1, row.channel, row.slot, row.measured_at_ms, raw, Status(row.status), 1,  # type: ignore[attr-defined]
        row.clock_ok,  # type: ignore[attr-defined]
    )  # fmt: skip


def results(pipeline: Pipeline) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All observations and findings, worked out anew."""
    for station in in_order(pipeline.config, pipeline.config.stations()):
        pipeline.recompute(station)
    owners = [*pipeline.config.stations(), *pipeline.config.channels()]
    found = pd.concat([pipeline.store.findings(owner, None, 0, END_MS) for owner in owners], ignore_index=True)
    observed = pipeline.store.observations(list(pipeline.config.channels()), 0, END_MS)
    pipeline.stop()
    return observed, found


PARTS = {"kills": kills, "ratios": ratios, "year": year, "advice": advice, "chain": chain}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="which (default: all but the chain)")
    parser.add_argument("--seed", type=int, default=1)
    parsed = parser.parse_args()
    for name in parsed.parts or [part for part in PARTS if part != "chain"]:
        with tempfile.TemporaryDirectory(prefix=f"underturf-{name}-") as folder:
            PARTS[name](Path(folder), parsed.seed)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
