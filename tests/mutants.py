"""Would a test notice? Change the code in one place at a time, and run the tests on each change.

    python tests/mutants.py                                   # 150 places in the whole package
    python tests/mutants.py --room --number 30 --seed 4 studykit/report studykit/console.py
    python tests/mutants.py --then tests/unit/report/test_page.py studykit/report/tables.py
    python tests/mutants.py --list --number 10                # what would be changed, without running

Everything happens on copies in a temporary folder, never in the checkout. For each change the tests of the
changed file run first (those that mirror it or import it), then those of its room, then all the rest: with
``--room`` the rest is left out, with ``--then`` only the tests that it names follow. What survives is printed
with its line; a change that no test could notice belongs in `mutants_equivalent.toml`, with the
reason. The exit code is 0 if at least nine of ten were noticed. It takes minutes to hours: on request only.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from queue import SimpleQueue

import pytest
from scipy.stats import binomtest

ROOT = Path(__file__).resolve().parents[1]
LEAST = 0.9
SOUND: dict[str, bool] = {}  # tests that noticed something, and whether they pass on the code as it is
TEXT = ast.parse("str", mode="eval").body
SYMMETRIC = {"max", "maximum", "min", "minimum", "hypot", "isclose"}  # the order of what they take is nothing
NEEDED = ("studykit", "tests", "protocols", "synthetic_data", "analysis", ".ci")
OTHER: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
    ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.Lt: (ast.LtE, ast.Gt), ast.LtE: (ast.Lt, ast.GtE),
    ast.Gt: (ast.GtE, ast.Lt), ast.GtE: (ast.Gt, ast.LtE), ast.Add: (ast.Sub,), ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,), ast.Div: (ast.Mult,), ast.And: (ast.Or,), ast.Or: (ast.And,),
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change: bytes of a file from ``start`` to ``end`` become ``new``."""

    file: str
    line: int
    code: str
    start: int
    end: int
    old: str
    new: str

    @property
    def change(self) -> str:
        """What becomes of what."""
        return " ".join(f"{self.old} -> {self.new}".split())

    def __str__(self) -> str:
        """Place and change in one line."""
        return f"{self.file}:{self.line}: {self.change}"


# --- what can be changed -------------------------------------------------------------------------


def changed(node: ast.AST) -> Iterator[ast.AST]:
    """The node with one thing in it changed, in each way that we know."""
    match node:
        case ast.Compare(ops=ops):
            for place, op in enumerate(ops):
                for other in OTHER.get(type(op), ()):
                    yield _with(node, ops=[*ops[:place], other(), *ops[place + 1 :]])
        case ast.BinOp(op=op) | ast.BoolOp(op=op):
            for other in OTHER.get(type(op), ()):
                yield _with(node, op=other())
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield operand
        case ast.Constant(value=bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(value=int() as value):
            yield ast.Constant(value + 1)
        case ast.Call(args=[first, second, *rest]) if ast.dump(first) != ast.dump(second):
            starred = isinstance(first, ast.Starred) or isinstance(second, ast.Starred)
            if not starred and ast.unparse(node.func).rpartition(".")[2] not in SYMMETRIC:
                yield _with(node, args=[second, first, *rest])


def _with(node: ast.AST, **fields: object) -> ast.AST:
    copy = deepcopy(node)
    for name, value in fields.items():
        setattr(copy, name, value)
    return copy


def running(node: ast.AST) -> Iterator[ast.AST]:
    """The parts that do something when the code runs: no annotations, decorators, or ``strict`` of a zip."""
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns", "decorator_list"}:
            continue
        for part in value if isinstance(value, list) else [value]:
            if isinstance(part, ast.keyword) and part.arg == "strict":
                continue
            if isinstance(part, ast.AST):
                yield part
                yield from running(part)


def texts(tree: ast.AST) -> Iterator[ast.expr]:
    """What functions that are annotated to return a text return."""
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.FunctionDef)
            and isinstance(node.returns, ast.Name)
            and node.returns.id == "str"
        ):
            yield from (part.value for part in running(node) if isinstance(part, ast.Return) and part.value)


