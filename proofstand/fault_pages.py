"""A page on each fault: its trace against a healthy one, what tells it, what does not.

The traces come from the simulator, whole tests at severity 1 with one seed, and are
made once for each fault, family and version of the methods.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.judge import judge
from analysis.version import ANALYSIS_VERSION
from records.errors import InputError, IntegrityError
from records.faults import CATALOGUE, FaultEntry
from records.judgement import Finding, Judgement, Outcome
from records.measure import Kind, to_unit
from records.plan import Plan
from records.rig import Channel
from records.run import Mark, MarkKind, Run
from records.runfile import read_sealed

from .display import reference_word, show, unit_for
from .drawing.beside import BesideLane, BesidePicture, WordsPage
from .drawing.picture import Line, limit_marks, shown_line, spans_of
from .places import cache_dir, made
from .session import SessionEvent
from .simulated import PLANS, simulate
from .version import VERSION
from .words.sentences import label, words

SCHEMA = "proofstand.fault-page/1"
SEED = 1
SEVERITY = 1.0
HEALTHY = "healthy"
_FOLDER = "fault-pages"
_FAR = 4.0  # standard uncertainties that two findings lie apart to tell anything
_MOST_TOLD = 4
_LEAD_S, _MOST_LEAD_S, _MOST_MORE_S = 6.0, 15.0, 90.0
_LANES = ("outlet", "inlet", "interstage")

Tell = Callable[[SessionEvent], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """A fault that this one is confused with.

    Attributes:
        same: the traces of the plan can't tell them apart.
        words: what separates them.
    """

    id: str
    sentence: str
    same: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultPage:
    """What there is to know of a fault with a family of regulators.

    Attributes:
        looks: what the trace looks like. look_at: where to look on the bench.
        step: that shows it best, "" where no step does.
        tells: the findings that lie apart, in words, the plainest first.
        shown: what the plan makes of it, as a sentence.
        apart: what it is confused with, and what separates them.
        check: what would show it where no plan here can, or "".
        picture: this fault over a healthy regulator about that step, or None.
    """

    id: str
    family: str
    plan: str
    sentence: str
    looks: str
    look_at: str
    step: str
    tells: tuple[str, ...]
    shown: str
    apart: tuple[Apart, ...]
    check: str
    picture: BesidePicture | None


def entry_of(id: str) -> FaultEntry:
    """Return a fault of the catalogue.

    Raises:
        InputError: ``fault_unknown``.
    """
    if id not in CATALOGUE:
        known = ", ".join(CATALOGUE)
        raise InputError("fault_unknown", given=ascii(id), known=known)
    return CATALOGUE[id]


def said(*path: str, **facts: object) -> str:
    """Return a piece of the pages' words."""
    found = words()["fault_page"]
    for name in path:
        found = found[name]
    return str(found).format_map({k: str(v) for k, v in facts.items()})


def apart_of(id: str) -> tuple[Apart, ...]:
    """Return what a fault is confused with: its group first, then what looks alike."""
    entry = entry_of(id)
    told = words()["fault_page"][id].get("apart", {})
    others = [*(e for e in entry.group if e != id), *(e for e in told)]
    return tuple(
        Apart(
            id=other,
            sentence=CATALOGUE[other].sentence,
            same=other in entry.group,
            words=str(told.get(other, CATALOGUE[other].look_at)),
        )
        for other in dict.fromkeys(others)
    )


# --- the traces -----------------------------------------------------------------------


def traces_folder() -> Path:
    """Return where the traces of this version lie."""
    return cache_dir() / _FOLDER / f"{VERSION}-{ANALYSIS_VERSION}"


def trace_of(
    fault: str, family: str, tell: Tell = lambda event: None, folder: Path | None = None
) -> Run:
    """Return the simulated test of a regulator with a fault, made where it is not yet.

    Args:
        fault: id, or ``healthy``.
        family: of the regulator.
        tell: hears what the session tells while it is made.
        folder: where traces are kept; the user's own if None.

    Raises:
        InputError: unknown family or fault, one that this regulator can't have, or a
            folder that can't be written.
    """
    place = traces_folder() if folder is None else folder
    path = place / f"{family}-{fault}.h5"
    if path.exists():
        try:
            return read_sealed(path)
        except IntegrityError:
            path.unlink()  # made anew: nothing was measured in it
    if family not in PLANS:
        raise InputError("family_unknown", given=family, known=", ".join(PLANS))
    faults = [] if fault == HEALTHY else [f"{entry_of(fault).id}:{SEVERITY:g}"]
    try:
        made(place)
        _clear_others(place)
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError("file_unwritable", where=str(place), why=why) from None
    simulate(
        family=family,
        plan_name=PLANS[family],
        faults=faults,
        seed=SEED,
        out=path,
        run_id=f"explained-{family}-{fault.replace('_', '-')}",
        tell=tell,
    )
    return read_sealed(path)


