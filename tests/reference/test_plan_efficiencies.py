"""Published D and G efficiencies of second-order plans: plan_efficiencies/expected.json names sources and regions."""

import json
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest

import doe
from doe.designs import Plan
from doe.quality import check

EXPECTED = json.loads((Path(__file__).parent / "plan_efficiencies" / "expected.json").read_text(encoding="utf-8"))


def points(plan):
    k = plan["k"]
    if plan["name"] == "Box-Behnken":
        # pairs of factors at ±1, the others at 0: the published plan for three and four factors
        outer = [
            a * np.eye(k)[i] + b * np.eye(k)[j]
            for i, j in combinations(range(k), 2)
            for a, b in product((-1, 1), repeat=2)
        ]
    else:
        outer = [
            *map(np.array, product((-1.0, 1.0), repeat=k)),
            *(plan["axial"] * np.eye(k)),
            *(-plan["axial"] * np.eye(k)),
        ]
    return np.vstack([*outer, np.zeros((plan["centre"], k))])


def checked(plan):
    """Coded as the source codes it: ±1 at the factorial points, axial points beyond."""
    import pandas as pd

    D = points(plan)
    study = doe.Study("s", [doe.Continuous(f"x{i}", -1, 1) for i in range(plan["k"])])
    table = pd.DataFrame(D, columns=study.names, index=pd.RangeIndex(1, len(D) + 1))
    return check(Plan(study, table), "quadratic")


@pytest.mark.parametrize("plan", EXPECTED["cube"]["plans"], ids=lambda p: p["name"])
def test_on_the_cube(plan):
    found = checked(plan)
    n, p = found.information.X.shape
    optimum = EXPECTED["cube"]["log_det_optimum"][str(plan["k"])]
    ratio = np.exp((found.information.log_determinant - p * np.log(n) - optimum) / p)
    assert ratio == pytest.approx(plan["D"], abs=5.1e-4)  # three decimals are printed
    assert found.efficiency["G"] / 100 == pytest.approx(plan["G"], abs=5.1e-4)
    assert found.largest_variance.kind == "proved"
    assert found.bound["D"] / 100 == pytest.approx(plan["D"], abs=5.1e-4)
    assert found.certificates["D"].proved


def spherical_optimum(k, r2):
    """log|M| of weight 2/((k+1)(k+2)) on the centre, the rest spread evenly over the sphere of squared radius r2."""
    p = (k + 1) * (k + 2) // 2
    rest = 1 - 2 / ((k + 1) * (k + 2))
    second, mixed = rest * r2 / k, rest * r2**2 / (k * (k + 2))
    M = np.diag([1.0] + [second] * k + [mixed] * (p - 2 * k - 1) + [0.0] * k)
    squares = slice(p - k, p)
    M[0, squares] = M[squares, 0] = second
    M[squares, squares] = mixed * (1 + 2 * np.eye(k))
    return np.linalg.slogdet(M)[1]


@pytest.mark.parametrize("plan", EXPECTED["sphere"]["plans"], ids=lambda p: f"{p['name']} {p['k']}")
def test_on_the_sphere(plan):
    found = checked(plan)
    n, p = found.information.X.shape
    r2 = float((points(plan) ** 2).sum(axis=1).max())
    ratio = np.exp((found.information.log_determinant - p * np.log(n) - spherical_optimum(plan["k"], r2)) / p)
    assert ratio == pytest.approx(plan["D"], abs=5.1e-4)
    if "G" in plan:
        # the largest variance over the ball: on dense rays from the centre
        rng = np.random.default_rng(1)
        rays = rng.normal(size=(4000, plan["k"]))
        rays *= np.sqrt(r2) / np.linalg.norm(rays, axis=1, keepdims=True)
        inside = np.vstack([t * rays for t in np.linspace(0, 1, 21)])
        largest = found.information.variance(found.model.matrix_of(inside)).max()
        assert p / (n * largest) == pytest.approx(plan["G"], abs=5.1e-4)


def test_variance_profile_of_a_rotatable_plan():
    """Box, G. E. P. & Hunter, J. S. (1957), Ann. Math. Statist. 28, 195-241, section 5 (from memory): N var/σ² depends on the radius alone,
    A [2(k+2)λ4² + 2λ4(λ4−1)(k+2)ρ² + ((k+1)λ4−(k−1))ρ⁴], A = 1/(2λ4[(k+2)λ4−k]), with the runs scaled to second moment 1."""
    k = 3
    plan = {"name": "composite", "k": k, "axial": 8**0.25, "centre": 6}
    found, D = checked(plan), points(plan)
    n = len(D)
    second, fourth = (D[:, 0] ** 2).mean(), (D[:, 0] ** 4).mean() / 3
    lam = fourth / second**2
    A = 1 / (2 * lam * ((k + 2) * lam - k))
    rng = np.random.default_rng(2)
    ways = rng.normal(size=(50, k))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    for radius in (0.0, 0.5, 1.0, 1.5):
        rho2 = radius**2 / second
        want = A * (2 * (k + 2) * lam**2 + 2 * lam * (lam - 1) * (k + 2) * rho2 + ((k + 1) * lam - (k - 1)) * rho2**2)
        assert n * found.information.variance(found.model.matrix_of(radius * ways)) == pytest.approx(want, rel=1e-10)
