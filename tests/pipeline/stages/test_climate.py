"""Days of weather as findings: FAO-56 where it can be, Hargreaves by name where not, nothing where hours lack."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.advice.station_inputs import demand_mm
from pipeline.stages.climate import CLIMATE_QUANTITIES, DAILY_CLIMATE, hourly_means, reference_et
from pipeline.stages.recompute import process
from pipeline.stages.stage import ChannelSeries, find
from pipeline.units import DAY_MS, Flag
from tests.pipeline.contexts import changed
from tests.pipeline.turf_days import CONTEXT, HOUR_MS, MONDAY_MS, record, values


@pytest.fixture(scope="module")
def made():
    return values(0.08, 3.0)


def found(made, context=CONTEXT, start_ms=MONDAY_MS, **changed):
    """Findings of a day by quantity; a channel changed to None is not heard."""
    time_ms, table = made
    table = {k: v for k, v in {**table, **changed}.items() if v is not None}
    part = record(time_ms, table).between(start_ms - DAY_MS, start_ms + DAY_MS)
    return {f.quantity: f for f in DAILY_CLIMATE.run(part, context, start_ms, start_ms + DAY_MS)}


def hourly_sum_mm(made) -> float:
    """ASCE-EWRI 2005 eq. 1 over the Monday, written out here, with the night's cloud as FAO-56 page 75 has it."""
    time_ms, table = made
    total, ratio = 0.0, np.nan
    phi, day = np.radians(52.0), 169  # 17 June of a leap year
    b = 2 * np.pi * (day - 81) / 364
    season = 0.1645 * np.sin(2 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
    dr = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
    delta = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39)
    for hour in range(-24, 24):
        rows = (time_ms >= MONDAY_MS + hour * HOUR_MS) & (time_ms < MONDAY_MS + (hour + 1) * HOUR_MS)
        t, rh, rs_w = (table[f"s1/w1/{c}"][rows].mean() for c in ("air_temperature", "humidity", "sun"))
        omega = np.pi / 12 * ((hour % 24 + 0.5 + season) - 12)
        sunset = np.arccos(-np.tan(phi) * np.tan(delta))
        w1, w2 = np.clip([omega - np.pi / 24, omega + np.pi / 24], -sunset, sunset)
        ra = 12 * 60 / np.pi * 0.082 * dr * (
            (w2 - w1) * np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * (np.sin(w2) - np.sin(w1))
        )  # fmt: skip
        rs = rs_w * 0.0036
        height = np.arcsin(np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(omega))
        if height >= 0.3:
            ratio = np.clip(rs / ((0.75 + 2e-5 * 50.0) * ra), 0.3, 1.0)
        if hour < 0:
            continue
        es = 0.6108 * np.exp(17.27 * t / (t + 237.3))
        ea, slope = es * rh / 100, 4098 * es / (t + 237.3) ** 2
        gamma = 0.665e-3 * 101.3 * ((293 - 0.0065 * 50.0) / 293) ** 5.26
        rnl = 4.903e-9 / 24 * (t + 273.16) ** 4 * (0.34 - 0.14 * np.sqrt(ea)) * (1.35 * ratio - 0.35)
        rn = 0.77 * rs - rnl
        g = (0.1 if rn >= 0 else 0.5) * rn
        total += (0.408 * slope * (rn - g) + gamma * 37 / (t + 273) * 2.0 * (es - ea)) / (
            slope + gamma * (1 + (0.24 if rn >= 0 else 0.96) * 2.0)
        )
    return total


def test_reference_evapotranspiration_is_the_hourly_sum_of_the_short_reference(made):
    """The stage gives the sum of the equation written out in this test, to 0.02 mm (rounding of constants)."""
    day = found(made)["reference_et"]
    assert (day.reason, day.n) == ("", 24)
    assert day.value == pytest.approx(hourly_sum_mm(made), abs=0.02)
    assert 4.0 < day.value < 6.0  # FAO-56 table 2: 4-7 mm for 20 degC and a moist temperate climate, from memory


@pytest.mark.parametrize("longitude_deg", [0.0, 150.0])
def test_a_calm_day_asks_the_same_of_the_stage_and_of_the_advice(made, longitude_deg):
    """At 0.1 m/s, with two hours lost, the 24 hours that advice counts add up to the day's finding (one equation)."""
    time_ms, table = made
    hour = (time_ms - MONDAY_MS) / HOUR_MS
    table = {**table, "s1/w1/wind": np.full(time_ms.size, 0.1)}
    table = {k: np.where((hour >= 9) & (hour < 11), np.nan, v) for k, v in table.items()}
    context = changed(CONTEXT, longitude_deg=longitude_deg)
    midnight_ms = MONDAY_MS - round(longitude_deg / 15.0) * HOUR_MS
    day = found((time_ms, table), context, start_ms=midnight_ms)["reference_et"]
    hourly = demand_mm(context, record(time_ms, table).channels, midnight_ms - DAY_MS, 48)
    assert "09-11 h UTC" in day.reason and day.value > 1.0
    assert hourly[24:].sum() == pytest.approx(day.value, abs=1e-9)


