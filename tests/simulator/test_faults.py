"""Planted faults: each does what its name says, and the same seed makes the same bytes."""

from collections import Counter
from random import Random

import pytest

from simulator.faults import (
    HOUR_MS,
    LATE_BY_S,
    LINE_FAULTS,
    PROBE_FAULTS,
    SILENT_FOR_MS,
    UNPLUGGED_FOR_MS,
    PlantedFault,
    Sent,
    is_silent,
    parse_line_faults,
    planted,
    unplugged,
    with_line_faults,
)

REPLY = b"0+3.14OqZ\r\n"  # published example, SDI-12 section 4.4.12.3
ON_THE_WIRE = tuple(kind for kind in LINE_FAULTS if kind != "unplugged")
START_MS = 1_700_000_000_000


def many(kind: str, seed: int, count: int = 200) -> list[list[Sent]]:
    random = Random(seed)
    return [with_line_faults(REPLY, {kind: 1.0}, random) for _ in range(count)]


@pytest.mark.parametrize("kind", ON_THE_WIRE)
def test_same_seed_makes_the_same_bytes(kind: str) -> None:
    """A seed repeats its faults to the byte; another seed makes others, where there is anything to choose."""
    assert many(kind, 7) == many(kind, 7)
    assert kind == "silence" or many(kind, 7) != many(kind, 8)


@pytest.mark.parametrize("kind", ON_THE_WIRE)
def test_faulty_reply_is_not_the_reply(kind: str) -> None:
    """No fault lets the reply through whole and in time."""
    assert [Sent(0.0, REPLY)] not in many(kind, 1)


def test_silence_sends_nothing() -> None:
    """Silence is no bytes at all."""
    assert many("silence", 1) == [[]] * 200


def test_noise_adds_bytes_or_takes_the_place() -> None:
    """Noise leaves every byte of the reply in order around it, or none of them."""
    for sent in many("noise", 1):
        (one,) = sent
        inside = any(one.data.startswith(REPLY[:k]) and one.data.endswith(REPLY[k:]) for k in range(len(REPLY) + 1))
        assert (inside and len(one.data) > len(REPLY)) or len(one.data) <= 12


def test_late_reply_is_whole_and_late() -> None:
    """Late bytes are the right ones, from half to one and a half of the stated delay."""
    for (one,) in many("late", 1):
        assert one.data == REPLY
        assert 0.5 * LATE_BY_S <= one.after_s <= 1.5 * LATE_BY_S


def test_wrong_address_changes_the_address_alone() -> None:
    """Somebody else answers: another address, the rest as it was."""
    for (one,) in many("wrong_address", 1):
        assert one.data[1:] == REPLY[1:]
        assert one.data[:1] != REPLY[:1] and one.data[:1].isalnum()


def test_bit_flip_changes_one_bit_that_travels() -> None:
    """Exactly one of the seven data bits of one byte differs, and over many replies every byte is hit."""
    hit = Counter()
    for (one,) in many("bit_flip", 1):
        changed = [(i, a ^ b) for i, (a, b) in enumerate(zip(one.data, REPLY, strict=True)) if a != b]
        assert len(changed) == 1 and changed[0][1].bit_count() == 1 and changed[0][1] < 0x80
        hit[changed[0][0]] += 1
    assert len(hit) == len(REPLY)


def test_half_is_a_part_from_the_front() -> None:
    """Half a line is the beginning of it, never empty, never whole."""
    assert all(REPLY.startswith(one.data) and 0 < len(one.data) < len(REPLY) for (one,) in many("half", 1))


def test_share_of_faults_is_the_share_asked_for() -> None:
    """Two kinds at 10 and 20 % hurt 30 % of replies, and no share hurts none."""
    random = Random(3)
    out = [with_line_faults(REPLY, {"silence": 0.1, "bit_flip": 0.2}, random) for _ in range(4000)]
    # Four standard deviations of a share of 0.3 in 4,000 are 0.029 (algebra, binomial).
    assert sum(sent != [Sent(0.0, REPLY)] for sent in out) / 4000 == pytest.approx(0.3, abs=0.029)
    assert sum(sent == [] for sent in out) / 4000 == pytest.approx(0.1, abs=0.019)
    assert with_line_faults(REPLY, {}, random) == [Sent(0.0, REPLY)]


def test_unplugged_for_whole_spans_of_the_share_asked_for() -> None:
    """The adapter is out for whole spans of two hours, for about the share of time asked for."""
    spans = [unplugged({"unplugged": 0.2}, 5, "turf", START_MS + i * UNPLUGGED_FOR_MS) for i in range(2000)]
    assert sum(spans) / 2000 == pytest.approx(0.2, abs=0.036)  # four standard deviations
    first = START_MS // UNPLUGGED_FOR_MS * UNPLUGGED_FOR_MS
    for minute in range(0, 120, 7):
        at_ms = first + minute * 60_000
        assert unplugged({"unplugged": 0.2}, 5, "turf", at_ms) == unplugged({"unplugged": 0.2}, 5, "turf", first)
    assert not any(unplugged({}, 5, "turf", START_MS + i * HOUR_MS) for i in range(100))


