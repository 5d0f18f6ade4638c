"""Tables as values, and their four written forms: CSV, Markdown, LaTeX and HTML.

A cell holds a value and knows how it is shown. People read the rounded form; CSV carries full
precision, an interval in two columns and a share as its two counts. Every form escapes what its
format would take for markup, and CSV also what a spreadsheet program would take for a formula.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from markupsafe import Markup, escape

from studykit.errors import ArgumentError
from studykit.report.numbers import GAP, Scale, count_of, number, p_cell
from studykit.results import Interval, Result

Plain = str | int | float


class Cell(Protocol):
    """What a table holds."""

    def text(self) -> str:
        """As people read it."""

    def values(self) -> tuple[Plain, ...]:
        """As programs read it."""


@dataclass(frozen=True, slots=True)
class Words:
    """A text."""

    words: str

    def text(self) -> str:
        """The text itself."""
        return self.words

    def values(self) -> tuple[Plain, ...]:
        """The text itself."""
        return (self.words,)


@dataclass(frozen=True, slots=True)
class Count:
    """A whole number."""

    count: int

    def text(self) -> str:
        """The number."""
        return str(self.count)

    def values(self) -> tuple[Plain, ...]:
        """The number."""
        return (self.count,)


@dataclass(frozen=True, slots=True)
class Share:
    """A count and its denominator."""

    count: int
    of: int

    def text(self) -> str:
        """Counts first, then per cent."""
        return count_of(self.count, self.of)

    def values(self) -> tuple[Plain, ...]:
        """Both counts."""
        return (self.count, self.of)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number on a scale."""

    value: float
    scale: Scale
    signed: bool = False

    def text(self) -> str:
        """Rounded, with its unit."""
        return self.scale.text(self.value, signed=self.signed)

    def values(self) -> tuple[Plain, ...]:
        """As shown but not rounded, then the unit."""
        return (self.scale.shown(self.value), self.scale.unit)


@dataclass(frozen=True, slots=True)
class Bracket:
    """An interval on a scale."""

    interval: Interval
    scale: Scale

    def text(self) -> str:
        """In brackets."""
        return self.scale.interval(self.interval)

    def values(self) -> tuple[Plain, ...]:
        """Both ends, not rounded."""
        return (self.scale.shown(self.interval.lower), self.scale.shown(self.interval.upper))


@dataclass(frozen=True, slots=True)
class MeanSpread:
    """A mean with its standard deviation."""

    mean: float
    standard_deviation: float
    decimals: int

    def text(self) -> str:
        """Mean, then the standard deviation in round brackets."""
        return f"{number(self.mean, self.decimals)} ({number(self.standard_deviation, self.decimals)})"

    def values(self) -> tuple[Plain, ...]:
        """Both numbers."""
        return (self.mean, self.standard_deviation)


@dataclass(frozen=True, slots=True)
class Probability:
    """A p-value."""

    p: float

    def text(self) -> str:
        """In the style of the house."""
        return p_cell(self.p)

    def values(self) -> tuple[Plain, ...]:
        """The number."""
        return (self.p,)


@dataclass(frozen=True, slots=True)
class Column(Result):
    """A column: its heading, and the names that its values carry in CSV (by default the heading).

    A cell may have more values than there are names, such as a unit; the rest is not written.
    """

    heading: str
    names: tuple[str, ...] = ()
    numeric: bool = True

    @property
    def plain_names(self) -> tuple[str, ...]:
        """Names of the CSV columns."""
        return self.names or (self.heading,)


def column(heading: str, *names: str) -> Column:
    """A column of numbers."""
    return Column(heading, names)


def words_column(heading: str) -> Column:
    """A column of text."""
    return Column(heading, numeric=False)


@dataclass(frozen=True, slots=True)
class Table(Result):
    """A table, ready to be written.

    Parameters
    ----------
    code : str
        File name without ending.
    caption : str
        What it shows, with the definition that a reader needs before the numbers.
    columns : tuple of Column
    rows : tuple of tuple of Cell
        The first cell of a row names it.
    notes : tuple of str
        Below the table.

    Raises
    ------
    ArgumentError
        If a row has another number of cells than there are columns.
    """

    code: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ArgumentError(
                    where=f"table {self.code}",
                    expected=f"{len(self.columns)} cells in each row",
                    got=str(len(row)),
                )

    def _repr_html_(self) -> str:
        return str(to_html(self))


