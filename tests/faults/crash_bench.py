"""Crash bench: agent, broker and pipeline are killed over and over while readings flow; none may be lost or doubled.

    python tests/faults/crash_bench.py --kills 60 --readings 20000 --seed 1
    python tests/faults/crash_bench.py --kills 15 --readings 3000 --seed 1 --without-receipts
    python tests/faults/crash_bench.py --kills 20 --readings 5000 --seed 2 --busy 2

Real processes: the agent's service on pseudo-terminals, mosquitto, `python -m pipeline serve`. Each is killed with
SIGKILL at random moments from a printed seed (the seed fixes the delays, not the scheduling of the machine): one kill
in five anywhere in the first second and a half of its start, the others soon after it was seen to have moved readings
on in this life. Only the latter count towards `--kills`. Half of the broker's and the pipeline's lives end at the very
moment at which a batch passes, before it can be committed, and one in three of the broker's takes the pipeline with it,
as when the power of their box goes. How many kills fell between arrival and commit, and between commit and receipt, is
counted from a listener at the broker and the journal that was left. What is owed is worked out in `accounts`. The agent
frees what has a receipt as soon as it can (`keep_days = 0`), so that only the receipt stands between a reading and its
end. `--busy` keeps so many processors at work beside it.
With `--without-receipts` the agent takes the broker's word instead: the control, which must lose readings. Prints the
counts and exits 1 when they are not as they must be.
"""

from __future__ import annotations

import argparse
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.probe import load_probe  # noqa: E402
from pipeline.service import load_settings as load_site  # noqa: E402
from pipeline.store.opening import open_stores  # noqa: E402
from probe_agent.faults import AgentFault  # noqa: E402
from probe_agent.outbox import Outbox, Peek, peek  # noqa: E402
from tests.faults.accounts import Account, Row, settle  # noqa: E402
from tests.faults.numbered_sensors import ADDRESSES, MODEL, Log, number_of  # noqa: E402
from tests.faults.witness import Witness, committed  # noqa: E402

LINES, SENSORS_A_LINE = ("north", "south"), 6
LOOK_S = 0.05
EARLY_SHARE, EARLY_WITHIN_S = 0.2, 1.5
AIMED_SHARE, AIM_WITHIN_S = 0.5, 5.0  # lives that end when a batch passes; none in this time: killed all the same
TOGETHER_SHARE = 1 / 3  # of the broker's lives: the pipeline dies at the same moment
DRAIN_S = 180.0
STALL_S = 300.0  # a part that moves nothing for so long is broken: the bench gives up
TALK = [word for group in ("MC", "MC1", "MC2") for word in (group, "D0", "D1")]  # five values take two replies

AGENT = """
[agent]
site = "meadow"
node = "hut"
state_dir = "state"
[clock]
trust_hardware = true
[broker]
port = {port}
receipt_timeout_s = 2
[schedule]
interval_s = {interval_s}
rain_interval_s = {interval_s}
[outbox]
keep_days = 0
batch = 50
"""
SITE = """
[site]
name = "meadow"
[broker]
kind = "external"
port = {port}
[[surface]]
name = "square"
title = "Square"
kind = "square"
"""
# The readings' safety rests on receipts alone: the broker keeps nothing on disk.
BROKER = "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nmax_inflight_messages 64\n"


