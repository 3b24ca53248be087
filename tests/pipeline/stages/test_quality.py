"""The quality stage on a recorded series: what it flags of good data, and what it finds of planted faults.

Recorded: USCRN Dinosaur, May and June 2018, hourly (Diamond et al. 2013, doi:10.1175/BAMS-D-12-00170.1).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from hardware.probe import load_probe
from hardware.reading import TOLD_NOISY
from pipeline.stages.recompute import process
from pipeline.stages.stage import series_of
from pipeline.units import Flag
from tests.pipeline.contexts import station_context

DATA = Path(__file__).parents[2] / "data" / "uscrn_dinosaur_2018" / "may_june_hourly.csv"
DEEP, WEATHER = load_probe("deep_soil_profile"), load_probe("weather")
CHANNELS = {f"lawn-1/p1/{c.name}": c for c in DEEP.channels} | {"lawn-1/w1/rain": WEATHER.channel("rain")}
CONTEXT = station_context("lawn-1", CHANNELS, soil="sandy_loam", rain_channel="lawn-1/w1/rain")
SHALLOW = "lawn-1/p1/moisture_0100"


@pytest.fixture(scope="module")
def record() -> pd.DataFrame:
    """The series as raw rows, rain summed to a running total."""
    table = pd.read_csv(DATA, parse_dates=["hour_end_lst"])
    time_ms = table["hour_end_lst"].to_numpy().astype("datetime64[ms]").astype(np.int64)
    columns = {f"lawn-1/p1/{c.name}": c.name for c in DEEP.channels}
    columns = {i: n if n in table else f"{n}_degc" for i, n in columns.items()}
    values = {i: table[n].to_numpy() for i, n in columns.items()}
    values["lawn-1/w1/rain"] = 10.0 + table["rain_mm"].fillna(0.0).cumsum().round(2).to_numpy()
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "channel": i, "measured_at_ms": time_ms, "raw": v, "status": np.where(np.isnan(v), "silent", "ok"),
                    "clock_ok": True, "received_at_ms": time_ms,
                }
            )
            for i, v in values.items()
        ],
        ignore_index=True,
    )  # fmt: skip


def flags(record: pd.DataFrame, channel: str) -> np.ndarray:
    seen = process(series_of(record), CONTEXT).observations
    return seen.loc[seen["channel"] == channel, "flag"].to_numpy()


def planted(record: pd.DataFrame, channel: str, change) -> pd.DataFrame:
    """The record with the raw values of one channel changed by a function of its array."""
    rows = record["channel"] == channel
    raw = record["raw"].to_numpy().copy()
    raw[rows] = change(raw[rows].copy())
    return record.assign(raw=raw, status=np.where(np.isnan(raw), "silent", "ok"))


def test_recorded_series_raises_no_false_alarm(record):
    """Over two months without frost, storms among them, none of some 10,000 soil readings heard is flagged."""
    seen = process(series_of(record), CONTEXT).observations
    heard = seen[seen["raw"].notna() & (seen["channel"] != "lawn-1/w1/rain")]
    assert len(heard) > 9_500
    assert (heard["flag"] == Flag.GOOD).all()


def test_a_reading_at_the_end_of_its_sensors_range_is_doubtful(record):
    """Soil at just -40 degC, water content of just nothing; a dry gauge and a value beside the end are not."""
    warm = "lawn-1/p1/temperature_0100"
    ends = planted(planted(record, warm, lambda v: np.where(np.arange(v.size) == 400, -40.0, v)), SHALLOW,
                   lambda v: np.where(np.arange(v.size) >= v.size - 40, 0.0, v))  # fmt: skip
    assert flags(ends, warm)[400] == Flag.SUSPECT
    assert (flags(ends, SHALLOW)[-40:] == Flag.SUSPECT).all()
    near = planted(record, SHALLOW, lambda v: np.where(np.arange(v.size) >= v.size - 40, 0.01, v))
    assert (flags(near, SHALLOW)[-20:] != Flag.SUSPECT).all()
    assert (flags(record, "lawn-1/w1/rain")[1:] == Flag.GOOD).all()


@pytest.mark.parametrize(("height", "least_found"), [(0.10, 0.95), (-0.08, 0.95), (0.06, 0.9)])
def test_planted_spikes_are_found(record, height, least_found):
    """Some forty spikes in the 100 mm channel are nearly all found, and at most 2 of 1000 other values flagged.

    None is planted beside a gap. One planted in rain is let pass, and its way back taken for a fall.
    """
    raw_there = record.loc[record["channel"] == SHALLOW, "raw"].to_numpy()
    places = np.arange(20, raw_there.size - 20, 24)
    at = np.array([k for k in places if np.isfinite(raw_there[k - 2 : k + 3]).all()])
    assert at.size >= 30

    def spikes(raw: np.ndarray) -> np.ndarray:
        raw[at] += height
        return raw

    found = flags(planted(record, SHALLOW, spikes), SHALLOW)
    share = (found[at] != Flag.GOOD).mean()
    assert share >= least_found
    others = np.delete(found, at)
    assert np.isin(others, [Flag.SUSPECT, Flag.FAIL]).sum() <= 2


def test_planted_values_no_soil_can_hold_fail(record):
    """0.75 m3/m3 in sandy loam (porosity to 0.50, working range) fails; 0.55 is suspect."""

    def wild(raw: np.ndarray) -> np.ndarray:
        raw[100], raw[200:210] = 0.75, 0.55
        return raw

    found = flags(planted(record, SHALLOW, wild), SHALLOW)
    assert found[100] == Flag.FAIL and (found[200:210] == Flag.SUSPECT).all()


def test_planted_frost_masks_the_channel_beside_it(record):
    """Half a degree at 100 mm makes the moisture at 100 mm suspect, and that at 500 mm not."""
    cold = planted(record, "lawn-1/p1/temperature_0100", lambda raw: np.where(np.arange(raw.size) == 300, 0.5, raw))
    # one cold hour is a spike of the thermometer too; a cold day is not
    cold = planted(cold, "lawn-1/p1/temperature_0100", lambda raw: np.where(np.arange(raw.size) // 24 == 12, 0.4, raw))
    inside = slice(12 * 24 + 2, 13 * 24 - 2)
    assert (flags(cold, SHALLOW)[inside] == Flag.SUSPECT).all()
    assert (flags(cold, "lawn-1/p1/moisture_0500")[inside] == Flag.GOOD).all()


def test_planted_flat_line_in_rain_is_found_and_in_drought_not(record):
    """A channel held still over the wettest two days is flagged; over a dry fortnight nobody can tell."""
    rain = record.loc[record["channel"] == "lawn-1/w1/rain", "raw"].to_numpy()
    fallen = rain[24:] - rain[:-24]
    wettest = int(np.argmax(fallen))
    assert fallen[wettest] >= 5.0, "the record must have a wet day"

    def still(raw: np.ndarray) -> np.ndarray:
        raw[wettest - 12 : wettest + 48] = 0.2
        return raw

    found = flags(planted(record, SHALLOW, still), SHALLOW)
    assert (found[wettest + 22 : wettest + 30] == Flag.SUSPECT).any()
    dry = np.flatnonzero((rain[72:] - rain[:-72]) == 0.0)
    begin = int(dry[len(dry) // 2])

    def still_in_drought(raw: np.ndarray) -> np.ndarray:
        raw[begin : begin + 72] = raw[begin]
        return raw

    assert (flags(planted(record, SHALLOW, still_in_drought), SHALLOW)[begin : begin + 72] != Flag.SUSPECT).all()


def test_planted_rise_without_rain_is_found_at_depth(record):
    """A leap of 0.05 at 500 mm in dry weather is suspect on a day on which the channel above did not rise by 0.01.

    On this site warmth alone lifts the reading at 200 mm by as much on many days; then the leap is let pass.
    """
    rain = record.loc[record["channel"] == "lawn-1/w1/rain", "raw"].to_numpy()
    above = record.loc[record["channel"] == "lawn-1/p1/moisture_0200", "raw"].to_numpy()
    hours = range(72, rain.size)
    quiet = [k for k in hours if rain[k] == rain[k - 72] and np.ptp(above[k - 48 : k + 1]) < 0.01]
    assert len(quiet) > 20
    at = quiet[len(quiet) // 2]
    deep = "lawn-1/p1/moisture_0500"
    found = flags(planted(record, deep, lambda raw: raw + 0.05 * (np.arange(raw.size) >= at)), deep)
    assert found[at] == Flag.SUSPECT
    assert (np.delete(found, at) == Flag.GOOD).all()


def test_a_reading_dated_after_its_arrival_is_suspect_and_no_other_with_it(record):
    """A day ahead, and a quarter hour and a second; a quarter hour is not (our own bound)."""
    rows = np.flatnonzero((record["channel"] == SHALLOW) & record["raw"].notna())[[100, 200, 300]]
    received = record["received_at_ms"].to_numpy().copy()
    received[rows] -= np.array([86_400_000, 15 * 60_000 + 1000, 15 * 60_000])
    found = flags(record.assign(received_at_ms=received), SHALLOW)
    changed = np.flatnonzero(found != flags(record, SHALLOW))
    first = np.flatnonzero(record["channel"] == SHALLOW)[0]
    assert changed.tolist() == (rows[:2] - first).tolist() and (found[changed] == Flag.SUSPECT).all()


def test_weather_that_leaps_is_doubtful_in_every_quantity_that_has_a_bound():
    """A stray of each channel of a weather sensor and of the salt in the ground, of twice its bound: that reading is
    suspect, and those far from it are good. Rain of 90 mm in a quarter hour too."""
    bounds, weather, profile = CONTEXT.quality, load_probe("climate_station"), load_probe("root_zone_profile")
    most = {
        "air_temperature": bounds.air_temperature_step_degc,
        "surface_temperature": bounds.surface_temperature_step_degc,
        "relative_humidity": bounds.humidity_step_percent,
        "solar_radiation": bounds.solar_step_w_m2,
        "bulk_ec": bounds.ec_step_ds_m,
        "rain": 45.0,
    }
    channels = {f"lawn-1/w1/{c.name}": c for c in (*weather.channels, profile.channel("ec_065"))}
    context = station_context("lawn-1", channels, soil="sandy_loam", rain_channel="lawn-1/w1/rain")
    time_ms = 1_709_251_200_000 + np.arange(96, dtype=np.int64) * 900_000
    begin = {"relative_humidity": 20.0, "air_temperature": 8.0}
    parts, tried = [], set()
    for name, channel in channels.items():
        if channel.quantity in most:
            tried.add(channel.quantity)
            raw = begin.get(channel.quantity, 1.0) + 0.01 * np.sin(np.arange(96.0))
            leap = np.where(np.arange(96) >= 48 if channel.heard == "rain_total" else np.arange(96) == 48, 1.05, 0.0)
            raw = (np.full(96, 5.0) if channel.quantity == "rain" else raw) + leap * (
                90.0 if channel.quantity == "rain" else most[channel.quantity]
            )
            rows = {"channel": name, "measured_at_ms": time_ms, "received_at_ms": time_ms, "raw": raw, "status": "ok"}
            parts.append(pd.DataFrame(rows))
    seen = process(series_of(pd.concat(parts, ignore_index=True)), context).observations
    assert tried == set(most)
    for name, one in seen.groupby("channel"):
        flag = one["flag"].to_numpy()
        assert flag[48] == Flag.SUSPECT and (flag[2:48] <= 2).all() and (flag[52:] <= 2).all(), name


def test_what_comes_from_a_noisy_line_without_check_characters_is_suspect(record):
    """Those readings and no other; a failed one stays what it is. A node without the label added 64 to the tries."""
    rows = np.flatnonzero(record["channel"] == SHALLOW)
    noisy, tries = np.zeros(len(record), dtype=np.bool_), np.ones(len(record), dtype=np.int64)
    noisy[rows[100:102]], tries[rows[102]] = True, TOLD_NOISY + 1
    before = flags(record, SHALLOW)
    found = flags(record.assign(attempts=tries, noisy=noisy), SHALLOW)
    assert np.flatnonzero(found != before).tolist() == [100, 101, 102] and (found[100:103] == Flag.SUSPECT).all()
