"""From the number a probe reports to the observation: the named curves, and the temperature correction.

`CURVES` has the equation of every curve that a probe description may name (`hardware.curves.SIGNATURES`). A line fitted
to ring samples of the site goes by the name "linear"; it beats every published curve. Raw readings are not changed: old
data can be redone when a better calibration arrives.

Each published curve answers NaN outside the range of permittivity (and of bulk density or porosity) its authors
measured, because several of the cubics turn upward just beyond it and return water contents no soil can hold. A
reading within a tenth of the end of the range, as far as a sound probe's slope may be off, is given the value at that
end. No curve made on turf thatch is known to us; at one permittivity the mineral curve of Topp (1980) reads 0.10 to
0.25 m3/m3 below the organic ones. Sources stand with the curves; line and correction are algebra.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.polynomial.polynomial import polyval

from hardware.curves import SIGNATURES, TEMPERATURE_PARAMETERS, CurveSignature, Limits, curve_faults
from pipeline.units import FloatArray, floats

END_DOUBT = 0.10  # a probe's slope may be off by so much, and a reading beyond the range within it: common practice
REFERENCE_TEMPERATURE_DEGC = 20.0  # most curves were made in a laboratory near it: common practice, no source


@dataclass(frozen=True)
class CalibrationCurve:
    """The equation of one named curve.

    Attributes
    ----------
    signature : CurveSignature
        What it reads and gives, and its parameters.
    formula : callable
        `formula(reading, **parameters)`, the bare equation. [unit of what it reads] to [unit of what it gives]
    reading_range : (low, high) or None
        Calibrated range of the reading; None where the curve has none.
    source : str
        Paper and table.
    """

    signature: CurveSignature
    formula: Callable[..., FloatArray]
    reading_range: Limits | None
    source: str

    def guarded(self, reading: npt.ArrayLike, **parameters: npt.ArrayLike) -> FloatArray:
        """Evaluate the curve, NaN where a reading lies beyond the calibrated range by more than `END_DOUBT` of its
        end, or a parameter outside its own.

        Parameters
        ----------
        reading : array_like
            [unit of what the curve reads]
        parameters : array_like
            Of the signature, broadcasting with the reading. [unit by name]

        Returns
        -------
        ndarray, broadcast shape
            [unit of what the curve gives]
        """
        if self.reading_range is None:
            found = self.formula(reading, **parameters)
        else:
            low, high = self.reading_range
            found = self.formula(np.clip(floats(reading), low, high), **parameters)
            found = within(found, reading, (low * (1.0 - END_DOUBT), high * (1.0 + END_DOUBT)))
        for name, limits in self.signature.required.items():
            found = within(found, parameters[name], limits)
        return found


def range_ends(curve: str, parameters: Mapping[str, float]) -> tuple[float, ...]:
    """Return the values at the ends of a curve's calibrated range, which readings just beyond it are given.

    Parameters
    ----------
    curve : str
        A key of `CURVES`.
    parameters : mapping of str to float
        As `calibrate` takes them. [unit by name]

    Returns
    -------
    tuple of float
        [unit of what the curve gives] Empty for a curve without a range.
    """
    ends = CURVES[curve].reading_range
    return () if ends is None else tuple(calibrate(np.array(ends), curve, parameters).tolist())


def within(value: npt.ArrayLike, checked: npt.ArrayLike, limits: Limits) -> FloatArray:
    """Keep `value` where `checked` lies inside `limits`, NaN elsewhere.

    Parameters
    ----------
    value, checked : array_like, shapes that broadcast
        What to keep, and what decides. [any unit each] NaN in `checked` refuses.
    limits : (low, high)
        Both ends belong to the range.

    Returns
    -------
    ndarray, broadcast shape
        [unit of `value`]
    """
    inside = (floats(checked) >= limits[0]) & (floats(checked) <= limits[1])
    return np.where(inside, floats(value), np.nan)


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
    return within(slope * values + offset, values, (reading_low, reading_high))


def polynomial(
    reading: npt.ArrayLike,
    c0: float,
    c1: float,
    reading_low: float,
    reading_high: float,
    *,
    c2: float = 0.0,
    c3: float = 0.0,
    c4: float = 0.0,
    c5: float = 0.0,
) -> FloatArray:
    """Evaluate a polynomial of one's own, refused outside the range it was fitted on.

    Parameters
    ----------
    reading : array_like, any shape
        What the probe says, such as a voltage. [its own unit]
    c0, c1, c2, c3, c4, c5 : float
        Observation = c0 + c1 reading + c2 reading^2 + .. [unit observed per power of the unit of `reading`]
    reading_low, reading_high : float
        Sampled range of the reading; NaN outside. [unit of `reading`]

    Returns
    -------
    ndarray, shape of `reading`
        What the channel observes, in its unit. [m3 m-3] for water content. Algebra.
    """
    values = floats(reading)
    return within(polyval(values, (c0, c1, c2, c3, c4, c5)), values, (reading_low, reading_high))


def table_curve(reading: npt.ArrayLike, points: npt.ArrayLike) -> FloatArray:
    """Evaluate a table of one's own, by straight lines between its points, refused outside them.

    Parameters
    ----------
    reading : array_like, any shape
        What the probe says. [its own unit]
    points : array_like, shape (point, 2)
        Reading, increasing [its own unit], and what it stands for. [unit observed]

    Returns
    -------
    ndarray, shape of `reading`
        What the channel observes, in its unit. [m3 m-3] for water content. Algebra.
    """
    values, table = floats(reading), floats(points)
    return np.asarray(np.interp(values, table[:, 0], table[:, 1], left=np.nan, right=np.nan), dtype=np.float64)


def van_genuchten_theta(
    potential_kpa: npt.ArrayLike,
    theta_r: npt.ArrayLike,
    theta_s: npt.ArrayLike,
    alpha_per_kpa: npt.ArrayLike,
    n: npt.ArrayLike,
) -> FloatArray:
    """Return the water content at a water potential, by the retention curve of the soil.

    Parameters
    ----------
    potential_kpa : array_like
        Negative where the soil sucks; at 0 and above the pores are full. [kPa]
    theta_r, theta_s : array_like
        Residual and saturated water content. [m3 m-3]
    alpha_per_kpa : array_like
        [kPa-1] One printed in 1/cm is 10.197 times as much in 1/kPa.
    n : array_like
        Above 1. [1]

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3] van Genuchten 1980, Soil Sci. Soc. Am. J. 44, 892-898, eq. 3 and 21 with m = 1 - 1/n.
    """  # fmt: skip
    suction, residual = np.maximum(-floats(potential_kpa), 0.0), floats(theta_r)
    power = floats(n)
    share = (1.0 + (floats(alpha_per_kpa) * suction) ** power) ** (1.0 / power - 1.0)
    full = np.asarray(residual + (floats(theta_s) - residual) * share, dtype=np.float64)
    return np.where(np.isnan(floats(potential_kpa)), np.nan, full)


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


def schaap(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of a forest floor (litter and humus), 0.06 to 0.90 in its range.

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent, relative. [1]

    Returns
    -------
    ndarray, shape of `permittivity`
        [m3 m-3] Eq. 2b in Vaz et al. 2013.
    """
    return np.asarray(np.maximum(0.133 * np.sqrt(floats(permittivity)) - 0.146, 0.0) ** 0.885, dtype=np.float64)


