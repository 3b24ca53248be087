"""A year of one ground played through: what its keeper would have been told, and the rules it must keep.

    python tests/bench/bench_alert_log.py [SCENARIO] [SEED]

A scenario's station lives a year by the hour; its probes' readings go through a real store and all stages. Then, from
that store's tables, the alert rules are run twice a day and advice each morning (in the dead months every fourth), each
knowing what was known by then: play is in the calendar ahead, water and passes are written once they are over, and a
pass of the season is booked every fifth morning, four days ahead. The plan is made of them, and what it says is put
into messages by the server's own policy. The log is printed line by line: `*` interrupted somebody, `d` came with a
morning's digest. Exits 1 when anything is broken of: no news of thatch that holds water, or of ground too wet, within
48 hours of rain; at night nothing but frost or running water; no repeat without news; no week of the season with more
than three interruptions, and at most 1.5 a week over it; rules, advice and plans of the year in 35 s CPU.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the service sets it: more threads only wait for each other

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.advice.advisor import site_advice
from pipeline.advice.station_inputs import AdviceCache
from pipeline.alerts.model import CLOSED, OPENED, REPEATED, AlertEvent
from pipeline.alerts.runner import AlertRunner
from pipeline.diary.entry import DiaryEntry
from pipeline.notify.policy import (
    INTERRUPTION,
    URGENT,
    Message,
    News,
    SentMessage,
    digest_date_at_first,
    due,
    in_season,
    may_go,
)
from pipeline.plan.digest import plan_news
from pipeline.plan.planner import Planner, SitePlan
from pipeline.run.metrics import Metrics
from pipeline.site.ground import Site
from pipeline.site.server import NotificationPolicy
from pipeline.store import Store
from pipeline.store.database import Database
from pipeline.store.diary import Diary
from simulator import weather as sky
from simulator.climates import ClimateType
from simulator.history import History
from simulator.readings import readings
from simulator.scenario import Scenario, StationPlan, load
from simulator.scenario import ScenarioEntry as Written
from simulator.scenario_run import StationRun, turf_of, weather_of
from simulator.scenario_site import run_site
from simulator.site import describe
from tests.bench.advice_ground import DAY_MS, HOUR_MS, QuickTruth, _probes
from tests.bench.advice_heard import Known, Worked, settings, table_of, work_out
from tests.bench.advice_store import SeasonStore
from tests.bench.store import store_table
from tests.bench.table import measured

DAYS = 365
FOREVER_MS = 2**62
LEAD_DAYS = 30
ASKED_H = 6  # local hour at which advice is worked out, before the digest; in the dead months every fourth day
DEAD_MONTHS = (11, 12, 1, 2, 3)
WALKED_H = (5, 14)  # at which the judge walks on, the first by night
FIT_DAYS = 28  # a fit of the balance stands so long here, a day in the server: a year's fits take a minute and a half
LIMIT_S = 27.0  # of rules, advice each morning and plans; ground and readings are the simulator's
BEFORE_S = {"rules": 8.8, "advice": 9.4, "plans": 0.0}  # with advice every other morning and no plans
MOST_A_WEEK = 1.5  # interruptions over the season
BOOKED_EVERY_D, BOOKED_AHEAD_D, BOOKED_H = 5, 4, 10
RAIN_MM, RAIN_H = 1.0, 48
DAY_H = (6, 20)
SOON_AGAIN_MS = 12 * HOUR_MS
WET_NEWS = ("thatch_holding", "stay_off")
AT_ANY_HOUR = (*URGENT, "probe_fault")  # may come about by night; who is told when is the messages' business
PASS_OF = {
    "verticut": ("verticutting", "standard"), "scarify": ("scarifying", "standard"), "core": ("hollow_coring", "13mm"),
    "scarify_deep": ("heavy_dethatching", "standard"), "solid_tine": ("solid_tining", "12mm"),
    "slit": ("slitting", "standard"),
}  # fmt: skip
PLANNED = {
    "square": (("scarifying", "standard", 10), ("solid_tining", "12mm", 100), ("overseeding", "rye", 4)),
    "outfield": (("scarifying", "standard", 8), ("solid_tining", "12mm", 100), ("slitting", "standard", 100)),
    "green": (("verticutting", "standard", 2), ("hollow_coring", "13mm", 75), ("topdressing", "light", 0)),
    "lawn": (("scarifying", "standard", 8), ("hollow_coring", "13mm", 75), ("overseeding", "rye", 4)),
}


@dataclass
class Log:
    """What was said in a year, and to whom it was told."""

    events: list[AlertEvent] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    took_s: dict[str, float] = field(default_factory=lambda: dict.fromkeys(BEFORE_S, 0.0))

    @contextmanager
    def timed(self, part: str) -> Iterator[None]:
        """Count the CPU time of a part of the server. [s]"""
        began_s = time.process_time()
        yield
        self.took_s[part] += time.process_time() - began_s


@dataclass(frozen=True)
class Year:
    """A scenario's first station with its probes, cut to a year, and what happened there."""

    scenario: Scenario
    plan: StationPlan
    history: History
    seed: int

    @property
    def climate(self) -> ClimateType:
        """Of the place."""
        return self.scenario.climate


