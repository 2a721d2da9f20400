"""The trial: what is typed becomes the study, what is wrong is said in its cell, and nothing typed is lost."""

import pytest

import doe
from doe.panels import trial_panel
from doe.panels.trial_rows import factor_of, response_of, row_of_factor, row_of_response

from .conftest import text_of

CARBOMER = {"name": "carbomer", "down": "water", "unit": "%", "low": "0,20", "high": "0.5", "held": "0.01"}
SPEED = {"name": "speed", "down": "setting", "unit": "rpm", "low": "200", "high": "600", "step": "10"}
VISCOSITY = {"name": "viscosity", "unit": "mPa·s", "low": "10000", "scale": "log"}


def typed(factors=(), responses=(), name="gel", constraints=""):
    panel = trial_panel()
    panel.name.value = name
    panel.constraints.value = constraints
    for table, lines in ((panel.factors, factors), (panel.responses, responses)):
        for line in lines:
            table.write([(table.rows[-1]["key"], column, text) for column, text in line.items()])
    return panel


def marks(table):
    """(row number, column) -> sentence."""
    numbers = {r["key"]: i for i, r in enumerate(table.rows, 1)}
    return {(numbers[row], column): text for row, own in table.marks.items() for column, text in own.items()}


def test_what_is_typed_is_the_study():
    panel = typed([CARBOMER, SPEED], [VISCOSITY], constraints="carbomer <= 0.45")
    study = panel.desk.study
    assert study.factors == (
        doe.Continuous("carbomer", 0.2, 0.5, "%", setting_sd=0.005),
        doe.Continuous("speed", 200, 600, "rpm", step=10),
    )
    assert study.responses == (doe.Response("viscosity", "mPa·s", low=10000, transform="log"),)
    assert study.constraints == ("carbomer <= 0.45",)
    assert text_of(panel.summary.value) == (
        "A whole trial: 2 factors; 1 response, 1 reading a batch."
        "carbomer can only run from 0.2 to 0.45 %: the other limits never let it go from 0.2 to 0.5."
    )


def test_the_standard_deviation_is_half_of_nearly_always_and_is_shown():
    panel = typed([CARBOMER])
    assert panel.factors.lines[0][1]["sd"] == "0.005"


@pytest.mark.parametrize(
    ("row", "column", "sentence"),
    [
        ({**CARBOMER, "low": "abc"}, "low", "factor 'carbomer': low is 'abc' but must be a number in %: type the number."),
        ({**CARBOMER, "low": "0.7"}, "low", "factor 'carbomer': low is 0.7 but must be below high (0.5 %): swap the two or widen the range."),
        ({**CARBOMER, "held": "-1"}, "held", "factor 'carbomer': ±, nearly always within is '-1' but must be 0 or above: say how far off the setting may be, 19 times in 20."),
        ({**CARBOMER, "least": "0.3"}, "least", "factor 'carbomer': never below is 0.3 but must be no higher than low (0.2): raise low or lower the limit."),
        ({**CARBOMER, "most": "0.3"}, "most", "factor 'carbomer': never above is 0.3 but must be no lower than high (0.5): lower high or raise the limit."),
        ({**CARBOMER, "step": "5"}, "step", "factor 'carbomer': smallest step is 5.0 but must be no more than the range (0.3 %): give the smallest change the bench can set."),
        ({**CARBOMER, "name": "batch"}, "name", "factor: name is 'batch' but must be another word than the columns run, order, block, whole_plot, replicate, batch, readings, remark, time, condition, response, value: say more exactly what it is."),
        ({**CARBOMER, "name": ""}, "name", "factor: name is '' but must be a text of at least one letter: give it the name the laboratory uses."),
        ({**CARBOMER, "high": "", "levels": "1; 2"}, "low", "factor 'carbomer': low is '0,20' but must be left out for a factor of which only some levels can be set: clear the cell."),
        ({"name": "rpm", "levels": "400"}, "levels", "factor 'rpm': only these can be set is '400' but must be at least two levels, all different: add a level or leave the factor out."),
        ({"name": "stirrer", "levels": "anchor; propeller", "held": "1"}, "held", "factor 'stirrer': ±, nearly always within is '1' but must be left out for a factor of kinds, not amounts: clear the cell."),
        ({"name": "oil", "down": "blend", "unit": "%", "low": "1", "high": "5", "most": "9"}, "most", "factor 'oil': never above is '9' but must be left out for a part of a blend, whose own range is its limit: clear the cell."),
        ({"name": "oil", "down": "blend", "unit": "%", "low": "1", "high": "5", "least": "0"}, "least", "factor 'oil': never below is '0' but must be left out for a part of a blend, whose own range is its limit: clear the cell."),
        ({"name": "room", "down": "measured", "hard": "yes"}, "hard", "factor 'room': hard to change is 'yes' but must be left out for something that is measured, not set: clear the cell."),
    ],
)  # fmt: skip
def test_a_bad_cell_of_a_factor_is_said_under_its_row(row, column, sentence):
    panel = typed([SPEED, row], [VISCOSITY])
    assert marks(panel.factors) == {(2, column): sentence}
    # what was typed stays as typed, and the study is the last sound one (here the speed alone)
    assert {k: v for k, v in panel.factors.lines[1][1].items() if k != "sd" and v} == {
        k: v for k, v in row.items() if v
    }
    assert (
        panel.desk.recalled("trial", "factors")[1]["name" if row["name"] else "low"] == row["name"] or not row["name"]
    )


