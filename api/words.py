"""Facts into plain words: dates, ages, amounts and lines that a groundsman reads.

Pure, and the only place where a unit or a time zone is chosen for a reader. Numbers are rounded to what the probes can
know: whole millimetres above ten, one decimal below, wetness in words with its figure beside it.
"""

from __future__ import annotations

import datetime
from zoneinfo import ZoneInfo

from api.state import LayerNow, StationNow
from pipeline.flags import Flag
from pipeline.soil.wetting import Wetting

LAYER_WORDS = {"thatch": "Thatch", "top_layer": "Top layer", "root_zone": "Root zone"}
FLAG_WORDS = {
    Flag.GOOD: "good",
    Flag.NOT_EVALUATED: "not tested",
    Flag.SUSPECT: "doubtful",
    Flag.FAIL: "not to be believed",
    Flag.MISSING: "no answer",
}
# Words for relative wetness, by upper edge: 0 is the dry limit of the layer, 1 is drained after a soaking.
_WETNESS_WORDS = ((0.15, "very dry"), (0.35, "dry"), (0.75, "moist"), (1.05, "wet, as after draining"))
_WETTEST = "wetter than drained"


def moment(at_ms: int, timezone: str, *, now_ms: int | None = None) -> str:
    """A time on the site's clock: `14:15 today`, `Tue 9 Jan 14:15`, with the year when it is another."""
    zone = ZoneInfo(timezone)
    at = datetime.datetime.fromtimestamp(at_ms / 1000, zone)
    if now_ms is not None:
        now = datetime.datetime.fromtimestamp(now_ms / 1000, zone)
        if at.date() == now.date():
            return f"{at:%H:%M} today"
        if at.year == now.year:
            return f"{at:%a} {at.day} {at:%b} {at:%H:%M}"
    return f"{at:%a} {at.day} {at:%b %Y %H:%M}"


def age(since_ms: int) -> str:
    """How long ago, in the largest unit that says it: `12 minutes`, `3 hours`, `2 days`."""
    minutes = max(0, round(since_ms / 60_000))
    if minutes < 1:
        return "less than a minute"
    # Up to two days hours say more than days.
    size, word = (1440, "day") if minutes >= 2880 else (60, "hour") if minutes >= 60 else (1, "minute")
    count = minutes // size
    return f"{count} {word}" + ("s" if count != 1 else "")


def millimetres(value: float | None) -> str:
    """An amount of water or rain: `12 mm`, `3.4 mm`, `not known`."""
    if value is None or value != value:
        return "not known"
    return f"{value:.0f} mm" if abs(value) >= 10 else f"{value:.1f} mm"


def wetness(value: float) -> str:
    """Relative wetness in words."""
    return next((word for edge, word in _WETNESS_WORDS if value < edge), _WETTEST)


def heard_line(state: StationNow, timezone: str) -> str:
    """When the station was last heard, and how long ago that is."""
    if state.heard_ms is None:
        return "Nothing has been heard from this station yet."
    when = moment(state.heard_ms, timezone, now_ms=state.now_ms)
    return f"Last heard {when}, {age(state.now_ms - state.heard_ms)} ago."


def layer_line(layer: LayerNow) -> str:
    """One layer: how much water, how wet, and how that compares with a week ago."""
    name = LAYER_WORDS[layer.layer]
    if layer.wetness is None:
        return f"{name}: cannot tell. {layer.reason[:1].upper()}{layer.reason[1:]}".rstrip() + "."
    water = "" if layer.water_mm is None else f"{millimetres(layer.water_mm)} of water, "
    line = f"{name}: {water}{wetness(layer.wetness)} ({layer.wetness:.2f} of drained)"
    if layer.wetness_week_ago is not None:
        change = layer.wetness - layer.wetness_week_ago
        trend = "much as" if abs(change) < 0.05 else "wetter than" if change > 0 else "drier than"
        line += f", {trend} a week ago ({layer.wetness_week_ago:.2f})"
    return line + "."


def wetting_line(found: Wetting | None, timezone: str, *, now_ms: int) -> str:
    """The last spell of rain and where it went, always with what is unaccounted for."""
    if found is None:
        return "No rain of 1 mm or more in the last 60 days."
    when = moment(found.spell.end_ms, timezone, now_ms=now_ms)
    parts = [
        f"{millimetres(gain)} into the {LAYER_WORDS[layer].lower()}"
        for layer, gain in found.gain_mm.items()
        if gain == gain
    ]
    if found.unaccounted_mm >= 0:
        parts.append(f"{millimetres(found.unaccounted_mm)} unaccounted for")
    else:
        parts.append(f"{millimetres(-found.unaccounted_mm)} more than the gauge caught")
    return f"Last wetting: {millimetres(found.spell.rain_mm)} of rain, ended {when}. {', '.join(parts)}."


_QUANTITY_WORDS = {
    "water_content": "Water content",
    "soil_temperature": "Temperature",
    "bulk_ec": "Salt (bulk conductivity)",
    "rain": "Rain in the last interval",
    "air_temperature": "Air temperature",
    "relative_humidity": "Air humidity",
    "wind_speed": "Wind",
    "solar_radiation": "Sun",
    "surface_temperature": "Surface temperature",
    "cone_depth": "Penetrometer depth",
    "cone_resistance": "Penetrometer resistance",
    "supply_voltage": "Supply voltage",
}
_DISPLAY = {  # unit for the eye, decimals
    "water_content": ("m³/m³", 3),
    "soil_temperature": ("°C", 1),
    "bulk_ec": ("dS/m", 2),
    "rain": ("mm", 1),
    "air_temperature": ("°C", 1),
    "relative_humidity": ("%", 0),
    "wind_speed": ("m/s", 1),
    "solar_radiation": ("W/m²", 0),
    "surface_temperature": ("°C", 1),
    "cone_depth": ("m", 3),
    "cone_resistance": ("kPa", 0),
    "supply_voltage": ("V", 2),
}


def quantity(name: str) -> str:
    """A quantity in words for a reader."""
    return _QUANTITY_WORDS.get(name, name.replace("_", " ").capitalize())


def amount(value: float, name: str) -> str:
    """A value of a quantity with its unit, rounded to what a probe can know."""
    unit, decimals = _DISPLAY.get(name, ("", 3))
    return f"{value:.{decimals}f} {unit}".rstrip()
