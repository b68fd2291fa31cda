"""``drill explain``: a page on a fault, made from the simulator."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import end_progress, json_option, step_progress

if TYPE_CHECKING:
    from proofstand.fault_pages import FaultPage

_KINDS = (".svg", ".png")
_DOTS = 150.0


def add(actions: Any) -> None:
    """Add it.

    Args:
        actions: of the drill command.
    """
    parser = actions.add_parser(
        "explain",
        help="a page on a fault: its trace against a healthy one, what separates it",
        description="Explain a fault: what its trace looks like against that of a "
        "healthy regulator of the same seed, where to look, what it is confused with "
        "and what separates them. Both tests are simulated, once for each family.",
    )
    parser.add_argument("fault", metavar="FAULT", help="see simulate --list-faults")
    parser.add_argument("--family", default="second-stage", metavar="FAMILY")
    parser.add_argument(
        "--out", type=Path, metavar="PAGE.svg|PAGE.png", help="page to make, a new file"
    )
    json_option(parser)
    parser.set_defaults(run=run_explain)


def run_explain(args: argparse.Namespace) -> int:
    """Explain a fault."""
    from proofstand.fault_pages import (
        HEALTHY,
        entry_of,
        fault_page,
        page_json,
        trace_of,
    )
    from records.errors import InputError
    from records.runfile import check_place

    entry = entry_of(args.fault)
    if args.out is not None:
        if args.out.suffix.lower() not in _KINDS:
            raise InputError(
                "value_wrong",
                key="--out",
                given=args.out.name,
                right="a name that ends in .svg or .png",
            )
        check_place(args.out, "file")
    own = trace_of(entry.id, args.family, step_progress)
    other = trace_of(HEALTHY, args.family, step_progress)
    end_progress()
    page = fault_page(entry.id, args.family, own, other)
    if args.out is not None:
        _write(page, args.out)
    if args.json:
        print(json.dumps(page_json(page), ensure_ascii=False))
    else:
        print("\n".join(_lines(page)))
        if args.out is not None:
            print(f"{args.out}: the page with its trace")
    return 0


def _write(page: FaultPage, out: Path) -> None:
    from proofstand.drawing.beside import page_svg
    from proofstand.drawing.inks import PAGE
    from proofstand.fault_pages import page_words
    from records.runfile import write_once

    svg = page_svg(page_words(page), page.picture, PAGE)
    data = svg.encode("utf-8")
    if out.suffix.lower() == ".png":
        from proofstand.signoff.typeset import picture_png

        data = picture_png(svg, _DOTS)
    write_once(out, data, "file")


def _lines(page: FaultPage) -> list[str]:
    from proofstand.fault_pages import page_words

    words = page_words(page)
    said = [words.head, f"  {words.band}", *(f"  {text}" for text in words.above)]
    for title, texts in words.below:
        said += [title, *(f"  {text}" for text in texts)]
    return said
