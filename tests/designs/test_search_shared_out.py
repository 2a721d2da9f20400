"""Workers elsewhere walk a search's chains ahead: the plan is that of one process, whatever stops the search.

Threads of joblib's stand for processes and clusters here; those are tried in tests/window/on_a_cluster.py.
"""

import joblib
import pandas as pd
import pytest

from doe.designs import optimal
from doe.designs.search import chains
from doe.quality import smallest_plan
from doe.study import Continuous, Response, Study

FREE = Study("gel", [Continuous(name, 0, 1) for name in ("polymer", "speed", "minutes")], [Response("viscosity")])
TIED = Study(
    "gel of one base",
    [Continuous("polymer", 0, 1, hard_to_change=True), Continuous("speed", 0, 1)],
    [Response("viscosity")],
)


@pytest.mark.parametrize(
    ("study", "settings"),
    [
        (FREE, {"runs": 12}),
        (FREE, {"runs": 12, "rounds": 7, "criterion": "D"}),
        (FREE, {"runs": 13, "starts": 6, "seed": 5}),
        (TIED, {"runs": 10, "rounds": 5, "whole_plots": 5}),
    ],
    ids=["by itself", "rounds", "starts", "whole plots"],
)
def test_a_plan_is_the_same_whoever_searches(study, settings, monkeypatch):
    alone = optimal(study, "quadratic", **settings)
    sent = []
    shared = chains.in_order

    def watched(where, work, tasks, n_jobs):
        sent.append(len(tasks))
        return shared(where, work, tasks, n_jobs)

    monkeypatch.setattr(chains, "in_order", watched)
    with joblib.parallel_config(backend="threading", n_jobs=2):
        elsewhere = optimal(study, "quadratic", **settings)
    assert sent  # it did go elsewhere
    pd.testing.assert_frame_equal(elsewhere.runs, alone.runs, check_exact=True)
    assert elsewhere.provenance == alone.provenance


def test_the_fewest_batches_are_the_same_whoever_searches():
    wanted = {"sigma": 1.0, "change": 2.5, "runs": (9, 16)}
    alone = smallest_plan(FREE, "linear", **wanted)
    with joblib.parallel_config(backend="threading", n_jobs=2):
        elsewhere = smallest_plan(FREE, "linear", **wanted)
    pd.testing.assert_frame_equal(elsewhere.table, alone.table, check_exact=True)
    pd.testing.assert_frame_equal(elsewhere.plan.runs, alone.plan.runs, check_exact=True)
