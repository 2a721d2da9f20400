"""Small invented trials, named for what they show."""

import numpy as np
import pandas as pd
import pytest

import doe


def gel_study(**viscosity):
    """Three factors of an invented clear gel."""
    return doe.Study(
        "gel",
        [
            doe.Continuous("polymer", 0.2, 0.6, "%"),
            doe.Continuous("neutralisation", 50, 90, "%"),
            doe.Continuous("speed", 400, 1000, "rpm", limits=(0, 1500)),
        ],
        [doe.Response("viscosity", "mPa·s", **viscosity), doe.Response("pH", decimals=2)],
    )


def box_behnken_runs():
    """The 12 + 3 runs of a three-factor Box-Behnken plan (Box & Behnken 1960), natural units of `gel_study`."""
    edge = [(a, b) for a in (-1, 1) for b in (-1, 1)]
    coded = [(a, b, 0) for a, b in edge] + [(a, 0, b) for a, b in edge] + [(0, a, b) for a, b in edge] + [(0, 0, 0)] * 3
    z = np.array(coded, dtype=float)
    return pd.DataFrame(
        {
            "run": range(1, 16),
            "polymer": np.round(0.4 + 0.2 * z[:, 0], 10),
            "neutralisation": 70 + 20 * z[:, 1],
            "speed": 700 + 300 * z[:, 2],
        }
    )


@pytest.fixture
def gel_fitted_as():
    """The gel's study with its viscosity on a given scale."""
    return lambda transform: gel_study(transform=transform)


@pytest.fixture
def gel():
    return gel_study()


@pytest.fixture
def gel_data():
    """Fifteen invented batches: viscosity curved and noisy (1 %), pH all but linear."""
    data = box_behnken_runs()
    rng = np.random.default_rng(20)
    p, n, s = (
        (data[c] - m) / h for c, m, h in (("polymer", 0.4, 0.2), ("neutralisation", 70, 20), ("speed", 700, 300))
    )
    log_viscosity = 9.4 + 0.6 * p + 0.15 * n - 0.08 * s - 0.05 * n**2 + 0.05 * p * n
    data["viscosity"] = np.round(np.exp(log_viscosity + 0.03 * rng.standard_normal(15)), -1)
    data["pH"] = np.round(6.2 + 0.45 * n + 0.04 * rng.standard_normal(15), 2)
    return data
