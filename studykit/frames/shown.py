"""How tables of this room are shown: aligned text for a terminal, a table for a notebook."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from textwrap import fill

from studykit.report.numbers import p_cell, plural
from studykit.results import WIDTH

Line = tuple[str, ...]
DIGITS = 4  # that matter, of a number that is read and not computed with; `to_frame` has all
MANY = 40  # rows shown


def significant(value: float) -> str:
    """A number with its first digits, never in powers of ten unless very large or small.

    Examples
    --------
    >>> significant(10.46729), significant(0.000123456), significant(251.405), significant(12345.6)
    ('10.47', '0.0001235', '251.4', '12346')
    """
    if not math.isfinite(value):
        return "–" if math.isnan(value) else ("∞" if value > 0 else "−∞")
    if value != 0.0 and not 1e-5 < abs(value) < 1e7:
        return f"{value:.{DIGITS - 1}e}".replace("-", "−")
    places = DIGITS - 1 - math.floor(math.log10(abs(value))) if value else 2
    return f"{value:.{max(places, 0)}f}".replace("-", "−")


def p_text(value: float) -> str:
    """A p-value for a cell."""
    return p_cell(value)


class Shown:
    """Something with a title, a heading, lines and notes; text, a short ``repr`` and HTML follow."""

    __slots__ = ()

    @property
    def _parts(self) -> Sequence[tuple[str, Line, Sequence[Line]]]:
        """Titles, headings and lines of the tables, one after the other."""
        raise AttributeError

    @property
    def _notes(self) -> Sequence[str]:
        return ()

    def __repr__(self) -> str:
        title, heading, lines = self._parts[0]
        return f"{type(self).__name__}({title}: {plural(len(lines), 'row')} of {', '.join(heading)})"

    def __str__(self) -> str:
        tables = [_text(*part) for part in self._parts]
        notes = fill(" ".join(self._notes), WIDTH)
        return "\n\n".join([*tables, *([notes] if notes else [])])

    def _repr_html_(self) -> str:
        tables = "".join(_html(*part) for part in self._parts)
        return tables + "".join(f"<p>{escape(note)}</p>" for note in self._notes)


def _cut(lines: Sequence[Line], width: int) -> list[Line]:
    if len(lines) <= MANY:
        return list(lines)
    rest = (f"… {len(lines) - MANY} more", *[""] * (width - 1))
    return [*lines[:MANY], rest]


def _text(title: str, heading: Line, lines: Sequence[Line]) -> str:
    shown = [heading, *_cut(lines, len(heading))]
    widths = [max(len(row[place]) for row in shown) for place in range(len(heading))]
    rows = [
        "  ".join(
            cell.ljust(width) if place == 0 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in shown
    ]
    return "\n".join([title, *rows])


def _html(title: str, heading: Line, lines: Sequence[Line]) -> str:
    head = "".join(f"<th scope='col'>{escape(cell)}</th>" for cell in heading)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>"
        for row in _cut(lines, len(heading))
    )
    top = f"<caption>{escape(title)}</caption><thead><tr>{head}</tr></thead>"
    return f"<table>{top}<tbody>{body}</tbody></table>"
