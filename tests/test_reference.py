"""The reference has each command, key, address, figure, model, alert and message of the program, and nothing else.

Both ways: what the program has and the page lacks is a fault, and so is what the page names and the program refuses.
Defaults and limits of settings are tried on the loaders themselves.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from pydantic import BaseModel

import pipeline.__main__
import simulator.__main__
from api import command
from api.app import create_app
from api.diary_check import check, moment_of
from api.schema import DiaryEntryIn
from hardware.curves import ANY_NUMBER, CORRECTION_REACH_M, SIGNATURES, TEMPERATURE_PARAMETERS, CurveSignature
from hardware.probe import ProbeFault, load_probe, models, parse_probe
from hardware.reading import (
    _PLAIN_LABELS,
    Status,
    decode_batch,
    decode_live,
    decode_notice,
    decode_receipt,
    encode_batch,
    encode_live,
    encode_notice,
    parse_readings_topic,
)
from hardware.table_check import TableCheck
from pipeline.alerts.model import AlertEvent, Counting
from pipeline.alerts.runner import RULES
from pipeline.alerts.water import SHALLOW_ROOTS_M
from pipeline.diary.entry import DiaryEntry, entry_questions
from pipeline.mqtt.nodes import Nodes
from pipeline.notify.channels import _told
from pipeline.run.metrics import Metrics
from pipeline.service import Pipeline, load_settings
from pipeline.site import fields as site_fields
from pipeline.site import settings as server
from pipeline.site.settings import SiteConfig
from pipeline.soil.calibration import CURVES, REFERENCE_TEMPERATURE_DEGC
from pipeline.soil.layers import MEDIA
from pipeline.soil.limits import FEWEST_EVENTS, LEAST_HISTORY_D
from pipeline.stages.field_limits import EVERY_MS
from pipeline.store.journal import Event
from probe_agent import __main__ as agent_command
from probe_agent import config as agent
from tests.api.served import api_routes
from tests.reference import ROOT, Table, bare, blocks, quoted, tables

TEXT = (ROOT / "api" / "docs" / "reference.md").read_text(encoding="utf-8")
TABLES = tables(TEXT)
DOCS = ROOT / "hardware" / "docs"
EXAMPLES = {"agent": DOCS / "agent.toml", "server": DOCS / "underturf.toml"}
LOADERS: dict[str, Any] = {"agent": agent.load, "server": load_settings}
CHAPTERS = {"agent": "The agent's settings", "server": "The server's settings"}


def table_of(chapter: str, heading: str = "", column: str = "") -> Table:
    """The one table under a heading that has a column."""
    found = [t for t in TABLES if t.chapter == chapter and t.heading == heading and (not column or column in t.columns)]
    assert len(found) == 1, (chapter, heading, column, len(found))
    return found[0]


# --- commands ----------------------------------------------------------------------------------------------------


def caught_parser(main: Any) -> argparse.ArgumentParser:
    """The parser a command makes, stopped before it reads anything."""
    caught: list[argparse.ArgumentParser] = []

    def stop(parser: argparse.ArgumentParser, *_: object) -> None:
        caught.append(parser)
        raise SystemExit

    with pytest.MonkeyPatch.context() as patch, pytest.raises(SystemExit):
        patch.setattr(argparse.ArgumentParser, "parse_args", stop)
        main([])
    return caught[0]


def commands(parser: argparse.ArgumentParser) -> dict[str, list[argparse.Action]]:
    """Options and arguments of every sub-command, without --help."""
    (group,) = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    return {
        name: [a for a in sub._actions if not isinstance(a, argparse._HelpAction)]
        for name, sub in group.choices.items()
    }


def spelled(action: argparse.Action) -> str:
    return action.option_strings[-1] if action.option_strings else str(action.metavar or action.dest.upper())


PROGRAMS = {
    "underturf": command.main,
    "underturf-agent": agent_command.main,
    "python -m simulator": simulator.__main__.main,
}


@pytest.mark.parametrize("program", PROGRAMS)
def test_every_command_and_option_is_there(program: str) -> None:
    """Each command has its heading and each option its row, with the default the program has; no other is named."""
    there = commands(caught_parser(PROGRAMS[program]))
    headed = [t.heading for t in TABLES if t.chapter == "Commands" and t.heading.startswith(f"`{program} ")]
    assert sorted(headed) == sorted(f"`{program} {name}`" for name in there)
    for name, actions in there.items():
        table = table_of("Commands", f"`{program} {name}`")
        rows = {cell.split()[0]: bare(row[1]) for cell, row in zip(table.column("option"), table.rows, strict=True)}
        assert rows.keys() == {spelled(action) for action in actions}
        for action in actions:
            if isinstance(action.default, str | float | int) and action.default is not False and action.default != "":
                shown = f"{action.default:g}" if isinstance(action.default, float) else str(action.default)
                assert rows[spelled(action)] == shown


def test_every_option_of_the_pipeline_alone_is_there() -> None:
    """Its commands and options stand in its section."""
    section = TEXT.partition("### `python -m pipeline`")[2].partition("\n#")[0]
    for name, actions in commands(caught_parser(pipeline.__main__.main)).items():
        assert {name, *(spelled(a) for a in actions)} <= set(quoted(section))


def test_every_fault_and_scenario_of_the_simulator_is_there() -> None:
    """What can be planted, and what can be lived through."""
    play = table_of("Commands", "`python -m simulator play`").column("what")
    told = set(quoted(" ".join(play)))
    assert told >= {*simulator.__main__.LINE_FAULTS, *simulator.__main__.PROBE_FAULTS}
    run = table_of("Commands", "`python -m simulator run`").column("what")
    assert set(quoted(run[0])) - {".toml"} == set(simulator.__main__.names())


def test_environment_variable_of_the_agent_is_there() -> None:
    """The variable that names the agent's settings, and where they are without it."""
    assert f"${agent_command.CONFIG_VARIABLE}" in TEXT and agent_command.DEFAULT_CONFIG in TEXT


