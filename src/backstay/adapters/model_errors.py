"""What is wrong with a user's file, in one sentence: file, place, value found, what would have been accepted.

A list entry is named by its number counted from one: `vessel.lesion#2.to_mm` is the second lesion's.
"""

from __future__ import annotations

import difflib
import enum
import types
from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Literal, Union, cast, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from backstay.errors import FileFormatError, InputError

LONGEST_VALUE = 60

Loc = Sequence[int | str]


def as_input_error(
    model: type[BaseModel], error: ValidationError, *, where: str, data: object = None
) -> InputError:
    """Return the problem that explains most, as the error a user sees, with a count of the others.

    An entry that has an id in `data`, what was checked, is named by it too.
    """
    details: list[dict[str, Any]] = sorted(
        (dict(detail) for detail in error.errors(include_url=False)), key=_rank
    )
    of = _id_at(data, details[0]["loc"])
    return _explain(model, details[0], where=where, of=of, others=len(details) - 1)


def _id_at(data: object, loc: Loc) -> str:
    """Return the id of the innermost list entry on the way to a place, as the user wrote it; empty where there is none."""
    found = ""
    for part in loc[:-1]:
        if isinstance(data, dict):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
            of = data.get("id") if isinstance(data, dict) else None
            found = of if isinstance(of, str) and of.isprintable() else found
        else:
            return found
    return found


def _rank(detail: dict[str, Any]) -> int:
    """Order problems: a wrong schema number explains all others, a misspelt key explains a missing one."""
    if tuple(detail["loc"]) in {("schema",), ("schema_",)}:
        return 0
    return 1 if detail["type"] == "extra_forbidden" else 2


def _explain(
    model: type[BaseModel], detail: dict[str, Any], *, where: str, of: str, others: int
) -> InputError:
    loc, kind = tuple(detail["loc"]), str(detail["type"])
    more = f" ({short(of)})" if of else ""
    more += "" if others == 0 else f" (and {others} more problem{'s' if others > 1 else ''})"
    raised = detail.get("ctx", {}).get("error")
    if isinstance(raised, InputError):
        field = ".".join(part for part in (dotted(loc), raised.field) if part)
        return type(raised)(
            raised.message + more, field=field, value=short(raised.value), allowed=raised.allowed, where=where
        )
    if kind == "extra_forbidden":
        keys = keys_at(model, loc[:-1])
        near = difflib.get_close_matches(str(loc[-1]), keys, n=1, cutoff=0.5)
        message = f"unknown key, did you mean {near[0]}?" if near else "unknown key"
        return FileFormatError(
            message + more,
            field=dotted(loc),
            value=short(detail["input"]),
            allowed=", ".join(keys),
            where=where,
        )
    field_info = field_at(model, loc)
    if kind == "missing":
        allowed = _allowed(detail, field_info)
        return FileFormatError("missing key" + more, field=dotted(loc), allowed=allowed, where=where)
    # A value of the wrong type is a fault of the file's form, one out of range is a wrong input.
    error = FileFormatError if kind.endswith("_type") or kind == "int_from_float" else InputError
    return error(
        _message(detail) + more,
        field=dotted(loc),
        value=short(detail["input"]),
        allowed=_allowed(detail, field_info),
        where=where,
    )


_WORDS = {
    "literal_error": "not one of the allowed values",
    "enum": "not one of the allowed values",
    "finite_number": "not a finite number",
    "float_type": "not a number",
    "int_type": "not a whole number",
    "int_from_float": "not a whole number",
    "string_type": "not a text",
    "bool_type": "not true or false",
    "list_type": "not a list",
    "tuple_type": "not a list",
    "dict_type": "not a table",
    "model_type": "not a table",
    "model_attributes_type": "not a table",
    "too_short": "too few entries",
    "too_long": "too many entries",
    "string_too_short": "the text is too short",
    "string_too_long": "the text is too long",
    "timezone_aware": "a time without its offset from UTC",
    "datetime_from_date_parsing": "not a time",
    "datetime_parsing": "not a time",
    "string_pattern_mismatch": "the text holds line breaks or control characters",
}
_TYPES: dict[object, str] = {float: "a number", int: "a whole number", str: "a text", bool: "true or false"}


def _message(detail: dict[str, Any]) -> str:
    kind = str(detail["type"])
    if kind.startswith(("greater_than", "less_than")):
        return "out of range"
    if kind == "value_error":
        return str(detail["ctx"]["error"])
    return _WORDS.get(kind, str(detail["msg"]))


