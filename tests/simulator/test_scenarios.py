"""The truth of each scenario tells its story.

Expected values are the story's own claims, told in numbers; what a day must be for a pass is by the bounds of common
practice for that pass (no source), with wetness between the wilting and drained contents of the medium (working ranges,
common practice).
"""

from datetime import UTC, datetime
from functools import cache

import numpy as np
import pytest

from simulator.history import History
from simulator.scenario import load, names
from simulator.scenario_run import run_station, weather_of
from simulator.scenario_site import virtual_probe
from simulator.sward import growth_potential
from simulator.truth import root_depth_m

THATCH = (0.17, 0.45)  # dry and drained water content of decayed thatch: middles of the working ranges
CLAY_LOAM, LOAM = (0.22, 0.37), (0.12, 0.25)


@cache
def lived(name: str, station: str, days: int | None = None) -> History:
    """One station of a scenario, lived through once for all tests."""
    scenario = load(name)
    plan = next(plan for plan in scenario.stations if plan.name == station)
    weather = weather_of(scenario, seed=scenario.seed)
    return run_station(scenario, plan, weather, seed=scenario.seed, days=scenario.days if days is None else days)


def step(history: History, text: str) -> int:
    """Step that begins at a date."""
    return round((datetime.fromisoformat(text).replace(tzinfo=UTC) - history.weather.start).total_seconds() / 3600)


def shares(history: History, lowest_mm: float, highest_mm: float, *, dry_days: float = 0.0, since: str = "2025-01-01"):
    """Share past the thatch of each rain or watering of a size that follows some dry days, with the rain itself."""
    fallen, last_wet, found = history.flux["rain_mm"] + history.flux["watering_mm"], -np.inf, []
    for rain in history.rains():
        dry = (rain.first_step - last_wet) / 24
        last_wet = rain.first_step + np.flatnonzero(fallen[rain.first_step : rain.last_step])[-1] + 1
        if lowest_mm <= rain.fallen_mm <= highest_mm and dry >= dry_days and rain.first_step >= step(history, since):
            found.append((rain.past_thatch_mm / rain.fallen_mm, rain))
    return found


def median(found) -> float:
    return float(np.median([share for share, _ in found]))


def soil_content(history: History, below_m: float) -> np.ndarray:
    """Water content at a depth under the thatch, which grows and shrinks, at every snapshot."""
    depths = history.thatch_m + below_m
    return np.array([history.value("water_content", d, history.start_ms + 3_600_000 * i) for i, d in enumerate(depths)])


def fit_days(history: History, *, soil, thatch_wet, soil_wet, soil_degc, growth) -> list[str]:
    """Dates on which, 9 to 16 h, thatch, soil and growth lie in the bounds of a pass and no frost was or is near."""
    found = []
    thatch = (history.water_content(0.008) - THATCH[0]) / (THATCH[1] - THATCH[0])
    root_zone = (np.mean([soil_content(history, d) for d in (0.02, 0.06, 0.1)], axis=0) - soil[0]) / (soil[1] - soil[0])
    air = history.weather.temperature_degc.reshape(-1, 24).mean(axis=1)
    for day in range(7, len(air) - 2):
        work = slice(day * 24 + 9, day * 24 + 17)
        warmth = np.interp(
            history.thatch_m[day * 24] + 0.05,
            history.level_depth_m[day * 24],
            history.temperature_degc[work].mean(axis=0),
        )
        now = np.mean([growth_potential(t, history.turf.grass) for t in air[day - 7 : day]])
        frost = history.weather.surface_temperature_degc[(day - 2) * 24 : (day + 2) * 24].min() < -0.5
        inside = all(
            low <= value <= high
            for series, (low, high) in ((thatch, thatch_wet), (root_zone, soil_wet))
            for value in series[work]
        )
        if inside and soil_degc[0] <= warmth <= soil_degc[1] and now >= growth and not frost:
            found.append(str(np.datetime64(history.weather.start.date()) + day))
    return found


SCARIFYING = {"thatch_wet": (0.3, 0.7), "soil_wet": (0.5, 0.95), "soil_degc": (10.0, 20.0), "growth": 0.4}
DEEP = {"thatch_wet": (0.3, 0.7), "soil_wet": (0.5, 0.85), "soil_degc": (12.0, 19.0), "growth": 0.5}


@pytest.mark.parametrize("name", names())
def test_every_scenario_has_a_story_and_a_ground(name):
    """Every file loads, with a title, a story of some sentences, probes and at least one station."""
    scenario = load(name)
    assert scenario.story.count(".") >= 3
    assert all(station.probes for station in scenario.stations)


def test_there_are_at_least_eight():
    """The set of scenarios is as large as it was meant to be."""
    assert len(names()) >= 8


