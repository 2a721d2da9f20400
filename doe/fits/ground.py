"""What all fits of one data set share: the rows, and the covariates measured with their law."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from doe.fits.sources import Source, measured_covariates, source_of
from doe.study import Covariate, Model, Study, StudyError
from doe.study.shown import number_text

# a covariate blank in more than this share of the batches is left out of a named model, rather than the batches
MOST_BLANK = 0.2


@dataclass(frozen=True)
class Ground:
    """Rows of readings and the study they are fitted under.

    Attributes
    ----------
    study : Study
        As given, each covariate with its law: its own, else mean and SD of the batches measured, the same for every response.
    source : Source
    usable : tuple of str
        Covariates that named models take in.
    varying : frozenset of str
        Covariates that were measured and differ between batches.
    notes : dict of str -> str
        What became of each covariate, in a sentence.
    """

    study: Study
    source: Source
    usable: tuple[str, ...]
    varying: frozenset[str]
    notes: dict[str, str]

    @classmethod
    def of(cls, study: Study, data: Any) -> Ground:
        """Take up the data.

        Raises
        ------
        StudyError
            If they cannot be read.
        """
        source = source_of(study, data)
        table = measured_covariates(study, source)
        laws: dict[str, Covariate] = {}
        usable: list[str] = []
        varying: set[str] = set()
        notes: dict[str, str] = {}
        for c in study.covariates:
            values = table[c.name].dropna().to_numpy(dtype=float) if c.name in table.columns else np.empty(0)
            if not len(values):
                notes[c.name] = f"{c.name} was not measured, so that the fit leaves it out."
                continue
            if len(values) < 2 or np.ptp(values) == 0.0:
                notes[c.name] = (
                    f"{c.name} was {number_text(float(values[0]))} {c.unit}".rstrip()
                    + " throughout, so that the fit leaves it out."
                )
                continue
            blank = len(table) - len(values)
            varying.add(c.name)
            if c.mean is None:
                c = replace(c, mean=float(values.mean()), sd=float(values.std(ddof=1)))
                laws[c.name], of = c, "of the batches measured"
            else:
                of = "of the study"
            mean, sd = c.law
            unit = f" {c.unit}" if c.unit else ""
            law = f"mean {number_text(mean, sd)}{unit} and SD {number_text(sd, digits=3)}{unit} {of}"
            if blank > MOST_BLANK * len(table):
                notes[c.name] = (
                    f"{c.name} is blank in {blank} of {len(table)} batches, so that a named model leaves it out rather than these "
                    "batches; name it among the terms to have it the other way."
                )
                continue
            usable.append(c.name)
            notes[c.name] = (
                f"{c.name} was measured and is fitted, coded by {law}; predictions without it are for a batch at that mean."
            )
        if laws:
            study = study.with_covariates([laws.get(c.name, c) for c in study.covariates])
        return cls(study, source, tuple(usable), frozenset(varying), notes)

    def model(self, spec: str | Sequence[str] | Model) -> tuple[Model, tuple[str, ...]]:
        """The model meant, with the main effects of covariates where it is a named one, and what to say of the covariates.

        Raises
        ------
        StudyError
            If it names a covariate that was not measured or never changed.
        """
        built = self.study.model(spec)
        if isinstance(spec, str):
            built = Model(self.study, built.name, (*built.parsed, *(((c, 1),) for c in self.usable)), built.added)
        for name in built.measured:
            if name not in self.varying:
                raise StudyError(
                    "model: term", name, "a covariate that was measured, and differs between batches", "leave it out"
                )
        notes = []
        for name, note in self.notes.items():
            if name in built.measured and name not in self.usable:
                note = f"{name} is fitted as asked; batches without it are not used."
            elif name in self.usable and name not in built.measured:
                note = f"{name} was measured, but is no term of this model."
            notes.append(note)
        return built, tuple(notes)
