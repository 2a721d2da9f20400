"""The bundled demo trial: said to be invented, made again by its own README, and fit to show a window."""

import re
from pathlib import Path

import pandas as pd
import pytest

import doe
from doe.bench import read_table
from doe.designs import Plan

DEMO = Path(__file__).parents[2] / "data" / "after_sun_gel"


@pytest.fixture(scope="module")
def made_again(tmp_path_factory):
    """The folder in which the README's own lines were run."""
    code = re.search(r"```python\n(.*?)```", (DEMO / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    folder = tmp_path_factory.mktemp("demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        exec(compile(code[1], "README.md", "exec"), {})
    return folder


def test_records_are_made_again_figure_for_figure(made_again):
    assert (made_again / "records.csv").read_text() == (DEMO / "records.csv").read_text()


def test_study_and_plan_are_made_again(made_again):
    assert doe.Study.load(DEMO / "study.json").fingerprint == doe.Study.load(made_again / "study.json").fingerprint
    plan, again = Plan.load(DEMO / "plan.json"), Plan.load(made_again / "plan.json")
    assert plan.fingerprint == again.fingerprint
    pd.testing.assert_frame_equal(plan.runs, again.runs)


def test_records_read_with_the_study_alone():
    study, plan = doe.Study.load(DEMO / "study.json"), Plan.load(DEMO / "plan.json")
    records = read_table(DEMO / "records.csv", study)
    assert records.problems.empty
    assert len(records.data) == 27 * 4
    pd.testing.assert_frame_equal(records.plan.runs, plan.runs.sort_index())
    assert [records.order[run] for run in plan.runs.index] == list(range(1, 28))


def test_every_file_says_that_it_is_invented():
    assert "INVENTED" in (DEMO / "README.md").read_text(encoding="utf-8")
    for name in ("study.json", "plan.json"):
        assert "INVENTED" in (DEMO / name).read_text(encoding="utf-8")
