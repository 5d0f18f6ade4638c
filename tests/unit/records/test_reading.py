"""Reading files: what is understood, what is refused, and where each finding points."""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook

from studykit.errors import Finding, FolderError
from studykit.protocol.types import Protocol
from studykit.records.reading import read_records, say_date_order
from studykit.records.schema import TABLES
from studykit.records.writing import write_empty_tables

from .conftest import CLIENTS, CLOSURES, DEPARTURES, HARMS, SESSIONS, STRENGTH, protocol_of

Write = Callable[..., Path]


def stops(findings: tuple[Finding, ...]) -> list[Finding]:
    return [finding for finding in findings if finding.severity == "stop"]


def only(findings: tuple[Finding, ...], severity: str = "stop") -> Finding:
    found = [finding for finding in findings if finding.severity == severity]
    assert len(found) == 1, [str(finding) for finding in findings]
    return found[0]


def test_a_study_without_mistakes_has_no_findings(write: Write, protocol: Protocol) -> None:
    records = read_records(write(), protocol=protocol)
    assert records.findings == ()
    assert records["strength"].number == 13
    assert records["strength"].columns["date"][0] == np.datetime64("2026-02-27")
    assert records["clients"].columns["age"].tolist() == [44.0, 51.0, 38.0, 60.0]
    assert np.isnan(records["sessions"].columns["partner_reps"][1])
    assert records["sessions"].columns["harm_asked"].size == 7  # a column that the file lacks is there, empty
    assert np.isnan(records["sessions"].columns["harm_asked"]).all()
    assert records["measurements"].number == 0


def test_hashes_are_of_the_bytes(write: Write) -> None:
    folder = write()
    hashes = dict(read_records(folder).hashes)
    data = (folder / "strength.csv").read_bytes()
    assert hashes["records/strength.csv"] == hashlib.sha256(data).hexdigest()
    assert len(hashes) == 9


def test_a_byte_order_mark_semicolons_and_decimal_commas_are_understood(
    write: Write, protocol: Protocol
) -> None:
    text = STRENGTH.replace(",", ";").replace("92.5", "92,5")
    records = read_records(write(strength=b"\xef\xbb\xbf" + text.encode()), protocol=protocol)
    assert records["strength"].columns["load"][2] == 92.5
    note = only(records.findings, "note")
    assert note.where == "records/strength.csv, row 4, column load"
    assert "decimal comma" in note.got


def test_a_missing_folder_is_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="nowhere: expected a folder with the record tables"):
        read_records(tmp_path / "nowhere")


def test_an_empty_folder_is_a_warning(tmp_path: Path) -> None:
    assert only(read_records(tmp_path).findings, "warn").expected == "record tables"


