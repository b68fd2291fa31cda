"""The picture that is looked at, as a file: PNG for pages, SVG for printing large."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import QBuffer, QIODevice, QPoint, QRectF, QSize
from PySide6.QtGui import QColor, QFontMetricsF, QImage, QPainter, QRegion
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QWidget

from records.runfile import write_once

from ..theme import Theme

TIMES = 2.0  # dots per pixel of the window, so that it stays sharp on paper


def free_names(beside: Path, stem: str) -> tuple[Path, Path]:
    """Return free names for a picture in both forms."""
    number = 1
    while True:
        name = f"{stem}-picture-{number}"
        both = (beside / f"{name}.png", beside / f"{name}.svg")
        if not any(path.exists() for path in both):
            return both
        number += 1


def save_picture(
    part: QWidget, theme: Theme, head: Sequence[str], png: Path, svg: Path
) -> None:
    """Write a part of the window with lines above it that say what it shows.

    Args:
        part: what is drawn.
        theme: inks and fonts.
        head: regulator, plan, rig, day, what is simulated.
        png: must not exist.
        svg: the same.

    Raises:
        InputError: ``file_unwritable`` or ``file_exists``.
    """
    of_png, of_svg = picture_bytes(part, theme, head)
    write_once(png, of_png, "picture")
    write_once(svg, of_svg, "picture")


def picture_bytes(
    part: QWidget, theme: Theme, head: Sequence[str]
) -> tuple[bytes, bytes]:
    """Return a part of the window with lines above it, as PNG and as SVG.

    Args:
        part: what is drawn.
        theme: inks and fonts.
        head: what it shows, line by line.
    """
    high = QFontMetricsF(theme.font("text")).height()
    top = round(high * len(head) + theme.px(16))
    size = QSize(part.width(), part.height() + top)
    image = QImage(size * TIMES, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(TIMES)
    painter = QPainter(image)
    _draw(painter, part, theme, head, size, top)
    painter.end()
    held = QBuffer()
    held.open(QIODevice.OpenModeFlag.WriteOnly)
    image.save(held, "PNG")  # type: ignore[call-overload]
    drawn = QBuffer()
    drawn.open(QIODevice.OpenModeFlag.WriteOnly)
    generator = QSvgGenerator()
    generator.setOutputDevice(drawn)
    generator.setSize(size)
    generator.setViewBox(QRectF(0.0, 0.0, size.width(), size.height()))
    generator.setTitle(" ".join(head))
    painter = QPainter(generator)
    _draw(painter, part, theme, head, size, top)
    painter.end()
    return bytes(held.data().data()), bytes(drawn.data().data())


def _draw(
    painter: QPainter,
    part: QWidget,
    theme: Theme,
    head: Sequence[str],
    size: QSize,
    top: int,
) -> None:
    painter.fillRect(
        QRectF(0, 0, size.width(), size.height()), QColor(theme.inks.paper)
    )
    painter.setPen(QColor(theme.inks.ink))
    font = theme.font("text")
    painter.setFont(font)
    high = QFontMetricsF(font).height()
    for i, text in enumerate(head):
        base = theme.px(8) + i * high + QFontMetricsF(font).ascent()
        painter.drawText(QPoint(theme.px(16), round(base)), text)
    flags = QWidget.RenderFlag.DrawChildren
    part.render(painter, QPoint(0, top), QRegion(), flags)
