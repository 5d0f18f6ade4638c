"""What an audit finds, and how it is said to an owner."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from studykit.allocation.acts import Locked
from studykit.errors import ArgumentError, Finding
from studykit.results import Result

_CODE = re.compile(r"[0-9a-f]{4}(-[0-9a-f]{4}){2}")
_IN_A_TEXT = re.compile(r"\b(\d{1,9})(?:,?\s+code *:?)?\s+([0-9a-f]{4}(?:-[0-9a-f]{4}){2})\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Anchor(Result):
    """The position and short code of an entry, written down outside the study's folder.

    Examples
    --------
    >>> Anchor.read("17 4f2a-91c0-77be")
    Anchor(position=17, code='4f2a-91c0-77be')
    """

    position: int
    code: str

    def text(self) -> str:
        """As the audit prints it."""
        return f"{self.position} {self.code}"

    @classmethod
    def read(cls, text: str) -> Anchor:
        """An anchor from its printed text.

        Raises
        ------
        ArgumentError
            If it is not the number of an entry and its code.
        """
        position, _, code = text.strip().partition(" ")
        if not (position.isdigit() and _CODE.fullmatch(code.strip().lower())):
            raise ArgumentError(
                where="code kept elsewhere",
                expected="the number of an entry and its code, such as 17 4f2a-91c0-77be",
                got=repr(text),
                todo="Type it as the audit printed it.",
            )
        return cls(int(position), code.strip().lower())

    @classmethod
    def all_in(cls, text: str) -> tuple[Anchor, ...]:
        """Every entry that a text names with its code: of a receipt, a sheet, an earlier audit.

        Examples
        --------
        >>> Anchor.all_in("Ledger on 2026-12-01: 17 4f2a-91c0-77be. Ledger entry 2, code 00ff-0000-1111:")
        (Anchor(position=17, code='4f2a-91c0-77be'), Anchor(position=2, code='00ff-0000-1111'))
        """
        return tuple(cls(int(position), code.lower()) for position, code in _IN_A_TEXT.findall(text))


@dataclass(frozen=True, slots=True)
class Balance:
    """Clients per arm at one level of one factor.

    Parameters
    ----------
    factor, level : str
        ``("all", "all")`` for the whole study.
    counts : tuple of int
        In the order of the arms.
    """

    factor: str
    level: str
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Predictability:
    """What someone could have foreseen who knew the rule and every arm so far.

    Parameters
    ----------
    draws : int
        Allocations made by drawing.
    certain : int
        Draws at which only one arm was possible.
    expected_correct : float
        Correct guesses to be expected of the best guesser; chance alone would give ``by_chance``.
    by_chance : float
    """

    draws: int
    certain: int
    expected_correct: float
    by_chance: float


@dataclass(frozen=True, slots=True)
class AuditResult(Result):
    """What the audit found.

    Parameters
    ----------
    entries, replayed : int
        Entries read, and draws repeated from their recorded entropy.
    receipts_checked : int
        Receipts, and entries with their codes, that were kept in the folder or given from elsewhere.
    findings : tuple of Finding
        Empty when nothing is wrong.
    arms : tuple of str
    balance : tuple of Balance
        Over all, by factor (corrections included, as in the analysis), and by combination of factors.
    predictability : Predictability
    anchor : Anchor or None
        Of the last entry: to be kept outside the study's folder.
    locked : Locked or None
    kinds : mapping of str to int
        Number of entries of each kind.
    slips : int
        Opened slips of a sealed list, each compared with its published seal.
    lists_remade : int
        Published lists made again from what the outsider kept.
    stamps : tuple of str
        What time-stamps beside the receipts tell.
    """

    entries: int
    replayed: int
    receipts_checked: int
    findings: tuple[Finding, ...]
    arms: tuple[str, ...]
    balance: tuple[Balance, ...]
    predictability: Predictability
    anchor: Anchor | None
    locked: Locked | None
    kinds: Mapping[str, int]
    slips: int = 0
    lists_remade: int = 0
    stamps: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether nothing stops the study."""
        return all(finding.severity != "stop" for finding in self.findings)

    def without_arms(self) -> AuditResult:
        """The same for somebody who must not know the arms."""
        return replace(self, arms=(), balance=())

    def summary(self) -> str:
        """The whole audit in words that an owner can read."""
        return "\n".join((*_headline(self), *_balance_lines(self), *_guess_lines(self), *_anchor_lines(self)))


def _headline(result: AuditResult) -> list[str]:
    stops = [finding for finding in result.findings if finding.severity == "stop"]
    others = [finding for finding in result.findings if finding.severity != "stop"]
    verdict = (
        "Nothing is wrong with the ledger."
        if not stops
        else f"{len(stops)} thing(s) are WRONG with the ledger:"
    )
    lines = [verdict, *(f"  - {finding}" for finding in stops)]
    if others:
        lines += ["To know:", *(f"  - {finding}" for finding in others)]
    lines.append(
        f"{result.entries} entries read; {result.replayed} draws repeated; "
        f"{result.receipts_checked} receipts compared."
    )
    if result.slips:
        again = " The list was made again from what the outsider kept." if result.lists_remade else ""
        lines.append(f"{result.slips} opened slips compared with the seals published before.{again}")
    lines += result.stamps
    if result.locked is None:
        lines.append("No protocol is locked yet.")
    else:
        number = len(result.locked.amendments)
        lines.append(
            f"Protocol locked on {result.locked.entry_time[:10]} by {result.locked.by}; "
            f"{number} amendment{'' if number == 1 else 's'}; "
            f"{result.kinds.get('look', 0)} look(s) at results by arm."
        )
    return lines


def _balance_lines(result: AuditResult) -> list[str]:
    if not result.kinds.get("allocation", 0):
        return ["No client has an arm yet."]
    if not result.balance:
        return ["", "Numbers by arm are not shown to the person who tests."]
    label = max(len(f"{row.factor}: {row.level}") for row in result.balance)
    lines = ["", f"{'Clients per arm':<{label}}  " + "  ".join(result.arms)]
    for row in result.balance:
        cells = "  ".join(f"{count:>{len(arm)}}" for count, arm in zip(row.counts, result.arms, strict=True))
        lines.append(f"{f'{row.factor}: {row.level}':<{label}}  {cells}")
    return lines


def _guess_lines(result: AuditResult) -> list[str]:
    guess = result.predictability
    if result.kinds.get("split"):
        told = (
            "The trainers' arms were drawn together and can be drawn again. Clients go with their trainer: "
            "whoever knows the trainers' arms knows a client's, and that must not steer who takes part."
        )
        return ["", told]
    if not guess.draws:
        return []
    return [
        "",
        (
            "Could the next arm be foreseen? Someone who knew the rule and every arm so far would have been "
            f"certain of {guess.certain} of {guess.draws} and right about {guess.expected_correct:.1f} times "
            f"({guess.by_chance:.1f} by always naming the commoner arm)."
        ),
    ]


def _anchor_lines(result: AuditResult) -> list[str]:
    if result.anchor is None:
        return []
    return [
        "",
        f"Code to keep outside this folder (paper, another person): {result.anchor.text()}",
        "If the end of the ledger is ever cut off or an older copy put back, this code shows it.",
    ]
