"""All that stirring comes to in one vessel: each rule with its figure, or why it gives none here, and where it comes from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.bench.mixing import (
    BREAKS_UP_TO,
    LAMINAR,
    SLOW,
    TURBULENT,
    droplet_ratio,
    flow_regime,
    gel_viscosity,
    laminar_droplet,
    power_per_volume,
    reynolds,
    tip_speed,
    weber,
)
from doe.bench.quantities import quantity
from doe.study import Section, Shown, StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.bench.quantities import Measure

_HANDBOOK = "Handbook of Industrial Mixing (2004), from memory"
_ANY = "every regime"


@dataclass(frozen=True, repr=False)
class Stirring(Shown):
    """What `stirring` found.

    Attributes
    ----------
    regime : str
        "laminar", "transitional" or "turbulent".
    table : DataFrame
        One row a rule: quantity, value (NaN where the rule does not hold here), unit, holds (where the rule holds), said (why there is no
        value, or what to mind), source.
    """

    regime: str
    table: pd.DataFrame

    def _sections(self) -> list[Section]:
        t = self.table
        shown = pd.DataFrame(
            {
                "quantity": t["quantity"],
                "value": ["none" if np.isnan(v) else number_text(v) for v in t["value"]],
                "unit": t["unit"],
                "holds in": t["holds"],
                "said": t["said"],
                "source": t["source"],
            }
        )
        limits = f"laminar below a Reynolds number of {LAMINAR:g}, turbulent above {TURBULENT:,.0f}; the limits shift with the impeller"
        return [Section(f"Stirring: {self.regime} flow", shown, f"Usual limits: {limits}.")]


def stirring(
    diameter: Measure,
    speed: Measure,
    density: Measure,
    viscosity: Measure | None = None,
    consistency: float | None = None,
    index: float | None = None,
    shear_constant: float = 11.0,
    volume: Measure | None = None,
    power_number: float | None = None,
    tension: Measure | None = None,
    oil_viscosity: Measure | None = None,
    phase_fraction: float = 0.0,
) -> Stirring:
    """Reckon every rule of stirring that the figures given allow, and say of each whether it holds in this flow.

    Parameters
    ----------
    diameter, speed, density
        As for `reynolds`.
    viscosity : optional
        Of the liquid or gel, Pa·s; or the power law of a gel instead:
    consistency, index : float, optional
        K (Pa·s^n) and n, as for `gel_viscosity`.
    shear_constant : float
        k_s, as for `gel_viscosity`.
    volume, power_number : optional
        As for `power_per_volume`.
    tension : optional
        As for `weber`.
    oil_viscosity : optional
        As for `laminar_droplet`.
    phase_fraction : float
        As for `droplet_ratio`.

    Returns
    -------
    Stirring

    Raises
    ------
    StudyError
        If an argument is out of its range, or neither a viscosity nor a power law is given. A rule that does not hold is no error: its row
        says why.

    Examples
    --------
    >>> stirring("50 mm", "1000 rpm", 1000, consistency=30, index=0.3).regime
    'transitional'
    """
    law = consistency is not None or index is not None
    if law == (viscosity is not None):
        found = "both" if law else "neither"
        raise StudyError(
            "stirring: viscosity, or consistency and index",
            found,
            "one of the two",
            "a shear-thinning gel takes its power law",
        )
    if law:
        for name, value in (("consistency", consistency), ("index", index)):
            if value is None:
                raise StudyError(f"stirring: {name}", None, "given with the other of the power law", "complete it")
        assert consistency is not None
        assert index is not None
        apparent = gel_viscosity(consistency, index, speed, shear_constant)
    else:
        apparent = quantity("viscosity", viscosity, "Pa·s")
    number = reynolds(diameter, speed, density, apparent)
    regime = flow_regime(number)
    rows: list[tuple[str, float, str, str, str, str]] = [
        ("tip speed", tip_speed(diameter, speed), "m/s", _ANY, "", "definition"),
    ]
    slow = f"Reynolds number up to {SLOW:g}"
    thick = law and index != 1
    if thick:
        turns = quantity("speed", speed, "rpm") / 60
        rows.append(("shear rate", shear_constant * turns, "1/s", slow, "", "Metzner & Otto (1957), from memory"))
        held = number <= SLOW
        said = (
            ""
            if held
            else "the shear rate does not follow the speed alone here; the Reynolds number below is a rough guess"
        )
        rows.append(
            ("viscosity", apparent if held else np.nan, "Pa·s", slow, said, "Metzner & Otto (1957), from memory")
        )
    rows.append(("Reynolds number", number, "", _ANY, regime, _HANDBOOK))
    if (volume is None) != (power_number is None):
        missing = "volume" if volume is None else "power_number"
        raise StudyError(
            f"stirring: {missing}", None, "given where the other of volume and power_number is", "give both or neither"
        )
    if volume is not None and power_number is not None:
        power = power_per_volume(diameter, speed, density, power_number, volume)
        said = (
            ""
            if regime == "turbulent"
            else "only if the power number given is that of this Reynolds number: turbulent ones are too low"
        )
        rows.append(("power per volume", power, "W/m³", "as the power number does", said, _HANDBOOK))
        # ν³ over power per mass: drops near it are torn by viscous, not by inertial, stresses
        eddy = float((apparent**3 / (quantity("density", density, "kg/m³") ** 2 * power)) ** 0.25)
        said = "" if regime == "turbulent" else "no turbulence to speak of"
        rows.append(
            (
                "smallest eddies",
                eddy if regime == "turbulent" else np.nan,
                "m",
                "turbulent",
                said,
                "Kolmogorov length, at the mean power",
            )
        )
    if tension is not None:
        pull = weber(diameter, speed, density, tension)
        rows.append(("Weber number", pull, "", _ANY, "decides drop sizes in turbulent flow alone", "definition"))
        rows.append(_turbulent_drop(pull, number, phase_fraction, diameter))
        if oil_viscosity is not None:
            rate = shear_constant * quantity("speed", speed, "rpm") / 60
            rows.append(
                _tried(
                    "largest drop, laminar",
                    lambda: laminar_droplet(rate, apparent, oil_viscosity, tension, number),
                    f"{slow}, viscosity ratio 0.0001 to {BREAKS_UP_TO:g}",
                    "an estimate within a factor of about two",
                    "Grace (1982), as fitted by de Bruijn (1989), from memory",
                )
            )
    columns = ["quantity", "value", "unit", "holds", "said", "source"]
    return Stirring(regime, pd.DataFrame(rows, columns=columns))


def _turbulent_drop(
    pull: float, number: float, share: float, diameter: Measure
) -> tuple[str, float, str, str, str, str]:
    size = quantity("diameter", diameter, "m")
    return _tried(
        "Sauter mean drop, turbulent",
        lambda: size * droplet_ratio(pull, number, share),
        f"Reynolds number above {TURBULENT:,.0f}, drops above the smallest eddies",
        "of a thin oil, surfactant enough, stirred until it no longer falls",
        "Chen & Middleman (1967), Doulah (1975), from memory",
    )


def _tried(
    name: str, rule: Callable[[], float], holds: str, said: str, source: str
) -> tuple[str, float, str, str, str, str]:
    """A drop size, or in its place the sentence that says why the rule gives none here; a wrong argument is an error still."""
    try:
        return (name, rule(), "m", holds, said, source)
    except StudyError as problem:
        if problem.where.startswith(("droplet_ratio:", "laminar_droplet:")):
            return (name, np.nan, "m", holds, str(problem), source)
        raise
