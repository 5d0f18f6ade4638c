"""What is written down about every booked session of one simulated trial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.results import frozen_array
from studykit.trial.batch import TrialBatch

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Texts = NDArray[np.object_]

_COVER = 0.06  # sessions given by another than the client's trainer (judgement)


@dataclass(frozen=True, slots=True)
class SessionDetails:
    """Booked sessions in order of client and day; shape (sessions,) each.

    Numbers are ``nan`` and texts empty where the session did not take place.
    """

    client: Integers
    day: Integers
    attended: NDArray[np.bool_]
    status: Texts
    trainer: Integers
    conventional_sets: Floats
    limit_reached: Floats
    partner_sets: Floats
    partner_reps: Floats
    as_planned: Floats
    lowering: Texts
    lifting: Texts
    range_kept: Floats
    effort: Floats
    discomfort: Floats
    end_code: Texts
    harm_asked: Floats
    entered_after: Integers


def simulate_sessions(batch: TrialBatch, rng: np.random.Generator, *, trial: int = 0) -> SessionDetails:
    """Fill in the session log of one trial.

    Parameters
    ----------
    batch : TrialBatch
    rng : numpy.random.Generator
    trial : int

    Returns
    -------
    SessionDetails
    """
    seen = batch.attendance
    client, slot = np.nonzero(seen.booked[trial])
    attended = seen.attended[trial, client, slot]
    number = np.cumsum(seen.attended[trial], axis=1)[client, slot]
    partner = _partner_reps(batch, client, number, rng=rng, trial=trial)
    partner_sets, partner_reps, as_planned = (np.where(attended, part, np.nan) for part in partner)
    fidelity = _fidelity(partner_sets, as_planned, rng)
    ratings = _ratings(batch, client, partner_sets > 0, rng=rng, trial=trial)

    def if_attended(values: NDArray[np.generic]) -> Floats:
        return frozen_array(np.where(attended, values, np.nan), float)

    absent = np.where(rng.random(client.size) < 0.7, "cancelled", "no show")
    return SessionDetails(
        client=frozen_array(client, np.int64),
        day=frozen_array(seen.day[trial, client, slot], np.int64),
        attended=frozen_array(attended, bool),
        status=frozen_array(np.where(attended, "attended", absent), object),
        trainer=frozen_array(_who(batch, client, rng=rng, trial=trial), np.int64),
        conventional_sets=if_attended(rng.integers(6, 10, size=client.size)),
        limit_reached=if_attended(rng.random(client.size) < 0.93),
        partner_sets=frozen_array(partner_sets, float),
        partner_reps=frozen_array(partner_reps, float),
        as_planned=frozen_array(as_planned, float),
        lowering=fidelity[0],
        lifting=fidelity[1],
        range_kept=fidelity[2],
        effort=if_attended(ratings[0]),
        discomfort=if_attended(ratings[1]),
        end_code=fidelity[3],
        harm_asked=if_attended(rng.random(client.size) < 0.97),
        entered_after=frozen_array(rng.choice([0, 0, 0, 0, 0, 0, 1, 1, 2, 4], size=client.size), np.int64),
    )


def _who(batch: TrialBatch, client: Integers, *, rng: np.random.Generator, trial: int) -> Integers:
    """The trainer of each session: the client's own, now and then another."""
    trainers = batch.settings.trainers
    own = batch.traits.trainer[trial, client]
    step = rng.integers(1, max(trainers, 2), size=client.size)
    cover = rng.random(client.size) < (_COVER if trainers > 1 else 0.0)
    return np.asarray(np.where(cover, (own + step) % trainers, own), dtype=np.int64)


def _partner_reps(
    batch: TrialBatch, client: Integers, number: Integers, *, rng: np.random.Generator, trial: int
) -> tuple[Floats, Floats, Floats]:
    """Partner-rep sets, partner reps and sets done as planned, by the ramp-in of the method.

    The first two sessions have one set of two easy partner reps, the next two full sets below full
    effort, later ones the whole dose.
    """
    delivery, size = batch.settings.delivery, client.size
    arm = batch.arm[trial, client]
    contaminated = batch.traits.contaminated[trial, client] & (arm == 0)
    leaks = contaminated & (rng.random(size) < delivery.contaminated_sessions)
    sets = np.where(number <= 2, min(1, delivery.sets), delivery.sets)
    sets = np.where(arm > 0, sets, np.where(leaks, 1, 0))
    planned = np.where(number <= 2, min(2, delivery.reps_per_set), delivery.reps_per_set)
    good = rng.binomial(sets, np.where(arm > 0, batch.traits.delivered[trial, client], 0.0))
    # A set that did not go as planned ended early or was cut to half.
    short = np.maximum(planned // 2, 1)
    return sets.astype(float), (good * planned + (sets - good) * short).astype(float), good.astype(float)


def _fidelity(
    sets: Floats, as_planned: Floats, rng: np.random.Generator
) -> tuple[Texts, Texts, Floats, Texts]:
    """Lowering, lifting, range and end code: in order where all sets went as planned."""
    done, failed = sets > 0, np.nan_to_num(sets - as_planned)
    cause = rng.choice(5, p=(0.35, 0.15, 0.10, 0.30, 0.10), size=sets.size)
    which = np.where(failed > 0, cause, -1)
    lowering = np.where(which == 0, np.where(failed > 1, "mostly short", "some short"), "all in range")
    lifting = np.where(which == 1, np.where(failed > 1, "more stalls", "one stall"), "all finished")
    end = np.select([which == 3, which == 4], ["client asked", "overpowered"], "as planned")
    texts = (np.where(done, text, "") for text in (lowering, lifting, end))
    low, lift, ended = (frozen_array(text, object) for text in texts)
    return low, lift, frozen_array(np.where(done, which != 2, np.nan), float), ended


def _ratings(
    batch: TrialBatch,
    client: Integers,
    partner: NDArray[np.bool_],
    *,
    rng: np.random.Generator,
    trial: int,
) -> tuple[Floats, Floats]:
    """Effort and discomfort from 0 to 10; those of sessions with partner reps are higher."""
    delivery, clients = batch.settings.delivery, batch.settings.clients
    kind = np.where(partner, np.maximum(batch.arm[trial, client], 1), 0)
    own = rng.standard_normal((2, clients))
    ratings = []
    for index, means in enumerate((delivery.effort, delivery.discomfort)):
        rated = np.asarray(means)[kind] + 0.8 * own[index, client] + 0.9 * rng.standard_normal(client.size)
        ratings.append(np.clip(np.round(rated), 0.0, 10.0))
    return ratings[0], ratings[1]
