"""Readings of one run, packed: consecutive readings of one outbox as an array of fixed rows, and back.

A run is stored whole because it arrives whole, is receipted whole and never changes: a commit writes one row instead of
hundreds, and a year is read in a tenth of a second. The seq of a row is that of the run's first plus its place. Pure:
it knows no table and no file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence

import numpy as np

from hardware.reading import Reading, Status

ROW = np.dtype(
    [
        ("channel", "<i4"),
        ("measured_at_ms", "<i8"),
        ("slot", "<i8"),  # grid seconds; -1, -2, ... is the first, second, ... of the texts beside the rows
        ("raw", "<f8"),  # NaN where there is none
        ("status", "u1"),
        ("attempts", "u1"),
        ("clock_ok", "u1"),
    ]
)
"""The form on the disk: little-endian, 31 bytes a reading. It may be followed by another, never changed."""

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
}
STATUSES = {code: status for status, code in STATUS_CODES.items()}

# A slot of grid seconds is packed as a number when writing it out again gives the same text.
_GRID_SLOT = re.compile(r"[1-9]\d{0,14}").fullmatch


def pack(readings: Sequence[Reading], numbers: Mapping[str, int]) -> tuple[np.ndarray, str | None]:
    """Readings as rows, and the slots that are texts as a JSON list, None when there are none.

    Parameters
    ----------
    readings : sequence of Reading
    numbers : mapping of str to int
        Number of each channel name.
    """
    texts: list[str] = []
    slots = {text: int(text) if _GRID_SLOT(text) else 0 for text in {r.slot for r in readings}}
    for text, number in slots.items():
        if number == 0:
            texts.append(text)
            slots[text] = -len(texts)
    ok, codes = Status.OK, STATUS_CODES  # asking for one member is cheaper than looking it up
    rows = np.empty(len(readings), dtype=ROW)
    rows["channel"] = [numbers[r.channel] for r in readings]
    rows["measured_at_ms"] = [r.measured_at_ms for r in readings]
    rows["slot"] = [slots[r.slot] for r in readings]
    rows["raw"] = np.array([r.raw for r in readings], dtype=np.float64)
    rows["status"] = [0 if r.status is ok else codes[r.status] for r in readings]
    rows["attempts"] = [r.attempts for r in readings]
    rows["clock_ok"] = [r.clock_ok for r in readings]
    return rows, json.dumps(texts) if texts else None


def rows_of(packed: bytes) -> np.ndarray:
    """The rows of one run, or of several joined."""
    return np.frombuffer(packed, dtype=ROW)


def unpack(
    packed: bytes, named: str | None, names: Mapping[int, str], site: str, node: str, outbox_id: str, first_seq: int
) -> tuple[Reading, ...]:
    """The readings of one run as they were packed; `names` gives the channel of each number."""
    texts = json.loads(named) if named else []
    return tuple(
        Reading(
            site,
            node,
            outbox_id,
            first_seq + place,
            names[channel],
            str(slot) if slot > 0 else texts[-slot - 1],
            measured_at_ms,
            raw if STATUSES[status] is Status.OK else None,
            STATUSES[status],
            attempts,
            bool(clock_ok),
        )
        for place, (channel, measured_at_ms, slot, raw, status, attempts, clock_ok) in enumerate(
            rows_of(packed).tolist()
        )
    )
