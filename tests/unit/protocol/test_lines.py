from __future__ import annotations

import pytest

from studykit.protocol.lines import line_of, path_text, statements

TEXT = '''format = 1

[study]  # the study
title = "a [bracket] # no comment"
notes = """
[not a table]
x = 1
"""
date = 2026-01-01

[[arms]]
code = "a"
[arms.dose]
steps = [
  { a = 1 },  # ]
  { a = 2 },
]
[[arms]]
code = "b"
dose.reps = 3
'''


def test_statements_keep_lines_and_paths() -> None:
    found = {(item.line, item.path) for item in statements(TEXT)}
    assert found == {
        (1, ("format",)),
        (3, ("study",)),
        (4, ("study", "title")),
        (5, ("study", "notes")),
        (9, ("study", "date")),
        (11, ("arms", 0)),
        (12, ("arms", 0, "code")),
        (13, ("arms", 0, "dose")),
        (14, ("arms", 0, "dose", "steps")),
        (18, ("arms", 1)),
        (19, ("arms", 1, "code")),
        (20, ("arms", 1, "dose", "reps")),
    }


def test_an_unclosed_list_does_not_swallow_what_follows() -> None:
    found = statements("a = [1,\nb = 2\n[c]\nd = 3\n")
    assert [item.path for item in found] == [("a",), ("b",), ("c",), ("c", "d")]


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("arms", 1, "code"), 19),
        (("arms", 1, "name"), 18),
        (("arms", 0, "dose", "steps", 1, "a"), 14),
        (("study", "missing"), 3),
        (("nowhere",), None),
        ((), None),
    ],
)
def test_the_line_of_a_missing_key_is_that_of_its_table(
    path: tuple[str | int, ...], line: int | None
) -> None:
    assert line_of(path, TEXT) == line


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (("arms", 0, "name"), "arms 'a', name"),
        (("arms", 1), "arms number 2"),
        (("arms", 7, "name"), "arms number 8, name"),
        (("study", "title"), "study, title"),
    ],
)
def test_places_read_as_typed(path: tuple[str | int, ...], words: str) -> None:
    assert path_text(path, {"arms": [{"code": "a"}, {}]}) == words
