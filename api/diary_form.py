"""The forms of the diary, one a kind of entry: what each asks, and the one reading of a plain form into entries.

A form has `kind`, `surface`, `station` and the fields of its kind by the keys of the entry's body, lengths in the unit
of the site; `at` when it was (empty for now; without an offset on the site's clock), `end` or `until` (a day, to its
end); `confirmed` the figures that its writer was asked about and says are right, and `sent_as` a text of the sender's
own under which it is written once. What is wrong is told by field, and nothing is written.
"""

from __future__ import annotations

import datetime
import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple
from zoneinfo import ZoneInfo

from api.booking import lift_line
from api.diary_check import check, probes_in_the_way
from pipeline.diary.entry import MAX_SENT_AS, DiaryEntry, questions_of
from pipeline.service import Pipeline
from pipeline.site.local_units import LocalUnits
from pipeline.texts import later, later_as, say
from pipeline.units import DAY_MS

TYPED_SHOWN = 20  # characters of what was typed, in a fault
STATION, SURFACE, EITHER = "station", "surface", "either"  # what an entry of a form is of
LIFTED, AROUND = "lifted", "around"  # answers to: what of the probes in the way


class Choice(NamedTuple):
    """One of what a field offers, and its words."""

    value: str
    said: str


@dataclass(frozen=True, slots=True)
class FormField:
    """One field of a form, by the key of the body.

    Attributes
    ----------
    how : str
        "mm" a length in the ground, "number", "numbers" (several, of mm where `unit` is so), "words" or "choice".
    step, step_in, begin : float
        What a press adds, in mm or the field's unit and in inches, and where it begins when nothing is written. [unit]
    is_more : bool
        It stands under what is opened.
    """

    key: str
    label: str
    how: str = "words"
    unit: str = ""
    step: float = 1.0
    step_in: float = 0.05
    begin: float = 0.0
    choices: tuple[Choice, ...] = ()
    is_more: bool = False
    is_kept: bool = True  # it begins at what was written last


@dataclass(frozen=True, slots=True)
class KindForm:
    """The form of a kind: its title, what it is of, its fields, and the end it may have: "", "until" a day or "end"."""

    title: str
    of: str
    fields: tuple[FormField, ...] = ()
    end: str = ""
    is_ahead: bool = False  # it lies ahead: when has to be said


def _mm(key: str, label: str, step: float, step_in: float, begin: float, *, more: bool = False) -> FormField:
    return FormField(key, label, "mm", "mm", step, step_in, begin, is_more=more)


def _words(key: str, label: str, *, more: bool = False, kept: bool = False) -> FormField:
    return FormField(key, label, is_more=more, is_kept=kept)


_SEEN = (
    Choice("firmness 0", later("Firm, no mark")), Choice("firmness 1", later("A faint mark")),
    Choice("firmness 2", later("Boots mark")), Choice("firmness 3", later("Water at the boot")),
    Choice("firmness 4", later("Turf rolls underfoot")), Choice("wilt 1", later("Wilting")),
    Choice("wilt 0", later("No wilt")), Choice("disease 2", later("Disease, active")),
    Choice("disease 1", later("Old scars")), Choice("disease 0", later("No disease")),
    Choice("thatch 2", later("Thatch feels soaked")), Choice("thatch 1", later("Thatch feels moist")),
    Choice("thatch 0", later("Thatch feels dry")),
    Choice("tug 1", later("Lifts at a tug")), Choice("tug 0", later("Holds at a tug")),
)  # fmt: skip
_STATES = (Choice("done", later_as("a pass", "Done")), Choice("begun", later_as("a pass", "Begun")))
_COVERS = (Choice("on", later_as("covers", "On")), Choice("off", later_as("covers", "Off")))
_WHAT = FormField("what", later("Which pass"), "choice", is_kept=False)

