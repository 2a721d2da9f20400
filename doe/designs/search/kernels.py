"""Compiled kernels of the design search: one start, one thread, all of its state in small arrays.

A plan's information is M = K + X'V^-1X, with K what is known beforehand (batches already made, a prior). A run that moves
along a line changes its model row by δ(t), a short polynomial, and M by v δδ' + δh' + hδ', where v = (V^-1)_ii and h is row
i of V^-1 X. With D = M^-1, a = δ'Dδ, c = δ'Dh, e = h'Dh:

    |M| ratio         Q(t) = (1 + c)² + a (v − e)
    trace(M^-1 B)     falls by N(t)/Q(t),  N = (v − e) δ'Cδ + 2 (1 + c) δ'Ch − a h'Ch,  C = D B D

Both are polynomials in t, exact for saturated plans too, so a line is searched by root finding. The model row and D are
brought up to date once a visit, by a matrix of rank two. Settings that several runs share (hard-to-change factors, tied
repeats) move together; there M(t) itself is a matrix polynomial.

Importing this module compiles it, or loads it from the cache on disk; nothing else of the package imports numba.
"""

from __future__ import annotations

import numpy as np
from numba import njit, types

from doe.designs.search.packing import (
    AT_C,
    AT_D,
    AT_M,
    CLASS_MOVE,
    CLASS_PTR,
    COL,
    COL_PTR,
    COLUMNS,
    CON,
    CON_PTR,
    CON_RATE,
    CONSTRAINTS,
    COUNT,
    DEEP,
    DEGREE,
    DELTA,
    DIAGONAL,
    FAC_PTR,
    FAC_RATE,
    FAC_VAR,
    FACET,
    FREE,
    FROZEN,
    GROUP_DELTA,
    GROUP_H,
    GROUP_PTR,
    GROUP_RUN,
    GROUPS,
    HIGH,
    KIND,
    LEV_PTR,
    LEVEL,
    LOW,
    MOMENTS,
    MON,
    MON_PTR,
    POLY,
    PRIOR,
    RANDOM,
    RATE,
    REL_PTR,
    REL_RUN,
    REL_WEIGHT,
    REPEAT_BLOCK,
    REPEATS,
    RUN_UNIT,
    RUNS,
    SLACK,
    STEP,
    TERMS,
    TIES,
    TRIAL,
    UNIT_CLASS,
    UNIT_PTR,
    UNIT_RUN,
    UNITS,
    VAR,
    VAR_PTR,
    VARIABLES,
    WIDEST,
    WIDTH,
    WORK,
    A,
    B,
    F,
    Z,
)

D_CRITERION, TRACE_CRITERION, SENSITIVITY = 0, 1, 2
LINE, LEVELS, TABLE = 0, 1, 2
HOPE = 20.0  # exchange is given up when twenty times its last gain would not reach the best plan so far
REFRESH = 4  # passes between two fresh inverses, where runs move alone
EXACT = 1e-10  # gains below this share of the present value are rounding

_i1, _f1 = types.int64[::1], types.float64[::1]
_options = {"cache": True, "nogil": True, "error_model": "numpy", "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
_public = {"cache": True, "nogil": True, "error_model": "numpy"}
f8, i8, void = types.float64, types.int64, types.void
U = np.uint64  # an unsigned index needs no check for counting from the end, so the loops below become vector code


@njit(void(_f1, i8, i8, f8, i8), **_options)
def add_multiple(W, target, source, x, count):
    """Add x times one stretch to another."""
    for j in range(count):
        W[U(target + j)] += x * W[U(source + j)]


@njit(void(_f1, i8, i8, f8, i8, f8, i8), **_options)
def add_two(W, target, one, x, two, y, count):
    """Add x times one stretch and y times another."""
    for j in range(count):
        W[U(target + j)] += x * W[U(one + j)] + y * W[U(two + j)]


@njit(void(_f1, i8, f8, i8), **_options)
def fill(W, target, x, count):
    """Set a stretch to one value."""
    for j in range(count):
        W[U(target + j)] = x


@njit(void(_f1, i8, i8, i8), **_options)
def copy(W, target, source, count):
    """Copy one stretch to another."""
    for j in range(count):
        W[U(target + j)] = W[U(source + j)]


@njit(f8(_f1, i8, i8, i8), **_options)
def dot(W, one, two, count):
    """Sum of products, in four sums at once (a fixed order, so always the same rounding)."""
    a = b = c = d = 0.0
    whole = count - count % 4
    for j in range(0, whole, 4):
        a += W[U(one + j)] * W[U(two + j)]
        b += W[U(one + j + 1)] * W[U(two + j + 1)]
        c += W[U(one + j + 2)] * W[U(two + j + 2)]
        d += W[U(one + j + 3)] * W[U(two + j + 3)]
    for j in range(whole, count):
        a += W[U(one + j)] * W[U(two + j)]
    return (a + b) + (c + d)


@njit(void(_f1, i8, i8, i8, i8), **_options)
def multiply(W, target, matrix, vector, p):
    """Symmetric matrix times vector, row by row."""
    fill(W, target, 0.0, p)
    for k in range(p):
        x = W[vector + k]
        if x != 0.0:
            add_multiple(W, target, matrix + k * p, x, p)


@njit(**_options)
def uniform(T):
    """Next number in [0, 1) of a splitmix64 generator (Steele, Lea & Flood 2014)."""
    x = U(T[RANDOM]) + U(0x9E3779B97F4A7C15)
    T[RANDOM] = np.int64(x)
    x = (x ^ (x >> U(30))) * U(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> U(27))) * U(0x94D049BB133111EB)
    x = x ^ (x >> U(31))
    return float(x >> U(11)) / 9007199254740992.0


