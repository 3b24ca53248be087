"""Shapes of the JSON interface, with an example each, for the OpenAPI document.

Times are ISO 8601 in UTC; dates of advice are days of the site's clock. Units are the canonical ones of
`hardware.quantities`; a name ends in its unit where a field has one unit.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from pipeline.diary.entry import MAX_SENT_AS

Time = Annotated[str, Field(examples=["2026-05-04T06:15:00Z"])]


ChannelId = Annotated[str, Field(examples=["square-1/p1/moisture_035"], description="station/probe/channel")]


class ChannelOut(BaseModel):
    """A channel in the ground."""

    id: ChannelId
    quantity: str = Field(examples=["water_content"])
    unit: str = Field(examples=["m3 m-3"])
    depth_mm: float | None = Field(examples=[35.0], description="below the leaf base today; null above ground")
    lies_in: Literal["thatch", "mixed", "soil"] | None = Field(
        default=None, examples=["soil"], description="by its depth, height and the thatch today; null above ground"
    )
    calibration: str = Field(examples=["topp_1980"])


class ProbeOut(BaseModel):
    """A probe, with what it last said."""

    station: str = Field(examples=["square-1"])
    name: str = Field(examples=["p1"])
    model: str = Field(examples=["root_zone_profile"])
    title: str = Field(examples=["Root-zone profile: five depths"])
    heard_at: Time | None
    channels: list[ChannelOut]


class StationOut(BaseModel):
    """A station of a surface."""

    name: str = Field(examples=["square-1"])
    title: str = Field(examples=["Square, off the outer strip"])
    soil: str = Field(examples=["clay_loam"])
    root_zone_mm: float = Field(examples=[200.0])
    thatch_mm: float | None = Field(examples=[14.0], description="of the latest core; null when no core is known")


class SurfaceOut(BaseModel):
    """A surface of the site."""

    name: str = Field(examples=["square"])
    title: str = Field(examples=["Main square"])
    kind: str = Field(examples=["square"])
    stations: list[StationOut]


class SiteOut(BaseModel):
    """A site and its surfaces."""

    name: str = Field(examples=["fernhollow"])
    title: str = Field(examples=["Fern Hollow"])
    timezone: str = Field(examples=["UTC"])
    now: Time
    surfaces: list[SurfaceOut]


class ObservationOut(BaseModel):
    """One observation, or one step of a drawn-together series with its least, mean and greatest value."""

    channel: ChannelId
    at: Time
    value: float | None = Field(examples=[0.312])
    raw: float | None = Field(None, examples=[17.9], description="as heard; only in undrawn series")
    flag: int | None = Field(None, examples=[1], description="1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing")
    low: float | None = Field(None, description="least in the step; only in drawn-together series")
    high: float | None = Field(None, description="greatest in the step; only in drawn-together series")
    n: int | None = Field(None, description="observations in the step; only in drawn-together series")


class ObservationsOut(BaseModel):
    """A page of observations. `next` is the address of the following page, null on the last."""

    every: str = Field(examples=["raw"], description="raw, hour or day")
    units: dict[str, str] = Field(examples=[{"square-1/p1/moisture_035": "m3 m-3"}])
    observations: list[ObservationOut]
    next: str | None


class FindingOut(BaseModel):
    """What a span of observations means. `reason` says why `value` is withheld."""

    station: str = Field(examples=["square-1"])
    quantity: str = Field(examples=["thatch_wetness"])
    unit: str = Field(examples=["1"])
    start: Time
    end: Time
    value: float | None = Field(examples=[0.94])
    low: float | None
    high: float | None
    n: int = Field(examples=[1])
    reason: str


class FindingsOut(BaseModel):
    """A page of findings. `next` is the address of the following page, null on the last."""

    findings: list[FindingOut]
    next: str | None = Field(examples=["/api/v1/findings?station=square-1&limit=1000&after=1000"])


class CatalogueEntryOut(BaseModel):
    """One quantity of the catalogue of findings."""

    quantity: str = Field(examples=["hold_time"])
    unit: str = Field(examples=["h"])
    title: str = Field(examples=["Hold time"])
    meaning: str = Field(examples=["how long the top stayed wet after the water stopped"])
    stage: str = Field(examples=["drying"])
    about: str = Field(examples=["a wetting"])
    shown: str = Field(examples=["what is known of this ground, on the station page"])


class KnownOut(BaseModel):
    """The newest finding of one kind, of a station or of one of its channels, in facts and in words."""

    quantity: str = Field(examples=["hold_time"])
    unit: str = Field(examples=["h"])
    channel: str | None = Field(description="null where it is of the whole station")
    start: Time
    end: Time
    value: float | None = Field(examples=[38.0])
    low: float | None
    high: float | None
    reason: str
    words: str


class AlertOut(BaseModel):
    """An alert that is open, in one plain line."""

    id: str
    rule: str = Field(examples=["thatch_holding"])
    surface: str = Field(examples=["square"])
    station: str = Field(examples=["square-1"])
    probe: str | None = Field(description="null where the alert is about the ground")
    since: Time = Field(description="when the state began")
    opened: Time = Field(description="when it had lasted long enough to be said")
    text: str = Field(examples=["Square, off the outer strip: thatch wet 3 days, soil beneath drying. Don't water."])


class LayerOut(BaseModel):
    """Water in one layer. `wetness` is 0 at the dry limit and 1 when drained; `reason` says why it is withheld."""

    layer: str = Field(examples=["root_zone"], description="thatch, top_layer or root_zone")
    at: Time
    water_mm: float | None = Field(examples=[41.5])
    wetness: float | None = Field(examples=[0.62])
    wetness_low: float | None = Field(examples=[0.4], description="least it may be, for what the limits may be")
    wetness_high: float | None = Field(examples=[0.8], description="most it may be, for what the limits may be")
    wetness_week_before: float | None = Field(examples=[0.71])
    reason: str = Field(examples=[""])
    silent_since: Time | None = Field(
        description="when a channel these figures need answered last, where it has missed slots since"
    )


class ChannelNowOut(BaseModel):
    """The last answer of a channel; `flag` 9 and no value where there was none."""

    id: ChannelId
    unit: str = Field(examples=["m3 m-3"])
    at: Time | None
    value: float | None = Field(examples=[0.312])
    flag: int = Field(examples=[1], description="1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing")
    silent_since: Time | None = Field(description="as `at`, where it has missed slots since; else null")


class DepthNowOut(BaseModel):
    """The last reading of a moisture channel between its dry (0) and drained (1) limit, as the slice draws it."""

    channel: ChannelId
    depth_mm: float = Field(examples=[35.0], description="below the leaf base today")
    lies_in: str = Field(examples=["soil"], description="thatch, mixed or soil")
    wetness: float | None = Field(examples=[0.31], description="null where no reading is to be believed")
    wetness_low: float | None = Field(examples=[0.2], description="least it may be, for what the limits may be")
    wetness_high: float | None = Field(examples=[0.42], description="most it may be, for what the limits may be")
    wetness_week_before: float | None = Field(examples=[0.85])


class DepthHistoryOut(BaseModel):
    """A moisture channel through a span, a value a step; null where no reading is to be believed."""

    channel: ChannelId
    depth_mm: float = Field(examples=[35.0], description="below the leaf base at the end of the span")
    lies_in: str = Field(examples=["soil"], description="thatch, mixed or soil, at the end of the span")
    wetness: list[float | None] = Field(examples=[[0.31, 0.3]], description="0 at the dry limit, 1 when drained")
    water_content: list[float | None] = Field(examples=[[0.24, 0.239]], description="m3 m-3")


class DepthsOut(BaseModel):
    """Water at each depth of a station by equal steps from `start`, from the top down, and rain likewise."""

    station: str = Field(examples=["square-1"])
    start: Time
    end: Time
    step_s: int = Field(examples=[3600])
    depths: list[DepthHistoryOut]
    rain_step_s: int = Field(examples=[3600])
    rain_mm: list[float] | None = Field(examples=[[0.0, 1.2]], description="null where no gauge counts here")


class FigureOut(BaseModel):
    """A figure with its 90 % interval. `reason` says why `value` is withheld, or must be taken with care."""

    value: float | None = Field(examples=[6.1])
    low: float | None = Field(examples=[5.1])
    high: float | None = Field(examples=[7.1])
    reason: str = Field(examples=[""])


class WettingOut(BaseModel):
    """Where the water of one wetting went. A figure is null where the station has nothing to tell it by."""

    start: Time
    end: Time
    given_mm: FigureOut = Field(description="rain and watering")
    thatch_kept_mm: FigureOut | None = Field(description="still held by leaf and thatch when the soil held most")
    root_gain_mm: FigureOut | None = Field(description="reached the root zone")
    below_gain_mm: FigureOut | None = Field(description="went deeper, as far as probes reach")
    evaporation_mm: FigureOut | None
    unaccounted_mm: FigureOut | None = Field(description="negative when the ground gained more than was given")
    arrival_share: FigureOut | None = Field(description="of what was given, the share that reached the soil")


class StationNowOut(BaseModel):
    """A station just now. `words` is what the page says, line by line."""

    station: str = Field(examples=["square-1"])
    surface: str = Field(examples=["square"])
    title: str = Field(examples=["Main square, off the outer strip"])
    now: Time
    heard_at: Time | None
    time_unconfirmed_since: Time | None = Field(description="null where somebody or something keeps the time")
    is_old: bool = Field(examples=[False], description="true when the last reading says how it was, not how it is")
    silent_probes: list[str] = Field(examples=[[]])
    thatch_mm: float | None = Field(examples=[14.0])
    rain_day_mm: float | None = Field(examples=[2.4], description="of the last 24 hours; null when it cannot be told")
    layers: list[LayerOut]
    depths: list[DepthNowOut] = Field(description="moisture channels, from the top down")
    channels: list[ChannelNowOut]
    wetting: WettingOut | None = Field(description="the last one; null when none is known in 60 days")
    alerts: list[AlertOut]
    words: list[str] = Field(examples=[["Last heard 06:15 today, 4 minutes ago."]])


GIVEN_BY = "hand"


class ClockOut(BaseModel):
    """The server's time, whether it is confirmed, and by whom: `the system`, or `hand` where somebody gave it."""

    now: Time
    confirmed: bool = Field(examples=[True])
    by: str = Field(examples=["the system"])


