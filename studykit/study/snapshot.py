"""One read of a study's folder: what is asked of it comes from the same moment, whatever comes meanwhile."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.study.making import PROTOCOL, RECORDS

if TYPE_CHECKING:
    from studykit.allocation.acts import Locked
    from studykit.allocation.entries import Entry
    from studykit.allocation.ledger import Ledger
    from studykit.protocol.reading import ReadProtocol
    from studykit.records.tables import Records

LEDGER = "ledger.db"


def open_ledger(folder: Path) -> Ledger | None:
    """The ledger of a folder, its chain verified; ``None`` where none has been begun.

    Raises
    ------
    LedgerError
        If the file is no ledger, or its chain is broken.
    """
    from studykit.allocation.ledger import Ledger
    from studykit.allocation.storage import is_begun

    path = folder / LEDGER
    return Ledger.open(path) if is_begun(path) else None


class Snapshot:
    """Ledger, protocol in force and records, each read once, when first asked for.

    Parameters
    ----------
    folder : Path
        Of the study.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        """Of the ledger, verified; none before the lock."""
        ledger = open_ledger(self.folder)
        return () if ledger is None else ledger.entries()

    @cached_property
    def locked(self) -> Locked | None:
        """The locked protocol with its amendments."""
        from studykit.allocation.acts import locked_from

        return locked_from(self.entries)

    @cached_property
    def read(self) -> ReadProtocol:
        """The protocol in force: the locked one with its amendments, before the lock the file's."""
        from studykit.protocol.reading import parse_protocol, read_protocol

        if self.locked is None:
            return read_protocol(self.folder / PROTOCOL)
        return parse_protocol(self.locked.current_protocol, where="the locked protocol", locked=True)

    @cached_property
    def records(self) -> Records:
        """The record tables, with everything noticed on reading."""
        from studykit.records.reading import read_records

        return read_records(self.folder / RECORDS, protocol=self.read.protocol)
