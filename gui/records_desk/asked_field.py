"""A field of the Records desk in which Enter is its own, secret where a PIN goes in."""

from __future__ import annotations

from PySide6.QtWidgets import QLineEdit

from ..pieces import OwnEnter
from ..theme import Theme


def asked_field(
    theme: Theme, name: str, wide: int = 0, *, secret: bool = False
) -> OwnEnter:
    """Return a field.

    Args:
        theme: inks and fonts.
        name: what a screen reader calls it; stands in it while it is empty.
        wide: width in the theme's pixels, 0 for as wide as there is room.
        secret: what is typed is not shown, and a scan goes nowhere from it.
    """
    field = OwnEnter(scans=not secret)
    if secret:
        field.setEchoMode(QLineEdit.EchoMode.Password)
    field.setFont(theme.font("text"))
    field.setAccessibleName(name)
    field.setPlaceholderText(name)
    field.setMinimumHeight(theme.px(32))
    if wide:
        field.setFixedWidth(theme.px(wide))
    return field
