"""What a fit from a data frame gives: the engine's numbers by the frame's own names and labels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd

from studykit.effects import MixedModelEffect, mixed_model_effect
from studykit.errors import ArgumentError
from studykit.frames.design import Design, Floats, numbers, texts
from studykit.frames.means import Means, TermTests, marginal_means, term_tests
from studykit.frames.rerandomised import FrameRerandomisation, rerandomise
from studykit.frames.summary import ModelSummary, summarise
from studykit.frames.tables import Row, estimate_of, rows_of
from studykit.mixed import (
    BinaryFit,
    Coefficient,
    JointTest,
    MixedFit,
    MixedModel,
    RandomEffect,
    StandardisedRisks,
)
from studykit.results import Estimate, Result, RowCount

Degrees = Literal["kenward-roger", "satterthwaite", "residual"]


@dataclass(frozen=True, slots=True, eq=False)
class FrameRows:
    """The rows of a frame that a model uses, and how its columns were made.

    Parameters
    ----------
    design : Design
        Of the fixed effects.
    random : tuple of (tuple of str, tuple of str)
        Grouping columns and varying columns of every random effect.
    rows : RowCount
        Rows of the frame: supplied, used, left out by the column that was empty.
    table : DataFrame
        The columns used, of the rows used, by the frame's own labels.
    remarks : tuple of str
        Rows that repeat others, labels that occur twice.
    """

    design: Design
    random: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]
    rows: RowCount
    table: pd.DataFrame
    remarks: tuple[str, ...]


class OfFrame(Result):
    """What a model and a fit from a frame say of its rows."""

    __slots__ = ()
    source: FrameRows

    @property
    def rows(self) -> RowCount:
        """Rows of the frame: supplied, used, left out by the column that was empty."""
        return self.source.rows

    @property
    def levels(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Of every column of texts, its levels, the reference level first."""
        return self.source.design.levels

    @property
    def index(self) -> pd.Index:
        """Labels, in the frame, of the rows used."""
        return self.source.table.index

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a reader must know of the rows: copies of other rows, labels that occur twice."""
        return self.source.remarks


@dataclass(frozen=True, slots=True, eq=False)
class FrameFit(OfFrame):
    """A linear mixed model fitted from a data frame.

    It is taken by everything that takes a fit or a model: `likelihood_ratio`, `residual_quantiles`,
    `profile_interval`, `bootstrap_intervals`, `influence_of`, `to_frame`.

    Parameters
    ----------
    fit : MixedFit
        Everything the engine gives; what it says of single rows carries the frame's labels.
    model : MixedModel
        What profiles, bootstrap and leaving out of clients start from.
    source : FrameRows
        The rows used and how their columns were made.
    """

    fit: MixedFit
    model: MixedModel
    source: FrameRows = field(repr=False)

    def __repr__(self) -> str:
        return f"FrameFit({self.fit!r}, {self.rows})"

    def __str__(self) -> str:
        return str(self.summary(intervals=False))

    def _repr_html_(self) -> str:
        return self.summary(intervals=False)._repr_html_()

    @property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Name, value and unadjusted standard error of each fixed effect; `contrast` gives inference."""
        return self.fit.coefficients

    @property
    def log_likelihood(self) -> float:
        """Log-likelihood (restricted, by default)."""
        return self.fit.log_likelihood

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row per fixed effect, for `to_frame`."""
        return rows_of(self.fit, confidence_level)

    def contrast(
        self, weights: Mapping[str, float] | Sequence[float], *, degrees_of_freedom: Degrees = "kenward-roger"
    ) -> Estimate:
        """A contrast of the fixed effects, by name or by weights; see the engine."""
        return self.fit.contrast(weights, degrees_of_freedom=degrees_of_freedom)

    def joint_test(self, weights: Any, *, degrees_of_freedom: Degrees = "kenward-roger") -> JointTest:
        """An F test of several contrasts; see the engine."""
        return self.fit.joint_test(weights, degrees_of_freedom=degrees_of_freedom)

    def fitted_values(self, *, conditional: bool) -> pd.Series:
        """Fitted values by the frame's labels: of these groups (conditional), or of the average one."""
        return pd.Series(self.fit.fitted_values(conditional=conditional), self.index, name="fitted")

    def residuals(self, *, conditional: bool) -> pd.Series:
        """Outcome minus `fitted_values` of the same kind, by the frame's labels."""
        return pd.Series(self.fit.residuals(conditional=conditional), self.index, name="residual")

    def summary(self, *, confidence_level: float = 0.95, intervals: bool = True) -> ModelSummary:
        """The model table: fixed effects, variances, rows, likelihood, R-squared, convergence.

        Parameters
        ----------
        confidence_level : float
        intervals : bool
            Profile intervals of the variances too (each takes some refits).

        Returns
        -------
        ModelSummary
            ``print`` gives text, a notebook a table, `to_frame` full precision.
        """
        return summarise(
            self.fit, self.model, self.rows, self.remarks, confidence_level=confidence_level,
            intervals=intervals,
        )  # fmt: skip

    def means(
        self,
        of: str,
        *,
        by: str | Sequence[str] = (),
        at: Mapping[str, Any] | None = None,
        weights: Literal["equal", "rows"] = "equal",
    ) -> Means:
        """Estimated marginal means of the levels of a column, with Kenward-Roger standard errors.

        Parameters
        ----------
        of : str
            Column among the fixed effects.
        by : str or sequence of str
            Columns within whose levels the means stand.
        at : mapping of str to value or values, optional
            Values of columns of numbers, such as ``{"week": [0, 12]}``; each at its mean by default.
        weights : {"equal", "rows"}
            Over the levels of all other columns of texts: alike, or as often as their combinations occur.

        Returns
        -------
        Means
            With `pairwise` and `against`.

        Raises
        ------
        ArgumentError
            If a column is not a fixed effect, or a column of numbers is asked for without values.

        Examples
        --------
        >>> from studykit.frames import fit_frame
        >>> frame = pd.DataFrame({"client": np.repeat(range(8), 2), "visit": ["before", "after"] * 8,
        ...     "arm": np.repeat(["plain", "added"] * 4, 2),
        ...     "load": [50, 52, 61, 66, 55, 56, 70, 76, 48, 51, 66, 70, 59, 60, 58, 65]})
        >>> fit = fit_frame(frame, outcome="load", fixed=["arm", "visit", ("arm", "visit")],
        ...     random={"client": ["intercept"]}, reference={"arm": "plain", "visit": "before"})
        >>> [round(row.value, 2) for row in fit.means("arm", by="visit").rows]
        [53.0, 63.75, 54.75, 69.25]
        >>> [row.label for row in fit.means("visit", by="arm").pairwise().rows]
        ['after - before', 'after - before']
        """
        return marginal_means(
            self.fit, self.source.design, self.source.table, of, by=by, at=at, weights=weights
        )

    def test_terms(self, *, degrees_of_freedom: Degrees = "kenward-roger") -> TermTests:
        """F tests of every term, type III: each given all others, levels weighted alike, numbers at zero.

        Raises
        ------
        ArgumentError
            If a product stands in the model without the terms it is made of: no coding then makes its
            tests those of type III.

        Notes
        -----
        Terms are coded by deviations from the mean of the levels, whatever the coding of the coefficients,
        since with reference levels a "main effect" is the effect at the reference (Yates 1934; SAS type
        III). A main effect is rarely a question where its product matters: ask `means` by the other.
        """
        return term_tests(self.fit, self.source.design, degrees_of_freedom=degrees_of_freedom)

    def rerandomise(
        self, column: str, *, unit: str, within: str = "", draws: int = 4_999, seed: int = 1
    ) -> FrameRerandomisation:
        """Test all terms of a column by drawing it again: a check that asks nothing of normality.

        Parameters
        ----------
        column : str
            Among the fixed effects, with one value for each unit, such as the arm.
        unit : str
            Column whose levels got it: clients, or trainers where these were allocated.
        within : str
            Column of the model within whose levels it was allocated, where there was one.
        draws : int
            Random arrangements, where more than 20,000 are possible; at least 99.
        seed : int
            The same seed gives the same draws.

        Returns
        -------
        FrameRerandomisation
            Its p-value beside that of the model.

        Raises
        ------
        ArgumentError
            If the column changes within a unit, a name is no column of the model, residual variances
            differ, or there are more than 4,000 rows.
        ConvergenceError
            If the fit, or the model without the column, does not converge.

        Examples
        --------
        Loads of eight clients, four in each arm, twice: 70 arrangements.

        >>> from studykit.frames import fit_frame
        >>> frame = pd.DataFrame({"client": np.repeat(range(8), 2), "arm": ["plain"] * 8 + ["added"] * 8,
        ...     "load": [50, 52, 61, 66, 55, 56, 70, 76, 68, 71, 76, 80, 74, 75, 58, 65]})
        >>> fit = fit_frame(frame, outcome="load", fixed=["arm"], random={"client": ["intercept"]},
        ...     reference={"arm": "plain"})
        >>> found = fit.rerandomise("arm", unit="client")
        >>> found.draws, round(found.p_value, 4), round(found.model_p_value, 4)
        (70, 0.1714, 0.1432)
        """
        return rerandomise(
            self.fit, self.model, self.source.design, self.source.table, column=column, unit=unit,
            within=within, draws=draws, seed=seed,
        )  # fmt: skip

    def predict(
        self, frame: pd.DataFrame | None = None, *, conditional: bool = False, confidence_level: float = 0.95
    ) -> pd.DataFrame:
        """Predicted means for rows, by their labels.

        Parameters
        ----------
        frame : DataFrame, optional
            With the columns of the fixed effects (and of the groups, if conditional); the rows used by
            default.
        conditional : bool
            False: of a typical group, with the interval of the mean. True: of the row's own groups, by
            their predicted effects, without an interval.
        confidence_level : float

        Returns
        -------
        DataFrame
            ``predicted``, and unless conditional ``standard_error``, ``degrees_of_freedom``, ``lower`` and
            ``upper``, in the unit of the outcome.

        Raises
        ------
        ArgumentError
            If a column is missing, a level is unknown, or a group has no prediction.
        """
        rows = self.source.table if frame is None else frame
        matrix, _, _ = self.source.design.matrix(rows)
        if conditional:
            values = matrix @ self.fit.values + self._of_groups(rows)
            return pd.DataFrame({"predicted": values}, index=rows.index)
        kinds, place = np.unique(matrix, axis=0, return_inverse=True)
        found = [estimate_of(self.fit, kind) for kind in kinds]
        ends = [estimate.confidence_interval(confidence_level) for estimate in found]
        table = pd.DataFrame(
            {
                "predicted": [estimate.value for estimate in found],
                "standard_error": [estimate.standard_error for estimate in found],
                "degrees_of_freedom": [estimate.degrees_of_freedom for estimate in found],
                "lower": [interval.lower for interval in ends],
                "upper": [interval.upper for interval in ends],
            }
        )
        return table.iloc[place.ravel()].set_axis(rows.index)

    def _of_groups(self, rows: pd.DataFrame) -> Floats:
        """What the predicted effects of the rows' own groups add to their means (n,)."""
        total = np.zeros(len(rows))
        for predictions, (group, columns) in zip(self.fit.predictions, self.source.random, strict=True):
            effect = random_effect(rows, predictions.name, group, columns)
            places = {level: place for place, level in enumerate(predictions.levels)}
            strange = [label for label in effect.levels.tolist() if label not in places]
            if strange:
                raise ArgumentError(
                    where=f"prediction for {predictions.name}",
                    expected="groups that the model was fitted to",
                    got=", ".join(map(repr, strange[:5])),
                    todo="Ask with conditional=False for a group that is not yet known.",
                )
            own = np.array([places[label] for label in effect.groups.tolist()])
            total += (effect.design * predictions.values[own]).sum(axis=1)
        return total

    def effect_size(self, weights: Mapping[str, float] | Sequence[float]) -> MixedModelEffect:
        """A contrast in standard deviations of single measurements, all variances of the model together.

        Raises
        ------
        ArgumentError
            If the model has random slopes or several residual variances: the spread then depends on the row.
        """
        parameters = self.fit.covariance_parameters
        if any(effect.columns != ("intercept",) for effect in parameters.random_effects):
            raise ArgumentError(
                where="effect size", expected="random intercepts only", got="random slopes",
                todo="Divide by a standard deviation that you name: studykit.effects.mixed_model_effect.",
            )  # fmt: skip
        variances = {effect.name: float(effect.matrix[0, 0]) for effect in parameters.random_effects}
        return mixed_model_effect(
            self.contrast(weights), variances | {"residual": parameters.residual.variance}
        )


