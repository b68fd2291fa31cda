"""The class sheet: a line for each trainee, and every drill that was done."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from proofstand.display import plain
from proofstand.review.sheet import Done, Trainee, class_sheet

from ..pieces import key, line, put
from ..theme import Theme
from .fields import scrolled
from .practice import Practice
from .scoring import cause_words
from .wording import said


class ClassPage(QWidget):
    """Shows what the scores come to; what was wrong with a drill only when asked."""

    keep = Signal()
    answers = Signal()

    def __init__(self, theme: Theme, model: Practice) -> None:
        super().__init__()
        self._theme, self._model = theme, model
        self._shown: tuple[list[Done], bool] | None = None
        px = theme.px
        head = QLabel(said("class", "head"))
        head.setFont(theme.font("large"))
        lead = line(theme, "text", ink=theme.inks.soft, wrap=True, name="lead")
        lead.setText(said("class", "lead"))
        self._inside = QWidget()
        self._lines = QVBoxLayout(self._inside)
        self._lines.setContentsMargins(0, px(6), px(10), 0)
        self._lines.setSpacing(px(2))
        self.words: list[QLabel] = []
        self.note = line(theme, "text", bold=True, wrap=True, name="note")
        self.keep_key = key(theme, said("class", "keep"))
        self.keep_key.setMinimumHeight(px(40))
        self.keep_key.clicked.connect(self.keep)
        self.answers_key = key(theme, said("class", "answers"))
        self.answers_key.setMinimumHeight(px(40))
        self.answers_key.clicked.connect(self.answers)
        foot = QHBoxLayout()
        foot.setSpacing(px(14))
        foot.addWidget(self.keep_key)
        foot.addWidget(self.answers_key)
        foot.addWidget(self.note, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(24), px(10), px(24), px(14))
        layout.setSpacing(px(6))
        layout.addWidget(head)
        layout.addWidget(lead)
        layout.addWidget(scrolled(self._inside), 1)
        layout.addLayout(foot)

    def show_now(self) -> None:
        """Show the sheet as it is now."""
        model = self._model
        put(self.note, model.note)
        ink = self._theme.inks.fails if model.wrong else self._theme.inks.ink
        self.note.setStyleSheet(f"color: {ink};")
        self.keep_key.setEnabled(bool(model.scores))
        self.answers_key.setEnabled(bool(model.scores))
        words = said("class", "answers_away" if model.answers else "answers")
        if self.answers_key.text() != words:
            self.answers_key.setText(words)
            self.answers_key.setAccessibleName(words)
        if (model.scores, model.answers) == self._shown:
            return
        scores = list(model.scores)
        self._shown = (scores, model.answers)
        for old in self.words:
            self._lines.removeWidget(old)
            old.hide()
            old.deleteLater()
        self.words = []
        if not scores:
            self._line(said("class", "none"), "lead")
        for one in class_sheet(scores):
            self._trainee(one, [d for d in scores if d.trainee == one.name])

    def _trainee(self, one: Trainee, done: list[Done]) -> None:
        share = 100.0 * one.points / one.of if one.of else 0.0
        facts = said(
            "class",
            "line",
            drills=one.drills,
            points=f"{one.points:g}",
            of=f"{one.of:g}",
            share=f"{share:.0f}",
            causes=one.causes,
        )
        self._line(f"{plain(one.name)}: {facts}", "lead", bold=True)
        for each in done:
            hard = f", {each.difficulty}" if each.difficulty else ""
            again = f"  ({said('class', 'again')})" if each.again else ""
            told = f"{each.when[:10]}   {plain(each.title)}{hard}:"
            told += f" {each.points:g} of {each.of:g}{again}"
            if self._model.answers:
                fault = cause_words(each.fault).rstrip(".")
                told += f"   {said('class', 'was', fault=fault)}"
            self._line(f"      {told}", "text")
        if not self._model.answers:
            return
        for fault, called, n in one.mixed_up:
            way = "mixed_more" if n > 1 else "mixed"
            took = cause_words(called).rstrip(".") or said("class", "nothing")
            words = said(
                "class", way, fault=cause_words(fault).rstrip("."), called=took, n=n
            )
            self._line(f"      {words}", "text", soft=True)

    def _line(
        self, text: str, size: str, *, bold: bool = False, soft: bool = False
    ) -> None:
        ink = self._theme.inks.soft if soft else ""
        label = line(self._theme, size, bold=bold, ink=ink, wrap=True, name=text)
        label.setText(text)
        label.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._lines.addWidget(label)
        self.words.append(label)
