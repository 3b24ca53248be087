"""Wrong values taken for good over garbled replies, with check characters and without, by the noise of the line.

    python tests/bench/bench_wrong_as_good.py --garbled 100000

A sensor with five values, one in fifty of them a sentinel, is read by the agent's own sampler over a line in memory
whose bits turn with a chance. Under 7E1 a byte of an odd number of turned bits comes as a NUL, as the port is set;
under 8N1 an adapter has taken parity off before. Counted: values that differ from what the sensor meant, and of them
those marked because the line is noisy, which are suspect and not good. Limits: 5 with check characters under 7E1, as
our probes are read, each inside the physical limits of its quantity; CRC-16 lets one in 65,536 random replies through.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.probe import load_probe  # noqa: E402
from hardware.quantities import QUANTITIES  # noqa: E402
from hardware.sdi12 import UNCHANGED  # noqa: E402
from pipeline.stages.calibrate import rain_from_total  # noqa: E402
from probe_agent.config import ProbeConfig  # noqa: E402
from probe_agent.sampler import AnswerTally, sample_together  # noqa: E402
from probe_agent.schedule import Cadence  # noqa: E402
from tests.probe_agent.sdi12_emulator import EmulatedSensor  # noqa: E402

LIMIT = 5
# that one bit turns: about a hundredth, a twentieth, a fifth and six tenths of replies garbled; and the share of all
# garbled replies, for at a quiet line most replies are whole
NOISE = ((0.0001, 0.04), (0.0005, 0.32), (0.002, 0.32), (0.01, 0.32))
SENTINEL = "+9999"


class NoisyLine:
    """A line in memory with time of its own, and the clock of that time."""

    adapter, reply_extra_s, follows = UNCHANGED, 0.0, False

    def __init__(self, sensor: EmulatedSensor, chance: float, parity: bool, random: Random) -> None:
        self.sensor, self.chance, self.parity, self.random = sensor, chance, parity, random
        self.now_s = 0.0
        self.garbled = self.replies = 0
        self.coming = b""

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        yield

    def send(self, data: bytes, *, wake: bool = False) -> float:
        self.coming = b"".join(self._hurt(f"{text}\r\n".encode()) for _, text in self.sensor.answer(data.decode()))
        return self.now_s

    def receive(self, deadline: float) -> bytes:
        come, self.coming = self.coming, b""
        if not come:
            self.now_s = max(self.now_s, deadline)
        return come

    def discard(self, seconds: float) -> None:
        self.now_s += seconds
        self.coming = b""

    def monotonic(self) -> float:
        return self.now_s

    def now_ms(self) -> int:
        return round(self.now_s * 1000)

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        self.now_s += seconds
        return False

    def _hurt(self, reply: bytes) -> bytes:
        out = bytearray()
        for byte in reply:
            turned = sum(1 << bit for bit in range(7) if self.random.random() < self.chance)
            odd = (turned.bit_count() + (self.random.random() < self.chance)) & 1
            out.append(0 if self.parity and odd else byte ^ turned)
        self.garbled += bytes(out) != reply
        self.replies += 1
        return bytes(out)


def count(crc: bool, parity: bool, chance: float, garbled: int, seed: int) -> tuple[Counter[str], NoisyLine]:
    """Read until so many replies were garbled; return what became of values, and the line."""
    random = Random(f"{seed}/{crc}/{parity}/{chance}")
    shipped = load_probe("deep_soil_profile")
    channels = tuple(replace(c, missing=(9999.0,)) for c in shipped.channels if c.command == "M")
    described = replace(shipped, crc=crc, channels=channels)
    probe = ProbeConfig("p1", "s", "a", "1", Cadence(900, 900, 0), described)
    sensor = EmulatedSensor(count=5)
    line = NoisyLine(sensor, chance, parity, random)
    seen: Counter[str] = Counter()
    with_crc = {probe.id} if crc else set()
    tally, stop = AnswerTally(), threading.Event()
    limits = QUANTITIES[channels[0].heard]
    while line.garbled < garbled:
        texts = [SENTINEL if random.random() < 0.02 else f"+0.{random.randint(1000, 6000)}" for _ in range(5)]
        sensor.pages = ["".join(texts[:3]), "".join(texts[3:])]
        together = sample_together([probe], [0], line, line, stop, with_crc=with_crc, tally=tally)  # type: ignore[arg-type]
        samples, _ = together[0]
        is_marked = bool(tally.noise) and not crc  # as the thread of a line marks them
        for text, one in zip(texts, samples, strict=True):
            meant = None if text == SENTINEL else float(text)
            outcome = "refused" if one.raw is None else "right" if one.raw == meant else "wrong"
            seen[outcome] += 1
            if outcome == "wrong":
                seen["marked"] += is_marked
                seen["outside"] += one.raw is not None and not limits.lowest <= one.raw <= limits.highest
    return seen, line


def rain_of_strays(readings: int, seed: int) -> tuple[int, int, float]:
    """Plant resets, sentinels and drops to nothing in a rain gauge's total, and draw the rain from it.

    Returns
    -------
    tuple of (int, int, float)
        Strays and resets planted; readings told as more rain than fell, beyond rounding; the most of it. [mm]
    """
    random = Random(f"{seed}/rain")
    total, shown, fell = 300.0, [300.0], [0.0]
    planted, stray_left, stray, owed = 0, 0, 0.0, 0.0
    for _ in range(readings):
        rain = round(random.expovariate(2.0), 1) if random.random() < 0.05 else 0.0
        total, owed = round(total + rain, 1), owed + rain
        chance = random.random()
        if stray_left == 0 and chance < 0.004:
            planted, stray_left, stray = planted + 1, random.randint(1, 2), random.choice((9999.0, 0.0))
        elif stray_left == 0 and chance < 0.006:
            planted, total = planted + 1, 0.0
        is_stray, stray_left = stray_left > 0, max(0, stray_left - 1)
        shown.append(stray if is_stray else total)
        fell.append(0.0 if is_stray else owed)
        owed = owed if is_stray else 0.0
    time_ms = np.arange(len(shown), dtype=np.int64) * 900_000
    more = np.nan_to_num(rain_from_total(time_ms, np.array(shown))) - np.array(fell)
    return planted, int((more > 0.05).sum()), float(np.max(more))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--garbled", type=int, default=20_000, help="replies garbled with check characters under 7E1")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    limited, outside, garbled_in_all = 0, 0, 0
    print(
        "| check characters | frame | bit turned | replies garbled | right | refused | wrong, marked | wrong as good |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for crc, parity in ((True, True), (True, False), (False, True), (False, False)):
        for chance, share in NOISE:
            share *= 1.0 if crc and parity else 0.25
            seen, line = count(crc, parity, chance, max(1, round(given.garbled * share)), given.seed)
            outside += seen["outside"]
            if crc and parity:
                limited += seen["wrong"]
                garbled_in_all += line.garbled
            good = seen["wrong"] - seen["marked"]
            print(
                f"| {'CRC' if crc else 'none, read twice'} | {'7E1' if parity else '8N1'} | {chance:g} |"
                f" {line.garbled / line.replies:.1%} of {line.replies} | {seen['right']} | {seen['refused']} |"
                f" {seen['marked']} | {good} ({good / max(1, good + seen['right']):.1e}) |",
                flush=True,
            )
    planted, more, most_mm = rain_of_strays(given.garbled, given.seed)
    print(f"rain by total: {planted} resets and strays planted in {given.garbled} readings, {more} told more than fell,"
          f" the most {most_mm:.1f} mm")  # fmt: skip
    print(f"with check characters under 7E1: {limited} wrong of {garbled_in_all} garbled replies, limit {LIMIT};"
          f" {outside} outside physical limits, limit 0")  # fmt: skip
    return 0 if limited <= LIMIT and not outside else 1


if __name__ == "__main__":
    sys.exit(main())