def mutants_of(file: Path, root: Path = ROOT) -> list[Mutant]:
    """Every change of a file that we know."""
    source = file.read_bytes()
    begins = [0]
    for line in source.splitlines(keepends=True):
        begins.append(begins[-1] + len(line))
    tree, found = ast.parse(source), []
    ways = [(node, new) for node in running(tree) for new in changed(node)]
    ways += [(node, ast.Constant("")) for node in texts(tree) if not isinstance(node, ast.Constant)]
    for node, new in ways:
        assert isinstance(node, ast.expr)
        start = begins[node.lineno - 1] + node.col_offset
        end = begins[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)
        old = source[start:end].decode("utf-8")
        if not _stands_there(node, old):  # inside a text in braces, Python before 3.12 does not know where
            continue
        code = source[begins[node.lineno - 1] : begins[node.lineno]].decode("utf-8").strip()
        name = file.relative_to(root).as_posix()
        found.append(Mutant(name, node.lineno, code, start, end, old, ast.unparse(new)))
    return found


def _stands_there(node: ast.expr, text: str) -> bool:
    with contextlib.suppress(SyntaxError):
        return ast.dump(ast.parse(f"({text})", mode="eval").body) == ast.dump(node)
    return False


def sample(places: Sequence[str], number: int, seed: int) -> list[Mutant]:
    """A seeded sample of changes among files and folders."""
    files: list[Path] = []
    for place in places:
        path = ROOT / place
        files += [path] if path.is_file() else sorted(path.rglob("*.py"))
    known = [mutant for file in files for mutant in mutants_of(file)]
    return random.Random(seed).sample(known, min(number, len(known)))


# --- who would notice ----------------------------------------------------------------------------


def stages(file: str, said: argparse.Namespace) -> list[list[str]]:
    """Tests of the file, tests of its room, and all the rest; the first failure ends it."""
    path = Path(file)
    room = Path("tests/unit", *path.parts[1:-1])
    first = dict.fromkeys(test.relative_to(ROOT).as_posix() for test in near(path))
    if said.then:
        return [list(dict.fromkeys([file, *first, *said.then]))]
    found = [[file, *first]]
    if len(path.parts) > 2 and (ROOT / room).is_dir():
        found.append([room.as_posix()])
    return found if said.room else [*found, ["tests", "studykit"]]


def near(path: Path) -> list[Path]:
    """Unit tests that mirror or import a module; where there are none, those of modules that import it."""
    tests = sorted((ROOT / "tests/unit").rglob("test_*.py"))
    mirrored = ROOT / "tests/unit" / Path(*path.parts[1:-1]) / f"test_{path.stem}.py"
    modules, asked = [path], {path}
    while modules:
        names = [name for module in modules for name in _imports_of(module)]
        found = [test for test in tests if test == mirrored or any(name in _read(test) for name in names)]
        if found:
            return found
        ours = [file.relative_to(ROOT) for file in sorted((ROOT / "studykit").rglob("*.py"))]
        modules = [
            file for file in ours if file not in asked and any(name in _read(ROOT / file) for name in names)
        ]
        asked.update(modules)
    return []


def _imports_of(module: Path) -> tuple[str, str]:
    package = ".".join(module.parent.parts)
    return f"{package}.{module.stem} ", f"from {package} import {module.stem}"


@cache
def _read(file: Path) -> str:
    return file.read_text(encoding="utf-8")


