"""Small protocols and rows, made by hand, for the outcomes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pytest

from studykit.outcomes.results import Provenance
from studykit.protocol.types import Protocol
from studykit.records.rows import Clients, RetentionSpells, Scores, Sessions
from studykit.results import RowCount
from studykit.retention.clock import ClientHistory

ARMS = ("conventional", "partner_reps")


def build_protocol(
    *,
    arms: Sequence[str] = ARMS,
    exercises: Sequence[str] = (),
    baselines: Sequence[int] = (0,),
    follow_ups: Sequence[int] = (42, 84),
    scale: str = "log",
    deliver: str = "both arms",
    retention: bool = False,
    roles: tuple[str, str] = ("primary", "secondary"),
    strata: Sequence[str] = (),
    analysis: Mapping[str, Any] | None = None,
    more: Mapping[str, Any] | None = None,
) -> Protocol:
    visits = [{"code": f"base_{-day}" if day else "baseline", "name": "before", "day": day, "baseline": True}
              for day in baselines]  # fmt: skip
    visits += [{"code": f"day_{day}", "name": f"day {day}", "day": day} for day in follow_ups]
    outcomes: list[dict[str, Any]] = []
    if follow_ups:
        outcomes.append({
            "kind": "continuous", "code": "strength", "name": "strength", "unit": "kg", "scale": scale,
            "role": roles[0], "score": {"rule": "load at repetitions"}, "exercises": list(exercises),
            "primary_visit": f"day_{follow_ups[-1]}",
        })  # fmt: skip
    if retention:
        outcomes.append({"kind": "retention", "code": "retained", "name": "retention", "role": roles[1]})
    return Protocol.model_validate({
        "format": 1, "design": "parallel",
        "study": {"title": "A study", "code": "a_study", "version": "1.0", "date": dt.date(2026, 1, 1),
                  "question": "Which?"},
        "arms": [{"code": code, "name": code.replace("_", " "),
                  "dose": {"partner_reps_per_set": 3 if code == "partner_reps" else 0}} for code in arms],
        "exercises": [{"code": code, "name": code} for code in exercises],
        "trainers": {"deliver": deliver},
        "visits": visits, "outcomes": outcomes,
        "allocation": {"method": "permuted blocks", "strata": list(strata)},
        "analysis": dict(analysis or {}), **(more or {}),
    })  # fmt: skip


def build_clients(
    arm: Sequence[int],
    trainer: Sequence[int] | None = None,
    *,
    arm_labels: Sequence[str] = ARMS,
    factors: Sequence[tuple[str, Sequence[int], tuple[str, ...]]] = (),
    covariates: Sequence[tuple[str, Sequence[float]]] = (),
) -> Clients:
    n = len(arm)
    codes = np.full(n, -1) if trainer is None else np.asarray(trainer)
    return Clients(
        labels=tuple(f"C{number:03d}" for number in range(1, n + 1)),
        arm=np.asarray(arm),
        arm_labels=tuple(arm_labels),
        trainer=codes,
        trainer_labels=tuple(f"T{number}" for number in range(1, int(codes.max()) + 2)),
        factors=tuple((name, np.asarray(values), levels) for name, values, levels in factors),
        covariates=tuple((name, np.asarray(values, dtype=float)) for name, values in covariates),
        allocated_on=np.full(n, np.datetime64("2026-01-05"), dtype="datetime64[D]"),
    )


def build_rows(clients: Clients, cube: Any, protocol: Protocol) -> Scores:
    """From an array client x visit x exercise of scores in the outcome's unit, nan where missing."""
    cube = np.asarray(cube, dtype=float)
    client, visit, exercise = np.nonzero(np.isfinite(cube))
    labels = tuple(v.code for v in (*protocol.baseline_visits, *protocol.follow_up_visits))
    outcome = protocol.continuous_outcomes[0]
    return Scores(
        outcome=outcome.code,
        clients=clients,
        client=client,
        visit=visit,
        exercise=exercise,
        score=cube[client, visit, exercise],
        day=np.full(client.size, np.nan),
        visit_labels=labels,
        baseline_visits=tuple(range(len(protocol.baseline_visits))),
        exercise_labels=outcome.exercises or ("",),
        rows=RowCount(client.size, client.size),
    )


def build_spells(
    clients: Clients, last_attended: Sequence[int], *, data_through: int = 300, reasons: Sequence[str] = ()
) -> RetentionSpells:
    """Clients who come every fourth day up to a last day."""
    histories = tuple(
        ClientHistory(tuple(range(0, last + 1, 4)) + ((last,) if last % 4 else ()), data_through)
        for last in last_attended
    )
    n = clients.number
    return RetentionSpells(
        clients, histories, tuple(reasons) or ("",) * n, np.full(n, np.nan), RowCount(n, n)
    )


def build_sessions(clients: Clients, entries: Sequence[Mapping[str, Any]]) -> Sessions:
    def column(name: str, default: float = np.nan) -> Any:
        return np.array([float(entry.get(name, default)) for entry in entries])

    return Sessions(
        clients=clients,
        client=column("client").astype(int),
        day=column("day").astype(int),
        attended=column("attended", 1.0).astype(bool),
        trainer=column("trainer", -1.0).astype(int),
        partner_reps=column("partner_reps"),
        partner_sets=column("partner_sets"),
        partner_sets_as_planned=column("partner_sets_as_planned"),
        conventional_sets=column("conventional_sets"),
        effort=column("effort"),
        discomfort=column("discomfort"),
        limit_reached=column("limit_reached"),
        harm_asked=column("harm_asked"),
        range_kept=column("range_kept"),
        end_code=tuple(entry.get("end_code", "") for entry in entries),
    )


PROVENANCE = Provenance("hash", "1.0", "", (), (), None, "2026-11-01T00:00:00Z")


@pytest.fixture
def make_protocol() -> Callable[..., Protocol]:
    return build_protocol


@pytest.fixture
def make_clients() -> Callable[..., Clients]:
    return build_clients


@pytest.fixture
def make_rows() -> Callable[..., Scores]:
    return build_rows


@pytest.fixture
def make_spells() -> Callable[..., RetentionSpells]:
    return build_spells


@pytest.fixture
def make_sessions() -> Callable[..., Sessions]:
    return build_sessions


@pytest.fixture
def provenance() -> Provenance:
    return PROVENANCE
