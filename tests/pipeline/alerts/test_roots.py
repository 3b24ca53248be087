"""The rule about shallow roots over fortnights: opens, holds, closes, keeps quiet, survives a restart."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from pipeline.alerts.model import (
    AlertState,
    RootEstimate,
    StationWatch,
)
from pipeline.alerts.runner import found_in
from pipeline.alerts.water import ROOTS_SHALLOW, RootsShallowBounds, shallow_bound_m
from pipeline.diary.facts import (
    Dated,
    DiaryFacts,
)
from tests.pipeline.alerts.alert_series import BOUNDS, CHANNELS, between, look
from tests.pipeline.contexts import changed, station_context

DAY_MS = 86_400_000
FORTNIGHT_MS = 14 * DAY_MS
START_MS = 1_713_744_000_000  # 2024-04-22 00:00 UTC, a Monday
THATCH_M = 0.015
SETTLE_MS = round(ROOTS_SHALLOW.settle_h * 3_600_000)
# a core in the first fortnight: 99 mm by the ruler
CONTEXT = station_context(
    "square-1", CHANNELS, kind="outfield", cores=(Dated(0, THATCH_M),),
    root_cores=(Dated(START_MS + 3 * DAY_MS, 0.099),), latitude_deg=52.0, longitude_deg=0.0,
)  # fmt: skip
FIRST = AlertState("roots_shallow", "square-1", "", START_MS - 1)


def watch(depths_mm, *, context=CONTEXT, bounded=None, warm_degc=None) -> StationWatch:
    """Estimates below the thatch, one a fortnight; None is withheld, and one that is not bounded is "at least"."""
    n = np.arange(len(depths_mm))
    value = np.array([np.nan if d is None else d / 1000.0 + THATCH_M for d in depths_mm])
    high = np.where(True if bounded is None else bounded, value + 0.02, np.nan)
    start = START_MS + n * FORTNIGHT_MS
    table = {"quantity": "root_depth_90", "start_ms": start, "end_ms": start + FORTNIGHT_MS, "value": value}
    tables = [pd.DataFrame({**table, "high": high})]
    if warm_degc is not None:
        day = START_MS + np.arange(14 * n.size) * DAY_MS
        warm = {"quantity": "soil_temperature_050", "start_ms": day, "end_ms": day + DAY_MS, "value": warm_degc}
        tables.append(pd.DataFrame({**warm, "high": np.nan}))
    return StationWatch("club", "outfield", "Outfield, north end", context, found_in(*tables))


def run(seen: StationWatch, now_ms: int = START_MS + 400 * DAY_MS, bounds=BOUNDS, state=FIRST):
    return look("roots_shallow", state, seen, DiaryFacts(), now_ms, bounds)


def told(seen: StationWatch, **more) -> list[tuple[str, int]]:
    """Kind and number of the fortnight of each event."""
    return [(e.kind, (e.at_ms - SETTLE_MS - START_MS) // FORTNIGHT_MS - 1) for e in run(seen, **more)[1]]


# The core makes the ruler 1.1 of the estimate (99 over 90 mm): the bound of an outfield, 75 mm, is an estimate of
# 68.2 mm, and off, 90 mm by the ruler, one of 81.8 mm.
@pytest.mark.parametrize(
    ("depths_mm", "events"),
    [
        ([90, 66, 80, 69, 90], []),  # one shallow of three
        ([90, 66, 66], [("opened", 2)]),
        ([90, 66, 90, 66], [("opened", 3)]),  # two of the last three, the last of them shallow
        ([90, 66, 90, 90, 66], []),  # the first has left the three
        ([90, 66, 66, 81], [("opened", 2)]),  # deeper, but not by 15 mm
        ([90, 66, 66, 82.5], [("opened", 2), ("closed", 3)]),
        ([90, 66, 66, None, None], [("opened", 2)]),  # withheld: neither said again nor closed
        ([90, 66, None, 66], [("opened", 3)]),
        ([90, 66, 66, 66, 66, 66], [("opened", 2), ("repeated", 5)]),  # monthly: 28 days are not 30
        ([66, 66, 66, 66], []),  # the core says those are 99 mm: nothing is shallow
        ([None, None, None], []),
    ],
)
def test_opens_on_two_of_three_and_closes_fifteen_millimetres_deeper(depths_mm, events):
    """Table by hand on an outfield."""
    assert told(watch(depths_mm)) == events


def test_before_the_first_core_it_cannot_tell():
    """Without a core with a root depth nothing is said however shallow the estimates are; the words say soil depth."""
    assert told(watch([20, 20, 20, 20], context=changed(CONTEXT, root_cores=()))) == []
    late = changed(CONTEXT, root_cores=(Dated(START_MS + 4 * FORTNIGHT_MS - 1, 0.022),))
    assert told(watch([20, 20, 20, 20, 20], context=late)) == [("opened", 3)]
    far = changed(CONTEXT, root_cores=(Dated(START_MS - 29 * DAY_MS, 0.022),))
    assert told(watch([20, 20, 20], context=far)) == []
    wild = changed(CONTEXT, root_cores=(Dated(START_MS, 0.200),))  # ten times the estimate: not the same roots
    assert told(watch([20, 20, 20], context=wild)) == []


def test_the_line_says_where_what_and_what_to_do():
    """66 mm by the probes are 73 mm by the ruler (66 times 1.1)."""
    (opened,) = run(watch([90, 66, 66]))[1]
    assert opened.text.startswith("Outfield, north end: roots go only about 73 mm into the soil.")
    assert opened.since_ms == START_MS + FORTNIGHT_MS


def test_below_the_deepest_probe_is_not_shallow_and_may_close():
    """An "at least" never opens the alert; one deep enough closes it."""
    assert told(watch([90, 60, 60, 60], bounded=[True, False, False, False])) == []
    assert told(watch([90, 66, 66, 145], bounded=[True, True, True, False])) == [("opened", 2), ("closed", 3)]


def test_a_fortnight_counts_when_it_has_been_over_for_a_day():
    """A fortnight still running, or just over, is not looked at yet."""
    end_ms = START_MS + 3 * FORTNIGHT_MS
    assert told(watch([90, 66, 66]), now_ms=end_ms + SETTLE_MS - 1) == []
    assert told(watch([90, 66, 66]), now_ms=end_ms + SETTLE_MS) == [("opened", 2)]


@pytest.mark.parametrize("every_days", [1, 5, 14, 45])
def test_any_rhythm_and_restarts_give_the_same_events(every_days):
    """RuleOutcome at now and then, each time after a restart, with only what is asked for: the same events and ids."""
    seen = watch([90, 66, None, 66, 70, 66, 66, 66, 95, 60, None, 60, 60])
    state, events = FIRST, []
    last_ms = START_MS + 220 * DAY_MS
    for now_ms in [*range(START_MS, last_ms, every_days * DAY_MS), last_ms]:
        state = AlertState.from_json(json.loads(json.dumps(state.to_json())))
        state, said = run(between(seen, state.evaluated_to_ms + 1, now_ms + 1), now_ms, state=state)
        events += said
    assert events == run(seen, last_ms)[1]
    assert {e.kind for e in events} == {"opened", "closed", "repeated"}


def test_a_site_may_set_its_own_bound():
    """With `on_mm` 60 an estimate of 66 mm (73 by the ruler) is not shallow, with `off_mm` 30 it closes later."""
    own = {"roots_shallow": RootsShallowBounds(on_mm=60.0)}
    assert told(watch([90, 66, 66]), bounds=own) == []
    later = {"roots_shallow": RootsShallowBounds(off_mm=30.0)}
    assert told(watch([90, 66, 66, 85]), bounds=later) == [("opened", 2)]


def test_a_hot_late_summer_is_allowed_for_and_warm_season_turf_is_not():
    """0.7 of the bound from July to September with soil above 21 degC, half a year off in the south (by hand)."""

    def bound(month: int, degc: float | None, **more) -> float:
        at_ms = int(np.datetime64(f"2024-{month:02d}-10", "ms").astype(np.int64))
        return shallow_bound_m(
            RootEstimate(at_ms, at_ms + FORTNIGHT_MS, 0.05, False, degc), changed(CONTEXT, **more), 0.0
        )

    assert bound(8, 23.0) == pytest.approx(0.0525)
    assert bound(8, 19.0) == bound(8, None) == bound(5, 23.0) == 0.075
    assert bound(2, 23.0, latitude_deg=-35.0) == pytest.approx(0.0525)
    assert bound(8, 23.0, grass="warm") == 0.100
    assert bound(5, 15.0, grass="annual_meadow_grass") == 0.040
    # shallow in May; said again in the first fortnight of July, unless the soil is hot: 66 mm are above 52.5
    assert told(watch([90, 60, 60, 60, 60, 60], warm_degc=19.0)) == [("opened", 2), ("repeated", 5)]
    assert told(watch([90, 60, 60, 60, 60, 60], warm_degc=23.0)) == [("opened", 2)]
