"""A finding in full: value, limit, why, budget, and what it was fitted to."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QFrame,
    QGridLayout,
    QLabel,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from proofstand.display import number
from proofstand.drawing.bar import state_ink
from proofstand.review.fits import Fitted

from ..pieces import BarPicture, line, put
from ..theme import Theme
from .detail import Detail
from .fit_picture import FitPicture
from .table import HEAD_PX, Cell, ListTable, Row
from .wording import said

_FACTS = 16  # names of facts that there may be at once
_BUDGET_SHARES = (44, 25, 18, 24, 26)
_BUDGET = ("source", "input", "part", "share", "more")


class Scrolled(QScrollArea):
    """A column of widgets that scrolls up and down, by keys of the page it is on."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.inside = QWidget()
        self.column = QVBoxLayout(self.inside)
        self.column.setContentsMargins(theme.px(18), theme.px(6), theme.px(18), 0)
        self.column.setSpacing(theme.px(3))
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setWidget(self.inside)

    def turn(self, by: int) -> None:
        """Move down or up by most of what is seen."""
        bar = self.verticalScrollBar()
        bar.setValue(bar.value() + by * round(0.85 * self.viewport().height()))

    def to_top(self) -> None:
        """Show its beginning."""
        self.verticalScrollBar().setValue(0)


class Facts(QWidget):
    """Names on the left, what is said on the right."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        grid = QGridLayout(self)
        grid.setContentsMargins(0, theme.px(2), 0, 0)
        grid.setHorizontalSpacing(theme.px(14))
        grid.setVerticalSpacing(theme.px(2))
        grid.setColumnStretch(1, 1)
        self._lines: list[tuple[QLabel, QLabel]] = []
        for at in range(_FACTS):
            name = line(theme, "label", ink=theme.inks.soft, wrap=True)
            name.setFixedWidth(theme.px(104))
            text = line(theme, "text", wrap=True)
            top = Qt.AlignmentFlag.AlignTop
            grid.addWidget(name, at, 0, top)
            grid.addWidget(text, at, 1, top)
            self._lines.append((name, text))

    def put(self, facts: Sequence[tuple[str, str]]) -> None:
        """Show as many as there are lines for."""
        for at, (name, text) in enumerate(self._lines):
            here = at < len(facts)
            name.setVisible(here)
            text.setVisible(here)
            if here:
                put(name, facts[at][0])
                put(text, facts[at][1])


class DetailView(Scrolled):
    """Everything that is told of one finding."""

    def __init__(self, theme: Theme) -> None:
        super().__init__(theme)
        self._theme = theme
        self._shown: Detail | None = None
        px, column = theme.px, self.column
        self.name = line(theme, "lead", bold=True, wrap=True, name=said("finding"))
        self.value = line(theme, "lead", wrap=True, name=said("value"))
        self.bar = BarPicture(theme)
        self.bar.setMaximumWidth(px(360))
        for widget in (self.name, self.value, self.bar):
            column.addWidget(widget)
        self.facts, self.more = Facts(theme), Facts(theme)
        column.addWidget(self.facts)
        self.fit_words = line(theme, "label", ink=theme.inks.soft, wrap=True)
        self.fit = FitPicture(theme)
        column.addSpacing(px(6))
        column.addWidget(self.fit_words)
        column.addWidget(self.fit)
        self.budget_head = line(theme, "text", bold=True, wrap=True)
        heads = [said("budget_column", each) for each in _BUDGET]
        self.budget = ListTable(
            theme, heads, _BUDGET_SHARES, said("budget"), "label", edge=0
        )
        self.budget.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.budget.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.budget_foot = line(theme, "label", wrap=True, name=said("budget"))
        column.addSpacing(px(6))
        column.addWidget(self.budget_head)
        column.addWidget(self.budget)
        column.addWidget(self.budget_foot)
        column.addWidget(self.more)
        column.addStretch(1)

    def show_detail(
        self, detail: Detail | None, fit: Fitted | None, fit_words: str
    ) -> None:
        """Show a finding; its fit may come a moment later."""
        self.fit.put(fit)
        self.fit.setVisible(fit is not None)
        put(self.fit_words, fit_words)
        self.fit_words.setVisible(bool(fit_words))
        if detail == self._shown or detail is None:
            return
        self._shown = detail
        inks = self._theme.inks
        put(self.name, f"{detail.name}, {detail.where}: {detail.outcome}")
        self.name.setStyleSheet(f"color: {state_ink(detail.state, inks)};")
        put(self.value, detail.value)
        self.bar.put(detail.bar)
        self.bar.setAccessibleName(f"{detail.name}: {detail.outcome}")
        self.facts.put(detail.facts)
        self.more.put(detail.more)
        put(self.budget_head, said("budget_in", unit=detail.unit))
        rows = [
            Row(
                cells=(
                    Cell(text=each.words),
                    Cell(text=each.of),
                    Cell(text=each.part),
                    Cell(text=_percent(each.share), share=each.share),
                    Cell(text=each.more, ink=inks.soft),
                ),
                tip=f"{each.words}: {each.more}",
            )
            for each in detail.budget
        ]
        self.budget.put(rows, -1)
        px = self._theme.px
        self.budget.setFixedHeight(px(HEAD_PX) + self.budget.row_px * len(rows) + 2)
        put(self.budget_foot, "\n".join(detail.budget_foot))
        self.budget_head.setVisible(bool(rows))
        self.budget.setVisible(bool(rows))
        self.budget_foot.setVisible(bool(rows))
        self.to_top()


def _percent(share: float) -> str:
    return f"{number(100.0 * share, 1)} %".replace("-", "\u2212")
