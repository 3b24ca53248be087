"""The server's settings: underturf.toml and the environment made into frozen dataclasses.

Loading reports every fault of the file in one run, each as `file: key: found X, expected Y`, and nothing of a file
with a fault is used. Secrets are named by path and read only when they are needed (`read_secret`). Relative paths are
counted from the file. Environment variables, where the caller hands them over, stand over the keys of the plain
sections: `UNDERTURF_SECTION_KEY`, as in `UNDERTURF_BROKER_PORT=1884`.
"""

from __future__ import annotations

import datetime
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from annotated_types import Ge, Le
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from hardware.curves import CORRECTION_REACH_M, curve_faults, curves_between
from hardware.probe import MAX_DEPTH_MM, Calibration, Channel, ProbeDescription, ProbeFault, load_probe
from hardware.reading import is_slug
from pipeline.site.models import (
    AheadConfig,
    BoundKey,
    BrokerConfig,
    Care,
    Core,
    InstalledChannel,
    InstalledProbe,
    MonthlyClimate,
    NotificationPolicy,
    NotifyConfig,
    PagesConfig,
    PassFacts,
    PlannedPass,
    Site,
    SiteConfig,
    Station,
    StoreConfig,
    Surface,
    Vocabulary,
    YearSpan,
)
from pipeline.site.toml_check import Check, Table, finite

_CLIMATE_KEYS = ("rain_mm", "wet_days", "highest_degc", "lowest_degc")


def ahead_of(check: Check, table: Table) -> AheadConfig:
    """The sections forecast, fixtures, climate, work and water."""
    work = check.table(table, "", "work")
    hours = tuple(
        round(check.number(work, "work.", key, default, 0, 24))
        for key, default in (("from_hour", 7.0), ("until_hour", 19.0))
    )
    if not hours[0] < hours[1]:
        check.fault("work.until_hour", hours[1], f"an hour after work.from_hour, {hours[0]}")
    return AheadConfig(
        forecast=_source(check, table, "forecast"),
        fixtures=_source(check, table, "fixtures"),
        climate=_climate(check, table),
        restricted=check.flag(check.table(table, "", "water"), "water.", "restricted", default=False),
        work_hours=(hours[0], hours[1]),
    )


def _source(check: Check, table: Table, section: str) -> str:
    """An address, or a path counted from the file's folder; empty for none."""
    text = check.text(check.table(table, "", section), f"{section}.", "source", "")
    if not text or text.startswith(("http://", "https://")):
        return text
    return str((check.folder / text).absolute())


def _climate(check: Check, table: Table) -> MonthlyClimate | None:
    if "climate" not in table:
        return None
    entry = check.table(table, "", "climate")
    check.keys(entry, "climate.", _CLIMATE_KEYS)
    rows = []
    for key in _CLIMATE_KEYS:
        row = entry.get(key)
        if not isinstance(row, list) or len(row) != 12 or not all(finite(v) for v in row):
            check.fault(f"climate.{key}", row, "twelve numbers, January first")
            return None
        rows.append(tuple(float(v) for v in row))
    try:
        return MonthlyClimate(*rows)
    except ValueError as err:
        check.faults.extend(f"{check.file}: {fault}" for fault in str(err).split("; "))
        return None


def alerts_of(check: Check, table: Table, models: Mapping[str, type[BaseModel]]) -> Mapping[str, BaseModel]:
    """The section alerts: for each rule the model of its bounds, filled."""
    check.keys(table, "alerts.", models)
    found = {}
    for rule, model in models.items():
        entry, at = check.table(table, "alerts.", rule), f"alerts.{rule}."
        check.keys(entry, at, model.model_fields)
        try:
            found[rule] = model.model_validate({key: entry[key] for key in entry if key in model.model_fields})
        except ValidationError as err:
            check.faults.extend(f"{check.file}: {at}{fault}" for fault in faults_of(err, model, entry))
    return MappingProxyType(found)


def faults_of(err: ValidationError, model: type[BaseModel], table: Table) -> list[str]:
    """Return the faults of a table as `key: found X, expected Y`, one for each key."""
    faults: dict[str, str] = {}
    for one in err.errors(include_url=False):
        key = str(one["loc"][0])
        words = one["msg"] if one["type"] == "expected" else _words(model.model_fields[key])
        faults.setdefault(key, f"{key}: found {table.get(key, one['input'])!r}, expected {words}")
    return list(faults.values())


