"""A small invented trial, and ways to fill in and spoil its sheet."""

import csv
import io

import openpyxl
import pandas as pd
import pytest

from doe.bench import write_sheet
from doe.designs import Plan
from doe.study import Categorical, Continuous, Covariate, Response, Study, StudyError


@pytest.fixture
def study():
    return Study(
        "small gel (invented)",
        [
            Continuous("polymer", 0.2, 0.6, "%", step=0.01),
            Continuous("speed", 200, 600, "rpm"),
            Categorical("vessel", ["-round", "square"]),
        ],
        [
            Response("viscosity", "mPa·s", low=8000, high=30000, transform="log", decimals=0),
            Response("pH", low=5.5, high=6.5, decimals=2),
            Response("held", "%", low=80, transform=("logit", 0, 100), decimals=1),
        ],
    )


@pytest.fixture
def plan(study):
    runs = pd.DataFrame(
        {
            "polymer": [0.2, 0.6, 0.2, 0.6, 0.4],
            "speed": [200.0, 200, 600, 600, 400],
            "vessel": ["-round", "square", "square", "-round", "-round"],
        }
    )
    return Plan.from_frame(study, runs)


@pytest.fixture
def readings():
    """What was read, by run and response."""
    return pd.DataFrame(
        {
            "viscosity": [4500.0, 21000, 5100, 18500, 12000],
            "pH": [6.12, 6.05, 5.98, 6.21, 6.1],
            "held": [40.5, 97.0, 55.0, 93.5, 82.0],
        },
        index=pd.RangeIndex(1, 6, name="run"),
    )


class Workbook:
    """The page to fill in of a written .xlsx sheet."""

    def __init__(self, path):
        self.path = path
        self.book = openpyxl.load_workbook(path)
        self.sheet = self.book["Measurements"]
        self.header = next(r for r in range(1, 20) if self.sheet.cell(r, 1).value == "order")
        self.heads = {c.value: c.column for c in self.sheet[self.header]}
        self.rows = {self.sheet.cell(r, 2).value: r for r in range(self.header + 1, self.sheet.max_row + 1)}

    def cell(self, run, head):
        return self.sheet.cell(self.rows[run], self.heads[head])

    def fill(self, readings, heads):
        for run, row in readings.iterrows():
            for name, value in row.items():
                self.cell(run, heads[name]).value = value

    def save(self, path=None):
        self.book.save(path or self.path)
        return path or self.path


HEADS = {"viscosity": "viscosity (mPa·s)", "pH": "pH", "held": "held (%)"}


@pytest.fixture
def workbook(plan, readings, tmp_path):
    """The sheet of the small trial, filled in and not yet saved."""
    book = Workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx", seed=3))
    book.fill(readings, HEADS)
    return book


@pytest.fixture
def lines(plan, readings, tmp_path):
    """The .csv sheet of the small trial, filled in, as rows of cells from the heads on, and what stands above them."""
    text = write_sheet(plan, None, tmp_path / "sheet.csv", seed=3).read_text(encoding="utf-8-sig")
    rows = list(csv.reader(io.StringIO(text)))
    at = next(i for i, row in enumerate(rows) if row[0] == "order")
    heads = rows[at]
    for row in rows[at + 1 :]:
        for name, head in HEADS.items():
            row[heads.index(head)] = repr(float(readings.loc[int(row[1]), name]))
    return rows[:at], rows[at:]


@pytest.fixture
def open_workbook():
    """Opens the page to fill in of an .xlsx sheet."""
    return Workbook


@pytest.fixture
def csv_text():
    """Rows of cells as the text of a .csv file."""

    def text(rows, delimiter=","):
        out = io.StringIO()
        csv.writer(out, delimiter=delimiter).writerows(rows)
        return out.getvalue()

    return text


@pytest.fixture
def sentence_of():
    """The one sentence with which a call is refused."""

    def sentence(call):
        with pytest.raises(StudyError) as caught:
            call()
        return str(caught.value)

    return sentence


@pytest.fixture
def kept_study():
    """A trial whose batches are kept and read again: times, conditions, scores, a covariate, a derived response."""
    return Study(
        "kept gel (invented)",
        [
            Continuous("polymer", 0.2, 0.6, "%", step=0.01),
            Categorical("vessel", ["round", "square"]),
            Covariate("room temperature", "°C"),
        ],
        [
            Response(
                "viscosity",
                "mPa·s",
                transform="log",
                decimals=0,
                times=("24 h", "4 wk"),
                conditions=("25 °C", "40 °C"),
            ),
            Response("feel", scale=(1, 5), times=("24 h",)),
            Response("pH", decimals=2),
            Response("kept", formula="viscosity[4 wk, 40 °C] / viscosity[24 h, 25 °C]"),
        ],
    )


@pytest.fixture
def kept_plan(kept_study):
    runs = pd.DataFrame({"polymer": [0.2, 0.6, 0.2, 0.6], "vessel": ["round", "square", "square", "round"]})
    return Plan.from_frame(kept_study, runs)


@pytest.fixture
def kept_table():
    """What was read of it at first: everything but what is due after four weeks at 25 °C."""
    return pd.DataFrame(
        {
            "run": [1, 2, 3, 4],
            "viscosity[24 h, 25 °C]": ["5000", ">100000", 6000, 20000],
            "viscosity[24 h, 40 °C]": [4800, 90000, 5800, 19000],
            "viscosity[4 wk, 40 °C]": [4000, 80000, "", 15000],
            "feel": [2, 5, 3, 4],
            "pH": [6.1, 6.0, 5.9, 6.2],
            "room temperature (°C)": [21.5, 22, "", "23,5"],
            "finished at": ["2026-03-02 10:00", "2026-03-02 15:30", "2026-03-03", ""],
            "as made: polymer": ["", 0.61, "", ""],
        }
    )
