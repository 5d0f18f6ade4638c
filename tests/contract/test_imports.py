"""The house's order: who may import whom, held as data and read from the syntax trees."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Container
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "studykit"

# Each group imports earlier groups only; within a group, rooms do not know each other.
GROUPS: tuple[tuple[str, ...], ...] = (
    ("errors",),
    ("results", "randomness", "shipped", "unseen", "kinds"),
    ("mixed", "retention"),
    ("effects",),
    ("protocol",),
    ("allocation",),
    ("records",),
    ("outcomes",),
    ("pooling",),
    ("trial",),
    ("planning",),
    ("lookback",),
    ("report",),
    ("frames",),
    ("writeup",),
    ("study",),
    ("console",),
    ("options",),
    ("commands",),
    ("joint", "caring", "writing"),
    ("desk",),
    ("cli",),
)
RANK = {room: rank for rank, group in enumerate(GROUPS) for room in group}
RESULTS_GROUP = RANK["results"]  # results may be used by its own neighbours' docstrings, not imported

MATHS = {"mixed", "retention", "effects"}
MATHS_FORBIDDEN = {"pandas", "matplotlib", "seaborn", "pydantic", "openpyxl", "sqlite3"}
PANDAS_ALLOWED = {"report", "frames", "writeup"}
PANDAS_BY_NAME = {
    "kinds/continuous/reliability.py"
}  # pingouin's intraclass correlation takes nothing but a data frame
FIGURES_ALLOWED = {"report"}


# A kind of outcome has a file for each room that asks it; what is not named here belongs to the outcomes.
ROOM_OF_PART = {
    "section": "protocol",
    "rows": "records",
    "simulation": "trial",
    **dict.fromkeys(("planning", "planned_model", "own_figures", "search"), "planning"),
    **dict.fromkeys(("report", "tables", "figures", "fit", "scales"), "report"),
}


def room_of(path: Path) -> str:
    return place_of("studykit", *path.relative_to(PACKAGE).with_suffix("").parts)


def place_of(*parts: str) -> str:
    """The room of a module: its folder, and inside a kind of outcome the room that the file belongs to."""
    if parts[1] == "kinds" and len(parts) > 3:
        return ROOM_OF_PART.get(parts[3], "outcomes")
    return parts[1]


def modules() -> list[Path]:
    return sorted(
        path for path in PACKAGE.rglob("*.py") if "_shipped" not in path.parts and path.name != "__init__.py"
    ) + sorted(path for path in PACKAGE.rglob("__init__.py") if path.parent != PACKAGE)


@cache
def imported(path: Path) -> tuple[str, ...]:
    """Every imported module, imports inside functions too; those for type checkers count as well."""
    names: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return tuple(names)


def test_every_room_has_a_place_in_the_order() -> None:
    rooms = {room_of(path) for path in modules()}
    assert rooms <= set(RANK)


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_follow_the_order(path: Path) -> None:
    room = room_of(path)
    for name in imported(path):
        if not name.startswith("studykit."):
            continue
        other = place_of(*name.split("."))
        if other in RANK and other != room:
            assert RANK[other] < RANK[room], (
                f"{path.name} imports {name}, which comes later or stands beside it"
            )


def test_no_modules_import_each_other_in_a_circle() -> None:
    """Imports inside functions and for type checkers count: what needs each other is one thing."""
    names = {_name_of(path): path for path in modules()}
    after = {
        name: {known for thing in imported(path) for known in _homes(thing, names)} - {name}
        for name, path in names.items()
    }
    try:
        tuple(TopologicalSorter(after).static_order())
    except CycleError as error:
        pytest.fail(f"in a circle: {' → '.join(error.args[1])}")


def _name_of(path: Path) -> str:
    return ".".join(("studykit", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")


def _homes(name: str, known: Container[str]) -> tuple[str, ...]:
    """The module of an imported name: the name itself, or what it is taken from."""
    return next(((home,) for home in (name, name.rpartition(".")[0]) if home in known), ())


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_heavy_libraries_stay_in_their_rooms(path: Path) -> None:
    room = room_of(path)
    for name in imported(path):
        top = name.split(".")[0]
        if room in MATHS:
            assert top not in MATHS_FORBIDDEN, f"{path.name}: a room of mathematics imports {top}"
        if top == "pandas" and str(path.relative_to(PACKAGE).as_posix()) not in PANDAS_BY_NAME:
            assert room in PANDAS_ALLOWED, f"{path.name}: pandas belongs in {sorted(PANDAS_ALLOWED)}"
        if top in {"matplotlib", "seaborn"}:
            assert room in FIGURES_ALLOWED, f"{path.name}: pictures belong in report"


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_private_names_across_rooms(path: Path) -> None:
    room = room_of(path)
    for name in imported(path):
        if name.startswith("studykit.") and place_of(*name.split(".")) != room:
            hidden = [part for part in name.split(".") if part.startswith("_") and not part.endswith("__")]
            assert not hidden, f"{path.name} imports {name}"


def test_statsmodels_gives_what_the_developers_page_says() -> None:
    used = {
        name.rsplit(".", 1)[0]
        for path in modules()
        for name in imported(path)
        if name.startswith("statsmodels")
    }
    assert used == {
        "statsmodels.stats.power",
        "statsmodels.stats.multitest",
        "statsmodels.stats.proportion",
        "statsmodels.duration.survfunc",
    }
    page = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert (
        "statsmodels gives power classes, intervals of shares, the log-rank test and multiple-testing "
        "adjustments; the Cox fits are our own" in page
    )


def test_every_dependency_is_imported_and_every_import_a_dependency() -> None:
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = project["dependencies"]
    # What only another system needs, such as its table of time zones, is used by Python itself.
    wanted = {re.split(r"[<>=\[]", text)[0].replace("-", "_") for text in asked if "sys_platform" not in text}
    wanted |= {"distributed"}  # of the extra "cluster"
    used = {name.split(".")[0] for path in modules() for name in imported(path)}
    wanted = wanted - {"python_docx"} | {"docx"}  # imported by another name than it is installed by
    own = {"studykit", "markupsafe", "mpl_toolkits", "pydantic_core"}  # come with others
    assert used - set(sys.stdlib_module_names) - own == wanted
