"""The documents say what the program is: every link, command, path and module they name is there, and none is left out.

What stands in the reference table by table is in test_reference.py.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from importlib.metadata import distribution
from pathlib import Path

import pytest

from api.command import _parser as server_parser
from pipeline.diary.entry import DiaryEntry
from pipeline.store.database import Database
from pipeline.store.diary import Diary
from probe_agent.__main__ import _parser as agent_parser
from tests.bench.table import HEAD
from tests.reference import ROOT, anchors, blocks, links, quoted, tables, without_blocks

PACKAGES = ("hardware", "probe_agent", "pipeline", "api", "simulator")
PAGES = sorted(
    path
    for pattern in ("*.md", "*/*.md", "*/docs/*.md")
    for path in ROOT.glob(pattern)
    if not any(part.startswith(".") for part in path.relative_to(ROOT).parts)
)
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"
REFERENCE = ROOT / "api" / "docs" / "reference.md"
UNITS = ROOT / "hardware" / "systemd"
ENDINGS = (".py", ".md", ".toml", ".conf", ".acl", ".service", ".rules", ".csv", ".png", ".html")


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_link_leads_somewhere(page: Path) -> None:
    """A link inside the project points to a file that is there, and to a heading that is in it."""
    broken = []
    for target in links(page.read_text(encoding="utf-8")):
        path, _, anchor = target.partition("#")
        file = (page.parent / path).resolve() if path else page
        if not file.exists() or (anchor and anchor not in anchors(file.read_text(encoding="utf-8"))):
            broken.append(target)
    assert broken == []


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_file_that_is_named_is_there(page: Path) -> None:
    """Whatever looks like a file of the project, in backticks, is one."""
    gone = []
    for words in quoted(without_blocks(page.read_text(encoding="utf-8"))):
        if re.fullmatch(r"[\w./-]+", words) and "/" in words and words.endswith(ENDINGS) and not words.startswith("/"):
            near = [folder for folder in (ROOT, page.parent) if (folder / words).exists()]
            gone += [] if near or "NAME" in words else [words]
    assert gone == []


# --- the two commands of the README, and the shows ---------------------------------------------------------------


def test_readme_begins_with_the_demo_and_then_the_tests() -> None:
    """The first shell block brings up the demo, the second, which integration runs as printed, makes every check."""
    first, second = blocks(README.read_text(encoding="utf-8"), "sh")[:2]
    assert "'.[server]'" in first and first.rstrip().endswith("underturf demo")
    for part in ("-e '.[server,test]'", "ruff check", "ruff format --check", "mypy", "pytest"):
        assert part in second


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=name_of)
def test_shell_blocks_name_what_exists(page: Path) -> None:
    """Programs, extras, files and options in the shell blocks are those of the project."""
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    scripts = {entry.name for entry in distribution("underturf").entry_points}
    for block in blocks(page.read_text(encoding="utf-8"), "sh"):
        for extra in re.findall(r"\.\[([\w,]+)\]", block):
            assert set(extra.split(",")) <= set(extras)
        for line in re.split(r"&&|\n", block.replace("\\\n", " ")):
            words = shlex.split(line, comments=True)
            program = words[0].removeprefix(".venv/bin/") if words else ""
            if program in ("underturf", "underturf-agent"):
                assert program in scripts
                {"underturf": server_parser, "underturf-agent": agent_parser}[program]().parse_args(words[1:])
            for word in words:
                ours = word.split("/")[0] in (*PACKAGES, "tests", ".ci") and "/" in word
                assert not ours or (ROOT / word.partition("::")[0]).exists(), word
            _options_exist(words)


def _options_exist(words: list[str]) -> None:
    """Options of a script of ours stand in its text."""
    script = next((ROOT / word for word in words if word.startswith("tests/") and word.endswith(".py")), None)
    if script is not None and "pytest" not in words[0]:
        source = script.read_text(encoding="utf-8")
        for word in words:
            assert not word.startswith("--") or f'"{word}"' in source, f"{script.name} has no {word}"


# --- the developers' guide ------------------------------------------------------------------------------------------


def test_the_developers_guide_is_short_and_names_every_folder() -> None:
    """It fits in 200 lines, and each folder of the pipeline has its row."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    assert text.count("\n") <= 200
    folders = {f"pipeline/{p.name}/" for p in (ROOT / "pipeline").iterdir() if (p / "__init__.py").exists()}
    assert set(re.findall(r"^\| `(pipeline/\w+/)` \|", text, re.M)) == folders


# --- running what is printed -------------------------------------------------------------------------------------


