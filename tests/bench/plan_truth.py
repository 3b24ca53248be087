"""Whether a plan speaks when the truth calls: for water, and of a lawful window that opens.

Truth calls for water on a morning on which the roots, by the simulator, have used what may be used (FAO-56, Table 22:
0.40 of cool, 0.50 of warm turf; 0.35 of a green), no half of what lacks falls by the next evening, there is water to
hand, nothing forbids it (play too near, a square dried for it, frost), and no seed is down. It speaks when the plan has
an evening for water within three days. A window opens on a day with six working hours truly open, after three days
without; lawful is one that no lock, diary or fixture shuts, nor water that is booked for that day. It speaks when the
plan has the pass open on that day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from pipeline.advice.conditions import CONDITIONS, Verdict
from pipeline.advice.water import DEPLETION, readily_available
from pipeline.advice.windows import TOO_LITTLE_BEFORE_PLAY, Window
from pipeline.alerts.water import THATCH_HOLDING
from pipeline.diary.facts import Intent
from pipeline.plan.lines import Says
from pipeline.plan.surface_plan import WorkPlan
from pipeline.units import DAY_MS, HOUR_MS
from tests.bench.advice_alerts import GROWING, WARM_GROWING, holding
from tests.bench.advice_truth import NOT_ASKED
from tests.bench.plan_mornings import MORNING_H, Morning

SHUT_D, OPEN_H = 3, 6
WITHIN_MS = 3 * DAY_MS
FORBIDS = ("dried for play", "play is too near", "frost is likely", "restricted", "days to draw the roots")


@dataclass
class Held:
    """Spells in which thatch truly held water, where a probe reads it and where none does: how many, how many told."""

    read: int = 0
    read_told: int = 0
    unread: int = 0
    unread_told: int = 0

    def __add__(self, other: Held) -> Held:
        return Held(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def line(self) -> str:
        """Both shares in words."""
        read, unread = (
            _share(n - told, n) for n, told in ((self.read, self.read_told), (self.unread, self.unread_told))
        )
        return (
            f"thatch that truly holds water: of {self.read} spells where a probe reads it never told {read}, "
            f"of {self.unread} where none does {unread}"
        )


def held(season: Sequence[Morning]) -> Held:
    """Count the spells of a season that have one of its mornings in them, six hours or more from their begin.

    One is told when on a morning of it, or within half a day after, the alert is open or the caution to feel is given.
    """
    found, run = Held(), season[0].run
    truth = run.kept.truth
    months = WARM_GROWING if run.kept.facts.grass == "warm" else GROWING
    true = holding(truth) & np.isin(run.months(), list(months))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(np.int8), [0]])))
    hours = {24 * one.day + MORNING_H: one for one in season}
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if begin == 0 or not any(begin + 6 <= hour < end for hour in hours):
            continue
        told = int(any(_holds_told(one) for hour, one in hours.items() if begin <= hour < end + 12))
        found += Held(0, 0, 1, told) if run.kept.facts.thatch_by_eye else Held(1, told)
    return found


def _holds_told(morning: Morning) -> bool:
    alert = any(one.rule == THATCH_HOLDING.name for one in morning.alerts)
    return alert or any(caution.what == "thatch_may_hold" for caution in morning.surface.cautions)


@dataclass
class Spoken:
    """Calls for water and windows that opened, and how many of each the plan told of."""

    calls: int = 0
    told: int = 0
    opened: int = 0
    named: int = 0
    advised: int = 0
    kept: int = 0

    def __add__(self, other: Spoken) -> Spoken:
        return Spoken(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def lines(self) -> list[str]:
        """The shares in words."""
        return [
            f"truth calls for water on {self.calls} mornings: an evening is told on {_share(self.told, self.calls)}",
            f"a lawful window truly opens {self.opened} times: told that morning {_share(self.named, self.opened)}",
            f"of {self.advised} such windows that the advice alone has open, the plan keeps "
            f"{_share(self.kept, self.advised)}",
        ]


def _share(part: int, whole: int) -> str:
    return f"{part} ({part / whole:.2f})" if whole else "none"


def spoken(morning: Morning, plan: WorkPlan) -> Spoken:
    """What one morning adds."""
    found = Spoken()
    if _calls(morning):
        found.calls = 1
        ends_ms = morning.now_ms + WITHIN_MS
        found.told = int(any(li.says is Says.WATER and li.span.start_ms < ends_ms for li in plan.lines))
    today_ms = morning.now_ms + 16 * HOUR_MS
    if any(w.start_ms < today_ms for station in morning.surface.stations for w in station.booked):
        return found  # it is counted on, and never given
    for intent in morning.run.intents():
        one = next((p for p in morning.surface.passes if p.outlook.intent.kind == intent.kind), None)
        if one is None or not _truly_opens(morning, intent):
            continue
        day = (morning.now_ms, today_ms)
        here = [w for w in one.outlook.windows if w.span.start_ms < day[1]]
        if any(_is_unlawful(w) for w in here):
            continue
        planned = next(p for p in plan.advice.passes if p.outlook.intent.kind == intent.kind)
        alone, told = (_is_open(p.outlook.windows, day) for p in (one, planned))
        found.opened, found.named = found.opened + 1, found.named + told
        found.advised, found.kept = found.advised + alone, found.kept + (alone and told)
    return found


def _is_unlawful(window: Window) -> bool:
    """Whether a lock, the diary or a fixture shuts it: what the truth of the ground does not know of."""
    if window.verdict in (Verdict.OPEN, Verdict.UNKNOWN):
        return False
    return window.binding not in CONDITIONS or window.binding in NOT_ASKED or window.reason == TOO_LITTLE_BEFORE_PLAY[0]


def _is_open(windows: Sequence[Window], day: tuple[int, int]) -> bool:
    return any(w.verdict is Verdict.OPEN and w.span.start_ms < day[1] and w.span.end_ms > day[0] for w in windows)


def _calls(morning: Morning) -> bool:
    run, truth = morning.run, morning.run.kept.truth
    station = morning.surface.stations[0] if morning.surface.stations else None
    if station is None or not morning.surface.water_to_hand or station.turf.seed:
        return False
    if any(why in station.water.reason for why in FORBIDS):
        return False
    hour = (morning.now_ms - truth.start_ms) // HOUR_MS
    easy = readily_available(run.kept.facts.grass, station.evening.demand_tomorrow_mm)
    allowed = DEPLETION["tender"] if run.kept.facts.kind == "green" else easy
    lacks = 1.0 - float(truth.root_zone_wetness[hour])
    rain = float(truth.rain_mm[hour : hour + 38].sum()) + float(truth.watering_mm[hour : hour + 38].sum())
    return lacks > allowed and rain < 0.5 * lacks * station.turf.root_capacity_mm


def _truly_opens(morning: Morning, intent: Intent) -> bool:
    truly = morning.run.truly(intent) & morning.run.asked()
    days = np.add.reduceat(truly, np.arange(0, truly.size, 24))
    today = morning.day
    return bool(days[today] >= OPEN_H and (days[today - SHUT_D : today] == 0).all())
