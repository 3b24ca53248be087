"""Water that does not arrive, thatch about to shed it, ground too wet for work: hand-made series, counted by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from pipeline.advice.phrases import spoken, weekday_mark
from pipeline.alerts.model import (
    AlertEvent,
    AlertState,
    StationWatch,
)
from pipeline.alerts.runner import first_states, walk_station
from pipeline.alerts.surface import StayOffBounds
from pipeline.alerts.water import ThatchToRepelBounds, WaterNotArrivingBounds
from pipeline.diary.facts import (
    AlertMark,
    DatedPass,
    DiaryFacts,
)
from pipeline.soil.wetting import Watering
from pipeline.units import Flag
from tests.pipeline.alerts.alert_series import (
    BOUNDS,
    CONTEXT,
    LEAF,
    SLOT_MS,
    START_MS,
    H,
    dry_gauge,
    findings,
    heard,
    look,
    run,
    slot_of,
    watch_of,
)
from tests.pipeline.contexts import changed

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
LONDON = ZoneInfo("Europe/London")  # UTC+1 in May: 2024-05-01 begins an hour before the series
FIRST_MS = START_MS - DAY_MS


# --- water not arriving ------------------------------------------------------------------------------------------


def wettings(
    *rows: tuple[float, float | None, float], roots: float | None = 0.6, start_ms: int = START_MS
) -> pd.DataFrame:
    """Findings of wettings: millimetres given, share that arrived (None: withheld), day it begins; two hours each."""
    tables = []
    for given, share, day in rows:
        begin = start_ms + round(day * DAY_MS)
        end = begin + 2 * HOUR_MS
        tables.append({"quantity": "wetting_given", "start_ms": begin, "end_ms": end, "value": given, "high": given})
        value = np.nan if share is None else share
        tables.append({"quantity": "arrival_share", "start_ms": begin, "end_ms": end, "value": value, "high": value})
        if roots is not None:
            before = begin - SLOT_MS
            tables.append({"quantity": "root_zone_wetness", "start_ms": before, "end_ms": before, "value": roots,
                           "high": roots})  # fmt: skip
    return pd.DataFrame(tables)


def arrivals(
    *rows: tuple[float, float | None, float], days: float = 40.0, roots: float | None = 0.6, bounds=BOUNDS, **more
) -> list[tuple[str, float]]:
    """Kind, and days after the first midnight, of what is said of a row of wettings."""
    start_ms = more.pop("start_ms", START_MS)
    diary, zone, context = more.pop("diary", DiaryFacts()), more.pop("zone", None), more.pop("context", CONTEXT)
    watch = watch_of(wettings(*rows, roots=roots, start_ms=start_ms), zone=zone, context=context)
    state = AlertState("water_not_arriving", "square-1", "", start_ms - 1)
    _, said = look("water_not_arriving", state, watch, diary, start_ms + round(days * DAY_MS), bounds)
    return [(e.kind, round((e.at_ms - start_ms) / DAY_MS, 3)) for e in said]


def test_chance_that_it_failed_is_told_with_it():
    """Water of which a tenth arrived, sure to .86: nine in ten are told beside the amount; 1 is nine too."""
    for chance, words in ((0.86, "9 in 10"), (1.0, "9 in 10"), (0.71, "7 in 10")):
        table = wettings((6.0, 0.1, 0))
        begin = table[table["quantity"] == "arrival_share"].assign(quantity="arrival_failed_chance", value=chance)
        state = AlertState("water_not_arriving", "square-1", "", START_MS - 1)
        watch = watch_of(pd.concat([table, begin], ignore_index=True))
        (opened,) = look("water_not_arriving", state, watch, DiaryFacts(), START_MS + 30 * DAY_MS)[1]
        assert f"The chance that it truly did is {words}." in opened.text


TOLD = round(27 / 24, 3)  # two hours of water, then a day and an hour until the account is struck


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([(6.0, 0.1, 0)], [("opened", TOLD)]),
        ([(5.0, 0.1, 0)], []),  # not more than 5 mm
        ([(5.1, 0.19, 0)], [("opened", TOLD)]),
        ([(6.0, 0.2, 0)], []),  # not less than a fifth
        ([(6.0, None, 0)], []),  # withheld
        ([(np.nan, 0.1, 0)], []),  # nobody wrote how much
        ([(6.0, 0.1, 0), (8.0, 0.05, 5)], [("opened", TOLD), ("repeated", 5 + TOLD)]),  # each event is news
        ([(6.0, 0.1, 0), (8.0, 0.51, 5)], [("opened", TOLD), ("closed", 5 + TOLD)]),
        ([(6.0, 0.1, 0), (8.0, 0.5, 5)], [("opened", TOLD)]),  # not more than half
        ([(6.0, 0.1, 0), (4.0, 0.9, 5)], [("opened", TOLD)]),  # a shower proves nothing
        ([(6.0, 0.1, 0), (8.0, None, 5)], [("opened", TOLD)]),
        ([(8.0, 0.6, 0), (8.0, 0.1, 5), (8.0, 0.6, 9), (8.0, 0.1, 12)],
         [("opened", 5 + TOLD), ("closed", 9 + TOLD), ("opened", 12 + TOLD)]),
    ],
)  # fmt: skip
def test_water_that_does_not_arrive_is_told_wetting_by_wetting(rows, told):
    """More than 5 mm, less than 20 % arrived; closed by the next of more than 50 % (table by hand)."""
    assert arrivals(*rows) == [(kind, round(day, 3)) for kind, day in told]


def test_a_full_root_zone_had_no_room_for_the_water():
    """Roots at 0.9 before the water: nothing is wrong with the thatch. Not known, the share alone is judged."""
    assert arrivals((8.0, 0.05, 0), roots=0.9) == []
    assert arrivals((8.0, 0.05, 0), roots=0.89) == [("opened", TOLD)]
    assert arrivals((8.0, 0.05, 0), roots=None) == [("opened", TOLD)]


def test_a_wetting_is_judged_a_day_after_its_end_and_by_day():
    """Not a minute before; what would be told at 3:00 waits for 6:00 of the site's clock (5:00 UTC in May)."""
    assert arrivals((8.0, 0.05, 0), days=27 / 24 - 1e-5) == []
    assert arrivals((8.0, 0.05, 0), days=27 / 24) == [("opened", TOLD)]
    assert arrivals((8.0, 0.05, 0), zone=LONDON) == [("opened", round(1 + 5 / 24, 3))]
    assert arrivals((8.0, 0.05, 0), zone=LONDON, days=1 + 4.9 / 24) == []


