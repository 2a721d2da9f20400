"""Checkpoints: the finished tasks of a long run in a file, so that it goes on after a kill with the same answer.

The file is text, one JSON object a line: first what the run is, then each finished task with its own check sum. It only grows.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import sys
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib.metadata import version
from time import monotonic
from typing import Any

import numpy as np
import pandas as pd

from doe.study.errors import StudyError
from doe.study.files import Growing
from doe.study.workers import shared_out

SCHEMA = 1
BEGINS = '{"kind": "checkpoint"'
MOST = 512 * 2**20  # bytes; a million rehearsals of two responses take about as much
WAIT = 0.5  # seconds that finished tasks wait at most to be written, so that short tasks do not each wait for the disk
MARK = "~"  # a key that begins so stands for what JSON cannot write


def plain(value: Any, where: str) -> Any:
    """The same in what JSON can hold: texts, numbers, truth values, None, lists and mappings.

    Raises
    ------
    StudyError
        If it holds anything else.
    """
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, np.ndarray):
        return plain(value.tolist(), where)
    if isinstance(value, Mapping) and all(isinstance(key, str) for key in value):
        return {str(key): plain(inner, where) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner, where) for inner in value]
    raise StudyError(
        where, type(value).__name__, "a number, text, truth value, or a list or mapping of them", "turn it into one"
    )


def _text(value: Any) -> str:
    return json.dumps(_written(value), sort_keys=False, ensure_ascii=True, allow_nan=False)


def _written(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return {MARK: repr(value)}
    if isinstance(value, dict):
        return {(MARK + k if k.startswith(MARK) else k): _written(v) for k, v in value.items()}
    return [_written(v) for v in value] if isinstance(value, list) else value


def _read(value: Any) -> Any:
    if isinstance(value, dict):
        if set(value) == {MARK}:
            return float(value[MARK])
        return {k.removeprefix(MARK): _read(v) for k, v in value.items()}
    return [_read(v) for v in value] if isinstance(value, list) else value


def digest(value: Any, where: str) -> str:
    """Sixteen hexadecimal digits of what an argument is: numbers, texts, arrays, tables, studies, plans, and lists and mappings of them."""
    return hashlib.sha256(_told(value, where).encode()).hexdigest()[:16]


def _told(value: Any, where: str) -> str:
    known = getattr(value, "fingerprint", None)
    if isinstance(known, str):
        return f"{type(value).__name__} {known}"
    if isinstance(value, pd.DataFrame | pd.Series):
        # the numbers themselves: printed ones would be rounded
        table = value.to_frame() if isinstance(value, pd.Series) else value
        columns = [[str(name), list(table[name])] for name in table.columns]
        return f"table {_told([list(table.index), columns], where)}"
    if isinstance(value, np.ndarray) and value.dtype != object:
        return f"array {value.dtype} {value.shape} {hashlib.sha256(np.ascontiguousarray(value).tobytes()).hexdigest()}"
    if isinstance(value, Mapping):
        return "{" + ",".join(f"{_told(k, where)}:{_told(v, where)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple | np.ndarray):
        return "[" + ",".join(_told(v, where) for v in value) + "]"
    return f"{type(value).__name__} {_text(plain(value, where))}"


class Checkpoint:
    """The finished tasks of one run.

    Parameters
    ----------
    path : str or path
    of : str
        What is run.
    arguments : mapping of name to digest
        All that decides its answer.

    Attributes
    ----------
    finished : dict of task number to result
        Those read from the file.

    Raises
    ------
    StudyError
        If the file is no checkpoint, is of another run, is damaged, or another run is writing to it.
    """

    def __init__(self, path: str | os.PathLike[str], of: str, arguments: Mapping[str, str]) -> None:
        self.where = f"{of}: checkpoint {str(path)!r}"
        if not isinstance(path, str | os.PathLike):
            raise StudyError(f"{of}: checkpoint", path, "the path of a file", 'write "rehearsal.jsonl"')
        wanted = {"kind": "checkpoint", "schema": SCHEMA, "of": of, "arguments": dict(arguments)}
        self._file = Growing(path, json.dumps(wanted), BEGINS, self.where, MOST)
        try:
            self._same(wanted)
            self.finished = dict(self._tasks())
        except BaseException:
            self._file.close()
            raise
        self._waiting: list[str] = []
        self._since = monotonic()

    def _same(self, wanted: dict[str, Any]) -> None:
        try:
            found = json.loads(self._file.lines[0])
            theirs = dict(found["arguments"])
        except (ValueError, TypeError, KeyError, RecursionError) as problem:
            raise self._damaged(1) from problem
        if found == wanted:
            return
        mine = wanted["arguments"]
        other = [name for name in mine if theirs.get(name) != mine[name]]
        what = f"{found.get('of')!r}" if found.get("of") != wanted["of"] else f"other {', '.join(other) or 'form'}"
        raise StudyError(
            self.where,
            f"of another run ({what})",
            "of this one: same function, arguments and versions",
            "give each run a file of its own",
        )

    def _tasks(self) -> Iterator[tuple[int, Any]]:
        for number, line in enumerate(self._file.lines[1:], start=2):
            try:
                found = json.loads(line)
                task, result = found["task"], found["result"]
                sound = found["sum"] == _sum(task, json.dumps(result, ensure_ascii=True, allow_nan=False))
                if not sound or isinstance(task, bool) or not isinstance(task, int):
                    raise ValueError
                yield task, _read(result)
            except (ValueError, TypeError, KeyError, RecursionError) as problem:
                raise self._damaged(number) from problem

    def _damaged(self, line: int) -> StudyError:
        return StudyError(
            f"{self.where}: line {line}",
            "damaged",
            "as it was written",
            "take out that line, and its task is done again"
            if line > 1
            else "begin a new file: the run it is of cannot be known",
        )

    def add(self, task: int, result: Any) -> None:
        """Keep a finished task; on the disk within half a second of the next one, or at `close`."""
        text = _text(result)
        self._waiting.append(f'{{"task": {task}, "sum": "{_sum(task, text)}", "result": {text}}}')
        if monotonic() - self._since >= WAIT:
            self.write()

    def write(self) -> None:
        """Put what waits on the disk."""
        waiting, self._waiting = self._waiting, []
        if waiting:
            self._file.add(waiting)
        self._since = monotonic()

    def close(self) -> None:
        """Write what waits and let go of the file."""
        try:
            self.write()
        finally:
            self._file.close()


def _sum(task: object, text: str) -> str:
    return f"{zlib.crc32(f'{task} {text}'.encode()):08x}"


def versions() -> str:
    """Versions of what decides the figures: another one may round otherwise."""
    own = getattr(sys.modules[__name__.partition(".")[0]], "__version__", "unknown")
    return ", ".join([f"doe {own}", *(f"{name} {version(name)}" for name in ("numpy", "scipy", "pandas", "numba"))])


def kept_results(
    of: str,
    work: Callable[[int], Any],
    count: int,
    n_jobs: int,
    checkpoint: str | os.PathLike[str] | None,
    arguments: Callable[[], Mapping[str, str]],
    done: Callable[[int], None],
) -> Sequence[Any]:
    """Results of tasks 0 to count − 1, in their order, those in the checkpoint not done again.

    Parameters
    ----------
    of : str
        What is run.
    work : callable
        Of a task's number; its result in what `plain` makes.
    count, n_jobs : int
        As for `shared_out`.
    checkpoint : path, optional
    arguments : callable
        Gives the digests of all that decides the results; asked for only where there is a checkpoint.
    done : callable
        Called with how many are done.
    """
    if checkpoint is None:
        found: dict[int, Any] = {}
        for number, result in shared_out(of, work, range(count), n_jobs):
            found[number] = result
            done(len(found))
        return [found[i] for i in range(count)]
    kept = Checkpoint(checkpoint, of, {**arguments(), "versions": versions()})
    try:
        found = {i: r for i, r in kept.finished.items() if i < count}
        left = [i for i in range(count) if i not in found]
        if found:
            done(len(found))
        for place, result in shared_out(of, work, left, n_jobs):
            kept.add(left[place], result)
            found[left[place]] = result
            done(len(found))
    finally:
        kept.close()
    return [found[i] for i in range(count)]
