"""The trainer's whole job: an export in, questions or refusals, an answer in words and a page out."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import pytest

import studykit as sk
from studykit.cli import main
from studykit.errors import DataError
from studykit.lookback.answer_sentences import CANNOT_CONCLUDE, summary
from studykit.report.wording_check import WordingContext, check_wording, text_of
from studykit.shipped import shipped

ATTENDANCE = shipped("synthetic_data") / "attendance"
LOOKING_BACK = WordingContext(
    randomised=False, looking_back=True, harms_systematic=False, required_limits=CANNOT_CONCLUDE
)


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo export, looked back at by command."""
    folder = tmp_path_factory.mktemp("trainer")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert main(["lookback", "--demo"]) == 0
    return folder / "demo_attendance" / "export_lookback"


def test_the_demo_leaves_a_page_with_its_files(saved: Path) -> None:
    names = {str(path.relative_to(saved).as_posix()) for path in saved.rglob("*.*")}
    assert {"lookback.html", "lookback.json", "manifest.json", "answers.json", "tables/noticed_rows.csv",
            "figures/lookback_out_of_100.svg", "figures/lookback_out_of_100.png"} <= names  # fmt: skip
    assert "tally.html" not in names
    manifest = json.loads((saved / "manifest.json").read_text(encoding="utf-8"))
    assert set(manifest["files"]) <= names


def test_the_json_has_the_wrong_answer_and_the_proper_ones(saved: Path) -> None:
    plain = json.loads((saved / "lookback.json").read_text(encoding="utf-8"))
    assert plain["naive"]["hazard_ratio"]["value"] > 0
    refused = [bool(answer["refused"]) for answer in plain["answers"]]
    assert refused == [False, False, True, False, False, True, False]
    for answer in plain["answers"]:
        assert answer["method"]
        assert answer["estimand"]
        numbers = [answer[name] for name in ("hazard_ratio", "risk_difference") if answer[name] is not None]
        assert bool(numbers) != bool(answer["refused"])
        for number in numbers:
            assert number["interval"]["lower"] <= number["value"] <= number["interval"]["upper"]


def test_the_naive_answer_flatters_partner_reps_in_the_demo(saved: Path) -> None:
    """Clients who stay longer have more chances to get them: far below any proper answer (H04)."""
    plain = json.loads((saved / "lookback.json").read_text(encoding="utf-8"))
    lead = plain["answers"][0]
    assert lead["method"] == plain["lead"] == "session clock"
    assert plain["naive"]["hazard_ratio"]["interval"]["upper"] < lead["hazard_ratio"]["value"]
    truth = json.loads((ATTENDANCE / "truth.json").read_text(encoding="utf-8"))["settings"]["hazard_ratio"]
    interval = lead["hazard_ratio"]["interval"]
    assert interval["lower"] < truth < interval["upper"]


def test_the_page_speaks_of_associations_only(saved: Path) -> None:
    """H01, H11, H12."""
    page = (saved / "lookback.html").read_text(encoding="utf-8")
    assert check_wording(text_of(page), context=LOOKING_BACK, section="page") == ()
    assert "non-randomised" in page[: page.index("</title>")]


def test_from_python_as_from_the_terminal(saved: Path) -> None:
    log = sk.read_attendance(
        ATTENDANCE / "export.csv",
        columns={"client_id": "client"},
        tables={"clients": ATTENDANCE / "clients.csv"},
    )
    answer = sk.look_back(log, horizon=182)
    plain = json.loads((saved / "lookback.json").read_text(encoding="utf-8"))
    assert answer.answers[0].hazard_ratio is not None
    assert answer.answers[0].hazard_ratio.value == plain["answers"][0]["hazard_ratio"]["value"]
    assert "were associated with" in " ".join(summary(answer).split())
    assert len(log.findings) == 5


