"""What a plan rests on beside the advice: open alerts, the ground just now, and what came of the latest water."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.alerts.runner import OpenAlert
from pipeline.alerts.surface import DAWN_UNTIL_HOUR, FROST_AT_DAWN, STAY_OFF
from pipeline.diary.station import StationContext
from pipeline.site.ground import Surface
from pipeline.site.settings import SiteConfig
from pipeline.stages.stage import NO_SERIES
from pipeline.store import Store
from pipeline.units import DAY_MS, HOUR_MS

FRESH_MS = 3 * HOUR_MS  # a reading older than this says nothing of the ground now: our own choice
ACCOUNT_BACK_MS = 60 * DAY_MS
TOPS = ("top_layer_wetness", "root_zone_wetness")


@dataclass(frozen=True)
class Seen:
    """What is known of a surface just now, beside what is advised on it.

    Attributes
    ----------
    now_ms : int
        [ms since 1970, UTC]
    zone : tzinfo
        Of the site.
    wettest : float or None
        Relative wetness of the wettest top or root zone of its stations; None where no fresh reading tells. [1]
    wet_bound : float
        Wetter than this it is not to be gone on, as the alert has it. [1]
    is_frozen : bool
        Frost on the leaf, or told for this dawn.
    arrived : mapping of str to float
        By station, the share of the latest water that reached the roots. [1]
    arrived_bounds : (float, float)
        Less than the first: it stopped short; more than the second: it arrived. As the alert has it. [1]
    alerts : sequence of OpenAlert
        Of the surface and its stations.
    """

    now_ms: int
    zone: datetime.tzinfo
    wettest: float | None = None
    wet_bound: float = STAY_OFF.bounds().on_wetness
    is_frozen: bool = False
    arrived: Mapping[str, float] = field(default_factory=dict)
    arrived_bounds: tuple[float, float] = (0.2, 0.5)
    alerts: Sequence[OpenAlert] = ()

    def date(self, at_ms: int) -> datetime.date:
        """Return the day of a moment by the site's clock. [ms since 1970, UTC]"""
        return datetime.datetime.fromtimestamp(at_ms / 1000, self.zone).date()

    @property
    def is_wet(self) -> bool:
        """Return whether the ground is too wet to be gone on."""
        return self.wettest is not None and self.wettest > self.wet_bound


def seen_of(
    config: SiteConfig,
    store: Store,
    surface: Surface,
    contexts: Mapping[str, StationContext],
    alerts: Sequence[OpenAlert],
    now_ms: int,
) -> Seen:
    """Return what is known of a surface just now.

    Parameters
    ----------
    config : SiteConfig
    store : Store
    surface : Surface
    contexts : mapping of str to StationContext
        Of its stations.
    alerts : sequence of OpenAlert
        Of the site.
    now_ms : int
        [ms since 1970, UTC]

    Raises
    ------
    StoreAway
    """
    zone = ZoneInfo(config.site.timezone)
    here = [one for one in alerts if one.surface == surface.name]
    wet = [w for name in contexts for w in _last(store, name, TOPS, now_ms - FRESH_MS, now_ms)]
    hour = datetime.datetime.fromtimestamp(now_ms / 1000, zone).hour
    told = hour < DAWN_UNTIL_HOUR and any(one.rule == FROST_AT_DAWN.name for one in here)
    shares = {
        name: found[-1]
        for name in contexts
        if (found := _last(store, name, ("arrival_share",), now_ms - ACCOUNT_BACK_MS, now_ms))
    }
    return Seen(
        now_ms=now_ms,
        zone=zone,
        wettest=max(wet, default=None),
        wet_bound=STAY_OFF.bounds_in(config.alerts).on_wetness,
        is_frozen=told or _is_frozen(config, store, contexts, now_ms),
        arrived=shares,
        arrived_bounds=(
            config.alert_bound("water_not_arriving", "on_share"),
            config.alert_bound("water_not_arriving", "off_share"),
        ),
        alerts=here,
    )


def _last(store: Store, station: str, quantities: Sequence[str], start_ms: int, end_ms: int) -> list[float]:
    """Return the last known value of each quantity that has one. [the unit of the quantity]"""
    found = store.finding_series(station, quantities, start_ms, end_ms + 1)
    known = [values[np.isfinite(values)] for _, values in (found.get(name, NO_SERIES) for name in quantities)]
    return [float(values[-1]) for values in known if values.size]


def _is_frozen(config: SiteConfig, store: Store, contexts: Mapping[str, StationContext], now_ms: int) -> bool:
    """Return whether a leaf thermometer of the surface reads frost."""
    leaves = [leaf for one in contexts.values() if (leaf := one.weather.get("surface_temperature", ""))]
    found = store.channel_series(leaves, now_ms - FRESH_MS, now_ms + 1) if leaves else {}
    bound = FROST_AT_DAWN.bounds_in(config.alerts).on_degc
    last = [values[np.isfinite(values)] for _, values in found.values()]
    return any(values.size > 0 and float(values[-1]) <= bound for values in last)
