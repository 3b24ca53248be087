"""The settings that the pages may change: looked through as `underturf check` does, written whole, and taken back.

They lie in a file of their own, `pages.settings`, in the data folder. What is written is its whole text, as it was
sent; the text before it stays beside it, so that it can be put back byte for byte. It counts once the server starts
again.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Depends, Request

from api import settings_schema as schema
from api.data import pipeline_of
from api.problems import WRITE_RESPONSES, Problem, described
from api.who import who
from api.writing import may_write
from hardware.table_check import NotToml, parse_toml
from pipeline.service import Pipeline, load_settings
from pipeline.site.fields import called
from pipeline.site.settings import ConfigFault, SettingsSource

TEXT_BEFORE = ".before"  # behind the name of the file: its text before the last change
SAID_MOST = 400  # characters of a change in the audit log
_HEADER = re.compile(r"\s*(\[\[?)\s*([\w.\-\" ]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"\s*\"?([\w-]+)\"?\s*=")
_PLACE = re.compile(r"^([^:]*): ([\w.\[\]-]+): (.*)$", re.S)
_LINE = re.compile(r"at line (\d+)")
_writing = threading.Lock()

router = APIRouter(prefix="/api/v1", tags=["site"])
REFUSED = described((409, "Another text has been written meanwhile, or there is no file of settings for the pages"))


@dataclass(frozen=True, slots=True)
class SettingFault:
    """Something wrong in a text: the place as `surface.square.kind`, empty where it has none, its line from 1, 0 where
    that is not known, and the fault in words."""

    place: str
    line: int
    text: str


@router.get("/settings", summary="The settings that the pages may change, and whether another start is needed")
def get_settings(request: Request) -> schema.SettingsOut:
    return settings_now(pipeline_of(request))


@router.put(
    "/settings",
    summary="Write another text of the settings, after the checks of `underturf check`",
    dependencies=[Depends(may_write)],
    responses=WRITE_RESPONSES | REFUSED,
)
def put_settings(request: Request, given: schema.SettingsIn) -> schema.SettingsOut:
    """Refused with every fault (422), or where the text it was made from has changed meanwhile (409)."""
    write(request, given.text, given.digest)
    return settings_now(pipeline_of(request))


@router.post(
    "/settings/undo",
    summary="Put the text before the last change back, byte for byte; with the digest of that, it is changed again",
    dependencies=[Depends(may_write)],
    responses=WRITE_RESPONSES | REFUSED,
)
def post_undo(request: Request, given: schema.SettingsUndoIn) -> schema.SettingsOut:
    """Refused where the text of the digest is not the present one (409): sent twice, it is taken back once."""
    undo(request, given.digest)
    return settings_now(pipeline_of(request))


@router.post(
    "/settings/start",
    status_code=202,
    summary="Have the server start again with the settings as they are written",
    dependencies=[Depends(may_write)],
    responses=WRITE_RESPONSES | REFUSED,
)
def post_start(request: Request) -> None:
    start(request)


def settings_now(pipeline: Pipeline) -> schema.SettingsOut:
    """Return the settings as they are written now."""
    source = pipeline.config.source
    text = own_text(source)
    return schema.SettingsOut(
        main=source.file.name,
        file=None if source.own is None else source.own.name,
        text=text,
        digest=digest_of_text(text),
        start_needed=text != source.own_text,
        undo=source.own is not None and _before(source.own).is_file(),
    )


def own_text(source: SettingsSource) -> str:
    """Return the text of the file that the pages change, as it is now; empty where there is none yet."""
    try:
        return "" if source.own is None else source.own.read_bytes().decode()
    except FileNotFoundError:
        return ""


def digest_of_text(text: str) -> str:
    """Return what tells one text from another."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def faults_in(source: SettingsSource, text: str) -> list[SettingFault]:
    """Return everything that is wrong with a text in place of the present one; empty where it may be written."""
    if source.own is None:
        return [SettingFault("", 0, f"{source.file.name}: pages.settings: found none, expected the file to be written")]
    if "\0" in text:
        return [SettingFault("", 0, f"{source.own.name}: found a character that is no text, expected TOML in UTF-8")]
    try:
        load_settings(source.file, source.environment, own=text)
    except ConfigFault as err:
        lines = lines_of(text)
        return [_placed(fault, source, lines) for fault in err.faults]
    present = own_text(source)
    before, after = _name_in(present), _name_in(text)
    if before != after:
        told = (
            f"site.name: found {after!r}, expected {before!r}: no page changes it, as agents that name the old one "
            f"would not be heard. Change it in {source.own.name} by hand, together with every agent.toml"
        )
        return [SettingFault("site.name", lines_of(text).get("site.name", 0), told)]
    return _renamed(present, text)


