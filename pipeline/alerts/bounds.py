"""What a site may set of each alert rule: when it opens and closes, how long, how far ahead, and in which months.

One frozen model for each rule, the limits of each bound declared on it. `pipeline.site.settings` fills them from
`[alerts.RULE]`, the rules read them. Every value is common practice, no source. `months` are those of the northern
hemisphere, shifted by six south of the equator; empty takes the usual ones of the rule, see `pipeline.alerts.gating`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Self, get_type_hints

from pydantic import AfterValidator, BaseModel, Field

from pipeline.site.models import Setting, apart

Wetness = Annotated[float, Field(ge=-1.0, le=3.0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Millimetres = Annotated[float, Field(ge=0.0, le=1000.0)]
DegreesC = Annotated[float, Field(ge=-20.0, le=20.0)]
Hour = Annotated[float, Field(ge=0.0, le=23.75)]
Hours = Annotated[float, Field(ge=0.0, le=24.0 * 60)]


def _ascending(numbers: tuple[int, ...]) -> tuple[int, ...]:
    if len(set(numbers)) < len(numbers):
        raise ValueError("one number twice")
    return tuple(sorted(numbers))


def _descending(numbers: tuple[int, ...]) -> tuple[int, ...]:
    return _ascending(numbers)[::-1]


Months = Annotated[
    tuple[Annotated[int, Field(ge=1, le=12)], ...],
    Field(max_length=12, strict=False, description="a list of whole numbers from 1 to 12, each once"),
    AfterValidator(_ascending),
]
LeadDays = Annotated[
    tuple[Annotated[int, Field(ge=0, le=60)], ...],
    Field(max_length=10, strict=False, description="a list of whole numbers from 0 to 60, each once"),
    AfterValidator(_descending),
]


class ThatchHoldingConfig(Setting):
    """When thatch is said to hold water. Wetness is relative [1], air a volume fraction [m3 m-3], times in hours.

    Nothing is said within `after_water_h` of rain or watering. It is said again when it got worse, at the earliest
    after `repeat_h`.
    """

    enabled: bool = True
    on_wetness: Wetness = 0.9
    root_wetness: Wetness = 0.5
    on_air: Share = 0.10
    hold_h: Hours = 48.0
    after_water_h: Hours = 48.0
    off_wetness: Annotated[Wetness, apart("less", "on_wetness")] = 0.75
    off_hold_h: Hours = 12.0
    repeat_h: Hours = 72.0
    months: Months = ()


class RootsDryConfig(Setting):
    """When roots are said to be dry. Wetness is relative [1], times in hours.

    Said ahead when, within `lead_h`, the forecast has them so with a chance of `on_chance` or more [1].
    """

    enabled: bool = True
    on_wetness: Wetness = 0.35
    off_wetness: Annotated[Wetness, apart("more", "on_wetness")] = 0.5
    hold_h: Hours = 24.0
    lead_h: Hours = 48.0
    on_chance: Share = 0.6
    months: Months = ()


class ProbeFaultConfig(Setting):
    """When a probe is said to be at fault. Times in hours."""

    enabled: bool = True
    silent_h: Hours = 3.0
    flat_h: Hours = 24.0
    good_h: Hours = 2.0


class RootsShallowConfig(Setting):
    """When roots are said to be shallow. Lengths in mm, times in hours.

    `on_mm` is soil depth as a ruler shows it; 0 takes the bound of the kind of turf.
    """

    enabled: bool = True
    on_mm: Millimetres = 0.0
    off_mm: Millimetres = 15.0
    repeat_h: Hours = 720.0
    months: Months = ()


class WaterNotArrivingConfig(Setting):
    """When water is said not to reach the roots: of more than `on_mm` given, less than `on_share` [1].

    A root zone wetter than `full_wetness` before the water has no room for it, and is left alone. [1]
    """

    enabled: bool = True
    on_mm: Millimetres = 5.0
    on_share: Share = 0.2
    off_share: Annotated[Share, apart("more", "on_share")] = 0.5
    full_wetness: Wetness = 0.9
    months: Months = ()


class ThatchToRepelConfig(Setting):
    """When thatch is said to be about to shed water. Wetness is relative [1], times in hours.

    `hold_h` without rain or watering; said ahead when the forecast has it so within `lead_h`.
    """

    enabled: bool = True
    on_wetness: Wetness = 0.15
    off_wetness: Annotated[Wetness, apart("more", "on_wetness")] = 0.3
    hold_h: Hours = 48.0
    lead_h: Hours = 24.0
    on_chance: Share = 0.6
    months: Months = ()


class FrostAtDawnConfig(Setting):
    """When frost on the leaf is told. Temperature of the leaf [degC]; from `from_hour` of the site's clock on."""

    enabled: bool = True
    on_degc: DegreesC = 0.5
    off_degc: Annotated[DegreesC, apart("more", "on_degc")] = 2.0
    from_hour: Hour = 5.0
    months: Months = ()


