"""What is known of days to come, in the server's settings: forecast, fixtures, climate, working hours.

Part of `pipeline.config`, which opens the file; here its tables become frozen dataclasses, every fault noted.
"""

from __future__ import annotations

from pipeline.advice.weather_ahead import MonthlyClimate
from pipeline.site import AheadConfig
from pipeline.toml_check import Check, Table, finite

_CLIMATE_KEYS = ("rain_mm", "wet_days", "highest_degc", "lowest_degc")


def ahead_of(check: Check, table: Table) -> AheadConfig:
    """The sections forecast, fixtures, climate, work and water."""
    work = check.table(table, "", "work")
    hours = tuple(
        round(check.number(work, "work.", key, default, 0, 24))
        for key, default in (("from_hour", 7.0), ("until_hour", 19.0))
    )
    if not hours[0] < hours[1]:
        check.fault("work.until_hour", hours[1], f"an hour after work.from_hour, {hours[0]}")
    return AheadConfig(
        forecast=_source(check, table, "forecast"),
        fixtures=_source(check, table, "fixtures"),
        climate=_climate(check, table),
        restricted=check.flag(check.table(table, "", "water"), "water.", "restricted", default=False),
        work_hours=(hours[0], hours[1]),
    )


def _source(check: Check, table: Table, section: str) -> str:
    """An address, or a path counted from the file's folder; empty for none."""
    text = check.text(check.table(table, "", section), f"{section}.", "source", "")
    if not text or text.startswith(("http://", "https://")):
        return text
    return str((check.folder / text).absolute())


def _climate(check: Check, table: Table) -> MonthlyClimate | None:
    if "climate" not in table:
        return None
    entry = check.table(table, "", "climate")
    check.keys(entry, "climate.", _CLIMATE_KEYS)
    rows = []
    for key in _CLIMATE_KEYS:
        row = entry.get(key)
        if not isinstance(row, list) or len(row) != 12 or not all(finite(v) for v in row):
            check.fault(f"climate.{key}", row, "twelve numbers, January first")
            return None
        rows.append(tuple(float(v) for v in row))
    try:
        return MonthlyClimate(*rows)
    except ValueError as err:
        check.faults.extend(f"{check.file}: {fault}" for fault in str(err).split("; "))
        return None
