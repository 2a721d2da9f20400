"""Screening plans: every model that describes the readings about as well as the best, instead of the best alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.fits import arrays
from doe.fits.arrays import Floats
from doe.fits.readings import Batches, bounds_told, gather
from doe.fits.result import SELECTED, Choice, Fit, assembled, block_contrasts, check_readings
from doe.fits.selection import HEREDITY, fixed_terms, parents_first, penalties, terms_for
from doe.fits.strata import check_settings, shared
from doe.fits.verdicts import listed
from doe.study import Model, Response, Section, Shown, Study, StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.fits.leaps import Terms, Walk

# most models fitted in one search (some seconds), and most of them kept for the list
LIMIT = 20_000_000
KEEP = 2_000
SHOWN = 25
# models farther than this from the best weigh less than 10⁻⁸ of it
FAR = 40.0
NAMES = {"aicc": "AICc", "bic": "BIC"}
Spec = str | Sequence[str] | Model


@dataclass(frozen=True, repr=False, eq=False)
class CompetingModels(Shown):
    """The models of one response that lie within a stated distance of the best; made by `competing_models`.

    Attributes
    ----------
    response : Response
    model : Model
        The whole model whose terms were tried.
    table : DataFrame
        One row a competing model, the best first: rank, terms, coefficients, the criterion, distance (from the best), weight (its share
        of all models tried), r2, sigma (NaN without residual degrees of freedom).
    inclusion : DataFrame
        One row a term that may be in or out, the weightiest first: term, weight (of all models tried that have it), models (of those
        listed), low and high (its least and greatest estimate among those listed; NaN for a term of several columns, or in none).
    tried : Series
        How many models were fitted, by number of terms.
    most_terms : int
        Largest number of terms of a model that was tried.
    confounded : int
        Models met that these runs cannot estimate.
    """

    response: Response
    model: Model
    by: str
    heredity: str
    within: float
    table: pd.DataFrame
    inclusion: pd.DataFrame
    tried: pd.Series[int]
    most_terms: int
    asked_terms: int
    confounded: int
    cut: bool
    batches: Batches = field(repr=False)
    members: tuple[tuple[str, ...], ...] = field(repr=False)
    problem: Problem = field(repr=False)

    def fit(self, rank: int = 1) -> Fit:
        """One of the models as a least-squares fit.

        Parameters
        ----------
        rank : int
            Its place in the table; 1 is the best.

        Returns
        -------
        Fit
            With a note that its intervals and p-values no longer mean what they say.

        Raises
        ------
        StudyError
            If no model has that place.
        """
        if isinstance(rank, bool) or not isinstance(rank, int) or not 1 <= rank <= len(self.members):
            raise StudyError(
                "competing models: rank",
                rank,
                f"a whole number from 1 to {len(self.members)}",
                "see the table for the places",
            )
        row = self.table.iloc[rank - 1]
        words = (
            f"Number {rank} of {len(self.members)} models within {self.within:g} {NAMES[self.by]} of the best, {int(self.tried.sum())} "
            f"models tried; its weight is {row['weight']:.2f}.\n{SELECTED}"
        )
        choice = Choice(words, pd.DataFrame())
        return assembled(self.model.subset(self.members[rank - 1]), self.response, self.batches, self._why, choice)

    @property
    def _why(self) -> str:
        return "Least squares, as all competing models."

    def by_chance(self, rate: float = 0.05, draws: int = 200, seed: int = 0) -> float:
        """The weight that chance alone gives the weightiest term in a share `rate` of trials where no factor does anything.

        Calling a term a driver only above it keeps the rate of trials with any false driver at `rate` where nothing matters.

        Parameters
        ----------
        rate : float
            Between 0 and 1.
        draws : int
            How many trials of this plan are simulated with normal noise alone, each searched as this one was.
        seed : int

        Returns
        -------
        float
            Upper `rate` quantile of the largest inclusion weight; above 0, at most 1.

        Raises
        ------
        StudyError
            If an argument cannot be used.
        """
        if isinstance(rate, bool) or not isinstance(rate, int | float) or not 0.0 < rate < 1.0:
            raise StudyError("by_chance: rate", rate, "between 0 and 1", "write 0.05")
        least = int(np.ceil(1.0 / rate))
        if isinstance(draws, bool) or not isinstance(draws, int) or draws < least:
            raise StudyError("by_chance: draws", draws, f"a whole number of at least {least}", "write 200")
        largest = self.problem.largest_by_chance(draws, np.random.default_rng(seed), self.most_terms)
        return float(np.quantile(largest, 1.0 - rate, method="higher"))

    def _sections(self) -> list[Section]:
        name = NAMES[self.by]
        rows = self.table.head(SHOWN)
        shown = pd.DataFrame(
            {
                "": [str(r) for r in rows["rank"]],
                "terms": list(rows["terms"]),
                name: [f"{v:.2f}" for v in rows[self.by]],
                "distance": [f"{v:.2f}" for v in rows["distance"]],
                "weight": [f"{v:.3f}" for v in rows["weight"]],
                "R²": [f"{v:.3f}" for v in rows["r2"]],
                "σ": [number_text(float(v), digits=3) for v in rows["sigma"]],
            }
        )
        n = len(self.batches.runs)
        kept = "" if self.heredity == "none" else f" that keep {self.heredity} heredity"
        lines = [
            f"All {int(self.tried.sum())} models{kept} with up to {self.most_terms} of {len(self.inclusion)} terms were fitted; listed are those "
            f"within {self.within:g} {name} of the best."
        ]
        if self.most_terms < self.asked_terms:
            above = self.most_terms + 1
            sizes = f"{above}" if above == self.asked_terms else f"{above} to {self.asked_terms}"
            lines.append(
                f"Models of {sizes} terms were not tried: there are more than {LIMIT:,} to go through. A smaller model or stronger heredity makes "
                "the search complete."
            )
        if self.confounded:
            lines.append(
                f"{self.confounded} combinations of terms were left, since these runs cannot tell their terms apart."
            )
        if len(self.table) > SHOWN:
            more = "at least " if self.cut else ""
            lines.append(f"{more}{len(self.table) - SHOWN} more are in `.table`.".capitalize())
        alike = self._alike()
        if alike:
            lines.append(
                f"Models {listed(alike)} fit exactly alike: these runs cannot tell them apart, whatever is read."
            )
        seen = self.inclusion[(self.inclusion["weight"] >= 0.005) | (self.inclusion["models"] > 0)]
        weights = pd.DataFrame(
            {
                "term": list(seen["term"]),
                "weight": [f"{v:.2f}" for v in seen["weight"]],
                "in so many of the listed": [str(v) for v in seen["models"]],
                "least estimate": [number_text(float(v), digits=3) for v in seen["low"]],
                "greatest estimate": [number_text(float(v), digits=3) for v in seen["high"]],
            }
        )
        kind = "Akaike" if self.by == "aicc" else "Schwarz (BIC)"
        note = (
            f"A term's weight is the share of all models tried that have it, each counted as exp(−{name}/2) ({kind} weights). It says how the "
            "readings divide their favour among these models; it is no probability that the term is real. by_chance() gives the weight that "
            "noise alone would reach."
        )
        heading = (
            f"{self.response.label}: {len(self.table)}{' or more' if self.cut else ''} competing model{'s' * (len(self.table) > 1)}, "
            f"{self.model.name} terms, {n} runs"
        )
        return [
            Section(heading, shown, "\n".join(lines)),
            Section("How much each term is wanted", weights, note),
            Section("What to be wary of", None, "\n".join(self._wary())),
        ]

    def _alike(self) -> list[int]:
        """Places of listed models that have another's very column space, or at least its fit to nine digits and size."""
        t = self.table.head(SHOWN)
        keys = [(round(float(v), 7), int(c)) for v, c in zip(t[self.by], t["coefficients"], strict=True)]
        return [int(r) for r, k in zip(t["rank"], keys, strict=True) if keys.count(k) > 1]

    def _wary(self) -> list[str]:
        out = [SELECTED]
        if len(self.table) > 1:
            both = [
                t for t, m in zip(self.inclusion["term"], self.inclusion["models"], strict=True) if m == len(self.table)
            ]
            some = [
                t
                for t, m in zip(self.inclusion["term"], self.inclusion["models"], strict=True)
                if 0 < m < len(self.table)
            ]
            agreed = f"all of them have {listed(both)}" if both else "they have no term in common"
            out.append(
                f"{len(self.table)} models compete: {agreed}" + (f"; they differ in {_few(some)}." if some else ".")
            )
        big = int(self.table["coefficients"].max())
        n = len(self.batches.runs)
        if big > n / 2:
            out.append(
                f"The largest listed has {big} coefficients on {n} runs: with so few runs a term, chance finds models that fit."
            )
        return out


