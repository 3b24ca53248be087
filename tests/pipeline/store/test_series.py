"""What the embedded store adds to the suite of all stores: one table with the journal, no needless writing.

Expected values are counts by hand and SQLite's own count of changed rows.
"""

from functools import partial

import numpy as np
import pandas as pd
import pytest

from hardware.reading import Batch, Reading, Status
from pipeline.store.database import Database
from pipeline.store.journal import Journal
from pipeline.store.packed import ROW
from pipeline.store.series import SqlStore
from pipeline.units import DAY_MS
from tests.pipeline.store.keeping import keep

T0_MS = 1_704_067_200_000
FOREVER = (0, 7_000_000_000_000)
C0 = "square-1/p1/c0"


@pytest.fixture
def database(tmp_path):
    opened = Database(tmp_path / "journal.db")
    yield opened
    opened.close()


def written(database):
    """Rows SQLite has changed through the writer so far."""
    with database.transaction() as tx:
        return tx.total_changes


def observations(count, value=1.0):
    return pd.DataFrame(
        {
            "channel": C0,
            "measured_at_ms": T0_MS + np.arange(count) * 900_000,
            "raw": np.where(np.arange(count) % 3, 0.5, np.nan),
            "value": value,
            "flag": 1,
            "stage_version": 1,
            "received_at_ms": T0_MS,
        }
    )


def findings(count):
    at_ms = T0_MS + np.arange(count) * 900_000
    columns = {"station": "s", "quantity": "q", "start_ms": at_ms, "end_ms": at_ms, "value": 1.0, "low": np.nan}
    return pd.DataFrame({**columns, "high": np.nan, "n": 6, "reason": None, "stage_version": 1})


def test_a_reading_of_the_journal_is_in_the_store_once(database):
    """What the journal kept is in the store; sent again it adds nothing."""
    rows = tuple(
        Reading("club", "north", "0" * 16, i, C0, str(i), T0_MS + i, 0.5, Status.OK, 1, True) for i in range(1, 6)
    )
    journal = Journal(database)
    store = SqlStore(database, channels=journal.channels)
    journal.append(Batch("club", "north", "0" * 16, 1, rows), T0_MS)
    assert len(store.raw([C0], *FOREVER)) == 5
    assert keep(store, rows, T0_MS) == 0
    with database.reading() as connection:
        assert connection.execute("SELECT sum(length(readings)) FROM run").fetchone() == (5 * ROW.itemsize,)


def test_rows_stored_just_so_are_not_written_again(database):
    """A recompute that changes nothing writes nothing; one that changes a value writes the day it lies in."""
    store = SqlStore(database)
    store.upsert_observations(observations(200))
    store.upsert_findings(findings(200))
    before = written(database)
    store.upsert_observations(observations(200))
    store.upsert_findings(findings(200))
    assert written(database) == before
    changed = observations(200)
    changed.loc[7, "value"] = 2.0
    store.upsert_observations(changed)
    assert written(database) - before == 1
    assert store.observations([C0], *FOREVER)["value"].sum() == 201


def test_two_stores_on_one_database_agree_about_channels(database):
    """Names entered through one are found through the other, whichever met them first."""
    one, other = SqlStore(database), SqlStore(database)
    one.upsert_observations(observations(1))
    other.upsert_observations(observations(1).assign(channel="a/b/c"))
    one.upsert_observations(observations(1).assign(channel="a/b/c", value=5.0))
    assert other.observations(["a/b/c", C0], *FOREVER)["value"].tolist() == [5.0, 1.0]


def test_a_channel_first_named_in_an_undone_change_is_entered_again(database):
    """The number of a name that was undone with its transaction is not used afterwards."""
    store = SqlStore(database)
    with pytest.raises(RuntimeError), database.transaction():
        store.upsert_observations(observations(1))
        raise RuntimeError
    store.upsert_observations(observations(1).assign(channel="a/b/c", value=7.0))
    store.upsert_observations(observations(1))
    found = SqlStore(database).observations([C0, "a/b/c"], *FOREVER)
    assert dict(zip(found["channel"], found["value"], strict=True)) == {"a/b/c": 7.0, C0: 1.0}


@pytest.fixture
def steps_of(database):
    """How many steps SQLite's machine takes, by its own count, to do something."""
    steps = []
    with database.reading() as connection:  # it is kept for the next one who reads
        connection.set_progress_handler(lambda: steps.append(1), 1)

    def count(do):
        steps.clear()
        do()
        return len(steps)

    return count


