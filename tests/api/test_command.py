"""The `underturf` command: exit codes, every fault in one run, and words for what is away."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pandas as pd
import pytest

from api.app import create_app
from api.certificate import server_context
from api.command import main
from api.job_commands import sites_of
from api.serve import listen
from hardware.reading import Batch
from pipeline.__main__ import main as pipeline_main
from pipeline.service import load_settings as load
from pipeline.site.server import PagesConfig, is_loopback
from pipeline.store.journal import Journal
from pipeline.store.opening import lock_folder, open_journal
from pipeline.units import DAY_MS
from pipeline.worker import WORKED_KEY
from tests.api.served import TestClient, serving
from tests.api.site import NOW_MS, SETTINGS, Ground, MakeGround, readings
from tests.pipeline.conftest import wait_until
from tests.pipeline.hand import OUTBOX, START_MS, Line, batches, lines, record, stored
from tests.ports import unused_port
from tests.under_unit import UNITS, started_by

START_WITHIN_S = 60.0  # importing takes a few seconds of a free processor
ROOT = Path(__file__).parents[2]
FAULTY = """
[site]
name = "Fern Hollow"
timezone = "Mars/Crater"
[pages]
port = 99999
[[surface]]
name = "square"
kind = "roof"
[[surface.station]]
name = "s1"
soil = "cheese"
"""


MANY_SITES = """
[broker]
kind = "external"
[store]
kind = "postgresql"
dsn_file = "{dsn}"
"""


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    path = tmp_path / "underturf.toml"
    path.write_text(SETTINGS)
    return path


def test_check_counts_what_is_good(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A good file: exit 0 and what is in it."""
    assert main(["check", "--config", str(settings)]) == 0
    assert "2 surfaces, 3 stations" in capsys.readouterr().out


