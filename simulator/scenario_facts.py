"""What a scenario is made of: frozen facts of an invented ground before time begins.

Only the facts: `scenario` reads them from a file, `scenario_run` makes ground and weather of them, `scenario_site`
makes virtual probes of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from hardware.probe import ProbeDescription
from simulator.climates import Climate
from simulator.faults import ProbeFault
from simulator.ground import Place


@dataclass(frozen=True)
class Change:
    """What is done to the drawn weather. `value` is mm of a storm, degC of a warmer (or colder) spell."""

    kind: str
    first: datetime
    last: datetime
    value: float = 0.0
    hours: float = 0.0


@dataclass(frozen=True)
class DiaryEntry:
    """One thing a groundsman did, at one moment, to some stations (none named: all)."""

    kind: str
    at: datetime
    stations: tuple[str, ...] = ()
    water_mm: float = 0.0
    hours: float = 0.0
    name: str = ""  # of the pass, or what the fixture was

    def concerns(self, station: str) -> bool:
        """Whether it was done at that station; `green` names all of `green-1`, `green-2` and so on."""
        return not self.stations or station in self.stations or station.rpartition("-")[0] in self.stations


@dataclass(frozen=True)
class ProbePlan:
    """A probe to be put in. `settings` are further keys of the probe in the server's configuration."""

    name: str
    description: ProbeDescription
    failings: str = "ordinary"
    depth_shift_m: float = 0.0
    settings: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class StationPlan:
    """One station; of several made from one table each has its own `spread` of factors and its own `number`."""

    name: str
    title: str
    facts: Mapping[str, object]
    place: Place
    first_head_m: float
    first_temperature_degc: float
    rooted_to_m: float
    probes: tuple[ProbePlan, ...]
    number: int
    spread: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class SurfacePlan:
    """One surface with its stations."""

    name: str
    title: str
    kind: str
    stations: tuple[StationPlan, ...]


@dataclass(frozen=True)
class Scenario:
    """Everything there is to know of an invented ground before time begins.

    Attributes
    ----------
    start, days, lead_days
        The told history begins at `start`, after `lead_days` that settle the ground and are not told.
    faults : mapping of `station/probe` to faults
    clock_steps : tuple of (datetime, float)
        When the node's clock jumps, and by how much. [s]
    """

    name: str
    title: str
    story: str
    seed: int
    start: datetime
    days: int
    lead_days: int
    climate: Climate
    site_title: str
    timezone: str
    changes: tuple[Change, ...]
    surfaces: tuple[SurfacePlan, ...]
    diary: tuple[DiaryEntry, ...]
    faults: Mapping[str, tuple[ProbeFault, ...]]
    clock_steps: tuple[tuple[datetime, float], ...]

    @property
    def stations(self) -> tuple[StationPlan, ...]:
        """All stations, in order."""
        return tuple(station for surface in self.surfaces for station in surface.stations)
