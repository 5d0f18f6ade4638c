"""Papers in a study's folder: written anew, never over what the studio changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.errors import DataError
from studykit.study import Study
from studykit.study.papers import write_papers
from tests.support.answered import answer


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return Study.create(tmp_path / "mine")


def test_seven_papers_and_what_is_still_open(study: Study) -> None:
    written = write_papers(study.read())
    assert len(written.pages) == 7
    assert all(page.parent == study.folder / "papers" and page.is_file() for page in written.pages)
    assert "Who, outside the studio, looks at every harm?" in written.text()
    assert written.open_items == ("3d", "9b", "20", "28a", "30", "33", "34")
    answer(study.folder)
    again = write_papers(study.read())
    assert (again.questions, again.open_items, again.kept) == ((), ("20",), ())
    assert "the owner, in the safe" in (study.folder / "papers" / "privacy.html").read_text(encoding="utf-8")


def test_a_page_changed_by_hand_stays(study: Study) -> None:
    write_papers(study.read())
    page = study.folder / "papers" / "consent.html"
    changed = page.read_text(encoding="utf-8").replace("You may be sore", "You will be sore")
    page.write_text(changed, encoding="utf-8")
    answer(study.folder)
    written = write_papers(study.read())
    assert written.kept == (page,)
    assert page.read_text(encoding="utf-8") == changed
    assert "You may be sore" in (page.parent / "consent_new.html").read_text(encoding="utf-8")
    assert f"Changed by hand, so it stays; compare it with the new one: {page}" in written.text()


@pytest.mark.parametrize("separator", [",", ";"])
def test_who_was_shown_a_page_stands_on_it(study: Study, separator: str) -> None:
    shown = write_papers(study.read()).shown_to
    heading = shown.read_text(encoding="utf-8").strip()
    row = "consent,2026-03-02,C001,the odds,shorter words"
    shown.write_text(f"\ufeff{heading}\n{row}\n".replace(",", separator), encoding="utf-8")
    write_papers(study.read())
    for name, number in (("consent", 1), ("privacy", 0)):
        page = (study.folder / "papers" / f"{name}.html").read_text(encoding="utf-8")
        assert page.count("shorter words") == number
    assert row.replace(",", separator) in shown.read_text(encoding="utf-8-sig")


def test_a_table_that_lost_its_columns_is_one_message(study: Study) -> None:
    shown = write_papers(study.read()).shown_to
    shown.write_text("paper,when\nconsent,2026-03-02\n", encoding="utf-8")
    with pytest.raises(DataError, match=r"shown_to\.csv: expected paper, date, .*found no column date"):
        write_papers(study.read())
