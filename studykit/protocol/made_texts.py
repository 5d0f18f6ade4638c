"""Texts of a protocol that name its entries in braces, and so never say another number than the entry.

``{horizon_day}`` stands for the entry of that name in the text's own table, or in the nearest table around
it; dots lead into tables, and a table of a list is named by its code or its place. ``{day in weeks}`` says
days in weeks, ``{exercises by name}`` gives the names of codes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from studykit.protocol.lines import Path

_REFERENCE = re.compile(r"\{([a-z_][a-z0-9_]*(?:\.[a-z0-9_]+)*)( in weeks| by name)?\}")


def with_texts(document: dict[str, Any]) -> tuple[dict[str, Any], tuple[tuple[Path, str], ...]]:
    """The document with its texts made, and each reference that leads to nothing, with its place.

    Examples
    --------
    >>> with_texts({"pace": [2, 4], "text": "in {pace} seconds; {place}"})
    ({'pace': [2, 4], 'text': 'in 2 to 4 seconds; {place}'}, ((('text',), '{place}'),))
    """
    lost: list[tuple[Path, str]] = []

    def made(value: Any, path: Path, around: tuple[Any, ...]) -> Any:
        if isinstance(value, Mapping):
            return {key: made(item, (*path, key), (value, *around)) for key, item in value.items()}
        if isinstance(value, list):
            return [made(item, (*path, number), around) for number, item in enumerate(value)]
        if not isinstance(value, str) or "{" not in value:
            return value

        def said(found: re.Match[str]) -> str:
            text = _said(_entry(found[1].split("."), around), (found[2] or "").strip(), around[-1])
            if text is None:
                lost.append((path, found[0]))
            return found[0] if text is None else text

        return _REFERENCE.sub(said, value)

    return made(document, (), ()), tuple(lost)


def _entry(names: Sequence[str], around: Sequence[Any]) -> Any:
    """The entry that a reference names, from the nearest table that has the first name."""
    here = next((table for table in around if names[0] in table), None)
    for name in names:
        if isinstance(here, list):
            coded = [item for item in here if isinstance(item, Mapping) and item.get("code") == name]
            if coded:
                here = coded[0]
            elif name.isdigit():
                here = here[int(name)] if int(name) < len(here) else None
            else:
                here = [item.get(name) for item in here if isinstance(item, Mapping)] or None
        else:
            here = here.get(name) if isinstance(here, Mapping) else None
    return here


def _said(entry: Any, how: str, document: Mapping[str, Any]) -> str | None:
    """An entry in words; ``None`` where it has none."""
    if how:
        coded = {
            item["code"]: item
            for tables in document.values() if isinstance(tables, list)
            for item in tables if isinstance(item, Mapping) and isinstance(item.get("code"), str)
        }  # fmt: skip
        wanted = "day" if how == "in weeks" else "name"
        values = [
            coded.get(item, {}).get(wanted) if isinstance(item, str) else item
            for item in (entry if isinstance(entry, list) else [entry])
        ]
        if how == "in weeks":
            return _weeks(values)
        entry = values if all(isinstance(value, str) for value in values) else None
    if entry == []:
        return "nothing else"
    if isinstance(entry, list) and all(_is_plain(item) for item in entry):
        words = [f"{item:g}" if isinstance(item, float) else str(item) for item in entry]
        if len(words) == 2 and not isinstance(entry[0], str):
            return " to ".join(words)
        return listed(words)
    if not _is_plain(entry) or entry == "":
        return None
    return f"{entry:g}" if isinstance(entry, float) else str(entry)


def _is_plain(value: Any) -> bool:
    return isinstance(value, int | float | str) and not isinstance(value, bool)


def _weeks(days: Sequence[Any]) -> str | None:
    """Days after allocation in weeks, or in days where the weeks are not whole."""
    after = [day for day in days if isinstance(day, int) and not isinstance(day, bool) and day > 0]
    if not after or any(not isinstance(day, int) for day in days):
        return None
    whole = all(day % 7 == 0 for day in after)
    numbers = [day // 7 if whole else day for day in after]
    unit = "week" if whole else "day"
    return f"{listed([str(number) for number in numbers])} {unit}{'' if numbers == [1] else 's'}"


def listed(words: Sequence[str]) -> str:
    """Words in a row.

    Examples
    --------
    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
