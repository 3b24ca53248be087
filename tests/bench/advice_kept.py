"""Seasons kept in a temporary folder, so that a bench that was broken off goes on where it was.

What is kept is the truth, what the site tells of itself, and its readings. The folder's name holds a digest of the
simulator's sources: changed ground is simulated anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from simulator.site import describe
from tests.bench import advice_ground
from tests.bench.advice_ground import Season, Truth, season
from tests.bench.advice_heard import table_of
from tests.bench.advice_truth import Facts

SOURCES = Path(advice_ground.__file__).parents[2] / "simulator"


@dataclass(frozen=True)
class Kept:
    """One season: what was true, what its keeper knows, and what was heard."""

    truth: Truth
    facts: Facts
    ready: dict[str, Any]
    raw: pd.DataFrame
    climate: str

    @property
    def station(self) -> str:
        """The one there is."""
        return self.truth.station


def default_folder() -> Path:
    """Where seasons of this simulator are kept."""
    digest = hashlib.sha256(Path(advice_ground.__file__).read_bytes())
    for path in sorted((*SOURCES.glob("*.py"), *SOURCES.glob("scenarios/*.toml"))):
        digest.update(path.read_bytes())
    return Path(tempfile.gettempdir()) / f"underturf-advice-{digest.hexdigest()[:12]}"


def kept(name: str, seed: int, folder: Path | None = None) -> Kept:
    """A season, simulated when the folder does not hold it yet; with no folder always."""
    path = None if folder is None else folder / f"{name}-{seed}.npz"
    if path is not None and path.exists():
        return _read(path)
    made = of_season(season(name, seed))
    if path is not None:
        _write(made, path)
    return made


def of_season(found: Season) -> Kept:
    """What is kept of a season."""
    site = found.site()
    ready = describe(site, Path("site"), rate=1.0)
    # by way of JSON, as the demo gets it
    return Kept(
        found.truth(), Facts.of(found), json.loads(json.dumps(ready)), table_of(found.heard()),
        found.scenario.climate.name,
    )  # fmt: skip


def _write(made: Kept, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    truth = {f"truth_{f.name}": np.asarray(getattr(made.truth, f.name)) for f in fields(Truth)}
    channel, status = made.raw["channel"].astype("category"), made.raw["status"].astype("category")
    about = {
        "ready": made.ready, "grass": made.facts.grass, "clay": made.facts.clay, "kind": made.facts.kind,
        "climate": made.climate, "channels": channel.cat.categories.tolist(),
        "statuses": status.cat.categories.tolist(),
    }  # fmt: skip
    whole = path.with_suffix(f".{os.getpid()}.part")
    with whole.open("wb") as file:
        np.savez(
            file, about=np.array(json.dumps(about)), channel=channel.cat.codes.to_numpy(),
            status=status.cat.codes.to_numpy(), at_ms=made.raw["measured_at_ms"].to_numpy(),
            raw=made.raw["raw"].to_numpy(dtype=np.float64), **truth,
        )  # fmt: skip
    whole.replace(path)


def _read(path: Path) -> Kept:
    with np.load(path) as file:
        about = json.loads(str(file["about"]))
        values = {f.name: file[f"truth_{f.name}"] for f in fields(Truth)}
        plain = {name: value.item() if value.ndim == 0 else value for name, value in values.items()}
        raw = pd.DataFrame(
            {
                "channel": np.array(about["channels"], dtype=object)[file["channel"]],
                "measured_at_ms": file["at_ms"],
                "raw": file["raw"],
                "status": np.array(about["statuses"], dtype=object)[file["status"]],
                "clock_ok": True,
                "received_at_ms": file["at_ms"],
            }
        )
    facts = Facts(about["grass"], about["clay"], about["kind"])
    return Kept(Truth(**plain), facts, about["ready"], raw, about["climate"])