# --- settings ----------------------------------------------------------------------------------------------------


def keys_known(which: str) -> dict[str, set[str]]:
    """Every key a loader knows, by table."""
    return agent_keys() if which == "agent" else dict(server_keys(load_settings(EXAMPLES["server"])))


def agent_keys() -> dict[str, set[str]]:
    """Keys as the agent checks them while it reads the example."""
    known: dict[str, set[str]] = {}
    plain = agent._AgentCheck.keys

    def listen(self: Any, table: Any, at: str, names: Any) -> Any:
        place = re.sub(r"(probe|line)(\[\d+\]|\.[a-z0-9_-]+)(?=\.)", r"\1", at).rstrip(".")
        known.setdefault(place, set()).update(names.split() if isinstance(names, str) else names)
        return plain(self, table, at, names)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(agent._AgentCheck, "keys", listen)
        agent.load(EXAMPLES["agent"])
    return {
        place: names for place, names in known.items() if place.rpartition(".")[2] not in ("depth_mm", "calibration")
    }


def server_keys(config: SiteConfig) -> Iterator[tuple[str, set[str]]]:
    """Keys of each model of the server's settings, by the place of its table in the file."""

    def walk(model: type[BaseModel], place: str) -> Iterator[tuple[str, set[str]]]:
        yield place, set(site_fields.keys_of(model))
        for key, field in zip(site_fields.keys_of(model), model.model_fields.values(), strict=True):
            inner = site_fields.model_in(field.annotation)
            if inner is not None:
                yield from walk(inner, f"{place}.{key}".lstrip("."))

    return walk(type(config), "")


def heading_to_place(heading: str) -> str:
    return heading.removesuffix(" of the server").strip("`[]")


def key_tables(which: str) -> dict[str, Table]:
    return {heading_to_place(t.heading): t for t in TABLES if t.chapter == CHAPTERS[which]}


