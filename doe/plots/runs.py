"""The batches behind a fit, as a picture needs them: settings in natural units and the reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from doe.fits import Fit


def observed(fit: Fit) -> pd.DataFrame:
    """One row a batch: the factors in natural units and `reading`, on the response's own scale; index the run labels."""
    table = pd.DataFrame(fit.batches.settings).copy()
    table.index = pd.Index(list(fit.runs), name="run")
    table["reading"] = fit.batches.values
    return table
