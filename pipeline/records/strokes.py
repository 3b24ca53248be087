"""Pushes of any penetrometer in a file, as the readings that a docked one would have given at the same place.

Resistance is what is measured. It becomes the force on the cone of the penetrometer that the settings have at the
station, so that the stages see one instrument, whatever the cone was that was pushed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import numpy as np

from hardware.reading import Status
from pipeline.records.record_file import ImportFault, fingerprint
from pipeline.records.record_intake import ChannelSummary, CheckedRecord, outbox_of
from pipeline.records.record_map import RecordMap, StrokesForm
from pipeline.records.record_rows import Faults, RecordRows, RowBlock
from pipeline.records.record_times import NO_TIME, RecordTimes
from pipeline.records.unit_names import to_canonical
from pipeline.site.fields import nearest
from pipeline.site.settings import SiteConfig
from pipeline.store.backup import Progress
from pipeline.store.packed import STATUS_CODES
from pipeline.store.readings import RECORDED

APART_MS = 2000  # between two pushes; steps of one come a millisecond apart, as from the dock
MOST_STEPS = 2000
EARTH_M = 6_371_000.0  # mean radius (IUGG)
_DEEPEST_MM = 1200.0


@dataclass(frozen=True, slots=True)
class Cone:
    """A penetrometer of the settings: the channels of depth and force, and the area of its base. [mm2]"""

    depth: str
    force: str
    base_mm2: float


@dataclass
class Push:
    """One push: where, when, at which line it begins, and its steps of depth [m] and resistance [kPa]."""

    station: str
    at_ms: int
    line: int
    steps: list[tuple[float, float]] = field(default_factory=list)


def cones_of(config: SiteConfig, form: StrokesForm) -> Mapping[str, Cone]:
    """Return the penetrometer of each station that has one of that name."""
    found = {}
    for station in config.stations().values():
        for probe in station.probes:
            by_heard = {one.channel.heard: one for one in probe.channels}
            if probe.name == form.probe and {"cone_depth", "cone_force"} <= by_heard.keys():
                force = by_heard["cone_force"]
                base_mm2 = force.channel.calibration.parameters["base_mm2"]
                found[station.name] = Cone(by_heard["cone_depth"].id, force.id, base_mm2)
    return found


def check_strokes(
    path: Path, record: RecordMap, config: SiteConfig, spool: IO[bytes], *, now_ms: int,
    progress: Progress = lambda *_: None,
) -> CheckedRecord:  # fmt: skip
    """Look through a file of pushes, setting down in the spool the readings of each.

    Parameters
    ----------
    path : Path
    record : RecordMap
        With [strokes].
    config : SiteConfig
    spool : binary file
    now_ms : int
        [ms since 1970, UTC]
    progress : callable

    Raises
    ------
    ImportFault
        With every fault of the file.
    """
    form = record.strokes
    assert form is not None
    cones = cones_of(config, form)
    if not cones:
        model = "a probe of a cone model, such as 'cone_hard'"
        raise ImportFault([f"strokes.probe: found no penetrometer {form.probe!r} at any station, expected {model}"])
    faults = Faults()
    rows = RecordRows(path, record.file, faults, progress=progress)
    rows.open()
    pushes = list(_pushes(rows, record, form, config, faults, now_ms))
    faults.end()
    names = tuple(name for cone in cones.values() for name in (cone.depth, cone.force))
    meaning = (record.file, record.time, form, tuple(cones.items()))
    checked = CheckedRecord(
        outbox_of(fingerprint(path), meaning), names, spool, summaries=[ChannelSummary() for _ in names]
    )
    free_ms: dict[str, int] = {}
    for push in sorted(pushes, key=lambda one: (one.at_ms, one.line)):
        _take_push(push, cones, names, free_ms, checked, faults)
    if not pushes:
        faults.add(rows.header_line, "found no push below the header, expected some")
    faults.end()
    checked.preview.append(f"{len(pushes)} pushes at {len({push.station for push in pushes})} stations")
    return checked


def _take_push(
    push: Push, cones: Mapping[str, Cone], names: Sequence[str], free_ms: dict[str, int], checked: CheckedRecord,
    faults: Faults,
) -> None:  # fmt: skip
    cone = cones.get(push.station)
    if cone is None:
        faults.add(
            push.line, f"found a push at {push.station}, which has no penetrometer, expected one of {', '.join(cones)}"
        )
        return
    depths = [depth for depth, _ in push.steps]
    if any(below <= above for above, below in itertools.pairwise(depths)):
        faults.add(push.line, "found depths that do not increase, expected one push from the top down")
        return
    if len(push.steps) > MOST_STEPS:
        faults.add(push.line, f"found {len(push.steps)} steps of one push, expected at most {MOST_STEPS}")
        return
    began_ms = max(push.at_ms, free_ms.get(push.station, 0))
    free_ms[push.station] = began_ms + len(push.steps) + APART_MS
    rows = np.zeros(2 * len(push.steps), dtype=RECORDED)
    rows["measured_at_ms"] = np.repeat(began_ms + np.arange(len(push.steps), dtype=np.int64), 2)
    rows["place"] = np.tile([names.index(cone.depth), names.index(cone.force)], len(push.steps))
    force_n = [kpa * cone.base_mm2 / 1000.0 for _, kpa in push.steps]
    rows["raw"] = np.column_stack([depths, force_n]).reshape(-1)
    rows["status"] = STATUS_CODES[Status.OK]
    checked.put(rows)
    for place in (names.index(cone.depth), names.index(cone.force)):
        own = rows["place"] == place
        checked.summaries[place].add(rows["measured_at_ms"][own], rows["raw"][own])


def _pushes(
    rows: RecordRows, record: RecordMap, form: StrokesForm, config: SiteConfig, faults: Faults, now_ms: int
) -> Iterator[Push]:
    slope = _kpa_per_unit(form)
    depth_mm = to_canonical(form.depth_unit, "mm")[0]
    times = RecordTimes(record.time, now_ms)
    where = [name for name in (form.place, form.push) if name is not None]
    spots = [name for name in (form.latitude, form.longitude) if name is not None]
    own = [form.depth, form.value] if form.depth and form.value else [column.name for column in form.columns]
    numbers = [str(name) for name in (*own, *spots)]
    open_push: tuple[object, Push] | None = None
    for block in rows.blocks([*record.time.columns, *where], numbers, record.file.missing):
        texts = times.texts(block.texts)
        at_ms, told = times.instants(texts, block.lines)
        for line, words in told:
            faults.add(line, words)
        for row in np.flatnonzero(at_ms != NO_TIME).tolist():
            line = int(block.lines[row])
            station = _station(block, row, form, config, line, faults)
            if station is None:
                continue
            if form.columns:
                push = Push(station, int(at_ms[row]), line)
                values = [(c.depth_mm, float(block.numbers[c.name].iloc[row])) for c in form.columns]
                push.steps += _steps(values, slope, line, faults)
                yield push
                continue
            key = station, str(block.texts[str(form.push)].iloc[row]).strip()
            if open_push is None or open_push[0] != key:
                if open_push is not None:
                    yield open_push[1]
                open_push = key, Push(station, int(at_ms[row]), line)
            pair = (
                float(block.numbers[str(form.depth)].iloc[row]) * depth_mm,
                float(block.numbers[str(form.value)].iloc[row]),
            )
            open_push[1].steps.extend(_steps([pair], slope, line, faults))
    if open_push is not None:
        yield open_push[1]


def _kpa_per_unit(form: StrokesForm) -> float:
    """What makes a number of the file a resistance. [kPa a unit]"""
    try:
        return to_canonical(form.unit, "kPa")[0]
    except ValueError as no_pressure:
        try:
            newtons = to_canonical(form.unit, "N")[0]
        except ValueError:
            raise ImportFault([f"strokes.unit: {no_pressure}, or one of a force"]) from no_pressure
        if form.cone_mm2 is None:
            expected = "the area of its base, since the numbers are forces"
            raise ImportFault([f"strokes.cone_mm2: found nothing, expected {expected}"]) from no_pressure
        return newtons * 1000.0 / form.cone_mm2


def _steps(
    values: Sequence[tuple[float, float]], slope: float, line: int, faults: Faults
) -> Iterator[tuple[float, float]]:
    for depth_mm, value in values:
        kpa = value * slope
        if math.isnan(depth_mm) or math.isnan(kpa):
            continue
        if not 0.0 <= depth_mm <= _DEEPEST_MM:
            faults.add(line, f"found a depth of {depth_mm:g} mm, expected 0 to {_DEEPEST_MM:g}: is depth_unit right?")
        elif not 0.0 <= kpa <= 20_000.0:
            faults.add(line, f"found {kpa:g} kPa, expected 0 to 20000: is the unit right?")
        else:
            yield depth_mm / 1000.0, kpa


def _station(block: RowBlock, row: int, form: StrokesForm, config: SiteConfig, line: int, faults: Faults) -> str | None:
    """The station of a row: the only one, the one of its place, or the nearest to its coordinates."""
    if form.station is not None:
        return form.station
    if form.place is not None:
        place = str(block.texts[form.place].iloc[row]).strip()
        station = form.places.get(place, place)
        if station not in config.stations():
            known = [*form.places, *config.stations()]
            faults.add(line, f"found the place {place!r}, expected {nearest(place, known)}")
            return None
        return station
    here = float(block.numbers[str(form.latitude)].iloc[row]), float(block.numbers[str(form.longitude)].iloc[row])
    away = [(_distance_m(here, (one.latitude_deg, one.longitude_deg)), one.station) for one in form.at]
    least_m, station = min(away)
    if not least_m <= form.within_m:
        faults.add(
            line, f"found a push {least_m:.0f} m from {station}, the nearest, expected at most {form.within_m:g} m"
        )
        return None
    return station


def _distance_m(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Distance of two places, latitude and longitude, over the ground. [deg] to [m] Flat for so short a way."""
    mean = math.radians((one[0] + other[0]) / 2.0)
    north, east = math.radians(other[0] - one[0]), math.radians(other[1] - one[1]) * math.cos(mean)
    return EARTH_M * math.hypot(north, east)
