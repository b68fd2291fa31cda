"""``proofstand certify``: the page of a run, signed."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from records.errors import InputError

from .options import Subparsers, by_option, json_option, out_option, say_not_kept
from .pins import asker, pin_option


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
        "--of",
        default="",
        metavar="SERIAL",
        help="the regulator that the page is of, where two were tested as a pair",
    )
    parser.add_argument(
        "--as-found",
        action="store_true",
        help="the regulator was tested as received: a condition report",
    )
    either = parser.add_mutually_exclusive_group()
    either.add_argument(
        "--archive",
        type=Path,
        metavar="DIR",
        help="archive that keeps run and page (default: that of the settings, else the "
        "user's; for a simulated rig none)",
    )
    either.add_argument(
        "--no-archive", action="store_true", help="keep it in no archive"
    )
    parser.add_argument(
        "--plan",
        default="",
        metavar="PLAN",
        help="judge by this other version of the run's plan",
    )
    parser.add_argument(
        "--concession",
        action="append",
        default=[],
        type=Path,
        metavar="FILE",
        help="a failed finding that was accepted (records concede)",
    )
    parser.add_argument(
        "--confirmation",
        type=Path,
        metavar="FILE",
        help="a second person's, where a fail became a pass (records confirm)",
    )
    pin_option(parser)
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
    from proofstand.keeping.against import known_against_run
    from proofstand.keeping.issuing import earlier_tests, keeper, last_page
    from proofstand.keeping.made import keep_notice
    from proofstand.signoff.beside import Asked
    from proofstand.signoff.certificate import certificate_json
    from proofstand.signoff.issue import issue

    places: list[Path] = []
    keep = None
    if not args.no_archive:
        keep = keeper(
            args.run_file,
            by=args.by,
            key_folder=args.key,
            archive=args.archive,
            plan_name=args.plan,
            as_found_run=args.as_found_run,
            told=places.append,
        )
    made = issue(
        args.run_file,
        args.out,
        by=args.by,
        key_folder=args.key,
        as_found=args.as_found,
        of=args.of,
        keep=keep,
        earlier=earlier_tests(args.archive),
        last=last_page(args.archive),
        against=known_against_run(args.archive),
        plan_name=args.plan,
        concessions=args.concession,
        confirmation=args.confirmation,
        ask=asker(args),
        asked=Asked(
            as_found_run=args.as_found_run,
            replaces=args.replaces,
            why=args.why,
            scanned=args.scanned,
            paper=args.paper,
        ),
    )
    facts = made.certificate
    if made.notice is not None and (args.archive or not facts.simulated):
        key = args.key if facts.simulated else None
        say_not_kept(
            keep_notice(made.notice, by=args.by, archive=args.archive, key_folder=key)
        )
    if args.json:
        document = {
            **certificate_json(facts),
            "file": str(made.path),
            "kept": str(places[-1]) if places else None,
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(f"{made.path}: {facts.title.said} {facts.number}, {facts.verdict.value}")
    print(f"  run {facts.run_id}, sha256 {facts.run_sha256}")
    print(f"  signed with the key of {facts.owner} ({facts.key_id[:16]})")
    if facts.countersign:
        print("  no certificate yet: proofstand records countersign makes it one")
    if facts.simulated:
        print("  SIMULATED RIG, no regulator was tested")
    print(f"  kept: {places[-1]}" if places else "  kept in no archive")
    return 0


def run_copy(args: argparse.Namespace) -> int:
    """Make a copy of a certificate and say so."""
    if args.run_file is not None:
        why = "A copy is made of the certificate alone; leave the run out."
        raise InputError("usage", why=why, help="proofstand certify -h")
    from proofstand.keeping.against import known_against_page
    from proofstand.signoff.copies import make_copy

    made = make_copy(
        args.copy_of,
        args.out,
        by=args.by,
        ask=asker(args),
        key_folder=args.key,
        against=known_against_page(args.archive),
    )
    if args.json:
        document = {"schema": "proofstand.copied/1", "number": made.number}
        print(json.dumps({**document, "file": str(made.path)}, ensure_ascii=False))
    else:
        print(f"{made.path}: a copy of {made.number}, marked COPY")
    return 0
