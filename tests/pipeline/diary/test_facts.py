"""What the diary says, as facts of a station, and how the stages take it: depths, dressings, lifts, islands.

Expected depths and millimetres are by hand from the probe descriptions and the trapezoid rule.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import Lifted, changes_the_past, read_diary
from pipeline.diary.station import ChannelLimits, StationContext
from pipeline.soil.layers import Place
from pipeline.stages.field_limits import limits_found
from pipeline.stages.recompute import process, recompute, station_context
from pipeline.stages.roots import ROOTS
from pipeline.stages.stage import find, findings_table, series_of
from pipeline.units import DAY_MS, FOREVER_MS, Flag
from tests.pipeline import turf_days
from tests.pipeline.contexts import changed
from tests.pipeline.hand import SETTINGS, START_MS, Line, batches, record
from tests.pipeline.storms import CONTEXT, SLOT_MS, SOIL, raw, storm
from tests.pipeline.storms import START_MS as STORM_MS

TURF = SETTINGS.replace('model = "deep_soil_profile"', 'model = "root_zone_profile"').replace(
    'name = "w1"\nmodel = "weather"', 'name = "t1"\nmodel = "thatch"'
)
TOP = "s1/t1/moisture"
OUT_MS, BACK_MS = STORM_MS + 480 * SLOT_MS, STORM_MS + 500 * SLOT_MS
THATCH = "green-1/t1/moisture"
MOVED = changed(CONTEXT, lifted=(Lifted("green-1/t1", OUT_MS, BACK_MS),))


def context_of(line: Line, *entries: DiaryEntry) -> StationContext:
    for entry in entries:
        line.stores.diary.add(entry)
    return station_context(line.config, "s1", line.stores.diary)


def said(kind: str, day: int, body: dict[str, object] | None = None, station: str | None = "s1") -> DiaryEntry:
    return DiaryEntry(kind, "square", START_MS + day * DAY_MS, body or {}, station)


def test_dressings_bury_and_a_depth_measured_anew_begins_again(make: Callable[..., Line]) -> None:
    """8 mm, 3 mm of dressing on the surface, 2 mm on the station: 11, 13 mm; found at 10 mm, 4 mm more: 10, 14 mm."""
    context = context_of(
        make(TURF),
        said("dressing", 1, {"dressing_mm": 3}, station=None),
        said("dressing", 2, {"dressing_mm": 2}),
        said("depth", 3, {"channel": TOP, "depth_mm": 10}),
        said("dressing", 4, {"dressing_mm": 4}),
    )
    depths = [round(context.depth_m(TOP, START_MS + day * DAY_MS) * 1000, 6) for day in range(5)]
    assert depths == [8.0, 11.0, 13.0, 10.0, 14.0]
    assert round(context.depth_m("s1/p1/moisture_035", START_MS + 4 * DAY_MS) * 1000, 6) == 44.0
    assert context.changes_ms().tolist() == [START_MS + day * DAY_MS for day in (1, 2, 3, 4)]


def test_a_channel_pressed_out_of_the_thatch_is_mixed(make: Callable[..., Line]) -> None:
    """12 mm of sensing height at 8 mm in 20 mm of thatch; a core of 10 mm, thinner than that; dressed deep, soil."""
    context = context_of(
        make(TURF),
        said("core", 0, {"thatch_mm": 20}),
        said("core", 1, {"thatch_mm": 10}),
        said("dressing", 2, {"dressing_mm": 9}),
    )
    places = [context.place(TOP, START_MS + day * DAY_MS) for day in range(3)]
    assert places == [Place.THATCH, Place.MIXED, Place.SOIL]


def test_dressing_in_the_diary_moves_the_sums_from_its_day_on(make: Callable[..., Line]) -> None:
    """Sensors at 50 and 100 mm in 70 mm of root zone: the lower one stands for 20^2 / 100 = 4 mm of it; 15 mm of
    dressing put them at 65 and 115 mm, and it stands for 5^2 / 100 = .25 mm (trapezoids, by hand)."""
    settings = SETTINGS.replace('soil = "loam"', 'soil = "loam"\nroot_zone_mm = 70')
    line = make(settings, now_ms=START_MS + 100 * SLOT_MS)
    for batch in batches(record(96), 90):
        line.send_batch(batch)
    line.run_until_quiet()
    line.stores.diary.add(DiaryEntry("dressing", "square", START_MS + 48 * SLOT_MS, {"dressing_mm": 15}))
    recompute(line.stores.store, station_context(line.config, "s1", line.stores.diary))
    water = line.stores.store.findings("s1", ["root_zone_water"], 0, 2**61)["value"].to_numpy()
    upper, lower = (
        line.stores.store.observations([f"s1/p1/moisture_{d}"], 0, 2**61)["value"].to_numpy() for d in ("0050", "0100")
    )
    np.testing.assert_allclose(water[:48], 66.0 * upper[:48] + 4.0 * lower[:48], rtol=1e-6)
    np.testing.assert_allclose(water[48:], 69.75 * upper[48:] + 0.25 * lower[48:], rtol=1e-6)


def test_lifts_and_returns_pair_up() -> None:
    """A second lift says nothing new, a return alone is a moment, the last is still out; another station counts not."""
    entries = [
        said("lift", 1, {"probe": "t1"}),
        said("lift", 2, {"probe": "t1"}),
        said("return", 3, {"probe": "t1"}),
        said("return", 5, {"probe": "p1"}),
        said("lift", 6, {"probe": "p1"}),
        said("lift", 6, {"probe": "t1"}, station="s2"),
    ]
    day = [START_MS + n * DAY_MS for n in range(7)]
    expected = (
        Lifted("s1/t1", day[1], day[3]), Lifted("s1/p1", day[5], day[5]), Lifted("s1/p1", day[6], FOREVER_MS),
    )  # fmt: skip
    assert read_diary(entries, "square", {}, station="s1").lifted == expected


def test_a_lifted_probe_fails_and_then_settles_for_a_fortnight() -> None:
    """Out: fail; back: suspect for 14 days of 96 slots; before and after as ever. No other probe is touched."""
    seen = process(series_of(raw(storm(20 * 96))), MOVED).observations
    flags = seen[seen["channel"] == THATCH]["flag"].to_numpy()
    assert set(flags[480:500]) == {Flag.FAIL} and set(flags[500 : 500 + 14 * 96]) == {Flag.SUSPECT}
    assert flags[479] == Flag.GOOD and flags[500 + 14 * 96] == Flag.GOOD
    still = process(series_of(raw(storm(20 * 96))), CONTEXT).observations
    for channel in SOIL:
        ours, theirs = (table[table["channel"] == channel]["flag"].to_numpy() for table in (seen, still))
        assert ours.tolist() == theirs.tolist()


def test_layers_say_why_they_are_withheld_after_a_return() -> None:
    """Thatch is withheld with the probe's move as its reason, the root zone is told as ever."""
    findings = process(series_of(raw(storm())), MOVED).findings.set_index("quantity")
    thatch = findings.loc["thatch_water"]
    assert np.isnan(thatch["value"].to_numpy()[485:]).all()
    assert thatch["reason"].iloc[490].endswith("t1 was lifted on 6 March 2024")
    assert (
        thatch["reason"].iloc[600].endswith("t1 was put back on 6 March 2024: the ground about it settles for 14 days")
    )
    assert thatch["reason"].iloc[100] == ""
    assert (findings.loc["root_zone_water", "reason"].iloc[480:] == "").all()


