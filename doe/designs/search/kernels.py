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

from typing import NamedTuple

import numpy as np
from numba import njit, types
from numpy.typing import NDArray

D_CRITERION, TRACE_CRITERION, SENSITIVITY = 0, 1, 2
LINE, LEVELS, TABLE = 0, 1, 2

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]


class Tables(NamedTuple):
    """What stays the same during a search: the model's monomials, the moves and which runs make them, the region."""

    kind: Ints  # (moves,) LINE, LEVELS or TABLE
    degree: Ints  # (moves,) of δ(t)
    step: Reals  # (moves,) lattice of t, 0 where t is free
    facet: Ints  # (moves,) the constraint this direction runs along, −1 for none
    col_ptr: Ints
    col: Ints  # model columns that a move changes, highest degree first
    count: Ints  # (moves, degree + 1) how many of them have at least that degree in t
    fac_ptr: Ints
    fac_var: Ints  # variables of the monomial, the resting ones first
    fac_rate: Reals  # their rate along the move
    var_ptr: Ints
    var: Ints
    rate: Reals
    con_ptr: Ints
    con: Ints
    con_rate: Reals
    lev_ptr: Ints
    level: Reals  # (levels, widest) values of the moving variables
    mon_ptr: Ints
    mon: Ints  # variables of each model column, repeated by power
    low: Reals
    high: Reals
    A: Reals  # (constraints, m) A z <= b
    b: Reals
    unit_ptr: Ints
    unit_run: Ints  # runs that move together
    unit_class: Ints
    class_ptr: Ints
    class_move: Ints
    rel_ptr: Ints
    rel_run: Ints  # rows of V^-1: related runs and weights
    rel_weight: Reals
    diagonal: Reals  # (V^-1)_ii
    group_ptr: Ints
    group_run: Ints  # runs redrawn together
    free: Ints  # (m,) 1 where a start may draw the variable
    frozen: Ints  # (n,) 1 where a run stays as given
    repeat_block: Ints  # (n,) block within which a repeat may pass to another run, −1 for none
    ties: Ints  # (n,) the run whose setting this one shares (its own index where none)
    run_unit: Ints  # (n,) the unit of one run that moves it alone, −1 for none


class State(NamedTuple):
    """What a search changes, with its work space."""

    Z: Reals
    F: Reals
    slack: Reals
    M: Reals
    D: Reals
    C: Reals
    B: Reals
    prior: Reals
    work: Reals  # (8, p)
    delta: Reals  # (max degree + 1, p), for one run
    group_delta: Reals  # (2 * largest unit * (max degree + 1), p): δ of every run, then V^-1 δ
    group_h: Reals  # (largest unit, p)
    terms: Reals  # (2 max degree + 2, p, p): M(t), its coefficients, work space
    scratch: Reals  # (p, p)
    poly: Reals  # (10, 2 max degree + 2)
    roots: Reals  # (4, 2 max degree + 4)
    trial: Reals  # (m,)
    repeats: Ints  # (n,) how often each run is made
    random: NDArray[np.uint64]  # (1,) state of the generator


_i1, _f1 = types.int64[::1], types.float64[::1]
_f2 = types.float64[:, ::1]
_f3 = types.float64[:, :, ::1]
_integers = {*Tables._fields} - {
    *("step", "fac_rate", "rate", "con_rate", "level", "low", "high", "A", "b", "rel_weight", "diagonal")
}
_tables = {f: _i1 if f in _integers else _f1 for f in Tables._fields}
TABLES = types.NamedTuple(list((_tables | {"count": types.int64[:, ::1], "level": _f2, "A": _f2}).values()), Tables)
_state = {f: _f2 for f in State._fields}
_state |= {"terms": _f3, "trial": _f1, "repeats": _i1, "random": types.uint64[::1]}
STATE = types.NamedTuple(list(_state.values()), State)

_options = {"cache": True, "nogil": True, "error_model": "numpy"}
f8, i8 = types.float64, types.int64


@njit(f8(types.uint64[::1]), **_options)
def uniform(random):
    """Next number in [0, 1) of a splitmix64 generator (Steele, Lea & Flood 2014)."""
    random[0] += np.uint64(0x9E3779B97F4A7C15)
    x = random[0]
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    x = x ^ (x >> np.uint64(31))
    return float(x >> np.uint64(11)) / 9007199254740992.0


@njit(types.void(TABLES, _f1, _f1), **_options)
def model_row(T, z, f):
    """Monomials of one setting."""
    for c in range(f.shape[0]):
        x = 1.0
        for k in range(T.mon_ptr[c], T.mon_ptr[c + 1]):
            x *= z[T.mon[k]]
        f[c] = x


@njit(f8(_f2, _f2), **_options)
def invert(M, D):
    """Inverse of a symmetric positive definite matrix by sweeping; its log determinant, −inf where it is singular."""
    p = M.shape[0]
    for i in range(p):
        for j in range(p):
            D[i, j] = M[i, j]
    logdet = 0.0
    for k in range(p):
        pivot = D[k, k]
        if not pivot > 1e-11 * M[k, k]:
            return -np.inf
        logdet += np.log(pivot)
        inverse = 1.0 / pivot
        D[k, k] = 0.0
        for i in range(p):
            if i != k:
                factor = D[i, k] * inverse
                if factor != 0.0:
                    row, top = D[i], D[k]
                    for j in range(p):
                        row[j] -= factor * top[j]
                    row[k] = factor
        for j in range(p):
            D[k, j] *= inverse
        D[k, k] = -inverse
    for i in range(p):
        for j in range(p):
            D[i, j] = -D[i, j]
    for i in range(p):
        for j in range(i):
            D[j, i] = D[i, j]
    return logdet


