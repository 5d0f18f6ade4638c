"""Plain messages for a text that is not valid TOML.

The reader of the standard library stops at the first mistake and often says no more than "Invalid
value"; here every statement is tried by itself, so that all mistakes are told at once.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from typing import Any

from studykit.errors import Finding
from studykit.protocol.lines import Path, Statement, path_text, statements

_STRAIGHT = re.compile(r'"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'')
_CURLY = re.compile("[“”„‟‘’‚«»]")
_MOST_ALIKE = 3
_PATH = re.compile(r"[A-Za-z]:\\(?!\\)")

_RULES: tuple[tuple[re.Pattern[str], str, str], ...] = (
    (
        re.compile(r"^[+-]?\d+,\d+$"),
        "a number with a decimal point",
        "Write it with a point, such as 3.5 instead of 3,5.",
    ),
    (
        re.compile(r"^(true|false|yes|no|on|off)$", re.IGNORECASE),
        "true or false in small letters",
        "Write true or false, without quotation marks.",
    ),
    (
        re.compile(r"^[+-]?(nan|inf|infinity|none|null|n/?a)$", re.IGNORECASE),
        "a value",
        "Where nothing is known, leave the whole line out.",
    ),
    (
        re.compile(r"^\d{1,4}[-./]\d{1,2}[-./]\d{1,4}\.?$"),
        "a date that exists, as year-month-day",
        "Write it like 2026-03-09.",
    ),
    (
        re.compile(r"^[+-]?(\d[\d_.]*)\s*[%a-zA-Zµ°]+[\w%/]*$"),
        "a number alone",
        "Leave the unit or the per cent sign out.",
    ),
    (
        re.compile(r"^[+-]?0\d+(\.\d*)?$"),
        "a number without a leading zero",
        "Drop the zero, or put it in quotation marks if it is a code.",
    ),
    (re.compile(r"^[+-]?(\.\d+|\d+\.)$"), "a number with digits on both sides of the point", "Write 0.5."),
    (re.compile(r"^$"), "a value after the equals sign", "Give one, or leave the whole line out."),
    (re.compile(r"^[^\[\]{}\"']+$"), "a text in quotation marks", 'Write it as "…".'),
)


def _shown(value: str, *, most: int = 60) -> str:
    first = value.split("\n", 1)[0]
    return first if len(first) <= most else first[: most - 1] + "…"


def _is_valid(value: str) -> bool:
    try:
        tomllib.loads(f"x = {value}")
    except tomllib.TOMLDecodeError:
        return False
    return True


def _diagnosis(value: str) -> tuple[str, str]:
    """What was expected of a value that is no TOML, and what to do."""
    outside = _STRAIGHT.sub("", value)
    if _CURLY.search(outside):
        return "straight quotation marks", 'Replace the curly ones by "…"; an editor does all at once.'
    if "\\" in value and value.startswith('"'):
        return "a text without single backslashes", "Write / instead, or double each backslash."
    if value.startswith(("[", "{")):
        return _diagnosis_of_list(value, outside)
    if value.startswith(("'''", '"""')):
        return "three quotation marks at the end of the text", "Add them."
    if value.startswith(('"', "'")):
        if _STRAIGHT.match(value):
            return "nothing after the closing quotation mark", "Delete what follows, or close the text later."
        return "a quotation mark at the end of the text", "Add the missing quotation mark."
    for pattern, expected, todo in _RULES:
        if pattern.match(value):
            return expected, todo
    return (
        "a text in quotation marks, a number, true or false, a date, or a list in [ ]",
        "Correct the value.",
    )


def _diagnosis_of_list(value: str, outside: str) -> tuple[str, str]:
    if re.search(r"\b(True|False|TRUE|FALSE)\b", outside):
        return "true or false in small letters", "Write true or false."
    if outside.count('"') % 2:
        return "a quotation mark at both ends of each text", "Add the missing quotation mark."
    closing = {"[": "]", "{": "}"}[value[0]]
    if outside.count(value[0]) > outside.count(closing):
        return f"a closing {closing}", f"Add {closing} at the end."
    if value.startswith("[") and re.search(r"[A-Za-z]", outside) and "{" not in outside:
        return "each text of the list in quotation marks", 'Write it like ["one", "two"].'
    if value.startswith("{"):
        return "a table such as { key = value, key = value } on one line", "Correct the line."
    return "a list such as [1, 2] with commas between", "Correct the list."


