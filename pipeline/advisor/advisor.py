"""The shell about what is advised: works it out when an hour has turned or the diary has changed, in its own thread.

Forecast and fixtures are fetched here, hourly, so that a slow server holds up nothing else. Working out takes at most a
tenth of the time, whatever it costs, and a fault of the environment is counted, logged when it changes and waited out;
readings are never held up by it. It decides nothing: `site_advice` puts the sums together.
"""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable
from zoneinfo import ZoneInfo

from pipeline.advice.forecast_file import WeatherForecast
from pipeline.advice.report import SiteAdvice
from pipeline.advisor.inputs import AdviceCache
from pipeline.advisor.site_advice import site_advice
from pipeline.clock import Clock
from pipeline.errors import PipelineFault
from pipeline.fixtures import Fixture, fixture_source
from pipeline.kept_source import Kept, KeptSource
from pipeline.metrics import Metrics
from pipeline.site import SiteConfig
from pipeline.store import Store
from pipeline.store.diary import Diary
from pipeline.weather_source import weather_source
from pipeline.worker import Trouble

log = logging.getLogger(__name__)

HOUR_MS = 3_600_000
LOOK_S = 0.5  # how often it looks whether an hour has turned
REST = 9.0  # times what the last working-out took: at most a tenth of the time
FORGETS = 3  # so often after a diary entry the past is read anew
BEHIND_MS = 2 * HOUR_MS  # readings so old when advice was worked out: new ones are worth another
SOURCES = "sources"  # folder of what was fetched last


class Advisor:
    """Works out what is advised for a site.

    Parameters
    ----------
    config : SiteConfig
    store : Store
    diary : Diary
    metrics : Metrics
    clock : Clock
    on_advice : callable
        Handed each SiteAdvice, in this thread; may raise PipelineFault, which is waited out.
    on_change : callable
        Called with `advice` after each.
    rng : random.Random, optional
        Jitter of the waits.
    """

    def __init__(
        self,
        config: SiteConfig,
        store: Store,
        diary: Diary,
        metrics: Metrics,
        clock: Clock,
        *,
        on_advice: Callable[[SiteAdvice], object] = lambda advice: None,
        on_change: Callable[[str], None] = lambda word: None,
        rng: random.Random | None = None,
    ) -> None:
        self._config, self._store, self._diary, self._clock, self._metrics = config, store, diary, clock, metrics
        self._on_advice, self._on_change = on_advice, on_change
        self.advising = Trouble("advising", metrics, random.Random() if rng is None else rng)
        self._cache = AdviceCache()
        self._weather, self._calendar = _sources(config, clock)
        self._unplaced: Kept[WeatherForecast] | None = None
        if config.ahead.forecast and self._weather is None:
            self._unplaced = Kept(None, None, ("forecast: found no latitude and longitude of the site, expected both",))
        self._forecast: Kept[WeatherForecast] | None = None
        self._fixtures: Kept[tuple[Fixture, ...]] | None = None
        self._fetched_hour: int | None = None
        self._hour: int | None = None
        self._now: SiteAdvice | None = None
        self._not_before_s = 0.0
        self._forgets = 0
        self._woken, self._diary_changed = threading.Event(), threading.Event()
        self._findings, self._behind = threading.Event(), False

    def now(self) -> SiteAdvice | None:
        """What was advised last; None before anything was."""
        return self._now

    def wake(self) -> None:
        """Look again at once: something is to be done, or to be ended."""
        self._woken.set()

    def hear(self, word: str) -> None:
        """Note a change of this kind: `diary` calls for advice anew, `findings` where the last had to do without."""
        if word == "diary":
            self._diary_changed.set()
            self._woken.set()
        elif word == "findings":
            self._findings.set()

    def step(self, stop: threading.Event) -> None:
        """Work out what is advised if that is due, else wait a little."""
        began_s = self._clock.monotonic()
        if began_s < self._not_before_s or not self._try(stop):
            self._clock.wait(LOOK_S, self._woken)
            self._woken.clear()

    def close(self) -> None:
        """Nothing to let go of."""

    def _try(self, stop: threading.Event) -> bool:
        """Whether there was something to do and it went well."""
        if stop.is_set():
            return False
        began_s = self._clock.monotonic()
        try:
            now_ms = self._clock.now_ms()
            if not self._is_due(now_ms):
                return False
            self._fetch(now_ms // HOUR_MS)
            if stop.is_set():  # a slow server may have held us
                return False
            self._work_out(now_ms)
        except PipelineFault as fault:
            self._not_before_s = self._clock.monotonic() + self.advising.begins(fault)
            return False
        self.advising.ends()
        ended_s = self._clock.monotonic()
        self._metrics.advice_seconds.observe(ended_s - began_s)
        self._not_before_s = ended_s + REST * (ended_s - began_s)
        return True

    def _is_due(self, now_ms: int) -> bool:
        turned = now_ms // HOUR_MS != self._hour
        return turned or self._diary_changed.is_set() or (self._behind and self._findings.is_set())

    def _fetch(self, hour: int) -> None:
        """Read the sources anew, once an hour."""
        if hour != self._fetched_hour:
            self._forecast = self._unplaced if self._weather is None else self._weather.refresh()
            self._fixtures = None if self._calendar is None else self._calendar.refresh()
            self._fetched_hour = hour

    def _work_out(self, now_ms: int) -> None:
        hour = now_ms // HOUR_MS
        self._findings.clear()
        if self._diary_changed.is_set():
            self._diary_changed.clear()
            self._forgets = FORGETS
        if self._forgets > 0:  # what rests on the entry is worked out anew meanwhile
            self._cache.forget()
            self._forgets -= 1
        found = site_advice(
            self._config, self._store, self._diary, now_ms, forecast=self._forecast, fixtures=self._fixtures,
            cache=self._cache,
        )  # fmt: skip
        self._now, self._hour, self._behind = found, hour, is_behind(found)
        self._on_change("advice")
        self._on_advice(found)


def is_behind(advice: SiteAdvice) -> bool:
    """Whether a station's readings were so old, when it was worked out, that newer ones would say more."""
    newest = [p.outlook.ground.newest_reading_ms for s in advice.surfaces for p in s.passes]
    return any(at_ms is None or advice.at_ms - at_ms > BEHIND_MS for at_ms in newest)


def _sources(
    config: SiteConfig, clock: Clock
) -> tuple[KeptSource[WeatherForecast] | None, KeptSource[tuple[Fixture, ...]] | None]:
    site, ahead, folder = config.site, config.ahead, config.data_dir / SOURCES
    weather = None
    if ahead.forecast and site.latitude_deg is not None and site.longitude_deg is not None:
        weather = weather_source(
            ahead.forecast, folder, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg,
            elevation_m=site.elevation_m, clock=clock,
        )  # fmt: skip
    calendar = None
    if ahead.fixtures:
        calendar = fixture_source(ahead.fixtures, folder, timezone=ZoneInfo(site.timezone), clock=clock)
    return weather, calendar
