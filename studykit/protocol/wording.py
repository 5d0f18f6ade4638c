"""What a key of a protocol may hold, in plain words, read from the types."""

from __future__ import annotations

import datetime as dt
import types as python_types
from collections.abc import Mapping
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from studykit.protocol.base import OneOf, Section, Tagged
from studykit.protocol.lines import Path
from studykit.protocol.types import Protocol

_NUMBERS = {2: "two", 3: "three"}


def _members(annotation: Any) -> tuple[Any, ...]:
    """The alternatives of an annotation, ``None`` left out."""
    if get_origin(annotation) in (Union, python_types.UnionType):
        return tuple(member for member in get_args(annotation) if member is not type(None))
    return (annotation,)


def _only(info: FieldInfo) -> Any:
    members = _members(info.annotation)
    only = members[0] if len(members) == 1 else info.annotation
    return get_args(only)[0] if get_origin(only) is Annotated else only


def is_section(annotation: Any) -> bool:
    """Whether an annotation is one table of the protocol."""
    return isinstance(annotation, type) and issubclass(annotation, Section)


def element(info: FieldInfo) -> FieldInfo | None:
    """What stands in a list, or ``None`` where the value is no list."""
    annotation = _only(info)
    if get_origin(annotation) is not tuple:
        return None
    return FieldInfo.from_annotation(get_args(annotation)[0])


def alternatives(info: FieldInfo) -> tuple[str, dict[str, type[Section]]]:
    """The tag of a table that has several shapes, and the shape for each value of the tag."""
    tagged = next((piece for piece in info.metadata if isinstance(piece, Tagged)), None)
    if tagged is not None:
        return tagged.tag, dict(tagged.shapes())
    tag = info.discriminator
    members = [member for member in _members(info.annotation) if is_section(member)]
    if not isinstance(tag, str) or len(members) < 2:
        return "", {}
    return tag, {get_args(member.model_fields[tag].annotation)[0]: member for member in members}


def section_of(info: FieldInfo, value: Any) -> type[Section] | None:
    """The table that a value should be, chosen by its tag where there are several."""
    tag, shapes = alternatives(info)
    if shapes:
        named = value.get(tag) if isinstance(value, Mapping) else None
        return shapes.get(named) if isinstance(named, str) else None
    annotation = _only(info)
    return annotation if is_section(annotation) else None


def field_at(path: Path, document: Any) -> FieldInfo | None:
    """The field that a path in a document leads to, ``None`` where it leads nowhere."""
    section: type[Section] | None = Protocol
    info: FieldInfo | None = None
    here = document
    for step in path:
        here = _value(here, step)
        if isinstance(step, int):
            info = element(info) if info is not None else None
        else:
            info = section.model_fields.get(step) if section is not None else None
        if info is None:
            return None
        section = section_of(info, here)
    return info


def _value(here: Any, step: str | int) -> Any:
    try:
        return here[step]
    except (KeyError, IndexError, TypeError):
        return None


def _bounds(info: FieldInfo) -> str:
    words = []
    for constraint in info.metadata:
        for name, word in (("ge", "at least"), ("gt", "above"), ("le", "at most"), ("lt", "below")):
            bound = getattr(constraint, name, None)
            if bound is not None:
                words.append(f"{word} {bound:g}")
    return " and ".join(words)


def _pattern(info: FieldInfo) -> str | None:
    return next((found for piece in info.metadata if (found := getattr(piece, "pattern", None))), None)


def _base(info: FieldInfo) -> str:
    annotation = _only(info)
    tag, shapes = alternatives(info)
    if shapes:
        return f"a table with {tag} = " + " or ".join(f'"{name}"' for name in shapes)
    words = next((tuple(piece.known) for piece in info.metadata if isinstance(piece, OneOf)), ())
    if words or get_origin(annotation) is Literal:
        known = words or get_args(annotation)
        allowed = [f'"{value}"' if isinstance(value, str) else str(value) for value in known]
        return allowed[0] if len(allowed) == 1 else "one of " + ", ".join(allowed)
    if get_origin(annotation) is tuple:
        inner = element(info)
        parts = get_args(annotation)
        plural = _plural(inner) if inner is not None else "values"
        number = _NUMBERS.get(len(parts)) if Ellipsis not in parts else None
        return f"a list of {number} {plural}" if number else f"a list of {plural} in [ ]"
    if is_section(annotation):
        return "a table"
    simple = {
        bool: "true or false",
        int: "a whole number",
        float: "a number",
        str: "a text in quotation marks",
    }
    if annotation is dt.date:
        return "a date such as 2026-03-09"
    return simple.get(annotation, "a value")


def _plural(info: FieldInfo) -> str:
    annotation = _only(info)
    simple = {int: "whole numbers", float: "numbers", str: "codes" if _pattern(info) else "texts"}
    return simple.get(annotation, "tables")


def expected(info: FieldInfo) -> str:
    """What a key may hold, in plain words.

    Examples
    --------
    >>> from studykit.protocol.types import Dose
    >>> expected(Dose.model_fields["exercises_per_session"])
    'a whole number, at least 0 and at most 30'
    """
    meaning = info.description or ""
    if _pattern(info) and meaning:
        return meaning
    bounds = _bounds(info)
    words = _base(info) + (f", {bounds}" if bounds else "")
    already = meaning in ("", "a text", "a date such as 2026-03-09")
    return words if already else f"{words} ({meaning})"


def shown(value: Any, *, most: int = 60) -> str:
    """A value as it stands in a protocol, cut where it is long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, Mapping):
        text = "a table"
    elif isinstance(value, list) and value and all(isinstance(item, Mapping) for item in value):
        text = "a list of tables"
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(item) for item in value) + "]"
    elif isinstance(value, dt.date | dt.time):
        text = value.isoformat()
    else:
        text = str(value)
    return text if len(text) <= most else text[: most - 1] + "…"
