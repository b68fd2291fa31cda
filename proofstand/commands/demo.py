"""``proofstand demo``: a whole test on the simulated rig."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from .options import Subparsers


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "demo",
        help="a whole test on the simulated rig",
        description="Run a whole test of a healthy simulated regulator over a Modbus "
        "TCP socket, in an invented shop, into a folder of its own.",
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        help="folder to make (default proofstand-demo, or the next free number)",
    )
    parser.add_argument(
        "--window",
        action="store_true",
        help="open the Bench desk on the recorded run when it is over",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run, print findings and times; exit as judge would."""
    from proofstand.demo import ARCHIVE, TIME_MULTIPLE, run_demo
    from proofstand.demo_order import free_folder
    from proofstand.signoff.verify import belongs, verify
    from proofstand.words.sentences import caution
    from records.errors import ProofstandError

    from .judged import print_judged
    from .prompter import Prompter

    folder = free_folder(args.out)
    print("SIMULATED RIG, no regulator is tested. The gas is computed;", flush=True)
    print(f"everything else is real. Rig time runs {TIME_MULTIPLE:g} times as fast.")
    print(caution("general"), flush=True)
    sys.stdout.flush()
    prompter = Prompter(quiet=False, ask=False)
    made = run_demo(folder, prompter.tell)
    print()
    code = print_judged(made.run, as_json=False)
    key = folder / "key"
    run, paper = verify(made.run, key), verify(made.certificate, key)
    pairs = belongs([run, paper])
    print()
    print(f"Run file: {made.run}: the seal fits, {run.signature_said}")
    fits = " and belongs to that run" if made.certificate in pairs else ""
    print(
        f"Certificate {made.number}: {made.certificate}: {paper.signature_said}{fits}"
    )
    print(
        f"Rig time {made.recorded.rig_seconds:.0f} s, of which connected to "
        f"disconnected {made.recorded.connected_seconds:.0f} s; "
        f"wall time {made.wall_seconds:.1f} s"
    )
    print(f"Look again: proofstand judge {made.run}")
    print(f"Check both: proofstand verify {made.certificate} {made.run} --key {key}")
    print(f"What is kept: proofstand records find --archive {folder / ARCHIVE}")
    if args.window:
        from .main import tell
        from .window import WindowOptions, opener

        print("The Bench desk opens; close it to come back here.", flush=True)
        try:
            opener()(WindowOptions(run=made.run))
        except ProofstandError as error:  # the test itself is done, whatever this is
            tell(error, False)
    return code