def year(name: str, seed: int) -> Year:
    """A year of a scenario's first station that has a thatch probe, from the day its told time begins."""
    scenario = load(name)
    plan = next(s for s in scenario.stations if any(p.description.model == "thatch" for p in s.probes))
    drawn = weather_of(scenario, seed=seed)
    station = StationRun(scenario, plan, turf_of(plan, seed=seed), seed)
    first = scenario.lead_days
    settled = station.run(station.start(), sky.between(drawn, max(first - LEAD_DAYS, 0), first)).last
    history = station.run(settled, sky.between(drawn, first, first + DAYS))
    plan = replace(plan, probes=_probes(plan))
    surface = next(s for s in scenario.surfaces if plan.name in [each.name for each in s.stations])
    core = Written("core", scenario.start + timedelta(hours=1), (plan.name,))
    cut = replace(
        scenario, days=DAYS, surfaces=(replace(surface, stations=(plan,)),), diary=(*scenario.diary, core),
        clock_steps=(), faults={p: f for p, f in scenario.faults.items() if p.split("/")[0] == plan.name},
    )  # fmt: skip
    return Year(cut, plan, history, seed)


def diary_of(lived: Year) -> Iterator[DiaryEntry]:
    """The scenario's diary as its keeper wrote it down: waterings, passes and fixtures."""
    surface = lived.scenario.surfaces[0].name
    for entry in lived.scenario.diary:
        if not entry.concerns(lived.plan.name) or entry.kind == "core":
            continue
        at_ms = round(entry.at.timestamp() * 1000)
        end_ms = at_ms + round(entry.hours * HOUR_MS) if entry.hours else None
        if entry.kind == "watering":
            yield DiaryEntry("watering", surface, at_ms, {"water_mm": entry.water_mm}, end_ms=end_ms, author="keeper")
        elif entry.kind == "fixture":
            yield DiaryEntry("fixture", surface, at_ms, {"title": entry.name or "play"}, end_ms=end_ms, author="keeper")
        else:
            kind, variant = PASS_OF[entry.name]
            yield DiaryEntry("pass", surface, at_ms, {"pass": kind, "variant": variant}, author="keeper")


def bookings(lived: Year, zone: ZoneInfo) -> Iterator[DiaryEntry]:
    """A pass of the surface booked every fifth day of the season, four days ahead, each kind in its turn."""
    surface, kinds = lived.scenario.surfaces[0], PLANNED[lived.scenario.surfaces[0].kind]
    first = lived.scenario.start.astimezone(zone).replace(hour=BOOKED_H, minute=0)
    for number, day in enumerate(range(BOOKED_AHEAD_D + BOOKED_EVERY_D, DAYS, BOOKED_EVERY_D)):
        at = first + timedelta(days=day)
        if at.month in DEAD_MONTHS:
            continue
        kind, variant, depth_mm = kinds[number % len(kinds)]
        body = {"pass": kind, "variant": variant, "state": "booked"} | ({"depth_mm": depth_mm} if depth_mm else {})
        at_ms = round(at.timestamp() * 1000)
        written_ms = at_ms - BOOKED_AHEAD_D * DAY_MS - 4 * HOUR_MS
        yield DiaryEntry("pass", surface.name, at_ms, body, written_at_ms=written_ms, author="keeper")


