"""The virtual probes of a scenario: their failings, their lines, and a history that goes finer at its end."""

import json
from pathlib import Path

import numpy as np
import pytest

from simulator.player import SitePlayer
from simulator.probes import VirtualProbe
from simulator.scenario import load, parse
from simulator.scenario_site import played_site, site_of
from simulator.site import describe

DAY_MS = 86_400_000
SCENARIO = """
title = "Small"
story = "A. B. C."
seed = 3
start = 2025-06-01
days = 4
lead_days = 1
climate = "mild maritime"
[site]
title = "Somewhere"
[[surface]]
name = "green"
title = "Green"
kind = "green"
[[surface.station]]
name = "green"
title = "Green"
count = 2
[surface.station.keeper]
soil = "sand"
[surface.station.ground]
thatch = "thatch_decayed"
thatch_mm = 15
soil = [{ material = "sand_root_zone", thickness_mm = 300 }]
[[surface.station.probe]]
name = "thatch"
model = "thatch"
settings = { depth_mm = { moisture = 7 } }
[[surface.station.probe]]
name = "profile"
model = "root_zone_profile"
[[surface.station.probe]]
name = "cone"
model = "cone_hard"
[[diary]]
kind = "core"
first = 2025-06-02
[[diary]]
kind = "core"
first = 2025-07-01
[[clock_step]]
at = 2025-06-02T12:00:00Z
by_s = 120
"""


@pytest.fixture(scope="module")
def site():
    """Three days of history, the last of them fine."""
    return played_site(parse(SCENARIO, "small"), seed=3, history_days=3, fine_days=1)


def test_every_probe_has_its_own_address_and_line(site):
    """Four sensors have four addresses; each has a line, as each of two penetrometers, which are asked less often."""
    told = describe(site, Path("/run"), rate=1.0)
    sensors = [probe for probe in told["probes"] if probe["address"] is not None]
    docks = [probe for probe in told["probes"] if probe["address"] is None]
    assert [(probe["address"], probe["line"]) for probe in sensors] == [(str(n), f"turf-{n + 1}") for n in range(4)]
    assert [probe["line"] for probe in docks] == ["dock-green-1", "dock-green-2"]
    assert {line["name"] for line in told["lines"]} == {probe["line"] for probe in told["probes"]}
    assert {probe["interval_s"] for probe in sensors} == {3600} and {probe["interval_s"] for probe in docks} == {21600}
    assert sensors[0]["settings"] == {"depth_mm": {"moisture": 7}}


def test_many_sensors_share_lines():
    """Twelve stations have a dozen sensors and more on eight lines, fewer than an agent takes, at addresses of their
    own."""
    scenario = load("twelve_stations")
    site = site_of(
        scenario, {one.name: None for one in scenario.stations}, {one.name: [] for one in scenario.stations}, seed=1,
        history_end_ms=0, end_ms=None, interval_s=3600,
    )  # fmt: skip
    sensors = [(one.line, one.address) for one in site.installed if one.address]
    assert len({line for line, _ in sensors}) == 8 < len(sensors) == len({address for _, address in sensors})
    assert {line.name for line in site.lines} == {one.line for one in site.installed} and len(site.lines) < 32


def test_description_is_json_and_holds_only_cores_taken_so_far(site):
    """What is told can be written down, knows the core of the second day and not one of the month to come."""
    told = json.loads(json.dumps(describe(site, Path("/run"), rate=1.0)))
    for station in told["surfaces"][0]["stations"]:
        assert [core["date"] for core in station["facts"]["core"]] == ["2025-06-02"]
    assert told["fine_from_ms"] - told["start_ms"] == 2 * DAY_MS
    assert told["history_end_ms"] - told["fine_from_ms"] == DAY_MS
    assert told["fine_interval_s"] == 900
    assert told["end_ms"] > told["history_end_ms"] + 365 * DAY_MS


def test_probes_differ_from_the_truth_and_from_each_other(site):
    """Two of a kind in one ground would not say the same: bias is each channel's own, noise each reading's."""
    probes = [each.probe for each in site.installed if isinstance(each.probe, VirtualProbe)]
    biases = [f.bias for probe in probes for f in probe.failings.values()]
    assert len(set(biases)) == len(biases)
    profile = next(probe for probe in probes if probe.name == "profile")
    channel = profile.description.channel("temperature_110")
    moments = [site.start_ms + 3_600_000 * hour for hour in range(1, 60)]
    told = np.array([profile.heard(channel, at) for at in moments])
    true = np.array([profile.truth.value("soil_temperature", 0.110, at) for at in moments])
    error = told - true
    assert 0.01 < error.std() < 0.06  # noise 0.03, four standard errors of a standard deviation of 59
    # the mean is the channel's own bias, to four standard errors of its noise; drift in three days is nothing
    assert error.mean() == pytest.approx(profile.failings["temperature_110"].bias, abs=4 * 0.03 / 59**0.5)


def test_played_history_waits_at_its_fine_end_and_tells_the_steps_of_its_clock(site, tmp_path):
    """The player pauses where the description says, and its clock has the scenario's step."""
    player = SitePlayer(site, tmp_path, rate=60.0)
    try:
        assert player.time.pause_ms == site.fine_from_ms
        assert player.progress()["paused"] is False
        assert site.clock_steps == [(site.start_ms + 36 * 3_600_000, 120_000)]
    finally:
        player.close()


def test_fine_days_that_do_not_fit_are_refused():
    """A history of two days cannot have two fine ones."""
    with pytest.raises(ValueError, match="found 2 days with 2 fine ones"):
        played_site(parse(SCENARIO, "small"), seed=3, history_days=2, fine_days=2)