class RowNote(str):
    """A note on single rows: as a line it names them; `rows` and `said` serve layouts that put marks.

    Parameters
    ----------
    names : str
        Names of the rows.
    said : str
        What is said of them.
    rows : tuple of int
        Their places in the table.

    Examples
    --------
    >>> note = RowNote("First; second", "by score", (0, 1))
    >>> str(note), note.said
    ('First; second: by score', 'by score')
    """

    __slots__ = ("rows", "said")
    rows: tuple[int, ...]
    said: str

    def __new__(cls, names: str, said: str, rows: tuple[int, ...]) -> RowNote:
        """The line, with its parts kept beside it."""
        note = super().__new__(cls, f"{names}: {said}")
        note.rows, note.said = rows, said
        return note


NOTHING = Words("")
"""An empty cell."""


def listed(counts: Sequence[tuple[str, int]]) -> str:
    """Reasons with their counts.

    Examples
    --------
    >>> listed((("moved away", 2), ("ill", 0))), listed(())
    ('moved away 2', 'none')
    """
    return ", ".join(f"{reason} {count}" for reason, count in counts if count) or "none"


def cells(*items: str | int | Cell) -> tuple[Cell, ...]:
    """A row from cells, texts and whole numbers."""
    return tuple(
        Words(item) if isinstance(item, str) else Count(item) if isinstance(item, int) else item
        for item in items
    )


# --- CSV -----------------------------------------------------------------------------------------


def to_csv(table: Table) -> str:
    r"""Comma-separated text with full precision; a number that is not known is an empty cell.

    Examples
    --------
    >>> row = cells("=cmd", Share(3, 4))
    >>> print(to_csv(Table("t", "", (words_column("arm"), column("kept", "kept", "of")), (row,))))
    arm,kept,of
    '=cmd,3,4
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([_no_formula(name) for item in table.columns for name in item.plain_names])
    for row in table.rows:
        values: list[Plain] = []
        for item, cell in zip(table.columns, row, strict=True):
            values += _fitted(cell.values(), len(item.plain_names))
        writer.writerow(values)
    return stream.getvalue()


def _fitted(values: Sequence[Plain], width: int) -> list[Plain]:
    plain: list[Plain] = [_no_formula(value) if isinstance(value, str) else _known(value) for value in values]
    return (plain + [""] * width)[:width]


def _known(value: int | float) -> Plain:
    return value if math.isfinite(value) else ""


def _no_formula(text: str) -> str:
    """Text that a spreadsheet program would run as a formula gets an apostrophe in front."""
    return f"'{text}" if text[:1] in {"=", "+", "-", "@", "\t", "\r"} else text


# --- Markdown and LaTeX --------------------------------------------------------------------------


def to_markdown(table: Table) -> str:
    r"""A pipe table with its caption above and its notes below.

    Examples
    --------
    >>> print(to_markdown(Table("t", "Kept", (words_column("arm"),), (cells("a|b"),))))
    **Kept**
    <BLANKLINE>
    | arm |
    | :-- |
    | a\|b |
    <BLANKLINE>
    """
    lines = [f"**{_markdown(table.caption)}**", ""]
    lines.append(_pipes(_markdown(item.heading) for item in table.columns))
    lines.append(_pipes("--:" if item.numeric else ":--" for item in table.columns))
    lines += [_pipes(_markdown(cell.text()) for cell in row) for row in table.rows]
    lines += ["", *(f"{_markdown(note)}  " for note in table.notes)] if table.notes else [""]
    return "\n".join(lines).rstrip(" ")


def _pipes(items: Sequence[str] | object) -> str:
    return f"| {' | '.join(items)} |"  # type: ignore[arg-type]


_MARKDOWN = str.maketrans(
    {mark: f"\\{mark}" for mark in "\\|*_`[]#~"} | {"<": "&lt;", ">": "&gt;", "&": "&amp;", "\n": " "}
)


def _markdown(text: str) -> str:
    # A bracket needs its backslash only where a link could follow; intervals stay readable.
    escaped = text.translate(_MARKDOWN)
    return escaped if "](" in text else escaped.replace("\\[", "[").replace("\\]", "]")


_LATEX = str.maketrans(
    {
        "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{",
        "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "<": r"\textless{}",
        ">": r"\textgreater{}", "\u2212": "$-$", "\u00a0": "~", "\u2013": "--", "\u2265": r"$\geq$",
        "\u2264": r"$\leq$", "\n": " ", "|": r"\textbar{}", '"': r"\textquotedbl{}",
    }
)  # fmt: skip


def latex_text(text: str) -> str:
    r"""Text with everything escaped that LaTeX would take for a command.

    Examples
    --------
    >>> print(latex_text("50 % of a_b & \\c"))
    50 \% of a\_b \& \textbackslash{}c
    """
    return text.translate(_LATEX)


def to_latex(table: Table) -> str:
    """A table environment with plain rules; needs no package beyond textcomp's standard symbols."""
    shape = "".join("r" if item.numeric else "l" for item in table.columns)
    lines = [
        r"\begin{table}",
        r"\centering",
        rf"\caption{{{latex_text(table.caption)}}}",
        rf"\label{{tab:{_label(table.code)}}}",
    ]
    lines += [rf"\begin{{tabular}}{{{shape}}}", r"\hline"]
    lines.append(_ampersands([latex_text(item.heading) for item in table.columns]))
    lines.append(r"\hline")
    lines += [_ampersands([latex_text(cell.text()) for cell in row]) for row in table.rows]
    lines += [r"\hline", r"\end{tabular}"]
    lines += [rf"\par\smallskip\footnotesize {latex_text(note)}" for note in table.notes]
    lines += [r"\end{table}", ""]
    return "\n".join(lines)


