"""The table of contrasts between arms, and the names of estimates."""

from __future__ import annotations

from collections.abc import Sequence

from studykit.outcomes.results import OutcomeEstimate
from studykit.report.numbers import RATIO, STANDARDISED, Scale, level
from studykit.report.reading import Reading, capital
from studykit.report.tables import (
    Bracket,
    Cell,
    Probability,
    Quantity,
    Share,
    Table,
    cells,
    column,
    words_column,
)


def estimate_name(reading: Reading, estimate: OutcomeEstimate, scale: Scale) -> str:
    """Name of an estimate with the names of visits, arms and exercises in place of their codes.

    A contrast of other arms than the protocol's comparison says so.
    """
    text = reading.named(estimate.name)
    if scale is STANDARDISED and "standard deviation" not in text:
        text = f"{text}, over the {reading.named(estimate.unit)}"
    if scale is RATIO and "ratio" not in text:
        text = f"{text}, as a ratio"
    compared, reference = reading.results.comparison
    if estimate.contrast and not (compared in estimate.contrast and reference in estimate.contrast):
        contrast = reading.named(estimate.contrast)
        text = text if contrast in text else f"{text} ({contrast})"
    return text


def contrast_table(
    reading: Reading, rows: Sequence[tuple[OutcomeEstimate, Scale]], *, code: str, caption: str
) -> Table:
    """Estimates with interval, p and the clients used; their remarks below."""
    shown = level(reading.results.confidence_level)
    columns = (
        words_column("what"),
        words_column("role"),
        column("difference", "difference", "unit"),
        column(f"{shown} interval", "lower", "upper"),
        column("p"),
        column("clients used", "used", "of"),
    )
    body = tuple(_row(reading, estimate, scale) for estimate, scale in rows)
    return Table(code, caption, columns, body, _notes(reading, rows))


def _row(reading: Reading, estimate: OutcomeEstimate, scale: Scale) -> tuple[Cell, ...]:
    return cells(
        estimate_name(reading, estimate, scale),
        estimate.role,
        Quantity(estimate.value, scale, signed=scale is not RATIO),
        Bracket(reading.interval(estimate), scale),
        Probability(estimate.p_value),
        Share(estimate.rows.used, estimate.rows.supplied),
    )


def _notes(reading: Reading, rows: Sequence[tuple[OutcomeEstimate, Scale]]) -> tuple[str, ...]:
    """Each method and each remark once, with the rows that it is about."""
    methods: dict[str, list[str]] = {}
    remarks: dict[str, list[str]] = {}
    for estimate, scale in rows:
        name = estimate_name(reading, estimate, scale)
        methods.setdefault(reading.named(estimate.method).rstrip("."), []).append(name)
        for remark in estimate.remarks:
            remarks.setdefault(reading.named(remark).rstrip("."), []).append(name)
    main = next(iter(methods), "")
    told = [f"Method: {main}."] if main else []
    told += [f"{capital(', '.join(names))}: {method}." for method, names in methods.items() if method != main]
    told += [f"{capital(remark)}." for remark in remarks]
    return tuple(told)