class CertificateOut(BaseModel):
    """How the pages are encrypted. `own_authority` is false for a certificate that `pages.cert_file` brings; the digits
    are those that `underturf check` prints on the box."""

    encrypted: bool = Field(examples=[True])
    own_authority: bool = Field(examples=[True])
    authority_sha256: str | None = Field(examples=["0B:5D:7A"])
    authority_until: Time | None
    names: list[str] = Field(examples=[["shed.local", "192.168.1.20"]])
    begins: Time | None
    until: Time | None


class PersonOut(BaseModel):
    """Somebody who may sign in; `has_password` is false until the invitation was taken."""

    name: str = Field(examples=["Ann"])
    role: str = Field(examples=["keeper"], description="reader, keeper or head")
    has_password: bool = Field(examples=[True])
    added_at: Time


class CredentialOut(BaseModel):
    """A link or token that holds, without its secret."""

    name: str = Field(examples=["committee"])
    scope: str = Field(examples=["season"], description="season of a link; read or diary of a token")
    made_at: Time
    ends_at: Time


class AuditLineOut(BaseModel):
    """What was changed, by whom and when."""

    at: Time
    who: str = Field(examples=["root on the box"])
    what: str = Field(examples=["person Ann added as keeper"])


class PeopleOut(BaseModel):
    """Who may sign in, what else lets somebody in, and the last lines of the audit log, the newest first."""

    people: list[PersonOut]
    links: list[CredentialOut]
    tokens: list[CredentialOut]
    audit: list[AuditLineOut] = Field(
        examples=[[{"at": "2026-05-04T06:15:00Z", "who": "Ann", "what": "link committee made, for season"}]]
    )


