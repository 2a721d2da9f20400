"""How many grams and jars of a batch its readings take, counted by hand."""

import pytest

from doe.bench import needs
from doe.study import Continuous, Response, Study


@pytest.fixture
def stored():
    """Viscosity at two times under two conditions, pH at the later time only, droplets once."""
    return Study(
        "stored gel (invented)",
        [Continuous("polymer", 0.2, 0.6, "%")],
        [
            Response("viscosity", "mPa·s", times=["24 h", "4 wk"], conditions=["25 °C", "40 °C"]),
            Response("pH", times=["4 wk"], conditions=["25 °C", "40 °C"]),
            Response("droplets", "µm"),
        ],
    )


def test_counted_by_hand(stored):
    """Jars of 50 g: 40 g of viscosity fill one at each of four occasions; 2 × 10 g of pH do not fit into its rest of 10 g, so the later
    occasions open two; droplets one. 7 jars, 350 g; 2 % left in the beaker: 357.14 g.
    """
    found = needs(
        stored, {"viscosity": 40, "pH": 10, "droplets": 1}, 50, {"viscosity": 1, "pH": 2, "droplets": 1}, losses=2
    )
    table = found.table.set_index(["time", "condition"])
    assert table["jars"].to_dict() == {
        ("", ""): 1,
        ("24 h", "25 °C"): 1,
        ("24 h", "40 °C"): 1,
        ("4 wk", "25 °C"): 2,
        ("4 wk", "40 °C"): 2,
    }
    assert table.loc[("4 wk", "40 °C"), "grams"] == 60
    assert table.loc[("4 wk", "40 °C"), "readings"] == "viscosity, pH × 2"
    assert found.jars == 7
    assert found.grams == pytest.approx(350 / 0.98)
    assert found.sentence == (
        "Each batch fills 7 jars of 50 g, one set for each time and condition: with 2 % left in the beaker, 357.2 g or more."
    )
    assert found.counts()["4 wk", "40 °C"] == 2
    assert sum(found.counts().values()) == 7


def test_a_sample_larger_than_a_jar_takes_several_and_one_that_uses_nothing_still_a_jar(stored):
    assert needs(stored, {"viscosity": 120, "pH": 0, "droplets": 0}, 50).table["jars"].tolist() == [1, 3, 3, 3, 3]
    assert needs(stored, 25, 50).jars == 1 + 4  # 25 g of viscosity and 25 g of pH share a jar


def test_a_batch_too_small_is_said(stored, sentence_of):
    found = needs(stored, 25, 50)
    found.check(250)
    assert found.short(250) is None
    assert sentence_of(lambda: found.check(249)) == (
        "batch_size is 249.0 but must be 250 g or more, as 5 jars of 50 g are read: make larger batches, take smaller jars, or read less "
        "often."
    )
    assert "5 jars of 50 g" in repr(found)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"study": None}, "study is None but must be a doe.Study: give the study of the plan."),
        (
            {"grams": {"viscosity": 40, "pH": 5}},
            "grams for 'droplets' is 'missing' but must be given: name every response, 0 g where none is used.",
        ),
        ({"grams": {"pHh": 5}}, "grams is 'pHh' but must be a response of the study: did you mean 'pH'?"),
        ({"grams": -1}, "grams for 'viscosity' is -1.0 but must be 0 or above: correct the figure."),
        (
            {"readings": 0},
            "readings of 'viscosity' is 0 but must be a whole number from 1 to 1000: say how often it is read.",
        ),
        ({"jar": 0}, "jar is 0.0 but must be above 0 g: give what a jar is filled with."),
        (
            {"losses": 100},
            "losses is 100.0 but must be from 0 to below 100 %: give what of the batch stays in the beaker.",
        ),
    ],
)
def test_bad_input_in_one_sentence(change, sentence, stored, sentence_of):
    given = {"study": stored, "grams": 25, "jar": 50} | change
    found = sentence_of(lambda: needs(**given))
    assert found == sentence.replace("study is None", "study is 'NoneType'")
