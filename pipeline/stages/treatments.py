"""Findings of passes over the turf and of cores: what each pass changed and took out, and how thatch grows.

A pass is judged by the findings of twelve weeks before and after it, cut short at the next pass that goes as deep or is
of its kind, beside a station where none was made where there is one. It rests on the diary and on findings alone, never
on readings. The equations are those of `soil.change` and `soil.thatch`.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.diary.station import PassDone, StationContext
from pipeline.site.settings import SiteConfig
from pipeline.soil import change as trend
from pipeline.soil import thatch
from pipeline.soil.change import LEAST_EVENTS_A_SIDE, Effect, effect
from pipeline.soil.estimate import Estimate, withheld
from pipeline.stages.stage import FORTNIGHT_MS, NO_SERIES, Finding, Grain, Series, Stage, by_name, findings_table
from pipeline.store import Store
from pipeline.texts import later, listed, say, say_many
from pipeline.units import DAY_MS, FOREVER_MS, FloatArray, day_of_date

COMPARED: Mapping[str, str] = {
    "hold_time_change": "hold_time",
    "arrival_share_change": "arrival_share",
    "arrival_lag_change": "arrival_lag",
    "root_depth_90_change": "root_depth_90",
}
"""Each change by the finding of which it is the change."""
PASS_QUANTITIES = (
    *COMPARED, "organic_trend", "removal_efficiency", "thatch_removed", "thatch_trend", "untreated_island",
)  # fmt: skip
WINDOW_MS = 84 * DAY_MS  # six fortnights; longer, and the season is most of the change: our own choice
UNDER_WAY_MS = 3 * DAY_MS  # a dry-down that was under way when the blades came belongs to neither side
TREATS_FROM_M = 0.002  # a brush changes nothing that is asked here
DRESSES = ("topdressing",)
NO_TREND = later("no clear trend")


@dataclass(frozen=True, slots=True)
class StationFindings:
    """A station with its findings by quantity: where each stands [ms] and its value, the withheld left out."""

    context: StationContext
    findings: Mapping[str, Series]


def treats(one: PassDone) -> bool:
    """Return whether a pass may change how water moves: it cuts, or it dresses."""
    return one.depth_m >= TREATS_FROM_M or one.kind in DRESSES


def window(one: PassDone, passes: Sequence[PassDone]) -> tuple[int, int]:
    """Return from when to when findings are held against each other for a pass. [ms since 1970, UTC]"""
    hinder = [
        o.at_ms for o in passes if o is not one and treats(o) and (o.kind == one.kind or o.depth_m >= one.depth_m)
    ]
    begin = max([one.at_ms - WINDOW_MS, *(t for t in hinder if t < one.at_ms)])
    end = min([one.at_ms + WINDOW_MS, *(t for t in hinder if t > one.at_ms)])
    return begin, end


def pass_findings(
    own: StationFindings, others: Callable[[], Iterable[StationFindings]], one: PassDone
) -> Iterator[Finding]:
    """Return the findings of one pass at a station.

    Parameters
    ----------
    own : StationFindings
    others : callable
        Gives the stations that may be held beside it, the likest first.
    one : PassDone
        Of `own.context.passes`.
    """
    context = own.context
    begin, end = window(one, context.passes)
    if one.around and treats(one):
        yield _island(context, one)
    if treats(one):
        for quantity, source in COMPARED.items():
            found = _change(own, others, one, source, begin, end)
            yield Finding.of(quantity, one.at_ms, end, found)
    if one.kind in (*thatch.GROOVES, *thatch.HOLES):
        taken = {"thatch_removed": _removed(context, one)}
        if np.isfinite(one.removed_kg_m2):
            taken["removal_efficiency"] = _efficiency(context, one)
        for quantity, found in taken.items():
            yield Finding.of(quantity, one.at_ms, one.at_ms, found)


def _island(context: StationContext, one: PassDone) -> Finding:
    treated = [p.at_ms for p in context.passes if p.at_ms > one.at_ms and p.kind == one.kind and not p.around]
    reason = say_many(
        "{treatment} went around {names}: what it says is of an untreated island, not of the surface",
        "{treatment} went around {names}: what they say is of an untreated island, not of the surface",
        len(one.around), treatment=say(one.title), names=listed(one.around),
    )  # fmt: skip
    return Finding("untreated_island", one.at_ms, min(treated, default=one.at_ms), 1.0, np.nan, np.nan, 1, reason)


def _change(
    own: StationFindings,
    others: Callable[[], Iterable[StationFindings]],
    one: PassDone,
    source: str,
    begin: int,
    end: int,
) -> Estimate:
    if one.around:
        return withheld(say("{names} stood in an untreated island", names=listed(one.around)))
    sides = _sides(own, source, one.at_ms, begin, end)
    if min(side.size for side in sides) < LEAST_EVENTS_A_SIDE:
        return effect(*sides).change
    beside = None
    for other in others():
        theirs = _sides(other, source, one.at_ms, begin, end)
        if not _treated(other.context, begin, end) and min(side.size for side in theirs) >= LEAST_EVENTS_A_SIDE:
            beside = (other.context.station, theirs)
            break
    found: Effect = effect(*sides, comparison=None if beside is None else beside[1])
    words = [found.change.reason]
    if beside is not None:
        words = [say("beside {station}, where no pass was made", station=beside[0])]
    less = [say(o.title) for o in own.context.passes if o is not one and treats(o) and begin < o.at_ms < end]
    # Translators: passes, within the time over which the effect of another was measured
    words += [say("{passes} fell within it too", passes=listed(list(dict.fromkeys(less))))] if less else []
    words += [] if found.clear else [say("the interval holds no change at all")]
    return Estimate(found.change.value, found.change.low, found.change.high, found.change.n, "; ".join(words))


def _sides(told: StationFindings, source: str, at_ms: int, begin: int, end: int) -> tuple[FloatArray, FloatArray]:
    """Values before and after; what was under way when the pass came is in neither."""
    times, values = told.findings.get(source, NO_SERIES)
    under_way = FORTNIGHT_MS if source == "root_depth_90" else UNDER_WAY_MS
    before = (times >= begin) & (times <= at_ms - under_way)
    after = (times >= at_ms) & (times < end)
    return values[before], values[after]


def _treated(context: StationContext, begin: int, end: int) -> bool:
    return any(begin < o.at_ms < end and treats(o) for o in context.passes)


def _removed(context: StationContext, one: PassDone) -> Estimate:
    return thatch.likely_removed(_share(one), 1000.0 * context.thatch_m(one.at_ms), 1000.0 * one.depth_m)


def _efficiency(context: StationContext, one: PassDone) -> Estimate:
    share, thickness_mm = _share(one), 1000.0 * context.thatch_m(one.at_ms)
    if isinstance(share, str):
        return withheld(share)
    if not thickness_mm > 0.0:
        return withheld(say("no core says how thick the thatch is"))
    loose, dense = thatch.DRY_DENSITY_G_CM3
    high, value, low = (
        thatch.removal_efficiency(one.removed_kg_m2, thickness_mm, share, 1000.0 * one.depth_m, density_g_cm3=d)
        for d in (loose, (loose + dense) / 2.0, dense)
    )
    return Estimate(value, low, high, 1, say("more than was there: soil or sand came with it") if low > 1.0 else "")


def _share(one: PassDone) -> float | str:
    return thatch.touched_share(one.kind, one.variant, 1000.0 * one.width_m, 1000.0 * one.spacing_m)


def core_findings(context: StationContext) -> Iterator[Finding]:
    """Return how fast thatch and its organic matter grow by a station's cores of the commonest method, as findings."""
    every = context.facts.core_reads
    methods = [core.method for core in every]
    common = [core for core in every if methods and core.method == max(sorted(set(methods)), key=methods.count)]
    thick = [core for core in common if np.isfinite(core.thickness_mm)]
    if len({core.taken for core in thick}) >= 2:
        yield _trend("thatch_trend", thatch.thickness_series(thick), min(c.taken for c in thick))
    pieces = [(p.top_mm, p.bottom_mm, p.method) for core in every for p in core.slices]
    if pieces:
        top, bottom, method = max(sorted(set(pieces)), key=pieces.count)
        cut = [c for c in every if any((p.top_mm, p.bottom_mm, p.method) == (top, bottom, method) for p in c.slices)]
        if len({core.taken for core in cut}) >= 2:
            yield _trend("organic_trend", thatch.organic_series(cut, top, bottom), min(c.taken for c in cut))