# One mistake each: table, text to replace, replacement, place of the finding, words of the message.
MUTANTS = [
    ("strength", "C03,baseline,2026-02-28,leg_press,70", "C03,baseline,03/04/2025,leg_press,70",
     "row 10, column date", "2025-04-03 (day first) or 2025-03-04 (month first)"),
    ("strength", "2026-04-14,leg_press", "14/04/26,leg_press", "row 9, column date",
     "2026-04-14 (day first)"),
    ("strength", "leg_press,120,kg", "leg_press,120 lb,kg", "row 6, column load", "found one in lb"),
    ("strength", "leg_press,110,kg,10,yes", "leg_press,110,kg,10,x", "row 12, column success", "Write yes."),
    ("strength", "leg_press,135,kg", "leg_press,135,st", "row 9, column unit", "one of kg, lb, N, plates"),
    ("strength", "C04,week_6", "C04,week_7", "row 14, column visit", "Write week_6."),
    ("strength", "chest_press,45", "chest_pres,45", "row 13, column exercise", "Write chest_press."),
    ("strength", "leg_press,110,kg,10", "leg_press,110,kg,10.5", "row 12, column repetitions",
     "whole number"),
    ("strength", "leg_press,110,kg,10", "leg_press,110,kg,99", "row 12, column repetitions", "from 0 to 60"),
    ("strength", "leg_press,110,kg,10,yes", "leg_press,110,kg,10,maybe", "row 12, column success",
     "yes or no"),
    ("strength", "leg_press,110", "leg_press,", "row 12, column load", "an empty cell"),
    ("strength", "C04,week_6,2026-04-15,leg_press,121,kg,11,yes,AS,", "C04,week_6", "row 14", "2 cells"),
    ("strength", "2026-04-15", "2026-04-31", "row 14, column date", "no such day"),
    ("strength", "2026-04-15", "0206-04-15", "row 14, column date", "Check the year"),
    ("clients", "C02,T2", "Petra Kohl,T2", "row 3, column client", "looks like a name"),
    ("clients", "C02,T2", "kohl@post.example,T2", "row 3, column client", "an e-mail address"),
    ("clients", "C02,T2", "+44 20 7946 0000,T2", "row 3, column client", "a telephone number"),
    ("clients", "C02,T2,51,male", "C02,T2,51,mal", "row 3, column sex", "Write male."),
    ("clients", "C03,T1", "C02,T1", "row 4, column client", "client C02 again, as in row 3"),
    ("clients", "C03,T1", "C02,T1", "row 4, column client", "The rows differ"),
    ("clients", "client,trainer", "cliant,trainer", "row 1, column cliant", "Rename it client"),
    ("clients", "client,trainer,age,sex", "client,trainer,age,gender", "row 1", "a column sex"),
    ("sessions", "C02,2026-03-04,T2,attended", "C02,2026-03-04,T2,atended", "row 5, column status",
     "Write attended."),
    ("sessions", "C02,2026-04-14", "C02,2026-03-04", "row 6, column date", "again, as in row 5"),
    ("departures", "C04,2026-03-20,time", "C04,2026-03-20,bored", "row 2, column reason",
     "Write one of these"),
    ("harms", "mild,no,yes", "awful,no,yes", "row 2, column severity", "mild"),
    ("closures", "2026-04-06", "", "row 2, column last_day", "an empty cell"),
]  # fmt: skip


@pytest.mark.parametrize("mutant", MUTANTS, ids=[f"{m[0]}: {m[2][:34]}" for m in MUTANTS])
def test_each_mistake_gives_one_finding_at_its_place(
    mutant: tuple[str, str, str, str, str], write: Write, protocol: Protocol
) -> None:
    name, old, new, where, words = mutant
    from .conftest import WHOLE

    assert old in WHOLE[name]
    records = read_records(write(**{name: WHOLE[name].replace(old, new, 1)}), protocol=protocol)
    finding = only(records.findings)
    assert finding.where == f"records/{name}.csv, {where}"
    assert words in str(finding)


# What can only mean one thing: table, text to replace, replacement, place of the note, what is understood.
UNDERSTOOD = [
    ("strength", "2026-04-14,leg_press", "14/04/2026,leg_press", "row 9, column date", "2026-04-14"),
    ("strength", "2026-04-15", "2026-04-15 10:30", "row 14, column date", "2026-04-15"),
    ("strength", "2026-04-15", "46127", "row 14, column date", "2026-04-15"),
    ("strength", "2026-04-15", "46127.75", "row 14, column date", "2026-04-15"),
    ("pauses", "2026-03-29", "29. 3. 2026", "row 2, column last_day", "2026-03-29"),
    ("strength", "leg_press,120,kg", "leg_press,120kg,kg", "row 6, column load", "120"),
    ("strength", "leg_press,120,kg", "leg_press,120 kg,Kilo", "row 6, column unit", "'kg'"),
    ("strength", "leg_press,110,kg,10,yes", "leg_press,110,kg,10,1", "row 12, column success", "'yes'"),
    ("strength", "leg_press,70,kg", "Leg press,70,kg", "row 10, column exercise", "'leg_press'"),
    ("strength", "C02,week_6", "C02,Week-6", "row 9, column visit", "'week_6'"),
    ("clients", "C02,T2", "C 02,T2", "row 3, column client", "'C02'"),
    ("clients", "C02,T2", "C02,T 2", "row 3, column trainer", "'T2'"),
    ("departures", "2026-03-20,time", "2026-03-20,Moved-away", "row 2, column reason", "'moved away'"),
]  # fmt: skip


