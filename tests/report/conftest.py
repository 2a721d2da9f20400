"""Trials to report on: a published one with its window, and an invented one whose names try to break out of the page."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe
from doe import plots
from doe.plots import look
from doe.report import write_report

REFERENCE = Path(__file__).parents[1] / "reference"
DATE = "2025-03-01"


class Parts:
    """The parts of a trial, and the page they give."""

    def __init__(self, study, plan, records, fits, win):
        self.study, self.plan, self.records, self.fits, self.win = study, plan, records, fits, win

    def write(self, path, **changes):
        given = {
            "study": self.study,
            "plan": self.plan,
            "records": self.records,
            "fits": self.fits,
            "win": self.win,
            "date": DATE,
            **changes,
        }
        return write_report(path, **given)


def chemical_table():
    """Montgomery, Design and Analysis of Experiments, Table 11.6 (source in the file)."""
    data = pd.read_csv(REFERENCE / "chemical_process_ccd" / "data.csv").rename(columns={"time": "reaction time"})
    data.insert(0, "run", range(1, len(data) + 1))
    return data.drop(columns=["x1", "x2"])


def chemical_study(low=78.5):
    return doe.Study(
        "chemical process",
        [doe.Continuous("reaction time", 80, 90, "min"), doe.Continuous("temperature", 170, 180, "°F")],
        [
            doe.Response("yield", "%", low=low, decimals=1),
            doe.Response("viscosity", "cSt", low=None if low is None else 60, high=None if low is None else 70),
            doe.Response("molecular_weight"),
        ],
        notes="Read from the book.",
    )


@pytest.fixture(scope="session")
def chemical():
    """One reading lost, one batch remarked on, one left out of a fit with its reason."""
    study, table = chemical_study(), chemical_table()
    plan = doe.designs.Plan.from_frame(study, table, model="quadratic").randomised(4)
    text = table.astype(object)
    text.loc[2, "viscosity"] = None
    text["remark"] = ""
    text.loc[4, "remark"] = "bubbles seen"
    records = doe.bench.Records.from_frame(text.drop(columns=["reaction time", "temperature"]), plan)
    assert not len(records.problems)
    fits = doe.fit_all(study, records)
    left_out = doe.fit(study, records, "molecular_weight", without={7: "flask cracked"})
    win = doe.find_window({"yield": fits["yield"], "viscosity": fits["viscosity"]}, target=0.6, draws=500, seed=3)
    return Parts(study, plan, records, {**fits, "molecular_weight": left_out}, win)


@pytest.fixture(scope="session")
def page(chemical, tmp_path_factory):
    """The page of the published trial."""
    return chemical.write(tmp_path_factory.mktemp("page") / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def hostile():
    """Invented: names, levels, notes, units and reasons that would be markup if they were not escaped."""
    study = doe.Study(
        '<b>gel</b> & "co" (invented)',
        [doe.Continuous("<script>alert(1)</script>", 0, 1, "<i>%</i>"), doe.Categorical("kind", ("<u>a</u>", "b & c"))],
        [doe.Response('"><img src=x onerror=alert(2)>', "</style>", low=1.0)],
        notes="</main><script>alert(3)</script>\n{{ 7 * 7 }} {% raw %}",
    )
    rng = np.random.default_rng(0)
    rows = [(x, k) for x in (0.0, 0.5, 1.0) for k in ("<u>a</u>", "b & c") for _ in range(2)]
    table = pd.DataFrame(rows, columns=study.names)
    table[study.responses[0].name] = 2 + table[study.names[0]] + rng.normal(0, 0.1, len(table))
    table["run"] = range(1, len(table) + 1)
    fit = doe.fit(study, table, study.responses[0].name, model="linear", without={3: "<svg onload=alert(4)>"})
    return Parts(study, None, None, fit, None)


@pytest.fixture
def sketched(monkeypatch):
    """Every picture of a page is the same small one: for what the words say, drawing them takes ten times as long as all the rest."""
    ax = look.axes_for(None, 1.0, 1.0)

    class Sketches:
        def __getattr__(self, name):
            assert callable(getattr(plots, name))
            return lambda *given: ax

    monkeypatch.setattr("doe.report.questions.plots", Sketches())