@dataclass
class Part:
    """One process to be killed and started again.

    `moved` gives a figure that rises when the part has done its work, by `unasked` without any. `rest_s` is the mean
    time from the first work in a life to the kill. [s] `aims` says whether some of its lives end when a batch passes;
    whether this one does is `aimed`, and `together` whether it takes the pipeline with it.
    """

    name: str
    command: list[str]
    moved: Callable[[Peek], int]
    rest_s: float
    rng: random.Random
    folder: Path
    unasked: int = 0
    aims: bool = False
    aimed: bool = False
    together: bool = False
    kills: int = 0
    early: int = 0
    ended: list[int] = field(default_factory=list)
    process: subprocess.Popen[bytes] | None = None
    began: float = 0.0
    figure: int | None = None
    kill_at: float | None = None
    is_at_work: bool = False

    def start(self) -> None:
        with (self.folder / f"{self.name}.log").open("ab") as output:
            self.process = subprocess.Popen(self.command, cwd=ROOT, stdout=output, stderr=output)
        self.began = time.monotonic()
        self.figure, self.is_at_work = None, False
        early = self.rng.random() < EARLY_SHARE
        self.kill_at = self.began + self.rng.uniform(0.0, EARLY_WITHIN_S) if early else None
        self.aimed = self.rng.random() < AIMED_SHARE and self.aims and not early
        self.together = self.rng.random() < TOGETHER_SHARE

    def look(self, seen: Peek | None, *, killing: bool, passing: bool, others: Sequence[Part] = ()) -> bool:
        """Kill the part if its moment has come, the others with it; whether it was killed."""
        assert self.process is not None
        if self.process.poll() is not None:
            raise RuntimeError(f"{self.name} ended by itself with {self.process.returncode}: {self._last_words()}")
        if seen is not None:
            self.figure = self.moved(seen) if self.figure is None else self.figure
            self.is_at_work = self.moved(seen) > self.figure + self.unasked
        now = time.monotonic()
        if self.kill_at is None and self.is_at_work:
            self.kill_at = now + min(self.rng.expovariate(1 / self.rest_s), 4 * self.rest_s)
        if killing and self.kill_at is None and now - self.began > STALL_S:
            raise RuntimeError(f"{self.name} has moved nothing for {STALL_S:.0f} s: {self._last_words()}")
        if not killing or self.kill_at is None or now < self.kill_at:
            return False
        if self.aimed and not passing and now < self.kill_at + AIM_WITHIN_S:
            return False
        for part in (self, *others):  # all signals before the first wait
            if part.process is not None:
                part.process.send_signal(signal.SIGKILL)
        for part in (self, *others):
            part.end(signal.SIGKILL)
        self.kills += self.is_at_work
        self.early += not self.is_at_work
        return True

    def _last_words(self) -> str:
        return (self.folder / f"{self.name}.log").read_text(errors="replace")[-2000:]

    def end(self, number: int) -> None:
        """Send the process a signal and wait until it is gone."""
        if self.process is not None:
            if self.process.poll() is None:
                self.process.send_signal(number)
            self.process.wait(30)
            self.ended.append(self.process.returncode)


@dataclass
class Hits:
    """Deaths of the pipeline at work, and how many of them found a batch arrived and not committed, or a commit whose
    receipt had not left. `aimed` counts those timed by a passing batch, `together` those that the broker shared."""

    n: int = 0
    aimed: int = 0
    together: int = 0
    uncommitted: int = 0
    unreceipted: int = 0

    def text(self) -> str:
        """In one line."""
        return (
            f"{self.n} deaths of the pipeline at work, {self.together} with the broker's, {self.aimed} aimed: "
            f"{self.uncommitted} between arrival and commit, {self.unreceipted} between commit and receipt"
        )


@dataclass(frozen=True)
class Outcome:
    """Counts of one run, and how long it took."""

    seed: int
    kills: dict[str, int]
    early: dict[str, int]
    hits: Hits | None  # of the control none: a hole that is not filled looks like a batch on its way
    account: Account
    took_s: float

    def text(self) -> str:
        """The report, in lines."""
        a = self.account
        killed = ", ".join(f"{name} {n} (+{self.early[name]} while it started)" for name, n in self.kills.items())
        bound = (
            f", so with 95 % confidence below {3 / a.committed:.1e}" if a.lost + a.twice == 0 and a.committed else ""
        )
        hits = f"{self.hits.text()}\n" if self.hits is not None else ""
        return (
            f"seed {self.seed}; {self.took_s:.0f} s; SIGKILLs: {killed}\n{hits}"
            f"n = {a.committed} readings committed by the outbox: lost {a.lost}, stored twice {a.twice}{bound}\n"
            f"by the sensors' own log: {a.known} values known to have been committed, lost {a.known_lost}; "
            f"stored but never said {a.invented}; unlike the outbox {a.unlike}; talks left out {a.unclear}"
        )