def _trend(quantity: str, series: thatch.CoreSeries, first: datetime.date) -> Finding:
    """Sen's slope a year with its 90 % interval. [unit of the series yr-1]"""
    start_ms = day_of_date(first) * DAY_MS
    end_ms = start_ms + round(float(series.time_year[-1]) * thatch.DAYS_A_YEAR) * DAY_MS
    count = int(series.time_year.size)
    if count < 3:
        few = say_many("{n} date of cores, 3 needed", "{n} dates of cores, 3 needed", count)
        return Finding.of(quantity, start_ms, end_ms, withheld(few, count))
    line, test = trend.sen_line(series.time_year, series.mean, confidence=0.9), trend.mann_kendall(series.mean)
    words = [say("cores by {method}", method=series.method)] + [test.reason] * bool(test.reason)
    words += [] if bool(series.enough.all()) else [say("fewer than {n} cores behind a date", n=thatch.FEWEST_CORES)]
    words += [say(NO_TREND)] * bool(test.p > 0.1)
    return Finding(quantity, start_ms, end_ms, line.slope, line.low, line.high, count, "; ".join(words))


def touched(context: StationContext, start_ms: int, end_ms: int) -> list[PassDone]:
    """Return the passes whose findings may change when others of start <= t < end do. [ms since 1970, UTC]"""
    start_ms, end_ms = max(start_ms, 0), min(end_ms, FOREVER_MS)
    return [p for p in context.passes if p.at_ms - WINDOW_MS < end_ms and start_ms < p.at_ms + WINDOW_MS]


