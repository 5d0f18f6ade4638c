"""Planning as the facade does it: from assumptions or own records, then tried out on simulated studies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from studykit.planning.plan import Plan
    from studykit.planning.simulated_plan import Stage
    from studykit.planning.simulation_work import Workers
    from studykit.protocol.types import Protocol


def plan(
    protocol: Protocol, *, clients: int | None, pilot: bool, from_records: str | Path | None = None
) -> Plan:
    """What a study can and cannot tell.

    Parameters
    ----------
    protocol : Protocol
    clients : int, optional
        In all arms together, if not as the protocol plans.
    pilot : bool
        Whether a pilot study is planned beside it.
    from_records : str or Path, optional
        An earlier study's folder, or a folder of record tables, whose figures replace assumptions.

    Raises
    ------
    FolderError, ArgumentError
        If there are no such records, or nothing can be estimated from them.
    """
    from studykit.planning.plan import plan_study

    if from_records is None:
        return plan_study(protocol, clients=clients, pilot=pilot)
    from studykit.study.own_records import own_figures

    found, notes = own_figures(Path(from_records), protocol)
    planned = plan_study(found.plugged_into(protocol), clients=clients, pilot=pilot)
    return replace(planned, own_figures=found, findings=(*notes, *planned.findings))


def simulate(
    protocol: Protocol, planned: Plan, *, trials: int, seed: int, workers: Workers, stage: Stage | None
) -> Plan:
    """The same plan with what simulated studies say of it.

    Parameters
    ----------
    protocol : Protocol
    planned : Plan
        Of this protocol; its own figures, if it has any, are assumed.
    trials : int
        Studies of the planned size.
    seed : int
    workers : int or str
        Processes, or the address of a Dask scheduler.
    stage : callable or None
        Is told how far the work is.
    """
    from studykit.planning.simulated_plan import simulate_plan

    own = planned.own_figures
    found = simulate_plan(
        protocol if own is None else own.plugged_into(protocol),
        clients=planned.clients,
        trials=trials,
        seed=seed,
        workers=workers,
        stage=stage,
    )
    return replace(planned, simulated=found)
