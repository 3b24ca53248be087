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
from pipeline.diary.entry import DiaryEntry
from pipeline.records.exported import (
    DIARY,
    FINDINGS,
    FLAG_NAMES,
    OBSERVATION_EXPORT,
    OBSERVATIONS,
    channel_line,
    end_of,
    head_of,
)
from pipeline.service import Pipeline
from pipeline.site.ground import InstalledChannel
from pipeline.store import Store
from pipeline.units import DAY_MS, HOUR_MS

PIECE_MS = 31 * DAY_MS
FINDING_EXPORT = ("place", "quantity", "unit", "start", "end", "value", "low", "high", "n", "reason", "stage_version")


def csv_text(
    store: Store,
    installed: Mapping[str, InstalledChannel],
    channels: Sequence[str],
    start_ms: int,
    end_ms: int,
    *,
    doubts: Sequence[str] = (),
) -> Iterator[str]:
    """Observations as CSV that `underturf import` reads: a head that explains it, then channel by channel in time.

    Parameters
    ----------
    store : Store
    installed : mapping of str to InstalledChannel
        From the settings; a channel that is not in it has no quantity, unit or depth.
    channels : sequence of str
    start_ms, end_ms : int
        start <= t < end. [ms since 1970, UTC]
    doubts : sequence of str
        What is in doubt of the times now.

    Yields
    ------
    str
        Whole lines.
    """
    flags = ", ".join(f"{name} {number}" for number, name in FLAG_NAMES.items())
    yield head_of(
        OBSERVATIONS,
        [
            "time: measured, received: when it came in, both UTC; raw: as heard; value: in unit, by the stages",
            f"flag (IOC Manuals and Guides 54, 2013): {flags}",
            *(channel_line(installed[channel]) for channel in channels if channel in installed),
            *doubts,
        ],
    )
    yield ",".join(OBSERVATION_EXPORT) + "\n"
    span = store.span(channels)
    first_ms, last_ms = (0, 0) if span is None else (max(start_ms, span[0]), min(end_ms, span[1] + 1))
    count = 0
    for channel in channels:
        for begin_ms in range(first_ms, last_ms, PIECE_MS):
            with large_reads.turn(admitted=True):
                found = store.observations([channel], begin_ms, min(begin_ms + PIECE_MS, last_ms))
                text = _table(found, installed.get(channel)).to_csv(index=False, header=False, lineterminator="\n")
            count += len(found)
            yield text
    yield end_of(count)


def _table(found: pd.DataFrame, installed: InstalledChannel | None) -> pd.DataFrame:
    quantity = "" if installed is None else installed.channel.quantity
    return pd.DataFrame(
        {
            "channel": found["channel"],
            "time": _stamps(found["measured_at_ms"]),
            "quantity": quantity,
            "unit": QUANTITIES[quantity].unit if quantity else "",
            "depth_m": float("nan")
            if installed is None or installed.channel.depth_m is None
            else installed.channel.depth_m,
            "raw": found["raw"],
            "value": found["value"],
            "flag": found["flag"].map(FLAG_NAMES),
            "stage_version": found["stage_version"],
            "received": _stamps(found["received_at_ms"]),
        },
        columns=list(OBSERVATION_EXPORT),
    )


def _stamps(at_ms: pd.Series) -> np.ndarray:
    return np.char.add(np.datetime_as_string(at_ms.to_numpy("datetime64[ms]"), unit="ms"), "Z")


def findings_text(
    store: Store, places: Sequence[str], units: Mapping[str, str], start_ms: int, end_ms: int
) -> Iterator[str]:
    """Findings as CSV: a head that explains it, then place by place, in the order of quantity and time.

    Parameters
    ----------
    store : Store
    places : sequence of str
        Stations, and channels that have findings of their own.
    units : mapping of str to str
        By quantity.
    start_ms, end_ms : int
        start <= t < end. [ms since 1970, UTC]

    Yields
    ------
    str
        Whole lines.
    """
    yield head_of(
        FINDINGS,
        [
            "start, end: UTC; low, high: the range it may lie in; n: from how many; reason: why there is no value",
            "worked out from the readings: to have them elsewhere, import the observations and the diary there",
        ],
    )
    yield ",".join(FINDING_EXPORT) + "\n"
    count = 0
    for place in places:
        for begin_ms in range(start_ms, end_ms, PIECE_MS):
            with large_reads.turn(admitted=True):
                found = store.findings(place, None, begin_ms, min(begin_ms + PIECE_MS, end_ms))
                table = found.assign(
                    place=place, unit=[units.get(q, "") for q in found["quantity"]],
                    start=_stamps(found["start_ms"]), end=_stamps(found["end_ms"]),
                )  # fmt: skip
                text = table[list(FINDING_EXPORT)].to_csv(index=False, header=False, lineterminator="\n")
            count += len(found)
            yield text
    yield end_of(count)


def diary_csv(entries: Sequence[DiaryEntry]) -> Iterator[str]:
    """The diary as CSV, an entry a row, its body as JSON; the JSON form is the one to import elsewhere.

    Yields
    ------
    str
        Whole lines.
    """
    yield head_of(DIARY, ["at, end, written_at: UTC; body: as JSON"])
    table = pd.DataFrame(
        {
            "id": [e.id for e in entries],
            "kind": [e.kind for e in entries],
            "surface": [e.surface for e in entries],
            "station": [e.station or "" for e in entries],
            "at": time_texts(np.array([e.at_ms for e in entries], dtype=np.int64)),
            "end": ["" if e.end_ms is None else time_texts(np.array([e.end_ms]))[0] for e in entries],
            "author": [e.author for e in entries],
            "written_at": time_texts(np.array([e.written_at_ms for e in entries], dtype=np.int64)),
            "body": [json.dumps(dict(e.body), sort_keys=True) for e in entries],
        }
    )
    yield table.to_csv(index=False, lineterminator="\n")
    yield end_of(len(entries))


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
    """At most `limit` steps behind a place. No span that is asked of the store can have more of them, and years in
    which nothing was observed are passed over at once."""
    behind_channel, behind_ms = ("", 0) if behind is None else behind
    parts, left = [store.steps((), start_ms, end_ms, step_ms)], limit
    for channel in sorted(c for c in set(channels) if c >= behind_channel):
        first_ms = max(start_ms, behind_ms + 1) if channel == behind_channel else start_ms
        while first_ms < end_ms and left > 0:
            last_ms = min(end_ms, first_ms + left * step_ms)
            found = store.steps([channel], first_ms, last_ms, step_ms)
            parts.append(found)
            left, first_ms = left - len(found), last_ms
            if found.empty and last_ms < end_ms:
                following = store.observations([channel], last_ms, end_ms, limit=1)["measured_at_ms"].tolist()
                first_ms = max(last_ms, following[0] // step_ms * step_ms) if following else end_ms
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
