"""Properties of reading a protocol: any text gives findings or a protocol, never a traceback."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from studykit.errors import Finding, ProtocolError
from studykit.protocol.lines import statements
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.resolved import changed_keys, resolved_digest
from studykit.shipped import shipped

READY = (shipped("protocols") / "parallel.toml").read_text(encoding="utf-8")
LINES = READY.split("\n")
PIECES = st.sampled_from(
    ['"', "'", "[", "]", "[[", "{", "}", "=", ",", "#", "“", "\\", "nan", "True", "é", '"""']
)


def findings(text: str) -> tuple[Finding, ...]:
    """Whatever is said of a text; anything but a ProtocolError is a failure."""
    try:
        return parse_protocol(text).findings
    except ProtocolError as error:
        return error.findings


@settings(max_examples=80, deadline=None)
@given(st.integers(0, len(LINES) - 1), st.integers(0, 80), PIECES)
def test_one_slip_anywhere_is_a_protocol_or_findings(number: int, column: int, piece: str) -> None:
    lines = list(LINES)
    lines[number] = lines[number][:column] + piece + lines[number][column:]
    for finding in findings("\n".join(lines)):
        assert finding.where.startswith("protocol.toml")
        assert "pydantic" not in str(finding)
        assert "validation" not in str(finding)


@settings(max_examples=50, deadline=None)
@given(st.text(alphabet=st.sampled_from("ab=[]{}\"'#\n\\., 1"), max_size=60))
@example("[=\n.=")
@example("[1\n.=")
@example("[\n.=")
@example("[[\n[\n.=\n.=")
@example("a = " + 3000 * "[")
@example("a = " + 3000 * '[""""b""",')
@example("a = " + 3000 * "{ a = ")
@example(3000 * "a." + "a = 1")
@example("a = [1, " + 5000 * "1" + "]")
def test_any_text_is_split_into_statements_and_answered(text: str) -> None:
    assert all(1 <= item.line <= text.count("\n") + 1 for item in statements(text))
    with pytest.raises(ProtocolError, match="expected"):
        parse_protocol(text)


@settings(max_examples=25, deadline=None)
@given(st.integers(4, 500), st.integers(1, 12), st.floats(0.01, 0.99))
def test_the_digest_changes_exactly_with_the_changed_keys(clients: int, trainers: int, power: float) -> None:
    old = parse_protocol(READY).protocol
    planning = old.planning.model_copy(update={"clients": clients, "trainers": trainers, "power": power})
    new = old.model_copy(update={"planning": planning})
    expected = {
        f"planning, {key}"
        for key, same in (("clients", clients == 40), ("trainers", trainers == 3), ("power", power == 0.8))
        if not same
    }
    assert set(changed_keys(old, new)) == expected
    assert (resolved_digest(old) == resolved_digest(new)) == (not expected)
