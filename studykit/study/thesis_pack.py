"""A thesis pack: an anonymised copy with a dictionary, code that reruns, versions, deviations, a manifest."""

from __future__ import annotations

import hashlib
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.records.raw_table import csv_text, guarded
from studykit.records.schema import TABLES
from studykit.report.numbers import plural
from studykit.study.anonymising import FEW, AnonymousCopy, anonymous_copy, write_copy
from studykit.study.folder import versions
from studykit.study.snapshot import read_study

if TYPE_CHECKING:
    from random import Random

    from studykit.outcomes.results import StudyResults
    from studykit.study.snapshot import Snapshot
    from studykit.study.study import Study

EXPECTED, MANIFEST = "expected.csv", "manifest.csv"
SEED = 1
_COUNTED = {
    "amendment": "amendments of the protocol after its lock",
    "correction": "facts of clients corrected after their allocation",
    "handover": "handovers of clients to another trainer",
    "withdrawal": "withdrawals of touch, consent or data",
    "unblinding": "arms told to somebody who was not to know them",
    "reopening": "records opened again after the data lock",
}
_RERUN = f'''"""Check this folder, run its analysis again, and compare with {EXPECTED}; see requirements.txt.

    python rerun.py [--write-up]

With --write-up it writes the report and a Word document too, into results/.
"""

import hashlib
import sys
from pathlib import Path

import pandas as pd

import studykit as sk

HERE = Path(__file__).parent
NUMBERS = ["value", "standard_error", "lower", "upper", "p_value"]

manifest = pd.read_csv(HERE / "{MANIFEST}")
codes = [hashlib.sha256((HERE / name).read_bytes()).hexdigest() for name in manifest["file"]]
changed = manifest["file"][manifest["sha256"] != codes].tolist()
print(f"Files changed since the pack was made: {{', '.join(changed) or 'none'}}")

study = sk.Study.open(HERE)
results = study.analyse(seed={SEED})
found, expected = sk.to_frame(results), pd.read_csv(HERE / "{EXPECTED}")
apart = (found[NUMBERS] - expected[NUMBERS]).abs().max(axis=None)
print(f"{{len(found)}} results, {{len(expected)}} expected; the largest difference: {{apart}}")
if "--write-up" in sys.argv:
    print(study.save(results), study.write_up(results), sep="\\n")
'''
_READ_ME = f"""What is in this folder

protocol.toml, records/   an anonymised copy of the study: new codes, all days moved by one number of weeks
dictionary.csv            what every column of the records means, how it is read, how many are filled
codes.csv                 what the codes of arms, visits, exercises and outcomes stand for
deviations.csv            what did not go as planned, counted by the program; reasons are yours to write
{EXPECTED}              every contrast of the analysis of this copy, at full precision
rerun.py                  checks the files, runs the analysis again and compares
requirements.txt          versions of the program and the libraries that the numbers were made with
{MANIFEST}              every file with its size and SHA-256

The ledger of the draws stays with the study: the copy says what was drawn, not how.
Before it leaves: do consent, the ethics review and local law on such data allow it?
"""


@dataclass(frozen=True, slots=True)
class Deviation:
    """Something that did not go as planned.

    Parameters
    ----------
    what, where : str
        ``where`` is the arm, visit or outcome; empty for the whole study.
    number : int
    unit : str
        What is counted.
    """

    what: str
    where: str
    number: int
    unit: str


def thesis_pack(study: Study, *, by: str, chance: Random | None = None) -> AnonymousCopy:
    """De-identified data with everything that is needed to understand and rerun them; nothing is written.

    Parameters
    ----------
    study : Study
        One that is through.
    by : str
        Code of who asks: the pack tells every arm.
    chance : Random, optional
        By default the operating system's; give one in tests only.

    Returns
    -------
    AnonymousCopy
        ``print`` it before anything leaves: it tells what fewer than five clients share, deviations
        included; then ``write(folder)``.

    Raises
    ------
    ArgumentError
        If this code may not see the arms.
    DesignError
        Before the end of follow-up.
    DataError
        If records, or the copy, cannot be analysed as they stand.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> from studykit.study.from_frame import study_from_frame
    >>> frame = pd.DataFrame({
    ...     "who": [f"N{place}" for place in range(8) for _ in range(2)], "when": ["before", "after"] * 8,
    ...     "way": ["plain"] * 8 + ["added"] * 8,
    ...     "load": [50, 55, 61, 64, 47, 53, 52, 60, 58, 66, 49, 57, 63, 68, 55, 63],
    ... })
    >>> place = tempfile.TemporaryDirectory()
    >>> study, _ = study_from_frame(
    ...     frame, f"{place.name}/load", client="who", visit="when", arm="way", score="load",
    ...     reference="plain", days={"before": 0, "after": 84})
    >>> pack = thesis_pack(study, by="")
    >>> sorted(name for name in pack.files if "/" not in name)[:4]
    ['READ_ME.txt', 'codes.csv', 'deviations.csv', 'dictionary.csv']
    >>> place.cleanup()
    """
    now = study.read()
    copy = anonymous_copy(now, by=by, chance=chance)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "copy"
        write_copy(copy, folder)
        copied, ledger = read_study(folder)
        from studykit.study.analysing import analyse

        results = analyse(copied, ledger, seed=SEED, redraw=False)
        files = dict(copy.files) | _described(copied) | _computed(results)
    counted = tuple(deviations(now, results))
    rows = [[one.what, guarded(one.where), one.number, one.unit] for one in counted]
    files["deviations.csv"] = csv_text([["what", "where", "number", "unit"], *rows])
    files[MANIFEST] = _manifest(files)
    few = tuple(
        f"{one.what}{f', {one.where}' if one.where else ''}: {plural(one.number, 'client')}"
        for one in counted
        if one.unit == "clients" and 0 < one.number < FEW
    )
    return replace(copy, files=files, few=(*copy.few, *few))


