"""Work shared out among workers: here, among processes of this machine, or on a cluster of the user's own, by joblib.

A task is told by its number alone what to do and what random numbers to take, and results are put in the order of the tasks, so that
neither how many workers there are nor who ends first has a say in any answer. Inside a task nothing is shared out again.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np

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
    import cloudpickle
    import joblib

    try:
        packed = cloudpickle.dumps(work)
    except Exception as problem:  # whatever an object of the user's raises when it is asked to be sent
        raise StudyError(
            f"{where}: what is done",
            f"bound to this process ({type(problem).__name__}: {problem})",
            "something that can be sent to another",
            "leave n_jobs at 1",
        ) from problem
    # not more tasks under way than workers asked for: a cluster would take as many as it has room for
    run = joblib.Parallel(n_jobs=count, return_as="generator_unordered", pre_dispatch=count if n_jobs > 1 else 2 * count)
    try:
        # in a tuple, which no backend holds back for others: what one worker alone holds is lost with it
        yield from run(joblib.delayed(_done)(packed, (place, task)) for place, task in enumerate(tasks))
    except Exception as problem:
        if not {kind.__name__ for kind in type(problem).__mro__} & LOST:
            raise
        raise StudyError(
            f"{where}: a worker",
            "gone before its work was done",
            "left to finish: it was killed, or ran out of memory",
            "run it again, with fewer workers where memory is short; with checkpoint= it goes on from what was finished",
        ) from problem


def in_order(
    where: str, work: Callable[[Task], Result], tasks: Sequence[Task], n_jobs: int = 1
) -> list[Result]:
    """The results of all tasks in the order of the tasks; arguments as for `shared_out`."""
    found = dict(shared_out(where, work, tasks, n_jobs))
    return [found[place] for place in range(len(tasks))]


def _done(packed: bytes, task: tuple[int, Any]) -> tuple[int, Any]:
    """One task, in a worker."""
    before, _here.task = getattr(_here, "task", False), True
    try:
        return task[0], _unpacked(packed)(task[1])
    finally:
        _here.task = before


@lru_cache(maxsize=2)
def _unpacked(packed: bytes) -> Callable[[Any], Any]:
    """What to do, as another process of the same user sent it."""
    import cloudpickle

    return cloudpickle.loads(packed)  # type: ignore[no-any-return]


class Told:
    """How far it is: a bar, a function that is called with how many are done and of how many, or silence."""

    def __init__(self, progress: bool | Callable[[int, int], None], count: int, words: str) -> None:
        self.progress, self.count, self.words = progress, count, words
        self.shown: Any = None

    def __enter__(self) -> Callable[[int], None]:
        if callable(self.progress):
            call = self.progress
            return lambda done: call(done, self.count)
        if not self.progress:
            return lambda done: None
        from rich.progress import Progress

        self.shown = Progress(transient=True)
        self.shown.start()
        bar = self.shown.add_task(self.words, total=self.count)
        return lambda done: self.shown.update(bar, completed=done)

    def __exit__(self, *_: object) -> None:
        if self.shown is not None:
            self.shown.stop()


def whole(where: str, value: object, least: int) -> int:
    """A whole number from `least`, or the sentence that says so."""
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < least:
        raise StudyError(where, value, f"a whole number from {least}", "leave it out for the usual")
    return int(value)
