"""Options of the commands that look into the archive."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from proofstand.keeping.home import Home
    from records.archive.index import Index


def archive_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--archive`` and ``--index``."""
    parser.add_argument(
        "--archive",
        type=Path,
        metavar="DIR",
        help="folder of the archive (default: that of the settings, else the user's)",
    )
    parser.add_argument(
        "--index",
        default="",
        metavar="URL",
        help="database to find things with, sqlite:///FILE or postgresql://… (default: "
        "that of the settings, else a file of this computer)",
    )


def key_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--key``, of which the archive's head is signed."""
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that signs the archive's head (default: the shop's)",
    )


def home_of(args: argparse.Namespace) -> Home:
    """Return the archive that the options name."""
    from proofstand.keeping.home import home

    return home(args.archive, args.index)


def opened(where: Home) -> Index:
    """Return an archive's index, brought up to it; a person sees how far it got."""
    from proofstand.keeping.home import index_of

    from .options import end_progress, progress

    try:
        return index_of(where, lambda lines: progress(f"index: {lines} records"))
    finally:
        end_progress()
