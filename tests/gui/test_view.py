"""The window's widgets, driven without a screen: keys, clicks, sizes, words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QImage
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel, QLineEdit, QPushButton, QWidget
from pytestqt.qtbot import QtBot

from analysis.judge import judge
from gui.app import Window, made_application
from gui.bench_desk.presenter import ARM_S, STOP_AGAIN_S, Presenter
from gui.bench_desk.run_sheet import BASE_PX, NAME_PX
from gui.bench_desk.screen import Action, Strip
from gui.bench_desk.start_checks import Given, look_at
from gui.bench_desk.wording import said, several
from gui.session_thread import Final, PaperRefused, SessionThread
from gui.theme import Theme, load_fonts, pixels_for, scale_for
from proofstand.commands.window import WindowOptions
from proofstand.drawing.bar import bar_svg
from proofstand.drawing.inks import DARK, LIGHT, Inks, contrast
from proofstand.procedure.engine import Abandon, Acknowledge, Command
from proofstand.session import Asked, Closed, Judged
from proofstand.signoff import persons
from proofstand.simulated import EPOCH, JOB_TEXT
from proofstand.words.sentences import caution, words
from records.errors import RefusedError
from records.judgement import Outcome
from records.measure import parse_quantity
from records.people import Roll
from records.run import ACTS, MarkKind, Request, Run
from records.runfile import open_run
from rig.simulator.rigtext import rig_text
from tests.gui.replay import events_until
from tests.gui.test_presenter import Clock, asked, judged
from tests.simulated_runs import RunOf

SIZES = [(1366, 768), (1920, 1080)]


class Deaf(SessionThread):
    """A session that only notes what it is told."""

    def __init__(self) -> None:
        super().__init__(lambda tell, commands: None)
        self.said: list[Command] = []

    def say(self, command: Command) -> None:
        self.said.append(command)


def window(
    qtbot: QtBot, options: WindowOptions | None = None, size: tuple[int, int] = SIZES[0]
) -> Window:
    made_application()
    made = Window(options or WindowOptions(light=True), QSize(*size))
    made._beat.stop()
    qtbot.addWidget(made)
    made.show()
    qtbot.waitExposed(made)
    return made


def at_work(made: Window, presenter: Presenter) -> Deaf:
    """Put a presenter to a window's desk, as if its session ran."""
    thread = Deaf()
    made._presenter, made._thread = presenter, thread
    made._stack.setCurrentWidget(made._bench())
    made.setFocus()
    made.show_now()
    return thread


@pytest.fixture
def clock() -> Clock:
    return Clock()


def moment(run: Run, until_s: float, clock: Clock) -> Presenter:
    presenter = Presenter(clock=clock)
    presenter.take(events_until(run, until_s, (6.0,)))
    return presenter


def hold_of(run: Run, step: str) -> float:
    return next(
        m.t_s for m in run.marks if m.kind is MarkKind.HOLD_BEGIN and m.step == step
    )


# --- presses -------------------------------------------------------------------------


def test_enter_confirms_but_not_right_after_a_new_request(
    qtbot: QtBot, recorded: Run, clock: Clock
) -> None:
    made = window(qtbot)
    presenter = moment(recorded, 1.0, clock)
    thread = at_work(made, presenter)
    asked(presenter)
    made.show_now()
    desk = made._bench()
    assert desk.action.done.isVisible()
    assert not desk.action.done.isEnabled()
    QTest.keyClick(made, Qt.Key.Key_Return)
    QTest.mouseClick(desk.action.done, Qt.MouseButton.LeftButton)
    assert thread.said == []
    clock.now += 1.1 * ARM_S
    made.show_now()
    assert desk.action.done.isEnabled()
    QTest.keyClick(made, Qt.Key.Key_Return)
    assert [type(c) for c in thread.said] == [Acknowledge]
    made.show_now()
    assert not desk.action.done.isVisible()
    asked(presenter, "zero.9", "lock_nut")
    made.show_now()
    QTest.keyClick(made, Qt.Key.Key_Return)
    assert len(thread.said) == 1


