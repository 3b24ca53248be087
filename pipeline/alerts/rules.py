"""The alert rules of a station and the one call that runs them all.

Pure: the findings, observations, diary, time and states come in, new states and events go out. States are kept with the
events they led to, in one transaction, by the judge; then a restart neither loses nor repeats an alert. A table of
rules, no more: each is a function. Those about the plans for a surface are in `plan_alerts`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from pipeline.alerts.frost import frost_at_dawn
from pipeline.alerts.gating import heed
from pipeline.alerts.model import (
    AlertBounds,
    AlertEvent,
    AlertState,
    StationWatch,
)
from pipeline.alerts.probes import probe_channels, probe_fault
from pipeline.alerts.roots import roots_shallow
from pipeline.alerts.water import (
    roots_dry,
    stay_off,
    thatch_holding,
    thatch_to_repel,
    water_not_arriving,
    water_running,
)
from pipeline.diary.facts import (
    DiaryFacts,
)
from pipeline.site.station import StationContext
from pipeline.soil.layers import CELL_MS

Rule = Callable[[AlertState, StationWatch, DiaryFacts, int, AlertBounds], tuple[AlertState, list[AlertEvent]]]

RULES: Mapping[str, Rule] = {
    "thatch_holding": thatch_holding,
    "roots_dry": roots_dry,
    "probe_fault": probe_fault,
    "roots_shallow": roots_shallow,
    "water_not_arriving": water_not_arriving,
    "thatch_to_repel": thatch_to_repel,
    "frost_at_dawn": frost_at_dawn,
    "stay_off": stay_off,
    "water_running": water_running,
}
PERIOD_RULES = ("roots_shallow", "water_not_arriving")  # they rest on findings of fortnights and of whole wettings
OF_WATER = ("thatch_holding", "roots_dry", "roots_shallow", "water_not_arriving", "thatch_to_repel", "stay_off",
            "water_running")  # fmt: skip


def first_states(context: StationContext, begin_ms: int, *, frost: bool = True) -> dict[str, AlertState]:
    """States of a station that has not been watched before.

    Parameters
    ----------
    context : StationContext
    begin_ms : int
        From when it is watched: the time of its first reading, or now if there is none. A probe never heard counts as
        silent from then. [ms since 1970, UTC]
    frost : bool
        Whether it is this station that tells of frost; one of each surface is enough.

    Returns
    -------
    dict of str to AlertState
        By key; a state that is kept already is to be preferred.
    """
    before_ms = begin_ms // CELL_MS * CELL_MS - CELL_MS
    probes = dict.fromkeys(i.split("/")[1] for i in context.channels if context.owns(i))
    rules = (*(OF_WATER if context.moisture else ()), *(("frost_at_dawn",) if frost else ()))
    states = [AlertState(rule, context.station, "", before_ms) for rule in rules]
    states += [AlertState("probe_fault", context.station, probe, before_ms) for probe in probes]
    return {state.key: state for state in states}


def needed_from_ms(states: Iterable[AlertState]) -> int:
    """From when findings and observations must be handed in. [ms since 1970, UTC] 0 without states of such rules."""
    return min((s.evaluated_to_ms + CELL_MS for s in states if s.rule not in PERIOD_RULES), default=0)


def period_start_ms(states: Iterable[AlertState]) -> int | None:
    """From when findings of days and fortnights must be handed in [ms since 1970, UTC]; None if no rule asks."""
    return min((s.evaluated_to_ms + 1 for s in states if s.rule in PERIOD_RULES), default=None)


def evaluate(
    states: Mapping[str, AlertState], watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[dict[str, AlertState], list[AlertEvent]]:
    """Run every rule that is switched on over what is new.

    Parameters
    ----------
    states : mapping of str to AlertState
        Those of this station, see `first_states`.
    watch : StationWatch
        Findings and observations from `needed_from_ms` on.
    diary : Diary
    now_ms : int
        Until when the record is complete; see `probe_fault`. [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (dict of str to AlertState, list of AlertEvent)
        New states under the same keys; events in the order of time.
    """
    after: dict[str, AlertState] = {}
    events: list[AlertEvent] = []
    for key, state in states.items():
        after[key] = state
        switched_on = getattr(bounds, state.rule).enabled
        read = state.rule != "probe_fault" or probe_channels(watch, state.probe)
        if switched_on and read:
            found, said = RULES[state.rule](state, watch, diary, now_ms, bounds)
            after[key], said = heed(state, found, said, watch, diary, now_ms, bounds)
            events += said
    return after, sorted(events, key=lambda e: (e.at_ms, e.rule, e.probe))