@njit(f8(_f1, i8, i8, i8), **_options)
def invert(W, M, D, p):
    """Inverse of a symmetric positive definite matrix by sweeping; its log determinant, −inf where it is singular."""
    copy(W, D, M, p * p)
    logdet = 0.0
    for k in range(p):
        top = D + k * p
        pivot = W[top + k]
        if not pivot > 1e-11 * W[M + k * p + k]:
            return -np.inf
        logdet += np.log(pivot)
        inverse = 1.0 / pivot
        W[top + k] = 0.0
        for i in range(p):
            if i != k:
                factor = W[D + i * p + k] * inverse
                if factor != 0.0:
                    add_multiple(W, D + i * p, top, -factor, p)
                    W[D + i * p + k] = factor
        for j in range(p):
            W[U(top + j)] *= inverse
        W[top + k] = -inverse
    for i in range(p):
        for j in range(i + 1):
            x = -W[D + i * p + j]
            W[D + i * p + j] = x
            W[D + j * p + i] = x
    return logdet


@njit(**_options)
def log_determinant(W, M, D, p):
    """Log determinant of a symmetric positive definite matrix, −inf where it is singular; `D` is work space."""
    copy(W, D, M, p * p)
    logdet = 0.0
    for k in range(p):
        top = D + k * p
        pivot = W[top + k]
        if not pivot > 1e-11 * W[M + k * p + k]:
            return -np.inf
        logdet += np.log(pivot)
        for i in range(k + 1, p):
            factor = W[top + i] / pivot
            if factor != 0.0:
                add_multiple(W, D + i * p + i, top + i, -factor, p - i)
    return logdet


@njit(void(_i1, _f1, i8, i8), **_options)
def related_row(T, W, i, h):
    """Row i of V^-1 X."""
    p = T[COLUMNS]
    fill(W, h, 0.0, p)
    for k in range(T[T[REL_PTR] + i], T[T[REL_PTR] + i + 1]):
        add_multiple(W, h, T[F] + T[T[REL_RUN] + k] * p, W[T[REL_WEIGHT] + k] * T[T[REPEATS] + i], p)


@njit(void(_i1, _f1, i8, i8), **_options)
def model_row(T, W, z, f):
    """Monomials of one setting."""
    for c in range(T[COLUMNS]):
        x = 1.0
        for k in range(T[T[MON_PTR] + c], T[T[MON_PTR] + c + 1]):
            x *= W[z + T[T[MON] + k]]
        W[f + c] = x


@njit(**_options)
def slacks(T, W, i):
    """What each constraint leaves to run i."""
    m, q = T[VARIABLES], T[CONSTRAINTS]
    for k in range(q):
        W[T[SLACK] + i * q + k] = W[T[B] + k] - dot(W, T[A] + k * m, T[Z] + i * m, m)


@njit(f8(_i1, _f1, i8, f8), **_options)
def refresh(T, W, criterion, ridge):
    """Model rows, slacks, M, D and C from the settings; the criterion's value, the larger the better.

    log|M|, −trace(M^-1 B), or (sensitivity) trace(D M) for the D at hand.
    """
    n, m, p, q = T[RUNS], T[VARIABLES], T[COLUMNS], T[CONSTRAINTS]
    h, M, D, C = T[WORK], T[AT_M], T[AT_D], T[AT_C]
    for i in range(n):
        model_row(T, W, T[Z] + i * m, T[F] + i * p)
        for k in range(q):
            W[T[SLACK] + i * q + k] = W[T[B] + k] - dot(W, T[A] + k * m, T[Z] + i * m, m)
    copy(W, M, T[PRIOR], p * p)
    for i in range(n):
        related_row(T, W, i, h)
        for r in range(p):
            x = W[T[F] + i * p + r]
            if x != 0.0:
                add_multiple(W, M + r * p, h, x, r + 1)
    for r in range(p):
        W[M + r * p + r] += ridge
        for c in range(r):
            W[M + c * p + r] = W[M + r * p + c]
    if criterion == SENSITIVITY:
        return dot(W, D, M, p * p)
    value = invert(W, M, D, p)
    if criterion == TRACE_CRITERION and value > -np.inf:
        half = T[TERMS]
        for i in range(p):
            multiply(W, half + i * p, T[MOMENTS], D + i * p, p)
        for i in range(p):
            multiply(W, C + i * p, D, half + i * p, p)
        value = -dot(W, D, T[MOMENTS], p * p)
        if not value < 0.0:
            return -np.inf
    return value


@njit(f8(_f1, i8, i8, f8), **_options)
def horner(W, q, degree, t):
    """Value of the polynomial whose coefficients start at q."""
    x = W[q + degree]
    for k in range(degree - 1, -1, -1):
        x = x * t + W[q + k]
    return x


