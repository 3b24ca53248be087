"""Probe descriptions: what a kind of probe measures, where, how it is asked and how its numbers are decoded.

A description is one TOML file in `probes/`, neutral: registers and depths, no maker's names. Adding a probe is adding
a file. Loading checks everything and reports every fault at once. Calibration is only named here; it is computed in the
pipeline, so that it can be redone.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Any

from hardware.curves import SIGNATURES, curve_faults, curves_between
from hardware.modbus import (
    ORDERS,
    REGISTERS,
    TYPE_WORDS,
    RegisterPlace,
    RegisterTable,
    decode_number,
    encode_number,
)
from hardware.quantities import QUANTITIES
from hardware.reading import is_slug
from hardware.sdi12_frame import MAX_COUNT, MAX_COUNT_CONCURRENT
from hardware.table_check import NotToml, TableCheck, parse_toml
from hardware.uplink import MAX_PATH_CHARS, TIME_FORMS, MessageShape, is_path

BY_MESSAGE = "mqtt"  # of a line of radio nodes, which send when they will
PROTOCOLS = ("sdi12", "modbus", "cone", BY_MESSAGE)  # of lines
BY_FILE = "file"  # of a probe that is asked on no line: what it read comes in as a record
SDI12_COMMANDS = tuple([f"{kind}{n}" for kind in ("M", "C") for n in ("", *"123456789")])
FRAMES = ("7E1", "8N1", "8E1", "8O1", "8N2")
MAX_DEPTH_MM = 3000.0
MAX_PROBE_CHANNELS = 96
MAX_MISSING = 16
MISSING_BOUND = 1e10
OWN_MODELS = Path("/etc/underturf/probes")
"""Folder of one's own descriptions, for agent and server alike, where neither is told of another."""
OBSERVED_AS = {
    "apparent_permittivity": "water_content", "rain_total": "rain", "cone_force": "cone_resistance",
    "signal_voltage": "water_content", "signal_count": "water_content",
}  # fmt: skip
"""Quantities that are heard and, as they are, of no use to any sum: a channel must say what they become."""
CONE_HEARD = ("cone_depth", "cone_force")  # all that a stroke has
CONE_BASE_MM2 = SIGNATURES["cone_base_area"].required["base_mm2"]


class ProbeFault(ValueError):
    """A probe description that cannot be used. `faults` lists every one as `file:key: found, expected`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class Calibration:
    """Which curve turns the number heard into the observation, with its parameters and where it came from.

    `curve` is a name in `hardware.curves.SIGNATURES`; `parameters` are its own, by name; `points` are those of a table,
    reading and what it stands for.
    """

    curve: str = "identity"
    parameters: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    source: str = ""
    points: tuple[tuple[float, float], ...] = ()


def calibration_of(curve: str, written: Mapping[str, Any], source: str) -> Calibration:
    """Return a calibration as it is written, without a fault: `written` has everything beside `curve` and `source`."""
    numbers = {key: float(value) for key, value in written.items() if key != "points"}
    points = tuple((float(reading), float(meant)) for reading, meant in written.get("points", ()))
    return Calibration(curve, MappingProxyType(numbers), source, points)


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity at one depth.

    Attributes
    ----------
    name : str
        Slug, unique in the probe.
    heard : str
        Quantity of the number the probe sends.
    quantity : str
        Quantity of the observation after calibration.
    depth_m : float or None
        Depth of the middle of the sensing volume below the leaf base, positive down. [m] None above ground.
    sensing_height_m : float
        Height of the sensing volume: thatch thinner than this cannot be read alone. [m] 0 where it does not matter.
    command : str
        SDI-12 measurement command, `M`, `M1`..`M9`, `C`, `C1`..`C9`; empty for other protocols.
    position : int
        Place of the value in the answer to that command, from 1.
    scale, offset : float
        Decode: number heard = scale x value sent + offset, in the canonical unit of `heard`.
    calibration : Calibration
    missing : tuple of float
        Values as sent by which the probe says that it has none, such as 9999.
    place : RegisterPlace or None
        Registers of the value; None for other protocols.
    path : str
        Where it stands in a message; empty for other protocols.
    """

    name: str
    heard: str
    quantity: str
    depth_m: float | None
    sensing_height_m: float
    command: str
    position: int
    scale: float
    offset: float
    calibration: Calibration
    missing: tuple[float, ...] = ()
    place: RegisterPlace | None = None
    path: str = ""


