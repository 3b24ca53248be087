"""One table of the settings as a form: its fields from the model that checks it, what was typed back into the text.

Comments, order and blanks stay (tomlkit). The text that comes out is read again and held against the same change made
to the plain tables, so that what a form writes is what a hand would have written.
"""

from __future__ import annotations

import copy
import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from api.settings import tables_in
from hardware.table_check import NotToml, parse_toml
from pipeline.site.fields import model_in, words_of
from pipeline.site.own_settings import OWN_NOTIFY, OWN_TABLES
from pipeline.site.settings import SiteConfig

TablePath = Sequence[str | int]
LISTS = ("surface", "bound", "station", "core", "probe", "pass", "mark", "building", "buried")


class CannotEdit(ValueError):
    """A table that is not there, or a text that a form cannot change; the text says what to do."""


@dataclass(frozen=True, slots=True)
class TableField:
    """A key of a table: what is written, empty where nothing is, its default as it would be written, what it expects,
    and the choices where it has a few."""

    key: str
    written: str
    default: str
    expects: str
    choices: tuple[str, ...]
    needed: bool


def path_of(text: str, place: str) -> list[str | int]:
    """Return the path of a table by its place; of one that is not written yet, where it would be.

    `surface.square.station[+]` is a station more of that surface. Raises CannotEdit.
    """
    written = {one: path for one, path, _ in tables_in(text)}
    if place in written:
        return written[place]
    if place.endswith("[+]"):
        parent, _, key = place.removesuffix("[+]").rpartition(".")
        above = written.get(parent, [] if not parent else None)
        if above is not None and key in LISTS:
            there = _at(parse_toml(text), above).get(key, [])
            if isinstance(there, list):
                return [*above, key, len(there)]
    parts = place.split(".")
    if parts[0] in OWN_TABLES and parts[0] not in LISTS and len(parts) == 1 + (parts[0] == "alerts"):
        return list(parts)
    raise CannotEdit(
        f"table: found {place[:80]!r}, expected one of {', '.join(written) or 'none: nothing is written yet'}"
    )


def model_of(config: SiteConfig, path: TablePath) -> type[BaseModel] | None:
    """Return the model that checks a table; None for one of free keys, as the depths of a probe. Raises CannotEdit."""
    model: type[BaseModel] | None = type(config)
    for part in path:
        if isinstance(part, int):
            continue
        if model is None:
            raise CannotEdit(f"table: found {part!r} in a table of free keys, expected a table that there is")
        found = next((f for name, f in model.model_fields.items() if part in (name, f.alias)), None)
        if found is None:
            raise CannotEdit(f"table: found {part!r}, expected a table that there is")
        model = model_in(found.annotation)
    return model


def fields_of(config: SiteConfig, text: str, place: str) -> list[TableField]:
    """Return the keys of a table as a form shows them. Raises CannotEdit."""
    path = path_of(text, place)
    model, written = model_of(config, path), _shown(text, path)
    if model is None:
        return [TableField(key, value, "", "", (), False) for key, value in written.items()]
    found = []
    for name, field in model.model_fields.items():
        key = field.alias or name
        if model_in(field.annotation) is not None or get_origin(field.annotation) is dict:
            continue
        if (list(path) == ["notify"] and key not in OWN_NOTIFY) or (*path, key) == ("site", "name"):
            continue  # what no page may change
        found.append(
            TableField(
                key, written.get(key, ""), _default(field), words_of(field, key, None), _choices(field.annotation),
                field.is_required(),
            )
        )  # fmt: skip
    return found


def changed(config: SiteConfig, text: str, place: str, typed: Mapping[str, str]) -> str:
    """Return a text with what was typed in the fields of a table; an emptied field takes its key away.

    Raises
    ------
    CannotEdit
        Without the table, or where the text cannot be changed piece by piece.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    path, shown = path_of(text, place), {one.key: one for one in fields_of(config, text, place)}
    model = model_of(config, path)
    values: dict[str, Any] = {}
    for key, words in typed.items():
        if key in shown and words.strip() != shown[key].written:
            field = None if model is None else _field(model, key)
            values[key] = _value(words.strip(), field) if words.strip() else None
    if not values:
        return text
    expected = parse_toml(text)
    _apply(_made(expected, path, dict, list), values)
    try:
        document: Any = tomlkit.parse(text)
        _apply(_made(document, path, tomlkit.table, tomlkit.aot), values)
        made = str(tomlkit.dumps(document))
        same = parse_toml(made) == expected
    except (TOMLKitError, NotToml, KeyError, TypeError, ValueError, AttributeError) as err:
        raise CannotEdit(
            f"{place}: found a text that cannot be changed by a form ({err}): change the whole text"
        ) from err
    if not same:
        raise CannotEdit(f"{place}: found a text that a form would spoil, expected the whole text to be changed")
    return made


def _apply(table: Any, values: Mapping[str, Any]) -> None:
    for key, value in values.items():
        if value is None:
            if key in table:
                del table[key]
        else:
            table[key] = copy.deepcopy(value)


def _made(top: Any, path: TablePath, table: Any, many: Any) -> Any:
    """The table at a path, made where it is not there: as plain tables, or as those of a document."""
    at = top
    for i, part in enumerate(path):
        if isinstance(part, int):
            if part == len(at):
                at.append(table())
        elif part not in at:
            at[part] = many() if i + 1 < len(path) and isinstance(path[i + 1], int) else table()
        at = at[part]
    return at


def _at(table: Any, path: TablePath) -> Any:
    for part in path:
        table = table[part]
    return table


def _shown(text: str, path: TablePath) -> dict[str, str]:
    """The plain values of a table as a form shows them: texts bare, everything else as it is written."""
    import tomlkit

    try:
        table = _at(tomlkit.parse(text), path)
    except (KeyError, IndexError):
        return {}
    found = {}
    for key, item in table.items():
        plain = item.unwrap()
        if isinstance(plain, dict) or (isinstance(plain, list) and plain and all(isinstance(v, dict) for v in plain)):
            continue
        found[str(key)] = plain if isinstance(plain, str) else item.as_string()
    return found


def _field(model: type[BaseModel], key: str) -> FieldInfo:
    return next(field for name, field in model.model_fields.items() if key in (name, field.alias))


def _value(words: str, field: FieldInfo | None) -> Any:
    """What was typed as a value of TOML; what is none is a text, and the check says what was expected."""
    if field is not None and _is_text(field.annotation):
        return words
    try:
        return parse_toml(f"value = {words}")["value"]
    except (NotToml, KeyError):
        return words


def _is_text(annotation: Any) -> bool:
    if get_origin(annotation) is Literal:
        return True
    parts = get_args(annotation)
    return annotation is str or (bool(parts) and get_origin(annotation) is not tuple and any(map(_is_text, parts)))


def _choices(annotation: Any) -> tuple[str, ...]:
    if annotation is bool:
        return "true", "false"
    if get_origin(annotation) is Literal:
        return tuple(str(one) for one in get_args(annotation))
    return next((found for part in get_args(annotation) if (found := _choices(part))), ())


def _default(field: FieldInfo) -> str:
    """A default as it would be written; empty where there is none."""
    value = field.default
    if value is PydanticUndefined or value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str | int | float | datetime.date):
        return str(value)
    return "[]" if value == () else ""
