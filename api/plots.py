"""Drawings that stretch with the page: water by depth and time, each depth by itself, rain, roots by date.

Pure: facts in, paths and places in per cent out. A plot is an SVG of 1000 by some height that stretches to whatever
room there is, its strokes excepted; words are laid over it as HTML, placed in per cent, so that type never scales.
Depth hangs from the leaf line. Nothing is drawn across a gap: it stays bare paper with a dotted edge. Paths are thinned
to what a screen can show.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from contourpy import contour_generator

from api.depths import DepthHistory, StationHistory
from api.slices import FADE_MM
from pipeline.texts import day_words, later_as, say, say_many, short_month, weekday_and_day
from pipeline.units import DAY_MS, HOUR_MS, BoolArray, FloatArray

ACROSS = 1000  # width of a plot in its own units
LEVELS = (0.25, 0.5, 0.75, 1.0)
LEVEL_WORDS = {
    0.5: later_as("a level", "half"),
    0.75: later_as("a level", "three quarters"),
    1.0: later_as("how wet", "drained"),
}
WASHES = (0.14, 0.28, 0.43, 0.6)  # strength of the wash above each level
WETTEST = 99.0
MOST_COLUMNS = 168  # of the picture: some 2 px each on a phone
TOLERANCE = 0.8  # of a path, in units of the plot: less than a pixel
LEAST_GAP = 0.006  # of the width: a narrower gap is seen as the slit that it is
NAMED_GAP = 0.09
LEAST_BAR = 0.0025  # of the width: a narrower bar is not seen
LAST_LABEL = 72.0  # of the width: words that begin further right run out of a phone [%]
LEAST_TOP = 1.25  # of the way to drained, at the top of a depth's own plot
RAIN_TOP_MM = {HOUR_MS: 5.0, DAY_MS: 20.0}


@dataclass(frozen=True, slots=True)
class Label:
    """Words laid over a plot: from the left and the top. [%]"""

    left: float
    top: float
    words: str


@dataclass(frozen=True, slots=True)
class Area:
    """A wash and how strong it is."""

    d: str
    strength: float


@dataclass(frozen=True, slots=True)
class Picture:
    """Water by depth and time. Its height is in mm, of which `thatch_mm` on top are thatch.

    `soil` is drawn from its first to its last figure; `washes` and `lines` (by whether heavy) are of it, `thatch` and
    `mixed` are washes of their own. `bare`, and `faded` in the thatch, are where nothing is to be believed,
    `mixed_edges` and `gaps` dotted outlines; `names` stand on lines and in gaps, `dots` are depths of probes. [%]
    """

    height_mm: float
    thatch_mm: float
    soil: tuple[int, int] | None
    washes: tuple[Area, ...]
    lines: tuple[tuple[str, bool], ...]
    thatch: tuple[Area, ...]
    mixed: tuple[Area, ...]
    mixed_edges: str
    bare: str
    faded: str
    gaps: str
    names: tuple[Label, ...]
    dots: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class DepthPlot:
    """One depth between its own dry (the base) and drained (`drained`, from the top [%]), in a height of 100."""

    depth_mm: float
    lies_in: str
    line: str
    area: str
    drained: float
    gaps: tuple[Label, ...]


@dataclass(frozen=True, slots=True)
class RainPlot:
    """Bars in a height of 100, the amount at its top [mm] and that of the mark that is drawn."""

    bars: str
    mark_mm: float
    mark: float


def path(x: FloatArray, y: FloatArray, *, closed: bool = False) -> str:
    """Return a path through points in whole units, thinned to what can be seen."""
    keep = thinned(x, y)
    xs, ys = np.rint(x[keep]).astype(int), np.rint(y[keep]).astype(int)
    steps = " ".join(f"{a} {b}" for a, b in zip(np.diff(xs).tolist(), np.diff(ys).tolist(), strict=True))
    return f"M{xs[0]} {ys[0]}" + (f"l{steps}" if steps else "h1") + ("z" if closed else "")


def thinned(x: FloatArray, y: FloatArray, tolerance: float = TOLERANCE) -> BoolArray:
    """Return which points of a line are needed, so that none of the others lies further off it than `tolerance`.

    Source: Douglas and Peucker (1973), Cartographica 10(2), 112-122, from memory.
    """
    keep = np.zeros(x.shape, dtype=bool)
    keep[[0, -1]] = True
    waiting = [(0, x.size - 1)]
    while waiting:
        first, last = waiting.pop()
        if last - first < 2:
            continue
        dx, dy = x[last] - x[first], y[last] - y[first]
        length = float(np.hypot(dx, dy))
        inner_x, inner_y = x[first + 1 : last] - x[first], y[first + 1 : last] - y[first]
        off = np.abs(inner_x * dy - inner_y * dx) / length if length > 0.0 else np.hypot(inner_x, inner_y)
        worst = int(np.argmax(off))
        if off[worst] > tolerance:
            middle = first + 1 + worst
            keep[middle] = True
            waiting += [(first, middle), (middle, last)]
    return keep


def spans(mask: BoolArray) -> Iterator[tuple[int, int]]:
    """Yield begin and end (without) of each run in which a mask holds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def picture(history: StationHistory, end_mm: float) -> Picture:
    """Return water by depth and time down to `end_mm`. [mm]"""
    thatch_mm = history.thatch_mm or 0.0
    soil = [one for one in history.depths if one.lies_in == "soil" and one.depth_mm < end_mm]
    inside = [one for one in history.depths if one.lies_in == "thatch"]
    mixed = [one for one in history.depths if one.lies_in == "mixed"]
    rows_mm, wet = _rows(soil, thatch_mm, end_mm)
    washes, lines, names = _soil(rows_mm, wet)
    bare, gaps, said = _gaps(soil, rows_mm, wet, end_mm)
    top = _mean([one.wetness for one in inside])
    edges = "".join(f"M0 {max(0.0, one.top_mm):.0f}h{ACROSS}V{one.bottom_mm:.0f}h-{ACROSS}z" for one in mixed)
    return Picture(
        height_mm=end_mm,
        thatch_mm=thatch_mm,
        soil=(round(rows_mm[0]), round(rows_mm[-1])) if rows_mm.size else None,
        washes=washes,
        lines=lines,
        thatch=() if top is None else _band(top, 0.0, thatch_mm),
        mixed=tuple(a for one in mixed for a in _band(one.wetness, max(0.0, one.top_mm), one.bottom_mm)),
        mixed_edges=edges,
        bare=bare,
        faded="" if top is None else _blocks(np.isnan(top), 0.0, thatch_mm),
        gaps=gaps,
        names=tuple(
            Label(100 * one.left / ACROSS, 100 * one.top / end_mm, one.words)
            for one in [*names, *said, *(Label(20.0, one.depth_mm, "mixed") for one in mixed)]
        ),
        dots=tuple(100 * one.depth_mm / end_mm for one in history.depths if one.depth_mm < end_mm),
    )