def _renamed(before: str, after: str) -> list[SettingFault]:
    """Surfaces and stations that one text has in place of others of the other: what was written of those, and what
    agents send, is under the old names and would be lost from sight. One more, or one less, is no new name."""
    old, new, lines = _places_in(before), _places_in(after), lines_of(after)
    faults = []
    for place, names in new.items():
        gone, come = [one for one in old.get(place, ()) if one not in names], set(names) - set(old.get(place, ()))
        for name in sorted(come) if gone else ():
            key = f"{place}.{name}.name"
            told = (
                f"{key}: found {name!r} in place of {gone[0]!r}, expected the name to stay: diary and readings are "
                "kept under it. `title` is what people read. To have another in its place, add the one and remove the "
                "other, each by itself"
            )
            faults.append(SettingFault(key, lines.get(key, 0), told))
    return faults


def _places_in(text: str) -> dict[str, list[str]]:
    """The names of a text's surfaces, and of the stations of each, by the place that faults name."""
    try:
        surfaces = _tables_at(parse_toml(text), "surface")
    except NotToml:
        return {}
    found = {"surface": [str(one.get("name")) for one in surfaces]}
    for one in surfaces:
        found[f"surface.{one.get('name')}.station"] = [str(each.get("name")) for each in _tables_at(one, "station")]
    return found


