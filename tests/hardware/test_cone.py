"""Penetrometer sentences and strokes: published check values, every way they can arrive."""

from __future__ import annotations

import itertools
import math

import pytest
from crccheck.checksum import ChecksumXor8
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.cone import (
    MAX_REMEMBERED,
    MAX_SENTENCE,
    AcknowledgeSentence,
    AllSentence,
    AskSentence,
    EndSentence,
    Outcome,
    Sentence,
    SentenceDecoder,
    Step,
    StepSentence,
    Stroke,
    StrokeAssembler,
    encode,
    xor_checksum,
)
from hardware.frame import BadFrame
from hardware.probe import load_probe
from hardware.reading import Status


def _framed(body: bytes) -> bytes:
    """A sentence made without our encoder; the checksum is crccheck's."""
    return b"$%s*%02X\r\n" % (body, ChecksumXor8.calc(body))


# Bodies written by hand from the format in the module; checksums by crccheck.
VECTORS: list[tuple[bytes, Sentence]] = [
    (_framed(b"UTPEN,PEN-7,12,1,0.0,0.0"), StepSentence("PEN-7", 12, Step(1, 0.0, 0.0))),
    (_framed(b"UTPEN,PEN-7,12,38,95.5,312.4"), StepSentence("PEN-7", 12, Step(38, 0.0955, 312.4))),
    (_framed(b"UTPEN,a,2147483647,2000,1200.0,-3.2"), StepSentence("a", 2147483647, Step(2000, 1.2, -3.2))),
    (_framed(b"UTEND,PEN-7,12,38,86399"), EndSentence("PEN-7", 12, 38, 86399)),
    (_framed(b"UTEND,PEN-7,12,38,"), EndSentence("PEN-7", 12, 38, None)),
    (_framed(b"UTASK,0"), AskSentence(0)),
    (_framed(b"UTALL,PEN-7,3,12"), AllSentence("PEN-7", 3, 12)),
    (_framed(b"UTACK,PEN-7,12"), AcknowledgeSentence("PEN-7", 12)),
]
each_vector = pytest.mark.parametrize(("line", "sentence"), VECTORS, ids=[line.decode().strip() for line, _ in VECTORS])


def _outcomes(*chunks: bytes) -> list[Sentence | Status]:
    """All sentences in the chunks, refusals as their status."""
    decoder = SentenceDecoder()
    outcomes: list[Sentence | Status] = []
    for chunk in chunks:
        decoder.receive(chunk)
        while True:
            try:
                sentence = decoder.next_sentence()
            except BadFrame as bad:
                outcomes.append(bad.status)
                continue
            if sentence is None:
                break
            outcomes.append(sentence)
    return outcomes


def _bytes(data: bytes) -> list[bytes]:
    return [bytes((b,)) for b in data]


@pytest.mark.parametrize(
    ("body", "checksum"),
    [
        # sentences published as examples: documentation of the Rust crate nmea-kit, and of the Elixir package nmea
        (b"WIMWD,270.0,T,268.5,M,12.4,N,6.4,M", 0x63),
        (b"GPGSA,A,3,10,07,05,02,29,04,08,13,,,,,1.72,1.03,1.38", 0x0A),
        (b"GPGGA,092751.000,5321.6802,N,00630.3371,W,1,8,1.03,61.7,M,55.3,M,,", 0x75),
        (b"", 0),
    ],
)
def test_checksum_agrees_with_published_sentences(body: bytes, checksum: int) -> None:
    """NMEA 0183 sentences printed by others carry the checksum we work out."""
    assert xor_checksum(body) == checksum


@settings(deadline=None)
@given(st.binary(min_size=1, max_size=80))
def test_checksum_agrees_with_another_implementation(body: bytes) -> None:
    """Any bytes give what crccheck's ChecksumXor8 gives."""
    assert xor_checksum(body) == ChecksumXor8.calc(body)


@each_vector
def test_sentence_is_written_as_the_format_says(line: bytes, sentence: Sentence) -> None:
    """Each kind is written as in the list of formats, and is no longer than NMEA 0183 allows."""
    assert encode(sentence) == line
    assert len(line) <= MAX_SENTENCE
    assert not line.startswith(b"$P")


@each_vector
def test_sentence_is_read_whole_and_byte_by_byte(line: bytes, sentence: Sentence) -> None:
    """In one piece or one byte at a time it is the same sentence, and not before its last byte."""
    assert _outcomes(line) == [sentence]
    assert _outcomes(*_bytes(line)) == [sentence]
    assert _outcomes(*_bytes(line[:-1])) == []


