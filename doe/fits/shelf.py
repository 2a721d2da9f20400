"""How a response changed in storage: lines, times within specification, and the words that go with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from doe.fits.arrays import Floats
from doe.fits.bounded_lines import (
    LEAST_DEGREES,
    BoundedLines,
    bounded_bend,
    fit_bounded,
    held,
)
from doe.fits.censored import MANY_CENSORED, fitted_bounds, reading_text
from doe.fits.censoring import Bounds
from doe.fits.kenward_roger import Inference
from doe.fits.lines import KINDS, Labels, Lines, bent, crossing, fit_lines
from doe.fits.score_lines import ScoreLines
from doe.fits.sources import plain
from doe.fits.tables import Noted
from doe.fits.verdicts import listed, runs_text
from doe.study import Response, Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.occasions import days
from doe.study.shown import number_text, p_text

# ICH Q1E, 2.4.1.1: no more than twice, and no more than 12 months beyond, the period covered by long-term data
MOST_TIMES, MOST_BEYOND = 2.0, 12 * 30.4375
BEND_P = 0.05


@dataclass(frozen=True)
class Average:
    """The line of the average batch, batches being a sample of those to come: REML with random starts and slopes, Kenward–Roger."""

    inference: Inference
    turn: Floats
    centre: float

    def at(self, t: Floats, new: bool) -> tuple[Floats, Floats, Floats]:
        """Estimate, standard error and degrees of freedom at times: of the average batch's line, or of the line of a new batch."""
        rows = np.column_stack([np.ones_like(t), t - self.centre]) @ self.turn
        estimate = rows @ self.inference.gamma
        if not new:
            variance = np.einsum("ij,jk,ik->i", rows, self.inference.adjusted, rows)
            return estimate, np.sqrt(variance), self.inference.degrees(rows)
        found = [
            self.inference.of_new_batch(row, [0.0, 1.0, (at - self.centre) ** 2])
            for row, at in zip(rows, t, strict=True)
        ]
        variance = np.array([float(np.atleast_1d(v)[0]) for v, _ in found])
        return estimate, np.sqrt(np.maximum(variance, 0.0)), np.array([float(np.atleast_1d(d)[0]) for _, d in found])


