"""Estimated marginal means, contrasts of them by name, and tests of whole terms.

A marginal mean is a weighted sum of fixed effects: the model's prediction on a grid of all levels, averaged
over what is not asked (Searle, Speed & Milliken 1980, The American Statistician 34:216). Its standard error
and degrees of freedom are those of the contrast: Kenward-Roger.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product
from typing import Any, Literal

import numpy as np
import pandas as pd

from studykit.errors import ArgumentError
from studykit.frames.design import Design, Floats, texts
from studykit.frames.shown import Line, Shown, p_text, significant
from studykit.frames.tables import Row, estimate_of, numbers_of
from studykit.mixed import JointTest, MixedFit
from studykit.outcomes.decision import adjust_holm
from studykit.report.numbers import level as level_text
from studykit.results import Estimate, Interval, Result

Adjustment = Literal["holm", "none"]
Levels = tuple[tuple[str, str], ...]
TOLERANCE = 1e-8


class _Estimated(Result):
    """What an estimate says of itself, for all that hold one."""

    __slots__ = ()
    estimate: Estimate

    @property
    def value(self) -> float:
        """The mean, or the difference of two."""
        return self.estimate.value

    @property
    def p_value(self) -> float:
        """Two-sided, against zero, before any adjustment."""
        return self.estimate.p_value

    def confidence_interval(self, confidence_level: float = 0.95) -> Interval:
        """The t interval, without adjustment."""
        return self.estimate.confidence_interval(confidence_level)


@dataclass(frozen=True, slots=True, eq=False)
class MarginalMean(_Estimated):
    """The mean of one level (within the levels of other columns), in the unit of the outcome.

    Parameters
    ----------
    levels : tuple of (str, str)
        Columns and levels (or values) that it stands for.
    estimate : Estimate
    weights : ndarray, shape (p,)
        Of the fixed effects.
    """

    levels: Levels
    estimate: Estimate
    weights: Floats = field(repr=False)

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row, for `to_frame`."""
        return [dict(self.levels) | numbers_of(self, confidence_level)]


