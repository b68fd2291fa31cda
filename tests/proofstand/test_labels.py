"""Job labels and tags: what they say, what they never say, and that they fit.

Outside checks: pdftotext, pdffonts, pdfinfo and qpdf. No reader of codes is at hand:
the code's squares, as they are drawn, are compared with those of segno's matrix.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import segno
from hypothesis import given
from hypothesis import strategies as st

from proofstand.bench.cardcheck import card_check
from proofstand.signoff.issue import issue
from proofstand.signoff.labels import (
    QUIET,
    Size,
    Standing,
    State,
    job_label,
    set_labels,
    shape_svg,
    state_for,
)
from proofstand.signoff.notices import Says, put_notice
from proofstand.signoff.page import code_svg
from records.errors import InputError, RefusedError
from records.jobcard import JobCard
from records.jobfile import example_text, parse_job
from records.runfile import open_run

from .conftest import SealedRun
from .test_certificate import Call, call, text_of, tool
from .test_papers import earlier, without_unit

__all__ = ["call", "tool"]  # fixtures
Tool = Callable[..., str]
WHEN = datetime.datetime(2026, 11, 26, tzinfo=datetime.UTC)
CARD = parse_job(example_text(), "example.toml")
STOCK = Size(100.0, 50.0)


def card_at(folder: Path, text: str = "") -> Path:
    path = folder / "job.toml"
    path.write_text(text or example_text(), "utf-8")
    return path


def test_the_certificate_of_another_run_is_told_as_that(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path, call: Call
) -> None:
    run, other = sealed_run(), sealed_run(change=earlier)
    issue(other, tmp_path / "c.pdf", key_folder=demo_key)
    words = ("print", "tag", run, "--certificate", tmp_path / "c.pdf")
    code, _, err = call(*words, "--out", tmp_path / "t.pdf")
    assert code == 6
    assert f"is of another run, {open_run(other).id}" in err
    assert not (tmp_path / "t.pdf").exists()


# --- the job label -------------------------------------------------------------------


def test_a_job_label_says_whose_it_is(tmp_path: Path, call: Call, tool: Tool) -> None:
    out = tmp_path / "label.pdf"
    code, said, err = call("print", "label", card_at(tmp_path), "--out", out)
    assert code == 0, err
    assert "100 x 50 mm" in said
    text = text_of(tool, out)
    for wanted in (
        CARD.id,
        CARD.regulator.serial,
        CARD.regulator.model,
        "propane",
        "2026-11-23",
        CARD.label(CARD.regulator.serial),
    ):
        assert wanted in text, wanted
    assert "NO PRESSURE" not in text
    size = re.search(r"Page size: +([\d.]+) x ([\d.]+) pts", tool("pdfinfo", out))
    assert size is not None
    assert float(size[1]) == pytest.approx(100.0 * 72.0 / 25.4, abs=0.1)
    assert float(size[2]) == pytest.approx(50.0 * 72.0 / 25.4, abs=0.1)
    assert "No syntax or stream encoding errors" in tool("qpdf", "--check", out)
    fonts = tool("pdffonts", out).splitlines()[2:]
    assert fonts
    assert all(line.split()[-5] == "yes" for line in fonts)
    assert without_unit(text) == []


@pytest.mark.parametrize(
    ("card", "said"),
    [
        (replace(CARD, purged=False), "NO PRESSURE: no purge statement"),
        (
            replace(CARD, regulator=replace(CARD.regulator, gas="oxygen")),
            "For oxygen: receiving rig only until cleaned",
        ),
    ],
)
def test_a_job_label_warns(
    card: JobCard, said: str, tmp_path: Path, tool: Tool
) -> None:
    out = tmp_path / "label.pdf"
    out.write_bytes(set_labels([job_label(card, "K-4410")], STOCK, WHEN))
    assert said in text_of(tool, out)


def test_a_batch_has_a_label_for_each(tmp_path: Path, call: Call, tool: Tool) -> None:
    serials = ("K-4410", "K-4411", "K-4412")
    text = example_text().replace(
        "[regulator]", f"serials = {list(serials)}\n\n[regulator]", 1
    )
    path, out = card_at(tmp_path, text), tmp_path / "labels.pdf"
    code, _, err = call("print", "label", path, "--out", out)
    assert code == 0, err
    assert "Pages: 3" in " ".join(tool("pdfinfo", out).split())
    said = text_of(tool, out)
    assert all(CARD.label(serial) in said for serial in serials)
    one = tmp_path / "one.pdf"
    assert call("print", "label", path, "--out", one, "--serial", "K-4411")[0] == 0
    assert "K-4412" not in text_of(tool, one)
    none = tmp_path / "none.pdf"
    code, _, err = call("print", "label", path, "--out", none, "--serial", "K-9")
    assert code == 2
    assert "K-4411" in err
    assert not none.exists()


def squares(svg: str) -> set[tuple[int, int]]:
    """Return the dark squares of a code as its path draws them, row by row."""
    path = re.search(r' d="([^"]+)"', svg)
    assert path is not None
    dark: set[tuple[int, int]] = set()
    x, y = 0.0, 0.0
    for command, numbers in re.findall(r"([MmhH])([-\d. ]+)", path[1]):
        given = [float(n) for n in re.findall(r"-?[\d.]+", numbers)]
        if command == "M":
            x, y = given
        elif command == "m":
            x, y = x + given[0], y + given[1]
        else:
            assert command == "h"
            dark |= {(int(x + n), int(y - 0.5)) for n in range(int(given[0]))}
            x += given[0]
    return dark


@pytest.mark.parametrize("serial", ["K-4410", 'A/B "7"', "Ж-12", "x" * 60])
def test_the_code_holds_what_the_start_sheet_compares(serial: str) -> None:
    card = replace(CARD, regulator=replace(CARD.regulator, serial=serial))
    label = job_label(card, serial)
    assert card.serial_of(label["code"]) == serial
    matrix = segno.make(card.label(serial), error="m", micro=False).matrix
    wanted = {
        (x + QUIET, y + QUIET)
        for y, row in enumerate(matrix)
        for x, dark in enumerate(row)
        if dark
    }
    assert squares(code_svg(label["code"], border=QUIET)) == wanted
    # the rule of the start sheet takes it, and another job's not
    for text, stops in ((label["code"], False), ("LV-1/K-4410", True)):
        notes = card_check(card, label=text)
        assert any(note.id == "label_differs" for note in notes) == stops


# --- it fits, or says that it does not -----------------------------------------------


@pytest.mark.parametrize("size", ["100x50", "62x29", "62 x 100", "210x297", "50x80mm"])
def test_any_stock_that_is_large_enough(size: str, tmp_path: Path, tool: Tool) -> None:
    out = tmp_path / "label.pdf"
    out.write_bytes(set_labels([job_label(CARD, "K-4410")], Size.parse(size), WHEN))
    assert "K-4410" in text_of(tool, out)
    assert "Pages: 1" in " ".join(tool("pdfinfo", out).split())
    box = tool("pdftotext", "-bbox", out, "-")
    page = re.search(r'<page width="([\d.]+)" height="([\d.]+)"', box)
    assert page is not None
    for word in re.finditer(
        r'xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)"', box
    ):
        left, top, right, bottom = (float(x) for x in word.groups())
        assert left >= 0.0
        assert top >= 0.0
        assert right <= float(page[1])
        assert bottom <= float(page[2])


@pytest.mark.parametrize("serial", ["x" * 300, "K-" + '77/"' * 40])
def test_what_does_not_fit_is_refused_and_never_cut(serial: str) -> None:
    with pytest.raises(RefusedError) as caught:
        set_labels([job_label(CARD, serial)], Size(62.0, 29.0), WHEN)
    assert caught.value.id == "label_too_small"
    assert re.fullmatch(r"\d+ x \d+", caught.value.facts["needed"])


def test_the_stock_that_is_named_would_do() -> None:
    label = job_label(CARD, "K-4410-A-LONG-SERIAL-NUMBER")
    with pytest.raises(RefusedError) as caught:
        set_labels([label], Size(30.0, 20.0), WHEN)
    needed = Size.parse(caught.value.facts["needed"])
    assert set_labels([label], needed, WHEN).startswith(b"%PDF")


@pytest.mark.parametrize(
    "size", ["100", "100x", "axb", "10x50", "100x301", "nanx50", ""]
)
def test_a_size_that_is_none(size: str) -> None:
    with pytest.raises(InputError, match="value_wrong"):
        Size.parse(size)


# --- the tag -------------------------------------------------------------------------

standings = st.builds(
    Standing,
    passes=st.booleans(),
    fails=st.booleans(),
    number=st.sampled_from(["", "20261126-ABCDEF"]),
    against=st.sampled_from(["", "under review", "replaced", "a test report"]),
    ending=st.sampled_from(
        [
            *("", "returned to service", "rework", "on hold"),
            *("returned unrepaired", "scrapped"),
        ]
    ),
)


@given(standings, st.sampled_from([None, *State]))
def test_serviceable_only_on_a_pass_with_its_certificate(
    standing: Standing, asked: State | None
) -> None:
    good = (
        standing.passes
        and standing.number != ""
        and not standing.against
        and standing.ending in ("", "returned to service")
    )
    if asked is State.SERVICEABLE and not good:
        with pytest.raises(RefusedError, match="tag_not_serviceable"):
            state_for(standing, asked)
        return
    state = state_for(standing, asked)
    if asked is not None:
        assert state is asked
    assert good or state is not State.SERVICEABLE


def test_a_fail_is_reworked_and_what_is_open_is_held() -> None:
    assert state_for(Standing(passes=False, fails=True), None) is State.REWORK
    assert state_for(Standing(passes=False), None) is State.HOLD
    assert state_for(Standing(passes=True), None) is State.HOLD
    assert state_for(Standing(passes=True, number="n"), None) is State.SERVICEABLE


def test_shapes_differ_without_colour() -> None:
    drawn = {state: shape_svg(state) for state in State}
    assert len(set(drawn.values())) == len(State)
    outlines = {re.findall(r"<(circle|polygon|rect)", svg)[0] for svg in drawn.values()}
    assert len(outlines) == 3  # octagon and triangle by their corners
    corners = {len(re.findall(r"[\d.]+,[\d.]+", svg)) for svg in drawn.values()}
    assert {8, 3} <= corners
    for svg in drawn.values():
        assert set(re.findall(r"#[0-9a-f]{6}", svg)) == {"#000000"}


def test_a_pass_with_its_certificate_is_serviceable(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path, call: Call, tool: Tool
) -> None:
    run = sealed_run()
    made = issue(run, tmp_path / "certificate.pdf", key_folder=demo_key)
    words = ("print", "tag", run, "--certificate", made.path)
    for size in ("100x50", "62x29"):
        out = tmp_path / f"tag-{size}.pdf"
        code, said, err = call(*words, "--out", out, "--size", size)
        assert code == 0, err
        assert "serviceable" in said
        text = text_of(tool, out)
        day = datetime.datetime.fromtimestamp(
            open_run(run).header.started_utc_ns / 1e9, tz=datetime.UTC
        ).astimezone()
        for wanted in (
            "SERVICEABLE",
            "SIM-0001",
            made.certificate.number,
            f"{day:%Y-%m-%d}",
            "SIMULATED RIG, no regulator was tested",
            "seal not recorded",
        ):
            assert wanted in text, wanted
        assert re.search(r"set 1[01]\.\d+ ± 0\.\d+ in\. w\.c\. gauge", text)
        assert "Not for service" not in text
        assert without_unit(text) == []
    put_notice(made.path, Says.UNDER_REVIEW, "why", key_folder=demo_key)
    out = tmp_path / "later.pdf"
    code, said, _ = call(*words, "--out", out)
    assert code == 0
    assert "hold" in said
    assert "HOLD" in text_of(tool, out)
    code, _, err = call(*words, "--out", tmp_path / "no.pdf", "--state", "serviceable")
    assert code == 6
    assert "under review" in err
    assert not (tmp_path / "no.pdf").exists()


def test_without_its_own_certificate_it_is_held(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path, call: Call, tool: Tool
) -> None:
    run = sealed_run()
    out = tmp_path / "tag.pdf"
    code, _, _ = call("print", "tag", run, "--out", out)
    assert code == 0
    text = text_of(tool, out)
    assert "HOLD" in text
    assert "Not for service." in text
    assert open_run(run).id in text
    draft = sealed_run(approved=False)
    made = issue(draft, tmp_path / "report.pdf", key_folder=demo_key)
    words = ("print", "tag", "--out", tmp_path / "no.pdf", "--certificate", made.path)
    assert call(*words, run)[0] == 5  # of another run
    code, _, err = call(*words, draft, "--state", "serviceable")
    assert code == 6
    assert "accepted limits" in err
    assert call("print", "tag", run, "--out", out)[0] == 2  # never written over


def test_the_card_of_now_tells_seal_and_ending(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path, call: Call, tool: Tool
) -> None:
    run = sealed_run()
    made = issue(run, tmp_path / "certificate.pdf", key_folder=demo_key)
    job = open_run(run).header.job
    head = (
        f'format = "proofstand.job/1"\nid = "{job.id}"\n[regulator]\n'
        f'serial = "{job.regulator.serial}"\nmodel = "m"\nfamily = "second-stage"\n'
        'gas = "propane"\n[[disposition]]\n'
    )
    words = ("print", "tag", run, "--certificate", made.path)
    back = card_at(
        tmp_path, head + 'ending = "returned to service"\nadjuster_seal = "S-5521"\n'
    )
    out = tmp_path / "back.pdf"
    code, _, err = call(*words, "--job", back, "--out", out)
    assert code == 0, err
    text = text_of(tool, out)
    assert "SERVICEABLE" in text
    assert "seal S-5521" in text
    scrap = card_at(
        tmp_path, head + 'ending = "scrapped"\nhow = "sawn"\nby = "P. Quill"\n'
    )
    out = tmp_path / "scrap.pdf"
    assert call(*words, "--job", scrap, "--out", out)[0] == 0
    assert "SCRAP" in text_of(tool, out)
    other = card_at(tmp_path, head.replace(job.id, "LV-9") + 'ending = "rework"\n')
    code, _, err = call(*words, "--job", other, "--out", tmp_path / "other.pdf")
    assert code == 6
    assert "LV-9" in err
