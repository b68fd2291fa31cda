"""One kept run judged anew, without touching what is kept, and what comes out another.

The one function for a recall, for another version of the analysis and for another plan
or rule: a kept run is read, judged anew and compared with what was said of it. It wants
the archive's folder and no index, so that it runs in any process that sees the folder.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

from analysis.by_regulator import each_regulator
from analysis.judge import judge
from analysis.version import ANALYSIS_VERSION
from records.archive import entry as kinds
from records.archive.chain import Archive
from records.archive.files import sha256_of
from records.archive.found import Listed, Paper, RunFound
from records.calibration import Calibration, Corrected, FoundError
from records.errors import InputError, IntegrityError, ProofstandError
from records.plan import Plan
from records.planfile import load_plan
from records.run import Run
from records.runfile import read_sealed
from records.tomlfile import text_sha256

from ..approvals import as_approved, plan_of
from ..display import as_judged
from ..report import judgement_json
from ..signoff.verify import verify
from .boundaries import Moved, boundaries_in, boundary_of, with_boundaries
from .keep import RUN_NAME, run_folder
from .reviewed import read_as_kept

_PAIR = "tested_with"  # in the warnings of a judgement that is of one of two


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A finding that comes out another: its outcome, or its value where it matters.

    Attributes:
        before, after: the outcome, "" where there is no such finding.
        was, now: as shown, with unit; "" where not measured.
    """

    step: str
    id: str
    channel: str
    label: str
    before: str
    after: str
    was: str
    now: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejudged:
    """A kept run judged anew.

    Attributes:
        run: as the index has it. sha256: the run's hash, "" where it can't be read.
        serial: of the regulator that the judgement is of.
        kept: the judgement that it is compared with, None where none is kept.
        same: the new judgement says just what that one says.
        kept_version: version of the analysis that made that one.
        before, after: the verdicts, "" where it could not be judged.
        changes: findings whose outcome comes out another.
        papers: certificates and reports of the run.
        trouble: why it could not be judged, or None.
        data: the new judgement as JSON, None where it could not be judged.
    """

    run: RunFound
    sha256: str
    serial: str
    kept: Listed | None
    same: bool
    kept_version: int
    before: str
    after: str
    changes: tuple[Change, ...]
    papers: tuple[Paper, ...]
    trouble: ProofstandError | None = None
    data: Mapping[str, Any] | None = None

    @property
    def turns(self) -> bool:
        """The verdict comes out another."""
        return self.before != self.after

    @property
    def differs(self) -> bool:
        """Something comes out another, or can't be told."""
        return self.turns or bool(self.changes) or self.trouble is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A kept run, with what the index knows of it.

    Attributes:
        listed: its lines of the chain. papers: certificates and reports of it.
    """

    run: RunFound
    listed: tuple[Listed, ...]
    papers: tuple[Paper, ...]


Errors = Callable[[Run], Mapping[str, FoundError]]
"""Returns the error found of each channel of a run, by its id."""
PlanFor = Callable[[Run, Plan, str], tuple[Plan, str]]
"""Returns the plan to judge a run by and the digest of its text.

