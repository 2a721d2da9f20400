"""The Check: how good a plan is for a model, before anyone weighs anything."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.certifying import Certificate, certify
from doe.designs.plan import Plan
from doe.designs.settable import run_text
from doe.quality import information as arrays
from doe.quality import noncentral, sentences
from doe.quality.beyond import next_order
from doe.quality.effects import Tested, tested_terms
from doe.quality.information import Information
from doe.quality.largest import Largest, largest_variance
from doe.quality.overregion import OverRegion, over_region
from doe.quality.sizes import asked_sizes, inside, spreads
from doe.quality.spread import Noise, as_noise
from doe.quality.strata import Strata
from doe.study import Model, Section, Shown, StudyError
from doe.study.dependence import DEPENDENT, dependent_groups
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.shown import number_text
from doe.study.terms import parse_term, term_text

Floats = NDArray[np.float64]
FAR = 2000  # corners among which the two farthest apart are sought
PLANNED = 0.8  # the power that a page quotes changes for
SAME_SETTING = 1e-9  # coded settings closer than this are one planned setting


@dataclass(frozen=True, repr=False, eq=False)
class Check(Shown):
    """How good a plan is for a model; made by `check`.

    Attributes
    ----------
    plan : Plan
    model : Model
    ratios : (float, float)
        Variance between whole plots, and between random blocks, over the variance within; 0 where there are none.
    random_blocks : bool
        Whether blocks count as random groups, not as fixed contrasts.
    """

    plan: Plan
    model: Model
    ratios: tuple[float, float]
    random_blocks: bool

    # ---- arrays

    @cached_property
    def groups(self) -> list[tuple[str, float, Floats]]:
        """Each kind of random group, its variance ratio and its indicators (n, g): whole plots, random blocks."""
        out = []
        if self.plan.whole_plot is not None:
            out.append(("whole plots", self.ratios[0], arrays.indicators(arrays.groups_of(list(self.plan.whole_plot)))))
        if self.plan.block is not None and self.random_blocks:
            out.append(("blocks", self.ratios[1], arrays.indicators(arrays.groups_of(list(self.plan.block)))))
        return out

    @cached_property
    def information(self) -> Information:
        """The generalised least-squares information behind every figure."""
        n = len(self.plan.runs)
        X = self.model.matrix(self.plan.runs)
        B = np.empty((n, 0))
        if self.plan.block is not None and not self.random_blocks:
            B = arrays.contrasts(arrays.groups_of(list(self.plan.block)))
        V = None
        if self.groups:
            V = np.eye(n)
            for _, ratio, Z in self.groups:
                V = V + ratio * (Z @ Z.T)
        return Information(X, B, V)

    @cached_property
    def _strata(self) -> Strata | None:
        if not self.groups:
            return None
        F = np.hstack([self.information.B, self.information.X])
        G = [np.eye(len(F)), *(Z @ Z.T for _, _, Z in self.groups)]
        return Strata(F, G, np.array([1.0, *(ratio for _, ratio, _ in self.groups)]))

    # ---- how good

    @cached_property
    def efficiency(self) -> pd.Series[float]:
        """D, A and G efficiency in %, by the definitions on the page; D and A depend on the coding to [−1, 1]."""
        n, p = self.information.X.shape
        return pd.Series(
            {
                "D": arrays.d_efficiency(self.information.log_determinant, n, p),
                "A": arrays.a_efficiency(self.information.covariance, n),
                "G": arrays.g_efficiency(self.largest_variance.value, n, p),
            },
            name="efficiency",
        )

    @cached_property
    def largest_variance(self) -> Largest:
        """The largest prediction variance over the region, over σ²: value, bound, setting."""
        return largest_variance(self.model, self.information)

    @cached_property
    def average_variance(self) -> float:
        """Average prediction variance over the region, over σ² (I); exact from the region's moments."""
        moments = self.plan.study.region.moments(self.model)
        return float(np.trace(self.information.covariance @ moments))

    def _certified(self, criterion: str) -> Certificate:
        return certify(self.plan, self.model, criterion, *self.ratios, random_blocks=self.random_blocks)

    @property
    def certificates(self) -> dict[str, Certificate]:
        """By criterion, D and I: how much better any plan could be, batch for batch."""
        return {"D": self._certificate_of_d, "I": self.certificate}

    @cached_property
    def certificate(self) -> Certificate:
        """That of I: how much better any plan could predict, batch for batch; `.kind` is "proved" or "best search found"."""
        return self._certified("I")

    @cached_property
    def _certificate_of_d(self) -> Certificate:
        return self._certified("D")

    @property
    def bound(self) -> pd.Series[float]:
        """D and I efficiency in % of the best possible, at least; NaN where no bound is given."""
        return pd.Series({k: c.bound for k, c in self.certificates.items()}, name="bound")

    def _apart(self, model: Model) -> Floats:
        """Columns of a model with components as L-pseudocomponents: in a narrow range every share looks like a constant."""
        Z = self.plan.study.encode(self.plan.runs)
        parts = [self.plan.study.variables.index(c.name) for c in self.plan.study.components]
        if parts:
            low = dict(zip(self.plan.study.region.names, self.plan.study.region.low, strict=True))
            least = np.array([low[c.name] for c in self.plan.study.components]) / (
                self.plan.study.mixture_total or 100.0
            )
            Z[:, parts] = (Z[:, parts] - least) / (1.0 - least.sum())
        return model.matrix_of(Z)

    @cached_property
    def vif(self) -> pd.Series[float]:
        """Variance inflation by term; NaN for the constant. For a term of several columns the generalised factor, to the power 1/columns.

        Components count as L-pseudocomponents (share less its least, over the room there is), in narrow ranges too.
        """
        values = arrays.inflation(Information(self._apart(self.model), self.information.B), self.model.term_of)
        return pd.Series(values, index=pd.Index(self.model.terms, name="term"), name="vif")

    @cached_property
    def leverage(self) -> pd.Series[float]:
        """Share of each run's own reading in its fitted value, by run."""
        return pd.Series(self.information.leverage, index=self.plan.runs.index, name="leverage")

    @cached_property
    def correlation(self) -> pd.DataFrame:
        """Correlation over the runs between the model's columns; the constant is left out, components count as L-pseudocomponents."""
        keep = [j for j in range(self.model.p) if self.model.exponents[j].any()]
        names = [self.model.columns[j] for j in keep]
        return pd.DataFrame(arrays.column_correlation(self._apart(self.model)[:, keep]), index=names, columns=names)

    @cached_property
    def beyond(self) -> Model:
        """The terms one order beyond the model."""
        return next_order(self.model)

    @cached_property
    def alias(self) -> pd.DataFrame:
        """Bias of each coefficient (row) by one unit of each coefficient left out (column), one order beyond the model."""
        return pd.DataFrame(
            arrays.alias_matrix(self.information, self.beyond.matrix(self.plan.runs)),
            index=list(self.model.columns),
            columns=list(self.beyond.columns),
        )

    @cached_property
    def degrees_of_freedom(self) -> pd.Series[int]:
        """Where the runs go: model, blocks and whole plots where there are any, lack of fit, pure error; they add up to the runs."""
        plan = self.plan
        B = (
            np.empty((len(plan.runs), 0))
            if plan.block is None
            else arrays.contrasts(arrays.groups_of(list(plan.block)))
        )
        whole = None if plan.whole_plot is None else arrays.groups_of(list(plan.whole_plot))
        return pd.Series(
            arrays.degrees_of_freedom(self.information.X, B, planned_settings(plan), whole), name="degrees of freedom"
        )

    # ---- power

    def _test(self, tested: Tested) -> tuple[float, float, Floats]:
        """Denominator degrees of freedom, scale of F, and covariance of the rows over σ²."""
        L = tested.rows
        covariance = L @ self.information.covariance @ L.T
        if self._strata is None:
            n, p = self.information.X.shape
            return float(n - p - self.information.B.shape[1]), 1.0, covariance
        padded = np.hstack([np.zeros((len(L), self.information.B.shape[1])), L])
        m, scale = self._strata.hypothesis(padded)
        return m, scale, covariance

    def _unit_noncentrality(self, tested: Tested, covariance: Floats) -> float:
        """Non-centrality of a change of 1 at σ = 1, where it is hardest to see."""
        return min(noncentrality_of(effect, covariance) for effect in tested.effects)

    def _asked(self, blends: pd.DataFrame | None) -> list[Tested]:
        if blends is not None:
            return [self._between(blends)]
        tests = tested_terms(self.model)
        if not tests:
            raise StudyError(
                "blends",
                None,
                "two rows of settings",
                "a single coefficient of a mixture has no change of its own: give the two blends whose difference is to be seen",
            )
        return tests

    def _between(self, blends: pd.DataFrame) -> Tested:
        table = self.plan.study.frame(blends, where="blends")
        if len(table) != 2:
            raise StudyError(
                "blends", f"{len(table)} rows", "two rows of settings", "give the two whose difference is to be seen"
            )
        f = self.model.matrix(table)
        row = f[1] - f[0]
        if np.abs(row).max() <= DEPENDENT:
            raise StudyError(
                "blends", "two rows that the model predicts alike", "two different settings", "move one of the two"
            )
        return Tested(f"{table.index[0]} → {table.index[1]}", row[None, :], np.ones((1, 1)))

    def power(
        self,
        sigma: float | Noise,
        change: float | Mapping[str, float] | None = None,
        ratio: float | Mapping[str, float] | None = None,
        alpha: float = 0.05,
        blends: pd.DataFrame | None = None,
    ) -> pd.DataFrame:
        """Chance that a change worth seeing is seen.

        Parameters
        ----------
        sigma : float or Noise
            Standard deviation between batches made anew at one setting, on the fitted scale; in a split plot that between sub-plots,
            whole plots having √variance_ratio times as much. A Noise with a band or an upper limit adds a column for each.
        change : float or mapping term -> float
            On the fitted scale: from a factor's low to its high, from one level to another, from centre to edge for a square.
        ratio : float or mapping, instead of `change`
            For a log response: 1.5 for "× 1.5".
        alpha : float
            Chance of a false alarm.
        blends : DataFrame of two rows, optional
            Asks instead for the difference between two settings: blends of a mixture, or any two.

        Returns
        -------
        DataFrame
            Columns term, change (ratio), df (of the noise, Kenward–Roger where runs share groups), power; with a band
            `power_low_noise` and `power_high_noise`, with an upper limit `power_at_upper_limit`. Power is NaN where df is 0.

        Raises
        ------
        StudyError
            If sigma is not above 0, a change is 0, a term is not in the model, or alpha is not inside (0, 1).

        References
        ----------
        Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from restricted maximum likelihood.
        Biometrics 53(3), 983-997.
        """
        noise, a = as_noise(sigma), inside("alpha", alpha)
        kind, sizes = asked_sizes(change, ratio)
        tests = self._asked(blends)
        if isinstance(sizes, Mapping):
            if blends is not None:
                raise StudyError(
                    kind, dict(sizes), "one number where blends are given", "give the difference between the two rows"
                )
            tests, wanted = self._chosen(tests, sizes, kind)
        else:
            wanted = [sizes] * len(tests)
        rows = []
        for tested, size in zip(tests, wanted, strict=True):
            df, scale, covariance = self._test(tested)
            unit = self._unit_noncentrality(tested, covariance)
            effect = float(np.log(size)) if kind == "ratio" else size
            row: dict[str, Any] = {"term": tested.name, kind: size, "df": df}
            for name, s in spreads(noise).items():
                row[name] = noncentral.f_power(unit * (effect / s) ** 2, len(tested.rows), df, a, scale)
            rows.append(row)
        return pd.DataFrame(rows)

    def _chosen(self, tests: list[Tested], sizes: Mapping[str, float], kind: str) -> tuple[list[Tested], list[float]]:
        by_name = {t.name: t for t in tests}
        out, wanted = [], []
        for text, size in sizes.items():
            name = term_text(parse_term(text, self.plan.study.names))
            if name not in by_name:
                if name in self.model.terms:
                    raise StudyError(
                        f"{kind}: term",
                        text,
                        "a term with a change of its own",
                        "compare two settings by blends= instead",
                    )
                raise StudyError(f"{kind}: term", text, "a term of the model", nearest(name, by_name))
            out.append(by_name[name])
            wanted.append(size)
        return out, wanted

    def detectable(
        self, sigma: float | Noise, power: float = PLANNED, alpha: float = 0.05, blends: pd.DataFrame | None = None
    ) -> pd.DataFrame:
        """The smallest change seen with a given power; the inverse of `power`.

        Parameters
        ----------
        sigma, alpha, blends
            As for `power`.
        power : float
            Above alpha and below 1.

        Returns
        -------
        DataFrame
            Columns term, df, change (on the fitted scale; NaN where df is 0), and ratio where sigma is that of a log response; with a
            band or an upper limit the same with `_low_noise` and `_high_noise`, or `_at_upper_limit`.
        """
        noise, a, wanted = as_noise(sigma), inside("alpha", alpha), inside("power", power)
        if wanted <= a:
            raise StudyError("power", wanted, f"above alpha ({a:g})", "0.8 is usual")
        rows = []
        for tested in self._asked(blends):
            df, scale, covariance = self._test(tested)
            unit = self._unit_noncentrality(tested, covariance)
            needed = noncentral.noncentrality_for(wanted, len(tested.rows), df, a, scale)
            row: dict[str, Any] = {"term": tested.name, "df": df}
            for name, s in spreads(noise).items():
                value = s * float(np.sqrt(needed / unit))
                row[name.replace("power", "change")] = value
                if noise.log:
                    row[name.replace("power", "ratio")] = float(np.exp(value))
            rows.append(row)
        return pd.DataFrame(rows)

    @cached_property
    def _seen(self) -> pd.DataFrame:
        """Smallest changes seen in units of σ: of every term with a change of its own and, in a mixture, between its corners farthest apart."""
        parts = [self.detectable(1.0)] if tested_terms(self.model) else []
        if self.plan.study.components:
            parts.append(self.detectable(1.0, blends=self._far_blends))
        return pd.concat(parts, ignore_index=True)

    @property
    def _far_blends(self) -> pd.DataFrame:
        """The two blends farthest apart among the region's corners, at one setting of the other factors."""
        study = self.plan.study
        names = [c.name for c in study.components]
        corners = study.region.vertices().iloc[:FAR]
        shares = corners[names].to_numpy(dtype=float)
        at = divmod(int(((shares[:, None] - shares[None]) ** 2).sum(axis=2).argmax()), len(shares))
        two = corners.iloc[sorted(at)].reset_index(drop=True)
        for f in study.factors:
            if f.name not in names:
                two[f.name] = two[f.name].iloc[0]
        labels = [
            " + ".join(
                f"{number_text(float(v), digits=3)} {c.unit} {c.name}"
                for c, v in zip(study.components, row, strict=True)
                if v
            )
            for row in two[names].to_numpy(dtype=float)
        ]
        return two.set_axis(labels, axis=0)

    # ---- precision

    def variance(self, df: pd.DataFrame) -> pd.Series[float]:
        """Variance of the predicted mean over σ², at each row of a table of settings (natural units)."""
        values = self.information.variance(self.model.matrix(df))
        return pd.Series(values, index=df.index, name="variance")

    def variance_over_region(self, points: int = 10_000, seed: int = 0) -> OverRegion:
        """How the prediction variance is distributed over the region.

        Parameters
        ----------
        points : int
            Settings drawn uniformly from the region.
        seed : int

        Returns
        -------
        OverRegion
            Average (exact), maximum (with its bound), quantiles and the fraction-of-design-space curve.
        """
        return over_region(self, points, seed)

    # ---- in words

    @property
    def _named_from(self) -> float:
        """Correlation from which a pair is named. The terms of a mixture run together whatever the plan: only what is one is named."""
        return sentences.SAME if self.plan.study.components else sentences.MIXED

    @cached_property
    def _pairs(self) -> tuple[list[tuple[str, str, float]], list[tuple[str, str, float]], list[str]]:
        """Correlated pairs inside the model, pairs with terms one order beyond it, and such terms that never vary over the runs."""
        keep = [j for j in range(self.model.p) if self.model.exponents[j].any()]
        X2 = self._apart(self.beyond)
        least = self._named_from
        within = np.abs(np.nan_to_num(np.tril(self.correlation.to_numpy(), -1)))
        both = arrays.column_correlation(np.hstack([self._apart(self.model)[:, keep], X2]))
        across = np.abs(np.nan_to_num(both[: len(keep), len(keep) :]))
        names, later = [self.model.columns[j] for j in keep], self.beyond.columns
        inside = [
            (names[i], names[j], float(self.correlation.iloc[i, j]))
            for i, j in zip(*np.nonzero(within >= least), strict=True)
            if self.model.term_of[keep[i]] != self.model.term_of[keep[j]]
        ]
        outside = [
            (names[i], later[j], float(both[i, len(keep) + j]))
            for i, j in zip(*np.nonzero(across >= least), strict=True)
        ]
        still = (
            [later[j] for j in np.flatnonzero(np.isnan(np.diag(both)[len(keep) :]))] if self.model.has_constant else []
        )
        return inside, outside, still

    @cached_property
    def verdicts(self) -> dict[str, list[str]]:
        """Plain sentences by the question that they answer."""
        inside, outside, still = self._pairs
        largest = self.largest_variance
        return {
            "What can't be told apart?": [
                *sentences.separation(inside, "in the model", self._named_from),
                *sentences.separation(outside, "in the model with a term one order beyond it", self._named_from),
                *sentences.unseen(still),
                *([] if self.plan.study.components else sentences.inflated(self.vif)),
            ],
            "What change would I see?": [
                *sentences.changes(self._seen, PLANNED),
                *(
                    ["Other blends are compared by power(sigma, change, blends=two rows)."]
                    if self.plan.study.components
                    else []
                ),
            ],
            "How precise, and where?": [
                *sentences.precision(
                    self.average_variance, largest.value, run_text(self.plan.study, largest.setting), largest.kind
                ),
                *(c.text for c in self.certificates.values()),
            ],
            "What is left for checking?": [
                *sentences.what_is_left(self.degrees_of_freedom, self.leverage),
                *self._conditions(),
            ],
        }

    def _conditions(self) -> list[str]:
        hard = self.plan.study.hard_to_change
        if hard and self.plan.whole_plot is None:
            names = sentences.listed(list(hard))
            return [
                f"{names} is hard to change and the plan has no whole plots: all this holds only if it is set anew for every batch."
            ]
        if self.groups:
            told = [f"between {what} as {number_text(ratio)} times that within" for what, ratio, _ in self.groups]
            return [f"All figures take the variance {sentences.listed(told)}."]
        return []

    def _sections(self) -> list[Section]:
        words = self.verdicts
        n, p = self.information.X.shape
        titles = list(words)
        vif = self.vif.dropna()
        told = pd.DataFrame({"term": list(vif.index), "variance inflation": [number_text(v, digits=3) for v in vif]})
        table = self._seen
        seen = pd.DataFrame(
            {
                "what": table["term"],
                "df of the noise": [number_text(v, digits=3) for v in table["df"]],
                f"smallest change seen ({100 * PLANNED:.0f} % power, in σ)": [
                    number_text(v, digits=3) for v in table["change"]
                ],
            }
        )
        largest = self.largest_variance
        rows = [
            ("average variance of prediction / σ²", number_text(self.average_variance)),
            ("largest", number_text(largest.value) + f" ({largest.kind})"),
            *(
                (f"{k} efficiency, %", number_text(v, digits=3))
                for k, v in self.efficiency.items()
                if k == "G" or not self.plan.study.components
            ),
            *(
                (f"{k} efficiency against the best possible, %, at least", number_text(v, digits=3))
                for k, v in self.bound.dropna().items()
            ),
        ]
        precise = pd.DataFrame(rows, columns=["figure", "value"])
        left = pd.DataFrame(
            {
                "source": list(self.degrees_of_freedom.index),
                "degrees of freedom": [str(v) for v in self.degrees_of_freedom],
            }
        )
        about = (
            f"{n} runs, {p} coefficients ({self.model.name})"
            + (
                ""
                if self.plan.block is None
                else f", {self.plan.block.nunique()} {'random' if self.random_blocks else 'fixed'} blocks"
            )
            + ("" if self.plan.whole_plot is None else f", {self.plan.whole_plot.nunique()} whole plots")
        )
        coding = "D and A efficiency depend on the coding of the factors to [−1, 1]; G and the variances do not."
        if self.plan.study.components:
            coding = "D and A efficiency depend on the unit of the shares and stand in .efficiency; G and the variances do not."
        tables = [told, seen, precise, left]
        notes = ["\n".join(words[t]) for t in titles]
        if self.plan.study.components:
            notes[0] += (
                "\nShares add up to a total, so read inflation against other plans of this region, not against 1."
            )
        notes[2] += "\n" + coding
        return [
            Section(f"Check of a plan for {self.plan.study.name}: {about}"),
            *(Section(t, table, note) for t, table, note in zip(titles, tables, notes, strict=True)),
        ]