@pytest.mark.parametrize("cell", UNDERSTOOD, ids=[f"{c[0]}: {c[2][:34]}" for c in UNDERSTOOD])
def test_what_can_only_mean_one_thing_is_understood_and_noted(
    cell: tuple[str, str, str, str, str], write: Write, protocol: Protocol
) -> None:
    name, old, new, where, meant = cell
    from .conftest import WHOLE

    assert old in WHOLE[name]
    records = read_records(write(**{name: WHOLE[name].replace(old, new, 1)}), protocol=protocol)
    assert not stops(records.findings)
    notes = {finding.where: finding.expected for finding in records.findings}
    assert notes[f"records/{name}.csv, {where}"] == meant
    assert records[name].number == len(WHOLE[name].strip().splitlines()) - 1, "no row is lost"


@pytest.mark.parametrize(("said", "day"), [("day", "2026-04-03"), ("month", "2026-03-04")])
def test_the_order_of_day_and_month_is_said_once_for_all_tables(
    said: str, day: str, write: Write, protocol: Protocol
) -> None:
    changed = {
        "strength": STRENGTH.replace("2026-02-28,leg_press,70", "03/04/2026,leg_press,70"),
        "pauses": "client,first_day,last_day\nC01,03/04/2026,03/04/2026\n",
    }  # fmt: skip
    folder = write(**changed)
    assert (
        "studykit check STUDY --date-order day"
        in stops(read_records(folder, protocol=protocol).findings)[0].todo
    )
    say_date_order(folder, said)  # type: ignore[arg-type]
    records = read_records(folder, protocol=protocol)
    assert not stops(records.findings)
    assert str(records["strength"].columns["date"][8]) == str(records["pauses"].columns["last_day"][0]) == day
    assert ("records/dates.txt" in dict(records.hashes)) is True
    (folder / "dates.txt").write_text("as always")
    found = stops(read_records(folder, protocol=protocol).findings)
    assert found[0].where == "records/dates.txt"


def test_ten_kinds_of_mistake_in_one_set_of_files_give_ten_findings(write: Write, protocol: Protocol) -> None:
    changed = {
        "clients": CLIENTS.replace("C02,T2", "Petra Kohl,T2").replace("C04,T2,60", "C04,T2,sixty"),
        "strength": STRENGTH.replace("2026-04-13,leg_press", "03/04/2025,leg_press")
        .replace("chest_press,33", 'chest_press,"1,335"')
        .replace("C03,baseline,2026-02-28,leg_press,70,kg", "C03,baseline,2026-02-28,leg_press,70,stone")
        .replace("C04,week_6", "C04,week_8"),
        "sessions": SESSIONS.replace("C03,2026-03-05,T1,cancelled", "C03,2026-03-05,T1,canceled?")
        .replace("C02,2026-04-14", "C02,2026-03-04")
        .replace("C04,2026-03-09,T2,attended,8,3", "C04,2026-03-09,T2,attended,8,300"),
        "pauses": "client,first_day,reason\nC01,2026-03-16,holiday\n",
    }
    records = read_records(write(**changed), protocol=protocol)
    assert [finding.where for finding in stops(records.findings)] == [
        "records/clients.csv, row 3, column client",
        "records/clients.csv, row 5, column age",
        "records/strength.csv, row 4, column date",
        "records/strength.csv, row 5, column load",
        "records/strength.csv, row 10, column unit",
        "records/strength.csv, row 14, column visit",
        "records/sessions.csv, row 6, column date",
        "records/sessions.csv, row 7, column status",
        "records/sessions.csv, row 8, column partner_reps",
        "records/pauses.csv, row 1",
    ]
    assert records["clients"].row_numbers.tolist() == [2, 4]
    assert records["sessions"].number == 4
    assert records["pauses"].number == 0
    assert records.unread_clients == {"C04"}


