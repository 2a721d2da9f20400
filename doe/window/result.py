"""The window: where one new batch is likely to meet every specification, the best setting, and the ranges that hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits import Fit
from doe.fits.tables import Noted
from doe.study import Categorical, Discrete, Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import Factor, as_number
from doe.study.shown import bound_text, chance_text, error_text, number_text
from doe.study.trial import specification_text
from doe.window.blends import blends_of
from doe.window.box_search import BoxSearch, Level
from doe.window.chance import Draws
from doe.window.choosing import (
    FEWEST,
    MOST,
    SPREAD,
    Share,
    behind,
    excursion_share,
    far_apart,
    in_the_running,
    joint_share,
    lowest_places,
    pool_of,
)
from doe.window.conforming import Rates, lower_quantile
from doe.window.edges import Edge, acceptable_ranges, nearest_edge
from doe.window.equals import alike_settings
from doe.window.folding import Floats
from doe.window.hindrances import Obstacles, obstacles_of
from doe.window.predictive import Predictive
from doe.window.set_point_search import Best, best_setting
from doe.window.settings import SLACK, Settings
from doe.window.streaming import PIECE, Streamed

EVIDENCE = (
    "This rests on the responses measured in this trial and on nothing else: it is no evidence of preservation, safety, stability or "
    "shelf life beyond what was measured."
)
# streams of draws: those that guide a search, those by which it compares what it found, those that judge that (FRESH, then ever new ones),
# and those shown, which had no part in any search
GUIDE, CHECK, FRESH, SHOWN = 0, 1, 2, 11
GUIDING = 4000  # draws that guide the search for the set point; more would not find a better one, only later
TRIES = 5  # boxes tried on ever new draws before none is offered
CHANCE = "the chance"
ALLOWED = " allows for set point and ranges having been chosen on these same readings"
SAID = 0.9  # confidence of the claim on the page
COSTLY = 24  # settings at which a claim is evaluated in every round of a box search


@dataclass(frozen=True, repr=False, eq=False)
class Window(Shown):
    """Where every specification is met, with what chance; made by `doe.find_window`.

    Attributes
    ----------
    study : Study
    fits : mapping of response -> Fit
        Those that have a specification.
    target : float
        Chance that the ranges must hold.
    draws : int
        Posterior draws behind every chance.
    set_point : Series
        The settable setting with the highest chance found, by factor, natural units.
    set_point_probability, mc_error : float
        Its chance on draws that had no part in finding it, and the Monte-Carlo error of that.
    method : str
        Which posterior, in words.
    not_judged : tuple of str
        Responses of the fits that have no specification.
    """

    study: Study
    fits: Mapping[str, Fit]
    target: float
    draws: int
    set_point: pd.Series[Any]
    set_point_probability: float
    mc_error: float
    method: str
    not_judged: tuple[str, ...]
    _predictive: Predictive = field(repr=False)

    # ---- how it was found, for titles and provenance

    @property
    def noise(self) -> bool:
        """Whether a new batch carries its own error."""
        return self._predictive.noise

    @property
    def jitter(self) -> dict[str, float]:
        """Standard deviation of the setting error added, by factor, natural units."""
        return dict(self._predictive.jitter)

    @property
    def seed(self) -> int:
        """Seed of every draw."""
        return self._predictive.seed

    @property
    def reached(self) -> bool:
        """Whether the chance at the set point, less two Monte-Carlo errors, reaches the target."""
        return self.set_point_probability - 2.0 * self.mc_error >= self.target

    # ---- chances at given settings

    def probability(self, df: pd.DataFrame) -> Noted:
        """Chance that one new batch made at each setting meets every specification.

        Parameters
        ----------
        df : DataFrame
            One column a factor, natural units.

        Returns
        -------
        DataFrame
            The index of `df`; columns probability, mc_error (its Monte-Carlo standard error) and extrapolated (True outside the
            study's region, where the models were never tried).

        Raises
        ------
        StudyError
            If a factor's column is missing or a cell cannot be used.
        """
        table = self.study.frame(df)
        value, error = self._chances(table)
        outside = ~self.study.region._contains(table)
        return Noted.made(
            pd.DataFrame({"probability": value, "mc_error": error, "extrapolated": outside}, index=df.index),
            self._extrapolated(outside),
        )

    def _chances(self, table: pd.DataFrame) -> tuple[Floats, Floats]:
        """Chances, and their Monte-Carlo errors, at settings that `Study.frame` has checked."""
        return self._predictive.chance(self.study._encoded(table, table), self._all)

    def _judged(self, table: pd.DataFrame) -> tuple[Floats, Floats]:
        """The same on the draws that judge the set point: for settings that were picked by the draws shown."""
        return self._predictive.chance(self.study.encode(table), self._fresh)

    def by_response(self, df: pd.DataFrame) -> pd.DataFrame:
        """The same chance for each response by itself, one column a response."""
        chances, _ = self._each(df)
        return chances

    def _each(self, df: pd.DataFrame, fresh: bool = False) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Chances by response and their Monte-Carlo errors; `fresh`: on the draws that judge the set point."""
        found = self._predictive.chance_by_response(self.study.encode(df), self._fresh if fresh else self._all)
        chances, errors = (pd.DataFrame(values, columns=list(self.fits), index=df.index) for values in found)
        return chances, errors

    def claim(self, df: pd.DataFrame | None = None, confidence: float = 0.9, chosen: bool | None = None) -> Noted:
        """Lower bound of the true conforming rate: another question than the chance of one new batch.

        At each setting the share of all future batches that meet every specification is a fixed, unknown number. The posterior of
        that number exceeds the bound with the stated confidence. Batches carry their own error whatever `noise` was.

        Parameters
        ----------
        df : DataFrame, optional
            One column a factor, natural units; left out, the set point.
        confidence : float
            Between 0 and 1.
        chosen : bool, optional
            Whether the settings were chosen on the readings of this trial, from a map say. The bound then allows for that: it holds at all
            settings of the region together, or, for the set point, at all that a repeat of the trial might choose as such. Left out: yes for
            the set point that stands where `df` is left out, no for settings that are given.

        Returns
        -------
        DataFrame
            The index of `df`; columns claim, mc_error (Monte-Carlo error of the bound) and extrapolated. Its `note` says which of the
            two bounds it is.

        Raises
        ------
        StudyError
            If the confidence is not between 0 and 1, or a cell cannot be used.

        Notes
        -----
        For one response with one limit this is the normal-theory one-sided tolerance bound, by the noncentral t (ISO 16269-6), and
        the stated confidence is exact. With several limits the bound errs to the safe side: of 1500 simulated trials of 14 runs,
        0.96 (two limits) and 0.98 (three) kept a claim of 0.9.

        That is so at a setting fixed beforehand. The best of many settings looks better than it is, and that bound is kept less often there.
        What holds at all settings that might have been chosen, together, holds at the one that was (Berk et al. 2013; over those alone that
        the readings leave in the running, Zrnic & Fithian 2024). The joint bound takes the order statistics of the posterior's draws (Besag
        et al. 1995): it needs no refit, so it serves every kind of fit.

        Of 300 simulated trials of 12 runs, one limit and a full quadratic in two factors, a claim of 0.8 at the chosen set point was kept in 0.63
        before and 0.87 after where truths varied widely, and in 0.28 and 0.81 where no setting was better than another, the hardest case
        (standard error 0.02); boxes held at that confidence fell short somewhere in 0.03 and 0.10 of the trials. A confidence is of trials: of
        the boxes that come to be offered where next to none can hold, most will not. No correction would be needed if the truths came from the
        prior; a flat prior does not know that the best of many looks better than it is. With two responses and three limits the bound
        is careful anyway: of 150 trials of 14 runs a claim of 0.8 was kept in 0.90 without the correction and in all with it. Other kinds of
        fits were not simulated. Where a repeat of the trial would choose is looked for among some hundreds of settings, and the width of
        its posterior taken to be that of this one.

        References
        ----------
        Berk, R., Brown, L., Buja, A., Zhang, K. & Zhao, L. (2013). Valid post-selection inference. Ann. Statist. 41(2), 802-837.
        Zrnic, T. & Fithian, W. (2024). Locally simultaneous inference. Ann. Statist. 52(3), 1227-1253.
        Besag, J., Green, P., Higdon, D. & Mengersen, K. (1995). Bayesian computation and stochastic systems. Stat. Sci. 10(1), 3-41.
        """
        _share("claim: confidence", confidence, "0.9")
        if chosen is not None and not isinstance(chosen, bool):
            raise StudyError("claim: chosen", chosen, "True, False or left out", "say whether the readings chose them")
        given = df is not None
        table = self.study.frame(df if df is not None else pd.DataFrame([self.set_point.to_dict()]))
        Z = self.study.encode(table)
        outside = ~self.study.region.contains(table)
        if chosen is None:
            chosen = not given
        if chosen:
            value, error = self._joint_claim(Z, confidence, "region" if given else "set point")
            over = "all settings of the region" if given else "all settings that a repeat of the trial might choose"
            here = "settings chosen" if given else "the set point, chosen"
            note = (
                f"The true conforming rate exceeds the claim with {confidence:.3g} confidence at {over}, together: so it does at {here} on "
                "the same readings."
            )
        else:
            value, error = self._predictive.claim(Z, self._rates, confidence)
            note = f"The true conforming rate exceeds the claim with {confidence:.3g} confidence at a setting fixed beforehand."
            point = self.study.encode(self.study.frame(pd.DataFrame([self.set_point.to_dict()])))
            if np.isclose(Z, point, atol=1e-9).all(axis=1).any():
                note += " The set point was not: win.claim() allows for its having been chosen on the same readings."
        return Noted.made(
            pd.DataFrame({"claim": value, "mc_error": error, "extrapolated": outside}, index=table.index),
            "\n".join(filter(None, [note, self._extrapolated(outside)])),
        )

    def map(self, x: str, y: str, at: Mapping[str, Any] | None = None, n: int = 101) -> Noted:
        """Chance over a grid of two factors, the others held.

        Parameters
        ----------
        x, y : str
            Names of two factors that are numbers: continuous, discrete or components.
        at : mapping of factor to setting, optional
            Other settings to hold than those of the set point.
        n : int
            Grid points along each factor (a discrete factor gives its levels).

        Returns
        -------
        DataFrame
            Columns x, y, probability, extrapolated; x varies fastest. The probability is NaN where the mixture cannot be made. Its
            `note` says what is held and, in a mixture, which components make room.

        Raises
        ------
        StudyError
            If a name is not such a factor, or a held setting cannot be used.
        """
        axes = [self._axis("x", x), self._axis("y", y)]
        if x == y:
            raise StudyError("map: y", y, f"another factor than x ({x!r})", "name two different factors")
        if isinstance(n, bool) or not isinstance(n, int | np.integer) or n < 2:
            raise StudyError("map: n", n, "a whole number of at least 2", "leave it out for 101")
        settings = self._predictive.settings
        base, given = self._held(dict(at or {}), (x, y))
        lines = []
        for factor in axes:
            i = settings.names.index(factor.name)
            levels = isinstance(factor, Discrete)
            lines.append(np.array(factor.levels) if levels else np.linspace(settings.low[i], settings.high[i], n))
        grid = np.stack([g.ravel() for g in np.meshgrid(*lines)], axis=1)
        changes = pd.DataFrame({x: grid[:, 0], y: grid[:, 1], **given})
        table, possible = settings.changed(base, changes)
        probability = np.full(len(grid), np.nan)
        inside = np.zeros(len(grid), dtype=bool)
        if possible.any():
            made = table[possible]
            probability[possible] = self._predictive.chance(self.study.encode(made), self._all)[0]
            inside[possible] = self.study.region.contains(made)
        moving = settings.gives_room([name for name in changes.columns if name in settings.mixture])
        held = {name: base[name] for name in self.study.names if name not in (x, y, *moving)} | given
        words = ["Held: " + ", ".join(self._setting(name, value) for name, value in held.items()) + "."] if held else []
        if moving:
            several = len(moving) > 1
            words.append(
                f"{', '.join(moving)} make{'' if several else 's'} room{', keeping proportions' if several else ''}."
            )
        out = pd.DataFrame({x: grid[:, 0], y: grid[:, 1], "probability": probability, "extrapolated": ~inside})
        return Noted.made(out, " ".join(words))

    def ternary(self, a: str, b: str, c: str, at: Mapping[str, Any] | None = None, n: int = 61) -> Noted:
        """Chance over three components of the mixture, all other settings held.

        Parameters
        ----------
        a, b, c : str
            Names of three components; they share what the others leave.
        at : mapping of factor to setting, optional
            Other settings to hold than those of the set point.
        n : int
            Grid points along each side.

        Returns
        -------
        DataFrame
            Columns a, b, c, probability, extrapolated; a grid over the triangle whose corners are the least of each in the region. Its
            `note` says what is held.

        Raises
        ------
        StudyError
            If a name is no component, or a held setting cannot be used.
        """
        if isinstance(n, bool) or not isinstance(n, int | np.integer) or not 3 <= n <= 501:
            raise StudyError("ternary: n", n, "a whole number from 3 to 501", "leave it out for 61")
        found = blends_of(self, a, b, c, at, "ternary")
        blends = found.grid(int(n))
        table = found.table(blends, self.study.names)
        chance = self._predictive.chance(self.study.encode(table), self._all)[0]
        out = pd.DataFrame(blends, columns=[a, b, c])
        out["probability"] = chance
        out["extrapolated"] = ~self.study.region.contains(table)
        held = ", ".join(self._setting(name, value) for name, value in found.held.items())
        return Noted.made(out, f"Held: {held}." if held else "")

    # ---- ranges

    @property
    def ranges(self) -> Noted:
        """The default box: ranges of the factors that hold the target together."""
        return self._default_box[0]

    @property
    def worst(self) -> pd.DataFrame:
        """The worst setting inside `ranges`: one row, the factors, then probability and mc_error; no row without ranges."""
        return self._default_box[1]

    @cached_property
    def acceptable_ranges(self) -> Noted:
        """Proven acceptable ranges: how far each factor by itself may move, the others at the set point.

        Returns
        -------
        DataFrame
            Columns factor, low, high, one row a factor (of a categorical one, the levels that hold); NaN where the set point itself falls short.

        References
        ----------
        ICH Q8(R2) (2009). Pharmaceutical development, glossary: proven acceptable range.
        """
        return acceptable_ranges(self)

    @cached_property
    def edge(self) -> Edge:
        """The nearest setting at which the target is no longer held: `.setting`, `.distance`, `.limiting`, `.words`."""
        return nearest_edge(self)

    @cached_property
    def alike(self) -> Noted:
        """How far apart settings lie whose chance cannot be told from that of the set point.

        Returns
        -------
        DataFrame
            Columns factor, low, high, one row a factor: over what it goes among the settings looked at whose chance comes within two
            Monte-Carlo errors of the set point's; of a categorical factor the levels that do, joined by commas, in both. Not every
            combination of them is as good. Its `note` says it in words.
        """
        return alike_settings(self)

    @cached_property
    def obstacles(self) -> Obstacles:
        """Where there is no window: what limits it, which specifications clash, and what would open it."""
        return obstacles_of(self)

    def box(
        self,
        pin: Mapping[str, Any] | None = None,
        weights: Mapping[str, float] | None = None,
        confidence: float | None = None,
    ) -> Noted:
        """The widest ranges around the set point that hold the target together.

        Widest means the greatest Σ w log(width/range) over the factors. Every setting inside lies in the study's region, and at
        the worst one the chance less two Monte-Carlo errors reaches the target, on draws that had no part in the search. In a
        mixture one component gives way (the balance, where there is one); its implied range is given too. Ends are values that can
        be set, or have few digits; a discrete factor's width is the number of its levels.

        Parameters
        ----------
        pin : mapping of factor to setting or (low, high), optional
            Factors held at a setting, or whose range is given. Where the set point does not lie there, the box is built around
            the best setting that does.
        weights : mapping of factor to number above 0, optional
            How much a factor's width counts; 1 where not given.
        confidence : float, optional
            Hold the claim at this confidence instead of the chance of one new batch: with this confidence the true conforming rate
            reaches the target at every setting of the box, though set point and ranges were chosen on the same readings. The claim is
            that of `claim` at the set point, lowered further where all that a box may hold would not reach the target together.

        Returns
        -------
        DataFrame
            Columns factor, low, high, one row a factor; no row where no box holds. Its `note` says the worst setting inside, or why
            there is none.

        Raises
        ------
        StudyError
            If a name is unknown or a figure cannot be used.
        """
        return self._box(pin, weights, confidence)[0]

    # ---- inside

    @cached_property
    def _all(self) -> Draws | Streamed:
        """All draws, however many; what is asked of them again and again takes `_shown`, those held at once."""
        return self._shown if self.draws <= PIECE else self._predictive.stream(SHOWN, self.draws)

    @cached_property
    def _shown(self) -> Draws:
        return self._predictive.draw(SHOWN, min(self.draws, PIECE))

    @cached_property
    def _guide(self) -> Draws:
        return self._predictive.draw(GUIDE, min(self.draws, PIECE))

    @cached_property
    def _check(self) -> Draws:
        return self._predictive.draw(CHECK, min(self._predictive.judging(self.draws), PIECE))

    @cached_property
    def _fresh(self) -> Draws | Streamed:
        return self._predictive.stream(FRESH, self._predictive.judging(self.draws))

    @cached_property
    def _rates(self) -> Rates:
        return self._predictive.rates(SHOWN, self.draws)

    @cached_property
    def _fresh_rates(self) -> Rates:
        """Rates of draws that had no part in finding the set point."""
        predictive = self._predictive
        return predictive.rates(FRESH, predictive.judging(self.draws)).part(self.draws)

    @cached_property
    def _point(self) -> Best:
        """The set point as the searches take it."""
        settings = self._predictive.settings
        x = np.array([float(self.set_point[name]) for name in settings.names])
        return Best(x[settings.free], {f.name: str(self.set_point[f.name]) for f in self.study.categorical})

    @cached_property
    def _pool(self) -> tuple[Floats, NDArray[np.int64]]:
        """Encoded settings all over the region, the set point first, and which of them a repeat of the trial might choose, it too."""
        predictive = self._predictive
        pool = pool_of(predictive, predictive.settings, self._point)
        return pool, np.union1d(0, in_the_running(predictive, pool, GUIDE, min(self.draws, PIECE)))

    def _joint_share(self, confidence: float, over: str) -> Share:
        """How deep into the draws a bound must lie to hold together over the "region" or the likely set points ("set point")."""
        if over not in self._lowest:
            pool, running = self._pool
            some = far_apart(pool[running] if over == "set point" else pool, MOST)
            rates = behind(self._predictive, some, self._fresh_rates)
            self._lowest[over] = lowest_places(self._predictive.rates_at(some, rates, coarse=True)), rates.effective
        lowest, effective = self._lowest[over]
        return joint_share(lowest, confidence, effective)

    @cached_property
    def _lowest(self) -> dict[str, tuple[Floats, float]]:
        return {}

    def _box_share(self, confidence: float) -> float:
        """How deep it must lie for boxes: all that they may hold reaches the target together, around a set point that was chosen."""
        inside = excursion_share(self._spread_rates, self.target, confidence)
        return min(inside, self._joint_share(confidence, "set point").value)

    @cached_property
    def _spread_rates(self) -> Floats:
        some = far_apart(self._pool[0], SPREAD)
        return self._predictive.rates_at(some, self._fresh_rates.part(FEWEST), coarse=True)

    def _joint_claim(self, Z: Floats, confidence: float, over: str) -> tuple[Floats, Floats]:
        """The joint bound at encoded settings; its error carries that of the share and that of the quantile."""
        share, rates = self._joint_share(confidence, over), self._fresh_rates
        value, error = np.empty(len(Z)), np.empty(len(Z))
        for i in range(len(Z)):
            found = self._predictive.rates_at(Z[i : i + 1], rates)[0]
            value[i], own = lower_quantile(found, 1.0 - share.value, rates.effective)
            low, high = np.quantile(found, [share.low, share.high])
            error[i] = np.hypot(own, (high - low) / 2.0)
        return value, error

    @cached_property
    def _default_box(self) -> tuple[Noted, pd.DataFrame]:
        return self._box(None, None, None)

    def _extrapolated(self, outside: Any) -> str:
        if not outside.any():
            return ""
        return f"{int(outside.sum())} of {len(outside)} settings lie outside the study's region: there the models only extrapolate."

    def _axis(self, which: str, name: object) -> Any:
        if not isinstance(name, str) or name not in self.study.names:
            raise StudyError(f"map: {which}", name, "a factor of the study", nearest(str(name), self.study.names))
        factor = self.study.factor(name)
        if isinstance(factor, Categorical):
            numbers = [f.name for f in self.study.factors if not isinstance(f, Categorical)]
            raise StudyError(
                f"map: {which}",
                name,
                "a factor with numbers, not a categorical one",
                f"hold it with at={{{name!r}: {factor.levels[0]!r}}}, and choose the axes among {', '.join(numbers)}",
            )
        return factor

    def _held(self, at: dict[str, Any], axes: tuple[str, str]) -> tuple[pd.Series[Any], dict[str, Any]]:
        """The set point with the categorical and numeric settings of `at`, and those of its components apart."""
        base = self.set_point.copy()
        parts = {}
        for name, value in at.items():
            factor = self._known("map: at", name)
            if name in axes:
                raise StudyError("map: at", name, "another factor than the axes", "leave it out: it varies")
            if isinstance(factor, Categorical):
                base[name] = _level(f"map: at, {name!r}", factor, value)
            elif name in self._predictive.settings.mixture:
                parts[name] = as_number(f"map: at, {name!r}", value, factor.unit)
            else:
                base[name] = as_number(f"map: at, {name!r}", value, factor.unit)
        return base, parts

    @staticmethod
    def _held_value(where: str, factor: Any, value: object) -> Any:
        return _level(where, factor, value) if isinstance(factor, Categorical) else as_number(where, value, factor.unit)

    def _known(self, where: str, name: object) -> Any:
        if name not in self.study.names:
            raise StudyError(where, name, "a factor of the study", nearest(str(name), self.study.names))
        return self.study.factor(str(name))

    def _setting(self, name: str, value: Any) -> str:
        return f"{name} {setting_text(self.study.factor(name), value)} {getattr(self.study.factor(name), 'unit', '')}".rstrip()

    def _pins(self, pin: Mapping[str, Any]) -> tuple[dict[str, tuple[float, float]], dict[str, str]]:
        numbers: dict[str, tuple[float, float]] = {}
        levels: dict[str, str] = {}
        for name, value in pin.items():
            factor = self._known("box: pin", name)
            where = f"box: pin, {name!r}"
            if isinstance(factor, Categorical):
                levels[name] = _level(where, factor, value)
                continue
            pair = isinstance(value, tuple | list) and len(value) == 2
            ends = [as_number(where, v, factor.unit) for v in (value if pair else (value, value))]
            for end in ends:
                slack = SLACK * (factor.high - factor.low)
                if not factor.low - slack <= end <= factor.high + slack:
                    unit = f" {factor.unit}".rstrip()
                    raise StudyError(
                        where,
                        end,
                        f"from {factor.low:g} to {factor.high:g}{unit}, the range studied",
                        "pin it inside its range",
                    )
                if isinstance(factor, Discrete) and min(abs(end - v) for v in factor.levels) > slack:
                    raise StudyError(
                        where,
                        end,
                        "one of the levels " + ", ".join(f"{v:g}" for v in factor.levels),
                        "pin it at a level",
                    )
            if ends[0] > ends[1] or (pair and ends[0] == ends[1]):
                raise StudyError(where, tuple(ends), "a number, or a pair whose low is below its high", "swap the two")
            numbers[name] = (ends[0], ends[1])
        return numbers, levels

    def _box(
        self, pin: Mapping[str, Any] | None, weights: Mapping[str, float] | None, confidence: float | None
    ) -> tuple[Noted, pd.DataFrame]:
        pins, fixed = self._pins(pin or {})
        if confidence is not None:
            _share("box: confidence", confidence, "0.9")
        predictive = self._predictive
        settings = Settings(self.study, pins) if pins else predictive.settings
        settings.check()
        given = {}
        for name, w in (weights or {}).items():
            self._known("box: weights", name)
            if name not in settings.names or name in pins or settings.names.index(name) in settings.bound:
                raise StudyError("box: weights", name, "a factor whose range is sought", "leave it out")
            given[name] = as_number(f"box: weights, {name!r}", w)
            if given[name] <= 0:
                raise StudyError(f"box: weights, {name!r}", w, "above 0", "hold a factor with pin instead")
        best, moved = self._anchor(settings, fixed)
        search = BoxSearch(
            predictive,
            settings,
            best.levels,
            best.free,
            self._guide,
            np.array([given.get(settings.names[i], 1.0) for i in settings.free]),
            self.seed,
            self._level(CHECK, confidence),
            **({"few": COSTLY} if confidence is not None else {"quick": self._quick}),
        )
        at = settings.encoded(settings.complete(best.free[None, :]), best.levels)
        what = CHANCE if confidence is None else f"the claim at {confidence:.3g} confidence"
        where = "the best setting with what is pinned" if moved else "the set point"
        chance, error = self._level(FRESH, confidence)(at)
        if chance[0] - 2 * error[0] < self.target:
            return self._no_box(
                f"No box: at {where} itself {what} is {chance_text(float(chance[0]))} (Monte-Carlo error {error_text(float(error[0]))}), "
                f"not surely {self.target:g} or more." + ("" if confidence is None else f" The claim{ALLOWED}.")
            )
        # three errors of the search's draws, so that two errors of fresh ones are mostly cleared at the first try
        goal = self.target + 3.0 * (self._error_at_target() if confidence is None else float(error[0]))
        few = None if confidence is None else COSTLY
        found = None
        for attempt in range(TRIES):
            found = search.find(goal, near=found)
            if found is None:
                break
            low, high = ((end - search.origin) / search.width for end in found)
            worst, value, error_at = search.worst(low, high, self._level(FRESH + attempt, confidence), few)
            if value - 2 * error_at >= self.target:
                return self._held_box(settings, best, found, worst, value, error_at, what, where)
            goal = min(goal + self.target - (value - 2 * error_at) + 0.5 * error_at, 1.0 - 1e-6)
        if search.kept.any():
            return self._no_box(
                f"No box: around {where} the pinned ranges alone do not hold {self.target:g}; narrow them."
            )
        return self._no_box(
            f"No box: {where} reaches {self.target:g}, but no ranges around it do beyond the Monte-Carlo error; more draws may "
            f"find some."
        )

    def _error_at_target(self) -> float:
        return float(np.sqrt(self.target * (1.0 - self.target) / self._check.effective))

    def _level(self, stream: int, confidence: float | None) -> Level:
        """What a box must hold, on the draws of one stream."""
        predictive = self._predictive
        if confidence is None:
            kept = {CHECK: "_check", FRESH: "_fresh"}.get(stream)
            draws = getattr(self, kept) if kept else predictive.stream(stream, predictive.judging(self.draws))
            return lambda Z: predictive.chance(Z, draws)
        rates = predictive.rates(stream, max(1000, self.draws // 4) if stream == CHECK else self.draws)
        joint = 1.0 - self._box_share(confidence)
        return lambda Z: predictive.claim(Z, rates, joint, coarse=stream == CHECK)

    def _quick(self, Z: Floats) -> tuple[Floats, Floats]:
        """The chance on some of the draws that guide a box search."""
        return self._predictive.chance(Z, self._check_part)

    @cached_property
    def _check_part(self) -> Draws:
        return self._check.part(0, self.draws)

    def _anchor(self, settings: Settings, fixed: Mapping[str, str]) -> tuple[Best, bool]:
        """The setting that a box must contain: the set point, or the best one that respects the pins."""
        x = np.array([float(self.set_point[name]) for name in settings.names])
        levels = self._point.levels
        slack = SLACK * settings.width
        here = ((x >= settings.low - slack) & (x <= settings.high + slack)).all()
        if here and all(levels[name] == level for name, level in fixed.items()):
            return Best(x[settings.free], levels), False
        guide = self._guide.part(0, GUIDING)
        return best_setting(self._predictive, settings, guide, self._check, self.seed, fixed), True

    def _no_box(self, reason: str) -> tuple[Noted, pd.DataFrame]:
        empty = pd.DataFrame({"factor": [], "low": [], "high": []}, dtype=object)
        columns = [*self.study.names, "probability", "mc_error"]
        return Noted.made(empty, reason), pd.DataFrame({name: [] for name in columns})

    def _held_box(
        self,
        settings: Settings,
        best: Best,
        found: tuple[Floats, Floats],
        worst: Floats,
        value: float,
        error: float,
        what: str,
        where: str,
    ) -> tuple[Noted, pd.DataFrame]:
        low, high = np.empty(len(settings.names)), np.empty(len(settings.names))
        low[settings.free], high[settings.free] = found
        low[settings.bound] = settings.at + np.minimum(settings.by * found[0], settings.by * found[1]).sum(axis=1)
        high[settings.bound] = settings.at + np.maximum(settings.by * found[0], settings.by * found[1]).sum(axis=1)
        rows: list[tuple[str, Any, Any]] = []
        for name in self.study.names:
            if name in best.levels:
                rows.append((name, best.levels[name], best.levels[name]))
            else:
                i = settings.names.index(name)
                rows.append((name, _tidy(low[i]), _tidy(high[i])))
        setting = settings.frame(settings.complete(worst[None, :]), best.levels)
        words = (
            f"Every setting inside holds: at the worst one, "
            f"{', '.join(self._setting(name, setting[name].iloc[0]) for name in self.study.names)}, {what} is {chance_text(value)} "
            f"(Monte-Carlo error {error_text(error)}); target {self.target:g}. Built around {where}."
        )
        if what != CHANCE:
            words += f" The claim{ALLOWED}."
        implied = [settings.names[i] for i in settings.bound if settings.names[i] not in settings.pins]
        if implied:
            one = len(implied) == 1
            words += f" {', '.join(implied)} {'takes' if one else 'take'} up what the others leave: "
            words += f"{'its range follows' if one else 'their ranges follow'} from theirs."
        at_end = (
            np.minimum(np.abs(best.free - found[0]), np.abs(best.free - found[1]))
            <= SLACK * settings.width[settings.free]
        )
        inside = (best.free > settings.low[settings.free]) & (best.free < settings.high[settings.free])
        inner = [settings.names[i] for i in np.array(settings.free)[at_end & inside & (found[0] < found[1])]]
        if inner:
            words += f" {_capital(where)} lies at an end of the range of {', '.join(inner)}."
            words += self._middle_words(settings, best, found)
        table = pd.DataFrame(rows, columns=["factor", "low", "high"])
        return Noted.made(table, words), setting.assign(probability=value, mc_error=error)

    def _middle_words(self, settings: Settings, best: Best, found: tuple[Floats, Floats]) -> str:
        """Where to aim when the ranges are to be used: settings scatter to both sides of the one aimed at."""
        middle = (found[0] + found[1]) / 2.0
        ends = np.array(
            [
                [settings.rounded(i, v, up) for up in (False, True)]
                for i, v in zip(settings.free, middle.tolist(), strict=True)
            ]
        )
        free = np.where(middle - ends[:, 0] <= ends[:, 1] - middle, ends[:, 0], ends[:, 1])
        if not settings.allowed(free[None, :])[0] or np.allclose(free, best.free):
            return ""
        frame = settings.frame(settings.complete(free[None, :]), best.levels)
        chance, error = self._judged(frame)
        named = ", ".join(
            self._setting(name, frame[name].iloc[0]) for name in self.study.names if name not in best.levels
        )
        return (
            f" To use the ranges aim at their middle, {named}: there the chance is {chance_text(float(chance[0]))} "
            f"(Monte-Carlo error {error_text(float(error[0]))})."
        )

    # ---- shown

    def _range_table(self, ranges: pd.DataFrame) -> pd.DataFrame:
        factors = [self.study.factor(name) for name in ranges["factor"]]
        return pd.DataFrame(
            {
                "factor": ranges["factor"],
                "low": [setting_text(f, v) for f, v in zip(factors, ranges["low"], strict=True)],
                "high": [setting_text(f, v) for f, v in zip(factors, ranges["high"], strict=True)],
                "unit": [getattr(f, "unit", "") for f in factors],
            }
        )

    def _alone_note(self) -> str:
        return f"{self.acceptable_ranges.note} {self.edge.words}"

    def _sections(self) -> list[Section]:
        p, error = self.set_point_probability, self.mc_error
        at = pd.DataFrame([self.set_point.to_dict()])
        alone = self._each(at, fresh=True)[0].iloc[0]
        specs = pd.DataFrame(
            [
                {
                    "response": fit.response.label,
                    "specification": specification_text(fit.response),
                    "chance at the set point": f"{alone[name]:.3f}",
                }
                for name, fit in self.fits.items()
            ]
        )
        predictive = self._predictive
        notes = [self.method]
        own = "A new batch carries its own error, as measured in the trial."
        notes.append(own if self.noise else "The mean response is judged, without a new batch's own error.")
        if self.jitter:
            held = ", ".join(self._setting(name, sd) for name, sd in self.jitter.items())
            outside = predictive.outside(at)
            notes.append(
                f"Setting error added (SD): {held}; it puts {outside:.1%} of batches at the set point outside the region."
            )
        if self.not_judged:
            notes.append(f"Not judged, for want of a specification: {', '.join(self.not_judged)}.")
        if predictive.kind == "joined" and len(self.fits) > 1:
            apart = predictive.chance(self.study.encode(at), predictive.unjoined(FRESH, min(self._fresh.draws, PIECE)))
            notes.append(
                f"Were their errors independent, the chance at the set point would be {chance_text(float(apart[0][0]), 3)} instead of "
                f"{chance_text(p, 3)}."
            )
        notes += predictive.warnings
        what = "one new batch" if self.noise else "the mean response"
        title = f"Chance that {what} meets every specification; target {self.target:g}, {self.draws} draws"
        sections = [Section(title, specs, "\n".join(notes))]
        rows = pd.DataFrame(
            [
                {"factor": f.name, "setting": setting_text(f, self.set_point[f.name]), "unit": getattr(f, "unit", "")}
                for f in self.study.factors
            ]
        )
        claim = self.claim(confidence=SAID).iloc[0]
        chance = (
            f"Chance there: {chance_text(p)} (Monte-Carlo error {error_text(error)}, fresh draws). True conforming rate there: "
            f"{bound_text(float(claim['claim']), float(claim['mc_error']))} or more with {SAID:.0%} confidence (Monte-Carlo error "
            f"{error_text(float(claim['mc_error']))}), the choice of the set point on these same readings allowed for."
        )
        if not self.reached:
            limiting = str(alone.idxmin())
            sections.append(
                Section(
                    f"No window: no setting surely reaches {self.target:g}; the best found",
                    rows,
                    f"{chance} {limiting} limits it: by itself its chance there is {alone[limiting]:.3f}.",
                )
            )
            sections += self.obstacles._sections()
        else:
            sections.append(Section("Set point", rows, "\n".join(filter(None, [chance, self.alike.note]))))
            ranges = self.ranges
            sections.append(Section("Ranges that hold together", self._range_table(ranges), ranges.note))
            sections.append(
                Section("One factor at a time", self._range_table(self.acceptable_ranges), self._alone_note())
            )
        sections.append(Section("What this does not say", None, EVIDENCE))
        return sections


def _share(where: str, value: object, example: str) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not 0 < value < 1:
        raise StudyError(where, value, "a number between 0 and 1", f"write {example}, say")


def _level(where: str, factor: Categorical, value: object) -> str:
    if value not in factor.levels:
        raise StudyError(where, value, "one of " + ", ".join(factor.levels), nearest(str(value), factor.levels))
    return str(value)


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _tidy(value: float) -> float:
    return float(f"{value:.10g}")


def setting_text(factor: Factor, value: Any) -> str:
    """A setting as text, with the decimals of the factor's step where the value is one of its steps."""
    if isinstance(value, str):
        return value
    step = getattr(factor, "step", None)
    if step is not None and abs(value / step - round(value / step)) < 1e-6:
        decimals = len(f"{step:.10f}".rstrip("0").split(".")[1])
        return f"{value:.{decimals}f}"
    return number_text(float(value), digits=5)


def make_window(
    study: Study,
    fits: Mapping[str, Fit],
    not_judged: tuple[str, ...],
    target: float,
    draws: int,
    predictive: Predictive,
) -> Window:
    """Find the set point and put the window together; the ranges are found when first asked for."""
    settings = predictive.settings
    search = predictive.draw(GUIDE, min(draws, PIECE))
    check = predictive.draw(CHECK, min(predictive.judging(draws), PIECE))
    best = best_setting(predictive, settings, search.part(0, GUIDING), check, predictive.seed)
    setting = settings.frame(settings.complete(best.free[None, :]), best.levels)
    fresh = predictive.stream(FRESH, predictive.judging(draws))
    chance, error = predictive.chance(study.encode(setting), fresh)
    point = pd.Series(
        {name: _tidy(v) if not isinstance(v := setting[name].iloc[0], str) else v for name in study.names},
        name="set point",
    )
    window = Window(
        study,
        dict(fits),
        float(target),
        int(draws),
        point,
        float(chance[0]),
        float(error[0]),
        predictive.method,
        not_judged,
        predictive,
    )
    window.__dict__.update(_guide=search, _check=check, _fresh=fresh)
    return window