def malicki_bulk_density(permittivity: npt.ArrayLike, bulk_density_g_cm3: npt.ArrayLike) -> FloatArray:
    """Return the water content of mineral or organic soil from bulk density: the best founded for thatch.

    Parameters
    ----------
    permittivity : array_like
        Apparent, relative. [1]
    bulk_density_g_cm3 : array_like, broadcasts with `permittivity`
        Dry. [g cm-3] The peats of the paper (62 soils) are 0.13 to 0.58.

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3]
    """
    root, rho = np.sqrt(floats(permittivity)), floats(bulk_density_g_cm3)
    return np.asarray((root - 0.819 - 0.168 * rho - 0.159 * rho**2) / (7.17 + 1.18 * rho), dtype=np.float64)


def malicki_porosity(permittivity: npt.ArrayLike, porosity: npt.ArrayLike) -> FloatArray:
    """Return the water content of mineral or organic soil from permittivity and porosity.

    Parameters
    ----------
    permittivity : array_like
        Apparent, relative. [1]
    porosity : array_like, broadcasts with `permittivity`
        Pore volume over total volume. [m3 m-3]

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3]
    """
    root, p = np.sqrt(floats(permittivity)), floats(porosity)
    return np.asarray((root - 3.47 + 6.22 * p - 3.82 * p**2) / (7.01 + 6.89 * p - 7.83 * p**2), dtype=np.float64)


def crim(
    permittivity: npt.ArrayLike,
    porosity: npt.ArrayLike,
    *,
    solid_permittivity: npt.ArrayLike = 5.0,
    water_permittivity: npt.ArrayLike = 80.0,
) -> FloatArray:
    """Return the water content by the complex refractive index mixing law of solid, water and air.

    Parameters
    ----------
    permittivity : array_like
        Apparent, relative. [1]
    porosity : array_like
        Pore volume over total volume. [m3 m-3]
    solid_permittivity : array_like
        Of the grains or fibres: about 5 for minerals, 4 for organic matter (common practice, no source). [1]
    water_permittivity : array_like
        Of free water at the soil's temperature. [1]

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3] May exceed the porosity: the range test of the layer decides then.
    """
    p, solid, water = floats(porosity), floats(solid_permittivity), floats(water_permittivity)
    root = np.sqrt(floats(permittivity))
    return np.asarray((root - (1.0 - p) * np.sqrt(solid) - p) / (np.sqrt(water) - 1.0), dtype=np.float64)


