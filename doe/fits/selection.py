"""Fewer terms: the model of least AICc or BIC that keeps heredity, or backward elimination by p.

Every candidate is a set of columns of the full model. By least squares, with X = QR, its residual sum of squares needs only the columns of R
and Q'y, so a candidate costs a small QR whatever the number of runs, and many of one size are done in one call.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import linalg, special

from doe.fits import arrays, reml
from doe.fits.arrays import Floats
from doe.study import Model, StudyError
from doe.study.models import parents
from doe.study.shown import p_text

if TYPE_CHECKING:
    from doe.fits.leaps import Terms
    from doe.fits.mixed import MixedFit
    from doe.fits.result import Fit

# up to so many candidates all are tried (one compiled step each); beyond, steps of one term lead to the best
ALL_OF = 2_000_000
# the same where every candidate is a decomposition of its own: columns so nearly dependent that X'X would lose their digits
FEW = 20_000
FEW_TERMS = 9  # a quadratic in three factors: no wait for the compiler
MIXED_ALL_OF = 300
WELL_CONDITIONED = 1e3
CRITERIA = ("aicc", "bic", "p")
HEREDITY = ("strong", "weak", "none")
_NAMES = {"aicc": "AICc", "bic": "BIC"}

Subset = frozenset[int]


@dataclass(frozen=True)
class Search:
    """What the search needs of a fit: the small triangular problem, and which terms may go."""

    fit: Fit
    R: Floats
    z: Floats
    heredity: str

    @cached_property
    def fixed(self) -> Subset:
        """Terms that stay: the intercept and the single blends."""
        return fixed_terms(self.fit.model)

    def columns(self, subset: Subset) -> list[int]:
        """Columns of the whole fit that a set of terms takes, blocks included."""
        own = [j for j, term in enumerate(self._term_of) if term in subset]
        return own + list(range(self.fit.model.p, self.fit.X.shape[1]))

    @cached_property
    def _term_of(self) -> list[int]:
        return [int(t) for t in self.fit.model.term_of]

    @cached_property
    def _asked(self) -> list[list[Subset]]:
        return asked_for(self.fit.model)

    def allowed(self, subset: Subset) -> bool:
        """Whether a set of terms keeps heredity: all parents of every term whole, or one of them at least in part."""
        if self.heredity == "none":
            return True
        if self.heredity == "strong":
            return all(parent <= subset for i in subset for parent in self._asked[i])
        return all(not self._asked[i] or any(parent & subset for parent in self._asked[i]) for i in subset)

    @cached_property
    def _children(self) -> list[Subset]:
        """For every term those that may not stay without it, where all parents are asked for."""
        asked = self._asked
        return [frozenset(j for j, a in enumerate(asked) if any(i in p for p in a)) for i in range(len(asked))]

    def smaller(self, subset: Subset) -> list[Subset]:
        """What a set of terms that keeps heredity can become by losing one."""
        free = sorted(subset - self.fixed)
        if self.heredity == "strong":
            return [subset - {i} for i in free if not self._children[i] & subset]
        return [c for c in (subset - {i} for i in free) if self.allowed(c)]

    def residual_ss(self, subsets: list[Subset]) -> Floats:
        """Residual sum of squares of each candidate, shape (number of candidates,)."""
        out = np.empty(len(subsets))
        sizes: dict[int, list[int]] = {}
        columns = [self.columns(s) for s in subsets]
        for at, c in enumerate(columns):
            sizes.setdefault(len(c), []).append(at)
        for size, where in sizes.items():
            if size == 0:
                out[where] = float(self.z @ self.z) + self.fit.solution.rss
                continue
            stack = self.R[:, np.array([columns[at] for at in where])].transpose(1, 0, 2)
            Q = np.linalg.qr(stack)[0]
            left = self.z - np.einsum("sij,sj->si", Q, np.einsum("sij,i->sj", Q, self.z))
            out[where] = np.einsum("si,si->s", left, left) + self.fit.solution.rss
        # rounding is the least that can be left over
        return np.maximum(out, (1e-15 * float(np.linalg.norm(self.fit.y))) ** 2)

    def least(self, everything: Subset, by: str) -> Subset | None:
        """The best of all models that keep heredity; None where they are too many to try."""
        fit = self.fit
        free = parents_first(fit.model, everything - self.fixed)
        if len(free) <= FEW_TERMS:
            return self._least_of_few(everything, by)
        from doe.fits.leaps import grouped, walk

        groups = [np.flatnonzero(fit.model.term_of == i).tolist() for i in free]
        stay = self.columns(self.fixed)
        gram, cross, rss, kept = grouped(self.R, self.z, self.R[:, stay], groups)
        if not free or not all(kept) or np.linalg.cond(gram) > WELL_CONDITIONED**2:
            return self._least_of_few(everything, by)
        penalty = penalties(by, fit.n, len(stay), fit.X.shape[1])
        least_rss = max(fit.solution.rss, (1e-15 * float(np.linalg.norm(fit.y))) ** 2)
        found = walk(
            terms_for(fit.model, self.heredity, free, kept, gram, cross, rss + fit.solution.rss),
            penalty,
            fit.n,
            len(free),
            1,
            0.0,
            ALL_OF,
            least_rss,
        )
        if not found.whole:
            return None
        return self.fixed | {free[i] for i in np.flatnonzero(found.members[0])}

    def _least_of_few(self, everything: Subset, by: str) -> Subset | None:
        candidates = list(_limited(_kept_by_heredity(self, everything), self.few + 1))
        if len(candidates) > self.few:
            return None
        values = self.criterion(candidates, by)
        order = np.lexsort((np.array([len(c) for c in candidates]), np.round(values, 9)))
        return candidates[int(order[0])]

    @property
    def few(self) -> int:
        """Up to so many candidates all are tried where each is a decomposition of its own."""
        return FEW

    def misfit(self, subsets: list[Subset]) -> Floats:
        """How badly each candidate describes the readings, to compare those of one size."""
        return self.residual_ss(subsets)

    def p_values(self, subset: Subset, candidates: list[Subset]) -> Floats:
        """What p each candidate's missing term has in a set of terms; from one decomposition for all of them."""
        own = np.array(self.columns(subset))
        Q, R = np.linalg.qr(self.R[:, own])
        inverse = linalg.solve_triangular(R, np.eye(len(own)), check_finite=False)
        into = Q.T @ self.z
        beta = inverse @ into
        df = self.fit.n - len(own)
        left = self.z - Q @ into
        noise = max(float(left @ left) + self.fit.solution.rss, (1e-15 * float(np.linalg.norm(self.fit.y))) ** 2) / df
        alone = beta**2 / (inverse**2).sum(axis=1)
        places: dict[int, list[int]] = {}
        for place, column in enumerate(own.tolist()):
            if column < self.fit.model.p:
                places.setdefault(self._term_of[column], []).append(place)
        F, extra = np.empty(len(candidates)), np.empty(len(candidates))
        for i, candidate in enumerate(candidates):
            (gone,) = subset - candidate
            at = places[gone]
            extra[i] = len(at)
            if len(at) == 1:
                F[i] = alone[at[0]] / noise
            else:
                rows = inverse[at]
                F[i] = beta[at] @ np.linalg.solve(rows @ rows.T, beta[at]) / len(at) / noise
        return np.asarray(special.fdtrc(extra, df, F))

    def criterion(self, subsets: list[Subset], by: str) -> Floats:
        """AICc or BIC of each candidate."""
        fit = self.fit
        which = 0 if by == "aicc" else 1
        rss = self.residual_ss(subsets)
        return np.array(
            [
                arrays.information_criteria(float(r), fit.n, len(self.columns(s)), fit._log_jacobian)[which]
                for r, s in zip(rss, subsets, strict=True)
            ]
        )


