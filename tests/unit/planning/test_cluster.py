"""The same simulation on a Dask cluster: two workers of this machine stand in for other machines."""

from __future__ import annotations

import pytest

from studykit.errors import ArgumentError
from studykit.planning.simulation import simulate_study
from studykit.planning.simulation_work import do_pieces
from studykit.protocol.protocol_file import read_protocol
from studykit.shipped import shipped

PROTOCOL = read_protocol(shipped("protocols") / "parallel.toml").protocol
distributed = pytest.importorskip("distributed", reason="the extra studykit[cluster] is not installed")


@pytest.fixture
def address():
    """A scheduler with two workers, in threads of this process: nothing is left running."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, protocol="tcp"
    ) as cluster:
        yield cluster.scheduler_address


@pytest.mark.slow
def test_the_same_bits_as_in_one_process(address) -> None:
    found = {
        workers: simulate_study(
            PROTOCOL, clients=16, trials=500, seed=4, workers=workers, null_trials=False, only=["strength"]
        ).outcomes[0]
        for workers in (1, address)
    }
    assert found[address].estimates.value.tobytes() == found[1].estimates.value.tobytes()
    assert found[address].with_effect == found[1].with_effect


def test_a_scheduler_that_does_not_answer_is_refused() -> None:
    with pytest.raises(ArgumentError, match=r"the address of a Dask scheduler that answers.*127\.0\.0\.1:1"):
        do_pieces(pow, (2, 3), workers="tcp://127.0.0.1:1")
