"""Observations as CSV or JSON, in pieces, so that years of them pass through without filling the memory.

Times are UTC in ISO 8601, numbers in the canonical unit named beside them. It writes no file: it gives text to whoever
sends it on.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from hardware.quantities import QUANTITIES
from pipeline.site.models import InstalledChannel
from pipeline.store import Store
from pipeline.units import DAY_MS, Flag

COLUMNS = ("channel", "time", "quantity", "unit", "depth_m", "raw", "value", "flag")
PIECE_MS = 31 * DAY_MS


def csv_text(
    store: Store, installed: Mapping[str, InstalledChannel], channels: Sequence[str], start_ms: int, end_ms: int
) -> Iterator[str]:
    """Observations as CSV, header first, then channel by channel in the order of time.

    Parameters
    ----------
    store : Store
    installed : mapping of str to InstalledChannel
        From the settings; a channel that is not in it has no quantity, unit or depth.
    channels : sequence of str
    start_ms, end_ms : int
        start <= t < end. [ms since 1970, UTC]

    Yields
    ------
    str
        Whole lines.
    """
    yield ",".join(COLUMNS) + "\n"
    for frame in _pieces(store, installed, channels, start_ms, end_ms):
        yield frame.to_csv(index=False, header=False, lineterminator="\n")


def json_text(
    store: Store, installed: Mapping[str, InstalledChannel], channels: Sequence[str], start_ms: int, end_ms: int
) -> Iterator[str]:
    """Observations as one JSON list of objects, in pieces. Arguments as of `csv_text`; a missing number is null."""
    yield "["
    first = True
    for frame in _pieces(store, installed, channels, start_ms, end_ms):
        table = frame.astype(object).where(frame.notna(), None)
        for row in table.itertuples(index=False, name=None):
            record = json.dumps(dict(zip(COLUMNS, row, strict=True)), allow_nan=False)
            yield record if first else ",\n" + record
            first = False
    yield "]\n"


def _pieces(
    store: Store, installed: Mapping[str, InstalledChannel], channels: Sequence[str], start_ms: int, end_ms: int
) -> Iterator[pd.DataFrame]:
    span = store.span(channels)
    if span is None:
        return
    first_ms, last_ms = max(start_ms, span[0]), min(end_ms, span[1] + 1)
    for channel in channels:
        for begin_ms in range(first_ms, last_ms, PIECE_MS):
            found = store.observations([channel], begin_ms, min(begin_ms + PIECE_MS, last_ms))
            if not found.empty:
                yield _table(found, installed.get(channel))


def _table(found: pd.DataFrame, installed: InstalledChannel | None) -> pd.DataFrame:
    times = pd.to_datetime(found["measured_at_ms"], unit="ms", utc=True)
    quantity = "" if installed is None else installed.channel.quantity
    names = {int(flag): flag.name.lower() for flag in Flag}
    return pd.DataFrame(
        {
            "channel": found["channel"],
            "time": times.dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str.slice(0, 23) + "Z",
            "quantity": quantity,
            "unit": QUANTITIES[quantity].unit if quantity else "",
            "depth_m": float("nan")
            if installed is None or installed.channel.depth_m is None
            else installed.channel.depth_m,
            "raw": found["raw"],
            "value": found["value"],
            "flag": found["flag"].map(names),
        },
        columns=list(COLUMNS),
    )
