"""Pictures of results, drawn with Matplotlib and shown by notebooks of themselves; no statistics of their own.

May import study, designs, quality, bench, fits, virtual and window. Functions of one panel take `ax=` and return Axes, those of
several take `figure=` and return a Figure; nothing touches pyplot or the global settings of Matplotlib.
"""

from doe.plots.chances import probability_by_response, probability_map
from doe.plots.checking import residuals
from doe.plots.curves import interactions, main_effects
from doe.plots.flowing import flow_curve
from doe.plots.look import words
from doe.plots.placing import plan_pairs, ternary
from doe.plots.planning import power_by_batches, precision_over_region, prediction_variance, term_correlations
from doe.plots.ranking import factor_effects
from doe.plots.slices import contours

__all__ = [
    "contours",
    "factor_effects",
    "flow_curve",
    "interactions",
    "main_effects",
    "plan_pairs",
    "power_by_batches",
    "precision_over_region",
    "prediction_variance",
    "probability_by_response",
    "probability_map",
    "residuals",
    "term_correlations",
    "ternary",
    "words",
]