def _header_finding(statement: Statement, where: str) -> Finding | None:
    try:
        tomllib.loads(statement.value)
    except tomllib.TOMLDecodeError:
        shape = "[[name]]" if statement.kind == "tables" else "[name]"
        return Finding(
            "stop",
            f"{where}, line {statement.line}",
            f"the name of a table such as {shape}, alone on its line",
            _shown(statement.value),
            "Close the brackets; use letters, digits, _ and points only.",
        )
    return None


def _repeated(statement: Statement, first: Statement, where: str, codes: dict[str, Any]) -> Finding:
    path = statement.path[:-1] if isinstance(statement.path[-1], int) else statement.path
    name = path_text(path, codes)
    if statement.kind == "key":
        expected = f"{statement.keys[-1]} once in its table"
        todo = f"It stands on line {first.line} already; keep one of the two."
    elif first.kind == "tables" or statement.kind == "tables":
        expected = f"the same brackets each time, [[{'.'.join(statement.keys)}]]"
        todo = f"Line {first.line} uses the other brackets; write double brackets on both."
    else:
        expected = f"[{'.'.join(statement.keys)}] once"
        todo = f"It stands on line {first.line} already; move the keys under one of the two."
    return Finding("stop", f"{where}, line {statement.line}, {name}", expected, "a second one", todo)


def _codes(found: tuple[Statement, ...]) -> dict[str, Any]:
    """The codes of tables in lists, so that a message can name them although nothing could be read."""
    codes: dict[str, Any] = {}
    for statement in found:
        match statement.path:
            case (str() as table, int() as number, "code") if re.match(r"^\"\w+\"$", statement.value):
                codes.setdefault(table, {})[number] = {"code": statement.value.strip('"')}
    return codes


def _statement_finding(statement: Statement, where: str, codes: dict[str, Any]) -> Finding | None:
    if statement.kind in ("table", "tables"):
        return _header_finding(statement, where)
    if statement.kind == "other":
        todo = (
            "Write = instead of the colon."
            if re.match(r"^[\w-]+\s*:", statement.value)
            else "Complete the line, or begin it with # to make it a comment."
        )
        return Finding(
            "stop",
            f"{where}, line {statement.line}",
            "a line such as key = value",
            _shown(statement.value),
            todo,
        )
    at = f"{where}, line {statement.line}, {path_text(statement.path, codes)}"
    if not all(re.match(r"^[\w-]+$", key, re.ASCII) for key in statement.keys):
        return Finding("stop", at, "a key of plain letters, digits, _ and -", ".".join(statement.keys))
    if _is_valid(statement.value):
        return None
    expected, todo = _diagnosis(statement.value)
    return Finding("stop", at, expected, _shown(statement.value), todo)


def _repetitions(
    found: tuple[Statement, ...], where: str, codes: dict[str, Any]
) -> list[tuple[int, Finding]]:
    """Keys and tables that stand twice, with their lines."""
    seen: dict[Path, Statement] = {}
    lists: dict[Path, Statement] = {}
    findings = []
    for statement in found:
        if not statement.keys:  # no name, so nothing that could stand twice
            continue
        is_list = statement.kind == "tables"
        base = statement.path[:-1] if is_list else statement.path
        if is_list and base in seen:
            first = seen[base]
        elif statement.kind == "table" and statement.path[-1:] and isinstance(statement.path[-1], int):
            first = lists[statement.path[:-1]]
        else:
            first = seen.get(statement.path, statement)
        if first is not statement:
            findings.append((statement.line, _repeated(statement, first, where, codes)))
        seen.setdefault(statement.path, statement)
        if is_list:
            lists.setdefault(base, statement)
    return findings


