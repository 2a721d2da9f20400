"""Normal readings known only to lie between two bounds: maximum likelihood, its profile, and draws, on arrays.

Readings z = x'β + σ ε on the fitted scale, each known as lower ≤ z ≤ upper; equal bounds are an exact reading. Worked in (γ, θ) = (β/σ, 1/σ),
in which the log-likelihood is concave (Olsen 1978; Burridge 1981 for intervals).

Small samples. Maximum likelihood divides the squares by n, not n − p, and χ² has no price for a noise that is itself estimated. So the gain W = 2 (l̂ − l)
is carried to the scale on which it is exact when nothing is censored: there W = m log(1 + d F/ν) with m = n readings and ν = n − p, F Snedecor's. With
censored readings m is what the readings say of log σ, half the information on it, which is n when all are exact, and ν = m − p.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, special

from doe.fits.arrays import Floats
from doe.fits.resampling import Draws, resampled

STEPS = 200
ENOUGH = 1e-13
LOG_ROOT_2PI = 0.5 * np.log(2.0 * np.pi)


@dataclass(frozen=True)
class Bounds:
    """Readings by their bounds on the fitted scale: lower, upper, shape (n,); equal where exact, infinite where open."""

    lower: Floats
    upper: Floats

    @cached_property
    def exact(self) -> NDArray[np.bool_]:
        """Which readings are exact, shape (n,)."""
        return np.asarray(self.lower == self.upper)

    def __len__(self) -> int:
        return len(self.lower)

    def of(self, rows: Any) -> Bounds:
        """Some of the readings."""
        return Bounds(self.lower[rows], self.upper[rows])

    @cached_property
    def inside(self) -> Floats:
        """A point of each: the reading, the middle, or the finite bound; shape (n,)."""
        low, high = np.isfinite(self.lower), np.isfinite(self.upper)
        with np.errstate(invalid="ignore"):
            return np.where(low & high, 0.5 * (self.lower + self.upper), np.where(low, self.lower, self.upper))


@dataclass(frozen=True)
class Likely:
    """Maxima of the likelihood on given columns, R of them.

    Attributes
    ----------
    gamma : ndarray, shape (R, p)
    theta : ndarray, shape (R,)
    log_likelihood : ndarray, shape (R,)
    """

    gamma: Floats
    theta: Floats
    log_likelihood: Floats


def _log_chance(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """Logarithm of Φ(b) − Φ(a), and φ(a), φ(b) over that difference; a < b, either infinite."""
    # by symmetry in the lower tail, where differences keep their digits
    flip = a > 0
    log_low = special.log_ndtr(np.where(flip, -b, a))
    log_high = special.log_ndtr(np.where(flip, -a, b))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        value = log_high + np.log(-np.expm1(log_low - log_high))
        of_a = np.where(np.isinf(a), 0.0, np.exp(-0.5 * a**2 - LOG_ROOT_2PI - value))
        of_b = np.where(np.isinf(b), 0.0, np.exp(-0.5 * b**2 - LOG_ROOT_2PI - value))
    return value, of_a, of_b


def _finite(values: Floats) -> Floats:
    return np.where(np.isinf(values), 0.0, values)


def log_likelihoods(bounds: Bounds, eta: Floats, theta: Floats) -> Floats:
    """Of each reading, shape (…, n): a density where exact, else a chance; eta = x'β/σ (…, n), theta = 1/σ (…, 1)."""
    exact = bounds.exact
    with np.errstate(invalid="ignore", divide="ignore"):
        a = np.where(exact, -1.0, theta * bounds.lower - eta)
        b = np.where(exact, 1.0, theta * bounds.upper - eta)
        density = np.log(theta) - LOG_ROOT_2PI - 0.5 * (theta * bounds.inside - eta) ** 2
    return np.where(exact, density, _log_chance(a, b)[0])


