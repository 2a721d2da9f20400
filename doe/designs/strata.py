"""Blocks and whole plots of a plan to be made: which runs hang together, how strongly, and what that many can estimate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.assembly import whole_number
from doe.designs.encoding import Encoding
from doe.designs.plan import Plan
from doe.designs.search.problem import Layout, Problem
from doe.study import Model, Study, StudyError
from doe.study.dependence import dependent_groups

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]
TIED = 1e-10  # share of the largest singular value below which the region itself ties columns together


@dataclass(frozen=True)
class Strata:
    """Who shares what: labels of blocks and whole plots for every run, and the variance ratios."""

    n: int
    block: Ints | None
    whole_plot: Ints | None
    random_blocks: bool
    eta_whole: float
    eta_block: float
    hard: tuple[int, ...]

    @property
    def contrasts(self) -> int:
        """Fixed-block columns."""
        return 0 if self.block is None or self.random_blocks else int(self.block.max())

    def layout(self, extra: Reals | None, base: Reals, **more: Any) -> Layout:
        """The engine's layout; `extra` are the block contrasts beside the settings `base`."""
        given = base if extra is None else np.hstack([base, extra])
        return Layout(
            self.n,
            self.whole_plot,
            self.block if self.random_blocks else None,
            self.eta_whole if self.whole_plot is not None else 0.0,
            self.eta_block if self.random_blocks else 0.0,
            self.hard,
            given,
            **more,
        )


