"""New judgements of kept runs, kept beside the old ones, which stay as they are.

A judgement that turns a fail into a pass is kept only by a second person: a quality
lead who neither recorded the run nor issued a page of its fail. Each run's judgement is
kept by itself, so that who is interrupted goes on where it ended.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from records.archive.chain import Archive, Item
from records.errors import InputError, ProofstandError, RefusedError
from records.judgement import Verdict
from records.people import Act, Signatory
from records.plan import Plan, RuleName
from records.planfile import plan_by_name
from records.run import Run
from records.runfile import read_sealed
from records.tomlfile import text_sha256

from ..approvals import as_approved
from ..report import judgements_json
from ..signoff.heads import SigningKey
from ..signoff.persons import did, member_for, the_roll
from ..signoff.roll import Clock
from ..signoff.second_person import refuse_first
from .anew import Rejudged
from .keep import RUN_NAME, judgement_item, put_items, run_folder
from .nouns import shop_item


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A run judged anew, and what became of the judgement.

    Attributes:
        place: where the new judgement lies, None where it is not kept.
        refused: why it is not kept, or None.
    """

    of: Rejudged
    place: Path | None = None
    refused: ProofstandError | None = None


@dataclass(frozen=True, slots=True)
class ByVersion:
    """Judges runs by another version of their plan.

    Attributes:
        text: of the plan, as its file has it.
    """

    plan: Plan
    sha256: str
    text: str

    @property
    def question(self) -> str:
        """What is asked of a run by it, in a word of its own."""
        return f"version {self.sha256}"

    def __call__(self, run: Run, then: Plan, _: str) -> tuple[Plan, str]:
        """Return the version, for a run of that plan.

        Raises:
            InputError: ``plan_not_a_version``.
        """
        if self.plan.id != then.id:
            raise InputError(
                "plan_not_a_version",
                where=run.id,
                given=self.plan.id,
                wanted=then.id,
            )
        return self.plan, self.sha256


def by_version(name: str) -> ByVersion:
    """Return what judges runs by another version of their plan.

    Raises:
        InputError: the plan can't be read.
    """
    plan, text = plan_by_name(name)
    sha256 = text_sha256(text)
    return ByVersion(as_approved(plan, sha256), sha256, text)


@dataclass(frozen=True, slots=True)
class ByRule:
    """Judges runs by their plan with another decision rule throughout."""

    rule: RuleName

    @property
    def question(self) -> str:
        """What is asked of a run by it, in a word of its own."""
        return f"rule {self.rule}"

    def __call__(self, run: Run, then: Plan, sha256: str) -> tuple[Plan, str]:
        """Return the plan with that rule."""
        steps = tuple(
            replace(
                step, limits=tuple(replace(limit, rule=None) for limit in step.limits)
            )
            for step in then.steps
        )
        return replace(then, rule=self.rule, steps=steps), sha256


def keep_new(
    archive: Archive,
    judged: Iterable[Rejudged],
    *,
    who: Signatory,
    head: SigningKey,
    plan_text: str = "",
    utc_ns: Clock = time.time_ns,
) -> Iterator[Done]:
    """Keep each new judgement that says another thing than the one before it.

    Args:
        archive: where the runs are.
        judged: runs judged anew.
        who: keeps them; that they may was shown.
        head: signs the archive's head.
        plan_text: of another version of the plan, kept with the first of them.
        utc_ns: the clock.

    Raises:
        InputError, IntegrityError: the archive can't be written, or was changed.
    """
    for each in judged:
        if each.trouble is not None or each.same:
            yield Done(of=each)
            continue
        try:
            _refuse_alone(archive, each, who)
        except RefusedError as error:
            yield Done(of=each, refused=error)
            continue
        did(who, Act.REJUDGE, utc_ns=utc_ns, run=each.sha256, verdict=each.after)
        place = _keep(archive, each, who, head, plan_text, utc_ns)
        yield Done(of=each, place=place)


def _refuse_alone(archive: Archive, each: Rejudged, who: Signatory) -> None:
    """Refuse that one person alone turns a fail into a pass.

    Raises:
        RefusedError: ``role_wanted``, ``second_person_same``.
    """
    if (each.before, each.after) != (Verdict.FAIL, Verdict.PASS):
        return
    place = run_folder(archive, each.run.run) / RUN_NAME
    roll = the_roll()
    if roll is not None:
        member_for(roll, who.name, Act.CONFIRM)
    refuse_first(who.name, read_sealed(place), str(place))


def _keep(
    archive: Archive,
    each: Rejudged,
    who: Signatory,
    head: SigningKey,
    plan_text: str,
    utc_ns: Clock,
) -> Path:
    assert each.data is not None
    run = read_sealed(run_folder(archive, each.run.run) / RUN_NAME)
    old = None if each.kept is None else each.kept.sha256
    data = {**each.data, "by": who.name, "supersedes": old}
    text = json.dumps(
        judgements_json([data]), ensure_ascii=False, allow_nan=False, indent=1
    ).encode()
    items: list[Item] = []
    if plan_text:
        made = archive.stage(plan_text.encode(), "plan")
        items.append(shop_item(made.path, "plan", made, ".toml"))
    items.append(judgement_item(run, text, archive.stage(text, "judgement")))
    kept = put_items(archive, items, head, who.name, utc_ns)
    return archive.folder / kept[-1].path
