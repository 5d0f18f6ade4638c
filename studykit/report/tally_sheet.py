"""A blank sheet to tick for the weeks ahead, for studios whose records do not tell partner reps."""

from __future__ import annotations

from collections.abc import Sequence

from studykit.protocol.cautions import cautions_for
from studykit.report.rendering import render_page

ROWS = 22  # that fit on one page of paper
HEADER = "client,date,trainer,status,partner_reps"


def render_tally_sheet(trainers: Sequence[str], *, rows: int = ROWS) -> str:
    """One page for each trainer, to print, with a line for every session of a week.

    Parameters
    ----------
    trainers : sequence of str
        Their codes; one page without a code where there are none.
    rows : int
    """
    return render_page(
        "tally_sheet.html.j2", trainers=list(trainers) or [""], rows=rows, cautions=cautions_for("tally")
    )


def tally_files(trainers: Sequence[str]) -> dict[str, bytes]:
    """The sheet, and an empty table with the names that a later look back needs no question about."""
    return {
        "tally.html": render_tally_sheet(trainers).encode("utf-8"),
        "tally.csv": f"{HEADER}\n".encode("utf-8-sig"),
    }
