"""The default run draws the same examples every time, whatever else is imported in the same process."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

CONFTEST = Path(__file__).resolve().parents[1] / "conftest.py"
PROGRAM = """
import runpy, sys
runpy.run_path(sys.argv[1])
if len(sys.argv) > 2:
    import something_else
from hypothesis import given, settings, strategies as st
drawn = []
@settings(max_examples=300)
@given(st.integers(), st.text(max_size=5), st.floats(), st.sets(st.sampled_from("abcdef")))
def remember(number, text, share, letters):
    drawn.append(ascii((number, text, share, sorted(letters))))
remember()
print(*drawn, sep="\\n")
"""


def drawn(folder: Path, hash_seed: str, *words: str) -> str:
    (folder / "something_else.py").write_text("X = [123457, 987654, 3.25, 'anything', 'at all']", "utf-8")
    (folder / "program.py").write_text(PROGRAM, "utf-8")
    done = subprocess.run(
        [sys.executable, "program.py", str(CONFTEST), *words], cwd=folder, capture_output=True, check=False,
        encoding="utf-8", env=os.environ | {"PYTHONHASHSEED": hash_seed, "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_examples_do_not_depend_on_what_else_is_imported(tmp_path: Path) -> None:
    alone = drawn(tmp_path, "1")
    assert alone.count("\n") >= 300
    assert alone == drawn(tmp_path, "2", "with something else")
