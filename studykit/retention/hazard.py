"""Ratio of the hazards of leaving (proportional hazards), supporting the risk difference, never leading."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.errors import ArgumentError, ConvergenceError, DesignError
from studykit.results import Estimate, Result, frozen_array
from studykit.retention.censored import CensoredTimes
from studykit.retention.cox import (
    PartialLikelihood,
    RiskSets,
    Ties,
    partial_likelihood,
    risk_sets,
    score_residuals,
)

Floats = NDArray[np.float64]

NOTHING_LEFT = 1e-6  # share of the information at zero below which a coefficient has run away

FEW_CLUSTERS = (
    "robust variance with the factor G/(G - 1) and t on clusters minus two; supporting only: with fewer than "
    "about 20 trainers it still rejects too often (8 to 9 % instead of 5 % in simulation)"
)


@dataclass(frozen=True, slots=True, eq=False)
class HazardModel(Result):
    """A fitted proportional-hazards model.

    Parameters
    ----------
    names : tuple of str
        Covariates.
    coefficients : ndarray, shape (p,)
        Log hazard ratios per unit of each covariate; infinite or not a number where not estimable.
    covariance : ndarray, shape (p, p)
        Of the coefficients, from the information.
    robust_covariance : ndarray, shape (p, p), or None
        Sandwich over clusters, without small-sample factor.
    log_likelihood, null_log_likelihood : float
        At the estimate, and at zero.
    score_statistic : float
        Chi-squared of all coefficients zero; for one arm covariate, the log-rank test (untied days).
    clients, departures, clusters, strata : int
        Numbers; ``clusters`` is 0 without clusters.
    ties : {"efron", "breslow"}
        Treatment of tied departures.
    not_estimable : str
        Why a ratio cannot be estimated, in words; empty when it can.
    uninformative : tuple of str
        Strata without a departure while at least two clients were at risk.
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    robust_covariance: Floats | None
    log_likelihood: float
    null_log_likelihood: float
    score_statistic: float
    clients: int
    departures: int
    clusters: int
    strata: int
    ties: Ties
    not_estimable: str
    uninformative: tuple[str, ...]

    @property
    def estimable(self) -> bool:
        """Whether the hazard ratios can be estimated."""
        return not self.not_estimable

    @property
    def score_p_value(self) -> float:
        """Of all coefficients zero; stays usable where no ratio can be estimated."""
        from scipy.special import chdtrc

        return float(chdtrc(len(self.names), self.score_statistic))

    @property
    def likelihood_ratio_statistic(self) -> float:
        """Chi-squared of all coefficients zero, twice the gain in log-likelihood."""
        self._require_estimable()
        return 2.0 * (self.log_likelihood - self.null_log_likelihood)

    def log_hazard_ratio(self, name: str) -> Estimate:
        """Natural logarithm of the hazard ratio per unit of a covariate.

        By the model's information (normal) or, with clusters, by the robust variance with the
        factor G/(G - 1) and t on G - 2.

        Raises
        ------
        ConvergenceError
            If a ratio cannot be estimated (`not_estimable` says why).
        ArgumentError
            If there is no such covariate.
        """
        self._require_estimable()
        if name not in self.names:
            raise ArgumentError(where="hazard model", expected=f"one of {', '.join(self.names)}", got=name)
        place = self.names.index(name)
        value = float(self.coefficients[place])
        if not self.clusters or self.robust_covariance is None:
            return Estimate(value, math.sqrt(float(self.covariance[place, place])), math.inf, "information")
        factor = self.clusters / (self.clusters - 1.0)
        variance = factor * float(self.robust_covariance[place, place])
        return Estimate(value, math.sqrt(variance), self.clusters - 2.0, FEW_CLUSTERS)

    def _require_estimable(self) -> None:
        if self.not_estimable:
            raise ConvergenceError(
                where="hazard ratio",
                expected="departures that bound it on both sides",
                got=self.not_estimable,
                todo="Report the risk difference and the numbers; a ratio cannot be estimated.",
            )