def check(
    plan: Plan,
    model: Model | str | list[str] | None = None,
    variance_ratio: float | tuple[float, float] | None = None,
    block_effects: str | None = None,
) -> Check:
    """How good a plan is for a model, before anyone weighs anything.

    Parameters
    ----------
    plan : Plan
    model : Model or as for `Study.model`, optional
        The plan's own if left out.
    variance_ratio : float or (float, float), optional
        Variance between whole plots (and between random blocks) over the variance within; the plan's own where it holds one, else 1.
    block_effects : "fixed" or "random", optional
        The plan's own where it says, else fixed.

    Returns
    -------
    Check

    Raises
    ------
    StudyError
        If there is no model, the plan cannot estimate it (the terms that cannot be told apart are named), or a ratio is given where
        no runs share a group.

    References
    ----------
    Goos, P. & Jones, B. (2011). Optimal design of experiments: a case study approach, ch. 4-10. Wiley.
    """
    if not isinstance(plan, Plan):
        raise StudyError(
            "plan", type(plan).__name__, "a Plan", "make one with doe.designs, or from a table with Plan.from_frame"
        )
    wanted = plan.model if model is None else model
    if wanted is None:
        raise StudyError("model", None, "given for a plan that holds none", 'write check(plan, "quadratic")')
    chosen = plan.study.planned_model(wanted)
    arguments = plan.provenance.get("arguments", {})
    effects = block_effects if block_effects is not None else arguments.get("block_effects", "fixed")
    if effects not in ("fixed", "random"):
        raise StudyError("block_effects", effects, '"fixed" or "random"', "fixed is usual for a few named blocks")
    if block_effects is not None and plan.block is None:
        raise StudyError("block_effects", block_effects, "left out for a plan without blocks", "leave it out")
    grouped = plan.whole_plot is not None or (plan.block is not None and effects == "random")
    if variance_ratio is not None and not grouped:
        raise StudyError(
            "variance_ratio",
            variance_ratio,
            "left out where no runs share a whole plot or a random block",
            "leave it out",
        )
    ratios = (0.0, 0.0)
    if grouped:
        given = variance_ratio if variance_ratio is not None else arguments.get("variance_ratio", 1.0)
        both = list(given) if isinstance(given, list | tuple) else [given, given]
        if len(both) != 2:
            raise StudyError("variance_ratio", given, "one number, or two (whole plots, blocks)", "give one of the two")
        whole, block = (as_number("variance_ratio", r) for r in both)
        if min(whole, block) < 0:
            raise StudyError(
                "variance_ratio", min(whole, block), "0 or above", "give the variance between groups over that within"
            )
        ratios = (
            whole if plan.whole_plot is not None else 0.0,
            block if effects == "random" and plan.block is not None else 0.0,
        )
    made = Check(plan, chosen, ratios, effects == "random" and plan.block is not None)
    _require_estimable(made)
    return made


