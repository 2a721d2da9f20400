"""Comparing candidate models of a fit that has a likelihood but no sums of squares: ordinal scores, censored readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.fits.arrays import Floats
from doe.fits.selection import Search, Subset

LIKELIHOOD_ALL_OF = 300


@dataclass(frozen=True)
class LikelihoodSearch(Search):
    """Each candidate by its own maximum; p by the fit's own tests of its terms."""

    def least(self, everything: Subset, by: str) -> Subset | None:
        """The best of all models that keep heredity; None where they are too many to try."""
        return self._least_of_few(everything, by)

    @property
    def few(self) -> int:
        """Far fewer than by least squares: each candidate's maximum is found by iteration."""
        return LIKELIHOOD_ALL_OF

    def _reaches(self, subset: Subset) -> float:
        return self.fit._objective_of(self.columns(subset))

    def misfit(self, subsets: list[Subset]) -> Floats:
        """−2 log-likelihood of each."""
        return np.array([-2.0 * self._reaches(s) for s in subsets])

    def p_values(self, subset: Subset, candidates: list[Subset]) -> Floats:
        """What p each candidate's missing term has in a set of terms."""
        fit = self.fit
        p = fit.refitted(fit.model.subset([fit.model.terms[i] for i in sorted(subset)])).anova.set_index("source")["p"]
        return np.array([float(p[fit.model.terms[next(iter(subset - c))]]) for c in candidates])

    def criterion(self, subsets: list[Subset], by: str) -> Floats:
        """AICc or BIC of each candidate."""
        which = 0 if by == "aicc" else 1
        return np.array([self.fit._criteria_of(self.columns(s))[which] for s in subsets])
