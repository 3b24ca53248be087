"""Accounts of wettings, held against hand-made ledgers, a recorded storm and the simulated column's own truth."""

import gzip
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.soil.arrival import Errors, SoilProfile, account, bypass_flow
from pipeline.soil.climate import makkink_mm
from pipeline.soil.estimate import Estimate, about, withheld
from pipeline.soil.layers import CELL_MS, layer_weights_m, medium, on_cells
from pipeline.soil.passage import SurfaceWater, ThatchRead
from pipeline.soil.wetting import Spell, events
from pipeline.units import HOUR_MS
from simulator.climates import CLIMATES
from simulator.column import Layer
from simulator.ground import TurfProfile
from simulator.history import run
from simulator.materials import MATERIALS
from simulator.weather import generate

NAN = float("nan")
CELLS = np.arange(96 * 3, dtype=np.int64) * CELL_MS
DEPTHS = np.array([0.02, 0.05, 0.15])
RAIN = Spell(10 * HOUR_MS, 12 * HOUR_MS, 10.0)
EXACT = Errors(noise=0.0, slope=0.0, gauge=0.0, gauge_mm=0.0)
CALLED = {"thatch_raw": "raw_thatch", "thatch_decayed": "decayed_thatch"}
ITHACA = Path(__file__).parents[3] / "simulator" / "records" / "ithaca_2024.csv.gz"


def steps(*at_and_level: tuple[int, float]) -> np.ndarray:
    """A channel that stands at .20 and steps to each level at the hour."""
    theta = np.full(CELLS.size, 0.20)
    for hour, level in at_and_level:
        theta[hour * HOUR_MS <= CELLS] = level
    return theta


def profile(*channels: np.ndarray, every_min: float = 15.0) -> SoilProfile:
    return SoilProfile(
        CELLS,
        DEPTHS,
        np.stack(channels, axis=1),
        layer_weights_m(DEPTHS, 0.10),
        layer_weights_m(DEPTHS, 0.20),
        every_min,
    )


WETTED = profile(steps((11, 0.26)), steps((13, 0.24)), steps((18, 0.22)))
THATCH = 2.0 + 5.0 * ((CELLS >= 10 * HOUR_MS) & (CELLS < 14 * HOUR_MS)) + 1.0 * (CELLS >= 14 * HOUR_MS)


def thatch(water_mm: np.ndarray = THATCH) -> ThatchRead:
    return ThatchRead(water_mm, 0.015, medium("decayed_thatch"))


def surface(evaporation_mm: float) -> SurfaceWater:
    """Ten millimetres between 9.75 h and 12 h, and an evaporation in the hours from then until 18 h."""
    hour = CELLS / HOUR_MS
    fell, dried = (hour >= 9.75) & (hour < 12.0), (hour >= 12.0) & (hour < 18.0)
    return SurfaceWater(10.0 * fell / fell.sum(), evaporation_mm * dried / dried.sum())


def test_ledger_made_by_hand_closes() -> None:
    """10 mm: at the close 1 is in the thatch, 4.45 in the root zone, 2.25 below, .5 evaporated, 1.8 unaccounted.

    Weights by trapezoids: 35, 65, 100 mm to 200 mm, of which 35, 52.5 and 12.5 are the root zone's 100 mm.
    Root zone .06 x 35 + .04 x 52.5 + .02 x 12.5 = 4.45; all .06 x 35 + .04 x 65 + .02 x 100 = 6.7; below 2.25.
    """
    found = account(RAIN, WETTED, thatch=thatch(), surface=surface(0.5), errors=EXACT)
    assert found.root_gain.value == pytest.approx(4.45) and found.below_gain.value == pytest.approx(2.25)
    assert (found.thatch_peak.value, found.thatch_kept.value) == pytest.approx((5.0, 1.0))
    assert found.unaccounted.value == pytest.approx(10.0 - 1.0 - 6.7 - 0.5) and found.unaccounted.reason == ""
    assert found.capture_share.value == pytest.approx(0.5) and found.seen_share.value == pytest.approx(0.67)
    assert [g.value for g in found.gain] == pytest.approx([0.06, 0.04, 0.02])


