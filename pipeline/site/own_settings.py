"""The settings that may be changed from the pages: which they are, and how their file is laid beside the main one.

The main file, which is root's, names their file as `pages.settings`. What a page may not change, since it holds paths,
commands, secrets, hosts or ports, has its place in the main file alone. A key stands in one of the two, never in both.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.site.fields import nearest
from pipeline.site.server import NotificationPolicy

OWN_TABLES = ("site", "notify", "alerts", "climate", "work", "water", "plan", "bound", "surface")
OWN_NOTIFY = tuple(
    field.alias or name for name, field in NotificationPolicy.model_fields.items()
)  # when people are told


def laid_together(main: Mapping[str, Any], own: Mapping[str, Any], file: str) -> tuple[dict[str, Any], list[str]]:
    """Return the tables of both files in one, and what is wrong with where they stand, as `key: found, expected`.

    Parameters
    ----------
    main, own : mapping
        Tables of the main file, and of the one that pages change.
    file : str
        The name of the main file, for the faults.
    """
    together, faults = dict(main), list[str]()
    for key, value in own.items():
        if key not in OWN_TABLES:
            faults.append(
                f"{key}: found what no page may change, expected {nearest(key, OWN_TABLES)}; it goes into {file}"
            )
        elif key not in together:
            together[key] = value
        elif not isinstance(value, dict) or not isinstance(together[key], dict):
            faults.append(f"{key}: found here and in {file}, expected in one of them")
        else:
            twice = sorted(value.keys() & together[key].keys())
            faults += [f"{key}.{name}: found here and in {file}, expected in one of them" for name in twice]
            together[key] = {**value, **together[key]}
    notify = own.get("notify")
    if isinstance(notify, dict):
        faults += [
            f"notify.{key}: found what no page may change, expected {nearest(key, OWN_NOTIFY)}; it goes into {file}"
            for key in notify
            if key not in OWN_NOTIFY
        ]
    return together, faults


def stands_in(fault: str, own: Mapping[str, Any]) -> bool:
    """Return whether what a fault names (`notify.digest_at: found ..`) stands in the file that pages change."""
    top, _, rest = fault.partition(":")[0].partition(".")
    table = own.get(top.partition("[")[0])
    key = rest.partition(".")[0]
    return table is not None and (top != "notify" or not isinstance(table, dict) or key in table)
