"""A row of the table, and how the table is printed."""

from collections.abc import Sequence
from dataclasses import dataclass

FAILS_AT = 2.0  # times the goal: a busy computer alone must not fail a build


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: a ratio, so that it says the same on a slow computer and a fast one.

    Attributes:
        what: what is compared, in the words of the table.
        ratio: the measured one.
        goal: the most that it should be.
        how: what was timed, how often.
    """

    what: str
    ratio: float
    goal: float
    how: str

    @property
    def standing(self) -> str:
        """Return met, missed, or FAILED from twice the goal on."""
        if self.ratio <= self.goal:
            return "met"
        return "missed" if self.ratio < FAILS_AT * self.goal else "FAILED"


def table(rows: Sequence[Row]) -> str:
    """Return the rows as lines of text, columns aligned."""
    head = ("what", "ratio", "goal", "standing", "how")
    body = [
        (row.what, f"{row.ratio:.2f}", f"{row.goal:g}", row.standing, row.how)
        for row in rows
    ]
    lines = [head, *body]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    numeric = {1, 2}
    return "\n".join(
        "  ".join(
            cell.rjust(width) if column in numeric else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    )
