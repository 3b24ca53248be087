"""Backup, verify and restore of a whole site: what was saved comes back, what is damaged is refused by name.

What a whole database is, SQLite's own check says; that a file is as it was written, SHA-256 (FIPS 180-4, by the
standard library). The rest is the promise itself: the same answers, byte for byte.
"""

from __future__ import annotations

import json
import lzma
import os
import re
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from api.app import create_app
from api.command import main
from hardware.reading import Batch
from pipeline.diary.entry import DiaryEntry
from pipeline.errors import StoreAway
from pipeline.service import load_settings as load
from pipeline.store.opening import lock_folder, open_journal, open_stores
from pipeline.store.photos import FolderPhotographs
from pipeline.units import DAY_MS
from tests.api.served import TestClient
from tests.api.site import NOW_MS, SETTINGS, Ground, ground_at, readings
from tests.api.test_damage import page_of, spoil
from tests.conftest import missing
from tests.pipeline.hand import OUTBOX, START_MS
from tests.under_unit import UNITS, started_by

ROOT = Path(__file__).parents[2]
HOURS = 24 * 2
STORE_VERSION_1 = ROOT / "tests" / "data" / "store_version_1"
ADDRESSES = (
    "/api/v1/site", "/api/v1/probes", "/api/v1/now", "/api/v1/summary.txt", "/api/v1/answers", "/api/v1/alerts",
    "/api/v1/diary?from=2024-01-01T00:00:00Z", "/", "/stations/s1", "/stations/o1",
    "/api/v1/findings?station=s1&from=2024-03-01T00:00:00Z&limit=10000",
    "/api/v1/observations?every=raw&limit=10000&channel=s1/t1/moisture&from=2024-03-01T00:00:00Z&to=2024-03-06T00:00:00Z",
)  # fmt: skip


def answers(ground: Ground) -> dict[str, bytes]:
    """What a ground says at each address."""
    client, said = TestClient(create_app(ground.pipeline)), {}
    for address in ADDRESSES:
        answer = client.get(address)
        assert answer.status_code == 200, answer.text
        said[address] = answer.content
    return said


@contextmanager
def flowing(ground: Ground, first_seq: int) -> Iterator[list[int]]:
    """Readings come in, a commit each, until the block ends; gives the last number so far."""
    stop, last, made = threading.Event(), [first_seq - 1], readings(24 * 30, first_hour=HOURS, first_seq=first_seq)

    def run() -> None:
        for first in range(0, len(made), 5):
            if stop.is_set():
                return
            part = tuple(made[first : first + 5])
            ground.pipeline.journal.append(Batch("meadow", "node-1", OUTBOX, 1, part), NOW_MS)
            last[0] = part[-1].seq

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield last
    finally:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()


def run(*arguments: object) -> int:
    """Run the command in this process."""
    return main([str(one) for one in arguments])


def the_backup(folder: Path) -> Path:
    (found,) = folder.iterdir()
    return found