@pytest.mark.parametrize("missing", ["humidity", "wind", "sun"])
def test_hargreaves_is_named_where_the_weather_is_not_all_there(made, missing):
    """By eq. 52 on 17 degC, a span of 12 and Ra 41.9 at 52 degrees: 4.74 mm (computed apart), with its range."""
    day = found(made, **{f"s1/w1/{missing}": None})["reference_et"]
    assert "Hargreaves" in day.reason and missing in day.reason
    assert day.value == pytest.approx(0.0023 * (17.0 + 17.8) * np.sqrt(12.0) * 41.9 * 0.408, abs=0.05)
    assert day.low == pytest.approx(0.8 * day.value) and day.high == pytest.approx(1.2 * day.value)


def test_a_day_that_is_not_over_is_withheld(made):
    """Half a day of weather gives no total, and says how many hours there are; two hours lost are bridged."""
    time_ms, table = made
    half = time_ms < MONDAY_MS + 12 * HOUR_MS
    cut = {k: np.where(half, v, np.nan) for k, v in table.items()}
    day = found((time_ms, cut))
    assert np.isnan(day["reference_et"].value) and "only 12 of 24 hours" in day["reference_et"].reason
    assert np.isnan(day["growth_potential"].value) and np.isnan(day["soil_temperature_050"].value)
    assert day["leaf_frost"].value == 0.0  # dawn is over
    hour = (time_ms - MONDAY_MS) / HOUR_MS
    bridged = {k: np.where((hour >= 9) & (hour < 11), np.nan, v) for k, v in table.items()}
    filled = found((time_ms, bridged))["reference_et"]
    assert filled.value == pytest.approx(found(made)["reference_et"].value, abs=0.05)
    words = ", ".join(f"{what} 09-11 h UTC" for what in ("air temperature", "humidity", "wind", "sun"))
    assert filled.reason == f"filled from the hours beside: {words}"
    assert (filled.n, np.isnan(filled.low)) == (22, True)


@pytest.mark.parametrize(("first", "past"), [(2, 5), (3, 6), (10, 13), (19, 22), (21, 24)])
def test_three_hours_without_sun_are_filled_by_the_clear_sky(made, first, past):
    """A gap by day, by night, over dawn or at the day's end changes the day by less than a tenth of a millimetre."""
    time_ms, table = made
    hour = (time_ms - MONDAY_MS) / HOUR_MS
    dark = np.where((hour >= first) & (hour < past), np.nan, table["s1/w1/sun"])
    day, whole = found(made, **{"s1/w1/sun": dark})["reference_et"], found(made)["reference_et"]
    assert day.value == pytest.approx(whole.value, abs=0.1)
    assert day.reason == f"filled from the hours beside: sun {first:02d}-{past:02d} h UTC"


def test_four_hours_without_wind_are_named(made):
    """Beyond three hours the day goes by temperature, and its reason says which input was missing and when."""
    time_ms, table = made
    hour = (time_ms - MONDAY_MS) / HOUR_MS
    still = np.where((hour >= 13) & (hour < 17), np.nan, table["s1/w1/wind"])
    day = found(made, **{"s1/w1/wind": still})["reference_et"]
    assert day.reason == "by temperature alone (Hargreaves): not measured wind 13-17 h UTC"


@pytest.mark.parametrize(
    ("grass", "degc", "share"),
    [("cool", 15.0, 0.6615), ("cool", 25.0, 0.6615), ("warm", 25.0, 0.6926), ("annual_meadow_grass", 18.0, 1.0)],
)
def test_growth_potential_by_grass(made, grass, degc, share):
    """Values of the published curves at the day's mean (computed independently, 4 digits)."""
    air = {"s1/w1/air_temperature": np.full(made[0].size, degc)}
    assert found(made, changed(CONTEXT, grass=grass), **air)["growth_potential"].value == pytest.approx(share, abs=6e-5)


def test_soil_temperature_lies_between_the_thermometers(made):
    """35 mm at 14 and 65 mm at 20 degC make 17 at 50 mm (algebra); 65 mm alone stands for it, 160 mm does not."""
    n = made[0].size
    both = {"s1/p1/temperature_035": np.full(n, 14.0), "s1/p1/temperature_065": np.full(n, 20.0)}
    assert found(made, **both)["soil_temperature_050"].value == pytest.approx(17.0)
    gone = {"s1/p1/temperature_035": None, "s1/t1/temperature": None}
    assert found(made, **{**both, **gone})["soil_temperature_050"].value == pytest.approx(20.0)
    deep = {**gone, "s1/p1/temperature_065": None, "s1/p1/temperature_110": None}
    assert "within 20 mm" in found(made, **deep)["soil_temperature_050"].reason


