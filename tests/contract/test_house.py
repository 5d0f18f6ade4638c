"""Habits of the house that can be read from the files: folders, sizes, words, names that do not belong."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "studykit"
ON_THE_CARD = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "studykit", "protocols", "analysis", "synthetic_data",
    "tests", "LICENSE", ".ci", ".gitignore",
}  # fmt: skip
SOURCES = sorted(path for path in PACKAGE.rglob("*.py") if "_shipped" not in path.parts)


def tracked() -> list[str]:
    answer = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    return answer.stdout.split("\n") if answer.returncode == 0 else []


def test_only_the_agreed_folders_stand_at_the_top() -> None:
    tops = {line.split("/")[0] for line in tracked() if line}
    assert tops <= ON_THE_CARD


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_modules_and_functions_keep_their_budget(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 600
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            documentation = ast.get_docstring(node) or ""
            length = (node.end_lineno or 0) - node.lineno + 1 - len(documentation.splitlines())
            assert length <= 75, f"{path.name}:{node.lineno} {node.name} has {length} lines"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_words_of_the_house(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for word in (r"\bTODO\b", r"\bFIXME\b", r"\bXXX\b", r"NotImplementedError", r"\beval\("):
        assert not re.search(word, text), f"{path.name}: {word}"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            names = {argument.arg for argument in (*node.args.args, *node.args.kwonlyargs)}
            assert not names & {"dv", "endog", "exog", "ci", "se", "conf_level", "subject", "participant"}, (
                f"{path.name}:{node.lineno} {node.name}"
            )


def test_no_module_is_a_drawer() -> None:
    assert not {path.stem for path in SOURCES} & {"utils", "util", "helpers", "common", "misc"}
