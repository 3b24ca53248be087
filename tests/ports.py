"""A free TCP port of loopback for a server that a test starts."""

from __future__ import annotations

import random
import socket

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
