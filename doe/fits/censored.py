"""The fit of one response some of whose readings are known only by bounds: ">100000", "<50", "50..60"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import linalg, special

from doe.fits import arrays, censoring, verdicts
from doe.fits.arrays import Floats, Solution
from doe.fits.censoring import Bounds, Censored
from doe.fits.influence import run_flags
from doe.fits.kenward_roger import p_of_f
from doe.fits.readings import Batches
from doe.fits.result import LEVEL, Choice, Fit, block_contrasts, check_estimable
from doe.fits.sources import bound_text
from doe.fits.squareless import WithoutSquares
from doe.fits.tables import Noted
from doe.study import Model, Response, Section, StudyError
from doe.study.shown import number_text, p_text

if TYPE_CHECKING:
    from doe.fits.exact import ExactSolution, Matrix
    from doe.fits.likelihood_search import LikelihoodSearch
    from doe.fits.transforms import TransformProfile

LEAST_DEGREES = 1.0
# predictions worked at once: each is a small maximisation of its own
CHUNK = 2000
# share of readings known only by bounds above which the fit says so among its cautions; common practice, no source
MANY_CENSORED = 0.4
# draws worth less than this many independent ones are not to be trusted
FEW_EFFECTIVE = 400.0


@dataclass(frozen=True, repr=False, eq=False)
class CensoredFit(WithoutSquares, Fit):
    """A fit by maximum likelihood of readings some of which are known only by bounds; made by `doe.fit`.

    As `Fit`, with these differences. Intervals, t and F come from the profile likelihood, carried to the scale on which they are Student's
    and Snedecor's when nothing is censored: with exact readings alone all figures are those of least squares. `std_error` is from the information at
    the maximum. `degrees` is what the readings leave for the noise, a fraction of a batch for each censored one; `df_residual` is its whole part.
    `r2`, `r2_adjusted`, `r2_predicted` and `press` are NaN: there is no sum of squares.

    Attributes
    ----------
    likelihood : Censored
        The likelihood on all columns, blocks included.
    """

    likelihood: Censored = field(kw_only=True, repr=False)

    # ---- what was fitted

    @property
    def beta(self) -> Floats:
        """Most likely coefficients of the model's columns, shape (p,)."""
        return self.likelihood.beta[: self.model.p]

    @property
    def y(self) -> Floats:
        """Exact readings on the fitted scale, NaN where a reading is known only by bounds; shape (n,)."""
        bounds = self.likelihood.bounds
        return np.where(bounds.exact, bounds.lower, np.nan)

    @property
    def censored(self) -> NDArray[np.bool_]:
        """Which batches' readings are known only by bounds, shape (n,)."""
        return ~self.likelihood.bounds.exact

    @property
    def degrees(self) -> float:
        """Degrees of freedom of the noise: n − p when all readings are exact, less by a fraction for each that is not."""
        return self.likelihood.degrees

    @property
    def df_residual(self) -> int:
        """Whole part of `degrees`."""
        return int(self.degrees + 1e-6)

    @property
    def sigma(self) -> float:
        """Residual standard deviation on the fitted scale, squares over `degrees`."""
        return self.likelihood.sigma

    @cached_property
    def cov_unscaled(self) -> Floats:
        """Covariance of the coefficients over sigma², shape (p, p)."""
        p = self.model.p
        return self.likelihood.covariance[:p, :p] / self.likelihood.sigma_most_likely**2

    @property
    def log_likelihood(self) -> float:
        """At its maximum, of the readings as measured: the density of an exact one, the chance of one known by bounds."""
        return self.likelihood.log_likelihood + self._log_jacobian

    @property
    def _log_jacobian(self) -> float:
        exact = self.likelihood.bounds.exact
        return self.response.log_jacobian(self._exact_values[exact])

    @property
    def _exact_values(self) -> Floats:
        return self.response.inverse(self.likelihood.bounds.inside)

    # ---- inference

    @property
    def _component_degrees(self) -> dict[str, float]:
        return {"residual": self.degrees}

    def _all(self, L: Floats) -> Floats:
        """Rows over the model's columns as rows over all columns."""
        return np.column_stack([L, np.zeros((len(L), self.block_columns))])

    def _errors(self, L: Floats) -> Floats:
        return self.likelihood.errors(self._all(L))

    def _degrees(self, L: Floats) -> Floats:
        return np.full(len(L), self.degrees)

    def _limits(self, L: Floats, interval: float) -> tuple[Floats, Floats]:
        """Profile-likelihood limits of L β."""
        rows = self._all(L)
        parts = [self.likelihood.profile_limits(rows[i : i + CHUNK], interval) for i in range(0, len(rows), CHUNK)]
        if not parts:
            return np.empty(0), np.empty(0)
        return np.concatenate([a for a, _ in parts]), np.concatenate([b for _, b in parts])

    def contrasts(self, L: Any) -> pd.DataFrame:
        """As `Fit.contrasts`: t and p by the likelihood ratio at 0, low and high by the profile likelihood."""
        out = super().contrasts(L)
        rows = np.asarray(L, dtype=float)
        if len(rows):
            free = out["std_error"].to_numpy() > 0.0
            t = np.full(len(rows), np.nan)
            t[free] = self.likelihood.profile_t(self._all(rows[free]), np.zeros(int(free.sum())))
            out["t"], out["p"] = t, 2.0 * special.stdtr(self.degrees, -np.abs(t))
            out["low"], out["high"] = self._limits(rows, LEVEL)
        return out

    def _hypothesis(self, L: Floats) -> float:
        """F of L β = 0, by the likelihood ratio."""
        free = linalg.null_space(L)
        return self.likelihood.f_of(self._reach(self.X @ free), len(L))

    def _reach(self, X: Floats) -> float:
        return censoring.reach(self.likelihood.bounds, X)

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Tests of the terms by the likelihood ratio, every term adjusted for all others.

        Returns
        -------
        DataFrame
            source, df, den_df, F, p: a row a term with all its contrasts, then blocks, the model (all terms together), and where settings
            were made in several batches lack of fit. F = ν/d (exp(W/m) − 1), with W twice the gain in log-likelihood, m half the information
            on log σ and ν = m − p: the usual F when all readings are exact.
        """
        rows = []
        tests = list(self._hypotheses())
        if self.block_columns:
            tests.append(("blocks", np.eye(self.X.shape[1])[self.model.p :]))
        terms = [L for source, L in tests if source != "blocks"]
        if len(tests) > 1 and terms:
            tests.append(("model", np.vstack(terms)))
        for source, L in tests:
            F = self._hypothesis(L)
            rows.append((source, len(L), self.degrees, F, p_of_f(F, len(L), self.degrees)))
        lack = self.lack_of_fit
        if lack is not None:
            rows.append(("lack of fit", *lack))
        return pd.DataFrame(rows, columns=["source", "df", "den_df", "F", "p"])

    @cached_property
    def lack_of_fit(self) -> tuple[int, float, float, float] | None:
        """Of the settings' own means beyond the model: df, den_df, F, p; None where repeats do not allow the test."""
        setting = self.batches.setting
        indicators = (setting[:, None] == np.unique(setting)[None, :]).astype(float)
        Q = np.linalg.qr(self.X)[0]
        left = indicators - Q @ (Q.T @ indicators)
        basis, R, _ = linalg.qr(left, mode="economic", pivoting=True)
        own = basis[:, : int((np.abs(np.diag(R)) > 1e-9).sum())]
        d = own.shape[1]
        den = self.degrees - d
        if not d or den < LEAST_DEGREES:
            return None
        wider = self._reach(np.column_stack([self.X, own]))
        gain = 2.0 * max(wider - self.likelihood.log_likelihood, 0.0)
        F = float(den / d * np.expm1(gain / self.likelihood.readings_for_noise))
        return d, den, F, p_of_f(F, d, den)

    # ---- how well

    def _criteria(self, log_likelihood: float, p: int) -> tuple[float, float]:
        """AICc and BIC of p columns and the noise."""
        k, n = p + 1, self.n
        deviance = -2.0 * (log_likelihood + self._log_jacobian)
        aicc = deviance + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1) if n > k + 1 else np.inf
        return float(aicc), float(deviance + k * np.log(n))

    @property
    def aicc(self) -> float:
        """Akaike's criterion with the small-sample correction, from the censored likelihood."""
        return self._criteria(self.likelihood.log_likelihood, self.X.shape[1])[0]

    @property
    def bic(self) -> float:
        """Schwarz's criterion, from the censored likelihood."""
        return self._criteria(self.likelihood.log_likelihood, self.X.shape[1])[1]

    # ---- what it says elsewhere

    def _foretell(self, X: Floats, interval: float, kind: str, spread: Floats | float = 0.0) -> pd.DataFrame:
        estimate, error = X @ self.beta, self._errors(X)
        low, high = self._limits(X, interval)
        if kind == "new batch":
            # each side of the mean's interval joined with the noise's: Zou & Donner (2008)
            own = np.hypot(self.sigma, spread)
            noise = float(special.stdtrit(self.degrees, 0.5 + interval / 2.0)) * own
            low, high = estimate - np.hypot(estimate - low, noise), estimate + np.hypot(high - estimate, noise)
            error = np.hypot(error, own)
        r = self.response
        return pd.DataFrame(
            {
                "estimate": r.inverse(estimate),
                "std_error": np.abs(r.slope(estimate)) * error,
                "low": r.inverse(low),
                "high": r.inverse(high),
            }
        )

    def _prediction_note(self, interval: float, kind: str, outside: int, rows: int) -> str:
        lines = super()._prediction_note(interval, kind, outside, rows).split("\n")
        how = "Interval by profile likelihood"
        lines.insert(
            1,
            f"{how}."
            if kind == "mean"
            else f"{how} of the mean, joined on each side with that of the batch's own noise (Zou & Donner 2008).",
        )
        return "\n".join(lines)

    def draws(self, n: int, seed: int) -> tuple[Floats, Floats]:
        """Draws of the coefficients and the noise from their posterior.

        Parameters
        ----------
        n : int
            How many, at least 1.
        seed : int

        Returns
        -------
        beta : ndarray, shape (n, p)
            Of the model's columns, in coded units on the fitted scale; at the average block.
        sigma : ndarray, shape (n,)

        Raises
        ------
        StudyError
            If n is not a whole number above 0.

        References
        ----------
        Firth, D. (1993). Bias reduction of maximum likelihood estimates. Biometrika 80, 27-38 (Jeffreys' prior as a penalty); see
        `doe.fits.censoring` for the prior and why it is not flat.
        """
        beta, sigma, _ = self.likelihood.draws(checked_count(n), seed)
        return beta[:, : self.model.p], sigma

    def _natural(self, exact: ExactSolution, T: Matrix) -> tuple[list[float], Floats]:
        # exact.images gives T in an orthonormal basis of the same columns: well conditioned, whatever T is
        Q = exact.in_double().Q
        rows = exact.images(T) @ (Q.T @ self.X)
        return list(rows @ self.likelihood.beta), self.likelihood.errors(rows)

    @property
    def statsmodels(self) -> Any:
        """There is none: the likelihood is this library's own."""
        raise StudyError(
            "statsmodels",
            "asked of a fit of censored readings",
            "asked of a least-squares fit",
            "this likelihood is the library's own",
        )

    def transform_profile(self, interval: float = 0.95) -> TransformProfile:
        """Refused: the power of a reading that is known only by bounds is not profiled."""
        raise StudyError(
            "transform_profile",
            f"asked of a fit with {int(self.censored.sum())} readings known only by bounds",
            "asked where all readings are exact",
            "compare aicc of fits on the scales in question: it is comparable across transforms",
        )

    # ---- checking and changing the fit

    @cached_property
    def _run_table(self) -> pd.DataFrame:
        bounds, X = self.likelihood.bounds, self.X
        fitted = X @ self.likelihood.beta
        sigma = self.likelihood.sigma_most_likely
        _, _, weight, _, _ = censoring.derivatives(bounds, fitted / sigma, np.array(1.0 / sigma))
        lever = weight * np.einsum("ni,ij,nj->n", X, self.likelihood.covariance[:-1, :-1], X) / sigma**2
        t = np.array([self._out_of_line(i) for i in range(self.n)])
        expected = fitted + sigma * censoring.scores(bounds, fitted / sigma, np.array(1.0 / sigma))
        residual = expected - fitted
        with np.errstate(divide="ignore", invalid="ignore"):
            own = np.clip(lever, 0.0, 1.0)
            cook = np.where(
                own < arrays.FULL_LEVERAGE, residual**2 * own / (X.shape[1] * self.sigma**2 * (1.0 - own) ** 2), np.nan
            )
        return pd.DataFrame(
            {
                "run": self.runs,
                "reading": [self.reading_text(i) for i in range(self.n)],
                "fitted": fitted,
                "residual": residual,
                "leverage": own,
                "studentised": t,
                "cooks_distance": cook,
                "flags": run_flags(self, own, t, cook),
            }
        )

    def reading_text(self, i: int) -> str:
        """A batch's reading as it was given, by its bounds."""
        low, high = self.batches.lower, self.batches.upper
        return reading_text(float(low[i]), float(high[i]))

    def _out_of_line(self, i: int) -> float:
        """How far one run lies from what the others foretell, as a Student's t: the likelihood ratio of a mean of its own."""
        bounds, m = self.likelihood.bounds, self.likelihood.readings_for_noise
        nu = self.degrees - 1.0
        others = np.delete(np.arange(self.n), i)
        if nu < LEAST_DEGREES or np.linalg.matrix_rank(self.X[others]) < self.X.shape[1]:
            return float("nan")
        if bounds.exact[i]:
            wider = self._reach(np.column_stack([self.X, np.arange(self.n) == i]))
        else:
            wider = censoring.reach(bounds.of(others), self.X[others])
        gain = 2.0 * max(wider - self.likelihood.log_likelihood, 0.0)
        fitted = float(self.X[i] @ self.likelihood.beta)
        point = float(censoring.scores(bounds.of([i]), np.array([fitted]) / self.sigma, np.array(1.0 / self.sigma))[0])
        return float(np.sign(point) * np.sqrt(nu * np.expm1(gain / m)))

    def diagnostics(self) -> Noted:
        """Every run's part in the fit.

        Returns
        -------
        DataFrame
            As `Fit.diagnostics`, with the reading as given. The residual of a reading known by bounds is what it is expected to be, given them;
            its leverage is the share of its own information that the coefficients take up; `studentised` is the likelihood ratio of a mean of
            its own, as a Student's t. With exact readings alone these are the usual figures.

        References
        ----------
        Cook, R. D. & Weisberg, S. (1982). Residuals and Influence in Regression. Chapman & Hall.
        """
        out = super().diagnostics()
        return Noted.made(
            out,
            f"{out.note}\nResiduals of readings known only by bounds are what they are expected to be, given the bounds.",
        )

    def simulated_residuals(self, draws: int, seed: int) -> Floats:
        """Refused: what a batch in a simulated trial would have been censored at is not known of the exact ones."""
        raise StudyError(
            "simulated_residuals",
            f"asked of a fit with {int(self.censored.sum())} readings known only by bounds",
            "asked where all readings are exact",
            "judge runs by diagnostics(), whose studentised residuals have Student's law",
        )

    def refitted(self, model: Model, choice: Choice | None = None) -> CensoredFit:
        """The same batches by the same method with another model."""
        return assembled_censored(model, self.response, self.batches, self.why, choice)

    def _search(self, heredity: str) -> LikelihoodSearch:
        from doe.fits.likelihood_search import LikelihoodSearch

        empty = np.empty((0, 0)), np.empty(0)
        return LikelihoodSearch(self, *empty, heredity)

    def _objective_of(self, columns: list[int]) -> float:
        return self._reach(self.X[:, columns])

    def _criteria_of(self, columns: list[int]) -> tuple[float, float]:
        return self._criteria(self._objective_of(columns), len(columns))

    # ---- shown

    @property
    def heading(self) -> str:
        """What was fitted, how, on how much."""
        n = int(self.censored.sum())
        df = f"{n} of the readings known only by bounds, {number_text(self.degrees, digits=3)} residual df"
        return self._heading(f" in {self.block_columns + 1} blocks" if self.block_columns else "", df)

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

    def _quality_line(self) -> str:
        nu = self.degrees
        low, high = (self.sigma * np.sqrt(nu / special.chdtri(nu, 1.0 - q)) for q in (0.975, 0.025))
        relative = ", read as a coefficient of variation" if self.response.transform == "log" else ""
        aicc = f", AICc {self.aicc:.2f}" if np.isfinite(self.aicc) else ""
        return (
            f"σ {number_text(self.sigma, digits=3)} (95 %: about {number_text(low, digits=2)} to {number_text(high, digits=2)}){relative}; "
            f"log-likelihood {self.log_likelihood:.2f}{aicc}. There is no R² where readings are known only by bounds."
        )

    def _lack_of_fit_words(self) -> list[str]:
        lack = self.lack_of_fit
        if lack is None:
            return ["Lack of fit cannot be tested: too few settings were read exactly in two batches."]
        d, den, F, p = lack
        return [w for w in verdicts.on_lack_of_fit(F, p, d, max(int(den), 1)) if not w.startswith("Only")]

    def cautions(self) -> list[str]:
        """What to be wary of, one sentence each; empty when nothing stands out."""
        out = self._selected
        share = float(self.censored.mean())
        if share > MANY_CENSORED:
            out.append(
                f"{int(self.censored.sum())} of {self.n} readings are known only by bounds: what the model says beyond the bounds rests on its "
                "shape and on normal noise, not on readings."
            )
        out += verdicts.on_degrees_of_freedom(max(self.df_residual, 1))
        out += self._lack_of_fit_words()
        table = self._run_table
        flagged = table[table["flags"].str.contains("outlier")]
        out += verdicts.on_outliers(flagged["run"].tolist(), flagged["studentised"].tolist())

        def of(flag: str) -> list[Any]:
            return list(table.loc[table["flags"].str.contains(flag), "run"])

        out += verdicts.on_influence(of("high leverage"), of("leverage 1"), of("Cook"))
        if self.response.transform is None and self.likelihood.bounds.exact.any():
            exact = self.likelihood.bounds.lower[self.likelihood.bounds.exact]
            least, most = float(exact.min()), float(exact.max())
            if least > 0 and most / least > verdicts.SPAN:
                out.append(
                    f"Exact readings span a factor of {most / least:.0f} and are fitted as measured: compare aicc with that of a fit on "
                    "the logarithm."
                )
        return out

    def _remarks(self) -> list[str]:
        out = [line for line in super()._remarks() if not line.startswith("R² counts")]
        names = [f"{self.runs[i]} ({self.reading_text(int(i))})" for i in np.flatnonzero(self.censored)]
        out.append(
            f"Known only by bounds: {'run' if len(names) == 1 else 'runs'} {verdicts.listed(names)}."
            if names
            else "All readings are exact."
        )
        out.append(
            "Intervals and tests are by profile likelihood, on the scale on which they are exact when no reading is censored; an interval "
            "reaches further to the side on which the readings are open."
        )
        if self.block_columns:
            out.append("Predictions are for the average block.")
        return out

    def _sections(self) -> list[Section]:
        sections = super()._sections()
        for at, s in enumerate(sections):
            if s.title.startswith("Analysis of variance"):
                sections[at] = Section(
                    "Tests of the terms, each adjusted for all others (likelihood ratio)", s.table, s.note
                )
        return sections

    def summary_row(self) -> dict[str, str]:
        """Figures for the table of fits side by side."""
        lack = self.lack_of_fit
        return {
            "residual df": number_text(self.degrees, digits=3),
            "σ": number_text(self.sigma, digits=3),
            "R²": "",
            "adjusted": "",
            "predicted": "",
            "lack of fit p": "" if lack is None else p_text(lack[3]),
        }


