"""What the answers of a season hold, and of two laid side by side."""

from __future__ import annotations

from pydantic import BaseModel, Field

from api.advice_schema import SpanOut
from api.schema import FigureOut, Time


class CoreDayOut(BaseModel):
    """The cores cut on one day: how thick the thatch was by the middle one, the thinnest and the thickest."""

    day: str = Field(examples=["2026-04-02"])
    thatch_mm: float = Field(examples=[14.0])
    low_mm: float = Field(examples=[12.0])
    high_mm: float = Field(examples=[16.0])
    cores: int = Field(examples=[3])


class RootsOut(BaseModel):
    """How deep the roots drank in a fortnight: the depth above which nine tenths were taken. [mm]"""

    station: str = Field(examples=["square-1"])
    start: Time
    end: Time
    depth_mm: FigureOut


class PassFigureOut(BaseModel):
    """What a pass took or changed, in the unit of the catalogue."""

    quantity: str = Field(examples=["thatch_removed"])
    title: str = Field(examples=["Thatch taken out"])
    unit: str = Field(examples=["mm"])
    figure: FigureOut


class SeasonPassOut(BaseModel):
    """A pass booked, begun or done, with its figures once it is done."""

    day: str = Field(examples=["2026-09-15"])
    kind: str = Field(examples=["scarifying"])
    title: str = Field(examples=["scarifying"])
    state: str = Field(examples=["done"])
    depth_mm: float | None = Field(examples=[10.0], description="null where nobody wrote it")
    figures: list[PassFigureOut]
    may_leave: FigureOut | None = Field(
        description="thatch that a booked pass and those before it may leave [mm]; null where it takes none"
    )


class MonthOut(BaseModel):
    """Water and growth of a month, up to now in the present one; null where too few days are known."""

    month: int = Field(examples=[5], description="1 to 12, by the site's clock")
    rain_mm: float | None = Field(examples=[61.0])
    given_mm: float = Field(examples=[12.0], description="waterings whose amount the diary has")
    growth_days: float | None = Field(examples=[21.3], description="sum of the daily growth potential")


class SeasonSumsOut(BaseModel):
    """What a year has come to by a day; null where it is not known."""

    until: Time
    rain_mm: float | None = Field(examples=[305.0])
    given_mm: float | None = Field(examples=[70.0], description="null where no watering is in the diary")
    passes: int = Field(examples=[4])
    thatch_mm: float | None = Field(examples=[14.0], description="by the last cores of the span")
    roots_mm: float | None = Field(examples=[88.0], description="median of the fortnights told")
    closed_days: int = Field(examples=[3], description="days closed to play, as the diary has them")
    cost: float | None = Field(examples=[1550.0], description="currency of the site; null where none is in the diary")
    hours: float | None = Field(examples=[42.0], description="worked, as written with the costs")


class ClosedOut(BaseModel):
    """A span without play, and why."""

    start: Time
    end: Time
    reason: str = Field(examples=["standing water"])


class CostOut(BaseModel):
    """What something cost."""

    day: str = Field(examples=["2026-05-04"])
    what: str = Field(examples=["scarifying by a contractor"])
    amount: float = Field(examples=[640.0], description="currency of the site")
    hours: float | None = Field(examples=[6.0])
    kind: str | None = Field(alias="pass", examples=["scarifying"])


class SeasonOut(BaseModel):
    """A year of a surface."""

    surface: str = Field(examples=["square"])
    title: str = Field(examples=["Main square"])
    year: int = Field(examples=[2026])
    start: Time
    end: Time
    now: Time
    plays: list[SpanOut]
    cores: list[CoreDayOut]
    thatch_trend: FigureOut | None = Field(description="mm a year, over all cores of one method; null without cores")
    roots: list[RootsOut]
    passes: list[SeasonPassOut]
    months: list[MonthOut]
    closed: list[ClosedOut]
    costs: list[CostOut]
    currency: str = Field(examples=["EUR"], description="of the site; empty where it is not set")
    so_far: SeasonSumsOut
    last_year: SeasonSumsOut


class DayDepthOut(BaseModel):
    """Water at one depth on one day, on its way from dry (0) to drained (1)."""

    channel: str = Field(examples=["square-1/p1/moisture_035"])
    depth_mm: float = Field(examples=[35.0])
    top_mm: float = Field(examples=[25.0])
    bottom_mm: float = Field(examples=[45.0])
    lies_in: str = Field(examples=["soil"])
    wetness: float | None = Field(examples=[0.58], description="mean of the day; null where nothing is to be believed")


class SideOut(BaseModel):
    """One side of a comparison, a value for each of its days; null where the day is not known."""

    station: str = Field(examples=["square-1"])
    title: str = Field(examples=["Main square, middle strips"])
    year: int = Field(examples=[2026])
    start: Time
    end: Time
    thatch_wetness: list[float | None] = Field(examples=[[0.91, None]])
    top_layer_wetness: list[float | None] = Field(examples=[[None, None]])
    root_zone_wetness: list[float | None] = Field(examples=[[0.52, 0.5]])
    gauge: str | None = Field(examples=["outfield-1/w1/rain"], description="whose rain counts here")
    rain_mm: list[float | None] | None = Field(examples=[[0.0, 3.4]], description="null without a gauge")
    rain_days: int = Field(examples=[92], description="days of which rain was heard")
    rain_sum_mm: float | None = Field(examples=[143.0], description="of these days")
    given_mm: float | None = Field(examples=[24.0], description="null where no amount of water given is in the diary")
    passes: int = Field(examples=[2])
    roots_mm: float | None = Field(examples=[88.0], description="depth roots drank to, median of the fortnights told")
    driest_day: str | None = Field(examples=["07-09"])
    driest: float | None = Field(examples=[0.21], description="wetness of the root zone on it")
    depths: list[DayDepthOut] = Field(description="of the day `depths_on`")
    thatch_mm: float | None = Field(examples=[14.0], description="on that day")
    roots: FigureOut | None = Field(description="depth roots drank to by that day, mm; null where it is not told")


class BothOut(BaseModel):
    """The wetness of a layer on both sides: means over the days known on both; null where there is none."""

    layer: str = Field(examples=["root_zone"])
    days: int = Field(examples=[62])
    first: float | None = Field(examples=[0.41])
    second: float | None = Field(examples=[0.58])


class CompareOut(BaseModel):
    """Two stations, or two years of one, over the same months. `days` are month and day of each value."""

    first_month: int = Field(examples=[5])
    last_month: int = Field(examples=[7])
    days: list[str] = Field(examples=[["05-01", "05-02"]])
    first: SideOut
    second: SideOut
    both: list[BothOut]
    depths_on: str | None = Field(examples=["07-10"], description="the last day known on both sides")
    same_gauge: bool = Field(examples=[False], description="one gauge counts for both, in the same year")
