"""Rules across the fields of a protocol, as findings.

`check_protocol` holds at any time; `lock_findings` adds what must be complete before the first
client is enrolled.
"""

from __future__ import annotations

from studykit.errors import Finding
from studykit.protocol.bounds import bound_findings
from studykit.protocol.completion import completion_findings
from studykit.protocol.looking import looking_findings
from studykit.protocol.places import Places
from studykit.protocol.structure import structure_findings
from studykit.protocol.types import Protocol

_ORDER = {"stop": 0, "warn": 1, "note": 2}


def check_protocol(
    protocol: Protocol, *, where: str = "protocol.toml", text: str = ""
) -> tuple[Finding, ...]:
    """What does not fit together, and what is unwise.

    Parameters
    ----------
    protocol : Protocol
        As read.
    where, text : str
        The file's name, and its text for line numbers.

    Returns
    -------
    tuple of Finding
        The gravest first; a ``stop`` means that the protocol cannot be used.
    """
    at = Places.of(protocol, where=where, text=text)
    findings = [
        *structure_findings(protocol, at),
        *bound_findings(protocol, at),
        *looking_findings(protocol, at),
    ]
    return tuple(sorted(findings, key=lambda finding: _ORDER[finding.severity]))


def lock_findings(protocol: Protocol, *, where: str = "protocol.toml", text: str = "") -> tuple[Finding, ...]:
    """What keeps a protocol from being locked, and what its owner should know before.

    The findings of `check_protocol` come with it.

    Parameters
    ----------
    protocol : Protocol
        As read.
    where, text : str
        The file's name, and its text for line numbers.

    Returns
    -------
    tuple of Finding
        The gravest first; a ``stop`` refuses the lock.
    """
    at = Places.of(protocol, where=where, text=text)
    findings = [*check_protocol(protocol, where=where, text=text), *completion_findings(protocol, at)]
    return tuple(sorted(findings, key=lambda finding: _ORDER[finding.severity]))