It is given the plan of the kept judgement and the digest of that one's.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked of every run; it can be sent to another process.

    Attributes:
        folder: of the archive.
        plans: places of the plans that are kept there.
        errors: what was found wrong of a run's channels, taken off before judging;
            what is compared then is this analysis without and with the error, where
            the kept judgement was made by another version. A run of which it gives no
            channel is left out.
        plan_for: the plan to judge by; None takes that of the kept judgement.
        moved: what is read in a step, moved by hand; it joins what was moved before.
    """

    folder: Path
    plans: tuple[str, ...]
    errors: Errors | None = None
    plan_for: PlanFor | None = None
    moved: Moved | None = None


def judge_anew(asked: Asked, task: Task) -> tuple[Rejudged, ...]:
    """Judge one kept run anew; nothing is written.

    Returns:
        One for each regulator that something was said of; one with its reason where the
        run can't be read or judged.

    Raises:
        RefusedError: what ``errors`` or ``plan_for`` refuse altogether.
    """
    try:
        run = _read(Archive(asked.folder), task.run.run, task.listed)
        wrong = None if asked.errors is None else asked.errors(run)
    except (InputError, IntegrityError) as error:
        return (untold(task, error),)
    if wrong is not None and not wrong:
        return ()
    try:
        return tuple(_each(asked, task, run, wrong))
    except (InputError, IntegrityError) as error:
        return (replace(untold(task, error), sha256=run.sha256),)


def without_errors(run: Run, errors: Mapping[str, FoundError]) -> Run:
    """Return a run with errors of its channels taken off what was read.

    Raw data and everything else stay as they are.
    """
    channels = tuple(
        replace(
            channel, calibration=_corrected(channel.calibration, errors[channel.id])
        )
        if channel.id in errors
        else channel
        for channel in run.header.rig.channels
    )
    rig = replace(run.header.rig, channels=channels)
    return replace(run, header=replace(run.header, rig=rig))


def _corrected(then: Calibration | None, error: FoundError) -> Calibration:
    if then is None:  # the plain reading: nothing was claimed of it, and nothing is now
        then = Calibration(id="", date=date.min, due=date.max, standard="")
    own = {each.name: getattr(then, each.name) for each in fields(then)}
    return Corrected(**own, error=error)


def untold(task: Task, error: ProofstandError) -> Rejudged:
    """Return a run that could not be judged, with the reason."""
    return Rejudged(
        run=task.run,
        sha256="",
        serial=task.run.serial,
        kept=None,
        same=False,
        kept_version=0,
        before=task.run.verdict,
        after="",
        changes=(),
        papers=task.papers,
        trouble=error,
    )


def _read(archive: Archive, run_id: str, listed: Sequence[Listed]) -> Run:
    """Return a kept run once its file is shown to be the one that was kept.

    Raises:
        InputError, IntegrityError: it can't be read, or was changed.
    """
    own = next((each for each in listed if each.kind == kinds.RUN), None)
    if own is None:
        place = run_folder(archive, run_id) / RUN_NAME
    else:
        place = archive.folder / own.path
    try:
        run = read_sealed(place)
    except InputError as error:
        if error.id != "file_missing":
            raise
        raise IntegrityError("archive_file_missing", where=str(place)) from None
    if own is not None and sha256_of(place)[0] != own.sha256:
        raise IntegrityError("archive_file_changed", where=str(place), n=own.n)
    return run


def _each(
    asked: Asked, task: Task, run: Run, wrong: Mapping[str, FoundError] | None
) -> Iterator[Rejudged]:
    """Give the run judged anew, once for each regulator that something was said of.

    Where an error of a channel was found, also once for each plan that papers of it
    were judged by.
    """
    archive, papers, plan_for = Archive(asked.folder), task.papers, asked.plan_for
    kept_last = _kept_last(archive, task.listed, run, by_plan=wrong is not None)
    narrowed = len(kept_last) > 1
    own_papers = {
        named: _papers_of(archive, papers, *named) if narrowed else papers
        for named in kept_last
    }
    for (serial, sha256), (kept, told) in kept_last.items():
        own = own_papers[serial, sha256]
        is_last = (serial, sha256) == [n for n in kept_last if n[0] == serial][-1]
        if not own and not is_last:
            continue  # no paper stands by it
        then = _plan_then(asked, run, told)
        plan = then if plan_for is None else plan_for(run, *then)
        narrow = told is not None and _is_of_one(told)
        version = 0 if told is None else int(told["analysis_version"])
        before = told
        boundaries = boundaries_in(told)
        as_read = with_boundaries(run, boundaries)
        if before is None or (wrong is not None and version != ANALYSIS_VERSION):
            before = _judged(as_read, *then, serial, narrow=narrow)
        moved = "" if asked.moved is None else asked.moved.step
        if asked.moved is not None:
            own_steps = [each for each in boundaries if each.step != asked.moved.step]
            new = boundary_of(run, asked.moved, boundaries)
            as_read = with_boundaries(run, (*own_steps, new))
        read = as_read if wrong is None else without_errors(as_read, wrong)
        after = _judged(read, *plan, serial, narrow=narrow)
        yield Rejudged(
            run=task.run,
            sha256=run.sha256,
            serial=serial,
            kept=kept,
            same=told is not None and _is_same(told, after),
            kept_version=version,
            before=str(before["verdict"]),
            after=str(after["verdict"]),
            changes=tuple(_changes(before, after, moved)),
            papers=own,
            data=after,
        )


_Named = tuple[str, str]
"""A regulator's serial, and the digest of the plan's text, "" for any."""


def _kept_last(
    archive: Archive, listed: Sequence[Listed], run: Run, *, by_plan: bool
) -> dict[_Named, tuple[Listed | None, dict[str, Any] | None]]:
    """Return the judgement that was kept last of each regulator, and by each plan.

    Raises:
        IntegrityError: one is missing, or not as it was kept.
    """
    found: dict[_Named, tuple[Listed | None, dict[str, Any] | None]] = {}
    for each in listed:
        if each.kind != kinds.JUDGEMENT:
            continue
        data = read_as_kept(archive, each)
        (told,) = json.loads(data)["judgements"]
        plan = str(told["plan"]["sha256"]) if by_plan else ""
        named = str(told["regulator"]["serial"]), plan
        found.pop(named, None)  # what was said last comes last
        found[named] = each, told
    return found or {(run.header.job.regulator.serial, ""): (None, None)}


def _papers_of(
    archive: Archive, papers: Iterable[Paper], serial: str, plan: str
) -> tuple[Paper, ...]:
    """Return the papers of a regulator by a plan, "" for any; the unreadable count."""

    def is_of(paper: Paper) -> bool:
        try:
            found = verify(archive.folder / paper.path).paper
            assert found is not None
            (told,) = json.loads(found.judgement)["judgements"]
        except (ProofstandError, ValueError, KeyError, TypeError):
            return True
        same_plan = plan in ("", told["plan"]["sha256"])
        return bool(told["regulator"]["serial"] == serial and same_plan)

    return tuple(filter(is_of, papers))


def _is_of_one(told: Mapping[str, Any]) -> bool:
    return any(warning["id"] == _PAIR for warning in told["warnings"])


def _plan_then(
    asked: Asked, run: Run, told: Mapping[str, Any] | None
) -> tuple[Plan, str]:
    """Return the plan that a kept judgement was made by, and the digest of its text.

    Raises:
        InputError: ``judgement_plan_not_kept``.
    """
    sha256 = run.header.plan_sha256 if told is None else told["plan"]["sha256"]
    if sha256 == run.header.plan_sha256:
        return plan_of(run.header), run.header.plan_sha256
    for place in asked.plans:
        plan, text = load_plan(asked.folder / place)
        if text_sha256(text) == sha256:
            return as_approved(plan, str(sha256)), str(sha256)
    assert told is not None
    raise InputError(
        "judgement_plan_not_kept",
        where=run.id,
        plan=told["plan"]["id"],
        version=told["plan"]["version"],
    )


def _judged(
    run: Run, plan: Plan, sha256: str, serial: str, *, narrow: bool
) -> dict[str, Any]:
    judgement = replace(judge(run, plan), plan_sha256=sha256)
    if narrow:
        for own, of_one in each_regulator(judgement, run):
            if own.header.job.regulator.serial == serial:
                return judgement_json(of_one, own, plan)
    return judgement_json(judgement, run, plan)


def _changes(
    before: Mapping[str, Any], after: Mapping[str, Any], moved: str
) -> Iterator[Change]:
    """Give the findings whose outcome is another, in the order of the new ones.

    Of a step of which a boundary was moved also those whose value alone is another.
    """
    old = {_named(finding): finding for finding in before["findings"]}
    new = {_named(finding): finding for finding in after["findings"]}
    for name in dict.fromkeys((*new, *old)):
        was, now = old.get(name), new.get(name)
        outcomes = [str(f["outcome"]) if f else "" for f in (was, now)]
        looked_at = name[0] == moved and _shown(was) != _shown(now)
        if outcomes[0] == outcomes[1] and not looked_at:
            continue
        known = now or was
        assert known is not None
        yield Change(
            step=name[0],
            id=name[1],
            channel=name[2],
            label=str(known["label"]),
            before=outcomes[0],
            after=outcomes[1],
            was=_shown(was),
            now=_shown(now),
        )


def _named(finding: Mapping[str, Any]) -> tuple[str, str, str]:
    return str(finding["step"]), str(finding["id"]), str(finding["channel"])


def _shown(finding: Mapping[str, Any] | None) -> str:
    """Return a finding's value as it is told everywhere, "" where there is none."""
    if finding is None or finding["display"]["value"] is None:
        return ""
    return as_judged(finding).line


def _is_same(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Tell whether two judgements say the same, whoever asked for them."""
    said = (
        "plan",
        "verdict",
        "findings",
        "warnings",
        "boundaries",
        "analysis_version",
    )
    now = json.loads(json.dumps(new, allow_nan=False))
    same = all(old.get(name) == now.get(name) for name in said)
    return same and _causes(old) == _causes(now)


def _causes(told: Mapping[str, Any]) -> list[tuple[Any, ...]]:
    """Return the causes; inside a certificate they stand without a probability."""
    named = ("fault_group", "because", "look_at")
    return [tuple(each.get(n) for n in named) for each in told.get("suspects", ())]
