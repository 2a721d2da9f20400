"""Which batches to make: classical two-level, second-order, mixture and space-filling plans, and the Plan they return.

Floor 2: imports only from study.
"""

from doe.designs.composite import box_behnken, central_composite
from doe.designs.factorial import full_factorial
from doe.designs.fraction import fractional_factorial
from doe.designs.plan import Plan
from doe.designs.screening import definitive_screening, plackett_burman

__all__ = [
    "Plan",
    "box_behnken",
    "central_composite",
    "definitive_screening",
    "fractional_factorial",
    "full_factorial",
    "plackett_burman",
]
