"""The pooling of seven invented studios, as a person plays it."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.cli import main


def test_the_demo_can_be_played(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["pool", "--demo"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Invented studios: this page shows how a pooling looks, no result.")
    assert "In studios like these, no difference in strength could be shown" in out
    page = (tmp_path / "demo_pool" / "pooled" / "pool.html").read_text(encoding="utf-8")
    assert "What decides was fixed when the list closed: studios like these." in page
    assert "\npooled\n" in (tmp_path / "demo_pool" / "joining_list.txt").read_text(encoding="utf-8")
