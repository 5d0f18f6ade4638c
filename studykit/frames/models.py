"""The mixed-model engine from the column names of a data frame.

Terms are lists, tuples and names; there is no formula language. What the engine says of single rows carries
the frame's own labels.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd

from studykit.effects import MixedModelEffect, mixed_model_effect
from studykit.errors import ArgumentError, RepeatedRowsWarning
from studykit.frames.design import (
    Columns,
    Design,
    Floats,
    Term,
    as_tuple,
    blocks_of,
    check_columns,
    columns_used,
    complete_rows,
    learn,
    notes_on_rows,
    numbers,
    texts,
)
from studykit.frames.means import Means, TermTests, marginal_means, term_tests
from studykit.frames.summary import ModelSummary, summarise
from studykit.frames.tables import Row, estimate_of, rows_of
from studykit.mixed import (
    BinaryFit,
    Coefficient,
    JointTest,
    MixedFit,
    MixedModel,
    RandomEffect,
    ResidualStructure,
    StandardisedRisks,
    fit_binary_mixed,
)
from studykit.results import Estimate, RowCount

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


class _OfFrame:
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
class FrameFit(_OfFrame):
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
        >>> import numpy as np
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
class FrameModel(_OfFrame):
    """A linear mixed model made from a data frame, before it is fitted.

    Parameters
    ----------
    model : MixedModel
        What the engine's profiles, bootstrap and leaving out of clients start from.
    source : FrameRows
        The rows used and how their columns were made.
    """

    model: MixedModel
    source: FrameRows = field(repr=False)

    def __repr__(self) -> str:
        return f"FrameModel({self.model!r}, {self.rows})"

    def fit(self, *, reml: bool = True) -> FrameFit:
        """Fit by REML, or by maximum likelihood."""
        return FrameFit(self.model.fit(reml=reml), self.model, self.source)


@dataclass(frozen=True, slots=True, eq=False)
class BinaryFrameFit(_OfFrame):
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


def fit_frame(
    frame: pd.DataFrame,
    *,
    outcome: str,
    fixed: Sequence[Term],
    random: Mapping[Term, Columns],
    reference: Mapping[str, Any] | None = None,
    residual: ResidualStructure | None = None,
    reml: bool = True,
) -> FrameFit:
    """Fit a linear mixed model from the columns of a data frame.

    Parameters
    ----------
    frame : DataFrame
        One row per measurement; it is not changed.
    outcome : str
        Column of numbers.
    fixed : sequence of str or tuple of str
        Columns; a tuple stands for the product of its columns. The intercept is always there.
    random : mapping
        Grouping column (or a tuple of columns for nested groups) to the columns whose effects vary
        between groups, correlated with each other; ``"intercept"`` is the group's level. A list of lists
        gives blocks that are not correlated: ``{"client": [["intercept"], ["week"]]}``. Clients within
        trainers are two entries: ``{"trainer": ["intercept"], ("trainer", "client"): ["intercept"]}``.
    reference : mapping of str to str, optional
        Reference level of every column of texts among ``fixed``. It must be named: an alphabetical
        reference would turn the sign of an effect by the spelling of its levels. False is the reference
        of truths, the first level that of an ordered column, unless named.
    residual : ResidualStructure, optional
        Only where no row is left out; equal variances by default.
    reml : bool
        False for maximum likelihood.

    Returns
    -------
    FrameFit

    Raises
    ------
    ArgumentError
        If a column is unknown or cannot be used, or a reference level is missing or unknown.
    DesignError
        As the engine.

    Warns
    -----
    RepeatedRowsWarning
        If rows of the frame are exact copies of others; they are used, and told.

    Examples
    --------
    Shoe wear of ten boys, two materials (Box, Hunter & Hunter 1978); the paired t-test gives t(9) = 3.349.

    >>> frame = pd.DataFrame({
    ...     "wear": [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3,
    ...              14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6],
    ...     "material": ["A"] * 10 + ["B"] * 10,
    ...     "boy": list(range(10)) * 2,
    ... })
    >>> fit = fit_frame(frame, outcome="wear", fixed=["material"], random={"boy": ["intercept"]},
    ...                 reference={"material": "A"})
    >>> wear = fit.contrast({"material[B]": 1})
    >>> round(wear.statistic, 3), round(wear.degrees_of_freedom, 6), str(fit.rows)
    (3.349, 9.0, '20 of 20 rows used')
    """
    return model_from_frame(
        frame, outcome=outcome, fixed=fixed, random=random, reference=reference, residual=residual
    ).fit(reml=reml)


def model_from_frame(
    frame: pd.DataFrame,
    *,
    outcome: str,
    fixed: Sequence[Term],
    random: Mapping[Term, Columns],
    reference: Mapping[str, Any] | None = None,
    residual: ResidualStructure | None = None,
) -> FrameModel:
    """The model of `fit_frame`, kept for what has to fit it again: profiles, bootstrap, influence.

    Parameters
    ----------
    frame, outcome, fixed, random, reference, residual
        As `fit_frame`.

    Returns
    -------
    FrameModel

    Raises
    ------
    ArgumentError, DesignError
        As `fit_frame`.

    Examples
    --------
    >>> from studykit.mixed import StandardDeviation, profile_interval
    >>> frame = pd.DataFrame({
    ...     "load": [50, 52, 51, 60, 61, 63, 55, 54, 56, 70, 68, 71],
    ...     "client": [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4],
    ... })
    >>> model = model_from_frame(frame, outcome="load", fixed=[], random={"client": ["intercept"]}).model
    >>> print(str(profile_interval(model, StandardDeviation("client"))).split(": ")[1])
    8.11 (95 % interval 4.259 to 24.04, profile of the restricted likelihood)
    """
    source = _rows(frame, outcome, fixed, random, reference, "fit_frame")
    if residual is not None and source.rows.used != source.rows.supplied:
        raise ArgumentError(
            where="residual",
            expected="no empty cells where a residual structure is given",
            got=str(source.rows),
            todo="Leave out the rows with empty cells first, and make the structure from what remains.",
        )
    matrix, names, _ = source.design.matrix(source.table)
    model = MixedModel(
        numbers(source.table, outcome),
        matrix,
        _random_effects(source),
        names=names,
        residual=residual,
        row_labels=source.table.index.tolist(),
    )
    return FrameModel(model, source)


def fit_binary_frame(
    frame: pd.DataFrame,
    *,
    outcome: str,
    fixed: Sequence[Term],
    random: Mapping[Term, Columns],
    reference: Mapping[str, Any] | None = None,
    trials: str | None = None,
    link: Literal["logit", "cloglog"] = "logit",
    quadrature_points: int = 1,
    penalty: Literal["when separated", "always", "never"] = "when separated",
) -> BinaryFrameFit:
    """Fit a binary mixed model from the columns of a data frame.

    Parameters
    ----------
    frame, fixed, random, reference
        As `fit_frame`.
    outcome : str
        Column of 0 and 1 (or truths); with ``trials`` of numbers of successes.
    trials : str, optional
        Column with the number of trials of every row.
    link, quadrature_points, penalty
        As `fit_binary_mixed`.

    Returns
    -------
    BinaryFrameFit

    Raises
    ------
    ArgumentError, DesignError
        As `fit_frame` and `fit_binary_mixed`.

    Examples
    --------
    >>> frame = pd.DataFrame({
    ...     "retained": [6, 8, 5, 7, 9, 7, 10, 8], "clients": [10, 11, 9, 12, 10, 11, 12, 9],
    ...     "arm": ["plain"] * 4 + ["added"] * 4, "trainer": list("abcdefgh"),
    ... })
    >>> fit = fit_binary_frame(frame, outcome="retained", trials="clients", fixed=["arm"],
    ...     random={"trainer": ["intercept"]}, reference={"arm": "plain"}, quadrature_points=15)
    >>> round(fit.risks("arm", "added", "plain").difference.value, 3)
    0.19
    """
    source = _rows(
        frame, outcome, fixed, random, reference, "fit_binary_frame", *([] if trials is None else [trials])
    )
    matrix, names, _ = source.design.matrix(source.table)
    fit = fit_binary_mixed(
        numbers(source.table, outcome),
        matrix,
        _random_effects(source),
        trials=None if trials is None else numbers(source.table, trials),
        link=link,
        quadrature_points=quadrature_points,
        names=names,
        penalty=penalty,
    )
    return BinaryFrameFit(fit, source)


def _rows(
    frame: pd.DataFrame,
    outcome: str,
    fixed: Sequence[Term],
    random: Mapping[Term, Columns],
    reference: Mapping[str, Any] | None,
    where: str,
    *more: str,
) -> FrameRows:
    """The rows that can be used, with what has to be said of them; copies of rows are warned of."""
    if not isinstance(frame, pd.DataFrame):
        raise ArgumentError(where=where, expected="a data frame", got=type(frame).__name__)
    used = [*columns_used(outcome, fixed, random), *more]
    check_columns(frame, used, where)
    table, rows = complete_rows(frame, used, where)
    remarks = notes_on_rows(frame.loc[frame[used].notna().all(axis=1)])
    if remarks and "repeat" in remarks[0]:
        warnings.warn(remarks[0], RepeatedRowsWarning, stacklevel=4)
    effects = tuple(
        (as_tuple(group), block) for group, columns in random.items() for block in blocks_of(columns)
    )
    return FrameRows(learn(table, fixed, dict(reference or {}), rows), effects, rows, table, remarks)


def _random_effects(source: FrameRows) -> list[RandomEffect]:
    """The engine's random effects; further blocks of the same groups are named by their columns."""
    found: list[RandomEffect] = []
    for group, columns in source.random:
        name = " / ".join(group)
        if name in {effect.name for effect in found}:
            name = f"{name} ({', '.join(columns)})"
        found.append(random_effect(source.table, name, group, columns))
    return found


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
