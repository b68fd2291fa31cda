"""``proofstand serve``: the simulated rig as a device on this computer."""

from __future__ import annotations

import argparse
from pathlib import Path

from .options import Subparsers, refuse_existing


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "serve",
        help="serve the simulated rig",
        description="Serve a simulated rig on this computer until interrupted: as a "
        "Modbus TCP device, or on a serial port as Modbus RTU or lines of text. Says "
        "where it answers.",
    )
    parser.add_argument(
        "sim", type=Path, metavar="SIM.toml", help="what to simulate (docs/sim-file.md)"
    )
    parser.add_argument(
        "--write-rig",
        type=Path,
        metavar="RIG.toml",
        help="write the rig file that reads it; must not exist",
    )
    parser.add_argument(
        "--while",
        dest="beside",
        type=Path,
        metavar="FILE",
        help="end when FILE is gone or was not touched for a minute",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until interrupted."""
    from proofstand.serving import (
        load_sim,
        open_rig,
        serve_until_stopped,
        served_rig_text,
        where_served,
    )
    from records.errors import InputError

    if args.write_rig is not None:
        refuse_existing(args.write_rig, "rig file")
    sim = load_sim(args.sim)
    with open_rig(sim) as served:
        print(
            f"simulated rig at {where_served(served)}, "
            f"{served.multiple:g} times real time; stop with Ctrl-C",
            flush=True,
        )
        if args.write_rig is not None:
            text = served_rig_text(served, shift_required=sim.shift_required)
            try:
                with args.write_rig.open("x", encoding="utf-8") as file:
                    file.write(text)
            except OSError as error:
                raise InputError(
                    "file_unwritable",
                    where=str(args.write_rig),
                    why=error.strerror or error,
                ) from None
            print(f"rig file: {args.write_rig}", flush=True)
        serve_until_stopped(served, args.beside)
    return 0
