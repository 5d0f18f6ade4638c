"""Findings from what the types refuse: one plain message each, never the library's own text."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from studykit.errors import Finding
from studykit.protocol import wording
from studykit.protocol.base import Section
from studykit.protocol.lines import Path, line_of, place
from studykit.protocol.types import Protocol

_DECIMAL_COMMA = re.compile(r"^\s*[+-]?\d+,\d+\s*$")
_NUMBER = re.compile(r"^\s*[+-]?\d+(\.\d+)?\s*$")


def type_findings(
    error: ValidationError, document: Mapping[str, Any], *, where: str, text: str
) -> tuple[Finding, ...]:
    """Translate every refusal of the types into a finding.

    Parameters
    ----------
    error : ValidationError
        What the types said of ``document``.
    document : mapping
        The protocol as read from TOML.
    where, text : str
        The file's name, and its text for the line numbers.
    """
    refusals: list[tuple[Path, str]] = []
    for item in error.errors(include_url=False, include_context=False, include_input=False):
        path = _plain_path(item["loc"], document)
        if item["type"] == "missing" and isinstance(path[-1], int):
            path = path[:-1]  # a list of fixed length: the list is wrong, not its missing member
        refusal = (path, item["type"])
        if refusal not in refusals and not _is_echo(*refusal, document):
            refusals.append(refusal)
    refusals.sort(key=lambda refusal: line_of(refusal[0], text) or 0)
    typed_wrongly = {
        (*path[:-1], _nearest(path, document)) for path, kind in refusals if kind == "extra_forbidden"
    }
    return tuple(
        _finding(path, kind, document, where=where, text=text)
        for path, kind in refusals
        if not (kind == "missing" and path in typed_wrongly)
    )


def _is_echo(path: Path, kind: str, document: Any) -> bool:
    """Whether a list is called too short only because one of its tables was refused."""
    value, info = _value_at(path, document), wording.field_at(path, document)
    return kind == "too_short" and isinstance(value, list) and info is not None and len(value) >= _least(info)


def _plain_path(location: Sequence[int | str], document: Any) -> Path:
    """The place in the document; the tags that the library puts between are taken out."""
    path: Path = ()
    tags: set[str] = set()
    for step in location:
        if isinstance(step, str) and step in tags:
            tags = set()
            continue
        path = (*path, step)
        info = wording.field_at(path, document)
        tags = set(wording.alternatives(info)[1]) if info is not None else set()
    return path


def _value_at(path: Path, document: Any) -> Any:
    here = document
    for step in path:
        try:
            here = here[step]
        except (KeyError, IndexError, TypeError):
            return None
    return here


def _section_at(path: Path, document: Any) -> type[Section] | None:
    if not path:
        return Protocol
    info = wording.field_at(path, document)
    return wording.section_of(info, _value_at(path, document)) if info is not None else None


def _nearest(path: Path, document: Any) -> str:
    """The known key most like the one typed, or an empty text."""
    section = _section_at(path[:-1], document)
    known = list(section.model_fields) if section is not None else []
    found = difflib.get_close_matches(str(path[-1]), known, n=1, cutoff=0.6)
    return found[0] if found else ""


def _homes(key: str) -> list[str]:
    """Tables of the protocol that know a key."""
    found = []
    for name, info in Protocol.model_fields.items():
        inner = wording.element(info) or info
        shapes: list[type[Section] | None] = [*wording.alternatives(inner)[1].values()]
        shapes = shapes or [wording.section_of(inner, {})]
        if any(shape is not None and key in shape.model_fields for shape in shapes):
            found.append(f"[[{name}]]" if wording.element(info) else f"[{name}]")
    return found


def _finding(path: Path, kind: str, document: Any, *, where: str, text: str) -> Finding:
    at = place(where, path, text=text, document=document)
    if kind == "extra_forbidden":
        return Finding("stop", at, "a key that is known here", str(path[-1]), _unknown(path, document))
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        return _tag_finding(path, document, where=where, text=text)
    info = wording.field_at(path, document)
    words = wording.expected(info) if info is not None else "something else"
    if path == ("analysis", "comparison"):
        words = f"the code of an arm: {_arm_codes(document)}"
    if kind == "missing" and _value_at(path, document) is None:
        key = path[-1] if path else ""
        example = words if words.isdigit() else "…"
        todo = f"Add {key} = {example}" if _is_plain(info) else f"Add the table [{key}] or [[{key}]]."
        return Finding("stop", at, words, "nothing", todo)
    value = _value_at(path, document)
    if kind == "too_short" and isinstance(value, list):
        words = f"{words}, with at least {_least(info)} of them"
    return Finding("stop", at, words, wording.shown(value), _remedy(kind, value, words, path))


def _arm_codes(document: Any) -> str:
    arms = document.get("arms") if isinstance(document, Mapping) else None
    known = [str(arm.get("code")) for arm in arms or () if isinstance(arm, Mapping) and arm.get("code")]
    return ", ".join(known) or "none is declared yet"


def _least(info: Any) -> int:
    return next((found for piece in info.metadata if (found := getattr(piece, "min_length", None))), 1)


def _is_plain(info: Any) -> bool:
    if info is None:
        return True
    inner = wording.element(info) or info
    return wording.section_of(inner, {}) is None and not wording.alternatives(inner)[1]


def _unknown(path: Path, document: Any) -> str:
    nearest = _nearest(path, document)
    if nearest:
        return f"Did you mean {nearest}?"
    other = _other_shape(path, document)
    if other:
        return f"It belongs to {other}; delete it here, or change that line."
    homes = _homes(str(path[-1]))
    if homes:
        return f"It belongs in {' or '.join(homes)}."
    section = _section_at(path[:-1], document)
    known = ", ".join(section.model_fields) if section is not None else ""
    return f"Known here: {known}." if known else "Delete it."


def _other_shape(path: Path, document: Any) -> str:
    """The shapes of the same table that know a key which the chosen shape does not."""
    info = wording.field_at(path[:-1], document)
    tag, shapes = wording.alternatives(info) if info is not None else ("", {})
    known = [value for value, shape in shapes.items() if path[-1] in shape.model_fields]
    return f"{tag} = " + " or ".join(f'"{value}"' for value in known) if known else ""


def _tag_finding(path: Path, document: Any, *, where: str, text: str) -> Finding:
    """A table with several shapes whose tag is missing or unknown."""
    info = wording.field_at(path, document)
    tag, shapes = wording.alternatives(info) if info is not None else ("", {})
    value = _value_at(path, document)
    given = value.get(tag) if isinstance(value, Mapping) else value
    at = place(where, (*path, tag), text=text, document=document)
    near = difflib.get_close_matches(str(given), list(shapes), n=1)
    missing = f'Add {tag} = "{next(iter(shapes), "")}".' if given is None else "Choose one of them."
    todo = f'Did you mean "{near[0]}"?' if near else missing
    allowed = "one of " + ", ".join(f'"{shape}"' for shape in shapes)
    return Finding("stop", at, allowed, "nothing" if given is None else wording.shown(given), todo)


def _remedy(kind: str, value: Any, words: str, path: Path) -> str:
    """What to do about a value of the wrong kind."""
    number_wanted = words.startswith(("a number", "a whole number", "a share"))
    if isinstance(value, float) and not math.isfinite(value):
        return "Give an ordinary number, or leave the line out."
    if words.startswith("true or false"):
        return "Write true or false, without quotation marks."
    if words.startswith("a list of") and not isinstance(value, list):
        if isinstance(value, Mapping):
            return f"Write the name of the table in double brackets: [[{path[-1]}]]."
        return "Put it in square brackets, even if there is only one."
    if words.startswith("a table") and isinstance(value, list):
        return f"Write the name of the table in single brackets: [{path[-1]}]."
    if isinstance(value, str):
        return _remedy_of_text(value, words, number_wanted=number_wanted)
    if number_wanted and isinstance(value, int | float) and not isinstance(value, bool):
        whole = words.startswith("a whole number") and isinstance(value, float)
        return "Leave the decimals out." if whole else "Give a number within the bounds."
    if kind.startswith("string") and not isinstance(value, list | Mapping):
        return "Put it in quotation marks."
    return "Correct it."


_SPECIAL_BLANK = re.compile("[\u00a0\u2007\u202f\u2002\u2003\u2009]")
_SPECIAL_MINUS = re.compile("[\u2212\u2010-\u2015]")


def _remedy_of_text(value: str, words: str, *, number_wanted: bool) -> str:
    if _SPECIAL_BLANK.search(value):
        return "It holds a special blank that only looks like one; delete it and type the blank anew."
    if number_wanted and _SPECIAL_MINUS.search(value):
        return "It holds a typographic minus; type - from the keyboard, without quotation marks."
    if number_wanted and _DECIMAL_COMMA.match(value):
        return "Write it with a point and without quotation marks, such as 3.5."
    if number_wanted:
        return "Take the quotation marks away." if _NUMBER.match(value) else "Give a number."
    choices = re.findall(r'"([^"]*)"', words)
    if words.startswith("one of") and choices:
        near = difflib.get_close_matches(value.lower(), choices, n=1)
        return f'Did you mean "{near[0]}"?' if near else "Choose one of them."
    if words.startswith("a date"):
        return "Write the year first, and a day that exists."
    return "Correct it."
