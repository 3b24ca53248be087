"""Hand-made outlooks for the tests of plans: what the ground is like hour by hour, as a forecast that knows it all."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.advice.daily import HOUR_MS
from pipeline.advice.locks import Ground, Intent, Span
from pipeline.advice.report import PassAdvice
from pipeline.advice.treatments import Verdict, load_treatments
from pipeline.advice.windows import Outlook, Window

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
            Window(Span(int(hours[a]), int(hours[b - 1]) + HOUR_MS), Verdict(int(verdicts[a])),
                   reason=reasons[Verdict(int(verdicts[a]))])
            for a, b in zip(starts, [*starts[1:], verdicts.size], strict=True)
        )  # fmt: skip
        facts, ground = TABLE.facts[self.intent.kind], Ground("Green", "green")
        chance = np.full(verdicts.size, self.chance)
        return PassAdvice(Outlook(self.intent, ground, facts, hours, verdicts, chance, windows), "")


def weather(*open_spans: tuple[float, float], days: int = 30, otherwise: Verdict = CLOSED, **more) -> Weather:
    """Open from hour to hour (counted from the begin), by day from 10:00 to 20:00, waiting at night between."""
    verdicts = np.full(days * 24, otherwise)
    for first, last in open_spans:
        for hour in range(round(first), round(last)):
            verdicts[hour] = OPEN if 10 <= hour % 24 < 20 else WAIT
    return Weather(verdicts, **more)
