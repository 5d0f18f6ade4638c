"""A study as one object, and the making of its folder."""

from studykit.protocol.ready import names as designs
from studykit.study.checking import Check
from studykit.study.folder import questions, versions
from studykit.study.study import Study

__all__ = ["Check", "Study", "designs", "questions", "versions"]