@pytest.mark.parametrize(
    ("row", "column", "sentence"),
    [
        ({**VISCOSITY, "high": "9000"}, "low", "response 'viscosity': at least is 10000.0 but must be below “at most” (9000): swap the two or widen the specification."),
        ({**VISCOSITY, "high": "-1", "low": ""}, "high", "response 'viscosity': at most is -1.0 but must be above 0, the least its scale reaches: raise the limit or change the transform."),
        ({**VISCOSITY, "decimals": "1.5"}, "decimals", "response 'viscosity': decimals is 1.5 but must be a whole number from 0 to 12: say how many decimals to show."),
        ({**VISCOSITY, "goal": "big"}, "goal", "response 'viscosity': goal is 'big' but must be \"high\", \"low\" or a target value: say which is best."),
        ({**VISCOSITY, "ends": "0; 100"}, "ends", "response 'viscosity': ends, or power is '0; 100' but must be left blank for this scale: clear the cell."),
        ({"name": "look", "scale": "score", "ends": "5; 1"}, "ends", "response 'look': ends, or power is '5; 1' but must be two whole scores, the lower first: write 1; 5."),
        ({**VISCOSITY, "times": "soon"}, "times", None),
        ({**VISCOSITY, "low": "24 h: 9000; 8000"}, "low", "response 'viscosity': at least is '8000' but must be an occasion, a colon and its limit: write 24 h: 9000; 4 wk: 8000."),
        ({"name": "ratio", "formula": "nothing / speed"}, "formula", None),
    ],
)  # fmt: skip
def test_a_bad_cell_of_a_response_is_said_under_its_row(row, column, sentence):
    panel = typed([SPEED], [row])
    ((place, said),) = marks(panel.responses).items()
    assert place == (1, column)
    if sentence is not None:
        assert said == sentence
    assert panel.desk.study is None or not panel.desk.study.responses


def test_five_bad_cells_are_five_sentences():
    panel = typed([{**CARBOMER, "low": "x"}, {**SPEED, "high": "y"}], [{**VISCOSITY, "low": "z"}])
    assert len(marks(panel.factors)) == 2
    assert len(marks(panel.responses)) == 1
    assert text_of(panel.summary.value) == "Not a whole trial yet: see what is marked above."


