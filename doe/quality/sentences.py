"""What a check says in words: each sentence with the threshold at which it appears."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe.study.shown import number_text

SAME = 0.995  # correlation from which two columns carry one and the same question on these runs
MIXED = 0.5  # from which they are mixed up enough to be named
INFLATED = 5.0  # variance inflation from which a term is named (common practice, no source)
GROSS = 3.0  # a change of so many σ is a gross one
PURE = 4  # degrees of freedom of pure error below which the lack-of-fit test sees only a gross misfit
FIT = 3  # of lack of fit below which it has little to find it in
ALONE = 0.9  # leverage from which a run's fitted value rests mostly on its own reading
SURE = 1.0  # prediction variance above which a mean is less sure than one new batch's reading
SAID = 8  # sentences of a kind before the rest is counted
NAMED = 5  # terms in a sentence before the rest is counted

_POWERS = {2: "²", 3: "³", 4: "⁴"}


def spoken(term: str) -> str:
    """A term as a person says it: "polymer × speed", "polymer²"."""
    if term == "1":
        return "the constant"
    text = re.sub(r"\^(\d+)", lambda m: _POWERS.get(int(m[1]), f"^{m[1]}"), term)
    return " × ".join(re.findall(r"(?:`[^`]*`|\[[^\]]*\]|[^:])+", text)).replace("`", "")


def listed(words: Sequence[str]) -> str:
    """Words with commas and a last "and"."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def separation(pairs: Sequence[tuple[str, str, float]], checked: str, least: float = MIXED) -> list[str]:
    """Sentences on pairs (column, other, correlation over the runs) of at least `least`, worst first."""
    same: dict[str, list[str]] = {}
    mixed: dict[str, list[tuple[str, float]]] = {}
    for one, other, r in sorted(pairs, key=lambda pair: -abs(pair[2])):
        if abs(r) >= SAME:
            same.setdefault(one, []).append(other)
        elif abs(r) >= least:
            mixed.setdefault(one, []).append((other, r))
    out = [
        f"{spoken(one)} cannot be separated from {several([spoken(o) for o in others])}."
        for one, others in same.items()
    ]
    for one, found in mixed.items():
        size = f"correlation {'up to ' if len(found) > 1 else ''}{max(abs(r) for _, r in found):.2f} in size"
        out.append(f"{spoken(one)} is partly mixed up with {several([spoken(o) for o, _ in found])} ({size}).")
    if len(out) > SAID:
        out = [*out[:SAID], f"{len(out) - SAID} more of the kind: correlation and alias hold them all."]
    return out or [f"Nothing {checked} is mixed up (no correlation of {least:g} or more)."]


def several(words: Sequence[str]) -> str:
    """The first few words, and how many more there are."""
    if len(words) <= NAMED:
        return listed(words)
    return ", ".join(words[:NAMED]) + f" and {len(words) - NAMED} more"


def unseen(constant: Sequence[str]) -> list[str]:
    """A sentence on terms left out that do not vary over the runs, so that only the constant would feel them."""
    if not constant:
        return []
    return [
        f"{several([spoken(c) for c in constant])} cannot be separated from the constant: such curvature would go unseen."
    ]


def inflated(vif: pd.Series[float]) -> list[str]:
    """Sentences on terms whose variance the others inflate."""
    worst = vif[vif >= INFLATED].sort_values(ascending=False)
    return [
        f"{spoken(str(t))} is estimated with {number_text(v, digits=2)} times the variance it would have with nothing beside it."
        for t, v in list(worst.items())[:SAID]
    ]


def changes(table: pd.DataFrame, power: float) -> list[str]:
    """Sentences on the smallest change seen, in units of σ; table with columns term, df, change."""
    untestable = table[~(table["df"] > 0)]
    out = []
    if len(untestable):
        names = listed([spoken(t) for t in untestable["term"]])
        out.append(f"No change would be seen in {names}: there are no degrees of freedom left to judge the noise by.")
    tested = table[table["df"] > 0]
    if len(tested):
        worst = tested.iloc[int(tested["change"].to_numpy().argmax())]
        best = tested.iloc[int(tested["change"].to_numpy().argmin())]
        size = f"{number_text(worst['change'], digits=3)} σ"
        if math.isclose(worst["change"], best["change"], rel_tol=1e-3):
            out.append(f"A change of {size} in any of these would be seen {100 * power:.0f} times in 100.")
        else:
            out.append(
                f"Hardest to see: {spoken(worst['term'])}, which must change by {size} to be seen {100 * power:.0f} times in 100; "
                f"easiest: {spoken(best['term'])}, {number_text(best['change'], digits=3)} σ."
            )
        gross = tested[tested["change"] > GROSS]
        if len(gross):
            out.append(
                f"Only gross changes (more than {GROSS:g} σ) would be seen in {listed([spoken(t) for t in gross['term']])}."
            )
    return out


def precision(average: float, largest: float, where: str, proved: str) -> list[str]:
    """Sentences on how sure predicted means are."""
    out = [
        f"On average over the region a predicted mean has {number_text(average, digits=3)} times the variance of one batch."
    ]
    sure = "is less sure than" if largest > SURE else "is at least as sure as"
    out.append(
        f"At the worst setting ({where}) it has {number_text(largest, digits=3)} times ({proved}): "
        f"a prediction there {sure} one batch made there."
    )
    return out


def what_is_left(df: pd.Series[int], leverage: pd.Series[float]) -> list[str]:
    """Sentences on what is left to judge the model and the noise by."""
    fit, pure = int(df["lack of fit"]), int(df["pure error"])
    inside = " within whole plots" if "whole plots" in df else ""
    out = []
    if fit == 0:
        out.append(f"Nothing is left{inside} to check whether the model fits.")
    elif fit < FIT:
        word = "degree" if fit == 1 else "degrees"
        out.append(f"Only {fit} {word} of freedom for lack of fit{inside}: few kinds of misfit could show.")
    if pure == 0:
        out.append("No setting is made twice under like conditions: noise and lack of fit cannot be told apart.")
    elif pure < PURE:
        out.append(f"Only {pure} df of pure error: the lack-of-fit test would see only a gross misfit.")
    if "whole plots" in df and int(df["whole plots"]) == 0:
        out.append("No degrees of freedom between whole plots: effects of what is hard to change cannot be tested.")
    alone = leverage[leverage >= ALONE]
    if len(alone):
        runs = listed([str(r) for r in alone.index[:SAID]]) + (" and others" if len(alone) > SAID else "")
        word, each, them = ("runs", "each", "them") if len(alone) > 1 else ("run", "that run", "it")
        out.append(
            f"The fit at {word} {runs} rests mostly on {each} alone (leverage {np.min(alone):.2f} or more): "
            f"weigh and read {them} with care."
        )
    return out or ["Enough is left to check the model and the noise."]
