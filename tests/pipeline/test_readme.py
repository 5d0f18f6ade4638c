"""What README says, held against what the program answers: numbers of the plan, cautions on the pages."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from studykit.cli import main
from studykit.protocol.cautions import NOT_MEDICAL_ADVICE, USUAL_CAUTIONS, cautions_for
from studykit.report.wording_check import text_of
from studykit.shipped import shipped

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new study by the ready protocol."""
    folder = tmp_path_factory.mktemp("readme") / "mine"
    assert main(["new", str(folder), "--defaults"]) == 0
    return folder


def test_the_differences_that_readme_names_are_those_of_the_plan(
    planned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = re.search(
        r"By the ready protocol, with four machines, a study of (\d+) clients can show differences in "
        r"strength from about ([\d.]+) per cent and one of (\d+) clients from about ([\d.]+) per cent, not 2",
        README,
    )
    assert said
    path = planned / "protocol.toml"
    ready = path.read_text(encoding="utf-8")
    for clients, difference in (said.group(1, 2), said.group(3, 4)):
        text, changed = re.subn(r"(?m)^clients = \d+", f"clients = {clients}", ready)
        assert changed == 1
        path.write_text(text, encoding="utf-8")
        assert main(["plan", str(planned)]) == 0
        out = capsys.readouterr().out
        assert re.search(rf"over 4 exercises: true differences from about {difference} %", out), out
        assert "the assumed difference of 2.0 % cannot be told from none" in out
        assert re.search(rf"with {clients} clients, of whom", out)


def test_the_cautions_stand_where_readme_says(planned: Path, tmp_path: Path) -> None:
    assert (
        "The usual cautions stand on the page of `studykit plan`, on every session sheet, and in every "
        "report of `studykit report` and `studykit lookback`." in README
    )

    def words(path: Path) -> str:
        return re.sub(r"\s+", " ", text_of(path.read_text(encoding="utf-8")))

    assert main(["plan", str(planned)]) == 0
    plan = words(planned / "results" / "plan.html")
    assert all(caution.text in plan for caution in USUAL_CAUTIONS)
    assert main(["plan", str(planned), "--pilot"]) == 0
    pilot = words(planned / "results" / "plan.html")
    assert "pilot" in pilot
    assert all(caution.text in pilot for caution in USUAL_CAUTIONS)

    demo = Path(shutil.copytree(shipped("synthetic_data") / "demo_study", tmp_path / "demo"))
    assert main(["sheet", str(demo), "C001", "--date", "2025-12-20"]) == 0
    assert NOT_MEDICAL_ADVICE.text in words(demo / "results" / "sheets" / "C001.html")
    assert main(["report", str(demo)]) in (0, 1)
    export = Path(
        shutil.copy(shipped("synthetic_data") / "attendance" / "export.csv", tmp_path / "export.csv")
    )
    assert main(["lookback", str(export)]) in (0, 1)
    looked = next(tmp_path.glob("export*/lookback.html"))
    for page in (words(demo / "results" / "report.html"), words(looked)):
        assert all(caution.text in page for caution in cautions_for("report"))
