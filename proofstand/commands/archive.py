"""``proofstand archive``: copy the archive, take a copy back, make the index anew."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .archive_options import archive_options, home_of
from .options import Subparsers, end_progress, json_option, progress


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "archive",
        help="copy the archive, take a copy back, make its index anew",
        description="The archive as a whole.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    rebuild = actions.add_parser(
        "rebuild",
        help="make the index anew from the folder",
        description="Finish what a writer that died had begun, then make the index "
        "anew from the archive's chain. Nothing is only in the index.",
    )
    archive_options(rebuild)
    json_option(rebuild)
    rebuild.set_defaults(run=run_rebuild)
    backup = actions.add_parser(
        "backup",
        help="bring a copy of the archive up to it",
        description="Make a copy of the archive in a folder, or bring an earlier one "
        "up to it. Only what the copy lacks is copied, and read back; nothing in it is "
        "ever overwritten. The copy is an archive itself.",
    )
    backup.add_argument(
        "--out", required=True, type=Path, metavar="DIR", help="new, or a copy of it"
    )
    archive_options(backup)
    json_option(backup)
    backup.set_defaults(run=run_backup)
    restore = actions.add_parser(
        "restore",
        help="make an archive from a copy",
        description="Check a copy to its last byte, copy it into a folder that is new "
        "or empty, and check that too before it says done.",
    )
    restore.add_argument("copy", type=Path, metavar="COPY")
    restore.add_argument(
        "--key",
        action="append",
        type=Path,
        metavar="PUBLIC.pem",
        help="public key that should have signed; may be given again",
    )
    archive_options(restore)
    json_option(restore)
    restore.set_defaults(run=run_restore)


def run_rebuild(args: argparse.Namespace) -> int:
    """Make the index anew."""
    from proofstand.keeping.home import rebuild_index

    where = home_of(args)
    lines = rebuild_index(where, lambda n: progress(f"{n} records"))
    end_progress()
    if args.json:
        document = {
            "schema": "proofstand.archive-rebuilt/1",
            "archive": str(where.archive.folder),
            "records": lines - 1,
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(f"{where.archive.folder}: the index was made anew from {lines - 1} records.")
    return 0


def run_backup(args: argparse.Namespace) -> int:
    """Bring a copy up to the archive."""
    from proofstand.keeping.copies import back_up
    from proofstand.keeping.home import settle_if_possible

    archive = home_of(args).archive
    archive.head()
    settle_if_possible(archive)
    made = back_up(archive, args.out, lambda done, of: progress(f"{done} of {of}"))
    end_progress()
    if args.json:
        document = {"schema": "proofstand.archive-copied/1", **made.as_json()}
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(
        f"{made.folder}: copied {made.copied} of {made.records} records and read them "
        f"back; last record sha256 {made.last}"
    )
    return 0


def run_restore(args: argparse.Namespace) -> int:
    """Make an archive from a copy."""
    from proofstand.keeping.copies import restore
    from records.archive.chain import Archive

    into = home_of(args).archive
    made = restore(
        Archive(args.copy),
        into.folder,
        args.key or [],
        lambda done, of: progress(f"{done} of {of}"),
    )
    end_progress()
    if args.json:
        document = {"schema": "proofstand.archive-copied/1", **made.as_json()}
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(
        f"{made.folder}: {made.records} records, every one checked; last record sha256 "
        f"{made.last}"
    )
    return 0
