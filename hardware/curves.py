"""Calibration curves by name: what each reads, what it gives, and the parameters it takes.

A probe description names a curve, and whoever loads it, agent or server, is told here whether there is such a curve,
whether its parameters fit, and whether it makes what is to be observed of what is heard. The sums themselves are the
pipeline's, in `pipeline.soil.calibration`.
"""

from __future__ import annotations

import difflib
import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

Limits = tuple[float, float]

ANY_QUANTITY = "any quantity"
WHAT_IT_READS = "what it reads"
ANY_NUMBER: Limits = (-1e9, 1e9)
_NONE: Mapping[str, Limits] = MappingProxyType({})
TEMPERATURE_PARAMETERS: Mapping[str, Limits] = MappingProxyType(
    {"reading_per_degc": (-1000.0, 1000.0), "reference_degc": (-10.0, 50.0)}
)
"""Parameters that every curve takes beside its own: the rise of the reading for one degree at unchanged water [unit of
the reading per degC], and the temperature at which the curve holds [degC]. The limits keep out slips of the pen."""
MAX_POINTS = 100
CORRECTION_REACH_M = 0.05  # a thermometer further off in depth says nothing of a probe: common practice, no source


@dataclass(frozen=True, slots=True)
class CurveSignature:
    """What can be said of a curve without its sum.

    Attributes
    ----------
    name : str
        As written in a probe description.
    reads : str
        Quantity of the number heard, in its canonical unit; or `ANY_QUANTITY`.
    gives : str
        Quantity of the observation; or `ANY_QUANTITY`, or `WHAT_IT_READS`.
    required, optional : mapping of parameter name to (low, high)
        Parameters and the range, both ends included, in which the curve was calibrated or makes sense.
    has_points : bool
        Whether it is a table: `points`, a list of pairs of a reading and what it stands for.
    """

    name: str
    reads: str
    gives: str
    required: Mapping[str, Limits] = field(default_factory=lambda: _NONE)
    optional: Mapping[str, Limits] = field(default_factory=lambda: _NONE)
    has_points: bool = False


def _of_permittivity(
    name: str, required: Mapping[str, Limits] = _NONE, optional: Mapping[str, Limits] = _NONE
) -> CurveSignature:
    return CurveSignature(name, "apparent_permittivity", "water_content", required, optional)


SIGNATURES: Mapping[str, CurveSignature] = MappingProxyType(
    {
        signature.name: signature
        for signature in (
            CurveSignature("identity", ANY_QUANTITY, WHAT_IT_READS),
            CurveSignature(
                "linear",
                ANY_QUANTITY,
                ANY_QUANTITY,
                {"slope": ANY_NUMBER, "offset": ANY_NUMBER},
                {"reading_low": ANY_NUMBER, "reading_high": ANY_NUMBER},
            ),
            # a curve of one's own beyond its readings is anything: its range is not to be left out
            CurveSignature(
                "polynomial",
                ANY_QUANTITY,
                ANY_QUANTITY,
                {"c0": ANY_NUMBER, "c1": ANY_NUMBER, "reading_low": ANY_NUMBER, "reading_high": ANY_NUMBER},
                {"c2": ANY_NUMBER, "c3": ANY_NUMBER, "c4": ANY_NUMBER, "c5": ANY_NUMBER},
            ),
            CurveSignature("table", ANY_QUANTITY, ANY_QUANTITY, has_points=True),
            CurveSignature(
                "van_genuchten",
                "soil_water_potential",
                "water_content",
                # sand has 1.5 1/kPa and 2.7, clay 0.08 and 1.09 (Carsel & Parrish 1988); peat as much water as 0.95
                {"theta_r": (0.0, 0.4), "theta_s": (0.2, 0.97), "alpha_per_kpa": (0.001, 20.0), "n": (1.01, 10.0)},
            ),
            _of_permittivity("topp_1980"),
            _of_permittivity("topp_organic"),
            _of_permittivity("roth_organic"),
            _of_permittivity("roth_mineral"),
            _of_permittivity("kellner_lundin"),
            _of_permittivity("nagare"),
            _of_permittivity("myllys_simojoki"),
            _of_permittivity("schaap"),
            # 0.13 is the lightest peat of Malicki, Plagge & Roth 1996; the other limits are from memory
            _of_permittivity("malicki_bulk_density", {"bulk_density_g_cm3": (0.13, 2.0)}),
            _of_permittivity("malicki_porosity", {"porosity": (0.33, 0.95)}),
            _of_permittivity(
                "crim",
                {"porosity": (0.2, 0.97)},
                {"solid_permittivity": (2.0, 12.0), "water_permittivity": (60.0, 90.0)},
            ),
            # the two cones of ASAE S313.3 have 129 and 323 mm2; the limits are common practice, no source
            CurveSignature("cone_base_area", "cone_force", "cone_resistance", {"base_mm2": (10.0, 1000.0)}),
        )
    }
)


