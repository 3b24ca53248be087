"""TOML whose tables or lists lie thousands deep in one another: each reader names the file and says what it found.

A reader of the standard library ends with RecursionError on the one kind, and takes the other, on which whoever looks
through it ends so. Expected is a refusal in the reader's own words; the depths are ours.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hardware.probe import ProbeFault, parse_probe
from hardware.table_check import MAX_NESTING, NotToml, parse_toml
from pipeline.advice.treatments import TreatmentFault, parse_facts
from pipeline.records.record_file import ImportFault
from pipeline.records.record_map import parse_map
from pipeline.service import load_settings
from pipeline.site.settings import ConfigFault
from probe_agent.config import AgentConfigFault
from probe_agent.config import load as load_agent
from probe_agent.line_setup import _server_opening
from simulator.scenario import ScenarioFault, parse

DEEP = 5000
TEXTS = {
    "lists": f"title = {'[' * DEEP}{']' * DEEP}",
    "tables": f"title = {'{a=' * DEEP}1{'}' * DEEP}",
    "dotted": f"title.{'.'.join('a' * DEEP)} = 1",
    "header": f"[site.{'.'.join('a' * DEEP)}]\nb = 1",
    "not so deep": f"title = {'[' * (MAX_NESTING + 1)}{']' * (MAX_NESTING + 1)}",
}


def _agent(folder: Path, text: str) -> None:
    (folder / "agent.toml").write_text(text)
    load_agent(folder / "agent.toml")


def _site(folder: Path, text: str) -> None:
    (folder / "site.toml").write_text(text)
    load_settings(folder / "site.toml")


def _opening(folder: Path, text: str) -> None:
    (folder / "site.toml").write_text(text)
    _server_opening(folder / "site.toml", "meadow", "s1")


READERS: dict[str, tuple[Callable[[Path, str], object], type[Exception]]] = {
    "agent.toml": (_agent, AgentConfigFault),
    "site.toml": (_site, ConfigFault),
    "site.toml, by setup": (_opening, ValueError),
    "m.toml": (lambda _, text: parse_probe(text, "m", file="m.toml"), ProbeFault),
    "s.toml": (lambda _, text: parse(text, "s"), ScenarioFault),
    "map.toml": (lambda _, text: parse_map(text, "map.toml"), ImportFault),
    "passes.toml": (lambda _, text: parse_facts(text), TreatmentFault),
}


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS.keys())
@pytest.mark.parametrize("reader", READERS)
def test_a_file_nested_too_deep_is_refused_by_name(reader: str, text: str, tmp_path: Path) -> None:
    """Of few words, whatever it holds."""
    read, fault = READERS[reader]
    with pytest.raises(fault) as told:
        read(tmp_path, text)
    assert reader.partition(",")[0] in str(told.value) and "deep" in str(told.value)
    assert len(str(told.value)) < 1000


def test_what_nests_as_far_as_allowed_is_read() -> None:
    """The last level that is allowed, and the first that is not."""
    lists = MAX_NESTING - 1  # the file itself is the first table
    assert parse_toml(f"a = {'[' * lists}{']' * lists}")
    with pytest.raises(NotToml):
        parse_toml(f"a = {'[' * (lists + 1)}{']' * (lists + 1)}")


def test_a_value_of_the_environment_nested_too_deep_is_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As any value there that is no TOML: the key is named, nothing crashes."""
    monkeypatch.setenv("UNDERTURF_SITE_TITLE", "[" * DEEP + "]" * DEEP)
    with pytest.raises(ConfigFault):
        _site(tmp_path, "[site]\n")
