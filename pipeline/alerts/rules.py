"""The tuple of all alert rules, and the evaluation of those of one station.

Everything else that lists rules derives from `RULES`: first states, what the runner reads, what a site may set, how
people are notified.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import BaseModel

from pipeline.alerts.model import (
    Ahead,
    AlertEvent,
    AlertRule,
    AlertState,
    Facts,
    RuleBounds,
    RuleGrain,
    RuleName,
    Scope,
    StationWatch,
)
from pipeline.alerts.plans import PLAN_RULES
from pipeline.alerts.probes import PROBE_RULES
from pipeline.alerts.surface import SURFACE_RULES
from pipeline.alerts.walk import apply_marks, look_ahead, walk
from pipeline.alerts.water import WATER_RULES
from pipeline.diary.facts import DiaryFacts
from pipeline.site.station import StationContext
from pipeline.units import QUARTER_HOUR_MS

RULES: tuple[AlertRule[Any], ...] = (*WATER_RULES, *PROBE_RULES, *SURFACE_RULES, *PLAN_RULES)
RULE_OF: Mapping[RuleName, AlertRule[Any]] = {rule.name: rule for rule in RULES}
BOUNDS_OF_RULES: Mapping[str, type[RuleBounds]] = {rule.name: rule.bounds for rule in RULES}
QUARTER_HOUR_READS = tuple(dict.fromkeys(q for r in RULES if r.grain is RuleGrain.QUARTER_HOUR for q in r.reads))
DAY_READS = tuple(dict.fromkeys(q for r in RULES if r.grain is RuleGrain.DAY for q in r.reads))


def first_states(context: StationContext, begin_ms: int, *, of_surface: bool = True) -> dict[str, AlertState]:
    """Return the first states of a station.

    Parameters
    ----------
    context : StationContext
    begin_ms : int
        From when it is watched: the time of its first reading, or now if there is none. A probe never heard counts as
        silent from then. [ms since 1970, UTC]
    of_surface : bool
        Whether it is this station that tells what concerns the whole surface; one of each surface is enough.

    Returns
    -------
    dict of str to AlertState
        By key; a state that is kept already is to be preferred.
    """
    before_ms = begin_ms // QUARTER_HOUR_MS * QUARTER_HOUR_MS - QUARTER_HOUR_MS
    in_ground = bool(context.moisture or context.temperatures)
    probes_of = {
        Scope.STATION: ("",) if in_ground else (),
        Scope.SURFACE: ("",) if of_surface else (),
        Scope.PROBE: tuple(dict.fromkeys(i.split("/")[1] for i in context.channels if context.owns(i))),
    }
    states = [AlertState(r.name, context.station, p, before_ms) for r in RULES for p in probes_of.get(r.scope, ())]
    return {state.key: state for state in states}


@dataclass(frozen=True, slots=True)
class Needed:
    """The spans of data needed to evaluate some states. [ms since 1970, UTC]

    Attributes
    ----------
    from_ms : int
        From when observations and findings of quarter hours are needed; 0 if no rule asks.
    days_from_ms : int or None
        From when findings of days, fortnights and wettings are needed; None if no rule asks.
    before : tuple of (str, float, str, int)
        Quarter-hour findings needed before spans: quantity, hours back, quantity of the spans, after which time.
    """

    from_ms: int
    days_from_ms: int | None
    before: tuple[tuple[str, float, str, int], ...]


def needed(states: Iterable[AlertState]) -> Needed:
    """Return the spans of data needed to evaluate some states further."""
    kept = [(RULE_OF[state.rule], state.evaluated_to_ms) for state in states]
    days = [(rule, at_ms) for rule, at_ms in kept if rule.grain is RuleGrain.DAY]
    return Needed(
        min((at_ms + QUARTER_HOUR_MS for rule, at_ms in kept if rule.grain is not RuleGrain.DAY), default=0),
        min((at_ms + 1 for _, at_ms in days), default=None),
        tuple((q, back_h, rule.reads[0], at_ms) for rule, at_ms in days for q, back_h in rule.before.items()),
    )


def facts_of(
    rule: AlertRule[Any], watch: StationWatch, diary: DiaryFacts, alerts: Mapping[str, BaseModel]
) -> Facts[Any]:
    """Return the facts for a rule of a station; a rule about the whole surface reports under the title of the
    surface."""
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
