"""A manuscript as values, and the typography that its style asks of what the report has worded.

The style is that of the American Psychological Association (Publication Manual, 7th edition): chapters 2
(paper), 6 (numbers and statistics) and 7 (tables and figures). Nothing is worded or rounded here but the
p-value, which a manuscript gives with three decimals.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace

from studykit.report.document import Block, Picture, Section
from studykit.report.numbers import p_exact
from studykit.report.report_context import capital
from studykit.report.tables import Cell, Column, Plain, Probability, RowNote, Table

ITALIC = "\ue000"
"""Stands before and after words in italics; a character for private use, which no text has."""
_SYMBOLS = frozenset({"p", "t", "z", "F", "df", "n", "N", "M", "SD", "SE"})
_SMALL = frozenset(
    {"a", "an", "the", "and", "as", "but", "for", "if", "nor", "or", "so", "yet", "at", "by", "in", "of",
     "off", "on", "per", "to", "up", "via"}
)  # fmt: skip
"""Small words of titles (APA 6.17)."""


@dataclass(frozen=True, slots=True)
class Part:
    """A chapter; exhibits of an appendix are counted by its letter."""

    title: str
    sections: tuple[Section, ...]
    letter: str = ""


@dataclass(frozen=True, slots=True)
class Manuscript:
    """A whole document.

    Parameters
    ----------
    title, subtitle : str
    parts : tuple of Part
    made_at : str
        When its results were made, ISO 8601; the only time that the files carry.
    """

    title: str
    subtitle: str
    parts: tuple[Part, ...]
    made_at: str


@dataclass(frozen=True, slots=True)
class Exhibit:
    """A table or figure in its place: its label, its title, and what stands below it."""

    label: str
    title: str
    content: Table | Picture
    general: tuple[str, ...]
    specific: tuple[RowNote, ...] = ()


@dataclass(frozen=True, slots=True)
class Shown:
    """A cell in the typography of the manuscript; its values stay as they are.

    The first cell of a row begins with a capital, unless it is a code.
    """

    cell: Cell
    first: bool = False

    def text(self) -> str:
        """As people read it."""
        if isinstance(self.cell, Probability):
            return p_exact(self.cell.p).removeprefix("p ").removeprefix("= ").replace(" ", "")
        text = styled(self.cell.text())
        return capital(text) if self.first and re.match(r"[a-z]{2,}[\s,:]|[a-z]{2,}$", text) else text

    def values(self) -> tuple[Plain, ...]:
        """As programs read it."""
        return self.cell.values()


def styled(text: str) -> str:
    r"""Per cent and intervals as the style writes them.

    Examples
    --------
    >>> styled("3.4\u00a0% higher, 95\u00a0% interval [−1.2,\u00a08.3]\u00a0%")
    '3.4% higher, 95% CI [−1.2,\xa08.3]%'
    """
    text = re.sub(r"(?<=[\d\]])[\u00a0 ]%", "%", text)
    text = re.sub(r"(\d%) intervals\b", r"\1 CIs", text)
    return re.sub(r"(\d%) interval\b", r"\1 CI", text)


def title_case(text: str) -> str:
    """Title case as APA 6.17 has it; words with a capital or a digit of their own stay as they are.

    Examples
    --------
    >>> title_case("clients before allocation, by arm (n = 12) and visit")
    'Clients Before Allocation, by Arm (n = 12) and Visit'
    """
    words = text.split(" ")
    after_mark = [True, *(word.endswith((":", "\u2014")) for word in words)]
    return " ".join(
        word if _stays(word, first=first) else _capital(word)
        for word, first in zip(words, after_mark, strict=False)
    )


def _stays(word: str, *, first: bool) -> bool:
    bare = word.strip("()[],.;:\u201c\u201d")
    small = bare in _SMALL and not first
    return small or bare in _SYMBOLS or bare != bare.lower() or any(letter.isdigit() for letter in bare)


def _capital(word: str) -> str:
    """The first letter of a word, and of each part that a hyphen ties to it."""
    return re.sub(r"(?:^|(?<=-))(\W*)([^\W\d_])", lambda found: found[1] + found[2].upper(), word)


def styled_table(table: Table) -> Table:
    """The same values with headings, cells and notes in the typography of the manuscript."""
    columns = tuple(Column(_heading(item.heading), item.plain_names, item.numeric) for item in table.columns)
    rows = tuple((Shown(row[0], first=True), *map(Shown, row[1:])) for row in table.rows)
    notes = tuple(_note(note) for note in table.notes)
    return replace(table, caption=styled(table.caption), columns=columns, rows=rows, notes=notes)


def _heading(text: str) -> str:
    shown = styled(text)
    return shown if shown in _SYMBOLS else capital(shown)


def _note(note: str) -> str:
    if not isinstance(note, RowNote):
        return styled(note)
    return RowNote(styled(note.removesuffix(f": {note.said}")), styled(note.said), note.rows)


def split_title(caption: str) -> tuple[str, str]:
    """What a caption says first is the title; the rest, if any, is a note.

    Examples
    --------
    >>> split_title("Clients still training, by arm; bands are pointwise. Retained means: active.")
    ('Clients still training, by arm', 'Bands are pointwise. Retained means: active.')
    """
    first, *rest = re.split(r"; |\. (?=[A-Z])", caption.strip(), maxsplit=1)
    return first.rstrip("."), capital("".join(rest).strip())


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A section whose tables and figures have their numbers."""

    title: str
    items: tuple[Block | Exhibit, ...]

    @property
    def exhibits(self) -> tuple[Exhibit, ...]:
        """Its tables and figures."""
        return tuple(item for item in self.items if isinstance(item, Exhibit))


