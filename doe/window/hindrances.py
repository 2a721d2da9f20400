"""Why there is no window: what limits it, which specifications clash, and what would open it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.study import Section, Shown
from doe.study.shown import chance_text
from doe.window.folding import Floats
from doe.window.set_point_search import pooled

if TYPE_CHECKING:
    from doe.window.result import Window

STREAM = 211  # of draws, apart from those that found the set point
DRAWS = 2000
SPARE = 4  # draws by which a limit's order statistic must at least fall short of the last one
HOPEFUL, MOST_DRAWS = 32, 64_000  # settings judged by more draws where the target is near 1, and how many draws at most
KEPT = 512  # settings looked at closely: those whose chance is best, and those spread over the region
AT_END = 1e-6  # share of a range within which a setting lies at its end
APART = 0.02  # what a pair of specifications must cost beside the worse of the two before it is called a clash


@dataclass(frozen=True, repr=False, eq=False)
class Obstacles(Shown):
    """What stands in the way of a window; made by `Window.obstacles`.

    Attributes
    ----------
    reached : bool
        Whether there is a window after all; then nothing else is said.
    limiting : str
        "chemistry" (no setting's predicted means meet all specifications), "noise" (with everything known, batches would still scatter beyond them),
        or "uncertainty" (the trial does not yet say enough); "" where there is a window.
    best_known : float
        The best chance if the fitted means and variances were exactly true.
    clashes : DataFrame
        One row a pair of responses that cannot be met together as well as each alone: responses, together, alone (the lower of the two).
    relaxations : DataFrame
        One row a limit that, moved alone, would open a window: response, limit, now, needed, and where.
    wider : tuple of (str, str)
        Factors at an end of their range beyond which the chance still rises: name and end ("low" or "high").
    words : str
    """

    reached: bool
    limiting: str
    best_known: float
    clashes: pd.DataFrame
    relaxations: pd.DataFrame
    wider: tuple[tuple[str, str], ...]
    words: str

    def _sections(self) -> list[Section]:
        sections = [Section("What stands in the way", None, self.words)]
        if len(self.clashes):
            shown = self.clashes.assign(
                together=[f"{v:.3f}" for v in self.clashes["together"]],
                alone=[f"{v:.3f}" for v in self.clashes["alone"]],
            )
            sections.append(
                Section(
                    "Specifications that clash",
                    shown.astype(str),
                    "Best chance found of meeting both, and the lower of the best chances of meeting each alone.",
                )
            )
        if len(self.relaxations):
            sections.append(
                Section(
                    "One limit moved alone would open it",
                    self.relaxations.astype(str),
                    "Whether a limit may move is for whoever set it to say.",
                )
            )
        return sections


def obstacles_of(win: Window) -> Obstacles:
    """The work of `Window.obstacles`."""
    empty = pd.DataFrame()
    if win.reached:
        return Obstacles(True, "", win.set_point_probability, empty, empty, (), "There is a window.")
    frame, Z = _candidates(win)
    values, meets, known, means = _foretold(win, Z, DRAWS)
    names = list(win.fits)
    best_known = float(known.max())
    if not means.any():
        limiting = "chemistry"
        said = "No setting looked at has predicted means that meet every specification: the recipe as it was varied cannot do it, however well it is made."
    elif best_known < win.target:
        limiting = "noise"
        said = (
            f"Were the fitted means and variances exactly true, the best chance would be {best_known:.3f}: batches scatter too widely for these "
            "specifications. Better control of making and measuring is needed, or wider limits; more batches alone will not do."
        )
    else:
        limiting = "uncertainty"
        said = (
            f"Were the fitted means and variances exactly true, the best chance would be {best_known:.3f}, enough for {win.target:g}: what is lacking "
            "is knowledge. More batches near the best setting would sharpen it."
        )
    clashes = _clashes(names, meets)
    relaxations = _relaxations(win, frame, Z, values, meets)
    wider = _wider(win)
    words = [f"The best chance found is {chance_text(win.set_point_probability, 3)}, short of {win.target:g}.", said]
    if len(clashes):
        words.append(f"{clashes['responses'].iloc[0]} stand most in each other's way.")
    if relaxations is None:
        words.append(
            f"Whether one limit moved alone would open a window was not worked out: {win.target:g} is too near 1."
        )
        relaxations = empty
    elif not len(relaxations):
        words.append("No single limit, moved alone, would open a window.")
    for name, end in wider:
        words.append(
            f"{name} lies at the {end} end of its range and the chance still rises there: a wider range may help, which this trial cannot promise."
        )
    return Obstacles(False, limiting, best_known, clashes, relaxations, wider, " ".join(words))


def _candidates(win: Window) -> tuple[pd.DataFrame, Floats]:
    s = win._predictive.settings
    pool = pooled(s, win.seed)
    frames = [pd.DataFrame([win.set_point.to_dict()])]
    combos = list(product(*(f.levels for f in win.study.categorical)))
    for levels in combos:
        named: Mapping[str, str] = dict(zip((f.name for f in win.study.categorical), levels, strict=True))
        Z = s.encoded(s.complete(pool), named)
        chance = win._predictive.chance(Z, win._shown)[0]
        # where nothing meets everything the softened chance still tells near from far
        soft = win._predictive.smooth(s, pool, named, win._shown, 1.0, slope=False)[0]
        count = max(KEPT // len(combos) // 4, 8)
        own = np.unique(
            np.concatenate(
                [
                    np.argsort(-chance, kind="stable")[:count],
                    np.argsort(-soft, kind="stable")[:count],
                    np.arange(2 * count) % len(pool),
                ]
            )
        )
        frames.append(s.frame(s.complete(pool[own]), named))
    frame = pd.concat(frames, ignore_index=True)
    return frame, win.study.encode(frame)


def _foretold(win: Window, Z: Floats, draws: int) -> tuple[Floats, NDArray[np.bool_], Floats, NDArray[np.bool_]]:
    """Draws of every response at every setting (N, D, r), which meet their limits, the chance with all known, and whether the means meet all."""
    p = win._predictive
    raw = p.unfolded(STREAM, draws)
    terms = p.monomials(Z)
    values = np.stack([terms @ c.T for c in raw.folded], axis=2)
    low, high = (np.stack([getattr(d, end) for d in raw.drawn], axis=1) for end in ("low", "high"))
    meets = (values >= low) & (values <= high)
    # everything known: coefficients and limits at their averages, a batch's own errors about them; 1/mean(1/σ²) is the residual mean square
    centre = np.stack(
        [fit.model.matrix_of(Z) @ d.coefficients.mean(axis=0) for fit, d in zip(p.fits, raw.drawn, strict=True)], axis=1
    )
    middle = [np.array([np.median(getattr(d, end)) for d in raw.drawn]) for end in ("low", "high")]
    means = np.asarray(((centre >= middle[0]) & (centre <= middle[1])).all(axis=1))
    errors = [
        e if d.logistic else e / d.spread * np.sqrt(1.0 / np.mean(d.spread**-2.0))
        for e, d in zip(raw.errors, raw.drawn, strict=True)
    ]
    error = np.stack(errors, axis=1)
    around = centre[:, None, :] + error
    known = np.asarray(((around >= middle[0]) & (around <= middle[1])).all(axis=2).mean(axis=1))
    return values, meets, known, means


def _clashes(names: list[str], meets: NDArray[np.bool_]) -> pd.DataFrame:
    alone = meets.mean(axis=1).max(axis=0)
    rows = []
    for i, j in combinations(range(len(names)), 2):
        together = float((meets[:, :, i] & meets[:, :, j]).mean(axis=1).max())
        least = float(min(alone[i], alone[j]))
        if least - together > APART:
            rows.append({"responses": f"{names[i]} and {names[j]}", "together": together, "alone": least})
    out = pd.DataFrame(rows, columns=["responses", "together", "alone"])
    return out.iloc[np.argsort(out["together"] - out["alone"], kind="stable")].reset_index(drop=True) if rows else out


def _need(target: float, draws: int) -> int:
    """How many draws must meet everything: two Monte-Carlo errors above the target, as the set point itself must clear."""
    return int(np.ceil(draws * target + 2.0 * np.sqrt(draws * target * (1.0 - target))))


def _relaxations(
    win: Window, frame: pd.DataFrame, Z: Floats, values: Floats, meets: NDArray[np.bool_]
) -> pd.DataFrame | None:
    """The least that each limit, moved alone, must move; an order statistic at each setting, the best setting taken.

    A target too near 1 for these draws is judged by more of them at the most hopeful settings; None where even those are too few.
    """
    draws = values.shape[1]
    enough = draws
    while enough <= MOST_DRAWS and (_need(win.target, enough) > enough - SPARE):
        enough *= 2
    if enough > MOST_DRAWS:
        return None
    rows = []
    for j, (name, fit) in enumerate(win.fits.items()):
        response = fit.response
        for side, now in (("low", response.low), ("high", response.high)):
            if now is None or response.scale is not None:
                continue
            sign = 1.0 if side == "high" else -1.0
            if enough == draws:
                ends = _ends(win, j, side, values, meets, _need(win.target, draws))
                where = frame
            else:
                rough = _ends(win, j, side, values, meets, int(np.floor(draws * win.target)))
                hopeful = np.argsort(rough, kind="stable")[:HOPEFUL]
                hopeful = hopeful[np.isfinite(rough[hopeful])]
                if not len(hopeful):
                    continue
                more = _foretold(win, Z[hopeful], enough)
                ends = _ends(win, j, side, more[0], more[1], _need(win.target, enough))
                where = frame.iloc[hopeful]
            at = int(np.argmin(ends))
            if not np.isfinite(ends[at]):
                continue
            setting = where.iloc[at]
            rows.append(
                {
                    "response": name,
                    "limit": side,
                    "now": response.text(float(now)),
                    "needed": response.text(float(response.inverse(sign * ends[at]))),
                    "at": ", ".join(win._setting(n, _brief(setting[n])) for n in win.study.names),
                }
            )
    return pd.DataFrame(rows)


def _ends(win: Window, j: int, side: str, values: Floats, meets: NDArray[np.bool_], need: int) -> Floats:
    """Where a limit of response j would have to lie at every setting for so many draws to meet all, shape (N,); low limits negated."""
    sign = 1.0 if side == "high" else -1.0
    low, high = list(win.fits.values())[j].response.fitted_limits()
    opposite = (values[:, :, j] >= low) if side == "high" else (values[:, :, j] <= high)
    usable = np.delete(meets, j, axis=2).all(axis=2) & opposite
    return np.asarray(np.sort(np.where(usable, sign * values[:, :, j], np.inf), axis=1)[:, need - 1])


def _brief(value: Any) -> Any:
    return value if isinstance(value, str) else float(f"{value:.3g}")


def _wider(win: Window) -> tuple[tuple[str, str], ...]:
    """Factors at an end of their own range where the softened chance still rises outward."""
    s = win._predictive.settings
    x = s.array(pd.DataFrame([win.set_point.to_dict()]))
    levels = {f.name: str(win.set_point[f.name]) for f in win.study.categorical}
    _, slope = win._predictive.smooth(s, x[:, s.free], levels, win._shown, 0.5)
    out = []
    for place, i in enumerate(s.free):
        factor, rise = s.factors[i], float(slope[0, place]) * s.width[i]
        if abs(x[0, i] - factor.high) <= AT_END * s.width[i] and rise > 1e-3:
            out.append((factor.name, "high"))
        elif abs(x[0, i] - factor.low) <= AT_END * s.width[i] and rise < -1e-3:
            out.append((factor.name, "low"))
    return tuple(out)
