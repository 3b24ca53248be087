"""A simulated season taken through the server's own stages: readings in, observations and findings out.

The settings are those a groundsman would write for the same probes, as the demo writes them. Limits are learned every
four weeks from what was known by then, as the running server does it. `in_memory` runs the stages on a table of
readings; `work_out` keeps them in a real store first. Nothing here knows the truth.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import tomli_w

from api.demo_configs import configs
from hardware.reading import Batch, Reading, Sample, Status
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.station import ChannelLimits, StationContext
from pipeline.service import load_settings as load
from pipeline.site.settings import SiteConfig
from pipeline.stages.climate import DAILY_CLIMATE
from pipeline.stages.field_limits import due_ms, learn, limits_found
from pipeline.stages.layers import layers
from pipeline.stages.recompute import Drawn, process, recompute, station_context
from pipeline.stages.stage import Record, find, findings_table, series_of
from pipeline.store import series_of_channels, series_of_findings
from pipeline.store.opening import Stores, open_stores
from tests.pipeline.contexts import changed

BATCH = 2000
OUTBOX = "0123456789abcdef"
CELL_MS = 900_000


def settings(ready: Mapping[str, Any], folder: Path, more: Mapping[str, Any] | None = None) -> SiteConfig:
    """The server's settings for what a simulated site tells of itself.

    Parameters
    ----------
    ready : mapping
        See `simulator.site.describe`.
    folder : Path
        For the file, and for data.
    more : mapping, optional
        Merged in: tables by key, `surface` into every surface.
    """
    server, _ = configs(dict(ready), broker_port=18831, pages_port=18420)
    server.pop("clock")
    extra = dict(more or {})
    for surface in server["surface"]:
        surface.update(extra.get("surface", {}))
    for key, value in extra.items():
        if key != "surface":
            server[key] = {**server.get(key, {}), **value}
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "underturf.toml"
    path.write_text(tomli_w.dumps(server), encoding="utf-8")
    return load(path)


def table_of(heard: Iterable[Sample]) -> pd.DataFrame:
    """Readings as a store hands them out."""
    rows = [(h.channel, h.measured_at_ms, h.raw, h.status.value) for h in heard]
    table = pd.DataFrame(rows, columns=["channel", "measured_at_ms", "raw", "status"])
    return table.assign(clock_ok=True, received_at_ms=table["measured_at_ms"])


@dataclass(frozen=True)
class Known:
    """What the server knows of a station at the end of a season."""

    context: StationContext
    observations: pd.DataFrame
    findings: pd.DataFrame  # of layers and of days

    def record(self) -> Record:
        """Believed values by channel, and findings by quantity."""
        return Record(series_of_channels(self.observations), series_of_findings(self.findings))


def in_memory(config: SiteConfig, station: str, raw: pd.DataFrame) -> Known:
    """Run the stages over a season's readings, learn the limits that fall due, and lay the layers anew.

    Parameters
    ----------
    config : SiteConfig
    station : str
    raw : DataFrame
        See `table_of`.
    """
    context = _as_played(StationContext.from_config(config, station), raw)
    drawn = process(series_of(raw), context)
    record = drawn.record
    first, last = int(raw["measured_at_ms"].min()), int(raw["measured_at_ms"].max())
    days = findings_table(find([DAILY_CLIMATE], record, context, first, last), station)
    demand = series_of_findings(days)
    learned: dict[str, tuple[ChannelLimits, ...]] = {}
    for at_ms in due_ms(first, last):
        before = Record(record.between(0, at_ms).channels, Record({}, demand).between(0, at_ms).findings)
        for channel, limits in _limits(findings_table(limits_found(before, context, at_ms), station), at_ms).items():
            learned[channel] = (*learned.get(channel, ()), limits)
    context = changed(context, learned=learned)
    again = Drawn(station, drawn.channels, tuple(layers(drawn.channels, context)))
    findings = pd.concat([again.findings, days], ignore_index=True)
    return Known(context, drawn.observations, findings.sort_values(["quantity", "start_ms"], ignore_index=True))


def _as_played(context: StationContext, raw: pd.DataFrame) -> StationContext:
    """Without channels of salt where none are played: they are not silent, they are not there."""
    heard = set(raw["channel"].unique())
    channels = {i: c for i, c in context.channels.items() if i in heard or c.quantity != "bulk_ec"}
    return changed(context, channels=channels)


def _limits(table: pd.DataFrame, at_ms: int) -> dict[str, ChannelLimits]:
    found = {}
    for channel, rows in table.groupby("station"):
        by = {row.quantity: row for row in rows.itertuples()}
        dry, drained = by["dry_limit"], by["drained_limit"]
        found[str(channel)] = ChannelLimits(
            at_ms, dry.value, drained.value, (dry.low, dry.high), (drained.low, drained.high)
        )
    return found


@dataclass(frozen=True)
class Worked:
    """Settings and stores with everything worked out."""

    config: SiteConfig
    stores: Stores

    def context(self, station: str) -> StationContext:
        """The station as the stages know it at the end."""
        return station_context(self.config, station, self.stores.diary, self.stores.store)


def work_out(config: SiteConfig, raw: pd.DataFrame, diary: Iterable[DiaryEntry] = ()) -> Worked:
    """Keep readings and diary in a new store, run all stages, learn the limits that fall due, run the layers anew.

    Parameters
    ----------
    config : SiteConfig
        Its data folder must be empty.
    raw : DataFrame
        See `table_of`; in the order of arrival.
    diary : iterable of DiaryEntry
    """
    stores = open_stores(config)
    for batch in _batches(config.site.name, raw):
        stores.journal.append(batch, max(one.measured_at_ms for one in batch.readings))
    for entry in diary:
        stores.diary.add(entry)
    worked = Worked(config, stores)
    for station in config.stations():
        _station(worked, station)
    return worked


def _batches(site: str, raw: pd.DataFrame) -> Iterator[Batch]:
    columns = (raw[name].tolist() for name in ("channel", "measured_at_ms", "raw", "status"))
    waiting: list[Reading] = []
    for seq, (channel, at_ms, value, status) in enumerate(zip(*columns, strict=True), start=1):
        heard = None if value is None or value != value else value
        slot = str(at_ms // 1000)
        waiting.append(Reading(site, "node-1", OUTBOX, seq, channel, slot, at_ms, heard, Status(status), 1, True))
        if len(waiting) == BATCH:
            yield Batch(site, "node-1", OUTBOX, 1, tuple(waiting))
            waiting = []
    if waiting:
        yield Batch(site, "node-1", OUTBOX, 1, tuple(waiting))


def _station(worked: Worked, station: str) -> None:
    store = worked.stores.store
    recompute(store, worked.context(station))
    span = store.span(worked.context(station).moisture)
    if span is None:
        return
    due = due_ms(*span)
    for at_ms in due:
        learn(store, worked.context(station), at_ms)
    if due:
        # what was learned holds from its moment on: observations stand, layers after it are done again
        recompute(store, worked.context(station), start_ms=due[0] // CELL_MS * CELL_MS)
