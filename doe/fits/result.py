"""The fit of one response: what was estimated, how sure it is, how well it describes the batches, and what it foretells."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from math import prod
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from doe.fits import arrays, verdicts
from doe.fits.arrays import Floats, Solution
from doe.fits.readings import Batches
from doe.fits.sources import AllEqualError
from doe.fits.tables import Equation, Noted
from doe.study import Categorical, Component, Model, Response, Section, Shown, Study, StudyError
from doe.study.dependence import dependent_groups
from doe.study.models import parents
from doe.study.shown import number_text, p_text
from doe.study.terms import Term, term_text

if TYPE_CHECKING:
    from doe.fits.canonical import Surface
    from doe.fits.driving import Drivers
    from doe.fits.exact import ExactSolution, Matrix
    from doe.fits.patterns import Patterns
    from doe.fits.robust import RobustFit
    from doe.fits.selection import Search
    from doe.fits.tracing import Traces
    from doe.fits.transforms import TransformProfile

METHOD_WORDS = {
    "reml": "REML",
    "gls": "generalised least squares with an assumed variance ratio",
    "ordinal": "proportional odds",
    "censored": "maximum likelihood",
}  # as headings print them
CONDITION = "condition"  # what the storage condition is called where several are fitted together
LEVEL = 0.95  # of the intervals in `coefficients`
# stands wherever a fit with chosen terms shows an interval or a p-value
SELECTED = "The terms were chosen from these same readings: intervals and p-values no longer mean what they say, they look surer than they are."


@dataclass(frozen=True)
class Choice:
    """How a model's terms came to be chosen from the data."""

    words: str
    steps: pd.DataFrame