@njit(f8(_f1, i8, i8, f8, f8, f8, i8), **_options)
def summit(W, q, degree, low, high, step, room):
    """Where a polynomial is greatest on [low, high], or on the multiples of `step` in it; 0 is the present place.

    Between neighbouring zeros of q'' the slope is monotone, so each change of sign brackets one zero, found by Newton
    steps kept inside the bracket; q'' is treated the same way, down to a quadratic that is solved in closed form.
    """
    if step > 0.0:
        low, high = np.ceil(low / step - 1e-9) * step, np.floor(high / step + 1e-9) * step
        if not low < high:
            return 0.0
    best, top = 0.0, W[q]
    y = horner(W, q, degree, low)
    if y > top:
        best, top = low, y
    y = horner(W, q, degree, high)
    if y > top:
        best, top = high, y
    while degree > 0 and W[q + degree] == 0.0:
        degree -= 1
    if degree < 2:
        return best
    found, slope, other, bends = room, room + WIDTH, room + 2 * WIDTH, room + 3 * WIDTH
    count = 0
    for order in range(max(degree - 2, 1), 0, -1):
        d = degree - order
        for k in range(d + 1):
            x = W[q + k + order]
            for r in range(order):
                x *= k + order - r
            W[slope + k] = x
        if d == 1:
            W[found] = -W[slope] / W[slope + 1]
            count = 1 if low < W[found] < high else 0
        elif d == 2:
            a, half, c = W[slope + 2], 0.5 * W[slope + 1], W[slope]
            count = 0
            square = half * half - a * c
            if square > 0.0:
                x = -(half + np.sqrt(square)) if half >= 0.0 else np.sqrt(square) - half
                one, two = x / a, c / x
                if one > two:
                    one, two = two, one
                if low < one < high:
                    W[found] = one
                    count = 1
                if low < two < high:
                    W[found + count] = two
                    count += 1
        else:
            for k in range(d):
                W[bends + k] = (k + 1) * W[slope + k + 1]
            new = 0
            left, at_left = low, horner(W, slope, d, low)
            for k in range(count + 1):
                right = W[found + k] if k < count else high
                at_right = horner(W, slope, d, right)
                # at the last order only maxima are wanted: the slope must fall through zero
                if (at_left < 0.0) != (at_right < 0.0) and (order > 1 or at_left > 0.0):
                    a, b, rising = left, right, at_right > at_left
                    t = left + (right - left) * at_left / (at_left - at_right)
                    for _ in range(60):
                        y = horner(W, slope, d, t)
                        if (y > 0.0) == rising:
                            b = t
                        else:
                            a = t
                        g = horner(W, bends, d - 1, t)
                        s = t - y / g if g != 0.0 else a - 1.0
                        if not a < s < b:
                            s = 0.5 * (a + b)
                        near = abs(s - t) <= 1e-9 * (high - low)
                        t = s
                        if near:
                            break
                    W[other + new] = t
                    new += 1
                left, at_left = right, at_right
            copy(W, found, other, new)
            count = new
    for k in range(count):
        t = W[found + k]
        if step > 0.0:
            under = np.floor(t / step) * step
            y = horner(W, q, degree, under)
            if y > top:
                best, top = under, y
            t = under + step
        if t <= high:
            y = horner(W, q, degree, t)
            if y > top:
                best, top = t, y
    return best


@njit(void(_i1, _f1, i8, i8, i8), **_options)
def interval(T, W, move, i, ends):
    """Narrow [W[ends], W[ends + 1]] to where the move keeps run i in the region."""
    z, slack = T[Z] + i * T[VARIABLES], T[SLACK] + i * T[CONSTRAINTS]
    low, high = W[ends], W[ends + 1]
    for k in range(T[T[VAR_PTR] + move], T[T[VAR_PTR] + move + 1]):
        v, r = T[T[VAR] + k], W[T[RATE] + k]
        one, two = (W[T[LOW] + v] - W[z + v]) / r, (W[T[HIGH] + v] - W[z + v]) / r
        if r < 0.0:
            one, two = two, one
        low, high = max(low, one), min(high, two)
    for k in range(T[T[CON_PTR] + move], T[T[CON_PTR] + move + 1]):
        r, x = W[T[CON_RATE] + k], max(W[slack + T[T[CON] + k]], 0.0)
        if r > 0.0:
            high = min(high, x / r)
        else:
            low = max(low, x / r)
    W[ends], W[ends + 1] = low, high


@njit(void(_i1, _f1, i8, i8, i8), **_options)
def line_terms(T, W, move, z, delta):
    """δ(t) of the columns a move changes: at delta + h p + a the coefficient of t^h of the a-th of them."""
    p, degree = T[COLUMNS], T[T[DEGREE] + move]
    start, fac = T[T[COL_PTR] + move], T[FAC_VAR]
    for a in range(T[T[COL_PTR] + move + 1] - start):
        x, moving = 1.0, 0
        for k in range(T[T[FAC_PTR] + start + a], T[T[FAC_PTR] + start + a + 1]):
            r, y = W[T[FAC_RATE] + k], W[z + T[fac + k]]
            if r == 0.0:
                x *= y
                continue
            if moving == 0:
                W[delta + a], W[delta + p + a] = x * y, x * r
            else:
                W[delta + (moving + 1) * p + a] = r * W[delta + moving * p + a]
                for h in range(moving, 0, -1):
                    W[delta + h * p + a] = y * W[delta + h * p + a] + r * W[delta + (h - 1) * p + a]
                W[delta + a] *= y
            moving += 1
        for h in range(moving + 1, degree + 1):
            W[delta + h * p + a] = 0.0


