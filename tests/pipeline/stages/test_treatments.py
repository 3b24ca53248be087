"""What passes are found to have changed: made-up findings before and after, geometry by hand, cores on a line."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from pipeline.diary.facts import Dated
from pipeline.diary.station import PassDone, StationContext
from pipeline.soil.thatch import CoreReading, OrganicSlice
from pipeline.stages.treatments import PASS_QUANTITIES, StationFindings, core_findings, pass_findings, touched, window
from pipeline.units import DAY_MS
from tests.pipeline.contexts import changed, station_context

PASS_MS = 1_717_000_000_000
NAN = float("nan")
SCARIFIED = PassDone(PASS_MS, "scarifying", "standard", "scarifying", 0.010, NAN, NAN, NAN)
GREEN = station_context("s1", {}, cores=(Dated(0, 0.020),), passes=(SCARIFIED,))
LEFT = station_context("s2", {})


def told(context: StationContext, before: float, after: float, *, n: int = 8, seed: int = 1) -> StationFindings:
    """Hold times about two levels, one every nine days, with a spread of two hours."""
    rng = np.random.default_rng(seed)
    days = np.concatenate([-5.0 - 9.0 * np.arange(n)[::-1], 2.0 + 9.0 * np.arange(n)])
    level = np.where(days < 0.0, before, after) + rng.normal(0.0, 2.0, days.size)
    return StationFindings(context, {"hold_time": (PASS_MS + (days * DAY_MS).astype(np.int64), level)})


def found(own: StationFindings, *others: StationFindings, one: PassDone = SCARIFIED) -> dict:
    return {f.quantity: f for f in pass_findings(own, lambda: others, one)}


def test_season_is_taken_off_by_a_station_left_alone() -> None:
    """From 60 to 40 h here while 60 to 52 h where none was made: 12 h of the 20 are the pass's (algebra)."""
    change = found(told(GREEN, 60.0, 40.0), told(LEFT, 60.0, 52.0, seed=2))["hold_time_change"]
    assert change.value == pytest.approx(-12.0, abs=4.0)  # four medians of eight with a spread of 2 h
    assert change.low <= -12.0 <= change.high < 0.0
    assert "beside s2" in change.reason and change.n == 32


def test_without_a_station_beside_it_says_that_the_season_is_in_it() -> None:
    """The plain difference, and the words; a station that was treated in the same weeks is none to compare with."""
    treated = changed(LEFT, passes=(replace(SCARIFIED, at_ms=PASS_MS + DAY_MS),))
    change = found(told(GREEN, 60.0, 40.0), told(treated, 60.0, 52.0, seed=2))["hold_time_change"]
    assert change.value == pytest.approx(-20.0, abs=3.0) and "season" in change.reason


def test_too_few_events_withhold_with_their_number() -> None:
    """Three on a side are not four; what nobody found at all is withheld too."""
    findings = found(told(GREEN, 60.0, 40.0, n=3))
    assert np.isnan(findings["hold_time_change"].value) and "4 needed" in findings["hold_time_change"].reason
    assert np.isnan(findings["root_depth_90_change"].value)


def test_no_change_is_told_as_such() -> None:
    """Like levels: the interval holds nothing, and says so."""
    change = found(told(GREEN, 50.0, 50.0), told(LEFT, 50.0, 50.0, seed=5))["hold_time_change"]
    assert change.low <= 0.0 <= change.high and "no change" in change.reason


def test_the_next_pass_as_deep_ends_the_window_and_a_lesser_one_is_named() -> None:
    """Twelve weeks either side, cut at another scarifying after 30 days; verticutting at 3 mm is named only."""
    light = replace(SCARIFIED, kind="verticutting", title="verticutting", depth_m=0.003, at_ms=PASS_MS + 20 * DAY_MS)
    again = replace(SCARIFIED, at_ms=PASS_MS + 30 * DAY_MS)
    assert window(SCARIFIED, (SCARIFIED, light)) == (PASS_MS - 84 * DAY_MS, PASS_MS + 84 * DAY_MS)
    assert window(SCARIFIED, (SCARIFIED, light, again)) == (PASS_MS - 84 * DAY_MS, PASS_MS + 30 * DAY_MS)
    context = changed(GREEN, passes=(SCARIFIED, light))
    assert "verticutting fell within it" in found(told(context, 60.0, 40.0))["hold_time_change"].reason
    assert touched(context, PASS_MS + 90 * DAY_MS, PASS_MS + 91 * DAY_MS) == [light]


def test_an_untreated_island_is_told_and_no_effect_is_drawn_from_it() -> None:
    """A probe that was not lifted stands in ground the blades left: said until the next pass that took it out."""
    around = replace(SCARIFIED, around=("the north thatch probe",))
    later = replace(SCARIFIED, at_ms=PASS_MS + 50 * DAY_MS)
    findings = found(told(changed(GREEN, passes=(around, later)), 60.0, 40.0), one=around)
    island = findings["untreated_island"]
    assert island.value == 1.0 and "went around the north thatch probe: what it says" in island.reason
    assert (island.start_ms, island.end_ms) == (PASS_MS, later.at_ms)
    assert np.isnan(findings["hold_time_change"].value) and "island" in findings["hold_time_change"].reason
    around = replace(SCARIFIED, around=("the north thatch probe", "the south one", "the cone"))
    island = found(told(changed(GREEN, passes=(around,)), 60.0, 40.0), one=around)["untreated_island"]
    assert "the north thatch probe, the south one and the cone: what they say" in island.reason


