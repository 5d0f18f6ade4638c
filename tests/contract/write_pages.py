"""Write the generated parts of DEVELOPERS.md anew: ``python tests/contract/write_pages.py``."""

from __future__ import annotations

import re
from pathlib import Path

from studykit.lookback.page import attendance_page
from studykit.protocol.page import protocol_page
from studykit.records.page import schema_page

PAGE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
MAKERS = {"records": schema_page, "attendance": attendance_page, "protocol": protocol_page}


def filled(text: str) -> str:
    """The page with every generated part made anew from code."""
    for name, make in MAKERS.items():
        pattern = re.compile(rf"(<!-- generated: {name} -->\n).*?(<!-- end -->)", re.DOTALL)
        body = make().strip()
        text = pattern.sub(lambda match, body=body: f"{match[1]}\n{body}\n\n{match[2]}", text)
    return text


if __name__ == "__main__":
    PAGE.write_text(filled(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
