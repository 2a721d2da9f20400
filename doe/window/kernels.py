"""Compiled kernels of the window: products of terms and drawn coefficients, compared with the limits while still in cache.

Nothing here holds more than one stretch of draws at one setting. The counts are sums of ones, so their order does not matter; a
product's own order of addition is fixed by the number of terms, so an answer does not depend on how settings are shared among
threads. Fused multiply-add is allowed: it rounds once where two operations would round twice.

Importing this module compiles it, or loads it from the cache on disk.
"""

from __future__ import annotations

import numpy as np
from numba import njit, types

WIDE = 512  # draws taken at a time: their coefficients stay in a core's own cache
STEP = 4  # terms come in multiples of this; those added for it are zero

_f1, _f2, _f3 = types.float32[::1], types.float32[:, ::1], types.float32[:, :, ::1]
_d1, _d2 = types.float64[::1], types.float64[:, ::1]
_i1, _i2, _b1 = types.int64[::1], types.int64[:, ::1], types.boolean[::1]
f4, f8, i8, b1, void = types.float32, types.float64, types.int64, types.boolean, types.void
U = np.uint64  # an unsigned index needs no check for counting from the end, so the loops below become vector code
ZERO, ONE = np.float32(0.0), np.float32(1.0)

_outer = {"cache": True, "nogil": True, "error_model": "numpy"}
_inner = {**_outer, "no_cpython_wrapper": True, "no_cfunc_wrapper": True, "fastmath": {"contract"}}
# sums of ones below 2^24 are exact in any order; the smooth stand-in needs no particular order
_sums = {**_inner, "fastmath": {"contract", "reassoc"}}


@njit(void(_f1, i8, f4), **_inner)
def fill(z, size, value):
    """Set a stretch to one value."""
    for i in range(size):
        z[U(i)] = value


@njit(void(_f2, i8, _f2, i8, i8, i8, _f1), **_inner)
def begin4(T, row, C, k, first, size, z):
    """Product of four of one setting's terms with a stretch of draws."""
    a, b, c, d = T[row, k], T[row, k + 1], T[row, k + 2], T[row, k + 3]
    for i in range(size):
        e = U(first + i)
        z[U(i)] = a * C[U(k), e] + b * C[U(k + 1), e] + c * C[U(k + 2), e] + d * C[U(k + 3), e]


@njit(void(_f2, i8, _f2, i8, i8, i8, _f1), **_inner)
def begin8(T, row, C, k, first, size, z):
    """Product of eight of one setting's terms with a stretch of draws."""
    t0, t1, t2, t3 = T[row, k], T[row, k + 1], T[row, k + 2], T[row, k + 3]
    t4, t5, t6, t7 = T[row, k + 4], T[row, k + 5], T[row, k + 6], T[row, k + 7]
    for i in range(size):
        e = U(first + i)
        z[U(i)] = (
            t0 * C[U(k), e]
            + t1 * C[U(k + 1), e]
            + t2 * C[U(k + 2), e]
            + t3 * C[U(k + 3), e]
            + t4 * C[U(k + 4), e]
            + t5 * C[U(k + 5), e]
            + t6 * C[U(k + 6), e]
            + t7 * C[U(k + 7), e]
        )


@njit(void(_f2, i8, _f2, i8, i8, i8, _f1), **_inner)
def add8(T, row, C, k, first, size, z):
    """Add the product of eight more terms."""
    t0, t1, t2, t3 = T[row, k], T[row, k + 1], T[row, k + 2], T[row, k + 3]
    t4, t5, t6, t7 = T[row, k + 4], T[row, k + 5], T[row, k + 6], T[row, k + 7]
    for i in range(size):
        e = U(first + i)
        z[U(i)] += (
            t0 * C[U(k), e]
            + t1 * C[U(k + 1), e]
            + t2 * C[U(k + 2), e]
            + t3 * C[U(k + 3), e]
            + t4 * C[U(k + 4), e]
            + t5 * C[U(k + 5), e]
            + t6 * C[U(k + 6), e]
            + t7 * C[U(k + 7), e]
        )


