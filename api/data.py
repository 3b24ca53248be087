"""The JSON interface: site, probes, observations, findings, alerts. Every page has its twin here.

Long spans are drawn together on the way out, to hours or days, so that no answer outgrows its page. Nothing here
computes soil: it reads the store and gives names and units to what is there.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict
from functools import partial
from typing import Annotated, Literal
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import PlainTextResponse, Response, StreamingResponse

from api import schema, words
from api.depths import STEP_OF_SPAN_MS, DepthNow, StationHistory, depths_now, station_history
from api.export import csv_text, finding_rows, observation_rows, observations_at_step, place_of_last
from api.known import KnownFigure, known_line, known_of
from api.load import answers_of, downloads, facts_of, large_reads
from api.packing import packed, packed_answer
from api.problems import Problem
from api.state import FigureNow, StationNow, WettingNow, number, station_now
from hardware.quantities import QUANTITIES
from pipeline.alerts.runner import OpenAlert
from pipeline.diary.station import StationContext
from pipeline.plan.digest import plan_lines
from pipeline.records.exported import OBSERVATION_EXPORT
from pipeline.service import Pipeline
from pipeline.site.fields import nearest
from pipeline.site.ground import InstalledChannel, InstalledProbe, Station, Surface
from pipeline.stages.catalogue import CATALOGUE
from pipeline.units import DAY_MS, TIME_SLACK_MS, utc_text

JSON = "application/json"
MAX_PAGE = 10_000
DEFAULT_PAGE = 1_000
MAX_CHANNELS = 100
RAW_UP_TO_MS = 14 * DAY_MS  # `auto` gives every observation up to this span,
HOUR_UP_TO_MS = 190 * DAY_MS  # hours up to this one, days beyond
DEFAULT_SPAN_MS = 7 * DAY_MS
LAST_MS = round(datetime.datetime(2200, 1, 1, tzinfo=datetime.UTC).timestamp() * 1000)

router = APIRouter(prefix="/api/v1", tags=["data"])

Every = Literal["auto", "raw", "hour", "day"]
Channels = Annotated[
    list[str] | None, Query(alias="channel", description=f"repeat for several, at most {MAX_CHANNELS}; none for all")
]
From = Annotated[datetime.datetime | None, Query(alias="from", description="first moment; default 7 days before `to`")]
To = Annotated[datetime.datetime | None, Query(alias="to", description="moment after the last; default now")]


def pipeline_of(request: Request) -> Pipeline:
    """The pipeline behind the application."""
    found: Pipeline = request.app.state.pipeline
    return found


def station_of(request: Request, name: str) -> StationNow:
    """The state of a station, at most a minute old and never older than the last change. Raises Problem 404."""
    pipeline = pipeline_of(request)
    surface, station = find_station(pipeline, name)
    make = partial(station_now, pipeline, surface, station)
    return facts_of(request).get((station_now, name), lambda: make(pipeline.clock.now_ms()))


def stations_of(request: Request) -> list[StationNow]:
    """The state of every station, in the order of the settings."""
    return [station_of(request, name) for name in pipeline_of(request).config.stations()]


def known_figures(request: Request, name: str) -> list[KnownFigure]:
    """What is known of a station's ground. Raises Problem 404."""
    pipeline = pipeline_of(request)
    _, station = find_station(pipeline, name)
    return facts_of(request).get((known_of, name), lambda: known_of(pipeline, station, pipeline.clock.now_ms()))


def history_of(request: Request, name: str, days: int) -> StationHistory:
    """The last days of a station by depth, one of `STEP_OF_SPAN_MS`. Raises Problem 404; 503 when many are read."""
    pipeline = pipeline_of(request)
    find_station(pipeline, name)

    def read() -> StationHistory:
        with large_reads.turn():
            return station_history(pipeline, name, days, pipeline.clock.now_ms())

    return facts_of(request).get((station_history, name, days), read)


def iso(at_ms: int) -> str:
    """A time in ISO 8601, UTC, with milliseconds only where there are any."""
    at = datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC)
    return at.isoformat(timespec="milliseconds" if at_ms % 1000 else "seconds").replace("+00:00", "Z")