def strata_of(
    where: str,
    study: Study,
    encoding: Encoding,
    runs: int,
    blocks: int | Sequence[int] | None,
    block_effects: str,
    whole_plots: int | Sequence[int] | None,
    variance_ratio: float | tuple[float, float],
) -> Strata:
    """The strata that the arguments of `optimal` ask for, or the sentence that says why not."""
    ratios = variance_ratio if isinstance(variance_ratio, tuple) else (variance_ratio, variance_ratio)
    for ratio in ratios:
        if isinstance(ratio, bool) or not isinstance(ratio, int | float) or not 0 <= ratio < 1e6 or len(ratios) != 2:
            raise StudyError(
                f"{where}: variance_ratio",
                variance_ratio,
                "0 or above: one number, or (whole plots, blocks)",
                "1 says that whole plots differ as much as batches within them",
            )
    hard = list(study.hard_to_change)
    plot = None
    if whole_plots is None and hard:
        needed = whole_plot_columns(encoding, hard)
        whole_plots = int(min(needed + 3, max(runs // 2, needed)))
        whole_plots = min(whole_plots, runs)
    if whole_plots is not None:
        if not hard:
            raise StudyError(
                f"{where}: whole_plots",
                whole_plots,
                "left out where no factor is hard to change",
                "mark the factor hard_to_change=True",
            )
        sizes = _sizes(f"{where}: whole_plots", "whole plots", whole_plots, runs)
        plot = np.repeat(np.arange(len(sizes)), sizes)
    block = None
    if blocks is not None:
        if plot is None:
            sizes = _sizes(f"{where}: blocks", "blocks", blocks, runs)
            block = np.repeat(np.arange(len(sizes)), sizes)
        else:
            block = _blocks_of_plots(where, blocks, plot)
    return Strata(
        runs,
        block,
        plot,
        block is not None and block_effects == "random",
        float(ratios[0]),
        float(ratios[1]),
        encoding.variables_of(hard) if plot is not None else (),
    )


def _sizes(where: str, word: str, given: int | Sequence[int], runs: int) -> list[int]:
    if isinstance(given, int | np.integer) and not isinstance(given, bool):
        count = whole_number(where, given, 1, runs, f"give the number of {word}, or their sizes")
        return [runs // count + (k < runs % count) for k in range(count)]
    if isinstance(given, str) or not isinstance(given, Sequence):
        raise StudyError(where, given, "a whole number or a list of sizes", f"give the number of {word}")
    sizes = [whole_number(f"{where}: size", x, 1, mend="give a count of batches") for x in given]
    if sum(sizes) != runs:
        raise StudyError(where, sizes, f"sizes that add up to the {runs} runs", f"they add up to {sum(sizes)}")
    return sizes


def _blocks_of_plots(where: str, blocks: int | Sequence[int], plot: Ints) -> Ints:
    """Blocks that hold whole plots: as even as may be, or of the sizes given."""
    sizes = np.bincount(plot)
    if isinstance(blocks, int | np.integer) and not isinstance(blocks, bool):
        count = whole_number(
            f"{where}: blocks", blocks, 1, len(sizes), "a block holds whole plots: give no more blocks than those"
        )
        share = [len(sizes) // count + (k < len(sizes) % count) for k in range(count)]
        return np.repeat(np.repeat(np.arange(count), share), sizes)
    wanted = _sizes(f"{where}: blocks", "blocks", blocks, len(plot))
    ends = np.cumsum(sizes).tolist()
    if not set(np.cumsum(wanted).tolist()) <= set(ends):
        raise StudyError(
            f"{where}: blocks",
            wanted,
            f"sizes that hold whole plots of {', '.join(map(str, sizes))}",
            "change the one or the other",
        )
    return np.repeat(np.arange(len(wanted)), wanted)


def whole_plot_columns(encoding: Encoding, hard: list[str]) -> int:
    """Terms that only differ between whole plots: the constant and those of hard-to-change factors alone, as a rank."""
    X = encoding.model.matrix_of(encoding._sampled)
    easy = [v for v, name in enumerate(encoding.owner) if name not in hard]
    alone = X[:, encoding.exponents[:, easy].sum(axis=1) == 0]
    joined = np.column_stack([alone, np.ones(len(X))]) if encoding.model.has_constant else alone
    return int(np.linalg.matrix_rank(joined)) if joined.shape[1] else 0


def check_estimable(
    where: str,
    encoding: Encoding,
    primary: Model,
    structure: Strata,
    runs: int,
    repeated: int,
    centre: int,
    held: Reals | None = None,
) -> None:
    """Refuse what no setting of the runs could estimate, with the reason."""
    study, model = encoding.study, encoding.model
    region = study.region
    if region.dimension == 0 and not study.categorical:
        raise StudyError(
            f"{where}: region", "a single point", "one with room to vary", "widen a range or relax a constraint"
        )
    X = primary.matrix_of(encoding._sampled)
    if held is not None:
        X = np.vstack([X, Problem(model.exponents, encoding.region, Layout(1)).rows(held) @ encoding.link])
    # settings drawn inside meet an equality to about 1e-12 only
    tied = dependent_groups(X / np.maximum(np.abs(X).max(axis=0), 1e-300), TIED)
    if tied:
        involved = sorted({int(primary.term_of[c]) for group in tied for c in group})
        raise StudyError(
            f"{where}: model",
            ", ".join(primary.terms[i] for i in involved[:6]),
            "terms that the region can tell apart",
            "the constraints tie them together everywhere: leave one of them out or widen the region",
        )
    contrasts = structure.contrasts
    least = primary.p + contrasts + repeated + max(centre - 1, 0)
    if runs < least:
        parts = [f"{primary.p} coefficients"]
        if contrasts:
            parts.append(f"{contrasts} block contrast{'s' if contrasts > 1 else ''}")
        if repeated:
            parts.append(f"{repeated} repeated run{'s' if repeated > 1 else ''}")
        if centre > 1:
            parts.append(f"{centre - 1} repeat{'s' if centre > 2 else ''} of the centre")
        raise StudyError(
            f"{where}: runs",
            runs,
            f"at least {least} ({', '.join(parts)})",
            "add batches, take a smaller model, or name in potential= the terms that only may matter",
        )
    if structure.whole_plot is not None:
        plots = int(structure.whole_plot.max()) + 1
        columns = whole_plot_columns(Encoding(study, primary), list(study.hard_to_change))
        if plots < columns + contrasts:
            easy = [v for v, name in enumerate(encoding.owner) if name not in study.hard_to_change]
            terms = [
                t for i, t in enumerate(primary.terms) if not primary.exponents[primary.term_of == i][:, easy].any()
            ]
            raise StudyError(
                f"{where}: whole_plots",
                plots,
                f"at least {columns + contrasts}, since {', '.join(terms)} only differ between whole plots",
                "give more whole plots, or leave one of these terms out",
            )


def contrast_columns(codes: Ints | None) -> Reals | None:
    """Sum-to-zero contrasts of the blocks, shape (n, blocks − 1)."""
    if codes is None:
        return None
    count = int(codes.max()) + 1
    return np.vstack([np.eye(count - 1), -np.ones((1, count - 1))])[codes]


def labels_of(codes: Ints | None, letter: str, table: pd.DataFrame) -> pd.Series[Any] | None:
    """Labels such as B1, B2 on a table's index."""
    return None if codes is None else pd.Series([f"{letter}{c + 1}" for c in codes], index=table.index)


def codes_of(labels: list[str]) -> Ints:
    """Whole numbers from 0 in order of appearance."""
    order = {label: k for k, label in enumerate(dict.fromkeys(labels))}
    return np.array([order[label] for label in labels], dtype=np.int64)


def blocks_with_more(where: str, plan: Plan, more: int, block: str | None) -> list[str] | None:
    """Block labels of a plan's runs, in run order, and of `more` runs that follow in a new block; None where there are no blocks."""
    labels = None if plan.block is None else plan.block.sort_index().tolist()
    if block is None:
        if labels is not None:
            raise StudyError(f"{where}: block", None, "given, since the plan has blocks", "give the new block's label")
        return None
    if not isinstance(block, str) or not block.strip():
        raise StudyError(f"{where}: block", block, "a text", "give the new block's label")
    before = labels or ["1"] * len(plan.runs)
    if block.strip() in before:
        raise StudyError(f"{where}: block", block, "a label that the plan has not used", "give another label")
    return [*before, *[block.strip()] * more]


def check_whole_plots_given(where: str, plan: Plan) -> None:
    """Refuse a plan that does not say which of its runs share a setting of a hard-to-change factor."""
    if plan.study.hard_to_change and plan.whole_plot is None:
        raise StudyError(
            f"{where}: plan",
            "without whole plots",
            f"one that says which runs share a setting of {' and '.join(map(repr, plan.study.hard_to_change))}",
            "give its whole_plot labels, one a run if the factor was set anew each time",
        )


def new_labels(letter: str, used: Sequence[str], count: int) -> list[str]:
    """Labels such as W7, W8 that come after those used."""
    numbers = (int(u[len(letter) :]) for u in used if u.startswith(letter) and u[len(letter) :].isdecimal())
    last = max(numbers, default=0)
    return [f"{letter}{last + i}" for i in range(1, count + 1)]
