"""The penetrometer's dock, host against device in memory: nothing is lost, nothing is forgotten before it is safe."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from crccheck.checksum import ChecksumXor8
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.cone import (
    AllSentence,
    EndSentence,
    Outcome,
    Step,
    StepSentence,
    Stroke,
    StrokeAssembler,
    encode,
)
from hardware.cone_dock import DockDevice, DockHost

PROFILE = [(0.005 * n, 25.0 * n) for n in range(1, 8)]
STEPS = tuple(Step(n, depth_m, force_n) for n, (depth_m, force_n) in enumerate(PROFILE, 1))


def _device(strokes: int = 3) -> DockDevice:
    device = DockDevice("PEN-7")
    for n in range(strokes):
        device.push(PROFILE, started_s=100.0 * n)
    return device


def _dock(
    host: DockHost,
    device: DockDevice,
    *,
    hurt: Callable[[bytes], bytes] = lambda line: line,
    keep: bool = True,
    now_s: float = 1000.0,
) -> list[Stroke]:
    """Run one docking to its end; `hurt` may change each line either side says. Strokes as the caller gets them."""
    got: list[Stroke] = []
    for _ in range(50):
        for line in host.data_to_send().splitlines(keepends=True):
            device.receive(hurt(line))
        if host.finished and not device.has_more:
            return got
        strokes = []
        while device.has_more:
            strokes += host.receive(hurt(device.send(now_s)))
        if not strokes and not host.finished:
            strokes += host.elapsed()
        for stroke in strokes:
            if keep and stroke.outcome is not Outcome.RESTARTED:
                host.in_custody(stroke)
        got += strokes
    raise AssertionError("the docking does not end")


def test_all_strokes_come_over_and_are_forgotten() -> None:
    """On a good line every stroke comes once, whole, with its age, and the device is empty after."""
    host, device = DockHost(), _device()
    strokes = _dock(host, device)
    assert strokes == [Stroke("PEN-7", n, Outcome.COMPLETE, STEPS, (), 7, 1100 - 100 * n) for n in (1, 2, 3)]
    assert device.held == ()
    assert (host.answered, host.bad_sentences) == (True, 0)


def test_conversation_is_as_written_in_the_format() -> None:
    """The lines of a short docking, by hand from the list of formats; their checksums are tested with the sentences."""
    host, device = DockHost(after_id=4), DockDevice("PEN-7", last_id=4)
    device.push([(0.01, 50.0)], started_s=None)
    asked = host.data_to_send()
    assert asked.startswith(b"$UTASK,4*")
    device.receive(asked)
    lines = [device.send(0.0) for _ in range(4)]
    assert [line.split(b"*")[0] for line in lines] == [
        b"$UTPEN,PEN-7,5,1,10.0,50.0",
        b"$UTEND,PEN-7,5,1,",
        b"$UTALL,PEN-7,1,5",
        b"",
    ]
    (stroke,) = host.receive(b"".join(lines))
    host.in_custody(stroke)
    assert host.data_to_send().startswith(b"$UTACK,PEN-7,5*")


def test_device_forgets_nothing_that_is_not_acknowledged() -> None:
    """A host that dies before it has the strokes safe costs a repetition, no stroke."""
    device = _device()
    assert len(_dock(DockHost(), device, keep=False)) == 3
    assert device.held == (1, 2, 3)
    assert [s.stroke_id for s in _dock(DockHost(), device)] == [1, 2, 3]
    assert device.held == ()


def test_lost_acknowledgement_makes_a_repetition_that_is_acknowledged_again() -> None:
    """The device offers the stroke once more, the host knows it, and the second acknowledgement frees it."""
    device, assembler = _device(1), StrokeAssembler()
    host = DockHost(assembler=assembler)
    assert len(_dock(host, device, hurt=lambda line: b"" if line.startswith(b"$UTACK") else line)) == 1
    assert device.held == (1,)
    (again,) = _dock(DockHost(assembler=assembler), device)
    assert again.outcome is Outcome.REPEATED
    assert device.held == ()


def test_only_strokes_after_the_number_asked_for_come() -> None:
    """The device holds on to those before it."""
    device = _device(4)
    assert [s.stroke_id for s in _dock(DockHost(after_id=2), device)] == [3, 4]
    assert device.held == (1, 2)


def test_lost_step_is_asked_for_again() -> None:
    """One damaged line costs a second hand-over, of that stroke only."""
    device, hurt_once = _device(), iter([True])
    host = DockHost()
    strokes = _dock(
        host,
        device,
        hurt=lambda line: b"$" + line[2:] if line.startswith(b"$UTPEN,PEN-7,2,4") and next(hurt_once, False) else line,
    )
    assert sorted(s.stroke_id for s in strokes) == [1, 2, 3]
    assert all(s.outcome is Outcome.COMPLETE for s in strokes)
    assert (device.held, host.bad_sentences) == ((), 1)


@pytest.mark.parametrize("lost", [b"$UTEND,PEN-7,2", b"$UTALL", b"$UTASK"])
def test_any_lost_line_is_made_good(lost: bytes) -> None:
    """The end of a stroke, the end of the hand-over or the question itself may be lost once."""
    device, hurt_once = _device(), iter([True])
    host = DockHost()
    strokes = _dock(host, device, hurt=lambda ln: b"" if ln.startswith(lost) and next(hurt_once, False) else ln)
    assert {s.stroke_id for s in strokes if s.outcome is Outcome.COMPLETE} == {1, 2, 3}
    assert all(s.outcome in (Outcome.COMPLETE, Outcome.REPEATED) for s in strokes)
    assert device.held == ()


def test_step_that_never_comes_makes_a_partial_stroke_in_the_end() -> None:
    """After three tries what there is, is given out with the gap named, once, and may be acknowledged."""
    device = _device()
    host = DockHost()
    strokes = _dock(host, device, hurt=lambda line: b"" if line.startswith(b"$UTPEN,PEN-7,2,4") else line)
    partial = [s for s in strokes if s.outcome is Outcome.PARTIAL]
    assert [(s.stroke_id, s.missing, len(s.steps)) for s in partial] == [(2, (4,), 6)]
    assert device.held == ()


def _loses(*lost: bytes) -> Callable[[bytes], bytes]:
    """A line that loses each of the sentences named, once for each time it is named."""
    left = list(lost)

    def hurt(line: bytes) -> bytes:
        for start in left:
            if line.startswith(start):
                left.remove(start)
                return b""
        return line

    return hurt


def test_stroke_damaged_twice_is_whole_at_the_third_try() -> None:
    """That others came whole before does not end the tries for the one that did not."""
    host, device = DockHost(), _device()
    strokes = _dock(host, device, hurt=_loses(*[b"$UTPEN,PEN-7,2,4"] * 2))
    assert [(s.stroke_id, s.outcome) for s in strokes] == [(n, Outcome.COMPLETE) for n in (1, 3, 2)]


@pytest.mark.parametrize("rounds", [[{2}, {2, 3}, {2, 3, 4}], [{2, 3}, {2}, {2, 3, 4}], [{2, 3}, {5, 6, 7}, {2}]])
def test_fullest_partial_stroke_is_the_one_given_out(rounds: list[set[int]]) -> None:
    """Of three damaged hand-overs the one with most steps is kept."""
    left: list[set[int]] = list(rounds)
    lost: list[set[int]] = []

    def hurt(line: bytes) -> bytes:
        if line.startswith(b"$UTASK"):
            lost[:] = [left.pop(0)]
        return b"" if line.startswith(b"$UTPEN") and int(line.split(b",")[3]) in lost[0] else line

    (stroke,) = _dock(DockHost(), _device(1), hurt=hurt)
    assert (stroke.outcome, stroke.missing) == (Outcome.PARTIAL, (2,))


def test_question_in_the_middle_begins_the_hand_over_anew() -> None:
    """A host that asks again gets everything from the first step, and only once."""
    device = _device(1)
    host = DockHost()
    device.receive(host.data_to_send())
    begun = [device.send(0.0) for _ in range(3)]
    host.elapsed()
    device.receive(host.data_to_send())
    again = [device.send(0.0) for _ in range(9)]
    assert again[:3] == begun
    assert again[8].startswith(b"$UTALL,PEN-7,1,1*")
    assert not device.has_more


def test_whole_stroke_is_not_given_out_again_as_partial() -> None:
    """A stroke that came whole in one try and damaged in the next stays whole."""
    device = _device(2)
    lines = iter(range(1000))

    def hurt(line: bytes) -> bytes:
        if line.startswith(b"$UTPEN,PEN-7,2,1,"):
            return b""
        return b"" if line.startswith(b"$UTPEN,PEN-7,1,3") and next(lines) > 0 else line

    strokes = _dock(DockHost(), device, hurt=hurt, keep=False)
    assert [(s.stroke_id, s.outcome) for s in strokes] == [(1, Outcome.COMPLETE), (2, Outcome.PARTIAL)]


def test_empty_dock_is_given_up_after_three_questions() -> None:
    """Nobody there: three questions and an end, no stroke."""
    host = DockHost()
    asked = 0
    while not host.finished:
        asked += host.data_to_send().count(b"$UTASK,0*")
        assert host.elapsed() == []
    assert (asked, host.answered) == (3, False)
    assert host.elapsed() == []


def test_device_that_lost_its_count_is_noticed_and_asked_for_all() -> None:
    """A last number below the one asked after means numbers are given a second time; no stroke is passed over."""
    device = DockDevice("PEN-7")
    device.push(PROFILE, started_s=None)
    host = DockHost(after_id=40)
    (stroke,) = _dock(host, device)
    assert (stroke.stroke_id, stroke.age_s) == (1, None)
    assert host.numbers_went_back


def test_restarted_stroke_is_told_and_never_acknowledged() -> None:
    """The run given up is given out for the record; acknowledging it is the caller's mistake."""
    host = DockHost()
    host.data_to_send()
    said = [StepSentence("P", 1, s) for s in (*STEPS[:3], *STEPS)]
    lines = [*map(encode, said), encode(EndSentence("P", 1, 7, 5)), encode(AllSentence("P", 1, 1))]
    restarted, complete = host.receive(b"".join(lines))
    assert (restarted.outcome, complete.outcome) == (Outcome.RESTARTED, Outcome.COMPLETE)
    with pytest.raises(ValueError, match="restarted"):
        host.in_custody(restarted)
    host.in_custody(complete)
    assert host.finished


