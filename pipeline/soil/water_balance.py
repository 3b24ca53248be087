"""The day's water account: what fell, what was drunk, what passed each layer, and what cannot be accounted for.

Two ways that check one another: a ledger from measured storage, whose remainder is always shown, and the FAO-56
bookkeeping with a soil and a leaf coefficient, which needs no probe. Equation numbers are those of Allen, Pereira,
Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, Rome. This module must not share out a remainder among the
other lines to make the account close.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.units import FloatArray


@dataclass(frozen=True)
class Ledger:
    """Account of days by layer.

    Attributes
    ----------
    passed_mm : ndarray, shape (day, layer)
        Water that went down through the lower bound of each layer; negative when it rose. [mm d-1]
    unaccounted_mm : ndarray, shape (day,)
        What left the lowest layer beyond the drainage stated. [mm d-1] Gauge loss, run-off and the spot's oddity.
    """

    passed_mm: FloatArray
    unaccounted_mm: FloatArray


def day_ledger(
    storage_mm: npt.ArrayLike,
    water_mm: npt.ArrayLike,
    loss_mm: npt.ArrayLike,
    *,
    runoff_mm: npt.ArrayLike = 0.0,
    drainage_mm: npt.ArrayLike = 0.0,
) -> Ledger:
    """Account for the water of each day from measured storage.

    Parameters
    ----------
    storage_mm : array_like, shape (day + 1, layer)
        Water in each layer at the turn of each day, from the top. [mm]
    water_mm : array_like, shape (day,)
        Rain and watering. [mm d-1]
    loss_mm : array_like, shape (day, layer)
        Evaporation and uptake from each layer. [mm d-1]
    runoff_mm, drainage_mm : array_like, shape (day,)
        Off the surface, and out of the lowest layer as known otherwise. [mm d-1]

    Returns
    -------
    Ledger
        NaN from the first missing figure of a day downward.
    """
    storage, loss = np.asarray(storage_mm, dtype=np.float64), np.asarray(loss_mm, dtype=np.float64)
    entering = np.asarray(water_mm, dtype=np.float64) - np.asarray(runoff_mm, dtype=np.float64)
    kept = np.diff(storage, axis=0) + loss
    passed = entering[:, np.newaxis] - np.cumsum(kept, axis=1)
    return Ledger(passed, np.asarray(passed[:, -1] - np.asarray(drainage_mm, dtype=np.float64)))


def highest_coefficient(
    leaf_coefficient: npt.ArrayLike,
    wind_2m_m_s: npt.ArrayLike,
    humidity_min_percent: npt.ArrayLike,
    height_m: npt.ArrayLike,
) -> FloatArray:
    """Largest crop coefficient that the energy of a day allows.

    Parameters
    ----------
    leaf_coefficient : array_like, shape (day,)
        Basal coefficient Kcb. [1]
    wind_2m_m_s : array_like, shape (day,)
        Held between 1 and 6. [m s-1]
    humidity_min_percent : array_like, shape (day,)
        Held between 20 and 80. [%]
    height_m : array_like, shape (day,)
        Of the turf; above 0. [m]

    Returns
    -------
    ndarray, shape (day,)
        Kc max, 1.05 to 1.3. [1] FAO-56 eq. 72.
    """
    wind = np.clip(np.asarray(wind_2m_m_s, dtype=np.float64), 1.0, 6.0)
    humidity = np.clip(np.asarray(humidity_min_percent, dtype=np.float64), 20.0, 80.0)
    height = np.asarray(height_m, dtype=np.float64)
    climate = 1.2 + (0.04 * (wind - 2.0) - 0.004 * (humidity - 45.0)) * (height / 3.0) ** 0.3
    return np.asarray(np.maximum(climate, np.asarray(leaf_coefficient, dtype=np.float64) + 0.05))


def total_evaporable_mm(drained_m3_m3: float, wilting_m3_m3: float, depth_m: float) -> float:
    """Water that evaporation alone can take from the surface layer.

    Parameters
    ----------
    drained_m3_m3, wilting_m3_m3 : float
        Drained limit and wilting point. [m3 m-3]
    depth_m : float
        Of the layer that evaporation dries: 0.10 to 0.15 in bare soil. [m]

    Returns
    -------
    float
        TEW. [mm] FAO-56 eq. 73.
    """
    return 1000.0 * (drained_m3_m3 - 0.5 * wilting_m3_m3) * depth_m


def evaporation_coefficient(
    surface_depletion_mm: npt.ArrayLike,
    total_mm: npt.ArrayLike,
    ready_mm: npt.ArrayLike,
    leaf_coefficient: npt.ArrayLike,
    highest: npt.ArrayLike,
    exposed_share: npt.ArrayLike,
) -> FloatArray:
    """Coefficient of evaporation from the surface.

    Parameters
    ----------
    surface_depletion_mm : array_like
        De at the end of the day before. [mm]
    total_mm, ready_mm : array_like
        TEW and REW. [mm]
    leaf_coefficient, highest : array_like
        Kcb and Kc max. [1]
    exposed_share : array_like
        few, the share of the ground both wetted and bare, 0.01 to 1. [1]

    Returns
    -------
    ndarray, broadcast shape
        Ke. [1] FAO-56 eq. 71 and 74.
    """
    depletion, total, ready, leaf, top, bare = (
        np.asarray(v, dtype=np.float64)
        for v in (surface_depletion_mm, total_mm, ready_mm, leaf_coefficient, highest, exposed_share)
    )
    reduction = np.clip((total - depletion) / (total - ready), 0.0, 1.0)
    return np.asarray(np.maximum(np.minimum(reduction * (top - leaf), bare * top), 0.0))


def stress_coefficient(
    root_depletion_mm: npt.ArrayLike, available_mm: npt.ArrayLike, easy_share: npt.ArrayLike
) -> FloatArray:
    """How far dry soil holds the leaf back.

    Parameters
    ----------
    root_depletion_mm : array_like
        Dr at the end of the day before. [mm]
    available_mm : array_like
        TAW, between drained limit and wilting point over the roots. [mm]
    easy_share : array_like
        p, the share taken without stress. [1]

    Returns
    -------
    ndarray, broadcast shape
        Ks, 0 to 1. [1] FAO-56 eq. 84.
    """
    depletion, available, easy = (
        np.asarray(v, dtype=np.float64) for v in (root_depletion_mm, available_mm, easy_share)
    )
    return np.clip((available - depletion) / ((1.0 - easy) * available), 0.0, 1.0)


def easy_share(table_share: float, demand_mm: npt.ArrayLike) -> FloatArray:
    """Share of the available water taken without stress, less on days of high demand.

    Parameters
    ----------
    table_share : float
        p for 5 mm a day: 0.40 for cool and 0.50 for warm turf (FAO-56 Table 22, from memory). [1]
    demand_mm : array_like
        Crop evapotranspiration of the day without stress. [mm d-1]

    Returns
    -------
    ndarray, shape of `demand_mm`
        0.1 to 0.8. [1] FAO-56 Table 22, note: p + 0.04 (5 - ETc).
    """
    return np.clip(table_share + 0.04 * (5.0 - np.asarray(demand_mm, dtype=np.float64)), 0.1, 0.8)


def surface_day(depletion_mm: float, water_mm: float, evaporation_mm: float, total_mm: float) -> tuple[float, float]:
    """Carry the surface layer over one day.

    Parameters
    ----------
    depletion_mm : float
        De of the day before. [mm]
    water_mm : float
        Rain less run-off, and watering over the share wetted. [mm]
    evaporation_mm : float
        E over the share it comes from, E/few. [mm]
    total_mm : float
        TEW. [mm]

    Returns
    -------
    depletion_mm, passed_mm : float
        De at the end of the day, 0 to TEW, and water passed below. [mm] FAO-56 eq. 77 to 79.
    """
    passed = max(water_mm - depletion_mm, 0.0)
    return min(max(depletion_mm - water_mm + evaporation_mm + passed, 0.0), total_mm), passed


def root_zone_day(
    depletion_mm: float, water_mm: float, evapotranspiration_mm: float, available_mm: float
) -> tuple[float, float]:
    """Carry the root zone over one day.

    Parameters
    ----------
    depletion_mm : float
        Dr of the day before. [mm]
    water_mm : float
        Rain less run-off, and watering. [mm]
    evapotranspiration_mm : float
        Of the day, stress and evaporation in it. [mm]
    available_mm : float
        TAW. [mm]

    Returns
    -------
    depletion_mm, drained_mm : float
        Dr at the end of the day, 0 to TAW, and water lost below the roots. [mm] FAO-56 eq. 85 to 88.
    """
    drained = max(water_mm - evapotranspiration_mm - depletion_mm, 0.0)
    after = depletion_mm - water_mm + evapotranspiration_mm + drained
    return min(max(after, 0.0), available_mm), drained