@njit(f8(_f2, _f2), **_options)
def log_determinant(M, U):
    """Log determinant of a symmetric positive definite matrix; −inf where it is singular. `U` is work space."""
    p = M.shape[0]
    for i in range(p):
        for j in range(i, p):
            U[i, j] = M[i, j]
    logdet = 0.0
    for k in range(p):
        pivot = U[k, k]
        if not pivot > 1e-11 * M[k, k]:
            return -np.inf
        logdet += np.log(pivot)
        for i in range(k + 1, p):
            factor = U[k, i] / pivot
            if factor != 0.0:
                row, top = U[i], U[k]
                for j in range(i, p):
                    row[j] -= factor * top[j]
    return logdet


@njit(types.void(_f2, _f2, _f2, _f2), **_options)
def sandwich(D, B, C, S):
    """C = D B D for symmetric D and B. `S` is work space."""
    p = D.shape[0]
    for i in range(p):
        row = S[i]
        for j in range(p):
            row[j] = 0.0
        for k in range(p):
            x, other = D[i, k], B[k]
            for j in range(p):
                row[j] += x * other[j]
    for i in range(p):
        row = C[i]
        for j in range(p):
            row[j] = 0.0
        for k in range(p):
            x, other = S[i, k], D[k]
            for j in range(p):
                row[j] += x * other[j]


@njit(f8(_f2, _f2), **_options)
def trace_product(D, B):
    """Trace of D B for symmetric matrices."""
    total = 0.0
    for i in range(D.shape[0]):
        part = 0.0
        for j in range(D.shape[0]):
            part += D[i, j] * B[i, j]
        total += part
    return total


@njit(types.void(TABLES, STATE, i8, _f1), **_options)
def related_row(T, S, i, h):
    """Row i of V^-1 X."""
    p = h.shape[0]
    for c in range(p):
        h[c] = 0.0
    for k in range(T.rel_ptr[i], T.rel_ptr[i + 1]):
        x, f = T.rel_weight[k], S.F[T.rel_run[k]]
        for c in range(p):
            h[c] += x * f[c]
    if S.repeats[i] > 1:
        for c in range(p):
            h[c] *= S.repeats[i]


@njit(types.void(TABLES, STATE, f8), **_options)
def information(T, S, ridge):
    """M = K + X'V^-1X from the settings, with every model row and slack made anew."""
    n, p = S.F.shape
    h = S.work[0]
    for i in range(n):
        z = S.Z[i]
        model_row(T, z, S.F[i])
        for q in range(T.b.shape[0]):
            x = T.b[q]
            for v in range(z.shape[0]):
                x -= T.A[q, v] * z[v]
            S.slack[i, q] = x
    for r in range(p):
        for c in range(p):
            S.M[r, c] = S.prior[r, c]
    for i in range(n):
        related_row(T, S, i, h)
        f = S.F[i]
        for r in range(p):
            x, row = f[r], S.M[r]
            if x != 0.0:
                for c in range(r + 1):
                    row[c] += x * h[c]
    for r in range(p):
        S.M[r, r] += ridge
        for c in range(r):
            S.M[c, r] = S.M[r, c]


@njit(f8(TABLES, STATE, i8, f8), **_options)
def refresh(T, S, criterion, ridge):
    """Make M, D (and C) anew; the value of the criterion, the larger the better: log|M| or −trace(M^-1 B)."""
    information(T, S, ridge)
    value = invert(S.M, S.D)
    if criterion == TRACE_CRITERION and value > -np.inf:
        sandwich(S.D, S.B, S.C, S.scratch)
        value = -trace_product(S.D, S.B)
        if not value < 0.0:
            return -np.inf
    return value


@njit(f8(_f1, i8, f8), **_options)
def horner(q, degree, t):
    """Value of q[0] + q[1] t + …"""
    x = q[degree]
    for k in range(degree - 1, -1, -1):
        x = x * t + q[k]
    return x


@njit(i8(_f1, i8, f8, f8, _f2), **_options)
def critical_points(q, degree, low, high, roots):
    """Zeros of q' inside (low, high), ascending in roots[0]; their number.

    Between neighbouring zeros of q'' the slope is monotone, so each change of sign brackets one zero, found by Newton
    steps kept inside the bracket; q'' is treated the same way, down to a quadratic that is solved in closed form.
    """
    found, slope, other, bends = roots[0], roots[1], roots[2], roots[3]
    while degree > 0 and q[degree] == 0.0:
        degree -= 1
    if degree < 2:
        return 0
    first = max(degree - 2, 1)
    count = 0
    for order in range(first, 0, -1):
        d = degree - order
        for k in range(d + 1):
            x = q[k + order]
            for r in range(order):
                x *= k + order - r
            slope[k] = x
        if d == 1:
            t = -slope[0] / slope[1]
            if low < t < high:
                found[0] = t
                return 1
            return 0
        if d == 2:
            a, half, c = slope[2], 0.5 * slope[1], slope[0]
            count = 0
            square = half * half - a * c
            if square >= 0.0:
                x = -(half + np.sqrt(square)) if half >= 0.0 else -(half - np.sqrt(square))
                one = x / a
                two = c / x if x != 0.0 else one
                if one > two:
                    one, two = two, one
                if low < one < high:
                    found[count] = one
                    count += 1
                if low < two < high and two > one:
                    found[count] = two
                    count += 1
            continue
        for k in range(d):
            bends[k] = (k + 1) * slope[k + 1]
        new = 0
        left, at_left = low, horner(slope, d, low)
        for k in range(count + 1):
            right = found[k] if k < count else high
            at_right = horner(slope, d, right)
            if (at_left < 0.0) != (at_right < 0.0):
                a, b, up = left, right, at_right > at_left
                t = left + (right - left) * at_left / (at_left - at_right)
                for _ in range(60):
                    y = horner(slope, d, t)
                    if (y > 0.0) == up:
                        b = t
                    else:
                        a = t
                    g = horner(bends, d - 1, t)
                    s = t - y / g if g != 0.0 else a - 1.0
                    if not a < s < b:
                        s = 0.5 * (a + b)
                    if abs(s - t) <= 1e-10 * (high - low):
                        t = s
                        break
                    t = s
                other[new] = t
                new += 1
            left, at_left = right, at_right
        for k in range(new):
            found[k] = other[k]
        count = new
    return count


