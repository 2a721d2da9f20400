"""What a reading or a setting cannot be, whatever was typed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from doe.study import Categorical, Response

if TYPE_CHECKING:
    from doe.study.factors import Factor


def ends_of(response: Response) -> tuple[float, float]:
    """Between which values a reading can lie: the response's domain, and for a pH without a unit 0 to 14."""
    bottom, top = response.domain
    if response.name.casefold() == "ph" and not response.unit:
        return max(bottom, 0.0), min(top, 14.0)
    return bottom, top


def ends_text(response: Response) -> str:
    """Those values in words: ", from 0 to 14", ", 0 or above", or nothing."""
    bottom, top = ends_of(response)
    if np.isinf(bottom) and np.isinf(top):
        return ""
    return f", {bottom:g} or above" if np.isinf(top) else f", from {bottom:g} to {top:g}"


def can_be(response: Response, value: tuple[float, float, float]) -> bool:
    """Whether a reading, its bounds included, is one the response can have."""
    if response.scale is not None:
        return bool(float(value[0]).is_integer() and response.scale[0] <= value[0] <= response.scale[1])
    bottom, top = ends_of(response)
    return all(bottom <= v <= top for v in value if np.isfinite(v))


def beyond_limits(factor: Factor, value: Any) -> str:
    """What a setting as made must be where it lies beyond what the factor can be set to; "" where it does not."""
    if isinstance(factor, Categorical) or not isinstance(value, int | float | np.number):
        return ""
    least, most = getattr(factor, "limits", (None, None))
    unit = f" {getattr(factor, 'unit', '')}".rstrip()
    if least is not None and most is not None and not least <= value <= most:
        return f"from {least:g} to {most:g}{unit}"
    if least is not None and value < least:
        return f"{least:g}{unit} or above"
    return f"{most:g}{unit} or below" if most is not None and value > most else ""
