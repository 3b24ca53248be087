"""What the whole advice says at moments of a season, now and one, three and five days ahead, held against the truth.

Each moment is handed to the server's own working-out, with no weather forecast or with one that errs: by day of lead d
from 0, with chance 0.05 + 0.05 d the day is another one within 15 days of it; else its rain is made more or less by a
factor exp(N(0, 0.4 + 0.05 d)) of mean 1 and moved by N(0, 2 + 0.5 d) hours, and its temperatures are off by
N(0, 0.8 + 0.35 d) K. The advice does not know that model.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from pipeline.advice.advisor import site_advice
from pipeline.advice.conditions import Verdict
from pipeline.advice.report import LIKELY, PassAdvice, SiteAdvice
from pipeline.advice.station_inputs import AdviceCache
from pipeline.diary.entry import DiaryEntry
from pipeline.forecast.weather_file import WeatherForecast
from pipeline.run.cached_fetch import Kept as KeptForecast
from pipeline.store import Store
from pipeline.store.database import Database
from pipeline.store.diary import Diary
from tests.bench.advice_ground import DAY_MS, HOUR_MS, Truth
from tests.bench.advice_run import WIDENED, Run
from tests.bench.advice_scores import Hours, count
from tests.bench.advice_store import SeasonStore
from tests.bench.advice_truth import last_good_day, last_sowing_day

Open = NDArray[np.bool_]

LEADS_D = (0, 1, 3, 5)
MOMENTS_D = (18, 21, 38, 41)  # two of each pair rest on the same fit of the balance
FORECAST_D = 10
AGAIN = 0.05
WORK_FIRST_H, WORK_LAST_H = 7, 18


@dataclass(frozen=True)
class Notice:
    """A day that truly opened for six working hours: days before it on which it was first told, None for never."""

    kind: str
    first_told_d: int | None


class Asked:
    """A season that can be asked at moments, the later ones after the earlier."""

    def __init__(self, run: Run, work: Path, *, fit_days: int = 10) -> None:
        self.run = run
        self.store = SeasonStore(run.known, run.kept.station)
        self.database = Database(work / "diary.db")
        self.diary = Diary(self.database)
        self._cache = AdviceCache(fit_days=fit_days)
        self._to_write = list(waterings(run.kept.truth, next(iter(run.config.surfaces)).name))

    def until(self, now_ms: int) -> None:
        """Move on to a moment: readings up to it are there, and waterings are in the diary once they are over. [ms]"""
        self.store.now_ms = now_ms
        while self._to_write and (self._to_write[0].end_ms or 0) <= now_ms:
            self.diary.add(self._to_write.pop(0))

    def at(self, now_ms: int, forecast: WeatherForecast | None = None) -> SiteAdvice:
        """What is advised at a moment. [ms since 1970, UTC]"""
        self.until(now_ms)
        told = None if forecast is None else KeptForecast(forecast, now_ms)
        return site_advice(
            self.run.config, cast(Store, self.store), self.diary, now_ms, forecast=told, cache=self._cache
        )

    def close(self) -> None:
        """Let go of the diary."""
        self.database.close()


def waterings(truth: Truth, surface: str) -> Iterator[DiaryEntry]:
    """The season's waterings as the keeper wrote them, joined where they follow each other."""
    given = np.flatnonzero(truth.watering_mm[: truth.hours] > 0.0)
    if given.size == 0:
        return
    for run in np.split(given, np.flatnonzero(np.diff(given) > 1) + 1):
        begin, end = int(run[0]), int(run[-1]) + 1
        water_mm = round(float(truth.watering_mm[begin:end].sum()), 1)
        at_ms = truth.start_ms + begin * HOUR_MS
        yield DiaryEntry(
            "watering", surface, at_ms, {"water_mm": water_mm}, end_ms=at_ms + (end - begin) * HOUR_MS, author="keeper"
        )


