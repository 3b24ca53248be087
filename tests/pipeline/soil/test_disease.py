"""The index of disease weather against the logistic curve as its paper prints it.

Smith, Kerns et al. 2018, PLoS ONE 13(3) e0194216: logit p = -11.4041 + 0.0894 RH5 + 0.1932 T5, in % and degC, for 10 to
35 degC. The chances below are that curve by a table of logarithms, apart from our code.
"""

import math

import numpy as np
import pytest

from pipeline.soil.disease import LOOK_FROM, dollar_spot_chance


@pytest.mark.parametrize(
    ("humidity", "warmth", "chance"),
    # -11.4041 + 7.152 + 3.864 = -0.3881; + 8.046 + 4.830 = 1.4719; + 6.258 + 2.898 = -2.2481; + 7.599 + 1.932 = -1.8731
    [(80.0, 20.0, 0.4042), (90.0, 25.0, 0.8133), (70.0, 15.0, 0.0955), (85.0, 10.0, 0.1332)],
)
def test_chance_is_that_of_the_published_curve(humidity, warmth, chance):
    """To four decimals."""
    assert float(dollar_spot_chance(humidity, warmth)) == pytest.approx(chance, abs=5e-5)


def test_a_fifth_is_where_the_curve_says():
    """At 20 degC one in five is reached at (ln(1/4) + 11.4041 - 3.864) / 0.0894 = 68.83 % of humidity."""
    bound = (math.log(0.25) + 11.4041 - 0.1932 * 20.0) / 0.0894
    below, above = dollar_spot_chance([bound - 0.01, bound + 0.01], 20.0)
    assert below < LOOK_FROM < above and bound == pytest.approx(68.83, abs=0.01)


def test_nothing_is_said_outside_what_it_was_made_for():
    """Below 10 and above 35 degC, and where a mean is not known."""
    assert np.isnan(dollar_spot_chance(90.0, [9.99, 35.01, np.nan])).all()
    assert np.isnan(dollar_spot_chance(np.nan, 20.0))
    assert np.isfinite(dollar_spot_chance(90.0, [10.0, 35.0])).all()
