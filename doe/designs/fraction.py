"""Fractions of the two-level factorial: which generators, in which blocks, folded over or not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from doe.designs import regular
from doe.designs.assembly import add_settings, centre_runs, check_two_level, finished, two_level_columns
from doe.designs.plan import Plan
from doe.study import Study, StudyError
from doe.study.errors import nearest
from doe.study.terms import parse_term, quoted

WHERE = "fractional_factorial"


def fractional_factorial(
    study: Study,
    fraction: int | None = None,
    resolution: int | None = None,
    generators: Sequence[str] | None = None,
    blocks: int | Sequence[str] = 1,
    foldover: str | None = None,
    centre: int = 0,
) -> Plan:
    """A regular fraction of the two-level factorial: 2^(k-p) runs for k factors.

    Parameters
    ----------
    study : Study
        Factors with a low and a high, or of two levels.
    fraction : int
        p: the minimum-aberration fraction of 2^(k-p) runs, for up to 11 factors and 128 runs. Give one of fraction, resolution, generators.
    resolution : int
        The smallest minimum-aberration fraction of at least this resolution (3: main effects clear of each other; 4: also of two-factor
        interactions; 5: those clear of each other too).
    generators : sequence of str
        In the factors' own names, one for each added factor: "speed = polymer:degree", or "speed = -polymer:degree" for the other half.
        +1 is high; of a categorical factor it is the first level.
    blocks : int or sequence of str
        2, 4, 8 …: split with the fewest low-order interactions confounded with blocks and no main effect. Or the contrasts themselves,
        "polymer:degree:speed", one for two blocks, two for four, and so on.
    foldover : None, "full" or a factor's name
        Add the same runs with all signs turned ("full": clears main effects of two-factor interactions) or those of one factor (clears it and
        its interactions). The added runs are blocks of their own, since they are made later.
    centre : int
        Centre runs in each block.

    Returns
    -------
    Plan
        Standard order within each block; `.alias_structure`, `.defining_relation`, `.word_lengths` and `.resolution` say what cannot be told
        apart. The model is "interaction" from resolution V, else "linear".

    Raises
    ------
    StudyError
        If no such fraction exists, a generator cannot be read or ties two factors together, blocks would hide a main effect, or a run breaks
        a constraint.

    References
    ----------
    Box, G. E. P. & Hunter, J. S. (1961). The 2^(k-p) fractional factorial designs. Technometrics 3, 311-351 and 449-458.
    Fries, A. & Hunter, W. G. (1980). Minimum aberration 2^(k-p) designs. Technometrics 22, 601-608.
    """
    check_two_level(WHERE, study)
    k = len(study.factors)
    if k < 3:
        raise StudyError(
            f"{WHERE}: number of factors", k, "at least 3", "take full_factorial, which needs 4 runs for two factors"
        )
    asked = {"fraction": fraction, "resolution": resolution, "generators": generators}
    given = [name for name, value in asked.items() if value is not None]
    if len(given) != 1:
        raise StudyError(
            f"{WHERE}: fraction, resolution and generators",
            "none of them" if not given else " and ".join(given),
            "exactly one of the three",
            "give fraction=1 for a half, or resolution=4, or the generators",
        )
    if generators is not None:
        columns, negative, m = _from_generators(study, generators)
    else:
        p = _fraction(k, fraction) if fraction is not None else _by_resolution(k, resolution)
        columns, negative, m = regular.minimum_aberration(k, p), [False] * k, k - p
    signs = regular.signs_of(columns, m, negative)
    number = _blocks(study, signs, columns, m, blocks)
    if foldover is not None:
        turned = _folded(study, signs, foldover)
        signs, number = np.vstack([signs, turned]), np.concatenate([number, number + number.max() + 1])
    order = np.argsort(number, kind="stable")
    signs, number = signs[order], number[order]
    middle = centre_runs(WHERE, study, centre)
    coded: dict[str, Any] = {name: [] for name in study.names}
    labels: list[str] = []
    kinds: list[str] = []
    for b in range(int(number.max()) + 1):
        block_runs = signs[number == b]
        own = add_settings(two_level_columns(study, block_runs), middle)
        coded = {name: [*coded[name], *own[name]] for name in coded}
        labels += [f"B{b + 1}"] * (len(block_runs) + len(middle))
        kinds += ["factorial"] * len(block_runs) + ["centre"] * len(middle)
    reached = regular.resolution(signs)
    arguments = {
        **{name: asked[name] for name in ("fraction", "resolution")},
        "generators": None if generators is None else list(generators),
        "blocks": blocks if isinstance(blocks, int) else [str(b) for b in blocks],
        "foldover": foldover,
        "centre": centre,
    }
    return finished(
        WHERE,
        study,
        coded,
        arguments=arguments,
        kinds=kinds,
        model="interaction" if reached is None or reached >= 5 else "linear",
        block=labels if number.max() > 0 else None,
    )


def _fraction(k: int, fraction: object) -> int:
    known = [p for p in regular.fractions(k) if p]
    if not known:
        raise StudyError(
            f"{WHERE}: number of factors",
            k,
            f"at most {regular.MOST_FACTORS} for a tabulated fraction",
            "give generators=, or take plackett_burman",
        )
    if isinstance(fraction, bool) or fraction not in known:
        sizes = ", ".join(f"{p} ({2 ** (k - p)} runs)" for p in known)
        raise StudyError(
            f"{WHERE}: fraction", fraction, f"one of {sizes} for {k} factors", "choose by the number of runs"
        )
    return int(fraction)


def _by_resolution(k: int, resolution: object) -> int:
    known = [p for p in regular.fractions(k) if p]
    if not known:
        _fraction(k, None)
    reached = {p: regular.fraction_resolution(k, p) or k for p in known}
    most = max(reached.values())
    if isinstance(resolution, bool) or not isinstance(resolution, int | np.integer) or not 3 <= resolution <= most:
        span = "3" if most == 3 else f"a whole number from 3 to {most}"
        raise StudyError(
            f"{WHERE}: resolution",
            resolution,
            f"{span} for {k} factors",
            "lower it, or take full_factorial, where nothing is aliased",
        )
    return max(p for p, found in reached.items() if found >= resolution)


def _word(study: Study, text: object, where: str) -> tuple[int, bool]:
    """A product of factors as text, with its sign, as a mask over the study's factors."""
    bare = text.strip() if isinstance(text, str) else ""
    negative = bare.startswith("-")
    bare = bare.lstrip("+-").strip() if bare[:1] in "+-" else bare
    try:
        term = parse_term(bare, study.names)
    except StudyError as problem:
        raise StudyError(where, problem.found, problem.allowed, problem.mend) from problem
    for name, power in term:
        if power > 1:
            raise StudyError(
                where, f"{quoted(name)}^{power}", "a product of different factors", "name each factor once"
            )
    return regular.mask_of(study.names.index(name) for name, _ in term), negative


