"""Attacks on a study: kills at every write, flipped bits, damaged files, all time zones; on request.

    python tests/attack.py                              # all of it, for at most an hour
    python tests/attack.py kills --minutes 20           # every write of every command, whole and torn
    python tests/attack.py bits files zones --times 2   # twice as many

Each part prints what it tried and what it found. What must never be found: a traceback, a ledger that lost
or doubled anything, a page or table half written, a row of records neither used nor named. The exit code is 0
only where none was. `tests/pipeline/test_attack.py` is the short form.

Kills need a C compiler and Linux: `tests/support/cut_off.c` ends the process at its n-th write.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import io
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))
SHIM = "STUDYKIT_CUT_OFF"
ENDED = 99
WAYS = ("before", "torn", "after")
TRACEBACK = ("a mistake inside studykit", "Traceback (most recent call last)")


@dataclass
class Tally:
    """What was tried, and what must not have been found."""

    seed: int = 1
    until: float = float("inf")
    tried: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def found(self, kind: str, what: str) -> None:
        self.tried[f"{kind} (must be 0)"] += 1
        self.wrong.append(f"{kind}: {what}")

    @property
    def over(self) -> bool:
        return time.monotonic() > self.until


def told(*words: object) -> tuple[int, str]:
    """Exit code and everything printed of one command in this process."""
    from studykit.cli import main

    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        try:
            code = main([str(word) for word in words])
        except SystemExit as error:
            code = int(error.code or 0)
        except BaseException as error:  # noqa: BLE001 — that is what is looked for
            return 70, f"{TRACEBACK[0]} {error!r}"
    return code, out.getvalue()


# --- studies to attack ----------------------------------------------------------------------------


def ready_and_locked(open_: Path, locked: Path) -> None:
    """A study before the lock, and with two clients drawn."""
    from studykit.study import Study
    from tests.pipeline.test_methods import BLOCKS, ready_study

    ready_study(open_, BLOCKS)
    shutil.copytree(open_, locked)
    study = Study.open(locked)
    study.lock(by="OW")
    study.enrol("C000", by="OW")
    study.enrol("C001", by="OW")


class Studies:
    """A study in each state, made when it is first asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, state: str) -> Path:
        place = self.folder / state / "mine"
        if not place.exists():
            place.parent.mkdir(exist_ok=True)
            getattr(self, state)(place)
        return place

    def open(self, place: Path) -> None:
        (self.folder / "locked").mkdir()
        ready_and_locked(place, self.folder / "locked" / "mine")

    def locked(self, place: Path) -> None:
        place.parent.rmdir()
        self("open")

    def amended(self, place: Path) -> None:
        from studykit.study import Study
        from tests.pipeline.test_methods import edit

        shutil.copytree(self("locked"), place)
        edit(Study.open(place), ('version = "1.0"', 'version = "1.1"'))

    def sealed(self, place: Path) -> None:
        from studykit.study import Study
        from tests.pipeline.test_methods import BLOCKS, edit

        shutil.copytree(self("open"), place)
        out = told("seal", place, "--to", place.parent / "outsider", "--slips", 6)[1]
        line = next(line.strip() for line in out.splitlines() if "sealed_list =" in line)
        edit(Study.open(place), (BLOCKS, f"{BLOCKS}{line}\n"))
        shutil.copy(place.parent / "outsider" / "sealed_list.json", place)

    def called(self, place: Path) -> None:
        from studykit.study import Study
        from tests.pipeline.test_sealed import slips_of

        shutil.copytree(self("sealed"), place)
        study = Study.open(place)
        study.lock(by="OW")
        number = study.call_slip("C000", by="OW").number
        word = slips_of(self("sealed").parent / "outsider")[number][1]
        (place.parent / "word").write_text(word, encoding="utf-8")

    def waiting(self, place: Path) -> None:
        from studykit.study import Study

        shutil.copytree(self("called"), place)
        Study.open(place).open_slip("C000", word=self.word(), by="OW")

    def word(self) -> str:
        return (self("called").parent / "word").read_text(encoding="utf-8")

    def trainers(self, place: Path) -> None:
        from studykit.study import Study
        from tests.pipeline.test_methods import add_rows, edit
        from tests.pipeline.test_trainers import NUMBERS, list_clients

        told("new", place, "--design", "trainers", "--defaults")
        edit(
            Study.open(place),
            ('review = "needed"', 'review = "approved"'),
            ('reference = ""', 'reference = "R"'),
        )
        for code, own in NUMBERS.items():
            numbers = {name: f"{value:g}" for name, value in own.items()}
            add_rows(place, "trainers", {"trainer": code, "signed_off_on": "2026-01-10", **numbers})
        list_clients(place)
        told("lock", place, "--by", "OW", "--yes")

    def demo(self, place: Path) -> None:
        from studykit.study import Study

        Study.demo(place)


