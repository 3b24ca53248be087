"""The tuple of all alert rules and their runner: reads what is new, evaluates the rules, stores states and events.

Everything that lists rules derives from `RULES`: first states, what is read from the store, what a site may set, how
people are notified. States and events are stored in one transaction, so that a kill keeps both or neither. The worker
evaluates the rules of a station, the advisor those about plans: one at a time, each in its own thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from pydantic import BaseModel

from hardware.probe import BY_FILE
from pipeline.advice.phrases import fact_of, spoken
from pipeline.advice.report import SiteAdvice, SurfaceAdvice
from pipeline.advice.treatments import treatments
from pipeline.alerts.model import (
    CLOSED,
    NO_FINDINGS,
    Ahead,
    AlertEvent,
    AlertRule,
    AlertState,
    Change,
    Facts,
    Findings,
    Readings,
    RuleBounds,
    RuleGrain,
    RuleName,
    Scope,
    StationWatch,
    Where,
    alert_id,
    event_of,
    quarter_hour_of,
)
from pipeline.alerts.plans import PLAN_RULES, SurfaceWatch, walk_plans
from pipeline.alerts.probes import PROBE_RULES
from pipeline.alerts.site import SITE_RULES
from pipeline.alerts.surface import SURFACE_RULES
from pipeline.alerts.walk import apply_marks, look_ahead, walk
from pipeline.alerts.water import WATER_RULES
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import (
    AHEAD_MS,
    ALERT_KINDS,
    BACK_MS,
    DiaryFacts,
    Intent,
    Play,
    probes_in_ground,
    read_diary,
)
from pipeline.diary.facts import PROBE_KINDS as BURIED_KINDS
from pipeline.diary.station import StationContext
from pipeline.run.log import log_fields
from pipeline.run.metrics import Metrics
from pipeline.site.ground import Surface
from pipeline.site.settings import SiteConfig
from pipeline.store import Store
from pipeline.store.backup import BackupRecord
from pipeline.store.custody import CustodyNotice
from pipeline.store.diary import Diary as DiaryStore
from pipeline.store.journal import Event, Journal
from pipeline.texts import say
from pipeline.units import DAY_MS, HOUR_MS, QUARTER_HOUR_MS

BACKUPS_PLACE = "Backup"  # where an alert about the data of the site is, in words
RULES: tuple[AlertRule[Any], ...] = (*WATER_RULES, *PROBE_RULES, *SURFACE_RULES, *SITE_RULES, *PLAN_RULES)
RULE_OF: Mapping[RuleName, AlertRule[Any]] = {rule.name: rule for rule in RULES}
BOUNDS_OF_RULES: Mapping[str, type[RuleBounds]] = {rule.name: rule.bounds for rule in RULES}


def first_states(
    context: StationContext, begin_ms: int, *, of_surface: bool = True, of_site: bool = True
) -> dict[str, AlertState]:
    """Return the first states of a station.

    Parameters
    ----------
    context : StationContext
    begin_ms : int
        From when it is watched: the time of its first reading, or now if there is none. A probe never heard counts as
        silent from then. [ms since 1970, UTC]
    of_surface : bool
        Whether it is this station that tells what concerns the whole surface; one of each surface is enough.
    of_site : bool
        The same of the whole site.

    Returns
    -------
    dict of str to AlertState
        By key; a state that is kept already is to be preferred.
    """
    before_ms = quarter_hour_of(begin_ms) - QUARTER_HOUR_MS
    in_ground = bool(context.moisture or context.temperatures)
    probes = [i.split("/")[1] for i in context.channels if context.owns(i)]
    by_file = {probe.name for probe in context.ground.probes if probe.description.protocol == BY_FILE}
    probes_of = {
        Scope.STATION: ("",) if in_ground else (),
        Scope.SURFACE: ("",) if of_surface else (),
        Scope.SITE: ("",) if of_site else (),
        Scope.PROBE: tuple(dict.fromkeys(probe for probe in probes if probe not in by_file)),
    }
    states = [AlertState(r.name, context.station, p, before_ms) for r in RULES for p in probes_of.get(r.scope, ())]
    return {state.key: state for state in states}


@dataclass(frozen=True, slots=True)
class Needed:
    """The spans of data needed to evaluate some states. [ms since 1970, UTC]

    Attributes
    ----------
    from_ms : int
        From when data of quarter hours are needed; 0 if no rule asks.
    findings : mapping of int to list of str
        The quantities of findings that are needed from a time on.
    before : tuple of (str, float, str, int)
        Quarter-hour findings needed before spans: quantity, hours back, quantity of the spans, after which time.
    """

    from_ms: int
    findings: Mapping[int, list[str]]
    before: tuple[tuple[str, float, str, int], ...]


def needed(states: Iterable[AlertState]) -> Needed:
    """Return the spans of data needed to evaluate some states further."""
    kept = [(RULE_OF[state.rule], state.evaluated_to_ms) for state in states]
    days = [(rule, at_ms) for rule, at_ms in kept if rule.grain is RuleGrain.DAY]
    since: dict[str, int] = {}
    for rule, at_ms in kept:
        for quantity in rule.reads:
            since[quantity] = min(at_ms + 1, since.get(quantity, at_ms + 1))
    findings: dict[int, list[str]] = {}
    for quantity, at_ms in since.items():
        findings.setdefault(at_ms, []).append(quantity)
    return Needed(
        min((at_ms + QUARTER_HOUR_MS for rule, at_ms in kept if rule.grain is not RuleGrain.DAY), default=0),
        findings,
        tuple((q, back_h, rule.reads[0], at_ms) for rule, at_ms in days for q, back_h in rule.before.items()),
    )


def readings_from_ms(states: Iterable[AlertState], found: Mapping[str, Findings]) -> int | None:
    """Return from when observations are needed to evaluate some states further, None if no rule asks. [ms since 1970,
    UTC]

    A rule about findings of quarter hours looks at the rain between them: without any it needs none.
    """
    since = []
    for state in states:
        rule = RULE_OF[state.rule]
        starts = [found[q].start_ms for q in rule.reads if q in found]
        if rule.grain is not RuleGrain.DAY and (
            rule.occasions is not None or any((at_ms > state.evaluated_to_ms).any() for at_ms in starts)
        ):
            since.append(state.evaluated_to_ms + QUARTER_HOUR_MS)
    return min(since, default=None)


def facts_of(
    rule: AlertRule[Any], watch: StationWatch, diary: DiaryFacts, alerts: Mapping[str, BaseModel]
) -> Facts[Any]:
    """Return the facts for a rule of a station; a rule about the whole surface reports under the title of the
    surface, one about the site under that of its data."""
    if rule.scope is Scope.SITE:
        watch = replace(watch, place=BACKUPS_PLACE)
    if rule.scope is Scope.SURFACE:
        watch = replace(watch, place=watch.surface_title or watch.place)
    return Facts(rule, rule.bounds_in(alerts), watch, diary)


def walk_station(
    states: Mapping[str, AlertState],
    watch: StationWatch,
    diary: DiaryFacts,
    now_ms: int,
    alerts: Mapping[str, BaseModel],
    *,
    ahead: Ahead | None = None,
) -> tuple[dict[str, AlertState], list[AlertEvent]]:
    """Evaluate every enabled rule of a station over what is new.

    Parameters
    ----------
    states : mapping of str to AlertState
        Those of this station, see `first_states`.
    watch : StationWatch
        What is `needed`.
    diary : DiaryFacts
    now_ms : int
        Until when the record is complete. [ms since 1970, UTC]
    alerts : mapping of str to RuleBounds
        What the site has set, by rule.
    ahead : Ahead, optional
        With it the rules, which must all look ahead, are held against the forecast instead of the record.

    Returns
    -------
    (dict of str to AlertState, list of AlertEvent)
        New states under the same keys; events in the order of time.
    """
    after: dict[str, AlertState] = dict(states)
    events: list[AlertEvent] = []
    for key, state in states.items():
        facts = facts_of(RULE_OF[state.rule], watch, diary, alerts)
        if not facts.bounds.enabled:
            continue
        result = walk(state, facts, now_ms) if ahead is None else look_ahead(state, facts, ahead)
        after[key], said = apply_marks(state, *result, facts.spot, diary, now_ms)
        events += said
    return after, events if ahead is not None else sorted(events, key=lambda e: (e.at_ms, e.rule, e.probe))


# --- the runner ------------------------------------------------------------------------------------------------------

WALK_MS = 31 * DAY_MS  # at most so much at a time, to bound memory and the length of a step


def found_in(*tables: pd.DataFrame) -> dict[str, Findings]:
    """Return the findings of a store's tables by quantity, each in order of time."""
    parts: dict[str, list[list[np.ndarray]]] = {}
    for table in tables:
        for quantity, columns in _by_name(table, "quantity", "start_ms", "end_ms", "value", "high"):
            parts.setdefault(quantity, []).append(columns)
    return {quantity: Findings(*_in_order(several)) for quantity, several in parts.items()}


