"""Windows: what opens, waits, closes or cannot be told, hour by hour, on a good green spoilt one thing at a time."""

import datetime
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.advice.daily import DAY_MS, HOUR_MS
from pipeline.advice.healing import LastGoodDate
from pipeline.advice.locks import Buried, Override, Span
from pipeline.advice.measures import Hours, Job, Plans, Sight, growth_now, leaf_wetness, measure, merge_jobs
from pipeline.advice.treatments import Bounds, Row, TreatmentFault, Verdict
from pipeline.advice.window_lines import in_ten, last_good_line, next_open, stretches, window_line
from pipeline.advice.windows import ensemble_chance, open_chance
from tests.pipeline.advice.window_series import (
    AT_MS,
    EVERY,
    FIRST_DAY_MS,
    GREEN,
    NOW_MS,
    PLANS,
    SIGHTS,
    days,
    good_hours,
    ground,
    hour,
    look,
    now_of,
    series,
)

NAN = float("nan")
LONDON = ZoneInfo("Europe/London")
OPEN, WAIT, CLOSED, UNKNOWN = Verdict
FREE = Bounds()


@pytest.mark.parametrize(("kind", "variant"), EVERY)
def test_good_turf_is_open_for_every_pass(kind, variant):
    """With all in order each pass is open now, sure of what was looked at, and opens on warm turf at 24 degC too."""
    first = look(kind, variant).windows[0]
    assert (first.verdict, first.reason, first.check_first) == (OPEN, "", ())
    if kind != "overseeding":
        warm = good_hours(kind, soil_temperature_degc=series(24.0))
        plans = replace(PLANS, first_frost_ms=NOW_MS + 150 * DAY_MS)
        assert now_of(look(kind, variant, hours=warm, ground=ground(grass="warm"), plans=plans)) is OPEN


@pytest.mark.parametrize(("kind", "variant"), EVERY)
@pytest.mark.parametrize(
    "name", ["thatch_wetness", "root_zone_wetness", "soil_temperature_degc", "surface_temperature_degc", "rain_mm"]
)
def test_a_missing_series_is_never_open(kind, variant, name):
    """Without thatch, roots, soil or leaf temperature or rain nobody can tell, but a pass misses only what it asks."""
    frost_free = {"solid_tining", "slitting"}  # they ask for the ground, not for the leaf
    found = look(kind, variant, hours=good_hours(kind, **{name: None}))
    missed = name != "surface_temperature_degc" or kind not in frost_free
    assert (now_of(found) is UNKNOWN) == missed
    assert now_of(found) is (UNKNOWN if missed else OPEN)


@pytest.mark.parametrize(("kind", "variant"), EVERY)
def test_growth_not_known_is_never_open(kind, variant):
    """Without growth to come nobody can tell."""
    assert now_of(look(kind, variant, plans=Plans(sights=SIGHTS))) is UNKNOWN


def test_what_closes_outdoes_what_is_not_known_and_that_what_waits():
    """Closed before cannot tell before wait, and the reason is that of the verdict."""
    waits = good_hours(thatch_wetness=series(0.8))
    assert look(hours=waits).windows[0].detail == "thatch too wet: 0.8, wanted 0.7 or less"
    blind = look(hours=good_hours(thatch_wetness=series(0.8), root_zone_wetness=None)).windows[0]
    assert (blind.verdict, blind.reason) == (UNKNOWN, "root zone wetness is not known")
    shut = look(hours=good_hours(thatch_wetness=series(1.2), root_zone_wetness=None)).windows[0]
    assert (shut.verdict, shut.reason, shut.opens) == (CLOSED, "thatch too wet", "drying days")


def test_too_dry_and_too_wet_are_told_apart():
    """Below the open range water opens it, above it drying days, and what may be done meanwhile is said."""
    dry = look(hours=good_hours(thatch_wetness=series(0.2))).windows[0]
    assert (dry.verdict, dry.reason) == (WAIT, "thatch too dry")
    assert dry.opens.startswith("water 24 to 48 hours ahead; meanwhile")
    assert dry.detail == "thatch too dry: 0.2, wanted 0.3 or more"


