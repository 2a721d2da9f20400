"""How few batches are enough: the smallest plan that sees the changes worth seeing, or predicts as precisely as asked."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd

from doe.designs import optimal
from doe.designs.assembly import check_study
from doe.designs.plan import Plan
from doe.quality import noncentral, sentences
from doe.quality.checking import PLANNED, Check, check
from doe.quality.effects import Tested, tested_terms
from doe.quality.sizes import asked_sizes, inside
from doe.quality.spread import Noise, as_noise
from doe.study import Model, Section, Shown, Study, StudyError
from doe.study.dependence import column_rank
from doe.study.factors import as_number
from doe.study.shown import number_text
from doe.study.terms import parse_term, term_text
from doe.study.workers import in_order, offered, worker_count

QUICK = 2  # rounds of search while sizes are gone through; the size chosen and the one below it are searched to the end
MOST_WIDE = 4  # the largest plan tried by default has so many times the coefficients, and MORE
MORE = 20


@dataclass(frozen=True, repr=False, eq=False)
class Smallest(Shown):
    """The smallest plan that does what was asked; made by `smallest_plan`.

    Attributes
    ----------
    plan : Plan
    check : Check
        Of that plan.
    power : DataFrame or None
        Power for each change asked for, with that plan.
    powers : DataFrame or None
        The same for every size tried, with its best plan: runs, whole_plots (where there are any), term, power.
    table : DataFrame
        One row a size tried: runs, whole_plots (where there are any), least_power, hardest (term), precision (root mean square standard
        error of a predicted mean over the region), average_variance (over σ²), efficiency (I, in % of the best possible, at least),
        lack_of_fit, pure_error (degrees of freedom), criterion of the best plan tried, search ("quick" or "full", the most thorough of that size), reached.
    wanted : float
        The power asked for.
    asked : str
        What was asked, in words.
    notes : tuple of str
        What the saving costs, and how sure it is that fewer would not do.
    """

    plan: Plan
    check: Check
    power: pd.DataFrame | None
    powers: pd.DataFrame | None
    table: pd.DataFrame
    wanted: float
    asked: str
    notes: tuple[str, ...]

    def _sections(self) -> list[Section]:
        n = len(self.plan.runs)
        whole = "" if self.plan.whole_plot is None else f" in {self.plan.whole_plot.nunique()} whole plots"
        shown = pd.DataFrame({"batches": [str(int(v)) for v in self.table["runs"]]})
        if "whole_plots" in self.table:
            shown["whole plots"] = [str(int(v)) for v in self.table["whole_plots"]]
        if self.power is not None:
            shown["least power"] = ["none" if math.isnan(v) else _floor(v) for v in self.table["least_power"]]
            shown["hardest to see"] = [sentences.spoken(t) if t else "" for t in self.table["hardest"]]
        shown["standard error of prediction"] = [number_text(float(v), digits=3) for v in self.table["precision"]]
        shown["I efficiency, %"] = [number_text(float(v), digits=3) for v in self.table["efficiency"]]
        shown["lack of fit, df"] = [str(int(v)) for v in self.table["lack_of_fit"]]
        shown["pure error, df"] = [str(int(v)) for v in self.table["pure_error"]]
        shown["enough"] = ["yes" if r else "no" for r in self.table["reached"]]
        return [Section(f"{n} batches{whole} are enough {self.asked}", shown, "\n".join(self.notes))]


@dataclass(frozen=True)
class _Wanted:
    """What was asked, and how to judge a plan by it."""

    model: Model
    noise: Noise
    kind: str
    sizes: float | dict[str, float] | None
    blends: pd.DataFrame | None
    power: float
    alpha: float
    precision: float | None

    def found(self, made: Check) -> pd.DataFrame | None:
        if self.sizes is None:
            return None
        asked: dict[str, Any] = {self.kind: self.sizes}
        return made.power(self.noise, **asked, alpha=self.alpha, blends=self.blends)

    def row(self, made: Check, criterion: str, bound: float) -> tuple[dict[str, Any], list[str]]:
        """One row of the table, and the terms that fall short."""
        table = self.found(made)
        spread = self.noise.sigma * math.sqrt(made.average_variance)
        row: dict[str, Any] = {"runs": len(made.plan.runs)}
        if made.plan.whole_plot is not None:
            row["whole_plots"] = made.plan.whole_plot.nunique()
        short: list[str] = []
        least, hardest = math.nan, ""
        if table is not None:
            powers = table["power"].fillna(0.0).to_numpy()
            at = int(powers.argmin())
            least, hardest = float(table["power"].iloc[at]), str(table["term"].iloc[at])
            short = [str(t) for t, p in zip(table["term"], powers, strict=True) if p < self.power]
        fine = self.precision is None or spread <= self.precision
        df = made.degrees_of_freedom
        row |= {
            "least_power": least,
            "hardest": hardest,
            "precision": spread,
            "average_variance": made.average_variance,
            "efficiency": bound,
            "lack_of_fit": int(df["lack of fit"]),
            "pure_error": int(df["pure error"]),
            "criterion": criterion,
            "reached": fine and not short,
        }
        return row, short + ([] if fine else ["precision"])


def smallest_plan(
    study: Study,
    model: str | Sequence[str] | Model,
    sigma: float | Noise,
    change: float | Mapping[str, float] | None = None,
    power: float = PLANNED,
    precision: float | None = None,
    runs: Sequence[int] | None = None,
    seed: int = 0,
    n_jobs: int = 1,
    ratio: float | Mapping[str, float] | None = None,
    blends: pd.DataFrame | None = None,
    alpha: float = 0.05,
    criterion: str | None = None,
    repeated_runs: int = 0,
    variance_ratio: float = 1.0,
    all_sizes: bool = False,
) -> Smallest:
    """The least number of batches whose optimal plan does what is asked.

    Parameters
    ----------
    study : Study
    model : str, list of str or Model
        As for `Study.model`.
    sigma : float or Noise
        Standard deviation between batches made anew at one setting, on the fitted scale; of sub-plots where something is hard to change.
    change, ratio, blends, alpha
        As for `Check.power`: the changes worth seeing. May be left out where only precision is asked.
    power : float
        Each of them is to be seen with this chance at least.
    precision : float, optional
        Largest standard error of a predicted mean allowed, as its root mean square over the region, on the fitted scale.
    runs : two numbers, optional
        Fewest and most batches to consider; from as many as the model has coefficients to four times that and 20 if left out.
    seed, n_jobs, repeated_runs
        As for `doe.designs.optimal`; repeated runs give pure error. The workers of an active `joblib.parallel_config` search several sizes at once.
    criterion : {"I", "D", "A"}, optional
        Of the plans tried; if left out I, and D beside it where changes are to be seen.
    variance_ratio : float
        Variance between whole plots over that within, where a factor is hard to change.
    all_sizes : bool
        Search also the sizes that cannot do and those beyond the one found, up to the most of `runs`: for a picture of what each batch buys.

    Returns
    -------
    Smallest
        `.plan`, and `.table` of all sizes tried. Sizes are gone through from the least that could do (no plan has more information than
        batches at the ends of the range) by a quick search; the size chosen and the one below it are searched to the end. Where a factor
        is hard to change: the fewest batches, then the fewest whole plots.

    Raises
    ------
    StudyError
        If nothing is asked, a number cannot be used, or the largest plan still falls short (it says what that reached and what would help).

    References
    ----------
    Goos, P. & Jones, B. (2011). Optimal design of experiments: a case study approach, ch. 2 and 10. Wiley.
    """
    where = "smallest_plan"
    check_study(where, study)
    chosen = study.planned_model(model)
    wanted = _wanted(chosen, sigma, change, ratio, blends, power, alpha, precision)
    low, high = _range(runs, chosen.p + repeated_runs if isinstance(repeated_runs, int) else chosen.p)
    hard = list(study.hard_to_change)
    if not hard and variance_ratio != 1.0:
        raise StudyError(
            f"{where}: variance_ratio", variance_ratio, "left out where no factor is hard to change", "leave it out"
        )
    eta = as_number(f"{where}: variance_ratio", variance_ratio) if hard else 0.0
    search = _Search(study, wanted, seed, n_jobs, criterion, repeated_runs, eta)
    n, plots = search.up(low, high, all_sizes)
    made = search.settle(n, plots, low)
    return _result(search, made)


@dataclass(frozen=True, eq=False)
class _Tried:
    """A plan tried, its row of the table, and what falls short."""

    made: Check
    row: dict[str, Any]
    short: list[str]

    @property
    def rank(self) -> tuple[bool, float, float]:
        """Larger is better: what does what is asked, then the least power, then precision."""
        least = self.row["least_power"]
        return self.row["reached"], -1.0 if math.isnan(least) else min(least, 1.0), -float(self.row["precision"])


_Size = tuple[int, int | None, str, bool]  # runs, whole plots, criterion, whether it is searched to the end


@dataclass(frozen=True, eq=False)
class _Sized:
    """Searches a plan of a given size, here or in a worker elsewhere."""

    study: Study
    model: Model
    settings: dict[str, Any]
    eta: float

    def __call__(self, size: _Size) -> Plan | StudyError:
        """The plan, or why there is none."""
        n, plots, criterion, full = size
        more: dict[str, Any] = {} if plots is None else {"whole_plots": plots, "variance_ratio": self.eta}
        rounds = None if full else QUICK
        try:
            return optimal(self.study, self.model, n, criterion=criterion, rounds=rounds, **self.settings, **more)
        except StudyError as problem:
            return problem


class _Search:
    """Sizes tried, each by quick searches and, where it matters, to the end."""

    def __init__(
        self, study: Study, wanted: _Wanted, seed: int, n_jobs: int, criterion: str | None, repeated: int, eta: float
    ) -> None:
        self.study, self.wanted, self.eta = study, wanted, eta
        self.settings: dict[str, Any] = {"seed": seed, "n_jobs": n_jobs, "repeated_runs": repeated}
        self.criteria = [criterion] if criterion is not None else ["I"] if wanted.sizes is None else ["I", "D"]
        self.done: dict[tuple[int, int | None], dict[tuple[str, bool], _Tried]] = {}
        self.ahead: dict[_Size, Plan | StudyError] = {}  # what workers elsewhere have searched before it is asked for
        self.hard = list(study.hard_to_change)
        self.tests = self._tests()
        self.whole_terms = {t.name for t, whole, _ in self.tests if whole}

    def _tests(self) -> list[tuple[Tested, bool, float]]:
        """Each hypothesis asked for, whether it lies between whole plots alone, and its change on the fitted scale."""
        wanted, out = self.wanted, []
        if wanted.sizes is None or wanted.blends is not None:
            return []
        each = wanted.sizes
        if isinstance(each, dict):
            each = {term_text(parse_term(t, self.study.names)): v for t, v in each.items()}
        for t in tested_terms(wanted.model):
            if isinstance(each, dict) and t.name not in each:
                continue
            size = each[t.name] if isinstance(each, dict) else each
            names = {n for n, _ in parse_term(t.name, self.study.names)}
            out.append(
                (t, bool(self.hard) and names <= set(self.hard), math.log(size) if wanted.kind == "ratio" else size)
            )
        return out

    def could(self, n: int, plots: int | None) -> bool:
        """Whether any plan of this size could do: an effect's non-centrality is at most n (change/2)² / σ² with a constant in the model
        (half its range is its largest spread), and at most that of whole-plot means between whole plots.
        """
        p = self.wanted.model.p
        for t, whole, size in self.tests:
            reach = 0.5 if self.wanted.model.has_constant else float(np.abs(t.effects).max())
            variance, df = 1.0 / n, float(n - p)
            if plots is not None and whole:
                variance, df = self.eta / plots + 1.0 / n, min(float(plots - 1), df)
            best = (reach * size / self.wanted.noise.sigma) ** 2 / variance
            chance = noncentral.f_power(best, len(t.rows), df, self.wanted.alpha)
            if not chance >= self.wanted.power:
                return False
        return True

    def attempt(self, n: int, plots: int | None, full: bool) -> _Tried:
        """The best plan tried of this size, after a search for each criterion until one does."""
        tried = self.done.setdefault((n, plots), {})
        for criterion in self.criteria:
            if (criterion, full) not in tried:
                plan = self._searched((n, plots, criterion, full))
                made = check(plan, self.wanted.model)
                bound = self._bound(n, plots, criterion, made)
                row, short = self.wanted.row(made, criterion, bound)
                tried[criterion, full] = _Tried(made, row, short)
            if self.best(n, plots).row["reached"]:
                break
        return self.best(n, plots)

    def _searched(self, size: _Size) -> Plan:
        """The best plan that a search finds, done now or ahead."""
        found = (
            self.ahead.pop(size)
            if size in self.ahead
            else _Sized(self.study, self.wanted.model, self.settings, self.eta)(size)
        )
        if isinstance(found, StudyError):
            raise found
        return found

    def look_ahead(self, sizes: Iterable[tuple[int, int | None]], full: bool) -> None:
        """Search the next sizes at once in workers elsewhere, as many as there are workers, where the first of them is not yet searched.

        What turns out not to be needed is left out: it is in no table.
        """
        if offered() == 1 or (count := worker_count(self.settings["n_jobs"])) == 1:
            return
        wanted = (
            (n, plots, criterion, full)
            for n, plots in sizes
            for criterion in self.criteria
            if (criterion, full) not in self.done.get((n, plots), {})
        )
        first = next(wanted, None)
        if first is None or first in self.ahead:
            return
        tasks = [first, *(size for size in islice(wanted, count - 1) if size not in self.ahead)]
        work = _Sized(self.study, self.wanted.model, {**self.settings, "n_jobs": 1}, self.eta)
        found = in_order("smallest_plan", work, tasks, self.settings["n_jobs"])
        self.ahead |= dict(zip(tasks, found, strict=True))

    def _bound(self, n: int, plots: int | None, criterion: str, made: Check) -> float:
        """Efficiency for I in % of the best possible; the limit that one plan of this size was given holds for the others."""
        told = made.plan.provenance.get("certificate") or {}
        if criterion == "I":
            return float(told.get("bound", math.nan))
        for other in self.done[n, plots].values():
            if not math.isnan(other.row["efficiency"]):
                return float(other.row["efficiency"] * other.made.average_variance / made.average_variance)
        return made.certificate.bound

    def best(self, n: int, plots: int | None) -> _Tried:
        """Of all plans tried of this size."""
        return max(self.done[n, plots].values(), key=lambda t: t.rank)

    def least_plots(self) -> int:
        """As many whole plots as the terms between them have columns, and one for the noise where such a term is to be tested."""
        model = self.wanted.model
        easy = [
            i for i, v in enumerate(self.study.variables) if v.split("[")[0] not in self.hard and v not in self.hard
        ]
        X = model.matrix(self.study.region.sample(max(200, 4 * model.p), seed=0))
        alone = X[:, model.exponents[:, easy].sum(axis=1) == 0]
        if model.has_constant:
            alone = np.column_stack([alone, np.ones(len(X))])
        return column_rank(alone) + (1 if self.whole_terms else 0)

    def choices(self, n: int) -> list[int | None]:
        if not self.hard:
            return [None]
        return [w for w in range(self.least_plots(), max(n // 2, self.least_plots()) + 1) if w <= n]

    def up(self, low: int, high: int, every: bool) -> tuple[int, int | None]:
        """The first size that does, by quick searches; with `every`, the sizes beyond it are searched too."""
        last: _Tried | None = None
        first: tuple[int, int | None] | None = None
        least: int | None = None
        for n in range(low, high + 1):
            for plots in self.choices(n):
                if plots is not None and least is not None and plots < least:
                    continue
                if not every and not self.could(n, plots):
                    continue
                self.look_ahead(self._next(n, plots, high, least, every), False)
                last = self.attempt(n, plots, False)
                if last.row["reached"]:
                    first = first or (n, plots)
                    if not every:
                        return first
                    break
                if plots is not None and not set(last.short) & (self.whole_terms | {"precision"}):
                    least = max(plots - 1, self.least_plots())
                    break  # what falls short is measured within whole plots: more of them do not help
        if first is None:
            raise self._short(high, last)
        return first

    def _next(
        self, n: int, plots: int | None, high: int, least: int | None, every: bool
    ) -> Iterable[tuple[int, int | None]]:
        """The sizes from this one on that may be searched."""
        for m in range(n, high + 1):
            for other in self.choices(m):
                before = m == n and plots is not None and other is not None and other < plots
                few = other is not None and least is not None and other < least
                if not before and not few and (every or self.could(m, other)):
                    yield m, other

    def settle(self, n: int, plots: int | None, low: int) -> Check:
        """Full searches at the size found and below it, until the size below fails."""
        while True:
            below: list[tuple[int, int | None]] = (
                [] if plots is None or plots <= self.least_plots() else [(n, plots - 1)]
            )
            below += [] if n <= low else [(n - 1, plots if plots is None else min(plots, n - 1))]
            self.look_ahead([*below, (n, plots)], True)
            if plots is not None and plots > self.least_plots() and self._does(n, plots - 1):
                plots -= 1
            elif n > low and self._does(n - 1, plots if plots is None else min(plots, n - 1)):
                n -= 1
            else:
                break
        self.attempt(n, plots, True)
        return self.best(n, plots).made

    def _does(self, n: int, plots: int | None) -> bool:
        return bool(self.attempt(n, plots, True).row["reached"])

    def _short(self, high: int, last: _Tried | None) -> StudyError:
        wanted = self.wanted
        if last is None or last.row["runs"] != high:
            choices = self.choices(high)
            if not choices:
                return StudyError(
                    "smallest_plan: runs", f"at most {high}", f"at least {self.least_plots()}", "allow more batches"
                )
            last = self.attempt(high, choices[-1], True)
        row = last.row
        told = []
        if wanted.sizes is not None:
            least = "no degrees of freedom" if math.isnan(row["least_power"]) else f"power {_floor(row['least_power'])}"
            told.append(f"{least} for {sentences.spoken(row['hardest'])}")
        if wanted.precision is not None:
            told.append(f"a standard error of {number_text(row['precision'], digits=3)}")
        return StudyError(
            "smallest_plan: runs",
            f"at most {high}",
            "enough for what is asked",
            f"{row['runs']} batches reach {sentences.listed(told)}; more batches (replicates), a smaller model, less noise or larger changes would help",
        )


def _result(search: _Search, made: Check) -> Smallest:
    wanted = search.wanted
    rows = []
    for size, tried in search.done.items():
        ended = any(full for _, full in tried)
        rows.append({**search.best(*size).row, "search": "full" if ended else "quick"})
    table = pd.DataFrame(rows)
    order = ["runs", *(["whole_plots"] if "whole_plots" in table else [])]
    table = table.sort_values(order, kind="stable").reset_index(drop=True)
    n = len(made.plan.runs)
    plots = None if made.plan.whole_plot is None else made.plan.whole_plot.nunique()
    notes = []
    if (n - 1, plots) in search.done:
        notes.append(f"{n - 1} batches fall short: {_lack(search.best(n - 1, plots).row, wanted)}.")
    else:
        notes.append(f"Fewer than {n} were not asked for, or cannot estimate the model.")
    if plots is not None and (n, plots - 1) in search.done:
        notes.append(f"{plots - 1} whole plots fall short: {_lack(search.best(n, plots - 1).row, wanted)}.")
    df = made.degrees_of_freedom
    if int(df["lack of fit"]) == 0:
        notes.append(
            "The saving leaves no degrees of freedom for lack of fit: whether the model fits cannot be checked."
        )
    if int(df["pure error"]) == 0:
        notes.append(
            "The saving leaves no degrees of freedom for pure error: make a setting twice (repeated_runs=) to know the noise."
        )
    notes.append("Fewest means: of the best plans that the search found at each size.")
    found = wanted.found(made)
    if found is not None:
        for column, words in (
            ("power_high_noise", "at the high end of the noise's band"),
            ("power_at_upper_limit", "at the upper limit of σ"),
        ):
            if column in found:
                notes.append(f"Least power {words}: {number_text(float(found[column].min()), digits=2)}.")
        if wanted.noise.source:
            notes.append(wanted.noise.source)
    parts = []
    if wanted.sizes is not None:
        parts.append(
            f"to see {_sizes_text(wanted)} with power {number_text(wanted.power)} at σ = {number_text(wanted.noise.sigma)}"
        )
    if wanted.precision is not None:
        parts.append(f"to predict with a standard error of {number_text(wanted.precision)}")
    return Smallest(made.plan, made, found, _powers(search), table, wanted.power, " and ".join(parts), tuple(notes))


def _powers(search: _Search) -> pd.DataFrame | None:
    """Power of every term at every size tried."""
    parts = []
    for n, plots in sorted(search.done, key=lambda size: (size[0], size[1] or 0)):
        found = search.wanted.found(search.best(n, plots).made)
        if found is None:
            return None
        size = {"runs": n} if plots is None else {"runs": n, "whole_plots": plots}
        parts.append(found[["term", "power"]].assign(**size)[[*size, "term", "power"]])
    return pd.concat(parts, ignore_index=True)


def _lack(row: dict[str, Any], wanted: _Wanted) -> str:
    told = []
    if wanted.sizes is not None and not row["least_power"] >= wanted.power:
        chance = (
            "no degrees of freedom to test"
            if math.isnan(row["least_power"])
            else f"power {_floor(row['least_power'])} for"
        )
        told.append(f"{chance} {sentences.spoken(row['hardest'])}")
    if wanted.precision is not None and row["precision"] > wanted.precision:
        told.append(f"a standard error of {number_text(row['precision'], digits=3)}")
    return sentences.listed(told)


def _floor(power: float) -> str:
    """A power that falls short never shows as the one asked for."""
    return number_text(math.floor(1000 * power) / 1000, digits=3)


def _sizes_text(wanted: _Wanted) -> str:
    sign = "× " if wanted.kind == "ratio" else ""
    if isinstance(wanted.sizes, dict):
        return sentences.listed([f"{sign}{number_text(v)} in {sentences.spoken(t)}" for t, v in wanted.sizes.items()])
    what = "between the two blends" if wanted.blends is not None else "in every term"
    return f"{sign}{number_text(float(wanted.sizes or 0))} {what}"


def _wanted(
    model: Model, sigma: Any, change: Any, ratio: Any, blends: Any, power: Any, alpha: Any, precision: Any
) -> _Wanted:
    noise = as_noise(sigma)
    a, chance = inside("alpha", alpha), inside("power", power)
    if chance <= a:
        raise StudyError("power", chance, f"above alpha ({a:g})", "0.8 is usual")
    kind, sizes = "change", None
    if change is not None or ratio is not None:
        kind, sizes = asked_sizes(change, ratio)
    elif precision is None:
        raise StudyError(
            "smallest_plan",
            "nothing to reach",
            "asked for changes to be seen, or for precision",
            "give change=, ratio= or precision=",
        )
    if precision is not None:
        precision = as_number("precision", precision)
        if precision <= 0:
            raise StudyError(
                "precision", precision, "above 0", "give the standard error that a predicted mean may have"
            )
    return _Wanted(model, noise, kind, sizes, blends, chance, a, precision)


def _range(runs: Sequence[int] | None, least: int) -> tuple[int, int]:
    if runs is None:
        return least, MOST_WIDE * least + MORE
    given = (
        [runs.start, runs.stop - 1] if isinstance(runs, range) else list(runs) if isinstance(runs, Sequence) else [runs]
    )
    whole = all(isinstance(v, int | np.integer) and not isinstance(v, bool) for v in given)
    if len(given) != 2 or not whole or not 1 <= given[0] <= given[1]:
        raise StudyError(
            "smallest_plan: runs",
            runs,
            "two whole numbers, fewest and most",
            f"give ({least}, {MOST_WIDE * least + MORE})",
        )
    if given[1] < least:
        raise StudyError(
            "smallest_plan: runs",
            f"at most {int(given[1])}",
            f"at least {least}, what the model needs",
            "allow more batches or take a smaller model",
        )
    return max(int(given[0]), least), int(given[1])
