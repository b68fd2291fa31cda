"""The drawings: what a bar says by its shape, what the trace keeps, legible inks."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.judge import judge
from proofstand.drawing.bar import Bar, BarState, bar_of, bar_svg
from proofstand.drawing.inks import DARK, LIGHT, PAGE, Inks, contrast
from proofstand.drawing.lettering import lettered, wide
from proofstand.drawing.picture import (
    Line,
    Span,
    picture_of,
    spans_of,
    straightened,
    thinned,
)
from proofstand.drawing.ticks import round_ticks, tick_text
from proofstand.drawing.trace import trace_svg
from records.errors import Reason
from records.judgement import Finding, Outcome, ResolvedLimit
from records.run import Mark, MarkKind
from records.runfile import open_run

from .conftest import RunOf

SVG = "{http://www.w3.org/2000/svg}"
WIDTH = 190.0


def shapes(svg: str) -> tuple[list[ET.Element], list[ET.Element]]:
    """Return a bar's box and its other marks: the axis, hatches, ticks."""
    root = ET.fromstring(svg)
    return root.findall(f"{SVG}rect"), root.findall(f"{SVG}path")


def box(svg: str) -> tuple[float, float]:
    (found,), _ = shapes(svg)
    left = float(found.attrib["x"])
    return left, left + float(found.attrib["width"])


def tick_places(svg: str) -> list[float]:
    """Return where the ticks stand: upright lines over the whole height."""
    upright = re.findall(r'd="M([\d.]+) 0\.50L([\d.]+) 17\.50"', svg)
    return [float(a) for a, b in upright if a == b]


def bar(low: float, high: float, state: BarState, limit: float = 1.0) -> Bar:
    return Bar(interval=(low, high), limit_min=None, limit_max=limit, state=state)


def test_shape_alone_tells_how_a_finding_stands() -> None:
    # all drawn in one grey: what is left is fill and hatching
    said = {}
    for state in BarState:
        interval = None if state is BarState.TO_COME else (0.3, 0.6)
        drawn = bar_svg(
            Bar(interval=interval, limit_min=None, limit_max=1.0, state=state), PAGE
        )
        boxes, paths = shapes(drawn)
        filled = [b.attrib["fill"] == b.attrib["stroke"] for b in boxes]
        hatches = [p for p in paths if p.attrib["d"].count("M") > 3]
        thin = boxes[0].attrib["stroke"] == PAGE.soft if boxes else False
        dashed = ["stroke-dasharray" in b.attrib for b in boxes]
        said[state] = (len(boxes), filled, dashed, len(hatches), thin)
    assert len({repr(one) for one in said.values()}) == len(BarState)


@given(
    st.floats(-50, 50), st.floats(0.001, 30), st.floats(-50, 50), st.floats(0.01, 30)
)
def test_a_bar_stands_on_the_side_of_the_tick_where_its_interval_is(
    low: float, width: float, limit: float, reach: float
) -> None:
    high = low + width
    two = Bar(
        interval=(low, high),
        limit_min=limit - reach,
        limit_max=limit,
        state=BarState.UNDECIDED,
    )
    for one in (two, bar(low, high, BarState.UNDECIDED, limit)):
        drawn = bar_svg(one, LIGHT)
        left, right = box(drawn)
        assert -0.01 <= left < right <= WIDTH + 0.01
        tick = tick_places(drawn)[-1]
        # a bar has a least width, so that its end may stand a little over the tick
        if high <= limit:
            assert right <= tick + 3.0
        if low >= limit:
            assert left >= tick - 3.0
        if low < limit < high:
            assert left <= tick + 3.0
            assert right >= tick - 3.0


def test_far_outside_is_drawn_at_the_edge_with_an_open_end() -> None:
    drawn = bar_svg(bar(28.3, 32.0, BarState.FAILS, 0.15), LIGHT)
    left, _ = box(drawn)
    assert left > tick_places(drawn)[0]
    assert heads(drawn) == [WIDTH]


def heads(svg: str) -> list[float]:
    """Return where the arrowheads point: filled triangles without an outline."""
    found = re.findall(r'd="M[\d.]+ [\d.-]+L([\d.]+) 9\.00L[^"]+Z" fill', svg)
    return [float(x) for x in found]


