"""Maps follow their sliders: the array is the library's own, coarse while one moves, fine where it rests."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe.panels import batches_panel, drivers_panel, window_panel
from doe.panels.sliding import chance_drawing
from doe.plots.slices import sliced
from doe.study.shown import simulated_text

from .conftest import text_of


@pytest.fixture(scope="module")
def three():
    """Three factors and a window of few draws."""
    study = doe.Study(
        "three",
        [doe.Continuous(n, 0.0, 1.0) for n in ("a", "b", "c")],
        [doe.Response("y", low=1.0), doe.Response("z", high=4.0)],
        constraints=["a + b <= 1.6"],
    )
    plan = doe.designs.optimal(study, "linear", runs=10, seed=1)
    frame = plan.runs.copy()
    noise = np.random.default_rng(5).normal(0.0, 0.2, (2, len(frame)))
    frame["y"] = 1 + 2 * frame["a"] - frame["c"] + noise[0]
    frame["z"] = 2 + frame["b"] + noise[1]
    fits = doe.fit_all(study, doe.bench.Records.from_frame(frame.reset_index(), plan), "linear")
    return doe.find_window(fits, 0.8, draws=500)


def array(canvas):
    return np.frombuffer(canvas.values, dtype=np.float32).reshape(len(canvas.ys), len(canvas.xs))


def test_the_map_is_the_windows_own_chance_at_the_held_settings(three):
    panel = window_panel(three)
    view = panel.map
    view.x.value, view.y.value = "a", "b"
    view.sliders["c"].value = 0.3
    view._rest.wait()
    view.draw(15)
    canvas = view.canvas
    grid = pd.DataFrame({"a": np.tile(canvas.xs, len(canvas.ys)), "b": np.repeat(canvas.ys, len(canvas.xs)), "c": 0.3})
    inside = three.study.region.contains(grid)
    expected = three.probability(grid)["probability"].to_numpy()
    drawn = array(canvas).ravel()
    assert np.allclose(drawn[inside], expected[inside], atol=1e-6)
    assert np.array_equal(np.frombuffer(canvas.outside, dtype=np.uint8).astype(bool), ~inside)
    assert "Held: c 0.3" in canvas.alt
    # the highest place of the draws shown, its chance by draws that did not pick it
    best = grid[inside].iloc[[int(expected[inside].argmax())]]
    (chance,), (error,) = three._judged(best)
    assert f"Highest chance here: {simulated_text(chance, error)}, at a " in canvas.alt


def test_chances_near_0_and_1_and_their_errors_are_never_told_as_nought():
    study = doe.Study(
        "two",
        [doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01), doe.Continuous("speed", 200, 600, "rpm")],
        [doe.Response("y", low=0)],
    )
    cut = sliced(study, "polymer", "speed", {}, 7)
    values, errors = np.full((7, 7), 0.5), np.full((7, 7), 0.00052)
    values[0, 0], errors[0, 0] = 0.0, 0.0
    values[3, 2] = 0.99999  # polymer 1/3, between two steps; speed 400
    seen = []

    def judge(at):
        seen.append(at.iloc[0].to_dict())
        return np.array([0.99999]), np.array([0.00052])

    told = chance_drawing(values, cut, "chance", 0.9, errors, judge).words
    assert told.startswith(
        "Highest chance here: more than 0.999 (Monte-Carlo error 0.00052), at polymer between 0.33 and 0.34 % and speed 400 rpm; "
        "lowest less than 0.001 (Monte-Carlo error less than 0.0001)."
    )
    values[3, 3], values[3, 2] = 0.7, 0.5
    told = chance_drawing(values, cut, "chance", 0.9, errors, lambda _: (np.array([0.69]), np.array([0.004]))).words
    assert "Highest chance here: 0.690 (Monte-Carlo error 0.004), at polymer 0.40 % and speed 400 rpm" in told
    assert seen[0]["speed"] == 400


def test_moving_a_slider_draws_coarse_and_resting_fine(three):
    panel = window_panel(three)
    view = panel.map
    view._rest.wait()
    fine = len(view.canvas.xs)
    stamp = view.canvas.stamp
    slider = next(iter(view.sliders.values()))
    slider.resting = False
    slider.value = 0.9
    assert view.canvas.stamp == stamp + 1
    assert len(view.canvas.xs) <= fine
    before = array(view.canvas)
    slider.resting = True
    view._rest.wait()
    assert len(view.canvas.xs) == 81
    assert before.shape != array(view.canvas).shape or fine == 81
    assert [c.title for c in view._canvases.values()] == ["y", "z"]
    assert [c.second for c in view._canvases.values()] == ["at least 1", "at most 4"]


def test_the_same_factor_on_both_axes_gives_way(three):
    view = window_panel(three).map
    view.y.value = view.x.value
    assert view.x.value != view.y.value
    assert len(view.sliders) == 1


def test_a_slice_outside_the_region_is_said_not_raised(three):
    study = doe.Study("tight", three.study.factors, three.study.responses, constraints=["a + b <= 1.6", "c >= 0.5"])
    plan = doe.designs.optimal(study, "linear", runs=8, seed=1)
    frame = plan.runs.assign(
        y=1 + 2 * plan.runs["a"] + [0.1, -0.1] * 4, z=2.0 + plan.runs["b"] + [0.1, 0.1, -0.1, -0.1] * 2
    )
    panel = drivers_panel(doe.fit_all(study, doe.bench.Records.from_frame(frame.reset_index(), plan), "linear"))
    panel._showing.wait()
    panel.map.sliders["c"].value = 0.1
    assert "through the region studied" in text_of(panel.map.words.value)


def test_a_responses_map_is_the_fits_own_prediction(small_fits):
    fits, _ = small_fits
    panel = drivers_panel(fits)
    panel._showing.wait()
    panel.map._rest.wait()
    canvas = panel.map.canvas
    grid = pd.DataFrame({"polymer": np.tile(canvas.xs, len(canvas.ys)), "speed": np.repeat(canvas.ys, len(canvas.xs))})
    assert np.allclose(array(canvas).ravel(), fits["viscosity"].predict(grid)["estimate"], rtol=1e-5)
    assert [text for _, text, heavy in canvas.lines if heavy] == ["at least 5000 mPa·s", "at most 9000 mPa·s"]
    assert canvas.point == []


def test_how_few_batches_will_do(small):
    panel = batches_panel(small[0])
    panel.model.value = "linear"
    panel.noise.value, panel.change.value = "10", "1.5"
    panel._fewest()
    panel.work.wait(120)
    expected = doe.quality.smallest_plan(small[0], "linear", 0.1, ratio=1.5, power=0.8, seed=1)
    assert len(panel.smallest.plan.runs) == len(expected.plan.runs)
    assert panel.noise.control.description == "batch-to-batch noise (CV, %)"
    panel._use()
    assert len(panel.desk.plan.runs) == len(expected.plan.runs)
    panel.question.value = "full_factorial"
    panel._make()
    panel.work.wait()
    panel.first.value, panel.second.value = list(panel.made)[:2]
    panel._compare()
    panel.work.wait()
    assert "batches" in text_of(panel.compared.value)
