"""The photographs of the diary, each named by the digest of what is in it: files of a folder, or rows in PostgreSQL.

An entry names its photographs in its body. One is kept whole or not at all, and for good once it has its name. A backup
takes the folder along; a dump of the database has the rows.
"""

from __future__ import annotations

import hashlib
import logging
import os
import secrets
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from pipeline.diary.entry import DiaryEntry
from pipeline.errors import StoreAway, StoreFull
from pipeline.store.sql import SqlDatabase

PHOTO_FOLDER = "photos"
MOST_KEPT_BYTES = 2_000_000_000
PHOTO_MODE, PHOTO_FOLDER_MODE = 0o640, 0o750
NAMES_ASKED = 500  # at once
log = logging.getLogger(__name__)


class Photographs(Protocol):
    """Where the photographs of a site are kept; safe to use from several threads, and from several processes."""

    def keep(self, content: bytes) -> str:
        """Keep the content of a photograph and return its name, the same for the same content.

        Raises
        ------
        StoreFull
            When there are as many as are kept.
        StoreAway
            When they are not taken; then nothing is left of it.
        """

    def content(self, name: str) -> bytes | None:
        """Return a photograph by its name; None where there is none."""

    def kept(self, names: Collection[str]) -> set[str]:
        """Return those of some names that are kept."""


def photo_name(content: bytes) -> str:
    """Return the name of a photograph."""
    return hashlib.sha256(content).hexdigest()[:32]


def photos_named(entry: DiaryEntry) -> list[str]:
    """Return the photographs that an entry names, kept here or not: a diary from elsewhere has come without."""
    named = entry.body.get("photos")
    return [str(one) for one in named] if isinstance(named, list | tuple) else []


class FolderPhotographs:
    """Photographs as files of a data folder; see `Photographs`."""

    def __init__(self, data: Path) -> None:
        self._folder = data / PHOTO_FOLDER

    def keep(self, content: bytes) -> str:
        name = photo_name(content)
        file = self._folder / f"{name}.jpg"
        try:
            self._folder.mkdir(mode=PHOTO_FOLDER_MODE, exist_ok=True)
            if not file.exists():
                _refuse_more(str(self._folder), sum(one.stat().st_size for one in self._folder.iterdir()), content)
                _write(file, content)
        except OSError as err:
            raise StoreAway(str(err)) from err
        return name

    def content(self, name: str) -> bytes | None:
        with suppress(FileNotFoundError):
            return (self._folder / f"{name}.jpg").read_bytes()
        return None

    def kept(self, names: Collection[str]) -> set[str]:
        return {name for name in names if (self._folder / f"{name}.jpg").is_file()}


class DatabasePhotographs:
    """Photographs in the database of a site, which other machines reach too; see `Photographs`."""

    def __init__(self, database: SqlDatabase) -> None:
        self._database = database

    def keep(self, content: bytes) -> str:
        name = photo_name(content)
        if not self.kept([name]):
            with self._database.transaction() as tx:  # one after the other, so that the bound holds
                (size,) = tx.execute("SELECT CAST(coalesce(sum(size), 0) AS BIGINT) FROM photo").fetchone()
                _refuse_more(self._database.place, size, content)
                row = name, len(content), content
                tx.execute("INSERT INTO photo (name, size, content) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", row)
        return name

    def content(self, name: str) -> bytes | None:
        with self._database.reading() as connection:
            row = connection.execute("SELECT content FROM photo WHERE name = ?", (name,)).fetchone()
        return None if row is None else bytes(row[0])

    def kept(self, names: Collection[str]) -> set[str]:
        if not names:
            return set()
        places = ", ".join("?" * len(names))
        with self._database.reading() as connection:
            rows = connection.execute(f"SELECT name FROM photo WHERE name IN ({places})", tuple(names)).fetchall()
        return {str(name) for (name,) in rows}


def take_in_folder(data: Path, kept: DatabasePhotographs) -> None:
    """Keep the photographs that a data folder has from before in the database too, one after the other.

    The files stay. One that does not read as its name says is left out, and so are those beyond the bound; the log
    names them.

    Raises
    ------
    StoreAway
        Those taken in by then are kept.
    """
    files = {file.stem: file for file in sorted((data / PHOTO_FOLDER).glob("*.jpg")) if not file.name.startswith(".")}
    names = list(files)
    for first in range(0, len(names), NAMES_ASKED):
        asked = names[first : first + NAMES_ASKED]
        for name in sorted(set(asked) - kept.kept(asked)):
            try:
                content = files[name].read_bytes()
                if photo_name(content) != name:
                    raise OSError("it does not read as it was written")
                kept.keep(content)
            except (OSError, StoreFull) as fault:
                log.warning("photograph_left_out file=%s reason=%s", files[name], fault)


def _refuse_more(place: str, kept: int, content: bytes) -> None:
    if kept + len(content) > MOST_KEPT_BYTES:
        raise StoreFull(f"{place}: found {kept / 1e9:.1f} GB of photographs, the most that are kept")


def _write(file: Path, content: bytes) -> None:
    """Write a file whole, on the disk with its name before this returns. Raises OSError, and leaves nothing then."""
    part = file.with_name(f".{secrets.token_hex(8)}")  # a backup leaves it out
    try:
        with part.open("xb") as opened:
            os.fchmod(opened.fileno(), PHOTO_MODE)
            opened.write(content)
            opened.flush()
            os.fsync(opened.fileno())
        part.rename(file)
        folder = os.open(file.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise
