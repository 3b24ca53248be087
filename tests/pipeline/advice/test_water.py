"""Tonight's water: as much as roots lack and thatch drinks, in goes the ground takes, or none with the reason."""

from dataclasses import replace

import pytest

from pipeline.advice.water import (
    Evening,
    Turf,
    WaterAdvice,
    WaterLimits,
    abstraction_caution,
    is_dried_for_play,
    next_interval,
    readily_available,
    tonight,
)

LIMITS = WaterLimits(frost_degc=0.5, repels_wetness=0.15, holds_wetness=0.9, roots_dry_wetness=0.5, arrival_share=0.2)
LAWN = Turf("Lawn, south end", "loam", thatch_capacity_mm=5.0, root_capacity_mm=20.0, limits=LIMITS, canopy_mm=1.0)
DRY = Evening(thatch_wetness=0.2, root_wetness=0.3, demand_tomorrow_mm=3.0)
LONGEST = 160  # characters of a line of water and of each sentence behind it: three lines of a phone, our own choice


def besides(found: WaterAdvice) -> str:
    """Return what is said beyond the line."""
    return " ".join(found.further)


def test_water_is_what_roots_lack_thatch_drinks_and_leaves_hold():
    """12 mm of roots, up to 0.9, 4 of thatch and 1 on the leaf are 17 mm (algebra), in goes of 8 mm at most on loam."""
    found = tonight(LAWN, DRY)
    assert (found.mm, found.goes, found.drink_mm, found.root_deficit_mm) == (17.0, 3, 4.0, 12.0)
    assert found.line == (
        "Lawn, south end: water 17 mm tonight in 3 goes an hour apart; the roots are short of 12 mm; "
        "the thatch drinks 4 mm first."
    )


@pytest.mark.parametrize("seed", [False, True])
@pytest.mark.parametrize("thatch", [0.05, 0.3, 0.95])
@pytest.mark.parametrize("root", [None, 0.0, 0.4, 1.0])
def test_a_line_of_water_is_its_core_and_the_rest_are_sentences(seed, thatch, root):
    """All that can be cautioned of one night: the line stays short, and each caution stands by itself behind it."""
    turf = replace(LAWN, area_m2=9000.0, country="England", root_capacity_mm=60.0, seed=seed)
    evening = Evening(thatch, root, 4.0, arrival_share=0.1, days_to_play=1.2, light_only=True, wetness_error=(0.6, 0.2))
    found = tonight(turf, evening)
    assert len(found.line) <= LONGEST, found.line
    for one in found.further:
        assert one[0].isupper() or one[0].isdigit()
        assert one.endswith(".") and ". " not in one and one not in found.line
    assert (root in (0.0, 0.4) and not seed) == (len(found.further) >= 4)


def test_a_dry_thatch_of_20_mm_takes_5_mm_first():
    """Its 5 mm between 0.15 and 0.40 stand on top of what the roots lack (algebra of its thickness)."""
    thatched = replace(LAWN, thatch_capacity_mm=5.0, canopy_mm=0.0, limits=replace(LIMITS, repels_wetness=0.0))
    bare = replace(thatched, thatch_capacity_mm=0.0)
    dry = replace(DRY, thatch_wetness=0.0)
    assert tonight(thatched, dry).mm - tonight(bare, replace(dry, thatch_wetness=None)).mm == 5.0


def test_holes_let_water_by_before_thatch_is_full():
    """With half going by holes, 2 mm for the roots bring dry thatch 2 mm at most, not its 5 (algebra)."""
    limits = replace(LIMITS, repels_wetness=0.0)
    holed = replace(LAWN, bypass_share=0.5, canopy_mm=0.0, root_capacity_mm=5.0, limits=limits)
    found = tonight(holed, replace(DRY, thatch_wetness=0.0, root_wetness=0.5, wilt=True))
    assert found.drink_mm == pytest.approx(2.0)
    assert found.mm == 4.0


@pytest.mark.parametrize(
    ("grass", "wetness", "demand", "waters"),
    # of 100 mm, 40 may be used at 5 mm a day, 48 at 3 and 60 at none, tomorrow's with it; of warm-season turf 10 more
    [("cool", 0.651, 5.0, False), ("cool", 0.649, 5.0, True), ("cool", 0.551, 3.0, False), ("cool", 0.549, 3.0, True),
     ("cool", 0.401, 0.0, False), ("cool", 0.399, 0.0, True), ("warm", 0.451, 3.0, False), ("warm", 0.449, 3.0, True)],
)  # fmt: skip
def test_water_is_given_when_tomorrow_would_pass_what_is_allowed(grass, wetness, demand, waters):
    """No more of the easy water may be gone by tomorrow night than turf of its season takes without loss (FAO-56, Table
    22: 0.40 and 0.50 at 5 mm a day and 0.04 more for each millimetre less, from memory)."""
    turf = replace(LAWN, grass=grass, root_capacity_mm=100.0)
    found = tonight(turf, replace(DRY, root_wetness=wetness, demand_tomorrow_mm=demand))
    assert (found.mm > 0.0) == waters


