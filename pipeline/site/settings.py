"""The server's settings: underturf.toml and the environment made into the models of `pipeline.site.models`.

Loading reports every fault of the file in one run, each as `file: key: found X, expected Y`, and nothing of a file
with a fault is used. Secrets are named by path and read only when they are needed (`read_secret`). Relative paths are
counted from the file. Environment variables, where the caller hands them over, stand over the keys of the plain
sections: `UNDERTURF_SECTION_KEY`, as in `UNDERTURF_BROKER_PORT=1884`.
"""

from __future__ import annotations

import tomllib
import types
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from annotated_types import Ge, Le, MaxLen, MinLen
from pydantic import BaseModel, Field, TypeAdapter, ValidationError, create_model
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticUndefined

from hardware.reading import is_slug
from pipeline.site.models import (
    BoundKey,
    Bounds,
    FileContext,
    OwnBounds,
    Setting,
    SiteConfig,
    Surface,
    Vocabulary,
    one_of,
    unknown_key,
)

Table = Mapping[str, Any]


class ConfigFault(ValueError):
    """Settings that cannot be used. `faults` lists every one as `file: key: found X, expected Y`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


def read_secret(path: Path) -> str:
    """Return the secret in a file, without the line end."""
    return path.read_text(encoding="utf-8").strip()


def load(path: Path | str, environment: Mapping[str, str] | None = None, *, known: Vocabulary) -> SiteConfig:
    """Return the settings in a file, with those of the environment over them.

    Parameters
    ----------
    path : Path or str
        The TOML file.
    environment : mapping of str to str, optional
        The process's environment; none of it counts when it is not handed over.
    known : Vocabulary

    Raises
    ------
    ConfigFault
        With every fault found.
    """
    file = Path(path)
    try:
        table: dict[str, Any] = tomllib.loads(file.read_bytes().decode())
    except OSError as err:
        raise ConfigFault([f"{file}: found no file to read ({err.strerror}), expected the server's TOML"]) from err
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as err:
        raise ConfigFault([f"{file.name}: found text that is not TOML ({err}), expected TOML in UTF-8"]) from err
    _lay_over(table, {} if environment is None else environment)
    bounds, faults = _bounds_of_surfaces(table, known)
    faults += _repeated_names(table)
    folder = file.absolute().parent
    reading = FileContext(folder, _zone(table), _model_dir(table, folder), known, bounds)
    model = _with_rules(tuple(known.alerts.items()))
    try:
        config = model.model_validate(table, context=reading, by_alias=True, by_name=False)
    except ValidationError as err:
        raise ConfigFault([f"{file.name}: {fault}" for fault in (*faults_of(err, model, table), *faults)]) from err
    if faults:
        raise ConfigFault([f"{file.name}: {fault}" for fault in faults])
    return config


@cache
def _with_rules(alerts: tuple[tuple[str, type[BaseModel]], ...]) -> type[SiteConfig]:
    """The settings with a table for each alert rule."""
    each: dict[str, Any] = {rule: (model, Field(default_factory=dict)) for rule, model in alerts}
    rules = create_model("AlertRules", __base__=Setting, **each)
    return create_model(
        "SiteConfig", __base__=SiteConfig, alert_rules=(rules, Field(default_factory=dict, alias="alerts"))
    )


def plain_sections() -> dict[str, list[str]]:
    """Return the keys of each section that the environment may set, by section."""
    sections = {name: field.annotation for name, field in SiteConfig.model_fields.items()}
    return {
        name: keys_of(model)
        for name, model in sections.items()
        if isinstance(model, type) and issubclass(model, Setting) and model is not Setting
    }


def keys_of(model: type[BaseModel]) -> list[str]:
    """Return the keys of a table as they stand in the file."""
    return [field.alias or name for name, field in model.model_fields.items()]


def _lay_over(table: dict[str, Any], environment: Mapping[str, str]) -> None:
    """Put the environment's values over the plain sections. A value that is no TOML value is taken as text."""
    for section, keys in plain_sections().items():
        for key in keys:
            text = environment.get(f"UNDERTURF_{section}_{key}".upper())
            if text is None or not isinstance(table.setdefault(section, {}), dict):
                continue
            try:
                value: Any = tomllib.loads(f"value = {text}")["value"]
            except tomllib.TOMLDecodeError:
                value = text
            table[section][key] = value


