"""``proofstand print``: job labels and tags on label stock."""

from __future__ import annotations

import argparse
import json
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import Subparsers, by_option, json_option, out_option

if TYPE_CHECKING:
    from proofstand.signoff.labels import Size, Standing
    from records.jobcard import JobCard
    from records.judgement import Judgement
    from records.plan import Plan
    from records.run import Run

STOCK = "100x50"
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
        default=STOCK,
        metavar="WxH",
        help=f"of the stock in mm, as 62x29 (default: {STOCK})",
    )
    json_option(parser)


def run_label(args: argparse.Namespace) -> int:
    """Print the labels of job cards."""
    from proofstand.signoff.labels import Size, job_label
    from records.errors import InputError

    size = Size.parse(args.size)
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
    from analysis.judge import judge
    from proofstand.approvals import plan_of
    from proofstand.signoff.labels import Size, State, state_for, tag
    from records.runfile import open_run

    size = Size.parse(args.size)
    run = open_run(args.run_file)
    plan = plan_of(run.header)
    judgement = judge(run, plan)
    card = run.header.job
    if args.job is not None:
        card = _of_this_regulator(_card(args.job), run)
    standing = _standing(args, run, plan, judgement, card)
    state = state_for(standing, State(args.state) if args.state else None)
    said = tag(
        run, plan, judgement, state, number=standing.number, card=card, by=args.by
    )
    return _write(args, [said], size, state.value)


def _of_this_regulator(card: JobCard, run: Run) -> JobCard:
    from records.errors import RefusedError

    job = run.header.job
    serial = job.regulator.serial
    if card.id != job.id or serial not in card.known_serials:
        given = f"{card.id}/{card.regulator.serial}"
        raise RefusedError("label_differs", given=given, card=job.id, known=serial)
    return card.of_serial(serial)


def _standing(
    args: argparse.Namespace,
    run: Run,
    plan: Plan,
    judgement: Judgement,
    card: JobCard,
) -> Standing:
    from proofstand.keeping.against import known_against_page, known_against_run
    from proofstand.signoff.certificate import Title, title_of
    from proofstand.signoff.labels import Standing
    from proofstand.signoff.verify import verify
    from proofstand.words.sentences import page
    from records.errors import InputError, IntegrityError, RefusedError
    from records.judgement import Verdict

    title = title_of(judgement, plan, as_found=plan.as_found)
    number = against = ""
    if args.certificate is not None:
        found = verify(args.certificate)
        if found.paper is None:
            where = str(args.certificate)
            raise InputError("file_not_ours", where=where, what="certificate")
        number = found.paper.number
        if found.run != run.id:
            raise RefusedError(
                "certificate_of_other_run",
                where=str(args.certificate),
                number=number,
                run=found.run,
                wanted=run.id,
            )
        if found.sha256 != run.sha256:
            where = str(args.run_file)
            raise IntegrityError(
                "certificate_of_another_run", where=where, number=number
            )
        if found.key != run.key_id:
            where = str(args.certificate)
            raise IntegrityError("signature_wrong", where=where, key=run.key_id[:16])
        against = ", ".join(
            n.says for n in known_against_page(args.archive)(args.certificate).notices
        )
        if found.paper.title != Title.CERTIFICATE.value:
            against = against or f"a {found.paper.title}"
    of_run = known_against_run(args.archive)(run)
    for notice in of_run.notices:
        other = page("tag_other_under_review", number=notice.certificate)
        against = against or other
    if of_run.rejected is not None:
        who = f"{of_run.rejected.by}, {of_run.rejected.day}"
        against = page("tag_rejected", by=who)
    return Standing(
        passes=title in (Title.CERTIFICATE, Title.TO_COUNTERSIGN),
        fails=judgement.verdict is Verdict.FAIL,
        number=number,
        against=against,
        ending=card.disposition[-1].ending if card.disposition else "",
    )


def _write(
    args: argparse.Namespace,
    labels: list[dict[str, Any]],
    size: Size,
    state: str = "",
) -> int:
    from proofstand.signoff.labels import set_labels
    from records.runfile import check_place, write_once

    check_place(args.out, "label")
    now = datetime.fromtimestamp(time.time_ns() // 10**9, tz=UTC)
    write_once(args.out, set_labels(labels, size, now), "label")
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