def curves_between(heard: str, quantity: str) -> tuple[str, ...]:
    """Return the names of the curves that make an observation of `quantity` out of `heard`.

    A running total of rain passes as it is heard: the pipeline works the rain out from reading to reading.
    """
    as_heard = quantity == heard or (heard, quantity) == ("rain_total", "rain")
    return tuple(
        name
        for name, curve in SIGNATURES.items()
        if (as_heard if curve.gives == WHAT_IT_READS else curve.gives in (ANY_QUANTITY, quantity))
        and curve.reads in (ANY_QUANTITY, heard)
    )


def curve_faults(name: object, parameters: Mapping[str, object]) -> list[str]:
    """Return what is wrong with a calibration as it is written.

    Parameters
    ----------
    name : object
        What is written for `curve`; None where nothing is.
    parameters : mapping of str to object
        Everything written beside `curve` and `source`.

    Returns
    -------
    list of str
        One fault each, `key: found, expected`; empty when the calibration can be used.
    """
    signature = SIGNATURES.get(name) if isinstance(name, str) else None
    if signature is None:
        found = "nothing" if name is None else repr(name)
        return [f"curve: found {found}, expected one of {', '.join(SIGNATURES)}{_nearest(name, SIGNATURES)}"]
    own = {**signature.required, **signature.optional}
    known = {**own, **TEMPERATURE_PARAMETERS}
    faults = [
        f"{key}: found nothing, expected a number from {low:g} to {high:g}: curve {name!r} needs it"
        for key, (low, high) in signature.required.items()
        if key not in parameters
    ]
    faults += _points_faults(signature, parameters.get("points"))
    for key, value in parameters.items():
        if key == "points" and signature.has_points:
            continue
        if key not in known:
            expected = ", ".join(own) or "no parameter"
            faults.append(f"{key}: found {value!r}, expected {expected} for curve {name!r}{_nearest(key, known)}")
            continue
        low, high = known[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            faults.append(f"{key}: found {value!r}, expected a number from {low:g} to {high:g} for curve {name!r}")
    if "reference_degc" in parameters and "reading_per_degc" not in parameters:
        faults.append(
            "reading_per_degc: found nothing, expected it beside reference_degc: both correct for temperature"
        )
    return faults


def _points_faults(signature: CurveSignature, points: object) -> list[str]:
    """What is wrong with the points of a table."""
    if not signature.has_points:
        return []
    expected = f"2 to {MAX_POINTS} pairs of a reading and what it stands for, as [[0.4, 0.05], [1.1, 0.38]]"
    if not isinstance(points, list | tuple) or not 2 <= len(points) <= MAX_POINTS:
        found = "nothing" if points is None else f"{len(points)} of them" if isinstance(points, list) else repr(points)
        return [f"points: found {found}, expected {expected}"]
    for pair in points:
        numbers = isinstance(pair, list | tuple) and len(pair) == 2
        if not numbers or not all(_is_plain(one) for one in pair):
            return [f"points: found {pair!r}, expected {expected}"]
    for (before, _), (after, _) in itertools.pairwise(points):
        if not before < after:
            return [f"points: found the reading {after!r} after {before!r}, expected readings that increase"]
    return []


def _is_plain(one: object) -> bool:
    return isinstance(one, int | float) and not isinstance(one, bool) and abs(one) <= ANY_NUMBER[1]


def _nearest(word: object, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1) if isinstance(word, str) else []
    return f", nearest {near[0]!r}" if near else ""