def test_a_key_that_goes_away_leaves_its_focus_to_no_other(
    qtbot: QtBot, recorded: Run, clock: Clock
) -> None:
    made = window(qtbot)
    presenter = moment(recorded, 1.0, clock)
    thread = at_work(made, presenter)
    asked(presenter)
    clock.now += 1.1 * ARM_S
    made.show_now()
    panel = made._bench().action
    panel.done.setFocus()
    QTest.keyClick(panel.done, Qt.Key.Key_Return)
    assert [type(c) for c in thread.said] == [Acknowledge]
    made.show_now()
    assert not panel.done.isVisible()
    assert not panel.stop_key.hasFocus()
    for _ in range(3):  # whoever goes on pressing stops nothing
        clock.now += 2.0 * STOP_AGAIN_S
        QTest.keyClick(made.focusWidget() or made, Qt.Key.Key_Return)
        made.show_now()
    assert [type(c) for c in thread.said] == [Acknowledge]


def test_a_click_confirms_too(qtbot: QtBot, recorded: Run, clock: Clock) -> None:
    made = window(qtbot)
    presenter = moment(recorded, 1.0, clock)
    thread = at_work(made, presenter)
    asked(presenter)
    clock.now += 1.1 * ARM_S
    made.show_now()
    QTest.mouseClick(made._bench().action.done, Qt.MouseButton.LeftButton)
    assert [type(c) for c in thread.said] == [Acknowledge]


def test_stop_takes_two_presses_in_its_place(
    qtbot: QtBot, recorded: Run, clock: Clock
) -> None:
    made = window(qtbot)
    hold = hold_of(recorded, "lockup-1")
    thread = at_work(made, moment(recorded, hold + 5.0, clock))
    key = made._bench().action.stop_key
    QTest.mouseClick(key, Qt.MouseButton.LeftButton)
    assert thread.said == []
    assert "again" in key.text()
    QTest.keyClick(made, Qt.Key.Key_Escape)
    made.show_now()
    assert key.text() == "Stop the test: F10"
    QTest.mouseClick(key, Qt.MouseButton.LeftButton)
    clock.now += 2.0 * STOP_AGAIN_S
    # A click leaves no focus behind, so that Enter can't be the second press.
    QTest.keyClick(made, Qt.Key.Key_Return)
    assert thread.said == []
    QTest.mouseClick(key, Qt.MouseButton.LeftButton)
    assert [type(c) for c in thread.said] == [Abandon]
    made.show_now()
    assert made._bench().strip.isVisible()
    assert "full of pressure" in made._bench().strip.do.text()


def test_closing_asks_once_and_takes_no_for_an_answer(
    qtbot: QtBot, recorded: Run, clock: Clock
) -> None:
    made = window(qtbot)
    thread = at_work(made, moment(recorded, 30.0, clock))
    thread_alive = True
    type(thread).alive = property(lambda self: thread_alive)  # type: ignore[assignment,method-assign]
    try:
        made.close()
        assert made.isVisible()
        assert made.close_strip.isVisible()
        assert thread.said == []
        QTest.mouseClick(made.close_strip.keep_key, Qt.MouseButton.LeftButton)
        assert not made.close_strip.isVisible()
        made.close()
        QTest.mouseClick(made.close_strip.end_key, Qt.MouseButton.LeftButton)
        # it ends, and no venting keeps it open
        assert [type(c) for c in thread.said] == [Abandon, Abandon]
        assert made.isVisible()
        thread_alive = False
        made.beat()
        assert not made.isVisible()
    finally:
        del type(thread).alive


def test_a_window_with_nothing_on_closes_at_once(qtbot: QtBot) -> None:
    made = window(qtbot)
    made.close()
    assert not made.isVisible()


# --- what is shown -------------------------------------------------------------------


def test_bars_are_those_of_the_page(qtbot: QtBot, recorded: Run, clock: Clock) -> None:
    made = window(qtbot)
    at_work(made, moment(recorded, hold_of(recorded, "lockup-1") + 9.0, clock))
    assert made.screen_now is not None
    bars = made._bench().findings.bars
    assert len(bars) == len(made.screen_now.findings) == 8
    for row in made.screen_now.findings:
        bar = bars[row.id]
        scale = made._theme.scale
        wanted = bar_svg(row.bar, LIGHT, bar.width() / scale, bar.height() / scale)
        assert bar.svg == wanted
        assert made._bench().findings.words[row.id] == row.word