@dataclass(frozen=True, slots=True)
class ProbeDescription:
    """One kind of probe."""

    model: str
    title: str
    protocol: str
    baud: int
    frame: str  # bits, parity, stop bits: "7E1", "8N1"
    crc: bool
    notes: str
    cone_base_m2: float | None
    channels: tuple[Channel, ...]
    message: MessageShape | None = None  # of radio nodes alone

    @property
    def commands(self) -> tuple[str, ...]:
        """Measurement commands in the order they are first named."""
        return tuple(dict.fromkeys(c.command for c in self.channels if c.command))

    def channel(self, name: str) -> Channel:
        """Return the channel of that name; KeyError names those there are."""
        for channel in self.channels:
            if channel.name == name:
                return channel
        raise KeyError(f"{self.model}: found no channel {name!r}, expected one of {[c.name for c in self.channels]}")


def models(folder: Path | None = None) -> tuple[str, ...]:
    """Return the names of the shipped descriptions and of those in `folder`, sorted."""
    shipped = resources.files("hardware") / "probes"
    files = [*shipped.iterdir(), *(folder.iterdir() if folder is not None else ())]
    return tuple(sorted({f.name.removesuffix(".toml") for f in files if f.name.endswith(".toml") and f.is_file()}))


def load_probe(model: str, folder: Path | None = None) -> ProbeDescription:
    """Load the description named `model`, from `folder` if it is there, else from those shipped with the project.

    Raises
    ------
    ProbeFault
        With every fault found in it, or that there is none of that name and which is nearest.
    """
    file = f"{model}.toml"
    own = None if folder is None else folder / file
    try:
        known = models(folder)
        if own is not None and model in known and own.is_file():
            return parse_probe(own.read_text(encoding="utf-8"), model, file=str(own))
    except OSError as err:
        found = f"{err.filename}: {err.strerror}"
        raise ProbeFault([f"probe model {model!r}: found {found}, expected a file this user can read"]) from err
    except UnicodeDecodeError as err:
        raise ProbeFault([f"{own}: found bytes that are not text ({err.reason}), expected TOML in UTF-8"]) from err
    if model not in known:
        near = difflib.get_close_matches(model, known, 1)
        hint = f", nearest {near[0]!r}" if near else ""
        raise ProbeFault([f"probe model: found {model!r}, expected one of {', '.join(known)}{hint}"])
    return parse_probe((resources.files("hardware") / "probes" / file).read_text(encoding="utf-8"), model, file=file)