def syntax_findings(text: str, *, where: str, error: tomllib.TOMLDecodeError) -> tuple[Finding, ...]:
    """Everything that keeps a text from being valid TOML.

    Parameters
    ----------
    text : str
        The protocol as typed.
    where : str
        The file's name, for the messages.
    error : TOMLDecodeError
        What the reader said; used only where the statements one by one show nothing.

    Examples
    --------
    >>> text = 'alpha = 0,05'
    >>> for finding in syntax_findings(text, where="protocol.toml", error=tomllib.TOMLDecodeError("")):
    ...     print(finding)
    protocol.toml, line 1, alpha: expected a number with a decimal point; found 0,05. Write it with a point,
    such as 3.5 instead of 3,5.
    """
    odd = {int(finding.where.rsplit(" ", 1)[1]): finding for finding in odd_mark_findings(text, where=where)}
    found = statements(text)
    codes = _codes(found)
    numbered = _repetitions(found, where, codes)
    for statement in found:
        finding = None if statement.line in odd else _statement_finding(statement, where, codes)
        numbered += [(statement.line, finding)] if finding is not None else []
    numbered += odd.items()
    findings = _together(sorted(numbered, key=lambda item: item[0]), where)
    if not findings:
        at = re.search(r"at line (\d+)", str(error))
        place = f"{where}, line {at[1]}" if at else where
        findings = [
            Finding("stop", place, "a text that follows the rules of TOML", "something else",
                    "Look at this line and the one before it.")
        ]  # fmt: skip
    return tuple(findings)


def _together(numbered: list[tuple[int, Finding]], where: str) -> list[Finding]:
    """One finding in place of many of one kind, with the first lines and how many there are."""
    kinds: dict[tuple[str, str], list[tuple[int, Finding]]] = {}
    for number, finding in numbered:
        kinds.setdefault((finding.expected, finding.todo), []).append((number, finding))
    found = []
    for same in kinds.values():
        if len(same) <= _MOST_ALIKE:
            found += [finding for _, finding in same]
            continue
        lines = ", ".join(str(number) for number, _ in same[:_MOST_ALIKE])
        place = f"{where}, lines {lines} and {len(same) - _MOST_ALIKE} more"
        found.append(replace(same[0][1], where=place))
    return found


_TEXTS = re.compile(r'"""(?:.|\n)*?"""|' + r"'''(?:.|\n)*?'''|" + _STRAIGHT.pattern)
_ODD = (
    (re.compile("[\u00a0\u2007\u202f\u2002\u2003\u2009]"), "a blank from the keyboard",
     "a special blank ({mark}) that looks like it", "Delete it and type the blank anew."),
    (re.compile("[\u2212\u2010-\u2015]"), "the hyphen - from the keyboard as minus",
     "{shown}, a typographic minus or dash ({mark})", "Replace it by -."),
)  # fmt: skip


def odd_mark_findings(text: str, *, where: str) -> tuple[Finding, ...]:
    """Blanks and minus signs that are not those of the keyboard, outside texts and comments.

    Examples
    --------
    >>> for finding in odd_mark_findings("window = [\u221221, 0]", where="protocol.toml"):
    ...     print(finding)
    protocol.toml, line 1: expected the hyphen - from the keyboard as minus; found −, a typographic minus
    or dash (U+2212). Replace it by -.
    """
    bare = _TEXTS.sub(lambda found: "\n" * found.group(0).count("\n"), text)
    findings = []
    for number, line in enumerate(bare.split("\n"), 1):
        for pattern, expected, got, todo in _ODD:
            mark = pattern.search(line.split("#", 1)[0])
            if mark:
                shown = got.format(shown=mark.group(0), mark=f"U+{ord(mark.group(0)):04X}")
                findings.append(Finding("stop", f"{where}, line {number}", expected, shown, todo))
    return tuple(findings)


def backslash_findings(text: str, *, where: str) -> tuple[Finding, ...]:
    r"""Windows paths whose backslashes TOML reads as something else, such as ``"C:\new"``."""
    return tuple(
        Finding(
            "stop",
            f"{where}, line {statement.line}, {path_text(statement.path, None)}",
            "a text without single backslashes",
            _shown(statement.value),
            "Write / instead, or double each backslash.",
        )
        for statement in statements(text)
        if statement.kind == "key" and statement.value.startswith('"') and _PATH.search(statement.value)
    )
