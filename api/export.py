"""Series on their way out: observations at their own step, by the hour or the day, as CSV in pieces, and as JSON.

Years of them pass through without filling the memory. Texts are made column by column, which is many times as fast as
row by row. Times are UTC in ISO 8601, numbers in the canonical unit named beside them. It writes no file: it gives text
to whoever sends it on.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

import numpy as np
import pandas as pd
from pydantic_core import to_json

from api.load import large_reads
from hardware.quantities import QUANTITIES
from pipeline.service import Pipeline
from pipeline.site.ground import InstalledChannel
from pipeline.store import Store
from pipeline.units import DAY_MS, HOUR_MS, Flag

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
    span = store.span(channels)
    first_ms, last_ms = (0, 0) if span is None else (max(start_ms, span[0]), min(end_ms, span[1] + 1))
    for channel in channels:
        for begin_ms in range(first_ms, last_ms, PIECE_MS):
            with large_reads.turn(admitted=True):
                found = store.observations([channel], begin_ms, min(begin_ms + PIECE_MS, last_ms))
                text = _table(found, installed.get(channel)).to_csv(index=False, header=False, lineterminator="\n")
            yield text


def _table(found: pd.DataFrame, installed: InstalledChannel | None) -> pd.DataFrame:
    times = np.datetime_as_string(found["measured_at_ms"].to_numpy("datetime64[ms]"), unit="ms")
    quantity = "" if installed is None else installed.channel.quantity
    names = {int(flag): flag.name.lower() for flag in Flag}
    return pd.DataFrame(
        {
            "channel": found["channel"],
            "time": np.char.add(times, "Z"),
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


LENGTH_MS = {"hour": HOUR_MS, "day": DAY_MS}


def observations_at_step(
    pipeline: Pipeline,
    channels: Sequence[str],
    start_ms: int,
    end_ms: int,
    step: str,
    *,
    behind: tuple[str, int] | None = None,
    limit: int | None = None,
) -> pd.DataFrame:
    """Return observations by channel and time: as they are (`raw`), or drawn together to UTC hours or days.

    Parameters
    ----------
    pipeline : Pipeline
    channels : sequence of str
    start_ms, end_ms : int
        start <= t < end; of hours and days those that begin within it, each whole. [ms since 1970, UTC]
    step : str
        `raw`, `hour` or `day`.
    behind : (str, int), optional
        Channel and time after which to begin.
    limit : int, optional
        No more rows than this are given, or read.

    Returns
    -------
    DataFrame
        `channel`, `measured_at_ms`, `value`; with `raw` and `flag`, or with `low`, `high` and their number `n`. Hours
        and days are of values that may be believed: rain is their sum, everything else their mean.
    """
    if step == "raw":
        return pipeline.store.observations(channels, start_ms, end_ms, after=behind, limit=limit)
    if limit is None:
        frame = pipeline.store.steps(channels, start_ms, end_ms, LENGTH_MS[step])
    else:
        frame = _page_of_steps(pipeline.store, channels, start_ms, end_ms, LENGTH_MS[step], behind, limit)
    rain_channels = {i for i, c in pipeline.config.channels().items() if c.channel.quantity == "rain"}
    total = frame["mean"] * frame["n"]
    value = frame["mean"].where(~frame["channel"].isin(rain_channels), total)
    return frame.assign(value=value).rename(columns={"start_ms": "measured_at_ms"})


def _page_of_steps(
    store: Store,
    channels: Sequence[str],
    start_ms: int,
    end_ms: int,
    step_ms: int,
    behind: tuple[str, int] | None,
    limit: int,
) -> pd.DataFrame:
    """At most `limit` steps behind a place. No span that is asked of the store can have more of them."""
    behind_channel, behind_ms = ("", 0) if behind is None else behind
    parts, left = [store.steps((), start_ms, end_ms, step_ms)], limit
    for channel in sorted(c for c in set(channels) if c >= behind_channel):
        first_ms = max(start_ms, behind_ms + 1) if channel == behind_channel else start_ms
        while first_ms < end_ms and left > 0:
            last_ms = min(end_ms, first_ms + left * step_ms)
            parts.append(store.steps([channel], first_ms, last_ms, step_ms))
            left, first_ms = left - len(parts[-1]), last_ms
    return pd.concat(parts, ignore_index=True)


def place_of_last(frame: pd.DataFrame, limit: int, by: tuple[str, str]) -> tuple[str, int] | None:
    """Return name and time, by these columns, of the last of the first `limit` rows; None when there are no more."""
    if len(frame) <= limit:
        return None
    name, at_ms = (frame[column].iloc[limit - 1] for column in by)
    return str(name), int(at_ms)


def time_texts(at_ms: np.ndarray) -> list[str]:
    """Times in ISO 8601, UTC, with milliseconds only where there are any. [ms since 1970]"""
    day, of_day = np.divmod(np.asarray(at_ms, dtype=np.int64), DAY_MS)
    days, which_day = np.unique(day, return_inverse=True)
    clocks, which_clock = np.unique(of_day, return_inverse=True)
    dates = [str(d) for d in days.astype("datetime64[D]")]
    times = [_clock(ms) for ms in clocks.tolist()]
    return [dates[d] + times[c] for d, c in zip(which_day.tolist(), which_clock.tolist(), strict=True)]


def _clock(of_day_ms: int) -> str:
    seconds, ms = divmod(of_day_ms, 1000)
    return f"T{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}" + (f".{ms:03d}Z" if ms else "Z")


def json_rows(columns: Mapping[str, Sequence[str] | None], *, quoted: Collection[str] = ()) -> str:
    """Return rows as a JSON array of objects.

    Parameters
    ----------
    columns : mapping of str to sequence of str, or None
        JSON texts, alike in number; None is null in every row.
    quoted : collection of str
        Columns whose texts are still to be put in quotes.
    """
    filled = [column for column in columns.values() if column is not None]
    rows, width = len(filled[0]), 2 * len(filled)
    if rows == 0:
        return "[]"
    before, between = list[str](), ""  # the text before each column
    for name, column in columns.items():
        between += f"{json.dumps(name)}:"
        if column is None:
            between += "null,"
        else:
            quote = '"' if name in quoted else ""
            before.append(between + quote)
            between = f"{quote},"
    first, end = before[0], between.rstrip(",")
    before[0] = f"{end}}},{{{first}"
    # Texts and columns have their places in one list, which is joined at once: a third of the time of row after row.
    laid = [""] * (rows * width)
    for place, (text, column) in enumerate(zip(before, filled, strict=True)):
        laid[2 * place :: width] = [text] * rows
        laid[2 * place + 1 :: width] = column
    laid[0] = f"[{{{first}"
    return f"{''.join(laid)}{end}}}]"


def number_texts(frame: pd.DataFrame, name: str) -> list[str] | None:
    """A column of numbers as JSON, null where there is none; None without that column."""
    if name not in frame or frame.empty:
        return None
    texts: list[str] = to_json(frame[name].tolist(), inf_nan_mode="null")[1:-1].decode().split(",")
    return texts


def json_texts(texts: Iterable[str]) -> list[str]:
    """Strings as JSON strings."""
    texts = list(texts)
    known = {text: json.dumps(text) for text in set(texts)}
    return [*map(known.__getitem__, texts)]


def observation_rows(frame: pd.DataFrame) -> str:
    """Return observations, or their means by the hour or the day, as a JSON array: see `schema.ObservationOut`."""
    return json_rows(
        {
            "channel": json_texts(frame["channel"].tolist()),
            "at": time_texts(frame["measured_at_ms"].to_numpy()),
            **{name: number_texts(frame, name) for name in ("value", "raw", "flag", "low", "high", "n")},
        },
        quoted=("at",),
    )


def finding_rows(frame: pd.DataFrame, units: Mapping[str, str]) -> str:
    """Return findings as a JSON array: see `schema.FindingOut`. `units` are by quantity."""
    start, end = (time_texts(frame[name].to_numpy()) for name in ("start_ms", "end_ms"))
    return json_rows(
        {
            "station": json_texts(frame["station"].tolist()),
            "quantity": json_texts(frame["quantity"].tolist()),
            "unit": json_texts(units.get(quantity, "") for quantity in frame["quantity"].tolist()),
            "start": start,
            "end": end,
            **{name: number_texts(frame, name) for name in ("value", "low", "high", "n")},
            "reason": json_texts(reason if isinstance(reason, str) else "" for reason in frame["reason"].tolist()),
        },
        quoted=("start", "end"),
    )
