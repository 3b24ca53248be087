"""The commands of `underturf` about what is kept: size, records in and out, backups, and what was set aside unread.

Each takes the parsed arguments and returns the exit code of the command.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from api.command_arguments import site_config, unfit

if TYPE_CHECKING:
    from pipeline.site.settings import SiteConfig
    from pipeline.store.journal import Journal, Quarantined

MAX_LISTED = 1000
LEAST_SIZED_D = 7.0  # days of readings from which a year is reckoned; younger ones are not merged yet


def import_file(parsed: argparse.Namespace) -> int:
    from api.records import ImportAsked, describe_channels, import_record
    from pipeline.records.record_draft import draft_map
    from pipeline.records.record_file import ImportFault
    from pipeline.records.record_map import read_map
    from pipeline.run.clock import SystemClock

    config = site_config(parsed)
    if parsed.describe and parsed.map is None:
        print("--map: found none, expected the map whose channels are to be described", file=sys.stderr)
        return 2
    try:
        if parsed.draft:
            print(draft_map(parsed.file, next(iter(config.stations()), "station")), end="")
            return 0
        if parsed.describe:
            return _describe(config, describe_channels(config, read_map(parsed.map)))
        asked = ImportAsked(parsed.file, parsed.map, parsed.preview)
        import_record(config, asked, SystemClock().now_ms(), print, _progress())
    except ImportFault as fault:
        for line in fault.faults:
            print(
                line if line.startswith(f"{parsed.map and parsed.map.name}:") else f"{parsed.file.name}: {line}",
                file=sys.stderr,
            )
        print("nothing was kept", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("stopped. What was kept stays kept: the same command again goes on from there.", file=sys.stderr)
        return 1
    return 0


def export(parsed: argparse.Namespace) -> int:
    """It only reads, beside a running service too."""
    from api.records import ExportAsked, exported_text, write_export
    from pipeline.store.opening import open_for_reading

    config = site_config(parsed)
    asked = ExportAsked(parsed.what, parsed.station, parsed.channel or (), parsed.first, parsed.last)
    if wrong := asked.fault(config):
        print(wrong, file=sys.stderr)
        return 2
    with open_for_reading(config) as stores:
        file, rows = write_export(exported_text(config, stores, asked), parsed.out, f"{config.site.name}-{asked.what}")
    print(f"{file}: {rows} lines")
    return 0


def _describe(config: SiteConfig, models: Mapping[str, tuple[str, str]]) -> int:
    from hardware.probe import OWN_MODELS

    folder = OWN_MODELS if config.data.model_dir is None else config.data.model_dir
    for model, (text, settings) in models.items():
        file = folder / f"{model}.toml"
        if file.exists():
            print(f"{file}: found one there, and left it as it is")
        else:
            folder.mkdir(parents=True, exist_ok=True)
            file.write_text(text, encoding="utf-8")
            print(f"{file}: written")
        print("to be added to the settings:", settings, sep="\n")
    return 0


def size(parsed: argparse.Namespace) -> int:
    """It only reads, beside a running service too."""
    from pipeline.store.opening import open_journal
    from pipeline.store.series import SqlStore
    from pipeline.units import DAY_MS

    config = site_config(parsed)
    with open_journal(config, writing=False) as journal:
        used, whole = journal.database.used_bytes()
        store, channels = SqlStore(journal.database), config.channels()
        spans = [store.span([c for c in channels if c.split("/")[0] == station]) for station in config.stations()]
    print(f"{journal.database.place}: {used / 1e6:.1f} MB used of {whole / 1e6:.1f} MB")
    days = sum(last_ms - first_ms for first_ms, last_ms in filter(None, spans)) / DAY_MS
    if config.store.kind == "influx":
        print("readings and findings are on the server store; here they stay until it has given them back")
    elif days < LEAST_SIZED_D:
        print(f"{days:.1f} days of readings, too few to say what a year takes")
    else:
        year = used / days * 365.25
        ten = 10 * year * len(spans)
        print(f"a year of a station takes {year / 1e6:.1f} MB, ten years of {len(spans)} take {ten / 1e6:.0f} MB")
    return 0


def backup(parsed: argparse.Namespace) -> int:
    """It only reads the data, beside a running service too. Good or bad, what came of it is noted for the pages."""
    from pipeline.errors import NoBackupHere, PipelineFault
    from pipeline.run.clock import SystemClock
    from pipeline.store.backup import BackupRecord, read_record, take_backup, write_record

    config = site_config(parsed)
    into = config.backup.dir if parsed.to is None else parsed.to.absolute()
    if into is None:
        print("--to: found none, expected the folder of the backups, here or as `dir` of [backup]", file=sys.stderr)
        return 2
    data, keep = config.data.dir, config.backup.keep if parsed.keep is None else parsed.keep
    try:
        made = take_backup(config, parsed.config, into, keep=keep, now_ms=SystemClock().now_ms(), progress=_progress())
    except PipelineFault as fault:
        with suppress(OSError):  # what is wrong with the data's own disk is not why there is no backup
            write_record(data, replace(read_record(data), fault=str(fault)))
        if not isinstance(fault, NoBackupHere):
            raise
        print(f"underturf: {fault}", file=sys.stderr)
        return 3
    write_record(
        data, BackupRecord(made.taken_ms, str(made.folder), made.size_bytes, asked_ms=read_record(data).asked_ms)
    )
    print(made.text())
    print(*(f"not in it: {one}" for one in made.left_out), sep="\n", end="\n" if made.left_out else "")
    for name, held in made.unreadable.items():
        print(f"warning: {name} does not read, in the data as in the backup: {held}", file=sys.stderr)
    if into.stat().st_dev == data.stat().st_dev:
        print("warning: it is on the same disk as the data: keep one on another as well", file=sys.stderr)
    return 0


def verify(parsed: argparse.Namespace) -> int:
    from pipeline.store.backup import check_data, verify_backup

    if parsed.backup is not None:
        print(f"{verify_backup(parsed.backup.absolute(), progress=_progress()).text()}: whole")
        return 0
    print(f"{check_data(site_config(parsed))}: whole")
    return 0


def restore(parsed: argparse.Namespace) -> int:
    from pipeline.run.clock import SystemClock
    from pipeline.store.backup import restore_backup

    done = restore_backup(
        parsed.backup.absolute(), parsed.config.absolute(), parsed.environment,
        replace=parsed.replace, now_ms=SystemClock().now_ms(), progress=_progress(),
    )  # fmt: skip
    print(f"{done.backup.text()}: brought back to {done.data}, opened, and as it was")
    if done.set_aside is not None:
        print(f"what was there is in {done.set_aside}: remove it when you no longer need it")
    print(*done.to_do, "next: `underturf check`, then start the service; the nodes send what came since", sep="\n")
    return 0


def _progress() -> Callable[[str, int, int], None]:
    """Return what prints a line for each tenth that is done, of bytes or of the days of a station."""
    told: dict[str, int] = {}

    def tell(what: str, done: int, whole: int) -> None:
        tenth = 10 * done // max(whole, 1)
        if tenth > told.get(what, 0):
            told[what] = tenth
            of = f"{whole} days" if what in ("observations", "findings") else f"{whole / 1e6:.1f} MB"
            print(f"{what} {tenth * 10} % of {of}", flush=True)

    return tell


def quarantine(parsed: argparse.Namespace) -> int:
    """`list` and `show` only read, beside a running service too; `retry` and `drop` need the data folder alone."""
    from pipeline.store.opening import open_journal

    action, number = parsed.action, parsed.number
    if wrong := unfit("ID", number, action, "the number of a message"):
        print(wrong, file=sys.stderr)
        return 2
    with open_journal(site_config(parsed), writing=action in ("retry", "drop")) as journal:
        if action == "list":
            lines = [_quarantined_line(entry) for entry in journal.quarantine(limit=MAX_LISTED)]
            print(*lines or ["The quarantine is empty."], sep="\n")
            return 0
        entry = journal.quarantined(number)
        if entry is None:
            print(f"ID: found {number}, expected one that `underturf quarantine` lists", file=sys.stderr)
            return 2
        if action == "show":
            print(_quarantined_line(entry), entry.payload.decode("utf-8", "backslashreplace"), sep="\n")
        elif action == "drop":
            journal.drop_quarantined(number)
            print(f"{number}: dropped")
        else:
            _retry(journal, entry)
    return 0


def _retry(journal: Journal, entry: Quarantined) -> None:
    from pipeline.run.clock import SystemClock
    from pipeline.worker import retry_quarantined

    kept = retry_quarantined(journal, entry, SystemClock().now_ms())
    print(
        f"{entry.id}: {kept.new} readings kept, {kept.duplicates + kept.conflicts} were there before. "
        "What they mean is worked out when the service starts."
    )


def _quarantined_line(entry: Quarantined) -> str:
    from api.data import iso

    return f"{entry.id}  {iso(entry.at_ms)}  {entry.size_bytes} bytes  {entry.topic}  {entry.reason}"
