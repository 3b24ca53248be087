"""A site of virtual probes: what stands where, on which line, over which span of time.

A playback or a scenario makes one for `player`. `describe` gives what the outside may know: enough to write the
configuration of an agent and of a server, and nothing of the truth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from hardware.probe import load_probe
from simulator.clock import ClockSteps
from simulator.penetrometer import VirtualPenetrometer
from simulator.probes import VirtualProbe

DESCRIPTION_VERSION = 1
CLOCK_SOCKET = "clock.sock"
REGISTER_LINE, REGISTER_MODEL, REGISTER_ADDRESS = "rs485", "register_profile", "17"


@dataclass(frozen=True)
class VirtualStation:
    """One place in a surface.

    Attributes
    ----------
    facts : mapping
        Further keys of a station in the server's configuration, as they stand there: `soil`, `thatch_medium`,
        `root_zone_mm` and so on, and `core`, a list of dated thatch thicknesses.
    """

    name: str
    title: str
    facts: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class VirtualSurface:
    """One surface with its stations."""

    name: str
    title: str
    kind: str
    stations: Sequence[VirtualStation]


@dataclass(frozen=True)
class VirtualLine:
    """One serial line; `protocol` as in probe descriptions."""

    name: str
    protocol: str = "sdi12"
    baud: int = 1200


@dataclass(frozen=True)
class Installed:
    """A probe on a line. `address` is empty where the protocol has none.

    `interval_s` is how often to read it where that is not the site's; `settings` are further keys of the probe in the
    server's configuration, as they stand there.
    """

    probe: VirtualProbe | VirtualPenetrometer
    line: str
    address: str = ""
    interval_s: int | None = None
    settings: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class VirtualSite:
    """Everything that is played.

    Attributes
    ----------
    start_ms, history_end_ms : int
        The history, in lock-step. [ms since 1970, UTC]
    end_ms : int or None
        First moment for which there is no more truth. [ms since 1970, UTC] None: it never ends.
    interval_s, rain_interval_s : int
        How often to read the probes, and while it rains, for every value to be seen once. [s]
    fine_from_ms, fine_interval_s : int or None
        From when in the history the probes are to be read oftener, and how often. [ms since 1970, UTC], [s]
    clock_steps : sequence of (int, int)
        When the clock of the node jumps, and by how much. [ms since 1970, UTC], [ms]
    origin : str
        What the values are, in a sentence a visitor of the demo may read.
    """

    name: str
    title: str
    timezone: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    surfaces: Sequence[VirtualSurface]
    lines: Sequence[VirtualLine]
    installed: Sequence[Installed]
    start_ms: int
    history_end_ms: int
    end_ms: int | None
    interval_s: int
    rain_interval_s: int
    origin: str
    node: str = "node-1"
    fine_from_ms: int | None = None
    fine_interval_s: int | None = None
    clock_steps: ClockSteps = ()


def describe(site: VirtualSite, folder: Path, *, rate: float) -> dict[str, object]:
    """Return what the outside may know, as a JSON object; the form of `ready.json`.

    Parameters
    ----------
    site : VirtualSite
    folder : Path
        Where lines and clock are served.
    rate : float
        Simulated seconds in a real second once the history is over.

    Returns
    -------
    dict
        `version`, `origin`, `site` (name, title, timezone, latitude_deg, longitude_deg, elevation_m), `node`,
        `interval_s`, `rain_interval_s`, `clock` (path of the socket), `start_ms`, `history_end_ms`, `end_ms` (or
        null), `fine_from_ms` and `fine_interval_s` (or null), `rate`, `lines` (name, port, protocol, baud), `surfaces`
        (name, title, kind, stations: name, title, facts) and `probes` (name, station, model, line, address or null,
        interval_s, rain_interval_s, settings). Every probe should be given its intervals: an agent asks a dock more
        often by itself, and each time is a step of history.
    """
    return {
        "version": DESCRIPTION_VERSION,
        "origin": site.origin,
        "site": {
            "name": site.name,
            "title": site.title,
            "timezone": site.timezone,
            "latitude_deg": site.latitude_deg,
            "longitude_deg": site.longitude_deg,
            "elevation_m": site.elevation_m,
        },
        "node": site.node,
        "interval_s": site.interval_s,
        "rain_interval_s": site.rain_interval_s,
        "clock": str(folder / CLOCK_SOCKET),
        "start_ms": site.start_ms,
        "history_end_ms": site.history_end_ms,
        "end_ms": site.end_ms,
        "fine_from_ms": site.fine_from_ms,
        "fine_interval_s": site.fine_interval_s,
        "rate": rate,
        "lines": [
            {"name": line.name, "port": str(line_path(folder, line.name)), "protocol": line.protocol, "baud": line.baud}
            for line in site.lines
        ],
        "surfaces": [
            {
                "name": surface.name,
                "title": surface.title,
                "kind": surface.kind,
                "stations": [
                    {"name": station.name, "title": station.title, "facts": dict(station.facts)}
                    for station in surface.stations
                ],
            }
            for surface in site.surfaces
        ],
        "probes": [
            {
                "name": each.probe.name,
                "station": each.probe.station,
                "model": each.probe.description.model,
                "line": each.line,
                "address": each.address or None,
                "interval_s": each.interval_s or site.interval_s,
                "rain_interval_s": each.interval_s or site.rain_interval_s,
                "settings": dict(each.settings),
            }
            for each in site.installed
        ],
    }


def with_register_probe(site: VirtualSite) -> VirtualSite:
    """Return the site with one probe more, over Modbus on a line of its own, in the ground of the first probe there."""
    beside = next(one.probe for one in site.installed if isinstance(one.probe, VirtualProbe))
    description = load_probe(REGISTER_MODEL)
    probe = VirtualProbe(
        "registers", beside.station, description, beside.truth, installed_ms=beside.installed_ms, seed=beside.seed
    )
    return replace(
        site,
        lines=[*site.lines, VirtualLine(REGISTER_LINE, description.protocol, description.baud)],
        installed=[*site.installed, Installed(probe, REGISTER_LINE, REGISTER_ADDRESS)],
    )


def line_path(folder: Path, name: str) -> Path:
    """Return where a line of that name is to be opened."""
    return folder / f"line-{name}"
