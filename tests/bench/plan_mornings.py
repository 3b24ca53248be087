"""Every morning of a simulated season as its keeper meets it: advice, open alerts, play, booked work, and the truth.

A season of `advice_ground` gets play on one day a week (but a lawn; on a square by turns on the strip of its station,
on two others, and on none that is named), passes and waterings booked some days ahead, and on every fourth seed no
water to hand. A booked watering is struck from the diary before it would be given: the ground never gets it. A forecast
that errs is given each morning (`advice_ahead.erring`); the alert rules walk on.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np

from pipeline.advice.report import SiteAdvice, SurfaceAdvice
from pipeline.alerts.runner import AlertRunner, OpenAlert
from pipeline.diary.entry import DiaryEntry
from pipeline.plan.seen import Seen, seen_of
from pipeline.run.metrics import Metrics
from pipeline.store import Store
from pipeline.store.journal import Journal
from pipeline.units import DAY_MS, HOUR_MS
from tests.bench.advice_ahead import Asked, erring
from tests.bench.advice_alerts import _walked
from tests.bench.advice_kept import default_folder, kept
from tests.bench.advice_run import Run, run_of_kept

MORNING_H = 6
FIRST_DAY, LAST_DAY = 10, 44
PLAY_EVERY_D, PLAY_H = 7, 8
ON_STRIP_7, PLAYED_ON = [4.5, 2.0], ("7", "3", "5 to 6", "")  # of ten strips, see `advice_run`
BOOKED_AHEAD_D, BOOKED_EVERY_D = 4, 5
WATER_EVERY_D, WATER_AHEAD_D, WATER_MM, WATER_H = 3, (0, 1, 2), (4.0, 8.0, 12.0, 18.0, 25.0), (7, 20, 20)


@dataclass(frozen=True)
class Morning:
    """What is known at six, and on which day of the season it is."""

    run: Run
    day: int
    now_ms: int
    advice: SiteAdvice
    alerts: list[OpenAlert]
    seen: Seen

    @property
    def surface(self) -> SurfaceAdvice:
        """The only one."""
        return self.advice.surfaces[0]


def mornings(name: str, seed: int, work: Path, *, every: int = 1) -> Iterator[Morning]:
    """Walk through a season, morning by morning, or one in so many; which one is drawn by the seed."""
    found = kept(name, seed, default_folder())
    if seed % 4 == 3:
        found.ready["surfaces"][0]["water_to_hand"] = False
    if found.facts.kind == "square":
        found.ready["surfaces"][0]["stations"][0]["facts"]["at_m"] = ON_STRIP_7
    run = run_of_kept(found, work)
    asked = Asked(run, work, fit_days=7)
    context, surface = run.known.context, next(iter(run.config.surfaces)).name
    runner = AlertRunner(
        run.config, cast(Store, asked.store), Journal(asked.database), Metrics(), lambda station: context, asked.diary
    )
    draw = np.random.default_rng([seed, 17, *name.encode()])
    for entry in _play(run, surface, int(draw.integers(0, PLAY_EVERY_D))):
        asked.diary.add(entry)
    water = np.random.default_rng([seed, 29, *name.encode()])
    booked: list[DiaryEntry] = []
    for day in range(FIRST_DAY, LAST_DAY):
        now_ms = found.truth.start_ms + day * DAY_MS + MORNING_H * HOUR_MS
        if day % BOOKED_EVERY_D == 0:
            asked.diary.add(_booking(run, surface, now_ms, draw))
        if day % WATER_EVERY_D == 0:
            booked.append(asked.diary.add(_water(surface, now_ms, water)))
        for entry in booked[:]:
            if entry.at_ms < now_ms:
                asked.diary.strike(entry.id, now_ms)
                booked.remove(entry)
        if (day + seed) % every:
            continue
        asked.until(now_ms)
        _walked(runner, found.station, now_ms)
        advice = asked.at(now_ms, erring(found.truth, now_ms, np.random.default_rng([seed, day])))
        runner.plan(advice)
        alerts = runner.open_alerts(now_ms)
        seen = seen_of(
            run.config, cast(Store, asked.store), run.config.surfaces[0], {found.station: context}, alerts, now_ms
        )
        yield Morning(run, day, now_ms, advice, alerts, seen)
    asked.close()


def _play(run: Run, surface: str, offset: int) -> Iterator[DiaryEntry]:
    if run.kept.facts.kind == "lawn":
        return
    for n, day in enumerate(range(offset, LAST_DAY + 20, PLAY_EVERY_D)):
        at_ms = run.kept.truth.start_ms + day * DAY_MS + 10 * HOUR_MS
        strips = PLAYED_ON[(n + offset) % len(PLAYED_ON)] if run.kept.facts.kind == "square" else ""
        body = {"title": "play", **({"strips": strips} if strips else {})}
        yield DiaryEntry("fixture", surface, at_ms, body, end_ms=at_ms + PLAY_H * HOUR_MS, author="keeper")


def _water(surface: str, now_ms: int, draw: np.random.Generator) -> DiaryEntry:
    at_ms = now_ms + int(draw.choice(WATER_AHEAD_D)) * DAY_MS + (int(draw.choice(WATER_H)) - MORNING_H) * HOUR_MS
    body = {"water_mm": float(draw.choice(WATER_MM))}
    return DiaryEntry(
        "booked_watering", surface, at_ms, body, end_ms=at_ms + 2 * HOUR_MS, written_at_ms=now_ms, author="keeper"
    )


def _booking(run: Run, surface: str, now_ms: int, draw: np.random.Generator) -> DiaryEntry:
    intents = run.intents()
    intent = intents[int(draw.integers(0, len(intents)))]
    at_ms = now_ms + BOOKED_AHEAD_D * DAY_MS + 3 * HOUR_MS
    body = {"pass": intent.kind, "variant": intent.variant, "state": "booked"}
    return DiaryEntry("pass", surface, at_ms, body, written_at_ms=now_ms, author="keeper")