@njit(void(_i1, _f1, i8, i8, i8, i8), **_options)
def table_terms(T, W, move, row, z, delta):
    """δ of a jump to one row of a table of levels: the whole change, as the coefficient of t."""
    m, trial, start = T[VARIABLES], T[TRIAL], T[T[COL_PTR] + move]
    copy(W, trial, z, m)
    first = T[T[VAR_PTR] + move]
    for k in range(first, T[T[VAR_PTR] + move + 1]):
        W[trial + T[T[VAR] + k]] = W[T[LEVEL] + row * T[WIDEST] + k - first]
    for a in range(T[T[COL_PTR] + move + 1] - start):
        c = T[T[COL] + start + a]
        x = y = 1.0
        for k in range(T[T[MON_PTR] + c], T[T[MON_PTR] + c + 1]):
            x *= W[trial + T[T[MON] + k]]
            y *= W[z + T[T[MON] + k]]
        W[delta + T[COLUMNS] + a] = x - y


@njit(void(_i1, _f1, i8, i8, i8, i8, i8, i8), **_options)
def forms(T, W, move, D, w, u, a, c):
    """Add to a(t) what δ'Dδ + 2 δ'w gives, and to c(t) what δ'u gives."""
    p, degree, delta = T[COLUMNS], T[T[DEGREE] + move], T[DELTA]
    col = T[COL] + T[T[COL_PTR] + move]
    counts = T[COUNT] + move * T[DEEP]
    for h in range(1, degree + 1):
        x = y = 0.0
        for k in range(T[counts + h]):
            x += W[delta + h * p + k] * W[w + T[col + k]]
            y += W[delta + h * p + k] * W[u + T[col + k]]
        W[a + h] += 2.0 * x
        W[c + h] += y
    for k in range(T[counts + 1]):
        row = D + T[col + k] * p
        corner = W[row + T[col + k]]
        for g in range(1, degree + 1):
            x = 0.0
            for j in range(min(k, T[counts + g])):
                x += W[row + T[col + j]] * W[delta + g * p + j]
            y = W[delta + g * p + k] * corner if k < T[counts + g] else 0.0
            for h in range(1, degree + 1):
                if k < T[counts + h]:
                    W[a + g + h] += (2.0 * x + y) * W[delta + h * p + k]


@njit(f8(i8, i8, f8, f8, f8, _f1, i8), **_options)
def best_on_line(criterion, degree, low, high, step, W, poly):
    """The best t on a line: of Q itself, or of N/Q by Dinkelbach's iteration (1967)."""
    Q, N, R, room = poly + 4 * WIDTH, poly + 5 * WIDTH, poly + 6 * WIDTH, poly + 8 * WIDTH
    twice = 2 * degree
    if criterion != TRACE_CRITERION:
        return summit(W, Q, twice, low, high, step, room)
    t, ratio = 0.0, W[N] / W[Q]
    for _ in range(12):
        for k in range(twice + 1):
            W[R + k] = W[N + k] - ratio * W[Q + k]
        s = summit(W, R, twice, low, high, step, room)
        if s == t:
            break
        y = horner(W, Q, twice, s)
        if not y > 1e-9:
            break
        new = horner(W, N, twice, s) / y
        if not new > ratio:
            break
        near = new - ratio < 1e-6 * abs(new)
        t, ratio = s, new
        if near:
            break
    return t


@njit(void(_i1, _f1, i8, i8, f8, i8), **_options)
def take_step(T, W, i, move, t, row):
    """Move run i's variables and slacks."""
    z, slack, first = T[Z] + i * T[VARIABLES], T[SLACK] + i * T[CONSTRAINTS], T[T[VAR_PTR] + move]
    for k in range(first, T[T[VAR_PTR] + move + 1]):
        v = T[T[VAR] + k]
        if T[T[KIND] + move] == TABLE:
            W[z + v] = W[T[LEVEL] + row * T[WIDEST] + k - first]
            continue
        x = W[z + v] + t * W[T[RATE] + k]
        for end in (W[T[LOW] + v], W[T[HIGH] + v]):
            if abs(x - end) < 1e-12:
                x = end
        W[z + v] = x
    for k in range(T[T[CON_PTR] + move], T[T[CON_PTR] + move + 1]):
        W[slack + T[T[CON] + k]] -= t * W[T[CON_RATE] + k]


