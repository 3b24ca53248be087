"""One season put together for the bench: truth, what the server knows, its settings, what was said of the ground."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.advice.treatments import TreatmentTable, treatments
from pipeline.diary.facts import (
    Intent,
)
from pipeline.site.settings import SiteConfig
from pipeline.soil.layers import Place, medium
from simulator.climates import CLIMATES
from simulator.scenario import load
from tests.bench.advice_ground import limits
from tests.bench.advice_heard import Known, in_memory, settings
from tests.bench.advice_kept import Kept, kept
from tests.bench.advice_said import ground_of, ground_only, intents, known_plans, said
from tests.bench.advice_scores import Hours, count
from tests.bench.advice_truth import Windows, work_hours

Open = NDArray[np.bool_]

WIDENED = 0.05
SQUARE_M, STRIPS = [[-15, -11], [15, -11], [15, 11], [-15, 11]], 10  # of every square, invented
LIMITS = ("learned", "measured", "medium")  # whence the limits of relative wetness are
FIRST_H = 168  # conditions look a week back


@dataclass(frozen=True)
class Run:
    """One season of one station."""

    kept: Kept
    windows: Windows
    known: Known
    config: SiteConfig
    table: TreatmentTable

    @property
    def hours(self) -> int:
        """Of the season."""
        return self.kept.truth.hours

    def asked(self) -> Open:
        """Working hours after the first week. Shape (hour,)"""
        where = work_hours(self.kept.truth)
        where[:FIRST_H] = False
        return where

    def months(self) -> NDArray[np.int64]:
        """Month of each hour. Shape (hour,)"""
        at = self.kept.truth.at_ms.astype("datetime64[ms]").astype("datetime64[M]").astype(np.int64)
        return at % 12 + 1

    def intents(self) -> list[Intent]:
        """One of each kind of pass; cores are never taken from a square."""
        facts = self.kept.facts
        return [i for i in intents(facts.grass) if (facts.kind, i.kind) != ("square", "hollow_coring")]

    def truly(self, intent: Intent, *, widened: float = 0.0) -> Open:
        """In which hours the pass could truly be made. Shape (hour,)"""
        return self.windows.open(intent.kind, self.table.rows_of(intent.kind, intent.variant), widened=widened)

    def in_season(self, intent: Intent) -> Open:
        """Usual months of the pass. Shape (hour,)"""
        return np.isin(self.months(), self.table.facts[intent.kind].months[self.kept.facts.grass])


def run_of(name: str, seed: int, folder: Path | None, work: Path, *, which: str = "learned") -> Run:
    """A season, its readings taken through the stages.

    Parameters
    ----------
    name, seed
        Scenario and seed.
    folder : Path or None
        Where seasons are kept.
    work : Path
        For the settings file.
    which : str
        One of `LIMITS`.
    """
    return run_of_kept(kept(name, seed, folder), work, which=which)


def run_of_kept(found: Kept, work: Path, *, which: str = "learned") -> Run:
    """As `run_of`, of a season that is there."""
    config = settings(with_facts(found, which), work, _more(found))
    known = in_memory(config, found.station, found.raw)
    context = known.context
    places = {context.place(i, found.truth.start_ms) for i in context.moisture}
    facts = replace(found.facts, thatch_by_eye=Place.THATCH not in places)
    found = replace(found, facts=facts)
    return Run(found, Windows(found.truth, facts), known, config, treatments().for_surface(facts.kind))


def with_facts(found: Kept, which: str) -> dict[str, Any]:
    """What the keeper writes of the station: its grass, and limits where he has measured them, or trusts the medium."""
    ready = copy.deepcopy(found.ready)
    facts = ready["surfaces"][0]["stations"][0]["facts"]
    facts["grass"] = found.facts.grass
    if which == "measured":
        place = next(s for s in load(found.truth.scenario).stations if s.name == found.station).turf
        thatch, soil = limits(place.thatch), limits(place.soils[0].material)
    elif which == "medium":
        media = medium(facts["thatch_medium"]), medium(facts["soil"])
        thatch, soil = ((m.dry_prior, m.drained_prior) for m in media)
    else:
        return ready
    facts |= {"thatch_dry": thatch[0], "thatch_drained": thatch[1], "soil_dry": soil[0], "soil_drained": soil[1]}
    return ready


def _more(found: Kept) -> dict[str, Any]:
    usual = CLIMATES[found.climate]
    passes = [
        {"kind": i.kind, "variant": i.variant, "depth_mm": i.depth_m * 1000.0} for i in intents(found.facts.grass)
    ]
    months = {name: list(getattr(usual, name)) for name in ("rain_mm", "wet_days", "highest_degc", "lowest_degc")}
    drawn = {"outline_m": SQUARE_M, "strips": STRIPS} if found.facts.kind == "square" else {}
    return {"climate": months, "surface": {"pass": passes, **drawn}}


def ground_hours(run: Run) -> Iterator[tuple[str, Hours]]:
    """Hours of each pass: said of the ground by its probes, weather known, against the truth."""
    hours, ground = ground_only(run.kept, run.windows, run.known), ground_of(run.kept)
    where, whole = run.asked(), slice(0, run.hours)
    ends = run.windows.growth_end_day.repeat(24)[whole]
    for intent in run.intents():
        is_open, unknown = np.zeros(run.hours, dtype=np.bool_), np.zeros(run.hours, dtype=np.bool_)
        for end in np.unique(ends):
            day = int(np.flatnonzero(ends == end)[0]) // 24
            told = said(intent, run.table, ground, hours, known_plans(run.kept, run.windows, day))
            here = ends == end
            is_open[here], unknown[here] = told["open"][whole][here], told["unknown"][whole][here]
        yield (
            intent.kind,
            count(
                is_open, unknown, run.truly(intent), run.truly(intent, widened=WIDENED), run.in_season(intent), where
            ),
        )
