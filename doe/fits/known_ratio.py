"""The fallback for a split plot that leaves nothing to judge its whole plots by: the ratio of the variances assumed, not estimated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
import pandas as pd
from scipy import linalg

from doe.fits import reml
from doe.fits.arrays import Floats
from doe.fits.kenward_roger import Inference
from doe.fits.mixed import LackOfFit, MixedFit
from doe.fits.readings import Batches
from doe.fits.result import Choice, Fit, solved
from doe.fits.strata import Layout, TooFewGroupsError, degrees_of, groups_of
from doe.fits.transforms import profile_likelihood, scaled_power
from doe.fits.verdicts import listed
from doe.study import Model, Response, StudyError
from doe.study.shown import number_text

TIMES = 4.0  # how many times the assumed ratio the print tries, to show what rests on it


@dataclass(frozen=True)
class Ratio:
    """Assumed variances of the groups over that between batches within them, and where they come from."""

    of: dict[str, float]
    source: str

    def words(self) -> str:
        """The ratios as text."""
        return listed([f"{value:g} times as much between {name}s" for name, value in self.of.items()])


@dataclass(frozen=True, repr=False, eq=False)
class KnownRatioFit(MixedFit):
    """A fit by generalised least squares with an assumed ratio of the variances; made by `doe.fit`, method "gls".

    As `MixedFit`, with these differences. One variance is estimated, that between batches of one whole plot, on n − p degrees of
    freedom, which every coefficient has. What changes only between whole plots is as sure as the assumed ratio makes it.

    Attributes
    ----------
    ratio : Ratio
    """

    tests_by: ClassVar[str] = "generalised least squares, variance ratio assumed"
    errors_by: ClassVar[str] = "rest on the assumed variance ratio"

    ratio: Ratio = field(kw_only=True)

    @property
    def df_residual(self) -> int:
        """Residual degrees of freedom, n − p: the ratio being given, all batches judge the one variance."""
        return self.n - self.model.p

    @property
    def sigma(self) -> float:
        """Standard deviation between batches made alike within one whole plot, on the fitted scale."""
        return float(np.sqrt(self.inference.theta[0]))

    @property
    def variance_components(self) -> pd.Series[float]:
        """Variances on the fitted scale: the residual estimated, those of the groups the assumed multiple of it."""
        noise = float(self.inference.theta[0])
        return pd.Series({**{k: v * noise for k, v in self.ratio.of.items()}, "residual": noise}, name="variance")

    @property
    def _component_degrees(self) -> dict[str, float]:
        return {"residual": float(self.df_residual)}

    def _degrees(self, L: Floats) -> Floats:
        return np.full(len(L), float(self.df_residual))

    @cached_property
    def lack_of_fit(self) -> LackOfFit | None:
        """The lack-of-fit test, the ratio held; None where no setting was repeated so as to judge it."""
        found = super().lack_of_fit
        return (
            None
            if found is None
            else replace(found, how="by the F of one indicator a setting, the variance ratio held")
        )

    def _nothing_left(self, Q: Floats) -> bool:
        return False  # the one variance asks for no degrees of freedom in any stratum

    def _power_likelihood(self) -> tuple[Callable[[float], float], Callable[[float], float]]:
        # the ratio being given, whitened readings are those of least squares
        values, n = self.batches.values, self.n
        C = np.linalg.cholesky(self.layout.strata.G[0])
        basis = np.linalg.qr(linalg.solve_triangular(C, self.solution.Q, lower=True))[0]

        def log_likelihood(lam: float) -> float:
            z = linalg.solve_triangular(C, scaled_power(values, lam), lower=True)
            e = z - basis @ (basis.T @ z)
            return -n / 2.0 * float(np.log(max(float(e @ e), 1e-300) / n))

        return log_likelihood, profile_likelihood(self.solution.Q, values)[1]

    def refitted(self, model: Model, choice: Choice | None = None) -> KnownRatioFit:
        """The same batches with another model, the ratio as before."""
        return replace(_assembled(model, self.response, self.batches, self.ratio, self.why, choice), order=self.order)

    # ---- shown

    def _df_words(self) -> str:
        return f"{self.df_residual} residual df"

    def _resting(self) -> tuple[list[str], float]:
        """Terms that change only between groups, and by how much their standard errors grow at `TIMES` the assumed ratio."""
        model = self.model
        columns = [j for j in range(model.p) if self._column_strata[j] != self.layout.unit and model.columns[j] != "1"]
        terms = list(dict.fromkeys(model.terms[int(model.term_of[j])] for j in columns))
        if not columns:
            return terms, 1.0
        more = _covariance({k: TIMES * v for k, v in self.ratio.of.items()}, self.layout.groups, self.n)
        rows = np.eye(model.p)[columns] @ self.solution.R_inverse
        B = self.inference._estimator
        now, then = (np.einsum("ia,ab,ib->i", rows, B @ V @ B.T, rows) for V in (self.layout.strata.G[0], more))
        return terms, float(np.sqrt((then / now).max()))

    def cautions(self) -> list[str]:
        """What to be wary of, one sentence each; the assumed ratio first."""
        terms, growth = self._resting()
        out = [
            f"The variance ratio is ASSUMED, not estimated: {self.ratio.words()} as between batches within, {self.ratio.source}."
        ]
        if terms:
            out.append(
                f"What is said of {listed(terms)} rests on that assumption alone: were the ratio {TIMES:g} times as large, their standard errors "
                f"would be up to {growth:.2g} times as large. No reading of this trial can tell."
            )
        return [*out, *Fit.cautions(self)]

    def _component_table(self) -> pd.DataFrame:
        v = self.variance_components
        total = float(v.sum())
        return pd.DataFrame(
            {
                "between": ["batches" if k == "residual" else f"{k}s" for k in v.index],
                "variance": [number_text(float(x), digits=3) for x in v],
                "SD": [number_text(float(np.sqrt(x)), digits=3) for x in v],
                "share": [f"{100.0 * x / total:.0f} %" for x in v],
                "df": [
                    str(self.df_residual) if k == "residual" else f"none: {self.ratio.of[str(k)]:g} × batches, assumed"
                    for k in v.index
                ],
            }
        )


def ratio_planned(data: Any, batches: Batches) -> Ratio | None:
    """The ratio that the plan behind records was chosen for; None where there is none."""
    arguments = getattr(getattr(data, "plan", None), "provenance", {}).get("arguments", {})
    given = arguments.get("variance_ratio")
    if given is None:
        return None
    return _checked(tuple(given) if isinstance(given, list) else given, batches, "as the plan was chosen for")


def ratio_asked(data: Any, batches: Batches, given: float | tuple[float, float] | None) -> Ratio:
    """The ratio for method "gls": as given, else the plan's, else the sentence that says what to give."""
    if given is not None:
        return _checked(given, batches, "as given")
    planned = ratio_planned(data, batches)
    if planned is None:
        raise StudyError(
            "variance_ratio",
            given,
            'given with method="gls", since the data carry no plan that was chosen for one',
            "give the variance between whole plots over that between batches within them, say variance_ratio=1.0",
        )
    return planned


