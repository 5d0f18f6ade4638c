"""What the primary result would be under other analyses, and under other beliefs about missing scores.

The model takes missing scores to be like those of clients with the same arm, strata and earlier scores.
Shifting them by a delta in one arm moves the estimate by a known amount a unit, the weight of these scores in
the completed study; where the fallback was used, by the share missing (Carpenter & Kenward 2013).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.errors import DesignError, FitError
from studykit.kinds.continuous.analysis import (
    Analysis,
    ModelAnalysis,
    RegressionAnalysis,
    Setting,
    fit_model,
    rows_of,
)
from studykit.kinds.continuous.missing_scores import (
    ScoreGrid,
    completion_of,
    reference_based,
    score_grid,
    slope,
)
from studykit.kinds.continuous.results import Completed, TippingPoint
from studykit.kinds.continuous.scores import pooled_standard_deviation
from studykit.mixed.completion import Completion
from studykit.outcomes.results import OutcomeEstimate
from studykit.outcomes.trainers import TrainerRole
from studykit.results import Estimate

Floats = NDArray[np.float64]
DEFAULT_PER_CENT = (5.0, 10.0)  # worse by as much, where the protocol names no shifts
DEFAULT_OF_SPREAD = (0.25, 0.5)  # of the baseline standard deviation, on the scale as measured


def missing_share(setting: Setting, arm: int) -> tuple[float, int]:
    """Share of an arm's scores missing at the primary visit (mean over exercises), and its clients."""
    own = setting.rows.clients.arm == arm
    seen = np.isfinite(setting.cube[own][:, setting.primary_visit, :])
    return (1.0 - float(seen.mean()) if seen.size else 0.0), int(own.sum())


@dataclass(frozen=True, slots=True)
class Shiftable:
    """The missing scores of one arm at the primary visit.

    Parameters
    ----------
    arm : int
    share : float
        Of the arm's scores.
    clients : int
        In the arm.
    slope : float
        By how much the contrast moves where they move by one: plus or minus the share, or nearly so where the
        model adjusts for more than the score before.
    """

    arm: int
    share: float
    clients: int
    slope: float


def shiftable(
    setting: Setting, completed: tuple[ScoreGrid, Completion] | None
) -> tuple[Shiftable, Shiftable]:
    """Of the compared arm, then of the reference arm."""
    found = []
    for arm, sign in ((setting.compared_arm, 1.0), (0, -1.0)):
        share, clients = missing_share(setting, arm)
        own = sign * share if completed is None else slope(*completed, setting, arm)
        found.append(Shiftable(arm, share, clients, own))
    return found[0], found[1]


def completed_scores(setting: Setting, analysis: Analysis) -> tuple[ScoreGrid, Completion] | None:
    """The rows of a complete study by the primary model; None where the fallback was used."""
    if not isinstance(analysis, ModelAnalysis):
        return None
    grid = score_grid(setting, analysis)
    try:
        return grid, completion_of(analysis, grid)
    except np.linalg.LinAlgError:
        return None  # a covariance at the boundary that cannot be inverted: the shares stand in


def shifted(estimate: Estimate, delta: float, *, share: float, clients: int, slope: float) -> Estimate:
    r"""The estimate if the missing scores of one arm differed by ``delta`` from what the model expects.

    Parameters
    ----------
    estimate : Estimate
        Compared arm minus reference arm.
    delta : float
        On the analysis scale.
    share : float
        Share of that arm's scores that are missing.
    clients : int
        Clients in that arm.
    slope : float
        By how much the estimate moves a unit of ``delta``.

    Notes
    -----
    The share :math:`\pi` is itself estimated, which adds :math:`\delta^2\pi(1-\pi)/n` to the variance.

    Examples
    --------
    An effect of 3 with a fifth of the arm missing is used up by a shift of -15:

    >>> shifted(Estimate(3.0, 1.0, 40.0, "t"), -15.0, share=0.2, clients=50, slope=0.2).value
    0.0
    """
    variance = estimate.standard_error**2 + delta**2 * share * (1.0 - share) / clients
    return replace(estimate, value=estimate.value + slope * delta, standard_error=math.sqrt(variance))


