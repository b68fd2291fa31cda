"""What is issued and the archive: the one rule for the command line and the window."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from records.archive.chain import Archive
from records.archive.entry import key_of
from records.archive.found import RunFound
from records.errors import ProofstandError
from records.planfile import plan_by_name
from records.run import Run
from records.runfile import read_sealed

from ..signoff.certificate import Earlier
from ..signoff.persons import moment
from ..signoff.work import work_since
from .against import rejected_run
from .home import head_key, home, index_of, who_is
from .keep import RUN_NAME, keep_issued, run_folder


def keeper(
    run_path: Path,
    *,
    by: str,
    key_folder: Path | None,
    archive: Path | None = None,
    plan_name: str = "",
    as_found_run: Path | None = None,
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
        as_found_run: run of the test as received that the page shows; kept with it.
        told: is told where the page lies.
    """

    def keep(page: bytes, simulated: bool) -> None:
        if simulated and archive is None:
            return
        where = home(archive).archive
        key = head_key(key_folder if simulated else None)
        plan = plan_by_name(plan_name)[1] if plan_name else ""
        added = keep_issued(
            where,
            run_path,
            page,
            key=key,
            who=who_is(by),
            plan=plan,
            as_found_run=as_found_run,
        )
        told(where.folder / added.kept[-1].path)

    return keep


def earlier_tests(
    archive: Path | None = None,
) -> Callable[[Run], tuple[Earlier, ...] | None]:
    """Return what tells of a run which tests of the same regulator were before it.

    What a simulated rig made is looked for only where an archive is named.

    Args:
        archive: folder of the archive, None for the shop's.
    """

    def look(run: Run) -> tuple[Earlier, ...] | None:
        if run.header.rig.simulated and archive is None:
            return None
        where = home(archive)
        if not where.archive.exists:
            return ()
        try:
            with index_of(where) as index:
                found = [
                    each
                    for each in index.by_serial(run.header.job.regulator.serial)
                    if _is_before(each, run)
                ]
            found.reverse()
            opened = [_opened(where.archive, each) for each in found]
            return tuple(
                _earlier(each, own, after, run, where.archive)
                for each, own, after in zip(
                    found, opened, [*opened, run][1:], strict=True
                )
            )
        except ProofstandError:
            return None

    return look


def last_page(
    archive: Path | None = None,
) -> Callable[[Run, Sequence[str]], str]:
    """Return what tells the last page of a run with one of some titles, or "".

    A run of two regulators has a page for each, which the index does not tell apart.

    Args:
        archive: folder of the archive, None for the shop's.
    """

    def look(run: Run, titles: Sequence[str]) -> str:
        if run.header.rig.simulated and archive is None:
            return ""
        where = home(archive)
        if not where.archive.exists or run.header.job.upstream is not None:
            return ""
        with index_of(where) as index:
            own = [p.number for p in index.certificates(run.id) if p.title in titles]
        return own[-1] if own else ""

    return look


def _earlier(
    each: RunFound, own: Run, after: Run, run: Run, archive: Archive
) -> Earlier:
    """Return what is told of a test before a run, and of the work after it."""
    return Earlier(
        run=each.run,
        sha256=own.sha256,
        day=moment(each.started_ns)[:10],
        verdict=each.verdict,
        job=each.job,
        same_job=key_of(each.job) == key_of(run.header.job.id),
        as_received=own.header.plan.as_found,
        rejected=rejected_run(run_folder(archive, each.run), own.sha256) is not None,
        work=work_since(own.header.job, after.header.job),
    )


def _is_before(each: RunFound, run: Run) -> bool:
    return (
        each.started_ns < run.header.started_utc_ns
        and each.simulated == run.header.rig.simulated
    )


def _opened(archive: Archive, each: RunFound) -> Run:
    return read_sealed(run_folder(archive, each.run) / RUN_NAME)
