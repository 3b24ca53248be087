"""The pipeline's clock: wall time of the machine, or of the socket it follows; waits are real seconds.

Expected answers are those of a small server in the test, which speaks the line protocol `now` -> `NOW_MS RATE`.
"""

import socket
import threading
import time

import pytest

from pipeline.errors import ClockAway
from pipeline.run.clock import FollowClock, SystemClock


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


def test_followed_time_is_asked_each_time(path):
    """Time that stands and then leaps is never guessed: each call asks."""
    server = Answers(path, [b"1706745600000 0\n", b"1706745600000 0\n", b"1709251200000 60\n"])
    clock = FollowClock(path)
    assert [clock.now_ms() for _ in range(3)] == [1706745600000, 1706745600000, 1709251200000]
    assert server.asked == [b"now\n"] * 3
    clock.close()
    server.close()


def test_a_clock_started_anew_is_found_again(path):
    """A connection that was hung up is opened again within the same call."""
    server = Answers(path, [b"1 0\n", b"2 0\n", b"3 0\n"], hang_up_after=1)
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
