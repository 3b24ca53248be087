"""How the machines of the nodes are: what each last said of its supply, warmth, disk and radio, and its last days."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass

from pipeline.units import DAY_MS

DAYS_KEPT = 14
BOUNDS: dict[str, tuple[float, float]] = {
    "supply_v": (0.0, 1000.0),
    "temperature_degc": (-100.0, 200.0),
    "disk_free_bytes": (0.0, 1e18),
    "disk_total_bytes": (0.0, 1e18),
    "signal_dbm": (-200.0, 0.0),
    "uptime_s": (0.0, 1e10),
}


DEVICE_BOUNDS: dict[str, tuple[float, float]] = {
    "at_ms": (0.0, 1e14),
    "missed": (0.0, 1e15),
    "battery_v": (0.0, 1000.0),
    "signal_dbm": (-200.0, 0.0),
}


class BadHealth(ValueError):
    """What a node says of its machine cannot be read; the text is the reason."""


@dataclass(frozen=True, slots=True)
class SupplyDay:
    """Lowest and highest supply that a node told in one day (UTC), which began at `day_ms`. [V]"""

    day_ms: int
    lowest_v: float
    highest_v: float


@dataclass(frozen=True, slots=True)
class NodeHealth:
    """What a node last said, by the names of `BOUNDS`, when, and its supply in the last days, the newest last."""

    at_ms: int
    values: Mapping[str, float]
    supply_days: tuple[SupplyDay, ...] = ()

    def lowest_v(self, days: int) -> float | None:
        """Return the lowest supply of the newest days. [V]"""
        return min((one.lowest_v for one in self.supply_days[-days:]), default=None)


def health_after(before: NodeHealth | None, said: object, at_ms: int) -> NodeHealth | None:
    """Return what is known of a machine after a status; what it was before where the status says nothing.

    Parameters
    ----------
    before : NodeHealth, optional
    said : object
        What stood under `health`, of whatever kind. Names that are not known are left out: a newer node says more.
    at_ms : int
        When it was heard. [ms since 1970, UTC]

    Raises
    ------
    BadHealth
        Naming the value, what was found and what was expected.
    """
    if said is None:
        return before
    if not isinstance(said, dict):
        raise BadHealth(f"status.health: found {said!r:.80}, expected names with a number each")
    values = {name: _number(name, said[name], "status.health", BOUNDS[name]) for name in BOUNDS if name in said}
    days = () if before is None else before.supply_days
    return NodeHealth(at_ms, values, _with_supply(days, values.get("supply_v"), at_ms // DAY_MS * DAY_MS))


@dataclass(frozen=True, slots=True)
class DeviceHealth:
    """How a radio node was when a node last heard it [ms since 1970, UTC], and how many of its messages never came."""

    at_ms: int
    missed: int
    battery_v: float | None = None
    signal_dbm: float | None = None


def device_health(name: str, said: object) -> DeviceHealth:
    """Return what a node says of one of its radio nodes. Raises BadHealth."""
    at = f"status.devices.{name:.80}"
    if not isinstance(said, dict):
        raise BadHealth(f"{at}: found {said!r:.80}, expected names with a number each")
    known = {key: _number(key, said[key], at, DEVICE_BOUNDS[key]) for key in DEVICE_BOUNDS if key in said}
    if not {"at_ms", "missed"} <= known.keys():
        raise BadHealth(f"{at}: found {sorted(known)}, expected at_ms and missed among them")
    return DeviceHealth(int(known["at_ms"]), int(known["missed"]), known.get("battery_v"), known.get("signal_dbm"))


def _number(name: str, value: object, at: str, bounds: tuple[float, float]) -> float:
    low, high = bounds
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        raise BadHealth(f"{at}.{name}: found {value!r:.80}, expected a number")
    if not low <= value <= high:
        raise BadHealth(f"{at}.{name}: found {value:g}, expected {low:g} to {high:g}")
    return float(value)


def _with_supply(days: tuple[SupplyDay, ...], supply_v: float | None, day_ms: int) -> tuple[SupplyDay, ...]:
    if supply_v is None:
        return days
    if days and days[-1].day_ms >= day_ms:  # a clock that went back does not begin a day anew
        last = days[-1]
        today = SupplyDay(last.day_ms, min(last.lowest_v, supply_v), max(last.highest_v, supply_v))
        return (*days[:-1], today)
    return (*days, SupplyDay(day_ms, supply_v, supply_v))[-DAYS_KEPT:]


def as_note(health: Mapping[str, NodeHealth]) -> dict[str, object]:
    """Return the health of all nodes as plain tables, to be kept."""
    return {node: {**asdict(one), "values": dict(one.values)} for node, one in health.items()}


def from_note(note: Mapping[str, object]) -> dict[str, NodeHealth]:
    """Return what `as_note` gave; a node whose table is out of form is left out, and says it anew."""
    found: dict[str, NodeHealth] = {}
    for node, kept in note.items():
        try:
            days = tuple(SupplyDay(**day) for day in kept["supply_days"])  # type: ignore[index]
            told = kept["values"].items()  # type: ignore[index]
            values = {name: _number(name, value, "kept", BOUNDS[name]) for name, value in told}
            found[node] = NodeHealth(int(kept["at_ms"]), values, days)  # type: ignore[index]
        except (KeyError, TypeError, ValueError, AttributeError):
            continue
    return found
