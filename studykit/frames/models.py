"""The mixed-model engine from the column names of a data frame.

Terms are lists, tuples and names; there is no formula language. What the engine says of single rows carries
the frame's own labels.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import pandas as pd

from studykit.errors import ArgumentError, RepeatedRowsWarning
from studykit.frames.design import (
    Columns,
    Term,
    as_tuple,
    blocks_of,
    check_columns,
    columns_used,
    complete_rows,
    learn,
    notes_on_rows,
    numbers,
)
from studykit.frames.fits import BinaryFrameFit, FrameFit, FrameRows, OfFrame, random_effect
from studykit.mixed import MixedModel, RandomEffect, ResidualStructure, fit_binary_mixed


@dataclass(frozen=True, slots=True, eq=False)
class FrameModel(OfFrame):
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
