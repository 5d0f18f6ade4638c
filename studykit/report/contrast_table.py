"""The table of contrasts between arms, and the names of estimates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from studykit.outcomes.results import OutcomeEstimate
from studykit.report.numbers import RATIO, STANDARDISED, Scale, level
from studykit.report.report_context import Reading, capital
from studykit.report.tables import (
    NOTHING,
    Bracket,
    Cell,
    Probability,
    Quantity,
    RowNote,
    Share,
    Table,
    cells,
    column,
    words_column,
)

_ERROR, _STATISTIC, _DEGREES = Scale("", 3), Scale("", 2), Scale("", 1)
_OF_THE_ANALYSIS = (
    "SE, t and df are those of the analysis: where a ratio or a change in per cent is shown, SE is that of "
    "its logarithm."
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
    reading: Reading,
    rows: Sequence[tuple[OutcomeEstimate, Scale]],
    *,
    code: str,
    caption: str,
    about: str = "",
) -> Table:
    """Estimates with interval, p and the clients used; their methods and remarks below.

    ``about`` is the outcome that the caption names: rows do not repeat it.
    """
    shown = level(reading.results.confidence_level)
    tested = [_tested(estimate) for estimate, _ in rows]
    columns = (
        words_column("what"),
        words_column("role"),
        column("difference", "difference", "unit"),
        column(f"{shown} interval", "lower", "upper"),
        *((column("SE"), column("t"), column("df")) if any(tested) else ()),
        column("p"),
        column("clients used", "used", "of"),
    )
    named = [
        (estimate_name(reading, estimate, scale).removeprefix(f"{about} "), estimate, scale)
        for estimate, scale in rows
    ]
    body = tuple(
        _row(reading, name, estimate, scale, found if any(tested) else None)
        for (name, estimate, scale), found in zip(named, tested, strict=True)
    )
    told = [(name, estimate) for name, estimate, _ in named]
    notes = *_methods(reading, told), *((_OF_THE_ANALYSIS,) if any(tested) else ()), *_remarks(reading, told)
    return Table(code, caption, columns, body, notes)


def _tested(estimate: OutcomeEstimate) -> tuple[Cell, ...]:
    """Standard error, statistic and degrees of freedom of what was tested; empty where there is no t."""
    found: Any = estimate.estimate
    while not hasattr(found, "degrees_of_freedom"):
        inner = getattr(found, "base", getattr(found, "contrast", None))
        if inner is None:
            return ()
        found = inner
    if not hasattr(found, "standard_error"):
        return ()
    numbers = (found.standard_error, found.statistic, found.degrees_of_freedom)
    return tuple(Quantity(v, scale) for v, scale in zip(numbers, (_ERROR, _STATISTIC, _DEGREES), strict=True))


def _row(
    reading: Reading, name: str, estimate: OutcomeEstimate, scale: Scale, tested: tuple[Cell, ...] | None
) -> tuple[Cell, ...]:
    return cells(
        name,
        estimate.role,
        Quantity(estimate.value, scale, signed=scale is not RATIO),
        Bracket(reading.interval(estimate), scale),
        *(() if tested is None else tested or (NOTHING,) * 3),
        Probability(estimate.p_value),
        Share(estimate.rows.used, estimate.rows.supplied),
    )


def _methods(reading: Reading, rows: Sequence[tuple[str, OutcomeEstimate]]) -> tuple[str, ...]:
    """The commonest method of the main rows first, then every other one with the rows that it is about."""
    methods: dict[str, dict[int, str]] = {}
    for place, (name, estimate) in enumerate(rows):
        methods.setdefault(reading.named(estimate.method).rstrip("."), {})[place] = name
    if not methods:
        return ()
    weight = {name: estimate.role not in {"sensitivity", "supporting"} for name, estimate in rows}
    main = max(methods, key=lambda method: sum(weight[name] for name in methods[method].values()))
    others = [
        RowNote(capital("; ".join(names.values())), f"{method}.", tuple(names))
        for method, names in methods.items()
        if method != main
    ]
    return (f"Method{', unless another is named' if others else ''}: {main}.", *others)


def _remarks(reading: Reading, rows: Sequence[tuple[str, OutcomeEstimate]]) -> tuple[str, ...]:
    remarks = [reading.named(remark).rstrip(".") for _, estimate in rows for remark in estimate.remarks]
    return tuple(f"{capital(remark)}." for remark in dict.fromkeys(remarks))
