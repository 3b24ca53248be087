"""Where photographs are kept: the same promises of a folder beside a file and of rows in PostgreSQL.

Expected values: what was given in, and its SHA-256 by the standard library.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from pipeline.errors import StoreFault, StoreFull
from pipeline.service import load_settings
from pipeline.store import photos
from pipeline.store.opening import open_stores
from pipeline.store.photos import DatabasePhotographs, FolderPhotographs, Photographs
from pipeline.store.postgres import PostgresDatabase
from tests.pipeline.test_many_sites import write_sites
from tests.postgres_server import PostgresServer

Opens = Callable[[], Photographs]


@pytest.fixture(params=["folder", "postgresql"])
def opens(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Opens]:
    """Opens the photographs of one site, each time as another process would."""
    site = f"t{os.urandom(6).hex()}"
    with ExitStack() as opened:

        def new() -> Photographs:
            if request.param == "folder":
                return FolderPhotographs(tmp_path)
            database = PostgresDatabase(request.getfixturevalue("postgres").dsn, site)
            opened.callback(database.close)
            return DatabasePhotographs(database)

        yield new


def test_what_one_process_keeps_another_has(opens: Opens) -> None:
    """Under the name of its content, once however often it is sent, also by two at a time; nothing else is there."""
    here, there, content = opens(), opens(), os.urandom(300_000)
    with ThreadPoolExecutor() as pool:
        names = set(pool.map(lambda one: one.keep(content), [here, there] * 4))
    (name,) = names
    assert name == hashlib.sha256(content).hexdigest()[:32]
    assert opens().content(name) == content and there.kept([name, "0" * 32]) == {name}
    assert there.content("0" * 32) is None and there.kept([]) == set()


def test_more_than_the_bound_is_refused_and_what_is_kept_stays(opens: Opens, monkeypatch: pytest.MonkeyPatch) -> None:
    """The third does not fit; the first, sent again, is there already."""
    monkeypatch.setattr(photos, "MOST_KEPT_BYTES", 2500)
    kept, many = opens(), [os.urandom(1000) for _ in range(3)]
    names = [kept.keep(one) for one in many[:2]]
    with pytest.raises(StoreFull, match="the most that are kept"):
        opens().keep(many[2])
    assert kept.keep(many[0]) == names[0]
    assert kept.kept([*names, hashlib.sha256(many[2]).hexdigest()[:32]]) == set(names)


def test_what_cannot_be_kept_is_a_fault_of_the_store(opens: Opens, tmp_path: Path) -> None:
    """A file where the folder would be; a database that is closed."""
    kept = opens()
    if isinstance(kept, DatabasePhotographs):
        kept._database.close()
    else:
        (tmp_path / "photos").write_text("in the way")
    with pytest.raises(StoreFault):
        kept.keep(b"x")


def test_those_that_a_folder_has_from_before_are_in_the_database_once_the_site_is_opened(
    postgres: PostgresServer, free_port: int, tmp_path: Path
) -> None:
    """All but one that is damaged; opened again nothing changes, and the files stay."""
    write_sites(tmp_path / "sites", postgres, free_port, 1)
    config = load_settings(tmp_path / "sites" / "0.toml")
    folder, contents = FolderPhotographs(config.data.dir), [os.urandom(1000) for _ in range(3)]
    config.data.dir.mkdir(parents=True)
    names = [folder.keep(one) for one in contents]
    (config.data.dir / "photos" / f"{names[2]}.jpg").write_bytes(b"damaged")
    for _ in range(2):
        with closing(open_stores(config)) as stores:
            assert stores.photographs.kept(names) == set(names[:2])
            assert stores.photographs.content(names[0]) == contents[0]
    assert folder.kept(names) == set(names)