@router.get("/site", summary="The site, its surfaces and stations")
def get_site(request: Request) -> schema.SiteOut:
    pipeline = pipeline_of(request)
    site, now_ms = pipeline.config.site, pipeline.clock.now_ms()
    surfaces = [
        schema.SurfaceOut(
            name=surface.name,
            title=surface.title,
            kind=surface.kind,
            stations=[
                schema.StationOut(
                    name=station.name,
                    title=station.title,
                    soil=station.soil,
                    root_zone_mm=round(station.root_zone_m * 1000, 3),
                    thatch_mm=_mm(number(pipeline.context(station.name).thatch_m(now_ms))),
                )
                for station in surface.stations
            ],
        )
        for surface in pipeline.config.surfaces
    ]
    return schema.SiteOut(name=site.name, title=site.title, timezone=site.timezone, now=iso(now_ms), surfaces=surfaces)


@router.get("/probes", summary="Every probe, its channels, and when it was last heard")
def get_probes(request: Request) -> list[schema.ProbeOut]:
    pipeline = pipeline_of(request)
    now_ms = pipeline.clock.now_ms()
    latest = pipeline.store.last_answers(list(pipeline.config.channels()), now_ms + TIME_SLACK_MS)
    heard = dict(zip(latest["channel"], latest["measured_at_ms"].astype(int), strict=True))
    found = []
    for station in pipeline.config.stations().values():
        context = pipeline.context(station.name)
        found += [
            schema.ProbeOut(
                station=station.name,
                name=probe.name,
                model=probe.description.model,
                title=probe.description.title,
                heard_at=max((iso(heard[c.id]) for c in probe.channels if c.id in heard), default=None),
                channels=[_channel(context, c, now_ms) for c in probe.channels],
            )
            for probe in station.probes
        ]
    return found


def _channel(context: StationContext, one: InstalledChannel, now_ms: int) -> schema.ChannelOut:
    """A channel where it lies today, by the dressings, depths and cores of the diary."""
    buried = one.channel.depth_m is not None
    return schema.ChannelOut(
        id=one.id,
        quantity=one.channel.quantity,
        unit=QUANTITIES[one.channel.quantity].unit,
        depth_mm=_mm(context.depth_m(one.id, now_ms)) if buried else None,
        lies_in=context.place(one.id, now_ms).value if buried else None,
        calibration=one.channel.calibration.curve,
    )


@router.get("/now", summary="The state of every station just now, in facts and in words")
def get_now(request: Request) -> list[schema.StationNowOut]:
    pipeline = pipeline_of(request)
    alerts = pipeline.alerts()
    return [_now(pipeline, state, alerts) for state in stations_of(request)]


@router.get("/stations/{name}", summary="The state of one station just now, in facts and in words")
def get_station(request: Request, name: str) -> schema.StationNowOut:
    pipeline = pipeline_of(request)
    return _now(pipeline, station_of(request, name), pipeline.alerts())


@router.get("/stations/{name}/depths", summary="Water at each depth of a station through a span, by equal steps")
def get_depths(
    request: Request,
    name: str,
    days: Annotated[int, Query(description="1, 3, 14, 90 or 366")] = 14,
) -> schema.DepthsOut:
    if days not in STEP_OF_SPAN_MS:
        raise Problem(
            422, "No such span", f"days: found {days}, expected one of {', '.join(map(str, STEP_OF_SPAN_MS))}"
        )
    history = history_of(request, name, days)
    return schema.DepthsOut(
        station=name,
        start=iso(history.start_ms),
        end=iso(history.end_ms),
        step_s=history.step_ms // 1000,
        depths=[
            schema.DepthHistoryOut(
                channel=one.channel,
                depth_mm=round(one.depth_mm, 3),
                lies_in=one.lies_in,
                wetness=[number(value) for value in one.wetness.tolist()],
                water_content=[number(value) for value in one.water_content.tolist()],
            )
            for one in history.depths
        ],
        rain_step_s=history.rain_step_ms // 1000,
        rain_mm=None if history.rain_mm is None else history.rain_mm.tolist(),
    )


def find_probe(pipeline: Pipeline, station: str, name: str) -> InstalledProbe:
    """Return a probe of a station that is read by the clock. Raises Problem 404."""
    _, found = find_station(pipeline, station)
    probes = {probe.name: probe for probe in found.probes if probe.description.protocol != "cone"}
    if name not in probes:
        expected = nearest(name, probes) if probes else "a station with one that is read by the clock"
        raise Problem(404, "No such probe", f"found {name!r}, expected {expected}")
    return probes[name]


def find_station(pipeline: Pipeline, name: str) -> tuple[Surface, Station]:
    """A station and its surface, by name. Raises Problem 404."""
    stations = pipeline.config.stations()
    if name not in stations:
        raise Problem(404, "No such station", f"found {name!r}, expected {nearest(name, stations)}")
    return pipeline.config.surface_of(name), stations[name]