@dataclass(frozen=True)
class MixedSearch(Search):
    """The same with whole plots or blocks: criteria from the full likelihood, p by Kenward and Roger, variances anew each time."""

    fit: MixedFit

    def least(self, everything: Subset, by: str) -> Subset | None:
        """The best of all models that keep heredity; None where they are too many to try."""
        return self._least_of_few(everything, by)

    @property
    def few(self) -> int:
        """Far fewer than by least squares: each candidate's variances are found by iteration."""
        return MIXED_ALL_OF

    def _log_likelihood(self, subset: Subset) -> float:
        fit = self.fit
        Q = fit.solution.Q @ np.linalg.qr(self.R[:, self.columns(subset)])[0]
        return reml.estimate(Q, fit.y, fit.layout.strata, bounded=True, full=True).log_likelihood

    def misfit(self, subsets: list[Subset]) -> Floats:
        """−2 log-likelihood of each."""
        return np.array([-2.0 * self._log_likelihood(s) for s in subsets])

    def p_values(self, subset: Subset, candidates: list[Subset]) -> Floats:
        """The same by Kenward and Roger."""
        fit = self.fit
        terms = [fit.model.terms[i] for i in sorted(subset)]
        p = fit.refitted(fit.model.subset(terms)).anova.set_index("source")["p"]
        gone = [fit.model.terms[next(iter(subset - c))] for c in candidates]
        return np.array([float(p[t]) for t in gone])

    def criterion(self, subsets: list[Subset], by: str) -> Floats:
        """AICc or BIC of each candidate, from the full likelihood."""
        which = 0 if by == "aicc" else 1
        return np.array([self.fit._criteria(self._log_likelihood(s), len(self.columns(s)))[which] for s in subsets])