def _clear_others(place: Path) -> None:
    """Let go of the traces that other versions made."""
    if place.parent.name != _FOLDER:
        return
    for other in place.parent.iterdir():
        if other != place and other.is_dir():
            shutil.rmtree(other, ignore_errors=True)


# --- the page -------------------------------------------------------------------------


def fault_page(id: str, family: str, own: Run, other: Run) -> FaultPage:
    """Return the page of a fault from its trace and that of a healthy regulator.

    Args:
        id: of the fault.
        family: of the regulator.
        own: with the fault.
        other: without one, of the same seed.
    """
    entry, plan = entry_of(id), own.header.plan
    judged, healthy = judge(own), judge(other)
    apart = _apart(judged, healthy)
    step = _telling_step(own, other, apart)
    once = {finding.id: finding for finding in reversed(apart)}  # the plainest of each
    told = [finding for finding in apart if once[finding.id] is finding]
    tells = [_told(finding, healthy, own) for finding in told[:_MOST_TOLD]]
    if step and step not in {s.step for s in spans_of(own.marks) if s.done}:
        if not any(f.step == step for f in apart):
            tells.insert(0, said("stopped", step=_plain(step)))
    revealed = plan.id in entry.plans
    return FaultPage(
        id=id,
        family=family,
        plan=plan.id,
        sentence=entry.sentence,
        looks=said(id, "looks"),
        look_at=entry.look_at,
        step=step,
        tells=tuple(tells),
        shown=said(
            "shown" if revealed else "not_shown",
            plan=plan.id,
            verdict=judged.verdict.value,
        ),
        apart=apart_of(id),
        check="" if revealed else entry.check,
        picture=_picture(entry, own, other, step) if step else None,
    )


def _apart(judged: Judgement, healthy: Judgement) -> list[Finding]:
    """Return the findings that lie apart from a healthy regulator's, plainest first."""
    known = {(f.id, f.step, f.channel): f for f in healthy.findings}
    found: list[tuple[bool, float, Finding]] = []
    for finding in judged.findings:
        other = known.get((finding.id, finding.step, finding.channel))
        mine, theirs = finding.measured, None if other is None else other.measured
        if mine is None or theirs is None or other is None:
            continue
        u = float(np.hypot(mine.u, theirs.u))
        far = abs(mine.value - theirs.value) / u if u > 0.0 else 0.0
        failed = finding.outcome is Outcome.FAIL and other.outcome is not Outcome.FAIL
        if far >= _FAR or failed:
            found.append((failed, far, finding))
    found.sort(key=lambda each: (not each[0], -each[1]))
    return [finding for _, _, finding in found]


def _told(finding: Finding, healthy: Judgement, run: Run) -> str:
    plan = run.header.plan
    role = _role(finding, run)
    other = next(
        f
        for f in healthy.findings
        if (f.id, f.step, f.channel) == (finding.id, finding.step, finding.channel)
    )
    mine, theirs = show(finding, plan, role), show(other, plan, role)
    return said(
        "tells",
        name=label(finding.id),
        step=_plain(finding.step),
        own=mine.found,
        other=theirs.found,
        unit=mine.whole_unit,
    )


def _role(finding: Finding, run: Run) -> str:
    for channel in run.header.rig.channels:
        if finding.channel in (channel.id, channel.role):
            return channel.role
    return ""


def _plain(step: str) -> str:
    return step.replace("-", " ")


def _telling_step(own: Run, other: Run, apart: list[Finding]) -> str:
    """Return the step that shows a fault best, or "" where none does.

    One that fails a finding goes first, then the one that the test did not get through,
    then the one whose finding lies apart most.
    """
    begun = [s.step for s in spans_of(own.marks)]
    through = {s.step for s in spans_of(own.marks) if s.done}
    failed = [f.step for f in apart if f.outcome is Outcome.FAIL]
    stopped = [
        span.step
        for span in spans_of(other.marks)
        if span.done and span.step in begun and span.step not in through
    ]
    held = [f.step for f in apart]
    return next((step for step in [*failed, *stopped, *held] if step in begun), "")


