"""The photographs of the diary as files of the data folder, each named by the digest of what is in it.

An entry names its photographs in its body. A file is written whole or not at all, and is on the disk once it has its
name. A backup takes the folder along.
"""

from __future__ import annotations

import hashlib
import os
import secrets
from contextlib import suppress
from pathlib import Path

from pipeline.diary.entry import DiaryEntry
from pipeline.errors import StoreFull

PHOTO_FOLDER = "photos"
MOST_KEPT_BYTES = 2_000_000_000
PHOTO_MODE, PHOTO_FOLDER_MODE = 0o640, 0o750


def photo_file(data: Path, name: str) -> Path:
    """Return where a photograph of a name is, or would be, in a data folder."""
    return data / PHOTO_FOLDER / f"{name}.jpg"


def photos_of(data: Path, entry: DiaryEntry) -> list[str]:
    """Return the photographs of an entry that are there: a diary that was brought from elsewhere has come without."""
    named = entry.body.get("photos")
    return [one for one in named if photo_file(data, str(one)).is_file()] if isinstance(named, list | tuple) else []


def keep_file(data: Path, content: bytes) -> str:
    """Keep the content of a photograph and return its name, the same for the same content.

    Raises
    ------
    StoreFull
        When there are as many as are kept.
    OSError
        When the disk does not take it; then nothing is left of it.
    """
    name = hashlib.sha256(content).hexdigest()[:32]
    file = photo_file(data, name)
    file.parent.mkdir(mode=PHOTO_FOLDER_MODE, exist_ok=True)
    if file.exists():
        return name
    kept = sum(one.stat().st_size for one in file.parent.iterdir())
    if kept + len(content) > MOST_KEPT_BYTES:
        raise StoreFull(f"{file.parent}: found {kept / 1e9:.1f} GB of photographs, the most that are kept")
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
    return name