def test_water_is_told_of_in_growth_and_when_somebody_can_act():
    """Not in January (in the south not in July), not on a match day, not on a square dried for play."""
    january_ms = 1_704_067_200_000  # 2024-01-01
    assert arrivals((8.0, 0.05, 0), start_ms=january_ms) == []
    south = changed(CONTEXT, latitude_deg=-38.0)
    assert arrivals((8.0, 0.05, 0), start_ms=january_ms, context=south) == [("opened", TOLD)]
    told_ms = START_MS + 27 * HOUR_MS
    match = DiaryFacts(plays=((told_ms + HOUR_MS, told_ms + 4 * HOUR_MS),))
    assert arrivals((8.0, 0.05, 0), diary=match) == []
    soon = DiaryFacts(plays=((told_ms + 4 * DAY_MS, told_ms + 4 * DAY_MS + HOUR_MS),))
    assert arrivals((8.0, 0.05, 0), diary=soon) == [("opened", TOLD)]
    assert arrivals((8.0, 0.05, 0), diary=soon, context=changed(CONTEXT, kind="square")) == []


def test_bounds_of_the_site_hold_for_arrivals():
    """A site that asks for 10 mm hears nothing of 8."""
    own = {"water_not_arriving": WaterNotArrivingBounds(on_mm=10.0)}
    assert arrivals((8.0, 0.05, 0), bounds=own) == []
    assert arrivals((12.0, 0.05, 0), bounds=own) == [("opened", TOLD)]


