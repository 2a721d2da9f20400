"""Settings for a picture: which factors move, at what the others are held, what the mixture does with the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.plots.look import figures
from doe.study import Categorical, Discrete, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import Factor, as_number
from doe.window.settings import Settings

Floats = NDArray[np.float64]
SAME = 0.01  # share of a factor's range within which two settings count as one in a picture


@dataclass(frozen=True)
class Held:
    """What stays put while the factors `free` move.

    Attributes
    ----------
    study : Study
        What is studied.
    free : tuple of str
        The factors that move.
    base : dict
        A setting for every factor; of the free ones and of the components that make room it is only a start.
    given : tuple of str
        Components held at a setting on request, which therefore do not make room.
    """

    study: Study
    free: tuple[str, ...]
    base: dict[str, Any]
    given: tuple[str, ...] = ()

    @cached_property
    def _settings(self) -> Settings:
        return Settings(self.study)

    @cached_property
    def takers(self) -> list[str]:
        """Components that make room for the free ones: the balance, or all the others in proportion."""
        parts = [n for n in self.free if n in self._settings.mixture]
        # where all the others are held on request, their proportions are what is held
        return (self._settings.gives_room([*parts, *self.given]) or self._settings.gives_room(parts)) if parts else []

    def moving(self, *free: str) -> Held:
        """The same held settings with other factors free."""
        return replace(self, free=free, given=tuple(n for n in self.given if n not in free))

    def table(self, columns: Mapping[str, Any]) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
        """Settings with the free factors at these values, natural units, and which of them lie in the region studied."""
        changes = pd.DataFrame(dict(columns))
        if self.takers:
            changes = changes.assign(**{name: self.base[name] for name in self.given if name not in self.takers})
        table, possible = self._settings.changed(pd.Series(self.base), changes)
        # the settings were checked when they were held: a map that follows a slider asks many times a second
        return table, possible & self.study.region._contains(table)

    @property
    def text(self) -> str:
        """The held settings in words: "crosspolymer 0.25 %, speed 400 rpm; water makes room"."""
        still = [n for n in self.study.names if n not in self.free and n not in self.takers]
        words = ", ".join(setting_text(self.study.factor(n), self.base[n]) for n in still)
        if len(self.takers) == 1:
            rest = f"{self.takers[0]} makes room"
        elif self.takers:
            rest = (
                " : ".join(self.takers)
                + " make room as "
                + " : ".join(figures(float(self.base[n]), 3) for n in self.takers)
            )
        else:
            rest = ""
        return "; ".join(part for part in (words, rest) if part)

    def matching(self, runs: pd.DataFrame) -> NDArray[np.bool_]:
        """Which of these runs were made at the held settings, within a hundredth of each range."""
        # only a mixture makes the others depend on what is free
        parts = [n for n in self.free if n in self._settings.mixture]
        at = self.table({name: runs[name].to_numpy() for name in self.free})[0] if parts else None
        same = np.ones(len(runs), dtype=bool)
        for f in self.study.factors:
            if f.name in self.free:
                continue
            if isinstance(f, Categorical):
                same &= (runs[f.name].astype(str) == str(self.base[f.name])).to_numpy()
            else:
                place = float(self.base[f.name]) if at is None else at[f.name].to_numpy(dtype=float)
                gap = np.abs(runs[f.name].to_numpy(dtype=float) - place)
                same &= gap <= SAME * (f.high - f.low)
        return same


def held(study: Study, free: Sequence[str], at: Any = None, base: Mapping[str, Any] | None = None) -> Held:
    """Where the factors that do not move are held.

    Parameters
    ----------
    study : Study
        What is studied.
    free : sequence of str
        Factors that move.
    at : mapping or Series, optional
        Held settings by factor, natural units; entries of the free factors are passed over, so that a set point can be given whole.
    base : mapping, optional
        Settings of the factors that `at` leaves out; the middle of the region if left out.
    """
    settings = middle(study) if base is None else dict(base)
    given: list[str] = []
    if at is not None:
        told = {name: value for name, value in _mapping(at, "at").items() if name not in free}
        for name, value in told.items():
            if name not in study.names:
                raise StudyError("at", name, "settings by factor name", nearest(name, study.names))
            settings[name] = checked(study.factor(name), value, "at")
        parts = [c.name for c in study.components]
        given = [n for n in parts if n in told]
        if given and (not set(parts) & set(free) or len(given) < len(set(parts) - set(free))):
            _fill_mixture(study, settings, given)
    return Held(study, tuple(free), settings, tuple(given))


def _mapping(at: Any, where: str) -> dict[str, Any]:
    if isinstance(at, pd.DataFrame) and len(at) == 1:
        at = at.iloc[0]
    if isinstance(at, pd.Series):
        return {str(k): v for k, v in at.items()}
    if isinstance(at, Mapping):
        return {str(k): v for k, v in at.items()}
    raise StudyError(where, type(at).__name__, "a mapping from factor to setting", 'write {"speed": 400}')


def _fill_mixture(study: Study, settings: dict[str, Any], given: list[str]) -> None:
    """Components not given make room for those that are, so that the start adds up."""
    room = Settings(study)
    table, possible = room.changed(pd.Series(settings), pd.DataFrame([{name: settings[name] for name in given}]))
    if not possible[0]:
        amounts = float(f"{sum(settings[n] for n in given):.10g}")
        total = f"{study.mixture_total:g} {study.components[0].unit}".strip()
        allowed = f"at most {total}" if room.gives_room(given) else total
        raise StudyError(f"at: {' + '.join(given)}", amounts, allowed, "correct the amounts so that they add up")
    settings.update({str(k): v for k, v in table.iloc[0].items()})


def checked(factor: Factor, value: Any, where: str) -> Any:
    """One setting of a factor, refused with its sentence where it cannot be."""
    spot = f"{where}: {factor.name!r}"
    if isinstance(factor, Categorical):
        if value not in factor.levels:
            raise StudyError(spot, value, "one of " + ", ".join(factor.levels), nearest(str(value), factor.levels))
        return str(value)
    number = as_number(spot, value, factor.unit)
    room = SAME * (factor.high - factor.low)
    if not factor.low - room <= number <= factor.high + room:
        span = f"{factor.low:g} to {factor.high:g} {factor.unit}".strip()
        raise StudyError(spot, number, f"within the range studied, {span}", "hold it inside, or study a wider range")
    return number


def known(study: Study, name: object, where: str) -> Factor:
    """The factor of this name, or the sentence."""
    if not isinstance(name, str) or name not in study.names:
        raise StudyError(where, name, "a factor of the study", nearest(str(name), study.names))
    return study.factor(name)


def middle(study: Study) -> dict[str, Any]:
    """The middle of every range; the mean corner where constraints or a mixture leave it out; first levels of categorical factors."""
    out: dict[str, Any] = {}
    for f in study.factors:
        if isinstance(f, Categorical):
            out[f.name] = f.levels[0]
        elif isinstance(f, Discrete):
            out[f.name] = min(f.levels, key=lambda v, m=(f.low + f.high) / 2.0: abs(v - m))  # type: ignore[misc]
        else:
            out[f.name] = (f.low + f.high) / 2.0
    if study.components:
        corners = study.region.vertices()
        out.update({c.name: float(corners[c.name].astype(float).mean()) for c in study.components})
    if not bool(study.region.contains(pd.DataFrame([out])).all()):
        points = study.region.sample(256, seed=0)  # the most central of some settings that can be made
        numbers = [f.name for f in study.factors if not isinstance(f, Categorical)]
        span = np.array([study.factor(n).high - study.factor(n).low for n in numbers])  # type: ignore[union-attr]
        values = points[numbers].to_numpy(dtype=float)
        nearest_one = int(np.argmin((((values - values.mean(axis=0)) / span) ** 2).sum(axis=1)))
        out.update(dict(zip(numbers, values[nearest_one].tolist(), strict=True)))
    return out


def setting_text(factor: Factor, value: Any) -> str:
    """A factor's setting in words: "speed 400 rpm", "impeller anchor"."""
    if isinstance(factor, Categorical):
        return f"{factor.name} {value}"
    return f"{factor.name} {figures(float(value), 4)} {factor.unit}".strip()


def steps(factor: Factor, n: int) -> list[Any] | Floats:
    """Values to draw a factor over: its levels, or `n` even steps from low to high."""
    if isinstance(factor, Categorical | Discrete):
        return list(factor.levels)
    return np.linspace(factor.low, factor.high, n)
