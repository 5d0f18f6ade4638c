"""What a role may do: codes, not passwords. Who did what stands in the ledger, so that it can be asked about.

A code is what somebody says at the keyboard. That keeps honest people to the roles that the protocol
gave them, and leaves a trace of the others; it is no lock against somebody who gives another's code.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from studykit.errors import ArgumentError

if TYPE_CHECKING:
    from studykit.protocol.types import Protocol

Act = Literal["lock", "allocate", "correct", "look", "see arms"]

_ROLES_OF: dict[Act, tuple[str, ...]] = {
    "lock": ("sponsor", "allocation"),
    "allocate": ("allocation",),
    "correct": ("sponsor", "allocation", "enrolment", "testing", "analysis", "safety"),
    "look": ("sponsor", "analysis", "safety"),
    "see arms": ("sponsor", "allocation", "analysis", "safety"),
}
_WORDS: dict[Act, str] = {
    "lock": "decides on the protocol",
    "allocate": "runs the draws",
    "correct": "has a role",
    "look": "may see results by arm before the end",
    "see arms": "may see who is in which arm",
}


def require_right(act: Act, by: str, *protocols: Protocol) -> None:
    """Refuse a code whose role does not go with the act; a protocol that names nobody asks for nothing.

    Parameters
    ----------
    act : str
        What is to be done.
    by : str
        Code of the person.
    protocols : Protocol
        One; or, at an amendment, the one in force and the new one.

    Raises
    ------
    ArgumentError
        If no role has the code, or only roles that the act does not go with.
    """
    known = [code for protocol in protocols for code in _codes(protocol, None)]
    if not known:
        return
    allowed = [code for protocol in protocols for code in _codes(protocol, _ROLES_OF[act])] or known
    given = by.strip().casefold()
    if given in {code.casefold() for code in allowed}:
        return
    if given in {code.casefold() for code in known}:
        raise ArgumentError(
            where="by", expected=f"the code of somebody who {_WORDS[act]}: {_listed(allowed)}", got=repr(by),
            todo="Ask that person, or amend [roles] first.",
        )  # fmt: skip
    refuse_unknown(by, *protocols)


def refuse_unknown(by: str, *protocols: Protocol, trainers: Sequence[str] = ()) -> None:
    """Refuse a code that nobody has; a protocol that names nobody asks for nothing.

    Parameters
    ----------
    by : str
    protocols : Protocol
        As for `require_right`.
    trainers : sequence of str
        Codes of trainers, where a trainer too may ask.

    Raises
    ------
    ArgumentError
    """
    roles = [code for protocol in protocols for code in _codes(protocol, None)]
    known = [*roles, *trainers]
    if roles and by.strip().casefold() not in {code.casefold() for code in known}:
        raise ArgumentError(
            where="by", expected=f"a code of the protocol's roles{' or of a trainer' * bool(trainers)}: "
            f"{_listed(known)}", got=repr(by),
            todo="Give your own code; a new person is added to [roles] first.",
        )  # fmt: skip


def may_see_arms(by: str, protocol: Protocol) -> bool:
    """Whether a code is of somebody who may know who is in which arm; of no one else, whatever it is."""
    known = {code.casefold() for code in _codes(protocol, _ROLES_OF["see arms"])}
    given = by.strip().casefold()
    return bool(given) and not is_kept_blind(by, protocol) and (given in known or not _codes(protocol, None))


def is_kept_blind(code: str, protocol: Protocol) -> bool:
    """Whether a code is of the assessor who must not know the arms."""
    testing = protocol.roles.testing.strip().casefold()
    return bool(testing) and protocol.oversight.assessor_blinded and code.strip().casefold() == testing


def refuse_the_blind(code: str, protocol: Protocol, *, where: str) -> None:
    """Refuse to tell an arm to the assessor.

    Raises
    ------
    ArgumentError
    """
    if is_kept_blind(code, protocol):
        raise ArgumentError(
            where=where, expected="somebody who may know the arm", got=f"{code}, who tests strength",
            todo="The tester must not know the arm; let the client's trainer print it. An emergency comes "
            "first: then the owner tells the arm, and it is written down.",
        )  # fmt: skip


def codes_of_roles(protocol: Protocol, act: Act | None = None) -> tuple[str, ...]:
    """The codes that the protocol's roles have, each once; of an act, those that may do it."""
    return tuple(dict.fromkeys(_codes(protocol, None if act is None else _ROLES_OF[act])))


def _codes(protocol: Protocol, roles: tuple[str, ...] | None) -> list[str]:
    """Codes of some roles, or of all, without empty ones and those that do not apply."""
    told = protocol.roles.model_dump()
    return [
        str(code).strip()
        for role, code in told.items()
        if (roles is None or role in roles)
        and str(code).strip()
        and not str(code).casefold().startswith("not applicable")
    ]


def _listed(codes: list[str]) -> str:
    return ", ".join(dict.fromkeys(codes))
