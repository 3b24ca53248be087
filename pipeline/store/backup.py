"""Backups of a whole site: made while it runs, proved, kept for a number of days, and brought back.

A backup is a folder. It has the database as one file, as it was at one moment; the other files of the data folder; the
settings file with the probe descriptions of the site; and a manifest with the size and the SHA-256 of every file, and
how many rows each table has. It is made under a name that ends in `.part`, synced, read back and held against its
manifest, and only then gets its name: what is named like a backup is one. Secrets are not in it. What was last made,
or kept it from being made, stands in a small file beside the database, where it is found when the database is not.
"""

from __future__ import annotations

import datetime
import errno
import fcntl
import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path, PurePosixPath

from pydantic import TypeAdapter, ValidationError

from hardware.probe import OWN_MODELS
from pipeline.errors import BackupFault, NoBackupHere, StoreFault, StoreFull, StoreTooNew
from pipeline.site.settings import SiteConfig, data_dir_of, secrets_of
from pipeline.store.database import (
    copy_database,
    faults_of,
    reading_copy,
    rows_in,
)
from pipeline.store.opening import (
    DATA_DIR_MODE,
    JOURNAL_FILE,
    LOCK_FILE,
    SET_ASIDE,
    DataInUse,
    give_to_owner,
    lock_folder,
    open_journal,
)
from pipeline.store.schema import newest_step, schema_of, version_of
from pipeline.store.series import unreadable_blocks
from pipeline.store.sql import Connection
from pipeline.texts import say, say_many
from pipeline.units import DAY_MS, utc_text

FORM = 1  # of the manifest
MANIFEST, RECORD_FILE = "manifest.json", "last_backup.json"
PART, STAGED = ".part", ".restored"
DATA, SETTINGS, MODELS = "data", "settings", "settings/probes"  # folders of a backup
SPARE_BYTES = 64 * 1024 * 1024  # left free on the disk of a backup: it may be that of the data
CHUNK_BYTES = 1024 * 1024
FAULTS_TOLD = 20

Progress = Callable[[str, int, int], None]
"""Called with what is done in words, how much of it is done, and how much there is. [bytes]"""


@dataclass(frozen=True)
class BackupFile:
    """One file of a backup: where it is in the folder, how long it is, and what SHA-256 makes of it."""

    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True)
class Backup:
    """A backup, as its manifest has it.

    Attributes
    ----------
    folder : Path
    site : str
    taken_ms : int
        The moment it shows. [ms since 1970, UTC]
    program : str
        Version of the program that made it.
    database_version : int
        The last step of the database.
    rows : mapping of str to int
        `database.rows_in` it.
    unreadable : mapping of str to str
        Blocks that did not read when it was made, each with what it held.
    settings, models : str
        Name of the settings file, and where the probe descriptions were, counted from its folder; empty for none.
    files : tuple of BackupFile
    left_out : tuple of str
        What of the site is not in it, in words.
    """

    folder: Path
    site: str
    taken_ms: int
    program: str
    database_version: int
    rows: Mapping[str, int]
    unreadable: Mapping[str, str]
    settings: str
    models: str
    files: tuple[BackupFile, ...]
    left_out: tuple[str, ...]

    @property
    def size_bytes(self) -> int:
        return sum(file.size_bytes for file in self.files)

    def text(self) -> str:
        """Return what it holds, in a line."""
        return (
            f"{self.folder}: site {self.site} as of {utc_text(self.taken_ms)}, {self.rows.get('readings', 0)} readings,"
            f" {self.rows.get('diary', 0)} diary entries, {self.size_bytes / 1e6:.1f} MB in {len(self.files)} files"
        )


_AS_BACKUP = TypeAdapter(Backup)


# --- making one ------------------------------------------------------------------------------------------------------


