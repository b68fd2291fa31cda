"""Pages on faults: words for each, traces from the simulator, what separates them."""

from __future__ import annotations

import json
import shutil
import xml.etree.ElementTree as ET
from pathlib import Path

import jsonschema
import pytest

from proofstand.drawing.beside import beside_svg, page_svg, wrapped
from proofstand.drawing.inks import DARK, PAGE
from proofstand.fault_pages import (
    HEALTHY,
    apart_of,
    fault_page,
    page_words,
    said,
    trace_of,
    traces_folder,
)
from proofstand.simulated import PLANS
from proofstand.words.sentences import words
from records.faults import CATALOGUE
from records.runfile import read_sealed

from .shops import Call, call

__all__ = ["call"]

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_runs"


@pytest.fixture
def traces(own_places: Path) -> Path:
    """Return the folder of traces, with those of sample runs in it."""
    folder = traces_folder()
    folder.mkdir(parents=True)
    for name, file in (
        (HEALTHY, "good"),
        ("seat_nicked", "seat-nicked"),
        ("diaphragm_pinhole", "pinhole"),
    ):
        stored = SAMPLES / f"second-stage-{file}.h5"
        shutil.copy(stored, folder / f"second-stage-{name}.h5")
    return folder


@pytest.mark.parametrize("id", CATALOGUE)
def test_every_fault_has_its_words_and_what_separates_its_group(id: str) -> None:
    # signs and groups are common practice, no source
    told = words()["fault_page"][id]
    assert set(told) == {"looks", "apart"}
    assert told["looks"].endswith(".")
    entry = CATALOGUE[id]
    others = apart_of(id)
    assert {other.id for other in others if other.same} == set(entry.group) - {id}
    assert id not in {other.id for other in others}
    for other in others:
        assert other.id in told["apart"], f"nothing separates {id} from {other.id}"
        assert other.words.endswith(".")


def test_no_words_are_of_a_fault_that_there_is_not() -> None:
    told = {id: of for id, of in words()["fault_page"].items() if isinstance(of, dict)}
    assert set(told) == set(CATALOGUE)
    assert all(set(of["apart"]) <= set(CATALOGUE) for of in told.values())


def test_what_looks_alike_is_told_from_both_sides_of_a_group() -> None:
    for id, entry in CATALOGUE.items():
        for other in entry.group:
            if id in CATALOGUE[other].group:
                assert id in words()["fault_page"][other]["apart"] or other == id


def test_the_page_of_a_leaking_seat(traces: Path) -> None:
    own = trace_of("seat_nicked", "second-stage")
    other = trace_of(HEALTHY, "second-stage")
    page = fault_page("seat_nicked", "second-stage", own, other)
    assert page.step == "creep-hold"
    (lane, inlet) = page.picture.lanes if page.picture is not None else (None, None)
    assert lane is not None
    assert inlet is not None
    assert (lane.own.role, inlet.own.role) == ("outlet", "inlet")

    # laid together where the hold begins: the fault rises, the healthy one stands
    def rise(line: object) -> float:
        t, value = line.t_s, line.value  # type: ignore[attr-defined]
        return float(value[t <= 25.0][-1] - value[t >= 10.0][0])  # closed by then

    assert rise(lane.own) > 0.2
    assert abs(rise(lane.other)) < 0.05
    assert any("Creep rate" in told and "in. w.c./min" in told for told in page.tells)
    assert "fail" in page.shown


def test_the_page_of_a_leak_to_outside_tells_by_the_body_hold(traces: Path) -> None:
    own = trace_of("diaphragm_pinhole", "second-stage")
    page = fault_page(
        "diaphragm_pinhole", "second-stage", own, trace_of(HEALTHY, "second-stage")
    )
    assert page.step == "body-hold"
    assert page.tells[0].startswith("External leakage")


