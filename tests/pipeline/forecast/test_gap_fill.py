"""A lifted probe's wetness: blanked, carried by the balance, or lent; expected values by algebra of two boxes."""

from dataclasses import fields

import numpy as np
import pytest

from pipeline.forecast.balance import Parameters, PastHours
from pipeline.forecast.wetness import filled_by_balance, filled_from_neighbour, without_readings

HOUR_MS = 3_600_000
FIRST_MS = 1_715_558_400_000
NAN = float("nan")
# no demand is met by the canopy, no flash, no drainage out of the roots worth the name: roots alone pay the air
STILL = {f.name: 0.0 for f in fields(Parameters)} | {
    "crop_coefficient": 1.0, "flash_factor": 1.0, "thatch_share": 0.0, "thatch_capacity_mm": 10.0,
    "thatch_full_wetness": 2.0, "thatch_drained_wetness": 1.0, "tau_h": 5.0, "root_capacity_mm": 40.0,
    "root_full_wetness": 2.0, "root_drain_mm_h": 1e-12, "root_drain_power": 3.0, "stress_wetness": 0.2,
}  # fmt: skip
PARAMETERS = Parameters(**STILL)


def past(thatch=0.5, root=0.8, hours=60, et=0.1) -> PastHours:
    return PastHours(FIRST_MS, np.full(hours, thatch), np.full(hours, root), np.zeros(hours), np.full(hours, et))


def test_what_was_said_out_of_the_ground_is_blanked():
    """From the lift up to, but without, the return, in the layers that the probe reads alone."""
    found = without_readings(past(), FIRST_MS + 10 * HOUR_MS, FIRST_MS + 20 * HOUR_MS, thatch=True, roots=False)
    gone = np.isnan(found.thatch_wetness)
    assert gone[10:20].all() and not gone[:10].any() and not gone[20:].any()
    assert np.isfinite(found.root_wetness).all()
    still_out = without_readings(past(), FIRST_MS + 10 * HOUR_MS, None, thatch=False, roots=True)
    assert np.isnan(still_out.root_wetness[10:]).all() and np.isfinite(still_out.thatch_wetness).all()


def test_balance_carries_by_its_own_sums():
    """With 0.1 mm an hour taken from 40 mm of roots, each hour costs 0.0025; thatch below its drained level keeps."""
    out = without_readings(past(), FIRST_MS + 20 * HOUR_MS + 1, None, thatch=True, roots=True)
    found = filled_by_balance(out, PARAMETERS, FIRST_MS + 20 * HOUR_MS)
    assert found is not None
    # the last reading is that of hour 20; the state after its hour is that of hour 21
    assert found.root_wetness[20:] == pytest.approx(0.8 - 0.0025 * np.arange(40))
    assert found.thatch_wetness == pytest.approx(np.full(60, 0.5))


def test_readings_that_are_there_stay():
    """Only the thatch was lifted: the roots' own readings stand."""
    out = without_readings(past(), FIRST_MS + 20 * HOUR_MS, None, thatch=True, roots=False)
    found = filled_by_balance(out, PARAMETERS, FIRST_MS + 20 * HOUR_MS)
    assert found is not None
    assert (found.root_wetness == 0.8).all()


def test_nothing_is_carried_from_nothing():
    """No reading before the lift, or a gauge that was silent since: not known."""
    never = without_readings(past(), FIRST_MS, None, thatch=True, roots=True)
    assert filled_by_balance(never, PARAMETERS, FIRST_MS + 20 * HOUR_MS) is None
    silent = without_readings(past(), FIRST_MS + 20 * HOUR_MS, None, thatch=True, roots=True)
    silent.water_mm[30] = NAN
    assert filled_by_balance(silent, PARAMETERS, FIRST_MS + 20 * HOUR_MS) is None


def test_neighbour_lends_what_it_has():
    """Its wetness fills the gap since the lift and nothing before; a silent one lends nothing."""
    out = without_readings(past(), FIRST_MS + 20 * HOUR_MS, None, thatch=True, roots=False)
    found = filled_from_neighbour(out, past(thatch=0.9, root=0.3), FIRST_MS + 20 * HOUR_MS)
    assert found is not None
    assert found.thatch_wetness.tolist() == [0.5] * 20 + [0.9] * 40
    assert (found.root_wetness == 0.8).all()
    assert filled_from_neighbour(out, past(thatch=NAN), FIRST_MS + 20 * HOUR_MS) is None
