"""Which factors drive a response: their shares of its variation over the region with intervals, their effects, and a paragraph in words."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.fits.arrays import Floats
from doe.fits.shapley import UnevenError
from doe.fits.sobol import MOST, Variation, variation_of
from doe.fits.tracing import centre_of, line_through, ratio_text, rows_of
from doe.fits.verdicts import listed
from doe.study import Categorical, Component, Section, Shown, StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.fits.result import Fit

DRAWS = 4_000
LEVEL = 0.95
SHOWN, NOT_SHOWN, UNKNOWN = "shown to matter", "not shown to matter", "cannot be judged"
SLIGHT = 0.05  # a share below this is called slight: common practice, no source


@dataclass(frozen=True)
class Quantity:
    """A quadratic form in the coefficients with its limits.

    Attributes
    ----------
    estimate : float
        With the noise of the coefficients taken off: no less than 0.
    low, high : float
        NaN where nothing judges the noise.
    """

    estimate: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Noise:
    """Draws of the errors of the coefficients, from their posterior law.

    Attributes
    ----------
    beta : ndarray, shape (p,)
    cov : ndarray, shape (p, p)
    normal : ndarray, shape (draws, p)
        Errors on infinitely many degrees of freedom.
    uniform : ndarray, shape (draws,)
        Where in its law each draw's size stands.
    known : bool
        Whether anything judges the noise.
    """

    fit: Fit
    beta: Floats
    cov: Floats
    normal: Floats
    uniform: Floats

    known: bool

    @classmethod
    def of(cls, fit: Fit, draws: int, seed: int) -> Noise:
        """The draws of a fit: each with its opposite, so that they are symmetric."""
        cov, normal, uniform = fit._error_draws(draws // 2, seed)
        return cls(
            fit,
            fit.beta,
            cov,
            np.vstack([normal, -normal]),
            np.concatenate([uniform, uniform]),
            bool(fit._judged),
        )

    def bias(self, form: Floats) -> float:
        """By how much the noise of the coefficients lifts the form on average."""
        return float((form * self.cov).sum())

    def degrees(self, form: Floats) -> float:
        """Degrees of freedom behind that lift: of the directions the form looks along, weighted by their part in it."""
        values, vectors = np.linalg.eigh(0.5 * (form + form.T))
        keep = values > 1e-9 * max(float(values[-1]), 1e-300)
        rows = vectors[:, keep].T
        weight = values[keep] * np.einsum("ij,jk,ik->i", rows, self.cov, rows)
        df = self.fit._degrees(rows)
        if not weight.sum() > 0:
            return float(df.max(initial=float(self.fit.df_residual)))
        share = float((weight / df).sum())
        return float(weight.sum()) / share if share > 0 else float("inf")

    def limits(self, form: Floats, level: float = LEVEL) -> Quantity:
        """The form β'Φβ with the noise taken off, and its limits.

        A true form as large as c² times the estimated one would show at least the estimated one with the chance H(c) =
        P((cβ̂ + e)'Φ(cβ̂ + e) ≥ β̂'Φβ̂), e the errors drawn; the limits are where H is half of what is left of the level, on either side.
        Along one direction this is the coefficient's own t interval, squared. The lower end is 0 just where the noise alone would show at
        least the estimated form more often than that half.

        References
        ----------
        Steiger, J. H. & Fouladi, R. T. (1997). Noncentrality interval estimation and the evaluation of statistical models. In What if
        there were no significance tests?, 221-257. Erlbaum (limits of a square by the chance of what was seen).
        """
        from scipy import special

        found = float(self.beta @ form @ self.beta)
        estimate = max(found - self.bias(form), 0.0)
        if not self.known:
            return Quantity(max(found, 0.0), float("nan"), float("nan"))
        if found <= 0.0 or not np.any(form):
            return Quantity(0.0, 0.0, 0.0)
        df = self.degrees(form)
        size = np.sqrt(df / special.chdtri(df, self.uniform)) if np.isfinite(df) else np.ones_like(self.uniform)
        errors = self.normal * size[:, None]
        own = np.einsum("ij,jk,ik->i", errors, form, errors, optimize=True)
        cross = errors @ (form @ self.beta)

        def chance(c: float) -> float:
            return float((c * c * found + 2.0 * c * cross + own >= found).mean())

        tail = 0.5 * (1.0 - level)
        low, high = (found * self._root(chance, q) ** 2 for q in (tail, 1.0 - tail))
        # readings that happen to lie closer to a flat surface than noise allows must not make the upper end 0: no less than the posterior's
        posterior = float(np.quantile(found + 2.0 * cross + own, 1.0 - tail)) - self.bias(form)
        high = max(high, posterior)
        return Quantity(min(max(estimate, low), max(high, low)), low, high)

    @staticmethod
    def _root(chance: Any, wanted: float) -> float:
        if chance(0.0) >= wanted:
            return 0.0
        upper = 1.0
        while chance(upper) < wanted and upper < 1e6:
            upper *= 2.0
        lower = 0.0
        for _ in range(50):
            middle = 0.5 * (lower + upper)
            lower, upper = (lower, middle) if chance(middle) >= wanted else (middle, upper)
        return upper


def share_of(part: Quantity, rest: Quantity) -> Quantity:
    """The share part / (part + rest) with its limits, from those of the two.

    The limits of the ratio come from those of both on the logarithmic scale.

    References
    ----------
    Zou, G. Y. & Donner, A. (2008). Construction of confidence limits about effect measures: a general approach. Statistics in Medicine
    27(10), 1693-1702.
    """
    whole = part.estimate + rest.estimate
    if np.isnan(part.low) or np.isnan(rest.low):
        return Quantity(part.estimate / whole if whole > 0 else 0.0, float("nan"), float("nan"))
    if whole <= 0.0:
        return Quantity(0.0, 0.0, 1.0 if part.high > 0 else 0.0)
    share = part.estimate / whole

    def away(end: float, middle: float) -> float:
        if middle <= 0.0 or end <= 0.0:
            return 0.0 if end == middle else float("inf")
        return float(np.log(end / middle))

    def moved(sign: float, one: float, other: float) -> float:
        gap = sign * float(np.hypot(away(one, part.estimate), away(other, rest.estimate)))
        ratio = part.estimate / rest.estimate if rest.estimate > 0 else float("inf")
        if np.isinf(gap):
            return 0.0 if sign < 0 else 1.0
        shifted = ratio * float(np.exp(gap))
        return shifted / (1.0 + shifted) if np.isfinite(shifted) else 1.0

    low = 0.0 if part.low <= 0.0 else moved(-1.0, part.low, rest.high)
    high = moved(1.0, part.high, rest.low)
    if part.estimate <= 0.0:
        high = part.high / (part.high + rest.estimate)
    elif rest.low <= 0.0:
        high = 1.0
    if rest.estimate <= 0.0 and part.low > 0.0:
        low = part.low / (part.low + rest.high)
    return Quantity(share, min(low, share), max(high, share))


@dataclass(frozen=True, repr=False, eq=False)
class Drivers(Shown):
    """Factors ranked by how much of a response's variation over the region they account for; made by `Fit.drivers`.

    Attributes
    ----------
    measure : str
        "total" where every factor varies whatever the others are: the total Sobol' index, what a factor accounts for alone and
        together with others. "shapley" where constraints or a mixture tie factors together.
    """

    fit: Fit = field(repr=False)
    variation: Variation = field(repr=False)
    noise: Noise = field(repr=False)

    @property
    def measure(self) -> str:
        """Which share ranks the factors."""
        return "total" if self.variation.independent else "shapley"

    @cached_property
    def _forms(self) -> Floats:
        """What each factor accounts for, shape (batches, factors, p, p)."""
        v = self.variation
        return v.total_order[None] if v.independent else v.shapley

    @cached_property
    def whole(self) -> Quantity:
        """Variance of the surface over the region, fitted scale, with the noise of the coefficients taken off."""
        return self.noise.limits(self.variation.total)

    @cached_property
    def table(self) -> pd.DataFrame:
        """The factors from the largest share down.

        Returns
        -------
        DataFrame
            factor, share, low, high (95 %, from 0 to 1; NaN without residual degrees of freedom), verdict, mc_error (of the share, where
            the region leaves a part that had to be estimated; 0 elsewhere); and on product regions alone, alone_low, alone_high: the
            first-order index.
        """
        v, total = self.variation, self.variation.total
        forms = self._forms.mean(axis=0)
        rows = []
        for i, name in enumerate(v.names):
            share = self._share(forms[i], total)
            row: dict[str, Any] = {"factor": name, "share": share.estimate, "low": share.low, "high": share.high}
            row["verdict"] = UNKNOWN if np.isnan(share.low) else SHOWN if share.low > 0.0 else NOT_SHOWN
            row["mc_error"] = self._mc_errors[i]
            if v.independent:
                alone = self._share(v.first_order[i], total)
                row |= {"alone": min(alone.estimate, share.estimate), "alone_low": alone.low, "alone_high": alone.high}
            rows.append(row)
        out = pd.DataFrame(rows)
        return out.sort_values("share", ascending=False, kind="stable").reset_index(drop=True)

    def _share(self, form: Floats, total: Floats) -> Quantity:
        return share_of(self.noise.limits(form), self.noise.limits(total - form))

    @cached_property
    def _mc_errors(self) -> Floats:
        """Standard error of each share from the random points, the coefficients as estimated."""
        forms = self._forms
        whole = float(self.noise.beta @ self.variation.total @ self.noise.beta)
        if len(forms) == 1 or whole <= 0:
            return np.zeros(forms.shape[1])
        shares = np.einsum("bfpq,p,q->bf", forms, self.noise.beta, self.noise.beta) / whole
        return np.asarray(shares.std(axis=0, ddof=1) / np.sqrt(len(forms)))

    @cached_property
    def effects(self) -> pd.DataFrame:
        """What each factor changes over its range, the others in the middle of the region.

        Returns
        -------
        DataFrame
            factor, effect ("20 to 60 %", "bend", or a level against the average), estimate, std_error, df, t, p, low, high (95 %) on the
            fitted scale, in the order of `table`. A component moves along Cox's direction from its least to its most; a bend is the
            average of both ends less the middle.
        """
        fit, study = self.fit, self.fit.study
        used = {name for term in fit.model.parsed for name, _ in term}
        start = centre_of(study)
        labels: list[tuple[str, str]] = []
        rows: list[Floats] = []
        for name in self.table["factor"]:
            f = study.factor(name)
            if isinstance(f, Categorical):
                base = start.to_frame().T
                X = np.vstack([rows_of(fit, base, {name: level}) for level in f.levels])
                for level, row in zip(f.levels, X - X.mean(axis=0), strict=True):
                    labels.append((name, f"{level} against the average"))
                    rows.append(row)
                continue
            line = line_through(study, name, start)
            if not line.long or not (name in used or isinstance(f, Component)):
                continue
            ends = np.array([line.low, 0.5 * (line.low + line.high), line.high])
            X = rows_of(fit, line.settings(ends), {})
            labels.append((name, f"{number_text(line.low)} to {number_text(line.high)} {f.unit}".rstrip()))
            rows.append(X[2] - X[0])
            bend = 0.5 * (X[0] + X[2]) - X[1]
            if np.abs(bend).max() > 1e-9 * max(float(np.abs(X).max()), 1e-300):
                labels.append((name, "bend"))
                rows.append(bend)
        out = fit.contrasts(np.array(rows).reshape(len(rows), fit.model.p))
        out.insert(0, "factor", [a for a, _ in labels])
        out.insert(1, "effect", [b for _, b in labels])
        return out

    # ---- in words

    @property
    def words(self) -> str:
        """Which factors drive the response, and how sure that is."""
        fit, t = self.fit, self.table
        name = fit.response.name
        if not self.noise.known:
            first = t.iloc[0]
            return (
                f"{first['factor']} has the largest share of the variation of {name}, {_percent(first['share'])}, but nothing is left "
                "to judge the noise by: no share can be told from chance."
            )
        shown = t[t["verdict"] == SHOWN]
        quiet = t.loc[t["verdict"] == NOT_SHOWN, "factor"].tolist()
        if not len(shown):
            return " ".join(
                [
                    f"No factor's share is shown: every interval includes 0, so {name} may not vary over the region.",
                    *self._own(),
                ]
            )
        first = shown.iloc[0]
        said = [
            f"Over the region studied {first['factor']} drives {name} most: it accounts for {_percent(first['share'])} of its variation "
            f"({_range(first)})."
        ]
        rest = [f"{r['factor']} with {_percent(r['share'])} ({_range(r)})" for _, r in shown.iloc[1:].iterrows()]
        if rest:
            said.append(f"Then {'come' if len(rest) > 1 else 'comes'} {listed(rest)}.")
        borrowed = self._borrowed(shown["factor"].tolist())
        slight = [n for n in shown.loc[shown["high"] < SLIGHT, "factor"] if n not in borrowed]
        if slight:
            said.append(f"{listed(slight)} {'matter' if len(slight) > 1 else 'matters'} but slightly.")
        if borrowed:
            said.append(
                f"Of {listed(borrowed)} no own effect is shown: {'such shares come' if len(borrowed) > 1 else 'that share comes'} from "
                "moving with the others."
            )
        close = [
            f"{a['factor']} and {b['factor']}"
            for (_, a), (_, b) in zip(shown.iloc[:-1].iterrows(), shown.iloc[1:].iterrows(), strict=True)
            if b["high"] > a["low"] and b["share"] > 0.5 * a["share"]
        ]
        if close:
            said.append(f"Which weighs more is not sure of {'; of '.join(close)}: their intervals overlap.")
        if quiet:
            said.append(f"Not shown to matter (the interval includes 0): {listed(quiet)}.")
            said += self._own()
        if self.measure == "total":
            together = t[(t["share"] - t["alone"] > 0.1) & (t["verdict"] == SHOWN)]
            if len(together):
                said.append(
                    f"Much of what {listed(together['factor'].tolist())} {'do' if len(together) > 1 else 'does'} hangs on the other "
                    "factors' settings (share less share alone): see the interactions."
                )
        return " ".join(said)

    def _borrowed(self, names: list[str]) -> list[str]:
        """Factors tied to others of which no effect of their own over their range is shown."""
        tied = {n for part in self.variation.parts if len(part.names) > 1 for n in part.names}
        e = self.effects
        clear = set(e.loc[(e["low"] > 0) | (e["high"] < 0), "factor"])
        return [n for n in names if n in tied and n not in clear]

    def _own(self) -> list[str]:
        """Factors whose share is not shown, yet whose own effect over their range is."""
        t, e = self.table, self.effects
        quiet = set(t.loc[t["verdict"] == NOT_SHOWN, "factor"])
        clear = e[e["factor"].isin(quiet) & ((e["low"] > 0) | (e["high"] < 0))]
        names = list(dict.fromkeys(clear["factor"]))
        if not names:
            return []
        if len(names) == 1:
            return [f"Yet by its own effect over its range, judged by itself, {names[0]} moves it: see below."]
        return [
            f"Yet by their own effects over their ranges, each judged by itself, {listed(names)} move it: see below."
        ]

    def _sections(self) -> list[Section]:
        fit, t = self.fit, self.table
        study = fit.study
        label = "share (total)" if self.measure == "total" else "share (Shapley)"
        table = pd.DataFrame({"factor": [study.factor(n).label for n in t["factor"]], label: map(_percent, t["share"])})
        if self.noise.known:
            table["95 % low"] = [_percent(v) for v in t["low"]]
            table["95 % high"] = [_percent(v) for v in t["high"]]
        if self.measure == "total":
            table["alone (first order)"] = [_percent(v) for v in t["alone"]]
            if self.noise.known:
                table["low"] = [_percent(v) for v in t["alone_low"]]
                table["high"] = [_percent(v) for v in t["alone_high"]]
        table["verdict"] = t["verdict"]
        name = f"{fit.model.name} model"
        if fit.model.name == "of listed terms":
            name = f"a model of {len(fit.model.terms)} terms"
        title = f"What drives {fit.response.label}, by {name} over the region studied"
        sections = [Section(title, table, "\n".join([self.words, *self._notes()]))]
        sections.append(Section("What each factor changes over its range", self._effect_table(), self._effect_note()))
        return sections

    def _notes(self) -> list[str]:
        fit = self.fit
        spread = number_text(float(np.sqrt(self.whole.estimate)), digits=3)
        if fit.response.scale is not None:
            scale, noise, what = f" on the scale of {fit._contrast_label}", "", "fitted logit"
        else:
            scale = (
                f" on the scale of {fit.response.fitted_label}"
                if fit.response.transform
                else f" {fit.response.unit}".rstrip()
            )
            noise = f"; {fit.alike} differ by {number_text(fit.sigma, digits=3)}" if self.noise.known else ""
            what = "fitted mean"
        out = [f"Shares of the variation of the {what} over the region (standard deviation {spread}{scale}{noise})."]
        if self.measure == "total":
            out.append(
                "Share: alone and together with others (total Sobol' index), so shares can add up to more than 100 %; alone: first-order "
                "index."
            )
        else:
            error = float(self._mc_errors.max())
            exact = (
                f"Monte-Carlo error of a share at most {100 * error:.1g} points."
                if error > 0
                else "No Monte-Carlo error."
            )
            out.append(
                "Constraints or the mixture tie factors together: Shapley effects share out what they account for only together, and add "
                f"up to 100 %. A factor that moves with one that matters gets a part of its share: see its own effect below. {exact}"
            )
        if self.noise.known:
            most = "at most one trial" if fit.response.scale is not None else "one trial"
            out.append("The noise of the coefficients is taken off.")
            if fit.choice is None:
                out[-1] += f" A factor that does nothing has an interval that leaves 0 out in {most} of 40."
        if fit.response.scale is not None:
            out.append(
                "The prior pulls steep slopes in. The same change of the logit moves the chance of a score little where that chance is near 0 "
                "or 1: ask chance() what it means at a setting."
            )
        if fit.study.covariate_names:
            out.append(f"Covariates ({listed(fit.study.covariate_names)}) are no factors: held at their means.")
        missing = [f.name for f in fit.study.factors if f.name not in self.variation.names]
        if missing:
            out.append(f"Not in the model, so without a share: {listed(missing)}.")
        if fit.choice is not None:
            out.append(
                "The terms were chosen from these same readings: the intervals are too narrow, and factors that do nothing are shown to matter "
                "far more often than one in 40 times."
            )
        return out

    def _effect_table(self) -> pd.DataFrame:
        e, log = self.effects, self.fit.response.transform == "log"

        def text(column: str) -> list[str]:
            cells = zip(e[column], e["std_error"], e["estimate"], strict=True)
            return [
                "" if np.isnan(v) else ratio_text(v, s, m) if log else number_text(float(v), float(s))
                for v, s, m in cells
            ]

        out = pd.DataFrame({"factor": e["factor"], "over": e["effect"], "change": text("estimate")})
        if self.noise.known:
            out["95 % low"], out["95 % high"] = text("low"), text("high")
        return out

    def _effect_note(self) -> str:
        fit = self.fit
        on = (
            "Changes are factors of the response"
            if fit.response.transform == "log"
            else f"Changes of {fit._contrast_label}"
        )
        moved = "; components move along Cox's direction" if fit.study.components else ""
        return (
            f"{on}, the others in the middle of the region{moved}. A bend is the average of both ends less the middle."
        )


def _percent(share: float) -> str:
    if np.isnan(share):
        return ""
    value = 100.0 * float(share)
    if 0.0 < value < 0.1:
        return "<0.1 %"
    return f"{value:.1f} %" if 0.0 < value < 10.0 else f"{value:.0f} %"


def _range(row: Any) -> str:
    return f"95 %: {_percent(row['low'])} to {_percent(row['high'])}"


def drivers_of(fit: Fit, draws: int, seed: int) -> Drivers:
    """The work of `Fit.drivers`."""
    for where, value, least in (("drivers: draws", draws, 200), ("drivers: seed", seed, 0)):
        if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < least:
            raise StudyError(where, value, f"a whole number from {least}", "correct it")
    factors = set(fit.study.names)
    if not any(name in factors for term in fit.model.parsed for name, _ in term):
        raise StudyError(
            "drivers: model",
            ", ".join(fit.model.terms),
            "one with a factor in it",
            "fit a model with the factors studied",
        )
    v = variation_of(fit.study, fit.model, int(seed))
    if not v.independent and len(v.names) > MOST:
        raise StudyError(
            "drivers: factors",
            len(v.names),
            f"at most {MOST} where constraints or a mixture tie some together",
            "leave factors out of the model with fit.reduced(), or study fewer at a time",
        )
    try:
        made = Drivers(fit, v, Noise.of(fit, int(draws), int(seed)))
        made._forms  # noqa: B018  worked out here, where a refusal can be told
    except UnevenError as problem:
        raise StudyError(
            "drivers: region",
            "of slices of different dimension at some levels of a discrete factor",
            "one in which every combination of levels leaves the others as much freedom",
            "make that factor Continuous with a step, or loosen the constraint that pins it",
        ) from problem
    return made
