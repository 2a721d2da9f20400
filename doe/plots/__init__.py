"""Pictures of results, drawn with Matplotlib and shown by notebooks of themselves; no statistics of their own.

May import study, designs, quality, bench, fits, virtual and window. Functions of one panel take `ax=` and return Axes, those of
several take `figure=` and return a Figure; nothing touches pyplot or the global settings of Matplotlib.
"""

from doe.plots.allowed import region_pairs
from doe.plots.blending import probability_ternary
from doe.plots.blends import ternary_response, traces
from doe.plots.boxcox import transform_profile
from doe.plots.card import set_point_card
from doe.plots.chances import probability_by_response, probability_map
from doe.plots.checking import making_order, residuals
from doe.plots.curves import interactions, main_effects
from doe.plots.flowing import flow_curve
from doe.plots.leading import stationary_region, surface_path
from doe.plots.look import words
from doe.plots.placing import plan_pairs, ternary
from doe.plots.planning import power_by_batches, precision_over_region, prediction_variance, term_correlations
from doe.plots.ranking import factor_effects
from doe.plots.refits import robust_refit, variance_components
from doe.plots.scored import score_chances
from doe.plots.screening import half_normal, inclusion_weights
from doe.plots.shares import drivers
from doe.plots.slices import contours
from doe.plots.storage import drift
from doe.plots.titrating import titration

__all__ = [
    "contours",
    "drift",
    "drivers",
    "factor_effects",
    "flow_curve",
    "half_normal",
    "inclusion_weights",
    "interactions",
    "main_effects",
    "making_order",
    "plan_pairs",
    "power_by_batches",
    "precision_over_region",
    "prediction_variance",
    "probability_by_response",
    "probability_map",
    "probability_ternary",
    "region_pairs",
    "residuals",
    "robust_refit",
    "score_chances",
    "set_point_card",
    "stationary_region",
    "surface_path",
    "term_correlations",
    "ternary",
    "ternary_response",
    "titration",
    "traces",
    "transform_profile",
    "variance_components",
    "words",
]
