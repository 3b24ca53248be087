"""`underturf-agent model`: probe descriptions listed, shown, copied to the folder of one's own, and checked."""

from __future__ import annotations

import os
from importlib import resources
from pathlib import Path

from hardware.modbus import read_as_manual_number, shown_register
from hardware.probe import ProbeDescription, ProbeFault, load_probe, models
from hardware.quantities import QUANTITIES
from hardware.reading import is_slug

IN_GROUND = ("apparent_permittivity", "water_content", "soil_temperature", "bulk_ec")  # heard below the leaf base


class ModelCommandFault(Exception):
    """What was asked cannot be done; the text says why."""


def listed(folder: Path) -> list[str]:
    """Return a line for each model there is, those of the folder marked."""
    own = _own(folder)
    known = sorted({*models(), *own})
    lines = []
    for model in known:
        try:
            text = _described(model, folder).title
        except ProbeFault as fault:
            text = f"cannot be used: {fault.faults[0]}"
        lines.append(f"{model:<20} {'own' if model in own else '   '}  {text}")
    return lines


def shown(model: str, folder: Path) -> list[str]:
    """Return a description in words. Raises ProbeFault."""
    known = _described(model, folder)
    asked = "with" if known.crc else "without"
    lines = [
        f"{known.model}: {known.title}",
        f"  {known.protocol} {known.baud} {known.frame}, {asked} check characters"
        if known.message is None
        else f"  {known.protocol}: device at {known.message.device}, counter at {known.message.counter or 'no place'}",
    ]
    for channel in known.channels:
        unit = QUANTITIES[channel.heard].unit
        depth = "" if channel.depth_m is None else f" at {channel.depth_m * 1000:g} mm"
        place = f"{channel.command} value {channel.position}" if channel.command else "of a stroke"
        place = channel.path or place
        if channel.place is not None:
            at = channel.place
            order = f" {at.order}" if at.words > 1 else ""
            place = f"{shown_register(at.table, at.register)}, {at.type}{order}"
        made = "" if (channel.scale, channel.offset) == (1.0, 0.0) else f", x {channel.scale:g} + {channel.offset:g}"
        curve = "" if channel.calibration.curve == "identity" else f", {channel.calibration.curve}"
        missing = "".join(f", {number:g} is no value" for number in channel.missing)
        shown_unit = "" if unit == "1" else f" [{unit}]"
        lines.append(f"  {channel.name:<20} {place}: {channel.heard}{shown_unit}{depth}{made}{curve}{missing}")
    return [*lines, *([f"  {known.notes}"] if known.notes else [])]


def copied(model: str, name: str, folder: Path) -> list[str]:
    """Copy a description to the folder under a name; return what was done.

    Raises
    ------
    ProbeFault
        When there is no such model.
    ModelCommandFault
        When the name cannot be one, or the file is there, or cannot be written.
    """
    _file_of(name, folder)
    _described(model, folder)
    own = folder / f"{model}.toml"
    source = own if model in _own(folder) else resources.files("hardware") / "probes" / f"{model}.toml"
    target = written(source.read_text(encoding="utf-8"), name, folder)
    return [f"{target}: a copy of {model}. Change it, look through it with `model check`, then write model = {name!r}."]


def written(text: str, name: str, folder: Path) -> Path:
    """Write a description to the folder under a name; return its file. Raises ModelCommandFault, as `copied` does."""
    target = _file_of(name, folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as err:
        raise ModelCommandFault(f"{target}: found {err.strerror}, expected a new file that can be written") from err
    return target


def check_target(name: str, folder: Path) -> None:
    """Look whether `written` could write a description; nothing is made. Raises ModelCommandFault, as `copied` does."""
    target = _file_of(name, folder)
    if target.exists():
        raise ModelCommandFault(f"{target}: found File exists, expected a new file that can be written")
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
        raise ModelCommandFault(
            f"{target}: found no leave to write in {folder}, expected a new file that can be written"
        )


def checked(folder: Path, model: str | None) -> tuple[list[str], bool]:
    """Check one description, or each in the folder; return a line for each, its faults too, and whether all are good.

    Raises ModelCommandFault when there is none to check.
    """
    names = [model] if model is not None else _own(folder)
    if not names:
        raise ModelCommandFault(f"{folder}: found no description, expected MODEL.toml files in it")
    lines, good = [], True
    for name in names:
        try:
            known = _described(name, folder)
            lines.append(f"{name}: good, {len(known.channels)} channels")
            hanging = [
                channel.name for channel in known.channels if channel.heard in IN_GROUND and channel.depth_m is None
            ]
            lines += [f"  {hint}" for hint in register_hints(known)]
            if hanging:
                lines.append(f"  no depth_mm at {', '.join(hanging)}: nothing is worked out from them without it")
        except ProbeFault as fault:
            lines += fault.faults
            good = False
    return lines, good


def register_hints(description: ProbeDescription) -> list[str]:
    """Return a line for each register that is written as the older manuals count them."""
    hints = []
    for channel in description.channels:
        place = channel.place
        manual = None if place is None else read_as_manual_number(place.register)
        if place is not None and manual is not None:
            hints.append(f"{channel.name}: found register {place.register}; {manual}. Is it that which is meant?")
    return hints


def _file_of(name: str, folder: Path) -> Path:
    if not is_slug(name):
        raise ModelCommandFault(f"--as: found {name!r}, expected small letters, digits, - and _, at most 64")
    return folder / f"{name}.toml"


def _own(folder: Path) -> list[str]:
    return sorted(file.stem for file in folder.glob("*.toml")) if folder.is_dir() else []


def _described(model: str, folder: Path) -> ProbeDescription:
    return load_probe(model, folder if folder.is_dir() else None)
