"""A trial in a data frame as a study: protocol and records written, then analysed as any other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from studykit.errors import ArgumentError, FindingsError
from studykit.frames.foreign import PLACE, Columns, Frame, TakenOver, Told
from studykit.frames.foreign_files import foreign_trial
from studykit.study.folder import made_whole, need_free
from studykit.study.snapshot import read_study
from studykit.study.study import Study


def study_from_frame(
    frame: Frame,
    folder: str | Path,
    *,
    client: str,
    visit: str,
    arm: str,
    score: str,
    reference: Any,
    days: Mapping[Any, float] | float,
    trainer: str = "",
    strata: Sequence[str] = (),
    adjust_for: Sequence[str] = (),
    comparison: Any = None,
    primary_visit: Any = None,
    design: Literal["parallel", "crossover"] = "parallel",
    scale: Literal["as_measured", "log"] = "as_measured",
    unit: str = "",
    higher_is_better: bool = True,
    title: str = "",
    allocated: str = "",
) -> tuple[Study, TakenOver]:
    """Make a study of a trial that was run elsewhere, from a frame with one row for each score.

    Parameters
    ----------
    frame : DataFrame
        It is not changed. A row without a score keeps its client in the study.
    folder : str or Path
        A new folder for the study's protocol and records.
    client, visit, arm, score : str
        Columns. The arm may stand in any row of a client; in a crossover it is that of the visit's period.
    reference : object
        The arm that the others are compared with, as it stands in the column.
    days : mapping or float
        Day of every visit, counted from allocation: ``{"before": 0, "after": 90}``; or, where visits are
        numbers, the days in one of them: 7 for weeks. Visits at 0 or earlier are those before allocation.
    trainer : str
        Column of the trainer known before allocation.
    strata, adjust_for : sequence of str
        Columns of facts known before allocation: words that allocation was balanced on, and numbers.
    comparison : object
        The arm of the primary comparison; needed where there are three or more.
    primary_visit : object
        By default the last.
    design : {"parallel", "crossover"}
        In a crossover each client has one arm at each of two visits after allocation.
    scale : {"as_measured", "log"}
        Whether arms are compared by differences, in ``unit``, or by ratios.
    unit, title : str
    higher_is_better : bool
    allocated : str
        How clients were allocated, such as ``"at random, by sealed envelopes"``; without the word random the
        trial is not called randomised.

    Returns
    -------
    study : Study
        `Study.analyse`, `Study.save` and `Study.write_up` go on from here; its ``protocol.toml`` can be
        edited.
    taken : TakenOver
        Rows used and left out, new codes, how the frame was understood; ``print(taken)``.

    Raises
    ------
    ArgumentError
        If a column, arm or visit is not there or cannot be understood; the message names the frame's rows.
        Nothing is then written.
    FolderError
        If something is in the way.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> frame = pd.DataFrame({
    ...     "who": [name for name in ("N1", "N2", "N3", "N4", "N5", "N6") for _ in range(2)],
    ...     "when": ["before", "after"] * 6, "way": ["plain"] * 6 + ["added"] * 6,
    ...     "load": [50, 55, 61, 64, 47, 53, 52, 60, 58, 66, None, 57],
    ... })
    >>> place = tempfile.TemporaryDirectory()
    >>> study, taken = study_from_frame(
    ...     frame, f"{place.name}/load", client="who", visit="when", arm="way", score="load",
    ...     reference="plain", days={"before": 0, "after": 84}, unit="kg", allocated="at random")
    >>> print(taken)
    6 clients; 11 of 12 rows used; left out: 1 (no value in load; the client stays).
    Visits: before on day 0, after on day 84; primary is after.
    >>> round(study.analyse().primary.primary.value, 2)
    3.74
    >>> place.cleanup()
    """
    if isinstance(strata, str) or isinstance(adjust_for, str):
        raise ArgumentError(where=PLACE, expected='lists of columns, such as ["sex"]', got="one text")
    columns = Columns(client, visit, arm, score, trainer, tuple(strata), tuple(adjust_for))
    told = Told(
        reference, days, comparison, primary_visit, design, scale, unit, title, allocated, higher_is_better
    )
    target = Path(folder)
    need_free(target)
    files, taken = foreign_trial(frame, columns, told)
    with made_whole(target) as making:
        (making / "records").mkdir()
        for name, text in files.items():
            (making / name).write_text(text, encoding="utf-8", newline="\n")
        try:
            read_study(making)[0].rows  # noqa: B018 — what cannot be analysed is refused before it stands
        except FindingsError as error:
            first = error.findings[0]
            raise ArgumentError(
                where=PLACE, expected=f"{first.where.removeprefix(str(making))}: {first.expected}",
                got=first.got, todo=first.todo,
            ) from None  # fmt: skip
    return Study(target), taken
