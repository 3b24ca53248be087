"""Names of units as files have them, and how a number in one becomes one in the canonical unit of a quantity.

Factors: International System of Units (BIPM, 9th edition, 2019) and NIST Special Publication 811 (2008), appendix B,
held against the constants of scipy in the tests. A langley is 41 840 J m-2.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping

Linear = tuple[float, float]
"""Slope and offset: canonical = slope x number + offset."""


def _alike(slope: float, *names: str, offset: float = 0.0) -> dict[str, Linear]:
    return {name: (slope, offset) for name in names}


_LENGTHS = {"m": 1.0, "dm": 0.1, "cm": 0.01, "mm": 1e-3, "in": 0.0254, "inch": 0.0254, "ft": 0.3048}
_PER_UNIT: Mapping[str, Mapping[str, Linear]] = {
    "1": _alike(1.0, "1", "-", "/"),
    "m3 m-3": {
        **_alike(1.0, "m3 m-3", "m3/m3", "cm3/cm3", "cm3 cm-3", "l/l", "fraction", "1"),
        **_alike(0.01, "%", "% vol", "%vol", "vol%", "vol.%", "vol.-%", "vol %", "percent", "% v/v", "m3/m3*100"),
    },
    "degC": {
        **_alike(1.0, "degC", "C", "deg C", "Cel", "celsius"),
        **_alike(1.0, "K", "kelvin", offset=-273.15),
        **_alike(5.0 / 9.0, "degF", "F", "deg F", "fahrenheit", offset=-160.0 / 9.0),
    },
    "dS m-1": {
        **_alike(1.0, "dS m-1", "dS/m", "mS/cm", "mS cm-1", "mmho/cm"),
        **_alike(1e-3, "uS/cm", "uS cm-1"),
        **_alike(0.01, "mS/m", "mS m-1"),
        **_alike(10.0, "S/m", "S m-1"),
    },
    "mm": {
        **{name: (1000.0 * metres, 0.0) for name, metres in _LENGTHS.items()},
        **_alike(1.0, "l/m2", "l m-2", "kg/m2", "kg m-2"),
        **_alike(0.1, "0.1 mm", "mm/10"),
        **_alike(0.254, "0.01 in"),
    },
    "m": {name: (metres, 0.0) for name, metres in _LENGTHS.items()},
    "%": {**_alike(1.0, "%", "percent", "%RH", "% RH"), **_alike(100.0, "fraction", "1")},
    "m s-1": {
        **_alike(1.0, "m s-1", "m/s"),
        **_alike(1000.0 / 3600.0, "km/h", "km h-1", "kph"),
        **_alike(0.44704, "mph", "mi/h"),
        **_alike(1852.0 / 3600.0, "kn", "kt", "knots"),
        **_alike(0.3048, "ft/s"),
    },
    "W m-2": {
        **_alike(1.0, "W m-2", "W/m2"),
        **_alike(1000.0, "kW/m2", "kW m-2"),
        **_alike(41_840.0 / 3600.0, "ly/h", "langley/h"),
        **_alike(1e6 / 3600.0, "MJ/m2/h", "MJ m-2 h-1"),
        **_alike(1e3 / 3600.0, "kJ/m2/h", "kJ m-2 h-1"),
        **_alike(1e4 / 3600.0, "J/cm2/h"),
    },
    "N": {
        **_alike(1.0, "N"), **_alike(1000.0, "kN"), **_alike(9.80665, "kgf", "kg"), **_alike(4.4482216152605, "lbf"),
    },
    "kPa": {
        **_alike(1.0, "kPa", "cbar", "J/kg"),
        **_alike(1000.0, "MPa", "N/mm2"),
        **_alike(0.001, "Pa"),
        **_alike(0.1, "hPa", "mbar"),
        **_alike(100.0, "bar"),
        **_alike(98.0665, "kgf/cm2"),
        **_alike(6.894757293168361, "psi"),
        **_alike(0.0980665, "cmH2O", "cm H2O", "cmWC"),
    },
    "V": {**_alike(1.0, "V"), **_alike(1e-3, "mV"), **_alike(1e-6, "uV")},
}  # fmt: skip
_SPELLINGS = str.maketrans({"°": "deg", "²": "2", "³": "3", "µ": "u", "μ": "u", "⁻": "-", "¹": "1", "^": "", "·": " "})


def names_of_units(canonical: str) -> tuple[str, ...]:
    """Return the names under which numbers of a quantity with this canonical unit may come."""
    return tuple(_PER_UNIT.get(canonical, {canonical: (1.0, 0.0)}))


def to_canonical(name: str, canonical: str) -> Linear:
    """Return slope and offset that make a number in the unit `name` one in a canonical unit.

    Raises
    ------
    ValueError
        `found, expected`, with the nearest name.
    """
    known = _PER_UNIT.get(canonical, {canonical: (1.0, 0.0)})
    spelled = " ".join(name.translate(_SPELLINGS).split())
    if spelled in known:
        return known[spelled]
    near = difflib.get_close_matches(spelled, known, 1)
    hint = f", nearest {near[0]!r}" if near else ""
    raise ValueError(f"found {name!r}, expected one of {', '.join(names_of_units(canonical))}{hint}")
