"""The nomenclature of channels: every quantity that a probe may read, with its one unit and its physical limits.

A name here has one meaning and one unit in the whole repository; what the stages find has its unit in their catalogue.
Units are converted at probe decode and at display, nowhere else. The limits are what the quantity itself can be, not
what is usual: a layer's own porosity bounds its water content more tightly, in the quality stage.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable quantity.

    Attributes
    ----------
    name : str
        Full words, as used in channels and observations.
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
    # 0 at free water, negative in all drier soil; -100 MPa is drier than air-dry: from memory
    Quantity("soil_water_potential", "kPa", -100_000.0, 10.0, "", ""),
    Quantity("signal_voltage", "V", -60.0, 60.0, "", "V"),
    Quantity("signal_count", "1", -(2.0**31), 2.0**32, "", "/"),
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
)

QUANTITIES: dict[str, Quantity] = {q.name: q for q in _TABLE}