def test_stroke_of_another_docking_cannot_be_acknowledged() -> None:
    """Only what this host gave out can be put in custody through it."""
    (stroke,) = _dock(DockHost(), _device(1), keep=False)
    with pytest.raises(ValueError, match="given out here"):
        DockHost().in_custody(stroke)


def test_device_minds_only_its_own_acknowledgements() -> None:
    """An acknowledgement for another probe, or its own voice heard back, frees nothing."""
    device = _device(1)
    (stroke,) = _dock(DockHost(), device, keep=False)
    device.receive(b"$UTACK,PEN-8,1*" + b"%02X\r\n" % ChecksumXor8.calc(b"UTACK,PEN-8,1"))
    device.receive(encode(StepSentence("PEN-7", 1, STEPS[0])))
    assert device.held == (stroke.stroke_id,)


def test_device_numbers_go_on_and_bad_profiles_are_not_held() -> None:
    """A number is given once; a profile that cannot be sent is refused and takes none."""
    device = DockDevice("PEN-7", last_id=6)
    assert device.push(PROFILE, started_s=0.0) == 7
    for profile in ([], [(-0.1, 5.0)], [(0.1, float("nan"))], [(0.1, 5.0)] * 2001):
        with pytest.raises(ValueError, match="expected"):
            device.push(profile, started_s=0.0)
    assert device.push(PROFILE, started_s=0.0) == 8
    with pytest.raises(ValueError, match="expected"):
        DockDevice("not a serial")
    with pytest.raises(ValueError, match="expected"):
        DockHost(tries=0)


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 10**6), st.booleans()), max_size=12))
def test_bad_line_never_loses_or_changes_a_stroke(plan: list[tuple[int, int, bool]]) -> None:
    """Whatever lines lose a bit or are lost: after as many dockings as it takes each stroke is in custody as made."""
    device, assembler, kept = _device(), StrokeAssembler(), dict[int, tuple[Step, ...]]()
    faults = {n: (place, lose) for n, place, lose in plan}
    count = iter(range(10**6))

    def hurt(line: bytes) -> bytes:
        fault = faults.pop(next(count), None)
        if fault is None or not line:
            return line
        place = fault[0] % len(line)
        return b"" if fault[1] else line[:place] + bytes((line[place] ^ 1 << fault[0] % 8,)) + line[place + 1 :]

    for _ in range(20):
        for stroke in _dock(DockHost(assembler=assembler), device, hurt=hurt):
            if stroke.outcome is Outcome.COMPLETE:
                kept[stroke.stroke_id] = stroke.steps
            elif stroke.outcome is Outcome.PARTIAL:
                assert set(stroke.steps) <= set(STEPS)
                kept[stroke.stroke_id] = STEPS
        if not device.held:
            break
    assert kept == {n: STEPS for n in (1, 2, 3)}