FORMS: Mapping[str, KindForm] = {
    "core": KindForm(later("Core"), STATION, (
        _mm("thatch_mm", later("Thatch"), 1.0, 0.05, 10.0),
        _mm("root_mm", later("Roots to"), 5.0, 0.25, 60.0),
        _mm("thatch_pressed_mm", later("Thatch, pressed"), 1.0, 0.05, 8.0, more=True),
        FormField("organic_percent", later("Organic matter"), "number", "%", 0.5, begin=5.0, is_more=True,
                  is_kept=False),
        _mm("organic_from_mm", later("of a slice from"), 5.0, 0.25, 0.0, more=True),
        _mm("organic_to_mm", later("to"), 5.0, 0.25, 20.0, more=True),
        FormField("drop_s", later("A drop soaks in after"), "number", "s", 5.0, begin=60.0, is_more=True,
                  is_kept=False),
        _words("method", later("By which method"), more=True, kept=True),
    )),
    "pass": KindForm(later_as("diary", "Pass"), SURFACE, (
        _WHAT,
        FormField("state", later("How far"), "choice", choices=_STATES, is_kept=False),
        _mm("depth_mm", later("Depth"), 1.0, 0.05, 2.0),
        FormField("removed_kg_m2", later("Weighed off"), "number", "kg/m²", 0.1, begin=1.0, is_more=True,
                  is_kept=False),
        _mm("spacing_mm", later("Spacing"), 5.0, 0.25, 25.0, more=True),
        _mm("width_mm", later("Width of a blade or tine"), 1.0, 0.05, 2.0, more=True),
        _words("strips", later("Which strips"), more=True),
        _words("contractor", later("Who does it"), more=True),
    )),
    "watering": KindForm(later("Watering"), EITHER, (_mm("water_mm", later("About"), 1.0, 0.05, 5.0),), "end"),
    "booked_watering": KindForm(
        later("Watering to come"), EITHER, (_mm("water_mm", later("About"), 1.0, 0.05, 5.0),), "end", True
    ),
    "sight": KindForm(later("What I see"), EITHER, (
        FormField("seen", later("What is seen"), "choice", choices=_SEEN, is_kept=False),
        _words("text", later("A word more")),
    )),
    "rain": KindForm(later("Rain"), SURFACE, (_mm("rain_mm", later("In the gauge"), 1.0, 0.05, 5.0),)),
    "dressing": KindForm(later("Dressing"), SURFACE, (
        _mm("dressing_mm", later("Laid"), 0.5, 0.02, 1.0),
        _words("material", later("Material"), kept=True),
    )),
    "lift": KindForm(later("Probe lifted"), STATION, (FormField("probe", later("Which probe"), "choice"),)),
    "return": KindForm(later("Probe back"), STATION, (FormField("probe", later("Which probe"), "choice"),)),
    "note": KindForm(later("Note"), EITHER, (_words("text", later("In your words")),)),
    "moisture": KindForm(later("Moisture meter"), STATION, (
        FormField("moisture_percent", later("Moisture"), "number", "%", 1.0, begin=25.0),
        _mm("rod_mm", later("Rods"), 5.0, 0.25, 60.0),
        FormField("points", later("Points"), "number", "", 1.0, begin=1.0, is_more=True),
        FormField("spread_percent", later("Spread"), "number", "%", 0.5, begin=2.0, is_more=True, is_kept=False),
        _words("meter", later("Which meter"), more=True, kept=True),
    )),
    "push": KindForm(later("Penetrometer"), STATION, (
        FormField("depth_mm", later("Depths, with blanks between"), "numbers", "mm"),
        FormField("resistance_kpa", later("Resistance at each"), "numbers", "kPa", is_kept=False),
        FormField("cone_area_mm2", later("Area of the cone"), "number", "mm²", 10.0, begin=130.0, is_more=True),
        _words("meter", later("Which meter"), more=True, kept=True),
    )),
    "healed": KindForm(later_as("diary", "Healed"), SURFACE, (FormField("entry", later("Which pass"), "choice"),)),
    "covers": KindForm(later("Covers"), SURFACE, (
        FormField("covers", later("Covers"), "choice", choices=_COVERS, is_kept=False),
    ), "end"),
    "cut": KindForm(later("Height of cut"), SURFACE, (_mm("height_mm", later("Cut to"), 1.0, 0.02, 10.0),)),
    "fixture": KindForm(later("Fixture"), SURFACE, (
        _words("title", later("Who plays")),
        _words("strips", later("Which strips"), more=True),
    ), "end", True),
    "closed": KindForm(later("Closed"), SURFACE, (_words("reason", later("Why")),), "until"),
    "cost": KindForm(later("Cost"), SURFACE, (
        FormField("amount", later("Amount"), "number", "", 10.0, begin=100.0, is_kept=False),
        _words("what", later("For what")),
        FormField("hours", later("Hours worked"), "number", "h", 0.5, begin=1.0, is_more=True, is_kept=False),
    )),
    "sown": KindForm(later("Seed"), SURFACE, (_words("seed", later("Which seed"), kept=True),)),
    "depth": KindForm(later("Probe's depth"), STATION, (
        FormField("channel", later("Which depth"), "choice"),
        FormField("depth_mm", later("It lies at"), "mm", "mm", 1.0, 0.05, 50.0, is_kept=False),
    )),
    "regulator": KindForm(later("Growth regulator"), SURFACE, (), "until"),
    "pre_emergence": KindForm(later("Against seedlings"), SURFACE, (), "until"),
    "renovation": KindForm(later("Renovation"), SURFACE, (), "until"),
}  # fmt: skip
HEALS_WITHIN_MS = 120 * DAY_MS  # passes so old are still offered as healed: our own choice


