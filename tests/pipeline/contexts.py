"""Contexts of stations without a settings file: each part of a context is given by the names of its own fields."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace

from hardware.probe import Channel
from pipeline.diary.facts import DiaryFacts
from pipeline.diary.station import StationContext
from pipeline.site.ground import Site, Station

FACTS = {f.name for f in fields(DiaryFacts)}
CONTEXT = {f.name for f in fields(StationContext)}


def station_context(station: str, channels: Mapping[str, Channel], **more: object) -> StationContext:
    """A station on loam of an outfield with these channels, and what else is given."""
    ground = Station.model_construct(name=station, soil="loam")
    return changed(StationContext(ground, channels, Site(name="site"), "outfield"), **more)


def changed(context: StationContext, **more: object) -> StationContext:
    """The context with other values, each in that part of it which has a field of that name."""
    ground = {k: v for k, v in more.items() if k in Station.model_fields and k not in FACTS}
    site = {k: v for k, v in more.items() if k in Site.model_fields}
    facts = {k: v for k, v in more.items() if k in FACTS}
    own = {k: v for k, v in more.items() if k in CONTEXT}
    assert ground.keys() | site.keys() | facts.keys() | own.keys() == more.keys(), more
    return replace(
        context,
        ground=context.ground.model_copy(update=ground),
        site=context.site.model_copy(update=site),
        facts=replace(context.facts, **facts),
        **own,
    )
