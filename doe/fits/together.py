"""A response read under several storage conditions, fitted as one: the batch is a plot that its conditions split."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from doe.fits.censored import has_censored
from doe.fits.ground import Ground
from doe.fits.mixed import MixedFit, assembled_mixed
from doe.fits.readings import Batches, gather, settings_told_apart
from doe.fits.result import CONDITION
from doe.fits.sources import Asked, NoReadingError
from doe.fits.strata import check_blocks, check_settings
from doe.fits.verdicts import listed
from doe.study import Categorical, Model, Response, Study, StudyError
from doe.study.factors import StorageCondition
from doe.study.occasions import occasion_text
from doe.study.terms import Term
from doe.study.trial import specification_text


@dataclass(frozen=True)
class Together:
    """A response at one time, under several conditions.

    Attributes
    ----------
    base : Response
        As the study has it.
    time : str
        When it is read; "" where it has no times.
    conditions : tuple of str
        In the order of the response's own.
    """

    base: Response
    time: str
    conditions: tuple[str, ...]

    def asked(self, condition: str) -> Asked:
        """The response under one of them."""
        return Asked(self.base, (self.time, condition), self.base.at(self.time, condition))

    @property
    def response(self) -> Response:
        """The response as fitted: with its limits where all conditions share them, else without."""
        limits = {(r.low, r.high) for r in (self.asked(c).response for c in self.conditions)}
        low, high = limits.pop() if len(limits) == 1 else (None, None)
        name = occasion_text(self.base.name, (self.time, "")) if len(self.base.times) > 1 else self.base.name
        return replace(self.base, name=name, low=low, high=high, times=(), conditions=())

    @property
    def words(self) -> str:
        """Where their limits differ, a line of what they are; empty where they are shared."""
        each = [self.asked(c).response for c in self.conditions]
        if len({(r.low, r.high) for r in each}) == 1:
            return ""
        said = "; ".join(f"{c}: {specification_text(r)}" for c, r in zip(self.conditions, each, strict=True))
        return f"Each condition has its own specification ({said}), so that this fit carries none."


def together_asked(study: Study, response: str, at: Any) -> Together | None:
    """The conditions to be fitted together; None where one occasion is meant.

    Raises
    ------
    StudyError
        If several times are asked for, or the conditions cannot be used.
    """
    base = next((r for r in study.responses if r.name == response), None)
    pair = isinstance(at, Sequence) and not isinstance(at, str) and len(at) == 2
    if base is None or base.formula is not None or not pair:
        return None
    time, given = at
    if isinstance(time, list | tuple | set) or (time in (None, "") and len(base.times) > 1):
        raise StudyError(
            "fit: at, time",
            "left out" if time in (None, "") else list(time),
            f"one of {', '.join(base.times)}" if base.times else f"left out, as {response!r} has no times",
            "say which: what changes over several times is followed by doe.fits.drift",
        )
    if isinstance(given, list | tuple):
        if len(given) < 2:
            raise StudyError(
                "fit: at, conditions",
                list(given),
                "two conditions or more",
                "write one condition as a text, or None for all of them",
            )
        found = [base.occasion(time, c)[1] for c in given]
        twice = [c for c in found if found.count(c) > 1]
        if twice:
            raise StudyError("fit: at, conditions", twice[0], "there once", "leave it out the second time")
    elif given in (None, "") and len(base.conditions) > 1:
        found = list(base.conditions)
    else:
        return None
    return Together(base, base.occasion(time, found[0])[0], tuple(c for c in base.conditions if c in found))


@dataclass(frozen=True, repr=False, eq=False)
class ConditionsFit(MixedFit):
    """A fit of one response under several storage conditions; made by `doe.fit` with `at=(time, None)`.

    As `MixedFit`, with these differences. `study` has one factor more, the categorical "condition", and so have `model`, `predict`,
    `drivers` and `surface`. A row is the mean of a batch at a condition. Batches are a stratum of their own within whole plots and
    blocks: what is set batch by batch is judged between them, conditions and what factors change about them within. `sigma` is the
    standard deviation between readings of one batch at different conditions, beyond what the model says.
    """

    _inner_word: ClassVar[str] = "conditions"

    @property
    def conditions(self) -> tuple[str, ...]:
        """Storage conditions that are fitted together."""
        factor = self.study.factor(CONDITION)
        assert isinstance(factor, Categorical)
        return factor.levels

    @property
    def alike(self) -> str:
        """What differs by `sigma`, in words."""
        return "readings of one batch under different conditions, beyond what the model says,"

    # ---- shown

    @property
    def _rows_words(self) -> str:
        return f"{self.n} means at {len(self.conditions)} conditions"

    @property
    def _strata_words(self) -> dict[str, str]:
        repeated = self.layout.unit in self.layout.strata.names
        inner = "conditions of one batch"
        return super()._strata_words | {
            self.layout.unit: inner,
            "residual": "readings of a batch at one condition" if repeated else inner,
        }

    def _df_words(self) -> str:
        parts = [
            f"{df} {'within batches' if name == self.layout.unit else f'between {self._strata_words[name]}'}"
            for name, df in self.layout.degrees.items()
        ]
        return f"residual df: {', '.join(parts)}"

    def _component_table(self) -> pd.DataFrame:
        table = super()._component_table()
        judged: dict[str, list[str]] = {}
        for j, stratum in enumerate(self._column_strata[: self.model.p]):
            term = self.model.terms[int(self.model.term_of[j])]
            own = judged.setdefault(stratum, [])
            if term != "1" and term not in own:
                own.append(term)
        unit = self.layout.unit
        strata = [
            unit if k == "residual" and unit not in self.variance_components else k
            for k in self.variance_components.index
        ]
        table["judges"] = [", ".join(judged.get(str(k), [])) or "no term" for k in strata]
        return table

    @property
    def _sigma_words(self) -> str:
        return "σ between conditions of one batch"

    @property
    def _repeats_words(self) -> str:
        return (
            "Readings of one batch at one condition have a variance of their own, the residual; batch × condition is what a batch's "
            "conditions differ by beyond it and beyond the model."
        )

    def _remarks(self) -> list[str]:
        return [
            *super()._remarks(),
            "All conditions are taken to scatter alike, and any two of them within a batch to be equally alike.",
        ]


def fit_together(
    ground: Ground,
    together: Together,
    spec: str | Sequence[str] | Model,
    as_made: bool | None,
    method: str | None,
    without: Mapping[Any, str] | None,
    variance_ratio: Any,
    blocks: str | None,
    order: Mapping[Any, int],
) -> ConditionsFit:
    """The work of `fit` where conditions are fitted together; arguments as there, `order` as records have it."""
    base = together.base
    _check_options(base, method, variance_ratio)
    study = _with_condition(ground.study, together.conditions)
    model, notes = _model(ground, study, spec)
    batches, names = _gathered(ground, study, together, without, as_made, model.measured)
    _check_batches(study, base, batches)
    check_blocks(batches, "reml", blocks)
    said = (together.words,) if together.words else ()
    batches = replace(batches, notes=(*notes, *said, *batches.notes), fixed_blocks=blocks == "fixed")
    why = (
        "REML, since each batch was read under several conditions: what is set batch by batch is judged by the differences between "
        "batches, conditions and what factors change about them by those within batches."
    )
    made = assembled_mixed(model, together.response, batches, why, kind=ConditionsFit)
    assert isinstance(made, ConditionsFit)
    places = {run: order[name] for run, name in zip(batches.runs, names, strict=True) if name in order}
    return replace(made, order=places)


def _check_options(base: Response, method: str | None, variance_ratio: Any) -> None:
    one = "fit one condition at a time, or all with doe.fit_all"
    if base.scale is not None:
        raise StudyError(
            f"fit: at, conditions of {base.name!r}", "several", "one for a score, which has no mixed model here", one
        )
    if method not in (None, "reml"):
        raise StudyError("method", method, 'left out or "reml" where conditions are fitted together', one)
    if variance_ratio is not None:
        raise StudyError(
            "variance_ratio",
            variance_ratio,
            "left out where conditions are fitted together, whose variances are all estimated",
            "leave it out",
        )


def _with_condition(study: Study, conditions: tuple[str, ...]) -> Study:
    """The study with the condition as one factor more."""
    return Study(
        study.name,
        [*study.factors, StorageCondition(CONDITION, conditions), *study.covariates],
        study.responses,
        study.constraints,
        study.mixture_total,
        study.balance,
        study.notes,
    )


def _model(ground: Ground, study: Study, spec: str | Sequence[str] | Model) -> tuple[Model, tuple[str, ...]]:
    """The model with the condition and its products with the factors, and what to say of it.

    Listed terms that name the condition are taken as they stand.
    """
    if not isinstance(spec, str | Model) and any(CONDITION in str(term) for term in spec):
        return replace(ground, study=study).model(spec)
    base, notes = ground.model(spec)
    used = {name for term in base.parsed for name, _ in term} - set(base.measured)
    products: list[Term] = [((name, 1), (CONDITION, 1)) for name in ground.study.names if name in used]
    # in a mixture the condition is the sum of its products with all the components
    blends = {c.name for c in study.components}
    own: list[Term] = [] if blends and blends <= used else [((CONDITION, 1),)]
    added = [*own, *products]
    name = base.name if base.name == "of listed terms" else f"{base.name} by condition"
    return Model(study, name, (*base.parsed, *added), base.added), notes


def _gathered(
    ground: Ground,
    study: Study,
    together: Together,
    without: Mapping[Any, str] | None,
    as_made: bool | None,
    covariates: tuple[str, ...],
) -> tuple[Batches, list[Any]]:
    """The batches at each condition, batch by batch, and what each row's batch is called."""
    source = ground.source
    if (
        source.a_table
        and not {"run", "batch"} & set(source.table.columns)
        and together.base.name in source.table.columns
    ):
        raise StudyError(
            f"{source.where}: column 'run'",
            "missing",
            "there, so that the readings of one batch under several conditions are known to be of one batch",
            "add it, or give each condition a column of its own",
        )
    parts: list[Batches] = []
    for condition in together.conditions:
        try:
            parts.append(gather(ground.study, source, together.asked(condition), without, as_made, covariates))
        except NoReadingError as problem:
            raise NoReadingError(
                "fit: at, condition",
                condition,
                f"one with a reading of {together.base.name!r}",
                "name those that have: at=(time, [conditions])",
            ) from problem
    keys = [key for part in parts for key in part.batch]
    where = [c for c, part in zip(together.conditions, parts, strict=True) for _ in part.batch]
    place = {key: i for i, key in enumerate(dict.fromkeys(keys))}
    order = sorted(range(len(keys)), key=lambda i: (place[keys[i]], i))
    names = _names(list(place))

    def of(field: str) -> list[Any]:
        whole = [v for part in parts for v in (getattr(part, field) or [None] * len(part.batch))]
        return [whole[i] for i in order]

    def table(field: str) -> pd.DataFrame:
        whole = pd.concat([getattr(part, field) for part in parts], ignore_index=True)
        whole[CONDITION] = where
        return whole[[*study.names, *covariates]].iloc[order].reset_index(drop=True)

    def array(field: str) -> Any:
        return np.concatenate([getattr(part, field) for part in parts])[order]

    settings, planned = table("settings"), table("planned")
    planned_encoded = study.encode(planned)
    batch = tuple(keys[i] for i in order)
    called = [names[key] for key in batch]
    labels = {field: of(field) for field in ("block", "whole_plot")}
    for field, values in (*((n, planned[n].tolist()) for n in ground.study.names), *labels.items()):
        _check_the_same(field, values, batch, called, source.where)
    out = Batches(
        runs=tuple(f"{name} at {where[i]}" for name, i in zip(called, order, strict=True)),
        settings=settings,
        encoded=study.encode(settings),
        values=array("values"),
        lower=array("lower"),
        upper=array("upper"),
        counts=array("counts"),
        block=None if None in labels["block"] else tuple(labels["block"]),
        whole_plot=None if None in labels["whole_plot"] else tuple(labels["whole_plot"]),
        setting=settings_told_apart(study, planned_encoded),
        left_out=parts[0].left_out,
        unused=tuple(dict.fromkeys(u for part in parts for u in part.unused)),
        notes=tuple(dict.fromkeys(note for part in parts for note in part.notes)),
        readings=tuple(of("readings")),
        bounds=tuple(of("bounds")),
        planned=planned,
        planned_encoded=planned_encoded,
        batch=batch,
        as_made=parts[0].as_made,
    )
    return out, called


