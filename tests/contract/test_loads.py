"""Commands load what they use: which heavy libraries each may load, and no other."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from studykit.study import Study

HEAVY = {
    "docx", "jinja2", "joblib", "matplotlib", "numpy", "openpyxl", "pandas", "pingouin", "pydantic", "scipy",
    "scipy.stats", "seaborn", "statsmodels", "studykit.lookback", "studykit.mixed", "studykit.trial.batch",
    "tomlkit",
}  # fmt: skip
TABLES = {"numpy", "pydantic"}
MAY = {
    "check": TABLES,
    "sheet": {*TABLES, "jinja2"},
    "plan": {*TABLES, "scipy"},  # up to the first answer, before the page is drawn
}
PROGRAM = """
import sys
from studykit import cli
from studykit.study import Study
Study.save_plan = lambda *_: None
assert cli.main(sys.argv[2:]) == 0
print("LOADED", *(set(sys.argv[1].split()) & set(sys.modules)))
"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return Study.demo(tmp_path_factory.mktemp("loads") / "demo")[0]


@pytest.mark.parametrize("command", MAY)
def test_a_command_loads_what_it_uses(command: str, demo: Study) -> None:
    words = [command, str(demo.folder), *(["C001"] if command == "sheet" else [])]
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, " ".join(HEAVY), *words], capture_output=True, check=False,
        encoding="utf-8", env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert set(done.stdout.rsplit("LOADED", 1)[1].split()) == MAY[command]
