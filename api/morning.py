"""The six answers of the morning as data, and the facts they are made of, gathered from the pipeline."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request

from api import schema
from api.answers import Morning, six_answers
from api.data import pipeline_of, stations_of
from api.diary_check import names_in_the_way
from api.state import StationNow
from pipeline.service import Pipeline
from pipeline.units import DAY_MS

router = APIRouter(prefix="/api/v1", tags=["data"])


@router.get("/answers", summary="The six answers of the morning, in words")
def get_answers(request: Request) -> list[schema.AnswerOut]:
    pipeline = pipeline_of(request)
    answers = six_answers(morning_of(pipeline, stations_of(request)))
    return [schema.AnswerOut(question=one.question, lines=list(one.lines)) for one in answers]


def morning_of(pipeline: Pipeline, states: Sequence[StationNow]) -> Morning:
    """What is known this morning of some stations."""
    config, now_ms = pipeline.config, pipeline.clock.now_ms()
    shown = {(s.surface.name, name) for s in states for name in (s.station.name, None)}
    given = pipeline.diary.entries(("watering", "rain"), now_ms - DAY_MS, now_ms + 1)
    zone = ZoneInfo(config.site.timezone)
    midnight = datetime.datetime.fromtimestamp(now_ms / 1000, zone).replace(hour=0, minute=0, second=0, microsecond=0)
    start_ms = round(midnight.timestamp() * 1000)
    end_ms = round((midnight + datetime.timedelta(days=1)).timestamp() * 1000)
    surfaces = {s.name: s for s in config.surfaces}
    booked = [
        (entry, names_in_the_way(surfaces[entry.surface], pipeline.diary, entry, now_ms))
        for entry in pipeline.diary.entries(("pass",), start_ms, end_ms)
        if entry.body.get("state") == "booked" and (entry.surface, entry.station) in shown
    ]
    return Morning(
        config=config,
        states=states,
        advice=pipeline.advice(),
        alerts=[a for a in pipeline.alerts() if (a.surface, a.station or None) in shown],
        given=[e for e in given if (e.surface, e.station) in shown],
        booked=booked,
        now_ms=now_ms,
    )