def fit_hazards(
    times: CensoredTimes,
    covariates: ArrayLike,
    *,
    names: tuple[str, ...],
    strata: Any = None,
    clusters: Any = None,
    ties: Ties = "efron",
) -> HazardModel:
    """Fit a proportional-hazards model by partial likelihood.

    Parameters
    ----------
    times : CensoredTimes
        Rows; with delayed entry, one client may have several rows (start, stop] with covariates that
        change in time.
    covariates : array_like, shape (n,) or (n, p)
        Known at the start of each row.
    names : tuple of str
        One per covariate.
    strata : array_like, shape (n,), optional
        Own baseline hazard per stratum, such as the trainer when both arms train with each.
    clusters : array_like, shape (n,), optional
        Units that vary together: trainers when they are the allocated units, or clients with several
        rows.
    ties : {"efron", "breslow"}
        Treatment of tied departures.

    Returns
    -------
    HazardModel
        With ``not_estimable`` filled where the likelihood has no maximum; that is found before any
        iteration, so no absurd standard error is ever made.

    Raises
    ------
    ArgumentError
        If shapes differ, a value is not finite, a covariate repeats others, or nobody left.
    DesignError
        If there are fewer than three clusters.
    """
    x = np.atleast_2d(np.asarray(covariates, dtype=float).T).T
    _check(times, x, names)
    labels, codes = np.unique(
        np.zeros(len(times)) if strata is None else np.asarray(strata), return_inverse=True
    )
    members = [np.flatnonzero(codes == number) for number in range(labels.size)]
    centred = x - x.mean(axis=0)
    sets = [risk_sets(times.select(rows), centred[rows], ties=ties) for rows in members]
    cluster_codes = _cluster_codes(clusters, len(times))
    null = partial_likelihood(sets, np.zeros(x.shape[1]))
    reason = _why_not_estimable(sets, null, names)
    beta, at_maximum = (np.full(x.shape[1], np.nan), null) if reason else _maximise(sets, null)
    unknown = np.full_like(null.information, np.nan)
    covariance = unknown if reason else np.asarray(np.linalg.inv(at_maximum.information), dtype=float)
    robust = None
    if not reason and cluster_codes is not None:
        residuals = np.zeros_like(x)
        for rows, one in zip(members, sets, strict=True):
            residuals[rows] = score_residuals(one, beta)
        robust = frozen_array(_sandwich(residuals, covariance, cluster_codes))
    return HazardModel(
        names=tuple(names),
        coefficients=frozen_array(beta),
        covariance=frozen_array(covariance),
        robust_covariance=robust,
        log_likelihood=math.nan if reason else at_maximum.log_likelihood,
        null_log_likelihood=null.log_likelihood,
        score_statistic=float(null.score @ np.linalg.pinv(null.information, hermitian=True) @ null.score),
        clients=len(times),
        departures=times.events,
        clusters=0 if cluster_codes is None else int(cluster_codes.max()) + 1,
        strata=int(labels.size),
        ties=ties,
        not_estimable=reason,
        uninformative=tuple(str(label) for label, one in zip(labels, sets, strict=True) if not _informs(one)),
    )


def _cluster_codes(clusters: Any, rows: int) -> NDArray[np.int64] | None:
    """Cluster of each row as a number from 0; None without clusters."""
    if clusters is None:
        return None
    labels, codes = np.unique(np.asarray(clusters), return_inverse=True)
    if codes.shape != (rows,):
        raise ArgumentError(where="hazard model, clusters", expected=f"one label for each of {rows} rows")
    if labels.size < 3:
        raise DesignError(
            where="hazard ratio",
            expected="at least three clusters",
            got=str(labels.size),
            todo="Describe the trainers one by one; nothing can be said about the spread between them.",
        )
    return codes.astype(np.int64)


def _check(times: CensoredTimes, x: Floats, names: tuple[str, ...]) -> None:
    where = "hazard model"
    if x.shape != (len(times), len(names)):
        raise ArgumentError(
            where=where,
            expected=f"covariates of shape ({len(times)}, {len(names)})",
            got=f"shape {x.shape}",
        )
    if not np.isfinite(x).all():
        raise ArgumentError(where=where, expected="finite covariates", got="others")
    if not times.events:
        raise ArgumentError(
            where=where, expected="at least one departure", got="none", todo="Report that nobody left."
        )
    centred = x - x.mean(axis=0)
    scale = np.sqrt((centred**2).sum(axis=0))
    for place, name in enumerate(names):
        before = centred[:, :place] / np.where(scale[:place] > 0.0, scale[:place], 1.0)
        rest = centred[:, place]
        if place:
            rest = rest - before @ np.linalg.lstsq(before, rest, rcond=None)[0]
        if scale[place] <= 1e-12 * max(1.0, float(np.abs(x[:, place]).max())) or (
            np.sqrt((rest**2).sum()) <= 1e-9 * scale[place]
        ):
            raise ArgumentError(
                where=f"{where}, covariate {name}",
                expected="values that differ, and are not made up of the covariates before it",
                got="a constant or repeated covariate",
                todo="Leave it out.",
            )


def _informs(sets: RiskSets) -> bool:
    """Whether some departure happened while covariates differed among those at risk."""
    if not sets.days:
        return False
    zero = np.zeros(sets.covariates.shape[1])
    return bool(np.trace(partial_likelihood([sets], zero).information) > 1e-12)


def _why_not_estimable(sets: list[RiskSets], null: PartialLikelihood, names: tuple[str, ...]) -> str:
    """Words for a likelihood without a maximum, from the risk sets alone; empty when there is one."""
    eigenvalues = np.linalg.eigvalsh(null.information)
    if eigenvalues[0] <= 1e-10 * max(eigenvalues[-1], 1e-300):
        return "no departure happened while clients who differ in " + " and ".join(names) + " were at risk"
    for place, name in enumerate(names):
        side = _one_sided(sets, place)
        if side:
            return f"every departure had the {side} {name} among those at risk"
    return ""


