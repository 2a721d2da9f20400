"""Tasks known by their numbers, worked through one after another, by processes of this machine, or by a user's own cluster."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from doe.study.errors import StudyError


def worked_through(act: Callable[[int], Any], numbers: Iterable[int], jobs: int, where: str) -> Iterator[Any]:
    """What `act` gives for each number, in the order of the numbers whoever works on them.

    Parameters
    ----------
    act : callable
        Of one number; whatever chance is in it must follow from that number alone, so that the workers change no result.
    numbers : iterable of int
    jobs : int
        Processes. 1 works in this process, or as `joblib.parallel_config` around the call says: on its backend, with its number of workers.
    where : str
        Begins the sentence if a worker is lost.

    Raises
    ------
    StudyError
        If a worker was killed and nothing took its task over.
    """
    from joblib import Parallel, delayed  # slow to import

    results = Parallel(n_jobs=None if jobs == 1 else jobs, return_as="generator")(delayed(act)(i) for i in numbers)
    try:
        yield from results
    except Exception as problem:
        if not _lost(problem):
            raise
        raise StudyError(
            f"{where}: a worker",
            "lost",
            "there until its task is done",
            "take fewer workers if memory ran out, and call it again; with a checkpoint= it goes on from what is done",
        ) from problem


def _lost(problem: Exception) -> bool:
    """Whether a worker was killed, as the processes here and a cluster of Dask tell it."""
    from joblib.externals.loky.process_executor import TerminatedWorkerError

    cluster = sys.modules.get("distributed")
    return isinstance(problem, TerminatedWorkerError) or (
        cluster is not None and isinstance(problem, cluster.KilledWorker)
    )
