"""A studio hands in: every refusal, the page, the file and its code, the log; and shows its folder."""

from __future__ import annotations

import csv
import datetime as dt
import json
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from studykit import commands
from studykit.cli import main
from studykit.pooling.joining_list import JoiningList
from studykit.pooling.studio_file import code_of, read_studio_file
from studykit.protocol import local_time
from studykit.study import Study
from studykit.study.analysing import analyse
from studykit.study.handing_in import joining, list_head
from tests.pipeline.pooled_studios import (
    CLIENTS,
    CLOSES,
    DUE,
    ENROLLED,
    LOCKED,
    OVER,
    Clock,
    Studio,
    agreed_protocol,
    settings_of,
)

Run = Callable[..., tuple[int, str, str]]
UNTIL = dt.date(2026, 10, 31)


@pytest.fixture(scope="module")
def clock() -> Iterator[Clock]:
    patch, found = pytest.MonkeyPatch(), Clock()
    patch.setattr(local_time, "_now", found)
    yield found
    patch.undo()


@pytest.fixture(scope="module")
def finished(clock: Clock, tmp_path_factory: pytest.TempPathFactory) -> Studio:
    """A studio that has joined and whose study is over, its records not locked yet."""
    return finished_studio(clock, tmp_path_factory.mktemp("studios") / "one")


def finished_studio(clock: Clock, folder: Path, *, simulated: bool = False) -> Studio:
    read = agreed_protocol()
    studio = Studio(folder, read, clock, seed=5, simulated=simulated)
    clock.day = LOCKED
    studio.lock()
    now = Study.open(studio.folder).read()
    listed = JoiningList.begun(list_head(now, closes=CLOSES, due=DUE, invented=simulated))
    told = joining(now, listed, studio="S01", clients=CLIENTS, until=UNTIL)
    (folder.parent / "list.txt").write_text(listed.added("joined", told).text(), encoding="utf-8")
    clock.day = ENROLLED
    studio.run(settings_of(read))
    clock.day = OVER
    return studio


@pytest.fixture
def studio(finished: Studio, clock: Clock, tmp_path: Path) -> Studio:
    """A copy to damage, with its list beside it."""
    shutil.copytree(finished.folder.parent, tmp_path / "copy")
    clock.day = OVER
    return replace(finished, folder=tmp_path / "copy" / "one")


def locked(studio: Studio) -> Studio:
    studio.ledger.append("data lock", {"reason": "all tests are in"}, by="OW")
    return studio


def hand_in(run: Run, studio: Studio, *words: str) -> tuple[int, str, str]:
    return run("hand-in", studio.folder, "--list", studio.folder.parent / "list.txt", "--by", "OW", *words)


def kept_rows(studio: Studio, table: str, keep: Callable[[dict[str, str]], bool]) -> None:
    path = studio.folder / "records" / f"{table}.csv"
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, list(rows[0]))
        out.writeheader()
        out.writerows(row for row in rows if keep(row))


def cut_in_april(studio: Studio) -> None:
    for table, day in (("sessions", "date"), ("strength", "date"), ("departures", "date"), ("harms", "date")):
        kept_rows(studio, table, lambda row, day=day: row[day] < "2026-04-15")  # type: ignore[misc]


def unguarded_ledger(studio: Studio) -> None:
    """What keeps entries from being removed is gone: the audit sees it."""
    with closing(sqlite3.connect(studio.folder / "ledger.db")) as base, base:
        base.execute("DROP TRIGGER never_removed")


def changed_ledger(studio: Studio) -> None:
    """One draw recorded by somebody else than it was: the codes no longer fit."""
    with closing(sqlite3.connect(studio.folder / "ledger.db")) as base, base:
        base.execute("DROP TRIGGER never_changed")
        base.execute("UPDATE entry SET by = 'XX' WHERE position = 7")


