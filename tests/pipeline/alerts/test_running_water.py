"""Water left running: told within the hour where the simulated column says so, and never where the water has stopped.

Expected values: when the supply of the simulator's column ends is its own truth (Richards' equation, no sum of ours);
the rest is counted by hand on quarter hours.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pipeline.alerts.model import (
    AlertEvent,
)
from pipeline.alerts.runner import first_states, walk_station
from pipeline.diary.facts import (
    AlertMark,
    DiaryFacts,
)
from pipeline.soil.wetting import Watering
from simulator import kernels
from simulator.column import Layer, TopBoundary, advance, start, theta
from simulator.ground import TurfProfile, column_of
from simulator.materials import MATERIALS
from tests.pipeline.alerts.alert_series import (
    CONTEXT,
    SLOT_MS,
    START_MS,
    H,
    dry_gauge,
    findings,
    look,
    watch_of,
)

BEFORE, PLANNED = 4, 4  # quarter hours before the watering, and of it as the diary has it
END = BEFORE + PLANNED
END_MS = START_MS + END * SLOT_MS
DIARY = DiaryFacts(waterings=(Watering(START_MS + BEFORE * SLOT_MS, END_MS),))
THATCH_M, ROOT_ZONE_M = 0.014, 0.2


def events(
    thatch: np.ndarray, roots: np.ndarray, *, rain=None, diary: DiaryFacts = DIARY, gauge=None
) -> list[AlertEvent]:
    """What the rule says of a record, asked after every quarter hour; asked once it must say the same."""
    gauge = dry_gauge(len(thatch), rain) if gauge is None else gauge
    watch = watch_of(findings(thatch=thatch, roots=roots), gauge)
    key = "square-1/water_running"
    state, said = first_states(watch.context, START_MS)[key], []
    for slot in range(1, len(thatch) + 1):
        state, more = look("water_running", state, watch, diary, START_MS + (slot + 1) * SLOT_MS)
        said += more
    once = first_states(watch.context, START_MS)[key]
    assert look("water_running", once, watch, diary, START_MS + (len(thatch) + 1) * SLOT_MS)[1] == said
    return said


def slots_after_end(said: list[AlertEvent]) -> list[float]:
    return [(e.at_ms - END_MS) / SLOT_MS for e in said]


# --- against the simulated column --------------------------------------------------------------------------------


@cache
def column_record(soil: str, head_m: float, rate_mm_h: float, slots: int, total: int) -> tuple[np.ndarray, np.ndarray]:
    """Relative wetness of thatch and root zone, quarter hour by quarter hour, over a supply of `slots` of them."""
    place = TurfProfile(MATERIALS["thatch_decayed"], (Layer(MATERIALS[soil], 0.4),), THATCH_M)
    column = column_of(place)
    dry, drained = (theta(column, start(column, head)) for head in (-153.0, -1.02))
    in_thatch = column.depth_m <= THATCH_M
    in_roots = (column.depth_m > THATCH_M) & (column.depth_m <= THATCH_M + ROOT_ZONE_M)
    state, rows = start(column, head_m), []
    kernels.compile_loops()
    for slot in range(total):
        wet = (theta(column, state) - dry) / (drained - dry)  # as it is when the quarter hour begins
        rows.append([np.median(wet[in_thatch]), np.trapezoid(wet[in_roots], column.depth_m[in_roots]) / ROOT_ZONE_M])
        running = BEFORE <= slot < BEFORE + slots
        supply = TopBoundary(supply_m_s=rate_mm_h / 3.6e6 if running else 0.0)
        state, _ = advance(column, state, supply, SLOT_MS / 1000.0)
    thatch, roots = np.array(rows).T
    return thatch, roots


GROUNDS = [
    (soil, head_m, rate)
    for soil in ("loam", "clay_loam", "sand_root_zone")
    for head_m, rate in ((-3.0, 10.0), (-30.0, 10.0), (-10.0, 6.0))
]


@pytest.mark.parametrize(("soil", "head_m", "rate"), GROUNDS)
def test_water_that_runs_on_is_told_an_hour_after_its_end(soil: str, head_m: float, rate: float) -> None:
    """Three hours of supply where one was planned: opened at the first look an hour after, closed when it drains."""
    thatch, roots = column_record(soil, head_m, rate, 3 * PLANNED, BEFORE + 3 * PLANNED + 8)
    said = events(thatch, roots)
    assert [e.kind for e in said] == ["opened", "repeated", "closed"]
    # the supply ends 8 quarter hours after the planned end; the thatch has drained one or two after that
    assert slots_after_end(said)[:2] == [4, 8] and 8 <= slots_after_end(said)[2] <= 10
    assert said[0].since_ms == END_MS


@pytest.mark.parametrize(("soil", "head_m", "rate"), GROUNDS)
def test_water_that_stops_in_time_is_not_told(soil: str, head_m: float, rate: float) -> None:
    """The roots go on gaining from the thatch for hours after the end: no alert, also where it ended a quarter late."""
    for slots in (PLANNED, PLANNED + 1):
        thatch, roots = column_record(soil, head_m, rate, slots, BEFORE + 3 * PLANNED + 8)
        assert events(thatch, roots) == []


# --- by hand -----------------------------------------------------------------------------------------------------


def running(total: int = END + 6 * H) -> tuple[np.ndarray, np.ndarray]:
    """Thatch that stays wet and a root zone that gains 0.02 a quarter hour, from the begin of the watering on."""
    slot = np.arange(total)
    return np.where(slot < BEFORE, 0.6, 1.3), 0.4 + 0.02 * np.clip(slot - BEFORE, 0, None)


def test_it_is_said_again_each_hour_by_day_and_night_in_plain_words() -> None:
    """Six hours of it: opened after one, five times more; the words have the hour of the end."""
    said = events(*running())
    assert [e.kind for e in said] == ["opened", *["repeated"] * 4]
    assert slots_after_end(said) == [4, 8, 12, 16, 20]
    assert said[0].text == (
        "Square, north end: water still goes in 1 hour after the watering should have ended at 02:00. "
        "Look whether it was left running."
    )
    assert "3 hours after" in said[2].text and "mark this as seen" in said[2].text


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"diary": DiaryFacts()}, "nobody wrote a watering down"),
        (
            {"diary": DiaryFacts((Watering(DIARY.waterings[0].start_ms, DIARY.waterings[0].start_ms),))},
            "nobody wrote down its end",
        ),
        (
            {"diary": DiaryFacts((*DIARY.waterings, Watering(END_MS + 1, END_MS + 1)))},
            "another has begun, its end is not written",
        ),
        ({"rain": {END + 2: 0.5}}, "it rained"),
        ({"gauge_away": True}, "nobody knows whether it rained"),
        ({"roots": 0.01}, "the roots gain too little"),
        ({"gap": (END - 1, END + 3)}, "nothing is known of the end"),
        ({"thatch": np.nan}, "no thatch is heard"),
        ({"next": END + 2}, "the next watering has begun"),
    ],
    ids=lambda v: v.replace(" ", "-") if isinstance(v, str) else "",
)
def test_it_keeps_quiet(change: dict, why: str) -> None:
    """Each of the conditions, when it fails, keeps the rule from opening (table by hand)."""
    thatch, roots = running()
    if "roots" in change:
        roots = 0.4 + change["roots"] * np.minimum(np.arange(len(roots)) / len(roots), 1.0)
    if "gap" in change:
        thatch[slice(*change["gap"])] = roots[slice(*change["gap"])] = np.nan
    if "thatch" in change:
        thatch[:] = np.nan
    diary = change.get("diary", DIARY)
    if "next" in change:
        began = START_MS + change["next"] * SLOT_MS
        diary = DiaryFacts(waterings=(*DIARY.waterings, Watering(began, began + 40 * SLOT_MS)))
    gauge = dry_gauge(END) if "gauge_away" in change else None
    assert events(thatch, roots, rain=change.get("rain"), diary=diary, gauge=gauge) == [], why


def test_an_open_alert_holds_through_missing_data_and_closes_when_it_drains() -> None:
    """Findings withheld for two hours neither close nor repeat it; thatch lower by the bound closes it."""
    thatch, roots = running()
    thatch[END + 6 : END + 14] = np.nan
    thatch[END + 14 :] = 1.3 - 0.08
    said = events(thatch, roots)
    assert [e.kind for e in said] == ["opened", "closed"]
    assert slots_after_end(said) == [4, 14]


def test_an_end_that_is_written_anew_closes_it() -> None:
    """The watering was meant to last longer: struck and written anew, the alert is closed and not opened again."""
    thatch, roots = running()
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch)))
    state = first_states(CONTEXT, START_MS)["square-1/water_running"]
    state, said = look("water_running", state, watch, DIARY, START_MS + (END + 6) * SLOT_MS)
    assert [e.kind for e in said] == ["opened"]
    longer = DiaryFacts(waterings=(Watering(START_MS + BEFORE * SLOT_MS, START_MS + 90 * SLOT_MS),))
    state, said = look("water_running", state, watch, longer, START_MS + (len(thatch) + 1) * SLOT_MS)
    assert [e.kind for e in said] == ["closed"] and not state.is_open
    assert "another end" in said[0].text


def test_it_survives_a_restart_at_every_quarter_hour() -> None:
    """The state to JSON and back after each look: the same is said."""
    thatch, roots = running()
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch)))
    state, said = first_states(CONTEXT, START_MS)["square-1/water_running"], []
    for slot in range(1, len(thatch) + 1):
        state, more = look("water_running", state, watch, DIARY, START_MS + (slot + 1) * SLOT_MS)
        state = type(state).from_json(state.to_json())
        said += more
    assert said == events(thatch, roots)


def test_marked_as_seen_it_is_not_said_again() -> None:
    """Through the one call that runs all rules, a mark keeps the repeats back (see `saying.heed`)."""
    thatch, roots = running()
    watch = watch_of(findings(thatch=thatch, roots=roots), dry_gauge(len(thatch)))
    opened = events(thatch, roots)[0]
    marks = {opened.alert_id: (AlertMark("seen", opened.at_ms + 1),)}
    state = first_states(CONTEXT, START_MS)["square-1/water_running"]
    diary = DiaryFacts(waterings=DIARY.waterings, marks=marks)
    _, said = walk_station({state.key: state}, watch, diary, START_MS + (len(thatch) + 1) * SLOT_MS, {})
    assert said == [opened]
