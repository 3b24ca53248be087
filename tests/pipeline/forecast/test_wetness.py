"""Ten days of wetness with honest chances, from a forecast, the site's past or its climate, or the reason why not."""

import datetime
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import tomli_w

from pipeline.forecast.balance import Fit, PastHours, fit
from pipeline.forecast.weather_ahead import (
    LEAST_PASTS,
    PastWeather,
    Trust,
    WeatherAhead,
    from_climate,
    from_forecast,
    from_past,
    weather_ahead,
)
from pipeline.forecast.weather_file import WeatherForecast
from pipeline.forecast.wetness import DayChance, WetnessForecast, best_day_line, day_chances, forecast_wetness, in_ten
from pipeline.service import load_settings
from pipeline.site.ground import MonthlyClimate
from pipeline.site.settings import ConfigFault
from pipeline.soil.radiation import Location
from simulator.climates import CLIMATES as SIMULATED_CLIMATES
from tests.bench.bench_forecast import as_scores, gain, rms, score, until
from tests.bench.forecast_stations import KINDS, simulated
from tests.pipeline.forecast.test_balance import TRUE

HOUR_MS = 3_600_000
PLACE = {"place": Location(52.0, 0.0)}
CLIMATE = MonthlyClimate(
    rain_mm=(60.0,) * 6 + (30.0,) * 6, wet_days=(12.0,) * 6 + (6.0,) * 6,
    highest_degc=(8, 8, 11, 14, 17, 20, 22, 22, 19, 15, 11, 8), lowest_degc=(2, 2, 3, 5, 8, 11, 13, 12, 10, 8, 5, 3),
)  # fmt: skip


def ms(*moment):
    return round(datetime.datetime(*moment, tzinfo=datetime.UTC).timestamp() * 1000)


NOW = ms(2030, 6, 10, 6)


def weather_of(rain_mm, demand_mm=0.1, issued_ms=NOW, hours=240, chance=None):
    """A forecast of even rain."""
    return WeatherForecast(
        issued_ms, NOW,
        {"rain_mm": np.full(hours, float(rain_mm)), "reference_et_mm": np.full(hours, float(demand_mm)),
         "rain_chance": np.full(hours, np.nan if chance is None else chance)},
    )  # fmt: skip


def past_year(value=None, days=365, end_ms=NOW):
    """A past whose rain is the number of the day, so that a member tells where it was taken from."""
    rain = np.repeat(np.arange(days, dtype=float), 24) if value is None else np.full(24 * days, float(value))
    return PastWeather(end_ms - days * 24 * HOUR_MS, rain, np.full(24 * days, 0.1))


def station_past(thatch=1.0, root=0.8, hours=72):
    return PastHours(
        NOW - hours * HOUR_MS, np.full(hours, thatch), np.full(hours, root), np.zeros(hours), np.full(hours, 0.1)
    )


FITTED = Fit(TRUE, np.full(121, 0.05), np.linspace(0.01, 0.04, 121), 40.0)


def test_members_of_the_past_come_from_the_same_season():
    """Every member begins within twenty days of today's date, last year or just now, and runs on day after day."""
    found = from_past(past_year(), NOW)
    first = found.rain_mm[0]
    # day 0 of this past is a year before today, day 365 today
    assert ((first <= 20) | (first >= 345)).all()
    assert (first <= 355).all()  # ten whole days must lie before today
    assert (np.diff(found.rain_mm[::24], axis=0) == 1.0).all()
    assert len(np.unique(first)) >= LEAST_PASTS


def test_too_little_past_is_no_ensemble():
    """Four weeks give nineteen starts at most: fewer than needed."""
    assert from_past(past_year(days=28), NOW) is None
    assert from_past(past_year(days=5), NOW) is None


def test_gaps_leave_their_spans_out():
    """A past with half of its rain unknown gives only whole spans."""
    past = past_year(days=730)
    past.rain_mm[: 24 * 15] = np.nan
    assert np.isfinite(from_past(past, NOW).rain_mm).all()


def test_climate_keeps_its_monthly_means():
    """Drawn days are wet and dry in the mean as the month says: 2 mm a day on 0.4 of days (the climate's own)."""
    found = from_climate(CLIMATE, ms(2030, 3, 10), **PLACE, members=4000)
    daily = found.rain_mm.reshape(10, 24, -1).sum(axis=1)
    # 40000 days of spread 3.5 mm: three standard errors, and the month has 30.4 days
    assert daily.mean() == pytest.approx(60.0 / 30.4375, abs=0.08)
    assert (daily > 0.0).mean() == pytest.approx(12.0 / 30.4375, abs=0.015)
    wet = daily > 0.0
    assert np.corrcoef(wet[:-1].ravel(), wet[1:].ravel())[0, 1] == pytest.approx(0.3, abs=0.03)  # as stated
    # Hargreaves for 11 and 3 degC in mid March at 52 N, Ra 19.6 MJ: 0.0023 x 24.8 x sqrt(8) x 0.408 x 19.6 = 1.29
    assert found.reference_et_mm.reshape(10, 24, -1).sum(axis=1).mean() == pytest.approx(1.29, abs=0.1)


