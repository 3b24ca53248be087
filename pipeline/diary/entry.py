"""The kinds of diary entries: fields, faults of an entry, and questions about likely mistakes.

A fault refuses the entry; a question does not, since the entry may be right: it is kept, and counts once its writer has
confirmed it. Whether an entry fits the others is checked in `api.diary_check`.
"""

from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Annotated, Any, ClassVar, Literal, NamedTuple, cast, get_args

from pydantic import ConfigDict, Field, ValidationError, ValidationInfo, create_model, field_validator

from hardware.probe import MAX_DEPTH_MM
from hardware.quantities import QUANTITIES
from hardware.reading import is_channel
from pipeline.site.fields import Setting, Slug, expected, nearest, sound, words_of
from pipeline.site.plan import FURTHEST_M, MOST_COVER_MM, BuriedKind, Place
from pipeline.texts import say

MAX_BODY_CHARACTERS = 20_000
MAX_SENT_AS = 200
MOST_PHOTOS = 4  # of an entry
_PHOTO = re.compile(r"[0-9a-f]{32}")
LATEST_MS = 4_102_444_800_000  # 2100-01-01: pages put times into the site's zone, and no calendar has the year 10000
MAX_THATCH_MM = 200.0
MAX_WATER_MM = 500.0
MAX_DRESSING_MM = 100.0
MAX_CUT_MM = 400.0
MAX_DROP_S = 7200.0
MAX_CONE_MM, MAX_CONE_KPA = 1000.0 * QUANTITIES["cone_depth"].highest, QUANTITIES["cone_resistance"].highest
MAX_STEPS = 400  # of a push
LEAST_TOP_KPA = 25.0  # a push that meets no more than this met no ground; in MPa it would be usual: our own choice
INCH_MM = 25.4
SHALLOW = ("light_raking", "verticutting", "topdressing", "rolling")  # passes of a millimetre or less are usual
_LENGTH = "a number of mm from "


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
    sent_as : str
        The identity that its writer gave it before it was sent, so that what is sent twice is written once; empty for
        none.
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
    sent_as: str = ""

    def number(self, key: str) -> float:
        """Return a number of the body [unit of its key]; NaN where there is none."""
        value = self.body.get(key)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


class EntryBody(Setting):
    """The body of an entry of one kind.

    Attributes
    ----------
    kind_title : str
        The kind in words.
    needs : tuple of str
        What the entry must have beside its body: `station`, `end`, `author`.
    """

    model_config = ConfigDict(validate_default=False)

    kind_title: ClassVar[str] = ""
    needs: ClassVar[tuple[str, ...]] = ()


PassState = Literal["booked", "begun", "done"]
Mark = Literal["seen", "snoozed", "wrong"]
SightKind = Literal["firmness", "tug", "disease", "wilt", "thatch"]
PASS_STATES, MARKS = get_args(PassState), get_args(Mark)
# The highest each can be.
SIGHTS: Mapping[str, float] = {"firmness": 4.0, "tug": 1.0, "disease": 2.0, "wilt": 1.0, "thatch": 2.0}
_Words = Annotated[str, Field(max_length=2000, description="a few words"), sound(lambda text: bool(text.strip()))]
_Channel = Annotated[str, Field(description="station/probe/channel"), sound(is_channel)]
_Path = Annotated[
    tuple[Place, ...],
    Field(strict=False, min_length=1, max_length=100, description="1 to 100 points, each two numbers of metres"),
]
_Number = Annotated[int, Field(gt=0, description="the number of an entry")]
_Photo = Annotated[str, Field(pattern=_PHOTO.pattern, max_length=32)]
_Photos = Annotated[
    tuple[_Photo, ...],
    Field(strict=False, max_length=MOST_PHOTOS, description=f"names of at most {MOST_PHOTOS} photographs, as a list"),
]