def test_an_end_beyond_the_drawing_is_an_arrowhead() -> None:
    # one end inside, the other further out than the axis is ever widened
    for state in BarState:
        long = Bar(interval=(0.5, 90.0), limit_min=0.0, limit_max=1.0, state=state)
        assert heads(bar_svg(long, LIGHT)) == [WIDTH]
        both = Bar(interval=(-90.0, 90.0), limit_min=0.0, limit_max=1.0, state=state)
        assert heads(bar_svg(both, LIGHT)) == [0.0, WIDTH]
        whole = Bar(interval=(0.2, 0.6), limit_min=0.0, limit_max=1.0, state=state)
        assert heads(bar_svg(whole, LIGHT)) == []


@pytest.mark.parametrize(
    ("interval", "why", "state"),
    [
        ((0.2, 0.6), ("rig_leak_above_gate", "inside_limit"), BarState.WITHHELD),
        ((1.2, 1.6), ("rig_leak_above_gate",), BarState.WITHHELD),
        ((0.8, 1.2), ("rig_leak_above_gate",), BarState.UNDECIDED),
        ((0.8, 1.2), ("across_limit",), BarState.UNDECIDED),
        # the limit's own uncertainty, not a condition of the test
        ((0.2, 0.99), ("across_limit",), BarState.UNDECIDED),
    ],
)
def test_an_interval_beside_its_limit_is_not_drawn_as_across(
    interval: tuple[float, float], why: tuple[str, ...], state: BarState
) -> None:
    finding = Finding(
        id="seat_leak",
        step="creep-hold",
        channel="outlet",
        interval=interval,
        limit=ResolvedLimit(min=None, max=1.0, source="shop default"),
        outcome=Outcome.INCONCLUSIVE,
        why=tuple(Reason.of(id) for id in why),
    )
    assert bar_of(finding).state is state


def test_the_steps_are_numbered_as_the_plan_has_them(run_of: RunOf) -> None:
    run = open_run(run_of())
    spans = picture_of(run, run.header.plan).spans
    ids = [step.id for step in run.header.plan.steps]
    assert [ids[span.number - 1] for span in spans] == [span.step for span in spans]
    assert spans[-1].step == ids[-1]


def mark_of(
    kind: MarkKind, step: str, t_s: float, part: int = 1, how: str = ""
) -> Mark:
    data = {"how": how} if how else {}
    return Mark(part=part, t_s=t_s, kind=kind, step=step, data=data)


def test_each_attempt_at_a_step_has_its_stretch() -> None:
    begin, end = MarkKind.STEP_BEGIN, MarkKind.STEP_END
    marks = [
        mark_of(begin, "lockup-3", 10.0),
        mark_of(end, "lockup-3", 50.0, how="done"),
        mark_of(begin, "creep-hold", 50.0),
        mark_of(MarkKind.STEP_REPEAT, "lockup-3", 80.0),
        mark_of(begin, "lockup-3", 80.0),
    ]
    assert spans_of(marks) == (
        Span("lockup-3", 10.0, 50.0, done=True),
        Span("creep-hold", 50.0, 80.0),
        Span("lockup-3", 80.0, None),
    )
    # the recorder was started again: the step that was on is cut off
    marks.append(mark_of(begin, "lockup-3", 120.0, part=2))
    marks.append(mark_of(end, "lockup-3", 160.0, part=2, how="done"))
    assert spans_of(marks)[2:] == (
        Span("lockup-3", 80.0, 120.0),
        Span("lockup-3", 120.0, 160.0, done=True),
    )


def words_of(svg: str) -> list[ET.Element]:
    """Return the outlines of words; each is named by what it says."""
    return [
        p for p in ET.fromstring(svg).iter(f"{SVG}path") if "aria-label" in p.attrib
    ]


