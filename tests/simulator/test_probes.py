"""Virtual probes: what a channel's failings, its sensing volume and its planted faults do to the truth."""

import math
from dataclasses import replace

import pytest

from hardware.probe import Channel, load_probe, parse_probe
from simulator.faults import PlantedFault
from simulator.permittivity import mineral_soil
from simulator.probes import YEAR_MS, Failings, VirtualProbe, decimals_sent

NOON_MS = 1_717_243_200_000
HOUR_MS = 3_600_000
PROFILE = load_probe("deep_soil_profile")
SHALLOW = PROFILE.channels[0]


class Even:
    """The same water and warmth everywhere, for ever."""

    def __init__(self, water: float = 0.25, degc: float = 20.0) -> None:
        self.water, self.degc = water, degc

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        return {"water_content": self.water, "soil_temperature": self.degc}.get(quantity)


def probe(truth: object = None, **failings: float) -> VirtualProbe:
    return VirtualProbe(
        "p1", "square-1", PROFILE, truth or Even(), {SHALLOW.name: Failings(**failings)}, installed_ms=NOON_MS, seed=5
    )


def test_perfect_channel_hears_the_truth() -> None:
    """With no failing the number heard is the truth, and its text has the digits of its quantity."""
    assert probe().heard(SHALLOW, NOON_MS) == 0.25
    assert probe().text(SHALLOW, NOON_MS) == "+0.2500"


def test_bias_warmth_and_drift_add_up() -> None:
    """0.02 always, 0.001 for each of 10 degrees over 20, and 0.004 a year for two years make 0.038 together."""
    hurt = probe(Even(degc=30.0), bias=0.02, per_degc=0.001, drift_per_year=0.004)
    assert hurt.heard(SHALLOW, NOON_MS + 2 * YEAR_MS) == pytest.approx(0.25 + 0.02 + 0.01 + 0.008)
    assert hurt.heard(PROFILE.channels[1], NOON_MS) == 0.25  # its neighbour is perfect


def test_noise_has_its_spread_and_repeats_with_its_seed() -> None:
    """Over 2,000 hours noise has the mean and spread asked for; the same seed says the same, another something else."""
    noisy = probe(noise=0.005)
    heard = [noisy.heard(SHALLOW, NOON_MS + i * HOUR_MS) for i in range(2000)]
    off = [value - 0.25 for value in heard if value is not None]
    assert len(off) == 2000
    # four standard errors of a mean and of a standard deviation of 2,000 normal numbers
    assert sum(off) / 2000 == pytest.approx(0.0, abs=4 * 0.005 / math.sqrt(2000))
    assert math.sqrt(sum(x * x for x in off) / 2000) == pytest.approx(0.005, rel=4 / math.sqrt(4000))
    assert [noisy.heard(SHALLOW, NOON_MS + i * HOUR_MS) for i in (7, 3)] == [heard[7], heard[3]]
    assert replace(noisy, seed=6).heard(SHALLOW, NOON_MS) != heard[0]


def test_failings_make_no_impossible_water() -> None:
    """A bias below nothing is heard as nothing, as a real probe would clip it."""
    assert probe(bias=-0.9).heard(SHALLOW, NOON_MS) == 0.0


def test_sensing_volume_sees_the_mean_of_what_it_spans() -> None:
    """A volume half in wet ground and half in dry hears neither, and one that is a point hears its own depth."""

    class Layers:
        """Dry above 40 mm, wet below: a step."""

        def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
            assert depth_m is not None
            return 0.1 if depth_m < 0.040 else 0.4

    text = """
protocol = "sdi12"
[[channel]]
name = "moisture"
heard = "water_content"
depth_mm = 39
sensing_height_mm = {height}
position = 1
"""
    point, tall = (parse_probe(text.format(height=h), "test", file="test.toml") for h in (0, 20))
    assert VirtualProbe("p", "s", point, Layers()).heard(point.channels[0], NOON_MS) == 0.1
    # Five levels at 31, 35, 39, 43 and 47 mm: two of five are wet (algebra).
    heard = VirtualProbe("p", "s", tall, Layers()).heard(tall.channels[0], NOON_MS)
    assert heard == pytest.approx((3 * 0.1 + 2 * 0.4) / 5)
    deeper = VirtualProbe("p", "s", point, Layers(), depth_shift_m=0.005)
    assert deeper.heard(point.channels[0], NOON_MS) == 0.4  # dressed over by 5 mm it lies at 44


def test_own_relation_takes_the_place_of_the_usual_one() -> None:
    """A medium that is not what the calibration believes is given by its own relation."""
    thatch = load_probe("thatch")
    usual = VirtualProbe("p", "s", thatch, Even())
    mineral = replace(usual, relation=mineral_soil)
    assert mineral.heard(thatch.channels[0], NOON_MS) == pytest.approx(mineral_soil(0.25))
    assert usual.heard(thatch.channels[0], NOON_MS) != mineral.heard(thatch.channels[0], NOON_MS)


def test_sliced_probe_never_lives_again() -> None:
    """Once sliced a probe is dead for good, whatever end the fault was given."""
    cut = replace(probe(), faults=[PlantedFault("sliced", start_ms=NOON_MS, end_ms=NOON_MS + HOUR_MS)])
    assert [cut.alive(NOON_MS + i * HOUR_MS) for i in (-1, 0, 1, 1000)] == [True, False, False, False]


@pytest.mark.parametrize(("scale", "decimals"), [(1.0, 4), (0.01, 2), (100.0, 6), (1e-6, 0), (-0.1, 3)])
def test_number_sent_is_as_fine_as_its_quantity_needs(scale: float, decimals: int) -> None:
    """Water content keeps four decimals after its scale: 0.01 m3/m3 a count needs two, a per cent six at most."""
    channel: Channel = replace(SHALLOW, scale=scale)
    assert decimals_sent(channel) == decimals


def test_scale_and_offset_are_undone_before_sending() -> None:
    """The number sent is the one that scale and offset turn into the number heard: (0.25 - 0.05) / 0.01 = 20."""
    channel = replace(SHALLOW, scale=0.01, offset=0.05)
    described = replace(PROFILE, channels=(channel, *PROFILE.channels[1:]))
    assert replace(probe(), description=described).text(channel, NOON_MS) == "+20.00"


def test_places_nobody_describes_are_filled() -> None:
    """A command whose second place has no channel still sends three values."""
    channels = (replace(SHALLOW, position=1), replace(PROFILE.channels[1], position=3))
    gap = replace(probe(), description=replace(PROFILE, channels=channels))
    assert gap.answer("M", NOON_MS) == ("+0.2500", "+0", "+0.2500")
    assert gap.answer("M9", NOON_MS) == ()
