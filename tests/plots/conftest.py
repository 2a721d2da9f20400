"""Trials to draw: a published one, and small invented ones named for what they show."""

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="session")
def chemical():
    """Montgomery, Design and Analysis of Experiments, Table 11.6 (source in the file): three responses in two factors."""
    data = pd.read_csv(REFERENCE / "chemical_process_ccd" / "data.csv").rename(columns={"time": "reaction time"})
    study = doe.Study(
        "chemical process",
        [doe.Continuous("reaction time", 80, 90, "min"), doe.Continuous("temperature", 170, 180, "°F")],
        [
            doe.Response("yield", "%", low=78.5),
            doe.Response("viscosity", "cSt", low=60, high=70),
            doe.Response("molecular_weight", "", high=3400),
        ],
    )
    data["run"] = range(1, len(data) + 1)
    return doe.fit_all(study, data)


@pytest.fixture(scope="session")
def flare():
    """McLean & Anderson (1966), Technometrics 8, 447-454 (source in the file): a mixture of four in a narrow region."""
    folder = REFERENCE / "flare_mclean_anderson"
    data = pd.read_csv(folder / "data.csv")
    names = ["magnesium", "sodium nitrate", "strontium nitrate", "binder"]
    data = data.rename(columns=dict(zip([c for c in data.columns if c.startswith("x")], names, strict=True)))
    bounds = [(0.4, 0.6), (0.1, 0.5), (0.1, 0.5), (0.03, 0.08)]
    study = doe.Study(
        "flare",
        [doe.Component(n, low, high, "") for n, (low, high) in zip(names, bounds, strict=True)],
        [doe.Response("illumination", "kcd", low=350)],
        mixture_total=1,
    )
    expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    return doe.fit(study, data, "illumination"), expected


def gel_trial():
    """Invented: a clear after-sun gel with suspended care-oil beads, four factors in a Box-Behnken plan, four responses."""
    study = doe.Study(
        "after-sun gel (invented)",
        [
            doe.Continuous("carbomer", 0.25, 0.55, "%", step=0.01),
            doe.Continuous("crosspolymer", 0.1, 0.4, "%", step=0.01),
            doe.Continuous("neutralisation", 0.4, 0.8, "eq/eq", step=0.01),
            doe.Continuous("speed", 200, 600, "rpm", step=10),
        ],
        [
            doe.Response("viscosity", "mPa·s", low=12000, high=30000, transform="log", decimals=0),
            doe.Response("pH", low=5.5, high=6.2, decimals=2),
            doe.Response("stability", "%", low=80, transform=("logit", 0, 100), decimals=1),
            doe.Response("bead size", "µm", low=250, high=700, transform="log", decimals=0),
        ],
    )
    plan = doe.designs.box_behnken(study, centre=3).randomised(10)
    runs = plan.runs.sort_index()
    c, x, n, s = study.coded(runs).to_numpy(dtype=float).T
    noise = np.random.default_rng(12).standard_normal((len(runs), 4)) * [0.06, 0.04, 0.25, 0.06]
    fitted = [
        9.65 + 0.5 * c + 0.45 * x + 0.2 * n - 0.22 * s - 0.13 * c * x - 0.1 * n**2,
        6.15 - 0.05 * c + 0.55 * n + 0 * s,
        2.4 + 1.4 * c + 1.3 * x + 0.8 * n - 0.4 * c * x - 0.4 * s**2,
        5.95 - 0.45 * c - 0.42 * x - 0.2 * n - 0.2 * s + 0.16 * c * x,
    ]
    table = runs.reset_index()
    for j, response in enumerate(study.responses):
        table[response.name] = np.round(response.inverse(fitted[j] + noise[:, j]), response.decimals)
    return plan, table


@pytest.fixture(scope="session")
def gel():
    plan, table = gel_trial()
    return doe.fit_all(plan.study, table)


@pytest.fixture(scope="session")
def gel_window(gel):
    return doe.find_window(gel, target=0.95, draws=1000)


LONG = "polymer that swells slowly and must be sifted in over a full minute"


@pytest.fixture(scope="session")
def kinds():
    """Invented: a factor with a very long name, one with dollar signs in its name, and categorical ones; one batch out of line."""
    study = doe.Study(
        "kinds of factors",
        [
            doe.Continuous(LONG, 0.2, 0.6, "% of the batch"),
            doe.Discrete("speed $x$", (200, 400, 600), "rpm"),
            doe.Categorical("impeller", ("anchor", "propeller")),
            doe.Categorical("lot", ("A", "B", "C")),
        ],
        [doe.Response("viscosity", "mPa·s", low=9000, high=30000, transform="log")],
    )
    table = pd.DataFrame(
        list(product([0.2, 0.4, 0.6], [200, 400, 600], ["anchor", "propeller"], ["A", "B", "C"])), columns=study.names
    )
    polymer, speed = table[LONG], table["speed $x$"] / 200 - 2
    rng = np.random.default_rng(1)
    log = 9.6 + 2 * (polymer - 0.4) - 0.2 * speed + 0.1 * (table["impeller"] == "anchor") + 0.2 * (table["lot"] == "B")
    table["viscosity"] = np.exp(log + rng.normal(0, 0.05, len(table)))
    table.loc[5, "viscosity"] *= 1.4
    table["run"] = range(1, len(table) + 1)
    return doe.fit(study, table, "viscosity")


@pytest.fixture(scope="session")
def blend():
    """Invented: a mixture with water as its balance, a constraint, a process factor and a categorical one."""
    study = doe.Study(
        "cooling gel (invented)",
        [
            doe.Component("glycerin", 2, 12),
            doe.Component("ethanol", 0, 10),
            doe.Component("propanediol", 1, 8),
            doe.Component("water", 70, 97),
            doe.Continuous("speed", 300, 900, "rpm"),
            doe.Categorical("base", ("tromethamine", "sodium hydroxide", "aminomethyl propanol")),
        ],
        [
            doe.Response("viscosity", "mPa·s", low=9000, high=16000, transform="log", decimals=0),
            doe.Response("dry-down time", "s", high=60),
        ],
        balance="water",
        constraints=["glycerin + propanediol <= 15"],
    )
    table = study.region.sample(44, seed=2)
    rng = np.random.default_rng(0)
    log = 9.4 + 0.02 * table["glycerin"] - 0.06 * table["ethanol"] - 0.0003 * (table["speed"] - 600)
    table["viscosity"] = np.exp(log + 0.1 * (table["base"] == "tromethamine") + rng.normal(0, 0.05, len(table)))
    table["dry-down time"] = 70 - 3 * table["ethanol"] + 2 * table["glycerin"] + rng.normal(0, 3, len(table))
    return doe.fit_all(study, table, model=[*study.names, "glycerin:ethanol", "ethanol:speed"])


@pytest.fixture(scope="session")
def blend_window(blend):
    return doe.find_window(blend, target=0.8, draws=1000)


@pytest.fixture
def sentence_of():
    """The sentence with which a call is refused."""

    def sentence(call):
        with pytest.raises(doe.StudyError) as refused:
            call()
        return str(refused.value)

    return sentence
