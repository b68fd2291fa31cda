"""The program's version."""

from __future__ import annotations

from importlib import metadata


def _installed() -> str:
    try:
        return metadata.version("proofstand")
    except metadata.PackageNotFoundError:
        return "0.1.0"


VERSION = _installed()
