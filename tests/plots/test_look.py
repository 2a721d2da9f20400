"""The look: one colour scale, no pyplot, no global settings, names as they were typed."""

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from doe import StudyError, plots
from doe.plots import look

from .pictures import overlaps, said


def lab(rgb):
    """sRGB to CIE 1976 L*a*b*, D65: IEC 61966-2-1 and CIE 15, written from the standards' own matrices (sRGB to XYZ)."""
    c = np.asarray(rgb, dtype=float)
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    xyz = (
        linear
        @ np.array(
            [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
        ).T
    )
    t = xyz / np.array([0.95047, 1.0, 1.08883])
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16) / 116)
    return np.column_stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])])


def luminance(colour):
    """Relative luminance (WCAG 2.2, from IEC 61966-2-1)."""
    c = np.array(to_rgb(colour))
    return float(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722])


def test_lab_agrees_with_known_colours():
    """L*a*b* of sRGB white, red and mid grey (from memory, any colour handbook)."""
    found = lab([[1, 1, 1], [1, 0, 0], [119 / 255] * 3])
    assert found[0] == pytest.approx([100, 0, 0], abs=0.02)
    assert found[1] == pytest.approx([53.24, 80.09, 67.20], abs=0.05)
    assert found[2] == pytest.approx([50.03, 0, 0], abs=0.05)


def test_the_colour_scale_is_even_and_falls_in_lightness():
    colours = look.colour_scale()(np.arange(256))[:, :3]
    assert colours.min() > 0.0  # no step was cut off at the edge of what a screen shows
    assert colours.max() < 1.0
    steps = np.linalg.norm(np.diff(lab(colours), axis=0), axis=1)
    assert steps.max() / steps.min() < 1.05  # equal differences to the eye; 5 % for rounding of the path
    assert (np.diff(lab(colours)[:, 0]) < -0.05).all()


def test_words_stand_out_from_paper_and_scale():
    """Contrast of at least 4.5 to 1 (WCAG 2.2, 1.4.3) for all words; ink on the deepest colour has a paper rim besides."""
    for colour in (look.INK, look.SOFT):
        assert (luminance(look.PAPER) + 0.05) / (luminance(colour) + 0.05) >= 4.5


def test_curves_differ_in_lightness_and_dash():
    dashes = [str(dash) for _, dash in look.CURVES]
    assert len(set(dashes)) == len(dashes)
    levels = sorted(luminance(colour) for colour, _ in look.CURVES[:2])
    assert (levels[1] + 0.05) / (levels[0] + 0.05) > 1.5


def test_pictures_leave_pyplot_alone():
    code = (
        "import sys, pandas as pd, doe\n"
        "from doe import plots\n"
        "s = doe.Study('s', [doe.Continuous('a', 0, 1)], [doe.Response('y', low=1)])\n"
        "d = pd.DataFrame({'a': [0, 0.5, 1, 0, 0.5, 1], 'y': [1, 2, 2.5, 1.1, 2.1, 2.4]})\n"
        "f = doe.fit(s, d, 'y')\n"
        "plots.factor_effects(f); plots.main_effects(f); plots.residuals(f)\n"
        "print('matplotlib.pyplot' in sys.modules, len(sys.modules) > 10)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


def test_global_settings_stay_as_they_were(chemical):
    before = dict(mpl.rcParams)
    plots.contours(chemical["yield"], "reaction time", "temperature")
    assert dict(mpl.rcParams) == before


@pytest.mark.slow
def test_threads_draw_what_one_thread_draws(chemical):
    def drawn(name):
        return look.png(plots.factor_effects(chemical[name]), dpi=60)

    names = list(chemical) * 2
    alone = [drawn(name) for name in names]
    with ThreadPoolExecutor(3) as pool:
        assert list(pool.map(drawn, names)) == alone
    assert alone[0] != alone[1]


@pytest.mark.parametrize("draw", [plots.factor_effects, plots.main_effects])
def test_notebooks_show_a_picture_by_itself(chemical, draw):
    assert draw(chemical["yield"])._repr_png_().startswith(b"\x89PNG")


def test_names_are_shown_as_typed(kinds):
    """Dollar signs would start a formula in Matplotlib."""
    ax = plots.factor_effects(kinds)
    assert r"speed \$x\$" in said(ax)  # the backslash is Matplotlib's own escape, not drawn
    label = next(t for t in ax.get_yticklabels() if "impeller, propeller" in t.get_text() and "speed" in t.get_text())
    plain = label.get_window_extent().width
    label.set_text(label.get_text().replace(r"\$", "S"))
    assert plain == pytest.approx(label.get_window_extent().width, rel=0.05)


def test_words_are_read_back_whole(chemical):
    ax = plots.factor_effects(chemical["yield"])
    told = plots.words(ax)
    assert "\n" not in told
    assert told.startswith("Largest: reaction time")
    assert plots.words(ax.get_figure()) == told
    assert plots.words(Figure()) == ""


def test_words_of_something_else_are_refused():
    with pytest.raises(StudyError) as problem:
        plots.words("a picture")
    assert (
        str(problem.value)
        == "picture is 'str' but must be axes or a figure of doe.plots: give what the function returned."
    )


def test_what_is_no_axes_or_figure_is_refused(chemical):
    with pytest.raises(StudyError) as problem:
        plots.factor_effects(chemical["yield"], ax="here")
    assert str(problem.value) == "ax is 'str' but must be Matplotlib axes: leave it out, or give figure.add_subplot()."
    with pytest.raises(StudyError) as problem:
        plots.main_effects(chemical["yield"], figure="here")
    assert (
        str(problem.value)
        == "figure is 'str' but must be a Matplotlib figure: leave it out, or give matplotlib.figure.Figure()."
    )


def test_pictures_can_be_put_beside_each_other(chemical):
    figure = Figure(figsize=(15, 6), layout="constrained")
    left, right = figure.subplots(1, 2)
    assert plots.factor_effects(chemical["yield"], ax=left) is left
    assert plots.contours(chemical["yield"], "reaction time", "temperature", ax=right) is right
    figure.draw_without_rendering()
    assert plots.words(left) != plots.words(right)
    assert "reaction time" in plots.words(right)
    assert not overlaps(figure)


def test_a_figure_given_is_used(chemical):
    figure = Figure(figsize=(9, 6), layout="constrained")
    assert plots.residuals(chemical["yield"], figure=figure) is figure
    assert len(figure.axes) == 6


def test_figures_keep_their_unit_when_lines_are_folded():
    assert look.folded("carbomer 0.25 %", 14) == "carbomer\n0.25 %"
    assert look.folded("viscosity 12000 mPa·s", 17) == "viscosity\n12000 mPa·s"
    assert look.folded("speed 400 rpm", 9) == "speed 400\nrpm"  # a plain word may start a line


@pytest.mark.parametrize(("low", "high"), [(0.01, 0.02), (1, 9.5), (4, 31000), (2e-5, 7e6), (100, 130)])
def test_round_steps_are_few_and_inside(low, high):
    steps = look.round_steps(low, high, 7)
    assert len(steps) <= 7
    assert ((steps >= low) & (steps <= high)).all()