def test_a_refused_name_is_not_repeated(write: Write) -> None:
    records = read_records(write(clients=CLIENTS.replace("C02,T2", "Petra Kohl,T2")))
    assert all("Petra" not in str(finding) for finding in records.findings)


def test_blanks_and_capitals_are_understood_and_noted(write: Write, protocol: Protocol) -> None:
    text = STRENGTH.replace("C02,week_6", "c02 ,Week_6").replace("leg_press,70,kg", " Leg_Press ,70,KG")
    records = read_records(write(strength=text), protocol=protocol)
    assert not stops(records.findings)
    assert records["strength"].columns["client"][7] == "C02"
    assert records["strength"].columns["visit"][7] == "week_6"
    notes = {finding.where for finding in records.findings}
    assert "records/strength.csv, row 9, column client" in notes
    assert "records/strength.csv, row 9, column visit" in notes
    assert "records/strength.csv, row 10, column unit" in notes


def test_blanks_around_a_value_are_noted(write: Write, protocol: Protocol) -> None:
    """A value with a blank behind it would be another arm or visit; it is trimmed, and that is said."""
    text = STRENGTH.replace("C02,week_6", "C02,week_6 ").replace("C04,week_6", "C04,week_6 ")
    note = only(read_records(write(strength=text), protocol=protocol).findings, "note")
    assert note.where == "records/strength.csv, row 9, column visit"
    assert "1 more of this column" in note.got


def test_mixed_decimal_marks_stop_only_where_thousands_could_be_meant(write: Write) -> None:
    text = STRENGTH.replace(",30,kg", ',"30,5",kg').replace(",33,kg", ',"1,335",kg')
    records = read_records(write(strength=text))
    finding = only(records.findings)
    assert finding.where == "records/strength.csv, row 5, column load"
    assert "1.335 or as 1335" in finding.got
    assert records["strength"].columns["load"][1] == 30.5


def test_a_comma_that_may_divide_thousands_is_refused(write: Write) -> None:
    text = STRENGTH.replace("92.5", "92").replace(",120,kg", ',"1,250",kg')
    finding = only(read_records(write(strength=text)).findings)
    assert "1.250 or as 1250" in finding.got


def test_a_row_with_the_code_of_the_example_is_no_example_once_it_is_changed(
    write: Write, protocol: Protocol
) -> None:
    text = SESSIONS + "EXAMPLE,2026-03-11,T1,attended,,,,,\n"
    records = read_records(write(sessions=text), protocol=protocol)
    finding = only(records.findings)
    assert finding.where == "records/sessions.csv, row 9, column client"
    assert finding.got == "this row still has the example's code"
    assert records["sessions"].number == 7


def test_the_word_in_another_cell_makes_no_example(write: Write, protocol: Protocol) -> None:
    """A serious harm whose remark, a closure whose reason was left standing: records like any other."""
    harm = "C03,,2026-03-09,fainted,leg_press,4,severe,yes,no,probable,EXAMPLE,in hospital,SP\n"
    closure = "2026-05-01,2026-05-03,EXAMPLE\n"
    records = read_records(
        write(harms=HARMS + harm, closures=CLOSURES + closure, departures=DEPARTURES), protocol=protocol
    )
    assert records.findings == ()
    assert records["harms"].columns["serious"].tolist() == [0.0, 0.0, 1.0]
    assert records["closures"].columns["first_day"].astype(str).tolist() == ["2026-04-03", "2026-05-01"]


