"""What the alerts have been: each from its opening to its end, what people made of it, and what ended it.

Read from the events of the journal and the marks and entries of the diary. Nothing is judged anew: an alert ends with
the words of its rule, beside the entry of the diary, the readings or the advice that they rest on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request

from api import schema, words
from api.data import DEFAULT_PAGE, From, To, iso, ms, pipeline_of
from pipeline.advice.phrases import fact_of, spoken
from pipeline.alerts.model import CLOSED, OPENED, RuleGrain, RuleName
from pipeline.alerts.runner import RULE_OF
from pipeline.diary.entry import DiaryEntry
from pipeline.service import Pipeline
from pipeline.texts import say
from pipeline.units import DAY_MS, EVER_MS, HOUR_MS

ENTRY_BEFORE_MS = 2 * HOUR_MS  # an entry so shortly before a closing is named as what ended it: our own choice
LOOKED_BACK_MS = 400 * DAY_MS  # an alert that was opened longer before the span has lost its opening
ENDS_BY = ("lift", "return", "pass", "watering", "rain", "core", "depth", "covers", "fixture")  # kinds that may end one

router = APIRouter(prefix="/api/v1", tags=["data"])


@dataclass(frozen=True, slots=True)
class PastAlert:
    """An alert from its opening on. [ms since 1970, UTC]

    `closed_ms` is None while it is open, and then `ended` and `closed_by` are empty; `said` is how often it was said.
    """

    alert_id: str
    rule: str
    surface: str
    station: str
    probe: str
    since_ms: int
    opened_ms: int
    closed_ms: int | None
    text: str
    said: int
    ended: str
    closed_by: str
    marks: tuple[DiaryEntry, ...]


def alerts_of(pipeline: Pipeline, start_ms: int, end_ms: int) -> list[PastAlert]:
    """Return the alerts that were open in start <= t < end: those open now first, then the last ended. [ms]"""
    events: dict[str, list[Mapping[str, Any]]] = {}
    for event in pipeline.journal.events(start_ms - LOOKED_BACK_MS, end_ms):
        if "alert_id" in event.body:
            events.setdefault(str(event.body["alert_id"]), []).append(event.body)
    marks: dict[str, list[DiaryEntry]] = {}
    for entry in pipeline.diary.entries(("mark",), *EVER_MS):
        marks.setdefault(str(entry.body.get("alert")), []).append(entry)
    entries = pipeline.diary.entries(ENDS_BY, start_ms - DAY_MS, end_ms)
    now = {alert.alert_id: alert for alert in pipeline.alerts()}
    found = []
    for alert_id, said in events.items():
        one = _past(pipeline, alert_id, said, marks.get(alert_id, []), entries)
        if one.closed_ms is None and alert_id not in now:
            continue  # its rule, place or probe is gone from the settings, and with it its end
        if one.closed_ms is None or one.closed_ms >= start_ms:
            found.append(one if alert_id not in now else _with_words(one, now[alert_id].text))
    return sorted(found, key=lambda one: (one.closed_ms is not None, -(one.closed_ms or one.opened_ms), one.alert_id))


def _with_words(one: PastAlert, text: str) -> PastAlert:
    made = {name: getattr(one, name) for name in PastAlert.__slots__}
    return PastAlert(**{**made, "text": text})


def _fact(pipeline: Pipeline, event: Mapping[str, Any]) -> str:
    """What an event told, as of its time. What to do about it then stood in the plan of that day."""
    zone = ZoneInfo(pipeline.config.site.timezone)
    return spoken(fact_of(str(event.get("words") or event["text"])), int(event["at_ms"]), zone)


def _past(
    pipeline: Pipeline,
    alert_id: str,
    said: Sequence[Mapping[str, Any]],
    marks: Sequence[DiaryEntry],
    entries: Sequence[DiaryEntry],
) -> PastAlert:
    first, told = said[0], [one for one in said if one["kind"] != CLOSED]
    closing = next((one for one in reversed(said) if one["kind"] == CLOSED), None)
    opened = next((one for one in said if one["kind"] == OPENED), first)
    return PastAlert(
        alert_id=alert_id,
        rule=str(first["rule"]),
        surface=str(first["surface"]),
        station=str(first["station"]),
        probe=str(first["probe"]),
        since_ms=int(opened["since_ms"]),
        opened_ms=int(opened["at_ms"]),
        closed_ms=None if closing is None else int(closing["at_ms"]),
        text=_fact(pipeline, (told or said)[-1]),
        said=len(told),
        ended="" if closing is None else str(closing["text"]),
        closed_by="" if closing is None else _closed_by(pipeline, closing, marks, entries),
        marks=tuple(marks),
    )


def _closed_by(
    pipeline: Pipeline, closing: Mapping[str, Any], marks: Sequence[DiaryEntry], entries: Sequence[DiaryEntry]
) -> str:
    """What ended an alert, as a sentence: a person's word, an entry of the diary shortly before, or data."""
    at_ms, zone, now_ms = int(closing["at_ms"]), pipeline.config.site.timezone, pipeline.clock.now_ms()
    wrong = [one for one in marks if one.body.get("mark") == "wrong" and one.at_ms <= at_ms + HOUR_MS]
    if wrong:
        return words.mark_line(pipeline.config, wrong[-1], now_ms)
    of_surface = [one for one in entries if one.surface == closing["surface"]]
    near = [one for one in of_surface if 0 <= at_ms - max(one.at_ms, one.written_at_ms) <= ENTRY_BEFORE_MS]
    when = words.moment(at_ms, zone, now_ms=now_ms)
    if near:
        return say("By the diary: {entry}", entry=words.entry_line(pipeline.config, near[-1], now_ms))
    rule = RULE_OF.get(RuleName(str(closing["rule"])))
    if rule is not None and rule.grain is RuleGrain.ADVICE:
        return say("By what was advised {when}.", when=when)
    return say("By the readings up to {when}.", when=when)


@router.get("/alerts/history", summary="Alerts of a span from opening to end, with what people made of each")
def get_alert_history(request: Request, start: From = None, end: To = None) -> list[schema.PastAlertOut]:
    pipeline = pipeline_of(request)
    end_ms = pipeline.clock.now_ms() + 1 if end is None else ms(end)
    start_ms = end_ms - 365 * DAY_MS if start is None else ms(start)
    return list(_out(alerts_of(pipeline, start_ms, end_ms)[:DEFAULT_PAGE]))


def _out(alerts: Sequence[PastAlert]) -> Iterator[schema.PastAlertOut]:
    for one in alerts:
        yield schema.PastAlertOut(
            id=one.alert_id,
            rule=one.rule,
            surface=one.surface,
            station=one.station,
            probe=one.probe or None,
            since=iso(one.since_ms),
            opened=iso(one.opened_ms),
            closed=None if one.closed_ms is None else iso(one.closed_ms),
            text=one.text,
            said=one.said,
            ended=one.ended,
            closed_by=one.closed_by,
            marks=[
                schema.AlertMarkOut(
                    mark=str(mark.body["mark"]),
                    at=iso(mark.at_ms),
                    until=None if mark.end_ms is None else iso(mark.end_ms),
                    why=str(mark.body.get("why", "")),
                    author=mark.author,
                )
                for mark in one.marks
            ],
        )
