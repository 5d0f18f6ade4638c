"""What is to be seen to today, everything by name of code: who may train, tests, absences, harms, entries.

Each line says apart what only those may read who may know the arms. Nothing here decides anything new: who
may train follows `studykit.outcomes.readiness`, with what follows `studykit.outcomes.session_plan`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from studykit.outcomes.client_day import sign_off_of
from studykit.outcomes.health_words import is_over
from studykit.outcomes.ramp_in import ramp_stage
from studykit.outcomes.session_plan import (
    MESSAGE_HOURS,
    MESSAGE_SESSIONS,
    SessionPlan,
    arm_today,
    has_partner_reps,
    session_plans,
)
from studykit.protocol.types import Protocol
from studykit.records.away import clients_away
from studykit.records.progress import tests_due
from studykit.records.record_tables import Allocated, Records
from studykit.records.withdrawal import in_study

TRAINING = "training"
SOON = 7  # days before the end of a pause or a sign-off on which it is said
_SETS = ("trainer", "conventional_sets", "partner_reps", "harm_asked")
_GRAVEST = ("severe", "moderate", "mild")


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to see to.

    Parameters
    ----------
    who : str
        Code of the client or trainer.
    text : str
        What anybody may read.
    with_arm : str
        The same, or more, for those who may know the arm; it takes the place of ``text`` for them.
    """

    who: str
    text: str
    with_arm: str = ""


@dataclass(frozen=True, slots=True)
class Topic:
    """Lines of one kind; where ``tells_arms``, that a client stands here at all tells the arm."""

    code: str
    title: str
    lines: tuple[Line, ...]
    tells_arms: bool = False


@dataclass(frozen=True, slots=True)
class DayList:
    """Everything to see to on one day.

    Parameters
    ----------
    study : str
    today : date
    topics : tuple of Topic
        Those without lines too: nothing to see to is said.
    clients : tuple of str
        Every allocated client.
    plans : tuple of SessionPlan
        Of the clients who may train today, as far as the reader may know their arms.
    held : int
        Clients who come and may not train today.
    may_train : int
    with_arms : bool
        Whether any arm is told.
    """

    study: str
    today: dt.date
    topics: tuple[Topic, ...]
    clients: tuple[str, ...]
    plans: tuple[SessionPlan, ...]
    held: int
    may_train: int
    with_arms: bool = True

    @property
    def in_short(self) -> str:
        """What the day means and what to do, in one sentence that tells no arm."""
        here = self.held + self.may_train
        things = sum(len(topic.lines) for topic in self.topics if topic.code != TRAINING)
        plural = "s" * (things != 1)
        if not here:
            who = "Nobody is in training today" if self.clients else "No client has been enrolled yet"
        elif self.held:
            who = f"{self.held} of {here} client{'s' * (here != 1)} may not train today: read why below"
            more = f"and see to the {things} other thing{plural} listed"
            return f"{who}, {more}." if things else f"{who}, before the first session."
        else:
            who = "The one client may train today" if here == 1 else f"All {here} clients may train today"
        more = f"see to the {things} thing{plural} listed below"
        return f"{who}: {more}." if things else f"{who}, and nothing else has to be seen to."

    def seen_by(self, knows: Callable[[str], bool]) -> DayList:
        """The same for somebody who may know the arms of some clients, of all, or of none."""
        any_arm = any(knows(client) for client in self.clients)
        topics = tuple(
            replace(topic, lines=tuple(_seen(topic, knows)))
            for topic in self.topics
            if any_arm or not topic.tells_arms
        )
        plans = tuple(plan for plan in self.plans if knows(plan.client))
        return replace(self, topics=topics, plans=plans, with_arms=any_arm)

    def text(self) -> str:
        """For the terminal."""
        lines = [self.in_short, f"{self.study}: {self.today}"]
        for topic in self.topics:
            lines.append(f"{topic.title}{'' if topic.lines else ': none'}")
            lines += [f"  {line.who}: {line.text}" for line in topic.lines]
        return "\n".join(lines)


def _seen(topic: Topic, knows: Callable[[str], bool]) -> Iterator[Line]:
    """The lines of a topic as somebody may read them."""
    for line in topic.lines:
        if knows(line.who):
            yield Line(line.who, line.with_arm or line.text)
        elif not topic.tells_arms:
            yield Line(line.who, line.text)


