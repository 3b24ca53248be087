"""The log: one line an event, its name and its fields, with the site, station and node that a thread works on."""

from __future__ import annotations

import logging
import threading

LOG_LEVELS = ("debug", "info", "warning", "error")
_working = threading.local()


def log_site(site: str) -> None:
    """Have every line that this thread logs from now on say of which site it is; none for the one of the process."""
    _working.site = {"site": site} if site else {}


def log_fields(**fields: str) -> None:
    """Set the fields of every line that this thread logs from now on, `station` or `node`, in place of those before."""
    _working.fields = fields


class FieldFormatter(logging.Formatter):
    """Puts the fields behind the event: `payload_quarantined topic=... reason=... site=meadow node=shed`."""

    def __init__(self, site: str) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s %(message)s%(fields)s")
        self._site = {"site": site} if site else {}

    def format(self, record: logging.LogRecord) -> str:
        fields = {**self._site, **getattr(_working, "site", {}), **getattr(_working, "fields", {})}
        record.fields = "".join(f" {name}={value}" for name, value in fields.items())
        return super().format(record)


def start_log(level: str, site: str = "") -> None:
    """Log to standard error from a level on, one of `LOG_LEVELS`, with the site in every line."""
    handler = logging.StreamHandler()
    handler.setFormatter(FieldFormatter(site))
    logging.basicConfig(level=level.upper(), handlers=[handler])
    for library in ("httpx", "httpcore", "urllib3"):  # their lines have addresses, with the secrets in them
        logging.getLogger(library).setLevel(max(logging.WARNING, logging.getLogger().level))
    logging.getLogger("procrastinate").setLevel(max(logging.WARNING, logging.getLogger().level))  # says each look
