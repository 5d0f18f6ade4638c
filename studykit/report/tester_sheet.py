"""The sheet of a day of strength tests, for a tester who is not to know the arm: HTML for paper and phone."""

from __future__ import annotations

from pathlib import Path

from studykit.outcomes.visit_day import VisitDay
from studykit.protocol.cautions import STOP_SIGNS, cautions_for
from studykit.protocol.types import Protocol
from studykit.report.rendering import render_page, write_whole
from studykit.report.session_sheet import sheet_name, stop_lines, who_decides

FOLDER = "test_sheets"  # apart from the session sheets, which tell the arm
ATTEMPTS = 4  # lines for each exercise (common practice, no source)


def save_tester_sheet(day: VisitDay, protocol: Protocol, folder: Path) -> Path:
    """Write the sheet of one client's tests into ``test_sheets``; an earlier one is replaced.

    Raises
    ------
    FolderError
        If a file stands where a folder is needed, or nothing can be written.
    """
    name = f"{FOLDER}/{sheet_name(day.client)}"
    write_whole(folder, {name: render_tester_sheet(day, protocol).encode("utf-8")})
    return folder / name


def render_tester_sheet(day: VisitDay, protocol: Protocol) -> str:
    """The tester's sheet as HTML text; where the client may not be tested, nothing to test by.

    Parameters
    ----------
    day : VisitDay
        Knows no arm.
    protocol : Protocol
        For the question about harms, whom to call, and the local cautions.
    """
    cautions = [entry for entry in cautions_for("test sheet", protocol=protocol) if entry is not STOP_SIGNS]
    stop = [(action, signs) for action, signs in stop_lines() if day.ready or "set" not in action.split()]
    return render_page(
        "tester_sheet.html.j2",
        day=day,
        decides=who_decides(day.decides, protocol),
        attempts=range(1, ATTEMPTS + 1),
        blinded=protocol.oversight.assessor_blinded,
        harms=protocol.harms,
        stop_signs=STOP_SIGNS,
        stop=stop,
        cautions=cautions,
    )