@dataclass(frozen=True, repr=False, eq=False)
class Drift(Shown):
    """How a response changes in storage; made by `doe.fits.drift`.

    Times are in `unit`; slopes are on the fitted scale, for one `unit` of time.

    Attributes
    ----------
    study : Study
    response : Response
        Its limits are those of the latest time that has any.
    condition : str
    unit : str
        Unit of time: that of the latest time read.
    data : DataFrame
        run, time (text), t (in `unit`), value (mean reading), one row a batch and time. Where readings are known only by bounds also lower
        and upper, between which each mean lies; value is NaN there.
    settings : DataFrame
        run, labels and factors of every batch with a line, in order.
    kind : str
        "lines of their own", "one slope, starts of their own" or "one line", as the tests allow; "" where scores have no line.
    lines : Lines, BoundedLines or None
        By least squares; by maximum likelihood where readings are known only by bounds; None for scores.
    average : Average or None
        Where batches are random.
    tests : DataFrame
        The poolability tests: question, df, den_df, F, p; by the likelihood ratio where readings are known only by bounds. Of scores:
        question, df, chi2, p.
    significance, confidence : float
    sides : tuple of (limit on the fitted scale, whether the response must stay above it)
    tail : float
        Probability on the outer side of a confidence limit.
    accelerated : bool
        Whether the condition is one that carries no claim.
    unused : DataFrame
        run, reason.
    unheld : tuple
        Batches without a line because their readings are known only by bounds that hold none.
    scores : ScoreLines or None
        Of a score followed with a `chance`: its proportional-odds line.
    """

    study: Study
    response: Response
    condition: str
    unit: str
    data: pd.DataFrame
    settings: pd.DataFrame
    kind: str
    lines: Lines | BoundedLines | None
    average: Average | None
    tests: pd.DataFrame
    significance: float
    confidence: float
    sides: tuple[tuple[float, bool], ...]
    tail: float
    accelerated: bool
    unused: pd.DataFrame
    unheld: tuple[Any, ...] = field(default=())
    scores: ScoreLines | None = field(default=None)
    notes: tuple[str, ...] = field(default=())

    # ---- times within specification

    @property
    def covered(self) -> float:
        """The latest time read, in `unit`."""
        return float(self.data["t"].max())

    @property
    def furthest(self) -> float:
        """How far an estimate may be carried on: twice the time covered, and no more than 12 months beyond it."""
        return min(MOST_TIMES * self.covered, self.covered + MOST_BEYOND / days(f"1 {self.unit}"))

    def _when(self, which: int, limits: bool) -> float:
        """When a batch's line (or its confidence limit) leaves the specification."""
        assert self.lines is not None
        if not self.sides or (limits and not self.lines.df):
            return float("nan")
        if limits:
            return min(self.lines.limit_crossing(which, self.tail, limit, above) for limit, above in self.sides)
        line = self.lines.lines[which]
        return min(crossing(line, np.zeros((2, 2)), 0.0, limit, above) for limit, above in self.sides)

    @cached_property
    def batches(self) -> pd.DataFrame:
        """One row a batch.

        Returns
        -------
        DataFrame
            run, block and whole_plot where there are any, the factors as planned; of lines: start (response's own scale, time 0), slope
            and std_error (fitted scale, one unit of time), time_to_limit (when the line leaves the specification, or ">" what it was
            followed to, twice the time covered at most), within (until when its confidence limit stays inside; ∞ where always). Of
            scores: time_to_limit between the last inspection that met the specification and the first that did not: "4..8", ">12"; with a
            `chance`, within (until when the chance of meeting it is at least so high, by its lower credible limit; ∞ where it is as far as
            it may be carried on).
        """
        out = self.settings.copy()
        if self.lines is None:
            out["time_to_limit"] = [_first_failure(self.data[self.data["run"] == r], self.sides) for r in out["run"]]
            if self.scores is not None:
                many = 1 if self.kind == KINDS[2] else len(out)
                when = [self.scores.within(i, self.furthest) for i in range(many)]
                out["within"] = when if many > 1 else when * len(out)
            return out
        lines = self.lines
        out["start"] = self.response.inverse(lines.lines[:, 0])
        out["slope"] = lines.lines[:, 1]
        out["std_error"] = lines.slope_errors
        if self.sides:
            when = [self._when(i, limits=False) for i in range(len(out))]
            out["time_to_limit"] = [w if w <= self.furthest else f">{self.furthest:.4g}" for w in when]
            out["within"] = [self._when(i, limits=True) for i in range(len(out))]
        return out

    @cached_property
    def within(self) -> float:
        """Until when the confidence limit stays within the specification, in `unit`: of the worst batch where they are not one line.

        With random batches, of a new batch's line. Of a score, until when the chance of meeting it is at least the `chance` asked for. ∞ where it
        always does, NaN where there is no limit, no residual degree of freedom, or a score was followed without a `chance`.
        """
        if self.lines is None:
            return float(self.batches["within"].min()) if self.scores is not None else float("nan")
        if self.average is not None:
            return min((self._average_within(*side) for side in self.sides), default=float("nan"))
        return min((self._when(i, limits=True) for i in range(len(self.settings))), default=float("nan"))

    @property
    def worst(self) -> Any:
        """Label of the batch whose confidence limit leaves the specification first; of the first batch where there is no limit."""
        if "within" not in self.batches or (self.lines is not None and not self.lines.df):
            return self.settings["run"].iloc[0]
        return self.settings["run"].iloc[int(np.argmin(self.batches["within"]))]

    def low_side_first(self, run: Any) -> bool:
        """Whether it is the lower specification limit that a batch's confidence limit meets first."""
        assert self.lines is not None
        which = self.settings["run"].tolist().index(run)
        when = [self.lines.limit_crossing(which, self.tail, *side) for side in self.sides]
        return self.sides[int(np.argmin(when))][1]

    def _average_within(self, limit: float, above: bool) -> float:
        assert self.average is not None
        from scipy import optimize  # slow to import

        average, sign = self.average, 1.0 if above else -1.0

        def room(t: float) -> float:
            estimate, error, df = average.at(np.array([t]), new=True)
            return float(sign * (estimate[0] - limit) - special.stdtrit(df[0], 1.0 - self.tail) * error[0])

        grid = np.linspace(0.0, 10.0 * self.covered, 201)
        if room(0.0) <= 0:
            return 0.0
        first = next((i for i, t in enumerate(grid) if room(t) <= 0), None)
        if first is None:
            return float("inf")
        return float(optimize.brentq(room, grid[first - 1], grid[first]))

    @property
    def shelf_life(self) -> float:
        """`within`, no further than `furthest`; NaN where the storage was accelerated, which carries no claim, or a batch is `unheld`."""
        return float("nan") if self.accelerated or self.unheld else min(self.within, self.furthest)

    # ---- what it says elsewhere

    def predict(self, times: Sequence[str | float], run: Any = None) -> Noted:
        """The line at given times.

        Parameters
        ----------
        times : sequence of str or float
            Texts such as "8 wk", or numbers in `unit`.
        run : label, optional
            Of which batch; left out: of all.

        Returns
        -------
        DataFrame
            run, t, estimate, low, high on the response's own scale. low and high are each the confidence limit of its own side.

        Raises
        ------
        StudyError
            If a time cannot be read, there is no such batch, or the response is a score.
        """
        if self.lines is None:
            raise StudyError(
                "predict",
                self.response.name,
                "a response with a line, not a score",
                "see .batches, or .chances, instead",
            )
        t, runs = self._asked("predict", times, run)
        parts = []
        for i, label in enumerate(runs):
            if run is not None and label != plain(run):
                continue
            line = self.lines.lines[i, 0] + self.lines.lines[i, 1] * t
            low, high = self.lines.limits(i, t, self.tail)
            inverse = self.response.inverse
            parts.append(
                pd.DataFrame(
                    {
                        "run": label,
                        "t": t,
                        "estimate": inverse(line),
                        "low": inverse(low),
                        "high": inverse(high),
                    }
                )
            )
        return Noted.made(
            pd.concat(parts, ignore_index=True), f"{self._limit_words} of each batch's line; t in {self.unit}."
        )

    def chances(self, times: Sequence[str | float], run: Any = None) -> Noted:
        """The chance that a score meets its limits at given times.

        Parameters
        ----------
        times : sequence of str or float
            Texts such as "8 wk", or numbers in `unit`.
        run : label, optional
            Of which batch; left out: of all.

        Returns
        -------
        DataFrame
            run, t, estimate (posterior mean: the chance to reckon with), low (its lower credible limit, at the `confidence` of the drift).

        Raises
        ------
        StudyError
            If a time cannot be read, there is no such batch, or the response has no line of scores.
        """
        if self.scores is None:
            if self.response.scale is None:
                raise StudyError("chances", self.response.name, "a score", "see .predict for what a line says")
            raise StudyError(
                "chances",
                self.response.name,
                "a score that was followed with a chance, and has a line",
                self.notes[0] if self.notes else "write drift(…, chance=0.8)",
            )
        t, runs = self._asked("chances", times, run)
        parts = []
        for i, label in enumerate(runs):
            if run is None or label == plain(run):
                estimate, low = self.scores.chances(i, t)
                parts.append(pd.DataFrame({"run": label, "t": t, "estimate": estimate, "low": low}))
        return Noted.made(
            pd.concat(parts, ignore_index=True),
            f"Chance that a score of {self.response.name} meets its limits; low: its lower {100 * self.confidence:g} % credible limit; t in "
            f"{self.unit}.",
        )

    def _asked(self, where: str, times: Sequence[str | float], run: Any) -> tuple[Floats, list[Any]]:
        """Times as numbers in `unit`, and the labels of all batches."""
        t = np.array([self._time(v, where) for v in times], dtype=float)
        runs = self.settings["run"].tolist()
        if run is not None and plain(run) not in runs:
            raise StudyError(f"{where}: run", run, "a batch with a line", nearest(str(run), [str(r) for r in runs]))
        return t, runs

    def _time(self, value: str | float, where: str) -> float:
        if isinstance(value, str):
            return days(value, f"{where}: times") / days(f"1 {self.unit}")
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not value >= 0:
            raise StudyError(f"{where}: times", value, "0 or later", f'write "4 wk", or a number of {self.unit}')
        return float(value)

    def column(self, name: str, what: str = "slope") -> pd.DataFrame:
        """What each batch's line says, as data for `doe.fit`: with the factors, under a response's name.

        Parameters
        ----------
        name : str
            Name of the response of the study that it shall be.
        what : "slope", "start", "time_to_limit" or "within"
            time_to_limit, when the line itself meets the specification, is censored where it was not followed there, or where inspections only
            bracket it; within, until when its confidence limit stays inside, is censored where the line may not be carried on so far.

        Returns
        -------
        DataFrame
            run, labels, factors and the column. A batch whose bounds hold no line of its own has no row.

        Raises
        ------
        StudyError
            If there is no such thing, or the readings hold no batch's own line.
        """
        offered = ("slope", "start", "time_to_limit", "within") if self.lines is not None else ("time_to_limit",)
        there = [w for w in offered if w in self.batches.columns]
        if what not in there:
            raise StudyError("column: what", what, f"one of {', '.join(there)}", nearest(str(what), there))
        if self.lines is not None and self.kind != KINDS[0]:
            # pooled for the shelf life; as data every batch gets its own line
            data, settings, unheld = held_batches(self.response, self.data, self.settings, KINDS[0])
            lines = lines_of(self.response, data, settings, KINDS[0])
            own = replace(
                self, kind=KINDS[0], data=data, settings=settings, lines=lines, average=None, unheld=tuple(unheld)
            )
            return own.column(name, what)
        keep = list(self.settings.columns)
        out = self.batches[[*keep, what]]
        if what == "within":
            cells = [w if w <= self.furthest else f">{self.furthest:.4g}" for w in out[what]]
            out = out.assign(**{what: pd.Series(cells, index=out.index, dtype=object)})
        return out.rename(columns={what: name})

    # ---- shown

    @property
    def _limit_words(self) -> str:
        sided = "one-sided" if np.isclose(self.tail, 1.0 - self.confidence) else "two-sided"
        return f"{sided} {100 * self.confidence:g} % confidence limit"

    @property
    def heading(self) -> str:
        """What was followed, on how much."""
        k, times = len(self.settings), self.data["t"].nunique()
        where = f" at {self.condition}" if self.condition else ""
        batches = f"{k} batch{'es' * (k > 1)}"
        scale = f", {self.response.fitted_label}" if self.response.transform else ""
        kind = f"; {self.kind if self.average is None else 'batches a sample of those to come'}" if self.kind else ""
        n = len(self._bounded)
        known = f", {n} of {len(self.data)} readings known only by bounds" if n else ""
        return (
            f"{self.response.label} against storage time{where}{scale}: {batches} at {times} times up to "
            f"{number_text(self.covered)} {self.unit}{known}{kind}"
        )

    @property
    def _bounded(self) -> pd.DataFrame:
        """Rows of `data` that are known only by bounds."""
        return self.data[self.data["value"].isna()]

    def _sections(self) -> list[Section]:
        table = self.batches.copy()
        for column in table.columns:
            if column == "std_error" or not pd.api.types.is_float_dtype(table[column]):
                continue
            error = table["std_error"].tolist() if column == "slope" else [None] * len(table)
            table[column] = [number_text(float(v), e) for v, e in zip(table[column], error, strict=True)]
        if "std_error" in table:
            table["std_error"] = [number_text(float(v), digits=2) for v in self.batches["std_error"]]
        if "within" in table:
            beyond = self.batches["within"] > self.furthest
            table["within"] = table["within"].where(~beyond, f">{self.furthest:.4g}")
        if "time_to_limit" in table:
            table["time_to_limit"] = [
                v if isinstance(v, str) else number_text(float(v)) for v in table["time_to_limit"]
            ]
        note = f"Times in {self.unit}."
        if self.lines is not None:
            note += f" start in {self.response.unit}," if self.response.unit else ""
            note += f" slope of {self.response.fitted_label}, for one {self.unit}"
            note += ": times 100, nearly per cent." if self.response.transform == "log" else "."
        if len(self._bounded):
            note += f" Known only by bounds: {bounds_told(self._bounded)}."
        sections = [Section(self.heading, table.astype(str), note)]
        if len(self.tests):
            sections.append(Section("Can the batches share a line?", self._test_table(), self._test_words()))
        if self.average is not None:
            sections.append(Section("The average batch", None, self._average_words()))
        words = self.words()
        if self.lines is None and self.scores is None and self.sides and not self.notes:
            words.append(
                "Ask drift(…, chance=0.8), say, for a line of these scores, and the time until which their chance of meeting the limits is at "
                "least so high."
            )
        sections.append(Section("How long within specification?", None, "\n".join(words)))
        if len(self.unused):
            sections.append(Section("Not in the lines", self.unused.astype(str)))
        wary = self.cautions()
        if wary:
            sections.append(Section("What to be wary of", None, "\n".join(wary)))
        return sections

    def _test_table(self) -> pd.DataFrame:
        t = self.tests
        if self.scores is not None:
            return pd.DataFrame(
                {
                    "question": t["question"],
                    "df": [str(int(v)) for v in t["df"]],
                    "χ²": [number_text(float(v), digits=3) for v in t["chi2"]],
                    "p": [p_text(float(v)) for v in t["p"]],
                }
            )
        return pd.DataFrame(
            {
                "question": t["question"],
                "df": [str(int(v)) for v in t["df"]],
                "denominator df": [
                    number_text(float(v), digits=3) if isinstance(self.lines, BoundedLines) else str(int(v))
                    for v in t["den_df"]
                ],
                "F": [number_text(float(v), digits=3) for v in t["F"]],
                "p": [p_text(float(v)) for v in t["p"]],
            }
        )

    def _test_words(self) -> str:
        level = f"{self.significance:g}"
        if np.isnan(self.tests["p"].iloc[0]):
            two = "The readings" if isinstance(self.lines, BoundedLines) else "Two readings a batch"
            words = f"{two} leave nothing to test by: every batch keeps its own line."
        elif self.kind == KINDS[0]:
            noise = ", with the residual variance of all" if self.lines is not None else ""
            words = f"Slopes differ (p below {level}): every batch keeps its own line{noise}."
        elif self.kind == KINDS[1]:
            words = f"No evidence that slopes differ (p not below {level}), but starts do: one slope, every batch its own start."
        else:
            words = f"No evidence that slopes or starts differ (p not below {level}): one line for all."
        if self.scores is not None:
            words += " Tests by the penalised likelihood ratio, judged by trials simulated from the pooled line."
        if isinstance(self.lines, BoundedLines):
            words += (
                " Tests by the likelihood ratio, on the scale on which they are these F when all readings are exact."
            )
        if len(self._factors_that_differ):
            words += (
                f" The batches differ in {listed(self._factors_that_differ)}: these tests also ask whether that matters; pool only "
                "batches of one recipe for a claim about it (runs=…)."
            )
        return words

    @cached_property
    def _factors_that_differ(self) -> list[str]:
        return [n for n in self.study.names if self.settings[n].nunique() > 1]

    def _average_words(self) -> str:
        assert self.average is not None
        L = np.array([[0.0, 1.0]]) @ self.average.turn
        slope, df = float((L @ self.average.inference.gamma)[0]), float(self.average.inference.degrees(L)[0])
        error = float(np.sqrt((L @ self.average.inference.adjusted @ L.T)[0, 0]))
        spread = float(np.sqrt(max(self.average.inference.theta[2], 0.0)))
        half = float(special.stdtrit(df, 0.975)) * error
        mixed = (
            f" The batches differ in {listed(self._factors_that_differ)}, which counts as scatter between batches here."
            if self._factors_that_differ
            else ""
        )
        return (
            f"Slope of the average batch {number_text(slope, error)} for one {self.unit} (95 %: {number_text(slope - half, error)} to "
            f"{number_text(slope + half, error)}, {number_text(df, digits=3)} df, Kenward–Roger); SD of slopes between batches "
            f"{number_text(spread, digits=2)}. Start and slope vary independently about the mean time.{mixed}"
        )

    def words(self) -> list[str]:
        """How long it stays within its specification, one sentence each."""
        name, unit = self.response.name, self.unit
        if not self.sides:
            return [f"{name} has no limit that this drift could meet: there is no time to give."]
        if self.lines is None:
            return self._score_words()
        if not self.lines.df:
            return [
                "Each batch was read at two times: its line has no error to judge it by, and no time can be given before a third."
            ]
        whose = (
            "a new batch's line"
            if self.average is not None
            else "the line"
            if self.kind == KINDS[2]
            else f"the line of run {self.worst}, the worst batch,"
        )
        until = (
            f"until {number_text(self.within, digits=3)} {unit}"
            if self.within <= self.furthest
            else f"throughout the {number_text(self.furthest, digits=3)} {unit} to which a line may be carried on: at most twice the "
            f"{number_text(self.covered)} {unit} covered, and at most 12 months beyond"
        )
        out = [f"The {self._limit_words} of {whose} stays within the specification {until} (ICH Q1E)."]
        n = len(self._bounded)
        if n:
            out.append(
                f"{n} of the {len(self.data)} readings {'is' if n == 1 else 'are'} known only by bounds: {'it counts' if n == 1 else 'they count'} "
                "by what the bounds say (maximum likelihood), and the limit is that of the profile likelihood."
            )
        if self.unheld:
            one = len(self.unheld) == 1
            out.append(
                f"This is no shelf life to claim: {runs_text(self.unheld)} {'is' if one else 'are'} not in the lines, as what is beyond the "
                f"instrument's range leaves {'its line' if one else 'their lines'} open, and that is not by chance. Read "
                f"{'it' if one else 'them'} by a method that reaches, wait for later times, or ask for the other batches alone (runs=…)."
            )
        return out + self._provisos()

    def _provisos(self) -> list[str]:
        """What a time does not say: of other storage, and of times not measured."""
        out = []
        if self.accelerated:
            out.append(
                f"{self.condition or 'This storage'} is accelerated storage: it shows which way {self.response.name} goes, and carries no claim "
                "about other storage."
            )
        if self.within > self.covered:
            out.append(
                f"Beyond {number_text(self.covered)} {self.unit} nothing was measured: what is said of later times assumes that the line goes on "
                "straight, and is no evidence that it does."
            )
        return out

    def _score_words(self) -> list[str]:
        """How long a score meets its limits, one sentence each."""
        between = "each batch's time lies between the last inspection that met the limit and the first that did not."
        if self.scores is None:
            return [f"Scores have no line: {between}"]
        name, asked = self.response.name, f"{100 * self.scores.chance:g} %"
        whose = "" if self.kind == KINDS[2] else f" of run {self.worst}, the worst batch,"
        if self.within == 0.0:
            until = f"is not shown to be {asked} at any time, nor at the start"
        elif self.within <= self.furthest:
            until = f"is at least {asked} until {number_text(self.within, digits=3)} {self.unit}"
        else:
            until = f"is at least {asked} throughout the {number_text(self.furthest, digits=3)} {self.unit} to which a line may be carried on"
        return [
            f"The chance that a score{whose} meets the limits of {name} {until}, by its lower {100 * self.confidence:g} % credible limit "
            "(proportional odds, a line in time).",
            f"As inspected, {between}",
            *self._provisos(),
        ]

    def cautions(self) -> list[str]:
        """What to be wary of, one sentence each."""
        out = list(self.notes)
        if self.lines is None:
            return out
        t, index = self.data["t"].to_numpy(dtype=float), index_of(self.data, self.settings)
        if isinstance(self.lines, BoundedLines):
            out += self._on_bounds()
            p = bounded_bend(self.lines, t)
        else:
            p = bent(t, self.response.forward(self.data["value"]), index, self.kind)
        if p < BEND_P:
            out.append(
                f"The change is not straight over time (p {p_text(p).replace('<', 'below ') if p < 0.0001 else f'= {p_text(p)}'}): a line carried on beyond "
                f"{number_text(self.covered)} {self.unit} would be wrong; try another scale, or later times."
            )
        if 0 < self.lines.df < 5:
            df = f"{self.lines.df}" if isinstance(self.lines, Lines) else number_text(self.lines.df, digits=2)
            out.append(f"Only {df} df for the scatter about the lines: the limits are wide for that reason.")
        return out

    def _on_bounds(self) -> list[str]:
        """What to be wary of where readings are known only by bounds."""
        n, out = len(self._bounded), []
        if n > MANY_CENSORED * len(self.data):
            out.append(
                f"{n} of {len(self.data)} readings are known only by bounds: what the lines say there rests on their being straight and on "
                "normal noise, not on readings."
            )
        leaning = held_batches(self.response, self.data, self.settings, KINDS[0])[2] if self.kind != KINDS[0] else {}
        if leaning:
            one = len(leaning) == 1
            out.append(
                f"The bounds of {runs_text(list(leaning))} hold no line of {'its' if one else 'their'} own: {'it leans' if one else 'they lean'} on "
                f"the other batches, and whether {'it differs' if one else 'they differ'} from them was tested to one side only."
            )
        return out


