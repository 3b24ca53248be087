"""A record on its way into the journal: looked through to its end first, then kept as readings of an outbox of its own.

What a file holds is kept under the node `IMPORTER` and an outbox named by the file's text and what its columns become,
so that the same record again is known by every number of it. While it is looked through, what it holds is set down in a
spool; nothing is kept of a file with a fault. The receipt of the outbox says where one that was broken off goes on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import numpy as np
import pandas as pd

from hardware.reading import Status
from pipeline.records.record_file import fingerprint
from pipeline.records.record_map import RecordMap
from pipeline.records.record_plan import ColumnPlan
from pipeline.records.record_rows import SHOWN_ROWS, Faults, RecordRows, RowBlock
from pipeline.records.record_times import NO_TIME, RecordTimes, out_of_order
from pipeline.soil.radiation import Location, day_of_year, solar_elevation_rad, solar_hour_angle_rad, solar_offset_ms
from pipeline.store.backup import Progress
from pipeline.store.journal import Journal
from pipeline.store.packed import STATUS_CODES
from pipeline.store.readings import IMPORTER, RECORDED, RecordedOutbox
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeArray, utc_text

KEPT_AT_ONCE = 50_000  # readings in one commit
NIGHT_RAD = -0.1  # the sun so far below the horizon that no pyranometer sees it: our own choice
NIGHT_SUN_W_M2 = 30.0
NIGHT_SHARE = 0.02  # of the hours of night with sun, beyond which a zone is wrong: our own choice
FEWEST_NIGHTS = 5
FEWEST_FOR_PERCENT = 20
_LIKELY_NONE = (-99.0, -99.9, -999.0, -9999.0, -99999.0, 9999.0, 99999.0, -6999.0, 7999.0, -32768.0, 32767.0, 65535.0)


@dataclass
class ChannelSummary:
    """What a record holds for one channel. [ms since 1970, UTC], [canonical unit]"""

    n: int = 0
    none: int = 0
    first_ms: int = 0
    last_ms: int = 0
    lowest: float = np.inf
    highest: float = -np.inf
    beyond: int = 0
    beyond_line: int = 0
    beyond_found: float = 0.0

    def add(self, at_ms: TimeArray, value: FloatArray) -> None:
        """Count in readings of a block."""
        if not at_ms.size:
            return
        self.first_ms = min(self.first_ms, int(at_ms.min())) if self.n else int(at_ms.min())
        self.last_ms = max(self.last_ms, int(at_ms.max())) if self.n else int(at_ms.max())
        self.n += at_ms.size
        if (known := value[np.isfinite(value)]).size:
            self.lowest, self.highest = min(self.lowest, float(known.min())), max(self.highest, float(known.max()))


@dataclass
class CheckedRecord:
    """A record without a fault, in its spool.

    Attributes
    ----------
    outbox_id : str
        By the file's text and what its columns become.
    channels : tuple of str
    count : int
        Readings in the spool.
    """

    outbox_id: str
    channels: tuple[str, ...]
    spool: IO[bytes]
    count: int = 0
    summaries: list[ChannelSummary] = field(default_factory=list)
    preview: list[str] = field(default_factory=list)

    def put(self, rows: np.ndarray) -> None:
        """Add readings, of `RECORDED`."""
        rows.tofile(self.spool)
        self.count += len(rows)


def outbox_of(text_sha256: str, meaning: object) -> str:
    """Return the name of the outbox of a file's text, read in one way."""
    return hashlib.sha256(f"{text_sha256}\n{meaning!r}".encode()).hexdigest()[:32]


