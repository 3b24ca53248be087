"""Where alerts go and by which manners, in the server's settings.

Part of `pipeline.config`, which opens the file; here its table becomes frozen dataclasses, every fault noted. What is
in the secret files is not looked at.
"""

from __future__ import annotations

import datetime
import re
from dataclasses import fields

from pipeline.site import Manners, NotifyConfig
from pipeline.toml_check import Check, Table

NOTIFY_KEYS = (
    *("log", "webhook", "webhook_secret_file", "mqtt", "addresses_file", "digest_at", "digest_when_empty"),
    *("quiet_from", "quiet_until", "interruptions_a_week", "off_season_interruptions_a_fortnight"),
    *("season_from_month", "season_until_month", "gather_min"),
)
_AT = "notify."


def notify_of(check: Check, table: Table) -> NotifyConfig:
    """The section `[notify]`."""
    webhook = check.web_address(table, _AT, "webhook", "")
    if "webhook_secret_file" in table and not webhook:
        check.missing("notify.webhook", "an address to go with notify.webhook_secret_file")
    return NotifyConfig(
        log=check.flag(table, _AT, "log", default=True),
        webhook=webhook,
        webhook_secret_file=check.secret(table, _AT, "webhook_secret_file"),
        mqtt=check.flag(table, _AT, "mqtt", default=False),
        addresses_file=check.secret(table, _AT, "addresses_file"),
        manners=_manners(check, table),
    )


def _manners(check: Check, table: Table) -> Manners:
    usual = {f.name: f.default for f in fields(Manners)}
    digest, begin, end = (
        _minute(check, table, key, int(str(usual[f"{key}_min"]))) for key in ("digest_at", "quiet_from", "quiet_until")
    )
    inside = begin <= digest < end if begin <= end else digest >= begin or digest < end
    if inside:
        check.fault("notify.digest_at", table.get("digest_at", "06:15"), "a time outside the quiet hours")
    return Manners(
        digest_at_min=digest,
        quiet_from_min=begin,
        quiet_until_min=end,
        interruptions_a_week=_whole(check, table, "interruptions_a_week", 3, 0, 100),
        off_season_interruptions_a_fortnight=_whole(check, table, "off_season_interruptions_a_fortnight", 1, 0, 100),
        season=(
            _whole(check, table, "season_from_month", 4, 1, 12),
            _whole(check, table, "season_until_month", 9, 1, 12),
        ),
        digest_when_empty=check.flag(table, _AT, "digest_when_empty", default=False),
        gather_min=check.number(table, _AT, "gather_min", 2.0, 0.0, 60.0),
    )


def _minute(check: Check, table: Table, key: str, default: int) -> int:
    """A time of day as minutes after midnight."""
    value = table.get(key)
    if isinstance(value, datetime.time) and not value.second:
        return value.hour * 60 + value.minute
    if value is None:
        return default
    told = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
    if told is None:
        check.fault(f"{_AT}{key}", value, 'a time of day from "00:00" to "23:59"')
        return default
    return int(told[1]) * 60 + int(told[2])


def _whole(check: Check, table: Table, key: str, default: int, lowest: int, highest: int) -> int:
    value = table.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= highest:
        check.fault(f"{_AT}{key}", value, f"a whole number from {lowest} to {highest}")
        return default
    return value