def test_two_runs_that_are_alike_show_no_step(traces: Path) -> None:
    run = trace_of(HEALTHY, "second-stage")
    page = fault_page("spring_soft", "second-stage", run, run)
    assert (page.step, page.picture, page.tells) == ("", None, ())
    assert page.check
    assert "can't be relied on" in page.shown


@pytest.mark.parametrize("inks", [PAGE, DARK])
def test_the_drawing_is_an_svg_that_names_both_lines(
    traces: Path, inks: object
) -> None:
    own = trace_of("seat_nicked", "second-stage")
    other = trace_of(HEALTHY, "second-stage")
    page = fault_page("seat_nicked", "second-stage", own, other)
    assert page.picture is not None
    svg = beside_svg(page.picture, inks)  # type: ignore[arg-type]
    ET.fromstring(svg)
    for name in ("The seat or its disc is nicked", said("healthy")):
        assert f'aria-label="{name}"' in svg
    assert "stroke-dasharray" in svg  # told apart without ink
    whole = page_svg(page_words(page), page.picture, PAGE)
    ET.fromstring(whole)
    assert 'aria-label="SIMULATED RIG, no regulator was tested"' in whole


def test_words_break_where_they_have_no_room() -> None:
    lines = wrapped("one two three four five", 10.0, 60.0)
    assert " ".join(lines) == "one two three four five"
    assert len(lines) > 1


def test_explain_without_a_window(call: Call, traces: Path, tmp_path: Path) -> None:
    svg, png = tmp_path / "page.svg", tmp_path / "page.png"
    code, out, err = call("drill", "explain", "seat_nicked", "--out", svg)
    assert code == 0, err
    assert "SIMULATED RIG" in out
    assert "What it is confused with" in out
    ET.fromstring(svg.read_text("utf-8"))
    code, out, err = call("drill", "explain", "seat_nicked", "--out", png, "--json")
    assert code == 0, err
    assert png.read_bytes().startswith(b"\x89PNG")
    found = json.loads(out)
    schema = ROOT / "docs" / "schemas" / "fault-page-1.json"
    jsonschema.validate(found, json.loads(schema.read_text("utf-8")))
    assert found["step"] == "creep-hold"
    before = svg.read_bytes()
    code, _, err = call("drill", "explain", "seat_nicked", "--out", svg)
    assert (code, svg.name in err, svg.read_bytes()) == (2, True, before)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (["gremlin"], "No fault is called"),
        (["seat_nicked", "--out", "page.gif"], ".svg or .png"),
        (["seat_nicked", "--family", "third-stage"], "third-stage"),
        (["relief_low", "--family", "cylinder-1"], "relief_low"),
    ],
)
def test_what_can_not_be_explained_is_told(
    call: Call, traces: Path, given: list[str], told: str
) -> None:
    code, _, err = call("drill", "explain", *given)
    assert (code, told in err) == (2, True), err


def test_traces_of_other_versions_go_and_a_spoilt_one_is_made_anew(
    traces: Path,
) -> None:
    from proofstand.fault_pages import _clear_others

    old = traces.parent / "0.0-1"
    old.mkdir()
    (old / "second-stage-healthy.h5").write_bytes(b"old")
    _clear_others(traces)
    assert not old.exists()
    assert (traces / f"second-stage-{HEALTHY}.h5").exists()


@pytest.mark.slow
@pytest.mark.parametrize("family", ["second-stage"])
@pytest.mark.parametrize("id", CATALOGUE)
def test_a_page_is_made_of_every_fault(id: str, family: str, shared: Path) -> None:
    folder = shared / "traces"
    own = trace_of(id, family, folder=folder)
    page = fault_page(id, family, own, trace_of(HEALTHY, family, folder=folder))
    assert page.plan == PLANS[family]
    if page.plan in CATALOGUE[id].plans:
        assert page.step
        assert page.picture is not None
        assert "pass" not in page.shown
    assert read_sealed(folder / f"{family}-{id}.h5").truth is not None
