"""The fit of one response that is scored on a short scale, such as a stability score from 1 to 5: proportional odds."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, special

from doe.fits import ordinal_posterior, proportionality, verdicts
from doe.fits import proportional_odds as odds
from doe.fits.arrays import Floats, Solution
from doe.fits.censored import checked_count, has_censored, reading_text
from doe.fits.ordinal_posterior import SPREAD_SCALE, Posterior
from doe.fits.readings import Batches
from doe.fits.result import LEVEL, Choice, Fit, block_contrasts, check_estimable, checked_interval
from doe.fits.sources import AllEqualError
from doe.fits.squareless import WithoutSquares
from doe.fits.strata import plural, shared, whole_plots
from doe.fits.tables import Equation, Noted
from doe.study import Categorical, Model, Response, Section, StudyError
from doe.study.shown import number_text, p_text

if TYPE_CHECKING:
    from doe.fits.likelihood_search import LikelihoodSearch
    from doe.fits.transforms import TransformProfile

SLOPE_SD = 2.5  # prior standard deviation of a slope per coded unit, on the logit scale
DRAWS = 4000
SEED = 0  # of the draws behind the fit's own tables
FEW_EFFECTIVE = 400.0
# posterior over prior standard deviation above which a slope is hardly learnt from the readings
HARDLY_LEARNT = 0.85
# one-sided chance below which a score is unlikely; so few batches say too little of rarer ones for a limit over all of them together
SURROGATES = 200  # draws of a surrogate residual that are averaged
UNLIKELY = 0.01
# settings times draws worked at once
CELLS = 1_000_000


@dataclass(frozen=True)
class OrdinalDraws:
    """Equally likely draws: P(score ≤ j-th) at a setting with model row x is F((cuts_j − x'beta) …), F the logistic law.

    Attributes
    ----------
    beta : ndarray, shape (n, p)
        Of the model's columns in coded units; 0 for the intercept, which the cut-points stand for.
    cuts : ndarray, shape (n, K − 1)
        Cut-points at x = 0 and the average block.
    spread : ndarray, shape (n,)
        Standard deviation on the logit scale of what a new batch in a new whole plot has of its own; 0 where there is no such part.
    effective : float
        How many independent draws they are worth.
    """

    beta: Floats
    cuts: Floats
    spread: Floats
    effective: float


@dataclass(frozen=True)
class Frame:
    """How slopes are counted: coefficients of the columns are `basis` γ, columns less their mean, γ ~ N(0, precision⁻¹).

    Attributes
    ----------
    basis : ndarray, shape (p, q)
    centre : ndarray, shape (p,)
    precision : ndarray, shape (q, q)
    """

    basis: Floats
    centre: Floats
    precision: Floats

    def columns(self, X: Floats) -> Floats:
        """Centred columns, shape (n, q)."""
        return np.asarray((X - self.centre) @ self.basis)


def frame_of(X: Floats, prior: Floats) -> Frame:
    """The frame of columns X (n, p) whose coefficients have prior covariance `prior` (p, p).

    The cut-points stand for a constant. Where the columns contain one, or add up to one as a mixture's shares do, that direction is taken out:
    coefficients are then relative to their average.
    """
    n, p = X.shape
    alone = (np.ptp(X, axis=0) == 0.0) & (X[0] != 0.0) if n else np.zeros(p, dtype=bool)
    if alone.any():
        basis = np.eye(p)[:, ~alone]
    else:
        v = np.linalg.lstsq(X, np.ones(n), rcond=None)[0] if p else np.empty(0)
        within = p > 0 and float(np.abs(X @ v - 1.0).max()) < 1e-8
        basis = linalg.null_space(v[None]) if within else np.eye(p)
    covariance = basis.T @ prior @ basis
    return Frame(basis, X.mean(axis=0) if n else np.zeros(p), np.asarray(np.linalg.inv(covariance), dtype=float))


@dataclass(frozen=True, repr=False, eq=False)
class OrdinalFit(WithoutSquares, Fit):
    """A proportional-odds fit of an ordinal response; made by `doe.fit` where the response has a `scale`.

    logit P(score > s) is linear in the coded settings with the same slopes at every score s. Slopes have the prior N(0, 2.5²) per coded
    unit on the logit scale; the chances of the scores at the average of the runs are uniform over all divisions of 1 before the trial. So separated
    or few scores still give finite answers. What is reported is the posterior: means, standard deviations and 95 % intervals.

    Intervals are quantiles of the posterior, as far out as Student's t with as many degrees of freedom as batches beyond the slopes asks for (of
    what differs only between whole plots: as whole plots beyond their own): with few batches they hold more than 95 % of it. So they hold
    what they say where slopes stay within the prior's reach: in simulated separated trials of 12 runs with six slopes, five of them 0, those
    for P(score ≥ 4) held the truth in 96 to 99 % at the corners, where the plain quantiles did in 90 to 94 %, and those of the idle slopes
    left 0 out in 5 %, not in 12 %; with three slopes, two of them 0, in 94 to 99 % and 8 %; those of an
    idle factor of whole plots, six of four batches, in 1 % where the plots' SD is 1 and in 2 % where it is 2, not in 13 %. A slope much steeper than the prior expects is pulled in: where the chance is next to 0 with a slope of 4,
    the plain quantiles held it in 77 %.

    Every score is a reading of its own, none are averaged: scores of one batch share an intercept of their own, and so do batches of one whole
    plot, normal on the logit scale with a standard deviation that has a half-normal prior.

    What only a measured response has, is NaN (`sigma`, `r2`, `press`) or refused in a sentence (`equation`).

    Attributes
    ----------
    posterior : Posterior
        On arrays.
    frame : Frame
        How its slopes are counted.
    of_batch : ndarray of int, shape (readings,)
        Which batch each score is of.
    prior : ndarray, shape (columns, columns)
        Prior covariance of the coefficients of all columns.
    """

    posterior: Posterior = field(kw_only=True, repr=False)
    frame: Frame = field(kw_only=True, repr=False)
    of_batch: NDArray[np.int64] = field(kw_only=True, repr=False)
    prior: Floats = field(kw_only=True, repr=False)

    # ---- what was fitted

    @property
    def scale(self) -> tuple[int, int]:
        """Lowest and highest score."""
        return self.response.scale  # type: ignore[return-value]

    @property
    def scores(self) -> NDArray[np.int64]:
        """All scores of the scale, shape (K,)."""
        return np.arange(self.scale[0], self.scale[1] + 1)

    @property
    def y(self) -> Floats:
        """Mean score of each batch, shape (n,)."""
        return self.batches.values

    @property
    def readings(self) -> NDArray[np.int64]:
        """Every score that was given, in the order of `of_batch`."""
        return self.posterior.y + self.scale[0]

    @cached_property
    def _sample(self) -> tuple[Floats, OrdinalDraws]:
        return self._drawn(DRAWS, SEED)

    def _drawn(self, n: int, seed: int) -> tuple[Floats, OrdinalDraws]:
        found = self.posterior.draws(n, seed)
        parts = self.posterior.parts(found.theta)
        beta = parts.slopes @ self.frame.basis.T
        # counted from coded zero instead of the average of the runs
        cuts = parts.cuts + (beta @ self.frame.centre)[:, None]
        spread = np.sqrt((parts.spreads**2).sum(axis=1))
        return found.theta, OrdinalDraws(beta[:, : self.model.p], cuts, spread, found.effective)

    def draws(self, n: int, seed: int) -> OrdinalDraws:
        """Draws from the posterior.

        Parameters
        ----------
        n : int
            How many, at least 1.
        seed : int

        Returns
        -------
        OrdinalDraws

        Raises
        ------
        StudyError
            If n is not a whole number above 0.
        """
        return self._drawn(checked_count(n), seed)[1]

    @cached_property
    def beta(self) -> Floats:
        """Posterior means of the coefficients of the model's columns, shape (p,); 0 for the intercept."""
        return np.asarray(self._sample[1].beta.mean(axis=0))

    @cached_property
    def covariance(self) -> Floats:
        """Posterior covariance of the coefficients, shape (p, p)."""
        return np.atleast_2d(np.cov(self._sample[1].beta.T))

    @property
    def _covariance(self) -> Floats:
        return self.covariance

    @property
    def cov_unscaled(self) -> Floats:
        """NaN: there is no sigma to count by; see `covariance`."""
        return np.full((self.model.p, self.model.p), np.nan)

    @property
    def df_residual(self) -> int:
        """Scores beyond the slopes and cut-points, at least 0."""
        return max(len(self.of_batch) - self.posterior.dimension, 0)

    @property
    def sigma(self) -> float:
        """NaN: scores have no standard deviation about the model."""
        return float("nan")

    @property
    def variance_components(self) -> pd.Series[float]:
        """Posterior mean variances on the logit scale: whole plot, batch, as present."""
        spreads = self.posterior.parts(self._sample[0]).spreads
        return pd.Series(
            {name: float((spreads[:, i] ** 2).mean()) for i, name in enumerate(self._group_names)},
            name="variance",
            dtype=float,
        )

    @property
    def component_intervals(self) -> pd.DataFrame:
        """As `Fit.component_intervals`."""
        spreads = self.posterior.parts(self._sample[0]).spreads
        low, middle, high = np.quantile(spreads, [0.5 * (1.0 - LEVEL), 0.5, 0.5 * (1.0 + LEVEL)], axis=0)
        return pd.DataFrame({"source": self._group_names, "sd": middle, "low": low, "high": high})

    @property
    def _strata_words(self) -> dict[str, str]:
        return {name: plural(name) for name in self._group_names}

    @property
    def _group_names(self) -> list[str]:
        plots = shared(self.batches.whole_plot)
        return [n for n, there in (("whole plot", plots), ("batch", len(self.of_batch) > self.n)) if there]

    # ---- coefficients and tests

    def contrasts(self, L: ArrayLike) -> pd.DataFrame:
        """What the posterior says of combinations of the coefficients, on the logit scale.

        Parameters
        ----------
        L : array_like, shape (d, p)

        Returns
        -------
        DataFrame
            estimate (posterior mean), std_error (posterior standard deviation), low, high (95 % credible), above_zero (posterior probability), one row a
            combination. There is no p: see `anova` for tests.

        Raises
        ------
        StudyError
            If the rows do not have one weight a coefficient.
        """
        rows = np.asarray(L, dtype=float)
        if rows.ndim != 2 or rows.shape[1] != self.model.p:
            raise StudyError(
                "contrasts: shape of the weights",
                rows.shape,
                f"(rows, {self.model.p})",
                "give every row one weight for each of " + ", ".join(self.model.columns),
            )
        return _summarised(self._sample[1].beta @ rows.T, self._judged_by(rows))

    def _errors(self, L: Floats) -> Floats:
        return np.asarray((self._sample[1].beta @ L.T).std(axis=0))

    def _limits(self, L: Floats, interval: float) -> tuple[Floats, Floats]:
        """Quantiles of the posterior, further out where few batches are behind them."""
        found = _summarised(self._sample[1].beta @ L.T, self._judged_by(L), interval)
        return found["low"].to_numpy(), found["high"].to_numpy()

    def _degrees(self, L: Floats) -> Floats:
        """No end, but of what differs only between whole plots those that are left beside it."""
        return np.array([self._plots_left if self._between(row) else np.inf for row in np.atleast_2d(L)], dtype=float)

    def _judged_by(self, L: Floats) -> Floats:
        """Degrees of freedom of Student's t at whose level the intervals of these rows are taken."""
        return np.minimum(self._degrees(L), float(self._batches_left))

    @cached_property
    def _plot_columns(self) -> NDArray[np.bool_]:
        """Which columns do not change within a whole plot, shape (columns,); none where batches share no whole plot."""
        labels = whole_plots(self.batches) if shared(self.batches.whole_plot) else None
        if labels is None:
            return np.zeros(self.X.shape[1], dtype=bool)
        firsts = np.array([int(np.flatnonzero(labels == g)[0]) for g in range(int(labels.max()) + 1)])
        return np.asarray((self.X[firsts[labels]] == self.X).all(axis=0))

    @cached_property
    def _plots_left(self) -> float:
        labels = whole_plots(self.batches)
        assert labels is not None  # asked where something differs only between whole plots
        rank = np.linalg.matrix_rank(np.column_stack([np.ones(self.n), self.X[:, self._plot_columns]]))
        return float(max(int(labels.max()) + 1 - int(rank), 1))

    @property
    def _batches_left(self) -> int:
        """Batches beyond the slopes, at least 1."""
        return max(self.n - self.frame.basis.shape[1], 1)

    @property
    def _between_plots(self) -> list[str]:
        """Factors in terms that do not change within a whole plot."""
        owners = self.model.term_of[self._plot_columns[: self.model.p]]
        return sorted({name for term in owners for name, _ in self.model.parsed[int(term)]})

    def _between(self, row: Floats) -> bool:
        used = np.abs(row) > 1e-12
        return bool(used.any() and self._plot_columns[: len(row)][used].all())

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Slopes in coded units on the logit scale: a positive one raises the score.

        Returns
        -------
        DataFrame
            term, estimate (posterior mean), std_error (posterior standard deviation), low, high (95 % interval, further out for few batches), above_zero (posterior probability).
            A row a column of the model but the intercept, which the cut-points stand for; a mixture's single blends are relative to
            their average.
        """
        rows = [j for j, t in enumerate(self.model.columns) if t != "1"]
        out = self.contrasts(np.eye(self.model.p)[rows])
        out.insert(0, "term", [self.model.columns[j] for j in rows])
        return out

    @cached_property
    def cut_points(self) -> pd.DataFrame:
        """Where on the logit scale one score passes into the next, at coded zero.

        Returns
        -------
        DataFrame
            between ("1|2"), estimate, std_error, low, high, as `coefficients`.
        """
        out = _summarised(self._sample[1].cuts, self._batches_left).drop(columns="above_zero")
        out.insert(0, "between", [f"{s}|{s + 1}" for s in self.scores[:-1]])
        return out

    @cached_property
    def anova(self) -> pd.DataFrame:
        """Tests of the terms, every term adjusted for all others.

        Returns
        -------
        DataFrame
            source, df, chi2, p: a row a term with all its contrasts, then blocks and the model. chi2 is twice what the term adds to the
            highest penalised log-likelihood (Heinze & Schemper 2002). chi2 / df is judged by F with as many denominator degrees of freedom
            as batches beyond the slopes: by χ² alone a term that does nothing was called at 5 % in 9 % of simulated trials of 12 runs with
            six slopes and in 8 % of 24 runs; by F in 1 to 3 % and 5 %.

        References
        ----------
        Heinze, G. & Schemper, M. (2002). A solution to the problem of separation in logistic regression. Statistics in Medicine 21, 2409-2419.
        """
        tests = list(self._hypotheses())
        if self.block_columns:
            tests.append(("blocks", np.eye(self.X.shape[1])[self.model.p :]))
        terms = [L for source, L in tests if source != "blocks"]
        if len(tests) > 1 and terms:
            tests.append(("model", np.vstack(terms)))
        rows = []
        for source, L in tests:
            free = linalg.null_space(L @ self.frame.basis)
            held = self.posterior.restricted(free)
            chi2 = 2.0 * max(self.posterior.objective - held.objective, 0.0)
            d = self.frame.basis.shape[1] - free.shape[1]
            left = self._plots_left if all(map(self._between, L)) else self._batches_left
            rows.append((source, d, chi2, float(special.fdtrc(d, left, chi2 / d))))
        return pd.DataFrame(rows, columns=["source", "df", "chi2", "p"])

    # ---- how well

    def _criteria(self, posterior: Posterior) -> tuple[float, float]:
        k, n = posterior.effective_parameters, self.n
        deviance = -2.0 * posterior.log_likelihood
        aicc = deviance + 2.0 * k + 2.0 * k * (k + 1.0) / (n - k - 1.0) if n > k + 1.0 else np.inf
        return float(aicc), float(deviance + k * np.log(n))

    @cached_property
    def aicc(self) -> float:
        """Akaike's criterion with the small-sample correction, at the posterior mode, by the effective number of parameters.

        References
        ----------
        Gray, R. J. (1992). Flexible methods for analyzing survival data using splines. JASA 87, 942-951 (effective parameters of a penalised fit).
        """
        return self._criteria(self.posterior)[0]

    @cached_property
    def bic(self) -> float:
        """Schwarz's criterion, likewise."""
        return self._criteria(self.posterior)[1]

    @cached_property
    def waic(self) -> float:
        """The widely applicable information criterion, on the deviance scale; smaller is better.

        References
        ----------
        Watanabe, S. (2010). Asymptotic equivalence of Bayes cross validation and widely applicable information criterion in singular
        learning theory. J. Machine Learning Research 11, 3571-3594.
        """
        each = self._unit_likelihoods
        fit = special.logsumexp(each, axis=0) - np.log(len(each))
        return float(-2.0 * (fit - each.var(axis=0, ddof=1)).sum())

    @cached_property
    def _unit_likelihoods(self) -> Floats:
        return self.posterior.log_likelihoods(self._sample[0])

    # ---- what it says elsewhere

    def _chances(self, X: Floats, sample: OrdinalDraws) -> Floats:
        """Chances of the scores, shape (draws, rows, K), for rows of the model matrix."""
        return ordinal_posterior.averaged_chances(sample.beta @ X.T, sample.cuts, sample.spread)

    def _in_pieces(self, X: Floats) -> list[tuple[slice, Floats]]:
        step = max(1, CELLS // DRAWS // len(self.scores))
        return [(slice(i, i + step), self._chances(X[i : i + step], self._sample[1])) for i in range(0, len(X), step)]

    def _rows(self, df: pd.DataFrame) -> tuple[Floats, pd.Index[Any], int]:
        settings = self.study.frame(df, "the settings")
        return self.model.matrix(settings), settings.index, int((~self.study.region.contains(settings)).sum())

    def chance(self, df: pd.DataFrame, at_least: int, interval: float = 0.95) -> Noted:
        """Chance that one new batch made at given settings scores at least so much.

        Parameters
        ----------
        df : DataFrame
            One row a setting, one column a factor, natural units.
        at_least : int
            A score of the scale.
        interval : float
            Coverage of the credible interval, between 0 and 1.

        Returns
        -------
        DataFrame
            The index of `df`; estimate (posterior mean: the chance to reckon with), std_error, low, high (what the true chance may be).

        Raises
        ------
        StudyError
            If a setting, the score or the interval cannot be used.
        """
        interval = checked_interval(interval)
        bottom, top = self.scale
        if isinstance(at_least, bool) or not isinstance(at_least, int | np.integer) or not bottom <= at_least <= top:
            raise StudyError(
                "at_least",
                at_least,
                f"a whole score from {bottom} to {top}",
                f"write the score to be reached, {top} say",
            )
        X, index, outside = self._rows(df)
        out = self._reaching(X, at_least, interval).set_index(index)
        lines = [
            f"Chance that one new batch scores {at_least} or more; {100 * interval:g} % interval for that chance, the further out the fewer the batches. From {DRAWS} draws."
        ]
        return Noted.made(out, "\n".join([*lines, *self._caveats(outside, len(out))]))

    def _reaching(self, X: Floats, score: int, interval: float = LEVEL) -> pd.DataFrame:
        """Chance that one new batch scores at least so much, for rows of the model matrix."""
        parts = [c[..., score - self.scale[0] :].sum(axis=-1) for _, c in self._in_pieces(X)]
        values = np.concatenate(parts, axis=1) if parts else np.empty((DRAWS, 0))
        return _summarised(values, self._batches_left, interval).drop(columns="above_zero")

    def _reached(self, X: Floats) -> dict[int, pd.DataFrame]:
        return {int(s): self._reaching(X, int(s)) for s in self.scores[1:]}

    def predict(self, df: pd.DataFrame, interval: float = 0.95, kind: str = "mean") -> Noted:
        """What the fit foretells at given settings.

        Parameters
        ----------
        df : DataFrame
            One row a setting, one column a factor, natural units.
        interval : float
            Coverage of the interval, between 0 and 1.
        kind : "mean" or "new batch"
            Credible interval for the mean score of many batches, or the scores between which that of one new batch falls.

        Returns
        -------
        DataFrame
            The index of `df`; estimate (mean score), std_error, low, high, then "P(s)" for every score s: the chance that one new batch gets it.

        Raises
        ------
        StudyError
            If a setting, the interval or the kind cannot be used.
        """
        interval = checked_interval(interval)
        if kind not in ("mean", "new batch"):
            raise StudyError("kind", kind, '"mean" or "new batch"', "say which of the two the interval is for")
        X, index, outside = self._rows(df)
        out, chance = self._foretold(X, interval, kind)
        for i, s in enumerate(self.scores):
            out[f"P({s})"] = chance[:, i]
        out.index = index
        what = (
            f"{100 * interval:g} % interval for the mean score of batches made there"
            if kind == "mean"
            else f"scores between which that of one new batch falls, at {100 * interval:g} % or more"
        )
        lines = [
            f"{self.response.label}; {what}.",
            "estimate is the mean score, which takes the steps between scores for equal; the chances do not.",
        ]
        return Noted.made(out, "\n".join([*lines, *self._caveats(outside, len(out))]))

    def _foretold(self, X: Floats, interval: float, kind: str) -> tuple[pd.DataFrame, Floats]:
        mean = np.empty((DRAWS, len(X)))
        chance = np.empty((len(X), len(self.scores)))
        for at, c in self._in_pieces(X):
            mean[:, at] = c @ self.scores
            chance[at] = c.mean(axis=0)
        out = _summarised(mean, self._batches_left, interval).drop(columns="above_zero")
        if kind == "new batch":
            tail = 0.5 * (1.0 - interval)
            # the widest scores that leave no more than half the rest on either side
            below = np.cumsum(chance, axis=1)
            out["low"] = self.scores[(below <= tail).sum(axis=1)].astype(float)
            above = np.cumsum(chance[:, ::-1], axis=1)
            out["high"] = self.scores[::-1][(above <= tail).sum(axis=1)].astype(float)
            spread = (chance @ self.scores**2) - (chance @ self.scores) ** 2
            out["std_error"] = np.sqrt(np.maximum(spread, 0.0))
        return out, chance

    def _foretell(self, X: Floats, interval: float, kind: str, spread: Floats | float = 0.0) -> pd.DataFrame:
        # only the surface foretells by this, at the covariates' mean
        assert np.all(np.asarray(spread) == 0.0)
        return self._foretold(X, interval, kind)[0]

    def _caveats(self, outside: int, rows: int) -> list[str]:
        lines = []
        if self.block_columns:
            lines.append("At the average block; what a new block adds is not included.")
        if self._group_names:
            lines.append(f"The new batch has a {verdicts.listed(self._group_names)} effect of its own, drawn anew.")
        if outside:
            lines.append(
                f"{outside} of {rows} settings lie outside the region studied: extrapolation, surer on paper than in the beaker."
            )
        lines += self._selected
        return lines

    def _refuse(self, what: str, instead: str) -> NoReturn:
        raise StudyError(what, "asked of an ordinal fit", "asked of a fit of a measured response", instead)

    def equation(self, natural: bool = True, pseudocomponents: bool = False) -> Equation:
        """Refused: scores have no equation of their own scale."""
        self._refuse(
            "equation", "see coefficients and cut_points for the logit, and chance() for what it means at a setting"
        )

    @property
    def _surface_words(self) -> list[str]:
        out = [
            "The surface is that of the logit of a higher score. Where one slope serves every score, P(score ≥ s) rises and falls with it, so that "
            "stationary point, ridge and path are those of the chance at every s; of its posterior mean, nearly: that is drawn towards ½ where "
            "little is known."
        ]
        found = self.proportionality
        if found is not None and found.p < verdicts.PROPORTIONALITY_P:
            out.append(self.proportionality_words())
        return out

    @property
    def _judged(self) -> bool:
        """The posterior always judges."""
        return True

    def _error_draws(self, draws: int, seed: int) -> tuple[Floats, Floats, Floats]:
        """Errors of the coefficients are the posterior's own; those between few whole plots are lengthened as `_degrees` says."""
        errors = self.draws(draws, seed).beta - self.beta
        return self.covariance, errors, np.random.default_rng([seed, 2]).random(draws)

    @property
    def _contrast_label(self) -> str:
        """A credible difference of the logit says the same of every score."""
        return "the logit of a higher score"

    def transform_profile(self, interval: float = 0.95) -> TransformProfile:
        """Refused: scores are not transformed."""
        self._refuse("transform_profile", "scores are fitted as such: leave it")

    @property
    def statsmodels(self) -> Any:
        """There is none: the posterior is this library's own."""
        self._refuse("statsmodels", "statsmodels.miscmodels.ordinal_model fits the same model without a prior")

    # ---- checking and changing the fit

    @cached_property
    def _observed(self) -> tuple[NDArray[np.int64], int]:
        """Scores as codes of those that occur, and how many occur."""
        seen, codes = np.unique(self.posterior.y, return_inverse=True)
        return codes.reshape(-1).astype(np.int64), len(seen)

    @cached_property
    def separated(self) -> bool:
        """Whether the scores are separated, so that without a prior some slope would be infinite."""
        codes, levels = self._observed
        return not bool(odds.solve(self.posterior.X, codes, levels).converged[0])

    @cached_property
    def proportionality(self) -> proportionality.Proportionality | None:
        """The check that slopes are the same at every score; None where only two scores occur or there is no slope."""
        codes, levels = self._observed
        X, D = self.posterior.X, self.posterior.precision
        if levels < 3 or not X.shape[1]:
            return None
        mode = Posterior(X, codes, levels, D, self.posterior.groups)
        parts = mode.parts(mode.mode[None])
        rng = np.random.default_rng(SEED)
        eta = np.tile((parts.slopes @ X.T)[0], (proportionality.TRIALS, 1))
        for spread, labels in zip(parts.spreads[0], self.posterior.groups, strict=True):
            eta = eta + spread * rng.standard_normal((len(eta), int(labels.max()) + 1))[:, labels]
        simulated = proportionality.simulated_scores(odds.score_chances(eta, parts.cuts[:, None, :]), SEED)
        return proportionality.check(X, codes, levels, D, simulated, self._column_owner)

    @cached_property
    def _column_owner(self) -> list[list[int]]:
        """For every term tested, the slopes that carry it."""
        return [np.flatnonzero(np.abs(L @ self.frame.basis).max(axis=0) > 1e-9).tolist() for _, L in self._hypotheses()]

    def surrogate_residuals(self, draws: int, seed: int) -> Floats:
        """Randomised residuals as normal scores: standard normal and unrelated to the settings where the model is true.

        Parameters
        ----------
        draws : int
        seed : int

        Returns
        -------
        ndarray, shape (draws, readings)
            Each draw with its own parameters from the posterior and its own point within each score's span.

        References
        ----------
        Liu, D. & Zhang, H. (2018). Residuals and diagnostics for ordinal regression models: a surrogate approach. JASA 113, 845-854.
        """
        sample = self.draws(draws, seed)
        blocks = self._block_part(self._drawn(draws, seed)[0])
        eta = sample.beta @ self._model_rows.T + blocks
        below = np.cumsum(ordinal_posterior.averaged_chances(eta, sample.cuts, sample.spread), axis=-1)
        padded = np.concatenate([np.zeros((*below.shape[:2], 1)), below], axis=-1)
        y = self.posterior.y[None, :, None]
        low, high = (
            np.take_along_axis(padded, np.broadcast_to(y + d, (len(eta), len(self.of_batch), 1)), axis=-1)[..., 0]
            for d in (0, 1)
        )
        u = low + (high - low) * np.random.default_rng([seed, 1]).random(low.shape)
        return np.asarray(special.ndtri(np.clip(u, 1e-12, 1.0 - 1e-12)))

    def _noise_scores(self) -> Floats:
        """Surrogate residuals averaged over their draws, then over the scores of a batch, shape (n,)."""
        each = self.surrogate_residuals(SURROGATES, SEED).mean(axis=0)
        return np.asarray(np.bincount(self.of_batch, each, self.n) / np.bincount(self.of_batch, minlength=self.n))

    @property
    def _model_rows(self) -> Floats:
        """Model columns of every reading's batch, shape (readings, p)."""
        return self.X[self.of_batch, : self.model.p]

    def _block_part(self, theta: Floats) -> Floats:
        slopes = self.posterior.parts(theta).slopes @ self.frame.basis.T
        return slopes[:, self.model.p :] @ self.X[self.of_batch, self.model.p :].T

    @cached_property
    def _run_table(self) -> pd.DataFrame:
        theta, sample = self._sample
        eta = sample.beta @ self._model_rows.T + self._block_part(theta)
        chance = ordinal_posterior.averaged_chances(eta, sample.cuts, sample.spread)
        # what the others foretell: each draw by how little it owes to the reading's own unit (Gelfand, Dey & Chang 1992)
        owed = -self._unit_likelihoods[:, self._unit_of]
        w = np.exp(owed - owed.max(axis=0))
        w = np.minimum(w, w.mean(axis=0) * np.sqrt(len(w)))  # truncated as Ionides (2008)
        w /= w.sum(axis=0)
        foretold = np.einsum("sr,srk->rk", w, chance)
        rows = np.arange(len(self.of_batch))
        y = self.posterior.y
        down, up = (
            np.cumsum(foretold, axis=1)[rows, y],
            np.cumsum(foretold[:, ::-1], axis=1)[rows, len(self.scores) - 1 - y],
        )
        return pd.DataFrame(
            {
                "run": self.runs[self.of_batch],
                "score": self.readings,
                "fitted": chance.mean(axis=0) @ self.scores,
                "foretold": foretold @ self.scores,
                "chance": foretold[rows, y],
                "surrogate": self.surrogate_residuals(1, SEED)[0],
                "flags": ["unlikely" if min(a, b) < UNLIKELY else "" for a, b in zip(down, up, strict=True)],
            }
        )

    @property
    def _unit_of(self) -> NDArray[np.int64]:
        groups = self.posterior.groups
        return groups[0] if groups else np.arange(len(self.of_batch))

    def diagnostics(self) -> Noted:
        """Every score's part in the fit.

        Returns
        -------
        DataFrame
            run, score, fitted (mean score), foretold (mean score by the other batches alone), chance (that the others give to this very score),
            surrogate (one randomised residual as a normal score), flags.

        References
        ----------
        Liu, D. & Zhang, H. (2018). Residuals and diagnostics for ordinal regression models: a surrogate approach. JASA 113, 845-854.
        """
        n = len(self.of_batch)
        note = (
            f"unlikely: the other batches give a score so far out or further less than {100 * UNLIKELY:g} %; among {n} scores chance alone makes up to "
            f"{2 * UNLIKELY * n:.1f} of them.\nsurrogate is one random draw of many; see surrogate_residuals()."
        )
        return Noted.made(self._run_table, note)

    def simulated_residuals(self, draws: int, seed: int) -> Floats:
        """Surrogate residuals of trials in which the model is true: standard normal."""
        return np.random.default_rng(seed).standard_normal((draws, len(self.of_batch)))

    def refitted(self, model: Model, choice: Choice | None = None) -> OrdinalFit:
        """The same batches by the same method with another model."""
        return assembled_ordinal(model, self.response, self.batches, self.why, choice)

    def _search(self, heredity: str) -> LikelihoodSearch:
        from doe.fits.likelihood_search import LikelihoodSearch

        return LikelihoodSearch(self, np.empty((0, 0)), np.empty(0), heredity)

    def _with_columns(self, columns: list[int]) -> Posterior:
        return posterior_of(self.X[:, columns], self.prior[np.ix_(columns, columns)], self.posterior, self.of_batch)[0]

    def _objective_of(self, columns: list[int]) -> float:
        return self._with_columns(columns).log_likelihood

    def _criteria_of(self, columns: list[int]) -> tuple[float, float]:
        return self._criteria(self._with_columns(columns))

    # ---- shown

    @property
    def heading(self) -> str:
        """What was fitted, how, on how much."""
        n = len(self.of_batch)
        more = f"{n} scores from {self.scale[0]} to {self.scale[1]}"
        return self._heading(f" in {self.block_columns + 1} blocks" if self.block_columns else "", more)

    def _coefficient_table(self) -> pd.DataFrame:
        rows = self.coefficients.to_dict("records")
        extra = self.level_effects.to_dict("records") if self.study.categorical else []
        names = [r["term"] for r in rows]
        for (after, _, _), record in reversed(list(zip(self._last_levels(), extra, strict=True))):
            rows.insert(names.index(self.model.columns[after]) + 1, record)
        return pd.DataFrame(
            {
                "term": [str(r["term"]) for r in rows],
                "mean": [number_text(r["estimate"], r["std_error"]) for r in rows],
                "SD": [number_text(r["std_error"], r["std_error"]) for r in rows],
                "95 % low": [number_text(r["low"], r["std_error"]) for r in rows],
                "95 % high": [number_text(r["high"], r["std_error"]) for r in rows],
                "raises the score": [_percent(r["above_zero"]) for r in rows],
            }
        )

    def _cut_table(self) -> pd.DataFrame:
        c = self.cut_points
        return pd.DataFrame(
            {
                "between": c["between"],
                **{
                    label: [number_text(v, e) for v, e in zip(c[key], c["std_error"], strict=True)]
                    for label, key in (
                        ("mean", "estimate"),
                        ("SD", "std_error"),
                        ("95 % low", "low"),
                        ("95 % high", "high"),
                    )
                },
                "batches scored below": [str(int((self.readings <= s).sum())) for s in self.scores[:-1]],
            }
        ).rename(columns={"batches scored below": "scores given below"})

    def _anova_table(self) -> pd.DataFrame:
        a = self.anova
        return pd.DataFrame(
            {
                "source": a["source"],
                "df": [str(int(v)) for v in a["df"]],
                "χ²": [number_text(float(v), digits=3) for v in a["chi2"]],
                "p": [p_text(float(v)) for v in a["p"]],
            }
        )

    def proportionality_words(self) -> str:
        """The check that slopes hold at every score, in one line."""
        found = self.proportionality
        if not self.posterior.X.shape[1]:
            return "The model has no slopes."
        if found is None:
            return "Only two scores were given: whether slopes are the same at every score cannot be asked."
        return verdicts.on_proportionality(found.p, self._hypotheses()[found.term][0])

    def cautions(self) -> list[str]:
        """What to be wary of, one sentence each; empty when nothing stands out."""
        out = self._selected
        if self.separated:
            out.append(
                "The scores are separated: some combination of settings parts them without overlap, so the readings alone set no upper bound on the "
                "slopes; how steep they are rests on the prior."
            )
        missing = [str(s) for s in self.scores if s not in set(self.readings.tolist())]
        if missing:
            out.append(
                f"No batch scored {verdicts.listed(missing)}: {'its chance rests' if len(missing) == 1 else 'their chances rest'} on the prior and on "
                "the scores beside."
            )
        hardly = self._hardly_learnt()
        if hardly:
            out.append(
                f"These scores say hardly anything of {verdicts.listed(hardly)}: the intervals are mostly the prior's."
            )
        between = self._between_plots
        if between:
            out.append(
                f"{verdicts.listed(between)} {'changes' if len(between) == 1 else 'change'} only between whole plots, of which {self._plots_left:.0f} "
                f"{'is' if self._plots_left == 1 else 'are'} left beside the model: tests and intervals allow for that by Student's t with so many degrees "
                "of freedom."
            )
        found = self.proportionality
        if found is not None and found.p < verdicts.PROPORTIONALITY_P:
            out.append(self.proportionality_words())
        table = self._run_table
        out += [
            f"Run {row.run} scored {row.score} where the other batches foretell {row.foretold:.1f}: look it up in the notebook before deciding."
            for row in table[table["flags"] == "unlikely"].itertuples()
        ]
        if self._sample[1].effective < FEW_EFFECTIVE:
            out.append(
                f"The draws behind these figures are worth only {self._sample[1].effective:.0f} independent ones: interval ends are rough."
            )
        return out

    def _hardly_learnt(self) -> list[str]:
        prior = np.sqrt(np.diagonal(self.frame.basis @ np.linalg.inv(self.frame.precision) @ self.frame.basis.T))
        c = self.coefficients
        at = [j for j, t in enumerate(self.model.columns) if t != "1"]
        return [str(t) for t, s, j in zip(c["term"], c["std_error"], at, strict=True) if s > HARDLY_LEARNT * prior[j]]

    def _remarks(self) -> list[str]:
        out = [line for line in super()._remarks() if not line.startswith(("R² counts", "A single blend"))]
        out = [line for line in out if "readings are averaged" not in line and "readings, averaged" not in line]
        unit = (
            "coded unit"
            if not self.study.components
            else "coded unit (half the range over the runs where components enter)"
        )
        out.append(
            f"Prior: slopes normal with mean 0 and SD {SLOPE_SD:g} per {unit} on the logit scale; at the average of the runs every division of the "
            "chances among the scores alike. Intervals are quantiles of the posterior, the further out the fewer the batches."
        )
        if self._blend_columns.size:
            out.append(
                "Slopes of single blends are relative to their average; linear blending asks whether all are equal."
            )
        names = self._group_names
        if names:
            also = (
                "Each score is a reading of its own; scores of one batch share an intercept. "
                if "batch" in names
                else ""
            )
            out.append(
                f"{also}Intercepts of {verdicts.listed([plural(n) for n in names])} are normal on the logit scale, their SD half-normal with scale "
                f"{SPREAD_SCALE:g} before the trial."
            )
        out.append(
            f"Tests: penalised likelihood ratio over its df, against F with {self._batches_left} denominator df"
            + (f" (between whole plots {self._plots_left:.0f})" if self._between_plots else "")
            + "; approximate."
        )
        if self.block_columns:
            out.append("Predictions are for the average block.")
        return out

    def _sections(self) -> list[Section]:
        intro = (
            "Slopes in coded units on the logit scale: a positive one raises the score. Posterior mean, SD and 95 % interval.\n"
            f"AICc {self.aicc:.2f} with {self.posterior.effective_parameters:.1f} effective parameters, WAIC {self.waic:.2f}."
        )
        if not np.isfinite(self.aicc):
            intro = intro.replace(f"AICc {self.aicc:.2f} with", "No AICc: too few runs for")
        sections = [
            Section(self.heading, self._coefficient_table() if len(self.coefficients) else None, intro),
            Section("Cut-points: where one score passes into the next, at coded zero", self._cut_table()),
        ]
        if self.choice is not None:
            sections.append(Section("How the terms were chosen", self.choice.steps, self.choice.words))
        if len(self.anova):
            sections.append(Section("Tests of the terms, each adjusted for all others", self._anova_table()))
        if self._group_names:
            v = self.variance_components
            table = pd.DataFrame(
                {
                    "between": [self._strata_words[str(k)] for k in v.index],
                    "SD, logit scale": [number_text(float(np.sqrt(x)), digits=3) for x in v],
                }
            )
            sections.append(Section("What batches have of their own", table))
        sections.append(Section("Do the slopes hold at every score?", None, self.proportionality_words()))
        if len(self.unused):
            sections.append(Section("Not in the fit", self.unused.astype(str)))
        sections.append(Section("How to read it", None, "\n".join(self._remarks())))
        wary = self.cautions() or ["Nothing stands out: no separation, no unlikely score."]
        sections.append(Section("What to be wary of", None, "\n".join(wary)))
        return sections

    def summary_row(self) -> dict[str, str]:
        """Figures for the table of fits side by side."""
        return {
            "fitted": "as scores",
            "residual df": "",
            "σ": "",
            "R²": "",
            "adjusted": "",
            "predicted": "",
            "lack of fit p": "",
        }


def _percent(share: float) -> str:
    if share > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if share < 0.001 else f"{100 * share:.1f} %"


def tail_beyond(share: float, df: float | Floats) -> Any:
    """Posterior probability beyond a limit that has `share` on its side, the limit as far out as Student's t with `df` asks for."""
    return special.ndtr(-special.stdtrit(df, share))


def _summarised(values: Floats, df: float | Floats, interval: float = LEVEL) -> pd.DataFrame:
    """Mean, SD, equal-tailed interval and the share above 0 of draws (s, rows), one row a column.

    The interval's ends are the quantiles that lie as far out, for a normal posterior, as Student's t with `df` degrees of freedom.
    """
    tails = tail_beyond(0.5 * (1.0 + interval), df) * np.ones(values.shape[1])
    low, high = np.empty(values.shape[1]), np.empty(values.shape[1])
    for tail in np.unique(tails):
        own = tails == tail
        low[own], high[own] = np.quantile(values[:, own], [tail, 1.0 - tail], axis=0)
    return pd.DataFrame(
        {
            "estimate": values.mean(axis=0),
            "std_error": values.std(axis=0, ddof=1),
            "low": low,
            "high": high,
            "above_zero": (values > 0.0).mean(axis=0),
        }
    )


def posterior_of(X: Floats, prior: Floats, like: Posterior, of_batch: NDArray[np.int64]) -> tuple[Posterior, Frame]:
    """The posterior of the same scores on other columns, one row a batch."""
    frame = frame_of(X, prior)
    return Posterior(frame.columns(X)[of_batch], like.y, like.levels, frame.precision, like.groups), frame


def _exchangeable(levels: int) -> Floats:
    """Prior covariance of sum-to-zero contrasts over their variance: every level alike, whichever stands last; shape (levels − 1, levels − 1)."""
    return np.asarray(levels / (levels - 1.0) * (np.eye(levels - 1) - 1.0 / levels))


def prior_of(model: Model, X: Floats, blocks: int) -> Floats:
    """Prior covariance of the coefficients, the model's columns X (n, p) before the block contrasts; shape (p + blocks, p + blocks)."""
    shares = {c.name for c in model.study.components}
    half = 0.5 * np.ptp(X, axis=0)
    parts = []
    for index, term in enumerate(model.parsed):
        own = np.flatnonzero(model.term_of == index)
        C: Floats = np.eye(1)
        for name, _ in term:
            factor = model.study.factor(name)
            if isinstance(factor, Categorical):
                C = np.asarray(np.kron(C, _exchangeable(len(factor.levels))), dtype=float)
        # shares have no coded unit of their own: half their range over the runs stands for it
        unit = np.where((half[own] > 0.0) & any(name in shares for name, _ in term), half[own], 1.0)
        parts.append(SLOPE_SD**2 * C / np.outer(unit, unit))
    if blocks:
        parts.append(SLOPE_SD**2 * _exchangeable(blocks + 1))
    return np.asarray(linalg.block_diag(*parts))


def _codes(response: Response, batches: Batches) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Scores as codes, and the batch each is of; refused where one is no score of the scale."""
    bottom, top = response.scale or (0, 0)
    where = f"response {response.name!r}, run "
    allowed, mend = f"a whole score from {bottom} to {top}", "correct the score, or leave the run out with its reason"
    if has_censored(batches):
        low, high = batches.lower, batches.upper
        at = int(np.flatnonzero(low != high)[0])
        raise StudyError(
            f"{where}{batches.runs[at]}: score", reading_text(float(low[at]), float(high[at])), allowed, mend
        )
    of_batch = np.repeat(np.arange(len(batches.readings)), [len(r) for r in batches.readings])
    scores = np.concatenate([np.asarray(r, dtype=float) for r in batches.readings])
    bad = (scores != np.round(scores)) | (scores < bottom) | (scores > top)
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise StudyError(f"{where}{batches.runs[of_batch[at]]}: score", float(scores[at]), allowed, mend)
    if len(set(scores.tolist())) == 1:
        raise AllEqualError(
            f"response {response.name!r}: score",
            int(scores[0]),
            "different between runs, yet all are the same",
            "there is nothing to explain: check that the scores were entered run by run",
        )
    return (scores - bottom).astype(np.int64), of_batch.astype(np.int64)


def assembled_ordinal(
    model: Model, response: Response, batches: Batches, why: str, choice: Choice | None = None
) -> OrdinalFit:
    """Fit a model to scored batches.

    Parameters
    ----------
    model : Model
    response : Response
        With a scale.
    batches : Batches
    why : str
        Why this method, for the print.
    choice : Choice, optional
        How the terms were chosen, if from these scores.

    Returns
    -------
    OrdinalFit

    Raises
    ------
    StudyError
        If a score is none of the scale, all are the same, or terms cannot be told apart on these runs.
    """
    y, of_batch = _codes(response, batches)
    contrasts, names = block_contrasts(batches.block)
    X = np.column_stack([model.matrix_of(batches.encoded), contrasts.reshape(len(batches.runs), len(names))])
    check_estimable(model, response, X, names)
    prior = prior_of(model, X[:, : model.p], len(names))
    groups: list[NDArray[np.int64]] = []
    if shared(batches.whole_plot):
        labels = {v: i for i, v in enumerate(dict.fromkeys(batches.whole_plot or ()))}
        groups.append(np.array([labels[v] for v in batches.whole_plot or ()])[of_batch])
    if len(of_batch) > len(batches.runs):
        groups.append(of_batch)
    bottom, top = response.scale or (0, 0)
    empty = Posterior(np.empty((len(y), 0)), y, top - bottom + 1, np.empty((0, 0)), tuple(groups))
    posterior, frame = posterior_of(X, prior, empty, of_batch)
    # a stand-in for what only a least-squares fit has: whoever reads it unasked meets NaN
    Q, R = np.linalg.qr(X)
    nothing = np.full(len(X), np.nan)
    solution = Solution(Q, linalg.solve_triangular(R, np.eye(X.shape[1])), np.full(X.shape[1], np.nan), nothing)
    return OrdinalFit(
        model.study,
        model,
        response,
        batches,
        solution,
        X,
        names,
        "ordinal",
        why,
        choice,
        posterior=posterior,
        frame=frame,
        of_batch=of_batch,
        prior=prior,
    )
