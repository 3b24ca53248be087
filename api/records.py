"""`underturf import` and `export`: records taken into the data folder with what they mean, and what is there given out.

An import holds the data folder while it works, so the service is stopped meanwhile; the nodes keep what they read. In
PostgreSQL a site that is held by another process takes it as a long job. An export only reads.
"""

from __future__ import annotations

import datetime
import gzip
import itertools
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from api.export import csv_text, diary_csv, findings_text
from api.job_commands import COMMAND, Tell, follow_jobs
from api.jobs import tell_holders
from pipeline.diary.entry import DiaryEntry
from pipeline.errors import PipelineFault, StoreTaken
from pipeline.jobs import IMPORT
from pipeline.records.exported import (
    DIARY,
    FINDINGS,
    OBSERVATIONS,
    check_export,
    content_key,
    diary_text,
    kind_of_export,
    read_diary_export,
)
from pipeline.records.hand_over import hand_over
from pipeline.records.hand_rows import read_entries
from pipeline.records.record_file import ImportFault
from pipeline.records.record_intake import CheckedRecord, check_record, keep_record
from pipeline.records.record_map import RecordMap, read_map
from pipeline.records.record_plan import column_plans, description_texts, new_channels
from pipeline.records.strokes import check_strokes
from pipeline.service import Pipeline
from pipeline.site.fields import nearest
from pipeline.site.settings import SiteConfig
from pipeline.stages.catalogue import CATALOGUE
from pipeline.store.backup import Progress
from pipeline.store.diary import NAMES, Diary
from pipeline.store.opening import Stores, dsn_of, job_queue, open_stores
from pipeline.units import DAY_MS, EVER_MS, FOREVER_MS, utc_text, whole_days_ms

LONG_EXPORT = 1_000_000  # characters, beyond which an export without a name is gzipped
FINDINGS_BEFORE_MS = 370 * DAY_MS  # how far before its first reading a finding of the diary may begin


@dataclass(frozen=True, slots=True)
class ImportAsked:
    """What was asked of an import: the file, its map, and whether it is only to be looked at."""

    file: Path
    map: Path | None
    preview: bool


def import_record(config: SiteConfig, asked: ImportAsked, now_ms: int, tell: Tell, progress: Progress) -> None:
    """Take a record in, or show what would become of it.

    Raises
    ------
    ImportFault
        The file or the map has a fault: then nothing is kept.
    PipelineFault
        The data folder is in use, or a store is away: what was kept by then stays, and the same again goes on.
    """
    config.data.dir.mkdir(parents=True, exist_ok=True)
    kind = kind_of_export(asked.file) if asked.map is None else ""
    if kind == FINDINGS:
        raise ImportFault(["found findings, expected observations: findings are worked out anew from those"])
    if kind == DIARY:
        _take_diary(config, read_diary_export(asked.file), asked, tell, progress)
        return
    record = None if asked.map is None else read_map(asked.map)
    if record is not None and record.entry is not None:
        _take_diary(config, read_entries(asked.file, record, config, now_ms=now_ms), asked, tell, progress)
        return
    with tempfile.TemporaryFile(dir=config.data.dir) as spool:
        if kind == OBSERVATIONS:
            checked = check_export(asked.file, config.channels(), spool, progress=progress)
        elif record is None or asked.map is None:
            raise ImportFault(["found no export of our own, expected --map with what its columns become (see --draft)"])
        elif record.strokes is not None:
            checked = check_strokes(asked.file, record, config, spool, now_ms=now_ms, progress=progress)
        else:
            plans = column_plans(record, config, asked.map.name)
            checked = check_record(
                asked.file, record, plans, spool,
                location=config.site.location, now_ms=now_ms, progress=progress, only_shown=asked.preview,
            )  # fmt: skip
        for line in checked.preview:
            tell(line)
        if asked.preview:
            tell("nothing was kept: this is the beginning of the file, and what each column becomes")
            return
        try:
            _take_in(config, checked, tell, progress)
        except StoreTaken:
            number = _hand_over(config, checked, asked.file.name, now_ms, tell)
            if job_failed := follow_jobs(dsn_of(config), {number: config.site.name}, tell):
                raise PipelineFault(job_failed) from None