def _ampersands(items: Sequence[str]) -> str:
    # A row that starts with a bracket would be read as an option of the line break before it.
    guarded = [f"{{}}{item}" if item.startswith("[") else item for item in items]
    return f"{' & '.join(guarded)} \\\\"


def _label(code: str) -> str:
    return "".join(letter if letter.isalnum() or letter == "-" else "-" for letter in code)


# --- HTML ----------------------------------------------------------------------------------------


def to_html(table: Table) -> Markup:
    """A table for a page; every cell repeats its heading, so that narrow screens can stack rows."""
    head = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(_number_class(item), item.heading)
        for item in table.columns
    )
    body = Markup("\n").join(_html_row(table, row) for row in table.rows)
    notes = Markup("").join(Markup('<p class="note">{}</p>').format(note) for note in table.notes)
    return Markup(
        '<div class="table{}"><table>\n<caption>{}</caption>\n<thead><tr>{}</tr></thead>\n'
        "<tbody>\n{}\n</tbody>\n</table>\n{}</div>"
    ).format(" short" if len(table.rows) <= 16 else "", table.caption, head, body, notes)


def _html_row(table: Table, row: tuple[Cell, ...]) -> Markup:
    first = Markup('<th scope="row">{}</th>').format(row[0].text())
    rest = Markup("").join(
        Markup('<td{} data-label="{}">{}</td>').format(_number_class(item), item.heading, cell.text())
        for item, cell in zip(table.columns[1:], row[1:], strict=True)
    )
    return Markup("<tr>{}{}</tr>").format(first, rest)


def _number_class(item: Column) -> Markup:
    return Markup(' class="number"') if item.numeric else Markup("")


def html_text(text: str) -> str:
    """Text with everything escaped that HTML would take for markup.

    Examples
    --------
    >>> html_text('<b>&"')
    '&lt;b&gt;&amp;&#34;'
    """
    return str(escape(text))


def without_gaps(text: str) -> str:
    """The text with ordinary spaces for those that keep a number and its unit together."""
    return text.replace(GAP, " ")