def _checked(given: Any, batches: Batches, source: str) -> Ratio:
    both = given if isinstance(given, tuple) else (given, given)
    if len(both) != 2 or any(isinstance(r, bool) or not isinstance(r, int | float) or not 0.0 <= r < 1e6 for r in both):
        raise StudyError(
            "variance_ratio",
            given,
            "0 or above: one number, or (whole plots, blocks)",
            "1 says that whole plots differ as much as batches within them",
        )
    groups = groups_of(batches)
    if not groups:
        raise StudyError(
            "method",
            "gls",
            "left out where batches share neither whole plots nor blocks",
            "with nothing shared, least squares is the same",
        )
    return Ratio({k: float(r) for k, r in zip(("whole plot", "block"), both, strict=True) if k in groups}, source)


def _covariance(ratios: dict[str, float], groups: dict[str, Any], n: int) -> Floats:
    V = np.eye(n)
    for name, ratio in ratios.items():
        V += ratio * (groups[name][:, None] == groups[name][None, :])
    return V


def assembled_known_ratio(
    model: Model, response: Response, batches: Batches, ratio: Ratio, problem: TooFewGroupsError | None = None
) -> KnownRatioFit:
    """Fit a model with an assumed ratio of the variances.

    Parameters
    ----------
    model : Model
    response : Response
    batches : Batches
    ratio : Ratio
    problem : TooFewGroupsError, optional
        Why the variances could not be estimated, where this is the fallback.

    Returns
    -------
    KnownRatioFit

    Raises
    ------
    StudyError
        As for least squares; also if there are no residual degrees of freedom at all.
    """
    if problem is None:
        why = "Generalised least squares as asked: the ratio of the variances is assumed."
    else:
        why = (
            f"Generalised least squares with an ASSUMED ratio of the variances, since these batches cannot estimate it ({problem.where} is "
            f"{problem.found})."
        )
    return _assembled(model, response, batches, ratio, why, None)


def _assembled(
    model: Model, response: Response, batches: Batches, ratio: Ratio, why: str, choice: Choice | None
) -> KnownRatioFit:
    n = len(batches.runs)
    X, solution = solved(model, response, batches, np.empty((n, 0)), ())
    if n <= model.p:
        raise StudyError(
            f"model for {response.name!r}: residual degrees of freedom",
            n - model.p,
            "at least 1, even with the variance ratio assumed",
            "choose a smaller model, or make more batches",
        )
    groups = groups_of(batches)
    strata = reml.Strata(("residual",), _covariance(ratio.of, groups, n)[None])
    layout = Layout(strata, solution.y, groups, degrees_of(solution.Q, groups))
    components = reml.estimate(solution.Q, solution.y, strata)
    inference = Inference(solution.Q, solution.y, strata, components.theta, components.theta)
    return KnownRatioFit(
        model.study, model, response, batches, solution, X, (), "gls", why, choice,
        layout=layout, inference=inference, components=components, ratio=ratio,
    )  # fmt: skip
