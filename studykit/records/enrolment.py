"""What the records say of one client who is to be allocated, and what is still missing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from studykit.errors import ArgumentError
from studykit.protocol.outcome import OutcomeSection
from studykit.protocol.types import Protocol
from studykit.records.kind_rows import Tested, rows_of
from studykit.records.nearest import nearest_known
from studykit.records.record_tables import Records, RecordTable
from studykit.records.writing import number_text
from studykit.results import Result


@dataclass(frozen=True, slots=True)
class EnrolmentFacts(Result):
    """Facts of one client, to be repeated to the person who enrols before anything is drawn.

    Parameters
    ----------
    client : str
        As it is spelt in the records.
    stratum : tuple of (str, str)
        What the method of allocation balances on, in the protocol's order; levels may be empty when
        something is missing.
    facts : mapping
        Plain values for the ledger: ``eligible``, ``consented``, ``cleared``, ``touch_consented``,
        ``baseline_tested`` (true or false), the trainer, the strata, and the baseline scores.
    missing : tuple of str
        Why the client cannot be allocated yet, a sentence each; empty when ready.
    cautions : tuple of str
        What to look at before the draw, though it does not forbid it.
    excluded : bool
        Whether something recorded keeps the client out of this study, and not only something missing.
    """

    client: str
    stratum: tuple[tuple[str, str], ...]
    facts: Mapping[str, Any]
    missing: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    excluded: bool = False

    def text(self) -> str:
        """The facts as lines to be read aloud."""
        words = {True: "yes", False: "no", None: "not recorded"}
        lines = [f"Client {self.client}"]
        for name, value in self.facts.items():
            label = name.replace("_", " ")
            if isinstance(value, list):
                lines += [f"  {label}:", *(f"    {_spoken(entry)}" for entry in value)]
            else:
                plain = words[value] if value is None or isinstance(value, bool) else value
                lines.append(f"  {label}: {plain}")
        lines += [f"  LOOK AT: {caution}" for caution in self.cautions]
        against = "STANDS AGAINST IT" if self.excluded else "STILL MISSING"
        lines += [f"  {against}: {reason}" for reason in self.missing]
        return "\n".join(lines)


def enrolment_facts(
    records: Records, protocol: Protocol, client: str, *, today: dt.date | None = None
) -> EnrolmentFacts:
    """Facts of one client from the tables ``screening``, ``clients``, ``strength`` and ``measurements``.

    Parameters
    ----------
    records : Records
    protocol : Protocol
    client : str
        Client code; capitals are passed over.
    today : date, optional
        The day of the draw; with it, baseline tests outside their window are pointed out.

    Raises
    ------
    ArgumentError
        If neither ``screening`` nor ``clients`` has the client.
    """
    code = _known_client(records, client)
    screening = _row(records["screening"], code)
    known = _row(records["clients"], code)
    strata = {stratum.code: str(known.get(stratum.code) or "") for stratum in protocol.strata}
    tests = baseline_tests(records, protocol, (code,)).get(code, [])
    untested = _untested(records, protocol, code)
    told = screening_facts(records, code)
    age = told.pop("age")
    facts: dict[str, Any] = {
        **told,
        "trainer": str(known.get("trainer") or ""),
        "age": age,
        "baseline_tested": not untested,
        "baseline_tests": tests,
    }
    facts |= {name: level for name, level in strata.items() if name != "trainer"}
    missing = [
        *_screening_gaps(code, screening, protocol, facts),
        *_screening_days(code, screening, protocol, today),
        *_client_gaps(code, known, protocol, strata=strata, facts=facts),
        *_trainer_gaps(records, code, facts["trainer"], protocol, today),
        *untested,
        *_unread(records, code),
    ]
    stratum = tuple((name, strata.get(name, "")) for name in protocol.allocation.strata)
    cautions = () if today is None else _outside_window(protocol, tests, today)
    excluded = bool(
        any(facts[answer] is False for answer in ("eligible", "consented"))
        or (facts["touch_consented"] is False and _hands_on(protocol))
        or (age is not None and age < protocol.eligibility.minimum_age)
        or screening.get("reason")
    )
    return EnrolmentFacts(code, stratum, MappingProxyType(facts), tuple(missing), cautions, excluded)


def _outside_window(protocol: Protocol, tests: list[dict[str, Any]], today: dt.date) -> tuple[str, ...]:
    """One sentence for each day of baseline tests that lies too far from the day of the draw."""
    windows = {visit.code: visit.day + visit.window[0] for visit in protocol.baseline_visits}
    found = []
    for test in tests:
        if not test["date"]:
            continue
        before = (today - dt.date.fromisoformat(test["date"])).days
        earliest = -windows[test["visit"]]
        if before < 0:
            found.append(f"A test of {test['visit']} is dated {test['date']}, after today.")
        elif before > earliest:
            found.append(
                f"A test of {test['visit']} is of {test['date']}, {before} days ago; the protocol wants it "
                f"at most {earliest} days before the draw."
            )
    return tuple(dict.fromkeys(found))


def _known_client(records: Records, client: str) -> str:
    codes = [*records["clients"].columns["client"], *records["screening"].columns["client"]]
    found = {code.casefold(): str(code) for code in reversed(codes)}
    code = found.get(client.strip().casefold())
    if code is None and client in records.unread_clients:
        return client
    if code is None:
        near = nearest_known(client, sorted(found.values()))
        raise ArgumentError(
            where=f"client {client}",
            expected="a client of records/screening or records/clients",
            got="none of this code",
            todo=f"Is {near} meant?" if near else "Enter the client there first.",
        )
    return code


def _row(table: RecordTable, code: str, *, key: str = "client") -> dict[str, Any]:
    rows = np.flatnonzero(table.columns[key] == code)
    return {name: column[rows[0]] for name, column in table.columns.items()} if rows.size else {}


def _answer(value: Any) -> bool | None:
    """Yes, no, or nothing recorded."""
    return None if value is None or np.isnan(value) else bool(value)


def _day(value: Any) -> str:
    return "" if value is None or np.isnat(value) else str(value)


def _number(value: Any) -> int | None:
    return None if value is None or np.isnan(value) else int(value)


def _screening_gaps(
    client: str, screening: Mapping[str, Any], protocol: Protocol, facts: Mapping[str, Any]
) -> list[str]:
    if not screening:
        return [f"There is no row for {client} in records/screening."]
    gaps = []
    if facts["eligible"] is not True:
        gaps.append(f"{client} does not meet the protocol's criteria.")
    if not facts["cleared"]:
        gaps.append(f"{client} is not cleared for vigorous exercise.")
    if facts["consented"] is not True:
        gaps.append(f"{client} has not given written consent.")
    elif not facts["consent_date"]:
        gaps.append(f"The day of consent of {client} is not recorded.")
    if _hands_on(protocol) and facts["touch_consented"] is not True:
        said = "did not accept" if facts["touch_consented"] is False else "was not asked about"
        gaps.append(f"{client} {said} hands-on resistance.")
    if screening.get("reason"):
        gaps.append(f"The screening of {client} gives a reason against taking part: {screening['reason']}.")
    return gaps


def _screening_days(
    client: str, screening: Mapping[str, Any], protocol: Protocol, today: dt.date | None
) -> Iterator[str]:
    """Days of screening and consent that cannot be, or lie further back than the protocol allows."""
    assessed, most = _day(screening.get("date")), protocol.eligibility.screening_days
    if today is None:
        return
    for what, day in (("screening", assessed), ("consent", _day(screening.get("consent_date")))):
        if day and dt.date.fromisoformat(day) > today:
            yield f"The {what} of {client} is dated {day}, after today."
    if assessed and most and (age := (today - dt.date.fromisoformat(assessed)).days) > most:
        yield (
            f"The screening of {client} is {age} days old; the protocol wants it at most {most} days before "
            "the draw. Screen the client again."
        )


def needs_every_sign_off(protocol: Protocol) -> bool:
    """Whether each trainer is to give partner reps: any arm has them, and no trainer is of one arm only."""
    one_arm_each = protocol.draws_trainers or protocol.trainers.deliver == "one arm"
    return _hands_on(protocol) and not one_arm_each


def _hands_on(protocol: Protocol) -> bool:
    """Whether any arm has the trainer's hands as resistance."""
    doses = [arm.dose for arm in protocol.arms if arm.dose is not None]
    return any(dose.partner_reps_per_set > 0 for dose in doses)


