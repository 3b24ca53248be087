"""A table of settings, or the body of a diary entry: what its fields may be, and what is wrong with one in words.

A field says what it expects by its type, its limits and, where these are not enough, its description. Checks of one key
against another stand at the later of the two, so that they are made whatever else is wrong.
"""

from __future__ import annotations

import difflib
import re
import types
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Le, MaxLen, MinLen
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError, PydanticUndefined

from hardware.reading import is_slug

Table = Mapping[str, Any]
MAX_NAMED = 20  # names told where none is near
_SECRET_PART = re.compile(r"(://)(?:[^/\s]*@)?([^/\s@?#'\"]+)[^'\"]*")  # of an address, all but scheme and host


class Setting(BaseModel):
    """A table of the settings file. Unknown keys are refused, and no value is converted to another type."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        validate_default=True,
        validate_by_name=True,
        validate_by_alias=True,
    )


def as_written(default: object, **more: Any) -> Any:
    """Return a field with a default as it would be written in the file."""
    return Field(default, **more)


def expected(words: str, *, key: str = "", found: object = None) -> PydanticCustomError:
    """Return the fault of a value in place of which `words` was expected.

    `key` names another key of the same table that is missing; `found` is shown in place of the value.
    """
    return PydanticCustomError("expected", "{words}", {"words": words, "key": key, "found": found})


def unused(condition: str) -> PydanticCustomError:
    """Return the fault of a value that would have no effect unless `condition`."""
    return several([f": found a value, expected none unless {condition}"])


def one_of(value: object, words: Iterable[str]) -> str:
    """Return the choice there is, with the word nearest to a value."""
    words = list(words)
    near = difflib.get_close_matches(value, words, 1) if isinstance(value, str) else []
    return f"one of {', '.join(words)}" + (f", nearest {near[0]!r}" if near else "")


def nearest(found: object, known: Iterable[str]) -> str:
    """Return what was expected in place of a name: the nearest one where one is near, and the first of all."""
    names = list(known)
    near = difflib.get_close_matches(str(found), names, 1)
    every = ", ".join(names[:MAX_NAMED]) + (f" and {len(names) - MAX_NAMED} more" if len(names) > MAX_NAMED else "")
    if not names:
        return "none: there is none here"
    return f"{near[0]!r}? Known: {every}" if near else f"one of {every}"


def unknown_key(key: str, known: Iterable[str]) -> str:
    """Return what is wrong with a key that is not known, with the nearest that is."""
    names = sorted(known)
    near = difflib.get_close_matches(key, names, 1)
    choice = repr(near[0]) if near else f"one of {', '.join(names) or 'no keys at all'}"
    return f"found an unknown key, expected {choice}"


def several(lines: list[str]) -> PydanticCustomError:
    """Return the fault of a value with several things wrong in it, each as `.key: found X, expected Y`."""
    return PydanticCustomError("several", "several faults", {"lines": lines})


def apart(side: Literal["less", "more"], other: str) -> AfterValidator:
    """Return a check that a number is less or more than another one, which stands before it in the table.

    It is for the bounds that close an alert: on the near side of the bound that opens it, the alert would open and
    close with every reading.
    """

    def check(value: float, info: ValidationInfo) -> float:
        bound = info.data.get(other)
        if bound is not None and not (value < bound if side == "less" else value > bound):
            raise expected(f"{side} than {other}")
        return value

    return AfterValidator(check)


def sound(good: Callable[[str], bool]) -> AfterValidator:
    """Return a check that a text is what the description of its field says."""

    def check(text: str) -> str:
        if not good(text):
            raise ValueError("not what the description says")
        return text

    return AfterValidator(check)


Text = Annotated[
    str, Field(min_length=1, max_length=200, description="1 to 200 printable characters"), sound(str.isprintable)
]
Slug = Annotated[str, Field(description="a name of small letters, digits, - and _, at most 64 of them"), sound(is_slug)]
WebAddress = Annotated[
    Text,
    Field(description="an address that begins with http:// or https://"),
    sound(lambda text: text.startswith(("http://", "https://"))),
]
Port = Annotated[int, Field(ge=1, le=65535)]
Month = Annotated[int, Field(ge=1, le=12)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]


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
        for place, line in _faults_in(one, model, table):
            faults.setdefault(place, line)
    return list(faults.values())


def _faults_in(one: ErrorDetails, model: type[BaseModel], table: Table) -> Iterator[tuple[str, str]]:
    """Yield place and line of each fault in one error; several errors of one place are one fault."""
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
    if kind == "several":
        yield from ((place + line, place + line) for line in context["lines"])
    elif kind == "expected" and context["key"]:
        other = f"{place.rpartition('.')[0]}.{context['key']}"
        yield other, f"{other}: found nothing, expected {context['words']}"
    else:
        value = one["input"] if value is None else value
        lacks = kind == "missing" and isinstance(one["loc"][-1], str)  # of a list that is too short all is shown
        found = "nothing" if lacks or value is None else repr(value)
        if kind in ("too_short", "too_long") and model_in(field.annotation) is not None:
            found = str(len(value))
        elif kind == "expected" and context["found"] is not None:
            found = repr(context["found"])
        words = context["words"] if kind == "expected" else words_of(field, place, value)
        found = _SECRET_PART.sub(r"\1\2/...", found)
        yield place, f"{place}: found {found}, expected {words}"


def _followed(
    model: type[BaseModel], table: Table, loc: Sequence[int | str]
) -> tuple[str, FieldInfo | None, type[BaseModel], Any]:
    """Return where an error stands in the file: its key in full, the field, the model in it, and the value that is
    written.

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
            place += called(value, part)
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


def called(entry: Table, index: int) -> str:
    """Return how an entry of a list is named in a fault: by its name where it has one, else by its place. [from 0]"""
    name = entry.get("name")
    return f".{name}" if is_name(name) else f"[{index}]"


def is_name(value: object) -> bool:
    """Return whether a value is a name as sites, surfaces, stations and probes have."""
    return isinstance(value, str) and is_slug(value)


def model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model of a table, or of the tables of a list; None for plain values."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := model_in(part)) is not None), None)


def words_of(field: FieldInfo, place: str, value: object) -> str:
    """Return what a field expects: its description, else its type and limits."""
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


def keys_of(model: type[BaseModel]) -> list[str]:
    """Return the keys of a table as they stand in the file."""
    return [field.alias or name for name, field in model.model_fields.items()]
