"""One thread a test worker, the long files first, so that the workers end together.

Linear algebra that spreads over cores which other workers hold is slower, not faster.
"""

import os
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# Files that take longest, as `--durations` told: a file stays with one worker, and one begun last would leave the others idle.
LONG = (
    "test_command_line.py",
    "test_dossier.py",
    "test_notebooks.py",
    "test_filling.py",
    "test_engine.py",
    "test_fewest.py",
    "test_rehearsal.py",
    "test_hostile_input.py",
)


def pytest_collection_modifyitems(items):
    """Long files first, all else in its order."""
    items.sort(key=lambda item: LONG.index(Path(item.path).name) if Path(item.path).name in LONG else len(LONG))
