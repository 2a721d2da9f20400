"""A virtual bench: an invented laboratory makes and measures batches of an invented gel whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.bench import Ingredient, Neutralise, Recipe, Records, Step
from doe.designs import Plan
from doe.study import Continuous, Response, Section, Shown, Study, StudyError
from doe.study.shown import number_text
from doe.virtual.mechanism import BASE, CARBOMER_ACID, CROSSPOLYMER_ACID, RESPONSES, true_values

Floats = NDArray[np.float64]

# How much batches differ, invented: standard deviations on the scale each response is fitted on (ln viscosity, pH, logit stability,
# ln bead size; in the order of RESPONSES). A base gel carries its weighing, lot and swelling; a beaker its neutralising, stirring and
# bead making; a reading only the instrument and the eye.
BASE_SD = np.array([0.060, 0.030, 0.150, 0.030])
BEAKER_SD = np.array([0.050, 0.050, 0.250, 0.080])
READING_SD = np.array([0.020, 0.020, 0.150, 0.040])
# A gel that came out thicker holds better and has finer beads; the same for base gels and beakers, readings err on their own.
CORRELATION = np.array(
    [
        [1.0, 0.2, 0.6, -0.5],
        [0.2, 1.0, 0.1, -0.1],
        [0.6, 0.1, 1.0, -0.6],
        [-0.5, -0.1, -0.6, 1.0],
    ]
)
# The eye that scores a jar errs more than two photographs do.
SCORING_SD = 0.60
READOUT = np.array([10.0, 0.01, 0.1, 1.0])  # smallest difference the laboratory writes down: mPa·s, pH, %, µm
SHARE_LIMITS = (0.1, 99.9)  # none and all of the beads held are written down as these
SCORE_ENDS = np.array([25.0, 50.0, 75.0, 92.0])  # % of the beads held, from which the next better score is given

FACTORS = ("carbomer", "crosspolymer", "neutralisation", "speed")
LEAST_POLYMER = 0.05  # % of both together, below which there is no gel to speak of

_SHARE = (
    "Stability: share of at least 500 beads that hang where they hung, two photographs laid over each other, after 24 h at 40 °C and "
    "30 min in the centrifuge at 150 times gravity; none and all are written down as 0.1 and 99.9."
)
_SCORE = (
    "Stability: scored by eye, without photographs, after 24 h at 40 °C and 30 min in the centrifuge at 150 times gravity. "
    "5: hardly a bead has moved; 4: a few have; 3: up to half; 2: most; 1: nearly all."
)
_NOTES = "\n".join(
    [
        "INVENTED: an imaginary laboratory's clear after-sun cooling gel with suspended uncoloured care-oil beads. No such product exists "
        "and no figure was measured.",
        "Carbomer, and as crosspolymer acrylates/C10-30 alkyl acrylate crosspolymer: % w/w of a 200 g batch. Neutralisation: equivalents "
        "of tromethamine per equivalent of COOH. Speed: of the stirrer while the oil goes in and for 20 min after.",
        "Read after 24 h at 25 °C. Viscosity: one spindle, one speed. pH: directly in the gel. Bead size: median diameter of at least "
        "300 beads in a photograph.",
    ]
)


def _study(hard_to_change: bool, scored: bool) -> Study:
    share = Response("stability", "%", low=75.0, transform=("logit", 0.0, 100.0), decimals=1)
    return Study(
        "after-sun gel (invented)",
        [
            Continuous(
                "carbomer",
                0.25,
                0.55,
                "%",
                step=0.01,
                limits=(0.0, 1.0),
                setting_sd=0.004,
                hard_to_change=hard_to_change,
            ),
            Continuous(
                "crosspolymer",
                0.10,
                0.40,
                "%",
                step=0.01,
                limits=(0.0, 1.0),
                setting_sd=0.004,
                hard_to_change=hard_to_change,
            ),
            Continuous("neutralisation", 0.40, 0.80, "eq/eq", step=0.01, limits=(0.0, 1.2), setting_sd=0.008),
            Continuous("speed", 200.0, 600.0, "rpm", step=10.0, limits=(50.0, 1200.0), setting_sd=5.0),
        ],
        [
            Response("viscosity", "mPa·s", low=10000.0, high=32000.0, transform="log", decimals=0),
            Response("pH", low=5.5, high=6.3, decimals=2),
            Response("stability", scale=(1, 5), low=4) if scored else share,
            Response("bead size", "µm", low=220.0, high=750.0, transform="log", decimals=0),
        ],
        notes="\n".join([_NOTES, _SCORE if scored else _SHARE]),
    )


def _recipe() -> Recipe:
    return Recipe(
        [
            Ingredient("water", "A", balance=True, function="solvent"),
            Ingredient("disodium EDTA", "A", percent=0.10, stock=0.05, function="chelator"),
            Ingredient("phenoxyethanol", "A", percent=0.80, max_percent=1.0, function="preservative", hazards=["skin"]),
            Step("stir until clear", speed=300, minutes=5, hazards=["impeller"]),
            Ingredient("glycerin", "B", percent=5.0, function="humectant; wets the powders"),
            Ingredient(
                "carbomer",
                "B",
                factor="carbomer",
                acid_content=CARBOMER_ACID,
                balance_readability=0.001,
                function="thickener",
                hazards=["powder"],
            ),
            Ingredient(
                "crosspolymer",
                "B",
                factor="crosspolymer",
                acid_content=CROSSPOLYMER_ACID,
                balance_readability=0.001,
                function="holds the beads",
                hazards=["powder"],
            ),
            Step(
                "slurry B in its own beaker, sift nothing dry into water; add B to A and stir",
                speed=400,
                minutes=30,
                hazards=["impeller"],
            ),
            Step("rest, covered, until no lumps are left", minutes=60),
            Neutralise(BASE, "neutralisation", stock=0.20),
            Step("fold in by hand, then stir slowly; read the pH once and do not chase it", speed=100, minutes=5),
            Ingredient("caprylic/capric triglyceride", "C", balance=True, of="C", function="care oil"),
            Ingredient(
                "dextrin palmitate",
                "C",
                percent=6.0,
                of="C",
                balance_readability=0.001,
                function="thickens the oil",
                hazards=["powder"],
            ),
            Step("melt C apart until clear, let it cool to 40 °C", temperature=85, minutes=15, hazards=["heat"]),
            Step("pour C into the gel and stir", speed="speed", minutes=20, hazards=["impeller"]),
            Step("rest 24 h at 25 °C before the first reading", hazards=["failed batch"]),
        ],
        phases={"A": None, "B": None, "C": 2.0},
    )


@dataclass(frozen=True, repr=False)
class AfterSunGel(Shown):
    """An invented clear after-sun cooling gel with suspended care-oil beads, made on a bench of which everything is known.

    The truth is a mechanism (`doe.virtual.mechanism`), not a polynomial. Batches scatter about it by base gel and by beaker, readings
    about the batch, all normal on the scale on which the response is fitted, with the standard deviations of `noise`.

    Parameters
    ----------
    hard_to_change : bool
        Whether one base gel (both polymers) feeds several beakers: the polymers are then hard to change, plans have whole plots, and
        the beakers of a whole plot share their base gel's error.
    setting_error : bool
        Whether the bench misses its settings by the factors' `setting_sd`. Without it the noise about the truth is exactly normal.
    scored : bool
        Whether stability is scored from 1 to 5 by eye, with the eye's own error, instead of counted as the share of beads that held.

    Examples
    --------
    >>> import pandas as pd
    >>> gel = AfterSunGel()
    >>> middle = pd.DataFrame({"carbomer": [0.40], "crosspolymer": [0.25], "neutralisation": [0.60], "speed": [400.0]})
    >>> round(float(gel.truth(middle)["pH"].iloc[0]), 2)
    6.15
    """

    hard_to_change: bool = False
    setting_error: bool = True
    scored: bool = False

    def __post_init__(self) -> None:
        for field in ("hard_to_change", "setting_error", "scored"):
            if not isinstance(getattr(self, field), bool):
                raise StudyError(
                    f"virtual bench: {field}", getattr(self, field), "True or False", "write one of the two"
                )

    @cached_property
    def study(self) -> Study:
        """The study: four factors, four responses with their specifications, steps, limits and setting errors."""
        return _study(self.hard_to_change, self.scored)

    @cached_property
    def recipe(self) -> Recipe:
        """How the invented laboratory makes a batch: an invented recipe, linked to the four factors."""
        return _recipe()

    @property
    def noise(self) -> pd.DataFrame:
        """Standard deviations about the truth, one row a response, on the scale on which it is fitted.

        Columns: base gel and beaker (which together make a batch differ), reading, and what one reading of a batch on its own base gel
        scatters in all. Setting errors come on top. A score's is that of the logit share behind it.
        """
        reading = self._reading_sd
        total = np.sqrt(BASE_SD**2 + BEAKER_SD**2 + reading**2)
        columns = {"base gel": BASE_SD, "beaker": BEAKER_SD, "reading": reading, "one reading of one batch": total}
        return pd.DataFrame(columns, index=pd.Index(RESPONSES, name="response"))

    def truth(self, df: pd.DataFrame) -> pd.DataFrame:
        """What the median batch made exactly at each setting would truly be.

        Parameters
        ----------
        df : DataFrame
            One column a factor: carbomer (%), crosspolymer (%), neutralisation (eq/eq), speed (rpm).

        Returns
        -------
        DataFrame
            One row a setting, one column a response: viscosity (mPa·s), pH, stability (%, or the score of that share), bead size (µm).

        Raises
        ------
        StudyError
            If a setting is missing, beyond the factor's limits, or holds too little polymer to gel.
        """
        table = self._checked(df, "the table")
        values = self._in_scores(true_values(*table.to_numpy(dtype=float).T))
        return pd.DataFrame(values, index=table.index, columns=list(RESPONSES))

    def make(self, plan: Plan, seed: int = 0, readings: int = 1) -> Records:
        """Make and measure every batch of a plan.

        Parameters
        ----------
        plan : Plan
            Its study names the same factors. Beakers of one whole plot come from one base gel; without whole plots every batch has its own.
        seed : int
            0 or above. The same seed makes the same batches, in whatever order the plan lists them.
        readings : int
            How often each batch is read.

        Returns
        -------
        Records
            Rounded as the laboratory writes them down.

        Raises
        ------
        StudyError
            If the plan is of another study, or the polymers change within a whole plot.
        """
        _check_whole("readings", readings, 1)
        _check_whole("seed", seed, 0)
        if not isinstance(plan, Plan):
            raise StudyError("plan", type(plan).__name__, "a Plan", "make one with doe.designs")
        asked = self._asked(plan.study)
        runs = self._checked(plan.runs.sort_index(), "the plan")
        bases = np.arange(len(runs))
        if plan.whole_plot is not None:
            whole = plan.whole_plot.loc[runs.index]
            for polymer in FACTORS[:2]:
                for label, levels in runs[polymer].groupby(whole):
                    if levels.nunique() > 1:
                        raise StudyError(
                            f"plan: {polymer} in whole plot {label!r}",
                            sorted(set(levels.tolist())),
                            "one level, as one base gel feeds the whole plot",
                            "plan the polymers as hard to change",
                        )
            bases = pd.factorize(whole)[0]
        measured = self._measured(runs.to_numpy(dtype=float), bases, readings, seed)
        values = _written(self._in_scores(measured))
        table = pd.DataFrame(values.reshape(-1, len(RESPONSES)), columns=list(RESPONSES))[asked]
        table.insert(0, "run", np.tile(runs.index.to_numpy(), readings))
        table.insert(1, "replicate", np.repeat(np.arange(1, readings + 1), len(runs)))
        place = {run: i for i, run in enumerate(plan.runs.index, start=1)}
        table.insert(2, "order", table["run"].map(place))
        return Records.from_frame(table, plan)

    def conforming(self, df: pd.DataFrame, readings: int = 1, draws: int = 20_000, seed: int = 0) -> pd.DataFrame:
        """Give the true probability that a new batch made at a setting reads within every specification.

        Parameters
        ----------
        df : DataFrame
            Settings, as for `truth`.
        readings : int
            How many readings of the batch are averaged, before rounding, to be held against the specification.
        draws : int
            Batches simulated at each setting, each on its own base gel.
        seed : int
            0 or above. Every setting meets the same errors, so that settings compare sharply.

        Returns
        -------
        DataFrame
            probability, and mc_error: its Monte-Carlo standard error.

        Raises
        ------
        StudyError
            As for `truth`, or if a count is not whole and above 0.
        """
        _check_whole("readings", readings, 1)
        _check_whole("draws", draws, 100)
        _check_whole("seed", seed, 0)
        table = self._checked(df, "the table")
        low = np.array([-np.inf if r.low is None else r.low for r in self.study.responses])
        high = np.array([np.inf if r.high is None else r.high for r in self.study.responses])
        chance = np.empty(len(table))
        for i, row in enumerate(table.to_numpy(dtype=float)):
            measured = self._measured(np.tile(row, (draws, 1)), np.arange(draws), readings, seed)
            batches = self._in_scores(measured).mean(axis=0)
            chance[i] = ((batches >= low) & (batches <= high)).all(axis=1).mean()
        return pd.DataFrame(
            {"probability": chance, "mc_error": np.sqrt(chance * (1 - chance) / draws)}, index=table.index
        )

    def _asked(self, study: Study) -> list[str]:
        """Which responses a study asks the bench to measure; refused where its factors, responses or units are others."""
        if set(study.names) != set(FACTORS):
            raise StudyError(
                "plan: factors", study.names, f"{list(FACTORS)}", "plan the study that the virtual bench gives"
            )
        asked = [r.name for r in study.responses]
        for name in asked:
            if name not in RESPONSES:
                raise StudyError(
                    "plan: response", name, f"one of {list(RESPONSES)}", "the virtual bench measures nothing else"
                )
        for name in asked:
            mine, theirs = self.study.response(name).scale, study.response(name).scale
            if mine != theirs:
                kinds = ["counted as a share" if s is None else f"scored on the scale {s}" for s in (theirs, mine)]
                raise StudyError(
                    f"plan: {name}",
                    kinds[0],
                    f"{kinds[1]}, as this bench reads it",
                    "plan the study that the virtual bench gives, or make the bench with scored=True or False",
                )
        for item, own in [(study.factor(n), self.study.factor(n)) for n in FACTORS] + [
            (study.response(n), self.study.response(n)) for n in asked
        ]:
            if item.label != own.label:
                raise StudyError(
                    "plan: unit", item.label, f"{own.label!r}, as the virtual bench has it", "plan it in that unit"
                )
        return asked

    @property
    def _reading_sd(self) -> Floats:
        if not self.scored:
            return READING_SD
        return np.where(np.array(RESPONSES) == "stability", SCORING_SD, READING_SD)

    def _in_scores(self, values: Floats) -> Floats:
        """Values with the share of beads held as its score, where stability is scored; the last axis is the responses."""
        if not self.scored:
            return values
        at = RESPONSES.index("stability")
        out = values.copy()
        out[..., at] = 1 + np.searchsorted(SCORE_ENDS, values[..., at], side="right")
        return out

    @property
    def _settable(self) -> list[Continuous]:
        return [f for f in self.study.factors if isinstance(f, Continuous)]

    def _checked(self, df: pd.DataFrame, where: str) -> pd.DataFrame:
        table = self.study.frame(df, where)
        for factor in self._settable:
            name = factor.name
            least, most = factor.limits
            bad = (table[name] < least) | (table[name] > most)
            if bad.any():
                raise StudyError(
                    f"{where}, row {bad.idxmax()}, column {name!r}",
                    float(table.loc[bad, name].iloc[0]),
                    f"from {least:g} to {most:g} {factor.unit}",
                    "the virtual bench cannot set it",
                )
        total = table["carbomer"] + table["crosspolymer"]
        if (total < LEAST_POLYMER).any():
            row = (total < LEAST_POLYMER).idxmax()
            raise StudyError(
                f"{where}, row {row}: carbomer + crosspolymer",
                float(total.loc[total < LEAST_POLYMER].iloc[0]),
                f"{LEAST_POLYMER:g} % or above",
                "with less polymer there is no gel to measure",
            )
        return table

    def _measured(self, settings: Floats, bases: NDArray[np.intp], readings: int, seed: int) -> Floats:
        """Readings of batches as the instruments give them.

        Parameters
        ----------
        settings : ndarray, shape (n, 4)
            What was planned.
        bases : ndarray, shape (n,)
            Number of each batch's base gel, from 0.
        readings : int
            Of each batch.
        seed : int
            Feeds four streams apart, so that reading once more, or missing the settings, changes nothing else.

        Returns
        -------
        ndarray, shape (readings, n, responses)
        """
        n, width = len(settings), len(RESPONSES)
        count = int(bases.max(initial=-1)) + 1
        of_base, of_beaker, of_setting, of_reading = (
            np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(4)
        )
        together = np.linalg.cholesky(CORRELATION).T
        error = ((of_base.standard_normal((count, width)) @ together) * BASE_SD)[bases]
        error = error + (of_beaker.standard_normal((n, width)) @ together) * BEAKER_SD
        if self.setting_error:
            polymers = of_setting.standard_normal((count, 2))[bases]  # one weighing of the polymers a base gel
            missed = np.column_stack([polymers, of_setting.standard_normal((n, 2))])
            sd = np.array([f.setting_sd for f in self._settable])
            limits = np.array([f.limits for f in self._settable], dtype=float)
            settings = np.clip(settings + missed * sd, limits[:, 0], limits[:, 1])
        middle = true_values(*settings.T)
        responses = _study(self.hard_to_change, scored=False).responses
        fitted = np.column_stack([r.forward(middle[:, j]) for j, r in enumerate(responses)]) + error
        fitted = fitted + of_reading.standard_normal((readings, n, width)) * self._reading_sd
        return np.stack([r.inverse(fitted[:, :, j]) for j, r in enumerate(responses)], axis=2)

    def _sections(self) -> list[Section]:
        rows = self.noise.map(lambda v: number_text(v, digits=2))
        labels = [f"logit of the share behind {r.name}" if r.scale else r.fitted_label for r in self.study.responses]
        rows.insert(0, "fitted scale", labels)
        base = (
            "One base gel feeds the beakers of a whole plot."
            if self.hard_to_change
            else "Every batch has its own base gel."
        )
        note = "Settings are missed by their SD." if self.setting_error else "Settings are met exactly."
        return [
            Section("Virtual bench: after-sun gel, invented", None, f"{base} {note}"),
            *self.study._sections(),
            Section(
                "Noise about the truth (SD)",
                rows.reset_index(),
                "Invented. Thicker batches hold better and have finer beads.",
            ),
        ]


def _check_whole(where: str, value: object, least: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < least:
        raise StudyError(where, value, f"a whole number from {least}", "correct the number")


def _written(values: Floats) -> Floats:
    """Readings as the laboratory writes them down."""
    rounded = np.round(
        np.round(values / READOUT) * READOUT, 6
    )  # the last digits that multiplying by 0.1 leaves are dropped
    at = RESPONSES.index("stability")
    rounded[..., at] = np.clip(rounded[..., at], *SHARE_LIMITS)
    return np.asarray(rounded)