def test_lags_count_from_the_first_water() -> None:
    """Steps at 11, 13 and 18 h after first water at 10 h: 60, 180 and 480 min, each give or take a reading."""
    found = account(RAIN, WETTED, thatch=thatch())
    assert [e.value for e in found.lag_min] == [60.0, 180.0, 480.0]
    assert [(e.low, e.high) for e in found.lag_min][1] == (165.0, 195.0)
    assert found.thatch_lag_min.value == 0.0 and found.bypass == ""


def test_one_reading_that_jumps_is_no_arrival() -> None:
    """A single high reading at 10.5 h and back: the water is there when it stays, at 13 h (algebra)."""
    theta = WETTED.theta.copy()
    theta[42, 1] = 0.30
    assert account(RAIN, profile(*theta.T)).lag_min[1].value == 180.0


def test_evaporation_that_is_not_known_is_named_inside_the_unaccounted_line() -> None:
    """Without evaporation its half millimetre stays in the remainder, and the line says so."""
    found = account(RAIN, WETTED, thatch=thatch(), errors=EXACT)
    assert found.unaccounted.value == pytest.approx(2.3) and "evaporation" in found.unaccounted.reason


def test_interval_follows_the_errors_given() -> None:
    """Slope .1 and gauge .05 alone: arrival .67 with a deviation of .67 x sqrt(.1^2 + .05^2) = .0749 (error law)."""
    found = account(RAIN, WETTED, errors=Errors(noise=0.0, slope=0.1, gauge=0.05, gauge_mm=0.0)).seen_share
    assert found.value - found.low == pytest.approx(1.645 * 0.0749, abs=2e-4)


def test_rain_told_by_the_hour_fell_before_it_was_told() -> None:
    """A gauge read hourly tells at 10 h what fell since 9: the thatch already rose at 9.25 h, and what it held before
    is what it held until 9 (algebra)."""
    early = 2.0 + 5.0 * ((CELLS >= 9.25 * HOUR_MS) & (CELLS < 14 * HOUR_MS)) + 1.0 * (CELLS >= 14 * HOUR_MS)
    hourly = replace(WETTED, gauge_min=60.0)
    assert account(RAIN, hourly, thatch=thatch(early), errors=EXACT).thatch_kept.value == pytest.approx(1.0)
    assert account(RAIN, WETTED, thatch=thatch(early), errors=EXACT).thatch_kept.value == pytest.approx(-4.0)


def test_next_water_ends_the_account() -> None:
    """Water again at 16 h: the deep step at 18 h is not this wetting's."""
    found = account(RAIN, WETTED, until_ms=16 * HOUR_MS, errors=EXACT)
    assert found.gain[2].value == pytest.approx(0.0) and found.closed_ms < 16 * HOUR_MS
    assert found.lag_min[2].reason == "no arrival within a day"


def test_channel_that_was_silent_before_withholds_what_rests_on_it() -> None:
    """No reading at 50 mm before the rain: no root zone gain, no share, no remainder; the other depths stand."""
    theta = WETTED.theta.copy()
    theta[:40, 1] = NAN
    found = account(RAIN, profile(*theta.T), thatch=thatch())
    assert found.root_gain.reason == "no good reading before the water"
    assert found.seen_share.withheld and found.unaccounted.withheld and found.gain[0].value == pytest.approx(0.06)
    assert found.capture_share.value == pytest.approx(0.5)


def test_account_struck_early_says_so() -> None:
    """Readings end at 20 h, eight hours after the water: the deep step at 18 h is in, and the share says how far it
    looked; an account that saw the whole day says nothing."""
    theta = WETTED.theta.copy()
    theta[CELLS > 20 * HOUR_MS] = NAN
    found = account(RAIN, profile(*theta.T), errors=EXACT)
    assert found.seen_share.value == pytest.approx(0.67)
    assert found.arrival_share.reason == "read only until 8 h after the water"
    assert account(RAIN, WETTED).arrival_share.reason == ""


def test_nothing_read_after_the_water_is_withheld_and_not_an_error() -> None:
    """A record that ends with the rain has no gains, no lags, no shares, and still an account."""
    theta = WETTED.theta.copy()
    theta[40:] = NAN
    found = account(RAIN, profile(*theta.T), thatch=thatch(np.full(CELLS.size, NAN)))
    assert found.root_gain.reason == "no good reading after the water" and found.capture_share.withheld