@pytest.mark.parametrize(
    ("grass", "demand", "share"),
    [("cool", None, 0.40), ("cool", 5.0, 0.40), ("cool", 8.0, 0.28), ("warm", 0.0, 0.70), ("cool", 12.6, 0.10),
     ("cool", 12.4, 0.104), ("warm", -3.0, 0.80)],
)  # fmt: skip
def test_roots_take_more_of_their_water_when_little_is_asked(grass, demand, share):
    """FAO-56, Table 22, footnote 1 (from memory): p + 0.04 (5 - ETc), within 0.1 and 0.8; by hand."""
    assert readily_available(grass, demand) == pytest.approx(share)


def test_greens_are_let_down_less():
    """At 0.6 a lawn has enough and a green has not: 0.35 may be gone there."""
    at = replace(DRY, root_wetness=0.6, demand_tomorrow_mm=0.0)
    assert tonight(LAWN, at).mm == 0.0
    assert tonight(replace(LAWN, green=True), at).mm > 0.0


def test_likely_rain_is_waited_for_unless_roots_are_hard_pressed():
    """Half the members with half the need: wait; at 0.1 wetness, or on wilt, water all the same."""
    rainy = replace(DRY, rain_mm=(0.0, 0.0, 9.0, 20.0))
    found = tonight(LAWN, rainy)
    assert found.mm == 0.0
    assert "5 in 10" in found.line
    assert tonight(LAWN, replace(rainy, root_wetness=0.1)).mm > 0.0
    assert tonight(LAWN, replace(rainy, wilt=True)).mm > 0.0


def test_unlikely_or_slight_rain_changes_nothing():
    """One member in four with rain, or all with 2 mm: the water is the same."""
    for rain in ((0.0, 0.0, 0.0, 20.0), (2.0,) * 4):
        assert tonight(LAWN, replace(DRY, rain_mm=rain)).mm == 17.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"restricted": True}, "watering is restricted"),
        ({"dried_for_play": True}, "it is being dried for play"),
        ({"lowest_degc": 0.0}, "frost is likely tonight"),
        ({"root_wetness": 0.9}, "the roots have enough"),
    ],
)
def test_no_water_is_said_with_its_reason(change, said):
    """Restrictions, a pitch in preparation, frost and moist roots each hold the water back in words."""
    found = tonight(LAWN, replace(DRY, **change))
    assert (found.mm, found.goes) == (0.0, 0)
    assert said in found.line and found.line.startswith("Lawn, south end: no water tonight")


@pytest.mark.parametrize("change", [{"root_wetness": None}, {"root_wetness": float("nan")}, {"thatch_wetness": None}])
def test_unknown_wetness_is_not_guessed(change):
    """Without a good reading of both layers nobody can tell."""
    found = tonight(LAWN, replace(DRY, **change))
    assert found.mm is None
    assert "cannot tell" in found.line


def test_drying_for_play_holds_even_without_readings():
    """A pitch being dried gets no water whether or not its probe speaks."""
    assert tonight(LAWN, replace(DRY, root_wetness=None, dried_for_play=True)).mm == 0.0


@pytest.mark.parametrize(("root_capacity_mm", "mm", "goes"), [(3.0, 3.0, 2), (20.0, 13.0, 5), (60.0, 24.0, 8)])
def test_thatch_that_may_repel_is_wetted_in_little_goes(root_capacity_mm, mm, goes):
    """At 0.1 wetness it drinks nothing: 0.6 of the roots and 1 mm on the leaf go on in goes of 3 mm, two at least and
    eight at most, the rest another night (algebra)."""
    turf = replace(LAWN, root_capacity_mm=root_capacity_mm)
    found = tonight(turf, replace(DRY, thatch_wetness=0.1, wilt=True))
    assert (found.mm, found.goes, found.drink_mm) == (mm, goes, 0.0)
    assert "may shed it" in besides(found)
    assert ("the rest another night" in besides(found)) == (root_capacity_mm == 60.0)


@pytest.mark.parametrize(("wetness", "mm"), [(0.89, 6.0), (0.9, 5.0), (0.95, 5.0), (0.8, 7.0)])
def test_roots_are_filled_to_nine_tenths(wetness, mm):
    """On wilt 4 mm of thatch and 1 on the leaf; above 0.9 nothing for the roots, at 0.8 another 2 of 20 (algebra)."""
    assert tonight(LAWN, replace(DRY, root_wetness=wetness, wilt=True)).mm == mm