class SightBody(EntryBody):
    """What eyes saw, on a scale of its own."""

    kind_title = "what eyes saw"

    what: SightKind
    value: float = Field(ge=0.0, le=4.0)
    text: _Words | None = None
    photos: _Photos | None = None

    @field_validator("value")
    @classmethod
    def _on_the_scale_of_what(cls, value: float, info: ValidationInfo) -> float:
        highest = SIGHTS.get(info.data.get("what", ""), 4.0)
        if value > highest:
            raise expected(f"0 to {highest:g} for {info.data['what']}")
        return value


class MoistureBody(EntryBody):
    """Water by volume that a hand meter read between the leaf and the end of its rods, as the mean of several points.

    `spread_percent` is the standard deviation of the points, in per cent by volume as the mean is.
    """

    kind_title = "moisture read by a hand meter"
    needs = ("station",)

    moisture_percent: float = Field(description="per cent by volume from 1 to 95", json_schema_extra={"above": 60.0})
    rod_mm: float = Field(description=f"the length of the rods, {_LENGTH}20 to 400")
    confirmed: bool | None = None
    points: int | None = Field(None, ge=1, le=500)
    spread_percent: float | None = Field(None, ge=0.0, le=50.0)
    meter: _Words | None = None

    @field_validator("moisture_percent")
    @classmethod
    def _no_share(cls, value: float) -> float:
        if not 1.0 <= value <= 95.0:
            asked = f". Is it a share? {value:g} is {100.0 * value:g} per cent" if 0.0 < value < 1.0 else ""
            raise expected(f"per cent by volume from 1 to 95{asked}")
        return value

    @field_validator("rod_mm")
    @classmethod
    def _no_inches(cls, value: float) -> float:
        if not 20.0 <= value <= 400.0:
            asked = f". Is it inches? {value:g} in are {value * INCH_MM:.0f} mm" if 0.0 < value <= 12.0 else ""
            raise expected(f"the length of the rods, 20 to 400 mm{asked}")
        return value

    @field_validator("spread_percent")
    @classmethod
    def _of_several(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is not None and (info.data.get("points") or 2) < 2:
            raise expected("none with one point: it is the standard deviation of several")
        return value


_Depth = Annotated[float, Field(ge=0.0, le=MAX_CONE_MM)]
_Resistance = Annotated[float, Field(ge=0.0, le=MAX_CONE_KPA)]


class PushBody(EntryBody):
    """One push of a penetrometer: the resistance at each depth, or the one figure it shows and the depth it is of."""

    kind_title = "penetrometer pushed by hand"
    needs = ("station",)

    depth_mm: tuple[_Depth, ...] = Field(
        min_length=1, max_length=MAX_STEPS, strict=False,
        description=f"depths as a list that increases, of mm from 0 to {MAX_CONE_MM:g}",
    )  # fmt: skip
    resistance_kpa: tuple[_Resistance, ...] = Field(
        min_length=1, max_length=MAX_STEPS, strict=False,
        description=f"a list as long as depth_mm, of kPa from 0 to {MAX_CONE_KPA:g}",
    )  # fmt: skip
    cone_area_mm2: float | None = Field(None, ge=20.0, le=1000.0)
    meter: _Words | None = None

    @field_validator("depth_mm")
    @classmethod
    def _deeper_each(cls, depths: tuple[float, ...]) -> tuple[float, ...]:
        if any(below <= above for above, below in itertools.pairwise(depths)):
            raise expected("depths as a list that increases: one push an entry")
        return depths

    @field_validator("resistance_kpa")
    @classmethod
    def _one_a_depth(cls, resistances: tuple[float, ...], info: ValidationInfo) -> tuple[float, ...]:
        depths = info.data.get("depth_mm", resistances)
        if len(depths) != len(resistances):
            raise expected(f"{len(depths)} numbers, one for each of depth_mm")
        if 0.0 < max(resistances) < LEAST_TOP_KPA:
            most = max(resistances)
            raise expected(
                f"kPa, some of them {LEAST_TOP_KPA:g} or more. Is it MPa? {most:g} MPa are {1000.0 * most:g} kPa"
            )
        return resistances


def _mm(
    highest: float,
    lowest: float = 0.0,
    *,
    inches_below: float = 0.0,
    above: float = math.inf,
    needed: bool = False,
) -> tuple[Any, Any]:
    """Return a field of a length, which looks like inches where it is less than `inches_below`, and is asked about
    where it is more than `above`. [mm]"""
    words = f"{_LENGTH}{lowest:g} to {highest:g}"
    default: Any = ... if needed else None
    more: Any = {"inches_below": inches_below, "above": above}
    return float, Field(default, ge=lowest, le=highest, description=words, json_schema_extra=more)


def _number(lowest: float, highest: float) -> tuple[Any, Any]:
    return float, Field(None, ge=lowest, le=highest)


def _metres() -> tuple[Any, Any]:
    return float, Field(..., ge=-FURTHEST_M, le=FURTHEST_M)


def _needed(kind: Any) -> tuple[Any, Any]:
    return kind, ...


def _said(kind: Any) -> tuple[Any, Any]:
    """Return a field that may be left out."""
    return kind, None


UNASKED = (0.0, math.inf)  # a figure of which none is asked about


def _asked(field: Any) -> tuple[float, float]:
    """Return below what a length may be inches, and above what a figure is asked about."""
    more: Any = getattr(field, "json_schema_extra", None)
    known: Mapping[str, float] = more if isinstance(more, dict) else {}
    return known.get("inches_below", 0.0), known.get("above", math.inf)


def _kind(kind_title: str, /, *needs: str, **fields: tuple[Any, Any]) -> type[EntryBody]:
    """Return the body of a kind; one with a length that may be asked about can be confirmed."""
    if any(_asked(one) != UNASKED for _, one in fields.values()):
        fields["confirmed"] = _said(bool)
    body: Any = create_model("EntryBody", __base__=EntryBody, **cast("Any", fields))
    body.kind_title, body.needs = kind_title, needs
    return cast("type[EntryBody]", body)


_THE_PASS = {"pass": _needed(Slug), "variant": _said(Slug)}
# Bounds above which a figure is asked about: our own choice.
KINDS: Mapping[str, type[EntryBody]] = {
    "core": _kind(
        "core cut",
        "station",
        thatch_mm=_mm(MAX_THATCH_MM, inches_below=2.0, above=60.0, needed=True),
        thatch_pressed_mm=_mm(MAX_THATCH_MM),
        root_mm=_mm(MAX_DEPTH_MM, inches_below=12.0),
        organic_percent=_number(0.0, 100.0),
        organic_from_mm=_mm(MAX_DEPTH_MM),
        organic_to_mm=_mm(MAX_DEPTH_MM),
        drop_s=_number(0.0, MAX_DROP_S),  # in which a drop soaks in where thatch meets soil
        method=_said(_Words),
        photos=_said(_Photos),
    ),
    "depth": _kind("a probe's depth measured anew", channel=_needed(_Channel), depth_mm=_mm(MAX_DEPTH_MM, needed=True)),
    "dressing": _kind(
        "top-dressing laid",
        dressing_mm=_mm(MAX_DRESSING_MM, inches_below=0.3, above=25.0, needed=True),
        material=_said(_Words),
    ),
    "watering": _kind("water given", water_mm=_mm(MAX_WATER_MM, inches_below=0.8, above=60.0)),
    # what is booked counts as given only once it is written as a watering
    "booked_watering": _kind("water booked", water_mm=_mm(MAX_WATER_MM, inches_below=0.8, above=60.0, needed=True)),
    "rain": _kind("rain read by hand", rain_mm=_mm(MAX_WATER_MM, above=150.0, needed=True)),
    "moisture": MoistureBody,
    "push": PushBody,
    "pass": _kind(
        "pass over the turf, booked, begun or done",
        **_THE_PASS,
        state=_said(PassState),
        follows=_said(_Number),  # the entry this one goes on with: the booking, or the pass as it was begun
        depth_mm=_mm(MAX_CUT_MM, inches_below=1.6),
        spacing_mm=_mm(1000.0, inches_below=3.1),
        width_mm=_mm(1000.0),
        strips=_said(_Words),
        contractor=_said(_Words),
        removed_kg_m2=_number(0.0, 50.0),
        around=_said(bool),  # probes left in the ground were gone around: an untreated island
    ),
    "healed": _kind("a pass has healed", entry=_said(_Number), **_THE_PASS),
    "override": _kind("a pass made against advice, and why", "end", "author", **_THE_PASS, reason=_needed(_Words)),
    "sown": _kind("seed sown", seed=_said(_Words)),
    "regulator": _kind("growth regulator at work until its end", "end"),
    "pre_emergence": _kind("herbicide against seedlings at work until its end", "end"),
    "renovation": _kind("closed for renovation until its end", "end"),
    "closed": _kind("closed to play, that day or until its end, and why", reason=_needed(_Words)),
    "covers": _kind("covers on until its end"),
    "cut": _kind("cutting height set", height_mm=_mm(200.0, 1.0, inches_below=1.6, above=120.0, needed=True)),
    "sight": SightBody,
    "lift": _kind(
        "a probe lifted",
        "station",
        probe=_needed(Slug),
        new=_said(bool),  # it was not in the ground before: its field check is still to be done
    ),
    "return": _kind("a probe put back", "station", probe=_needed(Slug)),
    "place": _kind(
        "where a station or probe stands on the plan",
        "station",
        probe=_said(Slug),
        x_m=_metres(),
        y_m=_metres(),
    ),
    "buried": _kind(
        "something buried found or laid",
        title=_needed(_Words),
        what=_needed(BuriedKind),
        path_m=_needed(_Path),
        cover_mm=_mm(MOST_COVER_MM),
    ),
    "fixture": _kind("play", title=_said(_Words), strips=_said(_Words)),
    "cost": _kind(
        "what something cost, in the currency of the site",
        amount=(float, Field(ge=0.0, le=999_999.0)),
        what=_needed(_Words),
        hours=_number(0.0, 10_000.0),  # worked
        **{"pass": _said(Slug)},
    ),
    "mark": _kind(
        "an alert seen, snoozed until its end, or wrong",
        alert=_needed(_Words),
        mark=_needed(Mark),
        why=_said(_Words),
    ),
    "note": _kind("a note", text=_said(_Words), photos=_said(_Photos)),
}


def is_photo(name: str) -> bool:
    """Return whether a text is one that a photograph may be named by."""
    return _PHOTO.fullmatch(name) is not None


def entry_faults(entry: DiaryEntry) -> list[str]:
    """Return everything that is wrong with an entry, as `key: found, expected`; empty when it may be written."""
    faults = []
    body = KINDS.get(entry.kind)
    if body is None:
        faults.append(f"kind: found {entry.kind!r}, expected one of {', '.join(KINDS)}")
    if not entry.surface:
        faults.append("surface: found none, expected the name of a surface")
    if entry.end_ms is not None and entry.end_ms < entry.at_ms:
        faults.append(f"end: found {entry.end_ms}, expected a time not before the start {entry.at_ms}")
    for key, at_ms in (("at", entry.at_ms), ("end", entry.end_ms)):
        if at_ms is not None and not 0 <= at_ms < LATEST_MS:
            faults.append(f"{key}: found a time outside of 1970 to 2099, expected one within")
    if len(entry.sent_as) > MAX_SENT_AS:
        faults.append(f"sent_as: found {len(entry.sent_as)} characters, expected at most {MAX_SENT_AS}")
    faults += _carried_faults(entry)
    if body is None:
        return faults
    faults += _body_faults(body, entry.body)
    lacking = {
        "station": (entry.station is None, "the station"),
        "end": (entry.end_ms is None, "a time"),
        "author": (not entry.author.strip(), "the name of the person who decides"),
    }
    missing = {need: words for need, (lacks, words) in lacking.items() if lacks and need in body.needs}
    return faults + [f"{need}: found none, expected {words}: {body.kind_title}" for need, words in missing.items()]


def _body_faults(kind: type[EntryBody], body: Mapping[str, object]) -> list[str]:
    """Return the faults of a body, one a field, in the order of its fields."""
    faults: dict[str, str] = {}
    try:
        kind.model_validate(dict(body))
    except ValidationError as err:
        for one in err.errors(include_url=False):
            key = str(one["loc"][0])
            if key not in kind.model_fields:
                faults[key] = f"{key}: found no such field, expected {nearest(key, kind.model_fields)}"
                continue
            words = words_of(kind.model_fields[key], key, body.get(key))
            if one["type"] == "expected":
                words = one["ctx"]["words"]
            elif one["type"] in ("greater_than_equal", "less_than_equal") and words.startswith(_LENGTH):
                words = f"{words.removeprefix(_LENGTH)} mm"
            faults.setdefault(key, f"{key}: found {body.get(key)!r}, expected {words}")
    return list(faults.values())


class Question(NamedTuple):
    """A figure that looks like a slip of the pen: `value` of `key`, below or above what is usual. [unit of `key`]"""

    key: str
    value: float
    is_low: bool

    def said(self, *, in_inches: bool = False) -> str:
        """Return the question in words, for somebody who enters lengths in millimetres or in inches."""
        if self.key == "moisture_percent":
            return say(
                "found {value:g} %, wetter than most soil can be. Is it another scale of the meter?", value=self.value
            )
        if not self.is_low:
            return say("found {value:g} mm, more than is usual. Is it right?", value=self.value)
        if in_inches:
            return say("found {value:g} mm, less than is usual. Is it right?", value=self.value)
        return say(
            "found {value:g} mm. Is it inches? {value:g} in are {length:.0f} mm.",
            value=self.value, length=self.value * INCH_MM,
        )  # fmt: skip


def questions_of(entry: DiaryEntry) -> list[Question]:
    """Return the figures of an entry that are likely mistakes. It may be right as it is: then it says `confirmed`."""
    found = []
    for key, below, above in _bounds(entry.kind):
        value = entry.body.get(key)
        if not isinstance(value, int | float) or isinstance(value, bool):
            continue
        if key == "depth_mm" and entry.body.get("pass") in SHALLOW:
            continue
        if 0.0 < value < below or value > above:
            found.append(Question(key, value, value < below))
    return found


def entry_questions(entry: DiaryEntry) -> list[str]:
    """Return the questions about an entry that nobody has answered, as `key: found ..`."""
    return [] if is_confirmed(entry) else [f"{one.key}: {one.said()}" for one in questions_of(entry)]


def is_confirmed(entry: DiaryEntry) -> bool:
    """Return whether its writer has said that its figures are right as they are."""
    return entry.body.get("confirmed") is True


def counts(entry: DiaryEntry) -> bool:
    """Return whether an entry is a fact: no question about it stands."""
    return is_confirmed(entry) or not questions_of(entry)


@cache
def _bounds(kind: str) -> tuple[tuple[str, float, float], ...]:
    """Return the fields of a kind that may be asked about, each with the bounds of what is usual. [unit of the key]"""
    fields = KINDS[kind].model_fields.items() if kind in KINDS else ()
    return tuple((key, *_asked(one)) for key, one in fields if _asked(one) != UNASKED)


def _carried_faults(entry: DiaryEntry) -> list[str]:
    try:
        text = json.dumps(dict(entry.body), allow_nan=False)
    except (TypeError, ValueError) as err:
        return [f"body: found what JSON cannot carry ({err}), expected texts, numbers, lists and tables"]
    if len(text) > MAX_BODY_CHARACTERS:
        return [f"body: found {len(text)} characters, expected at most {MAX_BODY_CHARACTERS}"]
    return []
