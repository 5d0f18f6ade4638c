"""The session sheet from the command line: the demo study, an owner's new study, and mistakes."""

from __future__ import annotations

import csv
import datetime as dt
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from studykit.cli import main
from studykit.report.wording_check import text_of
from studykit.shipped import shipped
from studykit.study import Study
from tests.support.answered import answered

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*words: str | Path) -> tuple[int, str, str]:
        try:
            code = main([str(word) for word in words])
        except SystemExit as stop:  # argparse ends this way
            code = int(stop.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return call


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    return Path(shutil.copytree(shipped("synthetic_data") / "demo_study", tmp_path / "demo"))


def days_with_partner_reps(folder: Path) -> dict[str, list[dt.date]]:
    """Days with partner reps of each client, straight from the file: a second way to the ramp-in."""
    found: dict[str, list[dt.date]] = {}
    with (folder / "records" / "sessions.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["status"] == "attended" and int(row["partner_reps"] or 0) > 0:
                found.setdefault(row["client"], []).append(dt.date.fromisoformat(row["date"]))
    return found


def last_day(folder: Path) -> dt.date:
    with (folder / "records" / "sessions.csv").open(encoding="utf-8", newline="") as file:
        return max(dt.date.fromisoformat(row["date"]) for row in csv.DictReader(file))


def test_every_client_of_the_demo_study(demo: Path) -> None:
    """The cap follows from each client's own sessions; no client of the reference arm has one."""
    study, today = Study.open(demo), last_day(demo) + dt.timedelta(days=1)
    protocol, given = study.protocol, days_with_partner_reps(demo)
    from studykit.outcomes.session_plan import session_plan

    records = study.records()
    allocated = study.allocated()
    allowed, met = 0, set()
    for entry in allocated:
        plan = session_plan(protocol, records, client=entry.client, allocated=allocated, today=today)
        if entry.arm == protocol.reference_arm.code:
            assert plan.cap == 0
            assert not plan.planned
            met.add("reference arm")
            continue
        allowed += plan.allowed
        days = given.get(entry.client, [])
        away = not days or (today - days[-1]).days > 42
        if plan.allowed and away:
            assert (plan.cap, plan.exercises_today) == (2, 1)
            met.add("away")
        elif plan.allowed and len(days) > 40:
            assert plan.cap == 3
            met.add("practised")
        if days and (today - days[-1]).days < 2:
            assert plan.cap == 0
            met.add("yesterday")
    assert allowed >= 5
    assert met == {"reference arm", "away", "practised", "yesterday"}, (
        "the demo study has each kind of client"
    )


def test_one_client_of_the_demo_study(demo: Path, run: Run) -> None:
    study = Study.open(demo)
    today = last_day(demo) + dt.timedelta(days=3)
    reference = study.protocol.reference_arm.code
    client = next(entry.client for entry in study.allocated() if entry.arm == reference)
    before = {path: path.read_bytes() for path in demo.rglob("*") if path.is_file()}
    code, out, err = run("sheet", demo, client.lower(), "--date", str(today))
    assert code == 0, err
    assert "No partner reps for this client." in out
    page = demo / "results" / "sheets" / f"{client}.html"
    assert str(page) in out
    assert "No partner reps for this client" in text_of(page.read_text(encoding="utf-8"))
    assert (demo / "results" / "take_home.html").is_file()
    assert {path: path.read_bytes() for path in before} == before  # records and ledger are as they were
    assert study.sheet(client, today=today) == page


def test_a_day_before_the_last_session_withholds(demo: Path, run: Run) -> None:
    client, days = next(iter(sorted(days_with_partner_reps(demo).items())))
    code, out, _ = run("sheet", demo, client, "--date", str(days[0] + dt.timedelta(days=3)), "--json")
    answer = json.loads(out)
    assert answer["planned"]
    assert code == 1
    assert "date" in {reason["code"] for reason in answer["withheld"]}
    assert answer["cap"] == 0
    assert Path(answer["sheet"]).is_file()
    assert answer["dose"]["hours_between"] == 48.0


# --- an owner's own study ----------------------------------------------------------------------------


def add_rows(folder: Path, table: str, *rows: dict[str, str]) -> None:
    path = folder / "records" / f"{table}.csv"
    with path.open(encoding="utf-8-sig", newline="") as file:
        heading = next(csv.reader(file))
    assert all(set(row) <= set(heading) for row in rows), (heading, rows)
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.DictWriter(file, heading, lineterminator="\n").writerows(rows)


def ahead(days: int) -> str:
    """So many days from today, asked when the test runs: commands ask for the day themselves."""
    return (dt.date.today() + dt.timedelta(days=days)).isoformat()  # noqa: DTZ011 — the studio's day


def back(days: int) -> str:
    return ahead(-days)


@pytest.fixture
def mine(tmp_path: Path, run: Run) -> Path:
    """A new study with a signed-off trainer and four clients who are ready, not locked yet."""
    folder = tmp_path / "mine"
    assert run("new", folder, "--defaults")[0] == 0
    path = folder / "protocol.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(
        answered(text).replace("local = []", 'local = ["Mind the <low> beam."]'), encoding="utf-8"
    )
    add_rows(folder, "trainers", {"trainer": "T1", "signed_off_on": back(20), "observer": "OB"})
    study = Study.open(folder)
    baseline = study.protocol.baseline_visits[0].code
    for client in ("C001", "C002", "C003", "C004"):
        add_rows(
            folder, "screening",
            {"client": client, "date": back(3), "eligible": "yes", "cleared": "yes", "consented": "yes",
             "touch_consented": "yes", "consent_date": back(3)},
        )  # fmt: skip
        add_rows(folder, "clients", {"client": client, "trainer": "T1", "age": "41", "sex": "female"})
        for exercise in study.protocol.exercises:
            add_rows(
                folder, "strength",
                {"client": client, "visit": baseline, "date": back(3), "exercise": exercise.code,
                 "load": "60", "unit": exercise.unit, "repetitions": "10", "success": "yes"},
            )  # fmt: skip
    return folder


def enrol_all(folder: Path, run: Run) -> dict[str, str]:
    """Lock and enrol four clients; a block of two or four leaves at least one in each arm."""
    assert run("lock", folder, "--by", "OW", "--yes")[0] == 0
    for client in ("C001", "C002", "C003", "C004"):
        code, _, err = run("enrol", folder, client, "--by", "OW", "--yes")
        assert code == 0, err
    return {entry.arm: entry.client for entry in Study.open(folder).allocated()}


def test_an_owners_study_day_by_day(mine: Path, run: Run) -> None:
    by_arm = enrol_all(mine, run)
    client = by_arm["partner_reps"]
    code, out, err = run("sheet", mine, client)
    assert code == 0, err
    assert "step 1 of 2 of the ramp-in, session 1 with partner reps. At most 2 in a set, on at most 1" in out
    page = mine / "results" / "sheets" / f"{client}.html"
    html = page.read_text(encoding="utf-8")
    assert "Mind the &lt;low&gt; beam." in html
    assert re.search(r"Message to the client 48 hours later", html)

    session = {"client": client, "date": back(0), "trainer": "T1", "status": "attended",
               "partner_reps": "2", "partner_sets": "1", "harm_asked": "yes"}  # fmt: skip
    add_rows(mine, "sessions", session)
    code, out, _ = run("sheet", mine, client)
    assert code == 1
    assert "less than 48 hours before today" in out
    later = ahead(3)
    code, out, _ = run("sheet", mine, client, "--date", later)
    assert code == 0
    assert "session 2 with partner reps" in out

    code, out, _ = run("sheet", mine, client, "--date", ahead(29))
    assert code == 1
    assert "sign-off of trainer T1 lapsed" in out

    harm = {"client": by_arm["conventional"], "date": back(0), "kind": "fainted",
            "severity": "severe", "serious": "yes", "expected": "no", "related": "possible"}  # fmt: skip
    add_rows(mine, "harms", harm)
    code, out, _ = run("sheet", mine, client, "--date", later)
    assert code == 1
    assert "The pause rule on harms has struck" in out
    assert "No partner reps today" in page.read_text(encoding="utf-8")
    code, out, _ = run("sheet", mine, by_arm["conventional"], "--date", str(later))
    assert code == 1
    assert out.startswith("No training today before a licensed practitioner clears the client in writing")


def test_before_the_lock_there_is_no_sheet(mine: Path, run: Run) -> None:
    code, out, err = run("sheet", mine, "C001")
    assert (code, out) == (2, "")
    assert "expected allocated clients; found none. Lock the protocol and enrol clients first" in err
    assert not (mine / "results").exists()


def test_mistakes_end_with_one_message(mine: Path, run: Run) -> None:
    assert run("lock", mine, "--by", "OW", "--yes")[0] == 0
    assert run("enrol", mine, "C001", "--by", "OW", "--yes")[0] == 0
    for words, message in (
        (("C002",), "found one without an arm. Enrol the client first"),
        (("C0O1",), "found none of this code. Is C001 meant?"),
        (("../C001",), "found none of this code"),
        (("C001", "--trainer", "T7"), "expected a trainer of records/trainers; found none of this code"),
        (("C001", "--date", "3.4.2026"), "a date such as 2026-03-09 is wanted"),
    ):
        code, out, err = run("sheet", mine, *words)
        assert (code, out) == (2, ""), words
        assert message in err
    assert not (mine / "results" / "sheets").exists()
    code, out, _ = run("sheet", "--help")
    assert code == 0
    assert "Example: studykit sheet my_study C014" in out


def test_an_unreadable_session_withholds_partner_reps(mine: Path, run: Run) -> None:
    client = enrol_all(mine, run)["partner_reps"]
    add_rows(
        mine, "sessions",
        {"client": client, "date": "31.02.2026", "trainer": "T1", "status": "attended", "partner_reps": "2"},
    )  # fmt: skip
    code, out, _ = run("sheet", mine, client)
    assert code == 1
    assert "Records that are needed cannot be used as they stand: " in out
    assert "sessions.csv" in out


def test_a_trial_allocated_elsewhere_with_codes_that_are_no_file_names(mine: Path, run: Run) -> None:
    """The arm comes from records/allocation; a code with a slash writes inside results/sheets only."""
    add_rows(
        mine, "screening",
        {"client": "../C2", "date": back(3), "eligible": "yes", "cleared": "yes", "consented": "yes",
         "touch_consented": "yes"},
    )  # fmt: skip
    path = mine / "protocol.toml"
    text = path.read_text(encoding="utf-8")
    start = text.index('method = "permuted blocks"')
    end = text.index("\n", text.index("block_sizes", start))
    path.write_text(text[:start] + 'method = "external"' + text[end:], encoding="utf-8")
    (mine / "records" / "allocation.csv").write_text(
        f"client,arm,date\nC001,conventional,{back(2)}\n../C2,conventional,{back(2)}\n", encoding="utf-8"
    )
    code, out, err = run("sheet", mine, "C001")
    assert code == 0, err
    code, out, err = run("sheet", mine, "../C2", "--json")
    assert code == 0, err
    page = Path(json.loads(out)["sheet"])
    assert page.resolve().parent == (mine / "results" / "sheets").resolve()
    assert re.fullmatch(r"client-[0-9a-f]{16}\.html", page.name)


# --- who may not train -------------------------------------------------------------------------------


def read_rows(folder: Path, table: str) -> list[dict[str, str]]:
    with (folder / "records" / f"{table}.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def set_cells(folder: Path, table: str, client: str, **cells: str) -> None:
    rows = read_rows(folder, table)
    assert sum(row["client"] == client for row in rows) == 1
    with (folder / "records" / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({**row, **cells} if row["client"] == client else row for row in rows)


HARM = {"date": "2025-12-01", "expected": "no", "related": "no"}
GRAVE = {"kind": "muscle breakdown", "severity": "severe", "serious": "yes", "action": "hospital"}
PREGNANT = {"date": "2025-12-01", "reason": "pregnancy"}
FAINT = {"kind": "fainted", "severity": "mild", "serious": "no"}


@pytest.mark.parametrize(
    ("table", "cells", "code", "settled"),
    [
        ("harms", {**HARM, **GRAVE}, "harm", {"outcome": "recovered, cleared 2025-12-10"}),
        ("harms", {**HARM, **FAINT}, "harm", {"outcome": "gone after an hour"}),
        ("departures", PREGNANT, "pregnancy", {"note": "cleared 2025-12-10"}),
        ("screening", {"cleared": "no"}, "clearance", {"cleared": "yes"}),
        ("screening", {"consented": "no"}, "consent", {"consented": "yes"}),
    ],
    ids=["muscle breakdown", "fainted", "pregnancy", "clearance", "consent"],
)  # fmt: skip
@pytest.mark.parametrize("arm", ["conventional", "partner_reps"])
def test_an_owner_records_why_somebody_may_not_train_and_what_settles_it(
    demo: Path, run: Run, arm: str, table: str, cells: dict[str, str], code: str, settled: dict[str, str]
) -> None:
    """In either arm: page, answer for programs and exit code say the same, before and after."""
    spoken_of = {row["client"] for name in ("departures", "harms") for row in read_rows(demo, name)}
    client = next(
        entry.client
        for entry in Study.open(demo).allocated()
        if entry.arm == arm and entry.client not in spoken_of
    )
    if table == "screening":
        set_cells(demo, table, client, **cells)
    else:
        add_rows(demo, table, {"client": client, **cells})

    def answer_and_page() -> tuple[int, dict[str, Any], str]:
        rc, out, _ = run("sheet", demo, client, "--date", "2025-12-20", "--json")
        answer = json.loads(out)
        return rc, answer, text_of(Path(answer["sheet"]).read_text(encoding="utf-8"))

    rc, answer, text = answer_and_page()
    for word in ("repetitions", "limit", "seconds", "sets", "load", "effort"):
        assert word not in text, word
    assert "No training today before" in text
    assert (rc, answer["ready"], answer["allowed"]) == (1, False, False)
    assert [reason["code"] for reason in answer["reasons"]] == [code]

    set_cells(demo, table, client, **settled)
    _, answer, text = answer_and_page()
    assert (answer["ready"], answer["reasons"]) == (True, [])
    assert "8–12 repetitions" in text