@pytest.mark.parametrize("noise", [b"\0", b"noise", b"\r\n", b"*00\r\n", b"\xff\xfe" * 100])
@each_vector
def test_sentence_is_read_after_noise(line: bytes, sentence: Sentence, noise: bytes) -> None:
    """What stands before the $ does not matter."""
    assert _outcomes(noise + line) == [sentence]
    assert _outcomes(*_bytes(noise + line)) == [sentence]


@pytest.mark.parametrize("trailing", [b"\0", b"x", b"\r\n", b"*41\r\n"])
@each_vector
def test_trailing_bytes_do_not_touch_the_sentence(line: bytes, sentence: Sentence, trailing: bytes) -> None:
    """What follows the line feed does not matter."""
    assert _outcomes(line + trailing) == [sentence]
    assert _outcomes(line + trailing + line) == [sentence, sentence]


@each_vector
def test_two_joined_sentences_are_two(line: bytes, sentence: Sentence) -> None:
    """Two in one piece come out one after the other."""
    assert _outcomes(line + line) == [sentence, sentence]


@each_vector
def test_cut_sentence_is_refused_and_the_next_is_read(line: bytes, sentence: Sentence) -> None:
    """A sentence cut anywhere is one refusal and does not take the following one with it."""
    for end in range(1, len(line)):
        assert _outcomes(line[:end] + line) == [Status.BAD_FRAME, sentence]
        assert _outcomes(*_bytes(line[:end] + line)) == [Status.BAD_FRAME, sentence]


@each_vector
def test_every_single_wrong_bit_never_gives_a_sentence(line: bytes, sentence: Sentence) -> None:
    """One wrong bit anywhere, CR LF and checksum digits included, gives no sentence, and the next good one is read."""
    for place, bit in itertools.product(range(len(line)), range(8)):
        damaged = line[:place] + bytes((line[place] ^ 1 << bit,)) + line[place + 1 :]
        outcomes = _outcomes(damaged + line + line)
        sentences = [o for o in outcomes if not isinstance(o, Status)]
        # a wrong line feed takes the sentence after it along only as far as that one's $
        assert sentences == [sentence, sentence], damaged


def test_sentence_of_commas_is_refused_at_once() -> None:
    """No sentence of the allowed length takes long to refuse (a pattern that tries every split would take years)."""
    assert _outcomes(b"$UTPEN" + b"," * 70 + b"!\r\n") == [Status.BAD_FRAME]


def test_wrong_checksum_is_told_from_wrong_frame() -> None:
    """A sentence that is all there but does not fit its checksum is a bad check."""
    assert _outcomes(VECTORS[0][0].replace(b",1,", b",2,")) == [Status.BAD_CHECK]


def test_other_sentences_on_the_line_are_passed_over() -> None:
    """A proper sentence with another tag is nobody's fault."""
    assert _outcomes(b"$WIMWD,270.0,T,268.5,M,12.4,N,6.4,M*63\r\n" + VECTORS[0][0]) == [VECTORS[0][1]]


@pytest.mark.parametrize(
    "body",
    [
        b"UTPEN,PEN-7,12,1,0.0",
        b"UTPEN,PEN-7,12,1,0.0,0.0,0",
        b"UTPEN,,12,1,0.0,0.0",
        b"UTPEN,PEN_7,12,1,0.0,0.0",
        b"UTPEN,PEN-7,0,1,0.0,0.0",
        b"UTPEN,PEN-7,12,0,0.0,0.0",
        b"UTPEN,PEN-7,12,2001,0.0,0.0",
        b"UTPEN,PEN-7,12,01,0.0,0.0",
        b"UTPEN,PEN-7,12,1,-0.5,0.0",
        b"UTPEN,PEN-7,12,1,,0.0",
        b"UTPEN,PEN-7,12,1,0.0,nan",
        b"UTPEN,PEN-7,12,1,0.0,1e3",
        b"UTEND,PEN-7,12,0,5",
        b"UTEND,PEN-7,12,3,-5",
        b"UTEND,PEN-7,12,3",
        b"UTASK,",
        b"UTACK,PEN-7,9999999999",
    ],
)
def test_proper_frame_with_fields_that_do_not_fit_is_refused(body: bytes) -> None:
    """The checksum fits, the content does not."""
    assert _outcomes(_framed(body)) == [Status.BAD_FRAME]


@pytest.mark.parametrize(
    "sentence", [b"$" + b"," * 200 + b"\r\n", b"$UTPEN" + b"," * 90 + b"*00\r\n", b"$" + b"A" * 500]
)
def test_long_sentence_is_refused_once_in_any_pieces(sentence: bytes) -> None:
    """More than 82 characters are one refusal, quickly, and are not kept."""
    assert _outcomes(sentence) == [Status.BAD_FRAME]
    assert _outcomes(*_bytes(sentence + VECTORS[0][0]))[-1] == VECTORS[0][1]


