"""Penetrometer strokes as numbered sentences.

A stroke is one push of the cone: force at each step of depth. It travels as one sentence a step and an end sentence
with the count, each framed and checked like NMEA 0183 (`$`, fields, `*`, two hexadecimal digits, CR LF), under a tag of
our own. The decoder takes bytes in any pieces; the assembler puts strokes together and tells complete, partial,
repeated and restarted ones apart. Nothing here opens a port, reads a clock or decides what is kept: see `cone_dock`.

    $UTPEN,<probe>,<stroke>,<step>,<depth mm>,<force N>   one step, numbered from 1
    $UTEND,<probe>,<stroke>,<count>,<age s>               no more steps; it began so long ago, blank if not known
    $UTASK,<stroke>                                       host: hand over what you hold after that stroke; 0 for all
    $UTALL,<probe>,<offered>,<last>                       that was all, so many; the last ever made has that number
    $UTACK,<probe>,<stroke>                               host: that stroke is safe, it may be forgotten

A stroke's number is never used twice by a probe, not even after its battery was out.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from dataclasses import dataclass
from enum import StrEnum

from hardware.frame import BadFrame, shown
from hardware.reading import Status

PUSH_SPEED_M_S = 0.030  # ASAE/ASABE S313.3, as given by USDA Forest Service 0524-2837-MTDC (Kees 2005)
MAX_SENTENCE = 82  # characters, `$` and CR LF included (NMEA 0183)
MAX_STROKE_STEPS = 2000
MAX_STROKE_ID = 2**31 - 1
MAX_AGE_S = 10**8 - 1  # three years
MAX_REMEMBERED = 256  # strokes in custody whose return is noticed
WIRE_DECIMALS = 1  # of mm and N on the wire

_SENTENCE = re.compile(rb"\$([A-Z]{5}(?:,[ -#%-)+\--~]*)*)\*([0-9A-F]{2})\r\n")
_PROBE = re.compile(r"[0-9A-Za-z-]{1,16}", re.ASCII)
_COUNTING = re.compile(r"0|[1-9]\d{0,9}", re.ASCII)
_MEASURED = re.compile(r"-?\d{1,5}(?:\.\d{1,2})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a stroke: depth below the leaf base, positive down [m], and force on the cone [N]."""

    number: int
    depth_m: float
    force_n: float


@dataclass(frozen=True, slots=True)
class StepSentence:
    """One step of a stroke, as sent."""

    probe: str
    stroke_id: int
    step: Step


@dataclass(frozen=True, slots=True)
class EndSentence:
    """The stroke had `count` steps and began `age_s` seconds before this was sent; None if the probe cannot tell."""

    probe: str
    stroke_id: int
    count: int
    age_s: int | None


@dataclass(frozen=True, slots=True)
class AskSentence:
    """The host asks for all strokes the probe holds with a higher number; 0 asks for all."""

    after_id: int


@dataclass(frozen=True, slots=True)
class AllSentence:
    """The probe has handed over `offered` strokes; `last_id` is the highest number it ever gave, 0 for none."""

    probe: str
    offered: int
    last_id: int


@dataclass(frozen=True, slots=True)
class AcknowledgeSentence:
    """The host has that stroke safe."""

    probe: str
    stroke_id: int


Sentence = StepSentence | EndSentence | AskSentence | AllSentence | AcknowledgeSentence


def xor_checksum(body: bytes) -> int:
    """Return the exclusive or of all bytes between `$` and `*`, 0 to 255 (NMEA 0183)."""
    checksum = 0
    for byte in body:
        checksum ^= byte
    return checksum


def encode(sentence: Sentence) -> bytes:
    """Encode a sentence as bytes, `$` to CR LF. Depth and force are rounded to 0.1 mm and 0.1 N.

    Raises
    ------
    ValueError
        When a field has no place in the sentence.
    """
    match sentence:
        case StepSentence(probe, stroke_id, step):
            depth_mm, force_n = (f"{v:.{WIRE_DECIMALS}f}" for v in (step.depth_m * 1000, step.force_n))
            fields = ["UTPEN", probe, str(stroke_id), str(step.number), depth_mm, force_n]
        case EndSentence(probe, stroke_id, count, age_s):
            fields = ["UTEND", probe, str(stroke_id), str(count), "" if age_s is None else str(age_s)]
        case AskSentence(after_id):
            fields = ["UTASK", str(after_id)]
        case AllSentence(probe, offered, last_id):
            fields = ["UTALL", probe, str(offered), str(last_id)]
        case AcknowledgeSentence(probe, stroke_id):
            fields = ["UTACK", probe, str(stroke_id)]
    try:
        _decode_fields(fields)
    except BadFrame as bad:
        raise ValueError(f"cannot send {sentence}: {bad.reason}") from bad
    body = ",".join(fields).encode("ascii")
    return b"$%s*%02X\r\n" % (body, xor_checksum(body))