def _few(names: list[str]) -> str:
    return listed(names) if len(names) <= 8 else f"{', '.join(names[:8])} and {len(names) - 8} more terms"


@dataclass(frozen=True)
class Problem:
    """The search as arrays: which columns may enter, and which always stay."""

    X: Floats
    y: Floats
    stay: Floats
    model: Model
    heredity: str
    by: str
    free: list[int]
    slack: float

    @property
    def groups(self) -> list[list[int]]:
        """Columns of each term that may enter."""
        return [np.flatnonzero(self.model.term_of == i).tolist() for i in self.free]

    def terms(self, y: Floats) -> Terms:
        """The terms, with these readings."""
        from doe.fits.leaps import grouped

        gram, cross, rss, kept = grouped(self.X, y, self.stay, self.groups)
        # a column that the staying ones make up is never let in: of length 0 here, it counts as confounded
        places, at = [], 0
        for g, k in zip(self.groups, kept, strict=True):
            if not k:
                gram[at : at + len(g)] = 0.0
                gram[:, at : at + len(g)] = 0.0
            places.append(list(range(at, at + len(g))))
            at += len(g)
        return terms_for(self.model, self.heredity, self.free, places, gram, cross, rss)

    def search(self, terms: Terms, most: int, keep: int = KEEP) -> Walk:
        """Visit all models of at most so many terms."""
        from doe.fits.leaps import walk

        n = len(self.y)
        penalty = penalties(self.by, n, self.stay.shape[1], self.stay.shape[1] + len(terms.cross))
        # a model that leaves no residual df has none to be judged by
        penalty[np.arange(len(penalty)) + self.stay.shape[1] >= n] = np.inf
        least = (1e-15 * float(np.linalg.norm(self.y))) ** 2
        return walk(terms, penalty, n, most, keep, self.slack, LIMIT, least)

    def largest_by_chance(self, draws: int, rng: np.random.Generator, most: int) -> Floats:
        """Largest inclusion weight in trials of noise alone, shape (draws,)."""
        from doe.fits.leaps import Terms

        gram_of = self.terms(self.y)
        out = np.empty(draws)
        Q = np.linalg.qr(self.stay)[0] if self.stay.shape[1] else np.empty((len(self.y), 0))
        order = [j for g in self.groups for j in g]
        own = self.X[:, order] - Q @ (Q.T @ self.X[:, order])
        length = np.linalg.norm(own, axis=0)
        own = own / np.where(length > 0, length, 1.0)
        for i in range(draws):
            noise = rng.standard_normal(len(self.y))
            noise -= Q @ (Q.T @ noise)
            t = Terms(
                gram_of.gram,
                own.T @ noise,
                float(noise @ noise),
                gram_of.start,
                gram_of.width,
                gram_of.all_of,
                gram_of.any_of,
            )
            out[i] = self.search(t, most, 1).inclusion.max()
        return out


