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
from doe.study import StudyError
from doe.study.models import parents
from doe.study.shown import p_text

if TYPE_CHECKING:
    from doe.fits.mixed import MixedFit
    from doe.fits.result import Fit

# up to so many candidates all are tried; beyond, steps of one term lead to the best
ALL_OF = 20_000
MIXED_ALL_OF = 300
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

    @property
    def fixed(self) -> Subset:
        """Terms that stay: the intercept and the single blends."""
        blends = {int(self.fit.model.term_of[j]) for j in self.fit._blend_columns}
        return frozenset(i for i, t in enumerate(self.fit.model.parsed) if t == () or i in blends)

    def columns(self, subset: Subset) -> list[int]:
        """Columns of the whole fit that a set of terms takes, blocks included."""
        model = self.fit.model
        own = [j for j in range(model.p) if int(model.term_of[j]) in subset]
        return own + list(range(model.p, self.fit.X.shape[1]))

    @cached_property
    def _asked(self) -> list[list[Subset]]:
        """For every term its parents that the full model has, each as the terms that stand for it.

        In a mixture the process term z has no place of its own: all its x·z together are z.
        """
        model, study = self.fit.model, self.fit.study
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

    def allowed(self, subset: Subset) -> bool:
        """Whether a set of terms keeps heredity: all parents of every term whole, or one of them at least in part."""
        if self.heredity == "none":
            return True
        if self.heredity == "strong":
            return all(parent <= subset for i in subset for parent in self._asked[i])
        return all(not self._asked[i] or any(parent & subset for parent in self._asked[i]) for i in subset)

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

    @property
    def all_of(self) -> int:
        """Up to so many candidates all are tried."""
        return ALL_OF

    def misfit(self, subsets: list[Subset]) -> Floats:
        """How badly each candidate describes the readings, to compare those of one size."""
        return self.residual_ss(subsets)

    def p_values(self, subset: Subset, candidates: list[Subset]) -> Floats:
        """What p each candidate's missing term has in a set of terms."""
        now, width = float(self.residual_ss([subset])[0]), len(self.columns(subset))
        df = self.fit.n - width
        extra = np.array([width - len(self.columns(c)) for c in candidates])
        F = (self.residual_ss(candidates) - now) / extra / (now / df)
        return np.asarray(special.fdtrc(extra, df, np.maximum(F, 0.0)))

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

    @property
    def all_of(self) -> int:
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
    from doe.fits.result import Choice

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
    words += (
        "\nThe terms were chosen from these same readings: intervals and p-values no longer mean what they say, they look surer "
        "than they are."
    )
    return fit.refitted(fit.model.subset(kept), Choice(words, steps))


def _backward(search: Search, subset: Subset, alpha: float) -> tuple[Subset, pd.DataFrame, str]:
    fit = search.fit
    rows: list[dict[str, str]] = []
    while True:
        candidates = [subset - {i} for i in sorted(subset - search.fixed)]
        candidates = [c for c in candidates if search.allowed(c)]
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
    # dropping a term from the full model in every way at once can be more than a person waits for
    candidates = list(_limited(_kept_by_heredity(search, everything), search.all_of + 1))
    name = _NAMES[by]
    if len(candidates) <= search.all_of:
        values = search.criterion(candidates, by)
        order = np.lexsort((np.array([len(c) for c in candidates]), np.round(values, 9)))
        best = candidates[int(order[0])]
        words = f"Of {len(candidates)} models that keep {search.heredity} heredity, the one of least {name}."
        if search.heredity == "none":
            words = f"Of {len(candidates)} models, the one of least {name}."
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


def _kept_by_heredity(search: Search, everything: Subset) -> Iterator[Subset]:
    """All sets of terms that keep heredity, each once: every term in or out, parents before their children."""
    parsed = search.fit.model.parsed
    shares = {c.name for c in search.fit.study.components}

    def rank(i: int) -> tuple[int, int]:
        # in a mixture z stands as the sum of x·z, one degree up, so z^2 comes after those
        bare = bool(shares) and not any(name in shares for name, _ in parsed[i])
        return sum(q for _, q in parsed[i]) + bare, i

    free = sorted(everything - search.fixed, key=rank)

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
