"""What lies in the ground of a surface: each probe with the depth of its top, and whether the diary says it is lifted.

Pure: it is handed the surface and the entries. It must not decide what lies in the way of which blades; `locks` does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from pipeline.advice.locks import Buried
from pipeline.site import InstalledProbe, Surface
from pipeline.store.entry import DiaryEntry

ENTRY_KINDS = ("lift", "return", "depth")  # what must be handed in


def buried(
    surface: Surface, entries: Iterable[DiaryEntry], at_ms: int, *, station: str | None = None
) -> tuple[Buried, ...]:
    """Every probe with something in the ground.

    Parameters
    ----------
    surface : Surface
    entries : iterable of DiaryEntry
        Of `ENTRY_KINDS`; those of other surfaces or after the moment are passed over.
    at_ms : int
        The moment. [ms since 1970, UTC]
    station : str, optional
        Only what lies at this station.

    Returns
    -------
    tuple of Buried
        In the order of the settings. A name that two stations share has its station before it.
    """
    before = sorted((e for e in entries if e.surface == surface.name and e.at_ms <= at_ms), key=lambda e: e.at_ms)
    moved = {(e.station, e.body.get("probe")): e.kind for e in before if e.kind in ("lift", "return")}
    measured_mm = {str(e.body.get("channel")): e.body.get("depth_mm") for e in before if e.kind == "depth"}
    names = Counter(probe.name for s in surface.stations for probe in s.probes)
    found = []
    for each in surface.stations:
        for probe in each.probes if station in (None, each.name) else ():
            top_m = _top_m(probe, measured_mm)
            if top_m is not None:
                name = probe.name if names[probe.name] == 1 else f"{each.name}/{probe.name}"
                found.append(Buried(name, top_m, lifted=moved.get((each.name, probe.name)) == "lift"))
    return tuple(found)


def _top_m(probe: InstalledProbe, measured_mm: dict[str, object]) -> float | None:
    """Depth of the top of what it senses with, its shallowest channel; None for what is not left in the ground. [m]"""
    if probe.description.protocol == "cone":
        return None
    tops = []
    for installed in probe.channels:
        depth_m, measured = installed.channel.depth_m, measured_mm.get(installed.id)
        if depth_m is not None:
            depth_m = measured / 1000 if isinstance(measured, int | float) else depth_m
            tops.append(max(depth_m - installed.channel.sensing_height_m / 2, 0.0))
    return min(tops, default=None)
