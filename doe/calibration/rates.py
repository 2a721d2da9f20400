"""How often intervals miss and tests cry out for nothing, counted on the virtual bench, whose truth is known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from doe.calibration.findings import Finding, in_rate
from doe.designs import Plan, central_composite, optimal
from doe.fits import fit
from doe.study import Continuous, Model, Study
from doe.study.workers import in_order
from doe.virtual import AfterSunGel
from doe.virtual.after_sun import SCORE_ENDS

BENCH = "virtual bench, whose truth is known"
IDLE = "nothing at all"  # the name of a factor that does nothing
WATCHED = {"pH": "neutralisation", "viscosity": "carbomer"}  # response and the coefficient whose interval is watched
AT = {"carbomer": 0.40, "crosspolymer": 0.25, "neutralisation": 0.60, "speed": 400.0}
# what the bench's pH follows but for a sixth of its noise
OF_PH = ["1", "carbomer", "crosspolymer", "neutralisation", "neutralisation^2", "speed"]


def seeds(seed: int, stream: int, count: int) -> list[int]:
    """Seeds of so many trials, a stream of their own for each use."""
    return [int(s) for s in np.random.SeedSequence([seed, stream]).generate_state(count)]


def averages(
    bench: AfterSunGel, plan: Plan, model: str | list[str], at: pd.DataFrame
) -> dict[str, tuple[pd.Series, float]]:
    """What a fit of this model estimates on average, by response: coefficients, and the mean at a setting, on the fitted scale.

    The bench's mechanism is no polynomial: the least-squares polynomial through its true values at the plan's settings is the average
    of all fits, and what their intervals claim to hold.
    """
    made = bench.study.model(model)
    X, truth = made.matrix(plan.runs), bench.truth(plan.runs)
    out = {}
    for r in bench.study.responses:
        beta = np.linalg.lstsq(X, r.forward(truth[r.name].to_numpy()), rcond=None)[0]
        out[r.name] = (pd.Series(beta, index=list(made.terms)), float((made.matrix(at) @ beta)[0]))
    return out


def _holds(rows: pd.DataFrame, true: float) -> bool:
    """Whether the interval in the one row holds a value."""
    (low,), (high,) = (rows[c].to_numpy(dtype=float) for c in ("low", "high"))
    return bool(low < true < high)


def _p(table: pd.DataFrame, column: str, name: str) -> float:
    """The p-value in the row so called."""
    (value,) = table.loc[table[column] == name, "p"].to_numpy(dtype=float)
    return float(value)


def counted(trial: Callable[[int], dict[str, bool]], trials: int, n_jobs: int) -> Counter[str]:
    """How often each thing happened in trials that know their numbers."""
    hits: Counter[str] = Counter()
    for row in in_order("selftest", trial, range(trials), n_jobs):
        hits.update({what: int(happened) for what, happened in row.items()})
    return hits


@dataclass(frozen=True)
class _LeastSquaresTrial:
    """A composite trial, made, read, fitted and judged."""

    bench: AfterSunGel
    plan: Plan
    at: pd.DataFrame
    means: dict[str, tuple[pd.Series, float]]
    fresh: dict[str, np.ndarray]
    test: float
    seed: int
    seeds: list[int]

    def __call__(self, k: int) -> dict[str, bool]:
        trial = self.seeds[k]
        records, out = self.bench.make(self.plan, seed=trial), {}
        for name, watched in WATCHED.items():
            found = fit(self.bench.study, records, name)
            beta, middle = self.means[name]
            rows = found.coefficients[found.coefficients["term"] == watched]
            true = float(found.response.inverse(np.array([middle]))[0])
            out[f"{name}, coefficient"] = _holds(rows, float(beta[watched]))
            out[f"{name}, mean"] = _holds(found.predict(self.at), true)
            out[f"{name}, new batch"] = _holds(found.predict(self.at, kind="new batch"), float(self.fresh[name][k]))
            if name == "pH":
                out["unfit"] = _p(found.anova, "source", "lack of fit") < self.test
        study = self.bench.study
        wider = Study("with an idle factor", [*study.factors, Continuous(IDLE, -1, 1)], study.responses)
        frame = records.frame("pH")
        signs = np.where(np.arange(len(self.plan.runs)) % 2 == 0, -1.0, 1.0)
        frame[IDLE] = np.random.default_rng([self.seed, trial]).permutation(signs)
        beside = fit(wider, frame, "pH", [*study.model("quadratic").terms, f"`{IDLE}`"])
        own = next(t for t in beside.coefficients["term"] if IDLE in t)
        out["called"] = _p(beside.coefficients, "term", own) < self.test
        drivers = beside.drivers(draws=1000, seed=trial).table
        out["shown"] = bool((drivers.loc[drivers["factor"] == IDLE, "verdict"] == "shown to matter").any())
        return out


def of_least_squares(
    trials: int, seed: int, claimed: Mapping[str, float] | None = None, n_jobs: int = 1
) -> list[Finding]:
    """Composite trials of 28 batches, quadratic models by least squares, with a factor beside them that does nothing.

    Parameters
    ----------
    trials : int
    seed : int
    claimed : mapping, optional
        The rates claimed: "interval", "test", "driver"; 0.95, 0.05 and 0.025 if left out.
    n_jobs : int
        Processes; they change no count.
    """
    claimed = {"interval": 0.95, "test": 0.05, "driver": 0.025} | dict(claimed or {})
    bench = AfterSunGel(setting_error=False)
    plan = central_composite(bench.study, axial="face")
    at = pd.DataFrame([AT])
    means = averages(bench, plan, "quadratic", at)
    # one new batch at the setting a trial, each on its own base gel
    ahead = bench.make(Plan.from_frame(bench.study, pd.concat([at] * trials, ignore_index=True)), seed=int(seed) + 1)
    fresh = {name: ahead.frame(name)[name].to_numpy() for name in WATCHED}
    trial = _LeastSquaresTrial(bench, plan, at, means, fresh, claimed["test"], seed, seeds(seed, 1, trials))
    hits = counted(trial, trials, n_jobs)
    out = []
    kinds = {
        "coefficient": "interval of the effect of {}",
        "mean": "interval of the mean at one setting",
        "new batch": "interval for the reading of a new batch there",
    }
    for name, watched in WATCHED.items():
        for kind, words in kinds.items():
            what = f"{name}: the 95 % {words.format(watched)} holds what is true"
            out.append(in_rate(what, BENCH, hits[f"{name}, {kind}"], trials, claimed["interval"]))
    idle = "A factor that does nothing is called significant (t test, 5 %)"
    out.append(in_rate(idle, BENCH, hits["called"], trials, claimed["test"]))
    shown = "A factor that does nothing is shown to matter among the drivers"
    out.append(in_rate(shown, BENCH, hits["shown"], trials, claimed["driver"], one_sided=True))
    unfit = "pH: lack of fit is cried out where the model fits (5 %)"
    out.append(in_rate(unfit, BENCH, hits["unfit"], trials, claimed["test"]))
    return out


@dataclass(frozen=True)
class _SplitPlotTrial:
    """A split-plot trial, made, read and fitted."""

    bench: AfterSunGel
    plan: Plan
    beta: pd.Series
    terms: tuple[str, ...]
    seeds: list[int]

    def __call__(self, k: int) -> dict[str, bool]:
        found = fit(self.bench.study, self.bench.make(self.plan, seed=self.seeds[k]), "pH", OF_PH).coefficients
        return {term: _holds(found[found["term"] == term], float(self.beta[term])) for term in self.terms}


def of_split_plots(trials: int, seed: int, n_jobs: int = 1) -> list[Finding]:
    """Trials of 24 beakers from eight base gels, pH, by REML and Kenward & Roger; arguments as for `of_least_squares`."""
    bench = AfterSunGel(hard_to_change=True, setting_error=False)
    model: Model = bench.study.model(OF_PH)
    plan = optimal(bench.study, model, 24, criterion="D", whole_plots=8, rounds=3, seed=0)
    beta = averages(bench, plan, OF_PH, pd.DataFrame([AT]))["pH"][0]
    between, within = ("carbomer", "neutralisation")
    hits = counted(_SplitPlotTrial(bench, plan, beta, (between, within), seeds(seed, 2, trials)), trials, n_jobs)
    place = {between: "base gels", within: "beakers of a base gel"}
    return [
        in_rate(f"Split plot, pH: the 95 % interval of the effect of {term}, between {place[term]}", BENCH, hits[term], trials, 0.95)
        for term in (between, within)
    ]  # fmt: skip


HARD = {**AT, "crosspolymer": 0.20, "neutralisation": 0.50}  # where about two jars of three score 4 or better
CEILING = 20_000.0  # mPa·s, where an invented instrument's range ends


def chance_of_a_good_score(bench: AfterSunGel, at: pd.DataFrame) -> float:
    """The true chance that a batch of a scored bench scores at least what is asked: the logit share behind a score is normal."""
    share = AfterSunGel(setting_error=False).truth(at)["stability"].to_numpy()
    asked = SCORE_ENDS[int(bench.study.response("stability").low or 0) - 2]
    sd = float(bench.noise["one reading of one batch"].to_numpy()[bench.noise.index.get_loc("stability")])
    return float(special.ndtr((special.logit(share / 100) - special.logit(asked / 100)) / sd)[0])


@dataclass(frozen=True)
class _ScoreAndBoundTrial:
    """A composite trial, its stability scored, its thickest batches read as beyond the instrument's range."""

    scored: AfterSunGel
    counted: AfterSunGel
    plans: tuple[Plan, Plan]
    true: float
    means: tuple[pd.Series, float]
    seeds: list[int]

    def __call__(self, k: int) -> dict[str, bool]:
        scores = fit(self.scored.study, self.scored.make(self.plans[0], seed=self.seeds[k]), "stability", "quadratic")
        rows = scores.chance(pd.DataFrame([HARD]), at_least=4)  # type: ignore[attr-defined]  # of a fit of scores
        table = self.counted.make(self.plans[1], seed=self.seeds[k]).frame("viscosity")
        table["viscosity"] = [f">{CEILING:g}" if v > CEILING else v for v in table["viscosity"]]
        found = fit(self.counted.study, table, "viscosity", "quadratic")
        beta, middle = self.means
        watched = found.coefficients[found.coefficients["term"] == WATCHED["viscosity"]]
        true = float(found.response.inverse(np.array([middle]))[0])
        return {
            "score missed": not _holds(rows, self.true),
            "bound, coefficient": _holds(watched, float(beta[WATCHED["viscosity"]])),
            "bound, mean": _holds(found.predict(pd.DataFrame([AT])), true),
        }