def checked_count(n: object) -> int:
    """A number of draws, or the sentence that says why not."""
    if isinstance(n, bool) or not isinstance(n, int | np.integer) or n < 1:
        raise StudyError("draws", n, "a whole number, at least 1", "write 4000")
    return int(n)


def has_censored(batches: Batches) -> bool:
    """Whether any reading is known only by bounds."""
    return bool((batches.lower != batches.upper).any())


def reading_text(low: float, high: float) -> str:
    """A reading by its bounds, as it is typed."""
    return number_text(low, digits=6) if low == high else bound_text(low, high)


def fitted_bounds(response: Response, low: Floats, high: Floats, places: Sequence[str]) -> Bounds:
    """Bounds of readings on the fitted scale.

    Parameters
    ----------
    response : Response
    low, high : ndarray, shape (n,)
        On the response's own scale; equal where exact, infinite where open.
    places : sequence of str
        What each reading is called in an error.

    Raises
    ------
    StudyError
        If a reading lies where the transform has no value.
    """
    bottom, top = response.domain
    exact = low == high
    # a bound beyond what the scale reaches says nothing: open on that side
    with np.errstate(invalid="ignore"):
        below, above = ~exact & (low <= bottom), ~exact & (high >= top)
        bad = np.where(exact, ~response.valid(low), (high <= bottom) | (low >= top))
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        allowed = f"above {bottom:g}" if np.isinf(top) else f"between {bottom:g} and {top:g}"
        raise StudyError(
            f"response {response.name!r}, {places[at]}: reading",
            reading_text(float(low[at]), float(high[at])),
            f"{allowed} for its transform",
            "correct the reading, leave it out with its reason, or choose another transform",
        )
    lower, upper = np.full(len(low), -np.inf), np.full(len(high), np.inf)
    take_low, take_high = ~below & np.isfinite(low), ~above & np.isfinite(high)
    lower[take_low], upper[take_high] = response.forward(low[take_low]), response.forward(high[take_high])
    return Bounds(lower, upper)


