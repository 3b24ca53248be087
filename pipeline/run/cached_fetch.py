"""A file or an address that is read again and again, with the last good one kept for when it is broken or away.

What is fetched is bounded (`pipeline.run.web`), handed to its reader, and kept on disk only when the reader finds no
fault, so that neither a restart nor a bad download loses what was known.
"""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Generic, TypeVar

from pipeline.errors import PipelineFault
from pipeline.run.clock import Clock
from pipeline.run.web import WebFault, ask

T = TypeVar("T")
log = logging.getLogger(__name__)

MAX_BYTES = 2_000_000
FETCH_TIMEOUT_S = 30.0
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
    redirect_hosts : collection of str
        Hosts beside its own that the address may refer to.
    """

    def __init__(
        self,
        name: str,
        location: str,
        folder: Path,
        *,
        reader: Callable[[bytes], T],
        clock: Clock,
        redirect_hosts: Collection[str] = (),
        max_bytes: int = MAX_BYTES,
        fetch_timeout_s: float = FETCH_TIMEOUT_S,
    ) -> None:
        self.name, self.location = name, location
        self._file = folder / f"{name}.kept"
        self._reader, self._clock = reader, clock
        self._good: Kept[T] | None = None
        self._max_bytes, self._timeout_s, self._hosts = max_bytes, fetch_timeout_s, redirect_hosts

    def refresh(self) -> Kept[T]:
        """Read it now; the last good one, with the faults, when that does not go."""
        try:
            data = self._fetch()
            value = self._read(data)
        except (SourceFault, ContentFault) as err:
            faults = tuple(err.faults)
            return self._last(faults) if self._good is None else replace(self._good, faults=faults)
        now_ms = self._clock.now_ms()
        self._good = Kept(value, now_ms, self._keep(data, now_ms))
        return self._good

    def _read(self, data: bytes) -> T:
        """Read what came from outside; what its reader did not foresee is a fault of it too, and ends nothing."""
        try:
            return self._reader(data)
        except ContentFault:
            raise
        except Exception as bug:
            log.exception("source_breaks_reader name=%s", self.name)
            said = f"found content that its reader breaks on ({type(bug).__name__}), expected some that it can read"
            raise ContentFault([f"{self.name}: {said}"]) from bug

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
        if len(data) > self._max_bytes:
            raise SourceFault([f"{self.name}: found more than {self._max_bytes} bytes, expected at most that"])
        return data

    def _fetch_address(self) -> bytes:
        try:
            answer = ask(
                "GET", self.location, within_s=self._timeout_s, max_bytes=self._max_bytes, redirect_hosts=self._hosts,
                clock=self._clock,
            )  # fmt: skip
        except WebFault as err:
            raise SourceFault([f"{self.name}: {err}"]) from err
        if answer.status != 200:
            raise SourceFault([f"{self.name}: found status {answer.status}, expected 200"])
        return answer.body

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
            return Kept(self._read(data), taken_ms, faults)
        except FileNotFoundError:
            return Kept(None, None, faults)
        except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
            return Kept(None, None, (*faults, f"{self.name}: found the one kept in {self._file} damaged"))