def _hand_over(config: SiteConfig, checked: CheckedRecord, name: str, now_ms: int, tell: Tell) -> int:
    """Give a checked record to the process that holds its site; return the number of the job."""
    with closing(open_stores(config, hold=False)) as stores:
        hand_over(checked, stores.database)
    asked = {
        "record": checked.outbox_id, "channels": list(checked.channels), "count": checked.count, "file": name,
        "by": COMMAND, "asked_ms": now_ms,
    }  # fmt: skip
    number = job_queue(dsn_of(config)).ask(config.site.name, IMPORT, asked, same=checked.outbox_id)
    tell_holders(dsn_of(config), config.site.name)
    tell(f"{config.site.name} is held by another process, which takes it in: job {number}")
    return number


def _take_diary(
    config: SiteConfig, entries: Sequence[tuple[str, DiaryEntry]], asked: ImportAsked, tell: Tell, progress: Progress
) -> None:
    """Keep entries of a diary, each once, and work out what they change."""
    surfaces = {surface.name for surface in config.surfaces}
    strange = sorted({entry.surface for _, entry in entries} - surfaces)
    if strange:
        raise ImportFault([f"found the surface {name!r}, expected {nearest(name, surfaces)}" for name in strange])
    tell(f"{len(entries)} entries of the diary")
    if asked.preview:
        return
    try:
        pipeline = Pipeline(config)
    except StoreTaken:  # whoever holds it works out what they change
        with closing(open_stores(config, hold=False)) as stores:
            _write_entries(stores.diary, entries, tell)
        tell_holders(dsn_of(config), config.site.name, of="diary")
        return
    try:
        _write_entries(pipeline.diary, entries, tell)
        pipeline.catch_up(progress)
    finally:
        pipeline.stop()


def _write_entries(diary: Diary, entries: Sequence[tuple[str, DiaryEntry]], tell: Tell) -> None:
    """Keep entries in the order in which they were written; what names another by its number names it by that of here.

    One that says the same as an entry that was there before, struck or not, is not written again.
    """
    known = {entry.id for entry in diary.entries(None, *EVER_MS, asked=True)}
    alike: dict[str, list[int]] = {}  # standing ones first
    for struck in (False, True):
        for entry in diary.entries(None, *EVER_MS, struck=struck, asked=True):
            alike.setdefault(content_key(entry), []).append(entry.id)
    numbers: dict[int, int] = {}  # of here, by those of the export
    kept = set()
    for other, entry in sorted(entries, key=lambda one: one[1].id):
        # one that an earlier program exported, or imported, has the identity made for it
        before = diary.sent_as(other) or diary.sent_as(entry.sent_as)
        number = _alike(alike, entry, numbers) if before is None and entry.id else 0 if before is None else before.id
        if not number:
            body = _renumbered(entry, numbers, only_known=True)
            number = diary.add(replace(entry, body=body, id=0, sent_as=entry.sent_as or other)).id
        kept.add(number)
        numbers[entry.id] = _latest(diary, number)
    tell(f"{len(kept - known)} entries written, {len(kept & known)} were there before")


def _alike(alike: Mapping[str, Sequence[int]], entry: DiaryEntry, numbers: Mapping[int, int]) -> int:
    """Return the number of an entry that was there before and says the same; 0 for none."""
    found = alike.get(content_key(replace(entry, body=_renumbered(entry, numbers, only_known=False))), ())
    return entry.id if entry.id in found else next(iter(found), 0)


def _renumbered(entry: DiaryEntry, numbers: Mapping[int, int], *, only_known: bool) -> Mapping[str, object]:
    """Return the body of an entry with the numbers of here; one that is not known stays, or is left out.

    Left out is what lay beyond the days of the export: its number would name any entry here.
    """
    if not entry.id:
        return entry.body
    named = {key: number for key in NAMES if isinstance(number := entry.body.get(key), int)}
    there = {key: numbers.get(number, 0 if only_known else number) for key, number in named.items()}
    others = {key: value for key, value in entry.body.items() if key not in there}
    return {**others, **{key: number for key, number in there.items() if number}}