@pytest.fixture(scope="module")
def worked_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A stopped site of two days with a diary, a probe description, a secret, a kept forecast and a photograph."""
    folder = tmp_path_factory.mktemp("worked-out")
    (folder / "probes").mkdir(parents=True)
    shutil.copy(ROOT / "hardware" / "probes" / "thatch.toml", folder / "probes" / "thatch.toml")
    (folder / "secret").write_text("xyzzy")
    kept = folder / "data/sources/forecast.kept"
    kept.parent.mkdir(parents=True)
    kept.write_bytes(b"{}\n")
    photo = FolderPhotographs(folder / "data").keep(b"\xff\xd8\xff")
    settings = SETTINGS.replace('dir = "data"', 'dir = "data"\nmodel_dir = "probes"')
    notify = '[notify]\nwebhook = "http://127.0.0.1:9/"\nwebhook_secret_file = "secret"\n'
    ground = ground_at(folder, f"{settings}{notify}")
    ground.hear(readings(HOURS))
    ground.pipeline.diary.add(DiaryEntry("note", "square", START_MS, {"text": "first cut", "photos": [photo]}))
    ground.pipeline.stop()
    return folder


@pytest.fixture
def site(worked_out: Path, tmp_path: Path) -> Iterator[Ground]:
    """A copy of that site, opened."""
    folder = tmp_path / "ground-0"
    shutil.copytree(worked_out, folder)
    ground = ground_at(folder, (folder / "underturf.toml").read_text())
    yield ground
    ground.pipeline.stop()


def test_a_site_saved_while_readings_flow_answers_the_same_on_an_empty_machine(
    site: Ground, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The copy shows one moment; restored where there is nothing else, every answer is the same to the last byte, the
    receipt is that of the moment, and once the node has sent the rest again every reading is there once."""
    before, kept = answers(site), len(readings(HOURS))
    folder, new = tmp_path / "ground-0", tmp_path / "new"
    (tmp_path / "stick").mkdir()
    with flowing(site, kept + 1) as last:
        assert run("backup", "--config", folder / "underturf.toml", "--to", tmp_path / "stick") == 0
        assert last[0] > kept, "readings flowed"
    told = capsys.readouterr()
    assert "copied 100 %" in told.out and "read back 100 %" in told.out
    assert f"not in it: notify.webhook_secret_file: {folder / 'secret'} (a secret)" in told.out
    assert "on the same disk as the data" in told.err
    assert "xyzzy" not in str([f.read_bytes() for f in the_backup(tmp_path / "stick").rglob("*") if f.is_file()])

    assert run("restore", the_backup(tmp_path / "stick"), "--config", new / "underturf.toml") == 0
    assert "as it was" in (out := capsys.readouterr().out) and "notify.webhook_secret_file" in out
    (photo,) = (folder / "data/photos").iterdir()
    for file in ("underturf.toml", "probes/thatch.toml", "data/sources/forecast.kept", f"data/photos/{photo.name}"):
        assert (new / file).read_bytes() == (folder / file).read_bytes()
    (new / "secret").write_text("xyzzy")
    restored = Ground(type(site.pipeline)(load(new / "underturf.toml"), clock=site.clock, mosquitto=None), site.clock)
    try:
        assert answers(restored) == before
        assert TestClient(create_app(restored.pipeline)).get(f"/photos/{photo.stem}").content == photo.read_bytes()
        (state,) = restored.pipeline.journal.outboxes()
        assert kept <= state.received <= last[0]
        again = readings(24 * 30, first_hour=HOURS, first_seq=kept + 1)
        again = again[: last[0] - kept]
        for first in range(0, len(again), 500):
            batch = Batch("meadow", "node-1", OUTBOX, 1, tuple(again[first : first + 500]))
            restored.pipeline.journal.append(batch, NOW_MS)
        channels = list(site.pipeline.config.channels())
        raw = [one.pipeline.store.raw(channels, 0, 2**61) for one in (site, restored)]
        assert raw[0].equals(raw[1]) and len(raw[0]) == last[0]
        assert restored.pipeline.journal.outboxes()[0].conflicts == 0
    finally:
        restored.pipeline.stop()


def test_who_may_read_a_backup_and_the_data_is_the_owner(site: Ground, tmp_path: Path) -> None:
    """Whatever the umask: others than owner and group read neither the database nor a backup."""
    (tmp_path / "stick").mkdir()
    config = tmp_path / "ground-0" / "underturf.toml"
    assert run("backup", "--config", config, "--to", tmp_path / "stick") == 0
    data = [tmp_path / "ground-0" / "data" / name for name in ("journal.db", "journal.db-wal", "last_backup.json")]
    for file in (*data, the_backup(tmp_path / "stick")):
        assert stat.S_IMODE(file.stat().st_mode) & 0o007 == 0, file


# --- what is refused -------------------------------------------------------------------------------------------------


def flip(file: Path, at: float) -> None:
    """Change one bit of a file, at a share of its length."""
    content = bytearray(file.read_bytes())
    content[int(at * (len(content) - 1))] ^= 1
    file.write_bytes(content)


def cut(file: Path) -> None:
    file.write_bytes(file.read_bytes()[:-4096])


def claim(file: Path, name: str) -> None:
    """Have a manifest name a file outside of its folder."""
    table = json.loads(file.read_text())
    table["files"][0]["name"] = name
    file.write_text(json.dumps(table))


