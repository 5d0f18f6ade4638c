"""Identifiers that would name a person: refused wherever a code is wanted."""

from __future__ import annotations

import re

from studykit.unseen import unseen_mark

_MAIL = re.compile(r"\S+@\S+")
_TELEPHONE_MARKS = re.compile(r"[ ()/.\-]")
_WORD = r"[^\W\d_]"
_NAME_PARTS = re.compile(
    rf"{_WORD}{{2,}}([ ,.']+{_WORD}+\.?|[_\-]{_WORD}{{2,}})+"
    rf"|({_WORD}\.?[ ']+)+{_WORD}{{2,}}|{_WORD}\.{_WORD}{{2,}}"
)
_SINGLE_NAME = re.compile(rf"{_WORD}{{3,}}")
_LONGEST = 40


def personal_mark(text: str, *, person: bool = True) -> str:
    """What makes an identifier look like personal data, ``""`` where nothing does.

    Parameters
    ----------
    text : str
        The identifier, without blanks around it.
    person : bool
        Whether it stands for a person. Codes of visits and exercises may be plain words, codes of
        people may not: they carry a digit, or are capitals only.

    Examples
    --------
    >>> personal_mark("C014"), personal_mark("AS"), personal_mark("leg_press", person=False)
    ('', '', '')
    >>> personal_mark("Petra"), personal_mark("p.kohl@post.example"), personal_mark("+44 20 7946 0000")
    ('a name', 'an e-mail address', 'a telephone number')
    """
    if _MAIL.search(text):
        return "an e-mail address"
    if _is_telephone(text):
        return "a telephone number"
    if person and (_NAME_PARTS.fullmatch(text) or _is_word(text)):
        return "a name"
    return ""


def code_trouble(text: str) -> str:
    """Why the text cannot be a code at all, ``""`` where it can.

    Examples
    --------
    >>> code_trouble("week 12"), code_trouble("week_12")
    ('a blank inside', '')
    """
    if len(text) > _LONGEST:
        return f"more than {_LONGEST} characters"
    if re.search(r"\s", text):
        return "a blank inside"
    return "a mark inside that nobody sees" if unseen_mark(text) else ""


def _is_word(text: str) -> bool:
    return bool(_SINGLE_NAME.fullmatch(text)) and text != text.upper()


def _is_telephone(text: str) -> bool:
    """Nine digits or more, or seven with the marks people put into telephone numbers."""
    bare = _TELEPHONE_MARKS.sub("", text)
    digits = bare.removeprefix("+")
    if not (digits.isascii() and digits.isdigit()):
        return False
    marked = bare.startswith("+") or bare != text
    return len(digits) >= (7 if marked else 9)
