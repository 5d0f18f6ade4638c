"""What the house answers today, number by number and word by word: the yardstick of a rebuilding.

``python -m tests.pipeline.golden`` writes the yardstick anew; what changed is read in the diff, and a
commit says why. Long series are kept as their number, sum, and sum weighted by position.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from studykit.cli import main
from studykit.shipped import shipped
from studykit.study import Study
from studykit.trial.settings import TrialSettings
from tests.pipeline.simulated_study import ready_protocol, trainers_study
from tests.pipeline.turning_study import turning_study

FOLDER = Path(__file__).parent / "golden"
ANALYSIS = Path(__file__).resolve().parents[2] / "analysis"
LONG = 12  # entries; a longer series is summed up
RUN = re.compile(r"(provenance|manifest)\b")  # versions, hashes and times of a run
OF_A_RUN = re.compile(r"[0-9a-f]{12}|\d\.\d+\.\d+|\d\d:\d\d")
SPACE = re.compile(r"\s+")


@dataclass(frozen=True, slots=True)
class Golden:
    """Numbers by their place in the results, and the lines of the page."""

    numbers: dict[str, float]
    page: tuple[str, ...]


class _Visible(HTMLParser):
    """The text of a page as a reader sees it, a line for each block."""

    BLOCKS = frozenset({"p", "h1", "h2", "h3", "h4", "li", "tr", "td", "th", "figcaption", "summary", "div"})

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        del attrs
        self.hidden += tag in ("style", "svg", "script")
        self.parts += ["\n"] if tag in self.BLOCKS else []

    def handle_endtag(self, tag: str) -> None:
        self.hidden -= tag in ("style", "svg", "script")
        self.parts += ["\n"] if tag in self.BLOCKS else []

    def handle_data(self, data: str) -> None:
        self.parts += [] if self.hidden else [SPACE.sub(" ", data)]


def page_lines(path: Path) -> tuple[str, ...]:
    """The lines of a page that a reader sees, but for what names the run."""
    reader = _Visible()
    reader.feed(path.read_text(encoding="utf-8"))
    lines = (SPACE.sub(" ", line).strip() for line in "".join(reader.parts).split("\n"))
    return tuple(line for line in lines if line and not OF_A_RUN.search(line))


def _leaves(value: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, f"{place}.{key}" if place else key)
    elif isinstance(value, list) and len(value) > LONG:
        yield from _summed(value, place)
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from _leaves(inner, f"{place}[{number}]")
    else:
        yield place, value


def _summed(values: list[Any], place: str) -> Iterator[tuple[str, Any]]:
    sums: dict[str, list[float]] = {}
    for number, value in enumerate(values, 1):
        for inner, leaf in _leaves(value, ""):
            if isinstance(leaf, int | float):
                own = sums.setdefault(inner, [0.0, 0.0, 0.0])
                own[0], own[1], own[2] = own[0] + 1, own[1] + leaf, own[2] + number * leaf
    for inner, (count, plain, weighted) in sums.items():
        yield f"{place}[*]{inner} number", count
        yield f"{place}[*]{inner} sum", plain
        yield f"{place}[*]{inner} weighted", weighted


def golden_of(results: Path, page: Path) -> Golden:
    """Numbers of a saved result, and the lines of its page."""
    plain = json.loads(results.read_text(encoding="utf-8"))
    found = ((place, leaf) for place, leaf in _leaves(plain) if not RUN.search(place))
    numbers = {place: float(leaf) for place, leaf in found if isinstance(leaf, int | float)}
    return Golden(numbers, page_lines(page))


def _report(study: Study) -> Golden:
    page = study.save(study.analyse())
    return golden_of(page.with_name("results.json"), page)


def _plan(study: Study) -> Golden:
    page = study.save_plan(study.plan())
    return golden_of(page.with_name("plan.json"), page)


def _copied(folder: Path, source: Path) -> Study:
    shutil.copytree(source, folder / "study")
    return Study.open(folder / "study")


def _demo(folder: Path) -> Study:
    return _copied(folder, shipped("synthetic_data") / "demo_study")


def _trainers(folder: Path) -> Study:
    read = ready_protocol("trainers")
    return trainers_study(folder / "study", read, TrialSettings.from_protocol(read.protocol), seed=5)


def _within(design: str, clients: int) -> Callable[[Path], Study]:
    def make(folder: Path) -> Study:
        return turning_study(folder / "study", ready_protocol(design), clients=clients, effect=0.05, seed=4)

    return make


def _look_back(folder: Path) -> Golden:
    source = shipped("synthetic_data") / "attendance"
    for name in ("export.csv", "clients.csv"):
        shutil.copy(source / name, folder / name)
    files = [str(folder / "export.csv"), "--clients", str(folder / "clients.csv")]
    assert main(["lookback", *files, "--column", "client_id=client"]) in (0, 1)
    made = folder / "export_lookback"
    return golden_of(made / "lookback.json", made / "lookback.html")


STUDIES: dict[str, Callable[[Path], Study]] = {
    "demo": _demo,
    "trainers": _trainers,
    "crossover": _within("crossover", 24),
    "limbs": _within("limbs", 24),
    "stepped": _within("stepped", 36),
    "weight_trial": lambda folder: _copied(folder, ANALYSIS / "weight_trial"),
    "depression_trial": lambda folder: _copied(folder, ANALYSIS / "depression_trial"),
}
PLANNED = ("demo", "trainers", "crossover", "limbs", "stepped")
CASES: dict[str, Callable[[Path], Golden]] = {
    **{name: lambda folder, make=make: _report(make(folder)) for name, make in STUDIES.items()},
    **{f"plan_{name}": lambda folder, make=STUDIES[name]: _plan(make(folder)) for name in PLANNED},
    "look_back": _look_back,
}


def stored(name: str) -> Golden:
    """The yardstick of one case."""
    plain = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return Golden(plain["numbers"], tuple(plain["page"]))


def write(name: str, folder: Path = FOLDER) -> None:
    """Write the yardstick of one case."""
    with tempfile.TemporaryDirectory() as scratch:
        made = CASES[name](Path(scratch))
    folder.mkdir(exist_ok=True)
    plain = {"numbers": made.numbers, "page": made.page}
    text = json.dumps(plain, indent=0, ensure_ascii=False)
    (folder / f"{name}.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    for case in CASES:
        write(case)