def test_windows_follow_the_hours():
    """Thatch that dries through 0.7 opens in that hour, and rain that falls later closes it in time (algebra)."""
    thatch = series(0.6)
    thatch[: hour(10)] = 0.8
    rain = series(0.0, h100=30.0)
    found = look(hours=good_hours(thatch_wetness=thatch, rain_mm=rain))
    spans = [(s.first.verdict, (s.span.start_ms - NOW_MS) // HOUR_MS, s.hours) for s in stretches(found.windows)]
    # 30 mm in the hour from +100 lies within the 48 hours that begin with +53 to +100
    assert spans[:4] == [(WAIT, 0, 10), (OPEN, 10, 43), (CLOSED, 53, 48), (OPEN, 101, spans[3][2])]
    assert next_open(found).span.start_ms == NOW_MS + 10 * HOUR_MS
    assert next_open(found, least_h=44.0).span.start_ms == NOW_MS + 101 * HOUR_MS


@pytest.mark.parametrize(
    ("condition", "window_h", "event_h", "seen"),
    [
        ("rain_ahead", 48, 47, True),
        ("rain_ahead", 48, 48, False),
        ("rain_ahead", 48, 0, True),
        ("rain_ahead", 48, -1, False),
        ("surface_minimum_ahead", 168, 167, True),
        ("surface_minimum_ahead", 168, 168, False),
        ("surface_minimum_back", 48, -47, True),
        ("surface_minimum_back", 48, -48, False),
        ("surface_minimum_back", 48, 0, True),
        ("soil_temperature_cool", 24, -23, True),
        ("soil_temperature_cool", 24, -24, False),
    ],
)
def test_a_window_sees_its_first_and_last_hour_and_no_more(condition, window_h, event_h, seen):
    """An event in the outermost hour counts, one an hour further does not (definition of the window)."""
    changed = {f"{'h' if event_h >= 0 else 'b'}{abs(event_h)}": 99.0 if condition[0] == "r" else -99.0}
    name = {"r": "rain_mm", "s": "surface_temperature_degc"}[condition[0]]
    name = "soil_temperature_degc" if condition.startswith("soil") else name
    still, spoilt = good_hours(), good_hours(**{name: series(good_hours().of(name)[0], **changed)})
    row = Row(FREE, window_h, "typed")
    before, after = (measure(condition, row, h, PLANS)[hour(0)] for h in (still, spoilt))
    assert (before != after) == seen


def test_sums_and_means_are_those_of_their_hours():
    """Rain of 48 hours is summed, soil temperature of 24 averaged, its change is over a week (algebra)."""
    rain = good_hours(rain_mm=series(0.5))
    assert measure("rain_ahead", Row(FREE, 48, ""), rain, PLANS)[hour(0)] == pytest.approx(24.0)
    drizzle = good_hours(rain_mm=series(0.049))
    assert measure("rain_on_day", Row(FREE, 12, ""), drizzle, PLANS)[hour(0)] == 0.0
    rising = good_hours(soil_temperature_degc=10.0 + np.arange(AT_MS.size) / 24.0)
    mean = measure("soil_temperature_cool", Row(FREE, 24, ""), rising, PLANS)[hour(0)]
    assert mean == pytest.approx(10.0 + (hour(0) - 11.5) / 24.0)
    change = measure("soil_temperature_change_warm", Row(FREE, 168, ""), rising, PLANS)[hour(0)]
    assert change == pytest.approx(7.0)


def test_rain_past_the_forecast_is_not_known():
    """In the last 47 hours of the forecast nobody can tell the rain of 48."""
    found = look()
    assert found.verdicts[-48] == OPEN
    assert set(found.verdicts[-47:].tolist()) == {UNKNOWN}


def with_end(hours: Hours, end_h: int, chance: float | None) -> Hours:
    series_ = None if chance is None else days(chance)
    return replace(hours, forecast_end_ms=NOW_MS + end_h * HOUR_MS, frost_chance_by_day=series_)


@pytest.mark.parametrize(
    ("chance", "verdict"), [(0.0, OPEN), (0.025, OPEN), (0.027, WAIT), (0.09, WAIT), (0.1, CLOSED), (None, UNKNOWN)]
)
def test_past_the_forecast_the_chance_of_frost_decides(chance, verdict):
    """Of 7 days 4 lie past a forecast of 3; the chance of a frost in them is open to 1 in 10, and waits to 1 in 3.

    1-(1-p)^4 is 0.096, 0.104, 0.314 and 0.344 for 2.5, 2.7, 9 and 10 % a night (algebra of independent nights).
    """
    found = look(hours=with_end(good_hours(), 72, chance)).windows[0]
    assert found.verdict is verdict
    if verdict in (WAIT, CLOSED):
        assert found.reason == "frost likely before it has healed"


def test_within_the_forecast_the_forecast_decides():
    """A light frost in a week waits, one of more than 4 degrees closes, and chance is not asked (from memory)."""
    light = good_hours(surface_temperature_degc=series(12.0, h160=-2.0))
    hard = good_hours(surface_temperature_degc=series(12.0, h160=-4.1))
    assert look(hours=with_end(light, 400, None)).windows[0].reason == "frost forecast"
    assert now_of(look(hours=with_end(light, 400, None))) is WAIT
    assert now_of(look(hours=with_end(hard, 400, None))) is CLOSED
    assert now_of(look(hours=with_end(hard, 100, 0.0))) is OPEN  # what lies past the forecast is not one


def test_leaf_temperature_is_guarded_by_that_of_the_air():
    """Where no leaf is measured it is taken 3 K below the air: 3.4 degC in the night may be frost (common practice)."""
    air = good_hours(surface_temperature_degc=None, air_temperature_degc=series(12.0, b5=3.4))
    assert look(hours=air).windows[0].reason == "frost too short a time ago"
    mild = good_hours(surface_temperature_degc=None, air_temperature_degc=series(12.0, b5=3.5))
    assert now_of(look(hours=mild)) is OPEN


@pytest.mark.parametrize(
    ("leaf_degc", "dew_point_degc", "rain_mm", "hours_ago", "wet"),
    [
        (12.0, 5.0, 0.0, 0, 0),
        (5.0, 5.0, 0.0, 0, 1),
        (5.0, 5.0, 0.0, 2, 1),
        (5.0, 5.0, 0.0, 3, 0),
        (12.0, 5.0, 0.2, 0, 2),
        (12.0, 5.0, 0.19, 0, 0),
        (12.0, 5.0, 0.2, 2, 2),
        (12.0, 5.0, 0.2, 3, 0),
        (NAN, 5.0, 0.2, 0, 2),
        (NAN, 5.0, 0.0, 0, NAN),
        (12.0, NAN, 0.0, 1, NAN),
        (12.0, 5.0, NAN, 2, NAN),
    ],
)
def test_leaf_wetness_from_leaf_dew_point_and_rain(leaf_degc, dew_point_degc, rain_mm, hours_ago, wet):
    """Dew lies at or below the dew point (physics), rain wets the leaf, both stay 3 hours (our own choice)."""
    key = f"b{hours_ago}"
    hours = good_hours(
        surface_temperature_degc=series(12.0, **{key: leaf_degc}),
        dew_point_degc=series(5.0, **{key: dew_point_degc}),
        rain_mm=series(0.0, **{key: rain_mm}),
    )
    assert leaf_wetness(hours)[hour(0)] == pytest.approx(wet, nan_ok=True)


def test_dressing_waits_for_dew_and_closes_for_rain():
    """Dew on the leaf waits, rain closes (Northern Cricket Union 2010: no wet dressing)."""
    dew = look("topdressing", hours=good_hours(dew_point_degc=series(13.0)))
    assert (now_of(dew), dew.windows[0].reason) == (WAIT, "leaf wet")
    wet = look("topdressing", hours=good_hours(rain_mm=series(0.0, b1=1.0)))
    assert (now_of(wet), wet.windows[0].reason) == (CLOSED, "leaf wet")


def test_eyes_are_asked_and_do_not_close_unasked():
    """Firmness counts for 24 hours, disease for 7 days; missing or too old it is to be checked and closes nothing."""
    nothing = look(plans=replace(PLANS, sights=())).windows[0]
    assert nothing.verdict is OPEN
    assert nothing.check_first == ("no print or wheel mark", "no spreading patches", "no wilt lately")
    for age_h, firm, ill in ((23, False, False), (24, True, False), (167, True, False), (168, True, True)):
        seen = tuple(replace(s, at_ms=NOW_MS - age_h * HOUR_MS) for s in SIGHTS)
        checks = look(plans=replace(PLANS, sights=seen)).windows[0].check_first
        assert (("no print or wheel mark" in checks), ("no spreading patches" in checks)) == (firm, ill), age_h


def test_what_was_seen_decides_while_it_is_young():
    """Wheel marks close today and not tomorrow; the later of two looks counts."""
    marks = replace(PLANS, sights=(*SIGHTS, Sight("firmness", 2.0, NOW_MS + 1)))
    found = look(plans=marks)
    assert (found.windows[0].verdict, found.windows[0].reason) == (CLOSED, "the surface marks")
    assert found.verdicts[24] == CLOSED  # less than 24 hours old when the hour begins
    assert found.verdicts[25] == OPEN
    firm = replace(marks, sights=(*marks.sights, Sight("firmness", 0.0, NOW_MS + 2)))
    assert now_of(look(plans=firm)) is OPEN


@pytest.mark.parametrize(
    ("kind", "seen_days_ago", "looked", "verdict", "asked"),
    [
        ("scarifying", 6.9, False, CLOSED, False),
        ("scarifying", 7.1, False, OPEN, True),
        ("scarifying", 7.1, True, OPEN, False),
        ("heavy_dethatching", 13.0, True, CLOSED, False),
        ("heavy_dethatching", 13.0, False, CLOSED, False),
        ("verticutting", 4.0, False, OPEN, False),
        ("solid_tining", 0.5, False, WAIT, False),
    ],
)
def test_wilt_closes_for_its_days(kind, seen_days_ago, looked, verdict, asked):
    """Wilt closes scarifying for 7 days, heavy dethatching for 14; then somebody must have looked (common practice)."""
    at = NOW_MS - int(seen_days_ago * DAY_MS)
    sights = (*(s for s in SIGHTS if s.what != "wilt"), Sight("wilt", 1.0, at))
    sights += (Sight("wilt", 0.0, NOW_MS),) if looked else ()
    found = look(kind, plans=replace(PLANS, sights=sights)).windows[0]
    assert (found.verdict, "no wilt lately" in found.check_first) == (verdict, asked)


def test_active_disease_closes_tining_in_the_wet_alone():
    """Disease spreads with wet tines: dry it waits, under a wet leaf or wet thatch it closes (common practice)."""
    ill = replace(PLANS, sights=(*(s for s in SIGHTS if s.what != "disease"), Sight("disease", 2.0, NOW_MS)))
    assert now_of(look("solid_tining", plans=ill)) is WAIT
    wet_leaf = good_hours(dew_point_degc=series(13.0))
    assert now_of(look("solid_tining", plans=ill, hours=wet_leaf)) is CLOSED
    wet_thatch = good_hours(thatch_wetness=series(1.05))
    assert now_of(look("solid_tining", plans=ill, hours=wet_thatch)) is CLOSED


def test_fixtures_set_lead_time_and_growth_to_come():
    """At 0.6 growth-days a day 21 days of lead give 12.6, short of 16: wait; 27 days give 16.2: open (algebra)."""
    near = look(plans=replace(PLANS, fixtures_ms=(NOW_MS + 21 * DAY_MS,))).windows[0]
    assert near.detail == "not enough growth left to heal in time: 12.6 growth-days, wanted 16 or more"
    assert near.opens.endswith("meanwhile one direction only")
    assert now_of(look(plans=replace(PLANS, fixtures_ms=(NOW_MS + 27 * DAY_MS,)))) is OPEN
    early = look(plans=replace(PLANS, fixtures_ms=(NOW_MS + 13 * DAY_MS,))).windows[0]
    assert early.verdict is CLOSED
    past = replace(PLANS, fixtures_ms=(NOW_MS - HOUR_MS, NOW_MS + 27 * DAY_MS))
    assert now_of(look(plans=past)) is OPEN  # a match that has begun is not to come


def test_end_of_growth_and_the_ground_itself_bound_growth_to_come():
    """Growth that ends in 20 days leaves 12; a ground that needs 1.5 times as much has 10.7 of 16 (algebra)."""
    row = Row(FREE, 0, "")
    ending = replace(PLANS, growth_end_ms=NOW_MS + 20 * DAY_MS)
    assert measure("growth_to_come", row, good_hours(), ending)[hour(0)] == pytest.approx(12.0)
    slow = replace(PLANS, fixtures_ms=(NOW_MS + int(26.67 * DAY_MS),), heal_factor=1.5)
    assert measure("growth_to_come", row, good_hours(), slow)[hour(0)] == pytest.approx(10.67, abs=0.01)
    assert measure("growth_to_come", row, good_hours(), PLANS)[hour(0)] == pytest.approx(365 * 0.6)


def test_growth_now_is_the_mean_of_a_week():
    """Growth of 1 that began 3.5 days ago is 0.5 over 7 (algebra)."""
    half = days(0.0)
    half.values[(NOW_MS - FIRST_DAY_MS) // DAY_MS - 3 :] = 1.0
    found = growth_now(good_hours(), replace(PLANS, potential=half))
    # the day of now began 6 hours ago, and three whole days before it
    assert found[hour(0)] == pytest.approx((3.0 + 6.0 / 24.0) / 7.0)


def test_tining_is_not_asked_for_growth_out_of_growth():
    """In winter no growth is to come and none is needed (common practice); in growth it is, and brushing always is."""
    winter = replace(PLANS, potential=days(0.05), recovery=days(0.05), fixtures_ms=(NOW_MS + 11 * DAY_MS,))
    for kind in ("solid_tining", "slitting"):
        assert now_of(look(kind, plans=winter)) is OPEN
    growing = replace(winter, potential=days(0.1))
    assert now_of(look("slitting", plans=growing)) is WAIT
    assert now_of(look("light_raking", plans=winter)) is WAIT


def test_interval_and_strong_growth():
    """Verticutting comes round in 14 days, in 7 where growth is above 0.7 (common practice)."""
    week_ago = replace(PLANS, jobs_ms=(NOW_MS - 8 * DAY_MS,))
    assert now_of(look("verticutting", plans=week_ago)) is WAIT
    strong = replace(week_ago, potential=days(0.71))
    assert now_of(look("verticutting", plans=strong)) is OPEN
    at_edge = replace(week_ago, potential=days(0.7))
    assert now_of(look("verticutting", plans=at_edge)) is WAIT
    too_soon = replace(strong, jobs_ms=(NOW_MS - 6 * DAY_MS,))
    assert now_of(look("verticutting", plans=too_soon)) is CLOSED


def test_two_scarifyings_a_year_are_enough():
    """Two done within 365 days close a third (common practice); one of them a day older does not count."""
    for first_ago, verdict in ((364, CLOSED), (366, OPEN)):
        jobs = (NOW_MS - first_ago * DAY_MS, NOW_MS - 60 * DAY_MS)
        assert now_of(look(plans=replace(PLANS, jobs_ms=jobs))) is verdict


def test_one_job_in_several_directions_counts_once():
    """Three directions within two days are one job with their areas summed; a week later is another."""
    day = DAY_MS
    jobs = (Job(0, 0.08), Job(day, 0.08), Job(2 * day - 1, 0.08), Job(9 * day, 0.1))
    merged = merge_jobs(tuple(reversed(jobs)))
    assert [(j.at_ms, round(j.area, 9)) for j in merged] == [(2 * day - 1, 0.24), (9 * day, 0.1)]
    assert merge_jobs(()) == ()


@pytest.mark.parametrize(
    ("name", "value", "water", "verdict"),
    [
        ("thatch_wetness", 0.29, True, WAIT), ("thatch_wetness", 0.29, False, CLOSED),
        ("thatch_wetness", 0.31, False, WAIT), ("root_zone_wetness", 0.39, True, WAIT),
        ("root_zone_wetness", 0.39, False, CLOSED), ("rain_mm", 0.0, True, WAIT), ("rain_mm", 0.0, False, CLOSED),
    ],
)  # fmt: skip
def test_a_dry_seedbed_closes_where_no_water_is_to_hand(name, value, water, verdict):
    """Dry ground and no rain wait for water, and close without it (common practice)."""
    hours = good_hours("overseeding", **{name: series(value)})
    assert now_of(look("overseeding", "rye", hours=hours, ground=ground(water_to_hand=water))) is verdict


def test_dry_clay_closes_slitting_and_dry_sand_waits():
    """Slits gape in dry clay (common practice)."""
    dry = good_hours(root_zone_wetness=series(0.45))
    assert now_of(look("slitting", hours=dry, ground=ground(clay=True))) is CLOSED
    assert now_of(look("slitting", hours=dry, ground=ground(clay=False))) is WAIT


def test_winter_rye_goes_into_warm_turf_that_cools():
    """Into warm-season turf rye is sown at 23 degC and falling (NCSU 2005), not in a warming spring."""
    falling = 20.0 - np.arange(AT_MS.size) * 0.001
    warm = ground(grass="warm")
    assert (
        now_of(look("overseeding", hours=good_hours("overseeding", soil_temperature_degc=falling), ground=warm)) is OPEN
    )
    rising = good_hours("overseeding", soil_temperature_degc=falling[::-1].copy())
    assert look("overseeding", hours=rising, ground=warm).windows[0].reason == "soil still warming"


RENOVATION = Span(NOW_MS - DAY_MS, NOW_MS + 30 * DAY_MS)


def autumn(bed_degc: float) -> tuple[Hours, Plans]:
    """A mid-September of the good green: growth ending, frost likely in weeks, soil as it is expected to stay."""
    hours = good_hours(surface_temperature_degc=series(10.0, h90=-1.0), soil_temperature_degc=series(9.0))
    hours = replace(hours, soil_temperature_by_day=days(bed_degc), frost_chance_by_day=days(0.2))
    hours = replace(hours, forecast_end_ms=NOW_MS + 120 * HOUR_MS)
    return hours, replace(PLANS, recovery=days(0.1), potential=days(0.3), growth_end_ms=NOW_MS + 40 * DAY_MS)


def test_autumn_renovation_is_decided_by_the_seedbed():
    """On a closed surface sown with rye growth and frost only warn; soil at 10 degC for 21 days decides (common
    practice, and Northern Cricket Union 2010: mid September to early October)."""
    hours, plans = autumn(10.0)
    bare = look(hours=hours, plans=plans).windows[0]
    assert bare.verdict is CLOSED
    closed_for_work = ground(kind="square", renovation=RENOVATION)
    first = look(hours=hours, plans=plans, ground=closed_for_work).windows[0]
    assert first.verdict is OPEN
    assert len(first.warnings) == 5  # frost forecast and likely, growth now and to come, and what to do
    assert "not enough growth left" in " ".join(first.warnings)
    assert first.warnings[-1] == "go shallower and sow more"
    for bed, verdict in ((9.9, WAIT), (8.0, WAIT), (7.9, CLOSED)):
        hours, plans = autumn(bed)
        assert now_of(look(hours=hours, plans=plans, ground=closed_for_work)) is verdict
    one_cold_day = days(12.0)
    one_cold_day.values[(NOW_MS - FIRST_DAY_MS) // DAY_MS + 20] = 9.0
    late = replace(hours, soil_temperature_by_day=one_cold_day)
    assert now_of(look(hours=late, plans=plans, ground=closed_for_work)) is WAIT


def test_renovation_holds_over_its_span_and_needs_water_and_thaw():
    """Outside the span the rows rule again; without water it waits; hard frost closes all the same."""
    hours, plans = autumn(12.0)
    later = ground(renovation=Span(NOW_MS + DAY_MS, NOW_MS + 9 * DAY_MS))
    found = look(hours=hours, plans=plans, ground=later)
    assert (found.verdicts[23], found.verdicts[24]) == (CLOSED, OPEN)
    assert found.windows[0].warnings == ()
    dry = look(hours=hours, plans=plans, ground=ground(renovation=RENOVATION, water_to_hand=False)).windows[0]
    assert (dry.verdict, dry.reason) == (WAIT, "no water to hold the seedbed wet")
    frozen = replace(hours, series={**hours.series, "surface_temperature_degc": series(10.0, h100=-6.0)})
    assert now_of(look(hours=frozen, plans=plans, ground=ground(renovation=RENOVATION))) is CLOSED


def test_frozen_ground_top_and_depth():
    """Frozen ground closes tining, ground thawed at the top only waits; without a deep probe a frozen week waits."""
    assert now_of(look("slitting", hours=good_hours(ground_top_temperature_degc=series(-0.1)))) is CLOSED
    deep = good_hours(ground_depth_temperature_degc=series(0.2))
    assert look("slitting", hours=deep).windows[0].reason == "ground thawed at the top only"
    week = good_hours(ground_top_temperature_degc=series(3.0, b160=-1.0))
    assert now_of(look("slitting", hours=week)) is WAIT
    older = good_hours(ground_top_temperature_degc=series(3.0, b170=-1.0))
    assert now_of(look("slitting", hours=older)) is OPEN


def test_chance_of_a_normal_value_between_bounds():
    """At an edge it is a half, one standard deviation inside 0.8413 (table of the normal curve)."""
    bounds = Bounds(open_hi=0.7)
    found = open_chance(np.array([0.7, 0.6, 0.7, 0.71, NAN]), np.array([0.1, 0.1, 0.0, 0.0, 0.1]), bounds)
    assert found == pytest.approx([0.5, 0.8413, 1.0, 0.0, NAN], abs=1e-4, nan_ok=True)


def test_chance_is_that_of_the_weakest_and_none_where_another_closes():
    """Of two spreads the lower chance stands; a wet leaf makes it nothing; without spread nothing is said."""
    hours = good_hours()
    spread = {"thatch_wetness": series(0.1), "root_zone_wetness": series(0.001)}
    assert look(hours=replace(hours, spread=spread)).chance[0] == pytest.approx(0.8400, abs=1e-3)  # 0.3 to 0.7 at 0.6
    marks = replace(PLANS, sights=(*SIGHTS, Sight("firmness", 2.0, NOW_MS)))
    assert look(hours=replace(hours, spread=spread), plans=marks).chance[0] == 0.0
    assert np.isnan(look().chance[0])
    dry = good_hours(thatch_wetness=series(0.75))
    waiting = look(hours=replace(dry, spread=spread))
    assert waiting.windows[0].verdict is WAIT
    assert waiting.chance[0] == pytest.approx(0.3085, abs=1e-3)  # half a standard deviation outside


def test_share_of_an_ensemble_that_is_open():
    """Three of four members open make 0.75 (algebra)."""
    members = [look(hours=good_hours(thatch_wetness=series(w))) for w in (0.5, 0.6, 0.65, 0.75)]
    assert ensemble_chance(members)[0] == 0.75


def test_hours_that_are_none_are_refused():
    """Gaps, unknown names, wrong lengths and a now outside are named."""
    with pytest.raises(ValueError, match="consecutive whole hours"):
        Hours(AT_MS[::2], {}, 0)
    with pytest.raises(ValueError, match="found a series 'thatch'"):
        Hours(AT_MS, {"thatch": series(0.0)}, 0)
    with pytest.raises(ValueError, match=r"expected \(840,\)"):
        Hours(AT_MS, {"rain_mm": np.zeros(3)}, 0)
    with pytest.raises(ValueError, match="within the hours given"):
        look(now_ms=int(AT_MS[-1]) + HOUR_MS)
    with pytest.raises(ValueError, match="found scarifying 6mm"):
        look("scarifying", "6mm")


def test_a_clubs_own_bounds_open_the_window():
    """A club that scarifies at 0.75 is open where the table waits, and only there."""
    own = GREEN.for_surface("green", {("scarifying", "", "thatch_wetness"): Bounds(0.3, 0.8, 0.15, 1.0)})
    wet = good_hours(thatch_wetness=series(0.75))
    assert now_of(look(hours=wet)) is WAIT
    assert now_of(look(hours=wet, table=own)) is OPEN
    with pytest.raises(TreatmentFault):
        GREEN.for_surface("green", {("scarifying", "", "thatch"): FREE})


# The lines a groundsman reads. Times are British summer time, an hour ahead of UTC; now is Wednesday 7:00 there.


def test_line_of_a_window_that_opens():
    """What waits and why, from when to when it is due, how sure, what to lift and look at: in one line."""
    thatch = series(0.6)
    thatch[: hour(26)] = 0.8
    hours = good_hours(thatch_wetness=thatch, rain_mm=series(0.0, h100=30.0))
    hours = replace(hours, spread={"thatch_wetness": series(0.1)})
    found = look(
        hours=hours,
        ground=ground(buried=(Buried("P2", 0.01), Buried("P3", 0.012))),
        plans=replace(PLANS, sights=SIGHTS[1:]),
    )
    assert window_line(found, LONDON) == (
        "Green: scarifying to 8 mm must wait, thatch too wet. Due to open Thu 9:00 to Fri 12:00, 8 in 10. "
        "Lift P2 and P3 first. Check first: no print or wheel mark."
    )


def test_line_of_an_open_window_says_what_ends_it():
    """Open until when, and what closes it then."""
    found = look("slitting", hours=good_hours(rain_mm=series(0.0, h20=30.0)))
    assert window_line(found, LONDON) == ("Green: slitting to 100 mm is open until today 16:00, then rain on the day.")


def test_line_of_a_closed_one_says_what_would_open_it():
    """With nothing open ahead it says what would open it."""
    square = ground(title="Square", kind="square")
    assert window_line(look("hollow_coring", "13mm", ground=square), LONDON) == (
        "Square: hollow coring to 75 mm is closed, never on a square. "
        "What would open it: nothing will: scarify for thatch, tine for air."
    )


def test_line_of_what_cannot_be_judged():
    """Silence of the probes is said as such, and never as open."""
    line = window_line(look(ground=ground(newest_reading_ms=NOW_MS - 9 * HOUR_MS)), LONDON)
    assert line == (
        "Green: scarifying to 8 mm cannot be judged, nothing heard from the probes for 9 hours. "
        "What would open it: fresh readings."
    )


def test_line_of_an_override_names_who_and_why():
    """A window open on a person's word says whose, and against what."""
    span = Span(NOW_MS, NOW_MS + DAY_MS)
    override = Override("scarifying", "", span, "dry by the knife", "the head groundsman", NOW_MS)
    wet = good_hours(thatch_wetness=series(1.5))
    assert window_line(look(hours=wet, ground=ground(overrides=(override,))), LONDON) == (
        "Green: scarifying to 8 mm is open on the word of the head groundsman (dry by the knife), "
        "against: thatch too wet."
    )


def test_line_past_a_week_names_the_date():
    """Wednesday in a week is told by its date."""
    thatch = series(0.6)
    thatch[: hour(24 * 8)] = 0.8
    line = window_line(look(hours=good_hours(thatch_wetness=thatch)), LONDON)
    assert "Due to open Thu 28 May" in line


@pytest.mark.parametrize(
    ("chance", "words"), [(0.0, "1 in 10"), (0.34, "3 in 10"), (0.97, "9 in 10"), (1.0, "9 in 10")]
)
def test_chances_are_told_in_tenths(chance, words):
    """Never certain, never hopeless."""
    assert in_ten(chance) == words


def test_lines_of_the_last_good_date():
    """Safe and latest date; late but possible; too late: each in a line."""
    play = datetime.date(2026, 9, 20)
    safe, likely = datetime.date(2026, 8, 20), datetime.date(2026, 8, 27)
    said = [
        last_good_line("Square", "scarifying", LastGoodDate(*pair, False), play, for_play=for_play)
        for pair, for_play in (((safe, likely), True), ((None, likely), True), ((None, None), False))
    ]
    assert said == [
        "Square: to heal before play on 20 Sep, do the scarifying by 20 Aug, 27 Aug at the latest.",
        "Square: scarifying may heal before play on 20 Sep if done by 27 Aug, but do not count on it.",
        "Square: too late for scarifying to heal before growth ends about 20 Sep. Go shallower, sow more, or leave it.",
    ]
