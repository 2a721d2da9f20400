"""Regular fractions: the published 2^(k-p) summary table, minimum aberration, alias sets, a printed half fraction.

Sources stand in fractional_factorials/expected.json and filtration_rate_2_4/expected.json.
"""

import csv
import itertools
import json
from math import comb
from pathlib import Path

import numpy as np
import pytest

import doe
from doe import designs
from doe.designs import regular

HERE = Path(__file__).parent
TABLE = json.loads((HERE / "fractional_factorials/expected.json").read_text())
FILTRATION = json.loads((HERE / "filtration_rate_2_4/expected.json").read_text())
LETTERS = "ABCDEFGHJKLMNOP"


def study(k):
    return doe.Study("check", [doe.Continuous(letter, -1, 1) for letter in LETTERS[:k]])


def in_words(generators):
    return [f"{g[0]} = {':'.join(g.split('=')[1])}" for g in generators]


def pattern(plan):
    return {str(length): int(count) for length, count in plan.word_lengths.items() if count}


@pytest.mark.parametrize("case", TABLE["designs"], ids=lambda c: f"{c['k']}-{c['p']}")
def test_published_generators(case):
    """From the printed generators: runs, resolution, word-length pattern."""
    plan = designs.fractional_factorial(study(case["k"]), generators=in_words(case["generators"]))
    assert len(plan.runs) == case["runs"]
    assert plan.resolution == case["resolution"]
    if "wordlength_pattern" in case:
        assert pattern(plan) == case["wordlength_pattern"]


@pytest.mark.parametrize(
    "case", [c for c in TABLE["designs"] if c["k"] <= regular.MOST_FACTORS], ids=lambda c: f"{c['k']}-{c['p']}"
)
def test_fraction_has_the_published_pattern(case):
    plan = designs.fractional_factorial(study(case["k"]), fraction=case["p"])
    assert len(plan.runs) == case["runs"]
    assert plan.resolution == case["resolution"]
    if "wordlength_pattern" in case:
        assert pattern(plan) == case["wordlength_pattern"]


@pytest.mark.parametrize("case", TABLE["fries_hunter_example"]["designs"], ids=lambda c: " ".join(c["generators"]))
def test_fries_hunter(case):
    plan = designs.fractional_factorial(study(7), generators=in_words(case["generators"]))
    assert plan.resolution == 4
    assert pattern(plan) == case["wordlength_pattern"]


def test_alias_sets_of_a_quarter_of_six():
    plan = designs.fractional_factorial(study(6), generators=["E = A:B:C", "F = B:C:D"])
    assert set(plan.defining_relation) == {"A:B:C:E", "B:C:D:F", "A:D:E:F"}
    found = set()
    chains = plan.alias_structure
    for _, row in chains[chains["effect"].str.count(":") == 1].iterrows():
        chain = [row["effect"], *row["aliases"].split(", ")]
        found.add(frozenset(word.replace(":", "") for word in chain if word.count(":") == 1))
    assert found == {frozenset(s) for s in TABLE["aliases_2_6_2"]["sets"]}


def best_pattern(k, p, chunk=200_000):
    """Minimum-aberration word lengths over all sets of p interaction columns of k - p basic factors."""
    m = k - p
    columns = np.array([v for v in range(1, 2**m) if v.bit_count() >= 2], dtype=np.int64)
    bit_count = np.array([v.bit_count() for v in range(2**m)])
    best = None
    sets = itertools.combinations(range(len(columns)), p)
    while block := list(itertools.islice(sets, chunk)):
        chosen = columns[np.array(block)]
        lengths = np.zeros((len(chosen), k + 1), dtype=np.int32)
        for subset in range(1, 2**p):
            members = regular.bits(subset)
            word = np.bitwise_xor.reduce(chosen[:, members], axis=1)
            np.add.at(lengths, (np.arange(len(chosen)), bit_count[word] + len(members)), 1)
        for length in range(1, k + 1):
            lengths = lengths[lengths[:, length] == lengths[:, length].min()]
        found = tuple(int(v) for v in lengths[0])
        best = found if best is None or found < best else best
    return best


SIZES = [(k, p) for k in range(3, 12) for p in regular.fractions(k) if p]


