"""From the names in an export to the columns that are wanted: exact ones taken, others guessed and asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from studykit.errors import DataError, Finding
from studykit.lookback.export_tables import ExportTable, Opened
from studykit.lookback.layout import NOTES, said_in_note
from studykit.lookback.wanted_columns import SESSIONS, UNUSED, WANTED, WantedColumn, plain_name
from studykit.records.cells import date_readings
from studykit.records.nearest import nearest_known
from studykit.records.raw_table import repeated_names


@dataclass(frozen=True, slots=True)
class Guess:
    """A column that stands under another name, most likely.

    Parameters
    ----------
    key : str
        Under which an answer is given: the wanted name, after that of the table but for sessions.
    wanted : WantedColumn
    header : str
        The name in the file.
    where : str
    """

    key: str
    wanted: WantedColumn
    header: str
    where: str


@dataclass(frozen=True, slots=True)
class Placed:
    """Where the wanted columns stand.

    Parameters
    ----------
    places : mapping of str to mapping of str to int
        By table and wanted name: index among the columns of the file.
    guesses : tuple of Guess
        What nobody has said yes to.
    missing : tuple of Finding
        Required columns that cannot even be guessed.
    unused : tuple of Finding
        Columns that stay aside, and columns that are meant as good as certainly.
    asked : tuple of (str, tuple of str)
        What is missing, by the key of an answer, and the columns among which it can be.
    """

    places: Mapping[str, Mapping[str, int]]
    guesses: tuple[Guess, ...]
    missing: tuple[Finding, ...]
    unused: tuple[Finding, ...]
    asked: tuple[tuple[str, tuple[str, ...]], ...] = ()


def place_columns(opened: Opened, given: Mapping[str, str] | None = None) -> Placed:
    """Find every wanted column: as said, by its exact name, or as a guess.

    Parameters
    ----------
    opened : Opened
    given : mapping of str to str, optional
        Wanted name to the name in the file, ``{"client": "Member"}``; columns of further tables as
        ``"clients.joined_on"``. ``"none"`` says that a column is not there.

    Raises
    ------
    DataError
        If something that was said does not fit the files.
    """
    said = _by_table(given or {}, opened)
    places: dict[str, dict[str, int]] = {}
    guesses: list[Guess] = []
    missing: list[Finding] = []
    unused: list[Finding] = []
    asked: list[tuple[str, tuple[str, ...]]] = []
    for name, table in opened.tables.items():
        repeated = repeated_names(table.header, table.where, plain_name)
        if repeated:
            raise DataError(repeated)
        found, guessed = _place_table(name, table, said.get(name, {}))
        certain = [guess for guess in guessed if _is_certain(guess)]
        found |= {guess.wanted.name: table.header.index(guess.header) for guess in certain}
        guessed = [guess for guess in guessed if guess not in certain]
        places[name] = found
        unused += [
            Finding("note", f"{guess.where}, row 1", f"a column {guess.key}", guess.header,
                    f"It was taken as {guess.key}. If it is another thing: --column {guess.key}=NAME.")
            for guess in certain
        ]  # fmt: skip
        guesses += guessed
        pending = {guess.wanted for guess in guessed}
        lacking = [
            wanted for wanted in WANTED[name]
            if wanted.required and wanted.name not in found and wanted not in pending
        ]  # fmt: skip
        missing += [_missing(name, wanted, table) for wanted in lacking]
        free = tuple(
            header for place, header in enumerate(table.header) if header and place not in found.values()
        )
        asked += [(_key(name, wanted.name), free) for wanted in lacking]
        unused += _aside(name, table, set(found.values()))
    return Placed(places, tuple(guesses), tuple(missing), tuple(unused), tuple(asked))


def _is_certain(guess: Guess) -> bool:
    """Whether the name of the column is the wanted one with a word that adds nothing, such as client_id."""
    first, _, rest = plain_name(guess.header).partition(" ")
    return (
        guess.wanted.kind == "code" and first == guess.wanted.name and rest in ("id", "code", "number", "no")
    )


def refuse_guesses(placed: Placed) -> None:
    """Refuse to go on with columns that nobody has confirmed.

    Raises
    ------
    DataError
        With what each column most likely is, and how to say so.
    """
    findings = list(placed.missing)
    findings += [
        Finding(
            "stop",
            f"{guess.where}, row 1",
            f"a column {guess.key} ({guess.wanted.meaning})",
            f"{guess.header!r}, which is most likely it",
            f"Say so: --column {guess.key}={_quoted(guess.header)}, or --column {guess.key}={UNUSED}."
            if not guess.wanted.required
            else f"Say so: --column {guess.key}={_quoted(guess.header)}.",
        )
        for guess in placed.guesses
    ]
    if findings:
        raise DataError(findings)


def _quoted(text: str) -> str:
    return f'"{text}"' if " " in text else text


def _by_table(given: Mapping[str, str], opened: Opened) -> dict[str, dict[str, str]]:
    """What was said, by table and wanted name; other known names of a wanted column are understood."""
    said: dict[str, dict[str, str]] = {}
    for key, header in given.items():
        name, _, rest = key.rpartition(".")
        table = name or SESSIONS
        wanted = _wanted_of(table, rest)
        if wanted is None or table not in opened.tables:
            known = ", ".join(item.name for item in WANTED.get(table, WANTED[SESSIONS]))
            raise DataError(
                [Finding("stop", f"column {key}", f"one of {known}", key, "Name the column that is wanted.")]
            )
        said.setdefault(table, {})[wanted.name] = header
    return said


def _key(table: str, column: str) -> str:
    return column if table == SESSIONS else f"{table}.{column}"


def _wanted_of(table: str, name: str) -> WantedColumn | None:
    for wanted in WANTED.get(table, ()):
        if plain_name(name) == plain_name(wanted.name):
            return wanted
    for wanted in WANTED.get(table, ()):
        if plain_name(name) in map(plain_name, wanted.other_names):
            return wanted
    return None


def _place_table(
    name: str, table: ExportTable, said: Mapping[str, str]
) -> tuple[dict[str, int], list[Guess]]:
    by_name = {plain_name(header): index for index, header in enumerate(table.header) if header}
    found: dict[str, int] = {}
    for wanted, header in said.items():
        if header == UNUSED:
            continue
        if plain_name(header) not in by_name:
            raise DataError([_not_there(name, wanted, header, table)])
        found[wanted] = by_name[plain_name(header)]
    for column in WANTED[name]:
        if column.name not in said and plain_name(column.name) in by_name:
            found.setdefault(column.name, by_name[plain_name(column.name)])
    guesses = []
    taken = set(found.values())
    for column in WANTED[name]:
        if column.name in found or column.name in said:
            continue
        index = _likely(column, table, by_name, taken)
        if index is None and column.kind == "mark":
            index = _notes_with_marks(table, by_name, taken)
        if index is not None:
            taken.add(index)
            guesses.append(Guess(_key(name, column.name), column, table.header[index], table.where))
    return found, guesses


def _likely(
    wanted: WantedColumn, table: ExportTable, by_name: Mapping[str, int], taken: set[int]
) -> int | None:
    """The column that is meant, most likely: by a name of the trade, a near name, or its dates."""
    free = {name: index for name, index in by_name.items() if index not in taken}
    for name in wanted.other_names:
        if plain_name(name) in free:
            return free[plain_name(name)]
    for name in (wanted.name, *wanted.other_names):
        near = nearest_known(plain_name(name), list(free), cutoff=0.8)
        if near:
            return free[near]
    if wanted.kind == "date" and wanted.required:
        dates = [index for index in free.values() if _holds_dates(table, index)]
        if len(dates) == 1:
            return dates[0]
    return None


def _notes_with_marks(table: ExportTable, by_name: Mapping[str, int], taken: set[int]) -> int | None:
    """A column of remarks in which partner reps are noted."""
    for name, index in by_name.items():
        if name in NOTES and index not in taken and any(map(said_in_note, table.columns[index].texts)):
            return index
    return None


def _holds_dates(table: ExportTable, index: int) -> bool:
    texts = [text for text in table.columns[index].texts if text][:200]
    read = [date_readings(text) for text in texts]
    known = [item for item in read if item.day_first or item.month_first]
    return bool(texts) and len(known) >= 0.9 * len(texts)


def _not_there(name: str, wanted: str, header: str, table: ExportTable) -> Finding:
    near = nearest_known(header, table.header)
    return Finding(
        "stop",
        f"{table.where}, row 1",
        f"the column {header!r}, said to be {_key(name, wanted)}",
        f"none of that name; there are {', '.join(table.header)}",
        f"Is {near!r} meant?" if near else "Check the spelling.",
    )


def _missing(name: str, wanted: WantedColumn, table: ExportTable) -> Finding:
    key = _key(name, wanted.name)
    return Finding(
        "stop",
        f"{table.where}, row 1",
        f"a column {key} ({wanted.meaning})",
        f"{', '.join(header for header in table.header if header)}",
        f"Say which it is: --column {key}=NAME.",
    )


def _aside(name: str, table: ExportTable, used: set[int]) -> Sequence[Finding]:
    """Columns of the attendance that nothing is taken from; facts of clients are dealt with elsewhere."""
    if name == "clients":
        return ()
    rest = [header or "(no name)" for index, header in enumerate(table.header) if index not in used]
    if not rest:
        return ()
    return (Finding("note", f"{table.where}, row 1", "known columns", ", ".join(rest), "They are not used."),)
