"""The record tables of one simulated trial, typed as a reader of files would give them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studykit.records.record_tables import RecordTable
from studykit.records.schema import REASONS_FOR_DEPARTURE, TABLES, Table, table
from studykit.results import frozen_array
from studykit.trial.batch import TrialBatch, observed_tests
from studykit.trial.labels import Dates, allocation_dates, client_labels, trainer_labels
from synthetic_data.simulated_harms import SimulatedHarm
from synthetic_data.simulated_sessions import SessionDetails

Column = NDArray[Any]
Columns = Mapping[str, Column]
_DAY = "timedelta64[D]"
_REASON_SHARES = (0.18, 0.30, 0.14, 0.10, 0.08, 0.01, 0.0, 0.10, 0.01, 0.0, 0.08)
_SET_CARDS = 4  # last sessions of a client whose set cards were typed in (judgement)
_REGISTERED = 0.85  # departures that somebody wrote down (judgement)


def record_table(name: str, columns: Columns) -> RecordTable:
    """A table of the schema; columns that are not given are present and empty.

    Parameters
    ----------
    name : str
    columns : mapping of str to ndarray, all of one length
        May be empty: a table without rows.
    """
    schema = table(name)
    rows = next((len(column) for column in columns.values()), 0)
    typed = {column.name: _typed(schema, column.name, columns, rows) for column in schema.columns}
    further = {code: frozen_array(values, object) for code, values in columns.items() if code not in typed}
    return RecordTable(name, f"simulated {name}", {**typed, **further}, frozen_array(np.arange(2, rows + 2)))


def _typed(schema: Table, name: str, columns: Columns, rows: int) -> Column:
    kind = schema.column(name).kind
    if kind == "date":
        return frozen_array(columns.get(name, np.full(rows, np.datetime64("NaT", "D"))), "datetime64[D]")
    if kind in ("number", "whole", "yes_no"):
        return frozen_array(columns.get(name, np.full(rows, np.nan)), float)
    return frozen_array(columns.get(name, np.full(rows, "", dtype=object)), object)


def all_tables(given: Mapping[str, Columns]) -> dict[str, RecordTable]:
    """Every table of the schema, the ones not given without rows."""
    return {schema.name: record_table(schema.name, given.get(schema.name, {})) for schema in TABLES}


def _labels(labels: tuple[str, ...], index: NDArray[np.int64]) -> Column:
    return np.array(labels, dtype=object)[index]


def clients_table(batch: TrialBatch, rng: np.random.Generator, *, trial: int = 0) -> Columns:
    """Facts known before allocation; factors of the settings are columns of their own."""
    settings, number = batch.settings, batch.settings.clients
    dates = allocation_dates(batch, trial)
    choices = np.array([*settings.arms, "none", "none"], dtype=object)
    return {
        "client": np.array(client_labels(settings), dtype=object),
        "joined_on": dates - rng.integers(10, 300, size=number).astype(_DAY),
        "trainer": _labels(trainer_labels(settings), batch.traits.trainer[trial]),
        "age": np.clip(np.round(47.0 + 11.0 * rng.standard_normal(number)), 18.0, 78.0),
        "preference": choices[rng.integers(choices.size, size=number)],
        **{
            factor.code: _labels(factor.levels, batch.traits.levels[index, trial])
            for index, factor in enumerate(settings.factors)
        },
    }


def trainers_table(batch: TrialBatch, rng: np.random.Generator) -> Columns:
    """Trainers, signed off in the weeks before the first client."""
    settings = batch.settings
    first = np.datetime64(settings.calendar.first_day, "D")
    return {
        "trainer": np.array(trainer_labels(settings), dtype=object),
        "signed_off_on": first - rng.integers(3, 15, size=settings.trainers).astype(_DAY),
        "observer": np.full(settings.trainers, "OB", dtype=object),
    }


def screening_table(batch: TrialBatch, rng: np.random.Generator, *, trial: int = 0) -> Columns:
    """Everybody who was assessed: the clients of the study, and those who did not enter it."""
    settings = batch.settings
    calendar, number = settings.calendar, settings.clients
    eligible = int(np.ceil(number / calendar.eligible_consented))
    assessed = int(np.ceil(eligible / calendar.screened_eligible))
    dates = allocation_dates(batch, trial)
    others = assessed - number
    able = np.arange(others) < eligible - number
    rng.shuffle(able)
    span = (dates.max() - dates.min()).astype(int) + 1
    other_dates = dates.min() - np.timedelta64(10, "D") + rng.integers(0, span, size=others).astype(_DAY)
    in_study = np.arange(assessed) < number
    visit = np.concatenate([dates - rng.integers(7, 15, size=number).astype(_DAY), other_dates])
    agreed = np.where(in_study, visit + rng.integers(0, 3, size=assessed).astype(_DAY), np.datetime64("NaT"))
    excluded = tuple(f"X{index:03d}" for index in range(1, others + 1))
    order = np.argsort(visit, kind="stable")
    columns = {
        "client": np.array([*client_labels(settings), *excluded], dtype=object),
        "date": visit,
        "eligible": np.concatenate([np.ones(number), able]),
        "cleared": np.where(
            in_study,
            np.where(rng.random(assessed) < 0.3, "yes", "not needed"),
            np.where(np.concatenate([np.ones(number, bool), able]), "not needed", "no"),
        ).astype(object),
        "consented": in_study.astype(float),
        "touch_consented": np.where(in_study, 1.0, np.nan),
        "consent_date": agreed,
        "reason": np.concatenate([np.full(number, ""), np.where(able, "declined", "not eligible")]).astype(
            object
        ),
    }
    return {name: column[order] for name, column in columns.items()}


def strength_table(batch: TrialBatch, rng: np.random.Generator, *, trial: int = 0) -> Columns:
    """Attempts of every test: up to two lighter ones, the best, and one that failed.

    For an estimated maximum there is one set to the limit.
    """
    settings = batch.settings
    observed = observed_tests(batch)[trial]
    client, visit, exercise = np.nonzero(observed)
    load = batch.tests.load[trial][observed]
    counted = batch.tests.repetitions[trial][observed]
    by_load = settings.score == "load"
    step = np.array([machine.stack_step for machine in settings.machines])[exercise]
    step = np.where(step > 0.0, step, np.round(0.05 * load, 1))
    lighter = np.minimum(rng.integers(0, 3, size=client.size), np.floor(load / step).astype(int) - 1)
    lighter = np.maximum(lighter, 0) * by_load
    failed = (rng.random(client.size) < 0.7) & by_load
    attempts = lighter + 1 + failed
    test = np.repeat(np.arange(client.size), attempts)
    place = np.arange(test.size) - np.repeat(np.cumsum(attempts) - attempts, attempts) - lighter[test]
    short = rng.integers(max(1, settings.repetitions - 4), max(settings.repetitions, 2), size=test.size)
    blind = rng.random((settings.clients, len(settings.visits))) < 0.93
    guess = np.array([*settings.arms, "unsure", "unsure"], dtype=object)
    guessed = guess[rng.integers(guess.size, size=(settings.clients, len(settings.visits)))]
    baseline = np.array([planned.baseline for planned in settings.visits])[visit[test]]
    dates = allocation_dates(batch, trial)[:, None] + batch.tests.day[trial].astype(_DAY)
    return {
        "client": _labels(client_labels(settings), client[test]),
        "visit": _labels(tuple(planned.code for planned in settings.visits), visit[test]),
        "date": dates[client, visit][test],
        "exercise": _labels(tuple(machine.code for machine in settings.machines), exercise[test]),
        "load": load[test] + place * step[test],
        "unit": _labels(tuple(machine.unit for machine in settings.machines), exercise[test]),
        "repetitions": np.where(place > 0, short, counted[test]).astype(float),
        "success": (place <= 0).astype(float),
        "assessor": np.full(test.size, "AS", dtype=object),
        "assessor_blind": np.where(baseline, 1.0, blind[client, visit][test]),
        "arm_guess": np.where(baseline, "", guessed[client, visit][test]).astype(object),
    }


def measurements_table(batches: Sequence[TrialBatch], *, trial: int = 0) -> Columns:
    """One value per client and visit, for outcomes that are used as recorded; each batch has its own."""
    parts = [_measurements(batch, trial) for batch in batches]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _measurements(batch: TrialBatch, trial: int) -> Columns:
    settings = batch.settings
    observed = observed_tests(batch)[trial][:, :, 0]
    client, visit = np.nonzero(observed)
    dates = allocation_dates(batch, trial)[:, None] + batch.tests.day[trial].astype(_DAY)
    return {
        "client": _labels(client_labels(settings), client),
        "visit": _labels(tuple(planned.code for planned in settings.visits), visit),
        "outcome": np.full(client.size, settings.outcome, dtype=object),
        "value": batch.tests.score[trial][:, :, 0][observed],
        "date": dates[client, visit],
    }


def sessions_table(batch: TrialBatch, sessions: SessionDetails, *, trial: int = 0) -> Columns:
    """The session log, in order of day."""
    dates = allocation_dates(batch, trial)[sessions.client] + sessions.day.astype(_DAY)
    order = np.lexsort((sessions.client, dates))
    columns = {
        "client": _labels(client_labels(batch.settings), sessions.client),
        "date": dates,
        "trainer": _labels(trainer_labels(batch.settings), sessions.trainer),
        "status": sessions.status,
        "conventional_sets": sessions.conventional_sets,
        "limit_reached": sessions.limit_reached,
        "partner_reps": sessions.partner_reps,
        "partner_sets": sessions.partner_sets,
        "partner_sets_as_planned": sessions.as_planned,
        "lowering": sessions.lowering,
        "lifting": sessions.lifting,
        "range_kept": sessions.range_kept,
        "effort": sessions.effort,
        "discomfort": sessions.discomfort,
        "end_code": sessions.end_code,
        "harm_asked": sessions.harm_asked,
        "entered_on": dates + sessions.entered_after.astype(_DAY),
    }
    return {name: column[order] for name, column in columns.items()}


def sets_table(
    batch: TrialBatch, sessions: SessionDetails, rng: np.random.Generator, *, trial: int = 0
) -> Columns:
    """Load and repetitions of each conventional set in the last sessions of every client.

    The load is that of the last test before the session; the sets of a session are spread over the
    exercises, and an exercise that was never tested has none.
    """
    settings = batch.settings
    codes = np.array([machine.code for machine in settings.machines], dtype=object)
    observed, tested_on = observed_tests(batch)[trial], batch.tests.day[trial]
    dates = allocation_dates(batch, trial)
    rows: list[tuple[object, ...]] = []
    for client, label in enumerate(client_labels(settings)):
        own = np.flatnonzero((sessions.client == client) & sessions.attended)[-_SET_CARDS:]
        for session in own.tolist():
            day, done = sessions.day[session], int(sessions.conventional_sets[session])
            for place, exercise in enumerate(codes):
                visits = np.flatnonzero(observed[client, :, place] & (tested_on[client] < day))
                number = done // codes.size + (place < done % codes.size)
                counted = settings.repetitions + rng.integers(-2, 3) - np.arange(number)
                if visits.size:
                    load = batch.tests.load[trial][client, visits[-1], place]
                    date = dates[client] + np.timedelta64(int(day), "D")
                    rows += [
                        (label, date, exercise, float(index + 1), load, float(max(1, counted[index])))
                        for index in range(number)
                    ]
    rows.sort(key=lambda row: (row[1], row[0]))  # a stable order: sets stay in theirs
    names = ("client", "date", "exercise", "set", "load", "repetitions")
    types = (object, "datetime64[D]", object, float, float, float)
    return {
        name: np.array([row[index] for row in rows], dtype=types[index]) for index, name in enumerate(names)
    }


def pauses_table(batch: TrialBatch, rng: np.random.Generator, *, trial: int = 0) -> Columns:
    """Registered breaks."""
    seen = batch.attendance
    client = np.flatnonzero(seen.pause_last[trial] >= seen.pause_first[trial])
    start = allocation_dates(batch, trial)[client]
    reasons = np.array(["holiday", "work abroad", "illness", "family"], dtype=object)
    return {
        "client": _labels(client_labels(batch.settings), client),
        "first_day": start + seen.pause_first[trial, client].astype(_DAY),
        "last_day": start + seen.pause_last[trial, client].astype(_DAY),
        "recorded_on": start + seen.pause_entered[trial, client].astype(_DAY),
        "reason": reasons[rng.integers(reasons.size, size=client.size)],
    }


def closures_table(batch: TrialBatch) -> Columns:
    """Days on which the studio was closed."""
    first = np.datetime64(batch.settings.calendar.first_day, "D")
    days = np.array(batch.settings.attendance.closures, dtype=np.int64).reshape(-1, 2).astype(_DAY)
    return {
        "first_day": first + days[:, 0],
        "last_day": first + days[:, 1],
        "reason": np.full(len(days), "holidays", dtype=object),
    }


def departures_table(batch: TrialBatch, rng: np.random.Generator, *, trial: int = 0) -> Columns:
    """Notices of departure; not every leaver gives one, and who comes back has given none."""
    left, back = batch.leaving.left[trial], batch.leaving.returned[trial]
    through = batch.attendance.through_day[trial]
    written = rng.random(left.size) < _REGISTERED
    wait = rng.integers(1, 22, size=left.size)
    reason = rng.choice(len(REASONS_FOR_DEPARTURE), p=_REASON_SHARES, size=left.size)
    reachable = rng.random(left.size) < 0.6
    client = np.flatnonzero(written & np.isinf(back) & (left + wait <= through))
    day = (left[client] + wait[client]).astype(np.int64)
    dates = allocation_dates(batch, trial)[client] + day.astype(_DAY)
    return {
        "client": _labels(client_labels(batch.settings), client),
        "date": dates,
        "reason": _labels(REASONS_FOR_DEPARTURE, reason[client]),
        "still_reachable": reachable[client].astype(float),
        "recorded_on": dates,
    }


def harms_table(batch: TrialBatch, harms: tuple[SimulatedHarm, ...], *, trial: int = 0) -> Columns:
    """Harms of clients and trainers, in order of day; none after the end of the records."""
    first = np.datetime64(batch.settings.calendar.first_day, "D")
    dates = allocation_dates(batch, trial)
    clients, trainers = client_labels(batch.settings), trainer_labels(batch.settings)
    rows = sorted((_harm_date(harm, dates, first), index) for index, harm in enumerate(harms))
    last = _last_date(batch, trial)
    ordered = [(min(date, last), harms[index]) for date, index in rows]
    texts = ("kind", "exercise", "severity", "related", "action", "outcome")
    return {
        "client": np.array([clients[h.client] if h.client >= 0 else "" for _, h in ordered], dtype=object),
        "trainer": np.array(
            [trainers[h.trainer] if h.trainer >= 0 else "" for _, h in ordered], dtype=object
        ),
        "date": np.array([date for date, _ in ordered], dtype="datetime64[D]"),
        "partner_reps": np.array([h.partner_reps for _, h in ordered], dtype=float),
        "serious": np.array([float(h.serious) for _, h in ordered]),
        "expected": np.array([float(h.expected) for _, h in ordered]),
        "judged_by": np.full(len(ordered), "SP", dtype=object),
        **{name: np.array([getattr(h, name) for _, h in ordered], dtype=object) for name in texts},
    }


def _harm_date(harm: SimulatedHarm, dates: Dates, first: np.datetime64) -> np.datetime64:
    start = first if harm.client < 0 else dates[harm.client]
    date: np.datetime64 = start + np.timedelta64(harm.day, "D")
    return date


def _last_date(batch: TrialBatch, trial: int) -> np.datetime64:
    """Last day that the records cover."""
    ends = allocation_dates(batch, trial) + batch.attendance.through_day[trial].astype(_DAY)
    last: np.datetime64 = ends.max()
    return last
