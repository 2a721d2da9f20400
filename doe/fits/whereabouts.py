"""How surely the stationary point of a fitted surface is known: its confidence region, and an interval for every factor."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import linalg

from doe.fits.arrays import Floats
from doe.fits.climbing import joint_limit
from doe.study import Section, Shown, StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.fits.canonical import Surface

STEPS = 60
AWAY = 2.0  # coded units: how far off the search for the least over other factors starts again
FAR = 50.0  # coded units: an interval that reaches this far has no end worth telling


@dataclass(frozen=True, repr=False, eq=False)
class Whereabouts(Shown):
    """Where the stationary point may lie; made by `Surface.whereabouts`.

    Attributes
    ----------
    confidence : float
    df : float
        Degrees of freedom behind the gradient's covariance; infinite where that is a posterior's.
    """

    surface: Surface = field(repr=False)
    confidence: float
    df: float
    cov: Floats = field(repr=False)

    def _gradient(self, u: Floats) -> tuple[Floats, Floats]:
        """Rows that give the gradient at u from the coefficients, shape (k, p), and the gradient."""
        s = self.surface
        rows = (s.slopes + 2.0 * s.quadratic.parts @ u).T
        return rows, rows @ s.fit.beta

    def _statistic(self, u: Floats) -> tuple[float, Floats]:
        """The gradient's square over its covariance at u, and its own gradient."""
        rows, delta = self._gradient(u)
        V = rows @ self.cov @ rows.T
        solved = np.linalg.solve(V, delta)
        parts = self.surface.quadratic.parts  # the rows change by 2 parts[:, :, c]' with u[c]
        weighed = solved @ rows @ self.cov
        slope = np.array(
            [
                4.0 * solved @ (parts[:, :, c].T @ self.surface.fit.beta) - 4.0 * solved @ (parts[:, :, c].T @ weighed)
                for c in range(len(u))
            ]
        )
        return float(delta @ solved), slope

    def contains(self, settings: pd.DataFrame) -> NDArray[np.bool_]:
        """Which settings may be the stationary point: the region of Box and Hunter.

        Parameters
        ----------
        settings : DataFrame
            The factors of the surface, natural units; components must add up to their total.

        Returns
        -------
        ndarray of bool, shape (n,)
            Where the gradient is not shown to differ from zero, all its parts together: exact at any size of trial where the noise is
            normal with one variance.

        References
        ----------
        Box, G. E. P. & Hunter, J. S. (1954). A confidence region for the solution of a set of simultaneous equations with an
        application to experimental design. Biometrika 41, 190-199.
        """
        s = self.surface
        if not isinstance(settings, pd.DataFrame):
            raise StudyError(
                "whereabouts: settings",
                type(settings).__name__,
                "a DataFrame",
                "give one row a setting, one column a factor",
            )
        missing = [n for n in s.names if n not in settings.columns]
        if missing:
            raise StudyError(
                "whereabouts: columns",
                list(settings.columns),
                "all factors of the surface",
                f"add {', '.join(missing)}",
            )
        w = (settings[list(s.names)].to_numpy(dtype=float) - s.centre) / s.half
        u = (w - s.origin) @ s.plane
        k = u.shape[1]
        limit = joint_limit(k, self.df, self.confidence)
        near = np.abs(s.origin + u @ s.plane.T - w).max(axis=1) <= 1e-6
        return np.array([ok and self._statistic(v)[0] <= limit for ok, v in zip(near, u, strict=True)], dtype=bool)

    def pair_ratio(self, settings: pd.DataFrame) -> Floats:
        """How plainly the stationary point does not have these values of two factors, whatever the others are.

        Parameters
        ----------
        settings : DataFrame
            Two columns, factors of the surface; natural units.

        Returns
        -------
        ndarray, shape (n,)
            Box and Hunter's statistic at its least over the other factors, over what the noise allows of a pair (2 F on 2 degrees of freedom):
            up to 1 the point may have these values. With two factors in all, 1 is the edge of what `contains` says; with more it is sought from
            several starts, and the best found counts.

        Raises
        ------
        StudyError
            If the columns are not two factors of the surface that move by themselves.

        References
        ----------
        Box & Hunter (1954), as `contains`; the least over the others as `table` takes it.
        """
        s = self.surface
        u0 = s.quadratic.stationary
        assert u0 is not None  # checked where this was made
        names = list(settings.columns) if isinstance(settings, pd.DataFrame) else [type(settings).__name__]
        if len(names) != 2 or not set(names) <= set(s.names):
            raise StudyError(
                "whereabouts: pair",
                ", ".join(map(str, names)),
                "two columns among " + ", ".join(s.names),
                "give one row a setting of the two",
            )
        take = [s.names.index(n) for n in names]
        R = s.plane[take]
        if np.linalg.matrix_rank(R, tol=1e-9) < 2:
            raise StudyError(
                "whereabouts: pair",
                ", ".join(names),
                "two factors that do not settle each other",
                "one follows from the other here: choose another pair",
            )
        w = (settings.to_numpy(dtype=float) - s.centre[take]) / s.half[take]
        start = u0 + (w - s.origin[take] - R @ u0) @ np.linalg.pinv(R).T
        free = linalg.null_space(R)
        # far from the point the statistic may have a second valley
        starts = [start] + [start + side * AWAY * d for d in free.T for side in (-1.0, 1.0)]
        least = np.min([self._least(u, free) for u in starts], axis=0)
        return np.asarray(least / joint_limit(2, self.df, self.confidence))

    def _statistics(self, u: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """The statistic at many points (N, k), and of each V⁻¹δ, V and half the slope of δ as the statistic feels it, (N, k, k)."""
        parts, beta = self.surface.quadratic.parts, self.surface.fit.beta
        rows = self.surface.slopes.T + 2.0 * np.einsum("pab,nb->nap", parts, u)
        weighed = rows @ self.cov
        V = weighed @ np.swapaxes(rows, 1, 2)
        delta = rows @ beta
        solved = np.linalg.solve(V, delta[..., None])[..., 0]
        felt = np.einsum("pac,np->nac", parts, beta - np.einsum("na,nap->np", solved, weighed))
        return (delta * solved).sum(axis=1), solved, V, felt

    def _least(self, u: Floats, free: Floats) -> Floats:
        """The statistic at its least over u + free z, from each of the points u (N, k): Gauss and Newton's steps, as long as they help."""
        value, solved, V, felt = self._statistics(u)
        damp = np.full(len(u), 1e-3)
        for _ in range(STEPS if free.shape[1] else 0):
            J = 2.0 * felt @ free
            slope = np.einsum("nac,na->nc", J, solved)
            H = np.swapaxes(J, 1, 2) @ np.linalg.solve(V, J)
            size = np.einsum("ncc->nc", H)
            H = H + (damp[:, None] * size + 1e-12 * size.max())[:, :, None] * np.eye(free.shape[1])
            moved = u - np.linalg.solve(H, slope[..., None])[..., 0] @ free.T
            found = self._statistics(moved)
            better = found[0] < value
            settled = np.where(better, value - found[0] < 1e-9 * (1.0 + value), damp > 1e6)
            u = np.where(better[:, None], moved, u)
            value = np.where(better, found[0], value)
            solved = np.where(better[:, None], found[1], solved)
            V, felt = (np.where(better[:, None, None], a, b) for a, b in zip(found[2:], (V, felt), strict=True))
            damp = np.where(better, 0.2 * damp, 10.0 * damp)
            if settled.all():
                break
        return value

    @cached_property
    def bounded(self) -> bool:
        """Whether the region ends in every direction: whether curvature is shown along each."""
        from scipy import optimize

        parts, beta = self.surface.quadratic.parts, self.surface.fit.beta
        k = parts.shape[1]

        def size(d: Floats) -> float:
            rows = (parts @ (d / np.linalg.norm(d))).T
            delta = rows @ beta
            # a factor without a term in common with the direction adds nothing, and its row is nought
            return float(delta @ np.linalg.pinv(rows @ self.cov @ rows.T, rcond=1e-10, hermitian=True) @ delta)

        limit = joint_limit(k, self.df, self.confidence)
        starts = [*np.eye(k), *self.surface.quadratic.axes[1].T, *np.random.default_rng(0).standard_normal((8, k))]
        for start in starts:
            if size(start) <= limit or (k > 1 and optimize.minimize(size, start, method="Nelder-Mead").fun <= limit):
                return False
        return True

    @cached_property
    def table(self) -> pd.DataFrame:
        """An interval for each factor by itself.

        Returns
        -------
        DataFrame
            factor, estimate, low, high in natural units: the values that some point with no shown gradient has there, judged one factor
            at a time (F on 1 degree of freedom: the profile of Box and Hunter's statistic). −∞ or ∞ where it has no end.

        References
        ----------
        Box & Hunter (1954), as `contains`. Carter, W. H., Chinchilli, V. M., Myers, R. H. & Campbell, E. D. (1986). Confidence intervals
        and an improved ridge analysis of response surfaces. Technometrics 28(4), 339-346 (from regions of this kind to intervals).
        """
        s = self.surface
        stationary = s.stationary
        assert stationary is not None  # checked where this was made
        rows = []
        for j, name in enumerate(s.names):
            low, high = self._ends(j)
            rows.append((name, float(stationary[name]), low, high))
        return pd.DataFrame(rows, columns=["factor", "estimate", "low", "high"])

    def _ends(self, j: int) -> tuple[float, float]:
        s = self.surface
        row = s.plane[j]
        size = float(row @ row)
        u0 = s.quadratic.stationary
        assert u0 is not None
        at = float(s.origin[j] + row @ u0)
        if size < 1e-12:
            value = float(s.centre[j] + s.half[j] * at)
            return value, value
        free = linalg.null_space(row[None, :])
        limit = joint_limit(1, self.df, self.confidence)
        ends = [
            float(s.centre[j] + s.half[j] * self._end(at, sign, row / size, free, u0, limit)) for sign in (-1.0, 1.0)
        ]
        return min(ends), max(ends)

    def _end(self, at: float, sign: float, row: Floats, free: Floats, u0: Floats, limit: float) -> float:
        """The farthest value of a factor, on one side, at which the least statistic stays below the limit."""
        from scipy import optimize

        y = free.T @ u0

        def point(moved: float, z: Floats) -> Floats:
            return u0 + sign * moved * row + free @ (z - free.T @ u0)

        def least(moved: float, z: Floats) -> tuple[float, Floats]:
            if not free.shape[1]:
                return self._statistic(point(moved, z))[0], z

            def both(v: Floats) -> tuple[float, Floats]:
                value, slope = self._statistic(point(moved, v))
                return value, free.T @ slope

            found = optimize.minimize(both, z, jac=True, method="BFGS", options={"gtol": 1e-6 * max(limit, 1e-6)})
            return float(found.fun), np.asarray(found.x, dtype=float)

        inner, outer, kept = 0.0, 1e-3, y
        while True:
            value, z = least(outer, kept)
            if value > limit:
                break
            inner, kept = outer, z
            outer *= 2.5
            if outer > FAR:
                return sign * float("inf")

        def gap(moved: float) -> float:
            # the statistic grows as a square, so its root is all but straight
            return float(np.sqrt(least(moved, kept)[0]) - np.sqrt(limit))

        end = optimize.brentq(gap, inner, outer, xtol=1e-5 * outer) if gap(inner) < 0.0 < gap(outer) else outer
        return at + sign * float(end)

    def _sections(self) -> list[Section]:
        s = self.surface
        t = self.table
        table = pd.DataFrame(
            {
                "factor": [s.fit.study.factor(n).label for n in t["factor"]],
                "stationary point": [number_text(float(v)) for v in t["estimate"]],
                f"{100 * self.confidence:g} % low": [number_text(float(v)) for v in t["low"]],
                f"{100 * self.confidence:g} % high": [number_text(float(v)) for v in t["high"]],
            }
        )
        lines = ["Each factor by itself: the profile of Box and Hunter's region on 1 degree of freedom."]
        lines.append(
            "All factors together: .contains(settings) says which settings may be the stationary point (Box & Hunter 1954)."
            if self.bounded
            else "All factors together the region has no end: along some direction no curvature is shown, so the trial does not say where "
            "the stationary point lies."
        )
        return [
            Section(
                f"Where the stationary point of {s.fit.response.label} may lie",
                table,
                "\n".join([*lines, *s.fit._selected]) + s._held(),
            )
        ]
