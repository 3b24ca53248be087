"""The diary: pick a kind, nudge the last values, write; what was written last, to be changed or withdrawn.

All forms stand in the page, so that one can be filled where there is no signal. A kind is a link to its form, a step a
button beside a field; without a script the same forms lead through the server and back. What a form amounts to says
`api.diary_form`. Who asks for JSON is answered so: 201 with the entry, or 422 with faults and questions by field.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.datastructures import UploadFile

from api import diary, words
from api.booking import BLADES, BURIED, jobs_of, kinds_of
from api.data import pipeline_of, stations_of
from api.diary_form import (
    BOOKED,
    EITHER,
    FORMS,
    HEALS_WITHIN_MS,
    SURFACE,
    Choice,
    Draft,
    FormField,
    KindForm,
    draft_of,
    shown,
    typed,
)
from api.pages.frame import answer, page
from api.pages.parts import head, is_new, written_answer
from api.photos import PHOTOGRAPHED, keep_photos, shown_photos
from api.problems import PROBLEM_TYPE, Problem, wants_page
from api.slices import Pen, ruler_svg
from api.writing import OwnForm, SentFiles, own_path
from pipeline.diary.entry import MOST_PHOTOS, DiaryEntry, counts, questions_of
from pipeline.diary.facts import DiaryFacts, read_diary
from pipeline.service import Pipeline
from pipeline.site.ground import Station, Surface
from pipeline.texts import say
from pipeline.units import DAY_MS, EVER_MS

SHOWN = 8  # entries of the surface, the newest first
BIG = ("core", "pass", "watering", "sight")
RARE = ("sown", "depth", "regulator", "pre_emergence", "renovation")  # which stand on a page of their own
USUAL = tuple(kind for kind in FORMS if kind not in RARE)
UNLISTED = ("mark", "place", "buried")  # which have pages of their own
RULER_MM = 130.0  # drawn beside the core
CORE_PEN = Pen(36.0, 110.0, 12.0, 1.7, large=True)

router = APIRouter(include_in_schema=False)


@router.get("/diary", response_class=HTMLResponse)
def diary_page(
    request: Request, on: str = "", older: str = "", rare: str = "", photo: str = "", withdrawn: str = ""
) -> Response:
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    surface, station = _place(pipeline, on)
    past, gone = (int(text) if text.isdecimal() and len(text) < 9 else 0 for text in (older, withdrawn))
    name = station.name if station else surface.name
    kinds = RARE if rare else USUAL
    return page(
        request, "diary.html", (diary_page, name, past, kinds, photo == "lost", gone),
        lambda: {
            **_facts(request, surface, station, kinds, older=past), "photo_lost": photo == "lost", "withdrawn": gone,
        },
    )  # fmt: skip


@router.get("/diary/{entry_id}", response_class=HTMLResponse)
def entry_page(request: Request, entry_id: int) -> Response:
    """One entry: its form to be changed, and what stood there before. Of one that was written anew, what stands now."""
    pipeline = pipeline_of(request)
    entry = pipeline.diary.entry(entry_id)
    if entry is None and (instead := diary.stands_instead(pipeline, entry_id)) is not None:
        return RedirectResponse(f"/diary/{instead.id}", 303)
    if entry is None:
        raise _no_such(entry_id)
    return page(request, "entry.html", (entry_page, entry_id), lambda: _entry_facts(request, entry))


@router.post("/diary")
def write(request: Request, form: OwnForm, files: SentFiles) -> Response:
    """Write what a form amounts to, with its photographs; the same `sent_as` again writes nothing more."""
    pipeline, now_ms = pipeline_of(request), pipeline_of(request).clock.now_ms()
    draft = draft_of(pipeline, form, now_ms)
    if not draft.entries or (_is_news(pipeline, draft) and (draft.faults or draft.questions or draft.lift)):
        return _refused(request, form, draft)
    *others, last = draft.entries
    last, told = _with_photos(pipeline, last, files, with_place=bool(form.get("photo_place")))
    draft = replace(draft, entries=(*others, last))
    written = [_write(request, draft, entry) for entry in draft.entries]
    lost = "&photo=lost" if told else ""
    return _written(request, written, f"/diary?on={_on(written[-1])}{lost}#entry-{written[-1].id}", told)


@router.post("/diary/undone")
def undo(request: Request, form: OwnForm) -> Response:
    """Take back what was written: what stood there before stands again, what was new is struck out; pressed twice,
    once. What somebody has changed meanwhile stands, which is said (409)."""
    pipeline, changed = pipeline_of(request), False
    numbers = [int(one) for one in form.get("entries", "").split()[:SHOWN] if one.isdecimal() and len(one) < 19]
    for number in numbers:
        entry, before = pipeline.diary.entry(number), pipeline.diary.before(number)
        if entry is None:
            after = pipeline.diary.after(number)
            changed |= after is not None and not (before and _says_the_same(after, before[0]))
        elif before and not pipeline.diary.is_restored(number):
            diary.change(request, number, _again(before[0], pipeline.clock.now_ms()), [], is_again=True)
        else:
            diary.strike(pipeline, number)
    if changed:
        told = say("What was to be taken back has been changed meanwhile. It stands in the diary as it is now.")
        raise Problem(409, "Changed meanwhile", told)
    return _done(request, form.get("back", "/diary"))


@router.post("/diary/{entry_id}")
def write_anew(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Write an entry anew in place of the one that is changed; the same `sent_as` again changes nothing more."""
    pipeline, now_ms = pipeline_of(request), pipeline_of(request).clock.now_ms()
    entry = pipeline.diary.entry(entry_id)
    if entry is None and (changed := _changed_by(pipeline, form, entry_id)) is not None:
        draft = draft_of(pipeline, form, now_ms, before=changed)
        if not draft.entries:
            return _refused(request, form, draft)
        kept = diary.change(request, entry_id, draft.entries[-1], [])
        stands = pipeline.diary.entry(kept.id) is not None
        return _written(request, [kept], f"/diary/{kept.id}" if stands else f"/diary?on={_on(kept)}")
    if entry is None:  # somebody was faster: nothing that was typed is lost
        told = say("What was to be changed is changed or withdrawn already. Written down now it is a new entry.")
        on = form.get("station", "") or form.get("surface", "")
        leads = {"action": "/diary", "page": f"/diary?on={on}{'&rare=1' if form.get('kind') in RARE else ''}"}
        return _refused(request, form, Draft((), {"": told}), leads=leads)
    draft = draft_of(pipeline, form, now_ms, before=entry)
    if draft.faults or draft.questions or draft.lift:
        return _refused(request, form, draft, entry)
    written = [_write(request, draft, one) for one in draft.entries]
    return _written(request, written, f"/diary/{written[-1].id}")


