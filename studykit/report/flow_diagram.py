"""The flow of clients as our own SVG text; every box must add up before it is drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import escape

from studykit.outcomes.flow import check_identities
from studykit.outcomes.results import Counts, FlowArm, FlowResult
from studykit.report.numbers import plural

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH = 360.0  # one phone; the picture scales with the page
_LINE = 14.0
_SIZE = 11.0
_PAD = 8.0
_GAP = 16.0
_LETTER = 0.565  # width of an average letter over the size of the type, with room to spare
_INK, _SOFT, _FRAME = "#26221d", "#8b8478", "#b9b1a3"


@dataclass(frozen=True, slots=True)
class _Box:
    x: float
    y: float
    width: float
    lines: tuple[tuple[str, bool], ...]  # text, bold
    dashed: bool = False

    @property
    def height(self) -> float:
        return len(self.lines) * _LINE + 2 * _PAD

    @property
    def bottom(self) -> float:
        return self.y + self.height

    @property
    def middle(self) -> float:
        return self.x + self.width / 2


def _total(counts: Counts) -> int:
    return sum(count for _, count in counts)


def draw_flow(flow: FlowResult, *, names: Mapping[str, str] | None = None) -> str:
    """The flow diagram as SVG text, for a page or a file.

    Parameters
    ----------
    flow : FlowResult
    names : mapping of str to str, optional
        Names of arms, and of visits named in reasons, by code.

    Raises
    ------
    StudykitError
        If the numbers do not add up.
    """
    boxes, links, height = _placed(flow, dict(names or {}))
    return _svg(boxes, links, height, flow)


def flow_figure(flow: FlowResult, *, names: Mapping[str, str] | None = None) -> Figure:
    """The same diagram as a figure, for files that take no SVG.

    Raises
    ------
    StudykitError
        If the numbers do not add up.
    """
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    boxes, links, height = _placed(flow, dict(names or {}))
    inches = 5.0 / _WIDTH
    figure = Figure(figsize=(5.0, height * inches))
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    ax.set(xlim=(0.0, _WIDTH), ylim=(height, 0.0))
    ax.set_axis_off()
    for start, end in links:
        ax.plot(*zip(*_corners(start, end), strict=True), color=_SOFT, linewidth=1.0)
    for box in boxes:
        style = "--" if box.dashed else "-"
        ax.add_patch(
            Rectangle((box.x, box.y), box.width, box.height, facecolor="white", edgecolor=_FRAME, ls=style)
        )
        for place, (text, bold) in enumerate(box.lines):
            y, weight = box.y + _PAD + (place + 0.78) * _LINE, "bold" if bold else "normal"
            # A dollar sign would begin mathematics; the font is some 12 % wider than that of a page.
            ax.text(
                box.x + _PAD, y, text, fontsize=0.86 * _SIZE * inches * 72.0, fontweight=weight, color=_INK,
                parse_math=False,
            )  # fmt: skip
    return figure


def _placed(flow: FlowResult, known: dict[str, str]) -> tuple[list[_Box], list[tuple[_Box, _Box]], float]:
    """Boxes, what links them, and the height of the whole."""
    check_identities(flow)
    boxes: list[_Box] = []
    links: list[tuple[_Box, _Box]] = []
    top = 1.0
    if flow.assessed is not None:
        assessed = _box(1.0, top, 150.0, [(f"Assessed: {flow.assessed}", True)])
        reasons = [(f"Excluded: {_total(flow.excluded)}", True), *_reasons(flow.excluded)]
        excluded = _box(176.0, top, _WIDTH - 177.0, reasons, dashed=True)
        boxes += [assessed, excluded]
        links.append((assessed, excluded))
        top = max(assessed.bottom, excluded.bottom) + _GAP
    allocated = _box(80.0, top, 200.0, [(f"Allocated: {flow.allocated}", True)])
    if boxes:
        links.append((boxes[0], allocated))
    boxes.append(allocated)
    top = allocated.bottom + _GAP + 4
    width = (_WIDTH - 2.0 - 8.0 * (len(flow.arms) - 1)) / len(flow.arms)
    columns = [_arm_boxes(arm, known.get(arm.arm, arm.arm.replace("_", " ")), flow=flow) for arm in flow.arms]
    columns = [[[(_named(text, known), bold) for text, bold in box] for box in column] for column in columns]
    above: list[_Box] = [allocated] * len(columns)
    for stage in range(len(columns[0])):
        row = [
            _box(1.0 + place * (width + 8.0), top, width, column[stage])
            for place, column in enumerate(columns)
        ]
        tallest = max(box.height for box in row)
        links += list(zip(above, row, strict=True))
        boxes += row
        above, top = row, top + tallest + _GAP
    return boxes, links, top - _GAP + 1.0


def _arm_boxes(arm: FlowArm, name: str, *, flow: FlowResult) -> list[list[tuple[str, bool]]]:
    received = f"received it: {arm.received}" if flow.sessions_known else "who received it is not recorded"
    first = [(f"{name}: {arm.allocated}", True), (received, False)]
    first += _some("did not receive it", arm.not_received)
    if arm.trainers:
        median, least, most = arm.clients_per_trainer
        first.append(
            (f"{plural(arm.trainers, 'trainer')}, clients each: median {median:g} ({least} to {most})", False)
        )
    second = [
        *_some("Stopped the programme", arm.stopped, always=flow.departures_known),
        *_some("Lost", arm.lost, always=True),
    ]
    third: list[tuple[str, bool]] = [("Analysed", True)]
    for outcome in arm.outcomes:
        measured = outcome.measured
        told = "" if measured is None else f", of whom {measured} measured at the primary visit"
        third.append((f"{outcome.name}: {outcome.analysed}{told}", False))
        third += _some("not analysed", outcome.not_analysed)
    return [first, second, third]


def _named(text: str, names: Mapping[str, str]) -> str:
    """Codes that are no plain words replaced by their names, the longest first."""
    for code in sorted((code for code in names if "_" in code), key=len, reverse=True):
        text = text.replace(code, names[code])
    return text


def _some(title: str, counts: Counts, *, always: bool = False) -> list[tuple[str, bool]]:
    total = _total(counts)
    if not total and not always:
        return []
    return [(f"{title}: {total}", False), *_reasons(counts)]


def _reasons(counts: Counts) -> list[tuple[str, bool]]:
    return [(f"– {reason} {count}", False) for reason, count in counts if count]


def _box(
    x: float, y: float, width: float, lines: Sequence[tuple[str, bool]], *, dashed: bool = False
) -> _Box:
    room = width - 2 * _PAD
    wrapped = tuple((piece, bold) for text, bold in lines for piece in _wrap(text, room, bold))
    return _Box(x, y, width, wrapped, dashed)


def _wrap(text: str, room: float, bold: bool) -> list[str]:
    most = max(6, int(room / (_SIZE * _LETTER * (1.08 if bold else 1.0))))
    lines, line = [], ""
    for word in text.split():
        while len(word) > most:
            if line:
                lines.append(line)
                line = ""
            lines.append(word[:most])
            word = word[most:]
        if line and len(line) + 1 + len(word) > most:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}" if line else word
    return [*lines, line] if line else lines


def _svg(boxes: Sequence[_Box], links: Sequence[tuple[_Box, _Box]], height: float, flow: FlowResult) -> str:
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" role="img" '
        f'aria-label="Flow of clients: {flow.allocated} allocated" font-family="system-ui, sans-serif" '
        f'font-size="{_SIZE:g}" fill="{_INK}">'
    )
    parts = [head]
    for start, end in links:
        parts.append(f'<path d="{_route(start, end)}" fill="none" stroke="{_SOFT}" stroke-width="1.2"/>')
    for box in boxes:
        dash = ' stroke-dasharray="3 3"' if box.dashed else ""
        parts.append(
            f'<rect x="{box.x:g}" y="{box.y:g}" width="{box.width:g}" height="{box.height:g}" fill="#fff" '
            f'stroke="{_FRAME}"{dash}/>'
        )
        for place, (text, bold) in enumerate(box.lines):
            weight = ' font-weight="600"' if bold else ""
            y = box.y + _PAD + (place + 0.78) * _LINE
            parts.append(f'<text x="{box.x + _PAD:g}" y="{y:g}"{weight}>{escape(text)}</text>')
    parts.append("</svg>")
    return "\n".join(parts)


def _route(start: _Box, end: _Box) -> str:
    (x, y), *others = _corners(start, end)
    path = f"M{x:g} {y:g}"
    for x_next, y_next in others:
        path += f"H{x_next:g}" if y_next == y else f"V{y_next:g}"
        y = y_next
    return path


def _corners(start: _Box, end: _Box) -> list[tuple[float, float]]:
    """Where the line between two boxes begins, bends and ends."""
    if end.dashed:
        y = start.y + min(start.height, end.height) / 2
        return [(start.x + start.width, y), (end.x, y)]
    half = start.bottom + (end.y - start.bottom) / 2 if end.y - start.bottom < 30 else end.y - _GAP / 2
    return [(start.middle, start.bottom), (start.middle, half), (end.middle, half), (end.middle, end.y)]