def test_every_step_is_marked_in_the_trace_also_the_last(run_of: RunOf) -> None:
    run = open_run(run_of())
    picture = picture_of(run, run.header.plan)
    drawn = words_of(trace_svg(picture, PAGE, 188.0, 40.0))
    said = [
        word.attrib["aria-label"] for word in drawn if word.attrib["fill"] == PAGE.ink
    ]
    numbers = [words.split(" ")[0] for words in said if words[0].isdigit()]
    assert numbers == [str(span.number) for span in picture.spans]
    assert said[-1] == f"{picture.spans[-1].number} {picture.spans[-1].step}"


def test_a_finding_s_bar_follows_its_outcome(run_of: RunOf) -> None:
    run = open_run(run_of("seat_nicked"))
    findings = judge(run).findings
    states = {f.outcome: bar_of(f).state for f in findings}
    assert states[Outcome.FAIL] is BarState.FAILS
    assert states[Outcome.PASS] is BarState.CONFORMS
    passed = next(f for f in findings if f.outcome is Outcome.PASS)
    failed = next(f for f in findings if f.outcome is Outcome.FAIL)
    assert bar_of(passed, provisional=True).state is BarState.PROVISIONAL
    assert bar_of(failed, provisional=True).state is BarState.FAILS


@pytest.mark.parametrize("inks", [LIGHT, DARK, PAGE], ids=["light", "dark", "page"])
def test_every_text_ink_can_be_read_on_its_ground(inks: Inks) -> None:
    # WCAG 2.2, success criterion 1.4.3: at least 4.5:1 for text
    texts = ("ink", "soft", "outlet", "inlet", "other", "conforms", "fails")
    for name in (*texts, "undecided"):
        for ground in ("paper", "panel"):
            found = contrast(getattr(inks, name), getattr(inks, ground))
            assert found >= 4.5, f"{name} on {ground}: {found:.2f}"
    assert contrast(inks.paper, inks.ink) >= 4.5  # the step that is on


def test_contrast_is_that_of_the_standard() -> None:
    # WCAG 2.2 definition of contrast ratio: black on white is 21:1; #767676 on white
    # is the lightest grey that W3C names as passing 4.5:1 (4.54:1)
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.005)


@given(st.lists(st.floats(-10, 10), min_size=5, max_size=400), st.integers(2, 40))
def test_thinning_keeps_lowest_highest_and_order(
    values: list[float], buckets: int
) -> None:
    line = Line(
        "outlet", "outlet", np.arange(len(values), dtype=float), np.array(values), "kPa"
    )
    thin = thinned(line, buckets)
    assert thin.value.min() == line.value.min()
    assert thin.value.max() == line.value.max()
    assert np.all(np.diff(thin.t_s) > 0)
    assert set(thin.t_s) <= set(line.t_s)


def test_thinning_leaves_gaps_open() -> None:
    value = np.concatenate([np.zeros(500), np.full(500, np.nan), np.ones(500)])
    line = Line("outlet", "outlet", np.arange(1500.0), value, "kPa")
    thin = thinned(line, 30)
    inside = (thin.t_s > 520) & (thin.t_s < 980)
    assert inside.any()
    assert np.isnan(thin.value[inside]).all()


def test_the_picture_of_a_run_has_its_steps_and_limits(run_of: RunOf) -> None:
    run = open_run(run_of())
    picture = picture_of(run, run.header.plan)
    assert [line.role for line in picture.lines] == ["outlet", "inlet"]
    assert picture.lines[0].unit == "in. w.c. gauge"
    assert picture.lines[1].unit == "psi gauge"
    assert [s.step for s in picture.spans] == [s.id for s in run.header.plan.steps]
    assert all(s.done and s.stop_s is not None for s in picture.spans)
    walls = {m.step for m in picture.limits if m.low is None}
    assert walls == {"lockup-1", "lockup-2", "lockup-3", "creep-hold"}
    drawn = trace_svg(picture, PAGE)
    assert drawn == trace_svg(picture, PAGE)
    root = ET.fromstring(drawn)
    assert root.attrib["width"].endswith("pt")
    assert not root.findall(f".//{SVG}image"), "vectors only"
    assert not root.findall(f".//{SVG}text"), "outlines, the same everywhere"