def test_the_line_says_how_much_stopped_and_what_to_do():
    """6 mm of which a tenth arrived is under 1 mm; 12 mm of which a sixth did is about 2 (by hand). 1 May 2024 was a
    Wednesday."""
    watch = watch_of(wettings((6.0, 0.1, 0), (12.0, 1 / 6, 5)))
    state = AlertState("water_not_arriving", "square-1", "", START_MS - 1)
    first, second = look("water_not_arriving", state, watch, DiaryFacts(), START_MS + 30 * DAY_MS)[1]
    assert first.text == (
        "Square, north end: 6 mm on Wednesday stopped short of the roots; under 1 mm got there. "
        "Water long once, or spike first."
    )
    assert "again 12 mm on Monday" in second.text and "about 2 mm" in second.text
    assert first.alert_id == second.alert_id and first.since_ms == START_MS


def test_the_day_of_a_wetting_has_its_date_once_it_is_a_week_ago():
    """An alert of 6 mm on Wednesday 1 May that still stands three weeks on is not about last Wednesday."""
    state = AlertState("water_not_arriving", "square-1", "", START_MS - 1)
    watch = watch_of(wettings((6.0, 0.1, 0)))
    (opened,) = look("water_not_arriving", state, watch, DiaryFacts(), START_MS + 30 * DAY_MS)[1]
    for days, day in ((6, "Wednesday"), (7, "Wednesday 1 May"), (21, "Wednesday 1 May")):
        said = spoken(opened.words, START_MS + days * DAY_MS, UTC)
        assert said.startswith(f"Square, north end: 6 mm on {day} stopped short of the roots")


def test_arrivals_survive_a_restart_after_each_wetting():
    """RuleOutcome at day by day through JSON, with what is known by then, the same is said with the same ids."""
    table = wettings((6.0, 0.1, 0), (8.0, 0.05, 3), (8.0, 0.7, 6), (9.0, 0.1, 8))
    first = AlertState("water_not_arriving", "square-1", "", START_MS - 1)
    once = look("water_not_arriving", first, watch_of(table), DiaryFacts(), START_MS + 20 * DAY_MS)[1]
    state, events = first, []
    for hour in range(0, 20 * 24, 7):
        now_ms = START_MS + hour * HOUR_MS
        state = AlertState.from_json(json.loads(json.dumps(state.to_json())))
        state, said = look(
            "water_not_arriving", state, watch_of(table[table["end_ms"] <= now_ms]), DiaryFacts(), now_ms
        )
        events += said
    assert events == once and [e.kind for e in once] == ["opened", "repeated", "closed", "opened"]


# --- thatch about to repel ---------------------------------------------------------------------------------------


def drying(days: float = 6.0, *, end: float = 0.10, flat: bool = False) -> np.ndarray:
    """Thatch that falls in a straight line from 0.30 to `end`, or stands at it."""
    n = round(days * 24 * H)
    return np.full(n, end) if flat else np.linspace(0.30, end, n)


def below(series: np.ndarray, bound: float) -> int:
    return int(np.flatnonzero(series < bound)[0])


def repels(thatch: np.ndarray, rain: dict[int, float] | None = None, **more) -> list[AlertEvent]:
    gauge = more.pop("gauge", dry_gauge(len(thatch), rain))
    context = more.pop("context", CONTEXT)
    watch = watch_of(findings(thatch=thatch), gauge, context=context, zone=more.pop("zone", None))
    return run("thatch_to_repel", watch, len(thatch), **more)


