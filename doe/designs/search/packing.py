"""One start's whole state as two flat arrays, and where in them each table begins.

Kernels take `T` (int64) and `W` (float64) alone: few arguments compile fast, and a start stays in cache. The first
entries of `T` are sizes and the places where the tables begin (in `T` for whole numbers, in `W` for reals), under the
names below.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

WIDTH = 16  # room for a polynomial: degree 7 along a line gives degree 14 in the criterion
MOST_DEGREE = 7

SIZES = ("RUNS", "VARIABLES", "COLUMNS", "CONSTRAINTS", "DEEP", "UNITS", "GROUPS", "WIDEST", "RANDOM")
(RUNS, VARIABLES, COLUMNS, CONSTRAINTS, DEEP, UNITS, GROUPS, WIDEST, RANDOM) = range(9)

# whole numbers: moves and the columns, factors, variables, constraints and levels of each; units, classes, relations
(KIND, DEGREE, FACET, COL_PTR, COL, COUNT, FAC_PTR, FAC_VAR, VAR_PTR, VAR, CON_PTR, CON, LEV_PTR) = range(9, 22)
(MON_PTR, MON, UNIT_PTR, UNIT_RUN, UNIT_CLASS, CLASS_PTR, CLASS_MOVE, REL_PTR, REL_RUN) = range(22, 31)
(GROUP_PTR, GROUP_RUN, FREE, FROZEN, REPEAT_BLOCK, TIES, RUN_UNIT, REPEATS) = range(31, 39)

# reals: tables, then what a search changes, then work space
(STEP, FAC_RATE, RATE, CON_RATE, LEVEL, LOW, HIGH, A, B, REL_WEIGHT, DIAGONAL, MOMENTS, PRIOR) = range(39, 52)
(Z, F, SLACK, AT_M, AT_D, AT_C) = range(52, 58)
(WORK, DELTA, GROUP_DELTA, GROUP_H, TERMS, POLY, TRIAL) = range(58, 65)
HEADER = 65

_WHOLE = {name: globals()[name] for name in globals() if name.isupper() and isinstance(globals()[name], int)}
INTEGER_TABLES = {k: v for k, v in _WHOLE.items() if KIND <= v <= REPEATS and k not in ("WIDTH", "MOST_DEGREE")}
REAL_TABLES = {k: v for k, v in _WHOLE.items() if STEP <= v <= TRIAL and k != "HEADER"}


def packed(
    sizes: dict[str, int], integers: dict[str, NDArray[np.int64]], reals: dict[str, NDArray[np.float64]]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The two arrays, from sizes and tables by name (in capitals above, in small letters here)."""
    header = np.zeros(HEADER, dtype=np.int64)
    for name, value in sizes.items():
        header[SIZES.index(name.upper())] = value
    at, whole = HEADER, [header]
    for name, place in INTEGER_TABLES.items():
        table = np.asarray(integers[name.lower()], dtype=np.int64).ravel()
        header[place] = at
        at += len(table)
        whole.append(table)
    at, parts = 0, []
    for name, place in REAL_TABLES.items():
        part = np.asarray(reals[name.lower()], dtype=np.float64).ravel()
        header[place] = at
        room = -(-len(part) // 8) * 8  # tables begin on cache lines
        parts.append(np.concatenate([part, np.zeros(room - len(part))]))
        at += room
    return np.concatenate(whole), np.concatenate(parts)