@njit(f8(_f1, i8, f8, f8, f8, _f2), **_options)
def summit(q, degree, low, high, step, roots):
    """Where q is greatest on [low, high], or on the multiples of `step` in it (0, the present place, is one)."""
    if step > 0.0:
        low, high = np.ceil(low / step - 1e-9) * step, np.floor(high / step + 1e-9) * step
        if not low < high:
            return 0.0
    best, top = 0.0, q[0]
    y = horner(q, degree, low)
    if y > top:
        best, top = low, y
    y = horner(q, degree, high)
    if y > top:
        best, top = high, y
    count = critical_points(q, degree, low, high, roots)
    for k in range(count):
        t = roots[0, k]
        if step > 0.0:
            under = np.floor(t / step) * step
            y = horner(q, degree, under)
            if y > top:
                best, top = under, y
            t = under + step
            if t > high:
                continue
        y = horner(q, degree, t)
        if y > top:
            best, top = t, y
    return best


@njit(types.void(TABLES, i8, _f1, _f1, _f1), **_options)
def interval(T, move, z, slack, ends):
    """Narrow ends = [low, high] to where the move stays in the region."""
    for k in range(T.var_ptr[move], T.var_ptr[move + 1]):
        v, r = T.var[k], T.rate[k]
        one, two = (T.low[v] - z[v]) / r, (T.high[v] - z[v]) / r
        if r < 0.0:
            one, two = two, one
        ends[0], ends[1] = max(ends[0], one), min(ends[1], two)
    for k in range(T.con_ptr[move], T.con_ptr[move + 1]):
        r, x = T.con_rate[k], max(slack[T.con[k]], 0.0)
        if r > 0.0:
            ends[1] = min(ends[1], x / r)
        else:
            ends[0] = max(ends[0], x / r)


@njit(types.void(TABLES, i8, _f1, _f2), **_options)
def line_terms(T, move, z, delta):
    """δ(t) of the move's columns: delta[h, a] is the coefficient of t^h, for the first count[h] columns."""
    degree = T.degree[move]
    start = T.col_ptr[move]
    for a in range(T.col_ptr[move + 1] - start):
        x, moving = 1.0, 0
        for k in range(T.fac_ptr[start + a], T.fac_ptr[start + a + 1]):
            r = T.fac_rate[k]
            if r == 0.0:
                x *= z[T.fac_var[k]]
                continue
            if moving == 0:
                delta[0, a], delta[1, a] = x * z[T.fac_var[k]], x * r
            else:
                y = z[T.fac_var[k]]
                delta[moving + 1, a] = r * delta[moving, a]
                for h in range(moving, 0, -1):
                    delta[h, a] = y * delta[h, a] + r * delta[h - 1, a]
                delta[0, a] *= y
            moving += 1
        for h in range(moving + 1, degree + 1):
            delta[h, a] = 0.0


@njit(types.void(TABLES, i8, _f2, _f2, _f1, _f1, _f1, _f1), **_options)
def forms(T, move, delta, D, w, u, a, c):
    """Add to a(t) what δ'Dδ + 2 δ'w gives, and to c(t) what δ'u gives."""
    degree, start = T.degree[move], T.col_ptr[move]
    col = T.col[start : T.col_ptr[move + 1]]
    for h in range(1, degree + 1):
        x = y = 0.0
        for k in range(T.count[move, h]):
            x += delta[h, k] * w[col[k]]
            y += delta[h, k] * u[col[k]]
        a[h] += 2.0 * x
        c[h] += y
    for k in range(T.count[move, 1]):
        row = D[col[k]]
        for g in range(1, degree + 1):
            # symmetric: pairs (k, j) and (j, k) fall together when g runs over all powers of both
            x = 0.0
            for j in range(min(k, T.count[move, g])):
                x += row[col[j]] * delta[g, j]
            for h in range(1, degree + 1):
                if k < T.count[move, h]:
                    a[g + h] += 2.0 * x * delta[h, k]
        x = row[col[k]]
        for g in range(1, degree + 1):
            if k < T.count[move, g]:
                for h in range(1, degree + 1):
                    if k < T.count[move, h]:
                        a[g + h] += x * delta[g, k] * delta[h, k]