def _picture(
    entry: FaultEntry, own: Run, other: Run, step: str
) -> BesidePicture | None:
    """Return both runs about a step, laid together where its hold or it begins."""
    plan = own.header.plan
    held = all(_holds(run.marks, step) for run in (own, other))
    mine, theirs = _window(own, step, held=held), _window(other, step, held=held)
    if mine is None or theirs is None:
        return None
    start = max(min(mine[0], theirs[0]), -_MOST_LEAD_S)
    # a step that is never got through goes on for minutes without anything new
    stop = min(max(mine[1], theirs[1]), theirs[1] + _MOST_MORE_S)
    lanes = []
    for channel in _channels(own, plan):
        mine_line = _line(own, channel, plan, mine[2])
        other_line = _line(other, channel, plan, theirs[2])
        limit = _limit(plan, step) if channel.role == "outlet" else None
        lanes.append(BesideLane(own=mine_line, other=other_line, limit=limit))
    return BesidePicture(
        lanes=tuple(lanes),
        start=start,
        stop=stop,
        own=entry.sentence.rstrip("."),
        other=said("healthy"),
        times=said("times", step=_plain(step)),
    )


def _window(run: Run, step: str, *, held: bool) -> tuple[float, float, float] | None:
    """Return a step's begin and end about where it is laid together, and that time.

    Args:
        run: of the two.
        step: id.
        held: laid together where its last hold begins, else where it begins itself.
    """
    spans = [s for s in spans_of(run.marks) if s.step == step]
    if not spans:
        return None
    span = spans[-1]
    stop = span.stop_s
    if stop is None:
        stop = max(mark.t_s for mark in run.marks)
    at = _holds(run.marks, step)[-1] if held else span.start_s
    if (
        held
    ):  # what is done after it, as letting the gas out, would hide its small moves
        ends = [
            mark.t_s
            for mark in run.marks
            if (mark.step, mark.kind) == (step, MarkKind.HOLD_END) and mark.t_s > at
        ]
        stop = ends[0] - _LEAD_S if ends else stop
    return span.start_s - _LEAD_S - at, stop + _LEAD_S - at, at


def _holds(marks: tuple[Mark, ...], step: str) -> list[float]:
    """Return where a step's holds begin, those of its last attempt."""
    holds: list[float] = []
    for mark in marks:
        if mark.step == step and mark.kind is MarkKind.STEP_BEGIN:
            holds = []
        elif mark.step == step and mark.kind is MarkKind.HOLD_BEGIN:
            holds.append(mark.t_s)
    return holds


def _channels(run: Run, plan: Plan) -> list[Channel]:
    found = [
        c
        for c in run.header.rig.channels
        if c.measure_unit.kind is Kind.PRESSURE and c.role in _LANES
    ]
    return sorted(found, key=lambda c: _LANES.index(c.role))


def _line(run: Run, channel: Channel, plan: Plan, at_s: float) -> Line:
    own = next(c for c in run.header.rig.channels if c.role == channel.role)
    unit = unit_for(plan, Kind.PRESSURE, channel.role)
    trace = run.trace(own, run.parts[0].number)
    word = reference_word(channel.reference)
    line = shown_line(trace, channel.role, unit, word)
    return Line(line.channel, line.role, line.t_s - at_s, line.value, line.unit)


def _limit(plan: Plan, step: str) -> tuple[float, str] | None:
    unit = unit_for(plan, Kind.PRESSURE, "outlet")
    for mark in limit_marks(plan):
        if mark.step == step and mark.high is not None and mark.low is None:
            return to_unit(mark.high, unit), mark.words
    return None


# --- as a page and as data ------------------------------------------------------------


def page_words(page: FaultPage) -> WordsPage:
    """Return the words that stand about the picture."""
    below: list[tuple[str, tuple[str, ...]]] = []
    if page.tells:
        below.append((said("head_tells"), page.tells))
    below.append((said("head_shown"), (page.shown,)))
    below.append((said("head_look_at"), (page.look_at,)))
    if page.check:
        below.append((said("head_check"), (page.check,)))
    if page.apart:
        below.append((said("head_apart"), tuple(map(apart_words, page.apart))))
    below.append((said("head_how"), (said("how", family=page.family),)))
    return WordsPage(
        band=said("band"), head=page.sentence, above=(page.looks,), below=tuple(below)
    )


def apart_words(other: Apart) -> str:
    """Return what separates one fault from another, as a sentence or two."""
    way = "apart_same" if other.same else "apart_like"
    return said(way, sentence=other.sentence.rstrip("."), words=other.words)


def page_json(page: FaultPage) -> dict[str, object]:
    """Return a page as data, its picture left out."""
    return {
        "schema": SCHEMA,
        "fault": page.id,
        "family": page.family,
        "plan": page.plan,
        "simulated": True,
        "sentence": page.sentence,
        "looks": page.looks,
        "look_at": page.look_at,
        "step": page.step or None,
        "tells": list(page.tells),
        "shown": page.shown,
        "check": page.check or None,
        "confused_with": [
            {
                "fault": other.id,
                "sentence": other.sentence,
                "same_trace": other.same,
                "separates": other.words,
            }
            for other in page.apart
        ],
    }
