"""The two analyses of a continuous outcome behind one face: mixed model, and regression as the fallback."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from studykit.errors import ArgumentError, ConvergenceError, DesignError, FitError
from studykit.kinds.continuous.model import CellLayout, default_model, empty_cell, single_model
from studykit.kinds.continuous.primary import not_converged, one_score_each, regressed, regression_at
from studykit.kinds.continuous.regression import BASELINE, FACTS, RESIDUAL, TRAINERS, Regression
from studykit.kinds.continuous.scores import ScoreArrays, analysis_scores, composite_scores, score_cube
from studykit.kinds.continuous.section import ContinuousOutcome
from studykit.mixed import MixedFit
from studykit.mixed.result import METHODS
from studykit.outcomes.batch_model import BatchModel, StudiesAlike
from studykit.outcomes.clients import ClientArrays
from studykit.outcomes.estimands import continuous_estimand, contrast_text
from studykit.outcomes.results import OutcomeEstimate, Presentation
from studykit.outcomes.trainers import TrainerPlan, TrainerRole, plan_trainers
from studykit.protocol.types import Protocol
from studykit.records.rows import Scores
from studykit.results import Estimate, RowCount

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
AT_BOUNDARY = "Estimated at the boundary"  # how the remark on a variance of zero begins


@dataclass(frozen=True, eq=False)
class Setting:
    """One continuous outcome, its rows, and what the protocol says about them.

    Parameters
    ----------
    scores : ndarray, shape (m,)
        Of the rows, on the analysis scale.
    primary_visit, compared_arm : int
        Indices into the labels of the rows and of their clients.
    """

    protocol: Protocol
    outcome: ContinuousOutcome
    rows: Scores
    scores: Floats
    trainers: TrainerPlan
    primary_visit: int
    compared_arm: int

    @property
    def exercises(self) -> tuple[int, ...]:
        """All exercises of the outcome."""
        return self.arrays.exercises

    @property
    def follow_up(self) -> tuple[int, ...]:
        """Visits after allocation."""
        return tuple(np.flatnonzero(self.arrays.follow_up).tolist())

    @cached_property
    def arrays(self) -> ScoreArrays:
        """The same as a batch of one study."""
        own = (self.trainers.trainer, self.trainers.labels)
        return ScoreArrays(
            self.rows.outcome,
            ClientArrays.of_study(self.rows.clients, compared_arm=self.compared_arm, trainers=own),
            score_cube(self.rows, self.scores)[None],
            self.rows.visit_labels,
            self.rows.exercise_labels,
            self.primary_visit,
            self.rows.baseline_visits,
        )

    @property
    def cube(self) -> Floats:
        """Scores by client, visit and exercise."""
        return np.asarray(self.arrays.score[0])

    @cached_property
    def composite(self) -> Floats:
        """Composite over the exercises, by client and visit."""
        return composite_scores(self.cube)

    def baseline_score(self, exercises: tuple[int, ...]) -> Floats | None:
        """Composite over exercises and visits before allocation; None where there is no such visit."""
        found = self.arrays.baseline_score(exercises)
        return None if found is None else found[0]

    def score_at(self, visit: int, exercises: tuple[int, ...]) -> Floats:
        """Composite over the exercises at one visit."""
        return np.asarray(self.arrays.score_at(visit, exercises)[0])


def prepare(protocol: Protocol, outcome: ContinuousOutcome, rows: Scores) -> Setting:
    """Put rows and protocol together.

    Raises
    ------
    ArgumentError
        If the rows are of another outcome or lack the primary visit, or a score cannot be logged.
    DesignError
        If one trainer alone delivers an arm.
    """
    if rows.outcome != outcome.code or outcome.primary_visit not in rows.visit_labels:
        raise ArgumentError(
            where=f"outcome {outcome.code}",
            expected=f"rows of this outcome with visit {outcome.primary_visit}",
            got=f"rows of {rows.outcome} with visits {', '.join(rows.visit_labels)}",
        )
    return Setting(
        protocol=protocol,
        outcome=outcome,
        rows=rows,
        scores=analysis_scores(rows, outcome.scale),
        trainers=plan_trainers(protocol, rows.clients),
        primary_visit=rows.visit_labels.index(outcome.primary_visit),
        compared_arm=rows.clients.arm_labels.index(protocol.comparison_arm.code),
    )


@dataclass(frozen=True, eq=False)
class ModelAnalysis:
    """The default mixed model."""

    setting: Setting
    layout: CellLayout
    batch: BatchModel
    alone: StudiesAlike
    left_out: tuple[str, ...]
    fit: MixedFit

    @property
    def used(self) -> Bools:
        """Clients with at least one score."""
        return np.bincount(self.setting.rows.client, minlength=self.setting.rows.clients.number) > 0

    @property
    def unused_reason(self) -> str:
        """Why the others are not used."""
        return "no score at any visit"

    @property
    def method(self) -> str:
        """In one sentence."""
        freedom = METHODS[self.setting.protocol.analysis.degrees_of_freedom]
        return (
            "linear mixed model over all visits, restricted maximum likelihood, t with "
            f"{freedom} degrees of freedom"
        )

    @property
    def remarks(self) -> tuple[str, ...]:
        """Boundary, and columns left out."""
        return (*boundary_remarks(self.fit), *left_out_remarks(self.left_out))

    def effect(self, arm: int, visit: int, exercises: tuple[int, ...]) -> Estimate:
        """Arm minus reference arm at a follow-up visit.

        Raises
        ------
        FitError
            If a cell has no score.
        """
        return self._contrast(self.layout.effect(arm, visit, exercises), arm, visit)

    def mean(self, arm: int, visit: int, exercises: tuple[int, ...]) -> Estimate:
        """Adjusted mean of an arm at a visit.

        Raises
        ------
        FitError
            If a cell has no score.
        """
        return self._contrast(self.layout.mean(arm, visit, exercises), arm, visit)

    def _contrast(self, asked: tuple[Floats, Bools], arm: int, visit: int) -> Estimate:
        weights, possible = asked
        if not possible[0]:
            raise empty_cell(self.setting.arrays, self.layout, arm=arm, visit=visit)
        return self.fit.contrast(
            weights[self.alone.kept], degrees_of_freedom=self.setting.protocol.analysis.degrees_of_freedom
        )


def fit_model(setting: Setting, *, adjust: bool = True, role: TrainerRole | None = None) -> ModelAnalysis:
    """Fit the default model, or a variant of it.

    Raises
    ------
    FitError
        If it cannot be fitted (`ConvergenceError` if the search did not converge).
    """
    model, layout = default_model(setting.arrays, role or setting.trainers.role, adjust=adjust)
    alone = model.alone()
    fit = single_model(alone).fit()
    if not fit.converged:
        raise not_converged()
    return ModelAnalysis(setting, layout, model, alone, model.left_out(), fit)


@dataclass(frozen=True, eq=False)
class RegressionAnalysis:
    """Regression of the composite at one visit on the composite before allocation, with t."""

    setting: Setting
    adjust: bool = True

    @property
    def used(self) -> Bools:
        """Clients with a score at the primary visit."""
        return np.asarray(self.setting.arrays.with_primary_score[0])

    @property
    def unused_reason(self) -> str:
        """Why the others are not used."""
        return "no score at the primary visit"

    @property
    def method(self) -> str:
        """In one sentence."""
        of = "composite" if len(self.setting.exercises) > 1 else "score"
        if self._role == "clusters":
            return f"{of} adjusted for baseline and stratifiers, means per trainer, t on trainers minus two"
        with_baseline = self.setting.rows.baseline_visits and BASELINE not in self._dropped
        on = f"on the baseline {of}" if with_baseline else "on arm alone"
        return f"regression of the {of} {on}{self._others()}, t on the residual degrees of freedom"

    def _others(self) -> str:
        """What else stands in the regression, as far as there is any."""
        protocol = self.setting.protocol
        others = ["stratifiers"] if any(item.code != "trainer" for item in protocol.strata) else []
        others += ["covariates"] if any(code != "trainer" for code in protocol.analysis.adjust_for) else []
        gone = self._dropped
        others = [] if FACTS in gone else others
        others += ["trainer"] if self._role in {"fixed", "random"} and TRAINERS not in gone else []
        return f", {', '.join(others)}" if others and self.adjust else ""

    @property
    def _dropped(self) -> tuple[str, ...]:
        """What left the regression at the primary visit for want of tested clients."""
        return self._fit(self.setting.primary_visit, self.setting.exercises).dropped()

    @property
    def remarks(self) -> tuple[str, ...]:
        """Terms and columns left out at the primary visit."""
        fit = self._fit(self.setting.primary_visit, self.setting.exercises)
        return (*dropped_remarks(fit, self._role), *left_out_remarks(fit.left_out()))

    def effect(self, arm: int, visit: int, exercises: tuple[int, ...]) -> Estimate:
        """Arm minus reference arm at a follow-up visit."""
        found = regressed(
            self.setting.arrays, self._role, arm=arm, visit=visit, exercises=exercises, adjust=self.adjust
        )
        return found.estimate("trainers as units" if self._role == "clusters" else RESIDUAL)

    def mean(self, arm: int, visit: int, exercises: tuple[int, ...]) -> Estimate:
        """Adjusted mean of an arm at a follow-up visit; before allocation, the mean of all clients."""
        setting = self.setting
        if visit in setting.rows.baseline_visits:
            known = setting.score_at(visit, exercises)
            known = known[np.isfinite(known)]
            if known.size < 2:
                raise FitError(where="baseline mean", expected="at least two scores", got=str(known.size))
            error = float(known.std(ddof=1)) / math.sqrt(known.size)
            return Estimate(float(known.mean()), error, known.size - 1.0, "residual")
        fit = self._fit(visit, exercises)
        weights = np.zeros(len(fit.names))
        weights[[0, arm]] = 1.0  # arms stand behind the mean, in order
        return fit.combination(weights).estimate(RESIDUAL)

    def _fit(self, visit: int, exercises: tuple[int, ...]) -> Regression:
        return regression_at(self.setting.arrays, self._role, visit, exercises, adjust=self.adjust)

    @property
    def _role(self) -> TrainerRole:
        return self.setting.trainers.role


Analysis = ModelAnalysis | RegressionAnalysis


def choose_analysis(setting: Setting) -> tuple[Analysis, str]:
    """The model, or the fallback by the rule written in advance, and why; "" for the model.

    Notes
    -----
    The clients that count for the rule are those with a score at the primary visit, arms together: they,
    and not the number allocated, carry the information that small-sample inference needs, and counting them
    does not look at arms or results.
    """
    limit = setting.protocol.analysis.composite_below_clients
    number = int(setting.arrays.with_primary_score.sum())
    if number < limit:
        return RegressionAnalysis(setting), (
            f"{number} clients have a score at the primary visit, fewer than the {limit} that the mixed "
            "model needs by the rule: the composite is analysed by regression"
        )
    if one_score_each(setting.arrays, setting.trainers.role)[0]:
        return RegressionAnalysis(setting), ""
    try:
        return fit_model(setting), ""
    except ConvergenceError:
        return RegressionAnalysis(setting), (
            "the mixed model did not converge: the composite is analysed by regression"
        )
    except (FitError, DesignError) as reason:
        return RegressionAnalysis(setting), f"the mixed model could not be fitted ({reason})"


def dropped_remarks(fit: Regression, role: TrainerRole) -> tuple[str, ...]:
    """One sentence about terms that so few tested clients cannot carry."""
    gone = fit.dropped()
    if not gone or role == "clusters":
        return ()
    clients = int(fit.used[0].sum())
    remark = (
        f"{clients} clients were tested at the visit, too few for every term: by the order written in "
        f"advance, {' and '.join(gone)} left the regression."
    )
    return (remark,)


def left_out_remarks(left_out: tuple[str, ...]) -> tuple[str, ...]:
    """One sentence about columns that repeat others."""
    if not left_out:
        return ()
    return (
        f"Left out of the model, since the data cannot tell them from other terms: {', '.join(left_out)}.",
    )


def boundary_remarks(fit: MixedFit) -> tuple[str, ...]:
    """One sentence where a variance was estimated at zero."""
    if not fit.at_boundary:
        return ()
    return (f"{AT_BOUNDARY} and kept in the model there: {'; '.join(fit.boundary_terms)}",)


def presentation(setting: Setting) -> Presentation:
    """A ratio on the log scale, else a difference."""
    return "ratio" if setting.outcome.scale == "log" else "difference"


def exercise_text(setting: Setting) -> str:
    """Codes of the exercises; empty where the outcome has none."""
    return ", ".join(label for label in setting.rows.exercise_labels if label)


def primary_estimate(setting: Setting, analysis: Analysis, why: str) -> OutcomeEstimate:
    """The protocol's contrast at the primary visit, with its words."""
    estimate = analysis.effect(setting.compared_arm, setting.primary_visit, setting.exercises)
    remarks = (*setting.trainers.remarks, *analysis.remarks)
    return OutcomeEstimate(
        name=f"{setting.outcome.name} at {setting.outcome.primary_visit}",
        contrast=contrast_text(
            setting.rows.clients.arm_labels[setting.compared_arm], setting.rows.clients.arm_labels[0]
        ),
        estimand=continuous_estimand(
            setting.protocol, setting.outcome, setting.outcome.primary_visit, exercise_text(setting)
        ),
        unit="ratio" if setting.outcome.scale == "log" else setting.outcome.unit,
        presentation=presentation(setting),
        estimate=estimate,
        role=setting.outcome.role,
        method=analysis.method,
        rows=rows_of(setting, analysis),
        remarks=((f"{why[0].upper()}{why[1:]}.", *remarks) if why else remarks),
    )


def rows_of(setting: Setting, analysis: Analysis) -> RowCount:
    """Clients allocated, used and left out by an analysis."""
    used, supplied = int(analysis.used.sum()), setting.rows.clients.number
    left_out = ((analysis.unused_reason, supplied - used),) if supplied > used else ()
    return RowCount(supplied, used, left_out, "clients")
