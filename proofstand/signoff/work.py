"""What the job card tells of the work, and what it leaves a reader to look for."""

from __future__ import annotations

from collections.abc import Iterable

from analysis.marks import Performance, performances
from records.jobcard import JobCard
from records.materials import is_oxidiser
from records.plan import Plan
from records.run import MarkKind, Run

from ..words.sentences import page

_DECLARED = "declared"  # in a mark: a person said it, no request asked for it
_PARTS = 400  # characters of the list of parts


def work_rows(run: Run, plan: Plan) -> list[tuple[str, str]]:
    """Return what the card tells of before, of the work and of how it is closed."""
    job = run.header.job
    return [
        ("as_found", _as_found(job)),
        ("replaced", _replaced(job)),
        ("relief", _relief(run, plan)),
        ("adjuster", _adjuster(run, plan)),
        ("bag_seal", _bag(job)),
    ]


def _as_found(job: JobCard) -> str:
    found = job.as_found
    if found is None:
        return ""
    id = "as_found_done" if found.done else "as_found_skipped"
    return page(id, run=found.run, why=found.skipped or page("not_stated"))


def _replaced(job: JobCard) -> str:
    rebuild = job.rebuild
    if rebuild is None:
        return ""
    names = ", ".join(p.name for p in rebuild.parts if p.done == "replaced")
    if not names:
        return ""
    by = page("parts_by", parts=names, by=rebuild.by or page("not_stated"))
    return by if len(by) <= _PARTS else by[: _PARTS - 1].rstrip() + "…"


def work_since(before: JobCard, after: JobCard) -> str:
    """Return what the card of a later test tells of the work since an earlier one.

    Args:
        before: card of the earlier test.
        after: card of the test that came next.

    Returns:
        The parts replaced and by whom; "" where the card tells nothing new.
    """
    if after.rebuild is None or after.rebuild == before.rebuild:
        return ""
    return _replaced(after)


def _relief(run: Run, plan: Plan) -> str:
    """Return of a relief valve: none fitted, tested, or fitted and not tested."""
    job = run.header.job
    seen = job.inspection.result("relief valve") if job.inspection else None
    if seen == "not fitted":
        return page("relief_none")
    done = performances(run, plan).values()
    if any(isinstance(d, Performance) and d.step.kind == "relief" for d in done):
        return page("relief_tested")
    if seen in (None, "not looked at"):
        return ""
    return page("relief_untested")


def _adjuster(run: Run, plan: Plan) -> str:
    """Return whether nut and cap were closed in the test, and the seal's number."""
    locked = next(
        (
            done.step.id
            for done in reversed(performances(run, plan).values())
            if isinstance(done, Performance) and done.asked_at("lock_nut") is not None
        ),
        "",
    )
    seal = last_seal(run.header.job)
    said = [page("adjuster_locked", step=locked)] if locked else []
    if seal:
        said.append(page("adjuster_sealed", seal=seal))
    return "; ".join(said)


def _bag(job: JobCard) -> str:
    seal = job.disposition[-1].bag_seal if job.disposition else ""
    return page("bagged", seal=seal) if seal else ""


def last_seal(job: JobCard) -> str:
    """Return the number of the seal on the adjuster, as told last, or ""."""
    return job.disposition[-1].adjuster_seal if job.disposition else ""


def declared_changes(run: Run) -> list[str]:
    """Return what persons said was adjusted or opened in the test, when and by whom."""
    return [
        page(
            f"declared_{mark.kind.value}",
            at=f"{mark.t_s:.0f} s",
            step=mark.step or page("not_stated"),
            what=mark.data.get("act", "") or page("nobody_said"),
            by=mark.by or page("not_stated"),
        )
        for mark in run.marks
        if mark.kind in (MarkKind.ADJUSTED, MarkKind.OPENED) and _DECLARED in mark.data
    ]


def not_recorded(
    job: JobCard, *, before: bool, as_found: bool, place: bool
) -> Iterable[str]:
    """Return what a reader may look for and nothing here tells.

    Args:
        job: the card.
        before: the page is of the regulator as it was received.
        as_found: a test as received stands beside this one.
        place: the paper says where tests are made.
    """
    oxygen = is_oxidiser(job.regulator.gas)
    told = {
        "lacks_as_found": before or as_found or job.as_found is not None,
        "lacks_parts": before or (job.rebuild is not None and bool(job.rebuild.parts)),
        "lacks_seal": before or bool(last_seal(job)),
        "lacks_bag": before or not oxygen or bool(_bag(job)),
        "lacks_relief": job.inspection is not None
        and job.inspection.result("relief valve") not in (None, "not looked at"),
        "lacks_customer": job.intake is not None and bool(job.intake.sender),
        "lacks_place": place,
        "lacks_function": False,
    }
    return (page(id) for id, there in told.items() if not there)