def test_backup_and_restore_as_printed_keep_everything(tmp_path: Path) -> None:
    """The printed backup, made while the database is in use, and the printed restore on a machine that has nothing else
    bring back what was committed."""
    text = REFERENCE.read_text(encoding="utf-8")
    (backup,), (restore,) = blocks(text, "sh backup"), blocks(text, "sh restore")
    environment = {"PATH": f"{Path(sys.executable).parent}:/usr/bin:/bin"}
    here, there = tmp_path / "here", tmp_path / "there"
    (here / "data").mkdir(parents=True)
    (here / "underturf.toml").write_bytes((ROOT / "hardware" / "docs" / "underturf.toml").read_bytes())
    database = Database(here / "data" / "journal.db")
    diary = Diary(database)
    before = diary.add(DiaryEntry("note", "square", 1_772_323_200_000, {"text": "first"}))
    subprocess.run(["bash", "-euc", backup], cwd=here, env=environment, check=True)
    diary.add(DiaryEntry("note", "square", 1_772_323_260_000, {"text": "after the backup"}))
    database.close()
    shutil.copytree(here / "backups", there / "backups")
    subprocess.run(["bash", "-euc", restore], cwd=there, env=environment, check=True)
    restored = Database(there / "data" / "journal.db")
    assert list(Diary(restored).entries(("note",), 0, 2**62)) == [before]
    restored.close()
    assert (there / "underturf.toml").read_bytes() == (here / "underturf.toml").read_bytes()


def units() -> list[Path]:
    return sorted((*UNITS.glob("*.service"), *UNITS.glob("*.timer")))


@pytest.mark.parametrize("unit", sorted(UNITS.glob("*.service")), ids=name_of)
def test_service_runs_commands_that_exist(unit: Path) -> None:
    """What a service unit starts is a command line that the program understands, beside the settings that it checks."""
    lines = re.findall(r"^Exec\w+=(.*)$", unit.read_text(encoding="utf-8"), re.M)
    unchecked = "Type=oneshot" in unit.read_text(encoding="utf-8") or "/etc/underturf/sites" in lines[0]
    assert len(lines) == (1 if unchecked else 2)
    for line in lines:
        program, *arguments = shlex.split(line.replace("%i", "8421"))
        parser = {"underturf": server_parser, "underturf-agent": agent_parser}[Path(program).name]()
        given = parser.parse_args(arguments)
        if "sites" in vars(given):
            assert given.sites == Path("/etc/underturf/sites") and given.own.is_relative_to("/var/lib")
        else:
            assert given.config.name in ("underturf.toml", "agent.toml")


@pytest.mark.parametrize("unit", units(), ids=name_of)
def test_service_manager_has_no_fault_to_find(unit: Path, tmp_path: Path, need_program: Callable[[str], str]) -> None:
    """The service manager's own check finds nothing in a unit whose programs are those installed beside this Python."""
    verify = need_program("systemd-analyze")
    text = unit.read_text(encoding="utf-8").replace("/opt/underturf/bin", str(Path(sys.executable).parent))
    copy = tmp_path / unit.name
    copy.write_text(text, encoding="utf-8")
    if unit.suffix == ".timer":
        shutil.copy(unit.with_suffix(".service"), tmp_path)
    done = subprocess.run([verify, "verify", "--man=no", str(copy)], capture_output=True, text=True, check=False)
    assert [line for line in done.stderr.splitlines() if unit.name in line] == []


@pytest.mark.parametrize("unit", sorted(UNITS.glob("*.service")), ids=name_of)
def test_a_unit_bounds_what_its_program_may_take(unit: Path) -> None:
    """Memory, tasks and open files have limits, so that one program cannot take the box with it (systemd.exec(5))."""
    text = unit.read_text(encoding="utf-8")
    assert {key for key in ("MemoryMax", "TasksMax", "LimitNOFILE") if re.search(rf"^{key}=\d", text, re.M)} == {
        "MemoryMax", "TasksMax", "LimitNOFILE",
    }  # fmt: skip


# --- where numbers come from -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["siting-and-calibration.md"])
def test_every_number_for_the_ground_says_where_it_is_from(name: str) -> None:
    """Each row of a table with figures for the ground names its source, or says that there is none."""
    text = (ROOT / "hardware" / "docs" / name).read_text(encoding="utf-8")
    with_origin = [table for table in tables(text) if "from" in table.columns]
    assert with_origin
    for table in with_origin:
        for row, origin in zip(table.rows, table.column("from"), strict=True):
            assert re.search(r"common practice|from memory|arithmetic|\d{4}|[A-Z]{2,}", origin), row
    prose = [line for line in without_blocks(text).splitlines() if not line.startswith(("|", "#"))]
    assert [line for line in prose if re.search(r"\d ?(mm|%|V|days|weeks|degC|m3)\b", line)] == []


def test_the_page_of_speed_has_figures_of_benches_that_exist() -> None:
    """Each row names a bench and gives its figures in the columns in which benches print them."""
    (found,) = tables((ROOT / "pipeline" / "docs" / "speed.md").read_text(encoding="utf-8"))
    assert found.columns == ("bench", *HEAD) and len(found.rows) > 10
    for bench in found.column("bench"):
        assert (ROOT / "tests" / "bench" / f"bench_{bench}.py").exists(), bench
    assert all(float(ratio) >= 0.0 for ratio in found.column("ratio"))
