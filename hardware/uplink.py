"""Messages of radio nodes as a network server publishes them: where in the JSON device, counter, time and values stand.

A path is the names from the outside in, joined by points; a number is a place in a list, from 0: `soil.0.value`.
Nothing is converted on the way: a number that stands as text is refused, because nobody knows what else is wrong then.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from hardware.reading import EPOCH_2000_MS, EPOCH_2200_MS, MAX_SEQ, Status

MAX_MESSAGE_BYTES = 64 * 1024
MAX_PATH_CHARS = 200
MAX_TOPIC_CHARS = 1000
TIME_FORMS = ("rfc3339", "s", "ms")
"""How a time stands: text of RFC 3339 with its offset, or a number of seconds or milliseconds since 1970."""
_PATH = re.compile(r"[^.]+(\.[^.]+)*")
_DEVICE = re.compile(r"[A-Za-z0-9][A-Za-z0-9:._-]{0,35}")
_UNIX = datetime.fromisoformat("1970-01-01T00:00:00+00:00")


class BadMessage(ValueError):
    """A message that cannot be read; the text says what was found and what was expected."""


@dataclass(frozen=True, slots=True)
class MessageShape:
    """Where in a message stands what belongs to all its values; each a path, empty where there is none.

    `battery` is the supply of the node [V after `battery_scale`], `signal` the level at which it was received. [dBm]
    """

    device: str
    counter: str = ""
    time: str = ""
    time_form: str = "rfc3339"
    battery: str = ""
    battery_scale: float = 1.0
    signal: str = ""


@dataclass(frozen=True, slots=True)
class MessageHead:
    """What a message says beside its values: counter, time [ms since 1970, UTC], battery [V] and signal [dBm]."""

    counter: int | None
    at_ms: int | None
    battery_v: float | None
    signal_dbm: float | None


def is_path(text: str) -> bool:
    """Return whether a text is a path."""
    return len(text) <= MAX_PATH_CHARS and _PATH.fullmatch(text) is not None


def is_topic_pattern(text: str) -> bool:
    """Return whether a text can be subscribed to: `+` is a whole level, `#` the last one (MQTT 3.1.1, 4.7.1)."""
    levels = text.split("/")
    inner = all("#" not in level and ("+" not in level or level == "+") for level in levels[:-1])
    last = levels[-1] in ("+", "#") or not set(levels[-1]) & {"+", "#"}
    return 0 < len(text) <= MAX_TOPIC_CHARS and "\0" not in text and inner and last


def is_device(text: str) -> bool:
    """Return whether a text can name a device: 1 to 36 letters, digits and `: . _ -`."""
    return _DEVICE.fullmatch(text) is not None


def parse_message(payload: bytes) -> object:
    """Return the JSON of a message. Raises BadMessage."""
    if len(payload) > MAX_MESSAGE_BYTES:
        raise BadMessage(f"message: found {len(payload)} bytes, expected at most {MAX_MESSAGE_BYTES}")
    try:
        return json.loads(payload)
    except (ValueError, RecursionError) as err:
        raise BadMessage(f"message: found {payload[:40]!r}, expected JSON") from err


def device_of(message: object, shape: MessageShape) -> str | None:
    """Return the device that a message names where the shape has it; None where neither text nor whole number is."""
    found = _at(message, shape.device)
    if isinstance(found, int) and not isinstance(found, bool):
        found = str(found)
    return found if isinstance(found, str) and is_device(found) else None


def head_of(message: object, shape: MessageShape) -> MessageHead:
    """Return counter, time, battery and signal of a message; battery and signal are left out where they are no numbers.

    Raises
    ------
    BadMessage
        Where the counter or the time is not what the shape says: without them a reading has no identity.
    """
    battery, signal = (_number(_at(message, path)) if path else None for path in (shape.battery, shape.signal))
    return MessageHead(
        _counter(message, shape.counter) if shape.counter else None,
        _time_ms(message, shape) if shape.time else None,
        None if battery is None else battery * shape.battery_scale,
        signal if signal is not None and signal < 0.0 else None,
    )


def value_at(message: object, path: str) -> tuple[float | None, Status, str]:
    """Return the number at a path, how that went, and in words what was found where it is none."""
    found = _at(message, path)
    if isinstance(found, _Nothing):
        return None, Status.SHORT, f"{path}: found nothing, expected a number. Has the message another shape?"
    if found is None:
        return None, Status.NO_VALUE, ""
    number = _number(found)
    if number is None:
        return None, Status.BAD_FRAME, f"{path}: found {_shown(found)}, expected a number"
    return number, Status.OK, ""


class _Nothing:
    """That nothing stands at a path, which null is not."""


def _at(message: object, path: str) -> object:
    found = message
    for name in path.split("."):
        if isinstance(found, dict) and name in found:
            found = found[name]
        elif isinstance(found, list) and name.isdecimal() and int(name) < len(found):
            found = found[int(name)]
        else:
            return _Nothing()
    return found


def _number(found: object) -> float | None:
    if isinstance(found, bool) or not isinstance(found, int | float):
        return None
    try:
        number = float(found)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _counter(message: object, path: str) -> int:
    found = _at(message, path)
    if type(found) is not int or not 0 <= found <= MAX_SEQ:
        raise BadMessage(f"counter {path}: found {_shown(found)}, expected a whole number from 0")
    return found


def _time_ms(message: object, shape: MessageShape) -> int:
    found = _at(message, shape.time)
    at_ms: float | None = None
    if shape.time_form == "rfc3339" and isinstance(found, str):
        try:
            moment = datetime.fromisoformat(found)
        except ValueError:
            moment = None
        if moment is not None and moment.tzinfo is not None:
            at_ms = (moment - _UNIX) / timedelta(milliseconds=1)
    elif shape.time_form != "rfc3339":
        number = _number(found)
        at_ms = None if number is None else number * (1000.0 if shape.time_form == "s" else 1.0)
    if at_ms is None or not EPOCH_2000_MS <= at_ms < EPOCH_2200_MS:
        expected = (
            "text of RFC 3339 with its offset" if shape.time_form == "rfc3339" else f"{shape.time_form} since 1970"
        )
        raise BadMessage(f"time {shape.time}: found {_shown(found)}, expected {expected}, of the years 2000 to 2199")
    return round(at_ms)


def _shown(found: object) -> str:
    if isinstance(found, _Nothing):
        return "nothing"
    if isinstance(found, str):
        return f"the text {found[:40]!r}"
    return f"{type(found).__name__} {str(found)[:40]}"


# --- the counter of a device -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DeviceCount:
    """Where a device is in its count.

    Attributes
    ----------
    run : int
        How often its counter has started again.
    counter : int
        Highest of this run. -1 before the first.
    at_ms : int
        Time of that message. [ms since 1970, UTC]
    missed : int
        Messages that never came, over all runs.
    """

    run: int = 0
    counter: int = -1
    at_ms: int = 0
    missed: int = 0


def counted(before: DeviceCount | None, counter: int, at_ms: int | None, now_ms: int) -> tuple[DeviceCount, int]:
    """Return the count after a message that is new, and the run it belongs to.

    Parameters
    ----------
    before : DeviceCount or None
        None for the first message of a device.
    counter : int
        Of this message.
    at_ms : int or None
        Its time, where messages have one. [ms since 1970, UTC]
    now_ms : int
        When it came. [ms since 1970, UTC]

    Returns
    -------
    DeviceCount, int
        A counter that went on, with what it passed over as missed; one that came late fills its gap, and
        one of the run before, higher than this run's and earlier, changes nothing; one that is not
        higher, and later in time or without one, has started again.
    """
    time_ms = now_ms if at_ms is None else at_ms
    if before is None:
        return DeviceCount(0, counter, time_ms), 0
    if before.run and at_ms is not None and at_ms < before.at_ms and counter > before.counter:
        return before, before.run - 1
    if counter > before.counter:
        missed = before.missed + counter - before.counter - 1
        return DeviceCount(before.run, counter, time_ms, missed), before.run
    if at_ms is not None and at_ms <= before.at_ms:
        return DeviceCount(before.run, before.counter, before.at_ms, max(0, before.missed - 1)), before.run
    return DeviceCount(before.run + 1, counter, time_ms, before.missed), before.run + 1


def message_names(shapes: Sequence[MessageShape]) -> str:
    """Return in words where devices are looked for in messages."""
    return ", ".join(dict.fromkeys(shape.device for shape in shapes))
