"""Series of cores, what a pass takes out of the thatch, and the thickness that a wetting tells of.

Thickness and organic matter are two things: two years of coring and sand can make the layer thicker while its organic
matter falls (Fu, Dernoeden & Murphy 2009, Crop Sci. 49, 1079). Two methods of measurement in one series raise an error.
Removal is geometry times an efficiency, and stays an estimate until the debris has been weighed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from pipeline.soil.arrival import BEFORE_H, Errors, SoilProfile
from pipeline.soil.estimate import NORMAL_90, Estimate, withheld
from pipeline.soil.layers import CELL_MS, storage_mm
from pipeline.soil.wetting import Spell
from pipeline.texts import later, say
from pipeline.units import HOUR_MS, FloatArray

FEWEST_CORES = 5  # per area and date, and 25 cm2 in all, so that tine holes are sampled fairly: Woods, posts
LIKELY_EFFICIENCY = (0.6, 0.8)  # blades bounce, grooves are cut again, debris falls back: common practice
DRY_DENSITY_G_CM3 = (0.25, 0.35)  # all dry solids of thatch: a working range, no source
DAYS_A_YEAR = 365.2425
GROOVES, HOLES = ("verticutting", "scarifying", "heavy_dethatching"), ("hollow_coring",)  # that take thatch
NO_SIZES = later("nobody wrote down width and spacing of blades or tines")


class MixedMethodsError(ValueError):
    """Measurements by two methods were asked to stand in one series."""


@dataclass(frozen=True)
class OrganicSlice:
    """Organic matter of one slice of a core.

    Attributes
    ----------
    top_mm, bottom_mm : float
        Below the leaf base. [mm]
    percent : float
        Loss on ignition by mass. [%]
    method : str
        The laboratory's method, such as "turf on, 440 degC".
    """

    top_mm: float
    bottom_mm: float
    percent: float
    method: str


@dataclass(frozen=True)
class CoreReading:
    """One core, read with a ruler.

    Attributes
    ----------
    taken : date
        Day of sampling.
    method : str
        How the thickness was read, such as "ruler" (relaxed) or "ruler, 5 kPa" (pressed).
    thickness_mm : float
        Leaf base to first mineral soil. [mm] NaN when only the organic matter was taken.
    slices : tuple of OrganicSlice
    """

    taken: date
    method: str
    thickness_mm: float
    slices: tuple[OrganicSlice, ...] = ()


@dataclass(frozen=True)
class CoreSeries:
    """One figure a date from cores of one method.

    Attributes
    ----------
    time_year : ndarray, shape (date,)
        Since the first date. [yr]
    mean, spread : ndarray, shape (date,)
        Mean and standard deviation over cores; spread NaN for a single core.
    cores : ndarray of int, shape (date,)
        How many.
    enough : ndarray of bool, shape (date,)
        Whether 5 cores stand behind the date.
    method : str
    """

    time_year: FloatArray
    mean: FloatArray
    spread: FloatArray
    cores: npt.NDArray[np.int64]
    enough: npt.NDArray[np.bool_]
    method: str


def thickness_series(cores: Sequence[CoreReading]) -> CoreSeries:
    """Return the mean thickness a date, in millimetres.

    Parameters
    ----------
    cores : sequence of CoreReading
        In any order. Cores without a thickness are left out.

    Returns
    -------
    CoreSeries
        `mean` and `spread` in mm.

    Raises
    ------
    MixedMethodsError
        Two methods in one series.
    ValueError
        No core with a thickness.
    """
    measured = [core for core in cores if math.isfinite(core.thickness_mm)]
    method = _one_method({core.method for core in measured}, "thickness")
    return _by_date([(core.taken, core.thickness_mm) for core in measured], method)


def organic_series(cores: Sequence[CoreReading], top_mm: float, bottom_mm: float) -> CoreSeries:
    """Return the mean organic matter a date of one slice, in per cent.

    Parameters
    ----------
    cores : sequence of CoreReading
    top_mm, bottom_mm : float
        The slice as it was cut; slices cut otherwise are left out, never interpolated. [mm]

    Returns
    -------
    CoreSeries
        `mean` and `spread` in per cent by mass.

    Raises
    ------
    MixedMethodsError
        Two laboratory methods in one series.
    ValueError
        No such slice.
    """
    found = [
        (core, piece)
        for core in cores
        for piece in core.slices
        if (piece.top_mm, piece.bottom_mm) == (top_mm, bottom_mm)
    ]
    method = _one_method({piece.method for _, piece in found}, f"organic matter {top_mm:g}-{bottom_mm:g} mm")
    return _by_date([(core.taken, piece.percent) for core, piece in found], method)


def _one_method(methods: set[str], what: str) -> str:
    if not methods:
        raise ValueError(f"{what}: found no core that has it, expected at least one. Take cores first.")
    if len(methods) > 1:
        names = " and ".join(repr(name) for name in sorted(methods))
        raise MixedMethodsError(f"{what}: found {names}, expected one method. Draw a series for each.")
    return methods.pop()


def _by_date(rows: list[tuple[date, float]], method: str) -> CoreSeries:
    dates = sorted({row[0] for row in rows})
    groups = [np.array([row[1] for row in rows if row[0] == day]) for day in dates]
    return CoreSeries(
        time_year=np.array([(day - dates[0]).days / DAYS_A_YEAR for day in dates]),
        mean=np.array([group.mean() for group in groups]),
        spread=np.array([group.std(ddof=1) if group.size > 1 else np.nan for group in groups]),
        cores=np.array([group.size for group in groups], dtype=np.int64),
        enough=np.array([group.size >= FEWEST_CORES for group in groups], dtype=np.bool_),
        method=method,
    )


def groove_share(blade_mm: float, spacing_mm: float) -> float:
    """Return the share of the surface a set of blades touches in one pass.

    Parameters
    ----------
    blade_mm, spacing_mm : float
        Width of a blade and distance between blades. [mm] 0 < blade <= spacing.

    Returns
    -------
    float
        0 to 1. [1]

    Raises
    ------
    ValueError
        Blades wider than their spacing, or not positive.
    """
    if not 0.0 < blade_mm <= spacing_mm:
        told = later("blades: found {width:g} mm at {spacing:g} mm, expected 0 < width <= spacing.")
        raise ValueError(say(told, width=blade_mm, spacing=spacing_mm))
    return blade_mm / spacing_mm


def hole_share(diameter_mm: float, spacing_mm: float, along_mm: float | None = None) -> float:
    """Return the share of the surface a set of tines takes in one pass.

    Parameters
    ----------
    diameter_mm : float
        Inner diameter of the tine. [mm]
    spacing_mm, along_mm : float
        Between holes across and along the run; equal when the second is not given. [mm]

    Returns
    -------
    float
        0 to 0.785. [1]

    Raises
    ------
    ValueError
        Holes that would overlap, or not positive.
    """
    along = spacing_mm if along_mm is None else along_mm
    if not 0.0 < diameter_mm <= min(spacing_mm, along):
        told = later("tines: found {width:g} mm at {spacing:g} x {along:g} mm, expected no overlap.")
        raise ValueError(say(told, width=diameter_mm, spacing=spacing_mm, along=along))
    return math.pi * diameter_mm**2 / 4.0 / (spacing_mm * along)


def removed_mm(thickness_mm: float, share: float, depth_mm: float, *, efficiency: float = 1.0) -> float:
    """Return the thatch taken out by one pass, spread over the whole surface.

    Parameters
    ----------
    thickness_mm : float
        Before the pass, undiluted. [mm]
    share : float
        Of the surface touched, 0 to 1. [1]
    depth_mm : float
        Into the turf from the leaf base. [mm] Deeper than the thatch takes no more thatch.
    efficiency : float
        0 to 1; 0.6 to 0.8 is likely until measured (common practice, no source). [1]

    Returns
    -------
    float
        [mm]

    References
    ----------
    Extension arithmetic: 18 mm tines at 50 mm take 10 %, 12.5 mm at 50 mm take 5 %.
    """
    return share * min(depth_mm, thickness_mm) * efficiency


def touched_share(kind: str, variant: str, width_mm: float, spacing_mm: float) -> float | str:
    """Return the share of the surface that a pass touches [1], or why it cannot be told.

    Parameters
    ----------
    kind, variant : str
        A kind of `GROOVES` or `HOLES`; the variant of one with tines may be their width, as `13mm`.
    width_mm, spacing_mm : float
        Of blades or tines. [mm] NaN where nobody wrote them.

    Returns
    -------
    float or str
        0 to 1 [1], or the reason.

    References
    ----------
    As `groove_share` and `hole_share`.
    """
    if kind in HOLES and not math.isfinite(width_mm) and variant.removesuffix("mm").isdigit():
        width_mm = float(variant.removesuffix("mm"))
    if not (math.isfinite(width_mm) and math.isfinite(spacing_mm)):
        return say(NO_SIZES)
    try:
        return hole_share(width_mm, spacing_mm) if kind in HOLES else groove_share(width_mm, spacing_mm)
    except ValueError as err:
        return str(err)


def likely_removed(share: float | str, thickness_mm: float, depth_mm: float) -> Estimate:
    """Return the thatch that a pass takes out by the geometry of its blades, between likely efficiencies. [mm]

    Parameters
    ----------
    share : float or str
        Of the surface, or why it cannot be told, as `touched_share` has it. [1]
    thickness_mm, depth_mm : float
        As for `removed_mm`. [mm]

    Returns
    -------
    Estimate
        [mm] Withheld where the share or the thickness is not known.

    References
    ----------
    As `removed_mm`; the ends are those of `LIKELY_EFFICIENCY`, common practice, no source.
    """
    if isinstance(share, str):
        return withheld(share)
    if not thickness_mm > 0.0:
        return withheld(say("no core says how thick the thatch is"))
    low, high = (removed_mm(thickness_mm, share, depth_mm, efficiency=each) for each in LIKELY_EFFICIENCY)
    by_size = say("by the size of the blades and a likely efficiency, not weighed")
    return Estimate((low + high) / 2.0, low, high, 1, by_size)


def removal_efficiency(
    weighed_kg_m2: float, thickness_mm: float, share: float, depth_mm: float, *, density_g_cm3: float = 0.30
) -> float:
    """Return the efficiency of a pass from the debris weighed dry beside what geometry promised.

    Parameters
    ----------
    weighed_kg_m2 : float
        Dry solids swept up. [kg m-2]
    thickness_mm, share, depth_mm : float
        As for `removed_mm`. [mm], [1], [mm]
    density_g_cm3 : float
        Dry bulk density of this thatch. [g cm-3]

    Returns
    -------
    float
        [1] Above 1 when soil or sand was swept up too.

    Raises
    ------
    ValueError
        The geometry promises nothing.
    """
    promised = removed_mm(thickness_mm, share, depth_mm) * density_g_cm3
    if not promised > 0.0:
        raise ValueError(f"removal: found {promised:g} kg/m2 promised, expected more. Check depth and share.")
    return weighed_kg_m2 / promised


LEAST_GIVEN_MM = 5.0  # less does not fill thatch: common practice, no source
LEAST_RISE = 0.08  # m3/m3; below it the quotient is noise: our own choice, twenty times a probe's waver
LONGEST_WETTING_H = (
    6.0  # of the wetting: longer, and much has evaporated or drained below the probes meanwhile: our own choice
)
AT_MOST = later("at most: water that ran off or hung on the leaf is counted as thatch")


def thickness_from_wetting(
    spell: Spell, profile: SoilProfile, thatch_theta: FloatArray, *, bypass: str = ""
) -> Estimate:
    """Return the thickness of thatch that would have held what a wetting left above the soil.

    Parameters
    ----------
    spell : Spell
    profile : SoilProfile
        Soil channels, with the weights of all soil that is seen.
    thatch_theta : ndarray, shape (time,)
        Water content of the thatch on the cells of the profile. [m3 m-3]
    bypass : str
        How water went around the soil, as `arrival.account` tells it; then nothing is concluded.

    Returns
    -------
    Estimate
        [m] Its interval holds gauge, calibration and noise; withheld with the reason where the wetting does not suit.
    """
    errors = Errors()
    given = spell.given_mm
    if not given >= LEAST_GIVEN_MM:
        return withheld(say("less than {least:g} mm was given, or nobody knows how much", least=LEAST_GIVEN_MM))
    if spell.end_ms - spell.start_ms > LONGEST_WETTING_H * HOUR_MS:
        return withheld(say("the wetting lasted more than {most:g} hours", most=LONGEST_WETTING_H))
    if bypass:
        return withheld(bypass)
    first = spell.start_ms // CELL_MS * CELL_MS
    before = (profile.cell_ms < first) & (profile.cell_ms >= first - BEFORE_H * HOUR_MS)
    end = np.flatnonzero((profile.cell_ms >= spell.end_ms) & (profile.cell_ms < spell.end_ms + HOUR_MS))
    soil = storage_mm(profile.theta, profile.all_weights_m)
    known = before & np.isfinite(soil) & np.isfinite(thatch_theta)
    after = end[np.isfinite(soil[end]) & np.isfinite(thatch_theta[end])]
    if not known.any() or after.size == 0:
        return withheld(say("thatch or soil was not read before and at the end of the water"))
    last, at = int(np.flatnonzero(known)[-1]), int(after[0])
    rise, gained = float(thatch_theta[at] - thatch_theta[last]), float(soil[at] - soil[last])
    if rise < LEAST_RISE:
        return withheld(say("the thatch rose by less than {least:g} m3/m3", least=LEAST_RISE))
    held = given - gained
    if held <= 0.0:
        return withheld(say("the soil gained all that was given"))
    # slopes of thatch and soil probes are each common to their layer; the gauge and one reading's noise are their own
    of_held = np.hypot(errors.gauge * given, errors.slope * gained) / held
    of_rise = np.hypot(errors.slope, np.sqrt(2.0) * errors.noise / rise)
    thickness, spread = held / 1000.0 / rise, float(NORMAL_90 * np.hypot(of_held, of_rise))
    return Estimate(thickness, thickness * max(1.0 - spread, 0.0), thickness * (1.0 + spread), 1, say(AT_MOST))