def parse_probe(text: str, model: str, *, file: str) -> ProbeDescription:
    """Parse a description from its TOML text. Raises ProbeFault with every fault."""
    try:
        table = parse_toml(text)
    except NotToml as err:
        raise ProbeFault([f"{file}: found text that is not TOML, {err}"]) from err
    check = TableCheck(file)
    check.keys(table, "", {"title", "protocol", "baud", "frame", "crc", "notes", "cone", "message", "channel"})
    protocol = check.one_of(table, "", "protocol", (*PROTOCOLS, BY_FILE))
    for key in ("baud", "frame", "crc") if protocol == BY_MESSAGE else ():
        if key in table:
            check.fault(key, table[key], f"no such key with {BY_MESSAGE}, which has no serial line")
    sdi12 = protocol == "sdi12"
    channels = table.get("channel", [])
    if not isinstance(channels, list) or not 1 <= len(channels) <= MAX_PROBE_CHANNELS:
        check.fault(
            "channel",
            channels if not isinstance(channels, list) else len(channels),
            f"1 to {MAX_PROBE_CHANNELS} [[channel]] tables",
        )
        channels = []
    parsed = [
        _parse_channel(check, one, f"channel[{i}].", protocol)
        for i, c in enumerate(channels)
        for one in _by_depth(check, c, f"channel[{i}].")
    ]
    _check_unique(check, parsed)
    description = ProbeDescription(
        model=model,
        title=check.text(table, "", "title", model),
        protocol=protocol,
        baud=check.whole(table, "", "baud", 1200 if sdi12 else 9600, 300, 921600),
        frame=check.one_of(table, "", "frame", FRAMES, "7E1" if sdi12 else "8N1"),
        crc=_has_check_characters(check, table, protocol),
        notes=check.text(table, "", "notes", ""),
        cone_base_m2=_cone_base(check, table, protocol),
        channels=tuple(parsed),
        message=_message_shape(check, table, protocol),
    )
    if check.faults:
        raise ProbeFault(list(dict.fromkeys(check.faults)))  # a fault of a list of depths is found at each depth
    return description


def _has_check_characters(check: TableCheck, table: dict[str, object], protocol: str) -> bool:
    """Whether answers have check characters: as written, and always in Modbus."""
    if protocol != "modbus":
        return check.flag(table, "", "crc", default=False)
    if "crc" in table:
        check.fault("crc", table["crc"], "no such key with modbus, whose frames always have a CRC")
    return True


def _message_shape(check: TableCheck, table: dict[str, object], protocol: str) -> MessageShape | None:
    """Where a radio node's messages have what belongs to all their values."""
    message = table.get("message")
    if protocol != BY_MESSAGE:
        if message is not None:
            check.fault("message", message, f"no such table unless protocol is {BY_MESSAGE}")
        return None
    if not isinstance(message, dict):
        check.fault("message", message, "a table with device")
        return None
    at = "message."
    check.keys(message, at, {"device", "counter", "time", "time_form", "battery", "battery_scale", "signal"})
    return MessageShape(
        device=_path(check, message, at, "device", required=True),
        counter=_path(check, message, at, "counter"),
        time=_path(check, message, at, "time"),
        time_form=check.one_of(message, at, "time_form", TIME_FORMS, "rfc3339"),
        battery=_path(check, message, at, "battery"),
        battery_scale=check.number(message, at, "battery_scale", 1.0, 1e-9, 1e9),
        signal=_path(check, message, at, "signal"),
    )


def _path(check: TableCheck, table: dict[str, object], at: str, key: str, *, required: bool = False) -> str:
    if key not in table and not required:
        return ""
    path = check.text(table, at, key, None)
    if path and not is_path(path):
        check.fault(f"{at}{key}", path, f"names joined by points, at most {MAX_PATH_CHARS} characters")
    return path


def _cone_base(check: TableCheck, table: dict[str, object], protocol: str) -> float | None:
    cone = table.get("cone")
    if protocol != "cone":
        if cone is not None:
            check.fault("cone", cone, "no such table unless protocol is cone")
        return None
    if not isinstance(cone, dict):
        check.fault("cone", cone, "a table with base_mm2")
        return None
    check.keys(cone, "cone.", {"base_mm2"})
    return check.number(cone, "cone.", "base_mm2", None, *CONE_BASE_MM2) * 1e-6


_CHANNEL_KEYS = {
    *("name", "heard", "quantity", "depth_mm", "depths_mm", "sensing_height_mm"),
    *("scale", "offset", "calibration", "missing"),
}
_PLACE_KEYS = {"modbus": {"register", "table", "type", "order"}, BY_MESSAGE: {"path"}}
"""Keys that say where a value stands, by protocol."""
_USUAL_PLACE_KEYS = {"command", "position"}


