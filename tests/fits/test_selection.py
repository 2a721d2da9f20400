"""Choosing terms: against brute force with statsmodels, and the rules of heredity."""

from itertools import chain, combinations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

import doe
from doe import StudyError
from doe.fits import selection
from doe.fits.result import SELECTED


def brute_force(fit, criterion, allowed):
    """The best set of terms, each candidate fitted anew by statsmodels."""
    terms = [t for t in fit.model.terms if t != "1"]
    best = (np.inf, None)
    for subset in chain.from_iterable(combinations(terms, r) for r in range(len(terms) + 1)):
        if not allowed(set(subset)):
            continue
        X = fit.X[
            :,
            [j for j, c in enumerate(fit.model.columns) if c == "1" or fit.model.terms[fit.model.term_of[j]] in subset],
        ]
        ref = sm.OLS(fit.y, X).fit()
        n, k = fit.n, X.shape[1] + 1
        value = -2 * ref.llf + (2 * k + 2 * k * (k + 1) / (n - k - 1) if criterion == "aicc" else k * np.log(n))
        if n > k + 1 or criterion == "bic":
            best = min(best, (value, tuple(sorted(subset))), key=lambda b: b[0])
    return best


def parents_of(term):
    if "^2" in term:
        return [term.replace("^2", "")]
    return term.split(":") if ":" in term else []


RULES = {
    "strong": lambda s: all(p in s for t in s for p in parents_of(t)),
    "weak": lambda s: all(not parents_of(t) or any(p in s for p in parents_of(t)) for t in s),
    "none": lambda s: True,
}


@pytest.mark.parametrize("by", ["aicc", "bic"])
@pytest.mark.parametrize("heredity", ["strong", "weak", "none"])
def test_the_chosen_model_is_the_best_of_all_that_keep_heredity(gel, gel_data, by, heredity):
    fit = doe.fit(gel, gel_data, "viscosity")
    small = fit.reduced(by=by, heredity=heredity)
    value, terms = brute_force(fit, by, RULES[heredity])
    assert tuple(sorted(t for t in small.model.terms if t != "1")) == terms
    assert getattr(small, by) == pytest.approx(value, rel=1e-9)


def test_heredity_and_criterion_change_the_answer():
    """An interaction without main effects: only "none" may keep it alone."""
    rng = np.random.default_rng(3)
    study = doe.Study("cross", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y")])
    z = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)] * 2, dtype=float)
    data = pd.DataFrame({"a": z[:, 0], "b": z[:, 1], "y": 5 * z[:, 0] * z[:, 1] + rng.normal(0, 0.5, 18)})
    data["y"] += 1.0 * z[:, 0]
    fit = doe.fit(study, data, "y")
    assert set(fit.reduced(heredity="strong").model.terms) >= {"1", "a", "b", "a:b"}
    assert "b" not in fit.reduced(heredity="weak").model.terms
    assert fit.reduced(heredity="none").model.p <= fit.reduced(heredity="weak").model.p