@njit(types.void(TABLES, i8, i8, _f1, _f1, _f2), **_options)
def table_terms(T, move, row, z, trial, delta):
    """δ of a jump to one row of a table of levels: delta[1, a] is the whole change."""
    for v in range(z.shape[0]):
        trial[v] = z[v]
    for k in range(T.var_ptr[move], T.var_ptr[move + 1]):
        trial[T.var[k]] = T.level[row, k - T.var_ptr[move]]
    start = T.col_ptr[move]
    for a in range(T.col_ptr[move + 1] - start):
        c = T.col[start + a]
        x = y = 1.0
        for k in range(T.mon_ptr[c], T.mon_ptr[c + 1]):
            x *= trial[T.mon[k]]
            y *= z[T.mon[k]]
        delta[1, a] = x - y


@njit(types.void(i8, i8, f8, f8, f8, _f2), **_options)
def objective(criterion, degree, v, e, e_c, poly):
    """From a(t), c(t) (poly[0], poly[1]; with C in poly[2], poly[3]) make Q(t) in poly[4] and N(t) in poly[5]."""
    a, c, a_c, c_c, Q, N = poly[0], poly[1], poly[2], poly[3], poly[4], poly[5]
    twice = 2 * degree
    if criterion == SENSITIVITY:
        for k in range(twice + 1):
            Q[k] = v * a[k] + (2.0 * c[k] if k <= degree else 0.0)
        return
    for k in range(twice + 1):
        Q[k] = (v - e) * a[k]
    for g in range(degree + 1):
        x = c[g] + (1.0 if g == 0 else 0.0)
        for h in range(degree + 1):
            Q[g + h] += x * (c[h] + (1.0 if h == 0 else 0.0))
    if criterion == TRACE_CRITERION:
        for k in range(twice + 1):
            N[k] = (v - e) * a_c[k] - e_c * a[k]
        for g in range(degree + 1):
            x = 2.0 * (c[g] + (1.0 if g == 0 else 0.0))
            for h in range(degree + 1):
                N[g + h] += x * c_c[h]


@njit(f8(i8, i8, f8, f8, f8, _f2, _f2), **_options)
def best_on_line(criterion, degree, low, high, step, poly, roots):
    """The best t on a line: of Q itself, or of N/Q by Dinkelbach's iteration (1967)."""
    Q, N, R = poly[4], poly[5], poly[6]
    twice = 2 * degree
    if criterion != TRACE_CRITERION:
        return summit(Q, twice, low, high, step, roots)
    t, ratio = 0.0, N[0] / Q[0]
    for _ in range(12):
        for k in range(twice + 1):
            R[k] = N[k] - ratio * Q[k]
        s = summit(R, twice, low, high, step, roots)
        y = horner(Q, twice, s)
        if s == t or not y > 1e-9:
            break
        new = horner(N, twice, s) / y
        if not new > ratio:
            break
        done = new - ratio < 1e-9 * abs(new)
        t, ratio = s, new
        if done:
            break
    return t


