"""Who looks at a page, and what may be seen and done: the rights of `study`, for a browser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from studykit.study.rights import codes_of_roles, is_kept_blind, may_see_arms
from studykit.study.todays import knows_arms

if TYPE_CHECKING:
    from studykit.study.snapshot import Snapshot

Need = Literal["nobody", "somebody", "not blind", "office", "draws", "look"]
ARM_TABLES = frozenset({"sessions", "sets", "allocation"})  # whose rows tell an arm


@dataclass(frozen=True, slots=True)
class Viewer:
    """A person at a browser.

    Parameters
    ----------
    code : str
        Empty until the person has said who it is.
    phone : bool
    device : int
    token : str
        What the forms of this browser carry.
    blind : bool
        The assessor, who must not know the arms.
    sees_arms : bool
        May know who is in which arm, for all clients.
    knows : function
        Whether the arm of a client may be known.
    acts : frozenset of str
        What the protocol's roles let this person do.
    """

    code: str
    phone: bool
    device: int
    token: str
    blind: bool
    sees_arms: bool
    knows: Callable[[str], bool]
    acts: frozenset[str]

    def may(self, need: Need) -> bool:
        """Whether a page is for this viewer."""
        if need == "nobody":
            return True
        if not self.device:
            return False
        if need == "not blind":
            return not self.blind
        if need == "office":  # the laptop; who sits there and tests strength gets no page that tells an arm
            return not self.phone and not self.blind
        if need == "draws":
            return "allocate" in self.acts and not self.blind
        if need == "look":
            return not self.phone and "look" in self.acts and not self.blind
        return True

    def may_read(self, table: str) -> bool:
        """Whether a whole record table may be read."""
        return self.sees_arms or table not in ARM_TABLES


NOBODY = Viewer("", True, 0, "", True, False, lambda _: False, frozenset())


def viewer(now: Snapshot | None, code: str, *, phone: bool, device: int, token: str) -> Viewer:
    """What a code may do in a study; before there is a study, only the laptop does anything."""
    if now is None:
        return Viewer(code, phone, device, token, phone, False, lambda _: False, frozenset())
    protocol = now.protocol
    named = codes_of_roles(protocol)
    acts = frozenset(
        act
        for act in ("lock", "allocate", "correct", "look", "see arms")
        if code
        and (not named or code.casefold() in {one.casefold() for one in codes_of_roles(protocol, act)})
    )
    return Viewer(
        code, phone, device, token, is_kept_blind(code, protocol), may_see_arms(code, protocol),
        knows_arms(now, code), acts,
    )  # fmt: skip
