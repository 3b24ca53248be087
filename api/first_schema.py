"""Shapes of the first run in the JSON interface: what to do next, and the field check of a probe."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from api.schema import Time
from pipeline.mqtt.field_checks import CheckDoubt, CheckStep

FirstKey = Literal["agent", "probes", "names", "time", "check", "ground"]
StepState = Literal["done", "now", "next"]


class FirstStepOut(BaseModel):
    """One step from an empty site to readings that are believed."""

    step: FirstKey
    state: StepState
    title: str = Field(examples=["The agent"])
    words: list[str] = Field(examples=[["hut: Up."]], description="what is, and what to do")
    doubts: list[str] = Field(examples=[[]], description="each wrong turn that is seen, with its remedy")


class CheckedProbeOut(BaseModel):
    """A probe in the list of those to be checked."""

    station: str = Field(examples=["square-1"])
    probe: str = Field(examples=["p1"])
    called: str = Field(examples=["Square, outer strip: profile"])
    state: Literal["not begun", "under way", "done", "taken", "by hand"] = Field(
        examples=["under way"],
        description="taken: as it is, not checked to the end; by hand: a radio node, a record or a dock is not read at "
        "will",
    )
    believed: bool = Field(examples=[False], description="whether the diary has it in its place")
    words: str = Field(examples=["In water."])


class FirstOut(BaseModel):
    """From an empty site to the first reading to be believed."""

    steps: list[FirstStepOut]
    probes: list[CheckedProbeOut]
    missing: str = Field(examples=[""], description="lines of TOML for what is heard and not in the settings")
    ground: list[GroundSetOut]


class GroundSetOut(BaseModel):
    """What is set of a surface, or of one of its stations."""

    name: str = Field(examples=["square"])
    title: str = Field(examples=["Square"])
    table: str = Field(examples=["surface.square"], description="its table in the settings")
    facts: list[GroundFactOut]


class GroundFactOut(BaseModel):
    """One thing of it that advice rests on."""

    what: str = Field(examples=["Soil"])
    value: str = Field(examples=["clay loam"], description="empty where it is not set")
    where: str = Field(examples=["soil"], description="its key in the settings, or a kind of entry in the diary")


class CheckStepOut(BaseModel):
    """One step of a field check."""

    step: CheckStep
    state: StepState
    done_at: Time | None
    title: str = Field(examples=["In water"])
    words: str = Field(examples=["Stand it in tap water."])


class CheckChannelOut(BaseModel):
    """A channel as it stands in the step that is under way."""

    channel: str = Field(examples=["moisture_050"])
    depth_mm: float | None = Field(examples=[50.0])
    value: float | None = Field(examples=[71.0], description="as heard, before any calibration")
    status: str = Field(examples=["ok"])
    ticked: bool = Field(examples=[False])
    in_a_row: int = Field(examples=[2], description="readings in a row that are where the step wants them")
    words: str = Field(examples=["50 mm: 71, wanted 60 to 90."])


class CheckDoubtOut(BaseModel):
    """Something wrong, with its remedy in words."""

    doubt: CheckDoubt
    channel: str = Field(examples=["moisture_050"], description="empty where it is of the whole probe")
    words: str = Field(examples=["It does not answer: see to its power, its plug and its address."])


class ProbeCheckOut(CheckedProbeOut):
    """The field check of a probe."""

    place: str = Field(examples=["Square, outer strip"])
    begun_at: Time | None
    steps: list[CheckStepOut]
    channels: list[CheckChannelOut] = Field(description="of the step under way")
    doubts: list[CheckDoubtOut]
    readable: str = Field(examples=[""], description="why it cannot be read just now; empty where it can")
    trusted: str = Field(examples=[""], description="its first reading to be believed, in words")


class CheckIn(BaseModel):
    """What to do with the field check of a probe."""

    model_config = ConfigDict(extra="forbid")

    do: Literal["begin", "again", "taken"] = Field(
        examples=["begin"], description="taken: it is believed as it is, unchecked, and that is written"
    )
    step: CheckStep = Field(default="air", examples=["air"], description="of `again`: from this step on")


FirstOut.model_rebuild()
GroundSetOut.model_rebuild()