@njit(f8(_i1, _f1, i8, i8, f8), **_options)
def visit_run(T, W, unit, criterion, value):
    """Improve one run by each of its moves; D (and C) brought up to date at the end. The criterion's new value."""
    i = T[T[UNIT_RUN] + T[T[UNIT_PTR] + unit]]
    p = T[COLUMNS]
    D, C, delta, poly = T[AT_D], T[AT_C], T[DELTA], T[POLY]
    z, f, slack = T[Z] + i * T[VARIABLES], T[F] + i * p, T[SLACK] + i * T[CONSTRAINTS]
    h = T[WORK]
    u, w, u_c, w_c = h + p, h + 2 * p, h + 3 * p, h + 4 * p
    Q, N, ends = poly + 4 * WIDTH, poly + 5 * WIDTH, poly + 7 * WIDTH
    trace = criterion == TRACE_CRITERION
    related_row(T, W, i, h)
    v = W[T[DIAGONAL] + i] * T[T[REPEATS] + i]
    multiply(W, u, D, h, p)
    fill(W, w, 0.0, p)
    e, e_c = dot(W, h, u, p), 0.0
    if trace:
        multiply(W, u_c, C, h, p)
        fill(W, w_c, 0.0, p)
        e_c = dot(W, h, u_c, p)
    a0 = c0 = a_c0 = c_c0 = 0.0
    moved = False
    owner = T[CLASS_PTR] + T[T[UNIT_CLASS] + unit]
    for at in range(T[owner], T[owner + 1]):
        move = T[T[CLASS_MOVE] + at]
        if T[T[FACET] + move] >= 0 and W[slack + T[T[FACET] + move]] > 1e-9:
            continue
        degree, kind = T[T[DEGREE] + move], T[T[KIND] + move]
        twice = 2 * degree
        first, last = T[T[LEV_PTR] + move], T[T[LEV_PTR] + move + 1]
        start, stop = 0, 1
        W[ends], W[ends + 1] = -1e30, 1e30
        if kind == TABLE:
            start, stop = first, last
        else:
            interval(T, W, move, i, ends)
            # a run beside the lattice or the region's rounding error cannot take this move
            if W[ends + 1] - W[ends] < 1e-10 or W[ends] > 1e-9 or W[ends + 1] < -1e-9:
                continue
            line_terms(T, W, move, z, delta)
        for row in range(start, stop):
            if kind == TABLE:
                table_terms(T, W, move, row, z, delta)
            fill(W, poly, 0.0, 4 * WIDTH)
            W[poly], W[poly + WIDTH], W[poly + 2 * WIDTH], W[poly + 3 * WIDTH] = a0, c0, a_c0, c_c0
            for turn in range(2 if trace else 1):
                forms(
                    T,
                    W,
                    move,
                    C if turn else D,
                    w_c if turn else w,
                    u_c if turn else u,
                    poly + 2 * turn * WIDTH,
                    poly + (2 * turn + 1) * WIDTH,
                )
            if criterion == SENSITIVITY:
                for k in range(twice + 1):
                    W[Q + k] = v * W[poly + k] + (2.0 * W[poly + WIDTH + k] if k <= degree else 0.0)
            else:
                W[poly + WIDTH] += 1.0
                for k in range(twice + 1):
                    W[Q + k] = (v - e) * W[poly + k]
                for g in range(degree + 1):
                    for k in range(degree + 1):
                        W[Q + g + k] += W[poly + WIDTH + g] * W[poly + WIDTH + k]
                if trace:
                    for k in range(twice + 1):
                        W[N + k] = (v - e) * W[poly + 2 * WIDTH + k] - e_c * W[poly + k]
                    for g in range(degree + 1):
                        for k in range(degree + 1):
                            W[N + g + k] += 2.0 * W[poly + WIDTH + g] * W[poly + 3 * WIDTH + k]
                W[poly + WIDTH] -= 1.0
            present = W[N] / W[Q] if trace else W[Q]
            t = 0.0
            if kind == LINE:
                t = best_on_line(criterion, degree, W[ends], W[ends + 1], W[T[STEP] + move], W, poly)
            else:
                top, here = present, W[z + T[T[VAR] + T[T[VAR_PTR] + move]]]
                for r in range(first, last) if kind == LEVELS else range(row, row + 1):
                    s = W[T[LEVEL] + r * T[WIDEST]] - here if kind == LEVELS else 1.0
                    if kind == LEVELS and (s < W[ends] - 1e-12 or s > W[ends + 1] + 1e-12 or abs(s) < 1e-12):
                        continue
                    y = horner(W, Q, twice, s)
                    if trace:
                        y = horner(W, N, twice, s) / y if y > 1e-9 else -np.inf
                    if y > top:
                        top, t = y, s
            if t == 0.0:
                continue
            found = horner(W, Q, twice, t)
            if trace:
                found = horner(W, N, twice, t) / found if found > 1e-9 else -np.inf
            if not found - present > EXACT * (abs(value) if trace else max(abs(present), 1.0)):
                continue
            moved = True
            take_step(T, W, i, move, t, row)
            a0, c0 = horner(W, poly, twice, t), horner(W, poly + WIDTH, degree, t)
            a_c0, c_c0 = horner(W, poly + 2 * WIDTH, twice, t), horner(W, poly + 3 * WIDTH, degree, t)
            counts = T[COUNT] + move * T[DEEP]
            for k in range(T[counts + 1]):
                x = 0.0
                for g in range(degree, 0, -1):
                    x = (x + (W[delta + g * p + k] if k < T[counts + g] else 0.0)) * t
                c = T[T[COL] + T[T[COL_PTR] + move] + k]
                W[f + c] += x
                add_multiple(W, w, D + c * p, x, p)
                if trace:
                    add_multiple(W, w_c, C + c * p, x, p)
    if not moved:
        return value
    if criterion == SENSITIVITY:
        return value + v * a0 + 2.0 * c0
    ratio = (1.0 + c0) * (1.0 + c0) + a0 * (v - e)
    if not ratio > 1e-7:
        return refresh(T, W, criterion, 0.0)
    # Y is the inverse of [[a, 1 + c], [1 + c, e − v]], P = D [δ, h] = [w, u] and D falls by P Y P'
    y11, y12, y22 = (v - e) / ratio, (1.0 + c0) / ratio, -a0 / ratio
    if trace:
        g11, g12 = y11 * a_c0 + y12 * c_c0, y11 * c_c0 + y12 * e_c
        g21, g22 = y12 * a_c0 + y22 * c_c0, y12 * c_c0 + y22 * e_c
        k11, k12, k22 = g11 * y11 + g12 * y12, g11 * y12 + g12 * y22, g21 * y12 + g22 * y22
        value += y11 * a_c0 + 2.0 * y12 * c_c0 + y22 * e_c
    else:
        value += np.log(ratio)
    for r in range(p):
        a, b = W[w + r], W[u + r]
        one, two = a * y11 + b * y12, a * y12 + b * y22
        add_two(W, D + r * p, w, -one, u, -two, p)
        if trace:
            a_c, b_c = W[w_c + r], W[u_c + r]
            add_two(W, C + r * p, w_c, -one, u_c, -two, p)
            three = k11 * a + k12 * b - (a_c * y11 + b_c * y12)
            four = k12 * a + k22 * b - (a_c * y12 + b_c * y22)
            add_two(W, C + r * p, w, three, u, four, p)
    return value