def _latest(diary: Diary, number: int) -> int:
    """Return the number of the entry that now stands in place of one."""
    while (after := diary.after(number)) is not None:
        number = after.id
    return number


def _take_in(config: SiteConfig, checked: CheckedRecord, tell: Tell, progress: Progress) -> None:
    for channel, one in zip(checked.channels, checked.summaries, strict=True):
        if one.n:
            span = f"{utc_text(one.first_ms)} to {utc_text(one.last_ms)}"
            tell(f"{channel}: {one.n} readings, {span}, {one.lowest:g} to {one.highest:g}")
    pipeline = Pipeline(config)
    try:
        kept = keep_record(
            checked, pipeline.journal, config.site.name, now_ms=pipeline.clock.now_ms(), progress=progress
        )
        tell(f"{kept.new} readings kept, {kept.before} were there before")
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


# --- what goes out -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ExportAsked:
    """What was asked of an export: observations, findings, the diary; of which place, from which day to which."""

    what: str
    station: str | None
    channels: Sequence[str]
    first: datetime.date | None
    last: datetime.date | None

    def fault(self, config: SiteConfig) -> str:
        """Return what names nothing of the site; empty where all is well."""
        if self.station is not None and self.station not in config.stations():
            return f"--station: found {self.station!r}, expected {nearest(self.station, config.stations())}"
        for channel in self.channels:
            if channel not in config.channels():
                return f"--channel: found {channel!r}, expected {nearest(channel, config.channels())}"
        return ""

    def span_ms(self, config: SiteConfig) -> tuple[int, int]:
        """Return the days asked for, by the site's clock: start <= t < end. [ms since 1970, UTC]"""
        start_ms, end_ms = whole_days_ms(self.first, self.last, config.site.timezone)
        return start_ms or 0, FOREVER_MS if end_ms is None else end_ms


def exported_text(config: SiteConfig, stores: Stores, asked: ExportAsked) -> Iterator[str]:
    """Return what was asked for as text, piece by piece."""
    start_ms, end_ms = asked.span_ms(config)
    own = [c for c in config.channels() if asked.station in (None, c.split("/", 1)[0])]
    channels = [c for c in own if c in asked.channels] if asked.channels else own
    if asked.what == "observations":
        return csv_text(stores.store, config.channels(), channels, start_ms, end_ms)
    if asked.what == "findings":
        span = stores.store.span(channels) or (0, 0)
        stations = [] if asked.channels else [s for s in config.stations() if asked.station in (None, s)]
        units = {entry.quantity: entry.unit for entry in CATALOGUE.values()}
        first_ms, last_ms = max(start_ms, span[0] - FINDINGS_BEFORE_MS), min(end_ms, span[1] + DAY_MS)
        return findings_text(stores.store, [*stations, *channels], units, first_ms, last_ms)
    entries = [
        entry
        for entry in stores.diary.entries(None, start_ms, end_ms, asked=True)
        if asked.station is None or entry.station in (None, asked.station)
    ]
    return diary_csv(entries) if asked.what == "diary.csv" else iter([diary_text(config.site.name, entries)])


def write_export(pieces: Iterator[str], out: Path | None, name: str) -> tuple[Path, int]:
    """Write an export, gzipped where its name asks for it, or where it was given none and is long.

    Returns
    -------
    (Path, int)
        The file, and how many lines it has.
    """
    begun: list[str] = []
    size = 0
    for piece in pieces:
        begun.append(piece)
        size += len(piece)
        if size > LONG_EXPORT:
            break
    if out is None:
        ending = "" if name.endswith(".csv") else ".json" if name.endswith("diary") else ".csv"
        out = Path(f"{name}{ending}{'.gz' if size > LONG_EXPORT else ''}")
    lines = 0
    part = out.with_name(f"{out.name}.part")
    with gzip.open(part, "wt", encoding="utf-8") if out.suffix == ".gz" else part.open("w", encoding="utf-8") as file:
        for piece in itertools.chain(begun, pieces):
            file.write(piece)
            lines += piece.count("\n")
    part.replace(out)
    return out, lines
