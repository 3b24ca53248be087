"""`underturf-agent learn`: what the numbers of an unknown SDI-12 sensor are, held in air, water and salted water.

Water content rises from air to water and hardly with salt; electrical conductivity rises with both; temperature does
neither. A number is named only where its three readings fit one quantity in one unit; any other is said and left out.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping

from hardware.field_check import NUMBER_KINDS
from hardware.sdi12 import Fail, measurement
from probe_agent.clock import Clock
from probe_agent.line import SerialLine
from probe_agent.sampler import take

COMMANDS = ("M", *(f"M{n}" for n in range(1, 10)))
SALT_RISES = 1.3  # conductivity of salted over tap water: a pinch of salt does far more
SALT_LEAVES = 1.2  # water content or permittivity of salted over tap water: some sensors are drawn up a little
TEMPERATURE_APART_DEGC = (1.0, 20.0)  # air and tap water differ by this much; a supply voltage does not change

Numbers = Mapping[tuple[str, int], float]
"""Values as sent, by command and place in its answer."""


class LearnFault(Exception):
    """A sensor that cannot be learned; the text says why."""


def all_numbers(address: str, line: SerialLine, clock: Clock, stop: threading.Event) -> tuple[Numbers, bool]:
    """Return every value of M and M1 to M9 up to the first without any, and whether they came with check characters.

    Raises
    ------
    LearnFault
        When `M` gives no values.
    LineAway, Stopped
    """
    numbers: dict[tuple[str, int], float] = {}
    checked = True
    for command in COMMANDS:
        outcome = take(measurement(address, command, crc=True), line, clock, stop)
        if isinstance(outcome, Fail) and command == "M":
            raise LearnFault(outcome.reason)
        if isinstance(outcome, Fail) or not outcome.values:
            break
        checked &= not outcome.no_crc
        numbers |= {(command, place): float(text) for place, text in enumerate(outcome.values, start=1)}
    if not numbers:
        raise LearnFault(f"sensor {address}: found no values to M, expected some")
    return numbers, checked


def kinds_of(air: float, water: float, salted: float) -> list[tuple[str, float]]:
    """Return what a number can be, as quantity heard and scale, by its three readings; one alone is an answer."""
    found = [
        (kind.heard, kind.scale)
        for kind in NUMBER_KINDS
        if kind.air[0] <= air <= kind.air[1]
        and kind.water[0] <= water <= kind.water[1]
        and (salted >= SALT_RISES * water if kind.heard == "bulk_ec" else salted <= SALT_LEAVES * water)
    ]
    together = max(air, water, salted) - min(air, water, salted)
    least, most = TEMPERATURE_APART_DEGC
    if min(air, water, salted) > 0.0 and max(air, water, salted) < 45.0 and least <= together <= most:
        found.append(("soil_temperature", 1.0))
    return found


def description(title: str, checked: bool, air: Numbers, water: Numbers, salted: Numbers) -> tuple[str, list[str]]:
    """Return a description as TOML, and in words what each number was taken for."""
    lines = [f'title = "{title}"', 'protocol = "sdi12"', f"crc = {str(checked).lower()}"]
    lines += ['notes = "Learned in air, water and salted water: set depth_mm, and look through it."']
    told, counts = [], dict[str, int]()
    for (command, place), dry in air.items():
        key = (command, place)
        if key not in water or key not in salted:
            told.append(f"{command} value {place}: left out, it did not come each time")
            continue
        readings = f"{command} value {place}: {dry:g} in air, {water[key]:g} in water, {salted[key]:g} salted"
        kinds = kinds_of(dry, water[key], salted[key])
        if len(kinds) != 1:
            could = " or ".join(heard for heard, _ in kinds)
            told.append(f"{readings}: left out, {'could be ' + could if could else 'not known'}")
            continue
        ((heard, scale),) = kinds
        short = {"soil_temperature": "temperature", "bulk_ec": "ec"}.get(heard, "moisture")
        counts[short] = counts.get(short, 0) + 1
        told.append(f"{readings}: {heard}" + ("" if scale == 1.0 else f", x {scale:g}"))
        lines += ["", "[[channel]]", f'name = "{short}_{counts[short]}"', f'heard = "{heard}"']
        if heard == "apparent_permittivity":
            lines += ['quantity = "water_content"']
            lines += ['calibration = { curve = "topp_1980", source = "Topp, Davis & Annan 1980, for mineral soil" }']
        lines += [f'command = "{command}"', f"position = {place}", *([] if scale == 1.0 else [f"scale = {scale:g}"])]
        lines += ["# depth_mm = 50  # below the leaf base: set it, without the mark at the beginning"]
    return "\n".join(lines) + "\n", told