@njit(**_options)
def group_terms(T, W, unit, move):
    """Coefficients of M(t) − M when the runs of a unit move together, at TERMS + k p²; their δ are in GROUP_DELTA."""
    start = T[T[UNIT_PTR] + unit]
    size, p, deep = T[T[UNIT_PTR] + unit + 1] - start, T[COLUMNS], T[DEEP]
    degree, col, counts = T[T[DEGREE] + move], T[COL] + T[T[COL_PTR] + move], T[COUNT] + move * T[DEEP]
    terms, group = T[TERMS], T[GROUP_DELTA]
    fill(W, terms + p * p, 0.0, 2 * degree * p * p)
    for s in range(size):
        i = T[T[UNIT_RUN] + start + s]
        h = T[GROUP_H] + s * p
        related_row(T, W, i, h)
        here, there = group + s * deep * p, group + (size + s) * deep * p
        fill(W, there, 0.0, deep * p)
        for q in range(T[T[REL_PTR] + i], T[T[REL_PTR] + i + 1]):
            for o in range(size):
                if T[T[UNIT_RUN] + start + o] == T[T[REL_RUN] + q]:
                    for g in range(1, degree + 1):
                        add_multiple(W, there + g * p, group + (o * deep + g) * p, W[T[REL_WEIGHT] + q], T[counts + g])
        for g in range(1, degree + 1):
            for k in range(T[counts + g]):
                x = W[here + g * p + k]
                if x == 0.0:
                    continue
                row = terms + g * p * p + T[col + k] * p
                add_multiple(W, row, h, x, p)
                for o in range(1, degree + 1):
                    row += p * p
                    for j in range(T[counts + o]):
                        W[row + T[col + j]] += 0.5 * x * W[there + o * p + j]
    for k in range(1, 2 * degree + 1):
        G = terms + k * p * p
        for r in range(p):
            for j in range(r + 1):
                x = W[G + r * p + j] + W[G + j * p + r]
                W[G + r * p + j] = x
                W[G + j * p + r] = x


@njit(**_options)
def group_value(T, W, criterion, degree, t):
    """Value of the criterion at M(t)."""
    p, terms = T[COLUMNS], T[TERMS]
    if criterion == SENSITIVITY:
        value, x = dot(W, T[AT_D], T[AT_M], p * p), 1.0
        for k in range(1, 2 * degree + 1):
            x *= t
            value += x * dot(W, T[AT_D], terms + k * p * p, p * p)
        return value
    copy(W, terms, T[AT_M], p * p)
    x = 1.0
    for k in range(1, 2 * degree + 1):
        x *= t
        add_multiple(W, terms, terms + k * p * p, x, p * p)
    room = terms + (2 * T[DEEP] - 1) * p * p
    if criterion == D_CRITERION:
        return log_determinant(W, terms, room, p)
    if invert(W, terms, room, p) == -np.inf:
        return -np.inf
    value = -dot(W, room, T[MOMENTS], p * p)
    return value if value < 0.0 else -np.inf


@njit(**_options)
def best_in_group(T, W, criterion, degree, low, high, step, present):
    """Search a line of a group: seven places, then parabolas through the best three; the best t."""
    if step > 0.0:
        low, high = np.ceil(low / step - 1e-9) * step, np.floor(high / step + 1e-9) * step
        if not low < high:
            return 0.0
    best, top = 0.0, present
    width = (high - low) / 6.0
    left = right = 0.0
    at_left = at_right = -np.inf
    for k in range(15):
        if k < 7:
            t = low + k * width if k < 6 else high
        elif k == 7:
            left, right = max(low, best - width), min(high, best + width)
            if not left < best < right:
                break
            t = left
        elif k == 8:
            t = right
        else:
            one, two = best - left, right - best
            slope_left, slope_right = (top - at_left) / one, (at_right - top) / two
            bend = (slope_right - slope_left) / (one + two)
            if not (bend < 0.0 and bend > -1e300):
                break
            t = best - 0.5 * (slope_left + bend * one) / bend
            if not left < t < right or abs(t - best) < 1e-6 * width:
                break
        y = group_value(T, W, criterion, degree, t)
        if k < 7:
            if y > top:
                best, top = t, y
        elif k == 7:
            at_left = y
        elif k == 8:
            at_right = y
        elif y > top:
            if t > best:
                left, at_left = best, top
            else:
                right, at_right = best, top
            best, top = t, y
        elif t > best:
            right, at_right = t, y
        else:
            left, at_left = t, y
    if step > 0.0:
        exact, best, top = best, 0.0, present
        for k in range(2):
            t = (np.floor(exact / step + 1e-9) + k) * step
            if low - 1e-12 <= t <= high + 1e-12:
                y = group_value(T, W, criterion, degree, t)
                if y > top:
                    best, top = t, y
    return best