@pytest.mark.parametrize(
    ("k", "p"),
    [
        pytest.param(k, p, marks=[pytest.mark.slow] if comb(2 ** (k - p) - 1 - (k - p), p) > 20_000 else [])
        for k, p in SIZES
    ],
)
def test_every_tabulated_fraction_has_minimum_aberration(k, p):
    """Proof by exhaustive search (Fries & Hunter 1980 define the criterion)."""
    signs = regular.signs_of(regular.minimum_aberration(k, p), k - p)
    assert tuple(regular.word_lengths(signs)[1:]) == best_pattern(k, p)[1:]


def filtration_rate():
    with open(HERE / "filtration_rate_2_4/data.csv", newline="") as f:
        return {
            tuple(int(row[c]) for c in ("A_temperature", "B_pressure", "C_formaldehyde", "D_stirring")): float(
                row["filtration_rate"]
            )
            for row in csv.DictReader(f)
        }


def contrast(plan, y, word):
    return float((plan.coded[list(word)].prod(axis=1) * y).sum() / (len(y) / 2))


def test_filtration_half_fraction():
    """Montgomery Table 8.3: I = ABCD; each estimate is the sum of its alias pair's full-factorial effects."""
    plan = designs.fractional_factorial(study(4), fraction=1)
    assert plan.defining_relation == ("A:B:C:D",)
    rate = filtration_rate()
    y = np.array([rate[tuple(int(v) for v in row)] for row in plan.coded.to_numpy()])
    effects = FILTRATION["effects"]
    chains = plan.alias_structure.set_index("effect")["aliases"]
    for word, value in FILTRATION["half_fraction_I_equals_ABCD"].items():
        assert contrast(plan, y, word) == pytest.approx(value, abs=1e-9)
        alias = chains[":".join(word)].replace(":", "")
        assert value == pytest.approx(effects[word] + effects[alias], abs=1e-9)
    other = designs.fractional_factorial(study(4), generators=["D = -A:B:C"])
    assert other.defining_relation == ("-A:B:C:D",)
    y = np.array([rate[tuple(int(v) for v in row)] for row in other.coded.to_numpy()])
    assert contrast(other, y, "A") == pytest.approx(effects["A"] - effects["BCD"], abs=1e-9)
    assert other.alias_structure.set_index("effect")["aliases"]["A"] == "-B:C:D"


def test_filtration_full_factorial():
    """Montgomery Table 6.12: effects of the unreplicated 2^4, in our standard order."""
    plan = designs.full_factorial(study(4))
    rate = filtration_rate()
    y = np.array([rate[tuple(int(v) for v in row)] for row in plan.coded.to_numpy()])
    for word, value in FILTRATION["effects"].items():
        assert contrast(plan, y, word) == pytest.approx(value, abs=1e-9)
    assert list(rate) == [
        tuple(int(v) for v in row) for row in plan.coded.to_numpy()
    ]  # the printed order is Yates' too


# Suggested blocking of 2^k: Montgomery, Design and Analysis of Experiments, Table 7.9 (confounded effects), from memory.
@pytest.mark.parametrize(
    ("k", "blocks", "words"),
    [
        (3, 2, ["ABC"]),
        (3, 4, ["AB", "AC", "BC"]),
        (4, 2, ["ABCD"]),
        (4, 4, ["ABC", "ACD", "BD"]),
        (5, 2, ["ABCDE"]),
        (5, 4, ["ABC", "CDE", "ABDE"]),
        (5, 8, ["ABE", "BCE", "CDE", "AC", "ABCD", "BD", "ADE"]),
        (6, 2, ["ABCDEF"]),
        (6, 4, ["ABCF", "CDEF", "ABDE"]),
        (6, 8, ["ABEF", "ABCD", "ACE", "BCF", "BDE", "CDEF", "ADF"]),
        (7, 2, ["ABCDEFG"]),
        (7, 4, ["ABCFG", "CDEFG", "ABDE"]),
    ],
)
def test_blocks_confound_as_many_effects_as_the_published_ones(k, blocks, words):
    contrasts, confounded = regular.block_contrasts(tuple(1 << i for i in range(k)), k, blocks.bit_length() - 1)
    published = [sum(len(w) == size for w in words) for size in range(2, k + 1)]
    assert list(confounded) == published
    assert len(regular.span(contrasts)) == blocks - 1
