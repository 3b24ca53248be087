"""The catalogue of findings: each stored quantity with its unit, its meaning, its stage and where a person sees it.

Stages draw findings, pages show them, and neither names one that is not here; tests hold both. Pages, words and alerts
read the figure that is stored; none of them works it out again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from hardware.quantities import QUANTITIES
from pipeline.stages.strength import REPORTED_MM
from pipeline.units import DAY_MS


class Shown(Enum):
    """Where a person sees a finding. The value is the place in words."""

    LAYERS = "water by layer, on the station page and the first page"
    LAST_WETTING = "the account of the last wetting, on the station page and the first page"
    GROUND = "what is known of this ground, on the station page"


class Of(Enum):
    """What a finding is about, in words."""

    MOMENT = "a quarter of an hour"
    DAY = "a day"
    WETTING = "a wetting"
    FORTNIGHT = "a fortnight"
    VISIT = "a day the cone was pushed"
    PASS = "a pass"
    CORES = "all cores"
    LEARNING = "all that a channel has shown"


LOOK_BACK_MS: Mapping[Of, int] = {
    Of.MOMENT: 7 * DAY_MS,
    Of.DAY: 3 * DAY_MS,
    Of.WETTING: 60 * DAY_MS,
    Of.FORTNIGHT: 90 * DAY_MS,
    Of.VISIT: 400 * DAY_MS,
    Of.PASS: 400 * DAY_MS,
    Of.CORES: 2**62,
    Of.LEARNING: 2**62,
}
"""How far back the newest finding of a kind may begin and still be shown: our own choice. [ms]"""


@dataclass(frozen=True, slots=True)
class CatalogueEntry:
    """One stored quantity.

    Attributes
    ----------
    quantity : str
        As stored.
    title : str
        Its name for a reader.
    meaning : str
        What it says, in words.
    stage : str
        The stage that draws it.
    of : Of
        What it is about.
    shown : Shown
        Where a person sees it.
    of_channel : bool
        Whether it holds for one depth and is stored under the channel's id, too or alone.
    """

    quantity: str
    title: str
    meaning: str
    stage: str
    of: Of
    shown: Shown = Shown.GROUND
    of_channel: bool = False

    @property
    def unit(self) -> str:
        """Unit of value and interval; "1" for a share, a wetness, and what is 1 or 0."""
        return QUANTITIES[self.quantity].unit


def _drawn(
    stage: str, of: Of, *rows: tuple[str, str, str], shown: Shown = Shown.GROUND, of_channel: bool = False
) -> tuple[CatalogueEntry, ...]:
    """Entries of one stage: quantity, title and meaning of each."""
    return tuple(CatalogueEntry(*row, stage, of, shown, of_channel) for row in rows)


_BETWEEN = "water between its dry limit (0) and its drained limit (1)"
_AROUND_A_PASS = "twelve weeks after a pass against those before"
_ENTRIES = (
    *_drawn(
        "layers",
        Of.MOMENT,
        ("thatch_water", "Water of the thatch", "water it holds"),
        ("thatch_wetness", "Wetness of the thatch", _BETWEEN),
        ("top_layer_water", "Water of the top layer", "water it holds"),
        ("top_layer_wetness", "Wetness of the top layer", _BETWEEN),
        ("root_zone_water", "Water of the root zone", "water it holds"),
        ("root_zone_wetness", "Wetness of the root zone", _BETWEEN),
        shown=Shown.LAYERS,
    ),
    *_drawn("layers", Of.MOMENT, ("thatch_air", "Air in the thatch", "pores of the thatch that hold no water")),
    *_drawn(
        "climate",
        Of.DAY,
        ("reference_et", "Reference evapotranspiration", "water the air asked of short grass in the day"),
        ("growth_potential", "Growth potential", "share of its fastest growth that warmth allowed in the day"),
        ("soil_temperature_050", "Soil temperature at 50 mm", "mean of the day"),
        ("leaf_temperature_dawn", "Leaf temperature at dawn", "lowest of the night"),
        ("leaf_frost", "Frost on the leaf at dawn", "1 where the leaf froze, else 0"),
    ),
    *_drawn(
        "strength",
        Of.VISIT,
        *(
            (f"cone_resistance_{depth:03d}", f"Cone resistance at {depth} mm", "median of the pushes of a visit")
            for depth in REPORTED_MM
        ),
        ("cone_visit_wetness", "Wetness of the root zone at the pushes", "resistance compares only at like wetness"),
        ("root_limit_depth", "Depth at which the soil stops roots", "first depth too hard for roots"),
    ),
    *_drawn(
        "roots",
        Of.FORTNIGHT,
        ("root_depth_90", "Roots drink nine tenths above", "depth below the leaf base, over a fortnight"),
        ("root_depth_95", "Roots drink nineteen twentieths above", "depth below the leaf base, over a fortnight"),
        ("thatch_uptake_share", "Share the roots drank from the thatch", "of all the roots drank, over a fortnight"),
    ),
    *_drawn(
        "wetting",
        Of.WETTING,
        ("wetting_given", "Water given", "rain and watering of one wetting"),
        ("wetting_thatch_kept", "Kept by leaf and thatch", "gain when the wetting had settled"),
        ("wetting_root_gain", "Reached the roots", "gain of the root zone"),
        ("wetting_below_gain", "Went deeper", "gain of the soil below the root zone"),
        ("wetting_evaporation", "Evaporated", "while the wetting settled"),
        ("wetting_unaccounted", "Unaccounted for", "given less all that was found again"),
        ("arrival_share", "Share that reached the soil", "gain of all soil over what was given"),
        shown=Shown.LAST_WETTING,
    ),
    *_drawn(
        "wetting",
        Of.WETTING,
        ("wetting_thatch_gain", "Most the thatch held", "highest gain of the thatch in the wetting"),
        ("capture_share", "Share the thatch caught", "highest gain of the thatch over what was given"),
        ("bypass_flow", "Water went past the top of the soil", "1 where a deeper probe answered first, else 0"),
        ("thatch_thickness_proxy", "Thatch as thick as its water says", "what would have held the water left above"),
    ),
    *_drawn(
        "wetting",
        Of.WETTING,
        ("arrival_lag", "Time until water arrived", "from the first water to the first rise at the depth"),
        ("wetting_gain", "Gain of water", "at the depth, in the wetting"),
        of_channel=True,
    ),
    *_drawn(
        "drying",
        Of.WETTING,
        ("hold_time", "Hold time", "how long the top stayed wet after the water stopped"),
        ("flash_off", "Lost in the first day", "water the top lost in the day after the water stopped"),
        ("thatch_recession", "Time constant of the thatch", "of its drying after the first day"),
        ("root_zone_recession", "Time constant of the root zone", "of its drying after the first day"),
    ),
    *_drawn(
        "passes",
        Of.PASS,
        ("hold_time_change", "Change of the hold time", _AROUND_A_PASS),
        ("arrival_share_change", "Change of the share that reaches the soil", _AROUND_A_PASS),
        ("arrival_lag_change", "Change of the time until water arrives", _AROUND_A_PASS),
        ("root_depth_90_change", "Change of the depth roots drink to", _AROUND_A_PASS),
        ("thatch_removed", "Thatch taken out", "by a pass, from the size of its blades"),
        ("removal_efficiency", "Efficiency of the blades", "debris weighed over what their size promised"),
        ("untreated_island", "Untreated island about a probe", "1 where a pass went around it"),
    ),
    *_drawn(
        "passes",
        Of.CORES,
        ("thatch_trend", "Trend of the thatch", "slope over the cores of one method"),
        ("organic_trend", "Trend of the organic matter", "slope over the slices of one depth"),
    ),
    *_drawn(
        "limits",
        Of.LEARNING,
        ("drained_limit", "Drained limit", "water content that stays after draining, learned"),
        ("dry_limit", "Dry limit", "water content below which roots take none, learned"),
        of_channel=True,
    ),
)

CATALOGUE: Mapping[str, CatalogueEntry] = {entry.quantity: entry for entry in _ENTRIES}
"""Every finding by its quantity, in the order in which a page lists them."""
YES_OR_NO = frozenset({"leaf_frost", "bypass_flow", "untreated_island"})
"""Findings that are 1 or 0, and are told as yes or no."""
