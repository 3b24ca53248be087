"""Who may do what: five steps of access, what each role, token and link amounts to, and what each address needs.

Pure: no clock, file, network or log. `who` finds out who asks, `sign_in` holds the requests against this table.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum

from pipeline.texts import say
from pipeline.units import DAY_MS


class Access(IntEnum):
    """How far somebody gets. Each step has all that those before it have."""

    ANYONE = 0
    SEASON = 1
    READ = 2
    WRITE = 3
    MANAGE = 4


ROLES: Mapping[str, Access] = {"reader": Access.READ, "keeper": Access.WRITE, "head": Access.MANAGE}
SCOPES: Mapping[str, Access] = {"read": Access.READ, "diary": Access.WRITE}  # of a token
LINK_SCOPE = "season"
GRANTED: Mapping[str, Access] = {**ROLES, **SCOPES, LINK_SCOPE: Access.SEASON}

# Times and bounds are common practice, no source.
SESSION_IDLE_MS, SESSION_MOST_MS = 30 * DAY_MS, 180 * DAY_MS  # unused, and in all
INVITATION_MS = 7 * DAY_MS
USUAL_DAYS = 365  # of a token or a link
LONGEST_NAME = 60
# SP 800-63B asks for more length and no rules of composition, and against what is easily guessed (from memory).
SHORTEST_PASSWORD, LONGEST_PASSWORD, FEWEST_CHARACTERS = 10, 200, 5

NEEDS: Mapping[str, Access] = {
    address: need
    for need, addresses in {
        Access.ANYONE: """
            GET /healthz  GET /readyz  GET /openapi.json  GET /trust  GET /trust/authority.crt  GET /api/v1/certificate
            GET /sign-in  POST /sign-in  POST /sign-out  GET /invitation/{secret}  POST /invitation/{secret}
            GET /link/{secret}  GET /sw.js  GET /texts.js  GET /manifest.webmanifest  GET /offline
        """,
        Access.SEASON: """
            GET /season  GET /season/{surface}  GET /sheet/{surface}  GET /api/v1/surfaces/{name}/season
            GET /api/v1/live  GET /photos/{name}
        """,
        Access.READ: """
            GET /  GET /work  GET /work/book  GET /work/{surface}/windows  GET /diary  GET /diary/{entry_id}
            GET /stations/{name}  GET /probes  GET /probes/{station}/{probe}  GET /first
            GET /first/{station}/{probe}  GET /nodes  GET /alerts
            GET /tour  GET /api/v1/tour
            GET /ground  GET /compare  GET /metrics  GET /calendar/work.ics  GET /calendar/surfaces/{name}.ics
            GET /api/v1/advice  GET /api/v1/alerts  GET /api/v1/alerts/events  GET /api/v1/alerts/history
            GET /api/v1/answers  GET /api/v1/bookings  GET /api/v1/compare  GET /api/v1/diary  GET /api/v1/diary/kinds
            GET /api/v1/diary/{entry_id}  GET /api/v1/diary/{entry_id}/history  GET /api/v1/findings
            GET /api/v1/findings/catalogue  GET /api/v1/first
            GET /api/v1/first/{station}/{probe}  GET /api/v1/ground  GET /api/v1/live/{station}/{probe}
            GET /api/v1/nodes  GET /api/v1/now  GET /api/v1/observations  GET /api/v1/observations.csv
            GET /api/v1/probes  GET /api/v1/probes/now  GET /api/v1/quarantine  GET /api/v1/site
            GET /api/v1/stations/{name}  GET /api/v1/stations/{name}/depths  GET /api/v1/stations/{name}/forecast
            GET /api/v1/stations/{name}/known  GET /api/v1/stations/{name}/water  GET /api/v1/summary.txt
            GET /api/v1/surfaces/{name}/judgement  GET /api/v1/surfaces/{name}/windows
            GET /api/v1/me
        """,
        Access.WRITE: """
            POST /diary  POST /diary/undone  POST /diary/{entry_id}  POST /diary/{entry_id}/confirmed
            POST /diary/{entry_id}/withdrawn  POST /diary/{entry_id}/restored  POST /alerts/{alert_id}/mark
            POST /first/{station}/{probe}
            POST /ground/buried  POST /ground/buried/{entry_id}/strike  POST /ground/place  POST /work/book
            POST /work/{entry_id}/begun  POST /work/{entry_id}/done  POST /work/{entry_id}/done_then
            POST /work/{entry_id}/lifted  POST /work/{entry_id}/given
            POST /work/{entry_id}/withdrawn  POST /api/v1/alerts/{alert_id}/mark  POST /api/v1/diary
            PUT /api/v1/diary/{entry_id}  DELETE /api/v1/diary/{entry_id}  POST /api/v1/first/{station}/{probe}
        """,
        Access.MANAGE: """
            GET /jobs  POST /jobs  POST /jobs/{number}/cancel  GET /api/v1/jobs
            GET /people  GET /api/v1/people  POST /people  POST /people/{person_id}/invite
            POST /people/{person_id}/role  POST /people/{person_id}/remove  POST /people/links
            POST /people/links/revoke  POST /people/tokens
            POST /people/tokens/revoke  GET /settings  POST /settings  POST /settings/look
            POST /settings/start  POST /settings/undo  GET /api/v1/settings  PUT /api/v1/settings
            POST /api/v1/settings/start  POST /api/v1/settings/undo   POST /api/v1/clock
        """,
    }.items()
    for address in re.findall(r"[A-Z]+ \S+", addresses)
}


def role_faults(role: str) -> str:
    """Return what is wrong with a role; empty where nothing is."""
    return "" if role in ROLES else f"role: found {role!r}, expected one of {', '.join(ROLES)}"


def name_faults(name: str) -> str:
    """Return what is wrong with a name of a person, token or link; empty where nothing is."""
    good = 0 < len(name) <= LONGEST_NAME and name == name.strip() and all(map(str.isprintable, name))
    return "" if good else f"name: found {name[:LONGEST_NAME]!r}, expected 1 to {LONGEST_NAME} letters on one line"


def same_text(text: str) -> str:
    """Return a text as it is compared: what looks alike is alike, on whichever keyboard it was typed (NFKC)."""
    return unicodedata.normalize("NFKC", text)


def password_faults(password: str, name: str) -> str:
    """Return what is wrong with a password to be chosen, without the password; empty where nothing is."""
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        return f"found {len(password)} characters, expected {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}. Three words do."
    if len(set(password)) < FEWEST_CHARACTERS or password.casefold() in (name + name).casefold():
        return f"found one that is easily guessed, expected {FEWEST_CHARACTERS} different characters and not the name"
    return ""


def digest_of(secret: str) -> str:
    """Return the digest by which a random secret is kept: SHA-256, for 256 random bits need no slow one."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def form_token(secret: str, salt: str) -> str:
    """Return what a form of a session bears: a keyed digest (RFC 2104), another with each salt, so that an answer that
    is packed does not tell it bit by bit."""
    return f"{salt}.{hmac.new(secret.encode(), f'form {salt}'.encode(), hashlib.sha256).hexdigest()}"