def test_same_input_same_members():
    """Nothing is left to chance between two calls."""
    one, other = (from_climate(CLIMATE, NOW, **PLACE) for _ in range(2))
    assert np.array_equal(one.rain_mm, other.rain_mm)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"rain_mm": (1.0,) * 11}, r"climate.rain_mm: found \[1.0, .*\], expected twelve numbers"),
        ({"wet_days": (40.0,) * 12}, r"climate.wet_days: found \[40.0, .*\], expected twelve numbers from 0 to 31"),
        ({"highest_degc": (0.0,) * 12}, "climate: highest_degc: found a month below its lowest_degc"),
        ({"rain_mm": (float("nan"),) * 12}, r"climate.rain_mm: found \[nan, .*\], expected twelve numbers"),
    ],
)
def test_climate_that_cannot_be_is_refused(tmp_path, change, said):
    """Eleven months, forty wet days, a month upside down or unknown are named."""
    climate = {key: list(figures) for key, figures in {**CLIMATE.model_dump(), **change}.items()}
    path = tmp_path / "underturf.toml"
    path.write_text(tomli_w.dumps({"site": {"name": "here"}, "climate": climate}), encoding="utf-8")
    with pytest.raises(ConfigFault, match=said):
        load_settings(path)


def test_fresh_forecast_is_used_and_said():
    """With a forecast of today the source is the forecast and nothing needs saying."""
    found = weather_ahead(NOW, forecast=weather_of(1.0), past=past_year(0.0), climate=None, **PLACE)
    assert (found.source, found.notes) == ("forecast", ())
    # nine members in ten and more take the first day from it: rain of 1 mm/h on average, else none
    assert (found.rain_mm[12] > 0.0).mean() > 0.85
    assert (found.rain_mm[-1] > 0.0).mean() < 0.6


def test_stale_forecast_falls_back_to_the_past_and_says_so():
    """A forecast of 30 hours ago is left for the site's own past, with its age in the notes."""
    old = weather_of(1.0, issued_ms=NOW - 30 * HOUR_MS)
    found = weather_ahead(NOW, forecast=old, past=past_year(0.0), climate=None, **PLACE)
    assert found.source == "past"
    assert "30 hours old" in found.notes[0]
    assert (found.rain_mm == 0.0).all()


def test_short_past_gives_way_to_the_climate():
    """Three weeks of past are too few; the month's usual weather serves and the notes say so."""
    found = weather_ahead(NOW, forecast=None, past=past_year(days=21), climate=CLIMATE, **PLACE)
    assert found.source == "climate"
    assert "too little past" in found.notes[0]


def test_nothing_known_nothing_said():
    """No forecast, no past, no climate: no weather, and no wetness with the reason."""
    assert weather_ahead(NOW, forecast=None, past=None, climate=None, **PLACE) is None
    found = forecast_wetness(station_past(), FITTED, None)
    assert "no weather forecast" in found.reason
    assert day_chances(found, datetime.UTC) == []


def test_forecast_rain_is_right_in_the_mean():
    """Members of a forecast have its rain on average: 24 mm a day, believed whole (its amounts have mean one)."""
    whole = Trust(right=1.0, fades=0.0, least=1.0, spread=0.3)
    found = from_forecast(weather_of(1.0), NOW, None, members=20000, trust=whole)
    assert found.rain_mm[:24].sum(axis=0).mean() == pytest.approx(24.0, rel=0.01)  # 0.3 / sqrt(20000) and room
    assert "believed day by day" in found.notes[0]


def test_chance_of_rain_makes_members_dry():
    """With a chance of 0.4 six members in ten stay dry, and the mean stays what is expected."""
    whole = Trust(right=1.0, fades=0.0, least=1.0, spread=0.0, shift_h=0.0)
    found = from_forecast(weather_of(0.1, chance=0.4), NOW, None, members=20000, trust=whole)
    day = found.rain_mm[:24].sum(axis=0)
    assert (day == 0.0).mean() == pytest.approx(0.6, abs=0.012)  # three standard errors
    assert day.mean() == pytest.approx(2.4, rel=0.03)


