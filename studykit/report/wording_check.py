"""Holding a text to the rules of wording: a test that a program can run over anything it writes.

A rule looks at a sentence, a paragraph or a section; it cannot understand, so a clean text is not yet
a good one. The rules themselves are in `studykit.report.wording_rules`.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import dataclass

from studykit.report.wording_rules import RULES, Scope, Section, Severity, WordingContext

__all__ = ["WordingContext", "WordingFinding", "check_wording", "text_of"]


@dataclass(frozen=True, slots=True)
class WordingFinding:
    """One place in a text that breaks a rule.

    Parameters
    ----------
    rule : str
        Name of the rule.
    severity : {"error", "warn"}
    found : str
        The words, or the sentence that lacks something.
    todo : str
    place : int
        Where in the text the words stand, or the piece that lacks something; characters from 0.
    """

    rule: str
    severity: Severity
    found: str
    todo: str
    place: int = 0


def check_wording(
    text: str, *, context: WordingContext | None = None, section: Section = ""
) -> tuple[WordingFinding, ...]:
    """Hold a text to the rules of wording.

    Parameters
    ----------
    text : str
        Plain text; paragraphs are separated by line breaks. See `text_of` for a page.
    context : WordingContext, optional
        Facts of the study; by default a randomised, systematically followed study.
    section : str
        ``"headline"``, ``"baseline"``, ``"limits"`` or ``"page"`` switch on the rules for that part.

    Examples
    --------
    >>> [finding.rule for finding in check_wording("The result was significant (p = .03).")]
    ['significance']
    >>> check_wording("Strength was 3.4 % higher with partner reps [−1.2, 8.3] %, p = .14.")
    ()
    """
    facts = context or WordingContext()
    findings = []
    for rule in RULES:
        for start, piece in _pieces(text, rule.scope):
            found = rule.broken(piece, facts, section)
            if found:
                place = start + max(0, piece.find(found))
                findings.append(WordingFinding(rule.name, rule.severity, found, rule.todo, place))
    return tuple(findings)


def _pieces(text: str, scope: Scope) -> Iterator[tuple[int, str]]:
    """The pieces that a rule looks at, with their places in the text."""
    if scope == "text":
        yield 0, text
        return
    for line in re.finditer(r"[^\n\r\v\f\x1c-\x1e\x85\u2028\u2029]+", text):
        paragraph = line.group().strip()
        start = line.start() + line.group().find(paragraph)
        if paragraph and scope == "paragraph":
            yield start, paragraph
        elif paragraph:
            yield from _sentences(start, paragraph)


def _sentences(start: int, paragraph: str) -> Iterator[tuple[int, str]]:
    ends = [found.span() for found in re.finditer(r"(?<=[.!?])\s+(?=[A-Z“\"])", paragraph)]
    begins = [0, *(end for _, end in ends)]
    for begin, end in zip(begins, [*(stop for stop, _ in ends), len(paragraph)], strict=True):
        yield start + begin, paragraph[begin:end]


_BLOCKS = re.compile(
    r"</?(p|div|section|h[1-6]|li|ul|ol|tr|table|thead|tbody|figure|figcaption|caption|dt|dd|header|footer|title)\b[^>]*>"
)


def text_of(page: str) -> str:
    r"""The words of an HTML page, one block a line; a tab follows each table cell.

    Examples
    --------
    >>> text_of("<p>a &amp; b</p><table><tr><td>1</td><td>2</td></tr></table>")
    'a & b\n1\t2'
    """
    body = re.sub(r"<(style|script|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    body = re.sub(r"\s+", " ", body)
    body = _BLOCKS.sub("\n", body)
    body = re.sub(r"</t[dh]>", "\t", body)
    lines = (html.unescape(re.sub(r"<[^>]+>", "", line)).strip() for line in body.split("\n"))
    return "\n".join(line for line in lines if line)