@pytest.mark.parametrize("size", SIZES)
def test_what_matters_is_readable_from_two_metres(
    qtbot: QtBot, recorded: Run, clock: Clock, size: tuple[int, int]
) -> None:
    made = window(qtbot, size=size)
    presenter = moment(recorded, hold_of(recorded, "lockup-1") + 9.0, clock)
    at_work(made, presenter)
    desk = made._bench()

    def least(widget: QWidget, capital_px: float) -> None:
        assert widget.isVisible()
        assert QFontMetricsF(widget.font()).capHeight() >= capital_px

    for worked, other, act in (
        ("outlet", "inlet", ""),
        ("inlet", "outlet", "raise_inlet"),
    ):
        if act:
            aim = parse_quantity("10 psi gauge")
            request = Request(
                id="x.1", step="pressurise", act=act, aim=aim, caution="raise_slowly"
            )
            presenter.take([Asked(request)])
            made.show_now()
            least(desk.action.caution, 18.0)
        made_application().processEvents()
        least(desk.action.first, 46.0)
        least(desk.action.second, 37.0)
        least(desk.action.detail, 18.0)
        least(desk.trace.readouts[worked].value, 46.0)
        least(desk.trace.readouts[other].value, 30.0)
        for row in desk.findings.rows.values():
            for label in (row.name, row.word, row.value):
                least(label, 13.0)
    caution, detail = desk.action.caution.font(), desk.action.detail.font()
    assert caution.pixelSize() >= detail.pixelSize()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("step", ["lockup-1", "closing-zero"])
@pytest.mark.parametrize("calibrated", [True, False])
def test_no_finding_and_no_reading_is_cut(
    qtbot: QtBot,
    recorded: Run,
    clock: Clock,
    size: tuple[int, int],
    step: str,
    calibrated: bool,
) -> None:
    made = window(qtbot, size=size)
    presenter = moment(recorded, hold_of(recorded, step) + 9.0, clock)
    rig = recorded.header.rig
    if not calibrated:
        channels = tuple(replace(c, calibration=None) for c in rig.channels)
        rig = replace(rig, channels=channels)
    run = replace(recorded, header=replace(recorded.header, rig=rig))
    presenter.take([Judged(judge(run), step)])
    at_work(made, presenter)
    made_application().processEvents()
    desk = made._bench()
    notes = [
        "noise only" in row.count.text()
        for row in desk.findings.rows.values()
        if "±" in row.value.text()
    ]
    assert notes
    assert all(note != calibrated for note in notes)
    for row in desk.findings.rows.values():
        for label in (row.name, row.word, row.count, row.value):
            wide = QFontMetricsF(label.font()).horizontalAdvance(label.text())
            assert wide <= label.width() + 0.5, label.text()
    lines = desk.findings.rows["closing_zero_change"].value
    foot = lines.mapTo(made, lines.rect().bottomLeft())
    assert foot.y() < made.height()
    readouts = list(desk.trace.readouts.values())
    for readout in readouts:
        assert readout.height() >= readout.minimumSizeHint().height()
        for word in (readout.name, readout.unit, readout.value):
            text = word.text()
            wide = QFontMetricsF(word.font()).horizontalAdvance(text)
            assert wide <= word.width() + 0.5, text
    assert not readouts[0].geometry().intersects(readouts[1].geometry())


