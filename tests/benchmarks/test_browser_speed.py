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

TEXT = """
import ipywidgets as widgets

plain = widgets.FloatSlider(value=0, min=-50, max=50, step=1)
text = widgets.Label()
text.add_class("text-shown")
plain.observe(lambda change: setattr(text, "value", str(change["new"])), names="value")
widgets.VBox([plain, text])
"""

MAP = """
import doe

bench = doe.virtual.AfterSunGel()
plan = doe.designs.box_behnken(bench.study, centre=3)
win = doe.find_window(doe.fit_all(bench.study, bench.make(plan, seed=10)))
win.ranges
panel = doe.panels.window_panel(win)
panel
"""

CONTOURS = """
import doe

bench = doe.virtual.AfterSunGel()
plan = doe.designs.box_behnken(bench.study, centre=3)
panel = doe.panels.drivers_panel(doe.fit_all(bench.study, bench.make(plan, seed=10)))
panel
"""

# Thirty batches of eight responses.
GRID = """
import doe

study = doe.Study("grid", [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)], [doe.Response(f"y{j}") for j in range(8)])
plan = doe.designs.Plan.from_frame(study, study.region.sample(30, seed=1))
panel = doe.panels.records_panel(plan)
"""

# A slider of the desk moved by one step: until the canvas of the map has been painted anew (its pixels differ).
UNTIL_PAINTED = """async (down) => {
  const canvas = document.querySelector('.doe-map canvas'), range = [...document.querySelectorAll('.doe-slider input')].find(e => e.offsetParent);
  const context = canvas.getContext('2d');
  const pixels = () => { const d = context.getImageData(0, 0, canvas.width, canvas.height).data; let s = 0; for (let i = 0; i < d.length; i += 97) s = (s * 31 + d[i]) | 0; return s; };
  const before = pixels(), started = performance.now();
  if (down) range.stepDown(3); else range.stepUp(3);
  range.dispatchEvent(new Event('input', {bubbles: true}));
  while (pixels() === before) {
    if (performance.now() - started > 60000) throw new Error('nothing was painted within a minute');
    await new Promise(done => setTimeout(done, 2));
  }
  const shown = performance.now() - started;
  range.dispatchEvent(new Event('change', {bubbles: true}));
  return shown;
}"""

# A drag of a second and a half, a new value every 10 ms, then the release: maps painted a second, and until the fine map stands.
DRAGGED = """async () => {
  const canvas = document.querySelector('.doe-map canvas'), range = [...document.querySelectorAll('.doe-slider input')].find(e => e.offsetParent);
  const drawn = () => Number(canvas.dataset.drawn), fine = canvas.dataset.grid;
  const low = Number(range.min), high = Number(range.max), first = drawn(), started = performance.now();
  for (let k = 0; performance.now() - started < 1500; k++) {
    range.value = low + (high - low) * (0.5 + 0.4 * Math.sin(k / 12));
    range.dispatchEvent(new Event('input', {bubbles: true}));
    await new Promise(done => setTimeout(done, 10));
  }
  const rate = (drawn() - first) / ((performance.now() - started) / 1000), coarse = canvas.dataset.grid, released = performance.now();
  range.dispatchEvent(new Event('change', {bubbles: true}));
  while (canvas.dataset.grid !== fine) {
    if (performance.now() - released > 60000) throw new Error('the fine map did not come within a minute');
    await new Promise(done => setTimeout(done, 2));
  }
  return [rate, performance.now() - released, coarse, fine];
}"""

# A cell typed and left: until the kernel's answer has changed the words of the panel.
UNTIL_TAKEN = """async ([name, text]) => {
  const cell = document.querySelector(`[aria-label="${name}"]`), panel = cell.closest('.jp-OutputArea-output');
  const before = panel.innerText, started = performance.now();
  cell.focus();
  cell.value = text;
  cell.dispatchEvent(new Event('input', {bubbles: true}));
  cell.dispatchEvent(new Event('change', {bubbles: true}));
  cell.blur();
  while (panel.innerText === before) {
    if (performance.now() - started > 60000) throw new Error('nothing was said within a minute');
    await new Promise(done => setTimeout(done, 1));
  }
  return performance.now() - started;
}"""

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


