"""The page on attendance exports in DEVELOPERS.md, generated so that it is never behind the code."""

from __future__ import annotations

from studykit.lookback.columns import WANTED, WantedColumn
from studykit.lookback.sheets import SESSIONS
from studykit.lookback.understanding import MOST_REPS, STATES

_KINDS = {
    "code": "code",
    "date": "date in a common form",
    "word": f"one of: {', '.join(STATES)}, or words for them",
    "mark": f"yes, no, a tick, or a number from 0 to {MOST_REPS}",
}


def attendance_page() -> str:
    """All tables of an attendance export with their columns, in Markdown.

    Examples
    --------
    >>> print(attendance_page().splitlines()[0])
    ### The attendance export: one row for each session
    """
    return "\n\n".join(_table(name) for name in WANTED) + "\n"


def _table(name: str) -> str:
    title = "The attendance export: one row for each session" if name == SESSIONS else f"Further table {name}"
    further = ["Every other column is a fact known at joining.", ""] if name == "clients" else []
    head = ["| column | every row | holds | meaning | guessed from |", "|---|---|---|---|---|"]
    return "\n".join([f"### {title}", "", *further, *head, *map(_row, WANTED[name])])


def _row(column: WantedColumn) -> str:
    needed = "yes" if column.required else ""
    others = ", ".join(column.other_names)
    return f"| `{column.name}` | {needed} | {_KINDS[column.kind]} | {column.meaning} | {others} |"