def test_unknown_amount_withholds_shares_but_not_gains() -> None:
    """A watering nobody measured: gains and lags stand, shares and remainder do not."""
    found = account(Spell(10 * HOUR_MS, 12 * HOUR_MS, 0.0, NAN), WETTED)
    assert found.root_gain.value == pytest.approx(4.45)
    assert found.arrival_share.reason == found.unaccounted.reason == "nobody wrote down how much was given"


@pytest.mark.parametrize(
    ("lags", "gained", "every_min", "sign"),
    [
        ((60.0, 180.0, 480.0), 8.0, 15.0, ""),
        ((60.0, 60.0, 75.0), 8.0, 15.0, "at once"),
        ((60.0, 60.0, 60.0), 8.0, 60.0, ""),  # hourly readings cannot tell
        ((180.0, 300.0, 60.0), 8.0, 15.0, "before it was above"),
        ((300.0, 300.0, 180.0), 8.0, 60.0, "before it was above"),
        ((120.0, 120.0, 60.0), 8.0, 60.0, ""),  # one hourly reading earlier: it may have been a minute
        ((120.0, 120.0, 60.0), 8.0, 15.0, "before it was above"),
        ((60.0, NAN, 60.0), 8.0, 15.0, ""),  # two depths are no pattern
        ((60.0, 180.0, 480.0), 11.5, 15.0, ""),  # more than given, but within the doubt of both
        ((60.0, 180.0, 480.0), 25.0, 15.0, "the ground gained 25.0 mm of 10.0 mm given"),
    ],
)
def test_bypass_is_told_by_its_signs(lags, gained, every_min, sign) -> None:
    """More gained than given, deep before shallow, or all at once; and nothing else (a table made by hand)."""
    each = [withheld("no arrival") if np.isnan(lag) else Estimate(lag, lag, lag, 1) for lag in lags]
    said = bypass_flow(DEPTHS, each, every_min=every_min, gained=about(gained, 1.0, 1), given=about(10.0, 0.5, 1))
    assert said.endswith(sign) and bool(said) == bool(sign)


def test_no_share_is_drawn_from_water_that_went_around_the_soil() -> None:
    """All depths step at 11 h: the share is withheld with the sign, the gains and the remainder stand."""
    found = account(RAIN, profile(steps((11, 0.26)), steps((11, 0.24)), steps((11, 0.22))))
    assert found.bypass and found.arrival_share.reason == found.bypass
    assert found.unaccounted.value == pytest.approx(3.3, abs=0.01)


