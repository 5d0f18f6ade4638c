"""Making a study's folder from a ready protocol, and copying the demo study."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

from studykit.errors import Finding, FolderError
from studykit.shipped import shipped
from studykit.study.folder import made_whole, synchronised_finding, template

PROTOCOL, RECORDS = "protocol.toml", "records"


def make_study(target: Path, *, design: str, answers: Mapping[str, str] | None = None) -> tuple[Finding, ...]:
    """Write protocol and empty tables; see `studykit.study.Study.start`."""
    from studykit.allocation.places import synchronised_folder
    from studykit.protocol.filling import fill_template
    from studykit.protocol.reading import parse_protocol
    from studykit.protocol.rules import check_protocol
    from studykit.records.writing import write_empty_tables

    text = fill_template(template(design), dict(answers or {}))
    read = parse_protocol(text, where=PROTOCOL)
    with made_whole(target) as making:
        (making / PROTOCOL).write_text(text, encoding="utf-8", newline="\n")
        (making / RECORDS).mkdir()
        write_empty_tables(making / RECORDS, read.protocol)
    findings = list(check_protocol(read.protocol, where=PROTOCOL, text=text))
    why = synchronised_folder(target)
    if why:
        findings.append(synchronised_finding(target, why))
    return tuple(findings)


def copy_demo(target: Path) -> bool:
    """Copy the demo study; whether anything was copied. See `studykit.study.Study.demo`."""
    source = shipped("synthetic_data") / "demo_study"
    if target.exists():
        own = target / PROTOCOL
        if not (own.is_file() and own.read_bytes() == (source / PROTOCOL).read_bytes()):
            raise FolderError(
                where=str(target), expected="a free name", got="something else of that name",
                todo="Give another: studykit demo FOLDER.",
            )  # fmt: skip
        return False
    with made_whole(target) as making:
        shutil.copytree(source, making, dirs_exist_ok=True)
    return True