@dataclass(frozen=True, slots=True)
class Draft:
    """What a form amounts to.

    Attributes
    ----------
    entries : tuple of DiaryEntry
        To be written in this order; the last is the form's own, those before it the probes that it says are lifted.
    faults, questions : dict of str to str
        By field; "" for what belongs to none.
    confirms : str
        What `confirmed` has to be for the questions to be answered.
    lift : str
        Which probes are to be lifted first, as a sentence; then nothing is written yet.
    instead_of : int
        The entry that this one is written in place of, 0 for none.
    """

    entries: tuple[DiaryEntry, ...]
    faults: dict[str, str] = field(default_factory=dict)
    questions: dict[str, str] = field(default_factory=dict)
    confirms: str = ""
    lift: str = ""
    instead_of: int = 0


def draft_of(pipeline: Pipeline, form: Mapping[str, str], now_ms: int, *, before: DiaryEntry | None = None) -> Draft:
    """Return what a plain form amounts to, with every fault and question by its field.

    Parameters
    ----------
    pipeline : Pipeline
    form : mapping of str to str
    now_ms : int
        [ms since 1970, UTC]
    before : DiaryEntry, optional
        The entry that is written anew: what the form does not ask of it stays.
    """
    kind = form.get("kind", "")
    if kind not in FORMS or (before is not None and kind != before.kind):
        return Draft((), {"": say("kind: found {found}, expected one of the page", found=repr(kind[:TYPED_SHOWN]))})
    reading = _Reading(pipeline, form, now_ms, before)
    entry = reading.entry()
    faults = _with_those_of_the_diary(pipeline, entry, now_ms, reading.faults, reading.instead_of)
    confirmed, confirms = confirmed_by(entry, form.get("confirmed", "")), figures_asked(entry)
    asked = () if confirmed else questions_of(entry)
    questions = {one.key: one.said(in_inches=pipeline.config.site.units.in_inches) for one in asked}
    entry = confirmed or entry
    lifts, lift = tuple[DiaryEntry, ...](), ""
    if entry.kind == "pass" and not faults and entry.body.get("state") != "booked":
        surface = next(one for one in pipeline.config.surfaces if one.name == entry.surface)
        meets = probes_in_the_way(surface, pipeline.diary, entry, entry.at_ms)
        if form.get("probes") == LIFTED:
            lifts = tuple(_lift(entry, station, probe) for station, probe in meets)
        elif meets:
            lift = lift_line(pipeline, entry, entry.at_ms)
    return Draft((*lifts, entry), faults, questions, confirms, lift, reading.instead_of)


