"""Whether a correction says something that the fact can be."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

from studykit.errors import ArgumentError
from studykit.study.rights import require_right

if TYPE_CHECKING:
    from studykit.allocation.entries import Entry
    from studykit.allocation.ledger import Ledger
    from studykit.protocol.types import Protocol
    from studykit.records.tables import Records

_OLDEST = 110
_YES_OR_NO = ("baseline_tested", "cleared", "consented", "eligible", "touch_consented")


def write_correction(
    ledger: Ledger, protocol: Protocol, records: Records, client: str, *, fact: str, value: str, reason: str,
    by: str, source: str,
) -> Entry:  # fmt: skip
    """Check a correction and append it; see `studykit.study.Study.correct`."""
    known = {entry.client.casefold(): entry for entry in ledger.allocations()}
    entry = known.get(client.casefold())
    facts = {} if entry is None else {**entry.facts, **entry.true_stratum}
    if entry is not None and fact not in facts and fact != "arm":
        raise ArgumentError(where="fact", expected=f"one of {', '.join(sorted(facts))}", got=repr(fact))
    require_right("correct", by, protocol)
    if fact in facts:
        value = corrected_value(fact, value, protocol=protocol, records=records)
    return ledger.correct(
        client=client if entry is None else entry.client,
        what=fact,
        old=facts.get(fact),
        new=value,
        reason=reason,
        source=source,
        by=by,
    )


def corrected_value(fact: str, value: str, *, protocol: Protocol, records: Records) -> str:
    """The value as the protocol and the records spell it.

    Raises
    ------
    ArgumentError
        If the fact cannot have this value.
    """
    levels = _levels(fact, protocol, records)
    known = {level.casefold(): level for level in levels}
    text = value.strip()
    if fact == "trainer" and not levels:
        raise _refusal(fact, "a trainer of records/trainers", value)
    if levels and text.casefold() not in known:
        raise _refusal(fact, f"one of {', '.join(levels)}", value)
    if fact == "age" and not (text.isascii() and text.isdecimal() and int(text) <= _OLDEST):
        raise _refusal(fact, f"a whole number from 0 to {_OLDEST}", value)
    if fact == "consent_date" and not _is_date(text):
        raise _refusal(fact, "a date as YYYY-MM-DD", value)
    if not text:
        raise _refusal(fact, "a value", value)
    return known.get(text.casefold(), text)


def _levels(fact: str, protocol: Protocol, records: Records) -> Sequence[str]:
    """The values that a fact can have, where they are listed anywhere."""
    if fact in _YES_OR_NO:
        return ("yes", "no")
    if fact == "trainer":
        return tuple(dict.fromkeys(str(code) for code in records["trainers"].columns["trainer"]))
    return next((stratum.levels for stratum in protocol.strata if stratum.code == fact), ())


def _is_date(text: str) -> bool:
    try:
        dt.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _refusal(fact: str, expected: str, got: str) -> ArgumentError:
    return ArgumentError(where=fact, expected=expected, got=repr(got), todo="Nothing was written.")
