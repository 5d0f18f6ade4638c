"""A copy of a study's folder at a place of one's choice, whole or not at all; and the way back.

A copy is never put over a study: an older ledger in the place of a newer one would forget draws.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from studykit.errors import ArgumentError, FolderError
from studykit.study.folder import made_whole, study_folder
from studykit.study.journal import JOURNAL, LOCK
from studykit.study.snapshot import LEDGER, open_ledger

_BASES = (LEDGER, JOURNAL)


@dataclass(frozen=True, slots=True)
class Copied:
    """A copy that was made.

    Parameters
    ----------
    folder : Path
    entries : int
        Of the ledger in it.
    behind : int
        Entries of the ledger in use that it lacks; 0 for a new copy.
    """

    folder: Path
    entries: int
    behind: int = 0

    def text(self) -> str:
        """For a person."""
        told = f"A whole copy stands in {self.folder}; its ledger has {self.entries} entries."
        if self.behind:
            told += (
                f" IT IS OLD: the ledger in use has {self.behind} entries more. Do not draw with this copy; "
                "go on with the study in use."
            )
        return told


def back_up(folder: Path, place: str | Path) -> Copied:
    """Copy a study into a new folder inside a place, named by the minute.

    Raises
    ------
    FolderError
        If the place is no folder, lies inside the study, or cannot be written.
    """
    target = Path(place).expanduser()
    if not str(place).strip() or not target.is_dir() or target.resolve().is_relative_to(folder.resolve()):
        raise FolderError(
            where=str(place) or "backup", expected="a folder outside the study, as of a memory stick",
            got="one inside it" if target.is_dir() else "none", todo="Give another; nothing was copied.",
        )  # fmt: skip
    stamp = f"{dt.datetime.now().astimezone():%Y-%m-%d_%H%M%S}"
    return _copied(folder, target / f"{folder.resolve().name}_{stamp}")


def restore(copy: str | Path, target: Path, *, beside: Path | None = None) -> Copied:
    """Make a study's folder anew from a copy; never over another one.

    Parameters
    ----------
    copy : str or Path
    target : Path
        A new folder.
    beside : Path, optional
        The study in use: a copy that lacks entries of its ledger is told to be old.

    Raises
    ------
    FolderError, ArgumentError
        If the copy is no study, or the target is in use.
    LedgerError
        If the copy's ledger is broken.
    """
    source = study_folder(Path(copy).expanduser())
    ledger = open_ledger(source)
    own = [] if ledger is None else [entry.code for entry in ledger.read()[0]]
    used = None if beside is None else open_ledger(beside)
    now = [] if used is None else [entry.code for entry in used.read()[0]]
    if own[:1] and now[:1] and own[0] != now[0]:
        raise ArgumentError(where=str(copy), expected="a copy of this study", got="one of another study",
                            todo="Open it as a study of its own instead.")  # fmt: skip
    made = _copied(source, target)
    return Copied(made.folder, made.entries, max(0, len(now) - len(own)))


def _copied(source: Path, target: Path) -> Copied:
    """Everything, the databases as SQLite copies them, so that none is taken in the midst of a write."""
    try:
        with made_whole(target) as making:
            shutil.copytree(
                source, making, dirs_exist_ok=True, ignore=shutil.ignore_patterns(*_BASES, LOCK, "*-journal")
            )
            for name in _BASES:
                if (source / name).is_file():
                    with (
                        closing(sqlite3.connect(source / name)) as old,
                        closing(sqlite3.connect(making / name)) as new,
                    ):
                        old.backup(new)
    except (OSError, shutil.Error, sqlite3.Error) as error:
        raise FolderError(
            where=str(target), expected="space and the right to write", got=str(error)[:200],
            todo="Give another folder; nothing was left half copied.",
        ) from None  # fmt: skip
    ledger = open_ledger(target)
    return Copied(target, 0 if ledger is None else len(ledger.read()[0]))
