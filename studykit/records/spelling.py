"""One spelling for each person's code over all tables, and each row once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from studykit.errors import Finding
from studykit.records.cells import Trouble
from studykit.records.columns import Draft

_LEADING = {"client": ("clients", "screening", "allocation"), "trainer": ("trainers", "clients")}


def settle_spelling(drafts: Sequence[Draft]) -> None:
    """Give codes that differ in capitals only the spelling of the table that introduces them, with a note."""
    by_name = {draft.table.name: draft for draft in drafts}
    for column, leading in _LEADING.items():
        order = [by_name[name] for name in leading if name in by_name]
        order += [draft for draft in drafts if draft not in order]
        spelling: dict[str, str] = {}
        for draft in order:
            _settle(draft, column, spelling)


def _settle(draft: Draft, column: str, spelling: dict[str, str]) -> None:
    values = draft.values.get(column, [])
    changed: list[int] = []
    for row, value in enumerate(values):
        if value is None:
            continue
        known = spelling.setdefault(value.casefold(), value)
        if known != value:
            changed.append(row)
    if changed:
        first = changed[0]
        draft.note(
            changed,
            column,
            expected=spelling[values[first].casefold()],
            got=f"{values[first]}, another spelling",
        )
        for row in changed:
            values[row] = spelling[values[row].casefold()]


def repeated_rows(draft: Draft) -> None:
    """Leave out a row whose key stands in an earlier row; without a key, warn of rows repeated whole."""
    names = list(draft.values)
    key = draft.table.key
    if not names or any(name not in draft.values for name in key):
        return
    seen: dict[tuple[Any, ...], int] = {}
    for row in range(draft.raw.rows):
        if row in draft.left_out:
            continue
        whole = tuple(draft.values[name][row] for name in names)
        mark = tuple(draft.values[name][row] for name in key) if key else whole
        first = seen.setdefault(mark, row)
        if first == row:
            continue
        earlier = draft.raw.row_numbers[first]
        if key:
            same = whole == tuple(draft.values[name][first] for name in names)
            draft.stop(row, key[-1], _twice(key, mark, earlier, same=same))
        else:
            where = f"{draft.raw.where}, row {draft.raw.row_numbers[row]}"
            draft.findings.append(
                Finding(
                    "warn",
                    where,
                    "each row once",
                    f"the same as row {earlier}",
                    "Remove it, unless it is meant.",
                )
            )


def _twice(key: Sequence[str], mark: Sequence[Any], earlier: int, *, same: bool) -> Trouble:
    named = ", ".join(f"{name} {value}" for name, value in zip(key, mark, strict=True))
    return Trouble(
        f"one row for each {' and '.join(key)}",
        f"{named} again, as in row {earlier}",
        "The rows are alike: remove one." if same else "The rows differ: keep the right one.",
    )
