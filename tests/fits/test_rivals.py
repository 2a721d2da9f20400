"""Competing models: against fits of every model one by one, the published cast-fatigue screening, and what chance alone would give."""

from itertools import chain, combinations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

import doe
from doe import StudyError
from doe.fits import competing_models
from doe.fits.result import SELECTED

# Plackett & Burman's 12 runs in the order of Hunter, Hodi & Eager's experiment: each row the one before, shifted
ROWS = ["++-+++---+-", "+-+++---+-+", "-+++---+-++", "+++---+-++-", "++---+-++-+", "+---+-++-++", "---+-++-+++",
        "--+-++-+++-", "-+-++-+++--", "+-++-+++---", "-++-+++---+", "-----------"]  # fmt: skip
LIFE = [6.058, 4.733, 4.625, 5.899, 7.000, 5.752, 5.682, 6.607, 5.818, 5.917, 5.863, 4.809]


@pytest.fixture(scope="module")
def cast():
    """Cast fatigue: log lifetime of repaired castings, seven factors in 12 runs.

    Hunter, G. B., Hodi, F. S. & Eager, T. W. (1982), Metallurgical Transactions 13A, 1589-1594; analysed by Hamada, M. & Wu, C. F. J.
    (1992), Analysis of designed experiments with complex aliasing, J. Quality Technology 24, 130-137. Data from memory, kept because
    they reproduce the published R² below.
    """
    z = np.array([[1.0 if c == "+" else -1.0 for c in row] for row in ROWS])
    assert (z.T @ z == 12 * np.eye(11)).all()
    data = pd.DataFrame(z[:, :7], columns=list("ABCDEFG")).assign(life=LIFE)
    study = doe.Study("casting", [doe.Continuous(c, -1, 1) for c in "ABCDEFG"], [doe.Response("life")])
    return study, data


def test_the_published_models_of_the_cast_fatigue_data(cast):
    """Hamada & Wu (1992): R² 0.45 with F, 0.59 with F and D, 0.89 with F and FG; coefficients 0.458, −0.258, −0.459 (from memory)."""
    study, data = cast
    for terms, r2 in ((["F"], 0.45), (["F", "D"], 0.59), (["F", "F:G"], 0.89)):
        fit = doe.fit(study, data, "life", study.model(terms, hierarchy=False))
        assert fit.r2 == pytest.approx(r2, abs=0.005)
    found = competing_models(study, data, "life", "interaction", most_terms=3, heredity="weak")
    best = found.fit(1)
    assert set(found.members[0]) == {"1", "F", "F:G"} or {"F", "F:G"} <= set(found.members[0])
    estimate = best.coefficients.set_index("term")["estimate"]
    assert estimate["F"] == pytest.approx(0.458, abs=5e-4)
    assert estimate["F:G"] == pytest.approx(-0.459, abs=5e-4)


def parents_of(term):
    return [term.replace("^2", "")] if "^2" in term else term.split(":") if ":" in term else []


RULES = {
    "strong": lambda s: all(p in s for t in s for p in parents_of(t)),
    "weak": lambda s: all(not parents_of(t) or any(p in s for p in parents_of(t)) for t in s),
    "none": lambda s: True,
}


def brute_force(study, data, response, model, by, heredity, most):
    """Every model fitted by itself with NumPy, each fiftieth with statsmodels too: criterion by set of terms."""
    built = study.model(model)
    X = pd.DataFrame(built.matrix(data), columns=built.terms)
    y = data[response].to_numpy(dtype=float)
    free = [t for t in built.terms if t != "1"]
    n, out = len(y), {}
    for subset in chain.from_iterable(combinations(free, r) for r in range(most + 1)):
        k = len(subset) + 2
        if not RULES[heredity](set(subset)) or (by == "aicc" and n <= k + 1):
            continue
        A = X[["1", *subset]].to_numpy()
        _, rss, rank, _ = np.linalg.lstsq(A, y, rcond=1e-10)
        if rank < A.shape[1]:
            continue
        llf = -0.5 * n * (np.log(2 * np.pi * rss[0] / n) + 1)
        if len(out) % 50 == 0:
            assert llf == pytest.approx(sm.OLS(y, A).fit().llf, rel=1e-9)
        out[frozenset(subset)] = -2 * llf + (2 * k + 2 * k * (k + 1) / (n - k - 1) if by == "aicc" else k * np.log(n))
    return free, out