@pytest.mark.parametrize("workbook", [False, True])
@pytest.mark.parametrize("name", [table.name for table in TABLES])
def test_every_row_is_either_used_or_named(name: str, workbook: bool, tmp_path: Path) -> None:
    """The shipped example, the example with each cell changed, a header, a remark, a torn row, blank rows."""
    protocol = everything()
    write_empty_tables(tmp_path, protocol)
    header, example = (tmp_path / f"{name}.csv").read_text().splitlines()
    shipped = next(csv.reader([example]))
    record = ["E0" if cell == "EXAMPLE" else cell for cell in shipped]
    rows = [shipped, record, [], ["", ""], header.split(","), ["# a remark"], shipped[:1]]
    for place, _ in enumerate(shipped):
        rows.append([*shipped[:place], "EXAMPLE", *shipped[place + 1 :]])
        rows.append([f"E{len(rows)}" if cell == "EXAMPLE" else cell for cell in shipped])
        rows[-1][place] = "EXAMPLE"
    save(tmp_path, name, [header.split(","), *rows], workbook=workbook)
    records = read_records(tmp_path, protocol=protocol)
    filled = [number for number, row in enumerate(rows, start=2) if any(row)]
    used = set(records[name].row_numbers.tolist())
    named = {row_of(finding) for finding in records.findings
             if finding.severity == "stop" or finding.got == "the example row of a new table"}  # fmt: skip
    assert used | named == set(filled)
    assert not used & named
    assert 3 in used
    examples = [row_of(finding) for finding in records.findings if finding.severity == "note"]
    assert 2 in examples


def everything() -> Protocol:
    """A protocol that uses every table."""
    content = protocol_of().model_dump(mode="json", exclude_none=True)
    weight = {"kind": "continuous", "code": "weight", "name": "weight", "unit": "kg", "scale": "as_measured",
              "score": {"rule": "as recorded"}, "primary_visit": "week_6", "role": "secondary"}  # fmt: skip
    return protocol_of(outcomes=[*content["outcomes"], weight], allocation="external")


def save(folder: Path, name: str, rows: list[list[str]], *, workbook: bool) -> None:
    for path in folder.glob("*.csv"):
        path.unlink()
    if workbook:
        book = Workbook()
        book.active.title = name
        for place, row in enumerate(rows, start=1):
            for column, text in enumerate(row, start=1):
                book.active.cell(place, column, text or None)
        book.save(folder / "records.xlsx")
        return
    with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)


def row_of(finding: Finding) -> int:
    found = re.search(r", row (\d+)", finding.where)
    return int(found.group(1)) if found else 0


def test_unknown_columns_are_reported(write: Write, protocol: Protocol) -> None:
    text = (
        CLIENTS.replace("age,sex", "age,sex,shoe")
        .replace("female\n", "female,38\n")
        .replace(",male\n", ",male,43\n")
    )
    note = only(read_records(write(clients=text), protocol=protocol).findings, "note")
    assert note.where == "records/clients.csv, row 1, column shoe"
    assert "shoe" in read_records(write(clients=text)).tables["clients"].columns  # kept without a protocol


def test_a_column_twice_is_refused(write: Write) -> None:
    text = CLIENTS.replace("age,sex", "age,age")
    assert "each column once" in str(only(read_records(write(clients=text)).findings))


def test_a_covariate_of_the_protocol_is_a_number_where_all_cells_are(write: Write) -> None:
    protocol = protocol_of(analysis={"adjust_for": ["height", "goal"]})
    text = "client,trainer,age,sex,height,goal\nC01,T1,44,female,171,run\nC02,T2,51,male,,lift\n"
    records = read_records(write(clients=text), protocol=protocol)
    heights = records["clients"].columns["height"]
    assert heights[0] == 171.0
    assert np.isnan(heights[1])
    assert records["clients"].columns["goal"].tolist() == ["run", "lift"]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "an empty file"),
        (b"\n\n", "an empty file"),
        (
            "client,trainer\nC01,T\xfc\n".encode("cp1252"),
            "another encoding, most likely an older Windows one",
        ),
        ("client\nC01\n".encode("utf-16"), "UTF-16"),
        (b"client,trainer\nC01,T\x001\n", "NUL byte"),
        (b"client\ttrainer\nC01\tT1\n", "tabs"),
        (b'client,trainer\nC01,"T1\nC02,T2\n', "cannot be taken apart"),
    ],
)
def test_files_that_are_no_tables(data: bytes, words: str, write: Write) -> None:
    finding = only(read_records(write(clients=data)).findings)
    assert finding.where.startswith("records/clients.csv")
    assert words in str(finding)


