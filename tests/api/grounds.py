"""Grounds of a few simulated days through the server's own stages, with something to show on every page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from api.app import create_app
from pipeline.advice.advisor import site_advice
from pipeline.diary.entry import DiaryEntry
from pipeline.service import Pipeline
from pipeline.site.plan import Plan
from pipeline.texts import use
from simulator.readings import readings
from simulator.scenario import load
from simulator.scenario_run import run_station, weather_of
from simulator.scenario_site import run_site
from simulator.site import describe
from tests.api.served import TestClient
from tests.api.site import HOUR_MS
from tests.bench.advice_heard import settings, table_of, work_out
from tests.pipeline.hand import HandClock

DAY_MS = 24 * HOUR_MS
MARKS = [
    {"letter": "A", "title": "the left peg", "at_m": (-15.0, -11.0)},
    {"letter": "B", "title": "the right peg", "at_m": (15.0, -11.0)},
]
DAYS, LEAD_DAYS = 5, 3  # of a ground: what is shown has to be there, its truth is for other tests
STORIES = {"thatch_bound_square": (4, 1), "sand_green": (5, 1), "climbing_roots": (8, 15), "late_frost": (5, 1)}


@dataclass
class Shown:
    """A server over a few days of a scenario."""

    pipeline: Pipeline
    client: TestClient


def ground_of(story: str, folder: Path, language: str = "en") -> Shown:
    """A scenario's ground of a few days through the server's own stages."""
    whole, (month, day) = load(story), STORIES[story]
    start = whole.start.replace(month=month, day=day)
    cut = replace(whole, start=start, lead_days=LEAD_DAYS, days=DAYS, clock_steps=())
    weather = weather_of(cut, seed=whole.seed)
    truths = {s.name: run_station(cut, s, weather, seed=whole.seed, days=DAYS) for s in cut.stations}
    site = run_site(cut, truths, seed=whole.seed)
    config = settings(describe(site, folder, rate=1.0), folder, {"site": {"language": language}})
    use(language)  # as the server does before its stages run
    work_out(config, table_of(readings(site)), ()).stores.close()
    pipeline = Pipeline(config, clock=HandClock(site.history_end_ms), mosquitto=None)
    return Shown(pipeline, TestClient(create_app(pipeline)))


def furnish(one: Shown) -> None:
    pipeline, now_ms = one.pipeline, one.pipeline.clock.now_ms()
    pipeline.config = pipeline.config.model_copy(update={
        "plan": Plan.model_validate({"mark": MARKS}), "pages": pipeline.config.pages.model_copy(update={"tour": True}),
    })  # fmt: skip
    surface = pipeline.config.surfaces[0]
    write = pipeline.diary.add
    for place, station in enumerate(surface.stations):
        write(DiaryEntry("core", surface.name, now_ms - 4 * DAY_MS, {"thatch_mm": 13 + place}, station.name))
        write(DiaryEntry("place", surface.name, now_ms, {"x_m": 3.5 * place + 1.0, "y_m": 9.0 - place}, station.name))
    cable = {"title": "the cable", "what": "cable", "path_m": [[-20, -20], [-3, 4], [1, 9]], "cover_mm": 62}
    write(DiaryEntry("buried", surface.name, now_ms, cable))
    write(
        DiaryEntry(
            "pass", surface.name, now_ms + 3 * DAY_MS, {"pass": "solid_tining", "depth_mm": 60, "state": "booked"}
        )
    )
    write(DiaryEntry("pass", surface.name, now_ms - 3 * DAY_MS, {"pass": "verticutting", "depth_mm": 2}))
    advice = site_advice(pipeline.config, pipeline.store, pipeline.diary, now_ms, forecast=None, fixtures=None)
    pipeline._advisor.now = lambda: advice  # type: ignore[method-assign]


def pages(one: Shown) -> Iterator[tuple[str, list[str]]]:
    """Every page with the addresses of its facts."""
    stations, surfaces = list(one.pipeline.config.stations()), [s.name for s in one.pipeline.config.surfaces]
    of_each = [f"/api/v1/stations/{name}{more}" for name in stations for more in ("", "/known", "/water", "/forecast")]
    findings = [f"/api/v1/findings?station={name}&limit=10000&from=2025-01-01T00:00:00Z" for name in stations]
    common = ["/api/v1/alerts", "/api/v1/diary", "/api/v1/site"]
    seasons = [f"/api/v1/surfaces/{name}/season" for name in surfaces]
    windows = [f"/api/v1/surfaces/{name}/windows" for name in surfaces]
    yield "/", ["/api/v1/answers", "/api/v1/advice", *common, *of_each, *windows]
    for name in stations:
        own = [f"/api/v1/stations/{name}", f"/api/v1/stations/{name}/known", f"/api/v1/stations/{name}/depths?days=14"]
        yield f"/stations/{name}", [*own, *common, *findings, *seasons]
    yield "/work", ["/api/v1/advice", *common, *of_each, *windows]
    yield "/diary", common
    yield "/diary/1", common
    for name in surfaces:
        for page in ("season", "sheet"):
            yield f"/{page}/{name}", [f"/api/v1/surfaces/{name}/season", *common]
    yield "/ground", ["/api/v1/ground"]
    yield "/compare", ["/api/v1/compare"]
    yield "/first", ["/api/v1/first"]
    for name, station in one.pipeline.config.stations().items():
        for probe in station.probes:
            if probe.description.protocol == "cone":
                continue
            yield f"/first/{name}/{probe.name}", [f"/api/v1/first/{name}/{probe.name}"]
    yield "/settings", ["/api/v1/settings"]
    yield "/tour", ["/api/v1/tour"]
    yield "/trust", ["/api/v1/certificate"]
    yield "/people", ["/api/v1/people"]
    yield "/jobs", ["/api/v1/jobs"]
    yield "/offline", ["/api/v1/me"]
