"""Independent pieces of work in one process, in several, or on a cluster: the same results in the same order.

A piece is fixed by its number, never by who does it; linear algebra uses one thread in every piece, and
results are joined in the order of the pieces. One machine type and one set of versions therefore give the
same bits for any number of workers.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from functools import partial
from typing import Generic, TypeVar

from joblib import Parallel, delayed, parallel_config
from threadpoolctl import threadpool_limits

from studykit.errors import ArgumentError

Result = TypeVar("Result")
Workers = int | str
"""How many processes, or the address of a Dask scheduler such as ``"tcp://studio:8786"``."""
Told = Callable[[int, int], None]
"""Is told how many trials are done, and of how many."""


@dataclass(frozen=True, slots=True)
class Done(Generic[Result]):
    """What was done.

    Parameters
    ----------
    results : tuple
        Of the first pieces, in order.
    stopped : bool
        Whether somebody stopped the work before the last piece.
    """

    results: tuple[Result, ...]
    stopped: bool


def do_pieces(
    work: Callable[[int, int], Result],
    sizes: Sequence[int],
    *,
    workers: Workers = 1,
    tell: Told | None = None,
) -> Done[Result]:
    """Do all pieces.

    Parameters
    ----------
    work : callable
        Of the size and the number of a piece; a function of a module, so that other processes know it.
    sizes : sequence of int
        Of the pieces, in trials.
    workers : int or str
        Processes, at least 1, or the address of a Dask scheduler.
    tell : callable, optional

    Returns
    -------
    Done
        Ctrl-C ends the work early and keeps what is done.

    Raises
    ------
    ArgumentError
        If ``workers`` is neither, or Dask is not installed.

    Examples
    --------
    >>> do_pieces(pow, (2, 3)).results
    (1, 3)
    """
    if isinstance(workers, int) and workers < 1:
        raise ArgumentError(where="workers", expected="a number from 1, or an address", got=repr(workers))
    total, finished, results = sum(sizes), 0, []
    try:
        with closing(_in_order(work, sizes, workers)) as pieces:
            for size, result in zip(sizes, pieces, strict=True):
                results.append(result)
                finished += size
                if tell is not None:
                    tell(finished, total)
    except KeyboardInterrupt:
        return Done(tuple(results), stopped=True)
    return Done(tuple(results), stopped=False)


def _in_order(
    work: Callable[[int, int], Result], sizes: Sequence[int], workers: Workers
) -> Generator[Result, None, None]:
    """Results as they come, in the order of the pieces."""
    one = partial(_with_one_thread, work)
    if workers == 1 or len(sizes) <= 1:
        yield from (one(size, number) for number, size in enumerate(sizes))
        return
    with _cluster(workers) if isinstance(workers, str) else parallel_config("loky", n_jobs=workers):
        pieces = (delayed(one)(size, number) for number, size in enumerate(sizes))
        yield from Parallel(return_as="generator", pre_dispatch="all")(pieces)


def _with_one_thread(work: Callable[[int, int], Result], size: int, number: int) -> Result:
    with threadpool_limits(limits=1):
        return work(size, number)


def _cluster(address: str) -> ExitStack:
    """Joblib's Dask backend on a scheduler that runs already."""
    try:
        from distributed import Client
    except ImportError:
        raise ArgumentError(
            where="workers",
            expected="Dask, to use a cluster",
            got=f"the address {address}, and Dask is not installed",
            todo='Install it with: pip install "studykit[cluster]"; or give a number of workers.',
        ) from None
    stack = ExitStack()
    try:
        client = stack.enter_context(Client(address, timeout="5s"))
    except (OSError, ValueError, TimeoutError) as error:
        raise ArgumentError(
            where="workers",
            expected="the address of a Dask scheduler that answers, such as tcp://studio:8786",
            got=address,
            todo=f"Start the scheduler, or give a number of workers. ({type(error).__name__})",
        ) from None
    stack.enter_context(parallel_config("dask", client=client))
    return stack