class NodeHealthOut(BaseModel):
    """How the machine of a node is, as it last said; null what it could not read."""

    at: Time
    supply_v: float | None = Field(None, examples=[12.6])
    temperature_degc: float | None = Field(None, examples=[31.5], description="the warmest of its thermal zones")
    disk_free_bytes: float | None = Field(None, examples=[9412345856.0])
    disk_total_bytes: float | None = Field(None, examples=[15000000000.0])
    signal_dbm: float | None = Field(None, examples=[-61.0], description="of its strongest wireless network")
    uptime_s: float | None = Field(None, examples=[86400.0])


class SupplyDayOut(BaseModel):
    """Lowest and highest supply that a node told in a day (UTC)."""

    day: str = Field(examples=["2026-05-04"])
    lowest_v: float = Field(examples=[11.9])
    highest_v: float = Field(examples=[13.4])


class DriftOut(BaseModel):
    """The water content at which a depth stands drained, as first and as last learned. [m3 m-3]"""

    channel: str = Field(examples=["square-1/p1/moisture_065"])
    since: Time
    until: Time
    drained_then: float = Field(examples=[0.31])
    drained_now: float = Field(examples=[0.33])


class ProbeNowOut(BaseModel):
    """A probe as it is now."""

    station: str = Field(examples=["square-1"])
    name: str = Field(examples=["p1"])
    title: str = Field(examples=["Root-zone profile: five depths"])
    state: Literal["heard", "silent", "by record", "never heard", "out of the ground"] = Field(
        examples=["heard"],
        description="out of the ground: lifted, by the diary; by record: asked on no line, its readings are imported",
    )
    heard_at: Time | None
    nodes: list[str] = Field(examples=[["hut"]], description="that say they read its station")
    drift: list[DriftOut] = Field(examples=[[]], description="of each depth whose limits were learned twice or more")
    words: list[str] = Field(
        examples=[["Heard", "14:15 today.", "Water content at 65 mm: 31 %."]],
        description="the same for a reader: a verdict, its clause, and what it said",
    )


