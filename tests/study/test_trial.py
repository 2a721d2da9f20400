"""The study: coding, models, tables of settings, keeping."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import doe
from doe import StudyError


@pytest.fixture
def gel():
    return doe.Study(
        "gel",
        [
            doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01),
            doe.Continuous("stirrer speed", 400, 1000, "rpm"),
            doe.Categorical("impeller", ["anchor", "propeller", "turbine"]),
            doe.Discrete("minutes", [10, 20, 40], "min"),
        ],
        [doe.Response("viscosity", "mPa·s", low=8000, high=20000, transform="log")],
    )


@pytest.fixture
def blend():
    return doe.Study(
        "blend",
        [
            doe.Component("x1", 0, 100),
            doe.Component("x2", 0, 100),
            doe.Component("x3", 0, 100),
            doe.Continuous("z", 0, 1),
            doe.Continuous("w", 0, 1),
        ],
        balance="x3",
    )


def settings(**columns):
    return pd.DataFrame(columns)


def test_encoding_by_hand(gel):
    df = settings(
        **{"polymer": [0.2, 0.5], "stirrer speed": [700, 1000], "impeller": ["anchor", "turbine"], "minutes": [10, 20]}
    )
    assert gel.variables == ("polymer", "stirrer speed", "impeller[anchor]", "impeller[propeller]", "minutes")
    np.testing.assert_allclose(gel.encode(df), [[-1, 0, 1, 0, -1], [0.5, 1, -1, -1, -1 / 3]], atol=1e-14)
    X = gel.model(["1", "impeller", "polymer:impeller", "minutes^2"], hierarchy=False).matrix(df)
    np.testing.assert_allclose(X, [[1, 1, 0, -1, 0, 1], [1, -1, -1, -0.5, -0.5, 1 / 9]], atol=1e-14)


@given(st.lists(st.tuples(st.floats(-3, 3), st.floats(-3, 3)), min_size=1, max_size=8))
def test_coded_natural_coded_is_the_identity(rows):
    study = doe.Study("s", [doe.Continuous("a", 0.3, 0.7), doe.Continuous("b", -5, 1000)])
    coded = pd.DataFrame(rows, columns=["a", "b"])
    np.testing.assert_allclose(study.coded(study.natural(coded)), coded, atol=1e-9)


def test_corners_are_the_users_own_numbers(gel):
    coded = settings(
        **{
            "polymer": [-1.0, 1.0],
            "stirrer speed": [1.0, -1.0],
            "impeller": ["anchor", "turbine"],
            "minutes": [-1.0, 1.0],
        }
    )
    back = gel.natural(coded)
    assert back["polymer"].tolist() == [0.2, 0.6]
    assert back["stirrer speed"].tolist() == [1000.0, 400.0]


def test_named_models_of_process_factors(gel):
    assert gel.model("linear").terms == ("1", "polymer", "`stirrer speed`", "impeller", "minutes")
    assert gel.model("quadratic").terms[-3:] == ("polymer^2", "`stirrer speed`^2", "minutes^2")
    assert gel.model("quadratic").p == 1 + 5 + (1 + 2 + 1 + 2 + 1 + 2) + 3
    cubic = gel.model("cubic").terms
    assert "polymer:`stirrer speed`:impeller" in cubic
    assert "polymer^3" in cubic
    assert "minutes^3" not in cubic  # three levels cannot carry a cube


def test_named_models_of_mixtures(blend):
    """Term counts of the Scheffé polynomials in q = 3: 3, 6, 7, 10 (Scheffé 1958, JRSS B 20, 344-360)."""
    pure = doe.Study("m", blend.components)
    assert [pure.model(m).p for m in ("linear", "quadratic", "special cubic", "cubic")] == [3, 6, 7, 10]
    assert pure.model("quadratic").has_constant
    assert not pure.model(["x1", "x2"]).has_constant
    # Kowalski, Cornell & Vining (2000): blends, blend pairs, x:z, z:w, z^2
    combined = blend.model("quadratic").terms
    assert combined == (
        "x1",
        "x2",
        "x3",
        "x1:x2",
        "x1:x3",
        "x2:x3",
        "x1:z",
        "x1:w",
        "x2:z",
        "x2:w",
        "x3:z",
        "x3:w",
        "z:w",
        "z^2",
        "w^2",
    )
    assert blend.model("crossed").p == 6 * 4
    assert blend.model("linear").terms == ("x1", "x2", "x3", "z", "w")


def test_the_cubic_spans_scheffes_cubic():
    """x_i^2 x_j stands for x_i x_j (x_i - x_j): same column space on the simplex (Scheffé 1958)."""
    pure = doe.Study("m", [doe.Component(n, 0, 1, "") for n in "abc"], mixture_total=1)
    points = pd.DataFrame(np.random.default_rng(1).dirichlet([1, 1, 1], 40), columns=list("abc"))
    X = pure.model("cubic").matrix(points)
    a, b, c = points.to_numpy().T
    scheffe = np.column_stack(
        [a, b, c, a * b, a * c, b * c, a * b * (a - b), a * c * (a - c), b * c * (b - c), a * b * c]
    )
    residual = scheffe - X @ np.linalg.lstsq(X, scheffe, rcond=None)[0]
    assert np.linalg.matrix_rank(X) == 10
    assert np.abs(residual).max() < 1e-10


def test_hierarchy_adds_and_lists_parents(gel, blend):
    model = gel.model(["polymer:`stirrer speed`^2"])
    assert set(model.added) == {"polymer", "`stirrer speed`", "`stirrer speed`^2", "polymer:`stirrer speed`"}
    assert gel.model(["polymer:impeller"], hierarchy=False).terms == ("1", "polymer:impeller")
    assert blend.model(["x1", "x2", "x3", "x1:z"]).added == ()  # the parents of x:z are the blends alone
    assert blend.model(["x1", "x2", "x3", "z^2"]).added == ("z",)
    assert blend.model(["x1", "x2", "x3", "x1:z", "x2:z", "x3:z", "z^2"]).added == ()  # z is the sum of x:z


def test_the_constant_in_a_list(gel, blend):
    assert gel.model(["polymer"]).terms == ("1", "polymer")
    assert gel.model(["0", "polymer"]).terms == ("polymer",)
    assert gel.model(["minutes:polymer"], hierarchy=False).terms == ("1", "polymer:minutes")  # in the study's order
    assert gel.model(["polymer:polymer"]).terms == ("1", "polymer", "polymer^2")
    assert blend.model(["x1", "x2", "x3"]).terms == ("x1", "x2", "x3")


def test_a_subset_keeps_the_order(gel):
    assert gel.model("quadratic").subset(["polymer^2", "1", "polymer"]).terms == ("1", "polymer", "polymer^2")


@pytest.mark.parametrize(
    ("spec", "sentence"),
    [
        (
            "kubic",
            "model is 'kubic' but must be one of linear, interaction, quadratic, special cubic, cubic, crossed, or a list of terms: "
            'terms of your own go in a list: ["A", "B", "A:B"].',
        ),
        (
            ["polymmer"],
            "model: term 'polymmer' is 'polymmer' but must be a factor of the study: did you mean 'polymer'?",
        ),
        (
            ["polymer*minutes"],
            'model: term \'polymer*minutes\' is \'*\' but must be names joined by ":" with whole powers, such as "A:B" or "A^2:B": '
            'join the names by ":" and list parents as terms of their own.',
        ),
        (
            ["polymer^1.5"],
            'model: term \'polymer^1.5\' is \'.\' but must be names joined by ":" with whole powers, such as "A:B" or "A^2:B": '
            'join the names by ":" and list parents as terms of their own.',
        ),
        (
            ["impeller^2"],
            "model: term 'impeller^2' is 'impeller^2' but must be the first power of a categorical factor: write 'impeller' without a power.",
        ),
        (
            ["minutes^3"],
            "model: term 'minutes^3' is 'minutes^3' but must be at most power 2 of a factor with 3 levels: lower the power.",
        ),
        (
            "special cubic",
            "model is 'special cubic' but must be a model for these factors, and special cubic is a mixture model: it needs components: "
            "choose another of linear, interaction, quadratic, special cubic, cubic, crossed or list the terms.",
        ),
        (["0"], "model is ['0'] but must be a list of at least one term: write [\"1\"] for the mean alone."),
    ],
)
def test_bad_models(gel, spec, sentence):
    with pytest.raises(StudyError) as caught:
        gel.model(spec)
    assert str(caught.value) == sentence


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            {"minutes": ["10", "ten"]},
            "the table, row 1, column 'minutes' is 'ten' but must be a number in min: correct the cell.",
        ),
        (
            {"minutes": [10, None]},
            "the table, row 1, column 'minutes' is 'blank' but must be a number in min: fill in the setting.",
        ),
        (
            {"impeller": ["anchor", "propellor"]},
            "the table, row 1, column 'impeller' is 'propellor' but must be one of anchor, propeller, turbine: "
            "did you mean 'propeller'?",
        ),
    ],
)
def test_bad_cells(gel, change, sentence):
    good = {"polymer": [0.2, 0.5], "stirrer speed": [700, 1000], "impeller": ["anchor", "turbine"], "minutes": [10, 20]}
    assert list(gel.frame(settings(**good)).columns) == gel.names
    with pytest.raises(StudyError) as caught:
        gel.encode(settings(**(good | change)))
    assert str(caught.value) == sentence


def test_a_missing_column(gel):
    with pytest.raises(StudyError) as caught:
        gel.frame(settings(polymer=[0.2], speed=[700]))
    assert str(caught.value) == (
        "the table: column 'stirrer speed' is 'missing' but must be there, one for every factor: "
        "add it, or rename the column meant by it among ['polymer', 'speed']."
    )


def test_components_add_up(blend):
    full = blend.frame(settings(x1=[10.0], x2=[20.0], z=[0], w=[1]))
    assert full["x3"].tolist() == [70.0]  # the balance takes up the rest
    blend.frame(settings(x1=[33.3], x2=[33.3], x3=[33.3], z=[0], w=[1]))  # thirds as printed
    with pytest.raises(StudyError) as caught:
        blend.frame(settings(x1=[10], x2=[20], x3=[30], z=[0], w=[1]))
    assert (
        str(caught.value)
        == "the table, row 0: x1 + x2 + x3 is 60.0 but must be 100 %: correct the amounts so that they add up."
    )


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: doe.Study("s", []), "study: factors is [] but must be at least one factor: say what will be varied."),
        (
            lambda: doe.Study(" ", [doe.Continuous("a", 0, 1)]),
            "study: name is ' ' but must be a text of at least one letter: say what the trial is called.",
        ),
        (
            lambda: doe.Study("s", [doe.Continuous("a", 0, 1), doe.Continuous("a", 0, 2)]),
            "study: name is 'a' but must be used once among factors and responses: rename one of the two.",
        ),
        (
            lambda: doe.Study("s", [doe.Continuous("a", 0, 1)], constraints="a <= 1"),
            "study: constraints is 'a <= 1' but must be a list, each entry a constraint as text: put it in square brackets.",
        ),
        (
            lambda: doe.Study("s", [doe.Component("a", 0, 1)]),
            "study: factors is 'a' but must be one of at least two components: add what it trades against, or make it Continuous if water simply makes up the batch.",
        ),
        (
            lambda: doe.Study("s", [doe.Continuous("a", 0, 1)], mixture_total=1),
            "study: mixture_total is 1 but must be left out when there are no components: leave it out, or make the parts Component.",
        ),
        (
            lambda: doe.Study("s", [doe.Component("oil", 0, 100), doe.Component("water", 0, 100)], balance="watr"),
            "study: balance is 'watr' but must be the name of a component: did you mean 'water'?",
        ),
    ],
)
def test_bad_studies(make, sentence):
    with pytest.raises(StudyError) as caught:
        make()
    assert str(caught.value) == sentence


def test_save_and_load(gel, blend, tmp_path):
    for study in (gel, blend):
        path = study.save(tmp_path / "study.json")
        again = doe.Study.load(path)
        assert again == study
        assert again.fingerprint == study.fingerprint
    assert gel.fingerprint != blend.fingerprint
    assert not list(tmp_path.glob(".*"))  # no half-written file is left behind


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (
            lambda c: c | {"schema": 99},
            "schema is 99 but must be 1 or lower: it was saved by a newer version: update the package and load it again.",
        ),
        (lambda c: c | {"kind": "plan"}, " is 'plan' but must be of kind 'study': choose a file saved as a study."),
        (lambda c: c | {"factorz": []}, " is 'factorz' but must be a field of a study: did you mean 'factors'?"),
        (
            lambda c: {k: v for k, v in c.items() if k != "factors"},
            " is \"without 'factors'\" but must be a study with its factors: add 'factors'.",
        ),
        (
            lambda c: c | {"factors": [{"kind": "fluid", "name": "a"}]},
            ": factor 1: kind is 'fluid' but must be one of continuous, discrete, categorical, component, covariate: "
            "say which kind of factor it is.",
        ),
        (
            lambda c: c | {"factors": [{"kind": "continuous", "name": "a", "lo": 1}]},
            ": factor 1 is 'lo' but must be a field of a Continuous: did you mean 'low'?",
        ),
    ],
)
def test_spoilt_files(gel, tmp_path, spoil, sentence):
    path = gel.save(tmp_path / "study.json")
    path.write_text(json.dumps(spoil(json.loads(path.read_text()))))
    with pytest.raises(StudyError) as caught:
        doe.Study.load(path)
    assert str(caught.value).endswith(sentence)
    assert str(path) in str(caught.value)


def test_a_truncated_file(gel, tmp_path):
    path = gel.save(tmp_path / "study.json")
    path.write_text(path.read_text()[:200])
    with pytest.raises(
        StudyError, match="whole JSON: it may have been cut short: take the last good copy, or mend it there"
    ):
        doe.Study.load(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(StudyError, match="a UTF-8 text file in JSON"):
        doe.Study.load(path)
    with pytest.raises(StudyError, match="a file that exists: check the path"):
        doe.Study.load(tmp_path / "other.json")


def test_text_and_html_say_the_same(gel):
    text, html = repr(gel), gel._repr_html_()
    for word in ("viscosity", "8000 to 20000 mPa·s", "ln viscosity", "0.2 to 0.6, step 0.01"):
        assert word in text
        assert word in html
    nasty = doe.Study("<script>", [doe.Continuous("<b>", 0, 1)])
    assert "<script>" in repr(nasty)
    assert "<script>" not in nasty._repr_html_()
    assert "&lt;script&gt;" in nasty._repr_html_()


def test_how_well_a_setting_is_held_is_shown_as_the_one_sd_it_is_with_its_unit():
    study = doe.Study(
        "gel", [doe.Continuous("carbomer", 0.2, 0.6, "%", setting_sd=0.004), doe.Categorical("stirrer", ["a", "b"])]
    )
    rows = study._sections()[0].table.set_index("factor")["setting error (SD)"]
    assert rows.to_dict() == {"carbomer": "0.004 %", "stirrer": ""}
