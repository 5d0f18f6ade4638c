"""An owner's four weeks with thirty mistakes: each is refused, asked about, or listed by name.

None reaches the results unseen. One study is made once and copied for each mistake; its clock stands still.
"""

from __future__ import annotations

import csv
import datetime as dt
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from studykit.errors import DataError
from studykit.protocol import local_time
from studykit.records.reading import read_records
from studykit.study import Study
from tests.support.answered import answer
from tests.support.reading_ease import ease_of, page_texts, words_of

Run = Callable[..., tuple[int, str, str]]
Rows = list[dict[str, str]]
START, NOW = dt.date(2026, 3, 2), dt.date(2026, 3, 31)  # the draws, and four weeks later
CLIENTS = tuple(f"C{number:02d}" for number in range(1, 9))
READY = ("C09", "C10")  # ready to be enrolled, and not enrolled yet


def stop_clock(patch: pytest.MonkeyPatch, day: dt.date) -> None:
    moment = dt.datetime.combine(day, dt.time(12), tzinfo=dt.UTC)
    patch.setattr(local_time, "_now", lambda: moment)


def table(folder: Path, name: str) -> tuple[list[str], Rows]:
    with (folder / "records" / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
        reader = csv.DictReader(file)
        rows = list(reader)
        return list(reader.fieldnames or ()), rows


def write(folder: Path, name: str, heading: list[str], rows: Rows) -> None:
    with (folder / "records" / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, heading, lineterminator="\n", extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)


def add(folder: Path, name: str, *rows: dict[str, str]) -> None:
    heading, before = table(folder, name)
    assert all(set(row) <= set(heading) for row in rows)
    write(folder, name, heading, [*before, *rows])


def change(folder: Path, name: str, code: str, /, **cells: str) -> None:
    """Other cells in the first row of a client or trainer."""
    heading, rows = table(folder, name)
    own = next(row for row in rows if row.get("client", row.get("trainer")) == code)
    own |= cells
    write(folder, name, heading, rows)


def pause(folder: Path, last_day: str) -> None:
    add(folder, "pauses", {"client": "C04", "first_day": "2026-03-28", "last_day": last_day})


def without(folder: Path, name: str, column: str) -> None:
    heading, rows = table(folder, name)
    write(folder, name, [one for one in heading if one != column], rows)


def edit(folder: Path, old: str, new: str) -> None:
    path = folder / "protocol.toml"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) >= 1
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def fill(folder: Path, study: Study) -> None:
    for name in ("screening", "clients", "trainers", "strength", "sessions", "harms", "pauses"):
        write(folder, name, table(folder, name)[0], [])
    add(folder, "trainers", *({"trainer": code, "signed_off_on": "2026-02-25", "observer": "OB"}
                              for code in ("T1", "T2", "T3")))  # fmt: skip
    add(folder, "trainers", {"trainer": "T4"})
    for number, client in enumerate((*CLIENTS, *READY)):
        day = "2026-03-20" if client in READY else "2026-02-26"
        add(folder, "screening",
            {"client": client, "date": day, "eligible": "yes", "cleared": "yes", "consented": "yes",
             "touch_consented": "yes", "consent_date": day})  # fmt: skip
        add(folder, "clients", {"client": client, "trainer": ("T1", "T2")[number % 2], "age": "41",
                                "sex": ("female", "male")[number // 2 % 2]})  # fmt: skip
        add(folder, "strength", *(
            {"client": client, "visit": "baseline", "date": day, "exercise": exercise.code,
             "load": f"{60 + 5 * number}", "unit": "kg", "repetitions": "10", "success": "yes"}
            for exercise in study.protocol.exercises
        ))  # fmt: skip


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Eight clients drawn on the first day, a session each a week for four weeks."""
    patch = pytest.MonkeyPatch()
    stop_clock(patch, START)
    study = Study.create(tmp_path_factory.mktemp("four weeks") / "mine")
    answer(study.folder)
    fill(study.folder, study)
    study.lock(by="OW")
    for client in CLIENTS:
        study.enrol(client, by="OW")
    given = {made.client: made.arm == "partner_reps" for made in study.allocated()}
    for week in range(4):
        for number, client in enumerate(CLIENTS):
            reps = "2" if given[client] else "0"
            day = str(START + dt.timedelta(days=3 + 7 * week))
            add(study.folder, "sessions", {
                "client": client, "date": day, "trainer": ("T1", "T2")[number % 2], "status": "attended",
                "conventional_sets": "6", "partner_reps": reps, "partner_sets": reps and str(int(reps) // 2),
                "harm_asked": "yes", "entered_on": day,
            })  # fmt: skip
    stop_clock(patch, NOW)
    Study.open(study.folder).enrol(READY[1], by="OW")  # the last draw has seen all tables
    yield study.folder
    patch.undo()


@pytest.fixture
def mine(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "mine"))


def test_four_weeks_without_a_mistake(mine: Path, run: Run) -> None:
    code, out, err = run("check", mine)
    assert (code, err) == (0, "")
    assert "stop " not in out
    assert "warn " not in out, out
    code, out, _ = run("today", mine, "--by", "OW")
    assert code == 0
    for nothing in ("Away", "Harms and news of health to follow up", "Ledger and records disagree",
                    "Partner reps although the arm has none"):  # fmt: skip
        assert f"{nothing}: none" in out
    assert len(Study.open(mine).rows()[0].clients.labels) == len(CLIENTS) + 1


ENROL: dict[str, tuple[Callable[[Path], None], str]] = {
    "a trainer who does not exist": (
        lambda mine: change(mine, "clients", "C09", trainer="T11"),
        "The trainer of C09, T11, is not in records/trainers. Is T1 meant?",
    ),
    "a trainer without sign-off": (
        lambda mine: change(mine, "clients", "C09", trainer="T4"),
        "The trainer of C09, T4, is not signed off for partner reps in records/trainers. Sign the",
    ),
    "no age": (lambda mine: change(mine, "clients", "C09", age=""), "The age of C09 is not recorded"),
    "too young": (
        lambda mine: change(mine, "clients", "C09", age="17"),
        "C09 is 17 years old; the protocol wants at least 18",
    ),
    "screening of last year": (
        lambda mine: change(mine, "screening", "C09", date="2025-10-26"),
        "The screening of C09 is 156 days old; the protocol wants it at most 90 days before the draw.",
    ),
    "consent of tomorrow": (
        lambda mine: change(mine, "screening", "C09", consent_date="2026-04-01"),
        "The consent of C09 is dated 2026-04-01, after today.",
    ),
    "not eligible": (
        lambda mine: change(mine, "screening", "C09", eligible="no"),
        "C09 does not meet the protocol's criteria.",
    ),
    "no sex, which the draw balances": (
        lambda mine: change(mine, "clients", "C09", sex=""),
        "The sex of C09 is not recorded in records/clients.",
    ),
    "sessions.csv lost before the draw": (
        lambda mine: (mine / "records" / "sessions.csv").unlink(),
        "records/sessions.csv: expected the table sessions, as at ledger entry",
    ),
    "a trainer who has left": (
        lambda mine: Study.open(mine) and _leave(mine),
        "The trainer of C09 left (2026-03-31). Enter in records/clients who trains the client.",
    ),
    "records that are locked": (lambda mine: _lock_data(mine), "expected open records; found a data lock"),
}


def _leave(mine: Path) -> None:
    from studykit.cli import main

    assert main(["handover", str(mine), "T1", "--to", "T3", "--reason", "moves away", "--by", "OW"]) == 0


def _lock_data(mine: Path) -> None:
    from studykit.cli import main

    assert main(["note", str(mine), "--what", "data_lock", "--reason", "closed", "--by", "OW"]) == 0


@pytest.mark.parametrize("mistake", ENROL)
def test_no_draw_and_no_question(mistake: str, mine: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """What speaks against a draw is said before anybody is asked, and nothing is drawn."""
    make, words = ENROL[mistake]
    make(mine)
    before = len(Study.open(mine).entries())
    monkeypatch.setattr("studykit.commands.is_interactive", lambda: True)
    monkeypatch.setattr("builtins.input", lambda prompt: pytest.fail(f"asked: {prompt}"))
    code, _, err = run("enrol", mine, "C09", "--by", "OW")
    assert code == 2
    assert words in err
    assert len(Study.open(mine).entries()) == before


def test_a_lapsed_sign_off_is_said_before_the_draw_and_refuses_nothing(mine: Path, run: Run) -> None:
    """T3 was signed off five weeks ago and has no practice; T1 and T2 have."""
    words = "LOOK AT: The sign-off of T3 for partner reps has lapsed after 2026-03-25. Check T3 anew"
    assert "LOOK AT" not in str(Study.open(mine).enrolment("C09").text())
    change(mine, "clients", "C09", trainer="T3")
    assert words in Study.open(mine).enrolment("C09").text()
    code, out, _ = run("enrol", mine, "C09", "--by", "OW", "--yes")
    assert code == 0
    assert words in out
    change(mine, "trainers", "T3", signed_off_on="2026-03-30")
    change(mine, "clients", "C10", trainer="T3")
    assert "lapsed" not in Study.open(mine).enrolment("C10").text()


def test_what_the_protocol_does_not_use_is_no_reason(mine: Path, run: Run) -> None:
    change(mine, "clients", "C09", training_age="", preference="", joined_on="")
    assert run("enrol", mine, "C09", "--by", "OW", "--yes")[0] == 0


CHECK: dict[str, tuple[Callable[[Path], None], str, bool]] = {
    "a baseline changed after the draw": (
        lambda mine: change(mine, "strength", "C01", load="220"),
        "records of C01: expected leg_press baseline 60, as when C01 was drawn; found 220.",
        True,
    ),
    "a baseline test removed": (
        lambda mine: change(mine, "strength", "C01", success="no"),
        "records of C01: expected leg_press baseline 60, as when C01 was drawn; found none.",
        True,
    ),
    "age changed after the draw": (
        lambda mine: change(mine, "clients", "C02", age="61"),
        "records of C02: expected age 41, as when C02 was drawn; found 61.",
        False,
    ),
    "eligible changed after the draw": (
        lambda mine: change(mine, "screening", "C02", eligible="no"),
        "records of C02: expected eligible yes, as when C02 was drawn; found no.",
        False,
    ),
    "another trainer in the records": (
        lambda mine: change(mine, "clients", "C03", trainer="T3"),
        "expected T1, as C03 was allocated; found T3",
        False,
    ),
    "sessions.csv deleted": (
        lambda mine: (mine / "records" / "sessions.csv").unlink(),
        "records/sessions.csv: expected the table sessions, as at ledger entry 11, 2026-03-31; found none.",
        True,
    ),
    "the column trainer is gone": (
        lambda mine: without(mine, "sessions", "trainer"),
        "records/sessions.csv, row 1: expected the column trainer, as at ledger entry 11, 2026-03-31",
        True,
    ),
    "rows removed": (
        lambda mine: write(mine, "sessions", table(mine, "sessions")[0], table(mine, "sessions")[1][:-2]),
        "records/sessions.csv: expected 32 rows at least, as at ledger entry 11, 2026-03-31; found 30.",
        False,
    ),
    "a pause of a hundred days": (
        lambda mine: pause(mine, "2026-07-05"),
        "found 100 days of C04. Only 28 stop the clock, until 2026-04-24",
        False,
    ),
    "dates with the day first": (
        lambda mine: change(mine, "strength", "C01", date="03/04/2026"),
        "studykit check STUDY --date-order day",
        True,
    ),
    "pounds written into the load": (
        lambda mine: change(mine, "strength", "C01", load="132 lb"),
        "expected a load in kg, as the column unit says; found one in lb",
        True,
    ),
    "a client who does not exist": (
        lambda mine: change(mine, "sessions", "C01", client="C41"),
        "expected a client of clients.csv; found C41",
        True,
    ),
}  # fmt: skip


@pytest.mark.parametrize("mistake", CHECK)
def test_found_by_check(mistake: str, mine: Path, run: Run) -> None:
    """Named by ``check``; what would move the answer stops it, the rest is told with the results."""
    make, words, stops = CHECK[mistake]
    make(mine)
    code, out, _ = run("check", mine)
    assert words in out, out
    assert code == (1 if stops else 0)
    study = Study.open(mine)
    if stops:
        with pytest.raises(DataError):
            study.rows()
    else:
        assert any(words in str(finding) for finding in study.rows()[1]), "told with the results"


def test_a_change_after_the_draw_is_found_by_the_audit_and_explained_by_a_correction(
    mine: Path, run: Run
) -> None:
    change(mine, "strength", "C01", load="65")
    assert "expected leg_press baseline 60, as when C01 was drawn; found 65" in run("audit", mine)[1]
    words = (
        "correct",
        mine,
        "C01",
        "--fact",
        "leg_press baseline",
        "--reason",
        "paper says 65",
        "--by",
        "OW",
    )
    assert "expected a score such as 81.5" in run(*words, "--value", "much")[2]
    assert "expected a value other than the one that stands; found '60'" in run(*words, "--value", "60")[2]
    assert run(*words, "--value", "65")[0] == 0
    assert "leg_press baseline" not in run("check", mine)[1] + run("audit", mine)[1]


def test_strata_and_audit_agree_after_a_correction(mine: Path, run: Run) -> None:
    before = Study.open(mine).audit().balance
    assert (
        run("correct", mine, "C01", "--fact", "trainer", "--value", "T1", "--reason", "x", "--by", "OW")[0]
        == 2
    )
    assert (
        run("correct", mine, "C01", "--fact", "trainer", "--value", "T3", "--reason", "x", "--by", "OW")[0]
        == 0
    )
    study = Study.open(mine)
    rows = {row.level: sum(row.counts) for row in study.audit().balance if row.factor == "trainer"}
    assert rows == {"T1": 3, "T2": 5, "T3": 1}
    assert {row.level: sum(row.counts) for row in before if row.factor == "trainer"} == {"T1": 4, "T2": 5}
    assert study.allocated()[0].trainer == study.allocated()[0].factors["trainer"] == "T3"


def _no_sessions_of(mine: Path, *clients: str) -> None:
    heading, rows = table(mine, "sessions")
    write(
        mine,
        "sessions",
        heading,
        [{**row, "status": "no show"} if row["client"] in clients else row for row in rows],
    )


TODAY: dict[str, tuple[Callable[[Path], None], str]] = {
    "two clients gone": (
        lambda mine: _no_sessions_of(mine, "C05", "C06"),
        "C05: 29 countable days, never seen: 28 days count as having left",
    ),
    "a harm that is not over": (
        lambda mine: add(mine, "harms", {"client": "C02", "date": "2026-03-12", "kind": "sore knee",
                                         "severity": "moderate", "serious": "no", "expected": "no",
                                         "related": "possible"}),
        "C02: moderate: sore knee, 2026-03-12, no end recorded",
    ),
    "a pause that ends": (
        lambda mine: pause(mine, "2026-04-04"),
        "C04: pause ends on 2026-04-04",
    ),
    "a session without its numbers": (
        lambda mine: change(mine, "sessions", "C03", partner_reps="", trainer=""),
        "C03: 2026-03-05 trainer, partner_reps",
    ),
    "a trainer without sign-off": (lambda _: None, "T4: not signed off for partner reps"),
    "a sign-off that was never used": (
        lambda _: None, "T3: signed off on 2026-02-25, not yet used: LAPSED after 2026-03-25",
    ),
    "a baseline changed": (
        lambda mine: change(mine, "strength", "C01", load="220"),
        "records of C01: expected leg_press baseline 60, as when C01 was drawn; found 220.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("mistake", TODAY)
def test_listed_by_today(mistake: str, mine: Path, run: Run) -> None:
    make, words = TODAY[mistake]
    make(mine)
    code, out, _ = run("today", mine)
    assert code == 0
    assert words in out, out
    page = (mine / "results" / "today.html").read_text(encoding="utf-8")
    assert words.split(": ", 1)[1] in page.replace("&#39;", "'")


def test_left_without_notice_is_named_by_check_too(mine: Path, run: Run) -> None:
    _no_sessions_of(mine, "C05", "C06")
    out = run("check", mine)[1]
    assert "none for 2 of 9 clients, away for up to 29 countable days: C05, C06." in out


def test_conventional_clients_with_partner_reps_are_told_to_those_who_may_know(mine: Path, run: Run) -> None:
    client = next(made for made in Study.open(mine).allocated() if made.arm == "conventional").client
    change(mine, "sessions", client, partner_reps="3", partner_sets="1")
    words = f"{client}: conventional sets, partner reps in 1 sessions, last 2026-03-05"
    assert words in run("today", mine, "--by", "OW")[1]
    for blind in ((), ("--by", "TE"), ("--by", "RE")):
        out = run("today", mine, *blind)[1]
        assert "conventional sets" not in out
        assert "partner reps in" not in out
        assert "Partner reps although the arm has none" not in out, "nothing is not said where something is"
        page = (mine / "results" / "today.html").read_text(encoding="utf-8")
        assert "conventional sets" not in page
        assert "Without arms." in page


def test_today_begins_with_what_it_means(mine: Path, run: Run, tmp_path: Path) -> None:
    """One sentence of at most 25 words: who may train, how much there is to see to; on the page too."""
    said = ["All 9 clients may train today: see to the 2 things listed below."]
    assert run("today", mine)[1].splitlines()[0] == said[0]
    add(mine, "harms", {"client": "C03", "date": "2026-03-30", "kind": "dizziness", "severity": "severe",
                        "serious": "no", "expected": "no", "related": "possible"})  # fmt: skip
    said.append("1 of 9 clients may not train today: read why below, and see to the 3 other things listed.")
    assert run("today", mine)[1].splitlines()[0] == said[1]
    assert f"<p>{said[1]}</p>" in (mine / "results" / "today.html").read_text(encoding="utf-8")
    everybody = [{"client": code, "date": "2026-03-30", "reason": "moved away"} for code in (*CLIENTS, "C10")]
    for one in everybody:
        add(mine, "departures", one)
    said.append(run("today", mine)[1].splitlines()[0])
    assert said[2].startswith("Nobody is in training today: see to the")
    empty = Study.create(tmp_path / "empty").folder
    write(empty, "harms", table(empty, "harms")[0], [])
    said.append(run("today", empty)[1].splitlines()[0])
    assert said[3].startswith("No client has been enrolled yet")
    assert all(len(words_of(one)) <= 25 for one in said)


def test_the_page_of_the_day_is_easily_read(mine: Path, run: Run) -> None:
    """At most 25 words a sentence, 15 on average, an index of 8 at most; with arms, harms and departures."""
    add(mine, "harms", {"client": "C03", "date": "2026-03-30", "kind": "dizziness", "severity": "severe",
                        "serious": "no", "expected": "no", "related": "possible"})  # fmt: skip
    _no_sessions_of(mine, "C05", "C06")
    run("today", mine, "--by", "OW")
    page = (mine / "results" / "today_with_arms.html").read_text(encoding="utf-8")
    ease = ease_of(page_texts(page))
    assert ease.most <= 25, ease
    assert (ease.average <= 15, ease.index <= 8) == (True, True), ease


@pytest.mark.parametrize(
    "words",
    [
        ("today", "mine"),
        ("sheet", "mine", "C01"),
        ("sheet", "mine", "C01", "--test"),
        ("audit", "mine"),
        ("lookback", "--demo", "--study", "mine"),
    ],
)
def test_a_code_that_nobody_has_is_refused(
    mine: Path, run: Run, words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the codes that there are; a trainer's own code is none of these."""
    monkeypatch.chdir(mine.parent)
    entries = len(Study.open(mine).read().entries)
    code, out, err = run(*words, "--by", "ZZ")
    assert (code, out) == (2, "")
    assert "by: expected a code of the protocol's roles or of a trainer: OW, RE, TE, SR, T1, T2" in err
    assert "found 'ZZ'. Give your own code" in err
    assert not (mine / "results" / "sheets").exists()
    assert len(Study.open(mine).read().entries) == entries
    if words[0] != "lookback":
        assert run(*words, "--by", "t1")[0] in (0, 1)


def test_the_testers_sheet_takes_no_trainer(mine: Path, run: Run) -> None:
    code, _, err = run("sheet", mine, "C01", "--test", "--trainer", "T99")
    assert code == 2
    assert "expected no --trainer beside --test; found 'T99'" in err


@pytest.mark.parametrize(
    "act",
    [
        ("note", "mine", "--what", "data_lock"),
        ("handover", "mine", "T1", "--to", "T2"),
        ("correct", "mine", "C01", "--fact", "age", "--value", "42"),
    ],
)
def test_what_came_after_the_last_draw_is_missed_too(
    mine: Path, run: Run, act: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows and a table that a later entry saw; an entry after that without them changes nothing."""
    monkeypatch.chdir(mine.parent)
    news = mine / "records" / "health.csv"
    add(mine, "health", {"client": "C02", "date": "2026-03-30", "kind": "illness or fever",
                         "settled_on": "2026-03-31"})  # fmt: skip
    assert run(*act, "--reason", "to see", "--by", "OW")[0] == 0
    entry = Study.open(mine).read().entries[-1].position
    write(mine, "health", table(mine, "health")[0], [])
    run("note", "mine", "--what", "reopening", "--reason", "to forget", "--by", "OW")
    code, out, _ = run("check", "mine")
    assert code == 1
    assert f"records/health.csv: expected 1 rows at least, as at ledger entry {entry}, 2026-03-31" in out
    news.unlink()
    out = run("check", "mine")[1]
    assert f"records/health.csv: expected the table health, as at ledger entry {entry}, 2026-03-31" in out


def test_tests_are_due_by_name_with_their_window(
    mine: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop_clock(monkeypatch, dt.date(2026, 4, 5))
    assert "C01: week_6, 2026-04-03 to 2026-04-23" in run("today", mine)[1]
    assert "due now: C01 week_6, C02 week_6" in run("check", mine)[1]


def test_messages_are_due_two_days_after_partner_reps(
    mine: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = next(made for made in Study.open(mine).allocated() if made.arm == "partner_reps").client
    stop_clock(monkeypatch, dt.date(2026, 3, 14))
    heading, rows = table(mine, "sessions")
    write(mine, "sessions", heading, [row for row in rows if row["date"] <= "2026-03-14"])
    assert f"{client}: partner reps on 2026-03-12: due today." in run("today", mine, "--by", "OW")[1]
    assert "due today" not in run("today", mine)[1]


def test_all_sheets_are_one_file_for_those_who_may_know(mine: Path, run: Run) -> None:
    assert run("today", mine)[0] == 0
    assert not (mine / "results" / "sheets").exists()
    out = run("today", mine, "--by", "T1")[1]  # a trainer: the own clients only
    page = (mine / "results" / "sheets" / "today.html").read_text(encoding="utf-8")
    own = [client.client for client in Study.open(mine).allocated() if client.trainer == "T1"]
    assert [client for client in CLIENTS if f"<b>{client}</b>" in page] == own
    assert page.count("<body") == page.count("</html>") == 1
    assert "C02: may train, with T2\n" in out
    run("today", mine, "--by", "OW")
    page = (mine / "results" / "sheets" / "today.html").read_text(encoding="utf-8")
    assert all(f"<b>{client}</b>" in page for client in CLIENTS)


def test_a_trainer_who_leaves_hands_over(mine: Path, run: Run) -> None:
    _leave(mine)
    study = Study.open(mine)
    assert "trainer T3" in study.sheet("C01").read_text(encoding="utf-8")
    assert study.allocated()[0].trainer == "T1", "the analysis keeps the trainer of the draw"
    assert "an entry of the kind handover: moves away" in run("audit", mine)[1]
    words = ("handover", mine, "T1", "--to", "T9", "--reason", "x", "--by", "OW")
    assert "expected a trainer of records/trainers: T1, T2, T3, T4; found 'T9'" in run(*words)[2]
    words = ("handover", mine, "T3", "--to", "T1", "--client", "C99", "--reason", "x", "--by", "OW")
    theirs = ", ".join(client.client for client in study.allocated() if client.trainer in {"T1", "T3"})
    assert f"expected a client of T3: {theirs}; found 'C99'" in run(*words)[2]


def _look(mine: Path) -> None:
    ledger = Study.open(mine).ledger
    assert ledger is not None
    ledger.append("look", {"reason": "asked", "planned_look": 0, "records": "x"}, by="OW")


def test_an_amendment_says_what_it_does_and_asks(mine: Path, run: Run) -> None:
    edit(mine, "day = 42", "day = 42\nwindow = [-12, 12]")
    code, out, err = run("amend", mine, "--by", "OW", "--reason", "longer holidays")
    assert code == 2
    assert "visits 'week_6', window: [-10, 10] -> [-12, 12]" in out
    assert (
        "Tests of the 9 clients already drawn, done ones too, are judged by the new days and windows." in out
    )
    assert "expected a yes to the changes above" in err
    _look(mine)
    code, out, err = run("amend", mine, "--by", "OW", "--reason", "longer holidays", "--yes")
    assert code == 0
    assert (
        "LOOK AT: amendment, visits 'week_6', window: expected no change after results by arm were seen"
        in out
    )


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('primary_visit = "week_12"', 'primary_visit = "week_6"'),
        ("day = 84", "day = 98"),
        ('primary_visit = "week_12"', 'primary_visit = "week_12"\nestimand.population = "those who came"'),
        ('role = "primary"', 'role = "secondary"'),
    ],
)  # fmt: skip
def test_after_a_look_what_is_confirmed_stays(old: str, new: str, mine: Path, run: Run) -> None:
    _look(mine)
    edit(mine, old, new)
    code, _, err = run("amend", mine, "--by", "OW", "--reason", "it looks better", "--yes")
    assert code == 2
    assert not any(entry.kind == "amendment" for entry in Study.open(mine).entries())
    assert "expected the primary outcome, its visit and its estimand as they were" in err


@pytest.mark.parametrize(
    ("old", "new", "asked"),
    [
        ("smallest_worthwhile = 3.0", "smallest_worthwhile = 0.03", "Is 3 meant?"),
        ("smallest_worthwhile = 3.0", 'smallest_worthwhile = "0.03 %"', ""),
        ("smallest_worthwhile = 5.0", "smallest_worthwhile = 0.05", "Is 5 meant?"),
        ("smallest_worthwhile = 3.0", 'smallest_worthwhile = "3 %"', ""),
        ("[cautions]", '[fidelity]\ngood_share = "80 %"\n[cautions]', ""),
        ("[cautions]", "[analysis]\ndelta_steps = [0.05]\n[cautions]", "Are per cent meant?"),
    ],
)
def test_per_cent_and_shares_are_not_confused(old: str, new: str, asked: str, tmp_path: Path) -> None:
    study = Study.create(tmp_path / "new")
    edit(study.folder, old, new)
    found = [str(finding) for finding in study.check().findings]
    assert (
        any(asked in finding for finding in found)
        if asked
        else study.check().headline.startswith("in order (0")
    )
    if "3 %" in new:
        (outcome, *_) = study.protocol.continuous_outcomes
        assert outcome.smallest_worthwhile == (3.0 if "0.0" not in new else 0.03)


def test_reading_results_is_logged_once_whatever_fails_afterwards(
    mine: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", "report.html")

    monkeypatch.setattr("studykit.study.Study.save", full)
    monkeypatch.setattr("studykit.outcomes.analyse.analyse_rows", lambda *_, **__: "results")
    words = ("report", mine, "--look-by", "OW", "--look-reason", "asked", "--yes")
    assert "No space left on device" in run(*words)[2]
    assert "1 look(s) at results by arm" in run("audit", mine)[1]
    assert run(*words)[0] == 2
    assert "1 look(s) at results by arm" in run("audit", mine)[1]
    assert Study.open(mine).read().looks[0].body["planned_look"] == 0, "no planned look is used up"


def test_a_local_spreadsheet_is_understood_and_noted(mine: Path, run: Run) -> None:
    """Day first, date serials and times, decimal commas, capitals and blanks: each once noted, none lost."""
    before = read_records(mine / "records", protocol=Study.open(mine).protocol)
    heading, rows = table(mine, "strength")
    for number, row in enumerate(rows):
        day = dt.date.fromisoformat(row["date"])
        serial = str((day - dt.date(1899, 12, 30)).days)
        row["date"] = (f"{day:%d/%m/%Y}", f"{day} 17:30", serial, f"{day:%d.%m.%Y} 9:15")[number % 4]
        row["exercise"] = row["exercise"].replace("_", " ").capitalize()
        row["client"] = row["client"].lower().replace("c", "c ")
        row["load"] = (f"{row['load']},0", f"{row['load']}.0", f"{row['load']} kg")[number % 3]
        row["success"] = "Y"
    write(mine, "strength", heading, rows)
    change(mine, "strength", "c 01", date="03/04/2026")
    out = run("check", mine)[1]
    assert "records/strength.csv, row 2, column date: expected a date as YYYY-MM-DD; found 03/04/2026" in out
    change(mine, "strength", "c 01", date="26/02/2026")
    code, out, _ = run("check", mine, "--date-order", "day")
    assert code == 0, out
    after = read_records(mine / "records", protocol=Study.open(mine).protocol)
    assert all(finding.severity == "note" for finding in after.findings)
    of_strength = [finding for finding in after.findings if "strength" in finding.where]
    assert len(of_strength) == 6, "one note for a kind"
    for name, column in before["strength"].columns.items():
        assert (
            after["strength"].columns[name].tolist() == pytest.approx(column.tolist(), nan_ok=True)
            if (column.dtype == float)
            else after["strength"].columns[name].tolist() == column.tolist()
        )


def test_the_order_of_dates_is_asked_once(mine: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    change(mine, "strength", "C01", date="03/01/2026")
    asked: list[str] = []
    monkeypatch.setattr("studykit.commands.is_interactive", lambda: True)
    monkeypatch.setattr("builtins.input", lambda prompt: asked.append(prompt) or "month")
    assert run("check", mine)[0] == run("check", mine)[0] == 0
    assert len(asked) == 1
    assert str(Study.open(mine).records()["strength"].columns["date"][0]) == "2026-03-01"


def test_findings_of_one_kind_are_one_line(mine: Path, run: Run) -> None:
    heading, rows = table(mine, "strength")
    write(mine, "strength", heading, [{**row, "date": "03/04/2026"} for row in rows])
    out = run("check", mine)[1]
    assert f"records/strength.csv, column date: {len(rows)} rows, first row 2: expected a date" in out
    assert out.count("03/04/2026") == 1
