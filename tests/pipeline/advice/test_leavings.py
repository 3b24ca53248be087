"""What booked passes may leave: by hand, from the geometry of blades, with an efficiency of 0.6 to 0.8."""

from __future__ import annotations

import math

import pytest

from pipeline.advice.leavings import leavings, takes_thatch
from pipeline.diary.facts import DatedPass

SCARIFIED = DatedPass("scarifying", "standard", 0, 1, 0.010, "booked", spacing_m=0.025, width_m=0.003)
CORED = DatedPass("hollow_coring", "13mm", 2, 3, 0.080, "booked", spacing_m=0.050)


def test_each_pass_goes_on_from_what_the_one_before_it_left() -> None:
    """12 % of 10 mm at 0.6 to 0.8 is 0.72 to 0.96 mm; holes of 13 mm each 50 mm touch 5.31 % of all that is left."""
    first, then = leavings([(SCARIFIED, 10.0), (CORED, 80.0)], 20.0)
    assert (first.low, first.high) == (pytest.approx(19.04), pytest.approx(19.28))
    holes = math.pi * 13**2 / 4 / 50**2
    assert (then.low, then.high) == (
        pytest.approx(19.04 * (1 - 0.8 * holes)), pytest.approx(19.28 * (1 - 0.6 * holes))
    )  # fmt: skip


def test_what_nobody_wrote_down_is_withheld_and_changes_nothing() -> None:
    """Without blades, or without a core, there is no figure but a reason."""
    bare = SCARIFIED._replace(width_m=math.nan)
    untold, then = leavings([(bare, 10.0), (SCARIFIED, 10.0)], 20.0)
    assert untold.withheld and "width and spacing" in untold.reason and then.low == pytest.approx(19.04)
    (no_core,) = leavings([(SCARIFIED, 10.0)], math.nan)
    assert no_core.withheld and "no core" in no_core.reason
    assert takes_thatch(CORED) and not takes_thatch(SCARIFIED._replace(kind="light_raking"))