def test_a_brush_changes_nothing_and_a_dressing_does() -> None:
    """Light raking at 1 mm has no findings; top-dressing has its changes, and takes nothing out."""
    brushed = replace(SCARIFIED, kind="light_raking", depth_m=0.001)
    dressed = replace(SCARIFIED, kind="topdressing", depth_m=0.0)
    assert found(told(GREEN, 60.0, 40.0), one=brushed) == {}
    assert set(found(told(GREEN, 60.0, 40.0), one=dressed)) == {q for q in PASS_QUANTITIES if q.endswith("_change")}


def test_removal_by_the_blades_and_by_the_scales() -> None:
    """2 mm blades at 20 mm, 10 mm deep: a tenth of 10 mm, at .6 to .8 of it .6 to .8 mm (extension arithmetic). 0.21 kg
    weighed of .1 x 10 mm x .30 g/cm3 = .30 kg promised: .7 (by hand)."""
    one = replace(SCARIFIED, width_m=0.002, spacing_m=0.020, removed_kg_m2=0.21)
    findings = found(told(GREEN, 60.0, 40.0), one=one)
    removed, share = findings["thatch_removed"], findings["removal_efficiency"]
    assert (removed.low, removed.value, removed.high) == pytest.approx((0.6, 0.7, 0.8))
    assert share.value == pytest.approx(0.7) and (share.low, share.high) == pytest.approx((0.6, 0.84))
    assert "width" in found(told(GREEN, 60.0, 40.0))["thatch_removed"].reason


def test_blades_wider_than_they_stand_apart_tell_no_share() -> None:
    """Both figures that rest on it say why."""
    one = replace(SCARIFIED, width_m=0.030, spacing_m=0.020, removed_kg_m2=0.21)
    findings = found(told(GREEN, 60.0, 40.0), one=one)
    for quantity in ("thatch_removed", "removal_efficiency"):
        assert np.isnan(findings[quantity].value)
        assert "found 30 mm at 20 mm, expected 0 < width <= spacing" in findings[quantity].reason


def test_tines_take_their_width_from_the_variant() -> None:
    """18 mm at 50 mm take 10 % (extension arithmetic): of 20 mm of thatch 2.04 mm, at .6 to .8."""
    cored = replace(SCARIFIED, kind="hollow_coring", variant="18mm", depth_m=0.080, spacing_m=0.050)
    removed = found(told(GREEN, 60.0, 40.0), one=cored)["thatch_removed"]
    assert (removed.low, removed.high) == pytest.approx((2.04 * 0.6, 2.04 * 0.8), abs=0.01)


def core(year: int, mm: float, method: str = "a ruler", percent: float | None = None) -> CoreReading:
    slices = () if percent is None else (OrganicSlice(0.0, 20.0, percent, "440 degC"),)
    return CoreReading(datetime.date(year, 3, 1), method, mm, slices=slices)


def test_thatch_trend_is_the_slope_of_its_cores() -> None:
    """12, 13.5, 15 and 16.5 mm a year apart: 1.5 mm a year (algebra), by the commonest method, with doubts."""
    reads = tuple(core(2020 + k, 12.0 + 1.5 * k, percent=8.0 - 0.5 * k) for k in range(4))
    findings = {f.quantity: f for f in core_findings(changed(GREEN, core_reads=(*reads, core(2023, 9.0, "pressed"))))}
    slope = findings["thatch_trend"]
    assert slope.value == pytest.approx(1.5, rel=2e-3) and slope.n == 4  # leap days
    assert "rough" in slope.reason and "fewer than 5 cores" in slope.reason
    assert findings["organic_trend"].value == pytest.approx(-0.5, rel=2e-3)
    two = {f.quantity: f for f in core_findings(changed(GREEN, core_reads=reads[:2]))}
    assert np.isnan(two["thatch_trend"].value) and "3 needed" in two["thatch_trend"].reason
    assert list(core_findings(GREEN)) == []


def test_of_two_methods_as_common_the_first_by_name_gives_the_trend() -> None:
    """Three cores by each of two methods, in either order, for twenty names: the order of a set of texts differs from
    process to process."""
    for k in range(20):
        reads = [core(year, 12.0, f"{first} {k}") for first in ("ruler", "pressed") for year in (2020, 2021, 2022)]
        for some in (reads, reads[::-1]):
            trend = {f.quantity: f for f in core_findings(changed(GREEN, core_reads=tuple(some)))}["thatch_trend"]
            assert trend.reason.startswith(f"cores by pressed {k}")
