"""Models: which terms a response is described by, and their matrix for any table of settings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.study.errors import StudyError
from doe.study.factors import Categorical, Component, Discrete, Factor
from doe.study.shown import Section, Shown
from doe.study.terms import Term, parse_term, term_text

if TYPE_CHECKING:
    from doe.study.trial import Study

PRESETS = ("linear", "interaction", "quadratic", "special cubic", "cubic", "crossed")


@dataclass(frozen=True, repr=False)
class Model(Shown):
    """A linear model: terms over a study's factors, each one or (for categorical factors) several columns.

    Made by `Study.model`. Columns are monomials over `study.variables`: coded numeric factors, component shares and
    sum-to-zero contrasts.

    Attributes
    ----------
    terms : tuple of str
        Canonical text of every term, in order.
    added : tuple of str
        Parents that hierarchy added to the terms asked for.
    columns : tuple of str
        Text of each of the `p` columns of the model matrix.
    term_of : ndarray, shape (p,)
        Index into `terms` of each column.
    exponents : ndarray, shape (p, m)
        Whole powers of each column over the m variables of the study.
    """

    study: Study
    name: str
    parsed: tuple[Term, ...]
    added: tuple[str, ...] = field(default=())

    @cached_property
    def terms(self) -> tuple[str, ...]:
        """Canonical text of every term, in order."""
        return tuple(term_text(t) for t in self.parsed)

    @cached_property
    def _layout(self) -> tuple[tuple[str, ...], NDArray[np.int64], NDArray[np.int64]]:
        place = {v: i for i, v in enumerate(self.study.variables)}
        measured = set(self.study.covariate_names)
        texts: list[str] = []
        owner: list[int] = []
        rows: list[NDArray[np.int64]] = []
        for index, term in enumerate(self.parsed):
            parts: list[list[tuple[str, int]]] = [[]]
            for name, power in term:
                factor = None if name in measured else self.study.factor(name)
                if isinstance(factor, Categorical):
                    choices = [(f"{name}[{level}]", 1) for level in factor.levels[:-1]]
                else:
                    choices = [(name, power)]
                parts = [[*part, choice] for part in parts for choice in choices]
            for part in parts:
                row = np.zeros(len(place), dtype=np.int64)
                for variable, power in part:
                    row[place[variable]] = power
                rows.append(row)
                owner.append(index)
                texts.append(column_text(part, self.study))
        return (
            tuple(texts),
            np.array(owner, dtype=np.int64),
            np.array(rows, dtype=np.int64).reshape(len(rows), len(place)),
        )

    @property
    def columns(self) -> tuple[str, ...]:
        """Text of each column of the model matrix."""
        return self._layout[0]

    @property
    def term_of(self) -> NDArray[np.int64]:
        """Index into `terms` of each column, shape (p,)."""
        return self._layout[1]

    @property
    def exponents(self) -> NDArray[np.int64]:
        """Whole powers of each column over the study's variables, shape (p, m)."""
        return self._layout[2]

    @property
    def p(self) -> int:
        """Number of columns: the coefficients to be estimated."""
        return len(self.columns)

    @cached_property
    def measured(self) -> tuple[str, ...]:
        """Covariates that stand in its terms: a plan cannot choose them."""
        own = {name for term in self.parsed for name, _ in term}
        return tuple(name for name in self.study.covariate_names if name in own)

    @cached_property
    def has_constant(self) -> bool:
        """Whether a constant lies in the column space: an intercept, or the blends of all components."""
        if () in self.parsed:
            return True
        blends = {(c.name, 1) for c in self.study.components}
        return bool(blends) and all((b,) in self.parsed for b in blends)

    def matrix_of(self, encoded: NDArray[np.float64]) -> NDArray[np.float64]:
        """Model matrix of settings that are already encoded.

        Parameters
        ----------
        encoded : ndarray, shape (n, m)
            As `Study.encode` gives them.

        Returns
        -------
        ndarray, shape (n, p)
        """
        Z = np.asarray(encoded, dtype=float)
        X = np.ones((Z.shape[0], self.p))
        for j, row in enumerate(self.exponents):
            for v in np.flatnonzero(row):
                X[:, j] *= Z[:, v] if row[v] == 1 else Z[:, v] ** row[v]
        return X

    def matrix(self, df: pd.DataFrame) -> NDArray[np.float64]:
        """Model matrix of a table of settings.

        Parameters
        ----------
        df : DataFrame
            One column a factor, natural units; other columns are ignored.

        Returns
        -------
        ndarray, shape (n, p)
            One row a setting, one column a coefficient, in the order of `columns`.

        Raises
        ------
        StudyError
            If a factor's column is missing or a cell cannot be used.
        """
        return self.matrix_of(self.study.encode(df))

    def subset(self, terms: Iterable[str]) -> Model:
        """The model with only these of its terms, in its own order."""
        wanted = {parse_term(t, [*self.study.names, *self.study.covariate_names]) for t in terms}
        unknown = wanted - set(self.parsed)
        if unknown:
            raise StudyError(
                "model: term",
                term_text(sorted(unknown)[0]),
                "a term of the model",
                "choose among " + ", ".join(self.terms),
            )
        return Model(self.study, self.name, tuple(t for t in self.parsed if t in wanted))

    def _sections(self) -> list[Section]:
        note = f"Added so that every term has its parents: {', '.join(self.added)}." if self.added else ""
        table = pd.DataFrame(
            {
                "term": list(self.terms),
                "coefficients": [str(int((self.term_of == i).sum())) for i in range(len(self.terms))],
            }
        )
        return [Section(f"Model {self.name}: {len(self.terms)} terms, {self.p} coefficients", table, note)]


