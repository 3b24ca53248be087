"""Rows of a spreadsheet as entries of the diary: what was read by hand, done or seen, one entry a row.

An entry is written under a key made of the file and the line, so that the same file again writes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pipeline.diary.entry import KINDS, DiaryEntry, entry_faults
from pipeline.records.record_file import ImportFault, fingerprint
from pipeline.records.record_map import EntryForm, FieldForm, RecordMap
from pipeline.records.record_rows import Faults, RecordRows, RowBlock
from pipeline.records.record_times import NO_TIME, RecordTimes
from pipeline.records.unit_names import to_canonical
from pipeline.site.fields import nearest
from pipeline.site.settings import SiteConfig

_UNITS = {"mm": "mm", "kpa": "kPa", "percent": "%", "degc": "degC"}
"""The canonical unit by the last word of a field's name; of any other field a number is taken as it is."""


def read_entries(path: Path, record: RecordMap, config: SiteConfig, *, now_ms: int) -> list[tuple[str, DiaryEntry]]:
    """Return the entries of a file, each with the key under which it is kept once.

    Parameters
    ----------
    path : Path
    record : RecordMap
        With [entry].
    config : SiteConfig
    now_ms : int
        When they are written. [ms since 1970, UTC]

    Raises
    ------
    ImportFault
        With every fault of the file.
    """
    form = record.entry
    assert form is not None
    slopes = _slopes(form, config)
    faults = Faults()
    rows = RecordRows(path, record.file, faults)
    rows.open()
    times = RecordTimes(record.time, now_ms)
    numbers = [one.name for one in form.fields if one.unit is not None]
    words = [one.name for one in form.fields if one.unit is None]
    places = [] if form.place is None else [form.place]
    name = fingerprint(path)
    found: list[tuple[str, DiaryEntry]] = []
    for block in rows.blocks([*record.time.columns, *words, *places], numbers, record.file.missing):
        texts = times.texts(block.texts)
        at_ms, told = times.instants(texts, block.lines)
        for line, fault in told:
            faults.add(line, fault)
        for row in np.flatnonzero(at_ms != NO_TIME).tolist():
            line = int(block.lines[row])
            station = _station(block, row, form, config, line, faults)
            body = _body(block, row, form, slopes)
            if not body:
                continue
            entry = DiaryEntry(form.kind, form.surface, int(at_ms[row]), body, station, None, form.author, now_ms)
            for fault in entry_faults(entry):
                faults.add(line, fault)
            found.append((f"import:{name[:32]}:{form.kind}:{line}", entry))
    if not found:
        faults.add(rows.header_line, "found no entry below the header, expected some")
    faults.end()
    return found


def _slopes(form: EntryForm, config: SiteConfig) -> dict[str, float]:
    """What makes a number of each column one in the unit of its field."""
    faults = []
    surfaces = [surface.name for surface in config.surfaces]
    if form.kind not in KINDS:
        faults.append(f"entry.kind: found {form.kind!r}, expected {nearest(form.kind, KINDS)}")
    if form.surface not in surfaces:
        faults.append(f"entry.surface: found {form.surface!r}, expected {nearest(form.surface, surfaces)}")
    slopes = {}
    for one in form.fields:
        if one.unit is not None:
            canonical = _UNITS.get(one.key.rsplit("_", 1)[-1], "1")
            try:
                slopes[one.name] = to_canonical(one.unit, canonical)[0] * one.scale
            except ValueError as err:
                faults.append(f"entry.field {one.name!r}: unit: {err}")
    if faults:
        raise ImportFault(faults)
    return slopes


def _body(block: RowBlock, row: int, form: EntryForm, slopes: dict[str, float]) -> dict[str, object]:
    """The body of one entry; a field whose cell is empty is left out."""
    body: dict[str, object] = {}
    for one in form.fields:
        if one.unit is None:
            text = str(block.texts[one.name].iloc[row]).strip()
            if text:
                body[one.key] = text
        elif np.isfinite(value := float(block.numbers[one.name].iloc[row])):
            body[one.key] = _number(one, value * slopes[one.name])
    return body


def _number(field: FieldForm, value: float) -> float | int:
    """A count is a whole number in the body; a length or a share is not."""
    counts = field.key.rsplit("_", 1)[-1] not in _UNITS and value == int(value)
    return int(value) if counts else round(value, 6)


def _station(block: RowBlock, row: int, form: EntryForm, config: SiteConfig, line: int, faults: Faults) -> str | None:
    if form.place is None:
        return form.station
    place = str(block.texts[form.place].iloc[row]).strip()
    if not place:
        return form.station
    station = form.places.get(place, place)
    known: Sequence[str] = [
        s.name for surface in config.surfaces if surface.name == form.surface for s in surface.stations
    ]
    if station not in known:
        faults.add(line, f"found the place {place!r}, expected {nearest(place, [*form.places, *known])}")
        return None
    return station