def test_ten_mistakes_are_ten_findings_and_change_nothing_else(tmp_path: Path) -> None:
    """The same answer to the last digit, since nothing is taken from rows that were not understood."""
    text = (ATTENDANCE / "export.csv").read_text(encoding="utf-8")
    wrong = (
        ",2025-03-03,T1,attended,4",
        "C010,,T1,attended,4",
        "C010,2025-02-30,T1,attended,4",
        "C010,1875-02-03,T1,attended,4",
        "C010,2025-03-04,T1,perhaps,4",
        "C010,2071-03-04,T1,attended,4",
        "C010,2025-03-04,T1,attended,4,5,6",
        "C010,2023-01-09,T1,attended,4",
        text.splitlines()[1],
        "C010,2025-03-05,T1,booked,",
    )
    path = tmp_path / "export.csv"
    path.write_text(text + "\n".join(wrong) + "\n", encoding="utf-8")
    clients = {"clients": ATTENDANCE / "clients.csv"}
    log = sk.read_attendance(path, tables=clients)
    clean = sk.read_attendance(ATTENDANCE / "export.csv", tables=clients)
    first = len(text.splitlines()) + 1
    rows = {int(row) for item in log.noticed for row in item.rows}
    assert set(range(first, first + 10)) <= rows
    assert log.rows.supplied == clean.rows.supplied + 10
    assert log.rows.used == clean.rows.used
    for name in ("session_client", "session_day", "session_trainer", "session_partner_reps", "missed_day"):
        assert getattr(log, name).tolist() == getattr(clean, name).tolist()


def test_without_marks_only_how_long_clients_stay_and_a_sheet_to_tick(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = (ATTENDANCE / "export.csv").read_text(encoding="utf-8").splitlines()
    path = tmp_path / "plain.csv"
    path.write_text("\n".join(line.rsplit(",", 1)[0] for line in lines) + "\n", encoding="utf-8")
    code = main(["lookback", str(path), "--clients", str(ATTENDANCE / "clients.csv"), "--json"])
    plain = json.loads(capsys.readouterr().out)
    assert code == 0
    assert plain["naive"] is None
    assert plain["lead"] is None
    assert not [answer for answer in plain["answers"] if not answer["refused"]]
    assert (tmp_path / "plain_lookback" / "tally.html").is_file()
    assert main(["lookback", str(path), "--clients", str(ATTENDANCE / "clients.csv")]) == 0
    assert "--adopted TRAINER=DATE or --adopted TRAINER=never" in capsys.readouterr().out


def test_other_names_without_a_terminal_are_refused_with_what_to_type(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (ATTENDANCE / "export.csv").read_text(encoding="utf-8")
    path = tmp_path / "export.csv"
    path.write_text(text.replace("client,date", "Member,Visit date", 1), encoding="utf-8")
    assert main(["lookback", str(path)]) == 2
    assert "--column client=Member" in capsys.readouterr().err
    words = ["--column", "client=Member", "--column", "date=Visit date"]
    with pytest.raises(DataError, match="--column date"):
        sk.read_attendance(path)
    assert main(["lookback", str(path), *words, "--clients", str(ATTENDANCE / "clients.csv")]) == 0


def test_the_shipped_export_is_what_its_script_makes(tmp_path: Path) -> None:
    script = shipped("synthetic_data") / "make_attendance.py"
    spec = importlib.util.spec_from_file_location("make_attendance", script)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.make_attendance(tmp_path)
    for name in ("export.csv", "clients.csv", "truth.json"):
        assert (tmp_path / name).read_bytes() == (ATTENDANCE / name).read_bytes()


def test_where_nobody_can_be_followed_what_was_noticed_is_told_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "export.csv"
    path.write_text("client,date\nC1,2025-01-06\nC2,2025-01-07\nC2,2025-02-01\n", encoding="utf-8")
    joining = tmp_path / "clients.csv"
    joining.write_text("client,joined_on\nC1,2025-01-01\nC2,2025-13-45\n", encoding="utf-8")
    assert main(["lookback", str(path), "--clients", str(joining)]) == 2
    said = capsys.readouterr().err
    assert "clients with a joining date who can be followed for at least a day" in said
    assert "2025-13-45" in said


@pytest.mark.parametrize(
    ("late", "words", "told"),
    [
        ("", ("--exported-on", "2026-03-01"), "--exported-on 2025-12-28"),
        ("C010,2026-02-09,T1,attended,4\n" * 75, (), "--closures FILE"),
    ],
)
def test_records_that_end_too_late_are_refused_instead_of_departures(
    late: str, words: tuple[str, ...], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "export.csv"
    rows = [
        row.replace("C010", f"C{n:03d}") for n, row in enumerate(late.splitlines(keepends=True), start=10)
    ]
    path.write_text((ATTENDANCE / "export.csv").read_text(encoding="utf-8") + "".join(rows), encoding="utf-8")
    assert main(["lookback", str(path), "--clients", str(ATTENDANCE / "clients.csv"), *words]) == 2
    said = capsys.readouterr()
    assert told in said.err
    assert "everybody counts as having left" in said.err
    assert said.out == ""
    assert not (tmp_path / "export_lookback").exists()
