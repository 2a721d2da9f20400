"""The search problem of a plan: fixed, centre and repeated runs, block contrasts, prior knowledge, and the way back to all runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.assembly import middle_settings
from doe.designs.encoding import Encoding
from doe.designs.search.chains import Found
from doe.designs.search.problem import Problem
from doe.designs.strata import Strata, contrast_columns
from doe.study import StudyError

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]


def search_problem(
    where: str,
    encoding: Encoding,
    structure: Strata,
    criterion: str,
    moments: Reals,
    weight: Reals,
    centre: int,
    repeated: int,
    fixed: Ints | None,
    held: Reals | None,
) -> tuple[Problem, Callable[[Found], tuple[Reals, Ints | None, Ints | None]]]:
    """The search problem, and how its answer becomes settings, block codes and whole-plot codes of all runs."""
    region, n, m = encoding.region, structure.n, encoding.region.m
    contrasts = structure.contrasts
    kept = 0 if held is None else len(held)
    base = np.zeros((n, m))
    frozen = np.zeros(n, dtype=bool)
    if held is not None:
        base[:kept], frozen[:kept] = held, True
    ties = np.arange(n)
    chosen = np.arange(n)
    repeats = None
    repeat_block = None
    if centre:
        _place_centre(where, encoding, structure, centre, base, frozen)
    free = np.flatnonzero(~frozen)
    if repeated >= len(free) and repeated:
        raise StudyError(
            f"{where}: repeated_runs", repeated, f"less than the {len(free)} runs that are free", "repeat fewer"
        )
    if repeated:
        group = structure.whole_plot if structure.whole_plot is not None else structure.block
        dropped = _spread(where, free, np.zeros(n, dtype=np.int64) if group is None else group, repeated)
        if structure.whole_plot is None and not structure.random_blocks:
            # independent runs: fewer rows, some made several times; the search passes repeats on within their block
            chosen = np.array([i for i in range(n) if i not in dropped])
            repeats = np.ones(len(chosen), dtype=np.int64)
            repeat_block = np.full(len(chosen), -1)
            own = np.zeros(n, dtype=np.int64) if structure.block is None else structure.block
            for at, i in enumerate(chosen):
                repeat_block[at] = -1 if frozen[i] else own[i]
            for again in dropped:
                places = [at for at, j in enumerate(chosen) if not frozen[j] and own[j] == own[again]]
                repeats[places[int(np.argmin(repeats[places]))]] += 1
        else:
            assert group is not None
            for again in dropped:
                roots = [j for j in free if group[j] == group[again] and j not in dropped]
                counts = [int((ties == j).sum()) for j in roots]
                ties[again] = roots[int(np.argmin(counts))]
    extra = contrast_columns(structure.block) if contrasts else None
    part = replace(
        structure,
        n=len(chosen),
        block=None if structure.block is None else structure.block[chosen],
        whole_plot=None if structure.whole_plot is None else structure.whole_plot[chosen],
    )
    layout = part.layout(
        None if extra is None else extra[chosen],
        base[chosen],
        frozen=frozen[chosen],
        ties=None if (ties == np.arange(n)).all() else ties,
        repeats=repeats,
        repeat_block=repeat_block,
    )
    wide = replace(
        region,
        low=np.append(region.low, -np.ones(contrasts)),
        high=np.append(region.high, np.ones(contrasts)),
        A=np.hstack([region.A, np.zeros((len(region.A), contrasts))]),
        E=np.hstack([region.E, np.zeros((len(region.E), contrasts))]),
        given=tuple(range(m, m + contrasts)),
    )
    B = encoding.inward(moments)
    prior = None
    if weight.any():
        prior = _padded(encoding.inward(np.diag(weight)), contrasts)
    problem = Problem(_widened(encoding.exponents, contrasts), wide, layout, _padded(B, contrasts), prior)

    def back(found: Found) -> tuple[Reals, Ints | None, Ints | None]:
        times = np.repeat(np.arange(len(chosen)), found.repeats)
        return (
            found.Z[times][:, :m],
            None if part.block is None else part.block[times],
            None if part.whole_plot is None else part.whole_plot[times],
        )

    return problem, back


def _spread(where: str, free: Ints, group: Ints, repeated: int) -> list[int]:
    """Runs that become repeats: in turn from each group, last runs first, never the first of a group."""
    queues = {g: [int(i) for i in free if group[i] == g] for g in sorted(set(group[free].tolist()))}
    dropped: list[int] = []
    while len(dropped) < repeated:
        largest = max(queues, key=lambda g: len(queues[g]))
        if len(queues[largest]) < 2:
            raise StudyError(
                f"{where}: repeated_runs",
                repeated,
                f"at most {len(dropped)}, since every block or whole plot keeps one setting of its own",
                "repeat fewer runs",
            )
        dropped.append(queues[largest].pop())
    return dropped


def _place_centre(
    where: str, encoding: Encoding, structure: Strata, centre: int, base: Reals, frozen: NDArray[np.bool_]
) -> None:
    """Fix centre runs: spread over the blocks; where settings are shared, in whole plots of their own."""
    study = encoding.study
    if study.components:
        middle = encoding.region._middle(list(encoding.region.continuous), np.zeros(encoding.region.m))
        if middle is None or study.categorical or any(True for _ in encoding.region.levels):
            raise StudyError(
                f"{where}: centre",
                centre,
                "0 where components stand beside levels",
                "repeat runs by repeated_runs= instead",
            )
        points = middle[None, :]
    else:
        rows = middle_settings(study)
        points = encoding.settings(study.natural(pd.DataFrame(rows)))
    inside = encoding.region.contains(points, 1e-7)
    if not inside.any():
        raise StudyError(
            f"{where}: centre",
            centre,
            "0 where the middle of the ranges breaks a constraint",
            "repeat runs by repeated_runs= instead",
        )
    points = points[inside]
    group = structure.whole_plot if structure.whole_plot is not None else structure.block
    order: list[int] = []
    if group is None:
        order = list(range(structure.n - centre, structure.n))
    elif structure.whole_plot is not None:
        order = list(range(structure.n))[::-1]
    else:
        queues = {g: [int(i) for i in np.flatnonzero(group == g)][::-1] for g in sorted(set(group.tolist()))}
        while len(order) < centre:
            order += [q.pop(0) for q in queues.values() if q]
    for k, run in enumerate(order[:centre]):
        base[run], frozen[run] = points[k % len(points)], True
    if structure.whole_plot is not None:
        # batches beside a centre run share its hard-to-change settings
        for w in sorted({int(structure.whole_plot[i]) for i in order[:centre]}):
            members = np.flatnonzero(structure.whole_plot == w)
            source = next(i for i in members if frozen[i])
            for i in members[~frozen[members]]:
                base[i] = base[source]  # from here its other settings are searched


def _widened(exponents: Ints, contrasts: int) -> Ints:
    """Exponents with a column for each fixed-block contrast."""
    p, m = exponents.shape
    wide = np.zeros((p + contrasts, m + contrasts), dtype=np.int64)
    wide[:p, :m] = exponents
    wide[p:, m:] = np.eye(contrasts, dtype=np.int64)
    return wide


def _padded(B: Reals, contrasts: int) -> Reals:
    out = np.zeros((len(B) + contrasts, len(B) + contrasts))
    out[: len(B), : len(B)] = B
    return out
