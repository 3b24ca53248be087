"""The shell about the alert rules: hands them what is new and keeps what they say.

States and events are saved in one transaction, so that a kill keeps both or neither. The rules themselves are pure and
live in `pipeline.advice`; nothing is decided here.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from pipeline.advice.alerts import (
    PERIOD_RULES,
    AlertBounds,
    AlertEvent,
    AlertState,
    Diary,
    StationWatch,
    evaluate,
    first_states,
    needed_from_ms,
    period_start_ms,
)
from pipeline.config import SiteConfig
from pipeline.metrics import Metrics
from pipeline.stages import StationContext
from pipeline.store import Store
from pipeline.store.journal import Event, Journal

WALK_MS = 31 * 86_400_000  # at most so much at a time, to bound memory and the length of a step
_RULE_QUANTITIES = ("thatch_wetness", "thatch_air", "root_zone_wetness")
_PERIOD_QUANTITIES = ("root_depth_90", "soil_temperature_050")


@dataclass(frozen=True, slots=True)
class OpenAlert:
    """An alert that is open now, in the words of its last event."""

    alert_id: str
    rule: str
    surface: str
    station: str
    probe: str
    opened_at_ms: int
    since_ms: int
    text: str


class Judge:
    """Runs the rules of every station.

    Parameters
    ----------
    config : SiteConfig
    store : Store
    journal : Journal
    metrics : Metrics
    context_of : callable
        The stages' context of a station, by its name.
    """

    def __init__(
        self,
        config: SiteConfig,
        store: Store,
        journal: Journal,
        metrics: Metrics,
        context_of: Callable[[str], StationContext],
    ) -> None:
        self._config, self._store, self._journal, self._metrics = config, store, journal, metrics
        self._context_of = context_of
        self._bounds = AlertBounds.from_config(config.alerts)
        self._lock = threading.Lock()
        self._states: dict[str, dict[str, AlertState]] = {}
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
        context = self._context_of(station)
        known = self._states_of(station, context, now_ms)
        states = {key: state for key, state in known.items() if self._walks(state, context)}
        if not periods:
            states = {key: state for key, state in states.items() if state.rule not in PERIOD_RULES}
        start_ms = needed_from_ms(states.values())
        until_ms = min(now_ms, start_ms + WALK_MS)
        if not states or until_ms <= start_ms:
            return [], False
        watch = self._watch(station, context, start_ms, until_ms, period_start_ms(states.values()))
        after, said = evaluate(states, watch, Diary(context.waterings), until_ms, self._bounds)
        kept = self._states.get(station, {})
        changed = {key: state.to_json() for key, state in after.items() if state != kept.get(key)}
        if changed or said:
            self._journal.save_alerts(changed, [Event(e.id, e.at_ms, e.to_json()) for e in said])
        with self._lock:
            self._states[station] = {**known, **after}
        for event in said:
            self._metrics.events.labels(event.rule, event.kind).inc()
        self._metrics.alerts_open.set(len(self._open()))
        return said, until_ms < now_ms

    def open_alerts(self) -> list[OpenAlert]:
        """Every alert that is open, the oldest first."""
        return sorted((self._told(s) for s in self._open()), key=lambda a: (a.since_ms, a.station, a.rule, a.probe))

    def _open(self) -> list[AlertState]:
        with self._lock:
            every = [s for states in self._states.values() for s in states.values()]
        return [s for s in every if s.is_open and getattr(self._bounds, s.rule).enabled]

    def _walks(self, state: AlertState, context: StationContext) -> bool:
        """Whether a state is walked on: its rule is switched on, and its probe is read by the clock."""
        start = f"{state.station}/{state.probe}/"
        spoken = [c.heard for i, c in context.channels.items() if i.startswith(start)]
        return getattr(self._bounds, state.rule).enabled and not (
            state.probe and all(heard.startswith("cone_") for heard in spoken)
        )

    def _told(self, state: AlertState) -> OpenAlert:
        surface = self._config.stations()[state.station].surface
        opened = state.opened_at_ms if state.opened_at_ms is not None else 0
        said = state.said_at_ms if state.said_at_ms is not None else opened
        since = state.since_ms if state.since_ms is not None else opened
        body = next(
            (
                e.body
                for e in self._journal.events(said, said + 1)
                if (e.body.get("station"), e.body.get("rule"), e.body.get("probe"))
                == (state.station, state.rule, state.probe)
            ),
            {},
        )
        words = (str(body.get("alert_id", "")), state.rule, surface, state.station, state.probe)
        return OpenAlert(*words, opened, since, str(body.get("text", "")))

    def _load(self) -> None:
        """Take up the kept states; those of stations or probes that are no longer there are forgotten."""
        stations = self._config.stations()
        for key, table in self._journal.alert_states().items():
            if "rule" not in table:
                continue  # another part's notes
            state = AlertState.from_json(table)
            probes = {p.name for p in stations[state.station].probes} if state.station in stations else set()
            if state.station in stations and (not state.probe or state.probe in probes):
                self._states.setdefault(state.station, {})[key] = state
            else:
                self._journal.forget_alert(key)

    def _states_of(self, station: str, context: StationContext, now_ms: int) -> dict[str, AlertState]:
        kept = self._states.get(station, {})
        # States of rules or probes that are new are made from the first reading on, or from now.
        heard = None if kept else self._store.span([i for i in context.channel_ids if context.owns(i)])
        fresh = first_states(context, now_ms if heard is None else min(heard[0], now_ms))
        return {key: kept.get(key, state) for key, state in fresh.items()}

    def _watch(
        self, station: str, context: StationContext, start_ms: int, until_ms: int, period_ms: int | None
    ) -> StationWatch:
        own = self._config.stations()[station]
        surface = next(s for s in self._config.surfaces if s.name == own.surface)
        findings = self._store.findings(station, _RULE_QUANTITIES, start_ms, until_ms + 1)
        if period_ms is not None:
            drawn = self._store.findings(station, _PERIOD_QUANTITIES, period_ms, until_ms + 1)
            findings = pd.concat([findings, drawn], ignore_index=True) if len(drawn) else findings
        place = own.title if own.title.startswith(surface.title) else f"{surface.title}, {own.title}"
        return StationWatch(
            site=self._config.site.name,
            surface=own.surface,
            place=place,
            context=context,
            findings=findings,
            observations=self._store.observations(context.channel_ids, start_ms, until_ms + 1),
        )
