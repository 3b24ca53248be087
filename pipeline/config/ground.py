"""The ground in the server's settings: surfaces, what is done on them, their stations, probes and cores.

Part of `pipeline.config`, which opens the file; here its tables become frozen dataclasses, every fault noted.
"""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from zoneinfo import ZoneInfo

from hardware.curves import curve_faults, curves_between
from hardware.probe import MAX_DEPTH_MM, Calibration, Channel, ProbeDescription, ProbeFault, load_probe
from hardware.reading import is_slug
from pipeline.config.care import CARE_KEYS, bounds_of, care_of
from pipeline.site import Core, InstalledChannel, InstalledProbe, Station, Surface
from pipeline.toml_check import Check, Table

SURFACE_KINDS = ("square", "outfield", "green", "pitch", "lawn")
GRASSES = ("cool", "warm", "annual_meadow_grass")
THATCH_MEDIA = ("raw_thatch", "decayed_thatch", "mat")
SOIL_MEDIA = ("sand", "sandy_loam", "loam", "clay_loam", "club_clay_loam", "first_class_clay_loam")
MAX_SURFACES, MAX_STATIONS, MAX_PROBES, MAX_CORES = 64, 64, 64, 1000


def surfaces_of(check: Check, table: Table, zone: ZoneInfo, model_dir: Path | None) -> tuple[Surface, ...]:
    """The surfaces of the file; probe models are looked for in `model_dir` first."""
    surfaces = []
    stations_seen: set[str] = set()
    seen: set[str] = set()
    site_bounds = bounds_of(check, table, "")
    for i, entry in enumerate(check.tables(table, "", "surface", least=1, most=MAX_SURFACES)):
        at = _place(entry, "", "surface", i)
        check.keys(entry, at, ("name", "title", "kind", "station", *CARE_KEYS))
        name = check.slug(entry, at, "name")
        _once(check, f"{at}name", name, seen, "surface")
        stations = [
            _station(check, station, _place(station, at, "station", j), name, stations_seen, zone, model_dir)
            for j, station in enumerate(check.tables(entry, at, "station", least=0, most=MAX_STATIONS))
        ]
        kind = check.one_of(entry, at, "kind", SURFACE_KINDS, None)
        care = care_of(check, entry, at, kind, site_bounds)
        surfaces.append(Surface(name, check.text(entry, at, "title", name), kind, tuple(stations), care))
    return tuple(surfaces)


_STATION_KEYS = (
    *("name", "title", "soil", "thatch_medium", "root_zone_mm", "thatch_dry", "thatch_drained"),
    *("soil_dry", "soil_drained", "subsoil", "subsoil_from_mm", "grass", "probe", "core"),
)


def _station(
    check: Check, table: Table, at: str, surface: str, seen: set[str], zone: ZoneInfo, model_dir: Path | None
) -> Station:
    check.keys(table, at, _STATION_KEYS)
    name = check.slug(table, at, "name")
    _once(check, f"{at}name", name, seen, "station")
    limits = {}
    for layer in ("thatch", "soil"):
        dry = check.optional_number(table, at, f"{layer}_dry", 0.0, 1.0)
        drained = check.optional_number(table, at, f"{layer}_drained", 0.0, 1.0)
        if dry is not None and drained is not None and not dry < drained:
            check.fault(f"{at}{layer}_drained", drained, f"a water content above {layer}_dry, {dry:g} m3/m3")
        limits[layer] = (dry, drained)
    probes_seen: set[str] = set()
    subsoil_from_mm = check.optional_number(table, at, "subsoil_from_mm", 20.0, 2000.0)
    if ("subsoil" in table) != (subsoil_from_mm is not None):
        check.missing(f"{at}{'subsoil_from_mm' if 'subsoil' in table else 'subsoil'}", "it beside its fellow")
    return Station(
        name=name,
        title=check.text(table, at, "title", name),
        surface=surface,
        soil=check.one_of(table, at, "soil", SOIL_MEDIA, None),
        thatch_medium=check.one_of(table, at, "thatch_medium", THATCH_MEDIA, "decayed_thatch"),
        root_zone_m=check.number(table, at, "root_zone_mm", 200.0, 20.0, 2000.0) / 1000,
        thatch_dry=limits["thatch"][0],
        thatch_drained=limits["thatch"][1],
        soil_dry=limits["soil"][0],
        soil_drained=limits["soil"][1],
        probes=tuple(
            _probe(check, probe, _place(probe, at, "probe", i), name, probes_seen, model_dir)
            for i, probe in enumerate(check.tables(table, at, "probe", least=1, most=MAX_PROBES))
        ),
        cores=_cores(check, table, at, zone),
        grass=check.one_of(table, at, "grass", GRASSES, "cool"),
        subsoil=check.one_of(table, at, "subsoil", SOIL_MEDIA, None) if "subsoil" in table else "",
        subsoil_from_m=(subsoil_from_mm or 0.0) / 1000,
    )


