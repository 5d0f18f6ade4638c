"""Reading ease: words a sentence, and the automated readability index (Smith and Senter 1967).

4.71 characters a word + 0.5 words a sentence - 21.43; about the school year in which a text is understood.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from html.parser import HTMLParser

BLOCKS = frozenset({"p", "li", "dt", "dd", "summary"})
QUOTED = frozenset({"blockquote", "table", "style", "svg", "script", "title", "h1", "h2", "h3", "b"})


@dataclass(frozen=True)
class Ease:
    """Of one page: mean and most words a sentence, index, and the longest sentence."""

    average: float
    most: int
    index: float
    longest: str


def sentences(text: str) -> list[str]:
    """Sentences of a text; a colon ends none, a line without a full stop is one."""
    return [part for part in re.split(r"(?<=[.!?])[”\"]?\s+", text.strip()) if re.search(r"\w", part)]


def words_of(sentence: str) -> list[str]:
    """Words, numbers among them; signs between are none."""
    return re.findall(r"[\w'’-]*\w[\w'’-]*", sentence)


def ease_of(texts: list[str]) -> Ease:
    """Of texts, each ending its last sentence."""
    counted = [(sentence, words_of(sentence)) for text in texts for sentence in sentences(text)]
    counted = [(sentence, words) for sentence, words in counted if words]
    words = sum(len(own) for _, own in counted)
    letters = sum(sum(character.isalnum() for character in word) for _, own in counted for word in own)
    longest = max(counted, key=lambda pair: len(pair[1]))
    average = words / len(counted)
    return Ease(average, len(longest[1]), 4.71 * letters / words + 0.5 * average - 21.43, longest[0])


class _Texts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.quoted = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        del attrs
        self.quoted += tag in QUOTED
        if tag in BLOCKS and not self.quoted:
            self.found.append("")

    def handle_endtag(self, tag: str) -> None:
        self.quoted -= tag in QUOTED
        if tag in BLOCKS and not self.quoted:
            self.found.append("")

    def handle_data(self, data: str) -> None:
        if not self.quoted and self.found:
            self.found[-1] += data


def page_texts(html: str) -> list[str]:
    """What a page says in its own words: no headings, tables or boxes, and no quoted protocol."""
    reader = _Texts()
    reader.feed(html)
    return [" ".join(text.split()) for text in reader.found if text.strip()]
