"""The field check over a probe played by the test: what it must read in air and water is physics, and the order of the
answers is that of water that goes down."""

from __future__ import annotations

import json

import pytest

from hardware.probe import load_probe
from hardware.reading import Sample, Status
from probe_agent.__main__ import main
from probe_agent.field_check import FieldCheck, walk

CHANNELS = load_probe("profile_4").channels
DEPTHS = [c.name for c in CHANNELS if c.heard == "water_content"]
AIR, WATER, GROUND = 0.0, 0.55, 0.18  # m3 m-3: many probes read little over half in water (from memory)


class PlayedProbe:
    """Stands where it was last put; after the cup each depth rises at its time. [s]"""

    def __init__(self, answers_s: list[float | None], *, names: list[str] = DEPTHS, **ground: float) -> None:
        self.names, self.answers_s, self.ground = names, answers_s, ground
        self.at, self.now_s, self.poured_s = "", 0.0, None
        self.said: list[str] = []

    def ask(self, text: str) -> None:
        self.at = {"Hold": "air", "Put": "water", "Wipe": "ground", "Pour": "cup"}[text.split()[0]]
        if self.at == "cup":
            self.poured_s = self.now_s

    def read(self):
        self.now_s += 1.0
        values = dict.fromkeys((c.name for c in CHANNELS), 12.0)
        for name, answer_s in zip(self.names, self.answers_s, strict=True):
            still = {"air": AIR, "water": WATER}.get(self.at, self.ground.get(name, GROUND))
            risen = self.poured_s is not None and answer_s is not None and self.now_s - self.poured_s >= answer_s
            values[name] = still + (0.06 if risen else 0.0) + 0.0005 * (round(self.now_s) % 2)
        return [Sample(f"s/p/{c.name}", "1", 1, values[c.name], Status.OK) for c in CHANNELS], None

    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    def check(self) -> FieldCheck:
        return walk("s/p", CHANNELS, self.read, self.ask, self.said.append, self.wait, lambda: self.now_s)


def faults(check: FieldCheck) -> list[str]:
    return [one.text for one in check.found if one.good is False]


def test_depths_that_answer_from_the_top_down_are_good():
    """The deepest need not be reached by a cup."""
    for answers in ([15, 60, 200, None], [10, 30, 60, 300]):
        found = PlayedProbe(answers).check()
        assert found.good and faults(found) == []
    assert found.answered_s[DEPTHS[0]] < found.answered_s[DEPTHS[3]]


@pytest.mark.parametrize(
    ("answers", "ground", "told"),
    [
        ([60, 15, 200, None], {}, "100 mm answered before 50 mm"),
        ([None, 40, 200, None], {}, "air beside the probe at 50 mm"),
        ([15, 60, None, 200], {}, "air beside the probe at 150 mm"),
        ([5, 5, 5, 8], {}, "ran down a gap beside the probe. Firm it in"),
        ([None] * 4, {}, "no depth answered"),
        ([15, 60, 200, None], {DEPTHS[1]: 0.01}, "still stands in air"),
    ],
)
def test_what_is_wrong_is_named_with_its_depth(answers, ground, told):
    """Swapped depths, air at one depth, water along the whole probe, nothing at all, a depth that hangs in air."""
    found = PlayedProbe(answers, **ground).check()
    assert not found.good and any(told in fault for fault in faults(found)), faults(found)


def test_a_channel_that_is_another_quantity_or_silent_is_named_in_air_and_water():
    """A temperature where water content should be reads the same in both, and does not answer to the cup; one without a
    value says so."""
    played = PlayedProbe([15, 60, 200, None])
    read = played.read

    def wrong():
        samples, reason = read()
        moist = [c.name for c in CHANNELS].index(DEPTHS[1])
        samples[moist] = Sample(samples[moist].channel, "1", 1, 0.2, Status.OK)
        samples[-1] = Sample(samples[-1].channel, "1", 1, None, Status.SHORT)
        return samples, reason

    played.read = wrong
    found = played.check()
    told = faults(found)
    assert found.answered_s[DEPTHS[1]] is None and any("air beside the probe at 100 mm" in one for one in told)
    assert any(f"{DEPTHS[1]}: 0.2, expected 0.4 to 1.1 for water_content in water" in one for one in told)
    assert any("no value" in one for one in told)


def test_the_command_walks_a_real_line_and_writes_its_json(write_config, sensor_line, tmp_path, monkeypatch, capsys):
    """A sensor on a pseudo-terminal is moved by the test at each question; the outcome stands in the file as said."""
    values = ["+1.00", "+20.0"]
    sensor_line.add("1", {0: values})
    places = iter((["+1.10", "+20.0"], ["+80.5", "+14.0"], ["+9.00", "+11.0"], ["+14.00", "+11.0"]))
    monkeypatch.setattr("builtins.input", lambda text: values.__setitem__(slice(None), next(places)))
    path = tmp_path / "check.json"
    config = str(write_config())
    assert main(["field-check", "p1", "--config", config, "--json", str(path), "--wait", "0"]) == 0
    said = json.loads(path.read_text())
    assert said["good"] is True and said["readings"]["in water"] == {"moisture": 80.5, "temperature": 14.0}
    assert said["answered_s"]["moisture"] >= 0 and "all as it should be" in capsys.readouterr().out


def test_the_command_ends_in_words_where_nobody_is_at_the_keyboard(write_config, sensor_line, monkeypatch, capsys):
    """As when it is started by a script."""
    sensor_line.add("1", {0: ["+1.10", "+20.0"]})

    def nobody(text: str) -> str:
        raise EOFError

    monkeypatch.setattr("builtins.input", nobody)
    assert main(["field-check", "p1", "--config", str(write_config())]) == 1
    assert "expected Enter" in capsys.readouterr().err
