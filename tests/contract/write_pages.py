"""Write the pages on keys and tables from the code; run it with ``python -m``."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from studykit.lookback.parsing import MOST_REPS, STATES
from studykit.lookback.wanted_columns import SESSIONS, WANTED, WantedColumn
from studykit.protocol import wording
from studykit.protocol.base import Section
from studykit.protocol.planned import Planning
from studykit.protocol.types import Assumption, Protocol, Strategies
from studykit.records.schema import TABLES, Column, Table

ROOT = Path(__file__).resolve().parents[2]
KEYS = """# What `protocol.toml` may hold

Every table and key, what it may hold, and what is taken where it is left out. `studykit keys` prints this
page, `studykit keys harms` a part of it.
"""
RECORDS = """# What the record tables and an attendance export hold

The first line of each file in `records/` names the columns; their order does not matter. `studykit tables`
prints this page, `studykit tables sessions` a part of it.

Write days as 2026-03-09 and the words below as they stand. What can only mean one thing is understood all the
same, and noted: other forms of dates, a time behind the day, a spreadsheet's count of days, a decimal comma,
`80 kg` in the load, capitals, blanks in codes. For 03/04/2026 say once which comes first, for all tables:
`studykit check STUDY --date-order day`. A row that is not understood is named and stops the analysis.
"""
VALIDITY = """# How far the intervals and tests can be trusted