def _client_gaps(
    client: str, known: Mapping[str, Any], protocol: Protocol, *, strata: Mapping[str, str],
    facts: Mapping[str, Any],
) -> list[str]:  # fmt: skip
    if not known:
        return [f"There is no row for {client} in records/clients."]
    gaps = [
        f"The {name} of {client} is not recorded in records/clients." for name in strata if not strata[name]
    ]
    if "trainer" not in strata and not facts["trainer"]:
        gaps.append(f"The trainer of {client} is not recorded in records/clients.")
    age, least = facts["age"], protocol.eligibility.minimum_age
    used = {*protocol.allocation.strata, *protocol.analysis.adjust_for}
    if age is None and (least or "age" in used):
        gaps.append(f"The age of {client} is not recorded in records/clients.")
    elif age is not None and age < least:
        gaps.append(f"{client} is {age} years old; the protocol wants at least {least}.")
    return list(dict.fromkeys(gaps))


def _trainer_gaps(
    records: Records, client: str, trainer: str, protocol: Protocol, today: dt.date | None
) -> list[str]:
    """An unknown trainer; and one without sign-off, where every trainer is to give partner reps."""
    known = sorted(map(str, records["trainers"].columns["trainer"]))
    named = next((stratum.levels for stratum in protocol.strata if stratum.code == "trainer"), ())
    if not trainer:
        return []
    if named and trainer not in named:
        return [
            f"The trainer of {client}, {trainer}, is none of those the protocol names: {', '.join(named)}."
        ]
    if trainer in known:
        checked = _row(records["trainers"], trainer, key="trainer")["signed_off_on"]
        later = today is not None and checked > np.datetime64(today)
        if not (np.isnat(checked) or later) or not needs_every_sign_off(protocol):
            return []
        unsigned = (
            f"The trainer of {client}, {trainer}, is not signed off for partner reps in records/trainers."
        )
        return [f"{unsigned} Sign the trainer off first, or let the client have another trainer."]
    near = nearest_known(trainer, known)
    meant = f" Is {near} meant?" if near else ""
    return [f"The trainer of {client}, {trainer}, is not in records/trainers.{meant}"]