def check_record(
    path: Path,
    record: RecordMap,
    plans: Sequence[ColumnPlan],
    spool: IO[bytes],
    *,
    location: Location | None,
    now_ms: int,
    progress: Progress = lambda *_: None,
    only_shown: bool = False,
) -> CheckedRecord:
    """Look through the whole of a file, setting down in the spool what it holds.

    Parameters
    ----------
    path : Path
    record : RecordMap
        Of columns.
    plans : sequence of ColumnPlan
    spool : binary file
    location : Location or None
        Of the site: sun by night tells a wrong zone.
    now_ms : int
        [ms since 1970, UTC]
    progress : callable
    only_shown : bool
        Look no further than the rows of the preview.

    Raises
    ------
    ImportFault
        With every fault of the file.
    """
    meaning = (record.file, record.time, record.long, tuple(plan.identity for plan in plans))
    checked = CheckedRecord(
        outbox_of(fingerprint(path), meaning), tuple(plan.channel for plan in plans), spool,
        summaries=[ChannelSummary() for _ in plans],
    )  # fmt: skip
    _Check(path, record, plans, checked, location, now_ms, progress).run(only_shown=only_shown)
    return checked


class _Check:
    """One look through a file."""

    def __init__(
        self, path: Path, record: RecordMap, plans: Sequence[ColumnPlan], checked: CheckedRecord,
        location: Location | None, now_ms: int, progress: Progress,
    ) -> None:  # fmt: skip
        self._record, self._plans, self._checked = record, plans, checked
        self._faults = Faults()
        self._rows = RecordRows(path, record.file, self._faults, progress=progress)
        self._times = RecordTimes(record.time, now_ms)
        self._last: dict[int, tuple[int, int]] = {}
        self._sun = _SunByNight(location) if location is not None else None
        self._left_out: dict[str, int] = {}

    def run(self, *, only_shown: bool) -> None:
        self._rows.open()
        time, long = list(self._record.time.columns), self._record.long
        texts = time if long is None else [*time, long.name]
        numbers = [plan.name for plan in self._plans] if long is None else [long.value]
        shown = 0
        for block in self._rows.blocks(texts, numbers, self._record.file.missing):
            at_ms = self._instants(block)
            if long is None:
                self._wide(block, at_ms)
            else:
                self._long(block, at_ms, long.name, long.value)
            shown += self._show(block, at_ms, SHOWN_ROWS - shown)
            if only_shown and shown >= SHOWN_ROWS:
                break
        else:
            self._end()
        self._faults.end()
        self._checked.preview += self._columns_in_words()

    def _instants(self, block: RowBlock) -> TimeArray:
        of = None if self._record.long is None else block.texts[self._record.long.name].str.strip()
        at_ms, faults = self._times.instants(self._times.texts(block.texts), block.lines, of)
        for line, words in faults:
            self._faults.add(line, words, " ".join(self._record.time.columns))
        return at_ms

    def _in_order(self, place: int, at_ms: TimeArray, lines: TimeArray) -> None:
        """Note where the times of a table, or of one channel of a long one, do not go on."""
        if self._record.time.order == "refuse" and at_ms.size:
            for line, words in out_of_order(at_ms, lines, self._last.get(place, (NO_TIME, 0))):
                self._faults.add(line, words)
            self._last[place] = int(at_ms[-1]), int(lines[-1])

    def _wide(self, block: RowBlock, at_ms: TimeArray) -> None:
        self._in_order(0, at_ms, block.lines)
        written = block.numbers.to_numpy(dtype=np.float64)
        values = np.empty_like(written)
        for place in range(len(self._plans)):
            values[:, place] = self._canonical(place, written[:, place], at_ms, block.lines)
        rows, places = np.nonzero(np.isfinite(values) & (at_ms != NO_TIME)[:, None])
        self._keep(at_ms[rows], places.astype(np.int16), values[rows, places])

    def _long(self, block: RowBlock, at_ms: TimeArray, name: str, value: str) -> None:
        names, written = block.texts[name].str.strip(), block.numbers[value].to_numpy(dtype=np.float64)
        codes, found = pd.factorize(names)
        place_of = {plan.name: place for place, plan in enumerate(self._plans)}
        places = np.array([place_of.get(str(one), -1) for one in found], dtype=np.int16)[codes]
        for one in found:
            if str(one) not in place_of:
                self._left_out[str(one)] = self._left_out.get(str(one), 0) + 1
        values = np.full(written.shape, np.nan)
        for place in np.unique(places[places >= 0]).tolist():
            own = places == place
            self._in_order(place, at_ms[own], block.lines[own])
            values[own] = self._canonical(place, written[own], at_ms[own], block.lines[own])
        kept = np.isfinite(values) & (at_ms != NO_TIME)
        self._keep(at_ms[kept], places[kept], values[kept])

    def _canonical(self, place: int, written: FloatArray, at_ms: TimeArray, lines: TimeArray) -> FloatArray:
        """Numbers of one channel in its canonical unit, NaN where there is none."""
        plan, summary = self._plans[place], self._checked.summaries[place]
        if plan.missing:
            written = np.where(np.isin(written, plan.missing), np.nan, written)
        values = written * plan.slope + plan.offset
        beyond = np.flatnonzero((values < plan.lowest) | (values > plan.highest))
        if beyond.size:
            if not summary.beyond:
                summary.beyond_line, summary.beyond_found = int(lines[beyond[0]]), float(written[beyond[0]])
            summary.beyond += beyond.size
            values[beyond] = np.nan
        summary.none += int(np.count_nonzero(np.isnan(values)))
        if self._sun is not None and plan.heard == "solar_radiation":
            self._sun.add(at_ms, values, lines)
        return values

    def _keep(self, at_ms: TimeArray, places: np.ndarray, values: FloatArray) -> None:
        rows = np.zeros(at_ms.size, dtype=RECORDED)
        rows["place"], rows["measured_at_ms"], rows["raw"] = places, at_ms, values
        rows["status"] = STATUS_CODES[Status.OK]
        self._checked.put(rows)
        for place, summary in enumerate(self._checked.summaries):
            own = places == place
            summary.add(at_ms[own], values[own])

    def _end(self) -> None:
        """Note what only the whole of the file shows."""
        for plan, summary in zip(self._plans, self._checked.summaries, strict=True):
            if summary.beyond and self._record.file.beyond == "refuse":
                self._faults.add(summary.beyond_line, _beyond_words(plan, summary), plan.name)
            elif plan.unit == "m3 m-3" and plan.slope == 0.01 and summary.n >= FEWEST_FOR_PERCENT and (
                summary.highest * 100.0 <= 1.0
            ):  # fmt: skip
                found = f"found none above {summary.highest * 100:g} {plan.written_unit}"
                words = f"{found}, expected per cent: are these m3/m3?"
                self._faults.add(self._rows.header_line, words, plan.name)
            elif not summary.n and self._record.long is not None:
                self._faults.add(self._rows.header_line, f"found no row of {plan.name!r}, expected some", plan.name)
        if not self._faults.told and not self._checked.count:
            self._faults.add(self._rows.header_line, "found no reading below the header, expected some")
        if self._sun is not None and (by_night := self._sun.fault(self._record.time.zone)):
            self._faults.add(*by_night)

    def _show(self, block: RowBlock, at_ms: TimeArray, most: int) -> int:
        """Add the first rows to the preview: line, time, and what is written in each column."""
        count = min(most, len(block.lines))
        for row in range(max(count, 0)):
            at = utc_text(int(at_ms[row])) if at_ms[row] != NO_TIME else "?"
            cells = ", ".join(f"{name} {block.numbers[name].iloc[row]:g}" for name in block.numbers)
            named = "" if self._record.long is None else f"{block.texts[self._record.long.name].iloc[row]}: "
            self._checked.preview.append(f"line {block.lines[row]}: {at}  {named}{cells}")
        return max(count, 0)

    def _columns_in_words(self) -> list[str]:
        used = {*self._record.time.columns, *(plan.name for plan in self._plans)}
        if self._record.long is not None:
            used |= {self._record.long.name, self._record.long.value}
        left = [name for name in self._rows.header if name and name not in used] + list(self._left_out)
        lines = [plan.words() for plan in self._plans]
        return lines + ([f"left out: {', '.join(left[:50])}"] if left else [])


