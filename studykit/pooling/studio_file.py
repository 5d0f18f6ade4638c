"""The one file that a studio hands in: numbers of whole arms, the ledger's codes, and a code over it all.

No row, client, trainer or date is in it. The strength estimate, its error and its degrees of freedom have
four decimals, which moves a pooled answer by less than a hundredth of a per cent and hides single loads.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from studykit.allocation.entries import written_again
from studykit.errors import ArgumentError
from studykit.unseen import unseen_mark

FORMAT = 1
DECIMALS = 4
FEWEST_TESTED = 5
FEWEST_NAMED = 5  # clients behind a reason, or it is told as one of the other reasons

Code = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Count = Annotated[int, Field(ge=0, le=10_000_000)]
Word = Annotated[str, Field(min_length=1, max_length=80)]
Sentence = Annotated[str, Field(max_length=400)]
Number = Annotated[float, Field(ge=-1e6, le=1e6)]
Positive = Annotated[float, Field(gt=0.0, le=1e6)]


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class LedgerPart(_Part):
    """The ledger's codes: its opening entry, its last, and those that the joining list keeps, by position."""

    first: Code
    head: Code
    entries: Count
    codes: dict[Annotated[str, Field(pattern=r"^[1-9][0-9]{0,6}$")], Code]
    allocated: Count
    audit: Literal["passed", "not passed"]
    looks: Count
    amendments: Count
    reopened: Count
    corrections: Count
    simulated: bool


class ArmPart(_Part):
    """One arm: its flow, who stayed, harms and delivery, as counts."""

    allocated: Count
    received: Count
    tested: Count
    not_tested: dict[Word, Count]
    known: Count
    retained: Count
    hurt: Count
    harms: Count
    serious: Count
    booked: Count
    attended: Count
    with_partner_reps: Count


class StrengthPart(_Part):
    """The strength contrast on the scale of the analysis."""

    outcome: Word
    visit: Word
    scale: Literal["log", "as_measured"]
    estimate: Number
    error: Positive
    freedom: Positive
    method: Sentence
    fallback: bool


class RetentionPart(_Part):
    """The horizon, and the two numbers that add up to the log-rank test."""

    day: Count
    log_rank: Annotated[tuple[Number, Annotated[float, Field(ge=0.0, le=1e6)]], Field(strict=False)]


class StudioFile(_Part):
    """One studio's file, read and with the code that it had; see `read_studio_file`."""

    format: Literal[1]
    studio: Word
    protocol: Code
    version: Word
    compared: Word
    reference: Word
    software: dict[Word, Word]
    ledger: LedgerPart
    arms: dict[Word, ArmPart]
    strength: StrengthPart
    retention: RetentionPart | None
    again: Sentence
    code: Code

    @property
    def allocated(self) -> int:
        """Clients of all arms."""
        return sum(arm.allocated for arm in self.arms.values())

    @property
    def pair(self) -> tuple[ArmPart, ArmPart]:
        """The reference arm and the compared arm."""
        return self.arms[self.reference], self.arms[self.compared]

    @property
    def tested(self) -> tuple[int, int]:
        """Tested clients of the reference arm and the compared arm."""
        reference, compared = self.pair
        return reference.tested, compared.tested


def code_of(body: Mapping[str, Any]) -> str:
    """SHA-256 over the canonical content, without the code itself.

    Examples
    --------
    >>> code_of({"studio": "S01", "code": "x"}) == code_of({"studio": "S01"})
    True
    """
    content = {name: value for name, value in body.items() if name != "code"}
    return hashlib.sha256(written_again(content).encode("ascii")).hexdigest()


def written_file(body: Mapping[str, Any]) -> bytes:
    """The file of a body, its code made anew."""
    content = {**body, "code": code_of(body)}
    return (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def read_studio_file(content: bytes, *, where: str) -> StudioFile:
    """A studio's file as values; refused where it is none, or its code does not fit its content.

    Raises
    ------
    ArgumentError
        With one sentence that says what is wrong.
    """
    try:
        body = json.loads(content.decode("utf-8-sig"), object_pairs_hook=_once, parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise _refused(where, "not a studio's file, or cut off on the way") from None
    if not isinstance(body, dict) or "code" not in body:
        raise _refused(where, "not a studio's file: it holds no code of its own")
    if code_of(body) != body["code"]:
        raise _refused(where, "changed after it was written, or cut off on the way: its code does not fit")
    try:
        found = StudioFile.model_validate(body)
    except ValidationError as error:
        first = error.errors()[0]
        place = ", ".join(map(str, first["loc"])) or "the whole file"
        raise _refused(where, f"not of this format, at {place}: {first['msg']}") from None
    hidden = next((mark for word in (found.studio, *found.arms) if (mark := unseen_mark(word))), "")
    missing = {found.reference, found.compared} - set(found.arms)
    if hidden or missing or found.reference == found.compared:
        what = f"a hidden character, {hidden}" if hidden else "the two arms compared are not among its arms"
        raise _refused(where, f"not of this format: {what}")
    return found


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object of JSON whose names come once: of two values, nobody could say which was meant."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name that comes twice")
    return found


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def _refused(where: str, why: str) -> ArgumentError:
    return ArgumentError(
        where=where, expected="the file of a studio, as studykit hand-in wrote it", got=why,
        todo="Ask the studio to send the file again, unopened.",
    )  # fmt: skip
