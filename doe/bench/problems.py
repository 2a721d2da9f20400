"""Problems of a returned sheet: listed cell by cell, so that all of them are seen at once and none is mended by guessing."""

from __future__ import annotations

import pandas as pd

COLUMNS = ("sheet", "cell", "found", "allowed", "mend")


class Problems:
    """A growing list of problems; `frame` is what the user sees of it."""

    def __init__(self, sheet: str) -> None:
        self.sheet = sheet
        self._rows: list[dict[str, str]] = []

    def add(self, cell: str, found: object, allowed: str, mend: str) -> None:
        """Note one problem: where it is, what stands there, what may stand there, how to mend it."""
        self._rows.append(
            {"sheet": self.sheet, "cell": cell, "found": cell_text(found), "allowed": allowed, "mend": mend}
        )

    def frame(self) -> pd.DataFrame:
        """One row a problem, every cell text."""
        return pd.DataFrame(self._rows, columns=list(COLUMNS), dtype=object)


def cell_text(found: object) -> str:
    """What stands in a cell, as text; "blank" for nothing."""
    if found is None:
        return "blank"
    if isinstance(found, float):
        return f"{found:.10g}"
    return str(found) if str(found).strip() else "blank"
