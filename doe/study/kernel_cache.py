"""Loading compiled code: compiled once a machine, said while it happens, and kept in a cache that no other user can write."""

from __future__ import annotations

import os
import sys
import tempfile
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

_loaded: dict[str, ModuleType] = {}


def load(name: str, function: str, what: str) -> ModuleType:
    """A module of compiled kernels; compiled once a machine (said on standard error), from then on loaded from the cache.

    The cache lies beside the package, in the user's cache folder or where NUMBA_CACHE_DIR says; in a temporary folder
    where none of these can be written.

    Parameters
    ----------
    name : str
        Full name of the module.
    function : str
        One of its compiled functions; the cache is taken to be filled where that one is in it.
    what : str
        What is compiled, in words.

    Returns
    -------
    module
    """
    if name not in _loaded:
        import numba

        config: Any = numba.config
        file = name.rpartition(".")[2]
        here = Path(__file__).parents[1].joinpath(*name.split(".")[1:-1], "__pycache__")
        chosen = config.CACHE_DIR
        kept = f"{file}.{function}*.nbi"
        if not any(Path(chosen).rglob(kept) if chosen else here.glob(kept)):
            sys.stderr.write(f"Compiling {what} for this machine; this is done once and takes some seconds.\n")
        try:
            module = import_module(name)
        except RuntimeError as problem:
            if "no locator" not in str(problem):
                raise
            config.CACHE_DIR = str(_own_folder())
            module = import_module(name)
        _loaded[name] = module
    return _loaded[name]


def _own_folder() -> Path:
    """A folder in the temporary one that no other user can write: what lies in the cache is executed."""
    user = os.getuid() if hasattr(os, "getuid") else 0
    folder = Path(tempfile.gettempdir()) / f"doe-compiled-{user}"
    folder.mkdir(mode=0o700, exist_ok=True)
    kept = folder.stat()
    if hasattr(os, "getuid") and (kept.st_uid != user or kept.st_mode & 0o077):
        return Path(tempfile.mkdtemp(prefix="doe-compiled-"))
    return folder
