"""The house rules that a tool can hold: import arrows, single importers, module size, fixed top level."""

import ast
import graphlib
import re
import subprocess
from pathlib import Path

import pytest

from tests import house
from tests.house import MAY_IMPORT, PACKAGES, ROOT, modules

# Each of these names may be used in the modules listed and nowhere else: at most one a package.
ONLY_IN = {
    "serial": {"probe_agent/line.py"},
    "paho": {"probe_agent/mqtt.py", "pipeline/mqtt/ingest.py"},
    "sqlite3": {"probe_agent/outbox.py", "pipeline/store/database.py"},
    "psycopg": {"pipeline/store/postgres.py"},
    "influxdb_client": {"pipeline/store/influx.py"},
    "cryptography": {"api/certificate.py"},
    "argon2": {"api/passwords.py"},
    "procrastinate": {"pipeline/store/job_queue.py"},
    "asyncio": {
        "pipeline/mqtt/broker.py",
        "pipeline/store/job_queue.py",
        "api/app.py",
        "api/connections.py",
        "api/live.py",
    },
    "time.time": {"hardware/machine_clock.py", "simulator/clock.py"},
    "datetime.now": {"hardware/machine_clock.py", "simulator/clock.py"},
    "os.environ": {"probe_agent/clock.py", "pipeline/mqtt/broker.py", "api/command.py"},
}
LIGHT = {"pandas", "numpy", "scipy", "contourpy", "fastapi", "starlette", "jinja2", "httpx"}
# The folders of pipeline/ from left to right: each may import itself and what stands before it.
FLOORS = ("locale", "texts", "units", "errors", "run", "soil", "site", "diary", "store", "mqtt", "records", "stages",
          "forecast", "advice", "alerts", "plan", "notify", "worker", "news", "jobs", "service", "many_sites",
          "__main__")  # fmt: skip
BESIDE = {("mqtt", "store"), ("records", "mqtt")}  # neither needs the other
LOOSE = {
    "__init__.py",
    "__main__.py",
    "texts.py",
    "units.py",
    "errors.py",
    "worker.py",
    "news.py",
    "jobs.py",
    "service.py",
    "many_sites.py",
}
PURE = (
    "pipeline/soil/",
    "pipeline/stages/",
    "pipeline/forecast/",
    "pipeline/advice/",
    "pipeline/alerts/",
    "pipeline/plan/",
    "api/access.py",
)
# The shells in those folders: a thread, a file or an address.
SHELLS = {"pipeline/advice/advisor.py", "pipeline/forecast/weather_file.py"}
# Those of api/ that draw or export series; the others read what is stored, and of the stages the catalogue alone.
FIGURES = {"api/depths.py", "api/export.py", "api/drawing.py", "api/plots.py"}
CATALOGUE = "pipeline.stages.catalogue"
TOP = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", ".gitignore", ".gitattributes", ".ci"),
    *(*PACKAGES, "tests"),
}


