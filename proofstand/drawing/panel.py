"""A box of a vector drawing with its scales, and lines in it."""

from __future__ import annotations

from dataclasses import dataclass

PT = 72.0 / 25.4  # points in a millimetre


@dataclass(frozen=True, slots=True)
class Panel:
    """A box of a drawing with its scales; points, y down.

    Attributes:
        left, top, width, height: the box. start, stop: times at its sides.
        low, high: values at its lower and upper edge.
    """

    left: float
    top: float
    width: float
    height: float
    start: float
    stop: float
    low: float = 0.0
    high: float = 1.0

    @property
    def right(self) -> float:
        """Its right-hand side."""
        return self.left + self.width

    def x(self, t_s: float) -> float:
        """Return where a time stands."""
        return self.left + (t_s - self.start) * self.width / (self.stop - self.start)

    def y(self, value: float) -> float:
        """Return where a value stands."""
        share = (value - self.low) / (self.high - self.low)
        return self.top + self.height * (1.0 - share)


def stroke(path: str, ink: str, width: float, dashes: str = "") -> str:
    """Return a line as an SVG path, its width in points; dashes as SVG has them."""
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path d="{path}" stroke="{ink}" stroke-width="{width:g}"'
        f' stroke-linejoin="round" stroke-linecap="round" fill="none"{dashed}/>'
    )
