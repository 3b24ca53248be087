"""Hand-made outlooks for the tests of plans: what the ground is like hour by hour, as a forecast that knows it all."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.advice.conditions import Verdict
from pipeline.advice.locks import (
    SurfaceState,
)
from pipeline.advice.report import PassAdvice, SurfaceAdvice
from pipeline.advice.treatments import load_treatments
from pipeline.advice.windows import Outlook, Window
from pipeline.alerts.model import (
    AlertEvent,
    AlertState,
    RuleBounds,
    Where,
)
from pipeline.alerts.plans import SurfaceWatch, walk_plans
from pipeline.diary.facts import (
    DatedPass,
    DiaryFacts,
    Intent,
)
from pipeline.units import (
    HOUR_MS,
    TimeSpan,
)

ZONE = ZoneInfo("Europe/London")
TABLE = load_treatments().for_surface("green")
SCARIFY = Intent("scarifying", "standard", 0.008)
AHEAD_H = 240
OPEN, WAIT, CLOSED, UNKNOWN = Verdict.OPEN, Verdict.WAIT, Verdict.CLOSED, Verdict.UNKNOWN
MAY = datetime.datetime(2026, 5, 20, tzinfo=ZONE)  # a Wednesday; scarifying is usual in April, May, August, September


def at(day: float, hour: float = 0.0, begin: datetime.datetime = MAY) -> int:
    """Local hour of a day counted from the begin. [ms since 1970, UTC]"""
    return round((begin + datetime.timedelta(days=day, hours=hour)).timestamp() * 1000)


@dataclass
class Weather:
    """What the ground is really like, hour by hour from the begin on: the forecast knows it all."""

    verdicts: np.ndarray
    chance: float = np.nan
    intent: Intent = SCARIFY
    begin: datetime.datetime = MAY

    def advice(self, now_ms: int) -> PassAdvice:
        first = (now_ms - at(0, begin=self.begin)) // HOUR_MS
        verdicts = self.verdicts[first : first + AHEAD_H].astype(np.int8)
        hours = now_ms // HOUR_MS * HOUR_MS + np.arange(verdicts.size) * HOUR_MS
        starts = [0, *(np.flatnonzero(np.diff(verdicts)) + 1).tolist()]
        reasons = {OPEN: "", WAIT: "dew on the leaf", CLOSED: "rain", UNKNOWN: "no probe has been heard"}
        windows = tuple(
            Window(TimeSpan(int(hours[a]), int(hours[b - 1]) + HOUR_MS), Verdict(int(verdicts[a])),
                   reason=reasons[Verdict(int(verdicts[a]))])
            for a, b in zip(starts, [*starts[1:], verdicts.size], strict=True)
        )  # fmt: skip
        facts, ground = TABLE.facts[self.intent.kind], SurfaceState("Green", "green")
        chance = np.full(verdicts.size, self.chance)
        return PassAdvice(Outlook(self.intent, ground, facts, hours, verdicts, chance, windows), "")


def weather(*open_spans: tuple[float, float], days: int = 30, otherwise: Verdict = CLOSED, **more) -> Weather:
    """Open from hour to hour (counted from the begin), by day from 10:00 to 20:00, waiting at night between."""
    verdicts = np.full(days * 24, otherwise)
    for first, last in open_spans:
        for hour in range(round(first), round(last)):
            verdicts[hour] = OPEN if 10 <= hour % 24 < 20 else WAIT
    return Weather(verdicts, **more)


SEEN = SurfaceWatch("club", "green", "Green", Where("green", "cool", False, ZONE), TABLE, (SCARIFY,))


@dataclass
class Played:
    """What was said while the hours went by, and the states at the end."""

    events: list[AlertEvent] = field(default_factory=list)
    states: dict[str, AlertState] = field(default_factory=dict)

    def told(self, rule: str, begin: datetime.datetime = MAY) -> list[tuple[str, float]]:
        """Kind and hour since the begin of what a rule said."""
        return [(e.kind, (e.at_ms - at(0, begin=begin)) / HOUR_MS) for e in self.events if e.rule == rule]

    def texts(self, rule: str) -> list[str]:
        return [e.text for e in self.events if e.rule == rule]


def play(
    advice_at: Callable[[int], Sequence[PassAdvice]],
    hours: Sequence[int],
    *,
    seen: SurfaceWatch | Callable[[int], SurfaceWatch] = SEEN,
    diary: DiaryFacts | Callable[[int], DiaryFacts] | None = None,
    bounds: Mapping[str, RuleBounds] = MappingProxyType({}),
    begin: datetime.datetime = MAY,
    restart_every: int = 5,
    nights: bool = False,
) -> Played:
    """Run the rules hour by hour, with a restart through JSON now and then."""
    played = Played()
    for hour in hours:
        if not nights and not 6 <= hour % 24 <= 20:
            continue  # nothing may be said then, as one of the tests shows
        now_ms = at(0, begin=begin) + hour * HOUR_MS
        advice = SurfaceAdvice("green", "Green", "green", tuple(advice_at(now_ms)), ())
        watched = seen(now_ms) if callable(seen) else seen
        known = diary(now_ms) if callable(diary) else DiaryFacts() if diary is None else diary
        played.states, said = walk_plans(played.states, watched, advice, known, now_ms, bounds)
        played.events += said
        if restart_every and hour % restart_every == 0:
            kept = json.loads(json.dumps({k: s.to_json() for k, s in played.states.items()}))
            played.states = {k: AlertState.from_json(s) for k, s in kept.items()}
    return played


def windows(sky: Weather, hours: int | Sequence[int] = 10 * 24, **more) -> Played:
    steps = range(hours) if isinstance(hours, int) else hours
    return play(lambda now_ms: [sky.advice(now_ms)], steps, **more)


def job(kind: str, variant: str, day: float, hour: float = 9.0, depth_m: float | None = None) -> DatedPass:
    return DatedPass(kind, variant, at(day, hour), at(day, hour + 6), depth_m)