def _one_sided(sets: list[RiskSets], place: int) -> str:
    """Whether every departure had the highest (or lowest) value of one covariate in its risk set."""
    highest = lowest = True
    for one in sets:
        x = one.covariates[:, place]
        days_in, days_out = one.day_of_entry, one.day_of_time
        top, bottom = np.full(one.days, -np.inf), np.full(one.days, np.inf)
        for value in np.unique(x):
            rows = x == value
            steps = np.bincount(days_in[rows], minlength=one.days + 1) - np.bincount(
                days_out[rows], minlength=one.days + 1
            )
            present = np.cumsum(steps)[: one.days] > 0
            top, bottom = np.where(present, value, top), np.where(present & np.isinf(bottom), value, bottom)
        gone = x[one.event_rows]
        highest = highest and bool((gone >= top[one.event_day]).all())
        lowest = lowest and bool((gone <= bottom[one.event_day]).all())
    return "highest" if highest else "lowest" if lowest else ""


def _maximise(sets: list[RiskSets], null: PartialLikelihood) -> tuple[Floats, PartialLikelihood]:
    """Newton's method with step halving; the log partial likelihood is concave."""
    from scipy.linalg import eigh

    beta, current = np.zeros(null.score.size), null
    for _ in range(50):
        step = np.asarray(np.linalg.solve(current.information, current.score), dtype=float)
        gain = float(current.score @ step)  # twice the rise that a quadratic would promise
        beta, previous, current = _climb(sets, beta, step, current)
        if eigh(current.information, null.information, eigvals_only=True)[0] < NOTHING_LEFT:
            break
        if gain <= 1e-16 * max(1.0, abs(previous.log_likelihood)):
            return beta, current
    raise ConvergenceError(
        where="hazard model",
        expected="a maximum of the partial likelihood",
        got="coefficients that keep growing: a combination of covariates separates those who left",
        todo="Use fewer covariates, or report the risk difference.",
    )


def _climb(
    sets: list[RiskSets], beta: Floats, step: Floats, current: PartialLikelihood
) -> tuple[Floats, PartialLikelihood, PartialLikelihood]:
    """The step, halved until the log-likelihood does not fall: new place, old and new likelihood."""
    for halving in range(40):
        candidate = beta + step / 2.0**halving
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            proposed = partial_likelihood(sets, candidate)
        if proposed.log_likelihood >= current.log_likelihood - 1e-12 * abs(current.log_likelihood):
            return candidate, current, proposed
    return beta, current, current


def _sandwich(residuals: Floats, covariance: Floats, clusters: NDArray[np.int64]) -> Floats:
    """Covariance from the sums of score residuals over clusters (Lin & Wei 1989)."""
    sums = np.zeros((int(clusters.max()) + 1, residuals.shape[1]))
    np.add.at(sums, clusters, residuals)
    influence = sums @ covariance
    return np.asarray(influence.T @ influence, dtype=float)


def hazard_ratio(
    times: CensoredTimes,
    compared: Any,
    *,
    strata: Any = None,
    clusters: Any = None,
    ties: Ties = "efron",
) -> HazardModel:
    """Hazard ratio of leaving, compared arm to reference arm.

    Parameters
    ----------
    times : CensoredTimes
        Times to departure.
    compared : array_like of bool, shape (n,)
        True for the compared arm.
    strata, clusters, ties
        As in `fit_hazards`: the trainer is the stratum when both arms train with each trainer, and the
        cluster when trainers are the allocated units.

    Returns
    -------
    HazardModel
        Its one covariate is named ``"arm"``.

    Examples
    --------
    >>> times = CensoredTimes([5, 9, 12, 20, 25, 30], [1, 1, 1, 1, 0, 0])
    >>> arm = hazard_ratio(times, [False, False, True, False, True, True]).log_hazard_ratio("arm")
    >>> round(arm.value, 4)
    -1.6878

    >>> nobody = hazard_ratio(CensoredTimes([5, 9, 30, 30], [1, 1, 0, 0]), [False, False, True, True])
    >>> nobody.estimable, nobody.not_estimable
    (False, 'every departure was in the reference arm while both arms were at risk')
    """
    in_compared = np.asarray(compared, dtype=bool)
    if in_compared.all() or not in_compared.any():
        raise ArgumentError(where="hazard ratio", expected="clients in both arms", got="one arm only")
    model = fit_hazards(
        times, in_compared.astype(float), names=("arm",), strata=strata, clusters=clusters, ties=ties
    )
    return replace(model, not_estimable=_in_words_of_arms(model.not_estimable))


def _in_words_of_arms(reason: str) -> str:
    if not reason:
        return ""
    if reason.startswith("no departure"):
        return "no departure happened while both arms were at risk"
    arm = "compared" if "highest" in reason else "reference"
    return f"every departure was in the {arm} arm while both arms were at risk"
