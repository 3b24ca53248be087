"""Cores, removal by a pass and the year model, held against extension arithmetic and closed forms."""

from datetime import date

import numpy as np
import pytest

from pipeline.soil import thatch
from pipeline.soil.change import sen_line


def ruler(day, mm, **more):
    return thatch.CoreReading(taken=day, method=more.pop("method", "ruler"), thickness_mm=mm, **more)


def test_cores_of_a_date_become_one_mean_with_its_spread():
    """Five cores of one day give mean, spread and number; three cores are too few (algebra)."""
    cores = [ruler(date(2025, 3, 1), mm) for mm in (10.0, 12.0, 14.0, 11.0, 13.0)]
    cores += [ruler(date(2026, 3, 1), mm) for mm in (9.0, 10.0, 11.0)]
    series = thatch.thickness_series(cores[::-1])
    assert series.mean == pytest.approx([12.0, 10.0])
    assert series.spread == pytest.approx([np.sqrt(2.5), 1.0])
    assert series.cores.tolist() == [5, 3]
    assert series.enough.tolist() == [True, False]
    assert series.time_year == pytest.approx([0.0, 365 / 365.2425])


def test_two_methods_never_share_a_series():
    """Relaxed and pressed thickness, or two laboratory methods, are refused by name."""
    cores = [ruler(date(2025, 3, 1), 10.0), ruler(date(2025, 9, 1), 7.0, method="ruler, 5 kPa")]
    with pytest.raises(thatch.MixedMethodsError, match="'ruler' and 'ruler, 5 kPa'"):
        thatch.thickness_series(cores)
    slices = [
        ruler(date(2025, 3, 1), 10.0, slices=(thatch.OrganicSlice(0, 20, 6.0, method),))
        for method in ("turf on", "sieved")
    ]
    with pytest.raises(thatch.MixedMethodsError, match="organic matter 0-20 mm"):
        thatch.organic_series(slices, 0, 20)


def test_organic_series_takes_only_the_slice_as_cut():
    """A slice cut otherwise is left out, and none at all is refused."""
    core = ruler(
        date(2025, 3, 1),
        float("nan"),
        slices=(thatch.OrganicSlice(0, 20, 6.0, "turf on"), thatch.OrganicSlice(20, 40, 3.0, "turf on")),
    )
    assert thatch.organic_series([core], 20, 40).mean.tolist() == [3.0]
    with pytest.raises(ValueError, match="found no core"):
        thatch.organic_series([core], 0, 25)
    with pytest.raises(ValueError, match="thickness: found no core"):
        thatch.thickness_series([core])


def test_a_series_of_cores_has_a_slope_per_year():
    """Cores at uneven dates falling 2 mm a year give -2 (algebra)."""
    days = [date(2023, 3, 1), date(2023, 9, 20), date(2024, 8, 1), date(2026, 3, 1)]
    cores = [ruler(day, 20.0 - 2.0 * (day - days[0]).days / 365.2425) for day in days]
    series = thatch.thickness_series(cores)
    assert sen_line(series.time_year, series.mean).slope == pytest.approx(-2.0)


# Extension arithmetic (grounds management association): 18 mm at 50 mm is 10 %, 12.5 mm at 50 mm is 5 %; the rest is
# the same geometry worked out by hand, no source. Columns: share, mm out of 20, passes from 20 to 6 mm.
PASSES = [
    (thatch.groove_share(2.0, 25.0), 0.08, 1.6, (14, 15)),
    (thatch.groove_share(3.0, 40.0), 0.075, 1.5, (15, 16)),
    (thatch.groove_share(3.0, 25.0), 0.12, 2.4, (9, 10)),
    (thatch.groove_share(3.0, 20.0), 0.15, 3.0, (7, 8)),
    (thatch.hole_share(6.4, 34.0, 38.0), 0.025, 0.5, (47, 48)),
    (thatch.hole_share(12.5, 50.0), 0.05, 1.0, (23, 24)),
    (thatch.hole_share(12.7, 41.0, 58.0), 0.053, 1.1, (21, 22)),
    (thatch.hole_share(18.0, 50.0), 0.10, 2.0, (11, 12)),
]


@pytest.mark.parametrize(("share", "expected", "out_mm", "passes"), PASSES)
def test_what_a_full_depth_pass_takes_out(share, expected, out_mm, passes):
    """Share touched, millimetres out of 20, and passes from 20 to 6 mm."""
    assert share == pytest.approx(expected, abs=0.0025)  # shares are given to half a per cent
    assert thatch.removed_mm(20.0, share, 25.0) == pytest.approx(out_mm, abs=0.05)
    left, count = 20.0, 0
    while left > 6.0:
        left, count = left - thatch.removed_mm(left, share, 25.0), count + 1
    assert passes[0] <= count <= passes[1]


def test_small_tines_close_together_still_take_little():
    """6.4 mm tines at 81 holes a square foot take under 3 % (extension arithmetic)."""
    spacing = 304.8 / 9.0
    assert thatch.hole_share(6.4, spacing) < 0.03


def test_a_shallow_pass_takes_only_its_depth():
    """1 mm blades at 12 mm going 2.5 mm deep take 0.2 mm of 20."""
    share = thatch.groove_share(1.0, 12.0)
    assert thatch.removed_mm(20.0, share, 2.5) == pytest.approx(0.2, abs=0.01)


def test_weighed_debris_gives_the_efficiency():
    """0.5 kg/m2 dry where geometry promised 2.4 mm at 0.3 g/cm3 is 69 % (algebra)."""
    assert thatch.removal_efficiency(0.5, 20.0, 0.12, 25.0) == pytest.approx(0.5 / 0.72)
    with pytest.raises(ValueError, match="found 0 kg/m2 promised"):
        thatch.removal_efficiency(0.5, 20.0, 0.12, 0.0)


def test_impossible_tools_are_refused():
    """Blades wider than their spacing, and holes that overlap are named."""
    with pytest.raises(ValueError, match="found 3 mm at 2 mm"):
        thatch.groove_share(3.0, 2.0)
    with pytest.raises(ValueError, match="found 18 mm at 50 x 15 mm"):
        thatch.hole_share(18.0, 50.0, 15.0)