def screening(names="abcd", seed=3):
    """Invented: a definitive screening plan, fewer runs than the coefficients of its quadratic."""
    study = doe.Study("screen", [doe.Continuous(n, -1, 1) for n in names], [doe.Response("y", "Pa·s")])
    data = doe.designs.definitive_screening(study).runs.reset_index(drop=True)
    rng = np.random.default_rng(seed)
    data["y"] = 5 + data["a"] - 0.8 * data["b"] + 0.6 * data["a"] * data["b"] + rng.normal(0, 0.4, len(data))
    return study, data


@pytest.mark.parametrize("by", ["aicc", "bic"])
@pytest.mark.parametrize("heredity", ["strong", "weak", "none"])
def test_against_every_model_fitted_by_itself(by, heredity):
    study, data = screening()
    assert len(data) < study.model("quadratic").p
    found = competing_models(study, data, "y", by=by, heredity=heredity, within=6.0, most_terms=4)
    free, values = brute_force(study, data, "y", "quadratic", by, heredity, 4)
    best = min(values.values())
    near = {s: v for s, v in values.items() if v <= best + 6.0}
    assert {frozenset(m) - {"1"} for m in found.members} == set(near)
    for members, value in zip(found.members, found.table[by], strict=True):
        assert value == pytest.approx(near[frozenset(members) - {"1"}], rel=1e-9)
    weights = {s: np.exp(-0.5 * (v - best)) for s, v in values.items()}
    total = sum(weights.values())
    inclusion = found.inclusion.set_index("term")
    for term in free:
        share = sum(w for s, w in weights.items() if term in s) / total
        assert inclusion.loc[term, "weight"] == pytest.approx(share, abs=1e-9)
        assert inclusion.loc[term, "models"] == sum(term in s for s in near)
    assert found.table["weight"].iloc[0] == pytest.approx(1.0 / total, rel=1e-7)
    assert found.tried.sum() == len(values)


def test_the_walk_finds_the_best_of_a_quadratic_that_can_be_estimated():
    """`reduced` by the compiled walk (14 terms may go) against every model fitted by itself: with strong heredity, 1,122 of them."""
    rng = np.random.default_rng(2)
    names = list("abcd")
    study = doe.Study("wide", [doe.Continuous(n, -1, 1) for n in names], [doe.Response("y")])
    data = pd.DataFrame(rng.uniform(-1, 1, (26, 4)).round(3), columns=names)
    data["y"] = data["a"] + data["b"] * data["a"] + data["c"] ** 2 + rng.normal(0, 0.5, 26)
    for by in ("aicc", "bic"):
        _, values = brute_force(study, data, "y", "quadratic", by, "strong", 14)
        best = min(values, key=values.__getitem__)
        small = doe.fit(study, data, "y").reduced(by=by)
        assert set(small.model.terms) - {"1"} == best
        assert getattr(small, by) == pytest.approx(values[best], rel=1e-9)
        assert "Of all models that keep strong heredity" in str(small)


def test_categorical_terms_go_whole_and_blocks_stay():
    rng = np.random.default_rng(12)
    study = doe.Study("kinds", [doe.Categorical("kind", list("pqrs")), doe.Continuous("a", -1, 1)], [doe.Response("y")])
    data = pd.DataFrame([(k, a) for k in "pqrs" for a in (-1.0, -0.5, 0.5, 1.0)], columns=["kind", "a"])
    data["block"] = [1, 2] * 8
    data["y"] = 2 * data["a"] + 1.5 * (data["kind"] == "p") + rng.normal(0, 0.5, 16) + data["block"]
    found = competing_models(study, data, "y", "interaction", within=8.0, most_terms=2)
    assert set(found.table["coefficients"]) <= {3, 6}  # constant, block, a; and kind's three contrasts
    fit = found.fit(1)
    ref = doe.fit(study, data, "y", list(found.members[0]))
    assert fit.aicc == pytest.approx(ref.aicc)
    assert found.table["aicc"].iloc[0] == pytest.approx(ref.aicc)
    assert np.isnan(found.inclusion.set_index("term").loc["kind", "low"])


def test_a_mixtures_blends_stay():
    rng = np.random.default_rng(4)
    study = doe.Study("blend", [doe.Component(c, 0, 100) for c in "xyz"], [doe.Response("v")])
    data = doe.designs.simplex_lattice(study, 3).runs.reset_index(drop=True)
    data["v"] = data["x"] + 0.5 * data["y"] + 0.02 * data["x"] * data["y"] + rng.normal(0, 1, len(data))
    found = competing_models(study, data, "v", "quadratic")
    assert all({"x", "y", "z"} <= set(m) for m in found.members)
    assert found.inclusion["term"].iloc[0] == "x:y"


