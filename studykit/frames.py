"""Results to data frames, and the mixed-model engine from the column names of a data frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.errors import ArgumentError
from studykit.mixed import Coefficient, JointTest, MixedFit, MixedModel, RandomEffect, ResidualStructure
from studykit.results import Estimate, HasInterval, Interval, RowCount, check_confidence_level

Term = str | tuple[str, ...]
Degrees = Literal["kenward-roger", "satterthwaite", "residual"]
Floats = NDArray[np.float64]
_NAMES = ("name", "contrast", "arm", "visit")


# --- results to frames ---------------------------------------------------------------------------


def to_frame(
    results: Any, *, confidence_level: float = 0.95, columns: Sequence[str] | None = None
) -> pd.DataFrame:
    """A data frame with one row per result, at full precision.

    Parameters
    ----------
    results : result or sequence of results
        Frozen results of studykit, all of one type. A result that holds arrays of one length (a
        retention curve, a client's series) gives one row per element. Parts of results that are plain
        tuples (counts by reason, by trainer and arm) give one row per innermost tuple.
    confidence_level : float
        Of the columns ``lower`` and ``upper``, which stand for everything that has an interval.
    columns : sequence of str, optional
        Names of the columns of plain tuples; by default ``name`` and ``number``, counted where there are
        several.

    Raises
    ------
    ArgumentError
        If something else is given.

    Examples
    --------
    >>> frame = to_frame([Estimate(0.41, 0.122429, 9.0, "Kenward-Roger")])
    >>> frame[["value", "lower", "upper", "p_value"]].round(4).values.tolist()
    [[0.41, 0.133, 0.687, 0.0085]]
    """
    check_confidence_level(confidence_level)
    if is_dataclass(results) and not isinstance(results, type):
        results = (results,)
    if isinstance(results, str | Mapping) or not isinstance(results, Sequence):
        raise ArgumentError(
            where="to_frame", expected="a result or a sequence of results", got=type(results).__name__
        )
    if results and all(isinstance(item, tuple) for item in results):
        return _tuple_frame(results, columns)
    rows: list[dict[str, Any]] = []
    for result in results:
        if not is_dataclass(result) or isinstance(result, type):
            raise ArgumentError(
                where="to_frame",
                expected="results of studykit",
                got=type(result).__name__,
                todo="Give one of its parts.",
            )
        rows += _rows_of(result, confidence_level)
    return pd.DataFrame(rows)


def _tuple_frame(results: Sequence[tuple[Any, ...]], columns: Sequence[str] | None) -> pd.DataFrame:
    """Plain tuples as rows; a tuple inside one gives rows of its own, led by what stands beside it."""
    rows = [row for item in results for row in _flat(item)]
    width = {len(row) for row in rows}
    if len(width) != 1 or (columns is not None and len(columns) != max(width)):
        raise ArgumentError(
            where="to_frame",
            expected="tuples of one length" if columns is None else f"tuples of {len(columns)} values",
            got=f"tuples of {', '.join(map(str, sorted(width)))}",
        )
    if columns is None:
        kinds = ["name" if isinstance(value, str) else "number" for value in rows[0]]
        columns = [
            kind if kinds.count(kind) == 1 else f"{kind}_{kinds[: place + 1].count(kind)}"
            for place, kind in enumerate(kinds)
        ]
    return pd.DataFrame(rows, columns=list(columns))


def _flat(item: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    plain = tuple(value for value in item if not isinstance(value, tuple))
    inner = [value for value in item if isinstance(value, tuple)]
    if not inner:
        return [plain]
    parts = [part for value in inner for part in (value if isinstance(value[0], tuple) else (value,))]
    return [(*plain, *row) for part in parts for row in _flat(part)]


def _rows_of(result: Any, confidence_level: float) -> list[dict[str, Any]]:
    """One row, or one for each element of the result's arrays."""
    values = {
        field.name: getattr(result, field.name) for field in fields(result) if not field.name.startswith("_")
    }
    cells = {name: _cell(value) for name, value in values.items() if not _is_nested(value)}
    numbers: dict[str, Any] = {}
    if isinstance(result, HasInterval):
        interval = result.confidence_interval(confidence_level)
        numbers = {
            "value": result.value,
            "lower": interval.lower,
            "upper": interval.upper,
            "confidence_level": confidence_level,
            "p_value": result.p_value,
        }
    # What is short and names the result comes first, then its numbers, then the sentences.
    names = {name: cells[name] for name in _NAMES if name in cells}
    row = names | numbers | {name: cell for name, cell in cells.items() if name not in names | numbers}
    arrays = {
        name: value for name, value in values.items() if isinstance(value, np.ndarray) and value.ndim == 1
    }
    if not arrays:
        return [row]
    longest = max(len(value) for value in arrays.values())
    columns = {name: value for name, value in arrays.items() if len(value) == longest}
    return [row | {name: value[index] for name, value in columns.items()} for index in range(longest)]


def _is_nested(value: Any) -> bool:
    """Whether a field has no place in a single cell (its numbers stand in columns of their own)."""
    return isinstance(value, np.ndarray) or (isinstance(value, HasInterval) and is_dataclass(value))


def _cell(value: Any) -> Any:
    if isinstance(value, RowCount):
        return str(value)
    if isinstance(value, Interval):
        return f"{value.lower} to {value.upper}"
    if isinstance(value, tuple):
        return "; ".join(" ".join(map(str, item)) if isinstance(item, tuple) else str(item) for item in value)
    return value


# --- frames to the engine ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class FrameFit:
    """A mixed model fitted from a data frame, and the rows that it used.

    Parameters
    ----------
    fit : MixedFit
        Everything the engine gives; what it says of single rows carries the frame's labels.
    rows : RowCount
        Rows of the frame: supplied, used, left out by the column that was empty.
    levels : tuple of (str, tuple of str)
        Of every column of texts, its levels, the reference level first.
    index : pandas.Index
        Labels, in the frame, of the rows used.
    """

    fit: MixedFit
    rows: RowCount
    levels: tuple[tuple[str, tuple[str, ...]], ...]
    index: pd.Index

    @property
    def coefficients(self) -> tuple[Coefficient, ...]:
        """Name, value and standard error of each fixed effect."""
        return self.fit.coefficients

    @property
    def log_likelihood(self) -> float:
        """Log-likelihood (restricted, by default)."""
        return self.fit.log_likelihood

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


@dataclass(frozen=True, slots=True, eq=False)
class FrameModel:
    """A mixed model made from a data frame, before it is fitted.

    Parameters
    ----------
    model : MixedModel
        What the engine's profiles, bootstrap and leaving out of clients start from.
    rows : RowCount
        Rows of the frame: supplied, used, left out by the column that was empty.
    levels : tuple of (str, tuple of str)
        Of every column of texts, its levels, the reference level first.
    index : pandas.Index
        Labels, in the frame, of the rows used.
    """

    model: MixedModel
    rows: RowCount
    levels: tuple[tuple[str, tuple[str, ...]], ...]
    index: pd.Index

    def fit(self, *, reml: bool = True) -> FrameFit:
        """Fit by REML, or by maximum likelihood."""
        return FrameFit(self.model.fit(reml=reml), self.rows, self.levels, self.index)


def fit_frame(
    frame: pd.DataFrame,
    *,
    outcome: str,
    fixed: Sequence[Term],
    random: Mapping[Term, Sequence[str]],
    reference: Mapping[str, str] | None = None,
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
        between groups, correlated with each other; ``"intercept"`` is the group's level.
    reference : mapping of str to str, optional
        Reference level of every column of texts among ``fixed``. It must be named: an alphabetical
        reference would turn the sign of an effect by the spelling of its levels.
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
    random: Mapping[Term, Sequence[str]],
    reference: Mapping[str, str] | None = None,
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
    if not isinstance(frame, pd.DataFrame):
        raise ArgumentError(where="fit_frame", expected="a data frame", got=type(frame).__name__)
    used = _columns_used(outcome, fixed, random)
    _check_columns(frame, used)
    complete, rows = _complete(frame, used)
    if residual is not None and rows.used != rows.supplied:
        raise ArgumentError(
            where="residual",
            expected="no empty cells where a residual structure is given",
            got=str(rows),
            todo="Leave out the rows with empty cells first, and make the structure from what remains.",
        )
    blocks = _Blocks(complete, dict(reference or {}))
    matrix, names = blocks.fixed_effects(fixed)
    effects = [blocks.random_effect(group, columns) for group, columns in random.items()]
    model = MixedModel(
        _numbers(complete, outcome),
        matrix,
        effects,
        names=names,
        residual=residual,
        row_labels=complete.index.tolist(),
    )
    return FrameModel(model, rows, tuple(blocks.levels.items()), complete.index)


def _as_tuple(term: Term) -> tuple[str, ...]:
    return (term,) if isinstance(term, str) else tuple(term)


def _columns_used(outcome: str, fixed: Sequence[Term], random: Mapping[Term, Sequence[str]]) -> list[str]:
    """Every column, once, in the order in which it is named."""
    if isinstance(fixed, str):
        raise ArgumentError(where="fixed", expected='a list of columns, such as ["days"]', got=repr(fixed))
    if not isinstance(random, Mapping):
        raise ArgumentError(
            where="random", expected='a mapping, such as {"client": ["intercept"]}', got=repr(random)
        )
    named: list[str] = []
    for term in fixed:
        named += _as_tuple(term)
    for group, columns in random.items():
        if isinstance(columns, str):
            raise ArgumentError(where="random", expected='a list, such as ["intercept"]', got=repr(columns))
        named += [*_as_tuple(group), *(column for column in columns if column != "intercept")]
    if outcome in named:
        raise ArgumentError(
            where="outcome", expected="a column that explains nothing in the same model", got=repr(outcome)
        )
    return list(dict.fromkeys([outcome, *named]))


def _check_columns(frame: pd.DataFrame, used: Sequence[str]) -> None:
    unknown = [column for column in used if column not in frame.columns]
    if unknown:
        raise ArgumentError(
            where="fit_frame",
            expected=f"columns among {', '.join(map(str, frame.columns))}",
            got=", ".join(unknown),
        )
    doubled = [column for column in used if not isinstance(frame[column], pd.Series)]
    if doubled:
        raise ArgumentError(
            where="fit_frame", expected="column names that occur once", got=", ".join(doubled)
        )


def _complete(frame: pd.DataFrame, used: Sequence[str]) -> tuple[pd.DataFrame, RowCount]:
    """Rows without an empty cell, and the first empty column of every other row."""
    empty = frame[list(used)].isna().to_numpy()
    first = np.where(empty.any(axis=1), empty.argmax(axis=1), -1)
    left_out = tuple(
        (f"no value in {column}", int((first == index).sum()))
        for index, column in enumerate(used)
        if (first == index).any()
    )
    rows = RowCount(len(frame), int((first < 0).sum()), left_out)
    if rows.used == 0:
        raise ArgumentError(where="fit_frame", expected="rows without empty cells", got=str(rows))
    return frame.loc[first < 0, list(used)], rows


def _numbers(frame: pd.DataFrame, column: str) -> Floats:
    series = frame[column]
    if pd.api.types.is_numeric_dtype(series):
        wrong = ~np.isfinite(np.array(series, dtype=np.float64))
    else:
        wrong = np.array([not isinstance(value, int | float) or abs(value) == np.inf for value in series])
    if wrong.any():
        raise ArgumentError(
            where=f"column {column}",
            expected="finite numbers",
            got=f"other values, first in the rows labelled {', '.join(map(str, frame.index[wrong][:5]))}",
        )
    return np.array(series, dtype=np.float64)


class _Blocks:
    """Columns of the design, with explicit levels for texts."""

    def __init__(self, frame: pd.DataFrame, reference: Mapping[str, str]) -> None:
        self.frame = frame
        self.reference = reference
        self.levels: dict[str, tuple[str, ...]] = {}
        unknown = [column for column in reference if column not in frame.columns]
        if unknown:
            raise ArgumentError(
                where="reference", expected="columns that the model uses", got=", ".join(unknown)
            )

    def fixed_effects(self, fixed: Sequence[Term]) -> tuple[Floats, list[str]]:
        """The matrix of fixed effects, intercept first, and the names of its columns."""
        matrices, names = [np.ones((len(self.frame), 1))], ["intercept"]
        for term in fixed:
            matrix, labels = np.ones((len(self.frame), 1)), [""]
            for column in _as_tuple(term):
                own, own_names = self._coded(column)
                matrix = (matrix[:, :, None] * own[:, None, :]).reshape(len(self.frame), -1)
                labels = [f"{label}:{name}" if label else name for label in labels for name in own_names]
            matrices.append(matrix)
            names += labels
        return np.column_stack(matrices), names

    def _coded(self, column: str) -> tuple[Floats, list[str]]:
        """A column of numbers as it is; a column of texts or truths as one column per other level."""
        series = self.frame[column]
        if pd.api.types.is_numeric_dtype(series) and not pd.api.types.is_bool_dtype(series):
            return _numbers(self.frame, column)[:, None], [column]
        values = series.astype(str).to_numpy(dtype=object)
        levels = self._levels(column, values)
        matrix = np.column_stack([(values == level).astype(np.float64) for level in levels[1:]])
        return matrix, [f"{column}[{level}]" for level in levels[1:]]

    def _levels(self, column: str, values: NDArray[Any]) -> tuple[str, ...]:
        found = sorted(set(values.tolist()))
        first = self.reference.get(column)
        if first not in found or len(found) < 2:
            raise ArgumentError(
                where=f"column {column}",
                expected="two or more levels, and one of them named as the reference",
                got=f"levels {', '.join(found)}; reference {first!r}",
                todo=f'Give reference={{"{column}": "{found[0]}"}} or another of its levels.',
            )
        self.levels[column] = (str(first), *(level for level in found if level != first))
        return self.levels[column]

    def random_effect(self, group: Term, columns: Sequence[str]) -> RandomEffect:
        """One random effect; groups of several columns are told apart by all of them."""
        parts = [self.frame[column].astype(str).to_numpy(dtype=object) for column in _as_tuple(group)]
        labels = [" / ".join(row) for row in zip(*parts, strict=True)]
        design = np.column_stack(
            [
                np.ones(len(self.frame)) if column == "intercept" else _numbers(self.frame, column)
                for column in columns
            ]
        )
        return RandomEffect(" / ".join(_as_tuple(group)), np.array(labels), design, columns=tuple(columns))
