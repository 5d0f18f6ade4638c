"""The file that a studio is about to hand in, as a page of sentences: what leaves, and what does not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from studykit.report.numbers import per_cent
from studykit.report.report_context import spaced

SMALL = 3


def hand_in_text(body: Mapping[str, Any]) -> str:
    """Everything in the file, in words; small counts are warned of and never hidden.

    Parameters
    ----------
    body : mapping
        As `studykit.study.handing_in.body_of` gives it.
    """
    strength, ledger, again = body["strength"], body["ledger"], body["again"]
    change = strength["estimate"]
    shown = per_cent(100.0 * math.expm1(change), signed=True) if strength["scale"] == "log" else f"{change:g}"
    counted = ", ".join(
        f"{ledger[name]} {name}" for name in ("looks", "amendments", "reopened", "corrections")
    )
    pair = f"{spaced(body['compared'])} less {spaced(body['reference'])}"
    lines = [
        f"This leaves your studio, as studio {body['studio']}. It holds no row, client, trainer or date."
    ]
    lines.append(
        f"- Strength at {spaced(strength['visit'])}, {pair}: {shown}; error {strength['error']:g}, "
        f"{strength['freedom']:g} degrees of freedom."
    )
    lines += [f"- {line}" for name, arm in body["arms"].items() for line in _arm_lines(spaced(name), arm)]
    lines.append(
        f"- Ledger: {ledger['entries']} entries, codes of {len(ledger['codes'])}, audit {ledger['audit']}; "
        f"{counted}."
    )
    lines.append(
        f"- Protocol version {body['version']} with its code; versions of {', '.join(body['software'])}."
    )
    if body["retention"]:
        distance, variance = body["retention"]["log_rank"]
        lines.append(f"- Two numbers for the log-rank test: {distance:g} and {variance:g}.")
    if again:
        lines.append(f"- That it is handed in again, and why: {again}.")
    return "\n".join((*lines, *_warnings(body)))


def _arm_lines(name: str, arm: Mapping[str, Any]) -> tuple[str, str]:
    missed = "; ".join(f"{reason}: {number}" for reason, number in arm["not_tested"].items())
    flow = (
        f"{name}: {arm['allocated']} clients, {arm['received']} began, {arm['tested']} tested"
        f"{f' ({missed})' if missed else ''}; {arm['retained']} of {arm['known']} stayed."
    )
    harms = (
        f"{name}: {arm['hurt']} hurt ({arm['harms']} harms, {arm['serious']} serious); {arm['attended']} of "
        f"{arm['booked']} sessions, {arm['with_partner_reps']} with partner reps."
    )
    return flow, harms


def _warnings(body: Mapping[str, Any]) -> list[str]:
    found = []
    for name, arm in body["arms"].items():
        counts = {"left": arm["known"] - arm["retained"], "stayed": arm["retained"], "were hurt": arm["hurt"]}
        found += [
            f"Warning: {count} {what} in {spaced(name)}; who knows your clients may guess who."
            for what, count in counts.items()
            if 0 < count < SMALL
        ]
    return found
