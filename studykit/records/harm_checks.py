"""Harms that contradict themselves; no harm is ever left out for that."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from studykit.errors import Finding
from studykit.records.scene import Scene, place


def harm_findings(scene: Scene) -> Iterator[Finding]:
    """Everything noticed about harms."""
    typed = scene.records["harms"]
    columns = typed.columns
    since = scene.since(typed, "date", scene.allocated_on)
    for row in range(typed.number):
        severity = columns["severity"][row]
        if not columns["client"][row] and not columns["trainer"][row]:
            yield Finding(
                "stop", place(typed, row, "client"), "the client or the trainer who was hurt", "neither",
                "Fill one of them in.",
            )  # fmt: skip
        if columns["serious"][row] == 1.0 and severity == "mild":
            yield Finding(
                "warn", place(typed, row, "severity"), "moderate or severe, since the harm is serious",
                "mild", "Let the reviewer of the protocol judge both.",
            )  # fmt: skip
        if columns["expected"][row] == 1.0 and (columns["serious"][row] == 1.0 or severity == "severe"):
            yield Finding(
                "warn", place(typed, row, "expected"), "no: only ordinary soreness is expected", "yes",
                "Correct it; the harm would be counted apart.",
            )  # fmt: skip
        if np.isfinite(since[row]) and since[row] < 0:
            client = columns["client"][row]
            yield Finding(
                "note", place(typed, row, "date"), f"a day from allocation, {scene.allocated_on[client]}",
                str(columns["date"][row]), "It is counted; check the date.",
            )  # fmt: skip
