"""The page on the keys of a protocol, made from the types."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from studykit.protocol import wording
from studykit.protocol.base import Section
from studykit.protocol.types import Assumption, Protocol, Strategies


def protocol_page() -> str:
    """Markdown: one table for each part of a protocol, with every key, what it may hold and its default.

    Examples
    --------
    >>> print(protocol_page().splitlines()[0])
    ### The top of the file
    """
    parts: list[str] = []
    for title, about, section in _sections("The top of the file", Protocol):
        parts += [f"### {title}", "", about, "", "| key | what it may hold | default |", "|---|---|---|"]
        parts += [_row(name, info) for name, info in section.model_fields.items()]
        parts.append("")
    return "\n".join(parts)


def _sections(title: str, section: type[Section]) -> Iterator[tuple[str, str, type[Section]]]:
    """A section and, after it, every section inside it, each once."""
    yield title, _first_line(section), section
    if section in (Assumption, Strategies):
        return
    prefix = "" if section is Protocol else title.split(" ", 1)[0].strip("[]`") + "."
    told: set[type[Section]] = set()
    for name, info in section.model_fields.items():
        inner = wording.element(info)
        brackets = ("[[", "]]") if inner is not None else ("[", "]")
        tag, shapes = wording.alternatives(inner or info)
        single = wording.section_of(inner or info, {})
        for value, shape in [*shapes.items(), *([("", single)] if single is not None else [])]:
            if shape in told:
                continue
            told.add(shape)
            which = f' with {tag} = "{value}"' if value else ""
            heading = f"`{brackets[0]}{prefix}{name}{brackets[1]}`{which}"
            if shape is Assumption:
                heading = "Each assumption, such as `[planning.sd_score]`"
            yield from _sections(heading, shape)


def _first_line(section: type[Section]) -> str:
    return (section.__doc__ or "").strip().splitlines()[0]


def _row(name: str, info: FieldInfo) -> str:
    return f"| `{name}` | {wording.expected(info)} | {_default(info)} |"


def _default(info: FieldInfo) -> str:
    if info.default is PydanticUndefined:
        return "must be given"
    if info.default is None or info.default == "" or isinstance(info.default, Section):
        return "none" if not isinstance(info.default, Section) else "the defaults below"
    value = list(info.default) if isinstance(info.default, tuple) else info.default
    return f"`{wording.shown(value)}`"