def _words(field: FieldInfo) -> str:
    """What a field expects, from its description or its type and limits."""
    if field.description is not None:
        return field.description
    if field.annotation is bool:
        return "true or false"
    low = next(one.ge for one in field.metadata if isinstance(one, Ge))
    high = next(one.le for one in field.metadata if isinstance(one, Le))
    return f"a{' whole' if field.annotation is int else ''} number from {low:g} to {high:g}"


CARE_KEYS = (
    *("area_m2", "water_to_hand", "play_from", "play_until", "renovation_until", "water_every_days"),
    *("fixture_words", "pass", "bound"),
)
MAX_PASSES, MAX_BOUNDS, MAX_WORDS = 40, 500, 50
MOST_CUT_MM = 400.0
_EDGES = ("open_lo", "open_hi", "closed_lo", "closed_hi")


Given = Mapping[str, float]  # edges of a bound that are written down


def care_of(
    check: Check, table: Table, at: str, kind: str, site_bounds: Mapping[BoundKey, Given], known: Vocabulary
) -> Care:
    """How one surface is kept.

    Parameters
    ----------
    check : Check
    table : mapping
        Of the surface.
    at : str
        Where it stands in the file.
    kind : str
        Of the surface.
    site_bounds : mapping of BoundKey to edges
        Of the whole site, under those of the surface.
    known : Vocabulary
    """
    bounds, faults = known.bounds(kind, {**site_bounds, **bounds_of(check, table, at)})
    check.faults.extend(f"{check.file}: {at}bound: {fault}" for fault in faults)
    first, last = _month_day(check, table, at, "play_from"), _month_day(check, table, at, "play_until")
    if first is not None or last is not None:
        first, last = first or (1, 1), last or (12, 31)
    renovation = _month_day(check, table, at, "renovation_until")
    if renovation is not None and last is None:
        check.missing(f"{at}play_until", f"the end of play, from which {at}renovation_until counts")
    interval = check.optional_number(table, at, "water_every_days", 1, 30)
    return Care(
        area_m2=check.optional_number(table, at, "area_m2", 1.0, 1e7),
        water_to_hand=check.flag(table, at, "water_to_hand", default=True),
        play=None if first is None or last is None else YearSpan(first, last),
        renovation_until=renovation,
        interval_days=None if interval is None else round(interval),
        fixture_words=_fixture_words(check, table, at),
        passes=_passes(check, table, at, known.passes),
        bounds=bounds,
    )


def bounds_of(check: Check, table: Table, at: str) -> dict[BoundKey, Given]:
    """The bounds under `bound`, `[[bound]]` in the file, each with the edges that are given."""
    found: dict[BoundKey, Given] = {}
    for i, entry in enumerate(check.tables(table, at, "bound", least=0, most=MAX_BOUNDS)):
        place = f"{at}bound[{i}]."
        check.keys(entry, place, ("pass", "variant", "condition", "why", *_EDGES))
        check.text(entry, place, "why", "")
        edges = {edge: check.number(entry, place, edge, None, -math.inf, math.inf) for edge in _EDGES if edge in entry}
        key = (
            check.text(entry, place, "pass", None),
            check.text(entry, place, "variant", ""),
            check.text(entry, place, "condition", None),
        )
        if key in found:
            check.fault(f"{place}condition", key[2], "one bound for each pass, variant and condition")
        found[key] = edges
    return found


def _passes(check: Check, table: Table, at: str, facts: Mapping[str, PassFacts]) -> tuple[PlannedPass, ...]:
    found = []
    for i, entry in enumerate(check.tables(table, at, "pass", least=0, most=MAX_PASSES)):
        place = f"{at}pass[{i}]."
        check.keys(entry, place, ("kind", "variant", "depth_mm"))
        kind = check.one_of(entry, place, "kind", facts, None)
        variants = facts[kind].variants
        variant = check.one_of(entry, place, "variant", variants, variants[0])
        depth_mm = check.number(entry, place, "depth_mm", facts[kind].depth_mm[1], 0.0, MOST_CUT_MM)
        found.append(PlannedPass(kind, variant, depth_mm / 1000))
    return tuple(found)


