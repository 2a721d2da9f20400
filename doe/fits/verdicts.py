"""What to be wary of, in plain words: one function a question, each with the threshold at which it speaks up.

The thresholds without a source are common practice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from doe.study.shown import p_text

LACK_OF_FIT_P = 0.05
FEW_PURE_ERROR_DF = 2  # at so few, the F that 5 % asks for is 19 or more
TIGHT_REPEATS_F = 20.0  # repeats this much closer than the misfit are more often repeat readings than a wrong model
PREDICTION_GAP = 0.2  # common practice, no source
FEW_RESIDUAL_DF = 4
OUTLIER_P = 0.05  # over all runs together (Bonferroni)
COOK_LIMIT = 1.0  # Cook & Weisberg (1982), section 3.3
LEVERAGE_FACTOR = 2.0  # times the average p/n: Hoaglin & Welsch (1978), The American Statistician 32, 17-22
PATTERN_P = 0.05
PROPORTIONALITY_P = 0.05
SPAN = 10.0  # largest reading over smallest, at which a transform matters: common practice, no source


def listed(items: Sequence[Any]) -> str:
    """Words in a row: "1", "1 and 2", "1, 2 and 3"."""
    words = [str(i) for i in items]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def runs_text(runs: Sequence[Any]) -> str:
    """The word run or runs, with their labels."""
    return f"run {runs[0]}" if len(runs) == 1 else f"runs {listed(runs)}"


def _signed(value: float) -> str:
    return f"{value:.2f}".replace("-", "−")


def on_lack_of_fit(F: float, p: float, df_lack: int, df_pure: int) -> list[str]:
    """What repeated batches say of the model."""
    if df_pure == 0:
        return ["No setting was made in two batches: lack of fit cannot be tested."]
    if df_lack == 0:
        return ["The model has a coefficient for every setting made: lack of fit cannot show."]
    out = []
    if p < LACK_OF_FIT_P:
        out.append(
            f"Lack of fit (p = {p_text(p).replace('<', 'below ')}): the model misses the readings by more than repeated "
            "batches differ; a curve, an interaction or another scale is missing."
        )
        if F > TIGHT_REPEATS_F:
            out.append(
                f"The repeats agree {math.sqrt(F):.0f} times more closely than the model misses: make sure they are batches "
                "made anew, not readings of one batch."
            )
    if df_pure <= FEW_PURE_ERROR_DF:
        out.append(f"Only {df_pure} df of pure error: the lack-of-fit test would see only a gross misfit.")
    return out


def on_prediction(r2: float, r2_predicted: float) -> list[str]:
    """Whether the fit foretells as well as it follows."""
    if math.isnan(r2_predicted):
        return []
    if r2_predicted < 0:
        return [
            f"Predicted R² is below 0 ({_signed(r2_predicted)}): for a run it has not seen, the model does worse than the plain "
            "average."
        ]
    if r2 - r2_predicted > PREDICTION_GAP:
        return [
            f"Predicted R² ({_signed(r2_predicted)}) is far below R² ({r2:.2f}): the model follows these runs better than it would "
            "foretell new ones."
        ]
    return []


def on_degrees_of_freedom(df: int) -> list[str]:
    """Whether there is enough left to judge the noise by."""
    if df == 0:
        return [
            "As many coefficients as batches: the model passes through every reading, so there are no standard errors and "
            "nothing to check it by."
        ]
    if df < FEW_RESIDUAL_DF:
        return [f"Only {df} residual df: the noise itself is hardly known, and intervals are wide for that reason."]
    return []


def on_outliers(runs: Sequence[Any], values: Sequence[float]) -> list[str]:
    """Runs that lie too far from what the others foretell; `values` are studentised residuals."""
    return [
        f"Run {run} lies {'above' if t > 0 else 'below'} what the other runs foretell by {abs(t):.1f} standard errors, more than "
        "chance gives among so many runs: look it up in the notebook before deciding."
        for run, t in zip(runs, values, strict=True)
    ]


def on_influence(leverage: Sequence[Any], full: Sequence[Any], cook: Sequence[Any]) -> list[str]:
    """Runs on which the fit leans: with high leverage, with leverage 1, and with a large Cook's distance."""
    out = []
    if full:
        out.append(
            f"The model passes through {runs_text(full)} whatever was read there: an error in that reading would not show."
        )
    if leverage:
        out.append(f"The fit leans on {runs_text(leverage)} more than twice as much as on the average run (leverage).")
    if cook:
        out.append(
            f"Leaving out {runs_text(cook)} would change the fit markedly (Cook's distance above {COOK_LIMIT:g})."
        )
    return out