def baseline_tests(
    records: Records, protocol: Protocol, clients: Sequence[str]
) -> dict[str, list[dict[str, Any]]]:
    """Baseline scores by client, as plain values."""
    tests: dict[str, list[dict[str, Any]]] = {}
    for outcome, found in _tested(records, protocol, clients):
        for index in _at_baseline(found):
            tests.setdefault(clients[found.client[index]], []).append(
                {
                    "outcome": outcome.code,
                    "exercise": found.exercises[found.exercise[index]],
                    "visit": found.visits[found.visit[index]],
                    "date": _day(found.table.columns["date"][found.row[index]]),
                    "score": number_text(round(float(found.score[index]), 6)),
                    "unit": found.unit,
                }
            )
    return tests


def screening_facts(records: Records, client: str) -> dict[str, Any]:
    """What screening says of a client, as plain values, and the age."""
    screening = _row(records["screening"], client)
    touch = _answer(screening.get("touch_consented"))
    return {
        "eligible": _answer(screening.get("eligible")),
        "consented": _answer(screening.get("consented")),
        "consent_date": _day(screening.get("consent_date")),
        "cleared": screening.get("cleared") in ("yes", "not needed"),
        "clearance": str(screening.get("cleared") or ""),
        "touch_consented": touch,
        "age": _number(_row(records["clients"], client).get("age")),
    }


def _tested(
    records: Records, protocol: Protocol, clients: Sequence[str]
) -> Iterator[tuple[OutcomeSection, Tested]]:
    for outcome in protocol.outcomes_to_report:
        found = rows_of(outcome).tested(records, protocol, outcome, tuple(clients))
        if found is not None:
            yield outcome, found


def _at_baseline(found: Tested) -> list[int]:
    return [index for index, visit in enumerate(found.visit.tolist()) if visit in found.baseline]


def _untested(records: Records, protocol: Protocol, code: str) -> list[str]:
    """Baseline scores that primary and secondary outcomes lack."""
    gaps: list[str] = []
    for outcome, found in _tested(records, protocol, (code,)):
        if outcome.role != "exploratory" and found.baseline:
            done = {found.exercises[found.exercise[index]] for index in _at_baseline(found)}
            gaps += [_no_test(outcome, found, code, name) for name in found.exercises if name not in done]
    return list(dict.fromkeys(gaps))


def _no_test(outcome: OutcomeSection, found: Tested, client: str, exercise: str) -> str:
    what = "valid baseline test" if found.table.name == "strength" else "baseline value"
    return f"{client} has no {what} of {exercise or outcome.name} in records/{found.table.name}."


def _unread(records: Records, client: str) -> list[str]:
    if client not in records.unread_clients:
        return []
    return [f"A row of {client} in records/clients or records/screening cannot be read as it stands."]


def _spoken(entry: Mapping[str, Any]) -> str:
    name = entry["exercise"] or entry["outcome"]
    day = f" on {entry['date']}" if entry["date"] else ""
    return f"{name}, {entry['visit']}: {entry['score']} {entry['unit']}{day}"
