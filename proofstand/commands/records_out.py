"""``records export`` and ``records day``: what leaves the archive, and a day's page."""

from __future__ import annotations

import argparse
import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

from .archive_options import archive_options, home_of, opened
from .options import json_option, out_option

_ENDINGS = (".zip", ".json", ".csv")


def add(actions: Any, day: Any) -> None:
    """Add both.

    Args:
        actions: of the records command.
        day: reads a day.
    """
    export = actions.add_parser(
        "export",
        help="hand out a run: bundle (.zip), JSON (.json) or its trace (.csv)",
        description="Write what is kept of a run into one file, by the file's ending: "
        ".zip a bundle of run, judgements, certificates, notes, plan and public key, "
        "which verify checks on any computer; .json what is known of it without "
        "samples; .csv its trace as a logger's file, which import reads.",
    )
    export.add_argument("what", metavar="RUN|SERIAL|NUMBER")
    out_option(export, "file to make, ending in .zip, .json or .csv")
    export.add_argument(
        "--instrument", default="", metavar="ID", help=".csv: where there are several"
    )
    export.add_argument(
        "--part", type=int, default=0, metavar="N", help=".csv: where there are several"
    )
    export.add_argument(
        "--key",
        action="append",
        type=Path,
        metavar="PUBLIC.pem",
        help=".zip: public key to put in, if it signed the run (default: the shop's)",
    )
    archive_options(export)
    json_option(export)
    export.set_defaults(run=run_export)
    page = actions.add_parser(
        "day",
        help="the page at the end of a day",
        description="What came in, passed, failed and left on a day; retests, runs "
        "without certificate, old open jobs, how the rig moved, what is due soon.",
    )
    page.add_argument("--date", type=day, metavar="DAY", help="(default: today)")
    page.add_argument(
        "--simulated", action="store_true", help="count simulated rigs' runs instead"
    )
    archive_options(page)
    json_option(page)
    page.set_defaults(run=run_day)


def run_export(args: argparse.Namespace) -> int:
    """Write the file that its ending names."""
    from proofstand.keeping.bundle import write_bundle
    from proofstand.keeping.export import run_json, trace_csv
    from proofstand.keeping.keep import RUN_NAME, run_folder
    from proofstand.keeping.shown import rejected_runs, runs_named
    from records.archive.entry import JUDGEMENT
    from records.errors import InputError
    from records.runfile import check_place, read_sealed, write_once

    from .records import run_json as found_json

    ending = args.out.suffix.lower()
    if ending not in _ENDINGS:
        raise InputError(
            "value_wrong", key="--out", given=args.out.name, right=", ".join(_ENDINGS)
        )
    check_place(args.out, "file")
    where = home_of(args)
    archive = where.archive
    with opened(where) as index:
        runs = runs_named(index, args.what)
        if len(runs) > 1:
            right = "one run: " + ", ".join(run.run for run in runs[:10])
            raise InputError("value_wrong", key="RUN", given=args.what, right=right)
        (found,) = runs
        listed = index.entries(run=found.run)
        rejected = rejected_runs(index)
    if ending == ".zip":
        write_bundle(archive, found.run, listed, args.out, args.key or [])
    else:
        run = read_sealed(run_folder(archive, found.run) / RUN_NAME)
        if ending == ".csv":
            text = trace_csv(run, args.instrument, args.part)
        else:
            papers = [each for each in listed if each.kind == JUDGEMENT]
            judged = None
            if papers:
                judged = (archive.folder / papers[-1].path).read_bytes()
            document = run_json(run, found_json(found, rejected), judged)
            text = json.dumps(document, ensure_ascii=False, indent=1) + "\n"
        write_once(args.out, text.encode(), "file")
    if args.json:
        told = {"schema": "proofstand.exported/1", "file": str(args.out)}
        print(json.dumps({**told, "run": found.run}, ensure_ascii=False))
    else:
        print(f"{args.out}: run {found.run}")
    return 0


def run_day(args: argparse.Namespace) -> int:
    """Print a day's page."""
    from proofstand.keeping.day import day_json, day_page
    from proofstand.keeping.day_told import day_lines
    from proofstand.keeping.shown import rejected_runs

    from .records import run_json

    day: date = args.date or datetime.now().astimezone().date()
    where = home_of(args)
    with opened(where) as index:
        page = day_page(index, where.archive, day, simulated=args.simulated)
        rejected = rejected_runs(index)
    if args.json:
        document = day_json(page, [run_json(run, rejected) for run in page.runs])
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print("\n".join(day_lines(page, rejected, simulated=args.simulated)))
    return 0
