"""What was stated of an export, by options or by answers, now or before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class Said:
    """What was stated of an export, by options or by answers, now or before.

    Parameters
    ----------
    columns, statuses, marks, tables, adopted, gaps : mapping of str to str
        Dates of adoption as YYYY-MM-DD or ``never``; stretches without sessions as FIRST..LAST.
    date_order, extracted_on, practice_from, again : str
        ``again`` is ``planned`` or ``not planned``: looking again at longer records.
    header_row : int
    facts, sheets : tuple of str
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    statuses: Mapping[str, str] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)
    adopted: Mapping[str, str] = field(default_factory=dict)
    marks: Mapping[str, str] = field(default_factory=dict)
    gaps: Mapping[str, str] = field(default_factory=dict)
    date_order: str = ""
    extracted_on: str = ""
    practice_from: str = ""
    again: str = ""
    header_row: int = 0
    facts: tuple[str, ...] = ()
    sheets: tuple[str, ...] = ()

    def over(self, earlier: Said) -> Said:
        """These answers where there are any, else the earlier ones."""
        both = {name: (getattr(earlier, name), getattr(self, name)) for name in Said.__slots__}
        fields: dict[str, Any] = {
            name: {**before, **now} if isinstance(now, Mapping) else now or before
            for name, (before, now) in both.items()
        }
        return Said(**fields)

    def lines(self) -> tuple[tuple[str, str], ...]:
        """For the page: what was stated."""
        pairs = [(f"column {name}", header) for name, header in self.columns.items()]
        pairs += [(f"status {word!r}", state) for word, state in self.statuses.items()]
        pairs += [(f"mark {word!r}", meaning) for word, meaning in self.marks.items()]
        pairs += [(f"no session {span.replace('..', ' to ')}", why) for span, why in self.gaps.items()]
        pairs += [(f"table {name}", Path(place).name) for name, place in self.tables.items()]
        pairs += [(f"{trainer} worked with partner reps from", day) for trainer, day in self.adopted.items()]
        pairs += [("order of dates", self.date_order)] if self.date_order else []
        pairs += [("exported on", self.extracted_on)] if self.extracted_on else []
        pairs += [("partner reps in this studio from", self.practice_from)] if self.practice_from else []
        pairs += [("looking again was", self.again)] if self.again else []
        pairs += [("row of the column names", str(self.header_row))] if self.header_row else []
        pairs += [("facts named", ", ".join(self.facts))] if self.facts else []
        pairs += [("sheets with sessions", ", ".join(self.sheets))] if self.sheets else []
        return tuple(pairs)
