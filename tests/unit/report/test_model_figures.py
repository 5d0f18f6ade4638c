"""Pictures of a model from a data frame."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

import studykit as sk
from studykit.errors import ArgumentError
from studykit.frames import FrameFit


@pytest.fixture(scope="module")
def fit() -> FrameFit:
    rng = np.random.default_rng(11)
    client = np.repeat([f"C{place:02d}" for place in range(12)], 3)
    visit = np.tile(["before", "week 6", "week 12"], 12)
    arm = np.repeat(["plain", "added"] * 6, 3)
    gain = np.tile([0.0, 2.0, 4.0], 12) * np.where(arm == "added", 1.05, 1.0)  # lines close together
    load = 60 + np.repeat(rng.normal(0, 4, 12), 3) + gain + rng.normal(0, 1, 36)
    frame = pd.DataFrame({"client": client, "visit": visit, "arm": arm, "load": load})
    return sk.fit_frame(
        frame, outcome="load", fixed=["arm", "visit", ("arm", "visit")], random={"client": ["intercept"]},
        reference={"arm": "plain", "visit": "before"},
    )  # fmt: skip


def drawn(fit: FrameFit) -> tuple[plt.Figure, list[list[Text]]]:
    """Both pictures on ordinary axes beside each other, and their texts inside the axes."""
    figure, axes = plt.subplots(1, 2, figsize=(6, 4))
    sk.figures.draw_interaction(fit.means("arm", by="visit"), axes[0], unit="kg")
    sk.figures.draw_residuals(fit, axes[1], unit="kg")
    figure.canvas.draw()
    return figure, [list(ax.texts) for ax in axes]


def test_labels_stay_inside_ordinary_axes_and_apart(fit: FrameFit) -> None:
    figure, texts = drawn(fit)
    for ax, labels in zip(figure.axes, texts, strict=True):
        assert labels
        frame = ax.get_window_extent()
        boxes = [label.get_window_extent() for label in labels]
        for box in boxes:
            assert frame.x0 <= box.x0 <= box.x1 <= frame.x1
    arms = [label.get_window_extent() for label in texts[0]]
    assert not arms[0].overlaps(arms[1])
    plt.close(figure)


def test_what_is_drawn_are_the_means_and_their_intervals(fit: FrameFit) -> None:
    figure, texts = drawn(fit)
    means = fit.means("arm", by="visit")
    assert {label.get_text() for label in texts[0]} == {"plain", "added"}
    heights = {round(float(y), 9) for line in figure.axes[0].lines for y in line.get_ydata()}
    assert heights == {round(row.value, 9) for row in means.rows}
    worst = fit.residuals(conditional=True).abs().nlargest(3).index
    assert {label.get_text() for label in texts[1]} == {str(label) for label in worst}
    plt.close(figure)


def test_means_of_one_column_are_no_interaction(fit: FrameFit) -> None:
    figure, ax = plt.subplots()
    with pytest.raises(ArgumentError, match="means of one column within one other; found means by arm"):
        sk.figures.draw_interaction(fit.means("arm"), ax)
    plt.close(figure)