def test_terms_that_cannot_be_told_apart_are_listed_as_alike():
    """A half of 2^4, I = abcd: a:b and c:d are one column, so models that differ in them alone fit exactly alike."""
    study = doe.Study("half", [doe.Continuous(n, -1, 1) for n in "abcd"], [doe.Response("y")])
    z = np.array([(a, b, c, a * b * c) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)], dtype=float)
    rng = np.random.default_rng(1)
    data = pd.DataFrame(z, columns=list("abcd")).assign(y=z[:, 0] * 2 + z[:, 0] * z[:, 1] + rng.normal(0, 0.1, 8))
    found = competing_models(study, data, "y", "interaction", heredity="none", most_terms=2, within=10)
    assert {frozenset(m) for m in found.members[:2]} == {frozenset({"1", "a", "a:b"}), frozenset({"1", "a", "c:d"})}
    assert "Models 1 and 2" in str(found)
    assert "these runs cannot tell them apart" in str(found)
    assert found.confounded > 0
    assert "combinations of terms were left" in str(found)


def test_the_page_and_the_chosen_fit_carry_the_warning():
    study, data = screening()
    found = competing_models(study, data, "y")
    page = str(found)
    assert SELECTED in page
    assert "Akaike weights" in page
    assert "models that keep strong heredity" in page
    fit = found.fit(2)
    assert SELECTED in str(fit)
    assert fit.heading.startswith("y (Pa·s), reduced quadratic in")
    assert SELECTED in fit.predict(data).note
    assert f"Number 2 of {len(found.members)} models" in str(fit)
    assert "Schwarz (BIC) weights" in str(competing_models(study, data, "y", by="bic"))
    assert "that keep" not in str(competing_models(study, data, "y", heredity="none", most_terms=2)).split("\n\n")[0]


def test_sizes_that_are_too_many_are_said(monkeypatch):
    from doe.fits import rivals

    study, data = screening()
    monkeypatch.setattr(rivals, "LIMIT", 60)
    found = competing_models(study, data, "y")
    assert found.most_terms < found.asked_terms
    sizes = range(found.most_terms + 1, found.asked_terms + 1)
    words = str(sizes[0]) if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
    assert f"Models of {words} terms were not tried: there are more than 60 to go through." in str(found)
    assert found.tried.sum() <= 60


def test_within_and_most_terms_change_the_list():
    study, data = screening()
    near, far = (competing_models(study, data, "y", within=w) for w in (0.5, 10.0))
    assert len(near.table) < len(far.table)
    assert competing_models(study, data, "y", most_terms=1).table["coefficients"].max() == 2
    dropped = competing_models(study, data.assign(run=range(1, 10)), "y", without={9: "spilt"}, most_terms=3)
    assert len(dropped.batches.runs) == 8


def test_by_chance_takes_rate_draws_and_seed():
    study, data = screening()
    found = competing_models(study, data, "y", most_terms=3)
    assert found.by_chance(0.05, 100, 1) == found.by_chance(0.05, 100, 1)
    assert found.by_chance(0.05, 100, 1) != found.by_chance(0.05, 100, 2)
    assert found.by_chance(0.5, 100, 1) < found.by_chance(0.05, 100, 1) <= 1.0


@pytest.mark.slow
def test_the_false_driver_rate_is_as_claimed():
    """Six factors, 13 runs of definitive screening. Where nothing matters, any term is called (weight above by_chance(0.05)) in 5 % of
    trials: 1000 trials, three Monte-Carlo errors of both the rate and the limit (1000 draws each): 0.05 ± 0.029."""
    names = "abcdef"
    study = doe.Study("screen", [doe.Continuous(n, -1, 1) for n in names], [doe.Response("y")])
    data = doe.designs.definitive_screening(study).runs.reset_index(drop=True)
    found = competing_models(study, data.assign(y=np.arange(len(data)) % 5 + 1.0), "y")
    limit = found.by_chance(0.05, 1000, seed=1)
    largest = found.problem.largest_by_chance(1000, np.random.default_rng(77), found.most_terms)
    assert abs(float((largest > limit).mean()) - 0.05) < 0.029


