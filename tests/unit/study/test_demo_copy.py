"""The demo study is copied once, and never over something else."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.errors import FolderError
from studykit.study.folder import copy_demo


def test_once_and_never_over_something_else(tmp_path: Path) -> None:
    target = tmp_path / "demo"
    assert copy_demo(target)
    (target / "note.txt").write_text("mine", encoding="utf-8")
    assert not copy_demo(target)
    assert (target / "note.txt").read_text(encoding="utf-8") == "mine"
    (target / "protocol.toml").write_text("another study", encoding="utf-8")
    with pytest.raises(FolderError, match="found something else of that name"):
        copy_demo(target)
