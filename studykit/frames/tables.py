"""Results to data frames: one row for each thing, every number at full precision in a column of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.errors import ArgumentError, StudykitError
from studykit.lookback.look_back_results import Association, LookBack
from studykit.mixed import (
    BinaryFit,
    Bootstrap,
    BootstrapInterval,
    CovarianceParameters,
    Influence,
    ManyBinaryFits,
    ManyFits,
    MixedFit,
    RandomEffectCovariance,
    RandomEffectPredictions,
    ResidualCovariance,
)
from studykit.mixed.quantities import Quantity
from studykit.outcomes.results import StudyResults
from studykit.protocol.protocol_file import ReadProtocol
from studykit.records.rows import Scores
from studykit.results import Estimate, HasInterval, Interval, RowCount, check_confidence_level
from studykit.retention import DiscreteHazardModel, HazardModel

Row = dict[str, Any]
_NAMES = ("name", "contrast", "arm", "visit")


def to_frame(
    results: Any, *, confidence_level: float = 0.95, columns: Sequence[str] | None = None
) -> pd.DataFrame:
    """A data frame with one row for each thing, at full precision.

    Parameters
    ----------
    results : result or sequence of results
        Frozen results of studykit, all of one type. A fit gives its fixed effects; covariance parameters
        give variances and correlations; predictions, one row per level and column; influence, one row per
        level left out and quantity; the results of a study, one row per contrast; scores of its records, one
        row per client, visit and exercise, with the facts of the client. A result that holds
        arrays of one length (a retention curve, a client's series) gives one row per element. Parts of
        results that are plain tuples (counts by reason, by trainer and arm) give one row per innermost
        tuple. Parts that are results themselves are asked for by their own name.
    confidence_level : float
        Of the columns ``lower`` and ``upper``, which stand for everything that has an interval of its own
        at any level; an interval made at a fixed level keeps it, and ``confidence_level`` says which.
    columns : sequence of str, optional
        Names of the columns of plain tuples; by default ``name`` and ``number``, counted where there are
        several.

    Returns
    -------
    DataFrame
        ``value``, ``standard_error``, ``degrees_of_freedom``, ``statistic``, ``p_value``, ``lower`` and
        ``upper`` where the result has them, in the unit of the result; never an interval as text.

    Raises
    ------
    ArgumentError
        If something else is given.

    Examples
    --------
    >>> frame = to_frame([Estimate(0.41, 0.122429, 9.0, "Kenward-Roger")])
    >>> frame[["value", "statistic", "lower", "upper", "p_value"]].round(4).values.tolist()
    [[0.41, 3.3489, 0.133, 0.687, 0.0085]]
    """
    check_confidence_level(confidence_level)
    if _is_result(results):
        results = (results,)
    if isinstance(results, str | Mapping) or not isinstance(results, Sequence):
        raise ArgumentError(
            where="to_frame", expected="a result or a sequence of results", got=type(results).__name__
        )
    if results and all(isinstance(item, tuple) for item in results):
        return _tuple_frame(results, columns)
    rows: list[Row] = []
    for result in results:
        if not _is_result(result):
            raise ArgumentError(
                where="to_frame",
                expected="results of studykit",
                got=type(result).__name__,
                todo="Give one of its parts.",
            )
        rows += rows_of(result, confidence_level)
    return pd.DataFrame(rows)


def rows_of(result: Any, confidence_level: float) -> list[Row]:
    """The rows of one result: as its type has them, or from its fields."""
    if hasattr(type(result), "frame_rows"):
        return list(result.frame_rows(confidence_level))
    own = next((rows for kind, rows in _OWN_ROWS.items() if isinstance(result, kind)), _from_fields)
    return own(result, confidence_level)


def numbers_of(result: Any, confidence_level: float) -> Row:
    """The columns of a number with its interval; a standard error is on the scale of the analysis."""
    interval = result.confidence_interval(confidence_level)
    inner = getattr(result, "estimate", getattr(result, "contrast", None))
    source = inner if isinstance(inner, HasInterval) else result
    kept = {
        name: getattr(source, name)
        for name in ("standard_error", "degrees_of_freedom", "statistic")
        if hasattr(source, name)
    }
    return {
        "value": result.value,
        "lower": interval.lower,
        "upper": interval.upper,
        "confidence_level": confidence_level,
        "p_value": result.p_value,
        **kept,
        "interval_method": interval.method,
    }


# --- types that have rows of their own -----------------------------------------------------------


def _fixed_effects(fit: MixedFit | BinaryFit, confidence_level: float) -> list[Row]:
    """One row per fixed effect, by the fit's best degrees of freedom; plain where inference is refused."""
    rows: list[Row] = []
    for coefficient in fit.coefficients:
        try:
            found = estimate_of(fit, {coefficient.name: 1.0})
        except StudykitError:
            rows.append(_from_fields(coefficient, confidence_level)[0])
        else:
            rows.append(
                {"name": coefficient.name, **numbers_of(found, confidence_level), "method": found.method}
            )
    return rows


def estimate_of(fit: MixedFit | BinaryFit, weights: Any) -> Estimate:
    """A contrast with the best degrees of freedom of the fit: Kenward-Roger; Satterthwaite after ML."""
    if isinstance(fit, MixedFit) and not fit.reml:
        return fit.contrast(weights, degrees_of_freedom="satterthwaite")
    return fit.contrast(weights)


def _covariances(parameters: CovarianceParameters, confidence_level: float) -> list[Row]:
    parts = (*parameters.random_effects, parameters.residual)
    return [row for part in parts for row in rows_of(part, confidence_level)]


def _random_effect(effect: RandomEffectCovariance, _: float) -> list[Row]:
    return _triangle(effect.name, effect.columns, effect.matrix, levels=effect.levels)


def _residual(residual: ResidualCovariance, _: float) -> list[Row]:
    names = residual.visits if len(residual.visits) == len(residual.matrix) else ("",)
    rows = _triangle("residual", names, residual.matrix, kind=residual.kind)
    if residual.kind == "by visit":
        rows = [row for row in rows if row["quantity"] == "variance"]
    if residual.autocorrelation is not None:
        told = {"distance": residual.distance, "kind": residual.kind}
        rows.append(_covariance_row("residual", "autocorrelation", "", "", residual.autocorrelation) | told)
    return rows


def _triangle(group: str, names: Sequence[Any], matrix: Any, **more: Any) -> list[Row]:
    """Variances, then standard deviations, covariances and correlations of every pair, by group."""
    deviations = np.sqrt(np.diag(matrix))
    rows = [
        _covariance_row(group, what, name, "", value)
        for what, values in (("variance", np.diag(matrix)), ("standard deviation", deviations))
        for name, value in zip(names, values, strict=True)
    ]
    for place in range(len(names)):
        for other in range(place):
            size = deviations[place] * deviations[other]
            both = float(matrix[place, other])
            pair = (names[other], names[place])
            rows.append(_covariance_row(group, "covariance", *pair, both))
            rows.append(_covariance_row(group, "correlation", *pair, both / size if size else np.nan))
    return [row | more for row in rows]


def _covariance_row(group: str, quantity: str, column: Any, with_column: Any, value: float) -> Row:
    return {"group": group, "quantity": quantity, "column": column, "with": with_column, "value": value}


def _predictions(found: RandomEffectPredictions, _: float) -> list[Row]:
    errors = found.standard_errors
    return [
        {
            "group": found.name,
            "level": level,
            "column": column,
            "value": found.values[row, place],
            "standard_error": errors[row, place],
        }
        for row, level in enumerate(found.levels)
        for place, column in enumerate(found.columns)
    ]


def _influence(found: Influence, _: float) -> list[Row]:
    rows: list[Row] = []
    for place, level in enumerate(found.levels):
        head = {"level": level, "rows": found.rows[place]}
        rows += [
            head | {"name": name, "value": found.values[place, column], "change": found.change[place, column]}
            for column, name in enumerate(found.names)
        ]
        if found.contrast_values is not None:
            numbers = found.contrast_values, found.contrast_change, found.contrast_p_values
            value, change, p_value = (np.nan if one is None else one[place] for one in numbers)
            rows.append(head | {"name": "contrast", "value": value, "change": change, "p_value": p_value})
    failed = dict(found.failed)
    return [row | {"failed": failed.get(row["level"], "")} for row in rows]


def _many(found: ManyFits | ManyBinaryFits, _: float) -> list[Row]:
    trials, contrasts = found.value.shape
    table = [field.name for field in fields(found) if getattr(found, field.name).ndim == 2]
    single = [field.name for field in fields(found) if getattr(found, field.name).ndim == 1]
    return [
        {"trial": trial, "contrast": contrast}
        | {name: getattr(found, name)[trial, contrast] for name in table}
        | {name: getattr(found, name)[trial] for name in single}
        for trial in range(trials)
        for contrast in range(contrasts)
    ]


def _hazards(model: HazardModel | DiscreteHazardModel, confidence_level: float) -> list[Row]:
    """Log hazard ratios; where they cannot be estimated, the numbers without inference and why."""
    rows: list[Row] = []
    for name, value in zip(model.names, model.coefficients, strict=True):
        try:
            found = model.log_hazard_ratio(name)
            rows.append({"name": name, **numbers_of(found, confidence_level), "method": found.method})
        except StudykitError as reason:
            rows.append({"name": name, "value": float(value), "not_estimable": str(reason)})
    return rows


def _draws(found: BootstrapInterval, confidence_level: float) -> list[Row]:
    return [
        {name: value for name, value in row.items() if name != "values"}
        for row in _from_fields(found, confidence_level)[:1]
    ]


def _of_parts(*names: str) -> Callable[[Any, float], list[Row]]:
    """Rows of the parts of a result that are results themselves."""

    def rows(result: Any, confidence_level: float) -> list[Row]:
        parts = [part for name in names for part in getattr(result, name)]
        return [row for part in parts for row in rows_of(part, confidence_level)]

    return rows


def _study(results: StudyResults, confidence_level: float) -> list[Row]:
    return [
        {"outcome": outcome.code} | row
        for outcome in results.outcomes
        for contrast in outcome.contrasts
        for row in rows_of(contrast, confidence_level)
    ]


def _scores(scores: Scores, _: float) -> list[Row]:
    """One row per score; what was allocated, the trainer, strata and covariates are the client's."""
    clients = scores.clients
    arms, trainers = (*clients.arm_labels, ""), (*clients.trainer_labels, "")
    own: list[Row] = [
        {"client": label, "arm": arms[arm], "trainer": trainers[trainer]}
        | {name: (*levels, "")[codes[place]] for name, codes, levels in clients.factors}
        | {name: values[place] for name, values in clients.covariates}
        for place, (label, arm, trainer) in enumerate(
            zip(clients.labels, clients.arm, clients.trainer, strict=True)
        )
    ]
    return [
        own[client]
        | {"visit": scores.visit_labels[visit], "exercise": scores.exercise_labels[exercise]}
        | {"day": day, "score": score}
        for client, visit, exercise, day, score in zip(
            scores.client, scores.visit, scores.exercise, scores.day, scores.score, strict=True
        )
    ]


def _protocol(read: ReadProtocol, _: float) -> list[Row]:
    return [{"where": str(read.where), "digest": read.digest}]


_OWN_ROWS: dict[type, Callable[[Any, float], list[Row]]] = {
    MixedFit: _fixed_effects,
    BinaryFit: _fixed_effects,
    CovarianceParameters: _covariances,
    RandomEffectCovariance: _random_effect,
    ResidualCovariance: _residual,
    RandomEffectPredictions: _predictions,
    Influence: _influence,
    ManyFits: _many,
    ManyBinaryFits: _many,
    HazardModel: _hazards,
    DiscreteHazardModel: _hazards,
    Bootstrap: _of_parts("intervals"),
    BootstrapInterval: _draws,
    LookBack: _of_parts("answers"),
    StudyResults: _study,
    Scores: _scores,
    ReadProtocol: _protocol,
}


# --- any other result, from its fields -------------------------------------------------------------


def _from_fields(result: Any, confidence_level: float) -> list[Row]:
    """One row, or one for each element of the result's arrays."""
    values = {
        field.name: getattr(result, field.name) for field in fields(result) if not field.name.startswith("_")
    }
    arrays = {
        name: value for name, value in values.items() if isinstance(value, np.ndarray) and value.ndim == 1
    }
    longest = max((len(value) for value in arrays.values()), default=-1)
    columns: dict[str, Any] = {name: value for name, value in arrays.items() if len(value) == longest}
    columns |= {
        name: value
        for name, value in values.items()
        if isinstance(value, tuple) and arrays and len(value) == longest
    }
    whole = isinstance(result, HasInterval)
    cells: Row = {}
    for name, value in values.items():
        if name not in columns:
            cells |= _cells(name, value, confidence_level, own=whole and name in ("estimate", "contrast"))
    if "estimate" in cells and not whole:
        cells = {"value" if name == "estimate" else name: value for name, value in cells.items()}
    numbers = numbers_of(result, confidence_level) if whole else {}
    # What is short and names the result comes first, then its numbers, then the sentences.
    names = {name: cells[name] for name in _NAMES if name in cells}
    row = names | numbers | {name: cell for name, cell in cells.items() if name not in names | numbers}
    if not arrays:
        return [row]
    return [row | {name: value[index] for name, value in columns.items()} for index in range(longest)]


def _cells(name: str, value: Any, confidence_level: float, *, own: bool) -> Row:
    """The columns of one field; a part that is a result itself has only those that are plain numbers."""
    if own and _is_result(value):
        return {}
    if isinstance(value, RowCount):
        return {name: str(value), f"{name}_supplied": value.supplied, f"{name}_used": value.used}
    if isinstance(value, Interval):
        lead = "" if name == "interval" else f"{name}_"
        ends = {f"{lead}lower": value.lower, f"{lead}upper": value.upper}
        return ends | {
            f"{lead}confidence_level": value.confidence_level,
            f"{lead}interval_method": value.method,
        }
    if isinstance(value, Quantity):
        return {name: str(value)}
    if isinstance(value, HasInterval | Association) and _is_result(value):
        inner = rows_of(value, confidence_level)[0]
        return {name if key == "value" else f"{name}_{key}": cell for key, cell in inner.items()}
    if _is_result(value) or isinstance(value, np.ndarray | Mapping):
        return {}
    if isinstance(value, tuple):
        if any(_is_result(item) for item in value):
            return {}
        parts = (" ".join(map(str, item)) if isinstance(item, tuple) else str(item) for item in value)
        return {name: "; ".join(parts)}
    return {name: value}


def _is_result(value: Any) -> bool:
    return is_dataclass(value) and not isinstance(value, type)


# --- plain tuples ------------------------------------------------------------------------------------


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