def _probe(check: Check, table: Table, at: str, station: str, seen: set[str], model_dir: Path | None) -> InstalledProbe:
    check.keys(table, at, ("name", "model", "depth_mm", "calibration"))
    name = check.slug(table, at, "name")
    _once(check, f"{at}name", name, seen, "probe of the station")
    model = check.text(table, at, "model", None)
    try:
        description = load_probe(model, model_dir)
    except ProbeFault as err:
        if model:
            check.faults.extend(f"{check.file}: {at}model: {fault}" for fault in err.faults)
        return InstalledProbe(name, ProbeDescription(model, "", "sdi12", 1200, "7E1", False, "", None, ()), ())
    depths, calibrations = check.table(table, at, "depth_mm"), check.table(table, at, "calibration")
    known = [c.name for c in description.channels]
    check.keys(depths, f"{at}depth_mm.", known)
    check.keys(calibrations, f"{at}calibration.", known)
    installed = []
    for channel in description.channels:
        if channel.name in depths:
            depth_mm = check.number(depths, f"{at}depth_mm.", channel.name, None, 0.0, MAX_DEPTH_MM)
            if channel.depth_m is None:
                check.fault(f"{at}depth_mm.{channel.name}", depth_mm, "no depth: this channel is above the ground")
            channel = replace(channel, depth_m=depth_mm / 1000)
        calibration = _calibration(check, calibrations, at, channel)
        installed.append(
            InstalledChannel(f"{station}/{name}/{channel.name}", replace(channel, calibration=calibration))
        )
    return InstalledProbe(name, description, tuple(installed))


def _calibration(check: Check, calibrations: Table, at: str, channel: Channel) -> Calibration:
    """The channel's calibration, or that of the file over it; either is checked against its curve."""
    if channel.name not in calibrations:
        return channel.calibration
    place = f"{at}calibration.{channel.name}"
    entry = check.table(calibrations, f"{at}calibration.", channel.name)
    curve, source = entry.get("curve"), check.text(entry, f"{place}.", "source", "set for this site")
    written = {key: value for key, value in entry.items() if key not in ("curve", "source")}
    faults = curve_faults(curve, written)
    fitting = curves_between(channel.heard, channel.quantity)
    if not faults and curve not in fitting:
        expected = f"a curve that makes {channel.quantity} of {channel.heard}, one of {', '.join(fitting)}"
        faults = [f"curve: found {curve!r}, expected {expected}"]
    check.faults.extend(f"{check.file}: {place}.{fault}" for fault in faults)
    if faults:
        return channel.calibration
    return Calibration(str(curve), MappingProxyType({key: float(value) for key, value in written.items()}), source)


def _cores(check: Check, table: Table, at: str, zone: ZoneInfo) -> tuple[Core, ...]:
    cores = []
    for i, entry in enumerate(check.tables(table, at, "core", least=0, most=MAX_CORES)):
        place = f"{at}core[{i}]."
        check.keys(entry, place, ("date", "thatch_mm", "root_mm"))
        date = entry.get("date")
        thatch_m = check.number(entry, place, "thatch_mm", None, 0.0, 150.0) / 1000
        root_mm = check.optional_number(entry, place, "root_mm", 0.0, 1000.0)
        if type(date) is not datetime.date:
            check.fault(f"{place}date", date, "a date without a time, as 2026-03-01 (no quotes)")
            continue
        midnight = datetime.datetime(date.year, date.month, date.day, tzinfo=zone)
        root_m = None if root_mm is None else root_mm / 1000
        cores.append(Core(date, round(midnight.timestamp() * 1000), thatch_m, root_m))
    dates = [c.date for c in cores]
    if len(set(dates)) < len(dates):
        check.fault(f"{at}core", [str(d) for d in sorted(dates)], "one core a date: write the mean of several")
    return tuple(sorted(cores, key=lambda c: c.at_ms))


def _place(entry: Table, at: str, word: str, index: int) -> str:
    """How an entry of a list is called in a fault: by its name where it has one, else by its place from 0."""
    name = entry.get("name")
    return f"{at}{word}.{name}." if isinstance(name, str) and is_slug(name) else f"{at}{word}[{index}]."


def _once(check: Check, key: str, name: str, seen: set[str], what: str) -> None:
    if name and name in seen:
        check.fault(key, name, f"a name no other {what} has")
    seen.add(name)
