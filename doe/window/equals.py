"""Settings as good as the set point, as far as the draws can tell: how much the choice of one among them means."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.fits.tables import Noted
from doe.study import Categorical
from doe.window.folding import Floats
from doe.window.set_point_search import pooled

if TYPE_CHECKING:
    from doe.window.result import Window

ROUNDS, LOOKED_AT = 3, 4096  # rounds of looking closer, and settings looked at in each
WORTH = 0.1  # share of a factor's range from which its spread is told


def alike_settings(win: Window) -> Noted:
    """The work of `Window.alike`."""
    from doe.window.result import setting_text

    s, predictive = win._predictive.settings, win._predictive
    names = [f.name for f in win.study.categorical]
    combinations = [dict(zip(names, c, strict=True)) for c in product(*(f.levels for f in win.study.categorical))]
    point = win._point
    here, error = predictive.chance(s.encoded(s.complete(point.free[None, :]), point.levels), win._shown)
    least = float(here[0] - 2.0 * error[0])
    found: list[tuple[Floats, dict[str, str]]] = [(point.free[None, :], dict(point.levels))]
    pool = pooled(s, win.seed)
    rng = np.random.default_rng([win.seed, 5])
    for levels in combinations:
        own = point.free[None, :] if levels == point.levels else pool[:0]
        tried = pool
        for _ in range(ROUNDS):
            if len(tried):
                chance = predictive.chance(s.encoded(s.complete(tried), levels), win._shown)[0]
                own = np.vstack([own, tried[chance >= least]])
            if not len(own):
                break
            # the box of what is as good, half as wide again, is looked through more closely
            low, high = own.min(axis=0), own.max(axis=0)
            room = 0.25 * (high - low) + 0.02 * s.width[s.free]
            tried = rng.uniform(low - room, high + room, (LOOKED_AT // max(len(combinations), 1), len(s.free)))
            tried = tried[s.allowed(tried)]
        if len(own):
            found.append((own, levels))
    frame = pd.concat([s.frame(s.complete(free), levels) for free, levels in found], ignore_index=True)
    rows: list[tuple[str, Any, Any]] = []
    told = []
    for f in win.study.factors:
        if isinstance(f, Categorical):
            levels_ = ", ".join(level for level in f.levels if (frame[f.name] == level).any())
            rows.append((f.name, levels_, levels_))
            if ", " in levels_:
                told.append(f"{f.name} {levels_}")
            continue
        i = s.names.index(f.name)
        least_, most = float(frame[f.name].min()), float(frame[f.name].max())
        # inward to what can be set; a single setting stays as it is
        low_, high_ = (s.rounded(i, least_, up=True), s.rounded(i, most, up=False)) if most > least_ else (least_, most)
        if low_ > high_:
            low_, high_ = least_, most
        rows.append((f.name, low_, high_))
        if high_ - low_ >= WORTH * (f.high - f.low):
            unit = f" {getattr(f, 'unit', '')}".rstrip()
            told.append(f"{f.name} {setting_text(f, low_)} to {setting_text(f, high_)}{unit}")
    note = (
        f"Other settings cannot be told from it by their chance: they reach over {', '.join(told)}{', though not in every combination' if len(told) > 1 else ''}. "
        "Another seed may choose another of them; prefer what is cheap or easy to make."
        if told
        else ""
    )
    return Noted.made(pd.DataFrame(rows, columns=["factor", "low", "high"]), note)