def sensitivity_analyses(
    setting: Setting,
    analysis: Analysis,
    primary: OutcomeEstimate,
    completed: tuple[ScoreGrid, Completion] | None,
) -> tuple[tuple[OutcomeEstimate, ...], tuple[Completed, ...]]:
    """All of them, side by side with the primary result; and what completed scores say of it."""
    estimate = primary.estimate
    assert isinstance(estimate, Estimate)
    found = [*_other_analyses(setting, analysis, primary), *_shifts(setting, primary, estimate, completed)]
    if not any(
        missing_share(setting, arm)[0] > 0.0 for arm in range(1, len(setting.rows.clients.arm_labels))
    ):
        return tuple(found), ()
    if completed is None:
        share, _ = missing_share(setting, setting.compared_arm)
        return tuple([*found, _jump_to_reference(setting, primary, estimate, share)] if share else found), ()
    rows, beside = reference_based(setting, *completed, primary)
    return (*found, *rows), beside


def _row(primary: OutcomeEstimate, name: str, estimate: Estimate, method: str) -> OutcomeEstimate:
    return replace(primary, name=name, estimate=estimate, method=method, role="sensitivity", remarks=())


def _other_analyses(setting: Setting, analysis: Analysis, primary: OutcomeEstimate) -> list[OutcomeEstimate]:
    """Regression beside the model (or the model beside the regression), other adjustment, other trainers."""
    others: list[tuple[str, Analysis]] = []
    if isinstance(analysis, ModelAnalysis):
        of = "composite" if len(setting.exercises) > 1 else "score"
        others.append((f"regression of the {of} on baseline", RegressionAnalysis(setting)))
        others += _model_variants(setting)
    else:
        others += _try_model("mixed model over all visits", setting)
        if setting.trainers.role != "clusters":
            others.append(
                ("without stratifiers, covariates and trainers", RegressionAnalysis(setting, adjust=False))
            )
    found = []
    for name, other in others:
        try:
            estimate = other.effect(setting.compared_arm, setting.primary_visit, setting.exercises)
        except FitError:
            continue  # too few scores for this variant; the primary analysis stands without it
        row = _row(primary, name, estimate, other.method)
        found.append(replace(row, rows=rows_of(setting, other)))
    return found


def _model_variants(setting: Setting) -> list[tuple[str, Analysis]]:
    found: list[tuple[str, Analysis]] = []
    role = setting.trainers.role
    facts = setting.rows.clients.factors or setting.rows.clients.covariates
    if role in {"fixed", "random"} or (facts and role != "clusters"):
        found += _try_model("without stratifiers, covariates and trainers", setting, adjust=False)
    if role == "fixed":
        found += _try_model("trainers as a random effect", setting, role="random")
    if role == "random":
        found += _try_model("trainers as fixed effects", setting, role="fixed")
    return found


def _try_model(
    name: str, setting: Setting, *, adjust: bool = True, role: TrainerRole | None = None
) -> list[tuple[str, Analysis]]:
    try:
        return [(name, fit_model(setting, adjust=adjust, role=role))]
    except (FitError, DesignError):
        return []


def _shifts(
    setting: Setting,
    primary: OutcomeEstimate,
    estimate: Estimate,
    completed: tuple[ScoreGrid, Completion] | None,
) -> list[OutcomeEstimate]:
    found = []
    on_log = setting.outcome.scale == "log"
    unit = "%" if on_log else setting.outcome.unit
    for own in shiftable(setting, completed):
        if own.share == 0.0:
            continue
        arm = setting.rows.clients.arm_labels[own.arm]
        for step in delta_steps(setting):
            delta = math.log1p(step / 100.0) if on_log else step
            found.append(
                _row(
                    primary,
                    f"missing scores in {arm} shifted by {step:+.3g} {unit}{_of_spread(setting, step)}",
                    shifted(estimate, delta, share=own.share, clients=own.clients, slope=own.slope),
                    "delta-adjusted in closed form: the arm's mean moves by the share missing times the shift"
                    if completed is None
                    else "delta-adjusted: missing scores completed by the primary model, then shifted",
                )
            )
    return found


