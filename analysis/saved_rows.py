"""Rows of a simulation as the file that the page of validity is made from."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

from studykit import __version__

FOLDER = Path(__file__).parent / "validity"


def save_rows(
    name: str, about: str, script: str, rows: Sequence[Any], *, trials: int, seed: int | str, **more: Any
) -> None:
    """Write ``validity/name.json``; ``more`` stands between the seed and the versions."""
    made = {
        "about": about,
        "script": Path(script).name,
        "trials": trials,
        "seed": seed,
        **more,
        "versions": {"studykit": __version__} | {part: version(part) for part in ("numpy", "scipy")},
        "date": dt.datetime.now(tz=dt.UTC).date().isoformat(),
        "rows": rows,
    }
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / f"{name}.json").write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")
