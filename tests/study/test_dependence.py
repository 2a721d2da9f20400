"""Columns that cannot be told apart, and those that nearly cannot."""

import numpy as np

from doe.study.dependence import column_rank, dependent_groups


def test_dependent_groups_name_the_late_column_by_the_early_ones():
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(2, 9))
    X = np.column_stack([np.ones(9), a, b, a - 2 * b, np.zeros(9), 3 * a])
    assert dependent_groups(X) == [[1, 2, 3], [4], [1, 5]]
    assert dependent_groups(X[:, :3]) == []
    assert dependent_groups(np.zeros((4, 1))) == [[0]]


def test_a_nearly_dependent_column_is_still_told_apart():
    """A share that moves by 0.1 % of the batch, to the third power: parts in ten thousand million of the columns, and honest."""
    x = np.linspace(0.950, 0.951, 9)
    X = np.column_stack([np.ones(9), x, x**2, x**3])
    scaled = X / np.linalg.norm(X, axis=0)
    assert np.linalg.svd(scaled, compute_uv=False)[-1] < 1e-10
    assert dependent_groups(X) == []
    assert dependent_groups(np.column_stack([X[:, :2], x + 1e-16])) == [[1, 2]]


def test_rank_does_not_depend_on_the_columns_units():
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(2, 9))
    X = np.column_stack([a, b, a - 2 * b]) * [1e-9, 1.0, 1e9]
    assert column_rank(X) == 2
    assert column_rank(X[:, :2]) == 2
    assert column_rank(np.zeros((3, 2))) == 0
