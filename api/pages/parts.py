"""Facts that several pages show: the head, what is to be seen to, a station and its slice in a few words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from fastapi import Request
from fastapi.responses import JSONResponse, RedirectResponse, Response

from api import words
from api.data import iso, pipeline_of
from api.depths import DepthNow
from api.diary import entry_out
from api.problems import wants_page
from api.state import StationNow
from pipeline.advice.report import SurfaceAdvice
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.alerts.runner import OpenAlert
from pipeline.diary.entry import DiaryEntry
from pipeline.run.clock import FollowClock
from pipeline.service import Pipeline
from pipeline.texts import later, say
from pipeline.units import DAY_MS, EVER_MS

SNOOZE_DAYS = 3
UNDO_MS = 20_000  # so long what was written bears the button that takes it back
MOST_SEEN = 8  # alerts that are told on one page; that of the alerts has all
SHORT = 90  # characters of what is to be seen to, where it has one line


def cautions_told(surfaces: Iterable[SurfaceAdvice]) -> list[dict[str, str]]:
    """What to look at or to feel for: the places of each, those of the same words in one line."""
    places: dict[str, list[str]] = {}
    for one in surfaces:
        for caution in one.cautions:
            places.setdefault(caution.words, []).append(caution.place)
    return [{"places": words.named(names, 3), "words": words.tied(told)} for told, names in places.items()]


def head(states: Sequence[StationNow], zone: str) -> dict[str, Any]:
    """Return the facts of the head of a page: the time, and when some stations were heard last."""
    now_ms = states[0].now_ms
    heard_ms = max((s.heard_ms for s in states if s.heard_ms is not None), default=None)
    is_old = heard_ms is None or all(s.heard_ms is None or s.is_old for s in states)
    if heard_ms is None:
        age = say("not heard yet")
    else:
        # the hour alone is enough for what was heard in the last ones, past midnight too
        if is_old:
            age = say("{age} old", age=words.age(now_ms - heard_ms))
        elif all(s.by_hand for s in states if s.heard_ms == heard_ms):
            age = say("by hand, last read {when}", when=words.soon(heard_ms, zone, now_ms))
        else:
            age = say("heard {clock}", clock=words.clock(heard_ms, zone))
    return {"now": words.date_and_clock(now_ms, zone), "age": age, "age_is_old": is_old}


def see_to(
    pipeline: Pipeline, alerts: Sequence[OpenAlert], states: Sequence[StationNow], station: str | None = None
) -> list[dict[str, Any]]:
    """Return open alerts as a page shows them, of one station or of all, those that nobody has marked first.

    What was told of a station that has not been heard since stands behind, and says so.
    """
    zone, now_ms = pipeline.config.site.timezone, states[0].now_ms
    unheard = {s.station.name: s.heard_ms for s in states if s.is_old and s.heard_ms is not None}
    stale = {
        a.alert_id: say("As it was {when}: nothing heard since.", when=words.soon(heard_ms, zone, now_ms))
        for a in alerts
        if a.rule != PROBE_FAULT.name and (heard_ms := unheard.get(a.station)) is not None
    }
    marks = {str(e.body.get("alert")): e for e in pipeline.diary.entries(("mark",), *EVER_MS)}
    found = [
        {
            "id": alert.alert_id,
            "text": words.tied(alert.text),
            "short": alert.text if len(alert.text) <= SHORT else f"{alert.text[:SHORT].rpartition(' ')[0]} ...",
            "since": " ".join(
                (
                    say("Since {when}.", when=words.soon(alert.since_ms, zone, now_ms)),
                    stale.get(alert.alert_id, ""),
                )
            ).rstrip(),
            "mark": "" if mark is None else words.mark_line(pipeline.config, mark, now_ms),
            "undo": mark.id if mark is not None and is_new(pipeline, mark, now_ms) else 0,
            "until": iso(now_ms // 1000 * 1000 + SNOOZE_DAYS * DAY_MS),
            "snooze_days": SNOOZE_DAYS,
        }
        for alert in alerts
        if station in (None, alert.station)
        for mark in (marks.get(alert.alert_id),)
    ]
    return sorted(found, key=lambda one: (bool(one["mark"]), one["id"] in stale))


def just_written(pipeline: Pipeline, now_ms: int) -> list[dict[str, Any]]:
    """Return what was written so lately that it can still be taken back in place, the newest first; marks are with
    their alerts."""
    entries = [e for e in pipeline.diary.entries(None, *EVER_MS) if e.kind != "mark" and is_new(pipeline, e, now_ms)]
    return [
        {"id": e.id, "line": words.tied(words.entry_line(pipeline.config, e, now_ms))}
        for e in sorted(entries, key=lambda e: -e.id)
    ]


def written_answer(
    request: Request, written: Sequence[DiaryEntry], leads: str, questions: Sequence[str] = ()
) -> Response:
    """Return the answer to a form whose entries are written, the last of them its own: the way to `leads`, a page of
    this server; to a script what it was, with what is to be said of it."""
    if wants_page(request):
        return RedirectResponse(leads, 303)
    pipeline = pipeline_of(request)
    now_ms, last = pipeline.clock.now_ms(), written[-1] if written else None
    line = "" if last is None else words.tied(words.entry_line(pipeline.config, last, now_ms))
    told = {
        "entry": None if last is None else entry_out(last).model_dump(),
        "entries": " ".join(str(one.id) for one in written),
        "said": pipeline.config.site.units.text(line),
        "questions": list(questions),
        "at": leads,
    }
    return JSONResponse(told, 201)


def is_new(pipeline: Pipeline, entry: DiaryEntry, now_ms: int) -> bool:
    """Return whether an entry was written so lately that it bears the button that takes it back."""
    clock = pipeline.clock
    rate = max(clock.rate, 1.0) if isinstance(clock, FollowClock) else 1.0  # a minute of a demo is gone in a second
    return 0 <= now_ms - entry.written_at_ms < UNDO_MS * rate


LAYERS_SAID = {
    "thatch": later("thatch {wetness}"), "top_layer": later("top {wetness}"), "root_zone": later("roots {wetness}")
}  # fmt: skip


def layers_said(state: StationNow) -> list[str]:
    """Return how wet each layer is that can be told: `thatch nearly dry`, `roots half full`."""
    told = [one for one in state.layers if one.wetness is not None]
    said = [say(LAYERS_SAID[one.layer], wetness=words.wetness(one.wetness)) for one in told if one.wetness is not None]
    if told and not any(one.layer == "root_zone" for one in told):
        said.append(say("roots cannot be told"))
    return said


def told(depths: Sequence[DepthNow]) -> str:
    """Return the numbers that a slice draws, in words."""
    if not depths:
        return say("No moisture probe stands here.")
    return say("Of the way from dry to drained: {depths}.", depths="; ".join(_told(one) for one in depths))


def _told(one: DepthNow) -> str:
    told = {"depth": one.depth_mm, "wetness": words.way(one.wetness)}
    if one.lies_in == "mixed":
        if one.channel.is_silent:
            return say("{depth:.0f} mm {wetness} mixed silent", **told)
        return say("{depth:.0f} mm {wetness} mixed", **told)
    return (
        say("{depth:.0f} mm {wetness} silent", **told)
        if one.channel.is_silent
        else say("{depth:.0f} mm {wetness}", **told)
    )


def thatch_words(state: StationNow, depths: Sequence[DepthNow], zone: str) -> str:
    """Return what is known of the thickness of the thatch, and whether a probe reads it."""
    if state.thatch_m is None:
        return say("Thatch not known: cut a core.")
    if state.thatch_m == 0.0:
        return say("No thatch.")
    thatch_mm = state.thatch_m * 1000
    if state.core_ms is None:
        core = say("{thatch:.0f} mm of thatch", thatch=thatch_mm)
    else:
        day = words.soon(state.core_ms, zone, state.now_ms, clock=False)
        core = say("core {day}: {thatch:.0f} mm", day=day, thatch=thatch_mm)
    if any(one.lies_in == "thatch" for one in depths):
        return f"{words.upper_first(core)}."
    if any(one.lies_in == "mixed" for one in depths):
        return say("Thatch mixed with soil; {core}.", core=core)
    return say("Thatch not read; {core}.", core=core)
