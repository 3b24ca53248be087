"""Observations on their way out: at their own step, by the hour or the day, and as CSV in pieces.

Years of them pass through without filling the memory.

Times are UTC in ISO 8601, numbers in the canonical unit named beside them. It writes no file: it gives text to whoever
sends it on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from api.state import BELIEVED
from hardware.quantities import QUANTITIES
from pipeline.service import Pipeline
from pipeline.site.models import InstalledChannel
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
    for frame in _pieces(store, installed, channels, start_ms, end_ms):
        yield frame.to_csv(index=False, header=False, lineterminator="\n")


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


def observations_at_step(
    pipeline: Pipeline, channels: list[str], start_ms: int, end_ms: int, step: str
) -> pd.DataFrame:
    """Observations as they are (`raw`), or drawn together to UTC hours or days with least, mean and greatest.

    Rain is summed, everything else averaged; only values that may be believed are drawn together.
    """
    if step == "day":
        frame = pipeline.store.steps(channels, start_ms, end_ms, DAY_MS)
        frame = frame.rename(columns={"start_ms": "measured_at_ms", "mean": "value"})
        rain = frame["channel"].isin(_rain_channels(pipeline))
        frame.loc[rain, "value"] = frame.loc[rain, "value"] * frame.loc[rain, "n"]
        return frame
    frame = pipeline.store.observations(channels, start_ms, end_ms)
    return frame if step == "raw" else _hourly(frame, _rain_channels(pipeline))


def observations_after(
    pipeline: Pipeline,
    channels: list[str],
    start_ms: int,
    end_ms: int,
    step: str,
    *,
    behind: tuple[str, int] | None,
    limit: int,
) -> pd.DataFrame:
    """At most `limit` of what `observations_at_step` gives, by channel and time, behind a place in that order."""
    if step == "raw":
        return pipeline.store.observations(channels, start_ms, end_ms, after=behind, limit=limit)
    frame = observations_at_step(pipeline, channels, start_ms, end_ms, step)
    if behind is not None:
        channel, at_ms = behind
        later = (frame["channel"] == channel) & (frame["measured_at_ms"] > at_ms)
        frame = frame[later | (frame["channel"] > channel)]
    return frame.iloc[:limit]


def _hourly(frame: pd.DataFrame, rain_channels: set[str]) -> pd.DataFrame:
    good = frame[frame["flag"].isin(BELIEVED) & frame["value"].notna()]
    hour_ms = good["measured_at_ms"] // HOUR_MS * HOUR_MS
    groups = good.assign(measured_at_ms=hour_ms).groupby(["channel", "measured_at_ms"], sort=True)["value"]
    hourly = groups.agg(value="mean", low="min", high="max", n="count", total="sum").reset_index()
    rain = hourly["channel"].isin(rain_channels)
    hourly["value"] = hourly["value"].where(~rain, hourly["total"])
    return hourly.drop(columns="total")


def _rain_channels(pipeline: Pipeline) -> set[str]:
    return {i for i, c in pipeline.config.channels().items() if c.channel.quantity == "rain"}