class SentenceDecoder:
    """Sentences out of a stream of bytes, in any pieces.

    Whatever stands before a `$` is noise and passed over, and so are sentences with other tags: start and checksum
    make that safe. A sentence that is cut, too long, or does not fit its checksum is refused by itself and the next one
    is read. Every single wrong bit is refused or makes noise; none gives another sentence.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()

    def receive(self, data: bytes) -> None:
        """Take bytes from the line, as many or as few as came."""
        self._buffer += data

    def next_sentence(self) -> Sentence | None:
        """Return the next whole sentence, None if there is none yet. Raises BadFrame for a refused one; call again."""
        while True:
            line = self._next_line()
            if line is None:
                return None
            match = _SENTENCE.fullmatch(line)
            if match is None:
                raise BadFrame(f"sentence: found {shown(line)}, expected $, fields, *, two digits, CR LF")
            if xor_checksum(match[1]) != int(match[2], 16):
                raise BadFrame(f"sentence: found {shown(line)}, expected a checksum that fits", Status.BAD_CHECK)
            sentence = _decode_fields(match[1].decode("ascii").split(","))
            if sentence is not None:
                return sentence

    def _next_line(self) -> bytes | None:
        """Return the bytes from the next `$` to its line feed; take out and refuse what cannot be a sentence."""
        start = self._buffer.find(b"$")
        del self._buffer[: start if start >= 0 else len(self._buffer)]
        end = self._buffer.find(b"\n") + 1
        piece = self._buffer[: end or len(self._buffer)]
        following = piece.find(b"$", 1)
        if following > 0:
            del self._buffer[:following]
            raise BadFrame(
                f"sentence: found {shown(bytes(piece[:following]))} cut short, expected CR LF before the next $"
            )
        if len(piece) > MAX_SENTENCE:
            del self._buffer[: len(piece)]
            raise BadFrame(f"sentence: found {shown(bytes(piece))}, expected at most {MAX_SENTENCE} characters")
        if not end:
            return None
        del self._buffer[:end]
        return bytes(piece)


class Outcome(StrEnum):
    """What became of a stroke."""

    COMPLETE = "complete"  # all steps and the end
    PARTIAL = "partial"  # steps are missing, or the end is
    REPEATED = "repeated"  # complete, and the same as one already in custody
    RESTARTED = (
        "restarted"  # given up: its numbering began again before the end; what came after is a stroke of its own
    )
    CONFLICTING = "conflicting"  # contradicts itself, or one with its number that is in custody


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke as far as it came.

    Attributes
    ----------
    probe : str
        Serial of the penetrometer.
    stroke_id : int
        Its number there, from 1.
    outcome : Outcome
    steps : tuple of Step
        In order of their number.
    missing : tuple of int
        Numbers not heard. Without an end only the gaps are known.
    count : int or None
        Steps it had, by its end sentence. None if that did not come.
    age_s : int or None
        Time from the stroke's start to the end sentence. [s] None if not told.
    """

    probe: str
    stroke_id: int
    outcome: Outcome
    steps: tuple[Step, ...]
    missing: tuple[int, ...]
    count: int | None
    age_s: int | None


