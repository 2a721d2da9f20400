"""Panels are tried through their widgets' state: no browser, no kernel."""

import pytest

import doe


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    """A desk saves where the notebook stands: here that is a folder of the test's own."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture(scope="session")
def gel():
    """The invented gel's trial with its plan, records and fits."""
    bench = doe.virtual.AfterSunGel()
    plan = doe.designs.box_behnken(bench.study, centre=3).randomised(seed=10)
    records = bench.make(plan, seed=10)
    return bench, plan, records, doe.fit_all(bench.study, records)


@pytest.fixture(scope="session")
def small():
    """Two factors, one response: quick to plan, fit and judge."""
    study = doe.Study(
        "small gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01), doe.Continuous("speed", 200, 600, "rpm")],
        [doe.Response("viscosity", "mPa·s", low=5000, high=9000, transform="log")],
    )
    plan = doe.designs.central_composite(study, axial="face", centre=3).randomised(seed=1)
    return study, plan


@pytest.fixture(scope="session")
def small_fits(small):
    """Fits of readings worked out from a plain law, with a little noise of a fixed seed."""
    import numpy as np

    study, plan = small
    frame = plan.runs.copy()
    noise = np.random.default_rng(3).normal(0.0, 0.03, len(frame))
    frame["viscosity"] = np.exp(8.0 + 2.2 * frame["polymer"] - 0.0004 * frame["speed"] + noise)
    records = doe.bench.Records.from_frame(frame.reset_index(), plan)
    return doe.fit_all(study, records), records


def text_of(widget_value: str) -> str:
    """What a line of HTML says, without its tags."""
    import html
    import re

    return html.unescape(re.sub(r"<[^>]+>", "", widget_value))
