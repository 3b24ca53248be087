"""What the embedded store adds to the suite of all stores: one table with the journal, no needless writing.

Expected values are counts by hand and SQLite's own count of changed rows.
"""

import numpy as np
import pandas as pd
import pytest

from hardware.reading import Batch, Reading, Status
from pipeline.store.database import Database
from pipeline.store.journal import Journal
from pipeline.store.readings import ROW
from pipeline.store.sqlite import SqliteStore

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
    """What the journal kept is in the store without appending; appending it too adds nothing."""
    rows = tuple(
        Reading("club", "north", "0" * 16, i, C0, str(i), T0_MS + i, 0.5, Status.OK, 1, True) for i in range(1, 6)
    )
    journal = Journal(database)
    store = SqliteStore(database, channels=journal.channels)
    journal.append(Batch("club", "north", "0" * 16, 1, rows), T0_MS)
    assert store.is_journal
    assert len(store.raw([C0], *FOREVER)) == 5
    assert store.append(rows, T0_MS) == 0
    with database.reading() as connection:
        assert connection.execute("SELECT sum(length(readings)) FROM run").fetchone() == (5 * ROW.itemsize,)


def test_rows_stored_just_so_are_not_written_again(database):
    """A recompute that changes nothing writes nothing; one that changes a value writes that row and its day."""
    store = SqliteStore(database)
    store.upsert_observations(observations(200))
    store.upsert_findings(findings(200))
    before = written(database)
    store.upsert_observations(observations(200))
    store.upsert_findings(findings(200))
    assert written(database) == before
    changed = observations(200)
    changed.loc[7, "value"] = 2.0
    store.upsert_observations(changed)
    assert written(database) - before == 3  # the row, and its day's roll-up removed and made anew
    assert store.observations([C0], *FOREVER)["value"].sum() == 201


def test_two_stores_on_one_database_agree_about_channels(database):
    """Names entered through one are found through the other, whichever met them first."""
    one, other = SqliteStore(database), SqliteStore(database)
    one.upsert_observations(observations(1))
    other.upsert_observations(observations(1).assign(channel="a/b/c"))
    one.upsert_observations(observations(1).assign(channel="a/b/c", value=5.0))
    assert other.observations(["a/b/c", C0], *FOREVER)["value"].tolist() == [5.0, 1.0]


def test_a_channel_first_named_in_an_undone_change_is_entered_again(database):
    """The number of a name that was undone with its transaction is not used afterwards."""
    store = SqliteStore(database)
    with pytest.raises(RuntimeError), database.transaction():
        store.upsert_observations(observations(1))
        raise RuntimeError
    store.upsert_observations(observations(1).assign(channel="a/b/c", value=7.0))
    store.upsert_observations(observations(1))
    found = SqliteStore(database).observations([C0, "a/b/c"], *FOREVER)
    assert dict(zip(found["channel"], found["value"], strict=True)) == {"a/b/c": 7.0, C0: 1.0}


def test_a_page_costs_its_own_rows_and_not_those_of_the_span(database):
    """SQLite's own count of the steps its machine takes: the same for a page of 10 among 60 rows and among 6,000, at
    the beginning, in the middle and at the end."""
    store, steps = SqliteStore(database), []
    with database.reading() as connection:  # it is kept for the next one who reads
        connection.set_progress_handler(lambda: steps.append(1), 1)

    def cost(place, end):
        steps.clear()
        found = store.observations([C0], T0_MS, FOREVER[1], after=(C0, T0_MS + place * 900_000 - 1), limit=10)
        assert len(found) == min(10, end - place)
        return len(steps)

    costs = []
    for count in (60, 6000):
        store.upsert_observations(observations(count))
        costs += [cost(place, count) for place in (0, count // 2, count - 10)]
    assert min(costs) > 10 and max(costs) - min(costs) < 10
    steps.clear()
    assert len(store.observations([C0], *FOREVER)) == 6000 and len(steps) > 6000  # the count does count
