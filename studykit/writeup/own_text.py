"""Things of one's own as sections of a manuscript: descriptions, fits, estimates, figures, texts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from studykit.errors import ArgumentError
from studykit.frames import FrameFit, FrameRerandomisation, Means
from studykit.mixed import MixedFit
from studykit.report.document import Block, Picture, Section, paragraphs, tables
from studykit.report.numbers import Scale, level, number, p_exact, statistic_text
from studykit.report.report_context import capital
from studykit.report.tables import (
    NOTHING,
    Bracket,
    Cell,
    Probability,
    Quantity,
    Table,
    cells,
    column,
    words_column,
)
from studykit.results import HasInterval, Interval
from studykit.writeup.describe import Description

LEVEL = 0.95


def own_sections(things: Sequence[Any]) -> tuple[tuple[Section, ...], tuple[Section, ...]]:
    """Sections of methods and of results; codes of exhibits are counted.

    Raises
    ------
    ArgumentError
        If something cannot be written up.
    """
    methods: list[Section] = []
    results: list[Section] = []
    for place, thing in enumerate(things, 1):
        told, found = _sections(thing, place)
        methods += told
        results += found
    return tuple(methods), tuple(results)


def _sections(thing: Any, place: int) -> tuple[list[Section], list[Section]]:
    if isinstance(thing, str):
        return [], [_section(place, paragraphs(*(text.strip() for text in thing.split("\n\n"))))]
    if isinstance(thing, Description):
        return [], [_section(place, tables(_coded(thing.table, place)))]
    if isinstance(thing, FrameFit | MixedFit):
        fit, rows = (thing.fit, str(thing.rows)) if isinstance(thing, FrameFit) else (thing, "")
        return [_section(place, paragraphs(_model(fit, rows)))], [
            _section(place, tuple(_fit_blocks(fit, place)))
        ]
    if isinstance(thing, Mapping) and thing and all(isinstance(item, HasInterval) for item in thing.values()):
        named = tuple((str(name), item) for name, item in thing.items())
        table = estimates_table(f"estimates_{place}", "Estimates", named)
        return [], [_section(place, (*paragraphs(_sentence(named)), *tables(table)))]
    if isinstance(thing, FrameRerandomisation):
        return [], [_section(place, paragraphs(thing.sentence))]
    if hasattr(type(thing), "frame_rows"):  # a table of the frames' room: means, contrasts, tests of terms
        return [], [_section(place, tables(_rows_table(thing, place)))]
    if isinstance(thing, tuple) and len(thing) == 2 and isinstance(thing[1], str):
        return [], [_section(place, (_picture(*thing, place),))]
    raise ArgumentError(
        where=f"write_up, thing {place}",
        expected="results of a study, a fit, a description, estimates by name, (figure, caption) or a text",
        got=type(thing).__name__,
    )


def _section(place: int, blocks: tuple[Block, ...]) -> Section:
    return Section(f"own-{place}", "", blocks)


def _coded(table: Table, place: int) -> Table:
    return Table(f"{table.code}_{place}", table.caption, table.columns, table.rows, table.notes)


def _picture(figure: Any, caption: str, place: int) -> Block:
    if not hasattr(figure, "savefig"):
        raise ArgumentError(
            where=f"write_up, thing {place}", expected="a matplotlib figure beside its caption",
            got=type(figure).__name__, todo="Give ax.figure.",
        )  # fmt: skip
    return Block("picture", Picture(f"figure_{place}", caption, figure))


# --- fits ----------------------------------------------------------------------------------------


def _model(fit: MixedFit, rows: str) -> str:
    groups = "; ".join(
        f"{effect.name} ({effect.levels} levels): {', '.join(effect.columns)}"
        for effect in fit.covariance_parameters.random_effects
    )
    by = "restricted maximum likelihood" if fit.reml else "maximum likelihood"
    counted = f" {rows[0].upper()}{rows[1:]}." if rows else ""
    return (
        f"Linear mixed model by {by}, with the fixed effects {', '.join(fit.names)} and random effects of "
        f"{groups}; t with Kenward-Roger degrees of freedom.{counted}"
    )


def _fit_blocks(fit: MixedFit, place: int) -> Iterator[Block]:
    named = tuple((name, fit.contrast({name: 1.0})) for name in fit.names)
    yield from paragraphs(_sentence(named))
    notes = (f"{'Restricted log' if fit.reml else 'Log'}-likelihood {number(fit.log_likelihood, 2)}.",)
    yield from tables(estimates_table(f"fit_{place}", "Fixed effects of the mixed model", named, notes))
    yield from tables(_spread_table(fit, place))
    if fit.at_boundary:
        yield from paragraphs(f"Estimated at the boundary: {'; '.join(fit.boundary_terms)}.")


def _spread_table(fit: MixedFit, place: int) -> Table:
    """Standard deviations and correlations between the columns of each random effect, and the residual's."""
    rows: list[tuple[Cell, ...]] = []
    for effect in fit.covariance_parameters.random_effects:
        deviations = effect.standard_deviations
        for one, name in enumerate(effect.columns):
            scale = Scale("", _decimals(float(deviations[one])))
            rows.append(cells(f"{effect.name}: {name}", Quantity(float(deviations[one]), scale), NOTHING))
            for two in range(one):
                both = f"{effect.name}: {effect.columns[two]} with {name}"
                value = float(effect.correlations[two, one])
                rows.append(cells(both, NOTHING, Quantity(value, Scale("", 2))))
    residual = fit.covariance_parameters.residual
    for place_of, variance in enumerate(residual.matrix.diagonal()):
        name = "residual" if residual.matrix.shape == (1, 1) else f"residual, {place_of + 1}"
        deviation = math.sqrt(float(variance))
        rows.append(cells(name, Quantity(deviation, Scale("", _decimals(deviation))), NOTHING))
    columns = (words_column("spread"), column("SD", "standard deviation"), column("correlation"))
    return Table(f"spread_{place}", "Spread of random effects and residuals", columns, tuple(rows))