class _Kept:
    """A diary as it stood at each moment: play from the start, bookings as they are made, all else once it is over."""

    def __init__(self, folder: Path, entries: Sequence[DiaryEntry]) -> None:
        self.database = Database(folder / "told.db")
        self.diary = Diary(self.database)
        self._left = sorted(((self._known_ms(e), n, e) for n, e in enumerate(entries)), key=lambda one: one[:2])

    def until(self, now_ms: int) -> None:
        """Write what is known by a moment."""
        while self._left and self._left[0][0] <= now_ms:
            self.diary.add(self._left.pop(0)[2])

    @staticmethod
    def _known_ms(entry: DiaryEntry) -> int:
        if entry.kind == "fixture":
            return 0
        return entry.written_at_ms or (entry.at_ms if entry.end_ms is None else entry.end_ms)


def worked(lived: Year, folder: Path) -> Worked:
    """The year's readings and diary in a store, everything worked out."""
    site = run_site(lived.scenario, {lived.plan.name: QuickTruth(lived.history)}, seed=lived.seed)  # type: ignore[dict-item]
    ready = describe(site, folder, rate=1.0)
    surface = ready["surfaces"][0]  # type: ignore[index]
    warm = lived.plan.turf.grass.hold_above_best
    surface["stations"][0]["facts"]["grass"] = "warm" if warm else "cool"
    passes = [
        {"kind": kind, "variant": "warm" if warm and kind == "overseeding" else variant, "depth_mm": float(depth_mm)}
        for kind, variant, depth_mm in PLANNED[surface["kind"]]
    ]
    months = ("rain_mm", "wet_days", "highest_degc", "lowest_degc")
    more = {"climate": {n: list(getattr(lived.climate, n)) for n in months}, "surface": {"pass": passes}}
    more |= store_table(folder)
    return work_out(settings(ready, folder, more), table_of(readings(site)), diary_of(lived))


def played(lived: Year, known: Worked, folder: Path) -> Log:
    """Walk rules, advice and plan through the year, moment by moment, and put what the plan says into messages."""
    config, stores = known.config, known.stores
    whole = known.context(lived.plan.name)
    # channels of salt are not played here: they are not silent, they are not there
    context = replace(whole, channels={i: c for i, c in whole.channels.items() if c.quantity != "bulk_ec"})
    tables = Known(
        context, stores.store.observations(context.observed_ids, 0, FOREVER_MS),
        stores.store.findings(context.station, None, 0, FOREVER_MS),
    )  # fmt: skip
    season = SeasonStore(tables, context.station)
    store = cast(Store, season)
    cache, log, zone = AdviceCache(fit_days=FIT_DAYS), Log(), ZoneInfo(config.site.timezone)
    kept = _Kept(folder, [*diary_of(lived), *bookings(lived, zone)])
    runner = AlertRunner(config, store, stores.journal, Metrics(), lambda station: context, kept.diary)
    planner, advice = Planner(config, store, lambda station: context, Metrics()), None
    told = _Told(config.site, config.notify)
    for now_ms in _moments(lived, zone):
        season.now_ms = now_ms
        kept.until(now_ms)
        here, said = datetime.fromtimestamp(now_ms / 1000, zone), []
        more = here.hour in WALKED_H
        with log.timed("rules"):
            while more:
                events, more = runner.evaluate(context.station, now_ms)
                said += events
        if here.hour == ASKED_H and (here.month not in DEAD_MONTHS or here.toordinal() % 4 == 0):
            with log.timed("advice"):
                advice = site_advice(config, store, kept.diary, now_ms, cache=cache)
            with log.timed("rules"):
                said += runner.plan(advice)
        with log.timed("plans"):
            plan = planner.plan(advice, runner.open_alerts(now_ms), now_ms)
        log.events += said
        log.messages += told.at(now_ms, said, plan, zone)
    kept.database.close()
    return log


