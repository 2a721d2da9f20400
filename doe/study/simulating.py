"""Many simulated trials of the user's own: how often an interval holds, a test cries out, a rule decides well."""

from __future__ import annotations

import hashlib
import inspect
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from doe.study.checkpoints import digest, kept_results, plain
from doe.study.errors import StudyError
from doe.study.workers import Told, whole

Row = Mapping[str, Any]


def simulate(
    trial: Callable[..., Row],
    n: int,
    arguments: Mapping[str, Any] | None = None,
    seed: int = 0,
    n_jobs: int = 1,
    checkpoint: str | os.PathLike[str] | None = None,
    progress: bool | Callable[[int, int], None] = False,
) -> pd.DataFrame:
    """Do one simulated trial n times, each with random numbers of its own: a coverage study, say.

    Parameters
    ----------
    trial : callable
        `trial(rng, **arguments)` does one trial with a NumPy Generator and returns a mapping of names to numbers, texts or truth values.
    n : int
        Trials.
    arguments : mapping, optional
        What is passed to every trial by name.
    seed : int
        The same seed gives the same trials for any `n_jobs`, and the first of them whatever `n` is.
    n_jobs : int
        Processes of this machine; they change the time only. With 1, those that an active `joblib.parallel_config` offers.
    checkpoint : path, optional
        A file that keeps every finished trial: a run that was stopped or killed goes on from there, and so does one of a larger `n`. The file
        is of one function, as its source reads, one set of arguments and one seed; it does not see what else the function looks up.
    progress : bool or callable
        Show a bar; a callable is given how many are done, and of how many.

    Returns
    -------
    DataFrame
        One row a trial, in the order of their numbers; one column a name.

    Raises
    ------
    StudyError
        If a trial returns something else, a figure cannot be used, the checkpoint is of another run, or a worker was killed.

    Notes
    -----
    Trial i takes its random numbers from the i-th child of the seed's `numpy.random.SeedSequence` (O'Neill 2014, as NumPy has it).

    Examples
    --------
    >>> import doe
    >>> from scipy import stats
    >>> def holds(rng, batches):
    ...     y = rng.normal(10.0, 2.0, batches)
    ...     low, high = stats.t.interval(0.95, batches - 1, y.mean(), stats.sem(y))
    ...     return {"holds": low < 10.0 < high, "width": high - low}
    >>> doe.simulate(holds, 400, {"batches": 4})["holds"].mean()
    np.float64(0.9525)
    """
    if not callable(trial):
        raise StudyError("simulate: trial", trial, "a function of a random generator", "write def trial(rng): ...")
    count = whole("simulate: n", n, 1)
    whole("simulate: seed", seed, 0)
    jobs = whole("simulate: n_jobs", n_jobs, 1)
    given = {} if arguments is None else arguments
    if not isinstance(given, Mapping) or not all(isinstance(name, str) for name in given):
        raise StudyError(
            "simulate: arguments", given, "a mapping of names to what the trial is given", 'write {"batches": 12}'
        )
    work = _Trials(trial, dict(given), int(seed))
    with Told(progress, count, "simulating") as step:
        rows = kept_results("simulate", work, count, jobs, checkpoint, work.digests, step)
    return pd.DataFrame(list(rows), index=pd.RangeIndex(count, name="trial"))


@dataclass(frozen=True)
class _Trials:
    """What every trial shares."""

    trial: Callable[..., Row]
    given: dict[str, Any]
    seed: int

    @cached_property
    def _where(self) -> str:
        return f"simulate: {getattr(self.trial, '__name__', 'trial')}"

    def __call__(self, i: int) -> dict[str, Any]:
        """One trial."""
        # the i-th of SeedSequence(seed).spawn(n), without making the others
        rng = np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=(i,)))
        row = self.trial(rng, **self.given)
        if not isinstance(row, Mapping) or not row:
            raise StudyError(
                f"{self._where} returns",
                type(row).__name__ if not isinstance(row, Mapping) else {},
                "a mapping of names to numbers, texts or truth values",
                'return {"holds": low < 10 < high}, say',
            )
        return dict(plain(row, f"{self._where} returns"))

    def digests(self) -> dict[str, str]:
        """What decides the trials: the function as its source reads, what it is given, and the seed."""
        where = "simulate: trial"
        trial = self.trial
        if not inspect.isfunction(trial) or trial.__closure__:
            raise StudyError(
                where,
                getattr(trial, "__name__", type(trial).__name__),
                "a plain function that holds on to no values, for a checkpoint to know it again",
                "write it by def, and pass what it needs as arguments=",
            )
        try:
            source = inspect.getsource(trial)
        except (OSError, TypeError) as problem:
            raise StudyError(
                where, trial.__name__, "a function whose source can be read, for a checkpoint", "keep it in a file"
            ) from problem
        told = {
            "trial": hashlib.sha256(source.encode()).hexdigest()[:16],
            "seed": digest(self.seed, "simulate: seed"),
        }
        return told | {
            f"arguments[{name!r}]": digest(value, f"simulate: arguments[{name!r}]")
            for name, value in self.given.items()
        }
