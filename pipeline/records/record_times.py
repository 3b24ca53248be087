"""From the times of a file to instants: one form, one zone, and what daylight saving makes of them.

An hour that comes twice in autumn and one that is left out in spring are faults unless the map says what is meant:
a record that is an hour out says that grass drinks by night.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from pipeline.records.record_map import STATED, TimeForm, zone_of
from pipeline.units import BoolArray, TimeArray, utc_text

NO_TIME = np.iinfo(np.int64).min
EARLIEST_MS = 0  # 1970: what stands before is no time of a record of turf
_DAY_0_OF_1900 = pd.Timestamp("1899-12-30")  # day 0 of the spreadsheets that count the 29 February 1900 (ISO/IEC 29500)


class RecordTimes:
    """Turns the texts of a file's times into instants, in the order of the file. `found` is told each fault."""

    def __init__(self, form: TimeForm, now_ms: int) -> None:
        self._form, self._now_ms = form, now_ms
        self._zone = None if form.zone == STATED else zone_of(form.zone)
        self._last_ms: dict[object, int] = {}  # by the channel of a long table, None of another

    def texts(self, columns: pd.DataFrame) -> pd.Series:
        """Return the text of each row's time: its columns one after the other, a blank between."""
        texts = columns[self._form.columns[0]]
        for name in self._form.columns[1:]:
            texts = texts.str.cat(columns[name], sep=" ")
        return texts

    def instants(
        self, texts: pd.Series, lines: TimeArray, of: pd.Series | None = None
    ) -> tuple[TimeArray, list[tuple[int, str]]]:
        """Return the instant of each text [ms since 1970, UTC], `NO_TIME` where it is at fault, and the faults by line.

        Parameters
        ----------
        texts : Series of str, shape (row,)
        lines : ndarray of int64, shape (row,)
            The number of the line of each.
        of : Series of str, shape (row,), optional
            The channel of each, in a table where a row has that of one: the order of time is that of each channel.
        """
        faults: list[tuple[int, str]] = []
        at_ms, local = self._read(texts)
        unread = at_ms == NO_TIME
        for row in np.flatnonzero(unread)[:MOST_TOLD]:
            faults.append((int(lines[row]), self._misread(str(texts.iloc[row]))))
        if local is not None:
            at_ms = self._localized(at_ms, unread, lines, faults, [None] * len(texts) if of is None else of.tolist())
        bad = at_ms == NO_TIME
        for mask, words in (
            (at_ms > self._now_ms, "which is still to come: expected a time that is past"),
            ((at_ms < EARLIEST_MS) & ~bad, "which is before 1970: expected a time of a record"),
        ):
            for row in np.flatnonzero(mask)[:MOST_TOLD]:
                faults.append((int(lines[row]), f"found {texts.iloc[row]!r}, {words}"))
        return at_ms, faults

    def _read(self, texts: pd.Series) -> tuple[TimeArray, object | None]:
        """Instants of times that say their distance from UTC, else wall-clock milliseconds and what marks them so."""
        form, stated = self._form.form, self._zone is None
        if form in ("unix", "days_since_1900"):
            numbers = pd.to_numeric(texts, errors="coerce").to_numpy(dtype=np.float64)
            known = np.isfinite(numbers) & (np.abs(numbers) < 1e11)
            scale, origin = (1000.0, 0) if form == "unix" else (86_400_000.0, _DAY_0_OF_1900.value // 1_000_000)
            found = np.where(known, np.round(np.where(known, numbers, 0.0) * scale) + origin, NO_TIME).astype(np.int64)
            return found, None if form == "unix" else True
        asked = "ISO8601" if form == "iso" else form
        read = _parsed(texts, asked, stated)
        if not stated and getattr(read.dt, "tz", None) is not None:
            return np.full(len(texts), NO_TIME, dtype=np.int64), None
        if stated and getattr(read.dt, "tz", None) is None:
            return np.full(len(texts), NO_TIME, dtype=np.int64), None
        return _milliseconds(read), None if stated else True

    def _misread(self, text: str) -> str:
        """Say why a text is no time of the form."""
        form = {"iso": "a time as 2026-05-01 06:15", "unix": "seconds since 1970"}.get(
            self._form.form, f"a time of the form {self._form.form!r}"
        )
        shown = f"found {text!r}, expected {form}" if text.strip() else f"found no time, expected {form}"
        bare = pd.to_datetime(pd.Series([text]), format="ISO8601", errors="coerce", utc=True).iloc[0]
        if self._zone is not None and not pd.isna(bare) and _says_its_zone(text):
            return f"{shown} without a distance from UTC: the map has zone = {self._form.zone!r}; write zone = 'stated'"
        if self._zone is None and not _says_its_zone(text):
            return f"{shown} with its distance from UTC (Z or +01:00), as zone = 'stated' says"
        return shown

    def _localized(
        self,
        wall_ms: TimeArray,
        unread: BoolArray,
        lines: TimeArray,
        faults: list[tuple[int, str]],
        of: Sequence[object],
    ) -> TimeArray:
        """Wall-clock milliseconds as instants. An hour that is left out, or comes twice, is looked at row by row."""
        assert self._zone is not None
        wall = pd.DatetimeIndex(np.where(unread, 0, wall_ms).astype("datetime64[ms]"))
        try:
            at_ms = np.asarray(wall.tz_localize(self._zone).tz_convert(None).as_unit("ms").asi8)
            doubtful = np.zeros(wall_ms.shape, dtype=np.bool_)
        except ValueError:
            local = wall.tz_localize(self._zone, ambiguous="NaT", nonexistent="NaT")
            doubtful = np.asarray(local.isna())
            at_ms = np.asarray(local.tz_convert(None).as_unit("ms").asi8)
        at_ms = np.where(unread, NO_TIME, at_ms)
        known = 0  # rows whose times are in `_last_ms`
        for row in np.flatnonzero(doubtful & ~unread).tolist():
            self._last_ms.update(zip(of[known:row], at_ms[known:row].tolist(), strict=True))
            known, before_ms = row, self._last_ms.get(of[row], NO_TIME)
            at_ms[row] = self._doubtful(int(wall_ms[row]), before_ms, int(lines[row]), faults)
        self._last_ms.update(zip(of[known:], at_ms[known:].tolist(), strict=True))
        return at_ms

    def _doubtful(self, wall_ms: int, before_ms: int, line: int, faults: list[tuple[int, str]]) -> int:
        wall = datetime.datetime(1970, 1, 1) + datetime.timedelta(milliseconds=wall_ms)
        first, second = (round(wall.replace(tzinfo=self._zone, fold=fold).timestamp() * 1000) for fold in (0, 1))
        zone, at = self._form.zone, f"{wall:%Y-%m-%d %H:%M}"
        winter = f"zone = {_standard(self._zone, wall)!r}"
        if first > second:  # PEP 495: in an hour left out, fold 0 is read by the time before, and lies behind
            words = f"an hour that {zone} leaves out in spring: a logger that keeps one time all year has {winter}"
            faults.append((line, f"found {at}, {words}"))
            return NO_TIME
        meant = self._form.repeated_hour
        if meant == "refuse":
            words = "write repeated_hour = 'in_order', 'first' or 'second' under [time]"
            words = f"an hour that comes twice in {zone} in autumn: {words}, or {winter} for one time all year"
            faults.append((line, f"found {at}, {words}"))
            return NO_TIME
        if meant == "in_order":
            return first if before_ms == NO_TIME or first > before_ms else second
        return first if meant == "first" else second


MOST_TOLD = 20  # faults of one kind told of a block


def out_of_order(at_ms: TimeArray, lines: TimeArray, last: tuple[int, int]) -> Iterator[tuple[int, str]]:
    """Yield a fault for each time that is not after the one before it.

    Parameters
    ----------
    at_ms, lines : ndarray of int64, shape (row,)
        [ms since 1970, UTC], and numbers of lines.
    last : (int, int)
        Time and line before the first; `NO_TIME` for none.
    """
    before_ms = np.concatenate([[last[0]], at_ms[:-1]])
    before_line = np.concatenate([[last[1]], lines[:-1]])
    known = (at_ms != NO_TIME) & (before_ms != NO_TIME)
    for row in np.flatnonzero(known & (at_ms <= before_ms))[:MOST_TOLD]:
        now, then = utc_text(int(at_ms[row])), utc_text(int(before_ms[row]))
        if at_ms[row] == before_ms[row]:
            yield int(lines[row]), f"found {now} a second time, after line {before_line[row]}: a row stands twice"
        else:
            words = "the clock stepped back, or rows are out of order; write order = 'any' under [time] if they may be"
            yield int(lines[row]), f"found {now} after {then} of line {before_line[row]}: {words}"


def _parsed(texts: pd.Series, form: str, stated: bool) -> pd.Series:
    try:
        return pd.to_datetime(texts, format=form, errors="coerce", utc=stated and _every_says_its_zone(texts))
    except (ValueError, TypeError):  # some with a zone, some without
        return pd.Series(pd.NaT, index=texts.index, dtype="datetime64[ms]")


def _every_says_its_zone(texts: pd.Series) -> bool:
    return bool(texts.map(_says_its_zone).all())


def _says_its_zone(text: str) -> bool:
    text = text.strip()
    return text.endswith(("Z", "z")) or (len(text) > 16 and ("+" in text[16:] or "-" in text[16:]))


def _milliseconds(read: pd.Series) -> TimeArray:
    index = pd.DatetimeIndex(read)
    naive = index.tz_convert(None) if index.tz is not None else index
    found = np.asarray(naive.as_unit("ms").asi8)
    return np.where(np.asarray(naive.isna()), NO_TIME, found)


def _standard(zone: datetime.tzinfo | None, near: datetime.datetime) -> str:
    """The distance from UTC of a zone in winter, as a map has it."""
    offsets = [near.replace(month=month, day=1, tzinfo=zone).utcoffset() for month in (1, 7)]
    least = min(o for o in offsets if o is not None)
    minutes = round(least.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