@njit(**_options)
def visit_group(T, W, unit, criterion, value):
    """Improve the settings that the runs of a unit share; needs M up to date and leaves M, D (and C) so."""
    start = T[T[UNIT_PTR] + unit]
    size, p, m = T[T[UNIT_PTR] + unit + 1] - start, T[COLUMNS], T[VARIABLES]
    ends, wide = T[POLY] + 7 * WIDTH, T[DEEP] * p
    owner = T[CLASS_PTR] + T[T[UNIT_CLASS] + unit]
    for at in range(T[owner], T[owner + 1]):
        move = T[T[CLASS_MOVE] + at]
        degree, kind = T[T[DEGREE] + move], T[T[KIND] + move]
        W[ends], W[ends + 1] = -1e30, 1e30
        blocked = False
        if kind != TABLE:
            for s in range(size):
                i = T[T[UNIT_RUN] + start + s]
                facet = T[T[FACET] + move]
                blocked |= facet >= 0 and W[T[SLACK] + i * T[CONSTRAINTS] + max(facet, 0)] > 1e-9
                interval(T, W, move, i, ends)
                line_terms(T, W, move, T[Z] + i * m, T[GROUP_DELTA] + s * wide)
            if blocked or W[ends + 1] - W[ends] < 1e-10 or W[ends] > 1e-9 or W[ends + 1] < -1e-9:
                continue
        here = W[T[Z] + T[T[UNIT_RUN] + start] * m + T[T[VAR] + T[T[VAR_PTR] + move]]]
        first = T[T[LEV_PTR] + move]
        chosen, best, top = first, 0.0, value
        for row in range(first, T[T[LEV_PTR] + move + 1] if kind != LINE else first + 1):
            if kind == TABLE:
                for s in range(size):
                    z = T[Z] + T[T[UNIT_RUN] + start + s] * m
                    table_terms(T, W, move, row, z, T[GROUP_DELTA] + s * wide)
            if kind == TABLE or row == first:
                group_terms(T, W, unit, move)
            if kind == LINE:
                t = best_in_group(T, W, criterion, degree, W[ends], W[ends + 1], W[T[STEP] + move], value)
            else:
                t = W[T[LEVEL] + row * T[WIDEST]] - here if kind == LEVELS else 1.0
                if t < W[ends] - 1e-12 or t > W[ends + 1] + 1e-12:
                    continue
            if t == 0.0:
                continue
            y = group_value(T, W, criterion, degree, t)
            if y > top:
                chosen, best, top = row, t, y
        if best == 0.0 or not top - value > EXACT * max(abs(value), 1.0):
            continue
        for s in range(size):
            take_step(T, W, T[T[UNIT_RUN] + start + s], move, best, chosen)
        value = refresh(T, W, criterion, 0.0)
    return value


@njit(**_options)
def pass_repeats(T, W, criterion, value):
    """Pass one repeat of a setting on to where it helps most; the new value, the same where none helps."""
    n, p = T[RUNS], T[COLUMNS]
    D, C, F0, w, x = T[AT_D], T[AT_C], T[F], T[WORK], T[WORK] + 2 * p
    source, target, gain = -1, -1, 1e-9 * max(abs(value), 1.0)
    for a in range(n):
        if T[T[REPEATS] + a] < 2 or T[T[REPEAT_BLOCK] + a] < 0:
            continue
        multiply(W, w, D, F0 + a * p, p)
        multiply(W, w + p, C, F0 + a * p, p)
        d_a, d_c = dot(W, w, F0 + a * p, p), dot(W, w + p, F0 + a * p, p)
        for b in range(n):
            if b == a or T[T[REPEAT_BLOCK] + b] != T[T[REPEAT_BLOCK] + a]:
                continue
            multiply(W, x, D, F0 + b * p, p)
            d_b, d_ab = dot(W, x, F0 + b * p, p), dot(W, w, F0 + b * p, p)
            Q = (1.0 - d_a) * (1.0 + d_b) + d_ab * d_ab
            if not Q > 1e-9:
                continue
            y = np.log(Q)
            if criterion == TRACE_CRITERION:
                multiply(W, x, C, F0 + b * p, p)
                c_b, c_ab = dot(W, x, F0 + b * p, p), dot(W, w + p, F0 + b * p, p)
                y = ((1.0 - d_a) * c_b + 2.0 * d_ab * c_ab - (1.0 + d_b) * d_c) / Q
            if y > gain:
                source, target, gain = a, b, y
    if source < 0:
        return value
    T[T[REPEATS] + source] -= 1
    T[T[REPEATS] + target] += 1
    return refresh(T, W, criterion, 0.0)


@njit(**_options)
def scramble(T, W, unit):
    """Move a unit at random along its own moves, within the region."""
    ends = T[POLY] + 7 * WIDTH
    owner = T[CLASS_PTR] + T[T[UNIT_CLASS] + unit]
    start, stop = T[T[UNIT_PTR] + unit], T[T[UNIT_PTR] + unit + 1]
    for turn in range(2):
        for at in range(T[owner], T[owner + 1]):
            move = T[T[CLASS_MOVE] + at]
            kind = T[T[KIND] + move]
            if T[T[FACET] + move] >= 0 or (turn > 0 and kind == TABLE):
                continue
            first = T[T[LEV_PTR] + move]
            row = first + int(uniform(T) * (T[T[LEV_PTR] + move + 1] - first))
            t = 0.0
            if kind != TABLE:
                W[ends], W[ends + 1] = -1e30, 1e30
                for k in range(start, stop):
                    interval(T, W, move, T[T[UNIT_RUN] + k], ends)
                t = W[ends] + uniform(T) * (W[ends + 1] - W[ends])
                if kind == LEVELS:
                    z = T[Z] + T[T[UNIT_RUN] + start] * T[VARIABLES]
                    t = W[T[LEVEL] + row * T[WIDEST]] - W[z + T[T[VAR] + T[T[VAR_PTR] + move]]]
                elif W[T[STEP] + move] > 0.0:
                    t = np.floor(t / W[T[STEP] + move]) * W[T[STEP] + move]
                if t < W[ends] or t > W[ends + 1]:
                    continue
            for k in range(start, stop):
                take_step(T, W, T[T[UNIT_RUN] + k], move, t, row)


