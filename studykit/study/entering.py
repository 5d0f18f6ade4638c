"""What a person writes into the ledger beside draws and amendments: moves, clocks, unblindings, locks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from studykit.errors import ArgumentError
from studykit.study.rights import Act, require_right

if TYPE_CHECKING:
    from studykit.allocation.entries import Entry
    from studykit.study.study import Study

What = Literal["moved", "clock", "unblinding", "data_lock", "reopening", "remark"]
KINDS: tuple[str, ...] = get_args(What)
_RIGHT: dict[str, Act] = {"unblinding": "correct", "remark": "correct"}  # an emergency waits for no role


@dataclass(frozen=True, slots=True)
class Noted:
    """An entry that was made by hand.

    Parameters
    ----------
    position : int
        In the ledger.
    what, reason : str
    told : str
        What is told in return; the arm at an unblinding.
    """

    position: int
    what: str
    reason: str
    told: str

    def text(self) -> str:
        """For a person."""
        return f"Written at ledger entry {self.position}: {self.reason}" + (
            f"\n{self.told}" if self.told else ""
        )


def note(study: Study, what: str, *, reason: str, by: str, client: str = "") -> Noted:
    """Write one entry.

    Parameters
    ----------
    study : Study
    what : str
        ``"moved"``: this machine is the study's home now. ``"clock"``: the time of the last entry was wrong,
        go on from now. ``"unblinding"``: an arm has to be told to somebody who was not to know it.
        ``"data_lock"`` and ``"reopening"`` of the records. ``"remark"``: anything else.
    reason, by : str
    client : str
        At an unblinding.

    Raises
    ------
    ArgumentError
        If there is no such kind, nobody of this code may do it, or the client is missing.
    LedgerError
        If the reason is empty, or nothing is locked.
    """
    if what not in KINDS:
        raise ArgumentError(where="what", expected=f"one of {', '.join(KINDS)}", got=repr(what))
    ledger, _ = study.need_ledger()
    require_right(_RIGHT.get(what, "lock"), by, study.protocol)
    if not reason.strip():
        raise ArgumentError(where="reason", expected="a few words", got="nothing")
    told = ""
    if what == "moved":
        entry: Entry = ledger.move_home(reason=reason, by=by)
    elif what == "clock":
        entry = ledger.accept_clock(reason=reason, by=by)
    elif what == "unblinding":
        receipt = ledger.receipt(client)
        entry = ledger.append("unblinding", {"client": receipt.client, "reason": reason}, by=by)
        told = f"Client {receipt.client}: {receipt.arm}"
    else:
        kind = {"data_lock": "data lock", "reopening": "reopening"}.get(what, "note")
        entry = ledger.append(kind, {"reason": reason}, by=by)
    return Noted(entry.position, what, reason, told)
