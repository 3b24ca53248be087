"""The forms in which rows lie on the disk: readings of a run, observations of a channel's day. Pure.

Both are fixed-width records, little-endian. A form may be followed by another and is never changed. Observations are
compressed: times become differences, the bytes of a block are written column by column, and what changes little from
row to row nearly vanishes.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Mapping, Sequence

import numpy as np

from hardware.reading import Reading, ReadingColumns, Status, digest_of
from pipeline.units import DAY_MS, Flag, TimeArray, is_believed

ROW = np.dtype(
    [
        ("channel", "<i4"),
        ("measured_at_ms", "<i8"),
        ("slot", "<i8"),  # grid seconds; -1, -2, ... is the first, second, ... of the texts beside the rows
        ("raw", "<f8"),  # NaN where there is none
        ("status", "u1"),
        ("attempts", "u1"),  # NOISY more where the line of a reading without check characters was noisy
        ("clock_ok", "u1"),
    ]
)
"""A reading: 31 bytes."""
NOISY = 0x80  # above any number of tries

# Written into the rows: a code once given stays, whatever order the statuses have in the source.
STATUS_CODES = {
    Status.OK: 0,
    Status.SILENT: 1,
    Status.BAD_FRAME: 2,
    Status.BAD_CHECK: 3,
    Status.WRONG_ADDRESS: 4,
    Status.SHORT: 5,
    Status.NO_VALUE: 6,
    Status.LINE_AWAY: 7,
    Status.NOT_READ: 8,
}
STATUSES = {code: status for status, code in STATUS_CODES.items()}

ZLIB_LEVEL = 1  # 6 saves a tenth more and takes twice as long

# A slot of grid seconds is packed as a number when writing it out again gives the same text.
_GRID_SLOT = re.compile(r"[1-9]\d{0,14}").fullmatch


class DamagedBlock(ValueError):
    """A block on the disk that does not read as what was packed; the text says what was found and expected."""


def pack(readings: ReadingColumns, numbers: Mapping[str, int]) -> tuple[np.ndarray, str | None]:
    """Return readings as rows, and the slots that are texts as a JSON list, None when there are none.

    Parameters
    ----------
    readings : ReadingColumns
    numbers : mapping of str to int
        Number of each channel name.
    """
    texts: list[str] = []
    slots = {text: int(text) if _GRID_SLOT(text) else 0 for text in set(readings.slot)}
    for text, number in slots.items():
        if number == 0:
            texts.append(text)
            slots[text] = -len(texts)
    rows = np.empty(len(readings), dtype=ROW)
    rows["channel"] = [*map(numbers.__getitem__, readings.channel)]
    rows["measured_at_ms"] = readings.measured_at_ms
    rows["slot"] = [*map(slots.__getitem__, readings.slot)]
    rows["raw"] = np.array(readings.raw, dtype=np.float64)
    ok, codes = Status.OK, STATUS_CODES  # asking for one member is cheaper than looking it up
    rows["status"] = [0 if status is ok else codes[status] for status in readings.status]
    rows["attempts"] = readings.attempts
    if True in readings.noisy:
        rows["attempts"] |= np.where(readings.noisy, np.uint8(NOISY), np.uint8(0))
    rows["clock_ok"] = readings.clock_ok
    return rows, json.dumps(texts) if texts else None


def rows_of(packed: bytes) -> np.ndarray:
    """Return the rows of one run, or of several joined."""
    return np.frombuffer(packed, dtype=ROW)


_SQUEEZED = np.dtype([*ROW.descr, ("received_at_ms", "<i8")])


def squeeze(rows: np.ndarray, received_ms: np.ndarray) -> bytes:
    """Return readings of several runs, with their times of receipt, as a compressed block. It loses nothing.

    Parameters
    ----------
    rows : ndarray of ROW, shape (n,)
    received_ms : ndarray of int, shape (n,)
        [ms since 1970, UTC]
    """
    steps = np.empty(len(rows), dtype=_SQUEEZED)
    for name in ROW.names or ():
        steps[name] = rows[name]
    for name in ("measured_at_ms", "slot"):
        steps[name][1:] = np.diff(rows[name])
    steps["received_at_ms"] = received_ms - rows["measured_at_ms"]
    return _compressed(steps)


def stored_rows(packed: bytes, named: str | None, squeezed: bool, received_ms: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the readings of a run as stored, plain or squeezed, and the time of receipt of each.

    Parameters
    ----------
    packed : bytes
    named : str or None
        The slots that are texts, as `pack` gave them.
    squeezed : bool
    received_ms : int
        Of a plain run. [ms since 1970, UTC]

    Raises
    ------
    DamagedBlock
    """
    try:
        rows, received = _stored_rows(packed, squeezed, received_ms)
        texts = json.loads(named) if named else []
    except (ValueError, RecursionError, zlib.error) as err:
        raise DamagedBlock(f"found {len(packed)} bytes that do not read as readings ({err})") from err
    if not isinstance(texts, list) or not all(isinstance(text, str) for text in texts):
        raise DamagedBlock(f"found {named!r:.60} for the slots that are texts, expected a list of texts")
    if rows["status"].max(initial=0) >= len(STATUSES) or -rows["slot"].min(initial=0) > len(texts):
        raise DamagedBlock("found a reading with a status or a slot that there is none of")
    return rows, received