@pytest.mark.parametrize(
    ("row", "columns"),
    [
        ({**CARBOMER, "low": "abc", "step": "-1", "held": "x", "least": "y"}, {"low", "step", "held", "least"}),
        ({**CARBOMER, "low": "0.7", "step": "-1", "most": "0.3"}, {"low", "step", "most"}),
        ({**CARBOMER, "low": "abc", "high": "abd", "least": "0.1", "most": "0.9"}, {"low", "high"}),
        ({**CARBOMER, "low": "abc", "step": "0.01", "most": "0.9", "held": "0.01"}, {"low"}),  # nothing else seems wrong for its sake
        ({**CARBOMER, "name": "batch", "step": "9"}, {"name", "step"}),
        ({**CARBOMER, "levels": "1; 2", "step": "0.1"}, {"low", "high", "step"}),
        ({"name": "stirrer", "levels": "anchor; anchor", "held": "1"}, {"held", "levels"}),
        ({"name": "oil", "down": "blend", "unit": "%", "low": "-5", "high": "x", "step": "0"}, {"low", "high", "step"}),
        ({"name": "room", "down": "measured", "low": "25", "high": "18", "step": "1", "hard": "yes"}, {"low", "step", "hard"}),
    ],
)  # fmt: skip
def test_every_fault_of_a_row_is_marked_at_once(row, columns):
    panel = typed([SPEED, row], [VISCOSITY])
    assert {column for _, column in marks(panel.factors)} == columns
    assert all("unnamed" not in said and "1e+09" not in said for said in marks(panel.factors).values())


def test_faults_of_a_row_that_is_still_being_typed_are_marked():
    panel = typed([SPEED, {"name": "carbomer", "unit": "%", "step": "-1"}], [VISCOSITY])
    assert marks(panel.factors) == {
        (
            2,
            "step",
        ): "factor 'carbomer': smallest step is -1.0 but must be above 0: give the smallest change the bench can set, or leave it out."
    }
    assert text_of(panel.summary.value).startswith(
        "Not a whole trial yet. Still to be filled in:factor 'carbomer': low"
    )


def test_every_fault_of_a_response_is_marked_at_once():
    panel = typed(
        [SPEED], [{"name": "look", "scale": "score", "ends": "5; 1", "low": "x", "goal": "big", "decimals": "1.5"}]
    )
    assert {column for _, column in marks(panel.responses)} == {"ends", "low", "goal", "decimals"}
    panel = typed([SPEED], [{**VISCOSITY, "times": "24 h; soon", "low": "24 h: 9000; 4 wk: 8000"}])
    assert {column for _, column in marks(panel.responses)} == {"times"}


def test_a_name_used_twice_is_marked_where_it_stands():
    panel = typed([CARBOMER, SPEED], [{"name": "speed"}])
    assert marks(panel.responses) == {
        (1, "name"): "study: name is 'speed' but must be used once among factors and responses: rename one of the two."
    }


def test_a_bad_constraint_is_said_beside_the_constraints():
    panel = typed([CARBOMER, SPEED], constraints="carbomr <= 0.4")
    said = text_of(panel.constraints.wrong.value)
    assert "carbomr" in said
    assert "did you mean 'carbomer'?" in said
    panel.constraints.value = "carbomer <= 0.4"
    assert panel.constraints.wrong.value == ""
    assert panel.desk.study.constraints == ("carbomer <= 0.4",)


def test_a_region_that_constraints_leave_empty_is_said_beside_them():
    panel = typed([CARBOMER, SPEED], constraints="carbomer <= 0.1")
    assert "carbomer <= 0.1" in text_of(panel.constraints.wrong.value)


def test_what_goes_down_tells_small_amounts_from_parts_of_a_blend():
    oil = {"name": "oil", "down": "blend", "unit": "%", "low": "20", "high": "60"}
    wax = {"name": "wax", "down": "blend", "unit": "%", "low": "40", "high": "80"}
    panel = typed([CARBOMER, oil])
    assert "one of at least two components" in text_of(panel.message.value)
    panel.factors.write([(panel.factors.rows[-1]["key"], k, v) for k, v in wax.items()])
    assert [type(f) for f in panel.desk.study.factors] == [doe.Continuous, doe.Component, doe.Component]
    assert panel.blend.layout.display == ""
    panel.balance.value = "wax"
    panel.total.value = "100"
    assert panel.desk.study.balance == "wax"
    panel.total.value = "a lot"
    assert text_of(panel.total.wrong.value) == "the blend adds up to is 'a lot' but must be a number: type the number."