class DatedAgainOut(BaseModel):
    """Readings that were received before the node's clock was set, dated again by the same amount since."""

    told_at: Time
    first: Time = Field(description="of the times they were sent with")
    last: Time
    by_s: float = Field(examples=[3600.0], description="by how much later they were taken")
    readings: int = Field(examples=[24])


class RadioNodeOut(BaseModel):
    """A radio node, as the node that hears it last said; null what its messages do not say."""

    at: Time
    missed: int = Field(examples=[4], description="messages that never came, by its counter")
    battery_v: float | None = Field(None, examples=[3.4])
    signal_dbm: float | None = Field(None, examples=[-104.0])


class NodeOut(BaseModel):
    """A node, as it last said of itself."""

    node: str = Field(examples=["hut"])
    state: Literal["up", "down", "asleep", "not heard"] = Field(
        examples=["up"], description="asleep: until a timer wakes it; not heard: not since the server started"
    )
    heard_at: Time | None
    version: str = Field(examples=["0.1.0"])
    backlog: int = Field(examples=[0], description="readings without a receipt")
    dropped: int = Field(examples=[0], description="readings it had no room for")
    lines: dict[str, str] = Field(examples=[{"north": "ok"}])
    stations: list[str] = Field(examples=[["square-1"]], description="whose probes it reads")
    clock_confirmed: bool = Field(examples=[True])
    clock_by: str = Field(examples=["the system"], description="who confirmed its time; empty where nobody did")
    time_unconfirmed_since: Time | None
    dated_again: list[DatedAgainOut] = Field(examples=[[]], description="in the last 14 days, the first told first")
    health: NodeHealthOut | None = Field(None, description="null where the node has never said")
    supply_days: list[SupplyDayOut] = Field(examples=[[]], description="at most 14, the newest last")
    devices: dict[str, RadioNodeOut] = Field(examples=[{}], description="radio nodes that it hears, by station/probe")
    words: list[str] = Field(examples=[["Up.", "Supply 12.6 V."]], description="the same for a reader")