@dataclass(frozen=True)
class Attacked:
    """A command: the state it begins in, its words after the study, how it may end when run again."""

    command: str
    state: str
    words: tuple[object, ...] = ()
    may_end: tuple[int, ...] = (0,)


BY = ("--by", "OW", "--yes")
LOOK = ("--look-by", "OW", "--look-reason", "attack", "--yes")
COMMANDS = {
    "new": Attacked("new", "", ("--defaults",), (0, 2)),
    "lock": Attacked("lock", "open", BY, (0, 2)),
    "lock with list": Attacked("lock", "sealed", BY, (0, 2)),
    "enrol": Attacked("enrol", "locked", ("C003", *BY)),
    "enrol, call": Attacked("enrol", "waiting", ("C003", *BY)),
    "enrol, slip": Attacked("enrol", "called", ("C000", "--by", "OW", "--slip", "WORD")),
    "trainers": Attacked("trainers", "trainers", BY),
    "amend": Attacked("amend", "amended", ("--reason", "second", *BY), (0, 2)),
    "note": Attacked("note", "locked", ("--what", "remark", "--reason", "hot", "--by", "OW")),
    "correct": Attacked(
        "correct", "locked", ("C000", "--fact", "age", "--value", "44", "--reason", "x", "--by", "OW"), (0, 2)
    ),
    "handover": Attacked(
        "handover",
        "locked",
        ("T1", "--to", "T2", "--reason", "moved", "--by", "OW"),
        (0, 2),
    ),
    "seal": Attacked("seal", "open", ("--to", "OUT", "--slips", "6"), (0, 2)),
    "today": Attacked("today", "locked", ("--by", "OW"), (0, 1)),
    "sheet": Attacked("sheet", "locked", ("C001",), (0, 1)),
    "check": Attacked("check", "locked", (), (0, 1)),
    "audit": Attacked("audit", "locked"),
    # These work out numbers and draw pictures before they write: some seconds each.
    "demo": Attacked("demo", ""),
    "plan": Attacked("plan", "open"),
    "analyse": Attacked("analyse", "demo", LOOK),
    "report": Attacked("report", "demo", LOOK),
}


# --- kills ----------------------------------------------------------------------------------------


def shim(folder: Path) -> Path | None:
    """The shim, compiled; nothing where there is no compiler."""
    compiler = shutil.which("cc")
    if compiler is None or sys.platform != "linux":
        return None
    made = folder / "cut_off.so"
    source = ROOT / "tests" / "support" / "cut_off.c"
    subprocess.run([compiler, "-O1", "-shared", "-fPIC", "-o", str(made), str(source), "-ldl"], check=True)
    return made


