"""Settings as arrays: what may be set, how the parts of a mixture give way to each other, what the bench can set exactly.

The axes are the numeric factors and components of the study, in its order and in natural units; categorical levels are kept apart.
Equalities (the mixture total, constraints with ==) leave some axes dependent on the others: the balance component first.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.study import Categorical, Component, Discrete, Study, StudyError

Floats = NDArray[np.float64]

# a setting may miss a bound or constraint by this share of the factor's range and still lie in the region
SLACK = 1e-9


class Settings:
    """The geometry of a study's settings.

    Parameters
    ----------
    study : Study
        Whose factors they are.
    pins : mapping of axis name to (low, high)
        Axes held at a value (low equal to high) or within a range; they give way last.

    Attributes
    ----------
    names : list of str
        The axes: numeric factors and components.
    low, high : ndarray, shape (k,)
        Bounds, tightened by the constraints.
    free, bound : list of int
        Axes that can be chosen, and those that the equalities then give: x[bound] = at + by @ x[free].
    """

    def __init__(self, study: Study, pins: Mapping[str, tuple[float, float]] | None = None) -> None:
        self.study = study
        self.factors = [f for f in study.factors if not isinstance(f, Categorical)]
        self.names = [f.name for f in self.factors]
        self.pins = dict(pins or {})
        region = study.region
        self.low, self.high = np.array(region.low, dtype=float), np.array(region.high, dtype=float)
        self.width = np.where(self.high > self.low, self.high - self.low, 1.0)
        self.A, self.b = np.asarray(region.A, dtype=float), np.asarray(region.b, dtype=float)
        self.variables = [study.variables.index(name) for name in self.names]
        total = study.mixture_total or 100.0
        self.scale = np.array([1 / total if isinstance(f, Component) else 2.0 / (f.high - f.low) for f in self.factors])
        self.offset = np.array(
            [0.0 if isinstance(f, Component) else -(f.low + f.high) / (f.high - f.low) for f in self.factors]
        )
        E, f = np.asarray(region.E, dtype=float), np.asarray(region.f, dtype=float)
        for name, (low, high) in self.pins.items():
            i = self.names.index(name)
            self.low[i], self.high[i] = max(low, self.low[i]), min(high, self.high[i])
            if low == high:
                E, f = np.vstack([E, np.eye(len(self.names))[i]]), np.append(f, low)
        self._eliminate(E, f)

    def _eliminate(self, E: Floats, f: Floats) -> None:
        """Solve the equalities for one axis each, the one that can best give way."""
        k = len(self.names)
        rows = np.column_stack([E * self.width, f])

        def gives_way(i: int) -> tuple[bool, bool, bool, bool, float]:
            factor = self.factors[i]
            low, high = self.pins.get(factor.name, (0.0, 0.0))
            return (
                low != high,
                factor.name != self.study.balance,
                isinstance(factor, Discrete),
                getattr(factor, "step", None) is not None,
                -float(self.high[i]),
            )

        self.bound: list[int] = []
        used = 0
        for i in sorted(range(k), key=gives_way):
            if used == len(rows):
                break
            pivot = used + int(np.argmax(np.abs(rows[used:, i])))
            if abs(rows[pivot, i]) <= 1e-9 * max(1.0, float(np.abs(rows[:, :k]).max())):
                continue
            rows[[used, pivot]] = rows[[pivot, used]]
            rows[used] /= rows[used, i]
            others = np.arange(len(rows)) != used
            rows[others] -= rows[others, i][:, None] * rows[used]
            self.bound.append(i)
            used += 1
        self._consistent = bool((np.abs(rows[used:, k]) <= 1e-9 * np.abs(f).max(initial=1.0)).all())
        self.free = [i for i in range(k) if i not in self.bound]
        self.at = self.width[self.bound] * rows[:used, k]
        self.by = -self.width[self.bound][:, None] * rows[:used][:, self.free] / self.width[self.free]

    @cached_property
    def _rows(self) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """A, b with A @ x[free] <= b: constraints and bounds of the dependent axes; and which rows the free axes can change."""
        A = self.A
        full = np.vstack([A[:, self.free] + A[:, self.bound] @ self.by, self.by, -self.by])
        limit = np.concatenate(
            [self.b - A[:, self.bound] @ self.at, self.high[self.bound] - self.at, self.at - self.low[self.bound]]
        )
        return full, limit, np.abs(full) @ self.width[self.free] > 0

    @property
    def inequalities(self) -> tuple[Floats, Floats]:
        """A, b with A @ x[free] <= b, without rows that the free axes cannot change."""
        full, limit, matter = self._rows
        return full[matter], limit[matter]

    def complete(self, free: Floats) -> Floats:
        """All axes from the free ones: (N, f) to (N, k)."""
        x = np.empty((len(free), len(self.names)))
        x[:, self.free] = free
        x[:, self.bound] = self.at + free @ self.by.T
        return x

    def allowed(self, free: Floats) -> NDArray[np.bool_]:
        """Which settings, given by their free axes, lie inside bounds and constraints."""
        A, b = self.inequalities
        reach = SLACK * (np.abs(A) @ self.width[self.free] + 1e-300)
        slack = SLACK * self.width[self.free]
        low, high = self.low[self.free], self.high[self.free]
        inside = np.column_stack([free >= low - slack, free <= high + slack, free @ A.T <= b + reach])
        return np.asarray(inside.all(axis=1))

    @cached_property
    def centre(self) -> Floats:
        """Free axes of the point farthest inside bounds and constraints (Chebyshev centre, in units of each range)."""
        from scipy.optimize import linprog  # slow to import

        A, b = self.inequalities
        f, width, low = len(self.free), self.width[self.free], self.low[self.free]
        scaled = np.vstack([A * width, np.eye(f), -np.eye(f)])
        limit = np.concatenate([b - A @ low, (self.high[self.free] - low) / width, np.zeros(f)])
        rows = np.column_stack([scaled, np.linalg.norm(scaled, axis=1)])
        found = linprog(np.r_[np.zeros(f), -1.0], A_ub=rows, b_ub=limit, bounds=[(None, None)] * f + [(0.0, 1.0)])
        if found.status != 0:
            raise self._nowhere()
        return np.asarray(low + width * found.x[:f])

    def check(self) -> None:
        """Refuse pins that leave no setting.

        Raises
        ------
        StudyError
            If bounds, constraints and pins cannot be met together.
        """
        _, limit, matter = self._rows
        size = np.concatenate([np.abs(self.A) @ self.width, np.tile(self.width[self.bound], 2)])
        if not self._consistent or (limit[~matter] < -SLACK * size[~matter]).any():
            raise self._nowhere()
        self.centre  # noqa: B018  found, or refused

    def _nowhere(self) -> StudyError:
        held = {name: low if low == high else (low, high) for name, (low, high) in self.pins.items()}
        return StudyError("pin", held, "possible together in the study's region", "free one of the pinned factors")

    def within(self, free: Floats) -> Floats:
        """Settings drawn toward the centre just as far as bounds and constraints ask, (N, f)."""
        A, b = self.inequalities
        rows = np.vstack([A, np.eye(len(self.free)), -np.eye(len(self.free))])
        limit = np.concatenate([b, self.high[self.free], -self.low[self.free]])
        room = limit - rows @ self.centre
        over = (free - self.centre) @ rows.T
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(over > 0, np.maximum(room, 0.0) / over, np.inf)
        share = np.minimum(1.0, reach.min(axis=1, initial=np.inf))
        return np.asarray(self.centre + share[:, None] * (free - self.centre))

    def encoded(self, x: Floats, levels: Mapping[str, str]) -> Floats:
        """Encoded settings (N, m) at the given categorical levels."""
        Z = np.zeros((len(x), len(self.study.variables)))  # covariates at their mean
        for factor in self.study.categorical:
            for level in factor.levels[:-1]:
                contrast = float(levels[factor.name] == level) - float(levels[factor.name] == factor.levels[-1])
                Z[:, self.study.variables.index(f"{factor.name}[{level}]")] = contrast
        Z[:, self.variables] = self.offset + self.scale * x
        return Z

    def frame(self, x: Floats, levels: Mapping[str, str]) -> pd.DataFrame:
        """A table of settings, one column a factor in the study's order."""
        place = {name: i for i, name in enumerate(self.names)}
        return pd.DataFrame(
            {name: x[:, place[name]] if name in place else [levels[name]] * len(x) for name in self.study.names}
        )

    def array(self, table: pd.DataFrame) -> Floats:
        """The axes of a table of settings, (N, k)."""
        return table[self.names].to_numpy(dtype=float)

    # ---- what the bench can set

    def settable(self, i: int) -> Floats | None:
        """The values at which axis i can be set within its bounds, or None where any can."""
        factor = self.factors[i]
        slack = SLACK * self.width[i]
        if isinstance(factor, Discrete):
            levels = np.array(factor.levels)
            return levels[(levels >= self.low[i] - slack) & (levels <= self.high[i] + slack)]
        if factor.step is None:
            return None
        first, last = np.ceil((self.low[i] - slack) / factor.step), np.floor((self.high[i] + slack) / factor.step)
        values = factor.step * np.arange(first, last + 1)
        return np.round(values, 12) if len(values) else None

    def rounded(self, i: int, value: float, up: bool) -> float:
        """An end of axis i moved up or down to a value that can be set and shown: a step, a level, or a few digits."""
        for end in (self.low[i], self.high[i]):
            if abs(value - end) <= SLACK * self.width[i]:
                value = float(end)
        values = self.settable(i)
        if values is not None:
            slack = SLACK * self.width[i]
            near = values[values >= value - slack] if up else values[values <= value + slack][::-1]
            return float(near[0]) if len(near) else value
        if value in (self.low[i], self.high[i]):
            return value
        digits = 3 - int(np.floor(np.log10(self.width[i])))
        grain = 10.0**-digits
        grains = np.ceil(value / grain - 1e-9) if up else np.floor(value / grain + 1e-9)
        return round(float(grains) * grain, max(digits, 0))

    def settable_neighbours(self, free: Floats, most: int = 4096) -> Floats:
        """Settings around one, every axis at the nearest settable values below and above."""
        choices = [
            np.unique([self.rounded(i, value, up=False), self.rounded(i, value, up=True)])
            for value, i in zip(free.tolist(), self.free, strict=True)
        ]
        if np.prod([float(len(c)) for c in choices]) > most:
            choices = [c[[int(np.argmin(np.abs(c - v)))]] for c, v in zip(choices, free, strict=True)]
        return np.array(list(product(*choices)))

    def settable_moves(self, free: Floats) -> Floats:
        """Settings one or two steps away: one stepped axis, or two against or along each other."""
        steps = []
        for place, i in enumerate(self.free):
            values = self.settable(i)
            if values is None:
                continue
            here = int(np.argmin(np.abs(values - free[place])))
            steps.append([(place, values[j]) for j in (here - 2, here - 1, here + 1, here + 2) if 0 <= j < len(values)])
        moves = [[move] for axis in steps for move in axis]
        moves += [[a, b] for one, axis in enumerate(steps) for other in steps[:one] for a in axis for b in other]
        out = np.tile(free, (len(moves), 1))
        for row, move in zip(out, moves, strict=True):
            for place, value in move:
                row[place] = value
        return out

    @property
    def stepped(self) -> list[int]:
        """Places among the free axes that can be set only at certain values."""
        return [p for p, i in enumerate(self.free) if self.settable(i) is not None]

    # ---- changing some settings of a row

    def changed(self, base: pd.Series, changes: pd.DataFrame) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
        """Rows like `base` with some factors changed; in a mixture the rest makes room.

        The balance component takes up the difference; where there is none, or it is itself among the changed, the other
        components keep their proportions.

        Returns
        -------
        table, possible
            The rows, and whether the rest of the mixture can make room at all.
        """
        columns = {
            name: changes[name].to_numpy() if name in changes.columns else [base[name]] * len(changes)
            for name in self.study.names
        }
        columns |= {str(name): changes[name].to_numpy() for name in changes.columns if name not in columns}
        table = pd.DataFrame(columns, index=changes.index)
        possible = np.ones(len(table), dtype=bool)
        given = [name for name in changes.columns if name in self.mixture]
        if given:
            rest = self.gives_room(given)
            kept = [name for name in self.mixture if name not in rest]
            total = float(self.study.mixture_total or 100.0)
            room = total - table[kept].sum(axis=1).to_numpy(dtype=float)
            shares = np.array([float(base[name]) for name in rest])
            shares = shares / shares.sum() if shares.sum() > 0 else np.full(len(rest), 1.0 / max(len(rest), 1))
            for name, share in zip(rest, shares, strict=True):
                table[name] = room * share
            possible = room >= -1e-9 * total if rest else np.abs(room) <= 1e-3 * total
        return table, possible

    @property
    def mixture(self) -> list[str]:
        """Names of the components."""
        return [c.name for c in self.study.components]

    def gives_room(self, given: list[str]) -> list[str]:
        """Components that make room when these are changed; none where none is."""
        balance = self.study.balance
        if not given:
            return []
        return (
            [balance] if balance is not None and balance not in given else [n for n in self.mixture if n not in given]
        )
