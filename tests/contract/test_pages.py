"""The generated parts of DEVELOPERS.md say what the code says."""

from __future__ import annotations

import importlib.util
from pathlib import Path

HERE = Path(__file__).parent


def test_the_generated_pages_are_up_to_date() -> None:
    spec = importlib.util.spec_from_file_location("write_pages", HERE / "write_pages.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    text = module.PAGE.read_text(encoding="utf-8")
    assert module.filled(text) == text, "run: python tests/contract/write_pages.py"
