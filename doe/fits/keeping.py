"""Drift and shelf life: a response against storage time, batch by batch, and how long it stays within its specification."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, special

from doe.fits import reml
from doe.fits.arrays import Floats
from doe.fits.kenward_roger import Inference
from doe.fits.lines import KINDS, Lines, bent, crossing, fit_lines, poolability
from doe.fits.readings import reasons_of
from doe.fits.sources import Asked, Source, batch_means, bound_text, first_rows, plain, source_of
from doe.fits.tables import Noted
from doe.fits.verdicts import listed, runs_text
from doe.study import Response, Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.occasions import Limits, days, occasion_text
from doe.study.shown import number_text, p_text

# storage from this temperature up is taken for accelerated (ICH Q1A(R2): 40 °C); it shows which way things go and carries no claim
ACCELERATED_FROM = 40.0
# ICH Q1E, 2.4.1.1: no more than twice, and no more than 12 months beyond, the period covered by long-term data
MOST_TIMES, MOST_BEYOND = 2.0, 12 * 30.4375
BEND_P = 0.05
FEWEST_RANDOM = 3
_TEMPERATURE = re.compile(r"(-?\d+(?:[.,]\d+)?)\s*°?\s*C\b")


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
        run, time (text), t (in `unit`), value (mean reading), one row a batch and time.
    settings : DataFrame
        run, labels and factors of every batch with a line, in order.
    kind : str
        "lines of their own", "one slope, starts of their own" or "one line", as the tests allow; of scores, "".
    lines : Lines or None
    average : Average or None
        Where batches are random.
    tests : DataFrame
        The poolability tests: question, df, den_df, F, p.
    significance, confidence : float
    sides : tuple of (limit on the fitted scale, whether the response must stay above it)
    tail : float
        Probability on the outer side of a confidence limit.
    accelerated : bool
        Whether the condition is one that carries no claim.
    unused : DataFrame
        run, reason.
    """

    study: Study
    response: Response
    condition: str
    unit: str
    data: pd.DataFrame
    settings: pd.DataFrame
    kind: str
    lines: Lines | None
    average: Average | None
    tests: pd.DataFrame
    significance: float
    confidence: float
    sides: tuple[tuple[float, bool], ...]
    tail: float
    accelerated: bool
    unused: pd.DataFrame
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

    @property
    def _quantile(self) -> float:
        assert self.lines is not None
        return float(special.stdtrit(self.lines.df, 1.0 - self.tail)) if self.lines.df else float("nan")

    def _when(self, which: int, limits: bool) -> float:
        """When a batch's line (or its confidence limit) leaves the specification."""
        assert self.lines is not None
        if not self.sides or (limits and not self.lines.df):
            return float("nan")
        cov = self.lines.cov[which] * (self.lines.sigma**2 if self.lines.df else 0.0)
        quantile = self._quantile if limits else 0.0
        return min(crossing(self.lines.lines[which], cov, quantile, limit, above) for limit, above in self.sides)

    @cached_property
    def batches(self) -> pd.DataFrame:
        """One row a batch.

        Returns
        -------
        DataFrame
            run, block and whole_plot where there are any, the factors as planned; of lines: start (response's own scale, time 0), slope
            and std_error (fitted scale, one unit of time), time_to_limit (when the line leaves the specification, or ">" what it was
            followed to, twice the time covered at most), within (until when its confidence limit stays inside; ∞ where always). Of
            scores: time_to_limit between the last inspection that met the specification and the first that did not: "4..8", ">12".
        """
        out = self.settings.copy()
        if self.lines is None:
            out["time_to_limit"] = [_first_failure(self.data[self.data["run"] == r], self.sides) for r in out["run"]]
            return out
        lines = self.lines
        out["start"] = self.response.inverse(lines.lines[:, 0])
        out["slope"] = lines.lines[:, 1]
        out["std_error"] = lines.sigma * np.sqrt(lines.cov[:, 1, 1])
        if self.sides:
            when = [self._when(i, limits=False) for i in range(len(out))]
            out["time_to_limit"] = [w if w <= self.furthest else f">{self.furthest:.4g}" for w in when]
            out["within"] = [self._when(i, limits=True) for i in range(len(out))]
        return out

    @cached_property
    def within(self) -> float:
        """Until when the confidence limit stays within the specification, in `unit`: of the worst batch where they are not one line.

        With random batches, of a new batch's line. ∞ where it always does, NaN where there is no limit, no residual degree of freedom,
        or where it is a score.
        """
        if self.lines is None:
            return float("nan")
        if self.average is not None:
            return min((self._average_within(*side) for side in self.sides), default=float("nan"))
        return min((self._when(i, limits=True) for i in range(len(self.settings))), default=float("nan"))

    @property
    def worst(self) -> Any:
        """Label of the batch whose confidence limit leaves the specification first; of the first batch where there is no limit."""
        if self.lines is None or not self.sides or not self.lines.df:
            return self.settings["run"].iloc[0]
        return self.settings["run"].iloc[int(np.argmin(self.batches["within"]))]

    def low_side_first(self, run: Any) -> bool:
        """Whether it is the lower specification limit that a batch's confidence limit meets first."""
        assert self.lines is not None
        which = self.settings["run"].tolist().index(run)
        cov = self.lines.cov[which] * self.lines.sigma**2
        when = [crossing(self.lines.lines[which], cov, self._quantile, *side) for side in self.sides]
        return self.sides[int(np.argmin(when))][1]

    def _average_within(self, limit: float, above: bool) -> float:
        assert self.average is not None
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
        """`within`, no further than `furthest`; NaN where the storage was accelerated, which carries no claim."""
        return float("nan") if self.accelerated else min(self.within, self.furthest)

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
                "predict", self.response.name, "a response with a line, not a score", "see .batches instead"
            )
        t = np.array([self._time(v) for v in times], dtype=float)
        runs = self.settings["run"].tolist()
        if run is not None and plain(run) not in runs:
            raise StudyError("predict: run", run, "a batch with a line", nearest(str(run), [str(r) for r in runs]))
        parts = []
        for i, label in enumerate(runs):
            if run is not None and label != plain(run):
                continue
            line = self.lines.lines[i, 0] + self.lines.lines[i, 1] * t
            half = self._quantile * self.lines.errors(i, t)
            inverse = self.response.inverse
            parts.append(
                pd.DataFrame(
                    {
                        "run": label,
                        "t": t,
                        "estimate": inverse(line),
                        "low": inverse(line - half),
                        "high": inverse(line + half),
                    }
                )
            )
        return Noted.made(
            pd.concat(parts, ignore_index=True), f"{self._limit_words} of each batch's line; t in {self.unit}."
        )

    def _time(self, value: str | float) -> float:
        if isinstance(value, str):
            return days(value, "predict: times") / days(f"1 {self.unit}")
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not value >= 0:
            raise StudyError("predict: times", value, "0 or later", f'write "4 wk", or a number of {self.unit}')
        return float(value)

    def column(self, name: str, what: str = "slope") -> pd.DataFrame:
        """What each batch's line says, as data for `doe.fit`: with the factors, under a response's name.

        Parameters
        ----------
        name : str
            Name of the response of the study that it shall be.
        what : "slope", "start" or "time_to_limit"
            The last is censored where the line was not followed to the limit, or where inspections only bracket it.

        Returns
        -------
        DataFrame
            run, labels, factors and the column.

        Raises
        ------
        StudyError
            If there is no such thing, or batches share one slope, so that there is nothing to compare.
        """
        there = [w for w in ("slope", "start", "time_to_limit") if w in self.batches.columns]
        if what not in there:
            raise StudyError("column: what", what, f"one of {', '.join(there)}", nearest(str(what), there))
        if self.lines is not None and self.kind != KINDS[0] and what != "time_to_limit":
            # pooled for the shelf life; as data every batch gets its own line
            own = replace(
                self, kind=KINDS[0], lines=_lines_of(self.response, self.data, self.settings, KINDS[0]), average=None
            )
            return own.column(name, what)
        keep = [c for c in self.settings.columns if c not in there]
        out = self.batches[[*keep, what]]
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
        return (
            f"{self.response.label} against storage time{where}{scale}: {batches} at {times} times up to "
            f"{number_text(self.covered)} {self.unit}{kind}"
        )

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
        sections = [Section(self.heading, table.astype(str), note)]
        if len(self.tests):
            sections.append(Section("Can the batches share a line?", self._test_table(), self._test_words()))
        if self.average is not None:
            sections.append(Section("The average batch", None, self._average_words()))
        sections.append(Section("How long within specification?", None, "\n".join(self.words())))
        if len(self.unused):
            sections.append(Section("Not in the lines", self.unused.astype(str)))
        wary = self.cautions()
        if wary:
            sections.append(Section("What to be wary of", None, "\n".join(wary)))
        return sections

    def _test_table(self) -> pd.DataFrame:
        t = self.tests
        return pd.DataFrame(
            {
                "question": t["question"],
                "df": [str(int(v)) for v in t["df"]],
                "denominator df": [str(int(v)) for v in t["den_df"]],
                "F": [number_text(float(v), digits=3) for v in t["F"]],
                "p": [p_text(float(v)) for v in t["p"]],
            }
        )

    def _test_words(self) -> str:
        level = f"{self.significance:g}"
        if np.isnan(self.tests["p"].iloc[0]):
            words = "Two readings a batch leave nothing to test by: every batch keeps its own line."
        elif self.kind == KINDS[0]:
            words = (
                f"Slopes differ (p below {level}): every batch keeps its own line, with the residual variance of all."
            )
        elif self.kind == KINDS[1]:
            words = f"No evidence that slopes differ (p not below {level}), but starts do: one slope, every batch its own start."
        else:
            words = f"No evidence that slopes or starts differ (p not below {level}): one line for all."
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
            return [
                "Scores have no line: each batch's time lies between the last inspection that met the limit and the first that did not."
            ]
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
        if self.accelerated:
            out.append(
                f"{self.condition or 'This storage'} is accelerated storage: it shows which way {name} goes, and carries no claim about "
                "other storage."
            )
        if self.within > self.covered:
            out.append(
                f"Beyond {number_text(self.covered)} {unit} nothing was measured: what is said of later times assumes that the line goes on "
                "straight, and is no evidence that it does."
            )
        return out

    def cautions(self) -> list[str]:
        """What to be wary of, one sentence each."""
        out = list(self.notes)
        if self.lines is None:
            return out
        y, index = self.response.forward(self.data["value"]), _index(self.data, self.settings)
        p = bent(self.data["t"].to_numpy(dtype=float), y, index, self.kind)
        if p < BEND_P:
            out.append(
                f"The change is not straight over time (p {p_text(p).replace('<', 'below ') if p < 0.0001 else f'= {p_text(p)}'}): a line carried on beyond "
                f"{number_text(self.covered)} {self.unit} would be wrong; try another scale, or later times."
            )
        if 0 < self.lines.df < 5:
            out.append(f"Only {self.lines.df} df for the scatter about the lines: the limits are wide for that reason.")
        return out


