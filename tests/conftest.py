"""What every test may ask for: a part that may be missing, a free port, the folder of outside data."""

import os
import shutil
import subprocess
from collections.abc import Callable, Generator, Iterator
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the service sets it: more threads only wait for each other

import pytest

from tests.influx_server import InfluxServer
from tests.ports import unused_port
from tests.postgres_server import PostgresServer, find_postgres

DATA = Path(__file__).parent / "data"
DEBIAN_PACKAGES = {
    "mosquitto_passwd": "mosquitto",
    "systemd-analyze": "systemd",
    "influxd": "influxdb",
    "promtool": "prometheus",
}  # where the name is another


@pytest.fixture(scope="session")
def data_folder() -> Path:
    """Published data and field records, each folder with its SOURCE.txt."""
    return DATA


@pytest.fixture(scope="session")
def need_program() -> Callable[[str], str]:
    """Path of a program; where it is missing the test is left out with the reason, or fails under CI."""

    def need(name: str) -> str:
        # Debian keeps mosquitto in a folder that is not on every user's PATH.
        path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
        if path is None:
            missing(f"{name} is not installed (Debian: apt-get install {DEBIAN_PACKAGES.get(name, name)})")
        assert path is not None
        return path

    return need


WORKERS_A_PROCESSOR = 2  # tests mostly wait, for a line, a broker or a browser: a third of their time was work


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Workers of `pytest -n auto`."""
    return WORKERS_A_PROCESSOR * len(os.sched_getaffinity(0))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Write what no encoding has, such as half a surrogate pair in a log, as an escape: reports travel between
    processes."""
    report = yield
    report.sections = [(name, text.encode("utf-8", "backslashreplace").decode()) for name, text in report.sections]
    return report


def missing(reason: str) -> None:
    """Leave the test out for a user, fail it under CI: there every part must be present."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"{reason}; with CI=true every part must be there")
    pytest.skip(reason)


@pytest.fixture
def free_port() -> int:
    """A TCP port on loopback that nobody listens on."""
    return unused_port()


@pytest.fixture(scope="session")
def influx_place(
    tmp_path_factory: pytest.TempPathFactory, need_program: Callable[[str], str]
) -> Iterator[dict[str, str]]:
    """Settings of `[store]` for an InfluxDB server: the one named in UNDERTURF_TEST_INFLUX, or an influxd of our own.

    The variable holds `URL BUCKET`, and `ORG TOKEN` behind for a server that asks for them.
    """
    named = os.environ.get("UNDERTURF_TEST_INFLUX")
    if named:
        yield dict(zip(("url", "bucket", "org", "token"), named.split(), strict=False))
        return
    server = InfluxServer(need_program("influxd"), tmp_path_factory.mktemp("influxd")).start()
    try:
        yield {"url": server.url, "bucket": "turf"}
    finally:
        server.kill()


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """A PostgreSQL server of our own."""
    programs = find_postgres()
    if programs is None:
        missing("postgres is not installed (Debian: apt-get install postgresql)")
    assert programs is not None
    server = PostgresServer(programs)
    try:
        yield server.start()
    finally:
        server.remove()


@pytest.fixture
def own_postgres(postgres: PostgresServer) -> Iterator[PostgresServer]:
    """A server on which no other test has a worker."""
    server = PostgresServer(postgres.programs).start()
    yield server
    server.remove()


@pytest.fixture
def broker_port(tmp_path: Path, need_program: Callable[[str], str]) -> Iterator[int]:
    """A broker that is not embedded."""
    port, conf = unused_port(), tmp_path / "broker.conf"
    conf.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    process = subprocess.Popen([need_program("mosquitto"), "-c", conf], stderr=subprocess.DEVNULL)
    yield port
    process.kill()
    process.wait()