Whether intervals hold the truth as often as they say, and tests err as rarely as they promise, was tried on
simulated studies whose truth is known. Each script below writes its numbers to `analysis/validity/`; this
page is made of them by `python -m tests.contract.write_pages`.
"""
COLUMN_KINDS = {
    "code": "code",
    "text": "text",
    "date": "date, YYYY-MM-DD",
    "number": "number",
    "whole": "whole number",
    "choice": "one of",
    "yes_no": "yes or no",
}
EXPORT_KINDS = {
    "code": "code",
    "date": "date in a common form",
    "word": f"one of: {', '.join(STATES)}, or words for them",
    "mark": f"yes, no, a tick, or a number from 0 to {MOST_REPS}",
}


def protocol_page() -> str:
    """Markdown: one table for each part of a protocol, with every key, what it may hold and its default."""
    parts: list[str] = []
    for title, about, section in _sections("The top of the file", Protocol):
        parts += [f"## {title}", "", about, "", "| key | what it may hold | default |", "|---|---|---|"]
        parts += [_key_row(name, info) for name, info in section.model_fields.items()]
        parts.append("")
    return "\n".join(parts)


def _sections(title: str, section: type[Section]) -> Iterator[tuple[str, str, type[Section]]]:
    """A section and, after it, every section inside it, each once."""
    yield title, _first_line(section), section
    if section in (Assumption, Strategies):
        return
    prefix = "" if section is Protocol else title.split(" ", 1)[0].strip("[]`") + "."
    told: set[type[Section]] = set()
    for name, info in section.model_fields.items():
        inner = wording.element(info)
        brackets = ("[[", "]]") if inner is not None else ("[", "]")
        tag, shapes = wording.alternatives(inner or info)
        single = wording.section_of(inner or info, {})
        for value, shape in [*shapes.items(), *([("", single)] if single is not None else [])]:
            if shape in told or (shape is Assumption and section is not Planning):
                continue
            told.add(shape)
            which = f' with {tag} = "{value}"' if value else ""
            heading = f"`{brackets[0]}{prefix}{name}{brackets[1]}`{which}"
            if shape is Assumption:
                heading = "Each assumption, such as `[planning.sd_score]`"
            yield from _sections(heading, shape)


def _first_line(section: type[Section]) -> str:
    return (section.__doc__ or "").strip().splitlines()[0]


def _key_row(name: str, info: FieldInfo) -> str:
    return f"| `{name}` | {wording.expected(info)} | {_default_of(info)} |"


def _default_of(info: FieldInfo) -> str:
    if info.default is PydanticUndefined:
        return "must be given"
    if info.default is None or info.default == "" or isinstance(info.default, Section):
        return "none" if not isinstance(info.default, Section) else "the defaults below"
    value = list(info.default) if isinstance(info.default, tuple) else info.default
    return f"`{wording.shown(value)}`"


def schema_page() -> str:
    """All tables with their columns, in Markdown."""
    return "\n\n".join(_record_table(table) for table in TABLES) + "\n"


def _record_table(table: Table) -> str:
    lines = [f"## {table.name}.csv: {table.meaning}", ""]
    if table.key:
        lines += [f"One row for each {' and '.join(f'`{name}`' for name in table.key)}.", ""]
    if table.extra_columns:
        lines += ["Further columns: one for each stratum and each covariate of the protocol.", ""]
    lines += ["| column | every row | holds | meaning | example |", "|---|---|---|---|---|"]
    lines += [_column_row(column) for column in table.columns]
    return "\n".join(lines)


def _column_row(column: Column) -> str:
    needed = "yes" if column.required else ""
    return f"| `{column.name}` | {needed} | {_holds(column)} | {column.meaning} | {column.example} |"


def _holds(column: Column) -> str:
    if column.choices:
        return "one of: " + ", ".join(column.choices)
    low, high = column.lowest, column.highest
    bounds = "" if math.isinf(low) or math.isinf(high) else f" from {low:g} to {high:g}"
    return COLUMN_KINDS[column.kind] + bounds


def attendance_page() -> str:
    """All tables of an attendance export with their columns, in Markdown."""
    return "\n\n".join(_export_table(name) for name in WANTED) + "\n"


def _export_table(name: str) -> str:
    title = "The attendance export: one row for each session" if name == SESSIONS else f"Further table {name}"
    further = ["Every other column is a fact known at joining.", ""] if name == "clients" else []
    head = ["| column | every row | holds | meaning | guessed from |", "|---|---|---|---|---|"]
    return "\n".join([f"## {title}", "", *further, *head, *map(_wanted_row, WANTED[name])])


def _wanted_row(column: WantedColumn) -> str:
    needed = "yes" if column.required else ""
    others = ", ".join(column.other_names)
    return f"| `{column.name}` | {needed} | {EXPORT_KINDS[column.kind]} | {column.meaning} | {others} |"


def validity_page(folder: Path = ROOT / "analysis" / "validity") -> str:
    """One table for each saved result of a validity study, in Markdown, then what was printed before."""
    parts = [VALIDITY]
    for path in sorted(folder.glob("*.json")):
        saved = json.loads(path.read_text(encoding="utf-8"))
        made_by = ", ".join(f"{name} {version}" for name, version in saved["versions"].items())
        heads = list(saved["rows"][0])
        rows = ["| " + " | ".join(map(str, row.values())) + " |" for row in saved["rows"]]
        how = f"{saved['trials']} trials a row, seed {saved['seed']}, {saved['date']}, {made_by}"
        parts += [f"## {saved['about']}", "", f"`analysis/{saved['script']}`, {how}.", ""]
        parts += [
            "| " + " | ".join(name.replace("_", " ") for name in heads) + " |",
            "|---" * len(heads) + "|",
        ]
        parts += [*rows, ""]
    return "\n".join(parts) + "\n" + (folder / "printed.md").read_text(encoding="utf-8")


def pages() -> dict[Path, str]:
    """Every generated page as it should be."""
    return {
        ROOT / "protocols" / "KEYS.md": f"{KEYS}\n{protocol_page().strip()}\n",
        ROOT / "synthetic_data" / "TABLES.md": f"{RECORDS}\n{schema_page()}\n{attendance_page()}",
        ROOT / "analysis" / "VALIDITY.md": validity_page(),
    }


if __name__ == "__main__":
    for page, text in pages().items():
        page.write_text(text, encoding="utf-8", newline="\n")