def imported(tree: ast.AST) -> set[str]:
    """Top-level names a module imports, wherever the statement stands."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.add(node.module.split(".")[0])
    return found


def used(tree: ast.AST) -> set[str]:
    """Imported names and dotted attributes such as `time.time`, and names brought in by `from time import time`."""
    found = imported(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            found.add(f"{node.value.id}.{node.attr}")
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Attribute):
            found.add(f"{node.value.attr}.{node.attr}")
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def breaches(path: str, source: str) -> list[str]:
    """Every rule of the house that one module breaks, in words."""
    tree = ast.parse(source)
    package = path.split("/")[0]
    names, uses = imported(tree), used(tree)
    found = [
        f"{path} imports {other}, against the arrows"
        for other in PACKAGES
        if other in names and other != package and other not in MAY_IMPORT[package]
    ]
    found += _against_the_floors(path, tree)
    if package == "api" and path not in FIGURES:
        sums = {
            name for name in uses if name.startswith(("pipeline.soil.", "pipeline.stages.")) and CATALOGUE not in name
        }
        strange = sorted({"numpy", "pandas"} & names | sums)
        found += [f"{path} imports {name}, and only words what is stored" for name in strange]
    found += [f"{path} uses {name}" for name, homes in ONLY_IN.items() if name in uses and path not in homes]
    if package in ("hardware", "probe_agent"):
        found += [f"{path} imports {name}, too heavy for the agent" for name in sorted(LIGHT & names)]
    if path.startswith("pipeline/alerts/"):
        sums = {m for m in _modules(tree) if m.startswith("pipeline.soil")}
        found += [f"{path} imports {module}: rules read findings and settings" for module in sorted(sums)]
    if path.startswith(PURE) and path not in SHELLS:
        found += [f"{path} imports {name}, and must be pure" for name in sorted({"logging", "httpx", "os"} & names)]
    return found


def _modules(tree: ast.AST) -> set[str]:
    """Dotted names of the modules that `from ... import` statements name."""
    return {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module}


def _against_the_floors(path: str, tree: ast.AST) -> list[str]:
    """Imports within pipeline/ that go to the right."""
    parts = path.removesuffix(".py").split("/")
    own = parts[1] if parts[0] == "pipeline" and len(parts) > 1 else ""
    if own not in FLOORS:
        return []
    folders = {
        name.split(".")[1]
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "pipeline"
        for name in ([node.module] if "." in node.module else [f"pipeline.{alias.name}" for alias in node.names])
    }
    wrong = [f for f in folders if f not in FLOORS[: FLOORS.index(own) + 1] or (own, f) in BESIDE]
    return [f"{path} imports pipeline.{folder}, to the right of pipeline.{own}" for folder in sorted(wrong)]


@pytest.mark.parametrize("path", modules(), ids=str)
def test_module_keeps_the_rules_of_the_house(path: Path) -> None:
    """Arrows point one way, within pipeline/ too, and each edge of the world has one importer."""
    assert breaches(path.as_posix(), (ROOT / path).read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("path", "line", "said"),
    [
        ("hardware/x.py", "import pipeline.store", "against the arrows"),
        ("probe_agent/x.py", "from pipeline import stages", "against the arrows"),
        ("pipeline/x.py", "def f():\n    import api", "against the arrows"),
        ("simulator/x.py", "from pipeline.soil import roots", "against the arrows"),
        ("api/x.py", "import simulator", "against the arrows"),
        ("pipeline/x.py", "import sqlite3", "uses sqlite3"),
        ("api/x.py", "from paho.mqtt import client", "uses paho"),
        ("api/x.py", "import pandas as pd", "only words what is stored"),
        ("api/x.py", "from pipeline.soil.wetting import wetting", "only words what is stored"),
        ("api/x.py", "def f():\n    from pipeline.stages import layers", "only words what is stored"),
        ("probe_agent/x.py", "import time\nnow = time.time()", "uses time.time"),
        ("pipeline/x.py", "from time import time", "uses time.time"),
        ("pipeline/x.py", "import datetime\nx = datetime.datetime.now()", "uses datetime.now"),
        ("pipeline/x.py", "import os\nx = os.environ['A']", "uses os.environ"),
        ("probe_agent/x.py", "import pandas", "too heavy"),
        ("pipeline/soil/x.py", "import logging", "must be pure"),
        ("pipeline/stages/x.py", "import logging", "must be pure"),
        ("pipeline/alerts/x.py", "import httpx", "must be pure"),
        ("pipeline/alerts/x.py", "from pipeline.plan.lines import Line", "to the right of pipeline.alerts"),
        ("pipeline/alerts/x.py", "from pipeline.soil.layers import CELL_MS", "rules read findings"),
        ("pipeline/soil/x.py", "from pipeline.stages import roots", "to the right of pipeline.soil"),
        ("pipeline/store/x.py", "def f():\n    from pipeline.alerts.model import AlertEvent", "to the right"),
        ("pipeline/mqtt/x.py", "from pipeline.store import Store", "to the right of pipeline.mqtt"),
        ("pipeline/units.py", "from pipeline import errors", "to the right of pipeline.units"),
    ],
)
def test_forbidden_import_is_seen(path: str, line: str, said: str) -> None:
    """The check itself goes red on each kind of breach."""
    assert any(said in breach for breach in breaches(path, line))


def test_no_module_imports_one_that_needs_it() -> None:
    """Imports count wherever they stand in a file, those for types alone too."""
    names = {".".join(path.with_suffix("").parts): path for path in modules()}
    needs = {
        name: {
            full if (full := f"{node.module}.{alias.name}") in names else str(node.module)
            for node in ast.walk(house.parsed(path))
            if isinstance(node, ast.ImportFrom)
            for alias in node.names
        }
        & names.keys()
        for name, path in names.items()
    }
    graphlib.TopologicalSorter(needs).prepare()  # CycleError names the circle


def test_nothing_lies_loose_in_the_pipeline() -> None:
    """What is not in a folder of pipeline/ is what every folder needs, or stands on top of all."""
    assert {p.name for p in (ROOT / "pipeline").glob("*.py")} == LOOSE
    folders = {p.parts[1] for p in modules("pipeline") if len(p.parts) > 2}
    assert folders <= set(FLOORS)


FOLDERS = {p.parent for p in modules("hardware", "probe_agent", "pipeline", "simulator")} - {Path("pipeline")}


@pytest.mark.parametrize("folder", sorted(FOLDERS), ids=str)
def test_a_folder_says_what_its_modules_are_for(folder: Path) -> None:
    """The `__init__` of a folder names each module in it, and none that is gone."""
    words = ast.get_docstring(ast.parse((ROOT / folder / "__init__.py").read_text(encoding="utf-8"))) or ""
    named = re.findall(r"^- `(\w+)`: \S", words, re.M)
    assert named == sorted(p.stem for p in (ROOT / folder).glob("*.py") if p.name != "__init__.py")


def test_a_name_means_one_thing_and_everything_is_reached() -> None:
    """No class name has two meanings, no constant stands twice, and nothing is there for tests alone."""
    assert house.classes_with_two_meanings() == {}
    assert house.constants_defined_twice() == {}
    assert house.functions_reached_by_tests_only() == []
    assert house.findings_nobody_shows() == []


def test_top_level_is_the_fixed_one() -> None:
    """Nothing stands at the top but what the layout names."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0 or not listed.stdout:
        pytest.skip("not a git checkout")
    assert {line.split("/")[0] for line in listed.stdout.splitlines()} - TOP == set()