def erring(truth: Truth, now_ms: int, rng: np.random.Generator) -> WeatherForecast:
    """A forecast of ten days with the errors stated above, issued on the hour."""
    first = (now_ms - truth.start_ms) // HOUR_MS
    names = ("rain_mm", "reference_et_mm", "temperature_degc", "dew_point_degc")
    series = {name: np.empty(24 * FORECAST_D) for name in names}
    for lead in range(FORECAST_D):
        begin = first + 24 * lead
        if rng.random() < AGAIN + AGAIN * lead:
            begin += 24 * int(rng.choice([-1, 1])) * int(rng.integers(1, 16))
        begin = max(begin, 0)
        day, here = slice(begin, begin + 24), slice(24 * lead, 24 * lead + 24)
        spread, off = 0.4 + 0.05 * lead, rng.normal(0.0, 0.8 + 0.35 * lead)
        moved = np.roll(truth.rain_mm[day], round(rng.normal(0.0, 2.0 + 0.5 * lead)))
        series["rain_mm"][here] = moved * np.exp(rng.normal(-0.5 * spread**2, spread))
        series["reference_et_mm"][here] = truth.reference_et_mm[day]
        series["temperature_degc"][here] = truth.air_degc[day] + off
        series["dew_point_degc"][here] = truth.dew_degc[day] + off
    nothing = np.full(24 * FORECAST_D, np.nan)
    missing = ("rain_chance", "humidity_percent", "wind_m_s", "sun_w_m2")
    at_ms = truth.start_ms + int(first) * HOUR_MS
    return WeatherForecast(at_ms, at_ms, {**series, **dict.fromkeys(missing, nothing)})


@dataclass(frozen=True)
class Chance:
    """The chance given to a pass in an hour to come, open or not, and whether it came true by either bounds."""

    season: str
    day: int
    lead_d: int
    chance: float
    raw: bool
    wide: bool


