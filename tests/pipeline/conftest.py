"""Real brokers and patient waiting for the tests of the pipeline's edges."""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from pipeline.mqtt.broker import EmbeddedBroker
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import Metrics
from pipeline.site.server import BrokerConfig
from pipeline.store.database import Database
from pipeline.store.postgres import PostgresDatabase
from pipeline.store.sql import SqlDatabase
from tests.pipeline.hand import Line, lines

DEADLINE_S = 20.0


def wait_until(condition: Callable[[], object], what: str, deadline_s: float = DEADLINE_S) -> None:
    """Wait for a condition, with a deadline and a word for what was waited for."""
    clock, pause = SystemClock(), threading.Event()
    end = clock.monotonic() + deadline_s
    while not condition():
        assert clock.monotonic() < end, f"waited {deadline_s} s in vain until {what}"
        pause.wait(0.01)


@pytest.fixture(params=["sqlite", "postgresql"])
def new_database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[..., SqlDatabase]]:
    """Opens an empty database of each kind, or with a name the one that was opened by it before; closes all."""
    opened: list[SqlDatabase] = []
    run = os.urandom(4).hex()

    def new(name: str = "") -> SqlDatabase:
        name = name or f"{len(opened)}"
        if request.param == "sqlite":
            opened.append(Database(tmp_path / f"{name}.db"))
        else:
            opened.append(PostgresDatabase(request.getfixturevalue("postgres").dsn, f"t{run}-{name}"))
        return opened[-1]

    yield new
    for database in opened:
        database.close()


@pytest.fixture
def database(new_database: Callable[..., SqlDatabase]) -> SqlDatabase:
    """An empty database of each kind."""
    return new_database("journal")


@contextmanager
def run_steps(thing: Any) -> Iterator[Any]:
    """Call `step(stop)` in a thread until the block ends, then `close()` from the same thread, as the service does."""
    stop = threading.Event()

    def run() -> None:
        while not stop.is_set():
            thing.step(stop)
        thing.close()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield thing
    finally:
        stop.set()
        if hasattr(thing, "wake"):
            thing.wake()
        thread.join(DEADLINE_S)
        assert not thread.is_alive()


@pytest.fixture(name="until")
def _until() -> Callable[..., None]:
    return wait_until


@pytest.fixture
def stepping() -> Callable[[Any], Any]:
    """`with stepping(thing):` steps it in a thread of its own."""
    return run_steps


@pytest.fixture
def mosquitto(need_program: Callable[[str], str]) -> Path:
    """The machine's mosquitto; CI must have one."""
    return Path(need_program("mosquitto"))


@pytest.fixture
def embedded(free_port: int) -> Callable[..., EmbeddedBroker]:
    """Makes an embedded broker on the free port; it is not started."""

    def make(program: Path | None, metrics: Metrics | None = None, port: int = free_port) -> EmbeddedBroker:
        config = BrokerConfig(port=port)
        return EmbeddedBroker(config, metrics or Metrics(), SystemClock(), mosquitto=program, rng=random.Random(1))

    return make


@pytest.fixture(params=["mosquitto", "amqtt"])
def any_broker(request: pytest.FixtureRequest, embedded: Callable[..., EmbeddedBroker]) -> Iterator[EmbeddedBroker]:
    """Each kind of embedded broker in turn, running on the free port."""
    with ExitStack() as stack:
        program = request.getfixturevalue("mosquitto") if request.param == "mosquitto" else None
        broker = stack.enter_context(run_steps(embedded(program)))
        wait_until(lambda: broker.up, "the broker is up")
        yield broker


@pytest.fixture
def real_broker(mosquitto: Path, embedded: Callable[..., EmbeddedBroker]) -> Iterator[EmbeddedBroker]:
    """A real mosquitto on the free port."""
    with run_steps(embedded(mosquitto)) as broker:
        wait_until(lambda: broker.up, "the broker is up")
        yield broker


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Line]]:
    """Makes workers with everything about them in the hand, see `hand.lines`."""
    with lines(tmp_path) as build:
        yield build