def _lift(made: DiaryEntry, station: str, probe: str) -> DiaryEntry:
    """The entry of a probe that is lifted for a pass."""
    sent_as = made.sent_as and f"{made.sent_as}-{station}-{probe}"[-MAX_SENT_AS:]
    body = {"probe": probe}
    return replace(made, kind="lift", body=body, station=station, end_ms=None, sent_as=sent_as)


def figures_asked(entry: DiaryEntry) -> str:
    """Return the figures of an entry that are asked about, as the field `confirmed` of a form names them."""
    return " ".join(f"{one.key}={one.value:g}" for one in questions_of(entry))


def confirmed_by(entry: DiaryEntry, confirmed: str) -> DiaryEntry | None:
    """Return an entry whose writer has confirmed just the figures that are asked about; None where that is not so."""
    asked = figures_asked(entry).split()
    if not asked or not set(asked) <= set(confirmed.split()):
        return None
    return replace(entry, body={**entry.body, "confirmed": True})


def _with_those_of_the_diary(
    pipeline: Pipeline, entry: DiaryEntry, now_ms: int, faults: dict[str, str], instead_of: int
) -> dict[str, str]:
    """Faults of the form with those that the diary finds, by field, but for probes in the way: they are asked about."""
    form = FORMS[entry.kind]
    named = {
        "pass": {"pass": "what", "variant": "what"}, "sight": {"what": "seen", "value": "seen"},
        "healed": {"pass": "entry"},
    }.get(entry.kind, {})  # fmt: skip
    if form.end == "until":
        named = {**named, "end": "until"}
    fields = {"at", "author", form.end, *(one.key for one in form.fields)}
    around = replace(entry, body={**entry.body, "around": True}) if entry.kind == "pass" else entry
    for fault in check(pipeline.config, pipeline.diary, pipeline.photographs, around, now_ms, instead_of=instead_of):
        key, _, said = fault.partition(": ")
        at = named.get(key, key)
        if at in fields:
            faults.setdefault(at, said)
        else:
            faults[""] = " ".join((*filter(None, (faults.get(""),)), f"{fault}."))
    return faults


