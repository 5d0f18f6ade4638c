"""Characters that nobody sees: controls, marks for the direction of writing, separators of lines.

They can make a code or a reason read as another one. They are refused where something is entered, and
written out wherever text goes to a terminal or a page.
"""

from __future__ import annotations

import unicodedata

_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})  # The Unicode Standard, chapter 4.5


def unseen_mark(text: str) -> str:
    r"""The first character of a text that nobody sees, as it is written out; ``""`` where there is none.

    Examples
    --------
    >>> unseen_mark("C014"), unseen_mark("C0\u202e14")
    ('', '\\u202e')
    """
    if text.isprintable():
        return ""
    return next((_written_out(mark) for mark in text if unicodedata.category(mark) in _CATEGORIES), "")


def visible(text: str) -> str:
    r"""The text with such characters written out, as JSON writes them; ends of lines stay.

    Examples
    --------
    >>> print(visible("C0\x1b[2J\u202e14\nC015"))
    C0\u001b[2J\u202e14
    C015
    """
    if text.replace("\n", "").isprintable():
        return text
    return "".join(
        _written_out(mark) if mark != "\n" and unicodedata.category(mark) in _CATEGORIES else mark
        for mark in text
    )


def _written_out(mark: str) -> str:
    units = mark.encode("utf-16-be", "surrogatepass").hex()
    return "".join(f"\\u{units[start : start + 4]}" for start in range(0, len(units), 4))