def test_limits_begin_anew_when_a_probe_is_put_back() -> None:
    """What was learned before the return no longer holds after it, and learning looks at what came after it settled."""
    learned = {THATCH: (ChannelLimits(STORM_MS, 0.2, 0.4, (0.19, 0.21), (0.39, 0.41)),)}
    context = changed(MOVED, learned=learned)
    assert context.learned_at(THATCH, OUT_MS - 1) is not None and context.learned_at(THATCH, BACK_MS) is None
    later = ChannelLimits(BACK_MS + 20 * DAY_MS, 0.21, 0.42, (0.2, 0.22), (0.4, 0.44))
    both = changed(context, learned={THATCH: (*learned[THATCH], later)})
    assert both.learned_at(THATCH, BACK_MS + 19 * DAY_MS) is None
    assert both.learned_at(THATCH, BACK_MS + 20 * DAY_MS) is later
    done = process(series_of(raw(storm(25 * 96))), CONTEXT)
    at_ms = STORM_MS + 25 * DAY_MS
    history = done.record
    before, after = (
        findings_table(limits_found(history, c, at_ms), c.station).set_index(["station", "quantity"])
        for c in (CONTEXT, MOVED)
    )
    assert after.loc[(THATCH, "dry_limit"), "n"] < before.loc[(THATCH, "dry_limit"), "n"]
    assert after.loc[(SOIL[0], "dry_limit")].equals(before.loc[(SOIL[0], "dry_limit")])


def test_a_fortnight_without_a_settled_probe_says_so() -> None:
    """The profile was put back on the Sunday before: the rooting depth is withheld, with that as its first word."""
    moved = changed(turf_days.CONTEXT, lifted=(Lifted("s1/p1", turf_days.MONDAY_MS - DAY_MS, turf_days.MONDAY_MS),))
    time_ms, table = turf_days.values(0.08, 14.0)
    for name in table:
        if "/p1/moisture" in name:
            table[name] = np.full(time_ms.size, np.nan)  # as the quality stage would leave it
    found = find((ROOTS,), turf_days.record(time_ms, table), moved, turf_days.MONDAY_MS, turf_days.MONDAY_MS + 1)
    depth = next(one for one in found if one.quantity == "root_depth_90")
    assert np.isnan(depth.value)
    assert depth.reason.startswith("p1 was lifted on 16 June 2024; only 0 of 3 dry days needed")


@pytest.mark.parametrize(
    ("kind", "body", "past"),
    [
        ("pass", {"pass": "scarifying", "state": "done"}, True),
        ("pass", {"pass": "scarifying"}, True),
        ("pass", {"pass": "scarifying", "state": "booked"}, False),
        ("dressing", {"dressing_mm": 3}, True),
        ("fixture", {}, False),
        ("note", {"text": "dew"}, False),
    ],
)
def test_what_changes_the_past(kind: str, body: dict[str, object], past: bool) -> None:
    """Deeds do, plans and notes do not."""
    assert changes_the_past(said(kind, 0, body)) is past
