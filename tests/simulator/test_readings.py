"""Readings of a scenario without a wire: slots by the node's clock, sound values, silent ones, strokes."""

from datetime import UTC, datetime

import pytest

from hardware.reading import Status
from simulator.clock import offset_ms
from simulator.readings import readings, slots
from simulator.scenario import parse
from simulator.scenario_run import run_station, weather_of
from simulator.scenario_site import run_site

HOUR_MS = 3_600_000
START_MS = 1_750_000_000_000 // (24 * HOUR_MS) * 24 * HOUR_MS

SCENARIO = """
title = "Small"
story = "A. B. C."
seed = 3
start = 2025-06-01
days = 2
lead_days = 1
climate = "warm humid"
[site]
title = "Somewhere"
[[surface]]
name = "green"
title = "Green"
kind = "green"
[[surface.station]]
name = "green-1"
title = "Green"
[surface.station.ground]
thatch = "mat_sanded"
thatch_mm = 15
soil = [{ material = "sand_root_zone", thickness_mm = 300 }]
[[surface.station.probe]]
name = "thatch"
model = "thatch"
failings = "perfect"
[[surface.station.probe]]
name = "weather"
model = "weather"
[[surface.station.probe]]
name = "cone"
model = "cone_hard"
[[fault]]
probe = "green-1/thatch"
kind = "sliced"
first = 2025-06-02
"""


def test_sound_clock_reads_every_slot_once():
    """Without a step the slots are the hours of the span, each at its true time."""
    found = list(slots(START_MS, START_MS + 5 * HOUR_MS, 3600, ()))
    assert found == [(START_MS // 1000 + 3600 * i, START_MS + HOUR_MS * i) for i in range(5)]


def test_clock_that_jumps_ahead_misses_slots():
    """Two and a half hours ahead at 2:30 true: the slots 3 and 4 never come, 5:00 told is 2:30 true (arithmetic)."""
    step = (START_MS + 5 * HOUR_MS // 2, 5 * HOUR_MS // 2)
    found = list(slots(START_MS, START_MS + 4 * HOUR_MS, 3600, [step]))
    hours = [(slot - START_MS // 1000) / 3600 for slot, _ in found]
    assert hours == [0, 1, 2, 5, 6]
    assert found[3][1] == START_MS + 5 * HOUR_MS // 2


def test_clock_set_back_a_little_repeats_no_slot():
    """Half an hour back: 2:00 comes twice by the clock and is read once."""
    step = (START_MS + 2 * HOUR_MS + 60_000, -HOUR_MS // 2)
    hours = [(slot - START_MS // 1000) / 3600 for slot, _ in slots(START_MS, START_MS + 5 * HOUR_MS, 3600, [step])]
    assert hours == sorted(set(hours))


def test_clock_set_back_by_hours_reads_on_from_the_new_time():
    """Three hours back at 5:30: slots 3, 4 and 5 are read again rather than nothing for three hours."""
    step = (START_MS + 11 * HOUR_MS // 2, -3 * HOUR_MS)
    hours = [(slot - START_MS // 1000) / 3600 for slot, _ in slots(START_MS, START_MS + 8 * HOUR_MS, 3600, [step])]
    assert hours == [0, 1, 2, 3, 4, 5, 3, 4]


def test_offsets_add_up():
    """Two steps that undo each other leave the clock right."""
    steps = [(10, 500), (20, -500)]
    assert [offset_ms(steps, at) for at in (9, 10, 19, 20)] == [0, 500, 500, 0]


@pytest.fixture(scope="module")
def heard():
    """All readings of two days, and the truth they are of."""
    scenario = parse(SCENARIO, "small")
    history = run_station(scenario, scenario.stations[0], weather_of(scenario, seed=3), seed=3, days=2)
    return history, list(readings(run_site(scenario, {"green-1": history}, seed=3)))


def test_every_channel_is_heard_at_every_slot(heard):
    """48 slots of two thatch and six weather channels, and the strokes of one walk: six of 31 steps, two channels."""
    _, found = heard
    assert len(found) == 48 * 8 + 6 * 31 * 2
    assert len({(one.channel, one.slot) for one in found}) == len(found)


def test_perfect_probe_says_the_truth_to_its_last_digit(heard):
    """Temperature without failings is that of the ground at 8 mm, to the 0.01 the probe sends."""
    history, found = heard
    told = [one for one in found if one.channel == "green-1/thatch/temperature" and one.status is Status.OK]
    assert len(told) == 24
    for one in told:
        assert one.raw == pytest.approx(history.value("soil_temperature", 0.008, one.measured_at_ms), abs=0.0051)


def test_gauge_counts_the_rain_that_fell(heard):
    """The last running total is all rain of the two days but that of the last hour."""
    history, found = heard
    totals = [one.raw for one in found if one.channel == "green-1/weather/rain"]
    assert totals == sorted(totals)
    assert totals[-1] == pytest.approx(history.flux["rain_mm"][:47].sum(), abs=0.0051)


def test_sliced_probe_is_silent_from_then_on(heard):
    """From the second midnight the thatch probe has no value and the status says why."""
    _, found = heard
    moment = datetime(2025, 6, 2, tzinfo=UTC).timestamp() * 1000
    for one in found:
        if one.channel.startswith("green-1/thatch/"):
            assert (one.status is Status.SILENT) == (one.measured_at_ms >= moment) == (one.raw is None)


def test_strokes_have_the_strength_of_the_ground(heard):
    """Force over the base area is the ground's cone resistance within the shake of a hand (8 %, four deviations)."""
    history, found = heard
    depth = {one.slot: one for one in found if one.channel == "green-1/cone/depth"}
    force = {one.slot: one for one in found if one.channel == "green-1/cone/force"}
    deep = [slot for slot, one in depth.items() if one.raw > 0.05]
    assert len(deep) == 6 * 25
    for slot in deep:
        truth = history.value("cone_resistance", depth[slot].raw, depth[slot].measured_at_ms)
        assert force[slot].raw / 129.28e-6 / 1000.0 == pytest.approx(truth, rel=0.33)
