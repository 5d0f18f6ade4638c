from __future__ import annotations

import re

from studykit.protocol.page import protocol_page
from studykit.protocol.types import Dose, Planning, Protocol, RetentionOutcome, Strategies


def test_every_key_stands_on_the_page() -> None:
    page = protocol_page()
    keys = set(re.findall(r"^\| `(\w+)` \|", page, flags=re.MULTILINE))
    for section in (Protocol, Dose, Planning, RetentionOutcome, Strategies):
        assert set(section.model_fields) <= keys
    assert "a value |" not in page  # every type has words of its own


def test_headings_are_written_as_in_the_file() -> None:
    page = protocol_page()
    for heading in ("`[study]`", "`[[arms]]`", "`[arms.dose]`", "`[[arms.dose.ramp_in]]`"):
        assert f"### {heading}\n" in page
    assert '### `[[outcomes]]` with kind = "retention"' in page
    assert "### `[outcomes.estimand.strategies]`" in page
