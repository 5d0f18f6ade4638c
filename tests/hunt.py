"""A long random hunt through the properties: more examples, new seeds.

    python tests/hunt.py                          # ten new seeds, ten times the examples
    python tests/hunt.py --seeds 3 --times 2 tests/property/test_protocol.py
    python tests/hunt.py --seed 57 --seed 380     # these seeds again

The default run draws the same examples every time; this one does not, so it is run by hand. For every
property that fails it prints the seed and the example: pin that with ``@example`` and mend the code. The
exit code is 0 only if every seed came out clean.
"""

from __future__ import annotations

import argparse
import secrets
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SETTINGS = "_hypothesis_internal_use_settings"  # there is no public way to change the settings of a test


class Hunt:
    """Multiplies the examples of every property and keeps what failed."""

    def __init__(self, seed: int, times: int) -> None:
        self.seed, self.times = seed, times
        self.properties = 0
        self.failed: list[str] = []

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Properties only, each with its own number of examples multiplied."""
        from hypothesis import is_hypothesis_test, settings  # pytest wants to import it first

        items[:] = [item for item in items if is_hypothesis_test(getattr(item, "obj", None))]
        for test in {getattr(item.obj, "__func__", item.obj) for item in items}:  # type: ignore[attr-defined]
            usual: settings = getattr(test, SETTINGS)
            more = self.times * usual.max_examples
            setattr(test, SETTINGS, settings(usual, max_examples=more, derandomize=False))
        self.properties = len(items)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self, item: pytest.Item, call: pytest.CallInfo[None]):  # type: ignore[no-untyped-def]
        """Whatever ends a property badly, with the example that Hypothesis added as a note."""
        report = yield
        if report.failed and call.excinfo is not None:
            error = call.excinfo.value
            self.failed.append("\n".join([f"FAILED {item.nodeid} with seed {self.seed}", *_told(error)]))
        return report


def _told(error: BaseException) -> list[str]:
    """The error, its examples, and those of the errors it stands for."""
    lines = [f"  {type(error).__name__}: {str(error).splitlines()[0] if str(error) else ''}"]
    lines += [f"    {line}" for note in getattr(error, "__notes__", ()) for line in note.splitlines()]
    for part in getattr(error, "exceptions", ()):
        lines += _told(part)
    return lines


def files_with_properties(places: Sequence[str]) -> list[str]:
    """Test files that use Hypothesis, among files and folders."""
    paths = [Path(place) for place in places]
    files = [
        file for path in paths for file in ([path] if path.is_file() else sorted(path.rglob("test_*.py")))
    ]
    return [str(file) for file in files if "@given" in file.read_text(encoding="utf-8")]


def hunt_once(seed: int, times: int, places: Sequence[str]) -> bool:
    """Run the properties of these files with one seed in this process; whether all came out clean."""
    hunt = Hunt(seed, times)
    words = ["-q", "--no-header", "--tb=no", "-p", "no:cacheprovider", "-o", "addopts="]
    words += ["--import-mode=importlib", "--hypothesis-profile=hunt", f"--hypothesis-seed={seed}"]
    code = pytest.main([*words, f"--rootdir={ROOT}", *files_with_properties(places)], plugins=[hunt])
    print(f"seed {seed}: {hunt.properties} properties, {len(hunt.failed)} failed", flush=True)
    print(*hunt.failed, sep="\n", flush=True)
    return code == pytest.ExitCode.OK


def main(words: Sequence[str] | None = None) -> int:
    """Read the arguments and hunt, each seed in a process of its own."""
    parser = argparse.ArgumentParser(description="A long random hunt through the properties.")
    parser.add_argument("places", nargs="*", default=[str(ROOT / "tests")], help="test files or folders")
    parser.add_argument("--seeds", type=int, default=10, help="how many new seeds (default 10)")
    parser.add_argument("--seed", type=int, action="append", default=[], help="this seed; can be repeated")
    parser.add_argument("--times", type=int, default=10, help="times the usual examples (default 10)")
    said = parser.parse_args(words)
    seeds = said.seed or [secrets.randbelow(10**6) for _ in range(said.seeds)]
    if len(seeds) == 1:
        return 0 if hunt_once(seeds[0], said.times, said.places) else 1
    again = [sys.executable, __file__, f"--times={said.times}", *said.places]
    failed = [seed for seed in seeds if subprocess.run([*again, f"--seed={seed}"], check=False).returncode]
    print(
        f"{len(seeds) - len(failed)} of {len(seeds)} seeds clean"
        + (f"; not clean: {failed}" if failed else "")
    )
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