@njit(f4(_f2, i8, _f2, i8, i8, i8, _f1, f4, f4, _f1), **_sums)
def close8(T, row, C, k, first, size, z, low, high, alive):
    """Add the product of the last eight terms, strike out the draws that lie outside, and count those left."""
    t0, t1, t2, t3 = T[row, k], T[row, k + 1], T[row, k + 2], T[row, k + 3]
    t4, t5, t6, t7 = T[row, k + 4], T[row, k + 5], T[row, k + 6], T[row, k + 7]
    left = ZERO
    for i in range(size):
        e = U(first + i)
        value = z[U(i)] + (
            t0 * C[U(k), e]
            + t1 * C[U(k + 1), e]
            + t2 * C[U(k + 2), e]
            + t3 * C[U(k + 3), e]
            + t4 * C[U(k + 4), e]
            + t5 * C[U(k + 5), e]
            + t6 * C[U(k + 6), e]
            + t7 * C[U(k + 7), e]
        )
        kept = alive[U(i)] if (value >= low) & (value <= high) else ZERO
        alive[U(i)] = kept
        left += kept
    return left


@njit(void(_f2, i8, _f2, i8, i8, i8, _f1), **_inner)
def product(T, row, C, q, first, size, z):
    """One setting's first q terms, a multiple of four, times a stretch of draws of one response."""
    at = q % 8
    if at:
        begin4(T, row, C, 0, first, size, z)
    elif q:
        begin8(T, row, C, 0, first, size, z)
        at = 8
    else:
        fill(z, size, ZERO)
    while at < q:
        add8(T, row, C, at, first, size, z)
        at += 8


@njit(f4(_f2, _f1, i8, f4, i8, f4, f4, _f1), **_sums)
def close_line(c, top, base, t, size, low, high, alive):
    """Strike out the draws that lie outside at one place of a line, and count those left."""
    left = ZERO
    for i in range(size):
        value = (top[U(i)] * t + c[U(base + 1), U(i)]) * t + c[U(base), U(i)]
        kept = alive[U(i)] if (value >= low) & (value <= high) else ZERO
        alive[U(i)] = kept
        left += kept
    return left


@njit(void(_f2, i8, i8, f4, i8, _f1), **_inner)
def horner(c, base, order, t, size, top):
    """A line's polynomial from its highest coefficient down to the third one, which takes up all above it."""
    for i in range(size):
        top[U(i)] = c[U(base + order), U(i)]
    for k in range(order - 1, 1, -1):
        for i in range(size):
            top[U(i)] = top[U(i)] * t + c[U(base + k), U(i)]


@njit(void(_f2, _f3, _f1, _f1, b1, _i2), **_outer)
def count_points(T, C, low, high, each, counts):
    """Add to `counts` how many draws lie inside at every setting.

    T (N, q) terms, C (r, q, draws) coefficients, limits (r,), counts (N, 1) or, each response by itself, (N, r). q is a multiple
    of four, at least eight.
    """
    r, q, draws = C.shape
    z, alive = np.empty(WIDE, dtype=np.float32), np.empty(WIDE, dtype=np.float32)
    for first in range(0, draws, WIDE):
        size = min(WIDE, draws - first)
        for n in range(len(T)):
            fill(alive, size, ONE)
            left = ONE
            for j in range(r):
                product(T, n, C[j], q - 8, first, size, z)
                left = close8(T, n, C[j], q - 8, first, size, z, low[j], high[j], alive)
                if each:
                    counts[n, j] += np.int64(left)
                    fill(alive, size, ONE)
                elif left == ZERO:
                    break
            if not each:
                counts[n, 0] += np.int64(left)


@njit(void(_f2, i8, _i1, _f1, _f3, _f1, _f1, b1, _i2), **_outer)
def count_lines(B, order, start, t, C, low, high, each, counts):
    """Add to `counts` how many draws lie inside at every place of every line.

    B ((order + 1) L, q): coefficients of a line's terms by powers of t, the constant first, order at least two; start (L + 1,):
    where each line's places begin among t and counts. The rest as for `count_points`.
    """
    r, q, draws = C.shape
    rows = order + 1
    c = np.empty((r * rows, WIDE), dtype=np.float32)
    top, alive = np.empty(WIDE, dtype=np.float32), np.empty(WIDE, dtype=np.float32)
    for line in range(len(start) - 1):
        for first in range(0, draws, WIDE):
            size = min(WIDE, draws - first)
            for j in range(r):
                for k in range(rows):
                    product(B, line * rows + k, C[j], q, first, size, c[j * rows + k])
            for n in range(start[line], start[line + 1]):
                fill(alive, size, ONE)
                left = ONE
                for j in range(r):
                    highest = c[j * rows + 2]
                    if order > 2:
                        horner(c, j * rows, order, t[n], size, top)
                        highest = top
                    left = close_line(c, highest, j * rows, t[n], size, low[j], high[j], alive)
                    if each:
                        counts[n, j] += np.int64(left)
                        fill(alive, size, ONE)
                    elif left == ZERO:
                        break
                if not each:
                    counts[n, 0] += np.int64(left)