def column_text(part: Sequence[tuple[str, int]], study: Study) -> str:
    """Text of one column of the model matrix: variables with their powers, contrasts as they are."""
    from doe.study.terms import quoted

    names = {*study.names, *study.covariate_names}
    words = [(quoted(v) if v in names else v) + (f"^{power}" if power > 1 else "") for v, power in part]
    return ":".join(words) if words else "1"


def parents(term: Term, study: Study, present: set[Term]) -> list[Term]:
    """Terms that hierarchy asks for beside `term` (one power less in each factor).

    In a mixture the parents of "x:z" are the blends alone, since z is the sum of x·z over the components; for the same
    reason "z" is no missing parent where all "x:z" are present.
    """
    shares = {c.name for c in study.components}
    found: list[Term] = []
    for name, _ in reversed(term):
        reduced = tuple((n, q - (n == name)) for n, q in term if q - (n == name) > 0)
        if not reduced:
            continue
        if any(n in shares for n, _ in term):
            inside = [(n, q) for n, q in reduced if n in shares]
            if not inside or (len(inside) == 1 and inside[0][1] > 1):
                continue  # z alone is the sum of x:z, and x^2 is x less its blends with the others
        elif shares and all(
            tuple(sorted([(x, 1), *reduced], key=lambda t: [*study.names, *study.covariate_names].index(t[0])))
            in present
            for x in shares
        ):
            continue
        found.append(reduced)
    return found


def with_parents(terms: Sequence[Term], study: Study) -> tuple[tuple[Term, ...], tuple[str, ...]]:
    """The terms with every missing parent put before its first child, and the text of those added."""
    done: list[Term] = []
    added: list[str] = []
    asked = set(terms)

    def place(term: Term) -> None:
        if term in done:
            return
        for parent in parents(term, study, asked):
            if parent not in done:
                if parent not in asked:
                    added.append(term_text(parent))
                    asked.add(parent)
                    place(parent)
                elif parent not in terms:
                    place(parent)
        done.append(term)

    for term in terms:
        place(term)
    return tuple(done), tuple(added)


def _square_allowed(factor: Factor) -> bool:
    return not isinstance(factor, Categorical) and not (isinstance(factor, Discrete) and len(factor.levels) < 3)


