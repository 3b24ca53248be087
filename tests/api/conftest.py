"""A filled ground for those who only look, and grounds of their own for those who change something."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from api.app import create_app
from tests.api.advice_by_hand import advice
from tests.api.served import TestClient, serving
from tests.api.site import Ground, MakeGround, ground_at, readings


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Twenty days of three stations, and advice made by hand. Only for looking at: nothing may be changed in it."""
    ground = ground_at(tmp_path_factory.mktemp("filled"))
    ground.hear(readings())
    ground.advise(advice())
    yield ground
    ground.pipeline.stop()


@pytest.fixture(scope="session")
def client(filled: Ground) -> TestClient:
    """The application over the filled ground."""
    return TestClient(create_app(filled.pipeline), raise_server_exceptions=False)


@pytest.fixture
def make_ground(tmp_path: Path) -> Iterator[MakeGround]:
    """Makes grounds of one's own; all are stopped at the end."""
    made: list[Ground] = []

    def make(**keywords: object) -> Ground:
        folder = tmp_path / f"ground-{len(made)}"
        folder.mkdir()
        made.append(ground_at(folder, **keywords))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for ground in made:
        ground.pipeline.stop()


@pytest.fixture
def empty_client(make_ground: MakeGround) -> TestClient:
    """The application over a site that names no station."""
    return TestClient(create_app(make_ground(bare=True).pipeline), raise_server_exceptions=False)


@pytest.fixture(scope="session")
def served(filled: Ground) -> Iterator[str]:
    """The address of a real server over the filled ground."""
    with serving(filled.pipeline) as address:
        yield address


@pytest.fixture
def serve_ground() -> Callable[..., contextmanager]:  # type: ignore[type-arg]
    """`with serve_ground(pipeline) as address:` a real server over it."""
    return serving