def test_water_that_stopped_in_the_thatch_is_not_repeated_lightly():
    """When under a fifth of the last water arrived, the line says to let each go soak."""
    assert "time to soak" in besides(tonight(LAWN, replace(DRY, arrival_share=0.1)))
    assert "time to soak" not in besides(tonight(LAWN, replace(DRY, arrival_share=0.2)))
    assert besides(tonight(LAWN, replace(DRY, arrival_share=0.1, thatch_wetness=0.1))).count("time to soak") == 1


def test_wet_thatch_over_dry_roots_is_named():
    """Thatch at 0.95 over roots at 0.4 drinks little, and the line says how it stands."""
    assert "wet over dry roots" in besides(tonight(LAWN, replace(DRY, thatch_wetness=0.95)))


def test_one_night_has_its_limit():
    """40 mm are needed: 25 tonight, the rest another night."""
    found = tonight(replace(LAWN, root_capacity_mm=60.0), DRY)
    assert found.mm == 25.0
    assert "the rest another night" in besides(found)


@pytest.mark.parametrize(
    ("soil", "mm", "goes"), [("first_class_clay_loam", 12.0, 4), ("club_clay_loam", 16.0, 4), ("clay_loam", 17.0, 3)]
)
def test_no_go_is_more_than_the_ground_takes(soil, mm, goes):
    """17 mm are needed: 4 goes of 3 or of 4 mm are 12 and 16, the rest another night; 3 of 6 mm do (algebra)."""
    found = tonight(replace(LAWN, soil=soil), DRY)
    assert (found.mm, found.goes) == (mm, goes)
    assert ("the rest another night" in besides(found)) == (mm < 17.0)


def test_no_rest_is_told_where_it_rounds_to_nothing():
    """16.4 mm are needed of 16 that the ground takes: both are told as 16 mm, and no other night is spoken of."""
    turf = replace(LAWN, soil="club_clay_loam", root_capacity_mm=19.0)
    found = tonight(turf, DRY)
    assert found.mm == 16.0
    assert "in all" not in besides(found)


@pytest.mark.parametrize(
    ("soil", "hours", "held"),
    [("loam", 17.9, True), ("loam", 18.0, False), ("sand", 6.0, False), ("first_class_clay_loam", 47.0, True)],
)
def test_no_water_before_play_that_will_not_drain_in_time(soil, hours, held):
    """The last water goes on so long before play, longer on loam than on sand (common practice, no source); wilted turf
    is watered all the same."""
    near = replace(DRY, hours_to_play=hours)
    turf = replace(LAWN, soil=soil)
    assert ("play is too near for it to drain" in tonight(turf, near).line) == held
    assert tonight(turf, replace(near, wilt=True)).mm > 0.0


@pytest.mark.parametrize(("given", "mm"), [(0.0, 17.0), (5.0, 13.0), (8.0, 10.0), (14.0, 0.0)])
def test_water_given_counts_before_the_probes_show_it(given, mm):
    """Of 5 mm the leaf holds 1 and the thatch drinks its 4; 14 leave the roots 3 mm short, tomorrow 6 (algebra)."""
    found = tonight(LAWN, replace(DRY, given_mm=given))
    assert found.mm == mm
    assert ("given count" in found.line) == (mm == 0.0)


def test_seed_is_kept_moist_lightly():
    """A seedbed at 0.5 gets a little once; at 0.8 nothing; likely rain is waited for unless it is below 0.5."""
    bed = replace(LAWN, seed=True)
    found = tonight(bed, replace(DRY, thatch_wetness=0.5))
    assert 1.0 <= found.mm <= 4.0 and found.goes == 1
    assert "little and often" in found.line
    assert tonight(bed, replace(DRY, thatch_wetness=0.8)).mm == 0.0
    rainy = replace(DRY, rain_mm=(20.0,) * 4)
    assert "rain enough for the seedbed is likely" in tonight(bed, replace(rainy, thatch_wetness=0.5)).line
    assert tonight(bed, replace(rainy, thatch_wetness=0.49)).mm > 0.0
    assert tonight(bed, replace(DRY, thatch_wetness=0.5, given_mm=3.0)).mm == 0.0


