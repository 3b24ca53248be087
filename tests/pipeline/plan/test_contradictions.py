"""The table of contradictions: each pair is seen where it is, and not where time, place or pass part it.

Expected: the rules of the trade, common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.plan.contradictions import CONTRADICTIONS, contradictions
from pipeline.plan.lines import WATERING, Line, Says
from pipeline.units import HOUR_MS, TimeSpan


def line(says: Says, start_h: float = 0.0, end_h: float = 24.0, **more: object) -> Line:
    """One line from one hour to another."""
    return Line(says, TimeSpan(round(start_h * HOUR_MS), round(end_h * HOUR_MS)), **more)  # type: ignore[arg-type]


SPIKE, SHUT, OPEN = Says.SPIKE, Says.PASS_SHUT, Says.PASS_OPEN


def night(says: Says, mm: float, start_h: float = 14.0, about: str = WATERING) -> Line:
    """Water of one station and the night that begins at an hour, booked unless it is told by the plan."""
    return line(says, start_h, start_h + 12.0, about=about, mm=mm, place="north")


# Two lines or more that do not go together, and the same parted.
PAIRS = {
    "keep water off / deep water": (
        [line(Says.NO_WATER), line(Says.WATER, 12)],
        [line(Says.NO_WATER, 0, 60), line(Says.WATER, 60, 72)],
    ),
    "two amounts of water": (
        [line(Says.WATER, mm=8.0), line(Says.WATER, mm=12.0)],
        [line(Says.WATER, mm=8.0, place="north"), line(Says.WATER, mm=12.0, place="south")],
    ),
    "no water to hand / give water": (
        [line(Says.LACKS_WATER), line(Says.SEED_WATER)],
        [line(Says.LACKS_WATER), line(Says.NO_WATER)],
    ),
    "wait for rain / water to hand": (
        [line(Says.WAIT_FOR_RAIN), line(Says.HAS_WATER)],
        [line(Says.WAIT_FOR_RAIN), line(Says.LACKS_WATER)],
    ),
    "spike first / spiking locked": (
        [line(SPIKE), line(SHUT, about="solid_tining"), line(OPEN, about="topdressing")],
        [line(SPIKE, 0, 48), line(SHUT, about="solid_tining"), line(OPEN, 24, 48, about="slitting")],
    ),
    "better not go on / work or water": (
        [line(Says.KEEP_OFF), line(OPEN, 6, 12, about="topdressing")],
        [line(Says.KEEP_OFF, 0, 6), line(OPEN, 6, 12, about="topdressing"), line(Says.WATER, 14)],
    ),
    "open / shut": (
        [line(OPEN, about="slitting"), line(SHUT, 12, about="slitting")],
        [line(OPEN, about="slitting"), line(SHUT, 12, about="scarifying")],
    ),
    "reached the roots / stopped short": (
        [line(Says.ARRIVED), line(Says.STOPPED)],
        [line(Says.ARRIVED, place="north"), line(Says.STOPPED, place="south")],
    ),
    "shut / booked without a word": (
        [line(SHUT, about="slitting"), line(Says.BOOKED, 8, 9, about="slitting")],
        [line(SHUT, about="slitting"), line(Says.BOOKED, 8, 9, about="slitting"),
         line(Says.JUDGED, 8, 9, about="slitting")],
    ),
    "go as booked / shut, no water": (
        [line(Says.NO_WATER), night(Says.GO_AHEAD, 8.0)],
        [line(Says.NO_WATER), night(Says.GO_AHEAD, 8.0, 24.0), line(Says.KEEP_OFF, place="south"),
         line(SHUT, about="slitting"), line(Says.GO_AHEAD, 8, 9, about="verticutting")],
    ),
    "water / more of it booked": (
        [night(Says.WATER, 16.0, about=""), night(Says.GO_AHEAD, 11.0), night(Says.GO_AHEAD, 11.0, 15.0)],
        [night(Says.WATER, 16.0, about=""), night(Says.GO_AHEAD, 21.0), night(Says.GO_AHEAD, 21.0),
         night(Says.GO_AHEAD, 20.0, 38.0)],
    ),
    "water / every booking of it told to wait": (
        [night(Says.WATER, 16.0, about=""), night(Says.BOOKED, 16.0), night(Says.PUT_OFF, 16.0)],
        [night(Says.WATER, 16.0, about=""), night(Says.BOOKED, 16.0), night(Says.PUT_OFF, 16.0),
         night(Says.BOOKED, 9.0, 15.0), night(Says.BOOKED, 9.0, 40.0), night(Says.PUT_OFF, 9.0, 40.0)],
    ),
    "too late / go shallower": (
        [line(SHUT, about="scarifying"), line(Says.TOO_LATE, about="scarifying"), line(Says.SHALLOWER)],
        [line(SHUT, about="scarifying"), line(OPEN, about="verticutting"), line(Says.TOO_LATE, about="scarifying"),
         line(Says.SHALLOWER)],
    ),
    "do it by / too late": (
        [line(Says.DO_BY, about="scarifying"), line(Says.TOO_LATE, about="scarifying")],
        [line(Says.DO_BY, about="verticutting"), line(Says.TOO_LATE, about="scarifying")],
    ),
    "a strip by its need / dried for play": (
        [line(Says.BY_NEED, 12, 24, place="north"), line(Says.DRIED, 12, 24, place="north")],
        [line(Says.BY_NEED, 12, 24, place="north"), line(Says.DRIED, 12, 24, place="south"),
         line(Says.TOO_NEAR, 12, 24, place="north")],
    ),
    "last water of a strip / none for play": (
        [line(Says.LAST_WATER, 12, 24, place="north"), line(Says.TOO_NEAR, 12, 24, place="north")],
        [line(Says.LAST_WATER, 12, 24, place="north"), line(Says.DRIED, 36, 48, place="north")],
    ),
    "a strip lightly / deep water": (
        [line(Says.LIGHT_ONLY, mm=4.0, place="north"), line(Says.WATER, 12, mm=12.0, place="north")],
        [line(Says.LIGHT_ONLY, mm=4.0, place="north"), line(Says.WATER, 12, mm=4.0, place="north"),
         line(Says.WATER, 12, mm=12.0, place="south")],
    ),
}  # fmt: skip


def test_every_pair_of_the_table_is_tried() -> None:
    """No pair is in the table without two mornings here, one that holds it and one that does not."""
    assert [one.name for one in CONTRADICTIONS] == list(PAIRS)


@pytest.mark.parametrize("name", PAIRS)
def test_a_pair_is_seen_and_nothing_else(name: str) -> None:
    """The morning holds its pair and no other; parted by time, place or pass it holds none."""
    together, apart = PAIRS[name]
    assert contradictions(together) == (name,)
    assert contradictions(apart) == ()


@pytest.mark.parametrize("shuts", [Says.NO_WATER, Says.LACKS_WATER, Says.KEEP_OFF])
def test_booked_water_is_shut_by_whatever_keeps_water_or_feet_off(shuts: Says) -> None:
    """Told to go, or with no word of it, it is found; a word of another station's booking is none of it."""
    (told, booked), judged = (night(s, 8.0) for s in (Says.GO_AHEAD, Says.BOOKED)), night(Says.JUDGED, 8.0)
    assert contradictions([line(shuts), told]) == ("go as booked / shut, no water",)
    assert contradictions([line(shuts), booked, replace(judged, place="south")]) == ("shut / booked without a word",)
    assert contradictions([line(shuts), booked, judged]) == ()


def test_a_shallower_cut_is_no_word_about_a_dressing() -> None:
    """What wounds nothing cannot be cut less deep, whatever else still heals."""
    lines = [line(OPEN, about="verticutting"), line(Says.SHALLOWER, about="topdressing", wounds=False)]
    assert contradictions(lines) == ("too late / go shallower",)
