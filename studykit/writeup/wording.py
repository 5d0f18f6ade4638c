"""The rules of wording on a text of one's own: the place, the rule, what to write in its place."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from studykit.errors import ArgumentError
from studykit.report.wording_check import WordingContext, WordingFinding
from studykit.report.wording_check import check_wording as findings_in
from studykit.report.wording_rules import BETTER
from studykit.results import Result
from studykit.writeup.texts import Passage, passages_of, read_passages

__all__ = ["WordingPlace", "check_wording", "check_wording_file"]

_DRAWN = re.compile(
    r"(?<!non-)(?<!not )(?<!not been )\brandom(ly)? (allocat|assign)|(?<!non-)(?<!not )\brandomi[sz]ed\b",
    re.I,
)
# A sentence on somebody else's work, with its year, may say what that work could.
_CITES = re.compile(r"\b(19|20)\d\d[a-z]?\)|\[\d+(, ?\d+)*\]")
_ASKED = re.compile(r"\b(whether|cannot|can not|does not|do not|did not|may|might|could|hypothes)", re.I)


@dataclass(frozen=True, slots=True)
class WordingPlace(Result):
    """One place that breaks a rule.

    Parameters
    ----------
    where : str
        Paragraph or line, as a person looks it up.
    rule : str
        Name of the rule.
    found : str
        The words, or the sentence that lacks something.
    todo : str
        What to do.
    better : str
        A sentence that keeps the rule, with invented numbers.
    """

    where: str
    rule: str
    found: str
    todo: str
    better: str

    def text(self) -> str:
        """For people, in three lines."""
        head = f"{self.where}: \u201c{self.found}\u201d"
        return f"{head}\n  {self.rule}: {self.todo}\n  For example: {self.better}"


def check_wording(text: str, *, randomised: bool | None = None) -> tuple[WordingPlace, ...]:
    r"""Hold a text of your own to the rules of wording that this program's own reports keep.

    Parameters
    ----------
    text : str
        Plain text or Markdown; an empty line ends a paragraph.
    randomised : bool, optional
        Whether chance decided who was in which arm, so that words of cause may stand. By default the text
        itself decides: where it says so ("randomly allocated", "randomised").

    Returns
    -------
    tuple of WordingPlace
        In the order of the text. A clean text breaks no rule that a program can test; it may still be wrong.

    Examples
    --------
    >>> for place in check_wording("All came.\n\nThere was a trend towards more strength (p = .07)."):
    ...     print(place.where, "|", place.rule, "|", place.found)
    line 3 | near misses | trend toward
    """
    if not isinstance(text, str):
        raise ArgumentError(
            where="check_wording", expected="a text", got=type(text).__name__,
            todo="For a file use: studykit wording FILE",
        )  # fmt: skip
    return _checked(passages_of(text, "md"), randomised)


def check_wording_file(path: str | Path, *, randomised: bool | None = None) -> tuple[WordingPlace, ...]:
    """The same for a file: DOCX, Markdown, TeX or plain text.

    Raises
    ------
    DataError
        If the file cannot be read as what its name says.
    """
    return _checked(read_passages(Path(path)), randomised)


def _checked(passages: Iterable[Passage], randomised: bool | None) -> tuple[WordingPlace, ...]:
    kept = tuple(passages)
    drawn = any(_DRAWN.search(one.text) for one in kept) if randomised is None else randomised
    # What a program cannot see in a text is taken as given: who was analysed, and how harms were asked for.
    context = WordingContext(randomised=drawn)
    return tuple(
        WordingPlace(passage.where(found.place), found.rule, found.found, found.todo, BETTER[found.rule])
        for passage in kept
        for found in sorted(findings_in(passage.text, context=context), key=lambda one: one.place)
        if found.rule in BETTER and not _excused(passage.text, found)
    )


def _excused(text: str, found: WordingFinding) -> bool:
    """A cause that is only asked about, or found in the work of others, is no claim of the text's own."""
    if found.rule not in {"words of cause", "certainty"}:
        return False
    start = max(text.rfind(mark, 0, found.place) for mark in (". ", "? ", "! ")) + 1
    end = min((place for place in (text.find(mark, found.place) for mark in (". ", "? ")) if place > 0),
              default=len(text))  # fmt: skip
    sentence = text[start : end + 1]
    return bool(_CITES.search(sentence) or _ASKED.search(sentence) or sentence.rstrip().endswith("?"))