def _cubic(*coefficients: float) -> Callable[[npt.ArrayLike], FloatArray]:
    """Return a cubic of apparent permittivity [1] to water content [m3 m-3], its constant term first."""
    return lambda permittivity: np.asarray(polyval(floats(permittivity), coefficients), dtype=np.float64)


_TOPP = "Topp, Davis & Annan 1980, Water Resour. Res. 16(3), 574-582"
_ROTH = "Roth, Malicki & Plagge 1992, J. Soil Sci. 43, 1-13"
_MALICKI = "Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47, 357-366"
# The papers' figures were not open when these were set: every limit of permittivity is from memory, rounded inwards,
# except the two upper limits whose reason stands beside them.
_TABLE: tuple[tuple[str, Callable[..., FloatArray], Limits | None, str], ...] = (
    ("identity", identity, None, "the probe's own calibration"),
    ("linear", linear, None, "site or bench line"),
    ("polynomial", polynomial, None, "site or bench readings"),
    ("table", table_curve, None, "site or bench readings"),
    ("van_genuchten", van_genuchten_theta, None, "van Genuchten 1980, Soil Sci. Soc. Am. J. 44, 892-898"),
    # mineral soil, 0.00 to 0.51 m3/m3, stated error 0.013; eq. 7 (both from memory)
    ("topp_1980", _cubic(-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6), (2.0, 40.0), _TOPP),
    # organic soil, 0.05 to 0.49: the cubic and its own forward curve part company above 0.5 m3/m3
    ("topp_organic", _cubic(-2.52e-2, 4.15e-2, -1.44e-3, 2.2e-5), (2.0, 28.0), f"{_TOPP}, from memory"),
    # organic soil of 0.26 to 0.77 g/cm3, 0.03 to 0.79
    ("roth_organic", _cubic(-0.0233, 0.0285, -4.31e-4, 3.04e-6), (2.0, 60.0), f"{_ROTH}, Table 3c"),
    # mineral soil, 0.01 to 0.49; above 30 the cubic turns up: 0.91 m3/m3 at a permittivity of 40
    ("roth_mineral", _cubic(-0.0728, 0.0448, -1.95e-3, 3.61e-5), (2.0, 30.0), _ROTH),
    # raw moss peat of 0.029 to 0.066 g/cm3, porosity 0.95 to 0.98, 0.13 to 0.94: 190 samples, error 0.04
    (
        "kellner_lundin", _cubic(0.039, 0.0317, -4.5e-4, 2.6e-6), (3.0, 70.0),
        "Kellner & Lundin 2001, Nordic Hydrol. 32(4-5), 315-332, Table 2",
    ),
    # peat of 0.053 to 0.183 g/cm3, 0.04 to 0.90
    (
        "nagare", _cubic(-0.0189, 0.0320, -4.59e-4, 2.70e-6), (2.0, 70.0),
        "Nagare et al. 2011, Eur. J. Soil Sci. 62, 505-515, Table 4",
    ),
    # cultivated peat of 0.3 to 0.4 g/cm3, 0.04 to 0.75
    (
        "myllys_simojoki", _cubic(-0.0733, 0.0417, -8.01e-4, 5.56e-6), (3.0, 60.0),
        "Myllys & Simojoki 1996, Table 2, pooled",
    ),
    (
        "schaap", schaap, (2.0, 60.0),
        "Schaap, de Lange & Heimovaara 1996, Soil Technol. 10, 195-206 (citation from memory)",
    ),
    ("malicki_bulk_density", malicki_bulk_density, (2.0, 70.0), f"{_MALICKI}, eq. 10"),
    ("malicki_porosity", malicki_porosity, (2.0, 70.0), f"{_MALICKI}, eq. 12"),
    # a mixing law, no calibration: solid grains to free water
    ("crim", crim, (2.0, 80.0), "Roth et al. 1990, Water Resour. Res. 26, 2267 (citation from memory)"),
    ("cone_base_area", cone_base_area, None, "ASAE S313.3: cone index is force over base area"),
)  # fmt: skip
CURVES: Mapping[str, CalibrationCurve] = {
    name: CalibrationCurve(SIGNATURES[name], formula, limits, source) for name, formula, limits, source in _TABLE
}


def calibrate(
    reading: npt.ArrayLike,
    name: str,
    parameters: Mapping[str, float] | None = None,
    *,
    points: Sequence[tuple[float, float]] = (),
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
    points : sequence of (float, float)
        Of a table: reading [what the curve reads] and what it stands for. [what it gives]
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
    faults = curve_faults(name, {**given, "points": points} if points else given)
    if faults:
        raise ValueError("calibration." + " calibration.".join(faults))
    coefficient = given.get("reading_per_degc", 0.0)
    reference = given.get("reference_degc", REFERENCE_TEMPERATURE_DEGC)
    corrected = correct_for_temperature(reading, temperature_degc, coefficient, reference_degc=reference)
    own: dict[str, npt.ArrayLike] = {key: value for key, value in given.items() if key not in TEMPERATURE_PARAMETERS}
    if points:
        own["points"] = points
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
