"""The map of a file: TOML that says how its columns become channels, pushes of a penetrometer or diary entries.

Reading a map reports every fault in it as `file: key: found X, expected Y`. What it names is held against the settings
in `record_plan`.
"""

from __future__ import annotations

import datetime
import re
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, ValidationError, ValidationInfo, field_validator, model_validator

from hardware.probe import CONE_BASE_MM2, MAX_DEPTH_MM
from hardware.quantities import QUANTITIES
from hardware.reading import is_channel
from hardware.table_check import NotToml, parse_toml
from pipeline.records.record_file import ImportFault
from pipeline.site.fields import Setting, Slug, Text, as_written, expected, faults_of, one_of, sound

MAX_COLUMNS = 500
STATED = "stated"
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)")
_Separator = Literal[",", ";", "|", "tab", "blanks"]
_Missing = Annotated[
    tuple[str | float | int, ...],
    Field(max_length=20, strict=False, description="a list of texts and numbers, as ['NA', -9999]"),
]
_Channel = Annotated[str, Field(description="station/probe/channel"), sound(is_channel)]
_Columns = Annotated[
    tuple[Text, ...],
    Field(min_length=1, max_length=6, strict=False, description="a list of names of columns, as ['DATE', 'TIME']"),
]


class FileForm(Setting):
    """How the text of the file is written."""

    separator: _Separator = ","
    decimal: Literal[".", ","] = "."
    encoding: Literal["utf-8", "latin-1", "cp1252"] = "utf-8"
    skip: int = Field(0, ge=0, le=1000)
    skip_below: int = Field(0, ge=0, le=100)
    header: bool = True
    comment: Literal["", "#", ";", "%", "!"] = ""
    missing: _Missing = ()
    beyond: Literal["refuse", "leave_out"] = "refuse"

    @field_validator("separator", "decimal")
    @classmethod
    def _told_apart(cls, text: str, info: ValidationInfo) -> str:
        if info.field_name == "decimal" and text == "," and info.data.get("separator") == ",":
            raise expected("'.' where a comma separates the columns")
        return text

    @property
    def character(self) -> str:
        """What stands between two columns; a blank for any run of them."""
        return {"tab": "\t", "blanks": " "}.get(self.separator, self.separator)


class TimeForm(Setting):
    """How a row's time is written."""

    columns: _Columns
    form: Text = "iso"
    zone: Text
    repeated_hour: Literal["refuse", "in_order", "first", "second"] = "refuse"
    order: Literal["refuse", "any"] = "refuse"

    @field_validator("form")
    @classmethod
    def _of_a_time(cls, form: str) -> str:
        if form not in ("iso", "unix", "days_since_1900") and not ("%" in form and re.search("%[YyFcxs]", form)):
            raise expected("'iso', 'unix', 'days_since_1900', or a form with a year, as '%d/%m/%Y %H:%M'")
        return form

    @field_validator("zone")
    @classmethod
    def _known(cls, zone: str, info: ValidationInfo) -> str:
        if zone != STATED:
            zone_of(zone)
        elif info.data.get("form") == "days_since_1900":
            raise expected("a zone: a count of days states no distance from UTC")
        return zone


def zone_of(name: str) -> datetime.tzinfo:
    """Return the zone of an IANA name, or of a fixed distance from UTC as `+01:00`.

    Raises
    ------
    PydanticCustomError
        With what was expected.
    """
    if offset := _OFFSET.fullmatch(name):
        sign, hours, minutes = offset.groups()
        distance = datetime.timedelta(hours=int(hours), minutes=int(minutes))
        if distance <= datetime.timedelta(hours=14):
            return datetime.timezone(distance if sign == "+" else -distance)
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as err:
        raise expected(
            "'UTC', a distance from it as '+01:00' (for a logger that keeps winter time all year), a name of the IANA "
            "list as 'Europe/London', or 'stated' where each time has its own"
        ) from err


class ColumnForm(Setting):
    """One column, and the channel its numbers become readings of.

    `quantity`, `depth_mm` and `sensing_height_mm` describe a channel that the settings have not got yet.
    """

    name: Text
    channel: _Channel
    unit: Text
    scale: float = 1.0
    offset: float = 0.0
    missing: _Missing = ()
    quantity: Text | None = None
    depth_mm: float | None = Field(None, ge=0.0, le=MAX_DEPTH_MM)
    sensing_height_mm: float = Field(0.0, ge=0.0, le=500.0)

    @field_validator("scale")
    @classmethod
    def _not_nought(cls, scale: float) -> float:
        if scale == 0.0:
            raise expected("a number other than 0, which would make all values one")
        return scale

    @field_validator("quantity")
    @classmethod
    def _known(cls, quantity: str | None) -> str | None:
        if quantity is not None and quantity not in QUANTITIES:
            raise expected(one_of(quantity, QUANTITIES))
        return quantity


