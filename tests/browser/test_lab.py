"""`python -m doe lab`: every notebook is there, opens, and runs to its end with nothing that a person should not meet."""

import json

import nbformat
import pytest

from doe.__main__ import bundled

from . import lab as harness

pytestmark = pytest.mark.browser


def written(lab, name: str, *cells: str) -> str:
    """A notebook beside the others, for one test."""
    cells_ = [nbformat.v4.new_code_cell(source) for source in cells]
    notebook = nbformat.v4.new_notebook(
        cells=cells_, metadata={"kernelspec": {"name": "python3", "display_name": "Python 3"}}
    )
    nbformat.write(notebook, lab.notebooks / name)
    return name


def test_every_notebook_is_listed(lab):
    listed = {entry["name"] for entry in json.loads(lab.asked("api/contents"))["content"]}
    assert {path.name for path in bundled("notebooks").glob("*.ipynb")} <= listed


def test_a_notebook_runs_to_its_end(on_screen):
    shown = on_screen("published_trial.ipynb")
    shown.run_all()
    assert shown.picture("published_trial").exists()
    # no question stands before the notebooks, such as whether news may be fetched
    assert shown.page.locator(".Toastify__toast, .jp-Dialog").count() == 0
    assert shown.problems() == []


def test_a_slider_of_the_map_redraws_it(on_screen):
    shown = on_screen("whole_job.ipynb")
    shown.run_all()
    assert shown.problems() == []
    picture = shown.page.locator(".widget-image").first
    before = picture.get_attribute("src")
    shown.slider("crosspolymer (%)").press("ArrowLeft")
    shown.page.wait_for_function("before => document.querySelector('.widget-image').src !== before", arg=before)
    shown.settle()
    assert shown.problems() == []


FAULTY = """
import ipywidgets as widgets
from IPython.display import HTML, display
button = widgets.Button(description="Break")
button.on_click(lambda _: 1 / 0)
display(HTML('<img src="https://example.org/away.png">'), button)
"""


def test_what_goes_wrong_is_seen(on_screen, lab):
    """The harness itself: a callback that fails in silence, a request to another host, an error on the console, a cell not reached."""
    shown = on_screen(written(lab, "faulty.ipynb", FAULTY, "raise ValueError('wrong')", "1 + 1"))
    shown.run_all()
    shown.button("Break").click()
    shown.page.evaluate("() => console.error('said on the console')")
    shown.settle()
    problems = shown.problems()
    for expected in (
        "kernel: ValueError: wrong (during execute_request)",
        "kernel: ZeroDivisionError: division by zero (during comm_msg)",
        "cell did not run: 1 + 1",
        "request to another host: https://example.org/away.png",
    ):
        assert expected in problems
    assert any(p.startswith("console: said on the console") for p in problems)


def test_a_restarted_kernel_knows_nothing(on_screen, lab):
    shown = on_screen(written(lab, "restart.ipynb", "import ipywidgets as w\nkept = w.Text(description='Kept')\nkept"))
    shown.run_all()
    shown.control("Kept").fill("something")
    shown.restart_kernel()
    shown.run_all()
    assert shown.control("Kept").input_value() == ""
    assert shown.problems() == []


def test_what_is_missing_is_said(monkeypatch):
    monkeypatch.setattr(harness, "CHROMIUM", "/usr/bin/no-such-browser")
    assert harness.missing() == "there is no /usr/bin/no-such-browser (on Debian: apt-get install chromium)"