def index_of(rows: pd.DataFrame, settings: pd.DataFrame) -> Labels:
    """Which batch each row is of, in the order of the settings."""
    place = {r: i for i, r in enumerate(settings["run"])}
    return np.array([place[r] for r in rows["run"]], dtype=np.int64)


def bounds_in(response: Response, rows: pd.DataFrame) -> Bounds:
    """Bounds of readings on the fitted scale."""
    places = [f"{runs_text([r])}, {t}" for r, t in zip(rows["run"], rows["time"], strict=True)]
    return fitted_bounds(response, rows["lower"].to_numpy(dtype=float), rows["upper"].to_numpy(dtype=float), places)


def bounds_told(rows: pd.DataFrame) -> str:
    """Readings known only by bounds, batch by batch: "run 1 at 0 (>12500) and 3 mo (>12500); run 2 at 0 (>12500)"."""
    return "; ".join(f"{runs_text([run])} at {_at_times(own)}" for run, own in rows.groupby("run", sort=False))


def _at_times(rows: pd.DataFrame) -> str:
    return listed(
        [
            f"{time} ({reading_text(low, high)})"
            for time, low, high in zip(rows["time"], rows["lower"], rows["upper"], strict=True)
        ]
    )


def held_batches(
    response: Response, rows: pd.DataFrame, settings: pd.DataFrame, kind: str
) -> tuple[pd.DataFrame, pd.DataFrame, dict[Any, str]]:
    """Rows and settings of the batches whose readings hold a line of this kind, and why the others have none."""
    if "lower" not in rows:
        return rows, settings, {}
    holds = held(bounds_in(response, rows), rows["t"].to_numpy(dtype=float), index_of(rows, settings), kind)
    why = {}
    for run in settings.loc[~holds, "run"]:
        own = rows[rows["run"] == run]
        exact = own.loc[own["value"].notna(), "time"].tolist()
        but = f"exactly at {listed(exact)} only, else by bounds" if exact else "by bounds only,"
        why[run] = f"read {but} at {_at_times(own[own['value'].isna()])}: they hold no line of its own"
    return rows[~rows["run"].isin(list(why))].reset_index(drop=True), settings[holds].reset_index(drop=True), why


