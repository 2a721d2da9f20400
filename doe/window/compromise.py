"""Desirability: the setting whose predicted responses come closest to what is wanted, all weighed together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits import Fit
from doe.study import Response, Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.window.climbing import highest
from doe.window.settings import Settings

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Wish:
    """What is wanted of one response.

    Attributes
    ----------
    low, high : float
        Values at which the share falls to 0; −∞ or ∞ on a side where nothing is lost.
    best : float
        Where the share is 1: from there on, for a response that should be high or low.
    shape : float
        Power of the share: above 1 only values near the best count, below 1 any value inside does.
    """

    low: float
    high: float
    best: float
    shape: float

    def share(self, y: Floats) -> Floats:
        """Desirability of predicted values, 0 to 1."""
        with np.errstate(invalid="ignore", divide="ignore"):
            up = np.ones_like(y) if np.isinf(self.low) else (y - self.low) / (self.best - self.low)
            down = np.ones_like(y) if np.isinf(self.high) else (self.high - y) / (self.high - self.best)
        return np.asarray(np.clip(np.minimum(up, down), 0.0, 1.0) ** self.shape)


@dataclass(frozen=True, repr=False, eq=False)
class Compromise(Shown):
    """The setting of the highest overall desirability; made by `doe.window.desirability`.

    Attributes
    ----------
    study : Study
    setting : Series
        By factor, natural units, settable.
    overall : float
        Weighted geometric mean of the shares, 0 to 1.
    table : DataFrame
        One row a response: response, goal, zero_at, best_at, weight, reached (predicted there), share.
    """

    study: Study
    setting: pd.Series[Any]
    overall: float
    table: pd.DataFrame

    def _sections(self) -> list[Section]:
        from doe.window.result import setting_text

        rows = pd.DataFrame(
            [
                {"factor": f.name, "setting": setting_text(f, self.setting[f.name]), "unit": getattr(f, "unit", "")}
                for f in self.study.factors
            ]
        )
        shown = self.table.copy()
        for column in ("weight", "share"):
            shown[column] = [f"{v:.3g}" for v in shown[column]]
        note = (
            "A share is 0 where a response is of no use and 1 where nothing more is wanted; overall is their weighted geometric mean. "
            "It is worked out from predicted means: it says nothing of how sure they are, nor of the next batch. The window does."
        )
        return [
            Section(f"Best compromise: overall desirability {self.overall:.3f}", rows),
            Section("What is wanted and what is reached", shown.astype(str), note),
        ]


def desirability(
    fits: Mapping[str, Fit] | Fit,
    weights: Mapping[str, float] | None = None,
    best: Mapping[str, float] | None = None,
    shapes: Mapping[str, float] | None = None,
    seed: int = 0,
) -> Compromise:
    """Find the setting whose predicted responses together come closest to what is wanted.

    Parameters
    ----------
    fits : Fits, mapping of response -> Fit, or Fit
        Of one study. Responses with neither a specification nor a goal do not enter. What is wanted follows from `Response.goal`: "high"
        needs a low limit, "low" a high one, a target both; without a goal, a response with one limit should lie far inside it and one with two
        near their middle.
    weights : mapping of response -> number above 0, optional
        How much a response counts; 1 where not given.
    best : mapping of response -> float, optional
        The value of a one-sided response beyond which nothing more is wanted; where not given, the best that is predicted in the region.
    shapes : mapping of response -> number above 0, optional
        Power of each share; 1 (a straight line) where not given.
    seed : int
        Seed of the search.

    Returns
    -------
    Compromise

    Raises
    ------
    StudyError
        If nothing is wanted of any response, a limit that a goal needs is missing, or a figure cannot be used.

    References
    ----------
    Derringer, G. & Suich, R. (1980). Simultaneous optimization of several response variables. J. Qual. Technol. 12(4), 214-219.
    """
    from doe.window.finding import checked_fits

    table = checked_fits("desirability", fits)
    wanted = {n: f for n, f in table.items() if f.response.has_specification or f.response.goal is not None}
    if not wanted:
        raise StudyError(
            "desirability: fits",
            ", ".join(table),
            "of at least one response with a specification",
            "give a Response its low, high or goal and fit again",
        )
    study = next(iter(wanted.values())).study
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise StudyError("desirability: seed", seed, "a whole number, 0 or above", "leave it out for 0")
    heavy = _figures("weights", weights, wanted)
    powers = _figures("shapes", shapes, wanted)
    tops = _figures("best", best, wanted, positive=False)
    settings = Settings(study)

    def predicted(fit: Fit, Z: Floats) -> Floats:
        return fit.response.inverse(fit.model.matrix_of(Z) @ fit.beta)

    everywhere = study.encode(study.region.sample(4096, seed=int(seed)))
    wishes = {
        name: _wish(fit.response, tops.get(name), powers.get(name, 1.0), predicted(fit, everywhere))
        for name, fit in wanted.items()
    }
    weight = np.array([heavy.get(name, 1.0) for name in wanted])

    def overall(Z: Floats) -> Floats:
        shares = np.stack([wishes[name].share(predicted(fit, Z)) for name, fit in wanted.items()])
        with np.errstate(divide="ignore"):
            return np.asarray(np.exp(weight @ np.log(shares) / weight.sum()))

    def score(free: Floats, levels: Mapping[str, str]) -> Floats:
        return overall(settings.encoded(settings.complete(free), levels))

    top = highest(settings, score, int(seed))
    frame = settings.frame(settings.complete(top.free[None, :]), top.levels)
    Z = study.encode(frame)
    rows = []
    for name, fit in wanted.items():
        y, wish = predicted(fit, Z), wishes[name]
        ends = [fit.response.text(v) for v in (wish.low, wish.high) if np.isfinite(v)]
        rows.append(
            {
                "response": name,
                "goal": _goal_text(wish),
                "zero_at": " and ".join(ends),
                "best_at": fit.response.text(wish.best),
                "weight": heavy.get(name, 1.0),
                "reached": fit.response.text(float(y[0])),
                "share": float(wish.share(y)[0]),
            }
        )
    point = pd.Series({n: v if isinstance(v := frame[n].iloc[0], str) else float(f"{v:.10g}") for n in study.names})
    return Compromise(study, point.rename("setting"), float(overall(Z)[0]), pd.DataFrame(rows))


def _goal_text(wish: Wish) -> str:
    if np.isfinite(wish.low) and np.isfinite(wish.high):
        return "near the target"
    return "high" if np.isfinite(wish.low) else "low"


def _figures(
    field: str, given: Mapping[str, float] | None, fits: Mapping[str, Fit], positive: bool = True
) -> dict[str, float]:
    if given is None:
        return {}
    if not isinstance(given, Mapping):
        raise StudyError(f"desirability: {field}", given, "a mapping of response to number", 'write {"viscosity": 2}')
    out = {}
    for name, value in given.items():
        if name not in fits:
            raise StudyError(f"desirability: {field}", name, "a response that enters", nearest(str(name), list(fits)))
        out[name] = as_number(
            f"desirability: {field}, {name!r}", value, fits[name].response.unit if not positive else ""
        )
        if positive and out[name] <= 0:
            raise StudyError(f"desirability: {field}, {name!r}", value, "above 0", "leave the response out instead")
    return out


def _wish(response: Response, top: float | None, shape: float, predicted: Floats) -> Wish:
    where = f"desirability: response {response.name!r}"
    low, high, goal = response.low, response.high, response.goal
    if goal is None:
        goal = "high" if high is None else "low" if low is None else (low + high) / 2.0
    if isinstance(goal, str):
        end = low if goal == "high" else high
        side = "low" if goal == "high" else "high"
        if end is None:
            raise StudyError(
                f"{where}: {side}", None, f"given, since its goal is {goal!r}", "say from where it is of no use"
            )
        best = top if top is not None else float(predicted.max() if goal == "high" else predicted.min())
        if (best - end) * (1.0 if goal == "high" else -1.0) <= 0:
            beyond = "above" if goal == "high" else "below"
            mend = (
                "give its best value with best={…}"
                if top is None
                else f"give a value {beyond} the limit, beyond which nothing more is wanted"
            )
            raise StudyError(f"{where}: best", float(f"{best:.6g}"), f"{beyond} its {side} limit ({end:g})", mend)
        return Wish(end, np.inf, best, shape) if goal == "high" else Wish(-np.inf, end, best, shape)
    if low is None or high is None:
        raise StudyError(
            f"{where}: {'low' if low is None else 'high'}",
            None,
            "given, since its goal is a target",
            "say on both sides from where it is of no use",
        )
    target = float(goal) if top is None else top
    if not low < target < high:
        raise StudyError(f"{where}: goal", target, f"between low ({low:g}) and high ({high:g})", "correct the target")
    return Wish(low, high, target, shape)
