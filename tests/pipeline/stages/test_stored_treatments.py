"""Passes of the diary become findings in the store, change with it, and go when they are struck out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from pipeline.diary.entry import DiaryEntry
from pipeline.stages.recompute import redo_periods, station_context
from pipeline.stages.treatments import PASS_QUANTITIES, PASSES, by_likeness, redo_passes
from pipeline.store import FINDING_COLUMNS
from pipeline.units import DAY_MS
from tests.pipeline.hand import SETTINGS, SLOT_MS, START_MS, Line, batches, reading, record

TWO = (
    SETTINGS
    + """
[[surface.station]]
name = "s2"
soil = "clay_loam"
[[surface.station.probe]]
name = "p1"
model = "thatch"
[[surface]]
name = "lawn"
kind = "lawn"
[[surface.station]]
name = "s3"
soil = "loam"
[[surface.station.probe]]
name = "p1"
model = "thatch"
"""
)
PASS_MS = START_MS + 2 * DAY_MS


def scarified(at_ms: int = PASS_MS, station: str | None = "s1", **body: object) -> DiaryEntry:
    return DiaryEntry("pass", "square", at_ms, {"pass": "scarifying", "depth_mm": 10, **body}, station)


def held(line: Line, station: str, before_h: float, after_h: float) -> None:
    """Store made-up hold times, every nine days about the pass."""
    days = np.concatenate([-5.0 - 9.0 * np.arange(6)[::-1], 2.0 + 9.0 * np.arange(6)])
    times = PASS_MS + (days * DAY_MS).astype(np.int64)
    value = np.where(days < 0.0, before_h, after_h) + 0.1 * np.arange(days.size)
    rows = [(station, "hold_time", int(t), int(t), v, v, v, 1, "", 1) for t, v in zip(times, value, strict=True)]
    line.stores.store.upsert_findings(pd.DataFrame(rows, columns=list(FINDING_COLUMNS)))


def redo(line: Line, station: str = "s1") -> pd.DataFrame:
    def context(name: str):
        return station_context(line.config, name, line.stores.diary, line.stores.store)

    redo_passes(line.stores.store, context(station), lambda: map(context, by_likeness(line.config, station)))
    table = line.stores.store.findings(station, PASS_QUANTITIES, 0, 2**61)
    return table.set_index("quantity")


def test_a_pass_is_judged_beside_the_likest_station_and_forgotten_when_struck(make: Callable[..., Line]) -> None:
    """Down by 20 h here and by 5 h at the other station of the surface: 15 h (algebra), twice the same, gone when the
    entry is struck."""
    line = make(TWO)
    held(line, "s1", 60.0, 40.0)
    held(line, "s2", 60.0, 55.0)
    held(line, "s3", 60.0, 20.0)
    entry = line.stores.diary.add(scarified(width_mm=2, spacing_mm=20))
    found = redo(line)
    change = found.loc["hold_time_change"]
    assert change["value"] == -15.0 and "beside s2" in change["reason"] and change["start_ms"] == PASS_MS
    assert np.isnan(found.loc["thatch_removed", "value"]) and "core" in found.loc["thatch_removed", "reason"]
    assert "untreated_island" not in found.index  # the profile's top lies at 40 mm or more
    pd.testing.assert_frame_equal(found, redo(line), check_exact=True)
    line.stores.diary.strike(entry.id, PASS_MS)
    assert redo(line).empty


def test_a_pass_is_judged_again_after_a_kill_when_a_station_beside_it_changed(make: Callable[..., Line]) -> None:
    """Hold times of the station beside it were stored, not yet compared, when the worker was killed: 20 h less 10 h."""
    late_ms = PASS_MS + 200 * DAY_MS
    line = make(TWO, now_ms=late_ms)
    line.stores.diary.add(scarified())
    held(line, "s1", 60.0, 40.0)
    held(line, "s2", 60.0, 55.0)
    assert redo(line).loc["hold_time_change", "value"] == -15.0
    line.send_batch([reading(1, "s2/p1/moisture", late_ms - SLOT_MS, 0.3)])
    line.run(1)
    held(line, "s2", 60.0, 50.0)
    again = make(TWO, now_ms=late_ms)  # on the same folder; the first one is never closed
    again.run_until_quiet()
    found = again.stores.store.findings("s1", ["hold_time_change"], 0, 2**61)
    assert found["value"].tolist() == [-10.0] and "beside s2" in found["reason"].iloc[0]


def test_a_finding_that_is_found_no_more_counts_as_changed(make: Callable[..., Line]) -> None:
    """Hold times without readings are removed, and their span is reported: passes compare what is left."""
    line = make(TWO)
    held(line, "s1", 60.0, 40.0)
    stored = line.stores.store.findings("s1", ["hold_time"], 0, 2**61)["start_ms"]
    context = station_context(line.config, "s1", line.stores.diary, line.stores.store)
    done = redo_periods(line.stores.store, context, int(stored.min()), int(stored.max()) + 1)
    assert line.stores.store.findings("s1", ["hold_time"], 0, 2**61).empty
    assert done.span(PASSES.reads) == (int(stored.min()), int(stored.max()) + 1)


def test_a_pass_over_a_probe_left_in_the_ground_makes_an_island(make: Callable[..., Line]) -> None:
    """The thatch probe's top lies at 2 mm: scarified at 10 mm, it was gone around. Lifted before, it was not."""
    line = make(TWO)
    line.stores.diary.add(scarified(station="s2"))
    assert "went around the" in redo(line, "s2").loc["untreated_island", "reason"]
    for kind, at_ms in (("lift", PASS_MS - 1), ("return", PASS_MS + 1)):
        line.stores.diary.add(DiaryEntry(kind, "square", at_ms, {"probe": "p1"}, "s2"))
    assert "untreated_island" not in redo(line, "s2").index


def test_the_stages_work_passes_out_by_themselves(make: Callable[..., Line]) -> None:
    """A pass in the diary has its findings once the days about it are worked out; with too few events they say so."""
    line = make(TWO, now_ms=START_MS + 6 * DAY_MS)
    line.stores.diary.add(scarified())
    for batch in batches(record(400), 200):
        line.send_batch(batch)
    line.run_until_quiet()
    found = line.stores.store.findings("s1", PASS_QUANTITIES, 0, 2**61).set_index("quantity")
    assert found.loc["hold_time_change", "start_ms"] == PASS_MS
    assert "needed" in found.loc["hold_time_change", "reason"]


def test_the_likest_station_comes_first(make: Callable[..., Line]) -> None:
    """The one of the same surface before the one of the same soil on another."""
    assert by_likeness(make(TWO).config, "s1") == ["s2", "s3"]
    assert by_likeness(make(TWO, folder="b").config, "s3") == ["s1", "s2"]