@dataclass(frozen=True, slots=True, eq=False)
class BinaryFrameFit(OfFrame):
    """A binary mixed model fitted from a data frame.

    Parameters
    ----------
    fit : BinaryFit
        Everything the engine gives.
    source : FrameRows
        The rows used and how their columns were made.
    """

    fit: BinaryFit
    source: FrameRows = field(repr=False)

    def __repr__(self) -> str:
        return f"BinaryFrameFit({self.fit!r}, {self.rows})"

    @property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Name, value and standard error of each fixed effect, on the link scale."""
        return self.fit.coefficients

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row per fixed effect, for `to_frame`."""
        return rows_of(self.fit, confidence_level)

    def contrast(self, weights: Mapping[str, float] | Sequence[float]) -> Estimate:
        """A contrast of the fixed effects on the link scale, by name or by weights; see the engine."""
        return self.fit.contrast(weights)

    def risks(self, column: str, compared: Any, reference: Any) -> StandardisedRisks:
        """Shares if every row had one value of a column, and if every row had another; products follow.

        Parameters
        ----------
        column : str
            Among the fixed effects.
        compared, reference : level or number
            The two values that every row is given.

        Returns
        -------
        StandardisedRisks
            Both shares, their difference and their ratio, averaged over rows and groups.
        """
        if column not in self.source.design.columns:
            raise ArgumentError(
                where="risks", expected=f"one of {', '.join(self.source.design.columns)}", got=repr(column)
            )
        one, two = (
            self.source.design.matrix(self.source.table.assign(**{column: value}))[0]
            for value in (compared, reference)
        )
        return self.fit.standardised_risks(one, two)


def random_effect(
    frame: pd.DataFrame, name: str, group: tuple[str, ...], columns: tuple[str, ...]
) -> RandomEffect:
    """One random effect; groups of several columns are told apart by all of them."""
    missing = [column for column in (*group, *columns) if column not in ("intercept", *frame.columns)]
    if missing:
        raise ArgumentError(
            where=f"random effect {name!r}", expected=f"the column {missing[0]}", got="none of that name"
        )
    parts = [texts(frame[column]) for column in group]
    labels = [" / ".join(row) for row in zip(*parts, strict=True)]
    design = np.column_stack(
        [np.ones(len(frame)) if column == "intercept" else numbers(frame, column) for column in columns]
    )
    return RandomEffect(name, np.array(labels), design, columns=columns)