def leads(asked: Asked, *, with_forecast: bool, seed: int) -> tuple[dict[tuple[str, int], Hours], list[Chance]]:
    """Hours said open at each lead, by kind of pass, and the chances of all of them, said open or not.

    Now is a working hour drawn by the seed; a lead is every third working hour within nine hours of it.
    """
    run, chances = asked.run, []
    truth, found = run.kept.truth, defaultdict(Hours)
    draw = np.random.default_rng([seed, 3])
    for day in MOMENTS_D:
        hour = int(draw.integers(WORK_FIRST_H, WORK_LAST_H + 1))
        now = 24 * day + hour - int(truth.start_ms % DAY_MS // HOUR_MS)
        now_ms = truth.start_ms + now * HOUR_MS
        forecast = erring(truth, now_ms, np.random.default_rng([seed, day])) if with_forecast else None
        advice = asked.at(now_ms, forecast)
        for (kind, lead), counted in told_at(run, advice, now).items():
            found[kind, lead] += counted
        chances += _chances(run, advice, now, day)
    return found, chances


def hours_of_lead(run: Run, now: int, lead_d: int) -> NDArray[np.int64]:
    """The hours ahead of now that are asked about at a lead."""
    if lead_d == 0:
        return np.array([0])
    ahead = 24 * lead_d + np.arange(-9, 10, 3)
    return ahead[run.asked()[now + ahead]]


def _chances(run: Run, advice: SiteAdvice, now: int, day: int) -> Iterator[Chance]:
    season = f"{run.kept.truth.scenario} {run.kept.truth.seed}"
    for intent in run.intents():
        told = pass_of(advice, intent.kind).outlook
        raw, wide = run.truly(intent), run.truly(intent, widened=WIDENED)
        for lead in LEADS_D[1:]:
            for ahead in hours_of_lead(run, now, lead).tolist():
                if np.isfinite(told.chance[ahead]):
                    at = now + ahead
                    yield Chance(season, day, lead, float(told.chance[ahead]), bool(raw[at]), bool(wide[at]))


def told_at(run: Run, advice: SiteAdvice, now: int) -> dict[tuple[str, int], Hours]:
    """Hours of one moment by kind of pass and lead: open now, and due to open then."""
    found = {}
    for intent in run.intents():
        told = pass_of(advice, intent.kind)
        raw, wide = run.truly(intent), run.truly(intent, widened=WIDENED)
        season = run.in_season(intent)
        for lead in LEADS_D:
            at, is_open, unknown = (np.zeros(run.hours, dtype=np.bool_) for _ in range(3))
            ahead = hours_of_lead(run, now, lead)
            verdict, chance = told.outlook.verdicts[ahead], told.outlook.chance[ahead]
            due = (verdict == Verdict.OPEN) & ~((chance < LIKELY) & (lead > 0))  # else it may open, and is not due
            at[now + ahead], is_open[now + ahead], unknown[now + ahead] = True, due, verdict == Verdict.UNKNOWN
            found[intent.kind, lead] = count(is_open, unknown, raw, wide, season, at)
    return found


def pass_of(advice: SiteAdvice, kind: str) -> PassAdvice:
    """What is said of one kind of pass on the only surface."""
    return next(p for p in advice.surfaces[0].passes if p.outlook.intent.kind == kind)


def notices(asked: Asked, days: Iterable[int], *, morning_h: int = 6) -> list[Notice]:
    """For every day that truly opens for six working hours after three shut ones: how long before it was told.

    The advice is asked each morning, without a weather forecast. It is told when a working hour of the day is said to
    be open, on that morning and on every one after it.
    """
    run = asked.run
    told: dict[str, dict[int, set[int]]] = {i.kind: {} for i in run.intents()}
    asked_on = list(days)
    for day in asked_on:
        now = 24 * day + morning_h
        advice = asked.at(run.kept.truth.start_ms + now * HOUR_MS)
        for intent in run.intents():
            verdicts = pass_of(advice, intent.kind).outlook.verdicts
            unlikely = pass_of(advice, intent.kind).outlook.chance < LIKELY
            unlikely[:WORK_LAST_H] = False  # of today it is said to be open, or not
            told[intent.kind][day] = set(_open_days((verdicts == Verdict.OPEN) & ~unlikely, now, least_h=1))
    found = []
    for intent in run.intents():
        true = set(_open_days(run.truly(intent), 0, least_h=6))
        for day in sorted(true):
            if day in asked_on and day - 5 in asked_on and not true & set(range(day - 3, day)):
                before = _since(told[intent.kind], day)
                found.append(Notice(intent.kind, before))
    return found


def _since(told: dict[int, set[int]], day: int) -> int | None:
    """Days before a day from which on each morning has told it."""
    lead = -1
    while day - lead - 1 in told and day in told[day - lead - 1] and lead < 9:
        lead += 1
    return None if lead < 0 else lead


def _open_days(is_open: Open, first_hour: int, *, least_h: int) -> list[int]:
    """Days, counted from the season's start, with so many working hours open. `is_open` begins at an hour."""
    hour = first_hour + np.arange(is_open.size)
    work = is_open & (hour % 24 >= WORK_FIRST_H) & (hour % 24 <= WORK_LAST_H)
    number = np.bincount(hour[work] // 24)
    return np.flatnonzero(number >= least_h).tolist()


@dataclass(frozen=True)
class LastGood:
    """A last good date: likely less true [d], None where either is lacking; whether both agree that it is, or is not,
    too late; and whether the safe date was in time, None where none was told."""

    kind: str
    error_d: int | None
    agreed: bool
    safe_in_time: bool | None


def last_good_errors(run: Run, advice: SiteAdvice, now_ms: int) -> Iterator[LastGood]:
    """Of each pass against what would have healed before growth ended, by the middle need of the table; of seed, which
    nobody plays on here, against what would have come up before the soil was too cold."""
    truth = run.kept.truth
    from_day = (now_ms - truth.start_ms) // DAY_MS
    until = int(run.windows.growth_end_day[from_day])
    start = datetime.fromtimestamp(truth.start_ms / 1000, UTC).date()
    for intent in run.intents():
        told = pass_of(advice, intent.kind)
        low, high = told.outlook.facts.heal_growth_days[intent.variant]
        if high <= 1.0 or told.for_play or (told.last_good is None and told.needed_on is None):
            continue
        bed = run.table.rows_of(intent.kind, intent.variant).get("seedbed_temperature")
        true = (
            last_good_day(run.windows, int(from_day), 0.5 * (low + high), until)
            if bed is None
            else last_sowing_day(run.windows, int(from_day), bed.window_h // 24, bed.bounds.open_lo)
        )
        said = None if told.last_good is None else told.last_good.likely
        error = None if said is None or true is None else _days(start, said) - true
        safe = None if told.last_good is None or told.last_good.safe is None else _days(start, told.last_good.safe)
        in_time = None if safe is None else true is not None and safe <= true
        yield LastGood(intent.kind, error, (said is None) == (true is None), in_time)


def _days(start: date, day: date) -> int:
    return (day - start) // timedelta(days=1)
