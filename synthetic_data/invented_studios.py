"""Seven invented studios with a list and files as real ones would have them, to try a pooling on.

``python -m synthetic_data.invented_studios`` writes ``pool/``; tests make other ones.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from studykit.pooling.joining_list import JoiningList
from studykit.pooling.studio_file import code_of, written_file
from studykit.randomness import stream

DAY = dt.date(2026, 1, 31)


def invented_code(*words: object) -> str:
    """A code of 64 digits that follows from words."""
    return hashlib.sha256(repr(words).encode()).hexdigest()


def invented_body(
    head: Mapping[str, str], studio: str, *, tested: tuple[int, int], effect: float, rng: np.random.Generator
) -> dict[str, Any]:
    """What a studio with so many tested clients hands in, its true effect being ``effect``."""
    error = float(head["spread"]) * float(np.sqrt(sum(1.0 / number for number in tested)))
    names = (head["reference"], head["compared"])
    arms: dict[str, dict[str, Any]] = {}
    for name, number, stays in zip(names, tested, (0.62, 0.67), strict=True):
        known = number + 2
        hurt, booked = int(rng.binomial(known, 0.15)), 40 * known
        attended = int(rng.binomial(booked, 0.85))
        arms[name] = {
            "allocated": known, "received": known, "tested": number, "not_tested": {"other reasons": 2},
            "known": known, "retained": int(rng.binomial(known, stays)), "hurt": hurt, "harms": hurt,
            "serious": 0, "booked": booked, "attended": attended,
            "with_partner_reps": attended if name == names[1] else 0,
        }  # fmt: skip
    departures = sum(arm["known"] - arm["retained"] for arm in arms.values())
    codes = {place: invented_code(studio, place) for place in (1, 3, 40)}
    clients = sum(arm["allocated"] for arm in arms.values())
    return {
        "format": 1, "studio": studio, "protocol": head["protocol"], "version": "1.0",
        "compared": names[1], "reference": names[0], "software": {"studykit": "invented"},
        "ledger": {
            "first": codes[1], "head": invented_code(studio, "head"), "entries": clients + 2,
            "codes": {str(place): code for place, code in codes.items() if place <= clients + 2},
            "allocated": clients, "audit": "passed", "looks": 0, "amendments": 0, "reopened": 0,
            "corrections": 0, "simulated": True,
        },
        "arms": arms,
        "strength": {
            "outcome": head["outcome"], "visit": head["visit"], "scale": head["scale"],
            "estimate": round(float(rng.normal(effect, error)), 4), "error": round(error, 4),
            "freedom": float(sum(tested) - 6), "method": "invented", "fallback": False,
        },
        "retention": {
            "day": int(head["horizon"]),
            "log_rank": [round(float(rng.normal(0.0, departures**0.5 / 2.0)), 4), round(departures / 4.0, 4)],
        },
        "again": "",
    }  # fmt: skip


def invented_studios(
    number: int = 7, *, effect: float = 0.03, spread: float = 0.02, seed: int = 4
) -> tuple[JoiningList, dict[str, dict[str, Any]]]:
    """A closed list and the bodies of its studios' files, all codes told.

    Examples
    --------
    >>> listed, bodies = invented_studios(3)
    >>> list(bodies), len(listed.members)
    (['S01', 'S02', 'S03'], 3)
    """
    rng = stream(seed, "invented studios")
    listed = JoiningList.begun({
        "protocol": invented_code("protocol"), "reference": "conventional", "compared": "partner_reps",
        "outcome": "strength", "visit": "week_12", "scale": "log", "spread": "0.0892", "scores": 12,
        "horizon": 182, "closes": DAY.isoformat(), "due": "2026-12-15", "invented": "yes",
    })  # fmt: skip
    bodies, joins = {}, []
    for place in range(1, number + 1):
        studio = f"S{place:02}"
        tested = (int(rng.integers(14, 28)), int(rng.integers(14, 28)))
        body = invented_body(
            listed.head, studio, tested=tested, effect=float(rng.normal(effect, spread)), rng=rng
        )
        codes, clients = body["ledger"]["codes"], body["ledger"]["allocated"]
        told = {"day": "2026-01-10", "studio": studio, "clients": clients + 4, "until": "2026-09-30",
                "first": codes["1"], "entry": 3, "head": codes["3"]}  # fmt: skip
        joins.append(told)
        bodies[studio] = {**body, "code": code_of(body)}
    files = [{"day": "2026-12-01", "studio": name, "file": body["code"]} for name, body in bodies.items()]
    return listed.added("joined", *joins).added("file", *files), bodies


def written_studios(listed: JoiningList, bodies: Mapping[str, Mapping[str, Any]]) -> dict[str, bytes]:
    """The list and the files by name."""
    files = {f"{studio}_hand_in.json": written_file(body) for studio, body in bodies.items()}
    return {"joining_list.txt": listed.text().encode("utf-8"), **files}


if __name__ == "__main__":
    target = Path(__file__).parent / "pool"
    target.mkdir(exist_ok=True)
    for name, content in written_studios(*invented_studios()).items():
        (target / name).write_bytes(content)
