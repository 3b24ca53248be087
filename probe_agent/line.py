"""One serial line: opened for this process alone, written to and read with a deadline, opened again after a fault.

The only module that imports pyserial; it knows no protocol. Whatever the adapter does (unplugged, no permission, held
by another program) is raised as `LineAway`. Nothing is retried here, but a line that could not be opened is not tried
again before its back-off is over. Input is discarded before every request, so that the rest of a late reply cannot
become the beginning of the next.
"""

from __future__ import annotations

import contextlib
import errno
import os
import random
import select
import termios
import threading
from collections.abc import Callable, Iterator

import serial

from hardware.modbus import quiet_s
from hardware.sdi12_frame import BREAK_AFTER_IDLE_S, BREAK_S, CHARACTER_S, MARKING_S
from probe_agent.config import LineConfig
from probe_agent.faults import AgentFault, BackOff

WRITE_WITHIN_S = 2.0  # a request is a few bytes; an adapter that takes longer has hung
BREAK_HOLD_S = 0.015  # SDI-12 asks for 12 ms at least
MARK_HOLD_S = 0.010  # and for 8.33 ms of marking after it
MOST_BYTES = 4096  # taken at once


class LineAway(AgentFault):
    """The adapter is unplugged, or its port cannot be opened or used. The text is the reason."""