def test_sizes_follow_from_the_fonts_own_measures(qtbot: QtBot) -> None:
    made_application()
    load_fonts()
    assert scale_for(1366, 768) == 1.0
    assert scale_for(1024, 600) == 1.0
    assert scale_for(2732, 1536) == 2.0
    for capital in (37.0, 46.0, 92.0):
        assert pixels_for(capital) > capital


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("act", sorted({*ACTS, *words()["bench"]["act"]}))
def test_every_action_fits_its_panel(
    qtbot: QtBot, recorded: Run, clock: Clock, act: str, size: tuple[int, int]
) -> None:
    made = window(qtbot, size=size)
    at_work(made, moment(recorded, 30.0, clock))
    assert made.screen_now is not None
    aim = "1000 psi gauge" if "inlet" in act else "11.0 in. w.c. gauge"
    facts = {"aim": aim, "repeats": 5, "window": "1 to 5 s"}
    first, second, detail = several("act", act, **facts)
    action = Action(
        first=first,
        second=second,
        detail=detail,
        caution=caution("raise_slowly"),  # the longest of those for an act
        confirm="x.1",
        foot=said("press_when_done"),
    )
    strip = Strip(what=said("left_out", "over_pressure"), do=caution("stopped"))
    screen = replace(made.screen_now, action=action, strip=strip)
    desk = made._bench()
    assert made._presenter is not None
    desk.show_screen(screen, made._presenter.histories)
    made_application().processEvents()
    panel = desk.action
    for line, words_ in ((panel.first, first), (panel.second, second)):
        wide = QFontMetricsF(line.font()).horizontalAdvance(words_)
        assert wide <= line.width(), (
            f"{words_!r} is {wide - line.width():.0f} px too wide"
        )
    _nothing_cut_or_overlapping(made)


def _nothing_cut_or_overlapping(made: Window) -> None:
    panel = made._bench().action
    parts = [
        each
        for each in (
            panel.first,
            panel.second,
            panel.detail,
            panel.caution,
            panel.done,
            panel.foot,
            panel.progress,
            panel.rig_foot,
            panel.stop_key,
        )
        if each.isVisible()
    ]
    for i, each in enumerate(parts):
        foot = each.mapTo(made, each.rect().bottomRight())
        assert foot.y() < made.height(), each.accessibleName()
        if isinstance(each, QLabel) and each.wordWrap():
            assert each.height() >= each.heightForWidth(each.width()), each.text()
        for other in parts[:i]:
            assert not each.geometry().intersects(other.geometry()), (
                f"{each.accessibleName()!r} lies over {other.accessibleName()!r}"
            )
    for readout in made._bench().trace.readouts.values():
        assert readout.height() >= readout.minimumSizeHint().height()


@pytest.mark.parametrize("size", SIZES)
def test_a_hold_that_is_lost_fits_its_panel(
    qtbot: QtBot, recorded: Run, clock: Clock, size: tuple[int, int]
) -> None:
    made = window(qtbot, size=size)
    presenter = moment(recorded, hold_of(recorded, "creep-hold") + 60.0, clock)
    failed = judged(recorded, Outcome.FAIL, "creep-hold")
    presenter.take([Judged(failed, "creep-hold")])
    at_work(made, presenter)
    made_application().processEvents()
    panel = made._bench().action
    assert panel.first.text() == "Enough to fail."
    _nothing_cut_or_overlapping(made)


@pytest.mark.parametrize("size", SIZES)
def test_every_step_of_the_whole_run_is_named(
    qtbot: QtBot, recorded: Run, run_path: Path, clock: Clock, size: tuple[int, int]
) -> None:
    made = window(qtbot, size=size)
    presenter = moment(recorded, 860.0, clock)
    final = Final(run_path=run_path, run=recorded, judgement=judge(recorded))
    presenter.take([Closed("done", 860.0), final])
    at_work(made, presenter)
    made_application().processEvents()
    trace = made._bench().trace
    names = trace.sheet.names()
    plan = recorded.header.plan
    assert [cell.id for cell, _, _ in names] == [step.id for step in plan.steps]
    deepest = max(row for _, row, _ in names)
    scale = made._theme.scale
    assert trace.sheet.height() >= (BASE_PX + deepest * NAME_PX) * scale - 1.0
    assert not trace.whole.isVisible()  # the picture is the whole run


def test_a_longer_line_goes_on_below_and_stays_within_the_panel(
    qtbot: QtBot, recorded: Run, clock: Clock
) -> None:
    made = window(qtbot)
    presenter = moment(recorded, 30.0, clock)
    at_work(made, presenter)
    aim = parse_quantity("11.55 in. w.c. (conventional) gauge")
    request = Request(
        id="x.1",
        step="rig-hold",
        act="set_inlet",
        aim=aim,
        confirm=True,
        caution="raise_slowly",
    )
    presenter.take([Asked(request)])
    made.show_now()
    made_application().processEvents()
    panel = made._bench().action
    assert panel.second.height() > 1.5 * panel.second.capital_px * 1.5
    for low in (panel.done, panel.stop_key, panel.foot):
        foot = low.mapTo(panel, low.rect().bottomRight())
        assert foot.y() < panel.height()
    assert not panel.done.geometry().intersects(panel.caution.geometry())