def _from_generators(study: Study, generators: object) -> tuple[list[int], list[bool], int]:
    """Columns over the basic factors, which of them are turned, and the number of basic factors."""
    k = len(study.factors)
    if isinstance(generators, str) or not isinstance(generators, Iterable) or not (texts := list(generators)):
        raise StudyError(f"{WHERE}: generators", generators, "a list of texts", f'write ["{_example(study)}"]')
    rules: dict[int, tuple[int, bool, str]] = {}
    for text in texts:
        where = f"{WHERE}: generator {text!r}"
        sides = text.split("=") if isinstance(text, str) else []
        if len(sides) != 2:
            raise StudyError(where, text, "one factor, =, and a product of others", f'write it as "{_example(study)}"')
        made, turned = _word(study, sides[0], where)
        product, negative = _word(study, sides[1], where)
        if made.bit_count() != 1 or turned:
            raise StudyError(where, sides[0].strip(), "one factor on the left", f'write it as "{_example(study)}"')
        if product.bit_count() < 2:
            raise StudyError(
                where,
                sides[1].strip(),
                "a product of at least two other factors",
                "two factors would always move together otherwise",
            )
        target = made.bit_length() - 1
        if target in rules:
            raise StudyError(where, study.names[target], "made by one generator only", "leave one of the two out")
        rules[target] = (product, negative, text)
    basic = [j for j in range(k) if j not in rules]
    place = {j: 1 << i for i, j in enumerate(basic)}
    for product, _, text in rules.values():
        for j in regular.bits(product):
            if j not in place:
                raise StudyError(
                    f"{WHERE}: generator {text!r}",
                    study.names[j],
                    "a factor that no generator makes",
                    "write the product in " + ", ".join(quoted(study.names[b]) for b in basic) + " alone",
                )
    columns = [
        place[j] if j in place else regular.mask_of(basic.index(i) for i in regular.bits(rules[j][0])) for j in range(k)
    ]
    for j, column in enumerate(columns):
        first = columns.index(column)
        if first != j:
            raise StudyError(
                f"{WHERE}: generators",
                f"{study.names[first]} and {study.names[j]} always at the same or at opposite levels",
                "such that every two factors can be told apart",
                "give the two different products",
            )
    if len(basic) > 14:
        raise StudyError(
            f"{WHERE}: generators", len(texts), f"at least {k - 14} for {k} factors", "add generators for fewer runs"
        )
    return columns, [j in rules and rules[j][1] for j in range(k)], len(basic)


