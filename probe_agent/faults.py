"""Faults of the surroundings (line, disk, broker, clock), and how long to wait before the next try."""

from __future__ import annotations

from collections.abc import Callable

FIRST_BACK_OFF_S = 1.0
LONGEST_BACK_OFF_S = 60.0


class AgentFault(Exception):
    """Something around the agent is not as it should be: back off and try again."""


class BackOff:
    """Waits between tries: twice as long after every failure, up to a limit, and never in step with other nodes.

    Parameters
    ----------
    chance : callable
        Gives numbers from 0 to 1: the wait is 0.5 to 1.5 times its middle.
    """

    def __init__(self, chance: Callable[[], float]) -> None:
        self._chance = chance
        self._middle_s = FIRST_BACK_OFF_S

    def failed(self) -> float:
        """Count a failure and return the wait before the next try. [s]"""
        wait_s = self._middle_s * (0.5 + self._chance())
        self._middle_s = min(2 * self._middle_s, LONGEST_BACK_OFF_S)
        return wait_s

    def succeeded(self) -> None:
        """Begin again with the shortest wait."""
        self._middle_s = FIRST_BACK_OFF_S
