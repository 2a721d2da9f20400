"""Columns that cannot be told apart: the linear dependencies of a matrix, each named by as few columns as there are."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

# Columns count as dependent when, scaled to length 1, their smallest singular value is below this share of the largest.
# Numbers typed with 16 digits leave about 1e-15; the worst honest case met (cubic in a share that moves by 0.1 %) 1e-10.
DEPENDENT = 1e-12


def column_rank(A: ArrayLike, tolerance: float = DEPENDENT) -> int:
    """Rank of a matrix once each column is scaled to length 1."""
    M = np.asarray(A, dtype=float)
    length = np.linalg.norm(M, axis=0)
    M = M[:, length > 0] / length[length > 0]
    if not M.size:
        return 0
    s = np.linalg.svd(M, compute_uv=False)
    return int((s > tolerance * s[0]).sum())


def dependent_groups(X: ArrayLike, tolerance: float = DEPENDENT) -> list[list[int]]:
    """Which columns cannot be told apart.

    Parameters
    ----------
    X : array_like, shape (n, p)
    tolerance : float
        Smallest singular value, as a share of the largest and with columns of length 1, that still counts as one.

    Returns
    -------
    list of list of int
        One list a dependency: the columns of a combination that is zero on all runs, the last of each being one that the
        earlier ones already give. Empty when every column can be estimated.
    """
    A = np.asarray(X, dtype=float)
    p = A.shape[1]
    length = np.linalg.norm(A, axis=0)
    _, s, Vt = np.linalg.svd(A / np.where(length > 0, length, 1.0), full_matrices=True)
    sizes = np.zeros(p)
    sizes[: len(s)] = s
    null = Vt[sizes <= tolerance * sizes.max()] if sizes.max() > 0 else np.eye(p)
    # reduced from the right, so that each dependency names one late column by as few earlier ones as there are
    rows = null.copy()
    done = 0
    for column in range(p - 1, -1, -1):
        if done == len(rows):
            break
        pivot = done + int(np.argmax(np.abs(rows[done:, column])))
        if abs(rows[pivot, column]) < 1e-6:
            continue
        rows[[done, pivot]] = rows[[pivot, done]]
        rows[done] /= rows[done, column]
        others = np.arange(len(rows)) != done
        rows[others] -= np.outer(rows[others, column], rows[done])
        done += 1
    return [[int(j) for j in np.flatnonzero(np.abs(row) > 1e-6)] for row in rows[::-1]]
