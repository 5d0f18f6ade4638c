"""Enrolling one client: facts from the records, then the draw, or the next slip of an outsider's list."""

from __future__ import annotations

from typing import TYPE_CHECKING

from studykit.errors import AllocationRefused, DesignError
from studykit.study.correcting import require_role

if TYPE_CHECKING:
    from studykit.allocation.acts import Receipt
    from studykit.allocation.slips import CalledSlip
    from studykit.records.enrolment import EnrolmentFacts
    from studykit.study.study import Study


def enrol(study: Study, client: str, *, by: str) -> Receipt:
    """Draw a client's arm; see `studykit.study.Study.enrol`."""
    from studykit.allocation.asked import method_for

    ledger, _ = study.need_ledger()
    protocol = study.protocol
    method = method_for(protocol)
    if method is None:
        raise DesignError(
            where="enrol", expected="a study that allocates here", got='allocation = "external"'
        )
    if protocol.sealed_list:
        raise DesignError(
            where="enrol", expected="a slip of the sealed list that the protocol names", got="a draw",
            todo="Call the slip (call_slip), open the envelope, record its word (open_slip).",
        )  # fmt: skip
    facts = _ready(study, client, by=by)
    return ledger.allocate(
        facts.client, stratum=dict(facts.stratum), facts=dict(facts.facts), method=method, by=by
    )


def call_slip(study: Study, client: str, *, by: str) -> CalledSlip:
    """Tie the next slip to a client; see `studykit.study.Study.call_slip`."""
    from studykit.allocation.slips import call_slip as call

    ledger, _ = study.need_ledger()
    facts = _ready(study, client, by=by)
    return call(ledger, facts.client, stratum=dict(facts.stratum), facts=dict(facts.facts), by=by)


def open_slip(study: Study, client: str, *, word: str, by: str) -> Receipt:
    """Record an opened slip; see `studykit.study.Study.open_slip`."""
    from studykit.allocation.slips import open_slip as record

    ledger, _ = study.need_ledger()
    require_role(by, study.protocol)
    return record(ledger, client.strip(), word=word, by=by)


def _ready(study: Study, client: str, *, by: str) -> EnrolmentFacts:
    """The facts of a client who can be allocated now."""
    require_role(by, study.protocol)
    reasons = study.pause_reasons()
    if reasons:
        raise AllocationRefused(
            where="pause rule on harms", expected="no reason to pause", got="; ".join(reasons),
            todo="Let the reviewer decide, and amend the protocol before going on.",
        )  # fmt: skip
    facts = study.enrolment(client)
    if facts.missing:
        raise AllocationRefused(
            where=f"client {client}", expected="a client who is ready", got=" ".join(facts.missing),
            todo="Complete the records first; nothing was drawn.",
        )  # fmt: skip
    return facts
