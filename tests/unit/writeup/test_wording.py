"""Rules of wording on a text of one's own: what they find, where, and what they leave in peace."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

import studykit as sk
from studykit.cli import main
from studykit.errors import ArgumentError, DataError
from studykit.report.wording_check import check_wording as strict
from studykit.report.wording_rules import BETTER, RULES
from studykit.writeup import texts
from studykit.writeup.wording import check_wording_file

docx = pytest.importorskip("docx")

SINS = [
    ("The arms differed, p = .000.", "exact p"),
    ("The arms differed (p < 0.000).", "exact p"),
    ("The p-value was 0.000.", "exact p"),
    ("Strength rose (p < .05).", "exact p"),
    ("There was a trend towards more strength.", "near misses"),
    ("The result approached significance.", "near misses"),
    ("There was no effect on strength (95% CI -3.1 to 5.2).", "absence of evidence"),
    ("The groups did not differ.", "absence of evidence"),
    ("Partner reps improved strength by 3 kg.", "words of cause"),
    ("Training led to longer membership.", "words of cause"),
    ("The share rose by 20% from 60% to 72%.", "per cent of per cent"),
    ("It went from 60 % to 72 %, an increase of 12 %.", "per cent of per cent"),
    ("75% of participants came to the last test.", "per cent with counts"),
    ("The risk ratio was 0.8.", "ratio with absolute"),
    ("Groups were well matched: at baseline they were similar.", "baseline without verdicts"),
    ("Eleven participants were non-responders.", "no labels for clients"),
    ("Observed power was 0.34.", "power afterwards"),
    ("There is a 95% chance that the true mean lies in the interval.", "what an interval is"),
    ("The method is safe.", "not safe"),
    ("The trial was double-blind.", "blinding by name"),
    ("The result was significant.", "significance"),
    ("This proves the benefit.", "certainty"),
]
GOOD = [
    "We tested the null hypothesis of no effect.",
    "Whether partner reps improve strength is not known.",
    "Smith (2019) found that heavy lowering improved strength.",
    "Effort was 6 metabolic equivalents; one plate is equivalent to 5 kg.",
    "The level of p < .05 was considered as the threshold.",
    "Estimated marginal means are in Table 2; the adjusted R squared was .41.",
    "Holm-adjusted p-values stand in the last column.",
    "Strength was 3.4 kg higher, 95% CI [-1.1, 7.9], t(56.7) = 1.20, p = .236.",
    "The difference was statistically significant, 3.4 kg (95% CI 0.2 to 6.7), p = .038.",
    "Of the participants, 27/36 (75%) came to the last test.",
    "In all, 75% of participants (27 of 36) came.",
    "The share rose from 60% to 72%, by 12 percentage points.",
    "Loads went up by 5% from week 1 on.",
    "An absent effect cannot be shown by an interval that holds both.",
    "The bar rose by 2.5 kg from 60 kg to 62.5 kg.",
    "p < .001 is written for smaller values.",
    "The 95% confidence interval of the share of clients is given.",
]


@pytest.mark.parametrize(("text", "rule"), SINS)
def test_each_sin_is_found(text: str, rule: str) -> None:
    assert rule in {place.rule for place in sk.check_wording(text)}


@pytest.mark.parametrize("text", GOOD)
def test_a_good_sentence_is_left_in_peace(text: str) -> None:
    assert [(place.rule, place.found) for place in sk.check_wording(text)] == []


@pytest.mark.parametrize(("rule", "text"), BETTER.items())
def test_a_better_sentence_keeps_every_rule(rule: str, text: str) -> None:
    assert rule in {item.name for item in RULES}
    assert strict(text) == ()


def test_every_rule_that_a_text_of_ones_own_can_break_has_a_better_sentence() -> None:
    of_a_report = {"opening", "small study", "number of clusters", "limits that must stand"}
    assert {item.name for item in RULES} - set(BETTER) == of_a_report


@pytest.mark.parametrize(
    ("before", "randomised", "found"),
    [
        ("Clients were randomly allocated to two arms.", None, False),
        ("Clients were not randomised.", None, True),
        ("A non-randomised comparison.", None, True),
        ("Clients were randomly allocated to two arms.", False, True),
        ("Clients chose.", True, False),
    ],
)
def test_words_of_cause_need_chance(before: str, randomised: bool | None, found: bool) -> None:
    places = sk.check_wording(f"{before}\n\nPartner reps improved strength.", randomised=randomised)
    assert ("words of cause" in {place.rule for place in places}) is found


MARKDOWN = """---
title: no effect
---
# Results

Strength was **higher** in
the one arm. There was a *trend
towards* more.

```python
p = .000
```

- first item
- All came; `p = .000` is code
- The groups did not differ.