def on_screen(lab, page, pictures, name: str, *sources: str) -> OnScreen:
    """A notebook of these cells, open and not run."""
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3"}}
    cells = [nbformat.v4.new_code_cell(source) for source in sources]
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), lab.notebooks / name)
    shown = OnScreen(page, lab, name, pictures)
    shown.open()
    return shown


def said(name: str, times: list[float], unit: str = "ms") -> None:
    print(f"\n{name}: median {statistics.median(times):.0f} {unit}, largest {max(times):.0f} {unit} of {len(times)}")


def test_from_the_command_to_a_notebook_that_answers(tmp_path, page):
    """`python -m doe lab`, the desk's notebook opened, its first step on the page."""
    server = Lab(tmp_path)
    try:
        answering = server.wait()
        shown = OnScreen(page, server, "desk.ipynb", tmp_path)
        shown.open()
        opened = server.seconds
        shown.page.evaluate("() => void window.jupyterapp.commands.execute('notebook:run-all-cells')")
        shown.control("name of the trial")
        usable = server.seconds
    finally:
        server.stop()
    print(
        f"\nlab: server {answering:.1f} s, notebook open {opened:.1f} s, the desk usable {usable:.1f} s after the command"
    )


@pytest.mark.parametrize(("what", "source"), [("window panel", MAP), ("response contours", CONTOURS)])
def test_a_panels_slider_to_a_new_map(lab, page, tmp_path, what, source):
    shown = on_screen(lab, page, tmp_path, f"{what.split()[0]}.ipynb", TEXT, source)
    shown.run_all()
    shown.page.locator(".doe-map canvas").first.wait_for()
    shown.settle(1500)
    texts, times, drags = [], [], []
    for move in range(MOVES + 2):
        texts.append(shown.page.evaluate(UNTIL_SHOWN, [0, ".text-shown", "ArrowRight" if move % 2 else "ArrowLeft"]))
        shown.settle(200)
        times.append(shown.page.evaluate(UNTIL_PAINTED, bool(move % 2)))
        shown.settle(300)
    for _ in range(4):
        drags.append(shown.page.evaluate(DRAGGED))
        shown.settle(500)
    said("slider to text (baseline)", texts[2:])  # the first two pay for what is done once
    said(f"{what}: slider to map", times[2:])
    said(f"{what}: redraws a second in a drag, at {drags[-1][2]}", [d[0] for d in drags[1:]], "a second")
    said(f"{what}: from the release to the fine map, {drags[-1][3]}", [d[1] for d in drags[1:]])
    assert shown.problems() == []


def test_the_table_of_records(lab, page, tmp_path):
    shown = on_screen(lab, page, tmp_path, "grid.ipynb", GRID, "panel")
    shown.page.evaluate("() => window.jupyterapp.commands.execute('notebook:run-cell-and-select-next')")
    shown.settle()
    ready = shown.page.evaluate(
        """async () => {
          const started = performance.now();
          window.jupyterapp.commands.execute('notebook:run-cell');
          while (document.querySelectorAll('.jp-OutputArea-output table input').length < 240) await new Promise(done => setTimeout(done, 2));
          return performance.now() - started;
        }"""
    )
    said("table of 30 × 8: from the command to its last cell", [ready])
    shown.settle()
    names = shown.page.evaluate(
        "() => [...document.querySelectorAll('.jp-OutputArea-output table input')].map(e => e.getAttribute('aria-label'))"
    )
    times = [shown.page.evaluate(UNTIL_TAKEN, [names[k * 9], str(k + 1)]) for k in range(MOVES + 2)]
    said("one edit: from leaving the cell to the panel's answer", times[2:])
    assert shown.problems() == []
