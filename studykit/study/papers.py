"""The papers of a study in its folder: what the studio changed by hand is never written over."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.errors import DataError, Finding

if TYPE_CHECKING:
    from studykit.study.snapshot import Snapshot

PAPERS = "papers"
SHOWN_TO = "shown_to.csv"
_MADE = re.compile(r"\n<!-- made by studykit, code ([0-9a-f]{12}) -->\n\Z")


@dataclass(frozen=True, slots=True)
class Written:
    """What was written: the pages, those that the studio had changed by hand, and what is open.

    Parameters
    ----------
    pages : tuple of Path
    kept : tuple of Path
        Pages changed by hand: they stay, and the new one stands beside them, with ``_new`` in its name.
    open_items : tuple of str
        Items of SPIRIT 2025 that the protocol does not answer.
    questions : tuple of str
        What the studio has not answered yet.
    shown_to : Path
        The table of who was shown which page.
    """

    pages: tuple[Path, ...]
    kept: tuple[Path, ...]
    open_items: tuple[str, ...]
    questions: tuple[str, ...]
    shown_to: Path

    def text(self) -> str:
        """For a person."""
        lines = [
            "These papers are drafts. Show each to two clients, change what was not clear, then use it.",
            *(f"  {path}" for path in self.pages),
        ]
        lines += [f"Changed by hand, so it stays; compare it with the new one: {path}" for path in self.kept]
        if self.questions:
            lines += ["Open on the papers, since nobody has answered it yet:"]
            lines += [f"  {question}" for question in self.questions]
        if self.open_items:
            lines.append(f"Items of SPIRIT 2025 that the protocol leaves open: {', '.join(self.open_items)}.")
        lines.append(f"Write down who was shown a page in {self.shown_to}; then run this again.")
        return "\n".join(lines)


def write_papers(now: Snapshot) -> Written:
    """Write every paper into ``papers/``.

    Raises
    ------
    ProtocolError
        If the protocol cannot be read.
    DataError
        If the table of who was shown a page has lost its columns.
    FolderError
        If nothing can be written.
    """
    from studykit.protocol.completion import unanswered
    from studykit.report.papers import SHOWN, open_questions, papers_of, render_paper
    from studykit.report.rendering import write_whole

    folder, protocol = now.folder / PAPERS, now.protocol
    shown = _shown(folder / SHOWN_TO, SHOWN)
    files: dict[str, bytes] = {}
    kept = []
    for paper in papers_of(protocol):
        name, text = f"{paper.name}.html", render_paper(paper, protocol, shown=shown)
        if _changed_by_hand(folder / name):
            kept.append(folder / name)
            name = f"{paper.name}_new.html"
        files[name] = f"{text}\n<!-- made by studykit, code {_code(text)} -->\n".encode()
    if not (folder / SHOWN_TO).exists():
        files[SHOWN_TO] = (",".join(SHOWN) + "\n").encode()
    write_whole(folder, files)
    pages = tuple(folder / name for name in files if name != SHOWN_TO)
    questions = tuple(question for _, question in unanswered(protocol))
    return Written(pages, tuple(kept), open_questions(protocol), questions, folder / SHOWN_TO)


def _shown(path: Path, columns: tuple[str, ...]) -> list[dict[str, str]]:
    """Who was shown which paper, as the studio wrote it down."""
    if not path.exists():
        return []
    text = path.read_text(encoding="utf-8-sig", errors="replace")
    separator = ";" if text.partition("\n")[0].count(";") else ","
    rows = list(csv.DictReader(io.StringIO(text), delimiter=separator))
    if rows and not set(columns) <= set(rows[0]):
        missing = ", ".join(column for column in columns if column not in rows[0])
        todo = "Put the first line back."
        raise DataError([Finding("stop", str(path), ", ".join(columns), f"no column {missing}", todo)])
    return [{column: row[column] or "" for column in columns} for row in rows]


def _code(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _changed_by_hand(path: Path) -> bool:
    if not path.exists():
        return False
    text = path.read_text(encoding="utf-8", errors="replace")
    made = _MADE.search(text)
    return made is None or made[1] != _code(text[: made.start()])
