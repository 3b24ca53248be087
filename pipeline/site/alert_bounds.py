"""What a site may set of each alert rule: when it opens and closes, how long, how far ahead, and in which months.

Frozen dataclasses that `pipeline.site.settings` fills and `pipeline.advice` reads. Every value is common practice, no
source. Nothing here decides anything. `months` are those of the northern hemisphere, shifted by six south of the
equator; empty takes the usual ones of the rule, see `pipeline.alerts.gating`.
"""

from __future__ import annotations

from dataclasses import dataclass

Months = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ThatchHoldingConfig:
    """When thatch is said to hold water. Wetness is relative [1], air a volume fraction [m3 m-3], times in hours.

    Nothing is said within `after_water_h` of rain or watering. It is said again when it got worse, at the earliest
    after `repeat_h`.
    """

    enabled: bool = True
    on_wetness: float = 0.9
    root_wetness: float = 0.5
    on_air: float = 0.10
    hold_h: float = 48.0
    after_water_h: float = 48.0
    off_wetness: float = 0.75
    off_hold_h: float = 12.0
    repeat_h: float = 72.0
    months: Months = ()


@dataclass(frozen=True, slots=True)
class RootsDryConfig:
    """When roots are said to be dry. Wetness is relative [1], times in hours.

    Said ahead when, within `lead_h`, the forecast has them so with a chance of `on_chance` or more [1].
    """

    enabled: bool = True
    on_wetness: float = 0.35
    off_wetness: float = 0.5
    hold_h: float = 24.0
    lead_h: float = 48.0
    on_chance: float = 0.6
    months: Months = ()


@dataclass(frozen=True, slots=True)
class ProbeFaultConfig:
    """When a probe is said to be at fault. Times in hours."""

    enabled: bool = True
    silent_h: float = 3.0
    flat_h: float = 24.0
    good_h: float = 2.0


@dataclass(frozen=True, slots=True)
class RootsShallowConfig:
    """When roots are said to be shallow. Lengths in mm, times in hours.

    `on_mm` is soil depth as a ruler shows it; 0 takes the bound of the kind of turf.
    """

    enabled: bool = True
    on_mm: float = 0.0
    off_mm: float = 15.0
    repeat_h: float = 720.0
    months: Months = ()


@dataclass(frozen=True, slots=True)
class WaterNotArrivingConfig:
    """When water is said not to reach the roots: of more than `on_mm` given, less than `on_share` [1].

    A root zone wetter than `full_wetness` before the water has no room for it, and is left alone. [1]
    """

    enabled: bool = True
    on_mm: float = 5.0
    on_share: float = 0.2
    off_share: float = 0.5
    full_wetness: float = 0.9
    months: Months = ()


@dataclass(frozen=True, slots=True)
class ThatchToRepelConfig:
    """When thatch is said to be about to shed water. Wetness is relative [1], times in hours.

    `hold_h` without rain or watering; said ahead when the forecast has it so within `lead_h`.
    """

    enabled: bool = True
    on_wetness: float = 0.15
    off_wetness: float = 0.3
    hold_h: float = 48.0
    lead_h: float = 24.0
    on_chance: float = 0.6
    months: Months = ()


@dataclass(frozen=True, slots=True)
class FrostAtDawnConfig:
    """When frost on the leaf is told. Temperature of the leaf [degC]; from `from_hour` of the site's clock on."""

    enabled: bool = True
    on_degc: float = 0.5
    off_degc: float = 2.0
    from_hour: float = 5.0
    months: Months = ()


@dataclass(frozen=True, slots=True)
class StayOffConfig:
    """When the ground is said to be too wet for what is booked. Wetness of the top is relative [1].

    Said from `evening_hour` of the day before on, and not within `after_water_h` of rain or watering. [h]
    """

    enabled: bool = True
    on_wetness: float = 1.05
    off_wetness: float = 0.95
    evening_hour: float = 17.0
    after_water_h: float = 48.0
    months: Months = ()


@dataclass(frozen=True, slots=True)
class WindowOpeningConfig:
    """When a window for a planned pass is told: open, or due in between two leads, for `work_h` dry hours of work.

    Due ones only with a chance of `on_chance` or more, where that is known. [1] Over when it was closed, or nothing is
    in sight, for `off_hold_h`. Times in hours.
    """

    enabled: bool = True
    lead_least_h: float = 48.0
    lead_most_h: float = 120.0
    work_h: float = 6.0
    on_chance: float = 0.5
    off_hold_h: float = 12.0
    months: Months = ()


@dataclass(frozen=True, slots=True)
class WindowClosingConfig:
    """How long before it closes an open window is told, and after how long it is over. Times in hours."""

    enabled: bool = True
    lead_h: float = 48.0
    off_hold_h: float = 12.0
    months: Months = ()


@dataclass(frozen=True, slots=True)
class LastGoodDateConfig:
    """How many days before the last safe date of a pass it is told, the longest first."""

    enabled: bool = True
    lead_days: tuple[int, ...] = (21, 14, 7)
    months: Months = ()


@dataclass(frozen=True, slots=True)
class LiftProbesConfig:
    """How many days before a booked pass probes in its way are told, the longest first; 0 is that morning."""

    enabled: bool = True
    lead_days: tuple[int, ...] = (3, 1, 0)


@dataclass(frozen=True, slots=True)
class WaterRunningConfig:
    """When water is said to run on beyond the written end of a watering. Wetness is relative [1], times in hours."""

    enabled: bool = True
    after_h: float = 1.0
    rise_wetness: float = 0.05
    fall_wetness: float = 0.08
    repeat_h: float = 1.0


@dataclass(frozen=True, slots=True)
class AlertsConfig:
    """Limits of every alert rule."""

    thatch_holding: ThatchHoldingConfig = ThatchHoldingConfig()
    roots_dry: RootsDryConfig = RootsDryConfig()
    probe_fault: ProbeFaultConfig = ProbeFaultConfig()
    roots_shallow: RootsShallowConfig = RootsShallowConfig()
    water_not_arriving: WaterNotArrivingConfig = WaterNotArrivingConfig()
    thatch_to_repel: ThatchToRepelConfig = ThatchToRepelConfig()
    frost_at_dawn: FrostAtDawnConfig = FrostAtDawnConfig()
    stay_off: StayOffConfig = StayOffConfig()
    window_opening: WindowOpeningConfig = WindowOpeningConfig()
    window_closing: WindowClosingConfig = WindowClosingConfig()
    last_good_date: LastGoodDateConfig = LastGoodDateConfig()
    lift_probes: LiftProbesConfig = LiftProbesConfig()
    water_running: WaterRunningConfig = WaterRunningConfig()
