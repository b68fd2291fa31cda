"""Whether a window can be opened here: asked before Qt would end the program."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from records.errors import InputError

_NO_SCREEN_NEEDED = ("offscreen", "minimal", "vnc", "eglfs", "linuxfb")


def check_display() -> None:
    """Refuse to go on where no window can be opened.

    Raises:
        InputError: ``no_display``, or ``window_missing`` with the library that lacks.
    """
    if not sys.platform.startswith("linux"):
        return
    platform = os.environ.get("QT_QPA_PLATFORM", "").split(":")[0].split(";")[0]
    if platform in _NO_SCREEN_NEEDED:
        return
    if _wayland_answers() and platform != "xcb":
        return
    display = os.environ.get("DISPLAY", "")
    if not display:
        raise InputError("no_display", why="no display is named (DISPLAY is empty)")
    if not _x_answers():
        raise InputError("no_display", why=f"display {display} does not answer")
    _check_plugin()


def _wayland_answers() -> bool:
    name = os.environ.get("WAYLAND_DISPLAY", "")
    folder = os.environ.get("XDG_RUNTIME_DIR", "")
    return bool(name) and Path(folder, name).exists()


def _x_answers() -> bool:
    """Tell whether an X server can be talked to; True where that can't be found out."""
    import ctypes

    try:
        xcb = ctypes.CDLL("libxcb.so.1")
    except OSError as error:
        raise InputError("window_missing", why=error) from error
    xcb.xcb_connect.restype = ctypes.c_void_p
    xcb.xcb_connection_has_error.argtypes = [ctypes.c_void_p]
    xcb.xcb_disconnect.argtypes = [ctypes.c_void_p]
    connection = xcb.xcb_connect(None, None)
    failed = bool(xcb.xcb_connection_has_error(connection))
    xcb.xcb_disconnect(connection)
    return not failed


def _check_plugin() -> None:
    """Load Qt's part for X, whose libraries are those that are missing most often."""
    import ctypes

    try:
        import PySide6
        from PySide6 import QtGui  # noqa: F401  (its libraries come first)
    except ImportError as error:
        raise InputError("window_missing", why=error) from error
    folder = Path(PySide6.__file__).parent / "Qt" / "plugins" / "platforms"
    plugin = folder / "libqxcb.so"
    if not plugin.is_file():
        return
    try:
        ctypes.CDLL(str(plugin))
    except OSError as error:
        raise InputError("window_missing", why=error) from error
