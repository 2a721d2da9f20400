"""The widest ranges, one a factor, that hold together: every setting inside the box keeps the target, not its corners alone.

The box is found by growing it from the set point and then moving all its ends at once (sequential quadratic programming) under
constraints at critical points, each fixed by its place inside the box: first corners, then whatever a search inside the box turns
up. A smooth stand-in gives the slopes; counts on other draws correct its level at every critical point.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from copy import copy
from itertools import product

import numpy as np
from numpy.typing import NDArray

from doe.study import Discrete
from doe.window.chance import Draws
from doe.window.folding import Floats
from doe.window.predictive import Predictive
from doe.window.settings import Settings

Level = Callable[[Floats], tuple[Floats, Floats]]  # encoded settings -> what must hold there and its Monte-Carlo error

CORNERS = 1024  # looked at in one search; beyond ten factors a sample of them
INSIDE = 512  # other places looked at inside the box
DESCENTS = 6  # of the lowest of them, followed downhill
SOFT = 0.25  # width of the softened limits, in spreads
THINNED = 1000  # draws of the stand-in
STARTS = 3  # boxes grown in different orders
ROUNDS = 8  # of solving and finding new critical points
FEW = 64  # places at which the stand-in is corrected by counting, the lowest by it
TRIED = 40  # combinations of settable ends looked into, the widest whose corners hold
SOLVED = 4  # of them for which the other axes are sought anew
DOUBT = 6.0  # Monte-Carlo errors within which fewer draws leave a question open
NARROW = 1e-6  # the least width that counts, as a share of the factor's range


class BoxSearch:
    """The search for one box.

    Parameters
    ----------
    predictive : Predictive
        Draws of new batches.
    settings : Settings
        Its pins with low below high are ranges that the box must have.
    levels : mapping
        Categorical levels, fixed.
    anchor : ndarray, shape (f,)
        Free axes of the setting that the box must contain.
    draws : Draws
        Draws of the smooth stand-in.
    weights : ndarray, shape (f,)
        Weight of each axis.
    seed : int
        Seed of the places looked at inside the box.
    level : callable
        What must hold, counted on other draws than the stand-in's.
    few : int
        Evaluate `level` during the search only at the so many lowest places by the stand-in. Where that is fewer than usual the
        level is costly, and one start has to do.
    quick : callable, optional
        The same on fewer draws: what these already show beyond doubt is not counted again on all of them.
    """

    def __init__(
        self,
        predictive: Predictive,
        settings: Settings,
        levels: Mapping[str, str],
        anchor: Floats,
        draws: Draws,
        weights: Floats,
        seed: int,
        level: Level,
        few: int = FEW,
        quick: Level | None = None,
    ) -> None:
        self.predictive, self.settings, self.levels = predictive, settings, levels
        self.level, self.few, self.quick = level, few, quick
        self.origin = settings.low[settings.free]
        self.width = settings.width[settings.free]
        self.top = (settings.high[settings.free] - self.origin) / self.width
        self.anchor = np.clip((anchor - self.origin) / self.width, 0.0, self.top)
        self.weights = weights
        self.size = len(anchor)
        ranges = [settings.pins.get(settings.names[i]) for i in settings.free]
        self.kept = np.array([r is not None and r[0] < r[1] for r in ranges], dtype=bool)
        self.sought = ~self.kept
        self.least = np.where(self.kept, 0.0, self.anchor)  # the smallest box: the anchor, and ranges that are given
        self.most = np.where(self.kept, self.top, self.anchor)
        self.values = {
            p: (np.asarray(settings.settable(settings.free[p])) - self.origin[p]) / self.width[p]
            for p in settings.stepped
        }
        self.thin = Draws(
            np.ascontiguousarray(draws.coefficients[:, :, :THINNED]), draws.two_sided, draws.spread, draws.effective
        )
        rng = np.random.default_rng([seed, 77])
        if 2**self.size <= CORNERS:
            self.corners = np.array(list(product((0.0, 1.0), repeat=self.size))).reshape(2**self.size, self.size)
        else:
            self.corners = rng.integers(0, 2, (CORNERS, self.size)).astype(float)
        # places inside the box: half of them on faces and edges
        inner = rng.random((INSIDE, self.size))
        edge = rng.random((INSIDE, self.size)) < np.where(np.arange(INSIDE) % 2, 0.6, 0.0)[:, None]
        self.inside = np.where(edge, np.round(inner), inner)
        A, b = settings.inequalities
        self.rows, self.limit = A * self.width, b - A @ self.origin

    # ---- geometry, in units of each axis' range

    def natural(self, scaled: Floats) -> Floats:
        """Free axes in natural units."""
        return self.origin + self.width * scaled

    def points(self, low: Floats, high: Floats, places: Floats) -> Floats:
        """Settings (natural units) at places in the box, each from 0 at its low to 1 at its high."""
        return self.natural(low + places * (high - low))

    def allowed(self, low: Floats, high: Floats) -> bool:
        """Whether every setting of the box satisfies bounds and constraints."""
        up = np.maximum(self.rows, 0.0) @ high + np.minimum(self.rows, 0.0) @ low
        slack = 1e-9 * (np.abs(self.rows).sum(axis=1) + 1e-300)
        return bool((up <= self.limit + slack).all() and (low >= -1e-9).all() and (high <= self.top + 1e-9).all())

    def measure(self, low: Floats, high: Floats) -> float:
        """Σ w log(width/range), over the axes whose range is sought.

        A discrete factor counts its levels instead; an axis held at one value counts as half a step, or as next to nothing.
        """
        width = np.maximum(high - low, NARROW)
        for p, values in self.values.items():
            if isinstance(self.settings.factors[self.settings.free[p]], Discrete):
                width[p] = np.mean((values >= low[p] - 1e-9) & (values <= high[p] + 1e-9))
            elif len(values) > 1:
                width[p] = max(width[p], (values[1] - values[0]) / 2.0)
        return float(self.weights[self.sought] @ np.log(width[self.sought]))

    # ---- what holds

    def stand_in(self, free: Floats, slope: bool = False) -> tuple[Floats, Floats]:
        """The smooth stand-in, and its slope by the free axes."""
        return self.predictive.smooth(self.settings, free, self.levels, self.thin, SOFT, slope)

    def _encoded(self, free: Floats) -> Floats:
        return self.settings.encoded(self.settings.complete(free), self.levels)

    def worst_places(self, low: Floats, high: Floats) -> Floats:
        """Places in the box, lowest first by the stand-in: corners, inside, and where descents from the lowest end."""
        from scipy.optimize import minimize  # slow to import

        places = np.vstack([self.corners, self.inside])
        value = self.stand_in(self.points(low, high, places))[0]
        order = np.argsort(value, kind="stable")
        span = self.width * (high - low)

        def loss(place: Floats) -> tuple[float, Floats]:
            value, slope = self.stand_in(self.points(low, high, place[None, :]), slope=True)
            return float(value[0]), slope[0] * span

        ends = []
        for i in order[: DESCENTS if self.size else 0]:
            found = minimize(
                loss, places[i], jac=True, method="L-BFGS-B", bounds=[(0.0, 1.0)] * self.size, options={"maxiter": 15}
            )
            ends.append(np.clip(found.x, 0.0, 1.0))
        return np.vstack([*ends, places[order]])

    def lowest(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """The lowest places of the box and what holds there."""
        places = self.worst_places(low, high)[: self.few]
        return places, self.level(self._encoded(self.points(low, high, places)))[0]

    def _reaches(self, points: Floats, goal: float) -> NDArray[np.bool_]:
        """At which settings (free axes, natural units) the level reaches the goal."""
        Z = self._encoded(points)
        if self.quick is None:
            return np.asarray(self.level(Z)[0] >= goal)
        value, error = self.quick(Z)
        reached = value >= goal
        open_ = np.abs(value - goal) <= DOUBT * error
        if open_.any():
            reached[open_] = self.level(Z[open_])[0] >= goal
        return np.asarray(reached)

    def worst(self, low: Floats, high: Floats, level: Level, few: int | None = None) -> tuple[Floats, float, float]:
        """The worst of all settings looked at (free axes, natural units), what holds there by another count, and its error."""
        points = self.points(low, high, self.worst_places(low, high)[:few])
        for p in self.settings.stepped:
            i = self.settings.free[p]
            if isinstance(self.settings.factors[i], Discrete):  # only its levels can be set, and the ends are levels
                levels = np.asarray(self.settings.settable(i))
                points[:, p] = levels[np.abs(points[:, p, None] - levels).argmin(axis=1)]
        value, error = level(self._encoded(points))
        at = int(np.argmin(value))
        return points[at], float(value[at]), float(error[at])

    # ---- finding it

    def find(self, goal: float, near: tuple[Floats, Floats] | None = None) -> tuple[Floats, Floats] | None:
        """Ends of the widest box found whose lowest level reaches the goal, in natural units.

        Parameters
        ----------
        goal : float
            What must hold at the worst setting.
        near : tuple of ndarray, optional
            Ends of a box to start from, found for a slightly lower goal, instead of growing several.

        Returns
        -------
        low, high, each (f,), or None where not even the anchor, with the ranges that are given, reaches the goal.
        """
        if not self._holds(self.least, self.most, goal):
            return None
        if self.kept.all():
            return self.natural(self.least), self.natural(self.most)
        if near is not None:
            starts = [tuple((end - self.origin) / self.width for end in near)]
        else:
            starts = [self._grown(goal, start) for start in range(STARTS if self.few >= FEW else 1)]
        boxes = [self._shrunk(*self._solved(low, high, goal), goal) for low, high in starts]
        low, high = self._settable(*max(boxes, key=lambda box: round(self.measure(*box), 6)), goal)
        return self.natural(low), self.natural(high)

    def _grown(self, goal: float, start: int) -> tuple[Floats, Floats]:
        """Grow each end in turn while the corners hold; the order differs from start to start."""
        low, high = self.least, self.most
        corners = self.corners if len(self.corners) <= 64 else self.corners[:: len(self.corners) // 64]
        correction = self._correction(low, high, np.zeros((1, self.size)))[0]

        def holds(low: Floats, high: Floats) -> bool:
            if not self.allowed(low, high):
                return False
            value = self.stand_in(self.points(low, high, corners))[0]
            return bool((_logit(value) + correction >= _logit(np.array(goal))).all())

        ends = [(i, side) for i in range(self.size) if not self.kept[i] for side in (0, 1)]
        order = np.random.default_rng([start, 5])
        reach = 0.25
        while reach > 0.01:
            moved = False
            for e in order.permutation(len(ends)):
                i, side = ends[e]
                new_low, new_high = low.copy(), high.copy()
                if side:
                    new_high[i] = min(high[i] + reach, self.top[i])
                else:
                    new_low[i] = max(low[i] - reach, 0.0)
                if (new_low[i] < low[i] or new_high[i] > high[i]) and holds(new_low, new_high):
                    low, high, moved = new_low, new_high, True
            if not moved:
                reach /= 2.0
        return low, high

    def _correction(self, low: Floats, high: Floats, places: Floats) -> Floats:
        """How far the counted level lies above the stand-in, as a difference of logits."""
        points = self.points(low, high, places)
        return _logit(self.level(self._encoded(points))[0]) - _logit(self.stand_in(points)[0])

    def _solved(self, low: Floats, high: Floats, goal: float) -> tuple[Floats, Floats]:
        """Move all ends at once, adding critical points until none inside the box falls short."""
        value = self.stand_in(self.points(low, high, self.corners))[0]
        critical = self.corners[np.argsort(value, kind="stable")[: self.few // 2]]
        for _ in range(ROUNDS):
            correction = self._correction(low, high, critical)
            new_low, new_high = self._step(low, high, critical, _logit(np.array(goal)) - correction)
            places, value = self.lowest(new_low, new_high)
            settled = max(np.abs(new_low - low).max(initial=0.0), np.abs(new_high - high).max(initial=0.0)) < 2e-3
            low, high = new_low, new_high
            short = places[value < goal - 2e-4]
            if settled and not len(short):
                break
            new = short[np.argsort(value[value < goal - 2e-4], kind="stable")][:4]
            fresh = [p for p in new if np.abs(critical - p).max(axis=1, initial=0.0).min(initial=1.0) > 0.02]
            critical = np.vstack([critical, *[p[None, :] for p in fresh]])
        return low, high

    def _step(self, low: Floats, high: Floats, critical: Floats, goals: Floats) -> tuple[Floats, Floats]:
        from scipy.optimize import minimize  # slow to import

        f, move = self.size, ~self.kept
        positive, negative = np.maximum(self.rows, 0.0), np.minimum(self.rows, 0.0)
        linear = -np.column_stack([negative, positive])  # rows @ (low, high) <= limit, for every setting of the box
        last: tuple[Floats, Floats, Floats] | None = None

        def surface(v: Floats) -> tuple[Floats, Floats]:
            nonlocal last
            if last is None or not np.array_equal(last[0], v):
                value, slope = self.stand_in(self.points(v[:f], v[f:], critical), slope=True)
                p = np.clip(value, 1e-9, 1.0 - 1e-7)
                by_place = slope * self.width / (p * (1.0 - p))[:, None]
                last = (
                    v.copy(),
                    _logit(p) - goals,
                    np.column_stack([by_place * (1.0 - critical), by_place * critical]),
                )
            return last[1], last[2]

        def loss(v: Floats) -> tuple[float, Floats]:
            width = np.maximum(v[f:] - v[:f], NARROW)
            pull = np.where(move, self.weights / width, 0.0)
            return -float(self.weights[move] @ np.log(width[move])), np.concatenate([pull, -pull])

        constraints = [{"type": "ineq", "fun": lambda v: surface(v)[0], "jac": lambda v: surface(v)[1]}]
        if len(self.rows):
            constraints.append({"type": "ineq", "fun": lambda v: self.limit + linear @ v, "jac": lambda _v: linear})
        low_bounds = np.column_stack([np.where(self.kept, self.least, 0.0), self.least])
        high_bounds = np.column_stack([self.most, np.where(self.kept, self.most, self.top)])
        # the ends are sought to 2e-3 of a range; finer steps would chase the rounding of single precision
        found = minimize(
            loss,
            np.r_[low, high],
            jac=True,
            method="SLSQP",
            bounds=np.vstack([low_bounds, high_bounds]),
            constraints=constraints,
            options={"maxiter": 60, "ftol": 1e-4},
        )
        if not np.isfinite(found.x).all():
            return low, high
        return np.clip(found.x[:f], *low_bounds.T), np.clip(found.x[f:], *high_bounds.T)

    def _shrunk(self, low: Floats, high: Floats, goal: float) -> tuple[Floats, Floats]:
        """Draw the box toward the anchor just until it holds, corrected for what the stand-in missed."""

        def at(t: float) -> tuple[Floats, Floats]:
            return self.least + t * (low - self.least), self.most + t * (high - self.most)

        def holds(t: float) -> bool:
            return self._holds(*at(t), goal)

        if holds(1.0):
            return low, high
        inside, outside = 0.0, 1.0
        for _ in range(9):
            middle = (inside + outside) / 2.0 if outside - inside > 0.1 else inside + 0.6 * (outside - inside)
            if holds(middle):
                inside = middle
            else:
                outside = middle
        return at(inside)

    def _holds(self, low: Floats, high: Floats, goal: float) -> bool:
        if not self.allowed(low, high):
            return False
        return bool(self._reaches(self.points(low, high, self.worst_places(low, high)[: self.few]), goal).all())

    def _on_values(self, low: Floats, high: Floats, goal: float) -> tuple[Floats, Floats]:
        """Put the ends of stepped axes on settable values near those found, the best combination; other axes make up for it."""
        axes = [p for p in self.values if not self.kept[p]]
        loose = [p for p in range(self.size) if not self.kept[p] and p not in axes]
        if not axes:
            return low, high
        near = 3 if len(axes) <= 4 else 2 if len(axes) <= 6 else 1
        lows, highs = [], []
        for p in axes:
            below, above = (self.values[p][self.values[p] * s <= self.anchor[p] * s + 1e-9] for s in (1.0, -1.0))
            if near == 1:  # too many axes to try combinations: inward
                below, above = below[below >= low[p] - 1e-9][:1], above[above <= high[p] + 1e-9][-1:]
            lows.append(below[np.argsort(np.abs(below - low[p]), kind="stable")[:near]])
            highs.append(above[np.argsort(np.abs(above - high[p]), kind="stable")[:near]])
        boxes = []
        narrow_low, narrow_high = low.copy(), high.copy()
        narrow_low[loose], narrow_high[loose] = self.anchor[loose], self.anchor[loose]
        for start_low, start_high in [(low, high), (narrow_low, narrow_high)][: 2 if loose else 1]:
            found = []
            for choice in np.argwhere(self._corners_hold(axes, lows, highs, start_low, start_high, goal)):
                new_low, new_high = start_low.copy(), start_high.copy()
                for place, p in enumerate(axes):
                    new_low[p] = lows[place][choice[place] // len(highs[place])]
                    new_high[p] = highs[place][choice[place] % len(highs[place])]
                found.append((self.measure(new_low, new_high), new_low, new_high))
            boxes.append(sorted(found, key=lambda box: -box[0]))
        if not loose:
            return next((box[1:] for box in boxes[0][:TRIED] if self._holds(box[1], box[2], goal)), (low, high))
        best: tuple[float, Floats, Floats] | None = None
        for _, new_low, new_high in [box for found in boxes for box in found[:SOLVED]]:
            other = copy(self)
            other.kept, other.least, other.most = self.kept.copy(), self.least.copy(), self.most.copy()
            other.kept[axes] = True
            other.least[axes], other.most[axes] = new_low[axes], new_high[axes]
            if not other._holds(other.least, other.most, goal):
                continue
            start = other._shrunk(new_low, new_high, goal)
            for box in (start, other._shrunk(*other._solved(*start, goal), goal)):
                if best is None or self.measure(*box) > best[0]:
                    best = (self.measure(*box), *box)
        return (low, high) if best is None else best[1:]

    def _corners_hold(
        self, axes: list[int], lows: list[Floats], highs: list[Floats], low: Floats, high: Floats, goal: float
    ) -> NDArray[np.bool_]:
        """Whether all corners reach the goal, for every choice of ends: one dimension an axis, lows outer and highs inner."""
        values = [np.unique([*a, *b]) for a, b in zip(lows, highs, strict=True)]
        lines = [np.unique([low[p], high[p]]) for p in range(self.size)]
        for p, line in zip(axes, values, strict=True):
            lines[p] = line
        points = self.natural(np.array(list(product(*lines))).reshape(-1, self.size))
        ok = self.settings.allowed(points)
        if self.few >= FEW:
            ok[ok] = self._reaches(points[ok], goal)
        else:
            ok[ok] = self.stand_in(points[ok])[0] >= goal
        others = tuple(p for p in range(self.size) if p not in axes)
        table = np.asarray(ok.reshape([len(line) for line in lines]).all(axis=others))
        for place, (a, b, line) in enumerate(zip(lows, highs, values, strict=True)):
            pairs = np.array([(np.searchsorted(line, v), np.searchsorted(line, w)) for v in a for w in b])
            table = table.take(pairs[:, 0], axis=place) & table.take(pairs[:, 1], axis=place)
        return table

    def _settable(self, low: Floats, high: Floats, goal: float) -> tuple[Floats, Floats]:
        """Move the ends inward to what can be set and shown, then let stepped ends make up for it."""
        s = self.settings
        low, high = (end.copy() for end in self._on_values(low, high, goal))
        for p, i in enumerate(s.free):
            if self.kept[p]:
                continue
            down = s.rounded(i, float(self.natural(low)[p]), up=True)
            up = s.rounded(i, float(self.natural(high)[p]), up=False)
            low[p] = min((down - self.origin[p]) / self.width[p], self.anchor[p])
            high[p] = max((up - self.origin[p]) / self.width[p], self.anchor[p])
        return self._climbed(low, high, goal)

    def _climbed(self, low: Floats, high: Floats, goal: float) -> tuple[Floats, Floats]:
        """Move stepped ends by one settable value, out alone or one out and another in, while the box holds and grows."""
        ends = [(p, side) for p in self.values if not self.kept[p] for side in (0, 1)]
        while True:
            moves = []
            for outward in ends:
                for inward in (None, *ends):
                    box = (low.copy(), high.copy())
                    if self._moved(box, *outward, out=True) and (
                        inward is None or self._moved(box, *inward, out=False)
                    ):
                        moves.append((self.measure(*box), box))
            better = [move for move in moves if move[0] > self.measure(low, high) + 1e-9]
            better.sort(key=lambda move: -move[0])
            for _, box in better:
                if self.allowed(*box) and self._promising(*box, goal) and self._holds(*box, goal):
                    low, high = box
                    break
            else:
                return low, high

    def _moved(self, box: tuple[Floats, Floats], p: int, side: int, out: bool) -> bool:
        """Move one end of a box to the next settable value, in place; False where there is none on its side of the anchor."""
        values, end = self.values[p], box[side]
        up = out == bool(side)
        beyond = values[values > end[p] + 1e-9] if up else values[values < end[p] - 1e-9][::-1]
        if not len(beyond) or (
            not out and (beyond[0] > self.anchor[p] + 1e-9 if up else beyond[0] < self.anchor[p] - 1e-9)
        ):
            return False
        end[p] = beyond[0]
        return True

    def _promising(self, low: Floats, high: Floats, goal: float) -> bool:
        """Whether the stand-in at the corners comes near the goal, which is quicker to see than that the box holds."""
        lowest = _logit(self.stand_in(self.points(low, high, self.corners))[0].min())
        return bool(lowest > _logit(np.array(goal)) - 0.3)


def _logit(p: Floats) -> Floats:
    p = np.clip(p, 1e-9, 1.0 - 1e-7)
    return np.asarray(np.log(p) - np.log1p(-p))