def laid_out(manuscript: Manuscript) -> tuple[tuple[Part, tuple[LaidOut, ...]], ...]:
    """Every part with its sections; tables and figures numbered in order, in an appendix by its letter."""
    laid = []
    body: Counter[str] = Counter()
    for part in manuscript.parts:
        count = Counter[str]() if part.letter else body
        laid.append((part, tuple(_laid_section(section, part.letter, count) for section in part.sections)))
    return tuple(laid)


def _laid_section(section: Section, letter: str, count: Counter[str]) -> LaidOut:
    items: list[Block | Exhibit] = []
    for block in section.blocks:
        if isinstance(block.content, Table | Picture):
            kind = "Table" if isinstance(block.content, Table) else "Figure"
            count[kind] += 1
            items.append(_exhibit(f"{kind} {letter}{count[kind]}", block.content))
        else:
            items.append(block)
    labels = [item.label for item in items if isinstance(item, Exhibit)]
    called = (Block("paragraph", f"See {_listed(labels)}."),) if labels else ()
    first = next((place for place, item in enumerate(items) if isinstance(item, Exhibit)), 0)
    return LaidOut(section.title, (*items[:first], *called, *items[first:]))


def _listed(labels: list[str]) -> str:
    """Labels as the end of a sentence, each kind once.

    Examples
    --------
    >>> _listed(["Table 3", "Figure 2", "Table 4", "Table 5"])
    'Tables 3 to 5 and Figure 2'
    """
    kinds: dict[str, list[str]] = {}
    for label in labels:
        kind, number = label.split(" ")
        kinds.setdefault(kind, []).append(number)
    joined = {1: "", 2: " and "}
    told = [
        f"{kind}{'s' if len(numbers) > 1 else ''} "
        + (joined.get(len(numbers), " to ").join(dict.fromkeys((numbers[0], numbers[-1]))))
        for kind, numbers in kinds.items()
    ]
    return " and ".join(told)


def _exhibit(label: str, content: Table | Picture) -> Exhibit:
    shown = styled_table(content) if isinstance(content, Table) else content
    title, rest = split_title(styled(shown.caption))
    notes = shown.notes if isinstance(shown, Table) else ()
    general = tuple(note for note in (rest, *notes) if note and not isinstance(note, RowNote))
    specific = tuple(note for note in notes if isinstance(note, RowNote))
    return Exhibit(label, title_case(title), shown, general, specific)
