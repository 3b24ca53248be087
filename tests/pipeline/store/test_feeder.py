"""The feeder: a row leaves the journal only after the server has given it back twice, seven days apart.

The server here is a small one in memory that can be told to lose rows; what must be left is counted by hand.
"""

import pytest

from hardware.reading import Batch, Reading, Status
from pipeline.errors import StoreAway
from pipeline.store.database import Database
from pipeline.store.journal import Journal
from pipeline.store.opening import RUNS_A_STEP, STAY_MS, Fed, Feeder
from pipeline.store.series import SqlStore

T0_MS = 1_704_067_200_000


class ForgetfulServer:
    """Keeps readings in memory; takes without keeping those of a channel in `refuses`; may be away."""

    def __init__(self):
        self.rows = set()
        self.refuses = set()
        self.away = False
        self.writes = 0

    def append_arrivals(self, arrivals):
        self._answer()
        self.writes += len(arrivals) > 0
        self.rows |= {r for readings, _ in arrivals for r in readings if r.channel not in self.refuses}

    def not_held(self, readings):
        self._answer()
        return [r for r in readings if r not in self.rows]

    def _answer(self):
        if self.away:
            raise StoreAway("server: found no answer, expected the server")


def readings_waiting(journal: Journal) -> int:
    return sum(len(run.readings) for run in journal.waiting(limit=1000))


@pytest.fixture
def database(tmp_path):
    opened = Database(tmp_path / "journal.db")
    yield opened
    opened.close()


def add(journal, first, count=5, channel="a/b/c"):
    readings = tuple(
        Reading("club", "north", "0" * 16, seq, channel, str(seq), T0_MS + seq, seq / 8, Status.OK, 1, True)
        for seq in range(first, first + count)
    )
    journal.append(Batch("club", "north", "0" * 16, 1, readings), T0_MS + first)
    return readings


def kept(database):
    return len(SqlStore(database).raw(["a/b/c", "x/y/z"], 0, 7_000_000_000_000))


def test_rows_read_back_leave_the_queue_and_stay_as_rows(database):
    """After one step the server holds them, the queue is empty, and the journal still has every row."""
    journal, server = Journal(database, feeding=True), ForgetfulServer()
    readings = add(journal, 1)
    assert Feeder(journal, server).step(T0_MS) == Fed(read_back=5)
    assert server.rows == set(readings)
    assert readings_waiting(journal) == 0 and kept(database) == 5
    assert Feeder(journal, server).step(T0_MS) == Fed()
    assert server.writes == 1


def test_rows_the_server_says_it_took_but_does_not_hold_stay_queued(database):
    """An answer of success is not believed; the run is written again until it is given back."""
    journal, server = Journal(database, feeding=True), ForgetfulServer()
    add(journal, 1)
    server.refuses = {"a/b/c"}
    assert Feeder(journal, server).step(T0_MS) == Fed(outstanding=5)
    assert readings_waiting(journal) == 5
    server.refuses = set()
    assert Feeder(journal, server).step(T0_MS) == Fed(read_back=5)


def test_a_run_the_server_never_gives_back_holds_up_no_other(database):
    """Runs that fail go to the end of the queue, so that good ones behind them are carried."""
    journal, server = Journal(database, feeding=True), ForgetfulServer()
    server.refuses = {"x/y/z"}
    for i in range(RUNS_A_STEP):
        add(journal, 1 + i, 1, channel="x/y/z")
    add(journal, RUNS_A_STEP + 1)
    feeder = Feeder(journal, server)
    assert feeder.step(T0_MS) == Fed(outstanding=RUNS_A_STEP)
    assert feeder.step(T0_MS).read_back == 5


def test_rows_go_after_seven_days_and_a_second_look(database):
    """Up to seven days they stay; then, read back once more, they go, and a repeat is still known as one."""
    journal, server = Journal(database, feeding=True), ForgetfulServer()
    add(journal, 1)
    feeder = Feeder(journal, server)
    feeder.step(T0_MS)
    assert feeder.step(T0_MS + STAY_MS) == Fed() and kept(database) == 5
    assert feeder.step(T0_MS + STAY_MS + 1) == Fed(let_go=5) and kept(database) == 0
    add(journal, 1)
    assert kept(database) == 0 and readings_waiting(journal) == 0 and journal.outboxes()[0].duplicates == 5


def test_rows_the_server_lost_within_the_seven_days_are_fed_again(database):
    """The second look finds the loss; the rows go back into the queue and to the server."""
    journal, server = Journal(database, feeding=True), ForgetfulServer()
    readings = add(journal, 1)
    feeder = Feeder(journal, server)
    feeder.step(T0_MS)
    server.rows.discard(readings[2])
    assert feeder.step(T0_MS + STAY_MS + 1) == Fed(queued_again=5)
    assert feeder.step(T0_MS + STAY_MS + 2) == Fed(read_back=5)
    assert server.rows == set(readings) and kept(database) == 5


def test_a_server_away_leaves_everything_queued(database):
    """The fault goes up to whoever backs off; nothing has left the journal."""
    journal, server = Journal(database, feeding=True), ForgetfulServer()
    add(journal, 1)
    server.away = True
    with pytest.raises(StoreAway):
        Feeder(journal, server).step(T0_MS)
    assert readings_waiting(journal) == 5 and kept(database) == 5


def test_a_step_carries_a_bounded_number_of_runs(database):
    """However long the queue, a step takes so many runs and no more."""
    journal, server = Journal(database, feeding=True), ForgetfulServer()
    for i in range(RUNS_A_STEP + 3):
        add(journal, 1 + i, 1)
    assert Feeder(journal, server).step(T0_MS) == Fed(read_back=RUNS_A_STEP)
    assert readings_waiting(journal) == 3
