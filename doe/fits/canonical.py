"""The shape of a second-order surface: stationary point, principal directions, ridge analysis, path of steepest ascent.

Distances are in coded units: a numeric factor from −1 to +1, and a component likewise over its own low and high, along the
plane on which the components add up to their total.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import linalg

from doe.fits.arrays import Floats
from doe.fits.climbing import Cone, best_within, cone
from doe.fits.tables import Noted
from doe.fits.verdicts import listed
from doe.study import Categorical, Component, Continuous, Discrete, Section, Shown, StudyError
from doe.study.constraints import parse_constraint
from doe.study.errors import nearest
from doe.study.polytope import Polytope
from doe.study.shown import chance_text, number_text

if TYPE_CHECKING:
    from doe.fits.result import Fit
    from doe.fits.whereabouts import Whereabouts

LEVEL = 0.95
FLAT = 1e-9  # an eigenvalue or slope below this share of the largest is none
GOALS = ("high", "low")
BOUNDS = ("region", "limits")


@dataclass(frozen=True)
class Quadratic:
    """b0 + b'u + u'Bu, with the part each of p coefficients has in it: B = Σ β_j parts[j]."""

    b0: float
    b: Floats
    B: Floats
    parts: Floats

    @cached_property
    def axes(self) -> tuple[Floats, Floats]:
        """Eigenvalues from the largest down, and their vectors as columns."""
        values, vectors = np.linalg.eigh(self.B)
        vectors = vectors[:, ::-1]
        # a sign that does not hang on the arithmetic: the largest entry is positive
        top = vectors[np.abs(vectors).argmax(axis=0), np.arange(vectors.shape[1])]
        return values[::-1], vectors * np.where(top < 0, -1.0, 1.0)

    @cached_property
    def flat(self) -> NDArray[np.bool_]:
        """Which principal directions have no curvature."""
        values, _ = self.axes
        scale = max(float(np.abs(values).max()), float(np.abs(self.b).max()), 1e-300)
        return np.asarray(np.abs(values) <= FLAT * scale)

    @cached_property
    def stationary(self) -> Floats | None:
        """Where the gradient is zero (the nearest such point to the centre); None where it never is."""
        values, vectors = self.axes
        slopes = vectors.T @ self.b
        scale = max(float(np.abs(slopes).max()), 1e-300)
        if self.flat.all() or (np.abs(slopes[self.flat]) > FLAT * scale).any():
            return None
        curved = ~self.flat
        return np.asarray(vectors[:, curved] @ (-0.5 * slopes[curved] / values[curved]))

    @property
    def kind(self) -> str:
        """What kind of point the stationary point is, or why there is none."""
        values = self.axes[0][~self.flat]
        if not len(values):
            return "plane"
        if self.stationary is None:
            return "rising ridge"
        if self.flat.any():
            return "stationary ridge"
        if (values < 0).all():
            return "maximum"
        return "minimum" if (values > 0).all() else "saddle"

    def highest_at(self, radius: float, sign: float = 1.0) -> Floats:
        """The highest point (sign 1) or the lowest (−1) at a distance from the centre.

        References
        ----------
        Draper, N. R. (1963). "Ridge analysis" of response surfaces. Technometrics 5(4), 469-479.
        """
        from scipy import optimize

        values, vectors = self.axes
        lam, c = sign * values, sign * (vectors.T @ self.b)
        if radius == 0.0:
            return np.zeros(len(lam))
        top = float(lam.max())
        scale = max(float(np.abs(lam).max()), float(np.abs(c).max()), 1e-300)
        leading = lam >= top - FLAT * scale

        def point(mu: float) -> Floats:
            return 0.5 * c / (mu - lam)

        if np.abs(c[leading]).max() <= FLAT * scale:
            # the gradient has no part along the steepest curvature: beyond a distance the path turns into it
            rest = np.zeros(len(lam))
            rest[~leading] = 0.5 * c[~leading] / (top - lam[~leading])
            left = radius**2 - float(rest @ rest)
            if left >= 0.0:
                rest[int(np.flatnonzero(leading)[0])] = np.sqrt(left)
                return np.asarray(vectors @ rest)
        # with μ this far above the largest eigenvalue the point is no farther out, and no nearer, than the radius asks
        lower = max(top + float(np.abs(c[leading]).max()) / (2.0 * radius), top + 1e-15 * scale)
        upper = top + float(np.linalg.norm(c)) / (2.0 * radius) + 1e-9 * scale

        def gap(mu: float) -> float:
            return 1.0 / float(np.linalg.norm(point(mu))) - 1.0 / radius

        mu = lower if gap(lower) >= 0.0 else float(optimize.brentq(gap, lower, upper, xtol=1e-14 * scale))
        u = point(mu)
        return np.asarray(vectors @ (u * radius / float(np.linalg.norm(u))))


class SurfacePath(Noted):
    """Settings along a way over a surface, with what the fit foretells there; made by `Surface.ridge` and `Surface.ascent`.

    Attributes
    ----------
    surface : Surface
    goal : str
        "high" or "low".
    """

    _metadata: ClassVar[list[str]] = ["note", "surface", "goal"]
    surface: Surface
    goal: str


@dataclass(frozen=True, repr=False, eq=False)
class Surface(Shown):
    """The shape of a fitted second-order surface; made by `Fit.surface`.

    Attributes
    ----------
    kind : str
        "maximum", "minimum", "saddle", "stationary ridge", "rising ridge" (curved, yet climbing without end) or "plane".
    at : dict
        Levels at which categorical factors are held; the others stand at their average.
    """

    fit: Fit = field(repr=False)
    at: dict[str, str]
    names: tuple[str, ...]
    quadratic: Quadratic = field(repr=False)
    centre: Floats = field(repr=False)
    half: Floats = field(repr=False)
    origin: Floats = field(repr=False)
    plane: Floats = field(repr=False)
    slopes: Floats = field(repr=False)  # (p, k): the part each coefficient has in the slope at the centre

    # ---- where

    def _natural(self, u: Floats) -> Floats:
        """Points along the plane (rows) in natural units."""
        return self.centre + self.half * (self.origin + np.atleast_2d(u) @ self.plane.T)

    def _settings(self, u: Floats) -> pd.DataFrame:
        return pd.DataFrame(self._natural(u), columns=list(self.names))

    def _full(self, settings: pd.DataFrame) -> pd.DataFrame:
        """Settings with every factor of the study: those the model leaves out at their middle."""
        out = pd.DataFrame(index=settings.index)
        for f in self.fit.study.factors:
            if f.name in settings.columns:
                out[f.name] = settings[f.name]
            elif isinstance(f, Categorical):
                out[f.name] = self.at.get(f.name, f.levels[0])
            else:
                out[f.name] = (f.low + f.high) / 2.0
        return out

    def _inside(self, settings: pd.DataFrame) -> NDArray[np.bool_]:
        full = self._full(settings)
        for f in self.fit.study.factors:
            if isinstance(f, Discrete):  # between two levels of a discrete factor is not outside
                levels, values = np.array(f.levels), full[f.name].to_numpy(dtype=float)
                nearest_level = levels[np.abs(values[:, None] - levels).argmin(axis=1)]
                full[f.name] = np.where((values >= f.low) & (values <= f.high), nearest_level, values)
        return self.fit.study.region.contains(full)

    def _table(self, settings: pd.DataFrame) -> pd.DataFrame:
        """Settings with what the fit foretells there and whether they lie inside the region."""
        Z = encoded(self.fit, settings, self.at)
        X = self.fit.model.matrix_of(Z)
        out = pd.concat([settings, self.fit._foretell(X, LEVEL, "mean").set_index(settings.index)], axis=1)
        for score, chance in self.fit._reached(X).items():
            out[f"P(>= {score})"] = chance["estimate"].to_numpy()
        return out.assign(inside=self._inside(settings))

    @property
    def kind(self) -> str:
        """What kind of point the stationary point is, or why there is none."""
        return self.quadratic.kind

    @cached_property
    def stationary(self) -> pd.Series[float] | None:
        """The stationary point in natural units, by factor; None where the surface has none."""
        u = self.quadratic.stationary
        return None if u is None else pd.Series(self._natural(u)[0], index=list(self.names), name="stationary point")

    @cached_property
    def stationary_coded(self) -> pd.Series[float] | None:
        """The stationary point in coded units, by factor (components over their own low and high)."""
        u = self.quadratic.stationary
        return None if u is None else pd.Series(self.origin + self.plane @ u, index=list(self.names), name="coded")

    @cached_property
    def prediction(self) -> pd.DataFrame | None:
        """What the fit foretells at the stationary point: one row, the factors, estimate, std_error, low, high, inside.

        Of scores the estimate is the mean score, and "P(>= s)" says for every score s but the lowest how likely one new batch reaches it.
        """
        u = self.quadratic.stationary
        return None if u is None else self._table(self._settings(u))

    @cached_property
    def chances(self) -> pd.DataFrame | None:
        """Of scores: the chance that one new batch made at the stationary point scores so much or more.

        Returns
        -------
        DataFrame or None
            at_least, estimate (posterior mean), std_error, low, high (95 % credible); None of what is measured, and where there is no point.
        """
        u = self.quadratic.stationary
        if u is None or self.fit.response.scale is None:
            return None
        Z = encoded(self.fit, self._settings(u), self.at)
        found = self.fit._reached(self.fit.model.matrix_of(Z))
        out = pd.concat(found.values(), ignore_index=True)
        out.insert(0, "at_least", list(found))
        return out

    @property
    def inside(self) -> bool | None:
        """Whether the stationary point lies inside the region studied; None where there is none."""
        return None if self.prediction is None else bool(self.prediction["inside"].iloc[0])

    @property
    def eigenvalues(self) -> Floats:
        """Curvature along each principal direction, from the largest down, fitted scale per squared coded unit."""
        return self.quadratic.axes[0]

    @cached_property
    def vectors(self) -> pd.DataFrame:
        """Principal directions in coded units: one row a factor, one column an eigenvalue, in the same order."""
        V = self.plane @ self.quadratic.axes[1]
        return pd.DataFrame(V, index=pd.Index(self.names, name="factor"), columns=range(1, V.shape[1] + 1))

    @cached_property
    def curvature(self) -> pd.DataFrame:
        """Eigenvalues with their standard errors and 95 % intervals: axis, eigenvalue, std_error, low, high.

        References
        ----------
        Bisgaard, S. & Ankenman, B. (1996). Standard errors for the eigenvalues in second-order response surface models.
        Technometrics 38(3), 238-246: the errors of the squares in a model refitted along the axes, which are these.
        """
        V = self.quadratic.axes[1]
        rows = np.array([[v @ part @ v for part in self.quadratic.parts] for v in V.T])
        low, high = self.fit._limits(rows, LEVEL)
        return pd.DataFrame(
            {
                "axis": range(1, len(rows) + 1),
                "eigenvalue": self.eigenvalues,
                "std_error": self.fit._errors(rows),
                "low": low,
                "high": high,
            }
        )

    # ---- how surely

    def whereabouts(self, confidence: float = 0.95) -> Whereabouts:
        """Where the stationary point may lie, as far as the noise lets one say.

        Parameters
        ----------
        confidence : float
            Between 0 and 1.

        Returns
        -------
        Whereabouts
            The confidence region of Box & Hunter (1954), and an interval for each factor.

        Raises
        ------
        StudyError
            If the surface has no one stationary point, or nothing judges the noise.
        """
        from doe.fits.whereabouts import Whereabouts

        level = _checked_level(confidence)
        if self.quadratic.stationary is None or self.quadratic.flat.any():
            raise StudyError(
                "whereabouts: surface",
                f"a {self.kind}",
                "one with a single stationary point",
                "follow ridge(radii) instead",
            )
        self._need_noise("whereabouts")
        rows = (self.slopes + 2.0 * self.quadratic.parts @ self.quadratic.stationary).T
        return Whereabouts(self, level, self._joint_degrees(rows), self.fit._covariance)

    def direction(self, confidence: float = 0.95) -> Noted:
        """The slope at the centre, and which directions may be the steepest.

        Parameters
        ----------
        confidence : float
            Between 0 and 1.

        Returns
        -------
        DataFrame
            factor, estimate, std_error, low, high: the slope a coded unit along each factor (a component along the plane on which the
            components add up), fitted scale. The `note` says which share of all directions is ruled out.

        Raises
        ------
        StudyError
            If nothing judges the noise.

        References
        ----------
        Box, G. E. P. & Draper, N. R. (1987). Empirical Model-Building and Response Surfaces, section 6.4. Wiley.
        """
        level = _checked_level(confidence)
        self._need_noise("direction")
        L = self.plane @ self.slopes.T
        low, high = self.fit._limits(L, level)
        table = pd.DataFrame(
            {
                "factor": list(self.names),
                "estimate": L @ self.fit.beta,
                "std_error": self.fit._errors(L),
                "low": low,
                "high": high,
            }
        )
        return Noted.made(
            table,
            "\n".join(
                [
                    f"Slope of {self.fit._contrast_label} at the centre.{self._held()}",
                    self._cone_words(level),
                    *self.fit._selected,
                ]
            ),
        )

    def cone(self, confidence: float = 0.95) -> Cone:
        """Directions that may be the steepest: see `direction`."""
        self._need_noise("cone")
        cov = self.slopes.T @ self.fit._covariance @ self.slopes
        return cone(self.quadratic.b, cov, self._joint_degrees(self.slopes.T), _checked_level(confidence))

    def _cone_words(self, level: float) -> str:
        if len(self.quadratic.b) == 1:
            return "One direction alone: up or down."
        found = self.cone(level)
        if not found.excluded:
            return f"No slope is shown ({100 * level:g} %): any direction may be the steepest, and the path is a guess."
        share = 100.0 * found.excluded
        text = f"{share:.1f}" if share < 99.9 else "More than 99.9"
        return (
            f"{text} % of all directions are ruled out as the steepest (confidence cone, {100 * level:g} %; as a round cone: within "
            f"{found.angle:.0f}° of this one)."
        )

    def _need_noise(self, what: str) -> None:
        if not self.fit._judged:
            raise StudyError(
                f"{what}: residual degrees of freedom",
                0,
                "1 or more",
                "leave terms out of the model, or make more batches",
            )
        if self.fit.solution.exact_to_rounding:
            raise StudyError(
                f"{what}: noise",
                "rounding alone",
                "that of a trial",
                "the readings lie on the model to the last digit: check them",
            )
        if not self._sloped:
            raise StudyError(
                f"{what}: terms",
                ", ".join(self.fit.model.terms),
                "a model with the first power of every factor that moves",
                "add the parents of its terms",
            )

    @cached_property
    def _sloped(self) -> bool:
        """Whether the model leaves the slope free in every direction."""
        return int(np.linalg.matrix_rank(self.slopes)) == self.slopes.shape[1]

    def _joint_degrees(self, L: Floats) -> float:
        """Degrees of freedom for several combinations of coefficients together: the fewest of any of them."""
        return float(self.fit._degrees(L).min())

    # ---- ways

    def _bounds(self, within: str) -> tuple[Floats, Floats]:
        """G u <= h: what keeps a point inside the region studied, or inside the limits and constraints."""
        study = self.fit.study
        names = list(self.names)
        rows: list[Floats] = []
        bounds: list[float] = []
        for j, name in enumerate(names):
            f: Any = study.factor(name)
            low, high = self._reach(f) if within == "limits" else (f.low, f.high)
            for sign, bound in ((1.0, high), (-1.0, low)):
                if np.isfinite(bound):
                    row = np.zeros(len(names))
                    row[j] = sign
                    rows.append(row)
                    bounds.append(sign * bound)
        others = self._full(pd.DataFrame([dict(zip(names, self.centre, strict=True))]))
        numeric = [f.name for f in study.factors if not isinstance(f, Categorical)]
        for text in study.constraints:
            for c in parse_constraint(text, numeric, {}, "study: constraint"):
                row, bound = np.zeros(len(names)), c.bound
                for name, value in c.coefficients:
                    if name in names:
                        row[names.index(name)] += value
                    else:
                        bound -= value * float(others[name].iloc[0])
                if c.sense != "==" and row.any():
                    sign = -1.0 if c.sense == ">=" else 1.0
                    rows.append(sign * row)
                    bounds.append(sign * bound)
        A, b = np.array(rows).reshape(len(rows), len(names)), np.array(bounds)
        return (A * self.half) @ self.plane, b - A @ (self.centre + self.half * self.origin)

    def _corners(self, G: Floats, h: Floats) -> Floats:
        """Corners of the bounds, up to 64 of them, where they close a shape off."""
        from scipy import optimize

        k = G.shape[1]
        size = np.linalg.norm(G, axis=1)
        G, h = G[size > 1e-12] / size[size > 1e-12, None], h[size > 1e-12] / size[size > 1e-12]
        if (
            len(G) <= k
            or k > 6
            or optimize.linprog(np.zeros(len(G)), A_eq=G.T, b_eq=np.zeros(k), bounds=(1, None)).status
        ):
            return np.empty((0, k))  # unbounded: no positive weights balance the rows
        made = Polytope.of(G, h, np.empty((0, k)), np.empty(0))
        if made is None:
            return np.empty((0, k))
        corners = made.vertices
        return corners[np.argsort(-np.linalg.norm(corners, axis=1), kind="stable")[:64]]

    def _reach(self, f: Any) -> tuple[float, float]:
        """What a factor may never pass, on either side."""
        if isinstance(f, Continuous):
            return tuple(v if v is not None else b for v, b in zip(f.limits, (-np.inf, np.inf), strict=True))  # type: ignore[return-value]
        if isinstance(f, Discrete):
            return float(f.low), float(f.high)
        return 0.0, float(self.fit.study.mixture_total or 100.0)

    def ridge(self, radii: Iterable[float], goal: str = "high", within: str | None = None) -> SurfacePath:
        """The best point at each distance from the centre.

        Parameters
        ----------
        radii : iterable of float
            Distances from the centre of the region, coded units, 0 or above.
        goal : "high" or "low"
        within : "region" or "limits", optional
            Only points inside the region studied, or inside the factors' limits, the amounts of a mixture and the constraints. If left
            out, points go where they go, and `inside` says which lie in the region.

        Returns
        -------
        DataFrame
            radius, the factors in natural units, estimate, std_error, low, high (95 % for the mean), inside; of scores also "P(>= s)".
            Distances at which nothing keeps within the bounds are left out, and the `note` says so. `doe.plots.surface_path` draws it.

        Raises
        ------
        StudyError
            If a radius, the goal or the bounds cannot be used.

        References
        ----------
        Hoerl, A. E. (1959). Chemical Engineering Progress 55(11), 69-78. Draper, N. R. (1963). Technometrics 5(4), 469-479.
        """
        sign = _sign(goal)
        if within is not None and within not in BOUNDS:
            raise StudyError("ridge: within", within, '"region" or "limits"', "or leave it out for no bounds")
        if isinstance(radii, str) or not isinstance(radii, Iterable):
            raise StudyError("ridge: radii", radii, "a list of distances", "write [0, 0.5, 1]")
        sizes = [_distance("ridge: radius", r, least=0.0) for r in radii]
        if not sizes:
            raise StudyError("ridge: radii", [], "at least one distance", "write [0, 0.5, 1]")
        free = [self.quadratic.highest_at(r, sign) for r in sizes]
        points: list[Floats | None] = list(free)
        note = f"{'Highest' if sign > 0 else 'Lowest'} {self.fit.response.name} at each distance"
        if within is None:
            note += "." + self._held()
        else:
            G, h = self._bounds(within)
            q, corners = self.quadratic, self._corners(G, h)
            found: list[Floats | None] = []
            for r, u in zip(sizes, free, strict=True):
                before = [v for v in found[-1:] if v is not None]
                near = np.array([*corners, *before]).reshape(-1, len(q.b))
                found.append(best_within(q.b, q.B, r, G, h, u, sign, near))
            points = found
            where = "region studied" if within == "region" else "limits and constraints"
            note += f" inside the {where} (many starts: the best found)." + self._held()
        kept = [i for i, u in enumerate(points) if u is not None]
        if not kept:
            raise StudyError(
                "ridge: radii", sizes, f"distances at which something lies inside the {within}", "give shorter ones"
            )
        if len(kept) < len(sizes):
            gone = listed([f"{sizes[i]:g}" for i in range(len(sizes)) if i not in kept])
            note += f"\nNothing lies inside at distance {gone}: left out."
        u = np.array([points[i] for i in kept], dtype=float)
        table = self._table(self._settings(u))
        table.insert(0, "radius", [sizes[i] for i in kept])
        return self._path(table.rename_axis(None), [note], goal)

    def ascent(self, step: float | Mapping[str, float], goal: str = "high", steps: int = 10) -> SurfacePath:
        """Settings along the path of steepest ascent (or descent) from the centre.

        Parameters
        ----------
        step : float or mapping of one factor -> float
            Length of a step in coded units, or the change of one factor in its own unit that makes a step.
        goal : "high" or "low"
        steps : int
            How many steps; fewer come where a factor's limits, the amounts of a mixture or a constraint would be crossed.

        Returns
        -------
        DataFrame
            step, the factors in natural units, estimate, std_error, low, high (95 % for the mean), inside; of scores also "P(>= s)".
            The `note` says where the path ends and why. `doe.plots.surface_path` draws it.

        Raises
        ------
        StudyError
            If an argument cannot be used, or the surface has no slope at its centre.

        References
        ----------
        Box, G. E. P. & Wilson, K. B. (1951). On the experimental attainment of optimum conditions. J. R. Stat. Soc. B 13, 1-45.
        """
        sign = _sign(goal)
        if isinstance(steps, bool) or not isinstance(steps, int) or steps < 1:
            raise StudyError("ascent: steps", steps, "a whole number from 1", "say how many steps to list")
        slope = self.quadratic.b
        size = float(np.linalg.norm(slope))
        if size <= FLAT * max(float(np.abs(self.fit.beta).max()), 1e-300):
            raise StudyError(
                "ascent: slope at the centre", 0.0, "different from 0", "use ridge(radii), which follows the curvature"
            )
        direction = sign * slope / size
        length = self._step_length(step, direction)
        u = np.outer(np.arange(steps + 1) * length, direction)
        settings = self._settings(u)
        stop, why = self._crossing(settings)
        settings = settings.iloc[:stop]
        table = self._table(settings)
        table.insert(0, "step", np.arange(stop))
        lines = [
            f"Steepest {'ascent' if sign > 0 else 'descent'} of {self.fit.response.name} from the centre."
            + self._held()
        ]
        if why:
            lines.append(f"It ends there: one step more, and {why}.")
        if self.fit._judged and self._sloped and not self.fit.solution.exact_to_rounding:
            lines.append(self._cone_words(0.95))
        if not self.quadratic.flat.all():
            lines.append(
                "The surface is curved, so the straight path is the steepest only at its start: see ridge(radii)."
            )
        if not table["inside"].all():
            lines.append("Settings with inside False lie beyond the region studied: make them one at a time and look.")
        return self._path(table, lines, goal)

    def _path(self, table: pd.DataFrame, lines: list[str], goal: str) -> SurfacePath:
        of_scores = (
            ["estimate is the mean score; P(>= s) is the chance that one new batch scores s or more."]
            if self.fit.response.scale is not None
            else []
        )
        out = SurfacePath(table)
        out.note = "\n".join([*lines, *of_scores, *self.fit._selected])
        out.surface, out.goal = self, goal
        return out

    def _step_length(self, step: float | Mapping[str, float], direction: Floats) -> float:
        if not isinstance(step, Mapping):
            return _distance("ascent: step", step, least=None)
        if len(step) != 1:
            raise StudyError(
                "ascent: step", dict(step), "one factor with its change", 'write {"speed": 50}, the others follow'
            )
        ((name, change),) = step.items()
        if name not in self.names:
            raise StudyError(
                "ascent: step",
                name,
                "a numeric factor or component of the model",
                nearest(str(name), self.names),
            )
        change = _distance(f"ascent: step of {name!r}", change, least=None)
        moved = abs(float((self.half * (self.plane @ direction))[self.names.index(name)]))
        if moved <= FLAT * float(self.half[self.names.index(name)]):
            raise StudyError(
                "ascent: step", name, "a factor that the path moves", "choose another factor, or give a coded length"
            )
        return change / moved

    def _crossing(self, settings: pd.DataFrame) -> tuple[int, str]:
        """How many settings come before the first that must not be made, and why."""
        study = self.fit.study
        first, why = len(settings), ""
        for name in self.names:
            f = study.factor(name)
            least, most = self._reach(f)
            unit = getattr(f, "unit", "")
            room = 1e-9 * (1.0 + abs(f.high if not isinstance(f, Categorical) else 1.0))
            values = settings[name].to_numpy(dtype=float)
            for bound, crossed in ((least, values < least - room), (most, values > most + room)):
                if crossed.any() and int(crossed.argmax()) < first:
                    first, why = int(crossed.argmax()), f"{name} would pass {number_text(bound)} {unit}".rstrip()
        broken, which = self._constraint_broken(settings)
        if broken < first:
            first, why = broken, f'"{which}" would be broken'
        return first, why

    def _constraint_broken(self, settings: pd.DataFrame) -> tuple[int, str]:
        """First setting that breaks a constraint, and the constraint; beyond the ranges even one that never mattered can."""
        study = self.fit.study
        names = [f.name for f in study.factors if not isinstance(f, Categorical)]
        full = self._full(settings)
        first, which = len(settings), ""
        for text in study.constraints:
            for c in parse_constraint(text, names, {}, "study: constraint"):
                total = sum(value * full[name].to_numpy(dtype=float) for name, value in c.coefficients)
                excess = {"<=": total - c.bound, ">=": c.bound - total, "==": np.abs(total - c.bound)}[c.sense]
                broken = np.asarray(excess > 1e-9 * (1.0 + abs(c.bound)))
                if broken.any() and int(broken.argmax()) < first:
                    first, which = int(broken.argmax()), c.part
        return first, which

    @property
    def held_words(self) -> str:
        """Where the model's categorical factors stand, in words; empty where it has none."""
        words = []
        for f in self.fit.study.categorical:
            if any(f.name == name for term in self.fit.model.parsed for name, _ in term):
                words.append(f"{f.name} at {self.at.get(f.name, 'the average of its levels')}")
        return ", ".join(words)

    def _held(self) -> str:
        return f" Held: {self.held_words}." if self.held_words else ""

    # ---- shown

    def _sections(self) -> list[Section]:
        fit, kind = self.fit, self.kind
        title = f"Surface of {fit.response.label}, {fit.model.name}: {kind}"
        no_point = {
            "plane": "A model without curvature has no stationary point: follow ascent(step).",
            "rising ridge": "It climbs without end along a direction that has no curvature: there is no stationary point.",
        }
        sections: list[Section] = []
        if self.stationary is None or self.stationary_coded is None or self.prediction is None:
            sections.append(Section(title, None, no_point[kind] + self._held()))
        else:
            table = pd.DataFrame(
                {
                    "factor": [fit.study.factor(n).label for n in self.names],
                    "natural": [number_text(float(v)) for v in self.stationary],
                    "coded": [number_text(float(v), digits=3) for v in self.stationary_coded],
                }
            )
            row = self.prediction.iloc[0]
            where = "inside" if self.inside else "outside"
            what = fit.response.name if fit.response.scale is None else f"the mean score of {fit.response.name}"
            lines = [
                f"There {what} is foretold at {number_text(float(row['estimate']), float(row['std_error']))} (95 % for the "
                f"mean: {number_text(float(row['low']), float(row['std_error']))} to "
                f"{number_text(float(row['high']), float(row['std_error']))})."
                if fit._judged
                else f"There {what} is foretold at {number_text(float(row['estimate']))}.",
                f"The point lies {where} the region studied"
                + ("." if self.inside else ": do not trust it, see ridge(radii)."),
            ]
            if fit._judged and not self.quadratic.flat.any():
                lines.append("How surely the point is known: see whereabouts().")
            if kind == "stationary ridge":
                lines.append("The surface is flat along a direction through it: any point there is as good.")
            sections.append(Section(title, table, "\n".join(lines) + self._held()))
        if self.chances is not None:
            c = self.chances
            table = pd.DataFrame(
                {
                    "a new batch scores": [f"{s} or more" for s in c["at_least"]],
                    **{
                        label: [chance_text(float(v), 3) for v in c[column]]
                        for label, column in (("chance", "estimate"), ("95 % low", "low"), ("95 % high", "high"))
                    },
                }
            )
            sections.append(Section("What one new batch made there would score", table))
        sections.append(self._axes_section())
        return sections

    def _axes_section(self) -> Section:
        c = self.curvature
        table = pd.DataFrame(
            {
                "axis": [str(a) for a in c["axis"]],
                "eigenvalue": [
                    number_text(float(v), float(e)) for v, e in zip(c["eigenvalue"], c["std_error"], strict=True)
                ],
                "95 % low": [number_text(float(v), float(e)) for v, e in zip(c["low"], c["std_error"], strict=True)],
                "95 % high": [number_text(float(v), float(e)) for v, e in zip(c["high"], c["std_error"], strict=True)],
                **{n: [f"{v:.3f}" for v in self.vectors.loc[n]] for n in self.names},
            }
        )
        unsure = c[(c["low"] < 0) & (c["high"] > 0) & ~self.quadratic.flat]
        lines = [f"Fitted scale ({self.fit._contrast_label}) per squared coded unit; directions in coded units."]
        if len(unsure):
            axes = listed(unsure["axis"].tolist())
            lines.append(
                f"The sign along axis {axes} is not sure (its interval includes 0): the surface may be a ridge there."
                if len(unsure) == 1
                else f"The signs along axes {axes} are not sure (their intervals include 0): the surface may be a ridge there."
            )
        return Section(
            "Principal directions", table, "\n".join([*lines, *self.fit._surface_words, *self.fit._selected])
        )