# --- what other tables depend on, read first; faults of its own are told with the table it stands in -----------------


def _section(table: Table, name: str) -> Table:
    section = table.get(name)
    return section if isinstance(section, dict) else {}


def _entries(table: Table, key: str) -> list[Table]:
    """The tables of a list, whatever else may be in it."""
    value = table.get(key)
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _zone(table: Table) -> ZoneInfo:
    try:
        return ZoneInfo(_section(table, "site").get("timezone", "UTC"))
    except (ZoneInfoNotFoundError, ValueError, TypeError, OSError):
        return ZoneInfo("UTC")


def _model_dir(table: Table, folder: Path) -> Path | None:
    written = _section(table, "data").get("model_dir")
    path = (folder / written).absolute() if isinstance(written, str) and "\0" not in written else None
    return path if path is not None and path.is_dir() else None


def _bounds_of_surfaces(table: Table, known: Vocabulary) -> tuple[Mapping[str, Mapping[BoundKey, Bounds]], list[str]]:
    """The club's own bounds by surface, and what is wrong with them on that kind of surface."""
    found, faults = {}, []
    kinds = get_args(Surface.model_fields["kind"].annotation)
    for index, surface in enumerate(_entries(table, "surface")):
        if surface.get("kind") in kinds:
            given = {**_edges(table), **_edges(surface)}
            bounds, wrong = known.bounds(surface["kind"], given)
            found[str(surface.get("name"))] = bounds
            faults += [f"surface{_called(surface, index)}.bound: {fault}" for fault in wrong]
    return found, faults


def _edges(table: Table) -> dict[BoundKey, Mapping[str, float]]:
    try:
        bounds = TypeAdapter(OwnBounds).validate_python(table.get("bound", []), by_alias=True, by_name=False)
    except ValidationError:
        return {}
    return {bound.key: bound.edges for bound in bounds}


def _repeated_names(table: Table) -> list[str]:
    """Each name of a surface, station or probe that another has too."""

    def repeated(entries: list[tuple[str, Table]], what: str) -> Iterator[str]:
        names = [one.get("name") for _, one in entries]
        for i, (place, _) in enumerate(entries):
            if is_name(names[i]) and names[i] in names[:i]:
                yield f"{place}.name: found {names[i]!r}, expected a name no other {what} has"

    def each(table: Table, key: str, at: str = "") -> list[tuple[str, Table]]:
        return [(f"{at}{key}{_called(one, i)}", one) for i, one in enumerate(_entries(table, key))]

    surfaces = each(table, "surface")
    stations = [one for place, surface in surfaces for one in each(surface, "station", f"{place}.")]
    probes = [each(station, "probe", f"{place}.") for place, station in stations]
    return [
        *repeated(surfaces, "surface"),
        *repeated(stations, "station"),
        *(line for own in probes for line in repeated(own, "probe of the station")),
    ]


# --- what is wrong, in words -----------------------------------------------------------------------------------------


def faults_of(err: ValidationError, model: type[BaseModel], table: Table) -> list[str]:
    """Return every fault of a table as `key: found X, expected Y`, in the order of the model.

    Parameters
    ----------
    err : ValidationError
        Of the model over the table.
    model : type of pydantic model
    table : mapping
        As it was read from the file.
    """
    faults: dict[str, str] = {}
    for one in err.errors(include_url=False):
        if one["input"] is PydanticUndefined:
            continue  # a default that is another key's value, which is at fault itself
        for place, line in _told(one, model, table):
            faults.setdefault(place, line)
    return list(faults.values())


