"""A page as values, in two depths: one screen to act on, then sections that unfold; written as one HTML file.

The file needs no network. Its only script unfolds everything before printing, for browsers whose paper the
style sheet cannot unfold. Everything that comes from people is escaped by the template.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from markupsafe import Markup

from studykit.report.tables import Table, to_html
from studykit.results import FirstScreen as FirstScreen

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Kind = Literal["lead", "paragraph", "heading", "list", "notice", "table", "picture"]


@dataclass(frozen=True, slots=True)
class Picture:
    """One figure with its file name and what a reader must know to read it.

    ``figure`` is None for the flow diagram, which is text already (``svg``).
    """

    code: str
    caption: str
    figure: Figure | None
    svg: str = ""


@dataclass(frozen=True, slots=True)
class Block:
    """One piece of a section; ``content`` fits ``kind``."""

    kind: Kind
    content: str | tuple[str, ...] | Table | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a page, with an anchor of its own; folded on a screen, unfolded on paper.

    Numbers with their intervals, which follow the first screen, are not folded.
    """

    code: str
    title: str
    blocks: tuple[Block, ...]
    folded: bool = True


@dataclass(frozen=True, slots=True)
class Document:
    """A whole page; ``facts`` stand in small type below the first screen."""

    title: str
    subtitle: str
    facts: tuple[str, ...]
    sections: tuple[Section, ...]
    closing: str
    first: FirstScreen | None = None


def paragraphs(*texts: str) -> tuple[Block, ...]:
    """A block for every text that is not empty."""
    return tuple(Block("paragraph", text) for text in texts if text)


def tables(*found: Table | None) -> tuple[Block, ...]:
    """A block for every table there is."""
    return tuple(Block("table", table) for table in found if table is not None)


def pictures(*found: Picture | None) -> tuple[Block, ...]:
    """A block for every picture there is."""
    return tuple(Block("picture", picture) for picture in found if picture is not None)


def render_document(document: Document) -> str:
    """The page as HTML text."""
    from studykit.report.rendering import render_page

    return render_page("page.html.j2", document=document, table=to_html, drawing=_drawing)


def _drawing(picture: Picture) -> Markup:
    """The picture inside the page; its own names do not clash with those of other pictures."""
    from studykit.report.style import inline_svg

    svg = picture.svg or inline_svg(picture.figure, label=picture.caption)  # type: ignore[arg-type]
    svg = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", svg).replace("xlink:href", "href")
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{picture.code}-\1"', svg)
    svg = re.sub(r'href="#', f'href="#{picture.code}-', svg)
    return Markup(re.sub(r"url\(#", f"url(#{picture.code}-", svg))  # noqa: S704 — our own drawing, texts escaped in it