def test_thatch_that_dries_without_water_opens_at_its_bound():
    """From 0.30 to 0.10 in six days: below 0.15 after 4.5, the first slot of which is told (straight line)."""
    (opened,) = repels(drying())
    assert slot_of(opened) == below(drying(), 0.15) == pytest.approx(0.75 * 6 * 24 * H, abs=1)
    assert "nearly dry after 4 days without water" in opened.text  # 4.5 days, rounded to even


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"thatch": drying(1.8)}, "not yet two days without water"),
        ({"thatch": drying(flat=True)}, "it does not fall: it has long been so"),
        ({"thatch": drying(end=0.15)}, "never below the bound"),
        ({"rain": {390: 2.0}}, "rain two days before its bound, and none after"),
        ({"watered": 390}, "somebody watered"),
        ({"nan": True}, "not known"),
        ({"away": True}, "nobody knows whether it rained"),
        ({"month": 10}, "October: the season is April to September"),
        ({"drying": True}, "a square that is dried for Saturday"),
        ({"covered": True}, "covers are on"),
    ],
)
def test_thatch_to_repel_keeps_quiet(change, why):
    """Each of the conditions, when it fails, keeps the rule from opening within six days (table by hand)."""
    thatch = change.get("thatch", drying())
    if "rain" in change or "watered" in change:
        thatch = thatch[: 390 + 48 * H - 2]
    thatch = np.full(len(thatch), np.nan) if "nan" in change else thatch
    gauge = dry_gauge(len(thatch), change.get("rain"))
    if "away" in change:
        gauge.loc[20:, ["value", "flag"]] = [np.nan, Flag.MISSING]
    begin = START_MS + change.get("watered", -9999) * SLOT_MS
    end_ms = START_MS + len(thatch) * SLOT_MS
    diary = DiaryFacts(
        waterings=(Watering(begin, begin + 1),),
        plays=((end_ms + DAY_MS // 2, end_ms + DAY_MS),) if "drying" in change else (),
        covers=((START_MS, 2**62),) if "covered" in change else (),
    )
    context = changed(CONTEXT, kind="square") if "drying" in change else CONTEXT
    bounds = BOUNDS
    if "month" in change:  # the record is of May: October in its place is May left out
        bounds = {"thatch_to_repel": ThatchToRepelBounds(months=(10,))}
    assert repels(thatch, gauge=gauge, diary=diary, context=context, bounds=bounds) == [], why


def test_thatch_that_takes_up_water_closes_it_and_between_the_bounds_nothing_changes():
    """0.25 leaves it open, above 0.30 closes it (hysteresis); a gap neither way."""
    dry = drying()
    up = np.concatenate([dry, np.full(8, np.nan), np.full(20, 0.25), np.full(20, 0.31)])
    rain = {len(dry) + 8: 4.0}
    opened, closed = repels(up, rain)
    assert (closed.kind, slot_of(closed)) == ("closed", len(dry) + 8 + 20)
    assert opened.alert_id == closed.alert_id
    assert [e.kind for e in repels(up[:-20], rain)] == ["opened"]


def shown(rule: str, watch: StationWatch, slots: int, diary: DiaryFacts, looks: int, *, at_ms: int) -> str:
    """What a page says at a time of the alert of a rule, its record looked at so many times, each after a restart."""
    states = {k: s for k, s in first_states(watch.context, START_MS).items() if s.rule == rule}
    for turn in range(1, looks + 1):
        now_ms = START_MS + (slots + 14) * SLOT_MS * turn // looks
        states = {k: AlertState.from_json(json.loads(json.dumps(s.to_json()))) for k, s in states.items()}
        states, _ = walk_station(states, watch, diary, now_ms, BOUNDS)
    (state,) = states.values()
    return spoken(state.text, at_ms, watch.zone)


def on_day(day: float) -> int:
    return round(day * 24 * H)


@pytest.mark.parametrize("looks", [1, 61])
@pytest.mark.parametrize(
    ("rain", "more", "days"),
    [
        ({}, {}, 24),
        ({8: 0.4, 9: 0.4, 10: 0.4}, {}, 24),  # traces of three days are no water
        ({8: 3.0}, {}, 16),  # a real rain that the thatch sheds: nothing rises, and yet it is water
        ({8: 3.0, 11: 0.9}, {}, 16),
        ({8: 0.6, 8 + 6 / 24: 0.6}, {}, 16),  # one spell: 1.2 mm with six dry hours between
        ({8: 0.6, 8 + 6.25 / 24: 0.6}, {}, 24),  # two spells of 0.6 mm
        ({}, {"watered": 8}, 16),
        ({}, {"risen": 8}, 16),  # water that nobody wrote down
        ({}, {"gap": (10, 13)}, 24),  # nobody looked, but it rained no more for that
        ({0.25: 3.0}, {"gap": (0.5, 1.75)}, 24),  # nor before it opened
        ({11: 3.0}, {"gap": (10, 13)}, 13),
        ({11: 0.7, 12: 0.7}, {"gap": (10, 13)}, 24),
    ],
)
def test_days_without_water_are_counted_from_the_last_real_wetting_when_they_are_read(rain, more, days, looks):
    """Thatch dry since 4.5 days in, read 24 days in: rain by day of the series, counted by hand."""
    thatch = np.concatenate([drying(), np.full(on_day(16), 0.10)])
    if "risen" in more:  # by 0.16, and back within three hours: less than it takes to close the alert
        thatch[on_day(8) - 3 * H : on_day(8) + 1] = 0.26
    if "gap" in more:
        thatch[slice(*(on_day(day) for day in more["gap"]))] = np.nan
    gauge = dry_gauge(len(thatch), {on_day(day): mm for day, mm in rain.items()})
    watered = START_MS + on_day(more.get("watered", -99)) * SLOT_MS
    diary = DiaryFacts(waterings=(Watering(watered, watered + 1),))
    watch = watch_of(findings(thatch=thatch), gauge)
    said = shown("thatch_to_repel", watch, len(thatch), diary, looks, at_ms=START_MS + 24 * DAY_MS)
    assert f"nearly dry after {days} days without water" in said


def test_traces_of_rain_do_not_put_off_the_word_of_dry_thatch():
    """Dew and drizzle of 0.4 mm on each of four days make 1.6 mm, and no wetting; 1.6 mm in an evening are one."""
    traces = repels(drying(), {on_day(day): 0.4 for day in (1, 2, 3, 4)})
    assert [slot_of(e) for e in traces] == [below(drying(), 0.15)]
    evening = {on_day(4) + H * hour: 0.4 for hour in range(4)}
    assert repels(drying()[: below(drying(), 0.15) + H], evening) == []


def test_what_was_foretold_of_thatch_is_shown_as_it_is_once_it_has_come():
    """Opened by the forecast it says no more that thatch is likely to be dry by a day that is over; nobody is told."""
    thatch = drying()
    watch = watch_of(findings(thatch=thatch), dry_gauge(len(thatch)))
    text = f"Square, north end: thatch is likely to be so dry by {weekday_mark(START_MS)} 14:00 that it sheds water."
    state = AlertState("thatch_to_repel", "square-1", "", START_MS - SLOT_MS, opened_at_ms=START_MS,
                       since_ms=START_MS, said_at_ms=START_MS, way="ahead", text=text)  # fmt: skip
    states, said = walk_station({state.key: state}, watch, DiaryFacts(), START_MS + 7 * DAY_MS, BOUNDS)
    assert said == []
    words = spoken(states[state.key].text, START_MS + 9 * DAY_MS, None)
    assert words.startswith("Square, north end: thatch is nearly dry after 9 days without water")


def test_a_state_of_an_earlier_version_knows_of_no_water_yet():
    """It has no note of the last water; everything else of it is taken over."""
    state = AlertState("thatch_to_repel", "square-1", "", START_MS, opened_at_ms=START_MS)
    old = {key: value for key, value in state.to_json().items() if key != "water"}
    assert AlertState.from_json(json.loads(json.dumps(old))) == state


# --- stay off ----------------------------------------------------------------------------------------------------
# The series begins on 1 May 2024, 0:00 UTC, and the site's clock is UTC. A finding is judged 3 h 15 after its time.

UTC = ZoneInfo("UTC")


def work(day: float, hour: float = 9.0, kind: str = "hollow_coring") -> DatedPass:
    begin = START_MS + round((day * 24 + hour) * HOUR_MS)
    return DatedPass(kind, "standard", begin, begin + 6 * HOUR_MS)


def wet(days: float, top: float = 1.1) -> np.ndarray:
    return np.full(round(days * 24 * H), top)


def stays(
    top: np.ndarray, diary: DiaryFacts, rain: dict[int, float] | None = None, *, bounds=BOUNDS
) -> list[AlertEvent]:
    watch = watch_of(findings(top=top), dry_gauge(len(top), rain), zone=UTC)
    return run("stay_off", watch, len(top), diary=diary, bounds=bounds)


def hours(events: list[AlertEvent]) -> list[tuple[str, float]]:
    """Kind, and hour since the begin at which somebody hears of it."""
    return [(e.kind, slot_of(e) / H + 3.25) for e in events]


@pytest.mark.parametrize(
    ("top", "diary", "told"),
    [
        (wet(3), DiaryFacts(booked=(work(2),)), [("opened", 41.0), ("closed", 63.0)]),  # 17:00 of the evening before
        (wet(3), DiaryFacts(plays=((work(2).start_ms, work(2).end_ms),)), [("opened", 41.0), ("closed", 63.0)]),
        (wet(3), DiaryFacts(booked=(work(5),)), []),  # nothing booked within a day
        (wet(3), DiaryFacts(), []),
        (wet(3, 1.05), DiaryFacts(booked=(work(2),)), []),  # at the bound is not above it
        (wet(3, np.nan), DiaryFacts(booked=(work(2),)), []),
        (
            np.concatenate([wet(1.8, 0.9), wet(1.0)]),
            DiaryFacts(booked=(work(2, 14),)),
            [("opened", 57.25)],
        ),  # next morning
        (
            np.concatenate([wet(1.8), wet(0.6, 1.0)]),
            DiaryFacts(booked=(work(2),)),
            [("opened", 41.0)],
        ),  # between the bounds
        (
            np.concatenate([wet(1.8), wet(1.0, 0.94)]),
            DiaryFacts(booked=(work(2),)),
            [("opened", 41.0), ("closed", 57.25)],
        ),
        (wet(5), DiaryFacts(booked=(work(2), work(3))), [("opened", 41.0), ("repeated", 65.0), ("closed", 87.0)]),
    ],
)
def test_stay_off_is_told_the_evening_before(top, diary, told):
    """Top above 1.05 and something booked tomorrow, from 17:00 on; off below 0.95, or at 15:00 with the work's end."""
    assert hours(stays(top, diary)) == told


def test_stay_off_is_not_told_within_two_days_of_rain():
    """Rain at 0:00 on day 1 is on everybody's mind on the evening of day 1, not on that of day 3. A site may differ."""
    diary = DiaryFacts(booked=(work(2), work(4)))
    assert hours(stays(wet(4.2), diary, {24 * H: 9.0})) == [("opened", 3 * 24 + 17.0)]
    always = {"stay_off": StayOffBounds(after_water_h=0.0)}
    assert hours(stays(wet(2), diary, {24 * H: 9.0}, bounds=always)) == [("opened", 41.0)]
    watered = replace(diary, waterings=(Watering(START_MS + 30 * HOUR_MS, START_MS + 31 * HOUR_MS),))
    assert hours(stays(wet(4.2), watered)) == [("opened", 3 * 24 + 17.0)]


def test_the_line_of_stay_off():
    """What is booked, and when."""
    (opened,) = stays(wet(2), DiaryFacts(booked=(work(2),)))
    assert opened.text == (
        "Square, north end: the top is too wet for the hollow coring of tomorrow. "
        "Stay off, or put it off, until it drains."
    )


# --- what holds for all of them ----------------------------------------------------------------------------------


def of_station(watch: StationWatch, slots: int, rule: str, diary: DiaryFacts, looks: int = 1) -> list[AlertEvent]:
    """What a rule says through `evaluate`, looked at so many times, each after a restart."""
    states = {k: s for k, s in first_states(watch.context, START_MS).items() if s.rule == rule}
    events: list[AlertEvent] = []
    for turn in range(1, looks + 1):
        now_ms = START_MS + (slots + 14) * SLOT_MS * turn // looks
        states = {k: AlertState.from_json(json.loads(json.dumps(s.to_json()))) for k, s in states.items()}
        states, said = walk_station(states, watch, diary, now_ms, BOUNDS)
        events += said
    return events


def test_marks_are_heeded_by_the_rules_of_a_station():
    """Wrong closes at once and swallows what comes after; seen swallows what would be said again."""
    top, diary = wet(5), DiaryFacts(booked=(work(2), work(3)))
    watch = watch_of(findings(top=top), dry_gauge(len(top)), zone=UTC)
    assert [e.kind for e in of_station(watch, len(top), "stay_off", diary, 50)] == ["opened", "repeated", "closed"]
    (alert,) = {e.alert_id for e in of_station(watch, len(top), "stay_off", diary)}
    seen = replace(diary, marks={alert: (AlertMark("seen", START_MS + 42 * HOUR_MS),)})
    assert [e.kind for e in of_station(watch, len(top), "stay_off", seen, 50)] == ["opened", "closed"]
    wrong = replace(diary, marks={alert: (AlertMark("wrong", START_MS + 42 * HOUR_MS),)})
    told = of_station(watch, len(top), "stay_off", wrong, 50)
    assert [(e.kind, e.at_ms) for e in told[1:]] == [("closed", START_MS + 42 * HOUR_MS)]


def test_an_alert_whose_season_ends_is_closed():
    """Roots dry on 31 October are left alone on 1 November, at 6:00 of the site's clock; and not told again."""
    begin = 1_730_073_600_000  # 2024-10-28 00:00 UTC
    roots = np.full(8 * 24 * H, 0.2)
    table = findings(roots=roots)
    table["start_ms"] += begin - START_MS
    watch = watch_of(table, zone=UTC)
    state = AlertState("roots_dry", "square-1", "", begin - SLOT_MS)
    said = look("roots_dry", state, watch, DiaryFacts(), begin + 9 * DAY_MS)[1]
    assert [(e.kind, (e.at_ms - begin) / HOUR_MS) for e in said] == [("opened", 30.0), ("closed", 4 * 24 + 6)]


def test_a_snoozed_frost_is_said_again_in_the_name_of_the_surface():
    """The words after a snooze name the surface once, as the first did."""
    leaf = np.full(30 * H, -1.0)
    watch = watch_of(findings(), heard(LEAF, leaf), zone=UTC)
    states = {k: s for k, s in first_states(watch.context, START_MS).items() if s.rule == "frost_at_dawn"}
    states, (told,) = walk_station(states, watch, DiaryFacts(), START_MS + 6 * HOUR_MS, BOUNDS)
    snoozed = AlertMark("snoozed", START_MS + 6 * HOUR_MS, START_MS + 7 * HOUR_MS)
    diary = DiaryFacts(marks={told.alert_id: (snoozed,)})
    _, (again,) = walk_station(states, watch, diary, START_MS + 8 * HOUR_MS, BOUNDS)
    assert again.text == told.text.replace("Square: ", "Square: after the snooze, still: ")


def test_dry_roots_of_a_square_that_is_dried_for_play_are_no_news():
    """Dry all week on a square with a match on Saturday: quiet from five days before; told at once on an outfield."""
    roots = np.full(5 * 24 * H, 0.2)
    match = DiaryFacts(plays=((START_MS + 5 * DAY_MS, START_MS + 5 * DAY_MS + 6 * HOUR_MS),))
    square = watch_of(findings(roots=roots), context=changed(CONTEXT, kind="square"))
    assert run("roots_dry", square, len(roots), diary=match) == []
    outfield = watch_of(findings(roots=roots), context=changed(CONTEXT, kind="outfield"))
    assert [slot_of(e) for e in run("roots_dry", outfield, len(roots), diary=match)] == [24 * H]
    covered = DiaryFacts(covers=((START_MS, START_MS + 3 * DAY_MS),))
    assert [slot_of(e) for e in run("roots_dry", outfield, len(roots), diary=covered)] == [72 * H]


def test_what_would_be_told_at_night_waits_for_the_morning():
    """Due at 0:00 and heard of at 3:15: told of the finding of 6:00, heard of at 9:15."""
    roots = np.full(3 * 24 * H, 0.2)
    (opened,) = run("roots_dry", watch_of(findings(roots=roots), zone=UTC), len(roots))
    assert slot_of(opened) == 30 * H