@pytest.mark.parametrize("which", EXAMPLES)
def test_every_key_is_there_and_no_other(which: str) -> None:
    """A table of the page for each table of the file, and in it the very keys that the loader knows."""
    known = keys_known(which)
    sections = known.pop("") | {f"alerts.{name}" for name in known.pop("alerts", set())}
    documented = key_tables(which)
    assert documented.keys() == known.keys()
    assert sections - {"alerts"} <= documented.keys()
    for place, table in documented.items():
        assert set(table.column("key")) == known[place], place


@pytest.mark.parametrize("which", EXAMPLES)
def test_example_shows_every_key(which: str) -> None:
    """Each key stands in the example, as a value or behind a comment sign, so that nobody has to know it by heart."""
    text = EXAMPLES[which].read_text(encoding="utf-8")
    for place, names in keys_known(which).items():
        for name in names:
            shown = re.search(rf"^(# )?{name} = |\[{re.escape(place)}\.{name}[\].]|\[{name}\]", text.lstrip("."), re.M)
            assert shown or (place == "" and f"[{name}." in text), f"{place}.{name}"


def test_examples_name_the_same_channels() -> None:
    """The two example files belong together: the server knows every channel the agent's probes have."""
    nodes, site = agent.load(EXAMPLES["agent"]), load_settings(EXAMPLES["server"])
    assert nodes.site == site.site.name
    heard = {f"{p.id}/{c.name}" for p in nodes.probes for c in p.description.channels}
    assert heard == set(site.channels())


def rows_of_keys() -> Iterator[tuple[str, str, dict[str, str]]]:
    for which in EXAMPLES:
        for place, table in key_tables(which).items():
            for row in table.rows:
                yield which, place, {c: bare(v) if c == "key" else v for c, v in zip(table.columns, row, strict=True)}


KEY_ROWS = list(rows_of_keys())
KEY_IDS = [f"{which}:{place}.{row['key']}" for which, place, row in KEY_ROWS]


def example(which: str) -> dict[str, Any]:
    """The example as a table."""
    return tomllib.loads(EXAMPLES[which].read_text(encoding="utf-8"))


def holder(table: dict[str, Any], place: str) -> dict[str, Any]:
    """The table at a place; of a list the first that has what is inside, else the first."""
    parts = place.split(".")
    for part, inside in zip(parts, [*parts[1:], ""], strict=True):
        held = table.setdefault(part, {})
        table = next((one for one in held if inside in one), held[0]) if isinstance(held, list) else held
    return table


def faults(which: str, folder: Path, table: dict[str, Any], key: str) -> list[str]:
    """What a loader has to say of a key of a table."""
    (folder / "file.toml").write_text(tomli_w.dumps(table), encoding="utf-8")
    try:
        LOADERS[which](folder / "file.toml")
    except (agent.AgentConfigFault, server.ConfigFault) as fault:
        return [line for line in fault.faults if re.search(rf"[.\]]{key}: ", line)]
    return []


@pytest.mark.parametrize(("which", "place", "row"), KEY_ROWS, ids=KEY_IDS)
def test_default_is_the_loader_s(which: str, place: str, row: dict[str, str], tmp_path: Path) -> None:
    """A file without a key means the same as one with the default written; a required key is missed."""
    table, key = example(which), row["key"]
    own = holder(table, place)
    own.pop(key, None)
    if row["default"] == "required":
        assert faults(which, tmp_path, table, key) or _counts(which, tmp_path, table, key)
        return
    (tmp_path / "file.toml").write_text(tomli_w.dumps(table), encoding="utf-8")
    without = LOADERS[which](tmp_path / "file.toml")
    if not row["default"].startswith("`") or "that of" in row["default"]:
        return
    own[key] = tomllib.loads(f"v = {bare(row['default'])}")["v"]
    (tmp_path / "file.toml").write_text(tomli_w.dumps(table), encoding="utf-8")
    assert LOADERS[which](tmp_path / "file.toml") == without