def _stored_rows(packed: bytes, squeezed: bool, received_ms: int) -> tuple[np.ndarray, np.ndarray]:
    if not squeezed:
        return rows_of(packed), np.full(len(packed) // ROW.itemsize, received_ms, dtype=np.int64)
    columns = _columns(packed, _SQUEEZED)
    steps = columns.T.copy().view(_SQUEEZED).reshape(-1)
    rows = columns[: ROW.itemsize].T.copy().view(ROW).reshape(-1)
    for name in ("measured_at_ms", "slot"):
        rows[name] = np.cumsum(steps[name])
    return rows, steps["received_at_ms"] + rows["measured_at_ms"]


def _compressed(rows: np.ndarray) -> bytes:
    """Return rows compressed, the bytes of each place of a row after those of the place before."""
    return zlib.compress(rows.view(np.uint8).reshape(-1, rows.dtype.itemsize).T.tobytes(), ZLIB_LEVEL)


def _columns(packed: bytes, form: np.dtype) -> np.ndarray:
    """Return what was compressed, of shape (bytes of a row, rows)."""
    return np.frombuffer(zlib.decompress(packed), np.uint8).reshape(form.itemsize, -1)


def channel_edges(rows: np.ndarray) -> list[tuple[int, int, int]]:
    """Return number, first and last time of each channel in readings. [ms since 1970, UTC]"""
    order = np.lexsort((rows["measured_at_ms"], rows["channel"]))
    number, times = rows["channel"][order], rows["measured_at_ms"][order]
    begins = np.flatnonzero(np.diff(number, prepend=-1))
    ends = np.append(begins[1:], len(number)) - 1
    return list(zip(number[begins].tolist(), times[begins].tolist(), times[ends].tolist(), strict=True))


def dated(rows: np.ndarray, first_seq: int, dating: Sequence[tuple[int, int, int]]) -> np.ndarray:
    """Return readings at the times at which they were taken.

    Parameters
    ----------
    rows : ndarray of ROW, shape (n,)
        Consecutive readings of an outbox.
    first_seq : int
        Number of the first of them.
    dating : sequence of (int, int, int)
        First and last number of readings that were sent before their clock was set, and by how much later they were
        taken. [ms] Those whose clock was set are left as they are.
    """
    moved = rows.copy()
    seq = first_seq + np.arange(len(rows))
    for first, last, by_ms in dating:
        those = (rows["clock_ok"] == 0) & (seq >= first) & (seq <= last)
        moved["measured_at_ms"][those] += by_ms
        moved["clock_ok"][those] = 1
    return moved


NOTE_EDGES = (
    "INSERT INTO carries (outbox, channel, first_ms, last_ms) VALUES (?, ?, ?, ?) "
    "ON CONFLICT (channel, outbox) DO UPDATE SET "
    "first_ms = CASE WHEN carries.first_ms < excluded.first_ms THEN carries.first_ms ELSE excluded.first_ms END, "
    "last_ms = CASE WHEN carries.last_ms > excluded.last_ms THEN carries.last_ms ELSE excluded.last_ms END"
)
"""Takes an outbox and one of `channel_edges`."""


def unpack(
    packed: bytes, named: str | None, names: Mapping[int, str], site: str, node: str, outbox_id: str, first_seq: int
) -> tuple[Reading, ...]:
    """Return the readings of one run as they were packed; `names` gives the channel of each number."""
    texts = json.loads(named) if named else []
    return tuple(
        Reading(
            site,
            node,
            outbox_id,
            first_seq + place,
            names.get(channel) or f"channel {channel}",
            str(slot) if slot > 0 else texts[-slot - 1],
            measured_at_ms,
            raw if STATUSES[status] is Status.OK else None,
            STATUSES[status],
            attempts & ~NOISY,
            bool(clock_ok),
            bool(attempts & NOISY),
        )
        for place, (channel, measured_at_ms, slot, raw, status, attempts, clock_ok) in enumerate(
            rows_of(packed).tolist()
        )
    )


LAST_RUN = (
    "SELECT s.first_seq, s.last_seq, s.received_at_ms, s.squeezed, r.readings, r.named FROM span s "
    "JOIN run r ON r.id = s.run WHERE s.outbox = ? AND s.kind = 1 AND s.first_seq <= ? "
    "ORDER BY s.first_seq DESC LIMIT 1"
)
"""The last run of an outbox that begins up to a number."""


def digest_in_run(
    run: tuple[int, int, int, bool, bytes, str | None], names: Mapping[int, str], until_seq: int
) -> tuple[int, str]:
    """Return number and digest of the last reading up to a number in a run, as `LAST_RUN` gives it.

    The digest is empty where the run does not read.
    """
    first, last, received_ms, squeezed, packed, named = run
    seq = min(last, until_seq)
    try:
        row = stored_rows(packed, named, squeezed, received_ms)[0][seq - first :][:1].tobytes()
    except DamagedBlock:
        return seq, ""
    return seq, digest_of(unpack(row, named, names, "", "", "", seq)[0]) if row else ""


OBSERVED = np.dtype(
    [
        ("measured_at_ms", "<i8"),
        ("raw", "<f8"),  # NaN where there is none, as in value
        ("value", "<f8"),
        ("received_at_ms", "<i8"),
        ("version", "<i4"),  # number in stage_version
        ("flag", "u1"),
    ]
)
"""An observation: 37 bytes before it is compressed."""


def pack_day(rows: np.ndarray) -> bytes:
    """Return observations of one channel, increasing in time, as a compressed block.

    Parameters
    ----------
    rows : ndarray of OBSERVED, shape (n,)
    """
    steps = rows.copy()
    steps["measured_at_ms"][1:] = np.diff(rows["measured_at_ms"])
    steps["received_at_ms"] -= rows["measured_at_ms"]
    return _compressed(steps)


def unpack_days(blocks: Sequence[bytes]) -> tuple[np.ndarray, np.ndarray]:
    """Return the observations of several blocks one after the other, and how many each block holds.

    Returns
    -------
    rows : ndarray of OBSERVED
    sizes : ndarray of int, shape (blocks,)

    Raises
    ------
    DamagedBlock
        When one of them does not read.
    """
    if not blocks:
        return np.empty(0, dtype=OBSERVED), np.zeros(0, dtype=np.int64)
    parts = _blocks(blocks)
    rows = np.ascontiguousarray(np.concatenate(parts, axis=1).T).view(OBSERVED).reshape(-1)
    sizes = np.array([part.shape[1] for part in parts])
    rows["measured_at_ms"] = _times(rows["measured_at_ms"], sizes)
    rows["received_at_ms"] += rows["measured_at_ms"]
    return rows, sizes


def unpack_believed(blocks: Sequence[bytes]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times and values of several blocks, NaN where a value may not be believed, and how many each block holds.

    It takes half the time of `unpack_days`: what else is stored of an observation is not put together.

    Raises
    ------
    DamagedBlock
        When one of them does not read.
    """
    if not blocks:
        return np.empty(0, dtype=np.int64), np.empty(0), np.zeros(0, dtype=np.int64)
    parts = _blocks(blocks)
    sizes = np.array([part.shape[1] for part in parts])
    steps, values, flags = (_field(parts, name) for name in ("measured_at_ms", "value", "flag"))
    values[~is_believed(flags)] = np.nan
    return _times(steps, sizes), values, sizes


def _blocks(blocks: Sequence[bytes]) -> list[np.ndarray]:
    """The bytes of each block of observations, of shape (bytes of a row, rows)."""
    try:
        parts = [_columns(block, OBSERVED) for block in blocks]
    except (ValueError, zlib.error) as err:
        raise DamagedBlock(f"found a block that does not read as observations ({err})") from err
    if not all(part.shape[1] for part in parts):
        raise DamagedBlock("found a block without an observation")
    return parts


def _field(parts: Sequence[np.ndarray], name: str) -> np.ndarray:
    """One field of the rows of several blocks."""
    form, first = OBSERVED.fields[name][:2]  # type: ignore[index]
    joined = np.concatenate([part[first : first + form.itemsize] for part in parts], axis=1)
    return np.ascontiguousarray(joined.T).view(form).reshape(-1)


def _times(steps: np.ndarray, sizes: np.ndarray) -> TimeArray:
    """The times of rows from the first of each block and the steps behind it."""
    times, begins = np.cumsum(steps), np.cumsum(sizes) - sizes
    found: TimeArray = times - np.repeat(times[begins] - steps[begins], sizes)
    return found


def rolled_up(at_ms: np.ndarray, values: np.ndarray, step_ms: int) -> np.ndarray:
    """Return the least, mean and greatest value of each step and how many there are.

    Parameters
    ----------
    at_ms : ndarray of int
        Of one channel, increasing. [ms since 1970, UTC]
    values : ndarray of float
        What is not finite counts as nothing.
    step_ms : int
        [ms]

    Returns
    -------
    ndarray, shape (5, steps)
        First instant [ms since 1970, UTC], least, mean, greatest, number >= 1. A mean is summed in the order of time.
    """
    good = np.isfinite(values)
    if not good.any():
        return np.empty((5, 0))
    step, value = at_ms[good] // step_ms, values[good]
    begins = np.flatnonzero(np.diff(step, prepend=step[0] - 1))
    n = np.diff(begins, append=len(step))
    total = np.bincount(np.repeat(np.arange(n.size), n), weights=value)
    low, high = np.minimum.reduceat(value, begins), np.maximum.reduceat(value, begins)
    return np.vstack([step[begins] * step_ms, low, total / n, high, n])


def by_day(rows: np.ndarray) -> list[tuple[int, np.ndarray]]:
    """Return the days in which rows, increasing in time, lie, each with its own."""
    day = rows["measured_at_ms"] // DAY_MS
    begins = np.flatnonzero(np.diff(day, prepend=-1))
    return list(zip(day[begins].tolist(), np.split(rows, begins[1:]), strict=True)) if len(rows) else []


DAY_IDS = 2**17  # ids a channel has for its days: until the year 2328


def day_row(number: int, day: int, rows: np.ndarray) -> tuple[object, ...]:
    """Return what is stored of a day of a channel: its id, how many rows, whether any answered, roll-up and block.

    Parameters
    ----------
    number : int
        Of the channel.
    day : int
        Days since 1970, UTC.
    rows : ndarray of OBSERVED
        All of that day, increasing in time.

    Raises
    ------
    ValueError
        For a day whose id would be another channel's.
    """
    if not 0 <= day < DAY_IDS:
        raise ValueError(f"observation: found day {day} since 1970, expected one from 0 to {DAY_IDS - 1}")
    believed = np.where(is_believed(rows["flag"]), rows["value"], np.nan)
    rolled = rolled_up(rows["measured_at_ms"], believed, DAY_MS)[1:].T.tolist() or [(None, None, None, 0)]
    answered = int((rows["flag"] != Flag.MISSING).any())
    *levels, n = rolled[0]
    return number * DAY_IDS + day, len(rows), answered, *levels, int(n), pack_day(rows)


KEEP_DAY = (
    "INSERT INTO observation_day VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET "
    "size = excluded.size, answered = excluded.answered, low = excluded.low, mean = excluded.mean, "
    "high = excluded.high, n = excluded.n, packed = excluded.packed"
)
"""Takes a `day_row`."""
