"""Rules that tie a count of sessions to the rest of the protocol."""

from __future__ import annotations

from collections.abc import Iterator

from studykit.errors import Finding
from studykit.protocol.lines import Path
from studykit.protocol.places import Places, summary_findings
from studykit.protocol.types import Protocol

from .section import SessionCount


def findings(protocol: Protocol, outcome: SessionCount, path: Path, at: Places) -> Iterator[Finding]:
    if protocol.plan.within:
        yield at.finding("stop", (*path, "kind"), expected="a design with one arm a client", got=outcome.kind)
    yield from summary_findings(outcome.estimand, "difference in means", "sessions are counted", path, at)
