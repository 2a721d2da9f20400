"""The study: which factors are set, over what region, which responses are measured; the ground that every other room stands on."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.study.errors import StudyError, nearest
from doe.study.factors import (
    Categorical,
    Component,
    Continuous,
    Covariate,
    Discrete,
    Factor,
    StorageCondition,
    _check_text,
    _set,
    as_number,
)
from doe.study.files import read_json, taken_from, write_json
from doe.study.models import Model, build_model
from doe.study.occasions import Limits, split_occasion
from doe.study.responses import Response
from doe.study.shown import Section, Shown, number_text

if TYPE_CHECKING:
    from doe.study.region import Region

SCHEMA = 1
_KINDS: dict[str, type] = {
    "continuous": Continuous,
    "discrete": Discrete,
    "categorical": Categorical,
    "component": Component,
    "covariate": Covariate,
}
# components of a row may miss their total by this share of it: thirds printed with one decimal do
TOTAL_TOLERANCE = 1e-3


@dataclass(frozen=True, repr=False)
class Study(Shown):
    """What is studied: factors, responses, and the constraints between factors.

    Parameters
    ----------
    name : str
        What the trial is called.
    factors : sequence of Continuous, Discrete, Categorical, Component or Covariate
        What is set. Components are parts of one mixture and add up to `mixture_total`. A covariate is measured, not set: it is kept in
        `covariates`, apart from the factors that plans choose.
    responses : sequence of Response
        What is measured.
    constraints : sequence of str
        Linear in natural units, with <=, >= or ==: "carbomer + crosspolymer <= 1.0"; "a / b <= c" where b > 0.
    mixture_total : float, optional
        What the components add up to, in their unit; 100 if left out.
    balance : str, optional
        The component that takes up what the others leave: a table may leave its column out.
    notes : str
        Free text, kept with the study.
    covariates : sequence of Covariate
        More of what is measured and not set, beside those among `factors`.

    Raises
    ------
    StudyError
        If names repeat, or the constraints leave no region (the clash is named).

    Examples
    --------
    >>> import doe
    >>> gel = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")],
    ...                 [doe.Response("viscosity", "mPa·s", low=8000, high=20000, transform="log")])
    >>> gel.model("quadratic").terms
    ('1', 'polymer', 'speed', 'polymer:speed', 'polymer^2', 'speed^2')
    """

    name: str
    factors: tuple[Factor, ...]
    responses: tuple[Response, ...] = ()
    constraints: tuple[str, ...] = ()
    mixture_total: float | None = None
    balance: str | None = None
    notes: str = ""
    covariates: tuple[Covariate, ...] = ()

    def __init__(
        self,
        name: str,
        factors: Iterable[Factor | Covariate],
        responses: Iterable[Response] = (),
        constraints: Iterable[str] = (),
        mixture_total: float | None = None,
        balance: str | None = None,
        notes: str = "",
        covariates: Iterable[Covariate] = (),
    ) -> None:
        if not isinstance(name, str) or not name.strip():
            raise StudyError("study: name", name, "a text of at least one letter", "say what the trial is called")
        _check_text("study: notes", notes)
        _set(self, "name", name)
        listed = _listed(
            "factors",
            [*factors, *covariates] if covariates else factors,
            (Continuous, Discrete, Categorical, Component, Covariate),
            "Continuous, Discrete, Categorical, Component or Covariate",
        )
        _set(self, "factors", tuple(f for f in listed if not isinstance(f, Covariate)))
        _set(self, "covariates", tuple(f for f in listed if isinstance(f, Covariate)))
        _set(self, "responses", _listed("responses", responses, (Response,), "Response"))
        _set(self, "constraints", _listed("constraints", constraints, (str,), "a constraint as text"))
        _set(self, "notes", notes)
        if not self.factors:
            raise StudyError("study: factors", [], "at least one factor", "say what will be varied")
        self._check_names()
        self._check_formulas()
        self._check_mixture(mixture_total, balance)
        self.region  # noqa: B018  an empty region is refused now, not when the first plan is made

    def _check_names(self) -> None:
        seen: set[str] = set()
        for item in (*self.factors, *self.covariates, *self.responses):
            if item.name in seen:
                raise StudyError(
                    "study: name", item.name, "used once among factors and responses", "rename one of the two"
                )
            seen.add(item.name)

    def _check_formulas(self) -> None:
        """Every derived response comes from responses that are read, each at an occasion of its own."""
        for response in self.responses:
            if response.formula is None:
                continue
            for need in response.derivation.needs:
                found = self._read_response(f"response {response.name!r}: formula {response.formula!r}", need)
                if found.formula is not None:
                    raise StudyError(
                        f"response {response.name!r}: formula {response.formula!r}",
                        need,
                        "a response that is read, not one that is derived itself",
                        "write out what it comes from",
                    )

    def _read_response(self, where: str, name: str) -> Response:
        """The response of this name; with its occasion in brackets, as it is read then."""
        own = {r.name: r for r in self.responses}
        base, parts = split_occasion(name)
        if name in own and (own[name].formula is not None or len(own[name].occasions) == 1):
            return own[name].at() if own[name].formula is None else own[name]
        if base not in own:
            raise StudyError(where, name, "a response of the study", nearest(name, list(own)))
        return own[base].at(*own[base].named_occasion(parts if name not in own else []))

    def _check_mixture(self, total: float | None, balance: str | None) -> None:
        parts = self.components
        if parts:
            if len(parts) == 1:
                raise StudyError(
                    "study: factors",
                    parts[0].name,
                    "one of at least two components",
                    "add what it trades against, or make it Continuous if water simply makes up the batch",
                )
            total = 100.0 if total is None else as_number("study: mixture_total", total, parts[0].unit)
            if total <= 0:
                raise StudyError("study: mixture_total", total, "above 0", "give what the components add up to")
            units = {c.unit for c in parts}
            if len(units) > 1:
                raise StudyError(
                    "study: factors",
                    sorted(units),
                    "components in one unit",
                    "give all components in the unit of their total",
                )
        elif total is not None:
            raise StudyError(
                "study: mixture_total",
                total,
                "left out when there are no components",
                "leave it out, or make the parts Component",
            )
        _set(self, "mixture_total", total)
        if balance is not None and balance not in {c.name for c in parts}:
            raise StudyError(
                "study: balance",
                balance,
                "the name of a component",
                nearest(str(balance), [c.name for c in parts]),
            )
        _set(self, "balance", balance)

    # ---- parts

    @property
    def names(self) -> list[str]:
        """Factor names, in order."""
        return [f.name for f in self.factors]

    @property
    def numeric(self) -> tuple[Continuous | Discrete, ...]:
        """The numeric process factors: continuous and discrete."""
        return tuple(f for f in self.factors if isinstance(f, Continuous | Discrete))

    @property
    def components(self) -> tuple[Component, ...]:
        """The mixture components."""
        return tuple(f for f in self.factors if isinstance(f, Component))

    @property
    def categorical(self) -> tuple[Categorical, ...]:
        """The categorical factors."""
        return tuple(f for f in self.factors if isinstance(f, Categorical))

    @property
    def hard_to_change(self) -> list[str]:
        """Names of the hard-to-change factors."""
        return [f.name for f in self.factors if f.hard_to_change]

    @property
    def covariate_names(self) -> list[str]:
        """Names of what is measured, not set, in order."""
        return [c.name for c in self.covariates]

    @property
    def readings(self) -> tuple[Response, ...]:
        """What is read on every batch: each response at each of its occasions, derived ones left out."""
        return tuple(r.at(*o) for r in self.responses if r.formula is None for o in r.occasions)

    def factor(self, name: str) -> Factor:
        """The factor of this name."""
        for f in self.factors:
            if f.name == name:
                return f
        raise StudyError("factor", name, "a factor of the study", nearest(str(name), self.names))

    def variable(self, name: str) -> Factor | Covariate:
        """The factor or covariate of this name."""
        return self.covariate(name) if name in self.covariate_names else self.factor(name)

    def covariate(self, name: str) -> Covariate:
        """The covariate of this name."""
        for c in self.covariates:
            if c.name == name:
                return c
        raise StudyError("covariate", name, "a covariate of the study", nearest(str(name), self.covariate_names))

    def with_covariates(self, covariates: Iterable[Covariate]) -> Study:
        """The same study with other covariates in place of its own: with the law that the batches measured gave them, say."""
        return Study(
            self.name,
            [*self.factors, *covariates],
            self.responses,
            self.constraints,
            self.mixture_total,
            self.balance,
            self.notes,
        )

    def response(self, name: str) -> Response:
        """The response of this name; "viscosity[4 wk, 40 °C]" is it as read at that occasion."""
        for r in self.responses:
            if r.name == name:
                return r
        if isinstance(name, str) and name.endswith("]"):
            return self._read_response("response", name)
        raise StudyError(
            "response",
            name,
            "a response of the study",
            nearest(str(name), [r.name for r in self.responses]),
        )

    # ---- settings: tables in natural units, encoded arrays

    @cached_property
    def variables(self) -> tuple[str, ...]:
        """Columns of the encoded settings: each numeric factor and component, one contrast a categorical level but the last, each covariate."""
        out: list[str] = []
        for f in self.factors:
            out += [f"{f.name}[{level}]" for level in f.levels[:-1]] if isinstance(f, Categorical) else [f.name]
        return (*out, *self.covariate_names)

    def frame(self, df: pd.DataFrame, where: str = "the table") -> pd.DataFrame:
        """The factor columns of a table, checked cell by cell.

        Parameters
        ----------
        df : DataFrame
            One column a factor, natural units; other columns are left out. The balance component's column may be missing.
        where : str
            What the table is called in an error.

        Returns
        -------
        DataFrame
            One column a factor in the study's order, the table's own index; numbers as floats, levels as text.

        Raises
        ------
        StudyError
            If a column is missing, a cell is blank or no number or level, or components miss their total.
        """
        if not isinstance(df, pd.DataFrame):
            raise StudyError(
                where, type(df).__name__, "a DataFrame with one column a factor", "make it with pandas.DataFrame"
            )
        out: dict[str, Any] = {}
        for f in self.factors:
            if f.name not in df.columns:
                if f.name == self.balance:
                    continue
                raise StudyError(
                    f"{where}: column {f.name!r}",
                    "missing",
                    "there, one for every factor",
                    f"add it, or rename the column meant by it among {[str(c) for c in df.columns]}",
                )
            column = df[f.name]
            if isinstance(column, pd.DataFrame):
                raise StudyError(f"{where}: column {f.name!r}", "there twice", "there once", "drop one of the two")
            out[f.name] = _levels(column, f, where) if isinstance(f, Categorical) else _numbers(column, f, where)
        table = pd.DataFrame(out, index=df.index)
        if self.components:
            shares = [c.name for c in self.components]
            total = self.mixture_total or 100.0
            if self.balance is not None and self.balance not in table.columns:
                table[self.balance] = total - table[[n for n in shares if n != self.balance]].sum(axis=1)
                table = table[self.names]
            sums = table[shares].sum(axis=1)
            off = (sums - total).abs() > TOTAL_TOLERANCE * total * (1 + 1e-9)
            if off.any():
                at = int(np.flatnonzero(off.to_numpy())[0])
                unit = self.components[0].unit
                raise StudyError(
                    f"{where}, row {table.index[at]}: {' + '.join(shares)}",
                    float(f"{sums.iloc[at]:.10g}"),
                    f"{total:g} {unit}".strip(),
                    "correct the amounts so that they add up",
                )
        return table

    def encode(self, df: pd.DataFrame) -> NDArray[np.float64]:
        """Settings as numbers: the columns of `variables`.

        Parameters
        ----------
        df : DataFrame
            As for `frame`; with a column for a covariate where it was measured.

        Returns
        -------
        ndarray, shape (n, m)
            Numeric factors coded to [−1, 1], components as shares of the total, contrasts of 1, 0 or −1, covariates as (value − mean)/sd,
            0 (their mean) where the table has no column of them.
        """
        return self._encoded(self.frame(df), df)

    def _encoded(self, table: pd.DataFrame, df: pd.DataFrame) -> NDArray[np.float64]:
        """What `encode` gives for a table that `frame` has checked, with the covariates that `df` has."""
        columns: list[NDArray[np.float64]] = []
        for f in self.factors:
            values = table[f.name].to_numpy()
            if isinstance(f, Categorical):
                last = (values == f.levels[-1]).astype(float)
                columns += [(values == level).astype(float) - last for level in f.levels[:-1]]
            elif isinstance(f, Component):
                columns.append(values.astype(float) / (self.mixture_total or 100.0))
            else:
                columns.append(_code(values.astype(float), f.low, f.high))
        for c in self.covariates:
            measured = _numbers(df[c.name], c, "the table") if c.name in df.columns else None
            columns.append(np.zeros(len(table)) if measured is None else c.coded(measured))
        return np.column_stack(columns) if len(table) else np.empty((0, len(self.variables)))

    def coded(self, df: pd.DataFrame) -> pd.DataFrame:
        """A table with numeric factors coded, components as shares of the total, categorical factors as labels."""
        table = self.frame(df)
        for f in self.factors:
            if isinstance(f, Component):
                table[f.name] = table[f.name] / (self.mixture_total or 100.0)
            elif not isinstance(f, Categorical):
                table[f.name] = _code(table[f.name].to_numpy(), f.low, f.high)
        return table

    def natural(self, coded: pd.DataFrame) -> pd.DataFrame:
        """A coded table back in natural units; the inverse of `coded`."""
        table = pd.DataFrame(index=coded.index)
        for f in self.factors:
            if f.name not in coded.columns:
                raise StudyError(
                    f"the coded table: column {f.name!r}", "missing", "there, one for every factor", "add it"
                )
            values = coded[f.name]
            if isinstance(f, Component):
                table[f.name] = values.astype(float) * (self.mixture_total or 100.0)
            elif isinstance(f, Categorical):
                table[f.name] = values
            else:
                table[f.name] = _decode(values.to_numpy(dtype=float), f.low, f.high)
        return table

    def model(self, spec: str | Sequence[str] | Model, hierarchy: bool = True) -> Model:
        """A model over the study's factors.

        Parameters
        ----------
        spec : str or list of str
            "linear", "interaction", "quadratic", "special cubic", "cubic", "crossed", or a list of terms. For numeric factors
            "quadratic" is intercept, main effects, two-factor interactions and squares (none of a two-level or categorical
            factor); "cubic" adds the products of three and the cubes. For components the Scheffé polynomials. For both, the
            combined model of Kowalski, Cornell & Vining; "crossed" is the full product of the Scheffé quadratic with the
            process interactions. In a list "1" is added unless there are components; "0" drops it.
        hierarchy : bool
            Whether missing parents of a term are added (and listed in `Model.added`).

        Returns
        -------
        Model

        Raises
        ------
        StudyError
            If the model does not exist for these factors, or a term names no factor.

        References
        ----------
        Scheffé, H. (1958). Experiments with mixtures. J. R. Stat. Soc. B 20(2), 344-360.
        Kowalski, S., Cornell, J. A. & Vining, G. G. (2000). A new model and class of designs for mixture experiments with
        process variables. Commun. Stat. Theory Methods 29(9-10), 2255-2280.
        """
        return build_model(self, spec, hierarchy)

    def planned_model(self, spec: str | Sequence[str] | Model) -> Model:
        """A model that a plan can be made for: as `model`, refused where a term holds a covariate, which no plan can choose."""
        model = self.model(spec)
        if model.measured:
            raise StudyError(
                "model: term",
                model.measured[0],
                "made of factors, as a covariate is measured and not chosen",
                "leave it out of the plan's model: fits take it in",
            )
        return model

    @cached_property
    def region(self) -> Region:
        """Where settings may lie: the box of lows and highs, the mixture total and the constraints."""
        from doe.study.region import Region  # the region is made from a study

        return Region(self)

    # ---- keeping

    def content(self) -> dict[str, Any]:
        """The study as plain values that go into JSON."""
        # a storage condition is a factor of fits, which have a fingerprint; no file of a study has one
        word = {v: k for k, v in _KINDS.items()} | {StorageCondition: "storage condition"}
        return {
            "kind": "study",
            "schema": SCHEMA,
            "name": self.name,
            "factors": [{"kind": word[type(f)], **_fields(f)} for f in (*self.factors, *self.covariates)],
            "responses": [_fields(r) for r in self.responses],
            "constraints": list(self.constraints),
            "mixture_total": self.mixture_total,
            "balance": self.balance,
            "notes": self.notes,
        }

    @cached_property
    def fingerprint(self) -> str:
        """Twelve hexadecimal digits that change when anything in the study does."""
        return hashlib.sha256(json.dumps(self.content(), sort_keys=True).encode()).hexdigest()[:12]

    def agrees(self, other: Study) -> bool:
        """Whether it is the same study, but for the laws of covariates that one of the two leaves to the batches measured."""
        if not self.covariates or len(self.covariates) != len(other.covariates):
            return self.fingerprint == other.fingerprint
        pairs = list(zip(self.covariates, other.covariates, strict=True))
        mine = self.with_covariates(b if a.mean is None and a.name == b.name else a for a, b in pairs)
        theirs = other.with_covariates(a if b.mean is None and a.name == b.name else b for a, b in pairs)
        return mine.fingerprint == theirs.fingerprint

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write the study as JSON that a person can read; the file is replaced whole or not at all."""
        return write_json(path, self.content())

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Study:
        """Read a study that `save` wrote.

        Raises
        ------
        StudyError
            If the file is missing, cut short, of a newer schema, or says something that no study can be.
        """
        content, where = read_json(path, "study", SCHEMA), f"study file {str(path)!r}"
        with taken_from(where, "study"):
            return cls.from_content(content, where)

    @classmethod
    def from_content(cls, content: dict[str, Any], where: str) -> Study:
        """The study that `content` was taken of; `where` names its place in an error."""
        known = {"kind", "schema", "name", "factors", "responses", "constraints", "mixture_total", "balance", "notes"}
        for key in content:
            if key not in known:
                raise StudyError(where, key, "a field of a study", nearest(key, sorted(known)))
        for key in ("name", "factors"):
            if key not in content:
                raise StudyError(where, f"without {key!r}", f"a study with its {key}", f"add {key!r}")
        factors = [
            _made(item, None, f"{where}: factor {i + 1}") for i, item in enumerate(_rows(content, "factors", where))
        ]
        responses = [
            _made(item, Response, f"{where}: response {i + 1}")
            for i, item in enumerate(_rows(content, "responses", where))
        ]
        return cls(
            content["name"],
            factors,
            responses,
            _rows(content, "constraints", where),
            content.get("mixture_total"),
            content.get("balance"),
            content.get("notes", ""),
        )

    # ---- shown

    def _sections(self) -> list[Section]:
        rows: list[dict[str, str]] = []
        for f in self.factors:
            if isinstance(f, Categorical):
                span = ", ".join(f.levels)
            elif isinstance(f, Discrete):
                span = ", ".join(number_text(v) for v in f.levels)
            else:
                span = f"{number_text(f.low)} to {number_text(f.high)}"
                span += f", step {number_text(f.step)}" if f.step else ""
            kind = type(f).__name__.lower() + (", hard to change" if f.hard_to_change else "")
            held, unit = getattr(f, "setting_sd", 0.0), getattr(f, "unit", "")
            rows.append(
                {
                    "factor": f.name,
                    "unit": unit,
                    "kind": kind,
                    "levels": span,
                    "setting error (SD)": f"{number_text(held)} {unit}".strip() if held else "",
                }
            )
        for c in self.covariates:
            law = "" if c.mean is None or c.sd is None else f"{number_text(c.mean)}, SD {number_text(c.sd)}"
            rows.append(
                {
                    "factor": c.name,
                    "unit": c.unit,
                    "kind": "covariate: measured, not set",
                    "levels": law,
                    "setting error (SD)": "",
                }
            )
        sections = [Section(f"Study: {self.name}", pd.DataFrame(rows), self.notes)]
        if self.responses:
            sections.append(
                Section(
                    "Responses",
                    pd.DataFrame(
                        [
                            {
                                "response": r.name,
                                "unit": r.unit,
                                "specification": specification_text(r),
                                "fitted as": _fitted_text(r),
                            }
                            for r in _shown_responses(self.responses)
                        ]
                    ),
                )
            )
        if self.constraints or self.components:
            lines = list(self.constraints)
            if self.components:
                lines.insert(
                    0,
                    f"{' + '.join(c.name for c in self.components)} == {self.mixture_total:g} {self.components[0].unit}".rstrip(),
                )
            sections.append(Section("Constraints", None, "\n".join(lines)))
        return sections