def test_thatch_bound_square_lets_little_of_a_rain_past():
    """Of rains of 2-8 mm after two dry days the median share that passes is under 0.30, and the rest is found."""
    square, outfield = (lived("thatch_bound_square", name, 120) for name in ("square-1", "outfield-1"))
    found = shares(square, 2.0, 8.0, dry_days=2.0)
    print(f"square: median {median(found):.2f} of {len(found)} rains")
    assert len(found) >= 5
    assert median(found) < 0.30
    for _, rain in found:
        rest = rain.canopy_mm + rain.runoff_mm + rain.evaporation_mm + rain.thatch_gain_mm
        rest += rain.thatch_uptake_mm + rain.pond_gain_mm
        # uptake of the node at the base is shared with the soil
        assert rain.past_thatch_mm + rest == pytest.approx(rain.fallen_mm, abs=0.2)
    assert median(shares(outfield, 2.0, 8.0, dry_days=2.0)) > 0.45
    assert abs(square.balance_error_mm()) < 1e-6 * square.flux["rain_mm"].sum()


def test_thatch_bound_square_has_its_roots_in_the_thatch_over_dry_soil():
    """Half the roots are in the thatch, and in May the soil under it falls to near wilting."""
    square = lived("thatch_bound_square", "square-1", 120)
    assert root_depth_m(square, 0, 0.5) < square.thatch_m[0]
    assert soil_content(square, 0.03)[: step(square, "2025-06-01")].min() < 0.25  # rolled clay loam wilts at 0.21


def test_thatch_bound_square_stays_soaked_for_days_over_drying_roots():
    """Somewhere three rainless days pass with the thatch above its drained content while the soil dries."""
    square = lived("thatch_bound_square", "square-1", 120)
    wet, soil = square.water_content(0.008), square.storage_below_thatch_mm(0.15)
    spans = range(0, square.weather.count - 72, 6)
    assert any(
        square.flux["rain_mm"][i : i + 72].sum() == 0.0
        and wet[i : i + 73].min() > THATCH[1]
        and soil[i] - soil[i + 72] > 0.5
        for i in spans
    )


def test_raw_thatch_lawn_sheds_in_summer_and_lets_through_in_winter():
    """On dry raw thatch most of a shower runs off, little passes and the thatch stays dry; long rains of October pass
    while it stays so; by mid December it is wet through, holds water, and the rains mostly pass."""
    lawn = lived("raw_thatch_lawn", "lawn-1")
    content = lawn.water_content(0.008)
    summer = [
        (share, rain)
        for share, rain in shares(lawn, 5.0, 40.0)
        if rain.first_step < step(lawn, "2025-10-01") and content[rain.first_step] < 0.12
    ]
    autumn = [
        (share, rain)
        for share, rain in shares(lawn, 5.0, 40.0, since="2025-10-15")
        if rain.first_step < step(lawn, "2025-11-05")
    ]
    winter = shares(lawn, 5.0, 40.0, since="2025-12-10")
    print(f"summer {median(summer):.2f} of {len(summer)}, winter {median(winter):.2f} of {len(winter)}")
    print(f"autumn {median(autumn):.2f} of {len(autumn)}")
    assert len(summer) >= 8 and len(autumn) >= 2 and len(winter) >= 4
    assert all(content[rain.first_step : rain.last_step].max() < 0.12 for _, rain in summer)
    assert median(autumn) > 0.60 and all(content[rain.first_step : rain.last_step].max() < 0.15 for _, rain in autumn)
    assert content[step(lawn, "2025-12-20") :].min() > 0.25  # above the 0.25 that raw thatch keeps at -10 kPa
    assert median(summer) < 0.20
    assert np.median([rain.runoff_mm / rain.fallen_mm for _, rain in summer]) > 0.40
    assert median(winter) > 0.45
    assert sum(rain.runoff_mm for _, rain in winter) < 0.05 * sum(rain.fallen_mm for _, rain in winter)


def test_sand_green_passes_its_water_and_never_lacks():
    """Waterings and larger rains pass the mat, roots are deep, and from mid April the grass gets what it asks."""
    green = lived("sand_green", "green-1")
    assert median(shares(green, 8.0, 60.0)) > 0.70
    since = step(green, "2025-04-15")
    assert green.flux["uptake_mm"][since:].sum() > 0.97 * green.flux["demand_mm"][since:].sum()
    assert all(root_depth_m(green, 24 * day, 0.95) > 0.15 for day in range(0, 180, 20))
    assert green.cover[-1] > 0.95
    assert green.flux["runoff_mm"].sum() == pytest.approx(0.0, abs=1.0)