@pytest.mark.parametrize(
    "sentence",
    [
        StepSentence("PEN 7", 1, Step(1, 0.0, 0.0)),
        StepSentence("P" * 17, 1, Step(1, 0.0, 0.0)),
        StepSentence("P", 0, Step(1, 0.0, 0.0)),
        StepSentence("P", 1, Step(2001, 0.0, 0.0)),
        StepSentence("P", 1, Step(1, -0.001, 0.0)),
        StepSentence("P", 1, Step(1, 100.0, 0.0)),
        StepSentence("P", 1, Step(1, 0.0, math.nan)),
        StepSentence("P", 1, Step(1, math.inf, 0.0)),
        EndSentence("P", 1, 0, None),
        EndSentence("P", 1, 1, -1),
        AskSentence(-1),
    ],
)
def test_what_cannot_be_sent_is_a_value_error(sentence: Sentence) -> None:
    """The encoder writes nothing the decoder would refuse."""
    with pytest.raises(ValueError, match="expected"):
        encode(sentence)


sentence_bytes = st.one_of(
    st.sampled_from([line for line, _ in VECTORS]),
    st.lists(st.sampled_from([*b"$*,\r\nUTPEND0123456789ABCDEF-."]) | st.integers(0, 255), max_size=120).map(bytes),
)


@settings(deadline=None)
@given(pieces=st.lists(sentence_bytes, max_size=5), cuts=st.lists(st.integers(0, 600), max_size=6))
def test_any_bytes_in_any_pieces_give_sentences_or_bad_frame(pieces: list[bytes], cuts: list[int]) -> None:
    """Nothing but BadFrame is ever raised, and what sentences there are does not depend on how the bytes were cut."""
    data = b"".join(pieces)
    places = [0, *sorted(min(c, len(data)) for c in cuts), len(data)]
    cut_up = [data[a:b] for a, b in itertools.pairwise(places)]
    assert _outcomes(*cut_up) == _outcomes(data)


tenths = st.integers(0, 12000).map(lambda n: n / 10)


@settings(deadline=None)
@given(depth_mm=tenths, force_n=tenths, number=st.integers(1, 2000))
def test_step_comes_back_as_sent_to_a_tenth(depth_mm: float, force_n: float, number: int) -> None:
    """Depth and force to 0.1 mm and 0.1 N survive the wire; 1e-9 is for binary fractions."""
    (back,) = _outcomes(encode(StepSentence("P", 1, Step(number, depth_mm / 1000, force_n))))
    assert isinstance(back, StepSentence)
    assert back.step == Step(number, pytest.approx(depth_mm / 1000, abs=1e-9), force_n)


# Strokes

STEPS = tuple(Step(n, n / 200, 40.0 * n) for n in range(1, 6))
OTHER = tuple(Step(n, n / 200, 30.0 * n + 5) for n in range(1, 6))


def _assemble(
    *sentences: StepSentence | EndSentence, assembler: StrokeAssembler | None = None, finish: bool = False
) -> list[Stroke]:
    assembler = StrokeAssembler() if assembler is None else assembler
    strokes = [stroke for sentence in sentences for stroke in assembler.add(sentence)]
    return strokes + list(assembler.finish() if finish else ())


def _said(steps: tuple[Step, ...], stroke_id: int = 1) -> list[StepSentence]:
    return [StepSentence("P", stroke_id, step) for step in steps]


END = EndSentence("P", 1, 5, 90)


def test_stroke_with_all_steps_and_end_is_complete() -> None:
    """Five steps and an end that says five."""
    assert _assemble(*_said(STEPS), END, finish=True) == [Stroke("P", 1, Outcome.COMPLETE, STEPS, (), 5, 90)]


def test_stroke_with_missing_steps_is_partial_and_lists_them() -> None:
    """Whichever steps are lost, the first and last too, they are named."""
    for lost in itertools.chain.from_iterable(itertools.combinations(range(5), n) for n in range(1, 6)):
        left = tuple(s for i, s in enumerate(STEPS) if i not in lost)
        expected = Stroke("P", 1, Outcome.PARTIAL, left, tuple(i + 1 for i in lost), 5, 90)
        assert _assemble(*_said(left), END) == [expected]


@pytest.mark.parametrize("then", [StepSentence("P", 2, STEPS[0]), StepSentence("Q", 1, STEPS[0])])
def test_stroke_without_its_end_is_partial_when_another_begins(then: StepSentence) -> None:
    """The end was lost: the steps are kept, the count is not known."""
    assert _assemble(*_said(STEPS), then) == [Stroke("P", 1, Outcome.PARTIAL, STEPS, (), None, None)]


