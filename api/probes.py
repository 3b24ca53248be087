"""The probes as whoever walks the ground looks for them: when each spoke last and what it said, what drifted, what was
written of it.

Drift is told by the water content at which a depth stands drained, learned each fourth Monday: where that moves, the
ground or the probe has changed; and against the neighbours, which tells the probe from the ground. Beside it stands
what the stages say against whole channels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request

from api import schema, words
from api.data import iso, pipeline_of
from api.state import ChannelNow, ProbeNow, StationNow, number, rows_of, station_now
from pipeline.service import Pipeline
from pipeline.stages.catalogue import CATALOGUE, Shown
from pipeline.texts import day_words, in_a_row, say, say_as
from pipeline.units import BELIEVED, DAY_MS, EVER_MS

ProbeState = Literal["heard", "silent", "by record", "never heard", "out of the ground"]
DRIFT_LEAST = 0.02  # of water content between first and last learned: less is within what is learned at all
NOTES_MOST = 4  # of a station, the newest
NOTES_FROM_MS = 400 * DAY_MS
CHANNEL_DOUBTS = tuple(quantity for quantity, entry in CATALOGUE.items() if entry.shown is Shown.PROBES)
CHANNEL_DOUBTS_FROM_MS = 28 * DAY_MS
NOTE_KINDS = ("note", "lift", "return", "depth")


@dataclass(frozen=True, slots=True)
class Drift:
    """The water content at which a depth stands drained, as first and last learned. [m3 m-3], [ms since 1970, UTC]"""

    channel: ChannelNow
    first_ms: int
    first: float
    last_ms: int
    last: float


router = APIRouter(prefix="/api/v1", tags=["nodes"])


@router.get(
    "/probes/now", summary="Each probe as it is: its last words, its drift, and what was written of its station"
)
def get_probes_now(request: Request) -> list[schema.ProbeNowOut]:
    return [probe for _, probes in probes_now(pipeline_of(request)) for probe in probes]


def probes_now(pipeline: Pipeline) -> list[tuple[StationNow, list[schema.ProbeNowOut]]]:
    """Return every station with its probes that are read by the clock."""
    now_ms = pipeline.clock.now_ms()
    stations = [
        station_now(pipeline, surface, station, now_ms)
        for surface in pipeline.config.surfaces
        for station in surface.stations
    ]
    return [(state, [_probe(pipeline, state, probe) for probe in state.probes]) for state in stations]


def notes_of(pipeline: Pipeline, state: StationNow) -> list[str]:
    """Return what was written of a station's probes, the newest first, in a line each."""
    entries = pipeline.diary.entries(NOTE_KINDS, state.now_ms - NOTES_FROM_MS, state.now_ms + DAY_MS)
    own = [e for e in entries if e.surface == state.surface.name and e.station in (None, state.station.name)]
    return [words.entry_line(pipeline.config, e, state.now_ms) for e in reversed(own[-NOTES_MOST:])]


def _probe(pipeline: Pipeline, state: StationNow, probe: ProbeNow) -> schema.ProbeNowOut:
    name = f"{state.station.name}/{probe.name}"
    channels = [c for c in state.channels if c.installed.id.rpartition("/")[0] == name]
    out = any(
        one.probe == name and one.out_ms <= state.now_ms < one.back_ms
        for one in pipeline.context(state.station.name).facts.lifted
    )
    old = probe.heard_ms is not None and state.now_ms - probe.heard_ms > state.silent_ms
    now: ProbeState = (
        "out of the ground" if out else "never heard" if probe.heard_ms is None
        else "by record" if probe.by_file else "silent" if old or probe.is_silent else "heard"
    )  # fmt: skip
    drift = [one for c in channels if (one := _drift(pipeline, c)) is not None]
    nodes = [node.node for node in pipeline.nodes.all() if state.station.name in node.stations]
    return schema.ProbeNowOut(
        station=state.station.name,
        name=probe.name,
        title=probe.title,
        state=now,
        heard_at=None if probe.heard_ms is None else iso(probe.heard_ms),
        nodes=nodes,
        drift=[
            schema.DriftOut(
                channel=one.channel.installed.id,
                since=iso(one.first_ms),
                until=iso(one.last_ms),
                drained_then=one.first,
                drained_now=one.last,
            )
            for one in drift
        ],
        words=_words(pipeline, state, probe, now, channels, drift),
    )


def _drift(pipeline: Pipeline, channel: ChannelNow) -> Drift | None:
    """Return how the drained reading of a depth moved between the first time it was learned and the last."""
    if channel.installed.channel.quantity != "water_content":
        return None
    found = pipeline.store.finding_series(channel.installed.id, ["drained_limit"], *EVER_MS).get("drained_limit")
    known = [] if found is None else [(int(t), float(v)) for t, v in zip(*found, strict=True) if v == v]
    if len(known) < 2:
        return None
    (first_ms, first), (last_ms, last) = known[0], known[-1]
    return Drift(channel, first_ms, first, last_ms, last)