def _counts(which: str, folder: Path, table: dict[str, Any], key: str) -> bool:
    """Whether a list of tables that is missing is missed."""
    with pytest.raises((agent.AgentConfigFault, server.ConfigFault), match=key):
        LOADERS[which](folder / "file.toml")
    return True


BOUNDED = [(r, i) for r, i in zip(KEY_ROWS, KEY_IDS, strict=True) if re.fullmatch(r"\S+ to \S+", r[2]["limits"])]


@pytest.mark.parametrize(("which", "place", "row"), [r for r, _ in BOUNDED], ids=[i for _, i in BOUNDED])
def test_limits_are_the_loader_s(which: str, place: str, row: dict[str, str], tmp_path: Path) -> None:
    """The lowest and the highest value are taken, what lies beyond is a fault of that key."""
    low, high = (float(part) for part in row["limits"].split(" to "))
    whole = type(holder(example(which), place).get(row["key"])) is int

    def told(value: float) -> list[str]:
        table = example(which)
        holder(table, place)[row["key"]] = round(value) if whole else value
        said = faults(which, tmp_path, table, row["key"])
        return [line for line in said if re.search("expected a (whole )?number from", line)]

    if row["key"] == "depth_mm":  # a table of depths, each within the limits
        return
    assert not told(low) and not told(high)
    step = 1 if whole else 0.01
    assert told(low - step) and told(high + step)


CHOICES = [(r, i) for r, i in zip(KEY_ROWS, KEY_IDS, strict=True) if r[2]["limits"].startswith("one of `")]


@pytest.mark.parametrize(("which", "place", "row"), [r for r, _ in CHOICES], ids=[i for _, i in CHOICES])
def test_choices_are_the_loader_s(which: str, place: str, row: dict[str, str], tmp_path: Path) -> None:
    """The choices of the page are those the loader offers to whoever writes another."""
    table = example(which)
    holder(table, place)[row["key"]] = 1201 if row["key"] == "baud" else "other"
    (told,) = faults(which, tmp_path, table, row["key"])
    offered = told.partition("expected one of ")[2].partition(". ")[0].partition(", near")[0]
    assert offered.rstrip(".").split(", ") == quoted(row["limits"])


# --- what is in the ground ---------------------------------------------------------------------------------------


def test_every_probe_model_is_there() -> None:
    """Each model with its protocol, its title and the depths of its channels; none that is gone."""
    table = table_of("Probe models")
    assert table.column("model") == list(models())
    for row in table.rows:
        known = load_probe(bare(row[0]))
        assert row[1:3] == (known.protocol, known.title)
        depths = {f"{c.depth_m * 1000:g}" for c in known.channels if c.depth_m is not None}
        assert set(re.findall(r"\b\d+\b", row[3])) == depths
        assert {c.quantity.replace("_", " ") for c in known.channels} == {
            re.sub(r" (at|\(from) .*", "", part) for part in row[3].split("; ")
        }


OWN_MODEL = {"key of the file": "", "key of a channel": "channel[0]."}
OVER_MODBUS, BY_RADIO, OF_MESSAGE = "key over Modbus", "key by radio", "key of `[message]`"
NOT_OVER_MODBUS = {"command", "position"}


def own_model(block: str = "toml own model") -> dict[str, Any]:
    """The printed description of a model of one's own."""
    (text,) = blocks(TEXT, block)
    return tomllib.loads(text)


def own_model_faults(table: dict[str, Any]) -> list[str]:
    try:
        parse_probe(tomli_w.dumps(table), "own", file="own.toml")
    except ProbeFault as fault:
        return fault.faults
    return []