def kills(tally: Tally, times: float, only: Sequence[str] = ()) -> None:
    """In a process of its own that carries the shim."""
    with tempfile.TemporaryDirectory() as folder:
        made = shim(Path(folder))
        if made is None:
            print("kills: no C compiler here, or not Linux: left out")
            return
        left = min(tally.until - time.monotonic(), 1e6) / 60
        words = ["--carries", "--minutes", f"{left:.3f}", "--seed", str(tally.seed), "--times", str(times)]
        done = subprocess.run(
            [sys.executable, __file__, *words, *(f"--command={name}" for name in only)],
            env=os.environ | {"LD_PRELOAD": str(made), SHIM: str(made)},
            stdout=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
        try:
            answer = json.loads(done.stdout.splitlines()[-1])
        except (IndexError, ValueError):
            tally.found("part that ended", f"kills: {done.returncode} {done.stdout[-300:]}")
            return
        tally.tried.update(answer["tried"])
        tally.wrong += answer["wrong"]


class Cutter:
    """Runs a command in a copied process that ends at its n-th write."""

    def __init__(self) -> None:
        self.shim = ctypes.CDLL(os.environ[SHIM])
        self.shim.cut_off.argtypes = [ctypes.c_long, ctypes.c_int]
        self.shim.cut_off_count.restype = ctypes.c_long

    def __call__(self, words: Sequence[object], place: int, way: int) -> tuple[int, int]:
        """How it ended, and how many writes there were."""
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            self.shim.cut_off(place, way)
            code, text = told(*words)
            count = self.shim.cut_off_count()
            self.shim.cut_off(0, 0)
            os.write(writing, f"{count} {int(any(mark in text for mark in TRACEBACK))}".encode())
            os._exit(code)
        os.close(writing)
        with os.fdopen(reading) as stream:
            count, broken = (stream.read() or "0 0").split()
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        return (70 if broken == "1" else code), int(count)


def killed(tally: Tally, times: float, only: Sequence[str]) -> None:
    """Every command, ended at each of its writes in each way; then looked at, and run again."""
    import studykit.report.saving
    import studykit.study  # noqa: F401 — loaded before a process is copied

    cut, chance = Cutter(), random.Random(tally.seed)
    with tempfile.TemporaryDirectory() as folder:
        states = Studies(Path(folder))
        for name, attacked in COMMANDS.items():
            if only and name not in only:
                continue
            made = _Attempt(Path(folder) / "now", states, attacked)
            made.fresh()
            code, writes = cut(made.line, 10**9, 0)
            if code not in attacked.may_end:
                tally.found("command that does not end as it should", f"{name}: {code}")
            places = [(place, way) for place in range(1, writes + 1) for way in range(3)]
            chance.shuffle(places)
            for place, way in places[: max(1, round(len(places) * min(times, 1.0)))]:
                if tally.over:
                    tally.tried["kills left out, time over"] += 1
                    continue
                made.fresh()
                code, _ = cut(made.line, place, way)
                tally.tried["kills"] += 1
                if code != ENDED:
                    tally.tried["kills that came too late"] += 1
                for what in made.looked_at():
                    tally.found(what[0], f"{name}, write {place} of {writes}, {WAYS[way]}: {what[1]}")
            tally.tried[f"writes of {name}"] = writes


@dataclass
class _Attempt:
    """A study in one state, on which a command is tried."""

    folder: Path
    states: Studies
    attacked: Attacked

    @property
    def study(self) -> Path:
        return self.folder / "mine"

    @property
    def source(self) -> Path | None:
        return self.states(self.attacked.state) if self.attacked.state else None

    @property
    def line(self) -> tuple[object, ...]:
        said = {"OUT": self.folder / "slips"}
        if "WORD" in self.attacked.words:
            said["WORD"] = self.states.word()  # type: ignore[assignment]
        return (
            self.attacked.command,
            self.study,
            *(said.get(str(word), word) for word in self.attacked.words),
        )

    def fresh(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir()
        if self.source is not None:
            shutil.copytree(self.source, self.study)

    def looked_at(self) -> Iterator[tuple[str, str]]:
        """What is wrong after the kill, and after the command was run again."""
        before = _entries(self.source) if self.source else []
        now = _entries(self.study)
        if isinstance(now, str):
            yield "ledger lost", now
            return
        if [entry.code for entry in now[: len(before)]] != [entry.code for entry in before]:
            yield "entry lost", f"{len(before)} before, {len(now)} now"
        if self.source is not None:
            for name in ("protocol.toml", "records"):
                if _content(self.source / name) != _content(self.study / name):
                    yield "file changed", name
        yield from _half_written(self.folder)
        code, text = told(*self.line)
        if any(mark in text for mark in TRACEBACK):
            yield "traceback", text[-200:]
        elif code not in self.attacked.may_end:
            yield "command that cannot be run again", f"{code}: {text[-300:]}"
        again = _entries(self.study)
        assert not isinstance(again, str)
        drawn = Counter(entry.body["client"] for entry in again if entry.kind == "allocation")
        if any(number > 1 for number in drawn.values()):
            yield "client drawn twice", str(drawn)
        if [entry.code for entry in again[: len(now)]] != [entry.code for entry in now]:
            yield "entry lost", f"{len(now)} after the kill, {len(again)} when it was run again"
        yield from _half_written(self.folder)
        left = [
            path
            for path in self.folder.rglob("*")
            if re.search(r"\.making$|-part$|\.part$|journal$", path.name)
        ]
        if left:
            yield "left-over", ", ".join(str(path.relative_to(self.folder)) for path in left)
        if again:
            code, text = told("audit", self.study)
            if code != 0:
                yield "audit that does not pass", text[-300:]


def _entries(study: Path) -> Any:
    """Entries of a study; none where there is no ledger; a text where it cannot be read."""
    from studykit.errors import StudykitError
    from studykit.study.snapshot import open_ledger

    try:
        ledger = open_ledger(study)
    except StudykitError as error:
        return str(error)
    return [] if ledger is None else list(ledger.entries())


def _content(path: Path) -> dict[str, bytes]:
    files = [path] if path.is_file() else sorted(inner for inner in path.rglob("*") if inner.is_file())
    return {str(file.relative_to(path.parent)): file.read_bytes() for file in files}


def _half_written(folder: Path) -> Iterator[tuple[str, str]]:
    """Pages without their end and texts that programs cannot read, under the names that people open."""
    for path in folder.rglob("*"):
        if any(part.startswith(".") for part in path.relative_to(folder).parts) or not path.is_file():
            continue
        if path.suffix == ".html" and not path.read_bytes().rstrip().endswith(b"</html>"):
            yield "half a page", path.name
        if path.suffix == ".json":
            try:
                json.loads(path.read_text(encoding="utf-8"))
            except ValueError:
                yield "half a file", path.name
        if path.parent.name == "receipts" and path.suffix == ".txt" and not path.read_bytes().endswith(b"\n"):
            yield "half a receipt", path.name


# --- bits -----------------------------------------------------------------------------------------


def bits(tally: Tally, times: float) -> None:
    """One bit of a ledger turned: found, or without any effect on what it says."""
    chance = random.Random(tally.seed)
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "mine"
        ready_and_locked(Path(folder) / "open", source)
        data = (source / "ledger.db").read_bytes()
        whole = [entry.code for entry in _entries(source)]
        study = shutil.copytree(source, Path(folder) / "now" / "mine")
        for _ in range(round(320 * times)):
            if tally.over:
                break
            place = chance.randrange(len(data) * 8)
            changed = bytearray(data)
            changed[place // 8] ^= 1 << place % 8
            (study / "ledger.db").write_bytes(bytes(changed))
            tally.tried["bits"] += 1
            code, text = told("audit", study)
            if any(mark in text for mark in TRACEBACK):
                tally.found("traceback", f"audit, bit {place}: {text[-200:]}")
            entries = _entries(study)
            if code == 0 and (isinstance(entries, str) or [entry.code for entry in entries] != whole):
                tally.found("change not found", f"bit {place}: {entries}")
            tally.tried["bits found" if code else "bits without effect"] += 1
            if tally.tried["bits"] % 8 == 0:
                code, text = told("enrol", study, "C003", "--by", "OW", "--yes")
                after = _entries(study)
                if any(mark in text for mark in TRACEBACK):
                    tally.found("traceback", f"enrol, bit {place}: {text[-200:]}")
                if code == 0 and (
                    isinstance(after, str) or [entry.code for entry in after[: len(whole)]] != whole
                ):
                    tally.found("draw from a damaged ledger", f"bit {place}")
                for path in (study / "results" / "receipts").glob("entry_0005*"):
                    path.unlink()


# --- damaged files --------------------------------------------------------------------------------


def damaged_texts(data: bytes, number: int, seed: int) -> Iterator[bytes]:
    """Bytes, lines and cells of a text as discs, mails and tired people leave them."""
    import numpy as np

    from tests.pipeline.damaged_books import BYTES

    rng, chance = np.random.default_rng(seed), random.Random(seed)
    cells = [
        *(
            "",
            "EXAMPLE",
            "-1",
            "1e308",
            "9" * 400,
            "nan",
            "31.02.2026",
            "2026-13-01",
            "=1+1",
            '"',
            "\u202eyes",
        ),
        *("\0", "ja", "12,5", "1.234,5", "C\u200b001", "'", "45000", "2026-03-09T10:00", "\t", "0x10"),
    ]
    for turn in range(number):
        lines = data.decode("utf-8-sig").split("\n")
        spot = chance.randrange(len(lines))
        if turn % 3 == 0:
            yield BYTES[turn // 3 % len(BYTES)](data, rng)
        elif turn % 3 == 1:
            way = turn // 3 % 5
            if way == 0:
                del lines[spot]
            elif way == 1:
                lines.insert(spot, lines[chance.randrange(len(lines))])
            elif way == 2:
                lines[spot] = lines[spot].replace(",", ";", chance.randrange(1, 9))
            elif way == 3:
                lines[spot] += chance.choice([",,,,", '"', ",extra", "\r", "["])
            else:
                chance.shuffle(lines)
            yield "\n".join(lines).encode()
        else:
            parts = re.split(r"([,=])", lines[spot])
            parts[chance.randrange(len(parts))] = chance.choice(cells)
            lines[spot] = "".join(parts)
            yield "\n".join(lines).encode("utf-8", "surrogatepass")


def damaged_protocols(text: str, number: int, seed: int) -> Iterator[bytes]:
    """Protocols: the same, and values nested deeply or beyond all numbers."""
    chance = random.Random(seed)
    for turn, damaged in enumerate(damaged_texts(text.encode(), number, seed)):
        if turn % 4:
            yield damaged
            continue
        lines = text.split("\n")
        spot = chance.choice([place for place, line in enumerate(lines) if re.match(r"\w+ = ", line)])
        deep = 10 ** chance.randrange(2, 5)
        lines[spot] = lines[spot].split(" = ")[0] + " = " + chance.choice([
            "[" * deep + "]" * deep, "{a = " * deep + "1" + "}" * deep, "9" * deep, "-1e308", "1e999", "nan",
            "0." + "0" * deep + "1", '"' + "x" * deep + '"', "1979-05-27T07:32:00Z", "[1, [2, {b = [3]}]]",
        ])  # fmt: skip
        yield "\n".join(lines).encode()


def files(tally: Tally, times: float) -> None:
    """Protocols, tables, workbooks, exports, receipts and lists, each damaged in many ways."""
    with tempfile.TemporaryDirectory() as folder:
        from studykit.study import Study

        demo = Study.demo(Path(folder) / "demo")[0].folder
        place = Path(folder) / "damaged"
        place.mkdir()
        every = round(10_000 * times)
        jobs: list[tuple[Callable[..., None], int]] = [
            (_protocols, every * 30 // 100), (_tables, every * 40 // 100), (_books, every * 12 // 100),
            (_exports, every * 10 // 100), (_papers, every * 8 // 100),
        ]  # fmt: skip
        for job, number in jobs:
            job(tally, demo, place, number)


def _understood(tally: Tally, what: str, act: Callable[[], object]) -> object:
    """The act's answer; a refusal in words is one, any other error is not."""
    from studykit.errors import StudykitError

    tally.tried["damaged inputs"] += 1
    try:
        return act()
    except StudykitError as error:
        tally.tried[f"{what} refused"] += 1
        if not str(error).strip():
            tally.found("refusal without words", what)
    except Exception as error:  # noqa: BLE001 — that is what is looked for
        tally.found("traceback", f"{what}: {error!r:.300}")
    return None


def _protocols(tally: Tally, demo: Path, place: Path, number: int) -> None:
    from studykit.protocol.protocol_file import read_protocol
    from studykit.shipped import shipped
    from studykit.study.checking import before_lock_findings, protocol_findings

    path = place / "protocol.toml"

    def act() -> None:
        read = read_protocol(path)
        protocol_findings(read)
        before_lock_findings(read)

    ready = sorted(shipped("protocols").glob("*.toml"))
    for turn, source in enumerate(ready):
        text = source.read_text(encoding="utf-8")
        for data in damaged_protocols(text, number // len(ready), tally.seed + turn):
            if tally.over:
                return
            path.write_bytes(data)
            _understood(tally, "protocol", act)


def _tables(tally: Tally, demo: Path, place: Path, number: int) -> None:
    from studykit.study import Study

    study = Study.open(demo)
    protocol, allocated = study.protocol, study.allocated()
    tables = sorted((demo / "records").glob("*.csv"))
    for turn, source in enumerate(tables):
        folder = place / f"records_{source.stem}"
        folder.mkdir()
        for other in tables:
            if other != source and other.stem in ("clients", "screening", "trainers"):
                shutil.copy(other, folder)
        head = b"".join(source.read_bytes().splitlines(keepends=True)[:40])
        for data in damaged_texts(head, number // len(tables), tally.seed + turn):
            if tally.over:
                return
            (folder / source.name).write_bytes(data)
            _understood(tally, "table", lambda: _counted(tally, folder, source.stem, protocol, allocated))  # noqa: B023


def _counted(tally: Tally, folder: Path, name: str, protocol: Any, allocated: Any) -> None:
    """Rows in are rows used and rows named, for the table that was damaged."""
    from studykit.records import reading
    from studykit.records.consistency import check_consistency
    from studykit.records.derive import derive_rows
    from studykit.records.raw_table import read_delimited
    from studykit.records.schema import table

    records = reading.read_records(folder, protocol=protocol)
    check_consistency(records, protocol, allocated)
    derive_rows(records, protocol, allocated)
    raw, more = read_delimited(
        (folder / f"{name}.csv").read_bytes(), table(name), f"{folder.name}/{name}.csv"
    )
    supplied = 0 if raw is None else raw.rows
    tally.tried["rows in"] += supplied
    tally.tried["rows used"] += (used := records[name].number)
    missing = supplied - used
    about = [found for found in records.findings if f"{name}.csv" in found.where]
    named = _named_rows(str(found) for found in about)
    numbers = set() if raw is None else set(raw.row_numbers.tolist())
    unnamed = numbers - set(records[name].row_numbers.tolist()) - named[0]
    if missing and len(unnamed) > named[1] and not any(_whole_table(found) for found in about):
        tally.found("row dropped silently", f"{name}: {sorted(unnamed)[:5]} {about[:3]}")
    tally.tried["rows named"] += missing
    if raw is None and not more:
        tally.found("table dropped silently", name)


def _named_rows(texts: Iterator[str]) -> tuple[set[int], int]:
    """Rows that findings name by number, and how many more they count."""
    rows: set[int] = set()
    counted = 0
    for text in texts:
        rows |= {int(number) for number in re.findall(r"\brows? (\d+)", text)}
        counted += sum(
            int(number.replace(",", "")) for number in re.findall(r"\b([\d,]+) (?:more )?rows\b", text)
        )
    return rows, counted


def _whole_table(found: Any) -> bool:
    """Whether a finding is about the table as a whole, such as a column that is missing."""
    return found.severity == "stop" and not re.search(r"\brow (?!1\b)\d", found.where)


def _books(tally: Tally, demo: Path, place: Path, number: int) -> None:
    from openpyxl import Workbook

    from studykit.records.reading import read_records
    from tests.pipeline.damaged_books import damaged

    book = Workbook()
    sheet = book.active
    sheet.title = "sessions"
    for line in (demo / "records" / "sessions.csv").read_text(encoding="utf-8-sig").splitlines()[:30]:
        sheet.append(line.split(","))
    stream = io.BytesIO()
    book.save(stream)
    folder = place / "books"
    folder.mkdir()
    for what, data in damaged(stream.getvalue(), number, tally.seed):
        if tally.over:
            return
        (folder / "records.xlsx").write_bytes(data)
        records = _understood(tally, "workbook", lambda: read_records(folder))
        stops = [found for found in getattr(records, "findings", ()) if found.severity == "stop"]
        if getattr(records, "unread", False) and len(stops) != 1:
            tally.found("more than one message", f"{what}: {stops}")


def _exports(tally: Tally, demo: Path, place: Path, number: int) -> None:
    import datetime as dt

    from studykit.lookback.attendance_reading import ReadingSettings, read_attendance

    lines = ["client,date,trainer,status,partner_reps"]
    lines += [f"C{n % 9:02d},2025-0{n % 8 + 1}-1{n % 9},T{n % 3},attended,{n % 4}" for n in range(60)]
    path = place / "export.csv"
    settings = ReadingSettings(today=dt.date(2026, 2, 1), most_left_out=1.0)
    for data in damaged_texts("\n".join(lines).encode(), number, tally.seed):
        if tally.over:
            return
        path.write_bytes(data)
        log: Any = _understood(tally, "export", lambda: read_attendance(path, settings=settings))
        if log is None:
            continue
        tally.tried["export rows in"] += log.rows.supplied
        tally.tried["export rows used"] += log.rows.used
        tally.tried["export rows named"] += (named := sum(count for _, count in log.rows.left_out))
        if log.rows.supplied != log.rows.used + named:
            tally.found("row dropped silently", f"export: {log.rows}")
        noticed = sum(item.rows.size for item in log.noticed if not item.used)
        if noticed < named:
            tally.found("row dropped silently", f"export: {named} left out, {noticed} listed")


def _papers(tally: Tally, demo: Path, place: Path, number: int) -> None:
    from studykit.study.receipts import keep_receipts
    from studykit.study.sealing import kept_entropy
    from studykit.study.snapshot import read_study
    from studykit.study.traces import kept_findings, read_kept

    entries = read_study(demo)[0].entries[:6]
    keep_receipts(place, entries)
    receipt = (place / "results" / "receipts" / "entry_0003.txt").read_bytes()
    listed = json.dumps(
        {"format": 1, "entropy": "07" * 32, "slips": [1, [2, {"a": None}]]}, indent=1
    ).encode()
    paper, kept = place / "results" / "receipts" / "entry_0003.txt", place / "kept.json"
    readers = (lambda: read_kept(paper), lambda: kept_findings(place, entries))
    for turn, data in enumerate(damaged_texts(receipt + b"\n" + receipt, number // 2, tally.seed)):
        paper.write_bytes(data)
        _understood(tally, "receipt", readers[turn % 2])
    for data in damaged_texts(listed, number // 2, tally.seed):
        kept.write_bytes(data)
        _understood(tally, "list", lambda: kept_entropy(kept))


# --- time zones -----------------------------------------------------------------------------------


def zones(tally: Tally, times: float) -> None:
    """Draws around every change of the clock in every zone: the day is the one that is lived there."""
    import datetime as dt
    import zoneinfo

    from studykit.allocation.audit import audit
    from tests.property.test_studio_zones import ZONES, enrolled, ledger_days

    hour, quarter = dt.timedelta(hours=1), dt.timedelta(minutes=15)
    for name in ZONES[:: max(1, round(1 / times))]:
        if tally.over:
            return
        zone = zoneinfo.ZoneInfo(name)
        hours = (dt.datetime(2024, 1, 1, tzinfo=dt.UTC) + n * 6 * hour for n in range(3 * 366 * 4))
        changes = [
            now
            for now in hours
            if now.astimezone(zone).utcoffset() != (now + 6 * hour).astimezone(zone).utcoffset()
        ]
        midnight = dt.datetime(2026, 12, 31, 23, 59, tzinfo=zone).astimezone(dt.UTC)
        exact = [_moment_of_change(change, zone) for change in changes[:3]]
        moments = sorted(
            moment for change in (*exact, midnight) for moment in (change - quarter, change, change + quarter)
        )
        ledger = enrolled(name, [moments[0], *moments])
        entries = ledger._memory.entries
        tally.tried["zones"] += 1
        tally.tried["draws in zones"] += len(moments)
        if ledger_days(entries) != [moment.astimezone(zone).date() for moment in moments]:
            tally.found("wrong day", name)
        if findings := audit(entries).findings:
            tally.found("wrong finding", f"{name}: {findings[0]}")


def _moment_of_change(begin: Any, zone: Any) -> Any:
    """The minute at which the clock changes within six hours of a moment."""
    import datetime as dt

    low, high = 0, 360
    offset = begin.astimezone(zone).utcoffset()
    while high - low > 1:
        middle = (low + high) // 2
        same = (begin + dt.timedelta(minutes=middle)).astimezone(zone).utcoffset() == offset
        low, high = (middle, high) if same else (low, middle)
    return begin + dt.timedelta(minutes=high)


PARTS: dict[str, Callable[..., None]] = {"zones": zones, "bits": bits, "files": files, "kills": kills}


def main(words: Sequence[str] | None = None) -> int:
    """Read the arguments and attack."""
    parser = argparse.ArgumentParser(
        description="Attacks on a study: kills, bits, damaged files, time zones."
    )
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)} (default all)")
    parser.add_argument("--times", type=float, default=1.0, help="times the usual numbers (default 1)")
    parser.add_argument("--minutes", type=float, default=60.0, help="stop after so many (default 60)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--command", action="append", default=[], help="kill this command only; can be repeated"
    )
    parser.add_argument("--carries", action="store_true", help=argparse.SUPPRESS)
    said = parser.parse_args(words)
    tally = Tally(seed=said.seed, until=time.monotonic() + 60 * said.minutes)
    if said.carries:
        killed(tally, said.times, said.command)
        sys.stdout.write("\n" + json.dumps({"tried": tally.tried, "wrong": tally.wrong}) + "\n")
        return 0
    if unknown := set(said.parts) - set(PARTS):
        parser.error(f"no such part: {', '.join(unknown)}")
    for name in said.parts or PARTS:
        begun = time.monotonic()
        more = (said.command,) if name == "kills" else ()
        PARTS[name](tally, said.times, *more)
        print(f"{name}: {time.monotonic() - begun:.0f} s", flush=True)
    for what, number in tally.tried.items():
        print(f"  {number:>8,}  {what}")
    print(*tally.wrong[:40], sep="\n")
    print(f"{len(tally.wrong)} things found that must not be")
    return 1 if tally.wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
