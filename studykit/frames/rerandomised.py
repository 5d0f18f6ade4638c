r"""Re-randomisation of a column between groups of rows: a test that asks nothing of normality or variances.

With :math:`V` the covariance of the rows by the model without every term of the column, :math:`X`
its other fixed effects and :math:`P = V^{-1} - V^{-1}X(X'V^{-1}X)^{-1}X'V^{-1}`, the statistic of columns
:math:`A` is :math:`y'PA (A'PA)^{-} A'Py`: the chi-square of generalised least squares. :math:`V` does not
know the column, so it is the same for every draw, and the share of draws with a statistic as large is an
exact test of "no effect on any row" where the draws are those of the allocation (Edgington & Onghena 2007,
Randomization Tests, 4th edition; random draws: Phipson & Smyth 2010, Stat Appl Genet Mol Biol 9:39).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.frames.design import Design, Floats, numbers, texts
from studykit.frames.shown import Line, Shown, p_text, significant
from studykit.frames.tables import estimate_of
from studykit.mixed import MixedFit, MixedModel
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.randomness import stream
from studykit.report.numbers import p_exact, plural
from studykit.report.report_context import capital

LISTED = 20_000  # arrangements; as many or fewer are listed instead of drawn
MOST_ROWS = 4_000  # whose covariances are held as one matrix
FEWEST = 99  # draws
Codes = NDArray[np.int8]


@dataclass(frozen=True, slots=True, repr=False)
class FrameRerandomisation(Shown):
    """The same question answered by the model and by drawing the column again.

    Parameters
    ----------
    column, unit, within : str
        What was drawn again, between which groups of rows, inside which levels (empty: all together).
    terms : tuple of str
        The terms of the model that are tested together.
    statistic : float
        Chi-square of what was seen, by generalised least squares.
    p_value : float
        By drawing again.
    smallest_p_value : float
        The smallest that so many arrangements can give.
    draws : int
        Arrangements listed, or drawn.
    exact : bool
        Whether every arrangement is listed.
    units : int
    model_p_value : float
        Of the same terms together, by the fit's own test.
    """

    column: str
    unit: str
    within: str
    terms: tuple[str, ...]
    statistic: float
    p_value: float
    smallest_p_value: float
    draws: int
    exact: bool
    units: int
    model_p_value: float

    @property
    def sentence(self) -> str:
        """Both answers in one sentence, in the style of a manuscript."""
        model = p_exact(self.model_p_value)
        return f"{', '.join(self.terms)}, {self._drawn}: {p_exact(self.p_value)}; by the model: {model}."

    @property
    def _drawn(self) -> str:
        kept = f", within each level of {self.within}" if self.within else ""
        how = f"all {self.draws}" if self.exact else f"{self.draws} random"
        return f"{self.column} drawn again between {plural(self.units, self.unit)}{kept}, {how} arrangements"

    @property
    def _parts(self) -> Sequence[tuple[str, Line, Sequence[Line]]]:
        lines = [("by drawing again", p_text(self.p_value)), ("by the model", p_text(self.model_p_value))]
        return ((f"{', '.join(self.terms)}: is there any effect?", ("", "p"), lines),)

    @property
    def _notes(self) -> Sequence[str]:
        error = math.sqrt(self.p_value * (1.0 - self.p_value) / self.draws)
        by_chance = "" if self.exact else f" (Monte Carlo error of p {significant(error)})"
        exact = f"Exact where {self.column} was allocated to {self.unit} by chance in this way"
        return (
            f"{capital(self._drawn)}{by_chance}; smallest p possible {p_text(self.smallest_p_value)}.",
            f"{exact}; elsewhere it takes every {self.unit} to be like any other but for {self.column}.",
            "It tests; size and interval are the model's. Where the two disagree, look at residuals first.",
        )


def rerandomise(
    fit: MixedFit,
    model: MixedModel,
    design: Design,
    table: pd.DataFrame,
    *,
    column: str,
    unit: str,
    within: str,
    draws: int,
    seed: int,
) -> FrameRerandomisation:
    """The test of `FrameFit.rerandomise`."""
    _check(design, table, model, column, unit, within, draws)
    units, place = np.unique(texts(table[unit]), return_inverse=True)
    values, codes = _by_unit(design, table, column, place, units)
    strata = _by_unit(design, table, within, place, units)[1] if within else np.zeros(len(units), np.int8)
    drawn, listed = _arrangements(codes, strata, draws, seed)
    tested = [number for number, term in enumerate(design.terms) if column in term]
    matrix, _, owners = design.matrix(table)
    scores, information = _sums(
        fit, model, design, table, column, tested, matrix[:, ~np.isin(owners, tested)], place
    )
    chi_square = _statistics(np.vstack([codes, drawn]), values, scores, information)
    probability = np.full(len(drawn), 1.0 / len(drawn)) if listed else None
    redrawn = RedrawnArms(drawn, probability)
    of_model = _model_p_value(fit, np.flatnonzero(np.isin(owners, tested)))
    return FrameRerandomisation(
        column, unit, within, tuple(":".join(design.terms[number]) for number in tested),
        float(chi_square[0]), redrawn.p_value(chi_square[1:], float(chi_square[0])),
        redrawn.smallest_p_value(chi_square[1:]), len(drawn), listed, len(units), of_model,
    )  # fmt: skip


def _check(
    design: Design, table: pd.DataFrame, model: MixedModel, column: str, unit: str, within: str, draws: int
) -> None:
    where = "re-randomisation"
    if column not in design.columns:
        raise ArgumentError(
            where=where, expected=f"one of the fixed effects {', '.join(design.columns)}", got=repr(column)
        )
    for name in (unit, *([within] if within else [])):
        if name not in table.columns or name == column:
            others = ", ".join(str(other) for other in table.columns if other != column)
            raise ArgumentError(
                where=where, expected=f"another column of the model: {others}", got=repr(name)
            )
    if model.residual.kind != "equal":
        raise ArgumentError(where=where, expected="equal residual variances", got=model.residual.kind)
    if len(table) > MOST_ROWS:
        raise ArgumentError(where=where, expected=f"at most {MOST_ROWS} rows", got=str(len(table)))
    if draws < FEWEST:
        raise ArgumentError(where=where, expected=f"{FEWEST} draws or more", got=str(draws))


def _by_unit(
    design: Design, table: pd.DataFrame, column: str, place: NDArray[np.intp], units: NDArray[Any]
) -> tuple[NDArray[Any], Codes]:
    """The values of a column, and which of them every unit has."""
    series = texts(table[column]) if design.levels_of(column) or column not in design.columns else None
    own = numbers(table, column) if series is None else series
    values, codes = np.unique(own, return_inverse=True)
    first = np.full(len(units), -1)
    first[place[::-1]] = codes[::-1]
    changes = codes != first[place]
    if changes.any():
        row = int(np.flatnonzero(changes)[0])
        raise ArgumentError(
            where=f"column {column}", expected="one value for all rows that are drawn together",
            got=f"{own[row]} beside {values[first[place[row]]]} in {units[place[row]]} (row labelled "
            f"{table.index[row]})",
            todo="What changes inside was not allocated to it: name the unit that was.",
        )  # fmt: skip
    if len(values) > np.iinfo(np.int8).max:
        raise ArgumentError(where=f"column {column}", expected="at most 127 values", got=str(len(values)))
    return values, first.astype(np.int8)


def _arrangements(codes: Codes, strata: Codes, draws: int, seed: int) -> tuple[Codes, bool]:
    """Every arrangement of the codes inside the strata if there are few, else so many random ones."""
    groups = [np.flatnonzero(strata == level) for level in np.unique(strata)]
    number = math.prod(
        math.factorial(len(rows)) // math.prod(map(math.factorial, Counter(codes[rows].tolist()).values()))
        for rows in groups
    )
    if number == 1:
        raise ArgumentError(
            where="re-randomisation", expected="units that could have been given something else",
            got="one possible arrangement", todo="Name a wider unit, or draw without within=.",
        )  # fmt: skip
    if number <= LISTED:
        out = np.empty((number, len(codes)), np.int8)
        for line, parts in enumerate(product(*(list(_orders(codes[rows].tolist())) for rows in groups))):
            for rows, part in zip(groups, parts, strict=True):
                out[line, rows] = part
        return out, True
    generator = stream(seed, "frames", "re-randomisation")
    out = np.tile(codes, (draws, 1))
    for rows in groups:
        out[:, rows] = generator.permuted(out[:, rows], axis=1)
    return out, False


def _orders(values: list[int]) -> Iterator[tuple[int, ...]]:
    """Every different order of some values, each once."""
    if not values:
        yield ()
    for value in sorted(set(values)):
        rest = values.copy()
        rest.remove(value)
        for tail in _orders(rest):
            yield (value, *tail)


def _sums(
    fit: MixedFit, model: MixedModel, design: Design, table: pd.DataFrame, column: str, tested: Sequence[int],
    without: Floats, place: NDArray[np.intp],
) -> tuple[Floats, Floats]:  # fmt: skip
    """``y'P R`` and ``R'P R``, summed over the rows of each unit: shapes (units, m), (units, m, units, m).

    ``R`` are the columns of the tested terms without the column itself.
    """
    null = MixedModel(model.outcome, without, model.random_effects).fit(reml=fit.reml)
    null.contrast(np.eye(1, without.shape[1])[0])  # refuses a fit that did not converge
    covariance = np.diag(np.full(len(table), null.covariance_parameters.residual.variance))
    for effect, found in zip(model.random_effects, null.covariance_parameters.random_effects, strict=True):
        same = effect.codes[:, None] == effect.codes
        covariance += same * (effect.design @ found.matrix @ effect.design.T)
    root = np.linalg.cholesky(covariance)
    rest = Design(
        tuple(tuple(name for name in design.terms[number] if name != column) for number in tested),
        design.levels, design.means,
    )  # fmt: skip
    columns, _, owners = rest.matrix(table)
    columns = np.column_stack([columns[:, owners == number] if term else np.ones((len(table), 1))
                               for number, term in enumerate(rest.terms)])  # fmt: skip
    spread = np.zeros((len(table), place.max() + 1, columns.shape[1]))
    spread[np.arange(len(table)), place] = columns
    white = [np.linalg.solve(root, part) for part in (without, model.outcome, spread.reshape(len(table), -1))]
    basis = np.linalg.qr(white[0])[0]
    y, r = (part - basis @ (basis.T @ part) for part in white[1:])
    shape = spread.shape[1:]
    return (y @ r).reshape(shape), (r.T @ r).reshape(*shape, *shape)


def _statistics(codes: Codes, values: NDArray[Any], scores: Floats, information: Floats) -> Floats:
    """The chi-square of every arrangement, shape (draws,)."""
    numeric = values.dtype.kind == "f"
    given = (
        values[codes][:, None]
        if numeric
        else (codes[:, None] == np.arange(1, len(values))[:, None]).astype(float)
    )
    score = np.einsum("blu,um->blm", given, scores)
    width = score.shape[1] * score.shape[2]
    pairs = range(scores.shape[1])
    middle = np.empty((len(codes), score.shape[1], score.shape[2], score.shape[1], score.shape[2]))
    for one, two in product(pairs, pairs):
        half = given @ information[:, one, :, two]
        middle[:, :, one, :, two] = np.einsum("blu,bku->blk", half, given)
    flat, square = score.reshape(-1, width), middle.reshape(-1, width, width)
    return np.asarray(np.einsum("bi,bij,bj->b", flat, np.linalg.pinv(square, hermitian=True), flat))


def _model_p_value(fit: MixedFit, columns: NDArray[np.intp]) -> float:
    weights = np.eye(len(fit.names))[columns]
    if len(columns) == 1:
        return estimate_of(fit, weights[0]).p_value
    if fit.reml:
        return fit.joint_test(weights).p_value
    return fit.joint_test(weights, degrees_of_freedom="satterthwaite").p_value
