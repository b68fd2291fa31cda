"""A score: points, what was wrong, each call against the truth and on the trace."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from proofstand.drawing.bar import state_ink

from ..bench_desk.screen import Picture
from ..bench_desk.view import Halves, TraceArea
from ..pieces import BarPicture, BigLine, FittedLine, Rule, key, line, put, restyle
from ..theme import Theme
from .fields import pick_field, scrolled
from .found_where import Under
from .practice import Practice
from .scoring import Score, ScoreRow
from .wording import said

_WRONG_SHARE, _ROWS_SHARE = 40, 60
_LOW_PX = 336
_ROW_PX = 42


class ScorePage(QWidget):
    """Trace above, what was wrong and the calls below."""

    back = Signal()

    def __init__(self, theme: Theme, model: Practice) -> None:
        super().__init__()
        self._theme, self._model = theme, model
        self._shown: Score | None = None
        self.explained = ""
        px = theme.px
        self.trace = TraceArea(theme)
        self.trace.look.wanted = False
        self.where = line(theme, "text", wrap=True, name="explained")
        self.where.setContentsMargins(px(64), 0, px(18), px(4))
        above = QWidget()
        top = QVBoxLayout(above)
        top.setContentsMargins(0, 0, 0, 0)
        top.setSpacing(0)
        top.addWidget(self.trace, 1)
        top.addWidget(self.where)
        left = self._left()
        right = QWidget()
        self._grid = QGridLayout(right)
        self._grid.setContentsMargins(px(14), px(10), px(20), px(8))
        self._grid.setHorizontalSpacing(px(12))
        self._grid.setVerticalSpacing(px(2))
        self._grid.setColumnStretch(0, 18)
        self._grid.setColumnStretch(1, 20)
        self._grid.setColumnStretch(2, 62)
        self.rows: dict[str, _Row] = {}
        self.any = pick_field(theme, said("score", "any"), ())
        self.any.activated.connect(lambda _: self._explain_any())
        self._any_label = line(theme, "text", bold=True)
        self._any_label.setText(said("score", "any"))
        self._any_label.setBuddy(self.any)
        self._any_label.setContentsMargins(px(13), 0, 0, 0)
        for side in (left, right):
            side.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            side.setMinimumWidth(1)
        low = QWidget()
        below = QHBoxLayout(low)
        below.setContentsMargins(0, 0, 0, 0)
        below.setSpacing(0)
        below.addWidget(left, _WRONG_SHARE)
        below.addWidget(Rule(theme, upright=True))
        below.addWidget(right, _ROWS_SHARE)
        halves = Halves(theme, above, low)
        halves.give(px(_LOW_PX))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(halves)

    def _left(self) -> QWidget:
        theme, px = self._theme, self._theme.px
        left = QWidget()
        layout = QVBoxLayout(left)
        layout.setContentsMargins(px(24), px(10), px(18), px(10))
        layout.setSpacing(px(6))
        self.points = BigLine(theme, "middle", bold=True, name="points")
        self.wrong = line(theme, "text", wrap=True, name="what was wrong")
        self.kept = FittedLine(theme, "label", ink=theme.inks.soft, name="score file")
        self.back_key = key(theme, said("score", "back"), size="lead", strong=True)
        self.back_key.setMinimumHeight(px(44))
        self.back_key.clicked.connect(self.back)
        layout.addWidget(self.points)
        layout.addWidget(scrolled(self.wrong), 1)
        layout.addWidget(self.kept)
        row = QHBoxLayout()
        row.addWidget(self.back_key)
        row.addStretch(1)
        layout.addLayout(row)
        return left

    def show_now(self) -> None:
        """Show the score, when it is another one than before."""
        score = self._model.score
        if score is None or score is self._shown:
            return
        self._shown = score
        self.points.put(score.head)
        put(self.wrong, "\n".join(score.lines))
        kept = said("score", "kept", trainee=score.trainee, file=score.path.name)
        self.kept.put(kept)
        for row in self.rows.values():
            row.away(self._grid)
        self.rows = {}
        for at, told in enumerate(score.rows):
            row = _Row(self._theme, self._grid, at, told)
            row.name.clicked.connect(lambda _=False, what=told.what: self.explain(what))
            self.rows[told.what] = row
        under = len(score.rows)
        self._grid.addWidget(self._any_label, under, 0)
        self._grid.addWidget(self.any, under, 1, 1, 2)
        self._grid.setRowStretch(under + 1, 1)
        self.any.clear()
        self.any.addItem(said("score", "any_none"), "")
        for number, words in score.findings:
            self.any.addItem(words, number)
        self.explain(score.rows[0].what)

    def explain(self, what: str) -> None:
        """Show on the trace how one thing was read, and what was true."""
        if self._shown is None:
            return
        self.explained = what
        self.any.setCurrentIndex(0)
        self._show(*self._shown.explained(what), on=what)

    def _explain_any(self) -> None:
        """Show on the trace how any finding was found."""
        number = str(self.any.currentData())
        if self._shown is not None and number:
            self._show(*self._shown.explained_finding(int(number)))

    def _show(
        self, picture: Picture | None, under: Under | None, words: str, on: str = ""
    ) -> None:
        put(self.where, words)
        for id, row in self.rows.items():
            restyle(row.name, "page", "on" if id == on else "off")
        if picture is not None and self._shown is not None:
            channels = self._shown.replay.channels
            self.trace.show_picture(
                picture, channels, glide=False, short=True, under=under
            )


class _Row:
    """One call: its name is the key that explains it."""

    def __init__(
        self, theme: Theme, grid: QGridLayout, at: int, told: ScoreRow
    ) -> None:
        px = theme.px
        self.name = QPushButton(told.name)
        self.name.setFont(theme.font("lead"))
        self.name.setStyleSheet(f"text-align: left; padding: {px(3)}px {px(8)}px;")
        self.name.setProperty("page", "off")
        self.name.setAutoDefault(False)
        self.bar = BarPicture(theme)
        if told.bar is not None:
            self.bar.put(told.bar)
        self.word = QLabel(f"{told.word}, {told.got}:")
        self.word.setFont(theme.font("text", bold=True))
        self.word.setStyleSheet(f"color: {state_ink(told.state, theme.inks)};")
        self.called = FittedLine(theme, "text", name=told.name)
        self.right = FittedLine(theme, "text", ink=theme.inks.soft, name=told.name)
        way = "true_near" if told.near else "true"
        right = said("score", way, right=told.right, near=told.near)
        called = said("score", "called", called=told.called)
        self.called.put(called, told.short)
        self.right.put(right)
        spoken = f"{told.name}: {told.word}, {told.got}; {called}; {right}"
        self.name.setAccessibleName(spoken)
        self.name.setToolTip(spoken)
        said_of = QWidget()
        lines = QVBoxLayout(said_of)
        lines.setContentsMargins(0, 0, 0, 0)
        lines.setSpacing(0)
        first = QHBoxLayout()
        first.setSpacing(px(8))
        first.addWidget(self.word)
        first.addWidget(self.called, 1)
        lines.addLayout(first)
        lines.addWidget(self.right)
        grid.setRowMinimumHeight(at, px(_ROW_PX))
        grid.addWidget(self.name, at, 0)
        if told.bar is not None:
            grid.addWidget(self.bar, at, 1, Qt.AlignmentFlag.AlignVCenter)
        grid.addWidget(said_of, at, 2)
        self._all: list[QWidget] = [self.name, self.bar, said_of]

    def away(self, grid: QGridLayout) -> None:
        for widget in self._all:
            grid.removeWidget(widget)
            widget.hide()
            widget.deleteLater()
