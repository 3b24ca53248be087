"""The shell about the alert rules: hands them what is new and keeps what they say.

States and events are saved in one transaction, so that a kill keeps both or neither. The rules themselves are pure and
live in `pipeline.advice`; nothing is decided here. The worker asks for the rules of a station, the advisor for those
about plans: one at a time, each in its own thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.advice.report import SiteAdvice, SurfaceAdvice
from pipeline.advice.treatments import treatments
from pipeline.alerts.bounds import AlertsConfig
from pipeline.alerts.frost import frost_foretold
from pipeline.alerts.gating import heed
from pipeline.alerts.model import (
    AlertBounds,
    AlertEvent,
    AlertState,
    StationWatch,
    Where,
    alert_id,
)
from pipeline.alerts.plans import SurfaceWatch, plan
from pipeline.alerts.rules import PERIOD_RULES, evaluate, first_states, needed_from_ms, period_start_ms
from pipeline.alerts.water import foretold
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import (
    AHEAD_MS,
    ALERT_KINDS,
    BACK_MS,
    DiaryFacts,
    Intent,
    TimeSpans,
    buried,
    diary_of,
)
from pipeline.diary.facts import PROBE_KINDS as BURIED_KINDS
from pipeline.run.metrics import Metrics
from pipeline.site.models import SiteConfig, Surface
from pipeline.site.station import StationContext
from pipeline.stages.tables import no_findings
from pipeline.store import Store
from pipeline.store.diary import Diary as DiaryStore
from pipeline.store.journal import Event, Journal

WALK_MS = 31 * 86_400_000  # at most so much at a time, to bound memory and the length of a step
BEFORE_WETTING_MS = 2 * 3_600_000  # so far back the root zone before a wetting is looked for
_RULE_QUANTITIES = ("thatch_wetness", "thatch_air", "root_zone_wetness", "top_layer_wetness")
_PERIOD_QUANTITIES = ("root_depth_90", "soil_temperature_050", "wetting_given", "arrival_share")
_NO_OBSERVATIONS = pd.DataFrame({"channel": [], "measured_at_ms": [], "value": [], "flag": []})


@dataclass(frozen=True, slots=True)
class OpenAlert:
    """An alert that is open now, in the words of its last event. `station` is empty for one about a whole surface."""

    alert_id: str
    rule: str
    surface: str
    station: str
    probe: str
    opened_at_ms: int
    since_ms: int
    text: str


class AlertRunner:
    """Runs the rules of every station and every surface.

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
    """

    def __init__(
        self,
        config: SiteConfig,
        store: Store,
        journal: Journal,
        metrics: Metrics,
        context_of: Callable[[str], StationContext],
        diary: DiaryStore | None = None,
    ) -> None:
        self._config, self._store, self._journal, self._metrics = config, store, journal, metrics
        self._context_of, self._diary = context_of, diary
        self._bounds = AlertBounds.from_config(AlertsConfig.of(config.alerts))
        self._zone = ZoneInfo(config.site.timezone)
        self._surfaces = {surface.name: surface for surface in config.surfaces}
        self._tables = {s.name: treatments().for_surface(s.kind, config.bounds[s.name]) for s in config.surfaces}
        self._walking = threading.Lock()  # one walk of rules at a time, whoever asks
        self._lock = threading.Lock()  # states may be read meanwhile
        self._states: dict[str, dict[str, AlertState]] = {}
        self._plans: dict[str, dict[str, AlertState]] = {}
        self._plays: dict[str, TimeSpans] = {}
        self._load()

    def evaluate(self, station: str, now_ms: int, *, periods: bool = True) -> tuple[list[AlertEvent], bool]:
        """Walk the rules of a station on, towards a time until which its record is complete.

        Parameters
        ----------
        station : str
        now_ms : int
            [ms since 1970, UTC]
        periods : bool
            Whether its days and fortnights are worked out; without them the rules that rest on them wait.

        Returns
        -------
        (list of AlertEvent, bool)
            What they said, and whether there is more to walk.
        """
        with self._walking:
            return self._evaluate(station, now_ms, periods=periods)

    def plan(self, advice: SiteAdvice) -> list[AlertEvent]:
        """Run the rules about plans over the newest advice, and what is foretold of its stations.

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
            return [e for one in advice.surfaces if one.surface in self._surfaces
                    for e in self._plan(one, entries, advice.at_ms)]  # fmt: skip

    def _evaluate(self, station: str, now_ms: int, *, periods: bool) -> tuple[list[AlertEvent], bool]:
        context = self._context_of(station)
        known = self._states_of(station, context, now_ms)
        states = {key: state for key, state in known.items() if self._walks(state, context)}
        if not periods:
            states = {key: state for key, state in states.items() if state.rule not in PERIOD_RULES}
        start_ms = needed_from_ms(states.values())
        until_ms = min(now_ms, start_ms + WALK_MS)
        if not states or until_ms <= start_ms:
            return [], False
        watch = self._watch(station, context, start_ms, until_ms, states.values())
        diary = self._diary_of(watch.surface, self._entries(until_ms), station, context.waterings)
        after, said = evaluate(states, watch, diary, until_ms, self._bounds)
        self._keep(self._states.get(station, {}), after, said)
        with self._lock:
            self._states[station] = {**known, **after}
        self._count(said)
        return said, until_ms < now_ms

    def _plan(self, advice: SurfaceAdvice, entries: list[DiaryEntry], now_ms: int) -> list[AlertEvent]:
        surface = self._surfaces[advice.surface]
        self._plays[surface.name] = tuple((play.start_ms, play.end_ms) for play in advice.play)
        diary = self._diary_of(surface.name, entries)
        kept = self._plans.get(surface.name, {})
        after, said = plan(kept, self._surface_watch(surface, advice, entries, now_ms), advice, diary, now_ms,
                           self._bounds)  # fmt: skip
        self._keep(kept, after, said)
        for key in kept.keys() - after.keys():
            self._journal.forget_alert(key)
        with self._lock:
            self._plans[surface.name] = after
        for one in advice.stations:
            said = said + self._foretell(one.station, advice, entries, now_ms)
        self._count(said)
        return said

    def _foretell(
        self, station: str, advice: SurfaceAdvice, entries: list[DiaryEntry], now_ms: int
    ) -> list[AlertEvent]:
        """What the forecast says of a station that is not there yet: frost, dry roots, thatch about to repel."""
        if station not in self._config.stations():
            return []
        context = self._context_of(station)
        known = self._states_of(station, context, now_ms)
        watch = self._watch_without_data(station, context)
        diary = self._diary_of(advice.surface, entries, station, context.waterings)
        forecast = next(one.forecast for one in advice.stations if one.station == station)
        after: dict[str, AlertState] = {}
        said: list[AlertEvent] = []
        for key, state in known.items():
            if not getattr(self._bounds, state.rule).enabled:
                continue
            if state.rule in ("roots_dry", "thatch_to_repel"):
                found = foretold(state, watch, forecast, diary, now_ms, self._bounds)
            elif state.rule == "frost_at_dawn":
                spot = replace(watch, place=watch.surface_title)
                found = frost_foretold(state, spot, advice.dawn_leaf_degc, diary, now_ms, self._bounds)
            else:
                continue
            after[key], events = heed(state, *found, watch, diary, now_ms, self._bounds)
            said += events
        self._keep(self._states.get(station, {}), after, said)
        with self._lock:
            self._states[station] = {**known, **after}
        return said

    def _keep(self, kept: Mapping[str, AlertState], after: Mapping[str, AlertState], said: list[AlertEvent]) -> None:
        changed = {key: state.to_json() for key, state in after.items() if state != kept.get(key)}
        if changed or said:
            self._journal.save_alerts(changed, [Event(e.id, e.at_ms, e.to_json()) for e in said])

    def _count(self, said: list[AlertEvent]) -> None:
        for event in said:
            self._metrics.events.labels(event.rule, event.kind).inc()
        self._metrics.alerts_open.set(len(self._open()))

    def open_alerts(self) -> list[OpenAlert]:
        """Every alert that is open, the oldest first."""
        return sorted((self._told(s) for s in self._open()), key=lambda a: (a.since_ms, a.station, a.rule, a.probe))

    def _open(self) -> list[AlertState]:
        with self._lock:
            places = [*self._states.values(), *self._plans.values()]
            every = [s for states in places for s in states.values()]
        return [s for s in every if s.is_shown and getattr(self._bounds, s.rule).enabled]

    def _walks(self, state: AlertState, context: StationContext) -> bool:
        """Whether a state is walked on: its rule is switched on, and its probe is read by the clock."""
        start = f"{state.station}/{state.probe}/"
        spoken = [c.heard for i, c in context.channels.items() if i.startswith(start)]
        return getattr(self._bounds, state.rule).enabled and not (
            state.probe and all(heard.startswith("cone_") for heard in spoken)
        )

    def _told(self, state: AlertState) -> OpenAlert:
        surface = state.surface or self._config.surface_of(state.station).name
        opened = state.opened_at_ms if state.opened_at_ms is not None else 0
        since = state.since_ms if state.since_ms is not None else opened
        text = state.text or self._last_words(state, opened)
        own_id = alert_id(self._config.site.name, state)
        return OpenAlert(own_id, state.rule, surface, state.station, state.probe, opened, since, text)

    def _last_words(self, state: AlertState, opened_ms: int) -> str:
        """Words of an alert that an earlier version opened: they stand in the journal alone."""
        said_ms = opened_ms if state.said_at_ms is None else state.said_at_ms
        mine = (state.station, state.rule, state.probe)
        bodies = [e.body for e in self._journal.events(said_ms, said_ms + 1)]
        found = [b for b in bodies if (b.get("station"), b.get("rule"), b.get("probe")) == mine]
        return str(found[0].get("text", "")) if found else ""

    def _load(self) -> None:
        """Take up the kept states; those of surfaces, stations or probes that are no longer there are forgotten."""
        stations = self._config.stations()
        for key, table in self._journal.alert_states().items():
            state = AlertState.from_json(table)
            probes = {p.name for p in stations[state.station].probes} if state.station in stations else set()
            if state.surface in self._surfaces:
                self._plans.setdefault(state.surface, {})[key] = state
            elif state.station in stations and (not state.probe or state.probe in probes):
                self._states.setdefault(state.station, {})[key] = state
            else:
                self._journal.forget_alert(key)

    def _states_of(self, station: str, context: StationContext, now_ms: int) -> dict[str, AlertState]:
        kept = self._states.get(station, {})
        # States of rules or probes that are new are made from the first reading on, or from now.
        heard = None if kept else self._store.span([i for i in context.channel_ids if context.owns(i)])
        begin_ms = now_ms if heard is None else min(heard[0], now_ms)
        fresh = first_states(context, begin_ms, frost=self._tells_of_frost(station))
        return {key: kept.get(key, state) for key, state in fresh.items()}

    def _watch(
        self, station: str, context: StationContext, start_ms: int, until_ms: int, states: Collection[AlertState]
    ) -> StationWatch:
        period_ms = period_start_ms(states)
        findings = self._store.findings(station, _RULE_QUANTITIES, start_ms, until_ms + 1)
        if period_ms is not None:
            drawn = self._store.findings(station, _PERIOD_QUANTITIES, period_ms, until_ms + 1)
            parts = [findings, drawn, *self._before_wettings(station, drawn, states)]
            findings = pd.concat(parts, ignore_index=True) if len(drawn) else findings
        seen = self._store.observations(context.observed_ids, start_ms, until_ms + 1)
        return replace(self._watch_without_data(station, context), findings=findings, observations=seen)

    def _before_wettings(self, station: str, drawn: pd.DataFrame, states: Collection[AlertState]) -> list[pd.DataFrame]:
        """Wetness of the root zone in the hours before each wetting still to be judged: one that was full had no room
        for more."""
        judged_ms = min((s.evaluated_to_ms for s in states if s.rule == "water_not_arriving"), default=None)
        if judged_ms is None:
            return []
        given = drawn["start_ms"][(drawn["quantity"] == "wetting_given") & (drawn["start_ms"] > judged_ms)]
        starts = given.tolist()
        return [self._store.findings(station, ("root_zone_wetness",), at - BEFORE_WETTING_MS, at) for at in starts]

    def _watch_without_data(self, station: str, context: StationContext) -> StationWatch:
        own = self._config.stations()[station]
        surface = self._config.surface_of(station)
        place = own.title if own.title.startswith(surface.title) else f"{surface.title}, {own.title}"
        return StationWatch(
            site=self._config.site.name,
            surface=surface.name,
            place=place,
            context=context,
            findings=no_findings(),
            observations=_NO_OBSERVATIONS,
            zone=self._zone,
            surface_title=surface.title,
        )

    def _surface_watch(
        self, surface: Surface, advice: SurfaceAdvice, entries: list[DiaryEntry], now_ms: int
    ) -> SurfaceWatch:
        latitude_deg = self._config.site.latitude_deg
        grass = surface.stations[0].grass if surface.stations else "cool"
        return SurfaceWatch(
            site=self._config.site.name,
            surface=surface.name,
            place=surface.title,
            where=Where(surface.kind, grass, latitude_deg is not None and latitude_deg < 0.0, self._zone),
            table=self._tables[surface.name],
            planned=tuple(Intent(p.kind, p.variant, p.depth_m) for p in surface.passes),
            work_hours=self._config.work.hours,
            buried=buried(surface, entries, now_ms),
            forecasts=tuple(one.forecast for one in advice.stations),
        )

    def _entries(self, now_ms: int) -> list[DiaryEntry]:
        if self._diary is None:
            return []
        kinds = (*ALERT_KINDS, *BURIED_KINDS)
        return self._diary.entries(kinds, now_ms - BACK_MS, now_ms + AHEAD_MS)

    def _diary_of(
        self, surface: str, entries: list[DiaryEntry], station: str | None = None, waterings: TimeSpans = ()
    ) -> DiaryFacts:
        table, plays = self._tables[surface], self._plays.get(surface, ())
        return diary_of(entries, surface, table.facts, self._zone, station=station, waterings=waterings, plays=plays)

    def _tells_of_frost(self, station: str) -> bool:
        """One station of each surface: the first that has probes."""
        surface = self._config.surface_of(station)
        return station == next((s.name for s in surface.stations if s.probes), "")
