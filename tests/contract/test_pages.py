"""The pages on keys and tables say what the code reads, and commands print them."""

from __future__ import annotations

import importlib
import json
import re

import pytest

from studykit.cli import main
from studykit.kinds.retention.section import RetentionOutcome
from studykit.protocol.types import Dose, Planning, Protocol, Strategies
from studykit.records.schema import TABLES
from tests.contract.write_pages import ROOT, pages, protocol_page, schema_page


def test_the_generated_pages_are_up_to_date() -> None:
    for page, text in pages().items():
        assert page.read_text(encoding="utf-8") == text, "run: python -m tests.contract.write_pages"


def test_every_table_and_column_is_on_the_page() -> None:
    page = schema_page()
    for table in TABLES:
        part = page.split(f"## {table.name}.csv: ")[1].split("\n## ")[0]
        for column in table.columns:
            (line,) = [line for line in part.splitlines() if line.startswith(f"| `{column.name}` |")]
            assert ("| yes |" in line.split(column.meaning)[0]) == column.required
            assert all(choice in line for choice in column.choices)
    assert "whole number from 0 to 60" in page
    assert "One row for each `client` and `date`." in page


def test_every_key_stands_on_the_page_under_a_heading_as_in_the_file() -> None:
    page = protocol_page()
    keys = set(re.findall(r"^\| `(\w+)` \|", page, flags=re.MULTILINE))
    for section in (Protocol, Dose, Planning, RetentionOutcome, Strategies):
        assert set(section.model_fields) <= keys
    assert "a value |" not in page  # every type has words of its own
    for heading in ("`[study]`", "`[[arms]]`", "`[arms.dose]`", "`[[arms.dose.ramp_in]]`"):
        assert f"## {heading}\n" in page
    assert '## `[[outcomes]]` with kind = "retention"' in page
    assert "## `[outcomes.estimand.strategies]`" in page


def test_an_owner_sees_them_by_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["keys", "harms"]) == 0
    part = capsys.readouterr().out
    assert "pause_severe_in_arm" in part
    assert "pause_severe_in_arm" not in part.split("## `[harms]`")[0]
    assert "recruitment" not in part
    assert main(["tables"]) == 0
    assert "## sessions.csv: one booked training session of a client" in capsys.readouterr().out
    assert main(["tables", "Sesions"]) == 2
    assert "sessions.csv" in capsys.readouterr().err


def test_figures_of_validity_come_from_saved_results() -> None:
    page = (ROOT / "analysis" / "VALIDITY.md").read_text(encoding="utf-8")
    for path in (ROOT / "analysis" / "validity").glob("*.json"):
        saved = json.loads(path.read_text(encoding="utf-8"))
        assert (ROOT / "analysis" / saved["script"]).is_file()
        assert f"{saved['trials']} trials a row, seed {saved['seed']}" in page
        for row in saved["rows"]:
            assert " | ".join(map(str, row.values())) in page


def test_the_way_of_one_number_goes_by_functions_that_exist() -> None:
    page = (ROOT / "analysis" / "ONE_NUMBER.md").read_text(encoding="utf-8")
    named = re.findall(r"`(studykit\.[\w.]+)\.(\w+)`", page)
    assert len(named) > 15
    for module, name in named:
        assert callable(getattr(importlib.import_module(module), name)), f"{module}.{name}"
