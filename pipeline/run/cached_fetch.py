"""A file or an address that is read again and again, with the last good one kept for when it is broken or away.

What is fetched is bounded in bytes and in time, handed to its reader, and kept on disk only when the reader finds no
fault, so that neither a restart nor a bad download loses what was known.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

import httpx

from pipeline.errors import PipelineFault
from pipeline.run.clock import Clock

T = TypeVar("T")

MAX_BYTES = 2_000_000
CONNECT_TIMEOUT_S = 10.0
FETCH_TIMEOUT_S = 30.0  # for the whole, so that a server that drips cannot hold us
MAX_REDIRECTS = 3
MAX_FAULTS = 20


class ContentFault(ValueError):
    """What was read cannot be used. `faults` lists what is wrong, `MAX_FAULTS` of it at most, then how many more."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = list(faults[:MAX_FAULTS])
        if len(faults) > MAX_FAULTS:
            self.faults.append(f"and {len(faults) - MAX_FAULTS} more")
        super().__init__("\n".join(self.faults))


class SourceFault(PipelineFault):
    """A source cannot be reached or is too long. `faults` says what was found and expected."""

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = tuple(faults)


@dataclass(frozen=True)
class Kept(Generic[T]):
    """What is known from a source.

    Attributes
    ----------
    value : T or None
        None when there never was a good one.
    taken_ms : int or None
        When it was read. [ms since 1970, UTC]
    faults : tuple of str
        Why it is not the newest; empty when it is.
    """

    value: T | None
    taken_ms: int | None
    faults: tuple[str, ...] = ()


class KeptSource(Generic[T]):
    """One source.

    Parameters
    ----------
    name : str
        For faults and for the file it is kept in; a slug.
    location : str
        A path, or an address that begins with http:// or https://.
    folder : Path
        Where the last good one is kept.
    reader : callable
        From bytes to the value; raises ContentFault when they cannot be used.
    clock : Clock
    """

    def __init__(
        self,
        name: str,
        location: str,
        folder: Path,
        *,
        reader: Callable[[bytes], T],
        clock: Clock,
        max_bytes: int = MAX_BYTES,
        fetch_timeout_s: float = FETCH_TIMEOUT_S,
    ) -> None:
        self.name, self.location = name, location
        self._file = folder / f"{name}.kept"
        self._reader, self._clock = reader, clock
        self._max_bytes, self._timeout_s = max_bytes, fetch_timeout_s

    def refresh(self) -> Kept[T]:
        """Read it now; the last good one, with the faults, when that does not go."""
        try:
            data = self._fetch()
            value = self._reader(data)
        except (SourceFault, ContentFault) as err:
            return self._last(tuple(err.faults))
        now_ms = self._clock.now_ms()
        return Kept(value, now_ms, self._keep(data, now_ms))

    def _fetch(self) -> bytes:
        if self.location.startswith(("http://", "https://")):
            return self._fetch_address()
        try:
            with open(self.location, "rb") as file:
                data = file.read(self._max_bytes + 1)
        except OSError as err:
            raise SourceFault(
                [f"{self.name}: found no file that can be read at {self.location} ({err.strerror})"]
            ) from err
        return self._bounded(data)

    def _fetch_address(self) -> bytes:
        end_s = self._clock.monotonic() + self._timeout_s
        data = b""
        try:
            with (
                httpx.Client(timeout=CONNECT_TIMEOUT_S, follow_redirects=True, max_redirects=MAX_REDIRECTS) as client,
                client.stream("GET", self.location) as answer,
            ):
                if answer.status_code != 200:
                    raise SourceFault([f"{self.name}: found status {answer.status_code}, expected 200"])
                for part in answer.iter_bytes():
                    data += part
                    self._bounded(data)
                    if self._clock.monotonic() > end_s:
                        raise SourceFault([f"{self.name}: found it still coming after {self._timeout_s:g} s"])
        except (httpx.HTTPError, httpx.InvalidURL) as err:
            said = f"{type(err).__name__}: {err}".rstrip(": ")
            raise SourceFault([f"{self.name}: found no answer ({said}), expected one from the address given"]) from err
        return data

    def _bounded(self, data: bytes) -> bytes:
        if len(data) > self._max_bytes:
            raise SourceFault([f"{self.name}: found more than {self._max_bytes} bytes, expected at most that"])
        return data

    def _keep(self, data: bytes, now_ms: int) -> tuple[str, ...]:
        """Put it on disk in one move; what went wrong with that, for the value itself is good."""
        fresh = self._file.with_suffix(".new")
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            with open(fresh, "wb") as file:
                file.write(json.dumps({"taken_ms": now_ms}).encode() + b"\n" + data)
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(self._file)
        except OSError as err:
            return (f"{self.name}: found no room to keep it in {self._file.parent} ({err.strerror})",)
        return ()

    def _last(self, faults: tuple[str, ...]) -> Kept[T]:
        try:
            head, _, data = self._file.read_bytes().partition(b"\n")
            taken_ms = int(json.loads(head)["taken_ms"])
            return Kept(self._reader(data), taken_ms, faults)
        except FileNotFoundError:
            return Kept(None, None, faults)
        except (OSError, ValueError, KeyError, TypeError):
            return Kept(None, None, (*faults, f"{self.name}: found the one kept in {self._file} damaged"))
