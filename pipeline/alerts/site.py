"""The rule about the data of the site: no good backup for days.

What is known of backups is known of now alone; while the past is evaluated the rule waits.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, NamedTuple

from pydantic import Field

from pipeline.advice.phrases import lasting_mark
from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    AlertRule,
    AlertState,
    Change,
    Facts,
    RuleBounds,
    RuleName,
    RuleOutcome,
    Scope,
    quarter_hour_of,
)
from pipeline.store.backup import BackupRecord
from pipeline.texts import later, say
from pipeline.units import DAY_MS, HOUR_MS, QUARTER_HOUR_MS

Days = Annotated[float, Field(ge=0.5, le=365.0)]


class BackupOldBounds(RuleBounds):
    """Bounds of the rule about backups. Times in days."""

    after_days: Days = 3.0


class BackupLook(NamedTuple):
    """What is known of the backups at the start of a quarter hour. [ms since 1970, UTC]"""

    at_ms: int
    record: BackupRecord

    @property
    def walked_ms(self) -> int:
        return self.at_ms


def backup_old(state: AlertState, look: BackupLook, facts: Facts[BackupOldBounds]) -> RuleOutcome:
    """A site whose last good backup is too old.

    Opens when none has been made for `after_days`, counted from when backups were set up where there never was one;
    closes with the next good one, or when backups are no longer asked for.
    """
    record, since_ms = look.record, look.record.since_ms
    is_old = since_ms is not None and look.at_ms - since_ms > facts.bounds.after_days * DAY_MS
    if state.is_open and not is_old:
        return RuleOutcome(state, Change(CLOSED, say("a good one has been made again.")))
    if state.is_open or since_ms is None or not is_old:
        return RuleOutcome(state)
    age = lasting_mark(since_ms)
    # Translators: of backups; age is a length of time, here and in the next
    told = later("none in the {age} since it was set up.") if record.good_ms is None else later(
        "the last good one is {age} old."
    )  # fmt: skip
    tried = later("The last try: {fault}.") if record.fault else later("None was tried since: see to its timer.")
    text = " ".join([say(told, age=age), say(tried, fault=record.fault)])
    return RuleOutcome(state, Change(OPENED, text, since_ms))


def backup_looks(facts: Facts[BackupOldBounds], state: AlertState, now_ms: int) -> Iterator[BackupLook]:
    """Yield this quarter hour, if it is not yet evaluated."""
    at_ms, record = quarter_hour_of(now_ms), facts.spot.backup
    if record is not None and at_ms > state.evaluated_to_ms:
        yield BackupLook(at_ms, record)


BACKUP_OLD = AlertRule(
    name=RuleName("backup_old"),
    bounds=BackupOldBounds,
    look=backup_old,
    scope=Scope.SITE,
    settle_h=0.0,
    late_h=QUARTER_HOUR_MS / HOUR_MS,
    occasions=backup_looks,
)
SITE_RULES = (BACKUP_OLD,)
