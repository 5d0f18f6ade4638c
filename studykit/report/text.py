"""The answers as plain lines for a terminal; ASCII only, as far as the study's own names are."""

from __future__ import annotations

import textwrap

from studykit.outcomes.results import StudyResults
from studykit.protocol.types import Protocol
from studykit.report.in_short import first_screen
from studykit.report.kind_report import report_of
from studykit.report.report_context import Reading, capital
from studykit.report.sentences import (
    conditions,
    decision_sentence,
    harms_sentence,
    lead,
)

_ASCII = str.maketrans(
    {
        "\u00a0": " ",
        "\u2212": "-",
        "\u2013": "-",
        "\u2026": "...",
        "\u2019": "'",
        "\u201c": '"',
        "\u201d": '"',
    }
)


def summary(results: StudyResults, *, protocol: Protocol | None = None, width: int = 88) -> str:
    """What was found, what remains possible, what limits it.

    Parameters
    ----------
    results : StudyResults
    protocol : Protocol, optional
        Gives names of visits and measuring steps; without it codes are used.
    width : int
        Columns.
    """
    reading = Reading(results, protocol)
    lines: list[str] = []
    first = first_screen(reading)
    for notice in first.notices:
        lines += [f"ATTENTION: {notice}", ""]
    lines += [results.title, ""]
    for label, text in first.lines:
        lines += [f"{label}. {text}", ""]
    if results.outcomes:
        lines += [lead(reading), ""]
    for outcome in results.outcomes:
        lines.append(f"{capital(outcome.name)}.")
        lines += _indented(report_of(outcome).answer(reading, outcome))
    lines += ["Harms.", *_indented((harms_sentence(reading),))]
    decisions = tuple(decision_sentence(reading, decision) for decision in results.decisions)
    lines += _indented(decisions)
    lines += ["Read this with it.", *(f"  - {text}" for text in conditions(reading))]
    return "\n".join(_wrapped(line, width) for line in lines).translate(_ASCII)


def _indented(texts: tuple[str, ...]) -> list[str]:
    return [f"  {text}" for text in texts]


def _wrapped(line: str, width: int) -> str:
    indent = "    " if line.startswith("  - ") else "  " if line.startswith("  ") else ""
    if not line:
        return ""
    # The spaces that keep a number and its unit together become ordinary ones only after the wrapping.
    return textwrap.fill(
        line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