def _tables_at(table: Mapping[str, object], key: str) -> list[Mapping[str, object]]:
    listed = table.get(key)
    return [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []


def _name_in(text: str) -> object:
    """The name of the site that a text gives; None where it gives none."""
    try:
        site = parse_toml(text).get("site")
    except NotToml:
        return None
    return site.get("name") if isinstance(site, dict) else None


def _placed(fault: str, source: SettingsSource, lines: Mapping[str, int]) -> SettingFault:
    found = _PLACE.match(fault)
    if found is None or source.own is None or found[1] != source.own.name:
        at = _LINE.search(fault)
        return SettingFault("", int(at[1]) if at and source.own and fault.startswith(source.own.name) else 0, fault)
    place, told = found[2], f"{found[2]}: {found[3]}"
    line, at_place = 0, place
    while at_place and not (line := lines.get(at_place, 0)):
        at_place = at_place.rpartition(".")[0]
    return SettingFault(place, line, told)


def lines_of(text: str) -> dict[str, int]:
    """Return the line of each key and table of a text, by the place that faults name. [from 1]"""
    try:
        table = parse_toml(text)
    except NotToml:
        return {}
    found: dict[str, int] = {}
    counts: dict[str, int] = {}
    place = ""
    for number, line in enumerate(text.split("\n"), 1):
        if header := _HEADER.match(line):
            place = _place_of(table, [part.strip('" ') for part in header[2].split(".")], counts, new=header[1] == "[[")
            found.setdefault(place, number)
        elif key := _KEY.match(line):
            found.setdefault(f"{place}.{key[1]}".lstrip("."), number)
    return found


def _place_of(table: Mapping[str, Any], path: list[str], counts: dict[str, int], *, new: bool) -> str:
    """The place of a header: lists by the name of their last entry so far, as faults name them."""
    place, written, value = "", "", table
    for i, part in enumerate(path):
        written = f"{written}.{part}".lstrip(".")
        place = f"{place}.{part}".lstrip(".")
        inside: Any = value.get(part) if isinstance(value, dict) else None
        if isinstance(inside, list) and inside:
            if new and i == len(path) - 1:
                counts[written] = counts.get(written, -1) + 1
                for other in [key for key in counts if key.startswith(f"{written}.")]:
                    del counts[other]
            index = min(counts.get(written, 0), len(inside) - 1)
            value = inside[index]
            place += called(value, index) if isinstance(value, dict) else ""
        else:
            value = inside if isinstance(inside, dict) else {}
    return place


def difference(before: str, after: str) -> list[str]:
    """Return how a text differs from another, as lines that begin with `+`, `-` or a blank; empty where it does not."""
    lines = difflib.unified_diff(before.split("\n"), after.split("\n"), n=2, lineterm="")
    return [line for line in lines if not line.startswith(("---", "+++"))]


def as_sent(text: str, before: str) -> str:
    """Return a text as a form has sent it, with the line ends of the one it stands in place of."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    return plain.replace("\n", "\r\n") if "\r\n" in before else plain


# --- what changes something ------------------------------------------------------------------------------------------


def write(request: Request, text: str, digest: str) -> None:
    """Write a text. Raises Problem 409 where `digest` is not that of the present one, 422 with every fault."""
    pipeline = pipeline_of(request)
    with _writing:
        source = _changeable(pipeline)
        present = own_text(source)
        refuse_changed(present, digest)
        if faults := [one.text for one in faults_in(source, text)]:
            raise Problem(422, "The settings have faults", "; ".join(faults), faults=faults)
        if text != present:
            _put(source, present, text)
            _note(request, "settings written", present, text)


def refuse_changed(present: str, digest: str) -> None:
    """Raise Problem 409 where a digest is not that of the present text."""
    if digest != digest_of_text(present):
        detail = "settings: found that somebody has written them meanwhile, expected the text that you began with"
        raise Problem(409, "Changed meanwhile", detail)


def undo(request: Request, digest: str) -> None:
    """Put the text before back. Raises Problem 409 where there is none or `digest` is not that of the present one, 422
    where it has faults by now."""
    pipeline = pipeline_of(request)
    with _writing:
        source = _changeable(pipeline)
        present = own_text(source)
        refuse_changed(present, digest)
        try:
            text = _before(source.own).read_bytes().decode()  # type: ignore[arg-type]
        except FileNotFoundError as err:
            raise Problem(409, "Nothing to take back", "settings: found no text before this one") from err
        if faults := [one.text for one in faults_in(source, text)]:
            raise Problem(422, "The settings have faults", "; ".join(faults), faults=faults)
        _put(source, present, text)
        _note(request, "settings taken back", present, text)


def start(request: Request) -> None:
    """Have the server start again. Raises Problem 422 where what is written has faults: then it would not come up."""
    pipeline = pipeline_of(request)
    source = _changeable(pipeline)
    if faults := [one.text for one in faults_in(source, own_text(source))]:
        raise Problem(422, "The settings have faults", "; ".join(faults), faults=faults)
    pipeline.people.note(pipeline.clock.now_ms(), who(request).said, "server started again for the settings")
    threading.Timer(ANSWER_FIRST_S, pipeline.start_again).start()


ANSWER_FIRST_S = 0.5  # the answer leaves before the server stops


def _changeable(pipeline: Pipeline) -> SettingsSource:
    source = pipeline.config.source
    if source.own is None:
        detail = f"pages.settings: found none in {source.file.name}, expected the file of what the pages may change"
        raise Problem(409, "Not changed from pages", detail)
    return source


def _before(own: Path) -> Path:
    return own.with_name(f"{own.name}{TEXT_BEFORE}")


def _put(source: SettingsSource, present: str, text: str) -> None:
    """The text before goes beside the file first: a kill in between leaves two alike."""
    from api.certificate import write_whole

    own = source.own
    assert own is not None
    try:
        write_whole(_before(own.resolve()), present.encode(), mode=0o600)
        write_whole(own.resolve(), text.encode(), mode=0o600)
    except OSError as err:
        detail = f"{own.name}: found a folder that does not take it ({err.strerror}), expected one that the server may "
        raise Problem(503, "Not written", f"{detail}write: its data folder") from err


def _note(request: Request, what: str, before: str, after: str) -> None:
    pipeline = pipeline_of(request)
    changed = [line for line in difference(before, after) if line.startswith(("+", "-")) and line[1:].strip()]
    told = f"{what}: {' | '.join(changed)}"
    told = told if len(told) <= SAID_MOST else f"{told[:SAID_MOST]} ... ({len(changed)} lines)"
    pipeline.people.note(
        pipeline.clock.now_ms(), who(request).said, "".join(c if c.isprintable() else " " for c in told)
    )


# --- tables and their fields -----------------------------------------------------------------------------------------


def tables_in(text: str) -> Iterator[tuple[str, list[str | int], Mapping[str, Any]]]:
    """Yield each table of a text that parses: its place, its path as keys and indices from 0, and what stands in it."""
    yield from _tables(parse_toml(text), "", [])


def _tables(
    table: Mapping[str, Any], place: str, path: list[str | int]
) -> Iterator[tuple[str, list[str | int], Mapping[str, Any]]]:
    if path:
        yield place, path, table
    for key, value in table.items():
        here = f"{place}.{key}".lstrip(".")
        if isinstance(value, dict):
            yield from _tables(value, here, [*path, key])
        elif isinstance(value, list) and value and all(isinstance(one, dict) for one in value):
            for index, one in enumerate(value):
                yield from _tables(one, here + called(one, index), [*path, key, index])