def test_line_faults_are_read_from_text() -> None:
    """Shares are read by kind, `all` means each, and anything else is refused with the kinds there are."""
    assert parse_line_faults("silence=0.01, late=0.5") == {"silence": 0.01, "late": 0.5}
    assert parse_line_faults("all=0.1,late=0") == {**dict.fromkeys(LINE_FAULTS, 0.1), "late": 0.0}
    assert parse_line_faults("") == {}
    for text in ("silence", "silence=2", "silense=0.1", "silence=nan"):
        with pytest.raises(ValueError, match="expected KIND=SHARE"):
            parse_line_faults(text)


def truth(channel: str, at_ms: int) -> float | None:
    """A value that tells channel and hour apart."""
    return {"moisture_a": 10.0, "moisture_b": 20.0, "temperature_a": 5.0}[channel] + (at_ms - START_MS) / HOUR_MS


@pytest.mark.parametrize("kind", [kind for kind in PROBE_FAULTS if kind not in ("sliced", "dropped_replies")])
def test_probe_fault_keeps_to_its_span_and_channels(kind: str) -> None:
    """Before, after and beside its channels a fault changes nothing; inside it changes at least some readings."""
    fault = PlantedFault(kind, ("moisture_a", "moisture_b"), START_MS + HOUR_MS, START_MS + 50 * HOUR_MS, 0.5)
    hours = [START_MS + i * HOUR_MS for i in range(60)]
    heard = [planted([fault], "moisture_a", at, truth) for at in hours]
    sound = [truth("moisture_a", at) for at in hours]
    assert heard[:1] == sound[:1] and heard[50:] == sound[50:]
    assert heard[2:50] != sound[2:50]
    assert [planted([fault], "temperature_a", at, truth) for at in hours] == [
        truth("temperature_a", at) for at in hours
    ]
    assert heard == [planted([fault], "moisture_a", at, truth) for at in hours]


def test_air_gap_pulls_towards_air() -> None:
    """Half air is half way to what the channel hears in air: (10 + 1) / 2 for permittivity."""
    assert planted([PlantedFault("air_gap", size=0.5)], "moisture_a", START_MS, truth, air=1.0) == 5.5
    assert planted([PlantedFault("air_gap", size=0.5)], "moisture_a", START_MS, truth) == 5.0


def test_stuck_repeats_the_first_value() -> None:
    """A stuck channel says what it heard when the fault began."""
    fault = PlantedFault("stuck", start_ms=START_MS + 3 * HOUR_MS)
    assert planted([fault], "moisture_a", START_MS + 9 * HOUR_MS, truth) == 13.0


def test_swapped_depths_answer_in_each_others_place() -> None:
    """The first channel named answers with the last one's value, and the other way round."""
    fault = PlantedFault("swapped_depths", ("moisture_a", "moisture_b"))
    assert planted([fault], "moisture_a", START_MS, truth) == 20.0
    assert planted([fault], "moisture_b", START_MS, truth) == 10.0


def test_spikes_come_in_the_share_asked_for() -> None:
    """A fifth of the readings are far off, the rest are right."""
    fault = PlantedFault("spikes", size=0.2)
    hours = [START_MS + i * HOUR_MS for i in range(2000)]
    off = sum(planted([fault], "moisture_a", at, truth, seed=4) != truth("moisture_a", at) for at in hours)
    assert off / 2000 == pytest.approx(0.2, abs=0.036)  # four standard deviations


def test_dropped_replies_take_the_whole_probe_for_their_share_of_the_time() -> None:
    """A fifth of the ten-minute spans are silent from end to end, none outside the fault; a slice is for ever."""
    fault = PlantedFault("dropped_replies", start_ms=START_MS, end_ms=START_MS + 2000 * HOUR_MS, size=0.2)
    hours = [START_MS + i * HOUR_MS for i in range(2000)]
    silent = [is_silent(fault, at, "p") for at in hours]
    assert sum(silent) / 2000 == pytest.approx(0.2, abs=0.036)  # four standard deviations
    first = START_MS // SILENT_FOR_MS * SILENT_FOR_MS + SILENT_FOR_MS
    assert len({is_silent(fault, first + second * 1000, "p") for second in range(0, 600, 7)}) == 1
    assert not any(is_silent(fault, START_MS + (2000 + i) * HOUR_MS, "p") for i in range(100))
    assert is_silent(PlantedFault("sliced", start_ms=START_MS), START_MS + 9999 * HOUR_MS, "p")
    assert not is_silent(PlantedFault("stuck"), START_MS, "p")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"kind": "rust"}, "expected one of air_gap"),
        ({"kind": "stuck", "start_ms": 5, "end_ms": 4}, "before its start"),
        ({"kind": "swapped_depths", "channels": ("moisture_a",)}, "two or more"),
    ],
)
def test_fault_that_cannot_be_is_refused(arguments: dict, said: str) -> None:
    """A fault that makes no sense is refused with what was expected."""
    with pytest.raises(ValueError, match=said):
        PlantedFault(**arguments)
