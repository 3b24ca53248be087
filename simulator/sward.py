"""The grass as a whole: thatch that builds and is thinned, cover that is cut and heals, leaves that brown in drought.

A pass is described by what it does to the ground (share of area, depth, lift), not by a trade name. The step is a day.
"""

from dataclasses import dataclass, replace

import numpy as np

HOLE_DAYS = 60.0  # e-folding time in which holes and grooves close to water (ours, no source)


@dataclass(frozen=True)
class Grass:
    """Growth of a sward.

    Growth potential exp(-0.5 ((T - best) / spread)^2): Gelernter & Stowell 2005, Golf Course Management 73(3),
    108-113, as restated by others; cool-season 20 and 5.5, warm-season 31 and 7, held above its best.
    """

    best_degc: float = 20.0
    spread_degc: float = 5.5
    hold_above_best: bool = False
    thatch_mm_per_year: float = 2.0  # ryegrass 1-3, bent and meadow-grass 2-5, runners 4-10: common practice
    growth_days_per_year: float = 120.0  # sum of growth potential in the year that builds that much
    crop_coefficient: float = 0.85  # cool-season 0.8-0.95, warm-season 0.6-0.85 (FAO-56 and Californian figures)
    shade: float = 0.85  # share of the demand that full green cover meets from its roots (ours)
    mulch: float = 0.5  # evaporation from thatch over that from bare soil; 0.4-0.7 in practice
    canopy_mm: float = 1.0  # water the leaves hold at full cover; 0.5-2 in practice


COOL_GRASS = Grass()
WARM_GRASS = Grass(best_degc=31.0, spread_degc=7.0, hold_above_best=True, crop_coefficient=0.70, thatch_mm_per_year=5.0)


@dataclass(frozen=True)
class Pass:
    """A treatment pass as the ground feels it.

    `area_share` is cut to `depth_m`; of the thatch in it `lift_share` leaves the ground (blades bounce and debris
    falls back: 0.6-0.8 in practice, 0 for solid tines); `cover_share` of the cover is lost; `hole_share` of the rain
    then goes past the thatch while holes are open; `heal_days` is the sum of growth days that heals 95 %.
    """

    name: str
    area_share: float
    depth_m: float
    lift_share: float = 0.7
    cover_share: float = 0.0
    hole_share: float = 0.0
    heal_days: float = 16.0


# what passes do to the ground: areas by geometry, the rest common practice, no source
PASSES: dict[str, Pass] = {
    entry.name: entry
    for entry in (
        Pass("verticut", 0.08, 0.003, cover_share=0.10, hole_share=0.0, heal_days=3.0),
        Pass("scarify", 0.12, 0.020, cover_share=0.35, hole_share=0.10, heal_days=16.0),
        Pass("scarify_deep", 0.25, 0.040, cover_share=0.65, hole_share=0.20, heal_days=32.0),
        Pass("core", 0.05, 0.080, cover_share=0.08, hole_share=0.30, heal_days=13.0),
        Pass("solid_tine", 0.02, 0.120, lift_share=0.0, cover_share=0.02, hole_share=0.15, heal_days=2.5),
        Pass("slit", 0.01, 0.100, lift_share=0.0, cover_share=0.01, hole_share=0.10, heal_days=2.0),
    )
}


@dataclass(frozen=True)
class Wound:
    """Cover lost in one pass, and the growth days it has had to heal."""

    name: str
    cover_share: float
    heal_days: float
    growth_days: float = 0.0

    @property
    def healed(self) -> float:
        """Share healed: 1 - exp(-3 R / D95), so 95 % after D95 growth days."""
        return 1.0 - float(np.exp(-3.0 * self.growth_days / self.heal_days))


@dataclass(frozen=True)
class Sward:
    """State of the grass: thatch, green share of the leaves, wounds of passes, holes still open."""

    thatch_m: float
    green: float = 1.0
    wounds: tuple[Wound, ...] = ()
    hole_share: float = 0.0

    @property
    def cover(self) -> float:
        """Green cover, 0..1."""
        open_share = sum(wound.cover_share * (1.0 - wound.healed) for wound in self.wounds)
        return self.green * max(0.0, 1.0 - open_share)


def growth_potential(temperature_degc: float, grass: Grass) -> float:
    """Return growth of leaves at a day's mean air temperature over the best, 0..1."""
    gap = temperature_degc - grass.best_degc
    if grass.hold_above_best:
        gap = min(gap, 0.0)
    return float(np.exp(-0.5 * (gap / grass.spread_degc) ** 2))


def after_day(sward: Sward, grass: Grass, *, temperature_degc: float, water: float) -> Sward:
    """Return the sward a day later.

    Parameters
    ----------
    temperature_degc : float
        Mean of the air.
    water : float
        Uptake over demand of the day, 0..1; 1 on a day without demand.
    """
    growth = growth_potential(temperature_degc, grass) * water
    wounds = tuple(replace(wound, growth_days=wound.growth_days + growth) for wound in sward.wounds)
    # leaves brown when the roots give them less than half of what they ask, and come back as they grow (ours)
    browning = 0.06 * max(0.0, 0.5 - water) / 0.5
    green = sward.green * (1.0 - browning)
    green += 0.08 * growth * (1.0 - green)
    return Sward(
        thatch_m=sward.thatch_m + 1e-3 * grass.thatch_mm_per_year / grass.growth_days_per_year * growth,
        green=min(green, 1.0),
        wounds=wounds,
        hole_share=sward.hole_share * float(np.exp(-1.0 / HOLE_DAYS)),
    )


def after_pass(sward: Sward, done: Pass) -> Sward:
    """Return the sward after a pass: thinner thatch, less cover, holes open."""
    reached = min(done.depth_m, sward.thatch_m)
    return Sward(
        thatch_m=sward.thatch_m - done.area_share * done.lift_share * reached,
        green=sward.green,
        wounds=(*sward.wounds, Wound(done.name, done.cover_share, done.heal_days)),
        hole_share=1.0 - (1.0 - sward.hole_share) * (1.0 - done.hole_share),
    )