@njit(f8(TABLES, STATE, i8, i8, f8), **_options)
def visit_run(T, S, unit, criterion, value):
    """Improve one run by each of its moves; D (and C) brought up to date at the end. The new value of the criterion."""
    i = T.unit_run[T.unit_ptr[unit]]
    p = S.F.shape[1]
    z, f, slack = S.Z[i], S.F[i], S.slack[i]
    h, u, w, u_c, w_c = S.work[0], S.work[1], S.work[2], S.work[3], S.work[4]
    poly, delta, roots = S.poly, S.delta, S.roots
    trace = criterion == TRACE_CRITERION
    related_row(T, S, i, h)
    v = T.diagonal[i] * S.repeats[i]
    for k in range(p):
        u[k] = w[k] = u_c[k] = w_c[k] = 0.0
    for k in range(p):
        x, row = h[k], S.D[k]
        for j in range(p):
            u[j] += x * row[j]
    e = e_c = 0.0
    for k in range(p):
        e += h[k] * u[k]
    if trace:
        for k in range(p):
            x, row = h[k], S.C[k]
            for j in range(p):
                u_c[j] += x * row[j]
        for k in range(p):
            e_c += h[k] * u_c[k]
    a0 = c0 = a_c0 = c_c0 = 0.0
    moved = False
    ends = poly[7]
    k_class = T.unit_class[unit]
    for at in range(T.class_ptr[k_class], T.class_ptr[k_class + 1]):
        move = T.class_move[at]
        if T.facet[move] >= 0 and slack[T.facet[move]] > 1e-9:
            continue
        degree, kind = T.degree[move], T.kind[move]
        ends[0], ends[1] = -1e30, 1e30
        if kind != TABLE:
            interval(T, move, z, slack, ends)
            if ends[1] - ends[0] < 1e-10:
                continue
            line_terms(T, move, z, delta)
        first = 0 if kind == LINE else T.lev_ptr[move]
        last = 1 if kind != TABLE else T.lev_ptr[move + 1]
        if kind == LEVELS:
            last = first + 1
        for row in range(first, last):
            if kind == TABLE:
                table_terms(T, move, row, z, S.trial, delta)
            for k in range(2 * degree + 1):
                poly[0, k] = poly[1, k] = poly[2, k] = poly[3, k] = 0.0
            poly[0, 0], poly[1, 0] = a0, c0
            forms(T, move, delta, S.D, w, u, poly[0], poly[1])
            if trace:
                poly[2, 0], poly[3, 0] = a_c0, c_c0
                forms(T, move, delta, S.C, w_c, u_c, poly[2], poly[3])
            objective(criterion, degree, v, e, e_c, poly)
            twice = 2 * degree
            present = poly[5, 0] / poly[4, 0] if trace else poly[4, 0]
            t = 0.0
            if kind == LINE:
                t = best_on_line(criterion, degree, ends[0], ends[1], T.step[move], poly, roots)
                found = horner(poly[4], twice, t)
            elif kind == TABLE:
                t = 1.0
                found = horner(poly[4], twice, t)
            else:
                top = present
                found = poly[4, 0]
                here = z[T.var[T.var_ptr[move]]]
                for r in range(T.lev_ptr[move], T.lev_ptr[move + 1]):
                    s = T.level[r, 0] - here
                    if s < ends[0] - 1e-12 or s > ends[1] + 1e-12 or abs(s) < 1e-12:
                        continue
                    q = horner(poly[4], twice, s)
                    y = q
                    if trace:
                        y = horner(poly[5], twice, s) / q if q > 1e-9 else -np.inf
                    if y > top:
                        top, t, found = y, s, q
            if t == 0.0:
                continue
            if trace:
                if not found > 1e-9:
                    continue
                found = horner(poly[5], twice, t) / found
                if not found > present + 1e-10 * abs(value):
                    continue
            elif not found > present + 1e-10 * max(abs(present), 1.0):
                continue
            # take the step
            moved = True
            for k in range(T.var_ptr[move], T.var_ptr[move + 1]):
                x = T.var[k]
                if kind == TABLE:
                    z[x] = T.level[row, k - T.var_ptr[move]]
                    continue
                z[x] += t * T.rate[k]
                if abs(z[x] - T.low[x]) < 1e-12:
                    z[x] = T.low[x]
                elif abs(z[x] - T.high[x]) < 1e-12:
                    z[x] = T.high[x]
            for k in range(T.con_ptr[move], T.con_ptr[move + 1]):
                slack[T.con[k]] -= t * T.con_rate[k]
            a0, c0 = horner(poly[0], twice, t), horner(poly[1], degree, t)
            if trace:
                a_c0, c_c0 = horner(poly[2], twice, t), horner(poly[3], degree, t)
            for k in range(T.count[move, 1]):
                x = 0.0
                for g in range(degree, 0, -1):
                    x = (x + (delta[g, k] if k < T.count[move, g] else 0.0)) * t
                c = T.col[T.col_ptr[move] + k]
                f[c] += x
                line = S.D[c]
                for j in range(p):
                    w[j] += x * line[j]
                if trace:
                    line = S.C[c]
                    for j in range(p):
                        w_c[j] += x * line[j]
    if not moved:
        return value
    if criterion == SENSITIVITY:
        return value + v * a0 + 2.0 * c0
    Q = (1.0 + c0) * (1.0 + c0) + a0 * (v - e)
    if not Q > 1e-7:
        return refresh(T, S, criterion, 0.0)
    # inverse of [[a, 1 + c], [1 + c, e − v]]
    y11, y12, y22 = (v - e) / Q, (1.0 + c0) / Q, -a0 / Q
    if trace:
        g11 = y11 * a_c0 + y12 * c_c0
        g12 = y11 * c_c0 + y12 * e_c
        g21 = y12 * a_c0 + y22 * c_c0
        g22 = y12 * c_c0 + y22 * e_c
        k11, k12, k22 = g11 * y11 + g12 * y12, g11 * y12 + g12 * y22, g21 * y12 + g22 * y22
        for r in range(p):
            row = S.C[r]
            one, two = w[r] * y11 + u[r] * y12, w[r] * y12 + u[r] * y22
            three = k11 * w[r] + k12 * u[r] - (w_c[r] * y11 + u_c[r] * y12)
            four = k12 * w[r] + k22 * u[r] - (w_c[r] * y12 + u_c[r] * y22)
            for j in range(p):
                row[j] += three * w[j] + four * u[j] - one * w_c[j] - two * u_c[j]
        value += y11 * a_c0 + 2.0 * y12 * c_c0 + y22 * e_c
    else:
        value += np.log(Q)
    for r in range(p):
        row = S.D[r]
        one, two = w[r] * y11 + u[r] * y12, w[r] * y12 + u[r] * y22
        for j in range(p):
            row[j] -= one * w[j] + two * u[j]
    return value


@njit(types.void(TABLES, STATE, i8, i8), **_options)
def group_terms(T, S, unit, move):
    """Coefficients of M(t) − M when the runs of a unit move together, in terms[1:]; δ is in group_delta."""
    start, stop = T.unit_ptr[unit], T.unit_ptr[unit + 1]
    size, p = stop - start, S.F.shape[1]
    deep = S.delta.shape[0]
    degree = T.degree[move]
    first = T.col_ptr[move]
    for k in range(1, 2 * degree + 1):
        for r in range(p):
            row = S.terms[k, r]
            for j in range(p):
                row[j] = 0.0
    for s in range(size):
        i = T.unit_run[start + s]
        h = S.group_h[s]
        related_row(T, S, i, h)
        here, there = s * deep, (size + s) * deep
        for g in range(1, degree + 1):
            for k in range(T.count[move, 1]):
                S.group_delta[there + g, k] = 0.0
        for q in range(T.rel_ptr[i], T.rel_ptr[i + 1]):
            other = -1
            for o in range(size):
                if T.unit_run[start + o] == T.rel_run[q]:
                    other = o
            if other < 0:
                continue
            weight = T.rel_weight[q]
            for g in range(1, degree + 1):
                for k in range(T.count[move, g]):
                    S.group_delta[there + g, k] += weight * S.group_delta[other * deep + g, k]
        for g in range(1, degree + 1):
            for k in range(T.count[move, g]):
                x = S.group_delta[here + g, k]
                if x == 0.0:
                    continue
                row = S.terms[g, T.col[first + k]]
                for j in range(p):
                    row[j] += x * h[j]
                for o in range(1, degree + 1):
                    row = S.terms[g + o, T.col[first + k]]
                    for j in range(T.count[move, o]):
                        row[T.col[first + j]] += 0.5 * x * S.group_delta[there + o, j]
    for k in range(1, 2 * degree + 1):
        G = S.terms[k]
        for r in range(p):
            for j in range(r + 1):
                x = G[r, j] + G[j, r]
                G[r, j] = x
                G[j, r] = x


