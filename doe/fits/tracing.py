"""Lines through the region on which one factor moves: mixture effect traces, and each factor's change over its range.

A component moves along Cox's direction (the others keep their proportions) or Piepel's (they keep the proportions of what they have
above their least amounts), any other factor by itself. Lines end where the region does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.fits.arrays import Floats
from doe.fits.canonical import encoded
from doe.fits.verdicts import listed
from doe.study import Categorical, Component, Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.fits.result import Fit

DIRECTIONS = {"cox": "Cox's direction", "piepel": "Piepel's direction"}
STEPS = 20  # on each side of the reference
CLOSE = 1e-9  # of a range: a distance that is none


@dataclass(frozen=True)
class Line:
    """Settings on which one numeric factor moves.

    Attributes
    ----------
    name : str
        The factor that moves.
    start : Series
        The numeric factors at the reference, natural units.
    step : Series
        Their change for one unit more of the factor.
    low, high : float
        Where the line ends: the factor's values there.
    """

    name: str
    start: pd.Series[float]
    step: pd.Series[float]
    low: float
    high: float

    def settings(self, values: Floats) -> pd.DataFrame:
        """Numeric settings at these values of the factor."""
        moved = (np.asarray(values, dtype=float) - float(self.start[self.name]))[:, None]
        table = self.start.to_numpy() + moved * self.step.to_numpy()
        out = pd.DataFrame(table, columns=list(self.start.index))
        out[self.name] = values
        return out

    @property
    def long(self) -> bool:
        """Whether the factor can move at all."""
        return self.high - self.low > CLOSE * max(abs(self.high), abs(self.low), 1e-300)


def centre_of(study: Study) -> pd.Series[float]:
    """The mean of the region's corners: numeric factors and components, natural units (McLean & Anderson's overall centroid)."""
    region = study.region
    out = np.empty(len(region.names))
    for block in region.blocks:
        out[block.columns] = block.vertices().mean(axis=0)
    low = np.array([study.factor(n).low for n in region.names])  # type: ignore[union-attr]
    high = np.array([study.factor(n).high for n in region.names])  # type: ignore[union-attr]
    return pd.Series(low + out * (high - low), index=region.names)


def line_through(study: Study, name: str, start: pd.Series[float], direction: str = "cox") -> Line:
    """The line through a setting on which a numeric factor or component moves, as far as it stays in the region."""
    region = study.region
    step = pd.Series(0.0, index=start.index)
    step[name] = 1.0
    parts = [c.name for c in study.components]
    if name in parts:
        others = [n for n in parts if n != name]
        floor = pd.Series(region.low, index=region.names)[others] if direction == "piepel" else 0.0
        room = start[others] - floor
        if room.sum() <= CLOSE * (study.mixture_total or 100.0):
            # the others are all at their least, where proportions say nothing: they take up what is given in equal parts
            room = room * 0.0 + 1.0
        step[others] = -room / room.sum()
    low = np.array([study.factor(n).low for n in region.names])  # type: ignore[union-attr]
    high = np.array([study.factor(n).high for n in region.names])  # type: ignore[union-attr]
    x, d = start.to_numpy(), step.to_numpy()
    span = high - low
    if len(region.E) and (np.abs(region.E @ d) > CLOSE * (np.abs(region.E) @ np.abs(d))).any():
        return Line(name, start, step, float(start[name]), float(start[name]))
    A = np.vstack([np.eye(len(x)), -np.eye(len(x)), region.A])
    b = np.concatenate([high, -low, region.b])
    size = np.concatenate([span, span, np.abs(region.A) @ span])
    rate, left = (A @ d) / size, np.maximum((b - A @ x) / size, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = left / rate
    own = float(span[region.names.index(name)])
    moving = np.abs(rate) * own > CLOSE
    forth = float(np.where(moving & (rate > 0), time, np.inf).min())
    back = float(np.where(moving & (rate < 0), time, -np.inf).max())
    ends = []
    for end in (float(start[name]) + back, float(start[name]) + forth):
        at = region.names.index(name)
        # the very numbers that were given, where the line reaches them
        near = [v for v in (float(low[at]), float(high[at])) if abs(end - v) <= CLOSE * own]
        ends.append(near[0] if near else end)
    return Line(name, start, step, ends[0], ends[1])


def rows_of(fit: Fit, settings: pd.DataFrame, at: Mapping[str, str]) -> Floats:
    """Rows of the model matrix for numeric settings, categorical factors at a level or at their average, covariates at their means."""
    return fit.model.matrix_of(encoded(fit, settings, at))


@dataclass(frozen=True, repr=False, eq=False)
class Traces(Shown):
    """Mixture effect traces of a fit; made by `Fit.traces`.

    Attributes
    ----------
    direction : str
        "cox" or "piepel".
    reference : Series
        The numeric factors where all traces meet, natural units.
    held : dict
        Levels of categorical factors; those left out stand at their average.
    lines : tuple of Line
        One a component.
    """

    fit: Fit = field(repr=False)
    direction: str
    reference: pd.Series[float]
    held: dict[str, str]
    lines: tuple[Line, ...]

    @cached_property
    def table(self) -> pd.DataFrame:
        """The traces: component, change from the reference, all components, estimate, std_error, low, high (95 % for the mean)."""
        parts = []
        names = [c.name for c in self.fit.study.components]
        for line in self.lines:
            at = float(self.reference[line.name])
            values = np.unique(
                np.concatenate([np.linspace(line.low, at, STEPS + 1), np.linspace(at, line.high, STEPS + 1)])
            )
            settings = line.settings(values)
            said = self.fit._foretell(rows_of(self.fit, settings, self.held), 0.95, "mean")
            lead = pd.DataFrame({"component": line.name, "change": values - at})
            parts.append(pd.concat([lead, settings[names], said], axis=1))
        return pd.concat(parts, ignore_index=True)

    @cached_property
    def effects(self) -> pd.DataFrame:
        """What each component's whole trace changes: component, least, most, estimate, std_error, df, t, p, low, high.

        The estimate is the response at the component's most minus that at its least, on the fitted scale (of scores: on the logit scale).

        References
        ----------
        Cornell, J. A. (2002). Experiments with Mixtures, 3rd ed., section 5.8. Wiley.
        """
        rows = np.zeros((len(self.lines), self.fit.model.p))
        for i, line in enumerate(self.lines):
            X = rows_of(self.fit, line.settings(np.array([line.low, line.high])), self.held)
            rows[i] = X[1] - X[0]
        out = self.fit.contrasts(rows)
        out.insert(0, "component", [line.name for line in self.lines])
        out.insert(1, "least", [line.low for line in self.lines])
        out.insert(2, "most", [line.high for line in self.lines])
        return out

    @property
    def held_words(self) -> str:
        """What does not move, in words; empty where everything is a component."""
        study = self.fit.study
        words = []
        for f in study.factors:
            if isinstance(f, Component):
                continue
            if isinstance(f, Categorical):
                words.append(f"{f.name} {self.held.get(f.name, 'at the average of its levels')}")
            else:
                words.append(f"{f.name} {number_text(float(self.reference[f.name]))} {f.unit}".rstrip())
        return ", ".join(words)

    def _sections(self) -> list[Section]:
        fit, study = self.fit, self.fit.study
        log = fit.response.transform == "log"
        e = self.effects
        fixed = [n for n, line in zip(e["component"], self.lines, strict=True) if not line.long]

        def cell(column: str, i: int) -> str:
            value, error = float(e[column].iloc[i]), float(e["std_error"].iloc[i])
            if self.lines[i].long and log:
                return ratio_text(value, error, float(e["estimate"].iloc[i]))
            return number_text(value, error) if self.lines[i].long else "cannot move" if column == "estimate" else ""

        what = fit.response.name if fit._contrast_label == fit.response.fitted_label else fit._contrast_label
        table = pd.DataFrame(
            {
                "component": [study.factor(n).label for n in e["component"]],
                "reference": [number_text(float(self.reference[n])) for n in e["component"]],
                "least": [number_text(float(v)) for v in e["least"]],
                "most": [number_text(float(v)) for v in e["most"]],
                f"change of {what}": [cell("estimate", i) for i in range(len(e))],
                "95 % low": [cell("low", i) for i in range(len(e))],
                "95 % high": [cell("high", i) for i in range(len(e))],
            }
        )
        others = (
            "the other components keep their proportions"
            if self.direction == "cox"
            else "the other components keep the proportions of what they have above their least amounts"
        )
        lines = [
            f"Each component goes from its least to its most inside the region; {others}.",
            "The change is a factor." if log else f"The change is on the scale of {fit._contrast_label}.",
        ]
        if self.held_words:
            lines.append(f"Held: {self.held_words}.")
        bent = self._bent()
        if bent:
            lines.append(
                f"{listed(bent)} {'turns' if len(bent) == 1 else 'turn'} on the way: the change from end to end hides what lies between, see .table."
            )
        if fixed:
            lines.append(f"Along this direction {listed(fixed)} cannot move inside the region.")
        if not fit.df_residual:
            lines.append("No residual degrees of freedom: there are no intervals.")
        lines += fit._selected
        title = f"Effect traces of {fit.response.label} along {DIRECTIONS[self.direction]}"
        return [Section(title, table, "\n".join(lines))]

    def _bent(self) -> list[str]:
        """Components on whose trace the response turns back by more than a quarter of its whole span there."""
        out = []
        for name, t in self.table.groupby("component", sort=False):
            y = t["estimate"].to_numpy()
            if np.ptp(y) > 0 and abs(y[-1] - y[0]) < 0.75 * np.ptp(y):
                out.append(str(name))
        return out


def ratio_text(value: float, error: float, middle: float) -> str:
    """A difference of logarithms as a factor, with the digits of the error of the estimate `middle`."""
    return f"× {number_text(float(np.exp(value)), float(np.exp(middle)) * error if np.isfinite(error) else None, 3)}"


def traces_of(fit: Fit, reference: Mapping[str, Any] | None, direction: str) -> Traces:
    """The work of `Fit.traces`."""
    study = fit.study
    parts = [c.name for c in study.components]
    if len(parts) < 2:
        raise StudyError(
            "traces: components",
            len(parts),
            "2 or more",
            "traces are for mixtures; see drivers() for the change over each factor's range",
        )
    if direction not in DIRECTIONS:
        raise StudyError("traces: direction", direction, '"cox" or "piepel"', nearest(str(direction), DIRECTIONS))
    start, held = _reference(study, reference)
    lines = tuple(line_through(study, name, start, direction) for name in parts)
    return Traces(fit, direction, start, held, lines)


def _reference(study: Study, given: Mapping[str, Any] | None) -> tuple[pd.Series[float], dict[str, str]]:
    start = centre_of(study)
    held: dict[str, str] = {}
    if given is None:
        return start, held
    if not isinstance(given, Mapping | pd.Series):
        raise StudyError(
            "traces: reference",
            type(given).__name__,
            "a mapping from factor to setting",
            'write {"glycerin": 5, …}, every component in it',
        )
    told = {str(k): v for k, v in given.items()}
    for name, value in told.items():
        if name not in study.names:
            raise StudyError("traces: reference", name, "settings by factor name", nearest(name, study.names))
        f = study.factor(name)
        if isinstance(f, Categorical):
            if value not in f.levels:
                raise StudyError(
                    f"traces: reference {name!r}", value, "one of " + ", ".join(f.levels), nearest(str(value), f.levels)
                )
            held[name] = str(value)
        else:
            start[name] = as_number(f"traces: reference {name!r}", value, f.unit)
    parts = [c.name for c in study.components]
    missing = [n for n in parts if n not in told]
    if missing and len(missing) < len(parts):
        raise StudyError(
            "traces: reference",
            listed([n for n in parts if n in told]),
            "all components or none of them",
            f"give {listed(missing)} too",
        )
    total = study.mixture_total or 100.0
    if abs(float(start[parts].sum()) - total) > 1e-9 * total:
        raise StudyError(
            "traces: sum of the reference",
            float(f"{float(start[parts].sum()):.10g}"),
            f"{total:g} {study.components[0].unit}".strip(),
            "correct the components so that they add up",
        )
    region = study.region
    low, high = region.low, region.high
    x = start.to_numpy()
    over = max(float(((x - high) / (high - low + 1e-300)).max()), float(((low - x) / (high - low + 1e-300)).max()))
    if len(region.b):
        over = max(over, float(((region.A @ x - region.b) / (np.abs(region.A) @ (high - low))).max()))
    if over > 1e-9:
        words = ", ".join(f"{n} {number_text(float(start[n]))}" for n in region.names)
        raise StudyError("traces: reference", words, "inside the region studied", "move it inside, or leave it out")
    return start, held