def _allowed(detail: dict[str, Any], field: FieldInfo | None) -> str:
    """Say what would have been accepted: the words of a choice, else the range and the kind of value."""
    context = detail.get("ctx", {})
    if "expected" in context:
        return str(context["expected"])
    if detail["type"] in {"model_type", "model_attributes_type", "dict_type"}:
        return "a table"
    if detail["type"] in {"list_type", "tuple_type"}:
        return "a list"
    if str(detail["type"]).startswith(("timezone", "datetime")):
        return 'text such as "2031-04-05T09:30:00+02:00"'
    for bound in ("min_length", "max_length"):
        if bound in context:
            return f"{'at least' if bound == 'min_length' else 'at most'} {context[bound]}"
    return "" if field is None else describe(field)


def describe(field: FieldInfo) -> str:
    """Return in words what a field accepts: "a number, 0 to 120", "one of none, mild, moderate, severe"."""
    choices = _choices(field.annotation)
    if choices:
        return "one of " + ", ".join(choices)
    kind = next((_TYPES[t] for t in _flat(field.annotation) if t in _TYPES), "a table or list")
    limits = {
        name: value
        for item in field.metadata
        for name in ("gt", "ge", "lt", "le")
        if (value := getattr(item, name, None)) is not None
    }
    if limits.keys() == {"ge", "le"}:
        return f"{kind}, {limits['ge']:g} to {limits['le']:g}"
    words = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
    text = " and ".join(f"{words[name]} {limits[name]:g}" for name in words if name in limits)
    return f"{kind}, {text}" if text else kind


def _choices(annotation: object) -> list[str]:
    for part in _flat(annotation):
        if isinstance(part, type) and issubclass(part, enum.Enum):
            return [str(member.value) for member in part]
        if get_origin(part) is Literal:
            return [str(value) for value in get_args(part)]
    return []


def dotted(loc: Loc) -> str:
    """Return a place in a file as users read it: ("lesion", 1, "to_mm") is "lesion#2.to_mm"."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"#{part + 1}"
        else:
            # A quoted key may hold anything, line breaks and terminal codes too.
            name = part if part.isprintable() else repr(part)
            text += ("." if text else "") + name.removesuffix("_")[:LONGEST_VALUE]
    return text


def short(value: object) -> object:
    """Return a value fit for one line of a message."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    if isinstance(value, str) and len(value) > LONGEST_VALUE:
        return value[:LONGEST_VALUE] + "..."
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > 10**LONGEST_VALUE:
        return "a huge number"
    return value


def _flat(annotation: object) -> Iterator[object]:
    """Yield the parts of an annotation, with unions and Annotated opened."""
    origin = get_origin(annotation)
    if origin is Annotated:
        yield from _flat(get_args(annotation)[0])
    elif origin in (Union, types.UnionType):
        for part in get_args(annotation):
            yield from _flat(part)
    else:
        yield annotation


def _inside(annotation: object) -> object:
    """Return the type of a list's or table's entries."""
    for part in _flat(annotation):
        if get_origin(part) in (list, tuple, dict):
            return next((a for a in reversed(get_args(part)) if a is not Ellipsis), None)
    return None


def _field(model: type[BaseModel], name: str) -> FieldInfo | None:
    for key, field in model.model_fields.items():
        if name in (key, field.alias):
            return field
    return None


def _walk(model: type[BaseModel], loc: Loc) -> tuple[object, FieldInfo | None]:
    """Follow a place into a model; returns the annotation there and the field that declares it."""
    annotation: object = model
    field: FieldInfo | None = None
    for part in loc:
        models = [t for t in _flat(annotation) if isinstance(t, type) and issubclass(t, BaseModel)]
        found = next((f for m in models if (f := _field(m, str(part))) is not None), None)
        if found is not None:
            annotation, field = found.annotation, found
        elif (entry := _inside(annotation)) is not None:
            annotation, field = entry, FieldInfo.from_annotation(cast("type[Any]", entry))
        # Anything else is pydantic's own name for a branch of a union: stay where we are.
    return annotation, field


def keys_at(model: type[BaseModel], loc: Loc) -> list[str]:
    """Return the keys a table of the file may hold at a place."""
    annotation, _ = _walk(model, loc)
    models = [t for t in _flat(annotation) if isinstance(t, type) and issubclass(t, BaseModel)]
    return [field.alias or key for m in models for key, field in m.model_fields.items()]


def field_at(model: type[BaseModel], loc: Loc) -> FieldInfo | None:
    """Return the field at a place of a model; None when the place is not a field."""
    return _walk(model, loc)[1]
