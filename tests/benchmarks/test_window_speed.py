"""How long a window, its ranges and its pictures take; figures only, no assertion on time."""

import numpy as np
import pandas as pd
import pytest

import doe


@pytest.fixture(scope="module", params=[3, 5], ids=["3 factors", "5 factors"])
def fits(request):
    """Quadratic fits of four correlated responses."""
    k, r = request.param, 4
    rng = np.random.default_rng(1)
    X = rng.uniform(0, 10, (8 * k, k))
    Z = (X - 5) / 5
    noise = 0.3 * rng.standard_normal((8 * k, r)) @ np.linalg.cholesky(0.5 + 0.5 * np.eye(r)).T
    table = pd.DataFrame(X, columns=[f"x{i}" for i in range(k)])
    for j in range(r):
        q = 0.4 * rng.standard_normal((k, k))
        table[f"y{j}"] = Z @ rng.standard_normal(k) + np.einsum("ni,ij,nj->n", Z, q, Z) + noise[:, j]
    study = doe.Study(
        "speed",
        [doe.Continuous(f"x{i}", 0, 10) for i in range(k)],
        [doe.Response(f"y{j}", low=-2.5, high=2.5) for j in range(r)],
    )
    return doe.fit_all(study, table)


def test_set_point(benchmark, fits):
    assert benchmark(doe.find_window, fits).set_point_probability > 0.9


def test_set_point_with_gibbs(benchmark, fits):
    mixed = {**fits, "y0": fits["y0"].reduced()}
    assert "Gibbs" in benchmark.pedantic(doe.find_window, (mixed,), rounds=2).method


def test_default_box(benchmark, fits):
    win = doe.find_window(fits)
    assert len(benchmark.pedantic(win.box, rounds=3)) == len(fits.study.factors)


def test_box_of_a_claim(benchmark, fits):
    win = doe.find_window(fits)
    assert benchmark.pedantic(win.box, kwargs={"confidence": 0.9}, rounds=1) is not None


def test_map_of_101_by_101_settings(benchmark, fits):
    """4000 draws of four responses."""
    win = doe.find_window(fits)
    assert len(benchmark(win.map, "x0", "x1")) == 101 * 101


def test_claim_at_the_chosen_set_point(benchmark, fits):
    """With the repeats of the trial and the joint bound over what they choose."""

    def fresh():
        return (doe.find_window(fits),), {}

    assert len(benchmark.pedantic(lambda win: win.claim(), setup=fresh, rounds=2)) == 1


def test_claim_at_ten_settings(benchmark, fits):
    win = doe.find_window(fits)
    points = fits.study.region.sample(10, seed=1)
    assert len(benchmark.pedantic(win.claim, (points,), rounds=2)) == 10
