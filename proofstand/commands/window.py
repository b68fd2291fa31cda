"""``proofstand window``: the desks, for people at the bench.

The window itself lives in a room above this one and is found by name among the
installed entry points; without it everything else still works.
"""

from __future__ import annotations

import argparse
import gc
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from .archive_options import archive_options
from .options import Subparsers, by_option, label_option

GROUP, NAME = "proofstand.windows", "desk"
DESKS = ("bench", "records", "practice")


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowOptions:
    """What the window is opened with.

    Attributes:
        rig, plan, job, out, by, label: fill the start sheet.
        key: folder of the sealing key.
        hands: ``simulated`` begins the test by itself, on a simulated rig.
        simulated: begin a whole simulated test by itself. folder: where it goes.
        run: a recorded run to look at.
        archive, index: what the Records desk looks into; None and "" take the shop's.
        light, dark: the look; neither follows the system.
    """

    desk: str = "bench"
    rig: str = ""
    plan: str = ""
    job: str = ""
    out: str = ""
    by: str = ""
    label: str = ""
    key: Path | None = None
    hands: str | None = None
    simulated: bool = False
    folder: Path | None = None
    run: Path | None = None
    archive: Path | None = None
    index: str = ""
    light: bool = False
    dark: bool = False


OpenWindow = Callable[[WindowOptions], int]


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "window",
        help="open the desks: Bench, Records and Practice",
        description="Open the window, at the Bench desk unless --desk names another. "
        "With --rig, --job and --out the start sheet is filled in; with --hands "
        "simulated too, or with --simulated, the test begins by itself. With RUN.h5 a "
        "recorded run is shown. Exit 0 when the window was closed, 2 without a "
        "display.",
    )
    parser.add_argument("run_file", nargs="?", type=Path, metavar="RUN.h5")
    parser.add_argument("--desk", choices=DESKS, default="bench", help="which desk")
    parser.add_argument("--rig", default="", metavar="RIG.toml")
    parser.add_argument("--plan", default="", metavar="PLAN")
    parser.add_argument("--job", default="", metavar="JOB.toml")
    parser.add_argument(
        "--out",
        default="",
        metavar="PATH",
        help="the run file to make; with --simulated the folder to make",
    )
    by_option(parser, "who does the test")
    label_option(parser)
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that seals the run",
    )
    parser.add_argument("--hands", choices=["simulated"], help="as with record")
    parser.add_argument(
        "--simulated",
        action="store_true",
        help="begin a whole simulated test in a shop of its own",
    )
    archive_options(parser)
    look = parser.add_mutually_exclusive_group()
    look.add_argument("--light", action="store_true", help="dark on light")
    look.add_argument("--dark", action="store_true", help="light on dark")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check what was given, open the window, wait until it is closed."""
    options = WindowOptions(
        desk=args.desk,
        rig=args.rig,
        plan=args.plan,
        job=args.job,
        out="" if args.simulated else args.out,
        by=args.by,
        label=args.label,
        key=args.key,
        hands=args.hands,
        simulated=args.simulated,
        folder=Path(args.out) if args.simulated and args.out else None,
        run=args.run_file,
        archive=args.archive,
        index=args.index,
        light=args.light,
        dark=args.dark,
    )
    check(options)
    return opener()(options)


def check(options: WindowOptions) -> None:
    """Refuse what can't begin by itself, before a window stands there empty.

    Raises:
        ProofstandError: as ``record`` would.
    """
    from records.errors import InputError

    if options.run is not None and not options.run.is_file():
        raise InputError("file_missing", where=str(options.run), what="run file")
    if options.simulated:
        from proofstand.demo_order import free_folder

        free_folder(options.folder)
    elif options.hands is not None:
        from proofstand.ready import (
            check_out,
            check_plan_for,
            check_rig_for,
            job_at,
            notes_on,
            plan_called,
            refuse_stops,
            rig_at,
        )
        from records.planfile import DEFAULT_PLAN

        needed = (
            ("--rig", options.rig),
            ("--job", options.job),
            ("--out", options.out),
        )
        for option, given in needed:
            if not given:
                raise InputError("key_missing", key=option)
        job, rig = job_at(options.job), rig_at(options.rig)
        plan = plan_called(options.plan or DEFAULT_PLAN)
        notes = notes_on(job, plan, rig, by=options.by, label=options.label)
        refuse_stops(notes, options.job)
        check_rig_for(check_plan_for(plan, job), rig)
        check_out(Path(options.out))


def opener() -> OpenWindow:
    """Return the function that opens the window.

    Raises:
        InputError: ``window_missing``: it is not installed, or what it is made of
            can't be loaded.
    """
    from importlib.metadata import entry_points

    from records.errors import InputError

    gc.disable()  # nothing that is loaded is garbage; looking for some takes time
    try:
        for point in entry_points(group=GROUP):
            if point.name == NAME:
                return cast(OpenWindow, point.load())
    except ImportError as error:
        raise InputError("window_missing", why=error) from error
    finally:
        gc.enable()
    raise InputError("window_missing", why="no window is installed")