def _fixture_words(check: Check, table: Table, at: str) -> tuple[str, ...]:
    words = table.get("fixture_words", [])
    fit = isinstance(words, list) and len(words) <= MAX_WORDS and all(isinstance(w, str) and w.strip() for w in words)
    if not fit:
        check.fault(f"{at}fixture_words", words, f"a list of at most {MAX_WORDS} words, as ['first eleven', 'square']")
        return ()
    return tuple(words)


def _month_day(check: Check, table: Table, at: str, key: str) -> tuple[int, int] | None:
    """A day of every year, as '04-15'; None when the key is not there."""
    if key not in table:
        return None
    try:
        day = datetime.date.fromisoformat(f"2024-{table[key]}")
    except ValueError:
        check.fault(f"{at}{key}", table[key], "month and day as '04-15'")
        return None
    return day.month, day.day


SURFACE_KINDS = ("square", "outfield", "green", "pitch", "lawn")
GRASSES = ("cool", "warm", "annual_meadow_grass")
THATCH_MEDIA = ("raw_thatch", "decayed_thatch", "mat")
SOIL_MEDIA = ("sand", "sandy_loam", "loam", "clay_loam", "club_clay_loam", "first_class_clay_loam")
MAX_SURFACES, MAX_STATIONS, MAX_PROBES, MAX_CORES = 64, 64, 64, 1000


def surfaces_of(
    check: Check, table: Table, zone: ZoneInfo, model_dir: Path | None, known: Vocabulary
) -> tuple[Surface, ...]:
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
        care = care_of(check, entry, at, kind, site_bounds, known)
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
    probes = tuple(
        _probe(check, probe, _place(probe, at, "probe", i), name, probes_seen, model_dir)
        for i, probe in enumerate(check.tables(table, at, "probe", least=1, most=MAX_PROBES))
    )
    _check_thermometers(check, at, probes)
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
        probes=probes,
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


def _check_thermometers(check: Check, at: str, probes: tuple[InstalledProbe, ...]) -> None:
    """A channel that is to be corrected for temperature needs a soil thermometer at its depth."""
    every = {one.id: one.channel for probe in probes for one in probe.channels}
    thermometers = [(i, c.depth_m) for i, c in every.items() if c.quantity == "soil_temperature" and c.depth_m]
    for i, channel in every.items():
        coefficient, depth_m = channel.calibration.parameters.get("reading_per_degc", 0.0), channel.depth_m
        if coefficient == 0.0 or (
            depth_m is not None
            and any(other != i and abs(there_m - depth_m) <= CORRECTION_REACH_M for other, there_m in thermometers)
        ):
            continue
        where = "a channel in the ground" if depth_m is None else f"{1000 * depth_m:g} mm"
        reach = f"a soil_temperature channel of this station within {1000 * CORRECTION_REACH_M:g} mm of {where}"
        _, probe, name = i.split("/")
        check.fault(f"{at}probe.{probe}.calibration.{name}.reading_per_degc", coefficient, f"{reach} to correct by")


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


NOTIFY_KEYS = (
    *("log", "webhook", "webhook_secret_file", "mqtt", "addresses_file", "digest_at", "digest_when_empty"),
    *("quiet_from", "quiet_until", "interruptions_a_week", "off_season_interruptions_a_fortnight"),
    *("season_from_month", "season_until_month", "gather_min"),
)
_AT = "notify."


def notify_of(check: Check, table: Table) -> NotifyConfig:
    """The section `[notify]`."""
    webhook = check.web_address(table, _AT, "webhook", "")
    if "webhook_secret_file" in table and not webhook:
        check.missing("notify.webhook", "an address to go with notify.webhook_secret_file")
    return NotifyConfig(
        log=check.flag(table, _AT, "log", default=True),
        webhook=webhook,
        webhook_secret_file=check.secret(table, _AT, "webhook_secret_file"),
        mqtt=check.flag(table, _AT, "mqtt", default=False),
        addresses_file=check.secret(table, _AT, "addresses_file"),
        manners=_manners(check, table),
    )


