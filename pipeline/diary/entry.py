"""One entry of the diary: its kinds, what each must say, and what looks like a slip of the pen.

A fault refuses the entry; a question does not: what is written may be right, and the writer alone knows. Whether an
entry makes sense among the others is not judged here.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from hardware.probe import MAX_DEPTH_MM
from hardware.reading import is_channel, is_slug

MAX_BODY_CHARACTERS = 20_000
MAX_THATCH_MM = 200.0
MAX_WATER_MM = 500.0
MAX_DRESSING_MM = 100.0
MAX_CUT_MM = 400.0
INCH_MM = 25.4


class DiaryFault(ValueError):
    """An entry that cannot be written. `faults` lists every one as `key: found, expected`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class DiaryEntry:
    """One entry.

    Attributes
    ----------
    kind : str
        One of `KINDS`, which say what the body must hold and may hold.
    surface : str
        Where, as named in the site's description.
    at_ms : int
        When it was, or began. [ms since 1970, UTC]
    body : mapping
        What is said, as JSON.
    station : str or None
        None when it concerns the whole surface.
    end_ms : int or None
        When it ended, for what lasts. [ms since 1970, UTC]
    author : str
        Who wrote it; empty when not known.
    written_at_ms : int
        When it was written. [ms since 1970, UTC]
    id : int
        0 until it is in the diary.
    """

    kind: str
    surface: str
    at_ms: int
    body: Mapping[str, object] = field(default_factory=dict)
    station: str | None = None
    end_ms: int | None = None
    author: str = ""
    written_at_ms: int = 0
    id: int = 0


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a body may hold: whether it must, what is wrong with a value, and from where down it looks like inches.

    `fault` gives what was expected, or nothing. `inches_below` is in mm.
    """

    fault: Callable[[object], str]
    needed: bool = False
    inches_below: float = 0.0


@dataclass(frozen=True, slots=True)
class EntryKind:
    """A kind of entry: what it is, in words, the fields of its body, and what else it must have."""

    title: str
    fields: Mapping[str, Field] = field(default_factory=dict)
    needs_station: bool = False
    needs_end: bool = False
    needs_author: bool = False


def _mm(highest: float, *, lowest: float = 0.0) -> Callable[[object], str]:
    def fault(value: object) -> str:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return f"a number of mm from {lowest:g} to {highest:g}"
        return "" if lowest <= value <= highest else f"{lowest:g} to {highest:g} mm"

    return fault


def _number(lowest: float, highest: float) -> Callable[[object], str]:
    def fault(value: object) -> str:
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        return "" if good and lowest <= float(str(value)) <= highest else f"a number from {lowest:g} to {highest:g}"

    return fault


def _one_of(*words: str) -> Callable[[object], str]:
    return lambda value: "" if value in words else f"one of {', '.join(words)}"


def _text(value: object) -> str:
    return "" if isinstance(value, str) and value.strip() and len(value) <= 2000 else "a few words"


def _yes_or_no(value: object) -> str:
    return "" if isinstance(value, bool) else "true or false"


def _slug(value: object) -> str:
    return "" if isinstance(value, str) and is_slug(value) else "a name of small letters, digits, - and _"


def _channel(value: object) -> str:
    return "" if isinstance(value, str) and is_channel(value) else "station/probe/channel"


def _whole(value: object) -> str:
    return "" if isinstance(value, int) and not isinstance(value, bool) and value > 0 else "the number of an entry"


PASS_STATES = ("booked", "begun", "done")
SIGHTS = {"firmness": 4.0, "tug": 1.0, "disease": 2.0, "wilt": 1.0}  # what eyes see, and the highest each can be
MARKS = ("seen", "snoozed", "wrong")
_PASS = {
    "pass": Field(_slug, needed=True),
    "variant": Field(_slug),
}

KINDS: Mapping[str, EntryKind] = {
    "core": EntryKind(
        "core cut",
        {
            "thatch_mm": Field(_mm(MAX_THATCH_MM), needed=True, inches_below=2.0),
            "thatch_pressed_mm": Field(_mm(MAX_THATCH_MM)),
            "root_mm": Field(_mm(MAX_DEPTH_MM), inches_below=12.0),
            "organic_percent": Field(_number(0.0, 100.0)),
            "organic_from_mm": Field(_mm(MAX_DEPTH_MM)),
            "organic_to_mm": Field(_mm(MAX_DEPTH_MM)),
            "method": Field(_text),
        },
        needs_station=True,
    ),
    "depth": EntryKind(
        "a probe's depth measured anew",
        {"channel": Field(_channel, needed=True), "depth_mm": Field(_mm(MAX_DEPTH_MM), needed=True)},
    ),
    "dressing": EntryKind(
        "top-dressing laid",
        {"dressing_mm": Field(_mm(MAX_DRESSING_MM), needed=True, inches_below=0.3), "material": Field(_text)},
    ),
    "watering": EntryKind("water given", {"water_mm": Field(_mm(MAX_WATER_MM), inches_below=1.1)}),
    "rain": EntryKind("rain read by hand", {"rain_mm": Field(_mm(MAX_WATER_MM), needed=True)}),
    "pass": EntryKind(
        "pass over the turf, booked, begun or done",
        {
            **_PASS,
            "state": Field(_one_of(*PASS_STATES)),
            "depth_mm": Field(_mm(MAX_CUT_MM), inches_below=1.6),
            "spacing_mm": Field(_mm(1000.0), inches_below=3.1),
            "width_mm": Field(_mm(1000.0)),
            "strips": Field(_text),
            "contractor": Field(_text),
            "removed_kg_m2": Field(_number(0.0, 50.0)),
            "around": Field(_yes_or_no),  # probes left in the ground were gone around: an untreated island
        },
    ),
    "healed": EntryKind("a pass has healed", {"entry": Field(_whole), **_PASS}),
    "override": EntryKind(
        "a pass made against advice, and why",
        {**_PASS, "reason": Field(_text, needed=True)},
        needs_end=True,
        needs_author=True,
    ),
    "sown": EntryKind("seed sown", {"seed": Field(_text)}),
    "regulator": EntryKind("growth regulator at work until its end", needs_end=True),
    "pre_emergence": EntryKind("herbicide against seedlings at work until its end", needs_end=True),
    "renovation": EntryKind("closed for renovation until its end", needs_end=True),
    "covers": EntryKind("covers on until its end"),
    "cut": EntryKind("cutting height set", {"height_mm": Field(_mm(200.0, lowest=1.0), needed=True, inches_below=1.6)}),
    "sight": EntryKind(
        "what eyes saw", {"what": Field(_one_of(*SIGHTS), needed=True), "value": Field(_number(0.0, 4.0), needed=True)}
    ),
    "lift": EntryKind("a probe lifted", {"probe": Field(_slug, needed=True)}, needs_station=True),
    "return": EntryKind("a probe put back", {"probe": Field(_slug, needed=True)}, needs_station=True),
    "fixture": EntryKind("play", {"title": Field(_text)}),
    "mark": EntryKind(
        "an alert seen, snoozed until its end, or wrong",
        {"alert": Field(_text, needed=True), "mark": Field(_one_of(*MARKS), needed=True), "why": Field(_text)},
    ),
    "note": EntryKind("a note", {"text": Field(_text)}),
}


def entry_faults(entry: DiaryEntry) -> list[str]:
    """Everything that is wrong with an entry, as `key: found, expected`; empty when it may be written."""
    faults = []
    kind = KINDS.get(entry.kind)
    if kind is None:
        faults.append(f"kind: found {entry.kind!r}, expected one of {', '.join(KINDS)}")
    if not entry.surface:
        faults.append("surface: found none, expected the name of a surface")
    if entry.end_ms is not None and entry.end_ms < entry.at_ms:
        faults.append(f"end: found {entry.end_ms}, expected a time not before the start {entry.at_ms}")
    faults += _carried_faults(entry)
    if kind is None:
        return faults
    for key, one in kind.fields.items():
        if key in entry.body or one.needed:
            wanted = one.fault(entry.body.get(key))
            faults += [f"{key}: found {entry.body.get(key)!r}, expected {wanted}"] if wanted else []
    if kind.needs_station and entry.station is None:
        faults.append(f"station: found none, expected the station: {kind.title}")
    if kind.needs_end and entry.end_ms is None:
        faults.append(f"end: found none, expected a time: {kind.title}")
    if kind.needs_author and not entry.author.strip():
        faults.append(f"author: found none, expected the name of the person who decides: {kind.title}")
    what, value = entry.body.get("what"), entry.body.get("value")
    if entry.kind == "sight" and isinstance(what, str) and isinstance(value, int | float):
        highest = SIGHTS.get(what, 4.0)
        if value > highest:
            faults.append(f"value: found {value!r}, expected 0 to {highest:g} for {what}")
    return faults


def entry_questions(entry: DiaryEntry) -> list[str]:
    """What looks like a slip of the pen: a length that would be usual in inches. The entry may be right as it is."""
    kind = KINDS.get(entry.kind)
    found = []
    for key, one in ({} if kind is None else kind.fields).items():
        value = entry.body.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool) and 0.0 < value < one.inches_below:
            found.append(f"{key}: found {value:g} mm. Is it inches? {value:g} in are {value * INCH_MM:.0f} mm.")
    return found


def _carried_faults(entry: DiaryEntry) -> list[str]:
    try:
        text = json.dumps(dict(entry.body), allow_nan=False)
    except (TypeError, ValueError) as err:
        return [f"body: found what JSON cannot carry ({err}), expected texts, numbers, lists and tables"]
    if len(text) > MAX_BODY_CHARACTERS:
        return [f"body: found {len(text)} characters, expected at most {MAX_BODY_CHARACTERS}"]
    return []