@njit(f4(f4), **_inner)
def tanh(x):
    """Hyperbolic tangent to single precision without an exponential, so that loops over it become vector code.

    Lambert's continued fraction to its seventh level for half the argument, then tanh 2u = 2 tanh u / (1 + tanh² u). Its errors are
    largest far out, where doubling shrinks them; beyond 9 the tangent is 1 in single precision.
    """
    u = min(max(x, np.float32(-9.0)), np.float32(9.0)) * np.float32(0.5)
    s = u * u
    above = u * (np.float32(135135.0) + s * (np.float32(17325.0) + s * (np.float32(378.0) + s)))
    below = np.float32(135135.0) + s * (np.float32(62370.0) + s * (np.float32(3150.0) + s * np.float32(28.0)))
    return np.float32(2.0) * above * below / (below * below + above * above)


@njit(void(_f1, i8, f4, b1, _f1, _f1), **_inner)
def soften(z, size, half, two_sided, product, pull):
    """Multiply `product` by the softened limits of one response, and give the slope of their logarithm by z."""
    one, quarter, part = np.float32(1.0), np.float32(0.25), np.float32(0.5)
    if two_sided:
        for i in range(size):
            upper, lower = tanh((one - z[U(i)]) * half), tanh((one + z[U(i)]) * half)
            product[U(i)] *= quarter * (one + upper) * (one + lower)
            pull[U(i)] = (upper - lower) * half
    else:
        for i in range(size):
            upper = tanh(-z[U(i)] * half)
            product[U(i)] *= part * (one + upper)
            pull[U(i)] = (upper - one) * half


@njit(f4(_f1, i8), **_sums)
def total(z, size):
    """Sum of a stretch."""
    out = ZERO
    for i in range(size):
        out += z[U(i)]
    return out


@njit(void(_f1, _f1, i8, _f2, i8, _d2, i8), **_sums)
def add_slope(product, pull, size, C, first, slope, row):
    """Add the slope by each term of one response over a stretch of draws, four terms at a time."""
    for i in range(size):
        pull[U(i)] *= product[U(i)]
    for k in range(0, C.shape[0], 4):
        a = b = c = d = ZERO
        for i in range(size):
            e, w = U(first + i), pull[U(i)]
            a += w * C[U(k), e]
            b += w * C[U(k + 1), e]
            c += w * C[U(k + 2), e]
            d += w * C[U(k + 3), e]
        slope[row, k] += a
        slope[row, k + 1] += b
        slope[row, k + 2] += c
        slope[row, k + 3] += d


@njit(void(_f2, _f3, _f1, _b1, b1, _d1, _d2), **_outer)
def smooth_points(T, C, half, two_sided, sloped, chance, slope):
    """Add to `chance` (N,) the draws inside softened limits at every setting, and to `slope` (N, q) its slope by the terms.

    T (N, q) terms, C (r, q, draws) coefficients; half (r,): half the steepness of each response's logistic.
    """
    r, q, draws = C.shape
    z, product_ = np.empty(WIDE, dtype=np.float32), np.empty(WIDE, dtype=np.float32)
    pulls = np.empty((r, WIDE), dtype=np.float32)
    for first in range(0, draws, WIDE):
        size = min(WIDE, draws - first)
        for n in range(len(T)):
            fill(product_, size, ONE)
            for j in range(r):
                product(T, n, C[j], q, first, size, z)
                soften(z, size, half[j], two_sided[j], product_, pulls[j])
            chance[n] += total(product_, size)
            if sloped:
                for j in range(r):
                    add_slope(product_, pulls[j], size, C[j], first, slope, n)