def _checked_level(confidence: object) -> float:
    if isinstance(confidence, bool) or not isinstance(confidence, int | float) or not 0.0 < confidence < 1.0:
        raise StudyError("confidence", confidence, "between 0 and 1", "write 0.95 for 95 %")
    return float(confidence)


def _sign(goal: str) -> float:
    if goal not in GOALS:
        raise StudyError("goal", goal, '"high" or "low"', "say which way the response should go")
    return 1.0 if goal == "high" else -1.0


def _distance(where: str, value: object, least: float | None) -> float:
    allowed = "a finite number above 0" if least is None else f"a finite number from {least:g}"
    ok = (
        isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool) and np.isfinite(value)
    )
    if not ok or (value <= 0 if least is None else value < least):  # type: ignore[operator]
        raise StudyError(where, value, allowed, "give a distance")
    return float(value)  # type: ignore[arg-type]


def encoded(fit: Fit, settings: pd.DataFrame, at: Mapping[str, str]) -> Floats:
    """Encoded settings with categorical factors at a level or at their average, where every contrast is 0; covariates at their means."""
    study = fit.study
    columns: list[Floats] = []
    for f in study.factors:
        if isinstance(f, Categorical):
            level = at.get(f.name)
            values = [0.0 if level is None else float((level == v) - (level == f.levels[-1])) for v in f.levels[:-1]]
            columns += [np.full(len(settings), v) for v in values]
        elif f.name not in settings.columns:
            columns.append(np.full(len(settings), 0.0))  # not in the model: any value gives the same
        elif isinstance(f, Component):
            columns.append(settings[f.name].to_numpy(dtype=float) / (study.mixture_total or 100.0))
        else:
            columns.append((settings[f.name].to_numpy(dtype=float) - (f.low + f.high) / 2.0) / ((f.high - f.low) / 2.0))
    columns += [np.zeros(len(settings))] * len(study.covariate_names)  # covariates at their means
    return np.column_stack(columns)