@dataclass(frozen=True, repr=False, eq=False)
class Fit(Shown):
    """A least-squares fit of one response; made by `doe.fit`.

    Coefficients, sigma, R², PRESS and AICc are on the fitted scale (`response.transform`) and in coded units: a numeric factor
    from −1 to +1, a component as its share of the total, a categorical factor by sum-to-zero contrasts.

    Attributes
    ----------
    study : Study
    model : Model
    response : Response
    batches : Batches
        Settings, mean readings and labels of the batches used.
    solution : Solution
        The least-squares solution with all columns, blocks included.
    X : ndarray, shape (n, p + block columns)
    block_names : tuple of str
        One a block contrast.
    method : str
    why : str
        Why this method.
    choice : Choice or None
        Set when the terms were chosen from these same readings.
    order : mapping of run -> place
        In which order the batches were made, where the records say it.
    """

    study: Study
    model: Model
    response: Response
    batches: Batches = field(repr=False)
    solution: Solution = field(repr=False)
    X: Floats = field(repr=False)
    block_names: tuple[str, ...] = ()
    method: str = "least squares"
    why: str = ""
    choice: Choice | None = None
    order: Mapping[Any, int] = field(default_factory=dict, kw_only=True, repr=False)

    # ---- what was fitted

    @property
    def beta(self) -> Floats:
        """Coefficients of the model's columns, shape (p,)."""
        return self.solution.beta[: self.model.p]

    @property
    def cov_unscaled(self) -> Floats:
        """(X'X)⁻¹ of the model's columns, shape (p, p); times sigma² it is their covariance."""
        return self.solution.cov_unscaled[: self.model.p, : self.model.p]

    @property
    def y(self) -> Floats:
        """Readings on the fitted scale, one mean a batch, shape (n,)."""
        return self.solution.y

    @property
    def runs(self) -> NDArray[Any]:
        """Labels of the batches, shape (n,)."""
        out = np.empty(len(self.batches.runs), dtype=object)
        out[:] = self.batches.runs
        return out

    @property
    def as_made(self) -> bool:
        """Whether the settings are those that were made, not those planned."""
        return self.batches.as_made

    @property
    def conditions(self) -> tuple[str, ...]:
        """Storage conditions that are fitted together; empty where the fit is of one occasion."""
        return ()

    @property
    def n(self) -> int:
        """Number of batches; of means of a batch at a condition where conditions are fitted together."""
        return int(self.X.shape[0])

    @property
    def block_columns(self) -> int:
        """Number of block contrasts, the last columns of `X`."""
        return len(self.block_names)

    @property
    def df_residual(self) -> int:
        """Residual degrees of freedom."""
        return self.solution.df_residual

    @property
    def sigma(self) -> float:
        """Residual standard deviation on the fitted scale; NaN without residual degrees of freedom."""
        return self.solution.sigma

    @property
    def alike(self) -> str:
        """What differs by `sigma`, in words."""
        return "batches made alike"

    @property
    def unused(self) -> pd.DataFrame:
        """Runs that are not in the fit, with the reason: columns run, reason."""
        rows = [*self.batches.left_out, *self.batches.unused]
        return pd.DataFrame({"run": [r for r, _ in rows], "reason": [w for _, w in rows]}, dtype=object)

    @cached_property
    def has_constant(self) -> bool:
        """Whether a constant lies in the column space, so that sums of squares are about the mean."""
        if self.model.has_constant:
            return True
        one = np.ones(self.n)
        left = one - self.solution.Q @ (self.solution.Q.T @ one)
        return float(np.linalg.norm(left)) < 1e-8 * np.sqrt(self.n)

    # ---- coefficients and sums of squares

    def _errors(self, L: Floats) -> Floats:
        """Standard errors of L β, one a row."""
        return np.asarray(self.sigma * np.linalg.norm(L @ self.solution.R_inverse[: self.model.p], axis=1))

    def _degrees(self, L: Floats) -> Floats:
        """Degrees of freedom of those standard errors; NaN where there are none."""
        return np.full(len(L), float(self.df_residual) if self.df_residual else np.nan)

    def _half_widths(self, L: Floats, interval: float = LEVEL) -> Floats:
        """Half the intervals for L β, one a row."""
        return np.asarray(special.stdtrit(self._degrees(L), 0.5 + interval / 2.0) * self._errors(L))

    def _limits(self, L: Floats, interval: float) -> tuple[Floats, Floats]:
        """Ends of the intervals for L β, one a row."""
        estimate, half = L @ self.beta, self._half_widths(L, interval)
        return np.asarray(estimate - half), np.asarray(estimate + half)

    @property
    def _covariance(self) -> Floats:
        """Covariance of the coefficients, shape (p, p); NaN where nothing judges the noise."""
        return np.asarray(self.cov_unscaled * self.sigma**2)

    def contrasts(self, L: ArrayLike) -> pd.DataFrame:
        """What the fit says of combinations of its coefficients, on the fitted scale.

        Parameters
        ----------
        L : array_like, shape (d, p)
            One row a combination, one weight a column of the model; of differences between two rows of `model.matrix`, say.

        Returns
        -------
        DataFrame
            estimate, std_error, df, t, p, low, high (95 %), one row a combination, each by itself.

        Raises
        ------
        StudyError
            If the rows do not have one weight a coefficient.
        """
        L = np.asarray(L, dtype=float)
        if L.ndim != 2 or L.shape[1] != self.model.p:
            raise StudyError(
                "contrasts: shape of the weights",
                L.shape,
                f"(rows, {self.model.p})",
                "give every row one weight for each of " + ", ".join(self.model.columns),
            )
        estimate, error, df = L @ self.beta, self._errors(L), self._degrees(L)
        low, high = Fit._limits(self, L, LEVEL)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = estimate / error
        return pd.DataFrame(
            {
                "estimate": estimate,
                "std_error": error,
                "df": np.nan_to_num(df),
                "t": t,
                "p": 2.0 * special.stdtr(df, -np.abs(t)),
                "low": low,
                "high": high,
            }
        )

    @cached_property
    def _blend_columns(self) -> NDArray[np.int64]:
        """Columns of the single components."""
        shares = {(c.name, 1) for c in self.study.components}
        single = [i for i, t in enumerate(self.model.parsed) if len(t) == 1 and t[0] in shares]
        return np.flatnonzero(np.isin(self.model.term_of, single))

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Coefficients in coded units on the fitted scale.

        Returns
        -------
        DataFrame
            One row a column of the model: term, estimate, std_error, df, t, p, low, high (95 %). A single blend has no t and p:
            that a response is zero at a pure component is no question anyone asks.
        """
        out = self.contrasts(np.eye(self.model.p))
        out.insert(0, "term", list(self.model.columns))
        out.loc[self._blend_columns, ["t", "p"]] = np.nan
        return out

    def _last_levels(self) -> list[tuple[int, str, Floats]]:
        """Effects of the last levels: after which column, the text, and the row of L that gives it."""
        out: list[tuple[int, str, Floats]] = []
        for index, term in enumerate(self.model.parsed):
            kinds = [self.study.variable(name) for name, _ in term]
            if not any(isinstance(k, Categorical) for k in kinds):
                continue
            own = np.flatnonzero(self.model.term_of == index)
            choices = [k.levels if isinstance(k, Categorical) else ("",) for k in kinds]
            for levels in product(*choices):
                cat = [(k, lv) for k, lv in zip(kinds, levels, strict=True) if isinstance(k, Categorical)]
                if all(lv != k.levels[-1] for k, lv in cat):
                    continue
                row = np.zeros(self.model.p)
                for column, picked in zip(
                    own, product(*[k.levels[:-1] if isinstance(k, Categorical) else ("",) for k in kinds]), strict=True
                ):
                    signs = [
                        -1 if lv == k.levels[-1] else int(lv == pick)
                        for k, lv, pick in zip(kinds, levels, picked, strict=True)
                        if isinstance(k, Categorical)
                    ]
                    row[column] = prod(signs)
                words = [
                    f"{name}[{lv}]" if isinstance(k, Categorical) else name + (f"^{q}" if q > 1 else "")
                    for (name, q), k, lv in zip(term, kinds, levels, strict=True)
                ]
                out.append((int(own[-1]), ":".join(words), row))
        return out

    @cached_property
    def level_effects(self) -> pd.DataFrame:
        """Effects of the last level of every categorical factor, which the contrasts imply: columns as `coefficients`."""
        rows = self._last_levels()
        out = self.contrasts(np.array([r for _, _, r in rows]).reshape(len(rows), self.model.p))
        out.insert(0, "term", [t for _, t, _ in rows])
        return out

    @cached_property
    def _linear_blending(self) -> bool:
        """Whether all single blends are in the model, so that they can be tested for being equal."""
        return 0 < len(self.study.components) == len(self._blend_columns)

    @cached_property
    def _pure_error(self) -> tuple[float, int]:
        if not self.df_residual:
            return 0.0, 0
        return arrays.pure_error(self.X, self.y, self.batches.setting)

    @cached_property
    def _ss_about(self) -> tuple[float, float, int]:
        """Sum of squares of the fit about the mean (or zero), that of the model given the blocks, and the latter's df."""
        constant = np.ones((self.n, int(self.has_constant)))
        nuisance = np.column_stack([constant, self.X[:, self.model.p :]])
        base, rank = arrays.between(self.y, nuisance)
        model = self.solution.fitted - base
        mean = self.solution.fitted - (self.y.mean() if self.has_constant else 0.0)
        return float(mean @ mean), float(model @ model), int(self.X.shape[1] - rank)

    def _hypotheses(self) -> list[tuple[str, Floats]]:
        """What is asked of every term: its name, and the rows L (d, p + block columns) whose L β is 0 where it does not matter."""
        p_all = self.X.shape[1]
        rows: list[tuple[str, Floats]] = []
        blends = self._blend_columns
        for index, term in enumerate(self.model.terms):
            own = np.flatnonzero(self.model.term_of == index)
            if own[0] in blends:
                if self._linear_blending and own[0] == blends[0]:
                    L = np.zeros((len(blends) - 1, p_all))
                    L[:, blends[0]] = 1.0
                    L[np.arange(len(blends) - 1), blends[1:]] = -1.0
                    rows.append(("linear blending", L))
            elif term != "1":
                rows.append((term, np.eye(p_all)[own]))
        return rows

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Analysis of variance, every term adjusted for all others.

        Returns
        -------
        DataFrame
            source, df, ss, ms, F, p. A row a term with all its contrasts; of a mixture's single blends one row, "linear
            blending": are they all equal? Then blocks (where there are any), model, residual, and where settings were made in
            several batches lack of fit (tested against pure error) and pure error.

        References
        ----------
        Draper, N. R. & Smith, H. (1998). Applied Regression Analysis, 3rd ed. Wiley. Cornell, J. A. (2002). Experiments with
        Mixtures, 3rd ed., section 5 (linear blending). Wiley.
        """
        p_all = self.X.shape[1]
        rows: list[tuple[str, int, float]] = [
            (source, len(L), arrays.hypothesis_ss(self.solution, L)) for source, L in self._hypotheses()
        ]
        if self.block_columns:
            L = np.eye(p_all)[self.model.p :]
            rows.append(("blocks", len(L), arrays.hypothesis_ss(self.solution, L)))
        _, ss_model, df_model = self._ss_about
        rows.append(("model", df_model, ss_model))
        rows.append(("residual", self.df_residual, self.solution.rss))
        ss_pure, df_pure = self._pure_error
        if df_pure:
            df_lack = self.df_residual - df_pure
            rows.append(("lack of fit", df_lack, max(self.solution.rss - ss_pure, 0.0) if df_lack else 0.0))
            rows.append(("pure error", df_pure, ss_pure))
        out = pd.DataFrame(rows, columns=["source", "df", "ss"])
        with np.errstate(divide="ignore", invalid="ignore"):
            out["ms"] = out["ss"] / out["df"].replace(0, np.nan)
            noise, df = self.sigma**2, float(self.df_residual)
            out["F"] = out["ms"] / noise
            out["p"] = special.fdtrc(out["df"], df, out["F"]) if df else np.nan
            out.loc[out["source"].isin(["residual", "lack of fit", "pure error"]), ["F", "p"]] = np.nan
            if df_pure and self.df_residual > df_pure:
                at = out.index[out["source"] == "lack of fit"][0]
                F = float(np.float64(out.loc[at, "ms"]) / np.float64(ss_pure / df_pure))
                out.loc[at, ["F", "p"]] = [F, float(special.fdtrc(self.df_residual - df_pure, df_pure, F))]
        return out

    # ---- how well

    @property
    def _ss_total(self) -> float:
        return self._ss_about[0] + self.solution.rss

    @property
    def r2(self) -> float:
        """Share of the sum of squares about the mean that the fit accounts for, blocks included."""
        return self._ss_about[0] / self._ss_total

    @property
    def r2_adjusted(self) -> float:
        """R² by mean squares: what is left of it after paying for every coefficient; NaN without residual df."""
        if not self.df_residual:
            return float("nan")
        return 1.0 - self.sigma**2 / (self._ss_total / (self.n - int(self.has_constant)))

    @cached_property
    def press(self) -> float:
        """Sum of squared errors in foretelling each run from the others; NaN where the model passes through a run."""
        return arrays.press(self.solution.residuals, self.solution.leverage)

    @property
    def r2_predicted(self) -> float:
        """R² of foretelling each run from the others: 1 − PRESS over the sum of squares about the mean."""
        return 1.0 - self.press / self._ss_total

    @property
    def aicc(self) -> float:
        """Akaike's criterion with the small-sample correction, comparable across transforms of the same readings."""
        return arrays.information_criteria(self.solution.rss, self.n, self.X.shape[1], self._log_jacobian)[0]

    @property
    def bic(self) -> float:
        """Schwarz's criterion, comparable across transforms of the same readings."""
        return arrays.information_criteria(self.solution.rss, self.n, self.X.shape[1], self._log_jacobian)[1]

    @property
    def _log_jacobian(self) -> float:
        return self.response.log_jacobian(self.batches.values)

    @property
    def variance_components(self) -> pd.Series[float]:
        """Variances on the fitted scale, by source: here the residual alone."""
        return pd.Series({"residual": self.sigma**2}, name="variance")

    @property
    def _strata_words(self) -> dict[str, str]:
        """What it is that differs in each source of variance."""
        return {"residual": "batches"}

    @property
    def component_intervals(self) -> pd.DataFrame:
        """Standard deviations of the variance components, and how well each is known.

        Returns
        -------
        DataFrame
            source, sd, low, high on the fitted scale (of scores: the logit scale); 95 %, by χ² on the degrees of freedom each variance is
            worth (Satterthwaite): a residual by least squares has them exactly, those of a mixed fit are approximate. In 150 simulated trials each
            they held the SD between whole plots in 97 % where it was twice that within, and in 86 % of those that saw it at all where it was half
            of that (Monte-Carlo errors 1.5 and 3 points). NaN where nothing is known: a variance that came out below 0, or was assumed. Of scores:
            posterior median and credible interval.

        References
        ----------
        Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components. Biometrics Bulletin 2(6), 110-114.
        """
        sd = self.variance_components**0.5
        df = np.array([self._component_degrees.get(str(name), np.nan) for name in sd.index])
        with np.errstate(divide="ignore"):  # on next to no degrees of freedom there is no upper end
            low, high = (sd * np.sqrt(df / special.chdtri(df, p)) for p in (0.5 * (1.0 - LEVEL), 0.5 * (1.0 + LEVEL)))
        table = pd.DataFrame({"sd": sd, "low": low, "high": high})
        return table.rename_axis("source").reset_index()

    @property
    def _component_degrees(self) -> dict[str, float]:
        """Degrees of freedom that variances are worth, as far as known."""
        return {"residual": float(self.df_residual)} if self._judged else {}

    # ---- what it says elsewhere

    def predict(self, df: pd.DataFrame, interval: float = 0.95, kind: str = "mean") -> Noted:
        """What the fit foretells at given settings.

        Parameters
        ----------
        df : DataFrame
            One row a setting, one column a factor, natural units; a column for a covariate where its value is known.
        interval : float
            Coverage of the interval, between 0 and 1.
        kind : "mean" or "new batch"
            Interval for the mean of many batches made at the setting, or for one new batch. With blocks: at the average block. A covariate
            without a column stands at its mean; one new batch then also differs by what the covariate's own spread makes of it.

        Returns
        -------
        DataFrame
            The index of `df`; estimate, std_error, low, high on the response's own scale. Under a transform the estimate and the
            interval's ends are carried back, so the estimate is a median, and std_error is by the delta method. Its `note` says so.

        Raises
        ------
        StudyError
            If a setting, the interval or the kind cannot be used.
        """
        interval = checked_interval(interval)
        if kind not in ("mean", "new batch"):
            raise StudyError("kind", kind, '"mean" or "new batch"', "say which of the two the interval is for")
        settings = self.study.frame(df, "the settings")
        given = [name for name in self.study.covariate_names if name in df.columns]
        encoded = self.study.encode(settings.assign(**{name: df[name].to_numpy() for name in given}))
        unknown = [name for name in self.model.measured if name not in given]
        spread = self._covariate_spread(encoded, unknown) if kind == "new batch" else np.zeros(len(settings))
        out = self._foretell(self.model.matrix_of(encoded), interval, kind, spread)
        out.index = settings.index
        outside = int((~self.study.region.contains(settings)).sum())
        note = self._prediction_note(interval, kind, outside, len(out))
        if unknown:
            spreads = "; one new batch differs by their spread too" if kind == "new batch" else ""
            note += f"\nAt the mean of {verdicts.listed(unknown)}{spreads.replace('their', 'its') if len(unknown) == 1 else spreads}."
        return Noted.made(out, note)

    def _covariate_spread(self, encoded: Floats, unknown: Sequence[str]) -> Floats:
        """SD, on the fitted scale, of what covariates that are not known bring into one new batch, to first order."""
        variance = np.zeros(len(encoded))
        for name in unknown:
            at = self.study.variables.index(name)
            up, down = encoded.copy(), encoded.copy()
            # coded by mean and SD: one unit is one standard deviation
            up[:, at] += 0.5
            down[:, at] -= 0.5
            variance += ((self.model.matrix_of(up) - self.model.matrix_of(down)) @ self.beta) ** 2
        return np.sqrt(variance)

    def _foretell(self, X: Floats, interval: float, kind: str, spread: Floats | float = 0.0) -> pd.DataFrame:
        """Predictions for rows of the model matrix, on the response's own scale; `spread` is a new batch's own SD beside sigma."""
        estimate = X @ self.beta
        error, df = self._of_new_batch(X) if kind == "new batch" else (self._errors(X), self._degrees(X))
        error = np.hypot(error, spread)
        half = special.stdtrit(df, 0.5 + interval / 2.0) * error
        r = self.response
        return pd.DataFrame(
            {
                "estimate": r.inverse(estimate),
                "std_error": np.abs(r.slope(estimate)) * error,
                "low": r.inverse(estimate - half),
                "high": r.inverse(estimate + half),
            }
        )

    def _of_new_batch(self, X: Floats) -> tuple[Floats, Floats]:
        """Standard errors and degrees of freedom of foretelling one new batch, for rows of the model matrix."""
        return np.hypot(self._errors(X), self.sigma), self._degrees(X)

    def _prediction_note(self, interval: float, kind: str, outside: int, rows: int) -> str:
        what = "the mean of batches made there" if kind == "mean" else "one new batch"
        lines = [f"{self.response.label}; {100 * interval:g} % interval for {what}."]
        if not self.df_residual:
            lines.append("No residual degrees of freedom: there is no standard error and no interval.")
        if self.response.transform is not None:
            lines.append(
                f"Carried back from {self.response.fitted_label}: the estimate is a median, and std_error is approximate (delta "
                "method)."
            )
        if self.block_columns:
            lines.append("At the average block; what a new block adds is not included.")
        lines += self._selected
        if outside:
            lines.append(
                f"{outside} of {rows} settings lie outside the region studied: extrapolation, surer on paper than in the beaker."
            )
        return "\n".join(lines)

    def equation(self, natural: bool = True, pseudocomponents: bool = False) -> Equation:
        """The fitted equation.

        Parameters
        ----------
        natural : bool
            In natural units (worked in extended precision from the numbers as typed), or in coded ones.
        pseudocomponents : bool
            With `natural=False`: components as L-pseudocomponents, (share − low) / (1 − sum of the lows), instead of shares.

        Returns
        -------
        DataFrame
            term, estimate, std_error; `str()` of it writes the equation out, with the digits that predictions need.

        Raises
        ------
        StudyError
            If pseudocomponents are asked for in natural units, or of a study without components.

        References
        ----------
        Cornell, J. A. (2002). Experiments with Mixtures, 3rd ed., section 3.2 (L-pseudocomponents). Wiley.
        """
        from doe.fits.equations import equation_of

        return equation_of(self, natural, pseudocomponents)

    @property
    def _exact_values(self) -> Floats:
        """Readings for the solution in extended precision, on the response's own scale."""
        return self.batches.values

    def _natural(self, exact: ExactSolution, T: Matrix) -> tuple[list[float], Floats]:
        """Estimates and standard errors of T β, worked from the solution in extended precision."""
        ctx, p = exact.ctx, self.model.p
        estimate = [float(ctx.fdot(row, exact.beta[:p])) for row in T]
        if not self.df_residual:
            return estimate, np.full(len(T), np.nan)
        sigma = ctx.sqrt(exact.rss / self.df_residual)
        return estimate, np.array([float(sigma * v) for v in exact.lengths(T)])

    def surface(self, at: Mapping[str, str] | None = None) -> Surface:
        """Shape of a fitted second-order surface: its stationary point and principal directions.

        Parameters
        ----------
        at : mapping of factor -> level, optional
            Levels at which categorical factors are held; those left out stand at their average.

        Returns
        -------
        Surface

        Raises
        ------
        StudyError
            If the model has no numeric factor or component, or a term beyond the second degree.
        """
        from doe.fits.canonical import surface_of

        return surface_of(self, at)

    def drivers(self, draws: int = 4000, seed: int = 0) -> Drivers:
        """Factors ranked by how much of the response's variation over the region they account for, and how sure that is.

        Parameters
        ----------
        draws : int
            Posterior draws of the coefficients behind the intervals.
        seed : int
            Of those draws, and of the random points where the region leaves a part that has to be estimated.

        Returns
        -------
        Drivers
            Total and first-order Sobol' indices where every factor varies whatever the others are, else Shapley effects; the noise of
            the coefficients is taken off. On the fitted scale, under the uniform law on the region. Covariates take no part.

        Raises
        ------
        StudyError
            If the model has no factor, constraints tie together too many, or an argument cannot be used.

        References
        ----------
        Sobol', I. M. (1993). Sensitivity estimates for nonlinear mathematical models. Math. Model. Comput. Exp. 1, 407-414. Homma, T. &
        Saltelli, A. (1996). Reliab. Eng. Syst. Saf. 52, 1-17 (total indices). Song, E., Nelson, B. L. & Staum, J. (2016). Shapley
        effects for global sensitivity analysis: theory and computation. SIAM/ASA J. Uncertainty Quantification 4, 1060-1083.
        """
        from doe.fits.driving import drivers_of

        return drivers_of(self, draws, seed)

    @property
    def _selected(self) -> list[str]:
        """What intervals no longer mean once terms were chosen from the same readings: one sentence, or none."""
        return [SELECTED] if self.choice is not None else []

    def _reached(self, X: Floats) -> dict[int, pd.DataFrame]:
        """Of scores: for each but the lowest, the chance that one new batch reaches it, for rows of the model matrix; else nothing."""
        return {}

    @property
    def _surface_words(self) -> list[str]:
        """What a surface of this fit is one of, where that is not the response itself."""
        return []

    @property
    def _judged(self) -> bool:
        """Whether anything judges the noise of the coefficients."""
        return self.df_residual > 0

    def _error_draws(self, draws: int, seed: int) -> tuple[Floats, Floats, Floats]:
        """Covariance of the coefficients (p, p); draws of their errors as if sigma were known (draws, p); and of chances (draws,), by which
        each error is to be lengthened where sigma is not.
        """
        rng = np.random.default_rng(seed)
        cov = self._covariance if self._judged else np.zeros_like(self.cov_unscaled)
        scale = np.sqrt(np.maximum(np.diag(cov), 1e-300))
        values, vectors = np.linalg.eigh(cov / np.outer(scale, scale))
        root = scale[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
        return cov, rng.standard_normal((draws, len(self.beta))) @ root.T, rng.random(draws)

    @property
    def _contrast_label(self) -> str:
        """The scale on which `contrasts` are told."""
        return self.response.fitted_label

    def traces(self, reference: Mapping[str, Any] | None = None, direction: str = "cox") -> Traces:
        """How the response goes along each component of a mixture, from a reference blend to the edges of the region.

        Parameters
        ----------
        reference : mapping of factor -> setting, optional
            A blend (all components) inside the region, and settings of other factors; the mean of the region's corners if left out.
            Categorical factors left out stand at the average of their levels.
        direction : "cox" or "piepel"
            The other components keep their proportions (Cox), or the proportions of what they have above their least amounts (Piepel:
            Cox's direction in L-pseudocomponents).

        Returns
        -------
        Traces

        Raises
        ------
        StudyError
            If the study is no mixture, or the reference or direction cannot be used.

        References
        ----------
        Cox, D. R. (1971). A note on polynomial response functions for mixtures. Biometrika 58, 155-159. Piepel, G. F. (1982).
        Measuring component effects in constrained mixture experiments. Technometrics 24(1), 29-39.
        """
        from doe.fits.tracing import traces_of

        return traces_of(self, reference, direction)

    # ---- checking and changing the fit

    @cached_property
    def _run_table(self) -> pd.DataFrame:
        from doe.fits.influence import run_table

        return run_table(self)

    def diagnostics(self) -> Noted:
        """Every run's part in the fit.

        Returns
        -------
        DataFrame
            run, fitted, residual (fitted scale), leverage, studentised (externally), cooks_distance, flags. The `note` gives the
            limits; that of the studentised residuals holds for all runs together (Bonferroni, 5 %). Of a fit on settings as made,
            leverage_planned is what the plan would have had.

        References
        ----------
        Cook, R. D. & Weisberg, S. (1982). Residuals and Influence in Regression. Chapman & Hall.
        """
        from doe.fits.influence import limits_note

        table, note = self._run_table, limits_note(self)
        if self.as_made:
            table = table.copy()
            table.insert(list(table.columns).index("leverage") + 1, "leverage_planned", self._planned_leverage)
            note += "\nleverage is of the settings as made, leverage_planned of those planned."
        return Noted.made(table, note)

    @cached_property
    def _planned_leverage(self) -> Floats:
        """Leverage that the batches would have had as planned; NaN where the plan's columns cannot be told apart."""
        X = np.column_stack([self.model.matrix_of(self.batches.planned_encoded), self.X[:, self.model.p :]])
        if dependent_groups(X):
            return np.full(self.n, np.nan)
        return np.asarray((np.linalg.qr(X)[0] ** 2).sum(axis=1))

    def patterns(self, order: Mapping[Any, int] | None = None) -> Patterns:
        """Patterns that noise should not have: a drift or a memory in the order of making, whole plots alike or out of line.

        Parameters
        ----------
        order : mapping of run -> place, optional
            In which order the batches were made; that of the records if left out.

        Returns
        -------
        Patterns
            One question a row, each with its verdict in one line.

        Raises
        ------
        StudyError
            If there are fewer than two residual degrees of freedom, or an order misses a run.

        References
        ----------
        Draper, N. R. & Smith, H. (1998). Applied Regression Analysis, 3rd ed., chapters 2 and 7 (added variables, serial correlation).
        Wiley. Durbin, J. & Watson, G. S. (1950). Testing for serial correlation in least squares regression I. Biometrika 37, 409-428.
        """
        from doe.fits.patterns import patterns_of

        return patterns_of(self, order)

    @cached_property
    def _pattern_words(self) -> list[str]:
        """Verdicts on patterns that are there."""
        grouped = self.batches.whole_plot is not None
        if self.df_residual < 2 or not (self.order or grouped):
            return []
        return [q.verdict for q in self.patterns().questions if q.found]

    def robust(self) -> RobustFit:
        """The same model by Huber's method, which lets far readings pull less, to show what one bad batch does.

        Returns
        -------
        RobustFit
            Both sets of coefficients, how much each run pulls, and the verdict in one line.

        Raises
        ------
        StudyError
            If the fit is not by least squares, has fewer than two residual degrees of freedom or passes through every reading.

        References
        ----------
        Huber, P. J. (1964). Robust estimation of a location parameter. Annals of Mathematical Statistics 35, 73-101. Holland, P. W. &
        Welsch, R. E. (1977). Robust regression using iteratively reweighted least-squares. Communications in Statistics A 6, 813-827.
        """
        from doe.fits.robust import robust_fit

        return robust_fit(self)

    def _noise_scores(self) -> Floats:
        """One residual a batch, about standard normal where the model is true, shape (n,); NaN where none can be said."""
        return self._run_table["studentised"].to_numpy(dtype=float)

    def simulated_residuals(self, draws: int, seed: int) -> Floats:
        """Studentised residuals of trials of this design in which the model is true and the noise normal.

        Parameters
        ----------
        draws : int
            How many trials.
        seed : int

        Returns
        -------
        ndarray, shape (draws, n)
            NaN where the leverage is 1.
        """
        noise = np.random.default_rng(seed).standard_normal((draws, self.n))
        Q = self.solution.Q
        h = self.solution.leverage
        own = np.where(h < arrays.FULL_LEVERAGE, 1.0 - h, 0.0)
        return arrays.studentised_draws(noise - (noise @ Q) @ Q.T, noise, own, self.df_residual)

    def refitted(self, model: Model, choice: Choice | None = None) -> Fit:
        """The same batches by the same method with another model; `choice` says how its terms were chosen, if from these readings."""
        return replace(assembled(model, self.response, self.batches, self.why, choice), order=self.order)

    def _search(self, heredity: str) -> Search | None:
        """How candidate models are compared; None: by their residual sums of squares."""
        return None

    def _objective_of(self, columns: list[int]) -> float:
        """The highest log-likelihood on some of the columns, up to a constant they share."""
        return -0.5 * self.n * float(np.log(arrays.solve(self.X[:, columns], self.y).rss))

    def _criteria_of(self, columns: list[int]) -> tuple[float, float]:
        """AICc and BIC on some of the columns."""
        rss = arrays.solve(self.X[:, columns], self.y).rss
        return arrays.information_criteria(rss, self.n, len(columns), self._log_jacobian)

    def summary_row(self) -> dict[str, str]:
        """Figures for the table of fits side by side."""
        a = self.anova
        lack = a.loc[a["source"] == "lack of fit", "p"].to_numpy(dtype=float)
        return {
            "residual df": str(self.df_residual),
            "σ": number_text(self.sigma, digits=3),
            "R²": f"{self.r2:.3f}",
            "adjusted": "" if np.isnan(self.r2_adjusted) else f"{self.r2_adjusted:.3f}",
            "predicted": "" if np.isnan(self.r2_predicted) else f"{self.r2_predicted:.3f}",
            "lack of fit p": p_text(float(lack[0])) if len(lack) else "",
        }

    def reduced(self, by: str = "aicc", heredity: str = "strong", alpha: float | None = None) -> Fit:
        """A fit with fewer terms, chosen from the same readings.

        Parameters
        ----------
        by : "aicc", "bic" or "p"
            The criterion to be made small, or "p": drop the term with the largest p until all are below `alpha`.
        heredity : "strong", "weak" or "none"
            Whether a term needs all of its parents, one of them, or none. Blocks, the intercept and a mixture's single blends stay.
        alpha : float, optional
            For `by="p"` alone; 0.05 if left out.

        Returns
        -------
        Fit
            With a note that its intervals and p-values no longer mean what they say.

        Raises
        ------
        StudyError
            If an argument is none of these, or the fit has no residual degrees of freedom to choose by.

        References
        ----------
        Hurvich, C. M. & Tsai, C.-L. (1989). Biometrika 76, 297-307. Chipman, H. (1996). Bayesian variable selection with related
        predictors. Canadian Journal of Statistics 24, 17-36 (strong and weak heredity).
        """
        from doe.fits.selection import reduced_fit

        return reduced_fit(self, by, heredity, alpha)

    def transform_profile(self, interval: float = 0.95) -> TransformProfile:
        """How likely each power of the response makes the noise even and normal under this model.

        Parameters
        ----------
        interval : float
            Coverage of the interval for λ.

        Returns
        -------
        TransformProfile

        Raises
        ------
        StudyError
            If a reading is not above 0, or there are no residual degrees of freedom.

        References
        ----------
        Box, G. E. P. & Cox, D. R. (1964). An analysis of transformations. J. R. Stat. Soc. B 26, 211-252.
        """
        from doe.fits.transforms import profile_of

        return profile_of(self, interval)

    def _power_likelihood(self) -> tuple[Callable[[float], float], Callable[[float], float]]:
        """Profile log-likelihood of Box and Cox's λ up to a constant, and the residual sum of squares there."""
        from doe.fits.transforms import profile_likelihood

        return profile_likelihood(self.solution.Q, self.batches.values)

    @cached_property
    def statsmodels(self) -> Any:
        """The same fit as a statsmodels OLS result (QR), block contrasts included."""
        import statsmodels.api as sm

        columns = [*self.model.columns, *self.block_names]
        exog = pd.DataFrame(self.X, columns=columns, index=pd.Index(self.batches.runs, name="run", dtype=object))
        return sm.OLS(pd.Series(self.y, index=exog.index, name=self.response.fitted_label), exog).fit(method="qr")

    def missing_parents(self) -> tuple[Term, ...]:
        """Parents that a term of the model lacks, so that its equation depends on where the factors' zero is."""
        present = set(self.model.parsed)
        lacking = [t for term in self.model.parsed for t in parents(term, self.study, present) if t not in present]
        return tuple(dict.fromkeys(lacking))

    # ---- shown

    @property
    def heading(self) -> str:
        """What was fitted, how, on how much."""
        df = f"{self.df_residual} residual df"
        df_pure = self._pure_error[1]
        if df_pure:
            df += f" ({self.df_residual - df_pure} lack of fit, {df_pure} pure error)"
        return self._heading(f" in {self.block_columns + 1} blocks" if self.block_columns else "", df)

    def _heading(self, groups: str, df: str) -> str:
        used = {name for term in self.model.parsed for name, _ in term}
        parts = [c.name for c in self.study.components if c.name in used]
        beside = {CONDITION} if self.conditions else set()
        process = [f.name for f in self.study.factors if f.name in used - beside and f.name not in parts]
        words = []
        if parts:
            words.append(f"{len(parts)} component{'s' * (len(parts) > 1)}")
        if process or not parts:
            words.append(f"{len(process)} factor{'s' * (len(process) != 1)}")
        if self.model.measured:
            words.append(f"{len(self.model.measured)} covariate{'s' * (len(self.model.measured) > 1)}")
        name = self.model.name
        if name == "of listed terms":
            name = f"{len(self.model.terms)} term{'s' * (len(self.model.terms) > 1)}"
        if self.choice is not None:
            name = f"reduced {name}"
        scale = scale_words(self.response)
        made = ", settings as made" if self.as_made else ""
        method = METHOD_WORDS.get(self.method, self.method)
        return f"{self.response.label}, {name} in {verdicts.listed(words)}, {method}{scale}{made}; {self._rows_words}{groups}, {df}"

    @property
    def _rows_words(self) -> str:
        return f"{self.n} runs"

    def _coefficient_table(self) -> pd.DataFrame:
        rows = self.coefficients.to_dict("records")
        extra = self.level_effects.to_dict("records") if self.study.categorical else []
        for (after, _, _), record in reversed(list(zip(self._last_levels(), extra, strict=True))):
            rows.insert(after + 1, record)
        text = pd.DataFrame(
            {
                "term": ["intercept" if r["term"] == "1" else str(r["term"]) for r in rows],
                "estimate": [number_text(r["estimate"], r["std_error"]) for r in rows],
                "std error": [number_text(r["std_error"], r["std_error"]) for r in rows],
                "95 % low": [number_text(r["low"], r["std_error"]) for r in rows],
                "95 % high": [number_text(r["high"], r["std_error"]) for r in rows],
                "p": [p_text(float(r["p"])) for r in rows],
            }
        )
        return text if self.df_residual else text[["term", "estimate"]]

    def _anova_table(self) -> pd.DataFrame:
        a = self.anova
        return pd.DataFrame(
            {
                "source": a["source"],
                "df": [str(int(v)) for v in a["df"]],
                "sum of squares": [number_text(float(v)) for v in a["ss"]],
                "mean square": [number_text(float(v)) for v in a["ms"]],
                "F": [number_text(float(v), digits=3) for v in a["F"]],
                "p": [p_text(float(v)) for v in a["p"]],
            }
        )

    def _quality_line(self) -> str:
        if not self.df_residual:
            return f"R² {self.r2:.4f}"
        low, high = (
            self.sigma * np.sqrt(self.df_residual / special.chdtri(self.df_residual, 1.0 - q)) for q in (0.975, 0.025)
        )
        sigma = number_text(self.sigma, digits=3)
        spread = f"σ {sigma} (95 %: {number_text(low, digits=2)} to {number_text(high, digits=2)})"
        predicted = "" if np.isnan(self.press) else f", predicted {self.r2_predicted:.4f}"
        aicc = f", AICc {self.aicc:.2f}" if np.isfinite(self.aicc) else ""
        relative = ", read as a coefficient of variation" if self.response.transform == "log" else ""
        return f"{spread}{relative}; R² {self.r2:.4f}, adjusted {self.r2_adjusted:.4f}{predicted}{aicc}."

    def cautions(self) -> list[str]:
        """What to be wary of, one sentence each; empty when nothing stands out."""
        out: list[str] = self._selected
        out += verdicts.on_degrees_of_freedom(self.df_residual)
        if self.solution.exact_to_rounding:
            return [
                *out,
                "The model passes through every reading to the last digit: sigma is rounding, not noise, and no p-value here "
                "means anything.",
            ]
        if self.df_residual:
            out += self._lack_of_fit_words()
            out += verdicts.on_prediction(self.r2, self.r2_predicted)
            table = self._run_table
            flagged = table[table["flags"].str.contains("outlier")]
            out += verdicts.on_outliers(flagged["run"].tolist(), flagged["studentised"].tolist())

            def of(flag: str) -> list[Any]:
                return list(table.loc[table["flags"].str.contains(flag), "run"])

            out += verdicts.on_influence(of("high leverage"), of("leverage 1"), of("Cook"))
            out += self._pattern_words
        values = self.batches.values
        out += verdicts.on_scale(float(values.min()), float(values.max()), self.response.transform is not None)
        return out

    def _lack_of_fit_words(self) -> list[str]:
        _, df_pure = self._pure_error
        if not df_pure:
            return verdicts.on_lack_of_fit(np.nan, np.nan, self.df_residual, 0)
        row = self.anova.loc[self.anova["source"] == "lack of fit", ["F", "p"]].to_numpy(dtype=float)[0]
        return verdicts.on_lack_of_fit(float(row[0]), float(row[1]), self.df_residual - df_pure, df_pure)

    def _remarks(self) -> list[str]:
        out = [self.why] if self.why else []
        if self.model.added:
            out.append(f"Terms added so that every term has its parents: {', '.join(self.model.added)}.")
        lacking = [term_text(t) for t in self.missing_parents()]
        if lacking:
            out.append(
                f"Without the parents {', '.join(lacking)} the fit depends on where the coded zero of its factors lies."
            )
        if self.block_columns:
            out.append("R² counts what the blocks account for; predictions are for the average block.")
        if self._blend_columns.size:
            out.append(
                "A single blend has no p: that the response is zero at a pure component is no question; linear blending asks "
                "whether all are equal."
            )
        return [*out, *self.batches.notes]

    def _sections(self) -> list[Section]:
        used = [
            self.study.factor(n)
            for n in self.study.names
            if any(n == name for term in self.model.parsed for name, _ in term)
        ]
        coded = "coded units" if not all(isinstance(f, Component) for f in used) or not used else "shares of the total"
        if coded == "coded units" and any(isinstance(f, Component) for f in used):
            coded += " (components as shares of the total)"
        elif coded == "coded units" and any(not isinstance(f, Categorical) for f in used):
            coded += " (−1 at a factor's low, +1 at its high)"
        scale = f", on the scale of {self.response.fitted_label}" if self.response.transform else ""
        lines = [f"Coefficients in {coded}{scale}.", self._quality_line()]
        sections = [Section(self.heading, self._coefficient_table(), "\n".join(lines))]
        if self.choice is not None:
            sections.append(Section("How the terms were chosen", self.choice.steps, self.choice.words))
        if self.df_residual:
            sections.append(Section("Analysis of variance, each term adjusted for all others", self._anova_table()))
        if len(self.unused):
            table = self.unused.astype(str)
            sections.append(Section("Not in the fit", table))
        remarks = self._remarks()
        if remarks:
            sections.append(Section("How to read it", None, "\n".join(remarks)))
        # where the terms were chosen, the section that says how carries that caution
        wary = [line for line in self.cautions() if line != SELECTED] or [
            "Nothing stands out: no lack of fit, no run out of line, no run that carries the fit alone."
        ]
        sections.append(Section("What to be wary of", None, "\n".join(wary)))
        return sections


def scale_words(response: Response) -> str:
    """On which scale a response is fitted, as it stands in headings; empty where as measured."""
    t = response.transform
    if t is None:
        return ""
    if t == "log":
        return " on the natural logarithm"
    if t == "sqrt":
        return " on the square root"
    if t[0] == "logit":
        low, high = response.domain
        return f" on the logit between {low:g} and {high:g}"
    return f" on the Box–Cox scale with λ = {t[1]:g}"


def checked_interval(interval: object) -> float:
    """A coverage between 0 and 1, or the sentence that says why not."""
    if isinstance(interval, bool) or not isinstance(interval, int | float) or not 0.0 < interval < 1.0:
        raise StudyError("interval", interval, "between 0 and 1", "write 0.95 for 95 %")
    return float(interval)


def block_contrasts(block: Sequence[Any] | None) -> tuple[Floats, tuple[str, ...]]:
    """Sum-to-zero contrasts of the blocks and their names; none for one block."""
    if block is None:
        return np.empty((0, 0)), ()
    levels = sorted(set(block), key=lambda v: (0, float(v), "") if isinstance(v, int | float) else (1, 0.0, str(v)))
    labels = np.array([levels.index(b) for b in block])
    last = labels == len(levels) - 1
    columns = [(labels == i).astype(float) - last for i in range(len(levels) - 1)]
    return np.array(columns).T.reshape(len(block), len(columns)), tuple(f"block[{v}]" for v in levels[:-1])


def assembled(model: Model, response: Response, batches: Batches, why: str, choice: Choice | None = None) -> Fit:
    """Fit a model to batches.

    Parameters
    ----------
    model : Model
    response : Response
    batches : Batches
    why : str
        Why this method, for the print.
    choice : Choice, optional
        How the terms were chosen, if from these readings.

    Returns
    -------
    Fit

    Raises
    ------
    StudyError
        If a reading cannot be transformed, all readings are equal, or terms cannot be told apart on these runs.
    """
    blocks, names = block_contrasts(batches.block)
    X, solution = solved(model, response, batches, blocks.reshape(len(batches.runs), len(names)), names)
    return Fit(model.study, model, response, batches, solution, X, names, "least squares", why, choice)


def solved(
    model: Model, response: Response, batches: Batches, blocks: Floats, names: tuple[str, ...]
) -> tuple[Floats, Solution]:
    """All columns of a fit, shape (n, p + block columns), and the least-squares solution; refused as `assembled` says."""
    check_readings(response, batches)
    X = np.column_stack([model.matrix_of(batches.encoded), blocks])
    check_estimable(model, response, X, names)
    if arrays.condition_number(X) > arrays.ILL_CONDITIONED:
        from doe.fits.exact import solve_exact

        return X, solve_exact(model, batches.settings, response, batches.values, blocks).in_double()
    return X, arrays.solve(X, response.forward(batches.values))


def check_readings(response: Response, batches: Batches) -> None:
    """Refuse readings that the response's transform cannot take, and readings that are all the same."""
    valid = response.valid(batches.values)
    if not valid.all():
        at = int(np.flatnonzero(~valid)[0])
        bottom, top = response.domain
        allowed = f"above {bottom:g}" if np.isinf(top) else f"between {bottom:g} and {top:g}"
        raise StudyError(
            f"response {response.name!r}, run {batches.runs[at]}: reading",
            float(batches.values[at]),
            f"{allowed} for its transform",
            "correct the reading, leave it out with its reason, or choose another transform",
        )
    if np.ptp(batches.values) == 0.0:
        raise AllEqualError(
            f"response {response.name!r}: reading",
            float(batches.values[0]),
            "different between runs, yet all are the same",
            "there is nothing to explain: check that the readings were entered run by run",
        )


def check_estimable(model: Model, response: Response, X: Floats, block_names: tuple[str, ...]) -> None:
    """Refuse a model whose columns cannot be told apart, naming them."""
    groups = dependent_groups(X)
    if not groups:
        return
    columns = [*model.columns, *block_names]
    words = [
        " with ".join(columns[j] for j in reversed(g)) if len(g) > 1 else f"{columns[g[0]]} (the same on all runs)"
        for g in groups
    ]
    n, p = X.shape
    why = f", and {n} batches cannot carry {p} coefficients" if n < p else ""
    raise StudyError(
        f"model for {response.name!r}: terms",
        "; ".join(words),
        f"such that these {n} batches tell them apart{why}",
        "drop one of each group named, choose a smaller model, or make runs that separate them",
    )