def readings_in(observations: pd.DataFrame) -> dict[str, Readings]:
    """Return the observations of a store's table by channel, each in order of time."""
    return {i: Readings(*c) for i, c in _by_name(observations, "channel", "measured_at_ms", "value", "flag")}


def _by_name(table: pd.DataFrame, name: str, time: str, *others: str) -> Iterator[tuple[str, list[np.ndarray]]]:
    """Each name with the columns of the time and of others in its rows, in order of time."""
    codes, names = pd.factorize(table[name])
    columns = [table[column].to_numpy() for column in (time, *others)]
    order = np.lexsort((columns[0], codes))
    edges = np.searchsorted(codes[order], np.arange(len(names) + 1)).tolist()
    for one, (first, last) in zip(names, pairwise(edges), strict=True):
        yield str(one), [column[order[first:last]] for column in columns]


def _in_order(parts: list[list[np.ndarray]]) -> list[np.ndarray]:
    """The same columns of several tables as one, in order of their first."""
    if len(parts) == 1:
        return parts[0]
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    order = np.argsort(columns[0], kind="stable")
    return [column[order] for column in columns]


@dataclass(frozen=True, slots=True)
class OpenAlert:
    """An open alert with the text of its last event. `station` is empty for one about a whole surface.

    `fact` is the text without what to do about it; `subject` is which pass it is about, by its kind, variant and depth.
    """

    alert_id: str
    rule: RuleName
    surface: str
    station: str
    probe: str
    opened_at_ms: int
    since_ms: int
    text: str
    fact: str
    subject: str = ""


