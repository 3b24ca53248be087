"""The nomenclature: every quantity the project knows, with its one unit and its physical limits.

A name here has one meaning and one unit in the whole repository. Units are converted at probe decode and at
display, nowhere else. The limits are what the quantity itself can be, not what is usual: a layer's own porosity
bounds its water content more tightly, in the quality stage.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable quantity.

    Attributes
    ----------
    name : str
        Full words, as used in channels, observations and findings.
    unit : str
        Canonical unit.
    lowest, highest : float
        Physical limits in that unit, both included.
    cf_name : str
        Nearest name in the CF standard name table (from memory); empty where there is none.
    senml_unit : str
        Unit symbol registered for SenML (RFC 8428, section 12.1); empty where the canonical unit is not registered,
        and then the record carries no unit.
    """

    name: str
    unit: str
    lowest: float
    highest: float
    cf_name: str = ""
    senml_unit: str = ""


_TABLE = (
    # heard from probes in soil and thatch
    Quantity("apparent_permittivity", "1", 1.0, 90.0, "", "/"),
    Quantity("water_content", "m3 m-3", 0.0, 1.0, "volume_fraction_of_condensed_water_in_soil", "/"),
    Quantity("soil_temperature", "degC", -40.0, 60.0, "soil_temperature", "Cel"),
    Quantity("bulk_ec", "dS m-1", 0.0, 23.0, "", ""),
    # heard from a weather sensor
    Quantity("rain_total", "mm", 0.0, 1e6, "thickness_of_rainfall_amount", ""),
    Quantity("rain", "mm", 0.0, 120.0, "thickness_of_rainfall_amount", ""),
    Quantity("air_temperature", "degC", -50.0, 60.0, "air_temperature", "Cel"),
    Quantity("relative_humidity", "%", 0.0, 100.0, "relative_humidity", "%RH"),
    Quantity("wind_speed", "m s-1", 0.0, 75.0, "wind_speed", "m/s"),
    Quantity("solar_radiation", "W m-2", 0.0, 1500.0, "surface_downwelling_shortwave_flux_in_air", "W/m2"),
    Quantity("surface_temperature", "degC", -50.0, 80.0, "surface_temperature", "Cel"),
    # heard from a penetrometer
    Quantity("cone_depth", "m", 0.0, 1.2, "depth", "m"),
    Quantity("cone_force", "N", 0.0, 2500.0, "", "N"),
    Quantity("cone_resistance", "kPa", 0.0, 20000.0, "", ""),
    # about the equipment
    Quantity("supply_voltage", "V", 0.0, 60.0, "", "V"),
    # worked out for a layer
    Quantity("thatch_water", "mm", 0.0, 100.0),
    Quantity("root_zone_water", "mm", 0.0, 600.0),
    Quantity("top_layer_water", "mm", 0.0, 200.0),
    Quantity("thatch_wetness", "1", -1.0, 3.0),
    Quantity("root_zone_wetness", "1", -1.0, 3.0),
    Quantity("top_layer_wetness", "1", -1.0, 3.0),
    Quantity("thatch_air", "m3 m-3", 0.0, 1.0),
    # worked out for a wetting and the dry-down after it
    Quantity("wetting_given", "mm", 0.0, 1000.0),
    Quantity("wetting_thatch_gain", "mm", 0.0, 100.0),
    Quantity("wetting_thatch_kept", "mm", -100.0, 100.0),
    Quantity("wetting_root_gain", "mm", -200.0, 300.0),
    Quantity("wetting_below_gain", "mm", -200.0, 600.0),
    Quantity("wetting_evaporation", "mm", 0.0, 100.0),
    Quantity("wetting_unaccounted", "mm", -600.0, 1000.0),
    Quantity("wetting_gain", "m3 m-3", -1.0, 1.0),
    Quantity("capture_share", "1", 0.0, 10.0),
    Quantity("arrival_share", "1", -10.0, 10.0),
    Quantity("arrival_lag", "min", 0.0, 6000.0),
    Quantity("bypass_flow", "1", 0.0, 1.0),
    Quantity("hold_time", "h", 0.0, 168.0),
    Quantity("flash_off", "mm", -100.0, 100.0),
    Quantity("thatch_recession", "h", 0.0, 2000.0),
    Quantity("root_zone_recession", "h", 0.0, 2000.0),
    Quantity("thatch_thickness_proxy", "m", 0.0, 1.0, "", "m"),
    # learned of a channel, from a moment on
    Quantity("drained_limit", "m3 m-3", 0.0, 1.0),
    Quantity("dry_limit", "m3 m-3", 0.0, 1.0),
    # worked out for a day
    Quantity("reference_et", "mm", -2.0, 20.0, "water_potential_evaporation_amount", ""),
    Quantity("growth_potential", "1", 0.0, 1.0),
    Quantity("soil_temperature_050", "degC", -40.0, 60.0, "soil_temperature", "Cel"),
    Quantity("leaf_temperature_dawn", "degC", -50.0, 60.0, "surface_temperature", "Cel"),
    Quantity("leaf_frost", "1", 0.0, 1.0),
    # worked out for a fortnight
    Quantity("root_depth_90", "m", 0.0, 3.0, "", "m"),
    Quantity("root_depth_95", "m", 0.0, 3.0, "", "m"),
    Quantity("thatch_uptake_share", "1", 0.0, 1.0),
    # worked out for a pass over the turf, and from cores
    Quantity("hold_time_change", "h", -168.0, 168.0),
    Quantity("arrival_share_change", "1", -20.0, 20.0, "", "/"),
    Quantity("arrival_lag_change", "min", -6000.0, 6000.0),
    Quantity("root_depth_90_change", "m", -3.0, 3.0, "", "m"),
    Quantity("untreated_island", "1", 0.0, 1.0),
    Quantity("thatch_removed", "mm", 0.0, 200.0),
    Quantity("removal_efficiency", "1", 0.0, 100.0, "", "/"),
    Quantity("thatch_trend", "mm yr-1", -200.0, 200.0),
    Quantity("organic_trend", "% yr-1", -100.0, 100.0),
    # worked out for a visit with the penetrometer
    *(Quantity(f"cone_resistance_{depth:03d}", "kPa", 0.0, 20000.0) for depth in range(50, 301, 50)),
    Quantity("root_limit_depth", "m", 0.0, 1.2, "", "m"),
    Quantity("cone_visit_wetness", "1", -1.0, 3.0),
)

QUANTITIES: dict[str, Quantity] = {q.name: q for q in _TABLE}
