"""Where in the text of a protocol each table and key stands.

The TOML reader of the standard library keeps no places, and stops at the first mistake. This
module splits a text, right or wrong, into statements with their line numbers; nothing here judges.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import accumulate
from typing import Any, Literal

Path = tuple[str | int, ...]
"""The way to one value: keys, and positions in lists."""

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]#]*?)\s*(\]?\]?)\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:"[^"]*"|'[^']*'|[^=#"'])+?)\s*=(.*)$""", re.S)
_NEW_STATEMENT = re.compile(r"^\s*(?:[A-Za-z_][\w.-]*\s*=|\[\[?\s*[a-z_][\w.]*\s*\]\]?\s*(?:#.*)?$)")
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"""|\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{}]',
    re.S,
)
_LEVEL = {"[": 1, "{": 1, "]": -1, "}": -1}


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement of a protocol's text.

    Parameters
    ----------
    line : int
        Line on which it begins, from 1.
    kind : {"key", "table", "tables", "other"}
        ``key = value``, ``[table]``, ``[[table in a list]]``, or a line that is none of them.
    keys : tuple of str
        The dotted key or the name of the table, in parts.
    value : str
        What follows the equals sign, as typed and without a closing comment; the line itself where
        there is none.
    path : tuple
        The way to the table or the value in the whole document.
    """

    line: int
    kind: Literal["key", "table", "tables", "other"]
    keys: tuple[str, ...]
    value: str
    path: Path


def _open_brackets(value: str) -> tuple[int, bool]:
    """How many brackets are open at the end, and whether a text in triple quotation marks is."""
    depth = 0
    for token in _TOKEN.findall(value):
        if token in ('"""', "'''"):
            return depth, True
        depth += _LEVEL.get(token, 0)
    return depth, False


def deepest_bracket(value: str) -> int:
    """How many brackets are open at the deepest place; those in texts and comments do not count.

    Examples
    --------
    >>> deepest_bracket('[[1], ["[[["]]  # [[[')
    2
    """
    return max(accumulate((_LEVEL.get(token, 0) for token in _TOKEN.findall(value)), initial=0))


def without_texts(value: str) -> str:
    """A value with its texts and comments taken out."""
    return _TOKEN.sub(lambda found: found[0] if found[0] in _LEVEL else "", value)


def _without_comment(value: str) -> str:
    return _TOKEN.sub(lambda found: "" if found[0].startswith("#") else found[0], value).strip()


def _names(text: str) -> tuple[str, ...]:
    """The parts of a dotted key."""
    return tuple(part.strip().strip("\"'") for part in re.findall(r'"[^"]*"|\'[^\']*\'|[^.]+', text))


class _Walk:
    """Keeps the current table while statements pass by."""

    def __init__(self) -> None:
        self.table: Path = ()
        self.counts: dict[Path, int] = {}

    def within(self, keys: tuple[str, ...]) -> Path:
        """The way to a table by its name; a list of tables stands for its latest."""
        path: Path = ()
        for key in keys:
            path = (*path, key)
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        return path

    def enter(self, keys: tuple[str, ...], *, listed: bool) -> Path:
        if listed:
            path = (*self.within(keys[:-1]), *keys[-1:])
            self.counts[path] = self.counts.get(path, 0) + 1
            self.table = (*path, self.counts[path] - 1)
        else:
            self.table = self.within(keys)
        return self.table


def statements(text: str) -> tuple[Statement, ...]:
    r"""Split a protocol's text into statements; a broken text is split as well as can be.

    Examples
    --------
    >>> [(found.line, found.kind, found.path) for found in statements('[[arms]]\ncode = "a"\n')]
    [(1, 'tables', ('arms', 0)), (2, 'key', ('arms', 0, 'code'))]
    """
    lines, walk, found, number = text.split("\n"), _Walk(), [], 0
    while number < len(lines):
        line, first = lines[number], number
        number += 1
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            keys, listed = _names(header[2]), header[1] == "[["
            path = walk.enter(keys, listed=listed)
            found.append(Statement(first + 1, "tables" if listed else "table", keys, line.strip(), path))
        elif key:
            keys, value = _names(key[1]), key[2]
            while number < len(lines):
                depth, in_text = _open_brackets(value)
                if not in_text and (depth <= 0 or _NEW_STATEMENT.match(lines[number])):
                    break
                value += "\n" + lines[number]
                number += 1
            path = (*walk.table, *keys)
            found.append(Statement(first + 1, "key", keys, _without_comment(value), path))
        else:
            found.append(Statement(first + 1, "other", (), _without_comment(line), walk.table))
    return tuple(found)


def line_of(path: Path, text: str) -> int | None:
    r"""The line of a value, or of the nearest table around it; ``None`` if neither is in the text.

    Examples
    --------
    >>> line_of(("arms", 0, "name"), '\n[[arms]]\ncode = "a"\n')
    2
    """
    lines: dict[Path, int] = {}
    for statement in statements(text):
        if statement.kind != "other":
            lines.setdefault(statement.path, statement.line)
            if statement.kind == "tables":
                lines.setdefault(statement.path[:-1], statement.line)
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return None


def path_text(path: Path, document: Any) -> str:
    """Section and key as typed; a table in a list is named by its code.

    Examples
    --------
    >>> path_text(("outcomes", 0, "unit"), {"outcomes": [{"code": "strength"}]})
    "outcomes 'strength', unit"
    """
    parts: list[str] = []
    here = document
    for step in path:
        here = _step(here, step)
        if isinstance(step, str):
            parts.append(step)
            continue
        code = here.get("code") if isinstance(here, Mapping) else None
        name = f" '{code}'" if isinstance(code, str) else f" number {step + 1}"
        parts[-1:] = [f"{parts[-1] if parts else ''}{name}"]
    return ", ".join(parts)


def _step(here: Any, step: str | int) -> Any:
    try:
        return here[step]
    except (KeyError, IndexError, TypeError):
        return None


def place(where: str, path: Path, *, text: str, document: Any) -> str:
    """File, line, section and key, as a person would look them up."""
    line = line_of(path, text) if text else None
    parts = (where, f"line {line}" if line else "", path_text(path, document))
    return ", ".join(part for part in parts if part)
