"""Random sheets with random damage: every damaged cell is reported, every other reading comes back bit for bit."""

import datetime
import math
from functools import cache

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.bench import read_sheet, write_sheet
from doe.bench.columns import reading_head
from doe.bench.layout import FINGERPRINT
from doe.designs import Plan
from doe.study import Categorical, Continuous, Covariate, Response, Study

RESPONSES = {
    "log": Response("viscosity", "mPa·s", transform="log", times=("24 h", "4 wk"), conditions=("25 °C", "40 °C")),
    "plain": Response("redox potential", "mV"),
    "acid": Response("pH"),
    "share": Response("held", "%", transform=("logit", 0, 100), times=("1 d",)),
    "score": Response("feel", scale=(1, 5), times=("24 h", "12 wk")),
}
# what nobody can take as it stands, by the kind of response it is wrong for
BAD = {
    "log": [-3, "<-3", "-0,5"],
    "plain": [],
    "acid": [590, "59.0", -1, ">15", "14.01"],
    "share": [120, "101 %", -1],
    "score": [0, 6, 2.5, ">3", "2..3"],
}
NO_NUMBER = ["about 6", "1.234,567,8", True, "#REF!", "=A1+1", datetime.datetime(2026, 5, 6), "6 or 7", "0x10", "∞"]


@cache
def trial(kinds, runs):
    """A plan of so many runs in which these kinds of response are read."""
    study = Study(
        "random",
        [Continuous("polymer", 0, 1, "%"), Categorical("vessel", ["round", "square"]), Covariate("room", "°C")],
        [RESPONSES[k] for k in kinds],
    )
    vessels = (["round", "square"] * runs)[:runs]
    settings_of = pd.DataFrame({"polymer": [(i + 1) / (runs + 3) for i in range(runs)], "vessel": vessels})
    return Plan.from_frame(study, settings_of)


@st.composite
def readings_of(draw, kind):
    """What is typed into a cell, and the (value, lower, upper) it means."""
    if kind == "score":
        number = draw(st.integers(1, 5))
        return draw(st.sampled_from([number, float(number), str(number)])), (number,) * 3
    top = {"share": 100.0, "acid": 14.0}.get(kind, 1e7)
    number = float(f"{draw(st.floats(1e-6, top)):.15g}")  # a workbook holds 15 digits of a number
    exact = (number,) * 3
    text = repr(number)
    way = draw(st.sampled_from(["number", "text", "comma", "below", "above", "range"]))
    clear = "." in text and len(text.split(".")[1].split("e")[0]) != 3  # three decimals might be thousands
    if way == "comma" and clear and "e" not in text:
        return text.replace(".", ","), exact
    if way == "text" and clear:
        return text, exact
    if way == "below" and clear:
        return f"<{text}", (math.nan, -math.inf, number)
    if way == "above" and clear:
        return f"> {text}", (math.nan, number, math.inf)
    if way == "range" and clear:
        high = min(number * 2, top)
        return (
            (f"{text}..{high!r}", (math.nan, number, high))
            if high > number and len(repr(high).split(".")[1]) != 3
            else (number, exact)
        )
    return number, exact