DAMAGE: dict[str, tuple[str, Callable[[Path], object]]] = {
    "a bit of a page": ("journal.db: found other bytes than were written", lambda b: flip(b / "journal.db", 0.5)),
    "a bit of the head": ("journal.db: found other bytes than were written", lambda b: flip(b / "journal.db", 0.0)),
    "the end": ("journal.db: found", lambda b: cut(b / "journal.db")),
    "a file": ("photographs/1.jpg: found it not to be read", lambda b: (b / "data/photographs/1.jpg").unlink()),
    "a bit of the settings": ("underturf.toml: found other bytes", lambda b: flip(b / "settings/underturf.toml", 0.3)),
    "the manifest": ("manifest.json: found a manifest that does not read", lambda b: cut(b / "manifest.json")),
    "no manifest": ("found no manifest.json in it", lambda b: (b / "manifest.json").unlink()),
    "a file elsewhere": ("a file outside of its folder", lambda b: claim(b / "manifest.json", "../../etc/passwd")),
    "a later form": (
        "found form 2, expected form 1",
        lambda b: (b / "manifest.json").write_text(
            (b / "manifest.json").read_text().replace('"underturf_backup": 1', '"underturf_backup": 2')
        ),
    ),
}


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good backup of a day, to be copied before it is damaged."""
    folder = tmp_path_factory.mktemp("saved")
    (folder / "data" / "photographs").mkdir(parents=True)
    (folder / "data" / "photographs" / "1.jpg").write_bytes(b"\xff\xd8\xff")
    ground = ground_at(folder)
    ground.hear(readings(24))
    ground.pipeline.stop()
    (folder / "stick").mkdir()
    assert run("backup", "--config", folder / "underturf.toml", "--to", folder / "stick") == 0
    return the_backup(folder / "stick")


@pytest.mark.parametrize("what", DAMAGE)
def test_a_damaged_backup_is_refused_by_name(
    what: str, saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither `verify` nor `restore` takes it; both name the file and what is wrong, and nothing is put anywhere."""
    words, damage = DAMAGE[what]
    backup = tmp_path / "stick" / saved.name
    shutil.copytree(saved, backup)
    assert run("verify", backup) == 0
    assert f"{backup}: site meadow" in capsys.readouterr().out
    damage(backup)
    for command in (("verify", backup), ("restore", backup, "--config", tmp_path / "new" / "underturf.toml")):
        assert run(*command) == 1
        told = capsys.readouterr().err
        assert words in told and str(backup) in told
    assert not (tmp_path / "new").exists()


