"""Every message of the house, read from the code: what was expected, what came, what to do."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from studykit.errors import compose

ROOT = Path(__file__).resolve().parents[2] / "studykit"
PARTS = ("where", "expected", "got", "todo")
MADE = {"Finding": ("severity", *PARTS), "Trouble": PARTS[1:]}  # those made without names
GAP = "{}"


def written(node: ast.expr | None) -> str:
    """A text of the code; what is only known later is a gap, of one word."""
    match node:
        case ast.Constant(value=str() as text):
            return text
        case ast.JoinedStr(values=pieces):
            return "".join(written(piece) if isinstance(piece, ast.Constant) else GAP for piece in pieces)
        case ast.BinOp(left=left, right=right, op=ast.Add()):
            return written(left) + written(right)
        case None:
            return ""
    return GAP


def messages() -> Iterator[tuple[str, dict[str, str]]]:
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or any(isinstance(part, ast.Starred) for part in node.args):
                continue
            named = {part.arg: part.value for part in node.keywords if part.arg}
            order = MADE.get(getattr(node.func, "id", ""), ())
            named |= dict(zip(order, node.args, strict=False))
            if "expected" in named and ("got" in named or "todo" in named or order):
                told = {part: written(named.get(part)) for part in PARTS}
                yield f"{path.relative_to(ROOT)}:{node.lineno}", told


ALL = list(messages())


def test_they_are_all_here() -> None:
    assert len(ALL) > 500
    rooms = {place.partition("/")[0] for place, _ in ALL}
    assert rooms > {"protocol", "records", "allocation", "lookback", "study", "outcomes", "kinds"}


@pytest.mark.parametrize(
    ("rule", "wrong"),
    [
        ("one mark at the end of a sentence", r"[?!.]\.(?!\.)(?!toml|csv|db)|,,|;;|::| [,.;:](?=\s|$)"),
        ("no word twice running", r"\b(\w{2,})\s+\1\b(?!/)"),
        ("no phrase twice running", r"\b(\w+ \w+ \w+)\b\W+\1\b"),
        ("one blank between words", r"\w  +\w"),
    ],
)
def test_no_mark_word_or_phrase_is_doubled(rule: str, wrong: str) -> None:
    """Found: "Do partner reps keep my clients?." and "retention: none (retention)"."""
    found = {place: told for place, parts in ALL if re.search(wrong, told := compose(**parts))}
    assert not found, rule


def test_the_first_sentence_has_at_most_25_words() -> None:
    """Place, what was expected and what came; a gap counts as one word."""
    long = {
        place: first
        for place, told in ALL
        if len((first := compose(told["where"], told["expected"], told["got"])).split()) > 25
    }
    assert not long


def test_what_to_do_is_a_sentence_of_its_own() -> None:
    """It begins with a capital, a gap or a code, and not with the first words again."""
    odd = {
        place: told["todo"]
        for place, told in ALL
        if (told["todo"] and not re.match(r"[A-Z{`\"]", told["todo"]))
        or told["todo"].casefold().startswith("expected")
    }  # fmt: skip
    assert not odd


@pytest.mark.parametrize(
    ("got", "end"),
    [
        ("[harms].", "found [harms]."),
        ("Who stays?", "found Who stays?"),
        ("none", "found none."),
        ("…", "found …"),
    ],
)
def test_a_message_ends_its_first_sentence_once(got: str, end: str) -> None:
    assert compose("here", "a text", got, "Correct it.") == f"here: expected a text; {end} Correct it."
