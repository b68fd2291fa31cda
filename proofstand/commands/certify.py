"""``proofstand certify``: the page of a run, signed."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from records.errors import InputError

from .options import Subparsers, by_option, json_option, out_option


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "certify",
        help="make the signed page of a run",
        description="Make the signed page (PDF) of a sealed and signed run: a "
        "certificate for a pass against accepted limits, else a test report. Exits 0 "
        "whatever the verdict; 6 when a rule forbids it.",
    )
    parser.add_argument("run_file", nargs="?", type=Path, metavar="RUN.h5")
    out_option(parser, "the page to make")
    by_option(parser, "who issues it")
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that sealed the run (default: the shop's)",
    )
    parser.add_argument(
        "--as-found",
        action="store_true",
        help="the regulator was tested as received: a condition report",
    )
    beside_options(parser)
    parser.add_argument(
        "--copy-of",
        type=Path,
        metavar="CERT.pdf",
        help="in place of a run: a copy of this certificate, marked as one",
    )
    json_option(parser)
    parser.set_defaults(run=run)


def beside_options(parser: argparse.ArgumentParser) -> None:
    """Add what may stand beside the run, and what the page takes the place of."""
    parser.add_argument(
        "--as-found-run",
        type=Path,
        metavar="RUN.h5",
        help="run of the same regulator as it was received, shown beside",
    )
    parser.add_argument(
        "--replaces",
        type=Path,
        metavar="CERT.pdf",
        help="reissue: takes the place of this one, which is kept; needs --why",
    )
    parser.add_argument("--why", default="", metavar="TEXT", help="why it is reissued")
    parser.add_argument(
        "--scanned",
        default="",
        metavar="TEXT",
        help="what the job label on the regulator says; it has to be its own",
    )
    parser.add_argument(
        "--paper",
        type=Path,
        metavar="PAPER.toml",
        help="letterhead and wording (default: the shop's paper.toml, if any)",
    )


def run(args: argparse.Namespace) -> int:
    """Issue and say what was made."""
    if args.copy_of is not None:
        return run_copy(args)
    if args.run_file is None:
        raise InputError("usage", why="Name a run.", help="proofstand certify -h")
    from proofstand.signoff.beside import Asked
    from proofstand.signoff.certificate import certificate_json
    from proofstand.signoff.issue import issue

    made = issue(
        args.run_file,
        args.out,
        by=args.by,
        key_folder=args.key,
        as_found=args.as_found,
        asked=Asked(
            as_found_run=args.as_found_run,
            replaces=args.replaces,
            why=args.why,
            scanned=args.scanned,
            paper=args.paper,
        ),
    )
    facts = made.certificate
    if args.json:
        document = {**certificate_json(facts), "file": str(made.path)}
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(f"{made.path}: {facts.title.said} {facts.number}, {facts.verdict.value}")
    print(f"  run {facts.run_id}, sha256 {facts.run_sha256}")
    print(f"  signed with the key of {facts.owner} ({facts.key_id[:16]})")
    if facts.simulated:
        print("  SIMULATED RIG, no regulator was tested")
    return 0


def run_copy(args: argparse.Namespace) -> int:
    """Make a copy of a certificate and say so."""
    if args.run_file is not None:
        why = "A copy is made of the certificate alone; leave the run out."
        raise InputError("usage", why=why, help="proofstand certify -h")
    from proofstand.signoff.copies import make_copy

    made = make_copy(args.copy_of, args.out, by=args.by, key_folder=args.key)
    if args.json:
        document = {"schema": "proofstand.copied/1", "number": made.number}
        print(json.dumps({**document, "file": str(made.path)}, ensure_ascii=False))
    else:
        print(f"{made.path}: a copy of {made.number}, marked COPY")
    return 0
