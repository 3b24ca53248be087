"""Working a span out anew from raw gives what was there, and what the diary has changed since."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from pipeline.recompute import recompute, station_context
from pipeline.store.diary import DiaryEntry
from tests.pipeline.hand import (
    HOUR_MS,
    SETTINGS,
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


def test_a_changed_calibration_changes_its_own_channel_and_what_hangs_on_it(make: Callable[..., Line]) -> None:
    """A line of slope 1 and offset 0.01 at 100 mm: its values rise by just that, no other value changes, and of the
    findings only those of the root zone, of which it is a part. Raw stays as heard."""
    settings = SETTINGS.replace('soil = "loam"', 'soil = "loam"\nroot_zone_mm = 100')
    line = make(settings, now_ms=START_MS + 600 * SLOT_MS)
    for batch in batches(record(300), 90):
        line.send_batch(batch)
    line.run_until_quiet()
    before, findings = stored(line)
    line.stores.close()
    curve = '[surface.station.probe.calibration.moisture_0100]\ncurve = "linear"\nslope = 1.0\noffset = 0.01\n'
    model = 'model = "deep_soil_profile"\n'
    again = make(settings.replace(model, model + curve), now_ms=START_MS + 600 * SLOT_MS)
    recompute(again.stores.store, station_context(again.config, "s1", again.stores.diary))
    after, findings_after = stored(again)
    pd.testing.assert_frame_equal(before.drop(columns=["value", "flag"]), after.drop(columns=["value", "flag"]))
    own = before["channel"] == "s1/p1/moisture_0100"
    assert own.sum() == 300
    # one rounding of the sum
    pd.testing.assert_series_equal(before["value"][own] + 0.01, after["value"][own], rtol=0.0, atol=1e-15)
    pd.testing.assert_series_equal(before["value"][~own], after["value"][~own], check_exact=True)
    differs = (findings.fillna(-9.0) != findings_after.fillna(-9.0)).any(axis=1)
    assert set(findings["quantity"][differs]) == {"root_zone_water", "root_zone_wetness"}


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
