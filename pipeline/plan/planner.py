"""The plans of a site as pages and messages ask for them: made when something changes, held against the table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.advice.report import SiteAdvice
from pipeline.alerts.runner import OpenAlert
from pipeline.diary.station import StationContext
from pipeline.plan.contradictions import contradictions
from pipeline.plan.seen import seen_of
from pipeline.plan.surface_plan import WorkPlan, plan_of
from pipeline.run.metrics import Metrics
from pipeline.site.settings import SiteConfig
from pipeline.store import Store
from pipeline.units import MINUTE_MS


@dataclass(frozen=True)
class SitePlan:
    """What is to be done on a site: its advice as the plans have it, the open alerts, and the plan of each surface.

    `advice` is None, and there are no plans, until the first of it has been worked out.
    """

    advice: SiteAdvice | None
    alerts: tuple[OpenAlert, ...]
    surfaces: Mapping[str, WorkPlan]


class Planner:
    """Makes the plans of a site, anew with new advice, other alerts or the next minute.

    Parameters
    ----------
    config : SiteConfig
    store : Store
    context_of : callable
        Gives the context of a station.
    metrics : Metrics
    """

    def __init__(
        self, config: SiteConfig, store: Store, context_of: Callable[[str], StationContext], metrics: Metrics
    ) -> None:
        self._config, self._store, self._context_of, self._metrics = config, store, context_of, metrics
        self._surfaces = {surface.name: surface for surface in config.surfaces}
        self._made: tuple[object, SitePlan] | None = None

    def plan(self, advice: SiteAdvice | None, alerts: Sequence[OpenAlert], now_ms: int) -> SitePlan:
        """Return the plan of the site.

        Parameters
        ----------
        advice : SiteAdvice or None
            The newest, each part by itself.
        alerts : sequence of OpenAlert
        now_ms : int
            [ms since 1970, UTC]

        Raises
        ------
        StoreAway
        """
        key = (advice, tuple(alerts), now_ms // MINUTE_MS)
        made = self._made
        if made is None or not _same(made[0], key):
            made = self._made = (key, self._anew(advice, alerts, now_ms))
        return made[1]

    def _anew(self, advice: SiteAdvice | None, alerts: Sequence[OpenAlert], now_ms: int) -> SitePlan:
        if advice is None:
            return SitePlan(None, tuple(alerts), {})
        plans: dict[str, WorkPlan] = {}
        for one in advice.surfaces:
            surface = self._surfaces.get(one.surface)
            if surface is not None:
                contexts = {station.name: self._context_of(station.name) for station in surface.stations}
                seen = seen_of(self._config, self._store, surface, contexts, alerts, now_ms)
                plans[one.surface] = plan_of(one, seen)
        for plan in plans.values():
            for pair in contradictions(plan.lines):
                self._metrics.contradictions.labels(pair).inc()
        texts = {alert_id: text for plan in plans.values() for alert_id, text in plan.texts.items()}
        return SitePlan(
            replace(
                advice, surfaces=tuple(plans[s.surface].advice if s.surface in plans else s for s in advice.surfaces)
            ),
            tuple(replace(alert, text=texts.get(alert.alert_id, alert.text)) for alert in alerts),
            plans,
        )


def _same(before: object, now: object) -> bool:
    """Return whether plans were made of the same: advice is compared by identity, it holds arrays."""
    assert isinstance(before, tuple) and isinstance(now, tuple)
    return before[0] is now[0] and before[1:] == now[1:]
