"""Columns of numbers: what came from rows, what differs from what is stored. Expected values are plain Python."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.store.database import Database
from pipeline.store.series import SqlStore, joined, listed, numbers_of, real

value = st.one_of(st.none(), st.integers(-2, 2).map(float))
rows = st.dictionaries(
    st.tuples(st.sampled_from("ab"), st.sampled_from("pq"), st.integers(0, 9)),
    st.tuples(value, st.sampled_from([None, "", "why"])),
    max_size=12,
)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    database = Database(tmp_path_factory.mktemp("columns") / "journal.db")
    yield SqlStore(database)
    database.close()


def finding_rows(table, shuffled):
    columns = [(*key, *what) for key, what in (shuffled(table.items()) if shuffled else table.items())]
    station, quantity, start, number, reason = zip(*columns, strict=True)
    blank = dict.fromkeys(("low", "high"), np.full(len(columns), np.nan)) | dict.fromkeys(("n", "stage_version"), 1)
    at = {"start_ms": start, "end_ms": start, "value": np.array(number, dtype=float), "reason": reason}
    return pd.DataFrame({"station": station, "quantity": quantity, **at, **blank})


@given(rows, rows, st.data())
@settings(deadline=None)
def test_what_a_write_changes_is_what_a_dictionary_says(store, stored, new, data):
    """Of findings of two stations and quantities in any order those are written, and told, that the same place does not
    have with the same value and reason, missing being equal to missing; the rest stays."""
    for station in "ab":
        store.delete_findings(station, ["p", "q"], 0, 10)
    if stored:
        store.upsert_findings(finding_rows(stored, None))
    told = store.upsert_findings(finding_rows(new, lambda some: data.draw(st.permutations(list(some))))) if new else {}
    changed = {key: what for key, what in new.items() if stored.get(key) != what}
    times = {q: [at for _, of, at in changed if of == q] for q in "pq"}
    assert told == {q: (min(at), max(at)) for q, at in times.items() if at}
    for station in "ab":
        found = store.findings(station, None, 0, 10)
        kept = sorted((q, at, *what) for (of, q, at), what in {**stored, **new}.items() if of == station)
        numbers = [None if np.isnan(v) else v for v in found["value"]]
        reasons = [None if r is None or r != r else r for r in found["reason"]]
        assert list(zip(found["quantity"], found["start_ms"], numbers, reasons, strict=True)) == kept


def test_rows_become_columns():
    """Rows of numbers are turned, and no rows give no columns of the right width."""
    assert numbers_of([(1, 2.5), (3, 4)], 2).tolist() == [[1, 3], [2.5, 4]]
    assert numbers_of([], 3).shape == (3, 0) and joined([], 3).shape == (3, 0)


def test_what_is_not_finite_is_missing():
    """Infinity stands for NULL on the way, and becomes NaN."""
    assert np.isnan(real(np.array([np.inf, -np.inf, np.nan]))).all() and real(np.array([0.5])).tolist() == [0.5]


def test_a_list_of_nothing_matches_no_row():
    """An empty list is a number no row has, because SQLite would plan otherwise."""
    assert listed([3, 1]) == "3, 1" and listed([]) == "-1"
