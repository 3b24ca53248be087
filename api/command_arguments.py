"""What several sub-commands of `underturf` read of their arguments: the settings, and whether a subject fits."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.site.settings import SiteConfig


def site_config(parsed: argparse.Namespace) -> SiteConfig:
    """Return the settings that a command was given. Raises ConfigFault."""
    from pipeline.service import load_settings as load

    return load(parsed.config, parsed.environment)


def unfit(argument: str, found: object, action: str, expected: str) -> str:
    """Return why a subject does not fit an action, empty where it does: `list` has none, all others have one."""
    if (found is None) == (action == "list"):
        return ""
    wanted = "none for `list`" if action == "list" else f"{expected} for `{action}`"
    return f"{argument}: found {found}, expected {wanted}"
