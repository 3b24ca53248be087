"""Modbus RTU devices on a line, written from the standard's text alone: no part of ours is imported.

`EmulatedDevice` answers functions 3 and 4 as Application Protocol V1.1b3 says (sections 6.3, 6.4 and 7), with the
departures that real ones show; `EmulatedBus` is the pair of wires and the adapter: it echoes, adds noise, holds replies
up, spoils them. Served over a pseudo-terminal by `serve`.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field


def crc_bytes(frame: bytes) -> bytes:
    """Low byte, then high byte, by the steps of Serial Line V1.02, 6.2.2: preset FFFF, shift right, XOR A001."""
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            shifted_out = register & 1
            register >>= 1
            if shifted_out:
                register ^= 0xA001
    return bytes((register & 0xFF, register >> 8))


@dataclass
class EmulatedDevice:
    """One device.

    Attributes
    ----------
    address : int
    holding, input : dict of int to int
        Its registers.
    after_s : float
        How long it takes to answer.
    exception : int
        With which it answers everything; 0 for none.
    exception_times : int
        So many times, then it answers.
    one_short, one_more : bool
        It gives one register fewer, or more, than asked for.
    one_at_a_time : bool
        It refuses more than one register in a request.
    """

    address: int = 1
    holding: dict[int, int] = field(default_factory=dict)
    input: dict[int, int] = field(default_factory=dict)
    after_s: float = 0.01
    exception: int = 0
    exception_times: int = 1_000_000
    one_short: bool = False
    one_more: bool = False
    one_at_a_time: bool = False
    asked: list[tuple[int, int, int]] = field(default_factory=list)

    def answer(self, request: bytes) -> bytes:
        """The reply to a request whose CRC fits; none where it is for another."""
        if request[0] != self.address:
            return b""
        function, first, count = request[1], request[2] << 8 | request[3], request[4] << 8 | request[5]
        self.asked.append((function, first, count))
        code = self._refusal(function, first, count)
        if code:
            body = bytes((self.address, 0x80 | function, code))
        else:
            table = self.holding if function == 3 else self.input
            given = count - self.one_short + self.one_more
            words = [table.get(first + n, 0) for n in range(given)]
            data = b"".join(bytes((word >> 8, word & 0xFF)) for word in words)
            body = bytes((self.address, function, len(data))) + data
        return body + crc_bytes(body)

    def _refusal(self, function: int, first: int, count: int) -> int:
        if self.exception and self.exception_times:
            self.exception_times -= 1
            return self.exception
        if function not in (3, 4):
            return 1
        if not 1 <= count <= 125 or (self.one_at_a_time and count > 1):
            return 3
        table = self.holding if function == 3 else self.input
        return 0 if all(first + n in table for n in range(count)) else 2


@dataclass
class EmulatedBus:
    """Devices on a pair of wires, and the adapter before them.

    Attributes
    ----------
    echo : bool
        The adapter hears itself.
    before, after : bytes
        What the line does before and after each reply.
    spoil : callable
        What becomes of a reply: its bytes and which it is, from 0.
    late_s : float
        How long every reply is held up.
    """

    devices: list[EmulatedDevice]
    echo: bool = False
    before: bytes = b""
    after: bytes = b""
    spoil: Callable[[bytes, int], bytes] = lambda reply, n: reply
    late_s: float = 0.0
    replies: int = 0

    def serve(self, master: int, stop: threading.Event) -> None:
        """Answer until told to stop."""
        queue: list[tuple[float, bytes]] = []
        came = b""
        while not stop.is_set():
            if select.select([master], [], [], 0.002)[0]:
                try:
                    came += os.read(master, 1024)
                except OSError:  # nobody has the near end open
                    stop.wait(0.005)
                    continue
            while len(came) >= 8:
                request, came = came[:8], came[8:]
                if crc_bytes(request[:6]) == request[6:]:
                    queue += self._answered(request, time.monotonic())
            for item in sorted(item for item in queue if item[0] <= time.monotonic()):
                queue.remove(item)
                with contextlib.suppress(OSError):
                    os.write(master, item[1])

    def _answered(self, request: bytes, now_s: float) -> list[tuple[float, bytes]]:
        out = [(now_s, request)] if self.echo else []
        replies = [(device.after_s, device.answer(request)) for device in self.devices]
        replies = [(after_s, reply) for after_s, reply in replies if reply]
        if len(replies) > 1 and len({after_s for after_s, _ in replies}) == 1:  # at once: a 0 of either wins
            joined = bytes(a & b for a, b in zip(replies[0][1], replies[1][1], strict=False))
            replies = [(replies[0][0], joined)]
        for after_s, reply in replies:
            spoiled = self.spoil(reply, self.replies)
            self.replies += 1
            if spoiled:
                out.append((now_s + after_s + self.late_s, self.before + spoiled + self.after))
        return out
