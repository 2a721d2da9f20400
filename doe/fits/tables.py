"""Tables that carry a note: a DataFrame whose printed form says how to read it."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any, ClassVar

import pandas as pd

from doe.study.shown import number_text


class Noted(pd.DataFrame):
    """A DataFrame with a `note` under it; slices and copies are plain DataFrames."""

    _metadata: ClassVar[list[str]] = ["note"]
    note: str = ""

    @classmethod
    def made(cls, table: pd.DataFrame, note: str) -> Noted:
        """A table with its note."""
        out = cls(table)
        out.note = note
        return out

    @property
    def _constructor(self) -> Callable[..., pd.DataFrame]:
        return pd.DataFrame

    def _as_text(self) -> pd.DataFrame:
        """The cells as text: estimates with the digits of their standard error, other figures with four."""
        table = pd.DataFrame(self)
        out = table.astype(object)
        error = table["std_error"].tolist() if "std_error" in table.columns else [None] * len(table)
        for column in table.columns[[pd.api.types.is_float_dtype(t) for t in table.dtypes]]:
            with_error = column in ("estimate", "std_error", "low", "high")
            out[column] = [number_text(v, e if with_error else None) for v, e in zip(table[column], error, strict=True)]
        return out

    def __str__(self) -> str:
        table = self._as_text().to_string()
        return f"{table}\n{self.note}" if self.note else table

    def __repr__(self) -> str:
        return str(self)

    def _repr_html_(self) -> str:
        html: Any = self._as_text().to_html(border=0)
        return f"{html}" + "".join(f"<p>{escape(line)}</p>" for line in self.note.split("\n") if line)


class Equation(Noted):
    """Coefficients of an equation; `str()` writes it out, ready to be copied into a sheet."""

    _metadata: ClassVar[list[str]] = ["note", "written"]
    written: str = ""

    def __str__(self) -> str:
        return f"{self.written}\n{self.note}" if self.note else self.written

    def __repr__(self) -> str:
        return f"{pd.DataFrame(self).to_string()}\n{self}"

    def _repr_html_(self) -> str:
        html: Any = pd.DataFrame(self).to_html(border=0)
        return f"{html}" + "".join(f"<p>{escape(line)}</p>" for line in str(self).split("\n") if line)