def _moments(lived: Year, zone: ZoneInfo) -> Iterator[int]:
    first = lived.scenario.start.astimezone(zone).replace(hour=0, minute=0)
    for day in range(1, DAYS):
        for hour in sorted((*WALKED_H, ASKED_H)):
            yield round((first + timedelta(days=day, hours=hour)).timestamp() * 1000)


class _Told:
    """One keeper, and what he has been told."""

    def __init__(self, place: Site, policy: NotificationPolicy) -> None:
        self._place, self._policy = place, policy
        self._news: list[News] = []
        self._past: list[SentMessage] = []
        self._last_digest = ""

    def at(self, now_ms: int, said: Sequence[AlertEvent], plan: SitePlan, zone: ZoneInfo) -> list[Message]:
        """Messages that go out at a moment; half an hour on, so that a digest due at a quarter past is not missed.

        Alerts that are open are told in the words of the plan, and its states in the digest, as the server does it.
        """
        self._news += [News(e.id, e.alert_id, e.kind, e.rule, e.words, e.since_ms, now_ms) for e in said]
        texts: Mapping[str, str] = {i: text for one in plan.surfaces.values() for i, text in one.texts.items()}
        self._news = [
            replace(n, text=n.text if n.kind == CLOSED else texts.get(n.alert_id, n.text)) for n in self._news
        ]
        states = [state for one in plan.surfaces.values() for state in plan_news(one, now_ms, zone)]
        at_ms = now_ms + HOUR_MS // 2
        if not self._last_digest:
            self._last_digest = digest_date_at_first(self._policy, self._place.timezone, now_ms)
        found = due(self._place, self._policy, self._news, self._past, self._last_digest, at_ms, plans=states)
        gone = [m for m in found.messages if may_go(m, self._policy, self._place.timezone, at_ms)]
        done = {i for m in gone for i in m.news} | set(found.dropped)
        self._news = [n for n in self._news if n.id not in done]
        self._past = [*self._past, *(SentMessage(m.kind, m.at_ms, m.alerts, m.states) for m in gone)][-200:]
        self._last_digest = found.digest_date or self._last_digest
        return gone


def broken(log: Log, lived: Year, zone: ZoneInfo) -> list[str]:
    """Everything that is against those rules, in words."""
    return [*_wet_after_rain(log, lived, zone), *_at_night(log, zone), *_repeats(log, zone), *_too_often(log, zone)]


def _wet_after_rain(log: Log, lived: Year, zone: ZoneInfo) -> Iterator[str]:
    water = lived.history.flux["rain_mm"]
    for event in log.events:
        if event.rule in WET_NEWS and event.kind != CLOSED:
            hour = (event.at_ms - lived.history.start_ms) // HOUR_MS
            fallen = float(water[max(hour - RAIN_H, 0) : hour].sum())
            if fallen >= RAIN_MM:
                yield f"{_when(event.at_ms, zone)}: {event.rule} within {RAIN_H} h of {fallen:.1f} mm of rain"


def _at_night(log: Log, zone: ZoneInfo) -> Iterator[str]:
    for event in log.events:
        if not _by_day(event.at_ms, zone) and event.rule not in AT_ANY_HOUR:
            yield f"{_when(event.at_ms, zone)}: {event.rule} {event.kind} by night"
    for message in log.messages:
        if not message.urgent and not _by_day(message.at_ms, zone):
            yield f"{_when(message.at_ms, zone)}: a {message.kind} by night: {message.subject}"


def _by_day(at_ms: int, zone: ZoneInfo) -> bool:
    return DAY_H[0] <= datetime.fromtimestamp(at_ms / 1000, zone).hour < DAY_H[1]


def _repeats(log: Log, zone: ZoneInfo) -> Iterator[str]:
    last: dict[str, str] = {}
    closed: dict[tuple[str, str, str, str], int] = {}
    for event in log.events:
        if event.kind == REPEATED and last.get(event.alert_id) == event.text:
            yield f"{_when(event.at_ms, zone)}: said again in the same words: {event.text}"
        last[event.alert_id] = event.text
        about = event.text.partition(" to ")[0] if not event.station else ""
        key = (event.rule, event.station, event.probe, about)
        if event.kind == CLOSED:
            closed[key] = event.at_ms
        elif event.kind == OPENED and event.at_ms - closed.get(key, -(10**15)) < SOON_AGAIN_MS:
            yield f"{_when(event.at_ms, zone)}: opened again at once: {event.text}"


