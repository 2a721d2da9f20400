"""Plans side by side, and what losing batches costs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from doe.designs.plan import Plan
from doe.quality import sentences
from doe.quality.checking import PLANNED, Check, check
from doe.quality.effects import tested_terms
from doe.study import Model, Section, Shown, StudyError
from doe.study.dependence import column_rank
from doe.study.shown import number_text

_WORDS = {
    "runs": "batches",
    "coefficients": "coefficients",
    "D": "D efficiency, %",
    "A": "A efficiency, %",
    "G": "G efficiency, %",
    "average variance": "average variance of prediction / σ²",
    "largest variance": "largest variance of prediction / σ²",
    "largest inflation": "largest variance inflation",
    "smallest change": f"change seen in the hardest term ({100 * PLANNED:.0f} % power), in σ",
    "lack of fit": "degrees of freedom for lack of fit",
    "pure error": "degrees of freedom of pure error",
}


@dataclass(frozen=True, repr=False, eq=False)
class Comparison(Shown):
    """Plans side by side; made by `compare`.

    Attributes
    ----------
    checks : dict
        Name of the plan -> Check.
    table : DataFrame
        One row a figure, one column a plan.
    """

    checks: Mapping[str, Check]
    table: pd.DataFrame

    @property
    def verdicts(self) -> list[str]:
        """Which plan is best at what, and at what price in batches."""
        out = []
        runs = {str(name): int(made.plan.runs.shape[0]) for name, made in self.checks.items()}
        for key, words in (
            ("average variance", "Most precise on average"),
            ("largest variance", "Most precise at its worst setting"),
            ("smallest change", "Sees the smallest change in its hardest term"),
        ):
            row = self.table.loc[key].dropna()
            if row.empty:
                continue
            best = [str(n) for n, v in row.items() if v <= row.min() * (1 + 1e-9)]
            if len(best) == len(row):
                out.append(f"{words}: all alike.")
            else:
                out.append(f"{words}: {sentences.listed([f'{n} ({runs[n]} batches)' for n in best])}.")
        for key, words in (("lack of fit", "No check of the model's fit"), ("pure error", "No batch made twice")):
            none = [str(n) for n in self.table.columns if self.table.loc[key, n] == 0]
            if none:
                out.append(f"{words}: {sentences.listed(none)}.")
        return out

    def _sections(self) -> list[Section]:
        shown = pd.DataFrame({"figure": [_WORDS[k] for k in self.table.index]})
        for name in self.table.columns:
            shown[name] = [number_text(float(v), digits=4) for v in self.table[name]]
        return [Section("Plans side by side", shown, "\n".join(self.verdicts))]


def figures(made: Check) -> dict[str, float]:
    """The figures that plans are compared by."""
    change = np.nan
    if tested_terms(made.model):
        changes = made.detectable(1.0)["change"]
        change = float(changes.max()) if changes.notna().all() else np.nan
    df = made.degrees_of_freedom
    return {
        "runs": float(len(made.plan.runs)),
        "coefficients": float(made.model.p),
        **{str(k): float(v) for k, v in made.efficiency.items()},
        "average variance": made.average_variance,
        "largest variance": made.largest_variance.value,
        "largest inflation": float(made.vif.max()),
        "smallest change": change,
        "lack of fit": float(df["lack of fit"]),
        "pure error": float(df["pure error"]),
    }


def compare(
    plans: Mapping[str, Plan | Check] | Sequence[Plan | Check],
    model: Model | str | list[str] | None = None,
    variance_ratio: float | None = None,
) -> Comparison:
    """Plans side by side, for one model.

    Parameters
    ----------
    plans : mapping name -> Plan (or Check), or a sequence of them
        At least two; those of a sequence are named "plan 1", "plan 2", …
    model : optional
        As for `check`; each plan's own if left out, which must then agree.
    variance_ratio : float, optional
        As for `check`, for the plans in which runs share groups.

    Returns
    -------
    Comparison

    Raises
    ------
    StudyError
        If there are fewer than two plans, or their models or regions differ.
    """
    named = dict(plans) if isinstance(plans, Mapping) else {f"plan {i + 1}": plan for i, plan in enumerate(plans)}
    if len(named) < 2:
        raise StudyError(
            "plans",
            f"{len(named)} plan" + ("" if len(named) == 1 else "s"),
            "at least two",
            "give the plans to choose between",
        )
    checks: dict[str, Check] = {}
    for name, plan in named.items():
        if isinstance(plan, Check):
            again = variance_ratio is not None and bool(plan.groups)
            ratios = variance_ratio if again else (plan.ratios if plan.groups else None)
            effects = "random" if plan.random_blocks else None
            checks[name] = (
                plan if model is None and not again else check(plan.plan, model or plan.model, ratios, effects)
            )
            continue
        grouped = isinstance(plan, Plan) and (
            plan.whole_plot is not None
            or (plan.block is not None and plan.provenance.get("arguments", {}).get("block_effects") == "random")
        )
        checks[name] = check(plan, model, variance_ratio if grouped else None)
    first = next(iter(checks.values()))
    for name, made in checks.items():
        if made.model.terms != first.model.terms:
            raise StudyError(
                f"plan {name!r}: model",
                made.model.name,
                f"the same terms as the first plan's ({first.model.name})",
                "give model= to compare all for one",
            )
        if (
            made.plan.study.factors != first.plan.study.factors
            or made.plan.study.constraints != first.plan.study.constraints
        ):
            raise StudyError(
                f"plan {name!r}: study",
                made.plan.study.name,
                "one with the same factors and constraints",
                "compare plans of one region",
            )
    return Comparison(checks, pd.DataFrame({name: figures(made) for name, made in checks.items()}))


@dataclass(frozen=True, repr=False, eq=False)
class Loss(Shown):
    """What losing batches costs; made by `after_loss`.

    Attributes
    ----------
    lost : tuple of int
        Run numbers.
    before : Check
    after : Check or None
        None where the batches that are left cannot estimate the model.
    table : DataFrame
        One row a figure: before, after.
    inestimable : tuple of str
        Terms that can no longer be estimated.
    repeat_first : DataFrame
        The lost runs in the order in which to repeat them, each with the figures once it and those above it are made again:
        run, estimable, average_variance.
    """

    lost: tuple[int, ...]
    before: Check
    after: Check | None
    table: pd.DataFrame
    inestimable: tuple[str, ...]
    repeat_first: pd.DataFrame

    @property
    def verdicts(self) -> list[str]:
        """What the loss means, in words."""
        first = self.repeat_first.iloc[0]
        if self.after is None:
            names = sentences.several([sentences.spoken(t) for t in self.inestimable])
            out = [f"Without these batches {names} cannot be estimated."]
        else:
            grown = 100.0 * (self.after.average_variance / self.before.average_variance - 1.0)
            out = [f"The average variance of prediction grows by {grown:.0f} %."]
            inflation = self.after.vif[(self.after.vif >= sentences.INFLATED) & (self.before.vif < sentences.INFLATED)]
            out += sentences.inflated(inflation)
            if (
                int(self.after.degrees_of_freedom["pure error"])
                == 0
                < int(self.before.degrees_of_freedom["pure error"])
            ):
                out.append("No setting is left that was made twice: noise and lack of fit can no longer be told apart.")
        out.append(f"Repeat run {int(first['run'])} first.")
        return out

    def _sections(self) -> list[Section]:
        words = ("" if len(self.lost) == 1 else "s") + " " + sentences.listed([str(r) for r in self.lost])
        shown = pd.DataFrame({"figure": [_WORDS[k] for k in self.table.index]})
        for name in self.table.columns:
            shown[name] = [number_text(float(v), digits=4) for v in self.table[name]]
        order = pd.DataFrame(
            {
                "repeat run": [str(int(r)) for r in self.repeat_first["run"]],
                "average variance of prediction then": [
                    number_text(float(v)) if ok else "model not yet estimable"
                    for v, ok in zip(self.repeat_first["average_variance"], self.repeat_first["estimable"], strict=True)
                ],
            }
        )
        return [
            Section(f"Without run{words} of {len(self.before.plan.runs)}", shown, "\n".join(self.verdicts)),
            Section("Which to repeat first", order),
        ]


def without(plan: Plan, lost: Iterable[int]) -> Plan:
    """The plan without some runs, numbered anew from 1."""
    gone = set(lost)
    keep = [r for r in plan.runs.index if r not in gone]
    number = {r: i + 1 for i, r in enumerate(sorted(keep))}

    def part(labels: pd.Series[Any] | None) -> pd.Series[Any] | None:
        return None if labels is None else labels.loc[keep].rename(index=number)

    runs = plan.runs.loc[keep].rename(index=number)
    return Plan(plan.study, runs, plan.model, part(plan.block), part(plan.whole_plot), plan.provenance)


def after_loss(plan: Plan | Check, runs: Iterable[int] | int, model: Model | str | list[str] | None = None) -> Loss:
    """What losing some batches costs, and which to repeat first.

    Parameters
    ----------
    plan : Plan or Check
        A Check brings its own model and variance ratio.
    runs : int or sequence of int
        Numbers of the runs that are lost.
    model : optional
        As for `check`.

    Returns
    -------
    Loss
        The order of repeats is greedy: each next run is the one that brings back most terms, then most average precision.

    Raises
    ------
    StudyError
        If a run is not in the plan, none is given, or all are lost.
    """
    before = (
        plan
        if isinstance(plan, Check) and model is None
        else check(plan.plan if isinstance(plan, Check) else plan, model)
    )
    lost = _lost(before.plan, runs)
    after_plan = without(before.plan, lost)

    def rebuilt(smaller: Plan) -> Check:
        return Check(smaller, before.model, before.ratios, before.random_blocks)

    bare = rebuilt(after_plan)
    after = bare if bare.information.estimable else None
    table = pd.DataFrame({"before": figures(before)})
    after_figures = figures(after) if after is not None else {"runs": float(len(after_plan.runs))}
    table["after"] = pd.Series(after_figures).reindex(table.index)
    inestimable: tuple[str, ...] = ()
    if after is None:
        inestimable = tuple(t for i, t in enumerate(before.model.terms) if not _estimable(bare, i))
    steps = []
    missing = list(lost)
    while missing:
        options = []
        for run in missing:
            trial = rebuilt(without(before.plan, [r for r in missing if r != run]))
            rank = column_rank(trial.information.whitened)
            variance = trial.average_variance if trial.information.estimable else np.inf
            options.append((-rank, variance, run))
        _, variance, run = min(options)
        steps.append(
            {
                "run": run,
                "estimable": bool(np.isfinite(variance)),
                "average_variance": variance if np.isfinite(variance) else np.nan,
            }
        )
        missing.remove(run)
    return Loss(lost, before, after, table, inestimable, pd.DataFrame(steps))


def _estimable(made: Check, term: int) -> bool:
    """Whether a term's columns lie outside the space of the others on the runs."""
    F = made.information.whitened
    own = np.flatnonzero(made.model.term_of == term) + made.information.B.shape[1]
    others = np.delete(F, own, axis=1)
    return column_rank(F) - column_rank(others) == len(own)


def _lost(plan: Plan, runs: Any) -> tuple[int, ...]:
    given = [runs] if isinstance(runs, int | np.integer) else list(runs)
    if not given:
        raise StudyError("lost runs", [], "at least one run number", "name the batches that are lost")
    for run in given:
        if isinstance(run, bool) or run not in plan.runs.index:
            raise StudyError(
                "lost runs",
                run,
                f"run numbers of the plan, 1 to {len(plan.runs)}",
                "take the number from the run sheet",
            )
    lost = tuple(dict.fromkeys(int(r) for r in given))
    if len(lost) == len(plan.runs):
        raise StudyError("lost runs", f"all {len(lost)}", "fewer than all", "start again from the plan")
    return lost
