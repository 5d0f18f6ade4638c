"""The ledger at size: 1,000 draws by minimisation among 5,000 clients, and 10,000 entries verified.

Limits: 1,000 allocations with 5 factors, written to disk one by one, in 10 s of processor time; opening a
ledger of 10,000 entries and verifying its chain in 2 s. What waiting for the disk adds is shown beside as
many bare commits of the same kind in the same run (SQLite with synchronous = EXTRA flushes several times for
each); by the clock, the ledger may take 10 s more than these. How to run: see `timing`.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from timing import Line, show

from studykit.allocation.audit import audit
from studykit.allocation.entries import moment_text, next_entry
from studykit.allocation.ledger import Ledger
from studykit.allocation.minimisation import Minimisation
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.storage import insert, transaction
from studykit.allocation.surroundings import Surroundings

FACTORS = ("trainer", "sex", "experience", "age_band", "goal")
LEVELS = (6, 2, 2, 4, 3)
FACTS = dict.fromkeys(REQUIRED_FACTS, True)
PAST, NEW, ENTRIES = 5_000, 1_000, 10_000


def stratum(number: int) -> dict[str, str]:
    """Facts that differ from client to client in no simple rhythm."""
    return {
        factor: f"{factor}_{(number * (2 * place + 7) // 5 + number // (place + 2)) % levels}"
        for place, (factor, levels) in enumerate(zip(FACTORS, LEVELS, strict=True))
    }


def begun(folder: Path, method: Minimisation) -> Ledger:
    """A locked ledger with the earlier clients, written in one go."""
    ledger = Ledger.create(folder / "ledger.db", by="OW")
    ledger.lock(protocol="format = 1", protocol_hash="0" * 64, versions={}, by="OW", method=method)
    last, now = ledger.entries()[-1], moment_text(Surroundings().clock())
    template = {
        "facts": FACTS, "method": method.describe(), "probabilities": {"a": "1/2", "b": "1/2"},
        "entropy": "00" * 32, "entropy_source": "operating system", "machine": Surroundings().machine,
        "protocol_hash": "0" * 64,
    }  # fmt: skip
    with transaction(ledger.path, timeout=30.0, write=True) as connection:
        for number in range(PAST):
            body = {**template, "client": f"P{number}", "arm": "ab"[number % 2], "stratum": stratum(number)}
            last = next_entry(last, kind="allocation", by="OW", entry_time=now, event_time=now, body=body)
            insert(connection, last, client=f"P{number}")
    return ledger


def seconds_of_draws(ledger: Ledger, method: Minimisation) -> tuple[float, float]:
    """New clients one by one, each in its own transaction: processor time, and by the clock."""
    start, clock = time.process_time(), time.perf_counter()
    for number in range(NEW):
        ledger.allocate(f"N{number}", stratum=stratum(number + 3), facts=FACTS, method=method, by="OW")
    return time.process_time() - start, time.perf_counter() - clock


def seconds_of_commits(folder: Path) -> float:
    """As many commits of one row by SQLite alone, with the ledger's settings; by the clock."""
    with closing(sqlite3.connect(folder / "bare.db", isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = EXTRA")
        connection.execute("CREATE TABLE entry (text TEXT)")
        clock = time.perf_counter()
        for _ in range(NEW):
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("INSERT INTO entry VALUES (?)", ("x" * 900,))
            connection.execute("COMMIT")
        return time.perf_counter() - clock


def seconds_to_verify(ledger: Ledger) -> float:
    """Open a ledger of ten thousand entries and verify its chain."""
    number = len(ledger.entries())
    last, now = ledger.entries()[-1], moment_text(Surroundings().clock())
    with transaction(ledger.path, timeout=30.0, write=True) as connection:
        for place in range(number, ENTRIES):
            last = next_entry(
                last, kind="note", by="OW", entry_time=now, event_time=now, body={"text": f"entry {place}"}
            )
            insert(connection, last, client=None)
    start = time.perf_counter()
    opened = Ledger.open(ledger.path)
    taken = time.perf_counter() - start
    assert len(opened.entries()) == ENTRIES
    return taken


def main() -> int:
    """Print two lines."""
    method = Minimisation(("a", "b"), factors=FACTORS)
    with tempfile.TemporaryDirectory() as folder:
        ledger = begun(Path(folder), method)
        bare = seconds_of_commits(Path(folder))
        drawn, waited = seconds_of_draws(ledger, method)
        verified = seconds_to_verify(ledger)
        start = time.perf_counter()
        audit(*ledger.unverified())
        whole = time.perf_counter() - start
    return show(
        "Ledger",
        [
            Line(f"{NEW} draws by minimisation, 5 factors, {PAST} before", drawn, 10.0, "limit", 1.0),
            Line(
                "the same by the clock, bare commits taken off", max(waited - bare, 0.0), 10.0, "limit", 1.0
            ),
            Line("the same by the clock", waited, bare, "bare commits"),
            Line(f"{ENTRIES} entries opened and verified", verified, 2.0, "limit", 1.0),
            Line(f"audit of {ENTRIES} entries with {PAST + NEW} draws", whole, None, "", None),
        ],
    )


if __name__ == "__main__":
    sys.exit(main())
