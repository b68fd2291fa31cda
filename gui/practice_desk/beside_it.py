"""What is done beside the window for a drill: its run opened or made, calls scored."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from analysis.judge import judge
from proofstand.drilling import make_run, run_of_drill
from proofstand.practice_folder import KeptDrill, PracticeFolder
from proofstand.review.drills import score
from proofstand.review.sheet import score_json
from proofstand.session import Marked, SessionEvent
from records.drillfile import answer_of
from records.errors import InputError
from records.run import MarkKind, Run

from ..background import Handle
from ..bench_desk.wording import step_words
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

    def tell(event: SessionEvent) -> None:
        if isinstance(event, Marked):
            handle.look()
            if event.mark.kind is MarkKind.STEP_BEGIN:
                step = step_words(event.mark.step)
                at = f"{event.mark.t_s:.0f}"
                handle.tell(said("replay", "making", step=step, at=at))

    path = folder.run_path(drill)
    if not path.exists():
        if drill.run:
            raise InputError("drill_run_missing", where=where, run=drill.run)
        make_run(drill, folder.run_place(drill), where, tell)
    return run_of_drill(drill, path, where)


def scored(
    kept: KeptDrill,
    run_path: Path,
    calls: Calls,
    replay: Replay,
    trainee: str,
    folder: PracticeFolder,
) -> Score:
    """Score what was called, and keep it.

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
    )