# --- estimates -----------------------------------------------------------------------------------


def _decimals(size: float) -> int:
    """Two digits that tell of a number of this size, at least two decimals and at most six."""
    if not (math.isfinite(size) and size > 0.0):
        return 2
    return min(6, max(2, 1 - math.floor(math.log10(size))))


def _statistics(item: Any) -> tuple[float, float, float]:
    """Standard error, statistic and degrees of freedom, where the estimate has them."""
    names = ("standard_error", "statistic", "degrees_of_freedom")
    return tuple(float(getattr(item, name, math.nan)) for name in names)  # type: ignore[return-value]


def _sentence(named: Sequence[tuple[str, HasInterval]]) -> str:
    """Every estimate with its statistic, p and interval."""
    told = []
    for name, item in named:
        error, statistic, df = _statistics(item)
        scale = Scale("", _decimals(error if math.isfinite(error) else abs(item.value)))
        interval = item.confidence_interval(LEVEL)
        parts = (
            scale.text(item.value), statistic_text(statistic, df), p_exact(item.p_value),
            f"{level(LEVEL)} CI {scale.interval(interval)}",
        )  # fmt: skip
        told.append(f"{name}: {', '.join(part for part in parts if part)}")
    return f"{'; '.join(told)}."


def estimates_table(
    code: str, caption: str, named: Sequence[tuple[str, HasInterval]], notes: tuple[str, ...] = ()
) -> Table:
    """Estimates by name with standard error, degrees of freedom, t, p and interval."""
    rows = tuple(
        (name, item.value, *_statistics(item), item.p_value, item.confidence_interval(LEVEL))
        for name, item in named
    )
    methods = dict.fromkeys(getattr(item, "method", "") for _, item in named)
    told = tuple(f"Degrees of freedom: {method}." for method in methods if method)
    return _numbers_table(code, caption, rows, (*told, *notes))


def _numbers_table(code: str, caption: str, rows: Sequence[tuple[Any, ...]], notes: tuple[str, ...]) -> Table:
    made = []
    for name, value, error, statistic, df, p, interval in rows:
        scale = Scale("", _decimals(error if math.isfinite(error) else abs(value)))
        tested = (_known(statistic, Scale("", 2)), _known(df, Scale("", 1)))
        chance = NOTHING if math.isnan(p) else Probability(p)
        ends = Bracket(interval, scale) if math.isfinite(interval.lower) else NOTHING
        made.append(cells(name, Quantity(value, scale), _known(error, scale), *tested, chance, ends))
    columns = (
        words_column("effect"), column("estimate"), column("SE", "standard error"), column("t"), column("df"),
        column("p"), column(f"{level(LEVEL)} interval", "lower", "upper"),
    )  # fmt: skip
    return Table(code, caption, columns, tuple(made), notes)


def _known(value: float, scale: Scale) -> Cell:
    return Quantity(value, scale) if math.isfinite(value) else NOTHING


def _rows_table(thing: Any, place: int) -> Table:
    """What the room of frames gives as rows; a mean alone is tested against nothing."""
    rows, methods = [], []
    for row in thing.frame_rows(LEVEL):
        words = [value for name, value in row.items() if isinstance(value, str) and name != "interval_method"]
        values = {name: float(row.get(name, math.nan)) for name in _NUMBERS}
        if "adjusted_p_value" in row:
            values["p_value"] = float(row["adjusted_p_value"])
        if isinstance(thing, Means):
            values["statistic"] = values["p_value"] = math.nan
        *numbers, lower, upper = values.values()
        rows.append((", ".join(words), *numbers, Interval(lower, upper, LEVEL, "")))
        methods.append(str(row.get("interval_method", "")))
    notes = [f"Intervals: {method}." for method in dict.fromkeys(methods) if method]
    if adjustment := getattr(thing, "adjustment", ""):
        notes.append(f"Adjustment of p for several contrasts: {adjustment}; intervals are not adjusted.")
    name = "".join(f" {mark.lower()}" if mark.isupper() else mark for mark in type(thing).__name__).strip()
    return _numbers_table(f"{name.replace(' ', '_')}_{place}", capital(name), rows, tuple(notes))


_NUMBERS = ("value", "standard_error", "statistic", "degrees_of_freedom", "p_value", "lower", "upper")
