"""SDI-12, the recorder's side: commands to send, replies out of a stream of bytes, and one measurement as a talk.

Bytes go in and replies come out; the caller owns the port and the time. It never guesses: one command, one reply, and
whatever does not fit is refused and asked for again. `sdi12_sensor` is the other side.

What a single wrong bit can do. With check characters (the CRC commands) every one is refused. Without them the even
parity of 7E1 is the only guard, and it is gone where an adapter runs eight bits and no parity. Then these slip through
and no others: a digit that becomes another digit (one bit of its low half), in a value, a time or a count; a character
that becomes another in an identification; the address in answer to `?!`. A sign, a point, the address asked and the
line end always show. A wrong count shows when the values are fetched, or at once when the caller says what it expects.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from hardware.frame import BadFrame, shown
from hardware.reading import Status
from hardware.sdi12_frame import (
    END,
    MAX_PAGES,
    MAX_READY_S,
    STARTS,
    Command,
    CommandKind,
    MeasurementTiming,
    NoCheckCharacters,
    Reply,
    ServiceRequest,
    Values,
    decode_reply,
)

TRIES = 3
QUIET_BEFORE_RETRY_S = 0.05  # our choice, so that a late reply is over: SDI-12 1.4 asks for 16.67 ms (from memory)
READY_GRACE_S = 0.5  # our choice: a sensor's seconds may be a little longer than ours


@lru_cache(maxsize=1024)
def measurement(address: str, name: str, *, crc: bool = False) -> Command:
    """Return the command of a measurement by its name: `M`, `M1` to `M9` or, concurrent, `C`, `C1` to `C9`.

    Raises ValueError for another name or address.
    """
    letter, digit = name[:1], name[1:]
    if letter not in ("M", "C") or digit not in ("", *"123456789"):
        raise ValueError(f"SDI-12 measurement: found {name!r}, expected M, M1 to M9, C, C1 to C9")
    return Command(address, CommandKind(letter), int(digit or 0), crc=crc)


@lru_cache(maxsize=1024)
def send_data(address: str, page: int, *, crc: bool = False, concurrent: bool = False) -> Command:
    """Return `aD0!` to `aD9!`. `crc` and `concurrent` are those of the measurement, not in the bytes."""
    return Command(address, CommandKind.DATA, page, crc=crc, long=concurrent)


@dataclass(frozen=True, slots=True)
class AdapterText:
    """What an adapter changes in the text of a reply.

    Attributes
    ----------
    prompt : bytes
        Printed before replies, with blanks after it or without; stripped. Empty for none.
    line_end : bytes
        What is left of the sensor's CR LF: both, LF alone or CR alone.
    """

    prompt: bytes = b""
    line_end: bytes = END


UNCHANGED = AdapterText()


class ReplyParser:
    """Replies to one command out of the bytes that come back.

    Before the reply these are passed over, because no single wrong bit can make them out of an address: bytes that are
    not printable (the break, the line's switching, the rest of a line end), our own command with the blanks after it,
    if the line echoes, and the adapter's prompt. Other printable noise is not: `4+10+3` cut at the wrong place reads
    `0+3` from sensor 0. One bad frame spoils the exchange; nothing more is taken from it.

    Parameters
    ----------
    command : Command
        What was sent.
    adapter : AdapterText
    """

    def __init__(self, command: Command, adapter: AdapterText = UNCHANGED) -> None:
        self._command = command
        self._adapter = adapter
        self._buffer = bytearray()
        self._noise = 0
        self._replies = 0
        self._spoiled = False

    def receive(self, data: bytes) -> None:
        """Take bytes from the line, as many or as few as came."""
        if not self._spoiled:
            self._buffer += data if self._adapter.line_end == END else data.replace(self._adapter.line_end, END)

    def next_reply(self) -> Reply | None:
        """Return the next whole reply, or None if there is none yet. Raises BadFrame once; after it there is none."""
        if self._spoiled:
            return None
        self._pass_noise()
        end = self._buffer.find(b"\n") + 1
        before = (self._command.wire, self._adapter.prompt)
        for text in before:
            if text and self._replies == 0 and end > len(text) and self._buffer.startswith(text):
                self._buffer = self._buffer[len(text) :].lstrip(b" ")
                return self.next_reply()
        longest = self._command.longest_reply + (sum(map(len, before)) + len(before) if self._replies == 0 else 0)
        if (end or len(self._buffer)) > longest:
            self._spoil(f"reply: found {shown(bytes(self._buffer))}, expected at most {longest} characters")
        if not end:
            return None
        line = bytes(self._buffer[:end])
        try:
            reply = decode_reply(line, self._command, may_be_service_request=self._replies > 0)
        except BadFrame:
            self._spoiled = True
            raise
        del self._buffer[:end]
        self._replies += 1
        return reply

    def finish(self) -> None:
        """End the time for the reply. Raises BadFrame, saying how, if none came; bytes after a reply are ignored."""
        if self._replies or self._spoiled:
            return
        sent = shown(self._command.wire)
        if self._buffer:
            text = bytes(self._buffer)
            cut = ' It ends in CR alone: set line_end = "cr" if the adapter leaves out the LF.' if b"\r" in text else ""
            self._spoil(f"reply to {sent}: {len(text)} bytes came: {shown(text)}, expected CR LF at the end.{cut}")
        if self._noise:
            self._spoil(f"reply to {sent}: {self._noise} bytes came, none printable, expected a reply. Check the baud.")
        self._spoiled = True
        raise BadFrame(
            f"reply to {sent}: found silence. Is the sensor powered, and is this its address?", Status.SILENT
        )

    def _pass_noise(self) -> None:
        address = (self._command.new_address or self._command.address).encode()[0]
        count = 0
        for byte in self._buffer:
            # an address with one bit wrong is no noise: passing it over would shift the reply
            if 0x20 <= byte <= 0x7E or ((byte ^ address).bit_count() == 1 and address != ord("?")):
                break
            count += 1
        self._noise += count
        del self._buffer[:count]

    def _spoil(self, reason: str) -> None:
        self._spoiled = True
        raise BadFrame(reason)


@dataclass(frozen=True, slots=True)
class Send:
    """Say this and hand what comes back to `receive`.

    Attributes
    ----------
    wire : bytes
        What to send.
    needs_break : bool
        Send a break first. Where it is False a break is still needed if the line has been idle for more than
        BREAK_AFTER_IDLE_S, so a caller that cannot tell always sends one.
    quiet_s : float
        Leave the line alone this long and throw away what has come, then break and send. [s]
    reply_within_s : float
        After this long from the end of the command, and what the adapter adds, call `elapsed`. [s]
    """

    wire: bytes
    needs_break: bool
    quiet_s: float
    reply_within_s: float


@dataclass(frozen=True, slots=True)
class Wait:
    """Let the sensor measure for so many seconds, then call `elapsed`.

    With `wake_on_service_request` nobody may speak on the line meanwhile, a break would abort the measurement; what
    comes is handed to `receive`. Without it (concurrent) the line is free for other sensors.
    """

    seconds: float
    wake_on_service_request: bool


@dataclass(frozen=True, slots=True)
class Done:
    """All values are here, as sent. Empty if the sensor says it has none for this command.

    `no_crc` says that check characters were asked for, and that the sensor gives values only without them.
    """

    values: tuple[str, ...]
    attempts: int
    no_crc: bool = False


@dataclass(frozen=True, slots=True)
class Fail:
    """Given up. `status` and `reason` are those of the last thing that went wrong."""

    status: Status
    reason: str
    attempts: int


Action = Send | Wait | Done | Fail


class _StartAgain(BadFrame):
    """Proper frames, but the values do not add up: sending the same command again would not help."""


TURNED_BITS = frozenset((Status.BAD_FRAME, Status.BAD_CHECK, Status.WRONG_ADDRESS))
"""What becomes of an answer whose bits were turned on the way."""


class Measurement:
    """One measurement from its command to its values, as a talk: what to do next, given what came or did not come.

    The caller does what the action says. Bytes go to `receive`, which answers with the next action or, while the
    present one stands, None; when the action's time is over, `elapsed` answers. A bad frame is waited out, so that the
    line is quiet, and then the same command is sent again. A measurement that was aborted, or gives other than the
    promised count, is started again.

    Parameters
    ----------
    command : Command
        One that measures: M, C, V or R.
    tries : int
        Most times that each command is sent in a row, and that the measurement is started.
    expected_count : int or None
        How many values there should be; another count is a bad frame. None takes what the sensor says.
    longest_wait_s : int
        A longer time to ready is taken only when it is announced twice in a row. [s] A wrong bit can make 13 s 813.
    adapter : AdapterText
    crc_optional : bool
        Values may come without the check characters asked for: the command is sent without asking for them where it
        met silence each time but the last, where it has no values, or where values come that end without any.
    """

    def __init__(
        self,
        command: Command,
        *,
        tries: int = TRIES,
        expected_count: int | None = None,
        longest_wait_s: int = MAX_READY_S,
        adapter: AdapterText = UNCHANGED,
        crc_optional: bool = False,
    ) -> None:
        if command.kind not in STARTS and command.kind is not CommandKind.CONTINUOUS:
            raise ValueError(f"Measurement: found {command}, expected one that measures")
        if tries < 1:
            raise ValueError(f"Measurement tries: found {tries}, expected 1 or more")
        self._start = command
        self._tries = tries
        self._expected_count = expected_count
        self._longest_wait_s = longest_wait_s
        self._long_wait: MeasurementTiming | None = None
        self._adapter = adapter
        self._crc_optional = crc_optional and command.crc
        self._no_crc = False
        self.answers = self.damaged = 0  # commands that were answered or not, and answers that were no sound reply
        self._starts = 0
        self._attempts = 1
        self._sent = command
        self._sent_times = 0
        self._count = 0
        self._texts: tuple[str, ...] = ()
        self._parser = ReplyParser(command, adapter)
        self._bad: BadFrame | None = None
        self._action: Action | None = None

    def start(self) -> Action:
        """Return the first action. Raises ValueError the second time."""
        if self._action is not None:
            raise ValueError("Measurement: found it started, expected start once")
        return self._begin()

    def receive(self, data: bytes) -> Action | None:
        """Take bytes from the line; return the next action, or None while the present one stands."""
        if not isinstance(self._action, Send | Wait):
            raise ValueError(f"Measurement: found bytes with {self._action}, expected a Send or Wait under way")
        if self._bad is not None:
            return None
        self._parser.receive(data)
        if isinstance(self._action, Wait):
            return self._service_request()
        try:
            reply = self._parser.next_reply()
            return None if reply is None else self._answered(reply)
        except NoCheckCharacters as bad:
            if self._crc_optional:
                self._give_up_crc()
                self._texts = ()
                self._attempts += 1
                return self._fetch(0)
            self._bad = bad
            return None
        except BadFrame as bad:
            self._bad = bad
            return None

    def elapsed(self) -> Action:
        """End the time of the present action; return the next action."""
        if isinstance(self._action, Wait):
            return self._fetch(0)
        if not isinstance(self._action, Send):
            raise ValueError(f"Measurement: found time over with {self._action}, expected a Send or Wait under way")
        try:
            self._parser.finish()
        except BadFrame as silence:
            self._bad = self._bad or silence
        bad = self._bad
        assert bad is not None  # a reply either moves the talk on or is refused
        self.damaged += bad.status in TURNED_BITS
        if isinstance(bad, _StartAgain):
            return self._begin(bad)
        if self._sent_times >= self._tries:
            return self._act(Fail(bad.status, bad.reason, self._attempts))
        self._attempts += 1
        started = self._sent == self._start
        self._crc_optional &= not started or bad.status is Status.SILENT  # whoever answers anything knows the command
        if self._crc_optional and started and self._sent_times == self._tries - 1:
            self._give_up_crc()
            self._sent = self._start
        return self._send(self._sent, needs_break=True, quiet_s=QUIET_BEFORE_RETRY_S)

    def _give_up_crc(self) -> None:
        self._start = replace(self._start, crc=False)
        self._crc_optional, self._no_crc = False, True

    def _begin(self, bad: BadFrame | None = None) -> Action:
        if bad is not None and self._starts >= self._tries:
            return self._act(Fail(bad.status, bad.reason, self._attempts))
        self._starts += 1
        self._attempts += bad is not None
        self._texts = ()
        self._sent_times = 0
        return self._send(self._start, needs_break=True, quiet_s=0.0 if bad is None else QUIET_BEFORE_RETRY_S)

    def _fetch(self, page: int) -> Action:
        self._sent_times = 0
        concurrent = self._start.kind is CommandKind.CONCURRENT
        command = send_data(self._start.address, page, crc=self._start.crc, concurrent=concurrent)
        return self._send(command, needs_break=page == 0, quiet_s=0.0)

    def _send(self, command: Command, *, needs_break: bool, quiet_s: float) -> Action:
        self._sent = command
        self._sent_times += 1
        self.answers += 1
        self._parser = ReplyParser(command, self._adapter)
        self._bad = None
        return self._act(Send(command.wire, needs_break, quiet_s, command.reply_within_s))

    def _act(self, action: Action) -> Action:
        self._action = action
        return action

    def _done(self, values: tuple[str, ...]) -> Action:
        return self._act(Done(values, self._attempts, self._no_crc))

    def _answered(self, reply: Reply) -> Action:
        if isinstance(reply, MeasurementTiming):
            return self._timed(reply)
        if not isinstance(reply, Values):
            raise BadFrame(f"reply: found {reply}, expected a time and count, or values")
        self._refuse_second_reply()
        if self._start.kind is CommandKind.CONTINUOUS:
            self._check_count(len(reply.texts))
            return self._done(reply.texts)
        if not reply.texts:
            raise _StartAgain(
                f"values: found {len(self._texts)} of {self._count} and no more. The measurement was aborted.",
                Status.SHORT if self._texts else Status.NO_VALUE,
            )
        self._texts += reply.texts
        if len(self._texts) == self._count:
            return self._done(self._texts)
        if len(self._texts) > self._count or self._sent.index + 1 == MAX_PAGES:
            raise _StartAgain(f"values: found {len(self._texts)}, expected {self._count}", Status.SHORT)
        return self._fetch(self._sent.index + 1)

    def _timed(self, timing: MeasurementTiming) -> Action:
        if timing.count == 0 and self._crc_optional:
            self._give_up_crc()
            self._attempts += 1
            return self._send(self._start, needs_break=True, quiet_s=QUIET_BEFORE_RETRY_S)
        self._check_count(timing.count)
        if timing.ready_in_s > self._longest_wait_s and timing != self._long_wait:
            self._long_wait = timing
            raise BadFrame(
                f"time to ready: found {timing.ready_in_s} s, expected at most {self._longest_wait_s} s, "
                "or the same twice in a row"
            )
        self._count = timing.count
        if timing.count == 0:
            return self._done(())
        if timing.ready_in_s == 0:
            return self._fetch(0)
        wake = self._start.kind is not CommandKind.CONCURRENT
        waiting = self._act(Wait(timing.ready_in_s + READY_GRACE_S, wake))
        return self._service_request() or waiting

    def _service_request(self) -> Action | None:
        """Go on to the values if the sensor says it is done. Noise while it measures only costs the wait."""
        assert isinstance(self._action, Wait)
        try:
            while (reply := self._parser.next_reply()) is not None:
                if isinstance(reply, ServiceRequest) and self._action.wake_on_service_request:
                    return self._fetch(0)
        except BadFrame:
            pass
        return None

    def _refuse_second_reply(self) -> None:
        try:
            second = self._parser.next_reply()
        except BadFrame:  # what follows is no reply: the line let go with a click
            return
        if second is not None:
            raise BadFrame("reply: found two to one command, expected one. The first may be a late one.")

    def _check_count(self, count: int) -> None:
        if self._expected_count is not None and count != self._expected_count:
            raise BadFrame(f"count: found {count} values, expected {self._expected_count}", Status.SHORT)