class Bench:
    """Everything of one run, in a folder."""

    def __init__(self, folder: Path, *, seed: int, receipts: bool, mosquitto: str) -> None:
        self.folder, self.seed = folder, seed
        self._stop = threading.Event()
        self._log = Log(folder / "sensors.log")
        with socket.socket() as listener:
            listener.bind(("127.0.0.1", 0))
            self._port = listener.getsockname()[1]
        self._write_settings()
        program, log = Path(__file__).with_name("numbered_sensors.py"), folder / "sensors.log"
        command = [sys.executable, str(program), str(folder), str(log), str(SENSORS_A_LINE), *LINES]
        self._sensors = subprocess.Popen(command, cwd=ROOT)
        agent = ["-m", "probe_agent", "run", "--config"]
        if not receipts:
            agent = [str(Path(__file__).with_name("agent_without_receipts.py"))]

        def part(name: str, command: list[str], moved: Callable[[Peek], int], rest_s: float) -> Part:
            return Part(name, command, moved, rest_s, random.Random(f"{seed}/{name}"), folder, aims=name != "agent")

        python = sys.executable
        self._witness = Witness(self._port, "meadow", "hut")
        self.agent = part("agent", [python, *agent, str(folder / "agent.toml")], lambda p: p.assigned, 2.0)
        self.broker = part("broker", [mosquitto, "-c", str(folder / "broker.conf")], lambda p: p.received, 2.0)
        serve = [python, "-m", "pipeline", "serve", "--config", str(folder / "site.toml")]
        # By its receipts: where they are not heard the outbox moves on whether or not there is a pipeline.
        self.pipeline = part("pipeline", serve, lambda p: self._witness.receipts, 0.5)
        self.pipeline.unasked = 1  # a receipt that it publishes as soon as it is connected
        self.parts = (self.broker, self.pipeline, self.agent)
        self._hits = Hits()

    def run(self, *, kills: int, readings: int) -> Outcome:
        """Kill until each part was killed so often and so many readings were committed; then let it come to rest."""
        began = time.monotonic()
        self._wait(lambda: "ready" in (self.folder / "sensors.log").read_text(), "the sensors are there")
        for part in self.parts:
            part.start()
        seen = None
        while any(part.kills < kills for part in self.parts) or self._assigned() < readings:
            passing = self._witness.wait(LOOK_S)
            for part in self.parts:
                others = (self.pipeline,) if part is self.broker and part.together else ()
                if part.look(seen, killing=part.kills < kills, passing=passing, others=others):
                    self._killed(part, others)
            seen = self._peek()
        self._drain()
        account = self._account()
        return Outcome(
            self.seed,
            {part.name: part.kills for part in self.parts},
            {part.name: part.early for part in self.parts},
            self._hits if self.agent.command[1] == "-m" else None,
            account,
            time.monotonic() - began,
        )

    def _killed(self, part: Part, others: Sequence[Part]) -> None:
        """Note what a kill cut off, and start again what was killed."""
        if part is self.agent:
            self._log.write("killed")
        if self.pipeline in (part, *others) and self.pipeline.is_at_work:
            journal = committed(self.folder / "data" / "journal.db")
            self._hits.n += 1
            self._hits.aimed += part.aimed
            self._hits.together += part is self.broker
            self._hits.uncommitted += self._witness.passed > journal
            self._hits.unreceipted += journal > self._witness.receipted
        for one in (part, *others):
            one.start()

    def close(self) -> None:
        """End every process of this run."""
        for part in self.parts:
            part.end(signal.SIGKILL)
        self._sensors.kill()
        self._sensors.wait(10)
        self._witness.close()

    def _drain(self) -> None:
        """Read no more; send until the outbox has no backlog and the pipeline takes no more in; end all in order."""
        self.agent.end(signal.SIGTERM)
        self._log.write("killed")
        self._write_settings(interval_s=86400)
        self.agent.start()
        self._wait_drained()
        if self.agent.command[1] != "-m":  # without receipts: whatever is still on its way has time to arrive
            self._stop.wait(5.0)
        self.agent.end(signal.SIGTERM)
        self.pipeline.end(signal.SIGTERM)
        self.broker.end(signal.SIGTERM)

    def _wait_drained(self) -> None:
        """Wait until the outbox has no backlog, as long as it falls: a crowded machine takes its time over it."""
        least, since = None, time.monotonic()
        while least != 0:
            self._stop.wait(LOOK_S)
            seen = self._peek()
            if seen is not None and (least is None or seen.backlog < least):
                least, since = seen.backlog, time.monotonic()
            if time.monotonic() - since > DRAIN_S:
                raise RuntimeError(f"a backlog of {least} has not fallen for {DRAIN_S:.0f} s; see {self.folder}")

    def _account(self) -> Account:
        seen = peek(self.folder / "state")
        outbox = Outbox(self.folder / "state", site="meadow", node="hut", max_bytes=64 << 20)
        left: list[Row] = []
        after = 0
        while (batch := outbox.batch(after, 500)) is not None:
            left += [(r.channel, r.slot, None if r.raw is None else number_of(r.raw)) for r in batch.readings]
            after = batch.last
        outbox.close()
        config = load_site(self.folder / "site.toml")
        stores = open_stores(config)
        raw = stores.store.raw(sorted(config.channels()), 0, 2**61)
        states = stores.journal.outboxes()
        stores.close()
        if [state.outbox_id for state in states] != [seen.outbox_id] or any(s.conflicts or s.poisoned for s in states):
            raise RuntimeError(f"journal: found {states}, expected one outbox without conflict or poison")
        stored: list[Row] = [
            (channel, slot, number_of(value) if status == "ok" else None)
            for channel, slot, value, status in zip(raw["channel"], raw["slot"], raw["raw"], raw["status"], strict=True)
        ]
        log = (self.folder / "sensors.log").read_text().splitlines()
        return settle(seen.assigned, stored, left, (line for line in log if line != "ready"), TALK)

    def _assigned(self) -> int:
        seen = self._peek()
        return 0 if seen is None else seen.assigned

    def _peek(self) -> Peek | None:
        try:
            return peek(self.folder / "state")
        except (FileNotFoundError, AgentFault):  # not made yet, or just being made
            return None

    def _wait(self, condition: Callable[[], object], what: str) -> None:
        end = time.monotonic() + DRAIN_S
        while not condition():
            if time.monotonic() > end:
                raise RuntimeError(f"waited {DRAIN_S:.0f} s in vain until {what}; see {self.folder}")
            self._stop.wait(LOOK_S)

    def _write_settings(self, *, interval_s: int = 1) -> None:
        agent, site = AGENT.format(port=self._port, interval_s=interval_s), SITE.format(port=self._port)
        for line in LINES:
            agent += f'[[line]]\nname = "{line}"\nport = "line-{line}"\nprotocol = "sdi12"\n'
        for i in range(len(LINES) * SENSORS_A_LINE):
            line, station = LINES[i // SENSORS_A_LINE], f"s{i // 4}"
            if i % 4 == 0:
                site += f'[[surface.station]]\nname = "{station}"\ntitle = "Station {i // 4}"\nsoil = "loam"\n'
            site += f'[[surface.station.probe]]\nname = "p{i}"\nmodel = "{MODEL}"\n'
            agent += f'[[probe]]\nname = "p{i}"\nstation = "{station}"\nmodel = "{MODEL}"\n'
            agent += f'line = "{line}"\naddress = "{ADDRESSES[i]}"\n'
        agent = agent.replace('port = "line-', f'port = "{self.folder}/line-')
        for name, text in (("agent.toml", agent), ("site.toml", site), ("broker.conf", BROKER.format(port=self._port))):
            (self.folder / name).write_text(text, encoding="utf-8")


def run_bench(folder: Path, *, kills: int, readings: int, seed: int, receipts: bool, mosquitto: str) -> Outcome:
    """One run in a folder, everything ended after it."""
    assert len(load_probe(MODEL).channels) == 15
    bench = Bench(folder, seed=seed, receipts=receipts, mosquitto=mosquitto)
    try:
        return bench.run(kills=kills, readings=readings)
    finally:
        bench.close()


def main() -> int:
    """0 when nothing was lost or doubled; with --without-receipts, when something was lost."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=60, help="of each part, while it was at work")
    parser.add_argument("--readings", type=int, default=20_000, help="at least so many")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--busy", type=int, default=0, help="processes that keep a processor at work beside it")
    parser.add_argument("--without-receipts", action="store_true", help="the control: the agent trusts the broker")
    parser.add_argument("--keep", type=Path, help="leave everything in this folder for a look")
    given = parser.parse_args()
    mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if mosquitto is None:
        print("mosquitto: found none, expected it on PATH (Debian: apt-get install mosquitto)", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) if given.keep is None else given.keep
        folder.mkdir(parents=True, exist_ok=True)
        busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(given.busy)]
        try:
            outcome = run_bench(
                folder,
                kills=given.kills,
                readings=given.readings,
                seed=given.seed,
                receipts=not given.without_receipts,
                mosquitto=mosquitto,
            )
        finally:
            for process in busy:
                process.kill()
                process.wait()
    print(f"beside {given.busy} busy processes; " + outcome.text())
    a = outcome.account
    if given.without_receipts:
        print("control, receipts switched off: " + ("it loses, as it must" if a.lost else "LOST NOTHING, it must lose"))
        return 0 if a.lost > 0 else 1
    return 0 if a.lost == a.twice == a.known_lost == a.invented == a.unlike == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