def _too_often(log: Log, zone: ZoneInfo) -> Iterator[str]:
    at = np.array([m.at_ms for m in _interruptions(log, zone)])
    for first in at.tolist():
        number = int(((at >= first) & (at < first + 7 * DAY_MS)).sum())
        if number > 3:
            yield f"{_when(first, zone)}: {number} interruptions in the week from then on"


def _interruptions(log: Log, zone: ZoneInfo) -> list[Message]:
    """Those of the season."""
    policy = NotificationPolicy()
    return [
        m for m in log.messages
        if m.kind == INTERRUPTION and in_season(policy, datetime.fromtimestamp(m.at_ms / 1000, zone).month)
    ]  # fmt: skip


def _when(at_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%a %d %b %Y %H:%M}"


def printed(log: Log, zone: ZoneInfo) -> Iterator[str]:
    """The log as it was read, a line of a message each."""
    for message in log.messages:
        for line in message.lines:
            yield f"{_when(message.at_ms, zone)} {'*' if message.kind == INTERRUPTION else 'd'} {line}"


def main() -> int:
    """0 when the year's log keeps them all."""
    name = sys.argv[1] if len(sys.argv) > 1 else "thatch_bound_square"
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    began, began_s = time.process_time(), time.perf_counter()
    lived = year(name, seed)
    zone = ZoneInfo(lived.scenario.timezone)
    took = {"ground": time.process_time() - began}
    with tempfile.TemporaryDirectory() as folder:
        known = worked(lived, Path(folder))
        took["readings, store and stages"] = time.process_time() - began - took["ground"]
        log = played(lived, known, Path(folder))
        known.stores.close()
    whole_s = time.process_time() - began
    own_s, before_s = sum(log.took_s.values()), sum(BEFORE_S.values())
    for line in printed(log, zone):
        print(line)
    loud = _interruptions(log, zone)
    faults = broken(log, lived, zone)
    if own_s > LIMIT_S:
        faults.append(f"rules, advice and plans took {own_s:.1f} s of one core, expected under {LIMIT_S:.0f}")
    policy = NotificationPolicy()
    weeks = sum(in_season(policy, (lived.scenario.start + timedelta(days=d)).month) for d in range(DAYS)) / 7.0
    kinds = Counter(e.rule for e in log.events if e.kind == OPENED)
    print(f"\n{name}, seed {seed}: {len(log.events)} lines in {DAYS} days; opened: {dict(kinds)}")
    print(
        f"{len(log.messages)} messages, {len(loud)} interruptions in {weeks:.0f} weeks of season, "
        f"{len(loud) / weeks:.2f} a week; {', '.join(f'{k} {v:.1f} s' for k, v in {**took, **log.took_s}.items())}; "
        f"{whole_s:.0f} s of one core, {time.perf_counter() - began_s:.0f} s by the clock"
    )
    parts = ", ".join(f"{part} {took_s:.1f}" for part, took_s in log.took_s.items())
    value = f"{own_s:.1f} s ({parts}; with the ground {whole_s:.0f})"
    measured(
        "a year's rules, advice and plans, CPU",
        value,
        own_s / LIMIT_S,
        1.0,
        of=f"{LIMIT_S:g} s",
        before=before_s / LIMIT_S,
    )
    if not measured(
        "interruptions a week in season", f"{len(loud) / weeks:.2f} ({len(loud)} in {weeks:.0f} weeks)",
        len(loud) / weeks / MOST_A_WEEK, 1.0, of=f"{MOST_A_WEEK:g} a week",
    ):  # fmt: skip
        faults.append(f"{len(loud) / weeks:.2f} interruptions a week of the season, expected at most {MOST_A_WEEK:g}")
    for fault in faults:
        print(f"BROKEN {fault}")
    print("every manner kept" if not faults else f"{len(faults)} broken")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
