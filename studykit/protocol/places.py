"""Findings about a protocol that has been read: place and words put together in one way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from studykit.errors import Finding, Severity
from studykit.protocol.estimand import Estimand
from studykit.protocol.lines import Path, line_of, place
from studykit.protocol.types import Protocol


@dataclass(frozen=True, slots=True)
class Places:
    """Names the places of one protocol.

    Parameters
    ----------
    where : str
        The file's name.
    text : str
        The file's text, for line numbers; empty where there is none.
    document : dict
        The protocol's content, for the codes of tables in lists.
    """

    where: str
    text: str
    document: dict[str, Any]

    @classmethod
    def of(cls, protocol: Protocol, *, where: str, text: str) -> Places:
        """The places of a protocol."""
        return cls(where, text, protocol.model_dump())

    def finding(
        self, severity: Severity, path: Path, *, expected: str, got: str = "", todo: str = ""
    ) -> Finding:
        """One finding at a place."""
        at = place(self.where, path, text=self.text, document=self.document)
        return Finding(severity, at, expected, got, todo)

    def says(self, path: Path, mark: str) -> bool:
        """Whether a mark stands in the line of a value, comments apart; never where there is no text."""
        line = line_of(path, self.text) if self.text else None
        return line is not None and mark in self.text.split("\n")[line - 1].partition("#")[0]


def known_codes(codes: Sequence[str]) -> str:
    """What is expected where one of some codes has to stand."""
    return (
        "one of " + ", ".join(dict.fromkeys(codes))
        if codes
        else "a code that is declared (there is none yet)"
    )


def summary_findings(
    estimand: Estimand | None, right: str, because: str, path: Path, at: Places
) -> Iterator[Finding]:
    """A summary of the estimand that is not what the analysis gives."""
    if estimand is not None and estimand.summary != right:
        yield at.finding(
            "stop", (*path, "estimand", "summary"), expected=f'"{right}", since {because}',
            got=f'"{estimand.summary}"', todo="Change one of the two.",
        )  # fmt: skip