def assembled_censored(
    model: Model, response: Response, batches: Batches, why: str, choice: Choice | None = None
) -> CensoredFit:
    """Fit a model to batches whose readings are known exactly or by bounds.

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
    CensoredFit

    Raises
    ------
    StudyError
        If a reading cannot be transformed, terms cannot be told apart, the likelihood has no maximum, or the readings leave nothing to judge the
        noise by.
    """
    bounds = fitted_bounds(response, batches.lower, batches.upper, [f"run {r}" for r in batches.runs])
    _check_different(response, batches)
    contrasts, names = block_contrasts(batches.block)
    blocks = contrasts.reshape(len(batches.runs), len(names))
    X = np.column_stack([model.matrix_of(batches.encoded), blocks])
    check_estimable(model, response, X, names)
    _check_bounded(model, response, batches, bounds, X, names)
    likelihood = Censored(bounds, X)
    if not likelihood.degrees >= LEAST_DEGREES:
        raise StudyError(
            f"model for {response.name!r}: what {len(bounds)} readings, {int((~bounds.exact).sum())} of them known only by bounds, leave for the noise",
            f"{np.floor(100.0 * max(likelihood.degrees, 0.0)) / 100.0:.2f} df",
            "at least 1",
            "choose a smaller model, read again what was beyond the instrument, or make more batches",
        )
    Q, R = np.linalg.qr(X)
    # a stand-in for what only a least-squares fit has: whoever reads it unasked meets NaN
    nothing = np.full(len(bounds), np.nan)
    solution = Solution(Q, linalg.solve_triangular(R, np.eye(X.shape[1])), np.full(X.shape[1], np.nan), nothing)
    return CensoredFit(
        model.study, model, response, batches, solution, X, names, "censored", why, choice, likelihood=likelihood
    )