def test_every_key_of_a_probe_description_is_there() -> None:
    """The tables have the very keys that the loader of descriptions knows, and the printed description is good."""
    known: dict[str, set[str]] = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TableCheck, "keys", lambda _, table, at, names: known.setdefault(at, names))
        assert own_model_faults(own_model()) == []
    documented = {
        at: set(table_of("Probe models", "A model of your own", column).column(column))
        for column, at in OWN_MODEL.items()
    }
    assert documented == {at: known[at] for at in documented}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TableCheck, "keys", lambda _, table, at, names: known.update({f"modbus {at}": names}))
        assert own_model_faults(own_model("toml own modbus model")) == []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TableCheck, "keys", lambda _, table, at, names: known.update({f"radio {at}": names}))
        assert own_model_faults(own_model("toml own radio model")) == []
    alike = documented["channel[0]."] - NOT_OVER_MODBUS
    keys = {
        column: set(table_of("Probe models", "A model of your own", column).column(column))
        for column in (OVER_MODBUS, BY_RADIO, OF_MESSAGE)
    }
    assert known["modbus channel[0]."] == alike | keys[OVER_MODBUS]
    assert known["radio channel[0]."] == alike | keys[BY_RADIO]
    assert known["radio message."] == keys[OF_MESSAGE]


def own_model_rows() -> Iterator[tuple[str, str, str, str]]:
    """Which printed model has a key and where it stands, and its cells: key, default, limits."""
    more = {OVER_MODBUS: "channel[0].", BY_RADIO: "channel[0].", OF_MESSAGE: "message."}
    printed = {
        OVER_MODBUS: "toml own modbus model",
        BY_RADIO: "toml own radio model",
        OF_MESSAGE: "toml own radio model",
    }
    for column, at in {**OWN_MODEL, **more}.items():
        block = printed.get(column, "toml own model")
        table = table_of("Probe models", "A model of your own", column)
        cells = zip(*(table.column(name) for name in (column, "default", "limits")), strict=True)
        yield from ((block, at, *row) for row in cells)


@pytest.mark.parametrize(("block", "at", "key", "default", "limits"), list(own_model_rows()))
def test_defaults_and_limits_of_a_probe_description_are_the_loader_s(
    block: str, at: str, key: str, default: str, limits: str
) -> None:
    """A key left out means the same as its default written, a required one is missed; the limits are the loader's."""
    model = own_model(block)
    del model["channel"][0]  # of the two the second needs no key that can be left out
    own = {"": model, "message.": model.get("message"), "channel[0].": model["channel"][0]}[at]
    own.pop(key, None)

    def told() -> list[str]:
        return [fault for fault in own_model_faults(model) if fault.startswith(f"own.toml: {at}{key}: ")]

    assert bool(told()) == (default == "required")
    if re.fullmatch(r'[\d.]+|".*"|true|false', default):
        without = parse_probe(tomli_w.dumps(model), "own", file="own.toml")
        own[key] = tomllib.loads(f"v = {default}")["v"]
        if key != "order":  # the default with a type of one register, where it cannot be written
            assert parse_probe(tomli_w.dumps(model), "own", file="own.toml") == without
    if span := re.match(r"(\d+) to (\d+)", limits):
        for number, fits in ((int(span[1]), True), (int(span[2]), True), (-1, False), (int(span[2]) + 1, False)):
            own[key] = number
            assert (told() == []) == fits, number


def test_every_medium_and_curve_is_there() -> None:
    """Media with their ranges, curves with what they read, need and rest on."""
    told = " ".join(TEXT.partition("\n## Media\n")[2].partition("|")[0].split())
    assert "four weeks" in told and "three good wettings and sixty days" in told
    assert (EVERY_MS, FEWEST_EVENTS, LEAST_HISTORY_D) == (28 * 86_400_000, 3, 60)
    media = {row[0].strip("`"): row[2:] for row in table_of("Media").rows}
    ranges = {
        m.name: tuple(
            f"{a:g} to {b:g}" if a != b else f"{a:g}" for a, b in (m.porosity, m.saturated, m.drained, m.wilting)
        )
        for m in MEDIA.values()
    }
    assert media == ranges
    curves = {bare(row[0]): row[1:] for row in table_of("Calibration curves").rows}
    assert curves == {
        name: (one.reads.replace("_", " "), one.gives.replace("_", " "), told_parameters(one), CURVES[name].source)
        for name, one in SIGNATURES.items()
    }


