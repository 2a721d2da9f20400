"""The cheapest formula: the setting at which a kilogram costs least while the chance of meeting every specification holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.bench import Recipe
from doe.bench.costs import makeable_costs
from doe.study import Categorical, Section, Shown, StudyError
from doe.study.errors import nearest
from doe.study.shown import chance_text, error_text, number_text
from doe.window.climbing import highest
from doe.window.folding import Floats

if TYPE_CHECKING:
    from doe.window.result import Window

FRESH = 401  # first of the streams of draws on which what was found is judged
TRIES = 6  # settings tried on ever new draws before the set point itself is kept
SAMPLE = 256  # settings priced before the search, for the scale of costs


@dataclass(frozen=True, repr=False, eq=False)
class Cheapest(Shown):
    """The cheapest setting that holds the target; made by `doe.window.cheapest`.

    Attributes
    ----------
    window : Window
    setting : Series
        By factor, natural units, settable.
    cost, set_point_cost : float
        Raw materials of a kilogram of batch there, and at the set point (NaN where the recipe cannot make that); in the currency of the
        recipe's costs.
    probability, mc_error : float
        Chance there, on draws that had no part in finding it, and its Monte-Carlo error.
    target : float
        Chance that it holds.
    table : DataFrame
        One row an ingredient: ingredient, set_point, cheapest (what it costs in a kilogram of batch at each), saving.
    """

    window: Window
    setting: pd.Series[Any]
    cost: float
    set_point_cost: float
    probability: float
    mc_error: float
    target: float
    table: pd.DataFrame

    @property
    def saving(self) -> float:
        """What a kilogram costs less than at the set point."""
        return self.set_point_cost - self.cost

    def _sections(self) -> list[Section]:
        from doe.window.result import setting_text

        study, point = self.window.study, self.window.set_point
        rows = pd.DataFrame(
            [
                {
                    "factor": f.name,
                    "cheapest": setting_text(f, self.setting[f.name]),
                    "set point": setting_text(f, point[f.name]),
                    "unit": getattr(f, "unit", ""),
                }
                for f in study.factors
            ]
        )
        digits = max(2, 2 - int(np.floor(np.log10(max(abs(self.cost), 1e-12)))))

        def money(value: float) -> str:
            return f"{0.0 if abs(value) < 0.5 * 10.0**-digits else value:.{digits}f}"

        share = self.saving / self.set_point_cost if self.set_point_cost > 0 else 0.0
        saved = f"at the set point {money(self.set_point_cost)}: {money(self.saving)} ({share:.1%}) saved"
        if np.isnan(self.set_point_cost):
            saved = "the set point is beyond what the recipe can make"
        what = "one new batch" if self.window.noise else "the mean response"
        note = (
            f"Raw materials of a kilogram of batch: {money(self.cost)}; {saved}. "
            f"Chance there that {what} meets every specification: {chance_text(self.probability)} "
            f"(Monte-Carlo error {error_text(self.mc_error)}, fresh draws); at the set point {chance_text(self.window.set_point_probability)}. "
            "It lies at the edge of what holds: a setting a little off may fall short. A higher target buys room."
        )
        if self.saving <= 0:
            note = f"No setting that surely holds {self.target:g} was found cheaper than the set point, {money(self.cost)} a kilogram."
        shown = self.table.copy().astype(object)
        for column in ("set_point", "cheapest", "saving"):
            shown[column] = [number_text(float(v), digits=3) or "" for v in self.table[column]]
        shown = shown.rename(columns={"set_point": "set point"})
        return [
            Section(f"Cheapest setting that holds {self.target:g}", rows, note),
            Section(
                "What each ingredient costs in a kilogram of batch",
                shown,
                "Not counted: losses, the solvent of stocks made in the laboratory, labour and packaging.",
            ),
        ]


def cheapest(win: Window, recipe: Recipe, target: float | None = None, seed: int = 0) -> Cheapest:
    """Find the setting at which the raw materials of a kilogram cost least while the chance holds the target.

    Parameters
    ----------
    win : Window
    recipe : doe.bench.Recipe
        Linked to factors of the window's study, with a cost for every ingredient that goes in.
    target : float, optional
        Chance less two Monte-Carlo errors that must be held; the window's own if left out.
    seed : int
        Seed of the search.

    Returns
    -------
    Cheapest
        Of settings that cost the same the one with the highest chance. Its setting can be set at the bench and lies in the study's region; one
        that the recipe cannot make (beyond an ingredient's limit, say) is passed over.

    Raises
    ------
    StudyError
        If an ingredient that goes in has no cost, the recipe is linked to a factor that the study has not or to none that changes its cost, the
        set point itself does not hold the target, or a figure cannot be used.
    """
    from doe.window.result import Window as Result

    if not isinstance(win, Result):
        raise StudyError("cheapest: win", type(win).__name__, "a Window", "make it with doe.find_window")
    if not isinstance(recipe, Recipe):
        raise StudyError("cheapest: recipe", type(recipe).__name__, "a doe.bench.Recipe", "write one with its costs")
    goal = win.target if target is None else target
    if isinstance(goal, bool) or not isinstance(goal, int | float | np.number) or not 0 < goal < 1:
        raise StudyError("cheapest: target", target, "a number between 0 and 1", "leave it out for the window's own")
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise StudyError("cheapest: seed", seed, "a whole number, 0 or above", "leave it out for 0")
    _check_links(win, recipe)
    predictive = win._predictive
    if win.set_point_probability - 2.0 * win.mc_error < goal:
        raise StudyError(
            "cheapest: target",
            float(goal),
            f"held at the set point (its chance is {chance_text(win.set_point_probability)}, Monte-Carlo error {error_text(win.mc_error)})",
            "ask for less, or see win.obstacles",
        )
    settings = predictive.settings
    sample = makeable_costs(recipe, win.study.region.sample(SAMPLE, seed=int(seed)))
    makes = np.isfinite(sample)
    span = float(np.ptp(sample[makes])) if makes.any() else 0.0
    if not makes.any():
        raise _none_made(goal)
    if span <= 1e-12 * max(float(np.abs(sample[makes]).max(initial=0.0)), 1e-300):
        raise StudyError(
            "cheapest: recipe",
            "the same cost at every setting",
            "linked to a factor that changes what it costs",
            "link amounts to factors with factor=",
        )
    here = pd.DataFrame([win.set_point.to_dict()])
    at_set_point = float(makeable_costs(recipe, here)[0])  # infinite where the recipe cannot make it
    best, chance, error = win.set_point, win.set_point_probability, win.mc_error
    needed, judged_on = float(goal), predictive.judging(win.draws)
    for attempt in range(TRIES):

        def score(free: Floats, levels: Mapping[str, str], needed: float = needed) -> Floats:
            x = settings.complete(free)
            meets = predictive.chance(settings.encoded(x, levels), win._guide)[0]
            out = meets - 1e6  # what falls short is climbed by its chance
            holds = np.flatnonzero(meets >= needed)
            if len(holds):
                cost = makeable_costs(recipe, settings.frame(x[holds], levels))
                # of settings that cost the same the likeliest: the chance counts less than a millionth of what costs vary by
                out[holds] = np.where(np.isfinite(cost), -cost / span + 1e-6 * meets[holds], -2e6)
            return out

        top = highest(settings, score, int(seed))
        frame = settings.frame(settings.complete(top.free[None, :]), top.levels)
        # every setting that is judged has draws of its own, so that none profits from having been tried
        value, mc = (
            float(v[0])
            for v in predictive.chance(win.study.encode(frame), predictive.stream(FRESH + attempt, judged_on))
        )
        inside = bool(settings.allowed(top.free[None, :])[0])
        if inside and value - 2.0 * mc >= goal and makeable_costs(recipe, frame)[0] < at_set_point:
            best = pd.Series(
                {n: v if isinstance(v := frame[n].iloc[0], str) else float(f"{v:.10g}") for n in win.study.names}
            )
            chance, error = value, mc
            break
        needed = min(needed + max(goal - (value - 2.0 * mc), 0.0) + 0.5 * mc, 1.0 - 1e-6)
    found = float(makeable_costs(recipe, pd.DataFrame([best.to_dict()]))[0])
    if not np.isfinite(found):
        raise _none_made(goal)
    return Cheapest(
        win,
        best.rename("cheapest setting"),
        found,
        at_set_point if np.isfinite(at_set_point) else float("nan"),
        float(chance),
        float(error),
        float(goal),
        _by_ingredient(recipe, win.set_point, best),
    )


def _none_made(goal: float) -> StudyError:
    return StudyError(
        "cheapest: recipe",
        f"unable to make any setting found to hold {float(goal):g}",
        "able to make one, within its ingredients' limits",
        "see recipe.check(study, plan)",
    )


def _check_links(win: Window, recipe: Recipe) -> None:
    names = list(win.study.names)
    for name in recipe.linked:
        if name not in names:
            raise StudyError(
                "cheapest: recipe",
                f"linked to {name!r}",
                f"linked to factors of the study ({', '.join(names)})",
                nearest(name, names),
            )
        if isinstance(win.study.factor(name), Categorical):
            raise StudyError(
                "cheapest: recipe",
                f"linked to {name!r}, a categorical factor",
                "linked to numbers",
                "link amounts to factors with numbers",
            )


def _by_ingredient(recipe: Recipe, point: pd.Series[Any], best: pd.Series[Any]) -> pd.DataFrame:
    found = recipe.cost(best).table
    try:
        there = recipe.cost(point).table["cost"].to_numpy(dtype=float)
    except StudyError:  # beyond what the recipe can make
        there = np.full(len(found), np.nan)
    out = pd.DataFrame({"ingredient": found["ingredient"], "set_point": there, "cheapest": found["cost"]})
    out["saving"] = out["set_point"] - out["cheapest"]
    return out
