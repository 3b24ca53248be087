"""Virtual SDI-12 sensors that never say the same value twice, and write down each before they say it.

    python tests/faults/numbered_sensors.py FOLDER LOG SENSORS_A_LINE LINE...

A process of its own that outlives whatever is killed around it, so its log is a record of what was read that owes
nothing to the agent or the pipeline. An entry of the log is `ask LINE ADDRESS COMMAND` for each command heard and
`say LINE ADDRESS NUMBER...` for each measurement; the numbers run on through the whole run. They travel as values:
number n is said as 10 + n / 100000, which every quantity of the profile probe takes. It keeps no state that a kill
could tear.
"""

from __future__ import annotations

import os
import selectors
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.probe import load_probe  # noqa: E402
from hardware.sdi12_frame import Identification  # noqa: E402
from hardware.sdi12_sensor import Group, Sensor  # noqa: E402
from simulator.faults import Sent  # noqa: E402
from simulator.pty import PtyLine  # noqa: E402

MODEL = "root_zone_profile"
ADDRESSES = "0123456789abcdefghijklmnopqrstuvwxyz"
BASE, STEPS = 10.0, 100_000  # value = BASE + number / STEPS: five decimals, within the seven digits SDI-12 sends
MOST = 899_999


def value_of(number: int) -> str:
    """A running number as the text of a value."""
    if not 0 < number <= MOST:
        raise ValueError(f"running number: found {number}, expected 1 to {MOST}")
    return f"{BASE + number / STEPS:+.5f}"


def number_of(value: float) -> int:
    """The running number in a value as it was stored."""
    number = round((value - BASE) * STEPS)
    if abs(BASE + number / STEPS - value) > 1e-9:
        raise ValueError(f"value: found {value!r}, expected {BASE} and whole steps of 1/{STEPS}")
    return number


class Log:
    """A file that several processes append to, whole lines at once."""

    def __init__(self, path: Path) -> None:
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)

    def write(self, *words: object) -> None:
        os.write(self._file, (" ".join(map(str, words)) + "\n").encode())


class NumberedSensors:
    """Profile probes that share one line; they answer at once."""

    def __init__(self, line: str, addresses: str, log: Log, numbers: list[int]) -> None:
        self._line, self._log, self._numbers = line, log, numbers
        self._heard = b""
        channels = load_probe(MODEL).channels
        counts = {int(c.command[1:] or 0): 0 for c in channels}
        for channel in channels:
            counts[int(channel.command[1:] or 0)] += 1
        self._sensors = [self._sensor(address, counts) for address in addresses]

    def _sensor(self, address: str, counts: dict[int, int]) -> Sensor:
        def measure(count: int) -> list[str]:
            first = self._numbers[0] + 1
            self._numbers[0] += count
            self._log.write("say", self._line, address, *range(first, first + count))
            return [value_of(number) for number in range(first, first + count)]

        groups = {group: Group(count, lambda count=count: measure(count)) for group, count in counts.items()}
        return Sensor(Identification(address, "13", "VIRTUAL", "NUMBER", "1"), groups)

    def receive(self, data: bytes, now_s: float) -> None:
        """Write each command down, then hear it."""
        *commands, self._heard = (self._heard + data).split(b"!")
        for command in commands:
            text = command.lstrip(b"\0\r\n").decode("ascii", "replace")
            self._log.write("ask", self._line, text[:1], text[1:])
        for sensor in self._sensors:
            sensor.receive(data, now_s)

    def take_time(self) -> None:
        """Never asked for: there is no pace here."""

    def due_s(self) -> float | None:
        return min((due for sensor in self._sensors if (due := sensor.due_s) is not None), default=None)

    def send(self, now_s: float) -> list[Sent]:
        replies = [sensor.send(max(now_s, due)) for sensor in self._sensors if (due := sensor.due_s) is not None]
        return [Sent(0.0, reply) for reply in replies if reply]


def main(folder: Path, log_path: Path, sensors_a_line: int, names: list[str]) -> None:
    """Serve until killed."""
    log, numbers = Log(log_path), [0]
    with selectors.DefaultSelector() as selector:
        addresses = iter(ADDRESSES)
        lines = [
            PtyLine(
                name, folder,
                NumberedSensors(name, "".join(next(addresses) for _ in range(sensors_a_line)), log, numbers), selector,
            )
            for name in names
        ]  # fmt: skip
        log.write("ready")
        while True:
            for key, _ in selector.select(1.0):
                key.data()
            for line in lines:
                if line.pending:
                    line.work()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), sys.argv[4:])
