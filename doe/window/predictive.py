"""Fits turned into draws of new batches: which posterior, noise and setting error folded in, chances at any table of settings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from doe.study import Component, Study, StudyError
from doe.window.chance import Draws, chance_and_error, standardised
from doe.window.conforming import Rates, conforming_rates, cube_rule, lower_quantile
from doe.window.counting import smoothed
from doe.window.folding import Floats, Terms, fold, shared_basis, well_scaled
from doe.window.joining import Drawn, Joined, check_noise, source_of
from doe.window.posterior import BURN_IN, THIN, Posterior, gibbs_draws, joint_draws, separate_draws
from doe.window.settings import SLACK, Settings
from doe.window.streaming import PIECE, Streamed, counted

if TYPE_CHECKING:
    from doe.fits import Fit

KEPT_DRAWS = 3  # sets of draws kept: the same ones are asked for as chances, as rates and as batches foretold
LEAST_DF = 4  # fewer degrees of freedom for the joint t leave its tails to guesswork


@dataclass(frozen=True)
class Raw:
    """Draws on the fitted scale.

    Attributes
    ----------
    folded : list of ndarray, each (draws, q)
        Coefficients over the shared basis, setting error and a new batch's own error among them.
    drawn : list of Drawn
        What they were folded from.
    errors : list of ndarray, each (draws,)
        A new batch's own errors, folded in or not.
    effective : float
        How many independent draws they are worth.
    """

    folded: list[Floats]
    drawn: list[Drawn]
    errors: list[Floats]
    effective: float


class Predictive:
    """The posterior predictive distribution of one new batch, over responses with a specification.

    Parameters
    ----------
    study : Study
        What the fits were made of.
    fits : sequence of Fit
        Of responses with a limit.
    noise : bool
        Whether a new batch's own error is added.
    jitter : mapping of factor to standard deviation
        Setting error, natural units.
    seed : int
        Seed of every draw.
    """

    def __init__(self, study: Study, fits: list[Fit], noise: bool, jitter: Mapping[str, float], seed: int) -> None:
        self.study, self.fits, self.noise, self.jitter, self.seed = study, fits, noise, dict(jitter), seed
        self.settings = Settings(study)
        self.exponents = [np.asarray(fit.model.exponents, dtype=np.int64) for fit in fits]
        held = np.zeros(len(study.variables), dtype=bool)
        # what is measured and not set varies from batch to batch by its own law, as a setting error does
        self.measured = [name for name in study.covariate_names if any(name in fit.model.measured for fit in fits)]
        moved = [f.name for f in study.components] if self._jitters_mixture else []
        for name in {*self.jitter, *self.measured, *moved}:
            held[study.variables.index(name)] = True
        self.basis = shared_basis(self.exponents, held)
        self.monomials = Terms(self.basis)
        self._kept: dict[tuple[int, int], tuple[list[Drawn], Floats | None, float]] = {}
        self._choose()
        sample = study.region.sample(256, seed=seed)
        self._sample = study.encode(sample)
        self.onto, self.back = well_scaled(self.monomials, self._sample)

    def __getstate__(self) -> dict[str, Any]:
        """A worker elsewhere draws for itself what is kept here."""
        return self.__dict__ | {"_kept": {}}

    # ---- which posterior

    def _choose(self) -> None:
        fits = self.fits
        r = len(fits)
        if any(fit.method != "least squares" for fit in fits):
            self.kind = "joined"
            self.joined = Joined([source_of(fit) for fit in fits], self.seed)
            return
        for fit in fits:
            check_noise(fit)
        first = fits[0]
        runs = [[str(run) for run in fit.runs] for fit in fits]
        same = all(
            fit.model.columns == first.model.columns and run == runs[0] for fit, run in zip(fits, runs, strict=True)
        )
        same = same and all(np.allclose(fit.X, first.X, rtol=1e-9, atol=1e-9) for fit in fits)
        common = set(runs[0]).intersection(*runs[1:])
        widest = max(fit.X.shape[1] for fit in fits)
        self.df = len(common) - widest - r + 1
        if r == 1:
            self.kind, self.df = "joint", fits[0].df_residual
        elif self.df < LEAST_DF:
            self.kind = "separate"
        else:
            self.kind = "joint" if same else "gibbs"
        if self.kind == "gibbs":
            self.missing = any(len(set(run)) > len(common) for run in runs)
            places = {run: i for i, run in enumerate(dict.fromkeys(run for rs in runs for run in rs))}
            self.rows = [np.array([places[run] for run in rs]) for rs in runs]
        if self.kind == "joint":
            residual = np.column_stack([fit.solution.residuals for fit in fits])
            self.cross = residual.T @ residual
            correlation = self.cross / np.sqrt(np.outer(np.diag(self.cross), np.diag(self.cross)))
            if r > 1 and np.linalg.eigvalsh(correlation)[0] < 1e-10:
                raise StudyError(
                    "fits: residuals of " + ", ".join(fit.response.name for fit in fits),
                    "tied to each other exactly",
                    "separate measurements",
                    "leave out the response that follows from the others",
                )

    @property
    def method(self) -> str:
        """How the draws are made, in words."""
        r = len(self.fits)
        if self.kind == "joined":
            return self._joined_words()
        if self.kind == "joint" and r == 1:
            return f"Posterior predictive t with {self.df:g} degrees of freedom."
        if self.kind == "joint":
            return f"Joint posterior predictive multivariate t of {r} responses with {self.df:g} degrees of freedom."
        if self.kind == "separate":
            return (
                f"Each response by itself, with its own t: the joint t of {r} responses would have only "
                f"{self.df:g} degrees of freedom, fewer than {LEAST_DF}, so their correlation is left out."
            )
        same = len({fit.model.columns for fit in self.fits}) == 1
        why = " and ".join(
            word for word, so in (("different terms", not same), ("missing readings", self.missing)) if so
        )
        return (
            f"Joint posterior of {r} responses with {why}, by Gibbs sampling: {BURN_IN} rounds of every chain thrown away, "
            f"then one in {THIN} kept."
        )

    def _joined_words(self) -> str:
        parts = [f"{fit.response.name}: {s.words}" for fit, s in zip(self.fits, self.joined.sources, strict=True)]
        said = "Posterior predictive of each response, " + "; ".join(parts) + "."
        if len(parts) == 1:
            return said
        if self.joined.shrinkage == 1.0:
            return (
                f"{said} Judged as independent: {self.joined.shared} batches read on all show no correlation to go by."
            )
        names = [fit.response.name for fit in self.fits]
        pairs = [
            f"{a} and {b} {self.joined.correlation[i, j]:.2f}"
            for i, a in enumerate(names)
            for j, b in enumerate(names)
            if i < j
        ]
        return (
            f"{said} Joined by a Gaussian copula: correlation {', '.join(pairs)}, from the scores of {self.joined.shared} batches, "
            f"shrunk by {self.joined.shrinkage:.0%} towards none."
        )

    def judging(self, draws: int) -> int:
        """How many draws judge what was found on `draws` of them: several times as many, Gibbs draws costing more."""
        times, most = (2, 10_000) if self.kind == "gibbs" else (10, 40_000)
        return max(draws, min(times * draws, most))

    @property
    def warnings(self) -> list[str]:
        """What a reader should know of the fits behind the chances."""
        said = []
        chosen = [fit.response.name for fit in self.fits if fit.choice is not None]
        if chosen:
            said.append(
                f"Terms of {', '.join(chosen)} were chosen from these same readings: the chances do not carry that choice."
            )
        if any(fit.block_columns for fit in self.fits):
            said.append("Blocks: a new batch is taken to be one of an average block.")
        if any(fit.batches.whole_plot is not None and fit.method == "least squares" for fit in self.fits):
            said.append(
                "Fitted by least squares across whole plots: what a whole plot adds is not told apart from the batch's own error."
            )
        if self.measured:
            laws = [c for c in self.study.covariates if c.name in self.measured]
            said.append(
                "Measured, not set, and so averaged over: "
                + ", ".join(f"{c.name} (mean {c.mean:g}, SD {c.sd:g} {c.unit}".rstrip() + ")" for c in laws)
                + "."
            )
        return said

    def _rng(self, stream: int, use: int, piece: int = 0) -> np.random.Generator:
        """Random numbers of their own for every stream, use and piece; the first piece is all there is but of very many draws."""
        return np.random.default_rng([self.seed, stream, use, *([piece] if piece else [])])

    def posterior(self, stream: int, draws: int, piece: int = 0) -> Posterior:
        """Fresh draws for every stream number, the same for the same seed."""
        rng = self._rng(stream, 0, piece)
        fits = self.fits
        columns = [fit.model.p for fit in fits]
        if self.kind == "gibbs":
            found = gibbs_draws([f.X for f in fits], [f.y for f in fits], self.rows, draws, rng)
            kept = tuple(c[:, :p] for c, p in zip(found.coefficients, columns, strict=True))
            return Posterior(kept, found.root, found.effective)
        beta = [np.asarray(fit.beta, dtype=float) for fit in fits]
        if self.kind == "joint":
            first = fits[0]
            return joint_draws(np.column_stack(beta), first.cov_unscaled, self.cross, first.df_residual, draws, rng)
        squares = [fit.solution.rss for fit in fits]
        degrees = [fit.df_residual for fit in fits]
        return separate_draws(beta, [fit.cov_unscaled for fit in fits], squares, degrees, draws, rng)

    # ---- setting error

    @property
    def _jitters_mixture(self) -> bool:
        return any(isinstance(self.study.factor(name), Component) for name in self.jitter)

    def setting_errors(self, normals: Floats) -> tuple[Floats, Floats | None]:
        """Errors and scale of the encoded variables from standard normals, one column a jittered factor or measured covariate.

        Without a balance every weighed amount has its own error and the shares are those of what was weighed: z becomes
        (z + ε) / (1 + Σ ε). With a balance, that component takes up the errors of the others.
        """
        study = self.study
        errors = np.zeros((len(normals), len(study.variables)))
        place = study.variables.index
        for column, (name, sd) in enumerate(self.jitter.items()):
            errors[:, place(name)] = normals[:, column] * sd * self.settings.scale[self.settings.names.index(name)]
        for column, name in enumerate(self.measured, start=len(self.jitter)):
            errors[:, place(name)] = normals[:, column]
        if not self._jitters_mixture:
            return errors, None
        parts = [place(c.name) for c in study.components]
        if study.balance is not None:
            errors[:, place(study.balance)] = -errors[:, parts].sum(axis=1)
            return errors, None
        scale = np.ones_like(errors)
        scale[:, parts] = 1.0 / (1.0 + errors[:, parts].sum(axis=1, keepdims=True))
        return errors, scale

    @property
    def moves(self) -> int:
        """How many settings vary from batch to batch: jittered factors and measured covariates."""
        return len(self.jitter) + len(self.measured)

    def outside(self, setting: pd.DataFrame, draws: int = 4000) -> float:
        """Share of batches that setting error puts outside the region at one setting, a table of one row."""
        normals = np.random.default_rng([self.seed, 9, 1]).standard_normal((draws, self.moves))
        errors, scale = self.setting_errors(normals)
        s = self.settings
        made = s.array(setting) * s.scale + errors[:, s.variables]
        if scale is not None:
            made *= scale[:, s.variables]
        x = made / s.scale
        slack = SLACK * s.width
        inside = np.column_stack(
            [x >= s.low - slack, x <= s.high + slack, x @ s.A.T <= s.b + SLACK * np.abs(s.A) @ s.width]
        )
        return float(1.0 - inside.all(axis=1).mean())

    # ---- draws

    def draw(self, stream: int, draws: int) -> Draws:
        """Folded draws, ready to be counted; held all at once."""
        return self._folded(stream, draws, True)

    def stream(self, stream: int, draws: int) -> Draws | Streamed:
        """The same, in pieces where there are more than are held at once; the first piece is what `draw` gives of its size."""
        if draws <= PIECE:
            return self.draw(stream, draws)
        return Streamed(partial(self._piece, stream), draws)

    def _piece(self, stream: int, number: int, draws: int) -> Draws:
        return self._folded(stream, draws, True, number)

    def unjoined(self, stream: int, draws: int) -> Draws:
        """The same draws with the errors of different responses taken as independent: what their correlation does."""
        return self._folded(stream, draws, False)

    def drawn(self, stream: int, draws: int) -> list[Drawn]:
        """Draws of every response's coefficients, error and limits."""
        return self._drawn(stream, draws)[0]

    def _drawn(self, stream: int, draws: int, piece: int = 0) -> tuple[list[Drawn], Floats | None, float]:
        """Draws of every response; with them the roots of the errors' covariance, where they are joint. The last few are kept."""
        if piece:
            return self._newly_drawn(stream, draws, piece)
        if (stream, draws) not in self._kept:
            while len(self._kept) >= KEPT_DRAWS:
                self._kept.pop(next(iter(self._kept)))
            self._kept[stream, draws] = self._newly_drawn(stream, draws)
        return self._kept[stream, draws]

    def _newly_drawn(self, stream: int, draws: int, piece: int = 0) -> tuple[list[Drawn], Floats | None, float]:
        if self.kind == "joined":
            drawn = self.joined.draw(draws, self._rng(stream, 0, piece))
            return drawn, None, min(d.effective for d in drawn)
        posterior = self.posterior(stream, draws, piece)
        drawn = []
        for j, fit in enumerate(self.fits):
            low, high = (np.full(draws, end) for end in fit.response.fitted_limits())
            spread = np.linalg.norm(posterior.root[:, j], axis=1)
            drawn.append(Drawn(posterior.coefficients[j], spread, low, high, False, posterior.effective))
        return drawn, posterior.root, posterior.effective

    def unfolded(self, stream: int, draws: int, correlated: bool = True, piece: int = 0) -> Raw:
        """Draws before their limits are taken off."""
        drawn, root, effective = self._drawn(stream, draws, piece)
        rng = self._rng(stream, 1, piece)
        shift, scale = (None, None)
        if self.moves:
            shift, scale = self.setting_errors(rng.standard_normal((draws, self.moves)))
        folded = [
            fold(self.basis, powers, d.coefficients, shift, scale)
            for powers, d in zip(self.exponents, drawn, strict=True)
        ]
        normals = rng.standard_normal((draws, len(folded)))
        if root is None:
            errors = self.joined.errors(drawn, normals, correlated)
        elif correlated:
            errors = list(np.einsum("dij,dj->id", root, normals))
        else:
            errors = [d.spread * normals[:, j] for j, d in enumerate(drawn)]
        for c, d, error in zip(folded, drawn, errors, strict=True):
            # a score is one of its classes whatever is judged: a mean class has no meaning, so its own error stays
            if self.noise or d.logistic:
                c[:, 0] += error
        return Raw(folded, drawn, errors, effective)

    def repeats(self, stream: int, draws: int, count: int, used: int) -> Iterator[Draws]:
        """Draws as repeats of the trial would leave them, each a few of the draws there are, moved to another estimate.

        The truth is off the estimate by a draw's deviation from the middle of the posterior, and what a repeat estimates is off the truth by such a
        deviation again; the width of the posterior stays as it is. Responses move together, as they were drawn.
        """
        raw = self.unfolded(stream, draws)
        spread = self._spread(raw.folded)
        plain = [fold(self.basis, powers, d.coefficients) for powers, d in zip(self.exponents, raw.drawn, strict=True)]
        middle = [np.median(c, axis=0) for c in plain]
        ends = [(d.low, d.high) for d in raw.drawn]
        centres = [tuple(np.median(end) for end in pair) for pair in ends]
        share = raw.effective * min(used, draws) / draws
        pairs = np.random.default_rng([self.seed, stream, 2]).integers(0, draws, (count, 2))
        for pair in pairs:
            moved = [c[:used] + (p[pair] - m).sum(axis=0) for c, p, m in zip(raw.folded, plain, middle, strict=True)]
            low, high = (
                [
                    # cut-points of scores are drawn too; other limits are what they are
                    d[k][:used] + ((d[k][pair] - c[k]).sum() if np.isfinite(c[k]) else 0.0)
                    for d, c in zip(ends, centres, strict=True)
                ]
                for k in (0, 1)
            )
            high = [np.maximum(b, a + 1e-9) for a, b in zip(low, high, strict=True)]  # cut-points keep their order
            yield standardised(moved, low, high, spread, share, self.back)

    def _spread(self, folded: list[Floats]) -> Floats:
        """Typical standard deviation of each response's draws at one setting."""
        seen = self.monomials(self._sample[:64])
        return np.array([np.median((seen @ c[:512].T).std(axis=1)) for c in folded])

    def _folded(self, stream: int, draws: int, correlated: bool, piece: int = 0) -> Draws:
        raw = self.unfolded(stream, draws, correlated, piece)
        spread = self._spread(raw.folded)
        low, high = [d.low for d in raw.drawn], [d.high for d in raw.drawn]
        return standardised(raw.folded, low, high, spread, raw.effective, self.back)

    def rates(self, stream: int, draws: int) -> Rates:
        """Draws for conforming rates: coefficients over the well-scaled terms, the errors' covariance and the limits.

        No more than are held at once: a lower bound needs its place among all of them.
        """
        draws = min(draws, PIECE)
        drawn, root, effective = self._drawn(stream, draws)
        coefficients = np.stack(
            [
                self.back @ fold(self.basis, powers, d.coefficients).T
                for powers, d in zip(self.exponents, drawn, strict=True)
            ]
        )
        logistic = np.array([d.logistic for d in drawn])
        if root is None:
            spread = np.stack([np.ones(draws) if d.logistic else d.spread for d in drawn], axis=1)
            factor = spread[:, :, None] * np.linalg.cholesky(self.joined.correlation)
        else:
            factor = np.asarray(np.linalg.cholesky(root @ root.transpose(0, 2, 1)), dtype=np.float64)
        low, high = (np.stack([getattr(d, end) for d in drawn]) for end in ("low", "high"))
        blur = np.stack([d.spread for d in drawn])
        return Rates(coefficients, factor, low, high, logistic, blur, effective)

    def foretell(self, Z: Floats, batches: int, stream: int, draws: int) -> tuple[Floats, NDArray[np.bool_]]:
        """New batches at one setting, made under one and the same truth in every draw.

        Parameters
        ----------
        Z : ndarray, shape (1, m)
            The encoded setting.
        batches : int
            How many, each with its own errors.
        stream, draws : int
            Which draws, and how many.

        Returns
        -------
        values : ndarray, shape (draws, batches, r)
            On the fitted scale; scores where the response is one.
        meets : ndarray of bool, shape (draws, batches, r)
            Whether each meets its own specification.
        """
        drawn, root, _ = self._drawn(stream, draws)
        rng = np.random.default_rng([self.seed, stream, 1])
        r = len(drawn)
        values = np.empty((draws, batches, r))
        meets = np.empty((draws, batches, r), dtype=bool)
        for b in range(batches):
            at = np.broadcast_to(Z, (draws, Z.shape[1]))
            if self.moves:
                errors, scale = self.setting_errors(rng.standard_normal((draws, self.moves)))
                at = (at + errors) if scale is None else (at + errors) * scale
            normals = rng.standard_normal((draws, r))
            own = (
                list(np.einsum("dij,dj->id", root, normals)) if root is not None else self.joined.errors(drawn, normals)
            )
            for j, (fit, d) in enumerate(zip(self.fits, drawn, strict=True)):
                value = np.einsum("dp,dp->d", fit.model.matrix_of(at), d.coefficients) + own[j]
                meets[:, b, j] = (value >= d.low) & (value <= d.high)
                values[:, b, j] = value if d.cuts is None else d.classes(value)
        return values, meets

    # ---- answers

    def chance(self, Z: Floats, draws: Draws | Streamed) -> tuple[Floats, Floats]:
        """Chance of meeting every limit at encoded settings, and its Monte-Carlo error."""
        tally = counted(Z, self.monomials, self.onto, draws)
        return chance_and_error(tally.counts[:, 0], tally)

    def chance_by_response(self, Z: Floats, draws: Draws | Streamed) -> tuple[Floats, Floats]:
        """Chance of each response by itself, and its Monte-Carlo error, both (N, r)."""
        tally = counted(Z, self.monomials, self.onto, draws, each=True)
        return chance_and_error(tally.counts, tally)

    def smooth(
        self, s: Settings, free: Floats, levels: Mapping[str, str], draws: Draws, width: float, slope: bool = True
    ) -> tuple[Floats, Floats]:
        """The smooth stand-in for the chance at settings given by their free axes, and its slope by those axes, (N, f)."""
        Z = s.encoded(s.complete(free), levels)
        value, by_terms = smoothed(self.monomials(Z) @ self.onto, draws, width, slope)
        if not slope:
            return value, by_terms
        by_basis = by_terms @ self.onto.T
        by_axis = np.einsum("nkq,nq->nk", self.monomials.slopes(Z, s.variables), by_basis) * s.scale
        return value, by_axis[:, s.free] + by_axis[:, s.bound] @ s.by

    def terms(self, Z: Floats) -> Floats:
        """The well-scaled terms at encoded settings, as draws and rates hold their coefficients, shape (N, q)."""
        return self.monomials(Z) @ self.onto

    def rule(self, coarse: bool = False) -> tuple[Floats, Floats]:
        """Nodes and weights of the integral behind a conforming rate, setting errors first."""
        return cube_rule(len(self.fits) - 1 + self.moves, coarse)

    def rates_at(self, Z: Floats, rates: Rates, coarse: bool = False) -> Floats:
        """The true conforming rate of every draw at encoded settings, shape (N, D)."""
        nodes, weights = self.rule(coarse)
        inner = nodes[:, self.moves :]
        out = np.empty((len(Z), rates.coefficients.shape[2]))
        terms = None if self.moves else self.terms(Z)
        for i, z in enumerate(Z):
            if terms is not None:
                own = terms[i : i + 1]
            else:
                shift, scale = self.setting_errors(ndtri(nodes[:, : self.moves]))
                own = self.terms((z + shift) if scale is None else (z + shift) * scale)
            out[i] = conforming_rates(own, rates, inner, weights)
        return out

    def claim(self, Z: Floats, rates: Rates, confidence: float, coarse: bool = False) -> tuple[Floats, Floats]:
        """Lower bound of the true conforming rate at encoded settings, and its Monte-Carlo error."""
        value, error = np.empty(len(Z)), np.empty(len(Z))
        for i in range(len(Z)):  # one at a time: the rates of many settings would fill the memory
            found = self.rates_at(Z[i : i + 1], rates, coarse)[0]
            value[i], error[i] = lower_quantile(found, confidence, rates.effective)
        return value, error
