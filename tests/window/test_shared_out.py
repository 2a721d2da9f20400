"""Rehearsals shared out: the same answer from one process, two, a cluster, after a stop, and after a worker was killed.

Without specifications a rehearsal is fits alone, and quick; the one on a cluster has a window too.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

import doe
from doe.designs import box_behnken
from doe.window import rehearsal

STUDY = doe.Study(
    "gel",
    [doe.Continuous(name, 0, 1) for name in ("polymer", "speed", "minutes")],
    [doe.Response("viscosity", "mPa·s", transform="log"), doe.Response("pH")],
)
PLAN = box_behnken(STUDY, centre=3)
TRUTH = {"viscosity": {"1": 9.4, "polymer": 0.1, "polymer:speed": 0.08}, "pH": {"1": 6.2, "minutes^2": -0.2}}


def rehearsed(n=6, **kwargs):
    return doe.rehearse(PLAN, TRUTH, 0.1, n=n, draws=500, **kwargs)


def same(a, b):
    for part in ("drivers", "false_alarms", "trials"):
        pd.testing.assert_frame_equal(getattr(a, part), getattr(b, part), check_exact=True)


@pytest.fixture(scope="module")
def alone():
    return rehearsed()


def test_two_processes_give_what_one_gives(alone):
    same(rehearsed(n_jobs=2), alone)


def test_a_rehearsal_goes_on_where_it_was_stopped(tmp_path, alone):
    kept, told = tmp_path / "kept.json", []

    def stop_after_three(done, of):
        told.append(done)
        if done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rehearsed(progress=stop_after_three, checkpoint=kept)
    assert sorted(json.loads(kept.read_text())["done"]) == ["0", "1", "2"]
    same(rehearsed(progress=lambda done, of: told.append((done, of)), checkpoint=kept), alone)
    assert told == [1, 2, 3, (4, 6), (5, 6), (6, 6)]
    same(rehearsed(n=4, checkpoint=kept), rehearsed(n=4))  # fewer than are kept


@pytest.mark.parametrize("change", [{"seed": 1}, {"target": 0.9}, {"model": "linear"}])
def test_a_checkpoint_of_another_rehearsal_is_refused(tmp_path, change):
    kept = tmp_path / "kept.json"
    rehearsed(n=2, checkpoint=kept)
    before = kept.read_bytes()
    with pytest.raises(doe.StudyError) as told:
        rehearsed(n=2, checkpoint=kept, **change)
    assert str(told.value) == (
        f"rehearse: checkpoint is {str(kept)!r} but must be of this same rehearsal, with the same plan, truth, model and seed: "
        "give a file of another name, or delete that one if it is of no more use."
    )
    assert kept.read_bytes() == before


def test_many_rehearsals_are_not_written_anew_for_each(tmp_path, monkeypatch):
    """Writing takes no more than a tenth of the time, and nothing is missing at the end."""
    written = []

    def write(path, content):
        written.append(len(content["done"]))
        time.sleep(0.05)
        path.write_text(json.dumps(content))

    monkeypatch.setattr(rehearsal, "write_json", write)
    monkeypatch.setattr(
        rehearsal._Stage, "act", lambda stage, i: {"p": {"viscosity": {"speed": 0.5}, "pH": {"speed": 0.5}}}
    )
    kept = rehearsed(n=400, checkpoint=tmp_path / "kept.json")
    assert kept.n == written[-1] == 400
    assert 1 < len(written) < 20


def test_files_that_are_no_checkpoint(tmp_path):
    kept = tmp_path / "kept.json"
    STUDY.save(kept)
    with pytest.raises(doe.StudyError, match="must be of kind 'rehearsal': choose a file saved as a rehearsal"):
        rehearsed(n=2, checkpoint=kept)
    with pytest.raises(doe.StudyError, match="rehearse: checkpoint is 3 but must be the path of a file"):
        rehearsed(n=2, checkpoint=3)
    rehearsed(n=2, checkpoint=tmp_path / "whole.json")
    content = json.loads((tmp_path / "whole.json").read_text())
    del content["done"]["1"]["p"]
    (tmp_path / "whole.json").write_text(json.dumps(content))
    with pytest.raises(doe.StudyError, match="must be a whole rehearsal"):
        rehearsed(n=2, checkpoint=tmp_path / "whole.json")


@pytest.mark.slow
def test_a_cluster_gives_the_same_and_takes_over_from_a_killed_worker(tmp_path):
    """In a process of its own: workers begin by importing what their caller is, and a test is no such thing."""
    script, mark = Path(__file__).with_name("on_a_cluster.py"), tmp_path / "killed"
    path = os.pathsep.join([str(Path(doe.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, script, mark],
        env=os.environ | {"PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["rehearsed", "searched", "fewest", "chances", "0", "1", "4", "9", "16", "25"]
    assert mark.exists()
