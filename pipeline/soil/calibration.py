"""From the number a probe reports to the observation: the named curves, and the temperature correction.

`CURVES` has the equation of every curve that a probe description may name (`hardware.curves.SIGNATURES`). A line fitted
to ring samples of the site goes by the name "linear"; it beats every published curve. Raw readings are not changed: old
data can be redone when a better calibration arrives. Sources stand with the curves; line and correction are algebra.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hardware.curves import SIGNATURES, TEMPERATURE_PARAMETERS, CurveSignature, Limits, curve_faults
from pipeline.soil import permittivity as curves
from pipeline.soil import permittivity as mixing
from pipeline.units import FloatArray

REFERENCE_TEMPERATURE_DEGC = 20.0  # most curves were made in a laboratory near it: common practice, no source


@dataclass(frozen=True)
class CalibrationCurve:
    """The equation of one named curve.

    Attributes
    ----------
    signature : CurveSignature
        What it reads and gives, and its parameters.
    guarded, formula : callable
        `guarded(reading, **parameters)` answers NaN outside the calibrated range; `formula` is the bare
        equation.
    reading_range : (low, high) or None
        Calibrated range of the reading; None where the curve has none.
    source : str
        Paper and table.
    """

    signature: CurveSignature
    guarded: Callable[..., FloatArray]
    formula: Callable[..., FloatArray]
    reading_range: Limits | None
    source: str


def identity(reading: npt.ArrayLike) -> FloatArray:
    """Pass on the reading of a probe which already reports the quantity wanted.

    Parameters
    ----------
    reading : array_like, any shape
        [any unit]

    Returns
    -------
    ndarray, shape of `reading`
        A copy. [unit of `reading`] Impossible values pass: the range test of the layer flags them.
    """
    return np.array(reading, dtype=np.float64)


def linear(
    reading: npt.ArrayLike,
    slope: float,
    offset: float,
    *,
    reading_low: float = -np.inf,
    reading_high: float = np.inf,
) -> FloatArray:
    """Evaluate a straight line from a reading to the observation, refused outside the range it was fitted on.

    Parameters
    ----------
    reading : array_like, any shape
        What the probe says. [its own unit]
    slope, offset : float
        Observation = slope x reading + offset, for water content in [m3 m-3 per unit], [m3 m-3].
    reading_low, reading_high : float
        Sampled range of the reading; NaN outside. [unit of `reading`] Unlimited when not given.

    Returns
    -------
    ndarray, shape of `reading`
        Volumetric water content [m3 m-3], or what else the channel observes, in its unit.
    """
    values = np.asarray(reading, dtype=np.float64)
    return curves.within(slope * values + offset, values, (reading_low, reading_high))


def _linear_formula(reading: npt.ArrayLike, slope: float, offset: float, **_limits: float) -> FloatArray:
    return linear(reading, slope, offset)


def cone_base_area(force: npt.ArrayLike, base_mm2: float) -> FloatArray:
    """Return the cone resistance from the force on the cone: force over base area (ASAE S313.3).

    Parameters
    ----------
    force : array_like, any shape
        [N]
    base_mm2 : float
        Area of the cone's base. [mm2]

    Returns
    -------
    ndarray, shape of `force`
        [kPa]
    """
    return np.asarray(force, dtype=np.float64) * 1000.0 / base_mm2  # N over mm2 is MPa


def _crim_formula(
    permittivity: npt.ArrayLike,
    porosity: npt.ArrayLike,
    *,
    solid_permittivity: npt.ArrayLike = 5.0,
    water_permittivity: npt.ArrayLike = 80.0,
) -> FloatArray:
    return mixing.crim_formula(permittivity, porosity, solid_permittivity, water_permittivity)


def _cubic_curve(
    name: str, coefficients: tuple[float, float, float, float], reading_range: Limits, source: str
) -> CalibrationCurve:
    def formula(permittivity: npt.ArrayLike) -> FloatArray:
        return curves.cubic(permittivity, coefficients)

    return CalibrationCurve(SIGNATURES[name], getattr(curves, name), formula, reading_range, source)


CURVES: Mapping[str, CalibrationCurve] = {
    curve.signature.name: curve
    for curve in (
        CalibrationCurve(SIGNATURES["identity"], identity, identity, None, "the probe's own calibration"),
        CalibrationCurve(SIGNATURES["linear"], linear, _linear_formula, None, "site or bench line"),
        _cubic_curve(
            "topp_1980", curves.TOPP_1980_COEFFICIENTS, curves.TOPP_1980_RANGE,
            "Topp, Davis & Annan 1980, Water Resour. Res. 16(3), 574-582",
        ),
        _cubic_curve(
            "topp_organic", curves.TOPP_ORGANIC_COEFFICIENTS, curves.TOPP_ORGANIC_RANGE,
            "Topp, Davis & Annan 1980, Water Resour. Res. 16(3), 574-582, from memory",
        ),
        _cubic_curve(
            "roth_organic", curves.ROTH_ORGANIC_COEFFICIENTS, curves.ROTH_ORGANIC_RANGE,
            "Roth, Malicki & Plagge 1992, J. Soil Sci. 43, 1-13, Table 3c",
        ),
        _cubic_curve(
            "roth_mineral", curves.ROTH_MINERAL_COEFFICIENTS, curves.ROTH_MINERAL_RANGE,
            "Roth, Malicki & Plagge 1992, J. Soil Sci. 43, 1-13",
        ),
        _cubic_curve(
            "kellner_lundin", curves.KELLNER_LUNDIN_COEFFICIENTS, curves.KELLNER_LUNDIN_RANGE,
            "Kellner & Lundin 2001, Nordic Hydrol. 32(4-5), 315-332, Table 2",
        ),
        _cubic_curve(
            "nagare", curves.NAGARE_COEFFICIENTS, curves.NAGARE_RANGE,
            "Nagare et al. 2011, Eur. J. Soil Sci. 62, 505-515, Table 4",
        ),
        _cubic_curve(
            "myllys_simojoki", curves.MYLLYS_SIMOJOKI_COEFFICIENTS, curves.MYLLYS_SIMOJOKI_RANGE,
            "Myllys & Simojoki 1996, Table 2, pooled",
        ),
        CalibrationCurve(
            SIGNATURES["schaap"], curves.schaap, curves.schaap_formula, curves.SCHAAP_RANGE,
            "Schaap, de Lange & Heimovaara 1996, Soil Technol. 10, 195-206 (citation from memory)",
        ),
        CalibrationCurve(
            SIGNATURES["malicki_bulk_density"], curves.malicki_bulk_density,
            curves.malicki_bulk_density_formula, curves.MALICKI_RANGE,
            "Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47, 357-366, eq. 10",
        ),
        CalibrationCurve(
            SIGNATURES["malicki_porosity"], curves.malicki_porosity,
            curves.malicki_porosity_formula, curves.MALICKI_RANGE,
            "Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47, 357-366, eq. 12",
        ),
        CalibrationCurve(
            SIGNATURES["crim"], mixing.crim, _crim_formula, mixing.CRIM_RANGE,
            "Roth et al. 1990, Water Resour. Res. 26, 2267 (citation from memory)",
        ),
        CalibrationCurve(
            SIGNATURES["cone_base_area"], cone_base_area, cone_base_area, None,
            "ASAE S313.3: cone index is force over base area",
        ),
    )
}  # fmt: skip


def calibrate(
    reading: npt.ArrayLike,
    name: str,
    parameters: Mapping[str, float] | None = None,
    *,
    temperature_degc: npt.ArrayLike = np.nan,
) -> FloatArray:
    """Turn readings into observations by a named curve, corrected for temperature where the parameters say so.

    Parameters
    ----------
    reading : array_like, any shape
        What the curve reads. [unit of that quantity; any for "identity" and "linear"]
    name : str
        Name of a curve in `CURVES`.
    parameters : mapping of str to number, optional
        Parameters of the curve, as in the probe description; `reading_per_degc` and `reference_degc` among them ask
        for `correct_for_temperature` before the curve.
    temperature_degc : array_like, broadcasts with `reading`
        Of the probe in the ground. [degC] Only a correction needs it.

    Returns
    -------
    ndarray, shape of `reading`
        What the curve gives. [unit of that quantity] NaN where the reading is NaN or outside the calibrated
        range, or the temperature that its correction needs is NaN.

    Raises
    ------
    ValueError
        The curve is unknown, or a parameter is missing, unknown or outside its range.
    """
    given = {} if parameters is None else dict(parameters)
    faults = curve_faults(name, given)
    if faults:
        raise ValueError("calibration." + " calibration.".join(faults))
    coefficient = given.get("reading_per_degc", 0.0)
    reference = given.get("reference_degc", REFERENCE_TEMPERATURE_DEGC)
    corrected = correct_for_temperature(reading, temperature_degc, coefficient, reference_degc=reference)
    own = {key: value for key, value in given.items() if key not in TEMPERATURE_PARAMETERS}
    return CURVES[name].guarded(corrected, **own)


def correct_for_temperature(
    reading: npt.ArrayLike,
    temperature_degc: npt.ArrayLike,
    coefficient_per_degc: float,
    *,
    reference_degc: float = REFERENCE_TEMPERATURE_DEGC,
) -> FloatArray:
    """Take out of a reading what temperature alone put in.

    Parameters
    ----------
    reading : array_like
        Raw or calibrated. [any unit]
    temperature_degc : array_like, broadcasts with `reading`
        Temperature of the probe in the ground. [degC]
    coefficient_per_degc : float
        Rise of the reading for one degree at unchanged water. [unit of `reading` per degC] Found by
        reading one soil at about 5 and 25 degC (common practice, no source). Zero leaves the reading alone.
    reference_degc : float
        Temperature at which the curve holds. [degC]

    Returns
    -------
    ndarray, broadcast shape
        reading - coefficient x (T - reference). [unit of `reading`] NaN where either is NaN, unless the
        coefficient is zero: then no temperature is needed.
    """
    values = np.asarray(reading, dtype=np.float64)
    if coefficient_per_degc == 0.0:
        return values.copy()
    temperature = np.asarray(temperature_degc, dtype=np.float64)
    return np.asarray(values - coefficient_per_degc * (temperature - reference_degc), dtype=np.float64)