def _shown_responses(responses: Sequence[Response]) -> list[Response]:
    """Responses one a row, or one an occasion where limits differ between them."""
    out: list[Response] = []
    for r in responses:
        own = isinstance(r.low, Limits) or isinstance(r.high, Limits)
        out += [r.at(*o) for o in r.occasions] if own else [r]
    return out


def _fitted_text(response: Response) -> str:
    words = response.fitted_label if response.transform else "measured"
    if response.scale is not None:
        words = f"score from {response.scale[0]} to {response.scale[1]}"
    if response.formula is not None:
        words = f"{words if response.transform else 'worked out'}: {response.formula}"
    read = ", ".join((*response.times, *response.conditions))
    return f"{words}; read at {read}" if read else words


def specification_text(response: Response) -> str:
    """A response's specification in words."""
    if response.low is not None and response.high is not None:
        figure = response.text(response.low).removesuffix(response.unit).strip()
        return f"{figure} to {response.text(response.high)}"
    if response.low is not None:
        return f"at least {response.text(response.low)}"
    return f"at most {response.text(response.high)}" if response.high is not None else "none"


def _listed(field: str, items: Any, kinds: tuple[type, ...], words: str) -> tuple[Any, ...]:
    if isinstance(items, str) or not isinstance(items, Iterable):
        raise StudyError(f"study: {field}", items, f"a list, each entry {words}", "put it in square brackets")
    out = tuple(items)
    for item in out:
        if not isinstance(item, kinds):
            raise StudyError(f"study: {field}", item, f"a list, each entry {words}", "replace that entry")
    return out


