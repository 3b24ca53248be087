"""Passwords: hashed by Argon2 (RFC 9106, its profile for little memory), one at a time: guesses cannot eat the box.

A hash takes 64 MB and some tenths of a second of a small box. While one is made a few more may wait; the others are
refused at once, and pages are served meanwhile.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from api.access import same_text

MOST_WAITING, TURN_WITHIN_S = 4, 10.0
_hasher = PasswordHasher()
_one, _places = threading.Semaphore(1), threading.Semaphore(1 + MOST_WAITING)


class TooMany(Exception):
    """So many passwords wait to be looked at that this one is not."""


def hashed(password: str) -> str:
    """Return the hash of a password, with its salt and parameters. Raises TooMany."""
    with _turn():
        return _hasher.hash(same_text(password))


def is_right(password: str, known: str) -> bool:
    """Return whether a password has a hash; with that of nobody, "", it takes as long and is not. Raises TooMany."""
    with _turn():
        if not known:
            _hasher.hash(same_text(password))
            return False
        try:
            return _hasher.verify(known, same_text(password))
        except (VerificationError, InvalidHashError):
            return False


def is_outdated(known: str) -> bool:
    """Return whether a hash was made with other parameters than today's."""
    return _hasher.check_needs_rehash(known)


@contextmanager
def _turn() -> Iterator[None]:
    if not _places.acquire(blocking=False):
        raise TooMany
    try:
        if not _one.acquire(timeout=TURN_WITHIN_S):
            raise TooMany
        try:
            yield
        finally:
            _one.release()
    finally:
        _places.release()
