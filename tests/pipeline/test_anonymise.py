"""An anonymised copy: nobody's code, day or words are in it, and it holds the same rows for an analysis."""

from __future__ import annotations

import csv
import random
import re
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from studykit.records.rows import StudyRows
from studykit.study import Study
from studykit.study.anonymising import FEW, OTHER, AnonymousCopy, anonymous_copy, write_copy
from studykit.study.snapshot import Snapshot, read_study

PEOPLE = ("client", "trainer", "assessor", "observer", "judged_by")
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Study.demo(tmp_path_factory.mktemp("anonymise") / "demo")[0].folder


@pytest.fixture(scope="module")
def now(demo: Path) -> Snapshot:
    return read_study(demo)[0]


@pytest.fixture(scope="module")
def copy(now: Snapshot) -> AnonymousCopy:
    return anonymous_copy(now, by="OW", chance=random.Random(3))


@pytest.fixture(scope="module")
def copied(copy: AnonymousCopy, tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    folder = tmp_path_factory.mktemp("copy") / "copy"
    assert write_copy(copy, folder) == ""
    return read_study(folder)[0]


def cells(copy: AnonymousCopy) -> list[str]:
    rows = (row for name, text in copy.files.items() if name.endswith(".csv")
            for row in csv.reader(text.splitlines()))  # fmt: skip
    return [cell for row in rows for cell in row]


def test_no_code_day_or_word_of_anybody_is_in_the_copy(now: Snapshot, copy: AnonymousCopy) -> None:
    there = set(cells(copy))
    names = ("screening", "clients", "trainers", "strength", "sessions", "harms")
    columns = [(now.records[name].columns, who) for name in names for who in PEOPLE]
    codes = {str(code) for table, who in columns if who in table for code in table[who]} - {""}
    days = {str(day) for name in ("strength", "sessions") for day in now.records[name].columns["date"]}
    assert len(codes) > 72
    assert len(days) > 100
    assert not there & codes
    assert not there & days
    for name, column in (("harms", "action"), ("harms", "outcome"), ("pauses", "reason")):
        words = {str(text) for text in now.records[name].columns[column]} - {""}
        assert words
        assert not there & words
    protocol = copy.files["protocol.toml"]
    assert "at the desk" not in protocol
    assert "invented" not in protocol
    assert not re.search(r'"(OW|RE|TE|SR)"', protocol)


def test_a_rare_kind_of_harm_is_told_as_another(now: Snapshot, copied: Snapshot) -> None:
    before = Counter(map(str, now.records["harms"].columns["kind"]))
    after = Counter(map(str, copied.records["harms"].columns["kind"]))
    rare = sum(number for number in before.values() if number < FEW)
    assert rare > 0
    assert after == {kind: number for kind, number in before.items() if number >= FEW} | {OTHER: rare}


def each(rows: StudyRows, only: Sequence[int] | None = None) -> Counter[tuple[object, ...]]:
    """What the rows say of every client, whatever the client is called."""
    clients, scores = rows.clients, rows.outcomes["strength"]
    assert rows.retention is not None
    found: Counter[tuple[object, ...]] = Counter()
    for place in range(clients.number) if only is None else only:
        own = scores.client == place
        told = (scores.visit, scores.exercise, scores.score, scores.day)
        tests = sorted(zip(*(column[own].tolist() for column in told), strict=True))
        history = rows.retention.histories[place]
        strata = tuple(levels[codes[place]] for _, codes, levels in clients.factors)
        harms = tuple(
            sorted((one.day, one.severity, one.serious) for one in rows.harms if one.client == place)
        )
        arm, reason = int(clients.arm[place]), rows.retention.reasons[place]
        found[(arm, strata, tuple(tests), history, reason, harms)] += 1
    return found


def test_the_copy_holds_the_same_rows(now: Snapshot, copied: Snapshot) -> None:
    before, after = now.rows, copied.rows
    assert each(before) == each(after)
    loads = [Counter(Counter(rows.clients.trainer.tolist()).values()) for rows in (before, after)]
    assert loads[0] == loads[1]
    shift = before.data_through - after.data_through
    assert shift.astype(int) % 7 == 0
    assert shift > np.timedelta64(365, "D")
    assert [finding for finding in copied.findings if finding.severity == "stop"] == []


def test_who_took_back_consent_or_data_is_not_handed_on(demo: Path, tmp_path: Path) -> None:
    study = Study.demo(tmp_path / "mine")[0]
    whole = study.read()
    gone = {"C003": "consent", "C008": "data"}
    for client, what in gone.items():
        study.withdraw(client, what=what, by="OW")
    study.withdraw("C010", what="touch", by="OW")
    copy = anonymous_copy(study.read(), by="OW", chance=random.Random(3))
    assert (copy.clients, copy.withdrawn) == (len(whole.allocated) - 2, 2)
    assert "took back consent or data: 2 clients" in copy.text()
    assert write_copy(copy, tmp_path / "copy") == ""
    kept = read_study(tmp_path / "copy")[0].rows
    places = [place for place, one in enumerate(whole.allocated) if one.client in gone]
    assert each(whole.rows) - each(kept) == each(whole.rows, only=places)
    assert each(kept) <= each(whole.rows)


def test_another_chance_gives_other_codes_and_days(now: Snapshot, copy: AnonymousCopy) -> None:
    again = anonymous_copy(now, by="OW", chance=random.Random(4))
    assert again.files["records/allocation.csv"] != copy.files["records/allocation.csv"]
    assert again.dropped == copy.dropped


def test_what_is_rare_is_told_and_asked_before_anything_is_written(
    demo: Path, now: Snapshot, tmp_path: Path, run: Run
) -> None:
    target = tmp_path / "copy"
    code, out, err = run("anonymise", demo, "--to", target, "--by", "OW")
    ages = [int(age) // 10 for age in now.records["clients"].columns["age"]]
    rare = {ten: number for ten, number in Counter(ages).items() if number < FEW}
    assert rare
    for ten, number in rare.items():
        assert f"age {10 * ten} to {10 * ten + 9}: {number} clients" in out
    assert code == 2
    assert "add --yes" in err
    assert not target.exists()


def test_by_whom_and_when(demo: Path, tmp_path: Path, run: Run) -> None:
    code, _, err = run("anonymise", demo, "--to", tmp_path / "copy", "--by", "TE", "--yes")
    assert (code, "who may see who is in which arm" in err) == (2, True)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine", encoding="utf-8")
    code, _, err = run("anonymise", demo, "--to", tmp_path / "full", "--by", "OW", "--yes")
    assert (code, "a new folder" in err) == (2, True)
    code, out, _ = run("anonymise", demo, "--to", tmp_path / "copy", "--by", "OW", "--yes")
    assert (code, "It can be analysed in the ordinary way" in out) == (0, True)
    assert not (tmp_path / "copy" / "ledger.db").exists()


def test_not_before_the_end(demo: Path, tmp_path: Path, run: Run) -> None:
    early = Study.demo(tmp_path / "early")[0].folder
    path = early / "records" / "sessions.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join([lines[0], *(line for line in lines[1:] if ",2025-0" in line)]), encoding="utf-8")
    code, _, err = run("anonymise", early, "--to", tmp_path / "copy", "--by", "OW", "--yes")
    assert code == 2
    assert "clients still in follow-up" in err
    assert not (tmp_path / "copy").exists()