def _rows(content: dict[str, Any], key: str, where: str) -> list[Any]:
    rows = content.get(key, [])
    if not isinstance(rows, list):
        raise StudyError(f"{where}: {key}", rows, "a list", "put it in square brackets")
    return rows


def _made(item: Any, kind: type | None, where: str) -> Any:
    """A factor or response from its JSON fields; an unknown kind or field is refused by name."""
    if not isinstance(item, dict):
        raise StudyError(where, item, "an object with named fields", "write it in curly brackets")
    given = dict(item)
    if kind is None:
        word = given.pop("kind", None)
        if not isinstance(word, str) or word not in _KINDS:
            raise StudyError(f"{where}: kind", word, "one of " + ", ".join(_KINDS), "say which kind of factor it is")
        kind = _KINDS[word]
    known = [f.name for f in fields(kind)]
    for key in given:
        if key not in known:
            raise StudyError(where, key, f"a field of a {kind.__name__}", nearest(key, known))
    for key in ("low", "high"):
        if kind is Response and isinstance(given.get(key), list):
            given[key] = _limits(given[key], f"{where}: {key}")
    try:
        return kind(**{k: tuple(v) if isinstance(v, list) else v for k, v in given.items()})
    except TypeError as problem:
        raise StudyError(
            where, sorted(given), f"complete, with {', '.join(known)}", f"add what is missing ({problem})"
        ) from problem


