"""What every benchmark needs: medians, R in the same run, and a table of ratios.

Benchmarks are scripts. Run one, or all::

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/mixed_single.py
    for script in tests/benchmarks/mixed_*.py; do OPENBLAS_NUM_THREADS=1 python "$script"; done

A script times both sides in one run on one machine and prints their ratio beside its target; it ends with
code 1 if a target is missed. Times are processor time of one thread on both sides, so that other work on the
machine does not count. Nothing here runs in the default tests: clocks on shared machines differ, and R
(lme4, pbkrtest) is needed. Without R the lines that need it say so and are left out.
"""

from __future__ import annotations

import csv
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent


def median_seconds(call: Callable[[], object], *, repeats: int = 15) -> float:
    """Median processor time of a call in seconds, after one call that is not counted."""
    call()
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return statistics.median(times)


@dataclass(frozen=True, slots=True)
class Line:
    """One comparison.

    Parameters
    ----------
    what : str
    ours : float
        In seconds, or in any unit that ``theirs`` has too.
    theirs : float or None
        What it is held against: another program's time in the same run, or a fixed limit.
    against : str
        What ``theirs`` is.
    at_most : float or None
        Target of ``ours / theirs``; None where there is only something to see.
    """

    what: str
    ours: float
    theirs: float | None
    against: str
    at_most: float | None = None

    @property
    def missed(self) -> bool:
        """Whether there is a target and it is not reached."""
        return self.at_most is not None and self.theirs is not None and self.ours > self.at_most * self.theirs


def show(title: str, lines: Sequence[Line], *, unit: str = "ms", factor: float = 1000.0) -> int:
    """Print the table; the exit code: 1 if a target is missed."""
    print(f"\n{title} ({unit})")
    width = max(len(line.what) for line in lines)
    for line in lines:
        text = f"  {line.what:<{width}}  {line.ours * factor:10.3f}"
        if line.theirs is not None:
            ratio = line.ours / line.theirs
            share = f"{ratio:.2f}" if ratio > 0.1 else f"1/{1.0 / ratio:.0f}"
            text += f"   {line.against} {line.theirs * factor:.3f}, ratio {share}"
        if line.at_most is not None and line.theirs is not None:
            most = f"{line.at_most:.2f}" if line.at_most > 0.1 else f"1/{1.0 / line.at_most:.0f}"
            text += f", target {most}: {'MISSED' if line.missed else 'reached'}"
        print(text)
    return int(any(line.missed for line in lines))


def in_r(
    script: str, columns: Mapping[str, Any], *words: str, packages: Sequence[str] = ()
) -> dict[str, float]:
    """Run an R script of this folder on columns of data; the numbers it prints as ``name value``.

    Empty if R or one of the packages is not there; the reason is then printed.
    """
    if not r_has(packages):
        return {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "data.csv"
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(columns)
            writer.writerows(zip(*columns.values(), strict=True))
        answer = subprocess.run(
            ["Rscript", "--vanilla", str(HERE / script), str(path), *words],
            capture_output=True, text=True, check=False, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
    if answer.returncode:
        sys.exit(f"{script} failed:\n{answer.stderr}")
    pairs = (line.split() for line in answer.stdout.splitlines() if line.strip())
    return {name: float(value) for name, value in pairs}


def r_has(packages: Sequence[str]) -> bool:
    """Whether R and these packages are there; says so if not."""
    if shutil.which("Rscript") is None:
        print("Rscript was not found: lines against R are left out.")
        return False
    names = ", ".join(f'"{name}"' for name in packages)
    check = f"q(status = as.integer(!all(sapply(c({names}), requireNamespace, quietly = TRUE))))"
    if (
        packages
        and subprocess.run(["Rscript", "--vanilla", "-e", check], capture_output=True, check=False).returncode
    ):
        print(f"R lacks one of {', '.join(packages)}: lines against R are left out.")
        return False
    return True
