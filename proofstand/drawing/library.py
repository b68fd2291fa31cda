"""matplotlib, told to keep its files in our own folder.

It reads the variable when it is imported, so this module is imported before it.
"""

from __future__ import annotations

import os

from records.errors import ProofstandError

from ..places import cache_dir, made

VARIABLE = "MPLCONFIGDIR"


def _place() -> None:
    if VARIABLE in os.environ:
        return
    try:
        os.environ[VARIABLE] = str(made(cache_dir() / "drawing"))
    except (ProofstandError, OSError):
        return  # it then makes a temporary one


_place()