def test_stroke_without_its_end_is_partial_when_no_more_comes() -> None:
    """Gaps are named as far as they can be known."""
    left = STEPS[:1] + STEPS[2:3]
    assert _assemble(*_said(left), finish=True) == [Stroke("P", 1, Outcome.PARTIAL, left, (2,), None, None)]
    assert _assemble(finish=True) == []


def test_same_stroke_again_is_repeated_once_it_is_in_custody() -> None:
    """Before custody a second hand-over is complete like the first; after it, it is a repetition."""
    assembler = StrokeAssembler()
    (first,) = _assemble(*_said(STEPS), END, assembler=assembler)
    (second,) = _assemble(*_said(STEPS), END, assembler=assembler)
    assert (first.outcome, second.outcome) == (Outcome.COMPLETE, Outcome.COMPLETE)
    assembler.taken(second)
    (third,) = _assemble(*_said(STEPS), END, assembler=assembler)
    assert third == Stroke("P", 1, Outcome.REPEATED, STEPS, (), 5, 90)


def test_another_stroke_with_a_number_in_custody_is_conflicting() -> None:
    """A probe that counts from one again does not have its strokes taken for repetitions."""
    assembler = StrokeAssembler()
    assembler.taken(_assemble(*_said(STEPS), END, assembler=assembler)[0])
    (again,) = _assemble(*_said(OTHER), END, assembler=assembler)
    assert (again.outcome, again.steps) == (Outcome.CONFLICTING, OTHER)


def test_more_steps_than_the_end_says_is_conflicting() -> None:
    """Five steps and an end that says four cannot both be right."""
    (stroke,) = _assemble(*_said(STEPS), EndSentence("P", 1, 4, None))
    assert (stroke.outcome, stroke.steps, stroke.missing) == (Outcome.CONFLICTING, STEPS, ())


@pytest.mark.parametrize("before", [2, 3, 4, 5])
def test_stroke_that_begins_again_before_its_end_is_restarted(before: int) -> None:
    """The run that was given up is told as restarted, and the whole one after it is complete, even with equal steps."""
    for again in (STEPS, OTHER):
        strokes = _assemble(*_said(STEPS[:before]), *_said(again), END)
        assert strokes == [
            Stroke("P", 1, Outcome.RESTARTED, STEPS[:before], (), None, None),
            Stroke("P", 1, Outcome.COMPLETE, again, (), 5, 90),
        ]


def test_restart_whose_first_step_was_lost_never_mixes_two_runs() -> None:
    """Steps of the run given up do not fill the gaps of the new one."""
    strokes = _assemble(*_said(STEPS[:4]), *_said(OTHER[1:]), END)
    assert [(s.outcome, s.steps, s.missing) for s in strokes] == [
        (Outcome.RESTARTED, STEPS[:4], ()),
        (Outcome.PARTIAL, OTHER[1:], (1,)),
    ]


def test_sentence_said_twice_in_a_row_is_taken_once() -> None:
    """A repeated line is not a restart."""
    doubled = [s for step in _said(STEPS) for s in (step, step)]
    (stroke,) = _assemble(*doubled, END)
    assert (stroke.outcome, stroke.steps) == (Outcome.COMPLETE, STEPS)


def test_memory_of_custody_is_bounded() -> None:
    """The oldest stroke in custody is forgotten first; then its return is complete, never lost."""
    assembler = StrokeAssembler()
    for stroke_id in range(1, MAX_REMEMBERED + 2):
        end = EndSentence("P", stroke_id, 5, None)
        assembler.taken(_assemble(*_said(STEPS, stroke_id), end, assembler=assembler)[0])
    (oldest,) = _assemble(*_said(STEPS, 1), EndSentence("P", 1, 5, None), assembler=assembler)
    (next_oldest,) = _assemble(*_said(STEPS, 2), EndSentence("P", 2, 5, None), assembler=assembler)
    assert (oldest.outcome, next_oldest.outcome) == (Outcome.COMPLETE, Outcome.REPEATED)


def test_described_cone_has_the_base_of_its_exact_diameter() -> None:
    """12.83 mm gives 129.28 mm2 (ASAE S313.3 as given by USDA 0524-2837-MTDC; computed here), not the rounded 130."""
    base_m2 = load_probe("cone_hard").cone_base_m2
    assert base_m2 is not None
    assert base_m2 * 1e6 == pytest.approx(math.pi * 12.83**2 / 4, abs=0.005)
