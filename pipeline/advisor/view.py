"""What a working-out of advice rests on: the moment, the sources, the diary, and what is kept from one to the next.

It holds and hands on; nothing is worked out here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar
from zoneinfo import ZoneInfo

from pipeline.advice.balance_fit import Fit
from pipeline.advice.daily import DAY_MS, HOUR_MS
from pipeline.advice.forecast_file import WeatherForecast
from pipeline.advisor.lately import Lately
from pipeline.recompute import station_context
from pipeline.site import SiteConfig
from pipeline.station import StationContext
from pipeline.store import Store
from pipeline.store.diary import Diary
from pipeline.store.entry import DiaryEntry

T = TypeVar("T")


@dataclass
class AdviceCache:
    """What is kept from one working-out to the next; a new one costs time and nothing else.

    `fit_days` is how long a fit stands. [d]
    """

    fit_days: int = 1
    lately: Lately | None = None
    contexts: dict[str, tuple[object, StationContext]] = field(default_factory=dict)
    fits: dict[str, tuple[object, Fit]] = field(default_factory=dict)
    daily: dict[object, tuple[int, object]] = field(default_factory=dict)

    def of(self, store: Store) -> Lately:
        """The store's last weeks."""
        if self.lately is None:
            self.lately = Lately(store)
        return self.lately

    def forget(self) -> None:
        """The diary has changed, and what was drawn from the past with it."""
        self.contexts.clear()
        if self.lately is not None:
            self.lately.forget()

    def once_a_day(self, name: object, day: int, work: Callable[[], T]) -> T:
        """What `work` gives, worked out once a day."""
        kept = self.daily.get(name)
        if kept is None or kept[0] != day:
            self.daily[name] = kept = (day, work())
        return kept[1]  # type: ignore[return-value]


@dataclass(frozen=True)
class View:
    """What a working-out rests on, the same for every station.

    `hour_ms` is the whole hour that now falls in. `forecast` is a weather forecast fit for use, None without one;
    `forecast_faults` say why.
    """

    config: SiteConfig
    store: Store
    diary: Diary
    cache: AdviceCache
    now_ms: int
    zone: ZoneInfo
    entries: tuple[DiaryEntry, ...]
    forecast: WeatherForecast | None = None
    forecast_faults: tuple[str, ...] = ()

    @property
    def hour_ms(self) -> int:
        """[ms since 1970, UTC]"""
        return self.now_ms // HOUR_MS * HOUR_MS

    @property
    def today(self) -> int:
        """Days since 1970, UTC."""
        return self.now_ms // DAY_MS


def context_of(view: View, station: str) -> StationContext:
    """A station's context; kept for the day, for it asks for every limit that was learned."""
    key = view.today
    kept = view.cache.contexts.get(station)
    if kept is None or kept[0] != key:
        kept = (key, station_context(view.config, station, view.diary, view.store))
        view.cache.contexts[station] = kept
    return kept[1]