@dataclass(frozen=True, slots=True)
class MeanContrast(_Estimated):
    """A difference of two marginal means.

    Parameters
    ----------
    label : str
        Which minus which.
    within : tuple of (str, str)
        Columns and levels within which they are compared.
    estimate : Estimate
    adjusted_p_value : float
        The p-value after the adjustment over its family; the interval is not adjusted.
    """

    label: str
    within: Levels
    estimate: Estimate
    adjusted_p_value: float

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row, for `to_frame`."""
        row = {"contrast": self.label} | dict(self.within) | numbers_of(self, confidence_level)
        return [row | {"adjusted_p_value": self.adjusted_p_value}]


@dataclass(frozen=True, slots=True, repr=False)
class MeanContrasts(Shown):
    """Differences of marginal means.

    Parameters
    ----------
    rows : tuple of MeanContrast
    adjustment : str
        Of the p-values, and over what, in words.
    confidence_level : float
        Of the intervals shown.
    """

    rows: tuple[MeanContrast, ...]
    adjustment: str
    confidence_level: float = 0.95

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row per contrast, for `to_frame`."""
        return [row for contrast in self.rows for row in contrast.frame_rows(confidence_level)]

    @property
    def _parts(self) -> Sequence[tuple[str, Line, Sequence[Line]]]:
        within = tuple(column for column, _ in self.rows[0].within)
        lines = [
            (
                row.label,
                *(level for _, level in row.within),
                *estimate_cells(row.estimate, self.confidence_level),
                p_text(row.adjusted_p_value),
            )
            for row in self.rows
        ]
        heading = ("contrast", *within, *estimate_heading(self.confidence_level), "adjusted p")
        return (("Differences of means", heading, lines),)

    @property
    def _notes(self) -> Sequence[str]:
        return (f"p-values: {self.adjustment}. Intervals are not adjusted.", _method(self.rows))


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class Means(Shown):
    """Estimated marginal means.

    Parameters
    ----------
    of : str
        The column whose levels are compared.
    rows : tuple of MarginalMean
    weighting : str
        How other columns are averaged, in words.
    confidence_level : float
        Of the intervals shown.
    """

    of: str
    rows: tuple[MarginalMean, ...]
    weighting: str
    fit: MixedFit = field(repr=False)
    confidence_level: float = 0.95

    def pairwise(self, *, adjust: Adjustment = "holm") -> MeanContrasts:
        """Every pair of levels, the later minus the earlier, within the other columns asked for.

        Parameters
        ----------
        adjust : {"holm", "none"}
            Holm 1979, over the pairs within the same other levels.
        """
        return self._contrasts(lambda rows: list(combinations(rows, 2)), adjust)

    def against(self, reference: str, *, adjust: Adjustment = "holm") -> MeanContrasts:
        """Every other level minus the reference.

        Raises
        ------
        ArgumentError
            If there is no such level.
        """
        known = list(dict.fromkeys(dict(row.levels)[self.of] for row in self.rows))
        if str(reference) not in known:
            raise ArgumentError(
                where="reference", expected=f"one of {', '.join(map(repr, known))}", got=repr(reference)
            )

        def pairs(rows: list[MarginalMean]) -> list[tuple[MarginalMean, MarginalMean]]:
            first = next(row for row in rows if dict(row.levels)[self.of] == str(reference))
            return [(first, row) for row in rows if row is not first]

        return self._contrasts(pairs, adjust)

    def _contrasts(self, pairs: Any, adjust: Adjustment) -> MeanContrasts:
        if adjust not in ("holm", "none"):
            raise ArgumentError(where="adjust", expected='"holm" or "none"', got=repr(adjust))
        families: dict[Levels, list[MarginalMean]] = {}
        for row in self.rows:
            families.setdefault(tuple(pair for pair in row.levels if pair[0] != self.of), []).append(row)
        found: list[MeanContrast] = []
        for within, rows in families.items():
            chosen = pairs(rows)
            estimates = [estimate_of(self.fit, two.weights - one.weights) for one, two in chosen]
            p_values = [estimate.p_value for estimate in estimates]
            adjusted = adjust_holm(p_values) if adjust == "holm" and p_values else p_values
            found += [
                MeanContrast(
                    f"{dict(two.levels)[self.of]} - {dict(one.levels)[self.of]}", within, estimate, p
                )
                for (one, two), estimate, p in zip(chosen, estimates, adjusted, strict=True)
            ]
        if not found:
            raise ArgumentError(where="contrasts", expected=f"two or more levels of {self.of}", got="one")
        size = len(found) // len(families)
        words = f"Holm over {size} contrast{'s' if size != 1 else ''}" if adjust == "holm" else "not adjusted"
        if size == 1:
            words = "one contrast in each family, nothing to adjust for"
        each = (
            " within each of the other levels" if len(families) > 1 and adjust == "holm" and size > 1 else ""
        )
        return MeanContrasts(tuple(found), f"{words}{each}", self.confidence_level)

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row per mean, for `to_frame`."""
        return [row for mean in self.rows for row in mean.frame_rows(confidence_level)]

    @property
    def _parts(self) -> Sequence[tuple[str, Line, Sequence[Line]]]:
        columns = tuple(column for column, _ in self.rows[0].levels)
        heading = (*columns, "mean", "SE", "df", f"{level_text(self.confidence_level)} interval")
        lines = []
        for row in self.rows:
            value, error, degrees, _, _, interval = estimate_cells(row.estimate, self.confidence_level)
            lines.append((*(level for _, level in row.levels), value, error, degrees, interval))
        return ((f"Estimated marginal means of {self.of}", heading, lines),)

    @property
    def _notes(self) -> Sequence[str]:
        return (f"{self.weighting}.", _method(self.rows))


def estimate_heading(confidence_level: float) -> Line:
    """The headings of `estimate_cells`."""
    return ("estimate", "SE", "df", "t", "p", f"{level_text(confidence_level)} interval")


def estimate_cells(estimate: Estimate, confidence_level: float) -> Line:
    """Value, SE, df, t, p and interval for a table that is read."""
    ends = estimate.confidence_interval(confidence_level)
    return (
        significant(estimate.value),
        significant(estimate.standard_error),
        significant(estimate.degrees_of_freedom),
        f"{estimate.statistic:.2f}".replace("-", "−"),
        p_text(estimate.p_value),
        f"{significant(ends.lower)} to {significant(ends.upper)}",
    )


def _method(rows: Sequence[MarginalMean | MeanContrast]) -> str:
    methods = dict.fromkeys(row.estimate.method for row in rows)
    return f"Standard errors and degrees of freedom: {', '.join(methods)}."


def marginal_means(
    fit: MixedFit,
    design: Design,
    table: pd.DataFrame,
    of: str,
    *,
    by: str | Sequence[str],
    at: Mapping[str, Any] | None,
    weights: Literal["equal", "rows"],
) -> Means:
    """The means of `FrameFit.means`."""
    asked = (of, *((by,) if isinstance(by, str) else tuple(by)))
    given = {column: _several(value) for column, value in (at or {}).items()}
    _check_asked(design, asked, given, weights)
    free = [column for column, _ in design.levels if column not in asked]
    values = {column: design.levels_of(column) or given[column] for column in asked}
    fixed = {column: given.get(column, [mean])[0] for column, mean in design.means if column not in asked}
    found = []
    for chosen in product(*(values[column] for column in asked)):
        own = dict(zip(asked, chosen, strict=True))
        grid, share = _grid(design, table, free, weights)
        rows = grid.assign(**{name: [value] * len(grid) for name, value in (fixed | own).items()})
        matrix, _, _ = design.matrix(rows)
        row = share @ matrix
        levels = tuple((column, _level(value)) for column, value in own.items())
        found.append(MarginalMean(levels, estimate_of(fit, row), row))
    # the levels of what is asked stand together within each of the other columns
    order = {mean.levels[1:]: place for place, mean in reversed(list(enumerate(found)))}
    found.sort(key=lambda mean: order[mean.levels[1:]])
    return Means(of, tuple(found), _weighting(free, fixed, weights), fit)


def _several(value: Any) -> list[Any]:
    return [value] if isinstance(value, str) or not isinstance(value, Sequence | np.ndarray) else list(value)


def _level(value: Any) -> str:
    return value if isinstance(value, str) else f"{value:g}"


def _check_asked(
    design: Design, asked: tuple[str, ...], given: Mapping[str, list[Any]], weights: str
) -> None:
    for column in (*asked, *given):
        if column not in design.columns:
            raise ArgumentError(
                where="means", expected=f"fixed effects among {', '.join(design.columns)}", got=repr(column)
            )
    if len(set(asked)) < len(asked):
        raise ArgumentError(where="means", expected="every column once", got=", ".join(asked))
    for column in asked:
        if not design.levels_of(column) and column not in given:
            raise ArgumentError(
                where="means",
                expected=f"values of {column}, which is a column of numbers",
                got="none",
                todo=f'Say at which: at={{"{column}": [0, 12]}}.',
            )
    several = [name for name, values in given.items() if name not in asked and len(values) != 1]
    wrong = [name for name in given if design.levels_of(name)]
    if several or wrong:
        raise ArgumentError(
            where="at",
            expected="columns of numbers, with one value each where they are not asked for",
            got=", ".join(several or wrong),
        )
    if weights not in ("equal", "rows"):
        raise ArgumentError(where="weights", expected='"equal" or "rows"', got=repr(weights))


def _grid(
    design: Design, table: pd.DataFrame, free: Sequence[str], weights: str
) -> tuple[pd.DataFrame, Floats]:
    """Every combination of the other levels, and its share."""
    combinations_ = list(product(*(design.levels_of(column) for column in free)))
    grid = pd.DataFrame(combinations_, columns=list(free), index=range(len(combinations_)))
    if weights == "equal" or not free:
        return grid, np.full(len(grid), 1.0 / len(grid))
    rows = list(zip(*(texts(table[column]) for column in free), strict=True))
    share = np.array([rows.count(combination) for combination in combinations_], dtype=np.float64)
    return grid, share / share.sum()


def _weighting(free: Sequence[str], fixed: Mapping[str, Any], weights: str) -> str:
    how = "weighted alike" if weights == "equal" else "weighted by the rows used"
    parts = [f"levels of {', '.join(free)} {how}"] if free else []
    parts += [f"{column} at {value:.4g}" for column, value in fixed.items()]
    text = "; ".join(parts) or "nothing else is averaged over"
    return f"{text[0].upper()}{text[1:]}"


# --- tests of whole terms ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TermTest(Result):
    """The F test of one term.

    Parameters
    ----------
    term : str
    test : JointTest
    """

    term: str
    test: JointTest

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row, for `to_frame`."""
        del confidence_level
        names = ("statistic", "numerator_degrees_of_freedom", "denominator_degrees_of_freedom", "p_value")
        return [{"term": self.term} | {name: getattr(self.test, name) for name in (*names, "method")}]