def day_list(
    protocol: Protocol,
    records: Records,
    allocated: Sequence[Allocated],
    *,
    today: dt.date,
    trainers: Mapping[str, str],
    disagreements: Sequence[Line] = (),
) -> DayList:
    """Everything to see to on one day.

    Parameters
    ----------
    protocol : Protocol
    records : Records
    allocated : sequence of Allocated
    today : date
    trainers : mapping of str to str
        Who trains each client now, where that is not the trainer recorded before allocation.
    disagreements : sequence of Line
        What ledger and records disagree on.
    """
    gone = _departed(records, today)
    here = [client for client in in_study(allocated, today) if client.client not in gone]
    plans = session_plans(protocol, records, allocated, of=here, today=today, trainers=trainers)
    held_first = sorted(plans, key=lambda plan: plan.readiness.ready)
    topics = (
        Topic(TRAINING, "May train today, and with what", tuple(map(_training, held_first))),
        Topic("tests", "Tests due", tuple(_tests(protocol, records, allocated, today))),
        Topic("away", "Away", tuple(_away(protocol, records, here, today))),
        Topic("pauses", "Pauses", tuple(_pauses(protocol, records, today))),
        Topic("harms", "Harms and news of health to follow up", tuple(_harms(records))),
        Topic("messages", f"Messages due, {MESSAGE_HOURS} hours after partner reps",
              tuple(_messages(protocol, plans, records, today)), tells_arms=True),
        Topic("other_method", "Partner reps although the arm has none",
              tuple(_other(protocol, records, allocated, today)), tells_arms=True),
        Topic("sign_offs", "Sign-offs of trainers", tuple(_sign_offs(protocol, records, today))),
        Topic("entries", "Entries missing", tuple(_entries(records, allocated, today))),
        Topic("disagreements", "Ledger and records disagree", tuple(disagreements)),
    )  # fmt: skip
    ready = tuple(plan for plan in plans if plan.readiness.ready)
    held = len(plans) - len(ready)
    return DayList(
        protocol.study.title, today, topics, tuple(one.client for one in allocated), ready, held, len(ready)
    )


def _departed(records: Records, today: dt.date) -> set[str]:
    """Clients with a registered departure after whom no session is recorded."""
    departures, sessions = records["departures"].columns, records["sessions"].columns
    came = {
        client: day
        for client, day, status in sorted(
            zip(sessions["client"], sessions["date"], sessions["status"], strict=True), key=lambda row: row[1]
        )
        if status == "attended"
    }
    return {
        client
        for client, day in zip(departures["client"], departures["date"], strict=True)
        if day <= np.datetime64(today) and not came.get(client, day) > day
    }


def _training(plan: SessionPlan) -> Line:
    who = f"with {plan.trainer}" if plan.trainer else "trainer not recorded"
    if plan.readiness.ready:
        return Line(plan.client, f"may train, {who}", f"{who}; {_with_what(plan)}")
    # The reasons quote the records, which can tell an arm.
    why = " ".join(reason.text for reason in plan.readiness.reasons)
    return Line(plan.client, plan.readiness.sentence, f"{plan.readiness.sentence} {why}")


def _with_what(plan: SessionPlan) -> str:
    """Today's session in one line."""
    _, *lines = plan.summary().splitlines()
    return f"{plan.arm_name}. {' '.join(line.strip() for line in lines)}"


def _tests(
    protocol: Protocol, records: Records, allocated: Sequence[Allocated], today: dt.date
) -> Iterator[Line]:
    for due in tests_due(records, protocol, allocated, today=today):
        late = "OVERDUE, " if due.overdue else ""
        yield Line(due.client, f"{late}{due.visit}, {due.opens} to {due.closes}")


def _away(protocol: Protocol, records: Records, here: Sequence[Allocated], today: dt.date) -> Iterator[Line]:
    for away in clients_away(records, protocol, here, today=today):
        counted = f"{away.days} countable days" + (
            f", last seen {away.last}" if away.last else ", never seen"
        )
        yield Line(away.client, f"{counted}: {away.todo}")


def _pauses(protocol: Protocol, records: Records, today: dt.date) -> Iterator[Line]:
    columns, now, rule = records["pauses"].columns, np.datetime64(today), protocol.absence_rule
    for client, first, last in zip(columns["client"], columns["first_day"], columns["last_day"], strict=True):
        days = int((last - first).astype(int)) + 1
        if now <= last <= now + SOON:
            yield Line(client, f"pause ends on {last}: agree on the next session")
        elif rule is not None and days > rule.pause_cap_days and first <= now <= last:
            until = first + np.timedelta64(rule.pause_cap_days - 1, "D")
            told = f"pause of {days} days, {first} to {last}"
            yield Line(client, f"{told}: {rule.pause_cap_days} stop the clock, until {until}")


