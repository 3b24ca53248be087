"""What the answers of the plan of the ground hold."""

from __future__ import annotations

from pydantic import BaseModel, Field


class TapeOut(BaseModel):
    """How far a place is from one of the marks."""

    mark: str = Field(examples=["A"])
    metres: float = Field(examples=[28.24])


class PlanPointOut(BaseModel):
    """A place on the plan, in metres to the right and up, and how it is found again with tapes."""

    x_m: float = Field(examples=[1.5])
    y_m: float = Field(examples=[11.5])
    tapes: list[TapeOut] = Field(description="one for each mark; empty while there are fewer than two")
    is_left: bool | None = Field(
        examples=[True], description="of whoever stands at the first mark and looks to the second; null without them"
    )
    within_m: float | None = Field(
        examples=[0.07], description="how far off it may be when each tape is out by 50 mm, by the two that meet best"
    )


class PlanMarkOut(BaseModel):
    """A fixed mark that a tape is drawn from."""

    letter: str = Field(examples=["A"])
    title: str = Field(examples=["near left corner of the square"])
    x_m: float = Field(examples=[-15.0])
    y_m: float = Field(examples=[-11.0])


class PlanSurfaceOut(BaseModel):
    """A surface as it is drawn; without corners where nobody entered its outline."""

    surface: str = Field(examples=["square"])
    title: str = Field(examples=["Main square"])
    kind: str = Field(examples=["square"])
    corners_m: list[list[float]] = Field(examples=[[[-15.0, -11.0], [15.0, -11.0], [15.0, 11.0], [-15.0, 11.0]]])
    strips: int | None = Field(examples=[10])
    strips_booked: list[int] = Field(examples=[[4, 5, 6]], description="by the booked passes that name them")


class PlanBuildingOut(BaseModel):
    """What stands on the ground and is drawn to know one's way by."""

    title: str = Field(examples=["shed"])
    corners_m: list[list[float]] = Field(examples=[[[-31.0, -31.0], [-28.0, -31.0], [-28.0, -28.0]]])


class PlanStationOut(BaseModel):
    """A station with its number on the plan; `place` is null where nobody entered it."""

    number: int = Field(examples=[1])
    station: str = Field(examples=["square-1"])
    surface: str = Field(examples=["square"])
    title: str = Field(examples=["Main square, middle strips"])
    is_heard: bool = Field(examples=[True], description="whether it answered when it was last read, and lately")
    place: PlanPointOut | None
    entered: str = Field(examples=["settings"], description="settings or diary; empty where nobody did")


class PlanProbeOut(BaseModel):
    """A probe left in the ground: where it is, the cover of its top, and the pass that must not come over it."""

    number: int = Field(examples=[1], description="that of its station")
    station: str = Field(examples=["square-1"])
    probe: str = Field(examples=["p1"])
    called: str = Field(examples=["the middle-strips probe"])
    place: PlanPointOut | None
    cover_mm: float = Field(examples=[70.0])
    too_deep_from_mm: float = Field(
        examples=[45.0], description="a pass that cuts deeper than this would meet it; 0: any that cuts"
    )
    is_lifted: bool = Field(examples=[False])


class BuriedPointOut(BaseModel):
    """A bend or an end of something buried."""

    place: PlanPointOut
    cover_mm: float | None = Field(examples=[180.0], description="null where nobody measured it")
    too_deep_from_mm: float = Field(examples=[155.0], description="as of a probe; 0 where the cover is not known")


class BuriedOut(BaseModel):
    """Something buried, from bend to bend."""

    title: str = Field(examples=["cable to the square"])
    kind: str = Field(examples=["cable"])
    points: list[BuriedPointOut]
    length_m: float = Field(examples=[85.2])
    measured: str | None = Field(examples=["2026-03-14"])
    entered: str = Field(examples=["settings"], description="settings or diary")
    entry: int | None = Field(examples=[41], description="its number in the diary; null where it is in the settings")


class TooNearOut(BaseModel):
    """What of something buried lies nearer than 25 mm to the blades of a pass, or of unknown cover."""

    line: int = Field(examples=[0], description="its place in `buried`, from 0")
    title: str = Field(examples=["cable to the square"])
    kind: str = Field(examples=["cable"])
    parts_m: list[list[float]] = Field(
        examples=[[[76.1, 85.2]]], description="from and to, along it from its first end"
    )
    metres: float = Field(examples=[9.1])
    least_cover_mm: float | None = Field(examples=[95.0], description="null where nobody measured it")


class PlanPassOut(BaseModel):
    """A pass to come and what its blades would meet of all that was entered."""

    surface: str = Field(examples=["outfield"])
    surface_title: str = Field(examples=["Outfield"])
    title: str = Field(examples=["solid tining"])
    day: str | None = Field(examples=["2026-07-11"], description="null for one that is planned in the settings")
    depth_mm: float = Field(examples=[100.0])
    strips: str = Field(examples=["4 to 6"], description="as they were written; empty where nobody did")
    probes: list[str] = Field(examples=[["long-1/p1"]], description="not lifted, as station/probe")
    called: str = Field(examples=["the long-side probe"])
    too_near: list[TooNearOut]
    whole_site: bool = Field(examples=[False], description="the outline is not known: all that lies buried was asked")


class GroundOut(BaseModel):
    """The plan of the ground: all that was entered, and only that."""

    title: str = Field(examples=["Home ground"])
    origin: str = Field(examples=["the middle of the square"])
    north_deg: float = Field(examples=[0.0], description="clockwise from the top of the drawing")
    marks: list[PlanMarkOut]
    surfaces: list[PlanSurfaceOut]
    buildings: list[PlanBuildingOut]
    stations: list[PlanStationOut]
    probes: list[PlanProbeOut]
    buried: list[BuriedOut]
    passes: list[PlanPassOut]
    doubts: list[str] = Field(examples=[["Nets, back: its place is not entered."]])
