"""Nesting and numbers beyond anything that a protocol needs, told before the text is read.

Readers of TOML call themselves for every level, and turn a number of any length into an integer:
what is refused here would end in them as an error of the program, not of the text.
"""

from __future__ import annotations

import re

from studykit.errors import Finding
from studykit.protocol.lines import deepest_bracket, path_text, statements, without_texts

_DEEPEST = 12  # the ready protocols go three levels deep
_LONGEST = 40  # digits
_LONG_NUMBER = re.compile(rf"(?<!\w)\d\w{{{_LONGEST},}}")


def excess_findings(text: str, *, where: str) -> tuple[Finding, ...]:
    """Every statement that nests too deep, or holds too long a number.

    Parameters
    ----------
    text : str
        The protocol as typed, valid TOML or not.
    where : str
        The file's name, for the messages.

    Examples
    --------
    >>> for finding in excess_findings("adjust_for = " + 50 * "[", where="protocol.toml"):
    ...     print(finding)
    protocol.toml, line 1, adjust_for: expected lists and tables at most 12 deep; found 50 levels. Close
    the brackets, or leave the line out.
    """
    findings = []
    for statement in statements(text):
        depth = max(len(statement.keys), deepest_bracket(statement.value))
        number = _LONG_NUMBER.search(without_texts(statement.value))
        named = path_text(statement.path[:_DEEPEST], None)
        at = ", ".join(part for part in (where, f"line {statement.line}", named) if part)
        if depth > _DEEPEST:
            findings.append(
                Finding("stop", at, f"lists and tables at most {_DEEPEST} deep", f"{depth} levels",
                        "Close the brackets, or leave the line out.")
            )  # fmt: skip
        if number:
            findings.append(
                Finding("stop", at, f"a number of at most {_LONGEST} digits", f"{len(number[0])} of them",
                        "Give an ordinary number, or leave the line out.")
            )  # fmt: skip
    return tuple(findings)
