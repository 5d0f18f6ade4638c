"""Pictures: intervals from the model, labels at the lines, the same bytes each time, readable in grey."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import matplotlib as mpl
import matplotlib.image
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from studykit.errors import ArgumentError
from studykit.outcomes.results import OutcomeResult, StudyResults
from studykit.protocol.types import Protocol
from studykit.report import figures, gallery
from studykit.report.document import Picture
from studykit.report.kind_report import report_of
from studykit.report.numbers import PER_CENT_CHANGE
from studykit.report.report_context import Reading
from studykit.report.style import LOOKS, drawing_style, inline_svg, new_figure, png_bytes, svg_bytes


@pytest.fixture
def ax() -> Axes:
    return new_figure(4.2, 3.2)[1]


def texts(ax: Axes) -> list[str]:
    return [text.get_text().replace("\n", " ") for text in ax.texts]


def overlaps(figure: Figure) -> list[tuple[str, str]]:
    """Pairs of texts in the axes whose boxes cross by more than a hair."""
    figure.draw_without_rendering()
    (ax,) = figure.axes
    boxes = [(text.get_text(), text.get_window_extent()) for text in ax.texts if text.get_text()]
    found = []
    for place, (first, one) in enumerate(boxes):
        for second, other in boxes[place + 1 :]:
            wide = min(one.x1, other.x1) - max(one.x0, other.x0)
            high = min(one.y1, other.y1) - max(one.y0, other.y0)
            if wide > 1.0 and high > 0.25 * min(one.height, other.height):
                found.append((first, second))
    return found


def test_visits_between_whole_weeks_have_short_labels(results: StudyResults, ax: Axes) -> None:
    """Day 61 is a visit of two months: week 8.7, not 8.71429."""
    last = max(mean.day for mean in results.strength.means)
    means = tuple(replace(one, day=61) if one.day == last else one for one in results.strength.means)
    figures.draw_trajectories(replace(results.strength, means=means), ax)
    labels = [label.get_text() for label in ax.get_xticklabels()]
    assert "8.7" in labels
    assert max(map(len, labels)) <= 4


def test_trajectories_draw_the_intervals_of_the_model(results: StudyResults, ax: Axes) -> None:
    figures.draw_trajectories(results.strength, ax, confidence_level=0.9)
    drawn = sorted(
        tuple(np.round(segment[:, 1], 9))
        for collection in ax.collections
        for segment in collection.get_segments()
    )
    intervals = [mean.confidence_interval(0.9) for mean in results.strength.means]
    assert drawn == sorted(tuple(np.round((item.lower, item.upper), 9)) for item in intervals)


def test_lines_carry_their_labels_and_there_is_no_legend(results: StudyResults, ax: Axes) -> None:
    figures.draw_trajectories(results.strength, ax)
    assert {"conventional", "partner reps"} <= set(texts(ax))
    assert ax.get_legend() is None


def test_retention_stops_where_the_result_says_and_shows_numbers_at_risk(
    results: StudyResults, ax: Axes
) -> None:
    """C07: curve with numbers at risk and intervals, cut when few remain."""
    assert results.retention is not None
    curves = tuple(replace(curve, stops_at=120.0) for curve in results.retention.curves)
    figures.draw_retention(replace(results.retention, curves=curves), ax)
    assert max(line.get_xdata().max() for line in ax.lines) == 120.0
    at_risk = {f"{number:.0f}" for curve in curves for number in curve.at_risk}
    assert at_risk & set(texts(ax)) == at_risk
    assert "clients at risk" in texts(ax)


def pictures_of(reading: Reading, outcome: OutcomeResult) -> list[Picture]:
    blocks = report_of(outcome).blocks(reading, outcome)
    return [block.content for block in blocks if isinstance(block.content, Picture)]


def test_effects_show_every_sensitivity_row_with_its_numbers(results: StudyResults, ax: Axes) -> None:
    """C10: main and sensitivity results side by side."""
    figures.draw_effects(results, ax)
    shown = texts(ax)
    rows = figures.on_one_scale(results.strength)
    assert len(rows) == 7
    assert sum("[" in text for text in shown) == len(rows)
    assert any(text.startswith("+3.5 [") for text in shown)


def test_effects_of_another_unit_never_share_the_axis(results: StudyResults) -> None:
    assert results.retention is not None
    units = {estimate.unit for estimate in figures.on_one_scale(results.retention)}
    assert units == {"share"}
    in_kg = replace(results.strength.sensitivity[0], unit="kg", presentation="difference")
    odd = replace(results.strength, sensitivity=(in_kg,))
    assert in_kg not in figures.on_one_scale(odd)


def test_an_infinite_interval_is_told_and_not_drawn(results: StudyResults, ax: Axes) -> None:
    wild = replace(results.strength.primary.estimate, standard_error=np.inf)  # type: ignore[type-var]
    estimate = replace(results.strength.primary, estimate=wild)
    figures.draw_contrasts([estimate], ax, scale=PER_CENT_CHANGE, labels=["wild"])
    assert not [segment for collection in ax.collections for segment in collection.get_segments()]
    assert any("infinity" in text for text in texts(ax))


def test_arms_can_be_told_apart_in_grey_and_by_line_and_marker() -> None:
    grey = [
        0.299 * red + 0.587 * green + 0.114 * blue
        for red, green, blue in (to_rgb(look.ink) for look in LOOKS[:2])
    ]
    assert abs(grey[0] - grey[1]) > 0.15
    for part in ("dashes", "marker"):
        assert len({str(getattr(look, part)) for look in LOOKS}) == len(LOOKS)


@pytest.mark.parametrize(
    "name", ["partner reps", "a very long name of an arm, longer than anybody should choose"]
)
def test_every_picture_is_drawn_without_a_warning_and_without_texts_on_each_other(
    results: StudyResults, protocol: Protocol, name: str
) -> None:
    named = replace(results, arms=(results.arms[0], (results.arms[1][0], name)))
    reading = Reading(named, protocol)
    assert named.retention is not None
    pictures = [
        *pictures_of(reading, named.retention),
        *pictures_of(reading, named.strength),
        gallery.delivery_picture(reading),
    ]
    for picture in pictures:
        assert picture is not None
        assert picture.figure is not None
        assert overlaps(picture.figure) == [], picture.code
        assert png_bytes(picture.figure)


def test_long_labels_of_their_own_do_not_collapse_a_figure(results: StudyResults) -> None:
    """Found on the demo study: a long label beside a curve left no room for the axes."""
    figure, ax = new_figure(4.2, 3.7)
    assert results.retention is not None
    figures.draw_retention(
        results.retention, ax, names={"partner_reps": "conventional sets, then partner reps"}
    )
    figure.draw_without_rendering()
    assert ax.get_window_extent().width > 0.4 * figure.bbox.width


def test_same_result_same_bytes(results: StudyResults, protocol: Protocol) -> None:
    """Ask 8.3: SVG and PNG are the same bytes in two runs."""
    first, second = (pictures_of(Reading(results, protocol), results.strength)[0] for _ in range(2))
    assert first.figure is not None
    assert second.figure is not None
    assert svg_bytes(first.figure) == svg_bytes(second.figure)
    assert png_bytes(first.figure) == png_bytes(second.figure)
    assert b"<dc:date>" not in svg_bytes(first.figure)


def test_a_png_has_300_dots_an_inch_and_no_date(results: StudyResults, protocol: Protocol) -> None:
    picture = gallery.delivery_picture(Reading(results, protocol))
    assert picture is not None
    assert picture.figure is not None
    content = png_bytes(picture.figure)
    height, width = matplotlib.image.imread(io.BytesIO(content)).shape[:2]
    inches = picture.figure.get_size_inches()
    assert (width, height) == (round(300 * inches[0]), round(300 * inches[1]))
    assert b"tIME" not in content
    assert b"studykit" in content


def test_the_users_own_settings_come_back() -> None:
    before = dict(mpl.rcParams)
    with drawing_style():
        assert mpl.rcParams["svg.hashsalt"] == "studykit"
    assert dict(mpl.rcParams) == before


def test_no_window_and_no_open_figure_is_left(results: StudyResults, protocol: Protocol) -> None:
    from matplotlib import pyplot as plt

    pictures_of(Reading(results, protocol), results.strength)
    assert plt.get_fignums() == []


def test_a_picture_inside_a_page_has_a_label_that_is_escaped() -> None:
    figure, _ = new_figure(1.0, 1.0)
    svg = inline_svg(figure, label='<b>&"')
    assert 'aria-label="&lt;b&gt;&amp;&#34;"' in svg
    assert svg.startswith("<svg role=")


@pytest.mark.parametrize(
    ("draw", "expected"),
    [
        (figures.draw_trajectories, "draw_trajectories: expected ContinuousResult; found str"),
        (figures.draw_retention, "draw_retention: expected RetentionResult; found str"),
        (figures.draw_effects, "draw_effects: expected StudyResults; found str"),
        (figures.draw_delivery, "draw_delivery: expected DeliveryResult; found str"),
        (figures.draw_answers, "draw_answers: expected LookBack; found str"),
    ],
)
def test_what_cannot_be_drawn_is_refused(draw: Any, expected: str) -> None:
    _, ax = new_figure(3.0, 2.0)
    with pytest.raises(ArgumentError, match=expected):
        draw("strength", ax)


def test_axes_and_labels_are_needed(results: StudyResults) -> None:
    with pytest.raises(ArgumentError, match="draw_trajectories: expected matplotlib axes to draw into"):
        figures.draw_trajectories(results.strength, None)  # type: ignore[arg-type]
    _, ax = new_figure(3.0, 2.0)
    with pytest.raises(ArgumentError, match="draw_contrasts: expected 1 labels; found 2"):
        figures.draw_contrasts([results.strength.primary], ax, scale=PER_CENT_CHANGE, labels=["a", "b"])