class LongForm(Setting):
    """One number a row: the column that says of what, and the one that has the number."""

    name: Text
    value: Text


class DepthColumn(Setting):
    """A column of a row that is one push: its numbers are of this depth."""

    name: Text
    depth_mm: float = Field(ge=0.0, le=1200.0)


class PlaceForm(Setting):
    """Where a station is, so that a push with coordinates is one of the nearest."""

    station: Slug
    latitude_deg: float = Field(ge=-90.0, le=90.0)
    longitude_deg: float = Field(ge=-180.0, le=180.0)


class StrokesForm(Setting):
    """Pushes of a penetrometer: a row for each step of a push, or, with `depth` columns, a row for each push.

    The place is one `station` for all, or stands in the column `place` as a station or as a strip that `places` names,
    or is told by the columns `latitude` and `longitude` and the nearest of `at` within `within_m`.
    """

    probe: Slug
    unit: Text = "kPa"
    cone_mm2: float | None = Field(None, ge=CONE_BASE_MM2[0], le=CONE_BASE_MM2[1])
    push: Text | None = None
    depth: Text | None = None
    depth_unit: Text = "mm"
    value: Text | None = None
    columns: tuple[DepthColumn, ...] = Field((), alias="column", max_length=200, strict=False)
    station: Slug | None = None
    place: Text | None = None
    places: dict[str, Slug] = as_written({})
    latitude: Text | None = None
    longitude: Text | None = None
    within_m: float = Field(30.0, ge=1.0, le=1000.0)
    at: tuple[PlaceForm, ...] = Field((), max_length=64, strict=False)

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        steps = self.depth is not None and self.value is not None and self.push is not None
        if steps == bool(self.columns):
            raise expected("either `push`, `depth` and `value` of a row a step, or [[strokes.column]] of a row a push")
        placed = [self.station is not None, self.place is not None, None not in (self.latitude, self.longitude)]
        if sum(placed) != 1:
            raise expected("one of `station`, `place`, or `latitude` with `longitude`")
        if placed[2] and not self.at:
            raise expected("[[strokes.at]] with the coordinates of each station")
        return self


class FieldForm(Setting):
    """One column, and the field of the diary's entry that it fills. A `unit` makes it a number."""

    name: Text
    key: Text
    unit: Text | None = None
    scale: float = 1.0


class EntryForm(Setting):
    """Rows that are entries of the diary: of one kind, on a surface, at a station if it has one."""

    kind: Slug
    surface: Slug
    station: Slug | None = None
    place: Text | None = None
    places: dict[str, Slug] = as_written({})
    author: Text = Field("", validate_default=False)
    fields: tuple[FieldForm, ...] = Field((), alias="field", min_length=1, max_length=50, strict=False)


class RecordMap(Setting):
    """A map as it was read."""

    file: FileForm = as_written({})
    time: TimeForm
    columns: tuple[ColumnForm, ...] = Field((), alias="column", max_length=MAX_COLUMNS, strict=False)
    long: LongForm | None = None
    strokes: StrokesForm | None = None
    entry: EntryForm | None = None

    @model_validator(mode="after")
    def _of_one_kind(self) -> Self:
        if sum((bool(self.columns), self.strokes is not None, self.entry is not None)) != 1:
            raise expected("one of [[column]], [strokes] and [entry]")
        if self.long is not None and not self.columns:
            raise expected("[[column]] beside [long]")
        return self


def read_map(path: Path) -> RecordMap:
    """Return the map in a file.

    Raises
    ------
    ImportFault
        With every fault found.
    """
    try:
        return parse_map(path.read_bytes().decode(), path.name)
    except OSError as err:
        raise ImportFault([f"{path}: found no file to read ({err.strerror}), expected the map of the record"]) from err
    except UnicodeDecodeError as err:
        raise ImportFault(
            [f"{path.name}: found bytes that are not text ({err.reason}), expected TOML in UTF-8"]
        ) from err


def parse_map(text: str, name: str) -> RecordMap:
    """Return the map in a text; `name` stands in front of each fault.

    Raises
    ------
    ImportFault
        With every fault found.
    """
    try:
        table: dict[str, Any] = parse_toml(text)
    except NotToml as err:
        raise ImportFault([f"{name}: found text that is not TOML ({err}), expected the map of a record"]) from err
    try:
        return RecordMap.model_validate(table, by_alias=True, by_name=False)
    except ValidationError as err:
        whole = [f": {one['ctx']['words']}" for one in err.errors(include_url=False) if not one["loc"]]
        if whole:
            raise ImportFault(
                [f"{name}: found another mixture of tables, expected {words[2:]}" for words in whole]
            ) from err
        raise ImportFault([f"{name}: {fault}" for fault in faults_of(err, RecordMap, table)]) from err