def _now(pipeline: Pipeline, state: StationNow, alerts: list[OpenAlert]) -> schema.StationNowOut:
    return schema.StationNowOut(
        station=state.station.name,
        surface=state.surface.name,
        title=words.place(state.surface, state.station),
        now=iso(state.now_ms),
        heard_at=_iso(state.heard_ms),
        time_unconfirmed_since=_iso(state.unconfirmed_since_ms),
        is_old=state.is_old,
        silent_probes=[probe.name for probe in state.silent],
        thatch_mm=_mm(state.thatch_m),
        rain_day_mm=state.rain_day_mm,
        layers=[
            schema.LayerOut(
                layer=layer.layer,
                at=iso(layer.at_ms),
                water_mm=layer.water_mm,
                wetness=layer.wetness,
                wetness_low=layer.wetness_low,
                wetness_high=layer.wetness_high,
                wetness_week_before=layer.wetness_week_ago,
                reason=layer.reason,
                silent_since=_iso(layer.silent_since_ms),
            )
            for layer in state.layers
        ],
        depths=[_depth(one) for one in depths_now(pipeline.context(state.station.name), state)],
        channels=[
            schema.ChannelNowOut(
                id=channel.installed.id,
                unit=QUANTITIES[channel.installed.channel.quantity].unit,
                at=_iso(channel.at_ms),
                value=channel.value,
                flag=int(channel.flag),
                silent_since=_iso(channel.at_ms) if channel.is_silent else None,
            )
            for channel in state.channels
        ],
        wetting=None if state.wetting is None else _wetting(state.wetting),
        alerts=[_alert(alert) for alert in alerts if alert.station == state.station.name],
        words=words.station_text(state, pipeline.config.site.timezone).lines,
    )


def _depth(one: DepthNow) -> schema.DepthNowOut:
    return schema.DepthNowOut(
        channel=one.channel.installed.id,
        depth_mm=round(one.depth_mm, 3),
        lies_in=one.lies_in,
        wetness=one.wetness,
        wetness_low=one.low,
        wetness_high=one.high,
        wetness_week_before=one.week_ago,
    )


def _wetting(account: WettingNow) -> schema.WettingOut:
    return schema.WettingOut(
        start=iso(account.start_ms),
        end=iso(account.end_ms),
        given_mm=schema.FigureOut(**asdict(account.given)),
        thatch_kept_mm=_figure(account.thatch_kept),
        root_gain_mm=_figure(account.root_gain),
        below_gain_mm=_figure(account.below_gain),
        evaporation_mm=_figure(account.evaporation),
        unaccounted_mm=_figure(account.unaccounted),
        arrival_share=_figure(account.arrival_share),
    )


def _figure(figure: FigureNow | None) -> schema.FigureOut | None:
    return None if figure is None else schema.FigureOut(**asdict(figure))


@router.get(
    "/observations",
    summary="Observations of channels over a span, a page at a time",
    response_model=schema.ObservationsOut,
)
def get_observations(
    request: Request,
    channel: Channels = None,
    start: From = None,
    end: To = None,
    every: Every = "auto",
    limit: Annotated[int, Query(ge=1, le=MAX_PAGE)] = DEFAULT_PAGE,
    after: Annotated[
        str | None, Query(description="place of the last observation of the page before; `next` has it filled in")
    ] = None,
) -> Response:
    pipeline = pipeline_of(request)
    channels = _known(pipeline, channel)
    start_ms, end_ms = _span(pipeline, start, end)
    step = _step(every, end_ms - start_ms)
    behind = None if after is None else _place(after, "CHANNEL")
    units = {c: QUANTITIES[pipeline.config.channels()[c].channel.quantity].unit for c in channels}
    query = [*(("channel", c) for c in channels), ("every", step)]

    def page() -> str:
        # One more than a page has tells whether there is another.
        frame = observations_at_step(pipeline, channels, start_ms, end_ms, step, behind=behind, limit=limit + 1)
        last = place_of_last(frame, limit, ("channel", "measured_at_ms"))
        following = _next(request, query, (start_ms, end_ms), limit, last)
        # The rows are JSON already: written by column, they cost a tenth of what a model of each row does.
        head = json.dumps({"every": step, "units": units})[:-1]
        return f'{head}, "observations": {observation_rows(frame.iloc[:limit])}, "next": {json.dumps(following)}}}'

    return _page_of_series(request, page)


def _page_of_series(request: Request, make: Callable[[], str]) -> Response:
    """A page of JSON from the store, at most a minute old and never older than the last change.

    It is read and packed once for all who ask for the same. Raises Problem 503 when many are read.
    """

    def read() -> bytes:
        with large_reads.turn():
            return packed(make().encode())

    return packed_answer(request, answers_of(request).get((request.url.path, request.url.query), read), JSON)


