"""Independent pieces of work in one process, in several, or on a cluster: the same results in the same order.

A piece is fixed by its number, never by who does it; linear algebra uses one thread in every piece, and
results are joined in the order of the pieces. One machine type and one set of versions therefore give the
same bits for any number of workers.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cache, partial
from threading import Event, current_thread, main_thread
from types import FrameType
from typing import Generic, TypeVar

from threadpoolctl import ThreadpoolController

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
        Ctrl-C ends the work early and keeps what is done; pieces that have begun are finished first.

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
    with _asked_to_stop() as stop:
        for size, result in zip(sizes, _in_order(work, sizes, workers, stop), strict=False):
            results.append(result)
            finished += size
            try:
                if tell is not None:
                    tell(finished, total)
            except KeyboardInterrupt:
                stop.set()
    return Done(tuple(results), stopped=len(results) < len(sizes))


@contextmanager
def _asked_to_stop() -> Iterator[Event]:
    """Set by Ctrl-C: pieces that have begun are finished, no other begins; a second Ctrl-C ends at once."""
    stop = Event()

    def asked(number: int, frame: FrameType | None) -> None:
        if stop.is_set():
            signal.default_int_handler(number, frame)
        stop.set()

    if current_thread() is not main_thread():  # only the main thread hears Ctrl-C
        yield stop
        return
    before = signal.signal(signal.SIGINT, asked)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)


def _in_order(
    work: Callable[[int, int], Result], sizes: Sequence[int], workers: Workers, stop: Event
) -> Iterator[Result]:
    """Results as they come, in the order of the pieces."""
    from joblib import Parallel, delayed, parallel_config

    one = partial(_with_one_thread, os.getpid(), work)

    def begun() -> Iterator[tuple[int, int]]:
        for number, size in enumerate(sizes):
            if stop.is_set():
                return
            yield size, number

    if workers == 1 or len(sizes) <= 1:
        yield from (one(size, number) for size, number in begun())
        return
    with _cluster(workers) if isinstance(workers, str) else parallel_config("loky", n_jobs=workers):
        pieces = (delayed(one)(size, number) for size, number in begun())
        yield from Parallel(return_as="generator", pre_dispatch="3*n_jobs", batch_size=1)(pieces)


def _with_one_thread(home: int, work: Callable[[int, int], Result], size: int, number: int) -> Result:
    if os.getpid() != home and current_thread() is main_thread():
        # A terminal sends Ctrl-C to every process; the one at home decides.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    with _libraries().limit(limits=1):
        return work(size, number)


@cache
def _libraries() -> ThreadpoolController:
    """The libraries of linear algebra in this process, looked for once."""
    return ThreadpoolController()


def _cluster(address: str) -> ExitStack:
    """Joblib's Dask backend on a scheduler that runs already."""
    from joblib import parallel_config

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
