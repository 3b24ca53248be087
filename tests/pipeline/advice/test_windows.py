"""Windows: what opens, waits, closes or cannot be told, hour by hour, on a good green spoilt one thing at a time."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.advice.conditions import (
    Hours,
    Plans,
    Verdict,
)
from pipeline.advice.report import next_open, stretches
from pipeline.advice.treatments import TreatmentFault
from pipeline.diary.facts import (
    Sight,
)
from pipeline.site.passes import Bounds
from pipeline.units import (
    DAY_MS,
    HOUR_MS,
    TimeSpan,
)
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
    with_courses,
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
    assert (shut.verdict, shut.reason, shut.opens) == (
        CLOSED, "thatch too wet", "drying days and a reading or a forecast of it",
    )  # fmt: skip
    assert shut.also == ("root zone wetness is not known",)


def test_every_lock_is_named_and_the_one_that_lasts_longest_first():
    """A square in season for 300 hours more, soil too cold for 100 and thatch too wet for 5: named in that order, and
    what would open it is the end of the longest, for the others are gone by then (algebra)."""
    soil, thatch = series(15.0), series(0.6)
    soil[: hour(100)] = 5.0  # the mean of 24 hours stays below 12 for 16 more, and below 10 for 12
    thatch[: hour(5)] = 1.2
    season = TimeSpan(NOW_MS - DAY_MS, NOW_MS + 300 * HOUR_MS)
    hours = good_hours("heavy_dethatching", soil_temperature_degc=soil, thatch_wetness=thatch)
    played = ground(kind="square", seasons=(season,))
    found = look("heavy_dethatching", hours=hours, ground=played)
    now = found.windows[0]
    assert (now.reason, now.also) == ("square in season", ("soil too cold", "thatch too wet"))
    assert now.opens == "close of season"
    assert now.detail.startswith("square in season; soil too cold: 5 degC, wanted 12 or more; thatch too wet: 1.2")
    rested = look("heavy_dethatching", hours=hours).windows[0]
    assert (rested.reason, rested.also, rested.opens) == ("soil too cold", ("thatch too wet",), "warmer days")
    assert next(w for w in found.windows if w.verdict is OPEN).also == ()


def test_what_waits_longest_is_named_as_what_would_open_it():
    """Closed by rain of the day and waiting for growth that does not come: warmer weather opens it, no drier day."""
    slow = replace(PLANS, potential=days(0.3))
    found = look(hours=good_hours(rain_mm=series(0.0, h3=6.0)), plans=slow).windows[0]
    assert (found.verdict, found.reason, found.also) == (CLOSED, "rain on the day", ("growth too slow",))
    assert found.opens == "warmer weather"


@pytest.mark.parametrize(("changed", "opens"), [({}, "a deep watering"), ({"water_to_hand": False}, "rain")])
def test_water_is_not_named_where_none_can_be_put_on(changed, opens):
    """Soil too dry opens by a watering where there is water to hand, else by rain alone."""
    dry = look("verticutting", hours=good_hours(root_zone_wetness=series(0.4)), ground=ground(**changed)).windows[0]
    assert (dry.verdict, dry.opens) == (WAIT, opens)


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


def test_tining_is_not_asked_for_growth_out_of_growth():
    """In winter no growth is to come and none is needed (common practice); in growth it is, and brushing always is."""
    winter = replace(PLANS, potential=days(0.05), recovery=days(0.05), fixtures_ms=(NOW_MS + 11 * DAY_MS,))
    for kind in ("solid_tining", "slitting"):
        assert now_of(look(kind, plans=winter)) is OPEN
    growing = replace(winter, potential=days(0.1))
    assert now_of(look("slitting", plans=growing)) is WAIT
    assert now_of(look("light_raking", plans=winter)) is WAIT


@pytest.mark.parametrize(
    ("name", "value", "water", "verdict"),
    [
        ("thatch_wetness", 0.29, True, WAIT), ("thatch_wetness", 0.29, False, CLOSED),
        ("thatch_wetness", 0.31, False, WAIT), ("root_zone_wetness", 0.39, True, WAIT),
        ("root_zone_wetness", 0.39, False, CLOSED), ("rain_mm", 0.0, True, OPEN), ("rain_mm", 0.0, False, CLOSED),
    ],
)  # fmt: skip
def test_a_dry_seedbed_closes_where_no_water_is_to_hand(name, value, water, verdict):
    """Dry ground waits for water, and no rain for nothing; without water to hand both close (common practice)."""
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


@pytest.mark.parametrize(
    ("variant", "bed_degc", "verdict"),
    [
        ("rye", 10.0, OPEN), ("rye", 9.9, WAIT), ("rye", 7.9, CLOSED), ("bent_fescue", 12.0, OPEN),
        ("bent_fescue", 11.9, WAIT), ("bent_fescue", 9.9, CLOSED),
    ],
)  # fmt: skip
def test_seed_that_nobody_plays_on_before_winter_is_decided_by_its_soil(variant, bed_degc, verdict):
    """Growth to come, growth now and light frost warn; soil of 21 days decides, in September as in October (common
    practice; Northern Cricket Union 2010: mid September to early October is ideal)."""
    hours, plans = autumn(bed_degc)
    hours = replace(hours, series={**hours.series, "soil_temperature_degc": series(14.0)})
    spring = replace(plans, fixtures_ms=(NOW_MS + 200 * DAY_MS,))
    found = look("overseeding", variant, hours=hours, plans=spring).windows[0]
    assert found.verdict is verdict
    if verdict is OPEN:
        assert found.warnings[-1] == "sow more"
        assert "growth" in " ".join(found.warnings) and "frost" in " ".join(found.warnings)
    before_growth_ends = replace(plans, fixtures_ms=(plans.growth_end_ms - HOUR_MS,))
    assert now_of(look("overseeding", variant, hours=hours, plans=before_growth_ends)) is CLOSED
    assert now_of(look("scarifying", hours=hours, plans=spring)) is CLOSED  # what wounds has to heal


WOUNDS = ("verticutting", "scarifying", "heavy_dethatching", "hollow_coring", "topdressing")
SPARED = ("light_raking", "solid_tining", "slitting", "overseeding")


@pytest.mark.parametrize("kind", [*WOUNDS, *SPARED])
@pytest.mark.parametrize(
    ("name", "degc", "hours_off", "shut"),
    [
        ("air_temperature_degc", 30.0, 71, False), ("air_temperature_degc", 30.1, 71, True),
        ("air_temperature_degc", 30.1, 72, False), ("air_temperature_degc", 30.1, -24, True),
        ("air_temperature_degc", 30.1, -25, False), ("surface_temperature_degc", 35.0, 71, False),
        ("surface_temperature_degc", 35.1, 71, True), ("surface_temperature_degc", 35.1, 72, False),
    ],
)  # fmt: skip
def test_heat_of_three_days_ahead_closes_what_wounds(kind, name, degc, hours_off, shut):
    """Air above 30 or a leaf above 35 degC, a day back to three ahead, closes what wounds cool-season turf alone
    (common practice, no source)."""
    mark = f"{'h' if hours_off >= 0 else 'b'}{abs(hours_off)}"
    hours = good_hours(kind, **{name: series(18.0, **{mark: degc})})
    assert (now_of(look(kind, hours=hours)) is CLOSED) == (shut and kind in WOUNDS)
    if shut and kind in WOUNDS:
        found = look(kind, hours=hours).windows[0]
        assert "within three days" in found.reason
        assert found.opens == "three days without heat ahead"
        warm = look(kind, hours=hours, ground=ground(grass="warm")).windows[0]
        assert "heat" not in warm.reason  # their best growth is at 31 degC (Gelernter & Stowell 2005)
    past_the_forecast = replace(hours, forecast_end_ms=NOW_MS, frost_chance_by_day=days(0.0))
    measured = now_of(look(kind, hours=past_the_forecast)) is CLOSED
    assert measured == (shut and kind in WOUNDS and hours_off < 0)


@pytest.mark.parametrize("kind", ["light_raking", "verticutting", "topdressing"])
def test_nothing_goes_on_roots_that_are_too_wet_to_go_on(kind):
    """What is told to keep off above 1.05 is not open there; seed may lie so wet, its machine not (common practice)."""
    assert now_of(look(kind, hours=good_hours(kind, root_zone_wetness=series(1.06)))) is CLOSED
    assert now_of(look(kind, hours=good_hours(kind, root_zone_wetness=series(1.0)))) is OPEN
    seed = good_hours("overseeding", root_zone_wetness=series(1.06))
    assert now_of(look("overseeding", hours=seed)) is WAIT


RENOVATION = TimeSpan(NOW_MS - DAY_MS, NOW_MS + 30 * DAY_MS)


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
    later = ground(renovation=TimeSpan(NOW_MS + DAY_MS, NOW_MS + 9 * DAY_MS))
    found = look(hours=hours, plans=plans, ground=later)
    assert (found.verdicts[23], found.verdicts[24]) == (CLOSED, OPEN)
    assert found.windows[0].warnings == ()
    until = look(hours=hours, plans=plans, ground=ground(renovation=TimeSpan(NOW_MS - DAY_MS, NOW_MS + DAY_MS)))
    assert (until.verdicts[23], until.verdicts[24]) == (OPEN, CLOSED)  # the hour that begins with its end is outside
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


def test_chance_is_the_share_of_courses_and_none_where_another_closes():
    """Open from 0.3 to 0.7: of normal misses of 0.1 about 0.6 0.8400 lie inside (table of the normal curve); soft
    ground makes it nothing; without courses nothing is said."""
    found = look(hours=with_courses(good_hours(), thatch=0.1, root=0.001))
    assert found.chance[0] == pytest.approx(0.8400, abs=1e-3)
    marks = replace(PLANS, sights=(*SIGHTS, Sight("firmness", 2.0, NOW_MS)))
    assert look(hours=with_courses(good_hours(), thatch=0.1), plans=marks).chance[0] == 0.0
    assert np.isnan(look().chance[0])
    waiting = look(hours=with_courses(good_hours(thatch_wetness=series(0.75)), thatch=0.1))
    assert waiting.windows[0].verdict is WAIT
    assert waiting.chance[0] == pytest.approx(0.3085, abs=1e-3)  # half a standard deviation outside


def test_a_clubs_own_bounds_open_the_window():
    """A club that scarifies at 0.75 is open where the table waits, and only there."""
    own = GREEN.for_surface("green", {("scarifying", "", "thatch_wetness"): Bounds(0.3, 0.8, 0.15, 1.0)})
    wet = good_hours(thatch_wetness=series(0.75))
    assert now_of(look(hours=wet)) is WAIT
    assert now_of(look(hours=wet, table=own)) is OPEN
    with pytest.raises(TreatmentFault):
        GREEN.for_surface("green", {("scarifying", "", "thatch"): FREE})


@pytest.mark.parametrize(("kind", "variant"), EVERY)
def test_thatch_that_no_probe_can_read_is_felt_by_hand(kind, variant):
    """Where none is set to read it a person is asked, and all else decides; a probe that failed is another matter."""
    found = look(kind, variant, hours=good_hours(kind, thatch_wetness=None), ground=ground(thatch_by_eye=True))
    assert now_of(found) is OPEN
    assert any("thatch moist in the hand" in check for check in found.windows[0].check_first)
    assert now_of(look(kind, variant, hours=good_hours(kind, thatch_wetness=None))) is UNKNOWN
