"""How long the design region takes: a gel's mixture with process factors, and twelve factors under thirty constraints."""

import numpy as np
import pytest

import doe


def blend():
    parts = [doe.Component(f"x{i}", 5, 60) for i in range(5)]
    process = [doe.Continuous("speed", 400, 1000), doe.Continuous("minutes", 10, 40)]
    return doe.Study("blend", [*parts, *process], constraints=["x0 + x1 <= 50", "x2 / x3 <= 2"])


def twelve():
    """Cuts that take the corners off a cube: some seven thousand corners are left."""
    words = []
    for row in np.random.default_rng(0).standard_normal((30, 12)):
        left = " + ".join(f"{c:.3f}*x{j}" for j, c in enumerate(row)).replace("+ -", "- ")
        words.append(f"{left} <= {2.5 * np.linalg.norm(row):.3f}")
    return doe.Study("twelve", [doe.Continuous(f"x{j}", -1, 1) for j in range(12)], constraints=words)


@pytest.mark.parametrize("make", [blend, twelve])
def test_corners(benchmark, make):
    benchmark.pedantic(lambda: make().region.vertices(), rounds=3)


@pytest.mark.parametrize("make", [blend, twelve])
def test_averages(benchmark, make):
    def job():
        study = make()
        return study.region.moments(study.model("quadratic"))

    benchmark.pedantic(job, rounds=3)
