"""Diagonal lines across a box, cut at its edges by arithmetic."""

from __future__ import annotations


def hatched(box: tuple[float, float, float, float], gap: float, *, rising: bool) -> str:
    """Return the path of the lines, 45 degrees.

    Args:
        box: left, top, width, height.
        gap: from one line to the next along the edge.
        rising: to the right; else falling.
    """
    left, top, width, height = box
    path = []
    offset = gap / 2.0
    while offset < width + height:
        # from the lower (or upper) edge at `offset` along x, up (or down)
        x0, x1 = max(offset - height, 0.0), min(offset, width)
        y0, y1 = offset - x0, offset - x1
        if not rising:
            y0, y1 = height - y0, height - y1
        path.append(f"M{left + x0:.2f} {top + y0:.2f}L{left + x1:.2f} {top + y1:.2f}")
        offset += gap
    return "".join(path)