# fields that a file names only where they say something
_SPARING = ("scale", "goal", "times", "conditions", "formula")


def _fields(item: Any) -> dict[str, Any]:
    out = {}
    for f in fields(item):
        value = getattr(item, f.name)
        if f.name in _SPARING and not (value or value == 0):
            continue
        if isinstance(value, Limits):
            value = [{"time": t, "condition": c, "limit": v} for (t, c), v in value.items()]
        out[f.name] = list(value) if isinstance(value, tuple) else value
    return out


def _limits(value: list[Any], where: str) -> dict[Any, Any]:
    """Limits by occasion from their JSON rows."""
    out: dict[Any, Any] = {}
    for row in value:
        if not isinstance(row, dict) or set(row) != {"time", "condition", "limit"}:
            raise StudyError(where, row, "an object with time, condition and limit", "write one for each occasion")
        out[row["time"] or None, row["condition"] or None] = row["limit"]
    return out


def _code(values: NDArray[np.float64], low: float, high: float) -> NDArray[np.float64]:
    return (values - (low + high) / 2.0) / ((high - low) / 2.0)


def _decode(values: NDArray[np.float64], low: float, high: float) -> NDArray[np.float64]:
    # exact at both ends, so that a plan's corners are the very numbers the user gave
    return np.where(
        values == -1.0, low, np.where(values == 1.0, high, (low + high) / 2.0 + values * ((high - low) / 2.0))
    )


