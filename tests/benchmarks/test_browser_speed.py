"""What a person waits for in the browser: figures only, no assertion on time. Run with -s to see them.

Baseline of the map: a slider of ipywidgets that moves a text, in the same notebook and browser; what lies above it is the library's own share.
"""

import statistics

import nbformat
import pytest

from tests.browser.lab import Lab, OnScreen, chromium, missing

MOVES = 15

# From the key that moves a slider to the frame in which the new content stands on the page, in milliseconds, measured inside the page.
UNTIL_SHOWN = """async ([handle, watched, key]) => {
  const seen = () => { const e = document.querySelector(watched); return e.src || e.textContent; };
  const before = seen(), slider = document.querySelectorAll('[role=slider]')[handle];
  const started = performance.now();
  slider.focus();
  slider.dispatchEvent(new KeyboardEvent('keydown', {key, bubbles: true}));
  while (seen() === before) {
    if (performance.now() - started > 60000) throw new Error('nothing changed within a minute');
    await new Promise(done => setTimeout(done, 1));
  }
  const shown = document.querySelector(watched);
  if (shown.decode) await shown.decode();
  await new Promise(done => requestAnimationFrame(() => setTimeout(done)));
  return performance.now() - started;
}"""

MOVING = """
import ipywidgets as widgets
import doe
from doe import plots

bench = doe.virtual.AfterSunGel()
plan = doe.designs.box_behnken(bench.study, centre=3)
win = doe.find_window(doe.fit_all(bench.study, bench.make(plan, seed=10)), draws=1000)
plain, held = (
    widgets.FloatSlider(value=v, min=low, max=high, step=step) for v, low, high, step in ((0, -50, 50, 1), (400, 200, 600, 10))
)
text, picture = widgets.Label(), widgets.Image(format="png", width=680)
text.add_class("text-shown")
picture.add_class("map-shown")
plain.observe(lambda change: setattr(text, "value", str(change["new"])), names="value")


def redraw(_change=None):
    axes = plots.probability_map(win, "carbomer", "neutralisation", at={"speed": held.value})
    picture.value = axes.figure._repr_png_()


held.observe(redraw, names="value")
redraw()
widgets.VBox([plain, text, held, picture])
"""

pytestmark = [
    pytest.mark.skipif(bool(missing()), reason=missing() or "nothing is missing"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),  # of the Jupyter libraries
]


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    server = Lab(tmp_path_factory.mktemp("lab"))
    try:
        server.started_answering = server.wait()
        yield server
    finally:
        server.stop()


@pytest.fixture
def page():
    with chromium() as browser:
        yield browser.new_page(viewport={"width": 1280, "height": 900})


def said(name: str, times: list[float], unit: str = "ms") -> None:
    print(f"\n{name}: median {statistics.median(times):.0f} {unit}, largest {max(times):.0f} {unit} of {len(times)}")


def test_from_the_command_to_a_notebook_that_answers(tmp_path, page):
    """`python -m doe lab`, a notebook opened, its first widget on the page; the library is not imported in that time."""
    server = Lab(tmp_path)
    try:
        answering = server.wait()
        cells = [nbformat.v4.new_code_cell("import ipywidgets as widgets\nwidgets.IntSlider()")]
        kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3"}}
        nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), server.notebooks / "first.ipynb")
        shown = OnScreen(page, server, "first.ipynb", tmp_path)
        shown.open()
        opened = server.seconds
        shown.page.evaluate("() => void window.jupyterapp.commands.execute('notebook:run-all-cells')")
        shown.page.locator(".widget-slider").first.wait_for()
        usable = server.seconds
    finally:
        server.stop()
    print(
        f"\nlab: server {answering:.1f} s, notebook open {opened:.1f} s, first widget {usable:.1f} s after the command"
    )


def test_a_slider_to_a_new_map(lab, page, tmp_path):
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3"}}
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(MOVING)], metadata=kernel)
    nbformat.write(notebook, lab.notebooks / "moving.ipynb")
    shown = OnScreen(page, lab, "moving.ipynb", tmp_path)
    shown.open()
    shown.run_all()
    for name, handle, watched in (("text (baseline)", 0, ".text-shown"), ("map", 1, ".map-shown")):
        times = []
        for move in range(MOVES + 2):
            took = shown.page.evaluate(UNTIL_SHOWN, [handle, watched, "ArrowRight" if move % 2 else "ArrowLeft"])
            shown.settle(200)
            times.append(took)
        said(f"slider to {name}", times[2:])  # the first two pay for what is done once
    assert shown.problems() == []