def _told(one: ErrorDetails, model: type[BaseModel], table: Table) -> Iterator[tuple[str, str]]:
    """Place and line of each fault in one error; several errors of one place are one fault."""
    kind, context = one["type"], one.get("ctx", {})
    if kind == "extra_forbidden":
        *at, key = one["loc"]
        place, _, owner, _ = _followed(model, table, at)
        place = f"{place}.{key}".lstrip(".")
        yield place, f"{place}: {unknown_key(str(key), keys_of(owner))}"
        return
    place, field, _, value = _followed(model, table, one["loc"])
    assert field is not None
    if kind == "too_short" and isinstance(value, list) and len(value) >= context["min_length"]:
        return  # the entries that are there are at fault themselves
    if kind == "told":
        yield from ((place + line, place + line) for line in context["lines"])
    elif kind == "expected" and context["key"]:
        other = f"{place.rpartition('.')[0]}.{context['key']}"
        yield other, f"{other}: found nothing, expected {context['words']}"
    else:
        value = one["input"] if value is None else value
        found = "nothing" if kind == "missing" or value is None else repr(value)
        if kind in ("too_short", "too_long") and model_in(field.annotation) is not None:
            found = str(len(value))
        elif kind == "expected" and context["found"] is not None:
            found = repr(context["found"])
        words = context["words"] if kind == "expected" else _words(field, place, value)
        yield place, f"{place}: found {found}, expected {words}"


def _followed(
    model: type[BaseModel], table: Table, loc: Sequence[int | str]
) -> tuple[str, FieldInfo | None, type[BaseModel], Any]:
    """Where an error stands in the file: its key in full, the field, the model in it, and the value that is written.

    A list or table of plain values is at fault as a whole.
    """
    place = ""
    value: Any = table
    field: FieldInfo | None = None
    inner: type[BaseModel] = model
    for part in loc:
        if isinstance(part, int):
            if not isinstance(value[part], dict):
                break
            value = value[part]
            place += _called(value, part)
            continue
        # an error in a default names the field, one in what is written its key in the file
        name, field = next((n, f) for n, f in inner.model_fields.items() if part in (n, f.alias))
        key = field.alias or name
        place = f"{place}.{key}".lstrip(".")
        value = value.get(key) if isinstance(value, dict) else None
        found = model_in(field.annotation)
        if found is None:
            break
        inner = found
    return place, field, inner, value


def _called(entry: Table, index: int) -> str:
    """How an entry of a list is called in a fault: by its name where it has one, else by its place from 0."""
    name = entry.get("name")
    return f".{name}" if is_name(name) else f"[{index}]"


def is_name(value: object) -> bool:
    return isinstance(value, str) and is_slug(value)


def model_in(annotation: Any) -> type[BaseModel] | None:
    """The model of a table, or of the tables of a list; None for plain values."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := model_in(part)) is not None), None)


def _words(field: FieldInfo, place: str, value: object) -> str:
    """What a field expects: its description, else its type and limits."""
    limits = list(field.metadata)
    if get_origin(field.annotation) in (Union, types.UnionType):
        (plain,) = (part for part in get_args(field.annotation) if part is not type(None))
        inner = FieldInfo.from_annotation(plain)
        limits += inner.metadata
    else:
        inner = field
    description, annotation = field.description or inner.description, inner.annotation
    if description is not None:
        return description
    if model_in(annotation) is not None:
        if get_origin(annotation) is not tuple:
            return f"a table [{place}]"
        least = next((one.min_length for one in limits if isinstance(one, MinLen)), 0)
        most = next(one.max_length for one in limits if isinstance(one, MaxLen))
        count = f"{least} to {most} " if isinstance(value, list | tuple) else ""
        return f"{count}tables, each begun by [[{place}]]"
    if annotation is bool:
        return "true or false"
    if get_origin(annotation) is Literal:
        return one_of(value, get_args(annotation))
    if get_origin(annotation) is dict:
        return f"a table [{place}]"
    if get_origin(annotation) is tuple:
        return "a list"
    number = f"a{' whole' if annotation is int else ''} number"
    low = next((one.ge for one in limits if isinstance(one, Ge)), None)
    high = next((one.le for one in limits if isinstance(one, Le)), None)
    return number if low is None or high is None else f"{number} from {low:g} to {high:g}"
