"""Working a span out anew from raw gives what was there, and what the diary has changed since."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import pandas as pd
import pytest

from hardware.reading import Reading
from pipeline.diary.entry import DiaryEntry
from pipeline.stages.recompute import recompute, station_context
from pipeline.stages.wetting import WETTING_QUANTITIES
from pipeline.worker import WORKED_KEY
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
    assert set(findings["quantity"][differs]) == {"root_zone_recession", "root_zone_water", "root_zone_wetness"}


def test_a_core_in_the_diary_dates_the_thatch(make: Callable[..., Line]) -> None:
    """A core written down later changes what the past meant once it is worked out anew: thatch findings appear."""
    line = make(SMALL, now_ms=START_MS + 60 * SLOT_MS)
    for i, at_ms in enumerate(range(START_MS, START_MS + 40 * SLOT_MS, SLOT_MS)):
        line.send_batch([reading(i + 1, "s1/p1/moisture", at_ms, 20.0 + 0.01 * i)])
    line.run_until_quiet()
    assert "thatch_water" not in set(stored(line)[1]["quantity"])
    core = DiaryEntry("core", "square", START_MS - HOUR_MS, {"thatch_mm": 25.0}, station="s1")
    line.stores.diary.add(core)
    line.run_until_quiet()
    assert "thatch_water" in set(stored(line)[1]["quantity"])


@pytest.mark.parametrize("steps", [0, 1, 2])
def test_an_entry_is_worked_out_after_a_kill_at_any_step(make: Callable[..., Line], steps: int) -> None:
    """A core written, and later struck out, each just before a kill: a worker over the same files works both out."""
    line = make(SMALL, now_ms=START_MS + 60 * SLOT_MS)
    line.send_batch([reading(i + 1, "s1/p1/moisture", START_MS + i * SLOT_MS, 20.0 + 0.01 * i) for i in range(40)])
    line.run_until_quiet()
    core = line.stores.diary.add(DiaryEntry("core", "square", START_MS - HOUR_MS, {"thatch_mm": 25.0}, station="s1"))
    line.run(steps)
    again = make(SMALL, now_ms=START_MS + 61 * SLOT_MS)
    again.run_until_quiet()
    assert "thatch_water" in set(stored(again)[1]["quantity"])
    again.stores.diary.strike(core.id, START_MS)
    again.run(steps)
    last = make(SMALL, now_ms=START_MS + 62 * SLOT_MS)
    last.run_until_quiet()
    assert "thatch_water" not in set(stored(last)[1]["quantity"])


def test_entries_of_a_store_that_kept_no_note_of_them_are_taken_as_worked_out(make: Callable[..., Line]) -> None:
    """An older version noted the outboxes alone: its diary is not worked out anew at the first start."""
    line = make(SMALL, now_ms=START_MS + 60 * SLOT_MS)
    line.send_batch([reading(1, "s1/p1/moisture", START_MS, 20.0)])
    line.run_until_quiet()
    line.stores.diary.add(DiaryEntry("core", "square", START_MS - HOUR_MS, {"thatch_mm": 25.0}, station="s1"))
    worked = {k: v for k, v in line.stores.journal.note(WORKED_KEY).items() if k != "diary"}
    line.stores.journal.keep_note(WORKED_KEY, worked)
    again = make(SMALL, now_ms=START_MS + 61 * SLOT_MS)
    again.run(3)
    assert worked and not again.study.waiting


def test_late_rain_that_joins_two_wettings_leaves_none_of_the_second(make: Callable[..., Line]) -> None:
    """Rain at slots 100 and 140 is two wettings; rain at 120, heard late, makes one of them. What stood at the second
    is gone, under the station and under its channels, and everything is as if it had been heard in order."""

    def readings(slots: Iterable[int]) -> list[Reading]:
        return [
            reading(0, channel, START_MS + i * SLOT_MS + 1000, value)
            for i in slots
            for channel, value in (
                ("s1/w1/rain", 2.0 * sum(i >= k for k in (100, 120, 140))),
                ("s1/p1/moisture_0050", 0.25 + 0.02 * sum(i >= k + 2 for k in (100, 120, 140))),
                ("s1/p1/moisture_0100", 0.25 + 0.01 * sum(i >= k + 9 for k in (100, 120, 140))),
            )
        ]

    line, other = make(now_ms=START_MS + 400 * SLOT_MS), make(folder="b", now_ms=START_MS + 400 * SLOT_MS)
    first = [r for r in readings(range(400)) if r.channel != "s1/w1/rain" or not 118 <= _slot(r) < 130]
    late = [r for r in readings(range(118, 130)) if r.channel == "s1/w1/rain"]
    # what came between the two is known only once the gap is filled: until then the total tells it at slot 130
    for batch in (*batches(_numbered(first), 300), _numbered(late, len(first) + 1)):
        line.send_batch(batch)
        line.run_until_quiet()
    for batch in batches(_numbered(readings(range(400))), 300):
        other.send_batch(batch)
    other.run_until_quiet()
    for name in ("s1", "s1/p1/moisture_0050"):
        one, two = (x.stores.store.findings(name, WETTING_QUANTITIES, 0, 2**61) for x in (line, other))
        pd.testing.assert_frame_equal(one, two, check_exact=True)
        assert one["start_ms"].nunique() == 1
    assert other.stores.store.findings("s1", ["wetting_given"], 0, 2**61)["value"].tolist() == [6.0]


def test_watering_in_the_diary_is_a_wetting_of_its_amount(make: Callable[..., Line]) -> None:
    """Seven millimetres, written down before the readings come: that much was given."""
    line = make(now_ms=START_MS + 400 * SLOT_MS)
    at_ms = START_MS + 200 * SLOT_MS
    line.stores.diary.add(
        DiaryEntry("watering", "square", at_ms, {"water_mm": 7}, station="s1", end_ms=at_ms + HOUR_MS)
    )
    for batch in batches(record(390), 200):
        line.send_batch(batch)
    line.run_until_quiet()
    found = line.stores.store.findings("s1", ["wetting_given"], at_ms, at_ms + 1)
    assert found["value"].tolist() == [7.0] and found["end_ms"].tolist() == [at_ms + HOUR_MS]


def _slot(one: Reading) -> int:
    return (one.measured_at_ms - START_MS) // SLOT_MS


def _numbered(readings: list[Reading], first: int = 1) -> list[Reading]:
    return [replace(r, seq=first + k) for k, r in enumerate(readings)]