def preset_terms(name: str, study: Study) -> list[Term]:
    """Terms of a named model for the study's own mix of components and process factors (design definitions in the docs of `Study.model`)."""
    order = study.names

    def term(*powers: tuple[str, int]) -> Term:
        total: dict[str, int] = {}
        for n, q in powers:
            total[n] = total.get(n, 0) + q
        return tuple((n, total[n]) for n in order if n in total)

    blend = [c.name for c in study.components]
    process = [f for f in study.factors if not isinstance(f, Component)]
    z = [f.name for f in process]
    pairs = [term((a, 1), (b, 1)) for a, b in combinations(z, 2)]
    squares = [term((f.name, 2)) for f in process if _square_allowed(f)]
    blends = [term((a, 1)) for a in blend]
    blend_pairs = [term((a, 1), (b, 1)) for a, b in combinations(blend, 2)]
    blend_triples = [term((a, 1), (b, 1), (c, 1)) for a, b, c in combinations(blend, 3)]
    crossed_one = [term((a, 1), (b, 1)) for a in blend for b in z]

    def refuse(why: str) -> StudyError:
        return StudyError(
            "model",
            name,
            f"a model for these factors, and {why}",
            "choose another of " + ", ".join(PRESETS) + " or list the terms",
        )

    if name == "crossed":
        if not blend or not z:
            raise refuse("crossed needs components and process factors")
        inner: list[Term] = [(), *(term((a, 1)) for a in z), *pairs]
        return [term(*b, *g) for g in inner for b in [*blends, *blend_pairs]]
    if not blend:
        if name == "special cubic":
            raise refuse("special cubic is a mixture model: it needs components")
        terms: list[Term] = [(), *(term((a, 1)) for a in z)]
        if name == "linear":
            return terms
        terms += pairs
        if name == "interaction":
            return terms
        terms += squares
        if name == "quadratic":
            return terms
        terms += [term((a, 1), (b, 1), (c, 1)) for a, b, c in combinations(z, 3)]
        return terms + [
            term((f.name, 3))
            for f in process
            if not isinstance(f, Categorical) and not (isinstance(f, Discrete) and len(f.levels) < 4)
        ]
    # components: Scheffé polynomials; with process factors the combined model of Kowalski, Cornell & Vining (2000)
    if name == "linear":
        return blends + [term((a, 1)) for a in z]
    terms = blends + blend_pairs
    if name == "special cubic":
        terms += blend_triples
    if name == "cubic":
        # x_i^2 x_j spans with the blends what Scheffé's x_i x_j (x_i - x_j) spans, since the shares add up to 1
        terms += [term((a, 2), (b, 1)) for a, b in combinations(blend, 2)] + blend_triples
    terms += crossed_one + pairs
    return terms if name == "interaction" else terms + squares


def build_model(study: Study, spec: object, hierarchy: bool) -> Model:
    """The work of `Study.model`."""
    if isinstance(spec, Model):
        if spec.study.names != study.names or spec.study.covariate_names != study.covariate_names:
            raise StudyError("model", spec.name, "made by the same study", "make it anew with study.model(…)")
        return spec if spec.study is study else Model(study, spec.name, spec.parsed, spec.added)
    if isinstance(spec, str):
        if spec not in PRESETS:
            raise StudyError(
                "model",
                spec,
                "one of " + ", ".join(PRESETS) + ", or a list of terms",
                'terms of your own go in a list: ["A", "B", "A:B"]',
            )
        return Model(study, spec, tuple(preset_terms(spec, study)))
    if not isinstance(spec, Iterable):
        raise StudyError(
            "model", spec, "one of " + ", ".join(PRESETS) + ", or a list of terms", 'write ["A", "B", "A:B"]'
        )
    texts = list(spec)
    constant = not any(isinstance(t, str) and t.strip() == "0" for t in texts)
    terms: list[Term] = []
    for text in texts:
        if isinstance(text, str) and text.strip() == "0":
            continue
        term = parse_term(text, [*study.names, *study.covariate_names])
        for name, power in term:
            if name in study.covariate_names:
                continue
            factor = study.factor(name)
            if power > 1 and not _square_allowed(factor):
                kind = "a categorical" if isinstance(factor, Categorical) else "a two-level"
                raise StudyError(
                    f"model: term {text!r}",
                    f"{name}^{power}",
                    f"the first power of {kind} factor",
                    f"write {name!r} without a power",
                )
            if isinstance(factor, Discrete) and power >= len(factor.levels):
                raise StudyError(
                    f"model: term {text!r}",
                    f"{name}^{power}",
                    f"at most power {len(factor.levels) - 1} of a factor with {len(factor.levels)} levels",
                    "lower the power",
                )
        if term not in terms:
            terms.append(term)
    if () in terms and not constant:
        raise StudyError("model", texts, 'a list with "1" or with "0", not both', "leave one of the two out")
    if () in terms:
        terms.remove(())
        terms.insert(0, ())
        if study.components and all(((c.name, 1),) in terms for c in study.components):
            raise StudyError(
                "model: term",
                "1",
                "left out beside all the components, whose shares already add up to it",
                'leave "1" out',
            )
    elif constant and not study.components:
        terms.insert(0, ())
    if not terms:
        raise StudyError("model", texts, "a list of at least one term", 'write ["1"] for the mean alone')
    added: tuple[str, ...] = ()
    if hierarchy:
        full, added = with_parents(terms, study)
        terms = list(full)
    return Model(study, "of listed terms", tuple(terms), added)
