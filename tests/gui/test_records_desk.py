"""The Records desk by keys: every state fits and is pictured; spoilt archives."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from gui.records_desk.model import RecordsModel
from gui.shots import take
from proofstand.approvals import Status, approvals, status_of
from proofstand.commands.window import WindowOptions
from proofstand.keeping.keep import add, judgement_item, put_items
from records.archive.chain import Archive
from records.planfile import builtin_plan
from records.run import Run
from records.runfile import read_sealed
from records.tomlfile import text_sha256
from tests.gui.fits import cut, nameless, settled, taken_down
from tests.gui.records_states import STEPS, AtRecords
from tests.gui.states import PICTURES, window_of
from tests.kept_samples import WHO, KeptSamples, sample
from tests.proofstand.test_approvals import ALL, TEXT

SMALL, LARGE = (1366, 768), (1920, 1080)
LOOKS = [
    (SMALL, True),
    (LARGE, False),
    pytest.param((SMALL, False), marks=pytest.mark.slow),
    pytest.param((LARGE, True), marks=pytest.mark.slow),
]
Opened = Callable[..., AtRecords]


@pytest.fixture
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    """Return a function that opens a window at the Records desk of an archive."""
    made: list[AtRecords] = []

    def open_at(
        folder: Path,
        key: Path | None = None,
        size: tuple[int, int] = SMALL,
        *,
        light: bool = True,
    ) -> AtRecords:
        options = WindowOptions(archive=folder, key=key, light=light, dark=not light)
        window = window_of(options, size)
        # its path is shown, and as short as people's own
        at = AtRecords(window, tmp_path_factory.mktemp("out"))
        made.append(at)
        window.go_to_desk("records")
        at.wait()
        return at

    yield open_at
    for at in made:
        at.window.wait_for_threads()
        taken_down(at.window)


@pytest.mark.parametrize("look", LOOKS)
def test_every_state_fits_is_named_and_is_pictured(
    own_samples: KeptSamples, opened: Opened, look: tuple[tuple[int, int], bool]
) -> None:
    size, light = look
    at = opened(own_samples.folder, own_samples.key, size, light=light)
    folder = PICTURES / f"{size[0]}x{size[1]}-{'light' if light else 'dark'}"
    wrong: dict[str, list[str]] = {}
    for name, step in STEPS.items():
        step(at)
        take(at.window, folder / f"{name}.png")
        found = [*cut(at.window), *nameless(at.window)]
        if found:
            wrong[name] = found
    assert wrong == {}


def test_no_archive_and_an_empty_one_say_what_to_do(
    kept_samples: KeptSamples, opened: Opened, tmp_path: Path
) -> None:
    at = opened(tmp_path / "nowhere")
    take(at.window, PICTURES / "1366x768-light" / "records-no-archive.png")
    assert cut(at.window) == []
    words = [label.text() for label in at.desk.finder.words]
    assert words[0] == "No archive yet."
    assert "records add" in words[2]
    assert not at.desk.finder.keys.keys["open"].isEnabled()
    empty = Archive(tmp_path / "nowhere")
    empty.make(kept_samples.signing, WHO)
    at.desk.come_into_view()
    at.wait()
    assert at.desk.finder.words[0].text() == "No run is kept yet."
    for key in (Qt.Key.Key_Return, Qt.Key.Key_F3, Qt.Key.Key_F4, Qt.Key.Key_F8):
        at.press(key)
    assert at.model.page == "find"
    at.press(Qt.Key.Key_F6)  # trends of nothing, a day of nothing, a check of nothing
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F7, Qt.Key.Key_Escape, Qt.Key.Key_F9)
    assert "0 records" in at.model.text.page().lines[0]


def test_a_spoilt_archive_is_told_and_the_rest_is_shown(
    own_samples: KeptSamples, opened: Opened
) -> None:
    runs = sorted(own_samples.folder.glob("2026/*/run.h5"))
    newest = next(p for p in runs if "stem_friction" in str(p))
    newest.write_bytes(newest.read_bytes()[:5000])
    (own_samples.folder / "2026" / "holiday.jpg").write_bytes(b"\xff\xd8 none of ours")
    judged = next(own_samples.folder.glob("2026/*pinhole*/judgement-001.json"))
    judged.unlink()
    at = opened(own_samples.folder, own_samples.key)
    finder = at.desk.finder
    assert finder.strip.isVisible()
    assert "And 2 more." in finder.strip.what.text()
    assert "backup" in finder.strip.do.text()
    assert "F9" in finder.strip.do.text()
    states = [row.cells[-1].text for row in finder.table.rows]
    assert ["damaged" in text for text in states] == [True, True, False, False, False]
    take(at.window, PICTURES / "1366x768-light" / "records-spoilt.png")
    assert cut(at.window) == []
    at.press(Qt.Key.Key_Return)  # the cut run: said, and nothing else breaks
    assert at.desk.review.strip.isVisible()
    assert "backup" in at.desk.review.strip.do.text()
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_Down, Qt.Key.Key_Return)
    page = at.model.review.page()
    assert page.verdict == "fail"  # judged from its samples; what is missing is said
    assert page.strip is not None
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F3)
    assert at.model.life.page().strip is not None
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F9)
    lines = "\n".join(at.model.text.page().lines)
    assert "holiday.jpg" in lines
    assert cut(at.window) == []


def test_pages_by_keys_and_no_page_beyond_the_end(
    kept_samples: KeptSamples, opened: Opened
) -> None:
    at = opened(kept_samples.folder)
    at.model.find._most = 4
    at.model.find.come_into_view()
    at.wait()
    assert len(at.desk.finder.table.rows) == 4
    at.press(Qt.Key.Key_PageDown)
    assert len(at.desk.finder.table.rows) == 1
    assert "Page 2" in at.desk.finder.foot.text()
    at.press(Qt.Key.Key_PageDown)
    assert "last page" in at.desk.finder.foot.text()
    at.press(Qt.Key.Key_PageUp)
    assert "Page 1" in at.desk.finder.foot.text()
    at.press(Qt.Key.Key_PageUp)
    assert "first page" in at.desk.finder.foot.text()
    assert len(at.desk.finder.table.rows) == 4
    at.desk.finder.fields.fields["gas"].setFocus()
    at.press(Qt.Key.Key_PageDown)  # from a field too
    assert "Page 2" in at.desk.finder.foot.text()
    at.press(Qt.Key.Key_Down)
    assert at.desk.finder.table.hasFocus()
    at.press(Qt.Key.Key_PageUp)
    at.desk.finder.keys.keys["after"].click()
    at.wait()
    assert "Page 2" in at.desk.finder.foot.text()


def test_a_scanned_label_finds_its_regulator_from_any_page(
    kept_samples: KeptSamples, opened: Opened
) -> None:
    at = opened(kept_samples.folder)
    at.press(Qt.Key.Key_F7)
    assert at.model.page == "text"
    QTest.keyClicks(at.focused, "LV-1042/sim-0001")
    QTest.keyClick(at.focused, Qt.Key.Key_Return)
    at.wait()
    assert at.model.page == "find"
    fields = at.desk.finder.fields.fields
    assert fields["serial"].text() == "sim-0001"
    assert len(at.desk.finder.table.rows) == 5
    fields["serial"].setFocus()  # a scan into a field does the same
    QTest.keyClicks(at.focused, "LV-1042/nobody")
    QTest.keyClick(at.focused, Qt.Key.Key_Return)
    at.wait()
    assert at.desk.finder.words[0].text() == "No run fits."


def test_a_suspected_fault_and_a_finding_in_a_range_find_runs(
    kept_samples: KeptSamples, opened: Opened
) -> None:
    at = opened(kept_samples.folder)
    at.desk.finder.more()
    grid = at.desk.finder.fields

    def typed(name: str, text: str) -> list[str]:
        field = grid.fields[name]
        field.setText(text)
        field.textEdited.emit(text)
        field.setFocus()
        at.press(Qt.Key.Key_Return)
        return [row.run.verdict for row in at.model.find.page().rows]

    every = len(at.model.find.page().rows)
    nicked = typed("cause", "seat_nicked")
    assert set(nicked) == {"fail"}
    assert len(nicked) < every
    assert len(typed("found", "lockup_rise >= 0.01 kPa; seat_leak = fail")) >= 1
    assert typed("found", "lockup_rise >= 900 kPa") == []
    typed("found", "lockup_rise > 5")
    assert grid.notes["found"].text()
    typed("found", "")
    typed("cause", "gremlin")
    assert grid.notes["cause"].text().startswith("No fault begins so")


def test_a_blank_in_a_scan_marks_nothing(
    kept_samples: KeptSamples, opened: Opened
) -> None:
    at = opened(kept_samples.folder)
    QTest.keyClicks(at.desk.finder.table, "LV 1042 X")
    assert at.model.find.marked == ()


def test_texts_of_any_length_and_script_are_shown_whole_or_with_dots(
    own_samples: KeptSamples, opened: Opened, tmp_path: Path
) -> None:
    def odd(run: Run) -> Run:
        job = run.header.job
        serial = "Ünïcode-調整器-\u202e" + 300 * "9"
        regulator = replace(job.regulator, serial=serial, model=80 * "長い名前 ")
        header = replace(
            run.header,
            id="odd-1",
            job=replace(job, regulator=regulator),
            started_utc_ns=2**62,
        )
        return replace(run, header=header)

    path = sample("second-stage-good", tmp_path / "odd.h5", own_samples.key, odd)
    add(own_samples.archive, [path], key=own_samples.signing, who=WHO)
    at = opened(own_samples.folder, own_samples.key)
    assert cut(at.window) == []
    field = at.desk.finder.fields.fields["serial"]
    field.setFocus()
    field.setText("\u202e調" + 5000 * "x")
    field.textEdited.emit(field.text())
    at.press(Qt.Key.Key_Return)
    assert at.desk.finder.words[0].isVisible()
    field.setText("Ünïcode*")
    field.textEdited.emit(field.text())
    field.setFocus()
    at.press(Qt.Key.Key_Return)
    assert len(at.desk.finder.table.rows) == 1
    at.press(Qt.Key.Key_F3)
    assert len(at.desk.life.table.rows) == 1
    at.press(Qt.Key.Key_Return)
    settled()
    assert at.model.review.page().verdict == "pass"
    assert "\u202e" not in at.window.head._first.text()


def test_another_size_keeps_the_page_and_what_is_open(
    kept_samples: KeptSamples, opened: Opened
) -> None:
    at = opened(kept_samples.folder)
    at.press(Qt.Key.Key_Down, Qt.Key.Key_Return)
    serial = at.model.review.page().head
    assert serial
    model = at.model
    at.window.resize(*LARGE)
    at.window._fit()
    at.wait()
    assert at.model is model
    assert at.model.page == "run"
    assert at.desk.review.isVisible()
    assert at.desk.review.verdict.text() == "fail"
    at.press(Qt.Key.Key_Escape)
    assert at.model.page == "find"
    assert len(at.desk.finder.table.rows) == 5


def test_nothing_outlives_the_window(kept_samples: KeptSamples, opened: Opened) -> None:
    at = opened(kept_samples.folder)
    at.press(Qt.Key.Key_Down)
    QTest.keyClick(at.focused, Qt.Key.Key_Return)  # still reading
    model = at.model
    assert isinstance(model, RecordsModel)
    at.window.wait_for_threads()
    assert not model.busy


def test_what_comes_out_another_is_kept_beside_the_old_by_who_is_named(
    own_samples: KeptSamples, opened: Opened
) -> None:
    archive = own_samples.archive
    path = next(p for p in archive.folder.glob("*/*/judgement-001.json"))
    document = json.loads(path.read_bytes())
    (told,) = document["judgements"]
    told["analysis_version"] -= 1
    told["verdict"] = "inconclusive"
    run = read_sealed(path.parent / "run.h5")
    data = json.dumps(document).encode()
    item = judgement_item(run, data, archive.stage(data, "judgement"))
    put_items(archive, [item], own_samples.signing, WHO, lambda: 1)
    at = opened(own_samples.folder, own_samples.key)
    at.press(Qt.Key.Key_Space)  # one marked run alone is judged, or all
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F11, Qt.Key.Key_F5)
    page = at.model.anew.page()
    (row,) = [each for each in page.rows if each.turns]
    assert row.before == "inconclusive"
    assert page.may_keep
    before = sorted(path.parent.iterdir())
    at.press(Qt.Key.Key_F8)  # who keeps it is asked first
    assert at.focused is at.desk.anew.name
    assert sorted(path.parent.iterdir()) == before
    at.type(WHO)
    at.press(Qt.Key.Key_Return)
    assert "Kept: 1" in at.model.anew.page().came
    new = sorted(set(path.parent.iterdir()) - set(before))
    assert [each.name for each in new] == ["judgement-003.json"]
    (kept,) = json.loads(new[0].read_bytes())["judgements"]
    assert (kept["by"], kept["verdict"]) == (WHO, row.after)
    assert not at.model.anew.page().may_keep
    at.press(Qt.Key.Key_F5)  # again: there is nothing more
    assert not at.model.anew.page().may_keep
    assert at.model.anew.page().rows == ()


def test_who_leaves_the_page_ends_the_judging_and_nothing_is_written(
    own_samples: KeptSamples, opened: Opened
) -> None:
    before = sorted(own_samples.folder.rglob("*"))
    at = opened(own_samples.folder, own_samples.key)
    QTest.keyClick(at.focused, Qt.Key.Key_F11)
    QTest.keyClick(at.focused, Qt.Key.Key_F5)
    assert at.model.anew.page().at_work
    QTest.keyClick(at.focused, Qt.Key.Key_Escape)
    at.wait()
    assert at.model.page == "find"
    assert at.model.anew.page().rows == ()
    assert sorted(own_samples.folder.rglob("*")) == before


def test_a_plan_is_read_and_approved_by_who_is_named(
    kept_samples: KeptSamples, opened: Opened
) -> None:
    at = opened(kept_samples.folder)
    at.desk.finder.keys.keys["plans"].click()
    at.wait()
    rows = [row.plan for row in at.model.plans.page().rows]
    number = next(i for i, plan in enumerate(rows) if plan.startswith("low-pressure"))
    for _ in range(number):
        at.press(Qt.Key.Key_Down)
    text = at.desk.plans.text.toPlainText()
    assert "Second stage, low pressure" in text
    at.press(Qt.Key.Key_F8)
    at.type(WHO)
    at.desk.plans.fields["accept"].setFocus()
    at.type("; ".join(f"{finding}={why}" for finding, why in ALL.items()))
    at.press(Qt.Key.Key_Return)
    page = at.model.plans.page()
    assert not page.wrong, page.came
    assert page.rows[number].status == "approved"
    assert WHO in page.rows[number].by
    plan, sha256 = builtin_plan("low-pressure")[0], text_sha256(TEXT)
    assert status_of(plan, sha256) is Status.APPROVED
    at.press(Qt.Key.Key_F8)  # one version is approved once
    assert at.model.plans.page().wrong
    assert len(approvals()) == 1
