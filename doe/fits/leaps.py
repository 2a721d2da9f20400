"""Every model of a set of terms, each visited once: residual sums of squares by a growing Cholesky factor, on plain arrays.

Terms stand so that parents come before their children; then every model that keeps heredity is its last term added to another that does,
and a walk in depth meets each once. One more column costs one row of the Cholesky factor. A branch is left where even the whole model's
residual with the branch's own count of coefficients could not come near the best found so far.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from doe.fits.arrays import Floats

# a column of which so little (squared, of 1) is left beside those of the model is made of them
DEPENDENT = 1e-9
TIE = 1e-9


@dataclass(frozen=True)
class Terms:
    """Columns that may enter a model, in groups that go together.

    Attributes
    ----------
    gram : ndarray, shape (p, p)
        X'X of the columns, each of length 1 once those that always stay are taken out.
    cross : ndarray, shape (p,)
        X'y of the same.
    rss : float
        What the columns that always stay leave of the readings.
    start, width : ndarray, shape (T,)
        First column and number of columns of each term, parents before children.
    all_of, any_of : ndarray of bool, shape (T, T)
        Row t: terms that must all be there before t may enter, and terms of which one must be; a row without any asks for none.
    """

    gram: Floats
    cross: Floats
    rss: float
    start: NDArray[np.int64]
    width: NDArray[np.int64]
    all_of: NDArray[np.bool_]
    any_of: NDArray[np.bool_]


@dataclass(frozen=True)
class Walk:
    """What was met.

    Attributes
    ----------
    values : ndarray, shape (m,)
        Criterion of the best models, least first.
    members : ndarray of bool, shape (m, T)
        Their terms.
    inclusion : ndarray, shape (T,)
        Share of exp(−criterion/2) of all models that those with the term have.
    tried : ndarray of int, shape (most + 1,)
        How many models of each number of terms were fitted.
    confounded : int
        How many were met that these runs cannot estimate.
    whole : bool
        Whether the walk came to its end within the limit.
    total : float
        Sum over all models fitted of exp(−(criterion − reference)/2).
    reference : float
    """

    values: Floats
    members: NDArray[np.bool_]
    inclusion: Floats
    tried: NDArray[np.int64]
    confounded: int
    whole: bool
    total: float
    reference: float


def grouped(
    X: Floats, y: Floats, stay: Floats, groups: Sequence[Sequence[int]]
) -> tuple[Floats, Floats, float, list[list[int]]]:
    """Gram matrix of columns of length 1 with the staying ones taken out.

    Parameters
    ----------
    X : ndarray, shape (n, p)
    y : ndarray, shape (n,)
    stay : ndarray, shape (n, s)
        Columns of every model, independent.
    groups : sequence of sequence of int
        Columns of X of each term.

    Returns
    -------
    gram, cross, rss : as in `Terms`
    kept : list of list of int
        Places of each term's columns in `gram`; empty where a column is made of the staying ones.
    """
    Q = np.linalg.qr(stay)[0] if stay.shape[1] else np.empty((len(y), 0))

    def beyond(A: Floats) -> Floats:
        left = A - Q @ (Q.T @ A)
        return np.asarray(left - Q @ (Q.T @ left))

    order = [j for g in groups for j in g]
    own = beyond(X[:, order])
    length = np.linalg.norm(own, axis=0)
    there = length > 1e-8 * np.maximum(np.linalg.norm(X[:, order], axis=0), 1e-300)
    own = own / np.where(there, length, 1.0)
    left = beyond(y[:, None])[:, 0]
    kept, at = [], 0
    for g in groups:
        places = list(range(at, at + len(g)))
        kept.append(places if there[places].all() else [])
        at += len(g)
    return own.T @ own, own.T @ left, float(left @ left), kept


def walk(
    terms: Terms, penalty: Floats, n: int, most: int, keep: int, slack: float, limit: int, least_rss: float
) -> Walk:
    """Visit the models.

    Parameters
    ----------
    terms : Terms
    penalty : ndarray, shape (p + 1,)
        What is added to n log(rss/n) for so many columns beside those that stay, never falling; infinite where the criterion has no value.
    n : int
        Number of runs.
    most : int
        Largest number of terms.
    keep : int
        How many of the best models to keep.
    slack : float
        Branches that cannot come nearer to the best than this are left.
    limit : int
        Most models to fit.
    least_rss : float
        A lower bound of every model's residual sum of squares.

    Returns
    -------
    Walk
    """
    floor = max(least_rss, 1e-300)
    kept, values, members, share, tried, confounded, whole, total, reference = _walk(
        terms.gram,
        terms.cross,
        terms.rss,
        terms.start,
        terms.width,
        terms.all_of,
        terms.any_of,
        np.ascontiguousarray(penalty),
        float(n),
        int(most),
        int(keep),
        float(slack),
        int(limit),
        float(floor),
    )
    values, members, inclusion = values[:kept], members[:kept], share / max(total, 1e-300)
    order = np.lexsort((members.sum(axis=1), np.round(values, 9)))
    return Walk(values[order], members[order], inclusion, tried, int(confounded), bool(whole), total, reference)


@njit(cache=True, error_model="numpy")
def _may_enter(t, inside, all_of, any_of):
    """Whether a term's parents are there."""
    asked = False
    one = False
    for u in range(len(inside)):
        if all_of[t, u] and not inside[u]:
            return False
        if any_of[t, u]:
            asked = True
            if inside[u]:
                one = True
    return one or not asked


