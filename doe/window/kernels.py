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
_pair = types.UniTuple(types.float32, 2)
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


# Two settings at once: every coefficient is fetched once for both, which is what the time goes into.


@njit(void(_f2, i8, i8, _f2, i8, i8, i8, _f1, _f1), **_inner)
def begin4_pair(T, one, two, C, k, first, size, y, z):
    """`begin4` for two settings."""
    a0, a1, a2, a3 = T[one, k], T[one, k + 1], T[one, k + 2], T[one, k + 3]
    b0, b1, b2, b3 = T[two, k], T[two, k + 1], T[two, k + 2], T[two, k + 3]
    for i in range(size):
        e = U(first + i)
        c0, c1, c2, c3 = C[U(k), e], C[U(k + 1), e], C[U(k + 2), e], C[U(k + 3), e]
        y[U(i)] = a0 * c0 + a1 * c1 + a2 * c2 + a3 * c3
        z[U(i)] = b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3


@njit(void(_f2, i8, i8, _f2, i8, i8, i8, _f1, _f1), **_inner)
def begin8_pair(T, one, two, C, k, first, size, y, z):
    """`begin8` for two settings."""
    a0, a1, a2, a3 = T[one, k], T[one, k + 1], T[one, k + 2], T[one, k + 3]
    a4, a5, a6, a7 = T[one, k + 4], T[one, k + 5], T[one, k + 6], T[one, k + 7]
    b0, b1, b2, b3 = T[two, k], T[two, k + 1], T[two, k + 2], T[two, k + 3]
    b4, b5, b6, b7 = T[two, k + 4], T[two, k + 5], T[two, k + 6], T[two, k + 7]
    for i in range(size):
        e = U(first + i)
        c0, c1, c2, c3 = C[U(k), e], C[U(k + 1), e], C[U(k + 2), e], C[U(k + 3), e]
        c4, c5, c6, c7 = C[U(k + 4), e], C[U(k + 5), e], C[U(k + 6), e], C[U(k + 7), e]
        y[U(i)] = a0 * c0 + a1 * c1 + a2 * c2 + a3 * c3 + a4 * c4 + a5 * c5 + a6 * c6 + a7 * c7
        z[U(i)] = b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7


@njit(void(_f2, i8, i8, _f2, i8, i8, i8, _f1, _f1), **_inner)
def add8_pair(T, one, two, C, k, first, size, y, z):
    """`add8` for two settings."""
    a0, a1, a2, a3 = T[one, k], T[one, k + 1], T[one, k + 2], T[one, k + 3]
    a4, a5, a6, a7 = T[one, k + 4], T[one, k + 5], T[one, k + 6], T[one, k + 7]
    b0, b1, b2, b3 = T[two, k], T[two, k + 1], T[two, k + 2], T[two, k + 3]
    b4, b5, b6, b7 = T[two, k + 4], T[two, k + 5], T[two, k + 6], T[two, k + 7]
    for i in range(size):
        e = U(first + i)
        c0, c1, c2, c3 = C[U(k), e], C[U(k + 1), e], C[U(k + 2), e], C[U(k + 3), e]
        c4, c5, c6, c7 = C[U(k + 4), e], C[U(k + 5), e], C[U(k + 6), e], C[U(k + 7), e]
        y[U(i)] += a0 * c0 + a1 * c1 + a2 * c2 + a3 * c3 + a4 * c4 + a5 * c5 + a6 * c6 + a7 * c7
        z[U(i)] += b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7


@njit(void(_f2, i8, i8, _f2, i8, i8, i8, _f1, _f1), **_inner)
def product_pair(T, one, two, C, q, first, size, y, z):
    """`product` for two settings."""
    at = q % 8
    if at:
        begin4_pair(T, one, two, C, 0, first, size, y, z)
    elif q:
        begin8_pair(T, one, two, C, 0, first, size, y, z)
        at = 8
    else:
        fill(y, size, ZERO)
        fill(z, size, ZERO)
    while at < q:
        add8_pair(T, one, two, C, at, first, size, y, z)
        at += 8


@njit(_pair(_f2, i8, i8, _f2, i8, i8, i8, _f1, _f1, f4, f4, _f1, _f1), **_sums)
def close8_pair(T, one, two, C, k, first, size, y, z, low, high, alive, alive_too):
    """Add the product of the last eight terms, strike out the draws that lie outside, and count those left, for two settings."""
    a0, a1, a2, a3 = T[one, k], T[one, k + 1], T[one, k + 2], T[one, k + 3]
    a4, a5, a6, a7 = T[one, k + 4], T[one, k + 5], T[one, k + 6], T[one, k + 7]
    b0, b1, b2, b3 = T[two, k], T[two, k + 1], T[two, k + 2], T[two, k + 3]
    b4, b5, b6, b7 = T[two, k + 4], T[two, k + 5], T[two, k + 6], T[two, k + 7]
    left = left_too = ZERO
    for i in range(size):
        e = U(first + i)
        c0, c1, c2, c3 = C[U(k), e], C[U(k + 1), e], C[U(k + 2), e], C[U(k + 3), e]
        c4, c5, c6, c7 = C[U(k + 4), e], C[U(k + 5), e], C[U(k + 6), e], C[U(k + 7), e]
        v = y[U(i)] + (a0 * c0 + a1 * c1 + a2 * c2 + a3 * c3 + a4 * c4 + a5 * c5 + a6 * c6 + a7 * c7)
        w = z[U(i)] + (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7)
        kept = alive[U(i)] if (v >= low) & (v <= high) else ZERO
        kept_too = alive_too[U(i)] if (w >= low) & (w <= high) else ZERO
        alive[U(i)] = kept
        alive_too[U(i)] = kept_too
        left += kept
        left_too += kept_too
    return left, left_too


