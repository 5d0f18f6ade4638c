"""The list of a day and all its session sheets, for whoever asks: who may not know an arm is told none."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.errors import Finding
from studykit.results import Result
from studykit.study.checking import ledger_findings, lost_ledger_findings
from studykit.study.rights import is_kept_blind, may_see_arms, refuse_unknown
from studykit.study.snapshot import RESULTS
from studykit.study.traces import day_head

if TYPE_CHECKING:
    from studykit.outcomes.day_list import DayList, Line
    from studykit.study.snapshot import Snapshot

NO_ARMS = "No arm is shown. Who may know the arms, and a trainer for the own clients, adds: --by CODE."


@dataclass(frozen=True, slots=True)
class Today(Result):
    """A written list of the day.

    Parameters
    ----------
    list : DayList
        As the person who asked may see it.
    head : str
        The line with the ledger's last entry and its code.
    page : Path
    sheets : Path or None
        All session sheets of the day in one file; None where the person may not know the arms.
    """

    list: DayList
    head: str
    page: Path
    sheets: Path | None

    def text(self) -> str:
        """For the terminal."""
        written = [f"Page: {self.page}"]
        written += [f"All sheets of the day: {self.sheets}"] if self.sheets else []
        written += [] if self.list.with_arms else [NO_ARMS]
        return "\n".join([self.list.text(), self.head, *written])

    def plain(self) -> dict[str, Any]:
        """For programs."""
        from studykit.results import to_plain

        return {
            "in_short": self.list.in_short, "today": str(self.list.today),
            "topics": to_plain(self.list.topics), "head": self.head,
            "page": str(self.page), "sheets": str(self.sheets or ""),
        }  # fmt: skip


def write_today(now: Snapshot, *, by: str = "", today: dt.date | None = None) -> Today:
    """Write the list of the day, and all its sheets for those who may know the arms.

    Parameters
    ----------
    now : Snapshot
    by : str
        Who asks; without a code no arm is shown.
    today : date, optional
        By default the day it is now at the studio.

    Raises
    ------
    ArgumentError
        If nobody has the code.
    """
    from studykit.report.day_page import day_page, sheets_of_day
    from studykit.report.rendering import write_whole

    if by:
        refuse_unknown(by, now.protocol, trainers=now.trainer_codes)
    seen = whole_day(now, today=today).seen_by(knows_arms(now, by))
    head = day_head(now) or "No ledger yet."
    name = "today_with_arms" if seen.with_arms else "today"
    files = {f"{name}.html": day_page(seen, head).encode()}
    if seen.plans:
        files["sheets/today.html"] = sheets_of_day(seen.plans, now.protocol, day_head(now)).encode()
    write_whole(now.folder / RESULTS, files)
    sheets = now.folder / RESULTS / "sheets" / "today.html" if seen.plans else None
    return Today(seen, head, now.folder / RESULTS / f"{name}.html", sheets)


def whole_day(now: Snapshot, *, today: dt.date | None = None) -> DayList:
    """The list of the day with every arm; `DayList.seen_by` with `knows_arms` is what somebody may read."""
    from studykit.outcomes.day_list import day_list

    return day_list(
        now.protocol, now.records, now.allocated, today=today or now.today, trainers=now.trainers_now,
        disagreements=tuple(_disagreements(now)),
    )  # fmt: skip


def knows_arms(now: Snapshot, by: str) -> Callable[[str], bool]:
    """Whose arms somebody may know: all, as a trainer those of the own clients, or none."""
    code = by.strip().casefold()
    if not code or is_kept_blind(by, now.protocol):
        return lambda _: False
    if may_see_arms(by, now.protocol):
        return lambda _: True
    trains = {client.client: now.trainer_now(client) for client in now.allocated}
    return lambda client: trains.get(client, "").casefold() == code


def _disagreements(now: Snapshot) -> Iterator[Line]:
    """What ledger and records tell differently, each by the place where it is to be seen."""
    from studykit.outcomes.day_list import Line
    from studykit.records.check_context import Scene
    from studykit.records.consistency import changed_facts

    scene = Scene(now.records, now.protocol, now.allocated, now.today)
    found: tuple[Finding, ...] = (
        *ledger_findings(now), *lost_ledger_findings(now), *now.draw_findings, *changed_facts(scene),
        *(finding for finding in now.records.findings if finding.severity == "stop"),
    )  # fmt: skip
    for finding in dict.fromkeys(found):
        todo = f" {finding.todo}" if finding.todo else ""
        yield Line(finding.where, f"expected {finding.expected}; found {finding.got}.{todo}")
