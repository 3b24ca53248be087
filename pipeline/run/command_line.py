"""Read what the commands that run or recompute have in common: days, and how much is logged."""

from __future__ import annotations

import argparse
import datetime

from pipeline.run.log import LOG_LEVELS


def day(text: str) -> datetime.date:
    """Return the day of an argument.

    Raises
    ------
    argparse.ArgumentTypeError
        With what was found and expected, as the command prints it.
    """
    try:
        return datetime.date.fromisoformat(text)
    except ValueError as err:
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a day as 2026-05-01") from err


def add_log_level(parser: argparse.ArgumentParser) -> None:
    """Add `--log-level` to a command."""
    parser.add_argument("--log-level", choices=LOG_LEVELS, default="info", help="the least that is logged")