class _SunByNight:
    """Counts the times at which a record has sun though there is none at the place: its zone is another."""

    def __init__(self, location: Location) -> None:
        self._location = location
        self._nights = self._suns = self._line = 0

    def add(self, at_ms: TimeArray, sun_w_m2: FloatArray, lines: TimeArray) -> None:
        """Count in a block. A stamp may stand at either end of its interval, so an hour on both sides is night too."""
        known = np.isfinite(sun_w_m2) & (at_ms != NO_TIME)
        if not known.any():
            return
        at, place = at_ms[known], self._location
        night = np.ones(at.size, dtype=np.bool_)
        for shift_ms in (-HOUR_MS, 0, HOUR_MS):
            day = day_of_year(at + shift_ms + solar_offset_ms(place.longitude_deg))
            angle = solar_hour_angle_rad((at + shift_ms) % DAY_MS / HOUR_MS, place.longitude_deg, day)
            night &= solar_elevation_rad(angle, place.latitude_deg, day) < NIGHT_RAD
        suns = np.flatnonzero(night & (sun_w_m2[known] > NIGHT_SUN_W_M2))
        if suns.size and not self._suns:
            self._line = int(lines[known][suns[0]])
        self._nights, self._suns = self._nights + int(night.sum()), self._suns + suns.size

    def fault(self, zone: str) -> tuple[int, str] | None:
        """Return the first line with sun by night, and what is said of it; None where that is no habit."""
        if self._suns < FEWEST_NIGHTS or self._suns < NIGHT_SHARE * self._nights:
            return None
        words = f"found sun in {self._suns} of {self._nights} rows of deep night at the site, the first here"
        return (
            self._line,
            f"{words}: the times are not of the zone {zone!r}, or the site's latitude and longitude are others",
        )