@njit(cache=True, error_model="numpy")
def _grown(gram, cross, L, z, columns, m, r, first, w):
    """Columns and residual sum of squares once w columns are added to m; −1 columns where one is made of the others."""
    for c in range(first, first + w):
        rest = gram[c, c]
        zc = cross[c]
        for i in range(m):
            s = gram[c, columns[i]]
            for q in range(i):
                s -= L[m, q] * L[i, q]
            s /= L[i, i]
            L[m, i] = s
            rest -= s * s
            zc -= s * z[i]
        if rest <= DEPENDENT:
            return -1, r
        L[m, m] = np.sqrt(rest)
        z[m] = zc / L[m, m]
        r -= z[m] * z[m]
        columns[m] = c
        m += 1
    return m, max(r, 0.0)


@njit(cache=True, error_model="numpy")
def _walk(gram, cross, rss, start, width, all_of, any_of, penalty, n, most, keep, slack, limit, floor):
    T = len(start)
    p = len(cross)
    L = np.zeros((p, p))
    z = np.zeros(p)
    columns = np.zeros(p, np.int64)
    inside = np.zeros(T, np.bool_)
    chosen = np.zeros(most + 1, np.int64)
    following = np.zeros(most + 2, np.int64)
    size = np.zeros(most + 1, np.int64)
    left = np.zeros(most + 1)
    values = np.empty(keep)
    members = np.zeros((keep, T), np.bool_)
    sizes = np.zeros(keep, np.int64)
    kept = 0
    worst = 0
    total = 0.0
    share = np.zeros(T)
    tried = np.zeros(most + 1, np.int64)
    confounded = 0
    count = 0
    left[0] = rss
    reference = n * np.log(max(rss, floor) / n) + penalty[0]
    best = np.inf
    lowest = n * np.log(floor / n)
    # forward steps give a good model at once, and so a bound that leaves most branches early
    m, r, entered = 0, rss, 0
    while entered < most:
        value, at = best, -1
        for t in range(T):
            if inside[t] or not _may_enter(t, inside, all_of, any_of) or not np.isfinite(penalty[m + width[t]]):
                continue
            there, rest = _grown(gram, cross, L, z, columns, m, r, start[t], width[t])
            if there > 0:
                step = n * np.log(max(rest, floor) / n) + penalty[there]
                if at < 0 or step < value:
                    value, at = step, t
        if at < 0:
            break
        m, r = _grown(gram, cross, L, z, columns, m, r, start[at], width[at])
        inside[at] = True
        entered += 1
        best = min(best, value)
        if lowest + penalty[m] > best:
            break
    for t in range(T):
        inside[t] = False
    depth = 0
    fresh = True
    while True:
        if fresh:
            fresh = False
            count += 1
            tried[depth] += 1
            value = n * np.log(max(left[depth], floor) / n) + penalty[size[depth]]
            if value < best:
                best = value
            if np.isfinite(value):
                if value < reference or not np.isfinite(reference):
                    factor = np.exp(0.5 * (value - reference)) if np.isfinite(reference) else 0.0
                    total *= factor
                    for t in range(T):
                        share[t] *= factor
                    reference = value
                weight = np.exp(-0.5 * (value - reference))
                total += weight
                for d in range(1, depth + 1):
                    share[chosen[d]] += weight
            place = -1
            if kept < keep:
                place = kept
                kept += 1
            elif value < values[worst] - TIE or (abs(value - values[worst]) <= TIE and depth < sizes[worst]):
                place = worst
            if place >= 0:
                values[place] = value
                sizes[place] = depth
                for u in range(T):
                    members[place, u] = inside[u]
                if kept == keep:
                    worst = 0
                    for u in range(1, keep):
                        if values[u] > values[worst]:
                            worst = u
        t = following[depth]
        if t >= T or depth == most:
            if depth == 0:
                break
            inside[chosen[depth]] = False
            depth -= 1
            continue
        following[depth] = t + 1
        if not _may_enter(t, inside, all_of, any_of):
            continue
        m = size[depth]
        w = width[t]
        if not np.isfinite(penalty[m + w]) or lowest + penalty[m + w] > best + slack:
            continue
        m, r = _grown(gram, cross, L, z, columns, m, left[depth], start[t], w)
        if m < 0:
            confounded += 1
            continue
        if count >= limit:
            return kept, values, members, share, tried, confounded, False, total, reference
        depth += 1
        chosen[depth] = t
        inside[t] = True
        size[depth] = m
        left[depth] = r
        following[depth] = t + 1
        fresh = True
    return kept, values, members, share, tried, confounded, True, total, reference