def test_an_older_encoding_names_row_and_text(write: Write) -> None:
    text = "client,trainer,age,sex\nC01,T1,44,female\nC02,T2,51,männlich\n"
    finding = only(read_records(write(clients=text.encode("cp1252"))).findings)
    assert finding.where == "records/clients.csv, row 3, cell 4"
    assert "männlich" in finding.got


def test_a_decimal_comma_that_splits_a_row_is_explained(write: Write) -> None:
    text = STRENGTH.replace("92.5", "92,5")
    finding = only(read_records(write(strength=text)).findings)
    assert finding.where == "records/strength.csv, row 4"
    assert "quotation marks" in finding.todo


def test_a_line_that_announces_the_delimiter_is_no_header(write: Write, protocol: Protocol) -> None:
    """As some spreadsheet programs write it: common practice, no source."""
    told = "sep=;\r\n" + SESSIONS.replace(",", ";")
    records = read_records(write(sessions=told), protocol=protocol)
    assert records.findings == ()
    assert records["sessions"].number == 7
    assert records["sessions"].row_numbers[0] == 3


@pytest.mark.parametrize("text", [STRENGTH.split("\n", 1)[1], "<html><body>x</body></html>"])
def test_a_file_without_its_header_is_one_finding(text: str, write: Write, protocol: Protocol) -> None:
    records = read_records(write(strength=text), protocol=protocol)
    found = only(records.findings)
    assert found.where == "records/strength.csv, row 1"
    assert "client, visit, date" in found.expected
    assert records["strength"].number == 0


def test_a_blank_row_is_nothing_and_keeps_the_numbering(write: Write) -> None:
    records = read_records(write(clients=CLIENTS.replace("C02", ",,,\n\nC02")))
    assert records["clients"].row_numbers.tolist() == [2, 5, 6, 7]
    assert not records.findings


def test_a_file_that_is_open_elsewhere_is_a_warning(write: Write) -> None:
    folder = write()
    (folder / ".~lock.strength.csv#").write_text("x")
    warning = only(read_records(folder).findings, "warn")
    assert warning.where == "records/strength.csv"
    assert "open in a spreadsheet program" in warning.got


def test_a_file_that_the_system_withholds_is_a_finding(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = write()
    plain_read = Path.read_bytes

    def refuse(path: Path) -> bytes:
        if path.name == "strength.csv":
            raise PermissionError(13, "Permission denied", str(path))
        return plain_read(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    finding = only(read_records(folder).findings)
    assert finding.where == "records/strength.csv"
    assert "Close it in the spreadsheet program" in finding.todo


def test_a_misspelt_file_name_stops(write: Write) -> None:
    folder = write()
    (folder / "sesions.csv").write_text(SESSIONS)
    (folder / "readme.csv").write_text("a,b\n")
    findings = read_records(folder).findings
    assert only(findings).expected == "the file name sessions.csv"
    assert only(findings, "note").where == "records/readme.csv"


def test_another_workbook_in_the_folder_stops(write: Write) -> None:
    folder = write()
    (folder / "strength.ods").write_bytes(b"x")
    assert "one workbook named records.xlsx" in only(read_records(folder).findings).expected


def test_names_differing_in_capitals_only_stop(write: Write) -> None:
    folder = write()
    if (folder / "Clients.csv").exists():
        return  # the file system does not tell them apart, so there cannot be two
    (folder / "Clients.csv").write_text(CLIENTS)
    assert "a second one" in only(read_records(folder).findings).got