def on_scale(least: float, most: float, transformed: bool) -> list[str]:
    """Whether readings span so much that their scale should be looked into."""
    if transformed or least <= 0 or most / least <= SPAN:
        return []
    return [
        f"Readings span a factor of {most / least:.0f} and are fitted as measured: see transform_profile() for a scale on which "
        "the noise is even."
    ]


def on_drift(t: float, p: float, size: str) -> str:
    """Whether readings drift in the order of making; `size` is the drift from first to last batch, in words."""
    if math.isnan(p):
        return "A drift in the order of making cannot be told from the terms of the model."
    if p >= PATTERN_P:
        return "No drift in the order of making is seen."
    way = "rise" if t > 0 else "fall"
    return (
        f"Readings {way} in the order of making, by {size} from the first batch to the last beyond what the model says "
        f"(p = {p_text(p).replace('<', 'below ')}): look for ageing stock, a warming room, a drifting instrument."
    )


def on_neighbours(excess: float, p: float) -> str:
    """Whether batches made one after another are alike; `excess` is their correlation beyond that of independent noise."""
    if p >= PATTERN_P:
        return "Batches made one after another are no more alike than others."
    p_words = p_text(p).replace("<", "below ")
    if excess > 0:
        return (
            f"Batches made one after another are alike beyond what the model says (p = {p_words}): something lasts longer than one batch, and "
            "standard errors are too small."
        )
    return f"Batches made one after another swing to and fro (p = {p_words}): look for a correction made after every batch, or carry-over."


def on_whole_plots(p: float) -> str:
    """Whether batches of one whole plot are alike in a fit that takes all batches for set up anew."""
    if math.isnan(p):
        return "Whether batches of one whole plot are alike cannot be told from the terms of the model."
    if p >= PATTERN_P:
        return "Batches of one whole plot are not seen to be more alike than others."
    return (
        f"Batches of one whole plot are alike beyond what the model says (p = {p_text(p).replace('<', 'below ')}): least squares makes "
        "whole-plot effects look surer than they are; fit with REML."
    )


def on_plots_out_of_line(flagged: Sequence[Any], farthest: Any) -> str:
    """Whether a whole plot lies too far from what the model and the others foretell."""
    if not flagged:
        return f"No whole plot is out of line; the farthest is {farthest}."
    word = f"Whole plot {flagged[0]} lies" if len(flagged) == 1 else f"Whole plots {listed(flagged)} lie"
    return f"{word} farther from what the others foretell than chance gives: look up how it was set up before deciding."


def on_power(low: float, high: float, now: float) -> str:
    """Whether the scale fitted, as a Box–Cox power, is one that the readings allow."""
    if low <= now <= high:
        return f"The scale fitted (λ = {now:g}) lies inside the interval: nothing speaks for another."
    return f"The scale fitted (λ = {now:g}) lies outside the interval: the noise is more even on one inside it."


def on_proportionality(p: float, term: str) -> str:
    """Whether slopes are the same at every score; `term` is that whose slopes differ most."""
    figure = p_text(p).replace("<", "below ")
    if p < PROPORTIONALITY_P:
        return (
            f"The slopes are not the same at every score (p = {figure}), most of all those of {term}: what raises a low score may not raise a high one, so "
            "check the chances against the scores given before using them."
        )
    return f"Nothing says that the slopes differ from score to score (p = {figure})."
