"""The catalogue names every finding a stage may draw, with the stage that draws it, and no other."""

from __future__ import annotations

import pytest

from pipeline.stages import STAGES
from pipeline.stages.catalogue import CATALOGUE, LOOK_BACK_MS, Of


def drawn() -> dict[str, str]:
    """Every quantity that a stage declares, with the stage."""
    return {q: stage.name for stage in STAGES for q in (*stage.findings, *stage.channel_findings)}


def test_every_finding_of_a_stage_is_in_the_catalogue() -> None:
    """A new finding needs its line in pipeline/stages/catalogue.py, and a line without a stage is out of date."""
    assert drawn().keys() - CATALOGUE.keys() == set(), "add these to pipeline/stages/catalogue.py"
    assert CATALOGUE.keys() - drawn().keys() == set(), "no stage draws these: take them out of the catalogue"


@pytest.mark.parametrize("quantity", CATALOGUE)
def test_an_entry_names_its_stage_and_says_what_it_is(quantity: str) -> None:
    """Stage, unit, title and meaning are there, and an entry of a channel is one that the stage keeps by channel."""
    entry = CATALOGUE[quantity]
    assert entry.stage == drawn()[quantity]
    assert entry.unit and entry.title[0].isupper() and entry.meaning
    by_channel = {q for stage in STAGES for q in stage.channel_findings}
    assert entry.of_channel == (quantity in by_channel)


def test_every_kind_of_finding_has_its_look_back() -> None:
    """A page knows of each kind how old the newest may be."""
    assert LOOK_BACK_MS.keys() == set(Of)
