"""What an act hands out is a file, and can be had again by the same command."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.allocation.acts import Receipt
from studykit.study import Study, snapshot
from studykit.study.receipts import keep_receipts
from tests.pipeline.test_methods import BLOCKS, add_rows, edit, ready_study, today

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def locked(tmp_path: Path) -> Study:
    study = ready_study(tmp_path / "mine", BLOCKS)
    study.lock(by="OW")
    return study


def kept(study: Study) -> dict[str, str]:
    folder = study.folder / "results" / "receipts"
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(folder.iterdir())}


def test_a_receipt_lost_between_commit_and_print(
    locked: Study, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_words: object, **_more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(snapshot, "keep_receipts", killed)
    code, out, _ = run("enrol", locked.folder, "C003", "--by", "OW", "--yes")
    assert code != 0
    assert "Receipt of an allocation" not in out
    monkeypatch.undo()
    (made,) = locked.ledger.allocations()
    assert "entry_0003.txt" not in kept(locked)
    code, out, err = run("enrol", locked.folder, " c003", "--by", "OW")
    assert code == 0
    assert Receipt.read(out) == made.receipt()
    assert "Nothing was drawn: C003 has an arm already. This is the receipt again." in err
    assert "Draw now" not in out
    assert Receipt.read(kept(locked)["entry_0003.txt"]) == made.receipt()
    assert len(locked.entries()) == 3
    code, out, _ = run("audit", locked.folder, "--receipt", locked.folder / "results/receipts/entry_0003.txt")
    assert (code, "2 receipts compared" in out) == (0, True)


def test_a_lock_cut_off_behind_its_entry_gives_its_receipt_when_it_is_tried_again(
    locked: Study, run: Run
) -> None:
    (whole,) = kept(locked).values()
    (locked.folder / "results/receipts/entry_0002.txt").rename(
        locked.folder / "results/receipts/entry_0002.part"
    )
    code, _, err = run("lock", locked.folder, "--by", "OW", "--yes")
    assert (code, "a lock at entry 2" in err) == (2, True)
    assert kept(locked) == {"entry_0002.txt": whole}


def test_the_receipt_is_for_who_runs_the_draws(locked: Study, run: Run) -> None:
    locked.enrol("C003", by="OW")
    code, out, err = run("enrol", locked.folder, "C003", "--by", "TE")
    assert code == 2
    assert locked.ledger.allocations()[0].arm not in out + err


def test_every_act_that_hands_something_out_keeps_it(locked: Study, run: Run) -> None:
    edit(locked, ('version = "1.0"', 'version = "1.1"'))
    code, out, _ = run("amend", locked.folder, "--by", "OW", "--reason", "a new number", "--yes")
    told = kept(locked)["entry_0003.txt"]
    assert (code, out) == (0, f'This amendment changes:\n  study, version: "1.0" -> "1.1"\n{told}')
    assert told.startswith("Amended; changed: study, version. Ledger entry 3, code ")
    assert kept(locked)["entry_0002.txt"].startswith("The protocol is locked. Ledger entry 2, code ")
    code, out, _ = run("enrol", locked.folder, "C000", "--by", "OW", "--yes")
    assert code == 0
    assert out.endswith(kept(locked)["entry_0004.txt"])
    assert list(kept(locked)) == ["entry_0002.txt", "entry_0003.txt", "entry_0004.txt"]


def test_a_folder_in_the_way_takes_nothing_away(locked: Study, run: Run) -> None:
    receipts = locked.folder / "results" / "receipts"
    for path in receipts.iterdir():
        path.unlink()
    receipts.rmdir()
    receipts.write_text("in the way", encoding="utf-8")
    code, out, err = run("enrol", locked.folder, "C000", "--by", "OW", "--yes")
    assert code == 0
    assert Receipt.read(out) == locked.ledger.allocations()[0].receipt()
    assert "The receipt is not kept as a file: File exists" in err
    receipts.unlink()
    assert keep_receipts(locked.folder, locked.entries()) == ""
    assert list(kept(locked)) == ["entry_0002.txt", "entry_0003.txt"]


# --- who may be drawn -----------------------------------------------------------------------------


def with_client(folder: Path, *changes: tuple[str, str], **client: str) -> Study:
    study = ready_study(folder, BLOCKS)
    edit(study, *changes) if changes else None
    add_rows(
        study.folder, "screening",
        {"client": "C900", "date": today(-3), "eligible": "yes", "cleared": "yes", "consented": "yes",
         "touch_consented": "yes", "consent_date": today(-3)},
    )  # fmt: skip
    add_rows(
        study.folder, "clients", {"client": "C900", "trainer": "T1", "age": "41", "sex": "male", **client}
    )
    path = study.folder / "records" / "strength.csv"
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    path.write_text(
        "\n".join([*lines, *(line.replace("C000", "C900") for line in lines if line.startswith("C000"))])
        + "\n",
        encoding="utf-8",
    )
    study.lock(by="OW")
    return study


@pytest.mark.parametrize(
    ("client", "told"),
    [
        ({"trainer": "T9"}, "The trainer of C900, T9, is not in records/trainers."),
        ({"trainer": "TT1"}, "TT1, is not in records/trainers. Is T1 meant?"),
        ({"trainer": ""}, "The trainer of C900 is not recorded in records/clients."),
        ({"age": ""}, "The age of C900 is not recorded in records/clients."),
        ({"age": "17"}, "C900 is 17 years old; the protocol wants at least 18."),
        ({"sex": ""}, "The sex of C900 is not recorded in records/clients."),
    ],
)
def test_what_the_protocol_uses_is_known_before_anything_is_asked_or_drawn(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch, client: dict[str, str], told: str
) -> None:
    study = with_client(tmp_path / "mine", **client)
    monkeypatch.setattr("studykit.cli.confirm", lambda _question: pytest.fail("it was asked"))
    monkeypatch.setattr("studykit.cli.is_interactive", lambda: True)
    code, _, err = run("enrol", study.folder, "C900", "--by", "OW")
    assert code == 2
    assert told in err
    # a client who is too young is not sent to complete anything
    todo = "Not in this study" if client.get("age") == "17" else "Complete the records first"
    assert f"{todo}; nothing was drawn." in err
    assert len(study.entries()) == 2


def test_what_the_protocol_does_not_use_is_no_reason(tmp_path: Path) -> None:
    study = with_client(tmp_path / "mine", ("minimum_age = 18", "minimum_age = 0"), age="")
    assert study.enrol("C900", by="OW").client == "C900"
    assert study.ledger.allocations()[0].facts["age"] is None


def test_an_age_that_the_analysis_uses_is_asked_for(tmp_path: Path) -> None:
    changes = (
        ("minimum_age = 18", "minimum_age = 0"),
        ("[planning]", '[analysis]\nadjust_for = ["age"]\n\n[planning]'),
    )
    study = with_client(tmp_path / "mine", *changes, age="")
    assert study.enrolment("C900").missing == ("The age of C900 is not recorded in records/clients.",)
