"""What is done beside the window for a drill: its run opened or made, calls scored."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from analysis.judge import judge
from proofstand.conduct import Fitted, remarks_on
from proofstand.drilling import make_run, run_of_drill
from proofstand.practice_folder import KeptDrill, PracticeFolder
from proofstand.review.drills import score
from proofstand.review.sheet import score_json
from proofstand.session import Marked, SessionEvent
from records.drillfile import answer_of
from records.errors import InputError
from records.run import Run

from ..background import Handle
from .calling import Calls
from .replaying import Replay
from .scoring import Score
from .wording import said


def opened(kept: KeptDrill, folder: PracticeFolder, handle: Handle) -> Run:
    """Return the run of a drill; simulated hands make it where there is none yet.

    Raises:
        ProofstandError: drill or run can't be used.
    """
    drill, where = kept.drill, str(kept.path)

    def look(event: SessionEvent) -> None:
        if isinstance(event, Marked):
            handle.look()

    path = folder.run_path(drill)
    if not path.exists():
        if drill.run:
            raise InputError("drill_run_missing", where=where, run=drill.run)
        # no step and no time: how far it came would tell what is wrong
        handle.tell(said("replay", "making"))
        make_run(drill, folder.run_place(drill), where, look)
    return run_of_drill(drill, path, where)


def scored(
    kept: KeptDrill,
    run_path: Path,
    calls: Calls,
    replay: Replay,
    trainee: str,
    folder: PracticeFolder,
    fitted: tuple[Fitted, ...] | None = None,
) -> Score:
    """Score what was called, and keep it.

    Args:
        kept: the drill.
        run_path: of its run.
        calls: what was called.
        replay: of the run.
        trainee: who called.
        folder: where the score is kept.
        fitted: what a person fitted while working it, None where simulated hands did.

    Raises:
        ProofstandError: drill or run can't be used any more, or nothing be written.
    """
    drill, where = kept.drill, str(kept.path)
    run = run_of_drill(drill, run_path, where)
    judgement = judge(run)
    made = score(answer_of(drill, where), run, judgement, calls.called())
    path = folder.keep_score(
        drill, score_json(made, drill, run, trainee, datetime.now(UTC))
    )
    return Score(
        scored=made,
        judgement=judgement,
        run=run,
        replay=replay,
        calls=calls,
        drill=drill.title,
        trainee=trainee,
        path=path,
        remarks=() if fitted is None else remarks_on(run, fitted),
    )