@njit(**_options)
def visit_shared(T, W, criterion, value):
    """Visit the units of several runs, then pass repeats on."""
    for unit in range(T[UNITS]):
        if T[T[UNIT_PTR] + unit + 1] - T[T[UNIT_PTR] + unit] > 1:
            value = visit_group(T, W, unit, criterion, value)
    return value


@njit(**_options)
def settle_repeats(T, W, criterion, value):
    """Pass repeats on while that helps."""
    for _ in range(T[RUNS]):
        before = value
        value = pass_repeats(T, W, criterion, value)
        if not value > before:
            break
    return value


@njit(**_options)
def loosen(T, W, group):
    """Move at random what the runs of a group need not share, and keep ties."""
    first, last, m = T[T[GROUP_PTR] + group], T[T[GROUP_PTR] + group + 1], T[VARIABLES]
    for k in range(first, last):
        i = T[T[GROUP_RUN] + k]
        if last - first > 1 and T[T[RUN_UNIT] + i] >= 0:
            slacks(T, W, i)
            scramble(T, W, T[T[RUN_UNIT] + i])
    for i in range(T[RUNS]):
        root = T[T[TIES] + i]
        for v in range(m):
            if root != i and T[T[FREE] + v] != 0:
                W[T[Z] + i * m + v] = W[T[Z] + root * m + v]


@njit(**_public)
def explore(T, W, pool, draws, best_Z, best_repeats, criterion, best, tolerance, passes, shared):
    """Iterated local search: each step starts from the best plan so far with some groups of runs drawn anew.

    Parameters
    ----------
    T, W : state (see `packing`)
    pool : (points * m,) settings to draw from
    draws : (steps, groups) the point that each group takes (past the last: it moves at random from where it is); −1 it
        stays; −2 − i only run i moves, at random
    best_Z, best_repeats : (n m,), (n,) the best plan so far, brought up to date
    criterion : 0 log|M|, 1 −trace(M^-1 B), 2 trace(D M) for a given D
    best : value of the best plan so far, −inf where there is none
    tolerance : exchange ends when a pass gains less (of log|M|, or relative), or cannot hope to reach the best
    passes : at most
    shared : None where every run moves alone and is made once (that code is then not even compiled), else True

    Returns
    -------
    float
        The new best value.
    """
    n, m, p = T[RUNS], T[VARIABLES], T[COLUMNS]
    Z0, R0 = T[Z], T[REPEATS]
    for step in range(draws.shape[0]):
        for k in range(n * m):
            W[Z0 + k] = best_Z[k]
        for i in range(n):
            T[R0 + i] = best_repeats[i]
        for group in range(T[GROUPS]):
            point = draws[step, group]
            if 0 <= point < pool.shape[0] // m:
                for k in range(T[T[GROUP_PTR] + group], T[T[GROUP_PTR] + group + 1]):
                    i = T[T[GROUP_RUN] + k]
                    for v in range(m):
                        if T[T[FREE] + v] != 0 and T[T[FROZEN] + i] == 0:
                            W[Z0 + i * m + v] = pool[point * m + v]
            if shared is not None:
                if point >= 0:
                    loosen(T, W, group)
                elif point < -1 and T[T[RUN_UNIT] - 2 - point] >= 0:
                    slacks(T, W, -2 - point)
                    scramble(T, W, T[T[RUN_UNIT] - 2 - point])
        # while some terms cannot be told apart the first rounds exchange log|M + ridge|
        ridge, rounds, used, stale = 0.0, 0, criterion, 0
        value = refresh(T, W, criterion, 0.0)
        for _ in range(passes):
            if value == -np.inf:
                if rounds == 8:
                    break
                size = 0.0
                for k in range(p):
                    size += W[T[AT_M] + k * p + k]
                ridge, used = 1e-3 * size / p, D_CRITERION
                value = refresh(T, W, used, ridge)
                rounds += 1
            old = value
            if shared is not None:
                value = visit_shared(T, W, used, value)
            for unit in range(T[UNITS]):
                if T[T[UNIT_PTR] + unit + 1] - T[T[UNIT_PTR] + unit] == 1:
                    value = visit_run(T, W, unit, used, value)
            stale += 1
            if stale == REFRESH or ridge > 0.0 or shared is not None:
                value, stale = refresh(T, W, criterion, 0.0), 0
            if ridge > 0.0:
                ridge, used = 0.0, criterion
                continue
            if shared is not None:
                value = settle_repeats(T, W, criterion, value)
            gain, scale = value - old, 1.0 if criterion == D_CRITERION else abs(value)
            if not gain > tolerance * scale:
                break
            if gain < 0.02 * scale and value + HOPE * gain < best:
                break
        if stale > 0:
            value = refresh(T, W, criterion, 0.0)
        if value > best + 1e-9 * max(abs(best), 1.0) or best == -np.inf:
            best = value
            for k in range(n * m):
                best_Z[k] = W[Z0 + k]
            for i in range(n):
                best_repeats[i] = T[R0 + i]
    return best