@njit(f8(STATE, i8, i8, f8), **_options)
def group_value(S, criterion, degree, t):
    """Value of the criterion at M(t), which is left in terms[0]."""
    p = S.F.shape[1]
    top = S.terms[0]
    for r in range(p):
        row, base = top[r], S.M[r]
        for j in range(p):
            row[j] = base[j]
    x = 1.0
    for k in range(1, 2 * degree + 1):
        x *= t
        for r in range(p):
            row, part = top[r], S.terms[k, r]
            for j in range(p):
                row[j] += x * part[j]
    work = S.terms[S.terms.shape[0] - 1]
    if criterion == D_CRITERION:
        return log_determinant(top, work)
    if invert(top, work) == -np.inf:
        return -np.inf
    value = -trace_product(work, S.B)
    return value if value < 0.0 else -np.inf


@njit(f8(STATE, i8, i8, f8, f8, f8, f8, _f1), **_options)
def best_in_group(S, criterion, degree, low, high, step, present, answer):
    """Search a line of a group: seven places, then parabolas through the best three. answer = [t, value]."""
    best, top = 0.0, present
    if step > 0.0:
        low, high = np.ceil(low / step - 1e-9) * step, np.floor(high / step + 1e-9) * step
    if not low < high:
        answer[0], answer[1] = 0.0, present
        return 0.0
    width = (high - low) / 6.0
    for k in range(7):
        t = low + k * width if k < 6 else high
        y = group_value(S, criterion, degree, t)
        if y > top:
            best, top = t, y
    left, right = max(low, best - width), min(high, best + width)
    if left < best < right:
        at_left, at_right = group_value(S, criterion, degree, left), group_value(S, criterion, degree, right)
        for _ in range(6):
            if not (at_left > -np.inf and at_right > -np.inf):
                break
            one, two = best - left, right - best
            slope_left, slope_right = (top - at_left) / one, (at_right - top) / two
            bend = (slope_right - slope_left) / (one + two)
            if not bend < 0.0:
                break
            t = best - 0.5 * (slope_left + bend * one) / bend
            if not left < t < right or abs(t - best) < 1e-6 * width:
                break
            y = group_value(S, criterion, degree, t)
            if y > top:
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
        exact = best
        best, top = 0.0, present
        for k in range(2):
            t = (np.floor(exact / step) + k) * step
            if low - 1e-12 <= t <= high + 1e-12:
                y = group_value(S, criterion, degree, t)
                if y > top:
                    best, top = t, y
    answer[0], answer[1] = best, top
    return best


@njit(f8(TABLES, STATE, i8, i8, f8), **_options)
def visit_group(T, S, unit, criterion, value):
    """Improve the settings that the runs of a unit share; needs M up to date and leaves M, D (and C) so."""
    start, stop = T.unit_ptr[unit], T.unit_ptr[unit + 1]
    size, p = stop - start, S.F.shape[1]
    deep = S.delta.shape[0]
    poly, ends, answer = S.poly, S.poly[7], S.poly[8]
    k_class = T.unit_class[unit]
    for at in range(T.class_ptr[k_class], T.class_ptr[k_class + 1]):
        move = T.class_move[at]
        degree, kind = T.degree[move], T.kind[move]
        twice = 2 * degree
        ends[0], ends[1] = -1e30, 1e30
        blocked = False
        for s in range(size):
            i = T.unit_run[start + s]
            if T.facet[move] >= 0 and S.slack[i, T.facet[move]] > 1e-9:
                blocked = True
            if kind != TABLE:
                interval(T, move, S.Z[i], S.slack[i], ends)
                line_terms(T, move, S.Z[i], S.group_delta[s * deep : (s + 1) * deep])
        if blocked or (kind != TABLE and ends[1] - ends[0] < 1e-10):
            continue
        if kind != TABLE:
            group_terms(T, S, unit, move)
        chosen, best, top = -1, 0.0, value
        if kind == LINE:
            if criterion == SENSITIVITY:
                poly[4, 0] = 0.0
                for k in range(1, twice + 1):
                    poly[4, k] = trace_product(S.D, S.terms[k])
                best = summit(poly[4], twice, ends[0], ends[1], T.step[move], S.roots)
                top = value + horner(poly[4], twice, best)
            else:
                best_in_group(S, criterion, degree, ends[0], ends[1], T.step[move], value, answer)
                best, top = answer[0], answer[1]
        else:
            here = S.Z[T.unit_run[start], T.var[T.var_ptr[move]]]
            for row in range(T.lev_ptr[move], T.lev_ptr[move + 1]):
                t = 1.0
                if kind == LEVELS:
                    t = T.level[row, 0] - here
                    if t < ends[0] - 1e-12 or t > ends[1] + 1e-12 or abs(t) < 1e-12:
                        continue
                else:
                    for s in range(size):
                        table_terms(
                            T, move, row, S.Z[T.unit_run[start + s]], S.trial, S.group_delta[s * deep : (s + 1) * deep]
                        )
                    group_terms(T, S, unit, move)
                if criterion == SENSITIVITY:
                    y, x = value, 1.0
                    for k in range(1, twice + 1):
                        x *= t
                        y += x * trace_product(S.D, S.terms[k])
                else:
                    y = group_value(S, criterion, degree, t)
                if y > top:
                    top, best, chosen = y, t, row
        if best == 0.0 or not top > value + 1e-10 * max(abs(value), 1.0):
            continue
        for s in range(size):
            i = T.unit_run[start + s]
            z = S.Z[i]
            for k in range(T.var_ptr[move], T.var_ptr[move + 1]):
                x = T.var[k]
                if kind == TABLE:
                    z[x] = T.level[chosen, k - T.var_ptr[move]]
                    continue
                z[x] += best * T.rate[k]
                if abs(z[x] - T.low[x]) < 1e-12:
                    z[x] = T.low[x]
                elif abs(z[x] - T.high[x]) < 1e-12:
                    z[x] = T.high[x]
            for k in range(T.con_ptr[move], T.con_ptr[move + 1]):
                S.slack[i, T.con[k]] -= best * T.con_rate[k]
            model_row(T, z, S.F[i])
        if criterion == SENSITIVITY:
            value = top
        else:
            value = refresh(T, S, criterion, 0.0)
    return value


