"""The joining list: append-only, closed in time, and the same after a mail program was at it."""

from __future__ import annotations

import datetime as dt

import pytest

from studykit.errors import ArgumentError
from studykit.pooling.joining_list import JoiningList, told_line
from synthetic_data.invented_studios import invented_code, invented_studios

LISTED, _ = invented_studios(4)
DAY = "2026-02-10"


def noted(entry: int, code: str, clients: int, studio: str = "S02") -> dict[str, object]:
    return {"day": DAY, "studio": studio, "entry": entry, "head": code, "clients": clients}


def test_what_is_written_is_read_again() -> None:
    again = JoiningList.read(LISTED.text())
    assert again == LISTED
    assert again.members["S03"].codes == {1: invented_code("S03", 1), 3: invented_code("S03", 3)}
    assert again.decides == "these studios"
    assert invented_studios(5)[0].decides == "studios like these"


def test_a_mail_program_that_breaks_lines_does_no_harm() -> None:
    listed = LISTED.added("same protocol", {"day": DAY, "protocol": "b" * 64, "reason": "a word " * 20})
    text = listed.text().replace("a word a word a word", "a word a\nword a word", 1).replace("\n", "\r\n")
    assert JoiningList.read("\ufeff" + text) == listed


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("clients: ", "clients: 1", "block 2: expected a block that fits its code"),
        ("closes: 2026-01-31", "closes: 2026-05-31", "block 1: expected a block that fits its code"),
        ("\n\nfile\n", "\n\nfiled\n", "expected a list that begins with"),
        ("studykit joining list 1", "another list", "block 1: expected a list that begins with"),
        ("until: 2026-09-30", "until: soon", "until: a date such as"),
        ("entry: 3", "entries: 3", "expected joined: day, studio"),
    ],
)
def test_a_changed_list_is_refused(old: str, new: str, words: str) -> None:
    text = LISTED.text()
    assert old in text
    with pytest.raises(ArgumentError, match=words):
        JoiningList.read(text.replace(old, new, 1))


@pytest.mark.parametrize("block", [1, 3])
def test_a_block_taken_out_or_moved_is_refused(block: int) -> None:
    blocks = LISTED.text().strip().split("\n\n")
    taken = [*blocks[:block], *blocks[block + 1 :]]
    moved = [*blocks[:block], blocks[block + 1], blocks[block], *blocks[block + 2 :]]
    for text in (taken, moved):
        with pytest.raises(ArgumentError, match="a block that fits its code"):
            JoiningList.read("\n\n".join(text))


JOINED = {"day": "2026-01-20", "studio": "S09", "clients": 40, "until": "2026-12-01",
          "first": "c" * 64, "entry": 2, "head": "d" * 64}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "told", "words"),
    [
        (
            "joined",
            JOINED | {"day": "2026-02-01"},
            "studios that join by 2026-01-31; found one on 2026-02-01",
        ),
        ("joined", JOINED | {"studio": "S01"}, "a studio and a ledger that are not on the list yet"),
        ("joined", JOINED | {"first": invented_code("S02", 1)}, "a studio and a ledger that are not on"),
        ("joined", JOINED | {"first": "C0FFEE"}, "first: a code of 64 digits"),
        ("joined", JOINED | {"studio": "the one in town"}, "studio: a code of letters and digits"),
        ("noted", noted(3, "a" * 64, 9), "the code of entry 3 that was told before; found another"),
        ("noted", noted(2, "a" * 64, 9), "a ledger that has grown"),
        ("noted", noted(9, "a" * 64, 9, "S77"), "a studio of the list; found S77"),
        ("file", {"day": DAY, "studio": "S77", "file": "a" * 64}, "a studio of the list"),
        ("same protocol", {"day": DAY, "protocol": "a" * 64, "reason": ""}, "reason: a few words"),
        ("same protocol", {"day": DAY, "protocol": "a" * 64, "reason": "a\u200bb"}, "reason: a few words"),
    ],
)
def test_what_the_list_does_not_take(kind: str, told: dict[str, object], words: str) -> None:
    with pytest.raises(ArgumentError, match=words):
        LISTED.added(kind, told)


def test_monthly_lines_are_kept_and_clients_only_grow() -> None:
    listed = LISTED.added(*told_line(f"S02: entry 20 is {'a' * 64}, 17 clients", dt.date(2026, 3, 1)))
    assert listed.members["S02"].codes[20] == "a" * 64
    assert listed.members["S02"].told_clients == 17
    assert LISTED.members["S02"].told_clients == 0  # the list before is as it was
    with pytest.raises(ArgumentError, match="a ledger that has grown since"):
        listed.added("noted", noted(30, "b" * 64, 16))


def test_a_line_that_says_nothing_is_refused() -> None:
    with pytest.raises(ArgumentError, match="S03: entry 57 is CODE, 23 clients"):
        told_line("we now have 20 clients", dt.date(2026, 3, 1))


def test_a_file_told_after_files_were_opened_is_late() -> None:
    opened = LISTED.added("pooled", {"day": "2026-12-15", "files": 3, "set": "e" * 64, "reason": ""})
    late = opened.added("file", {"day": "2026-12-16", "studio": "S01", "file": "f" * 64})
    assert late.members["S01"].late
    assert late.members["S01"].files == 2
    assert not late.members["S02"].late


def test_files_due_before_the_list_closes_are_refused() -> None:
    with pytest.raises(ArgumentError, match="files that are due after the list has closed"):
        JoiningList.begun({**LISTED.head, "due": "2026-01-01"})