class _Reading:
    """Reads the fields of one form; what is wrong with them is in `faults`."""

    def __init__(self, pipeline: Pipeline, form: Mapping[str, str], now_ms: int, before: DiaryEntry | None) -> None:
        self.faults = dict[str, str]()
        self.instead_of = 0 if before is None else before.id
        self._pipeline, self._form, self._now_ms, self._before = pipeline, form, now_ms, before
        self._units = pipeline.config.site.units
        self._zone = ZoneInfo(pipeline.config.site.timezone)
        self._kind = form["kind"]
        self._station = form.get("station", "").strip() or None
        self._at_ms = self._time_ms("at")
        self._end_ms = self._time_ms("until" if FORMS[self._kind].end == "until" else "end")

    def entry(self) -> DiaryEntry:
        """Return the entry that the form amounts to."""
        form, surface = FORMS[self._kind], self._said("surface")
        fields = [one for one in form.fields if one.key not in _READ_APART.get(self._kind, ())]
        body = {key: value for one in fields for key, value in self._value(one)}
        if self._before is not None:
            asked = {*(one.key for one in form.fields), *_GIVES.get(self._kind, ()), "confirmed"}
            body = {**{key: value for key, value in self._before.body.items() if key not in asked}, **body}
        if form.of == SURFACE or (form.of == EITHER and self._said("of") != "here"):
            self._station = None
        kind = self._kind
        match kind:
            case "pass":
                body |= self._pass()
            case "sight":
                kind, body = self._sight(body)
            case "healed":
                body |= self._healed()
            case "lift" | "return":
                station, _, body["probe"] = self._said("probe").rpartition("/")
                self._station = station or self._station
            case "note" if not body.get("text"):
                self.faults["text"] = say("found none, expected a few words")
            case "depth":
                self._station = self._said("channel").partition("/")[0] or self._station
        if form.is_ahead and self._at_ms is None and "at" not in self.faults:
            self.faults["at"] = say("found none, expected a day and a time")
        at_ms = self._now_ms if self._at_ms is None else self._at_ms
        author = self._said("author") or ("" if self._before is None else self._before.author)
        entry = DiaryEntry(
            kind, surface, at_ms, body, self._station, self._end_ms, author, self._now_ms, sent_as=self._identity()
        )
        return self._covers_off(entry) if self._said("covers") == "off" else entry

    def _said(self, key: str) -> str:
        return self._form.get(key, "").strip()

    def _identity(self) -> str:
        """What its sender calls it. A browser without a script calls it nothing: then all that the form says, with the
        state of the page it stood on, so that a form pressed twice is written once."""
        given = self._said("sent_as")
        if given or not self._said("shown"):
            return given
        return hashlib.sha256(repr(sorted(self._form.items())).encode()).hexdigest()[:32]

    def _value(self, one: FormField) -> list[tuple[str, object]]:
        """A field of the body with its key; none where nothing was said."""
        text = self._said(one.key)
        if not text:
            return []
        match one.how:
            case "words" | "choice":
                return [(one.key, text)]
            case "numbers":
                parts = text.replace(";", " ").split()
                numbers = [self._number(part, one) for part in parts]
                return [(one.key, [number for number in numbers if number is not None])]
        number = self._number(text, one)
        if number is None:
            return []
        return [(one.key, int(number) if one.key == "points" and number == int(number) else number)]

    def _number(self, text: str, one: FormField) -> float | None:
        try:
            number = float(text.replace(",", "."))
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            unit = self._units.short if one.unit == "mm" else one.unit
            found = repr(text[:TYPED_SHOWN])
            self.faults[one.key] = (
                say("found {found}, expected a number, in {unit}", found=found, unit=unit)
                if unit
                else say("found {found}, expected a number", found=found)
            )
            return None
        return self._units.mm_of(number) if one.unit == "mm" else number

    def _time_ms(self, key: str) -> int | None:
        """A time of the form, on the clock of the site where it has no offset; of a day alone its end. [ms, UTC]"""
        text = self._said(key)
        if not text:
            return None
        was_ms = None if self._before is None else self._before.at_ms if key == "at" else self._before.end_ms
        if was_ms is not None and text in (local_time(was_ms, self._zone), local_day(was_ms, self._zone)):
            return was_ms  # to the second, as nobody has changed it
        try:
            at = datetime.datetime.fromisoformat(text)
            if len(text) == len("2026-05-04"):
                at += datetime.timedelta(days=1, seconds=-1)
            at = at if at.tzinfo is not None else at.replace(tzinfo=self._zone)
            at_ms = round(at.timestamp() * 1000)
        except (ValueError, OverflowError):
            found = repr(text[:TYPED_SHOWN])
            self.faults[key] = say("found {found}, expected a day and a time as 2026-05-04T09:00", found=found)
            return None
        return at_ms

    def _pass(self) -> dict[str, object]:
        """What was done, how far, and whether probes were left in; of a booking all that was booked."""
        what, body = self._said("what"), dict[str, object]()
        if what.startswith(BOOKED):
            number = what.removeprefix(BOOKED)
            booked = self._pipeline.diary.entry(int(number)) if number.isdecimal() and len(number) < 19 else None
            if booked is None or booked.kind != "pass":
                self.faults["what"] = say("found a booking that is no more, expected one that is there")
                return {}
            written = {one.key: value for one in FORMS["pass"].fields for _, value in self._value(one)}
            kept = {key: value for key, value in booked.body.items() if key not in written}
            body |= {**kept, "follows": booked.id}
        else:
            kind, _, variant = what.partition(".")
            body |= {"pass": kind} if kind else {}
            body |= {"variant": variant} if variant else {}
        body["state"] = self._said("state") or "done"
        if self._said("probes") == AROUND:
            body["around"] = True
        return body

    def _sight(self, body: dict[str, object]) -> tuple[str, dict[str, object]]:
        """What was seen on its scale; words alone are a note."""
        what, _, value = self._said("seen").partition(" ")
        if not what and body.get("text") and self._before is None:
            return "note", body
        if not what:
            self.faults["seen"] = say("found none, expected one of these, or a word below")
        return "sight", {"what": what, "value": float(value) if value.isdecimal() else value, **body}

    def _healed(self) -> dict[str, object]:
        number = self._said("entry")
        made = self._pipeline.diary.entry(int(number)) if number.isdecimal() and len(number) < 19 else None
        if made is None or made.kind != "pass":
            self.faults["entry"] = say("found none, expected a pass that was made")
            return {}
        named = {key: made.body[key] for key in ("pass", "variant") if key in made.body}
        return {"entry": made.id, **named}

    def _covers_off(self, entry: DiaryEntry) -> DiaryEntry:
        """The covers that are on, with their end; sent again those that it took off the first time."""
        diary = self._pipeline.diary
        kept = diary.sent_as(entry.sent_as)
        if kept is not None and kept.end_ms is not None and (kept.kind, kept.surface) == ("covers", entry.surface):
            end_ms = kept.end_ms if self._at_ms is None else entry.at_ms
            return replace(kept, id=0, end_ms=end_ms, written_at_ms=entry.written_at_ms)
        on = [
            one
            for one in diary.entries(("covers",), 0, entry.at_ms)
            if one.surface == entry.surface and one.end_ms is None
        ]
        if not on:
            self.faults["covers"] = say("found none that are on, expected some to take off")
            return entry
        self.instead_of = on[-1].id
        return replace(on[-1], id=0, end_ms=entry.at_ms, written_at_ms=entry.written_at_ms, sent_as=entry.sent_as)


