"""How our pictures look: ink, line styles and sizes, and how they are written to files.

Arms differ by line style, marker, weight and label, and by the lightness of the ink, so that they
can be told apart in grey. Files of one picture are the same bytes each time: fixed hash salt, no
dates, fixed metadata.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studykit.errors import ArgumentError

INK = "#26221d"
SOFT = "#8b8478"
FAINT = "#ded8cc"
PAPER = "#ffffff"


@dataclass(frozen=True, slots=True)
class ArmLook:
    """How one arm is drawn."""

    ink: str
    dashes: Any
    marker: str
    filled: bool


LOOKS = (
    ArmLook("#9a6b2f", (0, (5, 2)), "s", False),
    ArmLook("#17404f", "-", "o", True),
    ArmLook("#7a4b6d", (0, (1, 1.6)), "D", True),
    ArmLook("#5d6b2f", (0, (6, 2, 1, 2)), "^", False),
)
"""The reference arm first."""


def look(place: int) -> ArmLook:
    """The look of the arm at this place; it starts again after the last."""
    return LOOKS[place % len(LOOKS)]


WIDE = 4.2  # inches: type keeps its size on a phone and is not coarse on paper
_SETTINGS = {
    "svg.hashsalt": "studykit",
    "svg.fonttype": "path",
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.facecolor": PAPER,
    "axes.axisbelow": True,
    "axes.grid": False,
    "axes.spines.left": True,
    "axes.spines.bottom": True,
    "lines.solid_capstyle": "round",
    "patch.edgecolor": PAPER,
    "patch.force_edgecolor": True,
    "xtick.bottom": False,
    "xtick.top": False,
    "xtick.direction": "out",
    "ytick.left": False,
    "ytick.right": False,
    "ytick.direction": "out",
    "axes.titlesize": 10.0,
    "axes.labelsize": 9.0,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.color": INK,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "lines.linewidth": 1.8,
}


def check_drawable(where: str, axes: object, result: object, *kinds: type) -> None:
    """Refuse what a drawing function cannot draw, before anything is drawn.

    Raises
    ------
    ArgumentError
        If ``axes`` is no axes, or ``result`` is none of ``kinds``.
    """
    if not isinstance(result, kinds):
        raise ArgumentError(
            where=where, expected=" or ".join(kind.__name__ for kind in kinds), got=type(result).__name__,
            todo="Give that part of the results.",
        )  # fmt: skip
    if not isinstance(axes, Axes):
        raise ArgumentError(
            where=where, expected="matplotlib axes to draw into", got=type(axes).__name__,
            todo="Make them first, for example: figure, ax = plt.subplots().",
        )  # fmt: skip


@contextmanager
def drawing_style() -> Iterator[None]:
    """Our settings, whatever the user's own are; the user's come back afterwards."""
    with mpl.rc_context():
        mpl.rcParams.update(_SETTINGS)
        yield


def new_figure(width: float, height: float) -> tuple[Figure, Axes]:
    """A figure in inches that no window knows of, so that there is nothing to close and nothing leaks."""
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.add_subplot()


def svg_bytes(figure: Figure) -> bytes:
    """The figure as SVG, without a date."""
    stream = io.BytesIO()
    with drawing_style():
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": "studykit"})
    return stream.getvalue()


_DRAWN: WeakKeyDictionary[Figure, bytes] = WeakKeyDictionary()


def svg_of_finished(figure: Figure) -> bytes:
    """The SVG of a figure that nobody draws into any more: drawn once, for the page and for the file."""
    if figure not in _DRAWN:
        _DRAWN[figure] = svg_bytes(figure)
    return _DRAWN[figure]


def png_bytes(figure: Figure) -> bytes:
    """The figure as PNG with 300 dots an inch, without a date.

    A finished figure keeps the places that its SVG found: to look for them again takes a third of the time.
    """
    stream = io.BytesIO()
    if figure in _DRAWN:
        figure.set_layout_engine("none")
    with drawing_style():
        figure.savefig(
            stream, format="png", dpi=300, metadata={"Software": "studykit"}, pil_kwargs={"compress_level": 4}
        )
    return stream.getvalue()


def inline_svg(figure: Figure, *, label: str) -> str:
    """The figure as SVG text for a page: no XML head, scaled to the width of the page, with a label."""
    from markupsafe import escape

    text = svg_of_finished(figure).decode("utf-8")
    text = text[text.index("<svg") :]
    metadata_start, metadata_end = text.find("<metadata>"), text.find("</metadata>")
    if metadata_start >= 0:
        text = text[:metadata_start] + text[metadata_end + len("</metadata>") :]
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(label)}" ', 1).strip()
