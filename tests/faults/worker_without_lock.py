"""`underturf work` that takes no lock: the control, in which a worker that was stopped goes on in sites of another."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from api.command import main
from pipeline.many_sites import SiteWorker
from pipeline.store.postgres import PostgresDatabase


def hold_nothing(self: PostgresDatabase) -> None:
    """Leave the site to whoever else writes in it."""
    self.bring_tables()


def keep(self: SiteWorker) -> None:
    """Let nothing go that is held."""


if __name__ == "__main__":
    PostgresDatabase.hold_site = hold_nothing  # type: ignore[method-assign]
    SiteWorker._let_go_surplus = keep  # type: ignore[method-assign]
    sys.exit(main(sys.argv[1:]))