def test_temperature_correction_is_there_with_its_limits() -> None:
    """The two parameters that every curve takes stand with their limits, the reach and the usual reference."""
    told = " ".join(TEXT.partition("\n## Calibration curves\n")[2].partition("| curve")[0].split())
    for key, (low, high) in TEMPERATURE_PARAMETERS.items():
        assert re.search(rf"`{key}`[^`]*?{low:g} to {high:g}", told), key
    assert f"at most {1000 * CORRECTION_REACH_M:g} mm off" in told and f": {REFERENCE_TEMPERATURE_DEGC:g} where" in told


def told_parameters(one: CurveSignature) -> str:
    """The parameters of a curve as its row has them: limits where they say anything."""
    known = {**one.required, **one.optional}
    limits = {key: "" if span == ANY_NUMBER else f" {span[0]:g} to {span[1]:g}" for key, span in known.items()}
    spared = dict.fromkeys(one.optional, " (may be left out)")
    return ", ".join(f"`{key}`{limits[key]}{spared.get(key, '')}" for key in known)


def test_every_alert_and_bound_is_there() -> None:
    """Each rule, each bound with its value, and the honest mark."""
    assert set(table_of("Alerts", column="rule").column("rule")) == {rule.name for rule in RULES}
    bounds = {f.name: getattr(Counting, f.name) for f in fields(Counting)}
    told = {bare(row[0]): row[1] for row in table_of("Alerts", column="bound").rows}
    assert told == {name: f"{value:.4g}" for name, value in bounds.items() if isinstance(value, float)}
    shallow = TEXT.partition("roots are shallow above ")[2].partition(".")[0]
    assert {int(mm) for mm in re.findall(r"\d+", shallow)} == {
        round(bound * 1000) for bound in SHALLOW_ROOTS_M.values()
    }
    chapter = TEXT.partition("\n## Alerts\n")[2].partition("\n## ")[0]
    assert "common practice, no source" in " ".join(chapter.split())


# --- addresses and metrics ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pipeline]:
    """A pipeline over the example, built and not started."""
    made = Pipeline(load_settings(EXAMPLES["server"], {"UNDERTURF_DATA_DIR": str(tmp_path_factory.mktemp("data"))}))
    yield made
    made.stop()


def test_every_address_is_there_with_its_parameters(built: Pipeline) -> None:
    """Pages, data interface and health: each address and each parameter, none that is gone."""
    app = create_app(built)
    routes = {
        f"{method} {route.path}": {p.alias for p in route.dependant.query_params}
        for route in api_routes(app.routes)
        for method in route.methods
    }
    assert {f"{m.upper()} {path}" for path, item in app.openapi()["paths"].items() for m in item} <= routes.keys()
    told = {bare(row[0]): set(quoted(row[1])) for row in table_of("Addresses").rows}
    assert told.keys() == routes.keys() | {f"GET {app.openapi_url}"}
    assert {a: p for a, p in told.items() if a in routes} == routes


def test_printed_entry_is_accepted(built: Pipeline) -> None:
    """The diary's example makes sense on the site of the example settings, and asks no question."""
    (printed,) = blocks(TEXT.partition("## Addresses")[2].partition("## Metrics")[0], "json")
    told = DiaryEntryIn.model_validate_json(printed)
    at_ms = moment_of(told.at, "at", [])
    assert at_ms is not None
    entry = DiaryEntry(told.kind, told.surface, at_ms, told.body, told.station, author=told.author)
    assert check(built.config, built.diary, built.photographs, entry, at_ms) == [] and entry_questions(entry) == []


def test_every_metric_is_there() -> None:
    """Each counter, gauge and histogram under the name a scraper sees, with its labels; none that is gone."""
    made = [m for m in vars(Metrics()).values() if hasattr(m, "_labelnames")]
    seen = {m._name + ("_total" if m._type == "counter" else ""): (m._type, list(m._labelnames)) for m in made}
    assert {bare(row[0]): (row[1], quoted(row[2])) for row in table_of("Metrics").rows} == seen


