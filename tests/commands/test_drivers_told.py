"""`analyse` says what drives each response, and why not where it cannot be told."""

import numpy as np
import pandas as pd

import doe
from doe.__main__ import _drivers


def test_drivers_are_told_or_the_reason_why_not():
    study = doe.Study("gel", [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)], [doe.Response("y")])
    runs = doe.designs.full_factorial(study, levels=2, replicates=2).runs
    y = 3 * runs["a"] + np.random.default_rng(1).normal(0, 0.1, len(runs))
    told = str(_drivers(doe.fit(study, pd.DataFrame(runs).assign(y=y), "y", "linear")))
    assert told.startswith("What drives y")
    assert "shown to matter" in told
    bare = _drivers(doe.fit(study, pd.DataFrame(runs).assign(y=y), "y", ["1"]))
    assert bare == (
        "What drives y cannot be told: drivers: model is '1' but must be one with a factor in it: fit a model with the factors studied."
    )