def _by_depth(check: TableCheck, table: object, at: str) -> list[object]:
    """One table for each of `depths_mm`: the name with the depth in three digits, the places one after the other."""
    if not isinstance(table, dict) or "depths_mm" not in table:
        return [table]
    alike = {key: value for key, value in table.items() if key != "depths_mm"}
    if "depth_mm" in table:
        check.fault(f"{at}depth_mm", table["depth_mm"], "depth_mm or depths_mm, not both")
    depths = check.numbers(table, at, "depths_mm", 0.0, MAX_DEPTH_MM, MAX_COUNT_CONCURRENT)
    words = TYPE_WORDS.get(str(table.get("type", "u16")), 1)
    if "path" in table:
        check.fault(f"{at}depths_mm", table["depths_mm"], "depth_mm: each depth has a path of its own")
    steps = {key: step for key, step in (("position", 1), ("register", words)) if type(table.get(key)) is int}
    return [
        {
            **alike,
            "name": f"{table.get('name')}_{depth:03g}" if isinstance(table.get("name"), str) else table.get("name"),
            "depth_mm": depth,
            **{key: table[key] + n * step for key, step in steps.items()},
        }
        for n, depth in enumerate(depths)
    ] or [alike]


def _parse_channel(check: TableCheck, table: object, at: str, protocol: str) -> Channel:
    if not isinstance(table, dict):
        check.fault(at.rstrip("."), table, "a table")
        table = {}
    check.keys(table, at, _CHANNEL_KEYS | _PLACE_KEYS.get(protocol, _USUAL_PLACE_KEYS))
    name = check.text(table, at, "name", None)
    if name and not is_slug(name):
        check.fault(f"{at}name", name, "small letters, digits, - and _, at most 64")
    sdi12 = protocol == "sdi12"
    heard = check.one_of(table, at, "heard", CONE_HEARD if protocol == "cone" else tuple(QUANTITIES))
    command = check.one_of(table, at, "command", SDI12_COMMANDS, "M") if sdi12 else ""
    depth_mm = check.number(table, at, "depth_mm", 0.0, 0.0, MAX_DEPTH_MM)
    scale = check.number(table, at, "scale", 1.0, -1e9, 1e9)
    if scale == 0.0:
        check.fault(f"{at}scale", scale, "a number other than 0, which would make all values one")
    place = _parse_place(check, table, at) if protocol == "modbus" else None
    position = check.whole(table, at, "position", None if sdi12 else 1, 1, MAX_COUNT_CONCURRENT)
    if command.startswith("M") and position > MAX_COUNT:
        # by the form of the reply: atttn to M, atttnn to C (SDI-12 1.3, which stops at 20 to C, and 1.4)
        digit = f"SDI-12 has one digit for the count of values to {command}"
        check.fault(f"{at}position", position, f"a whole number from 1 to {MAX_COUNT}: {digit}")
    calibration = _parse_calibration(check, table.get("calibration"), f"{at}calibration.")
    return Channel(
        name=name,
        heard=heard,
        quantity=_parse_quantity(check, table, at, heard, calibration),
        depth_m=depth_mm / 1000 if "depth_mm" in table else None,
        sensing_height_m=check.number(table, at, "sensing_height_mm", 0.0, 0.0, 500.0) / 1000,
        command=command,
        position=position,
        scale=scale,
        offset=check.number(table, at, "offset", 0.0, -1e9, 1e9),
        calibration=Calibration() if calibration is None else calibration,
        missing=_parse_missing(check, table, at, place),
        place=place,
        path=_path(check, table, at, "path", required=True) if protocol == BY_MESSAGE else "",
    )


def _parse_place(check: TableCheck, table: dict[str, object], at: str) -> RegisterPlace:
    """Where a value stands in a Modbus device."""
    type_ = check.one_of(table, at, "type", tuple(TYPE_WORDS), "u16")
    words = TYPE_WORDS.get(type_, 1)
    order = check.one_of(table, at, "order", ORDERS, "abcd")
    if "order" in table and words == 1:
        check.fault(f"{at}order", order, f"it with a type of two registers; {type_} has one, its high byte first")
    which = check.one_of(table, at, "table", tuple(RegisterTable), "holding")
    register = check.whole(table, at, "register", None, 0, REGISTERS - words)
    return RegisterPlace(
        RegisterTable(which) if which in tuple(RegisterTable) else RegisterTable.HOLDING,
        register,
        type_ if type_ in TYPE_WORDS else "u16",
        order if order in ORDERS else "abcd",
    )


