"""Texts that people wrote, as passages that know their places: Word documents, Markdown, TeX, plain text."""

from __future__ import annotations

import io
import re
import zipfile
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from studykit.errors import DataError, Finding

_MOST_BYTES = 50_000_000
_MOST_UNPACKED = 200_000_000
_MOST_MEMBERS = 5_000
_KINDS = {".docx": "docx", ".md": "md", ".markdown": "md", ".txt": "md", ".tex": "tex", ".ltx": "tex"}


@dataclass(frozen=True, slots=True)
class Passage:
    """One paragraph.

    Parameters
    ----------
    text : str
        In one line, without markup.
    starts : tuple of int
        Places in the text where another line of the file begins; the first is 0.
    lines : tuple of int
        The numbers of those lines; empty where the file has none.
    name : str
        What to call the passage where it has no lines.
    """

    text: str
    starts: tuple[int, ...] = (0,)
    lines: tuple[int, ...] = ()
    name: str = ""

    def where(self, place: int) -> str:
        """The line of a place in the text, or the paragraph."""
        if not self.lines:
            return self.name
        return f"line {self.lines[bisect_right(self.starts, place) - 1]}"


def read_passages(path: Path) -> tuple[Passage, ...]:
    """The passages of a file.

    Raises
    ------
    DataError
        If it is too large, of another kind, or damaged.
    """
    if path.is_dir():
        raise _refused(path, "a file", "a folder", "Name the file inside it.")
    kind = _KINDS.get(path.suffix.lower())
    if kind is None:
        got = f"a file ending in {path.suffix}" if path.suffix else "a file without ending"
        raise _refused(path, "a file .docx, .md, .tex or .txt", got, "Save it as one of these.")
    if path.stat().st_size > _MOST_BYTES:
        raise _refused(
            path, "a file of at most 50 MB", f"{path.stat().st_size / 1e6:.0f} MB", "Check the text only."
        )
    content = path.read_bytes()
    if kind == "docx":
        return tuple(_word_passages(path, content))
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise _refused(path, "a text in UTF-8", "another encoding", "Save it as UTF-8.") from None
    return passages_of(text, kind)


def _refused(path: Path, expected: str, got: str, todo: str) -> DataError:
    return DataError([Finding("stop", str(path), expected, got, todo)])


# --- Word ----------------------------------------------------------------------------------------


def _word_passages(path: Path, content: bytes) -> Iterator[Passage]:
    """Paragraphs, those of tables too, counted as they stand; what changes have struck out is left out."""
    from docx import Document
    from docx.oxml.ns import qn

    _check_archive(path, content)
    try:
        document = Document(io.BytesIO(content))
        found = list(document.element.body.iter(qn("w:p")))
    except Exception as error:  # the libraries below raise many kinds; all mean the same to a reader
        got = f"a file that does not open ({type(error).__name__})"
        raise _refused(
            path, "a Word document", got, "Open it in a word processor and save it again."
        ) from error
    number, heading = 0, ""
    for paragraph in found:
        text = "".join(node.text or "" for node in paragraph.iter(qn("w:t")))
        text = re.sub(r"\s+", " ", text).strip()
        if not text:
            continue
        number += 1
        if _is_heading(paragraph, qn):
            heading = text
        under = f", under \u201c{heading}\u201d" if heading and heading != text else ""
        yield Passage(text, name=f"paragraph {number}{under}")


def _is_heading(paragraph: Any, qn: Any) -> bool:
    style = paragraph.find(f"{qn('w:pPr')}/{qn('w:pStyle')}")
    return style is not None and "heading" in str(style.get(qn("w:val"))).lower()