def noticed(copy: Path, tests: Sequence[str], seconds: float) -> str:
    """Empty if these tests pass on the copy, else how it was noticed."""
    words = [
        sys.executable,
        "-m",
        "pytest",
        "-x",
        "-q",
        "--no-header",
        "--tb=no",
        "-p",
        "no:cacheprovider",
        "-o",
        "python_classes=Test[A-Z]*",  # of our modules only the examples, not what is called Test…
        "-o",
        "python_functions=test_*",  # nor `tests_due`
        *tests,
    ]
    environment = os.environ | {"PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "Agg"}
    process = subprocess.Popen(
        words, cwd=copy, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        encoding="utf-8", errors="replace", start_new_session=True,
    )  # fmt: skip
    try:
        said, _ = process.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        return f"not done after {seconds:.0f} s"
    if process.returncode in {pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED}:
        return ""
    lines = [line for line in said.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return lines[0] if lines else f"pytest stopped with code {process.returncode}"


def judge(mutant: Mutant, copy: Path, said: argparse.Namespace) -> str:
    """Change the copy, run the tests, put it back; how it was noticed, or empty."""
    path = copy / mutant.file
    whole = path.read_bytes()
    try:
        _write(path, whole[: mutant.start] + f"({mutant.new})".encode() + whole[mutant.end :])
        for tests in stages(mutant.file, said):
            found = noticed(copy, tests, said.seconds)
            if found:
                return found
        return ""
    finally:
        _write(path, whole)


def passes_as_it_is(copy: Path, found: str, seconds: float) -> bool:
    """Whether the test that noticed a change passes without it; asked once for each test."""
    test = found.partition(" ")[2].partition(" - ")[0] if found.startswith(("FAILED", "ERROR")) else ""
    if test and test not in SOUND:
        SOUND[test] = not noticed(copy, [test], seconds)
    return SOUND.get(test, True)


def _write(path: Path, content: bytes) -> None:
    """Write a module; what Python has compiled of it before goes."""
    path.write_bytes(content)
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
        compiled.unlink()


def copied(folder: Path) -> Path:
    """The project without what Python, Git or a virtual environment left in it."""
    folder.mkdir()
    for name in NEEDED:
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for file in ROOT.iterdir():
        if file.is_file():
            shutil.copy(file, folder)
    return folder


def equivalent() -> dict[tuple[str, str, str], str]:
    """Changes that no test could notice, with the reason."""
    with Path(__file__).with_name("mutants_equivalent.toml").open("rb") as file:
        known = tomllib.load(file).get("equivalent", [])
    return {(item["file"], item["code"], item["change"]): item["reason"] for item in known}


def run(mutants: Sequence[Mutant], said: argparse.Namespace) -> list[Mutant]:
    """The changes that nothing noticed."""
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(said.workers) as pool:
        free: SimpleQueue[Path] = SimpleQueue()
        for number in range(said.workers):
            free.put(copied(Path(folder) / str(number)))

        def one(mutant: Mutant) -> str:
            copy = free.get()
            try:
                found = judge(mutant, copy, said)
                if found and not passes_as_it_is(copy, found, said.seconds):
                    raise SystemExit(f"This test does not pass on the code as it is: {found}")
            finally:
                free.put(copy)
            told = f"noticed  {mutant}  [{found[:120]}]" if found else f"SURVIVED {mutant}"
            print(told, flush=True)
            return found

        answers = list(pool.map(one, mutants))
    return [mutant for mutant, found in zip(mutants, answers, strict=True) if not found]


def main(words: Sequence[str] | None = None) -> int:
    """Read the arguments, draw, run, and report."""
    parser = argparse.ArgumentParser(description="Would a test notice? One change of the code at a time.")
    parser.add_argument("places", nargs="*", default=["studykit"], help="files or folders (default studykit)")
    parser.add_argument("--number", type=int, default=150, help="how many changes (default 150)")
    parser.add_argument("--seed", type=int, default=1, help="seed of the sample (default 1)")
    parser.add_argument("--room", action="store_true", help="run the tests of file and room only")
    parser.add_argument(
        "--then", action="append", default=[], help="run these after the file's own, no others"
    )
    parser.add_argument("--seconds", type=float, default=1800.0, help="most time for the tests of one stage")
    parser.add_argument("--workers", type=int, default=1, help="changes tried at the same time (default 1)")
    parser.add_argument("--list", action="store_true", help="show the sample and stop")
    said = parser.parse_args(words)
    known = equivalent()
    drawn = sample(said.places, said.number, said.seed)
    mutants = [item for item in drawn if (item.file, item.code, item.change) not in known]
    print(f"seed {said.seed}: {len(drawn)} changes, {len(drawn) - len(mutants)} of them known as equivalent")
    if said.list:
        print(*mutants, sep="\n")
        return 0
    survived = run(mutants, said)
    killed = len(mutants) - len(survived)
    interval = binomtest(killed, len(mutants)).proportion_ci(method="wilson")
    print(f"noticed {killed} of {len(mutants)}: {killed / len(mutants):.0%}, Wilson 95 % interval "
          f"{interval.low:.0%} to {interval.high:.0%}")  # fmt: skip
    print(*(f"SURVIVED {item}\n    {item.code}" for item in survived), sep="\n")
    return 0 if killed >= LEAST * len(mutants) else 1


if __name__ == "__main__":
    raise SystemExit(main())
