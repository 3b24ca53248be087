"""The quality flag of an observation: the IOC / QARTOD primary flag set, and nothing else."""

from __future__ import annotations

from enum import IntEnum


class Flag(IntEnum):
    """How far an observation may be believed.

    Source: IOC Manuals and Guides 54, volume 3 (2013), "Ocean Data Standards: quality flag scheme", primary level;
    the same five are used by the QARTOD manuals (cited from memory).
    """

    GOOD = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9
