"""The penetrometer in its dock, host side and device side: strokes are asked for, acknowledged, and then forgotten.

Bytes in, strokes and bytes out; the caller owns the port, the time and the storage. A stroke is acknowledged only when
the caller says it is in custody, and only an acknowledgement lets the device forget, so that a cable pulled or a host
killed at any moment costs a repetition and no stroke.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace

from hardware.cone import (
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
)
from hardware.frame import BadFrame

ASKED_AT_MOST = 3  # times in one hand-over


class DockHost:
    """One hand-over, seen from the agent.

    Send what `data_to_send` gives; hand what comes to `receive`, and call `elapsed` when the line has been quiet for
    a while of the caller's choice. Both give strokes. Keep each, then call `in_custody`. A stroke that comes partial is
    asked for again with the next try and given out as partial only when the tries are used up.

    Parameters
    ----------
    after_id : int
        Ask for strokes with a higher number. 0, all that the device still holds, is the usual thing: it holds only
        what was never acknowledged.
    assembler : StrokeAssembler, optional
        Kept by the caller from one docking to the next, it knows repetitions.
    tries : int
        How often to ask before taking what there is.

    Attributes
    ----------
    finished : bool
        The hand-over is over, whether or not anybody answered.
    answered : bool
        The device said that this was all.
    bad_sentences : int
        Refused so far.
    numbers_went_back : bool
        The device's last stroke is older than `after_id`: it lost its count and gives numbers a second time. All it
        holds is then asked for.
    """

    def __init__(
        self, *, after_id: int = 0, assembler: StrokeAssembler | None = None, tries: int = ASKED_AT_MOST
    ) -> None:
        if tries < 1:
            raise ValueError(f"DockHost tries: found {tries}, expected 1 or more")
        self.finished = False
        self.answered = False
        self.bad_sentences = 0
        self.numbers_went_back = False
        self._after_id = after_id
        self._assembler = StrokeAssembler() if assembler is None else assembler
        self._tries = tries
        self._decoder = SentenceDecoder()
        self._acknowledgements = b""
        self._question = b""
        self._partial: dict[tuple[str, int], Stroke] = {}
        self._given: set[tuple[str, int]] = set()
        self._ended: set[tuple[str, int]] = set()
        self._asked = 0
        self._ask()

    def data_to_send(self) -> bytes:
        """Return the bytes to send now: acknowledgements, then a question, so that no stroke comes twice."""
        data = self._acknowledgements + self._question
        self._acknowledgements, self._question = b"", b""
        return data

    def receive(self, data: bytes) -> list[Stroke]:
        """Take bytes from the line; return the strokes they end."""
        self._decoder.receive(data)
        strokes: list[Stroke] = []
        while True:
            try:
                sentence = self._decoder.next_sentence()
            except BadFrame:
                self.bad_sentences += 1
                continue
            if sentence is None:
                return strokes
            if isinstance(sentence, StepSentence | EndSentence):
                strokes += self._sorted(self._assembler.add(sentence))
            elif isinstance(sentence, AllSentence) and not self.finished:
                strokes += self._all(sentence)

    def elapsed(self) -> list[Stroke]:
        """Ask again after a quiet line, or return the strokes as they are. Nothing while a question is unsent."""
        return [] if self.finished or self._question else self._round_over(complete=False)

    def in_custody(self, stroke: Stroke) -> None:
        """Acknowledge a stroke that the caller has stored.

        Raises
        ------
        ValueError
            For a stroke not given out here, or a restarted one, which was never a whole stroke.
        """
        if (stroke.probe, stroke.stroke_id) not in self._given or stroke.outcome is Outcome.RESTARTED:
            raise ValueError(
                f"in_custody: found {stroke.outcome} stroke {stroke.stroke_id}, expected one given out here"
            )
        if stroke.outcome in (Outcome.COMPLETE, Outcome.PARTIAL):
            self._assembler.taken(stroke)
        self._acknowledgements += encode(AcknowledgeSentence(stroke.probe, stroke.stroke_id))

    def _ask(self) -> None:
        self._asked += 1
        self._ended.clear()
        self._question = encode(AskSentence(self._after_id))

    def _sorted(self, strokes: Sequence[Stroke]) -> list[Stroke]:
        """Return the strokes to give out now; a partial one is kept back until a whole one replaces it."""
        out: list[Stroke] = []
        for stroke in strokes:
            key = (stroke.probe, stroke.stroke_id)
            if stroke.outcome is Outcome.PARTIAL:
                if key in self._given:
                    continue
                before = self._partial.get(key)
                if before is None or len(before.steps) <= len(stroke.steps):
                    self._partial[key] = stroke
                continue
            if stroke.outcome is not Outcome.RESTARTED:
                self._partial.pop(key, None)
                self._ended.add(key)
                self._given.add(key)
            out.append(stroke)
        return out

    def _all(self, sentence: AllSentence) -> list[Stroke]:
        strokes = self._sorted(self._assembler.finish())
        self.answered = True
        if sentence.last_id < self._after_id:
            self.numbers_went_back = True
            self._after_id = 0
            self._ask()
            return strokes
        return strokes + self._round_over(complete=len(self._ended) >= sentence.offered)

    def _round_over(self, *, complete: bool) -> list[Stroke]:
        strokes = self._sorted(self._assembler.finish())
        if not complete and self._asked < self._tries:
            self._ask()
            return strokes
        self.finished = True
        strokes += self._partial.values()
        self._given.update(self._partial)
        self._partial = {}
        return strokes


class DockDevice:
    """The penetrometer's side, for a virtual one: holds strokes, hands them over, forgets what is acknowledged.

    Parameters
    ----------
    probe : str
        Serial, 1 to 16 letters, digits or -.
    last_id : int
        Number of the last stroke made before; the next is one higher.
    """

    def __init__(self, probe: str, *, last_id: int = 0) -> None:
        encode(AllSentence(probe, 0, last_id))  # refuses what cannot be sent
        self._probe = probe
        self._last_id = last_id
        self._held: dict[int, tuple[tuple[Step, ...], float | None]] = {}
        self._decoder = SentenceDecoder()
        self._queue: deque[tuple[Sentence, float | None]] = deque()

    @property
    def held(self) -> tuple[int, ...]:
        """Numbers of the strokes it holds."""
        return tuple(self._held)

    @property
    def has_more(self) -> bool:
        """Whether `send` has something to say."""
        return bool(self._queue)

    def push(self, profile: Sequence[tuple[float, float]], started_s: float | None) -> int:
        """Add a stroke that was made.

        Parameters
        ----------
        profile : sequence of (depth_m, force_n)
            Depth [m] and force [N] at each step, as they came.
        started_s : float or None
            When it began, on the clock `send` is told. [s] None if the device cannot tell.

        Returns
        -------
        int
            The number of the stroke.

        Raises
        ------
        ValueError
            For a profile that cannot be sent; then nothing is held.
        """
        steps = tuple(Step(n, depth_m, force_n) for n, (depth_m, force_n) in enumerate(profile, 1))
        for step in steps:
            encode(StepSentence(self._probe, 1, step))
        encode(EndSentence(self._probe, self._last_id + 1, len(steps), None))
        self._last_id += 1
        self._held[self._last_id] = (steps, started_s)
        return self._last_id

    def receive(self, data: bytes) -> None:
        """Take bytes from the host. What is not a sentence for this device is ignored."""
        self._decoder.receive(data)
        while True:
            try:
                sentence = self._decoder.next_sentence()
            except BadFrame:
                continue
            if sentence is None:
                return
            if isinstance(sentence, AskSentence):
                self._hand_over(sentence.after_id)
            elif isinstance(sentence, AcknowledgeSentence) and sentence.probe == self._probe:
                self._held.pop(sentence.stroke_id, None)

    def send(self, now_s: float) -> bytes:
        """Return the next sentence to send, none if there is none. An age is taken when the end is sent."""
        if not self._queue:
            return b""
        sentence, started_s = self._queue.popleft()
        if isinstance(sentence, EndSentence) and started_s is not None:
            sentence = replace(sentence, age_s=round(now_s - started_s))
        return encode(sentence)

    def _hand_over(self, after_id: int) -> None:
        """Queue all sentences from the beginning, whatever was queued before."""
        self._queue.clear()
        offered = [stroke_id for stroke_id in self._held if stroke_id > after_id]
        for stroke_id in offered:
            steps, started_s = self._held[stroke_id]
            self._queue.extend((StepSentence(self._probe, stroke_id, step), None) for step in steps)
            self._queue.append((EndSentence(self._probe, stroke_id, len(steps), None), started_s))
        self._queue.append((AllSentence(self._probe, len(offered), self._last_id), None))
