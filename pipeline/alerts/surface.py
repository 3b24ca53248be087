"""The rules about going on the turf: too wet for what is booked, and frost on the leaf at dawn.

A frozen leaf breaks underfoot, so frost may be reported at night, before work begins. Measured frost is evaluated on
the readings of the surface's thermometer; without one, the forecast opens the alert and the end of the morning closes
it.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from typing import Annotated, NamedTuple

import numpy as np

from pipeline.advice.phrases import date_mark, kind_words, with_order
from pipeline.alerts.model import (
    CLOSED,
    NO_READINGS,
    OPENED,
    REPEATED,
    Ahead,
    AlertRule,
    AlertState,
    Change,
    DegreesC,
    Facts,
    HeldBy,
    Hour,
    Hours,
    Manner,
    Moment,
    Months,
    RuleBounds,
    RuleName,
    RuleOutcome,
    Scope,
    Wetness,
    quarter_hour_of,
)
from pipeline.alerts.walk import covered, hour_of, local
from pipeline.site.fields import apart
from pipeline.texts import later, say, say_as
from pipeline.units import HOUR_MS, QUARTER_HOUR_MS, is_believed

# --- too wet for what is booked --------------------------------------------------------------------------------------


class StayOffBounds(RuleBounds):
    """Bounds of ground too wet for what is booked. Wetness of the top is relative [1].

    Reported from `evening_hour` of the day before on. [h]
    """

    on_wetness: Wetness = 1.05
    off_wetness: Annotated[Wetness, apart("less", "on_wetness")] = 0.95
    evening_hour: Hour = 17.0
    after_water_h: Hours = 48.0
    months: Months = ()


class _Work(NamedTuple):
    start_ms: int
    end_ms: int
    words: str


def stay_off(state: AlertState, moment: Moment, facts: Facts[StayOffBounds]) -> RuleOutcome:
    """Ground too wet for the work or the play that is booked on it.

    Opens when the top is wetter than `on_wetness` and something is booked for today, or from `evening_hour` on for
    tomorrow. Repeated for another day's work. Closes below `off_wetness`, or when nothing is booked any more.
    """
    limits, where, top = facts.bounds, facts.where, moment["top_layer_wetness"]
    wet = top > limits.on_wetness
    if math.isnan(top) or not (wet or state.is_open):
        return RuleOutcome(state, known=not math.isnan(top))
    if state.is_open and top < limits.off_wetness:
        return RuleOutcome(state, Change(CLOSED, say("the top has drained, and bears work again.")))
    known_ms = moment.at_ms + round(facts.rule.lag_h * HOUR_MS)  # when somebody hears of it
    work = _work(facts, known_ms)
    if state.is_open and not work:
        return RuleOutcome(state, Change(CLOSED, say("nothing is booked on the wet ground any more.")))
    today = local(where, known_ms).date()
    evening = hour_of(where, known_ms) >= limits.evening_hour
    days = {w: local(where, w.start_ms).date() for w in work}
    due = [w for w in work if known_ms < w.start_ms and (evening or days[w] == today)]
    new = [w for w in due if days[w].isoformat() not in state.told]
    if not new or not wet:
        return RuleOutcome(state)
    first = min(new)
    # Translators: work is a pass by its name, or "play"; day is as "tomorrow" or "Thursday 12 Oct"
    fact = say("the top is too wet for the {work} of {day}.", work=first.words, day=date_mark(first.start_ms))
    text = with_order(fact, say("Stay off, or put it off, until it drains."))
    told = tuple(days[w].isoformat() for w in due)
    return RuleOutcome(state, Change(REPEATED if state.is_open else OPENED, text, way="wet", told=told))


def _work(facts: Facts[StayOffBounds], known_ms: int) -> list[_Work]:
    """Return booked passes and play of today and tomorrow that are not over."""
    every = [_Work(job.start_ms, job.end_ms, kind_words(job.kind)) for job in facts.diary.booked]
    # Translators: in "the top is too wet for the play of tomorrow"
    play = say_as("work", "play")
    every += [_Work(begin, end, play) for begin, end in facts.diary.plays]
    last = local(facts.where, known_ms).date() + datetime.timedelta(days=1)
    return [w for w in every if w.end_ms > known_ms and local(facts.where, w.start_ms).date() <= last]


# --- frost at dawn ---------------------------------------------------------------------------------------------------

DAWN_UNTIL_HOUR = 10.0  # a leaf that freezes later in the morning is none of dawn's: our own choice
EVENING_HOUR = 17.0  # from then on the forecast of the coming night is told: our own choice
MORNING_OVER_H = 20.0  # so long after it was foretold the morning is over, whatever the clock: our own choice
MEASURED, FORECAST = "measured", "forecast"


class FrostAtDawnBounds(RuleBounds):
    """Bounds of frost on the leaf. Temperature of the leaf [degC]; from `from_hour` of the site's clock on."""

    on_degc: DegreesC = 0.5
    off_degc: Annotated[DegreesC, apart("more", "on_degc")] = 2.0
    from_hour: Hour = 5.0
    months: Months = ()


