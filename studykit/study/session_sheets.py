"""The session sheet and the tester's sheet of a study's client: from the folder to the written pages."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.errors import DesignError
from studykit.study.rights import refuse_the_blind, refuse_unknown
from studykit.study.snapshot import RESULTS
from studykit.study.traces import day_head

if TYPE_CHECKING:
    from studykit.outcomes.session_plan import SessionPlan
    from studykit.outcomes.visit_day import VisitDay
    from studykit.study.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Sheet:
    """A written session sheet.

    Parameters
    ----------
    plan : SessionPlan
        What the sheet says.
    path, take_home : Path
        The sheet, and the page to take home.
    """

    plan: SessionPlan
    path: Path
    take_home: Path

    def plain(self) -> dict[str, Any]:
        """The sheet for programs: the verdicts with their reasons, the plan's fields, the pages."""
        from studykit.results import to_plain

        plan = self.plan
        fields: dict[str, Any] = to_plain(replace(plan, dose=None))
        fields["dose"] = None if plan.dose is None else plan.dose.model_dump(mode="json")
        verdict = {"ready": plan.readiness.ready, "reasons": fields.pop("readiness")["reasons"]}
        verdict |= {"allowed": plan.allowed, "needs_attention": plan.needs_attention}
        return {**verdict, **fields, "sheet": str(self.path), "take_home": str(self.take_home)}


def write_sheet(
    now: Snapshot, client: str, *, today: dt.date | None = None, trainer: str = "", by: str = ""
) -> Sheet:
    """Write the session sheet of one client and the page to take home.

    Parameters
    ----------
    now : Snapshot
    client : str
        Client code; capitals are passed over.
    today : date, optional
        Day of the session; by default the day it is now at the studio.
    trainer : str
        Who trains the client that day, if not the trainer recorded before allocation.
    by : str
        Who asks for the sheet; it tells the arm, so it is not for the tester.

    Raises
    ------
    ArgumentError
        If there is no such client, no such trainer, or nobody has the code.
    DesignError
        If nobody is allocated yet, or the client has no arm.
    """
    from studykit.outcomes.session_plan import session_plan
    from studykit.report.session_sheet import save_session_sheet

    protocol = now.protocol
    for code in (by, trainer):
        refuse_the_blind(code, protocol, where="sheet")
    if by:
        refuse_unknown(by, protocol, trainers=now.trainer_codes)
    if not now.allocated:
        raise DesignError(
            where=str(now.folder),
            expected="allocated clients",
            got="none",
            todo="Lock the protocol and enrol clients first; a sheet needs the client's arm.",
        )
    taken_over = {code.casefold(): who for code, who in now.trainers_now.items()}
    plan = session_plan(
        protocol, now.records, client=client, allocated=now.allocated, today=today or now.today,
        trainer=trainer or taken_over.get(client.strip().casefold(), ""),
    )  # fmt: skip
    path, home = save_session_sheet(plan, protocol, now.folder / RESULTS, head=day_head(now))
    return Sheet(plan, path, home)


@dataclass(frozen=True, slots=True)
class TesterSheet:
    """A written sheet for a day of strength tests.

    Parameters
    ----------
    day : VisitDay
        What the sheet says; it knows no arm.
    path : Path
    """

    day: VisitDay
    path: Path

    def plain(self) -> dict[str, Any]:
        """The sheet for programs."""
        from studykit.results import to_plain

        return {**to_plain(self.day), "in_window": self.day.in_window, "sheet": str(self.path)}


def write_tester_sheet(
    now: Snapshot, client: str, *, today: dt.date | None = None, by: str = ""
) -> TesterSheet:
    """Write the sheet for a day of strength tests, which the tester may have: it tells no arm.

    Parameters
    ----------
    now : Snapshot
    client : str
        Client code, allocated or not; capitals are passed over.
    today : date, optional
        Day of the tests; by default the day it is now at the studio.
    by : str
        Who asks for the sheet.

    Raises
    ------
    ArgumentError
        If there is no such client, or nobody has the code.
    DesignError
        If the protocol tests no strength.
    """
    from studykit.outcomes.visit_day import visit_day
    from studykit.report.tester_sheet import save_tester_sheet

    if by:
        refuse_unknown(by, now.protocol, trainers=now.trainer_codes)
    day = visit_day(
        now.protocol, now.records, client=client, allocated=now.allocated, today=today or now.today
    )
    return TesterSheet(day, save_tester_sheet(day, now.protocol, now.folder / RESULTS))