@pytest.mark.parametrize(
    "factor",
    [
        doe.Continuous("a", 0.1, 0.7, "%", step=0.01, limits=(0, None), setting_sd=0.0015, hard_to_change=True),
        doe.Continuous("b", -3, 1e6, "rpm", limits=(None, 2e6)),
        doe.Discrete("c", [400, 600.5], "rpm", setting_sd=2),
        doe.Categorical("d", ["anchor", "propeller"], hard_to_change=True),
        doe.Categorical("e", ["1", "2"]),
        doe.Component("f", 0.1, 7, "g", step=0.1, setting_sd=0.05),
        doe.Covariate("g", "°C", 21.3, 1.7),
        doe.Covariate("h"),
    ],
    ids=lambda f: f.name,
)
def test_a_row_says_all_of_a_factor(factor):
    assert factor_of(row_of_factor(factor)) == factor


@pytest.mark.parametrize(
    "response",
    [
        doe.Response("a", "mPa·s", low=1.5, transform="log", decimals=0, goal=3.5),
        doe.Response("b", low=1, high=5, scale=(1, 5), goal="high"),
        doe.Response("c", "%", transform=("logit", 0, 100)),
        doe.Response("d", transform=("box-cox", -0.5)),
        doe.Response("e", "mPa·s", low={("24 h", "25 °C"): 9000, ("4 wk", "40 °C"): 8000}, times=["24 h", "4 wk"], conditions=["25 °C", "40 °C"]),
        doe.Response("f", low={"24 h": 1, "4 wk": 2}, high=9, times=["24 h", "4 wk"]),
        doe.Response("g", formula="a / c"),
    ],
    ids=lambda r: r.name,
)  # fmt: skip
def test_a_row_says_all_of_a_response(response):
    assert response_of(row_of_response(response)) == response


def test_a_study_set_in_code_is_shown_and_stays_itself(gel):
    bench = gel[0]
    panel = trial_panel()
    panel.desk.study = bench.study
    assert [own["name"] for _, own in panel.factors.lines] == bench.study.names
    panel.notes.value = bench.study.notes + " "
    assert panel.desk.study.factors == bench.study.factors
    assert panel.desk.study.responses == bench.study.responses


def test_markup_in_a_name_stays_text():
    panel = typed([{**CARBOMER, "name": "<script>alert(1)</script>"}, {**SPEED, "low": "900"}], [VISCOSITY])
    assert panel.factors.lines[0][1]["name"] == "<script>alert(1)</script>"
    panel = typed([{**CARBOMER, "name": "<script>"}, SPEED], constraints="`<script>` <= 0.4")
    assert panel.desk.study.names[0] == "<script>"
    assert "<script>" not in panel.summary.value
    assert "&lt;script&gt;" in panel.summary.value
    panel.constraints.value = "`<script>` <= oops"
    assert "<script>" not in panel.constraints.wrong.value


def test_the_invented_example_says_that_it_is():
    panel = trial_panel()
    panel._example()
    assert panel.desk.study == doe.virtual.AfterSunGel().study
    assert (
        text_of(panel.message.value)
        == "The example is invented: no such product exists, and nothing in it was measured."
    )


@pytest.mark.parametrize(
    ("factors", "responses", "sentence"),
    [
        ([{**CARBOMER, "low": ""}], [], "factor 'carbomer': low is 'blank' but must be a number in %: type it, or give the levels that can be set."),
        ([{"name": "room", "down": "measured", "unit": "°C", "low": "18"}], [], "factor 'room': high is 'blank' but must be given where the other is: give both, or neither."),
        ([SPEED], [{"name": "stability", "scale": "logit"}], "response 'stability': ends, or power is 'blank' but must be two numbers with a semicolon between: write 0; 100."),
    ],
)  # fmt: skip
def test_what_is_still_being_typed_is_asked_for_quietly(factors, responses, sentence):
    panel = typed(factors, responses)
    assert text_of(panel.summary.value) == "Not a whole trial yet. Still to be filled in:" + sentence
    assert not panel.factors.marks
    assert not panel.responses.marks