def few_tested(studio: Studio) -> None:
    """The last tests of all but four clients of one arm are not there."""
    arms = {made.client: made.arm for made in studio.ledger.allocations()}
    path = studio.folder / "records" / "strength.csv"
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["visit"] != "week_6" and row["success"] == "yes"]
    whole = Counter(client for client, *_ in {(row["client"], row["visit"], row["exercise"]) for row in rows})
    tested = sorted(one for one, number in whole.items() if number == 8 and arms[one] == "conventional")
    kept_rows(
        studio, "strength",
        lambda row: row["visit"] != "week_12" or arms[row["client"]] != "conventional"
        or row["client"] in tested[:4],
    )  # fmt: skip


def another_list(studio: Studio) -> None:
    path = studio.folder.parent / "list.txt"
    head = JoiningList.read(path.read_text(encoding="utf-8")).head
    path.write_text(JoiningList.begun(head).text(), encoding="utf-8")


def nothing(_: Studio) -> None:
    """Leave it as it is."""


REFUSED: dict[str, tuple[Callable[[Studio], object], bool, str]] = {
    "before the end": (cut_in_april, True, "expected complete follow-up; found records through 2026-04-"),
    "open records": (
        nothing, False, "expected locked records; found records that are open. Lock them: studykit note STUDY"
    ),
    "failed audit": (
        unguarded_ledger, True, "expected an audit that passes; found one that does not. Run studykit audit"
    ),
    "changed ledger": (changed_ledger, True, "found changed content. The ledger was changed after it was"),
    "few tested": (few_tested, True, "expected 5 tested clients or more in each arm; found "),
    "not on the list": (another_list, True, "expected a studio of the list; found a ledger that is not on"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_may_not_leave_is_refused_in_a_sentence(name: str, studio: Studio, run: Run) -> None:
    damage, lock, sentence = REFUSED[name]
    if lock:
        locked(studio)
    damage(studio)
    entries = number_of_entries(studio)
    code, out, err = hand_in(run, studio, "--yes")
    assert code == 2
    assert sentence in err
    assert err.count("\n") == 1
    assert "This leaves your studio" not in out
    assert number_of_entries(studio) == entries
    assert not (studio.folder / "results" / "S01_hand_in.json").exists()


def number_of_entries(studio: Studio) -> int:
    with closing(sqlite3.connect(studio.folder / "ledger.db")) as base:
        return int(base.execute("SELECT count(*) FROM entry").fetchone()[0])


def test_nobody_hands_in_while_others_can_still_join(studio: Studio, clock: Clock, run: Run) -> None:
    locked(studio)
    clock.day = CLOSES
    code, _, err = hand_in(run, studio, "--yes")
    assert code == 2
    assert "expected a list that has closed, after 2026-01-31; found 2026-01-31." in err


def test_a_simulated_study_neither_joins_nor_hands_in(clock: Clock, tmp_path: Path, run: Run) -> None:
    studio = locked(finished_studio(clock, tmp_path / "invented" / "one", simulated=True))
    path = studio.folder.parent / "list.txt"
    listed = JoiningList.read(path.read_text(encoding="utf-8"))
    real = JoiningList.begun({**listed.head, "invented": "no"}).added("joined", listed.blocks[1][1])
    path.write_text(real.text(), encoding="utf-8")
    code, _, err = hand_in(run, studio, "--yes")
    assert code == 2
    assert "expected a real study; found a simulated one. It cannot be pooled. Nothing was written." in err
    # On a list of invented studios it may, and its file says so.
    path.write_text(listed.text(), encoding="utf-8")
    assert hand_in(run, studio, "--yes")[0] == 0
    assert file_of(studio)["ledger"]["simulated"] is True


def file_of(studio: Studio) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(
        (studio.folder / "results" / "S01_hand_in.json").read_text(encoding="utf-8")
    )
    return found


def test_a_second_file_needs_a_reason_which_stands_in_it(shown: Studio, run: Run) -> None:
    studio = shown
    first = file_of(studio)
    code, _, err = hand_in(run, studio, "--yes")
    assert code == 2
    assert f"found one at ledger entry {first['ledger']['entries'] + 1}. Say why with --again TEXT" in err
    assert file_of(studio) == first
    code, out, _ = hand_in(run, studio, "--yes", "--again", "a test was typed twice")
    assert code == 0
    assert "- That it is handed in again, and why: a test was typed twice." in out
    second = file_of(studio)
    assert second["again"] == "a test was typed twice"
    assert second["strength"] == first["strength"]
    assert second["code"] != first["code"]


def test_the_page_says_everything_that_leaves_before_it_is_asked(
    studio: Studio, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    locked(studio)
    asked: list[str] = []

    def no(question: str) -> bool:
        asked.append(question)
        return False

    monkeypatch.setattr(commands, "is_interactive", lambda: True)
    monkeypatch.setattr(commands, "confirm", no)
    entries = number_of_entries(studio)
    code, out, _ = hand_in(run, studio)
    assert (code, asked) == (0, ["Is this to leave your studio?"])
    assert out.endswith("Nothing was written.\n")
    assert not (studio.folder / "results" / "S01_hand_in.json").exists()
    assert number_of_entries(studio) == entries
    monkeypatch.setattr(commands, "confirm", lambda _: True)
    assert hand_in(run, studio)[0] == 0
    file = file_of(studio)
    strength, ledger = file["strength"], file["ledger"]
    lines = out.splitlines()
    assert lines[0] == ("This leaves your studio, as studio S01. It holds no row, client, trainer or date.")
    assert f"error {strength['error']:g}, {strength['freedom']:g} degrees of freedom." in lines[1]
    for name, arm in file["arms"].items():
        words = name.replace("_", " ")
        flow = f"{arm['allocated']} clients, {arm['received']} began, {arm['tested']} tested"
        assert f"- {words}: {flow}" in out
        assert f"{arm['retained']} of {arm['known']} stayed." in out
        assert f"- {words}: {arm['hurt']} hurt ({arm['harms']} harms, {arm['serious']} serious); " in out
        assert (
            f"{arm['attended']} of {arm['booked']} sessions, {arm['with_partner_reps']} with partner" in out
        )
    assert f"- Ledger: {ledger['entries']} entries, codes of {len(ledger['codes'])}, audit passed;" in out
    assert "- Protocol version 1.0 with its code; versions of python, studykit, numpy, scipy." in out
    assert "- Two numbers for the log-rank test: " in out
    # One and two clients are told, with a warning and never hidden.
    few = {
        f"Warning: {number} {what} in {name.replace('_', ' ')}; who knows your clients may guess who."
        for name, arm in file["arms"].items()
        for what, number in (
            ("left", arm["known"] - arm["retained"]), ("stayed", arm["retained"]), ("were hurt", arm["hurt"])
        )
        if number in (1, 2)
    }  # fmt: skip
    assert few
    assert {line for line in lines if line.startswith("Warning")} == few


def test_the_file_is_small_and_holds_nobody(studio: Studio, run: Run) -> None:
    locked(studio)
    code, out, _ = hand_in(run, studio, "--yes")
    assert code == 0
    content = (studio.folder / "results" / "S01_hand_in.json").read_bytes()
    assert len(content) < 2600
    text = content.decode("utf-8")
    known = [made.client for made in studio.ledger.allocations()] + ["T1", "T2"]
    assert not [name for name in known if f'"{name}"' in text]
    assert "2026-" not in text
    file = read_studio_file(content, where="it")
    assert file.code == code_of(json.loads(text))
    assert out.endswith(
        f"First mail this line to the keeper of the list, the file only on {DUE}, when files are due:\n"
        f"S01: file {file.code}\n"
    )
    last = studio.ledger.entries()[-1]
    assert last.kind == "note"
    assert last.body == {"what": "handed in", "file": file.code, "studio": "S01", "reason": ""}
    assert last.position == file.ledger.entries + 1
    assert file.ledger.head == studio.ledger.entries()[-2].code
    assert (file.allocated, file.ledger.allocated) == (CLIENTS, CLIENTS)


def test_the_numbers_are_those_of_the_report(shown: Studio) -> None:
    file, results = file_of(shown), analyse(Study.open(shown.folder).read(), None, redraw=False)
    primary: Any = results["strength"].primary
    estimate = primary.estimate
    told = (file["strength"]["estimate"], file["strength"]["error"], file["strength"]["freedom"])
    real = (estimate.value, estimate.standard_error, estimate.degrees_of_freedom)
    assert told == tuple(round(float(number), 4) for number in real)
    retention: Any = results.retention
    for status in retention.status:
        assert file["arms"][status.arm]["retained"] == status.retained
        assert file["arms"][status.arm]["known"] == status.retained + status.departed


def test_without_a_terminal_or_the_right_nothing_leaves(studio: Studio, run: Run) -> None:
    locked(studio)
    code, _, err = hand_in(run, studio)
    assert code == 2
    assert "expected a yes to what leaves the studio; found no terminal to ask in." in err
    code, _, err = hand_in(run, studio, "--yes", "--by", "XX")
    assert code == 2
    assert "XX" in err
    assert not (studio.folder / "results" / "S01_hand_in.json").exists()


# --- a studio shows its folder ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def handed(finished: Studio, tmp_path_factory: pytest.TempPathFactory) -> Studio:
    folder = tmp_path_factory.mktemp("handed") / "copy"
    shutil.copytree(finished.folder.parent, folder)
    found = locked(replace(finished, folder=folder / "one"))
    words = ("hand-in", found.folder, "--list", folder / "list.txt", "--by", "OW", "--yes")
    assert main([str(word) for word in words]) == 0
    return found


@pytest.fixture
def shown(handed: Studio, clock: Clock, tmp_path: Path) -> Studio:
    shutil.copytree(handed.folder.parent, tmp_path / "copy")
    clock.day = OVER
    return replace(handed, folder=tmp_path / "copy" / "one")


def verify(run: Run, studio: Studio, *files: Path) -> tuple[int, str, str]:
    files = files or (studio.folder / "results" / "S01_hand_in.json",)
    return run("pool", studio.folder.parent / "list.txt", *files, "--verify", studio.folder)


def test_a_folder_gives_its_file_again(shown: Studio, run: Run) -> None:
    code, out, _ = verify(run, shown)
    assert (code, out) == (0, "Same: the folder gives the file of studio S01 again.\n")


def one_more_stays(body: dict[str, Any]) -> None:
    body["arms"]["partner_reps"]["retained"] += 1


def test_a_file_with_another_number_is_not_what_the_folder_gives(shown: Studio, run: Run) -> None:
    body = file_of(shown)
    one_more_stays(body)
    false = shown.folder.parent / "false.json"
    false.write_text(json.dumps({**body, "code": code_of(body)}), encoding="utf-8")
    code, out, _ = verify(run, shown, false)
    stays = body["arms"]["partner_reps"]["retained"]
    assert code == 1
    assert out.startswith("Not the same: the folder does not give the file of studio S01.")
    assert f"- arms, partner_reps, retained: {stays} in the file, {stays - 1} from the folder" in out


def test_a_folder_whose_records_were_changed_is_seen(shown: Studio, run: Run) -> None:
    arms = {made.client: made.arm for made in shown.ledger.allocations()}
    gone = next(client for client, arm in arms.items() if arm == "partner_reps")
    kept_rows(shown, "strength", lambda row: row["client"] != gone or row["visit"] != "week_12")
    code, out, _ = verify(run, shown)
    assert code == 1
    assert "- arms, partner_reps, tested: " in out
    assert "- strength, estimate: " in out


def test_a_folder_of_another_ledger_is_seen(shown: Studio, run: Run) -> None:
    body = file_of(shown)
    body["ledger"]["head"] = "0" * 64
    false = shown.folder.parent / "false.json"
    false.write_text(json.dumps({**body, "code": code_of(body)}), encoding="utf-8")
    code, out, _ = verify(run, shown, false)
    assert code == 1
    assert f"- entry {body['ledger']['entries']} of the ledger" in out


def test_a_folder_whose_audit_fails_is_seen(shown: Studio, run: Run) -> None:
    unguarded_ledger(shown)
    code, out, _ = verify(run, shown)
    assert code == 1
    assert "- ledger, audit: passed in the file, not passed from the folder" in out


def test_one_file_is_shown_at_a_time(shown: Studio, run: Run) -> None:
    file = shown.folder / "results" / "S01_hand_in.json"
    code, _, err = verify(run, shown, file, file)
    assert code == 2
    assert "expected the one file of that studio; found 2." in err
