"""A score in words and shown units: what was called, what was right, what was wrong."""

from __future__ import annotations

from dataclasses import dataclass

from records.faults import CATALOGUE, OF_FIRST
from records.judgement import FINDINGS
from records.measure import Unit, to_unit
from records.plan import Plan

from ..display import digits_for, number, reference_word, unit_for
from ..report import fault_text
from ..words.sentences import label
from .drills import HEALTHY, Item, Scored


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemTold:
    """One thing that was called, as people read it.

    Attributes:
        name: of the finding, ``Verdict`` or ``Cause``. got: points of points.
        called, right: with unit and reference; called "" where nothing was said.
        near: so far off is still right, with its unit, or "".
        window_s: where on the trace it was read, or None. step: in which step, or "".
    """

    what: str
    name: str
    got: str
    called: str
    right: str
    near: str = ""
    window_s: tuple[float, float] | None = None
    step: str = ""


def shown_unit(plan: Plan, what: str) -> Unit:
    """Return the unit in which a finding that is called is shown."""
    kind = FINDINGS[what]
    return unit_for(plan, kind.kind, kind.channel or "outlet")


def item_told(item: Item, plan: Plan) -> ItemTold:
    """Return one thing that was called in words."""
    got = f"{item.points:g} of {item.of:g}"
    if item.what not in FINDINGS or isinstance(item.true, str):
        return ItemTold(
            what=item.what,
            name=item.what.capitalize(),
            got=got,
            called=str(item.called or ""),
            right=str(item.true),
        )
    kind, unit = FINDINGS[item.what], shown_unit(plan, item.what)
    assert item.near is not None
    near = to_unit(item.near, unit) - to_unit(0.0, unit)
    digits = digits_for(near)
    whole = f"{unit.name} {reference_word(kind.reference)}".rstrip()
    called = ""
    if item.called is not None:
        called = f"{number(to_unit(float(item.called), unit), digits)} {whole}"
    found = item.found
    return ItemTold(
        what=item.what,
        name=label(item.what),
        got=got,
        called=called,
        right=f"{number(to_unit(item.true, unit), digits)} {whole}",
        near=f"{number(near, digits)} {unit.name}",
        window_s=None if found is None else found.evidence.window_s,
        step=item.step,
    )


def what_was_wrong(scored: Scored) -> tuple[str, ...]:
    """Return what is told when the score stands, a sentence or two each."""
    said = []
    if scored.verdict != scored.by_truth:
        said.append(
            f"By what was true of the gas: {scored.by_truth}; the bench can say no "
            f"more than {scored.verdict}."
        )
    if scored.fault == HEALTHY:
        return (*said, "Nothing was wrong with it.")
    said.append(
        f"What was wrong: {fault_text(scored.fault)} (severity {scored.severity:g})"
    )
    entry = CATALOGUE[scored.fault.removeprefix(OF_FIRST)]
    said.append(f"Where to look: {entry.look_at}")
    others = [id for id in entry.group if id != entry.id]
    if others:
        alike = "; ".join(CATALOGUE[id].sentence.rstrip(".") for id in others)
        said.append(f"These traces look the same for: {alike}.")
    if entry.check and not entry.revealed:
        said.append(f"What would show it: {entry.check}")
    return tuple(said)