def _manners(check: Check, table: Table) -> NotificationPolicy:
    usual = {f.name: f.default for f in fields(NotificationPolicy)}
    digest, begin, end = (
        _minute(check, table, key, int(str(usual[f"{key}_min"]))) for key in ("digest_at", "quiet_from", "quiet_until")
    )
    inside = begin <= digest < end if begin <= end else digest >= begin or digest < end
    if inside:
        check.fault("notify.digest_at", table.get("digest_at", "06:15"), "a time outside the quiet hours")
    return NotificationPolicy(
        digest_at_min=digest,
        quiet_from_min=begin,
        quiet_until_min=end,
        interruptions_a_week=_whole(check, table, "interruptions_a_week", 3, 0, 100),
        off_season_interruptions_a_fortnight=_whole(check, table, "off_season_interruptions_a_fortnight", 1, 0, 100),
        season=(
            _whole(check, table, "season_from_month", 4, 1, 12),
            _whole(check, table, "season_until_month", 9, 1, 12),
        ),
        digest_when_empty=check.flag(table, _AT, "digest_when_empty", default=False),
        gather_min=check.number(table, _AT, "gather_min", 2.0, 0.0, 60.0),
    )


def _minute(check: Check, table: Table, key: str, default: int) -> int:
    """A time of day as minutes after midnight."""
    value = table.get(key)
    if isinstance(value, datetime.time) and not value.second:
        return value.hour * 60 + value.minute
    if value is None:
        return default
    told = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
    if told is None:
        check.fault(f"{_AT}{key}", value, 'a time of day from "00:00" to "23:59"')
        return default
    return int(told[1]) * 60 + int(told[2])


def _whole(check: Check, table: Table, key: str, default: int, lowest: int, highest: int) -> int:
    value = table.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= highest:
        check.fault(f"{_AT}{key}", value, f"a whole number from {lowest} to {highest}")
        return default
    return value


PLAIN_SECTIONS: Mapping[str, tuple[str, ...]] = {
    "site": ("name", "title", "timezone", "latitude_deg", "longitude_deg", "elevation_m", "country"),
    "data": ("dir", "model_dir"),
    "clock": ("follow",),
    "broker": ("kind", "host", "port", "username", "password_file", "ca_file", "cert_file", "key_file"),
    "store": ("kind", "url", "org", "bucket", "token_file"),
    "pages": ("host", "port"),
    "notify": NOTIFY_KEYS,
    "forecast": ("source",),
    "fixtures": ("source",),
    "work": ("from_hour", "until_hour"),
    "water": ("restricted",),
}


class ConfigFault(ValueError):
    """Settings that cannot be used. `faults` lists every one as `file: key: found X, expected Y`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


def read_secret(path: Path) -> str:
    """The secret in a file, without the line end."""
    return path.read_text(encoding="utf-8").strip()


def load(path: Path | str, environment: Mapping[str, str] | None = None, *, known: Vocabulary) -> SiteConfig:
    """The settings in a file, with those of the environment over them.

    Parameters
    ----------
    path : Path or str
        The TOML file.
    environment : mapping of str to str, optional
        The process's environment; none of it counts when it is not handed over.
    known : Vocabulary
    known : Vocabulary

    Raises
    ------
    ConfigFault
        With every fault found.
    """
    file = Path(path)
    try:
        table: dict[str, Any] = tomllib.loads(file.read_bytes().decode())
    except OSError as err:
        raise ConfigFault([f"{file}: found no file to read ({err.strerror}), expected the server's TOML"]) from err
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as err:
        raise ConfigFault([f"{file.name}: found text that is not TOML ({err}), expected TOML in UTF-8"]) from err
    check = Check(file.name, file.absolute().parent)
    _lay_over(table, {} if environment is None else environment)
    config = _site_config(check, table, known)
    if check.faults:
        raise ConfigFault(check.faults)
    return config


def _lay_over(table: dict[str, Any], environment: Mapping[str, str]) -> None:
    """Put the environment's values over the plain sections. A value that is no TOML value is taken as text."""
    for section, keys in PLAIN_SECTIONS.items():
        for key in keys:
            text = environment.get(f"UNDERTURF_{section}_{key}".upper())
            if text is None or not isinstance(table.setdefault(section, {}), dict):
                continue
            try:
                value: Any = tomllib.loads(f"value = {text}")["value"]
            except tomllib.TOMLDecodeError:
                value = text
            table[section][key] = value