def _words(
    pipeline: Pipeline, state: StationNow, probe: ProbeNow, now: ProbeState, channels: Sequence[ChannelNow],
    drift: Sequence[Drift],
) -> list[str]:  # fmt: skip
    """Return what is to be said of a probe: its verdict, its clause, its last words, its drift."""
    zone = pipeline.config.site.timezone
    if probe.heard_ms is None:
        if probe.by_file:
            return [say("Nothing yet"), say("no reading of it has come: import its record.")]
        return [say("Nothing yet"), say("no reading of it has come: see to its line and address in agent.toml.")]
    when = words.moment(probe.heard_ms, zone, now_ms=state.now_ms)
    # Translators: each verdict on a probe stands in bold before its clause
    verdict, clause = {
        "heard": (say_as("a probe", "Heard"), f"{when}."),
        "silent": (say_as("a probe", "Silent"), say("since {when}.", when=when)),
        "by record": (say_as("a probe", "By record"), say("up to {when}; nobody asks it.", when=when)),
        "out of the ground": (
            say_as("a probe", "Out"),
            say("of the ground by the diary; last heard {when}.", when=when),
        ),
    }[now]
    name = f"{state.station.name}/{probe.name}"
    if now == "out of the ground" and any(
        one.probe == name and one.is_new and one.back_ms > state.now_ms
        for one in pipeline.context(state.station.name).facts.lifted
    ):
        verdict, clause = (
            say_as("a probe", "New"),
            say("and its field check is not done; last heard {when}.", when=when),
        )
    lines = [verdict, clause, *_said(channels)]
    lines += _doubts(pipeline, channels, now_ms=state.now_ms)
    moved = [one for one in drift if abs(one.last - one.first) >= DRIFT_LEAST]
    lines += [
        say(
            "Drift: drained it reads {now} at {depth:.0f} mm, and read {then} on {day}.",
            now=words.way(one.last),
            depth=(one.channel.depth_m or 0.0) * 1000,
            then=words.way(one.first),
            day=_date(one.first_ms, zone),
        )
        for one in moved
    ]
    if drift and not moved:
        lines.append(
            say("No drift: drained it reads as on {day}.", day=_date(min(one.first_ms for one in drift), zone))
        )
    return lines


def _doubts(pipeline: Pipeline, channels: Sequence[ChannelNow], *, now_ms: int) -> list[str]:
    """Return what the last four weeks say against whole channels of a probe, a line each."""
    lines = []
    for one in channels:
        if one.installed.channel.quantity != "water_content":
            continue
        table = pipeline.store.findings(one.installed.id, CHANNEL_DOUBTS, now_ms - CHANNEL_DOUBTS_FROM_MS, now_ms + 1)
        newest = {str(row["quantity"]): row for row in rows_of(table)}
        depth_mm = (one.depth_m or 0.0) * 1000
        for quantity, row in newest.items():
            value, reason = number(row["value"]), row["reason"]
            if quantity == "sensor_drift":
                if value is not None and reason:
                    told = say(
                        "Drifts at {depth:.0f} mm by {drift:+.2f} m³/m³ a year: cut a ring beside it and compare.",
                        depth=depth_mm, drift=value,
                    )  # fmt: skip
                    lines.append(told)
            elif quantity == "stood_still" and value is not None:
                told = say(
                    "Stood still at {depth:.0f} mm for {hours:.0f} hours: {reason}.",
                    depth=depth_mm, hours=value, reason=reason,
                )  # fmt: skip
                lines.append(told)
            elif quantity == "failed_readings" and value is not None:
                told = say(
                    "Doubtful at {depth:.0f} mm as a whole: {share:.0f} % of a fortnight failed; {reason}.",
                    depth=depth_mm, share=100.0 * value, reason=reason,
                )  # fmt: skip
                lines.append(told)
            else:
                lines.append(say("Look at {depth:.0f} mm: {reason}.", depth=depth_mm, reason=reason))
    return lines


def _date(at_ms: int, zone: str) -> str:
    return day_words(words.local(at_ms, ZoneInfo(zone)), year=True, long=True)


def _said(channels: Sequence[ChannelNow]) -> list[str]:
    """Return the last values of channels, those of one quantity at several depths together, and which to doubt."""
    by_quantity: dict[str, list[ChannelNow]] = {}
    for one in channels:
        if one.value is not None:
            by_quantity.setdefault(one.installed.channel.quantity, []).append(one)
    lines = []
    for quantity, some in by_quantity.items():
        values = in_a_row([*(_figure(one, bare=True) for one in some[:-1]), _figure(some[-1])])
        if any(one.flag not in BELIEVED for one in some):
            values = say("{values}, not believed", values=values)
        depths = [f"{one.depth_m * 1000:.0f}" for one in some if one.depth_m is not None]
        name = words.upper_first(words.quantity(quantity))
        if depths:
            told = say("{quantity} at {depths} mm: {values}.", quantity=name, depths=in_a_row(depths), values=values)
        else:
            told = say("{quantity}: {values}.", quantity=name, values=values)
        lines.append(told)
    return lines


def _figure(one: ChannelNow, *, bare: bool = False) -> str:
    """The last value of a channel, `bare` without its unit."""
    quantity, value = one.installed.channel.quantity, one.value or 0.0
    if quantity == "water_content":
        return f"{round(value * 100) + 0:.0f}" if bare else words.way(value)
    return words.amount(value, quantity, bare=bare)