@router.post("/diary/{entry_id}/confirmed")
def confirm(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Say of an entry that its figures are right as they are: it counts from now on."""
    pipeline = pipeline_of(request)
    entry = pipeline.diary.entry(entry_id)
    if entry is None:
        entry, former = diary.stands_instead(pipeline, entry_id), pipeline.diary.before
        if entry is None:
            raise _no_such(entry_id)
        if not any(one.id == entry_id and _is_confirmed(one, entry) for one in former(entry.id)):
            raise diary.changed_meanwhile()  # else it was pressed before
    if not counts(entry):
        made = _again(entry, pipeline.clock.now_ms(), confirmed=True)
        entry = diary.change(request, entry_id, made, [], is_again=True)
    return _done(request, form.get("back", f"/diary?on={_on(entry)}"))


@router.post("/diary/{entry_id}/withdrawn")
def withdraw(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Strike an entry out, to be taken back for a while; pressed twice it is gone once."""
    pipeline = pipeline_of(request)
    entry = pipeline.diary.entry(entry_id)
    if entry is None and diary.stands_instead(pipeline, entry_id) is not None:
        raise diary.changed_meanwhile()
    if entry is not None:
        diary.strike(pipeline, entry_id)
    return _done(request, "/diary" if entry is None else f"/diary?on={_on(entry)}&withdrawn={entry_id}")


@router.post("/diary/{entry_id}/restored")
def restore(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Take a withdrawal back; pressed twice the entry stands once."""
    entry = diary.restore(pipeline_of(request), entry_id)
    return _done(request, form.get("back", "/diary") if entry is None else f"/diary?on={_on(entry)}#entry-{entry.id}")


# --- what is written -------------------------------------------------------------------------------------------------


def _is_news(pipeline: Pipeline, draft: Draft) -> bool:
    """Whether the entry was not sent before: what is wrong with a second one is not asked of a repeat."""
    return pipeline.diary.sent_as(draft.entries[-1].sent_as) is None


def _changed_by(pipeline: Pipeline, form: Mapping[str, str], entry_id: int) -> DiaryEntry | None:
    """The entry of a number as it was before this very form was sent a first time and changed it."""
    kept = pipeline.diary.sent_as(form.get("sent_as", "").strip())
    former = [] if kept is None else pipeline.diary.before(kept.id)[:1]
    return next((one for one in former if one.id == entry_id), None)


def _with_photos(
    pipeline: Pipeline, entry: DiaryEntry, files: Sequence[UploadFile], *, with_place: bool
) -> tuple[DiaryEntry, list[str]]:
    """An entry with its photographs, and which were not kept; one that was sent before has those of the first time."""
    before = pipeline.diary.sent_as(entry.sent_as)
    if before is None:
        names, told = keep_photos(pipeline.photographs, files, with_place=with_place)
    else:
        kept = before.body.get("photos")
        names, told = list(kept) if isinstance(kept, list) else [], []
    return (replace(entry, body={**entry.body, "photos": names}) if names else entry), told


def _write(request: Request, draft: Draft, entry: DiaryEntry) -> DiaryEntry:
    if draft.instead_of and entry is draft.entries[-1]:
        return diary.change(request, draft.instead_of, entry, [])
    return diary.add(request, entry, [])


def _again(entry: DiaryEntry, now_ms: int, *, confirmed: bool | None = None) -> DiaryEntry:
    """An entry as it was, to be written once more."""
    body = dict(entry.body) if confirmed is None else {**entry.body, "confirmed": confirmed}
    return DiaryEntry(
        entry.kind, entry.surface, entry.at_ms, body, entry.station, entry.end_ms, entry.author, now_ms
    )  # fmt: skip


def _is_confirmed(one: DiaryEntry, other: DiaryEntry) -> bool:
    """Whether one entry is another whose figures somebody has said are right."""
    return _says_the_same(replace(one, body={**one.body, "confirmed": True}), other)


def _says_the_same(one: DiaryEntry, other: DiaryEntry) -> bool:
    """Whether two entries say the same, whenever they were written."""
    same = all(
        getattr(one, key) == getattr(other, key) for key in ("kind", "surface", "station", "at_ms", "end_ms", "author")
    )
    return same and dict(one.body) == dict(other.body)


def _written(request: Request, written: Sequence[DiaryEntry], leads: str, told: Sequence[str] = ()) -> Response:
    alike = diary.written_already(pipeline_of(request), written[-1])
    return written_answer(request, written, leads, [*told, *alike])


def _done(request: Request, leads: str) -> Response:
    return (
        RedirectResponse(own_path(leads, "/diary"), 303)
        if wants_page(request)
        else JSONResponse({"at": own_path(leads, "/diary"), "questions": []})
    )


def _refused(
    request: Request,
    form: Mapping[str, str],
    draft: Draft,
    before: DiaryEntry | None = None,
    leads: Mapping[str, str] = MappingProxyType({}),
) -> Response:
    """The form as it was sent, with what is wrong or asked beside each field; nothing is written. `leads` says to a
    script to where it is sent from now on, and on which page it stands."""
    if not wants_page(request):
        told = {
            "type": "about:blank",
            "title": say("The entry is not written yet"),
            "status": 422,
            "detail": "; ".join(f"{key}: {said}" if key else said for key, said in _told(draft).items()) or draft.lift,
            "instance": request.url.path,
            "faults": draft.faults,
            "questions": draft.questions,
            "confirms": draft.confirms,
            "lift": draft.lift,
            **leads,
        }
        return JSONResponse(told, 422, media_type=PROBLEM_TYPE)
    pipeline = pipeline_of(request)
    if before is not None:
        facts = _entry_facts(request, before, form=form, draft=draft)
        return answer(request, "entry.html", pipeline, facts, status=422)
    surface, station = _place(pipeline, form.get("station", "") or form.get("surface", ""))
    return answer(
        request, "diary.html", pipeline,
        _facts(request, surface, station, RARE if form.get("kind") in RARE else USUAL, form=form, draft=draft),
        status=422,
    )  # fmt: skip


def _told(draft: Draft) -> dict[str, str]:
    return {**draft.questions, **draft.faults}


def _no_such(entry_id: int) -> Problem:
    return Problem(404, "No such entry", f"found {entry_id}, expected the number of an entry that is not struck")


# --- what the page shows ---------------------------------------------------------------------------------------------


def _place(pipeline: Pipeline, name: str) -> tuple[Surface, Station | None]:
    """A place by the name of its station, or of a surface: then its first station. Raises Problem 404."""
    surfaces = pipeline.config.surfaces
    for surface in surfaces:
        for station in surface.stations:
            if station.name == name:
                return surface, station
    found = next((one for one in surfaces if one.name == name), None)
    if name and found is None:
        names = ", ".join(pipeline.config.stations())
        raise Problem(404, "No such place", f"on: found {name[:100]!r}, expected one of {names}")
    first = found or next(one for one in surfaces if one.stations)
    return first, next(iter(first.stations), None)


def _on(entry: DiaryEntry) -> str:
    return entry.station or entry.surface


def _facts(
    request: Request,
    surface: Surface,
    station: Station | None,
    kinds: Sequence[str],
    *,
    older: int = 0,
    form: Mapping[str, str] | None = None,
    draft: Draft | None = None,
) -> dict[str, Any]:
    pipeline, states = pipeline_of(request), stations_of(request)
    now_ms = pipeline.clock.now_ms()
    view = _PlaceDiary(pipeline, surface, station, now_ms)
    listed = [e for e in view.entries if e.kind not in UNLISTED]
    newest = listed[::-1][older : older + SHOWN]
    return {
        "page": "diary",
        "twin": f"/api/v1/diary?surface={surface.name}",
        **head(states, pipeline.config.site.timezone),
        "on": station.name if station else surface.name,
        "place": surface.place(station) if station else surface.title,
        "places": _places(pipeline),
        "surface": surface,
        "station": station,
        "big": BIG,
        "photographed": PHOTOGRAPHED,
        "is_rare": kinds is RARE,
        "forms": [view.form(kind, form, draft) for kind in kinds],
        "latest": [view.line(entry) for entry in newest],
        "older": older + SHOWN if len(listed) > older + SHOWN else 0,
        **_ruler(pipeline),
    }


def _entry_facts(
    request: Request, entry: DiaryEntry, *, form: Mapping[str, str] | None = None, draft: Draft | None = None
) -> dict[str, Any]:
    pipeline, states = pipeline_of(request), stations_of(request)
    now_ms = pipeline.clock.now_ms()
    surface = next((one for one in pipeline.config.surfaces if one.name == entry.surface), None)
    station = next((one for one in surface.stations if one.name == entry.station), None) if surface else None
    view = None if surface is None else _PlaceDiary(pipeline, surface, station, now_ms)
    is_booked = entry.kind == "pass" and entry.body.get("state") == "booked"
    asks = view is not None and entry.kind in FORMS and not is_booked
    return {
        "page": "diary",
        "twin": f"/api/v1/diary/{entry.id}/history",
        **head(states, pipeline.config.site.timezone),
        "entry": entry,
        "line": words.tied(words.entry_line(pipeline.config, entry, now_ms)),
        "is_new": is_new(pipeline, entry, now_ms),
        "place": words.place_of(pipeline.config, entry),
        "on": _on(entry),
        "surface": surface,
        "station": station,
        "is_booked": is_booked,
        "one": view.form(entry.kind, form, draft, before=entry) if view is not None and asks else None,
        "questions": [] if counts(entry) else _asked(pipeline, entry),
        "photos": shown_photos(pipeline, [entry], MOST_PHOTOS),
        "before": [
            (words.moment(old.written_at_ms, pipeline.config.site.timezone, now_ms=now_ms),
             words.tied(words.entry_line(pipeline.config, old, now_ms)))
            for old in pipeline.diary.before(entry.id)
        ],
        "written": words.moment(entry.written_at_ms, pipeline.config.site.timezone, now_ms=now_ms),
        **_ruler(pipeline),
    }  # fmt: skip


def _asked(pipeline: Pipeline, entry: DiaryEntry) -> list[str]:
    return [one.said(in_inches=pipeline.config.site.units.in_inches) for one in questions_of(entry)]


def _places(pipeline: Pipeline) -> list[tuple[str, str]]:
    return [
        (station.name, surface.place(station)) if station else (surface.name, surface.title)
        for surface in pipeline.config.surfaces
        for station in surface.stations or (None,)
    ]


def _ruler(pipeline: Pipeline) -> dict[str, Any]:
    units = pipeline.config.site.units
    return {
        "ruler": ruler_svg(CORE_PEN, RULER_MM, units),
        "marks": [(round(CORE_PEN.y(mm), 1), said) for mm, said in units.marks_mm(RULER_MM)],
        "pen": CORE_PEN,
        "unit_mm": units.mm_of(1.0),
    }


class _PlaceDiary:
    """The diary of one place, as its page shows it."""

    def __init__(self, pipeline: Pipeline, surface: Surface, station: Station | None, now_ms: int) -> None:
        self.pipeline, self.surface, self.station, self.now_ms = pipeline, surface, station, now_ms
        self.zone = ZoneInfo(pipeline.config.site.timezone)
        self.entries = [e for e in pipeline.diary.entries(None, *EVER_MS, asked=True) if e.surface == surface.name]
        self._facts: DiaryFacts = read_diary(
            [e for e in self.entries if counts(e)], surface.name, pipeline.config.passes, self.zone
        )

    def line(self, entry: DiaryEntry) -> dict[str, Any]:
        """One entry of the list."""
        config, now_ms = self.pipeline.config, self.now_ms
        return {
            "id": entry.id,
            "kind": entry.kind,
            "when": words.upper_first(words.moment(entry.at_ms, config.site.timezone, now_ms=now_ms)),
            "where": words.place_of(config, entry),
            "what": words.tied(words.entry_what(config, entry, now_ms)),
            "is_new": is_new(self.pipeline, entry, now_ms),
            "questions": [] if counts(entry) else _asked(self.pipeline, entry),
        }

    # --- forms -------------------------------------------------------------------------------------------------------

    def form(
        self, kind: str, sent: Mapping[str, str] | None, draft: Draft | None, before: DiaryEntry | None = None
    ) -> dict[str, Any]:
        """One form: as it was sent with what is wrong, else as an entry has it, else with what was written last."""
        form, is_open = FORMS[kind], sent is not None and draft is not None and sent.get("kind") == kind
        units = self.pipeline.config.site.units
        values = self._last(kind, form)
        if kind == "pass" and (first := next(iter(self._passes()), None)):
            depths = self._depths()
            values = {"depth_mm": depths.get(first.value) or depths.get(first.value.partition(".")[0], "")}
        if before is not None:
            values = typed(before, units, self.zone)
        if is_open and sent is not None:
            values = dict(sent)
        told = draft if is_open and draft is not None else Draft(())
        return {
            "kind": kind,
            "id": f"f{list(FORMS).index(kind)}",
            "title": say(form.title),
            "of": self._of(form),
            "either": form.of == EITHER,
            "here": values.get("of", "here" if kind == "sight" else "all"),
            "end": form.end,
            "is_ahead": form.is_ahead,
            "is_open": is_open,
            "typed": values,
            "fields": [self._field(kind, one, values) for one in form.fields if not one.is_more],
            "more": [self._field(kind, one, values) for one in form.fields if one.is_more],
            "is_more": any(values.get(one.key) for one in form.fields if one.is_more)
            and (is_open or before is not None),
            "faults": told.faults,
            "questions": told.questions,
            "confirms": told.confirms if told.questions else "",
            "lift": told.lift,
            "has_probes": kind == "pass" and bool(self._probes()),
            "cautions": [say(BURIED), say(BLADES)] if kind == "pass" and before is None else [],
        }

    def _of(self, form: KindForm) -> str:
        """Whether it has to be said what an entry is of; no surface with one station has to."""
        return (
            EITHER
            if form.of == EITHER and len(self.surface.stations) > 1
            else SURFACE
            if form.of == EITHER
            else form.of
        )

    def _field(self, kind: str, one: FormField, values: Mapping[str, str]) -> dict[str, Any]:
        units = self.pipeline.config.site.units
        step = one.step_in if one.unit == "mm" and units.in_inches else one.step
        choices = self._choices(kind, one)
        value = values.get(one.key, "")
        if one.how == "choice" and not value and choices and one.key in ("state", "covers", "entry", "what"):
            value = choices[0].value
        return {
            "key": one.key,
            "id": chr(ord("a") + FORMS[kind].fields.index(one)),
            "label": say(one.label),
            "how": one.how,
            "unit": units.short if one.unit == "mm" else one.unit,
            "step": f"{step:g}",
            "begin": units.entered(one.begin) if one.unit == "mm" else f"{one.begin:g}",
            "value": value,
            "choices": choices,
            "others": self._other_passes() if kind == "pass" and one.key == "what" else (),
            "depths": self._depths() if one.key == "what" else {},
        }

    def _last(self, kind: str, form: KindForm) -> dict[str, str]:
        """What was written last in each field that begins so."""
        units, found = self.pipeline.config.site.units, dict[str, str]()
        here = None if self.station is None or form.of != "station" else self.station.name
        same = [e for e in self.entries if e.kind == kind and counts(e) and (here is None or e.station == here)]
        if kind == "pass":
            same = []  # each pass has its own
        for one in form.fields:
            if one.is_kept and one.how in ("mm", "number", "numbers", "words"):
                entry = next((e for e in reversed(same) if one.key in e.body), None)
                if entry is not None:
                    found[one.key] = shown(one, entry.body[one.key], units)
        return found

    def _choices(self, kind: str, one: FormField) -> tuple[Choice, ...]:
        match kind, one.key:
            case "pass", "what":
                return tuple(self._passes())
            case ("lift", "probe") | ("return", "probe"):
                out = {each.probe for each in self._facts.lifted if each.out_ms <= self.now_ms < each.back_ms}
                probes = self._probes()
                first = [c for c in probes if (c.value in out) == (kind == "return")]
                return tuple(first or probes)
            case "healed", "entry":
                made = [p for p in self._facts.made if p.state == "done" and self.now_ms - p.start_ms < HEALS_WITHIN_MS]
                return tuple(Choice(str(p.id), self._pass_said(p.kind, p.start_ms)) for p in reversed(made[-6:]))
            case "depth", "channel":
                return tuple(self._buried())
        return tuple(Choice(value, say(said)) for value, said in one.choices)

    def _pass_said(self, kind: str, at_ms: int) -> str:
        when = words.soon(at_ms, self.pipeline.config.site.timezone, self.now_ms, clock=False)
        doing = words.upper_first(words.pass_title({"pass": kind}))
        return say("{pass_title}, {when}", pass_title=doing, when=when)

    def _passes(self) -> list[Choice]:
        """What is under way or booked for about now, then what is judged here."""
        jobs = jobs_of(self.pipeline, self.now_ms)
        near = [e for e in (*jobs.under_way, *jobs.missed, *jobs.booked) if e.at_ms < self.now_ms + DAY_MS]
        found = []
        for e in near:
            if e.surface == self.surface.name:
                when = words.soon(e.at_ms, self.pipeline.config.site.timezone, self.now_ms)
                said = words.upper_first(words.pass_title(e.body))
                line = (
                    say("{pass_title}, begun {when}", pass_title=said, when=when)
                    if e.body.get("state") == "begun"
                    else say("{pass_title}, booked for {when}", pass_title=said, when=when)
                )
                found.append(Choice(f"{BOOKED}{e.id}", line))
        here, _ = kinds_of(self.pipeline, self.surface)
        return [*found, *(Choice(value, words.upper_first(words.tied(said))) for value, said in here)]

    def _other_passes(self) -> list[Choice]:
        _, others = kinds_of(self.pipeline, self.surface)
        return [Choice(value, words.upper_first(said)) for value, said in others]

    def _depths(self) -> dict[str, str]:
        """How deep each kind of pass went last here, as its field has it."""
        units, found = self.pipeline.config.site.units, dict[str, str]()
        for e in self.entries:
            if e.kind == "pass" and counts(e) and "depth_mm" in e.body:
                depth = units.entered(e.number("depth_mm"))
                found |= {str(e.body["pass"]): depth, f"{BOOKED}{e.id}": depth}
        return found

    def _probes(self) -> list[Choice]:
        return [
            Choice(f"{station.name}/{probe.name}", words.upper_first(self.surface.probe_called(station, probe)))
            for station in self.surface.stations
            for probe in station.probes
            if any(one.channel.depth_m is not None for one in probe.channels)
        ]

    def _buried(self) -> list[Choice]:
        stations = [self.station] if self.station else []
        return [
            Choice(
                one.id,
                say("{probe}, {depth:.0f} mm", probe=self.surface.probe_called(station, probe),
                    depth=one.channel.depth_m * 1000),
            )
            for station in stations
            for probe in station.probes
            for one in probe.channels
            if one.channel.depth_m is not None and one.channel.quantity == "water_content"
        ]  # fmt: skip
