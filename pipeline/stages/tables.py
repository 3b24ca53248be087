"""The door between the stages' arrays and the tables of a store: readings in, observations and findings out."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.stages.stage import STAGE_VERSION, ChannelSeries, Finding, FindingRun, Observed
from pipeline.store import FINDING_COLUMNS, OBSERVATION_COLUMNS, frame_of
from pipeline.units import Flag

_SILENT = ("silent", "line_away", "no_value", "short", "not_read", "ok")  # of a reading without a number: nothing came


def series_of(raw: pd.DataFrame) -> Observed:
    """Return readings as series that are not yet calibrated.

    Parameters
    ----------
    raw : DataFrame
        Columns channel, measured_at_ms, raw, status, received_at_ms; others are left out. Of two rows of one
        channel and time the one that was heard stands, then the one received first.
    """
    codes, names = pd.factorize(raw["channel"], sort=True)
    time_ms = raw["measured_at_ms"].to_numpy(dtype=np.int64)
    received_ms = raw["received_at_ms"].to_numpy(dtype=np.int64)
    number = raw["raw"].to_numpy(dtype=np.float64, na_value=np.nan)
    ok = (raw["status"] == "ok").to_numpy(dtype=np.bool_)
    heard = ok & np.isfinite(number)
    silent = ~heard & raw["status"].isin(_SILENT).to_numpy(dtype=np.bool_)
    step = np.diff(codes)
    order: np.ndarray | slice = slice(None)
    if not np.all((step > 0) | ((step == 0) & (np.diff(time_ms) > 0))):
        order = np.lexsort((received_ms, ~ok, time_ms, codes))
        first = (np.diff(codes[order], prepend=-1) != 0) | (np.diff(time_ms[order], prepend=0) != 0)
        order = order[first]
        codes = codes[order]
    every = ChannelSeries(
        time_ms[order],
        received_ms[order],
        number[order],
        heard[order],
        silent[order],
        value=np.full(codes.size, np.nan),
        flag=np.full(codes.size, Flag.NOT_EVALUATED, dtype=np.uint8),
    )
    edges = np.searchsorted(codes, np.arange(len(names) + 1)).tolist()
    return {str(name): every.part(slice(a, b)) for name, (a, b) in zip(names, itertools.pairwise(edges), strict=True)}


def observations_table(channels: Observed) -> pd.DataFrame:
    """Return observations with the columns `OBSERVATION_COLUMNS`, by channel and time."""
    sizes = [one.time_ms.size for one in channels.values()]
    columns = {
        "channel": np.repeat(np.array(list(channels), dtype=object), sizes),
        "measured_at_ms": _stacked([one.time_ms for one in channels.values()]),
        "raw": _stacked([one.raw for one in channels.values()]),
        "value": _stacked([one.value for one in channels.values()]),
        "flag": _stacked([one.flag for one in channels.values()]),
        "stage_version": np.full(sum(sizes), STAGE_VERSION),
        "received_at_ms": _stacked([one.received_ms for one in channels.values()]),
    }
    return frame_of(OBSERVATION_COLUMNS, [columns[name] for name in OBSERVATION_COLUMNS])


def runs_table(runs: Sequence[FindingRun], station: str) -> pd.DataFrame:
    """Return runs of findings of a station with the columns `FINDING_COLUMNS`, in their order."""
    sizes = [run.start_ms.size for run in runs]
    start_ms = _stacked([run.start_ms for run in runs])
    columns = {
        "station": np.full(sum(sizes), station, dtype=object),
        "quantity": np.repeat(np.array([run.quantity for run in runs], dtype=object), sizes),
        "start_ms": start_ms,
        "end_ms": start_ms,
        "value": _stacked([run.value for run in runs]),
        "low": _stacked([run.low for run in runs]),
        "high": _stacked([run.high for run in runs]),
        "n": np.repeat(np.array([run.n for run in runs], dtype=np.int64), sizes),
        "reason": _stacked([run.reason for run in runs]),
        "stage_version": np.full(sum(sizes), STAGE_VERSION),
    }
    return frame_of(FINDING_COLUMNS, [columns[name] for name in FINDING_COLUMNS])


def _stacked(parts: Sequence[np.ndarray]) -> np.ndarray:
    return np.concatenate(parts) if parts else np.array([])


def findings_table(found: Sequence[Finding], station: str) -> pd.DataFrame:
    """Return findings of a station and its channels with the columns `FINDING_COLUMNS`, in their order."""
    columns = dict(zip(Finding._fields, zip(*found, strict=True), strict=True)) if found else {}
    columns["station"] = tuple(one.channel or station for one in found)
    columns["stage_version"] = (STAGE_VERSION,) * len(found)
    return frame_of(FINDING_COLUMNS, [columns.get(name, ()) for name in FINDING_COLUMNS])