def of_scores_and_bounds(trials: int, seed: int, n_jobs: int = 1) -> list[Finding]:
    """Composite trials of 28 batches: stability scored by eye, and viscosity beyond an instrument's range; arguments as above.

    The intervals of scores are credible ones, whose prior makes them wide enough rather than exact: they may hold the truth more often.
    """
    scored, counted_ = AfterSunGel(setting_error=False, scored=True), AfterSunGel(setting_error=False)
    plans = (central_composite(scored.study, axial="face"), central_composite(counted_.study, axial="face"))
    means = averages(counted_, plans[1], "quadratic", pd.DataFrame([AT]))["viscosity"]
    true = chance_of_a_good_score(scored, pd.DataFrame([HARD]))
    trial = _ScoreAndBoundTrial(scored, counted_, plans, true, means, seeds(seed, 3, trials))
    hits = counted(trial, trials, n_jobs)
    missed = "Stability scored from 1 to 5: the 95 % interval of the chance of 4 or better misses what is true"
    bound = f"Viscosity read as >{CEILING:g} where it is: the 95 % interval of the {{}} holds what is true"
    return [
        in_rate(missed, BENCH, hits["score missed"], trials, 0.05, one_sided=True),
        in_rate(bound.format("effect of carbomer"), BENCH, hits["bound, coefficient"], trials, 0.95),
        in_rate(bound.format("mean at one setting"), BENCH, hits["bound, mean"], trials, 0.95),
    ]