def _check_different(response: Response, batches: Batches) -> None:
    low, high = batches.lower, batches.upper
    if len(set(zip(low.tolist(), high.tolist(), strict=True))) == 1:
        raise StudyError(
            f"response {response.name!r}: reading",
            reading_text(float(low[0]), float(high[0])),
            "different between runs, yet all are the same",
            "there is nothing to explain: check that the readings were entered run by run",
        )


def _check_bounded(
    model: Model, response: Response, batches: Batches, bounds: Bounds, X: Floats, names: tuple[str, ...]
) -> None:
    found = censoring.endless(bounds, X)
    if found is None:
        return
    low, high = batches.lower, batches.upper
    open_runs = [
        f"{r} ({reading_text(float(a), float(b))})" for r, a, b in zip(batches.runs, low, high, strict=True) if a != b
    ]
    if found.noiseless:
        raise StudyError(
            f"model for {response.name!r}: noise",
            "none: the model passes through every reading and between all bounds",
            "some, so that it can be judged",
            "choose a smaller model, or add batches with exact readings",
        )
    columns = [*model.columns, *names]
    terms = ", ".join("intercept" if columns[j] == "1" else columns[j] for j in found.columns)
    raise StudyError(
        f"model for {response.name!r}: terms",
        terms,
        "held from both sides by the readings, yet the fit improves without end as they grow together",
        f"drop one of them, or read again, diluted or on another spindle, some of {'run' if len(open_runs) == 1 else 'runs'} {verdicts.listed(open_runs)}",
    )
