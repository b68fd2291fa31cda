"""``proofstand people``: the shop's list of people, their roles, gases and PINs."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from .options import Subparsers, by_option, json_option, say_not_kept
from .pins import asker, new_pin, new_pin_option, pin_option

if TYPE_CHECKING:
    from proofstand.signoff.roll import Event
    from records.people import Member

ROLES = ("technician", "signatory", "quality-lead", "trainer")


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "people",
        help="who belongs to the shop, what each may do, and how they show it",
        description="The shop's list of people. Its first person is a quality lead; "
        "from then on every name on a record is shown by a PIN.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    adding = actions.add_parser("add", help="add a person, by a quality lead")
    _name(adding)
    _roles(adding, required=True)
    _gases(adding, required=False)
    _by_lead(adding)
    new_pin_option(adding)
    json_option(adding)
    adding.set_defaults(run=run_add)
    listing = actions.add_parser("list", help="who is on the list")
    json_option(listing)
    listing.set_defaults(run=run_list)
    show = actions.add_parser("show", help="a person, and all that is on record")
    _name(show)
    json_option(show)
    show.set_defaults(run=run_show)
    record = actions.add_parser("record", help="who did what when, all of it")
    json_option(record)
    record.set_defaults(run=run_record)
    retire = actions.add_parser("retire", help="somebody left; nothing is deleted")
    _name(retire)
    retire.add_argument("--why", required=True, metavar="REASON", help="why")
    _by_lead(retire)
    json_option(retire)
    retire.set_defaults(run=run_retire)
    pin = actions.add_parser("pin", help="give oneself another PIN, or reset one")
    _name(pin)
    pin.add_argument(
        "--reset", action="store_true", help="by another quality lead: --by"
    )
    _by_lead(pin)
    new_pin_option(pin)
    json_option(pin)
    pin.set_defaults(run=run_pin)
    gases = actions.add_parser("gases", help="the gases somebody may work on")
    _name(gases)
    _gases(gases, required=True)
    _by_lead(gases)
    json_option(gases)
    gases.set_defaults(run=run_change)
    roles = actions.add_parser("roles", help="what somebody may do")
    _name(roles)
    _roles(roles, required=True)
    _by_lead(roles)
    json_option(roles)
    roles.set_defaults(run=run_change)


def _name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="as it will stand on the paper")


def _roles(parser: argparse.ArgumentParser, *, required: bool) -> None:
    parser.add_argument(
        "--role",
        action="append",
        choices=ROLES,
        required=required,
        help="give it again for each role",
    )


def _gases(parser: argparse.ArgumentParser, *, required: bool) -> None:
    parser.add_argument(
        "--gas",
        action="append",
        metavar="GAS",
        required=required,
        help="a gas they may work on, or any; give it again for each",
    )


def _by_lead(parser: argparse.ArgumentParser) -> None:
    by_option(parser, "quality lead who does it")
    pin_option(parser)


def run_add(args: argparse.Namespace) -> int:
    """Add somebody; the first one begins the list."""
    from proofstand.signoff import persons
    from records.people import Role

    roles = [Role(each) for each in dict.fromkeys(args.role)]
    gases = list(dict.fromkeys(args.gas or ()))
    if persons.the_roll() is None:
        pin = new_pin(args, args.name)
        made = persons.begin(args.name, roles, gases, pin)
        return _tell(args, made, "begins the list of people")
    ask = asker(args)
    pin = new_pin(args, args.name)
    made = persons.add(args.by, ask, args.name, roles, gases, pin)
    return _tell(args, made, "is on the list")


def run_change(args: argparse.Namespace) -> int:
    """Give somebody other roles or gases."""
    from proofstand.signoff import persons
    from records.people import Role

    roles = getattr(args, "role", None)
    changed = persons.change(
        args.by,
        asker(args),
        args.name,
        roles=None if roles is None else [Role(r) for r in dict.fromkeys(roles)],
        gases=getattr(args, "gas", None),
    )
    return _tell(args, changed, "is changed")


def run_retire(args: argparse.Namespace) -> int:
    """Retire somebody."""
    from proofstand.signoff import persons

    why = " ".join(args.why.split())
    gone = persons.retire(args.by, asker(args), args.name, why)
    return _tell(args, gone, "left; all that they did stays on record")


def run_pin(args: argparse.Namespace) -> int:
    """Change a PIN, or reset it."""
    from proofstand.signoff import persons
    from records.errors import InputError

    if args.by and not args.reset:
        raise InputError("usage", why="--by goes with --reset.", help="people pin -h")
    ask = asker(args)
    pin = new_pin(args, args.name)
    if args.reset:
        made = persons.reset_pin(args.by, ask, args.name, pin)
        return _tell(args, made, f"has a new PIN, set by {args.by}")
    made = persons.change_pin(args.name, ask, pin)
    return _tell(args, made, "has a new PIN")


def _tell(args: argparse.Namespace, member: Member, what: str) -> int:
    from proofstand.keeping.made import keep_roll

    say_not_kept(keep_roll(args.by or args.name))
    if args.json:
        document = {"schema": "proofstand.person/1", **_member_json(member)}
        print(json.dumps(document, ensure_ascii=False))
    else:
        print(f"{member.name} {what}: {_words(member)}")
    return 0


def _words(member: Member) -> str:
    from proofstand.words.sentences import role_name

    roles = ", ".join(role_name(role) for role in member.roles)
    gases = ", ".join(member.gases) or "none"
    return f"{roles}; gases: {gases}"


def _member_json(member: Member) -> dict[str, Any]:
    from proofstand.signoff.persons import MOST_TRIES, locked_until_ns, moment

    until = locked_until_ns(member)
    return {
        "name": member.name,
        "roles": list(member.roles),
        "gases": list(member.gases),
        "since": moment(member.since_ns),
        "retired": None if member.retired_ns is None else moment(member.retired_ns),
        "wrong_pins": member.wrong,
        "locked_until": moment(until) if until else None,
        "locked_for_good": member.wrong >= MOST_TRIES,
    }


def run_list(args: argparse.Namespace) -> int:
    """Print the list."""
    from proofstand.places import people_file
    from proofstand.signoff.persons import moment, the_roll

    roll = the_roll()
    if args.json:
        members = [] if roll is None else list(roll.members.values())
        document = {
            "schema": "proofstand.people-list/1",
            "roll": None if roll is None else roll.id,
            "begun": None if roll is None else moment(roll.begun_ns),
            "people": [_member_json(member) for member in members],
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    if roll is None:
        print("No list of people yet: names are taken as typed, and pages say so.")
        print("  begin it: proofstand people add NAME --role quality-lead --gas any")
        return 0
    for member in roll.members.values():
        print(f"{member.name}: {_words(member)}{_state(member)}")
    print(f"  list {roll.id[:16]}, begun {moment(roll.begun_ns)}; its record is whole")
    if people_file().exists():
        print(f"  {people_file()} is not read any more")
    return 0


def _state(member: Member) -> str:
    import time

    from proofstand.signoff.persons import MOST_TRIES, locked_until_ns, moment

    if member.retired_ns is not None:
        return f"; left {moment(member.retired_ns)[:10]}"
    if member.wrong >= MOST_TRIES:
        return f"; locked after {member.wrong} wrong PINs"
    until = locked_until_ns(member)
    return f"; locked until {moment(until)}" if until > time.time_ns() else ""


def run_show(args: argparse.Namespace) -> int:
    """Print a person with what is on record of them."""
    from proofstand.signoff import roll as on_record
    from records.errors import RefusedError
    from records.people import name_key

    record = on_record.read()
    if record is None:
        raise RefusedError("roll_not_begun")
    member = record.roll.member(args.name)
    if member is None:
        raise RefusedError("person_unknown", name=args.name)
    key = name_key(args.name)
    events = [e for e in record.events if key in (name_key(e.who), name_key(e.by))]
    if args.json:
        document = {
            "schema": "proofstand.person/1",
            **_member_json(member),
            "record": [_event_json(event) for event in events],
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(f"{member.name}: {_words(member)}{_state(member)}")
    for event in events:
        print(f"  {_event_line(event)}")
    return 0


def run_record(args: argparse.Namespace) -> int:
    """Print all that is on record."""
    from proofstand.signoff import roll as on_record

    record = on_record.read()
    events = () if record is None else record.events
    if args.json:
        document = {
            "schema": "proofstand.people-record/1",
            "roll": None if record is None else record.roll.id,
            "record": [_event_json(event) for event in events],
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    for event in events:
        print(_event_line(event))
    return 0


def _event_json(event: Event) -> dict[str, Any]:
    from proofstand.signoff.persons import moment

    facts = {name: fact for name, fact in event.facts.items() if name != "pin"}
    return {
        "n": event.n,
        "at": moment(event.utc_ns),
        "by": event.by,
        "act": event.act,
        "who": event.who,
        "facts": facts,
    }


def _event_line(event: Event) -> str:
    told = _event_json(event)
    facts = ", ".join(f"{name} {fact}" for name, fact in told["facts"].items())
    whom = "" if event.who == event.by else f" {event.who}"
    return f"{told['at']} {event.by}: {event.act}{whom}" + (facts and f" ({facts})")
