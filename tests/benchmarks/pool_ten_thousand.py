"""Ten thousand studios' files with their joining list: read, every code checked, judged, pooled.

Limits: 2 s of processor time for the files and the list, 150 MB at the peak, both in a process of its own.
How to run: see `timing`, with PYTHONPATH=. before it.
"""

from __future__ import annotations

import datetime as dt
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from timing import Line, show

STUDIOS = (10, 10_000)


def pooled_here(folder: Path) -> None:
    """Seconds and the peak of this process in MB, and how many studios are in."""
    import scipy.special  # noqa: F401 — imports are not what is measured

    import studykit as sk
    from studykit.pooling import pool as _pool
    from studykit.retention import risk_difference as _risk_difference

    del _pool, _risk_difference
    files, start = sorted(folder.glob("*.json")), time.process_time()
    found = sk.pool(folder / "joining_list.txt", files, today=dt.date(2026, 12, 15))
    seconds = time.process_time() - start
    assert len(found.studios) == len(files)
    assert not found.left_out
    print(seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)


def measured(number: int) -> tuple[float, float]:
    """Seconds and MB for so many studios."""
    from synthetic_data.invented_studios import invented_studios, written_studios

    with tempfile.TemporaryDirectory() as folder:
        for name, content in written_studios(*invented_studios(number)).items():
            (Path(folder) / name).write_bytes(content)
        words = [sys.executable, __file__, folder]
        answer = subprocess.run(words, capture_output=True, text=True, check=True)
    seconds, peak = map(float, answer.stdout.split())
    return seconds, peak


def main() -> int:
    few, many = map(measured, STUDIOS)
    each = (many[1] - few[1]) * 1024.0 / (STUDIOS[1] - STUDIOS[0])
    missed = show(
        "Ten thousand files pooled",
        [Line("processor time", many[0], 2.0, "limit", 1.0)],
        unit="s",
        factor=1.0,
    )
    missed |= show(
        "Memory",
        [
            Line("peak with ten studios", few[1], None, ""),
            Line("peak with ten thousand", many[1], 150.0, "limit", 1.0),
        ],
        unit="MB", factor=1.0,
    )  # fmt: skip
    print(f"\n  {each:.1f} kB a studio, list and answers included")
    return missed


if __name__ == "__main__":
    if len(sys.argv) > 1:
        pooled_here(Path(sys.argv[1]))
    else:
        sys.exit(main())
