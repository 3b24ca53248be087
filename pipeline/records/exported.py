"""Exports of Underturf itself: their head and end, and their reading into another site, or an empty one.

An export of observations is read as raw readings with the times at which they were received; what they mean is worked
out anew. Its last line counts the rows, so that half of one is known as such. An export of the diary is read entry by
entry.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

import numpy as np
import pandas as pd

from hardware.quantities import QUANTITIES
from hardware.reading import Status
from pipeline.diary.entry import DiaryEntry, counts, entry_faults
from pipeline.records.record_file import ImportFault, blocks_of, fingerprint
from pipeline.records.record_intake import ChannelSummary, CheckedRecord, outbox_of
from pipeline.records.record_map import FileForm
from pipeline.records.record_rows import Faults, RecordRows, RowBlock
from pipeline.records.record_times import MOST_TOLD
from pipeline.site.fields import nearest
from pipeline.site.ground import InstalledChannel
from pipeline.store.backup import Progress
from pipeline.store.packed import STATUS_CODES
from pipeline.store.readings import RECORDED
from pipeline.units import Flag, TimeArray

OBSERVATIONS, FINDINGS, DIARY = "underturf observations 1", "underturf findings 1", "underturf diary 1"
DIARY_UNASKED, DIARY_ASKED = "diary 1", "diary 2"  # from before figures were asked about, and since
OBSERVATION_EXPORT = (
    *("channel", "time", "quantity", "unit", "depth_m", "raw", "value", "flag", "stage_version", "received"),
)
FLAG_NAMES = {int(flag): flag.name.lower() for flag in Flag}
_END = "# end: "


def head_of(kind: str, lines: Sequence[str]) -> str:
    """Return the head of an export: what it is, and lines that explain it, each behind the mark of a comment."""
    return "".join(f"# {line}\n" for line in (kind, *lines))


def end_of(rows: int) -> str:
    """Return the last line of an export."""
    return f"{_END}{rows} rows\n"


def channel_line(one: InstalledChannel) -> str:
    """Return the line of the head that says what `raw` of a channel is."""
    channel = one.channel
    made = "" if channel.calibration.curve == "identity" else f", by the curve {channel.calibration.curve}"
    return f"channel {one.id} hears {channel.heard} in {QUANTITIES[channel.heard].unit}{made}"


def kind_of_export(path: Path) -> str:
    """Return which export of ours a file is; empty for another file.

    Raises
    ------
    ImportFault
        The file cannot be read.
    """
    try:
        first = next(blocks_of(path, "utf-8")).text[:200].decode("utf-8", "replace")
    except (StopIteration, ImportFault):
        return ""
    if first.startswith('{"underturf":'):
        return DIARY
    line = first.partition("\n")[0].strip()
    return next((kind for kind in (OBSERVATIONS, FINDINGS, DIARY) if line == f"# {kind}"), "")


def check_export(
    path: Path, channels: Mapping[str, InstalledChannel], spool: IO[bytes], *, progress: Progress = lambda *_: None
) -> CheckedRecord:
    """Look through an export of observations to its end, setting down in the spool the readings they were made of.

    Parameters
    ----------
    path : Path
    channels : mapping of str to InstalledChannel
        Of the settings.
    spool : binary file
    progress : callable

    Raises
    ------
    ImportFault
        It is cut off, or has channels that the settings have not got or that hear something else there.
    """
    names = tuple(channels)
    faults = Faults()
    rows = RecordRows(path, FileForm.model_validate({"comment": "#"}), faults, progress=progress)
    rows.open()
    own = _check_channels(rows.head, channels, faults)
    outbox = outbox_of(fingerprint(path), (OBSERVATIONS, tuple(name for name in names if name in own)))
    checked = CheckedRecord(outbox, names, spool, summaries=[ChannelSummary() for _ in names])
    count = 0
    for block in rows.blocks(("channel", "time", "flag", "received"), ("raw",), ()):
        count += len(block.lines)
        _take_block(block, names, checked, faults)
    if not rows.tail or rows.tail[-1][1] != end_of(count).strip():
        last = repr(rows.tail[-1][1]) if rows.tail else "no last line"
        faults.add(rows.header_line + count, f"found {last}, expected {end_of(count).strip()!r}: it is cut off")
    faults.end()
    return checked


def _check_channels(head: Sequence[str], channels: Mapping[str, InstalledChannel], faults: Faults) -> set[str]:
    """Return the channels that the head names, and note those that this site has not."""
    found = set()
    for number, line in enumerate(head, 1):
        words = line.removeprefix("# ").split()
        if words[:1] == ["channel"] and len(words) > 3:
            found.add(words[1])
            known = channels.get(words[1])
            if known is None:
                faults.add(number, f"found the channel {words[1]!r}, expected {nearest(words[1], channels)}")
            elif known.channel.heard != words[3]:
                here = f"{known.channel.heard} as this site's settings have it"
                faults.add(number, f"found {words[1]} that hears {words[3]}, expected {here}")
    faults.end()
    return found


def _take_block(block: RowBlock, names: Sequence[str], checked: CheckedRecord, faults: Faults) -> None:
    place_of = {name: place for place, name in enumerate(names)}
    texts = block.texts
    places = texts["channel"].map(place_of)
    for row in np.flatnonzero(places.isna())[:MOST_TOLD]:
        faults.add(int(block.lines[row]), f"found the channel {texts['channel'].iloc[row]!r}, expected one of the head")
    flags = texts["flag"].map({name: number for number, name in FLAG_NAMES.items()})
    for row in np.flatnonzero(flags.isna())[:MOST_TOLD]:
        expected = ", ".join(FLAG_NAMES.values())
        faults.add(int(block.lines[row]), f"found the flag {texts['flag'].iloc[row]!r}, expected one of {expected}")
    at_ms = _instants(texts["time"], block.lines, "time", faults)
    received_ms = _instants(texts["received"], block.lines, "received", faults)
    if faults.told:
        return
    raw = block.numbers["raw"].to_numpy(dtype=np.float64)
    missing = flags.to_numpy(dtype=np.int64) == Flag.MISSING
    unheard = np.where(missing, STATUS_CODES[Status.SILENT], STATUS_CODES[Status.BAD_FRAME])
    rows = np.zeros(len(raw), dtype=RECORDED)
    rows["place"], rows["measured_at_ms"], rows["raw"] = places.to_numpy(dtype=np.int16), at_ms, raw
    rows["received_at_ms"], rows["status"] = received_ms, np.where(np.isfinite(raw), STATUS_CODES[Status.OK], unheard)
    checked.put(rows)
    for place in np.unique(rows["place"]).tolist():
        own = rows["place"] == place
        checked.summaries[place].add(at_ms[own], raw[own])


def _instants(texts: pd.Series, lines: TimeArray, column: str, faults: Faults) -> TimeArray:
    read = pd.to_datetime(texts, format="ISO8601", errors="coerce", utc=True)
    for row in np.flatnonzero(read.isna())[:MOST_TOLD]:
        faults.add(int(lines[row]), f"found {texts.iloc[row]!r}, expected a time as 2026-05-01T06:15:00.000Z", column)
    if faults.told:
        return np.zeros(len(texts), dtype=np.int64)
    return np.asarray(pd.DatetimeIndex(read).tz_convert(None).as_unit("ms").asi8)


# --- the diary ---------------------------------------------------------------------------------------------------


def diary_text(site: str, entries: Sequence[DiaryEntry]) -> str:
    """Return the diary as JSON, an entry a line."""
    lines = ",\n".join(json.dumps(_as_json(entry), sort_keys=True) for entry in entries)
    head = f'{{"underturf": "{DIARY_ASKED}", "site": {json.dumps(site)}, "count": {len(entries)}'
    return f'{head}, "entries": [\n{lines}\n]}}\n'


def _as_json(entry: DiaryEntry) -> dict[str, Any]:
    return {
        "kind": entry.kind, "surface": entry.surface, "station": entry.station, "at_ms": entry.at_ms,
        "end_ms": entry.end_ms, "author": entry.author, "written_at_ms": entry.written_at_ms, "body": dict(entry.body),
        "id": entry.id, **({"sent_as": entry.sent_as} if entry.sent_as else {}),
    }  # fmt: skip


def read_diary_export(path: Path) -> list[tuple[str, DiaryEntry]]:
    """Return the entries of an exported diary, each with the identity by which it is kept once where it has none.

    Each has the number that it had where it was exported, 0 where the export has none. All of one from before figures
    were asked about counted: they are confirmed.

    Raises
    ------
    ImportFault
        It is cut off, or has entries that may not be written.
    """
    text = b"".join(block.text for block in blocks_of(path, "utf-8"))
    try:
        table = json.loads(text)
        version = table["underturf"]
        entries = [_numbered(DiaryEntry(**one)) for one in table["entries"]]
    except json.JSONDecodeError as err:
        raise ImportFault([f"line {err.lineno}: found text that is not JSON ({err.msg}): it is cut off"]) from err
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as err:
        raise ImportFault([f"found no entries of a diary ({err}), expected what `underturf export` wrote"]) from err
    if version not in (DIARY_UNASKED, DIARY_ASKED):
        raise ImportFault([f"found {str(version)[:100]!r}, expected {DIARY_UNASKED} or {DIARY_ASKED}"])
    faults = [f"entry {number}: {fault}" for number, entry in enumerate(entries, 1) for fault in entry_faults(entry)]
    if faults:
        raise ImportFault(faults)
    keys = [content_key(entry) for entry in entries]
    if version == DIARY_UNASKED:
        entries = [_confirmed(entry) for entry in entries]
    return list(zip(keys, entries, strict=True))


def content_key(entry: DiaryEntry) -> str:
    """Return what two entries share that say the same, whatever number and identity each was given."""
    told = json.dumps(_as_json(replace(entry, id=0, sent_as="")), sort_keys=True)
    return f"export:{hashlib.sha256(told.encode()).hexdigest()}"


def _numbered(entry: DiaryEntry) -> DiaryEntry:
    if type(entry.id) is not int or entry.id < 0:
        raise ValueError(f"the number {entry.id!r}")
    return entry


def _confirmed(entry: DiaryEntry) -> DiaryEntry:
    """An entry that counted as it was, in a program that asked about no figure."""
    return entry if counts(entry) else replace(entry, body={**entry.body, "confirmed": True})
