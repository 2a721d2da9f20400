"""The curve of pH over degree of neutralisation: fitted to a titration of one lot, or indicative before there is one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.bench.charges import Charges, balanced_ph
from doe.bench.neutralisation import ACID_RANGE, MOST_DEGREE, Base, base_of, degree_value
from doe.bench.titrated import Titration
from doe.study import Section, Shown, StudyError
from doe.study.factors import as_number
from doe.study.shown import number_text

Floats = NDArray[np.float64]
STEEP = 10.0  # pH for a degree: there 0.01 of degree, a usual error of acid content and weighing, moves a gel's pH by its repeatability, 0.1
USUAL_N = (
    1.0,
    2.5,
)  # of carboxylic polymers, generously (from memory of Katchalsky & Spitnik and of carbomer titrations)
USUAL_SCATTER = 0.1  # pH, repeatability in a gel (common practice, no source)
OUTLYING = 0.05  # of the outlier test, over all readings together
INDICATIVE_PK, INDICATIVE_N = (5.0, 6.0, 6.5), (1.3, 1.6, 2.0)  # least, middle, most (from memory)
INDICATIVE_ACID = 0.041  # mol/L, about 0.30 % of carbomer
WARM = 3.0  # °C away from 25 beyond which the pKa of an amine has moved by about 0.1 (from memory)
INDICATIVE = (
    "Indicative, not measured: pKapp 5.0 to 6.5 and n 1.3 to 2.0 are usual of carbomers (from memory); low and high are the ends of "
    "these ranges, not an interval of any confidence. Titrate the lot before you rely on it."
)
SAME_BEAKER = (
    "The intervals speak of further readings in this dispersion, with this electrode and this calibration: another batch, lot, acid content "
    "or instrument adds to them."
)


@dataclass(frozen=True, repr=False)
class TitrationCurve(Shown):
    """pH against degree of neutralisation.

    Made by `titration_curve` or `indicative_curve`. The pH is that at which the charges balance, with the polymer's share of ionised
    groups α following the extended Henderson–Hasselbalch equation, pH = pKapp + n lg(α / (1 − α)); water and a weak base give and take
    protons too, so α is the degree only in the middle of the curve.

    Attributes
    ----------
    base : Base
        With which the degree is reached.
    pk, n : float
        pKapp, the pH at which half of the groups are ionised, and n.
    content : float or None
        % COOH, dry basis, where it was estimated with them.
    covariance : ndarray, shape (p, p)
        Of pk, n and, where estimated, content.
    scatter : float
        Residual standard deviation, pH.
    degrees_of_freedom : int
        Of the scatter.
    titration : Titration or None
        What it was fitted to; None for an indicative curve.
    acid : float
        COOH groups in the dispersion, mol/L, before base dilutes it.
    indicative : bool
        Whether nothing of it was measured.
    notes : tuple of str
        What to be wary of.
    """

    base: Base
    pk: float
    n: float
    content: float | None
    covariance: Floats
    scatter: float
    degrees_of_freedom: int
    titration: Titration | None
    acid: float
    notes: tuple[str, ...] = ()
    indicative: bool = field(default=False)

    # ---- predictions

    @property
    def parameters(self) -> Floats:
        """pk, n and, where it was estimated, content."""
        return np.array([self.pk, self.n] + ([] if self.content is None else [self.content]))

    @property
    def measured(self) -> tuple[float, float] | None:
        """Degrees between which readings stand; None for an indicative curve."""
        if self.titration is None:
            return None
        degrees = self.titration.degrees(self.content)
        return float(degrees.min()), float(degrees.max())

    @property
    def least_degree(self) -> float:
        """The degree before any of the base that counts is added."""
        if self.titration is None:
            return 0.0
        moles, done = self.titration.acid(self.content)
        return (done + sum(a for _, a in self.titration.earlier)) / moles

    def predicted(self, mixture: Callable[[Floats], Charges], level: float = 0.95) -> pd.DataFrame:
        """PH of any mixtures with these polymers.

        Parameters
        ----------
        mixture : callable
            Parameters (pk, n and content where estimated) to what carries charge in each of m mixtures.
        level : float
            Of the intervals.

        Returns
        -------
        DataFrame
            m rows: ph, low and high (of one further reading), mean_low and mean_high (of the curve itself); of an indicative curve the ends of
            the usual range, twice.
        """
        share = _level(level)

        def ph(theta: Floats) -> Floats:
            return balanced_ph(mixture(theta), float(theta[0]), float(theta[1]))

        middle = ph(self.parameters)
        if self.indicative:
            # pH rises with pKapp and falls or rises with n on either side of it: the ends of the ranges hold the extremes
            ends = np.array([ph(np.array(t)) for t in product(INDICATIVE_PK[::2], INDICATIVE_N[::2])])
            low, high = ends.min(axis=0), ends.max(axis=0)
            columns = {"ph": middle, "low": low, "high": high, "mean_low": low, "mean_high": high}
            return pd.DataFrame(columns)
        from scipy import stats

        gradient = slopes(ph, self.parameters)
        variance = np.maximum(np.einsum("ij,jk,ik->i", gradient, self.covariance, gradient), 0.0)
        t = stats.t.ppf((1 + share) / 2, self.degrees_of_freedom)
        mean, single = t * np.sqrt(variance), t * np.sqrt(variance + self.scatter**2)
        return pd.DataFrame(
            {
                "ph": middle,
                "low": middle - single,
                "high": middle + single,
                "mean_low": middle - mean,
                "mean_high": middle + mean,
            }
        )

    def ph(
        self,
        degree: float | Iterable[float],
        level: float = 0.95,
        base: str | Base | None = None,
        acid: float | None = None,
    ) -> pd.DataFrame:
        """PH expected at a degree of neutralisation.

        Parameters
        ----------
        degree : float or list of float
            Equivalents of base per equivalent of COOH.
        level : float
            Of the prediction interval.
        base : str or Base, optional
            Another base than the one titrated with: pKapp and n are the polymer's and carry over; the base's pKa is then that of the table.
        acid : float, optional
            COOH groups, mol/L, in the finished gel. As titrated where left out, base solution diluting it.

        Returns
        -------
        DataFrame
            One row a degree: degree, ph, low, high (of one further reading; indicative curve: ends of the usual range), steepness (pH for a
            degree), note (extrapolation, steepness, "indicative").

        Raises
        ------
        StudyError
            If an argument cannot be used, or the degree is below what the maker neutralised.

        References
        ----------
        Bates, D. M. and Watts, D. G. (1988). Nonlinear Regression Analysis and Its Applications. Wiley, section 2.3 (from memory).
        """
        degrees = _degrees(degree)
        other = None if base is None else base_of(base)
        concentration = _acid(acid)
        self._reachable(degrees)
        table = self.predicted(self._at(degrees, other, concentration), level)
        out = pd.DataFrame({"degree": degrees, **{c: table[c] for c in ("ph", "low", "high")}})
        out["steepness"] = self._slope(degrees, other, concentration)
        carried = other is not None and other != self.base and not self.indicative
        words = [f"carried over from {self.base.name}"] if carried else []
        out["note"] = [
            "; ".join([*self._warnings(d, s), *words]) for d, s in zip(degrees, out["steepness"], strict=True)
        ]
        return out

    def degree(self, ph: float | Iterable[float], level: float = 0.95) -> pd.DataFrame:
        """Degree of neutralisation at which the curve passes a pH.

        Parameters
        ----------
        ph : float or list of float
            Target.
        level : float
            Of the interval.

        Returns
        -------
        DataFrame
            One row a pH: ph, degree, low, high, steepness, note. low and high: all degrees at which the target lies in the confidence interval
            of the curve (an inverse interval, which need not be symmetric); NaN where the interval has no end between nothing added and degree 3.

        Raises
        ------
        StudyError
            If the curve does not pass the pH between nothing added and degree 3.

        References
        ----------
        Seber, G. A. F. and Wild, C. J. (1989). Nonlinear Regression. Wiley, section 5.4.2 (inverse prediction; from memory).
        """
        targets = np.array([as_number("ph", v, "pH") for v in (ph if isinstance(ph, Iterable) else [ph])])
        least = self.least_degree
        grid = np.unique(np.concatenate([np.linspace(least, min(least + 2, MOST_DEGREE), 401), [MOST_DEGREE]]))
        band = self.predicted(self._at(grid, None, None), level)
        rows = []
        for target in targets:
            found = self._crossing(grid, band["ph"].to_numpy(), "ph", target, level)
            if found is None:
                low, high = float(band["ph"].iloc[0]), float(band["ph"].iloc[-1])
                raise StudyError(
                    "ph",
                    float(target),
                    f"from {low:.2f} (no base added) to {high:.2f} (degree {MOST_DEGREE:g}), which {self.base.name} reaches",
                    "choose a pH between, or a stronger base",
                )
            # the curve rises: the upper end of the band reaches the target first
            low_end = self._crossing(grid, band["mean_high"].to_numpy(), "mean_high", target, level)
            high_end = self._crossing(grid, band["mean_low"].to_numpy(), "mean_low", target, level, last=True)
            steep = float(self._slope(np.array([found]), None, None)[0])
            rows.append(
                (
                    float(target),
                    found,
                    np.nan if low_end is None else low_end,
                    np.nan if high_end is None else high_end,
                    steep,
                    "; ".join(self._warnings(found, steep)),
                )
            )
        return pd.DataFrame(rows, columns=["ph", "degree", "low", "high", "steepness", "note"])

    def steepness(self, degree: float | Iterable[float]) -> pd.DataFrame:
        """How fast the pH rises with the degree.

        Parameters
        ----------
        degree : float or list of float
            Equivalents of base per equivalent of COOH.

        Returns
        -------
        DataFrame
            One row a degree: degree, steepness (pH for a degree), ph_of_one_percent (by how much the pH moves where base or acid content is 1 %
            off), note.

        Raises
        ------
        StudyError
            If a degree cannot be.
        """
        degrees = _degrees(degree)
        self._reachable(degrees)
        slope = self._slope(degrees, None, None)
        notes = ["; ".join(self._warnings(d, s)) for d, s in zip(degrees, slope, strict=True)]
        return pd.DataFrame(
            {"degree": degrees, "steepness": slope, "ph_of_one_percent": 0.01 * degrees * slope, "note": notes}
        )

    # ---- how it is worked out

    def _reachable(self, degrees: Floats) -> None:
        least = self.least_degree
        if degrees.min() < least - 1e-9:
            raise StudyError(
                "degree",
                float(degrees.min()),
                f"{least:.4g} or above, as so much is neutralised before",
                "base cannot be taken out",
            )

    def _at(self, degrees: Floats, base: Base | None, acid: float | None) -> Callable[[Floats], Charges]:
        """Mixtures at these degrees, as a function of the parameters."""
        titration, chosen = self.titration, base or self.base

        def mixture(theta: Floats) -> Charges:
            content = float(theta[2]) if len(theta) > 2 else None
            if titration is not None and acid is None and chosen == self.base:
                moles, done = titration.acid(content)
                added = degrees * moles - done - sum(a for _, a in titration.earlier)
                return titration.mixture(np.maximum(added, 0.0), content)
            # in a finished gel, or with another base: what the maker neutralised stays a strong base's
            done_share = 0.0
            if titration is not None:
                moles, done = titration.acid(content)
                done_share = done / moles
            polymer = np.full(degrees.shape, self.acid if acid is None else acid)
            taken = (degrees - done_share) * polymer
            strong = done_share * polymer
            if chosen.pka is None or chosen.strong:
                return Charges(strong + taken, [], [], polymer)
            return Charges(strong, [(taken, chosen.pka)], [], polymer)

        return mixture

    def _slope(self, degrees: Floats, base: Base | None, acid: float | None) -> Floats:
        theta, step = self.parameters, 1e-5
        least = self.least_degree
        ends = [np.maximum(degrees - step, least), degrees + step]
        low, high = (balanced_ph(self._at(d, base, acid)(theta), self.pk, self.n) for d in ends)
        return np.asarray((high - low) / (ends[1] - ends[0]))

    def _crossing(
        self, grid: Floats, values: Floats, column: str, target: float, level: float, last: bool = False
    ) -> float | None:
        """Where a line of the band passes the target from below, for the first or the last time; None where it does not."""
        from scipy.optimize import brentq

        above = values >= target
        if values[0] == target:
            return float(grid[0])
        ups = np.flatnonzero(above[1:] & ~above[:-1]) + 1
        if (above[0] and not last) or (not above[-1] and last) or not len(ups):
            return None
        at = int(ups[-1 if last else 0])  # the band widens where the curve is steep, so it may cross more than once

        def gap(d: float) -> float:
            return float(self.predicted(self._at(np.array([d]), None, None), level)[column].iloc[0]) - target

        return float(brentq(gap, grid[at - 1], grid[at], xtol=1e-10))

    def _warnings(self, degree: float, steepness: float) -> list[str]:
        """What to mind at a degree, in words."""
        out = ["indicative"] if self.indicative else []
        reach = self.measured
        if reach is not None and not reach[0] - 1e-9 <= degree <= reach[1] + 1e-9:
            out.append(f"extrapolated: readings stand from degree {reach[0]:.3g} to {reach[1]:.3g}")
        if steepness > STEEP:
            out.append(
                f"steep: 0.01 more or less of degree moves the pH by {0.01 * steepness:.2g}; weighing and acid content decide, not the plan"
            )
        return out

    # ---- shown

    def _sections(self) -> list[Section]:
        degrees = np.array([d for d in (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0) if d >= self.least_degree])
        table = self.ph(degrees)
        width = ["low", "high"] if self.indicative else ["95 % low", "95 % high"]
        ahead = pd.DataFrame(
            {
                "degree": [f"{d:g}" for d in degrees],
                "pH": [f"{v:.2f}" for v in table["ph"]],
                width[0]: [f"{v:.2f}" for v in table["low"]],
                width[1]: [f"{v:.2f}" for v in table["high"]],
                "pH per 0.01 of degree": [f"{0.01 * v:.2g}" for v in table["steepness"]],
                "note": [note.partition(":")[0] for note in table["note"]],
            }
        )
        model = "extended Henderson–Hasselbalch equation with charge balance"
        if self.titration is None:
            title = f"Indicative titration curve with {self.base.name}, {number_text(self.acid, digits=3)} mol/L COOH"
            return [Section(title, ahead, INDICATIVE)]
        lot = f" of lot {self.titration.lot}" if self.titration.lot else ""
        errors = np.sqrt(np.diag(self.covariance))
        from scipy import stats

        t = float(stats.t.ppf(0.975, self.degrees_of_freedom))
        names = ["pKapp", "n", "acid content (% COOH, dry)"]
        rows = [
            (name, number_text(v, e), number_text(e, e), number_text(v - t * e, e), number_text(v + t * e, e))
            for name, v, e in zip(names, self.parameters, errors, strict=False)
        ]
        fitted = balanced_ph(self.titration.mixture(self.titration.added, self.content), self.pk, self.n)
        seen = np.asarray(self.titration.ph)
        readings = pd.DataFrame(
            {
                "base (g)": [f"{g:g}" for g in self.titration.grams],
                "degree": [f"{d:.3f}" for d in self.titration.degrees(self.content)],
                "pH read": [f"{v:.2f}" for v in seen],
                "fitted": [f"{v:.2f}" for v in fitted],
                "residual": [f"{v:+.3f}" for v in seen - fitted],
            }
        )
        return [
            Section(
                f"Titration curve{lot} with {self.base.name}, {model}, least squares; {len(seen)} readings, "
                f"{self.degrees_of_freedom} residual df, residual SD {self.scatter:.2g} pH",
                pd.DataFrame(rows, columns=["parameter", "estimate", "std error", "95 % low", "95 % high"]),
                "\n".join(self.notes),
            ),
            Section("Readings", readings),
            Section("Expected pH of one further reading", ahead, SAME_BEAKER),
        ]


def titration_curve(titration: Titration) -> TitrationCurve:
    """Fit the curve of pH over degree of neutralisation to the titration of a lot.

    The pH readings are fitted by least squares; the model is the charge balance with the extended Henderson–Hasselbalch equation for the
    polymer, the base's own pKa, the ion product of water and the dilution by the base solution.

    Parameters
    ----------
    titration : Titration
        The readings, and what was in the beaker.

    Returns
    -------
    TitrationCurve

    Raises
    ------
    StudyError
        If the readings do not tell the parameters apart, or do not look like a titration.

    References
    ----------
    Katchalsky, A. and Spitnik, P. (1947). Potentiometric titrations of polymethacrylic acid. Journal of Polymer Science 2, 432 (the
    equation; from memory). Bates, D. M. and Watts, D. G. (1988). Nonlinear Regression Analysis and Its Applications. Wiley, chapter 2
    (covariance and intervals; from memory).
    """
    if not isinstance(titration, Titration):
        raise StudyError(
            "titration",
            type(titration).__name__,
            "a doe.bench.Titration",
            "make one, or read a sheet with doe.bench.read_titration",
        )
    from scipy.optimize import least_squares

    seen = np.asarray(titration.ph, dtype=float)

    def fitted(theta: Floats) -> Floats:
        content = float(theta[2]) if len(theta) > 2 else None
        return balanced_ph(titration.mixture(titration.added, content), float(theta[0]), float(theta[1]))

    known = titration.content_given
    low, high = [0.0, 0.2], [14.0, 8.0]
    starts = [np.array([5.5, 1.5])] if known else [np.array([5.5, 1.5, c]) for c in (20.0, 45.0, 62.0)]
    if not known:
        low, high = [*low, ACID_RANGE[0]], [*high, ACID_RANGE[1]]
    tries = [
        least_squares(
            lambda theta: fitted(theta) - seen,
            start,
            "3-point",
            bounds=(low, high),
            x_scale="jac",
            xtol=1e-11,
            ftol=1e-11,
            gtol=1e-11,
        )
        for start in starts
    ]
    best = min(tries, key=lambda t: t.cost)
    theta = np.asarray(best.x)
    edge = 1e-3 * (np.array(high) - np.array(low))
    if ((theta < np.array(low) + edge) | (theta > np.array(high) - edge)).any():
        names = ("pKapp", "n", "acid content")
        at = int(np.argmax((theta < np.array(low) + edge) | (theta > np.array(high) - edge)))
        raise StudyError(
            f"titration: fitted {names[at]}",
            float(f"{theta[at]:.3g}"),
            f"between {low[at]:g} and {high[at]:g}",
            "the readings do not follow the titration of a carboxylic polymer: check grams, strength, acid content and base",
        )
    gradient = slopes(fitted, theta)
    residuals = seen - fitted(theta)
    df = len(seen) - len(theta)
    scatter = float(np.sqrt(residuals @ residuals / df))
    q, r = np.linalg.qr(gradient)
    size = np.linalg.norm(gradient, axis=0)
    if (size == 0).any() or np.linalg.cond(gradient / size) > 1e6:
        raise StudyError(
            "titration: readings",
            "at degrees that do not tell the parameters apart",
            "spread over the curve",
            "read after more additions, from degree 0.2 to 0.9 at least",
        )
    inverse = np.linalg.inv(r)
    covariance = scatter**2 * inverse @ inverse.T
    if not known and 2 * np.sqrt(covariance[2, 2]) > 0.1 * theta[2]:
        raise StudyError(
            "titration: acid_content",
            f"left open, and the readings tell it only to ±{200 * np.sqrt(covariance[2, 2]) / theta[2]:.2g} %",
            "told to ±10 % or given",
            "titrate past the steep part of the curve, or give the figure of the certificate",
        )
    notes = _notes(titration, theta, residuals, (q**2).sum(axis=1), scatter, df)
    moles, _ = titration.acid(None if known else float(theta[2]))
    return TitrationCurve(
        titration.of_base,
        float(theta[0]),
        float(theta[1]),
        None if known else float(theta[2]),
        covariance,
        scatter,
        df,
        titration,
        moles / (titration.mass / 1000),
        tuple(notes),
    )


def indicative_curve(base: str | Base = "tromethamine", acid: float = INDICATIVE_ACID) -> TitrationCurve:
    """Give the curve that a carbomer might have, before any titration; it is labelled indicative wherever it is shown.

    Parameters
    ----------
    base : str or Base
        A name of `doe.bench.bases`, or a base with its pKa.
    acid : float
        COOH groups in the gel, mol/L; 0.041 is about 0.30 % of carbomer.

    Returns
    -------
    TitrationCurve
        With pKapp 6.0 and n 1.6, and the ends of their usual ranges (5.0 to 6.5, 1.3 to 2.0, from memory) in place of an interval.

    Raises
    ------
    StudyError
        If an argument cannot be used.
    """
    concentration = _acid(acid)
    assert concentration is not None
    empty = np.zeros((2, 2))
    return TitrationCurve(
        base_of(base), INDICATIVE_PK[1], INDICATIVE_N[1], None, empty, 0.0, 0, None, concentration, (INDICATIVE,), True
    )


def slopes(function: Callable[[Floats], Floats], theta: Floats) -> Floats:
    """Derivatives of m values with respect to p parameters, by central differences; shape (m, p)."""
    columns = []
    for j, value in enumerate(theta):
        step = np.zeros_like(theta)
        step[j] = 1e-5 * max(abs(value), 1.0)  # the pH is exact to 1e-14, so this leaves nine digits
        columns.append((function(theta + step) - function(theta - step)) / (2 * step[j]))
    return np.column_stack(columns)


def _notes(
    titration: Titration, theta: Floats, residuals: Floats, leverage: Floats, scatter: float, df: int
) -> list[str]:
    """What to be wary of in a fitted curve."""
    from scipy import stats

    out = list(titration.held_back)
    if titration.of_base.pka is None:
        out.append(
            f"No pKa of {titration.of_base.name} was given: it is assumed to be held at any pH, which shows beyond its pKa less 1."
        )
    if not USUAL_N[0] <= theta[1] <= USUAL_N[1]:
        out.append(
            f"n is {theta[1]:.2f}, unusual of a carboxylic polymer ({USUAL_N[0]:g} to {USUAL_N[1]:g}): check strength, acid content and what "
            "was neutralised already."
        )
    if scatter > USUAL_SCATTER:
        out.append(
            f"The readings scatter by {scatter:.2g} about the curve, more than pH repeats in a gel ({USUAL_SCATTER:g}, common practice): see "
            "the residuals for a pattern."
        )
    if scatter > 1e-9 and df > 1:
        # externally studentised, each against the readings without it, with Bonferroni's share of the error
        rest = (residuals @ residuals - residuals**2 / (1 - leverage)) / (df - 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = residuals / np.sqrt(rest * (1 - leverage))
        p = 2 * stats.t.sf(np.abs(t), df - 1) * len(residuals)
        for at in map(int, np.flatnonzero(p < OUTLYING)):
            out.append(
                f"The reading at {titration.grams[at]:g} g (pH {titration.ph[at]:.2f}) lies {residuals[at]:+.2f} off the curve, further than "
                "chance allows: read it again, or say why it stands."
            )
    if titration.temperature is not None:
        warm = np.atleast_1d(np.asarray(titration.temperature, dtype=float))
        if np.abs(warm - 25).max() > WARM:
            away = warm[np.argmax(np.abs(warm - 25))]
            out.append(
                f"Read at {away:g} °C; pKa and the ion product of water are those of 25 °C, and that of an amine falls by about 0.03 a degree (from memory)."
            )
    if titration.content_given:
        out.append("The acid content was taken as given: an error of 1 % in it moves every degree by 1 %.")
    else:
        out.append("The acid content was estimated from these readings: compare it with the certificate.")
    return out


def _degrees(degree: float | Iterable[float]) -> Floats:
    given: Sequence[Any] = list(degree) if isinstance(degree, Iterable) and not isinstance(degree, str) else [degree]
    if not given:
        raise StudyError("degree", [], "at least one degree", "give equivalents of base per equivalent of COOH")
    return np.array([degree_value("degree", v) for v in given])


def _level(level: object) -> float:
    value = as_number("level", level, "a share of 1")
    if not 0 < value < 1:
        raise StudyError("level", value, "between 0 and 1", "95 % is 0.95")
    return value


def _acid(acid: object) -> float | None:
    if acid is None:
        return None
    value = as_number("acid", acid, "mol/L of COOH")
    if not 0 < value <= 2:
        raise StudyError("acid", value, "above 0 and at most 2 mol/L", "0.3 % of carbomer is about 0.041 mol/L")
    return value
