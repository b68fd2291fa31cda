"""Keeping what is issued: the one rule for the command line and the window."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from records.planfile import plan_by_name

from .home import head_key, home, who_is
from .keep import keep_issued


def keeper(
    run_path: Path,
    *,
    by: str,
    key_folder: Path | None,
    archive: Path | None = None,
    plan_name: str = "",
    told: Callable[[Path], None] = lambda path: None,
) -> Callable[[bytes, bool], None]:
    """Return what keeps a page that is issued, with its run.

    What a simulated rig made is kept only where an archive is named; its head is then
    signed by the key that signs the page. The shop's archive is signed by the shop's.

    Args:
        run_path: the run file.
        by: who issues the page.
        key_folder: of the key that signs the page.
        archive: folder of the archive, None for the shop's.
        plan_name: another version of the plan that it is judged by; kept with it.
        told: is told where the page lies.
    """

    def keep(page: bytes, simulated: bool) -> None:
        if simulated and archive is None:
            return
        where = home(archive).archive
        key = head_key(key_folder if simulated else None)
        plan = plan_by_name(plan_name)[1] if plan_name else ""
        added = keep_issued(where, run_path, page, key=key, who=who_is(by), plan=plan)
        told(where.folder / added.kept[-1].path)

    return keep
