"""What the tables say of each other: contradictions, gaps, values that are hardly meant.

No finding names an arm, and partner reps in the reference arm are none: they are a record of
contamination, which the outcomes report.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from studykit.errors import Finding
from studykit.protocol.types import Protocol
from studykit.records.attendance_checks import attendance_findings
from studykit.records.harm_checks import harm_findings
from studykit.records.kind_rows import rows_of
from studykit.records.people_checks import people_findings
from studykit.records.scene import Scene
from studykit.records.score_checks import score_findings
from studykit.records.tables import Allocated, Records


def check_consistency(
    records: Records,
    protocol: Protocol,
    allocated: Sequence[Allocated] = (),
    *,
    today: dt.date | None = None,
) -> tuple[Finding, ...]:
    """Everything noticed across tables.

    Parameters
    ----------
    records : Records
    protocol : Protocol
    allocated : sequence of Allocated
        Their days of allocation and trainers are used, never their arms.
    today : date, optional
        With it, dates that lie in the future are found.

    Returns
    -------
    tuple of Finding
        ``stop`` where an answer would rest on a contradiction (unknown clients, a pause that ends
        before it begins, a load that cannot be right), else ``warn`` or ``note``.
    """
    scene = Scene(records, protocol, tuple(allocated), today)
    return (
        *people_findings(scene),
        *score_findings(scene),
        *(finding for outcome in protocol.outcomes for finding in rows_of(outcome).findings(scene, outcome)),
        *attendance_findings(scene),
        *harm_findings(scene),
    )
