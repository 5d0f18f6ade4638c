"""Characters that nobody sees: refused on entry, written out wherever text goes to a person."""

from __future__ import annotations

import sys
import unicodedata
from pathlib import Path

import pytest

from studykit.allocation.entries import next_entry
from studykit.console import plain
from studykit.errors import ArgumentError
from studykit.protocol.identifiers import code_trouble
from studykit.records.cells import Trouble, read_code
from studykit.report.rendering import render_page
from studykit.unseen import unseen_mark, visible

MARKS = [mark for mark in map(chr, range(sys.maxunicode + 1)) if unicodedata.category(mark) in ("Cc", "Cf")]
SEEN = "C014 Ünï-_ 体 🏋 −2 % “x” \u00a0"


def entry_with(by: str = "OW", **body: object) -> None:
    now = "2026-03-09T08:00:00.000Z"
    next_entry(None, kind="note", by=by, entry_time=now, event_time=now, body=body)


def test_all_of_them_are_met() -> None:
    assert len(MARKS) > 200
    assert {"\0", "\n", "\x1b", "\x7f", "\x9b", "\u00ad", "\u200b", "\u202e", "\u2066", "\ufeff"} < set(MARKS)


def test_every_one_is_refused_on_entry() -> None:
    for mark in MARKS:
        assert unseen_mark(f"C0{mark}14") == ascii_of(mark)
        assert code_trouble(f"C0{mark}14"), repr(mark)
        assert isinstance(read_code(f"C0{mark}14", person=True), Trouble), repr(mark)
        for body in ({"reason": f"a{mark}b"}, {"facts": {"age": [f"4{mark}1"]}}, {f"a{mark}": 1}):
            with pytest.raises(ArgumentError, match="expected text that can be seen; found a hidden"):
                entry_with(**body)
        with pytest.raises(ArgumentError, match="by: expected"):
            entry_with(by=f"O{mark}W")


def test_every_one_is_written_out_on_a_terminal_and_on_a_page() -> None:
    page = render_page("tally_sheet.html.j2", trainers=[f"T{mark}1" for mark in MARKS], rows=1, cautions=())
    for mark in set(MARKS) - {"\n"}:
        assert visible(f"C0{mark}14") == f"C0{ascii_of(mark)}14"
        assert plain(f"C0{mark}14", encoding="utf-8") == f"C0{ascii_of(mark)}14"
        assert mark not in page, repr(mark)
        assert f"T{ascii_of(mark)}1" in page, repr(mark)


def ascii_of(mark: str) -> str:
    """As JSON has it: two escapes beyond the first 65,536 characters (RFC 8259, section 7)."""
    number = ord(mark)
    if number < 0x10000:
        return f"\\u{number:04x}"
    high, low = divmod(number - 0x10000, 0x400)
    return f"\\u{0xD800 + high:04x}\\u{0xDC00 + low:04x}"


def test_what_can_be_seen_stays_and_lines_end() -> None:
    assert unseen_mark(SEEN) == ""
    assert visible(f"{SEEN}\n{SEEN}\n") == f"{SEEN}\n{SEEN}\n"
    entry_with(reason=SEEN, protocol="lines\n\tof a protocol\n")


def test_our_own_texts_hold_none() -> None:
    """So that the pages need no exception for us."""
    package = Path(__file__).resolve().parents[2] / "studykit"
    for path in (*package.rglob("*.j2"), *package.rglob("*.css")):
        assert visible(path.read_text(encoding="utf-8")) == path.read_text(encoding="utf-8"), path.name