class StayOffConfig(Setting):
    """When the ground is said to be too wet for what is booked. Wetness of the top is relative [1].

    Said from `evening_hour` of the day before on, and not within `after_water_h` of rain or watering. [h]
    """

    enabled: bool = True
    on_wetness: Wetness = 1.05
    off_wetness: Annotated[Wetness, apart("less", "on_wetness")] = 0.95
    evening_hour: Hour = 17.0
    after_water_h: Hours = 48.0
    months: Months = ()


class WindowOpeningConfig(Setting):
    """When a window for a planned pass is told: open, or due in between two leads, for `work_h` dry hours of work.

    Due ones only with a chance of `on_chance` or more, where that is known. [1] Over when it was closed, or nothing is
    in sight, for `off_hold_h`. Times in hours.
    """

    enabled: bool = True
    lead_least_h: Hours = 48.0
    lead_most_h: Annotated[Hours, apart("more", "lead_least_h")] = 120.0
    work_h: Hours = 6.0
    on_chance: Share = 0.5
    off_hold_h: Hours = 12.0
    months: Months = ()


class WindowClosingConfig(Setting):
    """How long before it closes an open window is told, and after how long it is over. Times in hours."""

    enabled: bool = True
    lead_h: Hours = 48.0
    off_hold_h: Hours = 12.0
    months: Months = ()


class LastGoodDateConfig(Setting):
    """How many days before the last safe date of a pass it is told, the longest first."""

    enabled: bool = True
    lead_days: LeadDays = (21, 14, 7)
    months: Months = ()


class LiftProbesConfig(Setting):
    """How many days before a booked pass probes in its way are told, the longest first; 0 is that morning."""

    enabled: bool = True
    lead_days: LeadDays = (3, 1, 0)


class WaterRunningConfig(Setting):
    """When water is said to run on beyond the written end of a watering. Wetness is relative [1], times in hours."""

    enabled: bool = True
    after_h: Hours = 1.0
    rise_wetness: Wetness = 0.05
    fall_wetness: Wetness = 0.08
    repeat_h: Hours = 1.0


@dataclass(frozen=True)
class AlertsConfig:
    """Limits of every alert rule."""

    thatch_holding: ThatchHoldingConfig = field(default_factory=ThatchHoldingConfig)
    roots_dry: RootsDryConfig = field(default_factory=RootsDryConfig)
    probe_fault: ProbeFaultConfig = field(default_factory=ProbeFaultConfig)
    roots_shallow: RootsShallowConfig = field(default_factory=RootsShallowConfig)
    water_not_arriving: WaterNotArrivingConfig = field(default_factory=WaterNotArrivingConfig)
    thatch_to_repel: ThatchToRepelConfig = field(default_factory=ThatchToRepelConfig)
    frost_at_dawn: FrostAtDawnConfig = field(default_factory=FrostAtDawnConfig)
    stay_off: StayOffConfig = field(default_factory=StayOffConfig)
    window_opening: WindowOpeningConfig = field(default_factory=WindowOpeningConfig)
    window_closing: WindowClosingConfig = field(default_factory=WindowClosingConfig)
    last_good_date: LastGoodDateConfig = field(default_factory=LastGoodDateConfig)
    lift_probes: LiftProbesConfig = field(default_factory=LiftProbesConfig)
    water_running: WaterRunningConfig = field(default_factory=WaterRunningConfig)

    @classmethod
    def of(cls, alerts: Mapping[str, Any]) -> Self:
        """Return the limits that a site has set, by rule; those of a rule that is not among them are the usual ones."""
        return cls(**alerts)


BOUNDS_OF_RULES: Mapping[str, type[BaseModel]] = get_type_hints(AlertsConfig)
