"""``proofstand records countersign``: the second signature of a page."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .notes import signing_options
from .options import Subparsers, out_option, say_not_kept
from .pins import asker

SCHEMA = "proofstand.countersigned/1"


def add(actions: Subparsers) -> None:
    """Add the command."""
    parser = actions.add_parser(
        "countersign",
        help="make a certificate of a page that waits for its second signature",
        description="Put the second signature over the first, as a new file. Only a "
        "page whose plan asks for one takes it; by it the page is a certificate.",
    )
    parser.add_argument("page", type=Path, metavar="PAGE.pdf")
    out_option(parser, "the certificate")
    signing_options(parser, "who countersigns")
    parser.add_argument(
        "--archive",
        type=Path,
        metavar="DIR",
        help="archive that is asked what speaks against the page and keeps the "
        "certificate (default: that of the settings, else the user's; for a simulated "
        "rig none)",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Countersign and say what was made."""
    from proofstand.keeping.against import known_against_page
    from proofstand.keeping.made import keep_countersigned
    from proofstand.signoff.countersigning import countersign_page
    from proofstand.signoff.notes import signatory_json

    made = countersign_page(
        args.page,
        args.out,
        by=args.by,
        ask=asker(args),
        key_folder=args.key,
        against=known_against_page(args.archive),
    )
    key = args.key if args.archive is not None else None
    kept = keep_countersigned(
        args.out, by=args.by, archive=args.archive, key_folder=key
    )
    say_not_kept(kept)
    if args.json:
        document = {
            "schema": SCHEMA,
            "file": str(made.path),
            "number": made.number,
            "run": made.run_id,
            "by": signatory_json(made.by),
            "key": made.key_id,
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(f"{made.path}: certificate {made.number}, countersigned by {made.by.name}")
    print(f"  run {made.run_id}")
    return 0
