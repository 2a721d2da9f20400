"""A guessed truth as a function of the settings: fitted coefficients, coefficients by hand, or a virtual bench."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits import Fit
from doe.study import Model, Response, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.terms import parse_term

Floats = NDArray[np.float64]
WHERE = "rehearse: truth"


@dataclass(frozen=True)
class Truth:
    """What every response truly is, on its fitted scale.

    Attributes
    ----------
    study : Study
    responses : tuple of Response
        Those that the truth tells of.
    parts : tuple
        For each response: a list of (model, coefficients), or the virtual bench.
    """

    study: Study
    responses: tuple[Response, ...]
    parts: tuple[Any, ...]

    def mean(self, df: pd.DataFrame) -> Floats:
        """True value at each setting, fitted scale, shape (N, r)."""
        columns = []
        for response, part in zip(self.responses, self.parts, strict=True):
            if isinstance(part, list):
                columns.append(sum((m.matrix(df) @ b for m, b in part), np.zeros(len(df))))
            else:
                told = part.truth(df)[response.name].to_numpy(dtype=float)
                columns.append(np.asarray(response.forward(told), dtype=float))
        return np.column_stack(columns)

    def real(self, response: int, model: Model) -> tuple[bool, ...] | None:
        """Whether each term of a model is in the truth; None for a virtual bench, which has no coefficients."""
        part = self.parts[response]
        if not isinstance(part, list):
            return None
        there = {t for m, b in part for i, t in enumerate(m.parsed) if np.any(b[m.term_of == i] != 0.0)}
        return tuple(t in there for t in model.parsed)


def as_truth(truth: object, study: Study) -> Truth:
    """Any of the three kinds of truth for a study, or the sentence that says why not."""
    if callable(getattr(truth, "truth", None)):
        return _from_bench(truth, study)
    if not isinstance(truth, Mapping) or not truth:
        raise StudyError(
            WHERE,
            type(truth).__name__,
            "Fits, a mapping of response to coefficients, or a virtual bench",
            'write {"viscosity": {"1": 9.4, "polymer": 0.6}}, coded units on the fitted scale',
        )
    responses, parts = [], []
    for name, told in truth.items():
        responses.append(_response(study, name))
        if isinstance(told, Fit):
            _same_factors(told.study, study)
            beta = np.asarray(told.beta, dtype=float)[: told.model.p]
            parts.append([(study.model(told.model), beta)])
        elif isinstance(told, Mapping) and told:
            parts.append([_column(study, name, key, value) for key, value in told.items()])
        else:
            raise StudyError(
                f"{WHERE} of {name!r}",
                type(told).__name__ if not isinstance(told, Mapping) else {},
                "a Fit or a mapping of term to coefficient",
                'write {"1": 9.4, "polymer": 0.6}, coded units on the fitted scale',
            )
    return Truth(study, tuple(responses), tuple(parts))


def _from_bench(bench: Any, study: Study) -> Truth:
    _same_factors(bench.study, study)
    known = {r.name for r in bench.study.responses}
    responses = tuple(r for r in study.responses if r.name in known)
    if not responses:
        raise StudyError(
            f"{WHERE}: responses", ", ".join(sorted(known)), "some of the study's", "add them to the study as Response"
        )
    return Truth(study, responses, (bench,) * len(responses))


def _same_factors(theirs: Study, study: Study) -> None:
    if sorted(theirs.names) != sorted(study.names) or theirs.variables != study.variables:
        raise StudyError(
            f"{WHERE}: factors",
            ", ".join(theirs.names),
            f"the plan's: {', '.join(study.names)}",
            "take a truth of the same factors",
        )


def _response(study: Study, name: object) -> Response:
    for r in study.responses:
        if r.name == name:
            return r
    raise StudyError(WHERE, name, "a response of the study", nearest(str(name), [r.name for r in study.responses]))


def _column(study: Study, response: str, key: object, value: object) -> tuple[Model, Floats]:
    """One coefficient: a term, or one column of a categorical term such as "base[amine]"."""
    number = as_number(f"{WHERE} of {response!r}: {key!r}", value)
    for model in (study.model("interaction"), study.model("linear")):
        if key in model.columns:
            return model, np.where(np.array(model.columns) == key, number, 0.0)
    alone = Model(study, "truth", (parse_term(key, study.names),))
    if alone.p > 1:
        raise StudyError(
            f"{WHERE} of {response!r}",
            key,
            f"one of its columns: {', '.join(alone.columns)}",
            "give each level's coefficient",
        )
    return alone, np.array([number])
