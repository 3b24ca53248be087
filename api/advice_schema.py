"""What the answers of advice, forecast and bookings hold."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from api.schema import DiaryEntryOut, Time

Day = Annotated[str, Field(examples=["2026-09-12"])]


VerdictWord = Annotated[str, Field(examples=["wait"], description="open, wait, closed or cannot_tell")]


Chance = Annotated[float | None, Field(examples=[0.7], description="0 to 1; null where nothing tells how sure it is")]


class OverrideOut(BaseModel):
    """A person's word against the verdict, which is kept."""

    author: str = Field(examples=["Ann"])
    reason: str = Field(examples=["the machine is here today only"])
    written_at: Time


class WindowOut(BaseModel):
    """A span through which the verdict on a pass, and what binds it, stay the same.

    With an override it is open on somebody's word; `reason` then says against what.
    """

    start: Time
    end: Time
    verdict: VerdictWord
    binding: str = Field(examples=["thatch_wetness"], description="condition or lock that binds; empty when it is open")
    reason: str = Field(examples=["thatch too wet"])
    detail: str = Field(examples=["thatch too wet: 0.84, wanted 0.7 or less"])
    opens: str = Field(examples=["a drying day or two"])
    chance: Chance
    check_first: list[str] = Field(examples=[["no print or wheel mark"]], description="what only eyes can tell")
    lift_first: list[str] = Field(examples=[["t1"]], description="probes that the blades would meet")
    warnings: list[str] = Field(examples=[[]])
    override: OverrideOut | None = Field(examples=[None])


class PassWindowsOut(BaseModel):
    """One kind of pass through the coming days."""

    kind: str = Field(examples=["scarifying"])
    variant: str = Field(examples=["standard"])
    title: str = Field(examples=["scarifying"])
    depth_mm: float = Field(examples=[8.0])
    windows: list[WindowOut]


class SurfaceWindowsOut(BaseModel):
    """Every pass that is thought of on a surface, hour by hour."""

    surface: str = Field(examples=["square"])
    title: str = Field(examples=["Main square"])
    at: Time = Field(description="when this was worked out")
    passes: list[PassWindowsOut]


class HealedOut(BaseModel):
    """When a wound made today will have healed; null when not within the days looked at."""

    earliest: str | None = Field(examples=["2026-09-21"])
    likely: str | None = Field(examples=["2026-09-27"])
    latest: str | None = Field(examples=[None])


class LastGoodOut(BaseModel):
    """The last day of a pass that heals in time: `safe` to be counted on, `likely` at the latest."""

    safe: Day | None
    likely: Day | None
    needed_on: Day | None = Field(description="by when it must be healed")
    for_play: bool = Field(examples=[True], description="true for the next play, false for the end of growth")
    line: str = Field(examples=["Green: to heal before play on 12 Oct, do the scarifying by 2 Sep."])


class WeekOut(BaseModel):
    """One of the weeks ahead, past the ten days."""

    first: Day = Field(description="its Monday")
    chance: float = Field(examples=[0.8], description="that it has a day on which the pass can be made, 0 to 1")
    days: float = Field(examples=[3.4], description="such days to be expected in it")
    reason: str = Field(examples=["soil too cold"], description="what shuts most of it; empty where nothing does")


class PassAdviceOut(BaseModel):
    """One kind of pass in a line, and what stands behind it."""

    kind: str = Field(examples=["scarifying"])
    variant: str = Field(examples=["standard"])
    title: str = Field(examples=["scarifying"])
    depth_mm: float = Field(examples=[8.0])
    line: str = Field(examples=["Green: scarifying to 8 mm is open until Thu 16:00, then rain on the day."])
    now: VerdictWord
    opens_at: Time | None = Field(description="begin of the first six open hours or more; null when there are none")
    closes_at: Time | None
    last_good: LastGoodOut | None = Field(description="null when nothing needs it healed, or growth is not known")
    healed: HealedOut | None = Field(description="if it were done today")
    weeks: list[WeekOut] = Field(description="the sixteen weeks ahead by the usual weather; empty where none are known")


class DayChanceOut(BaseModel):
    """Chance of a day to be dry enough to scarify, for long enough, in working hours."""

    date: Day
    chance: Chance


class WaterOut(BaseModel):
    """Tonight's water at a station. Nothing of it is done by itself."""

    station: str = Field(examples=["square-1"])
    at: Time = Field(description="when this was worked out")
    mm: float | None = Field(examples=[12.0], description="0 for none; null when nobody can tell")
    range_mm: list[float] | None = Field(
        examples=[[9.0, 15.0]],
        min_length=2,
        max_length=2,
        description="within which the right dose lies eight times in ten; null where it is known",
    )
    goes: int = Field(examples=[2])
    drink_mm: float | None = Field(examples=[4.0], description="what the thatch takes first")
    root_deficit_mm: float | None = Field(examples=[8.0], description="what the roots are short of")
    volume_m3: float | None = Field(examples=[7.2], description="where the area is known")
    reason: str = Field(examples=["the roots are short of 8 mm"])
    cautions: list[str] = Field(
        examples=[["the last water stopped in the thatch: give each go time to soak"]], description="as clauses"
    )
    line: str = Field(
        examples=["Square: water 12 mm tonight in 2 goes an hour apart; the roots are short of 8 mm."],
        description="what, where, when, in how many goes and why, in one sentence",
    )
    further: list[str] = Field(
        examples=[["The last water stopped in the thatch: give each go time to soak."]],
        description="what is to be known and done besides, in sentences: the cautions, then the steps of the plan",
    )