def _check_archive(path: Path, content: bytes) -> None:
    """No member is unpacked before the sizes that the archive tells are known to be bearable."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError):
        raise _refused(
            path, "a Word document (DOCX)", "a file of another kind, damaged or with a password",
            "Open it in a word processor and save it as DOCX.",
        ) from None  # fmt: skip
    if len(members) > _MOST_MEMBERS or sum(member.file_size for member in members) > _MOST_UNPACKED:
        raise _refused(
            path,
            "a document of at most 200 MB unpacked",
            "one that is larger",
            "Copy the text into a new one.",
        )


# --- plain forms ---------------------------------------------------------------------------------


def passages_of(text: str, kind: str) -> tuple[Passage, ...]:
    r"""Paragraphs of a text in Markdown (``md``) or TeX (``tex``), with the numbers of their lines.

    Examples
    --------
    >>> one, two = passages_of("# A *title*\n\nFirst line,\nsecond `code` line.", "md")
    >>> two.text, two.where(2), two.where(14)
    ('First line, second line.', 'line 3', 'line 4')
    """
    lines = _tex_lines(text) if kind == "tex" else _markdown_lines(text)
    found: list[Passage] = []
    piece: list[tuple[int, str]] = []
    for number, line, ends_before in (*lines, (0, "", True)):
        if piece and (ends_before or not line):
            found.append(_joined(piece))
            piece = []
        if line:
            piece.append((number, line))
    return tuple(found)


def _joined(piece: list[tuple[int, str]]) -> Passage:
    starts, text = [], ""
    for _, line in piece:
        text += " " if text else ""
        starts.append(len(text))
        text += line
    return Passage(text, tuple(starts), tuple(number for number, _ in piece))


Lines = list[tuple[int, str, bool]]
"""Number of a line, its words, and whether a paragraph begins with it."""


def _markdown_lines(text: str) -> Lines:
    """Without code, comments and marks; a heading, an item or a row of a table is a paragraph of its own."""
    text = re.sub(r"<!--.*?-->", _blank, text, flags=re.DOTALL)
    text = re.sub(r"\A---\n.*?\n---\n", _blank, text, flags=re.DOTALL)
    lines: Lines = []
    fence = ""
    for number, raw in enumerate(text.split("\n"), 1):
        mark = re.match(r"\s*(```|~~~)", raw)
        if mark and fence in {"", mark[1]}:
            fence = "" if fence else mark[1]
            lines.append((number, "", True))
            continue
        own = bool(re.match(r"\s*(#{1,6}\s|[-*+]\s|\d+[.)]\s|\||>)", raw))
        after = bool(lines) and bool(re.match(r"#|\|", text.split("\n")[number - 2]))
        lines.append((number, "" if fence else _bare_markdown(raw), own or after))
    return lines


def _blank(match: re.Match[str]) -> str:
    """As many lines as stood there, so that the numbers of later lines stay."""
    return "\n" * match.group().count("\n")


def _bare_markdown(line: str) -> str:
    line = re.sub(r"^\s*(#{1,6}\s+|[-*+]\s+|\d+[.)]\s+|>\s?)", "", line)
    line = re.sub(r"`[^`]*`", "", line)
    line = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", line)
    line = re.sub(r"(?<![\w*])(\*{1,3}|_{1,3})(?=\S)(.*?)(?<=\S)\1(?![\w*])", r"\2", line)
    line = re.sub(r"\\([\\`*_{}\[\]()#+.!%|~-])", r"\1", line)
    line = re.sub(r"^\|?[\s|:-]+\|$", "", line).replace("|", "\t")
    return re.sub(r" {2,}", " ", line).strip()


_HIDDEN = "verbatim|lstlisting|minted|equation|align|gather|displaymath|tikzpicture|thebibliography"


def _tex_lines(text: str) -> Lines:
    r"""The words between ``\begin{document}`` and its end, without comments, code, formulas and commands."""
    begin = text.find(r"\begin{document}")
    if begin >= 0:
        text = "\n" * text[:begin].count("\n") + text[begin + len(r"\begin{document}") :]
        text = text.partition(r"\end{document}")[0]
    text = re.sub(rf"\\begin\{{({_HIDDEN})\*?\}}.*?\\end\{{\1\*?\}}", _blank, text, flags=re.DOTALL)
    lines: Lines = []
    for number, raw in enumerate(text.split("\n"), 1):
        line = re.sub(r"(?<!\\)%.*", "", raw)
        own = bool(
            re.match(r"\s*\\(item|section|subsection|subsubsection|paragraph|chapter|caption)\b", line)
        )
        after = bool(lines) and bool(re.search(r"\\(sub)*section|\\chapter", text.split("\n")[number - 2]))
        row = line.rstrip().endswith(r"\\")
        lines.append((number, _bare_tex(line), own or after or row or r"\par" in raw.split(" ")))
    return lines


def _bare_tex(line: str) -> str:
    line = re.sub(r"\\(paren|text|auto|foot)?cite[a-z]*\*?(\[[^\]]*\])*\{[^}]*\}", "(cited, 2000)", line)
    line = re.sub(
        r"\\(begin|end|label|ref|input|include|usepackage|includegraphics)(\[[^\]]*\])?\{[^}]*\}(\[[^\]]*\])?",
        "",
        line,
    )
    line = line.replace(r"\%", "%").replace(r"\&", "&").replace("~", " ").replace("$", "").replace(r"\,", " ")
    line = re.sub(r"(?<!\\)&", "\t", line).replace("\\\\", "")
    line = re.sub(r"\\[a-zA-Z]+\*?(\[[^\]]*\])?", "", line)
    return re.sub(r" {2,}", " ", re.sub(r"[{}]", "", line).replace("--", "\u2013")).strip()