def test_interval_holds_water_back_until_it_runs_out():
    """Drawing roots down every 4 days: nothing on day 3, water on day 4, and at once on wilt."""
    deep = replace(DRY, root_wetness=0.3, interval_days=4, days_since_water=3.0)
    assert "every 4 days" in tonight(LAWN, deep).line
    assert tonight(LAWN, replace(deep, days_since_water=4.0)).mm > 0.0
    assert tonight(LAWN, replace(deep, wilt=True)).mm > 0.0
    assert tonight(LAWN, replace(deep, root_wetness=0.15)).mm > 0.0


@pytest.mark.parametrize(
    ("country", "mm", "cautioned"),
    # 20 m3 on 1500 m2 are 13.3 mm, 10 m3 are 6.7 mm (algebra)
    [("England", 13.0, False), ("England", 14.0, True), ("Wales", 14.0, True), ("Scotland", 6.0, False),
     ("Scotland", 7.0, True), ("Northern Ireland", 7.0, True), ("", 25.0, False)],
)  # fmt: skip
def test_taking_much_water_is_cautioned(country, mm, cautioned):
    """Above 20 m3 a day in England and Wales, 10 in two others, it is said, and local rules decide."""
    said = abstraction_caution(replace(LAWN, area_m2=1500.0, country=country), mm)
    assert bool(said) == cautioned
    assert not said or "local rules decide" in said


def test_volume_is_told_with_the_area():
    """17 mm on 1500 m2 are 25.5 m3 (algebra)."""
    found = tonight(replace(LAWN, area_m2=1500.0, country="England"), DRY)
    assert found.volume_m3 == pytest.approx(25.5)
    assert "13 mm here" in besides(found)


@pytest.mark.parametrize(
    ("kind", "days", "dried"),
    [("square", 5.0, True), ("square", 5.1, False), ("square", 0.0, True), ("square", None, False),
     ("green", 2.0, False), ("square", -0.1, False)],
)  # fmt: skip
def test_square_is_dried_before_play(kind, days, dried):
    """A square gets no water in the five days before its match; nothing else is dried."""
    assert is_dried_for_play(kind, days) == dried


@pytest.mark.parametrize(
    ("change", "turf", "cycles", "interval"),
    [
        ({}, LAWN, 2, 4), ({}, LAWN, 1, 3), ({"wilt": True}, LAWN, 5, 2), ({"dried_for_play": True}, LAWN, 2, None),
        ({"root_depth_m": 0.049}, LAWN, 2, None), ({"root_depth_m": 0.05}, LAWN, 2, 4),
        ({"root_depth_m": 0.20}, LAWN, 2, 3), ({"thatch_wetness": 0.14}, LAWN, 2, None),
        ({}, replace(LAWN, seed=True), 2, None),
    ],
)  # fmt: skip
def test_interval_steps_one_day_at_a_time(change, turf, cycles, interval):
    """From 3 days: 4 after two waterings held, 2 on wilt, 3 once deep, none where turf cannot bear it."""
    found = next_interval(turf, replace(DRY, **change), 3, cycles_held=cycles, roots_wanted_m=0.20)
    assert found.interval_days == interval
    assert found.reason


def test_interval_has_a_shortest_and_a_longest():
    """Wilt at one day stays one day; ten days are not made eleven."""
    assert next_interval(LAWN, replace(DRY, wilt=True), 1, cycles_held=0, roots_wanted_m=0.2).interval_days == 1
    assert next_interval(LAWN, DRY, 10, cycles_held=9, roots_wanted_m=0.2).interval_days == 10


@pytest.mark.parametrize(("thatch", "said"), [(0.14, True), (0.15, False), (None, False)])
def test_thatch_about_to_shed_is_told_where_no_water_is_needed(thatch, said):
    """Below 0.15 it may repel (0.10 to 0.25, no published value for thatch): no water tonight, and the next begins
    lightly, as the alert says too."""
    found = tonight(LAWN, Evening(thatch_wetness=thatch, root_wetness=1.0, demand_tomorrow_mm=1.0))
    assert found.mm == (None if thatch is None else 0.0)
    assert ("begin with a light go" in besides(found)) == said


@pytest.mark.parametrize(
    ("error", "within"),
    [((0.0, 0.0), None), ((0.0, 0.04), None), ((0.0, 0.1), (14.0, 20.0)), ((0.6, 0.1), (12.0, 22.0)),
     ((0.0, 0.5), (4.0, 25.0))],
)  # fmt: skip
def test_a_dose_is_a_range_where_wetness_is_one(error, within):
    """By hand, eight in ten of a normal spread: 17 mm, 1.28 times the error of 5 and 20 mm a side, 25 at most."""
    found = tonight(LAWN, replace(DRY, wetness_error=error))
    assert (found.mm, found.range_mm) == (17.0, within)
    assert ("The right amount may be " in besides(found)) == (within is not None)
