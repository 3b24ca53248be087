"""Working a span out anew from raw gives what was there, and what the diary has changed since."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from pipeline.recompute import recompute, station_context
from pipeline.store.diary import DiaryEntry
from tests.pipeline.hand import (
    HOUR_MS,
    SLOT_MS,
    SMALL,
    START_MS,
    Line,
    batches,
    reading,
    record,
    stored,
)


def test_recompute_is_byte_identical_with_what_was_there(make: Callable[..., Line]) -> None:
    """Worked out anew from raw, whole or in part, the record is the same to the last bit."""
    line = make(now_ms=START_MS + 600 * SLOT_MS)
    for batch in batches(record(500), 90):
        line.send_batch(batch)
    line.run_until_quiet()
    before = stored(line)
    context = station_context(line.config, "s1", line.stores.diary)
    recompute(line.stores.store, context, start_ms=START_MS + 100 * SLOT_MS, end_ms=START_MS + 200 * SLOT_MS)
    for one, other in zip(before, stored(line), strict=True):
        pd.testing.assert_frame_equal(one, other, check_exact=True)
    done = recompute(line.stores.store, context)
    assert done.observations == 500 * 4
    for one, other in zip(before, stored(line), strict=True):
        pd.testing.assert_frame_equal(one, other, check_exact=True)


def test_a_core_in_the_diary_dates_the_thatch(make: Callable[..., Line]) -> None:
    """A core written down later changes what the past meant once it is worked out anew: thatch findings appear."""
    line = make(SMALL, now_ms=START_MS + 60 * SLOT_MS)
    for i, at_ms in enumerate(range(START_MS, START_MS + 40 * SLOT_MS, SLOT_MS)):
        line.send_batch([reading(i + 1, "s1/p1/moisture", at_ms, 20.0 + 0.01 * i)])
    line.run_until_quiet()
    assert "thatch_water" not in set(stored(line)[1]["quantity"])
    core = DiaryEntry("core", "square", START_MS - HOUR_MS, {"thatch_mm": 25.0}, station="s1")
    line.stores.diary.add(core)
    line.study.mark_span("s1", START_MS - HOUR_MS, START_MS + 100 * SLOT_MS, line.clock.monotonic())
    line.run_until_quiet()
    assert "thatch_water" in set(stored(line)[1]["quantity"])