def test_beyond_the_forecast_the_past_goes_on():
    """After two days of forecast the members are the past's."""
    found = weather_ahead(NOW, forecast=weather_of(9.0, hours=48), past=past_year(2.0), climate=None, **PLACE)
    assert (found.rain_mm[48:] == 2.0).all()


def test_forecast_without_demand_needs_something_behind_it():
    """A forecast of rain alone, with neither past nor climate, cannot drive a balance."""
    alone = weather_of(1.0, demand_mm=np.nan)
    assert weather_ahead(NOW, forecast=alone, past=None, climate=None, **PLACE) is None


def test_part_of_an_hour_is_refused():
    """Now must be a whole hour."""
    with pytest.raises(ValueError, match="whole hour"):
        weather_ahead(NOW + 1, forecast=None, past=None, climate=CLIMATE, **PLACE)


def steady(members=200, rain=0.0, demand=0.0):
    return WeatherAhead(NOW, np.full((240, members), rain), np.full((240, members), demand), "past")


def test_members_miss_as_the_balance_has_missed():
    """With one weather for all, members spread by the error of the fit at each lead about the balance."""
    found = forecast_wetness(station_past(), FITTED, steady())
    thatch, root = found.thatch_wetness.std(axis=1), found.root_wetness.std(axis=1)
    # 200 evenly spread members have a little less than the spread of a normal
    assert thatch[[1, 100]] == pytest.approx(0.05, rel=0.03)
    assert root[[0, 60, 120, 240]] == pytest.approx([0.01, 0.025, 0.04, 0.04], rel=0.03)
    assert found.middle()[1][0] == pytest.approx(0.8, abs=0.005)  # an hour's uptake since the last reading
    assert found.at_ms[[0, -1]].tolist() == [NOW, NOW + 240 * HOUR_MS]


def test_planned_water_wets_the_forecast():
    """10 mm planned for tomorrow raise the roots of a station whose thatch is full by what passes (algebra); what comes
    if nobody waters stands beside."""
    planned = np.zeros((240, 200))
    planned[24] = 10.0
    tight = replace(FITTED, parameters=replace(TRUE, root_drain_mm_h=1e-9))
    bare, watered = (
        forecast_wetness(station_past(thatch=1.0), tight, steady(), watering_mm=w) for w in (None, planned)
    )
    dry, wet = (one.middle()[1][72] for one in (bare, watered))
    assert np.array_equal(watered.if_unwatered().root_wetness, bare.root_wetness) and bare.if_unwatered() is bare
    # 1.2 mm stay on the leaf; thatch is near its drained water, and 48 h are four time constants
    assert (wet - dry) * 24.0 == pytest.approx(8.8, rel=0.08)


def test_a_course_without_water_that_is_known_already_is_handed_on():
    """Handed in, it stands beside the same watered course, to the bit; where no water comes it is the forecast."""
    planned = np.zeros((240, 200))
    planned[24, ::3] = 10.0
    whole = forecast_wetness(station_past(), FITTED, steady(), watering_mm=planned)
    bare = whole.if_unwatered()
    again, dry = (
        forecast_wetness(station_past(), FITTED, steady(), watering_mm=w, unwatered=bare)
        for w in (planned, 0 * planned)
    )
    assert np.array_equal(again.root_wetness, whole.root_wetness) and np.array_equal(again.leaf_mm, whole.leaf_mm)
    assert again.if_unwatered() is bare and dry is bare


def test_the_start_is_as_doubtful_as_probe_and_limits():
    """A start that is off by 0.1 stays so: members spread by it and the balance's error together (Pythagoras)."""
    found = forecast_wetness(station_past(), FITTED, steady(), start_error=(0.1, 0.2))
    assert found.thatch_wetness.std(axis=1)[[1, 100]] == pytest.approx(np.hypot(0.05, 0.1), rel=0.1)
    assert found.root_wetness.std(axis=1)[[0, 240]] == pytest.approx([0.2002, 0.204], rel=0.1)
    # the two misses are shuffled apart: near independence, not exactly


def test_rain_comes_early_or_late_and_none_is_lost():
    """Five hours of rain at noon move by some hours, two in three within two: 5 mm in all members (the shift's own)."""
    rain = np.zeros(240)
    rain[12:17] = 1.0
    told = WeatherForecast(
        NOW, NOW, {"rain_mm": rain, "reference_et_mm": np.zeros(240), "rain_chance": np.full(240, np.nan)}
    )
    found = from_forecast(told, NOW, None, members=2000, trust=Trust(1.0, 0.0, 1.0, 0.0, shift_h=2.0)).rain_mm
    begins = np.argmax(found > 0.0, axis=0)
    assert (found[:30].sum(axis=0) > 4.5).mean() > 0.99
    assert begins.mean() == pytest.approx(12.0, abs=0.15) and begins.std() == pytest.approx(2.0, rel=0.1)


