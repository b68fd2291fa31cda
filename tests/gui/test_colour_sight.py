"""Outcomes are told apart by eyes that lack a colour, and in grey print.

Three kinds of sight are simulated with the matrices of G. M. Machado, M. M. Oliveira
and L. A. F. Fernandes, A Physiologically-based Model for Simulation of Color Vision
Deficiency, IEEE Transactions on Visualization and Computer Graphics 15 (2009), pages
1291 to 1298, severity 1.0, applied to linear RGB. Grey is the luminance of WCAG 2.2.
Distances are those of CIE 1976 L*a*b* (ISO/CIE 11664-4) under D65.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from PySide6.QtCore import QByteArray, QRectF
from PySide6.QtGui import QImage, QPainter
from PySide6.QtSvg import QSvgRenderer

from gui.app import made_application
from gui.bench_desk.verdict_panel import VerdictSign
from gui.theme import Theme
from proofstand.drawing.bar import Bar, BarState, bar_svg
from proofstand.drawing.inks import DARK, LIGHT, PAGE, Inks, contrast
from records.trace import FloatArray

SIGHTS = {
    "all colours": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
    "grey": np.array([[0.2126, 0.7152, 0.0722]] * 3),
}
LOOKS = {"light": LIGHT, "dark": DARK, "page": PAGE}
OUTCOMES = ("conforms", "fails", "undecided")
TEXTS = (*OUTCOMES, "outlet", "inlet", "other", "ink", "soft")
APART = 12.0  # of L*a*b*; 2.3 is just seen (M. Mahy et al., 1994)
SHAPES_APART = 0.01  # share of the picture that differs


def linear(ink: str) -> FloatArray:
    """Return an ink's linear RGB (IEC 61966-2-1)."""
    parts = np.array([int(ink[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
    high = ((parts + 0.055) / 1.055) ** 2.4
    return np.where(parts <= 0.04045, parts / 12.92, high)


def seen(ink: str, sight: str) -> str:
    """Return the ink that looks to all as this one does to eyes of a kind."""
    light = np.clip(SIGHTS[sight] @ linear(ink), 0.0, 1.0)
    high = 1.055 * light ** (1.0 / 2.4) - 0.055
    parts = np.where(light <= 0.0031308, 12.92 * light, high)
    return "#" + "".join(f"{round(255.0 * part):02X}" for part in parts)


def lab(ink: str) -> FloatArray:
    """Return an ink's L*a*b* under D65."""
    to_xyz = [
        [0.4124, 0.3576, 0.1805],
        [0.2126, 0.7152, 0.0722],
        [0.0193, 0.1192, 0.9505],
    ]
    white = np.array([0.95047, 1.0, 1.08883])
    t = np.array(to_xyz) @ linear(ink) / white
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16.0) / 116.0)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_measures_are_the_published_ones() -> None:
    assert lab("#FFFFFF") == pytest.approx([100.0, 0.0, 0.0], abs=0.05)
    # sRGB red, CIE L*a*b* under D65 (B. Lindbloom's calculator; from memory)
    assert lab("#FF0000") == pytest.approx([53.24, 80.09, 67.20], abs=0.1)
    for sight in SIGHTS:  # white and grey stay what they are
        assert seen("#FFFFFF", sight) == "#FFFFFF"
        assert seen("#808080", sight) == "#808080"
    # red and green that differ to most eyes come near to each other
    far = np.linalg.norm(lab("#C05020") - lab("#6F7A20"))
    near = np.linalg.norm(
        lab(seen("#C05020", "deuteranopia")) - lab(seen("#6F7A20", "deuteranopia"))
    )
    assert near < 0.5 * far


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize("look", LOOKS)
def test_every_text_stands_out_to_all_eyes(look: str, sight: str) -> None:
    inks = LOOKS[look]
    for ground in (inks.paper, inks.panel):
        for name in TEXTS:
            ratio = contrast(seen(getattr(inks, name), sight), seen(ground, sight))
            assert ratio >= 4.5, (name, ratio)


@pytest.mark.parametrize("sight", [s for s in SIGHTS if s != "grey"])
@pytest.mark.parametrize("look", LOOKS)
def test_no_two_outcomes_have_one_colour_to_any_eyes(look: str, sight: str) -> None:
    inks = LOOKS[look]
    for one, other in (*combinations(OUTCOMES, 2), ("outlet", "inlet")):
        ours = [lab(seen(getattr(inks, name), sight)) for name in (one, other)]
        assert np.linalg.norm(ours[0] - ours[1]) >= APART, (one, other)


# --- in grey the shapes carry it -----------------------------------------------------


def _drawn(svg: str) -> FloatArray:
    image = QImage(300, 36, QImage.Format.Format_Grayscale8)
    image.fill(0xFFFFFFFF)
    painter = QPainter(image)
    QSvgRenderer(QByteArray(svg.encode())).render(painter, QRectF(image.rect()))
    painter.end()
    return _pixels(image)


def _pixels(image: QImage) -> FloatArray:
    grey = image.convertToFormat(QImage.Format.Format_Grayscale8)
    flat = np.frombuffer(grey.constBits(), dtype=np.uint8)
    rows = flat.reshape(grey.height(), grey.bytesPerLine())[:, : grey.width()]
    return rows / 255.0


def one_ink(inks: Inks) -> Inks:
    """Return inks of which all that carry an outcome are one."""
    return replace(inks, conforms=inks.ink, fails=inks.ink, undecided=inks.ink)


def test_bars_differ_without_any_colour() -> None:
    made_application()
    states = [state for state in BarState if state is not BarState.TO_COME]
    drawn = {}
    for state in states:
        bar = Bar(interval=(-0.5, 0.5), limit_min=-1.0, limit_max=1.0, state=state)
        drawn[state] = _drawn(bar_svg(bar, one_ink(PAGE), 150.0, 18.0))
    inside = {state: picture[4:32, 80:220] for state, picture in drawn.items()}
    for one, other in combinations(states, 2):
        differs = float(np.mean(np.abs(inside[one] - inside[other]) > 0.25))
        assert differs >= SHAPES_APART, (one, other, differs)


def test_verdicts_have_shapes_of_their_own() -> None:
    made_application()
    kinds = ("pass", "fail", "inconclusive", "incomplete")
    drawn = {}
    for kind in kinds:
        sign = VerdictSign(Theme(LIGHT))
        sign.put(kind, LIGHT.ink)
        assert sign.accessibleName() == kind
        drawn[kind] = _pixels(sign.grab().toImage())
    for one, other in combinations(kinds, 2):
        differs = float(np.mean(np.abs(drawn[one] - drawn[other]) > 0.25))
        assert differs >= SHAPES_APART, (one, other, differs)
