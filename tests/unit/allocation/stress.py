"""Stress of the ledger: many processes at once, and killing in the middle.

Short form, run by the tests::

    python tests/unit/allocation/stress.py

Long form, 8 processes with 1,000 clients and 500 kills (some minutes)::

    python tests/unit/allocation/stress.py --clients 1000 --kills 500

Prints one JSON object; exits with an error if any promise was broken.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from studykit.allocation.audit import audit
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.errors import AllocationRefused

METHOD = PermutedBlocks(("conventional", "partner_reps"), factors=("trainer",))
FACTS = dict.fromkeys(REQUIRED_FACTS, True)
TRAINERS = 3


def new_study(folder: Path) -> Path:
    """A locked study without clients."""
    ledger = Ledger.create(folder / "ledger.db", by="OW")
    ledger.lock(protocol="format = 1", protocol_hash="0" * 64, versions={}, by="OW", method=METHOD)
    return ledger.path


def enrol(path: Path, first: int, last: int, step: int) -> None:
    """Enrol clients first, first + step, … below last; a client who has an arm is passed over."""
    ledger = Ledger.open(path, timeout=120.0)
    for number in range(first, last, step):
        stratum = {"trainer": f"T{number % TRAINERS}"}
        try:
            receipt = ledger.allocate(f"C{number:05d}", stratum=stratum, facts=FACTS, method=METHOD, by="OW")
        except AllocationRefused:
            continue
        # The receipt is on paper as soon as this line is written.
        sys.stdout.write(f"{receipt.client} {receipt.arm} {receipt.position} {receipt.code}\n")
        sys.stdout.flush()


def worker(path: Path, first: int, last: int, step: int) -> subprocess.Popen[str]:
    """One more process that enrols."""
    command = [sys.executable, __file__, "--worker", str(path), str(first), str(last), str(step)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def check_whole(path: Path, receipts: list[list[str]]) -> int:
    """Chain, draws, receipts and blocks all hold; the number of clients."""
    ledger = Ledger.open(path)
    result = audit(*ledger.unverified())
    assert result.passed, result.summary()
    made = {allocation.client: allocation for allocation in ledger.allocations()}
    assert len(made) == result.kinds.get("allocation", 0), "a client twice"
    for client, arm, position, code in receipts:
        inside = made[client].receipt()
        assert (inside.arm, str(inside.position), inside.code) == (arm, position, code)
    largest = max(METHOD.block_sizes)
    for trainer in range(TRAINERS):
        lead = 0
        for allocation in made.values():
            if allocation.stratum["trainer"] == f"T{trainer}":
                lead += 1 if allocation.arm == METHOD.arms[0] else -1
                assert abs(lead) <= largest // 2
    return len(made)


def many_at_once(processes: int, clients: int) -> dict[str, float]:
    """All processes enrol the same clients in different orders of coming; each client gets one arm."""
    with tempfile.TemporaryDirectory() as folder:
        path = new_study(Path(folder))
        begin = time.perf_counter()
        workers = [worker(path, number // 2, clients, processes // 2) for number in range(processes)]
        outputs = [process.communicate()[0] for process in workers]
        seconds = time.perf_counter() - begin
        assert [process.returncode for process in workers] == [0] * processes
        receipts = [line.split() for output in outputs for line in output.splitlines()]
        assert len(receipts) == clients, "one receipt per client, whoever enrolled"
        assert check_whole(path, receipts) == clients
    return {"processes": processes, "clients": clients, "seconds": round(seconds, 2)}


def killed_in_the_middle(kills: int, seed: int) -> dict[str, float]:
    """Kill a process that enrols without pause, at a random moment; look; let the next one go on."""
    moments = random.Random(seed)
    halves = 0
    with tempfile.TemporaryDirectory() as folder:
        path = new_study(Path(folder))
        receipts: list[list[str]] = []
        for _ in range(kills):
            before = check_whole(path, receipts)
            process = worker(path, max(before - 1, 0), before + 10_000, 1)
            assert process.stdout is not None
            first = process.stdout.readline()
            time.sleep(moments.uniform(0.0, 0.02))
            os.kill(process.pid, signal.SIGKILL)
            rest = process.stdout.read()
            process.wait()
            # The last line may be cut where the process was killed; whole lines are on paper.
            lines = [line for line in (first + rest).splitlines(keepends=True) if line.endswith("\n")]
            receipts += [line.split() for line in lines]
            after = check_whole(path, receipts)
            # At most one client is in the ledger whose receipt did not reach the paper.
            halves += after - before - len(lines)
            assert 0 <= after - before - len(lines) <= 1
            # That client, and everybody else, keeps the one arm: the next process tries the last one again.
            known = Ledger.open(path).allocations()
            receipts = [[made.client, made.arm, str(made.position), made.receipt().code] for made in known]
        clients = check_whole(path, receipts)
    return {"kills": kills, "clients": clients, "allocated_without_receipt": halves}


def main() -> int:
    """Run both parts and print what was seen."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--processes", type=int, default=8)
    parser.add_argument("--clients", type=int, default=48)
    parser.add_argument("--kills", type=int, default=5)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--worker", nargs=4, metavar=("LEDGER", "FIRST", "LAST", "STEP"))
    options = parser.parse_args()
    if options.worker:
        path, *numbers = options.worker
        enrol(Path(path), *map(int, numbers))
        return 0
    seen = {
        "at_once": many_at_once(options.processes, options.clients),
        "killed": killed_in_the_middle(options.kills, options.seed) if os.name == "posix" else None,
    }
    sys.stdout.write(json.dumps(seen) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
