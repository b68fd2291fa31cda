"""``proofstand verify``: is a record as it was written."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .options import Subparsers, json_option


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "verify",
        help="check that records are as they were written",
        description="Check every byte of run files and journals. Exit 0 when all are "
        "whole, 5 when one was changed or cut short, 2 when one is not ours.",
    )
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument(
        "--key",
        type=Path,
        metavar="PUBLIC.pem",
        help="public key that should have signed",
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Verify and print; return the worst exit code."""
    from proofstand.report import combined_exit, trouble_json
    from proofstand.signoff.verify import verify
    from proofstand.words.sentences import trouble
    from records.errors import ProofstandError

    from .main import tell

    codes: list[int] = []
    documents = []
    for path in args.files:
        try:
            found = verify(path, args.key)
        except ProofstandError as error:
            if args.json:
                told = trouble(error)
                documents.append(
                    {"file": str(path), "fits": False, **trouble_json(told)}
                )
                codes.append(told.exit_code)
            else:
                codes.append(tell(error, False))
            continue
        codes.append(0)
        if args.json:
            documents.append(
                {
                    "file": str(path),
                    "fits": True,
                    "what": found.what,
                    "run": found.run,
                    "state": found.state,
                    "sha256": found.sha256,
                    "bytes": found.bytes,
                    "torn_bytes": found.torn_bytes,
                    "key": found.key or None,
                    "signature": found.signature,
                    "simulated": found.simulated,
                }
            )
            continue
        seal = "the seal fits" if found.what == "run file" else "every record is whole"
        if found.torn_bytes:
            seal += f" but for {found.torn_bytes} bytes at the end"
        print(f"{path}: {seal}. {found.what}, {found.state}, run {found.run}")
        print(f"  sha256 {found.sha256} over {found.bytes} bytes")
        if found.what == "run file":
            key = f" (key {found.key[:16]})" if found.key else ""
            print(f"  {found.signature_said}{key}")
        if found.simulated:
            print("  SIMULATED RIG, no regulator was tested")
    if args.json:
        print(
            json.dumps(
                {"schema": "proofstand.verified/1", "files": documents},
                ensure_ascii=False,
            )
        )
    return combined_exit(codes)
