"""From raw readings to stored observations and findings, for one station and one span.

The worker uses it for what has just arrived, the command for what is to be done again; because both read the same raw
rows with the same lead-in, both store the same bytes. Raw readings are never changed. What is stored is left as it is
when the store fails halfway; doing it again mends it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline.config import SiteConfig
from pipeline.flags import Flag
from pipeline.stage_layers import LAYER_QUANTITIES
from pipeline.stages import LEAD_IN_MS, LOOK_AHEAD_MS, Dated, StationContext, StationFrame, process
from pipeline.store import OBSERVATION_COLUMNS, Store
from pipeline.store.diary import Diary, DiaryEntry

CHUNK_MS = 92 * 86_400_000  # of output at a time, to bound memory: about 10 000 slots of each channel
CELL_MS = 900_000
EVER_MS = (0, 2**62)


@dataclass(frozen=True, slots=True)
class Redone:
    """How many observations and findings were written."""

    observations: int = 0
    findings: int = 0

    def __add__(self, other: Redone) -> Redone:
        return Redone(self.observations + other.observations, self.findings + other.findings)


def station_context(config: SiteConfig, station: str, diary: Diary) -> StationContext:
    """What the stages must know of a station: the settings, and what people wrote in the diary since."""
    own = config.stations()[station]
    entries = diary.entries(("core", "watering"), *EVER_MS)
    here = [e for e in entries if e.surface == own.surface and e.station in (None, station)]
    context = StationContext.from_config(config, station, waterings=_waterings(here))
    cores = {core.at_ms: core for core in context.cores}
    cores |= {e.at_ms: Dated(e.at_ms, _thatch_m(e)) for e in here if e.kind == "core" and e.station == station}
    return replace(context, cores=tuple(cores[at_ms] for at_ms in sorted(cores)))


def redo(store: Store, context: StationContext, start_ms: int, end_ms: int) -> Redone:
    """Work out start <= t < end from raw and store it.

    Parameters
    ----------
    store : Store
    context : StationContext
    start_ms, end_ms : int
        Whole cells. [ms since 1970, UTC]

    Raises
    ------
    StoreAway, StoreFull
    """
    raw = store.raw(context.channel_ids, start_ms - LEAD_IN_MS, end_ms + LOOK_AHEAD_MS)
    if raw.empty:
        return Redone()
    frame = process(StationFrame.from_raw(raw), context, start_ms=start_ms, end_ms=end_ms)
    store.upsert_observations(frame.observations[list(OBSERVATION_COLUMNS)])
    store.upsert_findings(frame.findings)
    return Redone(len(frame.observations), len(frame.findings))


def recompute(
    store: Store, context: StationContext, *, start_ms: int | None = None, end_ms: int | None = None
) -> Redone:
    """Do a span of a station again from raw, whatever was stored for it.

    Parameters
    ----------
    store : Store
    context : StationContext
    start_ms, end_ms : int, optional
        Widened to whole cells. [ms since 1970, UTC] None: from the first, to the last reading.
    """
    heard = store.span([c for c in context.channel_ids if context.owns(c)])
    if heard is None:
        return Redone()
    first = heard[0] if start_ms is None else max(start_ms, heard[0])
    last = heard[1] + LEAD_IN_MS if end_ms is None else min(end_ms - 1, heard[1] + LEAD_IN_MS)
    start, end = first // CELL_MS * CELL_MS, -(-(last + 1) // CELL_MS) * CELL_MS
    done = Redone()
    while start < end:
        stop = min(start + CHUNK_MS, end)
        store.delete_findings(context.station, LAYER_QUANTITIES, start, stop)
        done += redo(store, context, start, stop)
        start = stop
    return done


def keep_unknown(store: Store, channels: Iterable[str], start_ms: int, end_ms: int) -> Redone:
    """Observations of channels that the settings do not name: kept as heard, not evaluated, without a value."""
    raw = store.raw(sorted(channels), start_ms, end_ms)
    if raw.empty:
        return Redone()
    observations: pd.DataFrame = StationFrame.from_raw(raw).observations
    heard = (observations["status"] == "ok").to_numpy()
    observations = observations.assign(
        channel=observations["channel"].astype("str"),
        flag=np.where(heard, Flag.NOT_EVALUATED, Flag.MISSING).astype(np.uint8),
    )
    store.upsert_observations(observations[list(OBSERVATION_COLUMNS)])
    return Redone(len(observations))


def _waterings(entries: Iterable[DiaryEntry]) -> tuple[tuple[int, int], ...]:
    return tuple((e.at_ms, e.at_ms if e.end_ms is None else e.end_ms) for e in entries if e.kind == "watering")


def _thatch_m(entry: DiaryEntry) -> float:
    value = entry.body["thatch_mm"]
    assert isinstance(value, int | float)  # the diary takes no core without it
    return value / 1000.0
