"""What `import doe` loads: every command and every kernel begins with it, so that what is heavy waits until it is needed."""

import json
import subprocess
import sys

import pytest

# general-purpose libraries that take a tenth of a second or more each to load; only functions that need them may load them
HEAVY = [
    "IPython",
    "alembic",
    "anywidget",
    "ipywidgets",
    "jinja2",
    "joblib",
    "matplotlib",
    "numba",
    "openpyxl",
    "pint",
    "pyDOE3",
    "PIL",
    "rich",
    "scipy.interpolate",
    "scipy.optimize",
    "scipy.stats",
    "seaborn",
    "sqlalchemy",
    "statsmodels",
]


@pytest.fixture(scope="module")
def loaded() -> set[str]:
    """Modules of a fresh interpreter after `import doe`, with whether every room and name is there."""
    script = (
        "import json, sys, doe\n"
        "assert all(getattr(doe, name) is not None for name in doe.__all__)\n"
        "assert callable(doe.plots.probability_map) and callable(doe.store.Store) and callable(doe.panels.desk)\n"
        "print(json.dumps(list(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(json.loads(done.stdout))


@pytest.mark.parametrize("name", HEAVY)
def test_importing_the_package_leaves_what_is_heavy_unloaded(loaded, name):
    assert name not in loaded
