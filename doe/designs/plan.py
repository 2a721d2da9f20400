"""The Plan: which batches to make, in natural units, with their blocks and whole plots, and how the plan came about."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from doe.designs import regular
from doe.designs.settable import check_lines, outside_ranges
from doe.study import Categorical, Component, Continuous, Model, Section, Shown, Study, StudyError
from doe.study.files import read_json, taken_from, write_json
from doe.study.shown import number_text
from doe.study.terms import parse_term, quoted

SCHEMA = 1
ROWS_SHOWN = 64
CHAINS_SHOWN = 40
EXACT = 1e-9  # coded settings closer than this are the same level
COUNTED = ("run", "block", "whole_plot")


@dataclass(frozen=True, repr=False, eq=False)
class Plan(Shown):
    """Which batches to make.

    Parameters
    ----------
    study : Study
        What is studied.
    runs : DataFrame
        One row a batch, one column a factor, natural units; the index holds the run numbers 1 … n (standard order, or the order to make
        them in a plan that `randomised` gave).
    model : Model, optional
        The model the plan was made for.
    block, whole_plot : Series or sequence, optional
        Label of each run's block and of its whole plot (the runs that share one setting of the hard-to-change factors); kept as text.
        Each whole plot lies in one block and has one setting of every hard-to-change factor.
    provenance : mapping
        How the plan came about: function, arguments, seed, version, notes.

    Raises
    ------
    StudyError
        If a setting cannot be used, run numbers are not 1 … n, or labels are missing or contradict the settings.
    """

    study: Study
    runs: pd.DataFrame
    model: Model | None = None
    block: pd.Series[Any] | None = None
    whole_plot: pd.Series[Any] | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not isinstance(self.study, Study):
            raise StudyError("plan: study", self.study, "a doe.Study", "describe the study first")
        if not isinstance(self.runs, pd.DataFrame) or self.runs.empty:
            raise StudyError(
                "plan: runs",
                "empty" if isinstance(self.runs, pd.DataFrame) else type(self.runs).__name__,
                "a DataFrame of at least one run",
                "give one row a batch and one column a factor",
            )
        n = len(self.runs)
        numbers = list(self.runs.index)
        if not _counts_up(numbers):
            raise StudyError(
                "plan: run numbers",
                numbers if n <= 6 else f"{numbers[:6]} …",
                f"1 to {n}, each once",
                "number them so",
            )
        runs = self.study.frame(self.runs, where="the plan")
        runs.index = pd.Index([int(i) for i in numbers], name="run")
        object.__setattr__(self, "runs", runs)
        for name in ("block", "whole_plot"):
            object.__setattr__(self, name, _labels(name, getattr(self, name), self.runs.index))
        object.__setattr__(self, "provenance", dict(self.provenance))
        self._check_whole_plots()

    def _check_whole_plots(self) -> None:
        if self.whole_plot is None:
            return
        for label, members in self.runs.groupby(self.whole_plot, sort=False):
            if self.block is not None and self.block[members.index].nunique() > 1:
                raise StudyError(
                    f"plan: whole plot {label!r}",
                    "in blocks " + ", ".join(dict.fromkeys(self.block[members.index])),
                    "in one block",
                    "give every whole plot a label of its own",
                )
            for name in self.study.hard_to_change:
                levels = members[name].unique()
                if len(levels) > 1:
                    raise StudyError(
                        f"plan: whole plot {label!r}",
                        f"{name} = " + ", ".join(v if isinstance(v, str) else number_text(v) for v in levels),
                        f"one setting of the hard-to-change factor {name!r}",
                        "give each setting a whole plot of its own",
                    )

    # ---- made from a table

    @classmethod
    def from_frame(cls, study: Study, df: pd.DataFrame, model: str | Sequence[str] | Model | None = None) -> Plan:
        """A plan of the user's own.

        Parameters
        ----------
        study : Study
            What is studied.
        df : DataFrame
            One row a batch, one column a factor in natural units; columns "run" (numbers 1 … n; without one the rows are numbered as
            they stand, unless the index is named "run"), "block" and "whole_plot" are taken as such, any other column is left out.
        model : optional
            As for `Study.model`: what the plan is meant to fit.

        Returns
        -------
        Plan
            Runs outside the factors' ranges but inside their limits are kept, and named in the plan's note.

        Raises
        ------
        StudyError
            If a setting cannot be used, breaks a limit or a constraint, or a factor is hard to change and there is no whole_plot.
        """
        if not isinstance(df, pd.DataFrame):
            raise StudyError(
                "the plan", type(df).__name__, "a DataFrame", "give one row a batch and one column a factor"
            )
        table, notes = df.copy(), []
        if "run" in table.columns:
            table.index = pd.Index(table["run"], name="run")
        elif table.index.name != "run" or not _counts_up(table.index):
            if table.index.name == "run":
                notes.append(f"Numbered anew; the table's runs were {', '.join(map(str, table.index))}.")
            table.index = pd.RangeIndex(1, len(table) + 1, name="run")
        if study.hard_to_change and "whole_plot" not in table.columns:
            raise StudyError(
                "the plan: column 'whole_plot'",
                "missing",
                f"there, since {' and '.join(map(repr, study.hard_to_change))} cannot be set anew for each run",
                "say which runs share one setting of it, or one label a run if it is set anew each time",
            )
        labels = {name: table[name] if name in table.columns else None for name in ("block", "whole_plot")}
        made = cls(
            study,
            table,
            None if model is None else study.planned_model(model),
            labels["block"],
            labels["whole_plot"],
            {"function": "from_frame", "arguments": {}, "seed": None, "version": version()},
        )
        check_lines(study, made.runs, "the plan", "correct the run, or the limit or constraint in the study")
        outside = outside_ranges(study, made.runs)
        if outside:
            runs = ", ".join(map(str, outside))
            notes.append(f"Outside the factors' ranges or levels, inside their limits: run {runs}.")
        return replace(made, provenance={**made.provenance, "notes": notes})

    # ---- read in other ways

    @cached_property
    def coded(self) -> pd.DataFrame:
        """The runs with numeric factors coded to [−1, 1], components as shares of the total, categorical factors as labels."""
        return self.study.coded(self.runs)

    @cached_property
    def fingerprint(self) -> str:
        """Twelve hexadecimal digits of the batches and their labels, whatever the order to make them and however they came about."""
        content = {key: value for key, value in self.content().items() if key in ("study", "runs")}
        content["runs"] = sorted(content["runs"], key=lambda run: run["run"])
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:12]

    def randomised(self, seed: int) -> Plan:
        """The same runs in a random order to make them.

        Randomisation is restricted as the plan is: the order of the blocks, of the whole plots within each, of the runs within those. Runs that
        were made before others were added (`extend`, `fold_over`, `add_axial`) stay first, as they stand.

        Parameters
        ----------
        seed : int
            0 or above; the same seed gives the same order.

        Returns
        -------
        Plan
            Its index still holds the run numbers of the standard order.
        """
        rng = generator("randomised", seed)
        made = self.runs.index <= self.provenance.get("made_before", 0)
        order: list[int] = self.runs.index[made].tolist()
        for in_block in _shuffled(self.runs.index[~made], self.block, rng):
            for in_whole_plot in _shuffled(in_block, self.whole_plot, rng):
                order += [int(run) for run in rng.permutation(in_whole_plot)]
        return replace(
            self,
            runs=self.runs.loc[order],
            block=None if self.block is None else self.block.loc[order],
            whole_plot=None if self.whole_plot is None else self.whole_plot.loc[order],
            provenance={**self.provenance, "order_seed": int(seed)},
        )

    # ---- the alias structure of two-level plans

    @cached_property
    def _two_level(self) -> tuple[list[str], Any, pd.Index] | None:
        """Names, signs (n, k) and run numbers of a regular two-level plan; None where the plan is something else.

        +1 is high, and the first level of a categorical factor, as in the model's own contrasts. Runs with all continuous factors at one
        setting between (centre runs) are left out.
        """
        columns: dict[str, Any] = {}
        middle = np.zeros(len(self.runs), dtype=bool)
        for f in self.study.factors:
            values = self.coded[f.name].to_numpy()
            if isinstance(f, Component) or (isinstance(f, Categorical) and len(f.levels) > 2):
                return None
            columns[f.name] = (
                np.where(values == f.levels[0], 1.0, -1.0) if isinstance(f, Categorical) else values.astype(float)
            )
            middle |= np.abs(np.abs(columns[f.name]) - 1.0) > EXACT
        signs = np.column_stack(list(columns.values()))
        inner = self.coded.loc[middle, [f.name for f in self.study.factors if isinstance(f, Continuous)]]
        if middle.all() or (
            middle.any() and (inner.empty or np.ptp(inner.to_numpy(dtype=float), axis=0).max() > EXACT)
        ):
            return None
        signs = np.sign(signs[~middle])
        return (list(columns), signs, self.runs.index[~middle]) if regular.is_regular(signs) else None

    def _regular(self) -> tuple[list[str], Any, pd.Index]:
        if self._two_level is None:
            raise StudyError(
                "plan: alias structure",
                self._heading(),
                "asked of a regular two-level plan",
                "correlations of any plan stand in doe.quality.check(plan)",
            )
        return self._two_level

    @property
    def defining_relation(self) -> tuple[str, ...]:
        """The words equal to the identity, shortest first, with "-" before a negative one; none for a full factorial.

        Where they are more than 4095, those of up to four factors.
        """
        names, signs, _ = self._regular()
        return tuple(_signed(word, sign, names) for word, sign in regular.all_words(signs))

    @property
    def word_lengths(self) -> pd.Series[int]:
        """Word-length pattern: how many defining words of each length from 1 to the number of factors."""
        counts = regular.word_lengths(self._regular()[1])
        return pd.Series(counts[1:], index=pd.RangeIndex(1, len(counts), name="length"), name="words", dtype="int64")

    @property
    def resolution(self) -> int | None:
        """Length of the shortest defining word; None for a full factorial, where nothing is aliased."""
        return regular.resolution(self._regular()[1])

    @cached_property
    def alias_structure(self) -> pd.DataFrame:
        """What a two-level fraction cannot tell apart.

        Returns
        -------
        DataFrame
            Column `effect`: "1" (the identity, with the whole defining relation), then each chain's leading main effect or two-factor
            interaction (three factors only where the chain is confounded with blocks); `aliases`: the other effects in its chain ("-"
            before those of opposite sign), of up to three factors, or two at resolution III and where there are more than eight factors;
            `with_blocks` (blocked plans): whether the chain's contrast is one between blocks.

        Raises
        ------
        StudyError
            If the plan is no regular two-level plan.
        """
        names, signs, runs = self._regular()
        rows = []
        for chain in regular.alias_chains(signs, self._alias_order):
            leader = chain[0][0]
            others = self.defining_relation if leader == 0 else [_signed(mask, sign, names) for mask, sign in chain[1:]]
            row: dict[str, str | bool] = {"effect": _signed(leader, 1, names), "aliases": ", ".join(others)}
            if self.block is not None:
                contrast = pd.Series(signs[:, regular.bits(leader)].prod(axis=1), index=runs)
                row["with_blocks"] = leader != 0 and bool((contrast.groupby(self.block[runs]).nunique() == 1).all())
            if leader.bit_count() <= 2 or row.get("with_blocks"):
                rows.append(row)
        return pd.DataFrame(rows)

    @property
    def _alias_order(self) -> int:
        """Factors of the largest interactions worth naming: two where main effects are mixed with those, or there are many factors."""
        names, signs, _ = self._regular()
        crowded = len(names) > 8 or (regular.resolution(signs) or 4) < 4
        return min(len(names), 2 if crowded else 3)

    # ---- keeping

    def content(self) -> dict[str, Any]:
        """The plan, with its study, as plain values for JSON."""
        runs = []
        for number, row in self.runs.iterrows():
            entry: dict[str, Any] = {"run": int(number)}  # type: ignore[call-overload]
            for name in ("block", "whole_plot"):
                labels = getattr(self, name)
                if labels is not None:
                    entry[name] = labels[number]
            entry["settings"] = {name: v if isinstance(v, str) else float(v) for name, v in row.items()}
            runs.append(entry)
        model = None
        if self.model is not None:
            model = {"name": self.model.name, "terms": list(self.model.terms), "added": list(self.model.added)}
        return {
            "kind": "plan",
            "schema": SCHEMA,
            "study": self.study.content(),
            "model": model,
            "runs": runs,
            "provenance": dict(self.provenance),
        }

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write the plan, with its study, as JSON that a person can read; the file is replaced whole or not at all."""
        return write_json(path, self.content())

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Plan:
        """Read a plan that `save` wrote.

        Raises
        ------
        StudyError
            If the file is missing, cut short, of a newer schema, or says something that no plan can be.
        """
        content, where = read_json(path, "plan", SCHEMA), f"plan file {str(path)!r}"
        with taken_from(where, "plan"):
            return cls.from_content(content, where)

    @classmethod
    def from_content(cls, content: Mapping[str, Any], where: str = "plan") -> Plan:
        """The plan that `content` described; `where` begins its errors' sentences."""
        for key, kind, words in (
            ("study", dict, "an object"),
            ("runs", list, "a list"),
            ("provenance", dict, "an object"),
        ):
            if not isinstance(content.get(key), kind):
                raise StudyError(f"{where}: {key}", content.get(key), words, "take a file that this package saved")
        study = Study.from_content(content["study"], where)
        table = _run_table(content["runs"], where)
        model = content.get("model")
        if model is not None:
            if not isinstance(model, dict) or not isinstance(model.get("terms"), list):
                raise StudyError(
                    f"{where}: model", model, "an object with its terms", "take a file that this package saved"
                )
            parsed = tuple(parse_term(t, study.names) for t in model["terms"])
            model = Model(study, str(model.get("name")), parsed, tuple(model.get("added", ())))
        labels = {name: table[name] if name in table.columns else None for name in ("block", "whole_plot")}
        return cls(study, table, model, labels["block"], labels["whole_plot"], content["provenance"])

    # ---- shown

    def _heading(self) -> str:
        kinds = self.provenance.get("kinds", {})
        text = f"{len(self.runs)} run{'s' if len(self.runs) > 1 else ''}"
        if len(kinds) > 1:
            text += ": " + ", ".join(f"{count} {kind}" for kind, count in kinds.items())
        for name, word in (("block", "block"), ("whole_plot", "whole plot")):
            labels = getattr(self, name)
            if labels is not None:
                text += f"; {labels.nunique()} {word}{'s' if labels.nunique() > 1 else ''}"
        function = str(self.provenance.get("function", ""))
        kind = _NAMES.get(function, function.replace("_", " "))
        return f"Plan for {self.study.name}: {kind + ', ' if kind else ''}{text}"

    def _sections(self) -> list[Section]:
        notes = [str(n) for n in self.provenance.get("notes", [])]
        if "order_seed" in self.provenance:
            notes.append(
                f"In the order to make them (seed {self.provenance['order_seed']}); run numbers are those of the standard order."
            )
        if len(self.runs) > ROWS_SHOWN:
            notes.append(f"The other {len(self.runs) - ROWS_SHOWN} runs stand in plan.runs.")
        sections = [Section(self._heading(), self._table().head(ROWS_SHOWN), "\n".join(notes))]
        # below resolution III a handful of runs, not a fraction: two factors always move together, and quality.check says which terms do
        if self._two_level is not None and self.resolution is not None and self.resolution >= 3:
            sections.append(self._alias_section())
        return sections

    def _table(self) -> pd.DataFrame:
        table = pd.DataFrame({"run": [str(i) for i in self.runs.index]}, index=self.runs.index)
        for name, head in (("block", "block"), ("whole_plot", "whole plot")):
            labels = getattr(self, name)
            if labels is not None:
                table[head] = labels
        for f in self.study.factors:
            values = self.runs[f.name]
            table[f.label] = values if isinstance(f, Categorical) else column_text(values.to_numpy(dtype=float))
        return table

    def _alias_section(self) -> Section:
        chains = self.alias_structure
        keep = chains["aliases"] != ""
        if "with_blocks" in chains:
            keep |= chains["with_blocks"]
        table = chains[keep & (chains["effect"] != "1")].rename(columns={"aliases": "cannot be told from"})
        if "with_blocks" in table:
            table["with_blocks"] = np.where(table["with_blocks"], "yes", "")
            table = table.rename(columns={"with_blocks": "nor from blocks"})
        words = self.defining_relation
        pattern = self.word_lengths
        lines = [
            "Defining relation: 1 = "
            + " = ".join(words[:8])
            + (f" = … ({len(words)} words)" if len(words) > 8 else "")
            + ".",
            "Words by length: " + ", ".join(f"{count} of {length}" for length, count in pattern.items() if count) + ".",
            f"Interactions of more than {_NUMBER[self._alias_order]} factors are left out"
            + (
                f", and {len(table) - CHAINS_SHOWN} more rows stand in plan.alias_structure."
                if len(table) > CHAINS_SHOWN
                else "."
            ),
        ]
        title = f"What can't be told apart (resolution {_ROMAN.get(self.resolution or 0, str(self.resolution))})"
        return Section(title, table.head(CHAINS_SHOWN), "\n".join(lines))