def test_frost_is_judged_at_dawn_on_the_leaf(made):
    """Minus one at four in the morning is frost; minus one at nine in the evening is not that morning's."""
    time_ms, table = made
    hour = (time_ms - MONDAY_MS) / HOUR_MS
    leaf = table["s1/w1/surface_temperature"]
    early = np.where((hour >= 4) & (hour < 5), -1.0, leaf)
    frosty = found(made, **{"s1/w1/surface_temperature": early})
    assert frosty["leaf_frost"].value == 1.0 and frosty["leaf_temperature_dawn"].value == -1.0
    late = np.where((hour >= 21) & (hour < 22), -1.0, leaf)
    assert found(made, **{"s1/w1/surface_temperature": late})["leaf_frost"].value == 0.0


def test_a_leaf_nobody_measures_is_estimated_and_says_so(made):
    """On a clear still night of 3 degC air the estimate lies up to 6 below it and frost is possible, not sure."""
    time_ms, _ = made
    context = changed(CONTEXT, weather={k: v for k, v in CONTEXT.weather.items() if k != "surface_temperature"})
    night = {"s1/w1/air_temperature": np.full(time_ms.size, 3.0), "s1/w1/wind": np.full(time_ms.size, 1.0)}
    day = found(made, context, **night)
    leaf = day["leaf_temperature_dawn"]
    assert leaf.reason.startswith("estimated") and -3.0 <= leaf.value < 3.0
    assert (leaf.low, leaf.high) == pytest.approx((leaf.value - 2.0, leaf.value + 2.0))
    assert day["leaf_frost"].low <= day["leaf_frost"].value <= day["leaf_frost"].high


def test_without_a_place_or_without_weather_nothing_is_made_up(made):
    """No latitude: the demand is withheld and no dawn is known; no weather at all: only the soil speaks."""
    nowhere = found(made, changed(CONTEXT, latitude_deg=None, longitude_deg=None))
    assert "no latitude and longitude" in nowhere["reference_et"].reason and "leaf_frost" not in nowhere
    assert nowhere["growth_potential"].value == pytest.approx(found(made)["growth_potential"].value)
    time_ms, table = made
    assert set(found((time_ms, {k: v for k, v in table.items() if "/w1/" not in k}))) == {"soil_temperature_050"}
    assert set(found(made)) == set(CLIMATE_QUANTITIES)


def test_the_day_is_the_suns_not_that_of_utc(made):
    """At 150 degrees west the day begins at 10 h UTC, and its weather is that of the 24 hours from then."""
    time_ms, table = made
    context = changed(CONTEXT, longitude_deg=-150.0)
    shifted = record(time_ms + 10 * HOUR_MS, table)
    there = reference_et(shifted, context, MONDAY_MS + 10 * HOUR_MS).water_mm
    assert there == pytest.approx(found(made)["reference_et"].value, abs=0.01)


def test_hours_are_the_means_of_what_was_good_in_them():
    """Two good values of an hour are averaged, a failed one does not count, an hour of none lies on the line."""
    minutes = [0, 30, 70, 80, 190]
    series = (MONDAY_MS + 60_000 * np.array(minutes), np.array([1.0, 3.0, 4.0, np.nan, 10.0]))
    assert hourly_means(series, MONDAY_MS, 4, carried_on=True).tolist() == [2.0, 4.0, 7.0, 10.0]


def test_long_gaps_stay_gaps():
    """Three hours are filled, four are not; the last goes on for three hours where asked; none before the first."""
    _ = np.nan
    gap = np.array([_, 1.0, _, _, _, 5.0, _, _, _, _, 7.0, _, _, _, _])
    expected = [_, 1.0, 2.0, 3.0, 4.0, 5.0, _, _, _, _, 7.0, 7.0, 7.0, 7.0, _]
    times = MONDAY_MS + HOUR_MS * np.arange(gap.size)
    np.testing.assert_array_equal(hourly_means((times, gap), MONDAY_MS, gap.size, carried_on=True), np.array(expected))
    assert np.isnan(hourly_means((times[:3], np.full(3, np.nan)), MONDAY_MS, 3)).all()


def test_offsets_of_sound_sensors_do_not_cost_the_days_their_formula(made):
    """-2 W/m2 by night and 102 % at dawn, as weather stations give them, leave every full day by the full formula."""
    time_ms, table = made
    table = {
        **table,
        "s1/w1/sun": np.where(table["s1/w1/sun"] == 0.0, -2.0, table["s1/w1/sun"]),
        "s1/w1/humidity": np.where(table["s1/w1/humidity"] > 84.0, 102.0, table["s1/w1/humidity"]),
    }
    there, flag = np.ones(time_ms.size, dtype=np.bool_), np.full(time_ms.size, Flag.NOT_EVALUATED, dtype=np.uint8)
    observed = {
        i: ChannelSeries(time_ms, time_ms, np.asarray(raw), there, ~there, ~there, np.full(raw.size, np.nan), flag)
        for i, raw in table.items()
        if "/w1/" in i
    }
    seen = process(observed, CONTEXT)
    assert (seen.record.channels["s1/w1/sun"][1] >= 0.0).all()
    days = list(find((DAILY_CLIMATE,), seen.record, CONTEXT, MONDAY_MS - DAY_MS, MONDAY_MS + 2 * DAY_MS))
    asked = [f for f in days if f.quantity == "reference_et"]
    assert len(asked) >= 3 and {f.reason for f in asked} == {""}
