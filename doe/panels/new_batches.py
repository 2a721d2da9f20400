"""Batches to make next, apart from those made, each with what is expected of it now."""

from __future__ import annotations

import pandas as pd

from doe.designs.plan import column_text
from doe.study import Categorical
from doe.study.shown import Section, Shown, chance_text, number_text
from doe.window import Window


class NewBatches(Shown):
    """Batches to make next, each with its chance as the window has it now.

    Parameters
    ----------
    win : Window
        What is known so far.
    runs : DataFrame
        The new batches, one row a batch, natural units.
    """

    def __init__(self, win: Window, runs: pd.DataFrame) -> None:
        self.study, self.runs, self.now = win.study, runs, win.probability(runs)

    def _sections(self) -> list[Section]:
        table = pd.DataFrame({"new batch": [str(i) for i in self.runs.index]})
        for f in self.study.factors:
            values = self.runs[f.name]
            table[f.label] = list(values) if isinstance(f, Categorical) else column_text(values.to_numpy(dtype=float))
        table["chance now"] = [chance_text(float(p), 2) for p in self.now["probability"]]
        return [
            Section(
                f"{len(table)} new batch{'es' * (len(table) != 1)} to make",
                table,
                "“Chance now” is that of meeting every specification there, from the batches made so far "
                f"(Monte-Carlo error {number_text(float(self.now['mc_error'].max()), digits=2)} or less). "
                "They are chosen for what they tell, not to turn out well.",
            )
        ]
