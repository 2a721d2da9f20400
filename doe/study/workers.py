"""Work shared out among workers: here, among processes of this machine, or on a cluster of the user's own, by joblib.

A task is told by its number alone what to do and what random numbers to take, and results are put in the order of the tasks, so that
neither how many workers there are nor who ends first has a say in any answer. Inside a task nothing is shared out again.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar
from uuid import uuid4

from doe.study.errors import StudyError

Task = TypeVar("Task")
Result = TypeVar("Result")
# what joblib, the process pool and the cluster raise when a worker ends before its task; named, for they need not be installed
LOST = {
    "TerminatedWorkerError",
    "BrokenProcessPool",
    "KilledWorker",
    "FutureCancelledError",
    "FuturesCancelledError",
    "CommClosedError",
}
_here = threading.local()


def offered() -> int:
    """How many workers an active `joblib.parallel_config` offers: 1 for none, below 0 for all that its backend has."""
    joblib = sys.modules.get("joblib.parallel")  # without it no such configuration can be active
    if joblib is None or getattr(_here, "task", False):
        return 1
    backend, jobs = joblib.get_active_backend()
    return int(getattr(backend, "default_n_jobs", 1) if jobs is None else jobs)


def worker_count(n_jobs: int) -> int:
    """How many workers tasks are shared out among; 1: they are done here, one after the other."""
    if getattr(_here, "task", False):
        return 1
    asked = n_jobs if n_jobs > 1 else offered()
    if asked == 1:
        return 1
    import joblib

    there = int(joblib.effective_n_jobs(asked))
    return min(asked, there) if asked > 1 else there


def shared_out(
    where: str, work: Callable[[Task], Result], tasks: Sequence[Task], n_jobs: int = 1
) -> Iterator[tuple[int, Result]]:
    """Do every task; give each one's place and result as soon as it ends.

    Parameters
    ----------
    where : str
        What is done; begins an error's sentence.
    work : callable
        Of one task; sent to each worker once or a few times.
    tasks : sequence
    n_jobs : int
        Workers at once. With 1, those that an active `joblib.parallel_config` offers, or this process alone.

    Yields
    ------
    int, result
        In any order.

    Raises
    ------
    StudyError
        If a worker ends before its task does, or the work cannot be sent to another process.
    """
    count = worker_count(n_jobs) if len(tasks) > 1 else 1
    if count == 1:
        for place, task in enumerate(tasks):
            yield place, work(task)
        return
    import joblib

    run_of = uuid4().hex  # by which a worker knows what it was sent before
    # not more tasks under way than workers asked for: a cluster would take as many as it has room for
    run = joblib.Parallel(
        n_jobs=count, return_as="generator_unordered", pre_dispatch=count if n_jobs > 1 else 2 * count
    )
    try:
        # in a tuple, which a cluster sends with every task: what it lays on one worker for all is lost with that one
        _check_sent(work)
        yield from run(joblib.delayed(_done)((run_of, work, place, task)) for place, task in enumerate(tasks))
    except Exception as problem:
        kinds = {kind.__name__ for kind in type(problem).__mro__}
        if "PicklingError" in kinds or ("TypeError" in kinds and "serialize" in str(problem)):
            raise StudyError(
                f"{where}: what is done",
                f"bound to this process ({type(problem).__name__})",
                "something that can be sent to another",
                "leave n_jobs at 1",
            ) from problem
        if not kinds & LOST:
            raise
        raise StudyError(
            f"{where}: a worker",
            "gone before its work was done",
            "left to finish: it was killed, or ran out of memory",
            "run it again, with fewer workers where memory is short; with checkpoint= it goes on from what was finished",
        ) from problem


def in_order(where: str, work: Callable[[Task], Result], tasks: Sequence[Task], n_jobs: int = 1) -> list[Result]:
    """The results of all tasks in the order of the tasks; arguments as for `shared_out`."""
    found = dict(shared_out(where, work, tasks, n_jobs))
    return [found[place] for place in range(len(tasks))]


def _check_sent(work: object) -> None:
    """Refuse what a Dask cluster cannot be sent; joblib itself would wait for it for ever."""
    if type(sys.modules["joblib.parallel"].get_active_backend()[0]).__name__.startswith("Dask"):
        from distributed.protocol.serialize import serialize

        serialize(work, on_error="raise")


def _done(sent: tuple[str, Callable[[Any], Any], int, Any]) -> tuple[int, Any]:
    """One task, in a worker; what is done is what was sent first, so that it may keep what it works out once."""
    run_of, work, place, task = sent
    if run_of not in _kept:
        while len(_kept) >= 2:
            _kept.pop(next(iter(_kept)), None)
        _kept[run_of] = work
    before, _here.task = getattr(_here, "task", False), True
    try:
        return place, _kept.get(run_of, work)(task)
    finally:
        _here.task = before


_kept: dict[str, Callable[[Any], Any]] = {}