def test_check_refuses_a_password_that_goes_far_as_plain_text(
    settings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """To another machine without an authority it does, unless said twice; to this one, or encrypted, it does not."""
    (settings.parent / "secret").write_text("green\n")
    (settings.parent / "secret").chmod(0o600)
    plain = settings.read_text()
    assert main(["certificate", "--config", str(settings)]) == 0
    for host, more, code, told in (
        ("192.0.2.7", "", 1, "broker.host: found '192.0.2.7', where the password would go unencrypted, expected"),
        ("192.0.2.7", "plain_password = true\n", 0, "warning: the password goes to 192.0.2.7 unencrypted"),
        ("127.0.0.1", "", 0, ""),
        ("192.0.2.7", 'ca_file = "data/certificate/authority.crt"\n', 0, ""),
    ):
        broker = (
            f'[broker]\nkind = "external"\nhost = "{host}"\nusername = "pipeline"\npassword_file = "secret"\n{more}'
        )
        settings.write_text(f"{plain}\n{broker}")
        capsys.readouterr()
        assert main(["check", "--config", str(settings)]) == code
        said = capsys.readouterr().err
        assert told in said and (told or "unencrypted" not in said)


def test_check_warns_of_pages_that_others_reach(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Not a fault: exit 0, and one line that says what to do; none for an address of this machine."""
    assert main(["check", "--config", str(settings)]) == 0
    assert "warning" not in capsys.readouterr().err
    settings.write_text(SETTINGS + '[pages]\nhost = "0.0.0.0"\n')
    assert main(["certificate", "--config", str(settings)]) == 0
    assert main(["check", "--config", str(settings)]) == 0
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("underturf.toml: pages.host: warning: found '0.0.0.0': nobody can sign in yet")


@pytest.mark.parametrize("option", ["--from", "--to"])
def test_a_day_written_otherwise_is_told_with_what_was_expected(
    option: str, settings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found and expected, for both commands that recompute."""
    for run in (main, pipeline_main):
        with pytest.raises(SystemExit):
            run(["recompute", "--config", str(settings), option, "31/12/2026"])
        assert f"{option}: found '31/12/2026', expected a day as 2026-05-01" in capsys.readouterr().err


@pytest.mark.parametrize(("level", "shown"), [("warning", False), ("info", True)])
def test_the_log_begins_at_the_level_that_is_asked_for(level: str, *, shown: bool) -> None:
    """An information is in the log at `info` and not at `warning`."""
    program = (
        f"import logging; from pipeline.run.log import start_log; start_log('{level}'); "
        "logging.getLogger('x').info('pages_at'); logging.getLogger('x').warning('pages_open')"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert "pages_open" in done.stderr and ("pages_at" in done.stderr) is shown


def test_the_environment_stands_over_the_file(
    settings: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A variable of the environment is taken, and checked as if it stood in the file."""
    monkeypatch.setenv("UNDERTURF_PAGES_PORT", "70000")
    assert main(["check", "--config", str(settings)]) == 2
    assert "pages.port: found 70000" in capsys.readouterr().err


def test_check_names_a_curve_that_does_not_exist(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt curve ends the check with exit 2 and the nearest name, in a probe file as in the settings."""
    (tmp_path / "probes").mkdir()
    shipped = (ROOT / "hardware" / "probes" / "root_zone_profile.toml").read_text()
    own = tmp_path / "probes" / "profile.toml"
    own.write_text(shipped.replace("topp_1980", "topp_1890", 1))
    site = '[site]\nname = "home"\n[data]\nmodel_dir = "probes"\n[[surface]]\nname = "lawn"\nkind = "lawn"\n'
    site += '[[surface.station]]\nname = "s1"\nsoil = "loam"\n'
    site += '[[surface.station.probe]]\nname = "p1"\nmodel = "profile"\n[[surface.station.probe]]\nname = "p2"\n'
    site += 'model = "root_zone_profile"\n[surface.station.probe.calibration.moisture_035]\ncurve = "topp_1890"\n'
    path = tmp_path / "underturf.toml"
    path.write_text(site)
    assert main(["check", "--config", str(path)]) == 2
    told = [line for line in capsys.readouterr().err.splitlines() if "topp_1890" in line]
    place = "underturf.toml: surface.lawn.station.s1.probe."
    assert [line.split(": found ")[0] for line in told] == [
        f"{place}p1.model: {own}: channel[0].calibration.curve",
        f"{place}p2.calibration.moisture_035.curve",
    ]
    assert all(", nearest 'topp_1980'" in line for line in told)


def test_check_prints_every_fault_and_exits_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Five faults in one file are five lines, each with the key, what was found and what was expected."""
    path = tmp_path / "faulty.toml"
    path.write_text(FAULTY)
    assert main(["check", "--config", str(path)]) == 2
    lines = capsys.readouterr().err.splitlines()
    for key in ("site.name", "site.timezone", "pages.port", "surface.square.kind", "soil"):
        own = [line for line in lines if key in line]
        assert len(own) == 1 and "found" in own[0] and "expected" in own[0], key


def test_a_missing_file_is_a_fault_not_a_trace(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No file: exit 2 or 1 with its name, and no trace of the program."""
    assert main(["check", "--config", str(tmp_path / "none.toml")]) in (1, 2)
    said = capsys.readouterr().err
    assert "none.toml" in said and "Traceback" not in said


def test_recompute_redoes_a_span(make_ground: MakeGround, capsys: pytest.CaptureFixture[str]) -> None:
    """From raw, for one station and whole days; an unknown station is refused with 2."""
    ground: Ground = make_ground()
    ground.hear(readings(48))
    folder = ground.pipeline.config.data.dir.parent
    config = str(folder / "underturf.toml")
    ground.pipeline.stop()
    assert main(["recompute", "--config", config, "--station", "o1", "--from", "2024-03-01", "--to", "2024-03-01"]) == 0
    assert "o1" in capsys.readouterr().out
    assert main(["recompute", "--config", config, "--station", "s9"]) == 2
    assert "s9" in capsys.readouterr().err


def test_recompute_beside_a_running_service_is_refused(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two writers on one folder: exit 1, and the process that has it is named."""
    with lock_folder(load(settings).data.dir):
        assert main(["recompute", "--config", str(settings)]) == 1
    assert str(os.getpid()) in capsys.readouterr().err


def test_summary_without_a_service_says_where_it_looked(
    settings: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1, the address, and what to start."""
    settings.write_text(SETTINGS + f"[pages]\nport = {free_port}\n")
    assert main(["summary", "--config", str(settings)]) == 1
    said = capsys.readouterr().err
    assert f"127.0.0.1:{free_port}" in said and "underturf serve" in said


def test_summary_prints_what_the_service_says(
    filled: Ground, settings: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Water by layer, the last wetting, the age and the open alerts, station by station."""
    settings.write_text(SETTINGS + f'[pages]\nhost = "0.0.0.0"\nport = {free_port}\n')
    assert main(["certificate", "--config", str(settings)]) == 0
    with serving(filled.pipeline, free_port, context=server_context(load(settings))):
        assert main(["summary", "--config", str(settings)]) == 0
    said = capsys.readouterr().out
    for line in ("Last heard", "Thatch: ", "Root zone: ", "Last wetting: ", "thatch still holds water", "south end"):
        assert line in said
    # What a figure rests on: the hand-made water content is 1.25 of the way from 0.10 to 0.45.
    assert "125 % of the way from dry to drained" in said


def test_a_taken_port_is_said_before_anything_starts(
    settings: Path, served: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """`serve` on a port that is taken: exit 1, the key and what to do; no data folder is locked or made."""
    port = served.rpartition(":")[2]
    settings.write_text(SETTINGS + f"[pages]\nport = {port}\n")
    assert main(["serve", "--config", str(settings)]) == 1
    assert f"pages.port: found 127.0.0.1:{port}" in capsys.readouterr().err
    assert not (settings.parent / "data").exists()


@pytest.mark.parametrize(
    ("host", "own"), [("127.0.0.1", True), ("localhost", True), ("::1", True), ("0.0.0.0", False), ("::", False)]
)
def test_what_others_can_reach_is_known(host: str, *, own: bool) -> None:
    """Loopback addresses are this machine's own; the others are warned of."""
    assert is_loopback(host) is own
    with listen(PagesConfig.model_construct(host=host, port=0)) as listener:
        assert listener.getsockname()[1] > 0


@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
def test_an_accepted_connection_sends_what_it_has_at_once(host: str) -> None:
    """The pages' connections have TCP_NODELAY: the body of an answer never waits for a delayed acknowledgement."""
    config = PagesConfig.model_construct(host=host, port=0)
    with listen(config) as listener, socket.create_connection(listener.getsockname()[:2]):
        connection, _ = listener.accept()
        with connection:
            assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0


def test_serve_runs_until_told_to_stop(settings: Path, free_port: int) -> None:
    """It answers, warns when its pages are open to others, and ends with 0 and no child left."""
    pages = free_port
    settings.write_text(SETTINGS + f'[pages]\nhost = "0.0.0.0"\nport = {pages}\n[broker]\nport = {unused_port()}\n')
    assert main(["certificate", "--config", str(settings)]) == 0
    trusted = ssl.create_default_context(cafile=str(settings.parent / "data" / "certificate" / "authority.crt"))
    log = settings.parent / "serve.log"
    with log.open("w") as out:
        server = subprocess.Popen(
            [sys.executable, "-m", "api.command", "serve", "--config", str(settings)], cwd=ROOT, stderr=out, stdout=out
        )
    try:
        wait_until(lambda: _health(pages, trusted), "it answers", START_WITHIN_S)
        assert _health(pages, trusted)["state"] in ("ok", "degraded")
        children = _children(server.pid)
    finally:
        server.send_signal(signal.SIGTERM)
        assert server.wait(20) == 0
    assert not [pid for pid in children if _runs(pid)]
    assert "nobody_can_sign_in host=0.0.0.0" in log.read_text()


def test_a_stop_while_it_starts_again_is_heeded(settings: Path, free_port: int) -> None:
    """Asked for another start, and told to stop when the first server has let go of its port: it ends with 0."""
    (settings.parent / "own.toml").write_text("")
    more = f'[pages]\nport = {free_port}\nsettings = "own.toml"\n[broker]\nport = {unused_port()}\n'
    settings.write_text(SETTINGS + more)
    with (settings.parent / "serve.log").open("w") as out:
        server = subprocess.Popen(
            [sys.executable, "-m", "api.command", "serve", "--config", str(settings)], cwd=ROOT, stderr=out, stdout=out
        )
    try:
        wait_until(lambda: _ready(free_port), "it is ready", START_WITHIN_S)
        asked = httpx.post(f"http://127.0.0.1:{free_port}/api/v1/settings/start", json={}, timeout=5.0)
        assert asked.status_code == 202
        wait_until(lambda: not _ready(free_port), "the first server has ended", START_WITHIN_S)
        server.send_signal(signal.SIGTERM)
        assert server.wait(20) == 0
    finally:
        server.kill()


def test_serve_answers_under_the_filter_of_its_unit(
    settings: Path, free_port: int, need_program: Callable[[str], str]
) -> None:
    """The installed command with the system calls that its unit allows: it takes readings, answers, and ends with 0."""
    settings.write_text(SETTINGS + f"[pages]\nport = {free_port}\n[broker]\nport = {unused_port()}\n")
    with (settings.parent / "serve.log").open("w") as out:
        command = started_by(UNITS / "underturf.service", settings, need_program)
        server = subprocess.Popen(command, cwd=ROOT, stderr=out, stdout=out)
    try:
        wait_until(lambda: server.poll() is not None or _ready(free_port), "it is ready", START_WITHIN_S)
        assert server.poll() is None, (settings.parent / "serve.log").read_text()
        assert _health(free_port)["state"] in ("ok", "degraded")
    finally:
        server.send_signal(signal.SIGTERM)
        assert server.wait(20) == 0


def _health(port: int, trusted: ssl.SSLContext | None = None) -> dict[str, object]:
    scheme = "http" if trusted is None else "https"
    try:
        answer = httpx.get(f"{scheme}://127.0.0.1:{port}/healthz", timeout=5.0, verify=trusted or True)
    except httpx.HTTPError:
        return {}
    return dict(json.loads(answer.text))


def _ready(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/readyz", timeout=5.0).status_code == 200
    except httpx.HTTPError:
        return False


def _children(pid: int) -> list[int]:
    return [int(c) for task in Path(f"/proc/{pid}/task").iterdir() for c in (task / "children").read_text().split()]


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_size_says_what_a_year_and_ten_years_take(
    tmp_path: Path, make_ground: MakeGround, capsys: pytest.CaptureFixture[str]
) -> None:
    """A year is the room in use over the days from first to last reading, ten years that of every station (algebra);
    with too few days it is not told. It answers beside a running service."""
    ground = make_ground()
    config = str(tmp_path / "ground-0" / "underturf.toml")
    ground.hear(readings(24))
    assert main(["size", "--config", config]) == 0
    assert "too few to say what a year takes" in capsys.readouterr().out
    heard = readings(24 * 20)
    ground.hear(heard)
    assert main(["size", "--config", config]) == 0
    told = capsys.readouterr().out
    used, year, ten, stations = (
        float(re.search(pattern, told)[1])  # type: ignore[index]
        for pattern in (r"([\d.]+) MB used", r"station takes ([\d.]+) MB", r"take (\d+) MB", r"years of (\d+)")
    )
    times: dict[str, list[int]] = {}
    for one in heard:
        times.setdefault(one.channel.split("/")[0], []).append(one.measured_at_ms)
    days = sum(max(of) - min(of) for of in times.values()) / DAY_MS
    assert year == pytest.approx(used / days * 365.25, abs=365.25 * 0.05 / days + 0.05)
    assert ten == pytest.approx(10 * year * stations, abs=10 * stations * 0.05 + 0.5)


# --- quarantine ---------------------------------------------------------------------------------------------------


ARRIVED_MS = START_MS + 24 * 3_600_000  # after the last reading was taken


@pytest.fixture
def set_aside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, Callable[..., Line]]]:
    """A stopped server whose second batch of three met a fault of the program, mended since; how to start it again."""
    with lines(tmp_path) as make:
        line, append = make(now_ms=ARRIVED_MS), Journal.append

        def faulty(journal: Journal, batch: Batch, at_ms: int) -> object:
            if batch.first == 5:
                raise RuntimeError("a fault of ours")
            return append(journal, batch, at_ms)

        with monkeypatch.context() as patch:
            patch.setattr(Journal, "append", faulty)
            for batch in batches(record(3), 4):
                line.send_batch(batch)
            line.run_until_quiet()
        line.worker.close()
        line.stores.close()
        yield str(tmp_path / "a.toml"), make


def test_a_quarantined_batch_goes_through_again(
    set_aside: tuple[str, Callable[..., Line]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A batch whose fault has been mended is kept, leaves the quarantine, and at the next start receipts and stages are
    those of a server that never had the fault."""
    config, start = set_aside
    assert main(["quarantine", "retry", "1", "--config", config]) == 0
    assert "1: 4 readings kept" in capsys.readouterr().out
    again = start(now_ms=ARRIVED_MS)
    again.run_until_quiet()
    assert again.source.receipts() == [12]
    assert again.stores.journal.outboxes()[0].poisoned == 0 and again.stores.journal.quarantine() == []
    with lines(tmp_path / "other") as make:
        (tmp_path / "other").mkdir()
        never = make(now_ms=ARRIVED_MS)
        for batch in batches(record(3), 4):
            never.send_batch(batch)
        never.run_until_quiet()
        for told, expected in zip(stored(again), stored(never), strict=True):
            pd.testing.assert_frame_equal(told, expected)
        assert len(stored(again)[0]) == 12


def test_quarantine_lists_shows_and_drops(
    set_aside: tuple[str, Callable[..., Line]], capsys: pytest.CaptureFixture[str]
) -> None:
    """`list` and `show` answer beside a running service; `drop` and `retry` are refused there and name its process."""
    config = set_aside[0]
    with lock_folder(load(config).data.dir):
        assert main(["quarantine", "--config", config]) == 0
        assert "RuntimeError: a fault of ours" in capsys.readouterr().out
        assert main(["quarantine", "show", "1", "--config", config]) == 0
        assert '"outbox_id":' in capsys.readouterr().out
        for action in ("drop", "retry"):
            assert main(["quarantine", action, "1", "--config", config]) == 1
            assert str(os.getpid()) in capsys.readouterr().err
    assert main(["quarantine", "drop", "1", "--config", config]) == 0
    capsys.readouterr()
    assert main(["quarantine", "list", "--config", config]) == 0
    assert capsys.readouterr().out == "The quarantine is empty.\n"
    assert main(["quarantine", "show", "1", "--config", config]) == 2
    assert "ID: found 1, expected" in capsys.readouterr().err
    assert main(["quarantine", "retry", "--config", config]) == 2
    assert "the number of a message" in capsys.readouterr().err


def test_a_message_that_still_cannot_be_kept_stays(
    set_aside: tuple[str, Callable[..., Line]], capsys: pytest.CaptureFixture[str]
) -> None:
    """Noise, and a payload of which only the beginning was kept: exit 1 with the reason, and nothing is changed."""
    config = set_aside[0]
    topic = f"underturf/1/meadow/node-1/readings/{OUTBOX}/13/14"
    with open_journal(load(config)) as journal:
        for payload in (b"noise", b"[" * 70_000):
            journal.receive_poison(None, topic, payload, "before", NOW_MS)
        before = journal.quarantine(), journal.note(WORKED_KEY), journal.outboxes()
    for number, reason in ((2, "found b'noise', expected a SenML pack"), (3, "the first 65536 of 70000 bytes")):
        assert main(["quarantine", "retry", str(number), "--config", config]) == 1
        assert reason in capsys.readouterr().err
    with open_journal(load(config)) as journal:
        assert (journal.quarantine(), journal.note(WORKED_KEY), journal.outboxes()) == before


def test_the_quarantine_is_listed_in_json(make_ground: MakeGround) -> None:
    """Number, time, topic, reason, size and whether all of it is kept, the newest first."""
    ground = make_ground()
    for i, payload in enumerate((b"x", b"[" * 70_000)):
        ground.pipeline.journal.receive_poison(None, f"t{i}", payload, f"reason {i}", 1_709_251_200_000)
    answer = TestClient(create_app(ground.pipeline)).get("/api/v1/quarantine").json()
    at = "2024-03-01T00:00:00Z"
    assert answer == [
        {"id": 2, "at": at, "topic": "t1", "reason": "reason 1", "size_bytes": 70_000, "is_whole": False},
        {"id": 1, "at": at, "topic": "t0", "reason": "reason 0", "size_bytes": 1, "is_whole": True},
    ]


# --- notify-test ---------------------------------------------------------------------------------------------------


def with_addresses(settings: Path, *addresses: str, log: str = "true") -> str:
    (settings.parent / "addresses").write_text("\n".join(addresses))
    settings.write_text(f'{SETTINGS}\n[notify]\nlog = {log}\naddresses_file = "addresses"\n')
    return str(settings)


def test_notify_test_exits_well_only_when_all_went_well(
    settings: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """A line for each way; 0 when each took it, 1 when one did not, 1 when there is none."""
    assert main(["notify-test", "--config", with_addresses(settings, "# nobody yet")]) == 0
    assert capsys.readouterr().out == "log: taken\n"
    assert main(["notify-test", "--config", with_addresses(settings, f"http://127.0.0.1:{free_port}/x")]) == 1
    first, second = capsys.readouterr().out.splitlines()
    assert first == "log: taken" and "refused" in second
    assert main(["notify-test", "--config", with_addresses(settings, "# nobody", log="false")]) == 1
    assert "no way" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["notify-test", "check"])
def test_a_line_that_is_no_address_is_a_fault_of_the_settings(
    settings: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    """Exit code 2 and the line's number, without its words."""
    assert main([command, "--config", with_addresses(settings, "sesame")]) == 2
    said = capsys.readouterr().err
    assert "addresses: line 1" in said and "sesame" not in said


def test_a_reader_that_has_enough_ends_a_command_without_a_word() -> None:
    """As `underturf power ... | head -1` does: no traceback."""
    command = [str(Path(sys.executable).parent / "underturf"), "power", "--draws", "80", "--latitude", "52"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as telling:
        assert telling.stdout is not None and telling.stderr is not None
        telling.stdout.close()
        assert (telling.stderr.read(), telling.wait(60)) == (b"", 1)


def test_of_many_sites_one_that_cannot_be_used_is_told_and_leaves_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each fault on a line that names its file once: settings that are wrong, and a secret that is not text."""
    for name, text in (("good", b"postgresql://server/one"), ("spoilt", b"\xff")):
        (tmp_path / name).write_bytes(text)
    for site, dsn in (("a", "good"), ("b", "spoilt")):
        named = SETTINGS.replace('name = "meadow"', f'name = "{site}"', 1)
        (tmp_path / f"{site}.toml").write_text(named + MANY_SITES.format(dsn=dsn))
    (tmp_path / "c.toml").write_text(f"odd = 1\nstrange = 2\n{SETTINGS}")
    (tmp_path / "d.toml").write_text(SETTINGS)
    assert [one.site.name for one in sites_of(tmp_path, {})] == ["a"]
    told = capsys.readouterr().err.splitlines()
    assert [line.split(": ")[:2] for line in told] == [
        ["b.toml", "store.dsn_file"], ["c.toml", "odd"], ["c.toml", "strange"], ["d.toml", "store.kind"],
    ]  # fmt: skip
    assert str(tmp_path / "spoilt") in told[0]
