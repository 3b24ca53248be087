"""Frames at the store's door: their columns and types, the same for every store, empty frames included.

It checks and builds; it does not read or write anything.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

_TEXT = {"channel", "slot", "status", "station", "quantity", "reason"}
_WHOLE = {"measured_at_ms", "received_at_ms", "start_ms", "end_ms", "day_ms", "n", "flag"}
_REAL = {"raw", "value", "low", "mean", "high"}
_YES_NO = {"clock_ok"}


def built(names: Sequence[str], columns: Sequence[object]) -> pd.DataFrame:
    """A frame of these columns, each with the type its name has in every store."""
    return pd.DataFrame({name: _typed(name, column) for name, column in zip(names, columns, strict=True)})


def checked(frame: pd.DataFrame, names: Sequence[str], what: str) -> None:
    """Refuse a frame that lacks a column, or a whole number in one that needs it.

    Raises
    ------
    ValueError
        A fault of the caller: names the column.
    """
    missing = [name for name in names if name not in frame.columns]
    if missing:
        raise ValueError(f"{what}: found no column {', '.join(missing)}, expected {', '.join(names)}")
    for name in names:
        if name not in _REAL | {"reason"} and frame[name].isna().any():
            raise ValueError(f"{what}: found a missing {name}, expected one in every row")


def _typed(name: str, column: object) -> pd.Series:
    if name in _TEXT:
        return pd.Series(column, dtype="str")
    if name in _WHOLE:
        return pd.Series(column, dtype="int64")
    if name in _REAL:
        return pd.Series(column, dtype="float64")
    if name in _YES_NO:
        return pd.Series(column, dtype="bool")
    return pd.Series(column) if len(column) else pd.Series(column, dtype="int64")  # a version is a number or a text
