"""The virtual penetrometer: strokes that look pushed, walks in simulated time, and a hand-over that loses nothing."""

import os
from collections.abc import Callable

import pytest

from hardware.cone import Outcome, Stroke
from hardware.cone_dock import DockHost
from hardware.probe import load_probe
from simulator.penetrometer import (
    BETWEEN_STROKES_MS,
    DAY_MS,
    FIRST_STROKE_AFTER_MS,
    STROKES_IN_A_WALK,
    WALK_MS,
    VirtualDock,
    VirtualPenetrometer,
    strength_by_water,
)

START_MS = 1_717_200_000_000
STEPS = 31  # 0 to 300 mm by 10


@pytest.fixture
def penetrometer() -> VirtualPenetrometer:
    """One that is taken out on the first day and every fortnight, over ground of 1,000 kPa at every depth."""
    return VirtualPenetrometer("cone-1", "square-1", load_probe("cone_hard"), lambda *_: 1000.0, START_MS, seed=4)


def hand_over(dock: VirtualDock) -> list[Stroke]:
    """What a host gets out of the dock, all kept and acknowledged."""
    host, strokes = DockHost(), []
    while not host.finished:
        dock.receive(host.data_to_send(), 0.0)
        heard = b"".join(sent.data for sent in dock.send(0.0))
        while heard and not host.finished:
            for stroke in host.receive(heard):
                strokes.append(stroke)
                if stroke.outcome is not Outcome.RESTARTED:
                    host.in_custody(stroke)
            heard = b"".join(sent.data for sent in dock.send(0.0))
        for stroke in host.elapsed():
            strokes.append(stroke)
            host.in_custody(stroke)
    dock.receive(host.data_to_send(), 0.0)
    return strokes


def test_strokes_of_a_walk_are_handed_over_once_with_their_age(penetrometer: VirtualPenetrometer) -> None:
    """Back in the dock it gives the walk's strokes, each with its age in simulated seconds, and then no more."""
    now_ms = [START_MS - 1]
    dock = VirtualDock(penetrometer, lambda: now_ms[0], start_ms=START_MS - DAY_MS)
    assert hand_over(dock) == []
    now_ms[0] = START_MS + 3_600_000
    strokes = hand_over(dock)
    assert [stroke.outcome for stroke in strokes] == [Outcome.COMPLETE] * STROKES_IN_A_WALK
    assert [stroke.stroke_id for stroke in strokes] == [1, 2, 3, 4, 5, 6]
    assert [stroke.age_s for stroke in strokes] == [
        (3_600_000 - FIRST_STROKE_AFTER_MS - place * BETWEEN_STROKES_MS) / 1000 for place in range(6)
    ]
    assert [len(stroke.steps) for stroke in strokes] == [STEPS] * 6
    assert hand_over(dock) == []
    assert dock.device.held == ()


