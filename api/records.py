"""`underturf import`: records of others looked at, described, and taken into the data folder, with what they mean.

It holds the data folder while it works, so the service is stopped meanwhile; the nodes keep what they read.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.records.record_file import ImportFault
from pipeline.records.record_intake import CheckedRecord, check_record, keep_record
from pipeline.records.record_map import RecordMap, read_map
from pipeline.records.record_plan import column_plans, description_texts, new_channels
from pipeline.service import Pipeline
from pipeline.site.settings import SiteConfig
from pipeline.store.backup import Progress
from pipeline.units import utc_text

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class ImportAsked:
    """What was asked of an import: the file, its map, and whether it is only to be looked at."""

    file: Path
    map: Path
    preview: bool


def import_record(config: SiteConfig, asked: ImportAsked, now_ms: int, say: Say, progress: Progress) -> None:
    """Take a record in, or show what would become of it.

    Raises
    ------
    ImportFault
        The file or the map has a fault: then nothing is kept.
    PipelineFault
        The data folder is in use, or a store is away: what was kept by then stays, and the same again goes on.
    """
    record = read_map(asked.map)
    config.data.dir.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryFile(dir=config.data.dir) as spool:
        plans = column_plans(record, config, asked.map.name)
        checked = check_record(
            asked.file, record, plans, spool,
            location=config.site.location, now_ms=now_ms, progress=progress, only_shown=asked.preview,
        )  # fmt: skip
        for line in checked.preview:
            say(line)
        if asked.preview:
            say("nothing was kept: this is the beginning of the file, and what each column becomes")
            return
        _take_in(config, checked, say, progress)


def _take_in(config: SiteConfig, checked: CheckedRecord, say: Say, progress: Progress) -> None:
    for channel, one in zip(checked.channels, checked.summaries, strict=True):
        if one.n:
            span = f"{utc_text(one.first_ms)} to {utc_text(one.last_ms)}"
            say(f"{channel}: {one.n} readings, {span}, {one.lowest:g} to {one.highest:g}")
    pipeline = Pipeline(config)
    try:
        kept = keep_record(
            checked, pipeline.journal, config.site.name, now_ms=pipeline.clock.now_ms(), progress=progress
        )
        say(f"{kept.new} readings kept, {kept.before} were there before")
        pipeline.catch_up(progress)
    finally:
        pipeline.stop()


def describe_channels(config: SiteConfig, record: RecordMap) -> Mapping[str, tuple[str, str]]:
    """Return, by its model, the description of each probe that a map needs, and the lines for the settings.

    Raises
    ------
    ImportFault
    """
    wanted = new_channels(record, config)
    if not wanted:
        raise ImportFault(["found no channel in the map that the settings have not got, expected one with `quantity`"])
    return description_texts(wanted, config)