class StationAdviceOut(BaseModel):
    """One station: its likeliest day, and tonight's water."""

    station: str = Field(examples=["square-1"])
    day_line: str = Field(examples=["dry enough to scarify: Thursday 7 in 10"])
    days: list[DayChanceOut]
    water: WaterOut


class PlayOut(BaseModel):
    """A time of play."""

    title: str = Field(examples=["League match"])
    start: Time
    end: Time
    strips: list[int] = Field(examples=[[4]], description="on which it is, by number; empty where nobody says")


class CautionOut(BaseModel):
    """Something to look at or to feel for; it orders nothing."""

    what: str = Field(examples=["disease_weather"], description="disease_weather or thatch_may_hold")
    station: str = Field(examples=[""], description="empty for the whole surface")
    place: str = Field(examples=["Main square"])
    line: str = Field(examples=["Weather for dollar spot, 4 in 10 by the index: look for cobwebs in the dew."])
    chance: float = Field(examples=[0.4])


class StripOut(BaseModel):
    """How one strip of a square stands, by the fixtures that name it."""

    number: int = Field(examples=[4])
    state: Literal["in_use", "in_preparation", "resting", "finished"] = Field(examples=["in_preparation"])
    play: Time | None = Field(description="begin of its next play; null without one")
    last_water: Time | None = Field(description="the last evening on which it may get water before it; null when past")
    line: str = Field(examples=["Strip 4 is in preparation for play on 12 Jul: no more water."])


class SurfaceAdviceOut(BaseModel):
    """All that is advised on a surface."""

    surface: str = Field(examples=["square"])
    title: str = Field(examples=["Main square"])
    kind: str = Field(examples=["square"])
    passes: list[PassAdviceOut]
    stations: list[StationAdviceOut]
    play: list[PlayOut]
    dawn_leaf_degc: float | None = Field(
        examples=[3.5], description="coldest leaf of the coming night; null if unknown"
    )
    cautions: list[CautionOut] = Field(description="what to look at or to feel for")
    strips: list[StripOut] = Field(description="of a square, those that fixtures name")
    strips_wanted: str = Field(examples=[""], description="what to write down for the rest of a square to be watered")
    weeks_at: Time | None = Field(description="when the weeks ahead were worked out; null before the first")
    weeks_reason: str = Field(examples=[""], description="why there are no weeks; empty where there are")


class AdviceOut(BaseModel):
    """All that is advised, worked out at one moment. `notes` say what was missing, stale or broken."""

    at: Time
    notes: list[str] = Field(examples=[["no weather forecast: this site's own weather at this season"]])
    surfaces: list[SurfaceAdviceOut]


class HourOut(BaseModel):
    """One hour of wetness to come: mean, and what one course in ten stays below and above.

    Relative: 0 at the dry limit, 1 when drained.
    """

    at: Time
    thatch_wetness: float | None = Field(examples=[0.82])
    thatch_low: float | None = Field(examples=[0.7])
    thatch_high: float | None = Field(examples=[0.93])
    root_zone_wetness: float | None = Field(examples=[0.55])
    root_zone_low: float | None = Field(examples=[0.5])
    root_zone_high: float | None = Field(examples=[0.61])
    rain_mm: float | None = Field(examples=[0.1], description="mean rain of the hour that begins here")


class ForecastOut(BaseModel):
    """Ten days of wetness at a station. `reason` says why there is none; `hours` is empty then."""

    station: str = Field(examples=["square-1"])
    at: Time = Field(description="when this was worked out")
    source: str = Field(examples=["weather forecast"], description="what it rests on")
    notes: list[str] = Field(examples=[[]])
    reason: str = Field(examples=[""])
    courses: int = Field(examples=[40], description="how many ways the weather may go were run")
    day_line: str = Field(examples=["dry enough to scarify: Thursday 7 in 10"])
    days: list[DayChanceOut]
    hours: list[HourOut]


class SpanOut(BaseModel):
    """A span of time."""

    start: Time
    end: Time


class JudgementOut(BaseModel):
    """What is made of a pass at a time, before it is booked or since."""

    verdict: str = Field(examples=["wait"], description="go, in_doubt, wait, do_not, cannot_tell or too_early")
    line: str = Field(examples=["Wait: thatch too wet. Better: Fri 8:00 to 19:00."])
    better: SpanOut | None = Field(description="nearest better time; null where it is good, or none is in sight")
    judged_as: str | None = Field(examples=["scarifying to 8 mm"], description="null where this pass is not judged")
    lift_first: list[str] = Field(examples=[["t1"]], description="probes that the blades would meet")
    lift: str = Field(examples=["Lift the north-end thatch probe first."], description="the same in words")
    cautions: list[str] = Field(examples=[["Guards on and nobody near while it runs."]])


class BookingOut(BaseModel):
    """A pass that is booked, under way, or was booked for a day past and never begun."""

    state: str = Field(examples=["booked"], description="under_way, missed or booked")
    entry: DiaryEntryOut
    judgement: JudgementOut | None = Field(description="null unless booked")


class BookingsOut(BaseModel):
    """What is under way, then what was missed, then what is booked, each in order of time."""

    bookings: list[BookingOut] = Field(examples=[[]])
