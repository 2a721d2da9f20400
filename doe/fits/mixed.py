"""The fit of one response whose batches share whole plots or blocks: REML, with Kenward and Roger's inference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd
from scipy import linalg

from doe.fits import arrays, reml, verdicts
from doe.fits.arrays import Floats
from doe.fits.influence import run_flags
from doe.fits.kenward_roger import Inference, p_of_f
from doe.fits.readings import Batches
from doe.fits.result import Choice, Fit, block_contrasts, solved
from doe.fits.strata import GROUPS, Layout, layout_of, plural
from doe.fits.tables import Noted
from doe.fits.transforms import profile_likelihood, scaled_power
from doe.study import Model, Response, Section, StudyError
from doe.study.shown import number_text, p_text

if TYPE_CHECKING:
    from doe.fits.exact import ExactSolution, Matrix

# in the order in which variance components are given
ORDER = ("whole plot", "block", "batch", "batch × condition", "residual")
# share of the whole variance below which batches of one whole plot differ by rounding alone
EXACT_WITHIN = 1e-7


@dataclass(frozen=True)
class LackOfFit:
    """The test of the settings' own means beyond the model: F with df and den_df, and how it was made."""

    F: float
    df: int
    den_df: float
    how: str


@dataclass(frozen=True, repr=False, eq=False)
class MixedFit(Fit):
    """A fit by restricted maximum likelihood; made by `doe.fit` where batches share whole plots or blocks.

    Blocks are random unless `batches.fixed_blocks`; fixed ones are the last columns of `X`, as in a least-squares fit.

    As `Fit`, with these differences. `coefficients` and `anova` have degrees of freedom of their own in every row. `sigma` is the
    standard deviation between batches of one whole plot, measured as in the trial, and `df_residual` its degrees of freedom.
    `r2` is what the model's terms alone account for. `press` foretells each whole plot from the others (each batch, where there are
    none). `aicc` and `bic` are from the full likelihood, since the restricted one compares no two models of different terms.
    `r2_adjusted` is NaN: it pays for coefficients out of one pool of degrees of freedom, and here there are several.

    Attributes
    ----------
    layout : Layout
        The strata.
    inference : Inference
        In the coordinates of `solution.Q`, an orthonormal basis of the model's columns.
    components : reml.Components
        Variances as estimated without bounds.
    """

    tests_by: ClassVar[str] = "Kenward–Roger"
    errors_by: ClassVar[str] = "by Kenward and Roger"

    layout: Layout = field(kw_only=True, repr=False)
    inference: Inference = field(kw_only=True, repr=False)
    components: reml.Components = field(kw_only=True, repr=False)

    # ---- what was fitted

    @cached_property
    def beta(self) -> Floats:
        """Coefficients of the model's columns, shape (p,)."""
        return (self.solution.R_inverse @ self.inference.gamma)[: self.model.p]

    @property
    def y(self) -> Floats:
        """Readings on the fitted scale, one mean a batch, shape (n,)."""
        return self.layout.y

    @property
    def df_residual(self) -> int:
        """Degrees of freedom between batches within whole plots and blocks."""
        return self.layout.degrees[self.layout.unit]

    @property
    def sigma(self) -> float:
        """Standard deviation between batches made alike within one whole plot, on the fitted scale, measured as in the trial."""
        inner = [i for i, name in enumerate(self.layout.strata.names) if name in ("residual", self.layout.unit)]
        return float(np.sqrt(self.layout.carried[inner] @ self.inference.theta[inner]))

    @cached_property
    def cov_unscaled(self) -> Floats:
        """Covariance of the coefficients over sigma², shape (p, p), estimated variances allowed for."""
        R = self.solution.R_inverse[: self.model.p]
        return R @ self.inference.adjusted @ R.T / self.sigma**2

    @property
    def variance_components(self) -> pd.Series[float]:
        """Variances on the fitted scale: whole plot, block, batch, batch × condition, residual, as present; one below 0 stands as 0."""
        found = dict(zip(self.layout.strata.names, self.inference.theta, strict=True))
        return pd.Series({k: max(float(found[k]), 0.0) for k in ORDER if k in found}, name="variance")

    @property
    def _component_degrees(self) -> dict[str, float]:
        found = self.inference
        known = zip(self.layout.strata.names, found.theta, np.diag(found.variance_covariance), strict=True)
        # at the very edge of what is a covariance the information says nothing
        return {name: 2.0 * float(t**2 / v) for name, t, v in known if t > 0.0 and v > 0.0}

    @cached_property
    def log_likelihood(self) -> float:
        """The restricted log-likelihood at its maximum, variances unbounded."""
        return self.components.log_likelihood + float(np.log(np.abs(np.diag(self.solution.R_inverse))).sum())

    # ---- inference

    def _errors(self, L: Floats) -> Floats:
        rows = L @ self.solution.R_inverse[: self.model.p]
        return np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, self.inference.adjusted, rows), 0.0))

    def _degrees(self, L: Floats) -> Floats:
        df = self.inference.degrees(L @ self.solution.R_inverse[: self.model.p])
        df[np.isnan(df)] = self.df_residual  # of rows of zeros, whose error is 0 on any
        return np.minimum(df, [self._most_degrees(row[None, :]) for row in L])

    @cached_property
    def _column_strata(self) -> list[str]:
        # by the plan: as made, what is set once a whole plot may differ a little within it
        planned = self.model.matrix_of(self.batches.planned_encoded)
        return [self.layout.stratum_of(column) for column in (*planned.T, *self.X[:, self.model.p :].T)]

    def _most_degrees(self, L: Floats) -> float:
        """The most degrees of freedom that a hypothesis may claim: where a variance is held at 0, those of its stratum."""
        if self.inference.regular:
            return float("inf")
        strata = {self._column_strata[j] for j in np.flatnonzero(L.any(axis=0))}
        if not strata or self.layout.unit in strata:
            return float("inf")
        return float(self.layout.degrees[next(name for name in reversed(GROUPS) if name in strata)])

    def _f_test(self, L: Floats) -> tuple[float, float]:
        F, df = self.inference.f_test(L @ self.solution.R_inverse)
        return F, min(df, self._most_degrees(L))

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Tests of the terms, every term adjusted for all others.

        Returns
        -------
        DataFrame
            source, df, den_df, F, p: a row a term with all its contrasts, then the model (all terms together), and where settings were
            made in several batches lack of fit: the F of one indicator a setting added to the model.

        References
        ----------
        Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from restricted maximum likelihood.
        Biometrics 53(3), 983-997.
        """
        rows = []
        tests = self._hypotheses()
        whole = np.vstack([L for _, L in tests]) if tests else np.empty((0, self.X.shape[1]))
        if len(tests) > 1:
            tests = [*tests, ("model", whole)]
        for source, L in tests:
            F, df = self._f_test(L)
            rows.append((source, len(L), df, F, p_of_f(F, len(L), df)))
        lack = self.lack_of_fit
        if lack is not None:
            rows.append(("lack of fit", lack.df, lack.den_df, lack.F, p_of_f(lack.F, lack.df, lack.den_df)))
        return pd.DataFrame(rows, columns=["source", "df", "den_df", "F", "p"])

    @cached_property
    def lack_of_fit(self) -> LackOfFit | None:
        """The lack-of-fit test; None where no setting was repeated so as to judge it."""
        setting = self.batches.setting
        indicators = (setting[:, None] == np.unique(setting)[None, :]).astype(float)
        own = _beyond(self.solution.Q, indicators)
        if not own.shape[1]:
            return None
        wider = np.column_stack([self.solution.Q, own])
        if wider.shape[1] < self.n and not self._nothing_left(wider):
            inference = inferred(wider, self.y, self.layout.strata)[0]
            F, df = inference.f_test(np.eye(wider.shape[1])[self.solution.Q.shape[1] :])
            return LackOfFit(F, own.shape[1], df, "by the Kenward–Roger F of one indicator a setting")
        # no whole plot was repeated: what is left is the test within them, an exact F with all groups as fixed columns
        groups = [(g[:, None] == np.unique(g)[None, :]).astype(float) for g in self.layout.groups.values()]
        if not groups:
            return None
        fixed = np.column_stack([self.solution.Q, _beyond(self.solution.Q, np.column_stack(groups))])
        own = _beyond(fixed, indicators)
        df_pure = self.n - fixed.shape[1] - own.shape[1]
        if not own.shape[1] or df_pure < 1:
            return None
        left = self.y - fixed @ (fixed.T @ self.y)
        ss = float(((own.T @ left) ** 2).sum())
        rest = float(left @ left) - ss
        F = ss / own.shape[1] / (rest / df_pure) if rest > 0 else float("inf")
        within = "batch" if "batch" in self.layout.groups else "whole plot"
        return LackOfFit(
            F,
            own.shape[1],
            float(df_pure),
            f"within {plural(within)} alone, since no whole plot's setting was repeated",
        )

    def _nothing_left(self, Q: Floats) -> bool:
        columns = Q
        for labels in [self.layout.groups[k] for k in GROUPS if k in self.layout.groups]:
            more = _beyond(columns, (labels[:, None] == np.unique(labels)[None, :]).astype(float))
            if not more.shape[1]:
                return True
            columns = np.column_stack([columns, more])
        return columns.shape[1] >= self.n or bool(reml.estimable(Q, self.layout.strata))

    # ---- how well

    @cached_property
    def _ss_about(self) -> tuple[float, float, int]:
        left = self.y - self._all_fitted
        total = self.y - (self.y.mean() if self.has_constant else 0.0)
        about = float(total @ total - left @ left)
        return about, about, self.X.shape[1] - int(self.has_constant)

    @cached_property
    def _all_fitted(self) -> Floats:
        """What all columns foretell, fixed blocks included, shape (n,)."""
        return np.asarray(self.solution.Q @ self.inference.gamma)

    @property
    def _ss_total(self) -> float:
        total = self.y - (self.y.mean() if self.has_constant else 0.0)
        return float(total @ total)

    @property
    def r2_adjusted(self) -> float:
        """NaN: a mixed fit has no one pool of residual degrees of freedom to adjust by."""
        return float("nan")

    @cached_property
    def press(self) -> float:
        """Sum of squared errors in foretelling each whole plot (batch, without whole plots) from the others, variances held.

        NaN where a whole plot cannot be foretold since the others do not estimate all coefficients.

        References
        ----------
        Haslett, J. & Dillane, D. (2004). Application of 'delete = replace' to deletion diagnostics for variance component estimation in
        the linear mixed model. J. R. Stat. Soc. B 66, 131-143 (deleted groups from P alone).
        """
        P = self.inference.projection
        scaled = P @ self.y
        groups = self.layout.groups
        plots = groups.get("whole plot", groups.get("batch", np.arange(self.n)))
        total = 0.0
        for plot in range(int(plots.max()) + 1):
            own = np.flatnonzero(plots == plot)
            values, vectors = np.linalg.eigh(P[np.ix_(own, own)])
            if values[0] <= 1e-9 * np.diagonal(self.inference.inverse)[own].max():
                return float("nan")
            total += float((((vectors.T @ scaled[own]) / values) ** 2).sum())
        return total

    @cached_property
    def _full_log_likelihood(self) -> float:
        return reml.estimate(self.solution.Q, self.y, self.layout.strata, bounded=True, full=True).log_likelihood

    def _criteria(self, log_likelihood: float, p: int) -> tuple[float, float]:
        """AICc and BIC of p coefficients beside the variances."""
        k, n = p + len(self.layout.strata.names), self.n
        deviance = -2.0 * (log_likelihood + self._log_jacobian)
        aicc = deviance + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1) if n > k + 1 else np.inf
        return float(aicc), float(deviance + k * np.log(n))

    @property
    def aicc(self) -> float:
        """Akaike's criterion with the small-sample correction, from the full likelihood; the variances count as parameters."""
        return self._criteria(self._full_log_likelihood, self.X.shape[1])[0]

    @property
    def bic(self) -> float:
        """Schwarz's criterion, from the full likelihood; the variances count as parameters."""
        return self._criteria(self._full_log_likelihood, self.X.shape[1])[1]

    @property
    def _log_jacobian(self) -> float:
        readings = self.batches.readings if self.layout.unit in self.layout.strata.names else (self.batches.values,)
        return float(sum(self.response.log_jacobian(r) for r in readings))

    # ---- elsewhere

    def _of_new_batch(self, X: Floats) -> tuple[Floats, Floats]:
        rows = X @ self.solution.R_inverse[: self.model.p]
        variance, df = self.inference.of_new_batch(rows, self.layout.carried)
        return np.sqrt(variance), df

    def _prediction_note(self, interval: float, kind: str, outside: int, rows: int) -> str:
        lines = super()._prediction_note(interval, kind, outside, rows).split("\n")
        if kind == "new batch":
            new = " in a new block" if "block" in self.layout.groups else ""
            plot = "in a new whole plot" if "whole plot" in self.layout.groups else "made by itself"
            lines.insert(1, f"The new batch is {plot}{new}; degrees of freedom by Satterthwaite.")
        else:
            lines.insert(1, f"Standard errors and degrees of freedom {self.errors_by}.")
        return "\n".join(lines)

    def _natural(self, exact: ExactSolution, T: Matrix) -> tuple[list[float], Floats]:
        # exact.images gives T in an orthonormal basis of the same columns: well conditioned, whatever T is
        rows = exact.images(T)
        turn = exact.in_double().Q.T @ self.solution.Q
        error = np.sqrt(np.einsum("ij,jk,ik->i", rows @ turn, self.inference.adjusted, rows @ turn))
        return list(rows @ (turn @ self.inference.gamma)), error

    def _power_likelihood(self) -> tuple[Callable[[float], float], Callable[[float], float]]:
        """As the least-squares fit's, by the full likelihood of the batch means with all variances."""
        s, Q = self.layout.strata, self.solution.Q
        means = s.without([i for i, name in enumerate(s.names) if name == self.layout.unit])
        G = means.G.copy()
        G[0] = np.eye(self.n)
        means = reml.Strata(means.names, G)
        values = self.batches.values

        def log_likelihood(lam: float) -> float:
            z = scaled_power(values, lam)
            return reml.estimate(Q, z, means, bounded=True, full=True).log_likelihood

        return log_likelihood, profile_likelihood(Q, values)[1]

    @property
    def statsmodels(self) -> Any:
        """There is none: the REML is this library's own."""
        raise StudyError(
            "statsmodels", "asked of a mixed fit", "asked of a least-squares fit", "this REML is the library's own"
        )

    @cached_property
    def _run_table(self) -> pd.DataFrame:
        """Each batch against what all others foretell, its mates in the whole plot among them; variances held."""
        scaled, own = self.inference.projection @ self.y, self._foretold
        leverage = np.clip(1.0 - own / np.diagonal(self.inference.inverse), 0.0, 1.0)
        p = self.X.shape[1]
        t = arrays.studentised_draws(scaled[None, :], self.y[None, :], own, self.n - p)[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            cook = np.where(own > 0.0, scaled**2 / own, np.nan) * leverage / ((1.0 - leverage) * p)
        fitted = self._all_fitted
        return pd.DataFrame(
            {
                "run": self.runs,
                "fitted": fitted,
                "residual": self.y - fitted,
                "leverage": leverage,
                "studentised": t,
                "cooks_distance": cook,
                "flags": run_flags(self, leverage, t, cook),
            }
        )

    def simulated_residuals(self, draws: int, seed: int) -> Floats:
        """As the least-squares fit's, with the variances as estimated at 0 or above."""
        V = np.tensordot(self.inference.weighing, self.layout.strata.G, axes=1)
        noise = np.random.default_rng(seed).standard_normal((draws, self.n)) @ np.linalg.cholesky(V).T
        return arrays.studentised_draws(
            noise @ self.inference.projection, noise, self._foretold, self.n - self.X.shape[1]
        )

    @cached_property
    def _foretold(self) -> Floats:
        """Diagonal of P; 0 for a run that the others do not foretell."""
        own = np.diagonal(self.inference.projection)
        return np.where(own > (1.0 - arrays.FULL_LEVERAGE) * np.diagonal(self.inference.inverse), own, 0.0)

    def refitted(self, model: Model, choice: Choice | None = None) -> MixedFit:
        """The same batches with another model, variances estimated anew."""
        made = assembled_mixed(model, self.response, self.batches, self.why, choice, type(self))
        return replace(made, order=self.order)

    def diagnostics(self) -> Noted:
        """Every run's part in the fit.

        Returns
        -------
        DataFrame
            run; fitted and residual by the model's terms alone; leverage (the share of a run's own information that the coefficients
            take up), studentised and cooks_distance, which judge each run by what all others foretell of it, those of its own whole
            plot included, with the variances held; flags. In a least-squares fit these are the usual ones.

        References
        ----------
        Haslett, J. & Dillane, D. (2004). Application of 'delete = replace' to deletion diagnostics for variance component estimation in
        the linear mixed model. J. R. Stat. Soc. B 66, 131-143.
        """
        out = super().diagnostics()
        note = "studentised judges a run by all others, those of its own whole plot included; residual is off the model's terms alone."
        return Noted.made(out, f"{out.note}\n{note}")

    # ---- shown

    @property
    def heading(self) -> str:
        """What was fitted, how, on how much."""
        counts = [f"{int(g.max()) + 1} {plural(name)}" for name, g in self.layout.groups.items()]
        if self.block_columns:
            counts.append(f"{self.block_columns + 1} fixed blocks")
        return self._heading(f" in {verdicts.listed(counts)}" if counts else "", self._df_words())

    def _df_words(self) -> str:
        words = {"block": "between blocks", "whole plot": "between whole plots", "batch": "between batches within them"}
        if not self.layout.groups:
            words["batch"] = "between batches"
        parts = [f"{df} {words[name]}" for name, df in self.layout.degrees.items()]
        return f"residual df: {', '.join(parts)}"

    def _anova_table(self) -> pd.DataFrame:
        a = self.anova
        return pd.DataFrame(
            {
                "source": a["source"],
                "df": [str(int(v)) for v in a["df"]],
                "denominator df": [number_text(float(v), digits=3) for v in a["den_df"]],
                "F": [number_text(float(v), digits=3) for v in a["F"]],
                "p": [p_text(float(v)) for v in a["p"]],
            }
        )

    def _coefficient_table(self) -> pd.DataFrame:
        out = super()._coefficient_table()
        rows = dict(zip(self.coefficients["term"], self.coefficients["df"], strict=True))
        if self.study.categorical:
            rows |= dict(zip(self.level_effects["term"], self.level_effects["df"], strict=True))
        names = ["1" if t == "intercept" else t for t in out["term"]]
        out.insert(
            list(out.columns).index("std error") + 1, "df", [number_text(float(rows[t]), digits=3) for t in names]
        )
        return out

    def _quality_line(self) -> str:
        predicted = "" if np.isnan(self.press) else f", predicted {self.r2_predicted:.4f}"
        aicc = f", AICc {self.aicc:.2f} (full likelihood)" if np.isfinite(self.aicc) else ""
        relative = ", read as a coefficient of variation" if self.response.transform == "log" else ""
        return f"{self._sigma_words} {number_text(self.sigma, digits=3)}{relative}; R² of the terms {self.r2:.4f}{predicted}{aicc}."

    @property
    def _sigma_words(self) -> str:
        return f"σ between batches{' within a whole plot' if 'whole plot' in self.layout.groups else ''}"

    def _lack_of_fit_words(self) -> list[str]:
        lack = self.lack_of_fit
        if lack is None:
            if len(set(self.batches.setting.tolist())) <= self.model.p:
                return verdicts.on_lack_of_fit(np.nan, np.nan, 0, 1)
            return ["No setting was repeated in a way that lets lack of fit be tested."]
        if p_of_f(lack.F, lack.df, lack.den_df) < verdicts.LACK_OF_FIT_P:
            p = p_text(p_of_f(lack.F, lack.df, lack.den_df)).replace("<", "below ")
            return [
                f"Lack of fit (p = {p}), tested {lack.how}: the model misses the readings by more than repeated batches differ; a "
                "curve, an interaction or another scale is missing."
            ]
        return []

    def cautions(self) -> list[str]:
        """What to be wary of, one sentence each; empty when nothing stands out."""
        few = [
            f"Only {df} df between {plural(name)}: the noise between them is hardly known, and intervals that rest on it are wide for that "
            "reason."
            for name, df in self.layout.degrees.items()
            if name != self.layout.unit and df < verdicts.FEW_RESIDUAL_DF
        ]
        groups = "batches" if "batch" in self.layout.groups else "whole plots and blocks"
        within = [
            f"Within {groups} the model passes through every reading to the last digit: tests of what changes within them mean nothing."
        ]
        exact = self.sigma**2 < EXACT_WITHIN * float(self.variance_components.sum())
        return [*few, *(within if exact else []), *super().cautions()]

    def _remarks(self) -> list[str]:
        out = super()._remarks()
        negative = [n for n, v in zip(self.layout.strata.names, self.inference.theta, strict=True) if v < 0]
        for name in negative:
            inner = "readings" if name == self.layout.unit else self._inner_word
            out.insert(
                1,
                f"The {self._strata_words[name]} differ by no more than the {inner} within them would make them: their variance comes out "
                "below 0 and stands as 0. Standard errors and degrees of freedom keep the stratum all the same, so that no effect is called surer than its "
                "own repeats make it.",
            )
        if "block" in self.layout.groups:
            out.append("Blocks are random: predictions are for the average of all such blocks.")
        if self.layout.unit in self.layout.strata.names:
            out = [line for line in out if "readings are averaged" not in line and "readings, averaged" not in line]
            out.append(self._repeats_words)
        lack = self.lack_of_fit
        if lack is not None:
            out.append(f"Lack of fit is tested {lack.how}.")
        predicted = "each whole plot" if "whole plot" in self.layout.groups else "each batch"
        if not np.isnan(self.press):
            out.append(f"Predicted R² foretells {predicted} from the others.")
        return out

    _inner_word: ClassVar[str] = "batches"  # what the narrowest groups hold

    @property
    def _strata_words(self) -> dict[str, str]:
        """What it is that differs in each stratum."""
        groups = {name: plural(name) for name in self.layout.groups}
        repeated = self.layout.unit in self.layout.strata.names
        return {**groups, "batch": "batches", "residual": "readings of a batch" if repeated else "batches"}

    @property
    def _repeats_words(self) -> str:
        return "Repeat readings have a variance of their own, the residual; batch is what batches differ by beyond it."

    def _sections(self) -> list[Section]:
        sections = super()._sections()
        sections.insert(1, Section("Where the scatter comes from", self._component_table()))
        at = next(i for i, s in enumerate(sections) if s.title.startswith("Analysis of variance"))
        a = sections[at]
        sections[at] = Section(f"Tests of the terms, each adjusted for all others ({self.tests_by})", a.table, a.note)
        return sections

    def _component_table(self) -> pd.DataFrame:
        v = self.variance_components
        total = float(v.sum())
        df = {**self.layout.degrees}
        unit = self.layout.unit
        df["residual"] = self.layout.strata.within_df if unit in v.index else df.pop(unit)
        return pd.DataFrame(
            {
                "between": [self._strata_words[str(k)] for k in v.index],
                "variance": [number_text(float(x), digits=3) for x in v],
                "SD": [number_text(float(np.sqrt(x)), digits=3) for x in v],
                "share": [f"{100.0 * x / total:.0f} %" for x in v],
                "df": [str(df[str(k)]) for k in v.index],
            }
        )


def _beyond(Q: Floats, columns: Floats) -> Floats:
    """Orthonormal basis of what columns add to those of Q (n, p), shape (n, d)."""
    left = columns - Q @ (Q.T @ columns)
    left -= Q @ (Q.T @ left)
    basis, R, _ = linalg.qr(left, mode="economic", pivoting=True)
    return np.asarray(basis[:, : int((np.abs(np.diag(R)) > 1e-9).sum())])


def inferred(Q: Floats, y: Floats, strata: reml.Strata) -> tuple[Inference, reml.Components]:
    """Variances and inference for columns Q."""
    free = reml.estimate(Q, y, strata)
    weighing = free.theta if (free.theta >= 0.0).all() else reml.estimate(Q, y, strata, bounded=True).theta
    return Inference(Q, y, strata, free.theta, weighing), free


def assembled_mixed(
    model: Model,
    response: Response,
    batches: Batches,
    why: str,
    choice: Choice | None = None,
    kind: type[MixedFit] = MixedFit,
) -> MixedFit:
    """Fit a model to batches that share whole plots or blocks.

    Parameters
    ----------
    model : Model
    response : Response
    batches : Batches
    why : str
        Why this method, for the print.
    choice : Choice, optional
        How the terms were chosen, if from these readings.
    kind : type
        Of the fit.

    Returns
    -------
    MixedFit

    Raises
    ------
    StudyError
        As for least squares; also if a stratum has no degrees of freedom, or nothing is shared.
    """
    blocks, names = block_contrasts(batches.block if batches.fixed_blocks else None)
    X, solution = solved(model, response, batches, blocks.reshape(len(batches.runs), len(names)), names)
    layout = layout_of(model, response, batches, solution.Q)
    inference, components = inferred(solution.Q, layout.y, layout.strata)
    return kind(
        model.study,
        model,
        response,
        batches,
        solution,
        X,
        names,
        "reml",
        why,
        choice,
        layout=layout,
        inference=inference,
        components=components,
    )
