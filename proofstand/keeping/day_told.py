"""The page at a day's end as lines of text; for the command and the window alike."""

from __future__ import annotations

from ..display import plain
from .day import Day
from .shown import run_line


def day_lines(page: Day, rejected: frozenset[str], *, simulated: bool) -> list[str]:
    """Return the page of a day as lines.

    Args:
        page: which.
        rejected: ids of all runs that were rejected.
        simulated: it counts runs of simulated rigs.
    """
    said = [f"Day {page.day.isoformat()}"]
    if simulated:
        said.append("SIMULATED RIGS, no regulator was tested")
    endings = ", ".join(f"{n} {word}" for word, n in sorted(page.endings.items()))
    verdicts = ", ".join(f"{n} {word}" for word, n in sorted(page.verdicts.items()))
    said += [
        f"Units in: {len(page.received)}",
        f"Runs: {len(page.runs)}" + (f" ({verdicts})" if verdicts else ""),
        f"Jobs ended: {endings or 'none'}",
        f"Start-of-shift checks kept: {page.shifts}",
        f"Concessions: {page.concessions}",
    ]
    set_aside = [run for run in page.runs if run.run in rejected]
    for head, lines in (
        *(
            (head, [run_line(run, rejected) for run in runs])
            for head, runs in (
                ("Tested", page.runs),
                ("Tested again on the same job", page.retests),
                ("Without certificate or report", page.without),
                ("Rejected", set_aside),
            )
        ),
        (
            "Old open jobs",
            [
                f"{plain(o.job)}  {plain(o.serial)}  {plain(o.customer)}  received "
                f"{o.received.isoformat()}"
                for o in page.open
            ],
        ),
        ("How the rig moved", [plain(line) for line in page.moved]),
        (
            "Due within 30 days, or past",
            [f"{d.due.isoformat()}  {plain(d.what)}" for d in page.due],
        ),
        ("Could not be read", [plain(line) for line in page.unread]),
    ):
        if lines:
            said += ["", f"{head}:", *(f"  {line}" for line in lines)]
    if page.simulated:
        said += ["", f"{page.simulated} runs of simulated rigs are not counted."]
    return said
