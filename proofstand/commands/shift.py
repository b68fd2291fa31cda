"""``proofstand rig shift``: the check at the start of a shift, and what ends it."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import EndAsked, Subparsers, by_option, json_option, say_not_kept

if TYPE_CHECKING:
    from proofstand.procedure.engine import Command
    from proofstand.ready import ShiftState
    from records.rig import Rig
    from records.shift import ShiftPart, ShiftRecord


def add(actions: Subparsers) -> None:
    """Add the action."""
    parser = actions.add_parser(
        "shift",
        help="lead the check at the start of a shift",
        description="Rig check, zero, rig-hold at the highest test pressures of the "
        "plans, and one check standard. Each is a sealed run of its own; the record "
        "that names them is kept for good, and no regulator is tested on a real rig "
        "without one that passed. Exit 0 when it passed, 10 when not. With --changed "
        "nothing is led: it is kept that something on the rig was changed, which ends "
        "the check. With --show nothing is led either: how the rig stands, and what "
        "its check standard gave so far; exit 6 when a test would be refused.",
    )
    parser.add_argument("--rig", type=Path, required=True, metavar="RIG.toml")
    parser.add_argument(
        "--station", default="", metavar="S", help="where the rig has several"
    )
    parser.add_argument(
        "--plan",
        action="append",
        default=[],
        metavar="PLAN",
        help="a plan that will be tested by; may be given several times",
    )
    parser.add_argument(
        "--family",
        default="",
        metavar="F",
        help="of the regulators, for the plan where none is given (second-stage)",
    )
    parser.add_argument(
        "--hands",
        choices=["simulated"],
        help="let the simulated hands work a simulated rig's valves",
    )
    by_option(parser, "who does the check")
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that seals the runs (default: the shop's; none for a "
        "simulated rig)",
    )
    parser.add_argument(
        "--seconds", type=float, default=3.0, metavar="S", help="of the rig check"
    )
    either = parser.add_mutually_exclusive_group()
    either.add_argument(
        "--changed", metavar="WHAT", help="say that this was changed on the rig"
    )
    either.add_argument(
        "--show", action="store_true", help="show how the rig stands, lead nothing"
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Lead the check, or keep a change, or show how the rig stands."""
    from records.errors import InputError

    if not 0.2 <= args.seconds <= 600.0:
        raise InputError(
            "value_wrong", key="--seconds", given=args.seconds, right="0.2 to 600"
        )
    if args.changed is not None:
        return _changed(args)
    return _show(args) if args.show else _lead(args)


def _lead(args: argparse.Namespace) -> int:
    from proofstand.start_of_shift import check_shift
    from proofstand.words.sentences import caution
    from records.errors import EXIT_DONE, EXIT_FAIL

    from .prompter import Prompter

    end = EndAsked()

    def commands() -> Iterable[Command]:
        end.look()
        return prompter.commands()

    prompter = Prompter(quiet=args.json, ask=args.hands is None)

    def say(part: ShiftPart) -> None:
        if not args.json:
            print(_part_line(part), file=sys.stderr, flush=True)

    if not args.json:
        for id in ("general", "hose_bursts", "local_codes"):
            print(caution(id), file=sys.stderr)
    try:
        checked = check_shift(
            rig_path=args.rig,
            station=args.station,
            plans=args.plan,
            family=args.family,
            by=args.by,
            hands=args.hands,
            key_folder=args.key,
            seconds=args.seconds,
            tell=prompter.tell,
            say=say,
            commands=commands,
        )
    finally:
        prompter.close()
    say_not_kept(checked.not_kept)
    if args.json:
        document = {
            "schema": "proofstand.shift-checked/1",
            "folder": str(checked.folder),
            **_as_json(checked.record),
        }
        print(json.dumps(document, ensure_ascii=False))
    else:
        for line in _record_lines(checked.record):
            print(line)
        print(f"kept in {checked.folder}")
    return EXIT_DONE if checked.record.passed else EXIT_FAIL