def _beyond_words(plan: ColumnPlan, summary: ChannelSummary) -> str:
    found, others = summary.beyond_found, summary.beyond - 1
    low, high = ((limit - plan.offset) / plan.slope for limit in (plan.lowest, plan.highest))
    low, high = min(low, high), max(low, high)
    hint = "write beyond = 'leave_out' under [file] if such numbers are none"
    if found in _LIKELY_NONE:
        hint = f"write missing = [{found:g}] if it means that there is none"
    elif plan.unit == "m3 m-3" and plan.slope == 1.0 and 1.0 < found <= 100.0:
        hint = "is it per cent by volume? Then unit = '%'"
    elif plan.unit == "degC" and plan.slope == 1.0 and 60.0 < found <= 130.0:
        hint = "is it degrees Fahrenheit? Then unit = 'degF'"
    elif plan.unit == "degC" and plan.slope == 1.0 and 230.0 < found <= 335.0:
        hint = "is it kelvin? Then unit = 'K'"
    more = f" (and {others} more like it)" if others else ""
    return f"found {found:g}{more}, expected {low:g} to {high:g} {plan.written_unit}: {hint}"


@dataclass(frozen=True, slots=True)
class KeptRecord:
    """How many readings of a record were kept now, and how many were there before."""

    new: int
    before: int


def keep_record(
    checked: CheckedRecord, journal: Journal, site: str, *, now_ms: int, progress: Progress = lambda *_: None
) -> KeptRecord:
    """Keep what is in the spool, from where the receipt of its outbox says that it was broken off.

    Parameters
    ----------
    checked : CheckedRecord
    journal : Journal
    site : str
    now_ms : int
        When they are received, where the record does not say. [ms since 1970, UTC]
    progress : callable

    Raises
    ------
    StoreFull, StoreAway
        What was kept stays kept; the same record again goes on from there.
    """
    outbox = RecordedOutbox(site, IMPORTER, checked.outbox_id)
    before = journal.receipt(site, IMPORTER, checked.outbox_id).seq
    checked.spool.flush()
    checked.spool.seek(before * RECORDED.itemsize)
    seq = before + 1
    whole = checked.count * RECORDED.itemsize
    while len(rows := np.fromfile(checked.spool, dtype=RECORDED, count=KEPT_AT_ONCE)):
        rows["received_at_ms"][rows["received_at_ms"] == 0] = now_ms
        journal.keep_recorded(outbox, checked.channels, seq, rows, now_ms)
        seq += len(rows)
        progress("kept", (seq - 1) * RECORDED.itemsize, whole)
    return KeptRecord(seq - 1 - before, before)
