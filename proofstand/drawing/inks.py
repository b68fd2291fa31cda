"""Inks and fonts: the same on paper and on screen.

Meaning is carried by shape and word; an ink only helps. Every text ink stands at least
4.5:1 against its ground (WCAG 2.2, success criterion 1.4.3; a test computes it).
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable

FONT_FAMILY = "B612"
FONT_FILES = ("B612-Regular.otf", "B612-Bold.otf")


@dataclass(frozen=True, slots=True)
class Inks:
    """One set of inks, each ``#RRGGBB``.

    Attributes:
        paper: the ground. panel: a ground set apart from it.
        ink: text and what is on. soft: second text. rule: grid, frames, empty lines.
        outlet, inlet: the two traces. other: any further trace.
        conforms, fails, undecided: how a finding stands.
    """

    paper: str
    panel: str
    ink: str
    soft: str
    rule: str
    outlet: str
    inlet: str
    other: str
    conforms: str
    fails: str
    undecided: str

    def of_role(self, role: str) -> str:
        """Return the ink of a channel's trace."""
        return {"outlet": self.outlet, "inlet": self.inlet}.get(role, self.other)


LIGHT = Inks(
    paper="#F5F2EA",
    panel="#FBF9F4",
    ink="#1C2126",
    soft="#616A73",
    rule="#CFC9BC",
    outlet="#23408E",
    inlet="#94561C",
    other="#4A5560",
    conforms="#1F67B0",
    fails="#AB400B",
    undecided="#45307E",
)
DARK = Inks(
    paper="#16191C",
    panel="#1D2125",
    ink="#ECE8DF",
    soft="#9AA3AD",
    rule="#343A41",
    outlet="#7FA8F0",
    inlet="#D29A5E",
    other="#B4BDC6",
    conforms="#6FB1E8",
    fails="#F08A4B",
    undecided="#D2C7F4",
)
PAGE = Inks(
    paper="#FFFFFF",
    panel="#FFFFFF",
    ink="#1C2126",
    soft="#616A73",
    rule="#C9C5BC",
    outlet="#23408E",
    inlet="#9A5B1F",
    other="#4A5560",
    conforms="#1F67B0",
    fails="#B8460E",
    undecided="#45307E",
)


def fonts_folder() -> Traversable:
    """Return the folder of the font files, with their licence."""
    return resources.files("proofstand") / "fonts"


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two inks, 1 to 21.

    Source:
        W3C, Web Content Accessibility Guidelines 2.2, relative luminance and contrast
        ratio.
    """
    high, low = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def _luminance(ink: str) -> float:
    parts = [int(ink[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
        for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