class SerialLine:
    """A serial line that opens itself when it is needed.

    Parameters
    ----------
    config : LineConfig
    monotonic : callable
        Steady real time. [s]
    chance : callable
        Gives numbers from 0 to 1 for the jitter of the back-off.
    back_off : bool
        False tries to open it at each use: where simulated hours pass in real seconds, a back-off in real seconds
        would take simulated days.
    """

    def __init__(
        self,
        config: LineConfig,
        *,
        monotonic: Callable[[], float],
        chance: Callable[[], float] = random.random,
        back_off: bool = True,
    ) -> None:
        self.name = config.name
        self.protocol = config.protocol
        self.adapter = config.adapter
        self.reply_extra_s = config.reply_extra_s
        self.baud = config.baud
        self.state = "ok"
        self.touched_at_s = float("-inf")  # steady time of the latest call
        self._config = config
        self._monotonic = monotonic
        self._back_off = BackOff(chance) if back_off else None
        self._port: serial.Serial | None = None
        self._lock = threading.RLock()
        self._pause = threading.Event()
        self._open_not_before = float("-inf")
        self._active_at = float("-inf")
        self._virtual = False

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Keep other threads off the line for one whole exchange."""
        with self._lock:
            yield

    def send(self, data: bytes, *, wake: bool = False, keep_input: bool = False) -> float:
        """Discard pending input, send a break or wait for a silence where it is needed, and write.

        Parameters
        ----------
        keep_input : bool
            Throw nothing away: the far end is still talking.
        wake : bool
            Whether a break goes first. A line that was idle for longer than SDI-12 allows gets one anyway.

        Returns
        -------
        float
            When the last bit of the request has gone out to the far end, on the steady clock. [s]

        Raises
        ------
        LineAway
        """
        with self._lock, self._in_use() as port:
            idle_s = self._monotonic() - self._active_at
            sdi12 = self.protocol == "sdi12"
            if self.protocol == "modbus":  # half duplex: the frame before has to end in a silence
                self._pause.wait(max(0.0, quiet_s(self._config.baud) - idle_s))
            if sdi12 and self._config.break_by == "host" and (wake or idle_s > BREAK_AFTER_IDLE_S):
                self._break(port)
            if not keep_input:
                port.reset_input_buffer()
            port.write(data)
            # a pseudo-terminal is not paced by its baud rate
            self._active_at = self._monotonic() + (0.0 if self._virtual else len(data) * 10 / self._config.baud)
            if sdi12 and self._config.break_by == "adapter":
                self._active_at += BREAK_S + MARKING_S + len(data) * CHARACTER_S
            return self._active_at

    def receive(self, deadline: float) -> bytes:
        """Return the next bytes as soon as they come; none if none came by the deadline. [s, steady clock]

        Raises LineAway.
        """
        with self._lock, self._in_use() as port:
            left_s = max(0.0, deadline - self._monotonic())
            if not select.select([port.fileno()], [], [], left_s)[0]:
                return b""
            data = bytes(port.read(MOST_BYTES))
            self._active_at = self._monotonic()
            return data

    def discard(self, seconds: float) -> None:
        """Leave the line alone so long, then discard what has come. Raises LineAway."""
        with self._lock, self._in_use() as port:
            self._pause.wait(seconds)
            port.reset_input_buffer()

    def close(self) -> None:
        """Close the port."""
        with self._lock:
            port, self._port = self._port, None
            if port is not None:
                with contextlib.suppress(OSError, termios.error):
                    port.close()

    def _break(self, port: serial.Serial) -> None:
        if self._virtual:  # the other side of a pseudo-terminal cannot see a break
            return
        try:
            port.break_condition = True
        except OSError as err:
            if err.errno not in (errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP):
                raise
            hint = f'set break = "adapter" for line {self.name} if it makes its own, else "none"'
            raise OSError(f"this adapter holds no break ({os.strerror(err.errno)}); {hint}") from err
        self._pause.wait(BREAK_HOLD_S)
        port.break_condition = False
        self._pause.wait(MARK_HOLD_S)

    @contextlib.contextmanager
    def _in_use(self) -> Iterator[serial.Serial]:
        port = self._opened()
        try:
            yield port
        # pyserial gives SerialException (an OSError), bare OSError and termios.error for one and the same unplugging
        except (OSError, termios.error) as err:
            self.close()
            self.state = f"away: {_reason(err)}"
            raise LineAway(f"line {self.name}: {self._config.port}: {_reason(err)}") from err

    def _opened(self) -> serial.Serial:
        self.touched_at_s = self._monotonic()
        if self._port is not None:
            return self._port
        if self._monotonic() < self._open_not_before:
            raise LineAway(f"line {self.name}: {self._config.port}: {self.state}")
        try:
            self._port = self._open()
            if self._config.settle_s > 0:
                self._pause.wait(self._config.settle_s)
                self._port.reset_input_buffer()
        except (OSError, ValueError, termios.error) as err:
            self.close()
            self.state = f"away: {_reason(err)}"
            if self._back_off is not None:
                self._open_not_before = self._monotonic() + self._back_off.failed()
            raise LineAway(f"line {self.name}: {self._config.port}: {_reason(err)}") from err
        if self._back_off is not None:
            self._back_off.succeeded()
        self._active_at = float("-inf")
        self.state = "ok"
        return self._port

    def _open(self) -> serial.Serial:
        path = os.path.realpath(self._config.port)
        self._virtual = path.startswith("/dev/pts/")
        # a pseudo-terminal forces eight bits without parity: asking for 7E1 works once and is refused ever after
        frame = "8N1" if self._virtual else self._config.frame
        port = serial.Serial(
            path,
            self._config.baud,
            bytesize=int(frame[0]),
            parity=frame[1],
            stopbits=int(frame[2]),
            timeout=0,  # `receive` waits by itself: changing pyserial's timeout would set the whole port up anew
            write_timeout=WRITE_WITHIN_S,
            exclusive=True,
        )
        if frame[1] != "N":
            refuse_bad_parity(port.fileno())
        return port


def refuse_bad_parity(fd: int) -> None:
    """Set the port to give a NUL, which no codec takes, for a byte whose parity does not fit.

    pyserial asks for parity but never for its being looked at, so that a wrong byte would come through as it is.
    """
    settings = termios.tcgetattr(fd)
    settings[0] = settings[0] & ~(termios.IGNPAR | termios.PARMRK) | termios.INPCK
    termios.tcsetattr(fd, termios.TCSANOW, settings)


def _reason(err: BaseException) -> str:
    if isinstance(err, termios.error):
        return str(err.args[-1])
    text = str(err)
    if "exclusively lock" in text:
        return "held by another program; stop it, or ask that one"
    if getattr(err, "errno", None) == 2:
        return "no such port. Is the adapter plugged in?"
    if getattr(err, "errno", None) == 13:
        return "no leave to open it; add this user to the group of the port"
    return text
