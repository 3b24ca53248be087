"""Today: the six answers of the morning within the first window of a phone, each station as its slice, what to see to.

An answer opens to all that stands behind it. With more stations than have room side by side they stand in a list, each
with a small slice. What needs attention is counted, and the first of it told, above the answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import signs, words
from api.answers import six_answers
from api.data import pipeline_of, stations_of
from api.depths import DepthNow, depths_now, leaf_mm, root_depth, slice_of
from api.drawing import DAYS, first_day, ten_days
from api.known import KnownFigure
from api.load import facts_of
from api.morning import Morning, morning_of, place_name
from api.pages.frame import answer, page
from api.pages.parts import MOST_SEEN, cautions_told, head, layers_said, see_to, thatch_words, told
from api.slices import Pen, end_mm, ruler_svg, slice_svg
from api.state import StationNow
from api.verdicts import going_of, greatest_part, rain_of_day
from pipeline.advice.report import SurfaceAdvice
from pipeline.service import Pipeline
from pipeline.site.local_units import LocalUnits
from pipeline.texts import later, say, short_weekday
from pipeline.units import DAY_MS

MOST_LARGE = 6  # stations drawn side by side; more stand in a list
IN_A_ROW = 3
DEEPEST_MM = 300.0  # deeper probes are on the page of their station
MORE = (
    ("/work", later("All of the work")), None, None, ("/work", later("Tonight's water")),
    ("/work", later("Ten days of every pass")), None,
)  # fmt: skip

router = APIRouter(include_in_schema=False)


@router.get("/", response_class=HTMLResponse)
def today(request: Request) -> Response:
    """The first page; what to do when there is no station."""
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    return page(request, "today.html", today, lambda: _facts(request))


def _facts(request: Request) -> dict[str, Any]:
    pipeline, states = pipeline_of(request), stations_of(request)
    zone = pipeline.config.site.timezone
    morning = morning_of(pipeline, states)
    drawn = [_drawn(request, state) for state in states]
    large = len(drawn) <= MOST_LARGE
    is_old = all(state.heard_ms is None or state.is_old for state in states)
    return {
        "page": "today",
        "twin": "/api/v1/answers",
        **head(states, zone),
        "see": see_to(pipeline, pipeline.alerts(), states),
        "most_seen": MOST_SEEN,
        "six": _six(morning, pipeline),
        "cautions": cautions_told(() if morning.advice is None else morning.advice.surfaces),
        "heading": say("The slices as they were") if is_old else _cut(states, zone),
        "rows": _rows(drawn, zone, pipeline.config.site.units) if large else [],
        "groups": [] if large else _groups(drawn, zone),
    }


def _cut(states: Sequence[StationNow], zone: str) -> str:
    heard = [s.heard_ms for s in states if s.heard_ms is not None and not s.is_old]
    if all(s.by_hand for s in states if s.heard_ms is not None):
        return say("The slices, read by hand {when}", when=words.soon(max(heard), zone, states[0].now_ms))
    return say("The slices, cut at {clock}", clock=words.clock(max(heard), zone))


# --- the six ---------------------------------------------------------------------------------------------------------


def _six(morning: Morning, pipeline: Pipeline) -> list[dict[str, Any]]:
    pictures = _pictures(morning, pipeline)
    return [
        {
            "question": one.question,
            "verdict": words.tied(one.verdict),
            "clause": words.tied(one.clause),
            "lines": [words.tied(line) for line in one.lines],
            "needs_hand": one.needs_hand,
            "picture": picture,
            "more": None if more is None else (more[0], say(more[1])),
        }
        for one, picture, more in zip(six_answers(morning), pictures, MORE, strict=True)
    ]


def _pictures(morning: Morning, pipeline: Pipeline) -> list[Any]:
    states, advice, zone = morning.states, morning.advice, ZoneInfo(morning.zone)
    surfaces = {s.surface.name: s.surface.title for s in states}
    fresh = [s for s in states if s.heard_ms is not None and not s.is_old]
    rain = rain_of_day(pipeline, states)
    account = max((s.wetting for s in states if s.wetting is not None), key=lambda one: one.end_ms, default=None)
    shares: tuple[float | None, float | None] = (None, None)
    if account is not None and greatest_part(account) is not None and account.given.value:
        kept, gain = account.thatch_kept, account.root_gain
        shares = (
            None if kept is None or kept.value is None else kept.value / account.given.value,
            None if gain is None or gain.value is None else gain.value / account.given.value,
        )
    by_surface = {} if advice is None else {one.surface: one for one in advice.surfaces}
    waters = [
        (_initial(place_name(s)), found.water.mm, found.water.goes)
        for s in states
        if s.surface.name in by_surface
        for found in by_surface[s.surface.name].stations
        if found.station == s.station.name
    ]
    ahead = [(_initial(one.title), _best_chances(one, zone)) for name, one in by_surface.items() if name in surfaces]
    return [
        signs.going([(_initial(title), going_of(name, morning)) for name, title in surfaces.items()]),
        signs.fallen(rain, short_weekday(words.local(morning.now_ms - DAY_MS, zone))),
        signs.went(*shares),
        signs.water(waters if fresh else []),
        signs.windows(ahead if fresh else []),
        signs.probes([(_initial(place_name(s)), _heard(s)) for s in states]),
    ]


def _initial(title: str) -> str:
    return title[:1].upper()


def _heard(state: StationNow) -> list[bool]:
    """Whether each depth of moisture answered when it was last read, from the top down."""
    depths = [(c.depth_m, c) for c in state.channels if c.depth_m is not None]
    moist = [(d, c) for d, c in depths if c.installed.channel.quantity == "water_content"]
    inside = [not c.is_silent and c.at_ms is not None for _, c in sorted(moist, key=lambda one: one[0])]
    return [False] * len(inside) if state.is_old else inside


def _best_chances(one: SurfaceAdvice, zone: ZoneInfo) -> list[float | None]:
    """The best chance of any pass of a surface on each of ten days. [1] None where none of them can be judged."""
    first = first_day([each.outlook for each in one.passes], zone)
    if first is None:
        return []
    best: list[float | None] = [None] * DAYS
    for each in one.passes:
        for number, cell in enumerate(ten_days(each.outlook, zone, first)):
            if cell.kind not in ("", "cannot_tell"):
                chance = 0.0 if cell.kind in ("wait", "closed") else 1.0 if cell.chance is None else cell.chance
                best[number] = max(best[number] or 0.0, chance)
    return best


# --- the slices ------------------------------------------------------------------------------------------------------


class _Drawn:
    """A station with all that its slice and its words need."""

    def __init__(self, state: StationNow, depths: tuple[DepthNow, ...], roots: KnownFigure | None, leaf: float | None):
        self.state, self.depths, self.roots, self.leaf = state, depths, roots, leaf
        self.deepest_mm = max((d.depth_mm for d in depths if d.depth_mm <= DEEPEST_MM), default=0.0)


def _drawn(request: Request, state: StationNow) -> _Drawn:
    pipeline, name = pipeline_of(request), state.station.name

    def make() -> _Drawn:
        context = pipeline.context(name)
        roots = root_depth(pipeline, name, state.now_ms)
        return _Drawn(state, depths_now(context, state), roots, leaf_mm(pipeline, state.surface.name))

    return facts_of(request).get((_drawn, name), make)


def _rows(drawn: Sequence[_Drawn], zone: str, units: LocalUnits) -> list[dict[str, Any]]:
    """Three slices in a row on one ruler."""
    rows = []
    for first in range(0, len(drawn), IN_A_ROW):
        row = drawn[first : first + IN_A_ROW]
        foot_mm = end_mm([one.deepest_mm for one in row])
        tallest = max([14.0, *(one.leaf or 0.0 for one in row)])
        pen = Pen(2.0, 92.0, 4.0 + min(tallest, 40.0) * 0.86, min(0.86, 260.0 / foot_mm))
        height = round(pen.y(foot_mm) + 4)
        to_mm = foot_mm - 22.0
        rows.append(
            {
                "height": height,
                "ruler": ruler_svg(Pen(38.0, 1.0, pen.head, pen.scale), to_mm, units),
                "figures": [(said, round(100 * pen.y(mm) / height, 2)) for mm, said in units.marks_mm(to_mm)],
                "slices": [_slice(one, pen, foot_mm, zone) for one in row],
            }
        )
    return rows


def _groups(drawn: Sequence[_Drawn], zone: str) -> list[dict[str, Any]]:
    """Many stations as lists with a small slice each, all on one scale: by surface, those that stand alone together."""
    foot_mm = end_mm([one.deepest_mm for one in drawn])
    pen = Pen(2.0, 42.0, 6.0, 58.0 / foot_mm)
    titles: dict[str, list[_Drawn]] = {}
    for one in drawn:
        titles.setdefault(one.state.surface.title if len(one.state.surface.stations) > 1 else "", []).append(one)
    return [
        {
            "title": title,
            "height": round(pen.y(foot_mm) + 4),
            "slices": [_slice(one, pen, foot_mm, zone) for one in those],
        }
        for title, those in titles.items()
    ]


def _slice(one: _Drawn, pen: Pen, foot_mm: float, zone: str) -> dict[str, Any]:
    state = one.state
    return {
        "name": state.station.name,
        "title": words.place(state.surface, state.station),
        "drawing": slice_svg(slice_of(state, one.depths, one.roots, one.leaf, foot_mm), pen),
        "told": told(one.depths),
        **slice_words(state, one.depths, one.roots, zone),
    }


def _by_hand(state: StationNow, zone: str) -> tuple[str, ...]:
    """When a station was last read by hand; none where probes read it."""
    if not state.by_hand or state.heard_ms is None:
        return ()
    return (say("By hand, last read on {when}.", when=words.soon(state.heard_ms, zone, state.now_ms)),)


def slice_words(state: StationNow, depths: Sequence[DepthNow], roots: KnownFigure | None, zone: str) -> dict[str, str]:
    """Return what stands under a slice: a bold word or two, what follows it, and what is said quietly."""
    if state.heard_ms is None:
        return {"bold": say("Not heard yet."), "words": "", "quiet": ""}
    if state.is_old:
        then = words.soon(state.heard_ms, zone, state.now_ms)
        return {
            "bold": say("As it was"),
            "words": f"{then}.",
            "quiet": say("Nothing imported since.") if state.by_file else say("Nothing heard since."),
        }
    said = layers_said(state)
    drink = ""
    if roots is not None and roots.value is not None:
        drink = say("Drink to {depth:.0f} mm.", depth=roots.value * 1000)
    first, rest = (said[0], said[1:]) if said else (say("Cannot tell"), [])
    return {
        "bold": words.upper_first(first) + ("," if rest else "."),
        "words": " ".join(part for part in ("".join(f"{one}." for one in rest), drink) if part),
        "quiet": " ".join((*_by_hand(state, zone), thatch_words(state, depths, zone))),
    }
