"""How thick the thatch must be to have held what it held: the water a wetting left in it over the rise of its probe.

At the end of a rain what was given and has not reached the soil lies in the thatch (or ran off, or hangs on leaves, so
the answer is at most). Divided by the rise of water content it is a thickness, told without a core, and its trend over
months tells growth. This module must not use the thickness of a core: it is there to be held against one.
"""

from __future__ import annotations

import numpy as np

from pipeline.soil.arrival import BEFORE_H, Errors, Profile
from pipeline.soil.estimate import NORMAL_90, Estimate, withheld
from pipeline.soil.layers import CELL_MS, storage_mm
from pipeline.soil.moving import HOUR_MS, FloatArray
from pipeline.soil.wetting import Spell

LEAST_GIVEN_MM = 5.0  # less does not fill thatch: common practice, no source
LEAST_RISE = 0.08  # m3/m3; below it the quotient is noise: our own choice, twenty times a probe's waver
LONGEST_H = 6.0  # of the wetting: longer, and much has evaporated or drained below the probes meanwhile: our own choice
AT_MOST = "at most: water that ran off or hung on the leaf is counted as thatch"


def thickness_from_wetting(
    spell: Spell, profile: Profile, thatch_theta: FloatArray, *, bypass: str = "", errors: Errors | None = None
) -> Estimate:
    """Thickness of thatch that would have held what a wetting left above the soil.

    Parameters
    ----------
    spell : Spell
    profile : Profile
        Soil channels, with the weights of all soil that is seen.
    thatch_theta : ndarray, shape (time,)
        Water content of the thatch on the cells of the profile. [m3 m-3]
    bypass : str
        How water went around the soil, as `arrival.account` tells it; then nothing is concluded.
    errors : Errors, optional

    Returns
    -------
    Estimate
        [m] Its interval holds gauge, calibration and noise; withheld with the reason where the wetting does not suit.
    """
    errors = Errors() if errors is None else errors
    given = spell.given_mm
    if not given >= LEAST_GIVEN_MM:
        return withheld(f"less than {LEAST_GIVEN_MM:g} mm was given, or nobody knows how much")
    if spell.end_ms - spell.start_ms > LONGEST_H * HOUR_MS:
        return withheld(f"the wetting lasted more than {LONGEST_H:g} hours")
    if bypass:
        return withheld(bypass)
    first = spell.start_ms // CELL_MS * CELL_MS
    before = (profile.cell_ms < first) & (profile.cell_ms >= first - BEFORE_H * HOUR_MS)
    end = np.flatnonzero((profile.cell_ms >= spell.end_ms) & (profile.cell_ms < spell.end_ms + HOUR_MS))
    soil = storage_mm(profile.theta, profile.all_weights_m)
    known = before & np.isfinite(soil) & np.isfinite(thatch_theta)
    after = end[np.isfinite(soil[end]) & np.isfinite(thatch_theta[end])]
    if not known.any() or after.size == 0:
        return withheld("thatch or soil was not read before and at the end of the water")
    last, at = int(np.flatnonzero(known)[-1]), int(after[0])
    rise, gained = float(thatch_theta[at] - thatch_theta[last]), float(soil[at] - soil[last])
    if rise < LEAST_RISE:
        return withheld(f"the thatch rose by less than {LEAST_RISE:g} m3/m3")
    held = given - gained
    if held <= 0.0:
        return withheld("the soil gained all that was given")
    # slopes of thatch and soil probes are each common to their layer; the gauge and one reading's noise are their own
    of_held = np.hypot(errors.gauge * given, errors.slope * gained) / held
    of_rise = np.hypot(errors.slope, np.sqrt(2.0) * errors.noise / rise)
    thickness, spread = held / 1000.0 / rise, float(NORMAL_90 * np.hypot(of_held, of_rise))
    return Estimate(thickness, thickness * max(1.0 - spread, 0.0), thickness * (1.0 + spread), 1, AT_MOST)