@njit(f8(TABLES, STATE, i8, f8), **_options)
def pass_repeats(T, S, criterion, value):
    """Pass repeats of settings on to where they help most, one at a time while the criterion gains."""
    n, p = S.F.shape
    G = S.group_delta  # not in use now; has at least n rows where repeats may move
    w = S.work[1]
    for _ in range(n):
        source, target, gain = -1, -1, 1e-9 * max(abs(value), 1.0)
        for i in range(n):
            for j in range(p):
                x = 0.0
                for k in range(p):
                    x += S.F[i, k] * S.D[k, j]
                G[i, j] = x
        for a in range(n):
            if S.repeats[a] < 2 or T.repeat_block[a] < 0:
                continue
            d_a = d_c = 0.0
            for k in range(p):
                w[k] = 0.0
            for k in range(p):
                x, row = S.F[a, k], S.C[k]
                for j in range(p):
                    w[j] += x * row[j]
            for k in range(p):
                d_a += G[a, k] * S.F[a, k]
                d_c += w[k] * S.F[a, k]
            for b in range(n):
                if b == a or T.repeat_block[b] != T.repeat_block[a]:
                    continue
                d_b = d_ab = c_b = c_ab = 0.0
                for k in range(p):
                    d_b += G[b, k] * S.F[b, k]
                    d_ab += G[a, k] * S.F[b, k]
                    c_ab += w[k] * S.F[b, k]
                Q = (1.0 - d_a) * (1.0 + d_b) + d_ab * d_ab
                if not Q > 1e-9:
                    continue
                if criterion == TRACE_CRITERION:
                    for k in range(p):
                        x = 0.0
                        for j in range(p):
                            x += S.C[k, j] * S.F[b, j]
                        c_b += x * S.F[b, k]
                    y = ((1.0 - d_a) * c_b + 2.0 * d_ab * c_ab - (1.0 + d_b) * d_c) / Q
                else:
                    y = np.log(Q)
                if y > gain:
                    source, target, gain = a, b, y
        if source < 0:
            return value
        S.repeats[source] -= 1
        S.repeats[target] += 1
        value = refresh(T, S, criterion, 0.0)
    return value


@njit(f8(TABLES, STATE, i8, f8), **_options)
def one_pass(T, S, criterion, value):
    """Visit every unit once, shared settings first."""
    for unit in range(T.unit_class.shape[0]):
        if T.unit_ptr[unit + 1] - T.unit_ptr[unit] > 1:
            value = visit_group(T, S, unit, criterion, value)
    for unit in range(T.unit_class.shape[0]):
        if T.unit_ptr[unit + 1] - T.unit_ptr[unit] == 1:
            value = visit_run(T, S, unit, criterion, value)
    return value


@njit(f8(TABLES, STATE, i8, f8, i8), **_options)
def descend(T, S, criterion, tolerance, passes):
    """Exchange until a pass gains less than `tolerance` (log|M|, or relative for a trace); the value reached."""
    if criterion == SENSITIVITY:
        information(T, S, 0.0)
        value = trace_product(S.D, S.M)
        for _ in range(passes):
            old = value
            value = one_pass(T, S, criterion, value)
            if value - old <= tolerance * abs(value):
                break
            information(T, S, 0.0)
        return value
    p = S.F.shape[1]
    value = refresh(T, S, criterion, 0.0)
    if value == -np.inf:  # some terms cannot be told apart yet: exchange with a ridge until they can
        size = 0.0
        for k in range(p):
            size += S.M[k, k]
        for k in range(8):
            ridged = refresh(T, S, D_CRITERION, 1e-3 * size / p)
            one_pass(T, S, D_CRITERION, ridged)
            value = refresh(T, S, criterion, 0.0)
            if value > -np.inf:
                break
    if value == -np.inf:
        return value
    may_repeat = False
    for i in range(S.repeats.shape[0]):
        may_repeat |= S.repeats[i] > 1
    for _ in range(passes):
        old = value
        value = one_pass(T, S, criterion, value)
        value = refresh(T, S, criterion, 0.0)
        if may_repeat and value > -np.inf:
            value = pass_repeats(T, S, criterion, value)
        if not value - old > tolerance * (1.0 if criterion == D_CRITERION else abs(value)):
            break
    return value


