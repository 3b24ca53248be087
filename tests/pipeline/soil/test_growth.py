"""Growth potential and growth-days, held against an independent table and algebra."""

import numpy as np
import pytest

from pipeline.soil import growth

TEMPERATURE = [0, 5, 10, 12, 15, 18, 20, 25, 28, 30, 31, 35]
# Gelernter & Stowell 2005 in Celsius constants; the table was computed independently of this project.
COOL = [0.0013, 0.0243, 0.1915, 0.3472, 0.6615, 0.9360, 1.0, 0.6615, 0.3472, 0.1915, 0.1353, 0.0243]
WARM = [0.0001, 0.0010, 0.0111, 0.0251, 0.0734, 0.1783, 0.2909, 0.6926, 0.9123, 0.9898, 1.0, 0.8494]


def test_cool_and_warm_tables():
    """Both curves give the independent table to its last digit."""
    assert growth.growth_potential_cool(TEMPERATURE) == pytest.approx(COOL, abs=0.5001e-4)
    falling = growth.growth_potential_warm(TEMPERATURE, hold_above_optimum=False)
    assert falling == pytest.approx(WARM, abs=0.5001e-4)


def test_curves_cross_where_a_published_note_says():
    """Cool and warm potential are equal at 24.84 degC (computed independently; a published note: about 24.8)."""
    t = np.linspace(20.0, 30.0, 10001)
    gap = growth.growth_potential_cool(t) - growth.growth_potential_warm(t)
    assert t[np.argmin(np.abs(gap))] == pytest.approx(24.84, abs=0.005)


def test_warm_curve_is_held_above_its_optimum_by_default():
    """Above 31 degC warm-season turf keeps growing at its best, as the authors later had it."""
    assert growth.growth_potential_warm([31.0, 36.0, 40.0]) == pytest.approx([1.0, 1.0, 1.0])
    assert growth.growth_potential(25.0, "warm") == pytest.approx(0.6926, abs=0.5001e-4)
    assert growth.growth_potential(25.0, "cool") == pytest.approx(0.6615, abs=0.5001e-4)
    with pytest.raises(ValueError, match="found 'mild'"):
        growth.growth_potential(25.0, "mild")


def test_mean_over_the_spread_has_a_closed_form():
    """Averaging a bell over a normal spread gives a wider, lower bell (algebra of two normal curves)."""
    t, spread, v = np.linspace(0.0, 30.0, 31), 2.5, 5.5
    wide = v**2 + spread**2
    exact = v / np.sqrt(wide) * np.exp(-0.5 * (t - 20.0) ** 2 / wide)
    assert growth.mean_growth_potential(t, "cool") == pytest.approx(exact, abs=1e-9)
    assert growth.mean_growth_potential(5.0, "cool") > growth.growth_potential(5.0, "cool")  # softer autumn


def test_growth_days_count_unknown_days_as_nothing_and_say_so():
    """The sum is a lower bound over gaps and tells on how many days it rests."""
    total, known = growth.growth_days([0.5, np.nan, 1.0, 0.25])
    assert total == pytest.approx([0.5, 0.5, 1.5, 1.75])
    assert known.tolist() == [1, 1, 2, 3]


@pytest.mark.parametrize(
    ("potential", "needed", "days"),
    [([0.7] * 30, 14.0, 20.0), ([0.7] * 30, 14.01, 21.0), ([0.1] * 30, 4.0, np.inf), ([], 0.0, 0.0)],
)
def test_days_to_heal(potential, needed, days):
    """Days are counted until the sum reaches the need; never reached is infinite (algebra)."""
    assert growth.days_to_heal(potential, needed) == days


def test_days_to_heal_refuses_unknown_days():
    """A hole in the days to come is not taken for winter."""
    with pytest.raises(ValueError, match="found 1 unknown days"):
        growth.days_to_heal([0.5, np.nan, 0.5], 1.0)


def test_growing_degree_days_with_base_and_ceiling():
    """(24 + 12)/2 - 10 = 8; a ceiling of 20 makes it 6; a frosty day counts nothing (algebra)."""
    assert growth.growing_degree_days([24.0, 5.0], [12.0, -3.0], 10.0) == pytest.approx([8.0, 0.0])
    assert growth.growing_degree_days(24.0, 12.0, 10.0, ceiling_degc=20.0) == pytest.approx(6.0)
