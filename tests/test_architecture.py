"""The house rules that a tool can hold: import arrows, single importers, module size, fixed top level."""

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("hardware", "probe_agent", "pipeline", "api", "simulator")
MAY_IMPORT = {
    "hardware": set(),
    "probe_agent": {"hardware"},
    "pipeline": {"hardware"},
    "api": {"hardware", "pipeline"},
    "simulator": {"hardware"},
}
# Each of these names may be used in the modules listed and nowhere else: at most one a package.
ONLY_IN = {
    "serial": {"probe_agent/line.py"},
    "paho": {"probe_agent/publisher.py", "pipeline/ingest.py"},
    "sqlite3": {"probe_agent/outbox.py", "pipeline/store/database.py"},
    "influxdb_client": {"pipeline/store/influx.py"},
    "asyncio": {"pipeline/broker.py", "api/app.py", "api/live.py"},
    "time.time": {"probe_agent/clock.py", "pipeline/clock.py", "simulator/clock.py"},
    "datetime.now": {"probe_agent/clock.py", "pipeline/clock.py", "simulator/clock.py"},
    "os.environ": {"probe_agent/clock.py", "pipeline/broker.py", "api/command.py"},
}
LIGHT = {"pandas", "numpy", "scipy", "fastapi", "bokeh", "starlette", "jinja2", "httpx"}
MAX_LINES = 450
TOP = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", ".gitignore", ".gitattributes", ".ci"),
    *(*PACKAGES, "tests"),
}


def modules() -> list[Path]:
    return [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


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
    found += [f"{path} uses {name}" for name, homes in ONLY_IN.items() if name in uses and path not in homes]
    if package in ("hardware", "probe_agent"):
        found += [f"{path} imports {name}, too heavy for the agent" for name in sorted(LIGHT & names)]
    if path.startswith(("pipeline/soil/", "pipeline/advice/", "pipeline/stages/")):
        found += [f"{path} imports {name}, and must be pure" for name in sorted({"logging", "httpx", "os"} & names)]
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_module_keeps_the_rules_of_the_house(path: Path) -> None:
    """Arrows point one way, each edge of the world has one importer, and no module outgrows its room."""
    name = path.relative_to(ROOT).as_posix()
    source = path.read_text(encoding="utf-8")
    assert breaches(name, source) == []
    assert source.count("\n") <= MAX_LINES


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
        ("probe_agent/x.py", "import time\nnow = time.time()", "uses time.time"),
        ("pipeline/x.py", "from time import time", "uses time.time"),
        ("pipeline/x.py", "import datetime\nx = datetime.datetime.now()", "uses datetime.now"),
        ("pipeline/x.py", "import os\nx = os.environ['A']", "uses os.environ"),
        ("probe_agent/x.py", "import pandas", "too heavy"),
        ("pipeline/soil/x.py", "import logging", "must be pure"),
        ("pipeline/stages/x.py", "import logging", "must be pure"),
    ],
)
def test_forbidden_import_is_seen(path: str, line: str, said: str) -> None:
    """The check itself goes red on each kind of breach."""
    assert any(said in breach for breach in breaches(path, line))


def test_top_level_is_the_fixed_one() -> None:
    """Nothing stands at the top but what the layout names."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0 or not listed.stdout:
        pytest.skip("not a git checkout")
    assert {line.split("/")[0] for line in listed.stdout.splitlines()} - TOP == set()
