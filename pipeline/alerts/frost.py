"""The rule about frost on the leaf at dawn: as it is measured, and the evening before as it is forecast.

A frozen leaf breaks underfoot, so this is the one word that may come at night: somebody is about to set out. The
measured part walks the readings of the surface's thermometer; without one, the forecast alone opens and the morning
closes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from pipeline.alerts.gating import hour_of, in_season, local
from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    AlertBounds,
    AlertEvent,
    AlertState,
    Spot,
    StationWatch,
    event,
)
from pipeline.diary.facts import (
    DiaryFacts,
)
from pipeline.soil.layers import CELL_MS
from pipeline.units import HOUR_MS, Flag

DAWN_UNTIL_HOUR = 10.0  # a leaf that freezes later in the morning is none of dawn's: our own choice
EVENING_HOUR = 17.0  # from then on the forecast of the coming night is told: our own choice
MORNING_OVER_H = 20.0  # so long after it was foretold the morning is over, whatever the clock: our own choice
BELIEVED = (Flag.GOOD, Flag.NOT_EVALUATED)


def frost_at_dawn(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Frost on the leaf by the surface's own thermometer.

    Opens with the first reading of the morning, from `from_hour` on, that is no warmer than `on_degc`; closes with the
    first above `off_degc`. So at most once a day. Under covers nothing is said.

    Parameters
    ----------
    state, watch, diary : AlertState, StationWatch, Diary
        The watch has observations of the surface temperature that counts at the station, where there is one.
    now_ms : int
        All that was measured until then is taken as known. [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (AlertState, list of AlertEvent)
    """
    events: list[AlertEvent] = []
    watch = replace(watch, place=watch.surface_title or watch.place)  # frost asks for no end of a square
    until_ms = now_ms // CELL_MS * CELL_MS - CELL_MS
    limits = bounds.frost_at_dawn
    for at_ms, leaf_degc in _readings(state, watch, until_ms):
        hour = hour_of(watch.where, at_ms)
        dawn = limits.from_hour <= hour < DAWN_UNTIL_HOUR
        if dawn and leaf_degc <= limits.on_degc and _may(diary, watch, at_ms, bounds):
            if not state.is_open:
                clock = f"{local(watch.where, at_ms):%H:%M}".lstrip("0")
                state = state.opened(at_ms, at_ms, "measured")
                text = f"frost on the leaf at {clock}. Keep feet and machines off until it has thawed."
                events.append(event(watch, state, OPENED, at_ms, text))
            state = replace(state, way="measured")
        elif state.is_open and leaf_degc > limits.off_degc and (dawn or state.way == "measured"):
            text = "the frost is off the leaf." if state.way == "measured" else "no frost came."
            events.append(event(watch, state, CLOSED, at_ms, text))
            state = state.closed()
    return replace(state, evaluated_to_ms=max(state.evaluated_to_ms, until_ms)), events


def frost_foretold(
    state: AlertState, spot: Spot, dawn_leaf_degc: float | None, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Frost on the leaf by the forecast of the coming night.

    Opens from the evening on, or in the night, when the coldest leaf to come is no warmer than `on_degc`; closes when
    the forecast has gone above `off_degc`, or the morning is over. What is measured meanwhile stands over it.

    Parameters
    ----------
    state : AlertState
    spot : Spot
    dawn_leaf_degc : float or None
        None when nobody knows. [degC]
    diary : Diary
    now_ms : int
        [ms since 1970, UTC]
    bounds : AlertBounds
    """
    limits, hour = bounds.frost_at_dawn, hour_of(spot.where, now_ms)
    coming = hour >= EVENING_HOUR or hour < DAWN_UNTIL_HOUR
    if not state.is_open:
        if dawn_leaf_degc is None or not coming or dawn_leaf_degc > limits.on_degc:
            return state, []
        if not _may(diary, spot, now_ms, bounds):
            return state, []
        state = state.opened(now_ms, now_ms, "forecast")
        cold = f"about {round(dawn_leaf_degc)} degC"
        text = f"frost is likely on the leaf at dawn, {cold}. Keep feet and machines off until it has thawed."
        return state, [event(spot, state, OPENED, now_ms, text)]
    assert state.opened_at_ms is not None
    over = not coming or now_ms - state.opened_at_ms > MORNING_OVER_H * HOUR_MS
    if state.way == "measured":
        over = now_ms - state.opened_at_ms > 2 * MORNING_OVER_H * HOUR_MS  # its thermometer has fallen silent
    warmer = state.way == "forecast" and dawn_leaf_degc is not None and dawn_leaf_degc > limits.off_degc
    if over or warmer:
        text = "the morning is over." if over else "frost is no longer likely at dawn."
        return state.closed(), [event(spot, state, CLOSED, now_ms, text)]
    return state, []


def _may(diary: DiaryFacts, spot: Spot, at_ms: int, bounds: AlertBounds) -> bool:
    covered = any(begin <= at_ms < end for begin, end in diary.covers)
    return not covered and in_season("frost_at_dawn", spot.where, at_ms, bounds)


def _readings(state: AlertState, watch: StationWatch, until_ms: int) -> Iterator[tuple[int, float]]:
    """Believed readings of the leaf's temperature in whole quarter hours not yet walked, in order. [ms, degC]"""
    channel = watch.context.weather.get("surface_temperature")
    seen = watch.observations
    if channel is None or not len(seen):
        return
    time_ms = seen["measured_at_ms"].to_numpy(dtype=np.int64)
    value, cell = seen["value"].to_numpy(dtype=np.float64), time_ms // CELL_MS * CELL_MS
    rows = (seen["channel"] == channel).to_numpy() & (cell > state.evaluated_to_ms) & (cell <= until_ms)
    rows &= np.isfinite(value) & np.isin(seen["flag"].to_numpy(), [int(flag) for flag in BELIEVED])
    order = np.argsort(time_ms[rows], kind="stable")
    yield from zip(time_ms[rows][order].tolist(), value[rows][order].tolist(), strict=True)