def _manifest(files: dict[str, str]) -> str:
    made = {name: text.encode("utf-8") for name, text in sorted(files.items())}
    rows = [[name, len(text), hashlib.sha256(text).hexdigest()] for name, text in made.items()]
    return csv_text([["file", "bytes", "sha256"], *rows])


def _computed(results: StudyResults) -> dict[str, str]:
    """What follows from the analysis of the copy."""
    from studykit.frames.tables import to_frame

    libraries = [f"{name}=={version}" for name, version in versions().items() if name != "python"]
    python = f"# Python {versions()['python']}"
    return {
        "READ_ME.txt": _READ_ME,
        "rerun.py": _RERUN,
        "requirements.txt": "\n".join([python, *libraries, ""]),
        EXPECTED: to_frame(results).to_csv(index=False, lineterminator="\n"),
    }


def _described(copied: Snapshot) -> dict[str, str]:
    """The dictionary of the columns and the meaning of the codes."""
    columns = ("table", "column", "meaning", "read as", "values", "needed", "rows", "filled")
    return {
        "dictionary.csv": csv_text([columns, *_columns(copied)]),
        "codes.csv": csv_text([("kind", "code", "name", "more"), *_codes(copied)]),
    }


def _columns(copied: Snapshot) -> Iterator[list[object]]:
    """One line for each column of the tables that are in the copy."""
    strata = {stratum.code: stratum.levels for stratum in copied.protocol.strata}
    for table in TABLES:
        typed = copied.records[table.name]
        known = {column.name: column for column in table.columns}
        for name, values in typed.columns.items() if typed.number else ():
            filled = sum(bool(value == value and value != "") for value in values)
            column = known.get(name)
            if column is None:
                told = [
                    "a fact known before allocation",
                    "text or number",
                    "; ".join(strata.get(name, ())),
                    "no",
                ]
            else:
                bounds = [f"{end:g}" for end in (column.lowest, column.highest) if abs(end) != float("inf")]
                choices = column.choices or strata.get(name, ()) or bounds
                told = [column.meaning, column.kind, "; ".join(choices), "yes" if column.required else "no"]
            yield [table.name, name, *map(guarded, told), typed.number, filled]


def _codes(copied: Snapshot) -> Iterator[list[str]]:
    protocol = copied.protocol
    for arm in protocol.arms:
        yield ["arm", arm.code, guarded(arm.name), "reference" if arm.reference else ""]
    for visit in protocol.visits:
        yield ["visit", visit.code, guarded(visit.name), f"day {visit.day} from allocation"]
    for exercise in protocol.exercises:
        yield ["exercise", exercise.code, guarded(exercise.name), exercise.unit]
    for outcome in protocol.outcomes:
        yield ["outcome", outcome.code, guarded(outcome.name), getattr(outcome, "unit", outcome.kind)]


# --- deviations ----------------------------------------------------------------------------------


def deviations(now: Snapshot, results: StudyResults) -> Iterator[Deviation]:
    """What did not go as planned: of the conduct by the ledger, of clients and tests by the results."""
    kinds = Counter(str(entry.kind) for entry in now.entries)
    for kind, what in _COUNTED.items():
        yield Deviation(what, "", kinds[kind], "entries")
    planned = now.protocol.oversight.planned_looks
    yield Deviation("looks at results by arm that were not planned", "", _unplanned(now, planned), "looks")
    yield from _not_received(results)
    yield from _not_measured(results)
    for outcome in results.outcomes:
        fallback = getattr(outcome, "fallback", "")
        yield Deviation(
            "planned model replaced by its fallback", outcome.code, int(bool(fallback)), "analyses"
        )


def _unplanned(now: Snapshot, planned: int) -> int:
    from studykit.protocol.looking import look_numbers

    return sum(not number for number in look_numbers((look.body for look in now.looks), planned))


def _not_received(results: StudyResults) -> Iterator[Deviation]:
    for arm in results.flow.arms:
        for reason, number in arm.not_received:
            yield Deviation(f"did not receive what was allocated: {reason}", arm.arm, number, "clients")
    for given in results.delivery.arms if results.delivery else ():
        yield Deviation(
            "got partner reps in an arm without", given.arm, given.contaminated_clients, "clients"
        )
        slips = given.partner_sets - given.partner_sets_as_planned
        yield Deviation("sets with partner reps not as planned", given.arm, slips, "sets")


def _not_measured(results: StudyResults) -> Iterator[Deviation]:
    for outcome in results.outcomes:
        for count in outcome.missing:
            where = f"{outcome.code}, {count.arm}, {count.visit}"
            for reason, number in count.reasons:
                yield Deviation(f"not measured: {reason}", where, number, "clients")
        rows = getattr(outcome, "rows", None)
        for reason, number in ((why, number) for why, number in (rows.left_out if rows else ()) if number):
            yield Deviation(f"record not used: {reason}", outcome.code, number, "rows")