def surface_of(fit: Fit, at: Mapping[str, str] | None) -> Surface:
    """The work of `Fit.surface`."""
    study, model = fit.study, fit.model
    held = _checked_levels(fit, at)
    # covariates stand at their mean, which is coded 0
    kinds = {f.name: f for f in study.factors}
    for term, text in zip(model.parsed, model.terms, strict=True):
        if sum(q for name, q in term if name in kinds and not isinstance(kinds[name], Categorical)) > 2:
            raise StudyError(
                "surface: term",
                text,
                "of the first or second degree in numeric factors and components",
                "fit a quadratic model, or look for the best settings with doe.find_window",
            )
    used = {name for term in model.parsed for name, _ in term}
    mixed = any(c.name in used for c in study.components)
    moving: list[Any] = [
        f
        for f in study.factors
        if not isinstance(f, Categorical) and (f.name in used or (mixed and isinstance(f, Component)))
    ]
    if not moving:
        raise StudyError(
            "surface: model",
            ", ".join(model.terms),
            "a model with a numeric factor or a component",
            "compare the levels with predict() instead",
        )
    centre = np.array([(f.low + f.high) / 2.0 for f in moving])
    half = np.array([(f.high - f.low) / 2.0 for f in moving])
    origin, plane = _plane(fit, moving, centre, half)
    # encoded = shift + scale * w for the moving variables, w in coded units over each factor's own range
    total = study.mixture_total or 100.0
    shift = np.array([c / total if isinstance(f, Component) else 0.0 for f, c in zip(moving, centre, strict=True)])
    scale = np.array([h / total if isinstance(f, Component) else 1.0 for f, h in zip(moving, half, strict=True)])
    v0, J = shift + scale * origin, scale[:, None] * plane
    Z = encoded(fit, pd.DataFrame(columns=[], index=[0]), held)[0]
    place = {v: i for i, v in enumerate(study.variables)}
    index = [place[f.name] for f in moving]
    fixed = [i for i in range(len(place)) if i not in index]
    m = len(moving)
    c0, g, H = np.zeros(model.p), np.zeros((model.p, m)), np.zeros((model.p, m, m))
    for j, e in enumerate(model.exponents):
        factor = float(np.prod(Z[fixed] ** e[fixed]))
        hit = [k for k, i in enumerate(index) for _ in range(int(e[i]))]
        if not hit or factor == 0.0:
            c0[j] = factor if not hit else 0.0
        elif len(hit) == 1:
            g[j, hit[0]] = factor
        else:
            H[j, hit[0], hit[1]] += factor / 2.0
            H[j, hit[1], hit[0]] += factor / 2.0
    parts = np.einsum("ka,jkl,lb->jab", J, H, J)
    beta = fit.beta
    slope = np.tensordot(beta, g, 1) + 2.0 * np.tensordot(beta, H, 1) @ v0
    b0 = float(beta @ c0 + np.tensordot(beta, g, 1) @ v0 + v0 @ np.tensordot(beta, H, 1) @ v0)
    quadratic = Quadratic(b0, J.T @ slope, np.tensordot(beta, parts, 1), parts)
    slopes = (g + 2.0 * H @ v0) @ J
    return Surface(fit, held, tuple(f.name for f in moving), quadratic, centre, half, origin, plane, slopes)


