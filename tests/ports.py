"""A free TCP port of loopback for a server that a test starts, and what a worker behind one says that it holds."""

from __future__ import annotations

import random
import socket
from contextlib import suppress

import httpx

LOWEST, HIGHEST = 20_000, 32_767  # below those that outgoing connections are given: none of theirs is in the way


def unused_port() -> int:
    """Return a port that nobody listens on, at any address of this machine."""
    while True:
        port = random.SystemRandom().randint(LOWEST, HIGHEST)
        with socket.socket() as tried:
            try:
                tried.bind(("", port))
            except OSError:
                continue
            return port


def held(port: int) -> list[str]:
    """The sites that the worker behind a port holds; none while it does not answer."""
    with suppress(httpx.HTTPError):
        found: list[str] = httpx.get(f"http://127.0.0.1:{port}/healthz", timeout=5).json()["held"]
        return found
    return []
