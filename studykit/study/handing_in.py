"""What a study gives to a pooling of studios: its place on the list, its monthly line, its file."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.errors import DesignError
from studykit.study.analysing import analyse
from studykit.study.auditing import audit_folder
from studykit.study.folder import versions
from studykit.study.snapshot import Snapshot, read_study

if TYPE_CHECKING:
    from studykit.outcomes.results import StudyResults
    from studykit.pooling.joining_list import JoiningList, Member
    from studykit.pooling.studio_file import StudioFile

HANDED_IN = "handed in"
_OTHER_REASONS = "other reasons"
_SOFTWARE = ("studykit", "python", "numpy", "scipy")


def _need(is_so: bool, now: Snapshot, expected: str, got: str, todo: str) -> None:
    if not is_so:
        raise DesignError(
            where=str(now.folder), expected=expected, got=got, todo=f"{todo} Nothing was written."
        )


def list_head(now: Snapshot, *, closes: dt.date, due: dt.date, invented: bool = False) -> dict[str, Any]:
    """What all studios of a new list share, from the locked protocol of one of them.

    Raises
    ------
    DesignError
        If the design is none that is pooled.
    LedgerError
        Before the lock.
    """
    from studykit.planning.plan import plan_study
    from studykit.protocol.resolved import shared_digest

    now.need_lock()
    protocol = now.protocol
    outcomes = protocol.continuous_outcomes
    _need(
        protocol.can_be_pooled and bool(outcomes) and not protocol.is_external, now,
        "a parallel study drawn here, with a strength outcome and both arms with every trainer",
        protocol.design, "Pooling of other designs has not been tried.",
    )  # fmt: skip
    outcome, retention = outcomes[0], protocol.retention_outcome
    planned: Any = plan_study(protocol)[outcome.code].planned
    spread = planned.standard_error / math.sqrt(sum(1.0 / count for count in planned.tested_per_arm))
    return {
        "protocol": shared_digest(protocol),
        "reference": protocol.reference_arm.code,
        "compared": protocol.comparison_arm.code,
        "outcome": outcome.code,
        "visit": outcome.primary_visit,
        "scale": outcome.scale,
        "spread": f"{spread:.4f}",
        "scores": len(protocol.visits) * max(len(outcome.exercises), 1),
        "horizon": retention.horizon_day if retention else 0,
        "closes": closes.isoformat(),
        "due": due.isoformat(),
        "invented": "yes" if invented else "no",
    }


def joining(
    now: Snapshot, listed: JoiningList, *, studio: str, clients: int, until: dt.date
) -> dict[str, Any]:
    """The block with which a study joins; refused where its results could be known already.

    Raises
    ------
    DesignError
    """
    from studykit.protocol.resolved import shared_digest

    now.need_lock()
    digest = shared_digest(now.protocol)
    same = {listed.head["protocol"], *listed.same_protocols}
    _need(digest in same, now, "the protocol of the list", "another", "Lock the protocol that was agreed on.")
    _need(now.today <= listed.closes, now, f"a list that is open until {listed.closes}", f"{now.today}",
          "It takes no more studios: who saw results could choose to join.")  # fmt: skip
    first = min((made.day for made in now.allocations), default=None)
    visits = now.protocol.follow_up_visits
    soonest = None if first is None else first + dt.timedelta(days=visits[0].day)
    _need(soonest is None or soonest > listed.closes, now, "no test after allocation before the list closes",
          f"one due on {soonest}", "Results that are known could decide who joins.")  # fmt: skip
    _need(_is_real(now) or listed.is_invented, now, "a real study", "a simulated one", "It cannot join.")
    last = now.entries[-1]
    return {
        "day": now.today.isoformat(), "studio": studio, "clients": clients, "until": until.isoformat(),
        "first": now.entries[0].code, "entry": last.position, "head": last.code,
    }  # fmt: skip


def _is_real(now: Snapshot) -> bool:
    return all(entry.body.get("entropy_source") != "simulated" for entry in now.entries)


def member_of(now: Snapshot, listed: JoiningList) -> Member:
    """The study's place on the list, found by its ledger's opening entry.

    Raises
    ------
    DesignError
        If it is not there.
    """
    now.need_lock()
    found = [member for member in listed.members.values() if member.codes[1] == now.entries[0].code]
    _need(bool(found), now, "a studio of the list", "a ledger that is not on it", "Is it the right list?")
    return found[0]


def monthly_line(now: Snapshot, listed: JoiningList) -> str:
    """One line to mail to the keeper of the list."""
    last, member = now.entries[-1], member_of(now, listed)
    return f"{member.studio}: entry {last.position} is {last.code}, {len(now.allocations)} clients"


def ready_to_hand_in(folder: Path, listed: JoiningList, *, again: str = "") -> Snapshot:
    """The study, if it may hand in; refused with a sentence where it may not.

    Raises
    ------
    DesignError
    """
    now = read_study(folder)[0]
    member_of(now, listed)
    _need(now.today > listed.closes, now, f"a list that has closed, after {listed.closes}", f"{now.today}",
          "Nobody hands in while others can still join.")  # fmt: skip
    _need(_is_real(now) or listed.is_invented, now, "a real study", "a simulated one", "It cannot be pooled.")
    audit = audit_folder(folder)
    _need(audit.passed, now, "an audit that passes", "one that does not", "Run studykit audit and read it.")
    _need(now.is_complete, now, "complete follow-up", f"records through {now.rows.data_through}",
          "Wait for the last client's last day.")  # fmt: skip
    locks = [entry.kind for entry in now.entries if entry.kind in ("data lock", "reopening")]
    _need(locks[-1:] == ["data lock"], now, "locked records", "records that are open",
          "Lock them: studykit note STUDY --what data_lock --reason TEXT --by CODE.")  # fmt: skip
    before = [entry for entry in now.entries if entry.body.get("what") == HANDED_IN]
    _need(not before or bool(again.strip()), now, "no file handed in yet, or a reason for another",
          f"one at ledger entry {before[-1].position if before else 0}",
          "Say why with --again TEXT; it stands in the new file.")  # fmt: skip
    return now


def body_of(now: Snapshot, listed: JoiningList, *, again: str = "", entries: int = 0) -> dict[str, Any]:
    """The content of the file, without its code.

    Parameters
    ----------
    now : Snapshot
    listed : JoiningList
    again : str
        Why there is a second file.
    entries : int
        Of the ledger when it was handed in, to make a file again later; all of them by default.

    Raises
    ------
    DesignError
        With fewer than five tested clients in an arm.
    """
    from studykit.pooling.studio_file import DECIMALS, FEWEST_TESTED, FORMAT
    from studykit.protocol.resolved import shared_digest

    results, head = analyse(now, None, redraw=False), listed.head
    strength: Any = results[head["outcome"]]
    arms = _arms(results, head["outcome"])
    fewest = min(arms[head[side]]["tested"] for side in ("reference", "compared"))
    _need(fewest >= FEWEST_TESTED, now, f"{FEWEST_TESTED} tested clients or more in each arm", str(fewest),
          "So few clients could be recognised, and their spread is not known.")  # fmt: skip
    estimate: Any = strength.primary.estimate
    return {
        "format": FORMAT,
        "studio": member_of(now, listed).studio,
        "protocol": shared_digest(now.protocol),
        "version": now.protocol.study.version,
        "compared": head["compared"],
        "reference": head["reference"],
        "software": {name: version for name, version in versions().items() if name in _SOFTWARE},
        "ledger": _ledger(now, member_of(now, listed), entries or len(now.entries)),
        "arms": arms,
        "strength": {
            "outcome": head["outcome"], "visit": strength.primary_visit, "scale": strength.scale,
            "estimate": round(float(estimate.value), DECIMALS),
            "error": round(float(estimate.standard_error), DECIMALS),
            "freedom": round(float(estimate.degrees_of_freedom), DECIMALS),
            "method": strength.primary.method, "fallback": bool(strength.fallback),
        },
        "retention": _retention(now),
        "again": again.strip(),
    }  # fmt: skip


def _ledger(now: Snapshot, member: Member, number: int) -> dict[str, Any]:
    entries = now.entries[:number]
    kinds = [entry.kind for entry in entries]
    return {
        "first": entries[0].code, "head": entries[-1].code, "entries": number,
        "codes": {str(place): entries[place - 1].code for place in sorted(member.codes) if place <= number},
        "allocated": kinds.count("allocation"),
        "audit": "passed" if audit_folder(now.folder).passed else "not passed",
        "looks": sum(look.position <= number for look in now.looks),
        "amendments": kinds.count("amendment"), "reopened": kinds.count("reopening"),
        "corrections": kinds.count("correction"), "simulated": not _is_real(now),
    }  # fmt: skip


def _arms(results: StudyResults, outcome: str) -> dict[str, dict[str, Any]]:
    harms = {arm.arm: arm for arm in results.harms.arms} if results.harms else {}
    delivery = {arm.arm: arm for arm in results.delivery.arms} if results.delivery else {}
    retention = {status.arm: status for status in results.retention.status} if results.retention else {}
    found = {}
    for arm in results.flow.arms:
        own: Any = results[outcome].flow(arm.arm, arm.allocated)
        stayed, hurt, given = retention.get(arm.arm), harms.get(arm.arm), delivery.get(arm.arm)
        found[arm.arm] = {
            "allocated": arm.allocated, "received": arm.received, "tested": own.measured,
            "not_tested": _merged(own.lost),
            "known": stayed.retained + stayed.departed if stayed else 0,
            "retained": stayed.retained if stayed else 0,
            "hurt": hurt.clients_with_harm if hurt else 0, "harms": hurt.events if hurt else 0,
            "serious": hurt.serious if hurt else 0, "booked": given.booked if given else 0,
            "attended": given.attended if given else 0,
            "with_partner_reps": given.with_partner_reps if given else 0,
        }  # fmt: skip
    return found


def _merged(reasons: tuple[tuple[str, int], ...]) -> dict[str, int]:
    """Reasons of few clients become one line, since a reason could tell who it was."""
    from studykit.pooling.studio_file import FEWEST_NAMED

    named = {reason: number for reason, number in reasons if number >= FEWEST_NAMED}
    others = sum(number for _, number in reasons) - sum(named.values())
    return {**named, **({_OTHER_REASONS: others} if others else {})}


def _retention(now: Snapshot) -> dict[str, Any] | None:
    from studykit.kinds.retention.time import curve_numbers
    from studykit.pooling.studio_file import DECIMALS

    protocol, spells = now.protocol, now.rows.retention
    if protocol.retention_outcome is None or spells is None:
        return None
    distance, variance = curve_numbers(protocol, spells)
    numbers = [round(distance, DECIMALS), round(variance, DECIMALS)]
    return {"day": protocol.retention_outcome.horizon_day, "log_rank": numbers}


def differences(folder: Path, listed: JoiningList, file: StudioFile) -> tuple[str, ...]:
    """Where the file that a folder gives again differs from the one handed in; empty where nowhere.

    Versions of software are no difference: whoever is shown the folder may have others.
    """
    now = read_study(folder)[0]
    number = file.ledger.entries
    if len(now.entries) < number or now.entries[number - 1].code != file.ledger.head:
        return (f"entry {number} of the ledger",)
    made = body_of(now, listed, again=file.again, entries=number)
    held = file.model_dump(mode="json")
    return tuple(_unlike(held, made, ""))


def _unlike(held: Mapping[str, Any], made: Mapping[str, Any], place: str) -> list[str]:
    found = []
    for name in sorted((set(held) | set(made)) - {"code", "software"}):
        one, other = held.get(name), made.get(name)
        if isinstance(one, Mapping) and isinstance(other, Mapping):
            found += _unlike(one, other, f"{place}{name}, ")
        elif one != other:
            found.append(f"{place}{name}: {one} in the file, {other} from the folder")
    return found
