"""Plans that screen many factors in few runs: Plackett-Burman and definitive screening."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.designs import orthogonal
from doe.designs.assembly import check_two_level, finished, two_level_columns, whole_number
from doe.designs.plan import Plan
from doe.study import Categorical, Discrete, Study, StudyError
from doe.study.terms import quoted

_MOST_SIGNS_TRIED = 2**12


def plackett_burman(study: Study, runs: int | None = None) -> Plan:
    """Two-level plan for main effects, in a multiple of four runs.

    Parameters
    ----------
    study : Study
        Factors with a low and a high, or of two levels.
    runs : int, optional
        A multiple of 4 up to 100, above the number of factors; left out: the smallest.

    Returns
    -------
    Plan
        Model "linear": main effects uncorrelated with each other, each partly mixed with many two-factor interactions (fully, as in a regular
        fraction, where `runs` is 4, 8 or some other powers of two). Last run all low.

    Raises
    ------
    StudyError
        If `runs` is no such multiple or too few for the factors, or a run breaks a constraint.

    References
    ----------
    Plackett, R. L. & Burman, J. P. (1946). The design of optimum multifactorial experiments. Biometrika 33, 305-325.
    """
    where = "plackett_burman"
    check_two_level(where, study)
    k = len(study.factors)
    least, most = 4 * (k // 4 + 1), orthogonal.LARGEST_HADAMARD
    if k < 2 or least > most:
        raise StudyError(
            f"{where}: number of factors",
            k,
            f"from 2 to {most - 1}",
            "take full_factorial for one factor" if k < 2 else "screen in two rounds",
        )
    if runs is None:
        n = least
    else:
        mend = f"main effects of {k} factors need at least {least} runs"
        n = whole_number(f"{where}: runs", runs, least, most, mend)
        if n % 4:
            raise StudyError(
                f"{where}: runs",
                runs,
                f"a multiple of 4 from {least} to {most}",
                f"take {n + 4 - n % 4}" if n < most else mend,
            )
    signs = orthogonal.plackett_burman_signs(n)[:, :k]
    return finished(
        where, study, two_level_columns(study, signs), arguments={"runs": runs}, kinds=["factorial"] * n, model="linear"
    )


def definitive_screening(study: Study, dummy_factors: int = 0) -> Plan:
    """Three-level screening plan: each factor's main effect clear of all two-factor interactions and squares, in about two runs a factor.

    Parameters
    ----------
    study : Study
        At least three factors, two of them numeric with three settings or more; others of two levels.
    dummy_factors : int
        0, 2, 4 …: columns left unused, each adding two runs, which make room to estimate the noise.

    Returns
    -------
    Plan
        Pairs of runs with all signs turned, from a conference matrix of even order m (the number of factors, one more if that is odd), and one
        run at the centre: 2m + 1 runs. With two-level factors 2m + 2: their middle settings are replaced by low and high, and the centre run
        is made twice with their levels turned. The model is main effects and squares.

    Raises
    ------
    StudyError
        If there are too few or too many factors, dummy_factors is odd, no conference matrix of that order exists (22), or a run breaks a
        constraint.

    References
    ----------
    Jones, B. & Nachtsheim, C. J. (2011). A class of three-level designs for definitive screening in the presence of second-order effects.
    J. Qual. Technol. 43, 1-15. Xiao, L., Lin, D. K. J. & Bai, F. (2012). Constructing definitive screening designs using conference
    matrices. J. Qual. Technol. 44, 2-8. Jones, B. & Nachtsheim, C. J. (2013). Definitive screening designs with added two-level categorical
    factors. J. Qual. Technol. 45, 121-129.
    """
    where = "definitive_screening"
    check_two_level(where, study)
    k = len(study.factors)
    two = [
        j
        for j, f in enumerate(study.factors)
        if isinstance(f, Categorical) or (isinstance(f, Discrete) and len(f.levels) == 2)
    ]
    if k < 3 or k > orthogonal.LARGEST_CONFERENCE:
        raise StudyError(
            f"{where}: number of factors",
            k,
            f"from 3 to {orthogonal.LARGEST_CONFERENCE}",
            "take central_composite" if k < 3 else "take plackett_burman",
        )
    if k - len(two) < 2:
        raise StudyError(
            f"{where}: number of numeric factors with three settings or more",
            k - len(two),
            "at least 2",
            "take plackett_burman or fractional_factorial",
        )
    spare = whole_number(
        f"{where}: dummy_factors", dummy_factors, 0, None, "give an even number of columns to leave unused"
    )
    if spare % 2:
        raise StudyError(
            f"{where}: dummy_factors", spare, "even, as the order of a conference matrix", "take one more or one less"
        )
    order = k + k % 2
    if orthogonal.conference(order) is None:
        order += 2  # order 22: none exists
    order += spare
    matrix = orthogonal.conference(order) if order <= orthogonal.LARGEST_CONFERENCE else None
    if matrix is None:
        allowed = (
            f"one that makes, with {k} factors, an order that exists (up to {orthogonal.LARGEST_CONFERENCE}, not 22)"
        )
        raise StudyError(f"{where}: dummy_factors", spare, allowed, "take two more or two less")
    signs = with_two_levels(matrix[:, :k], two)
    columns = two_level_columns(study, signs)
    kinds = ["screening" if i < 2 * order else "centre" for i in range(len(signs))]
    squares = [f"{quoted(f.name)}^2" for j, f in enumerate(study.factors) if j not in two]
    return finished(
        where,
        study,
        columns,
        arguments={"dummy_factors": spare},
        kinds=kinds,
        model=[*(quoted(name) for name in study.names), *squares],
    )


def with_two_levels(half: NDArray[np.float64], two: list[int]) -> NDArray[np.float64]:
    """The folded-over plan of conference columns, with the zeros of two-level columns filled in.

    Parameters
    ----------
    half : ndarray, shape (m, k)
        Columns of a conference matrix.
    two : list of int
        Columns that may only be -1 or 1.

    Returns
    -------
    ndarray
        Rows in pairs of opposite signs: 2m and a row of zeros; with two-level columns two last rows, zero but for these. The signs filled in
        keep the pairs opposite, so main effects stay clear of second-order effects, and are those with the greatest determinant of the main
        effects (all combinations where there are few, else one change at a time).
    """
    pairs = np.repeat(half, 2, axis=0)
    pairs[1::2] *= -1.0
    if not two:
        return np.vstack([pairs, np.zeros((1, half.shape[1]))])
    places = [(int(i), j) for j in two for i in np.flatnonzero(half[:, j] == 0)] + [(half.shape[0], j) for j in two]
    base = np.vstack([half, np.zeros((1, half.shape[1]))])

    def determinant(signs: Any) -> float:
        filled = base.copy()
        for (i, j), sign in zip(places, signs, strict=True):
            filled[i, j] = sign
        return float(np.linalg.slogdet(filled.T @ filled)[1])

    best = np.ones(len(places))
    if 2 ** len(places) <= _MOST_SIGNS_TRIED:
        best = np.array(max(product((1.0, -1.0), repeat=len(places)), key=determinant))
    else:
        value, improved = determinant(best), True
        while improved:
            improved = False
            for place in range(len(places)):
                best[place] *= -1.0
                found = determinant(best)
                if found > value + 1e-9:
                    value, improved = found, True
                else:
                    best[place] *= -1.0
    for (i, j), sign in zip(places, best, strict=True):
        base[i, j] = sign
    out = np.repeat(base, 2, axis=0)
    out[1::2] *= -1.0
    return out