def competing_models(
    study: Study,
    data: Any,
    response: str,
    model: Spec = "quadratic",
    by: str = "aicc",
    heredity: str = "strong",
    within: float = 4.0,
    most_terms: int | None = None,
    without: Mapping[Any, str] | None = None,
) -> CompetingModels:
    """Fit every model of a set of terms and list all that compete with the best: for screening plans, where several explain the readings.

    Works where the whole model has more coefficients than there are runs (definitive screening, Plackett–Burman, fractions), which
    `doe.fit` refuses. By least squares; batches that share whole plots are refused, since each model would need variances of its own.

    Parameters
    ----------
    study : Study
    data : Records or DataFrame
        As for `doe.fit`.
    response : str
    model : str, list of str or Model
        The terms that may enter; the intercept, a mixture's single blends and blocks always stay.
    by : "aicc" or "bic"
        The criterion, and so the weights.
    heredity : "strong", "weak" or "none"
        Whether a term needs all of its parents, one of them, or none.
    within : float
        Models this far from the best, or nearer, are listed. About 2 is hardly a difference, 4 to 7 a considerable one (Burnham & Anderson).
    most_terms : int, optional
        Largest number of terms of a model beside those that stay; half the number of runs if left out.
    without : mapping of run -> reason, optional

    Returns
    -------
    CompetingModels

    Raises
    ------
    StudyError
        If an argument or the data cannot be used, or batches share whole plots.

    References
    ----------
    Burnham, K. P. & Anderson, D. R. (2002). Model selection and multimodel inference, 2nd ed., sections 2.6 and 2.9 (distances and
    weights). Springer. Chipman, H., Hamada, M. & Wu, C. F. J. (1997). A Bayesian variable-selection approach for analyzing designed
    experiments with complex aliasing. Technometrics 39, 372-381 (heredity, several models). Furnival, G. M. & Wilson, R. W. (1974).
    Regressions by leaps and bounds. Technometrics 16, 499-511. Jones, B. & Nachtsheim, C. J. (2017). Effective design-based model
    selection for definitive screening designs. Technometrics 59, 319-329: there main effects are judged first, then curves among those
    found; here heredity does that within one search, for any plan.
    """
    where = "competing models"
    if not isinstance(study, Study):
        raise StudyError(
            "study", type(study).__name__, "a doe.Study", "make it with doe.Study(name, factors, responses)"
        )
    if by not in NAMES:
        raise StudyError(f"{where}: by", by, '"aicc" or "bic"', "choose one of the two")
    if heredity not in HEREDITY:
        raise StudyError(f"{where}: heredity", heredity, '"strong", "weak" or "none"', "choose one of the three")
    if isinstance(within, bool) or not isinstance(within, int | float) or not 0.0 <= within <= FAR:
        raise StudyError(f"{where}: within", within, f"between 0 and {FAR:g}", "write 4")
    found = study.response(response)
    if found.scale is not None:
        raise StudyError(
            f"{where}: response",
            f"{response}, scored from {found.scale[0]} to {found.scale[1]}",
            "a measured response",
            "fit the scores with doe.fit and use its reduced(), which judges them as scores",
        )
    built = study.model(model)
    batches = gather(study, data, response, without)
    if batches.censored.any():
        run = batches.runs[int(np.flatnonzero(batches.censored)[0])]
        raise StudyError(
            f"{where}: {response} of run {run}",
            bounds_told(batches)[0][1],
            "an exact reading",
            "fit the bounds with doe.fit and use its reduced(), or leave the run out with without={run: reason}",
        )
    check_settings(study, batches)
    check_readings(found, batches)
    if shared(batches.whole_plot):
        raise StudyError(
            f"{where}: data",
            "batches that share whole plots",
            "batches made each by itself",
            "fit the split plot with doe.fit and use its reduced()",
        )
    free = parents_first(built, frozenset(range(len(built.terms))) - fixed_terms(built))
    if not free:
        raise StudyError(
            f"{where}: model", ", ".join(built.terms), "one with terms to choose among", "add terms to choose among"
        )
    n = len(batches.runs)
    whole = built.matrix_of(batches.encoded)
    blocks, names = block_contrasts(batches.block)
    stay = np.column_stack([whole[:, np.isin(built.term_of, list(fixed_terms(built)))], blocks.reshape(n, len(names))])
    room = n - stay.shape[1] - 1
    if room < 1:
        raise StudyError(
            f"{where}: number of batches",
            n,
            f"at least {stay.shape[1] + 2} for a choice to be made",
            "make more batches",
        )
    most = min(max(n // 2, 1), len(free), room) if most_terms is None else most_terms
    if isinstance(most, bool) or not isinstance(most, int) or not 1 <= most <= min(len(free), room):
        raise StudyError(
            f"{where}: most_terms",
            most_terms,
            f"a whole number from 1 to {min(len(free), room)}",
            "leave it out for half the number of runs",
        )
    y = found.forward(batches.values)
    problem = Problem(whole, y, stay, built, heredity, by, free, max(FAR, float(within)))
    return _listed(problem, found, batches, float(within), most)


def _listed(problem: Problem, response: Response, batches: Batches, within: float, most: int) -> CompetingModels:
    terms = problem.terms(problem.y)
    reached = most
    found = problem.search(terms, reached)
    if not found.whole:
        # as many terms as can all be tried: from below, so that only one search more comes to nothing
        reached, found = 0, problem.search(terms, 0)
        while (larger := problem.search(terms, reached + 1)).whole:
            reached, found = reached + 1, larger
    near = found.values <= found.values[0] + within
    members = found.members[near]
    model, n = problem.model, len(problem.y)
    fixed = fixed_terms(model)
    total = _total_weight(found)
    rows, texts, estimates = [], [], []
    about = problem.y - (problem.y.mean() if model.has_constant else 0.0)
    for rank, inside in enumerate(members, start=1):
        chosen = {problem.free[i] for i in np.flatnonzero(inside)}
        kept = sorted(chosen | fixed)
        columns = np.flatnonzero(np.isin(model.term_of, kept))
        X = np.column_stack([problem.X[:, columns], problem.stay[:, _staying(model, fixed) :]])
        beta = np.linalg.lstsq(X, problem.y, rcond=None)[0]
        left = problem.y - X @ beta
        rss, p = float(left @ left), X.shape[1]
        criterion = arrays.information_criteria(rss, n, p, response.log_jacobian(batches.values))[problem.by == "bic"]
        rows.append((rank, p, criterion, 1.0 - rss / float(about @ about), np.sqrt(rss / (n - p)) if n > p else np.nan))
        texts.append(tuple(model.terms[i] for i in kept))
        estimates.append(dict(zip(columns.tolist(), beta, strict=False)))
    table = pd.DataFrame(rows, columns=["rank", "coefficients", problem.by, "r2", "sigma"])
    table.insert(1, "terms", [", ".join(t for t in text if t != "1") or "none" for text in texts])
    table.insert(4, "distance", table[problem.by] - table[problem.by].iloc[0])
    table.insert(5, "weight", np.exp(-0.5 * (found.values[near] - found.values[0])) / total)
    inclusion = _inclusion(problem, found, members, estimates)
    tried = pd.Series(found.tried, index=pd.RangeIndex(len(found.tried), name="terms"), name="models")
    cut = bool(len(found.values) == KEEP and near.all())
    return CompetingModels(
        response, model, problem.by, problem.heredity, within, table, inclusion, tried, reached, most, found.confounded, cut, batches,
        tuple(texts), problem,
    )  # fmt: skip


def _staying(model: Model, fixed: frozenset[int]) -> int:
    return int(np.isin(model.term_of, list(fixed)).sum())


def _total_weight(found: Walk) -> float:
    """Sum over all models tried of exp(−distance/2)."""
    return found.total / float(np.exp(-0.5 * (found.values[0] - found.reference)))


def _inclusion(problem: Problem, found: Walk, members: Any, estimates: list[dict[int, float]]) -> pd.DataFrame:
    model, rows = problem.model, []
    for i, term in enumerate(problem.free):
        columns = np.flatnonzero(model.term_of == term)
        values = [e[int(columns[0])] for e in estimates if int(columns[0]) in e] if len(columns) == 1 else []
        low, high = (min(values), max(values)) if values else (np.nan, np.nan)
        rows.append((model.terms[term], float(found.inclusion[i]), int(members[:, i].sum()), low, high))
    out = pd.DataFrame(rows, columns=["term", "weight", "models", "low", "high"])
    return out.sort_values("weight", ascending=False, kind="stable").reset_index(drop=True)