def by_likeness(config: SiteConfig, station: str) -> list[str]:
    """Return the other stations, those most like it first: of its surface, of its kind of surface, of its soil."""
    own = config.stations()[station]
    on = config.surface_of(station)

    def unlike(name: str) -> tuple[bool, bool, bool, str]:
        other = config.surface_of(name)
        return other.name != on.name, other.kind != on.kind, config.stations()[name].soil != own.soil, name

    return sorted((name for name in config.stations() if name != station), key=unlike)


def redo_passes(
    store: Store,
    context: StationContext,
    others: Callable[[], Iterable[StationContext]],
    *,
    span_ms: tuple[int, int] | None = None,
) -> int:
    """Redo the findings of passes, and the trends of cores, and store them; those found no more are removed.

    Parameters
    ----------
    store : Store
    context : StationContext
    others : callable
        Gives the other stations' contexts, the likest first; they are read as far as they are needed.
    span_ms : (int, int), optional
        Only of passes that findings of start <= t < end touch: the diary is what it was. [ms since 1970, UTC]

    Returns
    -------
    int
        How many findings were stored.

    Raises
    ------
    StoreAway, StoreFull
    """
    again = context.passes if span_ms is None else touched(context, *span_ms)
    found = list(core_findings(context)) if span_ms is None else []
    if again:
        first, last = max(again[0].at_ms - WINDOW_MS, 0), again[-1].at_ms + WINDOW_MS
        read: dict[str, StationFindings] = {}

        def told(one: StationContext) -> StationFindings:
            if one.station not in read:
                series = store.finding_series(one.station, PASSES.reads, first, last)
                known = {name: (t[np.isfinite(v)], v[np.isfinite(v)]) for name, (t, v) in series.items()}
                read[one.station] = StationFindings(one, known)
            return read[one.station]

        for one in again:
            found += pass_findings(told(context), lambda: map(told, others()), one)
    if span_ms is None:
        _forget(store, context, found)
    if found:
        store.upsert_findings(findings_table(by_name(found, context), context.station))
    return len(found)


def _forget(store: Store, context: StationContext, found: list[Finding]) -> None:
    """Take away what was found of passes struck out, or is found no more."""
    kept = {(one.quantity, one.start_ms) for one in found}
    for quantity, (starts, _) in store.finding_series(context.station, PASS_QUANTITIES, 0, FOREVER_MS).items():
        for start_ms in starts.tolist():
            if (quantity, start_ms) not in kept:
                store.delete_findings(context.station, [quantity], start_ms, start_ms + 1)


PASSES = Stage[Callable[..., int]](
    name="passes",
    grain=Grain.DIARY,
    run=redo_passes,
    findings=PASS_QUANTITIES,
    reads=tuple(sorted(set(COMPARED.values()))),
    lead_in_ms=WINDOW_MS,
    look_ahead_ms=WINDOW_MS,
)
