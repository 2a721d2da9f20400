"""The laboratory: the recipe and its weighings, neutralisation and mixing worked out, run sheets out, records in.

Floor 3: imports study and designs, nothing above; not quality, its neighbour.
"""

from doe.bench.droplet_sizes import DropletSizes, droplets, read_droplets
from doe.bench.flow_curves import FlowCurve, flow_curve
from doe.bench.gel_curve import TitrationCurve, indicative_curve, titration_curve
from doe.bench.instruments import InstrumentReadings, read_instruments, with_instruments
from doe.bench.jars import Needs, needs
from doe.bench.lines import Ingredient, Neutralise, Step
from doe.bench.made_apart import BaseGel, Premix
from doe.bench.mixing import (
    centrifuge_force,
    centrifuge_speed,
    droplet_ratio,
    equivalent_speed,
    flow_regime,
    gel_viscosity,
    laminar_droplet,
    power_per_volume,
    reynolds,
    tip_speed,
    weber,
)
from doe.bench.neutralisation import Base, acid_content, bases, degree_from, neutraliser, stock_strength
from doe.bench.preserving import PreservativeCheck, expected_ph, preservative_check, preservative_ranges
from doe.bench.recipe import Recipe
from doe.bench.records import Records
from doe.bench.sheets import read_sheet, write_sheet
from doe.bench.stirred import Stirring, stirring
from doe.bench.tables import read_table
from doe.bench.titrated import Titration
from doe.bench.titration_page import read_titration

__all__ = [
    "Base",
    "BaseGel",
    "DropletSizes",
    "FlowCurve",
    "Ingredient",
    "InstrumentReadings",
    "Needs",
    "Neutralise",
    "Premix",
    "PreservativeCheck",
    "Recipe",
    "Records",
    "Step",
    "Stirring",
    "Titration",
    "TitrationCurve",
    "acid_content",
    "bases",
    "centrifuge_force",
    "centrifuge_speed",
    "degree_from",
    "droplet_ratio",
    "droplets",
    "equivalent_speed",
    "expected_ph",
    "flow_curve",
    "flow_regime",
    "gel_viscosity",
    "indicative_curve",
    "laminar_droplet",
    "needs",
    "neutraliser",
    "power_per_volume",
    "preservative_check",
    "preservative_ranges",
    "read_droplets",
    "read_instruments",
    "read_sheet",
    "read_table",
    "read_titration",
    "reynolds",
    "stirring",
    "stock_strength",
    "tip_speed",
    "titration_curve",
    "weber",
    "with_instruments",
    "write_sheet",
]
