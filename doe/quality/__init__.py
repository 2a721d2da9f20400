"""How good a plan is before anyone weighs anything: what it can tell apart, what change it would see, how precise it is where.

May import from study and designs only.
"""

from doe.quality.checking import Check, check
from doe.quality.comparing import Comparison, Loss, after_loss, compare
from doe.quality.fewest import Smallest, smallest_plan
from doe.quality.overregion import OverRegion
from doe.quality.spread import Noise, noise_from_batches, noise_from_variation, usual_noise
from doe.quality.tryout import shut_out, try_outs, with_try_outs

__all__ = [
    "Check",
    "Comparison",
    "Loss",
    "Noise",
    "OverRegion",
    "Smallest",
    "after_loss",
    "check",
    "compare",
    "noise_from_batches",
    "noise_from_variation",
    "shut_out",
    "smallest_plan",
    "try_outs",
    "usual_noise",
    "with_try_outs",
]