| what | p |
| --- | --- |
| arm | p = .000 |
"""
TEX = r"""\documentclass{article}
\title{no effect}
\begin{document}
\section{Results} % p = .000
Strength was \emph{higher}. There was
a \textbf{trend towards} more ($p = .08$).
\begin{equation}
p = .000
\end{equation}
As \citep{smith} says, lowering improved strength.

\begin{tabular}{lr}
arm & $p = .000$ \\
\end{tabular}
75\% of participants came.
\end{document}
p = .000
"""


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("a.md", MARKDOWN, [(7, "near misses"), (16, "absence of evidence"), (20, "exact p")]),
        ("a.tex", TEX, [(6, "near misses"), (13, "exact p"), (15, "per cent with counts")]),
    ],
)
def test_places_are_lines_of_the_file(
    name: str, content: str, expected: list[tuple[int, str]], tmp_path: Path
) -> None:
    path = tmp_path / name
    path.write_text(content, encoding="utf-8")
    found = [(place.where, place.rule) for place in check_wording_file(path)]
    assert found == [(f"line {number}", rule) for number, rule in expected]


def test_a_word_document_is_read_with_its_tables_and_without_what_is_struck_out(tmp_path: Path) -> None:
    document = docx.Document()
    document.add_heading("Results", 1)
    document.add_paragraph("All came. There was a ").add_run("trend towards").bold = True
    table = document.add_table(1, 2)
    table.cell(0, 1).text = "p = .000"
    struck = document.add_paragraph("Kept. ")
    run = struck.add_run("It was safe.")
    mark = docx.oxml.OxmlElement("w:del")
    struck._p.append(mark)
    mark.append(run._r)
    run._r[0].tag = run._r[0].tag.replace("}t", "}delText")
    path = tmp_path / "chapter.docx"
    document.save(str(path))
    assert [(place.where, place.rule) for place in check_wording_file(path)] == [
        ("paragraph 2, under \u201cResults\u201d", "near misses"),
        ("paragraph 3, under \u201cResults\u201d", "exact p"),
    ]


def damaged(kind: str) -> bytes:
    if kind == "no archive":
        return b"\xd0\xcf\x11\xe0 an old or protected file"
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        if kind == "too large":
            archive.writestr("word/document.xml", b"0" * 2_000_000)
        else:
            archive.writestr("[Content_Types].xml", "<broken")
    return stream.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.docx", damaged("no archive"), "a Word document (DOCX); found a file of another kind, damaged"),
        ("a.docx", damaged("broken"), "a Word document; found a file that does not open"),
        ("a.docx", damaged("too large"), "at most 200 MB unpacked; found one that is larger"),
        ("a.md", "Größe".encode("latin-1"), "a text in UTF-8; found another encoding"),
        ("a.pdf", b"%PDF", "a file .docx, .md, .tex or .txt; found a file ending in .pdf"),
        ("a", b"", "found a file without ending"),
    ],
)
def test_a_file_that_cannot_be_read_gives_one_message(
    name: str, content: bytes, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr(texts, "_MOST_UNPACKED", 1_000_000)
    path = tmp_path / name
    path.write_bytes(content)
    assert main(["wording", str(path)]) == 2
    shown = capsys.readouterr().err
    assert message in " ".join(shown.split())
    assert "Traceback" not in shown


def test_a_file_larger_than_a_text_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(texts, "_MOST_BYTES", 10)
    (tmp_path / "a.md").write_text("A text of more than ten letters.", encoding="utf-8")
    with pytest.raises(DataError, match="at most 50 MB"):
        check_wording_file(tmp_path / "a.md")


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def _run(*words: object) -> tuple[int, str, str]:
        code = main([str(word) for word in words])
        return code, *capsys.readouterr()

    return _run


def test_the_command_tells_place_rule_and_better_sentence(
    tmp_path: Path, run: Callable[..., tuple[int, str, str]]
) -> None:
    path = tmp_path / "chapter.md"
    path.write_text("The groups did not differ.\n", encoding="utf-8")
    code, out, _ = run("wording", path)
    assert code == 1
    assert out.splitlines()[:3] == [
        "line 1: \u201cdid not differ\u201d", "  absence of evidence: Say what the interval still allows.",
        "  For example: Anything from 1.2 kg less to 4.8 kg more fits these data.",
    ]  # fmt: skip
    code, out, _ = run("wording", path, "--json")
    assert json.loads(out)["places"][0]["rule"] == "absence of evidence"
    path.write_text("Partner reps improved strength.\n", encoding="utf-8")
    assert run("wording", path, "--randomised", "no")[0] == 1
    assert run("wording", path, "--randomised", "yes")[:2] == (
        0, "It breaks no rule that a program can test; whether it is right, a person must say.\n",
    )  # fmt: skip
    assert run("wording", tmp_path / "none.md")[0] == 2


def test_what_is_no_text_is_refused() -> None:
    with pytest.raises(ArgumentError, match="check_wording: expected a text"):
        sk.check_wording(3)  # type: ignore[arg-type]