def _checked_levels(fit: Fit, at: Mapping[str, str] | None) -> dict[str, str]:
    known = {f.name: f for f in fit.study.categorical}
    out: dict[str, str] = {}
    for name, level in (at or {}).items():
        if name not in known:
            raise StudyError("surface: at", name, "a categorical factor", nearest(str(name), known))
        if level not in known[name].levels:
            raise StudyError(
                f"surface: at {name!r}",
                level,
                "one of " + ", ".join(known[name].levels),
                nearest(str(level), known[name].levels),
            )
        out[name] = level
    return out


def _plane(fit: Fit, moving: list[Any], centre: Floats, half: Floats) -> tuple[Floats, Floats]:
    """Where equalities leave room: a point of the plane nearest the centre, and orthonormal directions along it."""
    study = fit.study
    order = [f for f in study.factors if not isinstance(f, Categorical)]
    E = study.region.E
    f = study.region.f
    names = [m.name for m in moving]
    rest = [i for i, o in enumerate(order) if o.name not in names]
    middle = np.array([(order[i].low + order[i].high) / 2.0 for i in rest])
    take = [i for i, o in enumerate(order) if o.name in names]
    rows = np.abs(E[:, take]).max(axis=1, initial=0.0) > 0
    A = E[rows][:, take] * half
    c = f[rows] - E[rows][:, take] @ centre - (E[rows][:, rest] @ middle if rest else 0.0)
    if not len(A):
        return np.zeros(len(names)), np.eye(len(names))
    origin = np.linalg.lstsq(A, c, rcond=None)[0]
    return origin, linalg.null_space(A)
