"""What a check says of a lost ledger, and who says that a trial was randomised."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from studykit.errors import DataError
from studykit.protocol.types import ExternalAllocation
from studykit.study import Study
from studykit.study.analysing import said_to_be_randomised

ANALYSIS = Path(__file__).resolve().parents[3] / "analysis"


def test_a_lost_ledger_is_not_a_study_that_has_not_begun(tmp_path: Path) -> None:
    """E11: a ledger that is gone must not let clients be drawn again."""
    study, _ = Study.demo(tmp_path / "demo")
    (study.folder / "ledger.db").unlink()
    check = study.check()
    assert check.needs_attention
    assert any("such tests and no allocated client" in str(finding) for finding in check.findings)
    with pytest.raises(DataError, match="never lock and draw again"):
        study.lock(by="OW")
    assert not (study.folder / "ledger.db").exists()


@pytest.mark.parametrize(
    ("description", "randomised"),
    [
        ("allocated at random by sealed envelopes", True),
        ("Randomised by a computer list", True),
        ("not randomised: by the day of joining", False),
        ("by the day of joining", False),
        ("", False),
    ],
)
def test_a_trial_allocated_elsewhere_is_randomised_only_if_it_says_so(
    description: str, randomised: bool
) -> None:
    """G11: 'randomised' is not printed of draws that nobody vouches for."""
    protocol = Study.open(ANALYSIS / "weight_trial").protocol
    told = protocol.model_copy(
        update={"allocation": ExternalAllocation(method="external", description=description)}
    )
    assert said_to_be_randomised(told) is randomised


def test_the_short_form_makes_no_claim(tmp_path: Path) -> None:
    folder = shutil.copytree(ANALYSIS / "weight_trial", tmp_path / "trial")
    path = folder / "protocol.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    changed = ['allocation = "external"' if line.startswith("allocation =") else line for line in lines]
    path.write_text("\n".join(changed), encoding="utf-8")
    assert Study.open(folder).analyse().randomised is False
    assert Study.open(ANALYSIS / "weight_trial").analyse().randomised is True
