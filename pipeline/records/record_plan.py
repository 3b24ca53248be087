"""What each column of a file becomes: the map held against the settings of the site.

A plan has the channel of each column and the line from its numbers to the canonical unit of what that channel hears. A
channel that the settings have not got is made by a probe description, which `description_text` writes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hardware.probe import OBSERVED_AS
from hardware.quantities import QUANTITIES
from pipeline.records.record_file import ImportFault
from pipeline.records.record_map import ColumnForm, RecordMap
from pipeline.records.unit_names import to_canonical
from pipeline.site.fields import nearest
from pipeline.site.ground import InstalledChannel
from pipeline.site.settings import SiteConfig

_BELOW_NOUGHT = {"solar_radiation": 30.0, "relative_humidity": 0.0}
_ABOVE = {"relative_humidity": 5.0}
"""How far beyond what can be a sound sensor strays by its offset: `pipeline.stages.calibrate` bears it. [its unit]"""


@dataclass(frozen=True, slots=True)
class ColumnPlan:
    """One column on its way into a channel: canonical = slope x number + offset, in `unit`.

    `lowest` and `highest` are what can be, in `unit`; `missing` are numbers that mean none, as they are written.
    """

    name: str
    channel: str
    heard: str
    written_unit: str
    unit: str
    slope: float
    offset: float
    lowest: float
    highest: float
    missing: tuple[float, ...] = ()

    def words(self) -> str:
        """Return in one line what becomes of the column."""
        same = (self.slope, self.offset) == (1.0, 0.0)
        how = "" if same else f", x {self.slope:g}" + (f" {self.offset:+g}" if self.offset else "")
        becomes = f"{self.heard.replace('_', ' ')} in {self.unit}"
        return f"{self.name} [{self.written_unit}] -> {self.channel}: {becomes}{how}"

    @property
    def identity(self) -> tuple[object, ...]:
        """What makes another reading of the same number."""
        return self.name, self.channel, self.heard, self.slope, self.offset, self.missing


@dataclass(frozen=True, slots=True)
class NewChannel:
    """A channel that the map describes and the settings have not got. [mm]"""

    station: str
    probe: str
    name: str
    quantity: str
    depth_mm: float | None
    sensing_height_mm: float


def column_plans(record: RecordMap, config: SiteConfig, map_name: str) -> tuple[ColumnPlan, ...]:
    """Return what each column of a map becomes.

    Raises
    ------
    ImportFault
        With every channel, unit or number that does not fit.
    """
    faults: list[str] = []
    plans = []
    for column in record.columns:
        at = f"{map_name}: column {column.name!r}"
        known = config.channels().get(column.channel)
        if known is None:
            faults.append(f"{at}: channel: {_unknown(column, config)}")
            continue
        try:
            plans.append(_plan(column, known))
        except ValueError as err:
            faults.append(f"{at}: unit: {err}{_other_quantity(column, known)}")
        if column.quantity not in (None, known.channel.heard):
            faults.append(
                f"{at}: quantity: found {column.quantity!r}, expected {known.channel.heard!r}, which it hears"
            )
    faults += _repeated(record.columns, map_name)
    if faults:
        raise ImportFault(faults)
    return tuple(plans)


def _plan(column: ColumnForm, known: InstalledChannel) -> ColumnPlan:
    quantity = QUANTITIES[known.channel.heard]
    slope, offset = to_canonical(column.unit, quantity.unit)
    return ColumnPlan(
        name=column.name,
        channel=column.channel,
        heard=quantity.name,
        written_unit=column.unit,
        unit=quantity.unit,
        slope=slope * column.scale,
        offset=slope * column.offset + offset,
        lowest=quantity.lowest - _BELOW_NOUGHT.get(quantity.name, 0.0),
        highest=quantity.highest + _ABOVE.get(quantity.name, 0.0),
        missing=tuple(float(one) for one in column.missing if not isinstance(one, str)),
    )


def _unknown(column: ColumnForm, config: SiteConfig) -> str:
    """Say what is missing for a channel that the settings do not name."""
    station = column.channel.split("/", 1)[0]
    if station not in config.stations():
        return f"found the station {station!r}, expected {nearest(station, config.stations())}"
    if column.quantity is None:
        near = nearest(column.channel, [c for c in config.channels() if c.startswith(f"{station}/")])
        return f"found {column.channel!r}, expected {near}; a new one has `quantity`, and `depth_mm` in the ground"
    return f"found {column.channel!r}, which the settings have not got: add --describe to write what it needs"


def _other_quantity(column: ColumnForm, known: InstalledChannel) -> str:
    """Say where the unit would fit, if it is that of what is observed and not of what is heard."""
    heard, observed = known.channel.heard, known.channel.quantity
    try:
        to_canonical(column.unit, QUANTITIES[observed].unit)
    except ValueError:
        return ""
    if observed == heard or heard == "rain_total":
        return ""
    curve = known.channel.calibration.curve
    hears = f". {column.channel} hears {heard} and makes {observed} of it by the curve {curve!r}"
    return f"{hears}: a record of {observed} goes into a channel of its own"


def _repeated(columns: Sequence[ColumnForm], map_name: str) -> list[str]:
    faults = []
    for key in ("name", "channel"):
        seen: set[str] = set()
        for column in columns:
            value = getattr(column, key)
            if value in seen:
                faults.append(f"{map_name}: column: {key}: found {value!r} twice, expected it once")
            seen.add(value)
    return faults


def new_channels(record: RecordMap, config: SiteConfig) -> list[NewChannel]:
    """Return the channels that a map describes and the settings have not got."""
    return [
        NewChannel(station, probe, name, c.quantity, c.depth_mm, c.sensing_height_mm)
        for c in record.columns
        for station, probe, name in [c.channel.split("/")]
        if c.quantity is not None and c.channel not in config.channels()
    ]


def description_texts(channels: Sequence[NewChannel], config: SiteConfig) -> Mapping[str, tuple[str, str]]:
    """Return, by the name of a probe model to be made, the text of its description and the lines for the settings.

    Raises
    ------
    ImportFault
        The settings have a probe of that name with other channels: one that is asked on a line, or described before.
    """
    found: dict[str, tuple[str, str]] = {}
    for station, probe in dict.fromkeys((c.station, c.probe) for c in channels):
        if station in config.stations() and any(p.name == probe for p in config.stations()[station].probes):
            raise ImportFault([f"{station}/{probe}: found a probe of that name, expected one for these channels alone"])
        own = [c for c in channels if (c.station, c.probe) == (station, probe)]
        model = f"{station}_{probe}".replace("-", "_")
        lines = [f'title = "Record of {probe} at {station}"', 'protocol = "file"']
        for one in own:
            lines += ["", "[[channel]]", f'name = "{one.name}"', f'heard = "{one.quantity}"']
            if one.quantity in OBSERVED_AS:
                lines += [f'quantity = "{OBSERVED_AS[one.quantity]}"']
                lines += _curve_lines(one.quantity)
            if one.depth_mm is not None:
                lines.append(f"depth_mm = {one.depth_mm:g}")
            if one.sensing_height_mm:
                lines.append(f"sensing_height_mm = {one.sensing_height_mm:g}")
        settings = f'[[surface.station.probe]]  # of station {station}\nname = "{probe}"\nmodel = "{model}"\n'
        found[model] = "\n".join(lines) + "\n", settings
    return found


def _curve_lines(heard: str) -> list[str]:
    if heard == "apparent_permittivity":
        return ['calibration = { curve = "topp_1980", source = "Topp, Davis & Annan 1980" }']
    return []