def drift(
    study: Study,
    data: Any,
    response: str,
    condition: str | None = None,
    runs: Iterable[Any] | None = None,
    batches: str = "fixed",
    direction: str | None = None,
    significance: float = 0.25,
    confidence: float = 0.95,
    accelerated: bool | None = None,
    without: Mapping[Any, str] | None = None,
) -> Drift:
    """Follow a response over storage time, and estimate how long it stays within its specification.

    Parameters
    ----------
    study : Study
    data : Records or DataFrame
        As for `doe.fit`. Where the response names no times, a DataFrame's column time says them: "0", "4 wk", "3 mo". Readings that are
        still to come may be blank.
    response : str
        Name of a response that is read.
    condition : str, optional
        The storage condition; may be left out where there is one.
    runs : labels, optional
        The batches to take; all if left out.
    batches : "fixed" or "random"
        "fixed": the batches themselves, pooled as far as the tests allow. "random": a sample of batches to come, with starts and slopes
        that vary between them; the time is then that of a new batch's line.
    direction : "falls" or "rises", optional
        Known direction of change: only the limit that it moves toward counts, with a one-sided confidence limit. Left out, a response
        with limits on both sides gets two-sided ones.
    significance : float
        Of the poolability tests: pooled where p is not below it.
    confidence : float
        Of the confidence limit that meets the specification.
    accelerated : bool, optional
        Whether the condition is accelerated storage, which carries no claim; None reads it off the condition's temperature (40 °C or
        above).
    without : mapping of run -> reason, optional
        Runs to leave out; the page shows them.

    Returns
    -------
    Drift
        Lines, poolability tests and times; a score has no line, but a time between two inspections.

    Raises
    ------
    StudyError
        If the response has no times, or a time, condition, run or option cannot be used, or no batch was read at two times.

    References
    ----------
    ICH Q1E (2003). Evaluation for stability data, 2.4 and Appendix B (regression, poolability at 0.25 with slopes before intercepts, pooled
    residual variance, extrapolation). Kenward, M. G. & Roger, J. H. (1997). Biometrics 53, 983-997 (random batches).

    Examples
    --------
    >>> import doe, pandas as pd
    >>> gel = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%")], [doe.Response("pH", low=5.5)])
    >>> data = pd.DataFrame({"run": 1, "polymer": 0.4, "time": ["0", "4 wk", "8 wk", "12 wk"], "pH": [6.31, 6.22, 6.15, 6.04]})
    >>> print(f"{doe.fits.drift(gel, data, 'pH').within:.0f} wk")
    32 wk
    """
    source = source_of(study, data)
    _check_options(batches, direction, significance, confidence, accelerated)
    base = _timed(study, source, response)
    chosen = _condition(base, condition)
    drop = reasons_of(without, set(source.labels()) | set(source.planned))
    rows, settings, unused = _followed(study, source, base, chosen, runs, drop)
    unit = _unit(rows["time"])
    rows.insert(2, "t", [days(t) / days(f"1 {unit}") for t in rows["time"]])
    named = _with_limits(base, chosen, rows)
    if accelerated is None:
        match = _TEMPERATURE.search(chosen)
        accelerated = match is not None and float(match[1].replace(",", ".")) >= ACCELERATED_FROM
    low, high = named.fitted_limits() if base.scale is None else (named.low, named.high)
    sides = tuple(
        (float(limit), above)
        for limit, above, away in ((low, True, "rises"), (high, False, "falls"))
        if limit is not None and np.isfinite(limit) and direction != away
    )
    tail = (1.0 - confidence) / (2.0 if len(sides) == 2 else 1.0)
    kind, lines, average = "", None, None
    tests = poolability(np.zeros(0), np.zeros(0), np.zeros(1, dtype=np.int64))
    if base.scale is None:
        _check_values(named, rows)
        t, y, index = rows["t"].to_numpy(dtype=float), named.forward(rows["value"]), _index(rows, settings)
        tests = poolability(t, y, index)
        kind = _pooled(tests, significance)
        lines = fit_lines(t, y, index, kind)
        if batches == "random":
            average = _average(named.name, t, y, index)
    return Drift(
        study,
        named,
        chosen,
        unit,
        rows,
        settings,
        kind,
        lines,
        average,
        tests,
        significance,
        confidence,
        sides,
        tail,
        accelerated,
        unused,
    )


