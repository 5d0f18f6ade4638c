"""The short protocol of an owner: what it does not say has the value of a ready protocol.

``ready = "parallel"`` names the page in ``protocols/``. What is locked is the whole.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from studykit.errors import ArgumentError, Finding, ProtocolError
from studykit.protocol.lines import Statement, path_text, statements
from studykit.protocol.resolved import flattened
from studykit.shipped import shipped

_KEY = "ready"
_TAGS = ("kind", "method", "rule")
"""Entries that tell the shape of their table: another word there, and nothing of the table remains."""

_DECIDED = re.compile(
    r"format|roles\..*|exercises\.(code|name|unit|stack_step|side|pair)|strata\..*|periods\..*|allocation\..*|cautions\..*"
    r"|study\.(title|code|version|date|setting|framework|registration|funding|interests|carry_over)"
    r"|ethics\.(review|reference|reason|keep_until|afterwards)"
    r"|eligibility\.minimum_age"
    r"|arms\.(code|dose\.(conventional_repetitions|to_limit|partner_reps_per_set|exercises_per_session"
    r"|hours_between))"
    r"|visits\.(code|name|day)|harms\.reviewer"
    r"|outcomes\.(code|role|exercises|primary_visit|smallest_worthwhile|horizon_day)"
    r"|planning\.(clients|trainers|retention_reference\..*)"
)
"""What an owner decides; so is every entry that begins empty, but for those that few studies need."""
_SELDOM = frozenset({"oversight.look_rule"})

_HOW = """#
# Here stands what you decide. Every other entry has a value already, of the ready protocol "{name}".
# - `studykit whole my_study` prints all entries; `studykit keys harms` says what each may hold.
# - To change one that is not here, write it under its heading, such as soreness_hours = 48 under [harms].
# - A list of tables ([[exercises]], [[visits]] …) holds what is listed here, and nothing else.
"""


def names() -> tuple[str, ...]:
    """Names of the ready protocols."""
    return tuple(sorted(path.stem for path in shipped("protocols").glob("*.toml")))


def ready_text(name: str) -> str:
    """Text of a ready protocol.

    Raises
    ------
    ArgumentError
        If there is none of this name.
    """
    if name not in names():
        raise ArgumentError(
            where="design", expected=f"a ready protocol: {', '.join(names())}", got=repr(name)
        )
    return (shipped("protocols") / f"{name}.toml").read_text(encoding="utf-8")


def over_ready(document: dict[str, Any], *, where: str) -> dict[str, Any]:
    """A protocol's entries laid over those of the ready protocol that it names, if it names one.

    Raises
    ------
    ProtocolError
        If there is no ready protocol of that name.
    """
    if _KEY not in document:
        return document
    name = document[_KEY]
    if name not in names():
        expected = "the name of a ready protocol: " + ", ".join(names())
        raise ProtocolError([Finding("stop", f"{where}, {_KEY}", expected, repr(name))])
    own = {key: value for key, value in document.items() if key != _KEY}
    laid: dict[str, Any] = _laid(tomllib.loads(ready_text(name)), own)
    return laid


def _laid(ready: Any, own: Any) -> Any:
    """One value over another: tables entry by entry, lists of tables by code, all else whole."""
    if isinstance(ready, Mapping) and isinstance(own, Mapping):
        other = any(tag in ready and own.get(tag, ready[tag]) != ready[tag] for tag in _TAGS)
        if other or "source" in ready:  # a number of one's own has a source of its own
            return own
        return {**ready, **{key: _laid(ready.get(key), value) for key, value in own.items()}}
    if isinstance(ready, list) and isinstance(own, list):
        coded = {item["code"]: item for item in ready if isinstance(item, Mapping) and "code" in item}
        return [
            _laid(coded.get(str(item.get("code"))), item) if isinstance(item, Mapping) else item
            for item in own
        ]
    return own


def whole_text(content: Mapping[str, Any], *, typed: str) -> str:
    """Every entry of a protocol as TOML, and below it what was typed; only that where it is whole itself."""
    if tomllib.loads(typed) == content:
        return typed
    import tomlkit

    below = "".join(f"# {line}".rstrip() + "\n" for line in typed.split("\n"))
    return (
        "# The whole protocol: what its owner wrote, and for all else the ready protocol.\n\n"
        f"{tomlkit.dumps(content)}\n# As its owner wrote it:\n#\n{below}"
    )


def shortened(text: str, *, name: str) -> str:
    """A ready protocol with an owner's answers, cut to what an owner decides and what differs."""
    document = tomllib.loads(text)
    ours, theirs = flattened(document), flattened(tomllib.loads(ready_text(name)))

    def stays(statement: Statement) -> bool:
        path = statement.path
        assumed = path[0] == "planning" and len(path) == 3  # a number stays together with its source
        at = path_text(path[:2] if assumed else path, document)
        plain = ".".join(step for step in path if isinstance(step, str))
        changed = _part(ours, at) != _part(theirs, at)
        empty = statement.value == '""' and plain not in _SELDOM
        return changed or empty or _DECIDED.fullmatch(plain) is not None

    lines, found = text.split("\n"), statements(text)
    head = "\n".join(lines[: found[0].line - 1]).rstrip()
    kept, titles, headings = [head, _HOW.format(name=name)], list[str](), list[str]()
    for statement in found:
        block = _block(lines, statement.line - 1)
        if statement.kind != "key":
            titles += [f"\n{line}" for line in _above(lines, statement.line - 1) if line.startswith("# ---")]
            headings = [f"\n{block}"]
        elif statement.keys == ("design",):
            kept.append(re.sub(r'^design = "\w+"', f'{_KEY} = "{name}"', block))
        elif stays(statement):
            kept += [*titles[-1:], *headings, block]
            titles, headings = [], []
    return "\n".join(kept).rstrip() + "\n"


def _part(flat: Mapping[str, str], at: str) -> dict[str, str]:
    return {key: value for key, value in flat.items() if key == at or key.startswith((f"{at},", f"{at} "))}


def _block(lines: list[str], first: int) -> str:
    """A statement's lines, with the comments right above and those to its right."""
    last = first + 1
    while last < len(lines) and lines[last].startswith((" ", "]")):
        last += 1
    while first and lines[first - 1].startswith("#") and not lines[first - 1].startswith("# ---"):
        first -= 1
    return "\n".join(lines[first:last])


def _above(lines: list[str], first: int) -> list[str]:
    """The comments above a heading, blank lines between them passed over."""
    start = first
    while start and (not lines[start - 1] or lines[start - 1].startswith("#")):
        start -= 1
    return lines[start:first]
