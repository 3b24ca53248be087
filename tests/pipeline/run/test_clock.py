"""The pipeline's clock: wall time of the machine, or of the socket it follows; waits are real seconds.

Expected answers are those of a small server in the test, which speaks the line protocol `now` -> `NOW_MS RATE`.
"""

import socket
import threading
import time

import pytest

from pipeline.errors import ClockAway
from pipeline.run.clock import FollowClock, StepGuard, SystemClock


class Answers:
    """A clock socket that gives prepared answers, then hangs up."""

    def __init__(self, path, answers, *, hang_up_after=10**6):
        self.path, self.asked = path, []
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(str(path))
        self._listener.listen()
        self._answers, self._hang_up_after = iter(answers), hang_up_after
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection, connection.makefile("rb") as lines:
                for _, line in zip(range(self._hang_up_after), lines, strict=False):
                    self.asked.append(line)
                    connection.sendall(next(self._answers, b""))

    def close(self):
        self._listener.close()
        self.path.unlink()


@pytest.fixture
def path(tmp_path):
    return tmp_path / "clock.sock"


def test_the_system_clock_is_the_machines():
    """Wall time in ms agrees with the machine's to the second; monotonic does not go back."""
    clock = SystemClock()
    assert abs(clock.now_ms() - time.time() * 1000) < 1000
    assert clock.monotonic() <= clock.monotonic()


@pytest.mark.parametrize("clock", [SystemClock(), FollowClock(None)], ids=["system", "follow"])
def test_a_wait_ends_at_once_when_stopped(clock):
    """A set stop ends any wait and is reported; an unset one lets it run out."""
    stop = threading.Event()
    assert clock.wait(0.0, stop) is False
    stop.set()
    assert clock.wait(1000.0, stop) is True


@pytest.mark.parametrize("rate", [b"60", b"0"])
def test_followed_time_is_asked_each_time(path, rate):
    """Time is never guessed: each call asks, of a history too, where what has just come was measured just before."""
    times = [b"1706745600000", b"1706745600000", b"1709251200000"]
    server = Answers(path, [time + b" " + rate + b"\n" for time in times])
    clock = FollowClock(path)
    assert [clock.now_ms() for _ in range(3)] == [1706745600000, 1706745600000, 1709251200000]
    assert server.asked == [b"now\n"] * 3
    clock.close()
    server.close()


def test_a_followed_clock_says_whether_it_is_in_a_history(path):
    """Rate 0 is time that stands between two steps of a history; any other is time that runs."""
    server = Answers(path, [b"1706745600000 0\n", b"1709251200000 60\n"])
    clock = FollowClock(path)
    said = [(clock.now_ms(), clock.in_history, clock.rate)[1:] for _ in range(2)]
    assert said == [(True, 0.0), (False, 60.0)]
    clock.close()
    server.close()


def test_a_clock_started_anew_is_found_again(path):
    """A connection that was hung up is opened again within the same call."""
    server = Answers(path, [b"1 60\n", b"2 60\n", b"3 60\n"], hang_up_after=1)
    clock = FollowClock(path)
    assert [clock.now_ms() for _ in range(3)] == [1, 2, 3]
    clock.close()
    server.close()


def test_a_clock_that_is_gone_is_away(path):
    """No socket, or one that only hangs up, raises ClockAway and names the path."""
    clock = FollowClock(path)
    with pytest.raises(ClockAway, match=r"clock\.sock: found no answer"):
        clock.now_ms()
    server = Answers(path, [], hang_up_after=0)
    with pytest.raises(ClockAway):
        clock.now_ms()
    server.close()


@pytest.mark.parametrize("answer", [b"noon\n", b"\n", b"-5 0\n", b"1 2 3\n"])
def test_an_answer_out_of_form_is_away_and_not_a_time(path, answer):
    """What is not NOW_MS RATE is refused with what was found."""
    server = Answers(path, [answer])
    clock = FollowClock(path)
    with pytest.raises(ClockAway, match="expected NOW_MS RATE"):
        clock.now_ms()
    clock.close()
    server.close()


def test_an_answer_in_pieces_is_put_together(path):
    """A line that arrives in two parts is one answer."""
    server = Answers(path, [b"17067456", b"00000 0\n"])
    clock = FollowClock(path)
    clock._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    clock._socket.connect(str(path))
    clock._socket.sendall(b"now\n")
    assert clock.now_ms() == 1706745600000
    clock.close()
    server.close()


# --- steps of the machine's clock ------------------------------------------------------------------------------------

MINUTE_MS, DAY_MS = 60_000, 86_400_000
T0_MS = 1_772_323_200_000
YEAR_MS = 365 * DAY_MS


class Told:
    """A guard with its two clocks in the hand. Times in minutes from the beginning."""

    def __init__(self) -> None:
        self.guard, self.ahead_ms, self.steady_ms = StepGuard(T0_MS, 0), 0, 0

    def at(self, minute: float, *, confirmed: bool = False) -> float:
        """How far the time has gone at a minute. [minutes]"""
        self.steady_ms = round(minute * MINUTE_MS)
        clock_ms = T0_MS + self.steady_ms + self.ahead_ms
        return (self.guard.now_ms(clock_ms, self.steady_ms, confirmed=confirmed) - T0_MS) / MINUTE_MS

    def hear(self, minute: float) -> None:
        self.guard.witness(T0_MS + round(minute * MINUTE_MS), T0_MS + self.steady_ms + self.ahead_ms, self.steady_ms)


@pytest.mark.parametrize("step_ms", [DAY_MS, -DAY_MS, YEAR_MS, -YEAR_MS, 11 * MINUTE_MS])
def test_a_step_that_readings_speak_against_is_not_followed(step_ms: int) -> None:
    """For three hours, a reading each quarter hour by another clock; then it is set back, and nothing was taken."""
    told = Told()
    assert told.at(1) == 1
    told.ahead_ms = step_ms
    for minute in range(2, 182):
        assert told.at(minute) == minute
        if minute % 15 == 0:
            told.hear(minute - 0.1)
    told.ahead_ms = 0
    assert told.at(182) == 182 and not told.guard.taken


def test_a_step_is_taken_when_readings_agree_with_it_or_none_speaks_against_it() -> None:
    """Two readings a minute or more apart, or half an hour without one that agrees with the time before; a backlog that
    passes through the new time is no witness; once confirmed it is taken at once, and a small one always."""
    step = DAY_MS / MINUTE_MS
    told = Told()
    told.ahead_ms = DAY_MS
    assert told.at(1) == 1
    told.hear(1 + step)
    told.hear(1.5 + step)  # half a minute later
    assert told.at(2) == 2
    told.hear(2 + step)
    assert told.at(2) == 2 + step and list(told.guard.taken) == [
        (T0_MS + 2 * MINUTE_MS, T0_MS + 2 * MINUTE_MS + DAY_MS)
    ]

    told = Told()
    told.ahead_ms = -DAY_MS
    assert told.at(1) == 1 and told.at(30) == 30 and told.at(31) == 31 - step

    told = Told()
    told.ahead_ms = -DAY_MS
    for minute in (1, 2, 3, 4):
        told.at(minute)
        told.hear(minute - step + 20 * minute)  # yesterday's readings, twenty times as fast as they were taken
    assert told.at(5) == 5

    told = Told()
    told.ahead_ms = DAY_MS
    assert told.at(1, confirmed=True) == 1 + step
    told.ahead_ms += 9 * MINUTE_MS
    assert told.at(2) == 11 + step and len(told.guard.taken) == 1
