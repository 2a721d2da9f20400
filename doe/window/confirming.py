"""Confirmation: what new batches at one setting must read to agree with the model, the verdict once they have, and the fits with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.bench.numerals import reading_text
from doe.designs import Plan
from doe.fits import Fit, Fits, fit
from doe.fits.cells import read_cells
from doe.fits.sources import bound_text
from doe.fits.verdicts import listed
from doe.study import Categorical, Response, Section, Shown, Study, StudyError
from doe.study.factors import as_number
from doe.study.shown import chance_text
from doe.window.folding import Floats
from doe.window.result import Window, setting_text

STREAM = 101  # of draws, apart from those that found and judged the window
DRAWS = 20_000
GIBBS_DRAWS = 4_000
HELD = 6_000_000  # foretold values held at a time
SIZES = (1, 2, 3, 4, 5, 6, 8, 10)  # numbers of batches compared


def confirm(
    win: Window, batches: int = 3, at: Mapping[str, Any] | None = None, confidence: float = 0.95
) -> Confirmation:
    """Say what confirmation batches must read to agree with the model.

    Parameters
    ----------
    win : Window
    batches : int
        How many are made, each from the start (its own weighings, its own base), from 1 to 50.
    at : mapping of factor -> setting, optional
        Where to make them, other than at the set point; factors left out stay there.
    confidence : float
        Chance that all limits hold together when the model is right, between 0 and 1.

    Returns
    -------
    Confirmation

    Raises
    ------
    StudyError
        If a figure cannot be used or a setting lies outside the region.

    Notes
    -----
    Limits are simultaneous: for every batch and for their mean (on the fitted scale), over all responses with a specification. They are order
    statistics of posterior predictive draws, widened together until the stated share of draws lies inside all of them (Besag et al. 1995). For one
    response by least squares they are the simultaneous prediction limits of k further readings (Hahn & Meeker 1991, ch. 4).

    References
    ----------
    Besag, J., Green, P., Higdon, D. & Mengersen, K. (1995). Bayesian computation and stochastic systems. Stat. Sci. 10(1), 3-41, section 6.3.
    Hahn, G. J. & Meeker, W. Q. (1991). Statistical intervals. Wiley.
    """
    if not isinstance(win, Window):
        raise StudyError("confirm: win", type(win).__name__, "a Window", "make it with doe.find_window")
    if isinstance(batches, bool) or not isinstance(batches, int | np.integer) or not 1 <= batches <= 50:
        raise StudyError("confirm: batches", batches, "a whole number from 1 to 50", "three are usual")
    if isinstance(confidence, bool) or not isinstance(confidence, int | float) or not 0 < confidence < 1:
        raise StudyError("confirm: confidence", confidence, "a number between 0 and 1", "write 0.95, say")
    if at is not None and not isinstance(at, Mapping | pd.Series):
        raise StudyError(
            "confirm: at",
            at,
            "a mapping from factor to setting",
            f"write {{{win.study.names[0]!r}: …}}, or leave it out",
        )
    setting = win.set_point.copy()
    for name, value in ({} if at is None else at).items():
        factor = win.study.factor(name)
        if isinstance(factor, Categorical):
            if value not in factor.levels:
                raise StudyError(
                    f"confirm: at, {name!r}", value, "one of " + ", ".join(factor.levels), "choose a level of the study"
                )
            setting[name] = value
        else:
            setting[name] = as_number(f"confirm: at, {name!r}", value, factor.unit)
    frame = pd.DataFrame([setting.to_dict()])
    if not win.study.region.contains(win.study.frame(frame, "confirm: at"))[0]:
        raise StudyError(
            "confirm: at",
            ", ".join(f"{n} {setting_text(win.study.factor(n), setting[n])}" for n in win.study.names),
            "inside the study's region",
            "choose a setting that was studied: outside it the models only extrapolate",
        )
    return Confirmation(win, setting, int(batches), float(confidence))


@dataclass(frozen=True, repr=False, eq=False)
class Confirmation(Shown):
    """What new batches at one setting must read; made by `doe.confirm`.

    Attributes
    ----------
    window : Window
    setting : Series
        Where they are made, by factor, natural units.
    batches : int
    confidence : float
        Chance that all limits hold together when the model is right.
    """

    window: Window
    setting: pd.Series[Any]
    batches: int
    confidence: float

    @property
    def study(self) -> Study:
        """The study of the window."""
        return self.window.study

    @cached_property
    def plan(self) -> Plan:
        """The batches as a plan, for a run sheet: all at the setting, each set up anew."""
        table = pd.DataFrame([self.setting.to_dict()] * self.batches)
        if self.study.hard_to_change:
            table["whole_plot"] = range(1, self.batches + 1)
        return Plan.from_frame(self.study, table)

    @cached_property
    def limits(self) -> pd.DataFrame:
        """What every batch and their mean must read.

        Returns
        -------
        DataFrame
            One row a response: response, expected (median), low and high of a single batch, mean_low and mean_high of their mean (on the fitted
            scale; NaN for one batch and for scores).
        """
        return self._limits(self.batches)

    @cached_property
    def chance_all(self) -> float:
        """Chance that every batch meets every specification."""
        return self._all_meet(self.batches)

    @cached_property
    def sizes(self) -> pd.DataFrame:
        """What other numbers of batches would show.

        Returns
        -------
        DataFrame
            batches; chance_all, that all of them meet every specification; shown, the least share of conforming batches that this many without a
            miss would show by themselves, at the confidence (Clopper & Pearson 1934).
        """
        rows = [
            {"batches": m, "chance_all": self._all_meet(m), "shown": (1.0 - self.confidence) ** (1.0 / m)}
            for m in SIZES
        ]
        return pd.DataFrame(rows)

    @cached_property
    def _encoded(self) -> Floats:
        return self.study.encode(pd.DataFrame([self.setting.to_dict()]))

    def _foretold(self, batches: int) -> tuple[Floats, NDArray[np.bool_]]:
        r = len(self.window.fits)
        # Gibbs draws cost more, and a tenth of a limit's own width is told by a few thousand
        most = GIBBS_DRAWS if self.window._predictive.kind == "gibbs" else DRAWS
        draws = max(GIBBS_DRAWS, min(most, HELD // (max(batches, SIZES[-1]) * r)))
        return self.window._predictive.foretell(self._encoded, batches, STREAM, draws)

    @cached_property
    def _meets(self) -> NDArray[np.bool_]:
        """Which of as many batches as are compared meet every specification, shape (draws, batches)."""
        return np.asarray(self._foretold(max(SIZES[-1], self.batches))[1].all(axis=2))

    def _all_meet(self, batches: int) -> float:
        return float(self._meets[:, :batches].all(axis=1).mean())

    def _limits(self, batches: int) -> pd.DataFrame:
        values = self._foretold(batches)[0]
        responses = [f.response for f in self.window.fits.values()]
        means = [j for j, r in enumerate(responses) if r.scale is None and batches > 1]
        columns = np.concatenate(
            [values.transpose(0, 2, 1).reshape(len(values), -1), values.mean(axis=1)[:, means]], axis=1
        )
        low, high = simultaneous(columns, self.confidence)
        rows = []
        for j, response in enumerate(responses):
            own = slice(j * batches, (j + 1) * batches)
            row = {
                "response": response.name,
                "expected": _shown(response, float(np.median(values[:, :, j]))),
                # the batches are exchangeable: one pair of limits for all of them
                "low": _shown(response, float(low[own].mean())),
                "high": _shown(response, float(high[own].mean())),
                "mean_low": np.nan,
                "mean_high": np.nan,
            }
            if j in means:
                k = len(responses) * batches + means.index(j)
                row |= {"mean_low": _shown(response, float(low[k])), "mean_high": _shown(response, float(high[k]))}
            rows.append(row)
        out = pd.DataFrame(rows)
        scores = [r.scale is not None for r in responses]
        out.loc[scores, "low"], out.loc[scores, "high"] = (
            np.floor(out.loc[scores, "low"]),
            np.ceil(out.loc[scores, "high"]),
        )
        return out

    def verdict(self, records: Any) -> Verdict:
        """Judge the batches once they are read.

        Parameters
        ----------
        records : Records or DataFrame
            Records of `plan`, or one row a batch: the responses, and the factors where they were not all set as asked.

        Returns
        -------
        Verdict

        Raises
        ------
        StudyError
            If batches were made at another setting, or a response was not read at all.
        """
        return judged(self, records)

    def _sections(self) -> list[Section]:
        study, win = self.study, self.window
        rows = pd.DataFrame(
            [
                {"factor": f.name, "setting": setting_text(f, self.setting[f.name]), "unit": getattr(f, "unit", "")}
                for f in study.factors
            ]
        )
        table = pd.DataFrame(
            [
                {
                    "response": response.label,
                    "expected": _plain(response, row["expected"]),
                    "every batch": _range(response, row["low"], row["high"]),
                    "their mean": _range(response, row["mean_low"], row["mean_high"]),
                }
                for response, (_, row) in zip(
                    [f.response for f in win.fits.values()], self.limits.iterrows(), strict=True
                )
            ]
        )
        many = self.batches > 1
        note = (
            f"If the model is right, all of this holds together in {self.confidence:.0%} of confirmations. "
            + (
                f"The chance that all {self.batches} meet every specification is {chance_text(self.chance_all, 3)}. "
                if many
                else ""
            )
            + "Make each batch from the start: its own weighings, its own base. Fix these limits before the first is weighed."
        )
        if any(f.response.transform for f in win.fits.values()) and many:
            note += " A mean is taken on the fitted scale (a geometric mean for a logarithm)."
        sizes = self.sizes.assign(
            chance_all=[chance_text(v, 3) for v in self.sizes["chance_all"]],
            shown=[f"{v:.0%}" for v in self.sizes["shown"]],
        ).rename(columns={"chance_all": "chance that all conform", "shown": "share shown by these alone"})
        return [
            Section(f"Confirm with {self.batches} batch{'es' if many else ''} at", rows),
            Section("What they must read", table, note),
            Section(
                "How many batches?",
                sizes.astype(str),
                f"Share shown: what this many batches without a miss prove by themselves, at {self.confidence:.0%} confidence, the trial left aside.",
            ),
        ]


@dataclass(frozen=True, repr=False, eq=False)
class Verdict(Shown):
    """Whether confirmation batches read as foretold; made by `Confirmation.verdict`.

    Attributes
    ----------
    confirmation : Confirmation
    batches : int
        Batches judged.
    table : DataFrame
        One row a reading judged: response, batch (or "mean"), value (NaN where the reading is a bound), read (as text), low, high, agrees,
        meets (the specification; None for means). Where a bound such as ">40000" leaves it open, agrees and meets are None.
    """

    confirmation: Confirmation
    batches: int
    table: pd.DataFrame
    _readings: pd.DataFrame = field(repr=False)

    @property
    def agrees(self) -> bool:
        """Whether every batch and every mean lies within its limits, as far as they were read; not where a bound leaves it open."""
        return all(held is True for held in self.table["agrees"])

    @property
    def conforming(self) -> int:
        """Batches that were read for every specification, and met it."""
        return len(self._by_batch("conforming"))

    def _by_batch(self, state: str) -> dict[str, str]:
        """Batches that conform, that fail, or of which it cannot be said; with the reason for that."""
        single = self.table[self.table["batch"] != "mean"]
        out = {}
        for batch, rows in single.groupby("batch", sort=False):
            meets = dict(zip(rows["response"], rows["meets"], strict=True))
            texts = dict(zip(rows["response"], rows["read"], strict=True))
            wanting = [
                f"{name} {texts[name]}" if name in meets else f"{name} not read"
                for name in self.confirmation.window.fits
                if meets.get(name) is None
            ]
            found = "failing" if any(m is False for m in meets.values()) else "open" if wanting else "conforming"
            if found == state:
                out[str(batch)] = ", ".join(wanting)
        return out

    @cached_property
    def words(self) -> str:
        """The verdict in a few sentences."""
        c, n = self.confirmation, self.batches
        t = self.table
        whole = len(t[t["batch"] != "mean"]) == n * len(c.window.fits)
        if any(held is False for held in t["agrees"]):
            first = (
                f"Does not agree: {self._named(False)}. Look for what was made or measured differently before trusting the window; "
                "if nothing was, the model is wrong here."
            )
        elif any(held is None for held in t["agrees"]):
            first = (
                f"Cannot be told: {self._named(None)}. Read again with an instrument or a dilution that gives a figure."
            )
        else:
            far = "" if whole else " as far as it was read"
            first = (
                f"Agrees{far}: {'all ' if n > 1 else ''}{n} batch{'es' if n > 1 else ''} read as the model foretold."
            )
        met = f"{self.conforming} of {n} met every specification"
        if self.conforming == n:
            share = (1.0 - c.confidence) ** (1.0 / n)
            met += (
                f", which by itself shows that at least {share:.0%} of such batches do ({c.confidence:.0%} confidence)"
            )
        unsaid = self._by_batch("open")
        if unsaid:
            met += f"; it cannot be said of {listed([f'batch {b} ({why})' for b, why in unsaid.items()])}"
        lacking = [name for name in c.window.fits if name not in set(t["response"])]
        missing = f" Not judged, as it was not read: {', '.join(lacking)}." if lacking else ""
        changed = (
            f" The limits are those of {n} batches, since {c.batches} were asked for and {n} read."
            if n != c.batches
            else ""
        )
        return f"{first} {met}.{missing}{changed}"

    def _named(self, held: bool | None) -> str:
        said = []
        for _, row in self.table[[v is held for v in self.table["agrees"]]].iterrows():
            response = self.confirmation.window.fits[row["response"]].response
            who = "the mean" if row["batch"] == "mean" else f"batch {row['batch']}"
            said.append(
                f"{row['response']} of {who} is {row['read']} {response.unit}".rstrip()
                + f", foretold {_range(response, row['low'], row['high'])}"
            )
        return "; ".join(said)

    def refit(self) -> Fits:
        """The fits with the confirmation batches among the data.

        Returns
        -------
        Fits
            Every response of the window, same terms and method. Where the trial had blocks the confirmation is a block of its own; else no shift
            between trial and confirmation is allowed for.
        """
        win = self.confirmation.window
        return Fits(win.study, {name: self._refitted(f) for name, f in win.fits.items()})

    def _refitted(self, old: Fit) -> Fit:
        name = old.response.name
        if name not in self._readings.columns:
            return old
        b = old.batches
        rows = [
            {"run": str(run), "batch": str(run), **b.settings.iloc[i].to_dict(), name: _cell(*bounds)}
            | ({"block": b.block[i]} if b.block is not None else {})
            | ({"whole_plot": b.whole_plot[i]} if b.whole_plot is not None else {})
            for i, run in enumerate(b.runs)
            for bounds in b.bounds[i]
        ]
        own = self._readings[name].dropna()
        earlier = {str(run) for run in b.runs}
        word, times = "confirmation", 1
        while any(f"{word} {k}" in earlier for k in own.index):  # the fits hold an earlier confirmation's batches
            times += 1
            word = f"confirmation {times}, batch"
        for k, value in own.items():
            label = f"{word} {k}"
            rows.append(
                {"run": label, "batch": label, **self.confirmation.setting.to_dict(), name: value}
                | ({"block": word} if b.block is not None else {})
                | ({"whole_plot": label} if b.whole_plot is not None else {})
            )
        # a bound among readings that had none asks for another method than the trial's
        method = None if any(isinstance(v, str) for v in own) else old.method
        return fit(old.study, pd.DataFrame(rows), name, model=old.model, method=method)

    def _sections(self) -> list[Section]:
        responses = self.confirmation.window.fits
        shown = pd.DataFrame(
            [
                {
                    "response": responses[row["response"]].response.label,
                    "batch": row["batch"],
                    "read": row["read"],
                    "foretold": _range(responses[row["response"]].response, row["low"], row["high"]),
                    "as foretold": _said(row["agrees"]),
                    "in specification": "" if row["batch"] == "mean" else _said(row["meets"]),
                }
                for _, row in self.table.iterrows()
            ]
        )
        return [Section("Confirmation: does it agree?", shown.astype(str), self.words)]


def judged(c: Confirmation, records: Any) -> Verdict:
    """The work of `Confirmation.verdict`."""
    fits = c.window.fits
    lower, upper = _batch_bounds(c, records)
    names = [name for name in fits if name in lower.columns and lower[name].notna().any()]
    if not names:
        raise StudyError(
            "verdict: records", "without a reading", f"with readings of {', '.join(fits)}", "read the batches first"
        )
    read = lower[names].notna().any(axis=1)
    lower, upper = lower.loc[read, names], upper.loc[read, names]
    n = len(lower)
    limits = {row["response"]: row for row in (c.limits if n == c.batches else c._limits(n)).to_dict("records")}
    rows = []
    for name in names:
        response, limit = fits[name].response, limits[name]
        low = -np.inf if response.low is None else response.low
        high = np.inf if response.high is None else response.high
        for batch, a, b in zip(lower.index, lower[name].tolist(), upper[name].tolist(), strict=True):
            if np.isnan(a):
                continue
            row = _row(response, str(batch), a, b, limit["low"], limit["high"])
            rows.append(row | {"meets": _within(a, b, low, high)})
        exact = lower[name] == upper[name]
        if exact.all() and np.isfinite(limit["mean_low"]):
            mean = float(response.inverse(response.forward(lower[name].to_numpy(dtype=float)).mean()))
            rows.append(_row(response, "mean", mean, mean, limit["mean_low"], limit["mean_high"]) | {"meets": None})
    table = pd.DataFrame(rows)
    for column in ("agrees", "meets"):
        table[column] = table[column].astype(object)  # True, False or None
    cells = {
        name: [
            np.nan if np.isnan(a) else _cell(a, b)
            for a, b in zip(lower[name].tolist(), upper[name].tolist(), strict=True)
        ]
        for name in names
    }
    return Verdict(c, n, table, pd.DataFrame(cells, index=lower.index, dtype=object))


def _row(response: Response, batch: str, a: float, b: float, low: float, high: float) -> dict[str, Any]:
    return {
        "response": response.name,
        "batch": batch,
        "value": a if a == b else np.nan,
        "read": _plain(response, a) if a == b else bound_text(a, b),
        "low": low,
        "high": high,
        "agrees": _within(a, b, low, high),
    }


def _within(a: float, b: float, low: float, high: float) -> bool | None:
    """Whether what lies from a to b lies between the limits; None where that is left open."""
    if a >= low and b <= high:
        return True
    # an open bound excludes its own figure: ">20000" is above 20000
    outside = a > high or b < low or (np.isinf(b) and a >= high) or (np.isinf(a) and b <= low)
    return False if outside else None


def _said(held: bool | None) -> str:
    return "cannot be told" if held is None else "yes" if held else "no"


def _cell(a: float, b: float) -> float | str:
    """A reading as a table takes it: a number, or a bound as it is typed."""
    return a if a == b else reading_text(np.nan, a, b)


def _batch_bounds(c: Confirmation, records: Any) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Lower and upper bounds of every batch's readings, one row a batch, labelled; settings checked."""
    study = c.study
    if isinstance(records, pd.DataFrame):
        table = records.copy()
        for column in ("run", "batch"):
            if column in table.columns:
                table.index = pd.Index(table[column])
        if not {"run", "batch"} & set(table.columns):
            table.index = pd.RangeIndex(1, len(table) + 1)
        own = [n for n in c.window.fits if n in table.columns]
        ends = {n: read_cells(table[n], n, "verdict", list(table.index)) for n in own}
        lower, upper = (pd.DataFrame({n: e[k] for n, e in ends.items()}, index=table.index) for k in (0, 1))
        settings = table[[n for n in study.names if n in table.columns]]
        if table.index.has_duplicates:
            settings = settings.groupby(level=0).first()
            lower, upper = lower.groupby(level=0).mean(), upper.groupby(level=0).mean()
    elif hasattr(records, "frame") and hasattr(records, "plan"):
        read = set(records.data["response"])
        frames = {name: records.frame(name) for name in c.window.fits if name.partition("[")[0] in read or name in read}
        if not frames:
            return pd.DataFrame(index=[]), pd.DataFrame(index=[])
        parts = {name: part.set_index("batch" if "batch" in part else "run") for name, part in frames.items()}
        lower, upper = (
            pd.DataFrame({name: part[end] if end in part else part[name] for name, part in parts.items()})
            for end in ("lower", "upper")
        )
        made = pd.concat([part[study.names] for part in parts.values()])
        settings = made[~made.index.duplicated()]
    else:
        raise StudyError(
            "verdict: records",
            type(records).__name__,
            "Records or a DataFrame",
            "give one row a batch and one column a response",
        )
    for f in study.factors:
        if f.name not in settings.columns:
            continue
        want = c.setting[f.name]
        for batch, value in settings[f.name].items():
            if isinstance(f, Categorical):
                same = value == want
            else:
                grain = max(1e-6 * (f.high - f.low), 0.5 * (getattr(f, "step", None) or 0.0))
                same = abs(float(value) - float(want)) <= grain
            if not same:
                unit = getattr(f, "unit", "")
                raise StudyError(
                    f"verdict: batch {batch}, {f.name}",
                    value,
                    f"{setting_text(f, want)} {unit}".strip() + ", the setting to be confirmed",
                    "leave batches made elsewhere out, or confirm that setting with confirm(…, at=…)",
                )
    return lower, upper


