"""The site's own line from reading to water content, fitted to ring samples dried in an oven.

Published curves were made on other soils, and none on turf thatch; rings cut beside the probe, from wet to
dry, make the only line whose error is known. This module must not extend the line past the wettest and
driest ring, nor mix rings of two layers: one fit, one layer, one probe. The date from which a line holds
belongs to the diary.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.soil.permittivity import within
from pipeline.units import FloatArray

MINIMUM_RING_SAMPLES = 8  # 8 to 12 rings from wet to dry per layer: common practice, no source
MINIMUM_RING_SPAN_M3_M3 = 0.05  # rings of one wetness make no line: common practice, no source


def ring_water_content(
    wet_mass_g: npt.ArrayLike, dry_mass_g: npt.ArrayLike, ring_volume_cm3: npt.ArrayLike
) -> FloatArray:
    """Volumetric water content of a ring sample from its masses before and after the oven.

    Parameters
    ----------
    wet_mass_g, dry_mass_g : array_like
        Net of the ring. [g] 105 degC to constant mass for soil, 60 to 70 degC for thatch (common practice,
        no source).
    ring_volume_cm3 : array_like
        Inner volume of the ring. [cm3]

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3] with water of 1 g/cm3; NaN where the dry mass is not below the wet or a figure is not
        positive.
    """
    wet, dry, volume = (np.asarray(v, dtype=np.float64) for v in (wet_mass_g, dry_mass_g, ring_volume_cm3))
    possible = (dry > 0.0) & (wet >= dry) & (volume > 0.0)
    return np.where(possible, (wet - dry) / np.where(volume > 0.0, volume, np.nan), np.nan)


@dataclass(frozen=True)
class SiteCalibration:
    """A line from reading to water content, fitted to ring samples of one layer of one place.

    Attributes
    ----------
    slope, offset : float
        Water content = slope x reading + offset. [m3 m-3 per unit], [m3 m-3]
    reading_low, reading_high : float
        Sampled range: outside it the line is refused. [unit of the reading]
    count : int
        Ring samples used.
    residual_sd : float
        Standard deviation about the line, n - 2. [m3 m-3]
    reading_mean, reading_sum_of_squares : float
        Mean, and sum of squares about it: what the intervals need.
    confidence : float
        Of every interval drawn from this line, 0 to 1.
    """

    slope: float
    offset: float
    reading_low: float
    reading_high: float
    count: int
    residual_sd: float
    reading_mean: float
    reading_sum_of_squares: float
    confidence: float


def fit_site_calibration(
    reading: npt.ArrayLike,
    water_content_oven: npt.ArrayLike,
    *,
    confidence: float = 0.95,
    minimum_samples: int = MINIMUM_RING_SAMPLES,
) -> SiteCalibration:
    """Fit the site's own line to ring samples of one layer by least squares.

    Parameters
    ----------
    reading : array_like, shape (n,)
        What the probe said where and when each ring was cut, corrected for temperature. [unit of the probe]
    water_content_oven : array_like, shape (n,)
        Oven water content of the rings, see `ring_water_content`. [m3 m-3] 0 to 1. NaN pairs are left out.
    confidence : float
        Of the intervals. [1]
    minimum_samples : int
        Fewest rings accepted, 3 or more.

    Returns
    -------
    SiteCalibration

    Raises
    ------
    ValueError
        Too few rings, a water content outside 0 to 1, rings of nearly one wetness, or a line that falls.

    References
    ----------
    Ordinary least squares with normal errors, e.g. Draper & Smith, Applied Regression Analysis (from memory).
    """
    x, y = np.asarray(reading, dtype=np.float64), np.asarray(water_content_oven, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"ring samples: found shapes {x.shape} and {y.shape}, expected two of one length. Pair them.")
    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    _check_rings(x, y, max(minimum_samples, 3))
    sum_of_squares = float(np.sum((x - x.mean()) ** 2))
    slope = float(np.sum((x - x.mean()) * (y - y.mean())) / sum_of_squares) if sum_of_squares > 0.0 else np.nan
    if not slope > 0.0:
        raise ValueError(
            f"ring samples: found a slope of {slope:.3g}, expected a reading that rises with water. "
            "Check that rings and readings are paired and that the probe touches the soil."
        )
    offset = float(y.mean() - slope * x.mean())
    residual_sd = float(np.sqrt(np.sum((y - slope * x - offset) ** 2) / (x.size - 2)))
    return SiteCalibration(
        slope=slope, offset=offset, count=int(x.size),
        reading_low=float(x.min()), reading_high=float(x.max()),
        residual_sd=residual_sd, reading_mean=float(x.mean()), reading_sum_of_squares=sum_of_squares,
        confidence=confidence,
    )  # fmt: skip


def _check_rings(x: FloatArray, y: FloatArray, minimum_samples: int) -> None:
    if x.size < minimum_samples:
        raise ValueError(
            f"ring samples: found {x.size} good pairs, expected {minimum_samples} or more. Cut rings from wet to dry."
        )
    if y.min() < 0.0 or y.max() > 1.0:
        raise ValueError(
            f"ring samples: found water contents from {y.min():.3g} to {y.max():.3g}, expected 0 to 1 m3/m3. "
            "Divide the mass of water by the ring's volume, not by the dry mass."
        )
    if np.ptp(y) < MINIMUM_RING_SPAN_M3_M3:
        raise ValueError(
            f"ring samples: found a span of {np.ptp(y):.3f} m3/m3, expected {MINIMUM_RING_SPAN_M3_M3}. "
            "Add rings from wetter or drier days."
        )


def site_water_content(calibration: SiteCalibration, reading: npt.ArrayLike) -> FloatArray:
    """Water content by the site's line, NaN outside the sampled range.

    Parameters
    ----------
    calibration : SiteCalibration
    reading : array_like, any shape
        [unit of the probe]

    Returns
    -------
    ndarray, shape of `reading`
        [m3 m-3]
    """
    values = np.asarray(reading, dtype=np.float64)
    limits = (calibration.reading_low, calibration.reading_high)
    return within(calibration.slope * values + calibration.offset, values, limits)


def site_interval(
    calibration: SiteCalibration, reading: npt.ArrayLike, *, kind: str = "prediction"
) -> tuple[FloatArray, FloatArray]:
    """Interval about the site's line at each reading.

    Parameters
    ----------
    calibration : SiteCalibration
    reading : array_like, any shape
        [unit of the probe]
    kind : str
        "confidence" for where the line lies, "prediction" for where one new ring would fall.

    Returns
    -------
    low, high : ndarray, shape of `reading`
        [m3 m-3] NaN outside the sampled range.

    Raises
    ------
    ValueError
        `kind` is neither of the two.
    """
    if kind not in ("confidence", "prediction"):
        raise ValueError(f"interval: found {kind!r}, expected 'confidence' or 'prediction'. Name one of the two.")
    x = np.asarray(reading, dtype=np.float64)
    middle = site_water_content(calibration, x)
    of_line = 1.0 / calibration.count + (x - calibration.reading_mean) ** 2 / calibration.reading_sum_of_squares
    of_ring = 1.0 if kind == "prediction" else 0.0
    t = float(stats.t.ppf(0.5 + calibration.confidence / 2.0, calibration.count - 2))
    half = t * calibration.residual_sd * np.sqrt(of_line + of_ring)
    return middle - half, middle + half