def _numbers(column: pd.Series[Any], factor: Any, where: str) -> NDArray[np.float64]:
    if pd.api.types.is_bool_dtype(column):
        numbers = pd.Series(np.nan, index=column.index)
    else:
        numbers = pd.to_numeric(column, errors="coerce").astype(float)
    values = np.asarray(numbers.to_numpy(), dtype=np.float64)
    bad = ~np.isfinite(values)
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        cell = column.iloc[at]
        blank = bool(np.all(pd.isna(cell)))
        raise StudyError(
            f"{where}, row {column.index[at]}, column {factor.name!r}",
            "blank" if blank else cell,
            f"a number{' in ' + factor.unit if factor.unit else ''}",
            "fill in the setting" if blank else "correct the cell",
        )
    return values


def _levels(column: pd.Series[Any], factor: Categorical, where: str) -> NDArray[Any]:
    values = np.array([v if isinstance(v, str) else ("" if pd.isna(v) else str(v)) for v in column], dtype=object)
    for at, v in enumerate(values):
        if v not in factor.levels:
            mend = "fill in the level" if v == "" else nearest(v, factor.levels)
            raise StudyError(
                f"{where}, row {column.index[at]}, column {factor.name!r}",
                v or "blank",
                "one of " + ", ".join(factor.levels),
                mend,
            )
    return values
