"""A thread that steps one part of the process until it is told to stop."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Any

from pipeline.run.log import log_site

log = logging.getLogger(__name__)

JOIN_S = 20.0  # how long a part may take to end


class Part:
    """A thread that steps one part, of a site, until told to stop."""

    def __init__(self, name: str, part: Any, crashed: Callable[[str, BaseException], None], site: str = "") -> None:
        self.stop = threading.Event()
        self._part, self._crashed, self._site = part, crashed, site
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def end(self) -> None:
        self.stop.set()
        if hasattr(self._part, "wake"):
            self._part.wake()
        self._thread.join(JOIN_S)
        if self._thread.is_alive():
            log.error("part_does_not_end name=%s", self._thread.name)

    def _run(self) -> None:
        log_site(self._site)
        try:
            while not self.stop.is_set():
                self._part.step(self.stop)
        except BaseException as bug:
            self._crashed(self._thread.name, bug)
        finally:
            self._part.close()