class LeafReading(NamedTuple):
    """A valid temperature of the leaf [degC], when it was read and in which quarter hour. [ms since 1970, UTC]"""

    at_ms: int
    walked_ms: int
    leaf_degc: float


def frost_at_dawn(state: AlertState, reading: LeafReading, facts: Facts[FrostAtDawnBounds]) -> RuleOutcome:
    """Frost on the leaf by the surface's own thermometer.

    Opens with the first reading of the morning, from `from_hour` on, that is no warmer than `on_degc`; closes with the
    first above `off_degc`: at most once a day. Nothing is reported under covers.
    """
    limits, at_ms = facts.bounds, reading.at_ms
    dawn = limits.from_hour <= hour_of(facts.where, at_ms) < DAWN_UNTIL_HOUR
    if dawn and reading.leaf_degc <= limits.on_degc and not covered(facts.diary, at_ms):
        if state.is_open:
            return RuleOutcome(state._replace(way=MEASURED))
        clock = f"{local(facts.where, at_ms):%H:%M}".lstrip("0")
        text = say("frost on the leaf at {clock}. Keep feet and machines off until it has thawed.", clock=clock)
        return RuleOutcome(state, Change(OPENED, text, way=MEASURED))
    if state.is_open and reading.leaf_degc > limits.off_degc and (dawn or state.way == MEASURED):
        text = say("the frost is off the leaf.") if state.way == MEASURED else say("no frost came.")
        return RuleOutcome(state, Change(CLOSED, text))
    return RuleOutcome(state)


def frost_ahead(state: AlertState, ahead: Ahead, facts: Facts[FrostAtDawnBounds]) -> RuleOutcome:
    """Frost on the leaf by the forecast of the coming night.

    Opens from the evening on, or in the night, when the coldest leaf to come is no warmer than `on_degc`; closes when
    the forecast has gone above `off_degc`, or the morning is over. A measured frost replaces the forecast one.
    """
    limits, degc, hour = facts.bounds, ahead.dawn_leaf_degc, hour_of(facts.where, ahead.at_ms)
    coming = hour >= EVENING_HOUR or hour < DAWN_UNTIL_HOUR
    if not state.is_open:
        if degc is None or not coming or degc > limits.on_degc or covered(facts.diary, ahead.at_ms):
            return RuleOutcome(state)
        told = later(
            "frost is likely on the leaf at dawn, about {degrees} degC. Keep feet and machines off until it has thawed."
        )
        return RuleOutcome(state, Change(OPENED, say(told, degrees=round(degc)), way=FORECAST))
    over = not coming or state.open_for_ms(ahead.at_ms) > MORNING_OVER_H * HOUR_MS
    if state.way == MEASURED:
        over = state.open_for_ms(ahead.at_ms) > 2 * MORNING_OVER_H * HOUR_MS  # its thermometer has fallen silent
    warmer = state.way == FORECAST and degc is not None and degc > limits.off_degc
    if over or warmer:
        text = say("the morning is over.") if over else say("frost is no longer likely at dawn.")
        return RuleOutcome(state, Change(CLOSED, text))
    return RuleOutcome(state)


def leaf_readings(facts: Facts[FrostAtDawnBounds], state: AlertState, now_ms: int) -> Iterator[LeafReading]:
    """Yield valid readings of the leaf's temperature in complete quarter hours not yet evaluated, in order of time."""
    read = facts.spot.readings.get(facts.spot.context.weather.get("surface_temperature", ""), NO_READINGS)
    starts_ms = quarter_hour_of(read.at_ms)
    rows = (starts_ms > state.evaluated_to_ms) & (starts_ms < quarter_hour_of(now_ms))
    rows &= np.isfinite(read.value) & is_believed(read.flag)
    yield from map(LeafReading, read.at_ms[rows].tolist(), starts_ms[rows].tolist(), read.value[rows].tolist())


STAY_OFF = AlertRule(
    name=RuleName("stay_off"),
    bounds=StayOffBounds,
    look=stay_off,
    manner=Manner.INTERRUPTING,
    held_by=HeldBy.NIGHT | HeldBy.SEASON | HeldBy.WATER,
    reads=("top_layer_wetness",),
)
FROST_AT_DAWN = AlertRule(
    name=RuleName("frost_at_dawn"),
    bounds=FrostAtDawnBounds,
    look=frost_at_dawn,
    scope=Scope.SURFACE,
    manner=Manner.URGENT,
    held_by=HeldBy.SEASON,
    season={"cool": (10, 11, 12, 1, 2, 3, 4, 5)},  # common practice, no source
    closes_with_season=False,  # the morning closes it
    late_h=QUARTER_HOUR_MS / HOUR_MS,
    ahead=frost_ahead,
    occasions=leaf_readings,
)
SURFACE_RULES = (STAY_OFF, FROST_AT_DAWN)