def _changed(args: argparse.Namespace) -> int:
    from proofstand.bench.shift import clock_words
    from proofstand.keeping.made import keep_shop
    from proofstand.shifts import declare_change
    from records.errors import EXIT_DONE
    from rig.rigfile import load_rig

    rig = load_rig(args.rig)
    now = time.time_ns()
    path = declare_change(rig.id, args.changed, args.by, now, clock_words(now))
    if not rig.simulated:
        say_not_kept(keep_shop([(path, ".toml")], by=args.by))
    if args.json:
        document = {"schema": "proofstand.rig-changed/1", "rig": rig.id}
        document |= {"what": args.changed, "by": args.by, "file": str(path)}
        print(json.dumps(document, ensure_ascii=False))
    else:
        print(f"{path}: kept. The rig's start-of-shift check is over.")
    return EXIT_DONE


def _show(args: argparse.Namespace) -> int:
    from proofstand.ready import plan_called, rig_at, shift_state
    from proofstand.report import trouble_json
    from proofstand.shifts import checks
    from proofstand.words.sentences import trouble
    from records.errors import EXIT_DONE

    rig = rig_at(str(args.rig)).for_station(args.station)
    plan = plan_called(args.plan[0]) if args.plan else None
    state = shift_state(
        rig,
        plan,
        rig_path=str(args.rig),
        plan_name=args.plan[0] if args.plan else "",
        now_ns=time.time_ns(),
    )
    all_checks = checks(rig.id, rig.stations[0].id)
    told = None if state.refused is None else trouble(state.refused)
    if args.json:
        document = {
            "schema": "proofstand.shift-shown/1",
            "rig": rig.id,
            "station": rig.stations[0].id,
            "wanted": state.wanted,
            "valid": state.relied is not None,
            "refused": None if told is None else trouble_json(told),
            "latest": None if state.record is None else _as_json(state.record),
            "standard": [
                {"when": record.when, "by": record.by, **_as_json(record.standard)}
                for record in all_checks
                if record.standard is not None
            ],
        }
        print(json.dumps(document, ensure_ascii=False))
    else:
        for line in _state_lines(state, rig, all_checks):
            print(line)
    if state.wanted and state.refused is not None:
        return state.refused.exit_code
    return EXIT_DONE


def _state_lines(
    state: ShiftState, rig: Rig, all_checks: Iterable[ShiftRecord]
) -> list[str]:
    from proofstand.bench.shift import clock_words
    from proofstand.words.sentences import trouble

    lines = []
    if state.record is not None:
        lines += _record_lines(state.record)
    if state.relied is not None and state.record is not None:
        lines.append(f"It holds until {clock_words(state.record.until_ns)}.")
    if state.refused is not None:
        told = trouble(state.refused)
        lines.append(f"{told.what} {told.do}")
    if not state.wanted:
        lines.append(f"{rig.id} is a simulated rig: it wants no start-of-shift check.")
    standards = [r for r in all_checks if r.standard is not None]
    if standards:
        lines += ["", "What the check standard gave so far:"]
        lines += [f"  {record.when}  {_standard_line(record)}" for record in standards]
    return lines


def _record_lines(record: ShiftRecord) -> list[str]:
    from proofstand.bench.shift import short

    how = "passed" if record.passed else "NOT passed"
    lines = [
        f"Start of shift, rig {record.rig}, station {record.station}: {how}, "
        f"{record.when}, by {record.by}"
    ]
    lines += [_part_line(part) for part in record.parts]
    leak = record.rig_leak
    if leak is not None:
        lines.append(
            f"  rig leak {short(leak.value)}, upper end "
            f"{short(leak.upper)}, at inlet {leak.inlet.typed}, outlet "
            f"{leak.outlet.typed}"
        )
    if record.standard is not None:
        lines.append(f"  {_standard_line(record)}")
    return lines


def _standard_line(record: ShiftRecord) -> str:
    from proofstand.bench.shift import short

    standard = record.standard
    assert standard is not None
    return (
        f"check standard {standard.id}: found {short(standard.found)} "
        f"({short(standard.low)} to {short(standard.high)}, 95 %), "
        f"stated {standard.stated.typed}, {standard.outcome}"
    )


def _part_line(part: ShiftPart) -> str:
    if part.passed:
        return f"  {part.what}: good"
    return f"  {part.what}: NOT good. {part.why}"


def _as_json(noun: Any) -> dict[str, Any]:
    from records.tomlfile import to_jsonable

    found: dict[str, Any] = to_jsonable(noun)
    return found