def _site_config(check: Check, table: Table, known: Vocabulary) -> SiteConfig:
    check.keys(table, "", (*PLAIN_SECTIONS, "alerts", "surface", "bound", "climate"))
    for section, keys in PLAIN_SECTIONS.items():
        check.keys(check.table(table, "", section), f"{section}.", keys)
    site = _site(check, check.table(table, "", "site"))
    data = check.table(table, "", "data")
    model_dir = check.directory(data, "data.", "model_dir")
    return SiteConfig(
        site=site,
        surfaces=surfaces_of(check, table, ZoneInfo(site.timezone), model_dir, known),
        data_dir=check.path(data, "data.", "dir", "data") or check.folder,
        broker=_broker(check, check.table(table, "", "broker")),
        store=_store(check, check.table(table, "", "store")),
        pages=PagesConfig(
            check.text(check.table(table, "", "pages"), "pages.", "host", "127.0.0.1"),
            check.port(check.table(table, "", "pages"), "pages.", "port", 8420),
        ),
        notify=notify_of(check, check.table(table, "", "notify")),
        alerts=alerts_of(check, check.table(table, "", "alerts"), known.alerts),
        passes=known.passes,
        ahead=ahead_of(check, table),
        clock_follow=check.path(check.table(table, "", "clock"), "clock.", "follow", None),
    )


def _site(check: Check, table: Table) -> Site:
    timezone = check.text(table, "site.", "timezone", "UTC")
    try:
        ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        check.fault("site.timezone", timezone, "a name of the IANA time zone list that this machine has, as 'UTC'")
        timezone = "UTC"
    name = check.slug(table, "site.", "name")
    return Site(
        name=name,
        title=check.text(table, "site.", "title", name),
        timezone=timezone,
        latitude_deg=check.optional_number(table, "site.", "latitude_deg", -90.0, 90.0),
        longitude_deg=check.optional_number(table, "site.", "longitude_deg", -180.0, 180.0),
        elevation_m=check.number(table, "site.", "elevation_m", 0.0, -430.0, 6000.0),
        country=check.text(table, "site.", "country", ""),
    )


def _broker(check: Check, table: Table) -> BrokerConfig:
    kind = check.one_of(table, "broker.", "kind", ("embedded", "external"), "embedded")
    host = check.text(table, "broker.", "host", "127.0.0.1")
    if kind == "embedded":
        foreign = ("username", "password_file", "ca_file", "cert_file", "key_file")
        check.only_with(table, "broker.", foreign, 'broker.kind is "external": the embedded one is on loopback only')
        if host not in ("127.0.0.1", "localhost", "::1"):
            expected = '127.0.0.1: nodes on other machines need a broker of their own and broker.kind = "external"'
            check.fault("broker.host", host, expected)
    if ("cert_file" in table) != ("key_file" in table):
        check.missing("broker." + ("key_file" if "cert_file" in table else "cert_file"), "it beside its fellow")
    if "password_file" in table and "username" not in table:
        check.missing("broker.username", "a name to go with broker.password_file")
    return BrokerConfig(
        kind,
        host,
        check.port(table, "broker.", "port", 1883),
        check.text(table, "broker.", "username", ""),
        *(check.secret(table, "broker.", key) for key in ("password_file", "ca_file", "cert_file", "key_file")),
    )


def _store(check: Check, table: Table) -> StoreConfig:
    kind = check.one_of(table, "store.", "kind", ("sqlite", "influx"), "sqlite")
    if kind == "sqlite":
        check.only_with(table, "store.", ("url", "org", "bucket", "token_file"), 'store.kind is "influx"')
        return StoreConfig()
    if "token_file" not in table:
        check.missing("store.token_file", "a path to the file that holds the store's token")
    return StoreConfig(
        kind,
        check.web_address(table, "store.", "url", None),
        check.text(table, "store.", "org", None),
        check.text(table, "store.", "bucket", None),
        check.secret(table, "store.", "token_file"),
    )
