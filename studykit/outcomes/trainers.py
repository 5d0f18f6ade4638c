"""How trainers enter an analysis: by the protocol's rule and by who in fact trained whom."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError
from studykit.outcomes.answers import Answers
from studykit.outcomes.clients import ClientArrays
from studykit.protocol.types import Protocol
from studykit.records.rows import Clients

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TrainerRole = Literal["absent", "one", "fixed", "random", "clusters"]

ONE_TRAINER = (
    "One trainer delivered both arms: the comparison holds for this trainer and cannot be carried over to "
    "others."
)
NESTED = (
    "No trainer had clients in both arms although the protocol lets trainers deliver both: trainers are "
    "treated as clusters."
)


@dataclass(frozen=True, slots=True)
class TrainerPlan:
    """The trainers of the allocated clients and their place in the models.

    Parameters
    ----------
    role : str
        ``absent`` none recorded; ``one`` a single trainer; ``fixed`` or ``random`` crossed with arm;
        ``clusters`` each trainer delivers one arm.
    trainer : ndarray of int, shape (clients,)
        Index into ``labels``; clients without a recorded trainer share the label ``"not recorded"``.
    labels : tuple of str
        Trainers who have at least one client.
    remarks : tuple of str
    """

    role: TrainerRole
    trainer: NDArray[np.int64]
    labels: tuple[str, ...]
    remarks: tuple[str, ...]


def plan_trainers(protocol: Protocol, clients: Clients) -> TrainerPlan:
    """Decide how trainers are treated.

    Raises
    ------
    DesignError
        With one trainer in an arm where trainers deliver one arm: arm and trainer cannot be told apart.
    """
    present = np.unique(clients.trainer)
    if present.size == 0 or (present == -1).all():
        return TrainerPlan("absent", np.zeros(clients.number, dtype=np.int64), (), ())
    labels = tuple("not recorded" if code == -1 else clients.trainer_labels[code] for code in present)
    codes = np.searchsorted(present, clients.trainer).astype(np.int64)
    own = ClientArrays.of_study(clients, trainers=(codes, labels))
    roles, alone = trainer_roles(protocol, own)
    if alone[0] >= 0:
        raise alone_in_arm(clients.arm_labels[alone[0]])
    role: TrainerRole = roles[0]
    remarks = {
        "one": (ONE_TRAINER,),
        "clusters": () if protocol.trainers.deliver == "one arm" else (NESTED,),
    }
    crossed = (
        f"{len(labels)} trainers delivered both arms: the comparison is for these trainers; how it spreads "
        "over trainers is shown and not generalised."
    )
    return TrainerPlan(role, codes, labels, remarks.get(role, (crossed,)))


def trainer_roles(protocol: Protocol, clients: ClientArrays) -> tuple[NDArray[np.str_], NDArray[np.int64]]:
    """How trainers enter each study, and the arm that one trainer alone delivers where they are clusters.

    Returns
    -------
    (roles, alone)
        Shape (m,); ``alone`` is -1 where there is no such arm: arm and trainer can be told apart.
    """
    in_arm = (clients.of_trainer()[..., None] & clients.in_arm()[:, :, None]).any(axis=1)
    arms_of = in_arm.sum(axis=2)
    number = (arms_of > 0).sum(axis=1)
    crossed = (arms_of > 1).any(axis=1)
    clusters = (number > 1) & (~crossed | (protocol.trainers.deliver == "one arm"))
    roles = np.select(
        [number == 0, number == 1, clusters, number < protocol.analysis.trainer_random_from],
        ["absent", "one", "clusters", "fixed"],
        "random",
    )
    alone = (in_arm.sum(axis=1) == 1) & clusters[:, None]
    return roles, np.where(alone.any(axis=1), alone.argmax(axis=1), -1)


def alone_in_arm(arm: str) -> DesignError:
    """One trainer alone in an arm: no claim about the arms."""
    return DesignError(
        where=f"trainers of arm {arm}",
        expected="at least two trainers in each arm where a trainer delivers one arm only",
        got="one",
        todo="Describe the arms; arm and trainer cannot be told apart, so no effect can be claimed.",
    )


def trainer_means(
    clients: ClientArrays, values: Floats, used: Flags, arm: int
) -> tuple[Floats, Flags, Flags]:
    """Mean of each trainer's used clients in the reference arm, then of those in ``arm``.

    Returns
    -------
    (mean, known, compared)
        Shape (m, 2 trainers): the mean, whether there is one, and whether it is of ``arm``.
    """
    sides = [clients.of_trainer() & (used & (clients.arm == code))[..., None] for code in (0, arm)]
    counted = np.concatenate(sides, axis=2)
    number = counted.sum(axis=1)
    mean = (counted * np.where(used, values, 0.0)[..., None]).sum(axis=1) / np.maximum(number, 1)
    compared = np.broadcast_to(np.arange(mean.shape[1]) >= len(clients.trainer_labels), mean.shape)
    return np.asarray(mean), np.asarray(number > 0), compared


def unpaired_t(mean: Floats, known: Flags, compared: Flags, *, confidence_level: float) -> Answers:
    """Mean of the compared ones minus mean of the others, equal variances, t.

    Parameters
    ----------
    mean : ndarray, shape (m, k)
    known, compared : ndarray of bool, shape (m, k)
        Which of them there are, and which are in the compared arm.

    Examples
    --------
    >>> everyone, compared = np.full((1, 4), True), np.array([[True, True, False, False]])
    >>> found = unpaired_t(np.array([[3.0, 5.0, 1.0, 3.0]]), everyone, compared, confidence_level=0.95)
    >>> found.value.tolist(), found.degrees_of_freedom.tolist()
    ([2.0], [2.0])
    """
    sides = [known & ~compared, known & compared]
    number = [side.sum(axis=1) for side in sides]
    with np.errstate(invalid="ignore", divide="ignore"):
        centre = [(mean * side).sum(axis=1) / count for side, count in zip(sides, number, strict=True)]
        squares = sum(
            (side * (mean - middle[:, None]) ** 2).sum(axis=1)
            for side, middle in zip(sides, centre, strict=True)
        )
        freedom = number[0] + number[1] - 2.0
        possible = (np.minimum(*number) >= 1) & (freedom >= 1.0)
        error = np.sqrt(squares / freedom * (1.0 / number[0] + 1.0 / number[1]))
    return Answers.of_t(
        *(np.where(possible, found, np.nan) for found in (centre[1] - centre[0], error, freedom)),
        confidence_level=confidence_level,
        failure=lambda study: FitError(
            where="comparison of trainers' means",
            expected="at least two trainers in each arm",
            got=f"{number[1][study]} and {number[0][study]}",
            todo="Describe the arms; no effect can be claimed.",
        ),
    )
