"""Published tables of classical plans: axial distances, Box-Behnken, Plackett-Burman. Sources stand in design_tables/expected.json."""

import itertools
import json
from pathlib import Path

import numpy as np
import pyDOE3
import pytest

import doe
from doe import designs
from doe.designs import composite, orthogonal

TABLES = json.loads((Path(__file__).parent / "design_tables/expected.json").read_text())


def study(k, **given):
    return doe.Study("check", [doe.Continuous(f"x{i + 1}", -1, 1, **given) for i in range(k)])


def coded(plan):
    return plan.coded.to_numpy(dtype=float)


def moments(D):
    """Pure fourth moments, mixed fourth moments, largest odd moment up to the third order."""
    k = D.shape[1]
    fourth = (D**4).sum(axis=0)
    mixed = np.array([(D[:, i] ** 2 * D[:, j] ** 2).sum() for i, j in itertools.combinations(range(k), 2)])
    odd = max(
        abs(D[:, list(c)].prod(axis=1).sum())
        for size in (1, 3)
        for c in itertools.combinations_with_replacement(range(k), size)
    )
    return fourth, mixed, odd


ROTATABLE = TABLES["ccd_rotatable_alpha"]["rows"]


@pytest.mark.parametrize(("k", "p", "runs", "alpha"), [r for r in ROTATABLE if r[2] <= 128])
def test_rotatable_axial_distance(k, p, runs, alpha):
    plan = designs.central_composite(study(k), fraction=p, centre=3)
    D = coded(plan)
    assert len(D) == runs + 2 * k + 3
    assert np.abs(D).max() == pytest.approx(alpha, abs=TABLES["ccd_rotatable_alpha"]["tol"])
    fourth, mixed, odd = moments(D)
    # rotatability: Box & Hunter (1957), pure fourth moments are three times the mixed ones; settings carry twelve digits
    np.testing.assert_allclose(fourth, 3 * mixed[0], rtol=1e-10)
    np.testing.assert_allclose(mixed, mixed[0], rtol=1e-10)
    assert odd < 1e-9