class NodesOut(BaseModel):
    """The nodes, the time, and what is heard that the settings do not name, with when it was last heard."""

    clock: ClockOut
    nodes: list[NodeOut]
    unknown_channels: dict[str, Time] = Field(examples=[{}], description="channels nobody has named")
    other_sites: dict[str, Time] = Field(examples=[{}], description="SITE/NODE of nodes that name another site")


class TimeIn(BaseModel):
    """The time of whoever gives it; UTC where no zone is said."""

    model_config = ConfigDict(extra="forbid")
    now: Time


class ReadyOut(BaseModel):
    """Whether readings can be taken and kept, and what is wrong."""

    ready: bool = Field(examples=[True])
    reasons: list[str] = Field(examples=[["ingest: not connected yet"]])


class ProblemOut(BaseModel):
    """Why a request could not be answered (RFC 9457)."""

    type: str = Field(examples=["about:blank"])
    title: str = Field(examples=["No such channel"])
    status: int = Field(examples=[404])
    detail: str = Field(examples=["channel: found 'x', expected one that /api/v1/probes lists"])
    instance: str = Field(examples=["/api/v1/observations"])
    faults: list[str] | None = Field(
        None, examples=[["end: found none, expected a time"]], description="every fault, where there may be several"
    )


class AlertEventOut(BaseModel):
    """Something an alert said."""

    id: str
    at: Time
    kind: str = Field(examples=["opened"], description="opened, repeated or closed")
    rule: str
    surface: str
    station: str
    text: str


class AlertMarkOut(BaseModel):
    """What somebody made of an alert."""

    mark: str = Field(examples=["seen"], description="seen, snoozed or wrong")
    at: Time
    until: Time | None = Field(description="until when it is snoozed")
    why: str = Field(examples=[""])
    author: str = Field(examples=["Ann"])


class PastAlertOut(BaseModel):
    """An alert from its opening to its end."""

    id: str
    rule: str = Field(examples=["thatch_holding"])
    surface: str = Field(examples=["square"])
    station: str = Field(examples=["square-1"], description="empty where it is about the whole surface")
    probe: str | None = Field(description="null where the alert is about the ground")
    since: Time = Field(description="when the state began")
    opened: Time = Field(description="when it had lasted long enough to be said")
    closed: Time | None = Field(description="null while it is open")
    text: str = Field(examples=["Square, off the outer strip: thatch wet 3 days, soil beneath drying. Don't water."])
    said: int = Field(examples=[1], description="how often, the opening and its repeats")
    ended: str = Field(examples=["Square, off the outer strip: the thatch has drained."], description="its last words")
    closed_by: str = Field(examples=["By the readings up to Tue 9 Jan 14:15."], description="empty while it is open")
    marks: list[AlertMarkOut]


class QuarantinedOut(BaseModel):
    """A message from a node that could not be kept."""

    id: int = Field(examples=[3], description="what `underturf quarantine show`, `retry` and `drop` call it")
    at: Time
    topic: str
    reason: str = Field(examples=["seq: found 4, expected 5"])
    size_bytes: int = Field(examples=[412])
    is_whole: bool = Field(examples=[True], description="false where only the beginning of a long payload is kept")


EntryKind = Annotated[str, Field(examples=["core"], description="one that /api/v1/diary/kinds lists")]


_CORE = {"thatch_mm": 14.0, "root_mm": 90.0}


