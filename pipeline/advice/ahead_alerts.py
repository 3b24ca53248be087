"""Dry roots, and thatch about to shed water, said before they come, from the forecast of the station's wetness.

What is foretold opens the same alert as what is found later; so one dry spell is one alert. It is withdrawn when the
forecast no longer has it. This module must not judge what is measured: see `water_alerts` and `more_water_alerts`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.advice.forecast import WetnessForecast, in_ten
from pipeline.advice.saying import by_day, local, may_open, season_over
from pipeline.advice.verdicts import BoolArray, FloatArray
from pipeline.advice.watch import CLOSED, OPENED, AlertBounds, AlertEvent, AlertState, Diary, Spot, event
from pipeline.soil.moving import HOUR_MS

AHEAD = "ahead"
WITHDRAWN = 0.5  # of the chance that opens it: below this it is withdrawn, so that it does not come and go
LONGER_H = 24.0  # how long it must last, and how much later than the lead it may come: our own choice


@dataclass(frozen=True, slots=True)
class _Words:
    coming: str
    withdrawn: str


WORDS: Mapping[str, _Words] = {
    "roots_dry": _Words(
        "roots are likely to be dry by {when}, {chance}. "
        "Give one deep watering before, unless you are drying it for play.",
        "roots are not likely to go dry soon, by the forecast of now.",
    ),
    "thatch_to_repel": _Words(
        "thatch is likely to be so dry by {when} that it sheds water, {chance}. Begin the next water with a light go.",
        "thatch is not likely to shed water soon, by the forecast of now.",
    ),
}


def foretold(
    state: AlertState, spot: Spot, forecast: WetnessForecast, diary: Diary, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Open, keep or withdraw an alert of dryness by the forecast.

    Parameters
    ----------
    state : AlertState
        Of `roots_dry` or `thatch_to_repel`.
    spot : Spot
    forecast : WetnessForecast
    diary : Diary
    now_ms : int
        [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (AlertState, list of AlertEvent)
        Nothing changes where the forecast is withheld.
    """
    limits = getattr(bounds, state.rule)
    wetness = forecast.root_wetness if state.rule == "roots_dry" else forecast.thatch_wetness
    below = _share_below(wetness, limits.on_wetness)
    at_ms = forecast.at_ms
    if below is None or at_ms.size != below.size or limits.lead_h <= 0.0:
        return state, []
    state, over = season_over(state, spot, now_ms, bounds)
    if over:
        return state, over
    ahead_h = (at_ms - now_ms) / HOUR_MS
    if not state.is_open:
        lasting = _lasting(below >= limits.on_chance)
        due = np.flatnonzero((ahead_h > 0.0) & (ahead_h <= limits.lead_h) & lasting)
        here = np.flatnonzero(ahead_h <= 0.0)
        dry_now = here.size > 0 and below[here[-1]] >= limits.on_chance
        if not due.size or dry_now:
            return state, []
        if not may_open(state.rule, spot.where, diary, now_ms, bounds):
            return state, []
        state = state.opened(now_ms, now_ms, AHEAD)
        at = local(spot.where, int(at_ms[due[0]]))
        text = WORDS[state.rule].coming.format(when=f"{at:%A} {at.hour}:{at:%M}", chance=in_ten(float(below[due[0]])))
        return state, [event(spot, state, OPENED, now_ms, text)]
    near = (ahead_h >= 0.0) & (ahead_h <= limits.lead_h + LONGER_H)
    likely = bool((below[near] >= WITHDRAWN * limits.on_chance).any())
    if state.way != AHEAD or likely or not by_day(spot.where, now_ms, bounds):
        return state, []
    return state.closed(), [event(spot, state, CLOSED, now_ms, WORDS[state.rule].withdrawn)]


def _lasting(dry: BoolArray) -> BoolArray:
    """Hours from which it stays dry for a day: a dip before the next rain is nothing to water for."""
    hours = round(LONGER_H)
    wet = np.concatenate([[0], np.cumsum(~dry)])
    ends = np.minimum(np.arange(dry.size) + hours, dry.size)
    return np.asarray(dry & (wet[ends] == wet[: dry.size]))


def _share_below(wetness: FloatArray, bound: float) -> FloatArray | None:
    """Share of the members below a bound, by hour. [1] None where there are none, or they are not known."""
    if wetness.shape[1] == 0 or not np.isfinite(wetness).all():
        return None
    return np.asarray((wetness < bound).mean(axis=1), dtype=np.float64)