def test_a_trace_without_steps_is_drawn_too(run_of: RunOf) -> None:
    run = open_run(run_of())
    whole = picture_of(run, run.header.plan)
    lone = type(whole)(lines=whole.lines[1:], spans=(), limits=(), unit=whole.unit)
    assert ET.fromstring(trace_svg(lone, PAGE)) is not None
    empty = type(whole)(lines=(), spans=(), limits=(), unit=whole.unit)
    assert ET.fromstring(trace_svg(empty, PAGE)) is not None


@pytest.mark.parametrize("height", [32.0, 50.0, 110.0])
def test_all_words_stand_inside_the_picture(run_of: RunOf, height: float) -> None:
    run = open_run(run_of())
    svg = trace_svg(picture_of(run, run.header.plan), PAGE, 188.0, height)
    wide_pt, high_pt = (mm * 72.0 / 25.4 for mm in (188.0, height))
    words = words_of(svg)
    assert any(w.attrib["aria-label"].startswith("lockup at most") for w in words)
    for word in words:
        found = re.match(r"translate\((\S+) (\S+)\)", word.attrib["transform"])
        assert found
        x, y = float(found[1]), float(found[2])
        numbers = [float(n) for n in re.findall(r"-?[\d.]+", word.attrib["d"])]
        said = word.attrib["aria-label"]
        assert x + min(numbers[::2]) >= 0.0, said
        assert x + max(numbers[::2]) <= wide_pt, said
        assert y + min(numbers[1::2]) >= 0.0, said
        assert y + max(numbers[1::2]) <= high_pt, said


def test_letters_are_the_font_s_own() -> None:
    # B612 Regular as shipped: 2000 units an em, an x 1100 wide (its hmtx table)
    assert wide("xx", 10.0) == pytest.approx(2 * 10.0 * 1100 / 2000, rel=1e-5)
    named = ET.fromstring(lettered('<"&', 0.0, 0.0, "#000000", 8.0))
    assert named.attrib["aria-label"] == '<"&'
    assert wide("\N{CYRILLIC SMALL LETTER ZHE}", 8.0) > 0.0
    assert lettered("x", 10.0, 5.0, "#000000", 8.0, across=1.0).count("5.60 5.00") == 1


@pytest.mark.parametrize(
    ("low", "high", "most", "said"),
    [
        (-0.9, 14.6, 5, ["0", "5", "10"]),
        (-0.3, 0.31, 5, ["\N{MINUS SIGN}0.2", "0.0", "0.2"]),
        (0.0, 0.011, 5, ["0.0000", "0.0025", "0.0050", "0.0075", "0.0100"]),
        (0.0, 830.0, 9, [str(n) for n in range(0, 900, 100)]),
        (7.0, 7.0, 5, ["7"]),
        (1.2e5, 4.1e5, 2, ["200000", "400000"]),
    ],
)
def test_numbers_on_an_axis_are_round(
    low: float, high: float, most: int, said: list[str]
) -> None:
    ticks, decimals = round_ticks(low, high, most)
    assert [tick_text(tick, decimals) for tick in ticks] == said


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.integers(1, 12))
def test_numbers_on_an_axis_lie_on_it_and_are_told_apart(
    low: float, width: float, most: int
) -> None:
    high = low + width
    if not high - low > 1e-9 * abs(low):
        return
    ticks, decimals = round_ticks(low, high, most)
    assert len(ticks) <= most + 1
    assert all(low - 0.01 * width <= tick <= high + 0.01 * width for tick in ticks)
    assert len({tick_text(tick, decimals) for tick in ticks}) == len(ticks)


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=200), st.floats(0.0, 0.5))
def test_a_straightened_line_passes_every_point_it_leaves_out(
    values: list[float], fine: float
) -> None:
    x = [float(n) for n in range(len(values))]
    kept = straightened(x, values, fine)
    assert kept[0] == (0.0, values[0])
    assert kept[-1] == (x[-1], values[-1])
    between = np.interp(x, [a for a, _ in kept], [b for _, b in kept])
    assert np.all(np.abs(between - np.array(values)) <= fine + 1e-9)


def test_noise_that_no_print_shows_takes_no_points() -> None:
    level = [0.01 * (-1) ** n for n in range(500)]
    assert len(straightened([float(n) for n in range(500)], level, 0.02)) <= 3
