"""Every notebook runs from top to bottom, and is kept without outputs."""

import os
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from doe.__main__ import bundled

NOTEBOOKS = sorted(bundled("notebooks").glob("*.ipynb"))
# windows and reports, half a minute each: with the long simulations, which run before every change lands
LONG = {
    "few_batches",
    "mixture_process",
    "practice",
    "scores",
    "split_plot",
    "whole_job",
    "window_confirmation",
    "workbook_to_drivers",
}
TO_RUN = [pytest.param(p, id=p.stem, marks=[pytest.mark.slow] if p.stem in LONG else []) for p in NOTEBOOKS]


def test_there_are_notebooks():
    assert {n.stem for n in NOTEBOOKS} > LONG


@pytest.fixture
def kernel_environment(monkeypatch):
    import doe

    package = str(Path(doe.__file__).parent.parent)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(p for p in (package, os.environ.get("PYTHONPATH")) if p))
    monkeypatch.setenv("PYTHONWARNINGS", "default")


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")  # of the Jupyter libraries
@pytest.mark.parametrize("path", TO_RUN)
def test_a_notebook_runs(path, tmp_path, kernel_environment):
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(tmp_path)}}).execute()
    shown = {
        kind
        for c in notebook.cells
        if c.cell_type == "code"
        for o in c.outputs
        for kind in o.get("data", {})
        if kind in ("image/png", "application/vnd.jupyter.widget-view+json")
    }
    assert shown  # a picture, or the panels


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_is_kept_without_outputs(path):
    for cell in nbformat.read(path, as_version=4).cells:
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None


def test_the_sliders_of_the_window_map_move_it(tmp_path, monkeypatch):
    """The held factors' control: its cell run as a script, a slider moved, another picture; a bad value is said, not raised."""
    code = [
        c.source
        for c in nbformat.read(bundled("notebooks") / "whole_job.ipynb", as_version=4).cells
        if c.cell_type == "code"
    ]
    monkeypatch.chdir(tmp_path)
    names: dict = {}
    for source in code:
        wanted = ("import doe", "bench = ", "fits = doe", "win = ", "plan = ", "import ipywidgets")
        if source.startswith(wanted):
            exec(compile(source, "whole_job", "exec"), names)
    # the true chance of section 7 is judged by the virtual bench's own specifications: they must be those of the notebook
    theirs = names["bench"].study
    assert names["study"].factors == theirs.factors
    assert names["study"].responses == theirs.responses
    before = names["picture"].value
    slider = names["held"]["crosspolymer"]
    slider.value = slider.min
    assert names["picture"].value != before
    assert names["said"].value == ""
    assert slider.description == "crosspolymer (%)"


@pytest.mark.slow
def test_the_best_that_could_be_done_is_sought_where_the_bench_can_set_it(tmp_path, monkeypatch):
    """The practice notebook compares with settings on the factors' steps, the trainee's own among them, and draws the truth on one scale."""
    monkeypatch.chdir(tmp_path)
    names: dict = {}
    for c in nbformat.read(bundled("notebooks") / "practice.ipynb", as_version=4).cells:
        if c.cell_type == "code":
            exec(compile(c.source, "practice", "exec"), names)
    settings, chance = names["settings"], names["chance"]
    for factor in names["study"].factors:
        steps = settings[factor.name] / factor.step
        assert (abs(steps - steps.round()) < 1e-6).all()
    assert settings.loc["yours"].to_dict() == pytest.approx(dict(names["win"].set_point))
    assert chance.max() >= chance["yours"]
    assert names["as_good"][chance.idxmax()]
    nearest = abs(
        names["grid"][["carbomer", "neutralisation"]] - settings.loc["yours", ["carbomer", "neutralisation"]]
    ).sum(axis=1)
    assert names["z"].ravel()[nearest.argmin()] == pytest.approx(chance["yours"], abs=0.05)
    assert names["truly"].get_xlim() == names["fitted"].get_xlim()
