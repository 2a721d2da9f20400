"""How the desk looks: words that can be read in the light and in the dark theme, at two widths, and mistakes said where they were typed."""

import pytest

from .test_desk import Hands
from .test_lab import written

pytestmark = pytest.mark.browser

STEPS = [
    "The trial",
    "Which batches",
    "Recipe and run sheet",
    "Records",
    "What drives it",
    "Where to run",
    "Confirm, and what next",
    "Report",
]

# A desk on which every step has something to show; the gel is invented.
FILLED = """
import doe

bench = doe.virtual.AfterSunGel()
desk = doe.panels.desk(bench.study, {folder!r})
desk.plan = doe.designs.box_behnken(bench.study, centre=3)
desk.records = bench.make(desk.plan, seed=10)
desk.fits = doe.fit_all(bench.study, desk.records)
desk.window = doe.find_window(desk.fits, draws=1000)
desk
"""

# Contrast of every word that can be seen with what lies behind it, by the relative luminance of WCAG 2.2 (W3C Recommendation, 2023):
# (L1 + 0.05)/(L2 + 0.05). Disabled controls are exempt there (success criterion 1.4.3); pictures have their own paper.
CONTRASTS = """() => {
  const parts = (text) => { const n = text.match(/[\\d.]+/g).map(Number); return text.startsWith('color(') ? n.map((v, i) => i < 3 ? 255 * v : v) : n; };
  const over = ([r, g, b, a = 1], under) => [r, g, b].map((v, i) => a * v + (1 - a) * under[i]);
  const light = (c) => c.map(v => v / 255).map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4).reduce((s, v, i) => s + [0.2126, 0.7152, 0.0722][i] * v, 0);
  const behind = (e) => {
    const layers = [];
    for (; e; e = e.parentElement) {
      const c = parts(getComputedStyle(e).backgroundColor);
      if ((c[3] ?? 1) > 0) layers.push(c);
      if ((c[3] ?? 1) === 1) break;
    }
    return layers.reverse().reduce((under, c) => over(c, under), [255, 255, 255]);
  };
  const found = [];
  const look = (e, text) => {
    if (!text.trim() || !e.offsetParent || e.closest('svg, canvas, :disabled, [hidden]')) return;
    const back = behind(e), front = over(parts(getComputedStyle(e).color), back);
    const [a, b] = [light(front), light(back)].sort((x, y) => y - x);
    found.push({text: text.trim().slice(0, 60), ratio: (a + 0.05) / (b + 0.05)});
  };
  const desk = document.querySelector('.doe-desk'), walk = document.createTreeWalker(desk, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) if (!walk.currentNode.parentElement.closest('option, style')) look(walk.currentNode.parentElement, walk.currentNode.data);
  for (const field of desk.querySelectorAll('input[type=text], textarea, select')) look(field, field.value || '');
  return found;
}"""

# Words or controls that stick out of the desk's own width, so that they cannot be seen without scrolling the page sideways.
OUTSIDE = """() => {
  const desk = document.querySelector('.doe-desk'), edge = desk.parentElement.getBoundingClientRect().right + 1;
  return [...desk.querySelectorAll('input, button, select, textarea, label, p, h2, h3, canvas')]
    .filter(e => e.offsetParent && !e.closest('.doe-table, .doe-result') && e.getBoundingClientRect().right > edge)
    .map(e => e.getAttribute('aria-label') || e.innerText.slice(0, 60) || e.tagName);
}"""

# Entry tables of which a part can only be seen by scrolling sideways inside them: width wanted, width there.
OVERFULL = """() => [...document.querySelectorAll('.doe-desk .doe-table')].filter(e => e.offsetParent && e.scrollWidth > e.clientWidth)
  .map(e => [e.querySelector('table').getAttribute('aria-label'), e.scrollWidth, e.clientWidth])"""

# Fields and choices in one form that are not equally high, and steps that do not say to those who hear the page which one is shown.
UNEVEN = """() => {
  const high = (kind) => [...document.querySelectorAll(`.doe-desk .widget-${kind}`)].filter(e => e.offsetParent).map(e => Math.round(e.getBoundingClientRect().height));
  const fields = high('text input'), choices = high('dropdown select');
  return choices.filter(h => fields.length && Math.abs(h - fields[0]) > 2);
}"""
HERE = (
    """() => [...document.querySelectorAll('.doe-steps [aria-current=step]')].map(e => e.innerText.replace(' ✓', ''))"""
)

NAMELESS = """() => [...document.querySelectorAll('.doe-desk input[type=range]')].filter(e => e.offsetParent && !(e.getAttribute('aria-label') || '').trim()).length"""


@pytest.mark.parametrize(("theme", "width"), [("JupyterLab Light", 1920), ("JupyterLab Dark", 1280)])
def test_every_step_can_be_read(on_screen, lab, theme, width):
    name = f"looks{width}"
    shown = on_screen(written(lab, f"{name}.ipynb", FILLED.format(folder=name)), width=width, height=2200)
    shown.page.evaluate("(theme) => window.jupyterapp.commands.execute('apputils:change-theme', {theme})", theme)
    dark = "Dark" in theme
    shown.page.wait_for_function(f"() => document.body.dataset.jpThemeLight === '{str(not dark).lower()}'")
    shown.run_all()
    hands = Hands(shown)
    for step in STEPS:
        hands.step(step)
        shown.picture(f"{step.split(',')[0].replace(' ', '_').lower()}_{'dark' if dark else 'light'}_{width}")
        seen = shown.page.evaluate(CONTRASTS)
        assert len(seen) > 10, step
        assert [w for w in seen if w["ratio"] < 4.5] == [], step
        assert shown.page.evaluate(OUTSIDE) == [], step
        assert shown.page.evaluate(OVERFULL) == [], step
        assert shown.page.evaluate(UNEVEN) == [], step
        assert shown.page.evaluate(HERE) == [step]
        assert shown.page.evaluate(NAMELESS) == 0, step
    assert shown.problems() == []


def test_mistakes_are_said_where_they_are_typed(on_screen, lab):
    shown = on_screen(written(lab, "mistakes.ipynb", FILLED.format(folder="mistakes")))
    shown.run_all()
    hands = Hands(shown)

    hands.step("Recipe and run sheet")
    hands.type("batch size (g)", "a lot")
    hands.sees("batch size is 'a lot' but must be a number in g: type the number.")

    hands.step("What drives it")
    shown.control("batches left out").fill("7 broke")
    hands.press("Fit every response")
    hands.sees("batches left out is '7 broke' but must be a run, a colon and the reason: write 7: the beaker broke.")

    hands.step("Confirm, and what next")
    hands.type("confirmation batches", "2.5")
    hands.press("Say what they must read")
    hands.sees("confirmation batches is '2.5' but must be a whole number: count in ones.")
    assert shown.problems() == []
