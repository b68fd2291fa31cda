"""``proofstand job``: check, show and begin job cards."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import Subparsers, by_option, json_option, label_option, people_option

if TYPE_CHECKING:
    from proofstand.bench.cardcheck import CardNote
    from records.errors import ProofstandError
    from records.jobcard import JobCard
    from records.plan import Plan
    from records.rig import Rig


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "job",
        help="check, show and begin job cards",
        description="Job cards: what is known of a regulator, what was done to it, "
        "and the rules that look at it before a test.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    check = actions.add_parser(
        "check",
        help="look at a card by the rules",
        description="Look at a card by the rules that stop a test or warn. Exit 0 "
        "when nothing stops it, 6 when something does, 2 when a file can't be used or "
        "does not fit.",
    )
    check.add_argument("card", type=Path, metavar="CARD.toml")
    check.add_argument("--plan", default="", metavar="PLAN", help="for this plan")
    check.add_argument("--rig", type=Path, metavar="RIG.toml", help="on this rig")
    check.add_argument(
        "--station", default="", metavar="S", help="where the rig has several"
    )
    by_option(check, "who does the test (default: the card's technician)")
    label_option(check)
    people_option(check)
    json_option(check)
    check.set_defaults(run=run_check)
    new = actions.add_parser(
        "new", help="write a filled-in example card with comments, its data invented"
    )
    new.add_argument(
        "--out",
        required=True,
        type=Path,
        metavar="CARD.toml",
        help="the card to make; must not exist",
    )
    new.set_defaults(run=run_new)
    show = actions.add_parser("show", help="a card as a page to read")
    show.add_argument("card", type=Path, metavar="CARD.toml")
    json_option(show)
    show.set_defaults(run=run_show)


def run_check(args: argparse.Namespace) -> int:
    """Look at a card by the rules."""
    from proofstand.ready import job_at, plan_called, rig_at
    from records.errors import EXIT_DONE, EXIT_REFUSED, InputError

    job = job_at(str(args.card))
    plan = plan_called(args.plan) if args.plan else None
    rig = None
    if args.rig is not None:
        try:
            rig = rig_at(str(args.rig)).for_station(args.station)
        except InputError as error:
            raise error if error.where else error.at(str(args.rig)) from None
    checked = _checked(args, job, plan, rig)
    stops = sum(note.stops for notes in checked.values() for note in notes)
    unfit = None if stops else _unfit(job, plan, rig)
    if args.json and unfit is not None:
        raise unfit
    if args.json:
        print(json.dumps(_document(args, job, plan, rig, checked), ensure_ascii=False))
    else:
        for serial, notes in checked.items():
            several = f", serial {serial}" if len(checked) > 1 else ""
            print(f"{args.card}: job {job.id}{several}: {_counted(notes)}.")
            for line in note_lines(notes):
                print(f"  {line}")
    if unfit is not None:
        raise unfit
    return EXIT_REFUSED if stops else EXIT_DONE


def _unfit(job: JobCard, plan: Plan | None, rig: Rig | None) -> ProofstandError | None:
    """Return why this plan can't be led for the card, or on the rig; else None."""
    from proofstand.ready import check_plan_for, check_rig_for
    from records.errors import ProofstandError

    if plan is None:
        return None
    try:
        plan = check_plan_for(plan, job)
        if rig is not None:
            check_rig_for(plan, rig)
    except ProofstandError as error:
        return error
    return None


def _checked(
    args: argparse.Namespace, job: JobCard, plan: Plan | None, rig: Rig | None
) -> dict[str, tuple[CardNote, ...]]:
    """Return the notes of each regulator: the one scanned, or all on the card."""
    from proofstand.ready import notes_on

    scanned = job.serial_of(args.label) or job.regulator.serial
    labels = {scanned: args.label}
    if not args.label and job.serials:
        labels = {serial: serial for serial in job.serials}
    return {
        serial: notes_on(job, plan, rig, by=args.by, label=label, people=args.people)
        for serial, label in labels.items()
    }


def _counted(notes: Iterable[CardNote]) -> str:
    kinds = [note.stops for note in notes]
    stops, warnings = sum(kinds), len(kinds) - sum(kinds)
    if not kinds:
        return "nothing against it; what the card leaves open is not thereby good"
    return (
        f"{stops} stop{'' if stops == 1 else 's'}, "
        f"{warnings} warning{'' if warnings == 1 else 's'}"
    )


def note_lines(notes: Iterable[CardNote]) -> list[str]:
    """Return notes as lines for a person."""
    from proofstand.display import plain
    from proofstand.ready import note_words

    lines = []
    for note in notes:
        what, do = note_words(note)
        where = f"{note.where}: " if note.where else ""
        grade = "STOP" if note.stops else "warning"
        lines.append(plain(f"{grade} {where}{what}") + f" {plain(do)} ({note.id})")
    return lines


def _document(
    args: argparse.Namespace,
    job: JobCard,
    plan: Plan | None,
    rig: Rig | None,
    checked: dict[str, tuple[CardNote, ...]],
) -> dict[str, Any]:
    from proofstand.ready import note_words

    rows = []
    for serial, notes in checked.items():
        told = []
        for note in notes:
            what, do = note_words(note)
            told.append(
                {
                    "id": note.id,
                    "grade": note.grade,
                    "where": note.where,
                    "what": what,
                    "do": do,
                }
            )
        rows.append(
            {
                "serial": serial,
                "stopped": any(note.stops for note in notes),
                "notes": told,
            }
        )
    return {
        "schema": "proofstand.job-checked/1",
        "file": str(args.card),
        "job": job.id,
        "plan": plan.id if plan is not None else None,
        "rig": rig.id if rig is not None else None,
        "regulators": rows,
    }


def run_new(args: argparse.Namespace) -> int:
    """Write an example card."""
    from records.jobfile import example_text, write_text

    write_text(args.out, example_text())
    print(f"{args.out}: an example card, its data invented. Fill in your own.")
    return 0


def run_show(args: argparse.Namespace) -> int:
    """Print a card as a page."""
    from proofstand.ready import job_at

    job = job_at(str(args.card))
    if args.json:
        from records.tomlfile import to_jsonable

        document = {"schema": "proofstand.job-shown/1", "job": to_jsonable(job)}
        print(json.dumps(document, ensure_ascii=False))
        return 0
    from proofstand.cardpage import card_page

    print(card_page(job))
    return 0