def _parse_missing(
    check: TableCheck, table: dict[str, object], at: str, place: RegisterPlace | None
) -> tuple[float, ...]:
    """The values that mean none; those of registers must be ones that the type can hold."""
    missing = []
    for number in check.numbers(table, at, "missing", -MISSING_BOUND, MISSING_BOUND, MAX_MISSING):
        try:
            missing.append(as_sent(number, place))
        except ValueError:
            check.fault(f"{at}missing", number, f"a number that {'' if place is None else place.type} can hold")
    return tuple(missing)


def as_sent(number: float, place: RegisterPlace | None) -> float:
    """Return a number as it comes from its registers: -9999.9 is -9999.900390625 of `f32`; as it is from elsewhere.

    Raises
    ------
    ValueError
        When registers of that type cannot hold it.
    """
    return number if place is None else decode_number(encode_number(number, place.type), place.type)


def _parse_quantity(
    check: TableCheck, table: dict[str, object], at: str, heard: str, calibration: Calibration | None
) -> str:
    """What the channel observes: what is written, else what is heard; its curve must lead there.

    `calibration` is None where it is at fault itself.
    """
    quantity = check.one_of(table, at, "quantity", tuple(QUANTITIES), heard)
    if "quantity" not in table and heard in OBSERVED_AS:
        check.fault(f"{at}quantity", None, f"{OBSERVED_AS[heard]!r}: {heard} is heard, and not observed as it is")
    elif calibration is not None and heard in QUANTITIES and quantity in QUANTITIES:
        fitting = curves_between(heard, quantity)
        if calibration.curve not in fitting:
            found = calibration.curve if "calibration" in table else None
            expected = f"a curve that makes {quantity} of {heard}, one of {', '.join(fitting)}"
            check.fault(f"{at}calibration.curve", found, expected)
    return quantity


def _parse_calibration(check: TableCheck, table: object, at: str) -> Calibration | None:
    """The calibration written, or that of a channel without one; None where it is at fault."""
    if table is None:
        return Calibration()
    if not isinstance(table, dict):
        check.fault(at.rstrip("."), table, "a table with curve and source")
        return None
    curve = table.get("curve")
    written = {key: value for key, value in table.items() if key not in ("curve", "source")}
    faults = curve_faults(curve, written)
    check.faults += [f"{check.file}: {at}{fault}" for fault in faults]
    source = check.text(table, at, "source", None)
    if faults:
        return None
    return calibration_of(str(curve), written, source)


def _check_unique(check: TableCheck, channels: list[Channel]) -> None:
    seen_names: set[str] = set()
    seen_places: set[tuple[str, int]] = set()
    seen_registers: dict[tuple[RegisterTable, int], str] = {}
    for i, channel in enumerate(channels):
        if channel.name in seen_names:
            check.fault(f"channel[{i}].name", channel.name, "a name not used by another channel")
        if channel.command and (channel.command, channel.position) in seen_places:
            check.fault(
                f"channel[{i}].position",
                channel.position,
                f"a place in {channel.command} not used by another",
            )
        for register in _registers_of(channel):
            if seen_registers.setdefault(register, channel.name) != channel.name:
                found = f"{register[1]}, which {seen_registers[register]} has"
                check.fault(f"channel[{i}].register", found, "registers of its own")
                break
        seen_names.add(channel.name)
        seen_places.add((channel.command, channel.position))


def _registers_of(channel: Channel) -> list[tuple[RegisterTable, int]]:
    place = channel.place
    return [] if place is None else [(place.table, place.register + n) for n in range(place.words)]
