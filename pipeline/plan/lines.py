"""What a line tells somebody, as a tag with its time, so that two lines can be held against each other.

Whatever is said of a surface on one morning, an order, a fact or a state, is one or several of these beside its words.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from pipeline.units import TimeSpan

WATERING = "watering"  # what a booking of water is about


class Says(Enum):
    """What a line says.

    KEEP_OFF: neither feet nor machines on it; GO_ON: it may be gone on. NO_WATER: give none, for whatever reason;
    WATER: give some, deep; SEED_WATER: little, for seed; WAIT_FOR_RAIN: let rain do it; HAS_WATER, LACKS_WATER: whether
    there is any to hand. SPIKE: open it up with tines; PASS_OPEN, PASS_SHUT: a pass can be made, or not; PASS_UNKNOWN:
    nobody can tell. BOOKED: a pass or a watering is booked; JUDGED: what is made of a booking; GO_AHEAD: it is told to
    be made as booked; PUT_OFF: it is told to wait, or not to be. ARRIVED, STOPPED: what came of the latest water.
    DO_BY: make a pass by a day; TOO_LATE: it would not heal; SHALLOWER: make one less deep instead. Of the strip that a
    station stands on: BY_NEED: water it by its need; LAST_WATER: it may be watered on that evening; LIGHT_ONLY: no more
    than so much; DRIED, TOO_NEAR: no water that evening, for it is dried for play, or would not drain before play.
    """

    KEEP_OFF = auto()
    GO_ON = auto()
    NO_WATER = auto()
    WATER = auto()
    SEED_WATER = auto()
    WAIT_FOR_RAIN = auto()
    HAS_WATER = auto()
    LACKS_WATER = auto()
    SPIKE = auto()
    PASS_OPEN = auto()
    PASS_SHUT = auto()
    PASS_UNKNOWN = auto()
    BOOKED = auto()
    JUDGED = auto()
    GO_AHEAD = auto()
    PUT_OFF = auto()
    ARRIVED = auto()
    STOPPED = auto()
    DO_BY = auto()
    TOO_LATE = auto()
    SHALLOWER = auto()
    BY_NEED = auto()
    LAST_WATER = auto()
    LIGHT_ONLY = auto()
    DRIED = auto()
    TOO_NEAR = auto()


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that is said of a surface.

    Attributes
    ----------
    says : Says
    span : TimeSpan
        When it holds, or is to be done. [ms since 1970, UTC]
    place : str
        Station; empty for the whole surface.
    about : str
        Kind of pass, `WATERING` of a booking of water, or a strip; empty where it is about none.
    mm : float or None
        Of water. [mm]
    wounds : bool
        Of a pass: whether it has anything to heal.
    text : str
        The words it was said in.
    """

    says: Says
    span: TimeSpan
    place: str = ""
    about: str = ""
    mm: float | None = None
    wounds: bool = True
    text: str = ""

    def meets(self, other: Line) -> bool:
        """Return whether both are about one place at one time."""
        here = not self.place or not other.place or self.place == other.place
        return here and self.span.start_ms < other.span.end_ms and other.span.start_ms < self.span.end_ms