def test_by_p_drops_the_largest_until_all_are_below_alpha(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity")
    now = fit
    while True:  # by hand, each step a whole fit
        rows = now.coefficients[now.coefficients["term"] != "1"].set_index("term")["p"]
        needed = {p for t in now.model.terms for p in parents_of(t)}
        free = rows[[t for t in rows.index if t not in needed]]
        if free.empty or free.max() < 0.05:
            break
        now = doe.fit(gel, gel_data, "viscosity", [t for t in now.model.terms if t != free.idxmax()])
    small = fit.reduced(by="p")
    assert small.model.terms == now.model.terms
    assert "Dropped one by one, the largest p first, until all are below 0.05" in str(small)
    assert fit.reduced(by="p", alpha=0.9).model.p > small.model.p
    all_kept = fit.reduced(by="p", alpha=0.999)
    assert "No term that heredity lets go has p above 0.999" in str(all_kept) or all_kept.model.p < fit.model.p


def test_the_note_that_intervals_no_longer_mean_what_they_say(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity")
    small = fit.reduced()
    warning = "The terms were chosen from these same readings: intervals and p-values no longer mean what they say"
    assert warning in str(small)
    assert warning in small._repr_html_()
    assert warning not in str(fit)
    assert small.heading.startswith("viscosity (mPa·s), reduced quadratic in")
    assert small.choice is not None
    assert fit.choice is None


def test_the_note_stands_wherever_a_chosen_fit_shows_an_interval_or_a_p(gel, gel_data):
    """Its page, predictions, cautions (which the report and the page of all fits list), and the picture of effects."""
    for fit in (
        doe.fit(gel, gel_data, "viscosity"),
        doe.fit(gel, gel_data.assign(block=[1, 2, 3] * 5), "viscosity", "linear", method="reml"),
    ):
        for by in ("aicc", "bic", "p"):
            small = fit.reduced(by=by)
            assert str(small).count(SELECTED) == 1
            assert SELECTED in small.predict(gel_data).note
            assert SELECTED in small.predict(gel_data, kind="new batch").note
            assert small.cautions().count(SELECTED) == 1
            assert SELECTED in doe.plots.words(doe.plots.factor_effects(small))
        assert SELECTED not in fit.predict(gel_data).note
        assert SELECTED not in doe.plots.words(doe.plots.factor_effects(fit))
        assert SELECTED not in fit.cautions()
    fits = doe.fit_all(gel, gel_data)
    assert SELECTED not in str(fits)
    assert f"viscosity: {SELECTED}" in str(fits.reduced())


def test_chosen_intervals_do_undercover():
    """Why the note stands there: with eight idle factors, intervals of the terms kept cover 0 far less than 95 %.

    100 repeats, seed 1; were they honest, 0.95 ± 0.06 (three Monte-Carlo errors on some 120 kept terms); found about 0.4.
    """
    rng = np.random.default_rng(1)
    names = list("abcdefgh")
    study = doe.Study("idle", [doe.Continuous(n, -1, 1) for n in names], [doe.Response("y")])
    X = rng.choice([-1.0, 1.0], size=(20, 8))
    kept = covered = 0
    for _ in range(100):
        data = pd.DataFrame(X, columns=names).assign(y=rng.normal(size=20))
        c = doe.fit(study, data, "y", "linear").reduced().coefficients
        c = c[c["term"] != "1"]
        kept += len(c)
        covered += int(((c["low"] < 0) & (c["high"] > 0)).sum())
    assert kept > 50
    assert covered / kept < 0.75


def test_blocks_stay(gel, gel_data):
    data = gel_data.assign(block=[1, 2, 3] * 5)
    small = doe.fit(gel, data, "viscosity").reduced()
    assert small.block_columns == 2


def test_single_blends_stay_and_go_together():
    rng = np.random.default_rng(7)
    study = doe.Study("blend", [doe.Component(n, 0, 1, "") for n in "xyz"], [doe.Response("v")], mixture_total=1)
    x = rng.dirichlet([1, 1, 1], 14).round(3)
    x[:, 2] = 1 - x[:, :2].sum(axis=1)
    data = pd.DataFrame(x, columns=list("xyz")).assign(v=3 + 4 * x[:, 0] * x[:, 1] + rng.normal(0, 0.01, 14))
    small = doe.fit(study, data, "v").reduced()
    assert set(small.model.terms) >= {"x", "y", "z", "x:y"}
    assert small.has_constant


def test_a_square_of_a_process_factor_keeps_all_its_blends():
    """In a mixture z is the sum of x·z, so z^2 keeps strong heredity only with every x:z."""
    rng = np.random.default_rng(9)
    study = doe.Study(
        "cream",
        [*(doe.Component(n, 0, 1, "") for n in "xy"), doe.Continuous("z", -1, 1)],
        [doe.Response("v")],
        mixture_total=1,
    )
    x = rng.uniform(0, 1, 24).round(3)
    z = rng.choice([-1.0, 0.0, 1.0], 24)
    data = pd.DataFrame({"x": x, "y": 1 - x, "z": z, "v": 5 * z**2 + 2 * x * z + rng.normal(0, 0.2, 24)})
    fit = doe.fit(study, data, "v")
    assert {"x:z", "y:z", "z^2"} <= set(fit.reduced(heredity="strong").model.terms)
    assert "y:z" not in fit.reduced(heredity="weak").model.terms
    assert "x:z" in fit.reduced(heredity="weak").model.terms


@pytest.mark.parametrize("heredity", ["strong", "weak"])
def test_all_models_of_a_mixture_with_a_process_are_found(heredity):
    """The sets that the search lists against the rule applied to every subset."""
    rng = np.random.default_rng(15)
    study = doe.Study(
        "cream",
        [*(doe.Component(n, 0, 1, "") for n in "xy"), doe.Continuous("z", -1, 1), doe.Continuous("w", -1, 1)],
        [doe.Response("v")],
        mixture_total=1,
    )
    x = rng.uniform(0, 1, 30).round(3)
    data = pd.DataFrame({"x": x, "y": 1 - x, "z": rng.uniform(-1, 1, 30), "w": rng.uniform(-1, 1, 30)})
    # the squares first, so that the order of the list is no help
    terms = ["z^2", "z:w", "x", "y", "x:y", "x:z", "y:z", "x:w", "y:w"]
    fit = doe.fit(study, data.assign(v=rng.normal(size=30)), "v", study.model(terms, hierarchy=False))
    search = selection.Search(fit, np.empty((0, 0)), np.empty(0), heredity)
    every = frozenset(range(9))
    found = list(selection._kept_by_heredity(search, every))
    free = sorted(every - search.fixed)
    subsets = chain.from_iterable(combinations(free, r) for r in range(len(free) + 1))

    def keeps(names):
        def there(process):
            blends = [f"{b}:{process}" in names for b in "xy"]
            return all(blends) if heredity == "strong" else any(blends)

        if "z^2" in names and not there("z"):
            return False
        return "z:w" not in names or (all if heredity == "strong" else any)(there(p) for p in "zw")

    wanted = {search.fixed | set(c) for c in subsets if keeps({fit.model.terms[i] for i in c})}
    assert len(found) == len(set(found))
    assert set(found) == wanted


def test_categorical_terms_go_whole():
    rng = np.random.default_rng(12)
    study = doe.Study("kinds", [doe.Categorical("kind", list("pqrs")), doe.Continuous("a", -1, 1)], [doe.Response("y")])
    data = pd.DataFrame([(k, a) for k in "pqrs" for a in (-1.0, -0.5, 0.5, 1.0)], columns=["kind", "a"])
    data["y"] = 2 * data["a"] + rng.normal(0, 0.5, 16)
    small = doe.fit(study, data, "y", "interaction").reduced()
    assert small.model.terms == ("1", "a")


def test_from_more_terms_than_aicc_can_judge(gel, gel_data):
    """With 11 runs the full quadratic has no AICc (10 + 1 parameters); the search still reaches models that have."""
    data = gel_data.iloc[[0, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12]]
    fit = doe.fit(gel, data, "viscosity")
    assert fit.aicc == np.inf
    small = fit.reduced()
    assert np.isfinite(small.aicc)
    assert "none (too few runs)" in str(small)


def test_steps_are_taken_where_all_models_are_too_many(gel, gel_data, monkeypatch):
    fit = doe.fit(gel, gel_data, "viscosity")
    everything = fit.reduced()
    monkeypatch.setattr(selection, "FEW", 3)
    stepped = fit.reduced()
    assert "Reached by adding and dropping one term at a time" in str(stepped)
    assert stepped.aicc == pytest.approx(everything.aicc)  # on these data the steps find the best
    data = gel_data.iloc[[0, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12]]
    assert np.isfinite(doe.fit(gel, data, "viscosity").reduced().aicc)


@pytest.mark.slow
def test_twelve_factors_are_reduced_by_steps():
    """A quadratic in twelve factors has 91 terms: too many to try all, found all the same."""
    rng = np.random.default_rng(21)
    names = [f"f{i}" for i in range(12)]
    study = doe.Study("wide", [doe.Continuous(n, -1, 1) for n in names], [doe.Response("y")])
    X = rng.uniform(-1, 1, (120, 12))
    y = 3 * X[:, 0] - 2 * X[:, 1] + 2 * X[:, 0] * X[:, 1] + 2 * X[:, 2] ** 2 + 2 * X[:, 2] + rng.normal(0, 0.2, 120)
    small = doe.fit(study, pd.DataFrame(X, columns=names).assign(y=y), "y").reduced(by="bic")
    assert {"f0", "f1", "f0:f1", "f2", "f2^2"} <= set(small.model.terms)
    assert small.model.p < 15


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"by": "r2"}, 'reduced: by is \'r2\' but must be "aicc", "bic" or "p": choose one of the three.'),
        (
            {"heredity": "full"},
            'reduced: heredity is \'full\' but must be "strong", "weak" or "none": choose one of the three.',
        ),
        ({"alpha": 0.1}, 'reduced: alpha is 0.1 but must be left out with by="aicc": it goes with by="p".'),
        ({"by": "p", "alpha": 5}, "reduced: alpha is 5 but must be between 0 and 1: write 0.05."),
    ],
)
def test_refusals(gel, gel_data, given, sentence):
    with pytest.raises(StudyError) as error:
        doe.fit(gel, gel_data, "viscosity").reduced(**given)
    assert str(error.value) == sentence