@pytest.mark.parametrize("inks", [LIGHT, DARK])
def test_every_text_stands_out_from_its_ground(inks: Inks) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1
    traces = (inks.outlet, inks.inlet, inks.other)
    texts = (inks.ink, inks.soft, *traces, inks.conforms, inks.fails, inks.undecided)
    for ground in (inks.paper, inks.panel):
        for text in texts:
            assert contrast(text, ground) >= 4.5, (text, ground)
    assert contrast(inks.paper, inks.ink) >= 4.5  # the step that is on; the main key
    assert contrast(inks.paper, inks.outlet) >= 4.5  # marked text


def test_contrast_is_that_of_the_published_formula() -> None:
    # W3C: black on white is 21 to 1; #767676 on white is the lightest grey that meets
    # 4.5 to 1 (from memory)
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)


def test_every_key_and_field_has_a_name(
    qtbot: QtBot, recorded: Run, clock: Clock
) -> None:
    made = window(qtbot)
    at_work(made, moment(recorded, 30.0, clock))
    for kind in (QPushButton, QLineEdit):
        for widget in made.findChildren(kind):
            assert widget.accessibleName(), widget
    assert made._bench().action.first.accessibleDescription()


def test_the_trace_is_drawn_in_its_ink(
    qtbot: QtBot, recorded: Run, clock: Clock
) -> None:
    made = window(qtbot)
    at_work(made, moment(recorded, hold_of(recorded, "lockup-1") + 20.0, clock))
    made_application().processEvents()
    plot = made._bench().trace.plot.plots["outlet"]
    image: QImage = plot.grab().toImage()
    ink = QColor(LIGHT.outlet)
    found = sum(
        _near(QColor(image.pixel(x, y)), ink)
        for x in range(0, image.width(), 2)
        for y in range(0, image.height(), 2)
    )
    assert found > 100


def _near(one: QColor, other: QColor) -> bool:
    pairs = zip(one.getRgb()[:3], other.getRgb()[:3], strict=True)  # type: ignore[index]
    return all(abs(a - b) < 40 for a, b in pairs)


def test_another_size_of_window_makes_other_sizes_and_loses_nothing(
    qtbot: QtBot,
) -> None:
    made = window(qtbot)
    made.start.fields["job"].setText("half a na")
    made.resize(1920, 1080)
    made._fit()
    assert made._theme.scale == pytest.approx(1080 / 768, rel=0.01)
    assert made.start.fields["job"].text() == "half a na"


def test_the_verdict_takes_the_actions_place(
    qtbot: QtBot, recorded: Run, run_path: Path, clock: Clock
) -> None:
    made = window(qtbot)
    presenter = moment(recorded, 880.0, clock)
    thread = at_work(made, presenter)
    final = Final(run_path=run_path, run=recorded, judgement=judge(recorded))
    presenter.take([Closed("done", 880.0), final])
    made.show_now()
    panel = made._bench().verdict
    assert panel.isVisible()
    assert not made._bench().action.isVisible()
    assert panel.first.text() == "Pass"
    assert panel.make_key.isVisible()
    assert not panel.open_key.isVisible()
    assert str(run_path) in panel.run.text()
    assert set(made._bench().findings.words.values()) == {"pass"}
    QTest.mouseClick(panel.next_key, Qt.MouseButton.LeftButton)
    assert made.start.isVisible()
    assert thread.said == []


@pytest.mark.parametrize("dark", [False, True])
def test_both_looks(qtbot: QtBot, dark: bool) -> None:
    made = window(qtbot, WindowOptions(light=not dark, dark=dark))
    ground = made.grab().toImage().pixelColor(5, 300)
    assert ground == QColor((DARK if dark else LIGHT).paper)


