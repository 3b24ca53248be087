"""What the tables of a settings file are validated against: its folder, its time zone, and names defined elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationInfo

from pipeline.site.passes import BoundKey, Bounds, PassFacts


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """Names that the settings may use and other parts define.

    Attributes
    ----------
    passes : mapping of str to PassFacts
        The kinds of pass.
    bounds : callable
        From a kind of surface and the edges written for it, by pass, variant and condition, to the four bounds of each
        and what is wrong with them.
    alerts : mapping of str to pydantic model
        The bounds of each alert rule, by its name.
    """

    passes: Mapping[str, PassFacts]
    bounds: Callable[[str, Mapping[BoundKey, Mapping[str, float]]], tuple[Mapping[BoundKey, Bounds], list[str]]]
    alerts: Mapping[str, type[BaseModel]]


@dataclass(frozen=True, slots=True)
class FileContext:
    """The context in which the tables of a settings file are validated.

    Attributes
    ----------
    folder : Path
        Relative paths are counted from here.
    zone : ZoneInfo
        Of the site.
    model_dir : Path or None
        Where probe models are looked for first.
    known : Vocabulary
    bounds : mapping of str to mapping of BoundKey to Bounds
        By surface, in place of those of treatments.csv, the site's with the surface's over them.
    credentials : str or None
        The folder of what a service manager has given of secrets; see `hardware.service_unit.secret_file`.
    """

    folder: Path
    zone: ZoneInfo
    model_dir: Path | None
    known: Vocabulary
    bounds: Mapping[str, Mapping[BoundKey, Bounds]]
    credentials: str | None = None


def context_of(info: ValidationInfo) -> FileContext:
    """Return the context of a validation."""
    assert isinstance(info.context, FileContext)
    return info.context
