"""What a draw rested on, fixed in its ledger entry, and what the records say of it today.

The entry of a draw holds the facts and their hash, and which tables and columns stood in the records. A
later change of a baseline score or of eligibility is found here, and a table or column that is gone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from studykit.allocation.entries import facts_hash
from studykit.errors import Finding

if TYPE_CHECKING:
    from studykit.allocation.acts import Allocation
    from studykit.allocation.entries import Entry
    from studykit.protocol.types import Protocol
    from studykit.records.record_tables import Records

_FIXED = ("eligible", "consented", "consent_date", "age")  # trainer and strata: records.consistency
_WHOLE = ("lock", "allocation", "split")  # kinds of entries that are refused where a table is gone
NO_TEST = "none"


def fixed(records: Records, stratum: Mapping[str, str], facts: Mapping[str, Any]) -> dict[str, Any]:
    """What goes into the entry of a draw beside its facts."""
    return {"facts_hash": facts_hash(stratum, facts), "tables": inventory(records)}


def inventory(records: Records) -> dict[str, Any]:
    """Rows and columns of every table that stands in the records."""
    return {
        name: {"rows": rows, "columns": " ".join(columns)} for name, (rows, columns) in records.there.items()
    }


def baseline_names(facts: Mapping[str, Any]) -> dict[str, str]:
    """Baseline scores at the draw by the name that a correction gives, such as ``leg_press baseline``."""
    return {name_of_test(test): str(test["score"]) for test in facts.get("baseline_tests", ())}


def name_of_test(test: Mapping[str, Any]) -> str:
    """The name of a baseline score."""
    return f"{test['exercise'] or test['outcome']} {test['visit']}"


def changed_findings(
    records: Records, protocol: Protocol, allocations: Sequence[Allocation]
) -> Iterator[Finding]:
    """Facts of drawn clients that the records tell otherwise today, corrections considered."""
    from studykit.records.enrolment import baseline_tests, screening_facts

    tested = baseline_tests(records, protocol, [made.client for made in allocations])
    for made in allocations:
        where = f"records of {made.client}"
        now = screening_facts(records, made.client)
        for name in _FIXED:
            then, told = said(made.true_facts.get(name)), said(now.get(name))
            if name in made.facts and told and then != told:
                yield _changed("warn", where, f"{name.replace('_', ' ')} {then}", told, made.client, name)
        if "baseline_tests" not in made.facts:
            continue
        then_tests = baseline_names(made.facts)
        then_tests |= {name: value for name, value in made.corrected.items() if name.count(" ") == 1}
        now_tests = {name_of_test(test): str(test["score"]) for test in tested.get(made.client, ())}
        for name in {**then_tests, **now_tests}:
            before, after = then_tests.get(name, NO_TEST), now_tests.get(name, NO_TEST)
            if before != after:
                severity = "warn" if before == NO_TEST else "stop"
                yield _changed(severity, where, f"{name} {before}", after, made.client, name)


def _changed(severity: Any, where: str, expected: str, got: str, client: str, name: str) -> Finding:
    return Finding(
        severity, where, f"{expected}, as when {client} was drawn", got,
        f'Restore the records; if the first was a slip: studykit correct STUDY {client} --fact "{name}" '
        "--value … --reason ….",
    )  # fmt: skip


def said(value: Any) -> str:
    """A fact as it is typed."""
    if value is None or isinstance(value, bool):
        return {True: "yes", False: "no", None: ""}[value]
    return str(value)


def lost_record_findings(entries: Sequence[Entry], records: Records) -> Iterator[Finding]:
    """Tables, columns and rows that the last draw or an entry since then saw in the records, and are gone.

    A draw is refused where something is missing, so that what it saw is whole; what later entries saw is
    added to it, and none of them lets anything be forgotten.
    """
    if records.unread:
        return
    for name, (then, columns, rows) in _seen(entries).items():
        at = f"as at ledger entry {then.position}, {then.entry_time[:10]}"
        if name not in records.there:
            yield Finding("stop", records[name].where, f"the table {name}, {at}", "none",
                          "Put the file back from a copy; nothing is concluded without it.")  # fmt: skip
            continue
        rows_now, columns_now = records.there[name]
        gone = [column for column in columns if column not in columns_now]
        if gone:
            wanted = f"the column {', '.join(gone)}, {at}"
            todo = "Put the column back, with its cells."
            yield Finding("stop", f"{records[name].where}, row 1", wanted, "none", todo)
        if rows_now < rows:
            wanted = f"{rows} rows at least, {at}"
            todo = "Rows are corrected, never removed: put them back, unless they stood there twice."
            yield Finding("warn" if rows_now else "stop", records[name].where, wanted, str(rows_now), todo)


def _seen(entries: Sequence[Entry]) -> Mapping[str, tuple[Entry, tuple[str, ...], int]]:
    """By table, the last entry that saw all of it, its columns and its most rows."""
    seen: dict[str, tuple[Entry, tuple[str, ...], int]] = {}
    for entry in entries:
        if "tables" not in entry.body:
            continue
        if entry.kind in _WHOLE:
            seen = {}
        for name, now in entry.body["tables"].items():
            then, columns, rows = seen.get(name, (entry, (), 0))
            found = tuple(now["columns"].split())
            if set(columns) <= set(found) and rows <= now["rows"]:
                then = entry
            seen[name] = (then, tuple(dict.fromkeys((*columns, *found))), max(rows, now["rows"]))
    return seen