class StrokeAssembler:
    """Puts strokes together from their sentences, one stroke at a time, and remembers those in custody.

    A sentence said twice in a row is taken once. A step whose number is not higher than the one before begins the
    stroke again.
    """

    def __init__(self) -> None:
        self._open: tuple[str, int] | None = None
        self._steps: dict[int, Step] = {}
        self._custody: OrderedDict[tuple[str, int], tuple[Step, ...]] = OrderedDict()

    def add(self, sentence: StepSentence | EndSentence) -> tuple[Stroke, ...]:
        """Take one sentence; return the strokes it ends, the earlier first. Often none."""
        ended: list[Stroke] = []
        this = (sentence.probe, sentence.stroke_id)
        if self._open is not None and self._open != this:
            ended.append(self._end(Outcome.PARTIAL))
        self._open = this
        if isinstance(sentence, EndSentence):
            ended.append(self._close(sentence))
            return tuple(ended)
        step = sentence.step
        last = max(self._steps, default=0)
        said_twice = step.number == last and self._steps[last] == step
        if step.number <= last and not said_twice:
            ended.append(self._end(Outcome.RESTARTED))
            self._open = this
        self._steps[step.number] = step
        return tuple(ended)

    def finish(self) -> tuple[Stroke, ...]:
        """End the input: return the stroke left open, if there is one, as partial."""
        return () if self._open is None else (self._end(Outcome.PARTIAL),)

    def taken(self, stroke: Stroke) -> None:
        """Note that the stroke is in custody: the same again counts as repeated."""
        self._custody[stroke.probe, stroke.stroke_id] = stroke.steps
        self._custody.move_to_end((stroke.probe, stroke.stroke_id))
        while len(self._custody) > MAX_REMEMBERED:
            self._custody.popitem(last=False)

    def _close(self, end: EndSentence) -> Stroke:
        known = self._custody.get((end.probe, end.stroke_id))
        if max(self._steps, default=0) > end.count:
            return self._end(Outcome.CONFLICTING, end)
        if len(self._steps) < end.count:
            return self._end(Outcome.PARTIAL, end)
        if known is None:
            return self._end(Outcome.COMPLETE, end)
        same = known == self._in_order()
        return self._end(Outcome.REPEATED if same else Outcome.CONFLICTING, end)

    def _in_order(self) -> tuple[Step, ...]:
        return tuple(self._steps[number] for number in sorted(self._steps))

    def _end(self, outcome: Outcome, end: EndSentence | None = None) -> Stroke:
        assert self._open is not None
        probe, stroke_id = self._open
        highest = max(self._steps, default=0) if end is None else end.count
        missing = tuple(n for n in range(1, highest + 1) if n not in self._steps)
        count, age_s = (None, None) if end is None else (end.count, end.age_s)
        stroke = Stroke(probe, stroke_id, outcome, self._in_order(), missing, count, age_s)
        self._open = None
        self._steps = {}
        return stroke


def _decode_fields(fields: list[str]) -> Sentence | None:
    """Return a sentence from tag and fields, None for another tag. Raises BadFrame for fields that do not fit."""
    match fields:
        case ["UTPEN", probe, stroke, number, depth_mm, force_n]:
            depth = _measured(depth_mm, "depth")
            if depth < 0:
                raise BadFrame(f"depth: found {depth_mm!r} mm, expected 0 or more")
            step = Step(_counting(number, "step", 1, MAX_STROKE_STEPS), depth / 1000, _measured(force_n, "force"))
            return StepSentence(_probe(probe), _counting(stroke, "stroke", 1, MAX_STROKE_ID), step)
        case ["UTEND", probe, stroke, count, age]:
            age_s = _counting(age, "age", 0, MAX_AGE_S) if age else None
            stroke_id = _counting(stroke, "stroke", 1, MAX_STROKE_ID)
            return EndSentence(_probe(probe), stroke_id, _counting(count, "count", 1, MAX_STROKE_STEPS), age_s)
        case ["UTASK", after]:
            return AskSentence(_counting(after, "stroke", 0, MAX_STROKE_ID))
        case ["UTALL", probe, offered, last]:
            last_id = _counting(last, "stroke", 0, MAX_STROKE_ID)
            return AllSentence(_probe(probe), _counting(offered, "strokes", 0, MAX_STROKE_ID), last_id)
        case ["UTACK", probe, stroke]:
            return AcknowledgeSentence(_probe(probe), _counting(stroke, "stroke", 1, MAX_STROKE_ID))
    if fields[0] in ("UTPEN", "UTEND", "UTASK", "UTALL", "UTACK"):
        raise BadFrame(f"{fields[0]}: found {len(fields) - 1} fields, expected another number of them")
    return None


def _probe(text: str) -> str:
    if _PROBE.fullmatch(text) is None:
        raise BadFrame(f"probe: found {text!r}, expected 1 to 16 letters, digits or -")
    return text


def _counting(text: str, what: str, lowest: int, highest: int) -> int:
    if _COUNTING.fullmatch(text) is None or not lowest <= int(text) <= highest:
        raise BadFrame(f"{what}: found {text!r}, expected a whole number from {lowest} to {highest}")
    return int(text)


def _measured(text: str, what: str) -> float:
    if _MEASURED.fullmatch(text) is None:
        raise BadFrame(f"{what}: found {text!r}, expected up to 5 digits and 2 decimals")
    return float(text)