def by_the_hour(chance=1.0, **rain_mm):
    """Members round a forecast of rain in some hours, `h5` in five hours, that may come early or late by two hours.

    The first day's rain is sure, any other day's has a chance; the amount is believed whole.
    """
    rain = np.zeros(240)
    for key, mm in rain_mm.items():
        rain[int(key[1:])] = mm
    told = WeatherForecast(NOW, NOW, {
        "rain_mm": rain, "reference_et_mm": np.zeros(240), "rain_chance": np.where(np.arange(240) < 24, 1.0, chance)
    })  # fmt: skip
    return from_forecast(told, NOW, None, members=2000, trust=Trust(1.0, 0.0, 1.0, 0.0, shift_h=2.0)).rain_mm


def test_rain_that_moves_past_midnight_keeps_its_own_chance():
    """4 mm at 22 and 23 hours are sure, 0.1 mm a day after are 1 mm in one member of ten: 4 or 5 in all (algebra)."""
    total = by_the_hour(chance=0.1, h22=2.0, h23=2.0, h36=0.1).sum(axis=0)
    assert np.unique(total.round(9)).tolist() == [4.0, 5.0]
    assert (total > 4.5).mean() == pytest.approx(0.1, abs=0.02)  # three standard errors


def test_rain_of_the_present_hour_comes_once():
    """1 mm in the hour that is on is 1 mm in every member, early or late; half of them have it later (symmetry)."""
    found = by_the_hour(h0=1.0)
    assert found.sum(axis=0) == pytest.approx(np.ones(2000))
    # a shift of k or of -k - 1 hours ends in hour k: in the first are |N(0, 2) + 1/2| < 1, normal table 0.3721
    assert (found[0] > 0.0).mean() == pytest.approx(0.3721, abs=0.033)


def test_even_rain_stays_even_where_the_forecast_begins_and_ends():
    """1 mm an hour for two days, early or late as likely: 1 mm in the first hour and in the last, in the mean."""
    found = from_forecast(weather_of(1.0, hours=48), NOW, steady(2000), members=2000,
                          trust=Trust(1.0, 0.0, 1.0, 0.0, shift_h=2.0))  # fmt: skip
    assert found.foretold_h == 48
    assert found.rain_mm[:48].sum(axis=0) == pytest.approx(np.full(2000, 48.0))
    assert found.rain_mm[[0, 1, 46, 47]].mean(axis=1) == pytest.approx(np.ones(4), abs=0.07)
    assert (found.rain_mm[48:] == 0.0).all()


def test_short_history_withholds_the_forecast():
    """What the fit refused is refused here, in its words."""
    refused = Fit(None, np.zeros(0), np.zeros(0), 9.0, "only 9 days of readings and weather, 14 needed")
    assert "only 9 days" in forecast_wetness(station_past(), refused, steady()).reason


def test_silent_station_withholds_the_forecast():
    """Without a reading in the last hours nobody can say where it starts from."""
    assert "no good reading" in forecast_wetness(station_past(root=np.nan), FITTED, steady()).reason


def test_weather_of_another_hour_is_a_mistake():
    """The weather must begin where the past ends."""
    with pytest.raises(ValueError, match="end of the past"):
        forecast_wetness(station_past(), FITTED, replace(steady(), first_ms=NOW + HOUR_MS))


def of_members(first_ms, wetness, hours, rain=0.0):
    """A forecast with a constant thatch wetness for each member, roots at 0.7."""
    members = len(wetness)
    return WetnessForecast(
        first_ms, np.tile(np.array(wetness, float), (hours + 1, 1)), np.full((hours + 1, members), 0.7),
        np.full((hours, members), rain),
    )  # fmt: skip


def test_seven_members_in_ten_are_seven_in_ten():
    """Seven of ten members at or under 0.7: 0.7, the edge being open."""
    made = of_members(ms(2030, 6, 10), [0.5] * 6 + [0.7] + [0.9] * 3, 48)
    found = day_chances(made, datetime.UTC, thatch=(0.3, 0.7), roots=(0.5, 0.95))
    assert [(c.date.day, c.chance) for c in found] == [(10, 0.7), (11, 0.7)]
    assert best_day_line("dry enough to scarify", found, datetime.date(2030, 6, 9)) == (
        "dry enough to scarify: Monday 7 in 10"
    )