def _mean(series: Sequence[FloatArray]) -> FloatArray | None:
    if not series:
        return None
    return np.asarray(sum(series[1:], series[0]) / len(series))


def _rows(soil: Sequence[DepthHistory], thatch_mm: float, end_mm: float) -> tuple[FloatArray, FloatArray]:
    """Depths [mm] and wetness of the rows of the picture: the probes', held up to the thatch and a little below."""
    if not soil:
        return np.zeros(0), np.zeros((0, 0))
    kept = [one for number, one in enumerate(soil) if not number or one.depth_mm > soil[number - 1].depth_mm + 0.5]
    bottom_mm = min(kept[-1].depth_mm + FADE_MM, end_mm)
    rows_mm = np.array([min(thatch_mm, kept[0].depth_mm - 1.0), *(one.depth_mm for one in kept), bottom_mm])
    wet = np.stack([np.where(one.is_mixed, np.nan, one.wetness) for one in (kept[0], *kept, kept[-1])])
    return rows_mm, wet


def _columns(wet: FloatArray) -> FloatArray:
    """Rows drawn together to at most `MOST_COLUMNS`; a column lacks what one of its steps lacks."""
    each = -(-wet.shape[1] // MOST_COLUMNS)
    wide = -(-wet.shape[1] // each) * each
    padded = np.concatenate([wet, np.repeat(wet[:, -1:], wide - wet.shape[1], axis=1)], axis=1)
    return np.asarray(padded.reshape(wet.shape[0], -1, each).mean(axis=2))


def _soil(rows_mm: FloatArray, wet: FloatArray) -> tuple[tuple[Area, ...], tuple[tuple[str, bool], ...], list[Label]]:
    """Washes between the levels, the lines of the levels, and the names on three of them."""
    if not wet.size:
        return (), (), []
    z = _columns(wet)
    middles = (np.arange(z.shape[1]) + 0.5) * ACROSS / z.shape[1]
    x = np.concatenate([[0.0], middles, [float(ACROSS)]])
    z = np.ma.masked_invalid(np.concatenate([z[:, :1], z, z[:, -1:]], axis=1))
    contours: Any = contour_generator(x, rows_mm, z)
    washes, lines, names = [], [], list[Label]()
    for level, upper, strength in zip(LEVELS, (*LEVELS[1:], WETTEST), WASHES, strict=True):
        d = ""
        for points, offsets in zip(*contours.filled(level, upper), strict=True):
            for first, last in pairwise(offsets):
                ring = points[first:last]
                d += path(ring[:, 0], ring[:, 1], closed=True)
        if d:
            washes.append(Area(d, strength))
        found = [line for line in contours.lines(level) if len(line) > 1]
        if found:
            lines.append(("".join(path(line[:, 0], line[:, 1]) for line in found), level == 0.5))
        if level in LEVEL_WORDS and found:
            names += _named(max(found, key=_reach), say(LEVEL_WORDS[level]), names)
    return tuple(washes), tuple(lines), names


def _reach(line: FloatArray) -> float:
    return float(np.ptp(line[:, 0]))


def _named(line: FloatArray, words: str, others: Sequence[Label]) -> list[Label]:
    """A name on a line, away from the edges and from other names; none where there is no room."""
    room = (line[:, 0] > 0.06 * ACROSS) & (line[:, 0] < 0.8 * ACROSS)
    for share in (0.6, 0.35, 0.8, 0.2):
        if not room.any():
            return []
        x, y = line[room][int(share * (np.count_nonzero(room) - 1))]
        if all(abs(x - one.left) > 0.22 * ACROSS or abs(y - one.top) > 22.0 for one in others):
            return [Label(float(x), float(y), words)]
    return []


def _band(wet: FloatArray, top_mm: float, bottom_mm: float) -> tuple[Area, ...]:
    """A layer of its own: blocks by the level that it is above."""
    above = np.digitize(np.nan_to_num(wet, nan=-1.0), LEVELS)
    found = []
    for level, strength in enumerate(WASHES, start=1):
        d = _blocks(above == level, top_mm, bottom_mm)
        if d:
            found.append(Area(d, min(strength + 0.1, 0.7)))
    return tuple(found)


def _blocks(mask: BoolArray, top_mm: float, bottom_mm: float) -> str:
    """Blocks of a layer, one for each run of steps in which a mask holds."""
    each, d = ACROSS / mask.size, ""
    for first, last in spans(mask):
        wide = f"{(last - first) * each:.0f}"
        d += f"M{first * each:.0f} {top_mm:.0f}h{wide}V{bottom_mm:.0f}h-{wide}z"
    return d


def _gaps(
    soil: Sequence[DepthHistory], rows_mm: FloatArray, wet: FloatArray, end_mm: float
) -> tuple[str, str, list[Label]]:
    """What is bare because nothing was to be believed, outlines of what is wide, and words where there is room."""
    if not soil or not wet.size:
        return "", "", []
    columns = _columns(wet)
    lacks, each, last_column = np.isnan(columns), ACROSS / columns.shape[1], columns.shape[1]
    bare = lacks[:-1] | lacks[1:]  # between two rows
    doubted = _columns(np.where(np.any([one.is_doubted for one in soil], axis=0), 1.0, 0.0)[np.newaxis])[0] > 0.0
    every, d, said = "", "", list[Label]()
    patterns = ["".join("1" if cell else "0" for cell in column) for column in bare.T]
    first = 0
    for pattern, run in groupby(patterns):
        last = first + len(list(run))
        # what is drawn ends in the middle of the columns beside
        left = max(first - 0.5, 0.0) * each
        wide = (ACROSS if last == last_column else (last + 0.5) * each) - left
        for top, bottom in spans(np.array([cell == "1" for cell in pattern])):
            one = f"M{left:.0f} {rows_mm[top]:.0f}h{wide:.0f}V{rows_mm[bottom]:.0f}h-{wide:.0f}z"
            every += one
            if wide < LEAST_GAP * ACROSS:
                continue
            d += one
            if wide > NAMED_GAP * ACROSS and rows_mm[bottom] - rows_mm[top] > 0.12 * end_mm:
                words = _gap_words(doubted=bool(doubted[first:last].any()))
                said.append(Label(left + 0.012 * ACROSS, float(rows_mm[top] + 0.05 * end_mm), words))
        first = last
    return every, d, said


def _gap_words(*, doubted: bool) -> str:
    return say("not believed") if doubted else say("no reading")


def depth_plots(history: StationHistory) -> list[DepthPlot]:
    """Return each depth by itself, from the top down."""
    found = []
    for one in history.depths:
        known = np.isfinite(one.wetness)
        values = one.wetness[known]
        top = max(LEAST_TOP, 1.04 * float(values.max())) if values.size else LEAST_TOP
        low = min(0.0, float(values.min())) if values.size else 0.0
        x = (np.arange(one.wetness.size) + 0.5) * ACROSS / one.wetness.size
        y = 100.0 * (top - one.wetness) / (top - low)
        base = 100.0 * top / (top - low)
        line = area = ""
        for first, last in spans(known):
            xs, ys = x[first:last], y[first:last]
            line += path(xs, ys)
            ends = np.array([xs[0], xs[-1]])
            area += path(np.concatenate([ends[:1], xs, ends[1:]]), np.concatenate([[base], ys, [base]]), closed=True)
        gaps = tuple(
            Label(
                min(100 * (first + 0.2) / known.size, LAST_LABEL),
                46.0,
                _gap_words(doubted=bool(one.is_doubted[first:last].any())),
            )
            for first, last in spans(~known)
            if last - first > NAMED_GAP * known.size
        )
        found.append(DepthPlot(one.depth_mm, one.lies_in, line, area, 100.0 * (top - 1.0) / (top - low), gaps))
    return found


def rain_plot(history: StationHistory) -> RainPlot | None:
    """Return the rain as bars; None without a gauge."""
    if history.rain_mm is None:
        return None
    mark = RAIN_TOP_MM[history.rain_step_ms]
    top = max(mark * 1.15, 1.05 * float(history.rain_mm.max()))
    return RainPlot(bars(history.rain_mm.tolist(), top), mark, 100 - 100 * mark / top)


def time_ticks(start_ms: int, end_ms: int, zone: ZoneInfo) -> list[tuple[float, str, bool]]:
    """Return marks of a time axis: from the left [%], the words, and whether it stands on a narrow screen too."""
    span_days = (end_ms - start_ms) / DAY_MS
    at = datetime.datetime.fromtimestamp(start_ms / 1000, zone)
    day = at.replace(hour=0, minute=0, second=0, microsecond=0)
    found = []
    while day.timestamp() * 1000 <= end_ms:
        for hour in (0, 6, 12, 18) if span_days <= 3 else (0,):
            moment = day + datetime.timedelta(hours=hour)
            left = 100 * (moment.timestamp() * 1000 - start_ms) / (end_ms - start_ms)
            if not 0.0 <= left <= 97.0:
                continue
            if span_days <= 3:
                found.append((left, weekday_and_day(moment) if hour == 0 else f"{hour}:00", hour in (0, 12)))
            elif span_days <= 14:
                found.append((left, weekday_and_day(moment), True))
            elif span_days <= 90:
                found += [(left, day_words(moment), True)] if moment.weekday() == 0 else []
            else:
                found += [(left, short_month(moment.month), True)] if moment.day == 1 else []
        day = (day + datetime.timedelta(days=1, hours=2)).replace(hour=0)
    often = -(-len(found) // 5) if span_days > 3 else 1
    return [(left, words, narrow and number % often == 0) for number, (left, words, narrow) in enumerate(found)]


def season_of(spans_mm: Sequence[tuple[int, int, float, float, float]], start_ms: int, end_ms: int) -> dict[str, Any]:
    """Return how deep roots drank by date, hanging from the leaf line, each span at the depth of its figure.

    Parameters
    ----------
    spans_mm : sequence of (int, int, float, float, float)
        Begin and end of each [ms since 1970, UTC]; depth, and the ends of its interval. [mm]
    start_ms, end_ms : int
        What the axis shows. [ms since 1970, UTC]

    Returns
    -------
    dict
        Paths `sure`, `doubt` and `best` in a width of 1000 and a height of `deep`, `marks` of depth by their place from
        the top [%], `told` in a sentence, and whether there is any `season`.
    """
    if not spans_mm:
        return {"season": False}
    deep = 1.08 * max(high for *_, high in spans_mm)
    step = next(each for each in (20, 50, 100, 200, 500) if deep / each <= 4.5)
    sure, doubt, best = "", "", ""
    for begin_ms, finish_ms, depth_mm, low_mm, high_mm in spans_mm:
        left = max(ACROSS * (begin_ms - start_ms) / (end_ms - start_ms), 0.0)
        wide = ACROSS * (finish_ms - begin_ms) / (end_ms - start_ms)
        for share in (0.15, 0.4, 0.65, 0.9):
            sure += f"M{left + share * wide:.0f} 0V{low_mm:.0f}"
            doubt += f"M{left + share * wide:.0f} {low_mm:.0f}V{high_mm:.0f}"
        best += f"M{left:.0f} {depth_mm:.0f}h{wide:.0f}"
    depths = [depth_mm for _, _, depth_mm, _, _ in spans_mm]
    return {
        "season": True,
        "sure": sure,
        "doubt": doubt,
        "best": best,
        "deep": round(deep),
        "marks": [(round(100 * mm / deep - 6, 1), f"{mm} mm") for mm in range(step, round(deep), step)],
        "told": say_many(
            "Depth roots drank to in {n} fortnight, from {low:.0f} to {high:.0f} mm.",
            "Depth roots drank to in {n} fortnights, from {low:.0f} to {high:.0f} mm.",
            len(spans_mm),
            low=min(depths),
            high=max(depths),
        ),
    }


@dataclass(frozen=True, slots=True)
class DayLines:
    """Several series by day on one scale, in a width of 1000 and a height of 100; where drained and dry are. [%]"""

    lines: tuple[str, ...]
    drained: float
    dry: float


def day_lines(series: Sequence[Sequence[float | None]]) -> DayLines:
    """Return series of wetness [1], a value for each day, as lines that break where a day is not known."""
    known = [value for values in series for value in values if value is not None]
    top, low = max([LEAST_TOP, *(1.04 * value for value in known)]), min([0.0, *known])
    lines = []
    for values in series:
        wet = np.array([np.nan if value is None else value for value in values])
        x, y = (np.arange(wet.size) + 0.5) * ACROSS / max(wet.size, 1), 100.0 * (top - wet) / (top - low)
        lines.append("".join(path(x[first:last], y[first:last]) for first, last in spans(np.isfinite(wet))))
    return DayLines(tuple(lines), 100.0 * (top - 1.0) / (top - low), 100.0 * top / (top - low))


def bars(
    values: Sequence[float | None], top: float, *, begin: float = 0.0, wide: float = 0.9, across: float = ACROSS
) -> str:
    """Return amounts of equal steps as bars on a base line: a path in a width of `across` and a height of 100.

    Parameters
    ----------
    values : sequence of float or None
        One a step; nothing is drawn of nought, and of what is not known.
    top : float
        The amount at the top.
    begin, wide : float
        Where in its step a bar begins and how much of it is its width. [1]
    across : float
    """
    each, decimals = across / max(len(values), 1), 0 if across >= ACROSS else 2
    width = f"{max(each * wide, LEAST_BAR * across):.{decimals}f}"
    return "".join(
        f"M{(step + begin) * each:.{decimals}f} 100h{width}v-{max(100 * value / top, 1.0):.{decimals}f}h-{width}z"
        for step, value in enumerate(values)
        if value is not None and value > 0.0
    )