class AlertRunner:
    """Evaluates the rules of every station and every surface.

    Parameters
    ----------
    config : SiteConfig
    store : Store
    journal : Journal
    metrics : Metrics
    context_of : callable
        The stages' context of a station, by its name.
    diary : store.diary.Diary, optional
        Without it nothing is known of passes booked, play, covers and marks.
    backup : callable
        What is known of the backups now.
    custody : callable
        What is wrong with the custody of readings now.
    writes : bool
        Whether it evaluates rules, and deletes states of what no longer exists; else it shows what another has stored.
    """

    def __init__(
        self,
        config: SiteConfig,
        store: Store,
        journal: Journal,
        metrics: Metrics,
        context_of: Callable[[str], StationContext],
        diary: DiaryStore | None = None,
        *,
        backup: Callable[[], BackupRecord] = BackupRecord,
        custody: Callable[[], Sequence[CustodyNotice]] = tuple,
        writes: bool = True,
    ) -> None:
        self._config, self._store, self._journal, self._metrics = config, store, journal, metrics
        self._context_of, self._diary, self._backup, self._custody = context_of, diary, backup, custody
        self._zone = ZoneInfo(config.site.timezone)
        self._surfaces = {surface.name: surface for surface in config.surfaces}
        self._tables = {s.name: treatments().for_surface(s.kind, config.bounds[s.name]) for s in config.surfaces}
        self._walking = threading.Lock()  # one walk of rules at a time, whoever asks
        self._lock = threading.Lock()  # states may be read meanwhile
        self._states: dict[str, dict[str, AlertState]] = {}
        self._plans: dict[str, dict[str, AlertState]] = {}
        self._plays: dict[str, tuple[Play, ...]] = {}
        self._strips: dict[str, int | None] = {}  # of stations, by their places as the newest advice knows them
        self._writes = writes
        self.read_again()
        metrics.alerts_open.set_function(lambda: len(self._open()))  # of all stations: too much for each evaluation

    def evaluate(self, station: str, now_ms: int, *, days: bool = True) -> tuple[list[AlertEvent], bool]:
        """Evaluate the rules of a station up to a time until which its record is complete.

        Parameters
        ----------
        station : str
        now_ms : int
            [ms since 1970, UTC]
        days : bool
            Whether its days, fortnights and wettings are worked out; without them the rules of that grain wait.

        Returns
        -------
        (list of AlertEvent, bool)
            What they said, and whether there is more to walk.
        """
        log_fields(station=station)
        with self._walking:
            context = self._context_of(station)
            known = self._states_of(station, context, now_ms)
            states = {key: state for key, state in known.items() if self._is_on(state.rule)}
            if not days:
                states = {key: s for key, s in states.items() if RULE_OF[s.rule].grain is not RuleGrain.DAY}
            asked = needed(states.values())
            until_ms = min(now_ms, asked.from_ms + WALK_MS)
            if not states or until_ms <= asked.from_ms:
                return [], False
            watch = self._watch(station, context, states.values(), asked, until_ms)
            if until_ms == now_ms:
                watch = replace(watch, backup=self._backup(), custody=self._custody_at(station))
            diary = self._diary_of(watch.surface, self._entries(until_ms), station)
            after, said = walk_station(states, watch, diary, until_ms, self._config.alerts)
            self._keep(self._states, station, {**known, **after}, after, said)
            return said, until_ms < now_ms

    def plan(self, advice: SiteAdvice) -> list[AlertEvent]:
        """Evaluate the rules about plans over the newest advice, and those that look ahead over its forecasts.

        Parameters
        ----------
        advice : SiteAdvice

        Returns
        -------
        list of AlertEvent
            What they said. It is kept already; whoever tells it must be woken.
        """
        with self._walking:
            entries = self._entries(advice.at_ms)
            said: list[AlertEvent] = []
            for one in advice.surfaces:
                if one.surface in self._surfaces:
                    said += self._plan(one, entries, advice.at_ms)
                    said += self._look_ahead(one, entries, advice.at_ms)
            return said

    def _plan(self, advice: SurfaceAdvice, entries: list[DiaryEntry], now_ms: int) -> list[AlertEvent]:
        surface = self._surfaces[advice.surface]
        self._plays[surface.name] = advice.play
        self._strips.update((one.station, one.strip) for one in advice.stations)
        diary, kept = self._diary_of(surface.name, entries), self._plans.get(surface.name, {})
        seen = self._surface_watch(surface, advice, diary, now_ms)
        after, said = walk_plans(kept, seen, advice, diary, now_ms, self._config.alerts)
        self._keep(self._plans, surface.name, after, after, said)
        for key in kept.keys() - after.keys():
            self._journal.forget_alert(key)
        return said

    def _look_ahead(self, advice: SurfaceAdvice, entries: list[DiaryEntry], now_ms: int) -> list[AlertEvent]:
        """Evaluate the rules that look ahead at the stations of a surface: frost, dry roots, thatch about to repel.

        A station has states once its record has been looked at: from the first reading on, and not from now.
        """
        said: list[AlertEvent] = []
        for one in advice.stations:
            if one.station not in self._config.stations() or one.station not in self._states:
                continue
            context = self._context_of(one.station)
            known = self._states_of(one.station, context, now_ms)
            states = {k: s for k, s in known.items() if RULE_OF[s.rule].ahead is not None and self._is_on(s.rule)}
            watch = self._watch_without_data(one.station, context)
            diary = self._diary_of(advice.surface, entries, one.station)
            ahead = Ahead(now_ms, one.forecast.if_unwatered(), advice.dawn_leaf_degc)
            after, events = walk_station(states, watch, diary, now_ms, self._config.alerts, ahead=ahead)
            self._keep(self._states, one.station, {**known, **after}, after, events)
            said += events
        return said

    def set_clock(self, now_ms: int, *, before_ms: int | None = None) -> int:
        """Let no state be later than now, after the clock was set; return how many were.

        An alert that was opened later than now is closed: it opens again if it still holds. `before_ms` is the time
        before a leap ahead, through which nobody lived: no probe was silent in it. [ms since 1970, UTC]
        """
        mended = 0
        with self._walking:
            for places in (self._states, self._plans):
                for place, known in list(places.items()):
                    leapt = known if before_ms is None or before_ms >= now_ms else {
                        key: state.waited(now_ms - before_ms, before_ms) for key, state in known.items()
                    }  # fmt: skip
                    after = {key: state.not_after(now_ms) for key, state in leapt.items()}
                    said = []
                    for key, state in after.items():
                        mended += state.evaluated_to_ms < known[key].evaluated_to_ms
                        if state.opened_at_ms is not None and state.opened_at_ms > now_ms:
                            said.append(self._closed_by_clock(state, now_ms))
                            after[key] = state.said(Change(CLOSED, ""), now_ms)
                    self._keep(places, place, after, after, said)
        return mended

    def _closed_by_clock(self, state: AlertState, now_ms: int) -> AlertEvent:
        spot: StationWatch | SurfaceWatch
        if state.surface:
            title, table = self._surfaces[state.surface].title, self._tables[state.surface]
            spot = SurfaceWatch(self._config.site.name, state.surface, title, Where("", "", zone=self._zone), table)
        else:
            spot = self._watch_without_data(state.station, self._context_of(state.station))
        text = say("closed because the clock was set back. It opens again if it still holds.")
        return event_of(spot, state._replace(since_ms=now_ms), CLOSED, now_ms, text)

    # --- gather ------------------------------------------------------------------------------------------------

    def _states_of(self, station: str, context: StationContext, now_ms: int) -> dict[str, AlertState]:
        kept = self._states.get(station, {})
        # States of rules or probes that are new are made from the first reading on, or from now.
        heard = None if kept else self._store.span([i for i in context.channel_ids if context.owns(i)])
        begin_ms = now_ms if heard is None else min(heard[0], now_ms)
        surface = self._config.surface_of(station)
        first = next((s.name for s in surface.stations if s.probes), "")
        of_site = next((s.name for s in self._config.stations().values() if s.probes), "")
        fresh = first_states(context, begin_ms, of_surface=station == first, of_site=station == of_site)
        return {key: kept.get(key, state) for key, state in fresh.items()}

    def _watch(
        self, station: str, context: StationContext, states: Iterable[AlertState], asked: Needed, until_ms: int
    ) -> StationWatch:
        tables = [self._store.findings(station, names, at, until_ms + 1) for at, names in asked.findings.items()]
        found = found_in(*tables)
        before = [
            self._store.findings(station, (quantity,), at_ms - round(back_h * HOUR_MS), at_ms)
            for quantity, back_h, of, after_ms in asked.before
            for at_ms in found.get(of, NO_FINDINGS).start_ms.tolist()
            if at_ms > after_ms
        ]
        watch = replace(
            self._watch_without_data(station, context), found=found_in(*tables, *before) if before else found
        )
        from_ms = readings_from_ms(states, found)
        if from_ms is None:
            return watch
        seen = self._store.observations(context.observed_ids, from_ms, until_ms + 1)
        return replace(watch, readings=readings_in(seen))

    def _watch_without_data(self, station: str, context: StationContext) -> StationWatch:
        own = self._config.stations()[station]
        surface = self._config.surface_of(station)
        return StationWatch(
            site=self._config.site.name,
            surface=surface.name,
            place=surface.place(own),
            context=context,
            zone=self._zone,
            surface_title=surface.title,
            probes_called={probe.name: surface.probe_called(own, probe) for probe in own.probes},
            strip=self._strips.get(station),
        )

    def _custody_at(self, station: str) -> tuple[CustodyNotice, ...]:
        """What is wrong with the custody of the readings of a station's surface; of an unknown node it may be any."""
        here = {one.name for one in self._config.surface_of(station).stations}
        return tuple(n for n in self._custody() if not n.stations or not here.isdisjoint(n.stations))

    def _surface_watch(self, surface: Surface, advice: SurfaceAdvice, diary: DiaryFacts, now_ms: int) -> SurfaceWatch:
        grass = surface.stations[0].grass if surface.stations else "cool"
        return SurfaceWatch(
            site=self._config.site.name,
            surface=surface.name,
            place=surface.title,
            where=Where(surface.kind, grass, self._config.site.southern, self._zone),
            table=self._tables[surface.name],
            planned=tuple(Intent(p.kind, p.variant, p.depth_m) for p in surface.passes),
            work_hours=self._config.work.hours,
            buried=probes_in_ground(surface, diary, now_ms),
            forecasts=tuple(one.forecast for one in advice.stations),
        )

    def _entries(self, now_ms: int) -> list[DiaryEntry]:
        if self._diary is None:
            return []
        kinds = (*ALERT_KINDS, *BURIED_KINDS)
        return self._diary.entries(kinds, now_ms - BACK_MS, now_ms + AHEAD_MS)

    def _diary_of(self, surface: str, entries: list[DiaryEntry], station: str | None = None) -> DiaryFacts:
        table, plays = self._tables[surface], self._plays.get(surface, ())
        strip = None if station is None else self._strips.get(station)
        return read_diary(entries, surface, table.facts, self._zone, station=station, plays=plays, strip=strip)

    # --- keep --------------------------------------------------------------------------------------------------

    def _keep(
        self,
        places: dict[str, dict[str, AlertState]],
        place: str,
        states: dict[str, AlertState],
        walked: Mapping[str, AlertState],
        said: list[AlertEvent],
    ) -> None:
        """Store the evaluated states that have changed with their events, then make the states of the place visible."""
        kept = places.get(place, {})
        changed = {key: state.to_json() for key, state in walked.items() if state != kept.get(key)}
        if changed or said:
            self._journal.save_alerts(changed, [Event(e.id, e.at_ms, e.to_json()) for e in said])
        with self._lock:
            places[place] = states
        for event in said:
            self._metrics.events.labels(event.rule, event.kind).inc()

    def _is_on(self, rule: RuleName) -> bool:
        return bool(RULE_OF[rule].bounds_in(self._config.alerts).enabled)

    def read_again(self) -> None:
        """Read the stored states; those of rules, surfaces, stations or probes that no longer exist are left out."""
        stations = self._config.stations()
        states: dict[str, dict[str, AlertState]] = {}
        plans: dict[str, dict[str, AlertState]] = {}
        for key, table in self._journal.alert_states().items():
            state = AlertState.from_json(table)
            probes = {p.name for p in stations[state.station].probes} if state.station in stations else set()
            if state.rule in RULE_OF and state.surface in self._surfaces:
                plans.setdefault(state.surface, {})[key] = state
            elif state.rule in RULE_OF and state.station in stations and (not state.probe or state.probe in probes):
                states.setdefault(state.station, {})[key] = state
            elif self._writes:
                self._journal.forget_alert(key)
        with self._lock:
            self._states, self._plans = states, plans

    # --- show --------------------------------------------------------------------------------------------------

    def open_alerts(self, now_ms: int) -> list[OpenAlert]:
        """Return every open alert, the oldest first, with its text as of a moment. [ms since 1970, UTC]"""
        said = (self._told(state, now_ms) for state in self._open())
        return sorted(said, key=lambda a: (a.since_ms, a.station, a.rule, a.probe))

    def _open(self) -> list[AlertState]:
        with self._lock:
            places = [*self._states.values(), *self._plans.values()]
            every = [s for states in places for s in states.values()]
        return [s for s in every if s.is_shown and self._is_on(s.rule)]

    def _told(self, state: AlertState, now_ms: int) -> OpenAlert:
        surface = state.surface or self._config.surface_of(state.station).name
        opened = state.opened_at_ms if state.opened_at_ms is not None else 0
        since = state.since_ms if state.since_ms is not None else opened
        words = state.text or self._last_words(state, opened)
        text, fact = (spoken(one, now_ms, self._zone) for one in (words, fact_of(words)))
        own_id = alert_id(self._config.site.name, state)
        return OpenAlert(
            own_id, state.rule, surface, state.station, state.probe, opened, since, text, fact, state.subject
        )

    def _last_words(self, state: AlertState, opened_ms: int) -> str:
        """Return the text of an alert that an earlier version opened, from its event in the journal."""
        said_ms = opened_ms if state.said_at_ms is None else state.said_at_ms
        mine = (state.station, state.rule, state.probe)
        bodies = [e.body for e in self._journal.events(said_ms, said_ms + 1)]
        found = [b for b in bodies if (b.get("station"), b.get("rule"), b.get("probe")) == mine]
        return str(found[0].get("text", "")) if found else ""