def _example(study: Study) -> str:
    a, b, c = (quoted(n) for n in study.names[:3])
    return f"{c} = {a}:{b}"


def _blocks(study: Study, signs: Any, columns: list[int], m: int, blocks: object) -> Any:
    """Block number of each run, from 0."""
    where = f"{WHERE}: blocks"
    n = 2**m
    if isinstance(blocks, int | np.integer) and not isinstance(blocks, bool):
        if blocks < 1 or blocks & (blocks - 1) or blocks > n // 2:
            raise StudyError(
                where,
                blocks,
                f"a power of two from 1 to {n // 2}",
                "blocks of a fraction hold equally many runs, at least two",
            )
        if blocks == 1:
            return np.zeros(n, dtype=np.int64)
        if n > regular.MOST_RUNS:
            raise StudyError(
                where, blocks, f"contrasts as texts for more than {regular.MOST_RUNS} runs", 'write ["A:B:C", …]'
            )
        found = regular.block_contrasts(tuple(columns), m, int(blocks).bit_length() - 1)
        if found is None:
            raise StudyError(
                where, blocks, "few enough to keep every main effect clear", "take fewer blocks or more runs"
            )
        return regular.block_numbers(regular.signs_of(found[0], m))
    if isinstance(blocks, str) or not isinstance(blocks, Iterable) or not (texts := list(blocks)):
        raise StudyError(
            where, blocks, "a number of blocks or a list of contrasts", 'write 2, or ["A:B:C"] in the factors\' names'
        )
    words = [_word(study, text, f"{where}, contrast {text!r}")[0] for text in texts]
    contrasts = [0 for _ in words]
    for i, word in enumerate(words):
        for j in regular.bits(word):
            contrasts[i] ^= columns[j]
    for product in regular.span(contrasts):
        if product == 0:
            raise StudyError(where, texts, "contrasts that differ in this fraction", "leave one of them out")
        if product in columns:
            name = study.names[columns.index(product)]
            raise StudyError(
                where, texts, f"clear of every main effect (they confound {name!r})", "choose longer products"
            )
    if 2 ** len(words) > n // 2:
        raise StudyError(where, texts, f"at most {m - 1} contrasts for {n} runs", "each block holds at least two runs")
    return regular.block_numbers(np.column_stack([signs[:, regular.bits(w)].prod(axis=1) for w in words]))


def _folded(study: Study, signs: Any, foldover: object) -> Any:
    where = f"{WHERE}: foldover"
    turned = signs.copy()
    if foldover == "full":
        turned *= -1.0
    elif foldover in study.names:
        turned[:, study.names.index(str(foldover))] *= -1.0
    else:
        raise StudyError(
            where,
            foldover,
            'None, "full" or the name of a factor',
            nearest(str(foldover), [*study.names, "full"]),
        )
    if {tuple(row) for row in turned} == {tuple(row) for row in signs}:
        raise StudyError(
            where,
            foldover,
            "one that adds other runs",
            "name a factor of the defining relation, since this only repeats the fraction",
        )
    return turned