@st.composite
def damaged_sheets(draw):
    """A plan, the rows of its returned page, which readings are to come back, and the cells and words that are to be listed."""
    kinds = tuple(sorted(draw(st.sets(st.sampled_from(sorted(RESPONSES)), min_size=1, max_size=4))))
    runs, deep = draw(st.integers(2, 6)), draw(st.integers(1, 2))
    plan = trial(kinds, runs)
    heads = ["order", "run", *(f.label for f in plan.study.factors), "room (°C)"]
    columns = {}  # place -> (kind, measured response, reading)
    for kind in kinds:
        response = RESPONSES[kind]
        for occasion in response.occasions:
            at = response.at(*occasion)
            for reading in range(1, deep + 1):
                columns[len(heads)] = (kind, response.name, *occasion, reading)
                heads.append(reading_head(at, reading, deep))
    heads += ["made / failed", "remark"]
    expected, listed, rows = {}, [], []
    for run in draw(st.permutations(range(1, runs + 1))):
        row = [
            run,
            run,
            plan.runs.at[run, "polymer"],
            plan.runs.at[run, "vessel"],
            21.5,
            *[None] * len(columns),
            None,
            None,
        ]
        marks = {}
        for place, (kind, name, time, condition, reading) in columns.items():
            what = draw(st.sampled_from(["read", "read", "read", "blank", "bad"]))
            key = (run, reading, time, condition, name)
            if what == "read":
                row[place], expected[key] = draw(readings_of(kind))
            elif what == "blank":
                row[place] = draw(st.sampled_from([None, "n/a", "–", " "]))
            else:
                row[place] = draw(st.sampled_from(BAD[kind] + NO_NUMBER))
                marks[place] = row[place]
        if draw(st.integers(0, 5)) == 0:  # a setting was edited
            row[2] = 0.987654
            marks[2] = 0.987654
        if draw(st.integers(0, 7)) == 0:  # a run number was lost
            row[1] = draw(st.sampled_from([None, 99, "x"]))
            expected = {k: v for k, v in expected.items() if k[0] != run}
            marks = {1: row[1]}
            listed.append((None, f"no row of run {run} was taken"))
        rows.append((row, marks))
    if draw(st.booleans()):  # blank rows between
        rows.insert(draw(st.integers(0, len(rows))), ([], {}))
    if draw(st.integers(0, 3)) == 0:  # a row written twice, with the very same cells
        copied = draw(st.integers(0, len(rows) - 1))
        row, marks = rows[copied]
        if row and isinstance(row[1], int) and row[1] <= runs:
            rows.append((list(row), marks))
            listed.append((None, f"run {row[1]}, 2 times"))
    if draw(st.integers(0, 3)) == 0 and len([r for r, _ in rows if r]) > 1:  # a row was deleted
        gone = draw(st.integers(0, len(rows) - 1))
        row, marks = rows[gone]
        others = [r[1] for i, (r, _) in enumerate(rows) if r and i != gone]
        if row and isinstance(row[1], int) and row[1] <= runs and row[1] not in others:
            del rows[gone]
            expected = {k: v for k, v in expected.items() if k[0] != row[1]}
            listed.append((None, f"no row of run {row[1]} was taken"))
    order = list(range(len(heads)))
    if draw(st.booleans()):  # columns moved about
        order = draw(st.permutations(order))
    if draw(st.integers(0, 3)) == 0:  # a column of someone's own
        heads.append("smell of the room")
        order = [*order, len(heads) - 1]
        rows = [([*row, "fresh"], marks) if row else (row, marks) for row, marks in rows]
        listed.append((None, "smell of the room"))
    above = draw(st.integers(1, 3))
    for number, (_, marks) in enumerate(rows, start=above + 2):
        for place in marks:
            letter = openpyxl.utils.get_column_letter(order.index(place) + 1)
            listed.append((f"{letter}{number}", None))
    page = [[heads[i] for i in order], *([row[i] for i in order] if row else [] for row, _ in rows)]
    title = draw(st.sampled_from(["Measurements", "Tuesday", "Kim's copy"]))
    return plan, title, above, page, expected, listed


def returned(path, plan, title, above, page):
    """A workbook as another spreadsheet program would save it: the cells and nothing else."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    sheet["A1"] = f"{FINGERPRINT}: {plan.fingerprint}"
    for number, row in enumerate(page, start=above + 1):
        for place, cell in enumerate(row, start=1):
            if cell is not None:
                sheet.cell(number, place).value = cell
    book.save(path)


def check(tmp_path, example):
    plan, title, above, page, expected, listed = example
    path = tmp_path / "back.xlsx"
    returned(path, plan, title, above, page)
    records = read_sheet(path, plan)
    rows = records.data.itertuples(index=False)
    found = {(r.run, r.replicate, r.time, r.condition, r.response): (r.value, r.lower, r.upper) for r in rows}
    assert set(found) == set(expected)
    for key, values in expected.items():
        assert all(a == b or (math.isnan(a) and math.isnan(b)) for a, b in zip(found[key], values, strict=True)), key
    places, texts = set(records.problems["cell"]), " | ".join(records.problems["found"])
    for cell, words in listed:
        assert cell in places if cell is not None else words in texts
    # and nothing that is whole is complained about, but what the damage to its row explains
    damaged = {cell for cell, _ in listed if cell is not None}
    blamed = {c for c in places if c and not c.startswith(("row", "column"))}
    assert blamed <= damaged
    asked = {c.rpartition("!")[2] for c in records.questions["cell"]}
    assert asked <= damaged


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(example=damaged_sheets())
def test_damage_is_reported_and_the_rest_comes_back(tmp_path, example):
    check(tmp_path, example)


@pytest.mark.slow
@settings(max_examples=2000, deadline=None, suppress_health_check=list(HealthCheck))
@given(example=damaged_sheets())
def test_damage_is_reported_and_the_rest_comes_back_in_2000_sheets(tmp_path, example):
    check(tmp_path, example)


def test_the_heads_drawn_are_those_of_a_written_sheet(tmp_path, open_workbook):
    """The random sheets above are made without write_sheet: their heads must be its own."""
    plan = trial(("acid", "log", "plain", "score", "share"), 4)
    book = open_workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx", readings=2))
    for kind in ("acid", "log", "plain", "score", "share"):
        for occasion in RESPONSES[kind].occasions:
            for reading in (1, 2):
                assert reading_head(RESPONSES[kind].at(*occasion), reading, 2) in book.heads
