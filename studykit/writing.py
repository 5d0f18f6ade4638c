"""Commands for those who write: a text held to the rules of wording."""

from __future__ import annotations

import argparse

from studykit import commands as c
from studykit import options as o


def wording(arguments: argparse.Namespace) -> int:
    """Hold your own text to the rules of wording: the place, the rule, a better sentence."""
    from studykit.writeup.wording import check_wording_file

    drawn = {"": None, "yes": True, "no": False}[arguments.randomised]
    places = check_wording_file(arguments.file, randomised=drawn)
    ends = "It breaks no rule that a program can test; whether it is right, a person must say."
    if places:
        many = "one place" if len(places) == 1 else f"{len(places)} places"
        ends = f"{many} to look at. A rule sees words, not meaning: where it is wrong, leave the sentence."
    text = "\n\n".join((*(place.text() for place in places), ends))
    c.show(arguments, {"file": str(arguments.file), "places": places}, text)
    return c.ATTENTION if places else c.DONE


def preregister(arguments: argparse.Namespace) -> int:
    """Write the text for a register and the analysis plan, from the protocol, before the data."""
    from studykit.study import Study

    path = Study.open(arguments.study).write_before_data()
    c.show(arguments, {"document": str(path)}, f"Text for a register, and analysis plan by items: {path}")
    return c.DONE


COMMANDS = (
    (preregister, "my_study", (o.STUDY,)),
    (wording, "chapter.docx", (o.TEXT_FILE, o.RANDOMISED)),
)
