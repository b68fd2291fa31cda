"""The page of trends: what is charted, the series, and the chart of one."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QTimer, Signal
from PySide6.QtGui import QPainter, QPixmap
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from ..bench_desk.strips import StripBar
from ..pieces import Rule, line, put
from ..theme import Theme
from .choice_row import ChoiceRow
from .keys_row import KeysRow
from .save_row import SaveRow
from .saving import Saving
from .table import Cell, ListTable, Row
from .trends import TrendPage, TrendPresenter
from .wording import said

_CHOICES = ("what", "group")
_SHARES = (64, 30, 36)
_CHART_SHARES = (52, 0, 48)
_WAIT_MS = 120


class ChartPicture(QWidget):
    """The chart, drawn as large as there is room for."""

    fits = Signal(int, int)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._data: bytes | None = None
        self._picture: QPixmap | None = None
        self.setAccessibleName(said("trend_head"))
        self._wait = QTimer(self)
        self._wait.setSingleShot(True)
        self._wait.setInterval(_WAIT_MS)
        self._wait.timeout.connect(self.tell_size)

    def tell_size(self) -> None:
        """Tell how many dots there is room for."""
        ratio = self.devicePixelRatioF()
        self.fits.emit(round(self.width() * ratio), round(self.height() * ratio))

    def put(self, data: bytes | None, words: str) -> None:
        """Show another chart, or none yet."""
        self.setAccessibleDescription(words)
        if data is not self._data:
            self._data, self._picture = data, None
            if data is not None:
                made = QPixmap()
                made.loadFromData(data, "PNG")  # type: ignore[call-overload]
                made.setDevicePixelRatio(self.devicePixelRatioF())
                self._picture = made
            self.update()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Want another one, once the size stands."""
        super().resizeEvent(event)
        self._wait.start()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw it."""
        if self._picture is not None:
            QPainter(self).drawPixmap(0, 0, self._picture)


class TrendView(QWidget):
    """Trends over the runs that were found."""

    scanned = Signal(str)

    def __init__(self, theme: Theme, presenter: TrendPresenter, saving: Saving) -> None:
        super().__init__()
        self._theme, self._presenter = theme, presenter
        px = theme.px
        self.strip = StripBar(theme)
        self.choices = ChoiceRow(theme, "trend_choice", _CHOICES, 280, presenter.choose)
        self.words = line(theme, "far", wrap=True, name=said("trend_head"))
        self.words.setContentsMargins(px(24), px(10), px(24), 0)
        heads = [said("trend_column", each) for each in ("name", "share", "words")]
        self.table = ListTable(theme, heads, _SHARES, said("trend_head"), "label")
        self.table.chosen.connect(presenter.choose_row)
        self.chart = ChartPicture(theme)
        self.chart.fits.connect(self._fit)
        self._middle = QHBoxLayout()
        self._middle.setContentsMargins(0, 0, 0, 0)
        self._middle.setSpacing(0)
        self._between = Rule(theme, upright=True)
        self._middle.addWidget(self.table, 38)
        self._middle.addWidget(self._between)
        self._middle.addWidget(self.chart, 62)
        self.saving = SaveRow(theme, saving)
        self.saving.scanned.connect(self.scanned)
        self.keys = KeysRow(theme, "trends")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(6))
        layout.addWidget(self.strip)
        layout.addLayout(self.choices)
        layout.addWidget(self.words)
        layout.addLayout(self._middle, 1)
        layout.addWidget(self.saving)
        layout.addWidget(self.keys)

    def _fit(self, wide_px: int, high_px: int) -> None:
        scale = self._theme.scale * self.devicePixelRatioF()
        self._presenter.fit(wide_px, high_px, self._theme.inks, scale)

    def show_page(self, page: TrendPage) -> None:
        """Show the trends as far as they are read."""
        self.strip.show_strip(page.strip)
        put(self.words, page.said)
        self.words.setVisible(bool(page.said))
        for name, choice in zip(_CHOICES, (page.what, page.groups), strict=True):
            self.choices.fill(name, choice)
        rows = [
            Row(
                cells=(
                    Cell(text=each.name),
                    Cell(
                        text=""
                        if each.share is None
                        else f"{100.0 * each.share:.0f} %",
                        share=each.share,
                    ),
                    Cell(text=each.words),
                ),
                tip=f"{each.name}: {each.words}",
            )
            for each in page.rows
        ]
        self.table.put(rows, page.chosen)
        self.table.share(_CHART_SHARES if page.charts else _SHARES)
        self.chart.setVisible(page.charts)
        self._between.setVisible(page.charts)
        self.chart.put(page.picture, "\n".join(page.lines))
        self.keys.enable(
            {
                "chart": self._presenter.may_chart,
                "table": self._presenter.may_table,
            }
        )