@pytest.fixture(scope="module")
def ithaca():
    """The four channels of the Ithaca record (USCRN, public domain) that can be read, and its rain."""
    with gzip.open(ITHACA, "rt") as file:
        table = pd.read_csv(file)
    time_ms = pd.to_datetime(table["hour_end_utc"]).dt.tz_localize(None).to_numpy("datetime64[ms]").astype(np.int64)
    depths = np.array([0.05, 0.10, 0.20, 0.50])
    cells = np.arange(time_ms[0] // CELL_MS, time_ms[-1] // CELL_MS + 1)
    theta = [on_cells(cells, time_ms, table[f"moisture_{1000 * d:04.0f}"].to_numpy(float)) for d in depths]
    found = SoilProfile(
        cells * CELL_MS,
        depths,
        np.stack(theta, axis=1),
        layer_weights_m(depths, 0.20),
        layer_weights_m(depths, 0.50),
        60.0,
    )
    return time_ms, table["rain_mm"].to_numpy(float), found


def test_storm_of_9_january_2024_at_ithaca(ithaca) -> None:
    """Rain 18.5 mm; .079 .104 .080 .057 m3/m3 at 5, 10, 20, 50 cm within hours (read off the USCRN record).

    The spell ends before the last 0.2 mm of the day, twelve dry hours later: 18.3 mm. Tolerance .008, since the printed
    gains are peaks of single hours and ours are smoothed and struck at one moment. Snow melted too: the ground gained
    twice the rain: the account closes with its remainder shown, and no share is drawn from it.
    """
    time_ms, rain, found = ithaca
    at = int(datetime(2024, 1, 9, tzinfo=UTC).timestamp() * 1000)
    (storm,) = [s for s in events(time_ms, rain) if at <= s.start_ms < at + 24 * HOUR_MS]
    given = account(storm, found)
    assert storm.rain_mm == pytest.approx(18.5, abs=0.21)
    assert [g.value for g in given.gain] == pytest.approx([0.079, 0.104, 0.080, 0.057], abs=0.008)
    assert all(300.0 <= lag.value <= 500.0 for lag in given.lag_min)
    lines = given.root_gain.value + given.below_gain.value + given.unaccounted.value
    assert lines == pytest.approx(storm.rain_mm) and given.unaccounted.value < -15.0
    assert "gained" in given.bypass and given.seen_share.withheld and given.arrival_share.withheld


@pytest.fixture(scope="module")
def twin():
    """Four weeks of simulated ground by the hour under raw and decayed thatch, read with noise and wrong slopes."""
    found = []
    for seed, thatch, soil in ((1, "thatch_decayed", "loam"), (2, "thatch_raw", "sandy_loam")):
        place = TurfProfile(MATERIALS[thatch], (Layer(MATERIALS[soil], 0.5),), 0.020)
        weather = generate(CLIMATES["warm humid"], datetime(2025, 5, 1, tzinfo=UTC), 35, seed=seed)
        truth = run(place, weather)
        found += list(_accounts(truth, np.random.default_rng(seed)))
    return found


def _accounts(truth, rng):
    depth = np.array([0.035, 0.065, 0.110, 0.160, 0.220])
    hours = truth.start_ms + HOUR_MS * np.arange(truth.weather.count + 1, dtype=np.int64)
    cells = np.arange(hours[0] // CELL_MS, hours[-1] // CELL_MS + 1)
    heard = [
        on_cells(cells, hours, truth.water_content(d) * rng.normal(1, 0.05) + rng.normal(0, 0.003, hours.size))
        for d in depth
    ]
    thatch = on_cells(cells, hours, 20.0 * truth.water_content(0.010) + rng.normal(0, 0.06, hours.size))
    soil = depth - 0.020
    one = SoilProfile(
        cells * CELL_MS, soil, np.stack(heard, 1), layer_weights_m(soil, 0.2), layer_weights_m(soil, 0.23), 60.0
    )
    sun_mj_m2 = truth.weather.solar_w_m2 * 3600.0 / 1e6
    each = (cells * CELL_MS - hours[0]) // HOUR_MS
    sky = SurfaceWater(*(
        np.append(hourly, 0.0)[each] / 4.0
        for hourly in (truth.weather.rain_mm, makkink_mm(sun_mj_m2, truth.weather.temperature_degc, 100.0))
    ))  # fmt: skip
    rains = {int(hours[r.first_step + 1]): r for r in truth.rains()}
    every = events(hours[1:], truth.weather.rain_mm)
    for spell, following in zip(every, [*every[1:], None], strict=True):
        if spell.start_ms in rains and spell.rain_mm >= 5.0:
            until = None if following is None else following.start_ms
            read = ThatchRead(thatch, 0.02, medium(CALLED[truth.turf.thatch.name]))
            yield rains[spell.start_ms], account(spell, one, thatch=read, surface=sky, until_ms=until)


def test_arrival_share_of_simulated_rain_is_recovered(twin) -> None:
    """Rain of 5 mm and more: the share that passed the thatch, known in the simulator, is met within .15 (the aim) at
    the median, and lies in the 90 % interval three times in four (90 % less two binomial deviations of twelve)."""
    pairs = [(r.past_thatch_mm / r.fallen_mm, a.arrival_share) for r, a in twin if not a.arrival_share.withheld]
    error = np.array([abs(share.value - true) for true, share in pairs])
    print(f"arrival share: {len(pairs)} of {len(twin)} rains, median error {np.median(error):.3f}")
    assert len(pairs) >= 8 and len(pairs) >= 0.75 * len(twin)
    assert np.median(error) <= 0.15
    assert np.mean([share.low <= true <= share.high for true, share in pairs]) >= 0.73
