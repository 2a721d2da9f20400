"""Fractions of the two-level factorial: generators, blocks, fold-over, alias structure."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import doe
from doe import StudyError, designs
from doe.designs import regular


def study(names, **given):
    return doe.Study("s", [doe.Continuous(n, 0, 10, **given) for n in names])


def words(plan):
    return {w.replace(":", "") for w in plan.defining_relation}


def test_generators_in_the_users_names():
    gel = doe.Study(
        "gel",
        [
            doe.Continuous("polymer", 0.2, 0.6),
            doe.Continuous("degree", 0.5, 0.9),
            doe.Continuous("mixing speed", 400, 1000),
            doe.Categorical("impeller", ["anchor", "propeller"]),
        ],
    )
    plan = designs.fractional_factorial(gel, generators=["`mixing speed` = -polymer:degree:impeller"])
    coded = plan.coded
    # +1 is the first level, as in the model's contrast "impeller[anchor]"
    impeller = np.where(coded["impeller"] == "anchor", 1, -1)
    # coded settings come back from natural units, so to rounding
    np.testing.assert_allclose(coded["mixing speed"], -coded["polymer"] * coded["degree"] * impeller, atol=1e-12)
    assert plan.defining_relation == ("-polymer:degree:`mixing speed`:impeller",)
    other = designs.fractional_factorial(gel, generators=["impeller = polymer:degree"])
    X = gel.model(["polymer:degree", "impeller"], hierarchy=False).matrix(other.runs)
    np.testing.assert_allclose(X[:, 1], X[:, 2], atol=1e-12)


def test_alias_structure_is_true_of_the_model_matrix():
    """Every chain says which columns of the model matrix are equal, and with which sign."""
    s = doe.Study(
        "s",
        [
            *(doe.Continuous(n, 0, 1) for n in "abcd"),
            doe.Categorical("e", ["x", "y"]),
            doe.Categorical("f", ["u", "v"]),
        ],
    )
    plan = designs.fractional_factorial(s, generators=["e = -a:b:c", "f = b:c:d"], centre=1)
    names = s.names
    every = [":".join(c) for size in (1, 2, 3) for c in itertools.combinations(names, size)]
    model = s.model(every, hierarchy=False)
    X = dict(zip(model.terms, model.matrix(plan.runs[plan.coded["a"] != 0]).T, strict=True))
    chains = plan.alias_structure
    seen = set()
    for _, row in chains[chains["effect"] != "1"].iterrows():
        aliases = [w for w in row["aliases"].split(", ") if w]
        for word in aliases:
            sign = -1 if word.startswith("-") else 1
            np.testing.assert_array_equal(X[row["effect"]], sign * X[word.lstrip("-")])
        seen |= {row["effect"], *(w.lstrip("-") for w in aliases)}
    # and it is complete: no two effects of different chains are equal, none of up to two factors is missing
    assert {w for w in every if w.count(":") <= 1} <= seen
    for one, two in itertools.combinations(chains["effect"][1:], 2):
        assert abs(X[one] @ X[two]) < len(X[one])


@pytest.mark.parametrize(
    ("k", "resolution", "runs"),
    [(4, 4, 8), (5, 3, 8), (5, 4, 16), (5, 5, 16), (6, 4, 16), (6, 5, 32), (8, 4, 16), (8, 5, 64), (11, 5, 128)],
)
def test_smallest_fraction_of_a_resolution(k, resolution, runs):
    """Sizes as in the published 2^(k-p) summary (Box, Hunter & Hunter 1978, Table 12.15)."""
    plan = designs.fractional_factorial(study("abcdefghijk"[:k]), resolution=resolution)
    assert len(plan.runs) == runs
    assert plan.resolution >= resolution
    assert plan.model.name == ("interaction" if plan.resolution >= 5 else "linear")


def test_how_large_interactions_are_named():
    """At resolution III those of two factors, else of three; of two again where there are many factors."""
    three = designs.fractional_factorial(study("abcde"), fraction=2)
    four = designs.fractional_factorial(study("abcd"), fraction=1)
    many = designs.fractional_factorial(study("abcdefghi"), fraction=4)
    for plan, largest, word in ((three, 1, "two"), (four, 2, "three"), (many, 1, "two")):
        aliases = ", ".join(plan.alias_structure["aliases"][1:])
        assert max(w.count(":") for w in aliases.split(", ")) == largest
        assert f"Interactions of more than {word} factors are left out." in repr(plan)


def test_fold_over_of_resolution_three_gives_four():
    """Box & Hunter (1961): folding a resolution III fraction over clears main effects of two-factor interactions."""
    once = designs.fractional_factorial(study("abcdefg"), fraction=4)
    plan = designs.fractional_factorial(study("abcdefg"), fraction=4, foldover="full")
    assert (once.resolution, plan.resolution) == (3, 4)
    assert len(plan.runs) == 16
    assert words(plan) == {w for w in words(once) if len(w) % 2 == 0}
    np.testing.assert_array_equal(plan.coded.iloc[8:].to_numpy(), -plan.coded.iloc[:8].to_numpy())
    assert plan.block.tolist() == ["B1"] * 8 + ["B2"] * 8
    confounded = plan.alias_structure.query("with_blocks")
    assert confounded["effect"].str.count(":").tolist() == [2]


def test_fold_over_of_one_factor_clears_it_and_its_interactions():
    plan = designs.fractional_factorial(study("abcdefg"), fraction=4, foldover="d")
    chains = plan.alias_structure.set_index("effect")["aliases"]
    assert not any(word.count(":") < 2 for word in chains["d"].split(", ") if word)
    for other in "abcefg":
        pair = ":".join(sorted(["d", other]))
        assert not any(word.count(":") < 2 for word in chains[pair].split(", ") if word)
    assert not any("d" in word for word in words(plan))


def test_blocks_are_balanced_and_orthogonal_to_main_effects():
    for k, p, blocks in [(6, 2, 2), (6, 1, 4), (7, 2, 4), (5, 1, 2), (8, 3, 4)]:
        plan = designs.fractional_factorial(study("abcdefgh"[:k]), fraction=p, blocks=blocks)
        assert plan.block.nunique() == blocks
        assert (plan.coded.groupby(plan.block).sum() == 0).all().all()
    plan = designs.fractional_factorial(
        study("abcde"), fraction=1, blocks=2
    )  # resolution V: some interaction of two must go
    assert plan.alias_structure.query("with_blocks")["effect"].str.count(":").tolist() == [1]


def test_blocks_by_named_contrasts():
    plan = designs.fractional_factorial(study("abcd"), generators=["d = a:b:c"], blocks=["a:b"])
    assert plan.alias_structure.query("with_blocks")["effect"].tolist() == ["a:b"]
    product = plan.coded["a"] * plan.coded["b"]
    assert (product.groupby(plan.block).nunique() == 1).all()
    assert "nor from blocks" in repr(plan)
    four = designs.fractional_factorial(study("abcde"), generators=["e = a:b:c:d"], blocks=["a:b", "-b:c"])
    assert four.alias_structure.query("with_blocks")["effect"].tolist() == ["a:b", "a:c", "b:c"]
    assert four.block.value_counts().to_list() == [4] * 4


def test_centre_runs_in_each_block():
    plan = designs.fractional_factorial(study("abcde"), fraction=1, blocks=2, centre=3)
    middle = (plan.coded == 0).all(axis=1)
    assert plan.block[middle].value_counts().to_list() == [3, 3]
    assert plan.resolution == 5  # centre runs do not hide the fraction


def test_hard_to_change_whole_plots_stay_within_blocks():
    s = doe.Study("s", [doe.Continuous("hot", 0, 1, hard_to_change=True), *(doe.Continuous(n, 0, 1) for n in "bcde")])
    plan = designs.fractional_factorial(s, fraction=1, blocks=2, centre=1)
    assert (plan.block.groupby(plan.whole_plot).nunique() == 1).all()
    assert plan.whole_plot.nunique() == 6


def test_other_two_level_plans_have_an_alias_structure_too():
    """It is read off the runs: a 12-run plan has none, a full factorial aliases nothing, an own fraction has its words."""
    full = designs.full_factorial(study("abc"), centre=2)
    assert full.resolution is None
    assert full.defining_relation == ()
    assert "told apart" not in repr(full)
    half = designs.Plan.from_frame(study("abc"), full.runs.iloc[[0, 3, 5, 6]])
    assert half.defining_relation == ("-a:b:c",)
    assert "What can't be told apart (resolution III)" in repr(half)
    assert "1 = -a:b:c." in repr(half)
    sixteen = designs.plackett_burman(study("abcdefgh"), runs=16)
    assert sixteen.resolution == 3
    with pytest.raises(StudyError, match="asked of a regular two-level plan"):
        designs.plackett_burman(study("abcdefgh"), runs=12).word_lengths  # noqa: B018
    tied = designs.Plan.from_frame(study("abc"), full.runs.iloc[[0, 3, 4, 7]])
    assert tied.resolution == 2
    assert tied.word_lengths.to_dict() == {1: 0, 2: 1, 3: 0}
    assert "told apart" not in repr(tied)  # two factors that always move together make no fraction to speak of
    lost = designs.Plan.from_frame(study("abc"), full.runs.iloc[[0, 3, 5]])
    with pytest.raises(StudyError, match="asked of a regular two-level plan"):
        lost.resolution  # noqa: B018


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_defining_words_are_found_from_signs_alone(data):
    """Any regular fraction: the words found are exactly the products that are constant."""
    m = data.draw(st.integers(2, 4))
    extra = data.draw(st.lists(st.integers(1, 2**m - 1).filter(lambda v: v.bit_count() >= 2), max_size=3, unique=True))
    columns = [1 << i for i in range(m)] + extra
    negative = [False] * m + data.draw(st.lists(st.booleans(), min_size=len(extra), max_size=len(extra)))
    signs = regular.signs_of(columns, m, negative)
    order = data.draw(st.permutations(range(len(columns))))
    signs = signs[:, order]
    found = {(w, s) for w, s in regular.all_words(signs)}
    expected = set()
    for mask in range(1, 2 ** len(columns)):
        product = signs[:, regular.bits(mask)].prod(axis=1)
        if (product == product[0]).all():
            expected.add((mask, int(product[0])))
    assert found == expected
    counts = [sum(mask.bit_count() == length for mask, _ in expected) for length in range(len(columns) + 1)]
    assert regular.word_lengths(signs) == [1, *counts[1:]]
    assert regular.is_regular(signs)
    assert not regular.is_regular(np.vstack([signs, signs[:1]]))


def test_saturated_fraction_of_many_factors():
    """31 factors in 32 runs: every contrast a factor. Counts of the Hamming code of length 31 (MacWilliams & Sloane 1977, from memory)."""
    basic = [f"x{i}" for i in range(1, 6)]
    rest = [c for size in range(2, 6) for c in itertools.combinations(basic, size)]
    s = doe.Study("s", [doe.Continuous(f"x{i}", 0, 1) for i in range(1, 32)])
    plan = designs.fractional_factorial(s, generators=[f"x{i} = {':'.join(c)}" for i, c in enumerate(rest, start=6)])
    assert plan.resolution == 3
    assert plan.word_lengths[3] == 155
    assert plan.word_lengths[4] == 1085
    assert plan.word_lengths.sum() == 2**26 - 1
    assert len(plan.defining_relation) == 155 + 1085


FIVE = study("abcde")
OIL = doe.Study("s", [doe.Categorical("oil", ["p", "q", "r"]), doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)])


@pytest.mark.parametrize(
    ("s", "given", "sentence"),
    [
        (
            FIVE,
            {},
            "fraction, resolution and generators is 'none of them' but must be exactly one of the three: "
            "give fraction=1 for a half, or resolution=4, or the generators.",
        ),
        (
            FIVE,
            {"fraction": 1, "resolution": 3},
            "fraction, resolution and generators is 'fraction and resolution' but must be exactly one of the three: "
            "give fraction=1 for a half, or resolution=4, or the generators.",
        ),
        (
            study("ab"),
            {"fraction": 1},
            "number of factors is 2 but must be at least 3: take full_factorial, which needs 4 runs for two factors.",
        ),
        (
            OIL,
            {"fraction": 1},
            "factor 'oil' is 'categorical with 3 levels' but must be of two levels: keep two of its levels, or take full_factorial.",
        ),
        (
            FIVE,
            {"fraction": 3},
            "fraction is 3 but must be one of 1 (16 runs), 2 (8 runs) for 5 factors: choose by the number of runs.",
        ),
        (
            FIVE,
            {"resolution": 6},
            "resolution is 6 but must be a whole number from 3 to 5 for 5 factors: "
            "lower it, or take full_factorial, where nothing is aliased.",
        ),
        (
            study("abcdefghijkl"),
            {"fraction": 8},
            "number of factors is 12 but must be at most 11 for a tabulated fraction: give generators=, or take plackett_burman.",
        ),
        (FIVE, {"generators": "e = a:b"}, "generators is 'e = a:b' but must be a list of texts: write [\"c = a:b\"]."),
        (
            FIVE,
            {"generators": ["e = a:bb"]},
            "generator 'e = a:bb' is 'bb' but must be a factor of the study: did you mean 'b'?",
        ),
        (
            FIVE,
            {"generators": ["e a:b"]},
            "generator 'e a:b' is 'e a:b' but must be one factor, =, and a product of others: write it as \"c = a:b\".",
        ),
        (
            FIVE,
            {"generators": ["e:d = a:b"]},
            "generator 'e:d = a:b' is 'e:d' but must be one factor on the left: write it as \"c = a:b\".",
        ),
        (
            FIVE,
            {"generators": ["e = a"]},
            "generator 'e = a' is 'a' but must be a product of at least two other factors: "
            "two factors would always move together otherwise.",
        ),
        (
            FIVE,
            {"generators": ["e = a^2:b"]},
            "generator 'e = a^2:b' is 'a^2' but must be a product of different factors: name each factor once.",
        ),
        (
            FIVE,
            {"generators": ["e = a:d", "d = a:b"]},
            "generator 'e = a:d' is 'd' but must be a factor that no generator makes: write the product in a, b, c alone.",
        ),
        (
            FIVE,
            {"generators": ["e = a:b", "e = a:c"]},
            "generator 'e = a:c' is 'e' but must be made by one generator only: leave one of the two out.",
        ),
        (
            FIVE,
            {"generators": ["e = a:b", "d = -a:b"]},
            "generators is 'd and e always at the same or at opposite levels' but must be such that every two factors can be "
            "told apart: give the two different products.",
        ),
        (
            FIVE,
            {"fraction": 1, "blocks": 3},
            "blocks is 3 but must be a power of two from 1 to 8: blocks of a fraction hold equally many runs, at least two.",
        ),
        (
            study("abcdefg"),
            {"fraction": 4, "blocks": 2},
            "blocks is 2 but must be few enough to keep every main effect clear: take fewer blocks or more runs.",
        ),
        (
            FIVE,
            {"fraction": 1, "blocks": ["a:b", "b:a"]},
            "blocks is ['a:b', 'b:a'] but must be contrasts that differ in this fraction: leave one of them out.",
        ),
        (
            FIVE,
            {"fraction": 2, "blocks": ["a:b"]},
            "blocks is ['a:b'] but must be clear of every main effect (they confound 'd'): choose longer products.",
        ),
        (
            FIVE,
            {"fraction": 1, "blocks": ["a:x"]},
            "blocks, contrast 'a:x' is 'x' but must be a factor of the study: known names are 'a', 'b', 'c', 'd', 'e'.",
        ),
        (
            FIVE,
            {"fraction": 1, "blocks": "a:b"},
            "blocks is 'a:b' but must be a number of blocks or a list of contrasts: write 2, or [\"A:B:C\"] in the factors' names.",
        ),
        (
            study("abcd"),
            {"fraction": 1, "foldover": "full"},
            "foldover is 'full' but must be one that adds other runs: "
            "name a factor of the defining relation, since this only repeats the fraction.",
        ),
        (
            FIVE,
            {"fraction": 2, "foldover": "aa"},
            "foldover is 'aa' but must be None, \"full\" or the name of a factor: did you mean 'a'?",
        ),
        (
            FIVE,
            {"fraction": 1, "centre": 0.5},
            "centre is 0.5 but must be a whole number from 0 to 10000: give how many centre runs to make.",
        ),
    ],
)
def test_refusals(s, given, sentence):
    with pytest.raises(StudyError) as problem:
        designs.fractional_factorial(s, **given)
    assert str(problem.value) == f"fractional_factorial: {sentence}"
