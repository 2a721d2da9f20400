"""Full factorial plans: every combination of the factors' levels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.designs.assembly import (
    MOST_RUNS,
    add_settings,
    centre_runs,
    check_study,
    finished,
    refuse_components,
    whole_number,
)
from doe.designs.plan import Plan
from doe.study import Categorical, Discrete, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import Factor
from doe.study.terms import quoted


def combinations_of(counts: list[int]) -> NDArray[np.int64]:
    """Every combination of levels 0 … count − 1, shape (product of counts, k), the first factor changing fastest."""
    return np.stack(np.unravel_index(np.arange(int(np.prod(counts))), counts, order="F"), axis=1).astype(np.int64)


def full_factorial(study: Study, levels: int | Mapping[str, int] = 2, replicates: int = 1, centre: int = 0) -> Plan:
    """Every combination of the factors' levels.

    Parameters
    ----------
    study : Study
        Without components.
    levels : int or mapping of factor name to int
        How many equally spaced settings each continuous factor takes, from its low to its high; names left out of a mapping take 2.
        Discrete and categorical factors take the levels they have.
    replicates : int
        Copies of the whole plan, centre runs included; each is made anew.
    centre : int
        Centre runs in each copy: continuous factors in the middle of their ranges, discrete ones at the level nearest to it, at every
        combination of the categorical levels.

    Returns
    -------
    Plan
        In standard order (first factor changing fastest), then the centre runs; the model is "interaction", with squares for the factors
        of three levels or more. With hard-to-change factors each of their settings is one whole plot in each copy.

    Raises
    ------
    StudyError
        If there are components, a count is no whole number, or a combination breaks a constraint (it is named).

    References
    ----------
    Box, G. E. P., Hunter, J. S. & Hunter, W. G. (2005). Statistics for Experimenters, 2nd ed., chapter 5. Wiley.
    """
    where = "full_factorial"
    check_study(where, study)
    refuse_components(where, study)
    counts = _counts(study, levels)
    copies = whole_number(
        f"{where}: replicates", replicates, 1, MOST_RUNS, "give how many copies of the whole plan to make"
    )
    runs = int(np.prod(counts, dtype=object)) * copies
    if runs > MOST_RUNS:
        raise StudyError(f"{where}: runs", runs, f"at most {MOST_RUNS}", "take fewer levels, or fractional_factorial")
    grid = combinations_of(counts)
    one: dict[str, list[Any]] = {
        f.name: [_settings(f, count)[i] for i in index]
        for f, count, index in zip(study.factors, counts, grid.T, strict=True)
    }
    middle = centre_runs(where, study, centre)
    one = add_settings(one, middle)
    kinds = (["factorial"] * len(grid) + ["centre"] * len(middle)) * copies
    return finished(
        where,
        study,
        {name: values * copies for name, values in one.items()},
        arguments={
            "levels": dict(levels) if isinstance(levels, Mapping) else levels,
            "replicates": copies,
            "centre": centre,
        },
        kinds=kinds,
        model=_terms(study, counts),
        replicate=[copy for copy in range(copies) for _ in range(len(grid) + len(middle))],
    )


def _settings(factor: Factor, count: int) -> list[Any]:
    """The coded settings of one factor: its levels, or equally spaced ones."""
    if isinstance(factor, Categorical):
        return list(factor.levels)
    if isinstance(factor, Discrete):
        return [(level - factor.low) / (factor.high - factor.low) * 2 - 1 for level in factor.levels]
    return [float(c) for c in np.linspace(-1, 1, count)]


def _counts(study: Study, levels: int | Mapping[str, int]) -> list[int]:
    given = dict(levels) if isinstance(levels, Mapping) else {}
    for name in given:
        if name not in study.names:
            raise StudyError("full_factorial: levels", name, "the name of a factor", nearest(str(name), study.names))
    counts = []
    for f in study.factors:
        where = f"full_factorial: levels of {f.name!r}"
        if isinstance(f, Discrete | Categorical):
            have = len(f.levels)
            if given.get(f.name, have) != have:
                raise StudyError(where, given[f.name], f"the {have} levels it has", "leave it out of levels")
            counts.append(have)
        else:
            wanted = given.get(f.name, 2) if isinstance(levels, Mapping) else levels
            counts.append(whole_number(where, wanted, 2, MOST_RUNS, "give at least low and high"))
    return counts


def _terms(study: Study, counts: list[int]) -> str | list[str]:
    """Main effects, two-factor interactions, and squares of the factors with three settings or more."""
    squares = [
        f.name for f, count in zip(study.factors, counts, strict=True) if count > 2 and not isinstance(f, Categorical)
    ]
    if not squares:
        return "interaction"
    terms = [*study.model("interaction").terms, *(f"{quoted(name)}^2" for name in squares)]
    return "quadratic" if set(terms) == set(study.model("quadratic").terms) else terms
