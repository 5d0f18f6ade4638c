"""Each call of a study reads its folder once: the ledger's chain, every text of a protocol, the records."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from studykit.allocation import storage
from studykit.protocol import protocol_file as protocol_reading
from studykit.records import derive
from studykit.records import reading as records_reading
from studykit.study import Study
from tests.pipeline.test_methods import BLOCKS, CLIENTS, edit, ready_study

WORK = {  # what is done with what was read; not looked at here
    "studykit.planning.plan.plan_study": lambda *_, **__: None,
    "studykit.report.saving.save_plan": lambda *_, **__: None,
    "studykit.report.saving.save_report": lambda *_, **__: None,
    "studykit.report.session_sheet.save_session_sheet": lambda *_, **__: (Path(), Path()),
    "studykit.outcomes.analyse.analyse_rows": lambda *_, **__: None,
}


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each thing is read; a text is counted by itself, since an amendment has two."""
    seen: Counter[str] = Counter()
    chain, text = storage.entries_after, protocol_reading.parse_protocol
    tables, rows = records_reading.read_records, derive.derive_rows

    def from_the_first(connection: Any, position: int) -> Any:
        seen["ledger"] += position == 0
        return chain(connection, position)

    def parsed(words: str, **more: Any) -> Any:
        seen[f"protocol {hash(words)}"] += 1
        return text(words, **more)

    def counted(name: str, whole: Callable[..., Any]) -> Callable[..., Any]:
        def call(*words: Any, **more: Any) -> Any:
            seen[name] += 1
            return whole(*words, **more)

        return call

    monkeypatch.setattr(storage, "entries_after", from_the_first)
    monkeypatch.setattr(protocol_reading, "parse_protocol", parsed)
    monkeypatch.setattr(records_reading, "read_records", counted("records", tables))
    monkeypatch.setattr(derive, "derive_rows", counted("rows", rows))
    for name, nothing in WORK.items():
        monkeypatch.setattr(name, nothing)
    return seen


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return Study.demo(tmp_path_factory.mktemp("one_read") / "demo")[0]


CALLS: dict[str, tuple[Callable[[Study], object], str]] = {
    "entries": (Study.entries, "ledger"),
    "protocol": (lambda study: study.protocol, "ledger protocol"),
    "plan": (Study.plan, "ledger protocol"),
    "save_plan": (lambda study: study.save_plan(None), "ledger protocol"),  # type: ignore[arg-type]
    "save": (lambda study: study.save(None), "ledger protocol"),  # type: ignore[arg-type]
    "audit": (lambda study: study.audit(by="OW"), "ledger protocol records"),
    "records": (Study.records, "ledger protocol records"),
    "enrolment": (lambda study: study.enrolment("C001"), "ledger protocol records"),
    "sheet": (lambda study: study.sheet("C001"), "ledger protocol records"),
    "correct": (
        lambda study: study.correct("C001", fact="consented", value="no", reason="a slip", by="OW"),
        "ledger protocol records",
    ),
    "check": (Study.check, "ledger protocol records rows"),
    "rows": (Study.rows, "ledger protocol records rows"),
    "analyse": (Study.analyse, "ledger protocol records rows"),
}


@pytest.mark.parametrize("name", CALLS)
def test_a_call_reads_each_thing_once(name: str, demo: Study, read: Counter[str]) -> None:
    call, what = CALLS[name]
    call(demo)
    assert sorted(key.split()[0] for key in read.elements()) == sorted(what.split())


def test_an_act_reads_each_thing_once(tmp_path: Path, read: Counter[str]) -> None:
    """What it writes is checked against entries that came since, not against the whole ledger again."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    enrol = [lambda client=client: study.enrol(client, by="OW") for client, _, _ in CLIENTS[:2]]
    for act in (lambda: study.lock(by="OW"), *enrol):
        read.clear()
        act()
        assert {key.split()[0] for key in read} >= {"ledger", "protocol", "records"}
        assert set(read.values()) == {1}
    edit(study, ("minimum_age = 18", "minimum_age = 20"))
    read.clear()
    study.amend(reason="older clients", by="OW")
    assert sorted(key.split()[0] for key in read.elements()) == ["ledger", "protocol", "protocol"]
    assert set(read.values()) == {1}, "the text in force and the file's, once each"
