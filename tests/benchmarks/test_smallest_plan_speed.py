"""How long the fewest batches take to find: five factors, full quadratic, every size from 21 to 40 searched."""

import doe
from doe.quality import smallest_plan


def test_five_factors_twenty_sizes(benchmark):
    s = doe.Study("s", [doe.Continuous(f"x{i}", 0, 1) for i in range(5)])
    smallest_plan(s, "linear", 1.0, change=3.0)  # the search is compiled before the clock runs

    def search():
        return smallest_plan(s, "quadratic", 1.0, change=1.6, runs=(21, 40), n_jobs=2, all_sizes=True)

    found = benchmark.pedantic(search, rounds=1, iterations=1)
    assert set(found.table["runs"]) == set(range(21, 41))
