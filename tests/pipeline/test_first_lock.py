"""The first lock, killed at every step on its way: afterwards the study can be checked and locked."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.allocation import storage
from studykit.errors import LedgerError
from studykit.study import Study
from tests.pipeline.test_methods import BLOCKS, ready_study

Run = Callable[..., tuple[int, str, str]]
KILLED = 9


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return ready_study(tmp_path_factory.mktemp("first") / "mine", BLOCKS).folder


def killed_lock(folder: Path, prepare: Callable[[], None]) -> int:
    """Lock in a process of its own; its exit code, or the signal that ended it as a negative number."""
    child = os.fork()
    if child == 0:
        prepare()
        Study.open(folder).lock(by="OW")
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def after_instruction(number: int) -> Callable[[], None]:
    """Killed after so many instructions of the database, over all its statements."""

    def prepare() -> None:
        connect, done = storage._connect, [0]

        def count() -> None:
            done[0] += 1
            if done[0] >= number:
                os._exit(KILLED)

        def counted(*words: object, **more: object) -> object:
            connection = connect(*words, **more)  # type: ignore[arg-type]
            connection.set_progress_handler(count, 1)
            return connection

        storage._connect = counted  # type: ignore[assignment]

    return prepare


def beyond_byte(number: int) -> Callable[[], None]:
    """Killed by the first write that reaches beyond this byte of a file, in the midst of a commit."""

    def prepare() -> None:
        import resource

        signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
        resource.setrlimit(resource.RLIMIT_FSIZE, (number, number))

    return prepare


def goes_on(folder: Path) -> bool:
    """Check, lock and audit work, whatever was left; whether the lock had been made before the kill."""
    study = Study.open(folder)
    found = [str(finding) for finding in study.check().findings if "ledger.db" in finding.where]
    assert not found
    before = study.read().locked is not None
    if before:
        with pytest.raises(LedgerError, match="a lock at entry 2"):
            study.lock(by="OW")
    else:
        study.lock(by="OW")
    assert study.audit().passed
    assert [entry.kind for entry in study.entries()] == ["opening", "lock"]
    return before


@pytest.mark.skipif(os.name != "posix", reason="a process is copied and killed")
@pytest.mark.parametrize("kill", [after_instruction, beyond_byte], ids=["statements", "writes"])
def test_a_first_lock_that_is_killed_is_none(
    ready: Path, tmp_path: Path, kill: Callable[[int], Callable[[], None]]
) -> None:
    whole = shutil.copytree(ready, tmp_path / "whole")
    Study.open(whole).lock(by="OW")
    size = (whole / "ledger.db").stat().st_size
    places = range(0, size, 4096) if kill is beyond_byte else range(1, 900, 40)
    left: set[tuple[bool, bool]] = set()
    for place in places:
        folder = shutil.copytree(ready, tmp_path / f"at_{place}")
        code = killed_lock(folder, kill(place))
        if code == 0:
            break
        assert code == (-signal.SIGXFSZ if kill is beyond_byte else KILLED)
        ledger = folder / "ledger.db"
        was_empty = ledger.exists() and ledger.stat().st_size == 0
        left.add((was_empty, goes_on(folder)))
    assert (True, False) in left, "an empty file was left and was no ledger"
    assert (False, False) in left, "and something half made was left too"


def test_an_empty_ledger_is_no_ledger(ready: Path, tmp_path: Path, run: Run) -> None:
    folder = shutil.copytree(ready, tmp_path / "mine")
    (folder / "ledger.db").touch()
    assert run("check", folder)[0] == 0
    code, _, err = run("audit", folder)
    assert (code, "expected a ledger; found none. There is one from the lock on" in err) == (2, True)
    code, _, err = run("enrol", folder, "C000", "--by", "OW", "--yes")
    assert (code, "Lock it first" in err) == (2, True)
    code, out, _ = run("lock", folder, "--by", "OW", "--yes")
    assert (code, "The protocol is locked. Ledger entry 2" in out) == (0, True)
    assert run("audit", folder)[0] == 0


def test_an_empty_ledger_beside_receipts_is_a_lost_one(ready: Path, tmp_path: Path, run: Run) -> None:
    """A file cut to nothing after clients were drawn must not let them be drawn again."""
    folder = shutil.copytree(ready, tmp_path / "mine")
    study = Study.open(folder)
    study.lock(by="OW")
    older = (folder / "ledger.db").read_bytes()
    study.enrol("C000", by="OW")
    for content, number in ((b"", "no entry"), (older, "2 entries")):
        (folder / "ledger.db").write_bytes(content)
        told = f"expected 3 entries at least, as the receipts in results/receipts tell; found {number}"
        code, out, _ = run("check", folder)
        assert (code, told in out) == (1, True)
        words = ("lock",) if not content else ("enrol",)
        more = () if not content else ("C001",)
        code, _, err = run(*words, folder, *more, "--by", "OW", "--yes")
        assert (code, told in err, "never lock and draw again" in err) == (2, True, True)