def test_what_is_no_backup_is_refused_with_the_one_that_may_be_meant(
    saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The folder of the backups in place of one of them, and one that was never finished."""
    assert run("verify", saved.parent) == 1
    assert f"expected the folder of a backup, as {saved.name}, the last of 1 in it" in capsys.readouterr().err
    part = tmp_path / f"{saved.name}.part"
    shutil.copytree(saved, part)
    assert run("verify", part) == 1
    assert "found a backup that was not finished" in capsys.readouterr().err


def test_a_backup_is_not_restored_over_what_is_there(
    site: Ground, saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not beside a running service, and not over data without the word; with it they are set aside whole."""
    config = tmp_path / "ground-0" / "underturf.toml"
    data = config.parent / "data"
    before = {file: file.read_bytes() for file in data.rglob("*") if file.is_file()}
    assert run("restore", saved, "--config", config, "--replace") == 1
    assert f"found it in use by process {os.getpid()}" in capsys.readouterr().err
    assert {file: file.read_bytes() for file in before} == before
    last = answers(site)
    site.pipeline.stop()
    assert run("restore", saved, "--config", config) == 1
    assert "expected an empty folder. --replace sets aside what is there" in capsys.readouterr().err
    assert run("restore", saved, "--config", config, "--replace") == 0
    assert "left as it is" in (out := capsys.readouterr().out) and "what was there is in" in out
    (aside,) = data.glob(".before-restore-*")
    assert list((aside / "photos").iterdir()) and not (aside / "pipeline.lock").exists()
    with closing(sqlite3.connect(data / "journal.db")) as restored:
        assert restored.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert restored.execute("SELECT received FROM outbox").fetchone() == (len(readings(24)),)
    shutil.rmtree(tmp_path / "back", ignore_errors=True)
    shutil.copytree(config.parent, tmp_path / "back")
    shutil.rmtree(tmp_path / "back" / "data")
    shutil.copytree(aside, tmp_path / "back" / "data")
    back = type(site.pipeline)(load(tmp_path / "back" / "underturf.toml"), clock=site.clock, mosquitto=None)
    try:
        assert answers(Ground(back, site.clock)) == last
    finally:
        back.stop()


def test_a_backup_that_does_not_open_replaces_nothing(
    site: Ground, saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One of a later version than the program: refused, and the data that are there stay as they are."""
    site.pipeline.stop()
    backup, config = tmp_path / "stick" / saved.name, tmp_path / "ground-0" / "underturf.toml"
    shutil.copytree(saved, backup)
    table = json.loads((backup / "manifest.json").read_text())
    (backup / "manifest.json").write_text(json.dumps(table | {"database_version": 999}))
    data = config.parent / "data"
    before = {file: file.read_bytes() for file in data.rglob("*") if file.is_file()}
    assert run("restore", backup, "--config", config, "--replace") == 1
    assert "found a database of version 999" in capsys.readouterr().err
    assert {file: file.read_bytes() for file in data.rglob("*") if file.is_file()} == before


# --- what comes between ----------------------------------------------------------------------------------------------

CUT_SHORT = """
import os, signal, sys
from pathlib import Path
from pipeline.service import load_settings
from pipeline.store.backup import take_backup
config, into, word, share = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], float(sys.argv[4])
def progress(what, done, whole):
    if what == word and done >= share * whole:
        os.kill(os.getpid(), signal.SIGKILL)
take_backup(load_settings(config), config, into, keep=3, now_ms=1_710_000_000_000, progress=progress)
"""


@pytest.mark.parametrize(("word", "share"), [("copied", 0.3), ("copied", 1.0), ("read back", 0.5), ("read back", 1.0)])
def test_a_backup_killed_half_way_is_never_taken_for_one(
    word: str, share: float, site: Ground, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A kill while it is copied or read back leaves a folder that says it is unfinished; the next backup removes it."""
    config, stick = tmp_path / "ground-0" / "underturf.toml", tmp_path / "stick"
    stick.mkdir()
    killed = subprocess.run(
        [sys.executable, "-c", CUT_SHORT, str(config), str(stick), word, str(share)], cwd=ROOT, check=False
    )
    assert killed.returncode == -signal.SIGKILL
    (part,) = stick.iterdir()
    assert part.name.endswith(".part")
    assert run("restore", part, "--config", tmp_path / "new" / "underturf.toml") == 1
    assert "found a backup that was not finished" in capsys.readouterr().err and not (tmp_path / "new").exists()
    assert run("backup", "--config", config, "--to", stick) == 0
    assert run("verify", the_backup(stick)) == 0


KILLED_RESTORE = """
import os, signal, sys
from pathlib import Path
from api.command import main
left, rename = [int(sys.argv[3])], Path.rename
def renamed(self, target):
    if not left[0]:
        os.kill(os.getpid(), signal.SIGKILL)
    left[0] -= 1
    return rename(self, target)
Path.rename = renamed
sys.exit(main(["restore", sys.argv[1], "--config", sys.argv[2], "--replace"]))
"""


@pytest.mark.parametrize("moves", range(5))
def test_a_restore_killed_half_way_loses_nothing_and_is_made_again(
    moves: int, site: Ground, saved: Path, tmp_path: Path
) -> None:
    """Killed before any of its moves, all data are somewhere: either the old database is in place, or the new one, or
    there is none and the service says so in place of beginning an empty one. Made again it is whole."""
    site.pipeline.stop()
    config, data = tmp_path / "ground-0" / "underturf.toml", tmp_path / "ground-0" / "data"
    old = (data / "journal.db").read_bytes()
    command = [sys.executable, "-c", KILLED_RESTORE, str(saved), str(config), str(moves)]
    assert subprocess.run(command, cwd=ROOT, check=False, capture_output=True).returncode == -signal.SIGKILL
    kept = [file for file in data.rglob("journal.db") if file.read_bytes() == old]
    assert kept, "the old one is in its place or set aside"
    if (data / "journal.db").exists():
        assert (data / "journal.db").read_bytes() == old
    else:
        with pytest.raises(StoreAway, match="a restore was cut short"):
            open_stores(load(config))
    assert run("restore", saved, "--config", config, "--replace") == 0
    assert (data / "journal.db").read_bytes() == (saved / "journal.db").read_bytes()
    assert not (data / ".restored").exists()
    open_stores(load(config)).close()


FULL_DISK = """
set -e
mount -t tmpfs -o size=$3k tmpfs "$2"
mkdir "$2/old"
status=0
"$4" -c 'import shutil, sys
shutil.disk_usage = lambda path: type("Usage", (), {"free": 2**40})  # the look at the free room before is left out
from api.command import main
sys.exit(main(["backup", "--config", sys.argv[1], "--to", sys.argv[2]]))' "$1" "$2" || status=$?
echo left: $(ls "$2")
exit $status
"""


def test_a_disk_that_fills_up_meanwhile_is_told_and_nothing_is_left_of_it(site: Ground, tmp_path: Path) -> None:
    """On a real file system of half the size: exit 1, the disk named, the part removed, the fault kept for the pages,
    and the data not touched."""
    config, stick = tmp_path / "ground-0" / "underturf.toml", tmp_path / "stick"
    stick.mkdir()
    size_k = (config.parent / "data" / "journal.db").stat().st_size // 2048
    room = ["unshare", "--user", "--map-root-user", "--mount", "bash", "-c", FULL_DISK, "bash"]
    if subprocess.run([*room[:4], "true"], check=False, capture_output=True).returncode != 0:
        missing("unshare (util-linux) may not make a user namespace here")
    done = subprocess.run(
        [*room, str(config), str(stick), str(size_k), sys.executable],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1, done.stderr
    assert "found no room" in done.stderr and str(stick) in done.stderr
    assert done.stdout.splitlines()[-1] == "left: old", "nothing is left of it"
    assert "found no room" in json.loads((config.parent / "data" / "last_backup.json").read_text())["fault"]
    assert answers(site)


def test_a_disk_without_room_is_told_before_it_is_filled(
    site: Ground, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is free is held against what is needed first."""
    (tmp_path / "stick").mkdir()
    monkeypatch.setattr("shutil.disk_usage", lambda path: type("Usage", (), {"free": 2_000_000}))
    assert run("backup", "--config", tmp_path / "ground-0" / "underturf.toml", "--to", tmp_path / "stick") == 1
    assert "found 2 MB free, expected at least" in capsys.readouterr().err
    assert list((tmp_path / "stick").iterdir()) == []


def test_a_stick_that_is_away_and_two_at_once_are_told(
    site: Ground, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No folder is made in the stick's place; a second backup waits for nobody, it says what is going on."""
    config = tmp_path / "ground-0" / "underturf.toml"
    assert run("backup", "--config", config, "--to", tmp_path / "media" / "stick") == 1
    assert "Is the stick or disk there?" in capsys.readouterr().err and not (tmp_path / "media").exists()
    named = tmp_path / "ground-0" / "named.toml"
    named.write_text(f'{config.read_text()}[backup]\ndir = "{tmp_path}/media/stick"\n')
    assert run("check", "--config", named) == 0
    assert f"backup.dir: warning: found no folder {tmp_path}/media/stick" in capsys.readouterr().err
    assert run("backup", "--config", config) == 2
    assert "--to: found none" in capsys.readouterr().err
    script = CUT_SHORT.replace(
        "os.kill(os.getpid(), signal.SIGKILL)", "print('under way', flush=True); sys.stdin.read()"
    )
    (tmp_path / "stick").mkdir()
    with subprocess.Popen(
        [sys.executable, "-c", script, str(config), str(tmp_path / "stick"), "copied", "0.1"],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as first:  # fmt: skip
        assert first.stdout is not None and first.stdout.readline() == "under way\n"
        assert run("backup", "--config", config, "--to", tmp_path / "stick") == 1
        assert "found another backup of it being made" in capsys.readouterr().err
        first.kill()


def test_the_oldest_backups_go_when_a_good_one_is_there(
    site: Ground, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three stay, the newest among them; those of another site, and what is no backup, are left alone; a backup that
    fails removes none."""
    config, stick = tmp_path / "ground-0" / "underturf.toml", tmp_path / "stick"
    stick.mkdir()
    for other in ("meadow-2-20240101T000000Z", "holiday photographs", "meadow-2-20240102T000000Z.part"):
        (stick / other).mkdir()
        (stick / other / "manifest.json").write_text("{}")
    for _ in range(4):
        assert run("backup", "--config", config, "--to", stick, "--keep", 3) == 0
    kept = sorted(one.name for one in stick.iterdir())
    assert len(kept) == 6 and {"meadow-2-20240102T000000Z.part", "holiday photographs"} < set(kept)
    monkeypatch.setattr("shutil.disk_usage", lambda path: type("Usage", (), {"free": 0}))
    assert run("backup", "--config", config, "--to", stick, "--keep", 1) == 1
    assert sorted(one.name for one in stick.iterdir()) == kept


# --- how old the last one is ---


def told_of_backups(ground: Ground) -> list[tuple[str, str]]:
    return [
        (str(e.body["kind"]), str(e.body["text"]))
        for e in ground.pipeline.journal.events(0, 2**61)
        if e.body["rule"] == "backup_old"
    ]


def test_how_old_the_last_good_backup_is_is_told_on_page_health_and_as_an_alert(tmp_path: Path) -> None:
    """Three days after backups were asked for without one, once: what the last try said, and what of the age; a good
    backup ends it, and what is older than three days begins it again."""
    asked = f'{SETTINGS}[backup]\ndir = "{tmp_path}/stick"\n'
    ground = ground_at(tmp_path, asked, NOW_MS)
    config, client = tmp_path / "underturf.toml", TestClient(create_app(ground.pipeline))

    def later(days: float) -> None:
        ground.clock.wall_ms += round(days * DAY_MS)
        ground.judge()

    def page() -> str:
        return client.get("/", headers={"Accept": "text/html"}).text

    try:
        ground.hear(readings(2))
        later(2.9)
        assert told_of_backups(ground) == [] and ground.pipeline.notices() == []
        assert run("backup", "--config", config) == 1, "the stick is not there"
        later(0.2)
        away = "Is the stick or disk there?"
        ((kind, text),) = told_of_backups(ground)
        assert kind == "opened" and text.startswith("Backup: none in the 3 days since it was set up.") and away in text
        assert "No backup has been made in the 3 days since they were set up" in page() and away in page()
        health = client.get("/healthz").json()
        assert health["state"] == "degraded" and away in health["backup"]["fault"]
        later(1)
        assert len(told_of_backups(ground)) == 1
        (tmp_path / "stick").mkdir()
        assert run("backup", "--config", config) == 0
        good = json.loads((tmp_path / "data" / "last_backup.json").read_text())
        assert good["fault"] == "" and good["folder"] == str(the_backup(tmp_path / "stick"))
        ground.clock.wall_ms = good["good_ms"]
        later(0.1)
        assert told_of_backups(ground)[1:] == [("closed", "Backup: a good one has been made again.")]
        assert ground.pipeline.notices() == [] and good["folder"] in client.get("/healthz").text
        later(9)
        assert "The last good backup is 9 days old" in page()
        assert told_of_backups(ground)[2][1].startswith("Backup: the last good one is 9 days old. None was tried since")
        (metric,) = re.findall(r"^underturf_backup_good_timestamp_seconds (.*)$", client.get("/metrics").text, re.M)
        assert float(metric) == good["good_ms"] / 1000
    finally:
        ground.pipeline.stop()


def test_who_asks_for_no_backup_is_told_nothing_of_it(tmp_path: Path) -> None:
    """Without `dir` and without a backup ever made, days pass in silence."""
    ground = ground_at(tmp_path)
    ground.hear(readings(2))
    ground.clock.wall_ms += 30 * DAY_MS
    ground.judge()
    assert told_of_backups(ground) == [] and ground.pipeline.notices() == []
    ground.pipeline.stop()


# --- what is damaged already -----------------------------------------------------------------------------------------


def test_damaged_data_are_not_saved_and_the_last_good_backup_stays(
    site: Ground, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A page of the database written over with noise: no backup is made, none is removed, and `verify` says so."""
    config, stick = tmp_path / "ground-0" / "underturf.toml", tmp_path / "stick"
    stick.mkdir()
    assert run("backup", "--config", config, "--to", stick, "--keep", 1) == 0
    good = the_backup(stick)
    site.pipeline.stop()
    file = config.parent / "data" / "journal.db"
    spoil(file, page_of(file, "observation_day"))
    capsys.readouterr()
    assert run("verify", "--config", config) == 1
    assert f"{file}: found it damaged" in (told := capsys.readouterr().err) and "restore the last backup" in told
    assert run("backup", "--config", config, "--to", stick, "--keep", 1) == 1
    assert "journal.db" in capsys.readouterr().err
    assert the_backup(stick) == good and run("verify", good) == 0
    record = json.loads((config.parent / "data" / "last_backup.json").read_text())
    assert record["folder"] == str(good) and record["fault"]


def test_a_block_that_does_not_read_keeps_nothing_from_being_saved(
    site: Ground, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One run of readings is damaged within: the rest is saved and restored, and the run is named at each step."""
    config, stick = tmp_path / "ground-0" / "underturf.toml", tmp_path / "stick"
    stick.mkdir()
    site.pipeline.stop()
    with closing(sqlite3.connect(config.parent / "data" / "journal.db")) as connection, connection:
        connection.execute("UPDATE run SET readings = substr(readings, 1, 100) WHERE id = 2")
    assert run("verify", "--config", config) == 1
    assert "run 2: readings 501 to 1000 of node node-1, 2024-03-01" in capsys.readouterr().err
    assert run("backup", "--config", config, "--to", stick) == 0
    assert "warning: run 2 does not read" in capsys.readouterr().err
    assert run("restore", the_backup(stick), "--config", tmp_path / "new" / "underturf.toml") == 0


def test_a_file_that_the_service_takes_away_meanwhile_is_left_out(
    site: Ground, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A download that is being renamed as the backup comes to it keeps nothing from being saved."""
    (tmp_path / "stick").mkdir()
    fresh = tmp_path / "ground-0" / "data" / "sources" / "forecast.new"
    fresh.write_bytes(b"{}")
    copy = shutil.copyfile

    def copied(source: Path, target: Path) -> object:
        fresh.unlink(missing_ok=True)
        return copy(source, target)

    monkeypatch.setattr("shutil.copyfile", copied)
    assert run("backup", "--config", tmp_path / "ground-0" / "underturf.toml", "--to", tmp_path / "stick") == 0
    assert not (the_backup(tmp_path / "stick") / "data/sources/forecast.new").exists()
    assert run("verify", the_backup(tmp_path / "stick")) == 0


def test_a_backup_does_not_choose_where_on_this_machine_its_files_go(
    saved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Probe descriptions that were outside of the folder of the settings are named and not put anywhere; folders on the
    way to the settings are made."""
    backup = tmp_path / "stick" / saved.name
    shutil.copytree(saved, backup)
    (backup / "settings" / "probes").mkdir(exist_ok=True)  # this machine may have descriptions of its own
    (backup / "settings" / "probes" / "own.toml").write_bytes(b"")
    table = json.loads((backup / "manifest.json").read_text())
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # FIPS 180-4, of the empty message
    table["files"].append({"name": "settings/probes/own.toml", "size_bytes": 0, "sha256": empty})
    (backup / "manifest.json").write_text(json.dumps(table | {"models": f"{tmp_path}/elsewhere"}))
    assert run("restore", backup, "--config", tmp_path / "a" / "new" / "place" / "underturf.toml") == 0
    assert f"{tmp_path}/elsewhere/own.toml: not put there" in capsys.readouterr().out
    assert not (tmp_path / "elsewhere").exists()


# --- other stores ----------------------------------------------------------------------------------------------------


def test_a_store_of_an_earlier_version_is_saved_and_restored_as_it_is(tmp_path: Path) -> None:
    """Before an upgrade the new program saves what the old one left; restored it is the same to the byte, so the way
    back is open, and the new program reads it."""
    old, stick = tmp_path / "old", tmp_path / "stick"
    (old / "data").mkdir(parents=True)
    stick.mkdir()
    (old / "data" / "journal.db").write_bytes(lzma.decompress((STORE_VERSION_1 / "journal.db.xz").read_bytes()))
    shutil.copy(STORE_VERSION_1 / "underturf.toml", old)
    (old / "addresses").write_text("")
    before = (old / "data" / "journal.db").read_bytes()
    assert run("backup", "--config", old / "underturf.toml", "--to", stick) == 0
    assert (old / "data" / "journal.db").read_bytes() == before
    made = json.loads((the_backup(stick) / "manifest.json").read_text())
    assert made["database_version"] < 8
    new = tmp_path / "new" / "underturf.toml"
    assert run("restore", the_backup(stick), "--config", new) == 0
    restored = new.parent / "data" / "journal.db"
    assert restored.read_bytes() == (the_backup(stick) / "journal.db").read_bytes()
    (new.parent / "addresses").write_text("")
    with open_journal(load(new)) as journal:
        assert sum(outbox.received for outbox in journal.outboxes()) >= made["rows"]["readings"] > 0


def test_of_a_server_store_it_is_said_that_the_series_are_not_in_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The journal is saved, the server is named as left out, and it need not answer."""
    ground = ground_at(tmp_path)
    ground.hear(readings(2))
    ground.pipeline.stop()
    store = '[store]\nkind = "influx"\nurl = "http://127.0.0.1:9"\nbucket = "turf"\n'
    (tmp_path / "underturf.toml").write_text(f"{SETTINGS}{store}")
    (tmp_path / "stick").mkdir()
    assert run("backup", "--config", tmp_path / "underturf.toml", "--to", tmp_path / "stick") == 0
    assert "not in it: series on the server http://127.0.0.1:9" in capsys.readouterr().out


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away, as the nightly backup does")
def test_what_root_makes_belongs_to_the_service(site: Ground, tmp_path: Path) -> None:
    """The nightly backup and a restore are made by root; whatever they put into the data folder is the service's."""
    site.pipeline.stop()
    config, data = tmp_path / "ground-0" / "underturf.toml", tmp_path / "ground-0" / "data"
    (tmp_path / "stick").mkdir()
    for one in (data, *data.rglob("*")):
        os.chown(one, 12345, 12346)
    assert run("backup", "--config", config, "--to", tmp_path / "stick") == 0
    assert run("restore", the_backup(tmp_path / "stick"), "--config", config, "--replace") == 0
    assert {(one.stat().st_uid, one.stat().st_gid) for one in (data, *data.rglob("*"))} == {(12345, 12346)}
    assert (data / "last_backup.json").exists() and list((data / "photos").iterdir())


def test_a_backup_is_made_under_the_filter_of_its_unit(
    site: Ground, tmp_path: Path, need_program: Callable[[str], str]
) -> None:
    """The installed command with the system calls that its unit allows, into the folder that the settings name."""
    config = tmp_path / "ground-0" / "underturf.toml"
    (tmp_path / "stick").mkdir()
    config.write_text(f'{config.read_text()}[backup]\ndir = "{tmp_path}/stick"\n')
    command = started_by(UNITS / "underturf-backup.service", config, need_program)
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert run("verify", the_backup(tmp_path / "stick")) == 0


def test_a_service_that_is_locked_by_its_own_can_be_saved(site: Ground, tmp_path: Path) -> None:
    """The lock of the data folder keeps no backup away."""
    (tmp_path / "stick").mkdir()
    site.pipeline.stop()
    with lock_folder(tmp_path / "ground-0" / "data"):
        assert run("backup", "--config", tmp_path / "ground-0" / "underturf.toml", "--to", tmp_path / "stick") == 0
