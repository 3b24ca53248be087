"""The bounds of the alert rules in the server's settings.

Part of `pipeline.config`, which opens the file; here its tables become frozen dataclasses, every fault noted.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

from pipeline.alert_bounds import AlertsConfig
from pipeline.toml_check import Check, Table

_ALERT_LIMITS = {  # lowest and highest by the end of the name
    "wetness": (-1.0, 3.0),
    "air": (0.0, 1.0),
    "share": (0.0, 1.0),
    "chance": (0.0, 1.0),
    "mm": (0.0, 1000.0),
    "degc": (-20.0, 20.0),
    "hour": (0.0, 23.75),
    "h": (0.0, 24.0 * 60),
}
_LISTS = {"months": (1, 12, 12), "lead_days": (0, 60, 10)}  # lowest, highest, most entries
# Off must lie on the far side of on, or an alert would open and close with every reading.
_APART = (
    ("thatch_holding", "off_wetness", "less", "on_wetness"),
    ("roots_dry", "off_wetness", "more", "on_wetness"),
    ("water_not_arriving", "off_share", "more", "on_share"),
    ("thatch_to_repel", "off_wetness", "more", "on_wetness"),
    ("frost_at_dawn", "off_degc", "more", "on_degc"),
    ("stay_off", "off_wetness", "less", "on_wetness"),
    ("window_opening", "lead_most_h", "more", "lead_least_h"),
)


def alerts_of(check: Check, table: Table) -> AlertsConfig:
    names = [f.name for f in fields(AlertsConfig)]
    check.keys(table, "alerts.", names)
    usual = AlertsConfig()
    config = AlertsConfig(*(_rule(check, table, name, getattr(usual, name)) for name in names))
    for rule, key, side, other in _APART:
        bounds = getattr(config, rule)
        apart = getattr(bounds, key) - getattr(bounds, other)
        if not (apart < 0.0 if side == "less" else apart > 0.0):
            check.fault(f"alerts.{rule}.{key}", getattr(bounds, key), f"{side} than {other}")
    return config


def _rule(check: Check, table: Table, name: str, default: Any) -> Any:
    at = f"alerts.{name}."
    entry = check.table(table, "alerts.", name)
    check.keys(entry, at, [f.name for f in fields(default)])
    values: dict[str, Any] = {}
    for key in (f.name for f in fields(default)):
        usual = getattr(default, key)
        if key == "enabled":
            values[key] = check.flag(entry, at, key, default=True)
        elif key in _LISTS:
            values[key] = _whole_numbers(check, entry, at, key, usual)
        else:
            values[key] = check.number(entry, at, key, usual, *_ALERT_LIMITS[key.rpartition("_")[2]])
    return replace(default, **values)


def _whole_numbers(check: Check, entry: Table, at: str, key: str, default: tuple[int, ...]) -> tuple[int, ...]:
    lowest, highest, most = _LISTS[key]
    value = entry.get(key, list(default))
    fit = isinstance(value, list) and len(value) <= most and len(set(map(str, value))) == len(value)
    if not fit or not all(isinstance(v, int) and not isinstance(v, bool) and lowest <= v <= highest for v in value):
        check.fault(f"{at}{key}", value, f"a list of whole numbers from {lowest} to {highest}, each once")
        return default
    return tuple(sorted(value, reverse=key == "lead_days"))
