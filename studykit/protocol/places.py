"""Findings about a protocol that has been read: place and words put together in one way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from studykit.errors import Finding, Severity
from studykit.protocol.lines import Path, place
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
