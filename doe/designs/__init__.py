"""Which batches to make: classical two-level, second-order, mixture, space-filling and optimal plans, extensions, and the Plan that each returns.

Floor 2: imports only from study.
"""

from doe.designs.augmenting import add_axial, fold_over
from doe.designs.composite import box_behnken, central_composite
from doe.designs.engine import extend, optimal
from doe.designs.factorial import full_factorial
from doe.designs.filling import latin_hypercube, space_filling
from doe.designs.fraction import fractional_factorial
from doe.designs.mixtures import extreme_vertices, simplex_centroid, simplex_lattice
from doe.designs.plan import Plan
from doe.designs.screening import definitive_screening, plackett_burman

__all__ = [
    "Plan",
    "add_axial",
    "box_behnken",
    "central_composite",
    "definitive_screening",
    "extend",
    "extreme_vertices",
    "fold_over",
    "fractional_factorial",
    "full_factorial",
    "latin_hypercube",
    "optimal",
    "plackett_burman",
    "simplex_centroid",
    "simplex_lattice",
    "space_filling",
]
