"""``proofstand notice``: what has to be said of a certificate after it was issued."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .options import Subparsers, by_option, json_option, say_not_kept
from .pins import asker, pin_option

SAYS = ("under review", "review ended")


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "notice",
        help="put a certificate under review, or end that",
        description="Write a signed notice beside a certificate; verify shows it. The "
        "certificate itself is never written again.",
    )
    parser.add_argument("certificate", type=Path, metavar="CERT.pdf")
    parser.add_argument("--says", required=True, choices=SAYS, help="what it says")
    parser.add_argument("--why", required=True, metavar="TEXT", help="why")
    by_option(parser, "who says so")
    pin_option(parser)
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that signed the certificate (default: the shop's)",
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the notice and say where it lies."""
    from proofstand.keeping.made import keep_notice
    from proofstand.signoff.notices import Says, put_notice, read_notice

    says = Says(args.says)
    out = put_notice(
        args.certificate,
        says,
        args.why,
        by=args.by,
        ask=asker(args),
        key_folder=args.key,
    )
    notice = read_notice(out)
    say_not_kept(keep_notice(out, by=args.by))
    if args.json:
        document = {"schema": "proofstand.noticed/1", "file": str(out)}
        print(json.dumps({**document, "number": notice.certificate}))
    else:
        print(f"{out}: {notice.certificate} is {says.value}: {notice.why}")
    return 0
