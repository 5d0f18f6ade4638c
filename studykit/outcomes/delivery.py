"""What was delivered, by arm as allocated: sessions, partner reps, fidelity, contamination."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
from numpy.typing import NDArray

from studykit.outcomes.exposure import client_days
from studykit.outcomes.ramp_in import ramp_stage
from studykit.outcomes.results import DeliveryArm, DeliveryResult
from studykit.protocol.conduct import Fidelity
from studykit.protocol.types import Dose, Protocol
from studykit.records.rows import Sessions, StudyRows

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]


def analyse_delivery(protocol: Protocol, rows: StudyRows) -> DeliveryResult | None:
    """Delivery from allocation to the end of the study; None where no sessions are recorded."""
    sessions = rows.sessions
    if sessions is None:
        return None
    inside = (sessions.day >= 0) & (sessions.day <= protocol.last_day)
    days = client_days(protocol, rows)
    codes = range(len(rows.clients.arm_labels))
    return DeliveryResult(
        arms=tuple(_one_arm(protocol, sessions, code, inside, days) for code in codes),
        days_to_first_session=tuple(
            (rows.clients.arm_labels[code], *_first_sessions(sessions, code, inside)) for code in codes
        ),
        sign_offs=rows.sign_offs,
    )


def plans_partner_reps(protocol: Protocol, arm: str) -> bool:
    """Whether the arm's dose has partner reps."""
    dose = protocol.arm(arm).dose
    return dose is not None and dose.partner_reps_per_set > 0


def fidelity_word(fidelity: float, rule: Fidelity) -> str:
    """``good``, ``partial`` or ``low``; empty where nothing was delivered.

    Examples
    --------
    >>> fidelity_word(0.85, Fidelity()), fidelity_word(0.7, Fidelity()), fidelity_word(0.2, Fidelity())
    ('good', 'partial', 'low')
    """
    if math.isnan(fidelity):
        return ""
    if fidelity >= rule.good_share:
        return "good"
    return "partial" if fidelity >= rule.partial_share else "low"


def _one_arm(protocol: Protocol, sessions: Sessions, code: int, inside: Bools, days: Floats) -> DeliveryArm:
    clients = sessions.clients
    label = clients.arm_labels[code]
    booked = inside & (clients.arm[sessions.client] == code)
    attended = booked & sessions.attended
    own = clients.arm == code
    weeks = float(np.nansum(days[own])) / 7.0
    touched = attended & (np.nan_to_num(sessions.partner_reps) > 0.0)
    planned = plans_partner_reps(protocol, label)
    sets = float(np.nansum(sessions.partner_sets[attended]))
    as_planned = float(np.nansum(sessions.partner_sets_as_planned[attended]))
    fidelity = as_planned / sets if sets else math.nan
    usual, actual = clients.trainer[sessions.client[attended]], sessions.trainer[attended]
    both = (usual >= 0) & (actual >= 0)
    return DeliveryArm(
        arm=label,
        clients=int(own.sum()),
        booked=int(booked.sum()),
        attended=int(attended.sum()),
        attended_share=_share(int(attended.sum()), int(booked.sum())),
        sessions_per_week=int(attended.sum()) / weeks if weeks else math.nan,
        with_partner_reps=int(touched.sum()),
        contaminated_clients=0 if planned else np.unique(sessions.client[touched]).size,
        partner_sets=int(sets),
        partner_sets_as_planned=int(as_planned),
        fidelity=fidelity if planned else math.nan,
        fidelity_word=fidelity_word(fidelity, protocol.fidelity) if planned else "",
        limit_reached_share=_mean(sessions.limit_reached[attended]),
        mean_effort=_mean(sessions.effort[attended]),
        mean_discomfort=_mean(sessions.discomfort[attended]),
        other_trainer_share=_share(int((usual != actual)[both].sum()), int(both.sum())),
        ramped_in=_ramped_in(protocol.arm(label).dose, sessions, touched) if planned else (0, 0),
    )


def _ramped_in(dose: Dose | None, sessions: Sessions, touched: Bools) -> tuple[int, int]:
    """Clients who had a session at the whole dose by the ramp-in's rule, of those with partner reps."""
    if dose is None:
        return 0, 0
    reached = 0
    people = np.unique(sessions.client[touched])
    for client in people:
        days = np.unique(sessions.day[touched & (sessions.client == client)])
        dates = [_EPOCH + dt.timedelta(days=int(day)) for day in days]
        reached += any(ramp_stage(dose, dates, today=day).full for day in dates)
    return reached, int(people.size)


_EPOCH = dt.date(2000, 1, 1)  # any day will do: only distances count


def _share(part: int, whole: int) -> float:
    return part / whole if whole else math.nan


def _mean(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else math.nan


def _first_sessions(sessions: Sessions, code: int, inside: Bools) -> tuple[float, float, float]:
    """Days from allocation to the first attended session: median, least, most."""
    clients = sessions.clients
    own = sessions.attended & inside & (clients.arm[sessions.client] == code)
    first = np.full(clients.number, np.inf)
    np.minimum.at(first, sessions.client[own], sessions.day[own].astype(float))
    first = first[np.isfinite(first)]
    if not first.size:
        return math.nan, math.nan, math.nan
    return float(np.median(first)), float(first.min()), float(first.max())
