"""The catalogue of findings: each stored quantity with its unit, its meaning, its stage and where a person sees it.

Stages draw findings, pages show them, and neither names one that is not here; tests hold both. Pages, words and alerts
read the figure that is stored; none of them works it out again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from pipeline.stages.strength import REPORTED_MM
from pipeline.units import DAY_MS


class Shown(Enum):
    """Where a person sees a finding. The value is the place in words."""

    LAYERS = "water by layer, on the station page and the first page"
    LAST_WETTING = "the account of the last wetting, on the station page and the first page"
    GROUND = "what is known of this ground, on the station page"
    PROBES = "what is said of each probe, on the page of the probes"


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
    unit : str
        Of value and interval; "1" for a share, a wetness, and what is 1 or 0.
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
    unit: str
    title: str
    meaning: str
    stage: str
    of: Of
    shown: Shown = Shown.GROUND
    of_channel: bool = False


def _drawn(
    stage: str, of: Of, *rows: tuple[str, str, str, str], shown: Shown = Shown.GROUND, of_channel: bool = False
) -> tuple[CatalogueEntry, ...]:
    """Return entries of one stage from the quantity, unit, title and meaning of each."""
    return tuple(CatalogueEntry(*row, stage, of, shown, of_channel) for row in rows)


_BETWEEN = "water between its dry limit (0) and its drained limit (1)"
_TOWARDS_DRY = "of its drying after the first day, towards its dry limit"
_AROUND_A_PASS = "twelve weeks after a pass against those before"
_ENTRIES = (
    *_drawn(
        "layers",
        Of.MOMENT,
        ("thatch_water", "mm", "Water of the thatch", "water it holds"),
        ("thatch_wetness", "1", "Wetness of the thatch", _BETWEEN),
        ("top_layer_water", "mm", "Water of the top layer", "water it holds"),
        ("top_layer_wetness", "1", "Wetness of the top layer", _BETWEEN),
        ("root_zone_water", "mm", "Water of the root zone", "water it holds"),
        ("root_zone_wetness", "1", "Wetness of the root zone", _BETWEEN),
        shown=Shown.LAYERS,
    ),
    *_drawn(
        "layers", Of.MOMENT, ("thatch_air", "m3 m-3", "Air in the thatch", "pores of the thatch that hold no water")
    ),
    *_drawn(
        "climate",
        Of.DAY,
        ("reference_et", "mm", "Reference evapotranspiration", "water the air asked of short grass in the day"),
        ("growth_potential", "1", "Growth potential", "share of its fastest growth that warmth allowed in the day"),
        ("soil_temperature_050", "degC", "Soil temperature at 50 mm", "mean of the day"),
        ("leaf_temperature_dawn", "degC", "Leaf temperature at dawn", "lowest of the night"),
        ("leaf_frost", "1", "Frost on the leaf at dawn", "1 where the leaf froze, else 0"),
    ),
    *_drawn(
        "strength",
        Of.VISIT,
        *(
            (f"cone_resistance_{depth:03d}", "kPa", f"Cone resistance at {depth} mm", "median of the pushes of a visit")
            for depth in REPORTED_MM
        ),
        (
            "cone_visit_wetness",
            "1",
            "Wetness of the root zone at the pushes",
            "resistance compares only at like wetness",
        ),
        ("root_limit_depth", "m", "Depth at which the soil stops roots", "first depth too hard for roots"),
    ),
    *_drawn(
        "roots",
        Of.FORTNIGHT,
        (
            "root_depth_90",
            "m",
            "Roots drink nine tenths above",
            "of the uptake these probes see; below the leaf base, over a fortnight",
        ),
        ("root_depth_95", "m", "Roots drink nineteen twentieths above", "depth below the leaf base, over a fortnight"),
        (
            "thatch_uptake_share",
            "1",
            "Share the roots drank from the thatch",
            "of all the roots drank, over a fortnight",
        ),
    ),
    *_drawn(
        "wetting",
        Of.WETTING,
        ("wetting_given", "mm", "Water given", "rain and watering of one wetting"),
        ("wetting_thatch_kept", "mm", "Kept by leaf and thatch", "gain when the wetting had settled"),
        ("wetting_root_gain", "mm", "Reached the roots", "gain of the root zone"),
        ("wetting_below_gain", "mm", "Went deeper", "gain of the soil below the root zone"),
        ("wetting_evaporation", "mm", "Evaporated", "while the wetting settled"),
        ("wetting_unaccounted", "mm", "Unaccounted for", "given less all that was found again"),
        ("arrival_share", "1", "Share that reached the soil", "by what the soil gained, and by what stayed above it"),
        (
            "arrival_failed_chance",
            "1",
            "Chance that it failed to reach the roots",
            "that less than six tenths of it passed the thatch",
        ),
        shown=Shown.LAST_WETTING,
    ),
    *_drawn(
        "wetting",
        Of.WETTING,
        ("wetting_thatch_gain", "mm", "Most the thatch held", "highest gain of the thatch in the wetting"),
        ("arrival_seen_share", "1", "Share seen in the soil", "gain of all soil that probes see over what was given"),
        ("capture_share", "1", "Share the thatch caught", "highest gain of the thatch over what was given"),
        ("bypass_flow", "1", "Water went past the top of the soil", "1 where a deeper probe answered first, else 0"),
        (
            "thatch_thickness_proxy",
            "m",
            "Thatch as thick as its water says",
            "what would have held the water left above",
        ),
    ),
    *_drawn(
        "wetting",
        Of.WETTING,
        ("arrival_lag", "min", "Time until water arrived", "from the first water to the first rise at the depth"),
        ("wetting_gain", "m3 m-3", "Gain of water", "at the depth, in the wetting"),
        of_channel=True,
    ),
    *_drawn(
        "drying",
        Of.WETTING,
        ("hold_time", "h", "Hold time", "how long the top stayed wet after the water stopped"),
        ("flash_off", "mm", "Lost in the first day", "water the top lost in the day after the water stopped"),
        ("thatch_recession", "h", "Time constant of the thatch", _TOWARDS_DRY),
        ("root_zone_recession", "h", "Time constant of the root zone", _TOWARDS_DRY),
    ),
    *_drawn(
        "standstill",
        Of.FORTNIGHT,
        ("stood_still", "h", "Stood still", "the channel repeated one number, longer than twice its own habit"),
        shown=Shown.PROBES,
        of_channel=True,
    ),
    *_drawn(
        "channel checks",
        Of.FORTNIGHT,
        ("failed_readings", "1", "Readings not believed", "share of a fortnight, more than a fifth of it"),
        ("warmth_out_of_order", "m", "Looks swapped by its warmth", "depth of the channel that it may stand for"),
        (
            "changes_out_of_order",
            "1",
            "May be swapped by its changes",
            "rise of the logarithm of a day's changes of moisture, a depth; a suspicion only",
        ),
        shown=Shown.PROBES,
        of_channel=True,
    ),
    *_drawn(
        "passes",
        Of.PASS,
        ("hold_time_change", "h", "Change of the hold time", _AROUND_A_PASS),
        ("arrival_share_change", "1", "Change of the share that reaches the soil", _AROUND_A_PASS),
        ("arrival_lag_change", "min", "Change of the time until water arrives", _AROUND_A_PASS),
        ("root_depth_90_change", "m", "Change of the depth roots drink to", _AROUND_A_PASS),
        ("thatch_removed", "mm", "Thatch taken out", "by a pass, from the size of its blades"),
        ("removal_efficiency", "1", "Efficiency of the blades", "debris weighed over what their size promised"),
        ("untreated_island", "1", "Untreated island about a probe", "1 where a pass went around it"),
    ),
    *_drawn(
        "passes",
        Of.CORES,
        ("thatch_trend", "mm yr-1", "Trend of the thatch", "slope over the cores of one method"),
        ("organic_trend", "% yr-1", "Trend of the organic matter", "slope over the slices of one depth"),
    ),
    *_drawn(
        "limits",
        Of.LEARNING,
        ("drained_limit", "m3 m-3", "Drained limit", "water content that stays after draining, learned"),
        ("dry_limit", "m3 m-3", "Dry limit", "water content below which roots take none, learned"),
        of_channel=True,
    ),
    *_drawn(
        "limits",
        Of.LEARNING,
        ("sensor_drift", "m3 m-3 yr-1", "Drift of the probe", "against its neighbours, else its own drained readings"),
        shown=Shown.PROBES,
        of_channel=True,
    ),
)

CATALOGUE: Mapping[str, CatalogueEntry] = {entry.quantity: entry for entry in _ENTRIES}
"""Every finding by its quantity, in the order in which a page lists them."""
YES_OR_NO = frozenset({"leaf_frost", "bypass_flow", "untreated_island"})
"""Findings that are 1 or 0, and are told as yes or no."""
