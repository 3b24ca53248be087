"""Looks for damage in the database each night, and has people told of it, whoever finds it.

A check reads the whole file, and every block in it, beside everything else. Once damage is found nothing more is
written, so the alert cannot be kept among the others: it is told at once on every way, and again each day while it
lasts.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo

from pipeline.errors import PipelineFault, StoreDamaged
from pipeline.run.clock import Clock
from pipeline.store.series import unreadable_blocks
from pipeline.store.sql import SqlDatabase

CHECK_HOUR = 3  # by the site's clock: few look at the pages, and the next readings can wait
CHECK_EVERY_S = 20 * 3600.0  # and no sooner after the last one, whatever the clock says
CHECK_MOST_S = 900.0  # one that takes longer is given up, and told
TELL_AGAIN_S = 24 * 3600.0
TELL_RETRY_S = 300.0  # where a way did not take it
CHECK_POLL_S = 10.0

log = logging.getLogger(__name__)


class IntegrityCheck:
    """The nightly check of a database, stepped by a thread of its own.

    Parameters
    ----------
    database : SqlDatabase
    zone : tzinfo
        Of the site.
    clock : Clock
    tell : callable
        Tells people and machines, with what is wrong; returns whether all of them have taken it.
    """

    def __init__(self, database: SqlDatabase, zone: tzinfo, clock: Clock, *, tell: Callable[[str], bool]) -> None:
        self._database, self._zone, self._clock, self._tell = database, zone, clock, tell
        self._checked_s, self._tell_at_s = -CHECK_EVERY_S, 0.0
        self.checked_at_ms: int | None = None

    def step(self, stop: threading.Event) -> None:
        """Tell of damage, or check if it is time; then wait a little."""
        try:
            now_s = self._clock.monotonic()
            if self._database.damage:
                if now_s >= self._tell_at_s:
                    taken = self._tell(self._database.damage)
                    self._tell_at_s = now_s + (TELL_AGAIN_S if taken else TELL_RETRY_S)
            elif self._is_due(now_s):
                self._check(now_s, stop)
        except StoreDamaged as fault:
            log.critical("store_damaged reason=%s", fault)
        except PipelineFault as fault:
            log.warning("store_not_checked reason=%s", fault)
        self._clock.wait(CHECK_POLL_S, stop)

    def close(self) -> None:
        """Nothing is open."""

    def _is_due(self, now_s: float) -> bool:
        hour = datetime.fromtimestamp(self._clock.now_ms() / 1000, UTC).astimezone(self._zone).hour
        return hour == CHECK_HOUR and now_s - self._checked_s >= CHECK_EVERY_S

    def _check(self, now_s: float, stop: threading.Event) -> None:
        self._checked_s = now_s
        finished = self._database.check(
            whole=True, go_on=lambda: not stop.is_set() and self._clock.monotonic() < now_s + CHECK_MOST_S
        )
        if finished:
            with self._database.snapshot() as connection:
                unreadable_blocks(connection)  # noted by the database: nothing stops for them
        took_s = self._clock.monotonic() - now_s
        if finished:
            self.checked_at_ms = self._clock.now_ms()
            log.info("store_checked seconds=%.1f", took_s)
        elif not stop.is_set():
            log.warning("store_check_given_up seconds=%.0f", took_s)
