"""Tonight's water, roots and their intervals, of readings in a real store: made-up turf whose truth is algebra.

Expected values come from that algebra, from FAO-56 and Magnus tables, from the growth curve's closed form, or from the
trade's table, and each says which. A growing day's expectation over a normal spread s about T is
v / sqrt(v^2 + s^2) exp(-(T - To)^2 / 2 (v^2 + s^2)), with To 20 and v 5.5 for cool-season grass.
"""

import numpy as np
import pytest

from tests.pipeline.advice.told_site import (
    calendar,
    find,
    read_forecast,
)
from tests.pipeline.kept_site import (
    CLIMATE,
    DAY_MS,
    HOUR_MS,
    NOW_MS,
    SITE,
    SURFACE,
    drying,
    forecast_csv,
    pass_of,
    station,
    steady,
    surface_of,
)

# --- water --------------------------------------------------------------------------------------------------------


def test_tonights_water_is_what_roots_and_thatch_lack(dry):
    """Roots at 0.3 of 30 mm lack 18 up to 0.9, thatch at 0.5 of 6 mm drinks 3, the leaf 1: 23 mm (the readings are a
    little drier) on 1000 m2 are 23 m3.

    Nine days are too few for a fit, so the boxes are those written down: 150 mm x 0.20 and 20 mm x 0.30.
    """
    water = surface_of(dry.advice()).stations[0].water
    assert water.root_deficit_mm == pytest.approx(18.0, abs=0.2)
    assert water.drink_mm == pytest.approx(3.0, abs=0.1)
    assert water.mm == 23.0 and water.volume_m3 == pytest.approx(23.0)
    assert "needs a licence in England" in water.further[0]  # more than 20 m3 a day


def test_no_water_where_there_is_none_to_hand_or_it_is_forbidden(dry):
    """Without water it says what would help; while it is restricted it says so."""
    none = dry.told(SITE, CLIMATE, SURFACE + "water_to_hand = false\n", station())
    water = surface_of(none.advice()).stations[0].water
    assert water.mm == 0.0 and water.line == "Green, north end: no water tonight; there is no water to hand."
    assert water.further == ("23 mm would help.",)
    forbidden = dry.told(SITE, CLIMATE, "[water]\nrestricted = true\n", SURFACE, station())
    assert "watering is restricted" in surface_of(forbidden.advice()).stations[0].water.line


def test_no_habit_is_counted_on_where_nobody_can_water(build):
    """Water every third day so far; under a ban, and where there is none to hand, nothing is counted on any more."""
    site = build()
    site.keep(drying, 24 * 17)
    for days in range(2, 29, 3):
        site.write("watering", NOW_MS - days * DAY_MS, {"water_mm": 12.0})
    forbidden = site.told(SITE, CLIMATE, "[water]\nrestricted = true\n", SURFACE, station()).advice()
    none = site.told(SITE, CLIMATE, SURFACE + "water_to_hand = false\n", station()).advice()
    free = site.advice()
    assert any("water of about 12 mm is counted on every 3 days" in note for note in free.notes)
    for advice in (forbidden, none):
        assert not any("is counted on" in note for note in advice.notes)
        made = surface_of(advice).stations[0].forecast
        assert np.array_equal(made.if_unwatered().root_wetness, made.root_wetness)
    made = surface_of(free).stations[0].forecast
    assert not np.array_equal(made.if_unwatered().root_wetness, made.root_wetness)


@pytest.mark.parametrize(("ago_ms", "counts"), [(60_000, True), (DAY_MS, False)])
def test_water_of_the_diary_counts_until_the_probes_show_it(build, ago_ms, counts):
    """23 mm are called for; 22 written down a moment ago leave the roots 1 mm short: nothing tonight (algebra).
    What was given a day ago is in the readings."""
    site = build()
    site.keep(steady(thatch=0.5, roots=0.3), 24 * 9)
    site.write("watering", NOW_MS - ago_ms, {"water_mm": 22.0})
    water = surface_of(site.advice()).stations[0].water
    assert water.mm == (0.0 if counts else 23.0)
    assert ("no water tonight; the 22 mm given count" in water.line) == counts


