"""The page of a station: its slice at any past hour, water by depth and time, where the waters went, roots, cone.

Every figure is a finding, or a reading between the limits of the settings; the page draws and words them. Another span
is another request; the file of numbers is of the span that is shown.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.data import find_station, history_of, iso, known_figures, pipeline_of, station_of
from api.depths import DepthNow, StationHistory, depths_now, leaf_mm, root_depth, slice_of
from api.known import KnownFigure, known_line
from api.pages.frame import page
from api.pages.parts import head, layers_said, see_to, thatch_words, told
from api.photos import PHOTOGRAPHED, ShownPhoto, shown_photos
from api.plots import depth_plots, picture, rain_plot, season_of, time_ticks
from api.slices import Pen, end_mm, ruler_svg, slice_svg
from api.state import StationNow, WettingNow, number, rows_of, wettings
from pipeline.service import Pipeline
from pipeline.site.local_units import LocalUnits
from pipeline.texts import figure, in_a_row, later, later_as, say, say_as, say_many
from pipeline.units import DAY_MS, EVER_MS, HOUR_MS

SPANS = {
    "1": later("a day"), "3": later("3 days"), "14": later("2 weeks"), "90": later("3 months"), "366": later("a year")
}  # fmt: skip
AGO = {
    "1": later("a day ago"), "3": later("3 days ago"), "14": later("two weeks ago"), "90": later("3 months ago"),
    "366": later("a year ago"),
}  # fmt: skip
LEFT_OF = {
    "1": later("Left is a day ago, right is now; down is down."),
    "3": later("Left is 3 days ago, right is now; down is down."),
    "14": later("Left is two weeks ago, right is now; down is down."),
    "90": later("Left is 3 months ago, right is now; down is down."),
    "366": later("Left is a year ago, right is now; down is down."),
}
FILES = {
    "1": later("A day as a CSV file"), "3": later("3 days as a CSV file"), "14": later("2 weeks as a CSV file"),
    "90": later("3 months as a CSV file"), "366": later("A year as a CSV file"),
}  # fmt: skip
SOILS = {
    "sand": later("Sand"), "sandy_loam": later("Sandy loam"), "loam": later("Loam"), "clay_loam": later("Clay loam"),
    "club_clay_loam": later("Club clay loam"), "first_class_clay_loam": later("First class clay loam"),
    "organic_topsoil": later("Organic topsoil"), "peat": later("Peat"),
}  # fmt: skip
LIES_IN = {
    "thatch": later_as("a probe lies in", "thatch"), "mixed": later_as("a probe lies in", "mixed"),
    "soil": later_as("a probe lies in", "soil"),
}  # fmt: skip
DEFAULT_SPAN = "14"
FIGURES_EVERY_S = 60  # an open page asks for its figures again at most so often
SHOWN_WETTINGS = 3
YEAR_DAYS = 366
SHOWN_PHOTOS = 4
DONE = ("watering", "pass", "core", "lift", "return", "dressing")  # entries of the diary that stand over the picture
SLICE_PX, MOST_PX_A_MM, SHOWN_SCALE = 390.0, 1.5, 416 / 312  # of the large slice; how much larger a desk shows it
LEFT_PX, WIDE_PX_OF_SLICE, LABEL_PX = 44.0, 122.0, 33.0

router = APIRouter(include_in_schema=False)


@router.get("/stations/{name}", response_class=HTMLResponse)
def station_page(request: Request, name: str, days: str = DEFAULT_SPAN) -> Response:
    find_station(pipeline_of(request), name)
    days = days if days in SPANS else DEFAULT_SPAN
    return page(
        request, "station.html", (station_page, name, days), lambda: _facts(request, name, days),
        every_s=FIGURES_EVERY_S,
    )  # fmt: skip


def _facts(request: Request, name: str, days: str) -> dict[str, Any]:
    pipeline, state = pipeline_of(request), station_of(request, name)
    zone, now_ms = pipeline.config.site.timezone, state.now_ms
    depths = depths_now(pipeline.context(name), state)
    roots = root_depth(pipeline, name, now_ms)
    known = known_figures(request, name)
    text = words.station_text(state, zone)
    heard = state.heard_ms is not None and not state.is_old
    others = [
        (f"/stations/{s.name}", words.place(f, s))
        for f in pipeline.config.surfaces
        for s in f.stations
        if s.name != name
    ]
    return {
        "page": "station",
        "twin": f"/api/v1/stations/{name}",
        **head([state], zone),
        "name": name,
        "title": words.place(state.surface, state.station),
        "bold": words.upper_first(f"{in_a_row(layers_said(state))}.")
        if layers_said(state)
        else say("Cannot tell how wet it is."),
        "lead": _lead(state, roots),
        "ground": f"{say(SOILS[state.station.soil])}.",
        "heard": text.heard,
        "silent": text.silent,
        "others": others,
        "see": see_to(pipeline, pipeline.alerts(), [state], name),
        "untold": not heard,
        "span_names": {days: say(name) for days, name in SPANS.items()},
        "days": days,
        "ago": say(AGO[days]),
        "left_of": say(LEFT_OF[days]),
        "file": say(FILES[days]),
        **(_figures(request, state, depths, roots, int(days)) if depths else {"slice": None}),
        "wettings": [_wetting(one, state, zone) for one in wettings(pipeline, name, now_ms)[:SHOWN_WETTINGS]],
        "no_wetting": words.upper_first(words.wetting_told(state, zone)),
        "roots": _roots(pipeline, state, roots, zone),
        "hold": _hold(pipeline, state, known, zone),
        "cone": _cone(known, zone, now_ms),
        "year_ticks": time_ticks(now_ms - YEAR_DAYS * DAY_MS, now_ms, ZoneInfo(zone)),
        "text": [words.tied(line) for line in text.water],
        "note": text.note,
        "depths": [_depth_row(one) for one in depths],
        "rows": _rows(state, zone),
        "known": [known_line(one, zone) for one in known],
        "photos": _photos(pipeline, name),
        "csv": _csv(state, int(days)),
    }


def _photos(pipeline: Pipeline, station: str) -> list[ShownPhoto]:
    entries = pipeline.diary.entries(PHOTOGRAPHED, *EVER_MS)
    return shown_photos(pipeline, [one for one in entries if one.station == station], SHOWN_PHOTOS)


def _lead(state: StationNow, roots: KnownFigure | None) -> str:
    """What follows the bold words at the head: the last water, and how deep the roots drink."""
    parts = []
    if roots is not None and roots.value is not None:
        parts.append(say("Roots drink to {depth:.0f} mm.", depth=roots.value * 1000))
    account = state.wetting
    if account is not None and account.given.value is not None and account.root_gain is not None:
        gain, given = account.root_gain.value, words.millimetres(account.given.value)
        if gain is not None:
            # Translators: as in "Of the last 6 mm 4.1 mm reached the roots."
            parts.append(say("Of the last {given} {gain:.1f} mm reached the roots.", given=given, gain=max(gain, 0.0)))
    return words.tied(" ".join(parts))


def _csv(state: StationNow, days: int) -> str:
    start_ms = state.now_ms // 60_000 * 60_000 - days * DAY_MS
    channels = "".join(f"&channel={c.installed.id.replace('/', '%2F')}" for c in state.channels)
    return f"/api/v1/observations.csv?from={iso(start_ms)}{channels}"


# --- slice and picture -----------------------------------------------------------------------------------------------


def _figures(
    request: Request, state: StationNow, depths: Sequence[DepthNow], roots: KnownFigure | None, days: int
) -> dict[str, Any]:
    pipeline, zone = pipeline_of(request), ZoneInfo(pipeline_of(request).config.site.timezone)
    history = history_of(request, state.station.name, days)
    foot_mm = end_mm([one.depth_mm for one in depths])
    drawn = _slice(pipeline, state, depths, roots, foot_mm)
    events = _events(pipeline, state, history)
    return {
        "slice": drawn,
        "px_a_mm": round(drawn["scale"] * SHOWN_SCALE, 3),
        "end_mm": round(foot_mm),
        "steps": len(history.step_ends_ms) - 1,
        "history": _told_history(history, str(zone), pipeline.config.site.units),
        "rain": rain_plot(history),
        "rain_hourly": history.rain_step_ms == HOUR_MS,
        "picture": picture(history, foot_mm),
        "picture_told": _picture_told(history, depths),
        "events": events,
        "lines": [_line(one, history) for one in depth_plots(history)],
        "ticks": time_ticks(history.start_ms, history.end_ms, zone),
    }


def _slice(
    pipeline: Pipeline, state: StationNow, depths: Sequence[DepthNow], roots: KnownFigure | None, foot_mm: float
) -> dict[str, Any]:
    """The large slice with its ruler, and a label for each depth, kept apart."""
    zone, leaf = pipeline.config.site.timezone, leaf_mm(pipeline, state.surface.name)
    scale = round(min(MOST_PX_A_MM, SLICE_PX / foot_mm), 3)
    header = 22.0 + min(max(leaf or 0.0, 8.0) * scale, 40.0)
    pen = Pen(LEFT_PX, WIDE_PX_OF_SLICE, header, scale, large=True)
    one = slice_of(state, depths, roots, leaf, foot_mm)
    to_mm = foot_mm - 22.0
    labels, last = [], header - 22.0
    told_roots = None
    wanted = [(pen.y(d.depth_mm), d) for d in depths]
    if one.roots is not None:
        best, low, high = one.roots
        told_roots = (round(pen.y(best), 1), round(pen.y(low), 1), round(pen.y(min(high, foot_mm)), 1))
    for at, depth in wanted:
        y = max(at + 5.0, last + LABEL_PX)
        last = y
        labels.append(
            {
                "key": depth.channel.installed.id,
                "at": round(at, 1),
                "y": round(y, 1),
                "bend": abs(y - at - 5.0) > 3.0,
                "way": say_as("a depth", "untold") if depth.wetness is None else words.way(depth.wetness),
                "depth": say("at {depth:.0f} mm", depth=depth.depth_mm),
                "volume": _volume(depth),
            }
        )
    return {
        "height": round(max(pen.y(foot_mm), last + 14.0) + 16.0),
        "told": told(depths),
        "left": pen.left,
        "wide": pen.width,
        "head": round(pen.head, 1),
        "scale": scale,
        "plumb": round(pen.plumb, 1),
        "thatch_mm": one.thatch_mm or 0.0,
        "thatch_words": _in_two(thatch_words(state, depths, zone)),
        "ruler": ruler_svg(pen, to_mm, pipeline.config.site.units),
        "figures": [(said, round(pen.y(mm) + 4, 1)) for mm, said in pipeline.config.site.units.marks_mm(to_mm)],
        "drawing": slice_svg(one, pen),
        "roots": told_roots,
        "labels": labels,
    }


def _in_two(text: str) -> tuple[str, str]:
    """A sentence in two lines, where it is too long for one."""
    if len(text) <= 17:
        return text, ""
    blanks = [place for place, letter in enumerate(text) if letter == " "]
    middle = min(blanks, key=lambda place: (max(place, len(text) - place - 1), -place))
    return text[:middle], text[middle + 1 :]


def _volume(depth: DepthNow) -> str:
    value = depth.channel.value
    if value is None:
        return say("no answer")
    volume = words.per_cent(value)
    if depth.lies_in == "mixed":
        return say("{volume} vol., mixed", volume=volume)
    if depth.wetness is None:
        return say("{volume}, not believed", volume=volume)
    return say("{volume} by volume", volume=volume)


def _told_history(history: StationHistory, zone: str, units: LocalUnits) -> str:
    """What the slice at a past hour is drawn from, for the script of the page: whole per cent, empty where none."""

    def texts(values: Sequence[float]) -> str:
        return ",".join("" if value != value else f"{round(value * 100)}" for value in values)

    soil = [one for one in history.depths if one.lies_in == "soil"]
    inside = [one for one in history.depths if one.lies_in == "thatch"]
    thatch = sum((one.wetness for one in inside[1:]), inside[0].wetness) / len(inside) if inside else None
    return json.dumps(
        {
            "start": history.start_ms,
            "step": history.step_ms,
            "zone": zone,
            "thatch_mm": history.thatch_mm or 0.0,
            "thatch": None if thatch is None else texts(thatch.tolist()),
            "soil": [one.channel for one in soil],
            "depths": [
                {
                    "key": one.channel,
                    "mm": round(one.depth_mm),
                    "said": f"{units.depth(one.depth_mm)} {units.short}",
                    "wet": texts(one.wetness.tolist()),
                    "volume": texts(one.water_content.tolist()),
                }
                for one in history.depths
            ],
        },
        separators=(",", ":"),
    )


def _picture_told(history: StationHistory, depths: Sequence[DepthNow]) -> str:
    """The picture in a sentence: each depth at its wettest and driest, and now."""
    parts = []
    for one in history.depths:
        known = one.wetness[one.wetness == one.wetness]
        if known.size:
            parts.append(
                say(
                    "{depth:.0f} mm from {low} to {high}",
                    depth=one.depth_mm,
                    low=words.way(float(known.min())),
                    high=words.way(float(known.max())),
                )
            )
    return say(
        "Water by depth and time, of the way to drained: {depths}. The numbers are in the file below.",
        depths="; ".join(parts) or say("nothing to be believed"),
    )


def _events(pipeline: Pipeline, state: StationNow, history: StationHistory) -> list[dict[str, Any]]:
    """What people did in the span, as the diary has it: where it stands, its kind, and its line."""
    start_ms, end_ms = history.start_ms, history.end_ms
    found = []
    for entry in pipeline.diary.entries(DONE, start_ms, end_ms):
        here = entry.surface == state.surface.name and entry.station in (None, state.station.name)
        if here and entry.body.get("state") != "booked":
            left = 100 * (entry.at_ms - start_ms) / (end_ms - start_ms)
            line = words.tied(words.entry_line(pipeline.config, entry, state.now_ms))
            found.append({"left": round(left, 2), "kind": entry.kind, "words": line})
    cores = [c for c in state.station.cores if start_ms <= c.at_ms < end_ms]
    for core in cores:
        left = 100 * (core.at_ms - start_ms) / (end_ms - start_ms)
        day = words.soon(core.at_ms, pipeline.config.site.timezone, state.now_ms, clock=False)
        found.append(
            {
                "left": round(left, 2),
                "kind": "core",
                "words": say("{day}: core, {thatch:.0f} mm of thatch.", day=day, thatch=core.thatch_m * 1000),
            }
        )
    return sorted(found, key=lambda one: float(one["left"]))


def _line(plot: Any, history: StationHistory) -> dict[str, Any]:
    """One depth by itself, with its course in a sentence."""
    one = next(h for h in history.depths if h.depth_mm == plot.depth_mm and h.lies_in == plot.lies_in)
    known = one.wetness[one.wetness == one.wetness]
    said = say("no reading to be believed")
    if known.size:
        first, last, low, high = (words.way(float(v)) for v in (known[0], known[-1], known.min(), known.max()))
        said = say("from {first} to {last}, between {low} and {high}", first=first, last=last, low=low, high=high)
    return {
        "depth_mm": plot.depth_mm,
        "lies_in": plot.lies_in,
        "line": plot.line,
        "area": plot.area,
        "drained": plot.drained,
        "gaps": plot.gaps,
        "told": say("{depth:.0f} mm, of the way to drained: {course}.", depth=plot.depth_mm, course=said),
    }


# --- where the water went, roots, hold time, cone --------------------------------------------------------------------

PARTS = (
    ("thatch_kept", "hatch", later("thatch {water:.1f} mm")), ("root_gain", "rt", later("roots {water:.1f} mm")),
    ("below_gain", "dp", later("deeper {water:.1f} mm")), ("evaporation", "ev", later("air {water:.1f} mm")),
    ("unaccounted", "un", later("unaccounted for {water:.1f} mm")),
)  # fmt: skip


def _wetting(account: WettingNow, state: StationNow, zone: str) -> dict[str, Any]:
    """One account: a bar of what was found again, its parts, and the whole in words."""
    parts = []
    for name, kind, called in PARTS:
        figure = getattr(account, name)
        if figure is not None and figure.value is not None:
            share = max(figure.value, 0.0)
            parts.append({"kind": kind, "share": round(share, 2), "words": words.tied(say(called, water=figure.value))})
    told_parts = [one for one in parts if one["share"] > 0.0]
    ended = words.moment(account.end_ms, zone, now_ms=state.now_ms)
    given = account.given.value
    return {
        "id": account.start_ms,
        "reached": _reached(account),
        "given": say("An unknown amount") if given is None else words.tied(words.millimetres(given)),
        "when": words.soon(account.end_ms, zone, state.now_ms),
        "parts": told_parts,
        "words": words.tied(words.wetting_account(account, ended)),
    }


def _reached(account: WettingNow) -> str:
    """Whether the water reached the roots, in a few words."""
    gain = account.root_gain
    if gain is None or gain.value is None:
        return say("Whether it reached the roots cannot be told.")
    if round(gain.value, 1) > 0.0:
        return words.tied(say("{water:.1f} mm reached the roots.", water=gain.value))
    return say("None of it reached the roots.")


def _season(pipeline: Pipeline, station: str, quantity: str, now_ms: int) -> list[dict[str, Any]]:
    """Findings of one kind over the last year that have a value."""
    rows = rows_of(pipeline.store.findings(station, [quantity], now_ms - YEAR_DAYS * DAY_MS, now_ms + 1))
    return [dict(row) for row in rows if number(row["value"]) is not None]


def _roots(pipeline: Pipeline, state: StationNow, newest: KnownFigure | None, zone: str) -> dict[str, Any]:
    """How deep they drink now and through the year, and how deep they were on the last core."""
    now_ms, context = state.now_ms, pipeline.context(state.station.name)
    rows = _season(pipeline, state.station.name, "root_depth_90", now_ms)
    spans = []
    for row in rows:
        depth_mm = 1000 * (number(row["value"]) or 0.0)
        low_mm, high_mm = (depth_mm if number(row[k]) is None else 1000 * float(row[k]) for k in ("low", "high"))
        spans.append((int(row["start_ms"]), int(row["end_ms"]), depth_mm, low_mm, high_mm))
    cores = [c for c in context.facts.root_cores if c.at_ms <= now_ms]
    bold, said = say("Cannot tell."), [say("No fortnight has been worked on yet.")]
    if newest is not None and newest.value is not None:
        bold, until = (
            say("They drink to {depth:.0f} mm", depth=newest.value * 1000),
            words.soon(newest.end_ms, zone, now_ms, clock=False),
        )
        # Translators: behind "They drink to 60 mm"; {range} is as in "(48 to 72)"
        said = [say("{range} in the fortnight to {day}.", range=_between(newest, 1000), day=until).strip()]
    elif newest is not None:
        said = [f"{words.upper_first(newest.reason)}."]
    if cores:
        day = words.soon(cores[-1].at_ms, zone, now_ms, clock=False)
        said.append(
            say(
                "The core of {day} showed roots to {depth:.0f} mm below the thatch.",
                day=day,
                depth=cores[-1].length_m * 1000,
            )
        )
    found = {"bold": words.tied(bold), "words": words.tied(" ".join(said))}
    return {**found, **season_of(spans, now_ms - YEAR_DAYS * DAY_MS, now_ms)}


def _between(figure: KnownFigure, factor: float) -> str:
    """The ends of the interval of a figure, where they are not one: ` (48 to 72)`."""
    if figure.low is None or figure.high is None or figure.low == figure.high:
        return ""
    return say("({low:.0f} to {high:.0f})", low=figure.low * factor, high=figure.high * factor)


def _hold(pipeline: Pipeline, state: StationNow, known: Sequence[KnownFigure], zone: str) -> dict[str, Any]:
    """How long the top stayed wet after the last water, and after those of the year."""
    now_ms = state.now_ms
    newest = next((one for one in known if one.entry.quantity == "hold_time"), None)
    rows = _season(pipeline, state.station.name, "hold_time", now_ms)
    start_ms = now_ms - YEAR_DAYS * DAY_MS
    places = [1000 * (int(r["end_ms"]) - start_ms) / (now_ms - start_ms) for r in rows]
    hours = [number(r["value"]) or 0.0 for r in rows]
    most = max([24.0, *hours])
    strokes = "".join(f"M{x:.0f} 100v-{max(100 * h / most, 1.5):.0f}" for x, h in zip(places, hours, strict=True))
    said: dict[str, Any]
    if newest is None:
        said = {
            "bold": say("Cannot tell."),
            "words": say("No wetting has been followed through its drying in 60 days."),
        }
    elif newest.value is None:
        # Translators: behind "Cannot tell"
        clause = say("after the last wetting. {reason}.", reason=words.upper_first(newest.reason))
        said = {"bold": say("Cannot tell"), "words": clause}
    else:
        when = words.soon(newest.end_ms, zone, now_ms, clock=False)
        more = f" {words.upper_first(newest.reason)}." if newest.reason else ""
        # Translators: behind "30 hours"; {range} is as in "(24 to 36)"
        clause = say("{range} after the water of {day}.", range=_between(newest, 1), day=when) + more
        said = {"bold": say("{hours:.0f} hours", hours=newest.value), "words": clause}
    return {
        **said,
        "season": bool(hours),
        "strokes": strokes,
        "most": round(most),
        "told": say_many(
            "Hold time of {n} wetting in a year, the longest {most:.0f} h.",
            "Hold time of {n} wettings in a year, the longest {most:.0f} h.",
            len(hours),
            most=max([0.0, *hours]),
        ),
    }


def _cone(known: Sequence[KnownFigure], zone: str, now_ms: int) -> dict[str, Any] | None:
    """Resistance by depth at the last visit, and how wet it was then; None where nobody has pushed a cone."""
    pushed = [one for one in known if one.entry.quantity.startswith("cone_resistance_")]
    if not pushed:
        return None
    visit_ms = max(one.start_ms for one in pushed)
    pushed = [one for one in pushed if one.start_ms == visit_ms]
    most = max([one.value for one in pushed if one.value is not None], default=1.0)
    wet = next((k for k in known if k.entry.quantity == "cone_visit_wetness" and k.start_ms == visit_ms), None)
    stop = next((k for k in known if k.entry.quantity == "root_limit_depth" and k.start_ms == visit_ms), None)
    day = words.soon(visit_ms, zone, now_ms, clock=False)
    if wet is None or wet.value is None:
        said = [say("Cone pushed {day}, how wet it was cannot be told.", day=day)]
    else:
        wetness = words.way(wet.value)
        said = [
            say("Cone pushed {day}, when the root zone was {wetness} of the way to drained.", day=day, wetness=wetness)
        ]
    said.append(say("Resistance compares only at like wetness."))
    if stop is not None and stop.value is not None:
        said.append(say("Too hard for roots from {depth:.0f} mm.", depth=stop.value * 1000))
    rows = [
        (
            f"{int(one.entry.quantity.rpartition('_')[2])} mm",
            say("cannot tell") if one.value is None else f"{one.value:.0f} kPa",
            0 if one.value is None else round(100 * one.value / most),
        )
        for one in pushed
    ]
    return {"words": words.tied(" ".join(said)), "rows": rows}


# --- the numbers -----------------------------------------------------------------------------------------------------


def _depth_row(one: DepthNow) -> tuple[str, ...]:
    between = ""
    if one.low is not None and one.high is not None:
        between = say("{low} to {high}", low=words.way(one.low), high=words.way(one.high))
    value = say("no answer") if one.channel.value is None else f"{figure(one.channel.value * 100, 1)} %"
    ago = "" if one.week_ago is None else words.way(one.week_ago)
    return f"{one.depth_mm:.0f} mm", say(LIES_IN[one.lies_in]), words.way(one.wetness), between, value, ago


def _rows(state: StationNow, zone: str) -> list[tuple[str, str, str, str]]:
    """Every channel as a row of the table: what, value with unit, how good, when."""
    rows = []
    for channel in state.channels:
        installed = channel.installed.channel
        depth = "" if channel.depth_m is None else f", {channel.depth_m * 1000:.0f} mm"
        value = say("no answer") if channel.value is None else words.amount(channel.value, installed.quantity)
        when = words.answered(channel, state.now_ms, zone)
        rows.append((words.quantity(installed.quantity) + depth, value, say(words.FLAG_WORDS[channel.flag]), when))
    return rows
