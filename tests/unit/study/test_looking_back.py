"""From a file to a saved look back: what is not clear is asked or refused, answers are kept and told."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from openpyxl import Workbook

from studykit.cli import main
from studykit.errors import ArgumentError, DataError, FolderError
from studykit.lookback.log import AttendanceLog
from studykit.lookback.look_back_results import Curve, LookBack, NextStudy
from studykit.report.tally_sheet import render_tally_sheet
from studykit.results import RowCount
from studykit.study import Study
from studykit.study.looking_back import Said, Wish, look_back_from, told_of_records

TOLD: list[dict[str, object]] = []


def nothing_compared(log: AttendanceLog, *, horizon: int = 182, **options: object) -> LookBack:
    """The look back of records that allow no comparison: enough for what happens around it."""
    TOLD.append(options)
    days = np.array([0.0, float(horizon)])
    curve = Curve("all clients", days, np.array([1.0, 0.7]), days * 0, days * 0 + 1, np.array([20, 12]))
    return LookBack(
        None, None, (), curve, (), None, (), NextStudy(None, 0.7, 2.0, 0.0, 3.0, ()),
        RowCount(2, 2, (), "clients"), len(log.clients), 2, 0, 1, horizon, log.first_day, log.last_day,
        log.last_day - 28, log.findings, log.source,
    )  # fmt: skip


@pytest.fixture(autouse=True)
def no_comparison(monkeypatch: pytest.MonkeyPatch) -> None:
    name = "studykit.lookback.look_back"
    monkeypatch.setitem(sys.modules, name, SimpleNamespace(look_back=nothing_compared))


class Somebody:
    """Answers in order; remembers the questions."""

    def __init__(self, *answers: str) -> None:
        self.answers, self.asked = list(answers), []

    def say(self, text: str) -> None:
        self.asked.append(text)

    def confirm(self, question: str) -> bool:
        return self.ask(question) == "yes"

    def ask(self, question: str, *, default: str = "", choices: Sequence[str] = ()) -> str:
        self.asked.append(question)
        answer = self.answers.pop(0) or default
        assert not choices or answer in choices
        return answer


def export(folder: Path, *lines: str, header: str = "client,date,trainer,partner_reps") -> Path:
    path = folder / "export.csv"
    body = lines or tuple(f"C{n % 4},2025-0{1 + n // 9}-{10 + n % 9},T{n % 2},{n % 2}" for n in range(60))
    path.write_text("\n".join((header, *body)) + "\n", encoding="utf-8")
    return path


def test_exact_names_need_no_question_and_everything_is_saved_beside_the_file(tmp_path: Path) -> None:
    done = look_back_from(Wish(export(tmp_path)), asking=Somebody())
    assert done.page == tmp_path / "export_lookback" / "lookback.html"
    assert done.notices == ()
    assert done.tally_sheet is None
    assert not done.needs_attention
    assert json.loads((done.page.parent / "answers.json").read_text())["format"] == 1


def test_guesses_are_confirmed_once_and_kept_beside_the_output(tmp_path: Path) -> None:
    lines = ("C01,04/03/2025,T1,Came,yes", "C02,05/03/2025,T1,Gone,no", "C02,06/03/2025,T1,Came,no")
    path = export(tmp_path, *lines, header="Member,Visit date,Coach,State,partner_reps")
    with pytest.raises(DataError, match="--column client=Member"):
        look_back_from(Wish(path))
    somebody = Somebody("yes", "yes", "yes", "yes", "day first", "no show")
    first = look_back_from(Wish(path), asking=somebody)
    assert not somebody.answers
    assert first.log.missed_day.size == 1
    again = look_back_from(Wish(path))
    assert again.log.session_day.tolist() == first.log.session_day.tolist()
    assert any("is replaced" in notice for notice in again.notices)
    assert any("used again" in notice for notice in again.notices)
    page = again.page.read_text(encoding="utf-8")
    assert "column client" in page
    assert "Member" in page


def test_a_guess_that_is_denied_is_not_used(tmp_path: Path) -> None:
    path = export(tmp_path, "C01,2025-03-04,blue", "C02,2025-03-05,red", header="client,date,Coach")
    done = look_back_from(Wish(path), asking=Somebody("no"))
    assert done.log.trainers == ()


def test_flags_win_over_answers_given_before() -> None:
    earlier = Said(columns={"client": "A", "date": "B"}, date_order="day", facts=("goal",))
    said = Said(columns={"client": "C"}, date_order="month").over(earlier)
    assert dict(said.columns) == {"client": "C", "date": "B"}
    assert (said.date_order, said.facts) == ("month", ("goal",))


def test_names_get_codes_and_a_key_after_a_yes(tmp_path: Path) -> None:
    path = export(tmp_path, "Ann Doe,2025-03-04,T1,yes", "Bo Li,2025-03-05,T1,no")
    with pytest.raises(DataError, match="--recode"):
        look_back_from(Wish(path))
    done = look_back_from(Wish(path), asking=Somebody("yes"))
    assert done.log.clients == ("C01", "C02")
    assert (tmp_path / "export_key.csv").is_file()
    assert any("export_key.csv: keep it elsewhere" in notice for notice in done.notices)
    for file in done.page.parent.rglob("*.*"):
        if file.suffix in (".html", ".json", ".csv"):
            assert "Ann" not in file.read_text(encoding="utf-8")


def test_rows_that_are_not_in_the_copy_with_codes_are_counted_all_the_same(tmp_path: Path) -> None:
    lines = [f"{('Ann Doe', 'Bo Li')[n % 2]},2025-03-{4 + n:02d},T1,yes" for n in range(13)]
    done = look_back_from(Wish(export(tmp_path, *lines, "Bo Li,2025-03-20,T1,no,and,more"), recode=True))
    assert str(done.log.rows) == "13 of 14 rows used; left out: 1 (another number of cells than the header)"


def test_without_marks_days_of_adoption_are_asked_for_and_a_tally_sheet_is_printed(tmp_path: Path) -> None:
    path = export(tmp_path, "C01,2025-03-04,T1", "C02,2025-03-05,T2", header="client,date,trainer")
    done = look_back_from(Wish(path), asking=Somebody("2025-03-01", ""))
    assert (done.log.adopted > 0).tolist() == [True, False]
    assert done.tally_sheet is not None
    assert "Trainer T1" in done.tally_sheet.read_text(encoding="utf-8")
    header = (done.page.parent / "tally.csv").read_text(encoding="utf-8-sig").strip()
    assert header.split(",") == ["client", "date", "trainer", "status", "partner_reps"]


def test_a_tally_sheet_escapes_codes_and_has_a_page_without_trainers() -> None:
    assert "&lt;b&gt;" in render_tally_sheet(["<b>"])
    assert render_tally_sheet([], rows=3).count("<tr><td></td>") == 3


def test_something_else_in_the_way_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "export_lookback"
    other.mkdir()
    (other / "mine.txt").write_text("keep")
    with pytest.raises(FolderError, match="--out FOLDER"):
        look_back_from(Wish(export(tmp_path)))
    assert (other / "mine.txt").read_text() == "keep"


@pytest.mark.parametrize("text", ["{", "[]", '{"format": 99}'])
def test_answers_that_cannot_be_read_are_refused(tmp_path: Path, text: str) -> None:
    done = look_back_from(Wish(export(tmp_path)))
    (done.page.parent / "answers.json").write_text(text)
    with pytest.raises(FolderError, match=r"answers\.json"):
        look_back_from(Wish(export(tmp_path)))


def test_a_look_before_a_trial_is_logged_in_its_ledger(tmp_path: Path) -> None:
    """H13: looking at records before a trial is logged."""
    study, _ = Study.demo(tmp_path / "study")
    with pytest.raises(ArgumentError, match="--by CODE"):
        look_back_from(Wish(export(tmp_path), study=study.folder))
    done = look_back_from(Wish(export(tmp_path), study=study.folder, by="OW"))
    ledger = study.ledger
    assert ledger is not None
    last = ledger.entries()[-1]
    assert (last.kind, last.by) == ("note", "OW")
    assert "attendance records looked at" in str(last.body)
    assert study.audit().passed
    assert told_of_records(ledger.entries())[0].startswith(
        "Before this study, attendance records (export.csv;"
    )
    assert "This look was logged in the ledger of study" in done.page.read_text(encoding="utf-8")


# --- command -------------------------------------------------------------------------------------


def test_the_command_prints_the_answer_and_where_the_page_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["lookback", str(export(tmp_path))]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "No comparison can be made from these records" in out
    assert "export_lookback/lookback.html" in out.replace("\\", "/")


def test_options_reach_the_analysis_and_those_not_given_keep_their_defaults(tmp_path: Path) -> None:
    words = ["--landmark", "30", "--landmark", "60", "--weeks-to-begin", "6", "--lead", "landmark"]
    assert main(["lookback", str(export(tmp_path)), *words]) == 0
    assert TOLD[-1] == {"lead": "landmark", "landmarks": (30, 60), "grace_weeks": 6, "absence_days": 28}
    assert main(["lookback", str(export(tmp_path)), "--bootstrap", "200", "--absence", "56"]) == 0
    assert TOLD[-1] == {"lead": "session clock", "grace_weeks": 4, "absence_days": 56, "bootstrap": 200}


def test_json_goes_alone_to_standard_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lookback", str(export(tmp_path)), "--json"]) == 0
    plain = json.loads(capsys.readouterr().out)
    assert plain["answers"] == []
    assert plain["naive"] is None
    assert plain["rows_of_the_export"]["supplied"] == 60
    assert plain["page"].endswith("lookback.html")


def test_rows_that_were_not_understood_end_with_code_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = export(tmp_path)
    path.write_text(path.read_text() + "C01,never,T1,no\n")
    assert main(["lookback", str(path)]) == 1
    assert "row 62" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--column", "client"], "NAME=VALUE is wanted"),
        (["--adopted", "T1=soon"], "expected a date such as 2026-03-09"),
        (["--adopted", "T9=never"], "expected a trainer of the records"),
        (["--status", "x=y"], "expected words for attended"),
        (["--exported-on", "1.2.2025"], "a date such as 2026-03-09 is wanted"),
        (["--clients", "nowhere.csv"], "expected a file to read"),
        (["--lead", "naive"], "expected --lead, one of"),
        (["--horizon", "0"], "a whole number from 1 is wanted"),
    ],
)
def test_wrong_options_end_with_one_message_and_code_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], message: str
) -> None:
    try:
        code = main(["lookback", str(export(tmp_path)), *words])
    except SystemExit as stop:
        code = int(stop.code or 0)
    captured = capsys.readouterr()
    assert code == 2
    assert message in captured.err
    assert "Traceback" not in captured.err
    assert not (tmp_path / "export_lookback").exists()


# --- what is not clear is asked in a terminal, and said by options without one ----------------------


def test_words_on_partner_reps_are_asked_once_with_their_count(tmp_path: Path) -> None:
    lines = [
        f"C{n % 4},2025-03-{4 + n:02d},T1,{('ja', 'gut', 'nein', 'gut', 'so so')[n % 5]}" for n in range(20)
    ]
    somebody = Somebody("yes", "unknown")
    done = look_back_from(Wish(export(tmp_path, *lines)), asking=somebody)
    assert somebody.asked[0].startswith("8 rows have 'gut' under partner_reps")
    assert somebody.asked[1].startswith("4 rows have 'so so'")
    assert (done.log.session_partner_reps > 0).sum() == 12
    again = look_back_from(Wish(tmp_path / "export.csv"))
    assert again.log.session_partner_reps.tolist() == done.log.session_partner_reps.tolist()
    assert "mark &#39;gut&#39;" in again.page.read_text(encoding="utf-8")


def test_a_required_column_that_cannot_be_guessed_is_asked(tmp_path: Path) -> None:
    path = export(tmp_path, "C01,x4,2025-03-04", "C02,x5,2025-03-05", header="Kunde,what,Tag")
    with pytest.raises(DataError, match="--column client=NAME"):
        look_back_from(Wish(path))
    somebody = Somebody("Kunde", "yes")
    done = look_back_from(Wish(path), asking=somebody)
    assert somebody.asked[0] == "Which column is client?"
    assert done.log.clients == ("C01", "C02")


def silent_rows() -> list[str]:
    days = [*range(60), *range(130, 190)]
    start = np.datetime64("2025-01-06")
    return [f"C{n % 9},{start + day},T1,{('yes', 'no')[n % 2]}" for day in days for n in (day, day + 4)]


@pytest.mark.parametrize(("why", "closed"), [("closed", True), ("missing", True), ("empty", False)])
def test_a_silence_of_the_studio_is_asked_and_can_be_said(tmp_path: Path, why: str, closed: bool) -> None:
    path = export(tmp_path, *silent_rows())
    somebody = Somebody(why)
    done = look_back_from(Wish(path), asking=somebody)
    (asked,) = somebody.asked
    assert asked.startswith(
        "No session from 2025-03-07 to 2025-05-15. Was the studio closed, are they missing"
    )
    assert bool(done.log.closures) == closed
    assert bool(done.log.empty) != closed
    told = look_back_from(Wish(path, Said(gaps={"2025-03-07..2025-05-15": why}), out=tmp_path / "other"))
    assert (told.log.closures, told.log.empty) == (done.log.closures, done.log.empty)


def test_sheets_that_may_hold_sessions_are_asked_one_by_one(tmp_path: Path) -> None:
    book = Workbook()
    book.active.title = "2024"
    for title, header in (("2024", ("client", "date")), ("2025", ("client", "date", "room"))):
        sheet = book["2024"] if title == "2024" else book.create_sheet(title)
        sheet.append(header)
        for day in range(9):
            sheet.append((f"C{day % 3}", f"{title}-05-{10 + day}"))
    book.save(tmp_path / "export.xlsx")
    somebody = Somebody("no", "yes")
    done = look_back_from(Wish(tmp_path / "export.xlsx"), asking=somebody)
    assert somebody.asked[1:] == ["Does sheet '2024' hold sessions?", "Does sheet '2025' hold sessions?"]
    assert dict(done.log.rows.left_out) == {"on a sheet that was not read": 9}


def test_since_when_is_asked_only_where_members_were_there_before(tmp_path: Path) -> None:
    joined = tmp_path / "clients.csv"
    joined.write_text("client,joined_on\nC0,2024-02-01\nC1,2025-01-12\nC2,2025-01-11\nC3,2025-01-12\n")
    somebody = Somebody("2025-02-01")
    done = look_back_from(Wish(export(tmp_path), Said(tables={"clients": str(joined)})), asking=somebody)
    assert "first work with partner reps" in somebody.asked[0]
    assert done.log.practice_from == (np.datetime64("2025-02-01") - np.datetime64("1970-01-01")).astype(int)


def test_a_later_look_shows_the_earlier_one_beside_it(tmp_path: Path) -> None:
    path = export(tmp_path)
    first = look_back_from(Wish(path))
    same = look_back_from(Wish(path)).page.read_text(encoding="utf-8")
    assert "earlier look beside" not in same  # the same records again are no further look
    path.write_text(path.read_text() + "C01,2025-08-02,T1,yes\n")
    somebody = Somebody("not planned")
    page = look_back_from(Wish(path), asking=somebody).page.read_text(encoding="utf-8")
    assert somebody.asked == ["These records were looked at before. Was looking again planned then?"]
    assert "Looking again was not planned." in page
    assert str(np.datetime64(int(first.look.last_day), "D")) in page
    assert "2025-08-02" in page
    looks = json.loads((first.page.parent / "looks.json").read_text(encoding="utf-8"))
    assert [one["last_day"] for one in looks] == ["2025-07-15", "2025-08-02"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--mark", "gut=perhaps"], "expected words for yes, no, unknown"),
        (["--gap", "2025-03-01..2025-04-01=holiday"], "expected words for closed, missing, empty"),
        (["--gap", "March=closed"], "a stretch without sessions, FIRST..LAST"),
        (["--gap", "2025-04-01..2025-03-01=closed"], "expected the first day before the last"),
        (["--practice-from", "spring"], "a date such as 2026-03-09 is wanted"),
        (["--again", "perhaps"], "expected --again, planned or not planned; found perhaps"),
        (["--header-row", "0"], "a whole number from 1 is wanted"),
    ],
)
def test_wrong_words_on_what_the_records_do_not_say(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], message: str
) -> None:
    test_wrong_options_end_with_one_message_and_code_2(tmp_path, capsys, words, message)