BOOKED = "booked-"
_READ_APART = {
    "pass": ("what", "state"), "sight": ("seen",), "healed": ("entry",), "covers": ("covers",),
    "lift": ("probe",), "return": ("probe",),
}  # fmt: skip
# Keys of the body that those fields amount to: written anew, they replace what was there.
_GIVES = {
    "pass": ("pass", "variant", "state", "around"), "sight": ("what", "value"), "healed": ("entry", "pass", "variant"),
    "lift": ("probe",), "return": ("probe",),
}  # fmt: skip


def local_time(at_ms: int, zone: datetime.tzinfo) -> str:
    """Return a moment [ms since 1970, UTC] as a field of day and time has it."""
    return f"{datetime.datetime.fromtimestamp(at_ms / 1000, zone):%Y-%m-%dT%H:%M}"


def local_day(at_ms: int, zone: datetime.tzinfo) -> str:
    """Return the day of a moment [ms since 1970, UTC] as a field of a day has it."""
    return f"{datetime.datetime.fromtimestamp(at_ms / 1000, zone):%Y-%m-%d}"


def typed(entry: DiaryEntry, units: LocalUnits, zone: datetime.tzinfo) -> dict[str, str]:
    """Return what stands in the form of an entry: as it would have been typed."""
    form, found = FORMS[entry.kind], dict[str, str]()
    for one in form.fields:
        if one.key in entry.body:
            found[one.key] = shown(one, entry.body[one.key], units)
    found |= {"at": local_time(entry.at_ms, zone), "of": "here" if entry.station else "all", "author": entry.author}
    if entry.end_ms is not None:
        found["until" if form.end == "until" else "end"] = (
            local_day(entry.end_ms, zone) if form.end == "until" else local_time(entry.end_ms, zone)
        )
    body = entry.body
    match entry.kind:
        case "pass":
            found["what"] = ".".join(str(body[key]) for key in ("pass", "variant") if key in body)
            found |= {"state": str(body.get("state", "done")), "probes": AROUND if body.get("around") else ""}
        case "sight":
            found["seen"] = f"{body.get('what')} {entry.number('value'):g}"
        case "lift" | "return":
            found["probe"] = f"{entry.station}/{body.get('probe')}"
    return found


def shown(one: FormField, value: object, units: LocalUnits) -> str:
    """Return a value of a body as its field has it."""
    if isinstance(value, list | tuple):
        return " ".join(shown(one, each, units) for each in value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return units.entered(float(value)) if one.unit == "mm" else f"{value:g}"
    return str(value)
