"""What is advised for a site: the answers that pages, calendar, alerts and the digest all tell, each from here.

Shapes only: `pipeline.advisor` fills them in, and nothing here decides or words anything.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from pipeline.advice.healing import HealedDates, LastGoodDate
from pipeline.advice.water import WaterAdvice
from pipeline.advice.windows import Outlook
from pipeline.forecast.wetness import DayChance, WetnessForecast


@dataclass(frozen=True, slots=True)
class Play:
    """One time of play on a surface. [ms since 1970, UTC]"""

    title: str
    start_ms: int
    end_ms: int


@dataclass(frozen=True)
class PassAdvice:
    """One kind of pass on one surface.

    Attributes
    ----------
    outlook : Outlook
        Of all stations that have data, open only where they agree. Its windows are cut to the hours of work, so that
        none promises a night; verdicts and chances stand for every hour.
    line : str
        The window in a line, see `window_lines.window_line`.
    last_good : LastGoodDate or None
        None when growth is not known, or nothing needs it healed.
    needed_on : date or None
        When it must be healed: the next play, else the end of growth.
    for_play : bool
    last_good_line : str
        In words; empty without a last good date.
    healed : HealedDates or None
        If it were done today.
    """

    outlook: Outlook
    line: str
    last_good: LastGoodDate | None = None
    needed_on: datetime.date | None = None
    for_play: bool = False
    last_good_line: str = ""
    healed: HealedDates | None = None


@dataclass(frozen=True)
class StationAdvice:
    """One station: how its wetness will go, the chance of each day to be dry enough to scarify, and tonight's water.

    `day_line` says the likeliest day in words.
    """

    station: str
    forecast: WetnessForecast
    days: tuple[DayChance, ...]
    day_line: str
    water: WaterAdvice


@dataclass(frozen=True)
class SurfaceAdvice:
    """One surface.

    Attributes
    ----------
    surface, title, kind : str
    passes : tuple of PassAdvice
        In the order of the settings, else of the table.
    stations : tuple of StationAdvice
    play : tuple of Play
        That is on or to come, in order.
    dawn_leaf_degc : float or None
        Coldest leaf of the coming night as far as it is forecast; None when nobody knows. [degC]
    """

    surface: str
    title: str
    kind: str
    passes: tuple[PassAdvice, ...]
    stations: tuple[StationAdvice, ...]
    play: tuple[Play, ...] = ()
    dawn_leaf_degc: float | None = None


@dataclass(frozen=True)
class SiteAdvice:
    """Everything that is advised, worked out at one moment. [ms since 1970, UTC]

    `notes` say in words what was missing, stale or broken (a forecast, the fixtures, the weather of the past).
    """

    at_ms: int
    surfaces: tuple[SurfaceAdvice, ...]
    notes: tuple[str, ...] = ()