@dataclass(frozen=True, slots=True, repr=False)
class TermTests(Shown):
    """F tests of every term, type III.

    Parameters
    ----------
    rows : tuple of TermTest
    """

    rows: tuple[TermTest, ...]

    def frame_rows(self, confidence_level: float) -> list[Row]:
        """One row per term, for `to_frame`."""
        return [row for test in self.rows for row in test.frame_rows(confidence_level)]

    @property
    def _parts(self) -> Sequence[tuple[str, Line, Sequence[Line]]]:
        lines = [
            (
                row.term,
                f"{row.test.statistic:.2f}",
                f"{row.test.numerator_degrees_of_freedom:g}",
                significant(row.test.denominator_degrees_of_freedom),
                p_text(row.test.p_value),
            )
            for row in self.rows
        ]
        return (("Tests of terms, type III", ("term", "F", "df", "df of error", "p"), lines),)

    @property
    def _notes(self) -> Sequence[str]:
        return (
            "Each term given all others, levels weighted alike, columns of numbers at zero.",
            f"Degrees of freedom: {self.rows[0].test.method}.",
        )


def term_tests(
    fit: MixedFit,
    design: Design,
    *,
    degrees_of_freedom: Literal["kenward-roger", "satterthwaite", "residual"],
) -> TermTests:
    """The tests of `FrameFit.test_terms`."""
    if not design.terms:
        raise ArgumentError(where="tests of terms", expected="a model with terms", got="the intercept alone")
    _check_margins(design)
    grid = _coding_grid(design)
    plain, _, owners = design.matrix(grid)
    coded, _, _ = design.matrix(grid, coding="sum")
    # coefficients of deviations = change @ coefficients against the reference
    change = np.linalg.lstsq(coded, plain, rcond=None)[0]
    change[np.abs(change) < TOLERANCE] = 0.0
    rows = []
    for place, term in enumerate(design.terms):
        weights = change[owners == place]
        test = fit.joint_test(weights, degrees_of_freedom=degrees_of_freedom)
        rows.append(TermTest(":".join(term), test))
    return TermTests(tuple(rows))


def _check_margins(design: Design) -> None:
    """Refuse a product with a factor whose own terms are not all in the model."""
    present = {frozenset(term) for term in design.terms}
    for term in design.terms:
        for column in term:
            rest = frozenset(term) - {column}
            if design.levels_of(column) and rest and rest not in present:
                raise ArgumentError(
                    where="tests of terms",
                    expected=f"the terms that {':'.join(term)} is made of in the model",
                    got=f"no term {':'.join(sorted(rest))}",
                    todo="Add it, or test a contrast of your own with joint_test.",
                )


def _coding_grid(design: Design) -> pd.DataFrame:
    """Rows on which both codings are told apart: every level beside three values of every number."""
    values: dict[str, tuple[Any, ...]] = {
        column: design.levels_of(column) or (0.0, 1.0, -2.0) for column in design.columns
    }
    return pd.DataFrame(list(product(*values.values())), columns=list(values))
