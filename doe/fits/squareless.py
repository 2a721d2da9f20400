"""What a fit has not whose readings leave no sum of squares: scores, and readings known only by bounds."""

from __future__ import annotations

from functools import cached_property


class WithoutSquares:
    """NaN for what rests on sums of squares."""

    @property
    def r2(self) -> float:
        """NaN: these readings have no sum of squares."""
        return float("nan")

    @property
    def r2_adjusted(self) -> float:
        """NaN, as `r2`."""
        return float("nan")

    @property
    def r2_predicted(self) -> float:
        """NaN, as `r2`."""
        return float("nan")

    @cached_property
    def press(self) -> float:
        """NaN, as `r2`."""
        return float("nan")