@pytest.mark.parametrize(
    ("k", "p", "cube", "cube_centre", "cube_blocks", "axial", "axial_centre", "alpha"),
    TABLES["ccd_orthogonal_blocking_alpha"]["rows"],
)
def test_orthogonal_blocking(k, p, cube, cube_centre, cube_blocks, axial, axial_centre, alpha):
    """With the default centre runs: Box & Hunter's numbers, distance and orthogonality of blocks to the quadratic model."""
    plan = designs.central_composite(study(k), axial="orthogonal", fraction=p, blocks=cube_blocks + 1)
    D = coded(plan)
    sizes = plan.block.value_counts(sort=False).to_list()
    assert sizes == [(cube + cube_centre) // cube_blocks] * cube_blocks + [axial + axial_centre]
    assert np.abs(D).max() == pytest.approx(alpha, abs=TABLES["ccd_orthogonal_blocking_alpha"]["tol"])
    X = plan.model.matrix(plan.runs)
    means = np.array([X[(plan.block == b).to_numpy()].mean(axis=0) for b in plan.block.unique()])
    np.testing.assert_allclose(means, np.tile(X.mean(axis=0), (len(means), 1)), atol=1e-12)
    assert "Blocks are orthogonal to the model." in repr(plan)


@pytest.mark.parametrize("k", [3, 4, 5, 6, 7])
def test_box_behnken(k):
    expected = TABLES["box_behnken"]["rows"][str(k)]
    plan = designs.box_behnken(study(k), centre=expected["centre_runs"])
    D = coded(plan)
    assert len(D) == expected["runs"]
    edges = D[: expected["edge_runs"]]
    groups = {tuple(np.flatnonzero(row) + 1) for row in edges}
    assert groups == {tuple(sorted(b)) for b in expected["blocks"]}
    for group in groups:  # each a full factorial, made once
        members = edges[[tuple(np.flatnonzero(row) + 1) == group for row in edges]]
        assert len(members) == len({tuple(m) for m in members}) == 2 ** len(group)
    fourth, mixed, odd = moments(D)
    assert odd == 0
    assert (np.allclose(fourth, 3 * mixed[0]) and np.allclose(mixed, mixed[0])) is expected["rotatable"]


@pytest.mark.parametrize(("k", "blocks", "centre", "size"), [(4, 3, 1, 9), (5, 2, 3, 23), (6, 2, 3, 27), (7, 2, 3, 31)])
def test_box_behnken_blocks(k, blocks, centre, size):
    """Block sizes of Box & Behnken (1960), Technometrics 2, Table 4, from memory; orthogonality of blocks is computed."""
    plan = designs.box_behnken(study(k), centre=centre, blocks=blocks)
    assert plan.block.value_counts().to_list() == [size] * blocks
    X = plan.model.matrix(plan.runs)
    sums = np.array([X[(plan.block == b).to_numpy()].sum(axis=0) for b in plan.block.unique()])
    np.testing.assert_array_equal(sums, np.tile(sums[0], (blocks, 1)))


@pytest.mark.parametrize("runs", [8, 12, 16, 20, 24, 36])
def test_plackett_burman_rows(runs):
    row = TABLES["plackett_burman_first_rows"][str(runs)]
    signs = orthogonal.plackett_burman_signs(runs)
    assert "".join("+" if v > 0 else "-" for v in signs[0]) == row
    for shift in range(runs - 1):
        np.testing.assert_array_equal(signs[shift], np.roll(signs[0], shift))
    np.testing.assert_array_equal(signs[-1], -np.ones(runs - 1))


@pytest.mark.parametrize("runs", range(4, 101, 4))
def test_plackett_burman_is_orthogonal(runs):
    """Plackett & Burman (1946): every multiple of four to 100 (order 92 was found by Baumert, Golomb & Hall 1962)."""
    signs = np.column_stack([np.ones(runs), orthogonal.plackett_burman_signs(runs)])
    assert signs.shape == (runs, runs)
    assert set(np.unique(signs)) == {-1.0, 1.0}
    np.testing.assert_array_equal(signs.T @ signs, runs * np.eye(runs))


def test_plackett_burman_12_aliases():
    """Partial aliasing of the 12-run plan: a published property (see pb12_alias in the table)."""
    signs = orthogonal.plackett_burman_signs(12)
    for i, j in itertools.combinations(range(11), 2):
        products = signs.T @ (signs[:, i] * signs[:, j])
        assert set(np.abs(np.delete(products, [i, j]))) == {4.0}
        np.testing.assert_array_equal(products[[i, j]], [0, 0])


@pytest.mark.parametrize("order", [m for m in range(2, 31, 2) if m != 22])
def test_conference_matrices(order):
    """Xiao, Lin & Bai (2012): C'C = (m - 1) I, zero diagonal, ±1 elsewhere."""
    C = orthogonal.conference(order)
    np.testing.assert_array_equal(C.T @ C, (order - 1) * np.eye(order))
    np.testing.assert_array_equal(np.diag(C), np.zeros(order))
    assert (np.abs(C) + np.eye(order) == 1).all()


def test_no_conference_matrix_of_order_22():
    """Belevitch (1950): order m = 2 mod 4 needs m - 1 to be a sum of two squares, and 21 is none."""
    assert not any(a * a + b * b == 21 for a in range(5) for b in range(5))
    assert orthogonal.conference(22) is None


# ---- the same plans from a general-purpose library, where it is right


def rows(array):
    return sorted(map(tuple, np.round(np.asarray(array, dtype=float), 9)))


@pytest.mark.parametrize("k", [2, 3, 4, 5])
def test_central_composite_equals_pydoe3(k):
    for ours, theirs in (("rotatable", {"alpha": "rotatable"}), ("face", {"face": "ccf"})):
        plan = designs.central_composite(study(k), axial=ours, centre=5)
        assert rows(coded(plan)) == rows(pyDOE3.ccdesign(k, center=(0, 5), **theirs))
    plan = designs.central_composite(study(k), centre=5, inscribed=True)
    # pyDOE3 leaves its inscribed axial points at 1 and draws the corners in by the rotatable distance
    assert rows(coded(plan)) == rows(pyDOE3.ccdesign(k, center=(0, 5), alpha="rotatable", face="cci"))


@pytest.mark.parametrize("k", [3, 4, 5])
def test_box_behnken_equals_pydoe3(k):
    assert rows(coded(designs.box_behnken(study(k), centre=3))) == rows(pyDOE3.bbdesign(k, center=3))


@pytest.mark.parametrize("k", [7, 11, 15, 19, 23])
def test_plackett_burman_equals_pydoe3_in_size(k):
    assert len(designs.plackett_burman(study(k)).runs) == len(pyDOE3.pbdesign(k)) == k + 1


def test_full_factorial_equals_pydoe3():
    theirs = pyDOE3.fullfact([3, 2, 4])
    plan = designs.full_factorial(study(3), levels={"x1": 3, "x3": 4})
    np.testing.assert_allclose(coded(plan), theirs / (np.array([3, 2, 4]) - 1) * 2 - 1, atol=1e-12)


@pytest.mark.parametrize("k", [2, 3, 4, 6])
def test_orthogonal_axial_distance(k):
    """Squares uncorrelated: the defining property (Box & Wilson 1951); k = 2 with one centre run is 1.000, the 3^2 factorial (calculated)."""
    plan = designs.central_composite(study(k), axial="orthogonal", centre=1)
    S = coded(plan) ** 2
    S = S - S.mean(axis=0)
    products = S.T @ S
    np.testing.assert_allclose(products - np.diag(np.diag(products)), 0, atol=1e-9)
    if k == 2:
        assert composite.axial_distance("orthogonal", 2, 4, 9) == pytest.approx(1.0)
