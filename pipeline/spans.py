"""Stretches of time that wait for work: added in any order, joined where they touch, taken off bit by bit.

Pure bookkeeping in whole milliseconds; a stretch is start <= t < end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

MAX_STRETCHES = 64  # more are joined over the smallest gap: a little more work in place of more memory


class Spans:
    """Stretches of time, sorted, none touching another."""

    def __init__(self) -> None:
        self._spans: list[tuple[int, int]] = []

    def __bool__(self) -> bool:
        return bool(self._spans)

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return iter(self._spans)

    def add(self, start_ms: int, end_ms: int) -> None:
        """Add a stretch and join it with those it touches."""
        if end_ms <= start_ms:
            return
        apart = [(a, b) for a, b in self._spans if b < start_ms or a > end_ms]
        touching = [(a, b) for a, b in self._spans if not (b < start_ms or a > end_ms)]
        start_ms = min([start_ms, *(a for a, _ in touching)])
        end_ms = max([end_ms, *(b for _, b in touching)])
        self._spans = sorted([*apart, (start_ms, end_ms)])
        while len(self._spans) > MAX_STRETCHES:
            gaps = [b[0] - a[1] for a, b in zip(self._spans, self._spans[1:], strict=False)]
            i = gaps.index(min(gaps))
            self._spans[i : i + 2] = [(self._spans[i][0], self._spans[i + 1][1])]

    def first(self, most_ms: int) -> tuple[int, int]:
        """The beginning of the earliest stretch, at most this long. It stays until `done`."""
        start, end = self._spans[0]
        return start, min(end, start + most_ms)

    def done(self, start_ms: int, end_ms: int) -> None:
        """Take a stretch off."""
        left: list[tuple[int, int]] = []
        for a, b in self._spans:
            left += [(x, y) for x, y in ((a, min(b, start_ms)), (max(a, end_ms), b)) if x < y]
        self._spans = left


def stretches(times_ms: Iterable[int], gap_ms: int) -> list[tuple[int, int]]:
    """First and last of each run of times that are no further apart than `gap_ms`. [ms] Both included."""
    runs: list[tuple[int, int]] = []
    for t in sorted(set(times_ms)):
        if runs and t - runs[-1][1] <= gap_ms:
            runs[-1] = (runs[-1][0], t)
        else:
            runs.append((t, t))
    return runs
