"""On what this was computed: versions, machine, date."""

from __future__ import annotations

import datetime
import importlib.metadata
import os
import platform
import sys

import pandas as pd

LIBRARIES = (
    "numpy",
    "scipy",
    "pandas",
    "statsmodels",
    "numba",
    "pyDOE3",
    "mpmath",
    "openpyxl",
    "sqlalchemy",
    "matplotlib",
    "jinja2",
)


def machine_table(version: str, seed: int, depth: str, now: datetime.datetime) -> pd.DataFrame:
    """What, which: of the toolkit, Python, the libraries, the machine and the moment."""
    rows = [
        ("toolkit", f"doe {version}"),
        ("depth", depth),
        ("seed", str(seed)),
        ("date and time", now.astimezone().isoformat(" ", "seconds")),
        ("Python", f"{platform.python_implementation()} {platform.python_version()}"),
        ("operating system", platform.platform(terse=True)),
        ("machine", f"{platform.machine()}, {os.cpu_count()} processors, name {platform.node() or 'not known'}"),
        ("floating point", f"{sys.float_info.mant_dig} bits, largest {sys.float_info.max:.4g}"),
    ]
    for name in LIBRARIES:
        try:
            rows.append((name, importlib.metadata.version(name)))
        except importlib.metadata.PackageNotFoundError:
            rows.append((name, "not installed"))
    return pd.DataFrame(rows, columns=["what", "which"], dtype=object)