def take_backup(
    config: SiteConfig, settings: Path, into: Path, *, keep: int, now_ms: int, progress: Progress
) -> Backup:
    """Make a backup of a site in a folder, beside a running service too, and remove the oldest ones of the site there.

    Parameters
    ----------
    config : SiteConfig
    settings : Path
        The file it was read from.
    into : Path
        Folder of backups. It must be there: a stick that is not in its socket has none.
    keep : int
        How many backups of the site stay.
    now_ms : int
        [ms since 1970, UTC]
    progress : callable

    Raises
    ------
    BackupFault, StoreFault, DataInUse
        Then nothing is left of it, and no older one was removed. Of them `NoBackupHere` where there is nothing to take.
    """
    data = config.data.dir
    if config.store.kind == "postgresql":
        raise NoBackupHere(
            "store.kind: found 'postgresql', expected a database in a file. Of PostgreSQL take "
            f"`pg_dump --format=custom --schema={schema_of(config.site.name)}`, and copy the settings beside it."
        )
    if not (data / JOURNAL_FILE).exists():
        raise NoBackupHere(f"{data / JOURNAL_FILE}: found no such file, expected the data of a site that has run here")
    if not into.is_dir():
        raise BackupFault(f"{into}: found no such folder, expected that of the backups. Is the stick or disk there?")
    with _one_at_a_time(data), _told(into):
        for unfinished in _named_for(into, config.site.name, PART):
            shutil.rmtree(unfinished)
        sources = dict(_sources(config, settings, into))
        _need_room(into, [data / JOURNAL_FILE, *sources.values()])
        folder = _free_name(into, config.site.name, now_ms)
        part = into / f"{folder.name}{PART}"
        part.mkdir(mode=0o700)
        try:
            rows = copy_database(
                data / JOURNAL_FILE, part / JOURNAL_FILE, lambda done, whole: progress("copied", done, whole)
            )
            files = [_hashed(part, JOURNAL_FILE)]
            files += filter(None, (_copied(source, part, name) for name, source in sources.items()))
            with reading_copy(part / JOURNAL_FILE) as copy:
                number, unreadable = version_of(copy), dict(_unreadable(copy))
            made = Backup(
                part, config.site.name, now_ms, version("underturf"), number, rows, unreadable,
                settings.name, _models_place(config, settings), tuple(files), tuple(_left_out(config)),
            )  # fmt: skip
            _write_manifest(part / MANIFEST, made)
            _sync_folders(part)
            verify_backup(part, progress=progress, unfinished=True)
            part.rename(folder)
            _sync(into)
        except BaseException:
            shutil.rmtree(part, ignore_errors=True)
            raise
        _drop_oldest(into, config.site.name, keep, folder)
    return read_manifest(folder)