@njit(_pair(_f2, _f1, _f1, i8, f4, f4, i8, f4, f4, _f1, _f1), **_sums)
def close_line_pair(c, top, top_too, base, t, t_too, size, low, high, alive, alive_too):
    """Strike out the draws that lie outside at two places of a line, and count those left."""
    left = left_too = ZERO
    for i in range(size):
        c0, c1 = c[U(base), U(i)], c[U(base + 1), U(i)]
        v = (top[U(i)] * t + c1) * t + c0
        w = (top_too[U(i)] * t_too + c1) * t_too + c0
        kept = alive[U(i)] if (v >= low) & (v <= high) else ZERO
        kept_too = alive_too[U(i)] if (w >= low) & (w <= high) else ZERO
        alive[U(i)] = kept
        alive_too[U(i)] = kept_too
        left += kept
        left_too += kept_too
    return left, left_too


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
    of four, at least eight. The last one of an odd number of settings is its own neighbour.
    """
    r, q, draws = C.shape
    y, alive = np.empty(WIDE, dtype=np.float32), np.empty(WIDE, dtype=np.float32)
    z, alive_too = np.empty(WIDE, dtype=np.float32), np.empty(WIDE, dtype=np.float32)
    for first in range(0, draws, WIDE):
        size = min(WIDE, draws - first)
        for one in range(0, len(T), 2):
            two = min(one + 1, len(T) - 1)
            fill(alive, size, ONE)
            fill(alive_too, size, ONE)
            left = left_too = ONE
            for j in range(r):
                product_pair(T, one, two, C[j], q - 8, first, size, y, z)
                left, left_too = close8_pair(
                    T, one, two, C[j], q - 8, first, size, y, z, low[j], high[j], alive, alive_too
                )
                if each:
                    counts[one, j] += np.int64(left)
                    if two > one:
                        counts[two, j] += np.int64(left_too)
                    fill(alive, size, ONE)
                    fill(alive_too, size, ONE)
                elif left + left_too == ZERO:
                    break
            if not each:
                counts[one, 0] += np.int64(left)
                if two > one:
                    counts[two, 0] += np.int64(left_too)


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
    top_too, alive_too = np.empty(WIDE, dtype=np.float32), np.empty(WIDE, dtype=np.float32)
    for line in range(len(start) - 1):
        for first in range(0, draws, WIDE):
            size = min(WIDE, draws - first)
            for j in range(r):
                for k in range(0, rows - 1, 2):
                    one, at = line * rows + k, j * rows + k
                    product_pair(B, one, one + 1, C[j], q, first, size, c[at], c[at + 1])
                if rows % 2:
                    product(B, line * rows + order, C[j], q, first, size, c[j * rows + order])
            for one in range(start[line], start[line + 1], 2):
                two = min(one + 1, start[line + 1] - 1)
                fill(alive, size, ONE)
                fill(alive_too, size, ONE)
                left = left_too = ONE
                for j in range(r):
                    highest = highest_too = c[j * rows + 2]
                    if order > 2:
                        horner(c, j * rows, order, t[one], size, top)
                        horner(c, j * rows, order, t[two], size, top_too)
                        highest, highest_too = top, top_too
                    left, left_too = close_line_pair(
                        c, highest, highest_too, j * rows, t[one], t[two], size, low[j], high[j], alive, alive_too
                    )
                    if each:
                        counts[one, j] += np.int64(left)
                        if two > one:
                            counts[two, j] += np.int64(left_too)
                        fill(alive, size, ONE)
                        fill(alive_too, size, ONE)
                    elif left + left_too == ZERO:
                        break
                if not each:
                    counts[one, 0] += np.int64(left)
                    if two > one:
                        counts[two, 0] += np.int64(left_too)


@njit(void(_d2, _b1), **_outer)
def going_on(Z, out):
    """Whether the step after each setting but the first and last goes on in the direction of the step before it; out (N - 2,)."""
    n, m = Z.shape
    for i in range(1, n - 1):
        along = before = after = 0.0
        for k in range(m):
            a, b = Z[i, k] - Z[i - 1, k], Z[i + 1, k] - Z[i, k]
            along += a * b
            before += a * a
            after += b * b
        aside = 0.0
        if before > 0.0:
            for k in range(m):
                d = Z[i + 1, k] - Z[i, k] - along / before * (Z[i, k] - Z[i - 1, k])
                aside += d * d
        out[i - 1] = along > 0.0 and aside <= 1e-10 * after


@njit(void(_d2, _i1, _i1, _d2, _d2, _d1, _d1), **_outer)
def along_lines(Z, first, start, centre, half, t, off):
    """Place of each setting on its line, and how far a line's settings lie from it at most.

    Z (N, m) settings; first (L,): where a line begins among them; start (L + 1,): where it begins among t; off (L,).
    """
    for line in range(len(first)):
        length = 0.0
        for k in range(Z.shape[1]):
            length += half[line, k] * half[line, k]
        farthest = 0.0
        for n in range(start[line], start[line + 1]):
            row = first[line] + n - start[line]
            along = 0.0
            for k in range(Z.shape[1]):
                along += (Z[row, k] - centre[line, k]) * half[line, k]
            t[n] = along / length
            for k in range(Z.shape[1]):
                farthest = max(farthest, abs(Z[row, k] - centre[line, k] - t[n] * half[line, k]))
        off[line] = farthest


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
