"""What is known of a station's ground: the newest stored finding of each kind in the catalogue, as facts and as lines.

It reads findings as they are stored and words them by the unit of the catalogue. What has a place of its own on a page
(water by layer, the last wetting) is left to that.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from api.state import number, rows_of
from api.words import moment, tied
from pipeline.service import Pipeline
from pipeline.site.ground import Station
from pipeline.stages.catalogue import CATALOGUE, LOOK_BACK_MS, YES_OR_NO, CatalogueEntry, Of, Shown
from pipeline.texts import day_words, later, say
from pipeline.texts import figure as decimal


@dataclass(frozen=True, slots=True)
class KnownFigure:
    """The newest finding of one kind, of the station or of one of its channels. [unit of `entry`], [ms since 1970, UTC]

    `value` is None where it is withheld, and then `reason` says why; `depth_mm` is None but for a channel.
    """

    entry: CatalogueEntry
    channel: str
    depth_mm: float | None
    start_ms: int
    end_ms: int
    value: float | None
    low: float | None
    high: float | None
    reason: str


def known_of(pipeline: Pipeline, station: Station, now_ms: int) -> list[KnownFigure]:
    """Return the newest finding of each kind of a station and of its channels, in the order of the catalogue."""
    context = pipeline.context(station.name)
    owners: list[tuple[str, float | None]] = [
        (station.name, None),
        *((channel, context.depth_m(channel, now_ms)) for channel in context.moisture),
    ]
    found = [
        figure
        for of in Of
        for name, depth_m in owners
        if (entries := _entries(of, of_channel=depth_m is not None))
        for figure in newest(pipeline, name, depth_m, entries, max(0, now_ms - LOOK_BACK_MS[of]), now_ms)
    ]
    order = {quantity: place for place, quantity in enumerate(CATALOGUE)}
    return sorted(found, key=lambda figure: (order[figure.entry.quantity], figure.depth_mm or 0.0))


def _entries(of: Of, *, of_channel: bool) -> list[CatalogueEntry]:
    wanted = (entry for entry in CATALOGUE.values() if entry.of is of and entry.shown is Shown.GROUND)
    return [entry for entry in wanted if entry.of_channel or not of_channel]


def newest(
    pipeline: Pipeline, owner: str, depth_m: float | None, entries: list[CatalogueEntry], start_ms: int, end_ms: int
) -> Iterator[KnownFigure]:
    """Return the newest finding of each of these entries, which are all of one kind of span. [ms since 1970, UTC], [m]

    `depth_m` is None where `owner` is a station.
    """
    table = pipeline.store.findings(owner, [entry.quantity for entry in entries], start_ms, end_ms + 1)
    rows = rows_of(table)
    if entries[0].of in (Of.DAY, Of.FORTNIGHT):  # one that is not over yet and is withheld leaves the one before
        rows = [row for row in rows if row["end_ms"] <= end_ms or number(row["value"]) is not None]
    newest = {str(row["quantity"]): row for row in rows}  # sorted by time: the last stands
    for entry in entries:
        if entry.quantity in newest:
            row = newest[entry.quantity]
            yield KnownFigure(
                entry=entry,
                channel="" if depth_m is None else owner,
                depth_mm=None if depth_m is None else depth_m * 1000.0,
                start_ms=int(row["start_ms"]),
                end_ms=int(row["end_ms"]),
                value=number(row["value"]),
                low=number(row["low"]),
                high=number(row["high"]),
                reason=str(row["reason"] or ""),
            )


def known_line(figure: KnownFigure, timezone: str) -> tuple[str, str]:
    """A figure in words: its name with the value, its interval and what is to be said of it; and of when it is."""
    name = say(figure.entry.title)
    if figure.depth_mm is not None:
        name = say("{name}, {depth:.0f} mm", name=name, depth=figure.depth_mm)
    value = (
        say("cannot tell")
        if figure.value is None
        else amount_between(figure.value, figure.low, figure.high, figure.entry)
    )
    # Translators: a figure and its value, as in "Soil temperature at 50 mm: 9.1 °C"
    parts = [say("{name}: {value}", name=name, value=value), figure.reason[:1].upper() + figure.reason[1:]]
    return tied(" ".join(f"{part}." for part in parts if part)), _when(figure, timezone)


def amount_between(value: float, low: float | None, high: float | None, entry: CatalogueEntry) -> str:
    """Return a figure of the catalogue for the eye, with the interval that it may lie in. [unit of `entry`]"""
    if entry.quantity in YES_OR_NO or low is None or high is None or low == high:
        return _amount(value, entry)
    return say(
        "{best} ({low} to {high})", best=_amount(value, entry), low=_bare(low, entry.unit), high=_amount(high, entry)
    )


# Of each unit of the catalogue: factor, decimals and unit for the eye.
_SHOWN = {
    "1": (100.0, 0, "%"),
    "mm": (1.0, 1, "mm"),
    "m": (1000.0, 0, "mm"),
    "h": (1.0, 0, "h"),
    "min": (1.0, 0, "min"),
    "degC": (1.0, 1, "°C"),
    "kPa": (1.0, 0, "kPa"),
    "m3 m-3": (1.0, 2, "m³/m³"),
    "mm yr-1": (1.0, 1, later("mm a year")),
    "% yr-1": (1.0, 2, later("% a year")),
}


def _bare(value: float, unit: str) -> str:
    factor, decimals, _ = _SHOWN[unit]
    return decimal(round(value * factor, decimals) + 0.0, decimals)  # + 0.0: no minus before what is shown as nought


def _amount(value: float, entry: CatalogueEntry) -> str:
    if entry.quantity in YES_OR_NO:
        return say("yes") if value > 0.0 else say("no")
    return f"{_bare(value, entry.unit)} {say(_SHOWN[entry.unit][2])}"


def _when(figure: KnownFigure, timezone: str) -> str:
    first, last = (_day(at_ms, timezone) for at_ms in (figure.start_ms, figure.end_ms))
    match figure.entry.of:
        case Of.MOMENT:
            return moment(figure.start_ms, timezone)
        case Of.WETTING:
            return say("wetting that ended {when}", when=moment(figure.end_ms, timezone))
        case Of.FORTNIGHT:
            return say("fortnight to {day}", day=last)
        case Of.VISIT:
            return say("pushes of {day}", day=first)
        case Of.PASS:
            return say("pass of {day}", day=first)
        case Of.CORES:
            return say("cores from {first} to {last}", first=first, last=last)
        case Of.LEARNING:
            return say("since {day}", day=first)
    return first


def _day(at_ms: int, timezone: str) -> str:
    at = datetime.datetime.fromtimestamp(at_ms / 1000, ZoneInfo(timezone))
    return day_words(at, year=True)