def is_form_token(secret: str, found: str) -> bool:
    """Return whether a form bears the token of a session."""
    expected = form_token(secret, found.partition(".")[0])
    return hmac.compare_digest(expected.encode(), found.encode("utf-8", "surrogatepass"))


# --- guesses ---------------------------------------------------------------------------------------------------------

FREE_OF_ADDRESS, LONGEST_OF_ADDRESS_S = 5, 900.0
FREE_OF_NAME, LONGEST_OF_NAME_S = 10, 60.0  # shorter: whoever guesses at a name keeps its owner waiting too
FORGET_S = 3600.0  # without a guess
MOST_COUNTED = 10_000  # addresses and names: the one guessed longest ago makes room
TOLD_FOR_MS = DAY_MS  # that somebody guesses, after the last guess


@dataclass
class _Count:
    guesses: int = 0
    last_s: float = 0.0


@dataclass
class Guesses:
    """Wrong passwords, counted by address and by name. Each beyond the free ones doubles the wait before the next.

    Attributes
    ----------
    names : Counter of str
        Wrong ones since `since_ms` by the name of a person; of names nobody has together under "".
    refused : int
        Tries that had to wait and were not looked at.
    since_ms, last_ms : int
        The first and the last of them; after a day without any they begin anew. [ms since 1970, UTC]
    last_address : str
    """

    names: Counter[str] = field(default_factory=Counter)
    refused: int = 0
    since_ms: int = 0
    last_ms: int = 0
    last_address: str = ""
    _counts: dict[tuple[str, str], _Count] = field(default_factory=dict)

    def begin(self, address: str, name: str, now_s: float) -> float:
        """Count a try as a wrong one until it is known to be right; return how long it has to wait, 0 for not. [s]

        A try that has to wait is not counted so and must not be made.
        """
        keys = [("address", address), ("name", name)]
        wait_s = max(self._wait_s(key, now_s) for key in keys)
        if wait_s > 0.0:
            return wait_s
        for key in keys:
            count = self._counts.pop(key, _Count())  # put in anew at the end: the oldest stand first
            count.guesses, count.last_s = count.guesses + 1, now_s
            self._counts[key] = count
        while len(self._counts) > MOST_COUNTED:
            del self._counts[next(iter(self._counts))]
        return 0.0

    def right(self, address: str, name: str) -> None:
        """Take back a try that was right. What else the address has guessed stays counted."""
        self._counts.pop(("name", name), None)
        count = self._counts.get(("address", address))
        if count is not None:
            count.guesses -= 1

    def tell(self, address: str, person: str, at_ms: int, *, refused: bool = False) -> bool:
        """Note a try that was wrong, or refused, to be told; return whether it is the one at which to tell somebody."""
        if at_ms - self.last_ms > TOLD_FOR_MS:
            self.names, self.refused, self.since_ms = Counter(), 0, at_ms
        self.last_ms, self.last_address = at_ms, address
        if refused:
            self.refused += 1
        else:
            self.names[person] += 1
        return refused and self.refused == 1

    def line(self, at_ms: int, since: str) -> str:
        """Return what the owner is told on the pages, empty for nothing; `since` is `since_ms` in words."""
        if not self.refused or at_ms - self.last_ms > TOLD_FOR_MS:
            return ""
        # Translators: one of a list that stands in brackets after "were wrong"
        named = [say("{n} for {name}", n=n, name=one or say("names nobody has")) for one, n in self.names.most_common()]
        return say(
            "Somebody guesses at passwords: since {since} {wrong} were wrong ({named}) and {refused} more refused "
            "unread, the last from {address}.",
            since=since, wrong=self.names.total(), named=", ".join(named), refused=self.refused,
            address=self.last_address,
        )  # fmt: skip

    def _wait_s(self, key: tuple[str, str], now_s: float) -> float:
        count = self._counts.get(key)
        if count is None:
            return 0.0
        if now_s - count.last_s > FORGET_S:
            del self._counts[key]
            return 0.0
        is_address = key[0] == "address"
        free, longest_s = (FREE_OF_ADDRESS, LONGEST_OF_ADDRESS_S) if is_address else (FREE_OF_NAME, LONGEST_OF_NAME_S)
        if count.guesses < free:
            return 0.0
        return count.last_s + min(2.0 ** min(count.guesses - free, 20), longest_s) - now_s
