"""The list of references: which sources a manuscript rests on, and how they are cited and listed (APA 9)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from studykit.writeup.manuscript import ITALIC


@dataclass(frozen=True, slots=True)
class Reference:
    """One source: fields as in the file of references."""

    key: str
    fields: tuple[tuple[str, str], ...]

    def field(self, name: str) -> str:
        """A field, or nothing."""
        return dict(self.fields).get(name, "")

    @property
    def authors(self) -> tuple[str, ...]:
        """Authors, last name first; ``others`` stands for all between the nineteenth and the last."""
        return tuple(self.field("author").split(" and "))

    def cited(self) -> str:
        """As it stands in a sentence, in round brackets.

        Examples
        --------
        >>> holm = next(item for item in shipped_references() if item.key == "holm1979")
        >>> holm.cited()
        'Holm, 1979'
        """
        names = [author.partition(",")[0] for author in self.authors]
        shown = (
            names[0] if len(names) == 1 else " & ".join(names) if len(names) == 2 else f"{names[0]} et al."
        )
        return f"{shown}, {self.field('year')}"

    def listed(self) -> str:
        """As it stands in the list; titles between the marks of italics."""
        issue = f"({self.field('number')})" if self.field("number") else ""
        title = f"{self.field('title')}." if self.field("title")[-1] not in "?!" else self.field("title")
        source = f"{ITALIC}{self.field('journal')}, {self.field('volume')}{ITALIC}{issue}"
        link = f" https://doi.org/{self.field('doi')}" if self.field("doi") else ""
        return f"{self._named()} ({self.field('year')}). {title} {source}, {self.field('pages')}.{link}"

    def _named(self) -> str:
        names = self.authors
        if "others" in names:  # more than 20: the first 19, a gap, the last (APA 9.8)
            return ", ".join(names).replace("others,", ". . .")
        return ", & ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else names[0]

    def wanted_by(self, text: str) -> bool:
        """Whether the manuscript speaks of what the source is cited for."""
        words = [word.strip() for word in self.field("keywords").split(";")]
        return any(word == "always" or word in text for word in words)


@cache
def shipped_references() -> tuple[Reference, ...]:
    """Every source of the file of references, by author and year."""
    text = (files("studykit.writeup") / "references.bib").read_text(encoding="utf-8")
    found = [_entry(*match.groups()) for match in re.finditer(r"@\w+\{(\w+),\n(.*?)\n\}", text, re.DOTALL)]
    return tuple(sorted(found, key=lambda item: (item.field("author"), item.field("year"))))


def _entry(key: str, body: str) -> Reference:
    pairs = re.findall(r"(\w+) = \{(.*?)\},?$", body, re.MULTILINE)
    return Reference(key, tuple((name, _plain(value)) for name, value in pairs))


def _plain(value: str) -> str:
    return value.replace(r"\&", "&").replace("--", "\u2013")


def sources_of(texts: Iterable[str]) -> tuple[Reference, ...]:
    """The sources that a text rests on."""
    text = "\n".join(texts)
    return tuple(item for item in shipped_references() if item.wanted_by(text))


def citing_sentence(sources: Iterable[Reference]) -> str:
    """One sentence that cites every source for what it gives."""
    told = [f"{item.field('for')} ({item.cited()})" for item in sources]
    return f"Sources: {'; '.join(told)}." if told else ""
