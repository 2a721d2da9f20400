"""More draws than are held at once: counted piece by piece, here or elsewhere, to the same counts; and memory that does not grow."""

import os
import subprocess
import sys
from pathlib import Path

import joblib
import numpy as np
import pandas as pd
import pytest

import doe
from doe.window import streaming

STUDY = doe.Study(
    "gel",
    [doe.Continuous("polymer", 0, 1), doe.Continuous("speed", 0, 1)],
    [doe.Response("viscosity", low=8.0, high=11.0), doe.Response("pH", low=5.0)],
)


@pytest.fixture(scope="module")
def fits():
    """Invented readings of a plain law with fixed noise."""
    plan = doe.designs.central_composite(STUDY, axial="face", centre=4)
    rng = np.random.default_rng(8)
    frame = plan.runs.assign(
        viscosity=8.0 + 2.0 * plan.runs["polymer"] + 0.5 * plan.runs["speed"] + rng.normal(0, 0.3, len(plan.runs)),
        pH=5.6 - 0.6 * plan.runs["polymer"] + rng.normal(0, 0.2, len(plan.runs)),
    )
    return doe.fit_all(STUDY, frame)


@pytest.fixture
def small_pieces(monkeypatch):
    """Pieces of 2,000 draws, blocks of 64 settings, and nothing too little to be sent."""
    for module in ("streaming", "predictive", "result"):
        monkeypatch.setattr(f"doe.window.{module}.PIECE", 2000)
    monkeypatch.setattr(streaming, "HELD", 64)
    monkeypatch.setattr(streaming, "FAR", 0)


def test_draws_that_are_held_at_once_are_not_streamed(fits):
    predictive = doe.find_window(fits, draws=500)._predictive
    assert not isinstance(predictive.stream(3, streaming.PIECE), streaming.Streamed)
    assert isinstance(predictive.stream(3, streaming.PIECE + 1), streaming.Streamed)


def test_counts_are_those_of_the_pieces_one_by_one(fits, small_pieces):
    predictive = doe.find_window(fits, draws=500)._predictive
    Z = np.random.default_rng(1).uniform(-1, 1, (150, 2))
    streamed = predictive.stream(3, 5000)
    assert streamed.pieces == 3
    pieces = [streamed.piece(k) for k in range(3)]
    assert [p.draws for p in pieces] == [2000, 2000, 1000]
    assert not np.array_equal(pieces[0].coefficients, pieces[1].coefficients)
    # the first piece is what a draw of its size is
    assert np.array_equal(pieces[0].coefficients, predictive.draw(3, 2000).coefficients)
    chance, error = predictive.chance(Z, streamed)
    each = [predictive.chance(Z, p)[0] for p in pieces]
    expected = (2000 * each[0] + 2000 * each[1] + 1000 * each[2]) / 5000
    np.testing.assert_allclose(chance, expected, rtol=0, atol=1e-12)
    middle = np.abs(chance - 0.5) < 0.4
    np.testing.assert_allclose(error[middle], np.sqrt(chance * (1 - chance) / 5000)[middle], rtol=0.02)


def test_workers_elsewhere_count_the_same(fits, small_pieces, monkeypatch):
    settings = STUDY.region.sample(150, seed=2)
    window = doe.find_window(fits, draws=5000)
    alone, alone_each = window.probability(settings), window.by_response(settings)
    sent = []
    shared = streaming.shared_out
    monkeypatch.setattr(
        streaming, "shared_out", lambda where, work, tasks: sent.append(len(tasks)) or shared(where, work, tasks)
    )
    with joblib.parallel_config(backend="threading", n_jobs=2):
        pd.testing.assert_frame_equal(window.probability(settings), alone, check_exact=True)
        pd.testing.assert_frame_equal(window.by_response(settings), alone_each, check_exact=True)
        window.map("polymer", "speed", n=21)
    assert sent == [9, 9, 21]  # three pieces of three blocks; of seven


def test_a_window_of_very_many_draws_says_what_one_of_fewer_says(fits, small_pieces):
    few, many = (doe.find_window(fits, target=0.7, draws=draws, seed=1) for draws in (2000, 9000))
    settings = STUDY.region.sample(200, seed=2)
    a, b = few.probability(settings), many.probability(settings)
    away = np.abs(a["probability"] - b["probability"])
    assert (away < 4.5 * np.hypot(a["mc_error"], b["mc_error"])).all()
    assert b["mc_error"].mean() < 0.6 * a["mc_error"].mean()
    assert abs(few.set_point_probability - many.set_point_probability) < 0.03
    assert len(many.box()) == 2


MEMORY = """
import resource, sys
import numpy as np
import doe

study = doe.Study(
    "gel", [doe.Continuous(name, 0, 1) for name in "abcd"], [doe.Response(name, low=8.0, high=11.0) for name in ("p", "q", "r")]
)
plan = doe.designs.box_behnken(study, centre=4)
rng = np.random.default_rng(1)
frame = plan.runs.assign(**{name: 9.5 + plan.runs["a"] + rng.normal(0, 0.5, len(plan.runs)) for name in ("p", "q", "r")})
fits = doe.fit_all(study, frame)
doe.find_window(fits, draws=1000).probability(study.region.sample(1000))
begun = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
window = doe.find_window(fits, draws=int(sys.argv[1]))
window.probability(study.region.sample(int(sys.argv[2])))
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - begun) / 1024)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="kilobytes are what Linux tells")
def test_memory_does_not_grow_with_the_draws():
    """A million draws of three responses' fifteen coefficients are 360 MB by themselves, and as much again folded."""
    path = os.pathsep.join([str(Path(doe.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])

    def grown(draws, settings):
        done = subprocess.run(
            [sys.executable, "-c", MEMORY, str(draws), str(settings)],
            env=os.environ | {"PYTHONPATH": path},
            capture_output=True,
            text=True,
            timeout=600,
            check=True,
        )
        return float(done.stdout)

    few, many = grown(100_000, 2000), grown(1_000_000, 2000)
    assert many < 300
    assert many < few + 60
