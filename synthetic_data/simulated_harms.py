"""Harms of one simulated trial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.trial.batch import TrialBatch
from synthetic_data.simulated_sessions import SessionDetails

_KINDS = {
    "mild": ("joint ache", "muscle strain", "bruise", "stiff neck"),
    "moderate": ("muscle soreness longer than 72 hours", "muscle strain", "back pain", "knee pain"),
    "severe": ("muscle tear", "back pain"),
    "serious": ("fall with hospital stay",),
}
_ACTIONS = {
    "mild": "trained on",
    "moderate": "one session missed",
    "severe": "stopped training, referred",
    "serious": "hospital, training stopped",
}
_SEVERITY = {"mild": "mild", "moderate": "moderate", "severe": "severe", "serious": "severe"}


@dataclass(frozen=True, slots=True)
class SimulatedHarm:
    """One harm; ``client`` is -1 and ``trainer`` not where a trainer was hurt."""

    client: int
    trainer: int
    day: int  # from the client's allocation; for a trainer from the first allocation
    kind: str
    exercise: str
    partner_reps: float
    severity: str
    serious: bool
    expected: bool
    related: str
    action: str
    outcome: str


def simulate_harms(
    batch: TrialBatch, sessions: SessionDetails, rng: np.random.Generator, *, trial: int = 0
) -> tuple[SimulatedHarm, ...]:
    """Draw the harms of one trial.

    Parameters
    ----------
    batch : TrialBatch
    sessions : SessionDetails
    rng : numpy.random.Generator
    trial : int

    Returns
    -------
    tuple of SimulatedHarm
        By client and day, those of trainers last. Harms follow a session and need one.
    """
    found: list[SimulatedHarm] = []
    for client in range(batch.settings.clients):
        own = np.flatnonzero((sessions.client == client) & sessions.attended)
        if own.size:
            arm = int(batch.arm[trial, client])
            harms = [
                *_soreness(batch, sessions, own, arm=arm, rng=rng),
                *_others(batch, sessions, own, arm=arm, rng=rng),
            ]
            found.extend(sorted(harms, key=lambda harm: harm.day))
    return (*found, *_of_trainers(batch, rng))


def _exercise(batch: TrialBatch, rng: np.random.Generator) -> str:
    return batch.settings.machines[int(rng.integers(len(batch.settings.machines)))].code


def _soreness(
    batch: TrialBatch,
    sessions: SessionDetails,
    own: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    *,
    arm: int,
    rng: np.random.Generator,
) -> list[SimulatedHarm]:
    """Ordinary soreness a day or two after one of the first five sessions."""
    if rng.random() >= batch.settings.harms.soreness[arm]:
        return []
    session = int(own[min(int(rng.integers(1, 6)), own.size) - 1])
    return [
        SimulatedHarm(
            client=int(sessions.client[session]),
            trainer=-1,
            day=int(sessions.day[session]) + int(rng.integers(1, 3)),
            kind="muscle soreness",
            exercise=_exercise(batch, rng),
            partner_reps=float(sessions.partner_reps[session]),
            severity="mild",
            serious=False,
            expected=True,
            related="probable",
            action="lighter next session",
            outcome=f"gone after {int(rng.integers(2, 4))} days",
        )
    ]


def _others(
    batch: TrialBatch,
    sessions: SessionDetails,
    own: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    *,
    arm: int,
    rng: np.random.Generator,
) -> list[SimulatedHarm]:
    """Other harms, at the rates of the arm, in proportion to the weeks trained."""
    model = batch.settings.harms
    weeks = (sessions.day[own[-1]] - sessions.day[own[0]] + 7) / 7.0
    found = []
    for grade in ("mild", "moderate", "severe", "serious"):
        for _ in range(int(rng.poisson(getattr(model, grade)[arm] * weeks / 26.0))):
            session = int(own[int(rng.integers(own.size))])
            kinds = _KINDS[grade]
            found.append(
                SimulatedHarm(
                    client=int(sessions.client[session]),
                    trainer=-1,
                    day=int(sessions.day[session]) + int(rng.integers(0, 3)),
                    kind=kinds[int(rng.integers(len(kinds)))],
                    exercise=_exercise(batch, rng),
                    partner_reps=float(sessions.partner_reps[session]),
                    severity=_SEVERITY[grade],
                    serious=grade == "serious",
                    expected=False,
                    related=("no", "possible", "possible", "probable")[int(rng.integers(4))],
                    action=_ACTIONS[grade],
                    outcome="recovered" if grade in ("mild", "moderate") else "under treatment",
                )
            )
    return found


def _of_trainers(batch: TrialBatch, rng: np.random.Generator) -> list[SimulatedHarm]:
    """Harms to trainers."""
    settings = batch.settings
    number = rng.poisson(settings.harms.trainer, size=settings.trainers)
    return [
        SimulatedHarm(
            client=-1,
            trainer=trainer,
            day=int(rng.integers(14, settings.retention.horizon_day)),
            kind="sore shoulder",
            exercise=_exercise(batch, rng),
            partner_reps=float("nan"),
            severity="mild",
            serious=False,
            expected=False,
            related="possible",
            action="changed stance",
            outcome="recovered",
        )
        for trainer in range(settings.trainers)
        for _ in range(int(number[trainer]))
    ]
