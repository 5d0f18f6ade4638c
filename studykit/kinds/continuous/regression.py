"""Regression of the score at one visit on the score before allocation: the fallback, and for sensitivity.

The same functions serve the composite over exercises and a single exercise, one study and many: the first
axis counts studies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import FitError
from studykit.outcomes.answers import Answers
from studykit.outcomes.clients import ClientArrays, orthonormal_columns
from studykit.outcomes.trainers import trainer_means, unpaired_t

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
LEAST_DEGREES_OF_FREEDOM = 2
ENOUGH_DEGREES_OF_FREEDOM = 5  # below it an interval costs more than the terms that could go can earn
BASELINE, FACTS, TRAINERS = "the score before allocation", "stratifiers and covariates", "trainers"
RUNGS = (
    (TRAINERS, ENOUGH_DEGREES_OF_FREEDOM),
    (FACTS, ENOUGH_DEGREES_OF_FREEDOM),
    (BASELINE, LEAST_DEGREES_OF_FREEDOM),
)
"""What leaves the regression, in this order, while fewer degrees of freedom than these remain.

The order is fixed before the first client, and the rung follows from how many were tested and which columns
there are, never from a score.
"""
RESIDUAL = "residual"  # the degrees of freedom are those of the residuals
NO_ARM = ""


@dataclass(frozen=True, slots=True, eq=False)
class Regression:
    """Least-squares fits of m studies, with what their contrasts need.

    Parameters
    ----------
    coefficients : ndarray, shape (m, p)
        0 for a column that was left out.
    unscaled : ndarray, shape (m, p, p)
        Covariance of the coefficients over the residual variance.
    variance, degrees_of_freedom : ndarray, shape (m,)
        Of the residuals.
    names : tuple of str
        Columns; the first is the reference arm's mean at average covariates.
    kept : ndarray of bool, shape (m, p)
        Columns that do not repeat those before them.
    used : ndarray of bool, shape (m, clients)
    residuals : ndarray, shape (m, clients)
        ``nan`` for clients who were not used.
    unseen : tuple of str
        By study, the first arm that has no score; empty where all have one.
    parts : tuple of str
        Of every column, which of `RUNGS` it belongs to; empty for the mean and the arms.
    rung : ndarray of int, shape (m,)
        How many of `RUNGS` were left out, since too few clients were tested.
    """

    coefficients: Floats
    unscaled: Floats
    variance: Floats
    degrees_of_freedom: Floats
    names: tuple[str, ...]
    kept: Flags
    used: Flags
    residuals: Floats
    unseen: tuple[str, ...]
    parts: tuple[str, ...]
    rung: Integers

    def dropped(self, study: int = 0) -> tuple[str, ...]:
        """Parts that left the regression, since too few clients were tested."""
        gone = [part for part, _ in RUNGS[: int(self.rung[study])]]
        return tuple(part for part in gone if part in self.parts)

    def left_out(self, study: int = 0) -> tuple[str, ...]:
        """Columns that repeat others."""
        gone = self.dropped(study)
        columns = zip(self.names, self.parts, self.kept[study], strict=True)
        return tuple(name for name, part, keep in columns if not keep and part not in gone)

    def combination(self, weights: Floats, *, confidence_level: float = 0.95) -> Answers:
        """A linear combination of the coefficients, with t on the residual degrees of freedom.

        There is no answer where an arm has no score, fewer than two degrees of freedom remain, or a column
        that is asked for was left out.
        """
        asked = weights != 0.0
        possible = (self.degrees_of_freedom >= LEAST_DEGREES_OF_FREEDOM) & self.kept[:, asked].all(axis=1)
        possible &= np.array([not arm for arm in self.unseen])
        error = np.sqrt(np.einsum("i,mij,j->m", weights, self.unscaled, weights) * self.variance)
        numbers = (self.coefficients @ weights, error, self.degrees_of_freedom)
        return Answers.of_t(
            *(np.where(possible, own, np.nan) for own in numbers),
            confidence_level=confidence_level,
            failure=lambda study: self.failure(study, asked),
        )

    def coefficient(self, name: str, *, confidence_level: float = 0.95) -> Answers:
        """One coefficient by name."""
        weights = np.array([own == name for own in self.names], dtype=float)
        return self.combination(weights, confidence_level=confidence_level)

    def failure(self, study: int, asked: Flags) -> FitError:
        """Why a study has no answer."""
        if self.unseen[study]:
            return FitError(
                where=f"arm {self.unseen[study]}",
                expected="at least one score at the visit",
                got="none",
                todo="Enter the tests, or analyse later.",
            )
        clients, columns = int(self.used[study].sum()), int(self.kept[study].sum())
        if clients - columns < LEAST_DEGREES_OF_FREEDOM:
            return FitError(
                where="regression",
                expected=f"at least {columns + LEAST_DEGREES_OF_FREEDOM} clients with a score for "
                f"{columns} columns",
                got=f"{clients} clients",
                todo="Wait for more tests, or describe the scores.",
            )
        name = self.names[int(np.flatnonzero(asked & ~self.kept[study])[0])]
        return FitError(
            where=f"regression, {name}",
            expected="a column that the others do not repeat",
            got="a repeated or empty column",
        )


def least_squares(
    outcome: Floats,
    matrix: Floats,
    names: tuple[str, ...],
    used: Flags,
    unseen: tuple[str, ...] = (),
    *,
    parts: tuple[str, ...] = (),
) -> Regression:
    """Ordinary least squares on the clients that are ``used``; columns that repeat others are left out.

    With ``parts``, what each column belongs to, terms go in the order of `RUNGS` where clients are too few.

    Parameters
    ----------
    outcome : ndarray, shape (m, clients)
    matrix : ndarray, shape (m, clients, p)
    names : tuple of str, length p
    used : ndarray of bool, shape (m, clients)
    unseen : tuple of str, optional
        By study, the first arm that has no score.
    """
    present = np.where(used, outcome, 0.0)
    own = matrix * used[..., None]
    basis, kept = orthonormal_columns(own)
    rung = np.zeros(len(used), dtype=np.int64)
    for number, (part, least) in enumerate(RUNGS, start=1):
        columns = np.flatnonzero([of == part for of in parts])
        short = np.flatnonzero(used.sum(axis=1) - kept.sum(axis=1) < least)
        if short.size and columns.size:
            own[np.ix_(short, np.arange(own.shape[1]), columns)] = 0.0
            basis[short], kept[short] = orthonormal_columns(own[short])
            rung[short] = number
    triangle = basis.swapaxes(1, 2) @ (own * kept[:, None])
    triangle += np.eye(len(names)) * ~kept[:, None]  # a column that was left out stands alone
    inverse = np.linalg.inv(triangle) * kept[:, None]
    projected = (basis.swapaxes(1, 2) @ present[..., None])[..., 0]
    residuals = present - (basis @ projected[..., None])[..., 0]
    freedom = (used.sum(axis=1) - kept.sum(axis=1)).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = (residuals**2).sum(axis=1) / freedom
    return Regression(
        coefficients=(inverse @ projected[..., None])[..., 0],
        unscaled=inverse @ inverse.swapaxes(1, 2),
        variance=np.where(freedom > 0.0, variance, np.nan),
        degrees_of_freedom=freedom,
        names=names,
        kept=kept,
        used=used,
        residuals=np.where(used, residuals, np.nan),
        unseen=unseen or (NO_ARM,) * len(used),
        parts=parts or ("",) * len(names),
        rung=rung,
    )


def adjusting_columns(
    baseline: Floats | None, clients: ClientArrays, *, trainers: bool, adjust: bool = True
) -> tuple[list[str], list[str], list[Floats]]:
    """Score before, stratifiers, covariates, trainers: names, parts, and blocks (m, clients, k)."""
    names: list[str] = []
    blocks: list[Floats] = []
    if baseline is not None:
        known = np.isfinite(baseline)
        filled = np.where(known, baseline, 0.0)
        mean = filled.sum(axis=1, keepdims=True) / np.maximum(known.sum(axis=1, keepdims=True), 1)
        if known.any():
            names.append("baseline")
            blocks.append(np.where(known, filled - mean, 0.0)[..., None])
        if not known.all():
            names.append("baseline missing")
            blocks.append((~known - (~known).mean(axis=1, keepdims=True))[..., None])
    parts = [BASELINE] * len(names)
    if adjust:
        facts = clients.facts()
        names += facts.names
        parts += [FACTS] * len(facts.names)
        blocks.append(facts.values)
        if trainers:
            own = clients.trainer_columns()
            names += [f"trainer {name}" for name in own.names]
            parts += [TRAINERS] * len(own.names)
            blocks.append(own.values)
    return names, parts, blocks


def regress_on_baseline(
    follow_up: Floats,
    baseline: Floats | None,
    clients: ClientArrays,
    *,
    trainers: bool,
    adjust: bool = True,
    with_arms: bool = True,
) -> Regression:
    """Score at a visit on arm, baseline score, stratifiers, covariates and trainer.

    Parameters
    ----------
    follow_up : ndarray, shape (m, clients)
        ``nan`` where the client has no score of the visit; such clients are not used.
    baseline : ndarray, shape (m, clients), or None
        ``nan`` where missing: replaced by the mean over all clients, with an indicator column.
    clients : ClientArrays
    trainers : bool
        Whether trainers are fixed effects: where they are crossed with arm, whatever their number.
    adjust : bool
        False keeps the baseline score only.
    with_arms : bool
        False leaves out the arms, for analyses of residuals.
    """
    used = np.isfinite(follow_up)
    names, blocks = ["mean"], [np.ones((*used.shape, 1))]
    unseen: tuple[str, ...] = ()
    if with_arms:
        in_arm, labels = clients.in_arm(), clients.arm_labels
        names += labels[1:]
        blocks.append(in_arm[..., 1:].astype(float))
        missing = (in_arm & used[..., None]).sum(axis=1) == 0
        unseen = tuple(labels[int(own.argmax())] if own.any() else NO_ARM for own in missing)
    more, parts, further = adjusting_columns(baseline, clients, trainers=trainers, adjust=adjust)
    return least_squares(
        follow_up,
        np.concatenate([*blocks, *further], axis=2),
        (*names, *more),
        used,
        unseen,
        parts=(*("" for _ in names), *parts),
    )


def compare_clusters(
    follow_up: Floats,
    baseline: Floats | None,
    clients: ClientArrays,
    *,
    arm: int,
    confidence_level: float = 0.95,
) -> Answers:
    """Difference between trainers' mean residuals, t on trainers minus two: for trainers who deliver one arm.

    Parameters
    ----------
    follow_up, baseline, clients
        As for `regress_on_baseline`.
    arm : int
        The arm compared with the reference arm.
    confidence_level : float

    Notes
    -----
    Two stages (Hayes & Moulton 2017, chapter 10): regression on baseline score and stratifiers without the
    arm, then an unpaired t on the mean residual of each trainer; trainers weigh the same.
    """
    fit = regress_on_baseline(follow_up, baseline, clients, trainers=False, with_arms=False)
    answers = unpaired_t(
        *trainer_means(clients, fit.residuals, fit.used, arm), confidence_level=confidence_level
    )
    nothing = np.zeros(len(fit.names), dtype=bool)
    few = fit.degrees_of_freedom < LEAST_DEGREES_OF_FREEDOM
    return answers.without(few, lambda study: fit.failure(study, nothing))
