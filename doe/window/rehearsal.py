"""The whole trial rehearsed before a batch is made: drawn from a guessed truth, fitted and decided, many times over."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from time import monotonic
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from doe.designs import Plan
from doe.fits import fit_all
from doe.study import Categorical, Model, Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.files import read_json, taken_from, write_json
from doe.study.shown import number_text
from doe.study.workers import shared_out
from doe.window.finding import find_window
from doe.window.truths import Truth, as_truth

Floats = NDArray[np.float64]
LEVEL = 0.05
NEW_BATCHES = 20_000  # drawn for the true chance at a setting
SAMPLED = 2_000  # settings of the region among which those inside a box are found
INSIDE = 200  # of them looked at

CORNERS = 256
NOT_TERMS = ("model", "residual", "lack of fit", "pure error", "blocks", "block")


@dataclass(frozen=True, repr=False, eq=False)
class Rehearsal(Shown):
    """A trial rehearsed; made by `doe.rehearse`.

    Attributes
    ----------
    drivers : DataFrame
        One row a response and term: response, term, real (in the truth; True throughout for a virtual bench), expected (the coefficient
        that this plan would find on average, coded units and fitted scale; NaN for a term of several), found (share of rehearsals with
        p < 0.05), mc_error.
    false_alarms : DataFrame
        One row a response: share of its terms that are not in the truth taken for real, mc_error; none for a virtual bench.
    trials : DataFrame
        One row a rehearsal: the set point by factor, chance_told (at the set point), chance_true, reached (target told), box (whether ranges
        were found), box_true (whether every setting looked at inside them truly reaches the target), width (share of the factors' ranges,
        geometric mean). Empty where no response has a specification.
    target : float
    n, seed : int
    """

    drivers: pd.DataFrame
    false_alarms: pd.DataFrame
    trials: pd.DataFrame
    target: float
    n: int
    seed: int
    study: Study

    def _sections(self) -> list[Section]:
        places = max(
            0, math.ceil(math.log10(self.n)) - 2
        )  # those of a share of n rehearsals: whole numbers of a hundred
        shown = pd.DataFrame(
            {
                "response": self.drivers["response"],
                "term": self.drivers["term"],
                "in the truth": ["yes" if r else "no" for r in self.drivers["real"]],
                "expected coefficient": [number_text(float(v), digits=3) for v in self.drivers["expected"]],
                "found, of 100": [f"{100 * v:.{places}f}" for v in self.drivers["found"]],
            }
        )
        sections = [
            Section(f"Would the drivers be found? {self.n} rehearsals (seed {self.seed})", shown, self._driver_note())
        ]
        if len(self.trials):
            rows = []
            for f in self.study.factors:
                column = self.trials[f.name]
                if isinstance(f, Categorical):
                    counts = column.value_counts()
                    span = ", ".join(f"{level} {100 * k / self.n:.0f} %" for level, k in counts.items())
                    rows.append((f.label, span, ""))
                else:
                    low, middle, high = np.quantile(column.to_numpy(dtype=float), [0.1, 0.5, 0.9])
                    rows.append(
                        (
                            f.label,
                            number_text(middle, digits=3),
                            f"{number_text(low, digits=3)} to {number_text(high, digits=3)}",
                        )
                    )
            where = pd.DataFrame(rows, columns=["factor", "median set point", "80 % of rehearsals"])
            sections.append(
                Section(
                    "Where would the set point land, and would the window's claim hold?",
                    where,
                    "\n".join(self.verdicts),
                )
            )
        return sections

    def _driver_note(self) -> str:
        parts = []
        for _, row in self.false_alarms.iterrows():
            parts.append(
                f"{row['response']}: a term that does nothing is taken for a driver {100 * row['false']:.1f} times in 100."
            )
        return (
            "\n".join(parts)
            or "Every term plays some part in this truth; what matters is whether those worth knowing are found."
        )

    @property
    def verdicts(self) -> list[str]:
        """What the rehearsals say of set point and window, in words; empty where no response has a specification."""
        t = self.trials
        if not len(t):
            return []
        told = t[t["reached"]]
        out = [
            f"A set point that reaches the target ({self.target:g}) is told in {100 * t['reached'].mean():.0f} rehearsals of 100."
        ]
        if len(told):
            true = (told["chance_true"] >= self.target).mean()
            out.append(
                f"When it is, its true chance reaches the target {100 * true:.0f} times in 100; "
                f"told {number_text(float(told['chance_told'].mean()), digits=3)}, true {number_text(float(told['chance_true'].mean()), digits=3)} on average."
            )
        boxes = t[t["box"]]
        out.append(f"Ranges are found in {100 * t['box'].mean():.0f} rehearsals of 100.")
        if len(boxes):
            out.append(
                f"They span {100 * float(boxes['width'].median()):.0f} % of the factors' ranges (median), and every setting looked at inside "
                f"truly reaches the target {100 * boxes['box_true'].astype(float).mean():.0f} times in 100."
            )
        return out


@dataclass(frozen=True)
class _Noise:
    """Lower roots of the covariance of batches and of whole plots, fitted scale."""

    batch: Floats
    whole: Floats | None


def rehearse(
    plan: Plan,
    truth: Any,
    sigma: Any,
    sigma_whole: Any = None,
    model: Any = None,
    target: float = 0.95,
    n: int = 200,
    seed: int = 0,
    n_jobs: int = 1,
    method: str | None = None,
    draws: int = 1000,
    progress: bool | Callable[[int, int], None] = False,
    checkpoint: str | os.PathLike[str] | None = None,
) -> Rehearsal:
    """Rehearse the whole trial before a batch is made: from a guessed truth draw records, fit, find the window, many times.

    Parameters
    ----------
    plan : Plan
    truth : Fits, mapping of response to coefficients, or a virtual bench
        Coefficients are those of terms in coded units on the fitted scale, {"viscosity": {"1": 9.4, "polymer": 0.6}}; what is not named is 0.
    sigma : number, mapping of response to standard deviation, or covariance (r, r)
        Of a batch's mean reading about the truth, on the fitted scale; rows of a covariance in the order of the truth's responses.
    sigma_whole : the same, optional
        Of whole plots about the truth, beside sigma.
    model : as for `Study.model`, optional
        Fitted in every rehearsal; the plan's own if left out.
    target : float
        Chance that the window must hold.
    n : int
        Rehearsals.
    seed : int
        The same seed gives the same rehearsals for any `n_jobs`.
    n_jobs : int
        Processes. With 1 a `joblib.parallel_config` around the call decides: `with joblib.parallel_config(backend="dask"):` gives the
        rehearsals to the cluster of the active Dask client.
    method : optional
        As for `doe.fit`: REML where batches share whole plots.
    draws : int
        Posterior draws of each window.
    progress : bool or callable
        Show a bar; a callable is given how many are done, and of how many.
    checkpoint : path, optional
        A file that keeps each rehearsal as it is done. Called again with the same trial and seed, those that it holds are not done again:
        after a stop, or for a greater n, the answer is that of an unbroken call.

    Returns
    -------
    Rehearsal
        How often each driver is found and a false one is, where the set point lands, how wide the window is, and how often what it claims
        is true in the truth.

    Raises
    ------
    StudyError
        If the truth is of other factors, a standard deviation is not above 0, the plan cannot fit the model with batches to spare, a
        figure cannot be used, a worker is lost, or the checkpoint is of another rehearsal.
    """
    if not isinstance(plan, Plan):
        raise StudyError("rehearse: plan", type(plan).__name__, "a Plan", "make one with doe.designs")
    wanted = plan.model if model is None else model
    if wanted is None:
        raise StudyError("rehearse: model", None, "given for a plan that holds none", 'write model="quadratic"')
    told = as_truth(truth, plan.study)
    study = _of_responses(plan.study, told)
    told = Truth(study, told.responses, told.parts)
    chosen = study.model(wanted)
    count = _whole("n", n, 2)
    _whole("seed", seed, 0)
    jobs = _whole("n_jobs", n_jobs, 1)
    if isinstance(target, bool) or not isinstance(target, int | float) or not 0 < target < 1:
        raise StudyError("rehearse: target", target, "a number between 0 and 1", "write 0.95 for 95 %")
    noise = _Noise(
        _root("sigma", sigma, told), None if sigma_whole is None else _root("sigma_whole", sigma_whole, told)
    )
    if noise.whole is not None and plan.whole_plot is None:
        raise StudyError(
            "rehearse: sigma_whole", sigma_whole, "left out for a plan without whole plots", "leave it out"
        )
    specified = [np.isfinite(r.fitted_limits()).any() for r in told.responses]
    stage = _Stage(plan, study, told, noise, chosen, float(target), int(seed), method, int(draws), any(specified))
    kept = _Checkpoint.of(checkpoint, stage)
    missing = [i for i in range(count) if i not in kept.done]
    with _bar(progress, count) as step, kept:
        for place, result in shared_out("rehearse", stage.act, missing, jobs):
            kept.keep(missing[place], result)
            step(sum(k < count for k in kept.done))
    return stage.summary([kept.done[i] for i in range(count)])


SCHEMA = 1  # of a checkpoint
PAUSE = (
    10  # times as long as the last writing took, until the next: thousands of rehearsals are written whole each time
)


@dataclass
class _Checkpoint:
    """Rehearsals done so far, and the file that keeps them."""

    path: Path | None
    stage: str
    done: dict[int, dict[str, Any]]
    unwritten: bool = False
    next: float = 0.0

    @classmethod
    def of(cls, path: str | os.PathLike[str] | None, stage: _Stage) -> _Checkpoint:
        """What a file holds of this rehearsal; nothing where there is no file yet."""
        if path is None:
            return cls(None, "", {})
        if not isinstance(path, str | os.PathLike):
            raise StudyError("rehearse: checkpoint", path, "the path of a file", 'write "rehearsal.json"')
        own, file = stage.fingerprint(), Path(path)
        if not file.exists():
            return cls(file, own, {})
        content = read_json(file, "rehearsal", SCHEMA)
        if content.get("rehearsal") != own:
            raise StudyError(
                "rehearse: checkpoint",
                str(file),
                "of this same rehearsal, with the same plan, truth, model and seed",
                "give a file of another name, or delete that one if it is of no more use",
            )
        with taken_from(f"checkpoint {str(file)!r}", "rehearsal"):
            done = {int(i): {**told, "p": _each(told["p"], math.nan)} for i, told in content["done"].items()}
        return cls(file, own, done)

    def keep(self, i: int, result: dict[str, Any]) -> None:
        """One more; written at once, unless writing takes a good part of the time."""
        self.done[i] = result
        self.unwritten = True
        if monotonic() >= self.next:
            self.write()

    def write(self) -> None:
        """Put what is done into the file."""
        if self.path is None or not self.unwritten:
            return
        begun = monotonic()
        told = {str(k): {**v, "p": _each(v["p"], None)} for k, v in sorted(self.done.items())}
        write_json(self.path, {"kind": "rehearsal", "schema": SCHEMA, "rehearsal": self.stage, "done": told})
        self.unwritten, self.next = False, monotonic() + PAUSE * (monotonic() - begun)

    def __enter__(self) -> _Checkpoint:
        return self

    def __exit__(self, *_: object) -> None:
        self.write()


def _each(found: Mapping[str, Mapping[str, Any]], none: float | None) -> dict[str, dict[str, Any]]:
    """The p values of each response and term, where there is none with the word given for it: JSON knows no NaN."""
    return {
        name: {term: none if p is None or math.isnan(p) else float(p) for term, p in told.items()}
        for name, told in found.items()
    }


@dataclass(frozen=True)
class _Stage:
    """All that every rehearsal shares."""

    plan: Plan
    study: Study
    truth: Truth
    noise: _Noise
    model: Model
    target: float
    seed: int
    method: str | None
    draws: int
    decide: bool

    def fingerprint(self) -> str:
        """Digits that change when a rehearsal of the same number would: the truth counts by its values over the region."""
        looked = pd.concat([self.plan.runs, self.study.region.sample(SAMPLED, seed=0)], ignore_index=True)
        whole = None if self.noise.whole is None else self.noise.whole.tolist()
        groups = [None if g is None else [str(v) for v in g] for g in (self.plan.block, self.plan.whole_plot)]
        said = [
            self.study.fingerprint,
            self.plan.runs.to_csv(),
            groups,
            self.truth.mean(looked).tolist(),
            self.noise.batch.tolist(),
            whole,
            list(self.model.terms),
            [self.target, self.seed, self.method, self.draws],
        ]
        return hashlib.sha256(json.dumps(said).encode()).hexdigest()[:12]

    def _readings(self, rng: np.random.Generator) -> pd.DataFrame:
        """One row a batch: settings, groups, what would be read."""
        runs = self.plan.runs
        r = len(self.truth.responses)
        z = self.truth.mean(runs) + rng.standard_normal((len(runs), r)) @ self.noise.batch.T
        if self.noise.whole is not None:
            assert self.plan.whole_plot is not None  # sigma_whole is refused without
            codes = pd.factorize(self.plan.whole_plot)[0]
            z = z + (rng.standard_normal((codes.max() + 1, r)) @ self.noise.whole.T)[codes]
        table = runs.copy()
        for j, response in enumerate(self.truth.responses):
            table[response.name] = np.asarray(response.inverse(z[:, j]), dtype=float)
        for name in ("block", "whole_plot"):
            labels = getattr(self.plan, name)
            if labels is not None:
                table[name] = labels
        return table

    def act(self, i: int) -> dict[str, Any]:
        """One rehearsal."""
        rng = np.random.default_rng([self.seed, i])
        fits = fit_all(self.study, self._readings(rng), self.model, method=self.method)
        found = {}
        for name, fit in fits.items():
            table = fit.anova
            terms = table[~table["source"].isin(NOT_TERMS)]
            found[name] = dict(zip(terms["source"], terms["p"], strict=True))
        out: dict[str, Any] = {"p": found}
        if self.decide:
            out["window"] = self._decided(find_window(fits, self.target, self.draws, seed=int(rng.integers(2**31))))
        return out

    def _decided(self, window: Any) -> dict[str, Any]:
        at = pd.DataFrame([window.set_point.to_dict()])[list(self.study.names)]
        ranges = pd.DataFrame(window.ranges)
        row: dict[str, Any] = window.set_point.to_dict()
        row |= {
            "chance_told": float(window.set_point_probability),
            "chance_true": float(self.chance(at)[0]),
            "reached": bool(window.reached),
            "box": len(ranges) > 0,
            "box_true": None,
            "width": 0.0,
        }
        if len(ranges):
            low, high = (dict(zip(ranges["factor"], ranges[c], strict=True)) for c in ("low", "high"))
            shares = [
                (float(high[f.name]) - float(low[f.name])) / (f.high - f.low)
                for f in self.study.factors
                if not isinstance(f, Categorical)
            ]
            row["width"] = float(np.exp(np.mean(np.log(np.maximum(shares, 1e-12)))))
            inside = pd.concat([at, self._inside(low, high)], ignore_index=True)
            row["box_true"] = bool(self.chance(inside).min() >= self.target)
        return row

    def chance(self, df: pd.DataFrame) -> Floats:
        """True chance that a new batch meets every specification, shape (N,); exact where responses scatter independently."""
        mean, root = self.truth.mean(df), self._total_root
        low, high = (np.array(v) for v in zip(*(r.fitted_limits() for r in self.truth.responses), strict=True))
        if not np.tril(root, -1).any():
            spread = np.diag(root)
            return np.asarray(np.prod(ndtr((high - mean) / spread) - ndtr((low - mean) / spread), axis=1))
        noise = np.random.default_rng([self.seed, 2**31]).standard_normal((NEW_BATCHES, len(low))) @ root.T
        return np.array([((m + noise >= low) & (m + noise <= high)).all(axis=1).mean() for m in mean])

    @property
    def _total_root(self) -> Floats:
        """A new batch has its own whole plot."""
        if self.noise.whole is None:
            return self.noise.batch
        return np.asarray(
            np.linalg.cholesky(self.noise.batch @ self.noise.batch.T + self.noise.whole @ self.noise.whole.T)
        )

    def _inside(self, low: Mapping[str, Any], high: Mapping[str, Any]) -> pd.DataFrame:
        """Settings inside ranges: their corners that lie in the region, and those of a sample of the region."""
        table = self.study.region.sample(SAMPLED, seed=self.seed)
        keep = np.ones(len(table), dtype=bool)
        ends: list[list[Any]] = []
        for f in self.study.factors:
            values = table[f.name]
            if isinstance(f, Categorical):
                keep &= (values == low[f.name]).to_numpy()
                ends.append([low[f.name]])
            else:
                keep &= ((values >= low[f.name]) & (values <= high[f.name])).to_numpy()
                ends.append(sorted({low[f.name], high[f.name]}))
        parts = [table[keep].iloc[:INSIDE]]
        if not self.study.components and math.prod(map(len, ends)) <= CORNERS:
            corners = pd.DataFrame(list(itertools.product(*ends)), columns=list(self.study.names))
            parts.append(corners[np.asarray(self.study.region.contains(corners))])
        return pd.concat(parts, ignore_index=True)

    def summary(self, done: list[dict[str, Any]]) -> Rehearsal:
        n = len(done)
        mean = self.truth.mean(self.plan.runs)
        X = self.model.matrix(self.plan.runs)
        expected = np.linalg.lstsq(X, mean, rcond=None)[0]
        expected[np.abs(expected) < 1e-10 * np.abs(mean).max(axis=0)] = 0.0  # rounding
        rows, alarms = [], []
        for j, response in enumerate(self.truth.responses):
            real = self.truth.real(j, self.model)
            there = dict(zip(self.model.terms, real or (True,) * len(self.model.terms), strict=True))
            there["linear blending"] = True
            false = []
            for term in done[0]["p"][response.name]:
                p = np.array([d["p"][response.name][term] for d in done], dtype=float)
                if np.isnan(p).all():
                    continue
                share = float((p < LEVEL).mean())
                own = [c for c, t in enumerate(self.model.term_of) if self.model.terms[t] == term]
                rows.append(
                    {
                        "response": response.name,
                        "term": term,
                        "real": there.get(term, True),
                        "expected": float(expected[own[0], j]) if len(own) == 1 else math.nan,
                        "found": share,
                        "mc_error": math.sqrt(share * (1 - share) / n),
                    }
                )
                if not there.get(term, True):
                    false.append(p < LEVEL)
            if false:
                each = np.mean(false, axis=0)
                alarms.append(
                    {
                        "response": response.name,
                        "false": float(each.mean()),
                        "mc_error": float(each.std(ddof=1) / math.sqrt(n)),
                    }
                )
        trials = pd.DataFrame([d["window"] for d in done]) if self.decide else pd.DataFrame()
        alarm_table = pd.DataFrame(alarms, columns=["response", "false", "mc_error"])
        return Rehearsal(pd.DataFrame(rows), alarm_table, trials, self.target, n, self.seed, self.study)


class _bar:  # noqa: N801  read as a verb in `with`
    """A progress bar, a callable, or silence."""

    def __init__(self, progress: bool | Callable[[int, int], None], count: int) -> None:
        self.progress, self.count = progress, count
        self.shown: Any = None

    def __enter__(self) -> Callable[[int], None]:
        if callable(self.progress):
            call = self.progress
            return lambda done: call(done, self.count)
        if not self.progress:
            return lambda done: None
        from rich.progress import Progress

        self.shown = Progress(transient=True)
        self.shown.start()
        task = self.shown.add_task("rehearsing", total=self.count)
        return lambda done: self.shown.update(task, completed=done)

    def __exit__(self, *_: object) -> None:
        if self.shown is not None:
            self.shown.stop()


def _whole(name: str, value: object, least: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < least:
        raise StudyError(f"rehearse: {name}", value, f"a whole number from {least}", "leave it out for the usual")
    return int(value)


def _of_responses(study: Study, truth: Truth) -> Study:
    """The study with only the responses that the truth tells of."""
    if tuple(study.responses) == truth.responses:
        return study
    return Study(
        study.name, study.factors, truth.responses, study.constraints, study.mixture_total, study.balance, study.notes
    )


def _root(name: str, sigma: Any, truth: Truth) -> Floats:
    """Lower root of a covariance over the truth's responses."""
    where, r = f"rehearse: {name}", len(truth.responses)
    names = [x.name for x in truth.responses]
    if isinstance(sigma, Mapping):
        for key in sigma:
            if key not in names:
                raise StudyError(where, key, "a response of the truth", nearest(str(key), names))
        missing = [x for x in names if x not in sigma]
        if missing:
            raise StudyError(where, ", ".join(map(str, sigma)), "given for every response", f"add {', '.join(missing)}")
        return np.diag([_deviation(f"{where} of {x!r}", sigma[x]) for x in names])
    if isinstance(sigma, pd.DataFrame | np.ndarray):
        S = np.asarray(sigma, dtype=float)
        if S.shape != (r, r) or not np.allclose(S, S.T):
            raise StudyError(
                where,
                f"an array of shape {S.shape}",
                f"a symmetric covariance of shape ({r}, {r})",
                "give one row a response",
            )
        values = np.linalg.eigvalsh(S)
        if values[0] <= 0:
            raise StudyError(
                where,
                "a covariance that is not positive definite",
                "one with spread in every direction",
                "raise its variances",
            )
        return np.asarray(np.linalg.cholesky(S))
    return _deviation(where, sigma) * np.eye(r)


def _deviation(where: str, value: object) -> float:
    number = as_number(where, value)
    if number <= 0:
        raise StudyError(where, number, "above 0", "give the standard deviation between batches, on the fitted scale")
    return number