def _check_options(batches: Any, direction: Any, significance: Any, confidence: Any, accelerated: Any) -> None:
    if batches not in ("fixed", "random"):
        raise StudyError("drift: batches", batches, '"fixed" or "random"', "leave it out for the batches themselves")
    if direction not in (None, "falls", "rises"):
        raise StudyError(
            "drift: direction", direction, '"falls", "rises" or None', "leave it out where it is not known"
        )
    for name, value in (("significance", significance), ("confidence", confidence)):
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value < 1.0:
            raise StudyError(f"drift: {name}", value, "between 0 and 1", "write 0.95 for 95 %")
    if accelerated is not None and not isinstance(accelerated, bool):
        raise StudyError(
            "drift: accelerated", accelerated, "True, False or None", "leave it out to read it off the condition"
        )


def _timed(study: Study, source: Source, name: str) -> Response:
    """The response with its times and conditions, those of the data where the study leaves them open."""
    own = {r.name: r for r in study.responses}
    if name not in own:
        raise StudyError("drift: response", name, "a response of the study", nearest(str(name), list(own)))
    base = own[name]
    if base.formula is not None:
        raise StudyError(
            "drift: response",
            name,
            "one that is read, as a formula has no time of its own",
            "take a response it comes from",
        )
    for column, field_ in (("time", "times"), ("condition", "conditions")):
        if (
            getattr(base, field_)
            or not source.a_table
            or column not in source.table.columns
            or name not in source.table.columns
        ):
            continue
        read = source.table.loc[source.table[name].notna(), column].dropna()
        base = replace(base, **{field_: tuple(dict.fromkeys(" ".join(str(v).split()) for v in read))})
    if len(base.times) < 2:
        raise StudyError(
            f"drift: times of {name!r}",
            ", ".join(base.times) or "none",
            "two or more",
            'give the response its times=("24 h", "4 wk", …), or the table a column time',
        )
    return base


