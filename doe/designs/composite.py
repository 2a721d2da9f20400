"""Plans for second-order models: central composite and Box-Behnken."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import product
from math import isfinite, sqrt
from numbers import Real
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.designs import regular
from doe.designs.assembly import finished, refuse_components, whole_number
from doe.designs.plan import Plan
from doe.study import Categorical, Continuous, Discrete, Study, StudyError
from doe.study.shown import number_text

Coded = NDArray[np.float64]

CENTRE_RUNS = (
    4  # between the 3 to 5 that Myers, Montgomery & Anderson-Cook (2016), section 8.1.4, advise for rotatable plans
)
MOST_CENTRE = 1000

# Centre runs in each factorial block and in the axial block, by (factors, p, factorial blocks): Box & Hunter (1957), Ann. Math. Statist. 28,
# 195-241, as later textbooks tabulate them; with the axial distance that keeps blocks orthogonal they leave the plan rotatable or nearly so.
_BOX_HUNTER_CENTRES = {
    (2, 0, 1): (3, 3),
    (3, 0, 2): (2, 2),
    (4, 0, 2): (2, 2),
    (5, 0, 4): (2, 4),
    (5, 1, 1): (6, 1),
    (6, 0, 8): (1, 6),
    (6, 1, 2): (4, 2),
    (7, 0, 16): (1, 11),
    (7, 1, 8): (1, 4),
}

# Box & Behnken (1960), Technometrics 2, 455-475: the factors that are varied together; all others stand at the centre.
# pyDOE3's bbdesign varies all pairs from six factors on (84 runs for seven); the published plans go by threes (56).
_BOX_BEHNKEN = {
    3: ((1, 2), (1, 3), (2, 3)),
    4: ((1, 2), (3, 4), (1, 4), (2, 3), (1, 3), (2, 4)),
    5: ((1, 2), (3, 4), (2, 5), (1, 3), (4, 5), (2, 3), (1, 4), (3, 5), (1, 5), (2, 4)),
    6: ((1, 2, 4), (2, 3, 5), (3, 4, 6), (1, 4, 5), (2, 5, 6), (1, 3, 6)),
    7: ((4, 5, 6), (1, 6, 7), (2, 5, 7), (1, 2, 4), (3, 4, 7), (1, 3, 5), (2, 3, 6)),
    # from memory, up to the numbering of the factors: runs, blocks and moments are those published. 9: the lines of the plane of order 3, one
    # class of parallels twice; 11: a difference set modulo 11, every pair of factors together twice; 12: a cycle modulo 12
    9: (
        *((1, 4, 7), (2, 5, 8), (3, 6, 9), (1, 2, 3), (4, 5, 6), (7, 8, 9), (1, 5, 9), (3, 4, 8), (2, 6, 7)),
        *((1, 6, 8), (2, 4, 9), (3, 5, 7), (1, 4, 7), (2, 5, 8), (3, 6, 9)),
    ),
    11: tuple(tuple(sorted((s + j) % 11 + 1 for s in (1, 3, 4, 5, 9))) for j in range(11)),
    12: tuple(tuple(sorted((s + j) % 12 + 1 for s in (0, 1, 4, 6))) for j in range(12)),
}
# how many orthogonal blocks they divide into: by groups in which every factor comes equally often (as listed, in _BY_GROUPS), else by the
# sign of each group's product
_BOX_BEHNKEN_BLOCKS = {3: 1, 4: 3, 5: 2, 6: 2, 7: 2, 9: 5, 11: 1, 12: 2}
_BY_GROUPS = (4, 5, 9)


def axial_points(k: int) -> Coded:
    """Unit axial points, shape (2k, k): low then high of each factor in turn."""
    return np.array([sign * unit for unit in np.eye(k) for sign in (-1.0, 1.0)])


def axial_distance(
    rule: str | float, k: int, factorial: float, runs: float, blocked: Sequence[tuple[float, float]] | None = None
) -> float:
    """Distance of the axial points from the centre, in coded units.

    Parameters
    ----------
    rule : str or float
        "rotatable": factorial^(1/4); "face": 1; "spherical": √k; "orthogonal": without blocks, squares uncorrelated with each other; with
        blocks, every square balanced between blocks (Box & Hunter 1957). Or the distance itself.
    k, factorial, runs : int
        Factors, runs of the factorial part, all runs; averages where they are spread over the levels of other factors.
    blocked : ((factorial runs, their centre runs), (axial runs, their centre runs)), optional
        All factorial blocks together, and the axial block.
    """
    if not isinstance(rule, str):
        return float(rule)
    if rule == "face":
        return 1.0
    if rule == "spherical":
        return sqrt(k)
    if rule == "rotatable":
        return float(factorial**0.25)
    if blocked is not None:
        (cube, cube_centre), (axial, axial_centre) = blocked
        return sqrt(k * (1 + axial_centre / axial) / (1 + cube_centre / cube))
    return sqrt((sqrt(runs * factorial) - factorial) / 2)


def central_composite(
    study: Study,
    axial: str | float = "rotatable",
    centre: int | tuple[int, int] | None = None,
    fraction: int = 0,
    blocks: int = 1,
    inscribed: bool = False,
) -> Plan:
    """Corners, axial points and centre runs: a plan for the full quadratic model.

    Parameters
    ----------
    study : Study
        At least two numeric factors of three settings or more. The composite of these is repeated at every combination of the levels of
        the categorical and two-level factors.
    axial : {"rotatable", "face", "spherical", "orthogonal"} or float
        Distance of the axial points in coded units: "rotatable", fourth root of the number of corners; "face", 1; "spherical", √k;
        "orthogonal", squares uncorrelated, or with blocks the distance that makes them orthogonal to the model.
    centre : int or (int, int), optional
        Centre runs; with blocks those in each block, or (in each block of corners, in the axial block). Left out: 4, and with blocks the
        numbers of Box & Hunter where they tabulate them, else 2 a block.
    fraction : int
        Corners are the 2^(k-p) fraction of this p, of resolution V or more.
    blocks : int
        1, or one axial block and 1, 2, 4 … blocks of corners that confound no two-factor interaction.
    inscribed : bool
        Axial points at low and high, corners drawn inside: for ranges that must not be left.

    Returns
    -------
    Plan
        Corners at low and high (unless inscribed), then axial points, then centre runs, block by block; model "quadratic".

    Raises
    ------
    StudyError
        If there are too few factors, no such fraction or blocks, or an axial point crosses a limit, a constraint or the levels that exist.

    References
    ----------
    Box, G. E. P. & Wilson, K. B. (1951). On the experimental attainment of optimum conditions. J. R. Stat. Soc. B 13, 1-45.
    Box, G. E. P. & Hunter, J. S. (1957). Multi-factor experimental designs for exploring response surfaces. Ann. Math. Stat. 28, 195-241.
    """
    where = "central_composite"
    surface = surface_factors(where, study)
    k = len(surface)
    p = _cube_fraction(k, fraction)
    columns = regular.minimum_aberration(k, p)
    corners = regular.signs_of(columns, k - p)
    number = _cube_blocks(columns, k - p, blocks)
    cubes = int(number.max()) + 1 if blocks > 1 else 1
    cube_centre, axial_centre = _centres(centre, k, p, blocks, cubes)
    rule = axial_rule(where, axial)
    total = len(corners) + 2 * k + cube_centre * (cubes if blocks > 1 else 0) + axial_centre
    parts = ((len(corners), cube_centre * cubes), (2 * k, axial_centre)) if blocks > 1 else None
    distance = axial_distance(rule, k, len(corners), total, parts)
    if inscribed and distance <= 1:
        raise StudyError(
            f"{where}: inscribed",
            True,
            "False where the axial points lie no farther out than the corners",
            "leave inscribed out",
        )
    scale = 1 / distance if inscribed else 1.0
    stars = axial_points(k) * (1.0 if inscribed else distance)
    middle = np.zeros((1, k))
    pieces: list[tuple[Coded, str, str]] = []
    for b in range(cubes):
        label = f"B{b + 1}"
        pieces.append((corners[number == b] * scale, "corner", label))
        if blocks > 1:
            pieces.append((np.repeat(middle, cube_centre, axis=0), "centre", label))
    last = f"B{cubes + 1}"
    pieces += [(stars, "axial", last), (np.repeat(middle, axial_centre, axis=0), "centre", last)]
    notes = [
        f"Axial points at ±{number_text(1.0 if inscribed else distance)}, corners at ±{number_text(scale)} (coded)."
    ]
    if parts is not None:
        (cube, cube_mid), (star, star_mid) = parts
        balanced = abs(cube / (cube + cube_mid) - 2 * distance**2 / (star + star_mid)) < 1e-9
        notes.append(
            "Blocks are orthogonal to the model."
            if balanced
            else 'Blocks are not quite orthogonal to the squares; axial="orthogonal" would make them so.'
        )
    arguments = {"axial": rule, "centre": centre if centre is None or isinstance(centre, int) else list(centre)}
    return _second_order(
        where,
        study,
        surface,
        pieces,
        arguments={**arguments, "fraction": p, "blocks": blocks, "inscribed": bool(inscribed)},
        blocked=blocks > 1,
        notes=notes,
        mend='give inscribed=True or axial="face", or narrow the ranges'
        if not inscribed and distance > 1
        else "narrow the ranges",
    )


def box_behnken(study: Study, centre: int = 3, blocks: int = 1) -> Plan:
    """Three levels a factor, no corner: pairs or threes of factors varied together, the others at the centre.

    Parameters
    ----------
    study : Study
        Three to seven, nine, eleven or twelve numeric factors of three settings or more. The plan is repeated at every combination of the levels of the categorical
        and two-level factors.
    centre : int
        Centre runs; with blocks those in each block.
    blocks : int
        1, or the published number of orthogonal blocks: 3 for four factors, 2 for five, six, seven and twelve, 5 for nine.

    Returns
    -------
    Plan
        Model "quadratic".

    Raises
    ------
    StudyError
        If there are too few or too many factors, no such blocks, or a run breaks a constraint.

    References
    ----------
    Box, G. E. P. & Behnken, D. W. (1960). Some new three level designs for the study of quantitative variables. Technometrics 2, 455-475.
    """
    where = "box_behnken"
    surface = surface_factors(where, study)
    k = len(surface)
    if k not in _BOX_BEHNKEN:
        raise StudyError(
            f"{where}: number of numeric factors with three settings or more",
            k,
            "from 3 to 7, 9, 11 or 12",
            "take central_composite or optimal",
        )
    count = whole_number(f"{where}: centre", centre, 1, MOST_CENTRE, "the quadratic model needs at least one")
    most = _BOX_BEHNKEN_BLOCKS[k]
    if isinstance(blocks, bool) or blocks not in {1, most}:
        raise StudyError(
            f"{where}: blocks",
            blocks,
            f"1 or {most} for {k} factors" if most > 1 else f"1 for {k} factors",
            "choose one of these",
        )
    pieces: list[tuple[Coded, str, str]] = []
    for b, edges in enumerate(box_behnken_blocks(k, int(blocks)), start=1):
        pieces += [(edges, "edge", f"B{b}"), (np.zeros((count, k)), "centre", f"B{b}")]
    return _second_order(
        where,
        study,
        surface,
        pieces,
        arguments={"centre": count, "blocks": int(blocks)},
        blocked=blocks > 1,
        notes=[],
        mend="narrow the ranges",
    )


def box_behnken_blocks(k: int, blocks: int) -> list[Coded]:
    """The coded edge runs of each block, without centre runs."""
    groups = _BOX_BEHNKEN[k]
    edges, owner = [], []
    for g, group in enumerate(groups):
        for levels in product((-1.0, 1.0), repeat=len(group)):
            if len(group) == 5 and np.prod(levels) < 0:
                continue  # of groups of five, the half fraction of resolution V
            row = np.zeros(k)
            row[[j - 1 for j in group]] = levels[::-1]  # first factor changing fastest
            edges.append(row)
            owner.append(g * blocks // len(groups) if k in _BY_GROUPS else int(np.prod(levels) > 0) * (blocks - 1))
    return [np.array(edges)[np.array(owner) == b] for b in range(blocks)]


def surface_factors(where: str, study: Study) -> list[Continuous | Discrete]:
    """The numeric factors that can stand between low and high."""
    refuse_components(where, study)
    surface = [f for f in study.numeric if isinstance(f, Continuous) or len(f.levels) > 2]
    if len(surface) < 2:
        raise StudyError(
            f"{where}: number of numeric factors with three settings or more",
            len(surface),
            "at least 2",
            "take full_factorial with levels=3 for one factor",
        )
    return surface


def _cube_fraction(k: int, fraction: object) -> int:
    able = [p for p in regular.fractions(k) if p == 0 or (regular.fraction_resolution(k, p) or 0) >= 5]
    if not able:
        raise StudyError(
            "central_composite: number of numeric factors with three settings or more",
            k,
            f"at most {regular.MOST_FACTORS}",
            "screen them first",
        )
    if isinstance(fraction, bool) or fraction not in able:
        sizes = ", ".join(f"{p} ({2 ** (k - p)} corners)" for p in able)
        raise StudyError(
            "central_composite: fraction",
            fraction,
            f"one of {sizes} for {k} factors",
            "corners need resolution V and at most 128 runs",
        )
    return int(fraction)


def _cube_blocks(columns: list[int], m: int, blocks: object) -> NDArray[np.int64]:
    """Block of each corner, from 0; the axial points make one block more."""
    able = {1: np.zeros(2**m, dtype=np.int64), 2: np.zeros(2**m, dtype=np.int64)}
    for q in range(1, m):
        found = regular.block_contrasts(tuple(columns), m, q)
        if found is None or found[1][0]:
            break
        able[2**q + 1] = regular.block_numbers(regular.signs_of(found[0], m))
    if isinstance(blocks, bool) or blocks not in able:
        raise StudyError(
            "central_composite: blocks",
            blocks,
            f"one of {', '.join(map(str, able))} for {2**m} corners",
            "one block holds the axial points, and the others may confound no two-factor interaction",
        )
    return able[int(blocks)]


def _centres(centre: object, k: int, p: int, blocks: int, cubes: int) -> tuple[int, int]:
    """Centre runs of each block of corners, and of the axial block; without blocks all of them come last."""
    where, mend = "central_composite: centre", "give how many centre runs to make"
    if centre is None:
        return _BOX_HUNTER_CENTRES.get((k, p, cubes), (2, 2)) if blocks > 1 else (0, CENTRE_RUNS)
    if isinstance(centre, Iterable) and not isinstance(centre, str):
        pair = list(centre)
        if blocks == 1 or len(pair) != 2:
            raise StudyError(
                where,
                pair,
                "one number" if blocks == 1 else "one number, or two (for each block of corners, for the axial block)",
                mend,
            )
        return whole_number(where, pair[0], 0, MOST_CENTRE, mend), whole_number(where, pair[1], 0, MOST_CENTRE, mend)
    count = whole_number(where, centre, 0, MOST_CENTRE, mend)
    return (count, count) if blocks > 1 else (0, count)


def axial_rule(where: str, axial: object) -> str | float:
    """The rule for the distance of axial points, or the distance itself, or the sentence that says why not."""
    named = ("rotatable", "face", "spherical", "orthogonal")
    if isinstance(axial, str) and axial in named:
        return axial
    if isinstance(axial, bool) or not isinstance(axial, Real) or not isfinite(axial) or axial <= 0:
        raise StudyError(
            f"{where}: axial",
            axial,
            "one of " + ", ".join(named) + ", or a distance above 0",
            "give the coded distance",
        )
    return float(axial)


def _second_order(
    where: str,
    study: Study,
    surface: Sequence[Continuous | Discrete],
    pieces: Sequence[tuple[Coded, str, str]],
    *,
    arguments: dict[str, Any],
    blocked: bool,
    notes: list[str],
    mend: str,
) -> Plan:
    """Assemble pieces (coded runs, kind, block) at every combination of the levels of all other factors."""
    varied = {f.name for f in surface}
    others = [f for f in study.factors if f.name not in varied]
    choices = [list(f.levels) if isinstance(f, Categorical) else [-1.0, 1.0] for f in others]
    coded: dict[str, list[Any]] = {name: [] for name in study.names}
    kinds: list[str] = []
    block: list[str] = []
    for rows, kind, label in pieces:
        for levels in product(*choices[::-1]):
            for f, column in zip(surface, rows.T, strict=True):
                coded[f.name] += list(column)
            for other, level in zip(others, levels[::-1], strict=True):
                coded[other.name] += [level] * len(rows)
            kinds += [kind] * len(rows)
            block += [label] * len(rows)
    if others:
        notes.append(
            f"The plan in {', '.join(f.name for f in surface)} is repeated at every combination of the levels of "
            f"{', '.join(f.name for f in others)}."
        )
    return finished(
        where,
        study,
        coded,
        arguments=arguments,
        kinds=kinds,
        model="quadratic",
        block=block if blocked else None,
        notes=notes,
        mend=mend,
    )