def test_play_of_this_afternoon_is_over_when_tonights_water_goes_on(dry):
    """NOW is in the morning: play two hours from now forbids no water of tonight, play tomorrow at seven does."""
    this, then = (surface_of(dry.advice(fixtures=calendar(t))).stations[0].water for t in (NOW_MS + 2 * HOUR_MS,
                  (NOW_MS // DAY_MS + 1) * DAY_MS + 7 * HOUR_MS))  # fmt: skip
    assert this.mm == 23.0
    assert "play is too near for it to drain" in then.line


def test_square_being_dried_for_play_gets_no_water(dry):
    """A square is dried for five days before a match (common practice, no source)."""
    site = dry.told(SITE, CLIMATE, SURFACE.replace("green", "square").replace("Green", "Square"), station())
    for days, words in ((3, "it is being dried for play"), (9, "the roots are short of")):
        told = surface_of(site.advice(fixtures=calendar(NOW_MS + days * DAY_MS)), "square")
        assert words in told.stations[0].water.line, days


# --- roots, intervals, and what a surface without a thatch probe is told ------------------------------------------


def test_root_depth_is_the_newest_estimate_drawn_to_the_ruler(brief):
    """A core's ruler said 120 mm under thatch where probes said 80: half as much again holds for the 60 of now.

    Below the leaf base: 20 mm of thatch and 1.5 x 60 mm of soil. The fortnights end before the readings begin, so that
    the stages have none of their own there.
    """
    fortnight = 14 * DAY_MS
    begin = NOW_MS - 60 * DAY_MS
    find(
        brief,
        "root_depth_90",
        [(begin, begin + fortnight, 0.100, ""), (begin + fortnight, begin + 2 * fortnight, 0.080, "")],
    )
    assert pass_of(brief.advice(), "scarifying").outlook.ground.root_depth_m is None  # no ruler yet
    brief.write("core", begin + 20 * DAY_MS, {"thatch_mm": 20.0, "root_mm": 90.0}, station="s1")
    # that core lies in the second fortnight: 90 over 60 of its estimate
    told = pass_of(brief.advice(), "scarifying").outlook.ground.root_depth_m
    assert told == pytest.approx(0.020 + 1.5 * 0.060)


def test_old_estimate_of_roots_says_nothing(brief):
    """A fortnight over for more than two months is of another season."""
    begin = NOW_MS - 150 * DAY_MS
    find(brief, "root_depth_90", [(begin, begin + 14 * DAY_MS, 0.100, "")])
    brief.write("core", begin + DAY_MS, {"thatch_mm": 20.0, "root_mm": 90.0}, station="s1")
    assert pass_of(brief.advice(), "scarifying").outlook.ground.root_depth_m is None


def test_last_water_that_stopped_in_the_thatch_is_told(dry):
    """One part in ten of the last water reached the roots: less than a fifth, so the next is to be long and seldom."""
    find(dry, "arrival_share", [(NOW_MS - 3 * DAY_MS, NOW_MS - 3 * DAY_MS + HOUR_MS, 0.1, "")])
    assert any(
        "The last water stopped in the thatch" in one for one in surface_of(dry.advice()).stations[0].water.further
    )


def test_roots_are_drawn_down_a_day_at_a_time(build):
    """Every four days, held twice without wilt: not before the fourth day, and five days from now on.

    At 0.45 the roots lack 16.5 of 30 mm: more than half, less than the 0.65 that drawing down lets them lack.
    """
    site = build(
        SITE, CLIMATE, SURFACE.replace('kind = "green"', 'kind = "lawn"') + "water_every_days = 4\n", station()
    )
    site.keep(steady(thatch=0.5, roots=0.45), 24 * 9)
    for days in (11, 7, 3):
        site.write("watering", NOW_MS - days * DAY_MS, {"water_mm": 12.0})
    water = surface_of(site.advice()).stations[0].water
    assert water.line.endswith("no water tonight; every 5 days to draw the roots down, and no wilt seen.")
    assert water.further == ("Two waterings without wilt: a day longer, every 5 days from now on.",)
    site.write("sight", NOW_MS - 5 * DAY_MS, {"what": "wilt", "value": 1.0})
    water = surface_of(site.advice()).stations[0].water
    assert water.line.endswith("every 4 days to draw the roots down, and no wilt seen.")
    assert water.further == ()  # not held since: it stays
    site.write("sight", NOW_MS - 2 * HOUR_MS, {"what": "wilt", "value": 1.0})
    water = surface_of(site.advice()).stations[0].water
    assert ": water " in water.line and water.further[-1] == "Wilt was seen: a day shorter, every 3 days from now on."


def test_a_surface_without_a_thatch_probe_is_told_no_chance(build):
    """Roots alone do not make it dry enough to scarify: cannot tell."""
    bare = station().split('[[surface.station.probe]]\nname = "t1"')[0] + '[[surface.station.probe]]\nname = "w1"\n'
    site = build(SITE, CLIMATE, SURFACE, bare + 'model = "climate_station"\n')
    known = {k: v for k, v in steady()(0).items() if not k.startswith("t1")}
    site.keep(lambda hour: known, 24 * 16)
    one = surface_of(site.advice()).stations[0]
    assert np.isfinite(one.forecast.root_wetness).all() and one.forecast.root_wetness.shape[1] > 0
    assert (one.days, one.day_line) == ((), "dry enough to scarify: cannot tell")


def test_day_is_moist_or_dry_enough_as_it_has_to_change(build):
    """Thatch below the open range is to become moist enough, not dry enough."""
    site = build()
    site.keep(steady(thatch=0.2), 24 * 9)
    assert surface_of(site.advice()).stations[0].day_line.startswith("moist enough to scarify: ")


def test_without_a_climate_growth_of_the_week_still_counts(build):
    """Seven days at 15 degC are a growth of 0.66, open for verticutting from 0.35, whatever the season usually is."""
    site = build(SITE, SURFACE, station())
    site.keep(steady(), 24 * 9)
    csv = forecast_csv(NOW_MS, {"rain_mm": [0.0] * 100, "temperature_degc": [15.0] * 100})
    advice = site.advice(forecast=read_forecast(csv, site))
    # whether it heals before growth ends is all that is not known of it
    assert pass_of(advice, "verticutting").outlook.windows[0].binding == "growth_to_come"
    assert pass_of(advice, "verticutting").last_good is None