def test_rain_in_working_hours_spoils_the_day():
    """Ground within bounds under steady rain is no working day."""
    made = of_members(ms(2030, 6, 10), [0.5] * 10, 24, rain=1.0)
    assert day_chances(made, datetime.UTC)[0].chance == 0.0


def test_six_hours_in_a_row_are_needed():
    """Five good hours either side of a bad one are not six."""
    made = of_members(ms(2030, 6, 10), [0.5], 24)
    made.rain_mm[12] = 1.0  # 7 to 12 good, 13 to 19 good: six
    assert day_chances(made, datetime.UTC)[0].chance == 1.0
    made.rain_mm[14] = 1.0
    assert day_chances(made, datetime.UTC)[0].chance == 0.0


def test_half_a_working_day_has_no_chance():
    """A day that the forecast begins at noon is not judged."""
    found = day_chances(of_members(ms(2030, 6, 10, 12), [0.5], 36), datetime.UTC)
    assert [c.chance for c in found] == [None, 1.0]


@pytest.mark.parametrize("day", [datetime.date(2030, 3, 31), datetime.date(2030, 10, 27)])
def test_clock_change_days_count_once(day):
    """Days of 23 and 25 hours are one day each, with their twelve working hours."""
    begin = ms(day.year, day.month, day.day) - 24 * HOUR_MS
    found = day_chances(of_members(begin, [0.5] * 4, 73), ZoneInfo("Europe/London"))
    dates = [c.date for c in found if c.chance is not None]
    assert dates == [day - datetime.timedelta(days=1), day, day + datetime.timedelta(days=1)]


@pytest.mark.parametrize(
    ("chance", "said"),
    [(0.0, "1 in 10"), (0.04, "1 in 10"), (0.34, "3 in 10"), (0.7, "7 in 10"), (0.97, "9 in 10"), (1.0, "9 in 10")],
)
def test_chances_are_said_in_tenths_never_as_certain(chance, said):
    """Never certain, never hopeless."""
    assert in_ten(chance) == said


def test_line_names_the_first_good_day():
    """Thursday at 7 in 10 is told although Friday is no worse; none likely and none known are said, too."""
    thursday = datetime.date(2030, 6, 13)
    each = [DayChance(thursday + datetime.timedelta(days=n), c) for n, c in ((-1, 0.3), (0, 0.7), (1, 0.75))]
    today = datetime.date(2030, 6, 11)
    assert best_day_line("dry enough to scarify", each, today) == "dry enough to scarify: Thursday 7 in 10"
    none = [DayChance(thursday, 0.1)]
    assert best_day_line("dry enough", none, today) == "dry enough: not likely before Friday"
    assert best_day_line("dry enough", [], today) == "dry enough: cannot tell"
    assert best_day_line("dry enough", [DayChance(today, 0.8)], today) == "dry enough: today 8 in 10"


def test_forecast_beats_no_change_and_the_season_on_simulated_ground():
    """On a simulated lawn, 20 starts, three days ahead, the forecast errs less than persistence and climatology.

    In thatch with no forecast but the climate's monthly figures, in both boxes with a degraded forecast, and by under
    0.12 with a perfect one. Climatology is another year of the same lawn. The bench has the whole table.
    """
    kind, april = KINDS[4], datetime.datetime(2030, 4, 1, tzinfo=datetime.UTC)
    station, other = (simulated(kind, april, 105, seed=seed) for seed in (4, 5))
    drawn = SIMULATED_CLIMATES[kind.climate]
    climate = MonthlyClimate(
        rain_mm=drawn.rain_mm,
        wet_days=drawn.wet_days,
        highest_degc=drawn.highest_degc,
        lowest_degc=drawn.lowest_degc,
    )
    starts = [24 * day + 6 for day in range(54, 94, 2)]
    fits = dict.fromkeys(starts, fit(until(station.past, starts[0]), station.boxes))

    def usual(hour):
        span = slice(hour - 240, hour + 240)
        return np.array([other.truth_thatch[span].mean(), other.truth_root[span].mean()])

    scores = as_scores(score(station, starts, fits, usual, climate=climate), [0] * len(starts))
    for name in ("no forecast", "degraded"):
        for against in ("persistence", "climatology"):
            skill = gain(scores, name, against, draws=10)[0][1]
            assert skill[0] > 0.0, (name, against, skill)
            assert name == "no forecast" or skill[1] > 0.0
    assert (rms(scores.errors["perfect"])[1] < 0.12).all()
