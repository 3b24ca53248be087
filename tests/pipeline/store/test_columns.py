"""Columns of numbers: what came from rows, what differs from what is stored. Expected values are plain Python."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.store.sqlite import changed, joined, listed, numbers_of, real

value = st.one_of(st.none(), st.integers(-2, 2).map(float))


@given(st.dictionaries(st.integers(0, 9), value, max_size=8), st.dictionaries(st.integers(0, 9), value, max_size=8))
def test_changed_is_what_a_dictionary_says(stored, new):
    """A row counts as changed unless the same key has the same value, missing being equal to missing."""

    def array(table):
        return (
            np.array([[k, np.nan if v is None else v] for k, v in sorted(table.items())], dtype=float).reshape(-1, 2).T
        )

    expected = [k not in stored or stored[k] != v for k, v in sorted(new.items())]
    assert changed(array(new), array(stored)).tolist() == expected


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