def _names(keys: list[Any]) -> dict[Any, Any]:
    """What batches are called: the run, with the batch's label where the run was made more than once."""
    runs = [key[0] if isinstance(key, tuple) else key for key in keys]
    return {
        key: f"{run}, batch {key[1]}" if isinstance(key, tuple) and runs.count(run) > 1 else run
        for key, run in zip(keys, runs, strict=True)
    }


def _check_the_same(field: str, values: list[Any], batch: tuple[Any, ...], called: list[Any], where: str) -> None:
    first: dict[Any, Any] = {}
    for value, key, name in zip(values, batch, called, strict=True):
        if first.setdefault(key, value) != value:
            raise StudyError(
                f"{where}, run {name}: {field}",
                [first[key], value],
                "the same in the readings of a batch under all conditions",
                "correct it, or give batches that were made anew a batch label of their own",
            )


def _check_batches(study: Study, base: Response, batches: Batches) -> None:
    """Refuse what conditions fitted together cannot be: bounds, one condition a batch, hard-to-change factors without whole plots."""
    if has_censored(batches):
        at = int(np.flatnonzero(batches.lower != batches.upper)[0])
        raise StudyError(
            f"response {base.name!r}, run {batches.runs[at]}: reading",
            "known only by bounds",
            "exact where conditions are fitted together",
            "read it again, leave the run out with its reason, or fit one condition at a time",
        )
    if len(set(batches.batch)) == len(batches.batch):
        raise StudyError(
            f"fit: conditions of {base.name!r} that a batch was read under",
            1,
            "two or more in some batches",
            "with every batch at one condition make the condition a factor of the study",
        )
    hard = study.hard_to_change
    if hard and batches.whole_plot is None:
        raise StudyError(
            "the data: column 'whole_plot'",
            "missing",
            f"there, where a factor is hard to change ({listed(hard)}) and conditions are fitted together",
            "add it; a batch that was set up anew is a whole plot of its own",
        )
    check_settings(study, batches)
