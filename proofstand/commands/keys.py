"""``proofstand keys``: the shop's key, those before it, and what others check with."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from .options import Subparsers, by_option, json_option, out_option, say_not_kept
from .pins import asker, pin_option

if TYPE_CHECKING:
    from proofstand.signoff.keys import Key
    from proofstand.signoff.shopkeys import KnownKey
    from records.people import Signatory


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "keys",
        help="the shop's key: make, list, show, import, export",
        description="The key that seals runs and signs pages. It is made by itself "
        "when it is first needed.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    make = actions.add_parser("make", help="make the shop's key, or replace it")
    make.add_argument("--owner", required=True, metavar="NAME", help="whose it is")
    make.add_argument(
        "--demo",
        type=Path,
        metavar="FOLDER",
        help="in place of that: a demonstration key in a new folder, which signs what "
        "simulated rigs make and nothing else (simulate --key FOLDER)",
    )
    _replace_options(make)
    make.set_defaults(run=run_make)
    listing = actions.add_parser("list", help="the shop's key and those before it")
    json_option(listing)
    listing.set_defaults(run=run_list)
    show = actions.add_parser("show", help="one key")
    show.add_argument("id", nargs="?", default="", metavar="ID", help="how it begins")
    json_option(show)
    show.set_defaults(run=run_show)
    bring = actions.add_parser("import", help="take a key from a PKCS #12 file")
    bring.add_argument("file", type=Path, metavar="FILE.p12")
    bring.add_argument(
        "--password-from",
        metavar="FILE",
        help="the file's password, from the first line; - reads standard input "
        "(default: asked for at the terminal)",
    )
    _replace_options(bring)
    bring.set_defaults(run=run_import)
    export = actions.add_parser("export", help="what others check signatures with")
    out_option(export, "the public key (PEM)")
    export.add_argument(
        "--all",
        action="store_true",
        help="all keys with the times in which they signed, as JSON",
    )
    json_option(export)
    export.set_defaults(run=run_export)


def _replace_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--replace", action="store_true", help="in place of the one that signs now"
    )
    parser.add_argument(
        "--why", default="", metavar="REASON", help="why it is replaced"
    )
    by_option(parser, "quality lead who does it")
    pin_option(parser)
    json_option(parser)


def run_make(args: argparse.Namespace) -> int:
    """Make a key."""
    from proofstand.signoff.shopkeys import make_shop_key

    if args.demo is not None:
        return _make_demo(args)

    who = _who(args)
    key = make_shop_key(args.owner, replace=args.replace, why=_why(args), by=who.name)
    return _made(args, key, who)


def _make_demo(args: argparse.Namespace) -> int:
    """Make a demonstration key; it signs for nobody, so nobody is asked."""
    from proofstand.signoff.keys import make_key
    from proofstand.signoff.shopkeys import known_at
    from records.errors import InputError

    if args.replace:
        why = "A demonstration key replaces none."
        raise InputError("usage", why=why, help="proofstand keys make -h")
    make_key(args.demo, args.owner, demo=True)
    if not args.json:
        print(f"{args.demo}: a demonstration key, for simulated rigs only")
    return _print(args, [known_at(args.demo)])


def run_import(args: argparse.Namespace) -> int:
    """Take a key from a file."""
    from proofstand.signoff.shopkeys import import_shop_key

    password = _password(args)
    who = _who(args)
    key = import_shop_key(
        args.file, password, replace=args.replace, why=_why(args), by=who.name
    )
    return _made(args, key, who)


def _why(args: argparse.Namespace) -> str:
    from records.errors import InputError

    why = " ".join(args.why.split())
    if args.replace and not why:
        raise InputError("value_wrong", key="--why", given="nothing", right="a reason")
    return why


def _who(args: argparse.Namespace) -> Signatory:
    from proofstand.signoff.persons import prove
    from records.people import Act

    _why(args)
    return prove(args.by, Act.KEYS, asker(args))


def _password(args: argparse.Namespace) -> str:
    from getpass import getpass

    from .pins import line_of

    if args.password_from is not None:
        return line_of(args.password_from)
    if sys.stdin is not None and sys.stdin.isatty():
        return getpass(f"Password of {args.file}: ")
    return ""


def _made(args: argparse.Namespace, key: Key, who: Signatory) -> int:
    from proofstand.keeping.made import keep_shop
    from proofstand.signoff.keys import PUBLIC_NAME, shop_folder
    from proofstand.signoff.persons import did
    from proofstand.signoff.shopkeys import known_keys
    from records.people import Act

    did(who, Act.KEYS, key=key.id, owner=key.owner, why=_why(args))
    public = shop_folder() / PUBLIC_NAME
    say_not_kept(keep_shop([(public, ".pem")], by=who.name))
    return _print(args, known_keys()[:1])


def run_list(args: argparse.Namespace) -> int:
    """Print all keys."""
    from proofstand.signoff.shopkeys import known_keys

    keys = known_keys()
    if not keys and not args.json:
        print("No key yet; it is made when it is first needed.")
    return _print(args, keys)


def run_show(args: argparse.Namespace) -> int:
    """Print one key."""
    from proofstand.signoff.keys import shop_folder
    from proofstand.signoff.shopkeys import known_keys
    from records.errors import InputError

    keys = [key for key in known_keys() if key.id.startswith(args.id.lower())][:1]
    if not keys:
        raise InputError("file_missing", where=str(shop_folder()), what="key")
    _print(args, keys)
    if not args.json:
        print(keys[0].certificate, end="")
    return 0


def run_export(args: argparse.Namespace) -> int:
    """Write what others need."""
    from proofstand.signoff.shopkeys import export_keys, known_keys

    keys = known_keys()
    export_keys(args.out, keys, whole=args.all)
    if args.json:
        return _print(args, keys if args.all else keys[:1])
    print(f"{args.out}: {'all keys' if args.all else 'the key'}; no private part in it")
    return _print(args, keys if args.all else keys[:1])


def _print(
    args: argparse.Namespace, keys: tuple[KnownKey, ...] | list[KnownKey]
) -> int:
    from proofstand.signoff.shopkeys import keys_json

    if args.json:
        print(json.dumps(keys_json(keys), ensure_ascii=False))
        return 0
    for key in keys:
        until = f"until {key.until}" if key.until else "signs now"
        print(f"{key.id}")
        print(f"  {key.owner}; since {key.since}, {until}")
        if key.why:
            print(f"  replaced{' by ' + key.by if key.by else ''}: {key.why}")
    return 0