def delta_steps(setting: Setting) -> tuple[float, ...]:
    """Shifts from the protocol; where it names none, two that are worse for the client."""
    if setting.protocol.analysis.delta_steps:
        return setting.protocol.analysis.delta_steps
    worse = -1.0 if setting.outcome.higher_is_better else 1.0
    if setting.outcome.scale == "log":
        return tuple(worse * step for step in DEFAULT_PER_CENT)
    spread, freedom = baseline_spread(setting)
    return tuple(worse * step * spread for step in DEFAULT_OF_SPREAD) if freedom else ()


def _of_spread(setting: Setting, step: float) -> str:
    """Where a shift comes from that no protocol names: a part of the spread between clients."""
    if setting.protocol.analysis.delta_steps or setting.outcome.scale == "log":
        return ""
    spread, _ = baseline_spread(setting)
    return f" ({abs(step) / spread:.2g} times the spread between clients)"


def baseline_spread(setting: Setting) -> tuple[float, int]:
    """Standard deviation of the composite within arms, before allocation or else at the primary visit."""
    scores = setting.baseline_score(setting.exercises)
    if scores is None or not np.isfinite(scores).any():
        scores = setting.score_at(setting.primary_visit, setting.exercises)
    return pooled_standard_deviation(scores, setting.rows.clients.arm)


def _jump_to_reference(
    setting: Setting, primary: OutcomeEstimate, estimate: Estimate, share: float
) -> OutcomeEstimate:
    labels = setting.rows.clients.arm_labels
    return _row(
        primary,
        f"missing scores in {labels[setting.compared_arm]} as if the client had been in {labels[0]}",
        replace(estimate, value=(1.0 - share) * estimate.value),
        "jump to reference in closed form: the effect times the share observed; approximation: every client "
        "without a score at the primary visit is taken to have left, and the standard error is kept at that "
        "of "
        "the primary analysis (information-anchored; Cro, Carpenter & Kenward 2019)",
    )


def tipping_points(
    setting: Setting,
    estimate: Estimate,
    confidence_level: float,
    completed: tuple[ScoreGrid, Completion] | None,
) -> tuple[TippingPoint, ...]:
    """For each arm, the shift of its missing scores that would turn the result."""
    half = estimate.confidence_interval(confidence_level).width / 2.0
    multiplier = half / estimate.standard_error if estimate.standard_error else 0.0
    on_log = setting.outcome.scale == "log"
    answers = []
    for own in shiftable(setting, completed):
        zero = -estimate.value / own.slope if own.share else None
        answers.append(
            TippingPoint(
                arm=setting.rows.clients.arm_labels[own.arm],
                missing_share=own.share,
                estimate_zero=_presented(zero, on_log),
                interval_touches=_presented(_touching(estimate, own, multiplier), on_log),
                unit="%" if on_log else setting.outcome.unit,
                slope=own.slope,
                clients=own.clients,
            )
        )
    return tuple(answers)


def _presented(delta: float | None, on_log: bool) -> float | None:
    if delta is None:
        return None
    return 100.0 * math.expm1(min(delta, 500.0)) if on_log else delta


def _touching(estimate: Estimate, own: Shiftable, multiplier: float) -> float | None:
    """Smallest shift at which an end of the interval is zero: roots of a quadratic in the shift."""
    if own.share == 0.0:
        return None
    square = own.slope**2 - multiplier**2 * own.share * (1.0 - own.share) / own.clients
    linear = 2.0 * own.slope * estimate.value
    constant = estimate.value**2 - (multiplier * estimate.standard_error) ** 2
    roots = np.roots([square, linear, constant])
    real = roots[np.abs(roots.imag) < 1e-9 * (1.0 + np.abs(roots.real))].real
    return float(real[np.argmin(np.abs(real))]) if real.size else None
