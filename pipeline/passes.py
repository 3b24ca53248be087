"""Working out what passes changed and how thatch grows, for one station, from the findings that are stored.

It runs once the days and fortnights of a station stand. What was found of a pass that is no longer in the diary is
taken away. The sums and what they rest on are those of `pipeline.stages.passes`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pandas as pd

from pipeline.config import SiteConfig
from pipeline.periods import Finding, record_of
from pipeline.stages.passes import COMPARED, PASS_QUANTITIES, WINDOW_MS, Told, core_findings, pass_findings, touched
from pipeline.station import FINDING_COLUMNS, FOREVER_MS, STAGE_VERSION, StationContext
from pipeline.store import Store


def likest(config: SiteConfig, station: str) -> list[str]:
    """Other stations, those most like it first: of its surface, of its kind of surface, of its soil."""
    own = config.stations()[station]
    kinds = {surface.name: surface.kind for surface in config.surfaces}

    def unlike(name: str) -> tuple[bool, bool, bool, str]:
        other = config.stations()[name]
        return other.surface != own.surface, kinds[other.surface] != kinds[own.surface], other.soil != own.soil, name

    return sorted((name for name in config.stations() if name != station), key=unlike)


def redo_passes(
    store: Store,
    context: StationContext,
    others: Callable[[], Iterable[StationContext]],
    *,
    start_ms: int = 0,
    end_ms: int = FOREVER_MS,
) -> int:
    """Work out the passes that findings of start <= t < end touch, and the trends of cores, and store what is found.

    Parameters
    ----------
    store : Store
    context : StationContext
    others : callable
        Gives the other stations' contexts, the likest first; called only when a pass is touched.
    start_ms, end_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    int
        How many findings were stored.

    Raises
    ------
    StoreAway, StoreFull
    """
    again = touched(context, start_ms, end_ms)
    found = list(core_findings(context))
    if again:
        first, last = again[0].at_ms - WINDOW_MS, again[-1].at_ms + WINDOW_MS
        own = _told(store, context, first, last)
        beside = [_told(store, other, first, last) for other in others()]
        found += [finding for one in again for finding in pass_findings(own, beside, one)]
    _forget(store, context, {one.at_ms for one in again}, found)
    if found:
        store.upsert_findings(_table(context.station, found))
    return len(found)


def _told(store: Store, context: StationContext, first_ms: int, last_ms: int) -> Told:
    table = store.findings(context.station, sorted(set(COMPARED.values())), max(first_ms, 0), last_ms)
    table = table[table["value"].notna()]
    nothing = pd.DataFrame({"channel": [], "measured_at_ms": [], "value": [], "flag": []})
    return Told(context, record_of(nothing.astype({"measured_at_ms": "int64"}), table).findings)


def _forget(store: Store, context: StationContext, again_ms: set[int], found: list[Finding]) -> None:
    """Take away what was found of passes struck out, or is found no more."""
    kept = {(one.quantity, one.start_ms) for one in found}
    at_ms = {one.at_ms for one in context.passes} - again_ms
    stored = store.findings(context.station, PASS_QUANTITIES, 0, FOREVER_MS)
    for quantity, start_ms in zip(stored["quantity"], stored["start_ms"].tolist(), strict=True):
        if (quantity, start_ms) not in kept and start_ms not in at_ms:
            store.delete_findings(context.station, [quantity], start_ms, start_ms + 1)


def _table(station: str, found: list[Finding]) -> pd.DataFrame:
    table = pd.DataFrame(found, columns=list(Finding._fields)).assign(station=station, stage_version=STAGE_VERSION)
    return table.sort_values(["quantity", "start_ms"], kind="stable", ignore_index=True)[list(FINDING_COLUMNS)]