def test_a_channel_never_heard_costs_the_same_at_any_size_of_a_site(database, steps_of):
    """Asked for beside one that has been heard, by SQLite's own count, among 2 channels and among 500."""
    store = SqlStore(database)
    store.upsert_observations(observations(1))
    small = steps_of(lambda: store.latest([C0, "square-1/p1/mute"]))
    store.upsert_observations(pd.concat([observations(1).assign(channel=f"s{i}/p1/c0") for i in range(500)]))
    assert len(store.latest([C0, "square-1/p1/mute"])) == 1
    assert steps_of(lambda: store.latest([C0, "square-1/p1/mute"])) == pytest.approx(small, rel=0.1)


def test_a_page_costs_its_own_days_and_not_those_of_the_span(database, steps_of):
    """The same for a page of 10 among 60 rows and among 6,000, at the beginning, in the middle and at the end."""
    store = SqlStore(database)

    def page(place, end):
        found = store.observations([C0], T0_MS, FOREVER[1], after=(C0, T0_MS + place * 900_000 - 1), limit=10)
        assert len(found) == min(10, end - place)

    costs = []
    for count in (60, 6000):
        store.upsert_observations(observations(count))
        costs += [steps_of(partial(page, place, count)) for place in (0, count // 2, count - 10)]
    assert min(costs) > 10 and max(costs) - min(costs) <= 15  # a day more, where the page begins within one
    assert steps_of(lambda: store.observations([C0], *FOREVER)) > 5 * max(costs)  # the count does count


def kept(database, days, channels=(C0,)):
    """A store with readings of some days, one run an hour."""
    journal = Journal(database)
    seq = 1
    for hour in range(days * 24):
        at_ms = T0_MS + hour * 3_600_000
        rows = tuple(
            Reading("club", "north", "0" * 16, seq + i, channel, str(seq + i), at_ms + i, 0.5, Status.OK, 1, True)
            for i, channel in enumerate(channels)
        )
        journal.append(Batch("club", "north", "0" * 16, 1, rows), at_ms)
        seq += len(rows)
    return SqlStore(database)


def test_the_span_of_channels_costs_the_same_however_long_the_history(database, steps_of):
    """First and last edge are two columns of one row, not a search over the runs."""
    store = kept(database, 2)
    short = steps_of(lambda: store.span([C0]))
    with database.transaction() as tx:  # the same history, forty times as long
        tx.execute(
            "INSERT INTO span SELECT outbox, first_seq + 1000000 * n, last_seq + 1000000 * n, kind, run, "
            "first_ms + n * 172800000, last_ms + n * 172800000, received_at_ms, 0, 0, NULL, 0 FROM span, "
            "(WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < 40) SELECT n FROM c)"
        )
    assert steps_of(lambda: store.span([C0])) == short


def test_an_old_day_is_read_as_cheaply_as_the_last(database, steps_of):
    """The runs of a day are found by index from both sides: their number, not those before or after, is the cost."""
    store = kept(database, 60)
    days = [(T0_MS + day * DAY_MS, T0_MS + (day + 1) * DAY_MS) for day in (1, 30, 58)]
    cost = [steps_of(partial(store.raw, [C0], *day)) for day in days]
    assert max(cost) - min(cost) < 20
    assert steps_of(lambda: store.raw([C0], *FOREVER)) > 10 * max(cost)


def test_a_run_longer_than_the_others_is_found_in_the_middle_of_its_time(database):
    """A batch that a node held for a week belongs to each of its days, though it ends long after them."""
    store, at_ms = kept(database, 2), T0_MS + 3 * DAY_MS
    rows = tuple(
        Reading("club", "north", "0" * 16, 49 + i, C0, str(i), at_ms + i * DAY_MS, 1.5 + i, Status.OK, 1, True)
        for i in range(8)
    )
    Journal(database).append(Batch("club", "north", "0" * 16, 1, rows), at_ms)
    for day in range(8):
        assert store.raw([C0], at_ms + day * DAY_MS, at_ms + (day + 1) * DAY_MS)["raw"].tolist() == [1.5 + day]


def test_a_probe_that_has_been_silent_for_a_year_costs_a_step_a_day(database, steps_of):
    """Its last answer is looked for day by day, not slot by slot."""
    store = SqlStore(database)
    rows = observations(366 * 96)
    rows.loc[96:, ["value", "flag"]] = (np.nan, 9)
    store.upsert_observations(rows)
    assert steps_of(lambda: store.last_answers([C0])) < 366 * 8
    assert store.last_answers([C0])["measured_at_ms"].tolist() == [T0_MS + 95 * 900_000]
