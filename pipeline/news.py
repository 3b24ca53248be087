"""News between the processes that have the same site open on a server: what one has changed the others are told of.

A worker tells of readings, findings and alerts, pages of the diary and of field checks. One session a process carries
it, however many sites are open there. News is no state: it says what to read anew, and after a lost session all is.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Collection, Mapping
from typing import Protocol

from pipeline.errors import StoreFault
from pipeline.run.clock import Clock

TOLD = frozenset({"readings", "findings", "alerts", "checks", "diary", "jobs"})  # kinds of change that others hear of
NEWS_WAIT_S = 0.5  # changes wait so long for others, and are told together
NEWS_AGAIN_S = 5.0
log = logging.getLogger(__name__)


class NewsSource(Protocol):
    """A session that carries news; see `store.postgres.NewsSession`."""

    def tell(self, site: str, words: Collection[str]) -> None: ...

    def hear(self, timeout_s: float) -> list[tuple[str, str]]: ...

    def close(self) -> None: ...


class NewsParty(Protocol):
    """Somebody who has a site open."""

    def take_news(self) -> Collection[str]:
        """Return kinds of change that came about here since the last call."""

    def hear_news(self, word: str) -> None:
        """Take in that another process has changed something of a kind; empty for anything at all."""


class NewsExchange:
    """Carries news between a session and the sites that are open in this process.

    Parameters
    ----------
    session : NewsSource
    parties : callable
        Gives who has which site open, by its name.
    clock : Clock
    """

    def __init__(self, session: NewsSource, parties: Callable[[], Mapping[str, NewsParty]], clock: Clock) -> None:
        self._session, self._parties, self._clock = session, parties, clock
        self._away = ""
        self._untold: dict[str, set[str]] = {}  # by site: the session was lost on the way
        self._unheard = set[tuple[str, str]]()  # site and word: its store was away

    def step(self, stop: threading.Event) -> None:
        """Tell what is new here, then hear for a moment what is new elsewhere."""
        try:
            for site, party in self._parties().items():
                self._untold.setdefault(site, set()).update(party.take_news())
            for site, words in self._untold.items():
                if words:
                    self._session.tell(site, words)
                    words.clear()
            heard = self._session.hear(NEWS_WAIT_S)
            parties = self._parties()
            for_each = {(one, word) for site, word in heard for one in ([site] if site else parties)}
            before, self._unheard = self._unheard, set()
            for site, word in for_each | before:
                if site in parties and not self._hears(parties[site], word):
                    self._unheard.add((site, word))
            for site, word in self._unheard - before:
                log.warning("news_not_heard site=%s word=%s", site, word)
        except StoreFault as fault:
            if not self._away:
                log.warning("news_away reason=%s", fault)
            self._away = str(fault)
            self._clock.wait(NEWS_AGAIN_S, stop)
        else:
            self._away = ""

    def _hears(self, party: NewsParty, word: str) -> bool:
        """Have a party take a word in; return whether it could: a site that cannot is no reason not to tell others."""
        try:
            party.hear_news(word)
        except StoreFault:
            return False
        return True

    def close(self) -> None:
        """Tell and hear no more."""
        self._session.close()
