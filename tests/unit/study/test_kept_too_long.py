"""Records are kept until the day that clients were told, and no longer without a word."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from studykit.study import Study
from studykit.study.checking import check, kept_too_long


def test_check_says_that_the_day_has_passed(tmp_path: Path) -> None:
    study = Study.create(tmp_path / "mine")
    path = study.folder / "protocol.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("keep_until = 2036-12-31", "keep_until = 2020-12-31"),
        encoding="utf-8",
    )
    found = check(study.read())
    assert found.needs_attention
    assert any("records kept until 2020-12-31 and no longer" in str(finding) for finding in found.findings)


def test_the_last_day_itself_is_still_in_order(tmp_path: Path) -> None:
    protocol = Study.create(tmp_path / "mine").protocol
    last = dt.date(2036, 12, 31)
    assert kept_too_long(protocol, last, where="x") == ()
    (finding,) = kept_too_long(protocol, last + dt.timedelta(days=1), where="x")
    assert (finding.severity, finding.got) == ("stop", "records on 2037-01-01")