def test_out_of_its_dock_it_hears_nothing(penetrometer: VirtualPenetrometer) -> None:
    """During a walk there is nobody on the line; before and after it there is."""
    now_ms = [START_MS]
    dock = VirtualDock(penetrometer, lambda: now_ms[0], start_ms=START_MS - DAY_MS)
    answered = {}
    for minute in (-1, 0, 25, 49, 50):
        now_ms[0] = START_MS + minute * 60_000
        dock.receive(DockHost().data_to_send(), 0.0)
        answered[minute] = bool(dock.send(0.0))
    assert answered == {-1: True, 0: False, 25: False, 49: False, WALK_MS // 60_000: True}


def test_strokes_before_the_start_are_not_handed_over_and_keep_their_numbers(
    penetrometer: VirtualPenetrometer,
) -> None:
    """A history that begins after two walks hands over the third one's strokes, numbered 13 to 18."""
    start_ms = START_MS + 27 * DAY_MS
    dock = VirtualDock(penetrometer, lambda: start_ms + 2 * DAY_MS, start_ms=start_ms)
    assert [stroke.stroke_id for stroke in hand_over(dock)] == [13, 14, 15, 16, 17, 18]


def test_stroke_wanders_around_the_strength_of_the_ground(penetrometer: VirtualPenetrometer) -> None:
    """Over many strokes the mean force is resistance times base area, and its scatter what the hand's shake makes."""
    forces = [force_n for number in range(300) for _, force_n in penetrometer.stroke(number)]
    mean = sum(forces) / len(forces)
    law_n = 1_000_000 * 129.28e-6  # 1,000 kPa on the cone's base: force = pressure x area
    # Neighbours share 0.6 of their wander, so 9,300 readings count as about 2,300: four standard deviations.
    assert mean == pytest.approx(law_n, rel=4 * 0.08 / 2300**0.5)
    scatter = (sum((force - mean) ** 2 for force in forces) / len(forces)) ** 0.5
    assert scatter == pytest.approx(0.08 * law_n, rel=0.05)
    assert [depth_m for depth_m, _ in penetrometer.stroke(0)] == pytest.approx([0.01 * i for i in range(STEPS)])
    assert penetrometer.stroke(5) == penetrometer.stroke(5) != penetrometer.stroke(6)


def test_wetter_ground_is_softer_and_unknown_ground_gives_no_stroke() -> None:
    """By the simple law strength falls as water rises and grows with depth near the surface; no water, no stroke."""

    class Water:
        def __init__(self, content: float | None) -> None:
            self.content = content

        def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
            return self.content

    dry, wet = strength_by_water(Water(0.12)), strength_by_water(Water(0.24))
    for depth_m in (0.0, 0.05, 0.3):
        harder, softer = dry(depth_m, START_MS), wet(depth_m, START_MS)
        assert harder is not None and softer is not None
        assert harder / softer == pytest.approx(2.718282, rel=1e-6)  # 0.12 m3/m3 of water is a factor e, as stated
    assert dry(0.0, START_MS) < dry(0.05, START_MS) < dry(0.3, START_MS)
    nobody = VirtualPenetrometer("c", "s", load_probe("cone_hard"), strength_by_water(Water(None)), START_MS)
    assert nobody.stroke(0) == []
    assert hand_over(VirtualDock(nobody, lambda: START_MS + DAY_MS, start_ms=START_MS)) == []


@pytest.mark.parametrize("kind", ["silence", "noise", "bit_flip", "half"])
def test_no_line_fault_makes_a_wrong_step_of_a_stroke(penetrometer: VirtualPenetrometer, kind: str) -> None:
    """Over a line that hurts every twentieth sentence each step that arrives is one that was made."""
    faulty = VirtualDock(penetrometer, lambda: START_MS + DAY_MS, start_ms=START_MS, shares={kind: 0.05}, seed=kind)
    made = {
        number + 1: [(round(d * 1000, 1), round(f, 1)) for d, f in penetrometer.stroke(number)] for number in range(6)
    }
    strokes = hand_over(faulty)
    assert strokes
    for stroke in strokes:
        for step in stroke.steps:
            assert (round(step.depth_m * 1000, 1), step.force_n) == made[stroke.stroke_id][step.number - 1]


def test_hand_over_works_on_a_real_terminal(penetrometer: VirtualPenetrometer, terminal: Callable) -> None:
    """All strokes of a walk come complete through a pseudo-terminal."""
    dock = VirtualDock(penetrometer, lambda: START_MS + DAY_MS, start_ms=START_MS)
    line = terminal(dock, baud=9600)
    host, strokes = DockHost(), []
    while not host.finished:
        os.write(line.port, host.data_to_send())
        for stroke in host.receive(line.listen()):
            strokes.append(stroke)
            host.in_custody(stroke)
    os.write(line.port, host.data_to_send())
    assert [(stroke.outcome, len(stroke.steps)) for stroke in strokes] == [(Outcome.COMPLETE, STEPS)] * 6
    while dock.device.held:
        line.turn()