def reduced_fit(fit: Fit, by: str, heredity: str, alpha: float | None) -> Fit:
    """The work of `Fit.reduced`."""
    from doe.fits.mixed import MixedFit
    from doe.fits.result import SELECTED, Choice

    if by not in CRITERIA:
        raise StudyError("reduced: by", by, '"aicc", "bic" or "p"', "choose one of the three")
    if heredity not in HEREDITY:
        raise StudyError("reduced: heredity", heredity, '"strong", "weak" or "none"', "choose one of the three")
    if alpha is not None and by != "p":
        raise StudyError("reduced: alpha", alpha, f'left out with by="{by}"', 'it goes with by="p"')
    limit = 0.05 if alpha is None else alpha
    if isinstance(limit, bool) or not isinstance(limit, int | float) or not 0.0 < limit < 1.0:
        raise StudyError("reduced: alpha", alpha, "between 0 and 1", "write 0.05")
    own = fit._search(heredity)
    if own is None and not fit.df_residual:
        raise StudyError(
            "reduced: residual degrees of freedom", 0, "at least 1", "fit a smaller model first, or add runs"
        )
    if own is not None:
        search = own
    else:
        Q, R = fit.solution.Q, linalg.solve_triangular(fit.solution.R_inverse, np.eye(fit.X.shape[1]))
        problem = np.asarray(R), Q.T @ fit.y, heredity
        search = MixedSearch(fit, *problem) if isinstance(fit, MixedFit) else Search(fit, *problem)
    everything: Subset = frozenset(range(len(fit.model.terms)))
    if by == "p":
        chosen, steps, words = _backward(search, everything, float(limit))
    else:
        chosen, steps, words = _least(search, everything, by)
    kept = [fit.model.terms[i] for i in sorted(chosen)]
    return fit.refitted(fit.model.subset(kept), Choice(f"{words}\n{SELECTED}", steps))


def _backward(search: Search, subset: Subset, alpha: float) -> tuple[Subset, pd.DataFrame, str]:
    fit = search.fit
    rows: list[dict[str, str]] = []
    while True:
        candidates = search.smaller(subset)
        if not candidates:
            break
        p = search.p_values(subset, candidates)
        worst = int(p.argmax())
        if p[worst] < alpha:
            break
        (gone,) = subset - candidates[worst]
        rows.append({"dropped": fit.model.terms[gone], "p": p_text(float(p[worst]))})
        subset = candidates[worst]
    kept = f"{len(subset)} of {len(fit.model.terms)} terms are left"
    if not rows:
        return subset, pd.DataFrame(), f"No term that heredity lets go has p above {alpha:g}: {kept}."
    return (
        subset,
        pd.DataFrame(rows),
        f"Dropped one by one, the largest p first, until all are below {alpha:g}; {kept}.",
    )


def _least(search: Search, everything: Subset, by: str) -> tuple[Subset, pd.DataFrame, str]:
    fit = search.fit
    name = _NAMES[by]
    best = search.least(everything, by)
    if best is not None:
        kept = "" if search.heredity == "none" else f" that keep {search.heredity} heredity"
        words = f"Of all models{kept}, the one of least {name}."
    else:
        best = _stepwise(search, everything, by)
        words = f"Reached by adding and dropping one term at a time as long as {name} fell; more models than can all be tried."
    before, after = search.criterion([everything, best], by)
    gone = [fit.model.terms[i] for i in sorted(everything - best)]
    steps = pd.DataFrame(
        {
            "model": ["as asked", "chosen"],
            "terms": [str(len(everything)), str(len(best))],
            name: [f"{before:.2f}" if np.isfinite(before) else "none (too few runs)", f"{after:.2f}"],
        }
    )
    return best, steps, f"{words}\nDropped: {', '.join(gone) if gone else 'nothing'}."


def _limited(items: Iterator[Subset], most: int) -> Iterator[Subset]:
    for count, item in enumerate(items):
        if count == most:
            return
        yield item


