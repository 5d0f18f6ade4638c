"""Reading attendance exports: the order of rows does not matter, and no text of any kind breaks it."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from studykit.errors import StudykitError
from studykit.lookback.attendance_reading import ReadingSettings, read_attendance
from studykit.lookback.log import AttendanceLog

TODAY = ReadingSettings(today=dt.date(2026, 2, 1), most_left_out=1.0)
ARRAYS = (
    "session_client", "session_day", "session_trainer", "session_partner_reps", "missed_client", "missed_day",
)  # fmt: skip

sessions = st.tuples(
    st.sampled_from(["C1", "C2", "C3"]),
    st.dates(dt.date(2025, 3, 1), dt.date(2025, 4, 30)).map(str),
    st.sampled_from(["T1", "T2", ""]),
    st.sampled_from(["attended", "cancelled", "no show", "perhaps"]),
    st.sampled_from(["yes", "no", "", "12", "9999"]),
)
cells = st.text(st.characters(blacklist_categories=("Cs",)), max_size=12)


def read(data: bytes) -> AttendanceLog | StudykitError:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "export.csv"
        path.write_bytes(data)
        try:
            return read_attendance(path, settings=TODAY)
        except StudykitError as error:
            return error


def as_file(rows: list[tuple[str, ...]]) -> bytes:
    lines = ["client,date,trainer,status,partner_reps", *(",".join(row) for row in rows)]
    return ("\n".join(lines) + "\n").encode()


@given(st.lists(sessions, min_size=1, max_size=40), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter_beyond_ties(rows: list[tuple[str, ...]], random: object) -> None:
    """Which of two contradicting rows of a day gives the trainer follows their order; nothing else does."""
    turned = list(rows)
    random.shuffle(turned)  # type: ignore[attr-defined]
    one, other = read(as_file(rows)), read(as_file(turned))
    assert type(one) is type(other)
    if isinstance(one, AttendanceLog) and isinstance(other, AttendanceLog):
        for name in ARRAYS:
            if name != "session_trainer":
                assert getattr(one, name).tolist() == getattr(other, name).tolist(), name
        assert one.rows.used == other.rows.used


@given(st.lists(sessions, min_size=1, max_size=40))
def test_rows_add_up_and_every_row_left_out_is_named(rows: list[tuple[str, ...]]) -> None:
    log = read(as_file(rows))
    if isinstance(log, StudykitError):
        return
    named = [row for item in log.noticed if not item.used for row in item.rows.tolist()]
    assert len(named) == len(set(named)) == log.rows.supplied - log.rows.used
    assert log.rows.supplied == len(rows)
    attended = {(row[0], row[1]) for row in rows if row[3] == "attended"}
    days = [str(np.datetime64(int(day), "D")) for day in log.session_day]
    pairs = zip((log.clients[place] for place in log.session_client), days, strict=True)
    assert set(pairs) == attended


@given(st.lists(st.lists(cells, min_size=1, max_size=6), max_size=8), st.sampled_from([",", ";", "\t", "|"]))
def test_no_text_breaks_it(rows: list[list[str]], delimiter: str) -> None:
    lines = ["client,date,trainer,status,partner_reps".replace(",", delimiter)]
    lines += [delimiter.join(row) for row in rows]
    found = read(("\n".join(lines) + "\n").encode("utf-8", errors="replace"))
    assert isinstance(found, AttendanceLog | StudykitError)


@given(st.binary(max_size=300))
def test_no_bytes_break_it(data: bytes) -> None:
    assert isinstance(read(data), AttendanceLog | StudykitError)
    assert isinstance(read(b"client,date\nC1,2025-03-04\n" + data), AttendanceLog | StudykitError)
