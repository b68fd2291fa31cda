"""``proofstand print``: job labels and tags on label stock."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import Subparsers, by_option, json_option, out_option

if TYPE_CHECKING:
    from proofstand.signoff.labels import Size
    from records.jobcard import JobCard

STATES = ("serviceable", "hold", "rework", "scrap")


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "print",
        help="job labels and tags on label stock",
        description="Labels as PDF, one a page, for label stock of any size.",
    )
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True)
    label = kinds.add_parser(
        "label",
        help="the job label, at intake: from the job card, one for each serial",
        description="The label that is scanned before the first pressure and before "
        "the certificate.",
    )
    label.add_argument("card", nargs="+", type=Path, metavar="JOB.toml")
    label.add_argument("--serial", default="", help="of a batch, this one only")
    _stock(label)
    label.set_defaults(run=run_label)
    tag = kinds.add_parser(
        "tag",
        help="the tag of a tested regulator: serviceable, hold, rework or scrap",
        description="The tag says serviceable only where the run passes against "
        "accepted limits and its certificate is given; exit 6 where it may not.",
    )
    tag.add_argument("run_file", type=Path, metavar="RUN.h5")
    tag.add_argument("--certificate", type=Path, metavar="CERT.pdf", help="of this run")
    tag.add_argument("--state", choices=STATES, help="default: as run and card allow")
    tag.add_argument(
        "--job",
        type=Path,
        metavar="JOB.toml",
        help="the job card as it is now, for seal and ending (default: the run's)",
    )
    by_option(tag, "who tags it")
    tag.add_argument(
        "--archive",
        type=Path,
        metavar="DIR",
        help="archive that is asked what speaks against it (default: that of the "
        "settings, else the user's; for a simulated rig none)",
    )
    _stock(tag)
    tag.set_defaults(run=run_tag)


def _stock(parser: argparse.ArgumentParser) -> None:
    out_option(parser, "the labels to make")
    parser.add_argument(
        "--size",
        default="",
        metavar="WxH",
        help="of the stock in mm, as 62x29 (default: 100x50)",
    )
    json_option(parser)


def run_label(args: argparse.Namespace) -> int:
    """Print the labels of job cards."""
    from proofstand.signoff.labels import Size, job_label
    from proofstand.tagging import STOCK
    from records.errors import InputError

    size = Size.parse(args.size or STOCK)
    labels = []
    for path in args.card:
        card = _card(path)
        serials = card.known_serials
        if args.serial:
            serials = tuple(s for s in serials if s == args.serial)
        labels += [job_label(card.of_serial(serial), serial) for serial in serials]
    if not labels:
        known = ", ".join(s for path in args.card for s in _card(path).known_serials)
        raise InputError(
            "value_wrong", key="--serial", given=args.serial, right=f"one of: {known}"
        )
    return _write(args, labels, size)


def _card(path: Path) -> JobCard:
    """Return the card in a file of its own, or the one that a run carries."""
    from proofstand.ready import job_at
    from records.runfile import open_run

    if path.suffix.lower() in (".h5", ".journal"):
        return open_run(path).header.job
    return job_at(str(path))


def run_tag(args: argparse.Namespace) -> int:
    """Print the tag of a tested regulator."""
    from proofstand.signoff.labels import Size, State
    from proofstand.tagging import STOCK, tag_of

    size = Size.parse(args.size or STOCK)
    said, state = tag_of(
        args.run_file,
        certificate=args.certificate,
        wanted=State(args.state) if args.state else None,
        card=None if args.job is None else _card(args.job),
        by=args.by,
        archive=args.archive,
    )
    return _write(args, [said], size, state.value)


def _write(
    args: argparse.Namespace,
    labels: list[dict[str, Any]],
    size: Size,
    state: str = "",
) -> int:
    from proofstand.tagging import write_labels

    write_labels(args.out, labels, size)
    if args.json:
        document = {
            "schema": "proofstand.printed/1",
            "kind": args.kind,
            "file": str(args.out),
            "labels": len(labels),
            "state": state or None,
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    several = "" if len(labels) == 1 else f", {len(labels)} of them"
    said = f": {state}" if state else ""
    print(
        f"{args.out}: {args.kind}{several}{said}, {size.width:g} x {size.height:g} mm"
    )
    return 0