@njit(types.void(TABLES, STATE, i8), **_options)
def scramble(T, S, unit):
    """Move a unit at random along its own moves, within the region."""
    k_class = T.unit_class[unit]
    ends = S.poly[7]
    for turn in range(2):
        for at in range(T.class_ptr[k_class], T.class_ptr[k_class + 1]):
            move = T.class_move[at]
            kind = T.kind[move]
            if T.facet[move] >= 0 or (turn > 0 and kind == TABLE):
                continue
            rows = T.lev_ptr[move + 1] - T.lev_ptr[move]
            row = T.lev_ptr[move] + int(uniform(S.random) * rows)
            t = 0.0
            if kind != TABLE:
                ends[0], ends[1] = -1e30, 1e30
                for k in range(T.unit_ptr[unit], T.unit_ptr[unit + 1]):
                    i = T.unit_run[k]
                    interval(T, move, S.Z[i], S.slack[i], ends)
                here = S.Z[T.unit_run[T.unit_ptr[unit]], T.var[T.var_ptr[move]]]
                if kind == LINE:
                    t = ends[0] + uniform(S.random) * (ends[1] - ends[0])
                else:
                    t = T.level[row, 0] - here
                if T.step[move] > 0.0:
                    t = np.floor(t / T.step[move]) * T.step[move]
                if t < ends[0] or t > ends[1]:
                    continue
            for k in range(T.unit_ptr[unit], T.unit_ptr[unit + 1]):
                z, slack = S.Z[T.unit_run[k]], S.slack[T.unit_run[k]]
                for v in range(T.var_ptr[move], T.var_ptr[move + 1]):
                    if kind == TABLE:
                        z[T.var[v]] = T.level[row, v - T.var_ptr[move]]
                    else:
                        z[T.var[v]] += t * T.rate[v]
                for q in range(T.con_ptr[move], T.con_ptr[move + 1]):
                    slack[T.con[q]] -= t * T.con_rate[q]


@njit(types.void(TABLES, STATE, _f2, i8), **_options)
def redraw(T, S, pool, group):
    """Give the runs of a group settings drawn from the pool; what they need not share is then moved at random."""
    point = pool[int(uniform(S.random) * pool.shape[0])]
    alone = T.group_ptr[group + 1] - T.group_ptr[group] == 1
    for k in range(T.group_ptr[group], T.group_ptr[group + 1]):
        i = T.group_run[k]
        if T.frozen[i] != 0:
            continue
        z = S.Z[i]
        for v in range(z.shape[0]):
            if T.free[v] != 0:
                z[v] = point[v]
        if alone or T.run_unit[i] < 0:
            continue
        for q in range(T.b.shape[0]):
            x = T.b[q]
            for v in range(z.shape[0]):
                x -= T.A[q, v] * z[v]
            S.slack[i, q] = x
        scramble(T, S, T.run_unit[i])


@njit(f8(TABLES, STATE, _f2, _f2, types.int64[::1], i8, f8, i8, i8, i8), **_options)
def explore(T, S, pool, best_Z, best_repeats, criterion, best, steps, starts, passes):
    """Iterated local search: `starts` random starts, then the best so far with a few runs drawn anew; keeps the best.

    `best_Z`, `best_repeats` and `best` hold the best plan so far and are brought up to date; the new best value.
    """
    n, m = best_Z.shape
    groups = T.group_ptr.shape[0] - 1
    tolerance = 1e-5
    given = best_repeats.copy()
    for step in range(steps):
        S.Z[:] = best_Z
        S.repeats[:] = best_repeats
        if step < starts or best == -np.inf:
            S.repeats[:] = given
            for group in range(groups):
                redraw(T, S, pool, group)
        else:
            changes = 1 + int(uniform(S.random) * 4)
            for _ in range(changes):
                group = int(uniform(S.random) * groups)
                size = T.group_ptr[group + 1] - T.group_ptr[group]
                i = T.group_run[T.group_ptr[group] + int(uniform(S.random) * size)]
                if size > 1 and uniform(S.random) < 0.6:
                    if T.run_unit[i] >= 0 and T.frozen[i] == 0:
                        for q in range(T.b.shape[0]):
                            x = T.b[q]
                            for v in range(m):
                                x -= T.A[q, v] * S.Z[i, v]
                            S.slack[i, q] = x
                        scramble(T, S, T.run_unit[i])
                else:
                    redraw(T, S, pool, group)
        for i in range(n):
            if T.ties[i] != i:
                for v in range(m):
                    if T.free[v] != 0:
                        S.Z[i, v] = S.Z[T.ties[i], v]
        value = descend(T, S, criterion, tolerance, passes)
        if value > best + 1e-9 * max(abs(best), 1.0) or (best == -np.inf and value > best):
            best = value
            best_Z[:] = S.Z
            best_repeats[:] = S.repeats
    return best
