"""A fit written out as an equation, in natural or coded units, with the digits its predictions need."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.fits.arrays import Floats
from doe.fits.exact import solve_exact, written_out
from doe.fits.tables import Equation
from doe.study import Categorical, Component, Model, StudyError
from doe.study.models import column_text
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.fits.exact import Monomial
    from doe.fits.result import Fit

# written coefficients are rounded so that a prediction on the runs moves by at most this share of sigma
ROUNDING = 0.01
_SUPERSCRIPT = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")


def equation_of(fit: Fit, natural: bool, pseudocomponents: bool) -> Equation:
    """The work of `Fit.equation`."""
    if pseudocomponents and (natural or not fit.study.components):
        raise StudyError(
            "equation: pseudocomponents",
            True,
            "left out in natural units and where there are no components",
            "write equation(natural=False, pseudocomponents=True) for a mixture",
        )
    if natural or pseudocomponents:
        monomials, estimate, error = _written_out(fit, pseudocomponents)
    else:
        monomials, estimate, error = _in_coded_units(fit)
    columns = _largest_on_runs(fit, monomials, natural, pseudocomponents)
    table = pd.DataFrame(
        {
            "term": [_term_text(m, fit.model) for m in monomials],
            "estimate": estimate,
            "std_error": error,
        }
    )
    out = Equation(table)
    out.written = _written(fit, monomials, estimate, columns)
    out.note = _note(fit, natural, pseudocomponents)
    return out


def _in_coded_units(fit: Fit) -> tuple[list[Monomial], Floats, Floats]:
    monomials = [tuple(int(q) for q in row) for row in fit.model.exponents]
    return monomials, fit.beta, fit.coefficients["std_error"].to_numpy(dtype=float)


def _written_out(fit: Fit, pseudocomponents: bool) -> tuple[list[Monomial], Floats, Floats]:
    blocks = fit.X[:, fit.model.p :]
    exact = solve_exact(fit.model, fit.batches.settings, fit.response, fit._exact_values, blocks)
    monomials, T = written_out(exact.ctx, fit.model, pseudocomponents)
    estimate, error = fit._natural(exact, T)
    return monomials, np.array(estimate), error


def _largest_on_runs(fit: Fit, monomials: list[Monomial], natural: bool, pseudocomponents: bool) -> Floats:
    """Largest size of each monomial on the runs, shape (number of monomials,)."""
    Z, study = fit.batches.encoded.copy(), fit.study
    names, total = list(study.variables), study.mixture_total or 100.0
    room = 1.0 - sum(c.low for c in study.components) / total
    for f in study.factors:
        if natural and not isinstance(f, Categorical):
            Z[:, names.index(f.name)] = fit.batches.settings[f.name].to_numpy(dtype=float)
        elif pseudocomponents and isinstance(f, Component):
            Z[:, names.index(f.name)] = (Z[:, names.index(f.name)] - f.low / total) / room
    for name in fit.model.measured if natural else ():
        Z[:, names.index(name)] = fit.batches.settings[name].to_numpy(dtype=float)
    return np.array([np.abs(np.prod(Z ** np.array(m), axis=1)).max() for m in monomials])


def _term_text(monomial: Monomial, model: Model) -> str:
    variables = model.study.variables
    return column_text([(variables[v], q) for v, q in enumerate(monomial) if q], model.study)


def _factor_text(monomial: Monomial, model: Model) -> str:
    variables = model.study.variables
    return "·".join(
        variables[v] + (str(q).translate(_SUPERSCRIPT) if q > 1 else "") for v, q in enumerate(monomial) if q
    )


def _figure(value: float, step: float) -> str:
    """A coefficient rounded to no coarser than `step`; twelve digits where there is no step."""
    if not (math.isfinite(step) and step > 0):
        return f"{value:.12g}"
    decimals = math.ceil(-math.log10(step))
    size = abs(value)
    if size >= 1e-4 or size == 0:
        return f"{value:.{max(decimals, 0)}f}"
    return f"{value:.{max(decimals + math.floor(math.log10(size)), 0)}e}"


def _written(fit: Fit, monomials: list[Monomial], estimate: Floats, largest: Floats) -> str:
    allowed = ROUNDING * fit.sigma / len(monomials)
    words: list[str] = []
    for m, b, top in zip(monomials, estimate, largest, strict=True):
        figure = _figure(abs(float(b)), allowed / top if top > 0 else math.nan)
        text = _factor_text(m, fit.model)
        sign = "−" if b < 0 else "+"
        piece = f"{figure}·{text}" if text else figure
        words.append(f"{sign} {piece}" if words else (f"−{piece}" if b < 0 else piece))
    return f"{fit.response.fitted_label} = {' '.join(words)}"


def _note(fit: Fit, natural: bool, pseudocomponents: bool) -> str:
    lines = []
    units = []
    used = {name for term in fit.model.parsed for name, _ in term}
    for f in fit.study.factors:
        if f.name not in used:
            continue
        if isinstance(f, Categorical):
            lines.append(f"{f.name}[level] is 1 at that level, −1 at {f.levels[-1]}, else 0.")
        elif isinstance(f, Component):
            if natural:
                units.append(f"{f.name} in {f.unit}" if f.unit else f.name)
            else:
                units.append(f"{f.name} as {'L-pseudocomponent' if pseudocomponents else 'share of the total'}")
        elif natural:
            units.append(f"{f.name} in {f.unit}" if f.unit else f.name)
        else:
            units.append(f"{f.name} −1 at {number_text(f.low)} and +1 at {number_text(f.high)} {f.unit}".rstrip())
    for name in fit.model.measured:
        c = fit.study.covariate(name)
        if natural:
            units.append(f"{name} in {c.unit}" if c.unit else name)
        else:
            mean, sd = c.law
            law = f"{name} 0 at {number_text(mean, sd)} and 1 at {number_text(mean + sd, sd)} {c.unit}"
            units.append(law.rstrip())
    if units:
        lines.insert(0, ("With " + ", ".join(units) + "."))
    if fit.response.transform is not None:
        lines.append(
            f"The right-hand side is {fit.response.fitted_label}; carried back it is a median of {fit.response.name}."
        )
    if fit.block_columns:
        lines.append("At the average block.")
    if fit.df_residual:
        lines.append(f"Written with the digits that keep a prediction within {ROUNDING:g} σ.")
    return "\n".join(lines)
