"""How well the model of a continuous outcome fits: the section near the end of a report."""

from __future__ import annotations

import math
from collections.abc import Callable

from matplotlib.figure import Figure

from studykit.kinds.continuous.results import ContinuousResult, ModelCheck
from studykit.kinds.continuous.scales import contrast_scale
from studykit.mixed import Influence, NormalQuantiles
from studykit.report.document import Picture
from studykit.report.fit_figures import draw_influence, draw_normal_quantiles, draw_variance_profile
from studykit.report.numbers import level, number
from studykit.report.report_context import Reading, capital
from studykit.report.style import WIDE, drawing_style, new_figure

ACROSS = 2  # small pictures beside each other


def fit_sentences(reading: Reading, outcome: ContinuousResult) -> tuple[str, ...]:
    """What happens to the contrast without any one client or trainer; what could not be looked at."""
    if outcome.check is None:
        return ()
    sentences = [_left_out(reading, outcome, who, part) for who, part in outcome.check.left_out]
    return (*filter(None, sentences), *map(reading.named, outcome.check.remarks))


def _left_out(reading: Reading, outcome: ContinuousResult, who: str, influence: Influence) -> str:
    values = influence.contrast_values
    if values is None or not influence.refits.used:
        return ""
    scale = contrast_scale(reading, outcome)
    seen = [_natural(outcome)(float(value)) for value in values if math.isfinite(value)]
    low, high = scale.text(min(seen), signed=True), scale.text(max(seen), signed=True)
    label, change = influence.largest()
    size = number(abs(change), 2)
    return (
        f"With one {who} left out, the difference lies between {low} and {high}; {who} {label} moves it "
        f"most, by {size} of its standard error."
    )


def _natural(outcome: ContinuousResult) -> Callable[[float], float]:
    """From the scale of the analysis to the value that the report's scale shows."""
    return math.exp if outcome.scale == "log" else float


def fit_pictures(reading: Reading, outcome: ContinuousResult) -> tuple[Picture, ...]:
    """Leaving out, quantiles, profiles; those for which there is something to draw."""
    check = outcome.check
    if check is None:
        return ()
    found = [_influence_picture(reading, outcome, who, part) for who, part in check.left_out]
    found.append(_quantiles_picture(reading, outcome, check.quantiles))
    found.append(_profiles_picture(reading, outcome, check))
    return tuple(picture for picture in found if picture is not None)


def _influence_picture(
    reading: Reading, outcome: ContinuousResult, who: str, influence: Influence
) -> Picture | None:
    if not influence.refits.used:
        return None
    scale, natural = contrast_scale(reading, outcome), _natural(outcome)
    rows = influence.refits.used
    with drawing_style():
        figure, ax = new_figure(WIDE, 1.5 + min(0.2 * rows, 2.2))
        draw_influence(
            influence,
            ax,
            who=who,
            unit=scale.unit,
            shown=lambda value: scale.shown(natural(value)),
            confidence_level=reading.results.confidence_level,
        )
    return Picture(
        f"{outcome.code}_without_each_{who}",
        f"The difference in {outcome.name} without each {who} in turn, sorted; the model is fitted again "
        f"each time. Grey: {level(reading.results.confidence_level)} interval with everybody.",
        figure,
    )


def _quantiles_picture(
    reading: Reading, outcome: ContinuousResult, quantiles: tuple[NormalQuantiles, ...]
) -> Picture | None:
    if not quantiles:
        return None
    with drawing_style():
        figure = _grid(len(quantiles))
        for ax, one in zip(figure.axes, quantiles, strict=True):
            draw_normal_quantiles(one, ax, label=reading.named(one.what), named=one.what != "residuals")
    return Picture(
        f"{outcome.code}_normal_quantiles",
        f"{capital(outcome.name)}: residuals and predictions against a normal distribution. On the grey line "
        "they would be normal; single points far from it are worth a look at the records.",
        figure,
    )


def _profiles_picture(reading: Reading, outcome: ContinuousResult, check: ModelCheck) -> Picture | None:
    if not check.profiles:
        return None
    log = outcome.scale == "log"
    unit, factor = ("%", 100.0) if log else (outcome.unit, 1.0)
    with drawing_style():
        figure = _grid(len(check.profiles))
        for ax, (name, profile, interval) in zip(figure.axes, check.profiles, strict=True):
            label = f"{reading.named(name)}: standard deviation"
            draw_variance_profile(profile, ax, interval=interval, label=label, unit=unit, factor=factor)
    return Picture(
        f"{outcome.code}_spread_profiles",
        f"How well other standard deviations in the model of {outcome.name} would fit: the diamond fits "
        "best, the bar is the interval. Where it begins at zero, this spread may not exist at all.",
        figure,
    )


def _grid(count: int) -> Figure:
    """As many small axes as there is something to draw."""
    across = min(ACROSS, count)
    down = math.ceil(count / across)
    figure = Figure(figsize=(WIDE * across / ACROSS * 1.3, 2.1 * down), layout="constrained")
    for place in range(count):
        figure.add_subplot(down, across, place + 1)
    return figure