# --- the start sheet -----------------------------------------------------------------


@pytest.fixture
def papers(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(rig_text("127.0.0.1", 502, 1.0, EPOCH.date()))
    (tmp_path / "job.toml").write_text(JOB_TEXT)
    return tmp_path


def given(folder: Path, **changes: str) -> Given:
    fields = {
        "rig": str(folder / "rig.toml"),
        "plan": "low-pressure",
        "job": str(folder / "job.toml"),
        "out": str(folder / "run.h5"),
        "by": "M. Okafor (invented)",
    }
    return Given(**{**fields, **changes})


def test_a_sheet_that_is_filled_in_is_ready(papers: Path) -> None:
    sheet = look_at(given(papers))
    assert sheet.ready
    assert "SIMULATED RIG" in sheet.beside["rig"].words
    assert "SIM-0001" in sheet.beside["job"].words


@pytest.mark.parametrize(
    ("field", "typed", "told"),
    [
        ("rig", "", "Needed"),
        ("rig", "nowhere.toml", "There is no"),
        ("rig", "\x00 pasted\njunk \u2603" + "x" * 300, "can't be read"),
        ("rig", "{job}", "format"),
        ("plan", "", "Needed"),
        ("plan", "no-such-plan", "No plan is called no-such-plan"),
        ("plan", "{rig}", "format"),
        ("job", "{folder}", "can't be read"),
        ("job", "{bad_unit}", "is not a unit"),
        ("job", "{no_gauge}", "gauge, absolute or difference"),
        ("job", "{wrong_sign}", "set_pressure"),
        ("job", "{not_purged}", "purged"),
        ("out", "", "Needed"),
        ("out", "{job}", "already"),
        ("out", "{folder}/none/run.h5", "no such folder"),
        ("out", "{folder}/run.journal", "such as RUN.h5"),
        ("out", "x" * 300, "can't be written"),
    ],
)
def test_what_is_wrong_is_said_beside_the_field_and_kept(
    qtbot: QtBot, papers: Path, field: str, typed: str, told: str
) -> None:
    places = {
        "folder": str(papers),
        "rig": str(papers / "rig.toml"),
        "job": str(papers / "job.toml"),
        "bad_unit": _job(papers, '"11.0 in. w.c. gauge"', '"11,0 inches gauge"'),
        "no_gauge": _job(papers, '"11.0 in. w.c. gauge"', '"11.0 in. w.c."'),
        "wrong_sign": _job(papers, '"11.0 in. w.c. gauge"', '"-11.0 in. w.c. gauge"'),
        "not_purged": _job(papers, "purged = true", "purged = false"),
    }
    typed = typed.format(**places)
    made = window(qtbot)
    made.start.fill(given(papers))
    made.start.fields[field].setText(typed)
    kept = made.start.fields[field].text()
    made.start.look_now()
    note = made.start.notes[field].text()
    assert told in note
    assert made.start.fields[field].text() == kept
    begun: list[object] = []
    made.start.begin.connect(begun.append)
    made.start.read.setChecked(True)
    QTest.mouseClick(made.start.begin_key, Qt.MouseButton.LeftButton)
    assert begun == []
    assert "Not yet" in made.start.begin_note.text()
    assert made.start.fields[field].text() == kept


def _job(folder: Path, old: str, new: str) -> str:
    assert old in JOB_TEXT
    path = folder / f"job-{abs(hash((old, new)))}.toml"
    path.write_text(JOB_TEXT.replace(old, new, 1))
    return str(path)


def test_nothing_begins_before_the_cautions_are_read(
    qtbot: QtBot, papers: Path
) -> None:
    made = window(qtbot)
    made.start.fill(given(papers))
    begun: list[object] = []
    made.start.begin.disconnect()
    made.start.begin.connect(begun.append)
    QTest.mouseClick(made.start.begin_key, Qt.MouseButton.LeftButton)
    assert begun == []
    assert "cautions" in made.start.begin_note.text()
    made.start.read.setChecked(True)
    QTest.mouseClick(made.start.begin_key, Qt.MouseButton.LeftButton)
    assert begun == [given(papers)]


def test_a_run_file_is_suggested_but_never_put_over_what_was_typed(
    qtbot: QtBot, papers: Path
) -> None:
    made = window(qtbot)
    made.start.fields["job"].setText(str(papers / "job.toml"))
    suggested = made.start.fields["out"].text()
    assert Path(suggested).parent == papers
    assert "SIM-0001" in Path(suggested).name
    made.start.fields["out"].setText("my-own.h5")
    made.start.fields["job"].setText(str(papers / "job.toml") + " ")
    assert made.start.fields["out"].text() == "my-own.h5"


def test_the_keyboard_reaches_everything(qtbot: QtBot) -> None:
    made = window(qtbot)
    seen: set[int] = set()
    widget: QWidget | None = made.start.fields["rig"]
    for _ in range(60):
        assert widget is not None
        seen.add(id(widget))
        widget = widget.nextInFocusChain()
    for name in ("begin_key", "watch_key", "look_key", "read"):
        each = getattr(made.start, name)
        assert id(each) in seen
        assert each.focusPolicy() & Qt.FocusPolicy.TabFocus


def test_sizes_are_told_apart() -> None:
    made_application()
    theme = Theme(LIGHT)
    names = ("label", "text", "lead", "far", "middle", "large", "huge")
    sizes = [theme.size(s) for s in names]
    assert sizes == sorted(set(sizes))
    assert all(isinstance(label, str) for label in several("desks"))


def test_who_issues_a_paper_is_asked_for_with_a_pin_that_is_not_shown(
    qtbot: QtBot, run_of: RunOf, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = run_of()
    run = open_run(path)
    final = Final(run_path=path, run=run, judgement=judge(run), by="M. Okafor")
    rig = replace(run.header.rig, simulated=False)
    real = replace(final, run=replace(run, header=replace(run.header, rig=rig)))
    made = window(qtbot)
    asked_for: list[tuple[str, str]] = []
    monkeypatch.setattr(
        "gui.app.paper_of", lambda final, name, pin: asked_for.append((name, pin))
    )
    monkeypatch.setattr(made, "_beside", lambda task, presenter: made.show_now())
    presenter = moment(run, 880.0, clock)
    at_work(made, presenter)
    presenter.take([Closed("done", 880.0), real])
    clock.now += 1.1 * ARM_S
    made.show_now()
    listed = Roll(id="x", begun_ns=0)
    monkeypatch.setattr(persons, "the_roll", lambda: listed)
    panel = made._bench().verdict
    assert not panel.issuing.isVisible()
    QTest.keyClick(made, Qt.Key.Key_Return)
    assert asked_for == []
    assert panel.issuing.isVisible()
    assert panel.issuer.text() == "M. Okafor"
    assert panel.pin.echoMode() is QLineEdit.EchoMode.Password
    QTest.keyClicks(panel.pin, "814-quarry")
    QTest.keyClick(panel.pin, Qt.Key.Key_Return)
    assert asked_for == [("M. Okafor", "814-quarry")]
    assert panel.pin.text() == ""
    presenter.take([PaperRefused(RefusedError("pin_wrong", name="M. Okafor"))])
    made.show_now()
    assert made._bench().strip.isVisible()
    assert panel.issuer.text() == "M. Okafor"


def test_nobody_is_asked_for_a_pin_where_nobody_has_one(
    qtbot: QtBot, recorded: Run, run_path: Path, clock: Clock
) -> None:
    made = window(qtbot)
    presenter = moment(recorded, 880.0, clock)
    at_work(made, presenter)
    final = Final(run_path=run_path, run=recorded, judgement=judge(recorded))
    presenter.take([Closed("done", 880.0), final])
    made.show_now()
    panel = made._bench().verdict
    QTest.keyClick(made, Qt.Key.Key_Return)
    assert made._side_tasks == []  # it has only just come to stand there
    clock.now += 1.1 * ARM_S
    made.show_now()
    QTest.keyClick(made, Qt.Key.Key_Return)
    assert not panel.issuing.isVisible()
    (task,) = made._side_tasks
    assert task.thread.join(60.0)
    told = task.thread.drain()
    assert isinstance(told[0], PaperRefused)  # the run is unsigned