def _condition(base: Response, condition: Any) -> str:
    if condition is None and len(base.conditions) > 1:
        raise StudyError("drift: condition", "left out", f"one of {', '.join(base.conditions)}", "say which condition")
    return base.occasion(base.times[0], condition)[1]


def _followed(
    study: Study, source: Source, base: Response, condition: str, runs: Iterable[Any] | None, drop: Mapping[Any, str]
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Mean readings by batch and time, the batches' settings, and what is not used."""
    labels, keys = source.labels(), source.keys()
    first = first_rows(keys)
    place = {keys[i]: j for j, i in enumerate(first)}
    at = np.array([place[k] for k in keys], dtype=np.int64)
    run_of = [labels[i] for i in first]
    names = [
        r if run_of.count(r) == 1 else f"{r}, batch {plain(source.table['batch'].iloc[i])}"
        for r, i in zip(run_of, first, strict=True)
    ]
    wanted = _wanted(runs, run_of, names)
    unused: list[tuple[Any, str]] = [(r, drop[r]) for r in drop]
    unused += [
        (r, f"no reading of {base.name}") for r in source.planned if r not in run_of and r not in drop and runs is None
    ]
    unused += [(n, "not among the runs asked for") for n, w in zip(names, wanted, strict=True) if not w]
    rows: list[tuple[Any, str, float]] = []
    for time in base.times:
        asked = Asked(base, (time, condition), base.at(time, condition))
        lower, upper, _ = source.read(study, asked)
        low, high = batch_means(lower, at, len(first)), batch_means(upper, at, len(first))
        for j in np.flatnonzero(~np.isnan(low)):
            if not wanted[j] or run_of[j] in drop:
                continue
            if low[j] != high[j] and base.scale is None:
                unused.append(
                    (names[j], f"read only as a bound at {time} ({bound_text(low[j], high[j])}): not in its line")
                )
            elif low[j] != high[j]:
                unused.append((names[j], f"read only as a bound at {time} ({bound_text(low[j], high[j])})"))
            else:
                rows.append((names[j], time, float(low[j])))
    table = pd.DataFrame(rows, columns=["run", "time", "value"])
    counts = table.groupby("run", sort=False).size()
    need = 2 if base.scale is None else 1
    short = [
        n for n, w, r in zip(names, wanted, run_of, strict=True) if w and r not in drop and counts.get(n, 0) < need
    ]
    for name in short:
        seen = table.loc[table["run"] == name, "time"].tolist()
        unused.append(
            (name, f"read at {seen[0]} only: a line needs two times" if seen else f"no reading of {base.name}")
        )
    used = [j for j, n in enumerate(names) if wanted[j] and run_of[j] not in drop and n not in short]
    if not used:
        raise StudyError(
            f"drift: readings of {occasion_text(base.name, ('', condition))}",
            "at fewer than two times of every batch",
            "at two times or more of some batch",
            "wait for the next readings, or enter them",
        )
    place = {names[j]: i for i, j in enumerate(used)}
    table = table[table["run"].isin(place)]
    table = table.iloc[np.argsort([place[r] for r in table["run"]], kind="stable")].reset_index(drop=True)
    kept = source.table.iloc[[first[j] for j in used]]
    settings = study.frame(kept, source.where).reset_index(drop=True)
    for column in ("whole_plot", "block"):
        if column in kept.columns:
            settings.insert(0, column, kept[column].to_numpy())
    settings.insert(0, "run", [names[j] for j in used])
    return table, settings, pd.DataFrame(unused, columns=["run", "reason"], dtype=object)


def _wanted(runs: Iterable[Any] | None, run_of: list[Any], names: list[Any]) -> list[bool]:
    if runs is None:
        return [True] * len(names)
    chosen = [plain(r) for r in (runs if not isinstance(runs, str) else [runs])]
    for run in chosen:
        if run not in run_of and run not in names:
            raise StudyError("drift: runs", run, "a run of the data", nearest(str(run), [str(n) for n in names]))
    return [r in chosen or n in chosen for r, n in zip(run_of, names, strict=True)]


def _unit(times: pd.Series[Any]) -> str:
    """The unit of the latest time."""
    latest = max(times, key=days)
    word = re.sub(r"[^A-Za-z]", "", str(latest)).lower()
    return word or "d"


def _with_limits(base: Response, condition: str, rows: pd.DataFrame) -> Response:
    """The response at this condition, with the limits of the latest time that has any."""
    low, high = base.low, base.high
    if isinstance(low, Limits) or isinstance(high, Limits):
        found = [base.at(t, condition) for t in reversed(base.times)]
        low = next((r.low for r in found if r.low is not None), None)
        high = next((r.high for r in found if r.high is not None), None)
    return replace(base, low=low, high=high, times=(), conditions=())


def _check_values(response: Response, rows: pd.DataFrame) -> None:
    valid = response.valid(rows["value"])
    if not valid.all():
        bad = rows.iloc[int(np.flatnonzero(~valid)[0])]
        bottom, top = response.domain
        raise StudyError(
            f"response {response.name!r}, {runs_text([bad['run']])}, {bad['time']}: reading",
            float(bad["value"]),
            f"above {bottom:g} for its transform"
            if np.isinf(top)
            else f"between {bottom:g} and {top:g} for its transform",
            "correct the reading, leave the run out with its reason, or choose another transform",
        )


def _index(rows: pd.DataFrame, settings: pd.DataFrame) -> Any:
    place = {r: i for i, r in enumerate(settings["run"])}
    return np.array([place[r] for r in rows["run"]], dtype=np.int64)


def _lines_of(response: Response, rows: pd.DataFrame, settings: pd.DataFrame, kind: str) -> Lines:
    return fit_lines(rows["t"].to_numpy(dtype=float), response.forward(rows["value"]), _index(rows, settings), kind)


def _pooled(tests: pd.DataFrame, significance: float) -> str:
    if not len(tests):
        return KINDS[2]
    slopes, starts = tests["p"]
    # without a test there is no leave to pool
    if not slopes >= significance:
        return KINDS[0]
    return KINDS[2] if starts >= significance else KINDS[1]


def _average(name: str, t: Floats, y: Floats, index: Any) -> Average:
    """REML with random starts and slopes, independent of each other about the mean time."""
    from doe.fits.mixed import inferred

    k = int(index.max()) + 1
    if k < FEWEST_RANDOM:
        raise StudyError(
            "drift: batches",
            "random",
            f'"fixed" with fewer than {FEWEST_RANDOM} batches, which tell nothing of those to come',
            "leave it out",
        )
    centre = float(t.mean())
    Z = (index[:, None] == np.arange(k)[None, :]).astype(float)
    slopes = Z * (t - centre)[:, None]
    Q, R = np.linalg.qr(np.column_stack([np.ones_like(t), t - centre]))
    strata = reml.Strata(("residual", "batch", "slope"), np.array([np.eye(len(t)), Z @ Z.T, slopes @ slopes.T]))
    lost = reml.estimable(Q, strata)
    if lost:
        raise StudyError(
            f"drift: variances of {name!r} that these readings cannot tell apart",
            listed(lost),
            "none",
            'read more times, or write batches="fixed"',
        )
    inference, _ = inferred(Q, y, strata)
    return Average(inference, np.linalg.inv(R), centre)


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
