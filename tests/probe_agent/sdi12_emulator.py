"""SDI-12 sensors and an adapter before them, written from the standard's text alone: no part of ours is imported.

`EmulatedSensor` answers commands as section 4.4 of SDI-12 1.4 says (command and reply formats, CRC of 4.4.12), with the
departures that real ones show. `EmulatedAdapter` is the box between line and port: it echoes, prompts, starts anew when
opened, holds replies up, or changes their line ends. Both are served over a pseudo-terminal by `serve`.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field


def check_characters(text: str) -> str:
    """The three characters of section 4.4.12.2, by its algorithm: zero, then each character, eight shifts, 0xA001."""
    crc = 0
    for character in text:
        crc ^= ord(character)
        for _ in range(8):
            carry = crc & 1
            crc >>= 1
            if carry:
                crc ^= 0xA001
    return chr(0x40 | crc >> 12) + chr(0x40 | (crc >> 6) & 0x3F) + chr(0x40 | crc & 0x3F)


def both_at_once(texts: list[str]) -> str:
    """What two sensors say together, on a wire where a 1 of either wins: a NUL where the even parity does not fit."""
    out = ""
    for place in range(max(map(len, texts))):
        codes = [ord(text[place]) for text in texts if place < len(text)]
        bits = 0
        for code in codes:
            bits |= code | (code.bit_count() & 1) << 7
        out += "\0" if bits.bit_count() & 1 else chr(bits & 0x7F)
    return out


@dataclass
class EmulatedSensor:
    """One sensor.

    Attributes
    ----------
    address : str
    pages : list of str
        What D0, D1 and on give, values run together.
    count : int
        Values announced.
    ttt : int
        Seconds announced.
    done_after_s : float or None
        When it asks for service; None for never.
    crc : str
        `yes`; `silent`: knows no command with C; `plain`: takes it and gives no check characters; `zero`: answers it
        with no values; `wrong`: gives check characters that do not fit.
    clears : bool
        Values are gone once fetched.
    aborted : int
        So many measurements give nothing.
    """

    address: str = "1"
    pages: list[str] = field(default_factory=lambda: ["+12.5+8.25"])
    count: int = 2
    ttt: int = 0
    done_after_s: float | None = None
    crc: str = "yes"
    clears: bool = False
    aborted: int = 0
    with_check: bool = False
    held: list[str] = field(default_factory=list)

    def answer(self, command: str) -> list[tuple[float, str]]:
        """Replies to a command, each with its delay. [s]"""
        if command == "?!":
            return [(0.0, self.address)]
        if not command.startswith(self.address):
            return []
        body = command[1:-1]
        if body == "":
            return [(0.0, self.address)]
        if body == "I":
            return [(0.0, f"{self.address}14NEUTRAL SENSOR1.0007")]
        if re.fullmatch("A[0-9A-Za-z]", body):
            self.address = body[1]
            return [(0.0, self.address)]
        if match := re.fullmatch("(M|C)(C?)([1-9]?)", body):
            return self._measure(match[1], bool(match[2]), match[3])
        if match := re.fullmatch("D([0-9])", body):
            return [(0.0, self._page(int(match[1])))]
        return []

    def _measure(self, letter: str, check: bool, group: str) -> list[tuple[float, str]]:
        count = f"{self.count:02d}" if letter == "C" else f"{self.count}"
        if group:  # it has the first alone
            return [(0.0, f"{self.address}000{'0' * len(count)}")]
        if check and self.crc == "silent":
            return []
        if check and self.crc == "zero":
            return [(0.0, f"{self.address}000{'0' * len(count)}")]
        self.with_check = check and self.crc in ("yes", "wrong")
        self.held = [] if self.aborted else list(self.pages)
        self.aborted = max(0, self.aborted - 1)
        replies = [(0.0, f"{self.address}{self.ttt:03d}{count}")]
        if self.done_after_s is not None and letter == "M":
            replies.append((self.done_after_s, self.address))
        return replies

    def _page(self, number: int) -> str:
        text = self.address + (self.held[number] if number < len(self.held) else "")
        if self.clears and number >= len(self.held) - 1:
            self.held = []
        if not self.with_check:
            return text
        return text + ("@@@" if self.crc == "wrong" else check_characters(text))


@dataclass
class EmulatedAdapter:
    """The box between port and line, with its sensors.

    Attributes
    ----------
    sensors : list of EmulatedSensor
    echo : str or None
        Comes after the command it repeats; None for no echo.
    before, after : bytes
        Printed round each reply.
    line_end : bytes
    late_s : float
    parity_left_on : bool
        Hands over seven bits and parity as eight bits.
    starts_for_s : float
        Deaf so long after its port was opened; then it prints `banner`.
    spoil : callable
        What the wire does to the n-th reply.
    """

    sensors: list[EmulatedSensor]
    echo: str | None = None
    before: bytes = b""
    after: bytes = b""
    line_end: bytes = b"\r\n"
    late_s: float = 0.0
    parity_left_on: bool = False
    starts_for_s: float = 0.0
    banner: bytes = b""
    spoil: Callable[[bytes, int], bytes] = lambda reply, n: reply
    heard: list[str] = field(default_factory=list)
    replies: int = 0

    def receive(self, command: str) -> list[tuple[float, bytes]]:
        """What comes back for a command, each piece with its delay. [s]"""
        self.heard.append(command)
        out = [] if self.echo is None else [(0.0, (command + self.echo).encode())]
        answers = [one for sensor in self.sensors for one in sensor.answer(command)]
        if len(answers) > 1 and len(self.sensors) > 1:
            answers = [(0.0, both_at_once([text for _, text in answers]))]
        for delay_s, text in answers:
            reply = self.spoil(text.encode("latin-1") + self.line_end, self.replies)
            self.replies += 1
            if self.parity_left_on:
                reply = bytes(b | (b.bit_count() & 1) << 7 for b in reply)
            out.append((delay_s + self.late_s + 0.01, self.before + reply + self.after))
        return out

    def serve(self, master: int, stop: threading.Event) -> None:
        """Answer on the far end of a pseudo-terminal."""
        waiting: list[tuple[float, bytes]] = []
        pending = ""
        opened, awake_at = False, 0.0
        poll = select.poll()
        poll.register(master, select.POLLIN)
        while not stop.is_set():
            events = poll.poll(2)
            hung_up = any(event & select.POLLHUP for _, event in events)
            now = time.monotonic()
            if not hung_up and not opened:
                awake_at = now + self.starts_for_s
                if self.banner:
                    waiting.append((awake_at, self.banner))
            opened = not hung_up
            if hung_up:
                stop.wait(0.002)  # a terminal that nobody has open cannot be waited on: it hangs up again and again
            elif events:
                try:
                    data = os.read(master, 1024)
                except OSError:
                    return
                if now < awake_at:
                    continue
                pending += data.decode("latin-1")
                while "!" in pending:
                    command, _, pending = pending.partition("!")
                    waiting += [(now + delay_s, piece) for delay_s, piece in self.receive(command.strip("\0") + "!")]
            for item in sorted((item for item in waiting if item[0] <= time.monotonic()), key=lambda item: item[0]):
                waiting.remove(item)
                with contextlib.suppress(OSError):
                    os.write(master, item[1])