def simultaneous(values: Floats, confidence: float) -> tuple[Floats, Floats]:
    """Limits that hold together for all columns of a table of draws.

    Parameters
    ----------
    values : ndarray, shape (draws, k)
    confidence : float
        Share of draws inside every pair of limits.

    Returns
    -------
    low, high : ndarray, shape (k,)
        Order statistics, the same ranks in every column.

    References
    ----------
    Besag, J., Green, P., Higdon, D. & Mengersen, K. (1995). Stat. Sci. 10(1), 3-41, section 6.3.
    """
    draws = len(values)
    order = np.sort(values, axis=0)
    # how far out each draw lies in its worst column, as a rank from either end; ties take their innermost rank
    ranks = np.empty(values.shape, dtype=np.int64)
    for j in range(values.shape[1]):
        last = np.searchsorted(order[:, j], values[:, j], side="right")
        first = np.searchsorted(order[:, j], values[:, j], side="left") + 1
        up, down = first, draws + 1 - last
        ranks[:, j] = np.maximum(up, down)
    worst = np.sort(ranks.max(axis=1))
    k = int(worst[min(int(np.ceil(confidence * draws)) - 1, draws - 1)])
    return order[draws - k], order[k - 1]


def _shown(response: Response, fitted: float) -> float:
    return fitted if response.scale is not None else float(response.inverse(fitted))


def _plain(response: Response, value: float) -> str:
    text = response.text(value)
    return text.removesuffix(response.unit).strip() if response.unit else text


def _range(response: Response, low: float, high: float) -> str:
    if np.isnan(low):
        return ""
    return f"{_plain(response, low)} to {_plain(response, high)}"