def parents_first(model: Model, free: Subset) -> list[int]:
    """Terms in an order in which none stands before its parents."""
    shares = {c.name for c in model.study.components}

    def rank(i: int) -> tuple[int, int]:
        # in a mixture z stands as the sum of x·z, one degree up, so z^2 comes after those
        bare = bool(shares) and not any(name in shares for name, _ in model.parsed[i])
        return sum(q for _, q in model.parsed[i]) + bare, i

    return sorted(free, key=rank)


def fixed_terms(model: Model) -> Subset:
    """Terms that stay in every model: the intercept and the single blends."""
    shares = {(c.name, 1) for c in model.study.components}
    return frozenset(i for i, t in enumerate(model.parsed) if t == () or (len(t) == 1 and t[0] in shares))


def asked_for(model: Model) -> list[list[Subset]]:
    """For every term its parents that the model has, each as the terms that stand for it.

    In a mixture the process term z has no place of its own: all its x·z together are z.
    """
    study = model.study
    place = {t: i for i, t in enumerate(model.parsed)}
    shares = [c.name for c in study.components]
    out = []
    for term in model.parsed:
        found = []
        for parent in parents(term, study, set()):
            if parent in place:
                found.append(frozenset({place[parent]}))
            elif shares and not any(name in shares for name, _ in parent):
                blends = [tuple(sorted([(x, 1), *parent], key=lambda t: study.names.index(t[0]))) for x in shares]
                found.append(frozenset(place[b] for b in blends if b in place))
        out.append([f for f in found if f])
    return out


def penalties(by: str, n: int, stay: int, p: int) -> Floats:
    """What AICc or BIC adds to n log(rss/n) for 0, 1, … columns beside those that stay; shape (p − stay + 1,)."""
    k = stay + np.arange(p - stay + 1.0) + 1.0
    if by == "bic":
        return k * np.log(n)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(n > k + 1, 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1), np.inf)


def terms_for(
    model: Model, heredity: str, free: list[int], kept: list[list[int]], gram: Floats, cross: Floats, rss: float
) -> Terms:
    """The terms that may enter, as the walk through all models takes them: `free` in its order, `kept` their columns in `gram`."""
    from doe.fits.leaps import Terms

    at = {term: i for i, term in enumerate(free)}
    stays = fixed_terms(model)
    asked = asked_for(model)
    all_of, any_of = np.zeros((2, len(free), len(free)), dtype=bool)
    for i, term in enumerate(free):
        if heredity == "strong":
            all_of[i, [at[u] for parent in asked[term] for u in parent if u in at]] = True
        elif heredity == "weak" and not any(parent & stays for parent in asked[term]):
            any_of[i, [at[u] for parent in asked[term] for u in parent if u in at]] = True
    start = np.array([k[0] for k in kept], dtype=np.int64)
    return Terms(gram, cross, rss, start, np.array([len(k) for k in kept], dtype=np.int64), all_of, any_of)


def _kept_by_heredity(search: Search, everything: Subset) -> Iterator[Subset]:
    """All sets of terms that keep heredity, each once: every term in or out, parents before their children."""
    free = parents_first(search.fit.model, everything - search.fixed)

    def grow(at: int, chosen: Subset) -> Iterator[Subset]:
        if at == len(free):
            yield chosen
            return
        yield from grow(at + 1, chosen)
        larger = chosen | {free[at]}
        # a set that lacks a parent now lacks it for good
        if search.allowed(larger):
            yield from grow(at + 1, larger)

    yield from grow(0, search.fixed)


def _stepwise(search: Search, everything: Subset, by: str) -> Subset:
    """Add or drop one term at a time while the criterion falls, from the full model and from the smallest; the better of the two."""

    def walk(subset: Subset) -> tuple[float, Subset]:
        value = float(search.criterion([subset], by)[0])
        while True:
            near = [subset - {i} for i in sorted(subset - search.fixed)] + [
                subset | {i} for i in sorted(everything - subset)
            ]
            near = [c for c in near if search.allowed(c)]
            values = search.criterion(near, by) if near else np.array([np.inf])
            at = int(values.argmin())
            # a model too rich for AICc has none: from there any way down will do
            if not values[at] < value - 1e-9:
                if np.isfinite(value) or len(subset) == len(search.fixed):
                    return value, subset
                smaller = [c for c in near if len(c) < len(subset)]
                if not smaller:
                    return value, subset
                at = near.index(smaller[int(search.misfit(smaller).argmin())])
            subset, value = near[at], float(values[at])

    return min((walk(everything), walk(search.fixed)), key=lambda r: r[0])[1]