def derivatives(bounds: Bounds, eta: Floats, theta: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """First derivatives of each reading's log-likelihood by η and θ, and minus the second by ηη, ηθ, θθ; each of shape (…, n)."""
    exact = bounds.exact
    with np.errstate(invalid="ignore"):
        a = np.where(exact, -1.0, theta * bounds.lower - eta)
        b = np.where(exact, 1.0, theta * bounds.upper - eta)
    _, pa, pb = _log_chance(a, b)
    low, high = _finite(bounds.lower), _finite(bounds.upper)
    apa, bpb = _finite(a) * pa, _finite(b) * pb
    d_eta, d_theta = pa - pb, high * pb - low * pa
    z, r = bounds.inside, theta * bounds.inside - eta
    return (
        np.where(exact, r, d_eta),
        np.where(exact, 1.0 / theta - z * r, d_theta),
        np.where(exact, 1.0, bpb - apa + d_eta**2),
        np.where(exact, -z, -(high * bpb - low * apa - d_eta * d_theta)),
        np.where(exact, 1.0 / theta**2 + z**2, high**2 * bpb - low**2 * apa + d_theta**2),
    )


def scores(bounds: Bounds, eta: Floats, theta: Floats) -> Floats:
    """Expected (z − x'β)/σ of each reading given its bounds, shape (n,): the residual itself where exact."""
    return derivatives(bounds, eta, theta)[0]


def maximised(bounds: Bounds, Q: Floats, start: tuple[Floats, Floats], rows: Floats | None = None) -> Likely:
    """Maxima of the log-likelihood by Newton's method, each under one linear constraint or none.

    Parameters
    ----------
    bounds : Bounds
    Q : ndarray, shape (n, p)
    start : (gamma (R, p), theta (R,))
        Fulfilling the constraint.
    rows : ndarray, shape (R, p + 1), optional
        Constraint row'(γ, θ) = 0.

    Returns
    -------
    Likely
    """
    gamma, theta = start[0].copy(), start[1].copy()
    (R, p), n = gamma.shape, len(bounds)
    constrained = rows is not None
    K = np.zeros((R, p + 1 + constrained, p + 1 + constrained))
    if rows is not None:
        K[:, :-1, -1] = K[:, -1, :-1] = rows
    right = np.zeros((R, p + 1 + constrained))
    value = log_likelihoods(bounds, gamma @ Q.T, theta[:, None]).sum(axis=1)
    done = np.zeros(R, dtype=bool)
    for _ in range(STEPS):
        d_eta, d_theta, ee, et, tt = derivatives(bounds, gamma @ Q.T, theta[:, None])
        right[:, :p], right[:, p] = d_eta @ Q, d_theta.sum(axis=1)
        K[:, :p, :p] = np.einsum("rn,np,nq->rpq", ee, Q, Q)
        K[:, :p, p] = K[:, p, :p] = et @ Q
        K[:, p, p] = tt.sum(axis=1)
        # a hair of ridge: a direction in which nothing is left to gain must not stop the others
        K[:, range(p + 1), range(p + 1)] += 1e-13 * (1.0 + K[:, range(p + 1), range(p + 1)])
        step = np.linalg.solve(K, right[..., None])[..., 0][:, : p + 1]
        promise = np.einsum("ri,ri->r", step, right[:, : p + 1])
        done |= ~(promise > ENOUGH * (n + np.abs(value)))
        if done.all():
            break
        scale = np.where(done, 0.0, 1.0)
        for _ in range(60):
            new_gamma, new_theta = gamma + scale[:, None] * step[:, :p], theta + scale * step[:, p]
            safe = np.where(new_theta > 0.0, new_theta, theta)
            new = log_likelihoods(bounds, new_gamma @ Q.T, safe[:, None]).sum(axis=1)
            worse = ~((new >= value + 1e-4 * scale * promise - 1e-12 * (n + np.abs(value))) & (new_theta > 0.0)) & ~done
            if not worse.any():
                break
            scale = np.where(worse, 0.5 * scale, scale)
        else:
            done |= worse
            new_gamma, new_theta = np.where(worse[:, None], gamma, new_gamma), np.where(worse, theta, new_theta)
            new = np.where(worse, value, new)
        gamma, theta, value = new_gamma, new_theta, new
    return Likely(gamma, theta, value)


@dataclass(frozen=True)
class Endless:
    """Why there is no most likely solution: columns whose coefficients grow without end, or a noise that shrinks to nothing."""

    columns: NDArray[np.int64]
    noiseless: bool


def endless(bounds: Bounds, X: Floats, noise_known: bool = False) -> Endless | None:
    """Whether the likelihood grows without end in some direction, by a linear programme; None where it does not.

    Parameters
    ----------
    bounds : Bounds
    X : ndarray, shape (n, p)
        Of full column rank.
    noise_known : bool
        Whether other readings hold the noise, so that only directions in which it stays are looked at.

    References
    ----------
    Silvapulle, M. J. & Burridge, J. (1986). Existence of maximum likelihood estimates in regression models for grouped and ungrouped data.
    J. R. Stat. Soc. B 48, 100-106.
    """
    from scipy import optimize

    p = X.shape[1]
    size = max(float(np.abs(bounds.inside).max()), 1e-300)
    low, high = bounds.lower / size, bounds.upper / size
    below, above = np.isfinite(low) & ~bounds.exact, np.isfinite(high) & ~bounds.exact
    # a direction (g, t): θ l − x'γ may not rise, θ u − x'γ may not fall, an exact residual may not move
    rising = np.column_stack([-X[below], low[below]])
    falling = np.column_stack([X[above], -high[above]])
    slack = np.vstack([rising, falling])
    still = np.column_stack([X[bounds.exact], -low[bounds.exact]])
    found = optimize.linprog(
        slack.sum(axis=0) - np.r_[np.zeros(p), 1.0],
        A_ub=slack if len(slack) else None,
        b_ub=np.zeros(len(slack)) if len(slack) else None,
        A_eq=still if len(still) else None,
        b_eq=np.zeros(len(still)) if len(still) else None,
        bounds=[(-1.0, 1.0)] * p + [(0.0, 0.0 if noise_known else 1.0)],
        method="highs",
    )
    if found.status != 0 or -found.fun < 1e-7:
        return None
    direction = np.asarray(found.x)
    noiseless = bool(direction[p] > 1e-7)
    return Endless(np.flatnonzero(np.abs(direction[:p]) > 1e-7), noiseless)


@dataclass(frozen=True)
class Censored:
    """The likelihood of readings given by bounds on the columns of X, and what it says.

    Attributes
    ----------
    bounds : Bounds
    X : ndarray, shape (n, p)
        Of full column rank; no direction `endless`.
    """

    bounds: Bounds = field(repr=False)
    X: Floats = field(repr=False)

    @cached_property
    def _basis(self) -> tuple[Floats, Floats]:
        """Orthonormal columns Q (n, p), and the R⁻¹ that makes them of X."""
        Q, R = np.linalg.qr(self.X)
        return Q, np.asarray(linalg.solve_triangular(R, np.eye(R.shape[0])))

    @cached_property
    def _scaled(self) -> tuple[Bounds, float, Floats]:
        """Bounds less a first guess x'β₀, over a first guess of σ; that guess, and β₀ in the basis."""
        Q, _ = self._basis
        first = Q.T @ self.bounds.inside
        left = self.bounds.inside - Q @ first
        size = float(np.sqrt(left @ left / max(len(left) - Q.shape[1], 1)))
        spread = float(np.ptp(self.bounds.inside))
        size = max(size, 1e-6 * spread, 1e-300)
        moved = Q @ first
        return Bounds((self.bounds.lower - moved) / size, (self.bounds.upper - moved) / size), size, first

    @cached_property
    def _top(self) -> Likely:
        bounds, _, _ = self._scaled
        p = self.X.shape[1]
        return maximised(bounds, self._basis[0], (np.zeros((1, p)), np.ones(1)))

    @cached_property
    def _b(self) -> Floats:
        """Estimates in the basis and the scale of the first guess."""
        return self._top.gamma[0] / self._top.theta[0]

    @cached_property
    def beta(self) -> Floats:
        """Most likely coefficients, shape (p,)."""
        _, size, first = self._scaled
        return self._basis[1] @ (first + size * self._b)

    @cached_property
    def sigma_most_likely(self) -> float:
        """Most likely noise, which is too small by what the coefficients took up."""
        return self._scaled[1] / float(self._top.theta[0])

    @cached_property
    def log_likelihood(self) -> float:
        """At the maximum; of an exact reading its density on the fitted scale, else a chance."""
        return float(self._top.log_likelihood[0]) - self._log_size

    @property
    def _log_size(self) -> float:
        return float(self.bounds.exact.sum() * np.log(self._scaled[1]))

    @cached_property
    def _information(self) -> Floats:
        """Minus the second derivative in (b, log σ) at the maximum, b in the basis over σ's first guess."""
        bounds, _, _ = self._scaled
        Q, p = self._basis[0], self.X.shape[1]
        gamma, theta = self._top.gamma, self._top.theta
        _, _, ee, et, tt = derivatives(bounds, gamma @ Q.T, theta[:, None])
        N = np.empty((p + 1, p + 1))
        N[:p, :p], N[:p, p], N[p, :p], N[p, p] = (Q.T * ee[0]) @ Q, et[0] @ Q, et[0] @ Q, tt.sum()
        # γ = θ b, θ = exp(−log σ); the gradient is 0 at the maximum, so only first derivatives of the map count
        J = np.zeros((p + 1, p + 1))
        J[:p, :p] = theta[0] * np.eye(p)
        J[:p, p], J[p, p] = -gamma[0], -theta[0]
        return np.asarray(J.T @ N @ J)

    @cached_property
    def readings_for_noise(self) -> float:
        """m: half the information on log σ; n when all readings are exact."""
        J, p = self._information, self.X.shape[1]
        return 0.5 * float(J[p, p] - J[p, :p] @ np.linalg.solve(J[:p, :p], J[:p, p]))

    @property
    def degrees(self) -> float:
        """ν = m − p, n − p when all readings are exact."""
        return self.readings_for_noise - self.X.shape[1]

    @property
    def _widening(self) -> float:
        return float(np.sqrt(self.readings_for_noise / self.degrees))

    @property
    def sigma(self) -> float:
        """Noise with its squares over ν, as in least squares."""
        return self.sigma_most_likely * self._widening

    @cached_property
    def covariance(self) -> Floats:
        """Of the most likely coefficients and log σ, from the information alone; shape (p + 1, p + 1)."""
        p = self.X.shape[1]
        T = np.eye(p + 1)
        T[:p, :p] = self._scaled[1] * self._basis[1]
        return np.asarray(T @ np.linalg.inv(self._information) @ T.T)

    def errors(self, L: Floats) -> Floats:
        """Standard errors of L β, the noise with its squares over ν; shape (rows,)."""
        p = self.X.shape[1]
        variance = np.einsum("ri,ij,rj->r", L, self.covariance[:p, :p], L)
        return np.asarray(self._widening * np.sqrt(np.maximum(variance, 0.0)))

    # ---- profile

    def profile_t(self, L: Floats, at: Floats) -> Floats:
        """Signed root of the gain in likelihood of L β over the values `at`, as a Student's t; shape (rows,)."""
        bounds, size, first = self._scaled
        Q, R_inverse = self._basis
        rows = L @ R_inverse
        target = (at - rows @ first) / size
        p = self.X.shape[1]
        V = np.linalg.inv(self._information)[:p, :p]
        now = rows @ self._b
        lever = rows @ V
        own = np.einsum("ri,ri->r", lever, rows)
        b = self._b - lever * ((now - target) / own)[:, None]
        theta = float(self._top.theta[0]) / np.sqrt(1.0 + (now - target) ** 2 / own / self.readings_for_noise)
        found = maximised(bounds, Q, (b * theta[:, None], theta), np.column_stack([rows, -target]))
        gain = 2.0 * np.maximum(self._top.log_likelihood[0] - found.log_likelihood, 0.0)
        return np.asarray(np.sign(now - target) * np.sqrt(self.degrees * np.expm1(gain / self.readings_for_noise)))

    def profile_limits(self, L: Floats, interval: float) -> tuple[Floats, Floats]:
        """Ends of the profile-likelihood intervals of L β; shapes (rows,).

        References
        ----------
        Venzon, D. J. & Moolgavkar, S. H. (1988). A method for computing profile-likelihood-based confidence intervals. Applied Statistics
        37, 87-94.
        """
        L = np.asarray(L, dtype=float)
        estimate, error = L @ self.beta, self.errors(L)
        wanted = float(special.stdtrit(self.degrees, 0.5 + interval / 2.0))
        free = error > 0.0
        ends = []
        for side in (1.0, -1.0):
            # t falls as the value grows: t = +wanted at the low end
            end = estimate.copy()
            end[free] = self._root(L[free], estimate[free], error[free], side * wanted)
            ends.append(end)
        return ends[0], ends[1]

    def _root(self, L: Floats, estimate: Floats, error: Floats, wanted: float) -> Floats:
        """Values at which the profile t is `wanted`: secant steps, which are exact at once when nothing is censored."""
        # as the distance from the estimate in standard errors: 0 there, about −wanted sought
        x0, t0 = np.zeros(len(L)), np.zeros(len(L))
        x1 = np.full(len(L), -wanted)
        left = np.ones(len(L), dtype=bool)
        for _ in range(40):
            t1 = np.full(len(L), wanted)
            t1[left] = self.profile_t(L[left], estimate[left] + x1[left] * error[left])
            now_left = np.abs(t1 - wanted) > 1e-8 * abs(wanted)
            if not now_left.any():
                break
            with np.errstate(divide="ignore", invalid="ignore"):
                step = (wanted - t1) * (x1 - x0) / (t1 - t0)
            # never more than double the distance, never across the estimate
            step = np.clip(np.nan_to_num(step), -0.5 * np.abs(x1), np.abs(x1))
            nearer = np.abs(t1) < np.abs(wanted)
            x0, t0 = np.where(nearer, x1, x0), np.where(nearer, t1, t0)
            x1 = np.where(now_left, x1 + step, x1)
            left = now_left
        return np.asarray(estimate + x1 * error)

    def f_of(self, log_likelihood: float, d: int) -> float:
        """F, with d and ν degrees of freedom, of the hypothesis under which the likelihood reaches so far."""
        gain = max(2.0 * (self.log_likelihood - log_likelihood), 0.0)
        return float(self.degrees / d * np.expm1(gain / self.readings_for_noise))

    # ---- draws

    def draws(self, n: int, seed: int) -> tuple[Floats, Floats, float]:
        """Draws of (β, σ) from their posterior.

        The prior is flat in log σ and |X'WX|^½ in β, W the share of a reading's information that its bounds leave: Jeffreys's for β. With exact readings
        it is flat and the posterior that of least squares. Flat for censored readings too, it would let coefficients run to the side on which readings
        are open: its 95 % intervals covered 87 to 93 % in simulated trials of 27 batches with a third of the readings open above.

        Returns
        -------
        beta : ndarray, shape (n, p)
        sigma : ndarray, shape (n,)
        effective : float
            How many independent draws they are worth.

        References
        ----------
        Firth, D. (1993). Bias reduction of maximum likelihood estimates. Biometrika 80, 27-38.
        """
        bounds, size, first = self._scaled
        Q, R_inverse = self._basis
        p = self.X.shape[1]

        def log_density(t: Floats) -> Floats:
            theta = np.exp(-t[:, p:])
            eta = t[:, :p] @ Q.T * theta
            weight = np.maximum(derivatives(bounds, eta, theta)[2], 0.0)
            own = np.linalg.slogdet(np.einsum("sn,np,nq->spq", weight, Q, Q))[1]
            return np.asarray(log_likelihoods(bounds, eta, theta).sum(axis=1) + 0.5 * own)

        mode = np.append(self._b, -np.log(self._top.theta[0]))
        # flat in log σ the posterior is wider than the likelihood by what the coefficients took up
        covariance: Floats = np.asarray(np.linalg.inv(self._information) * self._widening**2, dtype=float)
        found: Draws = resampled(log_density, mode, covariance, n, seed)
        t = found.theta
        return (first + size * t[:, :p]) @ R_inverse.T, size * np.exp(t[:, p]), found.effective


def reach(bounds: Bounds, X: Floats) -> float:
    """The highest log-likelihood on given columns; that which it tends to where it has no end."""
    return Censored(bounds, np.asarray(X, dtype=float)).log_likelihood


def bounds_of(lower: ArrayLike, upper: ArrayLike) -> Bounds:
    """Bounds as arrays of numbers."""
    return Bounds(np.asarray(lower, dtype=float), np.asarray(upper, dtype=float))
