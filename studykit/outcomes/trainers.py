"""How trainers enter an analysis: by the protocol's rule and by who in fact trained whom."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError
from studykit.protocol.types import Protocol
from studykit.records.rows import Clients
from studykit.results import Estimate

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
    if len(labels) == 1:
        return TrainerPlan("one", codes, labels, (ONE_TRAINER,))
    crossed = [np.unique(clients.arm[codes == place]).size > 1 for place in range(len(labels))]
    one_arm_planned = protocol.trainers.deliver == "one arm"
    if one_arm_planned or not any(crossed):
        _refuse_single_clusters(clients, codes)
        return TrainerPlan("clusters", codes, labels, () if one_arm_planned else (NESTED,))
    role: TrainerRole = "fixed" if len(labels) < protocol.analysis.trainer_random_from else "random"
    remark = (
        f"{len(labels)} trainers delivered both arms: the comparison is for these trainers; how it spreads "
        f"over "
        "trainers is shown and not generalised."
    )
    return TrainerPlan(role, codes, labels, (remark,))


def unpaired_t(first: list[float], second: list[float]) -> Estimate:
    """Mean of ``first`` minus mean of ``second``, equal variances, t.

    Examples
    --------
    >>> unpaired_t([3.0, 5.0], [1.0, 3.0]).degrees_of_freedom
    2.0
    """
    freedom = len(first) + len(second) - 2
    if min(len(first), len(second)) < 1 or freedom < 1:
        raise FitError(
            where="comparison of trainers' means",
            expected="at least two trainers in each arm",
            got=f"{len(first)} and {len(second)}",
            todo="Describe the arms; no effect can be claimed.",
        )
    a, b = np.asarray(first), np.asarray(second)
    variance = (((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum()) / freedom
    error = float(np.sqrt(variance * (1.0 / a.size + 1.0 / b.size)))
    return Estimate(float(a.mean() - b.mean()), error, float(freedom), "trainers as units")


def _refuse_single_clusters(clients: Clients, codes: NDArray[np.int64]) -> None:
    """One trainer alone in an arm: no claim about the arms."""
    for place, arm in enumerate(clients.arm_labels):
        number = np.unique(codes[clients.arm == place]).size
        if number == 1:
            raise DesignError(
                where=f"trainers of arm {arm}",
                expected="at least two trainers in each arm where a trainer delivers one arm only",
                got="one",
                todo="Describe the arms; arm and trainer cannot be told apart, so no effect can be claimed.",
            )