_NAMES = {
    "add_axial": "factorial with axial points added",
    "box_behnken": "Box-Behnken",
    "extend": "extended",
    "fold_over": "folded over",
    "from_frame": "your own",
    "latin_hypercube": "Latin hypercube",
    "plackett_burman": "Plackett-Burman",
}
_NUMBER = {1: "one", 2: "two", 3: "three"}
_ROMAN = {3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII", 8: "VIII", 9: "IX", 10: "X", 11: "XI"}


def version() -> str:
    """The package's version, for a provenance; read from the loaded package, since a room may not import the top floor."""
    return str(getattr(sys.modules[__name__.partition(".")[0]], "__version__", "unknown"))


def generator(function: str, seed: object) -> np.random.Generator:
    """The random generator of a seed, or the sentence that says why not."""
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise StudyError(
            f"{function}: seed", seed, "a whole number from 0", "give any such number; the same one repeats the answer"
        )
    return np.random.default_rng(int(seed))


def column_text(values: Any) -> list[str]:
    """Settings of one factor as text, all with the fewest decimals that show them to a two-thousandth of their span."""
    span = float(np.ptp(values)) or float(np.abs(values).max()) or 1.0
    decimals = next((d for d in range(10) if np.abs(values - np.round(values, d)).max() <= 5e-4 * span), 10)
    return [f"{v + 0.0:.{decimals}f}" for v in np.round(values, decimals)]


def _signed(mask: int, sign: int, names: Sequence[str]) -> str:
    text = ":".join(quoted(names[j]) for j in regular.bits(mask)) or "1"
    return f"-{text}" if sign < 0 else text


def _counts_up(numbers: Iterable[object]) -> bool:
    """Whether these are 1, 2 … n in some order."""
    found = sorted(map(str, numbers))
    return found == sorted(map(str, range(1, len(found) + 1)))


def _shuffled(runs: Any, labels: pd.Series[Any] | None, rng: np.random.Generator) -> list[Any]:
    """The runs in groups of one label, groups in random order."""
    if labels is None:
        return [runs]
    here = labels.loc[list(runs)].to_numpy()
    groups = [np.asarray(runs)[here == label] for label in dict.fromkeys(here)]
    return [groups[i] for i in rng.permutation(len(groups))]


def _labels(name: str, given: Any, index: pd.Index) -> pd.Series[Any] | None:
    """Labels as text on the plan's index."""
    if given is None:
        return None
    series = given if isinstance(given, pd.Series) else pd.Series(list(given))
    if set(series.index) == set(index) and series.index.is_unique:
        series = series.loc[index]  # by run number, not by place
    if len(series) != len(index):
        raise StudyError(
            f"plan: {name}", f"{len(series)} labels", f"one label for each of the {len(index)} runs", "complete it"
        )
    texts = []
    for run, value in zip(index, series, strict=True):
        if pd.isna(value) or not str(value).strip():
            raise StudyError(
                f"plan: {name} of run {run}", "blank", "a label", f"say which {name.replace('_', ' ')} the run is in"
            )
        whole = isinstance(value, float | np.floating) and float(value).is_integer()
        texts.append(str(int(value)) if whole else str(value).strip())
    return pd.Series(texts, index=index, name=name, dtype=object)


def _run_table(rows: list[Any], where: str) -> pd.DataFrame:
    entries = []
    for i, row in enumerate(rows, start=1):
        if not isinstance(row, dict) or not isinstance(row.get("settings"), dict) or "run" not in row:
            raise StudyError(
                f"{where}: entry {i} of runs",
                row,
                "an object with run and settings",
                "take a file that this package saved",
            )
        entries.append({**row["settings"], **{name: row[name] for name in COUNTED if name in row}})
    table = pd.DataFrame(entries)
    if "run" in table.columns:
        table = table.set_index("run")
    return table
