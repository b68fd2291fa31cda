"""``proofstand verify``: is a record as it was written."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import Subparsers, json_option

if TYPE_CHECKING:
    from proofstand.signoff.notices import Notice
    from proofstand.signoff.verify import Paper, Verified


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "verify",
        help="check that records and certificates are as they were written",
        description="Check every byte of run files, journals and certificates; a "
        "certificate and its run given together are compared too. Exit 0 when all are "
        "whole, 5 when one was changed or cut short, 2 when one is not ours.",
    )
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument(
        "--key",
        type=Path,
        metavar="PUBLIC.pem",
        help="public key that should have signed, or the folder it lies in",
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Verify and print; return the worst exit code."""
    from proofstand.report import combined_exit, trouble_json
    from proofstand.signoff.notices import notices_of
    from proofstand.signoff.verify import belongs, verify
    from proofstand.words.sentences import trouble
    from records.errors import ProofstandError

    from .main import tell

    codes: list[int] = []
    found: list[Verified | dict[str, Any]] = []
    notices: dict[Path, tuple[Notice, ...]] = {}

    def fail(error: ProofstandError, path: str) -> None:
        told = trouble(error)
        codes.append(told.exit_code)
        found.append({"file": path, "fits": False, **trouble_json(told)})
        if not args.json:
            tell(error, False)

    for path in args.files:
        try:
            one = verify(path, args.key)
            found.append(one)
            notices[path] = () if one.paper is None else notices_of(path)
        except ProofstandError as error:
            fail(error, str(path))
    whole = [each for each in found if not isinstance(each, dict)]
    pairs: dict[Path, Path] = {}
    try:
        pairs = belongs(whole)
    except ProofstandError as error:
        fail(error, error.where)
    if args.json:
        documents = [
            each
            if isinstance(each, dict)
            else _document(each, pairs, notices.get(each.path, ()))
            for each in found
        ]
        document = {"schema": "proofstand.verified/1", "files": documents}
        print(json.dumps(document, ensure_ascii=False))
    else:
        for each in whole:
            print("\n".join(lines(each, pairs, notices.get(each.path, ()))))
    return combined_exit(codes)


def _document(
    found: Verified, pairs: dict[Path, Path], notices: tuple[Notice, ...]
) -> dict[str, Any]:
    document: dict[str, Any] = {
        "file": str(found.path),
        "fits": True,
        "what": found.what,
        "run": found.run,
        "state": found.state or None,
        "sha256": found.sha256,
        "bytes": found.bytes,
        "torn_bytes": found.torn_bytes,
        "key": found.key or None,
        "signature": found.signature,
        "simulated": found.simulated,
    }
    if found.paper is not None:
        run = pairs.get(found.path)
        document["certificate"] = {
            "number": found.paper.number,
            "title": found.paper.title,
            "verdict": found.paper.verdict,
            "issued": found.paper.issued,
            "by": found.paper.by,
            "signed_by": found.paper.owner,
            "belongs_to": None if run is None else str(run),
            "copy_of": found.paper.copy_of or None,
            "replaces": found.paper.replaces or None,
            "notices": [asdict(notice) for notice in notices],
        }
    return document


def lines(
    found: Verified, pairs: dict[Path, Path], notices: tuple[Notice, ...] = ()
) -> list[str]:
    """Return what is told of a record that is whole."""
    from proofstand.display import plain

    if found.paper is not None:
        return _paper_lines(found, found.paper, pairs) + _notice_lines(notices)
    seal = "the seal fits" if found.what == "run file" else "every record is whole"
    if found.torn_bytes:
        seal += f" but for {found.torn_bytes} bytes at the end"
    said = [
        f"{found.path}: {seal}. {found.what}, {found.state}, run {plain(found.run)}",
        f"  sha256 {found.sha256} over {found.bytes} bytes",
    ]
    if found.what == "run file":
        key = f" (key {found.key[:16]})" if found.key else ""
        said.append(f"  {found.signature_said}{key}")
    return said + _simulated(found)


def _paper_lines(found: Verified, paper: Paper, pairs: dict[Path, Path]) -> list[str]:
    from proofstand.display import plain

    said = [
        f"{found.path}: every byte is as it was signed. "
        f"{plain(paper.title)} {plain(paper.number)}, {plain(paper.verdict)}",
        f"  signed with the key of {plain(paper.owner)}, issued {plain(paper.issued)}"
        + (f" by {plain(paper.by)}" if paper.by else ""),
        f"  {found.signature_said} (key {found.key[:16]})",
        f"  of run {plain(found.run)}",
        f"  sha256 {found.sha256}",
    ]
    if paper.copy_of:
        said.insert(1, f"  a COPY; the certificate has sha256 {paper.copy_of}")
    if paper.replaces:
        said.append(f"  replaces {plain(paper.replaces)}")
    run = pairs.get(found.path)
    said.append(
        f"  belongs to {run}"
        if run is not None
        else "  give its run file too to see that it belongs to it"
    )
    return said + _simulated(found)


def _notice_lines(notices: tuple[Notice, ...]) -> list[str]:
    from proofstand.display import plain

    said = []
    for notice in notices:
        new = f" by {plain(notice.replaced_by)}" if notice.replaced_by else ""
        who = f", {plain(notice.by)}" if notice.by else ""
        said.append(
            f"  {notice.says.upper()}{new} since {notice.made}: "
            f"{plain(notice.why)} ({plain(notice.owner)}{who})"
        )
    return said


def _simulated(found: Verified) -> list[str]:
    return ["  SIMULATED RIG, no regulator was tested"] if found.simulated else []