def test_a_saturated_fit_is_not_reduced(gel, gel_data):
    fit = doe.fit(gel, gel_data.iloc[[0, 1, 2, 4]], "viscosity", "linear")
    with pytest.raises(StudyError) as error:
        fit.reduced()
    assert str(error.value) == (
        "reduced: residual degrees of freedom is 0 but must be at least 1: fit a smaller model first, or add runs."
    )


def test_every_interval_after_a_selection_says_what_it_no_longer_means():
    rng = np.random.default_rng(4)
    study = doe.Study("g", [doe.Continuous(c, -1, 1) for c in "abc"], [doe.Response("y")])
    runs = doe.designs.central_composite(study, centre=4).runs
    y = 5 - 2 * (runs["a"] - 0.2) ** 2 - 2 * runs["b"] ** 2 + runs["a"] + 0.2 * rng.normal(size=len(runs))
    fit = doe.fit(study, runs.assign(y=y), "y", "quadratic")
    chosen, warned = fit.reduced(), "The terms were chosen from these same readings"
    for shown in (
        lambda f: str(f.surface()),
        lambda f: f.surface().direction().note,
        lambda f: f.surface().ridge([0.5, 1.0]).note,
        lambda f: f.surface().ascent(0.2).note,
        lambda f: str(f.surface().whereabouts()),
        lambda f: str(f.robust()),
        lambda f: str(f.drivers()),
    ):
        assert warned in shown(chosen)
        assert warned not in shown(fit)
    assert "leaves 0 out in one trial of 40" in str(fit.drivers())
    assert "leaves 0 out in one trial of 40" not in str(chosen.drivers())