@contextmanager
def _one_at_a_time(data: Path) -> Iterator[None]:
    """Hold the data folder itself locked, which makes no file in it."""
    handle = os.open(data, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as err:
        os.close(handle)
        raise DataInUse(f"{data}: found another backup of it being made, expected one at a time") from err
    try:
        yield
    finally:
        os.close(handle)


@contextmanager
def _told(into: Path) -> Iterator[None]:
    """Turn what the disk of the backups says into faults of ours."""
    try:
        yield
    except OSError as err:
        where = into if err.filename is None else err.filename
        if err.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise StoreFull(f"{where}: found no room ({err.strerror}), expected free space for a backup") from err
        raise BackupFault(f"{where}: found a disk that does not take a backup ({err.strerror or err})") from err


def _sources(config: SiteConfig, settings: Path, into: Path) -> Iterator[tuple[str, Path]]:
    """Yield the files of a site beside its database: where each goes in a backup, and where it is."""
    data = config.data.dir.resolve()
    own = {LOCK_FILE, RECORD_FILE, *(f"{JOURNAL_FILE}{end}" for end in ("", "-wal", "-shm", "-journal"))}
    for file in sorted(data.rglob("*")):
        inside = file.relative_to(data)
        is_ours = inside.as_posix() in own or any(part.startswith(".") for part in inside.parts)
        if file.is_file() and not file.is_symlink() and not is_ours and into.resolve() not in file.parents:
            yield f"{DATA}/{inside.as_posix()}", file
    yield f"{SETTINGS}/{settings.name}", settings
    agent = settings.with_name("agent.toml")
    if agent.is_file() and agent.name != settings.name:
        yield f"{SETTINGS}/{agent.name}", agent
    models = _models(config)
    for file in sorted(models.glob("*.toml")) if models is not None else ():
        yield f"{MODELS}/{file.name}", file


def _models(config: SiteConfig) -> Path | None:
    """Return the folder of the site's own probe descriptions."""
    usual = OWN_MODELS if OWN_MODELS.is_dir() else None
    return usual if config.data.model_dir is None else config.data.model_dir


def _models_place(config: SiteConfig, settings: Path) -> str:
    """Return where that folder is, counted from the settings file where it lies beside or below it."""
    models, folder = _models(config), settings.absolute().parent
    if models is None:
        return ""
    return str(models.relative_to(folder) if models.is_relative_to(folder) else models)


def _left_out(config: SiteConfig) -> Iterator[str]:
    for key, file in secrets_of(config):
        yield f"{key}: {file} (a secret)"
    if config.data.certificate_dir.is_dir():
        yield f"certificate of the pages: {config.data.certificate_dir} (keys; `underturf certificate` makes others)"
    if config.store.kind == "influx":
        yield f"series on the server {config.store.url}: they have a backup of their own, made by the server's means"


def _need_room(into: Path, files: Sequence[Path]) -> None:
    need = sum(file.stat().st_size for file in files if file.exists()) + SPARE_BYTES
    free = shutil.disk_usage(into).free
    if free < need:
        raise StoreFull(f"{into}: found {free / 1e6:.0f} MB free, expected at least {need / 1e6:.0f} MB for a backup")


def _free_name(into: Path, site: str, now_ms: int) -> Path:
    at = datetime.datetime.fromtimestamp(now_ms / 1000, datetime.UTC)
    wanted = f"{site}-{at:%Y%m%dT%H%M%SZ}"
    names = [wanted, *(f"{wanted}-{number}" for number in range(2, 100))]
    return next(into / name for name in names if not (into / name).exists())


def _copied(source: Path, folder: Path, name: str) -> BackupFile | None:
    """Copy a file into a backup; None where the service has taken it away since it was listed."""
    target = folder / name
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    try:
        shutil.copyfile(source, target)
    except FileNotFoundError:
        return None
    return _hashed(folder, name)


def _hashed(folder: Path, name: str) -> BackupFile:
    """Sync a file and return what is to be found of it."""
    _sync(folder / name)
    return BackupFile(name, *_digest(folder / name))


def _digest(file: Path, progress: Callable[[int], None] = lambda done: None) -> tuple[int, str]:
    digest, size = hashlib.sha256(), 0
    with file.open("rb") as opened:
        while chunk := opened.read(CHUNK_BYTES):
            digest.update(chunk)
            size += len(chunk)
            progress(size)
    return size, digest.hexdigest()


def _sync(path: Path) -> None:
    """Have a file or folder on its disk, and the system forget it: what is read next is read from the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(handle)


def _sync_folders(folder: Path) -> None:
    for inside in (*(one for one in folder.rglob("*") if one.is_dir()), folder):
        _sync(inside)


def _drop_oldest(into: Path, site: str, keep: int, newest: Path) -> None:
    """Remove all but the last backups of a site, and never the newest, whatever the clock has said."""
    found = [one for one in _named_for(into, site) if is_backup(one) and one != newest]
    for old in found[: max(0, len(found) + 1 - keep)]:
        shutil.rmtree(old)


def _named_for(into: Path, site: str, end: str = "") -> list[Path]:
    """Return the folders named like backups of a site, in order of time; not those of a site whose name begins so."""
    ours = re.compile(rf"{re.escape(site)}-\d{{8}}T\d{{6}}Z(-\d+)?{re.escape(end)}")
    return [one for one in sorted(into.iterdir()) if ours.fullmatch(one.name)]


# --- what is in one --------------------------------------------------------------------------------------------------


def is_backup(folder: Path) -> bool:
    """Return whether a folder is named and filled like a backup; `verify_backup` proves that it is one."""
    return not folder.name.endswith(PART) and (folder / MANIFEST).is_file()


def _write_manifest(file: Path, backup: Backup) -> None:
    table = {"underturf_backup": FORM, **asdict(backup), "taken": utc_text(backup.taken_ms)}
    del table["folder"]
    file.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")
    _sync(file)


def read_manifest(folder: Path, *, unfinished: bool = False) -> Backup:
    """Return a backup by its manifest alone; `unfinished` while it is being made.

    Raises
    ------
    BackupFault
        When there is none, it is not finished, it does not read, or a later version made it.
    """
    if folder.name.endswith(PART) and not unfinished:
        raise BackupFault(f"{folder}: found a backup that was not finished, expected a whole one. Take another")
    file = folder / MANIFEST
    try:
        table = json.loads(file.read_bytes())
        form = table.pop("underturf_backup")
        table.pop("taken")
        made = _AS_BACKUP.validate_python({**table, "folder": folder})
        names = [one.name for one in made.files]
        named = all(PurePosixPath(name).parts and ".." not in name and name[0] != "/" for name in names)
    except FileNotFoundError as err:
        near = [one.name for one in sorted(folder.iterdir()) if is_backup(one)] if folder.is_dir() else []
        hint = f", as {near[-1]}, the last of {len(near)} in it" if near else ""
        raise BackupFault(f"{folder}: found no {MANIFEST} in it, expected the folder of a backup{hint}") from err
    except ValidationError as err:
        first = err.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BackupFault(f"{file}: {where}: found {first['input']!r:.60}, expected that of a manifest") from err
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as err:
        raise BackupFault(f"{file}: found a manifest that does not read ({err}), expected that of a backup") from err
    if form != FORM or not named:
        found = f"form {form}" if form != FORM else "a file outside of its folder"
        raise BackupFault(f"{file}: found {found}, expected form {FORM}. Use the version that made it, or a later one")
    return made


def verify_backup(folder: Path, *, progress: Progress, unfinished: bool = False) -> Backup:
    """Prove that a backup is whole: every file as it was written, the database without a fault, every row in it.

    Raises
    ------
    BackupFault
        With all that is wrong.
    """
    made = read_manifest(folder, unfinished=unfinished)
    faults, before, whole = [], 0, made.size_bytes
    for file in made.files:
        where = folder / file.name
        start = before
        try:
            size, digest = _digest(where, lambda done, start=start: progress("read back", start + done, whole))  # type: ignore[misc]
        except OSError as err:
            faults.append(f"{where}: found it not to be read ({err.strerror}), expected {file.size_bytes} bytes")
            continue
        before += file.size_bytes
        if size != file.size_bytes:
            faults.append(f"{where}: found {size} bytes, expected {file.size_bytes}")
        elif digest != file.sha256:
            faults.append(f"{where}: found other bytes than were written, expected SHA-256 {file.sha256[:12]}...")
    faults += [] if faults else _database_faults(folder / JOURNAL_FILE, made)
    if faults:
        raise BackupFault("\n".join(["this backup is damaged and not to be used:", *faults[:FAULTS_TOLD]]))
    return made


def _database_faults(file: Path, made: Backup) -> list[str]:
    """Return what is wrong with the database of a backup, or with one brought back from it."""
    try:
        with reading_copy(file) as copy:
            faults = [f"{file}: {fault}" for fault in faults_of(copy, whole=True)]
            if faults:
                return faults
            if (rows := rows_in(copy)) != made.rows:
                return [f"{file}: found {rows} rows, expected {dict(made.rows)}"]
            new = _unreadable(copy).keys() - made.unreadable.keys()
            return [f"{file}: {copy.unreadable[name]}" for name in sorted(new)]
    except StoreFault as fault:
        return [str(fault)]


def _unreadable(copy: Connection) -> Mapping[str, str]:
    """Return blocks that do not read. Those of an older database lie otherwise, and are read when it is opened."""
    return unreadable_blocks(copy) if version_of(copy) == newest_step() else {}


def check_data(config: SiteConfig) -> str:
    """Read all of a site's database, beside a running service too; return where it is.

    Raises
    ------
    StoreDamaged
        With what is wrong with the file.
    StoreAway
        When there is none.
    BackupFault
        With the blocks that do not read, where the file itself is whole.
    """
    with open_journal(config) as journal:
        database = journal.database
        database.check(whole=True, go_on=lambda: True)
        with database.snapshot() as connection:
            found = [f"{name}: {held}" for name, held in unreadable_blocks(connection).items()]
    if found:
        raise BackupFault("\n".join([f"{database.place}: found blocks that do not read:", *found]))
    return database.place


# --- bringing one back -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Restored:
    """What was brought back: the backup, where to, what was there before, and what is still to be done, in words."""

    backup: Backup
    data: Path
    set_aside: Path | None
    to_do: tuple[str, ...]


def restore_backup(
    folder: Path, settings: Path, environment: Mapping[str, str], *, replace: bool, now_ms: int, progress: Progress
) -> Restored:
    """Bring a whole site back, and prove it by opening it, before anything that is there is touched.

    The database is not brought to this program's version: the service does that at its start, an older one too.

    Parameters
    ----------
    folder : Path
        The backup.
    settings : Path
        The settings file; it is brought back with the probe descriptions where there is none, else left as it is.
    environment : mapping of str to str
        Of the process, which stands over the settings.
    replace : bool
        Whether data that is there is set aside. Without it the data folder must hold none.
    now_ms : int
        Names what is set aside. [ms since 1970, UTC]
    progress : callable

    Raises
    ------
    BackupFault, StoreFault
        When the backup is damaged, there are data already, or what was brought back does not open as it was.
    DataInUse
        When the service runs.
    ConfigFault
        When the settings file does not read.
    """
    made = verify_backup(folder, progress=progress)
    if made.database_version > newest_step():
        raise StoreTooNew(
            f"{folder}: found a database of version {made.database_version}, expected at most {newest_step()}. "
            f"Install version {made.program} of the program, which made it, or a later one."
        )
    with _told(settings.parent):
        to_do = _restore_settings(made, settings)
        data = data_dir_of(settings, environment)
        data.mkdir(mode=DATA_DIR_MODE, parents=True, exist_ok=True)
        with lock_folder(data):
            there = [one for one in data.iterdir() if _is_replaced(one) and one not in made.folder.parents]
            if there and not replace:
                names = ", ".join(sorted(one.name for one in there)[:3])
                raise BackupFault(
                    f"{data}: found data in it ({names}), expected an empty folder. --replace sets aside what is there"
                )
            aside = data / f"{SET_ASIDE}{now_ms}" if there else None
            staged = data / STAGED
            shutil.rmtree(staged, ignore_errors=True)
            try:
                for file in made.files:
                    if not file.name.startswith(f"{SETTINGS}/"):
                        _bring(made.folder / file.name, staged / file.name.removeprefix(f"{DATA}/"), like=data)
                if faults := _database_faults(staged / JOURNAL_FILE, made):
                    raise BackupFault(
                        "\n".join(["what was brought back is not what was saved:", *faults[:FAULTS_TOLD]])
                    )
                _exchange(data, there, aside, staged)
            finally:
                shutil.rmtree(staged, ignore_errors=True)
            write_record(data, BackupRecord(made.taken_ms, str(folder), made.size_bytes))
    return Restored(made, data, aside, to_do)


def _is_replaced(file: Path) -> bool:
    return file.name not in (LOCK_FILE, RECORD_FILE) and not file.name.startswith(".")


def _restore_settings(made: Backup, settings: Path) -> tuple[str, ...]:
    """Put the settings where there are none; return what is to be done about the others, and about secrets."""
    to_do = [f"{one}: not in the backup, put it back yourself" for one in made.left_out]
    for file in made.files:
        if not file.name.startswith(f"{SETTINGS}/"):
            continue
        place = settings if file.name == f"{SETTINGS}/{made.settings}" else settings.parent / Path(file.name).name
        if file.name.startswith(f"{MODELS}/"):
            place = settings.parent / made.models / Path(file.name).name
        beside = place.resolve().is_relative_to(settings.parent.resolve()) or place.parent == OWN_MODELS
        if not beside:  # whoever hands us a backup does not choose where in this machine files are put
            to_do.append(f"{place}: not put there, outside of {settings.parent}: it is {made.folder / file.name}")
        elif not place.exists():
            _bring(made.folder / file.name, place, like=settings.parent)
        elif _digest(place)[1] != file.sha256:
            to_do.append(f"{place}: another than that of the backup, left as it is: compare it with {file.name}")
    return tuple(to_do)


def _exchange(data: Path, there: list[Path], aside: Path | None, staged: Path) -> None:
    """Move what is there aside, and what was brought into its place: names only.

    The database goes first and comes last, so that a kill in between leaves none: `open_stores` makes no new one then.
    """
    if aside is not None:
        aside.mkdir(mode=0o700)
        give_to_owner(aside, data)
        for one in sorted(there, key=lambda one: not one.name.startswith(JOURNAL_FILE)):
            one.rename(aside / one.name)
    for one in sorted(staged.iterdir(), key=lambda one: one.name == JOURNAL_FILE):
        one.rename(data / one.name)
    _sync(data)


def _bring(source: Path, target: Path, *, like: Path) -> None:
    """Copy one file, synced, for the owner of a folder."""
    for folder in reversed([one for one in target.parents if not one.exists()]):
        folder.mkdir(mode=DATA_DIR_MODE)
        give_to_owner(folder, folder.parent)
    shutil.copyfile(source, target)
    give_to_owner(target, like)
    _sync(target)


# --- what was last made ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BackupRecord:
    """The last good backup, and why none was made since.

    Attributes
    ----------
    good_ms : int or None
        The moment it shows, None where there never was one. [ms since 1970, UTC]
    folder : str
    size_bytes : int
    fault : str
        Why the last try failed; empty where it did not.
    asked_ms : int or None
        When a service first found that backups are asked for. [ms since 1970, UTC]
    """

    good_ms: int | None = None
    folder: str = ""
    size_bytes: int = 0
    fault: str = ""
    asked_ms: int | None = None

    @property
    def since_ms(self) -> int | None:
        """Return from when the age of the backups counts; None where none are asked for. [ms since 1970, UTC]"""
        return self.asked_ms if self.good_ms is None else self.good_ms

    def lines(self, now_ms: int, after_days: float) -> list[str]:
        """Return in words that the last good backup is older than a number of days; none where it is not."""
        if self.since_ms is None or now_ms - self.since_ms <= after_days * DAY_MS:
            return []
        days = round((now_ms - self.since_ms) / DAY_MS)
        if self.good_ms is None:
            told = say_many(
                "No backup has been made in the {n} day since they were set up.",
                "No backup has been made in the {n} days since they were set up.", days,
            )  # fmt: skip
        else:
            told = say_many(
                "The last good backup is {n} day old.", "The last good backup is {n} days old.", days
            )  # fmt: skip
        return [" ".join([told, say("The last try: {fault}", fault=self.fault)]) if self.fault else told]


def write_record(data: Path, record: BackupRecord) -> None:
    """Keep the record beside the database, in one move."""
    fresh = data / f".{RECORD_FILE}"
    fresh.write_text(json.dumps(asdict(record)) + "\n", encoding="utf-8")
    fresh.chmod(0o640)
    give_to_owner(fresh, data)
    _sync(fresh)
    fresh.replace(data / RECORD_FILE)


def ask_for_backups(data: Path, now_ms: int) -> None:
    """Note that backups are asked for, where that is not known yet: their age counts from then. [ms since 1970, UTC]"""
    record = read_record(data)
    if record.since_ms is None:
        write_record(data, replace(record, asked_ms=now_ms))


_AS_RECORD = TypeAdapter(BackupRecord)


def read_record(data: Path) -> BackupRecord:
    """Return the record; an empty one where no backup was made yet, or it does not read."""
    try:
        return _AS_RECORD.validate_json((data / RECORD_FILE).read_bytes())
    except (OSError, ValueError):
        return BackupRecord()