def test_climbing_roots_come_back_under_deep_rare_water():
    """By August half the roots and nearly all uptake are in the thatch; by late October both are as in spring."""
    outfield = lived("climbing_roots", "outfield-1")

    def in_thatch(first: str, last: str) -> float:
        span = slice(step(outfield, first), step(outfield, last))
        nodes = outfield.node_depth_m[span.start] <= outfield.thatch_m[span.start] + 1e-6
        return float(outfield.uptake_mm[span][:, nodes].sum() / outfield.uptake_mm[span].sum())

    spring, drought, autumn = (step(outfield, day) for day in ("2025-05-01", "2025-08-12", "2025-10-25"))
    half = [root_depth_m(outfield, row, 0.5) for row in (spring, drought, autumn)]
    print(f"half the roots above {1000 * half[0]:.0f}, {1000 * half[1]:.0f}, {1000 * half[2]:.0f} mm")
    assert half[1] < outfield.thatch_m[drought] < 0.5 * half[0]
    assert half[2] > 0.85 * half[0]
    assert in_thatch("2025-04-20", "2025-05-01") < 0.30
    assert in_thatch("2025-07-10", "2025-08-10") > 0.80
    assert in_thatch("2025-10-01", "2025-10-25") < 0.30
    assert median(shares(outfield, 15.0, 60.0, since="2025-08-15")) > 0.70  # the deep water passed the thatch


def test_wet_autumn_has_no_day_for_a_deep_pass():
    """From the last match to the end of November no day is fit, as days before it were; till November it is too wet."""
    square = lived("wet_autumn", "square-1")
    fit = fit_days(square, soil=CLAY_LOAM, **DEEP)
    assert [day for day in fit if day < "2025-09-13"]
    assert not [day for day in fit if day >= "2025-09-13"]
    noons = slice(step(square, "2025-09-20") + 12, step(square, "2025-11-01"), 24)
    soil = (soil_content(square, 0.03)[noons] - CLAY_LOAM[0]) / (CLAY_LOAM[1] - CLAY_LOAM[0])
    assert (soil > DEEP["soil_wet"][1]).mean() > 0.9


def test_late_frost_shuts_the_window_and_stops_the_healing():
    """Days before the frost are fit to scarify, none in its weeks is; the fresh cut stands still, then closes late."""
    left, right = lived("late_frost", "left-1"), lived("late_frost", "right-1")
    fit = fit_days(right, soil=LOAM, **SCARIFYING)
    print("fit:", ", ".join(fit))
    assert len([day for day in fit if "2025-04-05" <= day < "2025-04-22"]) >= 4
    assert not [day for day in fit if "2025-04-22" <= day < "2025-05-03"]
    nights = right.weather.surface_temperature_degc.reshape(-1, 24).min(axis=1)
    first = step(right, "2025-04-22") // 24
    assert (nights[first : first + 9] < -1.0).sum() >= 6
    healed = left.healed["1 scarify"]
    before, after, end = (healed[step(left, day)] for day in ("2025-04-22", "2025-05-01", "2025-06-10"))
    assert after - before < 0.10
    assert healed[step(left, "2025-05-10")] < 0.80
    assert end > 0.95
    assert right.cover.min() > left.cover.min() + 0.2


@pytest.mark.soak
def test_passes_of_a_season_thin_the_thatch():
    """All passes together leave it a fifth thinner or more though it grew meanwhile, and the turf closes again."""
    outfield = lived("thinning_season", "outfield-1")
    assert outfield.thatch_m[-1] < 0.80 * outfield.thatch_m[0]
    assert all(healed[-1] > 0.90 for healed in outfield.healed.values())
    assert len(outfield.healed) == 8
    assert outfield.cover[step(outfield, "2025-04-25")] < 0.6 < 0.95 < outfield.cover[-1]
    grown = np.diff(outfield.thatch_m)
    assert grown[grown > 0.0].sum() > 0.001


def test_blade_that_found_the_probe_silences_it():
    """Before the September pass the thatch probe answers, after it never again."""
    scenario = load("thinning_season")
    station = scenario.stations[0]
    plan = next(plan for plan in station.probes if plan.name == "thatch")
    probe = virtual_probe(scenario, station, plan, lived("wet_autumn", "square-1"), seed=1)
    moment = round(datetime(2025, 9, 3, 9, tzinfo=UTC).timestamp() * 1000)
    assert probe.alive(moment - 1)
    assert not probe.alive(moment)
    assert not probe.alive(moment + 86_400_000)


@pytest.mark.soak
def test_twelve_stations_tell_twelve_tales():
    """Thatch, water received and share past the thatch differ between stations, so that one stands for no other."""
    stations = [lived("twelve_stations", f"green-{i}") for i in range(1, 13)]
    thatch = np.array([station.thatch_m[0] for station in stations])
    water = np.array([station.flux["watering_mm"].sum() for station in stations])
    passed = np.array([median(shares(station, 2.0, 12.0)) for station in stations])
    print("thatch mm", np.round(1000 * thatch, 1), "passed", np.round(passed, 2))
    assert thatch.std() > 0.2 * thatch.mean()
    assert water.std() > 0.1 * water.mean()
    assert passed.max() - passed.min() > 0.2
    assert len({station.head_m.tobytes() for station in stations}) == 12
