"""Why a studio's file is left out of the pooling, and what is noted of one that is not; plain sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator

from studykit.pooling.joining_list import JoiningList, Member
from studykit.pooling.studio_file import FEWEST_TESTED, ArmPart, StudioFile

_ERRORS_WITHIN = (0.4, 2.5)
"""An error this far from what was planned for so many clients does not go with them."""
_FAR = 6.0
_FEW_OF_PROMISED = 0.8
_MISSED, _MISSED_UNEVENLY = 0.25, 0.15


def why_refused(file: StudioFile, listed: JoiningList) -> tuple[str, ...]:
    """Every reason why a file cannot be pooled; empty where there is none."""
    member = listed.members.get(file.studio)
    if member is None:
        return ("this studio is not on the joining list",)
    return (
        *_of_list(file, listed, member),
        *_of_ledger(file, listed, member),
        *(f"{name}: {why}" for name, arm in file.arms.items() for why in _of_arm(arm)),
        *_of_numbers(file, listed),
    )


def _of_list(file: StudioFile, listed: JoiningList, member: Member) -> Iterator[str]:
    head = listed.head
    if file.protocol not in {head["protocol"], *listed.same_protocols}:
        yield "another protocol, or another version of it that the list does not call the same"
    if not member.file:
        yield "the code of its file was not told to the list before files were opened"
    elif member.late:
        yield "the code of its file was told after files had been opened"
    elif member.file != file.code:
        yield "it is not the file whose code was told to the list"
    told = (file.reference, file.compared, file.strength.outcome, file.strength.visit, file.strength.scale)
    if told != tuple(head[name] for name in ("reference", "compared", "outcome", "visit", "scale")):
        yield "other arms, another outcome, visit or scale than the list says"
    if (file.retention.day if file.retention else 0) != int(head["horizon"]):
        yield "retention at another day than the list says"


def _of_ledger(file: StudioFile, listed: JoiningList, member: Member) -> Iterator[str]:
    ledger = file.ledger
    if ledger.audit != "passed":
        yield "its own audit did not pass"
    if ledger.simulated and not listed.is_invented:
        yield "made from an invented study"
    held = {1: ledger.first, ledger.entries: ledger.head}
    held |= {int(place): code for place, code in ledger.codes.items()}
    for place, code in sorted(member.codes.items()):
        if place > ledger.entries or held.get(place) != code:
            yield (
                f"entry {place} of its ledger is not the one that was told at the time: the ledger was begun "
                "again, or cut"
            )
    if file.allocated != ledger.allocated:
        yield f"{file.allocated} clients in its flow, {ledger.allocated} drawn in its ledger"
    if file.allocated < member.told_clients:
        yield f"{file.allocated} clients, {member.told_clients} told to the list before: some were dropped"


def _of_arm(arm: ArmPart) -> Iterator[str]:
    if arm.tested + sum(arm.not_tested.values()) != arm.allocated:
        yield "tested and not tested do not add up to allocated"
    if not (arm.retained <= arm.known <= arm.allocated and arm.received <= arm.allocated):
        yield "impossible numbers of clients"
    if arm.hurt > arm.allocated or arm.harms < arm.hurt or arm.serious > arm.harms:
        yield "impossible numbers of harms"
    if arm.attended > arm.booked or arm.with_partner_reps > arm.attended:
        yield "impossible numbers of sessions"


def _of_numbers(file: StudioFile, listed: JoiningList) -> Iterator[str]:
    strength, tested = file.strength, file.tested
    if min(tested) < FEWEST_TESTED:
        yield f"fewer than {FEWEST_TESTED} tested clients in an arm"
        return
    planned = float(listed.head["spread"]) * math.sqrt(sum(1.0 / number for number in tested))
    if not _ERRORS_WITHIN[0] < strength.error / planned < _ERRORS_WITHIN[1]:
        yield f"an error of {strength.error:g} does not go with {tested[0]} and {tested[1]} tested clients"
    if not 1.0 <= strength.freedom <= file.allocated * int(listed.head["scores"]):
        yield f"{strength.freedom:g} degrees of freedom do not go with {file.allocated} clients"
    if file.retention and file.retention.log_rank[1] > sum(arm.known - arm.retained for arm in file.pair) + 1:
        yield "a log-rank variance that does not go with so few departures"


def notes_on(file: StudioFile, member: Member) -> tuple[str, ...]:
    """What a reader must know of a file that is pooled."""
    strength, ledger = file.strength, file.ledger
    missed = [1.0 - arm.tested / max(arm.allocated, 1) for arm in file.pair]
    counted = {
        "early looks": ledger.looks, "reopenings of the records": ledger.reopened,
        "amendments": ledger.amendments, "corrections": ledger.corrections,
    }  # fmt: skip
    told = ", ".join(f"{number} {what}" for what, number in counted.items() if number)
    found = (
        (abs(strength.estimate) > _FAR * strength.error, "an effect of more than six errors: ask before use"),
        (file.allocated < _FEW_OF_PROMISED * member.clients,
         f"{file.allocated} of {member.clients} promised clients"),
        (bool(told), told),
        (max(missed) > _MISSED or abs(missed[0] - missed[1]) > _MISSED_UNEVENLY,
         f"not tested: {100 * missed[0]:.0f} % and {100 * missed[1]:.0f} %"),
        (strength.fallback, "analysed by the protocol's second method"),
        (bool(file.again), f"handed in again: {file.again}"),
        (member.files > 1, f"{member.files} codes of files were told; the last one counts"),
    )  # fmt: skip
    return tuple(text for is_so, text in found if is_so)