def _require_estimable(made: Check) -> None:
    info = made.information
    if info.estimable:
        return
    n, p = info.X.shape
    columns = [*(f"block {j + 1}" for j in range(info.B.shape[1])), *made.model.columns]
    groups = dependent_groups(np.hstack([info.B, info.X]))
    told = []
    for group in groups[:3]:
        *others, last = [sentences.spoken(columns[j]) for j in group]
        told.append(f"{last} cannot be told from {sentences.listed(others)}" if others else f"{last} never varies")
    more = f", and {len(groups) - 3} more" if len(groups) > 3 else ""
    raise StudyError(
        "plan",
        f"{n} runs for a model of {p} coefficients",
        "able to tell the model's terms apart",
        "; ".join(told) + f"{more}; add runs at other settings or take terms out",
    )


def planned_settings(plan: Plan) -> NDArray[np.int64]:
    """Which planned setting each run has, as whole numbers, shape (n,)."""
    Z = plan.study.encode(plan.runs)
    return arrays.groups_of([tuple(row) for row in np.round(Z / (100 * SAME_SETTING)).astype(np.int64).tolist()])


def noncentrality_of(effect: Floats, covariance: Floats) -> float:
    """Non-centrality of an effect at σ = 1."""
    return noncentral.noncentrality(effect, covariance, 1.0)
