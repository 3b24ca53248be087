"""A slice of the quality table: one simulated season, each fault planted in it, through the real stages."""

from __future__ import annotations

import pytest

from tests.bench.bench_quality import fault_of, report, sound_season
from tests.bench.quality_seasons import FAULTS, season

SEED = 1  # the whole table is tests/bench/bench_quality.py


@pytest.fixture(scope="module")
def table():
    one = season(SEED)
    sound, seen = sound_season(one)
    return sound, {kind: fault_of(one, kind, seen) for kind in FAULTS}


@pytest.mark.soak
def test_loud_faults_are_found(table):
    """Spikes, silence and a blade through the cable are seen within a day, in about as many readings as are bad: 2 % of
    spikes, 10 % of silence, all (the shares planted; twice the binomial error of 2016 readings)."""
    _, found = table
    for kind, share in (("spikes", 0.02), ("dropped_replies", 0.10), ("sliced", 1.0)):
        assert found[kind].found and found[kind].after_h < 24.0, kind
        assert found[kind].share == pytest.approx(share, abs=2.0 * (share * (1 - share) / 2016) ** 0.5 + 0.011), kind
    assert "spike" in found["spikes"].rules and found["sliced"].rules == ("no reply",)


@pytest.mark.soak
def test_a_channel_that_stands_still_and_swapped_sensors_are_found(table):
    """By what is said of the whole channel, and the row of the table says so."""
    sound, found = table
    assert "stood_still" in found["stuck"].rules and "warmth_out_of_order" in found["swapped_thermometers"].rules
    rows = report(list(found.values()), [sound]).splitlines()
    row = next(line for line in rows if line.startswith("| stuck"))
    assert "1 of 1" in row and "stood still 1" in row


@pytest.mark.soak
def test_sound_probes_raise_few_alarms(table):
    """Of 24,000 sound readings fewer than 1 in 1000 is flagged (ours; the whole table has 1 in 10,000)."""
    sound, _ = table
    assert sound.readings > 20_000 and sound.flagged < 0.001 * sound.readings
