"""The baseline table: what was known before allocation, by arm, without tests."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studykit.outcomes.kind_analysis import analysis_of
from studykit.outcomes.results import BaselineCell, BaselineRow
from studykit.protocol.types import Protocol
from studykit.records.rows import Clients, StudyRows

Floats = NDArray[np.float64]
ALL = "all"


def baseline_table(protocol: Protocol, rows: StudyRows) -> tuple[BaselineRow, ...]:
    """Stratifiers, covariates, trainers and baseline scores by arm and over all.

    Returns
    -------
    tuple of BaselineRow
        Means with standard deviations in the outcome's unit, or counts with the number known.
    """
    clients = rows.clients
    found: list[BaselineRow] = []
    for name, values in clients.covariates:
        found.append(_mean_row(clients, name, "", values))
    for factor, codes, levels in clients.factors:
        found += [
            _count_row(clients, f"{factor}: {level}", codes, place) for place, level in enumerate(levels)
        ]
    found += [
        _count_row(clients, f"trainer: {label}", clients.trainer, place)
        for place, label in enumerate(clients.trainer_labels)
        if (clients.trainer == place).any()
    ]
    for outcome in protocol.outcomes_to_report:
        for name, unit, values in analysis_of(outcome).baseline(outcome, rows):
            found.append(_mean_row(clients, name, unit, values))
    return tuple(found)


def _arms(clients: Clients) -> list[tuple[str, NDArray[np.bool_]]]:
    sides = [(label, clients.arm == code) for code, label in enumerate(clients.arm_labels)]
    return [*sides, (ALL, np.ones(clients.number, dtype=bool))]


def _mean_row(clients: Clients, name: str, unit: str, values: Floats) -> BaselineRow:
    cells = []
    for label, own in _arms(clients):
        known = values[own & np.isfinite(values)]
        cells.append(
            BaselineCell(
                arm=label,
                number=known.size,
                first=float(known.mean()) if known.size else float("nan"),
                second=float(known.std(ddof=1)) if known.size > 1 else float("nan"),
                missing=int(own.sum()) - known.size,
            )
        )
    return BaselineRow(name, unit, "mean", tuple(cells))


def _count_row(clients: Clients, name: str, codes: NDArray[np.int64], level: int) -> BaselineRow:
    cells = []
    for label, own in _arms(clients):
        known = int((own & (codes >= 0)).sum())
        count = int((own & (codes == level)).sum())
        cells.append(BaselineCell(label, known, float(count), float(known), int(own.sum()) - known))
    return BaselineRow(name, "", "count", tuple(cells))
