"""What can go wrong, and how it is said.

The tree::

    StudykitError
    ├── ArgumentError        (also ValueError)  a call with values that cannot be used
    ├── FindingsError                           one or more findings that stop the work
    │   ├── ProtocolError                       … in a protocol
    │   └── DataError                           … in records
    ├── DesignError                             the design does not allow what is asked
    ├── LedgerError                             the ledger cannot be opened, trusted or written
    │   └── AllocationRefused                   this client cannot be allocated now
    ├── FolderError                             a file or folder is in the way, missing or not writable
    └── FitError
        └── ConvergenceError                    inference asked of a fit that did not converge

    StudykitWarning
    ├── BoundaryWarning                         a variance estimated at zero (or a correlation at one)
    ├── SmallSampleWarning                      fewer units than the method is known to need
    └── RepeatedRowsWarning                     rows of a data frame that are exact copies of others

Every message says where, what was expected, what came and what to do. The parts stay available as
fields, so that a program need not read the text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

Severity = Literal["note", "warn", "stop"]


@dataclass(frozen=True, slots=True)
class Finding:
    r"""One thing noticed in a protocol or in records.

    Parameters
    ----------
    severity : {"note", "warn", "stop"}
        ``stop`` means that the work cannot go on before somebody acts.
    where : str
        The place as a person would look it up: ``records/strength.csv, row 14, column load``.
    expected, got, todo : str
        What was expected, what came, what to do. ``got`` may be empty where nothing came.

    Examples
    --------
    >>> print(Finding("stop", "protocol.toml, line 3, version", "a text such as \"1.0\"", "1.0",
    ...               "Put it in quotation marks."))
    protocol.toml, line 3, version: expected a text such as "1.0"; found 1.0. Put it in quotation marks.
    """

    severity: Severity
    where: str
    expected: str
    got: str = ""
    todo: str = ""

    def __str__(self) -> str:
        return compose(self.where, self.expected, self.got, self.todo)


_AT_ROW = re.compile(r"(.+?), row ([0-9]+)(, column .+)?")


def grouped(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings of one kind in one column as one: how many rows, and the first of them.

    Examples
    --------
    >>> rows = [Finding("stop", f"records/s.csv, row {row}, column date", "a day", "x") for row in (2, 5, 9)]
    >>> print(*grouped(rows))
    records/s.csv, column date: 3 rows, first row 2: expected a day; found x.
    """
    kinds: dict[tuple[str, ...], list[tuple[Finding, str]]] = {}
    for finding in findings:
        at = _AT_ROW.fullmatch(finding.where)
        place = (at[1], at[3] or "") if at else (finding.where, finding.got)
        kind = (finding.severity, *place, finding.expected)
        kinds.setdefault(kind, []).append((finding, at[2] if at else ""))
    return tuple(
        same[0][0]
        if len(same) == 1 or not same[0][1]
        else replace(same[0][0], where=f"{kind[1]}{kind[2]}: {len(same)} rows, first row {same[0][1]}")
        for kind, same in kinds.items()
    )


def compose(where: str, expected: str, got: str = "", todo: str = "") -> str:
    """One sentence or two from the four parts of a message."""
    came = f"; found {got}" if got else ""
    act = f" {todo}" if todo else ""
    place = f"{where}: " if where else ""
    return f"{sentence(f'{place}expected {expected}{came}')}{act}"


def sentence(text: str) -> str:
    """The text with one full stop, where it has no mark at its end yet.

    Examples
    --------
    >>> sentence("it is done"), sentence("Is it done?"), sentence("found [harms].")
    ('it is done.', 'Is it done?', 'found [harms].')
    """
    return text if text.endswith((".", "?", "!", "…")) else f"{text}."


class StudykitError(Exception):
    """Base of every error that studykit raises on purpose.

    Parameters
    ----------
    message : str
        The whole text; ``where``, ``expected``, ``got`` and ``todo`` are its parts when there are any.
    """

    def __init__(
        self, message: str = "", *, where: str = "", expected: str = "", got: str = "", todo: str = ""
    ) -> None:
        super().__init__(message or compose(where, expected, got, todo))
        self.where, self.expected, self.got, self.todo = where, expected, got, todo


class ArgumentError(StudykitError, ValueError):
    """A call was given values that cannot be used."""


class FindingsError(StudykitError):
    """One or more findings stop the work; all of them are carried, not only the first."""

    shown = 10

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        kinds = grouped(self.findings)
        lines = [str(finding) for finding in kinds[: self.shown]]
        rest = len(kinds) - self.shown
        if rest > 0:
            lines.append(f"… and {rest} more of the same kind of trouble.")
        super().__init__("\n".join(lines))


class ProtocolError(FindingsError):
    """The protocol cannot be used as it stands."""


class DataError(FindingsError):
    """The records cannot be used as they stand."""


class DesignError(StudykitError):
    """The design does not allow what is asked."""


class LedgerError(StudykitError):
    """The ledger cannot be opened, trusted or written."""


class AllocationRefused(LedgerError):  # noqa: N818 — a refusal, not a mistake
    """The client cannot be allocated now."""


class FolderError(StudykitError):
    """A file or folder is in the way, missing, or cannot be written."""


class FitError(StudykitError):
    """A model cannot be fitted to these data."""


class ConvergenceError(FitError):
    """Inference was asked of a fit that did not converge."""


class StudykitWarning(UserWarning):
    """Base of every warning that studykit gives."""


class BoundaryWarning(StudykitWarning):
    """A variance was estimated at zero, or a correlation at one."""


class SmallSampleWarning(StudykitWarning):
    """There are fewer units than the method is known to need."""


class RepeatedRowsWarning(StudykitWarning):
    """Rows of a data frame are exact copies of others; they were used as they stand."""