def _harms(records: Records) -> Iterator[Line]:
    columns = records["harms"].columns
    open_rows = [row for row in range(records["harms"].number) if not is_over(str(columns["outcome"][row]))]
    for row in sorted(
        open_rows, key=lambda row: (columns["serious"][row] != 1.0, _GRAVEST.index(columns["severity"][row]))
    ):
        grade = "SERIOUS" if columns["serious"][row] == 1.0 else str(columns["severity"][row])
        said = f'; outcome "{columns["outcome"][row]}"' if columns["outcome"][row] else ", no end recorded"
        who = str(columns["client"][row] or columns["trainer"][row])
        yield Line(who, f"{grade}: {columns['kind'][row]}, {columns['date'][row]}{said}")
    health = records["health"].columns
    for client, day, kind, settled in zip(
        health["client"], health["date"], health["kind"], health["settled_on"], strict=True
    ):
        if np.isnat(settled):
            yield Line(client, f"{kind}, told on {day}, not settled")


def _messages(
    protocol: Protocol, plans: Sequence[SessionPlan], records: Records, today: dt.date
) -> Iterator[Line]:
    """First sessions with partner reps whose message is due today, or was on the two days before."""
    wait = dt.timedelta(hours=MESSAGE_HOURS)
    dose = next((arm.dose for arm in protocol.arms if arm.dose is not None and has_partner_reps(arm)), None)
    if dose is None:
        return
    for plan in plans:
        days = _partner_days(records, plan.client, today)
        for day in days:
            early = ramp_stage(dose, days, today=day).session <= MESSAGE_SESSIONS
            if early and day + wait <= today <= day + 2 * wait:
                due = day + wait
                when = "due today" if due == today else f"was due on {due}; ask whether it was sent"
                yield Line(plan.client, f"partner reps on {day}: {when}. Soreness, red flags?")


def _partner_days(records: Records, client: str, today: dt.date) -> list[dt.date]:
    columns = records["sessions"].columns
    rows = (columns["client"] == client) & (columns["status"] == "attended") & (columns["partner_reps"] > 0)
    days: list[dt.date] = columns["date"][rows].astype(object).tolist()
    return sorted({day for day in days if day <= today})


def _other(
    protocol: Protocol, records: Records, allocated: Sequence[Allocated], today: dt.date
) -> Iterator[Line]:
    """Clients whose arm has no partner reps, and who had some."""
    for client in allocated if not protocol.plan.within else ():
        arm = arm_today(protocol, client, today)
        days = [] if has_partner_reps(arm) else _partner_days(records, client.client, today)
        if days:
            told = ", ".join(map(str, days[-5:]))
            yield Line(
                client.client, f"{arm.name}, partner reps in {len(days)} sessions, last {told}: ask why"
            )


def _sign_offs(protocol: Protocol, records: Records, today: dt.date) -> Iterator[Line]:
    for trainer in dict.fromkeys(map(str, records["trainers"].columns["trainer"])):
        found = sign_off_of(records, trainer, today=today, days=protocol.trainers.sign_off_days)
        unused = ", not yet used" if found.practised_on is None else ""
        if found.signed_off_on is None or found.holds_until is None:
            yield Line(trainer, "not signed off for partner reps")
        elif not found.holds:
            yield Line(
                trainer, f"signed off on {found.signed_off_on}{unused}: LAPSED after {found.holds_until}"
            )
        elif unused or (found.holds_until - today).days <= SOON:
            yield Line(
                trainer, f"signed off on {found.signed_off_on}{unused}: lapses after {found.holds_until}"
            )


def _entries(records: Records, allocated: Sequence[Allocated], today: dt.date) -> Iterator[Line]:
    """Attended sessions with empty cells, by client; and how old the last entry is."""
    columns = records["sessions"].columns
    known = {client.client for client in allocated}
    by_client: dict[str, list[str]] = {}
    for row in np.flatnonzero(columns["status"] == "attended").tolist():
        empty = [name for name in _SETS if _is_empty(columns[name][row])]
        if empty and columns["client"][row] in known:
            told = f"{columns['date'][row]} {', '.join(empty)}"
            by_client.setdefault(str(columns["client"][row]), []).append(told)
    for client, cells in sorted(by_client.items()):
        more = f"; and {len(cells) - 3} more sessions" if len(cells) > 3 else ""
        yield Line(client, "; ".join(cells[:3]) + more)
    last = columns["date"].max() if columns["date"].size else None
    if allocated and (last is None or last < np.datetime64(today) - SOON):
        yield Line("sessions", f"nothing since {last}" if last is not None else "no session is recorded")


def _is_empty(value: object) -> bool:
    return value == "" or value != value
