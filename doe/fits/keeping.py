"""Drift and shelf life: from readings at several storage times to lines, pooled as far as the batches agree."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from doe.fits import reml
from doe.fits.arrays import Floats
from doe.fits.bounded_lines import bounded_poolability
from doe.fits.lines import KINDS, Labels, poolability
from doe.fits.readings import reasons_of
from doe.fits.score_lines import TERMS, ScoreLines, fit_scores, score_poolability
from doe.fits.shelf import Average, Drift, bounds_in, held_batches, index_of, lines_of
from doe.fits.sources import Asked, Source, batch_means, bound_text, first_rows, plain, source_of
from doe.fits.verdicts import listed, runs_text
from doe.study import Response, Study, StudyError
from doe.study.errors import nearest
from doe.study.occasions import Limits, days, occasion_text

# storage from this temperature up is taken for accelerated (ICH Q1A(R2): 40 °C); it shows which way things go and carries no claim
ACCELERATED_FROM = 40.0
FEWEST_RANDOM = 3
_TEMPERATURE = re.compile(r"(-?\d+(?:[.,]\d+)?)\s*°?\s*C\b")


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
    chance: float | None = None,
) -> Drift:
    """Follow a response over storage time, and estimate how long it stays within its specification.

    Readings known only by bounds (">100000", "<50", "50..60") enter the lines by maximum likelihood, the tests by the likelihood ratio and the confidence
    limits by its profile, each on the scale on which it is that of least squares when all readings are exact. A batch whose bounds hold no line, from both
    sides, leans on the others where they are pooled; where each keeps its own line it has none, and no shelf life is claimed.

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
    chance : float, optional
        Of a score: the least chance of meeting its limits for which a time is wanted, 0.8 say. Left out, a score only gets times between inspections.

    Returns
    -------
    Drift
        Lines, poolability tests and times. A score has a time between two inspections, and with `chance` a proportional-odds line in time, pooled
        likewise, and the time until which its chance of meeting the limits is at least so high.

    Raises
    ------
    StudyError
        If the response has no times, or a time, condition, run or option cannot be used, no batch was read at two times, or bounds leave the lines
        or their noise open.

    References
    ----------
    ICH Q1E (2003). Evaluation for stability data, 2.4 and Appendix B (regression, poolability at 0.25 with slopes before intercepts, pooled
    residual variance, extrapolation). Silvapulle, M. J. & Burridge, J. (1986). J. R. Stat. Soc. B 48, 100-106 (where bounds hold a line). Venzon, D. J. &
    Moolgavkar, S. H. (1988). Applied Statistics 37, 87-94 (profile-likelihood limits). Kenward, M. G. & Roger, J. H. (1997). Biometrics 53, 983-997 (random batches).

    Examples
    --------
    >>> import doe, pandas as pd
    >>> gel = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%")], [doe.Response("pH", low=5.5)])
    >>> data = pd.DataFrame({"run": 1, "polymer": 0.4, "time": ["0", "4 wk", "8 wk", "12 wk"], "pH": [6.31, 6.22, 6.15, 6.04]})
    >>> print(f"{doe.fits.drift(gel, data, 'pH').within:.0f} wk")
    32 wk
    """
    source = source_of(study, data)
    _check_options(batches, direction, significance, confidence, accelerated, chance)
    base = _timed(study, source, response)
    chosen = _condition(base, condition)
    drop = reasons_of(without, set(source.labels()) | set(source.planned))
    if chance is not None and base.scale is None:
        raise StudyError(
            "drift: chance", chance, f"left out for {response!r}, which is no score", "leave it out: a line has a limit"
        )
    if chance is not None and batches == "random":
        raise StudyError("drift: batches", batches, '"fixed" for a score', "leave it out")
    rows, settings, unused, singles = _followed(study, source, base, chosen, runs, drop)
    unit = _unit(rows["time"])
    for table in (rows, singles):
        table.insert(2, "t", [days(t) / days(f"1 {unit}") for t in table["time"]])
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
    unheld: dict[Any, str] = {}
    tests = poolability(np.zeros(0), np.zeros(0), np.zeros(1, dtype=np.int64))
    if base.scale is None:
        t, index = rows["t"].to_numpy(dtype=float), index_of(rows, settings)
        if "lower" in rows:
            _check_fixed(batches, rows)
            tests = bounded_poolability(bounds_in(named, rows), t, index)
        else:
            _check_values(named, rows)
            tests = poolability(t, named.forward(rows["value"]), index)
        kind = _pooled(tests, significance)
        rows, settings, unheld = held_batches(named, rows, settings, kind)
        if unheld:
            more = pd.DataFrame(list(unheld.items()), columns=["run", "reason"], dtype=object)
            unused = pd.concat([unused, more], ignore_index=True)
        lines = lines_of(named, rows, settings, kind)
        if batches == "random":
            average = _average(named.name, t, named.forward(rows["value"]), index)
    scores: ScoreLines | None = None
    notes: tuple[str, ...] = ()
    if chance is not None and sides:
        try:
            tests, scores = _score_lines(named, singles, settings, sides, significance, chance, confidence)
            kind = scores.kind
        except StudyError as error:
            notes = (f"There is no line of these scores: {error}",)
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
        tuple(unheld),
        scores,
        notes,
    )


def _score_lines(
    response: Response,
    singles: pd.DataFrame,
    settings: pd.DataFrame,
    sides: tuple[tuple[float, bool], ...],
    significance: float,
    chance: float,
    confidence: float,
) -> tuple[pd.DataFrame, ScoreLines]:
    """Poolability tests of scores, and their line in time."""
    runs = settings["run"].tolist()
    if len(runs) > 1:
        fits = {kind: fit_scores(response, singles, runs, TERMS[kind]) for kind in KINDS}
        tests = score_poolability(list(fits.values()))
        kind = _pooled(tests, significance)
        found = fits[kind]
    else:
        kind, tests = KINDS[2], pd.DataFrame(columns=["question", "df", "chi2", "p"])
        found = fit_scores(response, singles, runs, TERMS[kind])
    return tests, ScoreLines(kind, found, tuple(runs), sides, chance, confidence)


def _check_options(
    batches: Any, direction: Any, significance: Any, confidence: Any, accelerated: Any, chance: Any
) -> None:
    if batches not in ("fixed", "random"):
        raise StudyError("drift: batches", batches, '"fixed" or "random"', "leave it out for the batches themselves")
    if direction not in (None, "falls", "rises"):
        raise StudyError(
            "drift: direction", direction, '"falls", "rises" or None', "leave it out where it is not known"
        )
    asked = (("chance", chance),) if chance is not None else ()
    for name, value in (("significance", significance), ("confidence", confidence), *asked):
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value < 1.0:
            raise StudyError(f"drift: {name}", value, "between 0 and 1", "write 0.95 for 95 %")
    if accelerated is not None and not isinstance(accelerated, bool):
        raise StudyError(
            "drift: accelerated", accelerated, "True, False or None", "leave it out to read it off the condition"
        )


def _timed(study: Study, source: Source, name: str) -> Response:
    """The response with its times and conditions, those of the data where the study leaves them open."""
    own = {r.name: r for r in study.responses}
    if not isinstance(name, str) or name not in own:
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
        found = tuple(dict.fromkeys(" ".join(str(v).split()) for v in read))
        base = replace(base, times=found) if column == "time" else replace(base, conditions=found)
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
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Mean readings by batch and time, the batches' settings, what is not used, and the exact readings one by one."""
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
    rows: list[tuple[Any, str, float, float]] = []
    singles: list[tuple[Any, str, float]] = []
    for time in base.times:
        asked = Asked(base, (time, condition), base.at(time, condition))
        lower, upper, _ = source.read(study, asked)
        low, high = batch_means(lower, at, len(first)), batch_means(upper, at, len(first))
        for j in np.flatnonzero(~np.isnan(low)):
            if not wanted[j] or run_of[j] in drop:
                continue
            if low[j] != high[j] and base.scale is not None:
                unused.append((names[j], f"read only as a bound at {time} ({bound_text(low[j], high[j])})"))
            else:
                rows.append((names[j], time, float(low[j]), float(high[j])))
                singles += [(names[j], time, float(v)) for v in lower[(at == j) & (lower == upper)]]
    table = pd.DataFrame(rows, columns=["run", "time", "lower", "upper"])
    table.insert(2, "value", table["lower"].where(table["lower"] == table["upper"]))
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
    if table["value"].notna().all():
        table = table.drop(columns=["lower", "upper"])
    kept = source.table.iloc[[first[j] for j in used]]
    settings = study.frame(kept, source.where).reset_index(drop=True)
    for column in ("whole_plot", "block"):
        if column in kept.columns:
            settings.insert(0, column, kept[column].to_numpy())
    settings.insert(0, "run", [names[j] for j in used])
    single = pd.DataFrame(singles, columns=["run", "time", "value"])
    single = single[single["run"].isin(place)].reset_index(drop=True)
    return table, settings, pd.DataFrame(unused, columns=["run", "reason"], dtype=object), single


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


def _check_fixed(batches: str, rows: pd.DataFrame) -> None:
    if batches == "random":
        n = int(rows["value"].isna().sum())
        raise StudyError(
            "drift: batches",
            "random",
            f'"fixed" where readings are known only by bounds, as {n} of {len(rows)} are here',
            "leave it out, or read again by a method that reaches what was beyond the instrument",
        )


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


def _pooled(tests: pd.DataFrame, significance: float) -> str:
    if not len(tests):
        return KINDS[2]
    slopes, starts = tests["p"]
    # without a test there is no leave to pool
    if not slopes >= significance:
        return KINDS[0]
    return KINDS[2] if starts >= significance else KINDS[1]


def _average(name: str, t: Floats, y: Floats, index: Labels) -> Average:
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
