"""The bounds of the alert rules in the server's settings.

Part of `pipeline.config`, which opens the file; here its tables become frozen dataclasses, every fault noted.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, TypeVar

from pipeline.site import AlertsConfig, ProbeFaultConfig, RootsDryConfig, RootsShallowConfig, ThatchHoldingConfig
from pipeline.toml_check import Check, Table

_ALERT_LIMITS = {  # lowest and highest by the end of the name
    "wetness": (-1.0, 3.0),
    "air": (0.0, 1.0),
    "mm": (0.0, 1000.0),
    "h": (0.0, 24.0 * 60),
}
_Rule = TypeVar("_Rule", ThatchHoldingConfig, RootsDryConfig, ProbeFaultConfig, RootsShallowConfig)


def alerts_of(check: Check, table: Table) -> AlertsConfig:
    check.keys(table, "alerts.", [f.name for f in fields(AlertsConfig)])
    config = AlertsConfig(
        _rule(check, table, "thatch_holding", ThatchHoldingConfig()),
        _rule(check, table, "roots_dry", RootsDryConfig()),
        _rule(check, table, "probe_fault", ProbeFaultConfig()),
        _rule(check, table, "roots_shallow", RootsShallowConfig()),
    )
    if not config.thatch_holding.off_wetness < config.thatch_holding.on_wetness:
        check.fault("alerts.thatch_holding.off_wetness", config.thatch_holding.off_wetness, "less than on_wetness")
    if not config.roots_dry.off_wetness > config.roots_dry.on_wetness:
        check.fault("alerts.roots_dry.off_wetness", config.roots_dry.off_wetness, "more than on_wetness")
    return config


def _rule(check: Check, table: Table, name: str, default: _Rule) -> _Rule:
    at = f"alerts.{name}."
    entry = check.table(table, "alerts.", name)
    check.keys(entry, at, [f.name for f in fields(default)])
    values: dict[str, Any] = {}
    for key in (f.name for f in fields(default)):
        if key == "enabled":
            values[key] = check.flag(entry, at, key, default=True)
        else:
            values[key] = check.number(entry, at, key, getattr(default, key), *_ALERT_LIMITS[key.rpartition("_")[2]])
    return replace(default, **values)