def a_download() -> Iterator[None]:
    """Hold one of the few downloads until the last byte is sent. Raises Problem 503 when there are none left."""
    with downloads.turn():
        yield


@router.get(
    "/observations.csv",
    summary="Every observation of channels over a span, as CSV",
    response_class=StreamingResponse,
    dependencies=[Depends(a_download)],
    responses={200: {"content": {"text/csv": {"example": ",".join(OBSERVATION_EXPORT) + "\n"}}}},
)
def get_observations_csv(
    request: Request, channel: Channels = None, start: From = None, end: To = None
) -> StreamingResponse:
    pipeline = pipeline_of(request)
    channels = _known(pipeline, channel)
    doubts = pipeline.time_doubts({one.split("/")[0] for one in channels}, said=utc_text)
    text = csv_text(pipeline.store, pipeline.config.channels(), channels, *_span(pipeline, start, end), doubts=doubts)
    headers = {"Content-Disposition": 'attachment; filename="observations.csv"'}
    return StreamingResponse(text, media_type="text/csv; charset=utf-8", headers=headers)


@router.get(
    "/findings",
    summary="What the observations mean, by quantity and time, a page at a time",
    response_model=schema.FindingsOut,
)
def get_findings(
    request: Request,
    station: str,
    quantity: Annotated[list[str] | None, Query(description="repeat for several; none for all")] = None,
    start: From = None,
    end: To = None,
    limit: Annotated[int, Query(ge=1, le=MAX_PAGE)] = DEFAULT_PAGE,
    after: Annotated[
        str | None, Query(description="place of the last finding of the page before; `next` has it filled in")
    ] = None,
) -> Response:
    pipeline = pipeline_of(request)
    find_station(pipeline, station)
    start_ms, end_ms = _span(pipeline, start, end)
    behind = None if after is None else _place(after, "QUANTITY")
    units = {entry.quantity: entry.unit for entry in CATALOGUE.values()}
    query = [("station", station), *(("quantity", q) for q in quantity or ())]

    def page() -> str:
        # One more than a page has tells whether there is another.
        frame = pipeline.store.findings(station, quantity, start_ms, end_ms, after=behind, limit=limit + 1)
        last = place_of_last(frame, limit, ("quantity", "start_ms"))
        following = _next(request, query, (start_ms, end_ms), limit, last)
        return f'{{"findings": {finding_rows(frame.iloc[:limit], units)}, "next": {json.dumps(following)}}}'

    return _page_of_series(request, page)


def _next(
    request: Request,
    query: list[tuple[str, str]],
    span_ms: tuple[int, int],
    limit: int,
    last: tuple[str, int] | None,
) -> str | None:
    """The address of the page behind a row, by the name and the time that the row is sorted by; None behind none."""
    if last is None:
        return None
    name, at_ms = last
    start_ms, end_ms = span_ms
    span = [("from", iso(start_ms)), ("to", iso(end_ms)), ("limit", str(limit)), ("after", f"{name}@{iso(at_ms)}")]
    return f"{request.url.path}?{urlencode([*query, *span])}"


@router.get("/findings/catalogue", summary="Every finding there is: unit, meaning, stage, and where a person sees it")
def get_catalogue() -> list[schema.CatalogueEntryOut]:
    return [
        schema.CatalogueEntryOut(
            quantity=one.quantity,
            unit=one.unit,
            title=one.title,
            meaning=one.meaning,
            stage=one.stage,
            about=one.of.value,
            shown=one.shown.value,
        )
        for one in CATALOGUE.values()
    ]


@router.get("/stations/{name}/known", summary="What is known of a station's ground: the newest finding of each kind")
def get_known(request: Request, name: str) -> list[schema.KnownOut]:
    zone = pipeline_of(request).config.site.timezone
    return [
        schema.KnownOut(
            quantity=one.entry.quantity,
            unit=one.entry.unit,
            channel=one.channel or None,
            start=iso(one.start_ms),
            end=iso(one.end_ms),
            value=one.value,
            low=one.low,
            high=one.high,
            reason=one.reason,
            words=" ".join(part for part in known_line(one, zone) if part),
        )
        for one in known_figures(request, name)
    ]


@router.get("/alerts", summary="Alerts that are open, in plain words, the oldest first")
def get_alerts(request: Request) -> list[schema.AlertOut]:
    return [_alert(alert) for alert in pipeline_of(request).alerts()]