SCRAPED_RULES = Path(__file__).parents[1] / "hardware/prometheus/underturf.rules.yml"


def test_every_rule_of_prometheus_is_there_and_over_metrics_that_are() -> None:
    """Each rule has its row; each metric it asks of is counted, under the name a scraper sees."""
    text = SCRAPED_RULES.read_text(encoding="utf-8")
    assert [bare(row[0]) for row in table_of("Metrics", "Rules for Prometheus").rows] == re.findall(
        r"- alert: (\w+)", text
    )
    counted = {name for row in table_of("Metrics").rows for name in quoted(row[0])}
    asked = set(re.findall(r"underturf_\w+", "".join(re.findall(r"expr: .*", text))))
    assert asked <= counted, asked - counted


def test_prometheus_takes_rules_and_metrics(built: Pipeline, need_program: Callable[[str], str]) -> None:
    """Its own checker reads the rules, and what a server says of itself; of a broken one it does not."""
    promtool = need_program("promtool")
    told = subprocess.run([promtool, "check", "rules", str(SCRAPED_RULES)], capture_output=True, text=True)
    assert told.returncode == 0, told.stderr
    text = built.metrics.text()
    for lines, fits in ((text, True), (text.replace(b"# TYPE", b"# TYPED", 1) + b"1x\n", False)):
        told = subprocess.run([promtool, "check", "metrics"], input=lines, capture_output=True)
        assert (told.returncode == 0) == fits, told.stderr


def test_every_limit_is_there(built: Pipeline) -> None:
    """The names under which limits are shown beside what they bound."""
    create_app(built)  # has limits of its own
    samples = [s for f in built.metrics.registry.collect() if f.name == "underturf_limit" for s in f.samples]
    told = TEXT.partition("`underturf_limit` shows")[2].partition("\n\n")[0]
    assert set(quoted(told)) == {s.labels["name"] for s in samples}


# --- on the wire -------------------------------------------------------------------------------------------------


def test_printed_batch_is_one() -> None:
    """The printed batch decodes under its printed topic, and what it decodes to is written the same way again."""
    (topic,) = (words for words in quoted(TEXT) if re.search(r"/readings/[0-9a-f]{16}/", words))
    printed = blocks(TEXT.partition("## On the wire")[2], "json")[0]
    batch = decode_batch(printed.encode(), parse_readings_topic(topic))
    heard = {name: c.channel.heard for name, c in load_settings(EXAMPLES["server"]).channels().items()}
    assert json.loads(encode_batch(batch, heard)) == json.loads(printed)


def test_every_label_and_status_is_there() -> None:
    """Labels of a record, and why a reading may have no value."""
    assert set(table_of("On the wire", "A batch", "label").column("label")) == _PLAIN_LABELS
    assert table_of("On the wire", "A batch", "status").column("status") == [s for s in Status if s is not Status.OK]


def test_printed_receipt_and_status_are_understood() -> None:
    """Both printed messages are taken by those who read them."""
    _, receipt, status, notice, live = blocks(TEXT.partition("## On the wire")[2], "json")
    assert json.loads(encode_notice(decode_notice(notice.encode()))) == json.loads(notice)
    assert json.loads(encode_live(decode_live(live.encode()))) == json.loads(live)
    assert decode_receipt(receipt.encode()).seq == 43
    heard = Nodes().hear("underturf/1/home/hut/status", status.encode(), 0)
    assert heard is not None
    assert heard.backlog == 12 and set(json.loads(status)) == {
        *("state", "version", "outbox_id", "checks_digests", "assigned", "backlog", "dropped", "lines", "stations"),
        "clock",
        "health",
        "devices",
        "sleeps",
    }


def test_webhook_names_every_part_of_an_event() -> None:
    """What a receiver is sent is what the page says."""
    told = TEXT.partition("### The webhook")[2].partition(". `Idempotency")[0]
    event = AlertEvent(*(f.name for f in fields(AlertEvent)))  # type: ignore[arg-type]
    assert set(quoted(told)) == set(_told(Event("id", 0, event.to_json())))