def lines_of(response: Response, rows: pd.DataFrame, settings: pd.DataFrame, kind: str) -> Lines | BoundedLines:
    """Lines of readings, on the fitted scale: by maximum likelihood where some are known only by bounds.

    Raises
    ------
    StudyError
        If the likelihood has no maximum, or the readings leave nothing to judge the noise by.
    """
    t = rows["t"].to_numpy(dtype=float)
    if "lower" not in rows:
        return fit_lines(t, response.forward(rows["value"]), index_of(rows, settings), kind)
    if not len(settings):
        raise StudyError(
            f"drift: readings of {response.name!r}",
            "known only by bounds at so many times that they hold the line of no batch",
            "exact at two times or more of some batch",
            "wait for the next readings, or read again by a method that reaches what was beyond the instrument",
        )
    found = fit_bounded(bounds_in(response, rows), t, index_of(rows, settings), kind)
    if found is None:
        raise StudyError(
            f"drift: noise of {response.name!r}",
            "none: the lines pass through every exact reading and between all bounds",
            "some, so that it can be judged",
            "wait for the next readings, or read again by a method that reaches what was beyond the instrument",
        )
    if found.df < LEAST_DEGREES:
        raise StudyError(
            f"drift: what {len(rows)} readings of {response.name!r}, {int(rows['value'].isna().sum())} of them known only by bounds, leave for the noise",
            f"{np.floor(100.0 * max(found.df, 0.0)) / 100.0:.2f} df",
            "at least 1",
            "wait for the next readings, or read again by a method that reaches what was beyond the instrument",
        )
    return found


def _first_failure(rows: pd.DataFrame, sides: tuple[tuple[float, bool], ...]) -> str | float:
    """Between which inspections a score left its specification, as a censored cell."""
    if not sides:
        return float("nan")
    ordered = rows.sort_values("t")
    t, v = ordered["t"].to_numpy(dtype=float), ordered["value"].to_numpy(dtype=float)
    meets = np.all([(v >= limit) if above else (v <= limit) for limit, above in sides], axis=0)
    if meets.all():
        return f">{t[-1]:.4g}"
    first = int(np.argmin(meets))
    return f"{t[first - 1]:.4g}..{t[first]:.4g}" if first else f"<{t[0]:.4g}"
