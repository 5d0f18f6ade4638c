"""The session sheet and the tester's sheet of a study's client: from the folder to the written pages."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.errors import ArgumentError, DesignError
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
    from studykit.report.session_sheet import save_session_sheet

    plan = session_of(now, client, today=today, trainer=trainer, by=by)
    path, home = save_session_sheet(plan, now.protocol, now.folder / RESULTS, head=day_head(now))
    return Sheet(plan, path, home)


def session_of(
    now: Snapshot, client: str, *, today: dt.date | None = None, trainer: str = "", by: str = ""
) -> SessionPlan:
    """The session of one client; parameters and refusals as of `write_sheet`, and nothing is written."""
    from studykit.outcomes.session_plan import session_plan

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
    return session_plan(
        protocol, now.records, client=client, allocated=now.allocated, today=today or now.today,
        trainer=trainer or taken_over.get(client.strip().casefold(), ""),
    )  # fmt: skip


def as_planned(now: Snapshot, plan: SessionPlan) -> dict[str, str]:
    """A row of records/sessions for a session done exactly as planned, to be offered and confirmed.

    The number of conventional sets is that of the client's last session; it is left out where there is none.
    """
    columns, taken = now.records["sessions"].columns, plan.stand_alone
    own = [
        (day, sets) for client, day, sets in
        zip(columns["client"], columns["date"], columns["conventional_sets"], strict=True)
        if client == plan.client and sets == sets
    ]  # fmt: skip
    row = {"status": "attended", "partner_reps": "0", "partner_sets": "0", "partner_sets_as_planned": "0"}
    row |= {"conventional_sets": f"{max(own)[1]:.0f}"} if own else {}
    if plan.dose is not None:
        row["limit_reached"] = "yes" if plan.dose.to_limit and not plan.repetitions_left else "no"
    if plan.allowed:
        sets = plan.exercises_today
        each = plan.cap if taken is None else taken.learn_lifting + taken.learn_lowering + plan.cap
        row |= {"partner_reps": str(sets * each), "partner_sets": str(sets), "end_code": "as planned"}
        row |= {"partner_sets_as_planned": str(sets), "lowering": "all in range", "lifting": "all finished"}
        row["range_kept"] = "yes"
    return row


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
    now: Snapshot, client: str, *, today: dt.date | None = None, by: str = "", trainer: str = ""
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
    trainer : str
        None: the sheet is the same whoever trains.

    Raises
    ------
    ArgumentError
        If there is no such client, nobody has the code, or a trainer is named.
    DesignError
        If the protocol tests no strength.
    """
    from studykit.outcomes.visit_day import visit_day
    from studykit.report.tester_sheet import save_tester_sheet

    if trainer:
        raise ArgumentError(
            where="sheet", expected="no --trainer beside --test", got=repr(trainer),
            todo="Leave it out: the tester's sheet is the same whoever trains.",
        )  # fmt: skip
    if by:
        refuse_unknown(by, now.protocol, trainers=now.trainer_codes)
    day = visit_day(
        now.protocol, now.records, client=client, allocated=now.allocated, today=today or now.today
    )
    return TesterSheet(day, save_tester_sheet(day, now.protocol, now.folder / RESULTS))