@pytest.mark.slow
def test_false_drivers_beside_two_real_ones():
    """The same plan with a and b of three σ each: terms without a or b in them are called at about the same rate, and both real ones
    nearly always lead. 300 trials, seed fixed; three Monte-Carlo errors of 5 % are 0.038."""
    study = doe.Study("screen", [doe.Continuous(n, -1, 1) for n in "abcdef"], [doe.Response("y")])
    data = doe.designs.definitive_screening(study).runs.reset_index(drop=True)
    rng = np.random.default_rng(5)
    first = competing_models(study, data.assign(y=rng.normal(size=len(data))), "y")
    limit = first.by_chance(0.05, 1000, seed=1)
    false = found = 0
    for _ in range(300):
        y = 3 * data["a"] - 3 * data["b"] + rng.normal(size=len(data))
        weights = competing_models(study, data.assign(y=y), "y", within=0.0).inclusion.set_index("term")["weight"]
        called = set(weights.index[weights > limit])
        found += {"a", "b"} <= called
        false += any(set(t.replace("^2", "").split(":")) - {"a", "b"} for t in called)
    print(false / 300, found / 300)
    assert false / 300 < 0.05 + 0.038
    assert found / 300 > 0.9


def refusal(**given):
    study, data = screening()
    with pytest.raises(StudyError) as error:
        competing_models(given.pop("study", study), given.pop("data", data), given.pop("response", "y"), **given)
    return str(error.value)


def test_refusals():
    assert (
        refusal(study=3) == "study is 'int' but must be a doe.Study: make it with doe.Study(name, factors, responses)."
    )
    assert refusal(by="r2") == 'competing models: by is \'r2\' but must be "aicc" or "bic": choose one of the two.'
    assert refusal(heredity="full") == (
        'competing models: heredity is \'full\' but must be "strong", "weak" or "none": choose one of the three.'
    )
    assert refusal(within=-1) == "competing models: within is -1 but must be between 0 and 40: write 4."
    assert refusal(most_terms=0) == (
        "competing models: most_terms is 0 but must be a whole number from 1 to 7: leave it out for half the number of runs."
    )
    assert refusal(model=["1"]) == (
        "competing models: model is '1' but must be one with terms to choose among: add terms to choose among."
    )
    study, data = screening()
    assert refusal(data=data.iloc[:2], model="linear") == (
        "competing models: number of batches is 2 but must be at least 3 for a choice to be made: make more batches."
    )
    assert refusal(data=data.assign(whole_plot=[1, 2, 3] * 3)) == (
        "competing models: data is 'batches that share whole plots' but must be batches made each by itself: fit the split plot with "
        "doe.fit and use its reduced()."
    )
    assert refusal(data=data.assign(y=3.0)) == (
        "response 'y': reading is 3.0 but must be different between runs, yet all are the same: there is nothing to explain: check that "
        "the readings were entered run by run."
    )
    found = competing_models(study, data, "y")
    for bad in (0, len(found.members) + 1, True):
        with pytest.raises(StudyError) as error:
            found.fit(bad)
        assert str(error.value) == (
            f"competing models: rank is {bad!r} but must be a whole number from 1 to {len(found.members)}: see the table for the places."
        )
    with pytest.raises(StudyError) as error:
        found.by_chance(rate=2)
    assert str(error.value) == "by_chance: rate is 2 but must be between 0 and 1: write 0.05."
    with pytest.raises(StudyError) as error:
        found.by_chance(draws=3)
    assert str(error.value) == "by_chance: draws is 3 but must be a whole number of at least 20: write 200."


def test_scores_and_bounds_are_not_fitted_by_least_squares():
    study = doe.Study(
        "g",
        [doe.Continuous(c, 0, 1) for c in "abc"],
        [doe.Response("look", scale=(1, 5)), doe.Response("viscosity", "mPa·s", transform="log")],
    )
    runs = doe.designs.full_factorial(study, centre=4).runs
    data = runs.assign(look=np.resize([1, 3, 5, 4], len(runs)), viscosity=[">20000", *range(9001, 9000 + len(runs))])
    data = data.reset_index()
    sentences = []
    for response in ("look", "viscosity"):
        with pytest.raises(StudyError) as caught:
            doe.fits.competing_models(study, data, response, "linear")
        sentences.append(str(caught.value))
    assert sentences == [
        "competing models: response is 'look, scored from 1 to 5' but must be a measured response: fit the scores with doe.fit and use its "
        "reduced(), which judges them as scores.",
        "competing models: viscosity of run 1 is '>20000' but must be an exact reading: fit the bounds with doe.fit and use its reduced(), or "
        "leave the run out with without={run: reason}.",
    ]
