"""A cluster of two worker processes: rehearsals as alone, and squares of which one kills its worker the first time it is tried."""

import os
import signal
import sys
from pathlib import Path

import distributed
import joblib
import pandas as pd

import doe
from doe.study.tasks import worked_through


def main(mark: Path) -> None:
    study = doe.Study("gel", [doe.Continuous(name, 0, 1) for name in "abc"], [doe.Response("y", low=8.5)])
    plan = doe.designs.box_behnken(study, centre=3)

    def rehearsed():
        return doe.rehearse(plan, {"y": {"1": 9.0, "a": 0.4}}, 0.2, n=4, draws=500)

    def squared(i):
        if i == 3 and not mark.exists():
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return i * i

    alone = rehearsed()
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster),
        joblib.parallel_config(backend="dask"),
    ):
        shared = rehearsed()
        pd.testing.assert_frame_equal(shared.trials, alone.trials, check_exact=True)
        pd.testing.assert_frame_equal(shared.drivers, alone.drivers, check_exact=True)
        print("same", *worked_through(squared, range(6), 1, "squares"))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
