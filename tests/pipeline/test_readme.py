"""What README says, held against what the program answers: numbers of the plan, cautions on the pages."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from studykit.cli import _COMMANDS as COMMANDS
from studykit.cli import main
from studykit.protocol.cautions import NOT_MEDICAL_ADVICE, USUAL_CAUTIONS, cautions_for
from studykit.report.wording_check import text_of
from studykit.shipped import shipped
from tests.pipeline.test_owner import add_ready_client, add_rows
from tests.support.answered import answer

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new study by the ready protocol."""
    folder = tmp_path_factory.mktemp("readme") / "mine"
    assert main(["new", str(folder), "--defaults"]) == 0
    return folder


def lines_of(block: str) -> list[list[str]]:
    """The commands of one block of README, as somebody would type them."""
    found = re.search(rf"<!-- owner: {block} -->\n```sh\n(.*?)```", README, re.DOTALL)
    assert found, block
    lines = [shlex.split(line, comments=True) for line in found[1].splitlines()]
    assert lines
    assert all(line[0] == "studykit" for line in lines)
    return [line[1:] for line in lines]


@pytest.fixture(scope="module")
def reported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Half a year later, with the demo study's records: the lines of README for the end."""
    folder = tmp_path_factory.mktemp("end") / "my_study"
    shutil.copytree(shipped("synthetic_data") / "demo_study", folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder.parent)
        assert [main(words) for words in lines_of("at the end")] == [0]
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


def test_the_cautions_stand_where_readme_says(planned: Path, reported: Path, tmp_path: Path) -> None:
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

    demo = reported
    assert main(["sheet", str(demo), "C001", "--date", "2025-12-20"]) == 0
    assert NOT_MEDICAL_ADVICE.text in words(demo / "results" / "sheets" / "C001.html")
    export = Path(
        shutil.copy(shipped("synthetic_data") / "attendance" / "export.csv", tmp_path / "export.csv")
    )
    assert main(["lookback", str(export)]) in (0, 1)
    looked = next(tmp_path.glob("export*/lookback.html"))
    for page in (words(demo / "results" / "report.html"), words(looked)):
        assert all(caution.text in page for caution in cautions_for("report"))


def test_the_owner_part_is_followed_word_by_word(
    tmp_path: Path, reported: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From an empty folder to the report, by the very lines of README; records come between as it says."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("studykit.commands.is_interactive", lambda: True)
    typed = {"Your code": "OW", "Reason": "a look, to follow README"}
    monkeypatch.setattr(
        "builtins.input",
        lambda prompt: (
            next((word for start, word in typed.items() if prompt.startswith(start)), "")
            or ("yes" if "(yes/no)" in prompt else "")
        ),
    )

    def follow(block: str) -> str:
        said = []
        for words in lines_of(block):
            if "--simulate" in words:  # takes minutes; test_planning_ahead follows it
                continue
            if words[0] == "lock":
                answer(Path("my_study"))  # what only the owner knows
            code = main(words)
            shown = capsys.readouterr()
            assert code == 0 or (code == 1 and words[0] in ("today", "sheet")), (words, shown.err)
            said.append(shown.out)
        return "\n".join(said)

    told = follow("before the first client")
    assert "The protocol is locked." in told
    add_rows(Path("my_study"), "trainers", {"trainer": "T1", "signed_off_on": "2026-01-10", "observer": "OB"})
    add_ready_client(Path("my_study"), "C014")
    assert "C014" in follow("a client joins")
    assert (Path("my_study") / "papers" / "consent.html").is_file()
    day = follow("every day")
    assert day.startswith("The one client may train today")
    assert "C014.html" in day
    assert "Sheet for the tester: " in day
    assert "in order" in follow("every week")
    add_rows(Path("my_study"), "trainers", {"trainer": "T2", "signed_off_on": "2026-01-10", "observer": "OB"})
    assert "moves away" in follow("a trainer leaves")
    main(["today", "my_study"])
    assert ", with T2" in capsys.readouterr().out
    assert (reported / "results" / "report.html").is_file()


def test_every_command_and_option_that_readme_names_exists() -> None:
    code = "\n".join(re.findall(r"```sh.*?```|`[^`\n]+`", README, re.DOTALL))
    spans = re.findall(r"studykit ([a-z-]+)\b((?: [^`\n#]*)?)", code)
    options = {
        run.__name__.replace("_", "-"): {word for words, _ in some for word in words}
        for run, _, some in COMMANDS
    }
    named = [(command, set(re.findall(r"--[a-z-]+", rest))) for command, rest in spans]
    assert {command for command, _ in named} >= {"demo", "new", "plan", "lock", "enrol", "today", "lookback"}
    assert all(used <= {*options[command], "--help", "--json"} for command, used in named)


def test_the_lines_of_readme_need_no_script_that_windows_forbids() -> None:
    """And the line that continuous integration reads is the one that people read."""
    assert "Activate.ps1" not in README
    assert README.count("<!-- test line -->") == 1
    assert (
        'pip install ".[test]" && python -m pytest' in README.split("<!-- test line -->")[1].split("```")[1]
    )