class DiaryEntryIn(BaseModel):
    """An entry to be written."""

    model_config = ConfigDict(extra="forbid")

    kind: EntryKind
    surface: str = Field(examples=["square"])
    station: str | None = Field(None, examples=["square-1"], description="null when it concerns the whole surface")
    at: Time | None = Field(None, description="when it was, or began; null for now. UTC where no offset is given")
    end: Time | None = Field(None, description="when it ended or will end, for what lasts")
    author: str = Field("", examples=["Ann"])
    body: dict[str, Any] = Field({}, examples=[_CORE], description="what is said, by the fields of the kind")
    sent_as: str = Field(
        "",
        examples=["7f9c0b1e-5a3d-4c8e-9b61-2d0f8e7a4c53"],
        max_length=MAX_SENT_AS,
        description="an identity of your own: what is sent again under it is written once",
    )


class DiaryEntryOut(BaseModel):
    """An entry of the diary."""

    id: int = Field(examples=[12])
    kind: EntryKind
    title: str = Field(examples=["core cut"])
    surface: str = Field(examples=["square"])
    station: str | None = Field(examples=["square-1"])
    at: Time
    end: Time | None
    author: str = Field(examples=["Ann"])
    written_at: Time
    body: dict[str, Any] = Field(examples=[_CORE])
    counts: bool = Field(examples=[True], description="false while a question about it stands: `confirmed` answers it")


class DiaryOut(BaseModel):
    """A page of the diary, the oldest first. `next` is the address of the following page, null on the last."""

    entries: list[DiaryEntryOut]
    next: str | None = Field(examples=[None])


class DiaryWrittenOut(BaseModel):
    """The entry as it was written, and what looks like a slip of the pen, which counts once confirmed, or like what
    is written already."""

    entry: DiaryEntryOut
    questions: list[str] = Field(examples=[["depth_mm: found 0.5 mm. Is it inches? 0.5 in are 13 mm."]])


class DiaryFieldOut(BaseModel):
    """One thing the body of an entry may hold."""

    name: str = Field(examples=["thatch_mm"])
    needed: bool = Field(examples=[True])
    expects: str = Field(examples=["a number of mm from 0 to 200"])


class DiaryKindOut(BaseModel):
    """A kind of entry and what it must have."""

    kind: EntryKind
    title: str = Field(examples=["core cut"])
    needs_station: bool = Field(examples=[True])
    needs_end: bool = Field(examples=[False])
    needs_author: bool = Field(examples=[False])
    fields: list[DiaryFieldOut]


class MeOut(BaseModel):
    """Who asks. `form_token` is what a form of theirs bears as `csrf`, empty where none is needed."""

    name: str = Field(examples=["Ann"], description="empty where nobody has to sign in")
    may_write: bool = Field(examples=[True])
    form_token: str = Field(examples=[""])


class MarkIn(BaseModel):
    """What somebody makes of an alert."""

    model_config = ConfigDict(extra="forbid")

    mark: str = Field(examples=["snoozed"], description="seen, snoozed or wrong")
    until: Time | None = Field(None, description="until when it is snoozed")
    why: str = Field("", examples=["the probe lies under the covers"])
    author: str = Field("", examples=["Ann"])
    at: Time | None = Field(None, description="when it was said; null for now")
    sent_as: str = Field("", description="an identity of your own: what is sent again under it is written once")


class AnswerOut(BaseModel):
    """One of the six questions of the morning, and what can be said to it. `lines` are all that stands behind it."""

    question: str = Field(examples=["Water tonight?"])
    verdict: str = Field(examples=["No."])
    clause: str = Field(
        examples=["The roots have enough until tomorrow night."], description="what the verdict rests on"
    )
    needs_hand: bool = Field(examples=[False], description="something is to be done about it now")
    lines: list[str] = Field(examples=[["Square: no water tonight; the roots have enough until tomorrow night."]])


# --- advice ----------------------------------------------------------------------------------------------------------
