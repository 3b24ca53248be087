"""The media a probe may sit in: kinds of thatch, mat and soil, with the range of what each can hold.

These are working ranges to start from, most of them common practice or from memory; each is to be replaced by the
site's own readings. This module must not be taken for a source: `Medium.status` says what stands behind a row, and
anything drawn from a row alone is provisional.
"""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass

Range = tuple[float, float]

ORGANIC_PARTICLE_DENSITY_G_CM3 = 1.45  # working value, common practice, no source
MINERAL_PARTICLE_DENSITY_G_CM3 = 2.65  # quartz and clay minerals, common practice

_WORKING = (
    "working range, common practice or from memory, no source; porosity from bulk density and particle density; "
    "replace by site readings"
)


@dataclass(frozen=True, slots=True)
class Medium:
    """One kind of thatch or soil; every range is (low, high).

    Attributes
    ----------
    name, title : str
        As written in the configuration, and in words.
    bulk_density_g_cm3 : (float, float)
        Dry. [g cm-3]
    porosity : (float, float)
        Pore volume over total volume. [m3 m-3]
    saturated, drained, wilting : (float, float)
        Water content with the pores as full as they get in the field, at -10 kPa (or as the note says), and at
        -1500 kPa. [m3 m-3]
    saturated_conductivity_mm_h : (float, float)
        [mm h-1] The upper end is infinite where only a lower bound is asked for.
    is_thatch : bool
        Thatch or mat, lying above the soil.
    status : str
        What stands behind the row.
    """

    name: str
    title: str
    bulk_density_g_cm3: Range
    porosity: Range
    saturated: Range
    drained: Range
    wilting: Range
    saturated_conductivity_mm_h: Range
    is_thatch: bool = False
    status: str = _WORKING

    @property
    def dry_prior(self) -> float:
        """Dry limit to start from: the middle of the wilting range. [m3 m-3]"""
        return middle(self.wilting)

    @property
    def drained_prior(self) -> float:
        """Drained limit to start from: the middle of the drained range. [m3 m-3]"""
        return middle(self.drained)

    @property
    def fullest(self) -> float:
        """Most water the medium can hold: the upper end of porosity and of saturation. [m3 m-3]"""
        return max(self.porosity[1], self.saturated[1])


def middle(limits: Range) -> float:
    """Middle of a range, in its own unit."""
    return (limits[0] + limits[1]) / 2.0


def porosity_of(bulk_density_g_cm3: float, organic_fraction: float) -> float:
    """Porosity from dry bulk density and the share of organic matter by mass.

    Parameters
    ----------
    bulk_density_g_cm3 : float
        [g cm-3] 0 or more.
    organic_fraction : float
        Organic matter over dry mass, 0 to 1. [kg kg-1]

    Returns
    -------
    float
        1 - bulk density x specific volume of the solids. [m3 m-3] Negative where the two cannot go together.

    References
    ----------
    Definition of porosity; particle densities 1.45 and 2.65 g/cm3 are working values, common practice.
    """
    specific_volume = (
        organic_fraction / ORGANIC_PARTICLE_DENSITY_G_CM3 + (1.0 - organic_fraction) / MINERAL_PARTICLE_DENSITY_G_CM3
    )
    return 1.0 - bulk_density_g_cm3 * specific_volume


_TABLE = (
    Medium(
        "raw_thatch", "raw thatch",
        (0.10, 0.25), (0.87, 0.93), (0.75, 0.88), (0.15, 0.35), (0.05, 0.12), (200.0, 2000.0),
        is_thatch=True, status=_WORKING + "; drains fast, may repel",
    ),
    Medium(
        "decayed_thatch", "decayed thatch",
        (0.25, 0.60), (0.74, 0.87), (0.65, 0.80), (0.35, 0.55), (0.12, 0.22), (20.0, 300.0),
        is_thatch=True, status=_WORKING + "; the sponge",
    ),
    Medium(
        "mat", "mat diluted with sand",
        (0.9, 1.2), (0.53, 0.63), (0.45, 0.58), (0.25, 0.40), (0.06, 0.12), (50.0, 400.0), is_thatch=True,
    ),
    Medium(
        "sand", "sand root zone",
        (1.4, 1.6), (0.35, 0.55), (0.35, 0.45), (0.15, 0.25), (0.02, 0.05), (150.0, float("inf")),
        status="porosity, drained water and conductivity as in the USGA putting green specification, where drained "
        "means held at 300 mm suction (about 0.08 to 0.15 at -10 kPa, common practice); the rest is a " + _WORKING,
    ),
    Medium(
        "sandy_loam", "sandy loam",
        (1.3, 1.5), (0.43, 0.50), (0.40, 0.46), (0.18, 0.28), (0.06, 0.16), (10.0, 40.0),
        status="drained and wilting from memory of FAO-56 Table 19; the rest is a " + _WORKING,
    ),
    Medium(
        "loam", "loam",
        (1.25, 1.45), (0.45, 0.52), (0.42, 0.48), (0.20, 0.30), (0.07, 0.17), (5.0, 15.0),
        status="drained and wilting from memory of FAO-56 Table 19; the rest is a " + _WORKING,
    ),
    Medium(
        "clay_loam", "cricket clay loam, unrolled",
        (1.20, 1.20), (0.52, 0.52), (0.48, 0.52), (0.34, 0.40), (0.20, 0.24), (1.0, 10.0),
        status=_WORKING + "; cracks",
    ),
    Medium(
        "club_clay_loam", "cricket clay loam, club pitch",
        (1.55, 1.55), (0.38, 0.38), (0.36, 0.40), (0.30, 0.36), (0.18, 0.24), (0.1, 2.0),
    ),
    Medium(
        "first_class_clay_loam", "cricket clay loam, first-class pitch",
        (1.8, 1.9), (0.25, 0.29), (0.25, 0.30), (0.22, 0.28), (0.16, 0.22), (0.0, 0.5),
    ),
)  # fmt: skip

MEDIA: Mapping[str, Medium] = {medium.name: medium for medium in _TABLE}


def medium(name: str) -> Medium:
    """The medium of that name.

    Raises
    ------
    KeyError
        With the names there are, and the nearest.
    """
    if name not in MEDIA:
        near = difflib.get_close_matches(name, MEDIA, 1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise KeyError(f"medium: found {name!r}, expected one of {', '.join(MEDIA)}.{hint}")
    return MEDIA[name]