def _alert(alert: OpenAlert) -> schema.AlertOut:
    return schema.AlertOut(
        id=alert.alert_id,
        rule=alert.rule,
        surface=alert.surface,
        station=alert.station,
        probe=alert.probe or None,
        since=iso(alert.since_ms),
        opened=iso(alert.opened_at_ms),
        text=alert.text,
    )


@router.get("/alerts/events", summary="What the alerts said over a span: opened, repeated, closed")
def get_alert_events(request: Request, start: From = None, end: To = None) -> list[schema.AlertEventOut]:
    pipeline = pipeline_of(request)
    events = pipeline.journal.events(*_span(pipeline, start, end))
    return [schema.AlertEventOut(id=e.id, at=iso(e.at_ms), **_told(e.body)) for e in events]


def _told(body: Mapping[str, object]) -> dict[str, str]:
    return {key: str(body.get(key) or "") for key in ("kind", "rule", "surface", "station", "text")}


@router.get("/quarantine", summary="Messages that could not be kept, with the reason, the newest first")
def get_quarantine(
    request: Request, limit: Annotated[int, Query(ge=1, le=MAX_PAGE)] = DEFAULT_PAGE
) -> list[schema.QuarantinedOut]:
    return [
        schema.QuarantinedOut(
            id=one.id,
            at=iso(one.at_ms),
            topic=one.topic,
            reason=one.reason,
            size_bytes=one.size_bytes,
            is_whole=len(one.payload) == one.size_bytes,
        )
        for one in pipeline_of(request).journal.quarantine(limit=limit)
    ]


@router.get("/summary.txt", summary="The state of the ground as text", response_class=PlainTextResponse)
def get_summary(request: Request) -> PlainTextResponse:
    pipeline = pipeline_of(request)
    plan, now_ms = pipeline.plan(), pipeline.clock.now_ms()
    zone = ZoneInfo(pipeline.config.site.timezone)
    planned = [line for one in plan.surfaces.values() for line in plan_lines(one, now_ms, zone)]
    told = words.summary(pipeline.config, stations_of(request), plan.alerts, planned)
    return PlainTextResponse(pipeline.config.site.units.text(told))


def _known(pipeline: Pipeline, wanted: list[str] | None) -> list[str]:
    known = pipeline.config.channels()
    channels = list(known) if wanted is None else list(dict.fromkeys(wanted))
    if len(channels) > MAX_CHANNELS:
        raise Problem(422, "Too many channels", f"channel: found {len(channels)}, expected at most {MAX_CHANNELS}")
    for channel in channels:
        if channel not in known:
            raise Problem(404, "No such channel", f"channel: found {channel!r}, expected one that /api/v1/probes lists")
    return channels


def _span(pipeline: Pipeline, start: datetime.datetime | None, end: datetime.datetime | None) -> tuple[int, int]:
    end_ms = pipeline.clock.now_ms() + 1 if end is None else ms(end)
    start_ms = max(0, end_ms - DEFAULT_SPAN_MS) if start is None else ms(start)
    if start_ms >= end_ms:
        raise Problem(422, "The span is empty", f"from: found {iso(start_ms)}, expected a moment before {iso(end_ms)}")
    return start_ms, end_ms


def _place(after: str, what: str) -> tuple[str, int]:
    """A place in the order of name and time, as `next` names it. Raises Problem 422, which says what the name is of."""
    name, _, text = after.rpartition("@")
    try:
        at = datetime.datetime.fromisoformat(text)
    except ValueError:
        at = None
    if name and at is not None:
        return name, ms(at)
    raise Problem(
        422, "No such place", f"after: found {after!r}, expected {what}@TIME, as `next` of the page before has it"
    )


def _iso(at_ms: int | None) -> str | None:
    return None if at_ms is None else iso(at_ms)


def _mm(length_m: float | None) -> float | None:
    return None if length_m is None else round(length_m * 1000, 3)


def ms(at: datetime.datetime) -> int:
    """A time from a query; without an offset it is taken as UTC. Raises Problem 422 for one that no clock can show."""
    at_ms = round((at if at.tzinfo is not None else at.replace(tzinfo=datetime.UTC)).timestamp() * 1000)
    if not 0 <= at_ms < LAST_MS:
        raise Problem(422, "No such time", f"found {at.isoformat()}, expected a time from 1970 to 2200")
    return at_ms


def _step(every: Every, span_ms: int) -> Literal["raw", "hour", "day"]:
    if every != "auto":
        return every
    return "raw" if span_ms <= RAW_UP_TO_MS else "hour" if span_ms <= HOUR_UP_TO_MS else "day"
