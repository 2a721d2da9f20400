"""Stirring in figures: tip speed, Reynolds and Weber numbers, power, drop sizes, the same stirring in another vessel, the centrifuge.

Plain numbers are in m and rpm, otherwise in SI units; a text ("45 mm", "600 rpm", "12000 mPa·s") or a pint quantity brings its own unit.
Answers are plain numbers. A rule is refused outside the regime it was found in.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from doe.bench.quantities import UNITS, quantity
from doe.study import StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number

if TYPE_CHECKING:
    from doe.bench.quantities import Measure

LAMINAR, TURBULENT = 10.0, 1e4  # impeller Reynolds numbers below and above which the flow is so
SLOW = 100.0  # impeller Reynolds number up to which rules of laminar flow are carried (Metzner & Otto, from memory)
GRAVITY = 9.80665  # m/s², standard
MOST_DIAMETER = 2.0  # m; beyond it millimetres are likelier
BREAKS_UP_TO = 4.08  # viscosity ratio of oil to gel beyond which simple shear breaks no drop
KEEP = {"tip speed": -1.0, "power per volume": -2.0 / 3.0, "reynolds": -2.0}  # powers of the diameter ratio


def tip_speed(diameter: Measure, speed: Measure) -> float:
    """Speed of the impeller's tip, πDN.

    Parameters
    ----------
    diameter : float
        Of the impeller, m.
    speed : float
        rpm.

    Returns
    -------
    float
        m/s. A definition: holds in every regime.

    Raises
    ------
    StudyError
        If an argument is not above 0 or its unit looks wrong.

    Examples
    --------
    >>> round(tip_speed(0.05, 1000), 3)
    2.618
    """
    return math.pi * _diameter(diameter) * _turns(speed)


def reynolds(diameter: Measure, speed: Measure, density: Measure, viscosity: Measure) -> float:
    """Impeller Reynolds number, ρND²/μ.

    Parameters
    ----------
    diameter, speed
        As for `tip_speed`.
    density : float
        Of the liquid or gel, kg/m³.
    viscosity : float
        Pa·s (1000 mPa·s); for a shear-thinning gel that of `gel_viscosity`, at this very speed.

    Returns
    -------
    float
        Dimensionless; `flow_regime` says what it means.

    Raises
    ------
    StudyError
        If an argument is not above 0 or its unit looks wrong.

    References
    ----------
    Paul, E. L., Atiemo-Obeng, V. A. and Kresta, S. M. (2004). Handbook of Industrial Mixing. Wiley (from memory).
    """
    return _density(density) * _turns(speed) * _diameter(diameter) ** 2 / _viscosity("viscosity", viscosity)


def flow_regime(reynolds: float) -> str:
    """Regime of the flow in a stirred vessel.

    Parameters
    ----------
    reynolds : float
        Impeller Reynolds number.

    Returns
    -------
    str
        "laminar" below 10, "turbulent" above 10,000, "transitional" between. The limits are usual ones and shift with the impeller.

    Raises
    ------
    StudyError
        If the number is not above 0.

    References
    ----------
    Paul, Atiemo-Obeng and Kresta (2004), as for `reynolds` (from memory).
    """
    number = _positive("reynolds", reynolds, "")
    return "laminar" if number < LAMINAR else "turbulent" if number > TURBULENT else "transitional"


def gel_viscosity(
    consistency: float,
    index: float,
    speed: Measure,
    shear_constant: float = 11.0,
    diameter: Measure | None = None,
    density: Measure | None = None,
) -> float:
    """Viscosity of a power-law gel at the shear rate that an impeller gives it, K (k_s N)^(n−1).

    Parameters
    ----------
    consistency : float
        K, Pa·s^n.
    index : float
        n, dimensionless: 1 Newtonian, below 1 shear-thinning.
    speed : float
        rpm.
    shear_constant : float
        k_s, shear rate per revolution: 10 to 13 for most impellers, 11 usual; up to 30 for anchors and helical ribbons (from memory).
    diameter, density
        As for `reynolds`: where both are given, the regime is checked. Without them it is not.

    Returns
    -------
    float
        Pa·s. Holds in laminar flow and the beginning of the transition (Re below about 100).

    Raises
    ------
    StudyError
        If an argument is out of its range, or the flow that it leads to is beyond the rule's regime.

    References
    ----------
    Metzner, A. B. and Otto, R. E. (1957). Agitation of non-Newtonian fluids. AIChE Journal 3, 3-10 (from memory).
    """
    k = _positive("consistency", consistency, "Pa·s^n")
    n = _positive("index", index, "")
    if n > 2:
        raise StudyError("index", n, "above 0 and at most 2", "give the flow index: below 1 for a shear-thinning gel")
    constant = _positive("shear_constant", shear_constant, "shear rate per revolution")
    if not 5 <= constant <= 50:
        raise StudyError("shear_constant", constant, "from 5 to 50", "10 to 13 for most impellers, 11 is usual")
    found = float(k * (constant * _turns(speed)) ** (n - 1))
    if (diameter is None) != (density is None):
        missing = "diameter" if diameter is None else "density"
        raise StudyError(missing, None, "given where the other of diameter and density is", "give both or neither")
    if diameter is not None and density is not None:
        _slow("gel_viscosity", reynolds(diameter, speed, density, found))
    return found


def power_per_volume(
    diameter: Measure, speed: Measure, density: Measure, power_number: float, volume: Measure
) -> float:
    """Power of the impeller per volume of batch, N_p ρ N³ D⁵ / V.

    Parameters
    ----------
    diameter, speed, density
        As for `reynolds`.
    power_number : float
        N_p of the impeller at this Reynolds number. Turbulent: disc turbine about 5, 45° pitched blade 1.3, hydrofoil or propeller 0.3,
        saw-tooth disc 0.1 to 0.3; laminar: a constant of the impeller over Re (all from memory of the handbook).
    volume : float
        Of the batch, m³ (200 mL is 0.0002).

    Returns
    -------
    float
        W/m³. As good as the power number, which is given, not found.

    Raises
    ------
    StudyError
        If an argument is not above 0 or its unit looks wrong.

    References
    ----------
    Paul, Atiemo-Obeng and Kresta (2004), as for `reynolds` (from memory).
    """
    size = _diameter(diameter)
    room = _positive("volume", volume, "m³")
    if room > 500 * size**3:
        raise StudyError(
            "volume",
            room,
            f"at most {500 * size**3:.3g} m³ with an impeller of {size:g} m",
            f"was it given in litres? {room:g} L is {room / 1000:g} m³",
        )
    number = _positive("power_number", power_number, "")
    return number * _density(density) * _turns(speed) ** 3 * size**5 / room


def weber(diameter: Measure, speed: Measure, density: Measure, tension: Measure) -> float:
    """Impeller Weber number, ρN²D³/σ: how hard the flow pulls at a drop against what holds it together.

    Parameters
    ----------
    diameter, speed, density
        As for `reynolds`; the density is that of the outer, watery phase.
    tension : float
        Interfacial tension of oil and water, N/m (10 mN/m is 0.010).

    Returns
    -------
    float
        Dimensionless. It decides drop sizes in turbulent flow alone: see `droplet_ratio`.

    Raises
    ------
    StudyError
        If an argument is not above 0 or its unit looks wrong.
    """
    return _density(density) * _turns(speed) ** 2 * _diameter(diameter) ** 3 / _tension(tension)


def droplet_ratio(weber: float, reynolds: float, phase_fraction: float = 0.0) -> float:
    """Sauter mean drop diameter over impeller diameter in turbulent flow, 0.053 We^−0.6 (1 + 3φ).

    Parameters
    ----------
    weber, reynolds : float
        Impeller numbers of the outer phase while the drops form.
    phase_fraction : float
        φ, volume share of the oil, up to 0.2.

    Returns
    -------
    float
        d32/D. For thin oils, surfactant enough that drops do not merge, and stirring until the size no longer falls; viscous oils give
        larger drops and a wider spread (Calabrese, Chang & Dang 1986).

    Raises
    ------
    StudyError
        If the flow is not turbulent: then there is no such ratio, and the sentence says so. Also for arguments out of range.

    References
    ----------
    Chen, H. T. and Middleman, S. (1967). Drop size distribution in agitated liquid-liquid systems. AIChE Journal 13, 989-995 (0.053 and
    the exponent; from memory). Doulah, M. S. (1975). Ind. Eng. Chem. Fundam. 14, 137 (1 + 3φ; from memory). Calabrese, R. V., Chang,
    T. P. K. and Dang, P. T. (1986). AIChE Journal 32, 657-666.
    """
    pull = _positive("weber", weber, "")
    flow = flow_regime(reynolds)
    if flow != "turbulent":
        raise StudyError(
            f"droplet_ratio: the flow ({flow}), Reynolds number",
            float(f"{reynolds:.4g}"),
            f"above {TURBULENT:,.0f} (turbulent)",
            "the −0.6 power of the Weber number does not hold here; a neutralised gel takes laminar_droplet, or trials",
        )
    share = as_number("phase_fraction", phase_fraction, "volume share of the oil")
    if not 0 <= share <= 0.2:
        raise StudyError("phase_fraction", share, "from 0 to 0.2", "the rule is for dilute oil: 5 % is 0.05")
    return 0.053 * pull**-0.6 * (1 + 3 * share)


def laminar_droplet(
    shear_rate: Measure,
    viscosity: Measure,
    oil_viscosity: Measure,
    tension: Measure,
    impeller_reynolds: float | None = None,
) -> float:
    """Largest drop that simple shear leaves whole in a laminar liquid, from the critical capillary number: d = 2 Ca σ / (μ γ̇).

    Parameters
    ----------
    shear_rate : float
        γ̇, 1/s; near a stirrer about 11 times the revolutions a second.
    viscosity : float
        μ of the gel at that shear rate, Pa·s.
    oil_viscosity : float
        Of the oil, Pa·s. Only its ratio to that of the gel enters; simple shear breaks drops best near a ratio of 1.
    tension : float
        Interfacial tension, N/m.
    impeller_reynolds : float, optional
        Impeller Reynolds number of the gel: where given, the regime is checked. Without it it is not.

    Returns
    -------
    float
        Diameter, m. Holds in laminar flow and the beginning of the transition. An estimate within a factor of about two: a beaker is not steady simple shear, and the gel is elastic.

    Raises
    ------
    StudyError
        If the oil is more than 4.08 times as viscous as the gel: then simple shear stretches and turns the drops but breaks none. Also if
        the flow is not laminar, or an argument is out of range.

    References
    ----------
    Grace, H. P. (1982). Dispersion phenomena in high viscosity immiscible fluid systems. Chemical Engineering Communications 14, 225-277;
    as fitted by de Bruijn, R. A. (1989), thesis, Eindhoven: lg Ca = −0.506 − 0.0994 lg λ + 0.124 lg² λ − 0.115/(lg λ − lg 4.08); both
    from memory.

    Examples
    --------
    >>> round(1e6 * laminar_droplet(183.3, 0.781, 0.781, 0.010), 1)
    67.2
    """
    rate = _positive("shear_rate", shear_rate, "1/s")
    if impeller_reynolds is not None:
        _slow("laminar_droplet", _positive("impeller_reynolds", impeller_reynolds, ""))
    gel, oil = _viscosity("viscosity", viscosity), _viscosity("oil_viscosity", oil_viscosity)
    ratio = oil / gel
    if ratio >= BREAKS_UP_TO:
        raise StudyError(
            "laminar_droplet: viscosity of the oil over that of the gel",
            float(f"{ratio:.4g}"),
            f"below {BREAKS_UP_TO:g}",
            "simple shear breaks no drop beyond that: warm or thin the oil, thicken the gel, or force it through narrow gaps",
        )
    if ratio < 1e-4:
        raise StudyError(
            "laminar_droplet: viscosity of the oil over that of the gel",
            float(f"{ratio:.4g}"),
            "0.0001 or above",
            "thinner oil sheds droplets from its tips instead of breaking, and the rule does not hold",
        )
    lg = math.log10(ratio)
    critical = 10 ** (-0.506 - 0.0994 * lg + 0.124 * lg**2 - 0.115 / (lg - math.log10(BREAKS_UP_TO)))
    return 2 * critical * _tension(tension) / (gel * rate)


def equivalent_speed(
    speed: Measure,
    diameter: Measure,
    new_diameter: Measure,
    keep: str = "tip speed",
    impeller_reynolds: float | None = None,
) -> float:
    """Speed in a geometrically similar vessel that keeps one thing the same.

    Parameters
    ----------
    speed : float
        rpm, of the old impeller.
    diameter, new_diameter : float
        Of the old and the new impeller, m.
    keep : {"tip speed", "power per volume", "reynolds"}
        What stays: N ∝ D^−1, D^−2/3, D^−2. Power per volume needs a constant power number (turbulent flow, or the same Reynolds number);
        Reynolds number needs the same liquid, and a shear-thinning gel is another liquid at another speed.
    impeller_reynolds : float, optional
        Of the old vessel, in the same liquid: where given, "power per volume" is refused unless both vessels are turbulent.

    Returns
    -------
    float
        rpm. Only one of the three is kept; time, temperature and the number of passes through the impeller are not.

    Raises
    ------
    StudyError
        If an argument is out of its range, or the rule outside its regime.

    Examples
    --------
    >>> round(equivalent_speed(1000, 0.05, 0.20, keep="power per volume"), 1)
    396.9
    """
    if keep not in KEEP:
        names = ", ".join(map(repr, KEEP))
        raise StudyError("keep", keep, f"one of {names}", nearest(str(keep), KEEP))
    size = _diameter(new_diameter, "new_diameter") / _diameter(diameter)
    found = float(60 * _turns(speed) * size ** KEEP[keep])
    if impeller_reynolds is not None:
        old = _positive("impeller_reynolds", impeller_reynolds, "")
        least = min(old, old * size ** (KEEP[keep] + 2))  # ND² of the new vessel over that of the old
        if keep == "power per volume" and least <= TURBULENT:
            raise StudyError(
                "equivalent_speed: the flow (" + flow_regime(least) + "), Reynolds number",
                float(f"{least:.4g}"),
                f"above {TURBULENT:,.0f} (turbulent) in both vessels",
                "elsewhere the power number changes with the Reynolds number: keep the tip speed, or measure the power",
            )
    return found


def centrifuge_force(speed: Measure, radius: Measure) -> float:
    """Acceleration in a centrifuge, as a multiple of gravity.

    Parameters
    ----------
    speed : float
        rpm.
    radius : float
        From the axis to the sample, m; a tube has a range of it, so say which.

    Returns
    -------
    float
        Multiple of 9.80665 m/s². Balance the tubes, and stay below the rotor's rated speed.

    Raises
    ------
    StudyError
        If an argument is not above 0 or its unit looks wrong.

    Examples
    --------
    >>> round(centrifuge_force(3000, 0.10))
    1006
    """
    return (2 * math.pi * _turns(speed)) ** 2 * _radius(radius) / GRAVITY


def centrifuge_speed(force: float, radius: Measure) -> float:
    """Speed in rpm that gives a multiple of gravity: the inverse of `centrifuge_force`.

    Raises
    ------
    StudyError
        If an argument is not above 0 or its unit looks wrong.

    Examples
    --------
    >>> round(centrifuge_speed(150, 0.10))
    1158
    """
    return 60 * math.sqrt(_positive("force", force, "multiples of gravity") * GRAVITY / _radius(radius)) / (2 * math.pi)


def _slow(rule: str, number: float) -> None:
    """Refuse a rule of laminar flow beyond the beginning of the transition."""
    if number > SLOW:
        raise StudyError(
            f"{rule}: the flow ({flow_regime(number)}), Reynolds number",
            float(f"{number:.4g}"),
            f"at most {SLOW:g} (laminar or just beyond)",
            "the shear rate of the impeller no longer follows its speed alone there: stir slower, or find the figure by trials",
        )


def _positive(where: str, value: object, unit: str) -> float:
    number = quantity(where, value, unit) if unit in UNITS else as_number(where, value, unit)
    if number <= 0:
        raise StudyError(where, number, "above 0", f"give it in {unit}" if unit else "correct the figure")
    return number


def _diameter(value: object, where: str = "diameter") -> float:
    number = _positive(where, value, "m")
    if number > MOST_DIAMETER:
        raise StudyError(
            where, number, f"at most {MOST_DIAMETER:g} m", f"was it given in mm? {number:g} mm is {number / 1000:g} m"
        )
    return number


def _radius(value: object) -> float:
    number = _positive("radius", value, "m")
    if number > 1:
        unit, size = ("cm", 100) if number < 50 else ("mm", 1000)
        raise StudyError(
            "radius", number, "at most 1 m", f"was it given in {unit}? {number:g} {unit} is {number / size:g} m"
        )
    return number


def _turns(speed: object) -> float:
    """Revolutions a second."""
    return _positive("speed", speed, "rpm") / 60


def _density(value: object) -> float:
    number = _positive("density", value, "kg/m³")
    if not 300 <= number <= 3000:
        raise StudyError("density", number, "from 300 to 3000 kg/m³", "1 g/mL is 1000 kg/m³")
    return number


def _viscosity(where: str, value: object) -> float:
    number = _positive(where, value, "Pa·s")
    if number > 1e4:
        raise StudyError(
            where, number, "at most 10000 Pa·s", f"was it given in mPa·s? {number:g} mPa·s is {number / 1000:g} Pa·s"
        )
    return number


def _tension(value: object) -> float:
    number = _positive("tension", value, "N/m")
    if number > 0.1:
        raise StudyError(
            "tension", number, "at most 0.1 N/m", f"was it given in mN/m? {number:g} mN/m is {number / 1000:g} N/m"
        )
    return number
